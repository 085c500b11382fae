"""Dates and ages as ledgers and stones give them, read into the Extended Date/Time Format without guessing."""

from __future__ import annotations

import re
import unicodedata
import warnings
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd

__all__ = [
    "Age", "Dates", "Order", "Reading", "birth_range", "bounds", "column_order", "is_edtf", "parse_age", "parse_date",
    "read_dates", "say_date", "say_years", "years",
]  # fmt: skip

# The values are those of the Extended Date/Time Format, level 0 and 1 (Library of Congress, 4 February 2019;
# ISO 8601-2). Of level 2 "one of a set" is used, [1887,1888] and [1850..1860], because a burial happened once and an
# interval would say that it lasted; and unspecified leading digits, XXXX-02-14 for a day without a year.

_QUALIFIED = re.compile(r"(.*[^?~%])([?~%])?", re.DOTALL)
_PLAIN = re.compile(r"(-?[0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?", re.ASCII)
_MASKED = re.compile(r"([0-9X]{4})(?:-([0-9]{2}|XX)(?:-([0-9]{2}|XX))?)?", re.ASCII)
_TIMED = re.compile(
    r"(-?[0-9]{4}-[0-9]{2}-[0-9]{2})T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:Z|[+-][0-9]{2}(?::[0-9]{2})?)?", re.ASCII
)
_LONG = re.compile(r"Y-?[1-9][0-9]{4,17}", re.ASCII)
_LIKE = re.compile(r"[-0-9XYES?~%.,/\[\]{}]{4,80}", re.ASCII)
_SEASON = range(21, 25)

_STRANGE = "not understood"

Order = str
"""``day first``, ``month first`` or ``""`` when the column does not say."""


class Reading(NamedTuple):
    """What one text was read as.

    Parameters
    ----------
    edtf : str or None
        None when nothing is known or the text is not understood.
    how : str
        ``as written``, ``from words``, ``order of the column``, ``either order``, ``unknown``, ``blank``,
        ``two ways``, ``no such day`` (30 February) or ``not understood``.
    """

    edtf: str | None
    how: str


class Dates(NamedTuple):
    """A column of dates.

    Parameters
    ----------
    date, how : Series of string
        As in `Reading`, on the index of the texts.
    order : Order
        Which of day and month comes first, by the evidence of the whole column.
    evidence : str
        That evidence in words.
    """

    date: pd.Series
    how: pd.Series
    order: Order
    evidence: str


class Age(NamedTuple):
    """An age in completed units; ``unit`` is the finest one given.

    Parameters
    ----------
    years, months, days : int
    unit : str
        ``year``, ``month``, ``week`` or ``day``.
    about : bool
    """

    years: int
    months: int
    days: int
    unit: str
    about: bool = False


# ---- the format itself -------------------------------------------------------------------------------------------


class _Atom(NamedTuple):
    """One date: its first and last day (None where there is none to give), whether it is about or doubtful."""

    first: str | None
    last: str | None
    loose: bool
    season: tuple[int, int] | None = None


def _days(year: int, month: int) -> int:
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return (31, 29 if leap else 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1]


@lru_cache(maxsize=1 << 16)
def _atom(text: str) -> _Atom | None:
    """Read one date of the format; None when it is none. Bounds are ISO days of the years 0000 to 9999."""
    whole = _QUALIFIED.fullmatch(text)
    if whole is None:
        return None
    body, loose = whole[1], whole[2] is not None
    if _LONG.fullmatch(body):
        return _Atom(None, None, loose)
    plain = _PLAIN.fullmatch(body)
    if plain is not None:
        return _plain_atom(plain, loose)
    masked = _MASKED.fullmatch(body)
    return None if masked is None else _masked_atom(masked, loose)


def _plain_atom(found: re.Match[str], loose: bool) -> _Atom | None:
    if found[1] == "-0000":
        return None
    year = int(found[1])
    month = int(found[2]) if found[2] else None
    day = int(found[3]) if found[3] else None
    season = None
    if month is None:
        first, last = f"{found[1]}-01-01", f"{found[1]}-12-31"
    elif month in _SEASON and day is None:
        # A season names no hemisphere: its year, and around the turn of the year the months next to it.
        season = (year, month)
        wide = month in (22, 24)
        first = f"{year - 1:04d}-12-01" if wide and year > 0 else f"{found[1]}-01-01"
        last = f"{year + 1:04d}-03-31" if wide and year < 9999 else f"{found[1]}-12-31"
    elif not 1 <= month <= 12 or (day is not None and not 1 <= day <= _days(year, month)):
        return None
    else:
        first = f"{found[1]}-{month:02d}-{day or 1:02d}"
        last = f"{found[1]}-{month:02d}-{day or _days(year, month):02d}"
    if year < 0:
        first = last = None  # type: ignore[assignment]
    return _Atom(first, last, loose, season)


def _masked_atom(found: re.Match[str], loose: bool) -> _Atom | None:
    year, month, day = found[1], found[2], found[3]
    if month == "XX" and day not in (None, "XX"):
        return None
    months = None if month in (None, "XX") else int(month)
    days = None if day in (None, "XX") else int(day)
    if months is not None and not 1 <= months <= 12:
        return None
    longest = 31 if months is None else _days(2000 if "X" in year else int(year), months)
    if days is not None and not 1 <= days <= longest:
        return None
    if "X" in year.rstrip("X") or year == "XXXX":  # digits missing in front: no year to hold on to
        return _Atom(None, None, loose)
    low, high = year.replace("X", "0"), year.replace("X", "9")
    last_month = months or 12
    last_day = days or _days(int(high), last_month)
    if days == 29 and months == 2:  # the first and last leap years of the span
        leap = [number for number in range(int(low), int(high) + 1) if _days(number, 2) == 29]
        if not leap:
            return None
        low, high = f"{leap[0]:04d}", f"{leap[-1]:04d}"
    return _Atom(f"{low}-{months or 1:02d}-{days or 1:02d}", f"{high}-{last_month:02d}-{last_day:02d}", loose)


