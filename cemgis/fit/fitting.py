"""A plat fitted to its found markers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from cemgis.errors import InputError
from cemgis.fit.finishing import Start, finished_fit, in_order
from cemgis.fit.local import localised
from cemgis.fit.models import WHERE
from cemgis.fit.refusing import AGREE_SHARE, Ask, check_markers
from cemgis.fit.result import Fit
from cemgis.fit.snooping import agreeing, snoop
from cemgis.signal import Prior

__all__ = ["fit_plat"]


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
    local_few: int = 0,
    moved_sigma: float = 2.0,
    where: str = WHERE,
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
    local_few : int
        With no more markers than this, every likely choice of bad ones is weighed (rule ``fit.weighed_markers``).
    moved_sigma : float
        How far a moved marker lies off, each coordinate, for that (rule ``marker.moved_sigma``).
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
    located = check_markers(plat, grid, reading, names, model, prior, alpha, power, where)
    here = located if usable is None else located & np.asarray(usable, dtype=bool)
    ask = Ask(model, plat, names, unfound, where)
    order = in_order(plat, grid)
    order = order[here[order]]
    ask.refuse_few(order, allow_unchecked=allow_unchecked)
    middle, origin = plat[order].mean(axis=0), np.median(grid[order], axis=0)
    axes = np.linalg.svd(plat[order] - middle, full_matrices=False)[1]
    ask.refuse_narrow(order, float(axes[-1] if model == "affine" else np.linalg.norm(axes)), prior[0])

    spread = float(np.sqrt((axes**2).sum() / len(order))) or 1.0
    # what the model alone takes for setting errors includes the bend that is expected beside it
    loose = prior if local is None else (float(np.hypot(prior[0], local.signal_sigma)), prior[1])
    at = snoop(model, (plat[order] - middle) / spread, grid[order] - origin, reading[order], spread, loose, alpha)
    unresolved = at.used & at.over
    agree = agreeing(model, at)
    if agree < AGREE_SHARE * len(order):
        rows = order[at.used]
        away = np.linalg.svd(plat[rows] - plat[rows].mean(axis=0), full_matrices=False)[1]
        ask.refuse_narrow(rows, float(away[-1] if model == "affine" else np.linalg.norm(away)), prior[0])
        mirror = plat[order] * [-1.0, 1.0]
        u = (mirror - mirror.mean(axis=0)) / spread
        turned = snoop(model, u, grid[order] - origin, reading[order], spread, prior, alpha)
        ask.refuse_disagreement(agree, agreeing(model, turned), len(order))

    if np.linalg.det(at.found.state.linear) < 0.0:
        mended = "With x of the plat turned round it is not: mend its axes."
        raise InputError.of(where, "its markers agree with its mirror image", mended)
    used, over = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    used[order], over[order] = at.used, unresolved
    linear = at.found.state.linear / spread
    start = Start(linear, at.found.state.offset + origin - linear @ middle, at.found.variance)
    final = finished_fit(model, plat, grid, reading, used, over, start, prior, alpha, power)
    return final if local is None else localised(final, here, local, (local_few, moved_sigma), prior, alpha, power)
