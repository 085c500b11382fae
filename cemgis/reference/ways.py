"""Ways from one reference system to another: projections, operations of known accuracy, scale factors."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import ProjError
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]
from pyproj.transformer import TransformerGroup

__all__ = [
    "OPERATION_LIMIT_M",
    "find_operation",
    "is_conformal",
    "lonlat_of",
    "projection_factors",
    "projection_of",
    "say_place",
    "shift_by",
    "within_bounds",
]

Array = NDArray[np.float64]

OPERATION_LIMIT_M = 0.1
"""An operation whose stated accuracy is worse is refused. Assumption: a tenth of a 4 ft space."""

_NOT_CONFORMAL = 1e-4
"""Scales along and across the meridian that differ by more: lengths depend on the direction. Assumption: 0.02 ft in
200 ft."""


@lru_cache(maxsize=64)
def projection_of(crs: CRS) -> Transformer:
    """Conversion from a system's own longitude and latitude to its grid; exact, no shift of datum."""
    return Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)


@lru_cache(maxsize=64)
def proj_of(crs: CRS) -> Proj:
    """Return the projection of a system, for its factors."""
    return Proj(crs)


@dataclass(frozen=True, slots=True)
class _Operation:
    transformer: Transformer
    description: str
    accuracy_m: float
    timed: bool


def within_bounds(bounds: tuple[float, float, float, float], lon: ArrayLike, lat: ArrayLike, margin: float) -> Any:
    """Return which places lie within bounds and a margin, in degrees."""
    west, south, east, north = bounds
    width = (east - west) % 360.0 or (360.0 if east != west else 0.0)
    off = (np.asarray(lon, dtype=float) - west + margin) % 360.0
    lat = np.asarray(lat, dtype=float)
    return (off <= width + 2.0 * margin) & (lat >= south - margin) & (lat <= north + margin)


@lru_cache(maxsize=512)
def _operation(source: CRS, target: CRS, lon: float, lat: float) -> _Operation | None:
    """Return the operation between two geographic systems at a place, None when none is good enough.

    Left out are those that are ballpark, of unknown accuracy or worse than `OPERATION_LIMIT_M`, that need a grid
    file (another machine may lack it, so the same evidence would give another ground), or that are for elsewhere. Of
    the rest the first by stated accuracy, then by fewest steps, then by the order of the register.
    """
    # Reading grids from the network would make the result depend on the connection.
    set_network_enabled(active=False)
    near = AreaOfInterest(lon - 0.01, max(lat - 0.01, -90.0), lon + 0.01, min(lat + 0.01, 90.0))
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Best transformation is not available", category=UserWarning)
            group = TransformerGroup(source, target, always_xy=True, allow_ballpark=False, area_of_interest=near)  # type: ignore[arg-type]
    except (ProjError, IndexError):  # pyproj fails by index where the register has no operation at all
        return None
    good = []
    for transformer in group.transformers:
        area, text = transformer.area_of_use, transformer.definition
        if not 0.0 <= transformer.accuracy <= OPERATION_LIMIT_M:
            continue
        if "allpark" in transformer.description or "grids=" in text:
            continue
        if area is not None and not within_bounds(area.bounds, lon, lat, 0.0):
            continue
        timed = "t_epoch=" in text or "+dx=" in text
        good.append(_Operation(transformer, transformer.description, float(transformer.accuracy), timed))
    return min(good, key=lambda item: (item.accuracy_m, item.description.count(" + ")), default=None)


def find_operation(source: CRS, target: CRS, lon: float, lat: float) -> _Operation | None:
    """Return the best operation between two systems near a place, or None."""
    return _operation(source, target, round(float(lon), 1), round(float(lat), 1))


def shift_by(
    lonlat: Array, source: CRS, target: CRS, operation: _Operation | None, epoch: ArrayLike | None, height: Array
) -> Array:
    """Return longitude and latitude in another frame; the same numbers where source and target are one."""
    if source == target or operation is None:
        return lonlat.copy()
    time = np.broadcast_to(np.asarray(np.inf if epoch is None else epoch, dtype=float), len(lonlat))
    lon, lat, _, _ = operation.transformer.transform(lonlat[:, 0], lonlat[:, 1], height, time)
    return np.column_stack([lon, lat])


def lonlat_of(xy: Array, crs: CRS) -> Array:
    """Longitude and latitude in a system's own datum; NaN where there is no such place on Earth."""
    if crs.is_projected:
        lon, lat = projection_of(crs).transform(xy[:, 0], xy[:, 1], direction="INVERSE")
        lonlat = np.column_stack([lon, lat])
    else:
        lonlat = xy.copy()
    with np.errstate(invalid="ignore"):
        good = np.isfinite(lonlat).all(axis=1) & (np.abs(lonlat[:, 1]) <= 90.0) & (np.abs(lonlat[:, 0]) <= 360.0)
    lonlat[~good] = np.nan
    return lonlat


def say_place(lon: float, lat: float) -> str:
    """Write longitude and latitude as a reader expects them."""
    lon = (lon + 180.0) % 360.0 - 180.0
    return f"{abs(lat):.4g}° {'N' if lat >= 0 else 'S'}, {abs(lon):.5g}° {'E' if lon >= 0 else 'W'}"


def projection_factors(crs: CRS, lon: ArrayLike, lat: ArrayLike) -> Any:
    """Return scale and convergence of a projection at places."""
    return proj_of(crs).get_factors(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float), errcheck=False)


def is_conformal(crs: CRS, lon: float, lat: float) -> bool | None:
    """Return whether a projection keeps angles at a place; None where it has no factors."""
    found = projection_factors(crs, [lon], [lat])
    along, across = float(found.meridional_scale[0]), float(found.parallel_scale[0])
    if not (0.0 < along < 1e6 and 0.0 < across < 1e6):
        return None
    return abs(along / across - 1.0) <= _NOT_CONFORMAL
