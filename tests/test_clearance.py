import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import affinity

from cemgis import schema
from cemgis.clearance import clearances, gaps, lost_spaces, neighbours
from cemgis.layers import LAYERS
from cemgis.rules import Rules
from cemgis.units import FOOT, METRE

RULES = Rules(FOOT)
OHIO = np.array([2_126_543.0, 345_678.0])  # a state-plane place: coordinates near two million


def vaults(shapes, space_ids=None, sigma=0.1, **more):
    n = len(shapes)
    data = {"vault_id": [f"V{i}" for i in range(1, n + 1)], "sigma": sigma, **more}
    if space_ids is not None:
        data["space_id"] = space_ids
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs="EPSG:6549")


def spaces(shapes, ids, variance=0.0):
    cov = {"cov_ee": variance, "cov_en": 0.0, "cov_nn": variance}
    return gpd.GeoDataFrame({"space_id": ids, "section": "A", **cov}, geometry=list(shapes), crs="EPSG:6549")


def row_of_spaces(n=4, at=OHIO):
    """Spaces 4 ft wide and 12 ft long side by side (common practice, no source), heads to the west."""
    y = at[1] + 4.0 * np.arange(n)
    return spaces(shapely.box(at[0], y, at[0] + 12, y + 4), [f"A-1-{i}" for i in range(1, n + 1)])


def row_of_vaults(n=4, width=3.0, at=OHIO, **more):
    y = at[1] + 4.0 * np.arange(n) + (4 - width) / 2
    shapes = shapely.box(at[0] + 2, y, at[0] + 9.5, y + width)
    return vaults(shapes, [f"A-1-{i}" for i in range(1, n + 1)], **more)


def random_rectangles(n, seed, size=60.0, at=(0.0, 0.0)):
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(n):
        w, h = rng.uniform(1, 8, 2)
        x, y = rng.uniform(0, size, 2) + at
        found.append(affinity.rotate(shapely.box(x, y, x + w, y + h), rng.uniform(0, 180)))
    return np.array(found, dtype=object)


# ---- neighbours ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chunk", [7, 1000])
def test_neighbours_agree_with_trying_all_pairs(chunk):
    shapes = random_rectangles(120, 1)
    got = neighbours(shapes, 2.5, chunk=chunk)
    a, b = np.triu_indices(len(shapes), 1)
    distance = np.array([shapes[i].distance(shapes[j]) for i, j in zip(a, b, strict=True)])
    want = {(i, j): d for i, j, d in zip(a, b, distance, strict=True) if d <= 2.5}
    assert {(i, j): d for i, j, d in zip(got.a, got.b, got.gap, strict=True)} == pytest.approx(want)
    assert len(want) > 100


def test_neighbours_of_two_tables_agree_with_trying_all_pairs():
    first, second = random_rectangles(80, 2), random_rectangles(60, 3)
    got = neighbours(first, 1.0, second, chunk=11)
    want = {(i, j) for i in range(80) for j in range(60) if first[i].distance(second[j]) <= 1.0}
    assert set(zip(got.a.tolist(), got.b.tolist(), strict=True)) == want


def test_missing_and_empty_shapes_have_no_neighbours():
    shapes = np.array([shapely.box(0, 0, 1, 1), None, shapely.Polygon(), shapely.box(1, 0, 2, 1)], dtype=object)
    got = neighbours(shapes, 1.0)
    assert list(zip(got.a, got.b, strict=True)) == [(0, 3)]
    assert len(neighbours(np.empty(0, dtype=object), 1.0).a) == 0
    assert len(neighbours(shapes, 1.0, np.empty(0, dtype=object)).a) == 0


