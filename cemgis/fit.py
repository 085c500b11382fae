"""Plat to grid: a robust weighted fit, and where each corner then lies and how sure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from cemgis.adjust import adjust, inverse_blocks, noncentrality, quadratics, radius_95
from cemgis.errors import Gather, InputError
from cemgis.signal import Local, Prior, collocate, learn, outside

__all__ = ["MODELS", "Fit", "Located", "LocatedLocally", "Mixture", "fit_plat", "locate"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

MODELS: Mapping[str, int] = {"shift": 2, "rigid": 3, "conformal": 4, "affine": 6}
"""Number of parameters by model: moved; moved and turned; also scaled; also sheared and scaled by axis."""

_WHERE = "plat"

_SHAPE_LIMIT = 0.1
"""Largest standard deviation of direction and scale, 6 degrees and 10 %. Assumption, no source."""
_AGREE_SHARE = 1.0 / 3.0
"""A plat that fewer of its markers agree with is not placed. Assumption, no source."""
_MOVED_RATIO = 10.0
"""A marker that was moved lies off by about this many setting deviations. Assumption, no source; start values only."""
_BAD_SHARE = 0.2
"""Share of bad markers expected before looking. Assumption, no source; start values only."""
_SEED = 20
"""Of the samples of the robust start: the same markers always give the same fit."""
_SAMPLES = 500
_CHECKED = 1e-9
_RELEARN = 400
"""With more markers a signal's covariance is not learned in every round of tests."""


# ---- the four models, in scaled plat coordinates u = (plat - centre) / spread, parameters all lengths ---------------


@dataclass
class _State:
    """Grid = linear u + offset."""

    linear: Floats
    offset: Floats

    def at(self, u: Floats) -> Floats:
        return u @ self.linear.T + self.offset


def _design(model: str, u: Floats, linear: Floats) -> Floats:
    """(n, 2, p) derivatives of the grid coordinates by the parameters."""
    x, y = u[:, 0], u[:, 1]
    one, none = np.ones_like(x), np.zeros_like(x)
    if model == "shift":
        rows = [[one, none], [none, one]]
    elif model == "rigid":
        turned = u @ np.array([[0.0, -1.0], [1.0, 0.0]]).T @ (linear / np.linalg.norm(linear[:, 0])).T
        rows = [[turned[:, 0], one, none], [turned[:, 1], none, one]]
    elif model == "conformal":
        rows = [[x, -y, one, none], [y, x, none, one]]
    else:
        rows = [[x, y, one, none, none, none], [none, none, none, x, y, one]]
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1)


def _moved(model: str, state: _State, step: Floats) -> _State:
    if model == "shift":
        return _State(state.linear, state.offset + step)
    if model == "rigid":
        length = float(np.linalg.norm(state.linear[:, 0]))
        angle = np.arctan2(state.linear[1, 0], state.linear[0, 0]) + step[0] / length
        cos, sin = np.cos(angle), np.sin(angle)
        return _State(length * np.array([[cos, -sin], [sin, cos]]), state.offset + step[1:])
    if model == "conformal":
        return _State(state.linear + np.array([[step[0], -step[1]], [step[1], step[0]]]), state.offset + step[2:])
    return _State(state.linear + np.array([step[0:2], step[3:5]]), state.offset + step[[2, 5]])


def _solve(model: str, u: Floats, grid: Floats, weight: Floats, state: _State) -> tuple[_State, Floats]:
    """One weighted Gauss-Newton step, exact but for `rigid`; returns the state and the parameters' covariance."""
    design = _design(model, u, state.linear)
    weighed = weight @ design
    normal = np.einsum("nip,niq->pq", design, weighed)
    right = np.einsum("nip,ni->p", weighed, grid - state.at(u))
    covariance = np.linalg.inv(normal)
    return _moved(model, state, covariance @ right), covariance


# ---- the setting error as a variance component -----------------------------------------------------------------------


@dataclass
class _Weighted:
    """A fit of chosen markers with the setting variance that makes their misses likeliest."""

    state: _State
    cov: Floats
    variance: float
    dof: float
    gain: Floats
    gain_square: Floats


def _estimate(model: str, u: Floats, grid: Floats, reading: Floats, prior: tuple[float, float], start: _State,
              first: float) -> _Weighted:  # fmt: skip
    """Restricted maximum likelihood for the setting variance under a scaled inverse chi-squared prior.

    With log variance t, its score is ``-(s2 (tr P - v'PPv) + dof0 - dof0 s0**2/s2)/2`` and its expected information
    ``(s2**2 tr PP + dof0)/2`` (Fisher scoring; Searle, Casella & McCulloch, Variance Components, ch. 6, from memory).
    Where readings have no error the mode is ``(dof0 s0**2 + v'v)/(dof0 + 2 n - p)`` exactly.
    """
    sigma0, dof0 = prior
    eye = np.eye(2)
    state, logarithm = start, np.log(first)
    parameters = MODELS[model]
    floor = np.log(1e-12 * max(sigma0**2, 1e-300))
    for _ in range(60):
        variance = float(np.exp(logarithm))
        weight = inverse_blocks(reading + variance * eye)
        before = state.linear
        state, cov = _solve(model, u, grid, weight, state)
        design = _design(model, u, state.linear)
        miss = grid - state.at(u)
        weighed = weight @ design
        flat = weighed.reshape(-1, parameters)
        second = flat.T @ flat
        third = flat.T @ (weight @ weighed).reshape(-1, parameters)
        trace = float(np.einsum("nii->", weight) - np.einsum("pq,qp->", cov, second))
        both = cov @ second
        square = float(np.einsum("nij,nji->", weight, weight) - 2.0 * np.einsum("pq,qp->", cov, third)
                       + np.einsum("pq,qp->", both, both))  # fmt: skip
        pulled = np.einsum("nij,nj->ni", weight, miss)
        score = -0.5 * (variance * (trace - float((pulled**2).sum())) + dof0 - dof0 * sigma0**2 / variance)
        information = 0.5 * (variance**2 * max(square, 0.0) + dof0)
        if information <= _CHECKED:  # no prior and nothing left over: the first guess stays
            break
        step = float(np.clip(score / information, -1.5, 1.5))
        logarithm = max(logarithm + step, floor)
        turned = float(np.abs(state.linear - before).max())
        if abs(step) < 1e-9 and turned < 1e-9 * max(1.0, float(np.abs(state.linear).max())):
            break
    variance = float(np.exp(logarithm))
    weight = inverse_blocks(reading + variance * eye)
    state, cov = _solve(model, u, grid, weight, state)
    design = _design(model, u, state.linear)
    gain = cov @ (weight @ design).transpose(0, 2, 1)
    return _Weighted(state, cov, variance, max(2.0 * information, _CHECKED), gain, np.einsum("npi,nqi->pq", gain, gain))


