"""Vaults and foundations as they really lie: rectangles of known size laid on probe hits, seen against their spaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from cemgis.adjust import adjust, chi2_chance, chi2_limit, w_critical
from cemgis.errors import Gather, InputError
from cemgis.geometry import least_gap, long_axis
from cemgis.units import Unit, say_length

__all__ = [
    "KINDS",
    "POSE",
    "SPACE_COLUMNS",
    "Rectangle",
    "against_spaces",
    "fall_along",
    "fit_rectangle",
    "pose_covariance",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Objects = NDArray[np.object_]

KINDS = ("edge", "corner", "top")
"""What a probe hit: a point of the outline, one of the four corners, somewhere on the lid."""

SIDES = ("head", "foot", "left", "right")
"""Sides of the rectangle as seen from its foot, facing the heads."""

POSE = ("cov_ee", "cov_en", "cov_nn", "cov_et", "cov_nt", "cov_tt")
"""Columns of a fitted rectangle's covariance: its middle, and its turn in radians."""

SPACE_COLUMNS = ("crooked", "crooked_sigma", "off_across", "off_along", "off_sigma", "reach", "reach_into")
"""Columns `against_spaces` gives."""

_STEPS = 40
_STILL = 1e-9
_ALIKE = 6.0  # chi-squared by which one of two places must be worse to be ruled out; 0.95 of 2 d.o.f.
_LOOSE_TURN = 0.35  # radians; a turn known to no better than 20 degrees is not known. Assumption, no source
_TURNED = 7.5  # degrees; how far a vault is turned in its space. Assumption, no source; only where hits leave a choice
_APART = 0.1  # of half the length: nearer than this two places are one
_FIRST = 8
_KEPT = 40
_FEW = 3
_WHERE = "probes"


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangle of known size as it lies, from the points that were hit.

    Parameters
    ----------
    middle : (2,) array
        Grid.
    azimuth : float
        Degrees from grid north, from its foot to its head.
    width, length : float
    cov : (3, 3) array
        Covariance of the middle's E and N and of the turn in radians, clockwise.
    residuals : (n,) array
        How far each point lies off the outline (outside above 0) or off its corner; for a top hit, how far outside.
    w : (n,) array
        Largest of a point's Baarda statistics; NaN where nothing checks it.
    dof : int
        Redundancy.
    chance : float
        Probability of misses this large if the probes are as good as they say; NaN without redundancy.
    """

    middle: Floats
    azimuth: float
    width: float
    length: float
    cov: Floats
    residuals: Floats
    w: Floats
    dof: int
    chance: float

    @property
    def corners(self) -> Floats:
        """Corners (4, 2): head left, head right, foot right, foot left."""
        ahead, right = _axes(np.radians(self.azimuth))
        signs = np.array([[1, -1], [1, 1], [-1, 1], [-1, -1]])
        arms: Floats = signs[:, :1] * ahead * self.length / 2 + signs[:, 1:] * right * self.width / 2
        return self.middle + arms

    @property
    def polygon(self) -> Any:
        """The outline."""
        return shapely.polygons(self.corners)

    def covariance_at(self, points: ArrayLike) -> Floats:
        """Covariance (n, 2, 2) of points that lie fast on the rectangle."""
        return pose_covariance(self.middle, self.cov, points)

    @property
    def sigma(self) -> float:
        """Root of the mean variance of a coordinate of its corners."""
        return float(np.sqrt(np.einsum("nii->n", self.covariance_at(self.corners)).mean() / 2.0))


def pose_covariance(middle: ArrayLike, cov: ArrayLike, points: ArrayLike) -> Floats:
    """Covariance of points fast on bodies whose middles and turns have a covariance.

    Parameters
    ----------
    middle : (..., 2) array
    cov : (..., 3, 3) array
        Of E, N and the clockwise turn in radians.
    points : (..., 2) array

    Returns
    -------
    (..., 2, 2) array

    Examples
    --------
    >>> pose_covariance([0.0, 0.0], np.diag([0.01, 0.01, 0.0001]), [0.0, 4.0]).round(6).tolist()
    [[0.0116, 0.0], [0.0, 0.01]]
    """
    arm = np.asarray(points, dtype=float) - np.asarray(middle, dtype=float)
    # a clockwise turn by dt moves the arm (e, n) by (n, -e) dt
    lever = np.stack([arm[..., 1], -arm[..., 0]], axis=-1)
    design = np.concatenate([np.broadcast_to(np.eye(2), (*arm.shape[:-1], 2, 2)), lever[..., None]], axis=-1)
    return np.asarray(design @ np.asarray(cov, dtype=float) @ np.swapaxes(design, -1, -2))


def _axes(turn: ArrayLike) -> tuple[Floats, Floats]:
    """Return unit vectors ahead (to the head) and to the right."""
    angle = np.asarray(turn, dtype=float)
    return np.stack([np.sin(angle), np.cos(angle)], axis=-1), np.stack([np.cos(angle), -np.sin(angle)], axis=-1)


# ---- one rectangle --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Hits:
    """The points of one rectangle."""

    xy: Floats
    cov: Floats
    kind: Objects
    side: Objects
    names: Sequence[str]
    half: Floats  # half length, half width

    @property
    def told(self) -> bool:
        """Whether any point's side is known: then the two ends differ."""
        return any(word is not None for word in self.side)

    def take(self, rows: Any) -> _Hits:
        names = [str(name) for name in np.asarray(self.names, dtype=object)[rows]]
        return _Hits(self.xy[rows], self.cov[rows], self.kind[rows], self.side[rows], names, self.half)

    def model(self, state: Floats, *, top: bool) -> tuple[Floats, Floats, Floats]:
        """Misses (s, k), their derivatives (s, k, 3) and variances (s, k) for states (s, 3) = E, N, turn.

        One row for an edge or top point, two for a corner: edges first, then corners, then tops.
        """
        ahead, right = _axes(state[:, 2])
        arm = self.xy[None] - state[:, None, :2]
        local = np.stack([np.einsum("snx,sx->sn", arm, ahead), np.einsum("snx,sx->sn", arm, right)], axis=2)
        sign = np.where(local < 0, -1.0, 1.0)
        over = np.abs(local) - self.half
        outer = np.maximum(over, 0.0)
        outside = np.hypot(outer[..., 0], outer[..., 1])
        out = outside > 0
        # distance to the outline, inside below 0, and the way straight away from it
        inner = over[..., 1] > over[..., 0]
        way = np.where(out[..., None], outer / np.where(out, outside, 1.0)[..., None],
                       np.stack([~inner, inner], axis=2).astype(float)) * sign  # fmt: skip
        miss = np.where(out, outside, over.max(axis=2))
        for number, word in enumerate(SIDES):
            told = self.side == word
            axis, end = divmod(number, 2)
            # head +ahead, foot -ahead, left -right, right +right
            away = (1.0 if end == 0 else -1.0) if axis == 0 else (-1.0 if end == 0 else 1.0)
            miss[:, told] = away * local[:, told, axis] - self.half[axis]
            way[:, told] = np.eye(2)[axis] * away
        pieces = []
        along = way[..., :1] * ahead[:, None] + way[..., 1:] * right[:, None]
        by_turn = way[..., 0] * local[..., 1] - way[..., 1] * local[..., 0]
        variance = np.einsum("snx,nxy,sny->sn", along, self.cov, along)
        design = np.concatenate([-along, by_turn[..., None]], axis=2)
        edge, lid = self.kind == "edge", self.kind == "top"
        pieces.append((miss[:, edge], design[:, edge], variance[:, edge]))
        at = self.kind == "corner"
        arms = sign * self.half
        reach = arms[..., :1] * ahead[:, None] + arms[..., 1:] * right[:, None]
        turned = arms[..., :1] * right[:, None] - arms[..., 1:] * ahead[:, None]
        n = len(state)
        gap = (arm - reach)[:, at].reshape(n, -1)
        by = np.concatenate([np.broadcast_to(-np.eye(2), (*arm.shape[:2], 2, 2)), -turned[..., None]], axis=3)
        spread = np.diagonal(self.cov, axis1=1, axis2=2)[at].reshape(-1)
        pieces.append((gap, by[:, at].reshape(n, -1, 3), np.broadcast_to(spread, gap.shape)))
        if top:
            active = (miss > 0)[:, lid]
            pieces.append((miss[:, lid] * active, design[:, lid] * active[..., None], variance[:, lid]))
        found = [np.concatenate(parts, axis=1) for parts in zip(*pieces, strict=True)]
        return found[0], found[1], found[2]

    def settle(self, states: Floats, *, top: bool, steps: int = _STEPS) -> tuple[Floats, Floats]:
        """Bring states (s, 3) to rest by damped Gauss-Newton, all at once; chi-squared (s,) of each."""
        state = states.copy()
        scale = np.array([1.0, 1.0, 1.0 / self.half[0]])
        damp = np.full(len(state), 1e-3)

        def square(at: Floats) -> Floats:
            miss, _, variance = self.model(at, top=top)
            return np.asarray((miss**2 / variance).sum(axis=1))

        value = square(state)
        for _ in range(steps):
            miss, design, variance = self.model(state, top=top)
            scaled = design * scale
            normal = np.einsum("ski,sk,skj->sij", scaled, 1.0 / variance, scaled)
            right = np.einsum("ski,sk,sk->si", scaled, 1.0 / variance, miss)
            size = np.trace(normal, axis1=1, axis2=2) / 3.0 + 1e-12
            step = -np.linalg.solve(normal + (damp * size)[:, None, None] * np.eye(3), right[..., None])[..., 0] * scale
            trial = state + step
            new = square(trial)
            better = new <= value
            state = np.where(better[:, None], trial, state)
            value = np.where(better, new, value)
            damp = np.where(better, np.maximum(damp * 0.2, 1e-10), np.minimum(damp * 8.0, 1e6))
            if np.abs(np.where(better[:, None], step, 0.0)).max(initial=0.0) < _STILL:
                break
        return state, value


