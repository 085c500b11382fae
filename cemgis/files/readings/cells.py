"""Cells of text as numbers, angles, times and lengths."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.readings.words import UNIT_METRES
from cemgis.units import METRE, parse_length

__all__ = ["DAY_MS", "LARGEST", "metres_of", "numbers_of", "on_day", "parse_angles", "parse_times", "strings"]

LARGEST = 1e8  # no coordinate of a projected system in feet or metres is beyond this


def strings(values: Any) -> pd.Series:
    """Return values as text without outer blanks, a missing one empty."""
    return pd.Series(values, dtype="string").fillna("").str.strip()


_GROUPED = r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d*)?"
_COMMA = r"[-+]?\d+,\d+"


def numbers_of(text: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return (values, which cells hold something that is not a finite number).

    ``2,000,123.45`` and, where the column as a whole leaves no doubt, a decimal comma are understood.
    """
    values = np.array(pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan))
    filled = (text != "").to_numpy(dtype=bool)
    odd = np.flatnonzero(filled & np.isnan(values))
    if len(odd):
        rest = text.iloc[odd]
        has_comma = rest.str.contains(",", regex=False).to_numpy(dtype=bool)
        commas = rest[has_comma]
        if len(commas):
            decimal = commas.str.fullmatch(_COMMA).to_numpy(dtype=bool)
            grouped = commas.str.fullmatch(_GROUPED).to_numpy(dtype=bool)
            if decimal.any() and not (grouped & ~decimal).any() and (decimal & ~grouped).any():
                said = commas.str.replace(",", ".", regex=False).where(decimal)
            elif (grouped & ~decimal).any() and not (decimal & ~grouped).any():
                said = commas.str.replace(",", "", regex=False).where(grouped)
            else:
                said = pd.Series("", index=commas.index, dtype="string")
            parsed = pd.to_numeric(said, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
            values[odd[has_comma]] = parsed
    values[np.isinf(values)] = np.nan
    return values, filled & np.isnan(values)


_ANGLE_MARKS = str.maketrans({"−": "-", "º": "°", "˚": "°", "′": "'", "’": "'", "″": '"', "”": '"', "\u00a0": " "})
_DEGREES = r"(?P<before>[NSEW])?\s*(?P<sign>[-+])?\s*(?P<d>\d{1,3}(?:\.\d{0,12})?)"
_MINUTES, _SECONDS = r"(?P<m>\d{1,2}(?:\.\d{0,12})?)", r"(?P<s>\d{1,2}(?:\.\d{0,12})?)"
_AFTER = r"\s*(?P<after>[NSEW])?"
_ANGLES = (
    re.compile(
        _DEGREES + r"\s*(?:[°:\s]|D|DEG)?(?:(?<=[°:\sDG])\s*"
        + _MINUTES + r"\s*[':\s]?(?:(?<=[':\s])\s*" + _SECONDS + r"\s*(?:\"|'')?)?)?" + _AFTER
    ),
    # "40d53m12.3s" ends in the unit, "40d53m12.3 S" in the hemisphere
    re.compile(_DEGREES + r"\s*D\s*" + _MINUTES + r"\s*M\s*(?:" + _SECONDS + r"S?)?(?:\s+(?P<after>[NSEW]))?"),
)  # fmt: skip


def _angle(text: str, letters: str, most: float) -> float:
    """Read one angle with degrees, minutes and seconds; NaN when it is none."""
    said = text[:48].translate(_ANGLE_MARKS).upper().strip()
    found = next((match for form in _ANGLES if (match := form.fullmatch(said))), None)
    if not found:
        return float("nan")
    side = [mark for mark in (found["before"], found["after"]) if mark]
    if len(side) > 1 or (side and (side[0] not in letters or found["sign"] == "-")):
        return float("nan")
    degrees, minutes, seconds = (found[key] for key in ("d", "m", "s"))
    if (minutes and "." in degrees) or (seconds and "." in minutes):
        return float("nan")
    minute, second = float(minutes or 0.0), float(seconds or 0.0)
    value = float(degrees) + minute / 60.0 + second / 3600.0
    if minute >= 60.0 or second >= 60.0 or value > most:
        return float("nan")
    return -value if found["sign"] == "-" or (side and side[0] in "SW") else value


def parse_angles(text: Iterable[str], axis: str) -> np.ndarray:
    """Read latitudes or longitudes, decimal or in degrees, minutes and seconds, as decimal degrees.

    Parameters
    ----------
    text : iterable of str, (n,)
    axis : str
        ``lat`` or ``lon``: which hemisphere letters are right and how large it may be.

    Returns
    -------
    array of float, (n,)
        NaN where the text is not an angle: minutes of 60, a latitude beyond 90, a minus sign beside a letter.

    Examples
    --------
    >>> parse_angles(["40 53 12.3 N", "40d30'", "-82.5", "40 61 0"], "lat").tolist()
    [40.88675, 40.5, -82.5, nan]
    >>> float(parse_angles(["W082°18'05.1″"], "lon")[0])
    -82.30141666666667
    """
    series = strings(text)
    most = 90.0 if axis == "lat" else 180.0
    letters = "NS" if axis == "lat" else "EW"
    values, odd = numbers_of(series)
    at = np.flatnonzero(odd)
    if len(at):
        values[at] = [_angle(one, letters, most) for one in series.iloc[at]]
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(values) <= most, values, np.nan)


