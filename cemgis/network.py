"""Drives of a layout: joined to one another and to the gates, over land that takes a drive."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy import sparse
from scipy.sparse import csgraph

from cemgis.layout import Plan, intervals, strips_across

__all__ = ["Network", "join_drives"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Network:
    """Drives joined to the gates.

    Parameters
    ----------
    drives : geometry
    kept, lost, unreached : ndarray of bool
        Lots that remain, that a joining drive takes, that no drive from a gate reaches.
    way : ndarray
        Cost of the way from the gate to each lot's drive; orders the phases.
    dead_ends : int
        Ends of drives farther from a crossing than the rule.
    """

    drives: Any
    kept: npt.NDArray[np.bool_]
    lost: npt.NDArray[np.bool_]
    unreached: npt.NDArray[np.bool_]
    way: Floats
    dead_ends: int


@dataclass(frozen=True)
class _Lane:
    """A stretch of one drive: u from and to, v from and to, drive's number, block."""

    u0: float
    u1: float
    v0: float
    v1: float
    drive: int
    block: int


def _lanes(laid: Plan, drivable: Any) -> tuple[list[_Lane], Ints]:
    """Stretches of drives that serve lots, and the stretch of each lot."""
    lanes: list[_Lane] = []
    of = np.full(len(laid.lots), -1, dtype=np.int64)
    width = laid.module.frontage
    room = laid.module.drive
    above = laid.lots[:, 1] >= laid.drives[laid.drive, 2] - 1e-6
    for drive, (block, low, high) in enumerate(laid.drives):
        # a drive wider than it must be is land only within its least width from the rows on either side
        exact = high - low < room + 1e-6
        for up in (True, False):
            mine = np.flatnonzero((laid.drive == drive) & ((above == up) | exact))
            if not len(mine) or (exact and not up):
                continue
            v0 = float(high - room if up else low)
            u = laid.lots[mine, 0]
            start, _ = intervals(drivable, v0, room)
            if not len(start):
                start = np.array([u.min()])
            at = np.clip(np.searchsorted(start, u + 1e-4, side="right") - 1, 0, len(start) - 1)
            for stretch in np.unique(at):
                here = at == stretch
                of[mine[here]] = len(lanes)
                first, last = float(u[here].min()), float(u[here].max()) + width
                lanes.append(_Lane(first, last, v0, v0 + room, drive, int(block)))
    return lanes, of


def join_drives(laid: Plan, drivable: Any, gates: Floats, rules: Mapping[str, float]) -> Network:
    """Join the drives of a layout to one another and to the gates, and say which lots that takes.

    Parameters
    ----------
    laid : Plan
    drivable : geometry
        In the frame of the layout.
    gates : ndarray, shape (n, 2)
        The same.
    rules : mapping of str to float
        ``drive.dead_end``, ``drive.inner_radius``.
    """
    n = len(laid.lots)
    none = np.zeros(n, dtype=bool)
    if not n:
        return Network(shapely.Polygon(), none, none, none, np.empty(0), 0)
    width = laid.module.drive
    lanes, lane_of = _lanes(laid, drivable)
    boxes = laid.boxes()
    tree = shapely.STRtree(boxes)
    crosses, dead = _crosses(laid, lanes, drivable, rules["drive.dead_end"], rules["drive.inner_radius"])
    strips = [shapely.box(u, low, u + width, high) for u, low, high, _ in crosses]
    own = [shapely.box(lane.u0, lane.v0, lane.u1, lane.v1) for lane in lanes]
    # stretches joined by crosses are one piece
    piece = np.arange(len(lanes))
    for _, _, _, joined in crosses:
        piece[np.isin(piece, piece[joined])] = piece[joined[0]]
    paths, reached, way = _paths(piece, own, strips, crosses, boxes, drivable, gates, width)
    there = [reached[cross[3][0]] for cross in crosses]
    strips = [strip for strip, good in zip(strips, there, strict=True) if good]
    fillets = _fillets(
        [cross for cross, good in zip(crosses, there, strict=True) if good], lanes, width, rules["drive.inner_radius"],
        drivable,
    )  # fmt: skip
    built = shapely.union_all([*strips, *fillets, *paths])
    lost = none.copy()
    if not built.is_empty:
        lost[tree.query(shapely.buffer(built, -1e-4), predicate="intersects")] = True
    unreached = ~reached[lane_of] & ~lost
    kept = ~lost & ~unreached
    alive = [item for item, good in zip(own, reached, strict=True) if good]
    drives = shapely.union_all([*alive, built])
    return Network(drives, kept, lost, unreached, way[lane_of], dead)


_MOST_TRIED = 400
_Cross = tuple[float, float, float, list[int]]


