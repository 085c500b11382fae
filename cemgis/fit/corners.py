"""Where each corner lies, and how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from cemgis.adjust import radius_95
from cemgis.errors import InputError
from cemgis.fit.models import WHERE
from cemgis.fit.result import Fit
from cemgis.signal import Local

__all__ = ["Located", "LocatedLocally", "locate"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
_MEAN_SETTING = 1.0 / 3.0
"""Share of the setting variance in the middle of a space: a quarter of a lot's, a half at its ends."""


@dataclass(frozen=True)
class Located:
    """Corners on the grid with their joint covariance.

    The error of corner i is ``A_i e + o_i``: e the errors all corners share (here the fit's parameters), o_i its own.
    A held corner's own error may go with e, as its reading took part in the fit.

    Parameters
    ----------
    grid_xy : (m, 2) array
    shared : (m, 2, q) array
        A_i; zero for a corner held by its marker.
    shared_cov : (q, q) array
        Covariance of e.
    crossed : (m, q, 2) array
        Covariance of e with o_i.
    own : (m, 2, 2) array
        Covariance of o_i.
    setting_shared : (q, q) array
        The part of `shared_cov` that is setting error.
    setting_own : (m,) array
        The part of `own`, each coordinate, that is setting error.
    setting_dof : float
        Degrees of freedom of the setting error.
    """

    grid_xy: Floats
    shared: Floats
    shared_cov: Floats
    crossed: Floats
    own: Floats
    setting_shared: Floats
    setting_own: Floats
    setting_dof: float

    def joint(self, index: npt.ArrayLike) -> Floats:
        """Joint covariance (k, 2 j, 2 j) of k groups of j corners; order E, N of the first, E, N of the second ..."""
        chosen = np.asarray(index, dtype=np.int64)
        k, j = chosen.shape
        q = self.shared_cov.shape[0]
        rows = self.shared[chosen].reshape(k, 2 * j, q)
        crossed = self.crossed[chosen].transpose(0, 2, 1, 3).reshape(k, q, 2 * j)
        mixed = rows @ crossed
        out: Floats = (rows @ self.shared_cov) @ rows.transpose(0, 2, 1) + mixed + mixed.transpose(0, 2, 1)
        return out + self._own(chosen, self.own[chosen])

    def _own(self, chosen: Ints, own: Floats) -> Floats:
        """Spread (k, j, 2, 2) blocks over (k, 2 j, 2 j), also where a group names one corner twice."""
        k, j = chosen.shape
        same = (chosen[:, :, None] == chosen[:, None, :]).astype(float)
        out: Floats = np.einsum("kab,kaxy->kaxby", same, own).reshape(k, 2 * j, 2 * j)
        return out

    @staticmethod
    def _together(chosen: Ints, share: Floats) -> Floats:
        """Weight of each corner's own error squared, (k, j), also where a group names one corner twice."""
        total = np.zeros_like(share)
        for column in range(share.shape[1]):
            total += (chosen == chosen[:, column : column + 1]) * share[:, column : column + 1]
        return share * total

    @property
    def bend(self) -> Floats:
        """Vectors (m, 2) of a signal beside the model: there is none."""
        return np.zeros_like(self.grid_xy)

    @property
    def cov(self) -> Floats:
        """Covariance (m, 2, 2) of each corner."""
        mixed = self.shared @ self.crossed
        out: Floats = self.shared @ self.shared_cov @ self.shared.transpose(0, 2, 1) + self.own
        return out + mixed + mixed.transpose(0, 2, 1)

    @property
    def dof(self) -> Floats:
        """Degrees of freedom (m,) of each corner's covariance, for `radius_95`; infinite where it is known."""
        setting = np.einsum("mip,pq,miq->m", self.shared, self.setting_shared, self.shared) + 2.0 * self.setting_own
        return self._dof(setting, np.einsum("mii->m", self.cov))

    def _dof(self, setting: Floats, total: Floats) -> Floats:
        """Degrees of freedom of a variance that is estimated in part (Satterthwaite)."""
        part = np.divide(setting, total, out=np.zeros_like(total), where=total > 0)
        with np.errstate(divide="ignore"):
            out: Floats = np.maximum(self.setting_dof / part**2, 1.0)
        return out

    def radius_95(self) -> Floats:
        """95 % radius (m,) of each corner."""
        return radius_95(self.cov, self.dof)

    def mean(self, index: npt.ArrayLike, weights: npt.ArrayLike, chunk: int = 50_000) -> tuple[Floats, Floats, Floats]:
        """Weighted means of corners, such as the centres of spaces.

        Parameters
        ----------
        index : (k, j) array of int
            Corners of each; any corner with weight zero fills a row up.
        weights : (k, j) array
        chunk : int
            How many at a time.

        Returns
        -------
        grid_xy : (k, 2) array
        cov : (k, 2, 2) array
        dof : (k,) array
        """
        chosen, weight = np.asarray(index, dtype=np.int64), np.asarray(weights, dtype=float)
        every = _summing(chosen, weight, len(self.grid_xy))
        xy: Floats = every @ self.grid_xy
        cov, setting = np.empty((len(chosen), 2, 2)), np.empty(len(chosen))
        p = len(self.shared_cov)
        shared, crossed = self.shared.reshape(-1, 2 * p), self.crossed.reshape(-1, 2 * p)
        own = self.own.reshape(-1, 4)
        for first in range(0, len(chosen), chunk):
            at = slice(first, first + chunk)
            rows, share = chosen[at], weight[at]
            # The mean's error is (sum w A) e + sum w o: no joint covariance of all its corners is needed.
            mean = every[at]
            moved = (mean @ shared).reshape(-1, 2, p)
            mixed = moved @ (mean @ crossed).reshape(-1, p, 2)
            twice = self._together(rows, share)
            alone = _summing(rows, twice, len(own))
            cov[at] = (moved @ self.shared_cov) @ moved.transpose(0, 2, 1) + mixed + mixed.transpose(0, 2, 1)
            cov[at] += (alone @ own).reshape(-1, 2, 2)
            setting[at] = ((moved @ self.setting_shared) * moved).sum(axis=(1, 2))
            setting[at] += 2.0 * (alone @ self.setting_own)
        return xy, cov, self._dof(setting, np.einsum("kii->k", cov))