def test_neighbours_of_many_spaces():
    # A grid of 100 x 400 spaces: each inner one touches 8, so (8 * inner + 5 * sides + 3 * corners) / 2 pairs.
    x, y = np.meshgrid(12.0 * np.arange(100), 4.0 * np.arange(400))
    x, y = x.ravel() + OHIO[0], y.ravel() + OHIO[1]
    got = neighbours(shapely.box(x, y, x + 12, y + 4), 0.5)
    inner, sides = 98 * 398, 2 * (98 + 398)
    assert len(got.a) == (8 * inner + 5 * sides + 3 * 4) // 2


# ---- gaps ----------------------------------------------------------------------------------------------------------


def depth_by_trying_ways(a, b, ways=20_000):
    """Least shift that parts two convex shapes, from their extents along many directions (an upper bound)."""
    angle = np.linspace(0, 2 * np.pi, ways, endpoint=False)
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    origin = np.array(a.bounds[:2])
    on_a = (shapely.get_coordinates(a) - origin) @ way.T
    on_b = (shapely.get_coordinates(b) - origin) @ way.T
    return (on_a.max(axis=0) - on_b.min(axis=0)).min()


@pytest.mark.parametrize("at", [(0.0, 0.0), tuple(OHIO)])
def test_depth_is_the_least_shift_that_parts_them(at):
    shapes = random_rectangles(60, 4, size=18.0, at=at)
    a, b = np.triu_indices(len(shapes), 1)
    meet = shapely.area(shapely.intersection(shapes[a], shapes[b])) > 1e-6
    a, b = shapes[a[meet]], shapes[b[meet]]
    got = gaps(a, b)
    assert len(a) > 50
    want = np.array([depth_by_trying_ways(*pair) for pair in zip(a, b, strict=True)])
    # 20,000 ways are 0.018 degrees apart: 8 ft aside by that is 0.0025 ft.
    np.testing.assert_allclose(-got.gap, want, rtol=0, atol=0.004)
    np.testing.assert_allclose(shapely.length(got.line), -got.gap, rtol=0, atol=1e-6)


def test_gap_apart_is_shapely_distance_and_its_line():
    a, b = random_rectangles(40, 5), random_rectangles(40, 6, at=(200.0, 30.0))
    got = gaps(a, b)
    np.testing.assert_allclose(got.gap, [p.distance(q) for p, q in zip(a, b, strict=True)], rtol=0, atol=1e-9)
    np.testing.assert_allclose(np.hypot(*got.normal.T), 1.0)


def test_touching_has_gap_zero_and_a_line_one_can_draw():
    got = gaps([shapely.box(0, 0, 4, 4)], [shapely.box(4, 0, 8, 4)])
    assert got.gap[0] == 0
    assert shapely.is_valid(got.line[0])
    np.testing.assert_allclose(np.abs(got.normal[0]), [1, 0])


# ---- clearances ----------------------------------------------------------------------------------------------------


def test_vaults_in_the_middle_of_their_spaces_leave_a_foot():
    # 4-ft spaces, 36-in vaults: 48 - 36 = 12 in of earth between two.
    table, findings = clearances(row_of_vaults(), row_of_spaces(), rules=RULES, unit=FOOT)
    pairs = table[table["pair"] == "vault and vault"]
    # Two vaults apart lie 1 + 3 + 1 = 5 ft apart, beyond the 4 ft that are listed.
    assert list(pairs["clearance_id"]) == [f"vault and vault: V{i}, V{i + 1}" for i in (1, 2, 3)]
    np.testing.assert_allclose(pairs["gap"].astype(float), 1.0, rtol=0, atol=1e-6)
    np.testing.assert_allclose(pairs["gap_sigma"].astype(float), 0.1 * np.sqrt(2), rtol=0, atol=1e-9)
    assert list(pairs["shortfall"]) == [0, 0, 0]
    assert findings == []
    assert set(table["pair"]) == {"vault and vault"}
    schema.check(table, LAYERS["clearances"])