# ---- robust start ----------------------------------------------------------------------------------------------------


def _samples(model: str, u: Floats) -> Ints:
    """(c, k) rows of the smallest samples that give the model, wide ones first choice; the same every time."""
    n = len(u)
    rng = np.random.default_rng(_SEED)
    size = {"shift": 1, "affine": 3}.get(model, 2)
    if size == 1:
        rows = np.arange(n)[:, None]
        return rows if n <= _SAMPLES else rows[np.sort(rng.choice(n, _SAMPLES, replace=False))]
    most = {2: 32, 3: 15}[size]
    if n <= most:
        chosen = np.array(list(combinations(range(n), size)), dtype=np.int64).reshape(-1, size)
    else:
        chosen = rng.integers(0, n, size=(6 * _SAMPLES, size))
    if size == 2:
        extent = np.linalg.norm(u[chosen[:, 1]] - u[chosen[:, 0]], axis=1)
    else:
        one, two = u[chosen[:, 1]] - u[chosen[:, 0]], u[chosen[:, 2]] - u[chosen[:, 0]]
        extent = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    order = np.argsort(-extent, kind="stable")
    wide: Ints = chosen[order[extent[order] > 1e-6]][:_SAMPLES]
    return wide


def _candidates(model: str, u: Floats, grid: Floats, spread: float) -> list[_State]:
    rows = _samples(model, u)
    if model == "shift":
        linear = spread * np.eye(2)
        return [_State(linear, grid[row[0]] - linear @ u[row[0]]) for row in rows]
    if model == "affine":
        homogeneous = np.concatenate([u[rows], np.ones((*rows.shape, 1))], axis=2)
        solved = np.linalg.solve(homogeneous, grid[rows])
        return [_State(part[:2].T, part[2]) for part in solved]
    z, w = u @ np.array([1.0, 1j]), grid @ np.array([1.0, 1j])
    factor = (w[rows[:, 1]] - w[rows[:, 0]]) / (z[rows[:, 1]] - z[rows[:, 0]])
    if model == "rigid":
        size = np.abs(factor)
        factor = spread * np.where(size > 0, factor / np.where(size > 0, size, 1.0), 1.0)
    origin = (w[rows] - factor[:, None] * z[rows]).mean(axis=1)
    return [
        _State(np.array([[f.real, -f.imag], [f.imag, f.real]]), np.array([o.real, o.imag]))
        for f, o in zip(factor, origin, strict=True)
    ]


class Mixture:
    """Likelihood of misses when a marker is good, was moved a little, or may be anywhere."""

    def __init__(self, noise: Floats, sigma0: float, dof0: float, area: float) -> None:
        self.noise, self.sigma0, self.dof0 = noise, sigma0, max(dof0, 1.0)
        self.scales = sigma0 * 2.0 ** np.linspace(-3.0, 3.0, 13)
        self.moved = (_MOVED_RATIO * sigma0) ** 2 + noise
        self.anywhere = _BAD_SHARE / 2.0 / area

    def bad(self, square: Floats) -> Floats:
        """Density if the marker is bad."""
        density = _BAD_SHARE / 2.0 * np.exp(-0.5 * square / self.moved) / (2.0 * np.pi * self.moved)
        out: Floats = density + self.anywhere
        return out

    def good(self, square: Floats, scale: float) -> Floats:
        """Density if the marker is good and markers were set this well."""
        variance = scale**2 + self.noise
        out: Floats = (1.0 - _BAD_SHARE) * np.exp(-0.5 * square / variance) / (2.0 * np.pi * variance)
        return out

    def prior(self, scale: float) -> float:
        """Log prior of the setting deviation, scaled inverse chi-squared in its logarithm."""
        return float(-self.dof0 * np.log(scale) - 0.5 * self.dof0 * (self.sigma0 / scale) ** 2)

    def score(self, square: Floats) -> tuple[Floats, Ints]:
        """Log posterior of each row of squared misses (c, n) at its best scale, and which scale that is."""
        bad = self.bad(square)
        logs = np.stack([np.log(self.good(square, s) + bad).sum(axis=1) + self.prior(s) for s in self.scales], axis=1)
        best = np.argmax(logs, axis=1)
        return logs[np.arange(len(logs)), best], best.astype(np.int64)


def _start(
    model: str, u: Floats, grid: Floats, noise: Floats, prior: tuple[float, float], spread: float
) -> tuple[_State, float, Flags]:
    """Likeliest fit among many from smallest samples, refined: state, setting deviation, which markers are good."""
    sigma0, dof0 = prior
    extent = np.ptp(u, axis=0) * spread
    area = float(max(extent[0] * extent[1], extent.max() ** 2 / 4.0, (50.0 * sigma0) ** 2))
    states = _candidates(model, u, grid, spread)
    n = len(u)
    seen = np.arange(n) if n <= 800 else np.linspace(0, n - 1, 800).astype(np.int64)
    mixture = Mixture(noise[seen], sigma0, dof0, area)
    linear = np.stack([state.linear for state in states])
    offset = np.stack([state.offset for state in states])
    square = ((grid[None, seen] - u[None, seen] @ linear.transpose(0, 2, 1) - offset[:, None]) ** 2).sum(axis=2)
    scores, scale_at = mixture.score(square)
    order = np.argsort(-scores, kind="stable")[:4]
    mixture = Mixture(noise, sigma0, dof0, area)
    eye = np.eye(2)
    best: tuple[float, _State, float] | None = None
    for number in order:
        state, scale = states[number], float(mixture.scales[scale_at[number]])
        for _ in range(15):
            square = ((grid - state.at(u)) ** 2).sum(axis=1)
            good = mixture.good(square, scale)
            share = good / (good + mixture.bad(square))
            if share.sum() < MODELS[model] / 2.0:
                break
            variance = scale**2 + noise
            # a marker far off keeps a trace of weight so that the normal matrix stays regular
            state, _ = _solve(model, u, grid, (np.maximum(share, 1e-9) / variance)[:, None, None] * eye, state)
            square = ((grid - state.at(u)) ** 2).sum(axis=1)
            expected = share * ((scale**2 / variance) ** 2 * square + 2.0 * scale**2 * noise / variance)
            left = max(2.0 * float(share.sum()) - MODELS[model], 0.0)
            dof = mixture.dof0
            was, scale = scale, float(np.sqrt((dof * sigma0**2 + expected.sum()) / (dof + left)))
            if abs(scale - was) < 1e-3 * was:
                break
        square = ((grid - state.at(u)) ** 2).sum(axis=1)
        total = float(np.log(mixture.good(square, scale) + mixture.bad(square)).sum()) + mixture.prior(scale)
        if best is None or total > best[0] + 1e-9:
            best = total, state, scale
    if best is None:
        raise InputError.of(_WHERE, "no two markers lie apart on it", "Find markers far from one another.")
    _, state, scale = best
    square = ((grid - state.at(u)) ** 2).sum(axis=1)
    good = mixture.good(square, scale)
    return state, scale, good > mixture.bad(square)


