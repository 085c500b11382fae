"""Transformations of a drawing: published examples, an oracle, planted mistakes, real pictures with control points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy.interpolate import RBFInterpolator
from skimage.transform import AffineTransform, SimilarityTransform

from cemgis.errors import InputError
from cemgis.scan import bad_point, look_at, pixel_xy, rectify, say_points, swapped_points
from cemgis.units import FOOT, METRE

IMAGES = Path(__file__).parent / "data" / "image"
PLAN = np.array([[12, 9], [480, 22], [955, 14], [20, 400], [510, 380], [960, 410], [15, 770], [470, 790], [950, 780.0]])


def turned(xy, scale=0.25, degrees=-12.0, shift=(2_023_000.0, 449_000.0)):
    t = np.radians(degrees)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    return np.asarray(xy) @ turn.T * scale + shift


def test_conformal_example_of_ghilani_and_wolf():
    # Ghilani & Wolf, Adjustment Computations, example 18.1; sigma0 computed from the published residuals
    grid = [[1049422.40, 51089.20], [1049413.95, 49659.30], [1049244.95, 49884.95]]
    xy = [[121.622, -128.066], [141.228, 187.718], [175.802, 135.728]]
    made = rectify(xy, grid, model="similarity")
    np.testing.assert_allclose(
        made.residuals, [[0.0038, -0.0291], [0.1009, -0.0767], [-0.1047, 0.1059]], rtol=0, atol=6e-5
    )
    assert made.sigma0 == pytest.approx(0.13982, abs=1e-5)
    assert made.dof == 2
    there = made.transform([[174.148, -120.262], [513.520, -192.130], [754.444, -67.706], [972.788, 120.994]])
    published = [[1049187.361, 51040.629], [1047637.713, 51278.829], [1046582.113, 50656.241], [1045644.713, 49749.336]]
    np.testing.assert_allclose(there, published, rtol=0, atol=0.001)
    slope = made.jacobian([[140.0, 0.0]])[0]
    np.testing.assert_allclose(slope, [[-4.51249, 0.25371], [-0.25371, -4.51249]], rtol=0, atol=5e-6)


def test_affine_example_of_jamaica():
    # IOGP Guidance Note 7-2, method 9624, operation 10087: Jamaica 1875 / old grid to JAD69
    a, b = (82357.457, 0.304794369, 0.000015417425), (28091.324, -0.000015417425, 0.304794369)
    xy = np.array([[500000, 450000], [600000, 450000], [600000, 520000], [500000, 520000], [551000, 480100.0]])
    grid = np.column_stack([p[0] + p[1] * xy[:, 0] + p[2] * xy[:, 1] for p in (a, b)])
    made = rectify(xy, grid, model="affine")
    np.testing.assert_allclose(made.transform([[553900, 482500]]), [[251190.497, 175146.067]], rtol=0, atol=0.0006)
    np.testing.assert_allclose(made.inverse([[251190.497, 175146.067]]), [[553900, 482500]], rtol=0, atol=0.003)


def test_affine_example_of_fiducials():
    # Ghilani & Wolf, example 18.2, fiducial marks from memory; fit and misses computed once with statsmodels
    xy = [[0.764, 5.960], [5.062, 10.541], [9.663, 6.243], [5.350, 1.654]]
    grid = [[-113.000, 0.003], [0.001, 112.993], [112.998, 0.003], [0.001, -112.999]]
    made = rectify(xy, grid, model="affine")
    np.testing.assert_allclose(made.jacobian([[0, 0]])[0], [[25.369705, 0.822135], [-0.807876, 25.403314]], atol=1e-6)
    assert made.sigma0 == pytest.approx(0.15209, abs=5e-6)
    # four marks leave one pattern of misses whose sizes differ by 3 in 1000; the list gives one number for all four
    np.testing.assert_allclose(np.abs(made.residuals[:, 1]), 0.0448, rtol=0, atol=1.1e-4)


@pytest.mark.parametrize(("model", "oracle"), [("similarity", SimilarityTransform), ("affine", AffineTransform)])
def test_against_another_library(model, oracle):
    xy = pixel_xy(PLAN)
    grid = turned(xy) + np.random.default_rng(2).normal(0, 0.1, PLAN.shape)
    made = rectify(xy, grid, model=model)
    other = oracle.from_estimate(xy, grid - [2_023_000, 449_000])
    # similarity there is Umeyama's, which is the least squares one as long as the sign of the turn is free
    np.testing.assert_allclose(made.transform(xy[:4]), other(xy[:4]) + [2_023_000, 449_000], rtol=0, atol=2e-3)


def test_thin_plate_against_another_library_and_through_its_points():
    xy = pixel_xy(PLAN)
    grid = turned(xy) + np.random.default_rng(3).normal(0, 2.0, PLAN.shape)
    made = rectify(xy, grid, model="thin plate")
    np.testing.assert_allclose(made.residuals, 0.0, atol=1e-6)
    other = RBFInterpolator(xy, grid, kernel="thin_plate_spline")
    some = pixel_xy(np.random.default_rng(4).uniform(0, 800, (50, 2)))
    np.testing.assert_allclose(made.transform(some), other(some), rtol=0, atol=1e-4)
    for row in (0, 4):
        rest = np.arange(9) != row
        alone = RBFInterpolator(xy[rest], grid[rest], kernel="thin_plate_spline")(xy[row : row + 1])[0] - grid[row]
        np.testing.assert_allclose(made.leave_one_out[row], alone, rtol=0, atol=1e-4)
    assert np.isnan(made.sigma0)


@pytest.mark.parametrize("model", ["similarity", "affine", "second order", "thin plate"])
def test_round_trip(model):
    xy = pixel_xy(PLAN)
    x, y = (xy / 500.0).T
    grid = turned(xy) + (np.column_stack([3 * x * y, 2 * x**2]) if model in ("second order", "thin plate") else 0.0)
    made = rectify(xy, grid, model=model)
    if model != "thin plate":
        np.testing.assert_allclose(made.residuals, 0.0, atol=1e-6)
    some = pixel_xy(np.random.default_rng(5).uniform(20, 750, (200, 2)))
    np.testing.assert_allclose(made.inverse(made.transform(some)), some, rtol=0, atol=1e-4)


def test_left_out_is_what_a_fit_without_the_point_misses():
    xy = pixel_xy(PLAN)
    grid = turned(xy) + np.random.default_rng(6).normal(0, 0.3, PLAN.shape)
    made = rectify(xy, grid, model="second order")
    rest = np.arange(9) != 2
    alone = rectify(xy[rest], grid[rest], model="second order").transform(xy[2:3])[0] - grid[2]
    np.testing.assert_allclose(made.leave_one_out[2], alone, rtol=0, atol=1e-8)
    assert len(say_points(made, FOOT)) == 9


def test_swapped_points_are_found_and_none_where_none_are():
    rng = np.random.default_rng(8)
    xy = pixel_xy(PLAN)
    grid = turned(xy) + rng.normal(0, 0.3, PLAN.shape)
    assert swapped_points(xy, grid) is None
    for first, second in ((0, 8), (1, 4), (3, 6)):
        order = np.arange(9)
        order[[first, second]] = second, first
        assert swapped_points(xy, grid[order]) == (first, second)
    assert swapped_points(xy[:4], grid[[1, 0, 2, 3]]) is None


def test_one_bad_point_is_named():
    xy = pixel_xy(PLAN)
    grid = turned(xy) + np.random.default_rng(9).normal(0, 0.1, PLAN.shape)
    assert bad_point(rectify(xy, grid, model="affine")) is None
    grid[5] += [4.0, -6.0]
    assert bad_point(rectify(xy, grid, model="affine")) == 5


def test_what_no_careful_scan_does_is_said():
    xy = pixel_xy(PLAN)
    limits = {"shear": 0.5, "stretch": 0.01, "unit": FOOT}
    size = (1000, 800)
    assert look_at(rectify(xy, turned(xy), model="affine"), size, **limits) == []
    sheared = xy @ np.array([[1.0, 0.0], [np.tan(np.radians(3.0)), 1.0]])
    said = look_at(rectify(xy, turned(sheared), model="affine"), size, **limits)
    assert "right angles become 87.0 degrees" in said[0]
    said = look_at(rectify(xy, turned(xy * [1.0, 1.03]), model="affine"), size, **limits)
    assert "3.0 % apart" in said[0]
    said = look_at(rectify(xy, turned(PLAN), model="affine"), size, **limits)
    assert "mirrors the drawing" in said[0]
    order = np.arange(9)
    order[[3, 5]] = 5, 3
    said = look_at(rectify(xy, turned(xy)[order], model="thin plate"), size, **limits)
    assert any("folds over" in words for words in said)


def test_points_that_cannot_be_are_refused():
    xy = pixel_xy(PLAN)
    grid = turned(xy)
    with pytest.raises(InputError, match="takes 6 at least"):
        rectify(xy[:5], grid[:5], model="second order")
    with pytest.raises(InputError, match="on one line"):
        rectify([[0, 0], [1, 1], [2, 2], [3, 3]], grid[:4], model="affine")
    with pytest.raises(InputError, match="at one pixel"):
        rectify(xy[[0, 0, 1]], grid[:3], model="similarity")
    with pytest.raises(InputError, match="at one place of the ground"):
        rectify(xy[:3], grid[[0, 0, 1]], model="similarity")
    with pytest.raises(InputError, match="there is no model"):
        rectify(xy, grid, model="cubic")
    with pytest.raises(InputError, match="no place"):
        rectify(xy, grid * np.nan, model="affine")


def test_three_published_control_points_fit_an_affine_and_no_similarity():
    # control points that come with rasterio's test picture: an affine fits exactly, a similarity misses by 11 km
    with rasterio.open(IMAGES / "white-gemini-iv.vrt") as source:
        points, _ = source.gcps
    xy = pixel_xy([[point.col, point.row] for point in points])
    grid = np.array([[point.x, point.y] for point in points])
    exact = rectify(xy, grid, model="affine")
    np.testing.assert_allclose(exact.residuals, 0.0, atol=1e-6)
    assert exact.dof == 0
    rough = rectify(xy, grid, model="similarity")
    assert 10_500 < np.sqrt((rough.residuals**2).sum(axis=1).mean()) < 12_000
    said = look_at(exact, (1024, 768), shear=0.5, stretch=0.01, unit=METRE)
    assert any("apart" in words for words in said)
