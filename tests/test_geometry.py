"""Geometry on arrays: against shapely, against algebra, and against the slow way of doing the same."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from cemgis.geometry import (
    circles,
    drop_vertices,
    insert_in_rings,
    join_points,
    least_gap,
    long_axis,
    mean_value_weights,
    next_in_ring,
    points_on_edges,
    polygons_from_rings,
    ring_areas,
    start_where,
    strips,
    take_rings,
    turns,
)

FAR = np.array([2023700.0, 449300.0])  # state-plane coordinates are this large


def _star(rng, count, centre=(0.0, 0.0)):
    """A polygon round its centre, concave as it comes."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    while np.diff(np.append(angle, angle[0] + 2 * np.pi)).max() > np.pi * 0.9:
        angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    radius = rng.uniform(2, 10, count)
    return np.asarray(centre) + np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def test_polygons_from_rings_are_shapelys():
    rng = np.random.default_rng(1)
    rings = [_star(rng, n, FAR) for n in (3, 4, 7, 5)]
    offsets = np.concatenate([[0], np.cumsum([len(ring) for ring in rings])])
    made = polygons_from_rings(np.concatenate(rings), offsets)
    assert all(one.equals(shapely.Polygon(ring)) for one, ring in zip(made, rings, strict=True))
    assert np.allclose(ring_areas(np.concatenate(rings), offsets), shapely.area(made), rtol=1e-9)
    backwards = np.concatenate([ring[::-1] for ring in rings])
    assert (ring_areas(backwards, offsets) < 0).all()
    assert len(polygons_from_rings(np.empty((0, 2)), [0])) == 0
    assert len(ring_areas(np.empty((0, 2)), [0])) == 0
    with pytest.raises(ValueError, match="three vertices"):
        polygons_from_rings([(0, 0), (1, 1)], [0, 2])


# ---- weights --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [3, 4, 6, 11])
def test_mean_value_weights_reproduce_points_of_any_polygon(count):
    rng = np.random.default_rng(count)
    ring = _star(rng, count)
    inside = rng.uniform(-8, 8, (300, 2))
    inside = inside[shapely.contains_xy(shapely.Polygon(ring), inside)]
    weights = mean_value_weights(ring, inside)
    assert len(inside) > 20
    assert np.allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert np.allclose(weights @ ring, inside, atol=1e-9)
    # One ring each gives the same as one for all.
    assert np.array_equal(weights, mean_value_weights(np.broadcast_to(ring, (len(inside), count, 2)), inside))


def test_mean_value_weights_on_edges_and_at_vertices_rest_on_these_alone():
    ring = _star(np.random.default_rng(2), 7) + FAR
    share = 0.3
    edge = (1 - share) * ring + share * np.roll(ring, -1, axis=0)
    expected = (1 - share) * np.eye(7) + share * np.roll(np.eye(7), 1, axis=1)
    assert np.allclose(mean_value_weights(ring, edge), expected, atol=1e-7)
    assert np.array_equal(mean_value_weights(ring, ring), np.eye(7))


def test_a_straight_vertex_carries_its_own_edge():
    ring = np.array([(0, 0), (8, 0), (16, 0), (16, 12), (0, 12)], dtype=float)
    weights = mean_value_weights(ring, [(4, 0), (12, 0), (8, 0)])
    assert np.allclose(weights, [[0.5, 0.5, 0, 0, 0], [0, 0.5, 0.5, 0, 0], [0, 1, 0, 0, 0]], atol=1e-12)


# ---- gaps -----------------------------------------------------------------------------------------------------------


def test_gaps_between_things_apart_are_shapelys():
    rng = np.random.default_rng(3)
    a = np.array([shapely.Polygon(_star(rng, 6)) for _ in range(50)])
    b = np.array([shapely.Polygon(_star(rng, 5, (25, 5))) for _ in range(50)])
    gap, line = least_gap(a, b)
    assert np.array_equal(gap, shapely.distance(a, b))
    assert np.allclose(shapely.length(line), gap)


def test_touching_is_no_gap_and_no_overlap():
    gap, _ = least_gap([shapely.box(0, 0, 2, 2)], [shapely.box(2, 0, 4, 2)])
    assert gap.tolist() == [0.0]
    gap, _ = least_gap([shapely.box(0, 0, 2, 2)], [shapely.Point(1, 1)])
    assert gap.tolist() == [0.0]
    gap, line = least_gap([None], [shapely.box(0, 0, 1, 1)])
    assert np.isnan(gap[0])
    assert line[0] is None


@pytest.mark.parametrize(
    ("b", "depth"),
    [
        (shapely.box(9, -5, 20, 5), 1.0),
        (shapely.box(2, 2, 4, 3), 3.0),  # wholly inside: the nearest way out is 3 ft to the south face at y = 0
        (affinity.rotate(shapely.box(9.5, 1, 15, 5), 0), 0.5),
    ],
)
def test_depth_of_an_overlap_of_rectangles(b, depth):
    a = shapely.box(0, 0, 10, 6)
    gap, line = least_gap([a], [b])
    assert gap[0] == pytest.approx(-depth)
    assert line[0].length == pytest.approx(depth)


