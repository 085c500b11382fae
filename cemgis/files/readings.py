"""Readings of any receiver as one table: NMEA 0183 logs, point lists, GPX waypoints, vector files."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
import shapely

from cemgis.errors import Gather, InputError
from cemgis.files.tables import NAMED, BrokenLine, Table, decode, existing_file, read_table, shown, sniff_encoding
from cemgis.files.vector import read_features
from cemgis.units import METRE, Unit, parse_length

if TYPE_CHECKING:
    from cemgis.ground import ReadingsEntry

__all__ = [
    "FORMATS",
    "NAMES",
    "RawReadings",
    "format_of",
    "parse_angles",
    "parse_features",
    "parse_gpx",
    "parse_nmea",
    "parse_occupations",
    "parse_points",
    "parse_taped",
    "parse_times",
    "read_readings",
]

FORMATS = ("nmea", "csv", "gpx", "vector")
_ENDINGS = {
    ".nmea": "nmea", ".log": "nmea", ".ubx": "nmea", ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".asc": "csv",
    ".pnt": "csv", ".gpx": "gpx",
}  # fmt: skip

_KNOT = 1852.0 / 3600.0  # metres a second, exact by definition
_LARGEST = 1e8  # no coordinate of a projected system in feet or metres is beyond this

_WORDS: Mapping[str, tuple[str, ...]] = {
    "label": ("label", "marker", "marker label", "disc", "point", "point id", "point name", "point number",
              "point no", "pointid", "pt", "name", "id", "number", "no"),
    "x": ("x", "x coordinate"),
    "y": ("y", "y coordinate"),
    "easting": ("easting", "east", "e", "grid easting", "grid east"),
    "northing": ("northing", "north", "n", "grid northing", "grid north"),
    "lat": ("lat", "latitude"),
    "lon": ("lon", "long", "lng", "longitude"),
    "time": ("time", "datetime", "date time", "timestamp", "utc", "utc time", "time utc", "observed", "start"),
    "date": ("date", "day", "utc date", "date utc"),
    "fix": ("fix", "fix type", "fix quality", "quality", "solution", "solution type", "gps quality"),
    "hdop": ("hdop",),
    "satellites": ("satellites", "sats", "sat", "num sats", "number of satellites", "satellites used"),
    "sigma": ("sigma", "sd", "stdev", "std dev", "std", "standard deviation", "sigma xy"),
    "sigma_e": ("sigma e", "sigma x", "sigma east", "sigma easting", "sigma lon", "sd e", "sd x", "sd east", "std e",
                "std x", "stdev e", "stdev x"),
    "sigma_n": ("sigma n", "sigma y", "sigma north", "sigma northing", "sigma lat", "sd n", "sd y", "sd north",
                "std n", "std y", "stdev n", "stdev y"),
    "hrms": ("hrms", "h rms", "horizontal rms", "rms horizontal"),
    "height": ("height", "ellipsoidal height", "ellipsoid height", "ell height", "h"),
    "antenna_height": ("antenna height", "ant height", "rod height", "pole height", "height of antenna"),
    "kind": ("kind", "marker kind", "marker type"),
    "condition": ("condition", "state"),
    "depth": ("depth", "depth below sod"),
    "base": ("base", "base station", "corrections"),
    "canopy": ("canopy", "tree cover", "cover"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "description", "desc", "code"),
    "occupation": ("occupation", "occupation number", "go"),
}  # fmt: skip

NAMES = tuple(_WORDS)
"""Our names of columns; in ``columns = { ... }`` a length may carry its unit: ``sigma_m``, ``depth_in``."""

_LENGTHS = ("sigma", "sigma_e", "sigma_n", "hrms", "height", "antenna_height", "depth")
_ORDER = {"P": "label", "N": "northing", "E": "easting", "X": "x", "Y": "y", "D": "note"}

_UNIT_METRES = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048,
    "foot": 0.3048, "feet": 0.3048, "usft": 1200 / 3937, "ftus": 1200 / 3937, "us ft": 1200 / 3937,
    "us survey ft": 1200 / 3937, "in": 0.0254, "inch": 0.0254, "inches": 0.0254,
}  # fmt: skip
_UNIT_END = re.compile(
    r"(?:[\s_.:]+|\s*[\(\[])(?P<unit>"
    + "|".join(sorted(map(re.escape, _UNIT_METRES), key=len, reverse=True))
    + r")[\)\]]?$"
)

_QUALITY = {
    0: "none", 1: "autonomous", 2: "differential", 3: "autonomous", 4: "fixed", 5: "float", 6: "estimated",
    7: "manual", 8: "simulated",
}  # fmt: skip
_MODE = {
    "R": "fixed", "F": "float", "D": "differential", "P": "autonomous", "A": "autonomous", "E": "estimated",
    "M": "manual", "S": "simulated", "N": "none",
}  # fmt: skip
_FIX_WORDS: Mapping[str, tuple[str, ...]] = {
    "fixed": ("fixed", "rtk fixed", "rtk fix", "fixed rtk", "rtk int", "integer", "narrow int", "4", "r"),
    "float": ("float", "rtk float", "float rtk", "floating", "5", "f"),
    "differential": ("differential", "dgps", "dgnss", "diff", "sbas", "waas", "egnos", "code differential", "2", "d"),
    "autonomous": ("autonomous", "single", "standalone", "stand alone", "gps", "gnss", "sps", "spp", "uncorrected",
                   "3d", "2d", "pps", "1", "3", "a"),
    "estimated": ("estimated", "dead reckoning", "dr", "6", "e"),
    "simulated": ("simulated", "simulator", "simulation", "8", "s"),
    "manual": ("manual", "typed", "manual input", "7", "m"),
    "none": ("none", "no fix", "nofix", "invalid", "no solution", "no position", "0", "n"),
}  # fmt: skip
_FIX_OF = {word: fix for fix, words in _FIX_WORDS.items() for word in words}
_KIND_OF = {
    "disc": "disc", "disk": "disc", "clay": "clay", "brick": "clay", "tile": "clay", "stone": "stone", "pin": "pin",
    "iron pin": "pin", "rod": "pin", "pipe": "pin", "other": "other",
}  # fmt: skip
_CONDITION_OF = {
    "whole": "whole", "good": "whole", "ok": "whole", "intact": "whole", "broken": "broken", "cracked": "broken",
    "tilted": "tilted", "leaning": "tilted", "loose": "loose", "unknown": "unknown",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RawReadings:
    """Readings as they came, in the file's own reference system.

    Parameters
    ----------
    table : DataFrame
        ``line, label, section, time`` (UTC), ``x, y`` (longitude, latitude in degrees or easting, northing in the
        reference's unit; NaN where the receiver had none), ``height`` (m, ellipsoidal, of the mark), ``fix, hdop,
        satellites, sigma_e, sigma_n`` (m), ``sigma_from, antenna_height`` (m), ``speed`` (m/s), ``kind, condition,
        depth`` (m), ``base, canopy, note, occupation``.
    broken : tuple of BrokenLine
        The first lines that could not be used.
    n_broken : int
        How many could not be used.
    notes : tuple of str
        What was assumed or left out and must be said aloud.
    geographic : bool or None
        Whether x and y are degrees, as far as the file tells.
    xy_unit : str or None
        Unit the file's own header gives for x and y.
    file_crs : str or None
        Reference system the file itself names.
    """

    table: pd.DataFrame
    broken: tuple[BrokenLine, ...] = ()
    n_broken: int = 0
    notes: tuple[str, ...] = ()
    geographic: bool | None = None
    xy_unit: str | None = None
    file_crs: str | None = None


_TEXTS = ("label", "section", "fix", "sigma_from", "kind", "condition", "base", "canopy", "note")
_REALS = ("x", "y", "height", "hdop", "sigma_e", "sigma_n", "antenna_height", "speed", "depth")
_ORDERED = (
    "line", "label", "section", "time", "x", "y", "height", "fix", "hdop", "satellites", "sigma_e", "sigma_n",
    "sigma_from", "antenna_height", "speed", "kind", "condition", "depth", "base", "canopy", "note", "occupation",
)  # fmt: skip


def _raw_table(n: int, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Bring columns to the shape of `RawReadings.table`; a text that is empty is missing."""
    data: dict[str, Any] = {}
    for name in _ORDERED:
        values = columns.get(name)
        if name in _TEXTS:
            text = pd.Series(pd.NA if values is None else values, index=range(n), dtype="string")
            data[name] = text.mask(text == "")
        elif name in _REALS:
            data[name] = np.full(n, np.nan) if values is None else np.broadcast_to(np.asarray(values, float), (n,))
        elif name == "time":
            stamps = np.full(n, "NaT", dtype="datetime64[ms]") if values is None else np.asarray(values)
            data[name] = pd.Series(stamps.astype("datetime64[ms]")).dt.tz_localize("UTC")
        elif name in ("satellites", "occupation"):
            whole = np.full(n, np.nan) if values is None else np.asarray(values, dtype=float)
            whole = np.where(np.isfinite(whole) & (np.abs(whole) < 1e9), np.floor(whole), np.nan)
            data[name] = pd.Series(pd.array(whole, dtype="Float64")).astype("Int64")
        else:
            data[name] = np.asarray(values, dtype=np.int64)
    return pd.DataFrame(data, index=pd.RangeIndex(n))


# ---- small parsers ----------------------------------------------------------------------------------------------


def _strings(values: Any) -> pd.Series:
    return pd.Series(values, dtype="string").fillna("").str.strip()


_GROUPED = r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d*)?"
_COMMA = r"[-+]?\d+,\d+"


