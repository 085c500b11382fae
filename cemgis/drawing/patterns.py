"""Lines and dots by which areas differ without colour."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["pattern_dots", "pattern_lines"]


Floats = npt.NDArray[np.float64]
_PATTERN_ANGLES = {"diagonal": (45.0,), "crossed": (45.0, -45.0), "level": (0.0,), "upright": (90.0,)}


def pattern_lines(areas_pt: npt.NDArray[np.object_], pattern: str, spacing_pt: float = 2.6) -> list[Floats]:
    """Ruling of areas by a pattern of lines, as segments of shape (2, 2), cut exactly at the areas' edges.

    Parameters
    ----------
    areas_pt : ndarray of Polygon or MultiPolygon
    pattern : str
        ``diagonal``, ``crossed``, ``level`` or ``upright``; anything else gives no line.
    spacing_pt : float

    Examples
    --------
    >>> ruled = pattern_lines(shapely.box([0], [0], [10], [10]), "level", 2.0)
    >>> sorted({float(line[0, 1]) for line in ruled})
    [1.0, 3.0, 5.0, 7.0, 9.0]
    """
    segments: list[Floats] = []
    areas = np.asarray(areas_pt, dtype=object)
    areas = areas[~(shapely.is_missing(areas) | shapely.is_empty(areas))]
    if len(areas) == 0:
        return segments
    for degrees in _PATTERN_ANGLES.get(pattern, ()):
        turn = math.radians(degrees)
        along = np.array([math.cos(turn), math.sin(turn)])
        across = np.array([-along[1], along[0]])
        points, owner = shapely.get_coordinates(areas, return_index=True)
        starts = np.flatnonzero(np.concatenate([[True], owner[1:] != owner[:-1]]))
        s, t = points @ along, points @ across
        t_low, t_high = np.minimum.reduceat(t, starts), np.maximum.reduceat(t, starts)
        s_low, s_high = np.minimum.reduceat(s, starts), np.maximum.reduceat(s, starts)
        # Lines of one family run on from area to area: they stand at odd halves of the spacing, counted from the sheet.
        first = np.ceil(t_low / spacing_pt - 0.5).astype(int)
        last = np.floor(t_high / spacing_pt - 0.5).astype(int)
        number = np.maximum(last - first + 1, 0)
        which = np.repeat(np.arange(len(areas)), number)
        rank = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
        level = (first[which] + rank + 0.5) * spacing_pt
        begin = along * (s_low[which] - 1.0)[:, None] + across * level[:, None]
        end = along * (s_high[which] + 1.0)[:, None] + across * level[:, None]
        lines = shapely.linestrings(np.stack([begin, end], axis=1))
        parts = shapely.get_parts(shapely.intersection(lines, areas[which]))
        parts = parts[(shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING) & (shapely.length(parts) > 0)]
        ends = np.stack(
            [
                shapely.get_coordinates(shapely.get_point(parts, 0)),
                shapely.get_coordinates(shapely.get_point(parts, -1)),
            ],
            axis=1,
        )
        segments.extend(ends)
    return segments


def pattern_dots(areas_pt: npt.NDArray[np.object_], spacing_pt: float = 3.2) -> Floats:
    """Points of a staggered grid that lie inside the areas, shape (n, 2).

    Examples
    --------
    >>> dots = pattern_dots(shapely.box([0], [0], [8], [8]), 2.0)
    >>> bool(((dots > 0) & (dots < 8)).all()), len(dots) > 10
    (True, True)
    """
    areas = np.asarray(areas_pt, dtype=object)
    areas = areas[~(shapely.is_missing(areas) | shapely.is_empty(areas))]
    if len(areas) == 0:
        return np.zeros((0, 2))
    # Only round each area: a sheet full of points to look through takes longer than everything else on it.
    step = spacing_pt * 0.7
    left, bottom, right, top = shapely.bounds(areas).T
    row, column = np.ceil(bottom / step).astype(int), np.ceil(left / spacing_pt).astype(int) - 1
    rows = np.maximum(np.floor(top / step).astype(int) - row + 1, 0)
    columns = np.floor(right / spacing_pt).astype(int) - column + 1
    number = rows * columns
    which = np.repeat(np.arange(len(areas)), number)
    rank = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
    row, column = row[which] + rank // columns[which], column[which] + rank % columns[which]
    x = column * spacing_pt + (row % 2) * spacing_pt / 2
    y = row * step
    inside = shapely.contains_xy(areas[which], x, y)
    return np.asarray(np.unique(np.column_stack([x[inside], y[inside]]), axis=0), dtype=float)
