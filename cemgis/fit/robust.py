"""A robust start: many small samples of markers, judged by all."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from cemgis.errors import InputError
from cemgis.fit.models import MODELS, WHERE, State, solve_step

__all__ = ["Mixture", "candidate_states", "robust_start"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
_MOVED_RATIO = 10.0
"""A marker that was moved lies off by about this many setting deviations. Assumption, no source; start values only."""
_BAD_SHARE = 0.2
"""Share of bad markers expected before looking. Assumption, no source; start values only."""
_SEED = 20
"""Of the samples of the robust start: the same markers always give the same fit."""
_SAMPLES = 500


def sample_markers(model: str, u: Floats) -> Ints:
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


def candidate_states(model: str, u: Floats, grid: Floats, spread: float) -> list[State]:
    """Return the fit that each of the smallest samples gives."""
    rows = sample_markers(model, u)
    if model == "shift":
        linear = spread * np.eye(2)
        return [State(linear, grid[row[0]] - linear @ u[row[0]]) for row in rows]
    if model == "affine":
        homogeneous = np.concatenate([u[rows], np.ones((*rows.shape, 1))], axis=2)
        solved = np.linalg.solve(homogeneous, grid[rows])
        return [State(part[:2].T, part[2]) for part in solved]
    z, w = u @ np.array([1.0, 1j]), grid @ np.array([1.0, 1j])
    factor = (w[rows[:, 1]] - w[rows[:, 0]]) / (z[rows[:, 1]] - z[rows[:, 0]])
    if model == "rigid":
        size = np.abs(factor)
        factor = spread * np.where(size > 0, factor / np.where(size > 0, size, 1.0), 1.0)
    origin = (w[rows] - factor[:, None] * z[rows]).mean(axis=1)
    return [
        State(np.array([[f.real, -f.imag], [f.imag, f.real]]), np.array([o.real, o.imag]))
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


def robust_start(
    model: str, u: Floats, grid: Floats, noise: Floats, prior: tuple[float, float], spread: float
) -> tuple[State, float, Flags]:
    """Likeliest fit among many from smallest samples, refined: state, setting deviation, which markers are good."""
    sigma0, dof0 = prior
    extent = np.ptp(u, axis=0) * spread
    area = float(max(extent[0] * extent[1], extent.max() ** 2 / 4.0, (50.0 * sigma0) ** 2))
    states = candidate_states(model, u, grid, spread)
    if not states:
        raise InputError.of(WHERE, "no two markers lie apart on it", "Find markers far from one another.")
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
    best = (-np.inf, states[int(order[0])], 0.0)
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
            state, _ = solve_step(model, u, grid, (np.maximum(share, 1e-9) / variance)[:, None, None] * eye, state)
            square = ((grid - state.at(u)) ** 2).sum(axis=1)
            expected = share * ((scale**2 / variance) ** 2 * square + 2.0 * scale**2 * noise / variance)
            left = max(2.0 * float(share.sum()) - MODELS[model], 0.0)
            dof = mixture.dof0
            was, scale = scale, float(np.sqrt((dof * sigma0**2 + expected.sum()) / (dof + left)))
            if abs(scale - was) < 1e-3 * was:
                break
        square = ((grid - state.at(u)) ** 2).sum(axis=1)
        total = float(np.log(mixture.good(square, scale) + mixture.bad(square)).sum()) + mixture.prior(scale)
        if total > best[0] + 1e-9:
            best = total, state, scale
    _, state, scale = best
    square = ((grid - state.at(u)) ** 2).sum(axis=1)
    good = mixture.good(square, scale)
    return state, scale, good > mixture.bad(square)
