"""Vector files of any kind, read feature by feature, so that one bad feature is named and the rest kept."""

from __future__ import annotations

import json
import logging
import re
import sqlite3
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.parsers import expat

import fiona
import fiona.io
import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely.geometry import shape

from cemgis.errors import Gather, InputError
from cemgis.files.tables import NAMED, BrokenLine, decode, existing_file, shown

__all__ = ["DRIVERS", "Features", "read_features"]

DRIVERS = (
    "GPKG", "GeoJSON", "GeoJSONSeq", "TopoJSON", "ESRI Shapefile", "KML", "LIBKML", "FlatGeobuf", "GML",
    "MapInfo File", "DXF", "OGR_GMT", "SQLite",
)  # fmt: skip
"""Kinds of file that are opened. None of them can point to another file or to the network."""

_SQLITE = b"SQLite format 3\0"
_VIRTUAL = re.compile(r"\s*create\s+virtual\s+table\b.*?\busing\s+[\"'`\[]?(\w+)", re.IGNORECASE | re.DOTALL)
_INDEXES = ("rtree", "rtree_i32", "fts3", "fts4", "fts5", "virtualspatialindex", "virtualelementary")
_NUL_WRITTEN = re.compile(r"(?<!\\)(?:\\\\)*\\u0000")
_DEEPEST = 200  # elements inside one another; a file of features has about ten
_BLOCK = 1 << 20
_LARGEST_LON, _LARGEST_LAT = 360.0, 90.0  # degrees; some count longitudes to 360
_TROUBLE = (fiona.errors.FionaError, ValueError, OSError, KeyError, TypeError)


@dataclass(frozen=True, slots=True)
class Features:
    """Features of a file and what was left out.

    Parameters
    ----------
    table : GeoDataFrame
        ``feature`` (number in the file, from 1), its attributes, its geometry in the file's own CRS (None if it has
        none).
    broken : tuple of BrokenLine
        The first features that could not be used; the line is the feature's number.
    n_broken : int
    notes : tuple of str
    unnamed : str
        Why the table has no CRS although its format takes degrees for granted: the file names no system, and its
        numbers cannot be degrees. Empty otherwise.
    """

    table: gpd.GeoDataFrame
    broken: tuple[BrokenLine, ...] = ()
    n_broken: int = 0
    notes: tuple[str, ...] = ()
    unnamed: str = ""


