"""Taking in the register of a ground: lists to tables, and what changed against the file that was built."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from cemgis import edits, schema
from cemgis.conflicts import conflicts, still_to_come
from cemgis.dates import bounds, say_date
from cemgis.disclosure import PublicGround, disclose
from cemgis.errors import Gather, InputError
from cemgis.files import geopackage
from cemgis.files import records as record_files
from cemgis.holdings import holders_now
from cemgis.layers import LAYERS
from cemgis.people import joined_sources, with_kin
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.recording import today
from cemgis.register import TABLES, Register, read_crosswalk, read_register
from cemgis.rules import Rules

if TYPE_CHECKING:
    from cemgis.pipeline.evidence import Evidence

__all__ = [
    "GROUND_FILE",
    "REGISTER_FINDINGS",
    "RegisterChanges",
    "crosswalk_of",
    "history",
    "register_changes",
    "say_history",
    "take_in",
]

GROUND_FILE = "ground.gpkg"
REGISTER_FINDINGS = frozenset(
    ("place unknown", "place reads two ways", "place open", "space overfull", "removal without burial",
     "burial before death", "death before birth", "person twice", "stone disagrees", "sources disagree",
     "age disagrees", "right given twice", "right passed on by another", "shares do not add up",
     "gap in the ledger", "rows not understood", "day and month open", "no such day", "dates open")
)  # fmt: skip
"""Kinds of finding about what the lists say."""

_MOST = 20


def take_in(
    evidence: Evidence,
    rules: Rules,
    *,
    spaces: pd.DataFrame,
    niches: pd.DataFrame,
    lots: pd.DataFrame,
    shapes: gpd.GeoDataFrame | None = None,
    entered: Mapping[str, pd.DataFrame] | None = None,
    today: date | None = None,
    titles: Mapping[str, str] | None = None,
) -> Register:
    """Read every list of the register, join them in the order they are named, find kin and conflicts.

    Parameters
    ----------
    evidence : Evidence
    rules : Rules
    spaces, niches, lots : DataFrame
        Layers of those names; also what a plat draws that could not be placed.
    shapes : GeoDataFrame, optional
        Layer ``spaces`` with its polygons, for halves of lots.
    entered : dict of DataFrame, optional
        Rows of the register's layers that people entered through the tool; they come last in precedence.
    today : date, optional
        Dates after it are findings.
    titles : mapping of str to str, optional
        Names of sections to what they are called.

    Raises
    ------
    InputError
        When a list lacks a column it needs.
    """
    gather = Gather()
    parts: list[Register] = []
    crosswalk: pd.DataFrame | None = None
    try:
        crosswalk = crosswalk_of(evidence)
    except InputError as error:
        gather.take(error)
    for listed, table in evidence.register:
        try:
            parts.append(
                read_register(
                    table.rows.assign(line=table.lines), source=_source(listed), spaces=spaces, niches=niches,
                    lots=lots, columns=listed.columns or None, kind=listed.kind, default_section=listed.section,
                    crosswalk=crosswalk, shapes=shapes, titles=titles,
                )
            )  # fmt: skip
        except InputError as error:
            gather.take(error)
    gather.raise_if_any()
    rows = {name: (entered or {}).get(name) for name in TABLES}
    if any(table is not None and len(table) for table in rows.values()):
        own = {
            name: schema.empty(LAYERS[name]) if table is None else schema.restore(table, LAYERS[name])
            for name, table in rows.items()
        }
        parts.append(Register(**own, findings=[]))
    register = with_kin(joined_sources(parts, rules["register.about"]), rules)
    _, clashes = holders_now(register.rights)
    ahead = [] if today is None else still_to_come(register, today)
    return register._replace(findings=[*register.findings, *conflicts(register, rules), *ahead, *clashes])


def crosswalk_of(evidence: Evidence) -> pd.DataFrame | None:
    """Return the former numbering of a ground, all its lists together; None when there is none.

    Raises
    ------
    InputError
        When a list lacks a column it needs.
    """
    gather = Gather()
    walks: list[pd.DataFrame] = []
    for entry, table in evidence.crosswalk:
        try:
            walks.append(read_crosswalk(table.rows.assign(line=table.lines), source=entry.file))
        except InputError as error:
            gather.take(error)
    gather.raise_if_any()
    return pd.concat(walks, ignore_index=True) if walks else None


def _source(entry: Any) -> str:
    return f"{entry.file} [{entry.sheet}]" if entry.sheet else str(entry.file)


# ---- what changed ------------------------------------------------------------------------------------------------


@dataclass
class RegisterChanges:
    """What the lists say now, against what the built file says.

    Parameters
    ----------
    register : Register
    built : bool
        Whether there is a file to compare with.
    changes : dict of str to Difference
        Layer to what differs; layers without a difference are left out.
    moved : int
        Rows that say the same on another line of their list.
    """

    ground: str
    register: Register
    built: bool
    changes: Mapping[str, edits.Difference] = field(default_factory=dict)
    moved: int = 0

    def summary(self) -> dict[str, Any]:
        """Return counts, changes and findings as plain values."""
        return {
            "ground": self.ground,
            "rows": {name: len(getattr(self.register, name)) for name in TABLES},
            "built": self.built,
            "moved": self.moved,
            "changes": {
                name: {
                    "added": list(item.added), "removed": list(item.removed),
                    "edited": item.edited[["key", "column", "was", "now"]].to_dict("records"),
                }
                for name, item in self.changes.items()
            },
            "findings": [
                {"kind": item.kind, "severity": item.severity, "subject": item.subject, "reason": item.reason}
                for item in self.register.findings
            ],
        }  # fmt: skip

    def words(self) -> str:
        """Say it in words."""
        counts = ", ".join(f"{len(getattr(self.register, name)):,} {name}" for name in TABLES)
        lines = [self.ground, counts]
        people = self.register.people
        how = self.register.events["resolved_by"].fillna("").value_counts()
        if len(how):
            lines += ["", "Places of events, how they were resolved:"]
            lines += [f"  {number:6,}  {said}" for said, number in how.head(_MOST).items()]
        dated = self.register.events["date"].notna().sum()
        lines += ["", f"{dated:,} of {len(self.register.events):,} events dated; "
                  f"{int(people['born'].notna().sum()):,} of {len(people):,} people with a birth."]  # fmt: skip
        lines.append("")
        if not self.built:
            lines.append("Nothing is built yet: everything here is new.")
        elif not self.changes:
            lines.append("Nothing changed against ground.gpkg: building again changes nothing of the register.")
        else:
            lines.append("Changed against ground.gpkg (nothing is written until you build):")
            for difference in self.changes.values():
                lines += [f"  {line}" for line in _by_column(difference).lines(_MOST)]
        if self.moved:
            lines.append(f"{self.moved:,} rows stand on another line of their list and say the same.")
        findings = self.register.findings
        if findings:
            lines += ["", f"{len(findings)} findings of the register, worst first:"]
            ranked = sorted(findings, key=lambda item: ("danger", "warning", "note").index(item.severity))
            lines += [f"  {item.severity.upper():7} {item.kind}: {item.subject}: {item.reason}" for item in ranked[:40]]
            if len(ranked) > 40:
                lines.append(f"  ... and {len(ranked) - 40} more")
        return "\n".join(lines)


def register_changes(ground: str, register: Register, built: Mapping[str, pd.DataFrame] | None) -> RegisterChanges:
    """Compare what the lists say now with the tables of a built file; nothing is written.

    Parameters
    ----------
    ground : str
        Its name.
    register : Register
    built : dict of DataFrame or None
        Layers of the built file; None when there is none.
    """
    if built is None:
        return RegisterChanges(ground, register, built=False)
    before = {name: built[name] if name in built else schema.empty(LAYERS[name]) for name in TABLES}
    moved, shifted = _moved_rows(before, register)
    before = _followed(before, moved, shifted)
    changes = {}
    for name in TABLES:
        difference = edits.diff(before[name], getattr(register, name), LAYERS[name])
        if difference:
            changes[name] = difference
    return RegisterChanges(ground, register, built=True, changes=changes, moved=len(moved))


def _by_column(difference: edits.Difference) -> edits.Difference:
    """Tell a row that is written otherwise by the columns of its list, once, however many spaces it is about."""
    said = {"people": "name", "rights": "holder"}.get(difference.layer.name)
    if said:
        named = [
            tuple(f"{key}, {table[said].get(key, '')}" for key in keys)
            for keys, table in ((difference.added, difference.after), (difference.removed, difference.before))
        ]
        difference = replace(difference, added=named[0], removed=named[1])
    edited = difference.edited
    whole = edited["column"] == "as_written"
    if not whole.any():
        return difference
    told: dict[tuple[str, str], dict[str, Any]] = {}
    for item in edited[whole].to_dict("records"):
        source = difference.after["source"].get(item["key"], item["key"])
        was, now = (json.loads(text) if isinstance(text, str) else {} for text in (item["was"], item["now"]))
        for column in dict.fromkeys([*was, *now]):
            old, new = was.get(column) or None, now.get(column) or None
            if old != new:
                told.setdefault((str(source), column), {
                    **item, "key": source, "column": f"{column} as written", "was": old, "now": new,
                })  # fmt: skip
    rows = pd.DataFrame(list(told.values()), columns=edited.columns, dtype=object)
    return replace(difference, edited=pd.concat([rows, edited[~whole].astype(object)], ignore_index=True))


def _say_row(text: str) -> str:
    """Return a row as it was written: the columns that say something.

    Examples
    --------
    >>> _say_row('{"No.": "3", "Whom": "Ada Pell", "Buried": ""}')
    'No. 3, Whom Ada Pell'
    """
    return ", ".join(f"{name} {value}" for name, value in json.loads(text).items() if value not in (None, ""))


def _moved_rows(was: Mapping[str, pd.DataFrame], now: Register) -> tuple[dict[str, str], dict[str, str]]:
    """Rows that stand on another line of the same list now, old ``source`` to new: as they were, and written otherwise.

    A row that says something else is known by the rows round it: between two that stayed as they were there are as
    many now as before.
    """
    tables = [name for name in TABLES if "as_written" in LAYERS[name].names]
    old = pd.concat([was[name][["source", "as_written"]] for name in tables if name in was], ignore_index=True)
    new = pd.concat([getattr(now, name)[["source", "as_written"]] for name in tables], ignore_index=True)
    pieces = []
    for table in (old, new):
        rows = table.dropna().drop_duplicates("source").astype(object)
        parted = rows["source"].astype("string").str.extract(r"(?s)^(?:(.*), line )?(.*)$")
        rows = rows.assign(file=parted[0].fillna(""), line=pd.to_numeric(parted[1], errors="coerce"))
        rows = rows.sort_values(["file", "line"], kind="stable")
        pieces.append(rows.assign(turn=rows.groupby(["file", "as_written"]).cumcount()))
    both = pieces[0].merge(pieces[1], on=["file", "as_written", "turn"], suffixes=("", "_new"))
    shifted: dict[str, str] = {}
    rest = [
        piece[~piece["source"].isin(both[name])] for piece, name in zip(pieces, ("source", "source_new"), strict=True)
    ]
    for file in sorted(set(rest[0]["file"]) & set(rest[1]["file"])):
        known = both[both["file"] == file]
        gaps: list[dict[int, list[str]]] = [{}, {}]
        for k, column in enumerate(("line", "line_new")):
            kept = known.sort_values(column, kind="stable")
            own = rest[k][rest[k]["file"] == file]
            before = np.searchsorted(kept[column].to_numpy(), own["line"].to_numpy())
            for source, at in zip(own["source"], before, strict=True):
                # The row before it, by where it stands now.
                gaps[k].setdefault(int(kept["line_new"].iloc[at - 1]) if at else -1, []).append(source)
        for place, sources in gaps[0].items():
            if len(sources) == len(gaps[1].get(place, ())):
                shifted.update({old: new for old, new in zip(sources, gaps[1][place], strict=True) if old != new})
    both = both[both["source"] != both["source_new"]]
    return dict(zip(both["source"], both["source_new"], strict=True)), shifted


def _followed(
    was: Mapping[str, pd.DataFrame], moved: Mapping[str, str], shifted: Mapping[str, str]
) -> dict[str, pd.DataFrame]:
    """Give rows that stand on another line the id they have there; one whose line another has now, an id of its own."""
    to = {**moved, **shifted}
    if not to:
        return dict(was)

    def row_id(source: str) -> str:
        return source.replace(", line ", ":")

    taken = set(to.values())
    ids = {row_id(source): f"{row_id(source)}, as built" for source in taken if source not in to}
    ids |= {row_id(old): row_id(new) for old, new in to.items()}
    result = {}
    for name, table in was.items():
        if name not in TABLES:
            continue
        table = table.copy()
        for column in ("person_id", "other_id", "event_id", "memory_id", "inscription_id"):
            if column in table:
                table[column] = table[column].map(lambda value: ids.get(value, value), na_action="ignore")
        if name == "rights":
            head = table["source"].map(row_id)
            tail = [text[len(start) :] for text, start in zip(table["right_id"], head, strict=True)]
            own = np.array([text.startswith(start) for text, start in zip(table["right_id"], head, strict=True)])
            table["right_id"] = table["right_id"].mask(own, head.map(lambda value: ids.get(value, value)) + tail)
        if name == "kin":
            other = table["other_id"].where(table["by"] == "suggested", table["other_name"])
            table["kin_id"] = table["person_id"] + ", " + table["relation"] + " " + other
        table["source"] = table["source"].map(lambda value: to.get(value, value), na_action="ignore")
        result[name] = table
    return result


# ---- the history of one record -----------------------------------------------------------------------------------

_WHERE = ("person_id", "other_id", "space_id", "lot_id", "subject", "monument_id")
_TOLD = {
    "people": ("name", "born", "died", "age", "inscription", "certainty", "note", "also_in"),
    "events": ("kind", "date_written", "container", "place", "resolved_by", "certainty", "as_written"),
    "rights": ("kind", "holder", "from_holder", "share", "reserved_for", "instrument", "book", "page", "as_written"),
    "kin": ("relation", "other_name", "by", "why"),
    "memories": ("text", "about", "told_by", "as_written"),
    "inscriptions": ("name", "born", "died", "text", "photo", "as_written"),
    "openings": ("state", "person", "without_order", "ordered_for", "note"),
    "findings": ("kind", "reason", "todo"),
    "spaces": ("state", "state_why", "heads", "heads_reason"),
    "niches": ("state", "state_why"),
    "lots": ("section", "row", "lot", "spaces"),
    "vaults": ("container", "note"),
    "monuments": ("kind", "condition", "note"),
    "probable_graves": ("reason", "confidence", "note"),
    "markers": ("label", "state", "explanation"),
    "corners": ("state", "marker_id"),
}
"""Layers a history draws on, and what it tells of their rows."""
_WHEN = ("date", "told_on", "seen", "first_seen")


def history(folder: Path, subject: str, *, staff: bool = False, day: str | None = None) -> dict[str, Any]:
    """Gather what is kept about one person, space, lot or record: rows of the built file, and records.

    Parameters
    ----------
    folder : Path
    subject : str
        A key: ``register/ledger.csv:12``, ``B-14-2``.
    staff : bool
        Everything. Without it nothing is told that `cemgis.disclosure.disclose` would not publish: no holders, nobody
        who may be living, no records.
    day : str, optional
        The day it is asked on, ISO; today unless given.

    Returns
    -------
    dict
        ``subject``, ``staff``, ``held_by`` (who holds the right in a space now, by the entries) and ``entries``, each
        with ``when``, ``layer``, ``key``, ``said`` and ``source``: what happened in the order of its dates, then what
        is undated, then what people entered, in the order they did.

    Raises
    ------
    InputError
        When there is no built file, or nothing of that id is in it or in the records that may be told.
    """
    ground = read_ground(folder)
    path = folder / GROUND_FILE
    if not path.exists():
        raise InputError.of(str(path), "there is no such file", f"Build it first: cemgis build {folder}.")
    tables = geopackage.read_ground(path)
    if not staff:
        return _public_history(disclose(tables, ground, day or today()), folder, subject)
    entries: list[dict[str, Any]] = []
    held: list[str] = []
    for name, table in tables.items():
        if name not in _TOLD:
            continue
        if name == "rights":
            now, _ = holders_now(table[(table["space_id"] == subject).fillna(value=False)])
            held = [f"{row.holder} ({row.share:.0%})" if row.share < 1 else str(row.holder) for row in now.itertuples()]
        key = LAYERS[name].key
        columns = [column for column in (key, *_WHERE) if column in table]
        hit = np.zeros(len(table), dtype=bool)
        for column in columns:
            values = table[column].fillna("")
            hit |= (values == subject).to_numpy(dtype=bool)
            if column == "subject":
                hit |= values.str.split(", ").map(lambda parts: subject in parts).to_numpy(dtype=bool)
        entries += [_entry(name, key, row) for _, row in table[hit].iterrows()]
    entries.sort(key=lambda entry: (entry["when"] is None, entry["sort"]))
    log = record_files.read(folder / "records").records
    mine = {
        record["id"] for record in log
        if subject in (record["id"], str(record.get("key", record.get("opening_id"))), record.get("space_id"))
    }  # fmt: skip
    for record in log:
        if record["id"] in mine or mine & set(record.get("replaces") or ()):
            told = (
                "date",
                "person",
                "container",
                "without_order",
                "ordered_for",
                "what",
                "values",
                "was",
                "moved",
                "replaces",
            )
            said = "; ".join(f"{name} {_plainly(record[name])}" for name in told if record.get(name))
            kind = " ".join(str(record[name]) for name in ("kind", "event", "state") if record.get(name))
            text = f"{kind} by {record['who']}, because {record['why']}" + (f": {said}" if said else "")
            entries.append(
                {"when": record["when"], "layer": "records", "key": record["id"], "said": text, "source": "records"}
            )
    if not entries:
        raise InputError.of(
            str(folder),
            f"nothing is kept about {subject!r}",
            f'Find its id with: cemgis find "a name" {folder} --staff.',
        )
    return {
        "subject": subject,
        "staff": True,
        "held_by": held,
        "entries": [{name: value for name, value in entry.items() if name != "sort"} for entry in entries],
    }  # fmt: skip


def _plainly(value: object) -> str:
    """Write what a record holds: lists and mappings without their brackets."""
    if isinstance(value, Mapping):
        return ", ".join(f"{name} = {_plainly(item)}" for name, item in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(_plainly(item) for item in value)
    return "none" if value is None else str(value)


def _public_history(shown: PublicGround, folder: Path, subject: str) -> dict[str, Any]:
    """Tell of a place what the public page would: it as the plat has it, and the dead that lie there."""
    entries = []
    for name, key in (("lots", "lot_id"), ("spaces", "space_id"), ("niches", "space_id")):
        table: pd.DataFrame = getattr(shown, name)
        for _, row in table[(table[key] == subject).fillna(value=False)].iterrows():
            told = [column for column in ("section", "row", "lot", "kind", "heads") if column in row]
            said = "; ".join(f"{column} {row[column]}" for column in told if not pd.isna(row[column]))
            entries.append({"when": None, "layer": name, "key": subject, "said": said, "source": None})
    graves = shown.graves
    here = (graves["space_id"] == subject).fillna(value=False) | (graves["lot_id"] == subject).fillna(value=False)
    for row in graves[here].rename(columns={"name": "name_"}).itertuples():
        life = [
            f"{word} {say_date(value)}"
            for word, value in (("born", row.born), ("died", row.died))
            if not pd.isna(value)
        ]
        when = None if pd.isna(row.buried) else str(row.buried)
        place = subject if pd.isna(row.space_id) else str(row.space_id)
        said = "; ".join([str(row.name_), *life, *([f"in {place}"] if place != subject else [])])
        entries.append({"when": when, "layer": "graves", "key": place, "said": said, "source": None})
    if not entries:
        raise InputError.of(
            str(folder), f"nothing is kept about {subject!r} that may be shown to anybody",
            f'--staff asks everything; an id is found with: cemgis find "a name" {folder}.',
        )  # fmt: skip
    entries.sort(key=lambda entry: (entry["when"] is None, str(entry["when"])))
    return {"subject": subject, "staff": False, "held_by": [], "entries": entries}


def _entry(layer: str, key: str, row: pd.Series) -> dict[str, Any]:
    when = next((str(row[name]) for name in _WHEN if name in row and not pd.isna(row[name])), None)
    dated = {column.name for column in LAYERS[layer].columns if column.type == "date"}
    said = "; ".join(
        f"as written: {_say_row(row[name])}" if name == "as_written"
        else f"{name} {say_date(row[name]) if name in dated else row[name]}"
        for name in _TOLD[layer] if name in row and not pd.isna(row[name])
    )  # fmt: skip
    source = row["source"] if "source" in row and not pd.isna(row["source"]) else None
    first = bounds(pd.Series([when or ""]))["earliest"].iloc[0]
    return {
        "when": when, "layer": layer, "key": str(row[key]), "said": said, "source": source,
        "sort": "" if pd.isna(first) else str(first),
    }  # fmt: skip


def say_history(found: Mapping[str, Any]) -> str:
    """Say a history in words, one entry a line."""
    lines = ["FOR STAFF ONLY, not for publication."] if found["staff"] else []
    lines += [str(found["subject"]) + (f": right held by {', '.join(found['held_by'])}" if found["held_by"] else "")]
    for entry in found["entries"]:
        source = f" ({entry['source']})" if entry["source"] else ""
        when = entry["when"] if entry["layer"] == "records" else say_date(entry["when"])
        lines.append(f"  {when or 'undated':22} {entry['layer']:13} {entry['said']}{source}")
    if not found["staff"]:
        lines.append("  Holders, people who may be living, and what was recorded are told with --staff.")
    return "\n".join(lines)
