"""The sheet as a drawing surface: inks, fills, marks, what is in the legend so far."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.path import Path

from cemgis import drawing
from cemgis.drawing import SERIF, Frame, printable
from cemgis.layers import LAYERS
from cemgis.schema import Symbol

__all__ = [
    "BROWN",
    "CAUTION",
    "DARK",
    "GREY",
    "LEGEND_ORDER",
    "PAPER_RANK",
    "PAPER_WHITE",
    "RED",
    "STAFF",
    "Sheet",
    "blank_sheet",
    "draw_arrow",
    "draw_marks",
    "fill_areas",
    "geometry_pt",
    "path_of",
    "placed_rows",
    "rule_areas",
    "shapes_of",
    "words_of",
]

Floats = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

DARK = LAYERS["vaults"].symbols[""].line
BROWN = LAYERS["sections"].symbols[""].line
GREY = LAYERS["corners"].symbols["fitted"].line
PAPER_RANK = {name: width * height for name, (width, height) in drawing.PAPERS.items()}
PAPER_WHITE = LAYERS["spaces"].symbols["vacant"].fill
RED = LAYERS["findings"].symbols["danger"].fill
_MARKS = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D", "cross": "x", "ring": "o"}
STAFF = "STAFF – NOT FOR PUBLICATION"
CAUTION = (
    "Not a boundary survey: boundaries, plats and monuments are a licensed surveyor's. "
    "Settle the numbered findings before anything is opened near them."
)


LEGEND_ORDER = (
    "spaces", "", "markers", "corners", "control", "monuments", "vaults", "probable_graves", "clearances", "findings",
    "lots", "sections", "drives", "obstacles",
)  # fmt: skip


@dataclass
class Sheet:
    """A figure measured in points, with the legend of what has been drawn on it so far.

    Over a picture (`pictured`) areas are tinted only, so that the ground shows.
    """

    figure: Figure
    axes: Any
    frame: Frame
    base: float
    clip: Any = None
    pictured: bool = False
    legend: dict[tuple[str, str], tuple[Symbol, str]] = field(default_factory=dict)

    def note(self, layer: str, value: str, shape: str) -> Symbol:
        """Take a symbol into the legend: it has been drawn."""
        symbol = LAYERS[layer].symbols[value]
        self.legend.setdefault((layer, value), (symbol, shape))
        return symbol

    def add(self, artist: Any, *, clipped: bool = True) -> None:
        """Put an artist on the sheet, cut at the map's edge unless told otherwise."""
        if isinstance(artist, Line2D):
            self.axes.add_line(artist)
        elif isinstance(artist, LineCollection | PolyCollection):
            self.axes.add_collection(artist, autolim=False)
        else:
            self.axes.add_patch(artist)
        # Only now: axes put a clip of their own on an artist whose clip is a rectangle.
        if clipped and self.clip is not None:
            artist.set_clip_path(self.clip)

    def line(self, points: npt.ArrayLike, width: float, color: str = DARK, z: float = 20.0, **more: Any) -> None:
        """Draw a line through points of the page."""
        xy = np.asarray(points, dtype=float)
        more.setdefault("solid_capstyle", "butt")
        self.add(Line2D(xy[:, 0], xy[:, 1], linewidth=width, color=color, zorder=z, **more), clipped=False)

    def box(self, left: float, bottom: float, right: float, top: float, width: float = 0.5, **more: Any) -> None:
        """Draw a rectangle."""
        given: dict[str, Any] = {"facecolor": "none", "edgecolor": DARK, "zorder": 20.0} | more
        self.add(Rectangle((left, bottom), right - left, top - bottom, linewidth=width, **given), clipped=False)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        families: tuple[str, ...] = SERIF,
        z: float = 21.0,
        **more: Any,
    ) -> None:
        """Set a line of text; nothing in it is read as a formula."""
        given = {"ha": "left", "va": "baseline", "color": DARK} | more
        # Only what the first family may lack asks for a second one: looking fonts up takes longer than drawing.
        known = families[:1] if text.isascii() else families
        font = _font(known, size, given.pop("fontweight", "normal"), given.pop("fontstyle", "normal"))
        # A dollar sign in a name is a dollar sign: nothing is read as mathematics.
        self.axes.text(x, y, text, fontproperties=font, parse_math=False, zorder=z, **given)


@lru_cache(maxsize=512)
def _font(families: tuple[str, ...], size: float, weight: str, style: str) -> FontProperties:
    slope: Any = style
    return FontProperties(family=list(families), size=size, weight=weight, style=slope)


def blank_sheet(frame: Frame) -> Sheet:
    """Return an empty sheet for a frame."""
    width, height = frame.size_pt
    figure = Figure(figsize=(width / 72.0, height / 72.0), facecolor=PAPER_WHITE)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, width)
    axes.set_ylim(0, height)
    axes.set_axis_off()
    base = min(max(6.9 + (min(width, height) - 612.0) / 180.0 * 0.75, 6.9), 11.0)
    sheet = Sheet(figure, axes, frame, base)
    left, bottom, right, top = frame.map_pt
    sheet.clip = Rectangle((left, bottom), right - left, top - bottom, transform=axes.transData)
    return sheet


