"""What a person must look at: the kinds there are, how grave each is, and making rows of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import Point

from cemgis import schema
from cemgis.layers import LAYERS, SEVERITIES

__all__ = [
    "FINDINGS", "GROUND_WORK", "Finding", "FindingKind", "find", "settled_first", "tabulate", "with_places",
    "worst_first",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of finding.

    Parameters
    ----------
    kind : str
    severity : str
        One of `cemgis.layers.SEVERITIES`.
    meaning : str
    todo : str
        What to do, unless the finding itself says more.
    """

    kind: str
    severity: str
    meaning: str
    todo: str


def _kinds(*rows: tuple[str, str, str, str]) -> Mapping[str, FindingKind]:
    return {kind: FindingKind(kind, severity, meaning, todo) for kind, severity, meaning, todo in rows}


_D, _W, _N = SEVERITIES

FINDINGS: Mapping[str, FindingKind] = _kinds(
    # ---- positions that could be wrong ----------------------------------------------------------------------------
    ("label misread", _D, "a marker lies where another lot's marker belongs",
     "Read the marker again. Until then neither label holds a lot."),
    ("file shifted", _D, "all readings of one file miss by the same amount",
     "Find out which correction service or base the file was made with and declare it."),
    ("control missed", _D, "a reading on control does not give the published coordinates",
     "Check the reference declared for that file before staking anything."),
    ("plat without fit", _D, "too few markers were found to place a plat",
     "Find the markers named and read them."),
    ("plat contradicted", _D, "many of the markers found in a row or section say that other lots lie there",
     "Compare what is written of the plat (numbering, run and step of its rows, corner of the markers) with the ground "
     "before anything is measured here."),
    ("corner contradicted", _D, "somebody saw at a lot that its marker or its spaces lie otherwise than is written",
     "Look again at that lot, then mend markers, facing or from in ground.toml. Measure from no marker of it before."),
    ("lot out of shape", _D, "a lot would fold or change its size by too much if it followed its found markers",
     "Check its markers on the ground."),
    ("marker at two places", _D, "one label was read at two places", "Read both again; one of them is another lot's."),
    ("marker unexplained", _D, "a marker misses and no single cause explains it",
     "Visit it, read label and surroundings, measure to its neighbours."),
    # ---- markers and readings -------------------------------------------------------------------------------------
    ("marker moved or set there", _W, "a marker stands off its place by more than markers of this plat do",
     "Look for signs of disturbance. Past graves may have been taped from it: compare stones and vaults nearby."),
    ("marker at another corner", _W, "a marker stands at another corner of its own lot",
     "Check on the ground which corner it marks."),
    ("marker damaged", _W, "a marker was found broken, tilted or loose",
     "Do not measure from it before it is checked against its neighbours."),
    ("label not on plat", _W, "a label was read that no lot has", "Read it again or complete the plat."),
    ("occupations disagree", _W, "two occupations of one marker differ by more than they should",
     "Occupy it once more."),
    ("tape disagrees", _W, "a taped distance does not agree with the readings", "Tape it again."),
    ("receiver moved", _W, "the receiver did not stand still during an occupation", "Occupy it once more."),
    ("position unchecked", _W, "there is no control to check the absolute position against",
     "Ties are sound, staking coordinates are not: read a published control point."),
    ("lines not understood", _N, "some lines of a file could not be read", "Look at the lines named."),
    ("assumed of a file", _N, "something about a file was assumed, or is not as it should be",
     "Say it in ground.toml, or mend the file."),
    ("precision not told", _W, "a file says neither what kind of solution its readings are nor how good they are",
     "Ask who made it. If the receiver's integers were fixed, write fix = \"fixed\" beside the file in ground.toml, or "
     "sigma = \"...\", or name the column; until then its radii are far larger than they need be."),
    ("feature broken", _W, "a feature of a file could not be used", "Mend it where it came from."),
    ("markers not trusted", _N, "markers with a single occupation and no taped check",
     "Occupy them a second time, hours apart, or tape them."),
    # ---- the plat and the fit -------------------------------------------------------------------------------------
    ("fit without check", _W, "a plat was placed with no marker to spare", "Find at least one more marker."),
    ("places unsure", _W, "spaces whose true place may be their neighbour's",
     "Find more markers here before anything is measured from the map: `cemgis seek` says which."),
    ("fit loose", _W, "the markers of a plat miss by more than the rule expects",
     "Look at the misses: the plat may be distorted or drawn after the fact."),
    ("plat north is not north", _W, "the top of a plat does not point north on the ground",
     "Check what is written about sides and corners against the ground before measuring from a marker."),
    ("scale implausible", _D, "a plat fits its markers only at a scale that no tape or chain makes",
     "Check the unit of its lengths, in ground.toml or in the file of its lots."),
    ("plats overlap", _W, "two plats claim the same land", "The earlier plat goes first until someone decides."),
    ("sections overlap", _W, "two sections of one plat claim the same land", "Mend the plat's sections."),
    # ---- register -------------------------------------------------------------------------------------------------
    ("record not usable", _W, "a line of the records is torn, was altered or is no record",
     "Look at the line and enter again what it says."),
    ("place unknown", _W, "a record names a place that does not exist", "Check the ledger page."),
    ("place reads two ways", _W, "a place means one space by today's numbering and another by a former one",
     "Look at the ledger page and the plat of that time, then write what it means."),
    ("place open", _N, "a record names a lot or section but no space", "Complete it where the ledger allows."),
    ("stone without record", _N, "headstones stand where the register knows of nothing; these spaces are in doubt",
     "Read the stones and complete the register."),
    ("space overfull", _W, "more burials are recorded in a space than the rule allows", "Check the ledger."),
    ("removal without burial", _W, "a disinterment is recorded where no burial is", "Check the ledger."),
    ("right given twice", _W, "two holders have a space and nothing says that it passed from one to the other",
     "Look at both deeds; nobody is buried on either until it is settled."),
    ("right passed on by another", _W, "somebody passes on a right that the record gives to another",
     "Look for the deed or the will between them."),
    ("shares do not add up", _W, "the shares of those who hold a space are more or less than the whole",
     "Look at the instruments; somebody's share is missing or was written twice."),
    ("burial before death", _W, "a burial is dated before the death", "Check both dates in the ledger."),
    ("death before birth", _W, "a death is dated before the birth", "Check both dates in the ledger."),
    ("date still to come", _W, "the register has a day that has not come yet",
     "Check the ledger; a burial counts as one until it is mended, and its space as taken."),
    ("person twice", _W, "two rows seem to record one person",
     "Compare the rows and what else is known; if they are one, strike one of them in the list it came from."),
    ("stone disagrees", _W, "a stone says something else than the register",
     "Look at the stone and the ledger page. Neither is always right."),
    ("sources disagree", _W, "two lists record one burial and differ",
     "The list named first in ground.toml counts until someone decides."),
    ("age disagrees", _N, "an age does not fit the dates", "Check the ledger."),
    ("gap in the ledger", _N, "numbers of the ledger are missing", "Look for the leaf, or note that it is lost."),
    ("rows not understood", _N, "some rows of the register could not be read", "Look at the rows named."),
    ("record to look at again", _W, "what a person settled by hand replaces something the evidence says otherwise now",
     "Confirm it or withdraw the record."),
    ("edit set aside", _W, "somebody changed in the file what no record can say; the change is kept aside",
     "Make it where it belongs, then take the record back."),
    ("day and month open", _N, "a column does not show whether the day or the month is written first",
     "They are kept as one of two days; write the dates of that list with the month as a word."),
    ("no such day", _W, "the register has a day that no calendar has",
     "Look at the ledger page; until then the date stays open, and it does not say how the others are written."),
    ("dates open", _N, "some dates of the register are not understood",
     "They are kept as written and left open; nothing is guessed."),
    # ---- what lies where ------------------------------------------------------------------------------------------
    ("heads disagree", _W, "stones or vaults show the heads at the other end than the rule",
     "Settle it before anything is opened here: confirm on neighbours, then write the rule."),
    ("heads unknown", _W, "no rule and no neighbour says which way the heads lie", "Write the section's rule."),
    ("clearance short", _W, "two things lie closer than the rule", "Probe before digging beside either."),
    ("vault astray", _W, "a vault reaches into a space that is not its own",
     "Treat both spaces as affected; probe before digging."),
    ("vault not placed", _W, "probe hits cannot be one vault of its size, or do not tell where it lies",
     "Probe again."),
    ("opening off its plan", _W, "what lies in a grave is not where it was planned",
     "Plan the next opening beside it from the as-built; look at the ties used."),
    ("opening without order", _W, "a grave was opened or closed that nobody ordered, by the records",
     "Find out by whose order and right, and whether it is the right place; add what is known as a note."),
    ("not as ordered", _W, "somebody else was buried than the order names",
     "Look at the order and the permit: a name spelt otherwise, or the wrong grave?"),
    ("opening not closed", _N, "a grave was opened and no record says it was closed", "Record how it was closed."),
    ("settling due", _N, "a closed grave is due to be looked at for settling", "Look, fill, and record it as settled."),
    ("space obstructed", _N, "a tree, wall or drive takes part of a space", "Count it as lost unless cleared."),
)  # fmt: skip
"""Every kind of finding by name, the gravest first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a person must look at.

    Parameters
    ----------
    kind : str
        A key of `FINDINGS`.
    subject : str
        What it is about: an id, a label, a file.
    reason : str
        Why, with the numbers.
    section : str, optional
    at : tuple of float, optional
        Grid coordinates (easting, northing).
    todo : str, optional
        Instead of the kind's own.
    """

    kind: str
    subject: str
    reason: str
    section: str | None = None
    at: tuple[float, float] | None = None
    todo: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in FINDINGS:
            msg = f"there is no kind of finding {self.kind!r}"
            raise ValueError(msg)

    @property
    def severity(self) -> str:
        """How grave it is."""
        return FINDINGS[self.kind].severity


