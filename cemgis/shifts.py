"""Files, or visits, whose readings are all off by one and the same shift."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cemgis.adjust import chi2_chance, chi2_limit, inverse_blocks, table_covariances
from cemgis.fit import MODELS, Fit, Mixture
from cemgis.signal import Covariance, Prior, learn, spread_rows
from cemgis.units import Unit, say_length

__all__ = ["file_shifts"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

_STARTS = 500
"""Most shifts tried as the one a file's markers share."""
_MOST = 800
"""Most markers of a bent plat that take part."""


def _own_mode(miss: Floats, noise: Floats, sigma: float) -> Flags:
    """Which markers of one file share its shift; there is none unless the misses clearly say so."""
    mixture = Mixture(noise, sigma, 1.0, (50.0 * sigma) ** 2)
    starts = np.vstack([np.zeros((1, 2)), miss])

    def likelihood(shift: Floats) -> Floats:
        square = ((miss - shift) ** 2).sum(axis=1)
        out: Floats = mixture.good(square, sigma)
        return out

    def score(shift: Floats) -> float:
        return float(np.log(likelihood(shift) + mixture.bad(((miss - shift) ** 2).sum(axis=1))).sum())

    shift, best = starts[0], score(starts[0])
    least = best + float(chi2_limit(1e-3, 2)) / 2.0  # of two parameters more
    order = np.argsort([-score(start) for start in starts[:_STARTS]], kind="stable")[:3]
    for number in order:
        at = starts[number]
        for _ in range(20):
            good = likelihood(at)
            share = good / (good + mixture.bad(((miss - at) ** 2).sum(axis=1)))
            if share.sum() < 1e-6:
                break
            at = (share[:, None] * miss).sum(axis=0) / share.sum()
        if score(at) > max(best, least):
            shift, best = at, score(at)
    own: Flags = likelihood(shift) > mixture.bad(((miss - shift) ** 2).sum(axis=1))
    return own


@dataclass(frozen=True)
class _Shifts:
    """Shifts of all files together, each group of files that are tied to each other about one of its own or control."""

    files: list[str]
    n_good: Ints
    bound: Ints
    has_control: Flags
    values: Floats
    cov: Floats

    def between(self, one: int, others: Sequence[int]) -> tuple[Floats, Floats]:
        """Shift of one file against the mean of others, or as it stands against none, with its covariance."""
        mix = np.zeros((2, 2 * len(self.files)))
        mix[[0, 1], [2 * one, 2 * one + 1]] = 1.0
        for other in others:
            mix[[0, 1], [2 * other, 2 * other + 1]] -= 1.0 / len(others)
        return mix @ self.values, mix @ self.cov @ mix.T


def _sum_by(group: Ints, count: int, values: Floats) -> Floats:
    out = np.zeros((count, *values.shape[1:]))
    np.add.at(out, group, values)
    return out


def _bends(
    fit: Fit, rows: Ints, file: Ints, observed: Floats, noise: Floats, expected: Prior
) -> tuple[Ints, Covariance] | None:
    """Markers of a plat (rows of its fit) that take part, and how it bends beside its trend and the files' shifts.

    The shifts are unknowns of the trend here, so that they neither pass for a bend nor does a bend pass for them.
    """
    markers, at = np.unique(rows, return_inverse=True)
    here, which = np.unique(file, return_inverse=True)
    count = np.bincount(at, minlength=len(markers)).astype(float)
    share = np.zeros((len(markers), len(here)))
    np.add.at(share, (at, which), 1.0)
    share /= count[:, None]
    mean = _sum_by(at.astype(np.int64), len(markers), observed) / count[:, None]
    spread = _sum_by(at.astype(np.int64), len(markers), noise) / count[:, None, None] ** 2
    places = fit.plat_xy[markers]
    shifts = np.zeros((len(markers), 2, 2 * (len(here) - 1)))
    for number in range(1, len(here)):
        shifts[:, 0, 2 * number - 2] = shifts[:, 1, 2 * number - 1] = share[:, number]
    design = np.concatenate([fit.jacobian(places), shifts], axis=2)
    some = spread_rows(places, _MOST)
    flat = design[some].reshape(2 * len(some), -1)
    if np.linalg.matrix_rank(flat) < flat.shape[1]:
        return None
    local = learn(places[some], design[some], mean[some], spread[some], expected, only_likeliest=True)
    return None if local is None else (markers[some], local.likely)


