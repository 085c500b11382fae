"""What a dig could strike: the chance from the joint covariance, and where the contacts are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtr, ndtri, stdtr
from scipy.stats import multivariate_normal
from scipy.stats.qmc import Sobol

from cemgis.geometry import least_gap
from cemgis.opening.model import Dig, Floats, Strike, Thing
from cemgis.ties import Ties, shared_dof

__all__ = [
    "Contacts",
    "contacts",
    "strike",
]

_SEED = 1868


_TINY = 1e-12


_ELSEWHERE = 0.4  # of the dig's length: contacts nearer to one another along it are one


_NEVER = 1e-15  # a chance below this counts as none


_POINTS = 13  # two to the power of it: points for the integral over several gaps whose variance is open


_SCALES = 32


_LINE = 200


_ONE_LINE = 0.9995


def strike(
    gap: ArrayLike, covariance: ArrayLike, dof: ArrayLike | None = None, owner: ArrayLike | None = None
) -> Strike:
    """Chance that gaps are really below zero, each and any of them.

    Parameters
    ----------
    gap : (k,) array
    covariance : (k, k) array
        Of the gaps together: what two neighbours share with each other or with the dig is in it.
    dof : (k,) array, optional
        Degrees of freedom of each variance; infinite, or left out, where it is known.
    owner : (k,) array of int, optional
        Which of several things each gap belongs to, 0 and up; then ``each`` is the chance for each thing.

    Returns
    -------
    Strike

    Notes
    -----
    Each is the tail of Student's t. Together they are a mixture of normals: one deviate u of the chi-squared
    distribution's quantiles scales every gap by ``sqrt(dof / chi2(u, dof))``, for they share the markers whose misses
    the variance was learnt from.

    Examples
    --------
    Spaces 4 ft wide, vaults 36 in wide in their middles, 6 in of room: a dig of 48 in, 0.50 ft of earth on each side.

    >>> sigma = 0.6 / 2.4477  # a 95 % radius of 0.6 ft
    >>> either = strike([0.5, 0.5], sigma**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])).any
    >>> round(either, 3)
    0.041

    When four misses are all that says how well the markers were set, it is more likely.

    >>> round(strike([0.5, 0.5], sigma**2 * np.array([[1.0, -1.0], [-1.0, 1.0]]), [4.0, 4.0]).any, 3)
    0.111
    """
    values, spread = np.asarray(gap, dtype=float), np.asarray(covariance, dtype=float)
    freedom = np.full(len(values), np.inf) if dof is None else np.asarray(dof, dtype=float)
    if owner is not None and len(values):
        of = np.asarray(owner, dtype=np.int64)
        groups = [np.flatnonzero(of == k) for k in range(int(of.max()) + 1)]
        parts = [strike(values[part], spread[np.ix_(part, part)], freedom[part]).any for part in groups]
        whole = strike(values, spread, freedom).any
        return Strike(np.array(parts), float(np.clip(whole, max(parts), min(sum(parts), 1.0))))
    if not len(values):
        return Strike(np.empty(0), 0.0)
    sigma = np.sqrt(np.maximum(np.diag(spread), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0, values / sigma, np.where(values > 0, np.inf, -np.inf))
    open_ = np.isfinite(freedom) & np.isfinite(z)
    each = np.asarray(ndtr(-z))
    each[open_] = stdtr(freedom[open_], -z[open_])
    live = np.flatnonzero((each > _NEVER) & (sigma > 0))
    if len(live) < len(values) and each[np.setdiff1d(np.arange(len(values)), live)].max(initial=0.0) > 0.5:
        return Strike(each, 1.0)
    if len(live) == 0:
        return Strike(each, float(each.max()))
    if len(live) == 1:
        return Strike(each, float(each[live[0]]))
    scale = np.outer(sigma[live], sigma[live])
    correlation = spread[np.ix_(live, live)] / scale
    correlation = np.clip(correlation, -1.0, 1.0) + np.eye(len(live)) * _TINY
    if open_[live].any():
        any_ = _mixed(z[live], correlation, freedom[live])
        return Strike(each, float(np.clip(max(any_, each.max()), 0.0, min(each.sum(), 1.0))))
    rng = np.random.default_rng(_SEED)  # the integral over four and more gaps is done with chosen points: the same ones
    miss = multivariate_normal(np.zeros(len(live)), correlation, allow_singular=True, seed=rng).cdf(z[live])
    return Strike(each, float(np.clip(max(1.0 - float(miss), each.max()), 0.0, min(each.sum(), 1.0))))


@lru_cache(maxsize=8)
def _chosen_points(count: int) -> Floats:
    """Points (2**_POINTS, count) of the standard normal, the same ones every time."""
    drawn = Sobol(count, seed=np.random.default_rng(_SEED)).random_base2(_POINTS)
    return np.asarray(ndtri(np.clip(drawn, 1e-12, 1.0 - 1e-12)))


def _either(limit: Floats, rho: float) -> Floats:
    """Chance (n,) that one of two standard normal deviates with correlation rho exceeds its limit (n, 2)."""
    first, second = limit.T
    if abs(rho) > _ONE_LINE:
        return np.asarray(ndtr(-first) + ndtr(-second) if rho < 0 else ndtr(-np.minimum(first, second)))
    # P(b above) + integral, over b below its limit, of P(a above, given b)
    node, weight = np.polynomial.legendre.leggauss(_LINE)
    low = -9.0
    half = (np.clip(second, low, 9.0) - low) / 2.0
    b = low + half[:, None] * (node + 1.0)
    above = ndtr((rho * b - first[:, None]) / np.sqrt(1.0 - rho**2))
    density = np.exp(-(b**2) / 2.0) / np.sqrt(2.0 * np.pi)
    return np.asarray(ndtr(-second) + half * ((density * above) @ weight))


def _mixed(z: Floats, correlation: Floats, freedom: Floats) -> float:
    """Chance that any of several deviates exceeds its z, their common scale being open."""
    # quantiles u = v**3: close to one another where the scale is large
    v, weight = (np.polynomial.legendre.leggauss(_SCALES)[k] for k in (0, 1))
    v, weight = (v + 1.0) / 2.0, weight / 2.0
    u, weight = v**3, 3.0 * v**2 * weight
    scale = np.ones((_SCALES, len(z)))
    for k in np.flatnonzero(np.isfinite(freedom)).tolist():
        scale[:, k] = np.sqrt(freedom[k] / (2.0 * gammaincinv(freedom[k] / 2.0, u)))
    limit = z / scale
    if len(z) == 2:
        return float(weight @ _either(limit, float(correlation[0, 1])))
    value, vector = np.linalg.eigh(correlation)
    drawn = _chosen_points(len(z)) @ (vector * np.sqrt(np.maximum(value, 0.0))).T
    hit = np.zeros((_SCALES, len(drawn)), dtype=bool)
    for k in range(len(z)):
        hit |= drawn[None, :, k] > limit[:, k, None]
    return float(weight @ hit.mean(axis=1))


@dataclass(frozen=True, slots=True)
class Contacts:
    """Where a dig and the things beside it come nearest to one another, and how sure the gaps there are.

    Parameters
    ----------
    owner : (c,) array
        Position among the things asked for.
    gap : (c,) array
    covariance : (c, c) array
        Of the gaps together.
    dof : (c,) array
        Degrees of freedom of each variance.
    """

    owner: NDArray[np.int64]
    gap: Floats
    covariance: Floats
    dof: Floats


def _near_points(dig: Dig, shapes: NDArray[np.object_]) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Owner, gap, point on the dig and direction to the thing, of one contact or two of each thing.

    The first is where they come nearest. Two sides that run beside one another have two ends, and either may close
    when one of them is turned: the second is the nearest of the corners that lie elsewhere along the dig.
    """
    polygon, middle = dig.polygon, dig.corners.mean(axis=0)
    apart = _ELSEWHERE * dig.length
    owner: list[int] = []
    gap: list[float] = []
    point: list[Floats] = []
    normal: list[Floats] = []
    gaps, lines = least_gap(np.full(len(shapes), polygon, dtype=object), shapes)
    for k, shape in enumerate(shapes):
        ends = shapely.get_coordinates(lines[k])
        way = ends[1] - ends[0]
        between = shapely.get_coordinates(shapely.centroid(shape))[0] - middle
        size = float(np.hypot(*way))
        straight = way / size if size > _TINY else between / np.hypot(*between)
        if straight @ between < 0:
            straight = -straight
        found = [(float(gaps[k]), ends[0], straight)]
        if gaps[k] > _TINY:
            own = shapely.get_coordinates(shape)[:-1]
            to_thing = shapely.get_coordinates(shapely.shortest_line(shapely.points(dig.corners), shape))
            to_dig = shapely.get_coordinates(shapely.shortest_line(polygon, shapely.points(own)))
            pairs = np.concatenate([to_thing, to_dig]).reshape(-1, 2, 2)
            steps = pairs[:, 1] - pairs[:, 0]
            far = np.hypot(*steps.T)
            ok = (np.hypot(*(pairs[:, 0] - ends[0]).T) >= apart) & (far > _TINY)
            if ok.any():
                row = int(np.flatnonzero(ok)[np.argmin(far[ok])])
                found.append((float(far[row]), pairs[row, 0], steps[row] / far[row]))
        for distance, at, direction in found:
            owner.append(k)
            gap.append(distance)
            point.append(at)
            normal.append(direction)
    return np.array(owner, dtype=np.int64), np.array(gap), np.array(point), np.array(normal)