# ---- the fit ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fit:
    """A plat placed on the grid, and what it says of every marker.

    Parameters
    ----------
    model : str
        A key of `MODELS`.
    plat_xy, grid_xy : (n, 2) arrays
        Where each marker belongs by the plat, and where it was read.
    reading_cov : (n, 2, 2) array
        Covariance of the readings.
    plat_centre : (2,) array
    spread : float
        Root mean square distance of the used markers from that centre; parameters are lengths at this distance.
    linear : (2, 2) array
        Grid units a plat unit.
    offset : (2,) array
        Grid coordinates of `plat_centre`.
    cov : (p, p) array
        Covariance of the centred parameters, setting error and readings included.
    gain : (n, p, 2) array
        How the error of each marker goes into the parameters; zero for markers that are not used.
    gain_square : (p, p) array
        Sum of gain times its transpose: what a unit of setting variance does to the parameters.
    setting_sigma : float
        How far markers of this plat were set from their places, each coordinate, as estimated.
    dof : float
        How many misses that estimate is worth, the first guess included; for the t factor of `radius_95`.
    sigma0 : float
        Root mean square of the used misses against readings and the *first guess* of the setting error; above 1 when
        the markers of this plat miss by more than the rule expects. NaN without redundancy.
    global_chance : float
        Chance of a `sigma0` so large under that first guess.
    condition : float
        Of the weighted, scaled design.
    used : (n,) array of bool
    checked : bool
        Whether anything is left over to check the fit with.
    unresolved : (n,) array of bool
        Used markers that fail the test but cannot be set aside, as nothing would then check the rest.
    misses : (n, 2) array
        Found minus fitted.
    w : (n,) array
        Root of the statistic of both coordinates under the first guess of the setting error (Baarda).
    tau, tau_limit : (n,) arrays
        The same under the estimated setting error (Pope), as if the marker were in the fit, and its critical value.
    redundancy : (n,) array
        Share of the marker that the others check; 1 for markers not used.
    smallest_detectable : (n,) array
        Least miss of this marker that the test would notice with the given power.
    leave_one_out : (n, 2) array
        Found minus predicted from all other used markers.
    local : cemgis.signal.Local, optional
        Signal beside the model. Then `misses`, `tau`, `tau_limit`, `redundancy`, `smallest_detectable`,
        `leave_one_out`, `unresolved` and `used` come from both together; everything else is the model's alone.
    local_row : (n,) array of int, optional
        Row of each marker in it, -1 for those not used.
    """

    model: str
    plat_xy: Floats
    grid_xy: Floats
    reading_cov: Floats
    plat_centre: Floats
    spread: float
    linear: Floats
    offset: Floats
    cov: Floats
    gain: Floats
    gain_square: Floats
    setting_sigma: float
    dof: float
    sigma0: float
    global_chance: float
    condition: float
    used: Flags
    checked: bool
    unresolved: Flags
    misses: Floats
    w: Floats
    tau: Floats
    tau_limit: Floats
    redundancy: Floats
    smallest_detectable: Floats
    leave_one_out: Floats
    local: Local | None = None
    local_row: Ints | None = None

    def transform(self, plat_xy: npt.ArrayLike) -> Floats:
        """Grid coordinates (m, 2) of plat coordinates (m, 2) by the model alone."""
        out: Floats = (np.asarray(plat_xy, dtype=float) - self.plat_centre) @ self.linear.T + self.offset
        return out

    def place(self, plat_xy: npt.ArrayLike) -> Floats:
        """Likeliest grid coordinates (m, 2) of plat coordinates (m, 2): the model, and the signal if there is one."""
        plat = np.asarray(plat_xy, dtype=float).reshape(-1, 2)
        if self.local is None:
            return self.transform(plat)
        return self.transform(plat) + self.local.predicted(plat, self.jacobian(plat))[0]

    def turn(self, plat_vectors: npt.ArrayLike) -> Floats:
        """Grid vectors (m, 2) of plat vectors (m, 2): an inset, a side, a direction."""
        out: Floats = np.asarray(plat_vectors, dtype=float) @ self.linear.T
        return out

    def inverse(self, grid_xy: npt.ArrayLike) -> Floats:
        """Plat coordinates (m, 2) of grid coordinates (m, 2)."""
        out: Floats = (np.asarray(grid_xy, dtype=float) - self.offset) @ np.linalg.inv(self.linear).T + self.plat_centre
        return out

    def jacobian(self, plat_xy: npt.ArrayLike) -> Floats:
        """Return derivatives (m, 2, p) of the grid coordinates by the centred parameters."""
        u = (np.asarray(plat_xy, dtype=float) - self.plat_centre) / self.spread
        return _design(self.model, u, self.linear * self.spread)

    def covariance_at(self, plat_xy: npt.ArrayLike, *, setting: bool = True) -> Floats:
        """Covariance (m, 2, 2) of `place`; with the setting error of what stands there unless told otherwise."""
        jacobian = self.jacobian(plat_xy)
        if self.local is not None:
            plat = np.asarray(plat_xy, dtype=float).reshape(-1, 2)
            apart = self.local.predicted(plat, jacobian)[1]
            groups = np.arange(len(plat))[:, None]
            known: Floats = self.local.joint(plat, jacobian, groups, np.full(len(plat), -1), apart)[0]
            known = known.reshape(-1, 2, 2)
            return known + self.local.setting_variance * np.eye(2) if setting else known
        out: Floats = jacobian @ self.cov @ jacobian.transpose(0, 2, 1)
        return out + self.setting_sigma**2 * np.eye(2) if setting else out

    @property
    def set_to(self) -> float:
        """How far markers were set from their places, the signal apart if there is one."""
        return self.setting_sigma if self.local is None else self.local.likely.setting

    @property
    def parameters(self) -> pd.DataFrame:
        """Parameters about the plat's own origin: value and sigma by name.

        ``E = a x - b y + te``, ``N = b x + a y + tn`` for conformal; ``E = a x + b y + te``, ``N = c x + d y + tn``
        for affine; ``rotation`` in degrees, counter-clockwise from plat to grid, for rigid.
        """
        origin = np.zeros((1, 2))
        move = self.transform(origin)[0]
        lead = {"shift": 0, "rigid": 1, "conformal": 2, "affine": 4}[self.model]
        p = MODELS[self.model]
        rows = np.zeros((lead + 2, p))
        rows[lead:] = self.jacobian(origin)[0]
        if self.model == "rigid":
            names, values = ["rotation"], [self.rotation_deg]
            rows[0, 0] = np.degrees(1.0 / self.spread)
        elif self.model == "conformal":
            names, values = ["a", "b"], [self.linear[0, 0], self.linear[1, 0]]
            rows[0, 0] = rows[1, 1] = 1.0 / self.spread
        elif self.model == "affine":
            names, values = ["a", "b", "c", "d"], list(self.linear.ravel())
            rows[[0, 1, 2, 3], [0, 1, 3, 4]] = 1.0 / self.spread
        else:
            names, values = [], []
        sigma = np.sqrt(np.einsum("ip,pq,iq->i", rows, self.cov, rows))
        return pd.DataFrame({"value": [*values, *move], "sigma": sigma}, index=[*names, "te", "tn"])

    @property
    def scale(self) -> float:
        """Grid length of a plat length, the mean of both axes."""
        return float(np.sqrt(abs(np.linalg.det(self.linear))))

    @property
    def axis_scales(self) -> tuple[float, float]:
        """Scale along the plat's x and along its y."""
        return float(np.linalg.norm(self.linear[:, 0])), float(np.linalg.norm(self.linear[:, 1]))

    @property
    def skew_deg(self) -> float:
        """By how much the angle from the plat's x to its y falls short of 90 degrees."""
        x, y = self.linear[:, 0], self.linear[:, 1]
        return float(90.0 - np.degrees(np.arctan2(x[0] * y[1] - x[1] * y[0], x @ y)))

    @property
    def rotation_deg(self) -> float:
        """Counter-clockwise turn from plat to grid, degrees, -180 to 180."""
        return float(
            np.degrees(np.arctan2(self.linear[1, 0] - self.linear[0, 1], self.linear[0, 0] + self.linear[1, 1]))
        )

    @property
    def azimuth_of_plat_north(self) -> float:
        """Grid azimuth of the plat's y axis, degrees clockwise."""
        return float(np.degrees(np.arctan2(self.linear[0, 1], self.linear[1, 1])) % 360.0)

    @property
    def redundancy_total(self) -> int:
        """Observations left over."""
        return 2 * int(self.used.sum()) - MODELS[self.model]