class _Span(NamedTuple):
    first: str | None
    last: str | None
    loose_first: bool
    loose_last: bool


@lru_cache(maxsize=1 << 16)
def _span(text: str) -> _Span | None:
    """Bounds of any value of the format; None when it is no value of it."""
    atom = _atom(text)
    if atom is not None:
        return _Span(atom.first, atom.last, atom.loose, atom.loose)
    if "/" in text and text.count("/") == 1:
        return _interval(*text.split("/"))
    if len(text) > 2 and text[0] + text[-1] in ("[]", "{}"):
        return _set(text[1:-1])
    return _other(text)


def _interval(start: str, end: str) -> _Span | None:
    if not start and not end:
        return None
    ends = [_Atom(None, None, loose=False) if part in ("", "..") else _atom(part) for part in (start, end)]
    if ends[0] is None or ends[1] is None:
        return None
    a, b = ends[0], ends[1]
    backward = a.first is not None and b.last is not None and a.first > b.last
    if a.season and b.season and a.season > b.season:
        backward = True
    return None if backward else _Span(a.first, b.last, a.loose, b.loose)


def _set(inside: str) -> _Span | None:
    firsts: list[str | None] = []
    lasts: list[str | None] = []
    loose = False
    for part in (piece.strip() for piece in inside.split(",")):
        ends = part.split("..")
        if len(ends) > 2 or not any(ends):
            return None
        atoms = [_atom(end) if end else _Atom(None, None, loose=False) for end in ends]
        if any(atom is None for atom in atoms):
            return None
        known = [atom for atom in atoms if atom is not None]
        if len(known) == 2 and known[0].first and known[1].last and known[0].first > known[1].last:
            return None
        firsts.append(known[0].first)
        lasts.append(known[-1].last)
        loose = loose or any(atom.loose for atom in known)
    first = None if None in firsts else min(item for item in firsts if item)
    last = None if None in lasts else max(item for item in lasts if item)
    return _Span(first, last, loose, loose)


def _other(text: str) -> _Span | None:
    """Values of level 2 by the library that parses the standard: qualified parts, significant digits."""
    # Numbers and strokes alone are none of level 2, and a clerk's column is full of them.
    if not _LIKE.fullmatch(text) or not re.search(r"[?~%SEYX{\[]", text):
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it uses names of its parser that are on their way out
        from edtf import parse_edtf
        from edtf.parser.edtf_exceptions import EDTFParseException

        try:
            parse_edtf(text)
        except (EDTFParseException, ValueError, TypeError, AttributeError, RecursionError, OverflowError):
            return None
    significant = re.fullmatch(r"([0-9]{4})S([1-4])", text)
    if significant is not None:  # 1950S2: some year of 1900 to 1999
        kept = significant[1][: int(significant[2])]
        return _Span(f"{kept:0<4}-01-01", f"{kept:9<4}-12-31", False, False)
    bare = re.sub(r"[?~%]", "", text)
    plain = _span(bare) if bare != text and re.fullmatch(r"[-0-9X]+", bare) else None
    if re.fullmatch(r"[-0-9X]+", bare) and plain is None:
        return None  # the library takes 1900-02-29
    return _Span(None, None, True, True) if plain is None else _Span(plain.first, plain.last, True, True)


def is_edtf(text: str) -> bool:
    """Whether a text is a value of the Extended Date/Time Format.

    Examples
    --------
    >>> [is_edtf(text) for text in ("1985-04-12", "1984?", "20XX", "1985/..", "2016-02-30", "c 1960")]
    [True, True, True, True, False, False]
    """
    return text.isascii() and (_TIMED.fullmatch(text) is not None or _span(text) is not None)


def bounds(dates: pd.Series, about: float = 0.0) -> pd.DataFrame:
    """Return the first and last day each date may mean, as ISO days; missing where it is open or not known.

    Parameters
    ----------
    dates : Series of str
        Values of the format; anything else has no bounds.
    about : float
        Years by which a date that is approximate or uncertain is widened on both sides.

    Returns
    -------
    DataFrame
        ``earliest`` and ``latest`` on the index of `dates`. A year before 0000 or after 9999 has none.

    Examples
    --------
    >>> bounds(pd.Series(["2016-02", "19XX", "[1887,1888]"])).values.tolist()
    [['2016-02-01', '2016-02-29'], ['1900-01-01', '1999-12-31'], ['1887-01-01', '1888-12-31']]
    >>> bounds(pd.Series(["../1985", "1887~"]), about=2).values.tolist()
    [[<NA>, '1985-12-31'], ['1885-01-01', '1889-12-31']]
    """
    code, unique = pd.factorize(dates.astype(object))
    spans = [_span(str(text)) or _Span(None, None, False, False) for text in unique]
    first = [_moved(span.first, -about) if span.loose_first else span.first for span in spans]
    last = [_moved(span.last, about) if span.loose_last else span.last for span in spans]
    made = {
        name: pd.Series(pd.array(values, dtype="string").take(code, allow_fill=True), index=dates.index)
        for name, values in (("earliest", first), ("latest", last))
    }
    return pd.DataFrame(made, index=dates.index)


