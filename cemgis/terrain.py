"""The lie of the land: slope, aspect, shading, contours and hollows of a grid of heights."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, replace
from typing import Any

import contourpy
import numpy as np
import numpy.typing as npt
import shapely
from rasterio import Affine
from rasterio.features import shapes as raster_shapes
from scipy import ndimage

__all__ = [
    "Dem",
    "aspect_deg",
    "clip",
    "contours",
    "fill",
    "gradient",
    "hillshade",
    "hollows",
    "mask_polygon",
    "slope_percent",
    "slope_under",
]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Dem:
    """Heights on a north-up grid, everything in the ground's unit.

    Parameters
    ----------
    heights : ndarray, shape (rows, columns)
        The first row lies north; NaN where nothing is known.
    west, north : float
        Grid coordinates of the outer corner of the first cell.
    cell_x, cell_y : float
        Size of a cell, both above zero.
    note : str
        What was done to it on reading.
    """

    heights: Floats
    west: float
    north: float
    cell_x: float
    cell_y: float
    note: str = ""

    @property
    def transform(self) -> Affine:
        """Column and row to grid coordinates."""
        return Affine(self.cell_x, 0.0, self.west, 0.0, -self.cell_y, self.north)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least easting and northing, greatest easting and northing."""
        rows, columns = self.heights.shape
        return (self.west, self.north - rows * self.cell_y, self.west + columns * self.cell_x, self.north)

    def centres(self) -> tuple[Floats, Floats]:
        """Eastings of the columns and northings of the rows."""
        rows, columns = self.heights.shape
        east = self.west + (np.arange(columns, dtype=np.float64) + 0.5) * self.cell_x
        north = self.north - (np.arange(rows, dtype=np.float64) + 0.5) * self.cell_y
        return np.asarray(east, dtype=np.float64), np.asarray(north, dtype=np.float64)

    def at(self, values: Floats, grid_xy: npt.ArrayLike) -> Floats:
        """Values of the cells that points lie in, NaN outside."""
        xy = np.asarray(grid_xy, dtype=float).reshape(-1, 2)
        column = np.floor((xy[:, 0] - self.west) / self.cell_x)
        row = np.floor((self.north - xy[:, 1]) / self.cell_y)
        inside = (column >= 0) & (row >= 0) & (column < values.shape[1]) & (row < values.shape[0])
        out = np.full(len(xy), np.nan)
        out[inside] = values[row[inside].astype(np.int64), column[inside].astype(np.int64)]
        return out

    def missing(self, area: Any) -> float:
        """Area of a polygon that has no height."""
        known = mask_polygon(self, np.isfinite(self.heights))
        return float(shapely.area(shapely.difference(area, known)))


def clip(dem: Dem, bounds: tuple[float, float, float, float]) -> Dem:
    """Cut a grid of heights down to the cells that touch a rectangle."""
    rows, columns = dem.heights.shape
    left = min(max(math.floor((bounds[0] - dem.west) / dem.cell_x), 0), columns)
    right = min(max(math.ceil((bounds[2] - dem.west) / dem.cell_x), left), columns)
    top = min(max(math.floor((dem.north - bounds[3]) / dem.cell_y), 0), rows)
    bottom = min(max(math.ceil((dem.north - bounds[1]) / dem.cell_y), top), rows)
    return replace(
        dem, heights=dem.heights[top:bottom, left:right], west=dem.west + left * dem.cell_x,
        north=dem.north - top * dem.cell_y,
    )  # fmt: skip


def gradient(heights: npt.ArrayLike, cell_x: float, cell_y: float) -> tuple[Floats, Floats]:
    """Horn's gradient of a grid whose first row lies north: rise a unit to the east and to the north.

    Weights 1, 2, 1 on the three cells of either side, over eight cells (Horn 1981, Hill shading and the reflectance
    map, Proc. IEEE 69). NaN where any of the nine cells is missing, so all around the rim.

    Parameters
    ----------
    heights : array_like, shape (rows, columns)
    cell_x, cell_y : float
        In the unit of the heights.

    Examples
    --------
    >>> east, north = gradient([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5, 5)
    >>> float(east[1, 1].round(2)), float(north[1, 1].round(2))
    (0.05, 3.8)
    """
    z = np.asarray(heights, dtype=float)
    east, north = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    if min(z.shape) < 3:
        return east, north
    nw, n, ne = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
    w, middle, e = z[1:-1, :-2], z[1:-1, 1:-1], z[1:-1, 2:]
    sw, s, se = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
    known = np.where(np.isfinite(middle), 0.0, np.nan)
    east[1:-1, 1:-1] = ((ne + 2 * e + se) - (nw + 2 * w + sw)) / (8.0 * cell_x) + known
    north[1:-1, 1:-1] = ((nw + 2 * n + ne) - (sw + 2 * s + se)) / (8.0 * cell_y) + known
    return east, north