def fit_rectangle(
    points: ArrayLike, kinds: Sequence[str], cov: ArrayLike, width: float, length: float, *,
    sides: Sequence[Any] | None = None, names: Sequence[str] | None = None, space: Any = None,
    heads: float | None = None, alpha: float = 0.001, unit: Unit, where: str = _WHERE,
) -> Rectangle:  # fmt: skip
    """Lay a rectangle of known outside size on a few points of its edge, corners and top.

    Parameters
    ----------
    points : (n, 2) array
        Grid.
    kinds : sequence of n str
        One of `KINDS` each.
    cov : (n, 2, 2) array
        Of the points, the probe's own error included.
    width, length : float
        Outside.
    sides : sequence of n, optional
        One of `SIDES` where somebody knows which side an edge point is on.
    names : sequence of n str, optional
        What the points are called in messages.
    space : Polygon, optional
        The space it should lie in; decides where the points alone leave more than one place.
    heads : float, optional
        Degrees from grid north: the end that is nearer to this is the head.
    alpha : float
        Chance of refusing good probes.
    unit : Unit
        For the words.
    where : str

    Returns
    -------
    Rectangle

    Raises
    ------
    InputError
        When the points cannot lie on such a rectangle, or do not tell where it lies; it says what to probe next.

    Notes
    -----
    Unknowns are the middle and the turn. The miss of an edge point is its distance from the outline, of a corner its
    two coordinates from the nearest corner. A top hit must lie inside, and counts only where it would not. The start
    is the best of some hundred positions that touch the points' hull.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> hits = [(0.0, 2.0), (0.0, 6.0), (2.5, 4.0), (1.0, 7.5), (1.2, 0.0)]
    >>> cov = np.full((5, 2, 2), np.eye(2) * 0.0025)
    >>> found = fit_rectangle(hits, ["edge"] * 5, cov, 2.5, 7.5, heads=0.0, unit=FOOT)
    >>> found.middle.round(6).tolist(), round(found.azimuth) % 360, found.dof
    ([1.25, 3.75], 0, 2)
    """
    every = _checked(points, kinds, cov, width, length, sides, names, unit, where)
    shift = every.xy.mean(axis=0)
    hits = _Hits(every.xy - shift, every.cov, every.kind, every.side, every.names, every.half)
    near = None if space is None else shapely.transform(space, lambda xy: xy - shift)
    states, squares = _places(hits, heads)
    best = _choose(hits, states, squares, near, heads, unit, where)
    final, _ = hits.settle(best[None], top=False)
    miss, design, _ = (part[0] for part in hits.model(final, top=False))
    adjusted = _solved(hits, final[0], miss, design, where)
    dof = adjusted.dof
    if dof and not adjusted.global_test(alpha).passed:
        raise _contradiction(hits, miss, heads, alpha, unit, where)
    residuals, w = _by_point(hits, final[0], miss, adjusted.w)
    out = hits.kind == "top"
    cov3 = adjusted.covariance
    tolerance = w_critical(alpha) * np.sqrt(
        np.einsum("nii->n", pose_covariance(final[0, :2], cov3, hits.xy) + hits.cov) / 2
    )
    bad = np.flatnonzero(out & (residuals > tolerance))
    if len(bad):
        said = ", ".join(f"{hits.names[row]} by {say_length(residuals[row], unit)}" for row in bad[:_FEW])
        raise InputError.of(
            where, f"hits on the top lie outside the rectangle its edges give: {said}",
            "Look whether an edge was another vault's, or the size is another container's.",
        )  # fmt: skip
    turn = float(np.degrees(final[0, 2]))
    if heads is None and not hits.told:
        turn %= 180.0
    elif heads is not None and not hits.told and abs((turn - heads + 180.0) % 360.0 - 180.0) > 90.0:
        turn += 180.0
    chance = float(chi2_chance(adjusted.vtpv, dof)) if dof else float("nan")
    return Rectangle(final[0, :2] + shift, turn % 360.0, width, length, cov3, residuals, w, dof, chance)