def contacts(
    dig: Dig, ties: Ties, joint: Floats, things: Sequence[Thing], rows: Sequence[int], dof: ArrayLike | None = None
) -> Contacts:
    """Find where a dig, as its ties set it, and things come nearest, and how sure the gaps there are.

    Parameters
    ----------
    dig : Dig
    ties : Ties
    joint : (2 n + 2 + 2 m, ...) array
        Covariance of the n anchors, the space and the m things.
    things : sequence of m Thing
    rows : sequence of int
        Things to look at.
    dof : (1 + m,) array, optional
        Degrees of freedom of the places of the space and of the things.

    Notes
    -----
    A gap's variance is that of the dig's point, as a mean of its corners, and of the thing, along the direction between
    them. Its degrees of freedom are Satterthwaite's, the share that comes from the thing's place being estimated.
    """
    if not rows:
        return Contacts(np.empty(0, dtype=np.int64), np.empty(0), np.zeros((0, 0)), np.zeros(0))
    shapes = np.array([things[row].shape for row in rows], dtype=object)
    owner, gap, point, normal = _near_points(dig, shapes)
    across, down = dig.corners[1] - dig.corners[0], dig.corners[3] - dig.corners[0]
    u = np.clip((point - dig.corners[0]) @ across / (across @ across), 0.0, 1.0)
    v = np.clip((point - dig.corners[0]) @ down / (down @ down), 0.0, 1.0)
    weights = np.stack([1.0 - u - v, u, np.zeros(len(u)), v], axis=1)  # of the four corners
    spread = np.einsum("kx,kc->kcx", normal, weights).reshape(len(owner), 8)
    known = ties.joint.shape[0]
    design = np.zeros((len(owner), joint.shape[0]))
    moved = ties.of_anchors.copy()
    moved[:, -2:] = 0.0  # the dig follows its anchors, wherever its space may really be
    design[:, :known] = -(spread @ moved)
    at = known + 2 * np.asarray(rows, dtype=np.int64)[owner]
    for x in range(2):
        design[np.arange(len(owner)), at + x] -= normal[:, x]
    total = np.asarray(design @ joint @ design.T + spread @ ties.tape_cov @ spread.T)
    freedom = np.full(len(owner), np.inf)
    if dof is not None:
        for k, place in enumerate(at.tolist()):
            own = float(normal[k] @ joint[place : place + 2, place : place + 2] @ normal[k])
            freedom[k] = shared_dof(float(np.asarray(dof)[1 + rows[owner[k]]]), own, float(total[k, k]))
    return Contacts(owner, gap, total, freedom)
