"""Dates: the published examples of the format, the trade's phrasings, and that nothing is ever invented."""

from __future__ import annotations

import calendar
import itertools
import re
import warnings
from datetime import date, timedelta

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cemgis.dates import (
    birth_range,
    bounds,
    column_order,
    is_edtf,
    parse_age,
    parse_date,
    read_dates,
    say_date,
    years,
)  # fmt: skip

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # names of its parser that are on their way out
    from edtf import parse_edtf

# Library of Congress, Extended Date/Time Format specification (4 February 2019): examples of level 0 and 1.
LEVEL_0 = [
    "1985-04-12", "1904-02-29", "1985-04", "1985", "1964/2008", "2004-06/2006-08", "2004-02-01/2005-02-08",
    "2004-02-01/2005", "2005/2006-02",
]  # fmt: skip
TIMED = ["1985-04-12T23:20:30", "1985-04-12T23:20:30Z", "1985-04-12T23:20:30-04", "1985-04-12T23:20:30+04:30"]
LEVEL_1 = [
    "Y170000002", "Y-170000002", "2001-21", "2001-22", "2001-23", "2001-24", "1984?", "2004-06~", "2004-06-11%", "201X",
    "20XX", "2004-XX", "1985-04-XX", "1985-XX-XX", "1985-04-12/..", "../1985", "1985/", "/1985-04", "-1985",
]  # fmt: skip
# Its invalid examples, and those that a free text helper would take for dates.
INVALID = [
    "-0000", "12345", "2016-13", "2016-00", "2016-02-30", "2016-04-31", "Y9999", "1960-06-31", "20067890%", "c 1960",
    "Dec. 1970", "2012-24/2012-21", "1900-02-29", "2008/1964", "", "١٩٨٥", "1985-4-1", "[1887", "1887,1888", "X985",
]  # fmt: skip


@pytest.mark.parametrize("text", [*LEVEL_0, *LEVEL_1])
def test_published_values_are_kept_as_they_are(text):
    assert is_edtf(text)
    assert parse_date(text) == (text, "as written")


@pytest.mark.parametrize("text", TIMED)
def test_of_a_date_with_a_time_the_date_is_kept(text):
    assert is_edtf(text)
    assert parse_date(text).edtf == "1985-04-12"


@pytest.mark.parametrize("text", INVALID)
def test_what_the_standard_calls_invalid_is_no_value(text):
    assert not is_edtf(text) or text == "X985"
    assert bounds(pd.Series([text])).isna().all(axis=None)


# Published bounds (2016-02, 19XX, 1950S2), the calendar, and the meaning of an open and an unknown end.
BOUNDS = [
    ("2016-02", "2016-02-01", "2016-02-29"), ("19XX", "1900-01-01", "1999-12-31"), ("1985", "1985-01-01", "1985-12-31"),
    ("1950S2", "1900-01-01", "1999-12-31"), ("201X", "2010-01-01", "2019-12-31"),
    ("1985-04-XX", "1985-04-01", "1985-04-30"), ("1985-XX-XX", "1985-01-01", "1985-12-31"),
    ("1964/2008", "1964-01-01", "2008-12-31"), ("1985-04-12/..", "1985-04-12", None), ("../1985", None, "1985-12-31"),
    ("/1985-04", None, "1985-04-30"), ("1985/", "1985-01-01", None), ("[1887,1888]", "1887-01-01", "1888-12-31"),
    ("[1850..1860]", "1850-01-01", "1860-12-31"), ("[..1899]", None, "1899-12-31"), ("[1901..]", "1901-01-01", None),
    ("XXXX-02-14", None, None), ("-1985", None, None), ("Y170000002", None, None), ("188X-02-29", "1880-02-29",
    "1888-02-29"),
    ("2004?-06", "2004-06-01", "2004-06-30"), ("1984~", "1984-01-01", "1984-12-31"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "first", "last"), BOUNDS)
def test_bounds(text, first, last):
    found = bounds(pd.Series([text])).iloc[0]
    assert [None if pd.isna(value) else value for value in found] == [first, last]


@pytest.mark.parametrize(
    "text",
    [text for text in (*LEVEL_0, *LEVEL_1) if text[0] not in "Y-" and ".." not in text and text.strip("/") == text],
)
def test_bounds_hold_those_of_the_library(text):
    """The library is the oracle; a season is wider here, as it names no hemisphere."""
    oracle = parse_edtf(text)
    low, high = (f"{t[0]:04d}-{t[1]:02d}-{t[2]:02d}" for t in (oracle.lower_strict(), oracle.upper_strict()))
    found = bounds(pd.Series([text])).iloc[0]
    if re.search(r"-2[1-4]$", text):
        assert found["earliest"] <= low
        assert found["latest"] >= high
    else:
        assert list(found) == [low, high]


