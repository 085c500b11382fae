"""Vaults from probe hits: recovery, covariance against Monte Carlo, and lists that cannot be."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely

from cemgis.clearance import clearances
from cemgis.errors import InputError
from cemgis.rules import Rules
from cemgis.ties import dig_corners
from cemgis.units import FOOT
from cemgis.vaults import POSE, against_spaces, fall_along, fit_rectangle

WIDTH, LENGTH = 2.5, 7.5
MIDDLE = np.array([2_023_850.4, 449_265.8])


def on_edge(middle, azimuth, spots):
    """Points of the outline: (along, across) in half sizes."""
    turn = np.radians(azimuth)
    ahead, right = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    at = np.asarray(spots, dtype=float)
    return middle + at[:, :1] * ahead * LENGTH / 2 + at[:, 1:] * right * WIDTH / 2


SPOTS = [(0.7, -1), (-0.6, -1), (1, 0.2), (-1, -0.3), (0.1, 1)]


def blocks(n, sigma=0.05):
    return np.tile(np.eye(2) * sigma**2, (n, 1, 1))


def fit(points, kinds=None, sigma=0.05, **more):
    kinds = ["edge"] * len(points) if kinds is None else kinds
    return fit_rectangle(points, kinds, blocks(len(points), sigma), WIDTH, LENGTH, unit=FOOT, **more)


@pytest.mark.parametrize("azimuth", [0.0, 37.0, 92.5, 181.0, 275.0])
def test_exact_hits_give_the_rectangle_back(azimuth):
    found = fit(on_edge(MIDDLE, azimuth, SPOTS), heads=azimuth + 4.0)
    np.testing.assert_allclose(found.middle, MIDDLE, rtol=0, atol=1e-6)
    assert abs((found.azimuth - azimuth + 180) % 360 - 180) < 1e-5
    assert found.dof == 2
    np.testing.assert_allclose(found.corners, dig_corners(MIDDLE, azimuth, WIDTH, LENGTH), rtol=0, atol=1e-6)


def test_two_corner_shots_are_enough_and_one_is_not():
    corners = dig_corners(MIDDLE, 20.0, WIDTH, LENGTH)
    space = shapely.polygons(dig_corners(MIDDLE, 20.0, 4.0, 12.0))
    found = fit(corners[[0, 2]], ["corner", "corner"], space=space, heads=20.0)
    # opposite corners leave two rectangles, mirrored in their diagonal; the space tells
    np.testing.assert_allclose(found.corners, corners, rtol=0, atol=1e-6)
    assert found.dof == 1
    with pytest.raises(InputError, match="do not tell where it lies"):
        fit(corners[:1], ["corner"])


def test_three_hits_leave_places_that_the_space_decides():
    hits = on_edge(MIDDLE, 10.0, [(0.7, -1), (-0.7, -1), (1, 0.0)])
    with pytest.raises(InputError, match="name its space"):
        fit(hits[:, :])
    space = shapely.polygons(dig_corners(MIDDLE + 0.3, 12.0, 4.0, 12.0))
    found = fit(hits, space=space, heads=12.0)
    np.testing.assert_allclose(found.middle, MIDDLE, rtol=0, atol=1e-6)
    assert found.dof == 0
    assert np.isnan(found.chance)


def test_a_hit_on_the_top_rules_out_the_wrong_side():
    hits = on_edge(MIDDLE, 10.0, [(0.7, -1), (-0.7, -1), (1, 0.0), (0.0, 0.0), (-0.5, 0.5)])
    found = fit(hits, ["edge", "edge", "edge", "top", "top"], heads=10.0)
    np.testing.assert_allclose(found.middle, MIDDLE, rtol=0, atol=1e-6)


def test_a_side_that_is_told_counts():
    hits = on_edge(MIDDLE, 10.0, [(0.7, -1), (-0.7, -1), (1, 0.0)])
    found = fit(hits, sides=["left", "left", "head"], heads=10.0)
    np.testing.assert_allclose(found.middle, MIDDLE, rtol=0, atol=1e-6)
    assert found.azimuth == pytest.approx(10.0, abs=1e-6)


def test_covariance_agrees_with_simulated_probes():
    rng = np.random.default_rng(4)
    sigma, true = 0.06, on_edge(MIDDLE, 80.0, [*SPOTS, (-0.2, 1), (1, -0.6)])
    runs = [fit(true + rng.normal(0, sigma, true.shape), sigma=sigma, heads=80.0, alpha=1e-9) for _ in range(200)]
    state = np.array([[*(run.middle - MIDDLE), np.radians(run.azimuth - 80.0)] for run in runs])
    white = np.linalg.solve(np.linalg.cholesky(runs[0].cov), state.T)
    # standard error of a standard deviation from 200 draws is 5 %; of their mean 0.07
    np.testing.assert_allclose(white.std(axis=1), 1.0, atol=0.16)
    np.testing.assert_allclose(white.mean(axis=1), 0.0, atol=0.22)
    spread = np.array([run.corners[0] for run in runs]).std(axis=0)
    np.testing.assert_allclose(spread, np.sqrt(np.diag(runs[0].covariance_at(runs[0].corners)[0])), rtol=0.16)
    chances = np.array([run.chance for run in runs])
    assert 0.4 < chances.mean() < 0.6


def test_probability_of_a_short_gap_against_monte_carlo():
    rng = np.random.default_rng(7)
    cov = np.array([[4.0, 1.0, 0.5], [1.0, 6.0, -0.3], [0.5, -0.3, 0.9]]) * 1e-3
    other = dig_corners([3.25, 0.4], 3.0, WIDTH, LENGTH)
    mine = dig_corners([0.0, 0.0], 358.0, WIDTH, LENGTH)
    table = gpd.GeoDataFrame(
        {"vault_id": ["V1", "V2"], "sigma": [0.08, 0.05], **{name: [value, None] for name, value in zip(
            POSE, (cov[0, 0], cov[0, 1], cov[1, 1], cov[0, 2], cov[1, 2], cov[2, 2]), strict=True)}},
        geometry=shapely.polygons([mine, other]),
    )  # fmt: skip
    row = clearances(table, rules=Rules(FOOT), unit=FOOT)[0].iloc[0]
    n = 20_000
    e, north, turn = rng.multivariate_normal(np.zeros(3), cov, n).T
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x, y = mine[:, 0], mine[:, 1]
    first = np.stack([c * x + s * y + e[:, None], -s * x + c * y + north[:, None]], axis=2)
    second = other + rng.normal(0, 0.05, (n, 1, 2))
    gap = shapely.distance(shapely.polygons(first), shapely.polygons(second))
    assert row["gap_sigma"] == pytest.approx(gap.std(), rel=0.06)
    assert row["chance_short"] == pytest.approx((gap < row["required"]).mean(), abs=0.04)
    # and it is not what the plain sigma would say
    assert abs(np.hypot(0.08, 0.05) / gap.std() - 1.0) > 0.15


def test_fall_crookedness_offset_and_reach():
    space = shapely.polygons(dig_corners([0, 0], 0.0, 4.0, 12.0))
    beside = shapely.polygons(dig_corners([4, 0], 0.0, 4.0, 12.0))
    spaces = gpd.GeoDataFrame({"space_id": ["A-1", "A-2"]}, geometry=[space, beside])
    hits = on_edge(np.array([1.0, -0.5]), 6.0, SPOTS)
    found = fit(hits, space=space, heads=0.0)
    vaults = gpd.GeoDataFrame({"vault_id": ["V"], "space_id": ["A-1"]}, geometry=[found.polygon], index=[9])
    out = against_spaces(vaults, spaces, [0.0, 0.0]).loc[9]
    assert out["crooked"] == pytest.approx(6.0, abs=1e-5)
    assert (out["off_across"], out["off_along"]) == pytest.approx((1.0, -0.5), abs=1e-5)
    # the corner that reaches farthest east, by hand
    c, s = np.cos(np.radians(6)), np.sin(np.radians(6))
    assert out["reach"] == pytest.approx(1.0 + WIDTH / 2 * c + LENGTH / 2 * s - 2.0, abs=1e-5)
    assert out["reach_into"] == "A-2"
    heads_south = against_spaces(vaults, spaces, [180.0, 180.0]).loc[9]
    assert (heads_south["off_across"], heads_south["off_along"]) == pytest.approx((-1.0, 0.5), abs=1e-5)
    ahead = np.array([s, c])
    points = found.middle + np.outer([3.0, -3.0, 1.0], ahead)
    deep = 1.5 - np.array([3.0, -3.0, 1.0]) * 0.4 / LENGTH
    assert fall_along(found, points, [*deep[:2], np.nan], 0.05)[0] == pytest.approx(0.4, abs=1e-6)
    assert fall_along(found, points, deep, 0.05)[0] == pytest.approx(0.4, abs=1e-6)
    assert np.isnan(fall_along(found, points[:1], deep[:1], 0.05)[0])


def bad(spots, kinds=None, push=None, **more):
    hits = on_edge(MIDDLE, 15.0, spots)
    if push is not None:
        hits[push[0]] += push[1]
    with pytest.raises(InputError) as caught:
        fit(hits, kinds, names=[f"probe {row + 1}" for row in range(len(hits))], heads=15.0, **more)
    return str(caught.value)


def test_lists_that_cannot_be_are_refused_with_words():
    assert "from corner to corner" in bad(SPOTS, push=(2, [0.0, 3.0]))
    one_side = bad([(0.7, -1), (-0.6, -1), (0.1, -1)])
    assert "along its length" in one_side
    assert "Probe one of its ends" in one_side
    across = bad([(1, 0.9), (1, -0.9), (-1, 0.0), (-1, -0.6)], ["edge"] * 4)
    assert "across its width" in across
    culprit = bad([*SPOTS, (-0.4, 1), (0.8, 1)], push=(4, [-0.9, 0.2]))
    assert "probe 5 lies" in culprit
    assert "that the others agree on" in culprit
    outside = bad([*SPOTS, (0.0, 1.9)], ["edge"] * 5 + ["top"])
    assert "probe 6" in outside
    wide = on_edge(MIDDLE, 15.0, [(0.7, -1.4), (-0.6, -1.4), (1, 0.2), (-1, -0.3), (0.1, 1.4), (-0.5, 1.4)])
    with pytest.raises(InputError, match=r"no rectangle of 2\.50 ft by 7\.50 ft"):
        fit(wide, heads=15.0)
    assert "on the top" in bad(SPOTS, ["top"] * 5)
    assert "no kind of hit: side" in bad(SPOTS, ["side"] * 5)


def test_numbers_that_are_none_are_refused():
    hits = on_edge(MIDDLE, 15.0, SPOTS)
    with pytest.raises(InputError, match="no outside size"):
        fit_rectangle(hits, ["edge"] * 5, blocks(5), 0.0, 7.5, unit=FOOT)
    with pytest.raises(InputError, match="no standard deviation"):
        fit_rectangle(hits, ["edge"] * 5, blocks(5, 0.0), 2.5, 7.5, unit=FOOT)
    hits[1, 0] = np.nan
    with pytest.raises(InputError, match="without coordinates"):
        fit(hits)
    with pytest.raises(InputError, match="no hits"):
        fit(np.empty((0, 2)))
