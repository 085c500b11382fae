"""Maps on paper: tables of a ground become a figure, and a figure becomes the bytes of a PDF and a PNG."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from scipy.spatial import KDTree

from cemgis import __version__, drawing
from cemgis.drawing import SANS, SERIF, Facts, Frame, Lettering, Underlay, printable, text_width, wrap
from cemgis.errors import InputError
from cemgis.geometry import long_axis
from cemgis.layers import LAYERS
from cemgis.schema import Symbol
from cemgis.units import compass_word, say_length

__all__ = ["Printed", "bounds", "pages", "save", "save_all", "section_sheet", "whole_ground"]

Floats = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

INK = LAYERS["spaces"].symbols["occupied"].line
DARK = LAYERS["vaults"].symbols[""].line
BROWN = LAYERS["sections"].symbols[""].line
GREY = LAYERS["corners"].symbols["fitted"].line
PAPER_RANK = {name: width * height for name, (width, height) in drawing.PAPERS.items()}
PAPER_WHITE = LAYERS["spaces"].symbols["vacant"].fill
RED = LAYERS["findings"].symbols["danger"].fill
_MARKS = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D", "cross": "x", "ring": "o"}
_STAFF = "STAFF – NOT FOR PUBLICATION"
_CAUTION = (
    "Not a boundary survey: boundaries, plats and monuments are a licensed surveyor's. "
    "Settle the numbered findings before anything is opened near them."
)


_LEGEND_ORDER = (
    "spaces", "", "markers", "corners", "control", "monuments", "vaults", "probable_graves", "clearances", "findings",
    "lots", "sections", "drives", "obstacles",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Printed:
    """A figure as bytes, to be written all or nothing.

    Parameters
    ----------
    pdf, png : bytes
    """

    pdf: bytes
    png: bytes


def save(figure: Figure, facts: Facts, *, dpi: int = 200) -> Printed:
    """Turn a figure into a vector PDF, text as text, and a PNG; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    facts : Facts
        Its date is the only date in the files.
    dpi : int
        Of the PNG.

    Raises
    ------
    InputError
        When the date is not an ISO date.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> facts = Facts("Hill", ground_crs("EPSG:6549"), "2025-05-20", "6b1f", "Half lie within 0.3 ft.", 0.1)
    >>> printed = save(Figure(figsize=(2, 1)), facts, dpi=20)
    >>> printed.pdf[:4], printed.png[1:4]
    (b'%PDF', b'PNG')
    """
    pdf, (png,) = save_all([figure], facts, dpi=dpi)
    return Printed(pdf, png)


def save_all(figures: Iterable[Figure], facts: Facts, *, dpi: int = 200) -> tuple[bytes, list[bytes]]:
    """Turn figures into one PDF, a page each, and a PNG each; see `save`.

    Parameters
    ----------
    figures : iterable of Figure
        Taken one by one: a generator need not hold them all.
    facts : Facts
    dpi : int
        Of the PNG, and of a picture under the map in the PDF.

    Raises
    ------
    InputError
        When the date is not an ISO date.
    """
    try:
        stamp = datetime.fromisoformat(facts.date)
    except ValueError:
        where, what = "map.date", f"{facts.date[:40]!r} is not a date"
        raise InputError.of(where, what, "Write it as 2025-05-20.") from None
    stamp = stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp
    title = printable(facts.name)
    told = {
        "Title": title,
        "Subject": _STAFF,
        "Creator": f"cemgis {__version__}",
        "Producer": f"matplotlib {mpl.__version__}",
        "CreationDate": stamp,
        "ModDate": stamp,
    }
    pdf, pictures = io.BytesIO(), []
    with (
        mpl.rc_context({"pdf.fonttype": 42, "pdf.compression": 6, "path.simplify": False}),
        PdfPages(pdf, metadata=told) as pages,
    ):
        for figure in figures:
            figure.savefig(pages, format="pdf", dpi=dpi)
            png = io.BytesIO()
            figure.savefig(png, format="png", dpi=dpi, metadata={"Title": title, "Software": told["Creator"]})
            pictures.append(png.getvalue())
    return pdf.getvalue(), pictures


# ---- the sheet as a drawing surface --------------------------------------------------------------------------------


@dataclass
class _Sheet:
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
        xy = np.asarray(points, dtype=float)
        more.setdefault("solid_capstyle", "butt")
        self.add(Line2D(xy[:, 0], xy[:, 1], linewidth=width, color=color, zorder=z, **more), clipped=False)

    def box(self, left: float, bottom: float, right: float, top: float, width: float = 0.5, **more: Any) -> None:
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


def _sheet(frame: Frame) -> _Sheet:
    width, height = frame.size_pt
    figure = Figure(figsize=(width / 72.0, height / 72.0), facecolor=PAPER_WHITE)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, width)
    axes.set_ylim(0, height)
    axes.set_axis_off()
    base = min(max(6.9 + (min(width, height) - 612.0) / 180.0 * 0.75, 6.9), 11.0)
    sheet = _Sheet(figure, axes, frame, base)
    left, bottom, right, top = frame.map_pt
    sheet.clip = Rectangle((left, bottom), right - left, top - bottom, transform=axes.transData)
    return sheet


def _has(table: pd.DataFrame | None) -> bool:
    return table is not None and len(table) > 0 and "geometry" in table


def _placed(tables: Mapping[str, pd.DataFrame], name: str) -> pd.DataFrame | None:
    """Rows of a layer that have a place, or None."""
    table = tables.get(name)
    if table is None or not _has(table):
        return None
    shapes = np.asarray(table["geometry"], dtype=object)
    good = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    return table[good] if good.any() else None


def _geometry(table: pd.DataFrame) -> Shapes:
    return np.asarray(table["geometry"], dtype=object)


def _words(table: pd.DataFrame, name: str) -> list[str]:
    codes, found = pd.factorize(table[name].astype(object).where(table[name].notna(), None))
    said = np.array([*(printable(value, 40) for value in found), ""], dtype=object)
    return list(said[codes])


def _path(shape: Any) -> Path:
    """Make a matplotlib path of a polygon with its holes."""
    rings = [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]
    points = [shapely.get_coordinates(ring) for ring in rings]
    codes = [
        np.array([Path.MOVETO, *[Path.LINETO] * (len(item) - 2), Path.CLOSEPOLY], dtype=np.uint8) for item in points
    ]
    return Path(np.concatenate(points), np.concatenate(codes))


def _fill(sheet: _Sheet, shapes_pt: Shapes, symbol: Symbol, z: float, width: float) -> None:
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
            PathPatch(_path(shape), facecolor=face, edgecolor=symbol.line, linewidth=width, zorder=z, joinstyle="miter")
        )


def _rule(sheet: _Sheet, areas_pt: Shapes, symbol: Symbol, z: float, spacing: float = 2.6) -> None:
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


def _marks(sheet: _Sheet, xy_pt: Floats, symbol: Symbol, z: float, *, clipped: bool = True) -> None:
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


# ---- what lies on the ground ---------------------------------------------------------------------------------------


@dataclass
class _Labels:
    """Lettering of the map and what had to stay without."""

    lots: list[tuple[Lettering, list[str]]] = field(default_factory=list)
    spaces: list[tuple[Lettering, list[str]]] = field(default_factory=list)
    boxes: list[Any] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def _plain_kind(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return np.asarray(table["kind"].isin(["full"]).fillna(value=False), dtype=bool)


def _plan_labels(
    sheet: _Sheet, tables: Mapping[str, pd.DataFrame], convergence_deg: float, share: float = 0.1
) -> _Labels:
    """Choose one size for space numbers and one for lot numbers, and where they stand."""
    labels = _Labels()
    lots, spaces = _placed(tables, "lots"), _placed(tables, "spaces")
    lot_shapes = None if lots is None else sheet.frame.shapes(_geometry(lots))
    small = np.zeros(0, dtype=bool)
    if lots is not None and lot_shapes is not None:
        whose = spaces[~_plain_kind(spaces)] if spaces is not None else None
        small = (
            np.zeros(len(lots), dtype=bool) if whose is None else lots["lot_id"].isin(whose["lot_id"]).to_numpy(bool)
        )
    most, left_out = 9.0, 0
    if spaces is not None:
        shapes = sheet.frame.shapes(_geometry(spaces))
        foot = np.asarray(spaces["heads_azimuth"].to_numpy(dtype=float, na_value=np.nan)) - convergence_deg + 180.0
        # Numbers stand clear of stones: where these are seen at the other end, so are the numbers.
        foot[~drawing.heads_settled(tables, spaces)] += 180.0
        full, in_lot = _plain_kind(spaces), spaces["lot_id"].notna().to_numpy(dtype=bool)
        # One size for full spaces; the small ones have their own, or they would take the numbers off a sheet.
        for mine in (np.flatnonzero(full), np.flatnonzero(~full & ~in_lot), np.flatnonzero(~full & in_lot)):
            if not len(mine):
                continue
            words, lotted = _words(spaces.iloc[mine], "space"), in_lot[mine]
            angle: Floats | None = None
            across: float = 0.68
            along, shift = np.where(lotted, 0.36, 0.62), np.where(lotted, 0.32, 0.0)
            toward = foot[mine]
            if lots is not None and lot_shapes is not None and lotted.all() and not full[mine].any():
                # An urn's space has no room beside the number of its lot: that stands above, this below.
                turn = pd.Series(drawing.upright(lot_shapes)[0], index=lots["lot_id"].astype(object))
                angle = spaces["lot_id"].iloc[mine].astype(object).map(turn).to_numpy(dtype=float)
                across, along, shift, toward = 0.42, np.full(len(mine), 0.8), np.full(len(mine), 0.25), 180.0 - angle
            plan = drawing.lettering(
                shapes[mine], words, most_pt=7.0, across=across, along=along, toward_deg=toward, shift=shift,
                angle_deg=angle, share=share,
            )  # fmt: skip
            if not plan.size_pt:
                left_out += len(mine)
                continue
            labels.spaces.append((plan, words))
            labels.boxes.extend(plan.boxes[plan.fits])
            left_out += int(np.count_nonzero(~plan.fits))
            if full[mine].any() and lotted.any():
                # The lot's number stays clear of the spaces': from the middle of a space to theirs, less half of each.
                middle = float(np.median(drawing.upright(shapes[mine])[1]))
                room = 2.0 * (0.32 * middle - 0.35 * plan.size_pt - 0.8) / 0.73
                most = min(max(room, plan.size_pt * 1.1), plan.size_pt * 1.5, 11.0)
        if not labels.spaces:
            labels.remarks.append("Space numbers are too small to read at this scale: only lots are numbered.")
        elif left_out:
            labels.remarks.append(f"{left_out} small spaces carry no number at this scale.")
    if lots is not None and lot_shapes is not None:
        left_out = 0
        for mine in (np.flatnonzero(~small), np.flatnonzero(small)):
            if not len(mine):
                continue
            words = _words(lots.iloc[mine], "lot")
            raised = bool(small[mine].any()) and bool(labels.spaces)
            angle_deg, long, wide = drawing.upright(lot_shapes[mine])
            plan = drawing.lettering(
                lot_shapes[mine], words, most_pt=most, across=0.42 if raised else 0.6, along=0.84,
                toward_deg=-angle_deg if raised else None, shift=0.25 * wide / long if raised else 0.0,
                share=min(share, 0.02),  # a number of three digits is not to be lost because most have two
            )  # fmt: skip
            if plan.size_pt:
                labels.lots.append((plan, words))
                labels.boxes.extend(plan.boxes[plan.fits])
                left_out += int(np.count_nonzero(~plan.fits))
            else:
                left_out += len(mine)
        if not labels.lots:
            labels.remarks.append("Lot numbers are too small to read at this scale: take a larger sheet.")
        elif left_out:
            labels.remarks.append(f"{left_out} small lots carry no number at this scale.")
    return labels


def _draw_ground(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], labels: _Labels, convergence_deg: float) -> None:
    """Draw every layer that has a place, from below."""
    to_page, upp = sheet.frame.shapes, sheet.frame.unit_per_pt
    boxes = np.array(labels.boxes, dtype=object)
    for name, z in (("drives", 1.0), ("obstacles", 2.0)):
        table = _placed(tables, name)
        if table is not None:
            symbol = sheet.note(name, "", "area")
            shapes = to_page(_geometry(table))
            _fill(sheet, shapes, symbol, z, 0.35)
            _rule(sheet, shapes, symbol, z + 0.1, 2.8)
    spaces = _placed(tables, "spaces")
    if spaces is not None:
        shapes = to_page(_geometry(spaces))
        states = spaces["state"].astype(object).where(spaces["state"].notna(), "in doubt").to_numpy()
        least_side = float(np.sqrt(np.median(shapely.area(shapes))))
        width = 0.22 if least_side > 5.0 else 0.1
        for value in LAYERS["spaces"].symbols:
            mine = shapes[states == value]
            if not len(mine):
                continue
            symbol = sheet.note("spaces", value, "area")
            tint = Symbol(symbol.word, symbol.fill, "none")
            _fill(sheet, mine, tint, 3.0, 0.0)
            if symbol.pattern:
                _rule(sheet, drawing.without_boxes(mine, boxes), symbol, 3.2, 2.1 if least_side < 12.0 else 2.8)
        edges = shapely.get_parts(drawing.without_boxes(shapely.boundary(shapes), boxes))
        edges = edges[shapely.get_type_id(edges) == shapely.GeometryType.LINESTRING]
        sheet.add(
            LineCollection(
                [shapely.get_coordinates(item) for item in edges], colors=BROWN, linewidths=width, zorder=3.4
            )
        )
        _head_ticks(sheet, spaces, shapes, convergence_deg, drawing.heads_settled(tables, spaces))
    lots = _placed(tables, "lots")
    if lots is not None:
        edges = shapely.get_parts(shapely.boundary(to_page(_geometry(lots))))
        width = 0.55 if upp < 1.0 else 0.4
        sheet.add(
            LineCollection(
                [shapely.get_coordinates(item) for item in edges], colors=BROWN, linewidths=width, zorder=4.0
            )
        )
        sheet.note("lots", "", "line")
    sections = _placed(tables, "sections")
    if sections is not None:
        for shape in to_page(_geometry(sections)):
            sheet.add(
                PathPatch(
                    _path(shape), facecolor="none", edgecolor=BROWN, linewidth=1.15, zorder=4.4, joinstyle="miter"
                )
            )
        sheet.note("sections", "", "line")
    for name, z, line in (("probable_graves", 5.0, 0.5), ("vaults", 5.2, 0.55), ("monuments", 5.4, 0.2)):
        table = _placed(tables, name)
        if table is None:
            continue
        shapes = to_page(_geometry(table))
        if float(np.median(np.sqrt(shapely.area(shapes)))) < 0.9:
            word = LAYERS[name].symbols[""].word
            labels.remarks.append(f"{word.capitalize()}: too small to draw at this scale ({len(table)}).")
            continue
        symbol = sheet.note(name, "", "area")
        if symbol.fill and not symbol.pattern:
            _fill(sheet, shapes, symbol, z, line)
            continue
        _rule(sheet, drawing.without_boxes(shapes, boxes), symbol, z + 0.05, 1.6)
        edges = shapely.get_parts(drawing.without_boxes(shapely.boundary(shapes), boxes))
        paths = [shapely.get_coordinates(item) for item in edges]
        sheet.add(LineCollection(paths, colors=symbol.line, linewidths=line, zorder=z))
    short = _placed(tables, "clearances")
    if short is not None:
        short = short[(short["shortfall"] > 0).fillna(value=False)]
        if len(short):
            symbol = sheet.note("clearances", "", "line")
            lines = [shapely.get_coordinates(item) for item in to_page(_geometry(short))]
            sheet.add(LineCollection(lines, colors=symbol.line, linewidths=1.1, zorder=5.8))
    _draw_points(sheet, tables)


def _head_ticks(
    sheet: _Sheet, spaces: pd.DataFrame, shapes_pt: Shapes, convergence_deg: float, settled: npt.NDArray[np.bool_]
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


def _draw_points(sheet: _Sheet, tables: Mapping[str, pd.DataFrame]) -> None:
    """Draw markers as they were found, corners nobody has found yet, and control."""
    corners, markers = _placed(tables, "corners"), _placed(tables, "markers")
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
            xy = sheet.frame.to_page(shapely.get_coordinates(_geometry(mine)))
            sizes = _mark_sizes(sheet, tables, xy, symbol.size_pt)
            for size in np.unique(sizes):
                _marks(
                    sheet, xy[sizes == size], replace(symbol, size_pt=float(size)), 7.0 if value != "unfound" else 6.6
                )
    if corners is not None:
        _search_circles(sheet, corners)
    control = _placed(tables, "control")
    if control is not None:
        xy = sheet.frame.to_page(shapely.get_coordinates(_geometry(control)))
        _marks(sheet, xy, sheet.note("control", "", "mark"), 7.4)


def _mark_sizes(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], xy_pt: Floats, size_pt: float) -> Floats:
    """Sizes of marks, in steps of half a point: they give way to the lot they stand on and to each other."""
    room = np.full(len(xy_pt), math.inf)
    for name in ("lots", "spaces"):
        table = _placed(tables, name)
        if table is not None and len(xy_pt):
            shapes = sheet.frame.shapes(_geometry(table))
            at, nearest = shapely.STRtree(shapes).query_nearest(shapely.points(xy_pt), all_matches=False)
            room[at] = np.sqrt(shapely.area(shapes[nearest]))
            break
    crowd = _neighbour(xy_pt)
    size = np.minimum(size_pt, np.minimum(0.3 * room + 0.4, 0.55 * crowd))
    return np.asarray(np.maximum(np.round(2 * size) / 2, 1.0), dtype=float)


def _search_circles(sheet: _Sheet, corners: pd.DataFrame) -> None:
    """Draw the circle a marker is to be searched in, to scale, where it is larger than the mark itself."""
    rings = np.radians(np.arange(0.0, 361.0, 10.0))
    circle = np.column_stack([np.cos(rings), np.sin(rings)])
    for value in ("unfound", "doubtful"):
        mine = corners[(corners["state"] == value).fillna(value=False) & corners["radius_95"].notna()]
        reach = mine["radius_95"].to_numpy(dtype=float) / sheet.frame.unit_per_pt
        xy = sheet.frame.to_page(shapely.get_coordinates(_geometry(mine)))
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


def _draw_labels(sheet: _Sheet, labels: _Labels) -> None:
    """Set the numbers of lots and spaces."""
    sets = [(plan, words, "normal", 8.0) for plan, words in labels.spaces]
    sets += [(plan, words, "bold" if labels.spaces else "normal", 8.2) for plan, words in labels.lots]
    for plan, words, weight, z in sets:
        for number in np.flatnonzero(plan.fits):
            x, y = plan.xy[number]
            sheet.text(
                float(x), float(y), words[number], plan.size_pt, families=SANS, z=z, ha="center", va="center_baseline",
                rotation=float(plan.angle_deg[number]), rotation_mode="anchor", fontweight=weight,
            )  # fmt: skip


def _heads_of_sections(tables: Mapping[str, pd.DataFrame], convergence_deg: float) -> dict[str, tuple[str, float]]:
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


def _draw_sections(
    sheet: _Sheet, tables: Mapping[str, pd.DataFrame], labels: _Labels, convergence_deg: float,
    pages: Mapping[str, int],
) -> None:  # fmt: skip
    """Name each section beside its land, with its sheet and an arrow to the side the heads lie on."""
    sections = _placed(tables, "sections")
    if sections is None:
        return
    heads = _heads_of_sections(tables, convergence_deg)
    occupied: list[Any] = []
    for name in ("lots", "spaces", "obstacles", "drives"):
        table = _placed(tables, name)
        if table is not None:
            occupied.extend(sheet.frame.shapes(_geometry(table)))
    tree = shapely.STRtree(np.array(occupied, dtype=object))
    placed: list[Any] = []
    size = sheet.base * 1.18
    limits = shapely.box(*sheet.frame.map_pt)
    land = shapely.STRtree(_geometry_pt(sheet, sections))
    doubted = drawing.unsettled_heads(tables)
    for name, title, shape in zip(
        _words(sections, "section"), _words(sections, "title"), sheet.frame.shapes(_geometry(sections)), strict=True
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
            _arrow(sheet, x + size * 0.95, y + height / 2, size * 0.92, direction, BROWN, 9.0)
            sheet.legend.setdefault(("", "heads"), (Symbol("the heads lie this way", "", BROWN), "heads"))


def _two(words: str) -> list[str]:
    """Break a warning at its dash."""
    head, dash, tail = words.partition(" – ")
    return [f"{head} –", tail] if dash else [words]


def _geometry_pt(sheet: _Sheet, table: pd.DataFrame) -> Shapes:
    return sheet.frame.shapes(_geometry(table))


def _arrow(sheet: _Sheet, x: float, y: float, reach: float, direction_deg: float, color: str, z: float) -> None:
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


# ---- findings ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Flag:
    number: int
    severity: str
    kind: str
    subject: str
    reason: str
    placed: bool


def _flags(tables: Mapping[str, pd.DataFrame]) -> tuple[list[_Flag], pd.DataFrame | None]:
    """Take the findings of severity danger and warning, numbered as the findings layer lists them."""
    table = tables.get("findings")
    if table is None or not len(table):
        return [], None
    grave = table["severity"].isin(["danger", "warning"]).fillna(value=False).to_numpy(dtype=bool)
    number = table["number"].to_numpy() if "number" in table else np.arange(len(table)) + 1
    mine = table[grave].assign(number=number[grave])
    shapes = _geometry(mine)
    here = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    columns = [_words(mine, name) for name in ("severity", "kind", "subject")]
    reasons = [printable(value, 200) for value in mine["reason"]]
    rows = zip(mine["number"], *columns, reasons, here, strict=True)
    return [_Flag(int(n), s, k, j, r, bool(p)) for n, s, k, j, r, p in rows], mine[here]


def _draw_flags(sheet: _Sheet, placed: pd.DataFrame | None, labels: _Labels) -> None:
    """Flag findings: a mark at the place, a numbered tag beside it, a line between them."""
    if placed is None or not len(placed):
        return
    size = max(sheet.base * 0.92, 6.5)
    xy = sheet.frame.to_page(shapely.get_coordinates(_geometry(placed)))
    words = [str(number) for number in placed["number"]]
    wide = [max(text_width(word, size, SANS, "bold") + 4.5, size * 1.35) for word in words]
    sizes = np.column_stack([wide, np.full(len(words), size * 1.35)])
    boxes = np.array(labels.boxes, dtype=object)
    tags = drawing.place_tags(xy, sizes, sheet.frame.map_pt, boxes, near_pt=size * 1.3)
    for number, (word, severity) in enumerate(zip(words, placed["severity"], strict=True)):
        symbol = sheet.note("findings", str(severity), "mark")
        (x, y), (width, height) = tags[number], sizes[number]
        sheet.add(Line2D([xy[number, 0], x], [xy[number, 1], y], color=symbol.line, linewidth=0.8, zorder=10.0))
        _marks(sheet, xy[[number]], Symbol("", symbol.fill, symbol.line, "", symbol.mark, symbol.size_pt * 0.72), 10.2)
        danger = severity == "danger"
        sheet.add(
            Rectangle(
                (x - width / 2, y - height / 2),
                width,
                height,
                zorder=10.4,
                linewidth=0.9,
                edgecolor=symbol.line,
                facecolor=symbol.line if danger else PAPER_WHITE,
            )
        )
        sheet.text(
            x, y, word, size, families=SANS, z=10.6, ha="center", va="center_baseline", fontweight="bold",
            color=PAPER_WHITE if danger else symbol.line,
        )  # fmt: skip
    for value in ("danger", "warning"):
        sheet.legend.pop(("findings", value), None)
        if (placed["severity"] == value).any():
            sheet.note("findings", value, "mark")


# ---- frame, north, scale bar ---------------------------------------------------------------------------------------


def _draw_frame(sheet: _Sheet, facts: Facts) -> None:
    """Draw the double neat line, ticks of the grid with their coordinates, and crosses where grid lines meet."""
    left, bottom, right, top = sheet.frame.map_pt
    sheet.box(left, bottom, right, top, 0.5)
    sheet.box(left - 13.5, bottom - 13.5, right + 13.5, top + 13.5, 1.5)
    corners = sheet.frame.to_grid([[left, bottom], [right, bottom], [right, top], [left, top]])
    low, high = corners.min(axis=0), corners.max(axis=0)
    step = drawing.round_step(float(max(high - low)), 6)
    size = sheet.base * 0.76
    crosses = []
    east, north = drawing.grid_ticks(low[0], high[0], step), drawing.grid_ticks(low[1], high[1], step)
    unit = facts.unit.suffix
    edges = {"bottom": bottom, "top": top, "left": left, "right": right}
    taken: dict[str, list[float]] = {side: [] for side in edges}
    for values, axis in ((east, 0), (north, 1)):
        unsaid = True
        for value in values:
            ends = [[value, low[1]], [value, high[1]]] if axis == 0 else [[low[0], value], [high[0], value]]
            for side, at in _where_it_leaves(sheet.frame.to_page(ends), edges):
                level = side in ("bottom", "top")
                edge, way = edges[side], -1 if side in ("bottom", "left") else 1
                sheet.line([(at, edge), (at, edge + way * 4.0)] if level else [(edge, at), (edge + way * 4.0, at)], 0.5)
                said = drawing.say_coordinate(float(value))
                if unsaid:
                    said += f" {unit} {'EN'[axis]}"
                elif sheet.frame.top_deg:  # on a turned sheet both families of lines meet every edge
                    said += f" {'EN'[axis]}"
                room = text_width(said, size) / 2 + 4.0
                low_end, high_end = (left, right) if level else (bottom, top)
                if not low_end + room < at < high_end - room or any(
                    abs(at - other) < 2.2 * room for other in taken[side]
                ):
                    continue
                taken[side].append(at)
                unsaid = False
                if level:
                    sheet.text(at, edge + way * 8.6 - size * 0.33, said, size, ha="center")
                else:
                    sheet.text(edge + way * 8.6, at, said, size, ha="center", va="center", rotation=90,
                               rotation_mode="anchor")  # fmt: skip
    for x, y in sheet.frame.to_page(np.array(np.meshgrid(east, north)).reshape(2, -1).T):
        crosses += [[(x - 3.2, y), (x + 3.2, y)], [(x, y - 3.2), (x, y + 3.2)]]
    if crosses:
        sheet.add(LineCollection(crosses, colors=GREY, linewidths=0.4, zorder=0.5))


def _where_it_leaves(ends_pt: Floats, edges: Mapping[str, float]) -> list[tuple[str, float]]:
    """Edges of the map that a line through two points crosses, and where along each."""
    (x0, y0), (x1, y1) = ends_pt
    found = []
    for side, edge in edges.items():
        level = side in ("bottom", "top")
        (a0, a1), (b0, b1) = ((y0, y1), (x0, x1)) if level else ((x0, x1), (y0, y1))
        if abs(a1 - a0) < 0.3 * abs(b1 - b0):  # too flat to say where it meets this edge
            continue
        at = b0 + (edge - a0) / (a1 - a0) * (b1 - b0)
        low, high = (edges["left"], edges["right"]) if level else (edges["bottom"], edges["top"])
        if low < at < high:
            found.append((side, float(at)))
    return found


def _draw_norths(sheet: _Sheet, x: float, y: float, height: float, facts: Facts) -> float:
    """Draw true north and grid north side by side at their real angles; return the width taken."""
    reach = height - sheet.base * 1.4
    top = sheet.frame.top_deg
    swing = reach * abs(math.sin(math.radians(top)))
    gap = height * 0.52 + swing * 0.8
    lean = math.radians(drawing.true_north_on_page(facts.convergence_deg) - top)
    middle_y = y + reach / 2
    toward = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([toward[1], -toward[0]])
    foot = np.array([x + gap * 0.55, middle_y]) - toward * reach / 2
    tip, waist = foot + toward * reach, foot + toward * reach * 0.30
    wing = across * reach * 0.13
    tail = foot + toward * reach * 0.12
    # Half of the needle is dark, half is light: an old engraver's north, and it survives a photocopier.
    for side, face in ((-1.0, DARK), (1.0, PAPER_WHITE)):
        shape = [tip, waist + wing * side, tail]
        half = Polygon(
            shape, closed=True, facecolor=face, edgecolor=DARK, linewidth=0.6, zorder=20.5, joinstyle="miter"
        )
        half.set_gid("true north")
        sheet.add(half, clipped=False)
    sheet.line([foot - toward * 2.0, tip], 0.6)
    at = tip + toward * sheet.base * 0.8
    sheet.text(at[0], at[1], "N", sheet.base * 1.4, ha="center", va="center", fontweight="bold")
    sheet.text(x + gap * 0.55, y - sheet.base * 1.25, "true", sheet.base * 0.9, ha="center", fontstyle="italic")
    lean = -math.radians(top)
    toward = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([toward[1], -toward[0]])
    middle = np.array([x + gap * 1.55, middle_y])
    grid_foot, grid_tip = middle - toward * reach / 2, middle + toward * reach / 2
    sheet.line([grid_foot, grid_tip], 0.6)
    barb = reach * 0.16
    back = grid_tip - toward * barb
    sheet.line([back - across * barb * 0.42, grid_tip, back + across * barb * 0.42], 0.6)
    at = grid_tip + toward * sheet.base * 0.7
    sheet.text(at[0], at[1], "G", sheet.base * 1.05, ha="center", va="center")
    sheet.text(x + gap * 1.55, y - sheet.base * 1.25, "grid", sheet.base * 0.9, ha="center", fontstyle="italic")
    return gap * 2.1


def _draw_scale_bar(sheet: _Sheet, x: float, y: float, width: float, facts: Facts) -> None:
    """Draw a bar in the ground's unit: two rows of blocks, the first block divided in five to the left of zero."""
    upp = sheet.frame.unit_per_pt
    step = drawing.round_step(width * 0.92 * upp, 7)
    block = step / upp
    count = min(max(int(width * 0.94 / block) - 1, 1), 5)
    bar, size = 3.0, sheet.base * 0.86
    zero = x + block
    for number in range(-1, count):
        cells = 5 if number == -1 else 1
        for cell in range(cells):
            start = zero + number * block + cell * block / cells
            for row in (0, 1):
                dark = (cell + row + number) % 2 == 0
                sheet.add(
                    Rectangle((start, y + row * bar), block / cells, bar, linewidth=0.4, edgecolor=DARK, zorder=20.0,
                              facecolor=DARK if dark else PAPER_WHITE),
                    clipped=False,
                )  # fmt: skip
    for number in range(-1, count + 1):
        said = f"{abs(number) * step:g}"
        if number == count:
            said += f" {facts.unit.suffix}"
        at = zero + number * block
        sheet.line([(at, y + 2 * bar), (at, y + 2 * bar + 2.2)], 0.4)
        sheet.text(at, y + 2 * bar + 3.6, said, size, ha="center")


