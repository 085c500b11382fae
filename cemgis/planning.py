"""Sheets for the board and the planner: capacity, forecast and layouts of new ground become figures and a page."""

from __future__ import annotations

import base64
import html
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from cemgis import __version__, drawing
from cemgis.capacity import LOST_TO, LOST_USES, USES
from cemgis.drawing import SANS, SERIF, Facts, Frame, printable, wrap
from cemgis.expansion import PRELIMINARY, Choice, lots_table
from cemgis.forecast import POOLS, Forecast
from cemgis.land import Land
from cemgis.terrain import contours, hillshade
from cemgis.units import Unit, say_length

__all__ = [
    "Look",
    "board_html",
    "board_pages",
    "chances_chart",
    "planner_pages",
    "print_pages",
    "print_png",
    "reason_look",
    "say_choice",
]

Floats = npt.NDArray[np.float64]

DARK, GREY, PALE = "#2b2b2b", "#8a8a8a", "#f4f1ea"
_CASKET, _URN, _INFANT, _SALE = "#1b4965", "#d08c60", "#6a994e", "#8d6b94"
_COLOURS = {"casket": _CASKET, "urn": _URN, "infant": _INFANT, "sale": _SALE}
_POOL_COLOURS = {"full": _CASKET, "infant": _INFANT, "cremation": _URN, "niche": _SALE}
_POOL_STROKES: dict[str, Any] = {
    "full": "-",
    "infant": (0, (1, 1.2)),
    "cremation": (0, (5, 1.5)),
    "niche": (0, (5, 1, 1, 1)),
}


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


_SOLID = Look("#b9a492", DARK)


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


# ---- a page as a surface --------------------------------------------------------------------------------------------


