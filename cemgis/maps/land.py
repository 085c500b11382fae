"""What lies on the ground: spaces, lots, sections, markers, vaults, stones, drives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.collections import LineCollection
from matplotlib.image import AxesImage
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.transforms import Affine2D
from scipy.spatial import KDTree

from cemgis import drawing
from cemgis.drawing import SERIF, Underlay, text_width
from cemgis.layers import LAYERS
from cemgis.maps.numbers import Labels
from cemgis.maps.surface import (
    BROWN,
    DARK,
    PAPER_WHITE,
    RED,
    Sheet,
    draw_arrow,
    draw_marks,
    fill_areas,
    geometry_pt,
    path_of,
    placed_rows,
    rule_areas,
    shapes_of,
    words_of,
)
from cemgis.schema import Symbol
from cemgis.units import compass_word

__all__ = ["draw_ground", "draw_sections", "draw_underlay", "heads_of_sections"]

Floats = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]


def draw_ground(sheet: Sheet, tables: Mapping[str, pd.DataFrame], labels: Labels, convergence_deg: float) -> None:
    """Draw every layer that has a place, from below."""
    to_page, upp = sheet.frame.shapes, sheet.frame.unit_per_pt
    boxes = np.array(labels.boxes, dtype=object)
    for name, z in (("drives", 1.0), ("obstacles", 2.0)):
        table = placed_rows(tables, name)
        if table is not None:
            symbol = sheet.note(name, "", "area")
            shapes = to_page(shapes_of(table))
            fill_areas(sheet, shapes, symbol, z, 0.35)
            rule_areas(sheet, shapes, symbol, z + 0.1, 2.8)
    spaces = placed_rows(tables, "spaces")
    if spaces is not None:
        shapes = to_page(shapes_of(spaces))
        states = spaces["state"].astype(object).where(spaces["state"].notna(), "in doubt").to_numpy()
        least_side = float(np.sqrt(np.median(shapely.area(shapes))))
        width = 0.22 if least_side > 5.0 else 0.1
        for value in LAYERS["spaces"].symbols:
            mine = shapes[states == value]
            if not len(mine):
                continue
            symbol = sheet.note("spaces", value, "area")
            tint = Symbol(symbol.word, symbol.fill, "none")
            fill_areas(sheet, mine, tint, 3.0, 0.0)
            if symbol.pattern:
                rule_areas(sheet, drawing.without_boxes(mine, boxes), symbol, 3.2, 2.1 if least_side < 12.0 else 2.8)
        edges = shapely.get_parts(drawing.without_boxes(shapely.boundary(shapes), boxes))
        edges = edges[shapely.get_type_id(edges) == shapely.GeometryType.LINESTRING]
        sheet.add(
            LineCollection(
                [shapely.get_coordinates(item) for item in edges], colors=BROWN, linewidths=width, zorder=3.4
            )
        )
        _head_ticks(sheet, spaces, shapes, convergence_deg, drawing.heads_settled(tables, spaces))
    lots = placed_rows(tables, "lots")
    if lots is not None:
        edges = shapely.get_parts(shapely.boundary(to_page(shapes_of(lots))))
        width = 0.55 if upp < 1.0 else 0.4
        sheet.add(
            LineCollection(
                [shapely.get_coordinates(item) for item in edges], colors=BROWN, linewidths=width, zorder=4.0
            )
        )
        sheet.note("lots", "", "line")
    sections = placed_rows(tables, "sections")
    if sections is not None:
        for shape in to_page(shapes_of(sections)):
            sheet.add(
                PathPatch(
                    path_of(shape), facecolor="none", edgecolor=BROWN, linewidth=1.15, zorder=4.4, joinstyle="miter"
                )
            )
        sheet.note("sections", "", "line")
    for name, z, line in (("probable_graves", 5.0, 0.5), ("vaults", 5.2, 0.55), ("monuments", 5.4, 0.2)):
        table = placed_rows(tables, name)
        if table is None:
            continue
        shapes = to_page(shapes_of(table))
        if float(np.median(np.sqrt(shapely.area(shapes)))) < 0.9:
            word = LAYERS[name].symbols[""].word
            labels.remarks.append(f"{word.capitalize()}: too small to draw at this scale ({len(table)}).")
            continue
        symbol = sheet.note(name, "", "inner" if name == "vaults" else "area")
        if symbol.fill and not symbol.pattern:
            fill_areas(sheet, shapes, symbol, z, line)
            continue
        rule_areas(sheet, drawing.without_boxes(shapes, boxes), symbol, z + 0.05, 1.6)
        edges = shapely.get_parts(drawing.without_boxes(shapely.boundary(shapes), boxes))
        paths = [shapely.get_coordinates(item) for item in edges]
        sheet.add(LineCollection(paths, colors=symbol.line, linewidths=line, zorder=z))
    short = placed_rows(tables, "clearances")
    if short is not None:
        short = short[(short["shortfall"] > 0).fillna(value=False)]
        if len(short):
            symbol = sheet.note("clearances", "", "line")
            lines = [shapely.get_coordinates(item) for item in to_page(shapes_of(short))]
            sheet.add(LineCollection(lines, colors=symbol.line, linewidths=1.1, zorder=5.8))
    _draw_points(sheet, tables)


def _head_ticks(
    sheet: Sheet, spaces: pd.DataFrame, shapes_pt: Shapes, convergence_deg: float, settled: npt.NDArray[np.bool_]
) -> None:
    """Draw a short stroke across the head end of each space that is long enough on paper, where that is settled."""
    azimuth = np.asarray(spaces["heads_azimuth"].to_numpy(dtype=float, na_value=np.nan))
    rectangles = shapely.oriented_envelope(shapes_pt)
    good = settled & np.isfinite(azimuth) & (shapely.get_type_id(rectangles) == shapely.GeometryType.POLYGON)
    if not good.any():
        return
    corners = shapely.get_coordinates(rectangles[good]).reshape(-1, 5, 2)
    sides = np.hypot(*np.moveaxis(corners[:, 1:3] - corners[:, 0:2], -1, 0))
    long, short = sides.max(axis=1), sides.min(axis=1)
    turn = np.radians(azimuth[good] - convergence_deg)
    toward = np.column_stack([np.sin(turn), np.cos(turn)])
    across = np.column_stack([toward[:, 1], -toward[:, 0]])
    middle = shapely.get_coordinates(shapely.centroid(shapes_pt[good]))
    at = middle + toward * (long / 2 - np.minimum(0.09 * long, 1.6))[:, None]
    half = across * (short * 0.26)[:, None]
    keep = (long > 7.0) & (short > 2.2)  # shorter than that it is a blot; the section's arrow says it
    if keep.any():
        strokes = np.stack([at - half, at + half], axis=1)[keep]
        sheet.add(LineCollection(list(strokes), colors=DARK, linewidths=0.7, zorder=3.6, capstyle="butt"))
        sheet.legend.setdefault(("", "tick"), (Symbol("head end of a space", "", DARK), "tick"))


def _draw_points(sheet: Sheet, tables: Mapping[str, pd.DataFrame]) -> None:
    """Draw markers as they were found, corners nobody has found yet, and control."""
    corners, markers = placed_rows(tables, "corners"), placed_rows(tables, "markers")
    # A found corner is drawn as its marker; a computed one without a marker is no more than a corner of its lot.
    wanted = [("corners", "unfound"), ("corners", "disturbed")]
    if markers is None:
        wanted += [("corners", "found"), ("corners", "doubtful")]
    wanted += [("markers", value) for value in ("used in the fit", "not on the plat", "set aside")]
    for name, value in wanted:
        table = corners if name == "corners" else markers
        if table is None:
            continue
        mine = table[(table["state"] == value).fillna(value=False)]
        if len(mine):
            symbol = sheet.note(name, value, "mark")
            xy = sheet.frame.to_page(shapely.get_coordinates(shapes_of(mine)))
            sizes = _mark_sizes(sheet, tables, xy, symbol.size_pt)
            for size in np.unique(sizes):
                draw_marks(
                    sheet, xy[sizes == size], replace(symbol, size_pt=float(size)), 7.0 if value != "unfound" else 6.6
                )
    if corners is not None:
        _search_circles(sheet, corners)
    control = placed_rows(tables, "control")
    if control is not None:
        xy = sheet.frame.to_page(shapely.get_coordinates(shapes_of(control)))
        draw_marks(sheet, xy, sheet.note("control", "", "mark"), 7.4)


def _mark_sizes(sheet: Sheet, tables: Mapping[str, pd.DataFrame], xy_pt: Floats, size_pt: float) -> Floats:
    """Sizes of marks, in steps of half a point: they give way to the lot they stand on and to each other."""
    room = np.full(len(xy_pt), math.inf)
    for name in ("lots", "spaces"):
        table = placed_rows(tables, name)
        if table is not None and len(xy_pt):
            shapes = sheet.frame.shapes(shapes_of(table))
            at, nearest = shapely.STRtree(shapes).query_nearest(shapely.points(xy_pt), all_matches=False)
            room[at] = np.sqrt(shapely.area(shapes[nearest]))
            break
    crowd = _neighbour(xy_pt)
    size = np.minimum(size_pt, np.minimum(0.3 * room + 0.4, 0.55 * crowd))
    return np.asarray(np.maximum(np.round(2 * size) / 2, 1.0), dtype=float)


def _search_circles(sheet: Sheet, corners: pd.DataFrame) -> None:
    """Draw the circle a marker is to be searched in, to scale, where it is larger than the mark itself."""
    rings = np.radians(np.arange(0.0, 361.0, 10.0))
    circle = np.column_stack([np.cos(rings), np.sin(rings)])
    for value in ("unfound", "doubtful"):
        mine = corners[(corners["state"] == value).fillna(value=False) & corners["radius_95"].notna()]
        reach = mine["radius_95"].to_numpy(dtype=float) / sheet.frame.unit_per_pt
        xy = sheet.frame.to_page(shapely.get_coordinates(shapes_of(mine)))
        large = reach > 0.75 * LAYERS["corners"].symbols[value].size_pt
        if large.any():
            symbol = LAYERS["corners"].symbols[value]
            paths = xy[large][:, None] + circle * reach[large][:, None, None]
            sheet.add(
                LineCollection(list(paths), colors=symbol.line, linewidths=0.6, linestyles=(0, (3, 2)), zorder=6.4)
            )
            sheet.legend.setdefault(("", "search"), (Symbol("search here: 95 % circle, to scale", "", DARK), "search"))


def _neighbour(xy_pt: Floats) -> Floats:
    """Distance of each point to the nearest other one."""
    if len(xy_pt) < 2:
        return np.full(len(xy_pt), np.inf)
    distance, _ = KDTree(xy_pt).query(xy_pt, k=2)
    return np.asarray(distance[:, 1], dtype=float)


def heads_of_sections(tables: Mapping[str, pd.DataFrame], convergence_deg: float) -> dict[str, tuple[str, float]]:
    """Word and direction on the sheet (clockwise from the top) of the heads of most spaces of each section."""
    spaces = tables.get("spaces")
    out: dict[str, tuple[str, float]] = {}
    if spaces is None:
        return out
    known = spaces[spaces["heads_azimuth"].notna()]
    for name, rows in known.groupby("section"):
        word = rows["heads"].mode()
        mine = rows if word.empty else rows[rows["heads"] == word.iloc[0]]
        turn = np.radians(mine["heads_azimuth"].to_numpy(dtype=float))
        mean = math.degrees(math.atan2(float(np.sin(turn).mean()), float(np.cos(turn).mean())))
        said = str(word.iloc[0]) if not word.empty else compass_word(mean)
        tail = f"; {len(rows) - len(mine)} otherwise" if len(mine) < len(rows) else ""
        out[str(name)] = (f"heads {said}{tail}", mean - convergence_deg)
    for name, (rule, seen) in drawing.unsettled_heads(tables).items():
        out[name] = (drawing.say_unsettled(rule, seen), math.nan)
    return out


def draw_sections(
    sheet: Sheet, tables: Mapping[str, pd.DataFrame], labels: Labels, convergence_deg: float,
    pages: Mapping[str, str],
) -> None:  # fmt: skip
    """Name each section beside its land, with its sheet and an arrow to the side the heads lie on."""
    sections = placed_rows(tables, "sections")
    if sections is None:
        return
    heads = heads_of_sections(tables, convergence_deg)
    occupied: list[Any] = []
    for name in ("lots", "spaces", "obstacles", "drives"):
        table = placed_rows(tables, name)
        if table is not None:
            occupied.extend(sheet.frame.shapes(shapes_of(table)))
    tree = shapely.STRtree(np.array(occupied, dtype=object))
    placed: list[Any] = []
    size = sheet.base * 1.18
    limits = shapely.box(*sheet.frame.map_pt)
    land = shapely.STRtree(geometry_pt(sheet, sections))
    doubted = drawing.unsettled_heads(tables)
    for name, title, shape in zip(
        words_of(sections, "section"), words_of(sections, "title"), sheet.frame.shapes(shapes_of(sections)), strict=True
    ):
        first = f"Section {name}" if len(name) < 3 else name
        if name in pages:
            first += f"  ▸ page {pages[name]}"
        word, direction = heads.get(name, ("heads unknown", math.nan))
        if name in doubted:  # not a fact: no arrow, and it cannot be overlooked
            lines = [(title, BROWN, "normal"), *((part, RED, "bold") for part in _two(word))]
        else:
            lines = [(f"{title} · {word}" if title else word, BROWN, "normal")]
        lines = [line for line in lines if line[0]]
        widths = [text_width(said, size * 0.78, SERIF, weight, "italic") for said, _, weight in lines]
        wide = max(text_width(first, size, SERIF, "bold"), *widths)
        arrow = size * 2.2 if math.isfinite(direction) else 0.0
        width, height = wide + arrow + 4.0, size * (1.12 + 0.92 * len(lines))
        left, bottom, right, top = shapely.bounds(shape)
        best: tuple[float, float, float] = (math.inf, left, top)
        for side in range(4):
            for share in np.linspace(0.0, 1.0, 9):
                for gap in (3.0, 9.0, 16.0):
                    if side in (0, 1):
                        x = left + share * max(right - left - width, 0.0)
                        y = top + gap if side == 0 else bottom - gap - height
                    else:
                        x = left - gap - width if side == 2 else right + gap
                        y = bottom + share * max(top - bottom - height, 0.0)
                    box = shapely.box(x, y, x + width, y + height)
                    cost = len(tree.query(box, "intersects")) * 10.0 + gap * 0.2 + share + side * 1.5
                    cost += 400.0 * sum(bool(shapely.intersects(box, other)) for other in placed)
                    cost += 0.0 if shapely.covers(limits, box) else 600.0
                    near = land.query(box, "intersects")
                    cost += 2.0 * len(near)
                    if cost < best[0]:
                        best = (cost, float(x), float(y))
        _, x, y = best
        box = shapely.box(x, y, x + width, y + height)
        placed.append(box)
        labels.boxes.append(box)
        # A plate over the grid's crosses, and over land only where there was no free place.
        z = 8.6 if len(tree.query(box, "intersects")) else 0.7
        plate = Rectangle((x - 1, y - 1), width + 2, height + 2, facecolor=PAPER_WHITE, edgecolor="none", zorder=z)
        sheet.add(plate)
        at = y + height - size * 0.88
        sheet.text(x + arrow, at, first, size, z=9.0, color=BROWN, fontweight="bold")
        for said, color, weight in lines:
            at -= size * 0.92
            sheet.text(x + arrow, at, said, size * 0.78, z=9.0, color=color, fontstyle="italic", fontweight=weight)
        if arrow:
            draw_arrow(sheet, x + size * 0.95, y + height / 2, size * 0.92, direction, BROWN, 9.0)
            sheet.legend.setdefault(("", "heads"), (Symbol("the heads lie this way", "", BROWN), "heads"))


def _two(words: str) -> list[str]:
    """Break a warning at its dash."""
    head, dash, tail = words.partition(" – ")
    return [f"{head} –", tail] if dash else [words]


def draw_underlay(sheet: Sheet, underlay: Underlay) -> None:
    """Draw the picture below everything, paled so that lines and numbers stay in front."""
    rows, columns = underlay.image.shape[:2]
    corners = np.array([[0.0, 0.0], [columns, 0.0], [0.0, rows]])
    origin, right, down = sheet.frame.to_page(corners @ underlay.matrix[:, :2].T + underlay.matrix[:, 2])
    across, along = (right - origin) / columns, (down - origin) / rows
    onto = Affine2D(np.array([[across[0], along[0], origin[0]], [across[1], along[1], origin[1]], [0.0, 0.0, 1.0]]))
    picture = AxesImage(sheet.axes, extent=(0, columns, rows, 0), origin="upper", interpolation="antialiased")
    picture.set_data(underlay.image)
    picture.set_alpha(0.62)
    picture.set_transform(onto + sheet.axes.transData)
    picture.set_zorder(0.2)
    sheet.axes.add_image(picture)
    picture.set_clip_path(sheet.clip)
    sheet.pictured = True