# ---- the panel -----------------------------------------------------------------------------------------------------


@dataclass
class _Column:
    left: float
    right: float
    y: float
    floor: float

    @property
    def width(self) -> float:
        return self.right - self.left


def _columns(sheet: _Sheet) -> list[_Column]:
    left, bottom, right, top = sheet.frame.panel_pt
    if sheet.frame.beside:
        return [_Column(left + 9, right - 9, top - 8, bottom + 8)]
    count = min(max(int((right - left) / (sheet.base * 29.0)), 3), 5)
    gap = 14.0
    width = (right - left - 18 - gap * (count - 1)) / count
    return [
        _Column(left + 9 + number * (width + gap), left + 9 + number * (width + gap) + width, top - 8, bottom + 8)
        for number in range(count)
    ]


def _heading(sheet: _Sheet, column: _Column, words: str) -> None:
    size = sheet.base * 0.98
    column.y -= size * 1.55
    sheet.text(column.left, column.y, words.upper(), size * 0.9, fontweight="bold", color=BROWN)
    width = text_width(words.upper(), size * 0.9, SERIF, "bold")
    sheet.line([(column.left + width + 5, column.y + size * 0.28), (column.right, column.y + size * 0.28)], 0.4, BROWN)
    column.y -= size * 0.35


def _paragraph(sheet: _Sheet, column: _Column, text: str, size: float, *, weight: str = "normal", style: str = "normal",
               color: str = DARK, leading: float = 1.16, centred: bool = False) -> None:  # fmt: skip
    for line in wrap(text, column.width, size, SERIF, weight, style):
        column.y -= size * leading
        x = (column.left + column.right) / 2 if centred else column.left
        sheet.text(
            x, column.y, line, size, fontweight=weight, fontstyle=style, color=color, ha="center" if centred else "left"
        )  # fmt: skip


