"""Drives of a layout: joined to one another and to the gates, over land that takes a drive."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csgraph

from cemgis.layout import Plan, intervals, strips_across

__all__ = ["Network", "join_drives"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_EPS = 1e-6
_MOST_TRIED = 400
_SECONDS = 4.0


@dataclass(frozen=True)
class Network:
    """Drives joined to the gates.

    Parameters
    ----------
    drives : geometry
    kept, lost, unreached : ndarray of bool
        Lots that remain, that joining the drives takes, that no drive from a gate reaches.
    way : ndarray
        Cost of the way from the gate to each lot's drive; orders the phases.
    dead_ends : int
        Ends of drives farther from a crossing than the rule and without a turning circle.
    circles : int
        Turning circles at ends that no crossing could be brought near to.
    tight : int
        Inner corners that the land leaves no room to round.
    """

    drives: Any
    kept: Flags
    lost: Flags
    unreached: Flags
    way: Floats
    dead_ends: int
    circles: int = 0
    tight: int = 0


@dataclass(frozen=True)
class _Lane:
    """A stretch of one drive: u from and to, v from and to; how far it could be lengthened; lots it serves."""

    u0: float
    u1: float
    v0: float
    v1: float
    free0: float
    free1: float
    lots: int


def _lanes(laid: Plan, drivable: Any) -> tuple[list[_Lane], Ints]:
    """Stretches of drives that serve lots, and the stretch of each lot."""
    lanes: list[_Lane] = []
    of = np.full(len(laid.lots), -1, dtype=np.int64)
    width, depth, room = laid.module.frontage, laid.module.depth, laid.module.drive
    above = laid.lots[:, 1] >= laid.drives[laid.drive, 2] - _EPS
    for drive, (_, low, high) in enumerate(laid.drives):
        # a drive wider than it must be is land only within its least width from the rows on either side
        exact = high - low < room + _EPS
        for up in (True, False):
            mine = np.flatnonzero((laid.drive == drive) & ((above == up) | exact))
            if not len(mine) or (exact and not up):
                continue
            v0 = float(high - room if up else low)
            u = laid.lots[mine, 0]
            start, end = intervals(drivable, v0, room)
            if not len(start):
                start, end = np.array([u.min()]), np.array([u.max() + width])
            at = np.clip(np.searchsorted(start, u + 1e-4, side="right") - 1, 0, len(start) - 1)
            beside = (laid.lots[:, 1] + depth > v0 + _EPS) & (laid.lots[:, 1] < v0 + room - _EPS)
            others = laid.lots[beside, 0]
            for stretch in np.unique(at):
                here = at == stretch
                of[mine[here]] = len(lanes)
                first, last = float(u[here].min()), float(u[here].max()) + width
                # it may be lengthened up to the next lot that stands in its way
                left, right = others[others < first - _EPS] + width, others[others > last - width + _EPS]
                free0 = max([float(start[stretch]), *left[left <= first + _EPS].tolist()])
                free1 = min([float(end[stretch]), *right[right >= last - _EPS].tolist()])
                lanes.append(_Lane(first, last, v0, v0 + room, min(free0, first), max(free1, last), int(here.sum())))
    return lanes, of


def join_drives(laid: Plan, drivable: Any, gates: Floats, rules: Mapping[str, float]) -> Network:
    """Join the drives of a layout to one another and to the gates, and say which lots that takes.

    Links between neighbouring drives are chosen together, by an integer programme over where each may stand: all drives
    joined, every end near a crossing, the fewest lots taken; a drive that costs more than it serves is given up.

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
    width, radius, dead_end = laid.module.drive, rules["drive.inner_radius"], rules["drive.dead_end"]
    lanes, lane_of = _lanes(laid, drivable)
    boxes = laid.boxes()
    tree = shapely.STRtree(boxes)
    links = _choose(_links(laid, lanes, drivable, tree, dead_end, radius), lanes, width, dead_end)
    lanes = _lengthened(lanes, links, width)
    crosses = [(link.u, lanes[link.a].v0, max(lanes[link.a].v1, lanes[link.b].v1), [link.a, link.b]) for link in links]
    strips = [shapely.box(u, low, u + width, high) for u, low, high, _ in crosses]
    own = [shapely.box(lane.u0, lane.v0, lane.u1, lane.v1) for lane in lanes]
    # stretches joined by links are one piece
    piece = np.arange(len(lanes))
    for link in links:
        piece[piece == piece[link.b]] = piece[link.a]
    weight = np.bincount(lane_of, minlength=len(lanes))
    paths, reached, dropped, way = _paths(piece, own, strips, crosses, boxes, tree, weight, drivable, gates, width)
    crosses = [cross for cross in crosses if reached[cross[3][0]]]
    strips = [shapely.box(u, low, u + width, high) for u, low, high, _ in crosses]
    fillets, _ = _fillets(crosses, lanes, width, radius, drivable)
    ends, circles, met, dead = _ends(
        lanes, crosses, paths, reached, tree, boxes, lane_of, drivable, width, radius, dead_end
    )
    alive = [shapely.box(lane.u0, lane.v0, lane.u1, lane.v1) for lane, good in zip(lanes, reached, strict=True) if good]
    rounded, tight_paths = _rounded([*paths, *circles], alive, radius, drivable)
    built = shapely.union_all([*strips, *fillets, *rounded])
    lost = none.copy()
    if not built.is_empty:
        lost[tree.query(shapely.buffer(built, -1e-4), predicate="intersects")] = True
    u = laid.lots[:, 0]
    cut = (u < ends[lane_of, 0] - _EPS) | (u + laid.module.frontage > ends[lane_of, 1] + _EPS)
    unreached = ~(reached | dropped)[lane_of]
    lost = (lost | cut | dropped[lane_of]) & ~unreached
    kept = ~lost & ~unreached
    # a stretch is built as far as there are lots along it or something to drive to
    alive = []
    final = list(lanes)
    for k, lane in enumerate(lanes):
        along = u[kept & (lane_of == k)]
        low = min([*along.tolist(), *(first for first, _ in met[k])], default=None)
        high = max([*(along + laid.module.frontage).tolist(), *(last for _, last in met[k])], default=None)
        if reached[k] and low is not None and high is not None:
            final[k] = replace(lane, u0=low, u1=high)
            alive.append(shapely.box(low, lane.v0, high, lane.v1))
    fillets, tight = _fillets(crosses, final, width, radius, drivable)
    drives = shapely.union_all([*alive, *strips, *fillets, *rounded])
    drives, left = _smoothed(drives, boxes[kept], radius, drivable)
    tight += left
    return Network(drives, kept, lost, unreached, way[lane_of], dead, len(circles), tight + tight_paths)