@given(st.floats(0, 360), st.floats(-4, 4), st.floats(-2, 2))
@settings(max_examples=60, deadline=None)
def test_an_overlap_ends_when_moved_by_its_depth_and_not_before(turn, east, north):
    a = shapely.box(0, 0, 8, 3)
    b = affinity.translate(affinity.rotate(shapely.box(2, 0, 9, 2.5), turn), east, north)
    gap, line = least_gap([a], [b])
    if not shapely.area(shapely.intersection(a, b)) > 1e-6:
        return
    (x0, y0), (x1, y1) = line[0].coords
    step = np.array([x1 - x0, y1 - y0])
    parted = affinity.translate(b, *step)
    assert shapely.area(shapely.intersection(a, parted)) < 1e-9
    # No shift by nine tenths of it parts them, whatever its direction.
    for angle in np.linspace(0, 2 * np.pi, 73):
        less = affinity.translate(b, -0.9 * gap[0] * np.cos(angle), -0.9 * gap[0] * np.sin(angle))
        assert shapely.area(shapely.intersection(a, less)) > 0


def test_depth_where_one_is_not_convex_is_the_least_width_of_what_they_share():
    angle_wall = shapely.Polygon([(0, 0), (10, 0), (10, 1), (1, 1), (1, 10), (0, 10)])
    gap, line = least_gap([angle_wall], [shapely.box(4, 0.4, 6, 5)])
    assert gap[0] == pytest.approx(-0.6)
    assert line[0].length == pytest.approx(0.6)


def test_gaps_at_state_plane_size():
    a, b = shapely.box(*FAR, *(FAR + 3)), affinity.translate(shapely.box(3.7, 0, 6, 3), *FAR)
    assert least_gap([a], [b])[0][0] == pytest.approx(0.7, abs=1e-8)


# ---- long sides -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("azimuth", [0.0, 20.3, 89.0, 90.0, 135.0, 179.9])
def test_long_axis_of_a_turned_space(azimuth):
    space = affinity.rotate(shapely.box(-2, -6, 2, 6), -azimuth, origin=(0, 0))
    got, width, length = long_axis([affinity.translate(space, *FAR)])
    assert np.cos(2 * np.radians(got[0] - azimuth)) == pytest.approx(1, abs=1e-9)
    assert (width[0], length[0]) == pytest.approx((4, 12), abs=1e-6)


def test_long_axis_has_the_least_rectangle():
    rng = np.random.default_rng(7)
    shapes = np.array([shapely.Polygon(_star(rng, int(n))) for n in rng.integers(3, 30, 60)])
    _, width, length = long_axis(shapes)
    # The slow way: turn each through a thousand directions and take the least box.
    for shape, w, le in zip(shapes[:15], width, length, strict=False):
        areas = []
        for turn in np.linspace(0, 90, 1801):
            x0, y0, x1, y1 = affinity.rotate(shape, turn, origin=(0, 0)).bounds
            areas.append((x1 - x0) * (y1 - y0))
        assert w * le <= min(areas) + 1e-9
        assert w * le == pytest.approx(min(areas), rel=2e-3)
    assert (width <= length).all()


@pytest.mark.parametrize("clockwise", [False, True])
def test_long_axis_of_quadrangles_is_that_of_their_hulls(clockwise):
    rng = np.random.default_rng(5)
    corners = np.array(FAR) + np.array([(0, 0), (12, 0), (12, 4), (0, 4)]) + rng.normal(0, 0.8, (400, 4, 2))
    corners[:100] = np.round(corners[:100])
    quads = shapely.polygons(corners[:, ::-1] if clockwise else corners)
    # one more corner on a side is no quadrangle any more, and leaves the hull as it is
    middle = np.concatenate([corners, (corners[:, 3:] + corners[:, :1]) / 2], axis=1)
    hulls = [shapely.MultiPoint(ring) for ring in middle]
    azimuth, width, length = long_axis(quads)
    again, narrow, long = long_axis(hulls)
    np.testing.assert_allclose(width, narrow, rtol=0, atol=1e-6)
    np.testing.assert_allclose(length, long, rtol=0, atol=1e-6)
    off = (azimuth - again + 90) % 180 - 90
    assert (np.abs(off) < 1e-5).mean() > 0.99  # a tie of two edges may fall either way
    boxes = shapely.minimum_rotated_rectangle(quads)
    np.testing.assert_allclose(width * length, shapely.area(boxes), rtol=1e-4)  # this far out GEOS is no nearer


def test_long_axis_does_not_depend_on_where_a_ring_starts():
    square = np.array(FAR) + np.array([(0, 0), (5, 0), (5, 5), (0, 5)])
    rings = [np.roll(ring, turn, axis=0) for ring in (square, square[::-1]) for turn in range(4)]
    assert len(set(np.column_stack(long_axis(shapely.polygons(rings))).ravel().tolist())) == 2