def test_a_real_shortfall_is_a_finding_in_feet_and_inches():
    # 44-in vaults in 48-in spaces: 4 in between, 8 in by rule, 4 in short.
    found = row_of_vaults(3, width=44 / 12, sigma=0.05)
    table, findings = clearances(found, row_of_spaces(), rules=RULES, unit=FOOT)
    assert [(item.kind, item.subject) for item in findings] == [
        ("clearance short", "V1, V2"),
        ("clearance short", "V2, V3"),
    ]
    assert "4 in between them, 8 in required, 4 in short" in findings[0].reason
    assert "clearance.vault_to_vault" in findings[0].reason
    np.testing.assert_allclose(table["gap"].astype(float), 4 / 12, rtol=0, atol=1e-6)
    x, y = findings[0].at
    np.testing.assert_allclose(y, OHIO[1] + 4.0, rtol=0, atol=1e-6)
    assert OHIO[0] + 2 <= x <= OHIO[0] + 9.5


def test_what_may_be_the_survey_s_own_error_is_listed_and_no_finding():
    # 0.5 ft between, 0.667 required, sigma of the gap 0.28 ft: chance = Phi(0.1667 / 0.2828) = 0.722 (normal table).
    table, findings = clearances(row_of_vaults(2, width=3.5, sigma=0.2), rules=RULES, unit=FOOT)
    assert float(table["chance_short"].iloc[0]) == pytest.approx(0.722, abs=5e-4)
    assert findings == []


def test_unknown_sigma_leaves_the_chance_open_and_still_warns():
    table, findings = clearances(row_of_vaults(2, width=3.5, sigma=np.nan), rules=RULES, unit=FOOT)
    assert table[["gap_sigma", "chance_short"]].isna().all(axis=None)
    assert [item.kind for item in findings] == ["clearance short"]
    schema.check(table, LAYERS["clearances"])


def test_exact_survey_gives_a_chance_of_nought_or_one():
    shapes = [shapely.box(0, 0, 3, 7), shapely.box(3.5, 0, 6.5, 7), shapely.box(8, 0, 11, 7)]
    table, _ = clearances(vaults(shapes, sigma=0.0), rules=RULES, unit=FOOT)
    assert dict(zip(table["clearance_id"], table["chance_short"], strict=True)) == {
        "vault and vault: V1, V2": 1.0,
        "vault and vault: V2, V3": 0.0,
    }


def test_metres_are_said_in_metres():
    shapes = [shapely.box(0, 0, 0.9, 2.3), shapely.box(1.0, 0, 1.9, 2.3)]
    _, findings = clearances(vaults(shapes, sigma=0.01), rules=Rules(METRE), unit=METRE)
    assert "0.10 m between them, 0.20 m required" in findings[0].reason


def test_vaults_one_above_the_other_are_no_shortfall():
    both = [shapely.box(0, 0, 3, 7), shapely.box(0.1, 0, 3.1, 7)]
    deep = vaults(both, ["A-1-1", "A-1-1"], top_depth=[2.0, 5.0])
    assert clearances(deep, rules=RULES, unit=FOOT)[1] == []
    level = vaults(both, ["A-1-1", "A-1-1"], top_depth=[2.0, 2.0])
    assert [item.kind for item in clearances(level, rules=RULES, unit=FOOT)[1]] == ["clearance short"]
    elsewhere = vaults(both, ["A-1-1", "A-1-2"], top_depth=[2.0, 5.0])
    assert [item.kind for item in clearances(elsewhere, rules=RULES, unit=FOOT)[1]] == ["clearance short"]


