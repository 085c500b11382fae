"""An order as somebody wrote it: what is to be opened, for whom, by what right."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import Any

from cemgis.description import load_description
from cemgis.errors import Gather, InputError
from cemgis.units import Unit

__all__ = [
    "NUMBERINGS",
    "SOILS",
    "Order",
    "out_of_date",
    "parse_order",
]

SOILS = ("A", "B", "C", "rock")


NUMBERINGS = ("today", "former")


_MONTHS = ("Jan", "Feb", "March", "April", "May", "June", "July", "Aug", "Sept", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Order:
    """What was ordered, by whom and by what right; None where nothing is said. Lengths in the ground's unit.

    Parameters
    ----------
    space : str
        As the order writes it.
    person : str or None
        Who is to be buried.
    ordered_by, authorised_by, right, permit, confirmed_by : str or None
        ``right``: how the one who authorises holds it; an instrument, or a successor and of whom.
    date, time : str or None
        ISO day and clock time of the service.
    utilities : str or None
        Number and date of the utility-locate ticket.
    numbering : str or None
        ``today`` or ``former``: which numbering the deed uses, as somebody found out.
    infant : bool
    levels : int
        Containers the grave is to take over one another in the end.
    soil : str or None
        One of `SOILS`, by the competent person.
    water, frost : float or None
        Depth of water that is known of; of frost as measured.
    note : str or None
    container : str or None
        Name of what is to be set, as ``ground.toml`` declares it.
    """

    space: str
    person: str | None = None
    ordered_by: str | None = None
    authorised_by: str | None = None
    right: str | None = None
    permit: str | None = None
    confirmed_by: str | None = None
    date: str | None = None
    time: str | None = None
    utilities: str | None = None
    numbering: str | None = None
    infant: bool = False
    levels: int = 1
    soil: str | None = None
    water: float | None = None
    frost: float | None = None
    note: str | None = None
    container: str | None = None


_TEXTS = (
    "space",
    "person",
    "ordered_by",
    "authorised_by",
    "right",
    "permit",
    "confirmed_by",
    "utilities",
    "note",
    "container",
)


_KNOWN = (*_TEXTS, "date", "time", "infant", "levels", "soil", "water", "frost", "numbering")


def _is_moment(key: str, said: str) -> bool:
    """Whether a date or a time of day is one of the calendar or the clock."""
    try:
        (datetime.date if key == "date" else datetime.time).fromisoformat(said)
    except ValueError:
        return False
    return True


def parse_order(text: str, unit: Unit, where: str = "order.toml") -> Order:
    r"""Read an order, all problems at once.

    Parameters
    ----------
    text : str
        TOML: ``space``, ``person``, ``ordered_by``, ``authorised_by``, ``right``, ``permit``, ``confirmed_by``,
        ``utilities``, ``note``, ``container`` (text); ``date``, ``time``; ``infant``; ``levels``; ``soil``; ``water``,
        ``frost`` (lengths with their unit); ``numbering``.
    unit : Unit
    where : str

    Raises
    ------
    InputError

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> order = parse_order('space = "B-12-1"\ndate = 2026-05-04\nfrost = "14 in"', FOOT)
    >>> order.space, order.date, round(order.frost, 4)
    ('B-12-1', '2026-05-04', 1.1667)
    """
    from cemgis.units import parse_length

    raw = load_description(text, where)
    gather = Gather()
    found: dict[str, Any] = {}
    for key in raw:
        if key not in _KNOWN:
            gather.add(f"{where}: {key}", "there is no such key", f"Known here: {', '.join(_KNOWN)}.")
    for key in _TEXTS:
        value = raw.get(key)
        if value is None:
            continue
        if not isinstance(value, str) or not value.strip() or len(value) > 300:
            gather.add(f"{where}: {key}", f"{str(value)[:50]!r} is no short text", 'Write it in quotes, "...".')
        else:
            found[key] = value.strip()
    if "space" not in found:
        gather.add(f"{where}: space", "missing", 'Write the space as the order names it, space = "B-12-1".')
    for key, pattern, example in (("date", r"\d{4}-\d\d-\d\d", "2026-05-04"), ("time", r"\d\d:\d\d(:\d\d)?", "10:30")):
        if key in raw:
            said = str(raw[key])
            if re.fullmatch(pattern, said) and _is_moment(key, said):
                found[key] = said[: len(example)]
            else:
                gather.add(f"{where}: {key}", f"{said[:40]!r} is no {key}", f'Write {key} = "{example}".')
    if "infant" in raw:
        if isinstance(raw["infant"], bool):
            found["infant"] = raw["infant"]
        else:
            gather.add(f"{where}: infant", f"{raw['infant']!r} is neither true nor false", "Write infant = true.")
    if "levels" in raw:
        if isinstance(raw["levels"], int) and not isinstance(raw["levels"], bool) and 1 <= raw["levels"] <= 4:
            found["levels"] = raw["levels"]
        else:
            gather.add(f"{where}: levels", f"{raw['levels']!r} is no number from 1 to 4", "Write levels = 2.")
    for key, choices in (("soil", SOILS), ("numbering", NUMBERINGS)):
        if key not in raw:
            continue
        if raw[key] in choices:
            found[key] = raw[key]
        else:
            gather.add(f"{where}: {key}", f"{str(raw[key])[:40]!r} is none", f"One of: {', '.join(choices)}.")
    for key in ("water", "frost"):
        if key in raw:
            try:
                found[key] = parse_length(raw[key], unit, f"{where}: {key}")
            except InputError as error:
                gather.take(error)
            else:
                if found[key] < 0:
                    gather.add(f"{where}: {key}", f"{raw[key]!r} is negative", "Write a depth.")
    gather.raise_if_any()
    return Order(**found)


def out_of_date(order: Order, day: str) -> str:
    """Say that the day of an order lies before the day its sheets are made; empty where it does not.

    Parameters
    ----------
    order : Order
    day : str
        ISO day on which the sheets are made.

    Examples
    --------
    >>> out_of_date(Order("B-12-1", date="2026-05-04"), "2026-11-25")
    'Ordered for 4 May 2026, sheet made on 25 Nov 2026: ask whether this order still stands.'
    >>> out_of_date(Order("B-12-1", date="2026-05-04"), "2026-05-04")
    ''
    """
    if order.date is None or order.date >= day:
        return ""
    told = [datetime.date.fromisoformat(one) for one in (order.date, day)]
    words = [f"{one.day} {_MONTHS[one.month - 1]} {one.year}" for one in told]
    return f"Ordered for {words[0]}, sheet made on {words[1]}: ask whether this order still stands."
