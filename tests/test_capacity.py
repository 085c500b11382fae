import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from cemgis.capacity import (
    LOST_TO,
    LOST_USES,
    NOT_STATED,
    USES,
    capacity,
    still_possible,
    sum_lost,
    sum_possible,
    too_steep,
    under_stones,
)
from cemgis.clearance import clearances, lost_spaces
from cemgis.layers import SPACE_KINDS, SPACE_STATES
from cemgis.pipeline.boarding import count_left, say_left, say_possible
from cemgis.rules import Rules
from cemgis.states import space_states
from cemgis.terrain import Dem, slope_percent, slope_under
from cemgis.units import FOOT


def a_ground(n, seed):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "section": rng.choice(["A", "B", "C", "Old Ground"], n),
            "kind": rng.choice(SPACE_KINDS[:3], n),
            "state": rng.choice([*SPACE_STATES, None], n),
        }
    )


def test_counts_add_up_and_agree_with_counting_by_hand():
    spaces, niches = a_ground(5000, 1), a_ground(300, 2).drop(columns="kind")
    got = capacity(spaces, niches)
    numbers = [*SPACE_STATES, NOT_STATED]
    assert (got.counts[numbers].sum(axis=1) == got.counts["total"]).all()
    for sums in (got.by_section, got.by_kind):
        assert (sums.sum() == got.total).all()
    assert got.total["total"] == 5300
    for _, row in got.counts.iterrows():
        table = niches if row["kind"] == "niche" else spaces[spaces["kind"] == row["kind"]]
        table = table[table["section"] == row["section"]]
        for state in SPACE_STATES:
            assert row[state] == sum(value == state for value in table["state"])
        assert row[NOT_STATED] == sum(value is None or value != value for value in table["state"])


def test_kinds_come_in_their_own_order():
    got = capacity(a_ground(500, 3), a_ground(50, 4).drop(columns="kind"))
    assert list(got.counts.loc[got.counts["section"] == "A", "kind"]) == list(SPACE_KINDS)
    assert list(got.by_kind.index) == list(SPACE_KINDS)


def test_words_say_every_state_that_occurs():
    spaces = pd.DataFrame(
        {
            "section": ["A"] * 4,
            "kind": ["full", "full", "full", "cremation"],
            "state": ["right held", "lost", None, "disturbed, empty"],
        }
    )
    niches = pd.DataFrame({"section": ["N"], "state": ["vacant"]})
    assert capacity(spaces, niches).words == (
        "Section A: 3 spaces for full burials and 1 space for cremated remains, 0 vacant, 1 right held, "
        "1 disturbed, empty, 1 lost, 1 not stated.",
        "Section N: 1 niche, 1 vacant.",
        "The ground: 4 spaces and 1 niche, 1 vacant, 1 right held, 1 disturbed, empty, 1 lost, 1 not stated.",
    )


def test_a_disinterred_space_is_not_vacant():
    spaces = pd.DataFrame({"section": ["A"], "kind": ["full"], "state": ["disturbed, empty"]})
    assert capacity(spaces).total["vacant"] == 0


def test_no_spaces_at_all():
    got = capacity(pd.DataFrame({"section": [], "kind": [], "state": []}))
    assert len(got.counts) == 0
    assert got.total["total"] == 0
    assert got.words == ("The ground: 0 spaces, 0 vacant.",)


@pytest.mark.parametrize(("column", "value"), [("state", "sold"), ("kind", "double")])
def test_what_is_not_declared_is_refused(column, value):
    row = {"section": "A", "kind": "full", "state": "vacant", column: value}
    with pytest.raises(ValueError, match=f"no such {column} of a space: {value}"):
        capacity(pd.DataFrame([row]))


def test_declared_dtypes_are_accepted():
    spaces = a_ground(20, 5).astype("string")
    assert capacity(spaces).total["total"] == 20


# ---- burials still possible ------------------------------------------------------------------------------------------

RULES = Rules(FOOT)


def rules(**more):
    return Rules(FOOT, {f"space.{name}": {"value": value, "source": "this test"} for name, value in more.items()})