class _Page:
    """A figure measured in points."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / 72.0, height / 72.0), facecolor="white")
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_xlim(0, width)
        self.axes.set_ylim(0, height)
        self.axes.set_axis_off()

    def text(self, x: float, y: float, said: str, size: float, **more: Any) -> None:
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
                PathPatch(_path(part), facecolor=look.fill or "none", edgecolor=edge, linewidth=width, zorder=z)
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
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(shapes)]
        if parts:
            self.axes.add_collection(
                LineCollection(parts, colors=color, linewidths=width, linestyles=[style], zorder=z), autolim=False
            )

    def chart(self, left: float, bottom: float, width: float, height: float) -> Any:
        axes = self.figure.add_axes((left / self.width, bottom / self.height, width / self.width, height / self.height))
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.tick_params(labelsize=7.5, color=GREY, width=0.5)
        for label in [*axes.get_xticklabels(), *axes.get_yticklabels()]:
            label.set_fontfamily(list(SANS))
        return axes


def _path(shape: Any) -> Path:
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


# ---- for the board --------------------------------------------------------------------------------------------------

_LETTER = (612.0, 792.0)
_INSET = 48.0


def _page(facts: Facts, title: str) -> tuple[_Page, float]:
    page = _Page(*_LETTER) if facts.unit.is_foot else _Page(595.3, 841.9)
    top = page.height - _INSET
    page.text(_INSET, top - 12, printable(title), 16)
    page.text(_INSET, top - 26, printable(facts.name), 10, style="italic", color="#4a3f35")
    page.rule(_INSET, page.width - _INSET, top - 33, 0.8)
    foot = f"cemgis {__version__}  ·  as of {facts.date}  ·  from evidence {facts.evidence_hash[:12]}"
    page.rule(_INSET, page.width - _INSET, _INSET - 12, 0.4)
    page.text(_INSET, _INSET - 22, foot, 7, color="#4a3f35")
    return page, top - 42


def board_pages(
    sums: pd.DataFrame,
    possible: pd.DataFrame,
    spaces: Any,
    made: Forecast,
    facts: Facts,
    rules: Sequence[tuple[str, str, str]],
    *,
    lost: pd.DataFrame | None = None,
    notes: Sequence[str] = (),
) -> list[Figure]:
    """Draw the report for the board: the answer, the years, a page a section, what it rests on.

    Parameters
    ----------
    sums, possible : DataFrame
        From `cemgis.capacity.sum_possible` and `still_possible`.
    spaces : GeoDataFrame
        Layer.
    made : Forecast
    facts : Facts
    rules : sequence of (rule, value, source)
        Those it used.
    lost : DataFrame, optional
        From `cemgis.capacity.sum_lost`.
    notes : sequence of str
        Said with the assumptions.

    Returns
    -------
    list of Figure
    """
    return [
        _answer_page(sums, made, facts, lost),
        _years_page(made, facts),
        *(_section_page(section, sums, possible, spaces, facts, made) for section in sorted(set(possible["section"]))),
        _basis_page(made, facts, rules, notes),
    ]


_POSSIBLE = {
    "full": "full burials still possible",
    "urns": "urns still possible (in full spaces: besides)",
    "full_held": "full burials, only for holders of rights",
    "urns_held": "urns, only for holders of rights",
}


def _answer_page(sums: pd.DataFrame, made: Forecast, facts: Facts, lost: pd.DataFrame | None) -> Figure:
    page, y = _page(facts, "How many are left, and until when")
    width = page.width - 2 * _INSET
    for line in made.words():
        y = page.paragraph(_INSET, y, width, line, 10.5) - 4
    y -= 8
    total = sums.groupby("kind", sort=False)[[*USES, "total", "full", "urns", "full_held", "urns_held"]].sum()
    rows = [["", *(POOLS[kind] for kind in POOLS if kind in total.index)]]
    for use in (*USES, "total"):
        rows.append([use, *(f"{int(total.loc[kind, use]):,}" for kind in POOLS if kind in total.index)])
    kinds = [kind for kind in POOLS if kind in total.index]
    for name, words in _POSSIBLE.items():
        if total[name].sum():
            rows.append([words, *(f"{int(total.loc[kind, name]):,}" for kind in kinds)])
    columns = len(rows[0]) - 1
    y = page.table(_INSET, y, [180.0, *[(width - 180.0) / columns] * columns], rows, 8.6, right=range(1, columns + 1))
    if lost is not None and len(lost):
        sums_lost = lost.drop(columns=["section", "total"]).sum()
        parts = ", ".join(f"{int(number):,} to {what}" for what, number in sums_lost.items() if number)
        y = page.paragraph(_INSET, y - 3, width, f"Lost: {parts}. Every one is named in lost.csv.", 8.6)
    room = y - _INSET - 40
    if room > 120:
        _chances(page.chart(_INSET + 26, _INSET + 34, width - 130, min(room - 24, 230)), made)
    return page.figure


def chances_chart(made: Forecast) -> Figure:
    """Draw the chance that some are left, by year, small enough for a phone."""
    page = _Page(340.0, 230.0)
    _chances(page.chart(34, 24, 226, 196), made)
    return page.figure


def _chances(axes: Any, made: Forecast) -> None:
    for pool, item in made.pools.items():
        if item.unsaid:
            continue
        axes.plot(
            item.lasts.index,
            100 * item.lasts,
            color=_POOL_COLOURS[pool],
            linestyle=_POOL_STROKES[pool],
            linewidth=1.6,
        )
        level = 0.75 - 0.15 * list(POOLS).index(pool)
        away = item.lasts[item.lasts < level]
        at = (away.index[0], 100 * level) if len(away) else (item.lasts.index[-1], 100 * float(item.lasts.iloc[-1]))
        axes.annotate(
            POOLS[pool].removeprefix("spaces "),
            at,
            xytext=(5, 3),
            textcoords="offset points",
            fontsize=7.5,
            color=_POOL_COLOURS[pool],
            family=list(SANS),
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )
    axes.set_ylim(0, 103)
    axes.set_ylabel("chance that some are left, %", fontsize=8, family=list(SANS))
    axes.margins(x=0)
    axes.grid(axis="y", color="#e4dfd6", linewidth=0.5)


def _years_page(made: Forecast, facts: Facts) -> Figure:
    page, y = _page(facts, "The years counted, and looking back")
    width = page.width - 2 * _INSET
    counts = made.counts
    axes = page.chart(_INSET + 26, y - 200, width - 30, 185)
    bottom = np.zeros(len(counts))
    for kind in ("casket", "urn", "infant"):
        if counts[kind].sum():
            axes.bar(
                counts["year"],
                counts[kind],
                bottom=bottom,
                color=_COLOURS[kind],
                width=0.75,
                label=f"burials, {kind}",
                hatch={"urn": "//", "infant": ".."}.get(kind, ""),
                edgecolor="white",
                linewidth=0.3,
            )
            bottom += counts[kind].to_numpy()
    sold = counts[[c for c in counts.columns if str(c).endswith(" by sale")]].sum(axis=1)
    axes.plot(
        counts["year"], sold, color=_SALE, marker="o", markersize=3, linewidth=1.0, label="spaces sold ahead of need"
    )
    axes.legend(fontsize=7.5, frameon=False, ncols=2, loc="upper left", prop={"family": list(SANS), "size": 7.5})
    axes.set_ylim(0, max(float(bottom.max()), float(sold.max()), 1.0) * 1.3)
    axes.set_ylabel("a year", fontsize=8, family=list(SANS))
    y -= 242
    page.text(
        _INSET, y, "Looking back: standing in each year, the range said for the ten years after, and what came", 10
    )
    if len(made.backtest):
        shown = list(dict.fromkeys(made.backtest["what"]))[:2]
        for number, what in enumerate(shown):
            table = made.backtest[made.backtest["what"] == what]
            wide = (width - 30) / len(shown)
            axes = page.chart(_INSET + 26 + number * wide, y - 170, wide - 34, 150)
            axes.vlines(table["stand"], table["low"], table["high"], color="#9db4c0", linewidth=5)
            axes.plot(table["stand"], table["middle"], "_", color=_CASKET, markersize=9)
            inside = table["inside"].to_numpy(dtype=bool)
            axes.plot(table["stand"][inside], table["happened"][inside], "o", color=DARK, markersize=3.5)
            axes.plot(table["stand"][~inside], table["happened"][~inside], "X", color="#b3261e", markersize=6)
            axes.set_title(f"{what}: {int(inside.sum())} of {len(table)} inside", fontsize=8, family=list(SANS))
            axes.set_ylim(bottom=0)
        y -= 205
        page.text(_INSET, y, "bar: 9 in 10; dash: middle; dot: what came; cross: what came outside", 8, style="italic")
    y -= 24
    page.text(
        _INSET, y, "What moves the answer: middle year when a quantity lies in its lowest and in its highest fifth", 10
    )
    rows = [["", "", "lowest", "highest", "years"]]
    for pool, item in made.pools.items():
        if item.unsaid:
            continue
        for row in item.moves.head(3).itertuples():
            if math.isfinite(row.years) and row.years >= 1:
                rows.append([POOLS[pool], row.what, f"{row.low:.0f}", f"{row.high:.0f}", f"{row.years:.0f}"])
    if len(rows) > 1:
        page.table(_INSET, y - 6, [130, width - 130 - 150, 50, 50, 50], rows, 8.4, right=(2, 3, 4))
    return page.figure


def _section_page(
    section: str, sums: pd.DataFrame, possible: pd.DataFrame, spaces: Any, facts: Facts, made: Forecast
) -> Figure:
    page, y = _page(facts, f"Section {printable(section, 40)}")
    width = page.width - 2 * _INSET
    for name, line in made.section_words():
        if name == section:
            y = page.paragraph(_INSET, y, width, line, 10) - 3
    y -= 6
    mine = sums[sums["section"] == section]
    own = possible[possible["section"] == section]
    kinds = list(mine["kind"])
    rows = [["", *(POOLS[kind] for kind in kinds)]]
    for use in (*USES, "total"):
        if mine[use].sum():
            rows.append([use, *(f"{int(value):,}" for value in mine[use])])
    for name, words in _POSSIBLE.items():
        if mine[name].sum():
            rows.append([words, *(f"{int(value):,}" for value in mine[name])])
    wide = min((width - 190.0) / len(kinds), 110.0)  # a single kind's numbers stay near their words
    y = page.table(_INSET, y, [190.0, *[wide] * len(kinds)], rows, 8.6, right=range(1, len(kinds) + 1))
    lost = own[own["use"].isin(LOST_USES).to_numpy()]
    said = _lost_words(lost)
    low = _INSET + 14 + 11.0 * min(len(said), 12)
    here = spaces[(spaces["section"] == section).to_numpy()]
    shapes = np.asarray(here.geometry, dtype=object) if len(here) else np.empty(0, dtype=object)
    placed = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes)) if len(shapes) else np.zeros(0, dtype=bool)
    if placed.any():
        shown = own["use"].where(~own["use"].isin(LOST_USES), own["lost_to"])
        shown.index = own["space_id"]
        use = here["space_id"].astype(object).map(shown).to_numpy(dtype=object)
        _uses_map(page, shapes[placed], use[placed], (_INSET, low + 20, page.width - _INSET, y - 14), facts)
    at = low
    if said:
        page.text(_INSET, at, "Why they are not counted", 9.5, style="italic")
        for line in said[:12]:
            at -= 11.0
            page.text(_INSET, at, printable(line, 140), 8)
    return page.figure


_ONE_OF_MANY = re.compile(
    r" ?\(.*?\)|\b[A-Z][A-Za-z]*-[\w-]+|\b\d{4}-\d\d(?:-\d\d)?\b|(?<=[A-Z])\d+\b"
    r"|\b(?:\d{1,2} )?(?:[A-Z][a-z]+ )?(?:1[5-9]|20)\d\d\b|^\d+(?= recorded)"
    r"|(?<=slope )\d+|\d+(?= % of it)|(?<=reaches )[\d.]+"
)
"""What differs from one reason to the next of its kind: ids, dates, sources, measures."""


_ELLIPSES = re.compile(r"…(?:[ ,]*…)+")


def _lost_words(lost: pd.DataFrame) -> list[str]:
    """Say why spaces are lost, one line a reason, the spaces named."""
    lines = []
    alike = lost["why"].astype(str).map(lambda why: _ELLIPSES.sub("…", _ONE_OF_MANY.sub("…", why)))
    for (what, why), rows in lost.groupby([lost["lost_to"], alike], sort=False):
        names = [str(name) for name in rows["space_id"]]
        shown = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
        lines.append(f"{what}: {shown}" + (f" ({str(why)[:90]})" if why else ""))
    return lines if len(lines) <= 12 else [*lines[:11], f"... and {len(lines) - 11} more reasons: see lost.csv"]


def _uses_map(page: _Page, shapes: Any, use: Any, box: tuple[float, float, float, float], facts: Facts) -> None:
    left, low, right, high = box
    looks = {**USE_LOOKS, **LOST_LOOKS}
    legend = [name for name in looks if (use == name).any()]
    right_map = right - 146
    bounds = shapely.total_bounds(shapes)
    unit_per_pt = max((bounds[2] - bounds[0]) / (right_map - left), (bounds[3] - bounds[1]) / (high - low))
    scales = [
        s for s in drawing.round_scales(facts.unit) if drawing.unit_per_point(float(s), facts.unit) >= unit_per_pt
    ]
    scale = float(scales[0]) if scales else unit_per_pt * 72
    upp = drawing.unit_per_point(scale, facts.unit)
    centre = np.array([(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2])
    middle = np.array([(left + right_map) / 2, (low + high) / 2])
    drawn = shapely.transform(shapes, lambda xy: (xy - centre) / upp + middle)
    size = 0.8 * float(np.sqrt(shapely.area(shapely.minimum_rotated_rectangle(drawn[0])))) if len(drawn) else 0.0
    for name in legend:
        page.fill(drawn[use == name], looks[name], 0.35)
        if name in LOST_SIGNS and size >= 2.5:
            for x, y in shapely.get_coordinates(shapely.centroid(drawn[use == name])):
                page.sign(x, y, LOST_SIGNS[name], min(size, 7.0))
    y = high - 10
    x = right - 136
    for name in legend:
        lost = name in LOST_SIGNS
        if lost and not any(other in LOST_SIGNS for other in legend[: legend.index(name)]):
            page.text(x, y - 2, "lost, and to what", 8, style="italic")
            y -= 15
        page.fill(np.array([shapely.box(x, y - 2, x + 18, y + 8)], dtype=object), looks[name], 0.5)
        if lost:
            page.sign(x + 9, y + 3, LOST_SIGNS[name], 6.5)
        page.text(x + 24, y, name, 8)
        y -= 15
    _north_and_scale(page, x, y - 60, scale, upp, facts)


def _north_and_scale(page: _Page, x: float, y: float, scale: float, upp: float, facts: Facts) -> None:
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


def _basis_page(made: Forecast, facts: Facts, rules: Sequence[tuple[str, str, str]], notes: Sequence[str]) -> Figure:
    page, y = _page(facts, "What it rests on")
    width = page.width - 2 * _INSET
    for line in [*made.assumptions, *notes]:
        y = page.paragraph(_INSET, y, width, line, 9.5) - 3
    y -= 8
    rows = [["rule", "value", "source"], *rules]
    y = page.table(_INSET, y, [150, 60, width - 210], rows, 8.2)
    page.paragraph(
        _INSET,
        y - 6,
        width,
        "A count is not a promise: probe before you dig, settle the findings first, and let the clerk look at every "
        "space before it is sold.",
        9.5,
        style="italic",
    )
    return page.figure


_NOTHING = ("0", "")
"""Cells that a phone leaves out."""

_ANSWERS = ("left", "taken a year", "years by division", "full", "most likely")


def _answers(made: Forecast) -> list[list[str]]:
    """Each section's answer as cells, in the order of `_ANSWERS`."""
    rows = []
    for row in made.sections().itertuples():
        item = made.pools[str(row.kind)]
        horizon = int(item.lasts.index[-1])
        cells = [str(row.section), POOLS[str(row.kind)], f"{row.left:,}"]
        if row.left == 0:
            rows.append([*cells, "" if item.unsaid else f"{row.a_year:.1f}", "", "none left", ""])
        elif item.unsaid:
            rows.append([*cells, "", "", f"cannot be said: {item.unsaid}", ""])
        else:
            years = horizon - item.start
            division = "never" if not math.isfinite(row.plain) else f"{row.plain:,.0f}"
            division = f"more than {years}" if row.plain > years else division
            low = f"{row.low:.0f}" if math.isfinite(row.low) else ""
            span = f"{low} to {row.high:.0f}" if math.isfinite(row.high) else f"not before {low or horizon} (19 in 20)"
            likely = f"{row.likely:.0f}" if math.isfinite(row.likely) and math.isfinite(row.high) else ""
            rows.append([*cells, f"{row.a_year:.1f}", division, span, likely])
    return rows