def test_about_widens_only_what_is_approximate_or_uncertain():
    found = bounds(pd.Series(["1887~", "1887?", "1887", "1887~/1890", "2004-02-29%"]), about=2)
    assert found.to_numpy().tolist() == [
        ["1885-01-01", "1889-12-31"], ["1885-01-01", "1889-12-31"], ["1887-01-01", "1887-12-31"],
        ["1885-01-01", "1890-12-31"], ["2002-02-28", "2006-02-28"],
    ]  # fmt: skip
    assert years(pd.Series(["abt 1887", None])).isna().all(axis=None)


PHRASES = [
    ("4 Mch 1877", "1877-03-04"), ("d. 2 Feby 1877", "1877-02-02"), ("Decr 4th 1861", "1861-12-04"),
    ("Apl 3 1840", "1840-04-03"), ("Septr 1866", "1866-09"), ("3-4 May 1880", "[1880-05-03..1880-05-04]"),
    ("Mar 3/4 1888", "[1888-03-03,1888-03-04]"),
    ("Christmas Day 1880", "1880-12-25"),
    ("the 3rd of 4th month 1820", "1820-04-03"), ("4th mo. 13th, 1820", "1820-04-13"),
    ("abt 1887", "1887~"), ("about 1887", "1887~"), ("c. 1887", "1887~"), ("c1887", "1887~"), ("ca. 1887", "1887~"),
    ("circa 1887", "1887~"), ("1887 or so", "1887~"), ("abt. Mar 1887", "1887-03~"), ("1887?", "1887?"),
    ("Oct. 1918?", "1918-10?"), ("probably 1887", "1887?"), ("abt 1887?", "1887%"), ("1887 (?)", "1887?"),
    ("1887 or 1888", "[1887,1888]"), ("1887 or 88", "[1887,1888]"), ("either 1887 or 1890", "[1887,1890]"),
    ("3 or 4 May 1887", "[1887-05-03,1887-05-04]"), ("March or April 1887", "[1887-03,1887-04]"),
    ("about 1887 or 1888", "1887~/1888~"), ("between 1850 and 1860", "[1850..1860]"),
    ("bet. 1850 & 1860", "[1850..1860]"), ("1850-1860", "[1850..1860]"), ("1850-60", "[1850..1860]"),
    ("1850–1860", "[1850..1860]"), ("from 1850 to 1860", "1850/1860"), ("1 May 1887 - 3 June 1887",
    "[1887-05-01..1887-06-03]"),
    ("before 1900", "[..1899]"), ("bef. 17 Mar 1888", "[..1888-03-16]"), ("by 1900", "[..1900]"), ("after 1900",
    "[1901..]"),
    ("aft. Dec 1888", "[1889-01..]"), ("since 1900", "[1900..]"), ("before about 1890", "../1890~"),
    ("Spring 1902", "1902-21"), ("summer of 1902", "1902-22"), ("Fall 1902", "1902-23"), ("1902, winter", "1902-24"),
    ("14 Feb", "XXXX-02-14"), ("Feb 14", "XXXX-02-14"), ("Feb.", "XXXX-02"), ("18--", "18XX"), ("18??", "18XX"),
    ("188-", "188X"), ("1880s", "188X"), ("14 Feb 18--", "18XX-02-14"), ("-- Feb 1888", "1888-02-XX"),
    ("17 Mar 1888", "1888-03-17"), ("Mar. 17, 1888", "1888-03-17"), ("March 17th, 1888", "1888-03-17"),
    ("the 17th of March, 1888", "1888-03-17"), ("17-Mar-1888", "1888-03-17"), ("1888 Mar 17", "1888-03-17"),
    ("Saturday, 17 March 1888", "1888-03-17"), ("d. 17 Mar 1888", "1888-03-17"), ("buried 1888", "1888"), ("1888.",
    "1888"),
    ("1888-3-7", "1888-03-07"), ("1888/03/17", "1888-03-17"), ("03/1888", "1888-03"), ("3/17/1888", "1888-03-17"),
    ("17/3/1888", "1888-03-17"), ("17.3.1888", "1888-03-17"), ("3/3/1888", "1888-03-03"), ("3/17/88", "XX88-03-17"),
    ("17 Mar 88", "XX88-03-17"), ("11 Feb 1731/2", "[1731-02-11,1732-02-11]"), ("1887/88", "[1887,1888]"),
    ("17 März 1888", "1888-03-17"), ("17 août 1888", "1888-08-17"), ("19th century", "[1801..1900]"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "value"), PHRASES)