def _checked(
    points: ArrayLike, kinds: Sequence[str], cov: ArrayLike, width: float, length: float, sides: Sequence[Any] | None,
    names: Sequence[str] | None, unit: Unit, where: str,
) -> _Hits:  # fmt: skip
    xy, spread = np.asarray(points, dtype=float).reshape(-1, 2), np.asarray(cov, dtype=float).reshape(-1, 2, 2)
    kind = np.asarray(kinds, dtype=object)
    told = np.full(len(xy), None, dtype=object) if sides is None else np.asarray(sides, dtype=object)
    called = [f"point {row + 1}" for row in range(len(xy))] if names is None else list(names)
    gather = Gather()
    if not (np.isfinite([width, length]).all() and 0 < width <= length):
        gather.add(where, f"{width:g} by {length:g} is no outside size", "Give width and length of the container.")
    strange = sorted({str(word) for word in kind if word not in KINDS})
    if strange:
        gather.add(where, f"no kind of hit: {', '.join(strange[:_FEW])}", f"One of: {', '.join(KINDS)}.")
    if not np.isfinite(xy).all() or not np.isfinite(spread).all():
        gather.add(where, "a point without coordinates or without a standard deviation", "Leave it out.")
    elif len(xy) and (np.linalg.eigvalsh(spread)[:, 0] <= 0).any():
        gather.add(where, "a point with no standard deviation", "Give every probe one above 0.")
    gather.raise_if_any()
    count = int((kind == "edge").sum() + 2 * (kind == "corner").sum())
    if count < _FEW:
        what = (
            f"{len(xy)} hit{'s' * (len(xy) > 1)}, {int((kind == 'top').sum())} of them on the top"
            if len(xy)
            else "no hits"
        )
        raise InputError.of(
            where, f"{what}: they do not tell where it lies",
            "Probe two places on one long side and one on an end at least, or shoot two corners.",
        )  # fmt: skip
    diagonal = float(np.hypot(width, length))
    away = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    first, second = np.unravel_index(int(away.argmax()), away.shape)
    sigma = np.sqrt((np.trace(spread[first]) + np.trace(spread[second])) / 2.0)
    if away.max() > diagonal + 4.0 * sigma:
        raise InputError.of(
            where,
            f"{called[first]} and {called[second]} are {say_length(away.max(), unit)} apart, a rectangle of "
            f"{say_length(width, unit)} by {say_length(length, unit)} is only {say_length(diagonal, unit)} from corner "
            "to corner",
            "One of them is another vault's, or the container is a larger one.",
        )
    return _Hits(xy, spread, kind, told, called, np.array([length / 2.0, width / 2.0]))


