"""Geometry on arrays: rings that share points, polygons, weights inside them, least gaps, long sides."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

__all__ = [
    "circles",
    "drop_vertices",
    "insert_in_rings",
    "join_points",
    "least_gap",
    "long_axis",
    "mean_value_weights",
    "next_in_ring",
    "points_on_edges",
    "polygons_from_rings",
    "ring_areas",
    "start_where",
    "strips",
    "take_rings",
    "turns",
]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Shapes = NDArray[np.object_]

_NONE: Integers = np.empty(0, dtype=np.int64)
_CHUNK = 200_000
_QUARTER = 16  # segments of a quarter circle: a 2 ft radius is true to 0.003 ft


def polygons_from_rings(coords: ArrayLike, offsets: ArrayLike) -> Shapes:
    """Polygons without holes from rings that lie one after another in one array.

    Parameters
    ----------
    coords : (n, 2) array
        Ring vertices; a ring need not repeat its first vertex.
    offsets : (m + 1,) array
        Ring ``i`` is ``coords[offsets[i]:offsets[i + 1]]``.

    Returns
    -------
    (m,) array of Polygon

    Examples
    --------
    >>> square = polygons_from_rings([(0, 0), (2, 0), (2, 1), (0, 1)], [0, 4])
    >>> float(square[0].area)
    2.0
    """
    points = np.asarray(coords, dtype=float).reshape(-1, 2)
    starts = np.asarray(offsets, dtype=np.int64)
    count = len(starts) - 1
    if count < 1:
        return np.empty(0, dtype=object)
    if (np.diff(starts) < 3).any():
        msg = "a ring has fewer than three vertices"
        raise ValueError(msg)
    # Every ring is closed by repeating its first vertex after its last.
    closed = np.insert(points, starts[1:], points[starts[:-1]], axis=0)
    rings = starts + np.arange(count + 1)
    return np.asarray(
        shapely.from_ragged_array(shapely.GeometryType.POLYGON, closed, (rings, np.arange(count + 1))), dtype=object
    )


def ring_areas(coords: ArrayLike, offsets: ArrayLike) -> Floats:
    """Signed area of each ring, positive when it runs counterclockwise; the shoelace formula about its first vertex.

    Examples
    --------
    >>> ring_areas([(0, 0), (0, 1), (2, 1), (2, 0)], [0, 4])
    array([-2.])
    """
    points = np.asarray(coords, dtype=float).reshape(-1, 2)
    starts = np.asarray(offsets, dtype=np.int64)
    if len(starts) < 2:
        return np.empty(0)
    # Taking the first vertex off keeps the products small: coordinates are near two million.
    local = points - np.repeat(points[starts[:-1]], np.diff(starts), axis=0)
    following = np.arange(1, len(points) + 1)
    following[starts[1:] - 1] = starts[:-1]
    cross = local[:, 0] * local[following, 1] - local[following, 0] * local[:, 1]
    return np.asarray(0.5 * np.add.reduceat(cross, starts[:-1]))


def mean_value_weights(ring: ArrayLike, points: ArrayLike) -> Floats:
    """Mean value coordinates of points with respect to a polygon: weights that sum to 1 and reproduce the point.

    On an edge they are the linear weights of its two ends, at a vertex they are 1, so polygons that share an edge
    stay joined when the vertices move. After Floater, Mean value coordinates, CAGD 20 (2003), from memory.

    Parameters
    ----------
    ring : (k, 2) or (p, k, 2) array
        Vertices in order, one ring for all points or one each.
    points : (p, 2) array

    Returns
    -------
    (p, k) array

    Examples
    --------
    >>> mean_value_weights([(0, 0), (4, 0), (4, 2), (0, 2)], [(2, 1), (1, 0)])
    array([[0.25, 0.25, 0.25, 0.25],
           [0.75, 0.25, 0.  , 0.  ]])
    """
    at = np.asarray(points, dtype=float).reshape(-1, 2)
    corners = np.asarray(ring, dtype=float)
    if corners.ndim == 2:
        corners = np.broadcast_to(corners, (len(at), *corners.shape))
    to = corners - at[:, None, :]
    reach = np.linalg.norm(to, axis=2)
    to_next = np.roll(to, -1, axis=1)
    reach_next = np.roll(reach, -1, axis=1)
    cross = to[..., 0] * to_next[..., 1] - to[..., 1] * to_next[..., 0]
    dot = (to * to_next).sum(axis=2)
    edge = corners - np.roll(corners, -1, axis=1)
    edge_length = np.linalg.norm(edge, axis=2)
    size = edge_length.max(axis=1, keepdims=True)
    near = 1e-10 * size
    with np.errstate(divide="ignore", invalid="ignore"):
        # tan(angle / 2) = sin / (1 + cos); the angle is that under which the edge is seen.
        half = cross / (reach * reach_next + dot)
        weights = (np.roll(half, 1, axis=1) + half) / reach
        weights /= weights.sum(axis=1, keepdims=True)
        share = -(to * (np.roll(corners, -1, axis=1) - corners)).sum(axis=2) / edge_length**2
    on_edge = (np.abs(cross) <= near * edge_length) & (dot <= 0) & (edge_length > 0)
    rows = np.flatnonzero(on_edge.any(axis=1))
    if len(rows):
        first = on_edge[rows].argmax(axis=1)
        weights[rows] = 0.0
        part = np.clip(share[rows, first], 0.0, 1.0)
        weights[rows, first] = 1.0 - part
        weights[rows, (first + 1) % corners.shape[1]] += part
    at_vertex = reach <= near
    rows = np.flatnonzero(at_vertex.any(axis=1))
    if len(rows):
        weights[rows] = 0.0
        weights[rows, at_vertex[rows].argmax(axis=1)] = 1.0
    return np.asarray(weights)


def _padded(shapes: Shapes) -> Floats:
    """Vertices of polygons' outer rings as (n, k, 2); shorter rings repeat their last vertex."""
    coords, index = shapely.get_coordinates(shapely.get_exterior_ring(shapes), return_index=True)
    counts = np.bincount(index, minlength=len(shapes))
    width = int(counts.max())
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    take = starts[:, None] + np.minimum(np.arange(width)[None, :], counts[:, None] - 1)
    return np.asarray(coords[take])


