import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from cemgis.errors import InputError
from cemgis.ground import Heads, HeadsException
from cemgis.layers import LAYERS
from cemgis.orientation import HEADS_COLUMNS, orient
from cemgis.rules import Rules
from cemgis.schema import restore
from cemgis.units import FOOT

RULES = Rules(FOOT)
OHIO = np.array([2_126_543.0, 345_678.0])
WEST = Heads("side", "west", None, given=True)
LAST = Heads("as last laid", None, None, given=True)


def section(name="A", rows=2, columns=6, turn=0.0, at=(0.0, 0.0), long_way="east", between=0.0):
    """Rows of spaces 4 by 12 ft (common practice, no source) that run north, turned clockwise by `turn` degrees.

    ``long_way = "north"`` makes the rows run north with the spaces' long side along the row.
    """
    ids, row_of, shapes = [], [], []
    for row in range(rows):
        for number in range(columns):
            w, h = (12.0, 4.0) if long_way == "east" else (4.0, 12.0)
            x, y = row * (w + between), number * h
            ids.append(f"{name}-{row + 1}-{number + 1}")
            row_of.append(str(row + 1))
            shapes.append(shapely.box(x, y, x + w, y + h))
    shapes = [affinity.rotate(shape, -turn, origin=(0, 0)) for shape in shapes]
    shapes = [affinity.translate(shape, *(OHIO + at)) for shape in shapes]
    return gpd.GeoDataFrame(
        {"space_id": ids, "section": name, "row": row_of}, geometry=shapes, index=np.arange(100, 100 + len(ids))
    )


def stones(spaces, ids, along, kind="headstone", aside=0.0, turn=0.0, named=True):
    """Stones 1 by 2 ft; `along` feet from the middle of a space toward the west, turned with the ground."""
    shapes = []
    way = np.radians(270.0 + turn)
    for space in ids:
        centre = np.array(spaces.loc[spaces["space_id"] == space, "geometry"].iloc[0].centroid.coords[0])
        x, y = centre + along * np.array([np.sin(way), np.cos(way)]) + aside * np.array([np.cos(way), -np.sin(way)])
        shapes.append(affinity.rotate(shapely.box(x - 0.5, y - 1, x + 0.5, y + 1), -turn))
    data = {"monument_id": [f"M{i}" for i in range(1, len(ids) + 1)], "kind": kind}
    return gpd.GeoDataFrame({**data, **({"space_id": list(ids)} if named else {})}, geometry=shapes)


def vaults(spaces, ids, heads, turn=0.0):
    shapes = []
    for space in ids:
        x, y = spaces.loc[spaces["space_id"] == space, "geometry"].iloc[0].centroid.coords[0]
        shapes.append(affinity.rotate(shapely.box(x - 3.75, y - 1.5, x + 3.75, y + 1.5), -turn))
    return gpd.GeoDataFrame(
        {"vault_id": [f"V{i}" for i in range(1, len(ids) + 1)], "space_id": list(ids), "heads": heads}, geometry=shapes
    )


def events(*rows):
    return pd.DataFrame(rows, columns=["space_id", "date", "kind"])


# ---- the rule ------------------------------------------------------------------------------------------------------


def test_heads_lie_west_where_nothing_is_said():
    spaces = section()
    table, findings = orient(spaces, {}, rules=RULES)
    assert tuple(table.columns) == HEADS_COLUMNS
    assert table.index.equals(spaces.index)
    assert set(table["heads"]) == {"west"}
    assert set(table["heads_by"]) == {"default"}
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), 270.0, rtol=0, atol=1e-6)
    assert set(table["heads_seen"]) == {"not seen"}
    assert findings == []


@pytest.mark.parametrize("turn", [-40.0, -20.0, 0.0, 20.0, 45.0])
@pytest.mark.parametrize("side", ["west", "east"])
@pytest.mark.parametrize("convergence", [0.0, -1.25])
def test_true_azimuth_is_the_ground_s_turn_plus_convergence(turn, side, convergence):
    # True azimuth = grid azimuth + convergence; a ground turned clockwise by t has its west end at 270 + t.
    rule = {"A": Heads("side", side, None, given=True)}
    table, findings = orient(section(turn=turn), rule, rules=RULES, convergence_deg=convergence)
    want = ({"west": 270.0, "east": 90.0}[side] + turn + convergence) % 360
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), want, rtol=0, atol=1e-6)
    assert set(table["heads_by"]) == {"section rule"}
    assert set(table["heads"]) == {side}
    assert findings == []