def test_the_trades_phrasings(text, value):
    found = parse_date(text)
    assert found.edtf == value
    assert is_edtf(value)
    assert text == value or found.how in ("from words", "as written")


@pytest.mark.parametrize("text", ["unknown", "n.d.", "?", "--", "not stated", "unk."])
def test_said_to_be_unknown(text):
    assert parse_date(text) == (None, "unknown")


@pytest.mark.parametrize(
    "text",
    ["31 Feb 1888", "2016-02-30", "32/1/1888", "13/13/1888", "the year of the flood", "Easter 1902", "early 1880s",
     "88",
     "between 1850", "1887 or", "aged 44", "1 May 1887 or the day after", "Mar 88", "1735/9x", "0/0/1888",
     "May 1888 twice",
     "before the war", "1" * 500, "10000 BC", "[1887..]x", "about about", "29 Feb 1900",
     "3d 4th mo. 1740", "late Oct 1918"],
)  # fmt: skip
def test_what_is_not_understood_stays_open(text):
    assert parse_date(text) in ((None, "not understood"), (None, "no such day"))


def test_two_years_or_a_season_is_not_guessed():
    assert parse_date("1921-22") == (None, "two ways")
    assert parse_date("1921-24").edtf == "1921-24"
    assert parse_date("1926-27").edtf == "[1926..1927]"


def test_day_and_month_by_the_evidence_of_the_whole_column():
    day_first = read_dates(pd.Series(["3/4/1888", "17/3/1888", None, "1888"]))
    assert day_first.order == "day first"
    assert day_first.date.fillna("").tolist() == ["1888-04-03", "1888-03-17", "", "1888"]
    assert day_first.how.tolist() == ["order of the column", "from words", "blank", "as written"]
    assert read_dates(pd.Series(["3/4/1888", "3/17/1888"])).date.tolist() == ["1888-03-04", "1888-03-17"]
    for texts in (["3/4/1888"], ["3/4/1888", "17/3/1888", "3/17/1888"]):
        found = read_dates(pd.Series(texts))
        assert found.order == ""
        assert found.date.iloc[0] == "[1888-03-04,1888-04-03]"
        assert found.how.iloc[0] == "either order"
    assert "both orders occur" in column_order(["17/3/1888", "3/17/1888"])[1]


def test_no_date_that_is_read_falls_outside_what_was_written():
    """All days of two years, in every order that is understood."""
    day = date(1887, 12, 25)
    while day.year < 1889:
        month = calendar.month_name[day.month]
        for text in (f"{day.day} {month} {day.year}", f"{month[:3]}. {day.day}, {day.year}", day.isoformat(),
                     f"{day.year}/{day.month}/{day.day}"):  # fmt: skip
            assert parse_date(text).edtf == day.isoformat()
        assert parse_date(f"{day.day}/{day.month}/{day.year}", "day first").edtf == day.isoformat()
        assert parse_date(f"{day.month}/{day.day}/{day.year}", "month first").edtf == day.isoformat()
        span = bounds(pd.Series([parse_date(f"{day.day}/{day.month}/{day.year}").edtf])).iloc[0]
        assert span["earliest"] <= day.isoformat() <= span["latest"]
        day += timedelta(days=1)


WORDS = st.sampled_from(
    ["abt", "1887", "or", "between", "and", "Feb", "3", "?", "/", "-", "17", "18--", "before", "spring", "~", "[",
     "..", "X",
     "1888", "to", "c.", ",", "of", "88", "'88", "T", "\u2013", "\x00", "è"]
)  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(
    st.one_of(st.text(max_size=40), st.lists(WORDS, max_size=7).map(" ".join), st.lists(WORDS, max_size=6).map("".join))
)
@example("0000-24")
@example("9999-22")
@example("before 0000")
@example("after 9999")
@example("29 Feb 18--")
def test_whatever_is_written_is_read_without_an_error_or_kept(text):
    found = parse_date(text)
    assert (found.edtf is None) == (found.how in ("blank", "unknown", "two ways", "not understood"))
    if found.edtf is not None:
        assert is_edtf(found.edtf)
        span = bounds(pd.Series([found.edtf])).iloc[0]
        assert pd.isna(span).any() or span["earliest"] <= span["latest"]
        # every number of four digits in it was written, or lies one beside it (before, after, 1887 or 88)
        written = {int(number) for number in re.findall(r"\d{4}", text)}
        for number in re.findall(r"(?<!\d)\d{4}(?!\d)", found.edtf):
            near = {int(number) + off for off in (-1, 0, 1)}
            assert (
                near & written
                or re.search(rf"\d{{2}}.*{number[-2:]}", text)
                or "cent" in text
                or "c." in text
                or "/" in text
            )