def _solve_shifts(
    fits: Mapping[str, Fit], known: pd.DataFrame, control: pd.DataFrame, files: list[str],
    expected: Mapping[str, Prior],
) -> _Shifts:  # fmt: skip
    """Adjust all occupations for the plats, the files' shifts, how the plats bend and the markers' setting errors."""
    number = {name: at for at, name in enumerate(files)}
    plats = [name for name in fits if (known["plat"] == name).any()]
    file = known["file"].astype(str).map(number).to_numpy(dtype=np.int64)
    plat = known["plat"].map({name: at for at, name in enumerate(plats)}).to_numpy(dtype=np.int64)
    row = known["row"].to_numpy(dtype=np.int64)
    xy, reading = known[["e", "n"]].to_numpy(dtype=float), table_covariances(known)
    lead = np.concatenate([[0], np.cumsum([MODELS[fits[name].model] for name in plats])]).astype(np.int64)
    of_plats, size = int(lead[-1]), int(lead[-1]) + 2 * len(files)
    miss, sigma = np.full_like(xy, np.nan), np.full(len(xy), np.nan)
    design = np.zeros((len(xy), 2, size))
    for at, name in enumerate(plats):
        fit, mine = fits[name], plat == at
        places = fit.plat_xy[row[mine]]
        miss[mine], sigma[mine] = xy[mine] - fit.transform(places), fit.setting_sigma
        design[mine, :, lead[at] : lead[at + 1]] = fit.jacobian(places)
    for axis in (0, 1):
        design[np.arange(len(xy)), axis, of_plats + 2 * file + axis] = 1.0

    good = np.zeros(len(xy), dtype=bool)
    for at in range(len(files)):
        mine = np.flatnonzero((file == at) & np.isfinite(miss).all(axis=1))
        if len(mine):
            noise = np.einsum("nii->n", reading[mine]) / 2.0
            good[mine] = _own_mode(miss[mine], noise, float(np.median(sigma[mine])))
    bends: dict[int, Covariance] = {}
    for at, name in enumerate(plats):
        mine = np.flatnonzero(good & (plat == at))
        if name not in expected or len(np.unique(file[mine])) < 2:
            continue
        bend = _bends(fits[name], row[mine], file[mine], miss[mine], reading[mine], expected[name])
        if bend is not None:
            good[mine[~np.isin(row[mine], bend[0])]] = False
            bends[at] = bend[1]
    n_good = np.bincount(file[good], minlength=len(files)).astype(np.int64)
    # files are tied to each other by a plat both saw
    seen = coo_array((np.ones(int(good.sum())), (file[good], plat[good])), shape=(len(files), max(len(plats), 1)))
    bound = connected_components((seen @ seen.T).tocsr(), directed=False)[1].astype(np.int64)

    fixed = np.zeros((size, size))
    pull = np.zeros(size)
    has_control = np.zeros(len(files), dtype=bool)
    precise = inverse_blocks(table_covariances(control) + 1e-12 * np.eye(2)) if len(control) else np.zeros((0, 2, 2))
    for at, name in enumerate(control["file"].astype(str)):
        column = of_plats + 2 * number[name]
        fixed[column : column + 2, column : column + 2] += precise[at]
        pull[column : column + 2] += precise[at] @ control[["miss_e", "miss_n"]].iloc[at].to_numpy(dtype=float)
        has_control[number[name]] = True
    held = np.zeros(size)
    for part in np.unique(bound):
        inside = np.flatnonzero(bound == part)
        if not has_control[inside].any():
            column = of_plats + 2 * int(inside[np.argmax(n_good[inside])])
            held[column : column + 2] = 1.0

    design, miss, reading, sigma = design[good], miss[good], reading[good], sigma[good]
    chosen, marker = np.unique(np.stack([plat[good], row[good]], axis=1), axis=0, return_inverse=True)
    marker = marker.reshape(-1)
    count = int(marker.max()) + 1 if len(marker) else 0
    weight = inverse_blocks(reading + 1e-12 * np.eye(2))
    pulled, heavy = weight @ design, np.einsum("nij,nj->ni", weight, miss)
    by_marker, load, total = (
        _sum_by(marker, count, pulled),
        _sum_by(marker, count, heavy),
        _sum_by(marker, count, weight),
    )
    known_to = inverse_blocks(total)
    setting = np.zeros(count)
    setting[marker] = sigma**2
    bent = {at: np.flatnonzero(chosen[:, 0] == at) for at in bends}
    straight = np.flatnonzero(~np.isin(chosen[:, 0], list(bends))) if len(chosen) else np.empty(0, dtype=np.int64)
    together: list[tuple[Ints, Floats]] = []
    for at, mine in bent.items():
        places, bend_of = fits[plats[at]].plat_xy[chosen[mine, 1]], bends[at]
        cov = bend_of.at(np.linalg.norm(places[:, None] - places[None], axis=-1))
        cov[np.diag_indices(len(mine))] += bend_of.setting**2
        inverse = np.kron(np.linalg.inv(cov), np.eye(2)).reshape(len(mine), 2, len(mine), 2)
        inverse[np.arange(len(mine)), :, np.arange(len(mine)), :] += total[mine]
        together.append((mine, np.linalg.inv(inverse.reshape(2 * len(mine), -1))))
    redundancy = 2 * len(straight) - of_plats - 2 * int((n_good > 0).sum())
    factor, solution, cov = 1.0, np.zeros(size), np.zeros((size, size))
    for _ in range(4):
        # each marker's setting error is taken out of the normal equations: N - B'(W + I/s2)^-1 B
        middle = inverse_blocks(total[straight] + np.eye(2) / (factor * setting[straight, None, None]))
        normal = np.einsum("nip,niq->pq", design, pulled) + fixed
        normal -= np.einsum("mip,mij,mjq->pq", by_marker[straight], middle, by_marker[straight], optimize=True)
        right = np.einsum("nip,ni->p", pulled, miss) + pull
        right -= np.einsum("mip,mij,mj->p", by_marker[straight], middle, load[straight], optimize=True)
        for mine, whole in together:  # those of a bent plat err together
            flat = by_marker[mine].reshape(-1, size)
            normal -= flat.T @ whole @ flat
            right -= flat.T @ (whole @ load[mine].reshape(-1))
        # what nothing determines stays zero: a file with too few markers
        strong = max(float(np.diag(normal).max()), 1e-300)
        values, vectors = np.linalg.eigh(normal + np.diag(held) * strong)
        free = values > 1e-10 * strong
        cov = (vectors[:, free] / values[free]) @ vectors[:, free].T
        solution = cov @ right
        if redundancy < 8:
            break
        # the setting variance again, now without the shifts that were taken for it
        left = _sum_by(marker, count, heavy - np.einsum("nip,p->ni", pulled, solution))[straight]
        means = np.einsum("mij,mj->mi", known_to[straight], left)
        square = float((means**2).sum() - np.einsum("mii->", known_to[straight])) / redundancy
        factor = float(np.clip(square / np.mean(setting[straight]), 0.05, 1.5))
    loose = 1.0 - held[of_plats:]
    return _Shifts(
        files,
        n_good,
        bound,
        has_control,
        solution[of_plats:] * loose,
        cov[of_plats:, of_plats:] * np.outer(loose, loose),
    )