def test_convergence_may_differ_from_space_to_space():
    spaces = section()
    convergence = np.linspace(-0.5, 0.5, len(spaces))
    table, _ = orient(spaces, {}, rules=RULES, convergence_deg=convergence)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), 270.0 + convergence, rtol=0, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 360), st.sampled_from(["north", "east", "south", "west", "southwest"]))
def test_heads_are_never_farther_from_the_rule_than_the_limit(turn, side):
    rule = {"A": Heads("side", side, None, given=True)}
    table, findings = orient(section(rows=1, columns=3, turn=turn), rule, rules=RULES)
    azimuth = {"north": 0, "east": 90, "south": 180, "west": 270, "southwest": 225}[side]
    open_ones = table["heads_azimuth"].isna()
    off = (table.loc[~open_ones, "heads_azimuth"].astype(float) - azimuth + 180) % 360 - 180
    assert (off.abs() <= 60 + 1e-6).all()
    assert open_ones.all() == bool(findings)
    # The long way of a rectangle repeats each half turn, so the rule's side is off it by this much.
    axis_off = abs((90 + turn - azimuth + 90) % 180 - 90)
    if abs(axis_off - 60) > 1e-6:
        assert open_ones.all() == (axis_off > 60)


def test_rows_that_lie_across_the_rule_are_one_finding_and_stay_open():
    spaces = section(long_way="north")
    table, findings = orient(spaces, {"A": WEST}, rules=RULES)
    assert table[["heads", "heads_azimuth", "heads_by"]].isna().all(axis=None)
    assert [(item.kind, item.subject) for item in findings] == [("heads unknown", "A")]
    assert "12 of 12 spaces lie north to south, the rule says heads west" in findings[0].reason


def test_rows_that_run_north_with_heads_by_another_rule():
    table, findings = orient(section(long_way="north"), {"A": Heads("side", "north", None, given=True)}, rules=RULES)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float) % 360, 0.0, rtol=0, atol=1e-6)
    assert findings == []


@pytest.mark.parametrize("turn", [0.0, 20.0, -50.0])
def test_axis_and_facing_along_the_rows(turn):
    # Rows run north (turned); bodies lie along them, heads at the north end.
    spaces = section(rows=3, columns=8, turn=turn, long_way="north")
    rule = {"A": Heads("axis", "north", "rows", given=True)}
    table, findings = orient(spaces, rule, rules=RULES)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), turn % 360, rtol=0, atol=1e-6)
    assert set(table["heads"]) == {"north"}
    assert findings == []


def test_axis_along_the_rows_is_open_where_the_spaces_lie_across_them():
    rule = {"A": Heads("axis", "north", "rows", given=True)}
    table, findings = orient(section(columns=8), rule, rules=RULES)
    assert table["heads"].isna().all()
    assert [(item.kind, item.subject) for item in findings] == [("heads unknown", "A")]


def test_axis_along_the_rows_without_rows_says_so():
    spaces = section(long_way="north").drop(columns="row")
    table, findings = orient(spaces, {"A": Heads("axis", "north", "rows", given=True)}, rules=RULES)
    assert table["heads"].isna().all()
    assert "no row is known for 12 of its spaces" in findings[0].reason


def test_one_short_row_takes_the_direction_of_the_others():
    # A row of a single space has no direction; the rows of eight run 70 degrees east of north.
    spaces = section(rows=3, columns=8, turn=70.0, long_way="north")
    spaces.loc[spaces.index[-1], "row"] = "4"
    table, findings = orient(spaces, {"A": Heads("axis", "east", "rows", given=True)}, rules=RULES)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), 70.0, rtol=0, atol=1e-6)
    assert findings == []