def _names(labels: Sequence[str], rows: Sequence[int] | Ints) -> str:
    shown = [str(labels[int(row)]) for row in rows[:3]]
    more = f" and {len(rows) - 3} more" if len(rows) > 3 else ""
    return ", ".join(shown) + more


def _least_sites(model: str) -> tuple[int, int]:
    """Different markers that give the model, and that also check it."""
    return (MODELS[model] + 1) // 2, MODELS[model] // 2 + 1


def _apart(u: Floats) -> int:
    """How many different places there are."""
    return len(np.unique(np.round(u, 9), axis=0))


class _Ask:
    """Refuses markers that cannot place a plat, and says what to find next."""

    def __init__(
        self,
        model: str,
        plat: Floats,
        names: Sequence[str],
        unfound: tuple[Sequence[str], npt.ArrayLike] | None,
        where: str,
    ) -> None:
        self.model, self.plat, self.names, self.where = model, plat, names, where
        self.unfound = [] if unfound is None else [str(name) for name in unfound[0]]
        self.places = np.zeros((0, 2)) if unfound is None else np.asarray(unfound[1], dtype=float).reshape(-1, 2)

    def suggest(self, rows: Ints, count: int, *, off_line: bool) -> str:
        """Name the unfound markers farthest from all that is known, one after another."""
        known = self.plat[rows]
        chosen: list[str] = []
        for _ in range(min(count, len(self.places))):
            if off_line and len(known) > 1:
                middle = known.mean(axis=0)
                distance = np.abs((self.places - middle) @ np.linalg.svd(known - middle, full_matrices=True)[2][1])
            else:
                start = known if len(known) else self.places.mean(axis=0)[None]
                distance = cKDTree(start).query(self.places)[0]
            best = int(np.argmax(distance))
            chosen.append(self.unfound[best])
            known = np.vstack([known, self.places[best]])
        return f" {' and '.join(chosen)} would do best." if chosen else ""

    def refuse_few(self, rows: Ints, *, allow_unchecked: bool) -> None:
        """Raise when there are too few different markers."""
        sites = _apart(self.plat[rows])
        least, checked = _least_sites(self.model)
        missing = (least if allow_unchecked else checked) - sites
        if missing <= 0:
            return
        what = f"{sites} found marker{'' if sites == 1 else 's'} cannot place it by a {self.model} fit"
        if sites >= least:
            what += " that anything checks"
        far = f"{_names(self.names, rows)} and from one another" if len(rows) else "one another"
        more = f"{missing} more marker{'' if missing == 1 else 's'}"
        advice = self.suggest(rows, missing, off_line=False)
        raise InputError.of(self.where, what, f"Find {more}, as far from {far} as possible.{advice}")

    def refuse_narrow(self, rows: Ints, width: float, sigma: float) -> None:
        """Raise when markers so wide apart and so well known do not give direction and scale."""
        if self.model == "shift" or sigma < _SHAPE_LIMIT * width:
            return
        line = self.model == "affine" and _apart(self.plat[rows]) > 1
        what = "lie on one line" if line else "lie too close together to give it a direction"
        far = "off that line, as far from" if line else "as far from"
        raise InputError.of(
            self.where,
            f"its markers ({_names(self.names, rows)}) {what}",
            f"Find 1 more marker, {far} {self.names[int(rows[0])]} as possible." + self.suggest(rows, 1, off_line=line),
        )

    def refuse_disagreement(self, agree: int, as_mirror: int, total: int) -> None:
        """Raise because too few markers agree; say whether more would with the plat's mirror image."""
        remedy = "Check labels, section and the readings' reference."
        if as_mirror >= 2 * agree and as_mirror >= _AGREE_SHARE * total:
            remedy = f"With x of the plat turned round {as_mirror} agree: mend its axes."
        what = (
            f"only {agree} of its {total} found markers agree" if agree else f"its {total} found markers do not agree"
        )
        raise InputError.of(self.where, f"{what} with one another", remedy)