def _title(sheet: _Sheet, column: _Column, said: tuple[str, str, str]) -> None:
    """Set the staff's band, and large, middle and small words of the title."""
    name, place, subtitle = said
    size = sheet.base
    column.y -= 3.0
    left, right = column.left - 3, column.right + 3
    head = column.y
    height = size * 1.75
    sheet.box(left, head - height, right, head, 0.0, facecolor=RED, edgecolor="none", zorder=19.0)
    sheet.text((left + right) / 2, head - height * 0.68, _STAFF, size * 1.0, ha="center", fontweight="bold",
               color=PAPER_WHITE, z=22.0)  # fmt: skip
    column.y -= height + size * 0.5
    big = size * 2.15
    while len(wrap(name, column.width, big, SERIF, "bold")) > 2 and big > size * 1.1:
        big *= 0.92
    _paragraph(sheet, column, name, big, weight="bold", color=BROWN, leading=1.05, centred=True)
    column.y -= size * 0.2
    if place:
        _paragraph(sheet, column, place, size * 1.08, style="italic", centred=True)
    column.y -= size * 0.75
    middle = (left + right) / 2
    sheet.line([(left + 18, column.y), (middle - 5, column.y)], 0.5, BROWN)
    sheet.line([(middle + 5, column.y), (right - 18, column.y)], 0.5, BROWN)
    lozenge = [(middle - 3, column.y), (middle, column.y + 2), (middle + 3, column.y), (middle, column.y - 2)]
    sheet.add(Polygon(lozenge, closed=True, facecolor=BROWN, edgecolor="none", zorder=20), clipped=False)
    _paragraph(sheet, column, subtitle, size * 1.1, leading=1.35, centred=True)