def board_html(
    sums: pd.DataFrame,
    lost: pd.DataFrame,
    made: Forecast,
    facts: Facts,
    rules: Sequence[tuple[str, str, str]],
    pictures: Sequence[tuple[str, bytes]] = (),
) -> str:
    """Write the report as one HTML page, pictures inside; all data is escaped.

    Parameters
    ----------
    sums, lost : DataFrame
    made : Forecast
    facts : Facts
    rules : sequence of (rule, value, source)
    pictures : sequence of (words, PNG)
    """

    def table(rows: Sequence[Sequence[object]], caption: str, kind: str = "") -> str:
        head, *body = rows
        cells = "".join(f'<th scope="col">{html.escape(str(cell))}</th>' for cell in head)
        lines = "".join(
            "<tr>"
            + "".join(
                f'<td data-of="{html.escape(str(name), quote=True)}"'
                f"{' class=none' if str(cell) in _NOTHING else ''}>{html.escape(str(cell))}</td>"
                for name, cell in zip(head, row, strict=True)
            )
            + "</tr>"
            for row in body
        )
        head_ = f"<caption>{html.escape(caption)}</caption><thead><tr>{cells}</tr></thead>"
        return f"<table{f' class={kind}' if kind else ''}>{head_}<tbody>{lines}</tbody></table>"

    style = (
        "body{font:16px/1.5 Georgia,serif;color:#2b2b2b;max-width:64rem;margin:2rem auto;padding:0 1rem}"
        "table{border-collapse:collapse;margin:1rem 0;font-size:.85rem;width:100%}"
        "caption{text-align:left;font-style:italic}"
        "th,td{text-align:left;padding:.15rem .7rem .15rem 0;border-bottom:1px solid #c9c3b8;vertical-align:top;"
        "overflow-wrap:anywhere}th{overflow-wrap:normal}"
        ".numbers td,.numbers th{font-variant-numeric:tabular-nums}"
        "img{max-width:100%;border:1px solid #c9c3b8;margin:.5rem 0}"
        # on a phone a row becomes a block of lines, each with the name of its column; nothing scrolls sideways
        "@media(max-width:44rem){h1{font-size:1.5rem}"
        ".stack thead{position:absolute;clip-path:inset(50%);height:1px;width:1px;overflow:hidden}"
        ".stack,.stack tbody,.stack tr,.stack td,.stack caption{display:block}"
        ".stack tr{border-bottom:2px solid #8a8a8a;padding:.4rem 0}"
        ".stack td{border:0;display:flex;gap:1rem;padding:.05rem 0}"
        ".stack td::before{content:attr(data-of);flex:0 0 52%;color:#5a5148}.stack td.none{display:none}}"
    )
    columns = ["section", "kind", *USES, "total", "full", "urns"]
    counted = [columns, *sums[columns].astype(str).to_numpy().tolist()]
    gone = [
        ["space", "section", "lost to", "why"],
        *lost[["space_id", "section", "lost_to", "why"]].astype(str).to_numpy().tolist(),
    ]
    answers = [["section", "kind", *_ANSWERS], *_answers(made)]
    figures = "".join(
        f'<img alt="{html.escape(words, quote=True)}" src="data:image/png;base64,{base64.b64encode(png).decode()}">'
        for words, png in pictures
    )
    said = "".join(f"<p>{html.escape(line)}</p>" for line in made.words())
    basis = "".join(f"<li>{html.escape(line)}</li>" for line in made.assumptions)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>How many are left: {html.escape(facts.name)}</title><style>{style}</style></head><body><main>"
        "<h1>How many are left, and until when</h1>"
        f"<p><em>{html.escape(facts.name)}, as of {html.escape(facts.date)}</em></p>"
        f"{said}<h2>When each section is full</h2>"
        f"{table(answers, 'By division, and the range that the years counted allow (9 in 10)', 'stack')}{figures}"
        f"<h2>Spaces by section and use</h2>{table(counted, 'Every space is counted once.', 'stack')}"
        f"<h2>Spaces that are lost, and to what</h2>{table(gone, f'{len(lost)} spaces')}"
        f"<h2>What it rests on</h2><ul>{basis}</ul>"
        f"{table([['rule', 'value', 'source'], *rules], 'Rules used')}"
        f"<p>From evidence {html.escape(facts.evidence_hash[:12])}, cemgis {__version__}.</p></main></body></html>\n"
    )


