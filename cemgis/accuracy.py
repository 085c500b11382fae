"""How far predictions missed, in words and by the national standard; rows measured against the plat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from cemgis.errors import InputError
from cemgis.units import Unit, feet_and_inches, say_length

__all__ = ["Accuracy", "leave_one_out_words", "nssda", "plain_words", "row_lengths", "row_words"]


_TWENTY = 20
"""Below so many values the 95th percentile is the largest one."""


def leave_one_out_words(misses: npt.ArrayLike, unit: Unit) -> str:
    """Say how far the prediction missed the markers left out in turn.

    Parameters
    ----------
    misses : (n, 2) array
        `Fit.leave_one_out` of the markers that count; rows with NaN do not.
    unit : Unit

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> leave_one_out_words([[0.3, 0.4], [0.0, 0.1], [0.2, 0.0]], US_SURVEY_FOOT)
    'of 3 markers left out in turn, the prediction missed by 0.20 ft in the median and 0.50 ft at worst'
    """
    vectors = np.asarray(misses, dtype=float).reshape(-1, 2)
    size = np.hypot(vectors[:, 0], vectors[:, 1])
    size = size[np.isfinite(size)]
    if not len(size):
        return "no marker can be left out: nothing would check the rest"
    tail = (
        f"{say_length(float(np.quantile(size, 0.95)), unit)} at the 95th percentile"
        if len(size) >= _TWENTY
        else f"{say_length(float(size.max()), unit)} at worst"
    )
    count = f"{len(size)} markers" if len(size) > 1 else "1 marker"
    middle = say_length(float(np.median(size)), unit)
    return f"of {count} left out in turn, the prediction missed by {middle} in the median and {tail}"


def plain_words(misses: npt.ArrayLike, unit: Unit) -> str:
    """Say the same to who digs, as a tape reads: how many of the markers found lay how near.

    Parameters
    ----------
    misses : (n, 2) array
        As for `leave_one_out_words`.
    unit : Unit

    Returns
    -------
    str
        Empty with fewer than 20 markers.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> plain_words([[0.1, 0.0]] * 18 + [[0.0, 0.5]] * 2, US_SURVEY_FOOT)
    'half of these markers lay within 1 1/2 in of where they were predicted, 19 of 20 within 6 in'
    """
    size = np.hypot(*np.asarray(misses, dtype=float).reshape(-1, 2).T)
    size = size[np.isfinite(size)]
    if len(size) < _TWENTY:
        return ""
    half, most = (_taped(float(np.quantile(size, share, method="higher")), unit) for share in (0.5, 0.95))
    return f"half of these markers lay within {half} of where they were predicted, 19 of 20 within {most}"


def _taped(length: float, unit: Unit) -> str:
    """Say a length on the tape, up to the next half inch or centimetre."""
    if unit.is_foot:
        return feet_and_inches(np.ceil(length * 24.0 - 1e-6) / 24.0)
    return f"{np.ceil(length * unit.metres * 100.0 - 1e-6):.0f} cm"


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Horizontal accuracy against independent points.

    Parameters
    ----------
    n : int
    mean_e, mean_n : float
    sd_e, sd_n : float
        Standard deviations with n - 1.
    rmse_e, rmse_n, rmse_r : float
    accuracy_95 : float
        ``2.4477 x 0.5 x (RMSE_x + RMSE_y)``; NaN when the two differ by too much for it.
    statement : str or None
        The sentence, when the standard allows one.
    caveats : tuple of str
        Why there is no sentence, or what weakens it.
    """

    n: int
    mean_e: float
    mean_n: float
    sd_e: float
    sd_n: float
    rmse_e: float
    rmse_n: float
    rmse_r: float
    accuracy_95: float
    statement: str | None
    caveats: tuple[str, ...]


_ACCURACY = "accuracy"
_NSSDA_FACTOR = float(np.sqrt(-2.0 * np.log(0.05)))
"""2.4477, the 95 % radius of a circular normal deviate (FGDC-STD-007.3-1998, App. 3-A)."""
_NSSDA_RATIO, _NSSDA_QUADRANT, _NSSDA_SPACING = 0.6, 0.2, 0.1
"""Least RMSE ratio, share of points a quadrant, spacing in diagonals (FGDC-STD-007.3-1998, App. 3-A and 3-C)."""