def _crosses(laid: Plan, lanes: list[_Lane], drivable: Any, dead_end: float, radius: float) -> tuple[list[_Cross], int]:
    """Cross drives of every block: enough to join its stretches and to keep dead ends short, taking few lots.

    Greedy, with three weights of land against use; what turns out not to be needed is taken out again, and the set
    that takes the fewest lots is kept.
    """
    made: list[_Cross] = []
    bad = 0
    for block in sorted({lane.block for lane in lanes}):
        mine = [k for k, lane in enumerate(lanes) if lane.block == block]
        chains, takes_of = _chains(laid, lanes, mine, block, drivable, radius)
        spans = np.array([(lanes[k].u0, lanes[k].u1, lanes[k].v0, lanes[k].v1) for k in mine])
        best: tuple[int, int, int] | None = None
        kept: list[_Chain] = []
        for weight in _WEIGHTS:
            chosen = _choose(chains, spans, laid.module.drive, dead_end, weight)
            chosen = _trim(chosen, spans, laid.module.drive, dead_end, takes_of)
            pieces, ends = _state(chosen, spans, laid.module.drive, dead_end)
            taken = int(np.any([item.takes for item in chosen], axis=0).sum()) if chosen else 0
            if best is None or (pieces, len(ends), taken) < best:
                best, kept = (pieces, len(ends), taken), chosen
        bad += best[1] if best is not None else 0
        made += [(item.u, item.v0, item.v1, [mine[m] for m in item.held]) for item in kept]
    return made, bad


_WEIGHTS = (0.02, 0.2, 1.0)


@dataclass(frozen=True)
class _Chain:
    """A cross drive that could be: where, which stretches of the block it meets, which lots of the block it takes."""

    u: float
    v0: float
    v1: float
    held: list[int]
    takes: npt.NDArray[np.bool_]


def _chains(
    laid: Plan, lanes: list[_Lane], mine: list[int], block: int, drivable: Any, radius: float
) -> tuple[list[_Chain], _Takes]:
    width, module = laid.module.drive, laid.module
    here = laid.block == block
    lots, beside, drive_of = laid.lots[here], laid.rank[here] == 1, laid.drive[here]
    spans = np.array([(lanes[k].u0, lanes[k].u1, lanes[k].v0, lanes[k].v1) for k in mine])
    drives = np.array([lanes[k].drive for k in mine])

    def takes_of(u: float, v0: float, v1: float, held: list[int]) -> npt.NDArray[np.bool_]:
        between = (lots[:, 1] + module.depth > v0 + 1e-6) & (lots[:, 1] < v1 - 1e-6)
        # the rounded corners reach the rows that lie along the drives crossed
        wide = radius * (beside & np.isin(drive_of, drives[held]))
        left, right = u - wide + 1e-6, u + width + wide - 1e-6
        return np.asarray(between & (lots[:, 0] < right) & (lots[:, 0] + module.frontage > left))

    low, high = float(spans[:, 0].min()), float(spans[:, 1].max())
    # from, up to and across the edges of lot columns, so that no more columns are touched than must be
    edges = np.unique(lots[:, 0].round(4))
    edges = np.unique(np.concatenate([edges, edges + module.frontage]).round(4))
    at = np.concatenate([edges, edges - width, edges - width / 2, spans[:, 0], spans[:, 1] - width])
    at = np.unique(at[(at >= low - 1e-6) & (at <= high - width + 1e-6)].round(4))
    if len(at) > _MOST_TRIED:
        at = at[np.linspace(0, len(at) - 1, _MOST_TRIED).astype(np.int64)]
    made = []
    for u, first, last in zip(at.tolist(), *strips_across(drivable, at, width), strict=True):
        over = (spans[:, 0] <= u + 1e-6) & (spans[:, 1] >= u + width - 1e-6)
        for start, end in zip(first, last, strict=True):
            held = np.flatnonzero(over & (spans[:, 2] >= start - 1e-6) & (spans[:, 3] <= end + 1e-6))
            if len(held) < 2:
                continue
            made.append(_chain(float(u), held.tolist(), spans, takes_of))
    return made, takes_of


_Takes = Callable[[float, float, float, list[int]], npt.NDArray[np.bool_]]


def _chain(u: float, held: list[int], spans: Floats, takes_of: _Takes) -> _Chain:
    v0, v1 = float(spans[held, 2].min()), float(spans[held, 3].max())
    return _Chain(u, v0, v1, held, takes_of(u, v0, v1, held))