def _summing(index: Ints, weights: Floats, size: int) -> sparse.csr_matrix:
    """Matrix (k, size) that makes weighted sums of rows, from their numbers (k, j)."""
    k, j = index.shape
    return sparse.csr_matrix((weights.ravel(), index.ravel(), j * np.arange(k + 1)), shape=(k, size))


@dataclass(frozen=True)
class LocatedLocally:
    """Corners on the grid with their joint covariance, by a model and a local signal; the same to ask as `Located`.

    Parameters
    ----------
    grid_xy : (m, 2) array
    plat_xy : (m, 2) array
    design : (m, 2, p) array
        Derivatives by the model's parameters.
    local : cemgis.signal.Local
    apart : sequence of (m, 2) arrays
        By how much each part of `local` differs from the mean.
    held : (m,) array of bool
    row : (m,) array of int
        Marker in `local` that holds the corner, -1 for none.
    reading : (m, 2, 2) array
        Covariance of the reading that holds the corner; zero for the others.
    own : (m, 2, 2) array
        What each corner's error shares with no other: the reading, or the setting error.
    tail_dof, mean_tail_dof : (m,) arrays
        Degrees of freedom of what is predicted, for the tails its open parameters leave: of a corner, and of the mean
        of several.
    bend : (m, 2) array
        The signal with what it moves the trend by, beside the straight fit; also where a marker holds the corner.
    """

    grid_xy: Floats
    plat_xy: Floats
    design: Floats
    local: Local
    apart: Sequence[Floats]
    held: Flags
    row: Ints
    reading: Floats
    own: Floats
    tail_dof: Floats
    mean_tail_dof: Floats
    bend: Floats

    def joint(self, index: npt.ArrayLike) -> Floats:
        """Joint covariance (k, 2 j, 2 j) of k groups of j corners; order E, N of the first, E, N of the second ..."""
        chosen = np.asarray(index, dtype=np.int64)
        k, j = chosen.shape
        cov, pull = self.local.joint(self.plat_xy, self.design, chosen, self.row, self.apart)
        held = self.held[chosen]
        free = ~held
        cov *= (free[:, :, None] & free[:, None, :])[:, :, None, :, None]
        # an unfound corner errs with the reading of a held one as much as that reading goes into it
        shared = pull @ self.reading[chosen][:, None] * (free[:, :, None] & held[:, None, :])[..., None, None]
        cov += shared.transpose(0, 1, 3, 2, 4) + shared.transpose(0, 2, 4, 1, 3)
        same = (chosen[:, :, None] == chosen[:, None, :]).astype(float)
        cov += np.einsum("kab,kaxy->kaxby", same, self.own[chosen])
        return cov.reshape(k, 2 * j, 2 * j)

    @property
    def cov(self) -> Floats:
        """Covariance (m, 2, 2) of each corner."""
        return self.joint(np.arange(len(self.grid_xy))[:, None])

    @property
    def dof(self) -> Floats:
        """Degrees of freedom (m,) of each corner's covariance, for `radius_95`; infinite where a marker holds it."""
        return np.where(self.held, np.inf, self.tail_dof)

    def radius_95(self) -> Floats:
        """95 % radius (m,) of each corner."""
        return radius_95(self.cov, self.dof)

    def mean(self, index: npt.ArrayLike, weights: npt.ArrayLike, chunk: int = 20_000) -> tuple[Floats, Floats, Floats]:
        """Weighted means of corners, as `Located.mean`; spaces of one lot ask for its corners once."""
        chosen, weight = np.asarray(index, dtype=np.int64), np.asarray(weights, dtype=float)
        groups, which = np.unique(chosen, axis=0, return_inverse=True)
        which = which.reshape(-1)
        cov = np.empty((len(chosen), 2, 2))
        order = np.argsort(which, kind="stable")
        ends = np.searchsorted(which[order], np.arange(0, len(groups) + chunk, chunk))
        for number, first in enumerate(range(0, len(groups), chunk)):
            rows = order[ends[number] : ends[number + 1]]
            j = chosen.shape[1]
            joint = self.joint(groups[first : first + chunk]).reshape(-1, j, 2, j, 2)[which[rows] - first]
            cov[rows] = np.einsum("ka,kb,kaxby->kxy", weight[rows], weight[rows], joint, optimize=True)
        xy = np.einsum("kj,kjx->kx", weight, self.grid_xy[chosen])
        rests = np.abs(weight) * ~self.held[chosen]
        whole = rests.sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = whole / (rests / self.mean_tail_dof[chosen]).sum(axis=1)
        return xy, cov, np.where(whole > 0.0, dof, np.inf)