AGES = [
    ("aged 3 y 4 m", (3, 4, 0, "month")), ("72", (72, 0, 0, "year")), ("72 yrs 3 mos 2 dys", (72, 3, 2, "day")),
    ("3 wks", (0, 0, 21, "week")), ("5 hours", (0, 0, 0, "day")), ("stillborn", (0, 0, 0, "day")), ("3y4m12d",
    (3, 4, 12, "day")),
    ("in her 33rd year", (32, 0, 0, "year")), ("71-7-9", (71, 7, 9, "day")), ("aet. 44", (44, 0, 0, "year")),
    ("2 years and 3 months", (2, 3, 0, "month")), ("14 mo.", (0, 14, 0, "month")),
]  # fmt: skip


@pytest.mark.parametrize(("text", "age"), AGES)
def test_ages(text, age):
    assert parse_age(text)[:4] == age


@pytest.mark.parametrize("text", ["adult", "infant", "1 1/2 y", "3 y 4 y", "999", "", None, "y", "3 moons", "of age"])
def test_no_age(text):
    assert parse_age(text) is None


def test_an_age_with_a_death_gives_when_the_birth_can_have_been():
    # 8870 formula's example, from memory: died 6 May 1889 aged 71 y 7 m 9 d, born 27 September 1817
    assert birth_range("1889-05-06", parse_age("71 y 7 m 9 d")) == "1817-09-27"
    assert birth_range("1918-10-05", parse_age("aged 3 y 4 m")) == "[1915-05-06..1915-06-05]"
    assert birth_range("1918", parse_age("3")) == "[1914-01-02..1915-12-31]"
    assert birth_range("1918-10-05", parse_age("abt 70")) == "1847~/1848~"
    assert birth_range("1918~", parse_age("70")) == "1847~/1848~"
    assert birth_range("1918-10-05", parse_age("stillborn")) == "1918-10-05"
    assert birth_range("1918/..", parse_age("3")) is None
    assert birth_range(None, parse_age("3")) is None
    assert birth_range("0001-01-01", parse_age("3")) is None