def test_monuments_graves_and_obstacles_by_their_own_rules():
    vault = vaults([shapely.box(0, 0, 7.5, 3)])
    stone = gpd.GeoDataFrame({"monument_id": ["M1"], "sigma": 0.05}, geometry=[shapely.box(-1.25, 0, -0.25, 3)])
    grave = gpd.GeoDataFrame({"grave_id": ["G1"], "sigma": 0.05}, geometry=[shapely.box(0, 4, 7, 6)])
    tree = gpd.GeoDataFrame({"obstacle_id": ["T1"], "sigma": 0.1, "kind": "tree"}, geometry=[shapely.box(9, 0, 11, 3)])
    table, findings = clearances(vault, monuments=stone, probable_graves=grave, obstacles=tree, rules=RULES, unit=FOOT)
    got = {row.pair: (row.gap, row.required, row.rule) for row in table.itertuples()}
    assert got == {
        "vault and monument": (0.25, 0.5, "clearance.vault_to_monument"),
        "vault and probable grave": (1.0, pytest.approx(8 / 12), "clearance.vault_to_grave"),
        "vault and obstacle": (1.5, 3.0, "clearance.vault_to_obstacle"),
    }
    # Stone: 0.25 ft short, sigma sqrt(0.1^2 + 0.05^2) = 0.112: 2.24 sigma, 98.7 %; tree: 1.5 ft short, over 10 sigma.
    assert [(item.kind, item.subject) for item in findings] == [
        ("clearance short", "V1, M1"),
        ("clearance short", "V1, T1"),
    ]


def test_a_site_rule_wider_than_the_search_is_looked_for():
    rules = Rules(FOOT, {"clearance.vault_to_obstacle": {"value": "10 ft", "source": "a test"}})
    tree = gpd.GeoDataFrame({"obstacle_id": ["T1"], "sigma": 0.1}, geometry=[shapely.box(16, 0, 18, 3)])
    _, findings = clearances(vaults([shapely.box(0, 0, 7.5, 3)]), obstacles=tree, rules=rules, unit=FOOT)
    assert [item.subject for item in findings] == ["V1, T1"]


# ---- vaults and spaces ---------------------------------------------------------------------------------------------


def test_a_crooked_vault_is_astray_and_its_neighbours_are_not():
    found = row_of_vaults(3)
    shapes = np.array(found.geometry, dtype=object)
    # 7.5 by 3 ft turned 20 degrees about its centre: half height = 3.75 sin 20 + 1.5 cos 20 = 2.692 ft, so it reaches
    # 2.692 - 2 = 0.692 ft (8 1/2 in) into both neighbours at right angles to the line between the spaces.
    shapes[1] = affinity.rotate(shapes[1], 20)
    found = found.set_geometry(list(shapes))
    table, findings = clearances(found, row_of_spaces(), rules=RULES, unit=FOOT)
    astray = [item for item in findings if item.kind == "vault astray"]
    assert [item.subject for item in astray] == ["V2", "V2"]
    assert {item.reason.split(";")[0] for item in astray} == {
        "reaches 8 1/2 in into A-1-1",
        "reaches 8 1/2 in into A-1-3",
    }
    rows = table[table["pair"] == "vault and space"]
    depth = 3.75 * np.sin(np.radians(20)) + 1.5 * np.cos(np.radians(20)) - 2
    np.testing.assert_allclose(rows["gap"].astype(float), -depth, rtol=0, atol=1e-6)
    schema.check(table, LAYERS["clearances"])


def test_a_vault_recorded_in_another_space_is_astray():
    found = row_of_vaults(1).assign(space_id=["A-1-3"])
    _, findings = clearances(found, row_of_spaces(), rules=RULES, unit=FOOT)
    assert [(item.kind, item.subject) for item in findings] == [("vault astray", "V1")]
    assert "into A-1-1; its own is A-1-3" in findings[0].reason


def test_a_vault_that_names_no_space_lies_in_the_one_that_holds_most_of_it():
    found = row_of_vaults(4).drop(columns="space_id")
    assert clearances(found, row_of_spaces(), rules=RULES, unit=FOOT)[1] == []
    moved = found.set_geometry(found.translate(0, 0.9))
    _, findings = clearances(moved.iloc[:1], row_of_spaces(), rules=RULES, unit=FOOT)
    assert [item.subject for item in findings] == ["V1"]
    assert "into A-1-2; its own is A-1-1" in findings[0].reason