def test_axis_along_the_lots_takes_one_end_of_a_fan_of_spaces():
    # Spaces on an arc, turned from 20 to 75 degrees off the compass: a compass side loses the last of them.
    turns = np.arange(20.0, 80.0, 5.0)
    shapes = [affinity.rotate(shapely.box(100, -2, 112, 2), -turn, origin=(0, 0)) for turn in turns]
    spaces = gpd.GeoDataFrame({"space_id": [f"F-{i}" for i in range(len(turns))], "section": "F"}, geometry=shapes)
    table, findings = orient(spaces, {"F": Heads("axis", "west", "lots", given=True)}, rules=RULES)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), 270.0 + turns, rtol=0, atol=1e-6)
    assert findings == []
    table, findings = orient(spaces, {"F": WEST}, rules=RULES)
    assert table["heads"].isna().sum() == (turns > 60).sum()
    assert [item.kind for item in findings] == ["heads unknown"]


def test_square_spaces_have_no_heads():
    shapes = shapely.box(OHIO[0], OHIO[1] + 2.0 * np.arange(3), OHIO[0] + 2, OHIO[1] + 2.0 * np.arange(1, 4))
    spaces = gpd.GeoDataFrame({"space_id": ["U-1", "U-2", "U-3"], "section": "U"}, geometry=shapes)
    stone = gpd.GeoDataFrame({"monument_id": ["M"], "kind": ["headstone"], "space_id": ["U-1"]}, geometry=shapes[:1])
    table, findings = orient(spaces, {"U": WEST}, rules=RULES, monuments=stone)
    assert table[["heads", "heads_azimuth", "heads_by"]].isna().all(axis=None)
    assert set(table["heads_seen"]) == {"not seen"}
    assert findings == []


def test_missing_shapes_stay_open():
    spaces = section(rows=1, columns=3)
    spaces = spaces.set_geometry([spaces.geometry.iloc[0], None, shapely.Polygon()])
    table, findings = orient(spaces, {}, rules=RULES)
    assert table["heads"].tolist()[:1] == ["west"]
    assert table["heads"].isna().tolist() == [False, True, True]
    assert findings == []


# ---- exceptions ----------------------------------------------------------------------------------------------------


def test_an_exception_comes_with_its_reason_and_its_stone_agrees():
    spaces = section()
    odd = HeadsException("section A", "A-1-3", "east", "family wish")
    found = stones(spaces, ["A-1-3"], -5.0)
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, exceptions=[odd], monuments=found)
    row = table.loc[spaces.index[2]]
    assert row.tolist() == ["east", pytest.approx(90.0), "exception", "family wish", "agrees"]
    assert table["heads_reason"].notna().sum() == 1
    assert findings == []


def test_a_stone_against_an_exception_is_a_finding_of_that_space():
    spaces = section()
    odd = HeadsException("section A", "A-1-3", "east", "family wish")
    found = stones(spaces, ["A-1-3"], 5.0)
    _, findings = orient(spaces, {"A": WEST}, rules=RULES, exceptions=[odd], monuments=found)
    assert [(item.kind, item.subject) for item in findings] == [("heads disagree", "A-1-3")]
    assert findings[0].reason == "stone M1 stands at the west end; the exception says east"


def test_exceptions_do_not_speak_for_their_section():
    # Four exceptions lie as they should; of the spaces under the rule all three seen lie the other way.
    spaces = section()
    ids = list(spaces["space_id"])
    odd = [HeadsException("section A", space, "east", "family wish") for space in ids[:4]]
    found = stones(spaces, ids[:7], -5.0)
    _, findings = orient(spaces, {"A": WEST}, rules=RULES, exceptions=odd, monuments=found)
    assert [(item.subject, item.reason.split(" spaces")[0]) for item in findings] == [("A", "3 of 3")]


def test_wrong_exceptions_come_in_one_message():
    odd = [HeadsException("x", "A-9-9", "east", "wish"), HeadsException("y", "A-1-1", "north", "wish")]
    with pytest.raises(InputError) as caught:
        orient(section(), {"A": WEST}, rules=RULES, exceptions=odd)
    assert [problem.where for problem in caught.value.problems] == ["x", "y"]
    assert "no space 'A-9-9'" in str(caught.value)
    assert "neither end of it is the north end" in str(caught.value)


