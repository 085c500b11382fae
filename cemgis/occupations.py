"""From readings to found markers: occupations, how sure each is, and one position a marker."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.stats import chi2, norm

from cemgis import schema
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.places import carries_section, label_key
from cemgis.units import Unit, say_length, unit_of_factor

__all__ = ["ReadingNumbers", "make_markers", "make_occupations", "marker_keys", "reading_sigmas", "settle_occupations"]

_CLASSES = ("fixed", "float", "differential", "autonomous", "unknown")  # the best first
_NEVER = {"none": "no solution", "estimated": "dead reckoning", "simulated": "simulator", "manual": "typed in by hand"}
_R95 = float(np.sqrt(-2.0 * np.log(0.05)))  # 2.4477 standard deviations of a circular normal hold 95 %
_MEDIAN = float(np.sqrt(2.0 * np.log(2.0)))  # 1.1774 hold one half
_HOUR_MS = 3_600_000.0
_DAMAGED = ("broken", "tilted", "loose")
_EXTRAS = ("kind", "condition", "depth", "base", "canopy", "note")
_NAMED = 8
_ROUNDS = 20
_NOTHING = np.array(None, dtype=object)


@dataclass(frozen=True, slots=True)
class ReadingNumbers:
    """The rules that turn readings into markers, lengths in the ground's unit.

    Parameters
    ----------
    sigma : mapping of str to float
        Standard deviation of each coordinate by kind of solution; for one unit of HDOP where that scales it.
    floor : mapping of str to float
        No occupation is better than this, by kind of solution.
    gap_hours, correlation_hours, trusted_gap_hours : float
    still, away : float
        Ratios.
    moving, speed, agree, two_places : float
        Lengths; the speed is one a second.
    alpha : float
        Chance of calling good occupations bad.
    unit : Unit
        The ground's unit.
    """

    sigma: Mapping[str, float]
    floor: Mapping[str, float]
    gap_hours: float
    correlation_hours: float
    still: float
    away: float
    moving: float
    speed: float
    trusted_gap_hours: float
    agree: float
    two_places: float
    alpha: float
    unit: Unit

    @property
    def metres(self) -> float:
        """Length of the ground's unit in metres."""
        return self.unit.metres

    def say(self, length: float) -> str:
        """Say a length with its unit."""
        return say_length(length, self.unit)

    @classmethod
    def of(cls, rules: Mapping[str, float], unit: Unit | float) -> ReadingNumbers:
        """Take them from the rules in force, whose lengths are in units of `unit` (or of its length in metres).

        Examples
        --------
        >>> from cemgis.rules import Rules
        >>> from cemgis.units import METRE
        >>> ReadingNumbers.of(Rules(METRE), METRE).sigma["fixed"]
        0.015
        """
        classes = _CLASSES[:4]
        return cls(
            sigma={name: rules[f"reading.sigma_{name}"] for name in classes},
            floor={name: rules[f"occupation.floor_{name}"] for name in classes},
            gap_hours=rules["occupation.gap"],
            correlation_hours=rules["occupation.correlation"],
            still=rules["occupation.still"],
            away=rules["occupation.away"],
            moving=rules["occupation.moving"],
            speed=rules["occupation.speed"],
            trusted_gap_hours=rules["marker.trusted_gap"],
            agree=rules["marker.trusted_agree"],
            two_places=rules["marker.two_places"],
            alpha=rules["fit.alpha"],
            unit=unit if isinstance(unit, Unit) else unit_of_factor(unit),
        )


# ---- readings ---------------------------------------------------------------------------------------------------