def _orientation(sheet: _Sheet, column: _Column, facts: Facts) -> None:
    """Scale, scale bar and norths."""
    size = sheet.base
    column.y -= size * 0.5
    height = size * 7.6
    base = column.y - height
    taken = _draw_norths(sheet, column.left, base + size * 1.3, height - size * 1.4, facts)
    words = drawing.north_words(facts.convergence_deg, facts.declination_deg)
    beside = _Column(column.left + taken + 6, column.right, column.y - size * 0.2, base)
    said = drawing.say_scale(sheet.frame.scale, facts.unit)
    _paragraph(sheet, beside, said, size * 1.08, weight="bold", color=BROWN)
    beside.y -= size * 0.2
    turned = sheet.frame.top_deg % 360.0
    lies = f"at grid azimuth {turned:.1f}°: THE SHEET IS TURNED" if turned else "grid north"
    for line in [*words, f"the sheet's top is {lies}; true to scale on {sheet.frame.paper} only"]:
        _paragraph(sheet, beside, line, size * 0.88, style="italic", leading=1.14)
    column.y = min(base, beside.y) - size * 2.3
    _draw_scale_bar(sheet, column.left, column.y, column.width, facts)
    column.y -= size * 0.4


def _swatch(sheet: _Sheet, x: float, y: float, width: float, height: float, symbol: Symbol, shape: str) -> None:
    """Draw one symbol of the legend in a box whose lower left corner is (x, y)."""
    middle = np.array([[x + width / 2, y + height / 2]])
    if shape == "area":
        area = np.array([shapely.box(x, y, x + width, y + height)], dtype=object)
        _fill_free(sheet, area, symbol)
    elif shape == "line":
        weight = {"section": 1.15, "lot": 0.55}.get(symbol.word, 1.1)
        sheet.line([(x, y + height / 2), (x + width, y + height / 2)], weight, symbol.line)
    elif shape == "mark":
        _marks(sheet, middle, symbol, 20.0, clipped=False)
    elif shape == "tick":
        sheet.box(x, y, x + width, y + height, 0.3, edgecolor=BROWN)
        sheet.line([(x + 2.0, y + height * 0.24), (x + 2.0, y + height * 0.76)], 0.8)
    elif shape == "search":
        turn = np.radians(np.arange(0.0, 361.0, 10.0))
        ring = middle + np.column_stack([np.cos(turn), np.sin(turn)]) * height * 0.55
        sheet.line(ring, 0.6, symbol.line, linestyle=(0, (3, 2)))
    elif shape == "heads":
        _arrow(sheet, x + width / 2 - 1, y + height / 2, width * 0.42, 270.0, symbol.line, 20.0)


