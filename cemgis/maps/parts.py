"""How a section is laid on paper: on one sheet, or in parts where one sheet would leave its numbers unread."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import drawing
from cemgis.drawing import Facts, Frame, printable
from cemgis.errors import InputError
from cemgis.geometry import long_axis
from cemgis.maps.numbers import plain_kind
from cemgis.maps.surface import PAPER_RANK, placed_rows, shapes_of, words_of

__all__ = ["EVERY_LAYOUT", "ROW_ROOM_PT", "Part", "along_rows", "one_sheet", "section_parts", "section_shape"]

Floats = npt.NDArray[np.float64]

_SECTION_PT = 7.0  # numbers of spaces, to be read in the open at arm's length; common practice, no source
_LEAST_PT = 5.0  # below this a number is not read at all; common practice, no source
ROW_ROOM_PT = 30.0
"""Points left free round a section, for the names of its rows."""
EVERY_LAYOUT = ((True, True), (False, True), (False, False), (True, False))
"""Layouts tried for a section: landscape, and the panel beside the map."""
_MOST_PARTS = 60  # a heap of paper nobody carries; then the numbers of the spaces go
_LEAST_TURN = 0.05  # degrees: half an inch in fifty feet is no reason to say that a sheet is turned
_SIDES = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}


@dataclass(frozen=True)
class Part:
    """One sheet of a section: all of it, or one of several parts that share a scale.

    Parameters
    ----------
    frame : Frame
    number, count : int
        Which part this is, as one reads, and of how many.
    cores : (count, 4) array
        What each part is for, along the sheet (see `drawing.along_sheet`); around it there is some of its neighbours.
    beside : mapping of str to int
        The part that goes on at the left, right, top and bottom.
    """

    frame: Frame
    number: int
    count: int
    cores: Floats
    beside: Mapping[str, int]


def section_parts(
    tables: Mapping[str, pd.DataFrame], facts: Facts, section: str, *, paper: str | None = None,
    scale: float | None = None,
) -> list[Part]:  # fmt: skip
    """Lay a section on one sheet if its spaces' numbers can be read there, else on as many as that takes.

    Parameters
    ----------
    tables, facts
        As in `cemgis.maps.whole_ground`.
    section : str
    paper, scale : optional
        Without a paper it is the smallest on which the numbers can be read; parts come on tabloid or A3.

    Raises
    ------
    InputError
        When there is no such section with a place or no such sheet.
    """
    shape = section_shape(tables, section)
    readable = _legible_section(tables, section)
    try:
        frame = _one_frame(shape, facts, section, paper, scale, readable)
    except InputError:
        if scale is None:
            raise
        return _tiles(tables, facts, section, shape, paper, scale, None)
    least = None if readable is None else readable * _SECTION_PT / _LEAST_PT
    if scale is not None or least is None or frame.unit_per_pt <= least:
        return [Part(frame, 1, 1, np.empty((0, 4)), {})]
    return _tiles(tables, facts, section, shape, paper, None, least)


def section_shape(tables: Mapping[str, pd.DataFrame], section: str) -> Any:
    """Return the outline of a section; raise when it has no place."""
    sections = placed_rows(tables, "sections")
    mine = None if sections is None else sections[sections["section"].eq(section).fillna(value=False)]
    if mine is None or not len(mine):
        where = f"sheet of section {printable(section, 40)}"
        raise InputError.of(where, "no such section has a place", "Name one of the layer sections.")
    return shapes_of(mine)[0]


def one_sheet(
    tables: Mapping[str, pd.DataFrame], facts: Facts, section: str, paper: str | None, scale: float | None
) -> Part:
    """Lay all of a section on one sheet, whether its numbers can be read there or not."""
    readable = None if paper is not None else _legible_section(tables, section)
    frame = _one_frame(section_shape(tables, section), facts, section, paper, scale, readable)
    return Part(frame, 1, 1, np.empty((0, 4)), {})


def _bounds(points: Floats) -> tuple[float, float, float, float]:
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _one_frame(
    shape: Any, facts: Facts, section: str, paper: str | None, scale: float | None, readable: float | None
) -> Frame:
    frames = []
    for top in (0.0, along_rows(shape)):
        frames.append(drawing.choose_frame(
            _bounds(drawing.along_sheet(shapely.get_coordinates(shape), top)), facts.unit, paper=paper, scale=scale,
            legible=readable if paper is None else None, where=f"sheet of section {printable(section, 40)}",
            top_deg=top, margin_pt=ROW_ROOM_PT, layouts=EVERY_LAYOUT,
        ))  # fmt: skip
    # North stays up unless turning gives a larger scale, or the same on a smaller sheet.
    return min(frames, key=lambda item: (PAPER_RANK[item.paper], item.scale, item.top_deg != 0.0))


def _tiles(
    tables: Mapping[str, pd.DataFrame], facts: Facts, section: str, shape: Any, paper: str | None,
    scale: float | None, least: float | None,
) -> list[Part]:  # fmt: skip
    """Cut a section into parts of one size along its rows, each with a margin in which its neighbours show."""
    unit, top = facts.unit, along_rows(shape)
    sheet = paper or ("tabloid" if unit.is_foot else "A3")
    box = _bounds(drawing.along_sheet(shapely.get_coordinates(shape), top))
    reach = _reach(tables, section)
    centres = drawing.along_sheet(_centres(tables, section), top)
    scales = [float(item) for item in drawing.round_scales(unit)]
    fine = [item for item in scales if least is None or drawing.unit_per_point(item, unit) <= least]
    # The coarsest scale at which all is read, then the largest that takes no more sheets.
    coarse = [*fine[-1:], *(item for item in scales if item not in fine)] or scales
    tried = [scale] if scale is not None else coarse
    wanted = next(
        (item for item in tried if math.prod(_grid(box, facts, sheet, item, reach)[:2]) <= _MOST_PARTS), tried[-1]
    )
    across, along, layout, margin = _grid(box, facts, sheet, wanted, reach)
    for finer in reversed(fine[:-1] if scale is None and wanted in fine else []):
        found = _grid(box, facts, sheet, finer, reach)
        if found[0] * found[1] > across * along:
            break
        wanted, (across, along, layout, margin) = finer, found
    x, y = np.linspace(box[0], box[2], across + 1), np.linspace(box[3], box[1], along + 1)
    cores: dict[tuple[int, int], tuple[float, float, float, float]] = {}
    for row, column in np.ndindex(along, across):
        core = (float(x[column]), float(y[row + 1]), float(x[column + 1]), float(y[row]))
        inside = (centres >= core[:2]) & (centres <= core[2:])
        if not len(centres) or inside.all(axis=1).any():
            cores[column, row] = core
    number = {cell: at for at, cell in enumerate(cores, 1)}
    every = np.array(list(cores.values()), dtype=float)
    parts = []
    for (column, row), core in cores.items():
        frame = drawing.frame(
            core, unit, sheet, landscape=layout[0], beside=layout[1], scale=wanted, top_deg=top, margin_pt=margin,
            where=f"sheet of section {printable(section, 40)}",
        )  # fmt: skip
        joined = {
            side: number[column + dx, row + dy]
            for side, (dx, dy) in _SIDES.items()
            if (column + dx, row + dy) in number
        }
        parts.append(Part(frame, number[column, row], len(cores), every, joined))
    return parts


def _grid(
    box: tuple[float, float, float, float], facts: Facts, sheet: str, scale: float, reach: float
) -> tuple[int, int, tuple[bool, bool], float]:
    """How many parts across and along, on which layout, with which margin in points."""
    per_pt = drawing.unit_per_point(scale, facts.unit)
    margin = min(max(ROW_ROOM_PT, reach / per_pt + 4.0), 60.0)
    found = []
    for lying, beside in EVERY_LAYOUT:
        left, bottom, right, top = drawing.frame(
            (0.0, 0.0, 0.0, 0.0), facts.unit, sheet, landscape=lying, beside=beside, scale=scale
        ).map_pt
        room = (right - left - 2 * margin) * per_pt, (top - bottom - 2 * margin) * per_pt
        counts = [max(1, math.ceil((box[2 + axis] - box[axis]) / room[axis] - 1e-9)) for axis in (0, 1)]
        found.append((counts[0], counts[1], (lying, beside), margin))
    return min(found, key=lambda item: item[0] * item[1])


def _centres(tables: Mapping[str, pd.DataFrame], section: str) -> Floats:
    for name in ("spaces", "lots"):
        table = placed_rows(tables, name)
        table = None if table is None else table[table["section"].eq(section).fillna(value=False)]
        if table is not None and len(table):
            return np.asarray(shapely.get_coordinates(shapely.centroid(shapes_of(table))), dtype=float)
    return np.empty((0, 2))


def _reach(tables: Mapping[str, pd.DataFrame], section: str) -> float:
    """Half the diagonal of a lot: with that much more around it, a lot cut by a part's edge is whole on the next."""
    for name in ("lots", "spaces"):
        table = placed_rows(tables, name)
        table = None if table is None else table[table["section"].eq(section).fillna(value=False)]
        if table is not None and len(table):
            _, width, length = long_axis(shapes_of(table))
            return float(np.nanmedian(np.hypot(width, length))) / 2.0
    return 0.0