# ---- what is seen --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", [-20.0, 0.0, 20.0])
def test_skew_is_never_a_finding(turn):
    spaces = section(turn=turn)
    ids = list(spaces["space_id"])
    table, findings = orient(
        spaces, {"A": WEST}, rules=RULES,
        monuments=stones(spaces, ids[:6], 5.0, turn=turn), vaults=vaults(spaces, ids[6:], "west", turn=turn + 8),
    )  # fmt: skip
    assert set(table["heads_seen"]) == {"agrees"}
    assert findings == []


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("turn", [0.0, -20.0])
def test_one_stone_at_the_other_end_is_a_finding_of_its_space(named, turn):
    spaces = section(turn=turn, between=10.0)
    ids = list(spaces["space_id"])
    found = pd.concat([stones(spaces, ids[:6], 5.0, turn=turn), stones(spaces, ["A-2-3"], -5.0, turn=turn)])
    found["monument_id"] = [f"M{i}" for i in range(7)]
    found = found if named else found.drop(columns="space_id")
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert [(item.kind, item.subject, item.section) for item in findings] == [("heads disagree", "A-2-3", "A")]
    assert findings[0].reason == "stone M6 stands at the east end; the rule says west"
    seen = dict(zip(spaces["space_id"], table["heads_seen"], strict=True))
    assert seen["A-2-3"] == "disagrees"
    assert [name for name, value in seen.items() if value == "agrees"] == ids[:6]
    np.testing.assert_allclose(findings[0].at, spaces.geometry.iloc[8].centroid.coords[0], rtol=0, atol=1e-6)


def test_a_section_laid_the_other_way_is_one_finding():
    spaces = pd.concat([section("A"), section("B", at=(0.0, 200.0))], ignore_index=True)
    ids = list(spaces["space_id"])
    found = pd.concat([stones(spaces, ids[:8], -5.0), stones(spaces, ids[12:20], 5.0)], ignore_index=True)
    found["monument_id"] = [f"M{i}" for i in range(16)]
    found.loc[0, "geometry"] = stones(spaces, ids[:1], 5.0).geometry.iloc[0]  # one of A as the rule says
    _, findings = orient(spaces, {"A": WEST, "B": WEST}, rules=RULES, monuments=found)
    assert [(item.kind, item.subject) for item in findings] == [("heads disagree", "A")]
    assert findings[0].reason.startswith("7 of 8 spaces with stones or vaults have the heads at the east end")


def test_one_stone_alone_does_not_speak_for_its_section():
    spaces = section()
    _, findings = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-1-2"], -5.0))
    assert [item.subject for item in findings] == ["A-1-2"]


def test_a_vault_s_recorded_head_end_is_evidence():
    spaces = section()
    found = vaults(spaces, ["A-1-1", "A-1-2", "A-1-3"], ["west", "east", None])
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, vaults=found)
    assert table["heads_seen"].tolist()[:3] == ["agrees", "disagrees", "not seen"]
    assert [(item.subject, item.reason) for item in findings] == [
        ("A-1-2", "vault V2 has its head at the east end; the rule says west")
    ]


def test_a_crooked_vault_is_judged_by_its_own_long_way():
    spaces = section()
    # Turned 40 degrees, head end noted as "north": its own ends point to 310 and 130, and 310 is the west end.
    found = vaults(spaces, ["A-1-2"], "north", turn=40.0)
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, vaults=found)
    assert table["heads_seen"].iloc[1] == "agrees"
    # Turned 80 degrees it tells nothing.
    table, more = orient(spaces, {"A": WEST}, rules=RULES, vaults=vaults(spaces, ["A-1-2"], "north", turn=80.0))
    assert table["heads_seen"].iloc[1] == "not seen"
    assert findings == more == []


def test_a_word_that_is_no_direction_is_named():
    spaces = section()
    table, findings = orient(spaces, {}, rules=RULES, vaults=vaults(spaces, ["A-1-1", "A-1-2"], ["wset", "west"]))
    assert [(item.kind, item.subject) for item in findings] == [("feature broken", "vaults: V1")]
    assert table["heads_seen"].tolist()[:2] == ["not seen", "agrees"]


