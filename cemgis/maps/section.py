"""One section on one sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from cemgis import drawing
from cemgis.drawing import SERIF, Facts, Frame, Underlay, printable, text_width
from cemgis.maps.border import draw_frame
from cemgis.maps.flags import draw_flags, flag_findings
from cemgis.maps.land import draw_ground, draw_underlay
from cemgis.maps.numbers import Labels, draw_labels, plan_labels
from cemgis.maps.panel import draw_section_panel
from cemgis.maps.parts import Part, one_sheet, section_shape
from cemgis.maps.surface import (
    BROWN,
    GREY,
    PAPER_WHITE,
    RED,
    Sheet,
    blank_sheet,
    path_of,
    placed_rows,
    shapes_of,
)

__all__ = ["section_sheet"]

Floats = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]


def section_sheet(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    section: str,
    *,
    paper: str | None = None,
    scale: float | None = None,
    page: tuple[int, int] = (1, 1),
    underlay: Underlay | None = None,
    part: Part | None = None,
) -> Figure:
    """Draw one section on a sheet of its own, for staff, turned to lie along it where that gives a larger scale.

    Parameters
    ----------
    tables, facts, paper, scale, page, underlay
        As in `whole_ground`; without a paper it is the smallest on which the numbers of the spaces can be read.
    section : str
        Name of a section that has a place.
    part : Part, optional
        One of `section_parts`; without it all of the section is on the sheet, readable or not.

    Returns
    -------
    Figure

    Raises
    ------
    InputError
        When there is no such section with a place, no such sheet, or it does not fit.
    """
    part = part or one_sheet(tables, facts, section, paper, scale)
    frame, shape = part.frame, section_shape(tables, section)
    sheet = blank_sheet(frame)
    if underlay is not None:
        draw_underlay(sheet, underlay)
    every = own = _of_section(tables, section, frame, shape)
    if part.count > 1:
        own = _in_map(every, frame)
    turn = facts.convergence_deg + frame.top_deg
    labels = plan_labels(sheet, own, turn, share=0.0)
    if underlay is not None:
        labels.remarks.append(underlay.words)
    flags, placed = flag_findings(own)
    _draw_neighbours(sheet, tables, section)
    _draw_rows(sheet, own, labels)
    draw_ground(sheet, own, labels, turn)
    draw_labels(sheet, labels)
    _draw_banner(sheet, every, section, labels)
    _draw_joins(sheet, part, labels)
    draw_flags(sheet, placed, labels)
    draw_frame(sheet, facts, labels)
    draw_section_panel(sheet, tables, every, facts, labels, flags, section, page, part)
    return sheet.figure


def _of_section(tables: Mapping[str, pd.DataFrame], name: str, frame: Frame, shape: Any) -> dict[str, pd.DataFrame]:
    """Layers as one section's sheet shows them: its own lots, spaces and markers, and what else lies in the map."""
    left, bottom, right, top = frame.map_pt
    window = shapely.polygons(frame.to_grid([[left, bottom], [right, bottom], [right, top], [left, top]]))
    near = shapely.buffer(shape, 3.0 * frame.unit_per_pt)
    out: dict[str, pd.DataFrame] = {}
    for layer, given in tables.items():
        table = given.assign(number=np.arange(len(given)) + 1) if layer == "findings" else given
        if "geometry" not in table or not len(table):
            out[layer] = table
            continue
        shapes = shapes_of(table)
        if layer in ("sections", "lots", "spaces"):
            keep = table["section"].eq(name).fillna(value=False).to_numpy(dtype=bool)
        elif layer in ("corners", "markers", "findings"):
            keep = table["section"].eq(name).fillna(value=False).to_numpy(dtype=bool)
            keep = keep | shapely.intersects(near, shapes)
            if layer == "findings":  # a danger that has no place is everywhere's
                nowhere = table["section"].isna().to_numpy(dtype=bool) & shapely.is_missing(shapes)
                keep = keep | (table["severity"].eq("danger").fillna(value=False).to_numpy(dtype=bool) & nowhere)
        elif layer in ("vaults", "monuments", "probable_graves", "clearances"):
            keep = np.asarray(shapely.intersects(near, shapes), dtype=bool)
        else:
            keep = np.asarray(shapely.intersects(window, shapes), dtype=bool)
        out[layer] = table[keep]
    return out


