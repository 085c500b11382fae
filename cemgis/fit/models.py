"""The four models a plat is laid by, solved with the setting error as a variance component."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cemgis.adjust import inverse_blocks

__all__ = ["CHECKED", "MODELS", "SHAPE_LIMIT", "WHERE", "State", "design_of", "estimate", "solve_step"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

MODELS: Mapping[str, int] = {"shift": 2, "rigid": 3, "conformal": 4, "affine": 6}
"""Number of parameters by model: moved; moved and turned; also scaled; also sheared and scaled by axis."""

WHERE = "plat"

SHAPE_LIMIT = 0.1
"""Largest standard deviation of direction and scale, 6 degrees and 10 %. Assumption, no source."""
CHECKED = 1e-9


@dataclass
class State:
    """Grid = linear u + offset."""

    linear: Floats
    offset: Floats

    def at(self, u: Floats) -> Floats:
        """Lay scaled plat coordinates on the grid."""
        return u @ self.linear.T + self.offset


def design_of(model: str, u: Floats, linear: Floats) -> Floats:
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


def _moved(model: str, state: State, step: Floats) -> State:
    if model == "shift":
        return State(state.linear, state.offset + step)
    if model == "rigid":
        length = float(np.linalg.norm(state.linear[:, 0]))
        angle = np.arctan2(state.linear[1, 0], state.linear[0, 0]) + step[0] / length
        cos, sin = np.cos(angle), np.sin(angle)
        return State(length * np.array([[cos, -sin], [sin, cos]]), state.offset + step[1:])
    if model == "conformal":
        return State(state.linear + np.array([[step[0], -step[1]], [step[1], step[0]]]), state.offset + step[2:])
    return State(state.linear + np.array([step[0:2], step[3:5]]), state.offset + step[[2, 5]])


def solve_step(model: str, u: Floats, grid: Floats, weight: Floats, state: State) -> tuple[State, Floats]:
    """One weighted Gauss-Newton step, exact but for `rigid`; returns the state and the parameters' covariance."""
    design = design_of(model, u, state.linear)
    weighed = weight @ design
    normal = np.einsum("nip,niq->pq", design, weighed)
    right = np.einsum("nip,ni->p", weighed, grid - state.at(u))
    covariance = np.linalg.inv(normal)
    return _moved(model, state, covariance @ right), covariance


@dataclass
class _Weighted:
    """A fit of chosen markers with the setting variance that makes their misses likeliest."""

    state: State
    cov: Floats
    variance: float
    dof: float
    gain: Floats
    gain_square: Floats


def estimate(
    model: str,
    u: Floats,
    grid: Floats,
    reading: Floats,
    prior: tuple[float, float],
    start: State,
    first: float,
) -> _Weighted:
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
        state, cov = solve_step(model, u, grid, weight, state)
        design = design_of(model, u, state.linear)
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
        if information <= CHECKED:  # no prior and nothing left over: the first guess stays
            break
        step = float(np.clip(score / information, -1.5, 1.5))
        logarithm = max(logarithm + step, floor)
        turned = float(np.abs(state.linear - before).max())
        if abs(step) < 1e-9 and turned < 1e-9 * max(1.0, float(np.abs(state.linear).max())):
            break
    variance = float(np.exp(logarithm))
    weight = inverse_blocks(reading + variance * eye)
    state, cov = solve_step(model, u, grid, weight, state)
    design = design_of(model, u, state.linear)
    gain = cov @ (weight @ design).transpose(0, 2, 1)
    return _Weighted(state, cov, variance, max(2.0 * information, CHECKED), gain, np.einsum("npi,nqi->pq", gain, gain))
