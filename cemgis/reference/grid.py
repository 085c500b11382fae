"""The grid against the ground and the compass; which projected systems a place has."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from cemgis.errors import InputError
from cemgis.reference.moving import to_lonlat
from cemgis.reference.named import ground_crs
from cemgis.reference.systems import GEOD, SCALE_LIMIT, GroundCRS
from cemgis.reference.ways import is_conformal, projection_factors, say_place
from cemgis.units import METRE

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["combined_factor", "convergence", "declination", "scale_factor", "suggest"]

Array = NDArray[np.float64]
_CURRENT = ("NAD83(2011)", "NAD83(PA11)", "NAD83(MA11)", "NAD83(CSRS)v8", "GDA2020", "ETRS89", "ETRF2000", "NZGD2000")

_IGRF_YEARS = (1900.0, 2030.0)
"""Years the IGRF-14 coefficients of ppigrf are for. Source: ppigrf, which only prints a warning outside them."""


def _at_points(grid_xy: ArrayLike, ground: GroundCRS, read: Callable[[Any], ArrayLike]) -> Array:
    lonlat = to_lonlat(grid_xy, ground)
    values = np.full(len(lonlat), np.nan)
    good = np.isfinite(lonlat).all(axis=1)
    if good.any():
        values[good] = np.asarray(read(projection_factors(ground.crs, lonlat[good, 0], lonlat[good, 1])), dtype=float)
    return np.where(np.abs(values) < 1e6, values, np.nan)


def convergence(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return the convergence of the meridians in degrees: azimuth from true north = from grid north + convergence.

    Positive east of the central meridian on the northern half, where grid north points east of true north.

    Examples
    --------
    >>> from cemgis.reference import parse_reference, to_grid
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> convergence(grid, ground).round(3).tolist()
    [0.131]
    """
    return _at_points(grid_xy, ground, lambda factors: factors.meridian_convergence)


