"""Scanned drawings: their size and own control points, the rectified GeoTIFF, and a copy small enough for a page."""

from __future__ import annotations

import io
import logging
import math
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
from PIL import Image
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import MemoryFile
from rasterio.transform import Affine
from rasterio.windows import Window
from scipy.ndimage import map_coordinates

from cemgis.errors import InputError
from cemgis.files.tables import existing_file
from cemgis.files.whole import whole
from cemgis.scan import Rectification, pixel_xy

__all__ = ["Scan", "read_scan", "small_copy", "write_rectified"]

log = logging.getLogger("cemgis")
Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

_TILE = 256
_BLOCK = 1024  # pixels a side that are worked on at once: four by four tiles
_NODE = 16  # the transformation is inverted at every 16th pixel, and straight between
_MOST_SIDE = 20_000
_FLIES = 4.0  # times the size an affine gives; beyond it the picture's edges are not held by control points
_DRIVERS = ("GTiff", "PNG", "JPEG", "JP2OpenJPEG", "BMP", "GIF")  # none that fetches or reads other files
_ENDS = {"PNG": b"IEND", "JPEG": b"\xff\xd9"}  # the libraries read half a picture without a word
_MOST_PIXELS = 600_000_000


@dataclass(frozen=True)
class Scan:
    """A picture as it lies in its file.

    Parameters
    ----------
    path : Path
    width, height : int
        Pixels.
    pixel, places : (n, 2) arrays
        Control points the file itself carries: column and row counted from the upper left corner, and coordinates in
        `crs`. The corners, where it has a transformation (turned or not) instead.
    crs : pyproj.CRS or None
        Of `places`; None where the file says none, and then there are no points.
    """

    path: Path
    width: int
    height: int
    pixel: Floats
    places: Floats
    crs: pyproj.CRS | None


@contextmanager
def _opened(path: Path, where: str) -> Iterator[Any]:
    existing_file(path, where)
    source, said = None, ""
    for driver in _DRIVERS:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                source = rasterio.open(path, driver=driver)
            break
        except (RasterioError, rasterio.errors.CRSError, UnicodeDecodeError) as error:
            said = said or " ".join(str(error).split())[:160]
    if source is None:
        raise InputError.of(where, f"cannot be read as a picture ({said})", "Save it as PNG, JPEG or TIFF.")
    ends = _ENDS.get(source.driver)
    if ends is not None and ends not in _tail(path):
        source.close()
        raise InputError.of(where, "breaks off: its end is missing", "Scan or copy it again.")
    try:
        with source:
            yield source
    except (RasterioError, rasterio.errors.CRSError, UnicodeDecodeError) as error:
        what = f"breaks off or cannot be decoded ({' '.join(str(error).split())[:160]})"
        raise InputError.of(where, what, "Scan or copy it again.") from None


def _tail(path: Path) -> bytes:
    with path.open("rb") as handle:
        handle.seek(max(path.stat().st_size - 64, 0))
        return handle.read()


def read_scan(path: Path | str, where: str | None = None) -> Scan:
    """Read what a picture says of itself.

    Raises
    ------
    InputError
        When it is no picture, or larger than 600 million pixels.
    """
    path = Path(path)
    place = where or path.name
    with _opened(path, place) as source:
        width, height = int(source.width), int(source.height)
        if width * height > _MOST_PIXELS:
            raise InputError.of(
                place, f"{width:,} by {height:,} pixels are too many", "Save a coarser copy and name that."
            )
        if not all(np.issubdtype(np.dtype(kind), np.integer) for kind in source.dtypes):
            raise InputError.of(place, "holds measurements, no picture", "Name the scan itself.")
        points, its = source.gcps
        crs = its or source.crs
        pixel = places = np.empty((0, 2))
        if points and crs:
            pixel = np.array([[point.col, point.row] for point in points])
            places = np.array([[point.x, point.y] for point in points])
        elif crs and not source.transform.is_identity:
            pixel = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
            matrix = source.transform
            places = np.array(
                [[matrix.a * c + matrix.b * r + matrix.c, matrix.d * c + matrix.e * r + matrix.f] for c, r in pixel]
            )
        return Scan(path, width, height, pixel, places, pyproj.CRS(crs.to_wkt()) if len(pixel) else None)


def small_copy(path: Path | str, most: int, where: str | None = None) -> tuple[bytes, float]:
    """Return a picture as JPEG of at most so many pixels a side, and by how much it was shrunk.

    Raises
    ------
    InputError
    """
    path = Path(path)
    with _opened(path, where or path.name) as source:
        shrink = max(1.0, source.width / most, source.height / most)
        size = (max(round(source.height / shrink), 1), max(round(source.width / shrink), 1))
        colours = _colours(source, source.read(out_shape=(source.count, *size), resampling=Resampling.average))
    image = Image.fromarray(colours[0] if len(colours) == 1 else colours.transpose(1, 2, 0))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue(), shrink


def _colours(source: Any, values: Any) -> Bytes:
    """Bands as one grey or three colours of a byte each."""
    if source.colorinterp[0] == ColorInterp.palette:
        table = np.zeros((256, 3), dtype=np.uint8)
        for number, colour in source.colormap(1).items():
            table[number] = colour[:3]
        return np.ascontiguousarray(table[values[0]].transpose(2, 0, 1))
    bands = values[:3] if source.count >= 3 else values[:1]
    if bands.dtype == np.uint8:
        nbits = source.tags(1, ns="IMAGE_STRUCTURE").get("NBITS")
        return np.asarray(bands * np.uint8(255) if nbits == "1" else bands)
    # the whole range of whole numbers, so that every part of a picture is brightened alike
    scaled = bands.astype(float) / float(np.iinfo(bands.dtype).max) * 255.0
    return np.asarray(np.clip(scaled, 0, 255).astype(np.uint8))


