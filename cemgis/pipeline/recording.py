"""How a record is entered: the day it tells of, and the lock under which it is checked once more and added."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from cemgis.dates import bounds, is_edtf, say_date
from cemgis.errors import Gather, InputError
from cemgis.files import records as record_files

__all__ = ["at_place", "enter", "first_and_last", "now", "read_day", "today"]

Record = Mapping[str, Any]


def now() -> str:
    """Return this moment, as records write it."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def today() -> str:
    """Return the day it is here, ISO."""
    return datetime.now().astimezone().date().isoformat()


def first_and_last(day: object) -> tuple[str, str]:
    """Return the first and the last day a date may mean, ISO; empty where that is open.

    Examples
    --------
    >>> first_and_last("2026-05"), first_and_last("2026-05-04")
    (('2026-05-01', '2026-05-31'), ('2026-05-04', '2026-05-04'))
    """
    found = bounds(pd.Series([str(day or "")])).iloc[0]
    return tuple("" if pd.isna(found[name]) else str(found[name]) for name in ("earliest", "latest"))  # type: ignore[return-value]


def read_day(said: str | None, gather: Gather, after: Record | None = None) -> str | None:
    """Return the day somebody gave, noting what is wrong with it: no date, in the future, before what it follows.

    Parameters
    ----------
    said : str or None
        An ISO day, ``today``, or a date that is not known to the day in EDTF: ``2026-05``, ``2026-05-04~``.
    gather : Gather
    after : mapping, optional
        The record it follows.
    """
    if said is None:
        return None
    day = today() if said.strip().lower() == "today" else said.strip()
    first, last = first_and_last(day)
    if not is_edtf(day) or not first or not last:
        gather.add("date", f"{said[:40]!r} is no date", 'Write "2026-05-04"; not known to the day, "2026-05".')
        return None
    if first > today():
        gather.add("date", f"{say_date(day)} has not come yet", "Write the day it was done.")
    before = None if after is None or after["state"] == "ordered" else after.get("date")
    if before is not None and after is not None and last < first_and_last(before)[0]:
        gather.add(
            "date",
            f"{say_date(day)} is before {say_date(before)}, when it was {after['state']}",
            "Write the day it was done.",
        )
    return day


def at_place(*places: str) -> Callable[[Record], bool]:
    """Return what tells whether a record is about one of these spaces or niches."""
    wanted = set(places)
    return lambda record: bool(wanted & {record.get("space_id"), record.get("to"), *(record.get("spaces") or ())})


def enter(
    folder: Path, name: str, body: Record, *, known: Iterable[Record], about: Callable[[Record], bool]
) -> dict[str, Any]:  # fmt: skip
    """Add one record, unless somebody recorded something about the same thing since it was looked at.

    Between reading the records and adding one lies a computation of seconds: under the lock the records are read again.

    Parameters
    ----------
    folder : Path
        The ground's folder.
    name : str
        Name of the log.
    body : mapping
        Of the record; what is None is left out.
    known : iterable of dict
        The records that were known when it was decided.
    about : callable
        Whether a record is about the same thing.

    Raises
    ------
    InputError
        When there is such a record; when the log cannot be written. Nothing is recorded then.
    """
    seen = {record.get("id") for record in known}
    with record_files.writing(folder / "records") as log:
        kept = {record["id"]: record for record in log.read().records}
        for record in kept.values():
            told = [record, *(kept[one] for one in record.get("replaces") or () if one in kept)]
            if record["id"] not in seen and any(about(one) for one in told):
                what = " ".join(str(record[key]) for key in ("kind", "state", "event") if record.get(key))
                raise InputError.of(
                    str(body.get("opening_id") or body.get("space_id") or body.get("key") or name),
                    f"{record.get('who')} recorded something about it meanwhile ({what}, {record['when']})",
                    "Nothing was recorded here. Look at that record and run this again.",
                )
        (written,) = log.append(name, [{key: value for key, value in body.items() if value is not None}])
    return written
