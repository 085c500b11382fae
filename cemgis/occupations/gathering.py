"""Readings gathered into occupations: which count, which were not still, one position and its error each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from cemgis import schema
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.occupations.numbers import (
    CLASSES,
    HOUR_MS,
    NOTHING,
    R95,
    ReadingNumbers,
    floats_of,
    millis_of,
    points_of,
    positions_of,
    texts_of,
    words_of,
)
from cemgis.occupations.telling import marker_keys

__all__ = ["make_occupations", "reading_sigmas"]


_NEVER = {"none": "no solution", "estimated": "dead reckoning", "simulated": "simulator", "manual": "typed in by hand"}
_MEDIAN = float(np.sqrt(2.0 * np.log(2.0)))  # 1.1774 hold one half
_EXTRAS = ("kind", "condition", "depth", "base", "canopy", "note")


def reading_sigmas(readings: pd.DataFrame, numbers: ReadingNumbers) -> tuple[pd.Series, pd.Series]:
    """Return (standard deviation of each coordinate, where it comes from).

    The file's own where there is one; else by the kind of solution, times HDOP where no carrier phase is used.
    A reading without HDOP counts as HDOP 1, one of unknown kind as one without corrections.

    Parameters
    ----------
    readings : DataFrame
        With ``fix``, ``hdop``, ``sigma``, ``sigma_from``.
    numbers : ReadingNumbers

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import METRE
    >>> numbers = ReadingNumbers.of(Rules(METRE), METRE)
    >>> table = pd.DataFrame({"fix": ["fixed", "autonomous", "fixed"], "hdop": [2.0, 2.0, 1.0],
    ...                       "sigma": [None, None, 0.02], "sigma_from": [None, None, "the receiver"]})
    >>> reading_sigmas(table, numbers)[0].tolist(), reading_sigmas(table, numbers)[1].tolist()
    ([0.015, 5.0, 0.02], ['rule for fixed', 'rule for autonomous, times HDOP', 'the receiver'])
    """
    own = floats_of(readings, "sigma")
    fix = readings["fix"].astype("string").fillna("unknown")
    kind = fix.where(fix.isin(CLASSES[:4]), "autonomous")
    scaled = kind.isin(["differential", "autonomous"])
    hdop = floats_of(readings, "hdop")
    factor = np.where(scaled.to_numpy(dtype=bool) & (hdop > 0), hdop, 1.0)
    rule = kind.map(dict(numbers.sigma)).to_numpy(dtype=float) * factor
    with np.errstate(invalid="ignore"):
        given = own > 0
    # a micrometre and a thousand kilometres: whatever a file claims, weights stay finite
    least, most = 1e-6 / numbers.metres, 1e6 / numbers.metres
    said = "rule for " + kind + scaled.map({True: ", times HDOP", False: ""}).astype("string")
    source = texts_of(readings, "sigma_from").fillna("the file")
    return (
        pd.Series(np.clip(np.where(given, own, rule), least, most), index=readings.index),
        source.where(pd.Series(given, index=readings.index), said).astype("string"),
    )


def make_occupations(
    readings: gpd.GeoDataFrame, numbers: ReadingNumbers
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, list[Finding]]:
    """Gather readings into occupations: all readings of one marker in one go, as one position.

    A go ends where the label or the number of the occupation changes, or after a pause. Only the best kind of
    solution in it counts. The position is the weighted mean of the epochs that stand still around the median.
    Epochs are correlated, so the standard deviation never shrinks with their mere number: it is that of an epoch
    (or their scatter, if larger) over the square root of the stretches of time that are apart, and never below the
    floor of the kind of solution.

    Parameters
    ----------
    readings : GeoDataFrame
        Shaped like the layer ``readings``, in the grid; also, where known, ``section`` (of labels that carry none),
        ``occupation`` (its number in the file's list), ``speed`` (m/s), ``kind``, ``condition``, ``depth`` (m),
        ``base``, ``canopy``, ``note``.
    numbers : ReadingNumbers

    Returns
    -------
    readings : GeoDataFrame
        On the same index, with ``sigma``, ``sigma_from``, ``occupation_id``, ``used`` and ``why_not`` filled.
    occupations : GeoDataFrame
        The layer ``occupations`` and two columns for `make_markers`: ``key`` and ``section``.
    findings : list of Finding
        ``receiver moved``.
    """
    crs = readings.crs
    table = pd.DataFrame(readings.drop(columns=readings.geometry.name))
    xy = positions_of(readings)
    key = words_of(marker_keys(texts_of(table, "label"), texts_of(table, "section")))
    sigma, sigma_from = reading_sigmas(table, numbers)
    fix = words_of(texts_of(table, "fix").fillna("unknown"))
    millis, line = millis_of(table, "time"), floats_of(table, "line")
    why = np.full(len(table), "", dtype=object)
    why[key == ""] = "no label"
    for name, reason in _NEVER.items():
        why[(fix == name) & (why == "")] = reason
    why[np.isnan(xy).any(axis=1) & (why == "")] = "no position"

    at = _in_order(table, key, millis, line)
    group = _groups(table, key, millis, at, numbers)
    n_groups = int(group[-1]) + 1 if len(at) else 0
    frame = pd.DataFrame(
        {
            "row": at,
            "group": group,
            "counts": why[at] == "",
            "rank": pd.Series(fix[at]).map({name: rank for rank, name in enumerate(CLASSES)}).fillna(9).to_numpy(),
            "x": xy[at, 0],
            "y": xy[at, 1],
            "sigma": sigma.to_numpy()[at],
            "millis": millis[at],
            "speed": floats_of(table, "speed")[at] / numbers.metres,
            "own": ~sigma_from.str.startswith("rule").to_numpy(dtype=bool)[at],
        }
    )
    best = frame[frame["counts"]].groupby("group")["rank"].min().reindex(range(n_groups))
    candidate = (frame["counts"] & (frame["rank"] == best.reindex(frame["group"]).to_numpy())).to_numpy(dtype=bool)
    mean = _still_means(frame[candidate], n_groups, numbers)
    beside = frame[(frame["counts"] & ~candidate).to_numpy(dtype=bool)].groupby("group")["speed"]
    restless = (beside.median() > numbers.speed).reindex(range(n_groups), fill_value=False).to_numpy(dtype=bool)

    kinds = np.array([*CLASSES, "unknown"], dtype=object)
    best_name = kinds[best.fillna(5).astype(int).to_numpy()] if n_groups else np.empty(0, dtype=object)
    worse = at[(frame["counts"] & ~candidate).to_numpy(dtype=bool)]
    in_group = group[(frame["counts"] & ~candidate).to_numpy(dtype=bool)]
    why[worse] = [
        f"{one}: only {top} readings count here" for one, top in zip(fix[worse], best_name[in_group], strict=True)
    ]
    away = frame["row"][candidate][mean.away].to_numpy()
    why[away] = "too far from the middle of its occupation"
    moved_rows = frame["row"][candidate & mean.moved[group]].to_numpy() if n_groups else np.empty(0, dtype=int)
    why[moved_rows] = "the receiver moved"

    names = _occupation_names(table, key, at, group)
    ids = np.full(len(table), None, dtype=object)
    ids[at] = names[group] if n_groups else None
    out = readings.copy()
    out["sigma"] = pd.array(sigma.to_numpy(), dtype="Float64")
    out["sigma_from"] = sigma_from
    out["occupation_id"] = pd.Series(ids, index=readings.index, dtype="string")
    out["used"] = pd.Series(why == "", index=readings.index, dtype="boolean")
    out["why_not"] = pd.Series(np.where(why == "", NOTHING, why), index=readings.index, dtype="string")

    occupations = _occupation_table(table, key, fix, frame, mean, best_name, names, numbers, crs)
    findings = [
        find(
            "receiver moved",
            names[number],
            str(mean.reason[number]),
            section=occupations["section"].iloc[number] if pd.notna(occupations["section"].iloc[number]) else None,
            at=(float(mean.x[number]), float(mean.y[number])),
        )
        for number in np.flatnonzero(mean.moved)
    ]
    findings += [
        find(
            "receiver moved",
            names[number],
            f"it moved before or after the {int(mean.kept[number])} {best_name[number]} readings that count",
            at=(float(mean.x[number]), float(mean.y[number])),
        )
        for number in np.flatnonzero(restless & ~mean.moved & (mean.kept > 0))
    ]
    return out, occupations, findings


def _in_order(table: pd.DataFrame, key: np.ndarray, millis: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Row numbers of labelled readings, file by file in the order of time (of lines where no time is known)."""
    file = pd.factorize(texts_of(table, "file").fillna(""))[0]
    timed = ~np.isnan(millis)
    order = np.lexsort((np.nan_to_num(line), np.nan_to_num(millis), timed, file))
    labelled: np.ndarray = order[(key != "")[order]]
    return labelled


def _groups(
    table: pd.DataFrame, key: np.ndarray, millis: np.ndarray, at: np.ndarray, numbers: ReadingNumbers
) -> np.ndarray:
    """Return the number of the go each ordered reading belongs to."""
    if not len(at):
        return np.empty(0, dtype=np.int64)
    file = pd.factorize(texts_of(table, "file").fillna(""))[0][at]
    codes = pd.factorize(key)[0][at]
    listed = np.nan_to_num(floats_of(table, "occupation")[at], nan=-1.0)
    time = millis[at]
    new = np.ones(len(at), dtype=bool)
    with np.errstate(invalid="ignore"):
        pause = np.diff(time) > numbers.gap_hours * HOUR_MS
    new[1:] = (np.diff(file) != 0) | (np.diff(codes) != 0) | (np.diff(listed) != 0) | pause
    new[1:] |= np.diff(np.isnan(time).astype(int)) != 0
    numbered: np.ndarray = np.cumsum(new) - 1
    return numbered


@dataclass(frozen=True, slots=True)
class _Means:
    """What the epochs of each go say together, (n_groups,), and of each candidate whether it is away, (n,)."""

    x: np.ndarray
    y: np.ndarray
    sigma: np.ndarray
    kept: np.ndarray
    moved: np.ndarray
    reason: np.ndarray
    away: np.ndarray


def _by_class(ranks: np.ndarray, values: Mapping[str, float], unknown: str) -> np.ndarray:
    table = np.array([values[name] for name in CLASSES[:4]] + [values[unknown]] * 6)
    chosen: np.ndarray = table[np.clip(ranks.astype(int), 0, 9)]
    return chosen


def _still_means(epochs: pd.DataFrame, n_groups: int, numbers: ReadingNumbers) -> _Means:
    """Robust mean of the epochs of each go that stand still."""
    every = range(n_groups)
    by = epochs.groupby("group")
    x0, y0 = (by[name].transform("median").to_numpy() for name in "xy")
    dx, dy = epochs["x"].to_numpy() - x0, epochs["y"].to_numpy() - y0
    group, rank = epochs["group"].to_numpy(), epochs["rank"].to_numpy()
    radius = np.hypot(dx, dy)
    spread = pd.Series(radius, index=epochs.index).groupby(epochs["group"]).transform("median").to_numpy() / _MEDIAN
    limit = numbers.still * np.maximum(spread, _by_class(rank, numbers.sigma, "autonomous"))
    away = radius > limit
    weight = np.where(away, 0.0, epochs["sigma"].to_numpy() ** -2.0)
    parts = pd.DataFrame(
        {
            "group": group,
            "n": 1,
            "kept": ~away,
            "w": weight,
            "wx": weight * dx,
            "wy": weight * dy,
            "ww": weight * (dx**2 + dy**2),
            "reach": np.where(away, 0.0, radius),
            "start": np.where(away, np.nan, epochs["millis"].to_numpy()),
        }
    )
    sums = parts.groupby("group")[["n", "kept", "w", "wx", "wy", "ww"]].sum().reindex(every, fill_value=0)
    reach = parts.groupby("group")["reach"].max().reindex(every).to_numpy(dtype=float)
    times = parts.groupby("group")["start"]
    hours = ((times.max() - times.min()) / HOUR_MS).reindex(every).fillna(0.0).to_numpy(dtype=float)
    first = by[["x", "y"]].median().reindex(every)
    classes = by["rank"].min().reindex(every).fillna(4).to_numpy()
    own = by["own"].all().reindex(every, fill_value=False).to_numpy(dtype=bool)
    speed = by["speed"].median().reindex(every).to_numpy(dtype=float)
    n, kept, w = (sums[name].to_numpy(dtype=float) for name in ("n", "kept", "w"))
    with np.errstate(invalid="ignore", divide="ignore"):
        mx, my = sums["wx"].to_numpy() / w, sums["wy"].to_numpy() / w
        # variance of an epoch, and of the epochs about their mean, each coordinate
        epoch = kept / w
        scatter = np.maximum(sums["ww"].to_numpy() / w - mx**2 - my**2, 0.0) / 2.0
        scatter *= np.where(kept > 1, kept / np.maximum(kept - 1, 1), 0.0)
        apart = 1.0 + np.floor(hours / numbers.correlation_hours)
        floor = np.where((classes >= 4) & own, numbers.floor["fixed"], _by_class(classes, numbers.floor, "autonomous"))
        sigma = np.maximum(floor, np.sqrt(np.maximum(epoch, scatter) / apart))
        share = 1.0 - kept / n
    still = np.where(
        classes == 0,
        numbers.moving,
        np.maximum(numbers.moving, numbers.still * _by_class(classes, numbers.floor, "autonomous")),
    )
    with np.errstate(invalid="ignore"):
        fast, far, loose = speed > numbers.speed, reach > still, share > numbers.away
    moved = (fast | far | loose) & (n > 0)
    reason = np.full(n_groups, "", dtype=object)
    for number in np.flatnonzero(moved):
        said = []
        if fast[number]:
            said.append(f"its own middle speed was {speed[number] * numbers.metres:.2f} m/s")
        if far[number]:
            said.append(f"its readings lie up to {numbers.say(reach[number])} from their middle")
        if loose[number]:
            said.append(f"{n[number] - kept[number]:.0f} of {n[number]:.0f} readings lie away from the middle")
        reason[number] = "; ".join(said)
    return _Means(first["x"].to_numpy() + mx, first["y"].to_numpy() + my, sigma, kept, moved, reason, away)


def _occupation_names(table: pd.DataFrame, key: np.ndarray, at: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Id of each go: key, file and its number there."""
    if not len(at):
        return np.empty(0, dtype=object)
    heads = at[np.flatnonzero(np.diff(group, prepend=-1))]
    frame = pd.DataFrame({"key": key[heads], "file": words_of(texts_of(table, "file").fillna(""))[heads]})
    number = frame.groupby(["key", "file"]).cumcount() + 1
    names: np.ndarray = (frame["key"] + " " + frame["file"] + " " + number.astype(str)).to_numpy(dtype=object)
    return names


def _occupation_table(
    table: pd.DataFrame,
    key: np.ndarray,
    fix: np.ndarray,
    frame: pd.DataFrame,
    mean: _Means,
    best_name: np.ndarray,
    names: np.ndarray,
    numbers: ReadingNumbers,
    crs: Any,
) -> gpd.GeoDataFrame:
    """Build the layer ``occupations``."""
    n = len(names)
    at, group = frame["row"].to_numpy(), frame["group"].to_numpy()
    heads = at[np.flatnonzero(np.diff(group, prepend=-1))]
    columns = ["label", "file", "visit", "receiver", "section", *_EXTRAS]
    firsts = pd.DataFrame({name: _first(texts_of(table, name), at, group, n) for name in columns if name != "depth"})
    depth = pd.Series(floats_of(table, "depth") / numbers.metres)
    firsts["depth"] = _first(depth, at, group, n).astype(float)
    times = frame.groupby("group")["millis"]
    span = {
        name: pd.to_datetime(values.reindex(range(n)).to_numpy(dtype=float), unit="ms", utc=True)
        for name, values in (("start", times.min()), ("end", times.max()))
    }
    whole = mean.kept > 0
    used = whole & ~mean.moved
    none_why = np.array([_NEVER.get(one, "no position") for one in fix[heads]], dtype=object)
    why = np.where(used, NOTHING, np.where(whole, "the receiver moved", none_why))
    sigma = np.where(whole, mean.sigma, np.nan)
    data = firsts.assign(
        occupation_id=names,
        **span,
        fix=np.where(whole, best_name, fix[heads]),
        n_readings=frame.groupby("group").size().reindex(range(n)).to_numpy(),
        n_used=np.where(used, mean.kept, 0.0),
        cov_ee=sigma**2,
        cov_en=np.where(whole, 0.0, np.nan),
        cov_nn=sigma**2,
        radius_95=R95 * sigma,
        used=used,
        why_not=why,
        geometry=points_of(np.column_stack([mean.x, mean.y]), whole),
    ).reset_index(drop=True)
    shaped = schema.restore(data, LAYERS["occupations"], crs)
    shaped["key"] = pd.Series(key[heads], dtype="string")
    shaped["section"] = data["section"].astype("string")
    return gpd.GeoDataFrame(shaped, geometry="geometry", crs=crs)


def _first(values: pd.Series, at: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    """Return the first value that is there of each group; `group` rises along `at`."""
    there = np.flatnonzero(values.notna().to_numpy(dtype=bool)[at])
    found = there[np.flatnonzero(np.diff(group[there], prepend=-1))]
    out = np.full(n_groups, None, dtype=object)
    out[group[found]] = values.iloc[at[found]].to_numpy(dtype=object)
    return out
