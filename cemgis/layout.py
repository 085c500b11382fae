"""Rows of lots on a piece of land: the best rows by dynamic programme over exact fits, and a bound nothing can pass.

Everything here is in a frame of its own: rows run along u, spaces lie along v.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from cemgis.errors import InputError
from cemgis.units import Unit, say_length

__all__ = [
    "Halves", "Module", "Plan", "RowFrame", "bound", "directions", "frame", "from_frame", "halves", "intervals",
    "most_in_column", "plan", "strips_across", "to_frame",
]  # fmt: skip

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

EPS = 1e-6
"""Lots may stick out by this much of a unit: rounding, not land."""

SCALE = 1 << 20
"""Worth of a lot: of plans with as many lots, the one with the shorter ways from the drives is worth more."""


@dataclass(frozen=True, slots=True)
class Module:
    """What is laid out: a lot, its walks and its drives; lengths in one unit.

    Parameters
    ----------
    frontage, depth : float
        Size of a lot along the row and across it.
    spaces : int
        In one lot.
    rows : int
        Most rows between two drives, and most on one side of a drive.
    walk : float
        Least gap between rows of a group.
    drive : float
        Least width of a drive.
    reach : float
        No space lies farther from its drive than this, measured across the rows to its far end.
    aligned : bool
        Whether lots of one block stand in columns.
    name : str
    kind : str
        Of its spaces: ``full``, ``cremation`` or ``infant``.
    """

    frontage: float
    depth: float
    spaces: int
    rows: int
    walk: float
    drive: float
    reach: float = math.inf
    aligned: bool = True
    name: str = "lots"
    kind: str = "full"

    def height(self, rows: int) -> float:
        """Depth of so many rows with their walks."""
        return rows * self.depth + max(rows - 1, 0) * self.walk

    @property
    def most_rows(self) -> int:
        """Most rows on one side of a drive that `reach` allows."""
        rows = self.rows
        while rows and self.height(rows) > self.reach + EPS:
            rows -= 1
        return rows

    def check(self, resolution: float, unit: Unit) -> None:
        """Raise what is wrong with it.

        Raises
        ------
        InputError
            For a size that is not above zero, that is no multiple of the resolution, or a reach that no row keeps.
        """
        sizes = {"frontage": self.frontage, "depth": self.depth, "drive": self.drive, "walk": self.walk}
        for name, value in sizes.items():
            where = f"module {self.name} {name}"
            if not (value > 0 or (name == "walk" and value == 0)) or not math.isfinite(value):
                raise InputError.of(where, f"{value} is no size", "Write a length above zero.")
            if abs(value / resolution - round(value / resolution)) > 1e-6:
                what = f"{say_length(value, unit)} is no multiple of {say_length(resolution, unit, 3)}"
                raise InputError.of(where, what, 'Change it, or the rule "layout.resolution".')
        if self.walk > self.drive:
            raise InputError.of(f"module {self.name}", "its walk is wider than its drive", "Swap them.")
        if self.rows < 1 or self.spaces < 1:
            raise InputError.of(f"module {self.name}", "it has no rows or no spaces", "Write 1 or more.")
        if self.most_rows < 1:
            what = f"even one row is deeper than the reach of {say_length(self.reach, unit)}"
            raise InputError.of(f"module {self.name}", what, "Allow a longer way from the drive.")


# ---- frames ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RowFrame:
    """A turned frame: u along the rows, v a quarter turn to the left of it."""

    origin: tuple[float, float]
    azimuth: float

    @property
    def axes(self) -> Floats:
        """Unit vectors of u and v as rows, in the grid."""
        a = math.radians(self.azimuth)
        s, c = round(math.sin(a), 15), round(math.cos(a), 15)
        return np.array([[s, c], [-c, s]])


def frame(area: Any, azimuth: float) -> RowFrame:
    """Make a frame for an area whose rows run at a grid azimuth.

    Examples
    --------
    >>> north = frame(shapely.box(100, 200, 150, 230), 0.0)
    >>> to_frame(shapely.box(100, 200, 150, 230), north).bounds  # u is north, v is west
    (0.0, -50.0, 30.0, 0.0)
    """
    low = np.floor(np.array(area.bounds[:2]))
    return RowFrame((float(low[0]), float(low[1])), float(azimuth) % 360.0)


def to_frame(shapes: Any, where: RowFrame) -> Any:
    """Turn geometries from the grid into a frame."""
    return _sound(shapely.transform(shapes, lambda xy: (xy - where.origin) @ where.axes.T))


def from_frame(shapes: Any, where: RowFrame) -> Any:
    """Turn geometries from a frame into the grid."""
    return _sound(shapely.transform(shapes, lambda uv: uv @ where.axes + where.origin))


def _sound(shapes: Any) -> Any:
    """Mend areas whose sides cross by a rounding: turned by an angle, points that nearly touched may have passed."""
    bad = ~shapely.is_valid(shapes)
    if not np.any(bad):
        return shapes
    return shapely.make_valid(shapes, method="structure", keep_collapsed=False)


# ---- what fits where ------------------------------------------------------------------------------------------------


def _edges(area: Any) -> Floats:
    """Every side of every ring, shape (n, 4): u1, v1, u2, v2."""
    parts = shapely.get_parts(area)
    parts = parts[(shapely.get_type_id(parts) == shapely.GeometryType.POLYGON)]
    rings = shapely.get_rings(parts)
    coords, of = shapely.get_coordinates(rings, return_index=True)
    if not len(coords):
        return np.empty((0, 4))
    same = of[1:] == of[:-1]
    return np.column_stack([coords[:-1][same], coords[1:][same]])


@dataclass(frozen=True)
class _Intervals:
    """Stretches of u by strip, sorted: strip number, start, end."""

    strip: Ints
    start: Floats
    end: Floats

    def of(self, strip: int) -> tuple[Floats, Floats]:
        first, last = np.searchsorted(self.strip, [strip, strip + 1])
        return self.start[first:last], self.end[first:last]


def _free(edges: Floats, v0: float, step: float, count: int, height: float) -> _Intervals:
    """Where the whole height of a strip is land: exact, for `count` strips that begin at ``v0 + j step``.

    A column of the strip is land throughout when no side of the area passes through it and its middle is inside. So
    the sides clipped to the strip, projected on u, are what is blocked, and between two blocked stretches the number
    of sides that cross the middle line on the left tells inside from outside.
    """
    low, high = np.minimum(edges[:, 1], edges[:, 3]), np.maximum(edges[:, 1], edges[:, 3])
    # strips j with v_j < high and v_j + height > low, touching left out
    first = np.floor((low + EPS - height - v0) / step).astype(np.int64) + 1
    last = np.ceil((high - EPS - v0) / step).astype(np.int64) - 1
    level = high - low < 2 * EPS
    mid = (low + high) / 2
    first[level] = np.floor((mid[level] - height + EPS - v0) / step).astype(np.int64) + 1
    last[level] = np.ceil((mid[level] - EPS - v0) / step).astype(np.int64) - 1
    first, last = np.maximum(first, 0), np.minimum(last, count - 1)
    number = np.maximum(last - first + 1, 0)
    edge = np.repeat(np.arange(len(edges)), number)
    strip = np.arange(len(edge)) - np.repeat(np.cumsum(number) - number, number) + np.repeat(first, number)
    bottom = v0 + strip * step
    u1, v1, u2, v2 = edges[edge].T
    rise = v2 - v1
    flat = np.abs(rise) < 2 * EPS
    safe = np.where(flat, 1.0, rise)

    def along(v: Floats) -> Floats:
        t = np.clip((v - v1) / safe, 0.0, 1.0)
        return np.asarray(u1 + t * (u2 - u1))

    a, b = along(bottom), along(bottom + height)
    start = np.where(flat, np.minimum(u1, u2), np.minimum(a, b))
    end = np.where(flat, np.maximum(u1, u2), np.maximum(a, b))
    middle = bottom + height / 2
    crosses = (v1 <= middle) != (v2 <= middle)
    order = np.lexsort((start, strip))
    strip, start, end, crosses = strip[order], start[order], end[order], crosses[order]
    if len(strip) < 2:
        none = np.empty(0)
        return _Intervals(np.empty(0, dtype=np.int64), none, none)
    lowest = min(float(start.min()), 0.0)
    span = float(end.max()) - lowest + 1.0
    reached = np.maximum.accumulate(end - lowest + strip * span) - strip * span + lowest
    inside = np.cumsum(crosses) % 2 == 1
    gap = (strip[1:] == strip[:-1]) & (start[1:] > reached[:-1] + EPS) & inside[:-1]
    return _Intervals(strip[:-1][gap], reached[:-1][gap], start[1:][gap])


def intervals(area: Any, v: float, height: float) -> tuple[Floats, Floats]:
    """Where a strip of land is whole across its height: starts and ends along u.

    Examples
    --------
    >>> [side.tolist() for side in intervals(shapely.box(0, 0, 50, 24), 6.0, 12.0)]
    [[0.0], [50.0]]
    """
    found = _free(_edges(area), v, 1.0, 1, height)
    return found.start, found.end


def strips_across(area: Any, at: Floats, width: float) -> tuple[list[Floats], list[Floats]]:
    """Where strips across the rows are land over their whole width: starts and ends along v, for each u in `at`.

    Examples
    --------
    >>> strips_across(shapely.box(0, 0, 50, 24), np.array([3.0, 45.0]), 12.0)[1]
    [array([24.]), array([], dtype=float64)]
    """
    edges = _edges(area)[:, [1, 0, 3, 2]]
    found = [_free(edges, float(u), 1.0, 1, width) for u in at]
    return [item.start for item in found], [item.end for item in found]


def _count(found: _Intervals, count: int, frontage: float, phases: Floats | None) -> Ints:
    """Lots that fit in each strip, shape (count, phases): in free positions, or in columns of each phase."""
    if phases is None:
        per = np.floor((found.end - found.start) / frontage + EPS)[:, None]
    else:
        last = np.floor((found.end[:, None] - phases) / frontage + EPS)
        per = np.maximum(last - np.ceil((found.start[:, None] - phases) / frontage - EPS), 0.0)
    out = np.zeros((count, per.shape[1]), dtype=np.int64)
    if len(per):
        begins = np.flatnonzero(np.diff(found.strip, prepend=-1))
        out[found.strip[begins]] = np.add.reduceat(per.astype(np.int64), begins, axis=0)
    return out


# ---- the model ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Halves:
    """Candidates: a drive's edge with rows on one side of it.

    Parameters
    ----------
    step : float
    v0 : float
        Position j lies at ``v0 + j step``.
    heights, drive, walk : list of int, int, int
        Depth of m rows, width of a drive, gap between rows, in steps.
    up, down : list of ndarray, shape (n, phases)
        Worth of m rows above a drive whose upper edge is at j; below one whose lower edge is at j: `SCALE` a lot, one
        less for every row between it and the drive. Every lot, those rows and the drive beside it lie on the land.
    most : int
        Most rows between two drives.
    phases : ndarray or None
    """

    step: float
    v0: float
    heights: list[int]
    drive: int
    walk: int
    up: list[Ints]
    down: list[Ints]
    most: int
    phases: Floats | None
    fits: list[_Intervals]


def halves(area: Any, module: Module, resolution: float) -> Halves:
    """Find every candidate of a module on an area, both in the frame of the rows."""
    edges = _edges(area)
    low, high = float(edges[:, [1, 3]].min()), float(edges[:, [1, 3]].max())
    n = math.floor((high - low) / resolution + EPS) + 1
    drive, walk = round(module.drive / resolution), round(module.walk / resolution)
    deep = [round(module.height(m) / resolution) for m in range(module.most_rows + 1)]
    phases: Floats | None = None
    if module.aligned:
        start = float(edges[:, [0, 2]].min())
        phases = np.asarray(start + resolution * np.arange(round(module.frontage / resolution)), dtype=np.float64)
    width = 1 if phases is None else len(phases)
    up, down = [np.zeros((n, width), dtype=np.int64)], [np.zeros((n, width), dtype=np.int64)]
    fits = []
    for m in range(1, module.most_rows + 1):
        found = _free(edges, low, resolution, n, module.drive + module.height(m))
        fits.append(found)
        counts = _count(found, n, module.frontage, phases)
        # Upper edge of the drive at j: the strip begins at j - drive. Lower edge at j: it begins at j - depth of rows.
        worth = counts * (SCALE - (m - 1))
        up.append(up[-1] + _shifted(worth, drive))
        down.append(down[-1] + _shifted(worth, deep[m]))
    return Halves(resolution, low, deep, drive, walk, up, down, module.rows, phases, fits)


def _shifted(values: Ints, by: int) -> Ints:
    out = np.zeros_like(values)
    if by < len(values):
        out[by:] = values[: len(values) - by]
    return out


@dataclass(frozen=True)
class _Solved:
    value: int
    phase: int
    chosen: list[tuple[str, int, int]]


def _solve(found: Halves, nth: int = 0) -> _Solved:
    """Best choice of halves: a dynamic programme over v, for all phases at once; or the best of the nth best phase.

    States at position j: ``ended[m]``, the last thing is a group begun with m rows above a drive; ``lower``, a drive's
    lower edge is at j; ``upper``, a drive's upper edge may be at j. It runs in blocks of the shortest step of the
    recursion, so that each block is a handful of array operations.
    """
    n, width = found.up[0].shape
    top = len(found.heights) - 1
    ended = np.zeros((top + 1, n, width), dtype=np.int64)
    lower, upper = np.zeros((n, width), dtype=np.int64), np.zeros((n, width), dtype=np.int64)
    never = np.int64(-(1 << 60))
    ended[1:] = never
    upper[:] = never
    block = min(found.drive, found.heights[1])

    def back(values: Ints, begin: int, end: int, by: int) -> Ints:
        out = np.full((end - begin, width), never)
        first = max(begin - by, 0)
        if end - by > first:
            out[first - (begin - by) :] = values[first : end - by]
        return out

    for begin in range(0, n, block):
        end = min(begin + block, n)
        upper[begin:end] = back(lower, begin, end, found.drive)
        if begin:
            upper[begin] = np.maximum(upper[begin], upper[begin - 1])
        upper[begin:end] = np.maximum.accumulate(upper[begin:end], axis=0)
        for m in range(top + 1):
            h = found.heights[m]
            made = back(upper, begin, end, h) + back(found.up[m], begin, end, h) * (1 if m else 0)
            if m == 0:
                made = np.maximum(made, 0)
            if begin:
                made[0] = np.maximum(made[0], ended[m, begin - 1])
            ended[m, begin:end] = np.maximum.accumulate(made, axis=0)
        best = ended[:, begin:end].max(axis=0)
        for m in range(1, top + 1):
            before = back(ended[0], begin, end, found.heights[m])
            for other in range(1, min(top, found.most - m) + 1):
                before = np.maximum(before, back(ended[other], begin, end, found.heights[m] + found.walk))
            best = np.maximum(best, before + found.down[m][begin:end])
        lower[begin:end] = best
    last = np.maximum(lower[-1], ended[:, -1].max(axis=0))
    finish = np.maximum(last, lower.max(axis=0))
    phase = int(np.argsort(-finish, kind="stable")[min(nth, len(finish) - 1)])
    value = int(finish[phase])
    chosen = _trace(found, ended[:, :, phase], lower[:, phase], phase, value)
    return _Solved(-(-value // SCALE), phase, chosen)


def _trace(found: Halves, ended: Ints, lower: Ints, phase: int, value: int) -> list[tuple[str, int, int]]:
    """Walk back through the values: the halves chosen, as side, position of the drive's edge, rows."""
    chosen: list[tuple[str, int, int]] = []
    top = len(found.heights) - 1
    ends = [m for m in range(top + 1) if ended[m, -1] == value]
    state, m, j = ("ended", ends[0], len(lower) - 1) if ends else ("lower", 0, int(np.argmax(lower == value)))
    while True:
        if state == "ended":
            value = int(ended[m, j])
            j = int(np.searchsorted(ended[m, : j + 1], value))  # values only rise with j: the first place of this one
            if m == 0 and value == 0:
                return chosen[::-1]
            j -= found.heights[m]
            if m:
                chosen.append(("up", j, m))
            value -= int(found.up[m][j, phase]) if m else 0
            state, j = "lower", int(np.searchsorted(np.maximum.accumulate(lower[: j - found.drive + 1]), value))
            continue
        value = int(lower[j])
        here = [k for k in range(top + 1) if ended[k, j] == value]
        if here:
            state, m = "ended", here[0]
            continue
        for rows in range(1, top + 1):
            rest = value - int(found.down[rows][j, phase])
            at = j - found.heights[rows]
            if at >= 0 and ended[0, at] == rest:
                state, m = "ended", 0
            else:
                others = [
                    k
                    for k in range(1, min(top, found.most - rows) + 1)
                    if at - found.walk >= 0 and ended[k, at - found.walk] == rest
                ]
                if not others:
                    continue
                state, m, at = "ended", others[0], at - found.walk
            chosen.append(("down", j, rows))
            j = at
            break
        else:  # pragma: no cover - the values were made by the same sums
            msg = "the way back does not add up"
            raise RuntimeError(msg)