def _check(plat: Floats, grid: Floats, reading: Floats, names: Sequence[str], model: str, prior: tuple[float, float],
           alpha: float, power: float, where: str) -> Flags:  # fmt: skip
    """Refuse what is no input; return which markers have a position."""
    gather = Gather()
    n = len(plat)
    if model not in MODELS:
        gather.add(where, f"there is no model {model!r}", f"Write one of {', '.join(MODELS)}.")
    if plat.shape != (n, 2) or grid.shape != (n, 2) or reading.shape != (n, 2, 2) or len(names) != n:
        gather.add(where, "plat, grid, covariance and labels differ in length", "Give one of each a marker.")
    if not (prior[0] > 0 and prior[1] >= 0):
        gather.add(where, f"setting error {prior[0]:g} worth {prior[1]:g} misses", "Give more than 0, and 0 or more.")
    if not 0 < alpha < power < 1:
        gather.add(where, f"alpha {alpha:g} and power {power:g}", "Give 0 < alpha < power < 1.")
    gather.raise_if_any()
    located: Flags = np.isfinite(np.concatenate([plat, grid], axis=1)).all(axis=1)
    east, north, both = reading[:, 0, 0], reading[:, 1, 1], reading[:, 0, 1]
    sound = (
        np.isfinite(reading).all(axis=(1, 2))
        & (east >= 0)
        & (north >= 0)
        & (np.abs(both - reading[:, 1, 0]) <= 1e-9 * (east + north))
    )
    broken = np.flatnonzero(located & ~(sound & (both**2 <= east * north * (1.0 + 1e-9))))
    if len(broken):
        raise InputError.of(where, f"the covariance of {_names(names, broken)} is none", "Give variances of 0 or more.")
    return located


def _limits(dof: Floats, alpha: float) -> tuple[Floats, Floats]:
    """Critical squared statistic of a marker inside the fit (`dof` with it) and of one outside (`dof` without it).

    Inside, T/dof is beta distributed with 1 and (dof - 2)/2, so that the limit is ``dof (1 - alpha**(2/(dof - 2)))``;
    outside T/2 is F with 2 and dof, ``dof (alpha**(-2/dof) - 1)``. Both become chi-squared for a known deviation.
    """
    log = np.log(alpha)
    inside = np.where(dof > 2.0, -dof * np.expm1(2.0 * log / np.maximum(dof - 2.0, 1e-9)), np.inf)
    with np.errstate(over="ignore"):
        outside = dof * np.expm1(-2.0 * log / dof)
    return inside, outside


class _Tests:
    """Statistics of all markers for one choice of used ones."""

    def __init__(self, model: str, u: Floats, grid: Floats, reading: Floats, used: Flags, prior: tuple[float, float],
                 alpha: float, start: _State, first: float) -> None:  # fmt: skip
        self.used = used
        self.found = _estimate(model, u[used], grid[used], reading[used], prior, start, first)
        found = self.found
        design = _design(model, u, found.state.linear)
        self.design = design
        self.miss = grid - found.state.at(u)
        self.own = reading + found.variance * np.eye(2)
        of_fit = design @ found.cov @ design.transpose(0, 2, 1)
        sign = np.where(used, -1.0, 1.0)[:, None, None]
        self.spread = self.own + sign * of_fit
        determinant = np.linalg.det(self.spread)
        self.seen = determinant > _CHECKED * np.linalg.det(self.own)
        safe = np.where(self.seen[:, None, None], self.spread, np.eye(2))
        self.inverse = inverse_blocks(safe)
        self.square = np.where(self.seen, quadratics(self.miss, self.inverse), np.nan)
        part = found.variance / (found.variance + np.einsum("nii->n", reading) / 2.0)
        dof = found.dof / np.maximum(part, 1e-6) ** 2
        inside, outside = _limits(dof, alpha)
        self.limit = np.where(used, inside, outside)
        with np.errstate(invalid="ignore"):
            self.over = np.nan_to_num(self.square) > self.limit
            joined = (dof + 2.0) * self.square / (dof + self.square)
        self.tau = np.sqrt(np.where(used, self.square, joined))
        self.tau_limit = np.sqrt(np.where(used, inside, _limits(dof + 2.0, alpha)[0]))


