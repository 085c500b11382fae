"""GPX waypoints."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import replace
from xml.parsers import expat

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.readings.cells import numbers_of, strings
from cemgis.files.readings.columns import Source, choose_columns
from cemgis.files.readings.points import points_of_text
from cemgis.files.readings.table import RawReadings
from cemgis.files.readings.words import WORDS, cut_header
from cemgis.files.tables import BrokenLine, Table, shown

__all__ = ["parse_gpx"]

_GPX_FIELDS = ("name", "time", "ele", "geoidheight", "fix", "sat", "hdop", "cmt", "desc")
_LONGEST_TEXT = 4096


class _Waypoints:
    """Collects the waypoints of a GPX document as the parser meets them."""

    def __init__(self, where: str, wanted: Iterable[str]) -> None:
        self.where = where
        self.wanted = set(wanted)
        self.rows: list[dict[str, str]] = []
        self.lines: list[int] = []
        self.path: list[str] = []
        self.text: list[str] = []
        self.track_points = 0
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self.refuse
        self.parser.EntityDeclHandler = self.refuse

    def refuse(self, *_: object) -> None:
        """Stop at a document type: its entities can blow a small file up without end."""
        raise InputError.of(self.where, "it declares a document type or entities", "Export the waypoints as plain GPX.")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        uri, _, local = name.rpartition(" ")
        ours = not uri or "topografix.com/GPX" in uri
        if not self.path and (local != "gpx" or not ours):
            raise InputError.of(self.where, f"this is {shown(local, 30)!r}, not GPX", "Name a GPX file.")
        self.path.append(local if ours or "extensions" in self.path else f"{uri} {local}")
        self.text = []
        if self.path == ["gpx", "wpt"]:
            self.rows.append({"lat": attributes.get("lat", ""), "lon": attributes.get("lon", "")})
            self.lines.append(self.parser.CurrentLineNumber)
        elif local in ("trkpt", "rtept"):
            self.track_points += 1

    def characters(self, text: str) -> None:
        """Keep the text of the element, up to a bound."""
        if len(self.path) > 2 and len(self.text) < 64:
            self.text.append(text[:_LONGEST_TEXT])

    def end(self, _: str) -> None:
        """Note the element's text where it is a field of a waypoint."""
        if len(self.path) > 2 and self.path[1] == "wpt":
            local, text = self.path[-1], "".join(self.text).strip()[:_LONGEST_TEXT]
            row = self.rows[-1]
            if (len(self.path) == 3 and local in _GPX_FIELDS) or (
                self.path[2] == "extensions" and text and (local in self.wanted or self.recognised(local))
            ):
                row.setdefault(local, text)
        self.text = []
        self.path.pop()

    @staticmethod
    def recognised(local: str) -> bool:
        """Whether an extension's name is one of ours."""
        key, _ = cut_header(local)
        return any(key in words for name, words in WORDS.items() if name not in ("label", "note", "lat", "lon"))


def parse_gpx(
    data: bytes,
    *,
    columns: Mapping[str, str] | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take the waypoints of a GPX file; their name is the label, extensions are searched for columns of ours.

    A file that breaks off keeps the waypoints before the break.

    Parameters
    ----------
    data : bytes
    columns, label, section, antenna_height_m, day, where
        As in `parse_points`; a column may name an element of the extensions.

    Raises
    ------
    InputError
        When it is not GPX, declares a document type or entities, breaks off before its first waypoint, or has no
        waypoint with a position.

    Examples
    --------
    >>> text = b'<gpx version="1.1"><wpt lat="40.9" lon="-82.3"><name>A-16</name><fix>dgps</fix></wpt></gpx>'
    >>> parse_gpx(text).table[["label", "x", "y", "fix"]].to_numpy().tolist()
    [['A-16', -82.3, 40.9, 'differential']]
    """
    wanted = [str(theirs) for theirs in (columns or {}).values()]
    found = _Waypoints(where, wanted)
    broken: list[BrokenLine] = []
    try:
        found.parser.Parse(data, True)
    except InputError:
        raise
    except (expat.ExpatError, LookupError, ValueError) as error:
        line = int(getattr(error, "lineno", 0) or 0)
        why = expat.ErrorString(error.code) if isinstance(error, expat.ExpatError) else str(error)
        if not found.rows and found.path:
            what = f"the file breaks off at line {line}, before its first waypoint ({why})"
            raise InputError.of(where, what, "Copy it again from the receiver, whole.") from None
        if not found.rows:
            raise InputError.of(where, f"it is not GPX ({why}, line {line})", "Export it again as GPX 1.1.") from None
        source = data.split(b"\n")
        said = source[line - 1][:200].decode("latin-1") if 0 < line <= len(source) else ""
        broken.append(BrokenLine(line, shown(said), f"the file breaks off here ({why})"))
        if len(found.path) > 1 and found.path[1] == "wpt":
            found.rows.pop()
            found.lines.pop()
        if not found.rows:
            what = f"the file breaks off at line {line}, within its first waypoint ({why})"
            raise InputError.of(where, what, "Copy it again from the receiver, whole.") from None
    if not found.rows:
        count = found.track_points
        tracks = f", only {count} points of tracks and routes, which carry no label" if count else ""
        raise InputError.of(
            where, f"there is no waypoint in it{tracks}", "Store a named waypoint at each marker and export those."
        )
    names = ["lat", "lon", *_GPX_FIELDS]
    names += sorted({name for row in found.rows for name in row} - set(names))
    rows = pd.DataFrame({name: strings([row.get(name, "") for row in found.rows]) for name in names})
    table = Table(rows, np.array(found.lines, dtype=np.int64), tuple(broken), len(broken), "xml", "")
    told = columns or {}
    chosen = choose_columns(names, told, where)
    fixed = {"label": "name", "time": "time", "fix": "fix", "satellites": "sat", "hdop": "hdop", "note": "cmt"}
    for ours, theirs in fixed.items():
        if ours not in told:
            chosen[ours] = Source(theirs, None)
    chosen["lat"], chosen["lon"] = Source("lat", None), Source("lon", None)
    for other in ("x", "y", "easting", "northing"):
        chosen.pop(other, None)
    if "height" not in told:
        chosen.pop("height", None)
    raw = points_of_text(table, chosen, told, label, section, antenna_height_m, day, where)
    at = np.searchsorted(table.lines, raw.table["line"].to_numpy())
    above, _ = numbers_of(strings(rows["ele"]))
    geoid, _ = numbers_of(strings(rows["geoidheight"]))
    height = (above + geoid)[at]
    full = raw.table.assign(height=np.where(np.isnan(height), raw.table["height"], height))
    return replace(raw, table=full, geographic=True)