def _starts(hits: _Hits, heads: float | None) -> Floats:
    """Positions to start from: at many turns, both ways against the hull of the points and over their middle."""
    first = 0.0 if heads is None else heads
    turns = np.radians(first + np.arange(0.0, 360.0 if hits.told else 180.0, 15.0))
    hull = shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(hits.xy)))
    edges = np.diff(hull, axis=0)
    along = np.arctan2(edges[:, 0], edges[:, 1])
    turns = np.unique(np.round(np.concatenate([turns, along, along + np.pi / 2]), 9))
    ahead, right = _axes(turns)
    parts = []
    for axis, half in ((ahead, hits.half[0]), (right, hits.half[1])):
        at = axis @ hits.xy.T
        low, high = at.min(axis=1), at.max(axis=1)
        parts.append(np.stack([low + half, high - half, (low + high) / 2], axis=1))
    a, r = (part[:, :, None] if number == 0 else part[:, None, :] for number, part in enumerate(parts))
    middle = a[..., None] * ahead[:, None, None] + r[..., None] * right[:, None, None]
    turn = np.broadcast_to(turns[:, None, None], middle.shape[:3])
    return np.concatenate([middle, turn[..., None]], axis=3).reshape(-1, 3)


def _places(hits: _Hits, heads: float | None) -> tuple[Floats, Floats]:
    """Places at which the hits leave the least misses, and chi-squared of each."""
    states, squares = hits.settle(_starts(hits, heads), top=True, steps=_FIRST)
    kept = np.argsort(squares, kind="stable")[:_KEPT]
    return hits.settle(states[kept], top=True)


