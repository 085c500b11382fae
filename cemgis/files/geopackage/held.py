"""Whether another program holds the file."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from cemgis.errors import InputError
from cemgis.files.geopackage.form import is_sqlite

__all__ = ["refuse_if_held"]

_LEFT_OPEN = ("-wal", "-shm")
_JOURNAL = "-journal"


def refuse_if_held(path: Path | str) -> None:
    """Refuse to replace a file that another program has open, where that can be known.

    A program that works in SQLite's write-ahead mode leaves ``-wal`` and ``-shm`` beside the file, with edits that are
    not in it yet; one that is writing holds a lock. Of one that was killed while it wrote, SQLite takes back what it
    had not finished. A program that only has the file open and idle, without write-ahead, cannot be seen on Linux or
    macOS: it keeps the old file.

    Raises
    ------
    InputError
        When it is held; the message says by what sign and what to do.
    """
    path = Path(os.path.realpath(path))
    for ending in _LEFT_OPEN:
        if path.with_name(path.name + ending).exists():
            raise _left_open(path, ending)
    try:
        if not is_sqlite(path):
            return
    except OSError:  # not there, a folder, not readable: whoever writes says so
        return
    journal = path.with_name(path.name + _JOURNAL)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0)) as connection:
            # where a killed program left a journal, SQLite puts the file back to before what that one was writing
            connection.execute("BEGIN EXCLUSIVE")
            if _is_spent(journal):
                journal.unlink()
            connection.rollback()
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError.of(
                str(path), "another program is reading or writing it right now", "Close it there and run it again."
            ) from error
        # Not writable, or damaged: whoever writes finds out and says so.
    except (sqlite3.DatabaseError, OSError):
        pass
    if journal.exists():
        raise _left_open(path, _JOURNAL)


def _left_open(path: Path, ending: str) -> InputError:
    return InputError.of(
        str(path),
        f"{path.name}{ending} lies beside it: another program has it open, or ended with edits not yet in it",
        "Close it there. If nothing has it open, open it once in a GIS and close it again. Do not delete that.",
    )


def _is_spent(journal: Path) -> bool:
    """Whether a journal holds nothing: it is empty or begins with a zero, which is SQLite's own test."""
    try:
        with journal.open("rb") as stream:
            return stream.read(1) in (b"", b"\0")
    except OSError:
        return False