def slope_percent(heights: npt.ArrayLike, cell_x: float, cell_y: float) -> Floats:
    """Rise over run, in percent.

    Examples
    --------
    >>> float(slope_percent([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5, 5)[1, 1].round(2))
    380.03
    """
    return np.asarray(100.0 * np.hypot(*gradient(heights, cell_x, cell_y)))


def slope_under(dem: Dem, slope: Floats, shapes: npt.NDArray[np.object_]) -> Floats:
    """Slope under small areas: the mean of the cells under the middle and halfway from it to every corner.

    Parameters
    ----------
    dem : Dem
    slope : ndarray
        Percent, on its cells.
    shapes : ndarray of Polygon, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        NaN where no cell is known, and for a missing shape.

    Examples
    --------
    >>> plane = Dem(np.tile(np.arange(9.0), (9, 1)), 0.0, 45.0, 5.0, 5.0)
    >>> slope = slope_percent(plane.heights, 5, 5)
    >>> shapes = np.array([shapely.box(20, 20, 24, 32), shapely.box(900, 0, 904, 12)])
    >>> slope_under(plane, slope, shapes).round(6).tolist()
    [20.0, nan]
    """
    middle = shapely.centroid(shapes)
    xy, of = shapely.get_coordinates(shapes, return_index=True)
    corner = np.append(of[1:] == of[:-1], False)[: len(of)]  # the last point of a ring is its first
    xy, of = xy[corner], of[corner]
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    centres = np.full((len(shapes), 2), np.nan)
    centres[there] = shapely.get_coordinates(middle[there])
    points, of = np.concatenate([centres[there], (xy + centres[of]) / 2]), np.concatenate([np.flatnonzero(there), of])
    values = dem.at(slope, points)
    known = np.isfinite(values)
    sums = np.bincount(of[known], values[known], minlength=len(shapes))
    number = np.bincount(of[known], minlength=len(shapes))
    return np.asarray(np.where(number > 0, sums / np.maximum(number, 1), np.nan), dtype=np.float64)


def aspect_deg(heights: npt.ArrayLike, cell_x: float, cell_y: float) -> Floats:
    """Direction in which the land falls, degrees clockwise from grid north; NaN on the level.

    Examples
    --------
    >>> float(aspect_deg([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 1, 1)[1, 1].round(2))
    92.64
    """
    east, north = gradient(heights, cell_x, cell_y)
    aspect = np.degrees(np.arctan2(-east, -north)) % 360.0
    return np.asarray(np.where((east == 0) & (north == 0), np.nan, aspect))


def hillshade(
    heights: npt.ArrayLike, cell_x: float, cell_y: float, *, azimuth_deg: float = 315.0, altitude_deg: float = 45.0
) -> Floats:
    """Share of light that a matt surface sends back, 0 to 1, from a lamp in the northwest.

    Examples
    --------
    >>> float(hillshade(np.zeros((3, 3)), 1, 1)[1, 1].round(4))  # level land: the sine of the lamp's altitude
    0.7071
    """
    east, north = gradient(heights, cell_x, cell_y)
    lamp, up = math.radians(azimuth_deg), math.radians(altitude_deg)
    # Unit normal (-east, -north, 1)/length against the direction to the lamp.
    light = -east * math.sin(lamp) * math.cos(up) - north * math.cos(lamp) * math.cos(up) + math.sin(up)
    return np.asarray(np.clip(light / np.sqrt(1.0 + east**2 + north**2), 0.0, 1.0))