def _trim(chosen: list[_Chain], spans: Floats, width: float, dead_end: float, takes_of: _Takes) -> list[_Chain]:
    """Take out cross drives and ends of them that nothing needs, those that take the most lots first."""
    pieces, ends = _state(chosen, spans, width, dead_end)

    def as_good(other: list[_Chain]) -> bool:
        now = _state(other, spans, width, dead_end)
        return now[0] <= pieces and len(now[1]) <= len(ends)

    for chain in sorted(chosen, key=lambda item: -int(item.takes.sum())):
        rest = [item for item in chosen if item is not chain]
        if as_good(rest):
            chosen = rest
            continue
        held = sorted(chain.held, key=lambda k: float(spans[k, 2]))
        for side in (0, -1):
            while len(held) > 2:
                fewer = held[1:] if side == 0 else held[:-1]
                if not as_good([*rest, replace(chain, held=fewer)]):
                    break
                held = fewer
        chosen = [*rest, _chain(chain.u, held, spans, takes_of)]
    return chosen


def _state(chosen: list[_Chain], spans: Floats, width: float, dead_end: float) -> tuple[int, list[tuple[int, float]]]:
    """Pieces the stretches fall into, and ends that are too far from a crossing: stretch and u."""
    piece = np.arange(len(spans))
    first, last = np.full(len(spans), np.inf), np.full(len(spans), -np.inf)
    for chain in chosen:
        held = np.array(chain.held)
        piece[np.isin(piece, piece[held])] = piece[held[0]]
        first[held] = np.minimum(first[held], chain.u)
        last[held] = np.maximum(last[held], chain.u + width)
    alone = np.isinf(first)
    long = alone & (spans[:, 1] - spans[:, 0] > dead_end + width)
    left = np.flatnonzero(long | (~alone & (first - spans[:, 0] > dead_end)))
    right = np.flatnonzero(long | (~alone & (spans[:, 1] - last > dead_end)))
    ends = [(int(k), float(spans[k, 0])) for k in left] + [(int(k), float(spans[k, 1])) for k in right]
    return len(np.unique(piece)), ends


def _choose(chains: list[_Chain], spans: Floats, width: float, dead_end: float, weight: float) -> list[_Chain]:
    """Choose cross drives one after another by use over land."""
    if not chains:
        return []
    chosen: list[int] = []
    gone = np.zeros(len(chains[0].takes), dtype=bool)
    u = np.array([chain.u for chain in chains])
    holds = np.zeros((len(chains), len(spans)), dtype=bool)
    for number, chain in enumerate(chains):
        holds[number, chain.held] = True
    takes = np.array([chain.takes for chain in chains])
    piece = np.arange(len(spans))
    while True:
        _, ends = _state([chains[k] for k in chosen], spans, width, dead_end)
        joins = np.array([len(set(piece[chain.held].tolist())) - 1 for chain in chains])
        helps = np.zeros(len(chains), dtype=np.int64)
        for stretch, end in ends:
            helps += holds[:, stretch] & (np.abs(u + width / 2 - end) <= dead_end + width / 2)
        use = joins + helps
        if not use.any():
            break
        lost = (takes & ~gone).sum(axis=1)
        best = int(np.argmax(use / (1.0 + weight * lost)))
        chosen.append(best)
        gone |= takes[best]
        piece[np.isin(piece, piece[chains[best].held])] = piece[chains[best].held[0]]
    return [chains[k] for k in chosen]


def _fillets(crosses: list[_Cross], lanes: list[_Lane], width: float, radius: float, drivable: Any) -> list[Any]:
    """Round the inner corners where a cross drive meets a stretch."""
    if radius <= 0:
        return []
    corners: list[tuple[float, float, int, int]] = []
    for u, low, high, held in crosses:
        for k in held:
            lane = lanes[k]
            for side, edge in ((-1, u), (1, u + width)):
                if (side < 0 and lane.u0 > edge - radius) or (side > 0 and lane.u1 < edge + radius):
                    continue
                if lane.v1 < high - 1e-6:
                    corners.append((edge, lane.v1, side, 1))
                if lane.v0 > low + 1e-6:
                    corners.append((edge, lane.v0, side, -1))
    if not corners:
        return []
    table = np.array(corners, dtype=float)
    far = table[:, :2] + radius * table[:, 2:]
    low_uv, high_uv = np.minimum(table[:, :2], far), np.maximum(table[:, :2], far)
    squares = shapely.box(*low_uv.T, *high_uv.T)
    made = shapely.difference(squares, shapely.buffer(shapely.points(far), radius, quad_segs=12))
    return list(made[shapely.covers(drivable, made)])