@pytest.mark.parametrize("kind", ["footstone", "flush stone", "other", None])
@pytest.mark.parametrize("named", [True, False])
def test_footstones_and_flush_stones_are_no_evidence(kind, named):
    spaces = section()
    found = stones(spaces, ["A-1-1", "A-1-2"], -5.0, kind=kind, named=named)
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert set(table["heads_seen"]) == {"not seen"}
    assert findings == []


@pytest.mark.parametrize("named", [True, False])
def test_a_shared_stone_counts_for_both_spaces(named):
    spaces = section()
    # 2 ft north of the middle of A-1-2: on the line to its neighbour.
    found = stones(spaces, ["A-1-2"], -5.0, kind="shared stone", aside=2.0, named=named)
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert set(spaces["space_id"][table["heads_seen"] == "disagrees"]) == {"A-1-2", "A-1-3"}
    # It is one stone all the same and does not speak for its section.
    assert {item.subject for item in findings} == {"A-1-2", "A-1-3"}


@pytest.mark.parametrize(("aside", "spaces_told"), [(1.6, ["A-1-2", "A-1-3"]), (1.3, ["A-1-2"])])
def test_a_shared_stone_counts_where_a_good_part_of_it_stands(aside, spaces_told):
    # 2 ft wide and 1.6 ft aside it has 0.6 ft (30 %) in the next space; 1.3 ft aside 0.3 ft (15 %), below the 25 %.
    spaces = section()
    found = stones(spaces, ["A-1-2"], 5.0, kind="shared stone", aside=aside, named=False)
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert list(spaces["space_id"][table["heads_seen"] == "agrees"]) == spaces_told


def test_a_headstone_over_the_line_counts_only_for_the_space_that_holds_most_of_it():
    spaces = section()
    found = stones(spaces, ["A-1-2"], 5.0, aside=1.3, named=False)
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert list(spaces["space_id"][table["heads_seen"] == "agrees"]) == ["A-1-2"]


def test_a_stone_between_heads_and_feet_of_two_rows_tells_nothing():
    # Rows touch: the west end of row 2 is the east end of row 1. Unnamed, the stone could be either's.
    spaces = section()
    found = stones(spaces, ["A-2-2"], 6.0, named=False)
    table, findings = orient(spaces, {"A": WEST}, rules=RULES, monuments=found)
    assert set(table["heads_seen"]) == {"not seen"}
    assert findings == []
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-2-2"], 6.0, named=True))
    assert list(spaces["space_id"][table["heads_seen"] == "agrees"]) == ["A-2-2"]


def test_a_stone_in_the_walk_counts_for_the_nearest_end():
    spaces = section(between=4.0)
    # 6.8 ft west of the middle of A-2-2: 0.3 ft outside it, 2.2 ft from the feet of row 1 across the walk.
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-2-2"], 6.8, named=False))
    assert list(spaces["space_id"][table["heads_seen"] == "agrees"]) == ["A-2-2"]
    # In the middle of the walk it could be either's.
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-2-2"], 8.0, named=False))
    assert set(table["heads_seen"]) == {"not seen"}


def test_a_stone_about_the_middle_tells_nothing():
    spaces = section()
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-1-2"], -1.4))
    assert set(table["heads_seen"]) == {"not seen"}
    table, _ = orient(spaces, {"A": WEST}, rules=RULES, monuments=stones(spaces, ["A-1-2"], -1.6))
    assert set(table["heads_seen"]) == {"not seen", "disagrees"}


def test_spaces_that_lie_north_and_south_of_the_axis_s_zero_count_alike():
    # Long ways at -3 and +3 degrees from north: as axes 177 and 3 degrees, yet one section.
    shapes = [affinity.rotate(shapely.box(x, 0, x + 4, 12), turn) for x, turn in ((0, -3), (10, 3), (20, 0))]
    spaces = gpd.GeoDataFrame({"space_id": ["A", "B", "C"], "section": "S"}, geometry=shapes)
    rule = {"S": Heads("axis", "north", "lots", given=True)}
    table, findings = orient(spaces, rule, rules=RULES)
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), [3, 357, 0], rtol=0, atol=1e-6)
    assert findings == []


# ---- as last laid --------------------------------------------------------------------------------------------------


