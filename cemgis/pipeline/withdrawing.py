"""Taking a record back: it stays in the log and no longer counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cemgis import edits
from cemgis.errors import InputError
from cemgis.files import records as record_files
from cemgis.pipeline.evidence import read_ground

__all__ = ["list_records", "say_record", "withdraw"]

_LEAST = 4  # letters of an id that may stand for all of it
_NAMES = ("key", "opening_id", "space_id")


def list_records(folder: Path) -> list[dict[str, Any]]:
    """Return the records that count, in the order in which they were made.

    Raises
    ------
    InputError
        When there is no ground, or a log cannot be read.
    """
    read_ground(folder)
    return [dict(record) for record in edits.standing(record_files.read(folder / "records").records)]


def say_record(record: Mapping[str, Any]) -> str:
    """Say a record in one line: its id, when, what, about what, by whom and why.

    Examples
    --------
    >>> say_record({"id": "3f", "when": "2025-06-01T12:00:00Z", "kind": "edit", "layer": "monuments", "key": "M3",
    ...             "who": "E. Tarn", "why": "stone read again"})
    '3f  2025-06-01  edit monuments M3, by E. Tarn, because stone read again'
    """
    about = next((str(record[name]) for name in _NAMES if record.get(name) is not None), "")
    about = about or ", ".join(str(name) for name in record.get("replaces") or ())
    what = " ".join(str(word) for word in (record["kind"], record.get("layer"), about, record.get("state")) if word)
    return f"{record['id']}  {str(record['when'])[:10]}  {what}, by {record.get('who')}, because {record.get('why')}"


def withdraw(folder: Path, record: str, *, who: str, why: str) -> dict[str, Any]:
    """Take a record back. What it replaced counts again; withdrawing a withdrawal restores what that took back.

    Parameters
    ----------
    folder : Path
    record : str
        Its id, or the first letters of it where no other begins with them.
    who, why : str

    Returns
    -------
    dict
        The record of the withdrawal as written; the next build carries it.

    Raises
    ------
    InputError
        When there is no such record, it is not the only one that begins so, or it does not count any more.
    """
    read_ground(folder)
    if not (folder / "records").is_dir():
        raise InputError.of(f"record {record}", "there is no such record", "Nothing is recorded in this ground.")
    with record_files.writing(folder / "records") as log:
        every = log.read().records
        one = _named(every, record, folder)
        made = edits.withdraw([one["id"]], who=who, when=datetime.now(UTC), why=why)
        made |= _still(every, one)
        return log.append("edits", [made])[0]


def _still(every: Sequence[Mapping[str, Any]], one: Mapping[str, Any]) -> dict[str, str]:
    """Say which records made later settle the same, so that taking this one back changes nothing there."""
    mine = _settles(one)
    found = []
    for other in edits.standing(every)[::-1]:
        if other["id"] == one["id"]:
            break
        same = mine & _settles(other)
        if same:
            found.append(f"{', '.join(sorted(name for *_, name in same))} by record {other['id']}")
    return {"note": f"settled since, and still: {'; '.join(found)}"} if found else {}


def _settles(record: Mapping[str, Any]) -> set[tuple[str, str, str]]:
    """Return what a record made with `cemgis collect` settles: layer, key, column."""
    if record.get("kind") not in ("edit", "move"):
        return set()
    names = [*(record.get("values") or {}), *(["place"] if "shape" in record else [])]
    return {(str(record.get("layer")), str(record.get("key")), name) for name in names}


def _named(every: Sequence[Mapping[str, Any]], record: str, folder: Path) -> Mapping[str, Any]:
    """Return the record that counts and is named by its id, or by the first letters of it."""
    wanted = record.strip().lower()
    found = [one for one in every if one["id"] == wanted or (len(wanted) >= _LEAST and one["id"].startswith(wanted))]
    where = f"record {record}"
    if not found:
        raise InputError.of(where, "there is no such record", f"List those that count: cemgis withdraw {folder}.")
    if len(found) > 1:
        raise InputError.of(where, f"{len(found)} records begin so", "Write more of its id.")
    (one,) = found
    standing = edits.standing(every)
    if one["id"] not in {other["id"] for other in standing}:
        by = next((other for other in reversed(every) if one["id"] in (other.get("replaces") or ())), None)
        how = f" since {str(by['when'])[:10]}, by record {by['id']}" if by is not None else ""
        raise InputError.of(where, f"it does not count any more{how}", "Withdraw that one, if it is the wrong one.")
    return one