def _moved(day: str | None, by_years: float) -> str | None:
    if day is None or not by_years:
        return day
    year = min(9999, max(0, int(day[:4]) + round(by_years)))
    month, number = int(day[5:7]), int(day[8:10])
    return f"{year:04d}-{month:02d}-{min(number, _days(year, month)):02d}"


def years(dates: pd.Series, about: float = 0.0) -> pd.DataFrame:
    """Return the first and last year each date may mean, as integers; missing where open or not known.

    Examples
    --------
    >>> years(pd.Series(["188X", "[..1899]", None])).values.tolist()
    [[1880, 1889], [<NA>, 1899], [<NA>, <NA>]]
    """
    both = bounds(dates, about)
    return pd.DataFrame({name: both[name].str[:4].astype("Int64") for name in both}, index=dates.index)


# ---- in words ----------------------------------------------------------------------------------------------------

_MONTH_NAMES = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
                "November", "December")  # fmt: skip
_SEASON_NAMES = dict(enumerate(("spring", "summer", "autumn", "winter"), 21))
_SAID = re.compile(r"([0-9X]{4})(?:-([0-9]{2}|XX)(?:-([0-9]{2}|XX))?)?", re.ASCII)


def say_date(text: object) -> str:
    """Say a value of the Extended Date/Time Format in words, as they stand wherever a person reads.

    Parameters
    ----------
    text : str or missing

    Returns
    -------
    str
        Words that `parse_date` reads as the same days again; a value nobody would write in a ledger, and text that is
        no value of the format, as it is.

    Examples
    --------
    >>> for text in ("1944-21", "1840~", "[1931-03-04,1931-04-03]", "188X", "[..1860]", "1918-10?", "1901-05-04"):
    ...     print(say_date(text))
    spring 1944
    about 1840
    4 March or 3 April 1931
    1880s
    1860 or before
    October 1918?
    4 May 1901
    """
    return "" if text is None or text is pd.NA or text != text else _said(str(text).strip())


@lru_cache(maxsize=1 << 14)
def _said(body: str) -> str:
    if not body or _span(body) is None:
        timed = _TIMED.fullmatch(body)
        return body if timed is None else _said(timed[1])
    if body[0] + body[-1] in ("[]", "{}"):
        parts = [part.strip() for part in body[1:-1].split(",")]
        said = [_stretch(*part.split("..")) if ".." in part else _qualified(part) for part in parts]
        if len(said) == 2 and ".." not in body:
            said[0] = _shortened(parts[0], parts[1]) or said[0]
        joint = " or " if body[0] == "[" else " and "
        return said[0] if len(said) == 1 else joint.join([", ".join(said[:-1]), said[-1]])
    if "/" in body:
        return _stretch(*body.split("/"))
    return _qualified(body)


def _stretch(low: str, high: str) -> str:
    if low in ("", ".."):
        return f"{_qualified(high)} or before"
    if high in ("", ".."):
        return f"{_qualified(low)} or later"
    return f"between {_shortened(low, high) or _qualified(low)} and {_qualified(high)}"


def _shortened(one: str, two: str) -> str:
    """Say the first of two days of one month without the month, the first of two of one year without the year."""
    first, second = _PLAIN.fullmatch(one), _PLAIN.fullmatch(two)
    if first is None or second is None or first[1] != second[1] or one == two:
        return ""
    if first[3] and second[3]:
        if first[2] == second[2]:
            return str(int(first[3]))
        return f"{int(first[3])} {_MONTH_NAMES[int(first[2]) - 1]}"
    plain = bool(first[2] and second[2]) and not (first[3] or second[3]) and max(int(first[2]), int(second[2])) <= 12
    return _MONTH_NAMES[int(first[2]) - 1] if plain else ""


def _qualified(text: str) -> str:
    marks = {mark for mark in "?~%" if mark in text}
    plain = _one(re.sub(r"[?~%]", "", text))
    about = "about " if marks & {"~", "%"} else ""
    return f"{about}{plain}{'?' if marks & {'?', '%'} else ''}"


def _one(body: str) -> str:
    significant = re.fullmatch(r"([0-9]{4})S[1-4]", body)
    if significant is not None:
        span = _span(body)
        if span is not None and span.first and span.last:
            return f"between {span.first[:4]} and {span.last[:4]}"
    found = _SAID.fullmatch(body)
    if found is None:
        return body
    year, month, day = found[1], found[2], found[3]
    month, day = (None if part == "XX" else part for part in (month, day))
    if month is None:
        if re.fullmatch(r"[0-9]{2}0X", year):  # the 1800s would be a hundred years
            return f"between {year[:3]}0 and {year[:3]}9"
        if year.endswith("X"):
            return "an unknown year" if year == "XXXX" else year.replace("X", "0") + "s"
        return f"'{year[2:]}" if year.startswith("XX") else year
    name = _SEASON_NAMES[int(month)] if int(month) > 12 else _MONTH_NAMES[int(month) - 1]
    # As ledgers leave digits out; a day without a year has none.
    of = "" if year == "XXXX" else f"'{year[2:]}" if re.fullmatch(r"XX[0-9]{2}", year) else year.replace("X", "-")
    return " ".join(part for part in (str(int(day)) if day else "", name, of) if part)