def test_as_last_laid_follows_the_latest_burial_of_the_row():
    spaces = section(rows=2, columns=6, turn=10.0)
    found = vaults(spaces, ["A-1-1", "A-1-2", "A-2-1"], ["west", "east", "west"], turn=10.0)
    laid = events(
        ("A-1-1", "1931-05-02", "interment"),
        ("A-1-2", "1987", "interment"),
        ("A-2-1", "1940-01", "interment"),
        ("A-1-1", "1999-01-01", "disinterment"),
    )
    table, findings = orient(spaces, {"A": LAST}, rules=RULES, vaults=found, events=laid)
    by_row = table.groupby(spaces["row"])["heads"].unique()
    assert by_row["1"].tolist() == ["east"]
    assert by_row["2"].tolist() == ["west"]
    assert set(table["heads_by"]) == {"as last laid"}
    np.testing.assert_allclose(table["heads_azimuth"].astype(float), [100.0] * 6 + [280.0] * 6, rtol=0, atol=1e-6)
    # The burial of 1931 lies the other way: stated, and no finding.
    assert table["heads_seen"].tolist()[:3] == ["disagrees", "agrees", "not seen"]
    assert findings == []


def test_as_last_laid_takes_the_nearest_row_that_tells():
    spaces = section(rows=5, columns=4)
    found = vaults(spaces, ["A-1-1", "A-5-1"], ["west", "east"])
    table, findings = orient(spaces, {"A": LAST}, rules=RULES, vaults=found)
    by_row = table.groupby(spaces["row"])["heads"].first()
    assert by_row[["1", "2", "4", "5"]].tolist() == ["west", "west", "east", "east"]
    assert findings == []


def test_as_last_laid_counts_headstones_where_no_vault_tells():
    spaces = section()
    found = stones(spaces, ["A-1-1", "A-1-2"], -5.0)
    laid = events(("A-1-1", "1931", "interment"), ("A-1-2", "1950", "interment"))
    table, _ = orient(spaces, {"A": LAST}, rules=RULES, monuments=found, events=laid)
    assert set(table["heads"]) == {"east"}


def test_as_last_laid_without_any_burial_is_unknown():
    table, findings = orient(section(), {"A": LAST}, rules=RULES)
    assert table["heads"].isna().all()
    assert [(item.kind, item.subject) for item in findings] == [("heads unknown", "A")]
    assert "no burial shows the way for 12 spaces" in findings[0].reason


def test_latest_burials_that_disagree_leave_the_row_open():
    spaces = section()
    found = vaults(spaces, ["A-1-1", "A-1-2", "A-2-1"], ["west", "east", "west"])
    laid = events(*((space, "1987-03-03", "interment") for space in ("A-1-1", "A-1-2", "A-2-1")))
    table, findings = orient(spaces, {"A": LAST}, rules=RULES, vaults=found, events=laid)
    by_row = table.groupby(spaces["row"])["heads"]
    assert by_row.count().to_dict() == {"1": 0, "2": 6}
    assert "the latest burials in the row disagree, 6 spaces" in findings[0].reason


# ---- tables as they are declared -----------------------------------------------------------------------------------


def test_declared_tables_are_taken_and_not_changed():
    spaces = section()
    rows = spaces["row"]
    plain = restore(spaces, LAYERS["spaces"])
    found = restore(stones(spaces, ["A-1-1"], -5.0), LAYERS["monuments"])
    laid = restore(vaults(spaces, ["A-1-2"], "east"), LAYERS["vaults"])
    none = restore(pd.DataFrame(), LAYERS["events"])
    before = plain.copy()
    table, findings = orient(plain, {"A": WEST}, rules=RULES, rows=rows, monuments=found, vaults=laid, events=none)
    assert [item.subject for item in findings] == ["A"]
    pd.testing.assert_frame_equal(pd.DataFrame(plain), pd.DataFrame(before))
    merged = restore(plain.assign(**table), LAYERS["spaces"])
    assert merged["heads_seen"].tolist()[:3] == ["disagrees", "disagrees", "not seen"]


def test_no_spaces_at_all():
    table, findings = orient(section(rows=0), {"A": WEST}, rules=RULES)
    assert len(table) == 0
    assert findings == []