def _snoop(model: str, u: Floats, grid: Floats, reading: Floats, spread: float, prior: tuple[float, float],
           alpha: float) -> _Tests:  # fmt: skip
    """Robust start, then set aside the worst markers and take back those that fit again, until nothing changes."""
    n, checked = len(u), _least_sites(model)[1]
    if n > checked:
        state, scale, used = _start(model, u, grid, np.einsum("nii->n", reading) / 2.0, prior, spread)
    else:
        state = _candidates(model, u, grid, spread)[0]
        scale, used = prior[0], np.ones(n, dtype=bool)
    if _apart(u[used]) < checked:
        used = np.zeros(n, dtype=bool)
        used[np.argsort(((grid - state.at(u)) ** 2).sum(axis=1), kind="stable")[: checked + 1]] = True
        if _apart(u[used]) < checked:
            used[:] = True
    at = _Tests(model, u, grid, reading, used, prior, alpha, state, scale**2)
    past: set[bytes] = set()
    returning = True
    for _ in range(4 * n + 20):
        chosen = at.used.copy()
        over = np.flatnonzero(at.used & at.over)
        if len(over):
            # a quarter of those over the limit at once, so that thousands take few rounds; the last ones one by one
            ranked = over[np.argsort(-at.square[over] / at.limit[over], kind="stable")]
            chosen[ranked[: (len(over) + 3) // 4]] = False
            if _apart(u[chosen]) < checked:
                chosen = at.used.copy()
                chosen[ranked[0]] = False
            if _apart(u[chosen]) < checked:
                break
        elif returning:
            chosen |= ~at.used & ~at.over
        if (chosen == at.used).all():
            break
        if chosen.tobytes() in past:  # going in circles: from here on nothing comes back
            if not returning:
                break
            returning = False
        past.add(chosen.tobytes())
        at = _Tests(model, u, grid, reading, chosen, prior, alpha, at.found.state, at.found.variance)
    return at


def _agreeing(model: str, at: _Tests) -> int:
    """How many markers are used; none when they leave direction and scale open, as all agree with a plat of no size."""
    if model != "shift":
        size = 2 if model == "affine" else MODELS[model] - 2
        sigma = np.sqrt(np.linalg.eigvalsh(at.found.cov[:size, :size])[-1])
        if sigma > _SHAPE_LIMIT * np.sqrt(abs(np.linalg.det(at.found.state.linear))):
            return 0
    return int(at.used.sum())


def fit_plat(
    plat_xy: npt.ArrayLike,
    grid_xy: npt.ArrayLike,
    cov: npt.ArrayLike,
    *,
    setting_sigma: float,
    setting_dof: float,
    alpha: float,
    power: float,
    model: str = "conformal",
    labels: Sequence[str] | None = None,
    usable: npt.ArrayLike | None = None,
    unfound: tuple[Sequence[str], npt.ArrayLike] | None = None,
    allow_unchecked: bool = False,
    local: Prior | None = None,
    local_least: int = 8,
    where: str = _WHERE,
) -> Fit:
    """Place a plat by its found markers: robust start, then weighted least squares with iterative data snooping.

    Parameters
    ----------
    plat_xy : (n, 2) array
        Where each found marker belongs, plat frame.
    grid_xy : (n, 2) array
        Where it was read, grid, one unit with the covariance. A row with NaN takes no part.
    cov : (n, 2, 2) array
        Covariance of the readings; may be zero.
    setting_sigma : float
        First guess of how far a marker was set from its place, each coordinate (rule ``fit.setting_sigma``).
    setting_dof : float
        How many misses that guess is worth (rule ``fit.setting_dof``); 0 for no guess.
    alpha, power : float
        Of a single test (rules ``fit.alpha``, ``fit.power``).
    model : str
        A key of `MODELS`.
    labels : sequence of str, optional
        Named in messages.
    usable : (n,) array of bool, optional
        Markers that may take part at all; the others get their statistics only.
    unfound : (labels, (m, 2) array), optional
        Markers of this plat not found yet, to suggest what to look for.
    allow_unchecked : bool
        Fit even when nothing is left over to check it.
    local : cemgis.signal.Prior, optional
        What is expected of a smooth local signal beside the model; without it none is looked for.
    local_least : int
        With fewer markers they are judged by the model alone (rule ``fit.signal_markers``).
    where : str
        Named in the error.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        For an unknown model, wrong shapes or covariances, and for markers that are too few, on one line or too close
        together; it says what to find next. Also when fewer than a third of the markers agree.

    Notes
    -----
    A marker's error is its reading's and its setting's, both coordinates alike. The setting variance is estimated by
    restricted maximum likelihood with a weak prior, so that few markers shrink to the first guess. The start is the
    likeliest of up to 500 fits to smallest samples, under a mixture of good, moved and misread markers. Then the
    markers that fail the test are set aside, worst first, and those that fit again are taken back.

    With `local`, every marker is then judged anew against what the markers around it say: the start are those that miss
    as their neighbours do, then again the worst go and what fits comes back. Where nothing speaks for a signal, or the
    markers are too few for one, the plain fit is returned.

    Examples
    --------
    >>> plat = np.array([[0, 0], [100, 0], [100, 80], [0, 80], [50, 40]], dtype=float)
    >>> grid = plat + [2_000_000.0, 700_000.0]
    >>> grid[4] += [9.0, 0.0]
    >>> fit = fit_plat(plat, grid, np.zeros((5, 2, 2)), setting_sigma=0.2, setting_dof=4, alpha=0.001, power=0.8)
    >>> fit.used.tolist(), float(fit.misses[4, 0].round(6))
    ([True, True, True, True, False], 9.0)
    """
    plat, grid, reading = (np.array(item, dtype=float) for item in (plat_xy, grid_xy, cov))
    n = len(plat)
    names = [str(label) for label in labels] if labels is not None else [f"marker {row + 1}" for row in range(n)]
    prior = (float(setting_sigma), float(setting_dof))
    located = _check(plat, grid, reading, names, model, prior, alpha, power, where)
    here = located if usable is None else located & np.asarray(usable, dtype=bool)
    ask = _Ask(model, plat, names, unfound, where)
    order = _in_order(plat, grid)
    order = order[here[order]]
    ask.refuse_few(order, allow_unchecked=allow_unchecked)
    middle, origin = plat[order].mean(axis=0), np.median(grid[order], axis=0)
    axes = np.linalg.svd(plat[order] - middle, full_matrices=False)[1]
    ask.refuse_narrow(order, float(axes[-1] if model == "affine" else np.linalg.norm(axes)), prior[0])

    spread = float(np.sqrt((axes**2).sum() / len(order))) or 1.0
    # what the model alone takes for setting errors includes the bend that is expected beside it
    loose = prior if local is None else (float(np.hypot(prior[0], local.signal_sigma)), prior[1])
    at = _snoop(model, (plat[order] - middle) / spread, grid[order] - origin, reading[order], spread, loose, alpha)
    unresolved = at.used & at.over
    agree = _agreeing(model, at)
    if agree < _AGREE_SHARE * len(order):
        rows = order[at.used]
        away = np.linalg.svd(plat[rows] - plat[rows].mean(axis=0), full_matrices=False)[1]
        ask.refuse_narrow(rows, float(away[-1] if model == "affine" else np.linalg.norm(away)), prior[0])
        mirror = plat[order] * [-1.0, 1.0]
        u = (mirror - mirror.mean(axis=0)) / spread
        turned = _snoop(model, u, grid[order] - origin, reading[order], spread, prior, alpha)
        ask.refuse_disagreement(agree, _agreeing(model, turned), len(order))

    if np.linalg.det(at.found.state.linear) < 0.0:
        mended = "With x of the plat turned round it is not: mend its axes."
        raise InputError.of(where, "its markers agree with its mirror image", mended)
    used, over = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    used[order], over[order] = at.used, unresolved
    linear = at.found.state.linear / spread
    start = _Start(linear, at.found.state.offset + origin - linear @ middle, at.found.variance)
    final = _finished(model, plat, grid, reading, used, over, start, prior, alpha, power)
    return final if local is None else _localised(final, here, local, local_least, prior, alpha, power)


@dataclass(frozen=True, slots=True)
class _Start:
    """Grid = linear plat + offset, and the setting variance: where the last iteration begins."""

    linear: Floats
    offset: Floats
    variance: float


def _finished(
    model: str, plat: Floats, grid: Floats, reading: Floats, used: Flags, unresolved: Flags, begin: _Start,
    prior: tuple[float, float], alpha: float, power: float,
) -> Fit:  # fmt: skip
    """Fit once more about the centre of what is used, and tell of every marker that has a position."""
    n, p = len(plat), MODELS[model]
    every = _in_order(plat, grid)
    flags, rows = used, every[used[every]]
    used = flags[every]
    centre, origin = plat[rows].mean(axis=0), np.median(grid[rows], axis=0)
    spread = float(np.sqrt(((plat[rows] - centre) ** 2).sum() / len(rows))) or 1.0
    u, local = (plat[every] - centre) / spread, grid[every] - origin
    start = _State(begin.linear * spread, begin.offset + begin.linear @ centre - origin)
    at = _Tests(model, u, local, reading[every], used, prior, alpha, start, begin.variance)
    final = at.found
    flat, closing = at.design[used].reshape(-1, p), at.miss[used].reshape(-1)
    guess = reading[every] + prior[0] ** 2 * np.eye(2)
    before = adjust(flat, closing, guess[used])
    after = adjust(flat, closing, at.own[used])
    outside = at.design[~used]
    apart = guess[~used] + outside @ before.covariance @ outside.transpose(0, 2, 1)
    aside = np.sqrt(quadratics(at.miss[~used] - outside @ before.parameters, inverse_blocks(apart)))
    widest = np.sqrt(np.linalg.eigvalsh(at.spread[~used])[:, -1])
    left_out = np.einsum("nij,njk,nk->ni", at.own[used], at.inverse[used], at.miss[used])
    left_out[~at.seen[used]] = np.nan

    def rowwise(of_used: Floats, of_others: Floats | float) -> Floats:
        out = np.full((n, *of_used.shape[1:]), np.nan)
        out[every[used]], out[every[~used]] = of_used, of_others
        return out

    gain = rowwise(final.gain, 0.0)
    return Fit(
        model=model,
        plat_xy=plat,
        grid_xy=grid,
        reading_cov=reading,
        plat_centre=centre,
        spread=spread,
        linear=final.state.linear / spread,
        offset=final.state.offset + origin,
        cov=final.cov,
        gain=np.where(np.isfinite(gain), gain, 0.0),
        gain_square=final.gain_square,
        setting_sigma=float(np.sqrt(final.variance)),
        dof=final.dof,
        sigma0=before.sigma0,
        global_chance=before.global_test(alpha).chance if before.dof else float("nan"),
        condition=after.condition,
        used=flags,
        checked=after.dof > 0,
        unresolved=unresolved,
        misses=rowwise(at.miss[used], at.miss[~used]),
        w=rowwise(np.sqrt(before.block_statistic), aside),
        tau=rowwise(at.tau[used], at.tau[~used]),
        tau_limit=rowwise(at.tau_limit[used], at.tau_limit[~used]),
        redundancy=rowwise(after.redundancy.reshape(-1, 2).mean(axis=1), 1.0),
        smallest_detectable=rowwise(
            after.block_smallest_detectable(alpha, power), noncentrality(alpha, power, 2) * widest
        ),
        leave_one_out=rowwise(left_out, at.miss[~used]),
    )


def _in_order(plat: Floats, grid: Floats) -> Ints:
    """Markers with a position in an order of their own, so that the order they come in changes nothing."""
    order = np.lexsort((grid[:, 1], grid[:, 0], plat[:, 1], plat[:, 0]))
    located = np.isfinite(np.concatenate([plat, grid], axis=1)).all(axis=1)
    kept: Ints = order[located[order]]
    return kept


# ---- the local correction --------------------------------------------------------------------------------------------


class _LocalTests:
    """Every marker against what the others around it say, for one choice of used ones."""

    def __init__(self, fit: Fit, rows: Ints, used: Flags, local: Local, alpha: float) -> None:
        self.used, self.local = used, local
        miss, cov = np.empty((len(rows), 2)), np.empty((len(rows), 2, 2))
        plat, observed, noise = fit.plat_xy[rows], fit.misses[rows], fit.reading_cov[rows]
        miss[used], cov[used] = local.left_out(observed[used])
        away = ~used
        miss[away], cov[away] = outside(local, plat[away], fit.jacobian(plat[away]), observed[away], noise[away])
        self.miss, self.cov = miss, cov
        seen: Flags = np.asarray(np.isfinite(cov).all(axis=(1, 2)))
        inverse = inverse_blocks(np.where(seen[:, None, None], cov, np.eye(2)))
        self.square = np.where(seen, quadratics(miss, inverse), np.nan)
        variance = local.likely.setting**2
        with np.errstate(invalid="ignore"):
            part = variance / (np.einsum("nii->n", cov) / 2.0)
        dof = local.dof / np.where(seen, np.clip(part, 1e-6, 1.0), 1.0) ** 2
        inside, beyond = _limits(dof, alpha)
        self.limit = np.where(used, inside, beyond)
        self.over = np.nan_to_num(self.square) > self.limit
        own = noise + variance * np.eye(2)
        share: Floats = np.einsum("nij,nji->n", own, np.where(seen[:, None, None], inverse, 0.0)) / 2.0
        self.redundancy = np.where(used, share, 1.0)


def _near_agreement(plat: Floats, misses: Floats, alpha: float) -> Flags:
    """Markers that miss as the ones around them do: the middle miss of the eight nearest is taken off each."""
    near = cKDTree(plat).query(plat, k=min(9, len(plat)))[1][:, 1:]
    size = np.linalg.norm(misses - np.median(misses[near], axis=1), axis=1)
    # the median of the length of a circular normal deviate is 1.1774 of a coordinate's deviation
    scale = float(np.median(size)) / 1.1774
    agree: Flags = size <= scale * np.sqrt(-2.0 * np.log(alpha))
    return agree


def _localised(
    fit: Fit, usable: Flags, expected: Prior, least: int, prior: tuple[float, float], alpha: float, power: float
) -> Fit:
    """Look for a signal, judge every marker by it, and carry both into the fit; the plain fit where there is none."""
    rows = _in_order(fit.plat_xy, fit.grid_xy)
    rows = rows[usable[rows]]
    used, over, near = fit.used[rows], fit.unresolved[rows], None
    if used.sum() >= least:
        start = _near_agreement(fit.plat_xy[rows], fit.misses[rows], alpha)
        at = _local_snoop(fit, rows, start if start.sum() >= least else used, expected, least, alpha)
        if at is None:
            return fit
        used, over = at.used, at.used & at.over
        near = at.local.likely if len(rows) > _RELEARN else None
    flags, doubt = np.zeros(len(fit.used), dtype=bool), np.zeros(len(fit.used), dtype=bool)
    flags[rows], doubt[rows] = used, over
    begin = _Start(fit.linear, fit.offset - fit.linear @ fit.plat_centre, fit.setting_sigma**2)
    plain = _finished(fit.model, fit.plat_xy, fit.grid_xy, fit.reading_cov, flags, doubt, begin, prior, alpha, power)
    mine, every = rows[used], _in_order(fit.plat_xy, fit.grid_xy)
    given = plain.plat_xy[mine], plain.jacobian(plain.plat_xy[mine]), plain.misses[mine], plain.reading_cov[mine]
    local = learn(*given, expected, near=near)
    if local is None:
        return fit
    tests = _LocalTests(plain, every, flags[every], _likeliest(local, *given, expected), alpha)
    left_out = np.full_like(plain.misses, np.nan)
    left_out[mine] = local.left_out(plain.misses[mine])[0]
    apart = every[~flags[every]]
    places = plain.plat_xy[apart]
    left_out[apart] = plain.misses[apart] - local.predicted(places, plain.jacobian(places))[0]
    misses = plain.misses.copy()
    misses[every] -= local.predicted(plain.plat_xy[every], plain.jacobian(plain.plat_xy[every]))[0]
    local_row = np.full(len(flags), -1, dtype=np.int64)
    local_row[mine] = np.arange(len(mine))

    def rowwise(values: Floats) -> Floats:
        out = np.full(len(flags), np.nan)
        out[every] = values
        return out

    return replace(
        plain,
        misses=misses,
        tau=rowwise(np.sqrt(tests.square)),
        tau_limit=rowwise(np.sqrt(tests.limit)),
        redundancy=rowwise(tests.redundancy),
        smallest_detectable=rowwise(
            noncentrality(alpha, power, 2) * np.sqrt(np.linalg.eigvalsh(np.nan_to_num(tests.cov, nan=np.inf))[:, -1])
        ),
        leave_one_out=left_out,
        local=local,
        local_row=local_row,
    )


def _likeliest(local: Local, xy: Floats, design: Floats, observed: Floats, noise: Floats, expected: Prior) -> Local:
    """Return the likeliest part alone, as the tests were made with."""
    if len(local.parts) == 1:
        return local
    alone = learn(xy, design, observed, noise, expected, only_likeliest=True)
    return local if alone is None else alone


def _local_snoop(fit: Fit, rows: Ints, used: Flags, expected: Prior, least: int, alpha: float) -> _LocalTests | None:
    """Set aside the worst markers and take back those that fit again, until nothing changes; None without a signal."""
    plat, checked = fit.plat_xy[rows], _least_sites(fit.model)[1]
    past: set[bytes] = set()
    returning, local = True, None
    learned, near = b"", None
    for _ in range(4 * len(rows) + 20):
        mine = rows[used]
        given = fit.plat_xy[mine], fit.jacobian(fit.plat_xy[mine]), fit.misses[mine], fit.reading_cov[mine]
        if local is None or len(rows) <= _RELEARN:
            local = learn(*given, expected, only_likeliest=True, near=near)
            learned = used.tobytes()
            if local is None:
                return None
            near = local.likely if len(rows) > _RELEARN else None
        else:
            local = replace(local, parts=(collocate(*given, local.likely),))
        at = _LocalTests(fit, rows, used, local, alpha)
        chosen = used.copy()
        over = np.flatnonzero(used & at.over)
        if len(over):
            ranked = over[np.argsort(-at.square[over] / at.limit[over], kind="stable")]
            chosen[ranked[: (len(over) + 3) // 4]] = False
            if _apart(plat[chosen]) < max(checked, least):
                break
        elif returning:
            chosen |= ~used & ~at.over
        if (chosen == used).all():
            if learned == used.tobytes():
                break
            local = None  # with many markers the covariance is learned again only when the tests have settled
            continue
        if chosen.tobytes() in past:  # going in circles: from here on nothing comes back
            if not returning:
                break
            returning = False
        past.add(chosen.tobytes())
        used = chosen
    return at


# ---- where each corner lies ------------------------------------------------------------------------------------------


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
        xy = np.einsum("kj,kjx->kx", weight, self.grid_xy[chosen])
        cov, setting = np.empty((len(chosen), 2, 2)), np.empty(len(chosen))
        for first in range(0, len(chosen), chunk):
            at = slice(first, first + chunk)
            rows, share = chosen[at], weight[at]
            k, j = rows.shape
            joint = self.joint(rows).reshape(k, j, 2, j, 2)
            cov[at] = np.einsum("ka,kb,kaxby->kxy", share, share, joint, optimize=True)
            moved = np.einsum("kj,kjxp->kxp", share, self.shared[rows])
            alone = self._own(rows, self.setting_own[rows, None, None] * np.eye(2)).reshape(k, j, 2, j, 2)
            setting[at] = np.einsum("kxp,pq,kxq->k", moved, self.setting_shared, moved, optimize=True)
            setting[at] += np.einsum("ka,kb,kaxbx->k", share, share, alone, optimize=True)
        return xy, cov, self._dof(setting, np.einsum("kii->k", cov))


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
    tail_dof : float
        Degrees of freedom of what is predicted, for the tails its open parameters leave.
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
    tail_dof: float

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
        rests = ((weight != 0.0) & ~self.held[chosen]).any(axis=1)
        return xy, cov, np.where(rests, self.tail_dof, np.inf)


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
        raise InputError.of(_WHERE, "one corner is held by two markers", "Settle which of them holds it.")
    shared = fit.jacobian(plat)
    grid = fit.transform(plat)
    apart: Sequence[Floats] = ()
    if fit.local is not None:
        signal, apart = fit.local.predicted(plat, shared)
        grid = grid + signal
    doubt = np.zeros(len(index), dtype=bool) if doubtful is None else np.asarray(doubtful, dtype=bool)
    miss = held_xy - grid[index]
    variance = fit.setting_sigma**2 if fit.local is None else fit.local.setting_variance
    own = np.tile(variance * np.eye(2), (len(plat), 1, 1))
    own[index] = own_held + np.where(doubt[:, None, None], miss[:, :, None] * miss[:, None, :], 0.0)
    grid[index] = held_xy
    if fit.local is not None and fit.local_row is not None:
        held, at, reading = np.zeros(len(plat), dtype=bool), np.full(len(plat), -1), np.zeros((len(plat), 2, 2))
        held[index], reading[index] = True, own_held
        at[index] = np.where(row >= 0, fit.local_row[row], -1)
        tail = fit.local.tail_dof(plat, shared)
        return LocatedLocally(grid, plat, shared, fit.local, apart, held, at, reading, own, tail)
    setting_own = np.full(len(plat), variance)
    setting_own[index] = 0.0
    shared[index] = 0.0
    crossed = np.zeros((len(plat), fit.cov.shape[0], 2))
    crossed[index] = np.where((row >= 0)[:, None, None], fit.gain[row] @ own_held, 0.0)
    return Located(grid, shared, fit.cov, crossed, own, variance * fit.gain_square, setting_own, fit.dof)
