from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis import schema
from cemgis.files.readings import parse_nmea
from cemgis.layers import FIXES, LAYERS
from cemgis.occupations import (
    ReadingNumbers,
    make_markers,
    make_occupations,
    marker_keys,
    reading_sigmas,
    settle_occupations,
)
from cemgis.rules import Rules
from cemgis.units import METRE, US_SURVEY_FOOT

LOG = Path(__file__).parent / "data" / "nmea" / "nmea-rtk.log"
METRES = ReadingNumbers.of(Rules(METRE), METRE)
FEET = ReadingNumbers.of(Rules(US_SURVEY_FOOT), US_SURVEY_FOOT)
DAY = pd.Timestamp("2025-05-06 14:00", tz="UTC")
EAST, NORTH = 2_000_000.0, 700_000.0


def readings(rows, crs="EPSG:6549"):
    """Readings from dicts; x and y are counted from (EAST, NORTH), t in seconds."""
    table = pd.DataFrame(rows)
    for name, value in {"file": "a.nmea", "fix": "fixed", "label": "A-1", "hdop": 1.0, "x": 0.0, "y": 0.0}.items():
        table[name] = table.get(name, pd.Series(value, index=table.index)).fillna(value)
    table["reading_id"] = [f"r{number}" for number in range(len(table))]
    table["line"] = np.arange(1, len(table) + 1)
    if "t" in table:
        table["time"] = DAY + pd.to_timedelta(table["t"], unit="s")
    shapes = gpd.points_from_xy(EAST + table["x"], NORTH + table["y"])
    shaped = schema.restore(table.assign(geometry=shapes), LAYERS["readings"], crs)
    for name in ("section", "occupation", "speed", "kind", "condition", "depth", "note"):
        if name in table:
            shaped[name] = table[name]
    return shaped


def go(label="A-1", t=0.0, n=5, x=0.0, y=0.0, **more):
    return [{"label": label, "t": t + second, "x": x, "y": y, **more} for second in range(n)]


def off(frame):
    return np.column_stack([frame.geometry.x - EAST, frame.geometry.y - NORTH])


def kinds(findings):
    return sorted((item.kind, item.subject) for item in findings)


# ---- occupations ------------------------------------------------------------------------------------------------


def test_many_epochs_of_a_minute_are_no_better_than_one():
    rng = np.random.default_rng(1)
    errors = rng.normal(0.0, 0.004, (600, 2))
    rows = [{"t": second / 10, "x": x, "y": y} for second, (x, y) in enumerate(errors)]
    _, found, findings = make_occupations(readings(rows), METRES)
    assert len(found) == 1
    assert not findings
    # reading.sigma_fixed is 0.015 m; over the root of 600 it would be 0.0006 m
    assert found["cov_ee"].iloc[0] == pytest.approx(0.015**2)
    assert found["cov_en"].iloc[0] == 0.0
    # 2.4477 standard deviations hold 95 % of a circular normal (FGDC-STD-007.3-1998, app. 3-A)
    assert found["radius_95"].iloc[0] == pytest.approx(2.4477 * 0.015, rel=1e-4)
    np.testing.assert_allclose(off(found)[0], errors.mean(axis=0), rtol=0, atol=2e-5)


def test_standing_for_long_helps_down_to_the_floor():
    # four stretches of three minutes (occupation.correlation 0.05 h): 0.015 / 2 is below the floor of 0.012 m
    rows = [{"t": 10.0 * number} for number in range(60)]
    assert make_occupations(readings(rows), METRES)[1]["cov_ee"].iloc[0] == pytest.approx(0.012**2)
    rows = [{"t": 10.0 * number, "fix": "float"} for number in range(20)]
    # two stretches: 0.30 / sqrt(2) = 0.212, above the floor of 0.20 m
    assert make_occupations(readings(rows), METRES)[1]["cov_ee"].iloc[0] == pytest.approx(0.30**2 / 2)