def _choose(
    hits: _Hits, states: Floats, squares: Floats, space: Any, heads: float | None, unit: Unit, where: str
) -> Floats:
    """Take the best place; among those as good, the one that fits its space; refuse where that does not tell."""
    good = np.flatnonzero(squares <= squares.min() + _ALIKE)
    states = states[good]
    total = squares[good] + _unlikely(hits, states, space, heads)
    # a state turned half round is the same place, unless sides are told
    circle = 2 * np.pi if hits.told else np.pi
    reach = hits.half[0]
    kept: list[int] = []
    for row in np.argsort(total, kind="stable").tolist():
        if total[row] > total.min() + _ALIKE:
            break
        gap = states[kept] - states[row]
        turned = np.abs((gap[:, 2] + circle / 2) % circle - circle / 2) * reach
        if (np.hypot(gap[:, 0], gap[:, 1]) + turned > _APART * reach).all():
            kept.append(row)
            miss, design, _ = (part[0] for part in hits.model(states[row][None], top=False))
            _solved(hits, states[row], miss, design, where)
    if len(kept) > 1:
        apart = float(np.hypot(*(states[kept[1], :2] - states[kept[0], :2])))
        raise InputError.of(
            where,
            f"the hits fit {len(kept)} places, {say_length(apart, unit)} apart or turned",
            "Probe the opposite side or an end as well, name the side (head, foot, left, right), or name its space.",
        )
    return np.asarray(states[kept[0]])


def _unlikely(hits: _Hits, states: Floats, space: Any, heads: float | None) -> Floats:
    """Chi-squared of places against their space: off its middle by a sixth of its sides, turned by `_TURNED`."""
    out = np.zeros(len(states))
    if space is not None:
        azimuth, width, length = (float(part[0]) for part in long_axis([space]))
        gap = states[:, :2] - shapely.get_coordinates(space.centroid)
        out += sum((6.0 * (gap @ axis) / side) ** 2 for axis, side in zip(_axes(np.radians(azimuth)), (length, width),
                                                                       strict=True))  # fmt: skip
        heads = azimuth if heads is None and not hits.told else heads
    if heads is not None:
        circle = 360.0 if hits.told else 180.0
        turn = (np.degrees(states[:, 2]) - heads + circle / 2) % circle - circle / 2
        out += (turn / _TURNED) ** 2
    return out


