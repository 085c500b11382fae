"""Point lists: delimited text with a position on every line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.readings.cells import LARGEST, metres_of, numbers_of, parse_angles, parse_times, strings
from cemgis.files.readings.columns import Source, choose_columns, position_columns
from cemgis.files.readings.table import WORST_SIGMA, RawReadings, nothing_usable, raw_table
from cemgis.files.readings.words import CONDITION_OF, FIX_OF, KIND_OF, LENGTHS, mapped
from cemgis.files.tables import NAMED, BrokenLine, Table, shown

__all__ = ["ordered", "parse_points", "points_of_text"]

_FEW_MILES_DEG = 0.1  # no ground is larger; one in feet or metres is wider than a tenth of its unit


def parse_points(
    table: Table,
    *,
    columns: Mapping[str, str] | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take readings from a table of text with one point a row.

    Columns are those told in `columns` (our name to theirs), else those whose header is recognised. Latitude and
    longitude may be decimal or in degrees, minutes and seconds. A sigma, depth or antenna height counts only if
    its header, its cell or the name in `columns` gives a unit.

    Parameters
    ----------
    table : Table
    columns : mapping of str to str, optional
    label : str, optional
        Label of every row, instead of a column.
    section : str, optional
        Section of labels that carry none.
    antenna_height_m : float, optional
    day : date, optional
        Day of times without one.
    where : str

    Raises
    ------
    InputError
        When a column named is not there, no position or label is recognised, or no row is usable.

    Examples
    --------
    >>> rows = pd.DataFrame({"Disc": ["A-16"], "Latitude": ["40 53 12.3 N"], "Longitude": ["82 18 5.1 W"]})
    >>> raw = parse_points(Table(rows, np.array([2]), (), 0, "utf-8", ","))
    >>> raw.table.loc[0, "label"], raw.table[["y", "x"]].round(6).to_numpy().tolist(), raw.geographic
    ('A-16', [[40.88675, -82.301417]], True)
    """
    headers = [str(header) for header in table.rows.columns]
    chosen = choose_columns(headers, columns, where)
    raw = points_of_text(table, chosen, columns or {}, label, section, antenna_height_m, day, where)
    said = _unread(table, chosen)
    return replace(raw, notes=(*raw.notes, said)) if said else raw


def _unread(table: Table, chosen: Mapping[str, Source]) -> str | None:
    """Say which columns were not read, and what is lost with a time that is not."""
    taken = {source.header for source in chosen.values()}
    left = [str(name) for name in table.rows.columns if name not in taken and (strings(table.rows[name]) != "").any()]
    if not left:
        return None
    named = ", ".join(shown(name, 30) for name in left[:5]) + (f" and {len(left) - 5} more" if len(left) > 5 else "")
    lost = "" if "time" in chosen else "; without a time nobody can tell two occupations of one marker from one"
    return f"not read: {named} (columns = {{ time = ... }} in ground.toml names what each is){lost}"


