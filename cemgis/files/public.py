"""Public data of a ground as files: a GeoPackage, CSV, GeoJSON, what each column means, and the terms of use."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from cemgis.disclosure import PUBLIC_LAYERS, PublicGround
from cemgis.files.export import plain_text
from cemgis.reference import to_lonlat
from cemgis.schema import Layer

__all__ = ["PUBLIC_FILES", "public_data", "with_places"]

_DIGITS = 8  # of a degree: a millimetre
_SHAPE = "geom"
PUBLIC_FILES = (
    "about.txt", "dictionary.csv", "ground-public.gpkg",
    *(f"{name}.csv" for name in PUBLIC_LAYERS), *(f"{name}.geojson" for name in PUBLIC_LAYERS),
)  # fmt: skip
"""Names a folder of public data may hold."""


def with_places(public: PublicGround) -> gpd.GeoDataFrame:
    """Return the graves as points: the middle of the space, else of the lot; niches and whole sections have none."""
    graves = public.graves
    shapes = np.full(len(graves), None, dtype=object)
    for table, key in ((public.lots, "lot_id"), (public.spaces, "space_id")):
        if not len(table):
            continue
        at = pd.Index(table[key].astype(object)).get_indexer(pd.Index(graves[key].astype(object)))
        middle = shapely.centroid(table.geometry.to_numpy())
        shapes[at >= 0] = middle[at[at >= 0]]
    return gpd.GeoDataFrame(graves, geometry=gpd.GeoSeries(shapes, index=graves.index, crs=public.crs.crs))


def public_data(public: PublicGround, *, licence: str, contact: str = "") -> dict[str, bytes]:
    """Return the files of a ground's public data by name.

    Parameters
    ----------
    public : PublicGround
    licence : str
        The terms of use, in a line.
    contact : str
        Where corrections go.

    Returns
    -------
    dict of str to bytes
        Layers without rows have no CSV and no GeoJSON.
    """
    tables: dict[str, Any] = {name: getattr(public, name) for name in PUBLIC_LAYERS}
    tables["graves"] = with_places(public)
    about = _about(public, licence, contact)
    dictionary = _dictionary(public)
    made = {"about.txt": ("\n".join(f"{name}: {said}" for name, said in about) + "\n").encode("utf-8")}
    made["dictionary.csv"] = _csv(dictionary)
    for name, table in tables.items():
        if len(table):
            layer = PUBLIC_LAYERS[name]
            made[f"{name}.csv"] = _csv(_flat(table, layer, public))
            if layer.geometry is not None:
                made[f"{name}.geojson"] = _geojson(table, layer, public, licence)
    made["ground-public.gpkg"] = _geopackage(tables, public, about, dictionary)
    return made


def _about(public: PublicGround, licence: str, contact: str) -> list[tuple[str, str]]:
    datum = public.crs.crs.geodetic_crs
    lonlat = datum.name if datum is not None else "the datum of the coordinates"
    rows = [
        ("What this is", f"Public data of {public.name}{', ' + public.place if public.place else ''}."),
        ("Status", "PUBLIC. It holds nothing of the staff's file but what is declared as published."),
        ("As of", public.as_of),
        ("Licence", licence),
        ("Corrections", contact),
        ("Who is in it", "People whose burial or death is recorded, or who were born too long ago to be living. Who is "
                         "not in it may lie here all the same; ask the office."),
        ("Coordinates", f"{public.crs.name}; longitude and latitude in the CSV and GeoJSON files are {lonlat}, which "
                        "differs from what a phone shows by up to some metres."),
        ("Dates", "In the Extended Date/Time Format (EDTF): 1887~ is about 1887, 188X in the 1880s, [1887,1888] one of "
                  "the two."),
        ("Text", "An apostrophe before =, +, - or @ in a CSV file keeps a spreadsheet from taking it for a formula."),
    ]  # fmt: skip
    return [(name, said) for name, said in rows if said]


def _dictionary(public: PublicGround) -> pd.DataFrame:
    rows = []
    for layer in PUBLIC_LAYERS.values():
        rows.append((layer.name, "", layer.geometry or "table", "", layer.doc, ""))
        rows += [
            (layer.name, column.written(public.crs.unit), column.type, _unit(column.unit, public), column.doc,
             ", ".join(column.choices))
            for column in layer.columns
        ]  # fmt: skip
    return pd.DataFrame(rows, columns=["layer", "column", "type", "unit", "meaning", "values"])


def _unit(unit: str, public: PublicGround) -> str:
    return public.crs.unit.name if unit == "length" else unit


def _values(table: pd.DataFrame, layer: Layer, public: PublicGround) -> pd.DataFrame:
    """Return declared columns under their written names, missing values as None."""
    out = pd.DataFrame(table[[column.name for column in layer.columns]])
    out = out.astype(object).where(out.notna(), None)
    return out.rename(columns={column.name: column.written(public.crs.unit) for column in layer.columns})


def _flat(table: pd.DataFrame, layer: Layer, public: PublicGround) -> pd.DataFrame:
    """Return a table with the middle of each shape as longitude and latitude."""
    out = _values(table, layer, public)
    for column in layer.columns:
        if column.type == "flag":
            out[column.name] = [None if value is None else "yes" if value else "no" for value in out[column.name]]
    if layer.geometry is not None:
        shapes = np.asarray(table["geometry"], dtype=object)
        there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
        for name in ("longitude", "latitude"):
            out[name] = pd.Series([None] * len(out), index=out.index, dtype=object)
        if there.any():
            middle = to_lonlat(shapely.get_coordinates(shapely.point_on_surface(shapes[there])), public.crs)
            for place, name in enumerate(("longitude", "latitude")):
                out.loc[there, name] = middle[:, place].round(_DIGITS).tolist()
    return out


def _csv(table: pd.DataFrame) -> bytes:
    """Return a table as CSV that spreadsheets open as it is meant: text, in Unicode, no formulas."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.columns)
    for row in table.itertuples(index=False, name=None):
        writer.writerow(["" if value is None else plain_text(value) for value in row])
    return text.getvalue().encode("utf-8-sig")