def _separation(a: Shapes, b: Shapes) -> tuple[Floats, Floats]:
    """Least shift that parts convex polygons which overlap, and its direction (from a to b), by separating axes.

    The least shift is along a normal of an edge of one of the two.
    """
    ring_a, ring_b = _padded(a), _padded(b)
    edges = np.concatenate([np.diff(ring_a, axis=1), np.diff(ring_b, axis=1)], axis=1)
    length = np.linalg.norm(edges, axis=2, keepdims=True)
    real = length[..., 0] > 0
    normal = np.stack([-edges[..., 1], edges[..., 0]], axis=2) / np.where(length > 0, length, 1.0)
    on_a = np.einsum("nek,nvk->nev", normal, ring_a)
    on_b = np.einsum("nek,nvk->nev", normal, ring_b)
    forward = on_a.max(axis=2) - on_b.min(axis=2)  # shift of b along the normal that clears a
    backward = on_b.max(axis=2) - on_a.min(axis=2)
    depth = np.where(real, np.minimum(forward, backward), np.inf)
    best = depth.argmin(axis=1)
    rows = np.arange(len(a))
    sign = np.where(forward[rows, best] <= backward[rows, best], 1.0, -1.0)
    return depth[rows, best], normal[rows, best] * sign[:, None]


def least_gap(a: ArrayLike, b: ArrayLike) -> tuple[Floats, Shapes]:
    """Least distance of pairs of shapes, below zero by how far they overlap, and the line between the nearest points.

    How far two convex polygons overlap is the least shift that parts them; where one is not convex, the least width
    of the land they share. The line of an overlapping pair lies across that land, as long as the overlap is deep.

    Parameters
    ----------
    a, b : (n,) arrays of geometries
        Same unit.

    Returns
    -------
    gap : (n,) array
        NaN where a shape is missing or empty.
    line : (n,) array of LineString or None

    Examples
    --------
    >>> gap, line = least_gap(shapely.box([0, 0], 0, [2, 2], 2), shapely.box([5, 1.5], 0, [6, 3], 2))
    >>> gap
    array([ 3. , -0.5])
    >>> float(line[0].length)
    3.0
    """
    first, second = np.broadcast_arrays(np.asarray(a, dtype=object), np.asarray(b, dtype=object))
    gap = np.asarray(shapely.distance(first, second), dtype=float).reshape(-1)
    first, second = first.reshape(-1), second.reshape(-1)
    line = np.asarray(shapely.shortest_line(first, second), dtype=object).reshape(-1)
    touching = np.flatnonzero(gap == 0.0)
    if not len(touching):
        return gap, line
    shared = shapely.intersection(first[touching], second[touching])
    deep = shapely.area(shared) > 0.0
    touching, shared = touching[deep], shared[deep]
    for start in range(0, len(touching), 2000):
        rows, land = touching[start : start + 2000], shared[start : start + 2000]
        depth, way = _overlap(first[rows], second[rows], land)
        middle = shapely.get_coordinates(shapely.centroid(land))
        ends = np.stack([middle - 0.5 * depth[:, None] * way, middle + 0.5 * depth[:, None] * way], axis=1)
        gap[rows] = -depth
        line[rows] = shapely.linestrings(ends)
    return gap, line


