"""Ways on foot: the middle lines of drives as a graph, and how far each of its points is from a gate."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import networkx as nx
import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import Voronoi

__all__ = ["Leg", "Ways", "drive_ways", "legs_to"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_MOST_POINTS = 40_000
# A branch of the middle line into a corner of a drive is about as long as the drive is wide there: shorter ones are no
# way. Assumption, tried on straight, bent and crossing drives.
_STUB = 1.7
_STRAIGHT = 35.0  # degrees of a turn that is said; assumption, no source


@dataclass(frozen=True)
class Ways:
    """The middle lines of drives, and the shortest way along them to a gate.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
        In the drives' coordinates.
    lines : ndarray of int, shape (m, 2)
        Which two points a stretch joins.
    drive : ndarray of int, shape (m,)
        Row of the drive it lies on.
    parent : ndarray of int, shape (n,)
        Next point on the way to the gate; -1 at a gate and where no gate is reached.
    distance : ndarray, shape (n,)
        To the gate along the drives; infinite where none is reached.
    gate : ndarray of int, shape (n,)
        Row of that gate; -1 where none is reached.
    """

    points: Floats
    lines: Ints
    drive: Ints
    parent: Ints
    distance: Floats
    gate: Ints


@dataclass(frozen=True)
class Leg:
    """A stretch of a way that keeps its direction on one drive; the last one leaves the drives.

    Attributes
    ----------
    drive : int
        Row of the drive; -1 off the drives.
    azimuth : float
        Degrees clockwise from the y axis, from its start to its end.
    length : float
    turn : float
        Degrees to the right from the leg before; 0 for the first.
    line : ndarray, shape (k, 2)
    """

    drive: int
    azimuth: float
    length: float
    turn: float
    line: Floats


def legs_to(ways: Ways, place: Any, *, short: float) -> tuple[int, list[Leg]] | None:
    """Find the way from a gate along the drives to where they come nearest to a place, and from there to it.

    Parameters
    ----------
    ways : Ways
    place : geometry
    short : float
        Stretches shorter than this are no legs of their own.

    Returns
    -------
    (int, list of Leg) or None
        Row of the gate and the legs; None when no drive is joined to a gate.

    Examples
    --------
    >>> ways = drive_ways([shapely.box(0, 0, 300, 12), shapely.box(288, 12, 300, 100)], [[0.0, 6.0]], gap=1.0)
    >>> gate, legs = legs_to(ways, shapely.box(320, 60, 380, 95), short=20)
    >>> gate, [(leg.drive, round(leg.azimuth % 355, -1), round(leg.turn, -1)) for leg in legs]
    (0, [(0, 90.0, 0.0), (1, 0.0, -90.0), (-1, 90.0, 90.0)])
    """
    reached = np.isfinite(ways.distance)
    lines = np.flatnonzero(reached[ways.lines].all(axis=1)) if len(ways.lines) else np.zeros(0, dtype=int)
    if not len(lines):
        return None
    stretches = shapely.linestrings(ways.points[ways.lines[lines]])
    # Of the stretches that come about as near as any, the one before the middle of the place.
    off, middle = shapely.distance(stretches, place), shapely.centroid(place)
    near = int(np.argmin(np.where(off <= 1.5 * off.min() + short, shapely.distance(stretches, middle), np.inf)))
    foot = shapely.get_coordinates(shapely.shortest_line(stretches[near], middle))[0]
    there = shapely.get_coordinates(shapely.shortest_line(shapely.Point(foot), place))[1]
    ends = ways.lines[lines[near]]
    total = ways.distance[ends] + np.hypot(*(ways.points[ends] - foot).T)
    chain = [int(ends[np.argmin(total)])]
    gate = int(ways.gate[chain[0]])
    while ways.parent[chain[-1]] >= 0:
        chain.append(int(ways.parent[chain[-1]]))
    of = {frozenset(pair): int(drive) for pair, drive in zip(ways.lines.tolist(), ways.drive, strict=True)}
    nodes = chain[::-1]
    points = np.vstack([ways.points[nodes], foot])
    drives = [of[frozenset(pair)] for pair in pairwise(nodes)] + [int(ways.drive[lines[near]])]
    return gate, [*_legs(points, drives, short), _leave(points, drives, short, foot, there)]


def _azimuth(step: Floats) -> float:
    return float(np.degrees(np.arctan2(step[0], step[1])) % 360.0)


def _turned(before: float, after: float) -> float:
    return (after - before + 540.0) % 360.0 - 180.0


def _legs(points: Floats, drives: list[int], short: float) -> list[Leg]:
    """Straight stretches of a line, one for each drive and direction; short ones go with the one before."""
    parts: list[tuple[int, int, int]] = []  # drive, first and last point
    for at, drive in enumerate(drives):
        way = points[at + 1] - points[at]
        if np.hypot(*way) < short / 100.0:
            continue
        if parts:
            last, start, end = parts[-1]
            straight = abs(_turned(_azimuth(points[end] - points[start]), _azimuth(way))) < _STRAIGHT
            if np.hypot(*way) < short or (straight and drive == last):
                parts[-1] = (last, start, at + 1)
                continue
            if np.hypot(*(points[end] - points[start])) < short:
                parts[-1] = (drive, start, at + 1)
                continue
        parts.append((drive, at, at + 1))
    legs: list[Leg] = []
    for drive, start, end in parts:
        way = points[end] - points[start]
        long = float(np.hypot(*np.diff(points[start : end + 1], axis=0).T).sum())
        turn = _turned(legs[-1].azimuth, _azimuth(way)) if legs else 0.0
        legs.append(Leg(drive, _azimuth(way), long, turn, points[start : end + 1]))
    return legs


def _leave(points: Floats, drives: list[int], short: float, foot: Floats, there: Floats) -> Leg:
    """From the drive to the place; where they touch, the side on which it lies is not known and the length is 0."""
    before = _legs(points, drives, short)
    way = there - foot
    long = float(np.hypot(*way))
    azimuth = _azimuth(way) if long else (before[-1].azimuth if before else 0.0)
    turn = _turned(before[-1].azimuth, azimuth) if before and long else 0.0
    return Leg(-1, azimuth, long, turn, np.vstack([foot, there]))


def _none() -> Ways:
    some = np.zeros(0, dtype=np.int64)
    return Ways(np.zeros((0, 2)), np.zeros((0, 2), dtype=np.int64), some, some, np.zeros(0), some)


def _middle_lines(area: Any) -> nx.Graph:
    """Graph of the points as far from one side of an area as from another (edges of a Voronoi diagram)."""
    wide = 2.0 * float(shapely.area(area)) / float(shapely.length(area))
    step = max(wide / 2.0, float(shapely.length(area)) / _MOST_POINTS)
    rim = shapely.get_coordinates(shapely.segmentize(shapely.boundary(area), step))
    rim = np.unique(np.round(rim, 6), axis=0)
    if len(rim) < 4:
        return nx.Graph()
    centre = rim.mean(axis=0)
    diagram = Voronoi(rim - centre)
    ridges = np.asarray(diagram.ridge_vertices, dtype=np.int64)
    spots = diagram.vertices + centre
    shapely.prepare(area)
    inside = np.zeros(len(spots) + 1, dtype=bool)  # the last stands for infinity, which is -1
    inside[:-1] = shapely.contains_xy(area, spots)
    kept = ridges[inside[ridges].all(axis=1)]
    lines = shapely.linestrings(spots[kept])
    kept = kept[shapely.contains(area, lines)] if len(kept) else kept
    graph = nx.Graph()
    lengths = np.hypot(*(spots[kept[:, 0]] - spots[kept[:, 1]]).T) if len(kept) else np.zeros(0)
    graph.add_weighted_edges_from(zip(*kept.T.tolist(), lengths.tolist(), strict=True) if len(kept) else (), "long")
    for node in graph:
        graph.nodes[node]["at"] = spots[node]
    reach = shapely.distance(shapely.points(spots[list(graph)]), shapely.boundary(area)) if len(graph) else []
    for node, radius in zip(list(graph), np.asarray(reach).tolist(), strict=True):
        graph.nodes[node]["radius"] = radius
    return graph


def _prune(graph: nx.Graph) -> None:
    """Take off the branches that run into corners, shortest first, until none is left."""
    while True:
        stubs = []
        for leaf in [node for node in graph if graph.degree(node) == 1]:
            branch, long, last = [leaf], 0.0, None
            while graph.degree(branch[-1]) <= 2:
                onward = [other for other in graph[branch[-1]] if other != last]
                if not onward:
                    break
                long += graph.edges[branch[-1], onward[0]]["long"]
                last = branch[-1]
                branch.append(onward[0])
            end = branch[-1]
            if graph.degree(end) > 2 and long < _STUB * graph.nodes[end]["radius"]:
                stubs.append((long, branch[:-1]))
        if not stubs:
            return
        taken: set[int] = set()
        for _, branch in sorted(stubs):
            # Where two branches meet, taking one may make of the other the end of a drive: look again for it.
            if not taken.intersection(branch):
                joint = next(iter(set(graph[branch[-1]]) - set(branch)), None)
                if joint is None or graph.degree(joint) <= 2:
                    continue
                graph.remove_nodes_from(branch)
                taken.update(branch)
        if not taken:
            return


def _trim(graph: nx.Graph, radius: float) -> None:
    """Take off what is left of the branches into the last corner: points nearer to the rim than the middle is."""
    while True:
        tips = [node for node in graph if graph.degree(node) == 1 and graph.nodes[node]["radius"] < radius]
        if not tips or len(tips) >= len(graph) - 1:
            return
        graph.remove_nodes_from(tips)


def _simplified(graph: nx.Graph, tolerance: float) -> tuple[Floats, Ints]:
    """Points and stretches of a graph, with the points taken out that hardly bend a line."""
    ends = [node for node in graph if graph.degree(node) != 2]
    for part in nx.connected_components(graph):
        if all(graph.degree(node) == 2 for node in part):
            ends.append(next(iter(part)))  # a round drive
    known = set(ends)
    lines: list[list[int]] = []
    seen: set[tuple[int, int]] = set()
    for start in ends:
        for first in graph[start]:
            if (start, first) in seen:
                continue
            chain = [start, first]
            while chain[-1] not in known:
                onward = [other for other in graph[chain[-1]] if other != chain[-2]]
                if not onward:
                    break
                chain.append(onward[0])
            seen.update({(start, first), (chain[-1], chain[-2])})
            lines.append(chain)
    shapes = [shapely.LineString([graph.nodes[node]["at"] for node in chain]) for chain in lines]
    coarse = shapely.simplify(np.array(shapes, dtype=object), tolerance)
    at, index = shapely.get_coordinates(coarse, return_index=True)
    points, number = np.unique(np.round(at, 6), axis=0, return_inverse=True)
    number = number.reshape(-1)
    joined = index[1:] == index[:-1]
    pairs = np.column_stack([number[:-1], number[1:]])[joined]
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    return points, np.unique(np.sort(pairs, axis=1), axis=0).astype(np.int64)


def _met(points: Floats, lines: Ints, spots: Floats, land: Any, most: float) -> tuple[Floats, Ints, Ints]:
    """Join gates to the nearest place of the lines; -1 where one lies too far off the drives."""
    off = shapely.distance(shapely.points(spots), land)
    numbers = np.full(len(spots), -1, dtype=np.int64)
    for row, spot in enumerate(spots):
        if off[row] > most:
            continue
        stretches = shapely.linestrings(points[lines])
        gaps = shapely.distance(stretches, shapely.Point(spot))
        nearest = int(np.argmin(gaps))
        foot = shapely.get_coordinates(shapely.shortest_line(stretches[nearest], shapely.Point(spot)))[0]
        a, b = lines[nearest]
        points = np.vstack([points, foot, spot])
        here, gate = len(points) - 2, len(points) - 1
        lines = np.vstack([np.delete(lines, nearest, axis=0), [[a, here], [here, b], [here, gate]]])
        numbers[row] = gate
    return points, lines, numbers


def drive_ways(drives: npt.ArrayLike, gates: npt.ArrayLike, *, gap: float) -> Ways:
    """Find the middle lines of drives and the shortest way along them from a gate to each of their points.

    Parameters
    ----------
    drives : array_like of Polygon
    gates : array_like of float, shape (k, 2)
    gap : float
        Drives nearer to one another than this are one; a gate may lie off the drives by four times as much.

    Returns
    -------
    Ways

    Notes
    -----
    The middle line is the Voronoi diagram of points along the rim, without the branches that run into corners. In a
    drive much wider than long (a yard) it says little.

    Examples
    --------
    >>> way = drive_ways([shapely.box(0, 0, 300, 12), shapely.box(288, 12, 300, 100)], [[0.0, 6.0]], gap=1.0)
    >>> bool(abs(way.distance.max() - (294 + 88)) < 8), int(way.gate.min())
    (True, 0)
    """
    shapes = np.asarray(drives, dtype=object)
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))] if len(shapes) else shapes
    if not len(shapes):
        return _none()
    rows = np.flatnonzero(~(shapely.is_missing(np.asarray(drives, dtype=object))
                            | shapely.is_empty(np.asarray(drives, dtype=object))))  # fmt: skip
    shapes = shapely.make_valid(shapes)
    land = shapely.buffer(shapely.union_all(shapely.buffer(shapes, gap, join_style="mitre")), -gap, join_style="mitre")
    parts = shapely.get_parts(land)
    parts = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)]
    every: list[Floats] = []
    pairs: list[Ints] = []
    count = 0
    for part in parts:
        graph = _middle_lines(part)
        wide = 2.0 * float(shapely.area(part)) / float(shapely.length(part))
        _prune(graph)
        _trim(graph, 0.4 * wide)
        if not graph.number_of_edges():
            continue
        points, lines = _simplified(graph, wide / 8.0)
        every.append(points)
        pairs.append(lines + count)
        count += len(points)
    if not every:
        return _none()
    points, lines = np.vstack(every), np.vstack(pairs)
    spots = np.asarray(gates, dtype=float).reshape(-1, 2)
    points, lines, at_gate = _met(points, lines, spots, land, 4.0 * gap)
    long = np.hypot(*(points[lines[:, 0]] - points[lines[:, 1]]).T)
    graph = nx.Graph()
    graph.add_nodes_from(range(len(points)))
    graph.add_weighted_edges_from(zip(*lines.T.tolist(), long.tolist(), strict=True))
    distance = np.full(len(points), np.inf)
    parent, gate = np.full(len(points), -1, dtype=np.int64), np.full(len(points), -1, dtype=np.int64)
    starts = {int(node): row for row, node in enumerate(at_gate) if node >= 0}
    if starts:
        far, ways = nx.multi_source_dijkstra(graph, set(starts))
        for node, way in ways.items():
            distance[node] = far[node]
            parent[node] = way[-2] if len(way) > 1 else -1
            gate[node] = starts[way[0]]
    middles = shapely.points((points[lines[:, 0]] + points[lines[:, 1]]) / 2.0)
    tree = shapely.STRtree(shapes)
    drive = rows[tree.nearest(middles)]
    return Ways(points, lines, drive.astype(np.int64), parent, distance, gate)