# ---- links between drives -------------------------------------------------------------------------------------------

_Cross = tuple[float, float, float, list[int]]


@dataclass(frozen=True)
class _Link:
    """A way across from one stretch to the next: where, which two, what it takes, which of their four ends it serves.

    Ends are the left and right one of `a`, then of `b`; one is served when it is no farther than the rule.
    """

    u: float
    a: int
    b: int
    cost: float
    serves: tuple[bool, bool, bool, bool]


def _links(
    laid: Plan, lanes: list[_Lane], drivable: Any, tree: shapely.STRtree, dead_end: float, radius: float
) -> list[_Link]:
    """Find for every two neighbouring stretches the cheapest link of each kind; kinds differ in the ends they serve."""
    width = laid.module.drive
    table = np.array([(lane.u0, lane.u1, lane.v0, lane.v1, lane.free0, lane.free1) for lane in lanes])
    u0, u1, v0, v1, free0, free1 = table.T
    at = _places(laid, table, width)
    order = np.argsort(v0, kind="stable")
    over = (free0[order] <= at[:, None] + _EPS) & (free1[order] >= at[:, None] + width - _EPS)
    place, first, second = [], [], []
    for k, (start, end) in enumerate(zip(*strips_across(drivable, at, width), strict=True)):
        for low, high in zip(start, end, strict=True):
            held = order[over[k] & (v0[order] >= low - _EPS) & (v1[order] <= high + _EPS)]
            place += [k] * (len(held) - 1)
            first += held[:-1].tolist()
            second += held[1:].tolist()
    if not place:
        return []
    u, a, b = at[np.array(place)], np.array(first), np.array(second)
    serves = np.column_stack(
        [u - u0[a] <= dead_end, u1[a] - u - width <= dead_end, u - u0[b] <= dead_end, u1[b] - u - width <= dead_end]
    )
    cost = _takes(u, a, b, table, width, radius, tree).astype(float)
    longer = sum(np.maximum(u0[k] - u, 0.0) + np.maximum(u + width - u1[k], 0.0) for k in (a, b))
    cost += 0.01 + 1e-4 * (longer + np.maximum(v0[b] - v1[a], 0.0)) / width
    kind = (a * len(lanes) + b) * 16 + serves @ np.array([1, 2, 4, 8])
    rank = np.lexsort((cost, kind))
    # the few cheapest of each kind; what cannot be rounded costs as much as three lots more
    within = np.arange(len(rank)) - np.searchsorted(kind[rank], kind[rank])
    rank = rank[within < _KEPT]
    square = _corner_squares(u[rank], a[rank], b[rank], table, width, radius)
    shapely.prepare(drivable)
    roomy = np.array([bool(shapely.covers(drivable, item).all()) if len(item) else True for item in square])
    total = cost[rank] + np.where(roomy, 0.0, 3.0)
    best = rank[np.lexsort((total, kind[rank]))]
    total = total[np.lexsort((total, kind[rank]))]
    chosen = np.flatnonzero(np.diff(kind[best], prepend=-1))
    return [
        _Link(float(u[k]), int(a[k]), int(b[k]), float(total[m]), tuple(serves[k].tolist()))
        for m, k in zip(chosen, best[chosen], strict=True)
    ]


