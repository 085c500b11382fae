"""What people decided about markers that do not agree, and what each marker stands for because of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis import edits
from cemgis.findings import Finding, find
from cemgis.plat import Match, Plat

__all__ = ["KINDS", "Judgements", "apply_judgements"]

KINDS = ("accept", "reject")
"""Kinds of record made here: an explanation of a marker is accepted, or the marker is right as it was read."""


@dataclass(frozen=True)
class Judgements:
    """What was decided, marker by marker.

    Parameters
    ----------
    site : (n,) array of int
        Site each marker stands for, -1 for none; that of the label it really bears where a misreading was accepted.
    match : list of Match
    stands : (n,) array of int
        Corner it was accepted to stand at, -1 where that is its own.
    disturbed : array of bool
        Corners whose marker was accepted to be disturbed.
    right : (n,) array of bool
        Markers that are right as they were read, whatever they miss by.
    said : dict of int to str
        What to write beside a marker.
    findings : list of Finding
    """

    site: npt.NDArray[np.int64]
    match: list[Match]
    stands: npt.NDArray[np.int64]
    disturbed: npt.NDArray[np.bool_]
    right: npt.NDArray[np.bool_]
    said: dict[int, str]
    findings: list[Finding]


def apply_judgements(
    plat: Plat, markers: pd.DataFrame, match: list[Match], records: Iterable[Mapping[str, Any]]
) -> Judgements:
    """Carry accepted and rejected explanations into what each marker stands for; the evidence stays as it came."""
    latest: dict[str, Mapping[str, Any]] = {}
    for record in edits.standing(records):
        if record.get("layer") == "markers" and record.get("kind") in KINDS:
            latest[str(record.get("key"))] = record
    n = len(markers)
    site = np.array([-1 if found.site is None else found.site for found in match], dtype=np.int64)
    match, stands = list(match), np.full(n, -1, dtype=np.int64)
    disturbed, right = np.zeros(len(plat.corners), dtype=bool), np.zeros(n, dtype=bool)
    said: dict[int, str] = {}
    findings: list[Finding] = []
    rows = {str(name): row for row, name in enumerate(markers["marker_id"])}
    corners = {str(name): row for row, name in enumerate(plat.corners["corner_id"])}
    at_corner = {int(corner): row for row, corner in enumerate(plat.sites["corner_index"])}
    for key, record in latest.items():
        row, who = rows.get(key), record.get("who")
        if row is None:
            why = f"it judges marker {key}, which is not there"
            findings.append(find("record to look at again", f"markers {key}", why))
            continue
        cause, corner = str(record.get("explanation")), corners.get(str(record.get("corner_id")))
        if record["kind"] == "reject":
            right[row] = True
            said[row] = f"{who} found it right as it was read: {record.get('why')}"
        elif cause == "label misread" and corner in at_corner:
            site[row] = at_corner[corner]
            one = plat.sites.iloc[site[row]]
            lot = one["lot_id"] if pd.notna(one["lot_id"]) else one["space_id"]
            match[row] = Match(int(site[row]), str(lot), (str(one["label"]),))
            said[row] = f"misread, it is {one['label']}: accepted by {who}, {record.get('why')}"
        elif cause == "marker at another corner" and corner is not None and site[row] >= 0:
            stands[row] = corner
            said[row] = f"it stands at another corner of its lot: accepted by {who}, {record.get('why')}"
        elif site[row] >= 0:
            disturbed[int(plat.sites["corner_index"].iloc[site[row]])] = True
            said[row] = f"disturbed: accepted by {who}, {record.get('why')}"
    return Judgements(site, match, stands, disturbed, right, said, findings)
