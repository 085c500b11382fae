"""The last iteration of a fit, and the telling of every marker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cemgis.adjust import adjust, inverse_blocks, noncentrality, quadratics
from cemgis.fit.models import MODELS, State
from cemgis.fit.result import Fit
from cemgis.fit.snooping import Tests

__all__ = ["Start", "finished_fit", "in_order"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Start:
    """Grid = linear plat + offset, and the setting variance: where the last iteration begins."""

    linear: Floats
    offset: Floats
    variance: float


def finished_fit(
    model: str, plat: Floats, grid: Floats, reading: Floats, used: Flags, unresolved: Flags, begin: Start,
    prior: tuple[float, float], alpha: float, power: float,
) -> Fit:  # fmt: skip
    """Fit once more about the centre of what is used, and tell of every marker that has a position."""
    n, p = len(plat), MODELS[model]
    every = in_order(plat, grid)
    flags, rows = used, every[used[every]]
    used = flags[every]
    centre, origin = plat[rows].mean(axis=0), np.median(grid[rows], axis=0)
    spread = float(np.sqrt(((plat[rows] - centre) ** 2).sum() / len(rows))) or 1.0
    u, local = (plat[every] - centre) / spread, grid[every] - origin
    start = State(begin.linear * spread, begin.offset + begin.linear @ centre - origin)
    at = Tests(model, u, local, reading[every], used, prior, alpha, start, begin.variance)
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


def in_order(plat: Floats, grid: Floats) -> Ints:
    """Markers with a position in an order of their own, so that the order they come in changes nothing."""
    order = np.lexsort((grid[:, 1], grid[:, 0], plat[:, 1], plat[:, 0]))
    located = np.isfinite(np.concatenate([plat, grid], axis=1)).all(axis=1)
    kept: Ints = order[located[order]]
    return kept
