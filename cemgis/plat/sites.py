"""Where the markers of lots and rows were set."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cemgis.geometry import (
    take_rings,
)
from cemgis.plat.faces import WAY

__all__ = ["insets", "marker_entries", "other_ends"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Rings = tuple[Integers, Integers]
_TOWARDS: Mapping[str, tuple[float, float]] = {
    "southwest": (-1.0, -1.0), "southeast": (1.0, -1.0), "northwest": (-1.0, 1.0), "northeast": (1.0, 1.0),
}  # fmt: skip


def marker_entries(faces: pd.DataFrame, xy: Floats, rings: Rings, true: Flags) -> Integers:
    """Position in the rings of the corner where each face's marker was set; -1 without one."""
    ring, offsets = rings
    owner = np.repeat(np.arange(len(faces)), np.diff(offsets))
    word = faces["markers"].to_numpy(dtype=object).copy()
    ends = (faces["markers_at"] == "row ends").to_numpy(dtype=bool)
    run = faces["run"].to_numpy(dtype=object)
    first, last = faces["first"].to_numpy(dtype=bool), faces["last"].to_numpy(dtype=bool)
    word[ends & ~first & ~last] = ""
    towards = np.zeros((len(faces), 2))
    for corner, way in _TOWARDS.items():
        towards[word == corner] = way
    marked = (word != "").astype(bool)
    # At a row's end the marker stands at the outer of the two corners on the named side of the row.
    for side, (x, y) in WAY.items():
        here = ends & (run == side)
        sign = np.where(first, -1.0, 1.0)[here]
        axis = 0 if x else 1
        towards[here, axis] = sign * (x + y)
    score = np.where(true, np.round((xy[ring] * towards[owner]).sum(axis=1) / 1e-6), -np.inf)
    order = np.lexsort((np.arange(len(ring)), -score, owner))
    best = order[offsets[:-1]]
    return np.where(marked, best, -1)


def insets(xy: Floats, rings: Rings, true: Flags, entry: Integers) -> Floats:
    """Sum of the two unit vectors from a corner along the sides of its lot."""
    ring, offsets = rings
    if not len(entry):
        return np.zeros((0, 2))
    owner = np.searchsorted(offsets, entry, side="right") - 1
    # Neighbouring true corners, past whatever lies on the sides between.
    at = np.flatnonzero(true)
    rank = np.searchsorted(at, entry)
    begin, end = np.searchsorted(at, offsets[owner]), np.searchsorted(at, offsets[owner + 1])
    following = np.where(rank + 1 < end, rank + 1, begin)
    before = np.where(rank > begin, rank - 1, end - 1)
    here = xy[ring[entry]]
    total = np.zeros((len(entry), 2))
    for other in (following, before):
        way = xy[ring[at[other]]] - here
        total += way / np.linalg.norm(way, axis=1, keepdims=True)
    return total


def other_ends(
    sites: pd.DataFrame, faces: pd.DataFrame, at: Integers, xy: Floats, rings: Rings, true: Flags, inset: Floats
) -> pd.DataFrame:
    """Add the far marker of rows that consist of one single grave."""
    table = faces.iloc[at]
    both = ((table["markers_at"] == "row ends") & table["first"] & table["last"]).to_numpy(dtype=bool)
    if not both.any():
        return sites
    other = faces.iloc[at[both]].assign(first=False)
    rows = at[both]
    some, starts = take_rings(rings[0], rings[1], rows)
    flags = take_rings(true.astype(np.int64), rings[1], rows)[0] > 0
    entry = marker_entries(other, xy, (some, starts), flags)
    shift = insets(xy, (some, starts), flags, entry) * inset[rows, None]
    corner = some[entry]
    more = sites[both].assign(
        corner_index=corner, plat_x=xy[corner, 0] + shift[:, 0], plat_y=xy[corner, 1] + shift[:, 1],
        inset_x=shift[:, 0], inset_y=shift[:, 1],
    )  # fmt: skip
    return pd.concat([sites, more], ignore_index=True)
