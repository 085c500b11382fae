"""The tables of ``ground.toml`` about what becomes public: terms, whom to point out, whom to leave out."""

from __future__ import annotations

import datetime

from cemgis.errors import Gather
from cemgis.ground.entries import Chosen, Publication, Withheld
from cemgis.ground.keys import Keys
from cemgis.units import Unit

__all__ = ["publication_entry", "withheld_entry"]


def withheld_entry(keys: Keys) -> Withheld | None:
    """Read a ``[[withhold]]`` table."""
    person, name, place, until = keys.text("person"), keys.text("name"), keys.text("place"), keys.text("until")
    if until is not None:
        try:
            until = datetime.date.fromisoformat(until).isoformat()
        except ValueError:
            keys.wrong("until", f"{until!r} is no day", 'Write the last day it holds, until = "2030-05-01".')
            until = None
    reason = keys.text("reason", required="Write who asked for it and when; it is not published.")
    keys.close()
    if person is None and name is None and place is None:
        if not {"person", "name", "place"} & set(keys.raw):
            keys.wrong("name", "missing", "Write a person (id), a name, a place (space or lot), or a name and a place.")
        return None
    if person is not None and place is not None:
        keys.wrong("person", "given beside a place", "An id is one row of the register: keep one of the two.")
        return None
    wish = Withheld(keys.path, person, name, place, reason or "", until)
    if wish.by_line_alone:
        keys.wrong("person", f"{person!r} is a line of a list, and rows put in before it would make it another person",
                   "Write the name beside it.")  # fmt: skip
        return None
    return None if reason is None else wish


def _chosen(keys: Keys) -> Chosen | None:
    name, place, note = keys.text("name", required="Write whom."), keys.text("place"), keys.text("note")
    keys.close()
    return None if name is None else Chosen(keys.path, name, place, note)


def publication_entry(raw: object, gather: Gather, unit: Unit) -> Publication:
    """Read the ``[public]`` table."""
    keys = Keys({} if raw is None else raw, "public", gather, unit)
    licence, contact, withheld = keys.text("licence"), keys.text("contact"), keys.file("withheld")
    chosen = [_chosen(Keys(table, path, gather, unit)) for path, table in keys.tables("chosen")]
    keys.close()
    return Publication("public", licence, contact, tuple(item for item in chosen if item is not None), withheld)
