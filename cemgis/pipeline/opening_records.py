"""Openings as records tell them: the layer, and what a closed one adds to vaults, events and people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import shapely

from cemgis import edits, schema
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS, OPENING_STATES
from cemgis.opening import say

if TYPE_CHECKING:
    from cemgis.ground import Ground

__all__ = ["OPENING_KIND", "openings_from_records"]

OPENING_KIND = "opening"
"""Kind of the records that say how far an opening is; each says all of it and names the one it replaces."""


# ---- records --------------------------------------------------------------------------------------------------------


def openings_from_records(
    ground: Ground, records: Iterable[Mapping[str, Any]]
) -> tuple[gpd.GeoDataFrame, dict[str, pd.DataFrame], list[Finding]]:
    """Make the layer ``openings`` from the records, and what it adds to other layers.

    Parameters
    ----------
    ground : Ground
    records : iterable of dict

    Returns
    -------
    openings : GeoDataFrame
        One row an opening, as its last record leaves it.
    more : dict of str to DataFrame
        Rows for ``vaults``, ``events`` and ``people`` from openings that were closed.
    findings : list of Finding
        ``opening off its plan``, ``opening not closed``, ``record not usable``.
    """
    rows: list[dict[str, Any]] = []
    vaults: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    people: list[dict[str, Any]] = []
    findings: list[Finding] = []
    crs = ground.crs.crs
    columns = LAYERS["openings"].names
    for record in edits.standing(records):
        if record.get("kind") != OPENING_KIND:
            continue
        name = str(record.get("opening_id", ""))
        if record.get("crs", ground.crs.name) != ground.crs.name:
            findings.append(
                find("record not usable", name, f"made in {record['crs']}, the ground is in {ground.crs.name}")
            )
            continue
        try:
            shape = None if record.get("shape") is None else shapely.from_wkt(record["shape"])
        except (shapely.errors.ShapelyError, TypeError):
            findings.append(find("record not usable", name, "its shape cannot be read"))
            continue
        if not name or record.get("state") not in OPENING_STATES or not record.get("space_id"):
            findings.append(
                find("record not usable", name or str(record.get("id")), "it lacks its opening, space or state")
            )
            continue
        row = {key: record.get(key) for key in columns}
        row |= {"date": str(record.get("date") or record["when"])[:10], "record": record.get("id"), "geometry": shape}
        rows.append(row)
        if record["state"] == "opened":
            findings.append(find("opening not closed", name, f"opened {row['date']}", section=record.get("section")))
        if record["state"] not in ("closed", "settled"):
            continue
        off = record.get("off_plan")
        if off is not None and off > ground.rules["close.agree"]:
            at = None if shape is None else (float(shape.centroid.x), float(shape.centroid.y))
            findings.append(
                find("opening off its plan", name, f"what lies there is {say(float(off), ground.unit)} from its plan",
                     section=record.get("section"), at=at)
            )  # fmt: skip
        source = f"records, opening {name}"
        is_urn = record.get("container_kind") == "urn"
        if shape is not None and not is_urn:
            vaults.append(
                {
                    "vault_id": f"V {name}",
                    "section": record.get("section"),
                    "lot_id": record.get("lot_id"),
                    "space_id": record["space_id"],
                    "container": record.get("container"),
                    "heads": record.get("heads"),
                    "top_depth": record.get("top_depth"),
                    "sigma": record.get("sigma"),
                    "seen": row["date"],
                    "source": source,
                    "note": record.get("note"),
                    "geometry": shape,
                }
            )
        buried = str(record.get("buried") or record.get("date") or record["when"])[:10]
        people.append({"person_id": source, "name": record.get("person"), "source": source})
        events.append(
            {"event_id": source, "kind": "urn placed" if is_urn else "interment", "date": buried, "person_id": source,
             "place": record["space_id"], "lot_id": record.get("lot_id"), "space_id": record["space_id"],
             "resolved_by": "recorded", "container": record.get("container"), "source": source}
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=[*columns, "geometry"])
    openings = gpd.GeoDataFrame(schema.restore(table, LAYERS["openings"], crs), geometry="geometry", crs=crs)
    more = {
        "vaults": schema.restore(
            pd.DataFrame(vaults, columns=[*LAYERS["vaults"].names, "geometry"]), LAYERS["vaults"], crs
        ),
        "events": schema.restore(pd.DataFrame(events, columns=list(LAYERS["events"].names)), LAYERS["events"]),
        "people": schema.restore(pd.DataFrame(people, columns=list(LAYERS["people"].names)), LAYERS["people"]),
    }
    return openings, more, findings