@lru_cache(maxsize=1 << 14)
def say_years(edtf: str) -> str:
    """Say the years a value of the Extended Date/Time Format may mean, in few words.

    Examples
    --------
    >>> [say_years(text) for text in ("1850~", "1918-09-12", "188X", "[1887,1888]", "1850/1860", "[..1860]", "1902?")]
    ['about 1850', '1918', '1880s', '1887 or 1888', '1850 to 1860', '1860 or before', '1902?']
    """
    span = _span(edtf)
    first, last = (None, None) if span is None else (span.first and span.first[:4], span.last and span.last[:4])
    if first is None or last is None:
        return f"{last} or before" if last else f"{first} or later" if first else ""
    if first == last:
        return f"{'about ' if '~' in edtf or '%' in edtf else ''}{first}{'?' if '?' in edtf or '%' in edtf else ''}"
    season = re.fullmatch(r"([0-9]{4})-[0-9]{2}[?~%]?", edtf)
    if season is not None:
        return season[1]
    if int(last) - int(first) == 9 and first[3] == "0" and first[2] != "0":
        return f"{first}s"
    return f"{first} or {last}" if int(last) - int(first) == 1 else f"{first} to {last}"


# ---- the trade's phrasings ---------------------------------------------------------------------------------------

_MONTH_WORDS = (
    "january jan jany janv janvier januar jaenner janner enero ene",
    "february feb feby febr fevrier fevr februar febrero",
    "march mar mch mars maerz marz marzo mrz",
    "april apr apl avril avr abril abr",
    "may mai mayo",
    "june jun juin juni junio",
    "july jul juillet juil juli julio",
    "august aug augt aout agosto ago",
    "september sept sep septr sepr septembre septiembre setiembre",
    "october oct octr octobre oktober okt octubre",
    "november nov novr novembre noviembre",
    "december dec decr xber decembre dezember dez diciembre dic",
)
_MONTHS = {word: number for number, words in enumerate(_MONTH_WORDS, 1) for word in words.split()}
_SEASONS = {"spring": 21, "summer": 22, "autumn": 23, "fall": 23, "winter": 24}
_FEAST = re.compile(r"(christmas|xmas|new year'?s)[ -]day,?(?: of)? ([0-9]{4})")
_ORDINAL = r"([0-9]{1,2})(?:st|nd|rd|th|d)?"
_FRIENDS = (  # "3rd of 4th month 1820": days and months by number, as Friends wrote them
    (re.compile(rf"{_ORDINAL}(?: day)?(?: of(?: the)?|,)? {_ORDINAL} ?mo(?:nth|\.)?,? ([0-9]{{4}})"), "dmy"),
    (re.compile(rf"{_ORDINAL} ?mo(?:nth|\.)?,? {_ORDINAL}(?: day)?,? ([0-9]{{4}})"), "mdy"),
)
# Until 1752 the year began in March, and so did the numbers of months: Calendar (New Style) Act 1750, 24 Geo. 2 c. 23.
_NEW_STYLE = 1753
_UNKNOWN = frozenset(
    ("unknown", "unk", "unkn", "not known", "not stated", "not given", "no date", "n d", "nd", "none", "illegible",
     "?", "??", "???", "-", "--", "---", "n/a", "na", "undated", "date unknown", "nil")
)  # fmt: skip
_ABOUT = re.compile(
    r"(?:about|abt|circa|circ|ca|c|approximately|approx|around|estimated|est|say)(?:\.|\b|(?=[0-9]))\s*"
)
_MAYBE = re.compile(r"(?:possibly|poss|perhaps|probably|prob|maybe)(?:\.|\b)\s*")
_LEAD = re.compile(r"(?:died|born|buried|interred|bur|int|deceased|dec'd|on|in|the)(?:\.|\b)\s+|[bd](?:\.\s*|\s+)")
_WEEKDAY = re.compile(r"(?:mon|tues?|wed(?:nes)?|thur?s?|fri|sat(?:ur)?|sun)(?:day)?[.,]?\s+")
_NUMERIC = re.compile(
    r"(?<![0-9])([0-9]{1,2})\s*([./-])\s*([0-9]{1,2})\s*\2\s*([0-9]{4}|'?[0-9]{2})(?![0-9])", re.ASCII
)
_WORD = r"([a-z]{3,10})\.?"
_DAY = r"([0-9]{1,2})(?:st|nd|rd|th|\.)?"
_YEAR = r"([0-9]{4}|'?[0-9]{2}|[0-9]{3}[-x?_]|[0-9]{2}(?:--|xx|\?\?|__))"
_SURE = r"([0-9]{4}|'[0-9]{2}|[0-9]{3}[-x?_]|[0-9]{2}(?:--|xx|\?\?|__))"  # not a bare 14, which is a day
_FORMS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(rf"{_DAY}\s*(?:of\s+|-|/)?\s*{_WORD}\s*[-/,]?\s*(?:of\s+)?{_YEAR}"), "dmy"),
    (re.compile(rf"{_WORD}\s*[-/]?\s*{_DAY}(?:\s*[-/,]\s*|\s+)(?:of\s+)?{_YEAR}"), "mdy"),
    (re.compile(rf"{_SURE}\s*[-,/]?\s*{_WORD}\s*[-,/]?\s*{_DAY}"), "ymd"),
    (re.compile(rf"(?:--|\?\??|__)\s*{_WORD}\s*,?\s*{_SURE}"), "?my"),
    (re.compile(rf"{_WORD}\s*[-/,]?\s*(?:of\s+)?{_SURE}"), "my"),
    (re.compile(rf"{_SURE}\s*[-,/]?\s*{_WORD}"), "ym"),
    (re.compile(rf"{_DAY}\s*(?:of\s+|-|/)?\s*{_WORD}"), "dm"),
    (re.compile(rf"{_WORD}\s*{_DAY}"), "md"),
    (re.compile(_WORD), "m"),
)


