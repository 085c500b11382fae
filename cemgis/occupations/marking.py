"""Occupations joined to markers: one position each, whether two agree, and tapes that check it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.special import ndtri

from cemgis import schema
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.occupations.numbers import (
    HOUR_MS,
    NOTHING,
    R95,
    ReadingNumbers,
    floats_of,
    millis_of,
    points_of,
    positions_of,
    texts_of,
)
from cemgis.occupations.telling import marker_keys, settle_occupations, weighted_means
from cemgis.places import carries_section, label_key

__all__ = ["make_markers"]


_DAMAGED = ("broken", "tilted", "loose")
_NAMED = 8


def _sessions(codes: np.ndarray, start: np.ndarray, end: np.ndarray, hours: float) -> np.ndarray:
    """Return the number of the session of each occupation.

    Those of one marker with less than `hours` between them share their errors. An occupation without a time shares
    the last one.
    """
    order = np.lexsort((start, codes))
    new = np.ones(len(order), dtype=bool)
    same = np.diff(codes[order]) == 0
    # the latest end so far, marker by marker
    latest = pd.Series(end[order]).groupby(codes[order]).cummax().ffill().to_numpy()
    with np.errstate(invalid="ignore"):
        apart = start[order][1:] - latest[:-1] >= hours * HOUR_MS
    new[1:] = ~same | apart
    session = np.empty(len(order), dtype=np.int64)
    session[order] = np.cumsum(new) - 1
    return session


def make_markers(
    occupations: gpd.GeoDataFrame,
    numbers: ReadingNumbers,
    taped: pd.DataFrame | None = None,
    *,
    combined_factor: float = 1.0,
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Give each found marker one position, how sure it is, and whether it is trusted and why.

    Occupations less than the trusted gap apart share their errors and count as the best of them. With two or more,
    the variance is at least what their scatter says. A marker is trusted with two occupations that far apart that
    agree, or with one and a taped distance that agrees.

    Parameters
    ----------
    occupations : GeoDataFrame
        From `make_occupations` or `settle_occupations`; settled here when it is not.
    numbers : ReadingNumbers
    taped : DataFrame, optional
        ``from``, ``to`` (labels), ``distance`` on the ground in the ground's unit.
    combined_factor : float
        Grid distance over ground distance.

    Returns
    -------
    markers : GeoDataFrame
        The layer ``markers`` as far as readings tell; ``state`` is filled only for ``no position``.
    findings : list of Finding
    """
    findings: list[Finding] = []
    if "marker_id" not in occupations:
        occupations, findings = settle_occupations(occupations, numbers)
    crs = occupations.crs
    ids, names = pd.factorize(occupations["marker_id"].to_numpy(dtype=object), sort=True)
    n = len(names)
    xy, sigma = positions_of(occupations), np.sqrt(floats_of(occupations, "cov_ee"))
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool)
    start, end = millis_of(occupations, "start"), millis_of(occupations, "end")
    rows = np.flatnonzero(used)
    codes = ids[rows]

    session = _sessions(codes, start[rows], end[rows], numbers.trusted_gap_hours)
    weight = sigma[rows] ** -2.0
    in_session = np.bincount(session, weight) if len(rows) else np.empty(0)
    best = np.zeros(len(in_session))
    np.maximum.at(best, session, weight)
    mean, total = weighted_means(codes, xy[rows], weight / in_session[session] * best[session], n)
    count = np.bincount(codes, minlength=n)
    miss = xy[rows] - mean[codes]
    square = np.bincount(codes, (miss**2).sum(axis=1), minlength=n)
    with np.errstate(invalid="ignore", divide="ignore"):
        formal = 1.0 / total
        scatter = np.where(count > 1, square / (2.0 * np.maximum(count - 1, 1) * np.maximum(count, 1)), 0.0)
    variance = np.where(count > 0, np.maximum(formal, scatter), np.nan)

    marker_sigma = np.sqrt(variance)
    trusted, why = _trust(codes, xy[rows], sigma[rows], start[rows], end[rows], count, numbers)
    known = count > 0
    frame = _marker_table(occupations, ids, names, mean, variance, known, start, end, used)
    if taped is not None and len(taped):
        checks, more = _tape_checks(taped, frame, mean, marker_sigma, known, combined_factor, numbers)
        findings += more
        for code, said in checks.items():
            if not trusted[code] and count[code] > 0:
                trusted[code], why[code] = True, said
    frame["trusted"] = trusted
    frame["trusted_why"] = why
    shaped = schema.restore(frame, LAYERS["markers"], crs)
    markers = gpd.GeoDataFrame(shaped, geometry="geometry", crs=crs)
    findings += _marker_findings(markers, mean)
    return markers, findings