# ---- for the planner ------------------------------------------------------------------------------------------------


def planner_pages(
    name: str,
    land: Land,
    things: pd.DataFrame,
    gates: Sequence[tuple[float, float]],
    choices: Sequence[Choice],
    facts: Facts,
    rules: Sequence[tuple[str, str, str]],
    *,
    road: Any = None,
    years: Mapping[str, str] | None = None,
    beside: Any = None,
    chosen: int = 0,
    heads: str = "",
) -> list[Figure]:
    """Draw the planner's sheets: one choice on the land, then up to six choices side by side with their measures.

    Parameters
    ----------
    name : str
        Of the parcel.
    land : Land
    things : DataFrame
        ``kind``, ``geometry`` of what graves keep away from.
    gates : sequence of (easting, northing)
    choices : sequence of Choice
    facts : Facts
    rules : sequence of (rule, value, source)
    road : geometry, optional
    years : mapping of str to str, optional
        Choice's name to the years it buys, in words.
    beside : geometry, optional
        Lots of the ground that lie beside it.
    chosen : int
        Position of the choice that is drawn large.
    heads : str
        Whether the declared heads are kept, in words.
    """
    return [
        _plan_sheet(name, land, things, gates, choices[chosen], facts, road, beside, years or {}),
        _choices_sheet(name, land, gates, choices, facts, rules, years or {}, heads),
    ]


