"""Descriptions in TOML, from file to text; one that can be no description is not read into memory at all."""

from __future__ import annotations

from pathlib import Path

from cemgis.description import MOST_CHARACTERS
from cemgis.errors import InputError

__all__ = ["read_description"]


def read_description(path: Path, where: str) -> str:
    """Return the text of a description.

    Raises
    ------
    InputError
        When it cannot be read, is far too large, or is not UTF-8; with the line that is not.
    """
    try:
        size = path.stat().st_size
        if size > 4 * MOST_CHARACTERS:  # bytes of the longest letter
            what = f"{size:,} bytes long, more than any description"
            raise InputError.of(where, what, "Keep lots and readings in files of their own and name them here.")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        todo = "Check where it lies." if isinstance(error, FileNotFoundError) else "Check its permissions."
        raise InputError.of(where, f"it cannot be read ({error.strerror})", todo) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise InputError.of(f"{where} line {line}", "its text is not UTF-8", "Save the file as UTF-8.") from None