def find(kind: str, subject: object, reason: str, **more: Any) -> Finding:
    """Make a finding; the same as `Finding`, with the subject turned into text."""
    return Finding(kind, str(subject), reason, **more)


def _storable(text: str) -> str:
    """Write out what no database keeps: a NUL cuts a text off, half a surrogate pair is no character."""
    return text.replace("\0", "\\x00").encode("utf-8", "backslashreplace").decode("utf-8")


def tabulate(findings: Iterable[Finding], crs: Any = None) -> gpd.GeoDataFrame:
    """Return findings as the ``findings`` layer, worst first.

    Two findings of one kind about one subject become one row, their reasons joined.

    Examples
    --------
    >>> table = tabulate([find("label not on plat", "B-999", "read at 40.1, -82.3"),
    ...                   find("label misread", "B-16", "lies where 91 belongs")])
    >>> list(table["severity"])
    ['danger', 'warning']
    """
    merged: dict[tuple[str, str], Finding] = {}
    for item in findings:
        first = merged.get((item.kind, item.subject))
        if first is None:
            merged[item.kind, item.subject] = item
        elif item.reason not in first.reason:
            reason = f"{first.reason}; {item.reason}"
            merged[item.kind, item.subject] = Finding(
                item.kind, item.subject, reason, first.section or item.section, first.at or item.at, first.todo
            )
    rows = sorted(merged.values(), key=lambda item: _rank(item.severity, item.kind, item.subject))
    table = pd.DataFrame(
        {
            "finding_id": [_storable(f"{item.kind}: {item.subject}") for item in rows],
            "severity": [item.severity for item in rows],
            "kind": [item.kind for item in rows],
            "subject": [_storable(item.subject) for item in rows],
            "section": [item.section for item in rows],
            "reason": [_storable(item.reason) for item in rows],
            "todo": [item.todo or FINDINGS[item.kind].todo for item in rows],
        }
    )
    shapes = [None if item.at is None else Point(item.at) for item in rows]
    frame = schema.restore(table.assign(geometry=pd.Series(shapes, dtype=object)), LAYERS["findings"], crs)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=crs)