def _on_map(page: _Page, frame: Frame, land: Land, things: pd.DataFrame, road: Any) -> list[tuple[str, Look]]:
    """Draw the land under a layout; return what stands in the legend."""
    if land.dem is not None:
        shade = hillshade(land.dem.heights, land.dem.cell_x, land.dem.cell_y)
        west, south, east, north = land.dem.bounds
        (x0, y0), (x1, y1) = frame.to_page([[west, south], [east, north]])
        picture = page.axes.imshow(
            np.ma.masked_invalid(shade),
            extent=(x0, x1, y0, y1),
            cmap="gray",
            vmin=0.0,
            vmax=1.0,
            alpha=0.25,
            zorder=0.2,
            interpolation="bilinear",
            aspect="auto",
        )
        left, bottom, right, top = frame.map_pt
        picture.set_clip_path(Rectangle((left, bottom), right - left, top - bottom, transform=page.axes.transData))
        page.axes.set_xlim(0, page.width)
        page.axes.set_ylim(0, page.height)
    legend = []
    for row in land.pieces.itertuples():
        if row.reason == "usable":
            continue
        look = reason_look(row.reason)
        page.fill(frame.shapes([row.geometry]), look, 0.4, 1.0)
        legend.append((row.reason, look))
    if land.dem is not None:
        span = float(np.nanmax(land.dem.heights) - np.nanmin(land.dem.heights))
        lines, _ = contours(land.dem, drawing.round_step(span, 18))
        inside = shapely.intersection(lines, shapely.buffer(land.parcel, 40.0 * frame.unit_per_pt))
        page.lines(frame.shapes(inside[~shapely.is_empty(inside)]), "#a47c48", 0.35, 1.5)
    for kind, shape in zip(things["kind"], things["geometry"], strict=True):
        drawn = frame.shapes([shape])
        if shape.geom_type in ("Polygon", "MultiPolygon"):
            page.fill(drawn, _SOLID, 0.8, 2.2)
        elif "Line" in shape.geom_type:
            color = "#6b6257" if kind == "road" else "#33658a"
            page.lines(_clipped(drawn, frame), color, 2.2 if kind == "road" else 1.6, 2.2)
        else:
            xy = shapely.get_coordinates(drawn)
            mark = _MARKS.get(kind, "s")
            page.axes.add_line(
                Line2D(
                    xy[:, 0],
                    xy[:, 1],
                    linestyle="none",
                    marker=mark,
                    markersize=6,
                    zorder=6,
                    color="white" if mark == "o" else "#4d5f3a",
                    markeredgecolor=DARK,
                )
            )
    if road is not None:
        page.lines(_clipped(frame.shapes([road]), frame), "#6b6257", 2.2, 2.1)
    return legend