@dataclass(frozen=True)
class Plan:
    """Rows of lots in the frame they were made in.

    Parameters
    ----------
    module : Module
    lots : ndarray, shape (n, 2)
        u, v of each lot's corner of least u and v.
    block, row : ndarray of int, shape (n,)
        Block, and row numbered through all blocks.
    rank : ndarray of int, shape (n,)
        Number of the lot's row counted from its drive, from 1.
    drive : ndarray of int, shape (n,)
        Row of `drives` it is served by.
    drives : ndarray, shape (m, 3)
        Block, v of the lower edge, v of the upper edge.
    cuts : ndarray, shape (c, 2)
        u of both edges of cross drives between blocks.
    """

    module: Module
    lots: Floats
    block: Ints
    row: Ints
    rank: Ints
    drive: Ints
    drives: Floats
    cuts: Floats

    @property
    def spaces(self) -> int:
        """Spaces in all lots."""
        return len(self.lots) * self.module.spaces

    def boxes(self) -> npt.NDArray[np.object_]:
        """Lots as rectangles."""
        u, v = self.lots.T
        return np.asarray(shapely.box(u, v, u + self.module.frontage, v + self.module.depth), dtype=object)

    def take(self, keep: npt.NDArray[np.bool_]) -> Plan:
        """Return the plan with some of its lots."""
        return replace(self, lots=self.lots[keep], block=self.block[keep], row=self.row[keep], rank=self.rank[keep],
                       drive=self.drive[keep])  # fmt: skip