def _numbers(text: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return (values, which cells hold something that is not a finite number).

    ``2,000,123.45`` and, where the column as a whole leaves no doubt, a decimal comma are understood.
    """
    values = np.array(pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, na_value=np.nan))
    filled = (text != "").to_numpy(dtype=bool)
    odd = np.flatnonzero(filled & np.isnan(values))
    if len(odd):
        rest = text.iloc[odd]
        commas = rest[rest.str.contains(",", regex=False)]
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
            values[commas.index.to_numpy()] = parsed
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
    series = _strings(text)
    most = 90.0 if axis == "lat" else 180.0
    letters = "NS" if axis == "lat" else "EW"
    values, odd = _numbers(series)
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
    series = _strings(text)
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
            times[open_] = _on_day(days, seconds)
    if dates is not None:
        days, note = _dates(_strings(dates))
        notes += [note] if note else []
        on_date = _on_day(days, clock)
        times = np.where(np.isnat(times), on_date, times)
    elif day is not None:
        times = np.where(np.isnat(times), _on_day(np.full(len(series), np.datetime64(day, "ms")), clock), times)
    return times, np.where(np.isnat(times), clock, np.nan), notes


def _on_day(days: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    known = np.isfinite(seconds)
    millis = np.round(np.where(known, seconds, 0.0) * 1000.0).astype("int64").astype("timedelta64[ms]")
    return np.where(known, days + millis, np.datetime64("NaT", "ms"))


def _mapped(text: pd.Series, table: Mapping[str, str], unknown: str) -> pd.Series:
    """Turn words into ours by a table, every distinct word once; an empty one stays missing."""
    words = text.unique()
    known = {
        word: (table.get(re.sub(r"[^a-z0-9]+", " ", word.lower()).strip(), unknown) if word else None) for word in words
    }
    return text.map(known).astype("string")


def _lengths(text: pd.Series, unit: str | None) -> tuple[np.ndarray, int]:
    """Return (metres, cells without a unit or not a length)."""
    values, odd = _numbers(text)
    if unit is not None:
        values = values * _UNIT_METRES[unit]
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


def _header(text: str) -> tuple[str, str | None]:
    """Cut a header into its words and the unit it ends with.

    Examples
    --------
    >>> _header("Sigma_E [ft]"), _header("PointID"), _header("depth_in")
    (('sigma e', 'ft'), ('pointid', None), ('depth', 'in'))
    """
    said = unicodedata.normalize("NFKC", text).strip().lower()
    found = _UNIT_END.search(said)
    unit = found["unit"] if found else None
    if found:
        said = said[: found.start()]
    return re.sub(r"[^a-z0-9]+", " ", said).strip(), unit


def _near(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), 1, 0.6)
    return f" Did you mean {close[0]!r}?" if close else ""


@dataclass(frozen=True, slots=True)
class _Source:
    """Where one of our columns comes from: the file's header and the unit it is in."""

    header: str
    unit: str | None


def _choose_columns(
    headers: Sequence[str], columns: Mapping[str, str] | None, where: str, recognised: bool = True
) -> dict[str, _Source]:
    """Match our names to the file's headers: as told, else as recognised."""
    gather = Gather()
    chosen: dict[str, _Source] = {}
    by_folded = {header.strip().lower(): header for header in reversed(headers)}
    for ours, theirs in (columns or {}).items():
        name, unit = ours, None
        if ours not in NAMES:
            stem, _, tail = ours.rpartition("_")
            name, unit = (stem, tail) if stem in _LENGTHS and tail in _UNIT_METRES else (ours, None)
        place = f"{where} columns.{ours}"
        if name not in NAMES:
            gather.add(place, "there is no such column of readings", f"One of: {', '.join(NAMES)}.{_near(ours, NAMES)}")
            continue
        header = theirs if theirs in headers else by_folded.get(str(theirs).strip().lower())
        if header is None:
            has = ", ".join(shown(one, 30) for one in headers[:30])
            gather.add(place, f"the file has no column {theirs!r}", f"It has: {has}.{_near(str(theirs), headers)}")
            continue
        chosen[name] = _Source(header, unit or _header(header)[1])
    gather.raise_if_any()
    if not recognised:
        return chosen
    taken = {source.header for source in chosen.values()}
    cut = [(header, *_header(header)) for header in headers]
    for name, words in _WORDS.items():
        if name in chosen:
            continue
        for word in words:
            match = next(((h, u) for h, key, u in cut if key == word and h not in taken), None)
            if match is not None:
                chosen[name] = _Source(*match)
                taken.add(match[0])
                break
    return chosen


def _position_columns(
    chosen: dict[str, _Source], told: Iterable[str], where: str, headers: Sequence[str]
) -> tuple[_Source, _Source, bool | None]:
    """Choose the two columns a position comes from: (x, y, whether they are degrees)."""
    pairs = (("x", "y", None), ("easting", "northing", False), ("lon", "lat", True))
    told = set(told)
    full = [pair for pair in pairs if pair[0] in chosen and pair[1] in chosen]
    asked = [pair for pair in full if pair[0] in told and pair[1] in told]
    full = asked or full
    if not full:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where,
            f"no columns of a position were recognised among: {has}",
            'Write columns = { x = "...", y = "..." } (or lon, lat) with its own names.',
        )
    if len(full) > 1:
        said = " and ".join(f"{chosen[x].header}, {chosen[y].header}" for x, y, _ in full)
        raise InputError.of(
            where, f"there is more than one position: {said}", 'Write columns = { x = "...", y = "..." } with one.'
        )
    x, y, geographic = full[0]
    if geographic is None:
        heads = (_header(chosen[x].header)[0], _header(chosen[y].header)[0])
        for first, second, answer in pairs[1:]:
            if heads[0] in _WORDS[first] and heads[1] in _WORDS[second]:
                geographic = answer
    return chosen[x], chosen[y], geographic