def _clipped(shapes: Any, frame: Frame) -> Any:
    left, bottom, right, top = frame.map_pt
    return shapely.intersection(shapes, shapely.box(left, bottom, right, top))


_PHASE_FILLS = ("#fbf7ee", "#e9dcc0", "#d5c19a", "#bfa372", "#a5854f")


def _layout_on(page: _Page, frame: Frame, choice: Choice, gates: Sequence[tuple[float, float]], width: float) -> None:
    page.fill(frame.shapes([choice.drives]), Look("#e4e0d8", "#9a917f"), 0.5, 3.0)
    if min(choice.module.frontage, choice.module.depth) < 2.2 * frame.unit_per_pt:
        width = 0.0  # outlines of lots so small would hide their tint
    table = lots_table(choice, "")
    phase = table["phase"].to_numpy()
    for number in np.unique(phase):
        look = Look(_PHASE_FILLS[min(int(number) - 1, len(_PHASE_FILLS) - 1)], "#4a3f35")
        page.fill(frame.shapes(table.geometry.to_numpy()[phase == number]), look, width, 4.0)
    at = frame.to_page(np.array(gates))
    page.axes.add_line(
        Line2D(
            at[:, 0],
            at[:, 1],
            linestyle="none",
            marker="D",
            markersize=7,
            color="#b3261e",
            markeredgecolor="white",
            zorder=7,
        )
    )


def _plan_sheet(
    name: str,
    land: Land,
    things: pd.DataFrame,
    gates: Sequence[tuple[float, float]],
    choice: Choice,
    facts: Facts,
    road: Any,
    beside: Any,
    years: Mapping[str, str],
) -> Figure:
    unit = facts.unit
    bounds = land.parcel.bounds
    frame = drawing.choose_frame(bounds, unit, paper="tabloid" if unit.is_foot else "A3", where="planner's sheet")
    page = _Page(*frame.size_pt)
    legend = _on_map(page, frame, land, things, road)
    if beside is not None:
        page.lines(_clipped(frame.shapes([shapely.boundary(beside)]), frame), "#b9ad9a", 0.4, 1.2)
    page.lines(frame.shapes([shapely.boundary(land.parcel)]), DARK, 1.6, 5.0, (0, (8, 2, 1.5, 2)))
    _layout_on(page, frame, choice, gates, 0.3)
    left, bottom, right, top = frame.map_pt
    page.axes.add_patch(
        Rectangle((left, bottom), right - left, top - bottom, fill=False, edgecolor=DARK, linewidth=0.8, zorder=9)
    )
    _ticks(page, frame)
    x0, low, x1, high = frame.panel_pt
    x, width = x0 + 10, x1 - x0 - 16
    y = page.paragraph(x, high - 2, width, name, 17)
    y = page.paragraph(x, y - 2, width, f"new ground for {facts.name}", 10.5, style="italic")
    y = page.paragraph(x, y - 6, width, choice.name, 12, weight="bold")
    for line in say_choice(choice, unit, years.get(choice.name)):
        y = page.paragraph(x, y - 1, width, line, 8.8, **_loud(line))
    y -= 8
    page.text(x, y - 8, "What cannot be used, and why", 10, style="italic")
    y -= 14
    acre, word = (43560.0, "ac") if unit.is_foot else (10000.0, "ha")
    looks = dict(legend)
    for row in land.pieces.itertuples():
        look = looks.get(row.reason, Look("#ffffff", "#6b6257"))
        page.fill(np.array([shapely.box(x, y - 9, x + 18, y)], dtype=object), look, 0.5)
        page.text(x + width, y - 8, f"{row.area / acre:.2f} {word}", 8.4, ha="right")
        for line in wrap(row.reason, width - 72, 8.4, SERIF):
            page.text(x + 24, y - 8, line, 8.4)
            y -= 10.5
        y -= 3.5
    page.text(x + width, y - 8, f"{land.parcel.area / acre:.2f} {word}", 8.4, ha="right", weight="bold")
    page.text(x + 24, y - 8, "the parcel", 8.4, weight="bold")
    y -= 20
    for number in np.unique(choice.phase):
        look = Look(_PHASE_FILLS[min(int(number) - 1, 4)], "#4a3f35")
        page.fill(np.array([shapely.box(x, y - 9, x + 18, y)], dtype=object), look, 0.5)
        spaces = int((choice.phase == number).sum()) * choice.module.spaces
        page.text(x + 24, y - 8, f"lots, phase {number}: {spaces:,} spaces", 8.4)
        y -= 13
    page.fill(np.array([shapely.box(x, y - 9, x + 18, y)], dtype=object), Look("#e4e0d8", "#9a917f"), 0.5)
    page.text(x + 24, y - 8, "drive", 8.4)
    y = _signs(page, x, y - 16, things, land, road is not None, unit, beside is not None)
    y -= 56
    _north_and_scale(page, x, y, frame.scale, frame.unit_per_pt, facts)
    y -= 46
    for note in land.notes:
        y = page.paragraph(x, y, width, note, 7.4)
    y = page.paragraph(x, y - 2, width, PRELIMINARY, 9.0, weight="bold", color="#7a1712")
    foot = f"{facts.crs.name}, {unit.name}; as of {facts.date}; {facts.evidence_hash[:12]}; cemgis {__version__}"
    page.paragraph(x, max(y - 4, low + 26), width, foot, 7.2, color="#4a3f35")
    return page.figure