@settings(max_examples=120, deadline=None)
@given(
    st.dates(date(1700, 1, 1), date(2000, 12, 31)),
    st.integers(0, 36_500),
    st.sampled_from(["y", "ym", "ymd", "w", "d"]),
)
def test_the_true_birth_lies_within_the_range(born, lived, how):
    """Count an age forward from a known birth; the range must hold that birth."""
    died = born + timedelta(days=lived)
    months = (died.year - born.year) * 12 + died.month - born.month - (died.day < born.day)
    whole = born.year * 12 + born.month - 1 + months
    last = calendar.monthrange(whole // 12, whole % 12 + 1)[1]
    if born.day > last:
        return  # a month without that day: how clerks counted is not known
    days = (died - date(whole // 12, whole % 12 + 1, born.day)).days
    text = {"y": f"{months // 12} y", "ym": f"{months // 12} y {months % 12} m", "w": f"{lived // 7} w",
     "d": f"{lived} d",
            "ymd": f"{months // 12} y {months % 12} m {days} d"}[how]  # fmt: skip
    age = parse_age(text)
    if age is None:
        assert lived > 130 * 365
        return
    found = birth_range(died.isoformat(), age)
    span = bounds(pd.Series([found])).iloc[0]
    assert span["earliest"] <= born.isoformat() <= span["latest"]


def test_a_large_column_is_read_in_one_go():
    days = [
        f"{day}/{month}/{year}" for year, month, day in itertools.product(range(1850, 1900), range(1, 13), range(1, 29))
    ]
    found = read_dates(pd.Series(days * 3))
    assert found.order == "day first"
    assert found.date.notna().all()


def test_a_day_no_calendar_has_does_not_say_how_the_others_are_written():
    texts = ["3/4/1931", "05/13/1950", "1931-02-30", "30/02/1931", "31.4.1902", "1931-13-01"]
    assert column_order(texts) == ("month first", "'05/13/1950' has no 13th month")
    read = read_dates(pd.Series(texts))
    assert read.date.fillna("").tolist() == ["1931-03-04", "1950-05-13", "", "", "", ""]
    assert read.how.tolist()[2:] == ["no such day", "no such day", "no such day", "not understood"]
    assert parse_date("31 Nov 1902").how == parse_date("Feb 29, 1901").how == "no such day"
    assert parse_date("29 Feb 1904").edtf == "1904-02-29"
    assert column_order(["1931-02-30", "1901-14-12"]) == ("", "no date of the column shows the order")


# ---- in words ------------------------------------------------------------------------------------------------------

SAID = {
    "1887": "1887", "1887-03": "March 1887", "1887-03-04": "4 March 1887", "1887~": "about 1887", "1840~": "about 1840",
    "1887-03?": "March 1887?", "1887%": "about 1887?", "1918-10?": "October 1918?", "188X": "1880s", "18XX": "1800s",
    "180X": "between 1800 and 1809", "1902-21": "spring 1902", "1944-22": "summer 1944",
    "1944-24~": "about winter 1944",
    "[1887,1888]": "1887 or 1888", "[1888-03-04,1888-04-03]": "4 March or 3 April 1888",
    "[1931-03-04,1931-04-03]": "4 March or 3 April 1931", "[1887-05-03,1887-05-04]": "3 or 4 May 1887",
    "[1887-03,1887-04]": "March or April 1887", "[1731-02-11,1732-02-11]": "11 February 1731 or 11 February 1732",
    "[1887,1888,1890]": "1887, 1888 or 1890", "{1887,1888}": "1887 and 1888",
    "[1850..1860]": "between 1850 and 1860", "1850/1860": "between 1850 and 1860",
    "[1888-03-04..1888-03-09]": "between 4 and 9 March 1888", "1817~/1820~": "between about 1817 and about 1820",
    "../1860": "1860 or before", "1860/..": "1860 or later", "[..1860]": "1860 or before",
    "[1860-05-02..]": "2 May 1860 or later",
    "../1860~": "about 1860 or before", "[1887,1890..1892]": "1887 or between 1890 and 1892",
    "XXXX-02-14": "14 February", "XX87": "'87", "1888-05-XX": "May 1888", "1888-XX-XX": "1888",
    "188X-05": "May 188-", "18XX-05-03": "3 May 18--", "1950S2": "between 1900 and 1999",
    "2004-06~-11": "about 11 June 2004", "1985-04-12T23:20:30Z": "12 April 1985",
    # what nobody writes in a ledger, or is no date at all, stands as it is
    "Y-17000000": "Y-17000000", "after the flood": "after the flood", "1944-99": "1944-99", "": "",
}  # fmt: skip
AGAIN = ("{", "Z", "XX", "Y-", "S2", ",1890", "-11", "flood", "-99")
"""Signs of values whose words are for reading only: no ledger writes them."""


@pytest.mark.parametrize(("value", "words"), SAID.items())
def test_every_value_is_said_in_words(value, words):
    assert say_date(value) == words
    assert not re.search(r"[\[\]{}~%/X]|\.\.", words) or not is_edtf(value) or value.startswith("Y")


@pytest.mark.parametrize("value", [value for value in SAID if value and not any(sign in value for sign in AGAIN)])
def test_words_mean_the_same_days_again(value):
    reading = parse_date(say_date(value))
    assert reading.edtf is not None
    both = bounds(pd.Series([value, reading.edtf]), about=2)
    assert both.iloc[0].fillna("").tolist() == both.iloc[1].fillna("").tolist()


def test_what_is_missing_says_nothing():
    assert [say_date(value) for value in (None, pd.NA, float("nan"), pd.NaT)] == [""] * 4


@given(st.text("0123456789-X~?%[]{},./ ", max_size=24))
@settings(max_examples=400, deadline=None)
def test_anything_is_said(text):
    said = say_date(text)
    assert said or not text.strip()
    if not is_edtf(text.strip()):
        assert said == text.strip()


DAYS = st.dates(date(1700, 1, 1), date(2100, 1, 1))
PLAIN = st.one_of(DAYS.map(lambda day: day.isoformat()), DAYS.map(lambda day: day.isoformat()[:7]),
                  DAYS.map(lambda day: day.isoformat()[:4]))  # fmt: skip


@given(PLAIN, PLAIN, st.sampled_from(["{0}", "{0}~", "{0}?", "{0}%", "[{0},{1}]", "[{0}..{1}]", "[..{0}]", "[{0}..]",
                                      "{0}~/{1}~", "../{0}~"]))  # fmt: skip
@settings(max_examples=400, deadline=None)
def test_no_day_is_lost_or_won_by_saying_and_reading_again(one, two, form):
    value = form.format(*sorted((one, two)))
    if not is_edtf(value):
        return
    reading = parse_date(say_date(value))
    assert reading.edtf is not None, say_date(value)
    both = bounds(pd.Series([value, reading.edtf]), about=2)
    assert both.iloc[0].fillna("").tolist() == both.iloc[1].fillna("").tolist(), (value, say_date(value), reading)
