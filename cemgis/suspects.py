"""Which of few markers are bad, and how a plat bends: every likely answer to both at once, with its chance."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, logsumexp

from cemgis.signal import Covariance, Local, Prior, collocate

__all__ = ["Weighed", "weigh"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

_BAD, _GOOD = 1.0, 5.0
"""Share of bad markers before looking, a beta distribution: one in six, and very open. Assumption, no source."""
_ANYWHERE = 0.5
"""Share of them that may lie anywhere on the plat; the others were moved a little. Assumption, no source."""
_NEAR = 6.0
"""Choices whose evidence is smaller by more than exp(6) than the best's lead nowhere."""
_MOST = 500
"""Most choices of bad markers looked at."""
_PARTS = 32
"""Collocations that stand for all that is open."""
_LOST = 50.0
"""A bad marker's reading counts with so many times what a moved one lies off: it says nothing of the plat."""

_FAMILIES = ("matern32", "exponential")
"""How smooth a plat bends cannot be told from few markers: as if drawn with a lath, or as errors add up along a row."""
_SETTING = np.exp(np.linspace(-1.2, 1.2, 5))
_SIGMA = np.array([0.15, 0.35, 0.65, 1.0, 1.5, 2.2])
_LENGTH = np.linspace(-1.6, 1.6, 5)


@dataclass(frozen=True)
class Weighed:
    """What few markers say.

    Parameters
    ----------
    choices : list of (tuple of int, Covariance)
        Which markers are bad, and how the plat bends: what stands for all that is open.
    weights : (q,) array
        Chance of each.
    bad : (n,) array
        Chance that a marker is bad.
    likely : Covariance
        Middle of those with a signal.
    chance : float
        Chance that there is a signal.
    setting_dof : float
        How many misses the setting deviation rests on.
    lost : float
        Standard deviation with which a bad marker's reading counts.
    """

    choices: list[tuple[tuple[int, ...], Covariance]]
    weights: Floats
    bad: Floats
    likely: Covariance
    chance: float
    setting_dof: float
    lost: float

    def local(self, xy: Floats, design: Floats, observed: Floats, noise: Floats) -> Local:
        """Trend and signal of these markers: a mixture of one collocation a choice."""
        parts = []
        for bad, one in self.choices:
            spread = noise.copy()
            spread[list(bad)] += self.lost**2 * np.eye(2)
            parts.append(collocate(xy, design, observed, spread, one))
        return Local(tuple(parts), self.weights, self.likely, self.chance, float("inf"))


def _covariances(prior: Prior) -> tuple[list[Covariance], Floats]:
    """Covariances that stand for all that is expected, and the logarithm of the chance of each."""
    settings = prior.setting_sigma * _SETTING
    density = np.array([prior.setting_density(float(np.log(one)))[0] for one in settings])
    of_setting = density - logsumexp(density)
    sigmas, lengths = prior.signal_sigma * _SIGMA, prior.length * np.exp(prior.length_spread * _LENGTH)
    width = np.gradient(np.log(sigmas))
    of_signal = np.array([
        [prior.signal_density(float(np.log(sigma)), float(np.log(length)))[0] + np.log(wide) for length in lengths]
        for sigma, wide in zip(sigmas, width, strict=True)
    ])  # fmt: skip
    of_signal -= logsumexp(of_signal) + np.log(len(_FAMILIES))
    made, logs = [], []
    for setting, one in zip(settings, of_setting, strict=True):
        made.append(Covariance(0.0, 1.0, float(setting)))
        logs.append(one + np.log(prior.none))
        for (row, sigma), (column, length), family in product(enumerate(sigmas), enumerate(lengths), _FAMILIES):
            made.append(Covariance(float(sigma), float(length), float(setting), family))
            logs.append(one + of_signal[row, column] + np.log1p(-prior.none))
    return made, np.array(logs)


