"""How a value is shown in a message, and which known word is nearest to one."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["nearest", "show"]


def show(value: object, most: int = 50) -> str:
    """Return a value as a message shows it, cut to `most` letters."""
    try:
        text = repr(value)
    except ValueError:  # an integer of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= most else text[: most - 3] + "..."


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word that is spelt most like `word`, or ""."""
    close = difflib.get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    return close[0] if close else ""
