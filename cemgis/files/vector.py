"""Vector files of any kind, read feature by feature, so that one bad feature is named and the rest kept."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from shapely.geometry import shape

from cemgis.errors import Gather, InputError
from cemgis.files.tables import NAMED, BrokenLine, existing_file, shown

__all__ = ["DRIVERS", "Features", "read_features"]

DRIVERS = (
    "GPKG", "GeoJSON", "GeoJSONSeq", "TopoJSON", "ESRI Shapefile", "KML", "LIBKML", "FlatGeobuf", "GML",
    "MapInfo File", "DXF", "OGR_GMT", "SQLite",
)  # fmt: skip
"""Kinds of file that are opened. None of them can point to another file or to the network."""


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
    """

    table: gpd.GeoDataFrame
    broken: tuple[BrokenLine, ...] = ()
    n_broken: int = 0
    notes: tuple[str, ...] = ()


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
        When it is no vector file, a column named is not in it, or no feature is usable.
    """
    path = Path(path)
    place = where or path.name
    existing_file(path, place)
    gather = Gather()
    try:
        layers = fiona.listlayers(path)
    except (fiona.errors.FionaError, ValueError, OSError) as error:
        raise _no_vector(place, error) from None
    wanted = set(kinds) if kinds is not None else None
    rows: list[dict[str, Any]] = []
    shapes: list[Any] = []
    numbers: list[int] = []
    broken: list[BrokenLine] = []
    notes: list[str] = []
    crs: pyproj.CRS | None = None
    number, n_broken = 0, 0
    for layer in layers:
        try:
            source = fiona.open(path, layer=layer, enabled_drivers=list(DRIVERS), allow_unsupported_drivers=True)
        except (fiona.errors.FionaError, ValueError, OSError) as error:
            raise _no_vector(place, error) from None
        with source:
            names = list(source.schema["properties"])
            for ours, theirs in (columns or {}).items():
                if theirs not in names:
                    said = ", ".join(shown(name, 30) for name in names[:30]) or "none"
                    gather.add(f"{place} columns.{ours}", f"no attribute {theirs!r}", f"It has: {said}.")
            if gather:
                continue
            found = _crs_of(source, place)
            if crs is not None and found is not None and found != crs:
                what = f"its layers are in different reference systems ({crs.name}, {found.name})"
                raise InputError.of(place, what, "Keep one layer a file.")
            crs = crs or found
            features = iter(source)
            while True:
                number += 1
                try:
                    feature = next(features)
                except StopIteration:
                    number -= 1
                    break
                except (fiona.errors.FionaError, ValueError, OSError, KeyError, TypeError) as error:
                    n_broken += 1
                    broken.append(BrokenLine(number, "", f"it and what follows cannot be read ({shown(error)})"))
                    break
                attributes = dict(feature["properties"] or {})
                made, why = _geometry(feature["geometry"], wanted)
                if why:
                    n_broken += 1
                    if len(broken) < NAMED:
                        broken.append(BrokenLine(number, _said(attributes), why))
                    continue
                if columns is not None:
                    attributes = {ours: attributes.get(theirs) for ours, theirs in columns.items()}
                rows.append(attributes)
                shapes.append(made)
                numbers.append(number)
    gather.raise_if_any()
    if len(layers) > 1:
        notes.append(f"{len(layers)} layers read as one: {', '.join(shown(name, 30) for name in layers[:5])}")
    kept = _sound(shapes)
    for at in np.flatnonzero(kept != "")[: max(0, NAMED - len(broken))]:
        broken.append(BrokenLine(numbers[at], _said(rows[at]), str(kept[at])))
    n_broken += int((kept != "").sum())
    good = np.flatnonzero(kept == "")
    if not len(good):
        first = "; ".join(f"feature {item.line}: {item.why}" for item in sorted(broken)[:3])
        what = f"not one feature in it can be used ({first})" if first else "there is no feature in it"
        raise InputError.of(place, what, "Check that it is the right file.")
    frame = pd.DataFrame([rows[at] for at in good], index=pd.RangeIndex(len(good)))
    frame = frame.drop(columns=["feature", "geometry"], errors="ignore")
    frame.insert(0, "feature", [numbers[at] for at in good])
    table = gpd.GeoDataFrame(frame, geometry=np.array([shapes[at] for at in good], dtype=object), crs=crs)
    return Features(table, tuple(sorted(broken)[:NAMED]), n_broken, tuple(notes))


def _no_vector(place: str, error: Exception) -> InputError:
    logging.getLogger(__name__).debug("%s: %s", place, error)
    return InputError.of(
        place,
        "this is not a vector file that can be read, or it is damaged",
        "Export it as GeoPackage, GeoJSON or Shapefile (with its .shx and .dbf beside it).",
    )


def _crs_of(source: Any, place: str) -> pyproj.CRS | None:
    text = source.crs_wkt
    if not text:
        return None
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        raise InputError.of(place, "its reference system is not understood", "Export it with a known one.") from None


def _geometry(geometry: Any, wanted: set[str] | None) -> tuple[Any, str]:
    """Return (shape, why not)."""
    if geometry is None:
        return None, "it has no geometry, or one that cannot be read"
    try:
        made = shape(geometry)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, shapely.errors.ShapelyError):
        return None, "its geometry cannot be read"
    if wanted is not None and made.geom_type not in wanted:
        return None, f"it is a {made.geom_type}, not a {' or '.join(sorted(wanted))}"
    return made, ""


def _sound(shapes: list[Any]) -> np.ndarray:
    """Why each shape cannot be used; ``""`` for a sound one, (n,)."""
    array = np.array(shapes, dtype=object)
    why = np.full(len(array), "", dtype=object)
    if not len(array):
        return why
    bounds = shapely.bounds(array)
    coordinates, owner = shapely.get_coordinates(array, return_index=True)
    strange = np.unique(owner[~np.isfinite(coordinates).all(axis=1)])
    valid = shapely.is_valid(array)
    why[~valid] = [f"it is not a sound shape ({reason})" for reason in shapely.is_valid_reason(array[~valid])]
    why[np.isnan(bounds).any(axis=1)] = "it is empty"
    why[shapely.is_empty(array)] = "it is empty"
    why[strange] = "a coordinate is not a number"
    return why


def _said(attributes: Mapping[str, Any]) -> str:
    return shown(", ".join(f"{name}={value}" for name, value in attributes.items() if value is not None))