def _lay(area: Any, module: Module, resolution: float, nth: int) -> tuple[int, Plan]:
    """Best rows of one block."""
    found = halves(area, module, resolution)
    solved = _solve(found, nth)
    lots: list[Floats] = []
    row: list[Ints] = []
    rank: list[Ints] = []
    drive: list[Ints] = []
    drives: list[tuple[float, float, float]] = []
    n_rows = 0
    for side, j, m in solved.chosen:
        edge = found.v0 + j * found.step
        lower = edge if side == "down" else edge - module.drive
        if drives and lower < drives[-1][2] - EPS:  # the drive below, or one that overlaps it: one wider drive
            drives[-1] = (0.0, drives[-1][1], max(drives[-1][2], lower + module.drive))
        else:
            drives.append((0.0, lower, lower + module.drive))
        for i in range(1, m + 1):
            strip = j - found.drive if side == "up" else j - found.heights[i]
            start, end = found.fits[i - 1].of(strip)
            if found.phases is None:
                first, number = start, np.floor((end - start) / module.frontage + EPS).astype(np.int64)
            else:
                phase = float(found.phases[solved.phase])
                begins = np.ceil((start - phase) / module.frontage - EPS)
                number = (np.floor((end - phase) / module.frontage + EPS) - begins).clip(min=0).astype(np.int64)
                first = phase + begins * module.frontage
            u = np.concatenate([a + module.frontage * np.arange(k) for a, k in zip(first, number, strict=True)] or [[]])
            v = edge + (i - 1) * (module.depth + module.walk)
            if side == "down":
                v = edge - i * module.depth - (i - 1) * module.walk
            lots.append(np.column_stack([u, np.full(len(u), v)]))
            row.append(np.full(len(u), n_rows))
            rank.append(np.full(len(u), i))
            drive.append(np.full(len(u), len(drives) - 1))
            n_rows += 1

    def joined(parts: list[Any], kind: Any, shape: tuple[int, ...]) -> Any:
        return np.concatenate(parts).astype(kind) if parts else np.empty(shape, dtype=kind)

    made = Plan(
        module, joined(lots, np.float64, (0, 2)), np.zeros(sum(map(len, row)), dtype=np.int64),
        joined(row, np.int64, (0,)), joined(rank, np.int64, (0,)), joined(drive, np.int64, (0,)),
        np.array(drives, dtype=float).reshape(-1, 3), np.empty((0, 2)),
    )  # fmt: skip
    return solved.value, made


