"""A raster file read as the picture a map is drawn on: a photograph or drawing as it is, heights as shaded relief."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import rasterio.errors
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT
from rasterio.windows import from_bounds
from rasterio.windows import transform as window_transform

from cemgis.drawing import Underlay
from cemgis.errors import InputError
from cemgis.reference import GroundCRS
from cemgis.terrain import hillshade

__all__ = ["read_underlay"]

Floats = npt.NDArray[np.float64]
log = logging.getLogger("cemgis")

_DRIVERS = ("GTiff", "PNG", "JPEG", "JP2OpenJPEG", "HFA", "AAIGrid")  # none that fetches or reads other files
_MOST_PIXELS = 5000  # a side: an A1 sheet at 150 dots an inch
_AROUND = 0.5  # of the ground's size, on every side: sheets show land beside the ground
_ERRORS = (rasterio.errors.RasterioError, rasterio.errors.CRSError, OSError)


def read_underlay(path: Path | str, crs: GroundCRS, bounds_grid: Sequence[float]) -> Underlay:
    """Read the part of a raster that lies under a ground, in the ground's reference system.

    Parameters
    ----------
    path : Path or str
        GeoTIFF or another plain raster file with its reference system.
    crs : GroundCRS
    bounds_grid : sequence of float
        Least easting and northing, greatest easting and northing of the ground.

    Returns
    -------
    Underlay

    Raises
    ------
    InputError
        When it cannot be read, does not say where it lies, or lies elsewhere.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError.of(str(path), "there is no such file", "Name a GeoTIFF.")
    said = ""
    for driver in _DRIVERS:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
                with rasterio.open(path, driver=driver) as source:
                    return _picture(path, source, crs, np.asarray(bounds_grid, dtype=float))
        except _ERRORS as error:
            said = said or " ".join(str(error).split())[:200]
    raise InputError.of(str(path), f"cannot be read as a picture ({said})", "Name a GeoTIFF.")


def _picture(path: Path, source: Any, crs: GroundCRS, bounds: Floats) -> Underlay:
    if source.crs is None:
        raise InputError.of(
            str(path), "does not say which reference system it is in",
            f"Give it one with a desktop GIS; the ground's is {crs.name}.",
        )  # fmt: skip
    target = crs.crs.to_wkt()
    same = pyproj.CRS(source.crs.to_wkt()).equals(crs.crs, ignore_axis_order=True)
    if not same:
        log.warning("%s is in %s: it is brought into %s for the picture", path, source.crs.to_string(), crs.name)
    reach = (bounds[2:] - bounds[:2]) * _AROUND
    with WarpedVRT(source, crs=target, resampling=Resampling.bilinear) as picture:
        low = np.maximum(bounds[:2] - reach, picture.bounds[:2])
        high = np.minimum(bounds[2:] + reach, picture.bounds[2:])
        if not (high > low).all():
            left, bottom, right, top = picture.bounds
            raise InputError.of(
                str(path),
                f"lies elsewhere (E {left:,.0f} to {right:,.0f}, N {bottom:,.0f} to {top:,.0f})",
                "Name a picture of this ground, or mend its reference system.",
            )
        window = from_bounds(low[0], low[1], high[0], high[1], picture.transform)
        shrink = max(1.0, window.width / _MOST_PIXELS, window.height / _MOST_PIXELS)
        size = max(int(window.height / shrink), 1), max(int(window.width / shrink), 1)
        base = window_transform(window, picture.transform)
        place = np.array([
            [base.a * window.width / size[1], base.b * window.height / size[0], base.c],
            [base.d * window.width / size[1], base.e * window.height / size[0], base.f],
        ])  # fmt: skip
        seen = picture.dataset_mask(window=window, out_shape=size)
        if source.count == 1 and source.dtypes[0] != "uint8":
            heights = picture.read(1, window=window, out_shape=size).astype(float)
            heights[seen == 0] = np.nan
            # Heights are taken to be in the unit of the grid: a wrong one makes the relief steeper, and moves nothing.
            light = hillshade(heights, abs(float(place[0, 0])), abs(float(place[1, 1])))
            # A burial ground is nearly level: its light is spread over the paler greys, or nothing would show.
            low, high = np.nanpercentile(light, [2.0, 98.0]) if np.isfinite(light).any() else (0.0, 1.0)
            spread = np.clip((light - low) / max(float(high - low), 0.02), 0.0, 1.0)
            grey = np.nan_to_num(110.0 + 145.0 * spread, nan=255.0).astype(np.uint8)
            colours, what = np.stack([grey] * 3), "shaded heights"
            seen = np.where(np.isfinite(light), seen, 0).astype(np.uint8)
        else:
            colours, what = _colours(picture, source, window, size), "a picture"
    image = np.concatenate([colours, seen[None]]).transpose(1, 2, 0)
    return Underlay(np.ascontiguousarray(image), place, f"Drawn on {what}, {path.name}, which was not checked.")


def _colours(picture: Any, source: Any, window: Any, size: tuple[int, int]) -> npt.NDArray[np.uint8]:
    bands = [1, 2, 3] if source.count >= 3 else [1]
    values = picture.read(bands, window=window, out_shape=(len(bands), *size))
    if len(bands) == 1 and source.colorinterp[0] == rasterio.enums.ColorInterp.palette:
        table = np.zeros((256, 3), dtype=np.uint8)
        for number, colour in source.colormap(1).items():
            table[number] = colour[:3]
        return np.ascontiguousarray(table[values[0]].transpose(2, 0, 1))
    if values.dtype != np.uint8:
        low, high = (float(value) for value in np.percentile(values, [2.0, 98.0]))
        values = np.clip((values.astype(float) - low) / max(high - low, 1e-9) * 255.0, 0, 255).astype(np.uint8)
    return np.repeat(values, 3, axis=0) if len(bands) == 1 else values