def _geojson(table: pd.DataFrame, layer: Layer, public: PublicGround, licence: str) -> bytes:
    """Return a layer as GeoJSON (RFC 7946): longitude and latitude, a feature a line."""
    shapes = np.array(table["geometry"], dtype=object)
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    points = shapely.get_coordinates(shapes[there])
    if len(points):
        moved = shapely.set_coordinates(shapes[there], np.round(to_lonlat(points, public.crs), _DIGITS))
        areal = np.isin(shapely.get_type_id(moved), (3, 6))
        moved[areal] = shapely.orient_polygons(moved[areal])  # outer rings to the left, section 3.1.6
        shapes[there] = moved
    drawn = np.full(len(shapes), "null", dtype=object)
    drawn[there] = shapely.to_geojson(shapes[there])
    values = _values(table, layer, public)
    lines = [
        f'{{"type":"Feature","properties":{json.dumps(row, ensure_ascii=False, allow_nan=False)},"geometry":{shape}}}'
        for row, shape in zip(values.to_dict("records"), drawn, strict=True)
    ]
    head = {"type": "FeatureCollection", "name": layer.name, "licence": licence, "as_of": public.as_of}
    start = json.dumps(head, ensure_ascii=False)[:-1]
    return (start + ', "features": [\n' + ",\n".join(lines) + "\n]}\n").encode("utf-8")


@contextmanager
def _dated(moment: str) -> Iterator[None]:
    """Let GDAL write this time instead of the clock's."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": moment})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _geopackage(
    tables: Mapping[str, Any], public: PublicGround, about: list[tuple[str, str]], dictionary: pd.DataFrame
) -> bytes:  # fmt: skip
    """Return a fresh GeoPackage of the public layers, with their meaning and the terms as tables beside them."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ground-public.gpkg"
        with _dated(f"{public.as_of}T00:00:00Z"):
            for name, table in tables.items():
                layer = PUBLIC_LAYERS[name]
                options = {"FID": "fid", "IDENTIFIER": name.capitalize(), "DESCRIPTION": layer.doc}
                values = _values(table, layer, public)
                for column in layer.columns:
                    written = column.written(public.crs.unit)
                    values[written] = _typed(values[written], column.type)
                if layer.geometry is None:
                    pyogrio.write_dataframe(values, path, layer=name, driver="GPKG", layer_options=options)
                    continue
                frame = gpd.GeoDataFrame(values, geometry=np.asarray(table["geometry"], dtype=object),
                                         crs=public.crs.crs)  # fmt: skip
                pyogrio.write_dataframe(
                    frame, path, layer=name, driver="GPKG", geometry_type=layer.geometry,
                    layer_options={**options, "GEOMETRY_NAME": _SHAPE, "SPATIAL_INDEX": "YES"},
                )  # fmt: skip
            for name, said in (("about", pd.DataFrame(about, columns=["name", "said"])), ("dictionary", dictionary)):
                pyogrio.write_dataframe(said, path, layer=name, driver="GPKG", layer_options={"FID": "fid"})
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA secure_delete = ON")
            connection.execute("VACUUM")
        return path.read_bytes()


def _typed(values: pd.Series, kind: str) -> pd.Series:
    if kind == "flag":
        return values.fillna(value=False).astype(bool)
    if kind == "integer":
        return pd.Series(pd.array(list(values), dtype="Int64"), index=values.index).astype("Int64")
    if kind == "real":
        return pd.to_numeric(values).astype(float)
    return values.astype(object)
