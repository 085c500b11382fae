"""The way to a grave: does a corridor of the machine's width lead there from a drive without touching anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
import shapely
from numpy.typing import NDArray

from cemgis.errors import InputError

__all__ = ["Way", "find_way"]

Floats = NDArray[np.float64]

_ARC = 8  # points a quarter circle; the corridor is widened so that the polygon lies outside the true round
_MOST_NODES = 1500
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
        For a width that is not above 0, a missing stand or too many things to search among.

    Notes
    -----
    The middle of the machine keeps half its width and the margin from everything, so obstacles are widened by that;
    the shortest way among widened obstacles runs between their vertices (visibility graph). The round corners of the
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
    around = shapely.buffer(stand, within)
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
    line = _visible_way(start, free_stand, blocked)
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


def _visible_way(start: Any, goal: Any, blocked: Any) -> Any:
    """Shortest way from one area to another round a blocked one, or None."""
    direct = shapely.shortest_line(start, goal)
    if _clear(np.array([direct], dtype=object), blocked)[0]:
        return direct
    nodes = np.unique(shapely.get_coordinates(blocked), axis=0)
    if len(nodes) > _MOST_NODES:
        raise InputError.of("way", f"{len(nodes)} corners to go round", "Look less far, or clear duplicates.")
    points = shapely.points(nodes)
    count = len(nodes)
    a, b = np.triu_indices(count, 1)
    lines = shapely.linestrings(np.stack([nodes[a], nodes[b]], axis=1))
    seen = _clear(lines, blocked)
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
