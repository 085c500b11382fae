"""Lots and single graves as rings of plat points, before their corners are shared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["AZIMUTH", "FACE_COLUMNS", "FEW", "LEFT", "RIGHT", "WAY", "Faces", "join_faces"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

WAY: Mapping[str, tuple[float, float]] = {
    "north": (0.0, 1.0), "south": (0.0, -1.0), "east": (1.0, 0.0), "west": (-1.0, 0.0),
}  # fmt: skip
AZIMUTH = {"north": 0.0, "east": 90.0, "south": 180.0, "west": 270.0}
LEFT = {"north": "west", "west": "south", "south": "east", "east": "north"}
RIGHT = {side: left for left, side in LEFT.items()}
FEW = 10  # problems of one sort named one by one


@dataclass
class Faces:
    """Lots and single graves before their corners are shared.

    ``table`` has one row a face; ``xy`` and ``offsets`` hold the rings, counterclockwise.
    """

    table: pd.DataFrame
    xy: Floats
    offsets: Integers
    pieces: gpd.GeoDataFrame | None = None  # spaces given as polygons: face (row of table), space, geometry


FACE_COLUMNS = (
    "section", "row", "lot", "single", "spaces", "tiers", "facing", "counted_from", "kind", "markers",
    "markers_at", "run", "group", "first", "last", "short_side", "where",
)  # fmt: skip


def join_faces(faces: Sequence[Faces]) -> Faces:
    """Join the faces of several sections."""
    starts = np.cumsum([0, *(len(part.table) for part in faces)])
    offsets = [np.zeros(1, dtype=np.int64)]
    for part in faces:
        offsets.append(part.offsets[1:] + offsets[-1][-1])
    pieces = [
        part.pieces.assign(face=part.pieces["face"] + start)
        for part, start in zip(faces, starts[:-1], strict=True)
        if part.pieces is not None
    ]
    return Faces(
        pd.concat([part.table for part in faces], ignore_index=True),
        np.concatenate([part.xy for part in faces]),
        np.concatenate(offsets),
        gpd.GeoDataFrame(pd.concat(pieces, ignore_index=True)) if pieces else None,
    )