def _parts(area: Any, module: Module) -> list[Any]:
    """Pieces of an area that are large enough for a lot, the largest first."""
    parts = shapely.get_parts(area)
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    parts = parts[shapely.area(parts) >= module.frontage * (module.depth + module.drive) - EPS]
    return [parts[at] for at in np.argsort(-shapely.area(parts), kind="stable")]


def _cut(
    part: Any, module: Module, resolution: float, tries: int, depth: int
) -> tuple[int, list[Any], list[tuple[float, float]]]:
    """Split a block by cross drives where that gains lots; rated with free columns on a coarser grid."""
    coarse = replace(module, aligned=False)
    value = _solve(halves(part, coarse, resolution)).value
    left, _, right, _ = part.bounds
    if depth == 0 or right - left < 4 * module.frontage + module.drive:
        return value, [part], []
    best: tuple[int, list[Any], list[tuple[float, float]]] = (value, [part], [])
    for u in np.linspace(left, right, tries + 2)[1:-1]:
        sides = _sides(part, float(u), module)
        if not all(sides):
            continue
        total = sum(_solve(halves(item, coarse, resolution)).value for side in sides for item in side)
        if total > best[0]:
            best = (total, [item for side in sides for item in side], [(float(u), float(u) + module.drive)])
    if best[2]:
        again = [_cut(item, module, resolution, tries, depth - 1) for item in best[1]]
        total = sum(item[0] for item in again)
        return total, [p for item in again for p in item[1]], best[2] + [c for item in again for c in item[2]]
    return best