_MARKS = {"tree": "^", "well": "o", "drinking water": "o", "spring": "o"}


def _signs(
    page: _Page, x: float, y: float, things: pd.DataFrame, land: Land, road: bool, unit: Unit, beside: bool = False
) -> float:
    """Explain the signs of the map that are no areas; return the y below them."""

    def mark(sign: str, color: str) -> None:
        page.axes.add_line(
            Line2D([x + 9], [y - 4], linestyle="none", marker=sign, markersize=6, color=color, markeredgecolor=DARK)
        )

    def area() -> None:
        page.fill(np.array([shapely.box(x, y - 9, x + 18, y)], dtype=object), _SOLID, 0.8)

    def line(color: str, width: float, style: Any = "-") -> None:
        page.lines(np.array([shapely.LineString([(x, y - 4), (x + 18, y - 4)])], dtype=object), color, width, 2, style)

    rows: list[tuple[str, Any]] = [("gate", lambda: mark("D", "#b3261e"))]
    rows.append(("boundary of the parcel", lambda: line(DARK, 1.6, (0, (8, 2, 1.5, 2)))))
    for kind in dict.fromkeys(str(kind) for kind in things["kind"]):
        shape = things["geometry"][(things["kind"] == kind).to_numpy()].iloc[0]
        if "Polygon" in shape.geom_type:
            rows.append((kind, area))
        elif "Line" in shape.geom_type:
            if kind != "road":
                rows.append((kind, lambda: line("#33658a", 1.6)))
        else:
            sign = _MARKS.get(kind, "s")
            rows.append((kind, lambda sign=sign: mark(sign, "white" if sign == "o" else "#4d5f3a")))
    if road or (things["kind"] == "road").any():
        rows.append(("road", lambda: line("#6b6257", 2.2)))
    if beside:
        rows.append(("lots of the ground as it is", lambda: line("#b9ad9a", 0.8)))
    if land.dem is not None:
        span = float(np.nanmax(land.dem.heights) - np.nanmin(land.dem.heights))
        step = drawing.round_step(span, 18)
        rows.append((f"contours, every {say_length(step, unit, 1)}", lambda: line("#a47c48", 0.6)))
    for words, draw in rows:
        draw()
        page.text(x + 24, y - 8, words, 8.4)
        y -= 12
    return y


_LOUD = "HEADS "


def _loud(line: str) -> dict[str, Any]:
    return {"weight": "bold", "color": "#b3261e"} if line.startswith(_LOUD) else {}


def _plural(word: str, count: int) -> str:
    return word if count == 1 else f"{word}s"


def say_choice(choice: Choice, unit: Unit, years: str | None = None) -> list[str]:
    """Say a choice in lines: spaces and their bracket, drives, walk, slope.

    Returns
    -------
    list of str
    """
    m = choice.measures
    acre, word = (43560.0, "acre") if unit.is_foot else (10000.0, "hectare")
    share = 100.0 * (choice.most - choice.spaces) / choice.most if choice.most else 0.0
    gap = "the optimum in this direction" if choice.is_optimum else f"{share:.1f} % below the bound"
    lines = (
        []
        if choice.keeps_heads
        else [f"{_LOUD}{choice.heads_word.upper()}, NOT {choice.heads_wanted.upper()} AS DECLARED"]
    )
    lines += [
        f"{choice.spaces:,} spaces in {len(choice.laid.lots):,} lots, {m['per_area']:.0f} an {word} of the parcel: "
        f"{m['land']:.0f} square {unit.suffix} of land for a space",
        f"no layout in this direction has more than {choice.most:,}: {gap}",
        f"best rows {choice.model:,}; {choice.taken:,} given up to join the drives"
        + (f"; {choice.unreached:,} not reached from a gate, and not counted" if choice.unreached else ""),
        f"drives {m['drive_area'] / acre:.2f} {word}s; from the drive to the middle of a lot "
        f"{say_length(m['walk'], unit, 0)} in the mean",
        f"heads {choice.heads_word}: at {choice.heads_azimuth:.1f}° from grid north; rows at {choice.azimuth:.1f}°",
    ]
    if math.isfinite(m["slope"]):
        lines.append(f"the lots lie on {m['slope']:.1f} % of slope in the mean")
    if choice.circles:
        lines.append(f"{choice.circles} drive {_plural('end', choice.circles)} with a turning circle")
    if choice.dead_ends:
        verb = "lies" if choice.dead_ends == 1 else "lie"
        lines.append(
            f"{choice.dead_ends} {_plural('drive end', choice.dead_ends)} {verb} farther from a crossing than the rule"
        )
    if choice.tight:
        verb = "is" if choice.tight == 1 else "are"
        lines.append(
            f"{choice.tight} {_plural('corner', choice.tight)} of drives {verb} tighter than the rule: "
            "the land leaves no room"
        )
    if years:
        lines.append(years)
    return lines


