"""What a crew wrote down: occupations and taped distances."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.readings.cells import DAY_MS, metres_of, numbers_of, on_day, parse_times, strings
from cemgis.files.readings.columns import Source
from cemgis.files.readings.table import nothing_usable
from cemgis.files.readings.words import CONDITION_OF, KIND_OF, UNIT_METRES, WORDS, cut_header, mapped
from cemgis.files.tables import NAMED, BrokenLine, Table, shown
from cemgis.units import Unit, parse_length

__all__ = ["assign_occupations", "parse_occupations", "parse_taped"]

_OCCUPATION_WORDS: Mapping[str, tuple[str, ...]] = {
    "label": WORDS["label"],
    "from": ("from", "start", "begin", "from utc", "start utc", "start time"),
    "to": ("to", "end", "until", "to utc", "end utc", "end time"),
    **{key: WORDS[key] for key in ("date", "kind", "condition", "depth", "antenna_height", "base", "canopy", "note")},
}


def parse_occupations(table: Table, *, day: dt.date | None = None, where: str = "occupations") -> pd.DataFrame:
    """Take the list of what was occupied when: label, from, to, and what was seen of the marker.

    Parameters
    ----------
    table : Table
        Times in ISO 8601 or as time of the day; without a zone they are UTC.
    day : date, optional
        Day of times without one.
    where : str

    Returns
    -------
    DataFrame
        ``line, label, start, end`` (datetime64, UTC, NaT when the day is not known), ``from_clock, to_clock``
        (seconds of the day, then), ``kind, condition, depth`` (m), ``antenna_height`` (m), ``base, canopy, note``.
        ``attrs["broken"]``, ``attrs["n_broken"]`` and ``attrs["notes"]`` say what was left out.

    Raises
    ------
    InputError
        When a column is missing or no row is usable.
    """
    headers = [str(header) for header in table.rows.columns]
    cut = [(header, *cut_header(header)) for header in headers]
    chosen: dict[str, Source] = {}
    for name, words in _OCCUPATION_WORDS.items():
        for word in words:
            taken = {source.header for source in chosen.values()}
            match = next(((h, u) for h, key, u in cut if key == word and h not in taken), None)
            if match is not None:
                chosen[name] = Source(*match)
                break
    missing = [name for name in ("label", "from", "to") if name not in chosen]
    if missing:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where, f"no column {', '.join(missing)} among: {has}", "Give it the columns label, from, to."
        )
    n = len(table.rows)

    def text(name: str) -> pd.Series:
        if name not in chosen:
            return pd.Series("", index=range(n), dtype="string")
        return strings(table.rows[chosen[name].header].reset_index(drop=True))

    dates = text("date") if "date" in chosen else None
    start, from_clock, notes = parse_times(text("from"), dates, day)
    end, to_clock, more = parse_times(text("to"), dates, day)
    notes += [note for note in more if note not in notes]
    same_day = "date" in chosen or day is not None
    if same_day:
        with np.errstate(invalid="ignore"):
            over = (end < start) & (text("from").str.len() < 13).to_numpy() & (text("to").str.len() < 13).to_numpy()
        end = np.where(over, end + np.timedelta64(DAY_MS, "ms"), end)
    # one end with its day gives the other its own
    half = ~np.isnat(start) & np.isnat(end) & np.isfinite(to_clock)
    end = np.where(half, on_day(start.astype("datetime64[D]").astype("datetime64[ms]"), to_clock), end)
    end = np.where(half & (end < start), end + np.timedelta64(DAY_MS, "ms"), end)
    known = ~np.isnat(start) & ~np.isnat(end)
    clocks = np.isfinite(from_clock) & np.isfinite(to_clock)
    labels = text("label")
    why = np.full(n, "", dtype=object)
    why[~known & ~clocks] = "its times are not understood"
    why[known & (end < start)] = "it ends before it starts"
    why[known & (end - start > np.timedelta64(2 * DAY_MS, "ms"))] = "it takes more than two days"
    why[(labels == "").to_numpy(dtype=bool)] = "it has no label"
    broken = list(table.broken)
    for at in np.flatnonzero(why != "")[:NAMED]:
        said = shown(", ".join(table.rows.iloc[at].astype(str)))
        broken.append(BrokenLine(int(table.lines[at]), said, str(why[at])))
    n_broken = table.n_broken + int((why != "").sum())
    keep = why == ""
    if not keep.any():
        raise nothing_usable(where, broken, n_broken)
    lengths = {}
    for name in ("depth", "antenna_height"):
        lengths[name], lost = metres_of(text(name), chosen[name].unit) if name in chosen else (np.full(n, np.nan), 0)
        if lost:
            notes.append(f"{lost} cells of {chosen[name].header!r} left out: they carry no unit")
    frame = pd.DataFrame(
        {
            "line": table.lines,
            "label": labels,
            "start": start,
            "end": end,
            "from_clock": np.where(known, np.nan, from_clock),
            "to_clock": np.where(known, np.nan, to_clock),
            "kind": mapped(text("kind"), KIND_OF, "other"),
            "condition": mapped(text("condition"), CONDITION_OF, "unknown"),
            **lengths,
            **{name: text(name).mask(text(name) == "") for name in ("base", "canopy", "note")},
        }
    )[keep].reset_index(drop=True)
    frame.attrs = {"broken": tuple(sorted(broken)[:NAMED]), "n_broken": n_broken, "notes": (*table.notes, *notes)}
    return frame


def parse_taped(table: Table, unit: Unit, where: str = "taped") -> pd.DataFrame:
    """Take taped distances between markers: from, to, distance, and a date and a note where there are any.

    Parameters
    ----------
    table : Table
        A distance carries its unit (``31 ft 11 in``) or its column does (``distance_ft``); a foot is the ground's.
    unit : Unit
        The ground's.
    where : str

    Returns
    -------
    DataFrame
        ``line, from, to, distance`` (in `unit`), ``date, note``. ``attrs["broken"]`` and ``attrs["n_broken"]`` say
        what was left out.

    Raises
    ------
    InputError
        When a column is missing or no row is usable.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> rows = pd.DataFrame({"from": ["A-1"], "to": ["A-2"], "distance": ["31 ft 6 in"]})
    >>> parse_taped(Table(rows, np.array([2]), (), 0, "utf-8", ","), FOOT)["distance"].tolist()
    [31.5]
    """
    headers = [str(header) for header in table.rows.columns]
    cut = {cut_header(header)[0]: (header, cut_header(header)[1]) for header in reversed(headers)}
    missing = [name for name in ("from", "to", "distance") if name not in cut]
    if missing:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where, f"no column {', '.join(missing)} among: {has}", "Give it the columns from, to, distance."
        )
    text = {
        name: strings(table.rows[cut[name][0]].reset_index(drop=True))
        if name in cut
        else pd.Series("", index=range(len(table.rows)), dtype="string")
        for name in ("from", "to", "distance", "date", "note")
    }
    values, _ = numbers_of(text["distance"])
    column_unit = cut["distance"][1]
    if column_unit is None:
        values = np.full(len(values), np.nan)
    elif not (unit.is_foot and UNIT_METRES[column_unit] == UNIT_METRES["ft"]):
        values = values * UNIT_METRES[column_unit] / unit.metres
    for word in text["distance"][np.isnan(values)].unique():
        try:
            values[(text["distance"] == word).to_numpy(dtype=bool)] = parse_length(word, unit)
        except InputError:
            continue
    why = np.full(len(values), "", dtype=object)
    why[~(np.isfinite(values) & (values > 0))] = "its distance is no length with a unit"
    why[((text["from"] == "") | (text["to"] == "")).to_numpy(dtype=bool)] = "it does not say from where to where"
    broken = list(table.broken)
    for at in np.flatnonzero(why != "")[:NAMED]:
        said = shown(", ".join(table.rows.iloc[at].astype(str)))
        broken.append(BrokenLine(int(table.lines[at]), said, str(why[at])))
    n_broken = table.n_broken + int((why != "").sum())
    keep = why == ""
    if not keep.any():
        raise nothing_usable(where, broken, n_broken)
    frame = pd.DataFrame({"line": table.lines, **text, "distance": values})[keep].reset_index(drop=True)
    frame.attrs = {"broken": tuple(sorted(broken)[:NAMED]), "n_broken": n_broken, "notes": table.notes}
    return frame


def assign_occupations(table: pd.DataFrame, occupations: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Give readings the label and the number of the occupation they were taken in."""
    stamp = table["time"].dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    order = np.argsort(stamp, kind="stable")  # NaT goes last
    known = int((~np.isnat(stamp)).sum())
    millis = stamp[order][:known].astype(np.int64)
    days = np.unique(millis // DAY_MS)
    owner = np.zeros(len(table), dtype=np.int64)
    notes: list[str] = []
    empty: list[str] = []
    doubtful: list[str] = []
    contested = np.zeros(len(table), dtype=bool)
    for number, row in enumerate(occupations.itertuples(index=False), 1):
        if pd.isna(row.start):
            length = (row.to_clock - row.from_clock) % 86400.0
            spans = [(int(day * DAY_MS + row.from_clock * 1000), int(length * 1000)) for day in days]
            spans = [(start, start + size) for start, size in spans]
        else:
            spans = [(pd.Timestamp(row.start).value // 10**6, pd.Timestamp(row.end).value // 10**6)]
        hits = [
            (low, high)
            for start, end in spans
            if (high := int(np.searchsorted(millis, end, side="right"))) > (low := int(np.searchsorted(millis, start)))
        ]
        if len(hits) != 1:
            (doubtful if hits else empty).append(f"{shown(row.label, 20)} (line {row.line})")
            continue
        members = order[hits[0][0] : hits[0][1]]
        contested[members[owner[members] > 0]] = True
        owner[members] = number
    if empty:
        notes.append(f"{len(empty)} occupations without a reading between from and to: {', '.join(empty[:5])}")
    if doubtful:
        notes.append(
            f"{len(doubtful)} occupations whose times fit several days of the log, left out: "
            f"{', '.join(doubtful[:5])}; give them dates"
        )
    if contested.any():
        notes.append(f"{int(contested.sum())} readings lie in two occupations at once and count in neither")
        owner[contested] = 0
    out = table.copy()
    got = owner > 0
    source = occupations.iloc[np.where(got, owner - 1, 0)].reset_index(drop=True)
    for name in ("label", "kind", "condition", "base", "canopy", "note"):
        out[name] = source[name].astype("string").where(got, pd.NA)
    out["depth"] = np.where(got, source["depth"].to_numpy(dtype=float), np.nan)
    antenna = np.where(got, source["antenna_height"].to_numpy(dtype=float), np.nan)
    own = np.where(np.isnan(out["antenna_height"].to_numpy(dtype=float)), 0.0, out["antenna_height"])
    told = ~np.isnan(antenna)
    out["height"] = np.where(told, out["height"] + own - antenna, out["height"])
    out["antenna_height"] = np.where(told, antenna, out["antenna_height"])
    out["occupation"] = pd.array(np.where(got, owner, 0), dtype="Int64")
    out["occupation"] = out["occupation"].mask(~got)
    return out, notes
