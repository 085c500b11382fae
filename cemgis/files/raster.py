"""Grids of heights: GeoTIFF and whatever else the raster library reads, brought into the ground's grid and unit."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from rasterio import warp
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from cemgis.errors import InputError
from cemgis.files.tables import existing_file
from cemgis.terrain import Dem
from cemgis.units import HEIGHT_UNITS, Unit

__all__ = ["read_dem"]

_MOST_CELLS = 40_000_000


def read_dem(path: Path | str, crs: pyproj.CRS, unit: Unit, *, heights: str, where: str | None = None) -> Dem:
    """Read a grid of heights into a projected CRS.

    A grid in another CRS, in degrees or turned is reprojected (bilinear) and `Dem.note` says so: a slope is never taken
    over degrees.

    Parameters
    ----------
    path : Path
    crs : pyproj.CRS
        The ground's.
    unit : Unit
        Of `crs`; heights are turned into it.
    heights : str
        Unit of the heights: ``m``, ``ft`` or ``US survey foot``. Nothing in the file says it reliably.
    where : str, optional

    Raises
    ------
    InputError
        When it is no raster, has no CRS, holds no height, or the unit is unknown.
    """
    path = Path(path)
    place = where or path.name
    written = HEIGHT_UNITS.get(heights.strip())
    if written is None:
        raise InputError.of(
            f"{place} heights", f"{heights!r} is no unit of height", f"One of: {', '.join(HEIGHT_UNITS)}."
        )
    existing_file(path, place)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as source:
                if source.crs is None:
                    raise InputError.of(place, "the grid has no reference system", "Export it with one.")
                if source.width * source.height > _MOST_CELLS:
                    what = f"{source.width} by {source.height} cells are too many"
                    raise InputError.of(place, what, "Clip it to the parcel and its surroundings.")
                values = source.read(1, masked=True)
                here, transform = pyproj.CRS.from_wkt(source.crs.to_wkt()), source.transform
    except (RasterioError, UnicodeDecodeError) as error:
        raise InputError.of(place, f"this is not a grid that can be read ({error})", "Export it as GeoTIFF.") from None
    z = np.where(np.ma.getmaskarray(values), np.nan, values.data.astype(float))
    z[~np.isfinite(z)] = np.nan
    if not np.isfinite(z).any():
        raise InputError.of(place, "not one cell of it has a height", "Look at its nodata value.")
    note = ""
    same = here.is_projected and here.to_2d().equals(crs.to_2d(), ignore_axis_order=True)
    upright = transform.b == 0 and transform.d == 0 and transform.a > 0 and transform.e < 0
    if not (same and upright):
        why = "in degrees" if here.is_geographic else ("turned" if same else f"in {here.name}")
        z, transform = _into(z, transform, here, crs, place)
        note = f"{place} is {why}; it was reprojected, cells {abs(transform.a):.3g} {unit.suffix}"
    return Dem(z * (written.metres / unit.metres), transform.c, transform.f, transform.a, -transform.e, note)


def _into(
    z: np.ndarray, transform: rasterio.Affine, here: pyproj.CRS, crs: pyproj.CRS, place: str
) -> tuple[np.ndarray, rasterio.Affine]:
    try:
        if transform.b != 0 or transform.d != 0 or transform.a < 0 or transform.e > 0:
            made, width, height = _upright(transform, *z.shape)
            z, transform = _warped(z, transform, here, here, made, width, height), made
        if here != crs:
            corners = rasterio.transform.array_bounds(*z.shape, transform)
            made, width, height = warp.calculate_default_transform(
                here.to_wkt(), crs.to_wkt(), z.shape[1], z.shape[0], *corners
            )
            z, transform = _warped(z, transform, here, crs, made, width, height), made
    except (RasterioError, UnicodeDecodeError) as error:
        what = f"it cannot be brought into {crs.name} ({error})"
        raise InputError.of(place, what, "Reproject it first.") from None
    return z, transform


def _warped(
    z: np.ndarray, transform: rasterio.Affine, here: pyproj.CRS, crs: pyproj.CRS, made: rasterio.Affine, width: int,
    height: int,
) -> np.ndarray:  # fmt: skip
    out = np.full((height, width), np.nan)
    warp.reproject(
        z, out, src_transform=transform, src_crs=here.to_wkt(), src_nodata=np.nan, dst_transform=made,
        dst_crs=crs.to_wkt(), dst_nodata=np.nan, resampling=warp.Resampling.bilinear,
    )  # fmt: skip
    return out


def _upright(transform: rasterio.Affine, rows: int, columns: int) -> tuple[rasterio.Affine, int, int]:
    """North-up grid around a turned one of the same CRS, with cells of the same area."""
    x, y = zip(*(transform @ corner for corner in ((0, 0), (columns, 0), (0, rows), (columns, rows))), strict=True)
    cell = math.sqrt(abs(transform.determinant))
    width, height = math.ceil((max(x) - min(x)) / cell), math.ceil((max(y) - min(y)) / cell)
    return rasterio.Affine(cell, 0.0, min(x), 0.0, -cell, max(y)), width, height