def _trust(
    codes: np.ndarray,
    xy: np.ndarray,
    sigma: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    count: np.ndarray,
    numbers: ReadingNumbers,
) -> tuple[np.ndarray, np.ndarray]:
    """Whether two occupations far enough apart in time confirm each marker, and why or why not, (n_markers,)."""
    n = len(count)
    trusted = np.zeros(n, dtype=bool)
    why = np.full(n, "one occupation, no taped check", dtype=object)
    why[count == 0] = "no usable occupation"
    why[count > 1] = f"its occupations are less than {numbers.trusted_gap_hours:g} hours apart, no taped check"
    if not len(codes):
        return trusted, why
    order = np.lexsort((start, codes))
    heads = order[np.flatnonzero(np.diff(codes[order], prepend=-1))]
    tails = order[np.flatnonzero(np.diff(codes[order], append=-1))]
    timed_tail = np.full(n, -1)
    finite = np.flatnonzero(np.isfinite(start[order]))
    timed_tail[codes[order][finite]] = order[finite]
    first, last = np.full(n, -1), np.full(n, -1)
    first[codes[heads]], last[codes[tails]] = heads, tails
    last = np.where(timed_tail >= 0, timed_tail, last)
    for ends in (first, last):
        other = ends[codes]
        with np.errstate(invalid="ignore"):
            hours = np.maximum(start - end[other], start[other] - end) / HOUR_MS
            late = hours >= numbers.trusted_gap_hours
        distance = np.hypot(*(xy - xy[other]).T)
        sharp = np.hypot(sigma, sigma[other]) <= numbers.agree
        agree = distance <= numbers.agree
        for at in np.flatnonzero(late & ~(sharp & agree)):
            if not trusted[codes[at]]:
                why[codes[at]] = (
                    f"its occupations differ by {numbers.say(distance[at])}, more than {numbers.say(numbers.agree)}"
                    if not agree[at]
                    else "its occupations are too coarse to confirm it"
                )
        for at in np.flatnonzero(late & sharp & agree):
            if not trusted[codes[at]]:
                why[codes[at]] = f"two occupations {hours[at]:.1f} hours apart agree within {numbers.say(distance[at])}"
                trusted[codes[at]] = True
    return trusted, why


def _marker_table(
    occupations: gpd.GeoDataFrame,
    ids: np.ndarray,
    names: np.ndarray,
    mean: np.ndarray,
    variance: np.ndarray,
    known: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    used: np.ndarray,
) -> pd.DataFrame:
    n = len(names)
    order = np.lexsort((start, ids))
    columns = ["label", "section", "kind", "condition", "key"]
    table = pd.DataFrame({name: texts_of(occupations, name).to_numpy(dtype=object)[order] for name in columns})
    table["depth"] = floats_of(occupations, "depth")[order]
    group = ids[order]
    first = table.groupby(group)[["label", "section", "kind", "key"]].first().reindex(range(n))
    # the condition and the depth are as last seen
    last = table.groupby(group)[["condition", "depth"]].last().reindex(range(n))
    seen = pd.DataFrame({"start": np.where(used, start, np.nan), "end": np.where(used, end, np.nan)}).groupby(ids)
    bare = ~first["key"].map(lambda key: carries_section(label_key(key)) if isinstance(key, str) else False)
    return pd.DataFrame(
        {
            "marker_id": names,
            "key": first["key"].to_numpy(dtype=object),
            "label": first["label"].to_numpy(dtype=object),
            "section": first["section"].where(~bare).to_numpy(dtype=object),
            "state": np.where(known, NOTHING, np.array("no position", dtype=object)),
            "kind": first["kind"].to_numpy(dtype=object),
            "condition": last["condition"].to_numpy(dtype=object),
            "depth": last["depth"].to_numpy(dtype=float),
            "n_occupations": np.bincount(ids[used], minlength=n),
            "first_seen": pd.to_datetime(seen["start"].min().reindex(range(n)).to_numpy(), unit="ms", utc=True),
            "last_seen": pd.to_datetime(seen["end"].max().reindex(range(n)).to_numpy(), unit="ms", utc=True),
            "cov_ee": variance,
            "cov_en": np.where(known, 0.0, np.nan),
            "cov_nn": variance,
            "radius_95": R95 * np.sqrt(variance),
            "geometry": points_of(mean, known),
        }
    )


