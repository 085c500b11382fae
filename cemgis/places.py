"""Names of places as people write them: when two of them mean the same."""

from __future__ import annotations

import re
import unicodedata

__all__ = ["carries_section", "label_key"]

_BETWEEN = re.compile(r"(?<=[^\W\d_])(?=\d)")
_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")


def _plain(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Nd":
        return str(unicodedata.decimal(character))
    if category == "Cf":
        return ""
    return character if category[0] in "LM" or (character.isascii() and character.isalnum()) else "-"


def label_key(text: object) -> str:
    """Return what stays the same however a label is written: its letters and numbers, one dash between them.

    Case, blanks, dashes of any kind, other separators and leading zeros do not count. A letter right behind a number
    is part of it (lot 12A is not lot 12), so ``12A`` and ``12-A`` stay two labels.

    Parameters
    ----------
    text : str or None
        Anything else than text has no key.

    Returns
    -------
    str
        Empty when nothing is written.

    Examples
    --------
    >>> label_key(" b – 016"), label_key("B16"), label_key("B_12a")
    ('B-16', 'B-16', 'B-12A')
    >>> label_key("C-3-07"), label_key(None)
    ('C-3-7', '')
    """
    if not isinstance(text, str):
        return ""
    # ² and ½ would become plain digits and join the number before them: 16½ is not lot 161/2
    spaced = "".join(f" {c} " if unicodedata.category(c) == "No" else c for c in text)
    known = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", spaced).casefold().upper())
    joined = _BETWEEN.sub("-", "".join(_plain(character) for character in known))
    return _ZEROS.sub("", "-".join(part for part in joined.split("-") if part))


def carries_section(key: str) -> bool:
    """Whether a key made by `label_key` names more than a bare lot.

    Examples
    --------
    >>> carries_section("B-16"), carries_section("16A")
    (True, False)
    """
    return "-" in key