def marker_keys(labels: pd.Series, sections: pd.Series | None = None) -> pd.Series:
    """Key under which labels of one marker meet; a bare lot number takes its file's section.

    Parameters
    ----------
    labels : Series of str, (n,)
    sections : Series of str, (n,), optional
        Section of labels that carry none.

    Returns
    -------
    Series of str, (n,)
        Empty where there is no label.

    Examples
    --------
    >>> marker_keys(pd.Series(["b 016", "16", None]), pd.Series(["C", "B", "B"])).tolist()
    ['B-16', 'B-16', '']
    """
    labels = labels.astype("string")
    if sections is None:
        known = {label: label_key(label) for label in labels.dropna().unique()}
        return labels.map(known).fillna("").astype("string")
    pairs = pd.DataFrame({"label": labels, "section": sections.astype("string")}).fillna("")
    distinct = pairs.drop_duplicates()
    keys = []
    for label, section in zip(distinct["label"], distinct["section"], strict=True):
        key = label_key(label)
        keys.append(label_key(f"{section}-{label}") if key and section and not carries_section(key) else key)
    return pairs.merge(distinct.assign(key=keys), how="left")["key"].set_axis(labels.index).astype("string")


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
    own = _floats(readings, "sigma")
    fix = readings["fix"].astype("string").fillna("unknown")
    kind = fix.where(fix.isin(_CLASSES[:4]), "autonomous")
    scaled = kind.isin(["differential", "autonomous"])
    hdop = _floats(readings, "hdop")
    factor = np.where(scaled.to_numpy(dtype=bool) & (hdop > 0), hdop, 1.0)
    rule = kind.map(dict(numbers.sigma)).to_numpy(dtype=float) * factor
    with np.errstate(invalid="ignore"):
        given = own > 0
    # a micrometre and a thousand kilometres: whatever a file claims, weights stay finite
    least, most = 1e-6 / numbers.metres, 1e6 / numbers.metres
    said = "rule for " + kind + scaled.map({True: ", times HDOP", False: ""}).astype("string")
    source = _texts(readings, "sigma_from").fillna("the file")
    return (
        pd.Series(np.clip(np.where(given, own, rule), least, most), index=readings.index),
        source.where(pd.Series(given, index=readings.index), said).astype("string"),
    )


def _floats(table: pd.DataFrame, name: str) -> np.ndarray:
    if name not in table:
        return np.full(len(table), np.nan)
    return np.array(pd.to_numeric(table[name]).to_numpy(dtype=float, na_value=np.nan))


def _texts(table: pd.DataFrame, name: str) -> pd.Series:
    if name not in table:
        return pd.Series(pd.NA, index=table.index, dtype="string")
    return table[name].astype("string")


def _millis(table: pd.DataFrame, name: str) -> np.ndarray:
    """Milliseconds since 1970; NaN where there is no time."""
    if name not in table:
        return np.full(len(table), np.nan)
    stamps = pd.to_datetime(table[name], utc=True).dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype(np.int64).astype(float))


