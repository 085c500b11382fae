"""An invented parcel beside the demo ground: outline, heights (the ground's too), a stream, a well, a house, a road."""

from __future__ import annotations

import json
import warnings
from typing import Any

import numpy as np
import shapely
from rasterio.io import MemoryFile
from rasterio.transform import Affine

__all__ = ["FOLDER", "ground_heights", "parcel"]

FOLDER = "expansion"
"""Folder of the ground the parcel's files go into."""

CRS = "EPSG:6549"
_CELL = 5.0
_WEST, _SOUTH, _EAST, _NORTH = 2023380.0, 449500.0, 2024340.0, 450320.0
_GROUND = (449240.0, 449640.0)  # south and north of the heights of the old ground
_BANK = 2024204.0  # where the old ground falls to the brook, in its last rows

_OUTLINE = [
    (2023492.0, 449600.0), (2023834.0, 449600.0), (2023846.0, 449600.0), (2024204.0, 449604.0), (2024228.0, 449842.0),
    (2024122.0, 450018.0), (2024150.0, 450196.0), (2023760.0, 450228.0), (2023700.0, 450120.0), (2023470.0, 450084.0),
    (2023456.0, 449810.0),
]  # fmt: skip
_STREAM = [
    (2024268.0, 449560.0), (2024226.0, 449700.0), (2024240.0, 449830.0), (2024180.0, 449960.0), (2024206.0, 450090.0),
    (2024186.0, 450260.0),
]  # fmt: skip
_WELL = (2023416.0, 449966.0)
_HOUSE = [(2023424.0, 449902.0), (2023450.0, 449906.0), (2023446.0, 449936.0), (2023420.0, 449932.0)]
_TREES = [(2023622.0, 449748.0), (2023980.0, 449910.0), (2023912.0, 450122.0)]
_ROAD = [(2023400.0, 450098.0), (2023702.0, 450146.0), (2023752.0, 450246.0), (2023900.0, 450252.0)]
_HOLLOW = (2023744.0, 449862.0)

_TEXT = """\
# Beddow's hay meadow is invented, like the ground it lies beside.
schema_version = 1
name = "Beddow's hay meadow"
date = "2025-11-03"
outline = "meadow.geojson"
reference = "EPSG:6549"
gates = [[2023840.0, 449600.0]]      # where the gate drive of the old ground ends
road = "road.geojson"
heads = "west"
phases = 3

[dem]
file = "meadow_dem.tif"
heights = "US survey foot"

[[keep_away]]
kind = "watercourse"
file = "stream.geojson"

[[keep_away]]
kind = "drinking water"
file = "well.geojson"

[[keep_away]]
kind = "building"
file = "house.geojson"

[[keep_away]]
kind = "tree"
file = "trees.geojson"

[[keep_away]]
kind = "road"
file = "road.geojson"

# The modules are compared; `--choose N` lays one out.
[[module]]
name = "family lots"
spaces = 4
frontage = "16 ft"
depth = "12 ft"
rows = 2
drive = "12 ft"

[[module]]
name = "family lots, three rows"
spaces = 4
frontage = "16 ft"
depth = "12 ft"
rows = 3
walk = "3 ft"
drive = "12 ft"

[[module]]
name = "single rows"
spaces = 4
frontage = "16 ft"
depth = "12 ft"
rows = 1
drive = "12 ft"

[[module]]
name = "urn garden"
spaces = 2
frontage = "6 ft"
depth = "3 ft"
rows = 4
walk = "3 ft"
drive = "8 ft"
kind = "cremation"

[[module]]
name = "natural burial"
spaces = 1
frontage = "10 ft"
depth = "15 ft"
rows = 4
walk = "0 ft"
drive = "10 ft"
reach = "60 ft"

[rules]
"setback.drinking_water" = { value = "100 ft", source = "invented county code 3701-28 for this demo" }
"setback.watercourse" = { value = "50 ft", source = "invented township zoning for this demo" }
"""