# ---- point lists ------------------------------------------------------------------------------------------------


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
    chosen = _choose_columns(headers, columns, where)
    return _points(table, chosen, columns or {}, label, section, antenna_height_m, day, where)


def _points(
    table: Table,
    chosen: dict[str, _Source],
    told: Iterable[str],
    label: str | None,
    section: str | None,
    antenna_height_m: float | None,
    day: dt.date | None,
    where: str,
    xy: np.ndarray | None = None,
    geographic: bool | None = None,
) -> RawReadings:
    rows, n = table.rows, len(table.rows)
    headers = [str(header) for header in rows.columns]
    notes: list[str] = []
    empty = pd.Series("", index=rows.index, dtype="string")

    def text(name: str) -> pd.Series:
        return _strings(rows[chosen[name].header].reset_index(drop=True)) if name in chosen else empty

    unit = None
    if xy is None:
        x_from, y_from, geographic = _position_columns(chosen, told, where, headers)
        unit = x_from.unit if x_from.unit == y_from.unit else None
        x_text, y_text = _strings(rows[x_from.header]), _strings(rows[y_from.header])
        x, x_geo = _coordinate(x_text, "lon", geographic)
        y, y_geo = _coordinate(y_text, "lat", geographic)
        geographic = True if geographic is None and (x_geo or y_geo) else geographic
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
        absurd = (np.abs(x) > _LARGEST) | (np.abs(y) > _LARGEST)
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
        numbers[name], odd = _numbers(text(name)) if name in chosen else (np.full(n, np.nan), np.zeros(n, bool))
        if odd.any():
            notes.append(f"{int(odd.sum())} cells of {chosen[name].header!r} are not numbers: left out")
    with np.errstate(invalid="ignore"):
        numbers["hdop"] = np.where(numbers["hdop"] > 0, numbers["hdop"], np.nan)
        numbers["satellites"] = np.where(numbers["satellites"] >= 0, numbers["satellites"], np.nan)
    lengths: dict[str, np.ndarray] = {}
    for name in _LENGTHS:
        if name not in chosen:
            lengths[name] = np.full(n, np.nan)
            continue
        lengths[name], lost = _lengths(text(name), chosen[name].unit)
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
    fix = _mapped(text("fix"), _FIX_OF, "unknown").fillna("unknown")
    odd_fix = text("fix")[((fix == "unknown") & (text("fix") != "")).to_numpy(dtype=bool)].unique()
    if len(odd_fix):
        notes.append(f"kinds of solution not understood: {', '.join(shown(word, 20) for word in odd_fix[:5])}")
    kind, condition, note = text("kind"), text("condition"), text("note")
    kind_word = _mapped(kind, _KIND_OF, "other")
    condition_word = _mapped(condition, _CONDITION_OF, "unknown")
    for words, ours in ((kind, kind_word == "other"), (condition, condition_word == "unknown")):
        said_word = words.where(ours.fillna(value=False), "")
        note = (note + "; " + said_word).where((said_word != "") & (note != ""), note.where(said_word == "", said_word))
    antenna = lengths["antenna_height"]
    if antenna_height_m is not None:
        antenna = np.where(np.isnan(antenna), antenna_height_m, antenna)
    with np.errstate(invalid="ignore"):
        antenna = np.where(antenna >= 0, antenna, np.nan)
        depth = np.where(lengths["depth"] >= 0, lengths["depth"], np.nan)
    full = _raw_table(
        n,
        {
            "line": table.lines,
            "label": label if label is not None else text("label").to_numpy(dtype=object),
            "section": section,
            "time": times,
            "x": x,
            "y": y,
            "height": lengths["height"],
            "fix": fix.to_numpy(dtype=object),
            "hdop": numbers["hdop"],
            "satellites": numbers["satellites"],
            "sigma_e": np.where(given, sigma_e, np.nan),
            "sigma_n": np.where(given, sigma_n, np.nan),
            "sigma_from": np.where(given, "the file", ""),
            "antenna_height": antenna,
            "kind": kind_word.to_numpy(dtype=object),
            "condition": condition_word.to_numpy(dtype=object),
            "depth": depth,
            "base": text("base").to_numpy(dtype=object),
            "canopy": text("canopy").to_numpy(dtype=object),
            "note": note.to_numpy(dtype=object),
            "occupation": numbers["occupation"],
        },
    )
    kept = full[~unusable].reset_index(drop=True)
    if not len(kept):
        raise _nothing_usable(where, broken, n_broken)
    broken = sorted(broken)[:NAMED]
    return RawReadings(kept, tuple(broken), n_broken, (*table.notes, *notes), geographic, unit)


def _coordinate(text: pd.Series, axis: str, geographic: bool | None) -> tuple[np.ndarray, bool]:
    """Read one coordinate: (values, whether it was written in degrees and minutes)."""
    if geographic:
        return parse_angles(text, axis), True
    values, odd = _numbers(text)
    if geographic is None and odd.any():
        angles = parse_angles(text[odd], axis)
        if np.isfinite(angles).any():
            values[odd] = angles
            return values, True
    return values, False


def _nothing_usable(where: str, broken: Sequence[BrokenLine], n_broken: int) -> InputError:
    said = "; ".join(f"line {line}: {why}" for line, _, why in sorted(broken)[:3])
    return InputError.of(
        where,
        "not one line in it can be used" + (f" ({n_broken} lines left out: {said})" if n_broken else ""),
        "Check that it is the right file and the right format.",
    )


def _ordered(order: str, where: str) -> list[str]:
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


# ---- NMEA 0183 --------------------------------------------------------------------------------------------------

_SENTENCE = re.compile(rb"[$!]([^*$!\r\n]{1,400})\*([0-9A-Fa-f]{2})")
_UNCHECKED = re.compile(rb"\$([A-Z]{2}(?:GGA|GNS|GST|RMC|ZDA|DTM),[^*$!\r\n]{1,400})")
_TYPES = ("GGA", "GNS", "GST", "RMC", "ZDA", "DTM")
_DAY_MS = 86_400_000