def _overlap(a: Shapes, b: Shapes, land: Shapes) -> tuple[Floats, Floats]:
    """Depth of an overlap and the direction across it."""
    depth, way = np.empty(len(a)), np.empty((len(a), 2))
    hull_a, hull_b = shapely.convex_hull(a), shapely.convex_hull(b)
    convex = (shapely.area(hull_a) <= shapely.area(a) * (1 + 1e-9)) & (
        shapely.area(hull_b) <= shapely.area(b) * (1 + 1e-9)
    )
    if convex.any():
        depth[convex], way[convex] = _separation(hull_a[convex], hull_b[convex])
    rest = ~convex
    if rest.any():
        # The widest single piece of the land they share.
        parts, index = shapely.get_parts(land[rest], return_index=True)
        keep = shapely.area(parts) > 0.0
        azimuth, width, _ = long_axis(parts[keep])
        order = np.lexsort((width, index[keep]))
        last = np.flatnonzero(np.append(np.diff(index[keep][order]) > 0, [True]))
        pick = order[last]
        across = np.radians(azimuth[pick] + 90.0)
        depth[rest] = width[pick]
        way[rest] = np.column_stack([np.sin(across), np.cos(across)])
    return depth, way


def long_axis(polygons: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Direction of the long side of each polygon's least rectangle, with its width and length.

    The least rectangle round a convex polygon lies along one of its edges; all are tried.

    Parameters
    ----------
    polygons : (n,) array of Polygon
        In grid coordinates.

    Returns
    -------
    azimuth_grid : (n,) array
        Degrees from grid north, 0 up to 180: an axis has no end.
    width, length : (n,) arrays
        Short and long side. NaN for a shape that is missing or empty.

    Examples
    --------
    >>> azimuth_grid, width, length = long_axis(shapely.box([0], [0], [12], [4]))
    >>> float(azimuth_grid[0]), float(width[0]), float(length[0])
    (90.0, 4.0, 12.0)
    """
    shapes = np.atleast_1d(np.asarray(polygons, dtype=object))
    out = np.full((3, len(shapes)), np.nan)
    for start in range(0, len(shapes), _CHUNK):
        part = shapes[start : start + _CHUNK]
        quads, found = _convex_quads(part)
        out[:, start + quads] = found
        rest = np.setdiff1d(np.arange(len(part)), quads, assume_unique=True)
        if not len(rest):
            continue
        part = shapely.convex_hull(part[rest])
        counts = np.where(
            shapely.get_type_id(part) == shapely.GeometryType.POLYGON, shapely.get_num_coordinates(part), 0
        )
        for count in np.unique(counts[counts > 0]):
            rows = np.flatnonzero(counts == count)
            step = max(1, 4_000_000 // int(count) ** 2)
            for low in range(0, len(rows), step):
                some = rows[low : low + step]
                ring = shapely.get_coordinates(part[some]).reshape(len(some), int(count), 2)
                out[:, start + rest[some]] = _least_rectangle(ring)
    return out[0], out[1], out[2]


def _convex_quads(shapes: Shapes) -> tuple[Integers, Floats]:
    """Which shapes are quadrangles that are their own hull, and the azimuth, width and length of their rectangles.

    Nearly all lots and spaces are, and reading four corners is far quicker than making a hull. Edges are tried in the
    order in which `shapely.convex_hull` has them, so the answer is that of `_least_rectangle` to the last bit.
    """
    plain = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    rows = np.flatnonzero(plain & (shapely.get_num_coordinates(shapes) == 5))
    ring = shapely.get_coordinates(shapes if len(rows) == len(shapes) else shapes[rows]).reshape(-1, 5, 2)
    x, y = np.ascontiguousarray(ring[:, :4, 0].T), np.ascontiguousarray(ring[:, :4, 1].T)  # one row a corner
    following = np.array([1, 2, 3, 0])
    east, north = x[following] - x, y[following] - y
    turn = east * north[following] - north * east[following]
    size = np.abs(east) + np.abs(north)
    clear = np.abs(turn) > 1e-9 * (size * size[following])
    left = turn[0] > 0
    good = clear.all(axis=0) & ((turn > 0) == left).all(axis=0)
    if not good.all():
        rows, left = rows[good], left[good]
        x, y, east, north = (part[:, good] for part in (x, y, east, north))
    every = np.arange(len(rows))
    first = np.where(y == y.min(axis=0), x, np.inf).argmin(axis=0)  # a hull starts at the lowest corner, clockwise
    length = np.sqrt(east * east + north * north)
    east, north = east / length, north / length
    x, y = x - x[first, every], y - y[first, every]
    extent, breadth = np.empty_like(x), np.empty_like(x)
    for edge in range(4):
        extent[edge] = np.ptp(east[edge] * x + north[edge] * y, axis=0)
        breadth[edge] = np.ptp(east[edge] * y - north[edge] * x, axis=0)
    area = extent * breadth
    edge_of = np.arange(4)[:, None]
    place = np.where(left, first - 1 - edge_of, edge_of - first) % 4
    best = np.where(area <= area.min(axis=0) * (1 + 1e-9), place, 4).argmin(axis=0)
    way = np.column_stack([east[best, every], north[best, every]])
    way = np.where(left[:, None], -way, way) + 0.0  # no negative zeros
    return rows, _axis(way, extent[best, every], breadth[best, every])


def _least_rectangle(ring: Floats) -> Floats:
    edges = np.diff(ring, axis=1)
    size = np.linalg.norm(edges, axis=2, keepdims=True)
    along = edges / np.where(size > 0, size, 1.0)
    local = ring - ring[:, :1]
    x, y = np.ascontiguousarray(local[..., 0].T), np.ascontiguousarray(local[..., 1].T)
    extent, breadth = np.empty(along.shape[:2]), np.empty(along.shape[:2])
    for edge in range(along.shape[1]):  # vertices first: the extremes of many short rows are slow to find
        east, north = np.ascontiguousarray(along[:, edge].T)
        extent[:, edge] = np.ptp(east * x + north * y, axis=0)
        breadth[:, edge] = np.ptp(east * y - north * x, axis=0)
    area = np.where(size[..., 0] > 0, extent * breadth, np.inf)
    # Edges of one rectangle tie up to rounding: the first of them counts, so that equal shapes give equal answers.
    best = (area <= area.min(axis=1, keepdims=True) * (1 + 1e-9)).argmax(axis=1)
    rows = np.arange(len(ring))
    return _axis(along[rows, best], extent[rows, best], breadth[rows, best])


def _axis(way: Floats, extent: Floats, breadth: Floats) -> Floats:
    """Azimuth of the long side, width and length of rectangles that extend so far along a direction and across it."""
    turned = breadth > extent
    way = np.where(turned[:, None], np.column_stack([-way[:, 1], way[:, 0]]), way)
    azimuth = np.degrees(np.arctan2(way[:, 0], way[:, 1])) % 180.0
    azimuth = np.where(azimuth > 180.0 - 1e-9, 0.0, azimuth)
    return np.stack([azimuth, np.minimum(extent, breadth), np.maximum(extent, breadth)])


def circles(points: ArrayLike, radius: float) -> Shapes:
    """Make circles round points: (n,) geometries or (n, 2) coordinates.

    Examples
    --------
    >>> round(float(circles([(0, 0)], 1.0)[0].area), 2)
    3.14
    """
    given = np.asarray(points)
    shapes = given if given.dtype == object else shapely.points(given.astype(float).reshape(-1, 2))
    return np.asarray(shapely.buffer(shapes, radius, quad_segs=_QUARTER), dtype=object)


def strips(lines: ArrayLike, half_width: float) -> Shapes:
    """Make strips along lines, flat at the ends.

    Examples
    --------
    >>> float(strips([shapely.LineString([(0, 0), (10, 0)])], 0.5)[0].area)
    10.0
    """
    shapes: Any = np.asarray(lines, dtype=object)
    return np.asarray(shapely.buffer(shapes, half_width, quad_segs=_QUARTER, cap_style="flat", join_style="mitre"))


# ---- rings that share points ----------------------------------------------------------------------------------------


def join_points(xy: Floats, tolerance: float) -> tuple[Integers, Integers]:
    """Join points that are one: number of the group of each point, and one member of each group.

    Points within `tolerance` of each other in both x and y are one, and so are points linked by such pairs. Rounding
    alone would part two points on either side of a rounding boundary, so the distance decides.

    Parameters
    ----------
    xy : (n, 2) array
    tolerance : float

    Returns
    -------
    group : (n,) array of int
        Groups are numbered by the x, then y, of their members.
    member : (m,) array of int
        A point of each group.

    Examples
    --------
    >>> group, member = join_points(np.array([[5.0, 0.0], [0.0, 0.0049999], [0.0, 0.0050001]]), 0.01)
    >>> group.tolist(), len(member)
    ([1, 0, 0], 2)
    """
    if not len(xy):
        return _NONE, _NONE
    # First only to have fewer points: far below the tolerance, rounding does no harm.
    fine = np.round(xy / (0.1 * tolerance)).astype(np.int64)
    fine -= fine.min(axis=0)
    member, cluster = _distinct(fine[:, 0] * (int(fine[:, 1].max()) + 1) + fine[:, 1])
    some = xy[member]
    pairs = cKDTree(some, balanced_tree=False, compact_nodes=False).query_pairs(
        tolerance * (1 + 1e-6), p=np.inf, output_type="ndarray"
    )
    if not len(pairs):
        return cluster, member
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(some), len(some)))
    _, label = connected_components(graph, directed=False)
    _, first, label = np.unique(label, return_index=True, return_inverse=True)
    return label[cluster], member[first]


def _distinct(key: Integers) -> tuple[Integers, Integers]:
    """First place and inverse of `numpy.unique`; hashing a million and sorting only what differs is far quicker."""
    code, distinct = pd.factorize(key)
    order = np.argsort(distinct)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    first = np.empty(len(order), dtype=np.int64)
    first[code[::-1]] = np.arange(len(key))[::-1]  # of all that are written to one place the last one stays
    return first[order], rank[code]


def next_in_ring(offsets: Integers) -> Integers:
    """Position of the next vertex of the same ring, for each vertex of rings stored one after another.

    Examples
    --------
    >>> next_in_ring(np.array([0, 3, 6])).tolist()
    [1, 2, 0, 4, 5, 3]
    """
    following = np.arange(1, offsets[-1] + 1)
    following[offsets[1:] - 1] = offsets[:-1]
    return following


def drop_vertices(ring: Integers, offsets: Integers, keep: Flags) -> tuple[Integers, Integers]:
    """Return the rings without the vertices that are not kept, and their offsets.

    Examples
    --------
    >>> ring, offsets = drop_vertices(np.arange(4), np.array([0, 4]), np.array([True, False, True, True]))
    >>> ring.tolist(), offsets.tolist()
    ([0, 2, 3], [0, 3])
    """
    kept = np.concatenate([[0], np.cumsum(keep)])
    return ring[keep], kept[offsets]


def points_on_edges(
    xy: Floats, ring: Integers, offsets: Integers, tolerance: float, owner: Integers | None = None
) -> tuple[Integers, Integers, Floats]:
    """Find points of rings that lie on an edge of another ring, between its ends.

    Parameters
    ----------
    xy : (n, 2) array
        The points, each once.
    ring, offsets : arrays of int
        Rings as numbers of points; those that are next to each other run the same way round.
    tolerance : float
        A point nearer to the edge lies on it.
    owner : (n,) array, optional
        A point counts only for edges that start at a point of its owner.

    Returns
    -------
    edge, point, share : arrays
        Position in `ring` where the edge starts, number of the point, and how far along the edge it lies, 0 to 1.

    Examples
    --------
    >>> xy = np.array([[0, 0], [4, 0], [4, 2], [0, 2], [4, 5], [0, 5], [1, 2]], dtype=float)
    >>> ring, offsets = np.array([0, 1, 2, 3, 6, 2, 4, 5, 3]), np.array([0, 4, 9])
    >>> [part.tolist() for part in points_on_edges(xy, ring, offsets, 0.01)]
    [[2], [6], [0.75]]
    """
    following = next_in_ring(offsets)
    start, end = ring, ring[following]
    # An edge that another ring has as well is shared whole: nothing lies on it.
    size = len(xy)
    key = np.minimum(start, end) * size + np.maximum(start, end)
    code = pd.factorize(key)[0]
    edges = np.flatnonzero(np.bincount(code)[code] == 1)
    if not len(edges):
        return _NONE, _NONE, np.empty(0)
    a, b = xy[start[edges]], xy[end[edges]]
    vector = b - a
    length = np.hypot(vector[:, 0], vector[:, 1])
    long = length > 3 * tolerance
    edges, a, b, vector, length = edges[long], a[long], b[long], vector[long], length[long]
    inward = vector / length[:, None] * (1.5 * tolerance)
    low = np.minimum(a + inward, b - inward) - tolerance
    high = np.maximum(a + inward, b - inward) + tolerance
    used = np.zeros(size, dtype=bool)
    used[ring] = True
    points = np.flatnonzero(used)
    hits = _points_in_boxes(xy[points], low, high, tolerance)
    edge, point = hits[0], points[hits[1]]
    share = ((xy[point] - a[edge]) * vector[edge]).sum(axis=1) / length[edge] ** 2
    off = np.abs((xy[point, 0] - a[edge, 0]) * vector[edge, 1] - (xy[point, 1] - a[edge, 1]) * vector[edge, 0])
    between = np.minimum(share, 1 - share) * length[edge] > tolerance
    good = (off <= tolerance * length[edge]) & between
    if owner is not None:
        good &= owner[point] == owner[start[edges[edge]]]
    edge, point, share = edge[good], point[good], share[good]
    # Not where the ring already has the point.
    ring_of = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    already = np.isin(ring_of[edges[edge]] * size + point, ring_of * size + ring) if len(edge) else good[:0]
    return edges[edge[~already]], point[~already], share[~already]


def _points_in_boxes(points: Floats, low: Floats, high: Floats, tolerance: float) -> tuple[Integers, Integers]:
    """Pairs (box, point) with the point in the box.

    Boxes of edges are thin: those along an axis are looked up in points sorted along lines of that axis, which for a
    million lots is several times faster than a tree; the others go through a tree.
    """
    wide = high - low
    found: list[tuple[Integers, Integers]] = []
    rest = np.ones(len(low), dtype=bool)
    cell = 4 * tolerance
    for axis in (0, 1):
        thin = rest & (wide[:, 1 - axis] <= 3 * tolerance)
        rest &= ~thin
        if not thin.any():
            continue
        boxes = np.flatnonzero(thin)
        line = np.floor(points[:, 1 - axis] / cell).astype(np.int64)
        order = np.lexsort((points[:, axis], line))
        # One sortable number for line and place on it; lines are far enough apart not to touch.
        place = points[order, axis]
        base, extent = place.min() - 1.0, float(np.ptp(place)) + float(wide[:, axis].max()) + 4.0
        lines, rank = np.unique(line[order], return_inverse=True)
        key = rank * extent + (place - base)
        first = np.floor(low[boxes, 1 - axis] / cell).astype(np.int64)
        for shift in (0, 1):  # a thin box lies on one line or on two
            at = np.searchsorted(lines, first + shift)
            real = (at < len(lines)) & (lines[np.minimum(at, len(lines) - 1)] == first + shift)
            if shift:
                real &= np.floor(high[boxes, 1 - axis] / cell).astype(np.int64) > first
            some, row = boxes[real], at[real]
            begin = np.searchsorted(key, row * extent + np.maximum(low[some, axis] - base, 0.0), side="left")
            stop = np.searchsorted(key, row * extent + np.minimum(high[some, axis] - base, extent - 1.0), side="right")
            count = np.maximum(stop - begin, 0)
            box = np.repeat(some, count)
            within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
            point = order[np.repeat(begin, count) + within]
            inside = ((points[point] >= low[box]) & (points[point] <= high[box])).all(axis=1)
            found.append((box[inside], point[inside]))
    if rest.any():
        boxes = np.flatnonzero(rest)
        tree = shapely.STRtree(shapely.points(points))
        index, point = tree.query(shapely.box(low[boxes, 0], low[boxes, 1], high[boxes, 0], high[boxes, 1]))
        found.append((boxes[index], point.astype(np.int64)))
    if not found:
        return _NONE, _NONE
    return np.concatenate([pair[0] for pair in found]), np.concatenate([pair[1] for pair in found])


def insert_in_rings(
    ring: Integers, offsets: Integers, edge: Integers, point: Integers, share: Floats, flags: Flags
) -> tuple[Integers, Integers, Flags]:
    """Insert points into rings on the edges where they lie, in order along each edge.

    Parameters
    ----------
    ring, offsets : arrays of int
    edge, point, share : arrays
        As `points_on_edges` gives them.
    flags : array of bool
        One a vertex; what is inserted gets False.

    Returns
    -------
    ring, offsets, flags : arrays

    Examples
    --------
    >>> found = insert_in_rings(np.arange(3), np.array([0, 3]), np.array([0, 0]), np.array([8, 7]),
    ...                         np.array([0.9, 0.2]), np.ones(3, dtype=bool))
    >>> found[0].tolist(), found[1].tolist()
    ([0, 7, 8, 1, 2], [0, 5])
    """
    if not len(edge):
        return ring, offsets, flags
    order = np.lexsort((share, edge))
    at = edge[order] + 1
    longer = np.insert(ring, at, point[order])
    marks = np.insert(flags, at, np.zeros(len(order), dtype=bool))
    more = np.concatenate([[0], np.cumsum(np.bincount(edge, minlength=len(ring)))])
    return longer, offsets + more[offsets], marks


def turns(xy: Floats, ring: Integers, offsets: Integers, tolerance: float) -> Flags:
    """Say which vertices are corners, not points on a straight side to within `tolerance`.

    Examples
    --------
    >>> xy = np.array([[0, 0], [2, 0.001], [4, 0], [4, 3]])
    >>> turns(xy, np.arange(4), np.array([0, 4]), 0.01).tolist()
    [True, False, True, True]
    """
    following = next_in_ring(offsets)
    before = np.empty_like(following)
    before[following] = np.arange(len(following))
    x, y = xy[:, 0][ring], xy[:, 1][ring]
    x_back, y_back = x[before], y[before]
    x_chord, y_chord = x[following] - x_back, y[following] - y_back
    x, y = x - x_back, y - y_back
    length = np.hypot(x_chord, y_chord)
    off = np.abs(x * y_chord - y * x_chord)
    reach = x * x_chord + y * y_chord
    straight = (off <= tolerance * length) & (reach > 0) & (reach < length**2)
    return np.asarray(~straight)


def start_where(ring: Integers, offsets: Integers, flags: Flags) -> tuple[Integers, Flags]:
    """Turn each ring round so that it starts at a flagged vertex, where it has one.

    Examples
    --------
    >>> ring, flags = start_where(np.arange(3), np.array([0, 3]), np.array([False, True, False]))
    >>> ring.tolist(), flags.tolist()
    ([1, 2, 0], [True, False, False])
    """
    size = np.diff(offsets)
    seen = np.cumsum(flags)
    before: Integers = np.repeat(seen[offsets[:-1]] - flags[offsets[:-1]], size)
    lead = np.add.reduceat((seen == before).astype(np.int64), offsets[:-1])
    if not lead.any():
        return ring, flags
    lead = np.where(lead == size, 0, lead)
    local = np.arange(len(ring)) - np.repeat(offsets[:-1], size)
    take = np.repeat(offsets[:-1], size) + (local + np.repeat(lead, size)) % np.repeat(size, size)
    return ring[take], flags[take]


def take_rings(ring: Integers, offsets: Integers, order: Integers) -> tuple[Integers, Integers]:
    """Return the rings in another order, or some of them.

    Examples
    --------
    >>> ring, offsets = take_rings(np.arange(7), np.array([0, 3, 7]), np.array([1]))
    >>> ring.tolist(), offsets.tolist()
    ([3, 4, 5, 6], [0, 4])
    """
    if len(order) == len(offsets) - 1 and (order == np.arange(len(order))).all():
        return ring, offsets
    size = np.diff(offsets)[order]
    new = np.concatenate([[0], np.cumsum(size)])
    local = np.arange(new[-1]) - np.repeat(new[:-1], size)
    return ring[np.repeat(offsets[:-1][order], size) + local], new