def _in_map(tables: Mapping[str, pd.DataFrame], frame: Frame) -> dict[str, pd.DataFrame]:
    """Keep what lies in the map of a part, and what has no place."""
    left, bottom, right, top = frame.map_pt
    window = shapely.polygons(frame.to_grid([[left, bottom], [right, bottom], [right, top], [left, top]]))
    out = {}
    for name, table in tables.items():
        if "geometry" not in table or not len(table):
            out[name] = table
            continue
        shapes = shapes_of(table)
        out[name] = table[shapely.is_missing(shapes) | shapely.intersects(window, shapes)]
    return out


def _draw_joins(sheet: Sheet, part: Part, labels: Labels) -> None:
    """Say at each edge of the map which part goes on there."""
    left, bottom, right, top = sheet.frame.map_pt
    size = sheet.base
    for side, number in part.beside.items():
        words = f"part {number}"
        wide = text_width(words, size, SERIF, "bold") + 8.0
        level = side in ("top", "bottom")
        x = (left + right) / 2 if level else left + size if side == "left" else right - size
        y = (bottom + top) / 2 if not level else bottom + size if side == "bottom" else top - size
        half = (wide / 2, size * 0.8) if level else (size * 0.8, wide / 2)
        box = (x - half[0], y - half[1], x + half[0], y + half[1])
        sheet.box(*box, 0.6, facecolor=PAPER_WHITE, edgecolor=BROWN, zorder=11.0)
        sheet.text(x, y, words, size, ha="center", va="center", color=BROWN, fontweight="bold", z=11.2,
                   rotation=0 if level else 90)  # fmt: skip
        labels.boxes.append(shapely.box(*box))


def _draw_neighbours(sheet: Sheet, tables: Mapping[str, pd.DataFrame], section: str) -> None:
    """Draw the lots of other sections that reach into the map in grey, with the section's name."""
    window = shapely.box(*sheet.frame.map_pt)
    for layer, width in (("lots", 0.3), ("spaces", 0.15), ("sections", 0.6)):
        table = placed_rows(tables, layer)
        if table is None:
            continue
        table = table[table["section"].ne(section).fillna(value=True)]
        if layer == "spaces":
            table = table[table["lot_id"].isna()]
        shapes = sheet.frame.shapes(shapes_of(table))
        at = np.flatnonzero(shapely.intersects(window, shapes))
        edges = shapely.get_parts(shapely.boundary(shapes[at]))
        if len(edges):
            paths = [shapely.get_coordinates(item) for item in edges]
            sheet.add(LineCollection(paths, colors=GREY, linewidths=width, zorder=0.8))
        if layer != "sections":
            continue
        for row in at:
            seen = shapely.intersection(shapes[row], window)
            name = str(table["section"].iloc[row])
            words = printable(f"Section {name}" if len(name) < 3 else name, 30)
            box = shapely.bounds(seen)
            if box[2] - box[0] > text_width(words, sheet.base) and box[3] - box[1] > 2 * sheet.base:
                point = shapely.point_on_surface(seen)
                sheet.text(point.x, point.y, words, sheet.base, ha="center", color=GREY, fontstyle="italic", z=0.9,
                           clip_on=True, clip_path=sheet.clip)  # fmt: skip


def _rows_of(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, Shapes]]:
    """Rows that need their name on the map: of single graves, and of lots whose numbers come again in other rows."""
    out: list[tuple[str, Shapes]] = []
    lots, spaces = placed_rows(tables, "lots"), placed_rows(tables, "spaces")
    if lots is not None and lots["row"].notna().any() and lots["lot"].duplicated().any():
        out += [(printable(row, 12), shapes_of(mine)) for row, mine in lots.groupby("row", sort=False)]
    if spaces is not None:
        single = spaces[spaces["lot_id"].isna()]
        ids, section, number = (single[name].astype(object) for name in ("space_id", "section", "space"))
        # A single grave is named by section, row and number.
        rows = [str(i)[len(str(s)) + 1 : -len(str(n)) - 1] for i, s, n in zip(ids, section, number, strict=True)]
        for row in dict.fromkeys(rows):
            if row:
                out.append((printable(row, 12), shapes_of(single)[np.array(rows, dtype=object) == row]))
    return out


