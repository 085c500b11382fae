"""A way that is found touches nothing; where none is found there is none."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from cemgis.errors import InputError
from cemgis.route import find_way

DRIVE = [shapely.box(-2.0, -40.0, 0.0, 40.0)]
STAND = shapely.Point(30.0, 0.0).buffer(0.5)


def way(obstacles, width=2.0, **more):
    return find_way(STAND, DRIVE, obstacles, width=width, within=60.0, **more)


def test_without_anything_in_the_way_it_is_straight():
    found = way([])
    assert found.length == pytest.approx(29.5, abs=1e-6)
    assert shapely.get_num_points(found.line) == 2


@pytest.mark.parametrize("gap", [1.9, 2.0 - 1e-3, 2.05, 3.0])
def test_a_gate_lets_through_what_is_narrower_than_it(gap):
    walls = [shapely.box(10, -200, 11, -gap / 2), shapely.box(10, gap / 2, 11, 200)]
    found = way(walls)
    assert (found.line is not None) == (gap > 2.0)
    if found.line is None:
        assert found.in_the_way == (0, 1)


@pytest.mark.parametrize("seed", range(5))
def test_it_agrees_with_a_fine_raster(seed):
    """Where the middle of the machine may be, by brute force on a raster, joined up cell by cell."""
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    corner = rng.uniform([3, -20], [26, 20], (45, 2))
    size = rng.uniform(0.6, 3.0, (45, 2))
    stones = list(shapely.box(corner[:, 0], corner[:, 1], *(corner + size).T))
    stones += [shapely.box(3, -200, 26, -21), shapely.box(3, 21, 26, 200)]  # no way round the outside
    width, cell = 2.6, 0.1
    x, y = np.meshgrid(np.arange(-2, 32, cell), np.arange(-22, 22, cell), indexing="ij")
    apart = shapely.STRtree(np.array(stones)).query_nearest(
        shapely.points(x.ravel(), y.ravel()), return_distance=True, all_matches=False
    )[1]
    free = apart.reshape(x.shape) > width / 2
    label, _ = ndimage.label(free, structure=np.ones((3, 3)))
    at_stand = label[np.hypot(x - 30, y) < 0.4]
    expected = bool(set(at_stand[at_stand > 0]) & set(label[(x < 0) & (label > 0)]))
    found = way(stones, width)
    wider = way(stones, width + 0.2), way(stones, width - 0.2)
    if (wider[0].line is None) == (wider[1].line is None):  # not a matter of a raster cell
        assert (found.line is not None) == expected
    if found.line is not None:
        assert shapely.distance(shapely.union_all(np.array(stones)), found.line) >= width / 2 - 1e-5


def test_a_few_stones_are_passed_by_the_shortest_way():
    stone = shapely.box(14, -3, 16, 3)
    found = way([stone], width=0.2)
    # shortest way round a corner of the widened stone: over the corners, by Pythagoras within the widening
    expected = 2 * np.hypot(14.0, 3.0) + 2.0
    assert expected - 1.0 < found.length < expected + 0.3
    assert shapely.distance(stone, found.line) >= 0.1 - 1e-6


def test_many_stones_are_passed_too():
    at = np.stack([np.repeat(np.arange(4, 26, 3.0), 9), np.tile(np.arange(-12, 13, 3.0), 8)])
    stones = list(shapely.box(*at, *(at + 0.5)))
    found = way(stones, width=1.5)
    assert found.line is not None
    assert shapely.distance(shapely.union_all(np.array(stones)), found.line) >= 0.75 - 1e-5
    assert found.length < 45.0


def test_a_stand_that_is_taken_names_what_stands_there():
    found = way([shapely.box(28, -3, 33, 3)])
    assert found.line is None
    assert found.in_the_way == (0,)


def test_no_drive_no_way():
    assert find_way(STAND, [], [], width=2.0, within=50.0).line is None


def test_a_width_that_is_none_is_refused():
    with pytest.raises(InputError, match="width"):
        way([], width=0.0)
