"""Lengths and angles: reading them as people write them, and saying them as people say them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from cemgis.errors import InputError

__all__ = [
    "FOOT",
    "HEIGHT_UNITS",
    "METRE",
    "UNITS",
    "US_SURVEY_FOOT",
    "Unit",
    "compass_azimuth",
    "compass_word",
    "feet_and_inches",
    "parse_length",
    "say_azimuth",
    "say_length",
    "say_taped",
    "unit_of_factor",
]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of length.

    Parameters
    ----------
    name : str
        As the reference system names it.
    suffix : str
        Ending of a written column name, ``ft`` or ``m``.
    metres : float
        Length of one unit in metres.
    source : str
    """

    name: str
    suffix: str
    metres: float
    source: str

    @property
    def is_foot(self) -> bool:
        """Whether this is one of the two feet."""
        return self.suffix == "ft"


METRE = Unit("metre", "m", 1.0, "SI")
FOOT = Unit("foot", "ft", 0.3048, "85 FR 62698 (Federal Register 2020-21902): 0.3048 m exactly")
US_SURVEY_FOOT = Unit("US survey foot", "ft", 1200.0 / 3937.0, "85 FR 62698 (Federal Register 2020-21902): 1200/3937 m")
UNITS = (METRE, FOOT, US_SURVEY_FOOT)
HEIGHT_UNITS = {"m": METRE, "ft": FOOT, US_SURVEY_FOOT.name: US_SURVEY_FOOT}
"""How the unit of a grid of heights is written."""


def unit_of_factor(metres: float, where: str = "crs") -> Unit:
    """Find the unit whose length is `metres`.

    Raises
    ------
    InputError
        When it is neither metre, foot nor US survey foot.

    Examples
    --------
    >>> unit_of_factor(0.304800609601219).name
    'US survey foot'
    """
    for unit in UNITS:
        if math.isclose(metres, unit.metres, rel_tol=1e-9):
            return unit
    raise InputError.of(
        where,
        f"its unit is {metres:.12g} m long, neither metre, foot nor US survey foot",
        "Choose a projected CRS in one of these.",
    )


_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_FEET_INCHES = re.compile(
    rf"^(?P<sign>-)?(?:(?P<feet>{_NUMBER})\s*(?:ft|feet|foot|'))?\s*"
    rf"(?:(?:(?P<inches>{_NUMBER})(?:\s+(?=\d+\s*/)|(?=\s*[i\"])))?(?:(?P<num>\d+)\s*/\s*(?P<den>\d+))?\s*"
    r"(?:in|inch|inches|\"))?$"
)
_METRIC = re.compile(rf"^(?P<sign>-)?(?P<value>{_NUMBER})\s*(?P<unit>m|cm|mm|metre|metres|meter|meters)$")
_METRIC_FACTOR = {"m": 1.0, "cm": 0.01, "mm": 0.001, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0}


def parse_length(text: object, unit: Unit, where: str = "length") -> float:
    """Read a length that carries its unit, in units of `unit`.

    A foot written here is the ground's own foot: the two feet differ by 2 parts in a million, nothing in a lot and
    everything in a false easting, so coordinates never come this way.

    Parameters
    ----------
    text : str
        ``"16 ft"``, ``"4 ft 6 in"``, ``"8 1/2 in"``, ``"1.2 m"``.
    unit : Unit
    where : str
        Named in the error.

    Raises
    ------
    InputError
        When no unit is given or the text is not a length.

    Examples
    --------
    >>> parse_length("4 ft 6 in", US_SURVEY_FOOT)
    4.5
    >>> round(parse_length("8 1/2 in", FOOT), 4)
    0.7083
    >>> round(parse_length("1.2 m", FOOT), 4)
    3.937
    >>> parse_length("16", FOOT, "lot.width")
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: lot.width: '16' is not a length with its unit. Write "16 ft", "4 ft 6 in" or "1.2 m".
    """
    found = text.strip() if isinstance(text, str) and len(text) < 64 else ""
    metric = _METRIC.match(found)
    if metric:
        value = float(metric["value"]) * _METRIC_FACTOR[metric["unit"]] / unit.metres
        return -value if metric["sign"] else value
    imperial = _FEET_INCHES.match(found)
    if imperial and (imperial["feet"] or imperial["inches"] or imperial["num"]):
        inches = float(imperial["inches"] or 0.0)
        if imperial["num"]:
            if int(imperial["den"]) == 0:
                raise InputError.of(where, f"{text!r} divides by zero", "Mend the fraction.")
            inches += int(imperial["num"]) / int(imperial["den"])
        feet = float(imperial["feet"] or 0.0) + inches / 12.0
        value = feet if unit.is_foot else feet * FOOT.metres / unit.metres
        return -value if imperial["sign"] else value
    shown = repr(text) if len(repr(text)) < 64 else repr(text)[:60] + "..."
    raise InputError.of(where, f"{shown} is not a length with its unit", 'Write "16 ft", "4 ft 6 in" or "1.2 m".')