def test_every_space_is_one_thing_and_the_numbers_add_up():
    spaces = a_ground(4000, 5)
    spaces["space_id"] = [f"s{n}" for n in range(4000)]
    spaces["lot_id"] = [f"lot{n // 4}" for n in range(4000)]
    spaces["burials"] = (spaces["state"] == "occupied").astype(int)
    niches = a_ground(200, 6).drop(columns="kind").assign(space_id=[f"n{n}" for n in range(200)], burials=0)
    got = still_possible(spaces, niches, rules=rules(second_urns=1))
    assert len(got) == 4200
    assert set(got["use"]) <= set(USES)
    table = sum_possible(got)
    assert table[list(USES)].to_numpy().sum() == table["total"].sum() == 4200
    counts = capacity(spaces, niches)
    merged = counts.counts.merge(table, on=["section", "kind"])
    assert (merged["total_x"] == merged["total_y"]).all()
    assert (merged["vacant"] == merged["free"] + merged["free, in a lot in use"]).all()
    assert (merged["lost_x"] == merged["lost_y"]).all()
    taken = merged[["used", "used, urns may follow", "room for one more"]].sum(axis=1)
    assert (merged["occupied"] == taken).all()
    # one burial in each free space for full burials, two urns in each for urns
    full = table[table["kind"].isin(["full", "infant"])]
    assert (full["full"] == full["free"] + full["free, in a lot in use"]).all()
    urns = table[table["kind"].isin(["cremation", "niche"])]
    assert (urns["urns"] == 2 * (urns["free"] + urns["free, in a lot in use"])).all()
    assert (urns["full"] == 0).all()


def one_lot(states, burials, **more):
    n = len(states)
    table = {"space_id": [f"A-1-{k + 1}" for k in range(n)], "section": "A", "lot_id": "A-1", "kind": "full"}
    return pd.DataFrame({**table, "state": states, "burials": burials, "state_why": None, **more})


def test_a_half_used_lot_double_depth_and_urns_over_a_casket():
    spaces = one_lot(["occupied", "occupied", "vacant", "right held"], [1, 2, 0, 0])
    events = pd.DataFrame({"kind": ["interment", "interment", "urn placed"], "space_id": ["A-1-1", "A-1-2", "A-1-2"]})
    none = still_possible(spaces, rules=rules(second_urns=0), events=events)
    assert list(none["use"]) == ["used", "used", "free, in a lot in use", "right held"]
    assert (none["full"].tolist(), none["full_held"].tolist()) == ([0, 0, 1, 0], [0, 0, 0, 1])
    assert none[["urns", "urns_held"]].to_numpy().sum() == 0
    usual = still_possible(spaces, rules=RULES, events=events)  # two urns besides a burial
    assert list(usual["use"]) == ["used, urns may follow"] * 2 + ["free, in a lot in use", "right held"]
    assert usual["urns_held"].tolist() == [2, 1, 0, 2]
    assert usual["urns"].tolist() == [0, 0, 2, 0]
    deep = still_possible(spaces, rules=rules(full_burials=2), events=events)
    # the second holds an urn already: no casket over an urn
    assert list(deep["use"]) == ["room for one more", *usual["use"][1:]]
    assert deep["full"].tolist() == [0, 0, 2, 0]
    assert deep["full_held"].tolist() == [1, 0, 0, 2]
    assert deep["urns_held"].tolist() == [2, 1, 0, 2]


# ---- lost, and to what ----------------------------------------------------------------------------------------------


def drawn(n=6, **more):
    """Lot of spaces 4 by 12 side by side, all vacant, standing sure."""
    table = {"space_id": [f"A-1-{k + 1}" for k in range(n)], "section": "A", "lot_id": "A-1", "kind": "full"}
    sure = {"cov_ee": 1e-6, "cov_en": 0.0, "cov_nn": 1e-6}
    left = 4.0 * np.arange(n)
    return gpd.GeoDataFrame({**table, **sure, **more}, geometry=shapely.box(left, 0, left + 4, 12))


EVENTS = pd.DataFrame({"kind": [], "date": [], "space_id": [], "lot_id": [], "source": []})


def layer(key, *rows, **more):
    ids, shapes = zip(*rows, strict=True)
    return gpd.GeoDataFrame({key: list(ids), "sigma": 0.01, **more}, geometry=list(shapes))


def counted(spaces, rule=RULES, events=EVENTS, dem=None, **things):
    """Go the way the package goes: states, clearances, stones, slope, then the count."""
    pick = {name: things.get(name) for name in ("obstacles", "drives")}
    lost = lost_spaces(spaces, **pick, rules=rule)
    lying = {name: things.get(name) for name in ("probable_graves", "vaults", "monuments")}
    states, _ = space_states(spaces, events, rules=rule, lost=lost, **lying)
    spaces = spaces.assign(**states)
    near, _ = clearances(things.get("vaults"), spaces, rules=rule, unit=FOOT, **pick)
    steep = None
    if dem is not None:
        slope = slope_percent(dem.heights, dem.cell_x, dem.cell_y)
        steep = too_steep(spaces["space_id"], slope_under(dem, slope, np.asarray(spaces.geometry)), rule)
    stones = under_stones(spaces, things.get("monuments"), rule)
    got = still_possible(spaces, rules=rule, events=events, clearances=near, stones=stones, steep=steep)
    assert list(got["space_id"]) == list(spaces["space_id"])
    sums, gone = sum_possible(got), sum_lost(got)
    assert sums["total"].sum() == len(spaces)
    assert gone["total"].sum() == sums[list(LOST_USES)].to_numpy().sum()
    assert (got["use"].isin(LOST_USES) == got["lost_to"].isin(LOST_TO)).all()
    assert (got["why"][got["use"].isin(LOST_USES)] != "").all()
    return got.set_index("space_id")


