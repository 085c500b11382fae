"""A description in TOML as a mapping, or refused with the line that is wrong."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from cemgis.errors import InputError

__all__ = ["MOST_CHARACTERS", "load_description"]

MOST_CHARACTERS = 4_000_000
"""Length of the longest description that is read; no source. Lots, readings and lists are files of their own."""

_SHOWN = 80


def load_description(text: str, where: str) -> dict[str, Any]:
    """Read TOML.

    Raises
    ------
    InputError
        When it is longer than `MOST_CHARACTERS`, no TOML, or nested beyond all measure; with the line if known.

    Examples
    --------
    >>> load_description('name = "Millrace Hill"', "ground.toml")
    {'name': 'Millrace Hill'}
    >>> load_description('name = ', "ground.toml")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: ground.toml, last line: not TOML: Invalid value. Mend that line: key = value, text ...
    """
    if len(text) > MOST_CHARACTERS:
        raise InputError.of(
            where,
            f"{len(text):,} characters long, more than {MOST_CHARACTERS:,}",
            "Keep lots and readings in files of their own and name them here.",
        )
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        match = re.search(r"^(.*?)\s*\(at (?:line (\d+), column (\d+)|end of document)\)$", said, re.DOTALL)
        what = match[1] if match else said
        if match and match[2]:
            place = f"{where}, line {match[2]}, column {match[3]}"
            shown = "".join(text.splitlines()[int(match[2]) - 1 : int(match[2])]).strip()
            what += f": {shown[:_SHOWN]!r}" if shown else ""
        else:
            place = f"{where}, last line"
        raise InputError.of(place, f"not TOML: {what[:200]}", "Mend that line: key = value, text in quotes.") from None
    except (RecursionError, ValueError) as error:
        raise InputError.of(where, f"not TOML: {str(error)[:100]}", "Mend the brackets or the number.") from None
