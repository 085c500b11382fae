"""The way to a grave: does a corridor of the machine's width lead there from a drive without touching anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from cemgis.errors import InputError

__all__ = ["Way", "find_way"]

Floats = NDArray[np.float64]

_ARC = 8  # points a quarter circle; the corridor is widened so that the polygon lies outside the true round
_MOST_NODES = 160  # corners up to which the shortest way is searched among all that see one another
_MOST_CELLS = 2_000_000
_TOUCH = 1e-6


@dataclass(frozen=True, slots=True)
class Way:
    """A way for the machine, or what stands in it.

    Parameters
    ----------
    line : LineString or None
        Middle line of the corridor, from the drive to where the machine stands; None when there is no way.
    length : float
    in_the_way : tuple of int
        When there is no way: positions of the things that the straight corridor from the nearest drive would touch,
        nearest to the drive first. Never a list of what to move.
    """

    line: Any
    length: float
    in_the_way: tuple[int, ...]


def find_way(
    stand: Any, drives: Sequence[Any], obstacles: Sequence[Any], *, width: float, margin: float = 0.0, within: float
) -> Way:
    """Find the shortest way of a machine from a drive to where it has to stand.

    Parameters
    ----------
    stand : geometry
        Where the middle of the machine may stop: an area beside the dig.
    drives : sequence of polygons
    obstacles : sequence of polygons
        What no wheel may touch.
    width : float
        Of the machine.
    margin : float
        Kept clear on both sides.
    within : float
        How far from the stand to look.

    Returns
    -------
    Way

    Raises
    ------
    InputError
        For a width that is not above 0 or a missing stand.

    Notes
    -----
    The middle of the machine keeps half its width and the margin from everything, so obstacles are widened by that;
    whether there is a way is whether one piece of the land between them touches both ends. Among few obstacles the
    shortest way runs between their vertices (visibility graph); among many it is searched on a grid and pulled tight,
    short but not the shortest. The round corners of the
    widened obstacles are polygons outside the true round, so that a way found is a way; a gap wider than the corridor
    by less than about one part in 200 may be missed. The machine's own length and turning circle are not modelled.

    Examples
    --------
    >>> wall = shapely.box(4, -10, 5, 3)
    >>> way = find_way(shapely.Point(10, 0).buffer(0.1), [shapely.box(-2, -10, 0, 10)], [wall], width=2.0, within=50)
    >>> way.line is not None, bool(shapely.distance(way.line, wall) > 1.0 - 1e-9)
    (True, True)
    """
    if not np.isfinite(width) or width <= 0:
        raise InputError.of("machine_width", f"{width:g} is no width", "Write the machine's width.")
    if stand is None or shapely.is_empty(stand):
        raise InputError.of("stand", "there is no place for the machine to stand", "Give the dig.")
    around = shapely.buffer(shapely.convex_hull(stand), within)
    roads = [road for road in drives if shapely.intersects(road, around)]
    near = [k for k, thing in enumerate(obstacles) if shapely.intersects(thing, around)]
    half = width / 2.0 + margin
    outside = half / np.cos(np.pi / (4 * _ARC))  # a polygon round a circle: its sides touch the circle
    shapes = np.array([obstacles[k] for k in near], dtype=object)
    wide = shapely.buffer(shapes, outside, quad_segs=_ARC) if len(shapes) else shapes
    blocked = shapely.union_all(wide) if len(wide) else shapely.Polygon()
    free_stand = shapely.difference(stand, blocked)
    if not roads:
        return Way(None, float("inf"), ())
    road = shapely.union_all(np.array(roads, dtype=object))
    straight = shapely.shortest_line(road, stand)
    if shapely.is_empty(free_stand):
        return Way(None, float("inf"), _touched(straight, shapes, near, half, stand))
    start = shapely.difference(road, blocked)
    if shapely.is_empty(start):
        return Way(None, float("inf"), _touched(straight, shapes, near, half, stand))
    line = _visible_way(start, free_stand, blocked, width / 5.0, within)
    if line is None:
        return Way(None, float("inf"), _touched(straight, shapes, near, half, stand))
    return Way(line, float(shapely.length(line)), ())


def _touched(
    straight: Any, shapes: NDArray[np.object_], near: Sequence[int], half: float, stand: Any
) -> tuple[int, ...]:
    """Things that a straight corridor, or the stand itself, would touch; nearest to the drive first."""
    if not len(shapes):
        return ()
    hit = (shapely.distance(shapes, straight) < half) | (shapely.distance(shapes, stand) < half)
    rows = np.flatnonzero(hit)
    begin = shapely.Point(shapely.get_coordinates(straight)[0])
    order = np.argsort(shapely.distance(shapes[rows], begin), kind="stable")
    return tuple(int(near[row]) for row in rows[order])


def _joined(start: Any, goal: Any, blocked: Any, within: float) -> Any:
    """Return the parts of the free land that reach from one area to the other, or None."""
    land = shapely.union_all([shapely.buffer(shapely.convex_hull(goal), within), start])
    free = shapely.difference(land, blocked)
    parts = shapely.get_parts(free)
    both = shapely.intersects(parts, start) & shapely.intersects(parts, goal)
    return shapely.union_all(parts[both]) if both.any() else None


def _grid_way(start: Any, goal: Any, free: Any, blocked: Any, step: float) -> Any:
    """Short way over a grid of points in free land, pulled tight; None when no grid that fine finds one."""
    low_x, low_y, high_x, high_y = shapely.bounds(free)
    shapely.prepare(free)
    for fine in (step, step / 2.0, step / 4.0):
        xs, ys = np.arange(low_x, high_x + fine, fine), np.arange(low_y, high_y + fine, fine)
        if len(xs) * len(ys) > _MOST_CELLS:
            return None
        grid_x, grid_y = np.meshgrid(xs, ys, indexing="ij")
        inside = np.flatnonzero(shapely.contains_xy(free, grid_x.ravel(), grid_y.ravel()))
        if not len(inside):
            continue
        at = np.stack([grid_x.ravel()[inside], grid_y.ravel()[inside]], axis=1)
        row = np.full(len(xs) * len(ys), -1)
        row[inside] = np.arange(len(inside))
        i, j = np.divmod(inside, len(ys))
        a_parts, b_parts = [], []
        for di, dj in ((1, 0), (0, 1), (1, 1), (1, -1)):
            ni, nj = i + di, j + dj
            ok = (ni < len(xs)) & (nj >= 0) & (nj < len(ys))
            other = np.where(ok, row[np.where(ok, ni * len(ys) + nj, 0)], -1)
            a_parts.append(np.flatnonzero(other >= 0))
            b_parts.append(other[other >= 0])
        a, b = np.concatenate(a_parts), np.concatenate(b_parts)
        seen = _clear(shapely.linestrings(np.stack([at[a], at[b]], axis=1)), blocked)
        a, b = a[seen], b[seen]
        points = shapely.points(at)
        count = len(at)
        ends = {}
        rows, cols, costs = [a], [b], [np.hypot(*(at[a] - at[b]).T)]
        for node, area in ((count, start), (count + 1, goal)):
            near = np.flatnonzero(shapely.dwithin(points, area, 2.0 * fine))
            to = shapely.shortest_line(np.full(len(near), area, dtype=object), points[near])
            clear = _clear(to, blocked)
            ends[node] = dict(zip(near[clear].tolist(), to[clear], strict=True))
            rows.append(np.full(int(clear.sum()), node))
            cols.append(near[clear])
            costs.append(shapely.length(to[clear]) + 1e-9)
        graph = sparse.coo_array(
            (np.concatenate(costs), (np.concatenate(rows), np.concatenate(cols))), shape=(count + 2, count + 2)
        ).tocsr()  # fmt: skip
        _, before = csgraph.dijkstra(graph, directed=False, indices=count, return_predecessors=True)
        if before[count + 1] < 0:
            continue
        path = [count + 1]
        while path[-1] != count:
            path.append(int(before[path[-1]]))
        inner = path[::-1][1:-1]
        first = shapely.get_coordinates(ends[count][inner[0]])[0]
        last = shapely.get_coordinates(ends[count + 1][inner[-1]])[0]
        return _tight(np.vstack([first, at[inner], last]), blocked)
    return None


def _tight(at: Floats, blocked: Any) -> Any:
    """Leave out the points of a way that can be passed by."""
    kept = [0]
    while kept[-1] < len(at) - 1:
        ahead = np.arange(kept[-1] + 1, len(at))
        lines = shapely.linestrings(np.stack([np.broadcast_to(at[kept[-1]], (len(ahead), 2)), at[ahead]], axis=1))
        clear = np.flatnonzero(_clear(lines, blocked))
        kept.append(int(ahead[clear[-1]]) if len(clear) else kept[-1] + 1)
    return shapely.LineString(at[kept])


def _visible_way(start: Any, goal: Any, blocked: Any, step: float, within: float) -> Any:
    """Way from one area to another round a blocked one, or None."""
    direct = shapely.shortest_line(start, goal)
    if _clear(np.array([direct], dtype=object), blocked)[0]:
        return direct
    free = _joined(start, goal, blocked, within)
    if free is None:
        return None
    near = shapely.intersection(blocked, shapely.convex_hull(free))
    nodes = np.unique(shapely.get_coordinates(near), axis=0)
    if len(nodes) > _MOST_NODES:
        return _grid_way(start, goal, free, blocked, step)
    nodes = np.unique(shapely.get_coordinates(blocked), axis=0)
    points = shapely.points(nodes)
    count = len(nodes)
    a, b = np.triu_indices(count, 1)
    seen = _clear(shapely.linestrings(np.stack([nodes[a], nodes[b]], axis=1)), blocked)
    import networkx as nx  # here: few ways are searched for, and it takes an eighth of a second to fetch

    graph = nx.Graph()
    graph.add_nodes_from(range(count + 2))
    long = np.hypot(*(nodes[a] - nodes[b]).T)
    graph.add_weighted_edges_from(zip(a[seen].tolist(), b[seen].tolist(), long[seen].tolist(), strict=True))
    ends = {}
    for node, area in ((count, start), (count + 1, goal)):
        to = shapely.shortest_line(np.full(count, area, dtype=object), points)
        clear = np.flatnonzero(_clear(to, blocked))
        ends[node] = to
        graph.add_weighted_edges_from((node, int(k), float(shapely.length(to[k]))) for k in clear)
    try:
        path = nx.shortest_path(graph, count, count + 1, weight="weight")
    except nx.NetworkXNoPath:
        return None
    inner = [node for node in path if node < count]
    first = shapely.get_coordinates(ends[count][inner[0]])[0]
    last = shapely.get_coordinates(ends[count + 1][inner[-1]])[0]
    return shapely.LineString(np.vstack([first, nodes[inner], last]))


def _clear(lines: NDArray[np.object_], blocked: Any) -> NDArray[np.bool_]:
    """Whether lines keep out of the inside of an area; running along its edge is allowed."""
    if shapely.is_empty(blocked):
        return np.ones(len(lines), dtype=bool)
    inside = shapely.buffer(blocked, -_TOUCH)
    shapely.prepare(inside)
    return np.asarray(~shapely.intersects(inside, lines))