def test_uncertain_space_lines_make_no_finding_but_a_row():
    # The vault reaches 0.1 ft over a line that is known to 0.5 ft.
    found = row_of_vaults(1, sigma=0.0)
    found = found.set_geometry(found.translate(0, 0.6))
    plot = row_of_spaces()
    plot[["cov_ee", "cov_nn"]] = 0.25
    table, findings = clearances(found, plot, rules=RULES, unit=FOOT)
    assert findings == []
    row = table[table["b_id"] == "A-1-2"].iloc[0]
    assert float(row["chance_short"]) == pytest.approx(0.5793, abs=1e-4)  # Phi(0.2), normal table


@pytest.mark.parametrize(("turn", "sigma"), [(0, 0.5), (90, 0.1), (30, np.hypot(0.5 * np.cos(np.pi / 6), 0.05))])
def test_only_the_covariance_along_the_line_counts(turn, sigma):
    # Standard deviations 0.5 ft east and 0.1 ft north; the line runs east, turned by `turn`.
    vault = affinity.rotate(shapely.box(-3, 0, -0.5, 7), turn, origin=(0, 0))
    space = affinity.rotate(shapely.box(0, 0, 4, 12), turn, origin=(0, 0))
    plot = spaces([space], ["A-1-1"]).assign(cov_ee=0.25, cov_nn=0.01)
    rules = Rules(FOOT, {"clearance.vault_to_space": {"value": "2 ft", "source": "a test"}})
    table, _ = clearances(vaults([vault], ["B-1-1"], sigma=0.0), plot, rules=rules, unit=FOOT)
    assert float(table["gap_sigma"].iloc[0]) == pytest.approx(sigma, abs=1e-9)


@pytest.mark.parametrize("turn", [0, 35])
def test_chance_agrees_with_throwing_the_survey_ten_thousand_times(turn):
    rng = np.random.default_rng(11)
    first = affinity.rotate(shapely.box(0, 0, 7.5, 3), turn, origin=(0, 0))
    second = affinity.rotate(shapely.box(0, 3.75, 7.5, 6.75), turn, origin=(0, 0))
    cov = np.array([[0.09, 0.03], [0.03, 0.04]])
    plot = spaces([second], ["A-1-2"]).assign(cov_ee=cov[0, 0], cov_en=cov[0, 1], cov_nn=cov[1, 1])
    rules = Rules(FOOT, {"clearance.vault_to_space": {"value": "8 in", "source": "a test"}})
    table, _ = clearances(vaults([first], ["A-1-1"], sigma=0.15), plot, rules=rules, unit=FOOT)
    n = 10_000
    shift = rng.multivariate_normal([0, 0], cov, n) - rng.normal(0, 0.15, (n, 2))
    thrown = shapely.transform(np.full(n, second), lambda xy: xy + np.repeat(shift, 5, axis=0))
    short = gaps(np.full(n, first), thrown).gap < 8 / 12
    chance = float(table["chance_short"].iloc[0])
    assert 0.2 < chance < 0.6
    assert abs(short.mean() - chance) < 4 * np.sqrt(chance * (1 - chance) / n)


# ---- obstacles and drives ------------------------------------------------------------------------------------------


def test_an_obstacle_takes_a_space_and_the_share_is_said():
    tree = gpd.GeoDataFrame(
        {"obstacle_id": ["T1"], "kind": ["oak"], "sigma": [0.1]},
        geometry=[shapely.box(OHIO[0] - 5, OHIO[1] - 3, OHIO[0] + 3, OHIO[1] + 5)],
    )
    # It holds 3 of the 12 ft of space 1, and 3 by 1 of the 48 square feet of space 2.
    plot = row_of_spaces().set_index(pd.Index([10, 20, 30, 40]))
    lost = lost_spaces(plot, tree, rules=RULES)
    assert list(lost.index) == [10, 20, 30, 40]
    assert list(lost["lost"]) == [True, True, False, False]
    np.testing.assert_allclose(lost["lost_share"], [3 / 12, 3 / 48, 0, 0], rtol=0, atol=1e-6)
    assert lost["lost_to"].tolist()[:2] == ["oak T1", "oak T1"]
    table, findings = clearances(row_of_vaults(0), plot, obstacles=tree, rules=RULES, unit=FOOT)
    assert [(item.kind, item.subject) for item in findings] == [
        ("space obstructed", "A-1-1"),
        ("space obstructed", "A-1-2"),
    ]
    assert findings[0].reason == "oak T1 takes 25% of it"
    assert findings[0].severity == "note"
    schema.check(table, LAYERS["clearances"])