def _has(table: pd.DataFrame | None) -> bool:
    return table is not None and len(table) > 0 and "geometry" in table


def placed_rows(tables: Mapping[str, pd.DataFrame], name: str) -> pd.DataFrame | None:
    """Rows of a layer that have a place, or None."""
    table = tables.get(name)
    if table is None or not _has(table):
        return None
    shapes = np.asarray(table["geometry"], dtype=object)
    good = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    return table[good] if good.any() else None


def shapes_of(table: pd.DataFrame) -> Shapes:
    """Return the shapes of a table as an array."""
    return np.asarray(table["geometry"], dtype=object)


def words_of(table: pd.DataFrame, name: str) -> list[str]:
    """Return a column as short printable words, a distinct value once."""
    codes, found = pd.factorize(table[name].astype(object).where(table[name].notna(), None))
    said = np.array([*(printable(value, 40) for value in found), ""], dtype=object)
    return list(said[codes])


def path_of(shape: Any) -> Path:
    """Make a matplotlib path of a polygon with its holes."""
    rings = [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]
    points = [shapely.get_coordinates(ring) for ring in rings]
    codes = [
        np.array([Path.MOVETO, *[Path.LINETO] * (len(item) - 2), Path.CLOSEPOLY], dtype=np.uint8) for item in points
    ]
    return Path(np.concatenate(points), np.concatenate(codes))


def fill_areas(sheet: Sheet, shapes_pt: Shapes, symbol: Symbol, z: float, width: float) -> None:
    """Tint and outline areas; those with holes one by one, the rest in one go."""
    shapes = shapes_pt[~(shapely.is_missing(shapes_pt) | shapely.is_empty(shapes_pt))]
    if not len(shapes):
        return
    face: Any = symbol.fill or "none"
    if sheet.pictured and symbol.fill and z < 5.0:
        face = "none" if symbol.fill == PAPER_WHITE else (symbol.fill, 0.5)
    plain = (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON) & (
        shapely.get_num_interior_rings(shapes) == 0
    )
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_exterior_ring(shapes[plain])]
    if rings:
        sheet.add(
            PolyCollection(
                rings,
                facecolors=face,
                edgecolors=symbol.line if width else "none",
                linewidths=width,
                zorder=z,
                joinstyle="miter",
            )
        )
    for shape in shapes[~plain]:
        sheet.add(
            PathPatch(
                path_of(shape), facecolor=face, edgecolor=symbol.line, linewidth=width, zorder=z, joinstyle="miter"
            )
        )


def rule_areas(sheet: Sheet, areas_pt: Shapes, symbol: Symbol, z: float, spacing: float = 2.6) -> None:
    """Draw the pattern of a symbol over areas."""
    if symbol.pattern == "dots":
        dots = drawing.pattern_dots(areas_pt, spacing * 1.15)
        if len(dots):
            sheet.add(
                Line2D(
                    dots[:, 0],
                    dots[:, 1],
                    linestyle="none",
                    marker="o",
                    markersize=0.62,
                    markeredgewidth=0,
                    color=symbol.line,
                    zorder=z,
                )
            )
        return
    segments = drawing.pattern_lines(areas_pt, symbol.pattern, spacing)
    if segments:
        sheet.add(LineCollection(segments, colors=symbol.line, linewidths=0.28, zorder=z, capstyle="butt"))


def draw_marks(sheet: Sheet, xy_pt: Floats, symbol: Symbol, z: float, *, clipped: bool = True) -> None:
    """Draw points as their mark."""
    hollow = symbol.mark == "ring"
    sheet.add(
        Line2D(
            xy_pt[:, 0],
            xy_pt[:, 1],
            linestyle="none",
            marker=_MARKS[symbol.mark],
            markersize=symbol.size_pt,
            markerfacecolor="none" if hollow or not symbol.fill else symbol.fill,
            markeredgecolor=symbol.line,
            markeredgewidth=0.75 if symbol.mark in ("ring", "cross", "diamond", "triangle") else 0.4,
            zorder=z,
        ),
        clipped=clipped,
    )


def geometry_pt(sheet: Sheet, table: pd.DataFrame) -> Shapes:
    """Return the shapes of a table in points of the page."""
    return sheet.frame.shapes(shapes_of(table))


def draw_arrow(sheet: Sheet, x: float, y: float, reach: float, direction_deg: float, color: str, z: float) -> None:
    """Arrow through (x, y), its tip in a direction counted clockwise from the top, with a bar as a headstone."""
    turn = math.radians(direction_deg)
    toward = np.array([math.sin(turn), math.cos(turn)])
    across = np.array([toward[1], -toward[0]])
    middle = np.array([x, y])
    tip = middle + toward * reach
    sheet.line([middle - toward * reach, tip - toward * reach * 0.3], 0.7, color, z)
    head = [
        tip,
        tip - toward * reach * 0.55 + across * reach * 0.22,
        tip - toward * reach * 0.55 - across * reach * 0.22,
    ]
    sheet.add(Polygon(head, closed=True, facecolor=color, edgecolor="none", zorder=z), clipped=False)
    bar = tip + toward * 0.9
    sheet.line([bar - across * reach * 0.42, bar + across * reach * 0.42], 1.1, color, z)