def read_features(
    path: Path | str,
    columns: Mapping[str, str] | None = None,
    *,
    kinds: Iterable[str] | None = None,
    where: str | None = None,
) -> Features:
    """Read a vector file feature by feature.

    A feature without a geometry, with one that cannot be read, is empty, has a coordinate that is no number or
    crosses itself is left out and named.

    Parameters
    ----------
    path : Path
    columns : mapping of str to str, optional
        Our name to the file's: only these attributes come back, under our names. All of them, under their own,
        when left out.
    kinds : iterable of str, optional
        Geometry types that are wanted (``Point``, ``Polygon``, ...); others are left out and named.
    where : str, optional
        What the file is called in messages.

    Raises
    ------
    InputError
        When it is no vector file, a column named is not in it, no feature is usable, or it names a system in degrees
        and its numbers cannot be degrees.
    """
    path = Path(path)
    place = where or path.name
    existing_file(path, place)
    notes: list[str] = []
    silent: list[str] = []
    with _openable(path, place, notes, silent) as source, warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            # A desktop program keeps its styles as a table among the layers.
            layers = [name for name in fiona.listlayers(source) if name != "layer_styles"]
            parts = [_read_layer(source, layer, columns, place) for layer in layers]
        except InputError:
            raise
        except _TROUBLE as error:
            logging.getLogger(__name__).debug("%s: %s", place, error)
            raise InputError.of(
                place,
                "this is not a vector file that can be read, or it is damaged",
                "Export it as GeoPackage, GeoJSON or Shapefile (with its .shx and .dbf beside it).",
            ) from None
    notes += list(dict.fromkeys(shown(item.message, 120) for item in warned))[:5]
    if len(layers) > 1:
        notes.append(f"{len(layers)} layers read as one: {', '.join(shown(name, 30) for name in layers[:5])}")
    systems = [part.crs for part in parts if part.crs is not None]
    for other in systems[1:]:
        if other != systems[0]:
            what = f"its layers are in different reference systems ({systems[0].name}, {other.name})"
            raise InputError.of(place, what, "Keep one layer a file.")
    rows = [row for part in parts for row in part.rows]
    shapes = np.array([None, *(made for part in parts for made in part.shapes)], dtype=object)[1:]
    why = np.array(["", *(reason for part in parts for reason in part.why)], dtype=object)[1:]
    read = why == ""
    why[read] = _unsound(shapes[read], set(kinds) if kinds is not None else None)
    bad = np.flatnonzero(why != "")
    broken = tuple(BrokenLine(int(at) + 1, _said(rows[at]), str(why[at])) for at in bad[:NAMED])
    good = np.flatnonzero(why == "")
    if not len(good):
        first = "; ".join(f"feature {item.line}: {item.why}" for item in broken[:3])
        what = f"not one feature in it can be used ({first})" if first else "there is no feature in it"
        raise InputError.of(place, what, "Check that it is the right file.")
    attributes = [{ours: rows[at].get(theirs) for ours, theirs in columns.items()} for at in good] if columns else None
    frame = pd.DataFrame(attributes or [rows[at] for at in good], index=pd.RangeIndex(len(good)))
    frame = frame.drop(columns=["feature", "geometry"], errors="ignore")
    frame.insert(0, "feature", good + 1)
    crs, unnamed = systems[0] if systems else None, ""
    if crs is not None and crs.is_geographic:
        numbers = np.median(np.abs(shapely.get_coordinates(shapes[good])), axis=0)
        if numbers[0] > _LARGEST_LON or numbers[1] > _LARGEST_LAT:
            x, y = shapely.get_coordinates(shapes[good][:1])[0]
            cannot = f"its numbers cannot be degrees (first: {x:.10g}, {y:.10g})"
            if not silent:
                what = f"it says that it is in degrees ({crs.name}), and {cannot}"
                raise InputError.of(place, what, "Export it again with the system its numbers are in.")
            crs, unnamed = None, f"{silent[0]}, and {cannot}"
    table = gpd.GeoDataFrame(frame, geometry=shapes[good], crs=crs)
    return Features(table, broken, len(bad), tuple(notes), unnamed)


@contextmanager
def _openable(path: Path, place: str, notes: list[str], silent: list[str]) -> Iterator[Any]:
    """Give what fiona is to open: the path, or a copy in memory; note in `silent` that the file names no system.

    JSON, XML and databases are looked through first. Of JSON fiona fails on the whole file for a letter of another
    encoding, and says of a broken one neither where it breaks nor that it does; entities of XML can blow a small file
    up without end; a damaged database whose damage is no text ends the process; GML is read from a copy because GDAL
    writes a file of its own beside it.
    """
    with path.open("rb") as handle:
        head = handle.read(1 << 12)
    text = decode(head)[0].lstrip("\ufeff \t\r\n")
    if head.startswith(_SQLITE):
        _check_database(path, place)
    elif text.startswith("<"):
        root = _check_xml(path, place)
        if root != "kml":
            with fiona.io.MemoryFile(path.read_bytes(), filename="copy" + path.suffix) as memory:
                yield memory.name
            return
        silent.append("KML names no reference system")
    if not text.startswith(("{", "[")):
        yield path
        return
    data = path.read_bytes()
    text, assumed = decode(data)
    text = text.lstrip("\ufeff")
    told = _check_json(text, place)
    if cut := _NUL_WRITTEN.search(text):
        what = f"line {text.count(chr(10), 0, cut.start()) + 1} holds a NUL character, which cuts a text off"
        raise InputError.of(place, what, "Take it out.")
    if not any(isinstance(one, dict) and one.get("crs") for one in told):
        silent.append("it names no reference system (there is no member crs)")
    mixed = _unmix(told)
    if mixed:
        text = "\n".join(json.dumps(one, ensure_ascii=False) for one in told)
        names = ", ".join(shown(name, 30) for name in mixed[:5])
        notes.append(f"read as text, because it holds numbers and text: attribute {names}")
    clean = text.encode("utf-8", "replace")
    if clean == data:
        yield path
        return
    notes += assumed
    with fiona.io.MemoryFile(clean, filename="copy" + path.suffix) as memory:
        yield memory.name


