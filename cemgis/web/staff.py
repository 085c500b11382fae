"""The staff's page: every layer with all its columns, findings, search, uncertainty; one file, no network."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import __version__
from cemgis.dates import say_date
from cemgis.drawing import Facts, Underlay, heads_settled, north_words, say_unsettled, unsettled_heads
from cemgis.errors import InputError
from cemgis.layers import LAYERS
from cemgis.reference import to_lonlat
from cemgis.schema import Column, Layer
from cemgis.web.packing import Packer, grid_polynomial, mercator
from cemgis.web.page import assemble, own
from cemgis.web.picture import webp

__all__ = ["staff_page"]

_KINDS = {"Point": "mark", "MultiPoint": "mark", "LineString": "line", "Polygon": "area", "MultiPolygon": "area"}
_LABELS = {"spaces": "space", "lots": "lot", "sections": "section", "markers": "label"}
_WORDS = {
    "sections": ("Sections", "Section"), "drives": ("Drives and walks", "Drive"),
    "gates": ("Gates", "Gate"),
    "obstacles": ("Trees, walls, buildings", "Obstacle"), "lots": ("Lots", "Lot"), "spaces": ("Spaces", "Space"),
    "niches": ("Niches", "Niche"), "vaults": ("Vaults as measured", "Vault"), "monuments": ("Monuments", "Monument"),
    "probable_graves": ("Probable graves", "Probable grave"), "corners": ("Corners of the plat", "Corner"),
    "markers": ("Found markers", "Marker"), "occupations": ("Occupations", "Occupation"),
    "readings": ("Readings", "Reading"), "control": ("Control", "Control"),
    "clearances": ("Clearances too small", "Clearance"), "events": ("Events", "Event"), "people": ("People", "Person"),
    "rights": ("Rights", "Right"), "findings": ("Findings", "Finding"), "run": ("Made from", "Made from"),
}  # fmt: skip
_SHUT = ("occupations", "readings")
_NO_SYMBOL = -1


def _classes(table: pd.DataFrame, layer: Layer) -> npt.NDArray[np.int64]:
    """Return the number of the symbol each row is drawn with, or -1 for not at all."""
    names = list(layer.symbols) or [""]
    if layer.name == "clearances":
        short = (table["shortfall"] > 0).fillna(value=False).to_numpy(dtype=bool)
        return np.where(short, 0, _NO_SYMBOL)
    if not layer.symbol_by:
        return np.zeros(len(table), dtype=np.int64)
    values = table[layer.symbol_by].astype(object)
    if layer.name == "spaces":
        values = values.where(values.notna(), "in doubt")  # a state nobody knows is a doubt, never "vacant"
    numbers = {name: number for number, name in enumerate(names)}
    return np.array([numbers.get(value, _NO_SYMBOL) for value in values], dtype=np.int64)


def _bounds(tables: Mapping[str, pd.DataFrame]) -> tuple[float, float, float, float]:
    boxes = []
    for name, layer in LAYERS.items():
        table = tables.get(name)
        if table is None or layer.geometry is None or name in _SHUT or name == "findings":
            continue
        box = shapely.total_bounds(np.asarray(table["geometry"], dtype=object)) if len(table) else np.full(4, np.nan)
        if np.isfinite(box).all():
            boxes.append(box)
    if not boxes:
        where = "staff map"
        raise InputError.of(where, "no layer has a place to draw", "Build the ground first.")
    every = np.array(boxes)
    low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _facts(facts: Facts) -> dict[str, Any]:
    return {
        "name": facts.name,
        "place": facts.place,
        "crs": facts.crs.name,
        "unit": facts.unit.name,
        "suffix": facts.unit.suffix,
        "date": facts.date,
        "hash": facts.evidence_hash,
        "accuracy": facts.accuracy,
        "north": north_words(facts.convergence_deg, facts.declination_deg),
        "version": __version__,
    }


def _picture(underlay: Underlay, packer: Packer, facts: Facts) -> tuple[dict[str, Any], str]:
    """Return where an underlay lies on the page and its bytes, base64."""
    kept, grid = webp(underlay)
    corners = mercator(to_lonlat(grid, facts.crs)) - packer.origin
    told = {"kind": "image/webp", "corners": corners.tolist(), "words": underlay.words}
    return told, base64.b64encode(kept).decode("ascii")


def staff_page(
    tables: Mapping[str, pd.DataFrame], facts: Facts, *, most_readings: int = 200_000, underlay: Underlay | None = None
) -> str:
    """Return the staff's map as one HTML file that opens without a network.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Layers by name, shaped by their declarations.
    facts : Facts
    most_readings : int
        With more readings than this the layer is left out, and the page says so.
    underlay : Underlay, optional
        A picture under the map, carried in the page; it can be put on and off.

    Returns
    -------
    str

    Raises
    ------
    InputError
        When nothing has a place, or its place is nowhere on the earth.

    Examples
    --------
    >>> from cemgis import schema
    >>> from cemgis.reference import ground_crs
    >>> crs = ground_crs("EPSG:6549")
    >>> rows = {"lot_id": ["A-1"], "section": "A", "lot": "{{7*7}}",
    ...         "geometry": shapely.box([2e6], [4e5], [2e6 + 16], [4e5 + 12])}
    >>> lots = schema.restore(pd.DataFrame(rows), LAYERS["lots"], crs.crs)
    >>> text = staff_page({"lots": lots}, Facts("Hill", crs, "2025-05-20", "6b1f", "Half lie within 0.3 ft.", 0.1))
    >>> text.startswith("<!DOCTYPE html>"), "{{7*7}}" in text
    (True, False)
    """
    bounds = _bounds(tables)
    middle = mercator(to_lonlat([[(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2]], facts.crs))[0]
    if not np.isfinite(middle).all():
        where, remedy = "staff map", "Check the ground's CRS and the coordinates."
        raise InputError.of(where, "the ground's coordinates are not on the earth", remedy)
    packer = Packer(facts.crs, np.rint(middle))
    layers: list[dict[str, Any]] = []
    left_out: list[str] = []
    for name, layer in LAYERS.items():
        table = tables.get(name)
        if table is None or not len(table):
            continue
        if name == "readings" and len(table) > most_readings:
            left_out.append(f"{len(table):,} readings are not in this page: look in ground.gpkg")
            continue
        layers.append(_pack_layer(packer, layer, table, facts.unit.suffix))
        if name == "spaces" and "heads_seen" in table:
            # Where stones speak against the rule no head end is drawn.
            layers[-1]["settled"] = packer.integers(heads_settled(tables, table).astype(np.int64))
    corners = [[bounds[0], bounds[1]], [bounds[2], bounds[1]], [bounds[2], bounds[3]], [bounds[0], bounds[3]]]
    around = mercator(to_lonlat(corners, facts.crs)) - packer.origin
    header = {
        "facts": _facts(facts),
        "origin": packer.origin.tolist(),
        "bounds": [*around.min(axis=0).tolist(), *around.max(axis=0).tolist()],
        "grid": grid_polynomial(bounds, facts.crs, packer.origin),
        "left_out": left_out,
        "unsettled": {name: say_unsettled(*words) for name, words in unsettled_heads(tables).items()},
        "layers": layers,
    }
    blocks: dict[str, str] = {}
    if underlay is not None:
        header["picture"], blocks["ground-picture"] = _picture(underlay, packer, facts)
    return assemble(
        "Staff map – not for publication",
        own("staff_before.html"),
        own("staff_after.html"),
        packer.block(header),
        [own("map.js"), own("page.js"), own("staff.js")],
        [own("page.css")],
        blocks=blocks,
    )


def _pack_layer(packer: Packer, layer: Layer, table: pd.DataFrame, suffix: str) -> dict[str, Any]:
    words = _WORDS.get(layer.name, (layer.name, layer.name))
    told: dict[str, Any] = {
        "name": layer.name,
        "word": words[0],
        "one": words[1],
        "doc": layer.doc,
        "key": layer.key,
        "n": len(table),
        "label": _LABELS.get(layer.name, ""),
        "shut": layer.name in _SHUT,
        "columns": [packer.column(_told(table[column.name], column), column, suffix) for column in layer.columns],
    }
    if layer.geometry is not None:
        told |= {
            "kind": _KINDS[layer.geometry],
            "places": packer.places(table["geometry"]),
            "class": packer.integers(_classes(table, layer)),
            "symbols": [
                {
                    "word": symbol.word,
                    "fill": symbol.fill,
                    "line": symbol.line,
                    "pattern": symbol.pattern,
                    "mark": symbol.mark,
                    "size": symbol.size_pt,
                }
                for symbol in (layer.symbols.values() or _plain())
            ],
        }
    return told


def _told(values: pd.Series, column: Column) -> pd.Series:
    """Dates in words; everything else as it is."""
    return values.map(say_date, na_action="ignore") if column.type == "date" else values


def _plain() -> list[Any]:
    """Symbol of a layer that declares none: what control is drawn with, as a small ring."""
    control = LAYERS["corners"].symbols["unfound"]
    return [type(control)("as measured", "", control.line, "", "ring", 3.0)]