_KEPT = 5


def _places(laid: Plan, table: Floats, width: float) -> Floats:
    """Places worth trying for a link: along the edges of lots, and just beyond the ends of the rows."""
    edges = np.unique(laid.lots[:, 0].round(4))
    edges = np.unique(np.concatenate([edges, edges + laid.module.frontage]).round(4))
    # from, up to and across the edges, so that no more columns are touched than must be
    inner = np.unique(np.concatenate([edges, edges - width, edges - width / 2]).round(4))
    if len(inner) > _MOST_TRIED:
        inner = inner[np.linspace(0, len(inner) - 1, _MOST_TRIED).astype(np.int64)]
    u0, u1, _, _, free0, free1 = table.T
    ends = np.concatenate([u0, u0 - width, u1, u1 - width, free0, free1 - width, *laid.cuts.T[:1]])
    return np.asarray(np.unique(np.concatenate([inner, ends]).round(4)), dtype=np.float64)


def _takes(u: Floats, a: Ints, b: Ints, table: Floats, width: float, radius: float, tree: shapely.STRtree) -> Ints:
    """Lots that each link takes with its rounded corners."""
    u0, u1, v0, v1 = table.T[:4]
    parts, number = [], []

    def add(left: Floats, low: Floats, right: Floats, high: Floats) -> None:
        there = np.flatnonzero((high - low > 2 * _EPS) & (right - left > 2 * _EPS))
        parts.append(shapely.box(left[there] + _EPS, low[there] + _EPS, right[there] - _EPS, high[there] - _EPS))
        number.append(there)

    add(u, v1[a], u + width, v0[b])
    for lane, low, high in (
        (a, v1[a], np.minimum(v1[a] + radius, v0[b])),
        (b, np.maximum(v0[b] - radius, v1[a]), v0[b]),
    ):
        add(np.where(u0[lane] < u - _EPS, u - radius, u), low, np.where(u1[lane] > u + width + _EPS, u + width + radius,
            u + width), high)  # fmt: skip
    which, lot = tree.query(np.concatenate(parts), predicate="intersects")
    pairs = np.unique(np.concatenate(number)[which] * (len(tree.geometries) + 1) + lot)
    return np.bincount(pairs // (len(tree.geometries) + 1), minlength=len(u))


def _corner_squares(u: Floats, a: Ints, b: Ints, table: Floats, width: float, radius: float) -> list[Any]:
    """Squares the rounded corners of each link lie in."""
    u0, u1, v0, v1 = table.T[:4]
    out = []
    for k in range(len(u)):
        made = []
        for lane, low, high in ((a[k], v1[a[k]], v1[a[k]] + radius), (b[k], v0[b[k]] - radius, v0[b[k]])):
            if v0[b[k]] - v1[a[k]] <= _EPS:
                continue
            if u0[lane] <= u[k] - radius:
                made.append((u[k] - radius, low, u[k], high))
            if u1[lane] >= u[k] + width + radius:
                made.append((u[k] + width, low, u[k] + width + radius, high))
        out.append(shapely.box(*np.array(made).T) if made and radius > 0 else np.empty(0, dtype=object))
    return out


def _choose(links: list[_Link], lanes: list[_Lane], width: float, dead_end: float) -> list[_Link]:
    """Choose links together: an integer programme; parts that hang apart are joined by adding a cut and solving again.

    Unknowns: each link, each stretch (built or given up), each end that is left without a crossing (it will get a
    turning circle or be shortened, which is rated here at the lots beyond the rule, at most `_CIRCLE`).
    """
    if not links:
        return []
    m, n = len(links), len(lanes)
    a, b = (np.array([getattr(link, side) for link in links]) for side in "ab")
    serves = np.array([link.serves for link in links])
    lots = np.array([lane.lots for lane in lanes], dtype=float)
    size = np.array([lane.u1 - lane.u0 for lane in lanes])
    bare = np.minimum(lots * np.maximum(size - dead_end - width, 0.0) / np.maximum(size, 1.0) + 1.0, _CIRCLE)
    cost = np.concatenate([[link.cost for link in links], -lots, bare, bare])
    _, group = csgraph.connected_components(sparse.coo_array((np.ones(m), (a, b)), shape=(n, n)), directed=False)
    rows: list[tuple[Ints, Floats, float]] = []  # columns, factors, least sum
    for k in range(m):
        rows += [(np.array([k, m + lane]), np.array([-1.0, 1.0]), 0.0) for lane in (a[k], b[k])]
    for lane in range(n):
        mine = np.flatnonzero((a == lane) | (b == lane))
        if not len(mine):
            continue
        other = int(np.argmax(np.where((group == group[lane]) & (np.arange(n) != lane), lots, -1.0)))
        # joined, when it and the largest of the others that can be reached are built
        rows.append((np.append(mine, [m + lane, m + other]), np.append(np.ones(len(mine)), [-1.0, -1.0]), -1.0))
        if size[lane] <= dead_end + width:
            continue
        for side in (0, 1):
            served = mine[np.where(a[mine] == lane, serves[mine, side], serves[mine, 2 + side])]
            columns = np.concatenate([served, [m + lane, m + n + side * n + lane]])
            rows.append((columns, np.append(np.ones(len(served)), [-1.0, 1.0]), 0.0))
    chosen = np.zeros(m, dtype=bool)
    built = np.ones(n, dtype=bool)
    for _ in range(_ROUNDS):
        table = sparse.csr_array(
            (
                np.concatenate([row[1] for row in rows]),
                (np.repeat(np.arange(len(rows)), [len(row[0]) for row in rows]), np.concatenate([r[0] for r in rows])),
            ),
            shape=(len(rows), len(cost)),
        )
        got = milp(
            cost, integrality=np.ones(len(cost)), bounds=Bounds(0, 1),
            constraints=LinearConstraint(table, [row[2] for row in rows], np.inf),
            options={"time_limit": _SECONDS, "mip_rel_gap": 1e-4},
        )  # fmt: skip
        if got.x is None:
            break
        chosen, built = got.x[:m] > 0.5, got.x[m : m + n] > 0.5
        graph = sparse.coo_array((np.ones(int(chosen.sum())), (a[chosen], b[chosen])), shape=(n, n))
        _, part = csgraph.connected_components(graph, directed=False)
        weight = np.bincount(part, lots * built)
        main = int(np.argmax(weight))
        cuts = 0
        for other in np.unique(part[built]):
            leaving = np.flatnonzero((part[a] == other) != (part[b] == other))
            if other == main or not len(leaving):
                continue
            here, there = (int(np.argmax(np.where(part == which, lots * built, -1.0))) for which in (other, main))
            columns = np.append(leaving, [m + here, m + there])
            rows.append((columns, np.append(np.ones(len(leaving)), [-1.0, -1.0]), -1.0))
            cuts += 1
        if not cuts:
            break
    return [link for link, good in zip(links, chosen, strict=True) if good]


_ROUNDS = 12
_CIRCLE = 8.0


def _lengthened(lanes: list[_Lane], links: list[_Link], width: float) -> list[_Lane]:
    """Lengthen stretches to the links they hold."""
    u = {k: [link.u for link in links if k in (link.a, link.b)] for k in range(len(lanes))}
    return [
        replace(lane, u0=min([lane.u0, *u[k]]), u1=max([lane.u1, *(at + width for at in u[k])]))
        for k, lane in enumerate(lanes)
    ]


def _ends(
    lanes: list[_Lane], crosses: list[_Cross], paths: list[Any], reached: Flags, tree: shapely.STRtree,
    boxes: npt.NDArray[np.object_], lane_of: Ints, drivable: Any, width: float, radius: float, dead_end: float,
) -> tuple[Floats, list[Any], list[list[tuple[float, float]]], int]:  # fmt: skip
    """Shorten ends that lie farther from a crossing than the rule, or give them a turning circle, whichever loses less.

    Returns the ends of every stretch, the circles, where each stretch is met (from, to), and the number of ends that
    neither could help.
    """
    ends = np.array([(lane.u0, lane.u1) for lane in lanes])
    circles: list[Any] = []
    met: list[list[tuple[float, float]]] = [[] for _ in lanes]
    for u, _, _, held in crosses:
        for k in held:
            met[k].append((u, u + width))
    for path in paths:
        for k, lane in enumerate(lanes):
            shared = shapely.intersection(path, shapely.box(lane.u0, lane.v0, lane.u1, lane.v1))
            if shared.area > 0.05 * width**2:
                met[k].append((shared.bounds[0], shared.bounds[2]))
    dead = 0
    bounds = shapely.bounds(boxes)
    for k, lane in enumerate(lanes):
        if not reached[k]:
            continue
        if not met[k]:
            dead += lane.u1 - lane.u0 > dead_end + width
            continue
        first, last = min(low for low, _ in met[k]), max(high for _, high in met[k])
        mine = lane_of == k
        for side, far in ((0, first - lane.u0), (1, lane.u1 - last)):
            if far <= dead_end + _EPS:
                continue
            limit = first - dead_end if side == 0 else last + dead_end
            gone = mine & ((bounds[:, 0] < limit - _EPS) if side == 0 else (bounds[:, 2] > limit + _EPS))
            circle = _circle(lane, side, drivable, radius + width)
            taken = len(tree.query(circle, predicate="intersects")) if circle is not None else len(boxes)
            if taken < gone.sum():
                circles.append(circle)
                middle = shapely.get_coordinates(shapely.centroid(circle))[0, 0]
                met[k].append((float(middle) - width / 2, float(middle) + width / 2))
            else:
                ends[k, side] = limit
    return ends, circles, met, dead


def _circle(lane: _Lane, side: int, drivable: Any, radius: float) -> Any:
    """Make a turning circle as near to the end of a stretch as the land allows, or None."""
    v = (lane.v0 + lane.v1) / 2
    shift = np.arange(0.0, 6.0 * radius, radius / 4)
    at = lane.u0 + shift if side == 0 else lane.u1 - shift
    made = shapely.buffer(shapely.points(np.column_stack([at, np.full(len(at), v)])), radius, quad_segs=16)
    good = np.flatnonzero(shapely.covers(drivable, made))
    return made[good[0]] if len(good) else None


def _smoothed(drives: Any, lots: npt.NDArray[np.object_], radius: float, drivable: Any) -> tuple[Any, int]:
    """Round what is still sharp where no lot stands in the way, and count the corners where one does."""
    if radius <= 0 or drives.is_empty:
        return drives, 0
    closed = shapely.buffer(shapely.buffer(drives, radius, quad_segs=12), -radius, quad_segs=12)
    parts = shapely.get_parts(shapely.difference(shapely.intersection(closed, drivable), drives))
    # larger than the square of the radius: no corner but land between two drives
    parts = parts[(shapely.area(parts) > 1e-3 * radius**2) & (shapely.area(parts) < radius**2)]
    hit = np.unique(shapely.STRtree(lots).query(shapely.buffer(parts, -0.02), predicate="intersects")[0])
    blocked = np.isin(np.arange(len(parts)), hit)
    sharp = int((blocked & (shapely.area(parts) > 0.05 * radius**2)).sum())
    made = shapely.union_all([drives, *parts[~blocked]])
    # corners that lie close are one part at the full radius, too large for a corner perhaps: a little less parts them
    less = 0.98 * radius
    closed = shapely.buffer(shapely.buffer(made, less, quad_segs=12), -less, quad_segs=12)
    left = shapely.area(shapely.get_parts(shapely.difference(shapely.intersection(closed, drivable), made)))
    return made, max(sharp, int(((left > 0.05 * radius**2) & (left < radius**2)).sum()))


def _rounded(paths: list[Any], own: list[Any], radius: float, drivable: Any) -> tuple[list[Any], int]:
    """Round the inner corners of ways from the gates, and where they meet drives; count those without room for it."""
    if radius <= 0 or not paths:
        return paths, 0
    out, tight = [], 0
    lanes = np.array(own, dtype=object)
    for path in paths:
        near = shapely.buffer(path, 2.0 * radius)
        met = lanes[shapely.intersects(lanes, path)] if len(lanes) else lanes
        local = shapely.union_all([path, *shapely.intersection(met, near)])
        # closing: every inner corner gets at least this radius
        closed = shapely.buffer(shapely.buffer(local, radius, quad_segs=12), -radius, quad_segs=12)
        closed = shapely.intersection(closed, shapely.buffer(path, radius))
        legal = shapely.intersection(closed, drivable)
        short = shapely.get_parts(shapely.difference(closed, shapely.buffer(drivable, 1e-6)))
        tight += int((shapely.area(short) > 0.05 * radius**2).sum())
        out.append(shapely.union_all([path, legal]))
    return out, tight


def _fillets(
    crosses: list[_Cross], lanes: list[_Lane], width: float, radius: float, drivable: Any
) -> tuple[list[Any], int]:
    """Round the inner corners where a link meets a stretch; count those the land leaves no room for."""
    if radius <= 0:
        return [], 0
    corners: list[tuple[float, ...]] = []
    for u, low, high, held in crosses:
        for k in held:
            lane = lanes[k]
            for side, edge in ((-1, u), (1, u + width)):
                beyond = lane.u1 - edge if side > 0 else edge - lane.u0
                if beyond <= _EPS:
                    continue
                if lane.v1 < high - _EPS:
                    corners.append((edge, lane.v1, side, 1, min(beyond, 2 * radius), min(high - lane.v1, 2 * radius)))
                if lane.v0 > low + _EPS:
                    corners.append((edge, lane.v0, side, -1, min(beyond, 2 * radius), min(lane.v0 - low, 2 * radius)))
    if not corners:
        return [], 0
    u, v, side, up, beyond, across = np.array(corners, dtype=float).T

    def boxes(u0: Floats, v0: Floats, u1: Floats, v1: Floats) -> npt.NDArray[np.object_]:
        return np.asarray(
            shapely.box(np.minimum(u0, u1), np.minimum(v0, v1), np.maximum(u0, u1), np.maximum(v0, v1)), dtype=object
        )

    # the two legs of each corner; closing rounds what lies between them, however short they are
    legs = shapely.union(
        boxes(u - side * width, v - up * width, u + side * beyond, v),
        boxes(u - side * width, v - up * width, u, v + up * across),
    )
    closed = shapely.buffer(shapely.buffer(legs, radius, quad_segs=12), -radius, quad_segs=12)
    made = shapely.intersection(closed, boxes(u, v, u + side * radius, v + up * radius))
    room = shapely.covers(shapely.buffer(drivable, 1e-3), made)
    return list(made[room]), int((~room).sum())


def _paths(
    piece: Ints, own: list[Any], strips: list[Any], crosses: list[_Cross], boxes: npt.NDArray[np.object_],
    tree: shapely.STRtree, weight: Ints, drivable: Any, gates: Floats, width: float,
) -> tuple[list[Any], Flags, Flags, Floats]:  # fmt: skip
    """Shortest ways from the gates to every piece of the network, over land a drive may take, around lots if possible.

    On a grid of points a third of a drive apart (coarser on large land); a step onto a lot costs ten times its length.
    Pieces are joined one after another, each to whatever is joined already; one that has no more lots than the way to
    it takes is given up. Returns the ways, the stretches reached, those given up, and how far each stretch is.
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
        return [], np.zeros(len(own), dtype=bool), np.zeros(len(own), dtype=bool), np.full(len(own), np.inf)
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
    reached, dropped = np.zeros(len(own), dtype=bool), np.zeros(len(own), dtype=bool)
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
            made = shapely.buffer(smooth, width / 2.0, cap_style="square", join_style="round")
            if (
                not first
                and len(tree.query(shapely.buffer(made, -1e-3), predicate="intersects")) >= weight[groups[p]].sum()
            ):
                dropped[groups[p]] = True
                waiting.remove(p)
                continue
            paths.append(made)
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
    return paths, reached, dropped, np.where(np.isfinite(along), along, way)