def _draw_rows(sheet: Sheet, tables: Mapping[str, pd.DataFrame], labels: Labels) -> None:
    """Name rows at both their ends; where a row runs off the map, at the map's edge."""
    size = sheet.base * 0.95
    window = shapely.box(*sheet.frame.map_pt)
    taken = _taken(sheet, tables)
    for word, shapes in _rows_of(tables):
        own = sheet.frame.shapes(shapes)
        middles = shapely.get_coordinates(shapely.centroid(own))
        if len(middles) < 2:
            continue
        spread = middles - middles.mean(axis=0)
        _, _, axes = np.linalg.svd(spread, full_matrices=False)
        toward = axes[0]
        across = np.array([-toward[1], toward[0]])
        level = float(np.median(middles @ across))
        line = shapely.LineString([across * level + toward * far for far in (-1e5, 1e5)])
        seen = shapely.get_coordinates(shapely.intersection(line, window)) @ toward
        if not len(seen):
            continue
        corners = shapely.get_coordinates(own) @ toward
        said = f"row {word}"
        wide = text_width(said, size, SERIF, "bold")
        ends = []
        for end in (1.0, -1.0):
            reach, edge = float((corners * end).max()) + 6.0, float((seen * end).max())
            inside = reach + wide + 2.0 > edge  # the row goes on beyond the map: its name stands on it, at the edge
            far = edge - wide - 8.0 if inside else reach
            strip = shapely.LineString([across * level + toward * end * (far + out) for out in (-1.0, wide + 2.0)])
            box = strip.buffer(size * 0.62, cap_style="flat")
            ends.append((end, far, box, inside, bool(shapely.intersects(taken, box).any())))
        free = [item for item in ends if not item[4]]
        for end, far, box, inside, covered in ends:
            if covered and free and not inside:
                continue  # the other end says it
            _name_row(sheet, said, size, across * level + toward * end * far, toward * end)
            if inside or covered:
                left, bottom = shapely.get_coordinates(box).min(axis=0)
                if left < sheet.frame.map_pt[0] or bottom < sheet.frame.map_pt[1]:
                    continue
                sheet.add(PathPatch(path_of(box), facecolor=PAPER_WHITE, edgecolor=BROWN, linewidth=0.5, zorder=8.9))
            labels.boxes.append(box)


def _taken(sheet: Sheet, tables: Mapping[str, pd.DataFrame]) -> Shapes:
    """Return what a name set beside the section would cover, on the page."""
    shapes = [np.empty(0, dtype=object)]
    for layer in ("drives", "obstacles"):
        table = placed_rows(tables, layer)
        if table is not None:
            shapes.append(sheet.frame.shapes(shapes_of(table)))
    return np.concatenate(shapes)


def _name_row(
    sheet: Sheet, said: str, size: float, at: npt.NDArray[np.float64], outward: npt.NDArray[np.float64]
) -> None:
    """Set a row's name along the row, upright, from a point outward."""
    angle = (math.degrees(math.atan2(outward[1], outward[0])) + 80.0) % 180.0 - 80.0
    reading = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    sheet.text(
        float(at[0]), float(at[1]), said, size, z=9.0, color=BROWN, fontweight="bold", rotation=angle,
        rotation_mode="anchor", ha="left" if float(reading @ outward) > 0 else "right", va="center_baseline",
        clip_on=True, clip_path=sheet.clip,
    )  # fmt: skip


def _draw_banner(sheet: Sheet, tables: Mapping[str, pd.DataFrame], section: str, labels: Labels) -> None:
    """Say across the top of the map that the heads are not settled."""
    doubted = drawing.unsettled_heads(tables).get(section)
    if not doubted:
        return
    left, _, right, top = sheet.frame.map_pt
    size = sheet.base * 1.25
    words = drawing.say_unsettled(*doubted)
    wide = text_width(words, size, SERIF, "bold") + 12.0
    middle = (left + right) / 2
    box = (middle - wide / 2, top - size * 2.1, middle + wide / 2, top - size * 0.4)
    sheet.box(*box, 1.4, facecolor=PAPER_WHITE, edgecolor=RED, zorder=11.0)
    sheet.text(middle, top - size * 1.6, words, size, ha="center", color=RED, fontweight="bold", z=11.2)
    labels.boxes.append(shapely.box(*box))