def write_rectified(
    scan: Scan, made: Rectification, target: Path | str, crs: pyproj.CRS, *, words: str = "",
    resolution: float | None = None,
) -> tuple[int, int, float]:  # fmt: skip
    """Write a picture as tiled GeoTIFF with overviews, north up in the ground's reference system, all or nothing.

    Parameters
    ----------
    scan : Scan
    made : Rectification
        From `pixel_xy` of its pixels to the grid.
    target : Path
    crs : pyproj.CRS
    words : str
        Put into the file's description.
    resolution : float, optional
        Side of a pixel in grid units; that of the scan when left out.

    Returns
    -------
    width, height : int
    resolution : float

    Raises
    ------
    InputError
        When it cannot be written, or the transformation flies apart at the picture's edges.
    """
    side = np.linspace(0.0, 1.0, 65)
    ends = np.concatenate([np.column_stack(pair) for pair in (
        (side, side * 0), (side, side * 0 + 1), (side * 0, side), (side * 0 + 1, side))])  # fmt: skip
    border = made.transform(pixel_xy(ends * [scan.width, scan.height]))
    low, high = border.min(axis=0), border.max(axis=0)
    plain = made.scale * math.hypot(scan.width, scan.height)
    if not np.isfinite(border).all() or math.hypot(*(high - low)) > _FLIES * plain:
        raise InputError.of(
            str(scan.path), "the transformation flies apart at the picture's edges",
            "Add control points near its corners, or use a simpler model.",
        )  # fmt: skip
    step = made.scale if resolution is None else resolution
    step = max(step, float((high - low).max()) / _MOST_SIDE)
    left, top = math.floor(low[0] / step) * step, math.ceil(high[1] / step) * step
    width, height = (max(math.ceil(value), 1) for value in ((high[0] - left) / step, (top - low[1]) / step))
    with ExitStack() as stack:
        source, path = stack.enter_context(_opened(scan.path, str(scan.path))), stack.enter_context(whole(target))
        count = 3 if source.count >= 3 or source.colorinterp[0] == ColorInterp.palette else 1
        profile = {
            "driver": "GTiff", "width": width, "height": height, "count": count + 1, "dtype": "uint8",
            "crs": crs.to_wkt(), "transform": Affine(step, 0.0, left, 0.0, -step, top), "tiled": True,
            "blockxsize": _TILE, "blockysize": _TILE, "compress": "deflate", "predictor": 2,
            "photometric": "rgb" if count == 3 else "minisblack",
        }  # fmt: skip
        # built in memory: on a full disk GDAL ends without a word and leaves a picture with holes
        memory = stack.enter_context(MemoryFile())
        with memory.open(**profile) as out:
            colours = [ColorInterp.red, ColorInterp.green, ColorInterp.blue] if count == 3 else [ColorInterp.gray]
            out.colorinterp = [*colours, ColorInterp.alpha]
            if words:
                out.update_tags(TIFFTAG_IMAGEDESCRIPTION=words)
            for row in range(0, height, _BLOCK):
                for column in range(0, width, _BLOCK):
                    window = Window(column, row, min(_BLOCK, width - column), min(_BLOCK, height - row))
                    out.write(_block(source, made, (left, top, step), window, count), window=window)
        levels = [2**k for k in range(1, 12) if max(width, height) / 2**k >= _TILE / 2]
        if levels:
            with rasterio.open(memory.name, "r+") as out:
                out.build_overviews(levels, Resampling.average)
        path.write_bytes(memory.getbuffer())
    return width, height, step


def _block(source: Any, made: Rectification, base: tuple[float, float, float], window: Any, count: int) -> Bytes:
    """Work out one block of the picture: its colours, and opacity where the scan reaches."""
    left, top, step = base
    columns, rows = int(window.width), int(window.height)
    # nodes at and around the block's pixel centres
    across = window.col_off + 0.5 + np.arange(-1, columns // _NODE + 3) * _NODE
    down = window.row_off + 0.5 + np.arange(-1, rows // _NODE + 3) * _NODE
    e, n = np.meshgrid(left + across * step, top - down * step)
    back = made.inverse(np.column_stack([e.ravel(), n.ravel()])) * [1.0, -1.0]
    nodes = back.reshape(len(down), len(across), 2)
    out = np.zeros((count + 1, rows, columns), dtype=np.uint8)
    at = np.meshgrid(np.arange(rows) / _NODE + 1.0, np.arange(columns) / _NODE + 1.0, indexing="ij")
    place = np.stack([map_coordinates(nodes[..., k], at, order=1, mode="nearest") for k in (0, 1)])
    inside = np.isfinite(place).all(axis=0)
    inside &= (place[0] >= 0) & (place[0] <= source.width) & (place[1] >= 0) & (place[1] <= source.height)
    if not inside.any():
        return out
    first = np.maximum(np.floor(place[:, inside].min(axis=1)).astype(int) - 2, 0)
    last = np.minimum(np.ceil(place[:, inside].max(axis=1)).astype(int) + 2, [source.width, source.height])
    size = last - first
    part = _colours(source, source.read(window=Window(first[0], first[1], size[0], size[1])))
    # a pixel's value stands for its middle
    spots = np.stack([place[1][inside] - first[1] - 0.5, place[0][inside] - first[0] - 0.5])
    for band in range(count):
        values = map_coordinates(part[band].astype(np.float32), spots, order=1, mode="nearest")
        out[band][inside] = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    out[count][inside] = 255
    return out