def scale_factor(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return the scale of the grid: grid length over length on the ellipsoid.

    Examples
    --------
    >>> from cemgis.reference import parse_reference, to_grid
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> scale_factor(grid, ground).round(6).tolist()
    [0.999943]
    """
    return _at_points(grid_xy, ground, lambda factors: factors.meridional_scale)


def combined_factor(grid_xy: ArrayLike, ground: GroundCRS, height_m: ArrayLike) -> Array:
    """Return grid length over taped length on the ground: scale x R / (R + h).

    R is the mean radius of curvature at the latitude, sqrt(M N) = b / (1 - e^2 sin^2 phi): with it the combined
    factors of NGS OPUS reports come out to 1e-8; with one radius for all places (6,372,000 m) to 1e-7.

    Parameters
    ----------
    grid_xy : array, (n, 2)
    ground : GroundCRS
    height_m : float or array (n,)
        Metres above the ellipsoid. Taking a height above sea level instead changes the factor by 5 parts in a
        million where the two differ by 30 m.

    Examples
    --------
    >>> from cemgis.reference import parse_reference, to_grid
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> combined_factor(grid, ground, 300.0).round(6).tolist()
    [0.999896]
    """
    scale = scale_factor(grid_xy, ground)
    height = np.broadcast_to(np.asarray(height_m, dtype=float), scale.shape)
    radius = _radius_m(ground.crs, to_lonlat(grid_xy, ground)[:, 1])
    return np.asarray(scale * radius / (radius + height), dtype=float)


def _radius_m(crs: CRS, lat: ArrayLike) -> Array:
    """Return the mean radius of curvature sqrt(M N) of a system's ellipsoid."""
    major, minor = GEOD.a, GEOD.b
    if crs.ellipsoid is not None:
        major, minor = float(crs.ellipsoid.semi_major_metre), float(crs.ellipsoid.semi_minor_metre)
    e2 = 1.0 - (minor / major) ** 2
    return np.asarray(minor / (1.0 - e2 * np.sin(np.radians(np.asarray(lat, dtype=float))) ** 2), dtype=float)


def declination(lon: ArrayLike, lat: ArrayLike, year: float, where: str = "year") -> Array:
    """Return how far a compass pointed east of true north, in degrees, by the IGRF at the ellipsoid.

    A model of the core's field: iron in the ground is not in it, and other models differ by some tenths of a degree.
    Before 1945 it is less well known.

    Parameters
    ----------
    lon, lat : float or array
        Degrees.
    year : float
        Decimal year, 1900 to 2030.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        For a year outside the model.

    Examples
    --------
    >>> float(declination(-82.3, 40.9, 2025.0).round(1))
    -7.8
    """
    if not (isinstance(year, (int, float)) and _IGRF_YEARS[0] <= year <= _IGRF_YEARS[1]):
        raise InputError.of(
            where,
            f"{year!r} is outside the years the magnetic model is for, 1900 to 2030",
            "Use the declination noted on the plat, or one from a chart of that year.",
        )
    import ppigrf  # heavy, and wanted by few

    longitude, latitude = np.broadcast_arrays(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
    good = np.isfinite(longitude) & np.isfinite(latitude) & (np.abs(latitude) < 90.0)
    angle = np.full(longitude.shape, np.nan)
    if good.any():
        start = datetime(int(year), 1, 1)
        day = start + (year - int(year)) * (datetime(int(year) + 1, 1, 1) - start)
        day = min(day, datetime(2030, 1, 1) - timedelta(seconds=1)) if year >= _IGRF_YEARS[1] else day
        east, north, _ = ppigrf.igrf(longitude[good], latitude[good], 0.0, day)
        angle[good] = np.degrees(np.arctan2(east[0], north[0]))
    return angle


def suggest(lat: float, lon: float, height_m: float = 0.0, where: str = "place") -> pd.DataFrame:
    """Return projected systems with a realization for a place, the one with the least distortion first.

    The register gives the area of use as a box, so near a border the zone of the neighbour is listed too.

    Parameters
    ----------
    lat, lon : float
        Degrees.
    height_m : float
        Metres above the ellipsoid, so that `ppm` is against lengths taped on the ground; every 64 m are 10 ppm.
    where : str
        Named in the error.

    Returns
    -------
    DataFrame
        ``crs, name, unit, scale, ppm, convergence_deg, note``; `scale` is that of the grid, `ppm` how much longer a
        length is in the grid than on the ground, in parts per million.

    Raises
    ------
    InputError
        When the place is not on Earth or nothing suitable is registered there.

    Examples
    --------
    >>> suggest(40.9, -82.3).loc[0, ["crs", "unit"]].tolist()
    ['EPSG:6549', 'US survey foot']
    """
    import pandas as pd

    if not (math.isfinite(lat) and math.isfinite(lon) and abs(lat) <= 90.0 and abs(lon) <= 360.0):
        remedy = "Give the latitude first, then the longitude, west with a minus sign."
        raise InputError.of(where, f"latitude {lat:g}, longitude {lon:g} is not a place on Earth", remedy)
    lon = (lon + 180.0) % 360.0 - 180.0
    found = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    codes = {int(info.code) for info in found if info.name.split(" / ")[0] in _CURRENT and not info.deprecated}
    rows = []
    for code in sorted(codes):
        try:
            ground = ground_crs(f"EPSG:{code}")
        except InputError:
            continue
        if not is_conformal(ground.crs, lon, lat):
            continue
        factors = projection_factors(ground.crs, [lon], [lat])
        scale = float(factors.meridional_scale[0])
        radius = float(_radius_m(ground.crs, lat))
        combined = scale * radius / (radius + height_m)
        rows.append(
            {
                "crs": f"EPSG:{code}",
                "name": ground.name,
                "unit": ground.unit.name,
                "scale": scale,
                "ppm": (combined - 1.0) * 1e6,
                "convergence_deg": float(factors.meridian_convergence[0]),
            }
        )
    if not rows:
        raise InputError.of(
            where,
            f"no projected system with a realization is known here for {say_place(lon, lat)}",
            "Ask the survey office of the place for the code of the one it uses.",
        )
    table = pd.DataFrame(rows)
    # Where a foot version exists the foot is in use, so it goes before its metre twin; of twins with other axes the
    # one with the plain name goes first.
    size = table["ppm"].abs().round(1)
    order = pd.DataFrame({"size": size, "metric": table["unit"].eq(METRE.name), "long": table["name"].str.len()})
    order["code"] = range(len(table))
    table = table.loc[order.sort_values(["size", "metric", "long", "code"]).index].reset_index(drop=True)
    size = table["ppm"].abs().round(1)
    table["note"] = np.where(
        size.eq(size.iloc[0]),
        "least distortion here; ask the county or survey office which unit it publishes",
        np.where(table["scale"].sub(1.0).abs() > SCALE_LIMIT, "too much distortion here for a ground", ""),
    )
    return table