def test_scatter_of_the_epochs_counts_when_it_is_larger():
    rows = [{"t": number, "x": 0.1 * (-1) ** number, "y": 0.1 * (-1) ** (number // 2)} for number in range(8)]
    found = make_occupations(readings(rows), METRES)[1]
    # eight errors of 0.1 m in each coordinate with mean zero: variance 8 x 0.01 / 7
    assert found["cov_ee"].iloc[0] == pytest.approx(0.08 / 7)


@pytest.mark.parametrize(
    ("fix", "hdop", "sigma"),
    [("fixed", 3.0, 0.015), ("float", 3.0, 0.30), ("differential", 2.0, 1.4), ("autonomous", 2.0, 5.0),
     ("unknown", 2.0, 5.0), ("autonomous", np.nan, 2.5)],
)  # fmt: skip
def test_sigma_by_kind_of_solution_and_hdop(fix, hdop, sigma):
    table = readings([{"fix": fix, "hdop": hdop}])
    table["hdop"] = [hdop]
    out, source = reading_sigmas(table, METRES)
    assert out.iloc[0] == pytest.approx(sigma)
    assert source.iloc[0].startswith("rule")
    feet, _ = reading_sigmas(table, FEET)
    assert feet.iloc[0] == pytest.approx(sigma * 3937 / 1200)


def test_own_sigma_wins_but_not_over_the_floor():
    out, found, _ = make_occupations(readings(go(sigma=0.001)), METRES)
    assert out["sigma"].tolist() == [0.001] * 5
    assert found["cov_ee"].iloc[0] == pytest.approx(0.012**2)
    assert make_occupations(readings(go(sigma=0.5)), METRES)[1]["cov_ee"].iloc[0] == pytest.approx(0.25)


@pytest.mark.parametrize("fix", ["none", "estimated", "simulated", "manual"])
def test_what_is_not_measured_never_counts(fix):
    out, found, _ = make_occupations(readings([*go(n=2), *go(t=2, n=2, fix=fix, x=50.0)]), METRES)
    assert out["used"].tolist() == [True, True, False, False]
    assert out["why_not"].notna().tolist() == [False, False, True, True]
    assert off(found).tolist() == [[0.0, 0.0]]
    out, found, _ = make_occupations(readings(go(fix=fix)), METRES)
    assert not out["used"].any()
    assert not found["used"].any()
    assert found.geometry.isna().all()
    markers, _ = make_markers(found, METRES)
    assert markers["state"].tolist() == ["no position"]
    assert markers["trusted_why"].tolist() == ["no usable occupation"]


def test_only_the_best_kind_of_solution_counts_and_the_others_say_why():
    rows = [*go(n=30, fix="differential", x=0.8), *go(t=30, n=3), *go(t=33, n=4, fix="float", y=0.3)]
    out, found, findings = make_occupations(readings(rows), METRES)
    assert off(found).tolist() == [[0.0, 0.0]]
    assert found[["fix", "n_readings", "n_used"]].to_numpy().tolist() == [["fixed", 37, 3]]
    assert out["why_not"].iloc[0] == "differential: only fixed readings count here"
    assert not findings


def test_epochs_away_from_the_middle_do_not_count():
    rows = go(n=20)
    rows[3]["x"] = 1.0
    out, found, findings = make_occupations(readings(rows), METRES)
    assert out["used"].tolist() == [True] * 3 + [False] + [True] * 16
    assert out["why_not"].iloc[3] == "too far from the middle of its occupation"
    np.testing.assert_allclose(off(found), [[0.0, 0.0]], atol=1e-9)
    assert not findings


@pytest.mark.parametrize(
    "rows",
    [
        [{"t": second, "x": 0.2 * second} for second in range(20)],  # walks on
        [*go(n=12), *go(t=12, n=8, x=3.0)],  # steps aside
        go(n=10, speed=1.2),  # its own speed says so
    ],
)
def test_receiver_that_moves_is_found(rows):
    out, found, findings = make_occupations(readings(rows), METRES)
    assert kinds(findings) == [("receiver moved", "A-1 a.nmea 1")]
    assert not out["used"].any()
    assert not found["used"].any()
    assert found["why_not"].tolist() == ["the receiver moved"]


def test_real_log_of_a_receiver_that_walks_and_then_stands():
    # 122 positions: 104 of code differential while it moves, nine minutes later 18 fixed ones within 1.7 s
    raw = parse_nmea(LOG.read_bytes(), label="A-1").table
    forth = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:6344", always_xy=True)
    east, north = forth.transform(raw["x"].to_numpy(), raw["y"].to_numpy())
    table = raw.assign(file="rtk.log", reading_id=raw["line"].astype(str), geometry=gpd.points_from_xy(east, north))
    for speed in (True, False):
        shaped = schema.restore(table, LAYERS["readings"], "EPSG:6344")
        if speed:
            shaped["speed"] = table["speed"]
        out, found, findings = make_occupations(shaped, METRES)
        assert kinds(findings) == [("receiver moved", "A-1 rtk.log 1")]
        assert found["n_readings"].tolist() == [104, 18]
        assert found["used"].tolist() == [False, True]
        assert out["used"].sum() == 18
        fixed = (raw["fix"] == "fixed").to_numpy()
        np.testing.assert_allclose(
            [found.geometry.x.iloc[1], found.geometry.y.iloc[1]], [east[fixed].mean(), north[fixed].mean()], atol=1e-3
        )
        assert found["cov_ee"].iloc[1] == pytest.approx(0.015**2)
        markers, _ = make_markers(found, METRES)
        assert markers["n_occupations"].tolist() == [1]
        assert not markers["trusted"].any()


def test_moving_before_the_fix_is_found_though_the_rest_counts():
    rows = [*go(n=20, fix="differential", x=0.2, speed=1.0), *go(t=20, n=5, speed=0.01)]
    _, found, findings = make_occupations(readings(rows), METRES)
    assert found["used"].tolist() == [True]
    assert kinds(findings) == [("receiver moved", "A-1 a.nmea 1")]


def test_goes_are_told_apart():
    rows = [
        *go("A-1", 0, 3), *go("A-2", 10, 3), *go("a 01", 20, 3), *go("A-1", 1000, 3), *go("A-1", 0, 3, file="b.nmea"),
        *go("A-1", 1003, 2, occupation=9),
    ]  # fmt: skip
    found = make_occupations(readings(rows), METRES)[1]
    assert sorted(found["occupation_id"]) == [
        "A-1 a.nmea 1", "A-1 a.nmea 2", "A-1 a.nmea 3", "A-1 a.nmea 4", "A-1 b.nmea 1", "A-2 a.nmea 1",
    ]  # fmt: skip
    assert found["n_readings"].sum() == len(rows)


def test_without_times_a_run_of_one_label_is_one_go():
    rows = [{"label": label} for label in ["A-1", "A-1", "A-2", "A-1"]]
    found = make_occupations(readings(rows), METRES)[1]
    assert found["n_readings"].tolist() == [2, 1, 1]


def test_reading_without_label_or_position_is_kept_and_says_why():
    table = readings([{"label": ""}, {}, {}])
    table["label"] = pd.array([None, "A-1", "A-1"], dtype="string")
    table.geometry = [table.geometry.iloc[0], None, table.geometry.iloc[2]]
    out, found, _ = make_occupations(table, METRES)
    assert out["why_not"].fillna("").tolist() == ["no label", "no position", ""]
    assert len(found) == 1
    assert out["occupation_id"].isna().tolist() == [True, False, False]


def test_tables_have_the_declared_shape_and_input_is_not_touched():
    table = readings([*go(depth=0.1524, kind="disc", condition="whole", note="by the oak"), *go("A-2", 60)])
    before = table.copy(deep=True)
    out, found, _ = make_occupations(table, FEET)
    pd.testing.assert_frame_equal(pd.DataFrame(table), pd.DataFrame(before))
    assert out.index.equals(table.index)
    schema.check(schema.restore(out, LAYERS["readings"]), LAYERS["readings"])
    schema.check(found, LAYERS["occupations"])
    # six inches, in survey feet
    assert found["depth"].iloc[0] == pytest.approx(0.5, abs=2e-6)
    assert found["note"].tolist()[0] == "by the oak"
    markers, _ = make_markers(found, FEET)
    schema.check(markers.assign(state="used in the fit"), LAYERS["markers"])
    assert str(markers.crs) == "EPSG:6549"
    assert markers["depth"].iloc[0] == pytest.approx(0.5, abs=2e-6)


def test_nothing_at_all():
    table = readings([{}]).iloc[:0]
    out, found, findings = make_occupations(table, METRES)
    markers, more = make_markers(found, METRES)
    assert (len(out), len(found), findings, len(markers), more) == (0, 0, [], 0, [])


# ---- markers ----------------------------------------------------------------------------------------------------

HOUR = 3600.0


def markers_of(rows, numbers=METRES, **more):
    _, found, _ = make_occupations(readings(rows), numbers)
    return make_markers(found, numbers, **more)


def test_two_occupations_hours_apart_make_a_marker_trusted():
    markers, findings = markers_of([*go(x=0.01), *go(t=5 * HOUR, x=-0.01)])
    assert markers["trusted"].tolist() == [True]
    assert markers["trusted_why"].tolist() == ["two occupations 5.0 hours apart agree within 0.02 m"]
    np.testing.assert_allclose(off(markers), [[0.0, 0.0]], atol=1e-9)
    # two independent occupations of 0.015 m each
    assert markers["cov_ee"].iloc[0] == pytest.approx(0.015**2 / 2)
    assert not findings


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (go(), "one occupation, no taped check"),
        ([*go(), *go(t=HOUR)], "its occupations are less than 4 hours apart, no taped check"),
        ([*go(), *go(t=5 * HOUR, x=0.06)], "its occupations differ by 0.06 m, more than 0.05 m"),
        ([*go(fix="float"), *go(t=5 * HOUR, fix="float")], "its occupations are too coarse to confirm it"),
    ],
)
def test_not_trusted_says_what_is_missing(rows, why):
    markers, findings = markers_of(rows)
    assert markers["trusted"].tolist() == [False]
    assert markers["trusted_why"].tolist() == [why]
    assert kinds(findings) == [("markers not trusted", "markers")]
    assert findings[0].reason == "1 of 1: A-1"


def test_occupations_of_one_session_share_their_errors():
    one = markers_of(go())[0]
    ten = markers_of([row for number in range(10) for row in go(t=600.0 * number)])[0]
    assert ten["n_occupations"].tolist() == [10]
    assert ten["cov_ee"].iloc[0] == pytest.approx(one["cov_ee"].iloc[0])


def test_scatter_of_two_occupations_widens_the_marker():
    markers, _ = markers_of([*go(fix="float"), *go(t=5 * HOUR, fix="float", x=1.0)])
    # variance of the mean of two, each coordinate: the sum of squares 0.5 over 2 (n - 1) n
    assert markers["cov_ee"].iloc[0] == pytest.approx(0.125)


def test_labels_written_differently_are_one_marker_and_sections_are_heeded():
    rows = [
        *go("B-16", file="a.csv"), *go("b 016", 5 * HOUR, file="b.csv"), *go("16", 0, file="c.csv", section="B"),
        *go("16", 0, file="d.csv", section="C", x=90.0), *go("B-16A", 60, file="a.csv", x=30.0),
    ]  # fmt: skip
    markers, findings = markers_of(rows)
    assert markers[["marker_id", "n_occupations"]].to_numpy().tolist() == [["B-16", 3], ["B-16A", 1], ["C-16", 1]]
    assert kinds(findings) == [("markers not trusted", "markers")]
    assert marker_keys(pd.Series(["x", None])).tolist() == ["X", ""]


def test_label_at_two_places_becomes_two_markers():
    markers, findings = markers_of([*go(t=5 * HOUR), *go(x=12.0, file="b.nmea"), *go(t=9 * HOUR, x=0.02)])
    assert markers["marker_id"].tolist() == ["A-1 (1)", "A-1 (2)"]
    # numbered in the order found
    np.testing.assert_allclose(off(markers), [[12.0, 0.0], [0.01, 0.0]], atol=1e-6)
    assert ("marker at two places", "A-1") in kinds(findings)
    assert "12.0 m apart" in next(item.reason for item in findings if item.kind == "marker at two places")


def test_two_that_disagree_are_one_doubtful_marker():
    markers, findings = markers_of([*go(), *go(t=5 * HOUR, x=0.4)])
    assert len(markers) == 1
    assert ("occupations disagree", "A-1") in kinds(findings)
    np.testing.assert_allclose(off(markers), [[0.2, 0.0]], atol=1e-9)
    assert markers["cov_ee"].iloc[0] == pytest.approx(0.4**2 / 8)


def test_of_three_the_odd_one_is_left_out():
    rows = [*go(x=0.005), *go(t=5 * HOUR, x=0.3), *go(t=10 * HOUR, x=-0.005)]
    _, found, _ = make_occupations(readings(rows), METRES)
    settled, findings = settle_occupations(found, METRES)
    assert settled["used"].tolist() == [True, False, True]
    assert "differs by 0.30 m" in settled["why_not"].iloc[1]
    assert kinds(findings) == [("occupations disagree", "A-1")]
    markers, more = make_markers(settled, METRES)
    assert not more
    np.testing.assert_allclose(off(markers), [[0.0, 0.0]], atol=1e-9)
    assert markers["trusted"].tolist() == [True]


def test_coarse_occupation_does_not_bridge_two_places():
    rows = [*go(), *go(t=5 * HOUR, x=4.0), *go(t=10 * HOUR, x=1.5, fix="autonomous")]
    markers, findings = markers_of(rows)
    assert markers["marker_id"].tolist() == ["A-1 (1)", "A-1 (2)"]
    np.testing.assert_allclose(off(markers), [[0.0, 0.0], [4.0, 0.0]], atol=1e-3)
    assert ("marker at two places", "A-1") in kinds(findings)


def test_good_pairs_are_rarely_called_bad():
    # 2,000 markers occupied twice with the stated errors: fit.alpha = 0.001 each
    rng = np.random.default_rng(5)
    rows = []
    for number in range(2000):
        for start in (0.0, 5 * HOUR):
            x, y = rng.normal(0.0, 0.3, 2)
            rows.append({"label": f"A-{number}", "t": start + number, "x": 50.0 * number + x, "y": y, "fix": "float"})
    markers, findings = markers_of(rows)
    assert len(markers) == 2000
    bad = sum(item.kind in ("occupations disagree", "marker at two places") for item in findings)
    assert bad <= 8  # two expected; more than eight has a chance of 0.02 %
    inside = np.hypot(
        markers.geometry.x - EAST - 50.0 * markers["label"].str[2:].astype(int), markers.geometry.y - NORTH
    )
    share = float((inside <= markers["radius_95"]).mean())
    # the scatter only widens, so the circles hold no less than they say: 95 % less three deviations of 2,000 draws
    assert share > 0.935


def test_taped_distance_makes_two_markers_trusted():
    rows = [*go("A-1"), *go("A-2", 60, x=30.0), *go("A-3", 120, x=60.0)]
    taped = pd.DataFrame({"from": ["a 1", "A-2"], "to": ["A-02", "A-3"], "distance": [30.01, 30.5]})
    markers, findings = markers_of(rows, taped=taped)
    assert markers["trusted"].tolist() == [True, True, False]
    assert markers["trusted_why"].iloc[0] == "one occupation, and the tape to A-2 agrees within 0.01 m"
    assert kinds(findings) == [("markers not trusted", "markers"), ("tape disagrees", "A-2 to A-3")]
    assert "0.50 m longer" in next(item.reason for item in findings if item.kind == "tape disagrees")


def test_tape_is_compared_on_the_ground():
    # a combined factor of 0.999 makes 1,000 ft of grid 1,001.001 ft of ground
    rows = [*go("A-1"), *go("A-2", 60, x=1000.0)]
    taped = pd.DataFrame({"from": ["A-1"], "to": ["A-2"], "distance": [1000.0 / 0.999]})
    assert markers_of(rows, FEET, taped=taped, combined_factor=0.999)[0]["trusted"].all()
    _, findings = markers_of(rows, FEET, taped=taped)
    assert ("tape disagrees", "A-1 to A-2") in kinds(findings)


def test_tape_to_what_was_not_read_is_said():
    taped = pd.DataFrame({"from": ["A-1", "A-1"], "to": ["oak", "A-1"], "distance": [3.0, 0.0]})
    _, findings = markers_of(go(), taped=taped)
    assert ("lines not understood", "taped distances") in kinds(findings)


@pytest.mark.parametrize("condition", ["broken", "tilted", "loose"])
def test_damaged_markers_are_found(condition):
    markers, findings = markers_of([*go(condition="whole"), *go(t=5 * HOUR, condition=condition)])
    assert ("marker damaged", "A-1") in kinds(findings)
    assert markers["condition"].tolist() == [condition]


ROW = st.fixed_dictionaries(
    {
        "label": st.sampled_from(["A-1", "a1", "A-2", "12", ""]),
        "t": st.floats(0, 1e6) | st.just(np.nan),
        "x": st.floats(-1e7, 1e7),
        "y": st.floats(-5, 5),
        "fix": st.sampled_from(FIXES),
        "hdop": st.floats(0, 99),
        "sigma": st.none() | st.floats(0, 1e300),
        "speed": st.none() | st.floats(0, 1),
        "file": st.sampled_from(["a", "b"]),
    }
)


@settings(max_examples=60, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=25))
def test_whatever_is_read_every_reading_is_accounted_for(rows):
    out, found, _ = make_occupations(readings(rows), FEET)
    assert (out["used"] == out["why_not"].isna()).all()
    assert set(out["occupation_id"].dropna()) == set(found["occupation_id"])
    assert found["n_readings"].sum() == out["occupation_id"].notna().sum()
    assert found["n_used"].sum() == out["used"].sum()
    assert found["occupation_id"].is_unique
    markers, _ = make_markers(found, FEET)
    assert markers["marker_id"].is_unique
    placed = markers[markers.geometry.notna()]
    assert (placed["cov_ee"] > 0).all()
    assert (markers["state"] == "no position").fillna(value=False).sum() == markers.geometry.isna().sum()


def test_a_hundred_thousand_readings_of_one_label_do_not_hang():
    table = readings([{"label": ["A-1", "A-2"][number % 2], "x": float(number % 7)} for number in range(2000)])
    many = pd.concat([table] * 50, ignore_index=True)
    many["line"] = np.arange(len(many))
    _, found, _ = make_occupations(gpd.GeoDataFrame(many, crs=table.crs), METRES)
    assert len(found) == 100_000
    markers, _ = make_markers(found, METRES)
    assert 2 <= len(markers) <= 14
