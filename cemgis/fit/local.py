"""The local correction: a smooth signal beside the trend, where the markers speak for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cemgis.adjust import inverse_blocks, noncentrality, quadratics
from cemgis.fit.finishing import Start, finished_fit, in_order
from cemgis.fit.models import MODELS
from cemgis.fit.refusing import count_apart, least_sites
from cemgis.fit.result import Fit
from cemgis.fit.snooping import square_limits
from cemgis.signal import Local, Prior, collocate, learn, outside
from cemgis.suspects import weigh

__all__ = ["localised"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
_LEAST = 8
"""With fewer markers that agree they are judged by the model alone, where they are not weighed. Assumption."""
_BAD_CHANCE, _DOUBT_CHANCE = 0.5, 0.25
"""A marker that is bad with more than the first chance is set aside, with more than the second it is in doubt.
Assumption, no source."""
_RELEARN = 400
"""With more markers a signal's covariance is not learned in every round of tests."""


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
        inside, beyond = square_limits(dof, alpha)
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


def localised(
    fit: Fit, usable: Flags, expected: Prior, few: tuple[int, float], prior: tuple[float, float], alpha: float,
    power: float,
) -> Fit:  # fmt: skip
    """Look for a signal, judge every marker by it, and carry both into the fit; the plain fit where there is none."""
    rows = in_order(fit.plat_xy, fit.grid_xy)
    rows = rows[usable[rows]]
    if len(rows) <= few[0]:
        return _weighed(fit, rows, expected, few[1], prior, alpha, power)
    used, over, near, least = fit.used[rows], fit.unresolved[rows], None, _LEAST
    if used.sum() >= least:
        start = _near_agreement(fit.plat_xy[rows], fit.misses[rows], alpha)
        at = _local_snoop(fit, rows, start if start.sum() >= least else used, expected, least, alpha)
        if at is None:
            return fit
        used, over = at.used, at.used & at.over
        near = at.local.likely if len(rows) > _RELEARN else None
    flags, doubt = np.zeros(len(fit.used), dtype=bool), np.zeros(len(fit.used), dtype=bool)
    flags[rows], doubt[rows] = used, over
    begin = Start(fit.linear, fit.offset - fit.linear @ fit.plat_centre, fit.setting_sigma**2)
    plain = finished_fit(fit.model, fit.plat_xy, fit.grid_xy, fit.reading_cov, flags, doubt, begin, prior, alpha, power)
    mine = rows[used]
    given = plain.plat_xy[mine], plain.jacobian(plain.plat_xy[mine]), plain.misses[mine], plain.reading_cov[mine]
    local = learn(*given, expected, near=near)
    if local is None:
        return fit
    return _carried(plain, local, _likeliest(local, *given, expected), mine, alpha, power)


def _weighed(
    fit: Fit, rows: Ints, expected: Prior, moved_sigma: float, prior: tuple[float, float], alpha: float, power: float
) -> Fit:
    """Judge few markers by all likely choices of bad ones and all covariances together."""
    plat = fit.plat_xy[rows]
    least = least_sites(fit.model)[1]
    if 2 * len(rows) <= MODELS[fit.model] or count_apart(plat[fit.used[rows]]) < least:
        return fit
    extent = np.ptp(plat, axis=0) * fit.scale
    area = float(max(extent[0] * extent[1], extent.max() ** 2 / 4.0, (50.0 * prior[0]) ** 2))
    given = plat, fit.jacobian(plat), fit.misses[rows], fit.reading_cov[rows]
    found = weigh(*given, expected, moved_sigma=moved_sigma, area=area, least=least, start=fit.used[rows])
    good = found.bad < _BAD_CHANCE
    if count_apart(plat[good]) < least:
        good = fit.used[rows]
    flags, doubt = np.zeros(len(fit.used), dtype=bool), np.zeros(len(fit.used), dtype=bool)
    flags[rows], doubt[rows] = good, good & (found.bad > _DOUBT_CHANCE)
    begin = Start(fit.linear, fit.offset - fit.linear @ fit.plat_centre, fit.setting_sigma**2)
    plain = finished_fit(fit.model, fit.plat_xy, fit.grid_xy, fit.reading_cov, flags, doubt, begin, prior, alpha, power)
    mine = rows[good]
    one = collocate(plat[good], plain.jacobian(plat[good]), plain.misses[mine], plain.reading_cov[mine], found.likely)
    single = Local((one,), np.ones(1), found.likely, found.chance, found.setting_dof)
    local = found.local(plat, plain.jacobian(plat), plain.misses[rows], plain.reading_cov[rows])
    chance = np.full(len(flags), np.nan)
    chance[rows] = found.bad
    return replace(_carried(plain, local, single, rows, alpha, power), bad_chance=chance)


def _carried(plain: Fit, local: Local, likely: Local, mine: Ints, alpha: float, power: float) -> Fit:
    """Return the fit with a signal: `mine` are the markers the signal was made from, `likely` judges the used ones."""
    flags, every = plain.used, in_order(plain.plat_xy, plain.grid_xy)
    tests = _LocalTests(plain, every, flags[every], likely, alpha)
    left_out = np.full_like(plain.misses, np.nan)
    left_out[mine] = local.left_out(plain.misses[mine])[0]
    apart = np.setdiff1d(every, mine)
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
    plat, checked = fit.plat_xy[rows], least_sites(fit.model)[1]
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
            if count_apart(plat[chosen]) < max(checked, least):
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
