"""Times and angles as people write them."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cemgis.errors import InputError
from cemgis.reference.systems import show

__all__ = ["decimal_year", "parse_angle", "parse_angles"]

Array = NDArray[np.float64]


def decimal_year(times: Any, where: str = "time") -> Array:
    """Return times as decimal years; missing times are NaN.

    Parameters
    ----------
    times : Series, DatetimeIndex, array or list of times
        Taken as UTC where they have no zone.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        For text that is not a time.

    Examples
    --------
    >>> decimal_year(["2025-01-01", "2025-07-02T12:00:00Z", None]).tolist()
    [2025.0, 2025.5, nan]
    """
    import pandas as pd

    if not isinstance(times, (pd.Series, pd.Index)):
        times = np.atleast_1d(np.asarray(times, dtype=object))
    column = pd.Series(times).reset_index(drop=True)
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        stamps = pd.to_datetime(column, utc=True)
    else:
        column = column.astype(object)
        stamps = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
        bad = column[stamps.isna() & column.notna()]
        if len(bad):
            what = f"{show(bad.iloc[0])} is not a time ({len(bad)} of {len(column)})"
            raise InputError.of(where, what, "Write it as 2025-05-06T14:30:00Z.")
    stamps = stamps.dt.tz_localize(None)
    moments = stamps.to_numpy(dtype="datetime64[us]")
    years = moments.astype("datetime64[Y]")
    start, end = years.astype("datetime64[us]"), (years + 1).astype("datetime64[us]")
    known = ~np.isnat(moments)
    share = np.full(len(moments), np.nan)
    second = np.timedelta64(1, "us")
    share[known] = ((moments - start)[known] / second) / ((end - start)[known] / second)
    return np.asarray(np.where(known, years.astype(np.int64) + 1970.0, np.nan) + share, dtype=float)


_SEP_DEG = r"(?:\s*(?:°|º|deg|d|:)\s*|-|\s+)"
_SEP_MIN = r"(?:\s*(?:'|′|’|:)\s*|-|\s+)"
_ANGLE = (
    r"^\s*(?P<before>[NSEW])?\s*(?P<sign>[+\-−])?\s*(?P<degrees>\d{1,3}(?:\.\d*)?)"
    rf"(?:{_SEP_DEG}(?P<minutes>\d{{1,2}}(?:\.\d*)?)"
    rf"(?:{_SEP_MIN}(?P<seconds>\d{{1,2}}(?:\.\d*)?)\s*(?:\"|″|”|'')?|\s*['′’]?)?|\s*(?:°|º|deg|d)?)"
    r"\s*(?P<after>[NSEW])?\s*$"
)
_ANGLE_PATTERN = re.compile(_ANGLE, re.IGNORECASE)
_LIMITS = {"lat": 90.0, "lon": 360.0, None: 360.0}


def parse_angle(text: object, where: str = "angle", axis: str | None = None) -> float:
    r"""Read one angle as people write it, in decimal degrees.

    A number without separate minutes is decimal degrees and nothing else: digits packed as DDD.MMSS are not guessed.

    Parameters
    ----------
    text : str or float
        ``"40 53 12.3 N"``, ``"-82.3"``, ``"82°18'00\" W"``, ``"40d53'12.3"``, ``"40:53.205"``.
    where : str
        Named in the error.
    axis : {"lat", "lon"}, optional
        Limits the size and the letters that fit.

    Raises
    ------
    InputError

    Examples
    --------
    >>> round(parse_angle("40 53 12.3 N"), 6), parse_angle("82.3 W")
    (40.88675, -82.3)
    >>> parse_angle("40 61 00 N")
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: angle: '40 61 00 N' has 60 minutes or more. Write "40 53 12.3 N" or decimal degrees.
    """
    remedy = 'Write "40 53 12.3 N" or decimal degrees.'
    shown = show(text)
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        text = repr(float(text))
        if "e" in text:
            text = f"{float(text):.12f}"
    found = _ANGLE_PATTERN.match(text) if isinstance(text, str) and len(text) < 64 else None
    if found is None:
        raise InputError.of(where, f"{shown} is not an angle", remedy)
    degrees, minutes, seconds = (found[part] for part in ("degrees", "minutes", "seconds"))
    letters = [letter.upper() for letter in (found["before"], found["after"]) if letter]
    problem = ""
    if len(letters) > 1:
        problem = "names its side twice"
    elif letters and found["sign"]:
        problem = "has a sign and a letter"
    elif letters and axis is not None and (letters[0] in "NS") != (axis == "lat"):
        problem = f"is not a {'latitude' if axis == 'lat' else 'longitude'}"
    elif minutes is not None and "." in degrees:
        problem = "has decimals in its degrees and minutes as well"
    elif seconds is not None and "." in minutes:
        problem = "has decimals in its minutes and seconds as well"
    elif minutes is not None and float(minutes) >= 60.0:
        problem = "has 60 minutes or more"
    elif seconds is not None and float(seconds) >= 60.0:
        problem = "has 60 seconds or more"
    value = float(degrees) + float(minutes or 0.0) / 60.0 + float(seconds or 0.0) / 3600.0
    limit = 90.0 if letters and letters[0] in "NS" else _LIMITS[axis]
    if not problem and value > limit:
        problem = f"is more than {limit:g} degrees"
    if problem:
        raise InputError.of(where, f"{shown} {problem}", remedy)
    negative = found["sign"] in ("-", "−") or bool(letters and letters[0] in "SW")
    value = -value if negative else value
    return (value + 180.0) % 360.0 - 180.0 if axis == "lon" and abs(value) > 180.0 else value


def parse_angles(texts: Any, axis: str | None = None) -> Array:
    """Read many angles as `parse_angle` does; NaN for what cannot be read.

    Parameters
    ----------
    texts : sequence of str, (n,)
    axis : {"lat", "lon"}, optional

    Returns
    -------
    array, (n,)
        Decimal degrees.

    Examples
    --------
    >>> parse_angles(["40 30 00 N", "40.5", "forty"]).tolist()
    [40.5, 40.5, nan]
    """
    import pandas as pd

    column = pd.Series(list(texts), dtype=object)
    if column.empty:
        return np.empty(0)
    part = column.where(column.notna(), "").astype(str).str.extract(_ANGLE_PATTERN)
    degrees, minutes, seconds = (
        pd.to_numeric(part[name]).to_numpy(dtype=float) for name in ("degrees", "minutes", "seconds")
    )
    before, after = (part[name].fillna("").str.upper().to_numpy(dtype=str) for name in ("before", "after"))
    letter = np.where(before == "", after, before)
    sign = part["sign"].fillna("").to_numpy(dtype=str)
    dotted = {name: part[name].fillna("").str.contains(".", regex=False).to_numpy() for name in ("degrees", "minutes")}
    value = degrees + np.nan_to_num(minutes) / 60.0 + np.nan_to_num(seconds) / 3600.0
    north_south = np.isin(letter, ["N", "S"])
    limit = np.where(north_south, 90.0, _LIMITS[axis])
    with np.errstate(invalid="ignore"):
        bad = (
            ((before != "") & (after != ""))
            | ((letter != "") & (sign != ""))
            | (~np.isnan(minutes) & dotted["degrees"])
            | (~np.isnan(seconds) & dotted["minutes"])
            | (minutes >= 60.0)
            | (seconds >= 60.0)
            | (value > limit)
        )
    if axis is not None:
        bad |= (letter != "") & (north_south != (axis == "lat"))
    negative = np.isin(sign, ["-", "−"]) | np.isin(letter, ["S", "W"])
    value = np.where(negative, -value, value)
    if axis == "lon":
        value = np.where(np.abs(value) > 180.0, (value + 180.0) % 360.0 - 180.0, value)
    return np.where(bad, np.nan, value)