def _fill_free(sheet: _Sheet, areas: Shapes, symbol: Symbol) -> None:
    """Fill and rule areas of the panel, which the map's clip would cut away."""
    kept, sheet.clip = sheet.clip, None
    try:
        _fill(sheet, areas, symbol, 19.0, 0.4)
        _rule(sheet, areas, symbol, 19.2, 2.3)
    finally:
        sheet.clip = kept


def _legend_rows(sheet: _Sheet) -> list[tuple[Symbol, str]]:
    """Symbols drawn, in the order of their declarations."""
    ranks = {name: rank for rank, name in enumerate(_LEGEND_ORDER)}
    keys = sorted(
        sheet.legend,
        key=lambda key: (ranks.get(key[0], 99), list(LAYERS[key[0]].symbols).index(key[1]) if key[0] else 0, key[1]),
    )
    return [sheet.legend[key] for key in keys]


def _legend(sheet: _Sheet, columns: list[_Column]) -> None:
    size = sheet.base * 0.93
    step = size * 1.36
    rows = _legend_rows(sheet)
    column = _with_room(columns, step * min(len(rows) + 2, 6))
    for rank, (symbol, shape) in enumerate(rows):
        lines = wrap(symbol.word, column.width - 24, size)
        if column.y - step * (1 + 0.75 * (len(lines) - 1)) < column.floor and len(columns) > 1:
            columns.pop(0)
            column = columns[0]
        if rank == 0:
            _heading(sheet, column, "What is drawn")
        column.y -= step
        _swatch(sheet, column.left, column.y - size * 0.18, 17.0, size * 0.98, symbol, shape)
        for number, line in enumerate(lines):
            if number:
                column.y -= size * 1.08
            sheet.text(column.left + 23, column.y, line, size)


def _section_table(
    sheet: _Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], flags: Sequence[_Flag],
    pages: Mapping[str, int],
) -> None:  # fmt: skip
    """List the sections with their lots, spaces and sheets, as far as the findings leave room."""
    sections, niches = tables.get("sections"), tables.get("niches")
    if sections is None or not len(sections):
        return
    size = sheet.base * 0.93
    step = size * 1.26
    if columns[0].y - step * (len(sections) + 3) < columns[0].floor and len(columns) > 1:
        columns.pop(0)
    column = columns[0]
    kept = step * (min(len(flags), 12) + 3) if flags and len(columns) == 1 else 0.0
    room = int((column.y - column.floor - kept) / step) - 5
    _heading(sheet, column, "Sections and their sheets" if pages else "Sections")
    column.y -= step
    end = column.right - (size * 3.0 if pages else 0.0)
    stops = [end - size * 7.3, end - size * 3.5, end]
    if pages:
        sheet.text(column.right, column.y, "page", size * 0.9, ha="right", fontstyle="italic")
    for stop, word in zip(stops, ("lots", "spaces", "vacant"), strict=True):
        sheet.text(stop, column.y, word, size * 0.9, ha="right", fontstyle="italic")
    shown = sections.head(max(room, 1))
    counts = shown[["lots", "spaces", "vacant"]].astype(object).where(shown[["lots", "spaces", "vacant"]].notna(), "–")
    for name, title, numbers in zip(
        _words(shown, "section"), _words(shown, "title"), counts.to_numpy().tolist(), strict=True
    ):
        column.y -= step
        width = stops[0] - column.left - size * 2.2
        said = wrap(f"{name}  {title}", width, size)
        sheet.text(column.left, column.y, said[0] + ("…" if len(said) > 1 else ""), size)
        for stop, number in zip(stops, numbers, strict=True):
            sheet.text(stop, column.y, f"{number:,}" if isinstance(number, int) else str(number), size, ha="right")
        if name in pages:
            sheet.text(column.right, column.y, str(pages[name]), size, ha="right", fontweight="bold")
    if len(shown) < len(sections):
        column.y -= step
        sheet.text(column.left, column.y, f"and {len(sections) - len(shown)} more sections", size, fontstyle="italic")
    if niches is not None and len(niches):
        column.y -= step
        sheet.text(
            column.left, column.y, f"{len(niches):,} niches have no place on the ground", size * 0.9, fontstyle="italic"
        )