def _tape_checks(
    taped: pd.DataFrame,
    markers: pd.DataFrame,
    mean: np.ndarray,
    sigma: np.ndarray,
    known: np.ndarray,
    combined_factor: float,
    numbers: ReadingNumbers,
) -> tuple[dict[int, str], list[Finding]]:
    """Compare taped distances with the readings: (marker number to what confirms it, findings)."""
    keys = markers["key"].to_numpy(dtype=object)
    places = pd.Series(np.arange(len(keys))[known], index=keys[known])
    single = places[~places.index.duplicated(keep=False)]
    ends = [marker_keys(taped[name]).map(single).to_numpy(dtype=float, na_value=np.nan) for name in ("from", "to")]
    distance = floats_of(taped, "distance")
    whole = np.isfinite(ends[0]) & np.isfinite(ends[1]) & (distance > 0) & (ends[0] != ends[1])
    checks: dict[int, str] = {}
    findings: list[Finding] = []
    lost = np.flatnonzero(~whole)
    if len(lost):
        said = [f"{taped['from'].iloc[row]} to {taped['to'].iloc[row]}" for row in lost[:_NAMED]]
        findings.append(
            find(
                "lines not understood",
                "taped distances",
                f"{len(lost)} of {len(taped)} do not join two markers read at one place each: {', '.join(said)}",
            )
        )
    a, b = (end[whole].astype(int) for end in ends)
    read = np.hypot(*(mean[a] - mean[b]).T) / combined_factor
    off = distance[whole] - read
    both = np.hypot(sigma[a], sigma[b])
    limit = np.maximum(numbers.agree, -float(ndtri(numbers.alpha / 2.0)) * both)
    names = markers["marker_id"].to_numpy(dtype=object)
    for row in np.flatnonzero(np.abs(off) > limit):
        middle = mean[[a[row], b[row]]].mean(axis=0)
        findings.append(
            find(
                "tape disagrees",
                f"{names[a[row]]} to {names[b[row]]}",
                f"taped {numbers.say(distance[whole][row])}, by the readings {numbers.say(read[row])} on the ground: "
                f"{numbers.say(abs(off[row]))} {'longer' if off[row] > 0 else 'shorter'}",
                at=(float(middle[0]), float(middle[1])),
            )
        )
    for row in np.flatnonzero((np.abs(off) <= numbers.agree) & (both <= numbers.agree)):
        for one, other in ((a[row], b[row]), (b[row], a[row])):
            checks.setdefault(
                int(one), f"one occupation, and the tape to {names[other]} agrees within {numbers.say(abs(off[row]))}"
            )
    return checks, findings


def _marker_findings(markers: gpd.GeoDataFrame, mean: np.ndarray) -> list[Finding]:
    findings = []
    damaged = markers["condition"].isin(_DAMAGED).to_numpy(dtype=bool)
    for row in np.flatnonzero(damaged):
        place = tuple(map(float, mean[row])) if np.isfinite(mean[row]).all() else None
        condition = markers["condition"].iloc[row]
        findings.append(find("marker damaged", markers["marker_id"].iloc[row], f"found {condition}", at=place))
    doubtful = ~markers["trusted"].fillna(value=False).to_numpy(dtype=bool) & (markers["n_occupations"] > 0).to_numpy()
    if doubtful.any():
        names = markers["marker_id"].to_numpy(dtype=object)[doubtful]
        tail = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        said = f"{len(names)} of {len(markers)}: {', '.join(names[:_NAMED])}{tail}"
        findings.append(find("markers not trusted", "markers", said))
    return findings