def _paths(
    piece: Ints, own: list[Any], strips: list[Any], crosses: list[_Cross], boxes: npt.NDArray[np.object_],
    drivable: Any, gates: Floats, width: float,
) -> tuple[list[Any], npt.NDArray[np.bool_], Floats]:  # fmt: skip
    """Shortest ways from the gates to every piece of the network, over land a drive may take, around lots if possible.

    On a grid of points a third of a drive apart (coarser on large land); a step onto a lot costs ten times its length.
    Pieces are joined one after another, each to whatever is joined already.
    """
    low_u, low_v, high_u, high_v = drivable.bounds
    step = max(width / 3.0, math.sqrt((high_u - low_u) * (high_v - low_v) / 250_000.0))
    u, v = np.arange(low_u + step / 2, high_u, step), np.arange(low_v + step / 2, high_v, step)
    shape = (len(v), len(u))
    grid = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    entry = shapely.intersection(shapely.buffer(shapely.points(gates), 1.5 * width), drivable)
    room = shapely.union_all([shapely.buffer(drivable, -width / 2.0), *entry])
    shapely.prepare(room)
    free = shapely.contains_xy(room, *grid.T)
    number = np.full(len(grid), -1, dtype=np.int64)
    number[free] = np.arange(int(free.sum()))
    if not free.any():
        return [], np.zeros(len(own), dtype=bool), np.full(len(own), np.inf)
    points = grid[free]
    lots = shapely.union_all(boxes)
    shapely.prepare(lots)
    dear = np.where(shapely.contains_xy(shapely.buffer(lots, width / 3.0), *points.T), 10.0, 1.0)
    lanes_area = shapely.union_all([*own, *strips])
    shapely.prepare(lanes_area)
    dear[shapely.contains_xy(lanes_area, *points.T)] = 0.5
    index = number.reshape(shape)
    sources, targets, costs = [], [], []
    for dv, du in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = index[: shape[0] - dv, max(0, -du) : shape[1] - max(0, du)].ravel()
        b = index[dv:, max(0, du) : shape[1] - max(0, -du)].ravel()
        both = (a >= 0) & (b >= 0)
        sources.append(a[both])
        targets.append(b[both])
        costs.append(step * math.hypot(dv, du) * (dear[a[both]] + dear[b[both]]) / 2)
    n = len(points)
    graph = sparse.coo_array(
        (np.concatenate(costs), (np.concatenate(sources), np.concatenate(targets))), shape=(n, n)
    ).tocsr()
    groups = {int(p): [k for k in range(len(own)) if piece[k] == p] for p in np.unique(piece)}
    cells: dict[int, Ints] = {}
    for p, group in groups.items():
        parts = [own[k] for k in group] + [
            strip for strip, cross in zip(strips, crosses, strict=True) if piece[cross[3][0]] == p
        ]
        area = shapely.union_all(parts)
        shapely.prepare(area)
        inside = np.flatnonzero(shapely.contains_xy(area, *points.T))
        cells[p] = inside
    reached = np.zeros(len(own), dtype=bool)
    way = np.full(len(own), np.inf)
    paths: list[Any] = []
    starts = np.array([int(np.argmin(np.hypot(*(points - gate).T))) for gate in gates])
    joined = np.unique(starts)
    waiting = {p for p, inside in cells.items() if len(inside)}
    first = True
    while waiting:
        dist, before, _ = csgraph.dijkstra(
            graph, directed=False, indices=joined, return_predecessors=True, min_only=True
        )
        near = {p: int(cells[p][np.argmin(dist[cells[p]])]) for p in waiting}
        p = min(near, key=lambda item: float(dist[near[item]]))
        end = near[p]
        if not np.isfinite(dist[end]):
            break
        trail = [end]
        while before[trail[-1]] >= 0:
            trail.append(int(before[trail[-1]]))
        line = points[trail]
        if first or trail[-1] in set(starts.tolist()):
            gate = gates[int(np.argmin(np.hypot(*(gates - line[-1]).T)))]
            line = np.vstack([line, gate])
        if len(line) > 1:
            smooth = shapely.simplify(shapely.LineString(line), step * 0.75)
            paths.append(shapely.buffer(smooth, width / 2.0, cap_style="square", join_style="round"))
        first = False
        reached[groups[p]] = True
        for k in groups[p]:
            way[k] = float(dist[end])
        joined = np.unique(np.concatenate([joined, np.array(trail), cells[p]]))
        waiting.remove(p)
    legal = shapely.buffer(drivable, 1e-6)
    paths = [shapely.intersection(item, legal) for item in paths]
    # how far each stretch is, along the drives: the same graph on the cells of drives alone
    roads = shapely.union_all([lanes_area, *paths])
    shapely.prepare(roads)
    on = shapely.contains_xy(roads, *points.T)
    on[starts] = True
    number = np.full(n, -1, dtype=np.int64)
    number[on] = np.arange(int(on.sum()))
    inner = graph[np.flatnonzero(on)][:, np.flatnonzero(on)]
    far = csgraph.dijkstra(inner, directed=False, indices=number[starts], min_only=True)
    cell, lane = shapely.STRtree(shapely.points(points[on])).query(np.array(own, dtype=object), predicate="contains")[
        ::-1
    ]
    along = np.full(len(own), np.inf)
    np.minimum.at(along, lane, far[cell])
    return paths, reached, np.where(np.isfinite(along), along, way)