def along_rows(shape: Any) -> float:
    """Grid azimuth of the sheet's top, nearest to north, at which the long side of a section lies along an edge."""
    azimuth, _, _ = long_axis(np.array([shape], dtype=object))
    turn = (float(azimuth[0]) + 45.0) % 90.0 - 45.0
    return turn if math.isfinite(turn) and abs(turn) >= _LEAST_TURN else 0.0


def _legible_section(tables: Mapping[str, pd.DataFrame], section: str) -> float | None:
    """Ground units to the point at which a section's spaces can be numbered: full ones well, the small ones just."""
    least: list[float] = []
    for name, word in (("lots", "lot"), ("spaces", "space")):
        table = placed_rows(tables, name)
        table = None if table is None else table[table["section"].eq(section).fillna(value=False)]
        if table is None or not len(table):
            continue
        full = plain_kind(table) if name == "spaces" else np.ones(len(table), dtype=bool)
        for mine, points in ((full, _SECTION_PT), (~full, 5.0)):
            if not mine.any():
                continue
            shapes = shapes_of(table[mine])
            middle = shapely.get_coordinates(shapely.centroid(shapes)).mean(axis=0)
            shapes = np.asarray(shapely.transform(shapes, lambda xy, at=middle: xy - at), dtype=object)
            along: Any = 0.84
            if name == "spaces":
                along = np.where(table[mine]["lot_id"].notna(), 0.36, 0.62)
            plan = drawing.lettering(
                shapes, words_of(table[mine], word), most_pt=math.inf, least_pt=0.0,
                across=0.6 if name == "lots" else 0.68, along=along,
            )  # fmt: skip
            if plan.size_pt > 0:
                least.append(plan.size_pt / points)
    return min(least) if least else None
