"""What the layers take from the records of openings, of remains that were moved, and of foundations."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import shapely

from cemgis import edits, schema
from cemgis.dates import bounds, say_date
from cemgis.findings import Finding, find
from cemgis.layers import EVENT_KINDS, LAYERS, OPENING_STATES
from cemgis.names import parse_name
from cemgis.units import say_taped as say

if TYPE_CHECKING:
    from cemgis.ground import Ground

__all__ = ["EVENT_KIND", "FOUNDATION_KIND", "OPENING_KIND", "Dug", "dug_from_records", "settling_due"]

OPENING_KIND = "opening"
"""Kind of the records that say how far an opening is; each says all of it and names the one it replaces."""
EVENT_KIND = "burial event"
"""Kind of the records of disinterments, moves, and urns placed or removed without an opening."""
_NUMBERS = (
    "off_plan", "sigma", *(column.name for column in LAYERS["openings"].columns if column.type in ("real", "integer"))
)  # fmt: skip
_LARGEST = 1e9
_SHOWN = 40

FOUNDATION_KIND = "foundation"
"""Kind of the records of monument foundations: set out, set, inspected."""

_ROWS = ("openings", "vaults", "probable_graves", "monuments", "events", "people")


@dataclass
class Dug:
    """Rows for the layers from what was recorded at graves.

    Parameters
    ----------
    openings : GeoDataFrame
        One row an opening, as its last record leaves it.
    rows : dict of str to DataFrame
        For ``vaults``, ``probable_graves``, ``monuments``, ``events`` and ``people``.
    taken : dict of str to str
        Spaces whose vault was taken out, and the day.
    findings : list of Finding
        ``opening off its plan``, ``opening not closed``, ``record not usable``.
    """

    openings: gpd.GeoDataFrame
    rows: dict[str, pd.DataFrame]
    taken: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def without_taken(self, vaults: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Leave out vaults that were taken out after they were seen."""
        if not self.taken or not len(vaults):
            return vaults
        gone = vaults["space_id"].astype(object).map(self.taken)
        seen = vaults["seen"].astype(object).where(vaults["seen"].notna(), "").astype(str)
        first, last = bounds(seen)["earliest"].fillna(""), bounds(gone)["latest"].fillna("")
        out = gone.notna() & (first.astype(str) <= last.astype(str))
        return vaults[~out.to_numpy(dtype=bool)].reset_index(drop=True)


def dug_from_records(ground: Ground, records: Iterable[Mapping[str, Any]]) -> Dug:
    """Make the layer ``openings`` from the records, and what they add to other layers.

    A closed opening adds a burial or an urn, and its container as measured. One that was abandoned because remains
    were found adds a probable grave. A disinterment and an urn removed are events; a move is two, of one person.

    Parameters
    ----------
    ground : Ground
    records : iterable of dict
    """
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in _ROWS}
    taken: dict[str, str] = {}
    findings: list[Finding] = []
    first: dict[str, Mapping[str, Any]] = {}
    for record in edits.standing(records):
        kind = record.get("kind")
        if kind not in (OPENING_KIND, EVENT_KIND, FOUNDATION_KIND):
            continue
        try:
            shape = _usable(ground, record)
        except ValueError as error:
            name = record.get("opening_id") or record.get("foundation_id") or record.get("space_id") or record.get("id")
            findings.append(find("record not usable", str(name), str(error)))
            continue
        record = _apart(record, first, findings)
        if kind == OPENING_KIND:
            findings += _opening(ground, record, shape, rows)
        elif kind == EVENT_KIND:
            _event(record, rows, taken)
        else:
            _foundation(record, shape, rows)
    crs = ground.crs.crs
    made = {}
    for name, found in rows.items():
        layer = LAYERS[name]
        columns = [*layer.names, *(["geometry"] if layer.geometry else [])]
        table = schema.restore(pd.DataFrame(found, columns=columns), layer, crs if layer.geometry else None)
        made[name] = gpd.GeoDataFrame(table, geometry="geometry", crs=crs) if layer.geometry else table
    openings = made.pop("openings")
    vaults = made["vaults"]
    dug = Dug(openings, made, taken, findings)
    made["vaults"] = dug.without_taken(vaults)
    return dug