def _sides(part: Any, u: float, module: Module) -> tuple[list[Any], list[Any]]:
    left, low, right, high = part.bounds
    one = shapely.intersection(part, shapely.box(left - 1, low - 1, u, high + 1))
    two = shapely.intersection(part, shapely.box(u + module.drive, low - 1, right + 1, high + 1))
    return _parts(one, module), _parts(two, module)


def plan(area: Any, module: Module, resolution: float, *, tries: int = 0, splits: int = 2, nth: int = 0) -> Plan:
    """Lay out the best rows of a module on an area, both in the frame of the rows.

    At one resolution and one direction, the best there is for groups of at most ``module.rows`` rows between drives,
    each lot reached straight across its group from a drive on the land. Pieces of land that are apart are blocks with
    their own rows and columns; with `tries` a piece is also split by cross drives where that gains.

    Parameters
    ----------
    area : Polygon or MultiPolygon
    module : Module
    resolution : float
        Step of the rows across, and of the columns where they are aligned.
    tries : int
        Places tried for each cross drive; 0 for none.
    splits : int
        How often a piece may be halved.
    nth : int
        Take the columns whose best rows come so far after the best of all; 0 for those.

    Returns
    -------
    Plan

    Examples
    --------
    >>> lots = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12)
    >>> made = plan(shapely.box(0, 0, 100, 60), lots, 0.5)  # drive between two groups of two rows of six lots
    >>> len(made.lots), made.spaces, made.drives.tolist()
    (24, 96, [[0.0, 24.0, 36.0]])
    """
    pieces: list[Any] = []
    cuts: list[tuple[float, float]] = []
    for part in _parts(area, module):
        if tries:
            _, more, cut = _cut(part, module, max(resolution, _coarse(module, resolution)), tries, splits)
            pieces += more
            cuts += cut
        else:
            pieces.append(part)
    made: list[Plan] = []
    rows = drives = 0
    for block, piece in enumerate(pieces):
        _, one = _lay(piece, module, resolution, nth)
        lanes = one.drives.copy()
        lanes[:, 0] = block
        made.append(replace(one, block=one.block + block, row=one.row + rows, drive=one.drive + drives, drives=lanes))
        rows += int(one.row.max()) + 1 if len(one.row) else 0
        drives += len(lanes)
    if not made:
        none = np.empty(0, dtype=np.int64)
        return Plan(module, np.empty((0, 2)), none, none, none, none, np.empty((0, 3)), np.empty((0, 2)))
    return Plan(
        module, np.concatenate([item.lots for item in made]), np.concatenate([item.block for item in made]),
        np.concatenate([item.row for item in made]), np.concatenate([item.rank for item in made]),
        np.concatenate([item.drive for item in made]), np.concatenate([item.drives for item in made]),
        np.array(cuts, dtype=float).reshape(-1, 2),
    )  # fmt: skip