def _prepared(text: str) -> str:
    """Small letters without accents, plain dashes, single blanks."""
    spread = unicodedata.normalize("NFKD", text)
    plain = "".join(c for c in spread if not unicodedata.combining(c)).casefold()
    plain = re.sub(r"[\u2010-\u2015\u2212]", "-", plain).replace("\u2019", "'").replace("\u2044", "/")
    return re.sub(r"(?<=[0-9])\.$", "", " ".join(plain.split()).strip(" ,;"))


def parse_date(text: str | None, order: Order = "") -> Reading:
    """Read one date as ledgers give it. Nothing is guessed: what is not understood stays open.

    Parameters
    ----------
    text : str or None
    order : Order
        From `column_order`, for numbers such as 3/4/1888. Without it such a date is one of two days.

    Examples
    --------
    >>> for text in ("abt 1887", "1887 or 1888", "between 1850 and 1860", "14 Feb", "18--", "Oct. 1918?"):
    ...     print(parse_date(text).edtf)
    1887~
    [1887,1888]
    [1850..1860]
    XXXX-02-14
    18XX
    1918-10?
    >>> parse_date("3/4/1888"), parse_date("3/4/1888", "day first")
    (Reading(edtf='[1888-03-04,1888-04-03]', how='either order'), Reading(edtf='1888-04-03', how='order of the column'))
    """
    if text is None or not text.strip():
        return Reading(None, "blank")
    plain = text.strip()
    if len(plain) > 120:
        return Reading(None, "not understood")
    if plain.isascii():
        timed = _TIMED.fullmatch(plain)
        if timed is not None and _atom(timed[1]) is not None:
            return Reading(timed[1], "as written")
        turn = re.fullmatch(r"([0-9]{2})([0-9]{2})-([0-9]{2})", plain)
        if turn is not None and int(turn[3]) in _SEASON and int(turn[3]) == int(turn[2]) + 1:
            return Reading(None, "two ways")  # 1921-22: two years, or a summer
        if _span(plain) is not None:
            return Reading(plain, "as written")
    said = _prepared(plain)
    if said.strip(" .()").replace(".", "") in _UNKNOWN or not said.strip(" .()"):
        return Reading(None, "unknown")
    return _phrase(said, order)


def _phrase(said: str, order: Order) -> Reading:
    """Read prepared words: what several dates are joined by, then what qualifies one of them."""
    joined = _joined(said, order)
    if joined is not None:
        return joined
    mark, said = _qualifier(said)
    if mark == "~":
        joined = _joined(said, order, mark)
        if joined is not None:
            return joined
    value, how = _single(said, order)
    if value is None:
        return Reading(None, how)
    if mark:
        # A set or a span cannot carry a qualifier: the text stays open and as it is.
        return Reading(value + mark, how) if _atom(value) is not None else Reading(None, "not understood")
    return Reading(value, how)


def _qualifier(said: str) -> tuple[str, str]:
    about = doubt = False
    while True:
        before = said
        said = _LEAD.sub("", said, count=1) if _LEAD.match(said) else said
        said = _WEEKDAY.sub("", said, count=1) if _WEEKDAY.match(said) else said
        for pattern, kind in ((_ABOUT, "about"), (_MAYBE, "doubt")):
            found = pattern.match(said)
            if found is not None and re.match(r"[^.,]", said[found.end() :] or "."):
                said = said[found.end() :]
                about, doubt = about or kind == "about", doubt or kind == "doubt"
        tail = re.search(r"\s*(?:\(\s*\?\s*\)|\bor so|\(?(?:approx|about|abt|circa)\.?\)?)$", said)
        if tail is not None:
            doubt, about = doubt or "?" in tail[0], about or "?" not in tail[0]
            said = said[: tail.start()]
        elif said.endswith("?") and not re.search(r"[0-9]{2}\?\?$|(?<![0-9])[0-9]{3}\?$", said):
            said, doubt = said[:-1], True
        said = said.strip(" ,;")
        if said == before:
            break
    return ("%" if about and doubt else "~" if about else "?" if doubt else ""), said


def _joined(said: str, order: Order, mark: str = "") -> Reading | None:
    """Read phrases of two dates, or one and a direction."""
    found = re.fullmatch(r"(before|bef\.?|prior to|by|until|till|after|aft\.?|since|from)\s+(.+)", said)
    if found is not None and not re.search(r"\s(?:to|until|till|or|and)\s", found[2]):
        return _directed(found[1].rstrip("."), found[2], order)
    said = re.sub(r"^([a-z]{3,10}\.?)\s+([0-9]{1,2}\s*[/-]\s*[0-9]{1,2}),?\s+([0-9]{4})$", r"\2 \1 \3", said)
    found = re.fullmatch(r"(.+?)\s+or\s+(before|earlier|after|later)", said)
    if found is not None:
        mark_own, rest = _qualifier(found[1])
        value, _ = _single(rest, order)
        if value is None or _atom(value) is None:
            return Reading(None, "not understood")
        early, doubt = found[2] in ("before", "earlier"), mark_own or mark
        if doubt:
            return _checked(f"../{value}{doubt}" if early else f"{value}{doubt}/..")
        return _checked(f"[..{value}]" if early else f"[{value}..]")
    for pattern, make in _JOINTS:
        found = pattern.fullmatch(said)
        if found is None:
            continue
        one, two = found[1].strip(), found[2].strip()
        if re.fullmatch(r"[0-9]{1,2}", two) and re.fullmatch(r".*?([0-9]{4})", one):
            two = one[-4:][: 4 - len(two)] + two  # 1887 or 88
        elif re.fullmatch(r"[a-z]{3,10}\.?|[0-9]{1,2}(?:st|nd|rd|th)?(?:\s+[a-z]{3,10}\.?)?", one):
            tail = re.search(r"(?:\s[a-z]{3,10}\.?)?,?\s[0-9]{4}$", two)
            if tail is not None and not (re.search(r"[a-z]", one) and re.search(r"[a-z]{3}", tail[0])):
                one += tail[0]  # 3 or 4 May 1887; March or April 1887
            elif tail is not None:
                one += two[-5:]
        marks = []
        values = []
        for part in (one, two):
            own, rest = _qualifier(part)
            value, _ = _single(rest, order)
            if value is None or _atom(value) is None:
                return Reading(None, "not understood")
            values.append(value)
            marks.append(own or mark)
        if marks[0] == "~" and not marks[1]:
            marks[1] = "~"  # "about" in front is said of both
        return _checked(make(values, marks))
    return None