def _positions(table: gpd.GeoDataFrame) -> np.ndarray:
    shapes = np.asarray(table.geometry.to_numpy(), dtype=object)
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)]).astype(float)


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
    xy = _positions(readings)
    key = marker_keys(_texts(table, "label"), _texts(table, "section")).to_numpy(dtype=object)
    sigma, sigma_from = reading_sigmas(table, numbers)
    fix = _texts(table, "fix").fillna("unknown").to_numpy(dtype=object)
    millis, line = _millis(table, "time"), _floats(table, "line")
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
            "rank": pd.Series(fix[at]).map({name: rank for rank, name in enumerate(_CLASSES)}).fillna(9).to_numpy(),
            "x": xy[at, 0],
            "y": xy[at, 1],
            "sigma": sigma.to_numpy()[at],
            "millis": millis[at],
            "speed": _floats(table, "speed")[at] / numbers.metres,
            "own": ~sigma_from.str.startswith("rule").to_numpy(dtype=bool)[at],
        }
    )
    best = frame[frame["counts"]].groupby("group")["rank"].min().reindex(range(n_groups))
    candidate = (frame["counts"] & (frame["rank"] == best.reindex(frame["group"]).to_numpy())).to_numpy(dtype=bool)
    mean = _still_means(frame[candidate], n_groups, numbers)
    beside = frame[(frame["counts"] & ~candidate).to_numpy(dtype=bool)].groupby("group")["speed"]
    restless = (beside.median() > numbers.speed).reindex(range(n_groups), fill_value=False).to_numpy(dtype=bool)

    kinds = np.array([*_CLASSES, "unknown"], dtype=object)
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
    out["why_not"] = pd.Series(np.where(why == "", _NOTHING, why), index=readings.index, dtype="string")

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
    file = pd.factorize(_texts(table, "file").fillna(""))[0]
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
    file = pd.factorize(_texts(table, "file").fillna(""))[0][at]
    codes = pd.factorize(key)[0][at]
    listed = np.nan_to_num(_floats(table, "occupation")[at], nan=-1.0)
    time = millis[at]
    new = np.ones(len(at), dtype=bool)
    with np.errstate(invalid="ignore"):
        pause = np.diff(time) > numbers.gap_hours * _HOUR_MS
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
    table = np.array([values[name] for name in _CLASSES[:4]] + [values[unknown]] * 6)
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
    hours = ((times.max() - times.min()) / _HOUR_MS).reindex(every).fillna(0.0).to_numpy(dtype=float)
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
    frame = pd.DataFrame({"key": key[heads], "file": _texts(table, "file").fillna("").to_numpy(dtype=object)[heads]})
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
    firsts = pd.DataFrame({name: _first(_texts(table, name), at, group, n) for name in columns if name != "depth"})
    depth = pd.Series(_floats(table, "depth") / numbers.metres)
    firsts["depth"] = _first(depth, at, group, n).astype(float)
    times = frame.groupby("group")["millis"]
    span = {
        name: pd.to_datetime(values.reindex(range(n)).to_numpy(dtype=float), unit="ms", utc=True)
        for name, values in (("start", times.min()), ("end", times.max()))
    }
    whole = mean.kept > 0
    used = whole & ~mean.moved
    none_why = np.array([_NEVER.get(one, "no position") for one in fix[heads]], dtype=object)
    why = np.where(used, _NOTHING, np.where(whole, "the receiver moved", none_why))
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
        radius_95=_R95 * sigma,
        used=used,
        why_not=why,
        geometry=_points(np.column_stack([mean.x, mean.y]), whole),
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


def _points(xy: np.ndarray, known: np.ndarray) -> np.ndarray:
    shapes = np.full(len(xy), None, dtype=object)
    shapes[known] = shapely.points(xy[known])
    return shapes


# ---- occupations to markers -------------------------------------------------------------------------------------