def _apart(
    record: Mapping[str, Any], first: dict[str, Mapping[str, Any]], findings: list[Finding]
) -> Mapping[str, Any]:  # fmt: skip
    """Return a record under a name of its own, when two machines gave the same name to two: neither is lost."""
    key = {OPENING_KIND: "opening_id", FOUNDATION_KIND: "foundation_id"}.get(str(record["kind"]))
    name = None if key is None else record.get(key)
    if key is None or name is None:
        return record
    before = first.setdefault(str(name), record)
    if before is record:
        return record
    told = " and ".join(f"{one.get('state')}, by {one.get('who')} (record {one.get('id')})" for one in (before, record))
    todo = (
        "If it is one, take one of the records back: cemgis withdraw FOLDER RECORD. If it is two, take both back and "
    )
    todo += "enter them one after the other."
    findings.append(find("record to look at again", str(name), f"recorded twice: {told}", todo=todo))
    return {**record, key: f"{name}, record {record.get('id')}"}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _LARGEST


def _are_numbers(row: object, width: int | None) -> bool:
    return isinstance(row, list) and (width is None or len(row) == width) and all(map(_is_number, row))


def _usable(ground: Ground, record: Mapping[str, Any]) -> Any:
    """Return the record's shape; `ValueError` with words when the record cannot be used."""
    if record.get("crs", ground.crs.name) != ground.crs.name:
        msg = f"made in {record['crs']}, the ground is in {ground.crs.name}"
        raise ValueError(msg)
    if not record.get("space_id"):
        raise ValueError("it lacks its space")
    if record["kind"] == OPENING_KIND and (not record.get("opening_id") or record.get("state") not in OPENING_STATES):
        raise ValueError("it lacks its opening, space or state")
    if record["kind"] == EVENT_KIND and (record.get("event") not in EVENT_KINDS or not record.get("date")):
        raise ValueError("it does not say what happened, or when")
    for name in _NUMBERS:
        if record.get(name) is not None and not _is_number(record[name]):
            msg = f"its {name} is no number: {str(record[name])[:_SHOWN]}"
            raise ValueError(msg)
    for name, width in (("plan", 2), ("size", None)):
        given = record.get(name)
        rows = given if width else [given]
        if given is not None and not (isinstance(rows, list) and all(_are_numbers(row, width) for row in rows)):
            msg = f"its {name} is no list of numbers: {str(given)[:_SHOWN]}"
            raise ValueError(msg)
    try:
        return None if record.get("shape") is None else shapely.from_wkt(record["shape"])
    except (shapely.errors.ShapelyError, TypeError):
        raise ValueError("its shape cannot be read") from None


def _opening(
    ground: Ground, record: Mapping[str, Any], shape: Any, rows: dict[str, list[dict[str, Any]]]
) -> list[Finding]:
    findings = []
    name, section = str(record["opening_id"]), record.get("section")
    row = {key: record.get(key) for key in LAYERS["openings"].names}
    row |= {"date": str(record.get("date") or str(record["when"])[:10]), "record": record.get("id"), "geometry": shape}
    row["stones"] = "; ".join(record.get("stones") or ()) or None
    rows["openings"].append(row)
    at = None if shape is None else (float(shape.centroid.x), float(shape.centroid.y))
    place = {"section": section, "lot_id": record.get("lot_id"), "space_id": record["space_id"]}
    source = f"records, opening {name}"
    if record["state"] != "ordered" and record.get("plan") is record.get("verdict") is None:  # an order has them
        why = record.get("without_order") or "nobody says why"
        said = f"{record['state']} {say_date(row['date'])} without an order, by {record.get('who')}: {why}"
        findings.append(find("opening without order", name, said, section=section, at=at))
    if record.get("ordered_for") is not None:
        said = f"ordered for {record['ordered_for']}, recorded for {record.get('person')}"
        findings.append(find("not as ordered", name, said, section=section, at=at))
    if record["state"] == "opened":
        findings.append(find("opening not closed", name, f"opened {say_date(row['date'])}", section=section))
    if record["state"] == "abandoned" and record.get("because") == "remains found" and shape is not None:
        rows["probable_graves"].append(
            {"grave_id": f"G {name}", **place, "reason": f"remains found while opening, {say_date(row['date'])}",
             "confidence": "seen", "sigma": record.get("sigma"), "seen": row["date"], "source": source,
             "note": record.get("note"), "geometry": shape}
        )  # fmt: skip
    if record["state"] not in ("closed", "settled"):
        return findings
    off = record.get("off_plan")
    if off is not None and off > ground.rules["close.agree"]:
        said = f"what lies there is {say(float(off), ground.unit)} from its plan"
        findings.append(find("opening off its plan", name, said, section=section, at=at))
    is_urn = record.get("container_kind") == "urn"
    if shape is not None and not is_urn:
        rows["vaults"].append(
            {"vault_id": f"V {name}", **place, "container": record.get("container"), "heads": record.get("heads"),
             "top_depth": record.get("top_depth"), "sigma": record.get("sigma"), "seen": row["date"],
             "source": source, "note": record.get("note"), "geometry": shape}
        )  # fmt: skip
    buried = record.get("buried") or record.get("date")  # the day of recording is no day of a burial
    rows["people"].append(_person(source, record.get("person")))
    rows["events"].append(
        {"event_id": source, "kind": "urn placed" if is_urn else "interment", "date": buried,
         "date_written": record.get("dated_by"), "person_id": source, "place": record["space_id"],
         "lot_id": record.get("lot_id"), "space_id": record["space_id"], "resolved_by": "recorded",
         "container": record.get("container"), "source": source}
    )  # fmt: skip
    return findings


