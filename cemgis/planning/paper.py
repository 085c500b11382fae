"""What the sheets of this package share: a page measured in points, looks of areas, north and scale, bytes."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from cemgis import __version__, drawing
from cemgis.capacity import LOST_TO
from cemgis.drawing import SANS, SERIF, Facts, printable, wrap

__all__ = [
    "DARK", "GREY", "LOST_LOOKS", "LOST_SIGNS", "PALE", "SOLID", "USE_LOOKS", "Floats", "Look", "Page",
    "north_and_scale", "path_of", "print_pages", "print_png", "reason_look",
]  # fmt: skip

Floats = npt.NDArray[np.float64]

DARK, GREY, PALE = "#2b2b2b", "#8a8a8a", "#f4f1ea"


@dataclass(frozen=True, slots=True)
class Look:
    """Tint and ruling of a kind of area."""

    fill: str
    line: str
    pattern: str = ""


USE_LOOKS: Mapping[str, Look] = {
    "free": Look("#ffffff", "#6b6257"),
    "free, in a lot in use": Look("#eef5ea", "#6a994e", "dots"),
    "right held": Look("#f3e3b3", "#6b6257"),
    "room for one more": Look("#dcecf4", "#1b4965", "upright"),
    "used, urns may follow": Look("#c3d0db", "#44525f"),
    "used": Look("#93a9bd", "#44525f"),
}
LOST_LOOKS: Mapping[str, Look] = {
    "trees": Look("#c9dcbb", "#3d4f2a", "crossed"),
    "drives": Look("#e6e2dc", "#6b6257", "crossed"),
    "walls and other obstacles": Look("#d9d4cc", "#2b2b2b", "crossed"),
    "stones": Look("#c9c3b8", "#2b2b2b", "dots"),
    "crooked vaults": Look("#e8a59d", "#7a1712", "diagonal"),
    "too little clearance": Look("#f6d9d5", "#b3261e", "diagonal"),
    "slope": Look("#e7c9a6", "#7a4d00", "diagonal"),
    "probable graves": Look("#d8cbe0", "#4b3a57", "level"),
    "doubt": Look("#efe6ef", "#6b5570", "level"),
    "earlier digging": Look("#e4d3c3", "#7a4d00", "level"),
}
LOST_SIGNS = dict(zip(LOST_TO, "TDWSVCLGQE", strict=True))
"""A letter for what a space is lost to, so that the map is read without colours."""
_REASON_LOOKS = (
    ("building", Look("#e3d0c0", "#7a4d00", "crossed")),
    ("well", Look("#cfe3ee", "#1b4965", "dots")),
    ("spring", Look("#cfe3ee", "#1b4965", "dots")),
    ("watercourse", Look("#cfe3ee", "#1b4965", "level")),
    ("drain", Look("#dfeaf0", "#1b4965", "level")),
    ("tree", Look("#dbe8d2", "#4d5f3a", "dots")),
    ("road", Look("#e6e2dc", "#6b6257", "upright")),
    ("steeper", Look("#efdcc9", "#7a4d00", "diagonal")),
    ("hollow", Look("#d8e6ea", "#33658a", "crossed")),
    ("boundary", Look("#ece7df", "#8a8a8a", "")),
)


SOLID = Look("#b9a492", DARK)


def reason_look(reason: str) -> Look:
    """Return the look of land that cannot be used, by its reason.

    Examples
    --------
    >>> reason_look("within 50.00 ft of watercourse").pattern
    'level'
    """
    for word, look in _REASON_LOOKS:
        if word in reason:
            return look
    return Look("#e0e0e0", "#555555", "diagonal")


class Page:
    """A figure measured in points."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / 72.0, height / 72.0), facecolor="white")
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_xlim(0, width)
        self.axes.set_ylim(0, height)
        self.axes.set_axis_off()

    def text(self, x: float, y: float, said: str, size: float, **more: Any) -> None:
        """Write a line at a place."""
        given: dict[str, Any] = {"color": DARK, "ha": "left", "va": "baseline", "family": list(SERIF)} | more
        self.axes.text(x, y, said, fontsize=size, parse_math=False, **given)

    def sign(self, x: float, y: float, letter: str, size: float) -> None:
        """Set one letter on a tinted place, with a halo."""
        said = self.axes.text(
            x,
            y,
            letter,
            fontsize=size,
            color=DARK,
            ha="center",
            va="center",
            family=list(SANS),
            zorder=8,
            weight="bold",
        )
        said.set_path_effects([withStroke(linewidth=1.2, foreground="white")])

    def paragraph(self, x: float, y: float, width: float, said: str, size: float, **more: Any) -> float:
        """Set text from y downwards; return the y below it."""
        for line in wrap(printable(said, 2000), width, size, SERIF):
            y -= size * 1.28
            self.text(x, y, line, size, **more)
        return y

    def rule(self, x0: float, x1: float, y: float, width: float = 0.5, color: str = DARK) -> None:
        """Draw a rule across."""
        self.axes.add_line(Line2D([x0, x1], [y, y], linewidth=width, color=color))

    def table(
        self,
        x: float,
        y: float,
        widths: Sequence[float],
        rows: Sequence[Sequence[str]],
        size: float,
        right: Sequence[int] = (),
    ) -> float:
        """Set a table from y downwards, the first row its head; return the y below it. Cells wrap."""
        for number, row in enumerate(rows):
            cells = [
                wrap(printable(cell, 300), width - 5.0, size, SERIF) or [""]
                for cell, width in zip(row, widths, strict=True)
            ]
            tall = max(map(len, cells))
            at, weight = x, "bold" if number == 0 or row[0] == "total" else "normal"
            for column, (lines, width) in enumerate(zip(cells, widths, strict=True)):
                for k, line in enumerate(lines):
                    here = y - size * 1.28 * (k + 1)
                    if column in right:
                        self.text(at + width - 5.0, here, line, size, ha="right", weight=weight)
                    else:
                        self.text(at, here, line, size, weight=weight)
                at += width
            y -= size * 1.28 * tall + size * 0.32
            self.rule(x, x + sum(widths), y, 0.6 if number == 0 else 0.2, DARK if number == 0 else "#c9c3b8")
        return y

    def fill(self, shapes: npt.NDArray[np.object_], look: Look, width: float = 0.4, z: float = 1.0) -> None:
        """Fill areas with their tint and ruling."""
        shapes = np.asarray(shapes, dtype=object)
        shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
        if not len(shapes):
            return
        parts = shapely.get_parts(shapes)
        holed = shapely.get_num_interior_rings(parts) > 0
        rings = [shapely.get_coordinates(ring) for ring in shapely.get_exterior_ring(parts[~holed])]
        edge = look.line if width else "none"
        if rings:
            self.axes.add_collection(
                PolyCollection(rings, facecolors=look.fill or "none", edgecolors=edge, linewidths=width, zorder=z),
                autolim=False,
            )
        for part in parts[holed]:
            self.axes.add_patch(
                PathPatch(path_of(part), facecolor=look.fill or "none", edgecolor=edge, linewidth=width, zorder=z)
            )
        if look.pattern == "dots":
            dots = drawing.pattern_dots(shapes, 3.2)
            self.axes.add_line(
                Line2D(
                    dots[:, 0],
                    dots[:, 1],
                    linestyle="none",
                    marker="o",
                    markersize=0.7,
                    markeredgewidth=0,
                    color=look.line,
                    zorder=z + 0.1,
                )
            )
        elif look.pattern:
            lines = drawing.pattern_lines(shapes, look.pattern, 3.0)
            if lines:
                self.axes.add_collection(
                    LineCollection(lines, colors=look.line, linewidths=0.3, zorder=z + 0.1), autolim=False
                )

    def lines(self, shapes: Any, color: str, width: float, z: float = 2.0, style: Any = "-") -> None:
        """Draw the lines of shapes."""
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(shapes)]
        if parts:
            self.axes.add_collection(
                LineCollection(parts, colors=color, linewidths=width, linestyles=[style], zorder=z), autolim=False
            )

    def chart(self, left: float, bottom: float, width: float, height: float) -> Any:
        """Return axes for a chart in a box of the page."""
        axes = self.figure.add_axes((left / self.width, bottom / self.height, width / self.width, height / self.height))
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.tick_params(labelsize=7.5, color=GREY, width=0.5)
        for label in [*axes.get_xticklabels(), *axes.get_yticklabels()]:
            label.set_fontfamily(list(SANS))
        return axes