def points_of_text(
    table: Table,
    chosen: dict[str, Source],
    told: Iterable[str],
    label: str | None,
    section: str | None,
    antenna_height_m: float | None,
    day: dt.date | None,
    where: str,
    xy: np.ndarray | None = None,
    geographic: bool | None = None,
) -> RawReadings:
    """Read delimited text whose columns have been told or are recognised."""
    rows, n = table.rows, len(table.rows)
    headers = [str(header) for header in rows.columns]
    notes: list[str] = []
    empty = pd.Series("", index=rows.index, dtype="string")

    def text(name: str) -> pd.Series:
        return strings(rows[chosen[name].header].reset_index(drop=True)) if name in chosen else empty

    unit = None
    if xy is None:
        x_from, y_from, geographic = position_columns(chosen, told, where, headers)
        unit = x_from.unit if x_from.unit == y_from.unit else None
        x_text, y_text = strings(rows[x_from.header]), strings(rows[y_from.header])
        x, x_geo = _coordinate(x_text, "lon", geographic)
        y, y_geo = _coordinate(y_text, "lat", geographic)
        geographic = True if geographic is None and (x_geo or y_geo) else geographic
        if not geographic and _look_like_degrees(x, y):
            geographic = True
            notes.append("eastings and northings are degrees: read as longitude and latitude")
        blank = ((x_text == "") & (y_text == "")).to_numpy(dtype=bool)
    else:
        x, y = xy[:, 0], xy[:, 1]
        x_text = y_text = empty
        blank = np.isnan(x)
    if label is None and "label" not in chosen:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where,
            f"no column of labels was recognised among: {has}",
            'Write columns = { label = "..." }, or label = "..." when the whole file is one marker.',
        )
    with np.errstate(invalid="ignore"):
        absurd = (np.abs(x) > LARGEST) | (np.abs(y) > LARGEST)
        nowhere = (x == 0.0) & (y == 0.0)
    unusable = np.isnan(x) | np.isnan(y) | absurd | nowhere
    broken: list[BrokenLine] = list(table.broken)
    for at in np.flatnonzero(unusable)[:NAMED]:
        if blank[at]:
            why = "it has no position"
        elif absurd[at]:
            why = "a coordinate is beyond all measure"
        elif nowhere[at]:
            why = "0, 0 is where a receiver without a position puts itself"
        else:
            bad = x_text.iloc[at] if np.isnan(x[at]) else y_text.iloc[at]
            why = f"{shown(bad, 40)!r} is not a coordinate"
        said = shown(", ".join(rows.iloc[at].astype(str)))
        broken.append(BrokenLine(int(table.lines[at]), said, why))
    n_broken = table.n_broken + int(unusable.sum())

    times: np.ndarray | None = None
    if "time" in chosen or "date" in chosen:
        dates = text("date") if "date" in chosen else None
        times, _, said_times = parse_times(text("time"), dates, day)
        notes += said_times
        lost = int((np.isnat(times) & (text("time") != "").to_numpy(dtype=bool)).sum())
        if lost:
            notes.append(f"{lost} times not understood, or without a day: left out; write 2025-05-06T14:03:02Z")
    numbers: dict[str, np.ndarray] = {}
    for name in ("hdop", "satellites", "occupation"):
        numbers[name], odd = numbers_of(text(name)) if name in chosen else (np.full(n, np.nan), np.zeros(n, bool))
        if odd.any():
            notes.append(f"{int(odd.sum())} cells of {chosen[name].header!r} are not numbers: left out")
    with np.errstate(invalid="ignore"):
        numbers["hdop"] = np.where(numbers["hdop"] > 0, numbers["hdop"], np.nan)
        numbers["satellites"] = np.where(numbers["satellites"] >= 0, numbers["satellites"], np.nan)
    lengths: dict[str, np.ndarray] = {}
    for name in LENGTHS:
        if name not in chosen:
            lengths[name] = np.full(n, np.nan)
            continue
        lengths[name], lost = metres_of(text(name), chosen[name].unit)
        if lost:
            notes.append(
                f"{lost} cells of {chosen[name].header!r} are left out: their unit is not known; "
                f'write columns = {{ {name}_m = "{chosen[name].header}" }}, or _ft, _in'
            )
    sigma_e, sigma_n = lengths["sigma_e"], lengths["sigma_n"]
    for values in (lengths["sigma"], lengths["hrms"] / np.sqrt(2.0)):
        sigma_e = np.where(np.isnan(sigma_e), values, sigma_e)
        sigma_n = np.where(np.isnan(sigma_n), values, sigma_n)
    with np.errstate(invalid="ignore"):
        # a receiver that gives no sigma writes 0
        given = (sigma_e > 0) & (sigma_n > 0)
    # A column the file lacks is not spelt out a million times: it goes into the table as one value.
    words: dict[str, Any] = {"fix": "unknown", "kind": None, "condition": None, "base": None, "canopy": None}
    if "fix" in chosen:
        words["fix"] = mapped(text("fix"), FIX_OF, "unknown").fillna("unknown")
        odd_fix = text("fix")[((words["fix"] == "unknown") & (text("fix") != "")).to_numpy(dtype=bool)].unique()
        if len(odd_fix):
            notes.append(f"kinds of solution not understood: {', '.join(shown(word, 20) for word in odd_fix[:5])}")
    note = text("note")
    for name, known, other in (("kind", KIND_OF, "other"), ("condition", CONDITION_OF, "unknown")):
        if name in chosen:
            words[name] = mapped(text(name), known, other)
            said_word = text(name).where((words[name] == other).fillna(value=False), "")
            both = (said_word != "") & (note != "")
            note = (note + "; " + said_word).where(both, note.where(said_word == "", said_word))
    words |= {name: text(name) for name in ("base", "canopy") if name in chosen}
    words["note"] = note if {"note", "kind", "condition"} & set(chosen) else None
    antenna = lengths["antenna_height"]
    if antenna_height_m is not None:
        antenna = np.where(np.isnan(antenna), antenna_height_m, antenna)
    with np.errstate(invalid="ignore"):
        antenna = np.where(antenna >= 0, antenna, np.nan)
        depth = np.where(lengths["depth"] >= 0, lengths["depth"], np.nan)
    full = raw_table(
        n,
        {
            "line": table.lines,
            "label": label if label is not None else text("label"),
            "section": section,
            "time": times,
            "x": x,
            "y": y,
            "height": lengths["height"],
            "hdop": numbers["hdop"],
            "satellites": numbers["satellites"],
            "sigma_e": np.where(given, np.minimum(sigma_e, WORST_SIGMA), np.nan),
            "sigma_n": np.where(given, np.minimum(sigma_n, WORST_SIGMA), np.nan),
            "sigma_from": pd.array(["the file"], dtype="string").take(np.where(given, 0, -1), allow_fill=True),
            "antenna_height": antenna,
            "depth": depth,
            "occupation": numbers["occupation"],
            **words,
        },
    )
    kept = full[~unusable].reset_index(drop=True) if unusable.any() else full
    if not len(kept):
        raise nothing_usable(where, broken, n_broken)
    broken = sorted(broken)[:NAMED]
    return RawReadings(kept, tuple(broken), n_broken, (*table.notes, *notes), geographic, unit)