def only(got, space, what, why):
    """Nothing but that space is lost, to that, for that reason, and no burial counts in it."""
    row = got.loc[space]
    assert (row["lost_to"], row["full"], row["full_held"]) == (what, 0, 0)
    assert why in row["why"]
    assert set(got["lost_to"].drop(space)) == {""}
    assert got["full"].sum() == len(got) - 1


def test_nothing_in_the_way_loses_nothing():
    got = counted(drawn())
    assert set(got["use"]) == {"free"}
    assert sum_lost(got.reset_index())["total"].sum() == 0


def test_a_space_is_lost_to_a_tree_a_drive_or_a_wall():
    tree = layer("obstacle_id", ("T4", shapely.Point(10, 6).buffer(1.5)), kind="tree")
    only(counted(drawn(), obstacles=tree), "A-1-3", "trees", "taken by tree T4")
    wall = layer("obstacle_id", ("W1", shapely.box(20.5, -5, 23, 20)), kind="wall")
    only(counted(drawn(), obstacles=wall), "A-1-6", "walls and other obstacles", "taken by wall W1")
    drive = layer("drive_id", ("D1", shapely.box(-9, -5, 2, 20)))
    only(counted(drawn(), drives=drive), "A-1-1", "drives", "taken by drive D1")


def test_a_space_is_lost_to_a_crooked_vault_and_to_too_little_clearance():
    events = pd.DataFrame({"kind": ["interment"], "date": ["1960"], "space_id": ["A-1-1"], "lot_id": ["A-1"],
                           "source": ["ledger"]})  # fmt: skip
    crooked = layer("vault_id", ("V1", affinity.rotate(shapely.box(0.7, 2, 3.3, 9.5), 20)), space_id=["A-1-1"])
    got = counted(drawn(), events=events, vaults=crooked)
    assert got.loc["A-1-1", "use"] == "used, urns may follow"
    assert (got.loc["A-1-2", "lost_to"], got.loc["A-1-2", "use"]) == ("crooked vaults", "too little clearance")
    assert got.loc["A-1-2", "why"].startswith("V1 reaches 0.")
    assert got["full"].tolist() == [0, 0, 1, 1, 1, 1]
    straight = layer("vault_id", ("V1", shapely.box(1.2, 2, 3.8, 9.5)), space_id=["A-1-1"])
    assert counted(drawn(), events=events, vaults=straight)["full"].sum() == 5
    rule = Rules(FOOT, {"clearance.vault_to_space": {"value": "4 in", "source": "this test"}})
    near = counted(drawn(), rule=rule, events=events, vaults=straight)
    assert near.loc["A-1-2", "lost_to"] == "too little clearance"
    assert near.loc["A-1-2", "why"] == "only 0.2 from V1"


def test_a_space_is_lost_to_a_stone_on_it():
    # another family's wide monument: neither a headstone nor recorded there
    stone = layer("monument_id", ("M7", shapely.box(12.2, 3, 16.5, 8)), kind="other")
    only(counted(drawn(), monuments=stone), "A-1-4", "stones", "stone M7 stands on 40 % of it")
    edge = layer("monument_id", ("M7", shapely.box(15.5, 3, 16.5, 8)), kind="other")
    assert counted(drawn(), monuments=edge)["full"].sum() == 6


def test_a_space_is_lost_to_a_probable_grave_and_to_doubt():
    grave = layer("grave_id", ("G2", shapely.box(4.6, 2, 7.3, 9)))
    only(counted(drawn(), probable_graves=grave), "A-1-2", "probable graves", "probable grave G2")
    stone = layer("monument_id", ("M1", shapely.box(17, 0.2, 19, 1)), kind="headstone")
    only(counted(drawn(), monuments=stone), "A-1-5", "doubt", "stands stone M1")
    dug = pd.DataFrame({"kind": ["interment", "disinterment"], "date": ["1901", "1950"], "space_id": ["A-1-6"] * 2,
                        "lot_id": ["A-1"] * 2, "source": ["ledger"] * 2})  # fmt: skip
    only(counted(drawn(), events=dug), "A-1-6", "earlier digging", "disinterment 1950")