def _flat_covariance(hits: _Hits, state: Floats) -> Floats:
    """Covariance (k, k) of the misses in the order of `_Hits.model`: edges one, corners two rows each."""
    _, _, variance = hits.model(state[None], top=False)
    full = np.diag(variance[0])
    n_edge = int((hits.kind == "edge").sum())
    for number, row in enumerate(np.flatnonzero(hits.kind == "corner")):
        at = n_edge + 2 * number
        full[at : at + 2, at : at + 2] = hits.cov[row]
    return full


def _solved(hits: _Hits, state: Floats, miss: Floats, design: Floats, where: str) -> Any:
    scale = np.array([1.0, 1.0, 1.0 / hits.half[0]])
    ahead, right = _axes(state[2])
    try:
        found = adjust(design, -miss, _flat_covariance(hits, state))
        spread = np.array([*(np.sqrt(axis @ found.covariance[:2, :2] @ axis) for axis in (ahead, right)),
                           np.sqrt(found.covariance[2, 2])])  # fmt: skip
        loose = spread > np.array([hits.half[1], hits.half[1], _LOOSE_TURN])
    except InputError:
        values, vectors = np.linalg.eigh((design * scale).T @ (design * scale))
        weak = vectors[:, values < 1e-9 * values[-1]]
        spread = np.sqrt([((axis @ weak) ** 2).sum() for axis in (np.append(ahead, 0), np.append(right, 0), [0, 0, 1])])
        loose = spread >= spread.max() * 0.999
        found = None
    if loose.any():
        words = ("along its length", "across its width", "which way it is turned")
        said = " nor ".join(word for word, flag in zip(words, loose, strict=True) if flag)
        todo = ("Probe one of its ends.", "Probe one of its long sides.", "Probe one side at two places far apart.")
        raise InputError.of(
            where, f"the hits do not tell {said if loose[2] and loose.sum() == 1 else 'where it lies ' + said}",
            " ".join(word for word, flag in zip(todo, loose, strict=True) if flag),
        )  # fmt: skip
    return found


def _by_point(hits: _Hits, state: Floats, miss: Floats, w: Floats) -> tuple[Floats, Floats]:
    """One miss and one statistic a point."""
    out, worst = np.zeros(len(hits.xy)), np.full(len(hits.xy), np.nan)
    edge, corner, lid = (np.flatnonzero(hits.kind == word) for word in KINDS)
    out[edge], worst[edge] = miss[: len(edge)], np.abs(w[: len(edge)])
    two = miss[len(edge) :].reshape(-1, 2)
    out[corner] = np.hypot(two[:, 0], two[:, 1])
    pair = np.abs(w[len(edge) :].reshape(-1, 2))
    worst[corner] = np.where(np.isnan(pair).all(axis=1), np.nan, np.nanmax(np.nan_to_num(pair), axis=1, initial=0.0))
    if len(lid):
        only = hits.take(lid)
        only = _Hits(only.xy, only.cov, np.full(len(lid), "edge", dtype=object), only.side, only.names, hits.half)
        out[lid] = np.maximum(only.model(state[None], top=False)[0][0], 0.0)
    return out, worst


def _contradiction(hits: _Hits, miss: Floats, heads: float | None, alpha: float, unit: Unit, where: str) -> InputError:
    """Say why the hits cannot be: one that the others contradict, or all of them."""
    size = f"{say_length(2 * hits.half[1], unit)} by {say_length(2 * hits.half[0], unit)}"
    counting = np.flatnonzero(hits.kind != "top")
    culprits = []
    for row in counting.tolist():
        rest = hits.take(np.arange(len(hits.xy)) != row)
        if int((rest.kind == "edge").sum() + 2 * (rest.kind == "corner").sum()) <= _FEW:
            continue
        found, squares = _places(rest, heads)
        best = found[int(squares.argmin())]
        dof = int((rest.kind == "edge").sum() + 2 * (rest.kind == "corner").sum()) - 3
        if squares.min() <= chi2_limit(alpha, dof):
            off = hits.take([row]).model(best[None], top=False)[0][0]
            culprits.append(
                (float(squares.min()), row, float(np.hypot(*np.resize(off, 2)) if len(off) > 1 else abs(off[0])))
            )
    if len(culprits) == 1:
        _, row, off = culprits[0]
        return InputError.of(
            where,
            f"{hits.names[row]} lies {say_length(off, unit)} off a rectangle of {size} that the others agree on",
            "Probe it again, or leave it out.",
        )
    worst = float(np.abs(miss).max())
    if len(culprits) > 1:
        named = " or ".join(hits.names[row] for _, row, _ in sorted(culprits)[:_FEW])
        return InputError.of(
            where, f"no rectangle of {size} touches all hits (worst {say_length(worst, unit)} off); without {named} "
            "one would", "Probe these again and one place more.",
        )  # fmt: skip
    return InputError.of(
        where,
        f"no rectangle of {size} touches the hits: the best is {say_length(worst, unit)} off",
        "Check the container's size, and whether two vaults were probed as one.",
    )