def nssda(
    differences_e: npt.ArrayLike,
    differences_n: npt.ArrayLike,
    unit: Unit,
    *,
    points: float,
    places: npt.ArrayLike | None = None,
    digits: int = 2,
) -> Accuracy:
    """Accuracy by the National Standard for Spatial Data Accuracy.

    Parameters
    ----------
    differences_e, differences_n : (n,) arrays
        Data minus independent points of higher accuracy.
    unit : Unit
    points : float
        How many points a statement needs (rule ``accuracy.nssda_points``).
    places : (n, 2) array, optional
        Where they lie, to judge their distribution.
    digits : int
        Decimals of the data.

    Raises
    ------
    InputError
        Without any difference, or when some are not numbers.

    Notes
    -----
    FGDC-STD-007.3-1998, 3.2.2, 3.2.3, App. 3-A and 3-C: RMSE divides by n; the radius is
    ``2.4477 x 0.5 x (RMSE_x + RMSE_y)`` as long as the smaller is at least 0.6 of the larger (for equal ones the same
    as ``1.7308 x RMSE_r``); at least 20 points, a fifth of them in each quadrant, a tenth of the diagonal apart.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> nssda([0.1, -0.1], [0.08, -0.08], US_SURVEY_FOOT, points=20).caveats[0]
    'only 2 independent points; a statement needs 20'
    """
    east, north = np.asarray(differences_e, dtype=float), np.asarray(differences_n, dtype=float)
    if east.shape != north.shape or east.ndim != 1 or not len(east) or not np.isfinite([east, north]).all():
        raise InputError.of(_ACCURACY, "differences are missing or not numbers", "Give one east and one north a point.")
    n = len(east)
    rmse_e, rmse_n = float(np.sqrt((east**2).mean())), float(np.sqrt((north**2).mean()))
    low, high = sorted((rmse_e, rmse_n))
    even = high == 0.0 or low >= _NSSDA_RATIO * high
    accuracy = _NSSDA_FACTOR * 0.5 * (rmse_e + rmse_n) if even else float("nan")
    reasons: list[str] = []
    if n < points:
        reasons.append(f"only {n} independent points; a statement needs {points:.0f}")
    if not even:
        reasons.append(
            f"errors east ({say_length(rmse_e, unit)}) and north ({say_length(rmse_n, unit)}) differ by more than the "
            "standard's formula allows"
        )
    weak: list[str] = []
    if places is None:
        weak.append("the distribution of the points was not looked at")
    else:
        where = np.asarray(places, dtype=float).reshape(-1, 2)
        span = np.ptp(where, axis=0)
        upper = where > where.min(axis=0) + span / 2.0
        share = np.bincount(upper[:, 0] + 2 * upper[:, 1], minlength=4) / n
        if share.min() < _NSSDA_QUADRANT:
            name = ("southwest", "southeast", "northwest", "northeast")[int(share.argmin())]
            weak.append(f"only {share.min():.0%} of the points lie in the {name} quadrant; the standard asks for 20%")
        if n > 1 and cKDTree(where).query(where, k=2)[0][:, 1].min() < _NSSDA_SPACING * np.hypot(*span):
            weak.append("some points lie closer together than a tenth of the diagonal")
    statement = None
    if not reasons:
        written = "feet" if unit.is_foot else "meters"  # the standard's own form and spelling (3.2.3)
        statement = f"Tested {accuracy:.{digits}f} {written} horizontal accuracy at 95% confidence level"
    sd = (float(np.std(east, ddof=1)), float(np.std(north, ddof=1))) if n > 1 else (float("nan"), float("nan"))
    return Accuracy(
        n, float(east.mean()), float(north.mean()), *sd, rmse_e, rmse_n, float(np.hypot(rmse_e, rmse_n)),
        accuracy, statement, (*reasons, *weak),
    )  # fmt: skip


# ---- rows measured against the plat ----------------------------------------------------------------------------------

_TOLD = 3.29
"""A surplus is worth a word beyond so many of its standard deviations (Baarda 1968, from memory: 0.001)."""