def path_of(shape: Any) -> Path:
    """Return an area as a path, holes included."""
    rings = [shapely.get_coordinates(ring) for ring in (shape.exterior, *shape.interiors)]
    codes = [np.array([Path.MOVETO, *[Path.LINETO] * (len(r) - 2), Path.CLOSEPOLY], dtype=np.uint8) for r in rings]
    return Path(np.concatenate(rings), np.concatenate(codes))


def print_pages(figures: Sequence[Figure], facts: Facts, title: str) -> bytes:
    """Turn figures into one vector PDF; equal figures give equal bytes."""
    stamp = datetime.fromisoformat(facts.date).replace(tzinfo=UTC)
    out = io.BytesIO()
    more = {
        "Title": printable(title),
        "Creator": f"cemgis {__version__}",
        "CreationDate": stamp,
        "ModDate": stamp,
        "Producer": f"matplotlib {mpl.__version__}",
    }
    with mpl.rc_context({"pdf.fonttype": 42, "path.simplify": False}), PdfPages(out, metadata=more) as pages:
        for figure in figures:
            pages.savefig(figure)
    return out.getvalue()


def print_png(figure: Figure, dpi: int = 150) -> bytes:
    """Turn a figure into a PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi, metadata={"Software": f"cemgis {__version__}"})
    return out.getvalue()


def north_and_scale(page: Page, x: float, y: float, scale: float, upp: float, facts: Facts) -> None:
    """Draw an arrow to true north with a scale bar and the scale in words below it."""
    lean = math.radians(drawing.true_north_on_page(facts.convergence_deg))
    toward = np.array([math.sin(lean), math.cos(lean)])
    foot = np.array([x + 10, y])
    tip = foot + toward * 34
    side = np.array([toward[1], -toward[0]]) * 4
    page.axes.add_line(Line2D([foot[0], tip[0]], [foot[1], tip[1]], color=DARK, linewidth=0.9))
    page.axes.add_line(
        Line2D(
            [tip[0] - side[0] - toward[0] * 9, tip[0], tip[0] + side[0] - toward[0] * 9],
            [tip[1] - side[1] - toward[1] * 9, tip[1], tip[1] + side[1] - toward[1] * 9],
            color=DARK,
            linewidth=0.9,
        )
    )
    page.text(tip[0], tip[1] + 4, "N", 9, ha="center", weight="bold")
    page.text(x + 20, y + 6, "true north", 7, style="italic")
    step = drawing.round_step(110 * upp, 2)
    page.axes.add_patch(Rectangle((x, y - 16), step / upp, 3.2, facecolor=DARK, edgecolor=DARK, linewidth=0.4))
    page.axes.add_patch(
        Rectangle((x + step / upp / 2, y - 16), step / upp / 2, 3.2, facecolor="white", edgecolor=DARK, linewidth=0.4)
    )
    page.text(x, y - 26, f"0            {step:g} {facts.unit.suffix}", 7)
    page.text(x, y - 36, drawing.say_scale(scale, facts.unit).split("  ")[0], 7)