def fall_along(rectangle: Rectangle, points: ArrayLike, depths: ArrayLike, sigma: float) -> tuple[float, float]:
    """How much deeper the foot end lies than the head end, from depths to the top at several points.

    Parameters
    ----------
    rectangle : Rectangle
    points : (n, 2) array
    depths : (n,) array
        To the top, below one level line; NaN where nothing was measured. Depths below the sod give the fall against
        the sod.
    sigma : float
        Standard deviation of one depth.

    Returns
    -------
    fall, sigma : float
        NaN with fewer than two depths or with all of them at one place along it.

    Examples
    --------
    >>> box = Rectangle(np.zeros(2), 0.0, 2.5, 8.0, np.eye(3), np.empty(0), np.empty(0), 0, 1.0)
    >>> fall, spread = fall_along(box, [[0, 3], [0, -3]], [1.5, 1.8], 0.05)
    >>> round(fall, 6), round(spread, 4)
    (0.4, 0.0943)
    """
    xy, deep = np.asarray(points, dtype=float).reshape(-1, 2), np.asarray(depths, dtype=float)
    here = np.isfinite(deep)
    ahead, _ = _axes(np.radians(rectangle.azimuth))
    along = (xy[here] - rectangle.middle) @ ahead
    centred = along - along.mean() if len(along) else along
    lever = float((centred**2).sum())
    if lever < (0.1 * rectangle.length) ** 2:
        return float("nan"), float("nan")
    slope = float(centred @ deep[here]) / lever
    return -slope * rectangle.length, float(sigma / np.sqrt(lever) * rectangle.length)


# ---- against the spaces ---------------------------------------------------------------------------------------------