def _person(source: str, name: Any) -> dict[str, Any]:
    """Return a row of the layer ``people``: the name as it was written, and in its parts, by which it is found."""
    said = None if name is None else str(name)
    parts = parse_name(said)._asdict()
    known = {part: value or None for part, value in parts.items() if part in LAYERS["people"].names}
    return {"person_id": source, **known, "name": said, "source": source}


def _event(record: Mapping[str, Any], rows: dict[str, list[dict[str, Any]]], taken: dict[str, str]) -> None:
    """Take in a disinterment, an urn in or out; a move is out of one place and into another, of one person."""
    source = f"records, event {record.get('id')}"
    person = record.get("person_id")
    if person is None and record.get("person"):
        person = source
        rows["people"].append(_person(source, record["person"]))
    urn = bool(record.get("urn"))
    out, into = ("urn removed", "urn placed") if urn else ("disinterment", "interment")
    steps = {
        "move": [(out, "space_id", "lot_id"), (into, "to", "to_lot")],
        "disinterment": [("disinterment", "space_id", "lot_id")],
        "urn removed": [("urn removed", "space_id", "lot_id")],
        "urn placed": [("urn placed", "space_id", "lot_id")],
    }[str(record["event"])]
    for number, (kind, space, lot) in enumerate(steps, 1):
        if record.get(space) is None:  # out of this ground
            continue
        rows["events"].append(
            {"event_id": source if len(steps) == 1 else f"{source}, {number}", "kind": kind, "date": record["date"],
             "person_id": person, "place": record[space], "lot_id": record.get(lot), "space_id": record[space],
             "resolved_by": "recorded", "container": record.get("container"), "source": source}
        )  # fmt: skip
    if record.get("vault") == "taken":
        taken[str(record["space_id"])] = str(record["date"])


def _foundation(record: Mapping[str, Any], shape: Any, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Take in a foundation that was set: it stands there, whoever measured it; a plan alone does not."""
    if record.get("state") not in ("set", "passed", "failed") or shape is None:
        return
    rows["monuments"].append(
        {"monument_id": str(record["foundation_id"]), "section": record.get("section"), "lot_id": record.get("lot_id"),
         "space_id": record["space_id"], "kind": "foundation", "sigma": record.get("sigma"),
         "seen": record.get("date"), "note": record.get("note"),
         "source": f"records, {record['foundation_id']}", "geometry": shape}
    )  # fmt: skip


def settling_due(openings: pd.DataFrame, weeks: float, day: date) -> list[Finding]:
    """Return closed graves that are due to be looked at for settling on a day."""
    found = []
    for row in openings[(openings["state"] == "closed").to_numpy(dtype=bool)].itertuples():
        closed = bounds(pd.Series([str(row.date)]))["latest"].iloc[0]
        gone = 0 if pd.isna(closed) else (day - date.fromisoformat(str(closed))).days
        if gone >= 7 * weeks:
            section = None if pd.isna(row.section) else str(row.section)
            found.append(find("settling due", str(row.opening_id), f"closed {say_date(row.date)}", section=section))
    return found