def contours(dem: Dem, step: float) -> tuple[npt.NDArray[np.object_], Floats]:
    """Lines of equal height at multiples of a step, and their heights.

    Examples
    --------
    >>> plane = Dem(np.tile(np.arange(5.0), (4, 1)), 0.0, 4.0, 1.0, 1.0)
    >>> lines, heights = contours(plane, 2.0)
    >>> heights.tolist(), [line.bounds for line in lines]
    ([2.0], [(2.5, 0.5, 2.5, 3.5)])
    """
    east, north = dem.centres()
    known = dem.heights[np.isfinite(dem.heights)]
    none: npt.NDArray[np.object_] = np.empty(0, dtype=object)
    if not known.size or min(dem.heights.shape) < 2 or not step > 0:
        return none, np.empty(0)
    levels = step * np.arange(math.floor(known.min() / step) + 1, math.ceil(known.max() / step))
    maker = contourpy.contour_generator(east, north, np.ma.masked_invalid(dem.heights))
    lines, heights = [], []
    for level in levels:
        made = [item for item in maker.lines(float(level)) if len(item) > 1]
        lines += [shapely.LineString(item) for item in made]
        heights += [float(level)] * len(made)
    out = np.empty(len(lines), dtype=object)
    out[:] = lines
    return out, np.array(heights)


def fill(heights: npt.ArrayLike) -> Floats:
    """Heights with every hollow filled to its rim: the level water would stand at.

    Cells are taken from the rim of the grid (and of missing cells) inwards, the lowest first, and none may lie below
    the one it was reached from, eight neighbours (priority flood; Barnes, Lehman, Mulla 2014).

    Examples
    --------
    >>> fill([[5, 5, 5, 5], [5, 1, 2, 5], [5, 5, 4, 5], [5, 5, 5, 5]])[1].tolist()
    [5.0, 5.0, 5.0, 5.0]
    """
    z = np.asarray(heights, dtype=float)
    rows, columns = z.shape
    known = np.isfinite(z)
    # A rim of missing cells around everything; flat indices from here on.
    padded = np.pad(z, 1, constant_values=np.nan)
    seen = ~np.isfinite(padded)
    rim = ~seen & ndimage.binary_dilation(seen, np.ones((3, 3)))
    level, done, width = padded.ravel().copy(), seen.ravel().copy(), columns + 2
    heap = [(float(level[at]), int(at)) for at in np.flatnonzero(rim)]
    done[[at for _, at in heap]] = True
    heapq.heapify(heap)
    steps = (-width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1)
    flat = level.tolist()
    closed = done.tolist()
    while heap:
        height, at = heapq.heappop(heap)
        for step in steps:
            near = at + step
            if not closed[near]:
                closed[near] = True
                flat[near] = max(flat[near], height)
                heapq.heappush(heap, (flat[near], near))
    out = np.array(flat).reshape(rows + 2, width)[1:-1, 1:-1]
    return np.asarray(np.where(known, out, np.nan))


def hollows(dem: Dem, depth: float) -> Any:
    """Land that water would stand on, at least so deep at its deepest.

    Returns
    -------
    Polygon or MultiPolygon
        Possibly empty.

    Examples
    --------
    >>> bowl = np.full((5, 5), 10.0)
    >>> bowl[2, 2] = 9.0
    >>> hollows(Dem(bowl, 0.0, 5.0, 1.0, 1.0), 0.5).bounds, hollows(Dem(bowl, 0.0, 5.0, 1.0, 1.0), 1.5).is_empty
    ((2.0, 2.0, 3.0, 3.0), True)
    """
    under = fill(dem.heights) - dem.heights
    wet = np.nan_to_num(under) > 1e-9
    label, count = ndimage.label(wet, np.ones((3, 3)))
    if not count:
        return shapely.Polygon()
    deepest = np.asarray(ndimage.maximum(np.nan_to_num(under), label, np.arange(count + 1)))
    keep = deepest >= depth
    keep[0] = False
    return mask_polygon(dem, keep[label])


def mask_polygon(dem: Dem, mask: Flags) -> Any:
    """Outline of the cells where a mask is true; its area is exactly theirs.

    Examples
    --------
    >>> grid = Dem(np.zeros((2, 3)), 100.0, 50.0, 10.0, 10.0)
    >>> mask_polygon(grid, np.array([[True, True, False], [False, True, False]])).area
    300.0
    """
    flags = np.asarray(mask, dtype=bool)
    if not flags.any():
        return shapely.Polygon()
    found = raster_shapes(flags.astype(np.uint8), mask=flags, connectivity=4, transform=dem.transform)
    return shapely.union_all([shapely.geometry.shape(item) for item, _ in found])