def test_two_obstacles_that_overlap_do_not_take_the_same_land_twice():
    plot = spaces([shapely.box(0, 0, 4, 12)], ["A-1-1"])
    tree = gpd.GeoDataFrame({"obstacle_id": ["T1"], "kind": ["tree"], "sigma": 0.0}, geometry=[shapely.box(0, 0, 4, 6)])
    drive = gpd.GeoDataFrame({"drive_id": ["D1"], "sigma": 0.0}, geometry=[shapely.box(0, 3, 4, 9)])
    lost = lost_spaces(plot, tree, drive, rules=RULES)
    assert lost["lost_share"].tolist() == pytest.approx([0.75])
    assert lost["lost_to"].tolist() == ["drive D1, tree T1"]


def test_a_drive_along_the_lots_takes_nothing():
    drive = gpd.GeoDataFrame(
        {"drive_id": ["D1"], "sigma": [0.2]},
        geometry=[shapely.box(OHIO[0] - 10, OHIO[1], OHIO[0] + 0.05, OHIO[1] + 16)],
    )
    # 0.05 ft over the line with sigma 0.2 ft: not more than the survey's own error.
    assert not lost_spaces(row_of_spaces(), drives=drive, rules=RULES)["lost"].any()


def test_a_rule_of_standing_off_widens_what_is_lost():
    rules = Rules(FOOT, {"clearance.obstacle_to_space": {"value": "2 ft", "source": "a test"}})
    wall = gpd.GeoDataFrame(
        {"obstacle_id": ["W1"], "kind": ["wall"], "sigma": 0.0}, geometry=[shapely.box(-2, -5, -1, 20)]
    )
    lost = lost_spaces(spaces([shapely.box(0, 0, 4, 12)], ["A-1-1"]), wall, rules=rules)
    assert lost["lost_share"].tolist() == pytest.approx([1 / 4])


# ---- odd input -----------------------------------------------------------------------------------------------------


def test_nothing_there_gives_an_empty_layer():
    empty = schema.empty(LAYERS["vaults"], "EPSG:6549")
    table, findings = clearances(empty, row_of_spaces(), rules=RULES, unit=FOOT)
    assert len(table) == 0
    assert findings == []
    assert list(table.columns) == [*LAYERS["clearances"].names, "geometry"]
    assert table.crs == "EPSG:6549"
    assert not lost_spaces(row_of_spaces(0), rules=RULES)["lost"].any()


def test_missing_shapes_are_left_out_and_inputs_are_not_changed():
    found = row_of_vaults(3, width=3.8)
    found = found.set_geometry([found.geometry[0], None, found.geometry[2]])
    before = found.copy()
    table, _ = clearances(found, row_of_spaces(), rules=RULES, unit=FOOT)
    assert "V2" not in set(table["a_id"]) | set(table["b_id"])
    pd.testing.assert_frame_equal(
        pd.DataFrame(found.drop(columns="geometry")), pd.DataFrame(before.drop(columns="geometry"))
    )


def test_tables_in_their_declared_types_are_taken():
    plot = schema.restore(row_of_spaces(), LAYERS["spaces"])
    found = schema.restore(row_of_vaults(width=3.9), LAYERS["vaults"])
    table, findings = clearances(found, plot, rules=RULES, unit=FOOT)
    assert len(findings) == 3
    schema.check(table, LAYERS["clearances"])