def _checksums(data: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Exclusive or of the bytes ``data[start:end]`` of each sentence, (m,)."""
    if not len(starts):
        return np.empty(0, dtype=np.uint8)
    bounds = np.empty(2 * len(starts), dtype=np.int64)
    bounds[0::2], bounds[1::2] = starts, ends
    sums: np.ndarray = np.bitwise_xor.reduceat(data, bounds)[0::2]
    return sums


@dataclass(frozen=True, slots=True)
class _Sentences:
    """Sentences of one type: the line each stands on, and its cells as columns of text."""

    lines: np.ndarray
    cells: list[pd.Series]

    def __len__(self) -> int:
        return len(self.lines)

    def cell(self, number: int) -> pd.Series:
        """Cells of that place; blank where a sentence is too short."""
        return self.cells[number]

    def said(self, row: int) -> str:
        """One sentence, shortened."""
        return shown(",".join(str(cell.iloc[row]) for cell in self.cells).rstrip(","))


def _table_of(bodies: list[bytes], lines: np.ndarray, width: int) -> _Sentences:
    """Cut sentences at their commas into `width` cells each."""
    if not bodies:
        return _Sentences(lines, [pd.Series([], dtype="string")] * width)
    even = [
        body + b"," * (width - 1 - commas)
        if (commas := body.count(b",")) < width
        else b",".join(body.split(b",")[:width])
        for body in bodies
    ]
    joined = b"\n".join(even)
    if not joined.isascii():
        joined = joined.decode("latin-1").encode("utf-8")
    names = [str(number) for number in range(width)]
    table = pacsv.read_csv(
        pa.BufferReader(joined),
        pacsv.ReadOptions(column_names=names, use_threads=False),
        pacsv.ParseOptions(quote_char=False, double_quote=False),
        pacsv.ConvertOptions(column_types=dict.fromkeys(names, pa.large_string()), strings_can_be_null=False),
    )
    dtype = pd.StringDtype("pyarrow")
    return _Sentences(lines, [pd.Series(dtype.__from_arrow__(column)) for column in table.columns])


def _clock_ms(text: pd.Series) -> np.ndarray:
    """Milliseconds of the day of ``hhmmss.sss``, -1 when it is none."""
    good = text.str.fullmatch(r"\d{6}(?:\.\d{0,9})?").to_numpy(dtype=bool)
    values = pd.to_numeric(text.where(good, "0")).to_numpy(dtype=float)
    whole = np.floor(values)
    hours, minutes, seconds = whole // 10000, whole // 100 % 100, values - np.floor(values / 100) * 100
    good &= (hours < 24) & (minutes < 60) & (seconds < 61)
    return np.where(good, np.round((hours * 3600 + minutes * 60 + seconds) * 1000), -1).astype(np.int64)


def _degrees(text: pd.Series, side: pd.Series, letters: str, most: float) -> np.ndarray:
    """Degrees of ``dddmm.mmmm`` and its hemisphere letter; NaN when they are none."""
    good = text.str.fullmatch(r"\d{3,5}(?:\.\d{0,12})?").to_numpy(dtype=bool) & side.isin(list(letters)).to_numpy()
    values = pd.to_numeric(text.where(good, "0")).to_numpy(dtype=float)
    degrees = np.floor(values / 100.0)
    minutes = values - degrees * 100.0
    angle = degrees + minutes / 60.0
    good &= (minutes < 60.0) & (angle <= most)
    return np.where(good, np.where((side == letters[1]).to_numpy(dtype=bool), -angle, angle), np.nan)


def _real(text: pd.Series) -> np.ndarray:
    said = text.where(text.str.fullmatch(r"[-+]?\d{1,12}(?:\.\d{0,12})?"), "")
    values: np.ndarray = pd.to_numeric(said, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    return values


def _anchors(rmc: _Sentences, zda: _Sentences) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sentences that carry a date: (line, day in ms, clock in ms), in the order of the file.

    A receiver that has no position yet may give any date, so its RMC counts only when there is none better.
    """
    days, clocks, lines = [], [], []
    if len(rmc):
        text = rmc.cell(9)
        year = pd.to_numeric(text.str[4:6], errors="coerce").fillna(0)
        century = np.where(year >= 80, "19", "20")
        said = pd.Series(century, dtype="string") + text.str[4:6] + text.str[2:4] + text.str[0:2]
        said = said.where(text.str.fullmatch(r"\d{6}"), "").astype(object)
        day = pd.to_datetime(said, format="%Y%m%d", errors="coerce").to_numpy().astype("datetime64[ms]")
        clock = _clock_ms(rmc.cell(1))
        known = ~np.isnat(day) & (clock >= 0)
        valid = known & (rmc.cell(2) == "A").to_numpy(dtype=bool)
        use = valid if valid.any() or len(zda) else known
        days.append(day[use])
        clocks.append(clock[use])
        lines.append(rmc.lines[use])
    if len(zda) and not any(len(part) for part in days):
        said = (zda.cell(4).str.zfill(4) + zda.cell(3).str.zfill(2) + zda.cell(2).str.zfill(2)).astype(object)
        day = pd.to_datetime(said, format="%Y%m%d", errors="coerce").to_numpy().astype("datetime64[ms]")
        clock = _clock_ms(zda.cell(1))
        use = ~np.isnat(day) & (clock >= 0)
        days.append(day[use])
        clocks.append(clock[use])
        lines.append(zda.lines[use])
    if not days:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64)
    line = np.concatenate(lines)
    return line, np.concatenate(days).astype(np.int64), np.concatenate(clocks)


def _stamps(lines: np.ndarray, clock: np.ndarray, anchors: tuple[np.ndarray, np.ndarray, np.ndarray]) -> np.ndarray:
    """Milliseconds since 1970 of clocks, their day taken from the nearest dated sentence; the day turns at midnight."""
    at, day, time = anchors
    if not len(at):
        return clock
    after = np.clip(np.searchsorted(at, lines, side="left"), 0, len(at) - 1)
    before = np.clip(np.searchsorted(at, lines, side="right") - 1, 0, len(at) - 1)
    near = np.where((time[after] == clock) | (lines < at[before]), after, before)
    stamp: np.ndarray = day[near] + clock
    away = stamp - (day[near] + time[near])
    turned: np.ndarray = stamp - np.round(away / _DAY_MS).astype(np.int64) * _DAY_MS
    return turned