def with_places(table: gpd.GeoDataFrame, layers: Mapping[str, pd.DataFrame]) -> gpd.GeoDataFrame:
    """Give findings without a place that of their subject: a space, a lot, or where an entry of the register says.

    Parameters
    ----------
    table : GeoDataFrame
        As `tabulate` returns it.
    layers : mapping of str to DataFrame
        ``spaces`` and ``lots`` with shapes, ``events``; what is missing leads nowhere.

    Examples
    --------
    >>> import shapely
    >>> spaces = gpd.GeoDataFrame({"space_id": ["B-78-4"], "section": ["B"]}, geometry=[shapely.box(0, 0, 4, 10)])
    >>> events = pd.DataFrame({"event_id": ["list.csv:4"], "person_id": "list.csv:4", "space_id": "B-78-4"})
    >>> found = tabulate([find("space overfull", "B-78-4", "two"), find("burial before death", "list.csv:4", "")])
    >>> placed = with_places(found, {"spaces": spaces, "events": events})
    >>> placed["section"].tolist(), placed.geometry.x.tolist()
    (['B', 'B'], [2.0, 2.0])
    """
    bare = np.flatnonzero((table.geometry.isna() | table.geometry.is_empty).to_numpy())
    subjects = [[part.strip() for part in str(table["subject"].iloc[row]).split(",")] for row in bare]
    wanted = {part for parts in subjects for part in parts}
    place_of: dict[str, str] = {}
    events = layers.get("events")
    if events is not None and len(events):
        for key in ("event_id", "person_id"):
            for name in ("lot_id", "space_id"):
                if key in events and name in events:
                    rows = events[events[key].isin(wanted) & events[name].notna()]
                    place_of |= dict(zip(rows[key].astype(str), rows[name].astype(str), strict=True))
    wanted |= set(place_of.values())
    spots: dict[str, tuple[str, Point]] = {}
    for layer, key in (("spaces", "space_id"), ("lots", "lot_id")):
        land = layers.get(layer)
        if land is None or not len(land) or "geometry" not in land:
            continue
        rows = land[land[key].isin(wanted) & ~(land["geometry"].isna())]
        middles = shapely.point_on_surface(rows["geometry"].to_numpy())
        spots |= {
            str(name): (section, at) for name, section, at in zip(rows[key], rows["section"], middles, strict=True)
        }
    out = table.copy()
    sections, shapes = out["section"].astype(object).to_list(), list(out.geometry)
    for row, parts in zip(bare, subjects, strict=True):
        known = next((spot for part in parts if (spot := spots.get(part) or spots.get(place_of.get(part, "")))), None)
        if known is not None:
            shapes[row] = known[1]
            sections[row] = known[0] if pd.isna(sections[row]) else sections[row]
    out["section"] = pd.Series(sections, index=out.index, dtype=out["section"].dtype)
    return out.set_geometry(gpd.GeoSeries(shapes, index=out.index, crs=out.crs))


