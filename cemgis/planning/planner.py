"""The planner's sheets: the land and what it is lost to, choices side by side, the chosen one large."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from cemgis import __version__, drawing
from cemgis.drawing import SANS, SERIF, Facts, Frame, printable, wrap
from cemgis.expansion import PRELIMINARY, Choice, lots_table
from cemgis.land import Land
from cemgis.planning.paper import (
    DARK,
    SOLID,
    Look,
    Page,
    north_and_scale,
    reason_look,
)
from cemgis.terrain import contours, hillshade
from cemgis.units import Unit, say_length

__all__ = ["planner_pages", "say_choice"]


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


def _on_map(page: Page, frame: Frame, land: Land, things: pd.DataFrame, road: Any) -> list[tuple[str, Look]]:
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
            page.fill(drawn, SOLID, 0.8, 2.2)
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


def _layout_on(page: Page, frame: Frame, choice: Choice, gates: Sequence[tuple[float, float]], width: float) -> None:
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
    page = Page(*frame.size_pt)
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
    north_and_scale(page, x, y, frame.scale, frame.unit_per_pt, facts)
    y -= 46
    for note in land.notes:
        y = page.paragraph(x, y, width, note, 7.4)
    y = page.paragraph(x, y - 2, width, PRELIMINARY, 9.0, weight="bold", color="#7a1712")
    foot = f"{facts.crs.name}, {unit.name}; as of {facts.date}; {facts.evidence_hash[:12]}; cemgis {__version__}"
    page.paragraph(x, max(y - 4, low + 26), width, foot, 7.2, color="#4a3f35")
    return page.figure


_MARKS = {"tree": "^", "well": "o", "drinking water": "o", "spring": "o"}


def _signs(
    page: Page, x: float, y: float, things: pd.DataFrame, land: Land, road: bool, unit: Unit, beside: bool = False
) -> float:
    """Explain the signs of the map that are no areas; return the y below them."""

    def mark(sign: str, color: str) -> None:
        page.axes.add_line(
            Line2D([x + 9], [y - 4], linestyle="none", marker=sign, markersize=6, color=color, markeredgecolor=DARK)
        )

    def area() -> None:
        page.fill(np.array([shapely.box(x, y - 9, x + 18, y)], dtype=object), SOLID, 0.8)

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


def _ticks(page: Page, frame: Frame) -> None:
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
    page = Page(width, height)
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
