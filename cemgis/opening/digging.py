"""Where the dig lies: square in its space, or shifted and turned so that the least earth left is largest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from cemgis.geometry import least_gap
from cemgis.opening.model import Dig, Floats
from cemgis.ties import dig_corners

__all__ = [
    "ALMOST",
    "STEP",
    "dig_frame",
    "place_dig",
    "span_through",
]

STEP = 1.0 / 24.0  # half an inch of a foot; digs are shifted by whole steps


ALMOST = 1e-9


_TURN = 0.5  # degrees; digs are turned by whole steps


def dig_frame(azimuth: float) -> tuple[Floats, Floats]:
    """Return unit vectors ahead (to the heads) and to the right of it."""
    turn = math.radians(azimuth)
    ahead = np.array([math.sin(turn), math.cos(turn)])
    return ahead, np.array([ahead[1], -ahead[0]])


def span_through(shape: Any, through: Floats, way: Floats) -> tuple[float, float]:
    """From where to where a line through a point lies in a shape, along `way`."""
    line = shapely.LineString([through - way * 1e3, through + way * 1e3])
    inside = shapely.get_coordinates(shapely.intersection(shape, line))
    reach = (inside - through) @ way if len(inside) else np.zeros(1)
    return float(reach.min()), float(reach.max())


def place_dig(
    space: Any, heads_azimuth: float, container: tuple[float, float], *, room: float,
    head_strip: float | None, things: Sequence[Any] = (), needed: ArrayLike = (), step: float = STEP, turn: float = 0.0,
) -> Dig:  # fmt: skip
    """Lay the dig square into its space, or shifted across it, or turned, so that the least clearance is largest.

    It starts behind the foundation strip, as far as the space is long enough. It stays in the middle if everything
    is far enough away there, and is else shifted by whole steps, at most so far that the container itself stays in
    the space. Only if that is not enough, it is turned about its middle as well, where that gains half a step or more.

    Parameters
    ----------
    space : Polygon
    heads_azimuth : float
        Degrees from grid north, from feet to heads.
    container : (float, float)
        Width and length.
    room : float
        Cut beyond the container on every side.
    head_strip : float or None
        None lays it in the middle.
    things : sequence of m polygons
    needed : (m,) array
        Earth that each asks for.
    step : float
    turn : float
        Degrees by which it may be turned at most, in steps of half a degree.

    Examples
    --------
    >>> row = [shapely.box(0, -3.5, 7.5, -0.5), shapely.box(0, 4.5, 7.5, 7.5)]
    >>> dig = place_dig(shapely.box(0, 0, 12, 4), 270.0, (3.0, 7.5), room=0.5, head_strip=2.0, things=row,
    ...                 needed=[0.3, 0.3])
    >>> dig.gaps.round(9).tolist(), dig.shift, dig.from_head_line, dig.outside
    ([0.5, 0.5], 0.0, 2.0, 0.0)
    >>> crooked = [row[0], shapely.box(0, 4.1, 7.5, 7.1)]
    >>> place_dig(shapely.box(0, 0, 12, 4), 270.0, (3.0, 7.5), room=0.5, head_strip=2.0, things=crooked,
    ...           needed=[0.3, 0.3], step=0.1).gaps.round(3).tolist()
    [0.3, 0.3]
    """
    ahead, right = dig_frame(heads_azimuth)
    width, length = container[0] + 2.0 * room, container[1] + 2.0 * room
    middle = shapely.get_coordinates(shapely.centroid(space))[0]
    foot, head = span_through(space, middle, ahead)
    spare = max(head - foot - length, 0.0)
    strip = spare / 2.0 if head_strip is None else min(head_strip, spare)
    along = middle + ahead * (head - strip - length / 2.0)
    left_edge, right_edge = span_through(space, along, right)
    across = along + right * (left_edge + right_edge) / 2.0
    shapes = np.asarray(list(things), dtype=object)
    asked = np.asarray(needed, dtype=float)

    best = _Laid(np.zeros(1), np.zeros(1))
    best_gaps = _gaps(_digs(best, across, heads_azimuth, width, length), shapes)
    if len(shapes) and (best_gaps[0] < asked).any():
        most = max((right_edge - left_edge - container[0]) / 2.0, 0.0)
        count = int(most / step + 1e-9)
        shifts = np.arange(-count, count + 1, dtype=np.float64) * step
        best, best_gaps = _best(
            _Laid(shifts, np.zeros(len(shifts))), across, heads_azimuth, (width, length), shapes, asked
        )
        if turn > 0 and _spare(best_gaps, asked)[0] < -ALMOST:
            turns = np.arange(1, int(turn / _TURN + 1e-9) + 1) * _TURN
            both = np.concatenate([-turns, turns])
            trial = _Laid(np.tile(shifts, len(both)), np.repeat(both, len(shifts)))
            # turned, the container itself must stay in its space
            inner = _digs(trial, across, heads_azimuth, container[0], container[1])
            kept = shapely.covers(shapely.buffer(space, 1e-6), inner)
            if kept.any():
                trial = _Laid(trial.shift[kept], trial.turn[kept])
                other, other_gaps = _best(trial, across, heads_azimuth, (width, length), shapes, asked)
                if _spare(other_gaps, asked)[0] > _spare(best_gaps, asked)[0] + step / 2.0:
                    best, best_gaps = other, other_gaps
    azimuth = (heads_azimuth + float(best.turn[0])) % 360.0
    corners = dig_corners(across + right * best.shift[0], azimuth, width, length)
    outside = shapely.distance(shapely.points(corners), space)
    far = float(outside.max())
    return Dig(corners, azimuth, width, length, float(best.shift[0]), strip, far if far > 1e-9 else 0.0, best_gaps[0],
               float(best.turn[0]))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Laid:
    """Ways to lay a dig: moved to the right (n,), and turned (n,) by degrees clockwise."""

    shift: Floats
    turn: Floats


def _digs(laid: _Laid, across: Floats, azimuth: float, width: float, length: float) -> NDArray[np.object_]:
    _, right = dig_frame(azimuth)
    rings = [
        dig_corners(across + right * shift, azimuth + turn, width, length)
        for shift, turn in zip(laid.shift, laid.turn, strict=True)
    ]
    return np.asarray(shapely.polygons(np.stack(rings)))


def _gaps(digs: NDArray[np.object_], shapes: NDArray[np.object_]) -> Floats:
    """Least gaps (n, m) between n digs and m things; negative by how far they overlap."""
    if not len(shapes):
        return np.empty((len(digs), 0))
    first, second = np.repeat(digs, len(shapes)), np.tile(shapes, len(digs))
    out = np.asarray(shapely.distance(first, second), dtype=float)
    over = np.flatnonzero(out <= 0)
    if len(over):
        out[over] = least_gap(first[over], second[over])[0]
    return out.reshape(len(digs), len(shapes))


def _spare(gaps: Floats, asked: Floats) -> Floats:
    """Return what is left over what is asked, at worst; more than enough counts as enough."""
    return np.asarray(np.minimum((gaps - asked).min(axis=1), 0.0))


def _best(
    laid: _Laid, across: Floats, azimuth: float, size: tuple[float, float], shapes: NDArray[np.object_], asked: Floats
) -> tuple[_Laid, Floats]:
    """Best of several ways to lay a dig: the least moved that satisfies all, else the one with the largest gap."""
    gaps = _gaps(_digs(laid, across, azimuth, *size), shapes)
    spare = _spare(gaps, asked)
    moved = np.abs(laid.shift) + np.abs(np.radians(laid.turn)) * size[1] / 2.0
    counts = np.isfinite(asked)
    least = gaps[:, counts].min(axis=1) if counts.any() else np.zeros(len(gaps))
    good = np.flatnonzero(spare >= -ALMOST)
    if len(good):
        pick = int(good[np.argmin(moved[good])])
    else:
        pick = int(np.lexsort((moved, -np.round(least, 9), -np.round(spare, 9)))[0])
    return _Laid(laid.shift[[pick]], laid.turn[[pick]]), gaps[[pick]]