def _check_xml(path: Path, place: str) -> str:
    """Refuse XML that is broken, declares entities or is nested beyond all measure; return its first element's name."""
    parser = expat.ParserCreate()  # prefixes that nobody declared are common, and harmless
    first: list[str] = []
    depth = 0

    def refuse(*_: object) -> None:
        raise InputError.of(place, "it declares a document type or entities", "Export it again without them.")

    def start(name: str, _: object) -> None:
        nonlocal depth
        depth += 1
        if not first:
            first.append(name.rpartition(":")[2])
        if depth > _DEEPEST:
            raise InputError.of(place, "its XML is nested beyond all measure", "Export it again.")

    def end(_: str) -> None:
        nonlocal depth
        depth -= 1

    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse
    parser.StartElementHandler, parser.EndElementHandler = start, end
    try:
        with path.open("rb") as handle:
            while block := handle.read(_BLOCK):
                parser.Parse(block, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        what = f"its XML breaks at line {error.lineno}, column {error.offset + 1} ({expat.ErrorString(error.code)})"
        raise InputError.of(place, what, "Export or copy it again.") from None
    except (LookupError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError.of(place, f"its XML cannot be read ({error})", "Export it again as UTF-8.") from None
    return first[0]


def _check_database(path: Path, place: str) -> None:
    """Refuse a database that is damaged, or holds a table that stands for something outside it."""
    in_use = any(path.with_name(path.name + ending).exists() for ending in ("-wal", "-journal"))
    how = "mode=ro" if in_use else "immutable=1"  # immutable: no lock, and no file made beside it
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True)) as connection:
            connection.text_factory = lambda said: bytes(said).decode("utf-8", "replace")
            kinds = [
                found[1]
                for (text,) in connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")
                if (found := _VIRTUAL.match(str(text)))
            ]
            ((sound,),) = connection.execute("PRAGMA quick_check(1)")
    except (sqlite3.Error, UnicodeDecodeError, ValueError) as error:
        locked = "locked" in str(error)
        what = "another program is writing it" if locked else f"the file is damaged ({shown(error)})"
        raise InputError.of(place, what, "Close it there." if locked else "Export or copy it again.") from None
    if sound != "ok":
        raise InputError.of(place, f"the file is damaged ({shown(sound)})", "Export or copy it again.")
    strange = [kind for kind in kinds if kind.lower() not in _INDEXES]
    if strange:
        what = f"it holds a table that is made from something else ({shown(strange[0], 30)})"
        raise InputError.of(place, what, "Export its features as a plain GeoPackage.")


def _check_json(text: str, place: str) -> list[Any]:
    """Return what a JSON text says: one value, or one a line."""
    try:
        return [json.loads(text)]
    except RecursionError:
        raise InputError.of(place, "its JSON is nested beyond all measure", "Export it again.") from None
    except ValueError as error:
        lines = [line for line in text.replace("\x1e", "").splitlines() if line.strip()]
        try:
            told = [json.loads(line) for line in lines]
        except (ValueError, RecursionError):
            told = []
        if len(told) > 1 and all(isinstance(one, dict) for one in told):
            return told
        at = f"line {error.lineno}, column {error.colno} " if isinstance(error, json.JSONDecodeError) else ""
        what = f"its JSON breaks at {at}({getattr(error, 'msg', error)})"
        raise InputError.of(place, what, "Export or copy it again.") from None