def test_a_space_is_lost_to_slope_by_horn():
    # level but for a ramp of 20 % from easting 16 on: Horn's three cells see it one cell before
    east = np.arange(-30, 60) + 0.5
    heights = np.tile(100 + 0.2 * np.clip(east - 16, 0, None), (60, 1))
    got = counted(drawn(), dem=Dem(heights, -30.0, 36.0, 1.0, 1.0))
    assert list(got["lost_to"]) == ["", "", "", "", "slope", "slope"]
    assert got.loc["A-1-6", "why"] == "slope 20 %, more than 15 %"
    assert (got.loc["A-1-6", "use"], got["full"].sum()) == ("lost", 4)
    steeper = Rules(FOOT, {"land.slope": {"value": 25.0, "source": "this test"}})
    assert counted(drawn(), rule=steeper, dem=Dem(heights, -30.0, 36.0, 1.0, 1.0))["full"].sum() == 6
    # where no height is known nothing is said to be steep
    assert counted(drawn(), dem=Dem(heights, 900.0, 36.0, 1.0, 1.0))["full"].sum() == 6


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 100_000))
def test_whatever_lies_there_every_space_counts_once_and_every_lost_one_says_to_what(seed):
    rng = np.random.default_rng(seed)

    def some(key, n, size, **more):
        at = rng.uniform([0, 0], [80, 12], (n, 2))
        shapes = [affinity.rotate(shapely.box(x, y, x + size[0], y + size[1]), rng.uniform(0, 90)) for x, y in at]
        return layer(key, *[(f"{key[0].upper()}{k}", shape) for k, shape in enumerate(shapes)], **more)

    events = pd.DataFrame({"kind": rng.choice(["interment", "urn placed", "disinterment"], 5),
                           "date": rng.integers(1900, 2000, 5).astype(str),
                           "space_id": [f"A-1-{k}" for k in rng.integers(1, 21, 5)], "lot_id": "A-1",
                           "source": "ledger"})  # fmt: skip
    got = counted(
        drawn(20), events=events, obstacles=some("obstacle_id", 2, (2, 2), kind=rng.choice(["tree", "wall"], 2)),
        drives=some("drive_id", 1, (3, 20)), vaults=some("vault_id", 4, (2.6, 7.3), space_id=None),
        monuments=some("monument_id", 4, (3, 2), kind=rng.choice(["headstone", "other", "flush stone"], 4)),
        probable_graves=some("grave_id", 2, (2.5, 6)),
        dem=Dem(rng.normal(100, 0.2, (40, 100)), -5.0, 30.0, 1.0, 1.0),
    )  # fmt: skip
    assert len(set(got["lost_to"])) > 2
    assert (got["full"][got["use"].isin(["free", "free, in a lot in use"])] == 1).all()
    assert (got["full"][~got["use"].isin(["free", "free, in a lot in use"])] == 0).all()


@pytest.mark.parametrize("seed", range(8))
def test_what_is_left_is_what_is_vacant_less_what_is_lost(seed):
    rng = np.random.default_rng(seed)
    n = 300
    ids = pd.Series([f"A-{k}" for k in range(n)])
    spaces = pd.DataFrame({
        "space_id": ids, "section": rng.choice(["A", "B"], n), "kind": rng.choice(["full", "infant", "cremation"], n),
        "lot_id": None, "state": rng.choice(list(SPACE_STATES), n), "state_why": None, "burials": 0,
    })  # fmt: skip
    steep = pd.Series("slope 20 %", index=ids[rng.random(n) < 0.2])
    stones = pd.Series("stone S stands on 60 % of it", index=ids[rng.random(n) < 0.1])
    possible = still_possible(spaces, rules=Rules(FOOT), steep=steep, stones=stones)
    left = count_left(possible)
    assert left["left"].sum() == (possible[["full", "urns"]].sum(axis=1) > 0).sum()
    said = say_left(possible)
    for kind in ("full", "infant", "cremation"):
        vacant, *lost = (int(number) for number in re.findall(r"\d+", said[kind].split(";")[0]))
        assert vacant == ((spaces["state"] == "vacant") & (spaces["kind"] == kind)).sum()
        assert left.loc[left["pool"] == kind, "left"].sum() == vacant - sum(lost)
        unsettled = int(re.search(r"(\d+) more not before", said[kind])[1])
        assert unsettled == (possible["use"][possible["kind"] == kind] == "not before it is settled").sum()
    words = say_possible(possible)
    assert [int(re.search(r": (\d+) left", line)[1]) for line in words] == [
        left.loc[left["pool"] == kind, "left"].sum() for kind in ("full", "infant", "cremation")
    ]