def _rolled(clock: np.ndarray) -> np.ndarray:
    """Clocks of a log without any date, made to run on over midnight."""
    good = np.flatnonzero(clock >= 0)
    turned = np.zeros(len(clock), dtype=np.int64)
    if len(good) > 1:
        steps = np.diff(clock[good])
        turned[good[1:]] = np.cumsum((steps < -_DAY_MS // 2).astype(np.int64) - (steps > _DAY_MS // 2))
    return clock + turned * _DAY_MS


def _mode_fix(modes: pd.Series) -> pd.Series:
    """Fix class of a GNS mode such as ``RRN``: the best system's; any that is not measured spoils it."""

    def of(mode: str) -> str:
        for letter in "EMSRFDPA":
            if letter in mode:
                return _MODE[letter]
        return "none"

    return modes.map({mode: of(mode) for mode in modes.unique()}).astype("string")


def parse_nmea(
    data: bytes | str,
    *,
    occupations: pd.DataFrame | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take readings from an NMEA 0183 log: GGA (else GNS) with the GST, RMC, ZDA and DTM around it.

    Any talker counts. A sentence whose checksum is wrong is a broken line; one without a checksum counts only in a
    log that has none at all. The date comes from RMC, else ZDA, else `day`; it turns at midnight. The height is the
    altitude plus the geoid separation, less the antenna height.

    Parameters
    ----------
    data : bytes or str
    occupations : DataFrame, optional
        From `parse_occupations`; readings outside all of them stay without a label.
    label, section : str, optional
    antenna_height_m : float, optional
    day : date, optional
        Day of a log without a date.
    where : str

    Raises
    ------
    InputError
        When there is not one position in it.

    Examples
    --------
    >>> raw = parse_nmea("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", label="A-1")
    >>> [*map(float, raw.table.loc[0, ["y", "x", "height"]].astype(float).round(7)), raw.table.loc[0, "fix"]]
    [48.1173, 11.5166667, 592.3, 'autonomous']
    """
    raw = data.encode("latin-1", "replace") if isinstance(data, str) else data
    sniffed = sniff_encoding(raw[: 1 << 14])
    if sniffed and sniffed != "utf-8-sig":
        raw = raw.decode(sniffed, "replace").encode("latin-1", "replace")
    found = [(m.start(), m.start(2) - 1, m.group(1), m.group(2)) for m in _SENTENCE.finditer(raw)]
    buffer = np.frombuffer(raw, dtype=np.uint8)
    starts = np.array([item[0] for item in found], dtype=np.int64)
    stars = np.array([item[1] for item in found], dtype=np.int64)
    stated = np.array([int(item[3], 16) for item in found], dtype=np.uint8)
    computed = _checksums(buffer, starts + 1, stars)
    checked = computed == stated
    notes: list[str] = []
    bodies = [item[2] for item in found]
    if not len(found):
        plain = list(_UNCHECKED.finditer(raw))
        if plain:
            notes.append("no sentence of the log carries a checksum: errors of the line cannot be seen")
        bodies = [m.group(1).rstrip() for m in plain]
        starts = np.array([m.start() for m in plain], dtype=np.int64)
        computed = stated = np.zeros(len(plain), dtype=np.uint8)
        checked = np.ones(len(plain), dtype=bool)
    # a lone carriage return ends a line, too; one before a line feed does not end another
    returns = np.flatnonzero(buffer == 13)
    lone = returns[(returns + 1 == len(buffer)) | (buffer[np.minimum(returns + 1, len(buffer) - 1)] != 10)]
    ends = np.sort(np.concatenate([np.flatnonzero(buffer == 10), lone]))
    line_of = np.searchsorted(ends, starts) + 1
    broken, n_broken = _odd_lines(raw, ends, line_of, checked, computed, stated)

    kept: dict[str, list[bytes]] = {kind: [] for kind in _TYPES}
    kept_lines: dict[str, list[int]] = {kind: [] for kind in _TYPES}
    for body, line, good in zip(bodies, line_of.tolist(), checked.tolist(), strict=True):
        if good and body[5:6] == b"," and (kind := body[2:5].decode("latin-1")) in kept:
            kept[kind].append(body)
            kept_lines[kind].append(line)
    widths = {"GGA": 15, "GNS": 14, "GST": 9, "RMC": 14, "ZDA": 7, "DTM": 9}
    tables = {kind: _table_of(kept[kind], np.array(kept_lines[kind], dtype=np.int64), widths[kind]) for kind in _TYPES}
    parts = []
    for kind in ("GGA", "GNS"):
        part = _epochs(tables[kind], kind)
        bad = np.flatnonzero((part["why"] != "").to_numpy(dtype=bool))
        broken += [
            BrokenLine(int(part["line"].iloc[at]), tables[kind].said(at), part["why"].iloc[at]) for at in bad[:NAMED]
        ]
        n_broken += len(bad)
        parts.append(part.drop(index=bad))
    epochs = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    epochs = epochs.sort_values("line", kind="stable").reset_index(drop=True)
    if not len(epochs) or not np.isfinite(epochs["x"].to_numpy(dtype=float)).any():
        raise _nothing_usable(where, broken, n_broken)

    anchors = _anchors(tables["RMC"], tables["ZDA"])
    dated = len(anchors[0]) > 0
    lines, clock = epochs["line"].to_numpy(), epochs["clock"].to_numpy()
    side_tables = {kind: tables[kind] for kind in ("GST", "RMC")}
    all_lines = np.concatenate([lines, *(side.lines for side in side_tables.values())])
    all_clocks = np.concatenate(
        [clock, *(_clock_ms(side.cell(1)) if len(side) else np.empty(0, np.int64) for side in side_tables.values())]
    )
    if dated:
        stamps = np.where(all_clocks >= 0, _stamps(all_lines, np.maximum(all_clocks, 0), anchors), -1)
    else:
        sort = np.argsort(all_lines, kind="stable")
        stamps = np.empty(len(all_clocks), dtype=np.int64)
        stamps[sort] = np.where(all_clocks[sort] >= 0, _rolled(all_clocks[sort]), -1)
    cuts = np.cumsum([len(lines), len(side_tables["GST"])])
    own, gst_stamps, rmc_stamps = np.split(stamps, cuts)

    # a GNS beside a GGA of the same moment is the same reading
    is_gga = (epochs["type"] == "GGA").to_numpy(dtype=bool)
    again = ~is_gga & (own >= 0) & np.isin(own, own[is_gga])
    epochs, own = epochs[~again].reset_index(drop=True), own[~again]
    n = len(epochs)

    def beside(side_stamps: np.ndarray, values: np.ndarray, fill: Any) -> np.ndarray:
        """Values of the sentences of the same moment."""
        order = np.argsort(side_stamps, kind="stable")
        sorted_stamps = side_stamps[order]
        place = np.clip(np.searchsorted(sorted_stamps, own), 0, max(len(order) - 1, 0))
        if not len(order):
            return np.full(n, fill, dtype=values.dtype)
        same = (sorted_stamps[place] == own) & (own >= 0)
        picked: np.ndarray = np.where(same, values[order][place], fill)
        return picked

    gst, rmc = tables["GST"], tables["RMC"]
    sigma_n = beside(gst_stamps, _real(gst.cell(6)), np.nan)
    sigma_e = beside(gst_stamps, _real(gst.cell(7)), np.nan)
    speed = beside(rmc_stamps, _real(rmc.cell(7)) * _KNOT, np.nan)
    mode = beside(rmc_stamps, rmc.cell(12).to_numpy(dtype=object), "")
    with np.errstate(invalid="ignore"):
        given = (sigma_e > 0) & (sigma_n > 0)
    fix = epochs["fix"].to_numpy(dtype=object)
    # RMC may admit dead reckoning, a simulator or typed-in positions that the quality of GGA hides
    fix = np.where(np.isin(mode, ["E", "M", "S", "N"]), pd.Series(mode).map(_MODE).to_numpy(dtype=object), fix)
    if dated:
        times = np.where(own >= 0, own, np.iinfo(np.int64).min).astype("datetime64[ms]")
    else:
        if day is None and occupations is not None and not np.isnat(occupations["start"].to_numpy()).all():
            day = pd.Timestamp(np.nanmin(occupations["start"].to_numpy())).date()
            notes.append(f"the log carries no date: {day} is taken from the list of occupations")
        elif day is not None:
            notes.append(f"the log carries no date: {day} is taken from its visit")
        else:
            notes.append('the log carries no date, its times are left out: write visit = "2025-05-06" (its day, UTC)')
        base = np.datetime64("NaT", "ms") if day is None else np.datetime64(day, "ms")
        times = np.where(own >= 0, base + np.maximum(own, 0).astype("timedelta64[ms]"), np.datetime64("NaT", "ms"))
    notes += _datum_notes(tables["DTM"])
    if dated and day is not None:
        apart = abs((times[~np.isnat(times)][:1] - np.datetime64(day, "ms")).astype(float)) / _DAY_MS
        if apart.size and apart[0] > 3:
            weeks = " (1024 weeks: the receiver counts its weeks wrong)" if abs(apart[0] % 7168 - 3584) > 3581 else ""
            notes.append(f"the log's dates lie {apart[0]:.0f} days from its visit{weeks}")
    height = epochs["height"].to_numpy(dtype=float) - (antenna_height_m or 0.0)
    table = _raw_table(
        n,
        {
            "line": epochs["line"].to_numpy(),
            "label": label,
            "section": section,
            "time": times,
            "x": epochs["x"].to_numpy(dtype=float),
            "y": epochs["y"].to_numpy(dtype=float),
            "height": height,
            "fix": fix,
            "hdop": epochs["hdop"].to_numpy(dtype=float),
            "satellites": epochs["satellites"].to_numpy(dtype=float),
            "sigma_e": np.where(given, sigma_e, np.nan),
            "sigma_n": np.where(given, sigma_n, np.nan),
            "sigma_from": np.where(given, "the receiver", ""),
            "antenna_height": antenna_height_m if antenna_height_m is not None else np.nan,
            "speed": speed,
        },
    )
    if occupations is not None:
        table, said = _assign(table, occupations)
        notes += said
    return RawReadings(table, tuple(sorted(broken)[:NAMED]), n_broken, tuple(notes), geographic=True)


def _odd_lines(
    raw: bytes,
    ends: np.ndarray,
    line_of: np.ndarray,
    checked: np.ndarray,
    computed: np.ndarray,
    stated: np.ndarray,
) -> tuple[list[BrokenLine], int]:
    """Lines without a good sentence that are neither blank nor a comment, and sentences that fail their checksum."""
    bounds = np.concatenate([[-1], ends, [len(raw)]])
    total = len(bounds) - 1
    good = np.zeros(total + 1, dtype=bool)
    good[line_of[checked]] = True
    failed: dict[int, int] = {}
    for at in np.flatnonzero(~checked).tolist():
        failed.setdefault(int(line_of[at]), at)
    empty = np.diff(bounds) <= 1
    buffer = np.frombuffer(raw, dtype=np.uint8)
    first = buffer[np.minimum(bounds[:-1] + 1, max(len(raw) - 1, 0))] if len(raw) else np.zeros(total, np.uint8)
    # 10, 13 and 0: the rest of a line end or of a disk block; 35 is "#"
    passed = empty | np.isin(first, [10, 13, 35]) | good[1:]
    odd = np.flatnonzero(~passed)
    broken: list[BrokenLine] = []
    n_broken = 0
    texts = (
        (int(at) + 1, raw[bounds[at] + 1 : min(bounds[at + 1], bounds[at] + 401)].replace(b"\0", b"").strip())
        for at in sorted({*odd.tolist(), *(line - 1 for line in failed)})
    )
    for line, text in texts:
        if not text:
            continue
        n_broken += 1
        if len(broken) < NAMED:
            why = "no whole sentence"
            if line in failed:
                why = f"its checksum is {computed[failed[line]]:02X}, it says {stated[failed[line]]:02X}"
            broken.append(BrokenLine(line, shown(text.decode("latin-1")), why))
    return broken, n_broken


def _epochs(part: _Sentences, kind: str) -> pd.DataFrame:
    """Positions of GGA or GNS sentences; `why` tells what is wrong with one."""
    columns = ["line", "type", "clock", "x", "y", "height", "fix", "hdop", "satellites", "why"]
    if not len(part):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    lat = _degrees(part.cell(2), part.cell(3), "NS", 90.0)
    lon = _degrees(part.cell(4), part.cell(5), "EW", 180.0)
    if kind == "GGA":
        quality = _real(part.cell(6))
        fix = pd.Series(quality).map(_QUALITY).fillna("unknown").to_numpy(dtype=object)
        satellites, hdop, altitude, separation = (_real(part.cell(number)) for number in (7, 8, 9, 11))
        unnamed = np.isnan(quality)
    else:
        fix = _mode_fix(part.cell(6)).to_numpy(dtype=object)
        satellites, hdop, altitude, separation = (_real(part.cell(number)) for number in (7, 8, 9, 10))
        unnamed = (part.cell(6) == "").to_numpy(dtype=bool)
    clock = _clock_ms(part.cell(1))
    lost = np.isnan(lat) | np.isnan(lon)
    bare = np.logical_and.reduce([(part.cell(number) == "").to_numpy(dtype=bool) for number in (2, 4)])
    why = np.full(len(part), "", dtype=object)
    why[(clock < 0) & (part.cell(1) != "").to_numpy(dtype=bool)] = "its time is none"
    why[lost & ~bare] = "its latitude or longitude is none"
    why[unnamed & ~bare] = "it does not say what kind of solution it is"
    why[lost & bare & ~np.isin(fix, ["none", "unknown"])] = "it claims a solution and gives no position"
    nowhere = (lat == 0.0) & (lon == 0.0)
    fix = np.where(bare | nowhere, "none", fix)
    return pd.DataFrame(
        {
            "line": part.lines,
            "type": kind,
            "clock": clock,
            "x": np.where(lost | nowhere, np.nan, lon),
            "y": np.where(lost | nowhere, np.nan, lat),
            "height": altitude + separation,
            "fix": fix,
            "hdop": np.where(hdop > 0, hdop, np.nan),
            "satellites": satellites,
            "why": why,
        },
        columns=columns,
    )


def _datum_notes(part: _Sentences) -> list[str]:
    if not len(part):
        return []
    said = []
    offsets = (_real(part.cell(3)), _real(part.cell(5)))
    pairs = zip(part.cell(1), part.cell(8), *offsets, strict=True)
    for code, base, north, east in dict.fromkeys((c, b, round(n, 6), round(e, 6)) for c, b, n, e in pairs):
        off = f", offset {north:g}' and {east:g}' from {base}" if north or east else ""
        said.append(f"the log names its datum {code or '?'}{off} (DTM): compare it with the reference declared")
    return said[:5]


# ---- occupations ------------------------------------------------------------------------------------------------

_OCCUPATION_WORDS: Mapping[str, tuple[str, ...]] = {
    "label": _WORDS["label"],
    "from": ("from", "start", "begin", "from utc", "start utc", "start time"),
    "to": ("to", "end", "until", "to utc", "end utc", "end time"),
    **{key: _WORDS[key] for key in ("date", "kind", "condition", "depth", "antenna_height", "base", "canopy", "note")},
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
    cut = [(header, *_header(header)) for header in headers]
    chosen: dict[str, _Source] = {}
    for name, words in _OCCUPATION_WORDS.items():
        for word in words:
            taken = {source.header for source in chosen.values()}
            match = next(((h, u) for h, key, u in cut if key == word and h not in taken), None)
            if match is not None:
                chosen[name] = _Source(*match)
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
        return _strings(table.rows[chosen[name].header].reset_index(drop=True))

    dates = text("date") if "date" in chosen else None
    start, from_clock, notes = parse_times(text("from"), dates, day)
    end, to_clock, more = parse_times(text("to"), dates, day)
    notes += [note for note in more if note not in notes]
    same_day = "date" in chosen or day is not None
    if same_day:
        with np.errstate(invalid="ignore"):
            over = (end < start) & (text("from").str.len() < 13).to_numpy() & (text("to").str.len() < 13).to_numpy()
        end = np.where(over, end + np.timedelta64(_DAY_MS, "ms"), end)
    # one end with its day gives the other its own
    half = ~np.isnat(start) & np.isnat(end) & np.isfinite(to_clock)
    end = np.where(half, _on_day(start.astype("datetime64[D]").astype("datetime64[ms]"), to_clock), end)
    end = np.where(half & (end < start), end + np.timedelta64(_DAY_MS, "ms"), end)
    known = ~np.isnat(start) & ~np.isnat(end)
    clocks = np.isfinite(from_clock) & np.isfinite(to_clock)
    labels = text("label")
    why = np.full(n, "", dtype=object)
    why[~known & ~clocks] = "its times are not understood"
    why[known & (end < start)] = "it ends before it starts"
    why[known & (end - start > np.timedelta64(2 * _DAY_MS, "ms"))] = "it takes more than two days"
    why[(labels == "").to_numpy(dtype=bool)] = "it has no label"
    broken = list(table.broken)
    for at in np.flatnonzero(why != "")[:NAMED]:
        said = shown(", ".join(table.rows.iloc[at].astype(str)))
        broken.append(BrokenLine(int(table.lines[at]), said, str(why[at])))
    n_broken = table.n_broken + int((why != "").sum())
    keep = why == ""
    if not keep.any():
        raise _nothing_usable(where, broken, n_broken)
    lengths = {}
    for name in ("depth", "antenna_height"):
        lengths[name], lost = _lengths(text(name), chosen[name].unit) if name in chosen else (np.full(n, np.nan), 0)
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
            "kind": _mapped(text("kind"), _KIND_OF, "other"),
            "condition": _mapped(text("condition"), _CONDITION_OF, "unknown"),
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
    cut = {_header(header)[0]: (header, _header(header)[1]) for header in reversed(headers)}
    missing = [name for name in ("from", "to", "distance") if name not in cut]
    if missing:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where, f"no column {', '.join(missing)} among: {has}", "Give it the columns from, to, distance."
        )
    text = {
        name: _strings(table.rows[cut[name][0]].reset_index(drop=True))
        if name in cut
        else pd.Series("", index=range(len(table.rows)), dtype="string")
        for name in ("from", "to", "distance", "date", "note")
    }
    values, _ = _numbers(text["distance"])
    column_unit = cut["distance"][1]
    if column_unit is None:
        values = np.full(len(values), np.nan)
    elif not (unit.is_foot and _UNIT_METRES[column_unit] == _UNIT_METRES["ft"]):
        values = values * _UNIT_METRES[column_unit] / unit.metres
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
        raise _nothing_usable(where, broken, n_broken)
    frame = pd.DataFrame({"line": table.lines, **text, "distance": values})[keep].reset_index(drop=True)
    frame.attrs = {"broken": tuple(sorted(broken)[:NAMED]), "n_broken": n_broken, "notes": table.notes}
    return frame


def _assign(table: pd.DataFrame, occupations: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Give readings the label and the number of the occupation they were taken in."""
    stamp = table["time"].dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    order = np.argsort(stamp, kind="stable")  # NaT goes last
    known = int((~np.isnat(stamp)).sum())
    millis = stamp[order][:known].astype(np.int64)
    days = np.unique(millis // _DAY_MS)
    owner = np.zeros(len(table), dtype=np.int64)
    notes: list[str] = []
    empty: list[str] = []
    doubtful: list[str] = []
    contested = np.zeros(len(table), dtype=bool)
    for number, row in enumerate(occupations.itertuples(index=False), 1):
        if pd.isna(row.start):
            length = (row.to_clock - row.from_clock) % 86400.0
            spans = [(int(day * _DAY_MS + row.from_clock * 1000), int(length * 1000)) for day in days]
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


# ---- GPX --------------------------------------------------------------------------------------------------------

_GPX_FIELDS = ("name", "time", "ele", "geoidheight", "fix", "sat", "hdop", "cmt", "desc")
_LONGEST_TEXT = 4096


class _Waypoints:
    """Collects the waypoints of a GPX document as the parser meets them."""

    def __init__(self, where: str, wanted: Iterable[str]) -> None:
        self.where = where
        self.wanted = set(wanted)
        self.rows: list[dict[str, str]] = []
        self.lines: list[int] = []
        self.path: list[str] = []
        self.text: list[str] = []
        self.track_points = 0
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.refuse
        self.parser.EntityDeclHandler = self.refuse

    def refuse(self, *_: object) -> None:
        """Stop at a document type: its entities can blow a small file up without end."""
        raise InputError.of(self.where, "it declares a document type or entities", "Export the waypoints as plain GPX.")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        uri, _, local = name.rpartition(" ")
        ours = not uri or "topografix.com/GPX" in uri
        if not self.path and (local != "gpx" or not ours):
            raise InputError.of(self.where, f"this is {shown(local, 30)!r}, not GPX", "Name a GPX file.")
        self.path.append(local if ours or "extensions" in self.path else f"{uri} {local}")
        self.text = []
        if self.path == ["gpx", "wpt"]:
            self.rows.append({"lat": attributes.get("lat", ""), "lon": attributes.get("lon", "")})
            self.lines.append(self.parser.CurrentLineNumber)
        elif local in ("trkpt", "rtept"):
            self.track_points += 1

    def characters(self, text: str) -> None:
        """Keep the text of the element, up to a bound."""
        if len(self.path) > 2 and len(self.text) < 64:
            self.text.append(text[:_LONGEST_TEXT])

    def end(self, _: str) -> None:
        """Note the element's text where it is a field of a waypoint."""
        if len(self.path) > 2 and self.path[1] == "wpt":
            local, text = self.path[-1], "".join(self.text).strip()[:_LONGEST_TEXT]
            row = self.rows[-1]
            if (len(self.path) == 3 and local in _GPX_FIELDS) or (
                self.path[2] == "extensions" and text and (local in self.wanted or self.recognised(local))
            ):
                row.setdefault(local, text)
        self.text = []
        self.path.pop()

    @staticmethod
    def recognised(local: str) -> bool:
        """Whether an extension's name is one of ours."""
        key, _ = _header(local)
        return any(key in words for name, words in _WORDS.items() if name not in ("label", "note", "lat", "lon"))


def parse_gpx(
    data: bytes,
    *,
    columns: Mapping[str, str] | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take the waypoints of a GPX file; their name is the label, extensions are searched for columns of ours.

    A file that breaks off keeps the waypoints before the break.

    Parameters
    ----------
    data : bytes
    columns, label, section, antenna_height_m, day, where
        As in `parse_points`; a column may name an element of the extensions.

    Raises
    ------
    InputError
        When it is not GPX, declares a document type or entities, or has no waypoint with a position.

    Examples
    --------
    >>> text = b'<gpx version="1.1"><wpt lat="40.9" lon="-82.3"><name>A-16</name><fix>dgps</fix></wpt></gpx>'
    >>> parse_gpx(text).table[["label", "x", "y", "fix"]].to_numpy().tolist()
    [['A-16', -82.3, 40.9, 'differential']]
    """
    wanted = [str(theirs) for theirs in (columns or {}).values()]
    found = _Waypoints(where, wanted)
    broken: list[BrokenLine] = []
    try:
        found.parser.Parse(data, True)
    except InputError:
        raise
    except (expat.ExpatError, LookupError, ValueError) as error:
        line = int(getattr(error, "lineno", 0) or 0)
        why = expat.ErrorString(error.code) if isinstance(error, expat.ExpatError) else str(error)
        if not found.rows:
            raise InputError.of(where, f"it is not GPX ({why}, line {line})", "Export it again as GPX 1.1.") from None
        source = data.split(b"\n")
        said = source[line - 1][:200].decode("latin-1") if 0 < line <= len(source) else ""
        broken.append(BrokenLine(line, shown(said), f"the file breaks here ({why})"))
        if len(found.path) > 1 and found.path[1] == "wpt":
            found.rows.pop()
            found.lines.pop()
    if not found.rows:
        count = found.track_points
        tracks = f", only {count} points of tracks and routes, which carry no label" if count else ""
        raise InputError.of(
            where, f"there is no waypoint in it{tracks}", "Store a named waypoint at each marker and export those."
        )
    names = ["lat", "lon", *_GPX_FIELDS]
    names += sorted({name for row in found.rows for name in row} - set(names))
    rows = pd.DataFrame({name: _strings([row.get(name, "") for row in found.rows]) for name in names})
    table = Table(rows, np.array(found.lines, dtype=np.int64), tuple(broken), len(broken), "xml", "")
    told = columns or {}
    chosen = _choose_columns(names, told, where)
    fixed = {"label": "name", "time": "time", "fix": "fix", "satellites": "sat", "hdop": "hdop", "note": "cmt"}
    for ours, theirs in fixed.items():
        if ours not in told:
            chosen[ours] = _Source(theirs, None)
    chosen["lat"], chosen["lon"] = _Source("lat", None), _Source("lon", None)
    for other in ("x", "y", "easting", "northing"):
        chosen.pop(other, None)
    if "height" not in told:
        chosen.pop("height", None)
    raw = _points(table, chosen, told, label, section, antenna_height_m, day, where)
    at = np.searchsorted(table.lines, raw.table["line"].to_numpy())
    above, _ = _numbers(_strings(rows["ele"]))
    geoid, _ = _numbers(_strings(rows["geoidheight"]))
    height = (above + geoid)[at]
    full = raw.table.assign(height=np.where(np.isnan(height), raw.table["height"], height))
    return replace(raw, table=full, geographic=True)


# ---- vector files -----------------------------------------------------------------------------------------------


def parse_features(
    features: gpd.GeoDataFrame,
    broken: Sequence[BrokenLine] = (),
    n_broken: int = 0,
    *,
    columns: Mapping[str, str] | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take readings from point features, as `cemgis.files.vector.read_features` gives them.

    Parameters
    ----------
    features : GeoDataFrame
        With a column ``feature``, its number in the file.
    broken, n_broken
        What was already left out.
    columns, label, section, antenna_height_m, day, where
        As in `parse_points`.

    Raises
    ------
    InputError
        When no label is recognised or no feature is a point.
    """
    shapes = np.array(features.geometry.to_numpy())
    kinds = shapely.get_type_id(shapes)
    single = (kinds == 4) & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    points = np.isin(kinds, [0]) | single
    numbers = features["feature"].to_numpy(dtype=np.int64)
    left = list(broken)
    for at in np.flatnonzero(~points)[:NAMED]:
        kind = shapely.GeometryType(int(kinds[at])).name.lower() if kinds[at] >= 0 else "nothing"
        left.append(BrokenLine(int(numbers[at]), "", f"it is a {kind}, not a point"))
    xy = np.column_stack([shapely.get_x(shapes[points]), shapely.get_y(shapes[points])])
    attributes = features.drop(columns=["geometry", "feature"], errors="ignore").loc[points]
    rows = pd.DataFrame(
        {str(name): _strings(_texts_of(attributes[name])) for name in attributes.columns},
        index=pd.RangeIndex(int(points.sum())),
    )
    count = n_broken + int((~points).sum())
    table = Table(rows, numbers[points], tuple(left), count, "", "")
    if not points.any():
        raise _nothing_usable(where, left, count)
    chosen = _choose_columns([str(name) for name in rows.columns], columns, where)
    crs = features.crs
    geographic = None if crs is None else bool(crs.is_geographic)
    raw = _points(table, chosen, columns or {}, label, section, antenna_height_m, day, where, xy, geographic)
    return replace(raw, file_crs=None if crs is None else str(crs.name))


def _texts_of(values: pd.Series) -> list[str]:
    missing = values.isna().to_numpy(dtype=bool)
    return ["" if lost else str(value) for value, lost in zip(values.tolist(), missing, strict=True)]


# ---- files ------------------------------------------------------------------------------------------------------


def format_of(file: str, told: str | None = None) -> str:
    """Format of a file of readings: as told, else from its ending, else ``vector``.

    Raises
    ------
    InputError
        When the format told is none of `FORMATS`.

    Examples
    --------
    >>> format_of("readings/spring.nmea"), format_of("a.gpkg"), format_of("a.txt", "nmea")
    ('nmea', 'vector', 'nmea')
    """
    if told:
        if told not in FORMATS:
            place = f"{file} format"
            raise InputError.of(place, f"{told!r} is no format of readings", f"One of: {', '.join(FORMATS)}.")
        return told
    return _ENDINGS.get(Path(file).suffix.lower(), "vector")


def _day_of(visit: str | None) -> dt.date | None:
    """Day a visit is named after, when it is."""
    found = re.match(r"\d{4}-\d{2}-\d{2}", visit or "")
    try:
        return dt.date.fromisoformat(found.group()) if found else None
    except ValueError:
        return None


def read_readings(entry: ReadingsEntry, folder: Path) -> RawReadings:
    """Read the file of one entry of ``[[readings]]``.

    Parameters
    ----------
    entry : ReadingsEntry
        Of ``ground.toml``.
    folder : Path
        The ground's folder.

    Raises
    ------
    InputError
        When the file cannot be read or nothing in it is usable.
    """
    path, where = folder / entry.file, entry.file
    existing_file(path, where)
    kind = format_of(entry.file, entry.format)
    day = _day_of(entry.visit)
    common: dict[str, Any] = {
        "label": entry.label,
        "section": entry.section,
        "antenna_height_m": entry.antenna_height_m,
        "day": day,
        "where": where,
    }
    columns = dict(entry.columns or {})
    if kind == "nmea":
        occupations = None
        if entry.occupations:
            listed = read_table(folder / entry.occupations, where=entry.occupations)
            occupations = parse_occupations(listed, where=entry.occupations)
        elif not entry.label:
            raise InputError.of(
                where,
                "nothing says which marker its readings belong to",
                'Write occupations = "..." (label, from, to) or label = "...".',
            )
        raw = parse_nmea(path.read_bytes(), occupations=occupations, **common)
        if occupations is None:
            return raw
        said = tuple(f"{entry.occupations}: {note}" for note in occupations.attrs["notes"])
        lost = tuple(BrokenLine(*item) for item in occupations.attrs["broken"])
        if lost:
            named = "; ".join(f"line {line}: {why}" for line, _, why in lost[:3])
            said += (f"{entry.occupations}: {occupations.attrs['n_broken']} lines left out ({named})",)
        return replace(raw, notes=raw.notes + said)
    if kind == "gpx":
        data = path.read_bytes()
        if entry.encoding:
            text, _ = decode(data, entry.encoding, where)
            data = re.sub(r"^\s*<\?xml[^>]*\?>", "", text.lstrip("﻿")).encode("utf-8")
        return parse_gpx(data, columns=columns, **common)
    if kind == "vector":
        found = read_features(path, where=where)
        raw = parse_features(found.table, found.broken, found.n_broken, columns=columns, **common)
        return replace(raw, notes=found.notes + raw.notes)
    names = _ordered(entry.order, where) if entry.order else None
    table = read_table(
        path, delimiter=entry.delimiter, encoding=entry.encoding, header=names is None, names=names, where=where
    )
    if names is None:
        return parse_points(table, columns=columns, **common)
    told = {_ORDER[letter]: letter for letter in names if letter in _ORDER}
    return parse_points(table, columns={**told, **columns}, **common)