def _unmix(told: Iterable[Any]) -> list[str]:
    """Turn attributes that hold more than one kind of value into text, in place; return their names.

    GDAL hands such values on as JSON, and fiona fails on the whole feature for one that is text.
    """
    given = [
        part["properties"]
        for one in told
        if isinstance(one, dict)
        for part in (one["features"] if isinstance(one.get("features"), list) else [one])
        if isinstance(part, dict) and isinstance(part.get("properties"), dict)
    ]
    kinds: dict[str, set[type]] = {}
    for properties in given:
        for name, value in properties.items():
            if value is not None:
                kinds.setdefault(name, set()).add(float if type(value) is int else type(value))
    mixed = [name for name, found in kinds.items() if len(found) > 1]
    for properties in given:
        for name in mixed:
            value = properties.get(name)
            if value is not None and not isinstance(value, str):
                properties[name] = json.dumps(value, ensure_ascii=False)
    return mixed


@dataclass(frozen=True, slots=True)
class _Part:
    """Features of one layer: attributes, shapes, and why one could not be read."""

    rows: list[dict[str, Any]]
    shapes: list[Any]
    why: list[str]
    crs: pyproj.CRS | None


def _read_layer(source: Any, layer: str, columns: Mapping[str, str] | None, place: str) -> _Part:
    part: tuple[list[dict[str, Any]], list[Any], list[str]] = ([], [], [])
    rows, shapes, why = part
    with fiona.open(source, layer=layer, enabled_drivers=list(DRIVERS), allow_unsupported_drivers=True) as opened:
        names = list(opened.schema["properties"])
        gather = Gather()
        for ours, theirs in (columns or {}).items():
            if theirs not in names:
                said = ", ".join(shown(name, 30) for name in names[:30]) or "none"
                gather.add(f"{place} columns.{ours}", f"no attribute {theirs!r}", f"It has: {said}.")
        gather.raise_if_any()
        crs = _crs_of(opened, place)
        features = iter(opened)
        # a feature that fails is passed over; a file that fails for ever is not
        failures, most = 0, max(_count(opened), 0)
        while failures <= most:
            try:
                feature = next(features)
                made, reason = _geometry(feature["geometry"])
                attributes = dict(feature["properties"] or {})
            except StopIteration:
                break
            except _TROUBLE as error:
                failures += 1
                made, reason, attributes = None, f"it cannot be read ({shown(error)})", {}
            rows.append(attributes)
            shapes.append(made)
            why.append(reason)
    return _Part(*part, crs)


def _count(opened: Any) -> int:
    try:
        return len(opened)
    except (TypeError, *_TROUBLE):
        return 0


def _crs_of(source: Any, place: str) -> pyproj.CRS | None:
    text = source.crs_wkt
    if not text:
        return None
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        raise InputError.of(place, "its reference system is not understood", "Export it with a known one.") from None


def _geometry(geometry: Any) -> tuple[Any, str]:
    """Return (shape, why not)."""
    if geometry is None:
        return None, "it has no geometry, or one that cannot be read"
    try:
        return shape(geometry), ""
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, shapely.errors.ShapelyError):
        return None, "its geometry cannot be read"


_NOWHERE = 1e12
"""In any unit: squares and products of less stay finite."""


def _unsound(shapes: np.ndarray, kinds: set[str] | None) -> np.ndarray:
    """Why each shape cannot be used; ``""`` for a sound one, (n,)."""
    why = np.full(len(shapes), "", dtype=object)
    if not len(shapes):
        return why
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    strange = np.unique(owner[~(np.abs(coordinates) < _NOWHERE).all(axis=1)])
    why[strange] = "a coordinate is not a number, or no place on earth"
    valid = np.ones(len(shapes), dtype=bool)
    valid[why == ""] = shapely.is_valid(shapes[why == ""])
    why[~valid] = [f"it is not a sound shape ({reason})" for reason in shapely.is_valid_reason(shapes[~valid])]
    why[shapely.is_empty(shapes)] = "it is empty"
    if kinds is not None:
        found = np.array([shapely.GeometryType(kind).name for kind in range(8)])[shapely.get_type_id(shapes)]
        wanted = {kind.upper(): kind for kind in kinds}
        other = ~np.isin(found, list(wanted)) & (why == "")
        names = " or ".join(sorted(kinds))
        why[other] = [f"it is a {name.lower()}, not a {names}" for name in found[other]]
    return why


def _said(attributes: Mapping[str, Any]) -> str:
    return shown(", ".join(f"{name}={value}" for name, value in attributes.items() if value is not None))