_CLOCK = r"^(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2}(?:\.\d+)?))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?:Z|z|UTC|GMT)?$"


def _clock_seconds(text: pd.Series) -> np.ndarray:
    """Seconds of the day of texts such as ``14:03:02.5`` or ``2:03 PM``; NaN for others."""
    parts = text.astype(object).str.extract(_CLOCK)
    hour, minute, second = (
        pd.to_numeric(parts[key], errors="coerce").to_numpy(dtype=float, na_value=np.nan) for key in "hms"
    )
    second = np.where(parts["s"].isna() & ~np.isnan(minute), 0.0, second)
    half = parts["half"].fillna("").str.upper().str[:1].to_numpy()
    with np.errstate(invalid="ignore"):
        twelve = (half != "") & ((hour < 1) | (hour > 12))
        hour = np.where(half == "P", hour % 12 + 12, np.where(half == "A", hour % 12, hour))
        good = (hour < 24) & (minute < 60) & (second < 61) & ~twelve
    return np.where(good, hour * 3600 + minute * 60 + second, np.nan)


def _dates(text: pd.Series) -> tuple[np.ndarray, str | None]:
    """Return (days, what was assumed): ISO dates, and dates with slashes whose order the column leaves no doubt of."""
    iso = text.str.fullmatch(r"\d{4}-\d{2}-\d{2}|\d{8}").fillna(value=False).to_numpy(dtype=bool)
    days = np.full(len(text), "NaT", dtype="datetime64[ms]")
    plain = text.str.replace("-", "", regex=False).where(iso).astype(object)
    known = pd.to_datetime(plain, format="%Y%m%d", errors="coerce").to_numpy().astype("datetime64[ms]")
    days[iso] = known[iso]
    slashed = text.str.fullmatch(r"\d{1,2}[/.]\d{1,2}[/.]\d{4}").fillna(value=False).to_numpy(dtype=bool) & ~iso
    if not slashed.any():
        return days, None
    plain = text.str.replace(".", "/", regex=False).astype(object)[slashed]
    month_first = pd.to_datetime(plain, format="%m/%d/%Y", errors="coerce")
    day_first = pd.to_datetime(plain, format="%d/%m/%Y", errors="coerce")
    first, second = not month_first.isna().any(), not day_first.isna().any()
    if first == second and not (month_first == day_first).all():
        return days, "dates such as 5/6/2025 leave day and month in doubt: left out; write 2025-05-06"
    days[slashed] = (month_first if first else day_first).to_numpy().astype("datetime64[ms]")
    return days, f"dates with slashes read as {'month/day' if first else 'day/month'}, which all of them allow"


