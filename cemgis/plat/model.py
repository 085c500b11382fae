"""A plat as tables: corners, and lots, spaces and marker sites hung on them."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy import sparse

from cemgis.findings import Finding
from cemgis.ground import Ground
from cemgis.places import label_key

__all__ = ["NONE", "TOLERANCE", "Plat", "empty_plat", "label_keys"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]
Rings = tuple[Integers, Integers]

TOLERANCE = 0.01
"""Points of a plat nearer than this are one corner; in the ground's unit. A plat is drawn to the inch at best."""
_PLAIN_NUMBER = r"\A[1-9][0-9]*\z"
NONE: Integers = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Plat:
    """All plats of a ground: corners, and lots, spaces and markers hung on them.

    Parameters
    ----------
    corners : DataFrame
        ``corner_id, plat, section, plat_x, plat_y, has_marker``; one row a corner.
    lots : DataFrame
        ``lot_id, section, plat, row, lot, label, spaces, tiers, kind, marker_corner, marker_index, facing,
        counted_from, first_space_side, short_side, run_azimuth_plat``; ``marker_index`` is a row of `corners` or -1.
        Single graves have no lot.
    lot_rings : (indices, offsets)
        Rows of `corners` round each lot, counterclockwise.
    sites : DataFrame
        ``label, lot_id, space_id, section, plat, row, lot, corner_index, plat_x, plat_y, inset_x, inset_y,
        short_side``: where each marker stands by the plat. ``plat_x`` is the corner's plus ``inset_x``; ``lot_id`` is
        missing and ``space_id`` given for the markers of single graves.
    spaces : DataFrame
        ``space_id, section, plat, lot_id, lot_index, row, space, kind, facing, run_azimuth_plat``; ``lot_index`` is a
        row of `lots` or -1.
    space_rings : (indices, offsets)
        Vertices round each space, counterclockwise.
    weights : CSR (vertices x corners)
        ``weights @ corner positions`` are the vertices; the first rows are the corners themselves.
    centre_weights : CSR (spaces x corners)
    niches : DataFrame
        ``space_id, section, building, face, row, column``.
    marker_label : str
        How a marker's text is built.
    findings : list of Finding
    """

    corners: pd.DataFrame
    lots: pd.DataFrame
    lot_rings: Rings
    sites: pd.DataFrame
    spaces: pd.DataFrame
    space_rings: Rings
    weights: Any
    centre_weights: Any
    niches: pd.DataFrame
    marker_label: str
    findings: list[Finding] = field(default_factory=list)

    @property
    def corners_plat_xy(self) -> Floats:
        """Plat coordinates (n, 2) of the corners."""
        return np.asarray(self.corners[["plat_x", "plat_y"]], dtype=float)

    @property
    def short_side(self) -> Floats:
        """Short side of each lot."""
        return np.asarray(self.lots["short_side"], dtype=float)

    @cached_property
    def _label_index(self) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
        """Rows of `sites` by label key: keys that name a section, and bare ones."""
        named: dict[str, list[int]] = {}
        bare: dict[str, list[int]] = {}
        section, row, lot = (label_keys(self.sites[name]) for name in ("section", "row", "lot"))
        label = label_keys(self.sites["label"])
        labelled = named if "{section}" in self.marker_label else bare
        by_row = self.sites_by_row.tolist()
        for number in range(len(self.sites)):
            ends: set[str] = {lot[number], f"{row[number]}-{lot[number]}".strip("-")}
            if by_row[number]:
                ends.add(row[number])
            for end in ends:
                named.setdefault(f"{section[number]}-{end}", []).append(number)
                bare.setdefault(end, []).append(number)
            found = labelled.setdefault(label[number], [])
            if number not in found[-1:]:
                found.append(number)
        return named, bare

    @cached_property
    def site_words(self) -> Mapping[str, Objects]:
        """Columns of `sites` that labels are matched with, as arrays: a table gives single values slowly."""
        return {name: self.sites[name].to_numpy(dtype=object) for name in ("label", "section", "lot_id", "space_id")}

    @cached_property
    def sites_by_row(self) -> Flags:
        """Whether a site is the end of a row of single graves, so that the row's name may be its label."""
        return np.asarray(self.sites["lot_id"].isna(), dtype=bool)


def label_keys(values: Any) -> Objects:
    """Label key of each value, worked out once a distinct value."""
    code, distinct = pd.factorize(np.asarray(values, dtype=object))
    keys = np.append(distinct.astype(object), [""])
    # A plain number is its own key; a large ground has a great many of them.
    number = np.zeros(len(distinct), dtype=bool)
    with contextlib.suppress(pa.ArrowException, UnicodeError):  # not text alone
        text = pa.array(distinct, type=pa.large_string())
        number = np.asarray(pc.match_substring_regex(text, _PLAIN_NUMBER), dtype=bool)
    for row in np.flatnonzero(~number).tolist():
        keys[row] = label_key(distinct[row])
    return np.asarray(keys[code])


def empty_plat(ground: Ground, niches: pd.DataFrame) -> Plat:
    """Return the plat of a ground without a lot."""
    none = (NONE, np.zeros(1, dtype=np.int64))
    nothing = sparse.csr_matrix((0, 0))
    return Plat(
        _typed(_CORNER_COLUMNS), _typed(_LOT_COLUMNS, "marker_index"), none,
        _typed(_SITE_COLUMNS, "corner_index"), _typed(_SPACE_COLUMNS, "lot_index"), none, nothing, nothing,
        niches, ground.marker_label,
    )  # fmt: skip


def _typed(names: tuple[str, ...], *indices: str) -> pd.DataFrame:
    return pd.DataFrame(columns=list(names)).astype(dict.fromkeys(indices, np.int64))


_CORNER_COLUMNS = ("corner_id", "plat", "section", "plat_x", "plat_y", "has_marker")
_LOT_COLUMNS = (
    "lot_id", "section", "plat", "row", "lot", "label", "spaces", "tiers", "kind", "marker_corner", "marker_index",
    "facing", "counted_from", "first_space_side", "short_side", "run_azimuth_plat",
)  # fmt: skip
_SITE_COLUMNS = (
    "label", "lot_id", "space_id", "section", "plat", "row", "lot", "corner_index", "plat_x", "plat_y", "inset_x",
    "inset_y", "short_side",
)  # fmt: skip
_SPACE_COLUMNS = (
    "space_id", "section", "plat", "lot_id", "lot_index", "row", "space", "kind", "facing", "run_azimuth_plat",
)  # fmt: skip