def feet_and_inches(feet: float, parts: int = 2) -> str:
    """Say a length in feet and inches, to ``1/parts`` of an inch.

    Examples
    --------
    >>> feet_and_inches(9.3237, 8)
    '9 ft 3 7/8 in'
    >>> feet_and_inches(12.0833)
    '12 ft 1 in'
    >>> feet_and_inches(-0.5)
    '-6 in'
    >>> feet_and_inches(5.9999)
    '6 ft'
    """
    if not math.isfinite(feet):
        return "unknown"
    count = round(abs(feet) * 12 * parts)
    sign = "-" if feet < 0 and count else ""
    whole_inches, fraction = divmod(count, parts)
    whole_feet, inches = divmod(whole_inches, 12)
    divisor = math.gcd(fraction, parts)
    tail = f"{fraction // divisor}/{parts // divisor}" if fraction else ""
    inch_text = " ".join(part for part in (str(inches) if inches or not tail else "", tail) if part) + " in"
    if not inches and not fraction:
        inch_text = "" if whole_feet else "0 in"
    feet_text = f"{whole_feet} ft" if whole_feet else ""
    return sign + " ".join(part for part in (feet_text, inch_text) if part)


def say_length(value: float, unit: Unit, digits: int = 2) -> str:
    """Say a length in decimals with its unit.

    Examples
    --------
    >>> say_length(0.204, US_SURVEY_FOOT)
    '0.20 ft'
    """
    return f"{value:.{digits}f} {unit.suffix}" if math.isfinite(value) else "unknown"


def say_taped(length: float, unit: Unit) -> str:
    """Say a length as a crew does: feet and inches to 1/2 in, or metres.

    Examples
    --------
    >>> say_taped(4.5, FOOT), say_taped(1.372, METRE)
    ('4 ft 6 in', '1.37 m')
    """
    return feet_and_inches(length) if unit.is_foot else say_length(length, unit)


_COMPASS = (
    "north", "north-northeast", "northeast", "east-northeast", "east", "east-southeast", "southeast",
    "south-southeast", "south", "south-southwest", "southwest", "west-southwest", "west", "west-northwest",
    "northwest", "north-northwest",
)  # fmt: skip


def compass_azimuth(word: str, where: str = "direction") -> float:
    """Azimuth in degrees, clockwise from north, of a compass word.

    Examples
    --------
    >>> compass_azimuth("West")
    270.0
    """
    key = str(word).strip().lower().replace(" ", "")
    for number, name in enumerate(_COMPASS):
        if key in (name, name.replace("-", "")):
            return 22.5 * number
    shown = str(word)[:40]
    raise InputError.of(where, f"{shown!r} is not a compass direction", 'Write a word such as "west" or "northeast".')


def compass_word(azimuth_deg: float, points: int = 8) -> str:
    """Nearest compass word out of 4, 8 or 16 points.

    Examples
    --------
    >>> compass_word(268.0), compass_word(20.0), compass_word(359.9, 4)
    ('west', 'north', 'north')
    """
    step = 360.0 / points
    return _COMPASS[(round(azimuth_deg % 360.0 / step) % points) * (16 // points)]


def say_azimuth(azimuth_deg: float, north: str) -> str:
    """Say an azimuth and which north it is counted from: true, grid or magnetic.

    Examples
    --------
    >>> say_azimuth(268.3, "true")
    '268.3° from true north'
    """
    return f"{azimuth_deg % 360.0:.1f}° from {north} north"
