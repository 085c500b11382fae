"""Land that two plats claim once both are placed."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from cemgis.findings import Finding, find
from cemgis.geometry import (
    long_axis,
)
from cemgis.units import Unit, say_length

__all__ = ["overlaps"]

Objects = NDArray[np.object_]


def overlaps(
    sections: gpd.GeoDataFrame, lots: gpd.GeoDataFrame | None = None, *, least: float, unit: Unit
) -> list[Finding]:
    """Find land that two plats claim once both are placed.

    Parameters
    ----------
    sections : GeoDataFrame
        ``section, plat, plat_date`` and the outline in grid coordinates.
    lots : GeoDataFrame, optional
        ``section`` and each lot in grid coordinates; with them only land that lots claim counts, not outlines.
    least : float
        Overlaps narrower than this are the plats' own uncertainty; in the unit of the coordinates.
    unit : Unit

    Returns
    -------
    list of Finding
        One for each pair of sections of two plats, the section of the earlier plat first.
    """
    shapes = np.asarray(sections.geometry.to_numpy(), dtype=object)
    names = sections["section"].astype(str).to_numpy()
    plats = sections["plat"].astype(object).where(sections["plat"].notna(), "").astype(str).to_numpy()
    dates = sections["plat_date"].astype(object).where(sections["plat_date"].notna(), "9999").astype(str).to_numpy()
    real = np.flatnonzero(~shapely.is_missing(shapes) & ~shapely.is_empty(shapes))
    if len(real) < 2:
        return []
    a, b = shapely.STRtree(shapes[real]).query(shapes[real], predicate="intersects")
    pairs = sorted(
        {(int(min(i, j)), int(max(i, j))) for i, j in zip(real[a], real[b], strict=True) if plats[i] != plats[j]}
    )
    findings = []
    for i, j in pairs:
        if (dates[j], names[j]) < (dates[i], names[i]):
            i, j = j, i
        land = (
            _claimed(names[i], names[j], lots)
            if lots is not None
            else shapely.intersection(shapes[i : i + 1], shapes[j])
        )
        _, width, _ = long_axis(land)
        deep = np.nan_to_num(width) > least
        if not deep.any():
            continue
        middle = shapely.centroid(land[deep][np.argmax(shapely.area(land[deep]))])
        area = float(shapely.area(shapely.union_all(land[deep])))
        first, second = (f"section {names[k]} of plat {plats[k]} ({dates[k]})" for k in (i, j))
        size = f"{area:.0f} {'sq ft' if unit.is_foot else 'sq m'}, up to {say_length(float(width[deep].max()), unit)}"
        reason = f"{first} and {second} share {size} wide"
        findings.append(
            find("plats overlap", f"{names[i]} and {names[j]}", reason, section=str(names[i]), at=(middle.x, middle.y))
        )
    return findings


def _claimed(first: str, second: str, lots: gpd.GeoDataFrame) -> Objects:
    """Pieces of land that lots of both sections hold."""
    section = lots["section"].astype(str).to_numpy()
    shapes = np.asarray(lots.geometry.to_numpy(), dtype=object)
    one, two = shapes[section == first], shapes[section == second]
    if not len(one) or not len(two):
        return np.empty(0, dtype=object)
    a, b = shapely.STRtree(two).query(one, predicate="intersects")
    return np.asarray(shapely.intersection(one[a], two[b]), dtype=object)
