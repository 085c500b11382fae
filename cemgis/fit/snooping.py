"""Markers that do not agree are set aside, and taken back when they fit again."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from cemgis.adjust import inverse_blocks, quadratics
from cemgis.fit.models import CHECKED, MODELS, SHAPE_LIMIT, State, design_of, estimate
from cemgis.fit.refusing import count_apart, least_sites
from cemgis.fit.robust import candidate_states, robust_start

__all__ = ["Tests", "agreeing", "snoop", "square_limits"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def square_limits(dof: Floats, alpha: float) -> tuple[Floats, Floats]:
    """Critical squared statistic of a marker inside the fit (`dof` with it) and of one outside (`dof` without it).

    Inside, T/dof is beta distributed with 1 and (dof - 2)/2, so that the limit is ``dof (1 - alpha**(2/(dof - 2)))``;
    outside T/2 is F with 2 and dof, ``dof (alpha**(-2/dof) - 1)``. Both become chi-squared for a known deviation.
    """
    log = np.log(alpha)
    inside = np.where(dof > 2.0, -dof * np.expm1(2.0 * log / np.maximum(dof - 2.0, 1e-9)), np.inf)
    with np.errstate(over="ignore"):
        outside = dof * np.expm1(-2.0 * log / dof)
    return inside, outside


class Tests:
    """Statistics of all markers for one choice of used ones."""

    def __init__(self, model: str, u: Floats, grid: Floats, reading: Floats, used: Flags, prior: tuple[float, float],
                 alpha: float, start: State, first: float) -> None:  # fmt: skip
        self.used = used
        self.found = estimate(model, u[used], grid[used], reading[used], prior, start, first)
        found = self.found
        design = design_of(model, u, found.state.linear)
        self.design = design
        self.miss = grid - found.state.at(u)
        self.own = reading + found.variance * np.eye(2)
        of_fit = design @ found.cov @ design.transpose(0, 2, 1)
        sign = np.where(used, -1.0, 1.0)[:, None, None]
        self.spread = self.own + sign * of_fit
        determinant = np.linalg.det(self.spread)
        self.seen = determinant > CHECKED * np.linalg.det(self.own)
        safe = np.where(self.seen[:, None, None], self.spread, np.eye(2))
        self.inverse = inverse_blocks(safe)
        self.square = np.where(self.seen, quadratics(self.miss, self.inverse), np.nan)
        part = found.variance / (found.variance + np.einsum("nii->n", reading) / 2.0)
        dof = found.dof / np.maximum(part, 1e-6) ** 2
        inside, outside = square_limits(dof, alpha)
        self.limit = np.where(used, inside, outside)
        with np.errstate(invalid="ignore"):
            self.over = np.nan_to_num(self.square) > self.limit
            joined = (dof + 2.0) * self.square / (dof + self.square)
        self.tau = np.sqrt(np.where(used, self.square, joined))
        self.tau_limit = np.sqrt(np.where(used, inside, square_limits(dof + 2.0, alpha)[0]))


def snoop(
    model: str,
    u: Floats,
    grid: Floats,
    reading: Floats,
    spread: float,
    prior: tuple[float, float],
    alpha: float,
) -> Tests:
    """Robust start, then set aside the worst markers and take back those that fit again, until nothing changes."""
    n, checked = len(u), least_sites(model)[1]
    if n > checked:
        state, scale, used = robust_start(model, u, grid, np.einsum("nii->n", reading) / 2.0, prior, spread)
    else:
        state = candidate_states(model, u, grid, spread)[0]
        scale, used = prior[0], np.ones(n, dtype=bool)
    if count_apart(u[used]) < checked:
        used = np.zeros(n, dtype=bool)
        used[np.argsort(((grid - state.at(u)) ** 2).sum(axis=1), kind="stable")[: checked + 1]] = True
        if count_apart(u[used]) < checked:
            used[:] = True
    at = Tests(model, u, grid, reading, used, prior, alpha, state, scale**2)
    past: set[bytes] = set()
    returning = True
    for _ in range(4 * n + 20):
        chosen = at.used.copy()
        over = np.flatnonzero(at.used & at.over)
        if len(over):
            # a quarter of those over the limit at once, so that thousands take few rounds; the last ones one by one
            ranked = over[np.argsort(-at.square[over] / at.limit[over], kind="stable")]
            chosen[ranked[: (len(over) + 3) // 4]] = False
            if count_apart(u[chosen]) < checked:
                chosen = at.used.copy()
                chosen[ranked[0]] = False
            if count_apart(u[chosen]) < checked:
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
        at = Tests(model, u, grid, reading, chosen, prior, alpha, at.found.state, at.found.variance)
    return at


def agreeing(model: str, at: Tests) -> int:
    """How many markers are used; none when they leave direction and scale open, as all agree with a plat of no size."""
    if model != "shift":
        size = 2 if model == "affine" else MODELS[model] - 2
        sigma = np.sqrt(np.linalg.eigvalsh(at.found.cov[:size, :size])[-1])
        if sigma > SHAPE_LIMIT * np.sqrt(abs(np.linalg.det(at.found.state.linear))):
            return 0
    return int(at.used.sum())
