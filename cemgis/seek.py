"""Unfound markers: how to tape to where each should stand, in what order to walk, and which would teach the most."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from cemgis.adjust import radius_95
from cemgis.errors import InputError
from cemgis.ties import TieNumbers, tie_jacobian
from cemgis.units import Unit, say_length

__all__ = [
    "AIMS",
    "Lesson",
    "PointTies",
    "inflation",
    "point_ties",
    "say_lesson",
    "teach_most",
    "walk_length",
    "walk_order",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AIMS = ("worst", "sum")
"""What a choice of markers is to make small: the worst space, or the summed variance of all."""

_POWER = {"worst": (6, 24), "sum": (1, 1)}
"""Power sum that is made small, choosing one after another and exchanging: a high one follows the worst space, and a
lower one still tells two bad spaces from one."""
_ROUNDS = 6
_MOST_ANCHORS = 12
_MOST_SWAPS = 2000
_MOST_WORK = 400_000_000  # legs looked at; beyond some 2,000 places hardly anything is turned round
_CHUNK = 4_000_000
_AS_GOOD = 1.05  # a radius larger by 5 % is as good; no source
_SINE = 0.35  # of the least angle between a check tie and the others, about 20 degrees; no source


# ---- what teaches most ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lesson:
    """Markers in the order in which finding them helps most.

    Parameters
    ----------
    chosen : (k,) array of int
        Candidates, the best first.
    worst : (k + 1,) array
        Largest 95 % radius of the spaces before any is found, after the first, and so on.
    total : (k + 1,) array
        Summed variance of the spaces.
    radius : (s,) array
        95 % radius of every space after all are found.
    """

    chosen: Ints
    worst: Floats
    total: Floats
    radius: Floats


def teach_most(
    spaces: ArrayLike, cross: ArrayLike, candidates: ArrayLike, reading: ArrayLike, count: int, *, aim: str = "worst",
    factor: ArrayLike = 1.0,
) -> Lesson:  # fmt: skip
    """Choose the markers that would make the spaces surest if they were found, one after another.

    Parameters
    ----------
    spaces : (s, 2, 2) array
        Covariance of the spaces' middles.
    cross : (s, 2, 2 c) array
        Covariance of spaces and candidates, E, N of the first candidate first.
    candidates : (2 c, 2 c) array
        Covariance of the candidates, as each would stand.
    reading : (2, 2) array
        Covariance with which a found marker would be read.
    count : int
    aim : str
        One of `AIMS`.
    factor : float or (s,) array
        By which a space's 95 % radius is larger than that of its covariance alone (few degrees of freedom).

    Returns
    -------
    Lesson

    Raises
    ------
    InputError
        For an unknown aim.

    Notes
    -----
    A found marker is an observation of its corner, so the covariance of all else falls by
    ``C (S + R)^-1 C'``, whatever is found there: what will be learned is known before anybody digs. Greedy choice;
    for the summed variance of one-dimensional Gaussian fields it is near the best there is (Krause, Singh and Guestrin
    2008, from memory). Then one chosen marker is exchanged for another while that helps, which matters where the worst
    space counts: there a greedy choice alone can be worse than filling the largest gaps.

    Examples
    --------
    >>> corners = np.kron(np.diag([4.0, 1.0, 0.25]), np.eye(2))
    >>> spaces = np.tile(np.eye(2), (3, 1, 1)) * np.array([4.0, 1.0, 0.25])[:, None, None]
    >>> found = teach_most(spaces, corners.reshape(3, 2, 6), corners, 0.01 * np.eye(2), 2)
    >>> found.chosen.tolist(), found.worst.round(2).tolist()
    ([0, 1], [4.9, 2.45, 1.22])
    """
    if aim not in AIMS:
        raise InputError.of("aim", f"{aim!r} is none", f"One of: {', '.join(AIMS)}.")
    start = _Known.of(spaces, cross, candidates, reading)
    c = start.own.shape[0]
    scale = np.broadcast_to(np.asarray(factor, dtype=float), (len(start.cov),))
    scores = (_Score(_POWER[aim][0], scale**2), _Score(_POWER[aim][1], scale**2))
    everyone = np.arange(c)
    chosen = _greedy(start, everyone, min(count, c), scores[0])
    if count < c:
        chosen = _exchanged(start, chosen, scores[1])
        chosen = _greedy(start, np.array(chosen, dtype=np.int64), len(chosen), scores[0])
    worst, total, now = [_largest(start.cov, scale)], [start.total], start
    for row in chosen:
        now = now.found(row)
        worst.append(_largest(now.cov, scale))
        total.append(now.total)
    return Lesson(np.array(chosen, dtype=np.int64), np.array(worst), np.array(total), _radius(now.cov) * scale)


@dataclass(frozen=True)
class _Known:
    """What is known of spaces and candidates once some are found."""

    cov: Floats  # (s, 2, 2)
    link: Floats  # (s, 2, c, 2)
    own: Floats  # (c, 2, c, 2)
    noise: Floats

    @classmethod
    def of(cls, spaces: ArrayLike, cross: ArrayLike, candidates: ArrayLike, reading: ArrayLike) -> _Known:
        cov, among = np.array(spaces, dtype=float), np.array(candidates, dtype=float)
        c = among.shape[0] // 2
        link = np.array(cross, dtype=float).reshape(len(cov), 2, c, 2)
        return cls(cov, link, among.reshape(c, 2, c, 2), np.asarray(reading, dtype=float))

    @property
    def total(self) -> float:
        return float(np.trace(self.cov, axis1=1, axis2=2).sum())

    def found(self, row: int) -> _Known:
        """Return what is known when that candidate is found as well."""
        weight = np.linalg.inv(self.own[row, :, row, :] + self.noise)
        column, here = self.link[:, :, row], self.own[:, :, row]
        return _Known(
            self.cov - np.einsum("sxy,yz,swz->sxw", column, weight, column),
            self.link - np.einsum("sxz,cwz->sxcw", column @ weight, here),
            self.own - np.einsum("cxz,dwz->cxdw", here @ weight, here),
            self.noise,
        )


@dataclass(frozen=True)
class _Score:
    """A power sum of the spaces' variances: how bad a state is."""

    power: int
    scale2: Floats

    def of(self, known: _Known, rows: Ints) -> Floats:
        """Score of finding each of some candidates besides, relative to the worst space now."""
        inverse = np.linalg.inv(known.own[rows, :, rows, :] + known.noise)
        now = np.trace(known.cov, axis1=1, axis2=2)
        top = float((now * self.scale2).max()) if len(now) else 1.0
        score = np.zeros(len(rows))
        step = max(1, _CHUNK // (4 * max(len(rows), 1)))
        for first in range(0, len(now), step):
            part = slice(first, first + step)
            tie = known.link[part][:, :, rows]
            gain = np.einsum("sxcy,cyz,sxcz->sc", tie, inverse, tie, optimize=True)
            rest = ((np.maximum(now[part, None] - gain, 0.0) * self.scale2[part, None]) / (top or 1.0)) ** self.power
            score += rest.sum(axis=0)
        return score * (top or 1.0) ** self.power


def _greedy(start: _Known, among: Ints, count: int, score: _Score) -> list[int]:
    known, left, chosen = start, list(among.tolist()), []
    for _ in range(count):
        rows = np.array(left, dtype=np.int64)
        best = int(rows[np.argmin(score.of(known, rows))])
        known = known.found(best)
        left.remove(best)
        chosen.append(best)
    return chosen


def _exchanged(start: _Known, chosen: Sequence[int], score: _Score) -> list[int]:
    """Exchange one chosen candidate for another as long as that helps."""
    best = list(chosen)
    for _ in range(_ROUNDS):
        before = list(best)
        for place in range(len(best)):
            known = start
            for other in best[:place] + best[place + 1 :]:
                known = known.found(other)
            rows = np.setdiff1d(np.arange(start.own.shape[0]), best[:place] + best[place + 1 :])
            value = score.of(known, rows)
            here = int(np.flatnonzero(rows == best[place])[0])
            if value.min() < value[here] * (1.0 - 1e-9):
                best[place] = int(rows[int(np.argmin(value))])
        if best == before:
            break
    return best


def _radius(cov: Floats) -> Floats:
    return np.asarray(radius_95(cov)) if len(cov) else np.empty(0)


def _largest(cov: Floats, scale: Floats) -> float:
    return float((_radius(cov) * scale).max()) if len(cov) else 0.0


def say_lesson(labels: Sequence[str], lesson: Lesson, where: str, unit: Unit) -> str:
    """Say what finding the chosen markers would do.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> lesson = Lesson(np.array([1, 0]), np.array([1.9, 1.2, 0.7]), np.zeros(3), np.zeros(4))
    >>> say_lesson(["C-4", "C-9"], lesson, "section C", FOOT)
    'Find C-9 and C-4, and the worst space in section C falls from 1.90 ft to 0.70 ft (95 % radius).'
    """
    if not len(lesson.chosen):
        return f"No marker is left to find in {where}."
    names = [labels[row] for row in lesson.chosen]
    told = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    was, becomes = (say_length(value, unit) for value in (lesson.worst[0], lesson.worst[-1]))
    return f"Find {told}, and the worst space in {where} falls from {was} to {becomes} (95 % radius)."


# ---- ties to one place ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PointTies:
    """Ties to one predicted place.

    Parameters
    ----------
    anchors : tuple of int
        Two that set the place and, if there is one, a third that checks it.
    distances : tuple of float
        Ground distances, one an anchor.
    side : str
        ``left`` or ``right``: on which side of the line from the first to the second anchor it lies.
    radius_95 : float
        Of the circle round the taped place that holds the marker with 95 % probability.
    """

    anchors: tuple[int, ...]
    distances: tuple[float, ...]
    side: str
    radius_95: float


def point_ties(
    place: ArrayLike, anchors: ArrayLike, joint: Callable[[Ints], Floats], numbers: TieNumbers, *, factor: float = 1.0,
    inflate: float = 1.0,
) -> PointTies | None:  # fmt: skip
    """Choose the found markers from which a place is taped best.

    Parameters
    ----------
    place : (2,) array
        Grid.
    anchors : (n, 2) array
        Grid places of the markers to tape from.
    joint : callable
        ``joint(rows)`` gives the covariance (2 k + 2, 2 k + 2) of the place, first, and of those k anchors.
    numbers : TieNumbers
    factor : float
        Grid distance over ground distance.
    inflate : float
        By which a 95 % radius is larger than that of the covariance alone.

    Returns
    -------
    PointTies or None
        None when no two anchors within reach see the place at a good angle.

    Examples
    --------
    >>> numbers = TieNumbers(0.03, 0.0, 100.0, 30.0, 0.01, 1 / 24)
    >>> alone = lambda rows: 0.01 * np.eye(2 * len(rows) + 2)
    >>> found = point_ties([10.0, 10.0], [[0, 0], [20, 0], [0, 24]], alone, numbers)
    >>> found.anchors, np.round(found.distances, 2).tolist(), found.side
    ((0, 1, 2), [14.14, 14.14, 17.2], 'left')
    """
    at, places = np.asarray(place, dtype=float), np.asarray(anchors, dtype=float).reshape(-1, 2)
    rays = at - places
    reach = np.hypot(rays[:, 0], rays[:, 1]) / factor
    near = np.flatnonzero((reach <= numbers.reach) & (reach > 0.5 * numbers.divide))
    near = near[np.argsort(reach[near], kind="stable")][:_MOST_ANCHORS]
    if len(near) < 2:
        return None
    a, b = np.triu_indices(len(near), 1)
    unit = rays[near] / reach[near, None] / factor
    angle = np.degrees(np.arccos(np.clip((unit[a] * unit[b]).sum(axis=1), -1.0, 1.0)))
    good = (angle >= numbers.least_angle) & (angle <= 180.0 - numbers.least_angle)
    a, b = a[good], b[good]
    if not len(a):
        return None
    pairs = np.stack([places[near[a]], places[near[b]]], axis=1)
    by_anchors, by_tapes = tie_jacobian(pairs, np.broadcast_to(at, (len(a), 2)))
    # the place as taped less the place as it is: its own error, less what the anchors' errors make of it, and the tape
    design = np.concatenate([np.broadcast_to(np.eye(2), (len(a), 2, 2)), -by_anchors.reshape(len(a), 2, 4)], axis=2)
    block = np.asarray(joint(near), dtype=float)
    columns = np.stack([np.zeros_like(a), np.ones_like(a), 2 * a + 2, 2 * a + 3, 2 * b + 2, 2 * b + 3], axis=1)
    cov = design @ block[columns[:, :, None], columns[:, None, :]] @ design.transpose(0, 2, 1)
    tape = numbers.variance(np.stack([reach[near[a]], reach[near[b]]], axis=1)) * factor**2
    cov = cov + np.einsum("pxk,pk,pyk->pxy", by_tapes, tape, by_tapes)
    radius = radius_95(cov) * inflate
    # of pairs that are about as good, the one with the least tape
    total = np.where(radius <= _AS_GOOD * radius.min(), reach[near[a]] + reach[near[b]], np.inf)
    best = int(np.argmin(total))
    first, second = int(near[a[best]]), int(near[b[best]])
    line = places[second] - places[first]
    off = line[0] * (at[1] - places[first, 1]) - line[1] * (at[0] - places[first, 0])
    chosen = [first, second]
    others = [row for row in range(len(near)) if row not in (a[best], b[best])]
    if others:
        cross = np.abs(unit[others, 0] * line[1] - unit[others, 1] * line[0]) / np.hypot(*line)
        apart = [row for row, sine in zip(others, cross, strict=True) if sine > _SINE]
        chosen.append(int(near[(apart or others)[0]]))
    return PointTies(tuple(chosen), tuple(float(reach[row]) for row in chosen), "left" if off > 0 else "right",
                     float(radius[best]))  # fmt: skip


# ---- the walk -------------------------------------------------------------------------------------------------------


def walk_length(xy: ArrayLike, order: ArrayLike) -> float:
    """Length of a walk over places in an order, from the first to the last.

    Examples
    --------
    >>> walk_length([[0, 0], [3, 4], [3, 0]], [0, 2, 1])
    7.0
    """
    at = np.asarray(xy, dtype=float)[np.asarray(order, dtype=np.int64)]
    return float(np.hypot(*np.diff(at, axis=0).T).sum()) if len(at) > 1 else 0.0


def walk_order(xy: ArrayLike, start: int | None = None) -> Ints:
    """Order places so that little is walked: from nearest to nearest, then crossings taken out (2-opt).

    Parameters
    ----------
    xy : (n, 2) array
    start : int, optional
        First place; left out, the one farthest from the middle.

    Returns
    -------
    (n,) array of int

    Notes
    -----
    An open walk: it need not come back. A stretch is turned round while that shortens the walk, the best one first.

    Examples
    --------
    >>> walk_order([[0, 0], [20, 0], [10, 0], [30, 0]], 0).tolist()
    [0, 2, 1, 3]
    """
    at = np.asarray(xy, dtype=float).reshape(-1, 2)
    n = len(at)
    if n < 2:
        return np.arange(n)
    far = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    here = int(np.argmax(np.hypot(*(at - at.mean(axis=0)).T))) if start is None else start
    order = [here]
    left = np.ones(n, dtype=bool)
    left[here] = False
    while left.any():
        rest = np.flatnonzero(left)
        here = int(rest[np.argmin(far[here, rest])])
        order.append(here)
        left[here] = False
    path = np.array(order)
    for _ in range(min(_MOST_SWAPS, _MOST_WORK // n**2)):
        leg = far[path[:-1], path[1:]]
        # turning path[i + 1 .. j] round replaces the legs (i, i + 1) and (j, j + 1); the last leg may be open
        i, j = np.triu_indices(n - 1, 1)
        new = far[path[i], path[j]] + far[path[i + 1], path[j + 1]]
        gain = leg[i] + leg[j] - new
        tail = np.arange(n - 2)
        open_gain = leg[tail] - far[path[tail], path[-1]]
        best, best_open = (int(np.argmax(part)) if len(part) else -1 for part in (gain, open_gain))
        most = gain[best] if best >= 0 else 0.0
        most_open = open_gain[best_open] if best_open >= 0 else 0.0
        if max(most, most_open) <= 1e-9:
            break
        if most >= most_open:
            path[i[best] + 1 : j[best] + 1] = path[i[best] + 1 : j[best] + 1][::-1]
        else:
            path[best_open + 1 :] = path[best_open + 1 :][::-1]
    return path


def inflation(radius: pd.Series, cov: ArrayLike) -> Floats:
    """By how much stated 95 % radii are larger than those of the covariances alone; 1 where that cannot be told."""
    plain = _radius(np.asarray(cov, dtype=float))
    told = radius.to_numpy(dtype=float, na_value=np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = told / plain
    return np.where(np.isfinite(ratio) & (ratio > 0), ratio, 1.0)