def _heights(south: float, north_end: float) -> np.ndarray:
    """Heights: a field that falls to the east, a steep bank along the stream, a hollow, some roughness."""
    x = np.arange(_WEST + _CELL / 2, _EAST, _CELL)
    y = np.arange(north_end - _CELL / 2, south, -_CELL)
    east, north = np.meshgrid(x, y)
    z = 1012.0 - 0.035 * (east - _WEST) + 0.012 * (north - _SOUTH)
    z += 2.2 * np.sin((east - _WEST) / 170.0) * np.cos((north - _SOUTH) / 210.0)
    away = shapely.distance(shapely.LineString(_STREAM), shapely.points(east.ravel(), north.ravel())).reshape(z.shape)
    z -= 13.0 * np.exp(-((away / 48.0) ** 2))
    z -= 3.4 * np.exp(-(((east - _HOLLOW[0]) ** 2 + (north - _HOLLOW[1]) ** 2) / 34.0**2))
    # A bluff in the northwest.
    up = 1.0 / (1.0 + np.exp((east - 2023560.0 - 0.4 * (north - 449990.0)) / 9.0))
    z += 9.0 * up * np.clip((north - 449940.0) / 60.0, 0.0, 1.0)
    z -= 7.0 / (1.0 + np.exp(-(east - _BANK) / 6.0)) / (1.0 + np.exp((north - 449560.0) / 4.0))
    rng = np.random.default_rng(8)
    return np.asarray(np.round(z + rng.normal(0.0, 0.02, z.shape), 2), dtype=np.float32)


def _tif(z: np.ndarray, north: float) -> bytes:
    with warnings.catch_warnings(), MemoryFile() as memory:
        warnings.simplefilter("ignore", PendingDeprecationWarning)
        with memory.open(
            driver="GTiff", height=z.shape[0], width=z.shape[1], count=1, dtype="float32", crs=CRS, nodata=-9999.0,
            transform=Affine(_CELL, 0.0, _WEST, 0.0, -_CELL, north), compress="deflate", predictor=3,
        ) as out:  # fmt: skip
            out.write(z, 1)
        return bytes(memory.read())


def _geojson(*shapes: Any) -> bytes:
    entries = [
        {"type": "Feature", "properties": {"number": number}, "geometry": shapely.geometry.mapping(shape)}
        for number, shape in enumerate(shapes, 1)
    ]
    name = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{CRS.split(':')[1]}"}}
    head = json.dumps({"type": "FeatureCollection", "crs": name})[:-1]
    return (head + ', "features": [\n' + ",\n".join(json.dumps(item) for item in entries) + "\n]}\n").encode()


def ground_heights() -> bytes:
    """Make the grid of heights of the old ground, a GeoTIFF; the same bytes every time.

    Examples
    --------
    >>> ground_heights()[:2]
    b'II'
    """
    return _tif(_heights(*_GROUND), _GROUND[1])


def parcel() -> dict[str, bytes]:
    """Make the files of the invented parcel, by name under the ground's folder; the same bytes every time.

    Examples
    --------
    >>> sorted(parcel())[:3]
    ['expansion/house.geojson', 'expansion/meadow.geojson', 'expansion/meadow.toml']
    """
    files = {
        "meadow.toml": _TEXT.encode(),
        "meadow.geojson": _geojson(shapely.Polygon(_OUTLINE)),
        "meadow_dem.tif": _tif(_heights(_SOUTH, _NORTH), _NORTH),
        "stream.geojson": _geojson(shapely.LineString(_STREAM)),
        "well.geojson": _geojson(shapely.Point(_WELL)),
        "house.geojson": _geojson(shapely.Polygon(_HOUSE)),
        "trees.geojson": _geojson(*(shapely.Point(at) for at in _TREES)),
        "road.geojson": _geojson(shapely.LineString(_ROAD)),
    }
    return {f"{FOLDER}/{name}": content for name, content in files.items()}