def locate(
    fit: Fit,
    corners_plat_xy: npt.ArrayLike,
    held_index: npt.ArrayLike,
    held_grid_xy: npt.ArrayLike,
    held_cov: npt.ArrayLike,
    held_row: npt.ArrayLike,
    doubtful: npt.ArrayLike | None = None,
) -> Located | LocatedLocally:
    """Place the corners of a plat: on their markers where found, else by the fit.

    Parameters
    ----------
    fit : Fit
    corners_plat_xy : (m, 2) array
    held_index : (h,) array of int
        Corners that a found marker holds; each once.
    held_grid_xy : (h, 2) array
        Where the marker says the corner is.
    held_cov : (h, 2, 2) array
        Covariance of that reading.
    held_row : (h,) array of int
        Row of that marker in the fit, -1 if it is not there.
    doubtful : (h,) array of bool, optional
        Markers that hold their corner although they do not agree.

    Returns
    -------
    Located or LocatedLocally
        Target is the corner as its marker stands or would stand: a held corner has its reading's error only, an unfound
        one the fit's and the setting error. A doubtful corner also carries its miss times itself, so that its radius
        reaches the place the plat gives.

    Raises
    ------
    InputError
        When a corner is held twice.

    Examples
    --------
    >>> from cemgis.fit import fit_plat
    >>> plat = np.array([[0, 0], [100, 0], [100, 80], [0, 80], [50, 40]], dtype=float)
    >>> fit = fit_plat(plat, plat + [2e6, 7e5], np.zeros((5, 2, 2)),
    ...                setting_sigma=0.2, setting_dof=4, alpha=0.001, power=0.8)
    >>> located = locate(fit, plat[:2], [0], [[2000000.0, 700000.0]], [0.01 * np.eye(2)], [0])
    >>> located.cov[0].round(3).tolist()
    [[0.01, 0.0], [0.0, 0.01]]
    """
    plat = np.asarray(corners_plat_xy, dtype=float).reshape(-1, 2)
    index = np.asarray(held_index, dtype=np.int64).reshape(-1)
    held_xy = np.asarray(held_grid_xy, dtype=float).reshape(-1, 2)
    own_held = np.asarray(held_cov, dtype=float).reshape(-1, 2, 2)
    row = np.asarray(held_row, dtype=np.int64).reshape(-1)
    if len(np.unique(index)) < len(index):
        raise InputError.of(WHERE, "one corner is held by two markers", "Settle which of them holds it.")
    shared = fit.jacobian(plat)
    grid = fit.transform(plat)
    apart: Sequence[Floats] = ()
    signal = np.zeros_like(grid)
    if fit.local is not None:
        signal, apart = fit.local.predicted(plat, shared)
        grid = grid + signal
    doubt = np.zeros(len(index), dtype=bool) if doubtful is None else np.asarray(doubtful, dtype=bool)
    miss = held_xy - grid[index]
    variance = fit.setting_sigma**2 if fit.local is None else fit.local.setting_variance
    own = np.tile(variance * np.eye(2), (len(plat), 1, 1))
    own[index] = own_held + np.where(doubt[:, None, None], miss[:, :, None] * miss[:, None, :], 0.0)
    if fit.bad_chance is not None:
        # a marker that is bad with some chance leaves its corner where the others put it, with that chance
        share = np.where((row >= 0) & ~doubt, np.nan_to_num(fit.bad_chance[row]), 0.0)
        gone = np.where((row >= 0)[:, None], np.nan_to_num(fit.leave_one_out[row]), 0.0)
        own[index] += share[:, None, None] * gone[:, :, None] * gone[:, None, :]
    grid[index] = held_xy
    if fit.local is not None and fit.local_row is not None:
        held, at, reading = np.zeros(len(plat), dtype=bool), np.full(len(plat), -1), np.zeros((len(plat), 2, 2))
        held[index], reading[index] = True, own_held
        at[index] = np.where(row >= 0, fit.local_row[row], -1)
        tail, of_mean = fit.local.tail_dof(plat, shared), fit.local.tail_dof(plat, shared, _MEAN_SETTING)
        return LocatedLocally(grid, plat, shared, fit.local, apart, held, at, reading, own, tail, of_mean, signal)
    setting_own = np.full(len(plat), variance)
    setting_own[index] = 0.0
    shared[index] = 0.0
    crossed = np.zeros((len(plat), fit.cov.shape[0], 2))
    crossed[index] = np.where((row >= 0)[:, None, None], fit.gain[row] @ own_held, 0.0)
    return Located(grid, shared, fit.cov, crossed, own, variance * fit.gain_square, setting_own, fit.dof)