def settle_occupations(
    occupations: gpd.GeoDataFrame, numbers: ReadingNumbers
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Say which marker each occupation belongs to, and which do not agree with the others of it.

    Occupations of one key lie at one place if they are nearer than the least distance of two markers and their own
    errors together. Of three or more that disagree, the one that fits the others least is left out, until the rest
    agree; of two both stay, and the marker is as unsure as they are far apart.

    Parameters
    ----------
    occupations : GeoDataFrame
        From `make_occupations`.
    numbers : ReadingNumbers

    Returns
    -------
    occupations : GeoDataFrame
        On the same index, with ``used``, ``why_not`` and ``marker_id``.
    findings : list of Finding
        ``marker at two places`` and ``occupations disagree``.
    """
    xy = _positions(occupations)
    key = occupations["key"].to_numpy(dtype=object)
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool) & np.isfinite(xy).all(axis=1)
    sigma = np.sqrt(_floats(occupations, "cov_ee"))
    rows = np.flatnonzero(used)
    place = np.full(len(occupations), -1, dtype=np.int64)
    place[rows] = _places(key[rows], xy[rows], sigma[rows], numbers)
    ids = _marker_ids(key, place, _millis(occupations, "start"), xy)
    why = _texts(occupations, "why_not").to_numpy(dtype=object, na_value=None)
    findings = _two_places(occupations, key, ids, xy, used, numbers.unit)

    left = used.copy()
    codes = pd.factorize(ids)[0]
    # each round leaves out at most one occupation a marker
    for _ in range(_ROUNDS):
        fit = _agreement(codes, xy, sigma, left, numbers)
        drop = np.unique(fit.worst[fit.bad & (fit.n >= 3)])
        if not len(drop):
            break
        left[drop] = False
    fit = _agreement(codes, xy, sigma, left, numbers)
    dropped = np.flatnonzero(used & ~left)
    why[dropped] = [
        f"differs by {numbers.say(miss)} from the other occupations of this marker" for miss in fit.miss[dropped]
    ]
    members_of = pd.DataFrame({"code": codes[used]}, index=np.flatnonzero(used)).groupby("code").groups
    names = _texts(occupations, "occupation_id").to_numpy(dtype=object, na_value=None)
    for number in sorted({*codes[dropped].tolist(), *np.flatnonzero(fit.bad).tolist()}):
        members = np.asarray(members_of[number])
        reach = float(np.hypot(*np.ptp(xy[members], axis=0)))
        said = [
            f"{int(left[members].sum())} of {len(members)} occupations agree; they lie up to {numbers.say(reach)} apart"
        ]
        if fit.bad[number]:
            said = [f"its {int(left[members].sum())} occupations lie up to {numbers.say(reach)} apart"]
        said += [f"{names[row]} {why[row]}" for row in members[~left[members]][:3]]
        east, north = xy[members].mean(axis=0).tolist()
        findings.append(find("occupations disagree", ids[members[0]], "; ".join(said), at=(east, north)))
    out = occupations.copy()
    out["used"] = pd.Series(left, index=occupations.index, dtype="boolean")
    out["why_not"] = pd.Series(why, index=occupations.index, dtype="string")
    out["marker_id"] = pd.Series(ids, index=occupations.index, dtype="string")
    return out, findings


def _places(key: np.ndarray, xy: np.ndarray, sigma: np.ndarray, numbers: ReadingNumbers) -> np.ndarray:
    """Return the number of the place of each occupation: those of one key near enough to be one marker share it."""
    if not len(key):
        return np.empty(0, dtype=np.int64)
    codes = pd.factorize(key)[0]
    reach = float(np.sqrt(chi2.isf(numbers.alpha, 2)))
    sharp = reach * np.sqrt(2.0) * sigma <= numbers.two_places
    has_sharp = np.zeros(codes.max() + 1, dtype=bool)
    has_sharp[codes[sharp]] = True
    # a coarse occupation must not bridge two places that sharp ones tell apart: it joins the nearer of them
    core = sharp | ~has_sharp[codes]
    widest = np.zeros(codes.max() + 1)
    np.maximum.at(widest, codes[core], reach * np.sqrt(2.0) * sigma[core])
    within = (widest + numbers.two_places)[codes]
    place = np.full(len(key), -1, dtype=np.int64)
    place[core] = _linked(codes[core], xy[core], within[core])
    rest = np.flatnonzero(~core)
    if len(rest):
        # keys lie in layers farther apart than any two points of one ground
        layer = 1e9
        tree = cKDTree(np.column_stack([xy[core], codes[core] * layer]))
        distance, nearest = tree.query(np.column_stack([xy[rest], codes[rest] * layer]))
        other = sigma[core][nearest]
        joins = distance <= numbers.two_places + reach * np.hypot(sigma[rest], other)
        place[rest[joins]] = place[core][nearest[joins]]
        alone = rest[~joins]
        if len(alone):
            own = _linked(codes[alone], xy[alone], numbers.two_places + reach * np.sqrt(2.0) * sigma[alone])
            place[alone] = place.max() + 1 + own
    return place


def _linked(codes: np.ndarray, xy: np.ndarray, within: np.ndarray) -> np.ndarray:
    """Single linkage within each code: components of points nearer to one another than `within`.

    Points are gathered in cells whose diagonal is `within` first, so that many readings of one spot cost no pairs.
    """
    order = np.argsort(codes, kind="stable")
    _, first = np.unique(codes[order], return_index=True)
    origin = np.zeros((codes.max() + 1, 2))
    origin[codes[order][first]] = xy[order][first]
    scale = np.zeros(codes.max() + 1)
    np.maximum.at(scale, codes, within)
    scaled = (xy - origin[codes]) / scale[codes, None]
    cells = np.floor(scaled * np.sqrt(2.0)).astype(np.int64)
    frame = pd.DataFrame({"code": codes, "cx": cells[:, 0], "cy": cells[:, 1], "x": scaled[:, 0], "y": scaled[:, 1]})
    by = frame.groupby(["code", "cx", "cy"])
    cell = by.ngroup().to_numpy()
    middle = by[["x", "y"]].mean().reset_index()
    tree = cKDTree(np.column_stack([middle["x"], middle["y"], middle["code"] * 1e9]))
    pairs = tree.query_pairs(1.0, output_type="ndarray")
    n = len(middle)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    parts = connected_components(graph, directed=False)[1]
    place: np.ndarray = parts[cell].astype(np.int64)
    return place


def _marker_ids(key: np.ndarray, place: np.ndarray, start: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Id of the marker of each occupation: its key, numbered in the order found when there are several places."""
    frame = pd.DataFrame({"key": key, "place": place, "start": start, "x": xy[:, 0], "y": xy[:, 1]})
    real = frame[frame["place"] >= 0]
    places = real.groupby(["key", "place"], as_index=False)[["start", "x", "y"]].min()
    places = places.sort_values(["key", "start", "x", "y"], kind="stable")
    places["number"] = places.groupby("key").cumcount() + 1
    places["of"] = places.groupby("key")["place"].transform("size")
    places["id"] = places["key"].where(places["of"] == 1, places["key"] + " (" + places["number"].astype(str) + ")")
    joined = frame.merge(places[["key", "place", "id"]], how="left", on=["key", "place"])["id"]
    # an occupation without a position goes with the first place of its key
    first = places.drop_duplicates("key").set_index("key")["id"]
    again = frame["key"].map(first).to_numpy(dtype=object)
    own = joined.to_numpy(dtype=object)
    ids: np.ndarray = np.where(pd.notna(own), own, np.where(pd.notna(again), again, key))
    return ids


def _two_places(
    occupations: gpd.GeoDataFrame, key: np.ndarray, ids: np.ndarray, xy: np.ndarray, used: np.ndarray, unit: Unit
) -> list[Finding]:
    """Make the findings for keys read at several places."""
    frame = pd.DataFrame(
        {"key": key, "id": ids, "x": xy[:, 0], "y": xy[:, 1], "file": _texts(occupations, "file")},
    )[used]
    counts = frame.groupby("key")["id"].transform("nunique")
    found = []
    for name, part in frame[(counts > 1).to_numpy(dtype=bool)].groupby("key"):
        middle = part.groupby("id")[["x", "y"]].mean()
        far = float(np.hypot(*(middle.max() - middle.min())))
        files = ", ".join(part["file"].astype(str).unique()[:3])
        said = f"read at {len(middle)} places up to {say_length(far, unit, 1)} apart ({files})"
        east, north = middle.iloc[0].tolist()
        found.append(find("marker at two places", name, said, at=(east, north)))
    return found


@dataclass(frozen=True, slots=True)
class _Agreement:
    """How the occupations of each marker agree, (n_markers,), and how far each misses the mean, (n,)."""

    n: np.ndarray
    bad: np.ndarray
    worst: np.ndarray
    miss: np.ndarray


def _agreement(
    codes: np.ndarray, xy: np.ndarray, sigma: np.ndarray, use: np.ndarray, numbers: ReadingNumbers
) -> _Agreement:
    n_markers = int(codes.max()) + 1 if len(codes) else 0
    n = np.bincount(codes[use], minlength=n_markers)
    mean, weight = _weighted(codes, xy, np.where(use, sigma**-2.0, 0.0), n_markers)
    miss = np.hypot(*(xy - mean[codes]).T)
    square = np.where(use, (miss / sigma) ** 2, 0.0)
    total = np.bincount(codes, square, minlength=n_markers)
    with np.errstate(invalid="ignore", divide="ignore"):
        limit = chi2.isf(numbers.alpha, np.maximum(2 * (n - 1), 1))
        # residual over its own standard deviation: the mean leans on each occupation
        own = np.sqrt(np.maximum(sigma**2 - 1.0 / weight[codes], 0.0))
        score = np.where(use, miss / np.where(own > 0, own, np.inf), -1.0)
    reach = np.zeros(n_markers)
    np.maximum.at(reach, codes[use], miss[use])
    bad = (n > 1) & (total > limit) & (2.0 * reach > numbers.agree)
    order = np.lexsort((score, codes))
    last = np.flatnonzero(np.diff(codes[order], append=-1))
    worst = np.zeros(n_markers, dtype=np.int64)
    worst[codes[order][last]] = order[last]
    return _Agreement(n, bad, worst, miss)


def _weighted(codes: np.ndarray, xy: np.ndarray, weight: np.ndarray, n_markers: int) -> tuple[np.ndarray, np.ndarray]:
    """Weighted means, computed about a point of each marker, and the sums of weights."""
    origin = np.full((n_markers, 2), np.nan)
    real = weight > 0
    origin[codes[real]] = xy[real]
    total = np.bincount(codes[real], weight[real], minlength=n_markers)
    mean = np.empty((n_markers, 2))
    for axis in (0, 1):
        off = weight[real] * (xy[real, axis] - origin[codes[real], axis])
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[:, axis] = origin[:, axis] + np.bincount(codes[real], off, minlength=n_markers) / total
    return mean, total


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
        apart = start[order][1:] - latest[:-1] >= hours * _HOUR_MS
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
    xy, sigma = _positions(occupations), np.sqrt(_floats(occupations, "cov_ee"))
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool)
    start, end = _millis(occupations, "start"), _millis(occupations, "end")
    rows = np.flatnonzero(used)
    codes = ids[rows]

    session = _sessions(codes, start[rows], end[rows], numbers.trusted_gap_hours)
    weight = sigma[rows] ** -2.0
    in_session = np.bincount(session, weight) if len(rows) else np.empty(0)
    best = np.zeros(len(in_session))
    np.maximum.at(best, session, weight)
    mean, total = _weighted(codes, xy[rows], weight / in_session[session] * best[session], n)
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
            hours = np.maximum(start - end[other], start[other] - end) / _HOUR_MS
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
    table = pd.DataFrame({name: _texts(occupations, name).to_numpy(dtype=object)[order] for name in columns})
    table["depth"] = _floats(occupations, "depth")[order]
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
            "state": np.where(known, _NOTHING, np.array("no position", dtype=object)),
            "kind": first["kind"].to_numpy(dtype=object),
            "condition": last["condition"].to_numpy(dtype=object),
            "depth": last["depth"].to_numpy(dtype=float),
            "n_occupations": np.bincount(ids[used], minlength=n),
            "first_seen": pd.to_datetime(seen["start"].min().reindex(range(n)).to_numpy(), unit="ms", utc=True),
            "last_seen": pd.to_datetime(seen["end"].max().reindex(range(n)).to_numpy(), unit="ms", utc=True),
            "cov_ee": variance,
            "cov_en": np.where(known, 0.0, np.nan),
            "cov_nn": variance,
            "radius_95": _R95 * np.sqrt(variance),
            "geometry": _points(mean, known),
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
    distance = _floats(taped, "distance")
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
    limit = np.maximum(numbers.agree, float(norm.isf(numbers.alpha / 2.0)) * both)
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
