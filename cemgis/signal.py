"""A smooth signal beside a trend: least-squares collocation in two coordinates, on plain arrays.

Observed = trend + signal + setting error + reading error. The signal of either coordinate is stationary with one
covariance function; its parameters come from the observations by restricted maximum likelihood, and what is left open
about them goes into every prediction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from cemgis.adjust import inverse_blocks

__all__ = [
    "FAMILIES",
    "Collocation",
    "Covariance",
    "Local",
    "Neighbours",
    "Prior",
    "collocate",
    "learn",
    "outside",
    "spread_rows",
]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

FAMILIES = ("matern32", "matern52", "gaussian", "exponential")
"""Covariance functions there are. `matern32` is once differentiable: lot lines bend but do not break. `gaussian` is
smooth without end and therefore too sure between markers (Stein 1999, from memory). `exponential` is what errors leave
that add up from lot to lot."""

DENSE = 1_500
"""Up to so many markers every one goes into every prediction."""
_NEAREST = 128
"""Beyond, so many nearest ones do."""
_BLOCK = 48
"""Places that share their nearest markers."""
_LIKELY = 1_000
"""Most markers the likelihood is computed from."""
_QUICK = 400
"""The same in the rounds of tests."""
_TREND = 2_000
"""Most markers the trend is computed from, spread over the plat."""
_OPEN = 400
"""With more markers the parameters are taken as known."""
_NONE = 0.05
"""Chance below which a model (with a signal, or without) is left out. Assumption, no source."""
_CELLS = 20_000_000
"""Numbers held at once while predicting."""
_WIDEST = 1.5
"""Largest standard deviation of the logarithm of a parameter: a factor of 4.5 either way."""


def _correlation(family: str, ratio: Floats) -> tuple[Floats, Floats]:
    """Correlation at distance over length, and its derivative by the logarithm of the length."""
    if family == "gaussian":
        value = np.exp(-(ratio**2))
        return value, 2.0 * ratio**2 * value
    if family == "exponential":
        value = np.exp(-ratio)
        return value, ratio * value
    if family == "matern32":
        a = np.sqrt(3.0) * ratio
        decay = np.exp(-a)
        return (1.0 + a) * decay, a**2 * decay
    a = np.sqrt(5.0) * ratio
    decay = np.exp(-a)
    return (1.0 + a + a**2 / 3.0) * decay, a**2 * (1.0 + a) / 3.0 * decay


@dataclass(frozen=True, slots=True)
class Covariance:
    """How the signal and the setting error of each coordinate vary.

    Parameters
    ----------
    sigma : float
        Standard deviation of the signal; 0 for none.
    length : float
        Distance over which it changes.
    setting : float
        Standard deviation of the setting error.
    family : str
        One of `FAMILIES`.

    Examples
    --------
    >>> Covariance(2.0, 10.0, 0.1, "gaussian").at(np.array([0.0, 10.0])).round(4).tolist()
    [4.0, 1.4715]
    """

    sigma: float
    length: float
    setting: float
    family: str = FAMILIES[0]

    def at(self, distance: Floats) -> Floats:
        """Covariance of the signal at two places so far apart."""
        if self.family != "matern32":
            return self.sigma**2 * _correlation(self.family, distance / self.length)[0]
        # most of a build's time with many markers is spent here: in place, and no derivative
        a: Floats = np.asarray(distance / self.length)
        a *= np.sqrt(3.0)
        decay = np.exp(-a)
        a += 1.0
        a *= decay
        a *= self.sigma**2
        return a


# ---- one covariance, all markers ------------------------------------------------------------------------------------


class _Inverse:
    """Inverse of the covariance of (n, 2) observations: one block where both coordinates are alike and apart."""

    def __init__(self, signal: Floats, own: Floats) -> None:
        n = len(signal)
        east, north, both = own[:, 0, 0], own[:, 1, 1], own[:, 0, 1]
        self.alike = bool(np.allclose(east, north, rtol=1e-9, atol=0.0) and not both.any())
        if self.alike:
            matrix = signal + np.diag(east)
        else:
            matrix = np.zeros((n, 2, n, 2))
            matrix[:, 0, :, 0] = matrix[:, 1, :, 1] = signal
            rows = np.arange(n)
            matrix[rows[:, None, None], [[[0], [1]]], rows[:, None, None], [[[0, 1]]]] += own
            matrix = matrix.reshape(2 * n, 2 * n)
        self.factor = linalg.cho_factor(matrix, lower=True, overwrite_a=True, check_finite=False)
        inverse = linalg.cho_solve(self.factor, np.eye(len(matrix)), overwrite_b=True, check_finite=False)
        if self.alike:
            self.parts = {(0, 0): inverse, (1, 1): inverse}
        else:
            blocks = inverse.reshape(n, 2, n, 2)
            self.parts = {(x, y): np.ascontiguousarray(blocks[:, x, :, y]) for x in (0, 1) for y in (0, 1)}

    def times(self, values: Floats) -> Floats:
        """Multiply with (n, 2, q)."""
        out = np.zeros_like(values)
        for (x, y), part in self.parts.items():
            out[:, x] += part @ values[:, y]
        return out

    def blocks(self) -> Floats:
        """Diagonal blocks (n, 2, 2)."""
        out = np.zeros((len(self.parts[0, 0]), 2, 2))
        for (x, y), part in self.parts.items():
            out[:, x, y] = np.diagonal(part)
        return out


class Collocation:
    """Trend and signal from observations, by least squares, for one covariance.

    Parameters
    ----------
    xy : (n, 2) array
        Where each observation belongs.
    design : (n, 2, p) array
        Derivatives of both coordinates by the parameters of the trend; p may be 0.
    observed : (n, 2) array
    noise : (n, 2, 2) array
        Covariance of the readings, known.
    covariance : Covariance

    Notes
    -----
    Moritz (1980), in geostatistics universal kriging; from memory. With C the covariance of the observations, A the
    design: ``x = (A'C^-1 A)^-1 A'C^-1 l``; signal ``k'C^-1 (l - A x)``; error covariance of trend and signal at two
    places ``k(a,b) - k_a'C^-1 k_b + Q_a (A'C^-1 A)^-1 Q_b'`` with ``Q = A_a - k_a'C^-1 A``.

    Examples
    --------
    The signal of one coordinate at and between three observations without trend.

    >>> line, none = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0]]), np.zeros((3, 2, 0))
    >>> seen = np.array([[1.0, 0.0], [0.0, 0.0], [-0.5, 0.0]])
    >>> at = Collocation(line, none, seen, np.zeros((3, 2, 2)), Covariance(1.0, 10.0, 0.1, "gaussian"))
    >>> at.predicted(np.array([[5.0, 0.0]]), np.zeros((1, 2, 0)))[0].round(6).tolist()
    [0.613473, 0.0]
    """

    def __init__(self, xy: Floats, design: Floats, observed: Floats, noise: Floats, covariance: Covariance) -> None:
        self.xy, self.design, self.covariance = xy, design, covariance
        self.own = noise + covariance.setting**2 * np.eye(2)
        signal = covariance.at(cdist(xy, xy)) if covariance.sigma else np.zeros((len(xy), len(xy)))
        self.inverse = _Inverse(signal, self.own)
        self.pulled = self.inverse.times(design)
        self.trend_cov = np.linalg.inv(np.einsum("nip,niq->pq", design, self.pulled))
        self.trend = self.trend_cov @ np.einsum("nip,ni->p", self.pulled, observed)
        left = observed - design @ self.trend
        self.heavy = self.inverse.times(left[:, :, None])[:, :, 0]

    def _reach(self, xy: Floats) -> Floats:
        if not self.covariance.sigma:
            return np.zeros((len(xy), len(self.xy)))
        reach: Floats = self.covariance.at(cdist(xy, self.xy))
        return reach

    def predicted(self, xy: Floats, design: Floats) -> Floats:
        """Trend and signal (m, 2) at places (m, 2) with their design (m, 2, p)."""
        out: Floats = design @ self.trend
        step = max(_CELLS // max(len(self.xy), 1), 1)
        if self.covariance.sigma:
            for first in range(0, len(xy), step):
                at = slice(first, first + step)
                out[at] += self._reach(xy[at]) @ self.heavy
        return out

    def joint(self, xy: Floats, design: Floats, groups: Ints, rows: Ints) -> tuple[Floats, Floats]:
        """Error covariance of trend and signal within groups of places, and how markers go into them.

        Parameters
        ----------
        xy : (m, 2) array
        design : (m, 2, p) array
        groups : (k, j) array of int
            Places of each group.
        rows : (m,) array of int
            Marker that stands at each place, -1 for none.

        Returns
        -------
        cov : (k, j, 2, j, 2) array
        pull : (k, j, j, 2, 2) array
            Weight of the marker at the second place in the prediction of the first; zero where there is none.
        """
        k, j = groups.shape
        cov, pull = np.empty((k, j, 2, j, 2)), np.empty((k, j, j, 2, 2))
        step = max(_CELLS // (max(len(self.xy), 1) * j * 8), 1)
        for first in range(0, k, step):
            at = slice(first, first + step)
            chosen, local = np.unique(groups[at], return_inverse=True)
            cov[at], pull[at] = self._joint(xy[chosen], design[chosen], local.reshape(-1, j), rows[chosen])
        return cov, pull

    def _joint(self, xy: Floats, design: Floats, groups: Ints, rows: Ints) -> tuple[Floats, Floats]:
        k, j = groups.shape
        reach = self._reach(xy)
        left = design - np.einsum("un,nip->uip", reach, self.pulled)
        lever = left @ self.trend_cov
        cov = np.einsum("kaxp,kbyp->kaxby", lever[groups], left[groups])
        apart = np.linalg.norm(xy[groups][:, :, None] - xy[groups][:, None], axis=-1)
        prior = self.covariance.at(apart) if self.covariance.sigma else np.zeros((k, j, j))
        held = rows[groups]
        pull = np.zeros((k, j, j, 2, 2))
        weights = both = np.empty(0)
        for x, y in ((0, 0), (1, 1), (0, 1), (1, 0)):
            part = self.inverse.parts.get((x, y))
            if part is not None:
                if (x, y) != (1, 1) or not self.inverse.alike:
                    weights = reach @ part
                    both = weights[groups] @ reach[groups].transpose(0, 2, 1)
                cov[:, :, x, :, y] += (prior if x == y else 0.0) - both
                pull[..., x, y] = weights[groups[:, :, None], held[:, None, :]]
        pull += np.einsum("kaxp,kbyp->kabxy", lever[groups], self.pulled[held])
        pull[np.broadcast_to((held < 0)[:, None, :], (k, j, j))] = 0.0
        return cov, pull

    def left_out(self, observed: Floats) -> tuple[Floats, Floats]:
        """Each observation minus its prediction from all others (n, 2), and the covariance (n, 2, 2) of that.

        From the blocks of ``P = C^-1 - C^-1 A (A'C^-1 A)^-1 A'C^-1``: miss ``P_ii^-1 (P l)_i``, covariance ``P_ii^-1``.
        NaN where nothing checks it.
        """
        blocks = self.inverse.blocks() - self.pulled @ self.trend_cov @ self.pulled.transpose(0, 2, 1)
        seen = np.linalg.det(blocks @ self.own) > 1e-9
        cov = inverse_blocks(np.where(seen[:, None, None], blocks, np.eye(2)))
        cov[~seen] = np.nan
        weight = self.inverse.times((observed - self.design @ self.trend)[:, :, None])[:, :, 0]
        return np.einsum("nij,nj->ni", cov, weight), cov


# ---- one covariance, the nearest markers ----------------------------------------------------------------------------


class Neighbours:
    """The same as `Collocation` for many markers: the trend from all, the signal from the nearest ones.

    Readings count with the mean of their two variances. Parameters as there.
    """

    def __init__(self, xy: Floats, design: Floats, observed: Floats, noise: Floats, covariance: Covariance) -> None:
        self.xy, self.design, self.covariance = xy, design, covariance
        self.own = noise + covariance.setting**2 * np.eye(2)
        self.variance = np.einsum("nii->n", self.own) / 2.0
        rows = spread_rows(xy, _TREND)
        matrix = covariance.at(cdist(xy[rows], xy[rows])) if covariance.sigma else np.zeros((len(rows), len(rows)))
        matrix[np.diag_indices(len(rows))] += self.variance[rows]
        factor = linalg.cho_factor(matrix, lower=True, overwrite_a=True, check_finite=False)
        p = design.shape[2]
        pulled = linalg.cho_solve(factor, design[rows].reshape(len(rows), -1), check_finite=False)
        pulled = pulled.reshape(len(rows), 2, p)
        self.trend_cov = np.linalg.inv(np.einsum("nip,niq->pq", design[rows], pulled))
        self.trend = self.trend_cov @ np.einsum("nip,ni->p", pulled, observed[rows])
        self.left = observed - design @ self.trend
        self.tree = cKDTree(xy)
        self.nearest: int = min(_NEAREST, len(xy))
        reach = self.tree.query(xy[rows], k=self.nearest)[0].reshape(len(rows), -1)[:, -1]
        self.cell = max(float(np.quantile(reach, 0.05)) / 4.0, 1e-9)

    def _solved(self, near: Ints, right: Floats, without: Ints | None = None) -> Floats:
        """Solve the covariance of the markers of each block (b, h) for (b, h, q); `without` takes no part."""
        place = self.xy[near]
        matrix = self.covariance.at(np.linalg.norm(place[:, :, None] - place[:, None], axis=-1))
        at = np.arange(near.shape[1])
        matrix[:, at, at] += self.variance[near]
        if without is not None:  # as good as not there
            matrix[:, at, at] += np.where(near == without[:, None], 1e12, 0.0)
        return np.asarray(np.linalg.solve(matrix, right))

    def _near(self, xy: Floats) -> Ints:
        near: Ints = np.asarray(self.tree.query(xy, k=self.nearest)[1], dtype=np.int64).reshape(len(xy), self.nearest)
        return near

    def _blocks(self, xy: Floats, size: int) -> list[Ints]:
        """Rows of places near one another, in chunks (b, size) of blocks; the first row fills a block up.

        A block is so small that its places have much the same nearest markers.
        """
        cell = np.floor((xy - xy.min(axis=0)) / self.cell).astype(np.int64)
        order = np.lexsort((cell[:, 1], cell[:, 0]))
        new = np.concatenate([[True], (np.diff(cell[order], axis=0) != 0).any(axis=1)])
        at = np.arange(len(order))
        rank = at - np.maximum.accumulate(np.where(new, at, 0))
        first = rank % size == 0
        block = np.cumsum(first) - 1
        rows = np.repeat(order[first][:, None], size, axis=1)
        rows[block, rank % size] = order
        step = max(_CELLS // (6 * self.nearest**2), 1)
        return [rows[start : start + step] for start in range(0, len(rows), step)]

    def predicted(self, xy: Floats, design: Floats) -> Floats:
        """Trend and signal (m, 2) at places (m, 2) with their design (m, 2, p)."""
        out: Floats = design @ self.trend
        if not self.covariance.sigma or not len(xy):
            return out
        signal = np.empty_like(out)
        for rows in self._blocks(xy, _BLOCK):
            near = self._near(xy[rows].mean(axis=1))
            heavy = self._solved(near, self.left[near])
            reach = self.covariance.at(np.linalg.norm(xy[rows][:, :, None] - self.xy[near][:, None], axis=-1))
            signal[rows] = reach @ heavy
        return out + signal

    def joint(self, xy: Floats, design: Floats, groups: Ints, rows: Ints) -> tuple[Floats, Floats]:
        """As `Collocation.joint`; the nearest markers are those of the middle of a block of neighbouring groups."""
        k, j = groups.shape
        cov, pull = np.empty((k, j, 2, j, 2)), np.empty((k, j, j, 2, 2))
        if not k:
            return cov, pull
        for chosen in self._blocks(xy[groups].mean(axis=1), max(_BLOCK // j, 1)):
            places = groups[chosen].reshape(len(chosen), -1)
            one, its = self._joint(xy[places], design[places], rows[places], j)
            cov[chosen], pull[chosen] = one, its
        return cov, pull

    def _joint(self, xy: Floats, design: Floats, held: Ints, j: int) -> tuple[Floats, Floats]:
        """Of blocks (b, m) of groups of `j`: (b, m/j, j, 2, j, 2) and (b, m/j, j, j, 2, 2)."""
        b, m = held.shape
        h, p, g = self.nearest, design.shape[-1], m // j
        near = self._near(xy.mean(axis=1))
        reach = self.covariance.at(np.linalg.norm(xy[:, :, None] - self.xy[near][:, None], axis=-1))
        right = np.concatenate([reach.transpose(0, 2, 1), self.design[near].reshape(b, h, 2 * p)], axis=2)
        solved = self._solved(near, right)
        weights, pulled = solved[..., :m], solved[..., m:].reshape(b, h, 2, p)
        left = design - (reach @ solved[..., m:]).reshape(b, m, 2, p)
        lever = (left @ self.trend_cov).reshape(b, g, j, 2, p)
        apart = xy.reshape(b, g, j, 2)
        both = self.covariance.at(np.linalg.norm(apart[:, :, :, None] - apart[:, :, None], axis=-1))
        own = weights.transpose(0, 2, 1).reshape(b, g, j, h)
        both -= reach.reshape(b, g, j, h) @ own.transpose(0, 1, 3, 2)
        cov = np.einsum("bgaxp,bgcyp->bgaxcy", lever, left.reshape(b, g, j, 2, p), optimize=True)
        cov += both[:, :, :, None, :, None] * np.eye(2)[:, None]
        here = near[:, None, :] == held[:, :, None]
        there, at = here.any(axis=2).reshape(b, g, j), here.argmax(axis=2).reshape(b, g, j)
        block, group = np.arange(b)[:, None, None, None], np.arange(g)[None, :, None, None]
        weight = own[block, group, np.arange(j)[:, None], at[:, :, None, :]]
        pull = weight[..., None, None] * np.eye(2)
        pull = pull + np.einsum("bgaxp,bgcyp->bgacxy", lever, pulled[np.arange(b)[:, None, None], at], optimize=True)
        pull[np.broadcast_to(~there[:, :, None, :], (b, g, j, j))] = 0.0
        return cov, pull

    def left_out(self, observed: Floats) -> tuple[Floats, Floats]:
        """As `Collocation.left_out`, from the nearest ones of the others; the trend keeps all."""
        left, n = observed - self.design @ self.trend, len(self.xy)
        miss, cov = np.empty((n, 2)), np.empty((n, 2, 2))
        step = max(_CELLS // (6 * self.nearest**2), 1)
        for first in range(0, n, step):
            own = np.arange(first, min(first + step, n))
            near = self._near(self.xy[own])
            reach = self.covariance.at(np.linalg.norm(self.xy[own][:, None] - self.xy[near], axis=-1))
            right = np.concatenate([reach[:, :, None], self.design[near].reshape(*near.shape, -1)], axis=2)
            solved = self._solved(near, right, own)
            weights, pulled = solved[..., 0], solved[..., 1:].reshape(*near.shape, 2, -1)
            miss[own] = left[own] - np.einsum("kh,khi->ki", weights, left[near])
            open_ = self.design[own] - np.einsum("kh,khip->kip", reach, pulled)
            variance = self.covariance.sigma**2 - np.einsum("kh,kh->k", reach, weights)
            cov[own] = variance[:, None, None] * np.eye(2) + open_ @ self.trend_cov @ open_.transpose(0, 2, 1)
        return miss, cov + self.own


class _Predictor(Protocol):
    covariance: Covariance
    own: Floats

    def predicted(self, xy: Floats, design: Floats) -> Floats: ...
    def joint(self, xy: Floats, design: Floats, groups: Ints, rows: Ints) -> tuple[Floats, Floats]: ...
    def left_out(self, observed: Floats) -> tuple[Floats, Floats]: ...


def collocate(xy: Floats, design: Floats, observed: Floats, noise: Floats, covariance: Covariance) -> _Predictor:
    """Make a `Collocation`, or `Neighbours` for more than 1,500 markers."""
    make = Collocation if len(xy) <= DENSE else Neighbours
    return make(xy, design, observed, noise, covariance)


def spread_rows(xy: Floats, most: int) -> Ints:
    """Rows of at most `most` places spread over all, half of them with a near one beside it; the same every time."""
    n = len(xy)
    if n <= most:
        return np.arange(n)
    order = _along_curve(xy)
    first = np.linspace(0, n - 2, most // 2).astype(np.int64)
    return np.unique(order[np.concatenate([first, first + 1])])


def _along_curve(xy: Floats) -> Ints:
    """Rows in an order in which neighbours on the ground mostly stay neighbours (Morton's)."""
    cell = ((xy - xy.min(axis=0)) / max(float(np.ptp(xy, axis=0).max()), 1e-300) * 65_535.0).astype(np.int64)
    code = np.zeros(len(xy), dtype=np.int64)
    for bit in range(16):
        code |= ((cell[:, 0] >> bit) & 1) << (2 * bit) | ((cell[:, 1] >> bit) & 1) << (2 * bit + 1)
    order: Ints = np.argsort(code, kind="stable")
    return order


# ---- what the covariance is -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Prior:
    """What is expected of a plat before its markers are looked at.

    Parameters
    ----------
    setting_sigma, setting_dof : float
        Setting error, and how many misses that guess is worth.
    signal_sigma : float
        A signal has at most about this standard deviation (half-normal).
    length, length_spread : float
        Distance over which it changes, and the standard deviation of its logarithm.
    none : float
        Chance that there is no signal at all.
    family : str
        One of `FAMILIES`.
    """

    setting_sigma: float
    setting_dof: float
    signal_sigma: float
    length: float
    length_spread: float
    none: float
    family: str = FAMILIES[0]

    def setting_density(self, log_setting: float) -> tuple[float, float]:
        """Log density of the setting deviation's logarithm, but for a constant, and its slope."""
        ratio = self.setting_dof * self.setting_sigma**2 * np.exp(-2.0 * log_setting)
        return -self.setting_dof * log_setting - 0.5 * float(ratio), -self.setting_dof + float(ratio)

    def signal_density(self, log_sigma: float, log_length: float) -> tuple[float, float, float]:
        """Log density of the signal's two logarithms and its slopes."""
        share = float(np.exp(2.0 * log_sigma)) / self.signal_sigma**2
        away = (log_length - np.log(self.length)) / self.length_spread
        value = log_sigma - 0.5 * share + 0.5 * np.log(2.0 / np.pi) - np.log(self.signal_sigma)
        value -= 0.5 * away**2 + np.log(self.length_spread * np.sqrt(2.0 * np.pi))
        return float(value), 1.0 - share, float(-away / self.length_spread)


class _Restricted:
    """Restricted log likelihood of the logarithms of (setting) or (setting, sigma, length), and its gradient."""

    def __init__(self, xy: Floats, design: Floats, observed: Floats, noise: Floats, prior: Prior) -> None:
        self.distance = cdist(xy, xy)
        self.n, self.p = len(xy), design.shape[2]
        self.flat = np.concatenate([design.reshape(self.n, 2 * self.p), observed], axis=1)
        self.noise = np.einsum("nii->n", noise) / 2.0
        self.prior = prior
        # below this nothing is left to tell setting from signal, and the matrix would not be regular
        self.floor = np.log(0.02 * prior.setting_sigma)

    def bounds(self, count: int) -> list[tuple[float, float]]:
        """Where the logarithms are looked for."""
        wide = max(float(self.distance.max()), 1e-9)
        top = np.log(max(float(np.abs(self.flat[:, -2:]).max()), self.prior.setting_sigma)) + 1.0
        low, high = np.log(0.02 * self.prior.length), np.log(max(3.0 * wide, 2.0 * self.prior.length))
        return [(self.floor, top), (np.log(1e-3 * self.prior.signal_sigma), top), (low, high)][:count]

    def __call__(self, at: Floats) -> tuple[float, Floats]:
        """Log posterior and gradient."""
        n, p = self.n, self.p
        setting = float(np.exp(2.0 * at[0]))
        value, slope = self.prior.setting_density(float(at[0]))
        slopes = np.zeros(len(at))
        slopes[0] = slope
        derivatives: list[Floats] = []
        if len(at) > 1:
            shape, by_length = _correlation(self.prior.family, self.distance / np.exp(at[2]))
            variance = float(np.exp(2.0 * at[1]))
            density, slopes[1], slopes[2] = self.prior.signal_density(float(at[1]), float(at[2]))
            value += density
            matrix = variance * shape
            derivatives = [2.0 * variance * shape, variance * by_length]
            matrix[np.diag_indices(n)] += setting + self.noise
            factor = linalg.cho_factor(matrix, lower=True, check_finite=False)
            half = float(np.log(np.diagonal(factor[0])).sum())
            inverse = linalg.cho_solve(factor, np.eye(n), overwrite_b=True, check_finite=False)
            solved = inverse @ self.flat
            traces = [float(np.diagonal(inverse).sum()), *(float((inverse * part).sum()) for part in derivatives)]
        else:
            diagonal = setting + self.noise
            half = 0.5 * float(np.log(diagonal).sum())
            solved = self.flat / diagonal[:, None]
            traces = [float((1.0 / diagonal).sum())]
        design, pulled = self.flat[:, : 2 * p].reshape(n, 2, p), solved[:, : 2 * p].reshape(n, 2, p)
        normal = np.einsum("nip,niq->pq", design, pulled)
        cov = np.linalg.inv(normal)
        right = np.einsum("nip,ni->p", pulled, self.flat[:, -2:])
        heavy = solved[:, -2:] - pulled @ (cov @ right)
        value += -2.0 * half - 0.5 * float(np.linalg.slogdet(normal)[1])
        value -= 0.5 * float((heavy * self.flat[:, -2:]).sum())
        for row, trace in enumerate(traces):
            if row == 0:
                factor_of = 2.0 * setting
                squares, bent = float((heavy**2).sum()), np.einsum("nip,niq->pq", pulled, pulled)
            else:
                factor_of, part = 1.0, derivatives[row - 1]
                squares = float((heavy * (part @ heavy)).sum())
                bent = np.einsum("nip,niq->pq", pulled, (part @ pulled.reshape(n, -1)).reshape(n, 2, p))
            slopes[row] += 0.5 * factor_of * (squares - 2.0 * trace + float((cov * bent).sum()))
        return value, slopes

    def mode(self, starts: Sequence[Sequence[float]]) -> tuple[Floats, float, Floats]:
        """Likeliest logarithms, the log posterior there, and the covariance of the logarithms (Laplace)."""
        bounds = self.bounds(len(starts[0]))
        best, top = np.asarray(starts[0], dtype=float), -np.inf
        for start in starts:
            begin = np.clip(np.asarray(start, dtype=float), [low for low, _ in bounds], [high for _, high in bounds])
            found = optimize.minimize(self._minus, begin, jac=True, method="L-BFGS-B", bounds=bounds)
            if -found.fun > top:
                best, top = np.asarray(found.x, dtype=float), float(-found.fun)
        step = 1e-3
        curve = np.empty((len(best), len(best)))
        for row in range(len(best)):
            ahead, behind = best.copy(), best.copy()
            ahead[row] += step
            behind[row] -= step
            curve[row] = (self(behind)[1] - self(ahead)[1]) / (2.0 * step)
        values, vectors = np.linalg.eigh((curve + curve.T) / 2.0)
        return best, top, (vectors / np.maximum(values, _WIDEST**-2)) @ vectors.T

    def _minus(self, at: Floats) -> tuple[float, Floats]:
        value, slopes = self(at)
        return -value, -slopes

    def around(self, at: Floats, top: float, cov: Floats) -> tuple[list[Floats], Floats]:
        """Points that stand for the posterior, with weights: the cubature of degree 3, weighed by the true density."""
        values, vectors = np.linalg.eigh(cov)
        steps = np.sqrt(len(at)) * np.sqrt(values)[:, None] * vectors.T
        points = [at + sign * step for step in steps for sign in (1.0, -1.0)]
        logs = np.array([self(point)[0] for point in points]) - top + 0.5 * len(at)
        weight = np.exp(np.clip(logs, -30.0, 2.0))
        return points, weight / weight.sum()


@dataclass(frozen=True)
class Local:
    """Trend and signal with what is open about their covariance: a mixture of collocations.

    Parameters
    ----------
    parts : tuple
        Collocations.
    weights : (q,) array
        Chance of each.
    likely : Covariance
        The likeliest one with a signal.
    chance : float
        Chance that there is a signal at all.
    dof : float
        How many misses the setting deviation rests on; infinite where the parts already carry its doubt.
    """

    parts: tuple[_Predictor, ...]
    weights: Floats
    likely: Covariance
    chance: float
    dof: float
    setting_variance: float = field(init=False)

    def __post_init__(self) -> None:
        settings = np.array([part.covariance.setting**2 for part in self.parts])
        object.__setattr__(self, "setting_variance", float(self.weights @ settings))

    def predicted(self, xy: Floats, design: Floats) -> tuple[Floats, list[Floats]]:
        """Trend and signal (m, 2), and by how much each part differs from that."""
        each = [part.predicted(xy, design) for part in self.parts]
        mean = np.einsum("q,qmi->mi", self.weights, np.stack(each))
        return mean, [one - mean for one in each]

    def joint(
        self, xy: Floats, design: Floats, groups: Ints, rows: Ints, apart: Sequence[Floats]
    ) -> tuple[Floats, Floats]:
        """As `Collocation.joint`, with the spread `apart` (q of (m, 2)) between the parts' predictions."""
        k, j = groups.shape
        cov, pull = np.zeros((k, j, 2, j, 2)), np.zeros((k, j, j, 2, 2))
        for weight, part, away in zip(self.weights, self.parts, apart, strict=True):
            one, its = part.joint(xy, design, groups, rows)
            gone = away[groups].reshape(k, 2 * j)
            cov += weight * (one + (gone[:, :, None] * gone[:, None]).reshape(k, j, 2, j, 2))
            pull += weight * its
        return cov, pull

    def tail_dof(self, xy: Floats, design: Floats, setting: float = 1.0) -> Floats:
        """Degrees of freedom (m,) with which `radius_95` of the mean covariance holds 95 % in spite of the mixture.

        Every part's error counts as circular, with the variance v of a coordinate that includes its distance from the
        mean and so much of the setting variance: one for a corner, a third or so for the middle of several. The
        mixture's radius solves ``sum w exp(-R**2/(2 v)) = 0.05``, that of t with scale s
        ``R**2 = nu s**2 (20**(2/nu) - 1)``. Computed at 400 places at most; the others take the nearest one's.
        """
        if len(self.parts) == 1:
            return np.full(len(xy), np.inf)
        some = np.unique(np.linspace(0, len(xy) - 1, min(len(xy), 400)).astype(np.int64))
        apart = self.predicted(xy[some], design[some])[1]
        groups, none = np.arange(len(some))[:, None], np.full(len(some), -1)
        spread = []
        for part, away in zip(self.parts, apart, strict=True):
            cov = part.joint(xy[some], design[some], groups, none)[0].reshape(-1, 2, 2)
            own = setting * part.covariance.setting**2
            spread.append((np.einsum("mii->m", cov) + (away**2).sum(axis=1)) / 2.0 + own)
        variance = np.stack(spread)
        usual = 2.0 * np.log(20.0)
        mean = self.weights @ variance
        square = usual * mean
        for _ in range(60):  # Newton on the logarithm, which is concave in the square
            decay = np.exp(-0.5 * square / variance)
            left = self.weights @ decay
            slope = -0.5 * (self.weights @ (decay / variance)) / left
            square = np.maximum(square - (np.log(left) - np.log(0.05)) / slope, 0.0)
        nu = np.concatenate([np.geomspace(1.0, 1e3, 400), [np.inf]])
        grown = np.append(nu[:-1] * (20.0 ** (2.0 / nu[:-1]) - 1.0), usual)[::-1]
        inverse = np.interp(square / mean, grown, 1.0 / nu[::-1])[cKDTree(xy[some]).query(xy)[1]]
        out: Floats = np.where(inverse > 1e-3, 1.0 / np.maximum(inverse, 1e-3), np.inf)
        return out

    def left_out(self, observed: Floats) -> tuple[Floats, Floats]:
        """Each observation minus its prediction from all others (n, 2), and the covariance (n, 2, 2) of that."""
        each = [part.left_out(observed) for part in self.parts]
        miss = np.einsum("q,qni->ni", self.weights, np.stack([one for one, _ in each]))
        cov = np.zeros((len(miss), 2, 2))
        for weight, (one, its) in zip(self.weights, each, strict=True):
            gone = one - miss
            cov += weight * (its + gone[:, :, None] * gone[:, None, :])
        return miss, cov


def learn(
    xy: Floats,
    design: Floats,
    observed: Floats,
    noise: Floats,
    prior: Prior,
    *,
    only_likeliest: bool = False,
    near: Covariance | None = None,
) -> Local | None:
    """Learn a signal's covariance from observations.

    Parameters
    ----------
    xy, design, observed, noise
        As for `Collocation`.
    prior : Prior
    only_likeliest : bool
        One part, the likeliest covariance, however much is open about it: for quick rounds of tests.
    near : Covariance, optional
        Where to begin looking for it.

    Returns
    -------
    Local or None
        None when nothing speaks for a signal, or nothing could: the trend alone is right then.

    Notes
    -----
    A model with a signal and one without are weighed by their evidence (Laplace), which is a likelihood ratio that
    pays for its parameters; either is left out below 1 in 20. Within a model the parameters' posterior is stood for by
    the 2 d points of the cubature of degree 3. Readings count with the mean of their two variances here.
    """
    n = len(xy)
    if 2 * n <= design.shape[2]:
        return None
    rows = spread_rows(xy, _QUICK if only_likeliest else _LIKELY)
    target = _Restricted(xy[rows], design[rows], observed[rows], noise[rows], prior)
    usual = np.log(prior.setting_sigma)
    bare, bare_top, bare_cov = target.mode([[usual]])
    starts = [[bare[0] - 0.7, bare[0] - 0.2, np.log(prior.length) + away] for away in (-0.8, 0.5)]
    if near is not None:
        starts = [np.log([near.setting, near.sigma, near.length]).tolist()]
    full, top, cov = target.mode(starts)
    evidence = top + 0.5 * np.linalg.slogdet(cov)[1] + np.log(2.0 * np.pi)
    bare_evidence = bare_top + 0.5 * float(np.log(bare_cov[0, 0]))
    odds = prior.none / (1.0 - prior.none) * float(np.exp(np.clip(bare_evidence - evidence, -50.0, 50.0)))
    chance = 1.0 / (1.0 + odds)
    if chance < _NONE:
        return None
    likely = _made(full, prior.family)
    known = max(0.5 / float(cov[0, 0]), 1.0)
    if only_likeliest or n > _OPEN:
        return Local((collocate(xy, design, observed, noise, likely),), np.ones(1), likely, chance, known)
    points, weights = target.around(full, top, cov)
    if chance <= 1.0 - _NONE:
        others, more = target.around(bare, bare_top, bare_cov)
        points, weights = [*points, *others], np.concatenate([chance * weights, (1.0 - chance) * more])
    keep = weights > 0.005
    chosen = [_made(point, prior.family) for point, kept in zip(points, keep, strict=True) if kept]
    parts = tuple(collocate(xy, design, observed, noise, one) for one in chosen)
    return Local(parts, weights[keep] / weights[keep].sum(), likely, chance, float("inf"))


def _made(at: Floats, family: str) -> Covariance:
    if len(at) == 1:
        return Covariance(0.0, 1.0, float(np.exp(at[0])), family)
    return Covariance(float(np.exp(at[1])), float(np.exp(at[2])), float(np.exp(at[0])), family)


def outside(local: Local, xy: Floats, design: Floats, observed: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Miss (m, 2) of observations that took no part, and the covariance (m, 2, 2) of that."""
    if not len(xy):
        return np.zeros((0, 2)), np.zeros((0, 2, 2))
    mean, apart = local.predicted(xy, design)
    groups = np.arange(len(xy))[:, None]
    cov, _ = local.joint(xy, design, groups, np.full(len(xy), -1), apart)
    return observed - mean, cov.reshape(-1, 2, 2) + noise + local.setting_variance * np.eye(2)