def _finding_list(sheet: _Sheet, columns: list[_Column], flags: Sequence[_Flag]) -> int:
    """List the numbered findings, worst first; return how many had no room."""
    if not flags:
        return 0
    size = sheet.base * 0.93
    step = size * 1.22
    width = columns[0].width - size * 2.6
    short = [wrap(f"{flag.kind}: {flag.subject}" + ("" if flag.placed else " (no place)"), width, size)[:2]
             for flag in flags]  # fmt: skip
    full = [lines + wrap(flag.reason, width, size)[:3] for flag, lines in zip(flags, short, strict=True)]
    room = sum(column.y - column.floor for column in columns) - size * 3.0 - step * 3 * (len(columns) - 1)
    told, spare = [], room - step * sum(len(lines) for lines in short)
    for brief, whole in zip(short, full, strict=True):  # the worst are told in full as far as all can be named
        more = step * (len(whole) - len(brief))
        told.append(whole if more <= spare else brief)
        spare -= more if more <= spare else 0.0
    started, shown = False, 0
    for flag, head, lines in zip(flags, short, told, strict=True):
        need = step * len(lines) + (0.0 if started else size * 2.2)
        last = shown == len(flags) - 1
        if columns[0].y - need - (0.0 if last else step) < columns[0].floor:
            if len(columns) == 1:
                break
            columns.pop(0)
        column = columns[0]
        if not started:
            _heading(sheet, column, "Findings, worst first")
            started = True
        symbol = LAYERS["findings"].symbols[flag.severity]
        column.y -= step
        mark = replace(symbol, size_pt=symbol.size_pt * 0.62)
        _marks(sheet, np.array([[column.left + 3.5, column.y + size * 0.3]]), mark, 20.0, clipped=False)
        at = column.left + size * 2.3
        sheet.text(at, column.y, str(flag.number), size * 0.9, families=SANS, ha="right", fontweight="bold")
        for number, line in enumerate(lines):
            if number:
                column.y -= size * 1.08
            style = "normal" if number < len(head) else "italic"
            sheet.text(column.left + size * 2.6, column.y, line, size, fontstyle=style)
        shown += 1
    left_over = len(flags) - shown
    if left_over:
        column = columns[0]
        if not started:
            _heading(sheet, column, "Findings, worst first")
        column.y -= step
        sheet.text(column.left, column.y, f"and {left_over} more: see the findings layer", size, fontstyle="italic")
    return left_over


def _notes_lines(
    sheet: _Sheet, width: float, facts: Facts, remarks: Sequence[str], pages: tuple[int, int]
) -> list[tuple[str, str]]:
    size = sheet.base * 0.86
    crs = f"{printable(facts.crs.name, 90)}, {facts.unit.name}"
    told = [
        (facts.accuracy, "normal"),
        *((remark, "normal") for remark in remarks),
        (_CAUTION, "italic"),
        (f"Coordinates: {crs}.", "normal"),
        (
            f"Made {facts.date} from evidence {printable(facts.evidence_hash, 24)}. Page {pages[0]} of {pages[1]}.",
            "normal",
        ),
    ]
    return [
        (line, style) for text, style in told for line in wrap(printable(text, 400), width, size, SERIF, style=style)
    ]


def _panel_start(sheet: _Sheet, facts: Facts, labels: _Labels, pages: tuple[int, int]) -> list[_Column]:
    """Draw the panel's frame and the notes at its foot; return the columns left to fill."""
    left, bottom, right, top = sheet.frame.panel_pt
    sheet.box(left, bottom, right, top, 1.5)
    sheet.box(left + 3, bottom + 3, right - 3, top - 3, 0.5)
    columns = _columns(sheet)
    size = sheet.base * 0.86
    last = columns[-1]
    notes = _notes_lines(sheet, last.width, facts, labels.remarks, pages)
    y = last.floor + len(notes) * size * 1.14 + size * 0.2
    sheet.line([(last.left, y), (last.right, y)], 0.4, BROWN)
    last.floor = y + size * 0.4
    for line, style in notes:
        y -= size * 1.14
        sheet.text(last.left, y, line, size, fontstyle=style)
    return columns


def _panel(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], facts: Facts, labels: _Labels, flags: Sequence[_Flag],
           pages: tuple[int, int], sheets: Mapping[str, int]) -> int:  # fmt: skip
    """Fill the panel of the whole ground; return how many findings had no room on it."""
    columns = _panel_start(sheet, facts, labels, pages)
    _title(sheet, columns[0], (printable(facts.name, 90) or "Burial ground", printable(facts.place, 90),
                               "Plan of the whole ground"))  # fmt: skip
    _orientation(sheet, columns[0], facts)
    _legend(sheet, columns)
    _section_table(sheet, columns, tables, flags, sheets)
    return _finding_list(sheet, columns, flags)


def _section_panel(sheet: _Sheet, every: Mapping[str, pd.DataFrame], tables: Mapping[str, pd.DataFrame], facts: Facts,
                   labels: _Labels, flags: Sequence[_Flag], name: str, pages: tuple[int, int]) -> int:  # fmt: skip
    """Fill the panel of one section; return how many findings had no room on it."""
    columns = _panel_start(sheet, facts, labels, pages)
    row = tables["sections"].iloc[0]
    title = printable(row["title"], 60)
    _title(sheet, columns[0], (f"Section {name}" if len(name) < 3 else name, title,
                               f"{printable(facts.name, 90)} · sheet of the section"))  # fmt: skip
    _heads_block(sheet, columns[0], tables, name, facts.convergence_deg + sheet.frame.top_deg)
    if not pd.isna(row["protected"]):
        _warning(sheet, columns[0], "Protected", printable(row["protected"], 200))
    _orientation(sheet, columns[0], facts)
    _locator(sheet, columns, every, name)
    _section_facts(sheet, columns, tables, row, facts)
    _legend(sheet, columns)
    return _finding_list(sheet, columns, flags)


def _warning(sheet: _Sheet, column: _Column, head: str, words: str) -> None:
    """Set words in a red frame."""
    size = sheet.base
    lines = wrap(words, column.width - 8.0, size, SERIF)
    height = size * (1.7 + 1.16 * len(lines))
    column.y -= size * 0.5
    sheet.box(column.left, column.y - height, column.right, column.y, 1.6, edgecolor=RED)
    at = column.y - size * 1.25
    sheet.text(column.left + 4, at, head.upper(), size, color=RED, fontweight="bold")
    for line in lines:
        at -= size * 1.16
        sheet.text(column.left + 4, at, line, size)
    column.y -= height + size * 0.2


def _heads_block(
    sheet: _Sheet, column: _Column, tables: Mapping[str, pd.DataFrame], name: str, turn_deg: float
) -> None:  # fmt: skip
    """Say which side the heads lie on, large; a rule that the stones speak against is a warning and no arrow."""
    size = sheet.base
    doubted = drawing.unsettled_heads(tables).get(name)
    if doubted:
        seen = tables["spaces"]["heads_seen"]
        known = int(seen.isin(["agrees", "disagrees"]).fillna(value=False).sum())
        against = int(seen.eq("disagrees").fillna(value=False).sum())
        _warning(
            sheet, column, "Heads not settled",
            f"Heads {doubted[0]} by rule – stones show {doubted[1].upper()}: {against} of {known} spaces with stones "
            "or vaults. No head end is drawn here. Settle it before anything is opened.",
        )  # fmt: skip
        return
    word, direction = _heads_of_sections(tables, turn_deg).get(name, ("heads unknown", math.nan))
    column.y -= size * 2.1
    if not math.isfinite(direction):
        _warning(sheet, column, "Heads unknown", "No rule and no stone says which way the heads lie here.")
        return
    wide = text_width(word, size * 1.45, SERIF, "bold")
    middle = (column.left + column.right) / 2
    at = middle - wide / 2 + size * 1.2
    _arrow(sheet, at - size * 1.9, column.y + size * 0.45, size * 1.2, direction, DARK, 20.0)
    sheet.text(at, column.y, word, size * 1.45, fontweight="bold")
    column.y -= size * 0.5