def _set_of(values: list[str], marks: list[str]) -> str:
    if any(marks):
        return f"{values[0]}{marks[0]}/{values[1]}{marks[1]}"
    return f"[{values[0]},{values[1]}]"


def _span_of(values: list[str], marks: list[str]) -> str:
    if any(marks):
        return f"{values[0]}{marks[0]}/{values[1]}{marks[1]}"
    return f"[{values[0]}..{values[1]}]"


def _lasting(values: list[str], marks: list[str]) -> str:
    return f"{values[0]}{marks[0]}/{values[1]}{marks[1]}"


_JOINTS: tuple[tuple[re.Pattern[str], Callable[[list[str], list[str]], str]], ...] = (
    (re.compile(r"(?:between|betw?\.?|btw\.?)\s+(.+?)\s*(?:\band\b|&|-)\s*(.+)"), _span_of),
    (re.compile(r"from\s+(.+?)\s+(?:to|until|till)\s+(.+)"), _lasting),
    (re.compile(r"(?:either\s+)?(.+?)\s+or\s+(?!so\b)(.+)"), _set_of),
    (re.compile(r"([0-9]{1,2})\s*/\s*([0-9]{1,2}\s+[a-z]{3,10}\.?,?\s[0-9]{4})"), _set_of),
    (re.compile(r"([0-9]{1,2})\s*-\s*([0-9]{1,2}\s+[a-z]{3,10}\.?,?\s[0-9]{4})"), _span_of),
    (re.compile(r"([0-9]{4})/([0-9]{2}|[0-9]{1})"), _set_of),
    (re.compile(r"([0-9]{4})\s*(?:-|\bto\b)\s*([0-9]{4}|[0-9]{2})"), _span_of),
    (re.compile(r"(.{4,}?)\s+(?:-|to)\s+(.{4,})"), _span_of),
)


def _directed(word: str, rest: str, order: Order) -> Reading:
    mark, rest = _qualifier(rest)
    value, _ = _single(rest, order)
    atom = None if value is None else _atom(value)
    if value is None or atom is None or atom.first is None or atom.last is None:
        return Reading(None, "not understood")
    early = word in ("before", "bef", "prior to", "by", "until", "till")
    if mark:
        return _checked(f"../{value}{mark}" if early else f"{value}{mark}/..")
    if word in ("by", "until", "till"):
        return _checked(f"[..{value}]")
    if word in ("since", "from"):
        return _checked(f"[{value}..]")
    try:
        edge = date.fromisoformat(atom.first if early else atom.last)
        beyond = edge + timedelta(days=-1 if early else 1)
    except (ValueError, OverflowError):  # the years 0000 and 9999 have nothing beyond them
        return Reading(None, "not understood")
    text = f"{beyond.year:04d}-{beyond.month:02d}-{beyond.day:02d}"
    text = text[: {4: 4, 7: 7}.get(len(value), 10)] if "X" not in value else text
    return _checked(f"[..{text}]" if early else f"[{text}..]")


def _checked(text: str) -> Reading:
    return Reading(text, "from words") if _span(text) is not None else Reading(None, "not understood")


def _single(said: str, order: Order) -> tuple[str | None, str]:
    """Read one date without a qualifier."""
    none: tuple[str | None, str] = (None, "not understood")
    if not said:
        return none
    century = re.fullmatch(r"([0-9]{2})(?:--|xx|\?\?|__|\.\.|00s|00's)", said)
    if century is not None:
        return f"{century[1]}XX", "from words"
    decade = re.fullmatch(r"(?:the\s+)?([0-9]{3})(?:[-x?_]|0'?s)", said)
    if decade is not None:
        return f"{decade[1]}X", "from words"
    named = re.fullmatch(r"([0-9]{1,2})(?:st|nd|rd|th) (?:century|cent\.?|c\.)", said)
    if named is not None and 1 < int(named[1]) <= 99:
        hundred = int(named[1]) - 1
        return f"[{hundred:02d}01..{hundred + 1:02d}00]", "from words"
    if re.fullmatch(r"[0-9]{4}", said):
        return said, "from words"
    ymd = re.fullmatch(r"([0-9]{4})\s*[./-]\s*([0-9]{1,2})\s*[./-]\s*([0-9]{1,2})", said)
    if ymd is not None:
        return _made(ymd[1], int(ymd[2]), int(ymd[3]))
    numeric = _NUMERIC.fullmatch(said)
    if numeric is not None:
        return _numbers(int(numeric[1]), int(numeric[3]), _full_year(numeric[4]), order)
    month_year = re.fullmatch(r"([0-9]{1,2})\s*[./]\s*([0-9]{4})", said)
    if month_year is not None:
        return _made(month_year[2], int(month_year[1]), None)
    feast = _FEAST.fullmatch(said)
    if feast is not None:
        return _made(feast[2], *((1, 1) if feast[1].startswith("new") else (12, 25)))
    for pattern, parts in _FRIENDS:
        friends = pattern.fullmatch(said)
        if friends is not None and int(friends[3]) >= _NEW_STYLE:
            number = dict(zip(parts, friends.groups(), strict=True))
            return _made(number["y"], int(number["m"]), int(number["d"]))
    season = re.fullmatch(r"(?:the )?(spring|summer|autumn|fall|winter)(?: of)?,? ([0-9]{4})", said)
    if season is not None:
        return f"{season[2]}-{_SEASONS[season[1]]}", "from words"
    season = re.fullmatch(r"([0-9]{4}),? (spring|summer|autumn|fall|winter)", said)
    if season is not None:
        return f"{season[1]}-{_SEASONS[season[2]]}", "from words"
    double = re.fullmatch(r"(.+?)\s*([0-9]{2})([0-9]{2})/([0-9]{1,2})", said)
    if double is not None and re.search(r"[a-z]{3}", double[1]):
        return _double_dated(double, order)
    for pattern, parts in _FORMS:
        found = pattern.fullmatch(said)
        if found is None:
            continue
        part = dict(zip(parts.replace("?", ""), found.groups(), strict=True))
        month = _MONTHS.get(part["m"])
        if month is None:
            continue
        year = _full_year(part["y"]) if "y" in part else "XXXX"
        if "?" in parts:
            return f"{year}-{month:02d}-XX", "from words"
        return _made(year, month, int(part["d"]) if "d" in part else None)
    return none


