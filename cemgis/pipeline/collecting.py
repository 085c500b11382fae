"""What was changed by hand in ground.gpkg: taken over as records, or kept aside with where it belongs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from cemgis import edits
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files import records as record_files
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.registering import GROUND_FILE
from cemgis.pipeline.run import Run

__all__ = ["Collected", "aside_findings", "collect", "keep_changes", "say_collected", "say_refused"]

_LOG, _ASIDE_LOG = "edits", "refused"
_MOST = 40


@dataclass(frozen=True)
class Collected:
    """What was made of the changes in a file.

    Parameters
    ----------
    records : list of dict
        Changes taken over; the next build carries them.
    refused : list of Refused
        Changes that cannot be kept as records of their layer.
    aside : list of dict
        Records that keep the refused ones aside, where that was asked for.
    """

    records: list[dict[str, Any]] = field(default_factory=list)
    refused: list[edits.Refused] = field(default_factory=list)
    aside: list[dict[str, Any]] = field(default_factory=list)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        refused = [
            {"layer": item.layer, "key": item.key, "column": item.column, "said": str(item.problem)}
            for item in self.refused
        ]
        return {"records": self.records, "refused": refused, "set_aside": self.aside}


def _parted(
    found: geopackage.Changes, records: Sequence[Mapping[str, Any]]
) -> tuple[list[edits.Difference], list[edits.Refused]]:
    """Return what no record carries yet: what can be kept, and what cannot and is not set aside."""
    kept = edits.set_aside(records)
    good, refused = [], []
    for difference in found.layers.values():
        rest, cannot = edits.sift(edits.remaining(difference, records))
        good += [rest] if rest else []
        refused += [item for item in cannot if not edits.is_set_aside(item, kept)]
    return good, refused


def collect(folder: Path, *, who: str, why: str, aside: bool = False) -> Collected:
    """Turn what was changed in ``ground.gpkg`` with a desktop GIS into records.

    What can be kept is taken over; each change that cannot is named, with where it belongs.

    Parameters
    ----------
    folder : Path
    who, why : str
        Written into every record.
    aside : bool
        Keep the changes that cannot be records of their layer as they are, in ``records/refused.jsonl``: the file can
        be built again, and a finding stays until they are made where they belong or taken back.

    Raises
    ------
    InputError
        When there is no file, or none of the changes can be kept and none is to be set aside; nothing is recorded then.
    """
    ground = read_ground(folder)
    path = folder / GROUND_FILE
    if not path.exists():
        raise InputError.of(str(path), "there is no such file", "Build it first: there is nothing to collect.")
    found = geopackage.changes(path)
    _refuse_lost(path, found)
    good, refused = _parted(found, record_files.read(folder / "records").records)
    if not good and not refused:
        return Collected()
    if not good and not aside:
        raise InputError(*(item.problem for item in refused))
    with record_files.writing(folder / "records") as log:
        good, refused = _parted(found, log.read().records)  # somebody may have collected it meanwhile
        said = {"who": who, "why": why, "crs": ground.crs.name}
        when = datetime.now(UTC)
        made: list[dict[str, Any]] = []
        for difference in good:
            made += edits.records(difference, when=when, **said)
        stamp = when.isoformat(timespec="seconds").replace("+00:00", "Z")
        kept = [item.record(when=stamp, **said) for item in refused] if aside else []
        # the file keeps every change until it is built again: what is cut short here is collected another time
        kept = log.append(_ASIDE_LOG, kept)
        made = log.append(_LOG, made)
    return Collected(made, refused, kept)


def say_collected(done: Collected, *, refused: bool = True) -> str:
    """Say in words what was taken over, what was set aside and, unless told otherwise, what is refused."""
    records = done.records
    lines = [f"{len(records)} record{'s' if len(records) > 1 else ''} written; the next build carries them:"]
    if not records:
        lines = ["Nothing was changed by hand; nothing recorded." if not done.refused else "No record written."]
    for record in records:
        change = ", ".join(f"{name} = {value}" for name, value in (record.get("values") or {}).items())
        moved = record.get("moved")
        said = change or (f"by {moved:g}" if moved is not None else "")
        lines.append(f"  {record['kind']} {record['layer']} {record['key']} {said}".rstrip())
    if done.aside:
        lines.append(f"{len(done.aside)} set aside in records/{_ASIDE_LOG}.jsonl; each stays a finding:")
        lines += _few([str(item.problem) for item in done.refused])
    elif refused and done.refused:
        lines.append(say_refused(done))
    return "\n".join(lines)


def say_refused(done: Collected) -> str:
    """Say which changes could not be taken over, and what to do with them."""
    count = len(done.refused)
    lines = [f"{count} change{'s' if count > 1 else ''} cannot be kept as {'records' if count > 1 else 'a record'}:"]
    lines += _few([str(item.problem) for item in done.refused])
    lines.append("Make each where it belongs. To build meanwhile, keep them aside: the same command with --set-aside.")
    return "\n".join(lines)


def _few(lines: Sequence[str]) -> list[str]:
    more = [f"  and {len(lines) - _MOST} more"] if len(lines) > _MOST else []
    return [*(f"  {line}" for line in lines[:_MOST]), *more]


def keep_changes(path: Path, run: Run) -> list[Path]:
    """Stop when the file holds changes that a build would lose; keep a copy of what is not ours at all.

    Raises
    ------
    InputError
        With every such change.
    """
    if not path.exists():
        return []
    found = geopackage.changes(path)
    good, refused = _parted(found, run.records)
    refused = [item for item in refused if not _made_since(run.tables, item)]
    lines = [line for difference in good for line in difference.lines()]
    lines += [line.strip() for line in _few([str(item.problem) for item in refused])]
    if lines:
        command = f'`cemgis collect {path.parent} --who "..." --why "..."'
        do = f"Keep the changes with {command}`, or delete it."
        if not good:
            do = f"Make each where it belongs, or keep them aside with {command} --set-aside`, or delete the file."
        raise InputError.of(
            str(path),
            "it was changed by hand since it was built",
            f"{do} They are:" + "".join(f"\n    {x}" for x in lines),
        )
    _refuse_lost(path, found)
    if not found.own_tables and not found.own_columns:
        return []
    aside = geopackage.keep_copy(path)
    own = [*found.own_tables, *(f"{name}.{column}" for name, more in found.own_columns.items() for column in more)]
    run.said.append(
        f"{path.name} held tables or columns of its own ({', '.join(own)}): a copy is kept as {aside.name}."
    )
    return [aside]


def _refuse_lost(path: Path, found: geopackage.Changes) -> None:
    if found.lost:
        what = f"layer {', '.join(found.lost)} was taken away"
        raise InputError.of(str(path), what, "No record can say that: delete the file, the next build has all layers.")


def _made_since(tables: Mapping[str, pd.DataFrame], item: edits.Refused) -> bool:
    """Whether the evidence says by now what somebody wrote into the file."""
    table, layer = tables.get(item.layer), LAYERS.get(item.layer)
    if table is None or layer is None or not item.key or item.column not in table or item.column == "geometry":
        return False
    rows = table[table[layer.key].astype(object) == item.key]
    if len(rows) != 1:
        return False
    return json.dumps(edits.as_json(rows[item.column].iloc[0]), default=str) == json.dumps(item.now, default=str)


def aside_findings(tables: Mapping[str, pd.DataFrame], records: Iterable[Mapping[str, Any]]) -> list[Finding]:
    """Return a finding for each change that is set aside and was not made where it belongs."""
    found = []
    for record in edits.set_aside(records):
        item = edits.refused_of(record)
        if _made_since(tables, item):
            continue
        said = f"{item.problem.what}; set aside by {record.get('who')}, {str(record['when'])[:10]}: {record.get('why')}"
        todo = f"{item.remedy} Then take the record back: cemgis withdraw FOLDER {record['id']}."
        found.append(find("edit set aside", item.problem.where, said, todo=todo))
    return found