def _iso_times(text: pd.Series) -> np.ndarray:
    stamps = pd.to_datetime(text.astype(object), format="ISO8601", utc=True, errors="coerce").dt.tz_localize(None)
    times: np.ndarray = stamps.to_numpy().astype("datetime64[ms]")
    return times


def parse_times(
    text: Iterable[str], dates: Iterable[str] | None = None, day: dt.date | None = None
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Read times; one without a zone is UTC, one without a date takes it from `dates` or is on `day`.

    Parameters
    ----------
    text : iterable of str, (n,)
        ISO 8601 (``2025-05-06T14:03:02-04:00``), a date with slashes and a time, or a time of the day.
    dates : iterable of str, (n,), optional
    day : date, optional

    Returns
    -------
    times : array of datetime64[ms], (n,)
        UTC; NaT where the text is no time or its day is not known.
    clock : array of float, (n,)
        Seconds of the day where only those are known, else NaN.
    notes : list of str

    Examples
    --------
    >>> times, clock, notes = parse_times(["2025-05-06T10:00:00-04:00", "2:30 PM", "soon"])
    >>> times.astype(str).tolist(), clock.tolist()
    (['2025-05-06T14:00:00.000', 'NaT', 'NaT'], [nan, 52200.0, nan])
    """
    series = strings(text)
    notes: list[str] = []
    long = series.str.len().to_numpy(dtype=float) >= 15
    times = _iso_times(series.where(long))
    rest = np.flatnonzero(np.isnat(times) & long)
    if len(rest):
        said = series.iloc[rest].str.replace(r"\s*(?:UTC|GMT)$", "Z", regex=True)
        times[rest] = _iso_times(said.str.replace(r"^(\d{4}-\d{2}-\d{2})\s+", r"\1T", regex=True))
    clock = np.full(len(series), np.nan)
    open_ = np.flatnonzero(np.isnat(times) & (series != "").to_numpy(dtype=bool))
    if len(open_):
        rest = series.iloc[open_]
        clock[open_] = _clock_seconds(rest)
        cut = rest.astype(object).str.extract(r"^(\S{6,10})[\sT]+(\d{1,2}:.{1,20})$")
        seconds = _clock_seconds(cut[1].fillna("").astype("string"))
        days, note = _dates(cut[0].fillna("").astype("string"))
        notes += [note] if note else []
        with np.errstate(invalid="ignore"):
            times[open_] = on_day(days, seconds)
    if dates is not None:
        days, note = _dates(strings(dates))
        notes += [note] if note else []
        on_date = on_day(days, clock)
        times = np.where(np.isnat(times), on_date, times)
    elif day is not None:
        times = np.where(np.isnat(times), on_day(np.full(len(series), np.datetime64(day, "ms")), clock), times)
    return times, np.where(np.isnat(times), clock, np.nan), notes


def on_day(days: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    """Return the moments of a day's seconds; not a time where they are not finite."""
    known = np.isfinite(seconds)
    millis = np.round(np.where(known, seconds, 0.0) * 1000.0).astype("int64").astype("timedelta64[ms]")
    return np.where(known, days + millis, np.datetime64("NaT", "ms"))


def metres_of(text: pd.Series, unit: str | None) -> tuple[np.ndarray, int]:
    """Return (metres, cells without a unit or not a length)."""
    values, odd = numbers_of(text)
    if unit is not None:
        values = values * UNIT_METRES[unit]
        bad = 0
    else:
        bad = int(np.isfinite(values).sum())
        values = np.full(len(text), np.nan)
    for word in text[odd].unique():
        where = (text == word).to_numpy(dtype=bool)
        try:
            values[where] = parse_length(word, METRE)
        except InputError:
            bad += int(where.sum())
    return values, bad


DAY_MS = 86_400_000