def test_long_axis_of_nothing_is_unknown():
    azimuth, width, _ = long_axis([None, shapely.Polygon(), shapely.box(0, 0, 1, 2)])
    assert np.isnan(azimuth[:2]).all()
    assert np.isnan(width[:2]).all()
    assert azimuth[2] == 0.0
    assert all(len(part) == 0 for part in long_axis([]))


def test_circles_and_strips():
    assert shapely.area(circles([FAR, FAR + 9], 2.0)) == pytest.approx(np.pi * 4, rel=2e-3)
    assert circles(shapely.points([(0, 0)]), 1.0)[0].contains(shapely.Point(0.99, 0))
    assert strips([shapely.LineString([(0, 0), (0, 7)])], 0.5)[0].bounds == pytest.approx((-0.5, 0, 0.5, 7))


# ---- rings that share points ----------------------------------------------------------------------------------------


def test_points_join_across_rounding_and_no_farther():
    rng = np.random.default_rng(11)
    centres = rng.uniform(0, 500, (400, 2)).round(1)
    centres = np.unique(centres, axis=0)
    near = np.repeat(np.arange(len(centres)), 3)
    xy = centres[near] + rng.uniform(-0.004, 0.004, (len(near), 2))
    group, member = join_points(xy, 0.01)
    assert len(member) == len(centres)
    assert (group.reshape(-1, 3) == group.reshape(-1, 3)[:, :1]).all()
    assert np.array_equal(group[member], np.arange(len(member)))
    apart, _ = join_points(np.array([[0.0, 0.0], [0.0102, 0.0], [0.0, 0.0102]]), 0.01)
    assert len(set(apart)) == 3
    assert len(join_points(np.empty((0, 2)), 0.01)[0]) == 0


def _brute(xy, ring, offsets, tolerance):
    found = set()
    for number in range(len(offsets) - 1):
        own = ring[offsets[number] : offsets[number + 1]]
        for place in range(len(own)):
            a, b = xy[own[place]], xy[own[(place + 1) % len(own)]]
            line = shapely.LineString([a, b])
            for point in range(len(xy)):
                p = shapely.Point(xy[point])
                ends = min(np.hypot(*(xy[point] - a)), np.hypot(*(xy[point] - b)))
                if point not in own and line.distance(p) < tolerance and ends > tolerance:
                    found.add((int(offsets[number] + place), point))
    return found


@pytest.mark.parametrize("turn", [0.0, 90.0, 31.0])
def test_points_on_edges_are_those_the_slow_way_finds(turn):
    # Bricks: every other row is set off by a third.
    rings, points = [], {}
    for row in range(4):
        for place in range(5):
            x, y = 6 * place + 2 * (row % 2), 3 * row
            rings.append([points.setdefault(p, len(points)) for p in ((x, y), (x + 6, y), (x + 6, y + 3), (x, y + 3))])
    angle = np.radians(turn)
    xy = np.array(list(points), dtype=float) @ np.array(
        [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
    )
    ring, offsets = np.concatenate(rings), np.arange(0, 4 * len(rings) + 1, 4)
    edge, point, share = points_on_edges(xy, ring, offsets, 0.01)
    assert set(zip(edge.tolist(), point.tolist(), strict=True)) == _brute(xy, ring, offsets, 0.01)
    assert len(edge) == len(set(zip(edge.tolist(), point.tolist(), strict=True))) > 20
    after = ring[next_in_ring(offsets)]
    assert np.allclose(xy[ring[edge]] * (1 - share[:, None]) + xy[after[edge]] * share[:, None], xy[point], atol=1e-9)
    longer, starts, flags = insert_in_rings(ring, offsets, edge, point, share, np.ones(len(ring), dtype=bool))
    assert np.allclose(ring_areas(xy[longer], starts), 18)
    assert flags.sum() == len(ring)
    assert np.array_equal(turns(xy, longer, starts, 0.01), flags)
    assert len(points_on_edges(xy, longer, starts, 0.01)[0]) == 0


def test_rings_are_taken_started_and_thinned():
    ring, offsets = np.array([5, 6, 7, 8, 1, 2, 3]), np.array([0, 4, 7])
    taken, starts = take_rings(ring, offsets, np.array([1, 0, 1]))
    assert taken.tolist() == [1, 2, 3, 5, 6, 7, 8, 1, 2, 3]
    assert starts.tolist() == [0, 3, 7, 10]
    turned, flags = start_where(ring, offsets, np.array([0, 0, 1, 0, 0, 1, 1], dtype=bool))
    assert turned.tolist() == [7, 8, 5, 6, 2, 3, 1]
    assert flags.tolist() == [True, False, False, False, True, True, False]
    thinner, starts = drop_vertices(ring, offsets, np.array([1, 1, 0, 1, 1, 1, 1], dtype=bool))
    assert thinner.tolist() == [5, 6, 8, 1, 2, 3]
    assert starts.tolist() == [0, 3, 6]