def _ticks(page: _Page, frame: Frame) -> None:
    """Grid ticks around the map, with their coordinates."""
    left, bottom, right, top = frame.map_pt
    (e0, n0), (e1, n1) = frame.to_grid([[left, bottom], [right, top]])
    step = drawing.round_step(max(e1 - e0, n1 - n0), 8)
    for e in drawing.grid_ticks(e0, e1, step):
        x = float(frame.to_page([[e, n0]])[0, 0])
        for y, sign in ((bottom, -1), (top, 1)):
            page.axes.add_line(Line2D([x, x], [y, y + 4 * sign], color=DARK, linewidth=0.5))
        page.text(x, bottom - 11, drawing.say_coordinate(float(e)), 6.5, ha="center", family=list(SANS))
    for n in drawing.grid_ticks(n0, n1, step):
        y = float(frame.to_page([[e0, n]])[0, 1])
        for x, sign in ((left, -1), (right, 1)):
            page.axes.add_line(Line2D([x, x + 4 * sign], [y, y], color=DARK, linewidth=0.5))
        page.text(
            left - 6,
            y,
            drawing.say_coordinate(float(n)),
            6.5,
            ha="center",
            va="bottom",
            rotation=90,
            family=list(SANS),
            rotation_mode="anchor",
        )


def _choices_sheet(
    name: str,
    land: Land,
    gates: Sequence[tuple[float, float]],
    choices: Sequence[Choice],
    facts: Facts,
    rules: Sequence[tuple[str, str, str]],
    years: Mapping[str, str],
    heads: str,
) -> Figure:
    unit = facts.unit
    width, height = (1224.0, 792.0) if unit.is_foot else (1190.6, 841.9)
    page = _Page(width, height)
    inset = 34.0
    page.text(inset, height - inset - 12, f"{printable(name)}: choices", 17)
    page.text(inset, height - inset - 27, f"new ground for {printable(facts.name)}", 10.5, style="italic")
    shown = list(choices[:6])
    columns = 3
    cell_w, cell_h = (width * 0.72 - inset) / columns, (height - 2 * inset - 44) / 2
    for number, choice in enumerate(shown):
        x = inset + (number % columns) * cell_w
        y = height - inset - 44 - (number // columns + 1) * cell_h
        room = (x, y + 78, x + cell_w - 14, y + cell_h - 6)
        left, low, right, high = land.parcel.bounds
        upp = max((right - left) / (room[2] - room[0]), (high - low) / (room[3] - room[1]))
        frame = Frame("", False, (width, height), room, room, 1.0, upp, ((left + right) / 2, (low + high) / 2))
        for row in land.pieces.itertuples():
            if row.reason != "usable":
                page.fill(frame.shapes([row.geometry]), Look(reason_look(row.reason).fill, "", ""), 0.0, 1.0)
        page.lines(frame.shapes([shapely.boundary(land.parcel)]), DARK, 0.9, 5.0)
        _layout_on(page, frame, choice, gates, 0.12)
        page.text(x, y + 66, f"{number + 1}  {printable(choice.name, 60)}", 9.6, weight="bold")
        at = y + 64
        for line in say_choice(choice, unit, years.get(choice.name))[: 4 if choice.keeps_heads else 5]:
            at = page.paragraph(x, at, cell_w - 18, line, 7.6, **_loud(line))
    x = width * 0.74
    room_w = width - x - inset
    y = height - inset - 44
    page.text(x, y, "Measures", 10.5, style="italic")
    rows = [["", "spaces", "bound", f"per {'ac' if unit.is_foot else 'ha'}", "walk", "drives %", "slope"]]
    for number, choice in enumerate(shown, 1):
        m = choice.measures
        slope = f"{m['slope']:.1f}" if math.isfinite(m["slope"]) else ""
        rows.append(
            [
                str(number),
                f"{choice.spaces:,}",
                f"{choice.most:,}",
                f"{m['per_area']:.0f}",
                say_length(m["walk"], unit, 0),
                f"{100 * m['drive_area'] / land.parcel.area:.0f}",
                slope,
            ]
        )
    y = page.table(x, y - 4, [18, *[(room_w - 18) / 6] * 6], rows, 8.0, right=range(1, 7))
    y = page.paragraph(x, y - 2, room_w, "The lightest lots are built first. Diamond: gate.", 7.8, style="italic")
    if heads:
        y = page.paragraph(x, y - 4, room_w, heads, 8.4)
    alike: dict[str, list[str]] = {}
    for number, choice in enumerate(shown, 1):
        if years.get(choice.name):
            alike.setdefault(years[choice.name], []).append(str(number))
    for said, numbers in alike.items():
        y = page.paragraph(x, y - 2, room_w, f"{', '.join(numbers)}: {said}", 7.8)
    page.text(x, y - 18, "Rules used", 10.5, style="italic")
    y = page.table(x, y - 22, [112, 48, room_w - 160], [["rule", "value", "source"], *rules], 6.8)
    page.paragraph(x, y - 4, room_w, PRELIMINARY, 8.6, weight="bold", color="#7a1712")
    foot = f"{facts.crs.name}; as of {facts.date}; from evidence {facts.evidence_hash[:12]}; cemgis {__version__}"
    page.text(inset, inset - 14, foot, 7, color="#4a3f35")
    return page.figure