def row_lengths(sites: pd.DataFrame, place: npt.ArrayLike, setting_sigma: npt.ArrayLike) -> pd.DataFrame:
    """Measure every row between one found marker and the next.

    Parameters
    ----------
    sites : DataFrame
        Every marker site: ``label``, ``section``, ``row``, ``plat_x``, ``plat_y``.
    place : (n, 2) array
        Where its marker was found, in lengths on the ground; NaN where none was.
    setting_sigma : (n,) array
        How far markers were set from their places, each coordinate.

    Returns
    -------
    DataFrame
        ``section``, ``row``, ``from``, ``to`` (labels), ``lots`` between them, ``platted`` and ``measured`` length,
        ``surplus`` (measured less platted), ``per_lot`` (the surplus shared evenly) and ``sigma`` of the surplus if
        only setting errors made it.

    Examples
    --------
    Lots 1 to 19 of 16 ft, platted 288.0 ft and found 291.6 ft apart: 0.20 ft a lot.

    >>> sites = pd.DataFrame({"label": [f"A-{n}" for n in range(1, 20)], "section": "A", "row": "1",
    ...                       "plat_x": 16.0 * np.arange(19), "plat_y": 0.0})
    >>> found = np.full((19, 2), np.nan)
    >>> found[0], found[18] = (0.0, 0.0), (291.6, 0.0)
    >>> row_lengths(sites, found, np.full(19, 0.2))[["lots", "platted", "surplus", "per_lot"]].round(2).values.tolist()
    [[18.0, 288.0, 3.6, 0.2]]
    """
    found = np.asarray(place, dtype=float).reshape(-1, 2)
    sigma = np.asarray(setting_sigma, dtype=float)
    plat = sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
    labels = sites["label"].astype(str).to_numpy()
    here = np.isfinite(found).all(axis=1)
    parts: list[pd.DataFrame] = []
    for (section, row), at in sites.groupby(["section", "row"], dropna=False).indices.items():
        if here[at].sum() < 2:
            continue
        middle = plat[at] - plat[at].mean(axis=0)
        along = middle @ np.linalg.svd(middle, full_matrices=False)[2][0]
        order = at[np.argsort(along, kind="stable")]
        number = np.flatnonzero(here[order])
        one, two = order[number[:-1]], order[number[1:]]
        platted = np.hypot(*(plat[two] - plat[one]).T)
        measured = np.hypot(*(found[two] - found[one]).T)
        lots = np.diff(number)
        parts.append(
            pd.DataFrame(
                {"section": section, "row": row, "from": labels[one], "to": labels[two], "lots": lots,
                 "platted": platted, "measured": measured, "surplus": measured - platted,
                 "per_lot": (measured - platted) / lots, "sigma": np.hypot(sigma[one], sigma[two])}
            )
        )  # fmt: skip
    names = ["section", "row", "from", "to", "lots", "platted", "measured", "surplus", "per_lot", "sigma"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def row_words(rows: pd.DataFrame, unit: Unit, most: int = 3) -> list[str]:
    """Say of the rows that differ most from the plat by how much; of none where setting errors alone explain it.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> rows = pd.DataFrame({"section": ["A"], "row": ["1"], "from": ["A-1"], "to": ["A-19"], "lots": [18],
    ...                      "platted": [288.0], "measured": [291.6], "surplus": [3.6], "per_lot": [0.2],
    ...                      "sigma": [0.28]})
    >>> row_words(rows, US_SURVEY_FOOT)
    ['Section A, row 1, A-1 to A-19: platted 288.00 ft, measured 291.60 ft; 0.20 ft a lot too long.']
    """
    told = rows[rows["surplus"].abs() > _TOLD * rows["sigma"]]
    worst = told.reindex(told["surplus"].abs().sort_values(ascending=False, kind="stable").index).head(most)
    return [
        f"Section {row.section}{'' if pd.isna(row.row) else f', row {row.row}'}, {start} to {row.to}: platted "
        f"{say_length(row.platted, unit)}, measured {say_length(row.measured, unit)}; "
        f"{say_length(abs(row.per_lot), unit)} a lot too {'long' if row.surplus > 0 else 'short'}."
        for row, start in zip(worst.itertuples(), worst["from"], strict=True)
    ]