def file_shifts(
    fits: Mapping[str, Fit],
    occupations: pd.DataFrame,
    *,
    alpha: float,
    least: float,
    unit: Unit,
    control: pd.DataFrame | None = None,
    expected: Mapping[str, Prior] | None = None,
) -> pd.DataFrame:
    """Find files, or visits, whose readings are all off by one and the same shift.

    Parameters
    ----------
    fits : mapping
        Plat name to its fit.
    occupations : DataFrame
        One row an occupation of a marker: ``file``, ``plat``, ``row`` (of the marker in that plat's fit), ``e``, ``n``,
        ``cov_ee``, ``cov_en``, ``cov_nn``. Occupations of one marker by several files tie the files to each other.
    alpha : float
        Of a single test (rule ``fit.alpha``).
    least : float
        A smaller shift is not worth a word (rule ``accuracy.file_shift``).
    unit : Unit
    control : DataFrame, optional
        Readings on published points: ``file``, ``miss_e``, ``miss_n`` (read minus published), ``cov_ee``, ``cov_en``,
        ``cov_nn``.
    expected : mapping, optional
        Plat name to what is expected of a smooth bend of it. Such a bend is no shift of the file that read one end of
        the plat; plats that are not there count as straight.

    Returns
    -------
    DataFrame
        Indexed by file: ``n_markers`` (that agree with one another), ``shift_e``, ``shift_n``, ``shift``, ``sigma``
        (root mean variance of a coordinate), ``chance`` (of so large a shift if there were none), ``against``
        ("control", or the files taken as right), ``state``: "agrees", "shifted", "undecided" (one of several differs
        and nothing says which), "alone" or "too few"; and ``words``.

    Notes
    -----
    One adjustment of all occupations: every plat moves freely by its model and bends smoothly, every file has a shift,
    every marker a setting error that all its occupations share. How a plat bends is learned beside free shifts. Such
    shifts are known only up to one common to all files that are tied together; a reading on control fixes it. Without
    control, the largest set of files that agree with one another is taken as right; if there is no single largest,
    nothing is, however many markers a file holds: one wrong base is one mistake, whether it spoils ten markers or a
    hundred.

    Examples
    --------
    >>> from cemgis.fit import fit_plat
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> plat = np.array([[x, y] for x in range(0, 160, 16) for y in range(0, 72, 12)], dtype=float)
    >>> off = np.where(np.arange(60)[:, None] % 3 == 0, [3.0, -4.0], [0.0, 0.0])
    >>> fit = fit_plat(plat, plat + off, np.tile(0.01 * np.eye(2), (60, 1, 1)),
    ...                setting_sigma=0.2, setting_dof=4, alpha=0.001, power=0.8)
    >>> read = pd.DataFrame({"file": np.array(["a.csv", "b.csv", "c.csv"])[np.arange(60) % 3], "plat": "1889",
    ...                      "row": np.arange(60), "e": fit.grid_xy[:, 0], "n": fit.grid_xy[:, 1],
    ...                      "cov_ee": 0.01, "cov_en": 0.0, "cov_nn": 0.01})
    >>> file_shifts({"1889": fit}, read, alpha=0.001, least=0.15, unit=US_SURVEY_FOOT)["words"]["a.csv"]
    'the markers of a.csv miss by 5.00 ft (E +3.00, N -4.00) against b.csv, c.csv'
    """
    columns = ["n_markers", "shift_e", "shift_n", "shift", "sigma", "chance", "against", "state", "words"]
    spread = ["cov_ee", "cov_en", "cov_nn"]
    known = occupations.dropna(subset=["file", "plat", "row", "e", "n", *spread])
    known = known[known["plat"].isin(list(fits)) & (known["row"] >= 0)]
    if control is None:
        control = pd.DataFrame(columns=["file", "miss_e", "miss_n", *spread])
    control = control.dropna(subset=["file", "miss_e", "miss_n", *spread])
    files = sorted({*known["file"].astype(str), *control["file"].astype(str)})
    if not files:
        return pd.DataFrame(columns=columns, index=pd.Index([], name="file"))
    found = _solve_shifts(fits, known, control, files, expected or {})
    critical = float(chi2_limit(alpha, 2))

    def differs(shift: Floats, cov: Floats) -> tuple[bool, float]:
        statistic = float(shift @ np.linalg.pinv(cov, rcond=1e-12, hermitian=True) @ shift)
        return bool(statistic > critical and np.hypot(*shift) >= least), float(chi2_chance(statistic, 2))

    rows: dict[str, list[object]] = {}
    for part in np.unique(found.bound):
        inside = np.flatnonzero(found.bound == part).tolist()
        by_control = bool(found.has_control[inside].any())
        able = [at for at in inside if found.n_good[at] >= 2 or found.has_control[at]]
        agree = {one: {other for other in able if not differs(*found.between(one, [other]))[0]} for one in able}
        right: set[int] = set()
        tied = False
        if able and not by_control:
            most = max(len(group) for group in agree.values())
            best = [one for one in able if len(agree[one]) == most]
            right = agree[max(best, key=lambda one: int(found.n_good[sorted(agree[one])].sum()))]
            tied = any(not agree[one] & right for one in best)
        for at in inside:
            name, others = files[at], sorted(right - {at})
            checked = by_control or bool(others)
            shift, cov = found.between(at, others) if checked else (np.zeros(2), np.zeros((2, 2)))
            off, chance = differs(shift, cov)
            against = "control" if by_control else ", ".join(files[other] for other in others)
            rivals = sorted(set(able) - agree[at]) if at in agree else []
            if at not in agree:
                state, words = "too few", f"{name} has too few markers that agree to tell whether it is shifted"
            elif tied and rivals:
                gap = found.between(at, rivals[:1])[0]
                state = "undecided"
                words = f"{name} and {files[rivals[0]]} differ by {_shift_said(gap, unit)}; which of them is shifted "
                words += "cannot be told: read a published point with either"
            elif off:
                state, words = "shifted", f"the markers of {name} miss by {_shift_said(shift, unit)} against {against}"
            elif not checked:
                state, words = "alone", f"{name} is the only file here, nothing checks it"
            else:
                state, words = "agrees", f"{name} agrees with {against}"
            rows[name] = [
                int(found.n_good[at]), *shift, float(np.hypot(*shift)), float(np.sqrt(max(np.trace(cov) / 2.0, 0.0))),
                chance, against, state, words,
            ]  # fmt: skip
    out = pd.DataFrame.from_dict(rows, orient="index", columns=columns).loc[files].rename_axis("file")
    return out.astype({"n_markers": int} | dict.fromkeys(columns[1:6], float))


def _shift_said(shift: Floats, unit: Unit) -> str:
    return f"{say_length(float(np.hypot(*shift)), unit)} (E {shift[0]:+.2f}, N {shift[1]:+.2f})"