def against_spaces(
    vaults: gpd.GeoDataFrame, spaces: gpd.GeoDataFrame, heads_grid: ArrayLike | None = None
) -> pd.DataFrame:
    """How each vault lies in its space: how crooked, how far off centre, how far it leans into a neighbour.

    Parameters
    ----------
    vaults : GeoDataFrame
        Layer ``vaults``: ``space_id``, outline, ``sigma`` or the columns `POSE`.
    spaces : GeoDataFrame
        Layer ``spaces``.
    heads_grid : (n spaces,) array, optional
        Degrees from grid north, feet to heads; without it the spaces' long axis, 0 to 180.

    Returns
    -------
    DataFrame
        `SPACE_COLUMNS` on the index of `vaults`: degrees clockwise against the space; the middle's offset to the right
        and toward the heads as seen from the foot; how far it reaches into the space it reaches farthest into.
        Missing where its space is not known.

    Examples
    --------
    >>> spaces = gpd.GeoDataFrame({"space_id": ["A-1-1", "A-1-2"]}, geometry=shapely.box([0, 4], 0, [4, 8], 12))
    >>> vaults = gpd.GeoDataFrame({"vault_id": ["V1"], "space_id": ["A-1-1"], "sigma": [0.1]},
    ...                           geometry=[shapely.box(1.7, 2, 4.2, 9.5)])
    >>> found = against_spaces(vaults, spaces, [0.0, 0.0])
    >>> found[["crooked", "off_across", "off_along", "reach"]].round(6).values[0].tolist(), found["reach_into"][0]
    ([0.0, 0.95, -0.25, 0.2], 'A-1-2')
    """
    out = pd.DataFrame(np.nan, index=vaults.index, columns=list(SPACE_COLUMNS)).astype({"reach_into": object})
    out["reach_into"] = None
    if not len(vaults) or not len(spaces):
        return out
    shapes, ground = np.asarray(vaults.geometry, dtype=object), np.asarray(spaces.geometry, dtype=object)
    recorded = vaults["space_id"].astype(object) if "space_id" in vaults else pd.Series(None, index=vaults.index)
    own = pd.Index(spaces["space_id"].astype(object)).get_indexer(pd.Index(recorded.where(recorded.notna(), None)))
    rows = np.flatnonzero((own >= 0) & ~shapely.is_missing(shapes))
    if not len(rows):
        return out
    mine = ground[own[rows]]
    turn, _, _ = long_axis(mine)
    if heads_grid is not None:
        heads = np.asarray(heads_grid, dtype=float)[own[rows]]
        opposite = np.isfinite(heads) & (np.abs((turn - heads + 180.0) % 360.0 - 180.0) > 90.0)
        turn = turn + 180.0 * opposite
    axis, width, length = long_axis(shapes[rows])
    ahead, right = _axes(np.radians(turn))
    gap = shapely.get_coordinates(shapely.centroid(shapes[rows])) - shapely.get_coordinates(shapely.centroid(mine))
    middle, by_turn = _pose_of(vaults.iloc[rows], width, length)
    centre = _centre_covariance(spaces.iloc[own[rows]])
    found = out.iloc[rows].copy()
    found["crooked"] = (axis - turn + 90.0) % 180.0 - 90.0
    found["crooked_sigma"] = np.degrees(np.sqrt(by_turn))
    found["off_across"] = np.einsum("nx,nx->n", gap, right)
    found["off_along"] = np.einsum("nx,nx->n", gap, ahead)
    found["off_sigma"] = np.sqrt(np.einsum("nii->n", middle + centre) / 2.0)
    tree = shapely.STRtree(ground)
    a, b = tree.query(shapes[rows], predicate="intersects")
    other = b != own[rows][a]
    a, b = a[other], b[other]
    reach, name = np.zeros(len(rows)), np.full(len(rows), None, dtype=object)
    if len(a):
        depth = np.maximum(-least_gap(shapes[rows][a], ground[b])[0], 0.0)
        ids = spaces["space_id"].to_numpy(dtype=object)
        order = np.argsort(depth, kind="stable")  # the deepest is written last and stays
        order = order[depth[order] > 0]
        reach[a[order]], name[a[order]] = depth[order], ids[b[order]]
    found["reach"], found["reach_into"] = reach, name
    out.iloc[rows] = found
    return out


def _floats(table: pd.DataFrame, name: str) -> Floats:
    if name not in table:
        return np.full(len(table), np.nan)
    return np.asarray(table[name].to_numpy(dtype=float, na_value=np.nan))


def _pose_of(vaults: pd.DataFrame, width: Floats, length: Floats) -> tuple[Floats, Floats]:
    """Covariance of the middles and variance of the turns, radians: as fitted, else from the corners' sigma."""
    ee, en, nn, tt = (_floats(vaults, name) for name in ("cov_ee", "cov_en", "cov_nn", "cov_tt"))
    variance = _floats(vaults, "sigma") ** 2
    fitted = np.isfinite(tt)
    # four corners with errors of their own: the middle is their mean, the turn their lever's
    middle = np.where(fitted, ee, variance / 4.0), np.where(fitted, en, 0.0), np.where(fitted, nn, variance / 4.0)
    block = np.stack([np.stack(middle[:2], axis=1), np.stack(middle[1:], axis=1)], axis=1)
    return block, np.where(fitted, tt, variance / (width**2 + length**2))


def _centre_covariance(spaces: pd.DataFrame) -> Floats:
    ee, en, nn = (np.nan_to_num(_floats(spaces, name)) for name in ("cov_ee", "cov_en", "cov_nn"))
    return np.stack([np.stack([ee, en], axis=1), np.stack([en, nn], axis=1)], axis=1)