def _locator(sheet: _Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], name: str) -> None:
    """Draw the whole ground small, turned as the sheet is, with this section dark."""
    sections = _placed(tables, "sections")
    if sections is None or len(sections) < 2:
        return
    size = sheet.base
    column = _with_room(columns, size * 9.0)
    shapes = sheet.frame.shapes(_geometry(sections))
    low, high = np.array(shapely.total_bounds(shapes)).reshape(2, 2)
    room = np.array([column.width, size * 7.0])
    factor = float(np.min(room / np.maximum(high - low, 1e-6)))
    corner = np.array([column.left, column.y - size * 1.0 - (high - low)[1] * factor])
    corner[0] += (column.width - (high - low)[0] * factor) / 2
    for word, shape in zip(_words(sections, "section"), shapes, strict=True):
        small = shapely.transform(shape, lambda xy: (xy - low) * factor + corner)
        face = DARK if word == name else PAPER_WHITE
        sheet.add(PathPatch(_path(small), facecolor=face, edgecolor=BROWN, linewidth=0.5, zorder=20.0), clipped=False)
        if word != name:
            at = shapely.point_on_surface(small)
            sheet.text(at.x, at.y, word[:3], size * 0.9, ha="center", va="center_baseline", color=BROWN)
    column.y = float(corner[1]) - size * 0.6


def _with_room(columns: list[_Column], need: float) -> _Column:
    """Go on to the next column when this one has no room left."""
    if columns[0].y - need < columns[0].floor and len(columns) > 1:
        columns.pop(0)
    return columns[0]


def _section_facts(
    sheet: _Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], row: pd.Series, facts: Facts
) -> None:
    """Say what the section holds, how sure its spaces are, how far to search, and where its plat is recorded."""
    unit = facts.unit
    size = sheet.base * 0.93
    spaces = tables.get("spaces")
    told: list[str] = []
    if spaces is not None and len(spaces):
        counts = spaces["state"].astype(object).where(spaces["state"].notna(), "in doubt").value_counts()
        states = [f"{counts[word]:,} {word}" for word in LAYERS["spaces"].symbols if word in counts]
        lots = f"{int(row['lots']):,} lots, " if not pd.isna(row["lots"]) and row["lots"] else ""
        told.append(f"{lots}{len(spaces):,} spaces: {', '.join(states)}.")
        known = spaces["radius_95"].dropna().to_numpy(dtype=float)
        if len(known):
            told.append(
                f"A space's middle lies within {say_length(float(np.median(known)), unit)} of where it is drawn, the "
                f"least sure within {say_length(float(known.max()), unit)} (95 %)."
            )
    corners = tables.get("corners")
    if corners is not None:
        missing = (
            corners[corners["state"].eq("unfound").fillna(value=False)]["radius_95"].dropna().to_numpy(dtype=float)
        )
        if len(missing):
            told.append(
                f"{len(missing)} markers not found yet: search within {say_length(float(missing.min()), unit)} to "
                f"{say_length(float(missing.max()), unit)} of the ring (95 %)."
            )
    plat = [printable(row[name], 90) for name in ("plat", "plat_source") if name in row and not pd.isna(row[name])]
    if plat:
        told.append(f"Plat {', '.join(plat)}.")
    if "parcel" in row and not pd.isna(row["parcel"]):
        told.append(f"Parcel {printable(row['parcel'], 60)}.")
    lines = [line for text in told for line in wrap(text, columns[0].width, size)]
    column = _with_room(columns, size * (1.18 * len(lines) + 2.2))
    _heading(sheet, column, "This section")
    for line in lines:
        column.y -= size * 1.18
        sheet.text(column.left, column.y, line, size)


# ---- the map -------------------------------------------------------------------------------------------------------


def bounds(tables: Mapping[str, pd.DataFrame]) -> tuple[float, float, float, float]:
    """Bounds of what makes the ground: land first, points only when there is none.

    Raises
    ------
    InputError
        When nothing has a place.
    """
    for names in (("sections", "lots", "spaces", "drives", "obstacles", "monuments", "vaults"), ("corners", "markers")):
        boxes = [
            shapely.total_bounds(_geometry(table)) for name in names if (table := _placed(tables, name)) is not None
        ]
        if boxes:
            every = np.array(boxes)
            low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
            if not (np.isfinite(low).all() and np.isfinite(high).all()):
                break
            reach = np.maximum(high - low, 1.0)
            middle = (low + high) / 2
            low, high = middle - reach / 2, middle + reach / 2
            return float(low[0]), float(low[1]), float(high[0]), float(high[1])
    where = "map"
    raise InputError.of(where, "no layer has a place to draw", "Build the ground first.")


def _legible(tables: Mapping[str, pd.DataFrame]) -> float | None:
    """Ground units to the point at which the lots, or else the spaces, can just be numbered."""
    for name, word, across, along in (("lots", "lot", 0.6, 0.84), ("spaces", "space", 0.68, 0.36)):
        table = _placed(tables, name)
        if table is None:
            continue
        shapes = _geometry(table)
        middle = shapely.get_coordinates(shapely.centroid(shapes)).mean(axis=0)
        shapes = np.asarray(shapely.transform(shapes, lambda xy, at=middle: xy - at), dtype=object)
        plan = drawing.lettering(
            shapes, _words(table, word), most_pt=math.inf, least_pt=0.0, across=across, along=along
        )
        if plan.size_pt > 0:
            return plan.size_pt / 5.0
    return None


def whole_ground(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    *,
    paper: str | None = None,
    scale: float | None = None,
    page: tuple[int, int] = (1, 1),
    sheets: Mapping[str, int] | None = None,
    underlay: Underlay | None = None,
) -> Figure:
    """Draw the whole ground on one sheet, for staff.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Layers by name, shaped by their declarations; what is missing is not drawn.
    facts : Facts
    paper : str, optional
        A key of `drawing.PAPERS`; without it the smallest sheet on which the lot numbers can be read.
    scale : float, optional
        Feet to the inch, or the number after 1 : for a ground in metres; without it the largest that fits.
    page : tuple of int
        Number of this page and of all.
    sheets : mapping of section to int, optional
        Pages of the sections' own sheets.
    underlay : Underlay, optional
        A picture to draw the map on.

    Returns
    -------
    Figure
        Nothing is saved; see `save`.

    Raises
    ------
    InputError
        When nothing has a place, there is no such sheet, or the ground does not fit.

    Examples
    --------
    >>> from cemgis import schema
    >>> from cemgis.reference import ground_crs
    >>> crs = ground_crs("EPSG:6549")
    >>> rows = {"lot_id": ["A-1"], "section": "A", "lot": "1",
    ...         "geometry": shapely.box([2e6], [4e5], [2e6 + 16], [4e5 + 12])}
    >>> lots = schema.restore(pd.DataFrame(rows), LAYERS["lots"], crs.crs)
    >>> facts = Facts("Hill", crs, "2025-05-20", "6b1f", "Half lie within 0.3 ft.", 0.1)
    >>> whole_ground({"lots": lots}, facts).get_size_inches().tolist()
    [11.0, 8.5]
    """
    frame = drawing.choose_frame(
        bounds(tables), facts.unit, paper=paper, scale=scale, legible=_legible(tables) if paper is None else None
    )
    sheet = _sheet(frame)
    if underlay is not None:
        _draw_underlay(sheet, underlay)
    labels = _plan_labels(sheet, tables, facts.convergence_deg)
    if underlay is not None:
        labels.remarks.append(underlay.words)
    flags, placed = _flags(tables)
    _draw_ground(sheet, tables, labels, facts.convergence_deg)
    _draw_labels(sheet, labels)
    _draw_sections(sheet, tables, labels, facts.convergence_deg, sheets or {})
    _draw_flags(sheet, placed, labels)
    _draw_frame(sheet, facts)
    _panel(sheet, tables, facts, labels, flags, page, sheets or {})
    return sheet.figure


# ---- one section ---------------------------------------------------------------------------------------------------

_SECTION_PT = 7.0  # numbers of spaces, to be read in the open at arm's length; common practice, no source
_ROW_ROOM_PT = 30.0  # round a section, for the names of its rows
_EVERY_LAYOUT = ((True, True), (False, True), (False, False), (True, False))


