"""A small description to spoil, and a refusal provoked and read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from cemgis.errors import InputError

GROUND = 'schema_version = 1\nname = "Hill"\ncrs = "EPSG:6549"\n[[plat]]\nname = "p"\ndate = "1889"\n'
SECTION = '[[section]]\nname = "A"\nplat = "p"\nmarkers = "southwest"\n'
BLOCK = """[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
rows = 1
lots = 1
frontage = "16 ft"
depth = "12 ft"
spaces = 4
"""


def refused(words: str, call: Callable[..., Any], *given: Any, **more: Any) -> None:
    """Call, and look for the words in what it says; every problem has a remedy."""
    with pytest.raises(InputError) as caught:
        call(*given, **more)
    assert words in str(caught.value), str(caught.value)
    assert all(problem.where.strip() and problem.remedy.strip() for problem in caught.value.problems)


def tried(read: Callable[[], Any]) -> Any:
    """Return what is read, or None where it is refused with words for every problem."""
    try:
        return read()
    except InputError as error:
        if not all(problem.what.strip() and problem.remedy.strip() for problem in error.problems):
            raise
    return None