def _coarse(module: Module, resolution: float) -> float:
    """Largest of 4, 2, 1 times the resolution that divides every size across the rows."""
    for factor in (4, 2):
        step = factor * resolution
        if all(abs(size / step - round(size / step)) < 1e-6 for size in (module.depth, module.walk, module.drive)):
            return step
    return resolution


# ---- the bound ------------------------------------------------------------------------------------------------------


def most_in_column(length: npt.ArrayLike, module: Module) -> Ints:
    """Most lots one above the other on so much land, with a drive after every group of rows.

    Examples
    --------
    >>> lots = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12)
    >>> most_in_column([11.9, 12, 24, 59.9, 60, 96], lots).tolist()
    [0, 1, 2, 3, 4, 6]
    """
    size = np.asarray(length, dtype=float) + EPS
    group = module.height(module.rows)
    full = np.floor((size + module.drive) / (group + module.drive)).astype(np.int64)
    rest = size - full * (group + module.drive)
    more = np.floor((rest + module.walk) / (module.depth + module.walk)).astype(np.int64)
    return np.asarray(full * module.rows + np.clip(more, 0, module.rows - 1), dtype=np.int64)


def bound(area: Any, module: Module, *, phases: int = 64) -> int:
    """Lots that no layout in this direction can pass, whatever its blocks, columns and places of rows.

    Lines across the rows stand one frontage apart; each lot is met by exactly one of them. So the lots are no more
    than the sum over the lines of what fits on the land of each, drives on the outside free; and that holds wherever
    the first line stands, so that the least sum counts. It needs no raster.

    Parameters
    ----------
    area : Polygon or MultiPolygon
        In the frame of the rows.
    module : Module
    phases : int
        Places of the first line tried.

    Examples
    --------
    >>> lots = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12)
    >>> bound(shapely.box(0, 0, 100, 60), lots)
    24
    """
    edges = _edges(area)
    if not len(edges):
        return 0
    left, right = float(edges[:, [0, 2]].min()), float(edges[:, [0, 2]].max())
    # Lines off every round number, so that none runs along a side.
    step = module.frontage / phases
    shift = step * 0.381966
    number = math.ceil((right - left) / step) + 1
    swapped = edges[:, [1, 0, 3, 2]]
    found = _lines(swapped, left + shift, step, number)
    fits = most_in_column(found.end - found.start, module)
    per_line = np.bincount(found.strip, weights=fits, minlength=number).astype(np.int64)
    sums = np.bincount(np.arange(number) % phases, weights=per_line, minlength=phases)
    return int(sums.min())