GROUND_WORK = ("plat without fit", "fit without check", "places unsure", "clearance short", "vault astray",
               "vault not placed")  # fmt: skip
"""Kinds whose remedy is to probe, to dig or to look for markers in the ground."""


def settled_first(table: pd.DataFrame, protected: Mapping[str, str], sections_of: Mapping[str, Sequence[str]]) -> Any:
    """Say "settle first" wherever the remedy of a finding would open the ground of a protected section.

    Parameters
    ----------
    table : DataFrame
        As `tabulate` returns it.
    protected : mapping of str to str
        Why, by section.
    sections_of : mapping of str to sequence of str
        Sections of each plat, for findings about a whole plat.

    Examples
    --------
    >>> table = tabulate([find("clearance short", "B-16-1, B-16-2", "0.4 ft", section="B")])
    >>> settled_first(table, {"B": "unmarked burials"}, {})["todo"].iloc[0][:82]
    'SETTLE FIRST, before any probe or spade (section B is protected: unmarked burials)'
    """
    todo = table["todo"].astype(object).tolist()
    for row, (kind, subject, section) in enumerate(zip(table["kind"], table["subject"], table["section"], strict=True)):
        if kind in GROUND_WORK:
            about = sections_of.get(str(subject), ()) if pd.isna(section) else (str(section),)
            why = "; ".join(f"section {name} is protected: {protected[name]}" for name in about if name in protected)
            if why:
                todo[row] = f"SETTLE FIRST, before any probe or spade ({why}). {todo[row]}"
    return table.assign(todo=pd.Series(todo, index=table.index, dtype=table["todo"].dtype))


def _rank(severity: str, kind: str, subject: str) -> tuple[int, int, str]:
    ranks = {name: rank for rank, name in enumerate(FINDINGS)}
    grave = SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)
    return grave, ranks.get(kind, len(ranks)), subject


def worst_first(table: pd.DataFrame) -> pd.DataFrame:
    """Return the findings layer in the order of `tabulate`: a file keeps it by key, and a map numbers it worst first.

    Examples
    --------
    >>> table = tabulate([find("label not on plat", "B-9", "read"), find("label misread", "B-16", "lies elsewhere")])
    >>> worst_first(table.iloc[::-1])["severity"].tolist()
    ['danger', 'warning']
    """
    columns = (table[name].astype(object).fillna("").astype(str) for name in ("severity", "kind", "subject"))
    keys = [_rank(*row) for row in zip(*columns, strict=True)]
    return table.iloc[sorted(range(len(keys)), key=keys.__getitem__)].reset_index(drop=True)