def _coordinate(text: pd.Series, axis: str, geographic: bool | None) -> tuple[np.ndarray, bool]:
    """Read one coordinate: (values, whether it was written in degrees and minutes)."""
    if geographic:
        return parse_angles(text, axis), True
    values, odd = numbers_of(text)
    if geographic is None and odd.any():
        angles = parse_angles(text[odd], axis)
        if np.isfinite(angles).any():
            values[odd] = angles
            return values, True
    return values, False


def _look_like_degrees(x: np.ndarray, y: np.ndarray) -> bool:
    """Whether two coordinates can only be degrees, in whatever order: all in range, and a few miles apart."""
    there = np.isfinite(x) & np.isfinite(y) & ((x != 0.0) | (y != 0.0))
    if not there.any():
        return False
    most = sorted((np.abs(x[there]).max(), np.abs(y[there]).max()))  # exchanged columns are told apart further on
    apart = max(np.ptp(x[there]), np.ptp(y[there]))
    return bool(most[0] <= 90.0 and most[1] <= 180.0 and apart < _FEW_MILES_DEG)


def ordered(order: str, where: str) -> list[str]:
    """Column names of a file without a header, from an order such as ``PNEZD``."""
    letters = [letter for letter in order.upper() if not letter.isspace() and letter != ","]
    wrong = sorted({letter for letter in letters if letter not in "PNEXYZD-"})
    twice = sorted({letter for letter in letters if letter != "-" and letters.count(letter) > 1})
    pairs = sum(1 for pair in ("EN", "XY") if all(letter in letters for letter in pair))
    if wrong or twice or pairs != 1:
        place = f"{where} order"
        raise InputError.of(
            place,
            f"{shown(order, 20)!r} does not tell the columns",
            'Write "PNEZD" or another order of P (label), N (northing), E (easting), Z (height), D (description) '
            "and - (skipped), each once.",
        )
    return [letter if letter != "-" else f"- {number}" for number, letter in enumerate(letters, 1)]