class _Evidence:
    """Restricted likelihood of the markers under every covariance, whichever of them are bad."""

    def __init__(self, xy: Floats, design: Floats, observed: Floats, noise: Floats, made: list[Covariance],
                 moved_sigma: float, area: float) -> None:  # fmt: skip
        n, p = len(xy), design.shape[2]
        self.n, self.moved, self.area = n, moved_sigma**2, area
        distance = np.linalg.norm(xy[:, None] - xy[None], axis=-1)
        apart = np.zeros((n, 2, n, 2))
        apart[np.arange(n), :, np.arange(n), :] = noise
        own = apart.reshape(2 * n, 2 * n)
        full = np.empty((len(made), 2 * n, 2 * n))
        for at, one in enumerate(made):
            signal = one.at(distance) if one.sigma else np.zeros((n, n))
            full[at] = np.kron(signal, np.eye(2)) + own + one.setting**2 * np.eye(2 * n)
        flat, seen = design.reshape(2 * n, p), observed.reshape(2 * n)
        inverse = np.linalg.inv(full)
        pulled = inverse @ flat
        normal = flat.T @ pulled
        self.p = inverse - pulled @ np.linalg.solve(normal, pulled.transpose(0, 2, 1))
        self.heavy = self.p @ seen
        self.all = -0.5 * (np.linalg.slogdet(full)[1] + np.linalg.slogdet(normal)[1] + self.heavy @ seen)

    def of(self, bad: tuple[int, ...]) -> Floats:
        """Log evidence (q,) of all markers when these are bad.

        The others' is that of all over the density of these given the others; a bad marker's own density is that of
        a moved one or of any place.
        """
        if not bad:
            none: Floats = self.all
            return none
        k = len(bad)
        rows = (2 * np.array(bad)[:, None] + [0, 1]).reshape(-1)
        part = self.p[:, rows[:, None], rows]
        heavy = self.heavy[:, rows]
        spread = np.linalg.inv(part)
        miss = np.einsum("qij,qj->qi", spread, heavy)
        rest = self.all + 0.5 * (miss * heavy).sum(axis=1) - 0.5 * np.linalg.slogdet(part)[1] + k * np.log(2.0 * np.pi)
        at = np.arange(k)
        own = spread.reshape(-1, k, 2, k, 2)[:, at, :, at, :] + self.moved * np.eye(2)  # (k, q, 2, 2)
        gap = miss.reshape(-1, k, 2).transpose(1, 0, 2)
        determinant = np.linalg.det(own)
        square = np.einsum("kqi,kqi->kq", gap, np.linalg.solve(own, gap[..., None])[..., 0])
        moved = np.exp(-0.5 * square) / (2.0 * np.pi * np.sqrt(determinant))
        density = (1.0 - _ANYWHERE) * moved + _ANYWHERE / self.area
        out: Floats = rest + np.log(density).sum(axis=0)
        return out


def weigh(
    xy: Floats, design: Floats, observed: Floats, noise: Floats, prior: Prior, *,
    moved_sigma: float, area: float, least: int, start: Flags,
) -> Weighed:  # fmt: skip
    """Weigh which markers are bad together with how the plat bends.

    Parameters
    ----------
    xy, design, observed, noise
        As for `cemgis.signal.Collocation`; every marker that may be good.
    prior : Prior
    moved_sigma : float
        How far a moved marker lies off, each coordinate.
    area : float
        Of the plat: where a marker lies whose label is not its own.
    least : int
        So many markers have to be good.
    start : (n,) array of bool
        Markers that agree by a first guess, where the search begins too.

    Returns
    -------
    Weighed

    Notes
    -----
    The evidence of a choice is the restricted likelihood of the good markers, times the density of each bad one: normal
    about what the others predict, or the same everywhere. Choices are reached one marker at a time from none bad and
    from the first guess. A covariance is one of 305 that stand for the prior. All products of both are weighed, and 32
    drawn from them evenly go into every prediction.
    """
    n = len(xy)
    made, logs = _covariances(prior)
    evidence = _Evidence(xy, design, observed, noise, made, moved_sigma, area)

    def total(bad: tuple[int, ...]) -> Floats:
        k = len(bad)
        out: Floats = evidence.of(bad) + logs + betaln(_BAD + k, _GOOD + n - k) - betaln(_BAD, _GOOD)
        return out

    first = tuple(np.flatnonzero(~start).tolist())
    chosen: dict[tuple[int, ...], Floats] = {bad: total(bad) for bad in {(), first} if n - len(bad) >= least}
    height = {bad: float(logsumexp(one)) for bad, one in chosen.items()}
    done: set[tuple[int, ...]] = set()
    while len(chosen) < _MOST:
        top = max(height.values())
        open_ = [bad for bad in height if bad not in done and height[bad] > top - _NEAR]
        if not open_:
            break
        at = max(open_, key=height.__getitem__)
        done.add(at)
        for marker in range(n):
            other = tuple(sorted(set(at) ^ {marker}))
            if other not in chosen and n - len(other) >= least:
                chosen[other] = total(other)
                height[other] = float(logsumexp(chosen[other]))
    order = sorted(chosen, key=lambda bad: -height[bad])
    weight = np.exp(np.stack([chosen[bad] for bad in order]) - logsumexp(list(height.values())))
    bad = np.zeros(n)
    for row, share in zip(order, weight.sum(axis=1), strict=True):
        bad[list(row)] += share
    of_cov = weight.sum(axis=0)
    bends = np.array([one.sigma > 0.0 for one in made])
    chance = float(of_cov[bends].sum())
    share = of_cov * bends if chance > 0.0 else bends.astype(float)
    share = share / share.sum()
    numbers = np.log(np.array([[max(one.sigma, 1e-9), one.length, one.setting] for one in made]))
    sigma, length, setting = np.exp(share @ numbers).tolist()
    likely = Covariance(sigma, length, setting, prior.family)
    middle = of_cov @ numbers[:, 2]
    known = 0.5 / max(float(of_cov @ (numbers[:, 2] - middle) ** 2), 1e-6)
    # choices drawn from all by even steps over their summed chances, each with its share of the draws
    flat = weight.reshape(-1)
    steps = (np.arange(_PARTS) + 0.5) / _PARTS
    drawn = np.minimum(np.searchsorted(np.cumsum(flat) / flat.sum(), steps), len(flat) - 1)
    rows, count = np.unique(drawn, return_counts=True)
    choices = [(order[row // len(made)], made[row % len(made)]) for row in rows.tolist()]
    return Weighed(
        choices, count / count.sum(), np.clip(bad, 0.0, 1.0), likely, chance, max(known, 1.0), _LOST * moved_sigma
    )