def section_sheet(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    section: str,
    *,
    paper: str | None = None,
    scale: float | None = None,
    page: tuple[int, int] = (1, 1),
    underlay: Underlay | None = None,
) -> Figure:
    """Draw one section on a sheet of its own, for staff, turned to lie along it where that gives a larger scale.

    Parameters
    ----------
    tables, facts, paper, scale, page, underlay
        As in `whole_ground`; without a paper it is the smallest on which the numbers of the spaces can be read.
    section : str
        Name of a section that has a place.

    Returns
    -------
    Figure

    Raises
    ------
    InputError
        When there is no such section with a place, no such sheet, or it does not fit.
    """
    sections = _placed(tables, "sections")
    mine = None if sections is None else sections[sections["section"].eq(section).fillna(value=False)]
    where = f"sheet of section {printable(section, 40)}"
    if mine is None or not len(mine):
        raise InputError.of(where, "no such section has a place", "Name one of the layer sections.")
    shape = _geometry(mine)[0]
    legible = None if paper is not None else _legible_section(tables, section)
    frames = []
    for top in (0.0, _along_rows(shape)):
        points = drawing.along_sheet(shapely.get_coordinates(shape), top)
        low, high = points.min(axis=0), points.max(axis=0)
        bounds = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
        frames.append(drawing.choose_frame(
            bounds, facts.unit, paper=paper, scale=scale, legible=legible, where=where, top_deg=top,
            margin_pt=_ROW_ROOM_PT, layouts=_EVERY_LAYOUT,
        ))  # fmt: skip
    # North stays up unless turning gives a larger scale, or the same on a smaller sheet.
    frame = min(frames, key=lambda item: (PAPER_RANK[item.paper], item.scale, item.top_deg != 0.0))
    sheet = _sheet(frame)
    if underlay is not None:
        _draw_underlay(sheet, underlay)
    own = _of_section(tables, section, frame, shape)
    turn = facts.convergence_deg + frame.top_deg
    labels = _plan_labels(sheet, own, turn, share=0.0)
    if underlay is not None:
        labels.remarks.append(underlay.words)
    flags, placed = _flags(own)
    _draw_neighbours(sheet, tables, section)
    _draw_rows(sheet, own, labels)
    _draw_ground(sheet, own, labels, turn)
    _draw_labels(sheet, labels)
    _draw_banner(sheet, own, section, labels)
    _draw_flags(sheet, placed, labels)
    _draw_frame(sheet, facts)
    _section_panel(sheet, tables, own, facts, labels, flags, section, page)
    return sheet.figure


def _along_rows(shape: Any) -> float:
    """Grid azimuth of the sheet's top, nearest to north, at which the long side of a section lies along an edge."""
    azimuth, _, _ = long_axis(np.array([shape], dtype=object))
    turn = (float(azimuth[0]) + 45.0) % 90.0 - 45.0
    return turn if math.isfinite(turn) else 0.0


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
        shapes = _geometry(table)
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


def _legible_section(tables: Mapping[str, pd.DataFrame], section: str) -> float | None:
    """Ground units to the point at which a section's spaces can be numbered: full ones well, the small ones just."""
    least: list[float] = []
    for name, word in (("lots", "lot"), ("spaces", "space")):
        table = _placed(tables, name)
        table = None if table is None else table[table["section"].eq(section).fillna(value=False)]
        if table is None or not len(table):
            continue
        full = _plain_kind(table) if name == "spaces" else np.ones(len(table), dtype=bool)
        for mine, points in ((full, _SECTION_PT), (~full, 5.0)):
            if not mine.any():
                continue
            shapes = _geometry(table[mine])
            middle = shapely.get_coordinates(shapely.centroid(shapes)).mean(axis=0)
            shapes = np.asarray(shapely.transform(shapes, lambda xy, at=middle: xy - at), dtype=object)
            along: Any = 0.84
            if name == "spaces":
                along = np.where(table[mine]["lot_id"].notna(), 0.36, 0.62)
            plan = drawing.lettering(
                shapes, _words(table[mine], word), most_pt=math.inf, least_pt=0.0,
                across=0.6 if name == "lots" else 0.68, along=along,
            )  # fmt: skip
            if plan.size_pt > 0:
                least.append(plan.size_pt / points)
    return min(least) if least else None


def _draw_neighbours(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], section: str) -> None:
    """Draw the lots of other sections that reach into the map in grey, with the section's name."""
    window = shapely.box(*sheet.frame.map_pt)
    for layer, width in (("lots", 0.3), ("spaces", 0.15), ("sections", 0.6)):
        table = _placed(tables, layer)
        if table is None:
            continue
        table = table[table["section"].ne(section).fillna(value=True)]
        if layer == "spaces":
            table = table[table["lot_id"].isna()]
        shapes = sheet.frame.shapes(_geometry(table))
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
    lots, spaces = _placed(tables, "lots"), _placed(tables, "spaces")
    if lots is not None and lots["row"].notna().any() and lots["lot"].duplicated().any():
        out += [(printable(row, 12), _geometry(mine)) for row, mine in lots.groupby("row", sort=False)]
    if spaces is not None:
        single = spaces[spaces["lot_id"].isna()]
        ids, section, number = (single[name].astype(object) for name in ("space_id", "section", "space"))
        # A single grave is named by section, row and number.
        rows = [str(i)[len(str(s)) + 1 : -len(str(n)) - 1] for i, s, n in zip(ids, section, number, strict=True)]
        for row in dict.fromkeys(rows):
            if row:
                out.append((printable(row, 12), _geometry(single)[np.array(rows, dtype=object) == row]))
    return out


def _draw_rows(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], labels: _Labels) -> None:
    """Name rows at both their ends."""
    size = sheet.base * 0.95
    for word, shapes in _rows_of(tables):
        middles = shapely.get_coordinates(shapely.centroid(sheet.frame.shapes(shapes)))
        if len(middles) < 2:
            continue
        spread = middles - middles.mean(axis=0)
        _, _, axes = np.linalg.svd(spread, full_matrices=False)
        toward = axes[0]
        corners = shapely.get_coordinates(sheet.frame.shapes(shapes))
        across = np.array([-toward[1], toward[0]])
        level = float(np.median(middles @ across))
        angle = (math.degrees(math.atan2(toward[1], toward[0])) + 80.0) % 180.0 - 80.0
        reading = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        said = f"row {word}"
        for end in (1.0, -1.0):
            reach = float((corners @ toward * end).max()) + 6.0
            at = toward * end * reach + across * level
            starts = float(reading @ toward) * end > 0
            sheet.text(
                float(at[0]), float(at[1]), said, size, z=9.0, color=BROWN, fontweight="bold", rotation=angle,
                rotation_mode="anchor", ha="left" if starts else "right", va="center_baseline", clip_on=True,
                clip_path=sheet.clip,
            )  # fmt: skip
            far = at + toward * end * (text_width(said, size, SERIF, "bold") + 2.0)
            labels.boxes.append(shapely.buffer(shapely.linestrings([at, far]), size * 0.55, cap_style="flat"))


def _draw_banner(sheet: _Sheet, tables: Mapping[str, pd.DataFrame], section: str, labels: _Labels) -> None:
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


# ---- a picture under the map ---------------------------------------------------------------------------------------


def _draw_underlay(sheet: _Sheet, underlay: Underlay) -> None:
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


# ---- all pages -----------------------------------------------------------------------------------------------------


def pages(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    *,
    paper: str | None = None,
    scale: float | None = None,
    section_paper: str | None = None,
    section_scale: float | None = None,
    underlay: Underlay | None = None,
    with_sections: bool = True,
) -> Iterator[tuple[str, Figure]]:
    """Draw every page: the whole ground with an index, then each section on a sheet of its own.

    Parameters
    ----------
    tables, facts, underlay
        As in `whole_ground`.
    paper, scale : optional
        Of the whole ground.
    section_paper, section_scale : optional
        Of the sections.
    with_sections : bool
        Without them there is the one page of the whole ground.

    Yields
    ------
    tuple of str and Figure
        Name of the section (empty for the whole ground) and its page, one at a time.

    Raises
    ------
    InputError
        As `whole_ground` and `section_sheet`.
    """
    sections = _placed(tables, "sections")
    names = [] if sections is None or not with_sections else [str(name) for name in sections["section"]]
    sheets = {name: number for number, name in enumerate(names, 2)}
    count = 1 + len(names)
    yield "", whole_ground(tables, facts, paper=paper, scale=scale, page=(1, count), sheets=sheets, underlay=underlay)
    for name, number in sheets.items():
        yield (
            name,
            section_sheet(
                tables, facts, name, paper=section_paper, scale=section_scale, page=(number, count), underlay=underlay
            ),
        )
