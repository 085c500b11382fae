"""One table of ``ground.toml``: checked values by key, problems noted, unknown keys told."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any, TypeVar

from cemgis.errors import Gather, InputError
from cemgis.ground.entries import SIDES
from cemgis.ground.words import nearest, show
from cemgis.reference import GroundCRS, Reference, parse_reference, say_stakes
from cemgis.units import Unit, compass_azimuth, compass_word, parse_length

__all__ = ["Keys"]

_MOST_TEXT = 500
_STAKES_YEAR = 2026.0  # of the words that say what is at stake; a year changes them by a few centimetres
_ASK = "Ask whoever made the file which correction service or base it was made with, and what that delivers."
_YEARS = (1980.0, 2100.0)  # epochs of satellite positions: GPS began in 1978


# ---- reading one table of the file ----------------------------------------------------------------------------------

T = TypeVar("T")


class Keys:
    """One table of the file: hands out checked values, notes problems, and knows which keys nobody asked for."""

    def __init__(self, raw: object, path: str, gather: Gather, unit: Unit, crs: GroundCRS | None = None) -> None:
        self.path = path
        self.crs = crs
        self.gather = gather
        self.unit = unit
        self.asked: list[str] = []
        self.raw: Mapping[str, Any] = raw if isinstance(raw, Mapping) else {}
        if not isinstance(raw, Mapping):
            gather.add(path, f"{show(raw)} is not a table", "Write it with keys, key = value.")

    def at(self, key: str) -> str:
        """Return the full path of a key."""
        return f"{self.path}.{key}" if self.path else key

    def wrong(self, key: str, what: str, remedy: str) -> None:
        """Note a problem with a key."""
        self.gather.add(self.at(key), what, remedy)

    def get(self, key: str, *, required: str = "") -> Any:
        """Value of a key or None; `required` says what to write when it is not there."""
        self.asked.append(key)
        value = self.raw.get(key)
        if value is None and required and isinstance(self.raw, Mapping):
            self.wrong(key, "missing", required)
        return value

    def text(self, key: str, *, required: str = "", blank: bool = False) -> str | None:
        """Value of a key as text without outer blanks."""
        value = self.get(key, required=required)
        if value is None:
            return None
        return self.as_text(value, self.at(key), blank=blank)

    def as_text(self, value: object, where: str, *, blank: bool = False) -> str | None:
        """Check one value as short printable text."""
        if not isinstance(value, str):
            self.gather.add(where, f"{show(value)} is not text", 'Write it in quotes, "...".')
            return None
        found = value.strip()
        if not found and not blank:
            self.gather.add(where, "empty", "Write something or take the key out.")
            return None
        if len(found) > _MOST_TEXT or any(ord(sign) < 32 for sign in found):
            self.gather.add(where, f"{show(found)} is too long or holds control characters", "Write plain short text.")
            return None
        return found

    def name(self, key: str, required: str) -> str | None:
        """Value of a key as a name of at most 60 letters."""
        found = self.text(key, required=required)
        if found is not None and len(found) > 60:
            self.wrong(key, f"{show(found)} is longer than 60 letters", "Shorten it; a title may be long.")
            return None
        return found

    def flag(self, key: str, *, default: bool) -> bool:
        """Value of a key as true or false."""
        value = self.get(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.wrong(key, f"{show(value)} is neither true nor false", "Write true or false, without quotes.")
            return default
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None, *, required: str = "") -> str | None:
        """Value of a key as one of a few words."""
        value = self.text(key, required=required)
        if value is None:
            return default
        return self.as_choice(value, choices, self.at(key)) or default

    def as_choice(self, value: object, choices: tuple[str, ...], where: str) -> str | None:
        """Check one value as one of a few words, whatever its case."""
        word = str(value).strip().lower() if isinstance(value, str) else None
        if word in choices:
            return word
        near = nearest(word or "", choices)
        meant = f'Did you mean "{near}"? ' if near else ""
        self.gather.add(where, f"{show(value)} is not understood", f"{meant}One of: {', '.join(choices)}.")
        return None

    def side(self, key: str, default: str | None = None, *, required: str = "") -> str | None:
        """Value of a key as one of the four sides."""
        return self.choice(key, SIDES, default, required=required)

    def compass(self, key: str, *, required: str = "") -> str | None:
        """Value of a key as one of sixteen compass words."""
        value = self.text(key, required=required)
        return None if value is None else self.as_compass(value, self.at(key))

    def as_compass(self, value: str, where: str) -> str | None:
        """Check one value as a compass word or an azimuth."""
        try:
            return compass_word(compass_azimuth(value, where), 16)
        except InputError as error:
            self.gather.take(error)
            return None

    def length(
        self, key: str, *, required: str = "", low: float | None = None, unit: Unit | None = None
    ) -> float | None:
        """Value of a key as a length, in the ground's unit unless another is asked for."""
        value = self.get(key, required=required)
        return None if value is None else self.as_length(value, self.at(key), low=low, unit=unit)

    def as_length(
        self,
        value: object,
        where: str,
        *,
        low: float | None = None,
        above: float | None = None,
        unit: Unit | None = None,
    ) -> float | None:
        """Check one value as a length that is not absurd."""
        try:
            found = parse_length(value, unit or self.unit, where)
        except InputError as error:
            self.gather.take(error)
            return None
        if not math.isfinite(found) or abs(found) > 1e6:
            self.gather.add(where, f"{show(value)} is absurd", "Mend the number.")
            return None
        if (low is not None and found < low) or (above is not None and found <= above):
            self.gather.add(
                where, f"{show(value)} is too small", "Write more." if above is not None else "Not below 0."
            )
            return None
        return found

    def size(self, key: str, *, required: str = "") -> float | None:
        """Value of a key as a length above zero."""
        value = self.get(key, required=required)
        return None if value is None else self.as_length(value, self.at(key), above=0.0)

    def number(self, key: str, low: float, high: float, *, required: str = "") -> float | None:
        """Value of a key as a number from `low` to `high`."""
        value = self.get(key, required=required)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            self.wrong(key, f"{show(value)} is not a number from {low:g} to {high:g}", "Mend it.")
            return None
        return float(value)

    def count(self, key: str, default: int | None = None, *, low: int = 1, required: str = "") -> int | None:
        """Value of a key as a whole number."""
        value = self.get(key, required=required)
        return default if value is None else self.as_count(value, self.at(key), low=low)

    def as_count(self, value: object, where: str, *, low: int = 1, high: int = 1_000_000) -> int | None:
        """Check one value as a whole number from `low` to `high`."""
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.gather.add(where, f"{show(value)} is not a whole number from {low} to {high}", "Mend it.")
            return None
        return value

    def listed(self, key: str) -> list[Any] | None:
        """Value of a key as a list."""
        value = self.get(key)
        if value is not None and not isinstance(value, list):
            self.wrong(key, f"{show(value)} is not a list", "Write it in brackets, [...].")
            return None
        return value

    def mapping(self, key: str) -> Mapping[str, Any]:
        """Value of a key as a table; empty when it is not there."""
        value = self.get(key)
        if value is None:
            return {}
        if not isinstance(value, Mapping):
            self.wrong(key, f"{show(value)} is not a table", "Write { name = ... }.")
            return {}
        return value

    def columns(self) -> dict[str, str]:
        """Column names by our names."""
        found = {}
        for ours, theirs in self.mapping("columns").items():
            text = self.as_text(theirs, self.at(f"columns.{ours}"))
            if text is not None:
                found[ours] = text
        return found

    def file(self, key: str, *, required: str = "") -> str | None:
        """Value of a key as a path inside the ground's folder."""
        found = self.text(key, required=required)
        if found is None:
            return None
        remedy = "Name it from the ground's folder, forward slashes, as in readings/may.csv."
        path = PurePosixPath(found)
        if "\\" in found or path.is_absolute() or found.startswith("~") or re.match(r"^[A-Za-z]:", found):
            self.wrong(key, f"{show(found)} is not a path inside the ground's folder", remedy)
            return None
        if ".." in path.parts or not path.parts:
            self.wrong(key, f"{show(found)} leads out of the ground's folder", remedy)
            return None
        return str(path)

    def delimiter(self) -> str | None:
        """Character between the columns of a file."""
        found = self.get("delimiter")
        if found is None:
            return None
        if found == "tab":
            return "\t"
        if not isinstance(found, str) or len(found) != 1 or found in '"\n\r\0':
            self.wrong("delimiter", f"{show(found)} is not one character", 'Write ";", "," or "tab".')
            return None
        return found

    def encoding(self) -> str | None:
        """Value of a key as an encoding that Python knows."""
        found = self.text("encoding")
        if found is not None:
            try:
                codecs.lookup(found)
            except (LookupError, ValueError):
                self.wrong("encoding", f"{show(found)} is no encoding", 'Write "utf-8", "utf-16" or "cp1252".')
                return None
        return found

    def reference(self) -> Reference | None:
        """Value of a key as a reference system; what is at stake is told when it is missing."""
        found = self.text("reference")
        if found is None:
            if "reference" not in self.raw:
                area = None if self.crs is None else self.crs.crs.area_of_use
                stake = "" if area is None else " " + say_stakes(
                    (area.west + area.east) / 2, (area.south + area.north) / 2, _STAKES_YEAR, self.crs
                )  # fmt: skip
                self.wrong("reference", f"missing.{stake}", f'{_ASK} Then write it, such as "NAD83(2011)".')
            return None
        try:
            return parse_reference(found, self.at("reference"), ground=self.crs)
        except InputError as error:
            self.gather.take(error)
            return None

    def epoch(self, reference: Reference | None) -> float | None:
        """Epoch in decimal years; required where the reference moves."""
        found = self.number("epoch", *_YEARS)
        if found is None and reference is not None and reference.moving and "epoch" not in self.raw:
            self.wrong(
                "epoch", f"missing, and {reference.name} moves", "Write the decimal year, such as epoch = 2025.35."
            )
        return found

    def tables(self, key: str) -> list[tuple[str, object]]:
        """Return the tables of an array with their key paths, counted from 1."""
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            self.wrong(key, "one table where a list of them belongs", f"Write [[{self.at(key)}]], in double brackets.")
            return []
        return [(f"{self.at(key)}[{number}]", item) for number, item in enumerate(value, 1)]

    def close(self) -> None:
        """Note the keys that nobody asked for."""
        for key in self.raw:
            if key not in self.asked:
                near = nearest(key, self.asked)
                remedy = f'Did you mean "{near}"?' if near else f"Known here: {', '.join(sorted(self.asked))}."
                self.wrong(key, "there is no such key", remedy)