def _double_dated(found: re.Match[str], order: Order) -> tuple[str | None, str]:
    """Read 11 Feb 1731/2, when the year began in March: one of two years."""
    first = int(found[2] + found[3])
    second = int((found[2] + found[3])[: 4 - len(found[4])] + found[4])
    if second != first + 1:
        return None, "not understood"
    one, _ = _single(f"{found[1]} {first:04d}", order)
    two, _ = _single(f"{found[1]} {second:04d}", order)
    if one is None or two is None or _atom(one) is None or _atom(two) is None:
        return None, "not understood"
    return f"[{one},{two}]", "from words"


def _full_year(text: str) -> str:
    bare = text.lstrip("'")
    if len(bare) == 2:
        return f"XX{bare}"  # the century is not said
    return re.sub(r"[-x?_]", "X", bare)


def _made(year: str, month: int, day: int | None) -> tuple[str | None, str]:
    text = f"{year}-{month:02d}" + ("" if day is None else f"-{day:02d}")
    if 1 <= month <= 12 and _atom(text) is not None:
        return text, "from words"
    # A month and a day in digits or words, and no calendar has that day.
    return None, "no such day" if 1 <= month <= 12 and day is not None and re.fullmatch(r"[0-9]{4}", year) else _STRANGE


def _numbers(one: int, two: int, year: str, order: Order) -> tuple[str | None, str]:
    """Read two numbers and a year: the order is known, only one is possible, or it is one of two days."""
    as_day, _ = _made(year, two, one)
    as_month, _ = _made(year, one, two)
    if as_day is None and as_month is None:
        return None, "no such day" if one <= 31 and two <= 31 and min(one, two) <= 12 else _STRANGE
    if as_day is None or as_month is None or as_day == as_month:
        return as_day or as_month, "from words"
    if order:
        return (as_day if order == "day first" else as_month), "order of the column"
    early, late = sorted((as_day, as_month))
    return f"[{early},{late}]", "either order"


def column_order(texts: Iterable[str | None]) -> tuple[Order, str]:
    """Find whether a column writes the day or the month first: from the dates that allow one order only.

    A day that no calendar has shows nothing.

    Returns
    -------
    order : Order
    evidence : str

    Examples
    --------
    >>> column_order(["3/4/1888", "17/3/1888"])
    ('day first', "'17/3/1888' has no 17th month")
    >>> column_order(["3/4/1888", "17/3/1888", "3/17/1888"])
    ('', "both orders occur: '17/3/1888' and '3/17/1888'")
    """
    days: list[str] = []
    months: list[str] = []
    for text in texts:
        if not isinstance(text, str) or len(text) > 60:
            continue
        found = _NUMERIC.search(_prepared(text))
        if found is None:
            continue
        one, two = int(found[1]), int(found[3])
        year = _full_year(found[4])
        if 12 < one <= 31 and _made(year, two, one)[0] is not None:
            days.append(text)
        elif 12 < two <= 31 and _made(year, one, two)[0] is not None:
            months.append(text)
    if days and months:
        return "", f"both orders occur: {days[0]!r} and {months[0]!r}"
    if days or months:
        example = (days or months)[0]
        found = _NUMERIC.search(_prepared(example))
        number = int(found[1 if days else 3]) if found is not None else 0
        suffix = "th" if number % 10 not in (1, 2, 3) or number in (11, 12, 13) else ("st", "nd", "rd")[number % 10 - 1]
        return ("day first" if days else "month first"), f"{example!r} has no {number}{suffix} month"
    return "", "no date of the column shows the order"


def read_dates(texts: pd.Series) -> Dates:
    """Read a column of dates, day and month in the order the whole column shows.

    Parameters
    ----------
    texts : Series of str

    Returns
    -------
    Dates

    Examples
    --------
    >>> read_dates(pd.Series(["17/3/1888", "4/3/1888", "n.d.", "after the flood"])).date.tolist()
    ['1888-03-17', '1888-03-04', <NA>, <NA>]
    """
    code, unique = pd.factorize(texts.astype(object))
    words = [str(text) for text in unique]
    order, evidence = column_order(words)
    read = [parse_date(text, order) for text in words]
    date_of = pd.array([item.edtf for item in read], dtype="string")
    how_of = pd.array([*(item.how for item in read), "blank"], dtype="string")
    return Dates(
        pd.Series(date_of.take(code, allow_fill=True), index=texts.index),
        pd.Series(how_of.take(np.where(code < 0, len(read), code)), index=texts.index),
        order,
        evidence,
    )