def _lines(edges: Floats, v0: float, step: float, count: int) -> _Intervals:
    """Land along lines ``v = v0 + j step``: between each pair of crossings."""
    low, high = np.minimum(edges[:, 1], edges[:, 3]), np.maximum(edges[:, 1], edges[:, 3])
    first = np.maximum(np.ceil((low - v0) / step).astype(np.int64), 0)
    last = np.minimum(np.ceil((high - v0) / step).astype(np.int64) - 1, count - 1)
    number = np.maximum(last - first + 1, 0)
    edge = np.repeat(np.arange(len(edges)), number)
    strip = np.arange(len(edge)) - np.repeat(np.cumsum(number) - number, number) + np.repeat(first, number)
    u1, v1, u2, v2 = edges[edge].T
    at = u1 + (v0 + strip * step - v1) / np.where(v2 == v1, 1.0, v2 - v1) * (u2 - u1)
    order = np.lexsort((at, strip))
    strip, at = strip[order], at[order]
    return _Intervals(strip[::2], at[::2], at[1::2])


def directions(azimuths: Sequence[float]) -> list[float]:
    """Directions of rows, each once: half a turn makes no other rows.

    Examples
    --------
    >>> directions([0.0, 180.0, 90.0, 269.99999])
    [0.0, 90.0]
    """
    kept: list[float] = []
    for azimuth in azimuths:
        plain = round(azimuth % 180.0, 4) % 180.0
        if all(min(abs(plain - other), 180.0 - abs(plain - other)) > 0.05 for other in kept):
            kept.append(plain)
    return kept