# ---- ages --------------------------------------------------------------------------------------------------------

_UNITS: dict[str, str] = {
    **dict.fromkeys(("y", "yr", "yrs", "year", "years", "ys", "a", "an", "ans", "jahre"), "year"),
    **dict.fromkeys(("m", "mo", "mos", "mth", "mths", "mon", "month", "months", "ms"), "month"),
    **dict.fromkeys(("w", "wk", "wks", "week", "weeks"), "week"),
    **dict.fromkeys(("d", "da", "ds", "dy", "dys", "day", "days"), "day"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "min", "mins", "minutes"), "hour"),
}
_UNIT_ORDER = ("year", "month", "week", "day", "hour")
_AGE_PART = re.compile(r"([0-9]{1,5})\s*([a-z]+)\.?[\s,&]*(?:and\s+)?")


def parse_age(text: str | None) -> Age | None:
    """Read an age at death; None when it is none.

    Examples
    --------
    >>> parse_age("aged 3 y 4 m")
    Age(years=3, months=4, days=0, unit='month', about=False)
    >>> parse_age("in her 33rd year").years, parse_age("71-7-9").days, parse_age("adult")
    (32, 9, None)
    """
    if text is None or len(text) > 80:
        return None
    said = _prepared(text)
    said = re.sub(r"^(?:aged|age|ae|aet|aetatis|aetat)\b[.:]?\s*", "", said)
    about = False
    found = _ABOUT.match(said)
    if found is not None:
        about, said = True, said[found.end() :]
    if re.fullmatch(r"still\s?-?\s?born|sb|s\.b\.", said):
        return Age(0, 0, 0, "day", about)
    running = re.fullmatch(r"in (?:his|her|the|their) ([0-9]{1,3})(?:st|nd|rd|th) year", said)
    if running is not None and int(running[1]) >= 1:
        return _age(int(running[1]) - 1, 0, 0, "year", about)
    if re.fullmatch(r"[0-9]{1,3}", said):
        return _age(int(said), 0, 0, "year", about)
    dashed = re.fullmatch(r"([0-9]{1,3})-([0-9]{1,2})-([0-9]{1,2})", said)
    if dashed is not None:
        return _age(int(dashed[1]), int(dashed[2]), int(dashed[3]), "day", about)
    given: dict[str, int] = {}
    at = 0
    while at < len(said):
        part = _AGE_PART.match(said, at)
        unit = _UNITS.get(part[2]) if part is not None else None
        if part is None or unit is None or unit in given:
            return None
        given[unit] = int(part[1])
        at = part.end()
    if not given:
        return None
    unit = _UNIT_ORDER[max(_UNIT_ORDER.index(name) for name in given)]
    days = given.get("day", 0) + 7 * given.get("week", 0)
    if unit == "hour":
        # so many hours may reach back into the day before
        days, unit = days + given["hour"] // 24, "day"
    return _age(given.get("year", 0), given.get("month", 0), days, unit, about)


def _age(years_old: int, months: int, days: int, unit: str, about: bool) -> Age | None:
    """Make an age; nobody grew older than 130 (assumption, no source)."""
    oldest = 130
    if years_old + months / 12 + days / 365 > oldest:
        return None
    return Age(years_old, months, days, unit, about)


def _back(day: date, years_old: int, months: int, days: int) -> tuple[date, date]:
    """Go back by calendar units, both ways clerks did it: years and months first, or days first."""

    def months_back(start: date) -> date:
        count = start.year * 12 + start.month - 1 - years_old * 12 - months
        year, month = divmod(count, 12)
        return date(year, month + 1, min(start.day, _days(year, month + 1)))

    one = months_back(day) - timedelta(days=days)
    two = months_back(day - timedelta(days=days))
    return min(one, two), max(one, two)


def birth_range(died: str | None, age: Age | None) -> str | None:
    """Return when someone was born who died at that age: a range of days, as wide as both leave it.

    Parameters
    ----------
    died : str or None
        A value of the format.
    age : Age or None

    Returns
    -------
    str or None
        ``[first..last]``; with an approximate age or death the years alone, ``first~/last~``.

    Examples
    --------
    >>> birth_range("1889-05-06", parse_age("71 y 7 m 9 d")), birth_range("1902", parse_age("aged 3 y 4 m"))
    ('1817-09-27', '[1898-08-02..1899-08-31]')
    """
    span = None if died is None else _span(died)
    if span is None or age is None or span.first is None or span.last is None:
        return None
    wider = {"year": (1, 0, 0), "month": (0, 1, 0), "week": (0, 0, 7), "day": (0, 0, 1)}[age.unit]
    try:
        low, _ = _back(date.fromisoformat(span.first), *(a + b for a, b in zip(age[:3], wider, strict=True)))
        _, high = _back(date.fromisoformat(span.last), *age[:3])
        low += timedelta(days=1)
    except (ValueError, OverflowError):
        return None
    low = min(low, high)
    if age.about or span.loose_first or span.loose_last:
        return f"{low.year:04d}~" if low.year == high.year else f"{low.year:04d}~/{high.year:04d}~"
    return low.isoformat() if low == high else f"[{low.isoformat()}..{high.isoformat()}]"
