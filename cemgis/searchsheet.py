"""The search sheet: where to look for unfound markers, on a map and in a list to tape and tick, a section a time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle

from cemgis.drawing import (
    SANS,
    SERIF,
    Facts,
    north_words,
    printable,
    round_scales,
    round_step,
    say_scale,
    text_width,
    true_north_on_page,
    unit_per_point,
    wrap,
)
from cemgis.ties import say_taped

__all__ = ["search_sheets"]

Floats = npt.NDArray[np.float64]

_PAGE = (612.0, 792.0)  # letter, in points
_EDGE = 34.0
_MAP = (36.0, 352.0, 576.0, 696.0)
_DARK, _RED, _PALE = "#222222", "#b3261e", "#9a9185"
_ROW = 11.2
_SIZE = 7.4
_COLUMNS = (("", 36.0), ("marker", 58.0), ("look within", 112.0), ("tape", 160.0), ("check", 420.0), ("found", 548.0))
_CAUTION = (
    "Probe gently; stop at anything hard. Do not move, straighten or reset a marker: read it where it is. "
    "Boundaries and monuments are a licensed surveyor's."
)


def search_sheets(
    table: pd.DataFrame, tables: Mapping[str, pd.DataFrame], facts: Facts, *, said: Sequence[str], reads: str
) -> Iterator[Figure]:
    """Draw the search plan: for each section a map and its list, as many pages as it takes.

    Parameters
    ----------
    table : GeoDataFrame
        Layer ``searches``, in walking order.
    tables : mapping of str to DataFrame
        Layers; ``lots`` and ``markers`` are drawn.
    facts : Facts
    said : sequence of str
        What finding the best few would do; a sentence that names ``section X`` is put on its sheet.
    reads : str
        How the crew's tape is divided, see `cemgis.ties.say_taped`.

    Yields
    ------
    Figure
    """
    for section, rows in table.groupby("section", sort=False):
        told = [words for words in said if f"section {section} " in words]
        figure, axes = _page(facts, str(section), rows)
        room = _map(axes, rows, tables, facts, str(section))
        y = _sentences(axes, told, rows, room)
        left = _list(axes, rows, facts, reads, y)
        yield figure
        while len(left):
            figure, axes = _page(facts, str(section), rows)
            left = _list(axes, left, facts, reads, _MAP[3])
            yield figure


def _text(axes: Any, x: float, y: float, words: str, size: float, **more: Any) -> None:
    given: dict[str, Any] = {"family": list(SERIF), "color": _DARK, "parse_math": False, "zorder": 9.0} | more
    axes.text(x, y, words, fontsize=size, **given)


def _page(facts: Facts, section: str, rows: pd.DataFrame) -> tuple[Figure, Any]:
    figure = Figure(figsize=(_PAGE[0] / 72.0, _PAGE[1] / 72.0), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, _PAGE[0])
    axes.set_ylim(0, _PAGE[1])
    axes.set_axis_off()
    _text(axes, _EDGE, 742.0, f"Markers to look for: section {printable(section, 30)}", 17.0, fontweight="bold")
    count = f"{len(rows)} markers nobody has found yet, in walking order"
    _text(axes, _EDGE, 726.0, f"{printable(facts.name, 80)} · {count}", 9.5)
    axes.add_line(Line2D([_EDGE, _PAGE[0] - _EDGE], [718.0, 718.0], color=_DARK, linewidth=1.2))
    protected = rows["settle_first"].dropna()
    if len(protected):
        words = wrap(f"SETTLE FIRST, before any probe or spade: {protected.iloc[0]}", 530.0, 9.0, SERIF)
        for number, line in enumerate(words[:2]):
            _text(axes, _EDGE, 708.0 - 10.0 * number, line, 9.0, color=_RED, fontweight="bold")
    notes = [_CAUTION, f"{facts.accuracy} Distances are level, on the ground.",
             f"Coordinates: {printable(facts.crs.name, 90)}. {'; '.join(north_words(facts.convergence_deg))}. "
             f"Made {facts.date} from evidence {printable(facts.evidence_hash, 24)}."]  # fmt: skip
    lines = [line for note in notes for line in wrap(printable(note, 400), 540.0, 6.6, SERIF)]
    for number, line in enumerate(lines):
        _text(axes, _EDGE, 22.0 + 7.6 * (len(lines) - 1 - number), line, 6.6)
    axes.add_line(Line2D([_EDGE, _PAGE[0] - _EDGE], [_foot(lines), _foot(lines)], color=_DARK, linewidth=0.5))
    return figure, axes


def _foot(lines: Sequence[str]) -> float:
    return 24.0 + 7.6 * len(lines)


def _map(axes: Any, rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame], facts: Facts, section: str) -> float:
    """Draw the map of one section; return the height below which the page is free."""
    left, bottom, right, top = _MAP
    lots = tables["lots"]
    lots = lots[lots["section"] == section]
    places = shapely.get_coordinates(rows.geometry.to_numpy())
    bounds = shapely.total_bounds(lots.geometry.to_numpy()) if len(lots) else np.array([*places.min(0), *places.max(0)])
    low, high = np.minimum(bounds[:2], places.min(axis=0)), np.maximum(bounds[2:], places.max(axis=0))
    room = np.array([right - left - 70.0, top - bottom - 24.0])
    scales = [one for one in round_scales(facts.unit) if ((high - low) <= room * unit_per_point(one, facts.unit)).all()]
    scale = scales[0] if scales else round_scales(facts.unit)[-1]
    per = unit_per_point(scale, facts.unit)
    middle = (low + high) / 2.0
    used = (high - low)[1] / per + 24.0
    bottom = top - max(used, 130.0)
    centre = np.array([(left + right - 60.0) / 2.0, (top + bottom) / 2.0])

    def on(xy: Floats) -> Floats:
        return np.asarray((xy - middle) / per + centre)

    frame = Rectangle(
        (left, bottom), right - left, top - bottom, fill=False, edgecolor=_DARK, linewidth=0.8, zorder=8.0
    )
    axes.add_patch(frame)
    rings = [on(shapely.get_coordinates(shape)) for shape in lots.geometry]
    axes.add_collection(LineCollection(rings, colors=_PALE, linewidths=0.35, zorder=1.0), autolim=False)
    walk = on(places)
    axes.add_line(Line2D(walk[:, 0], walk[:, 1], color="#1b4965", linewidth=0.5, linestyle=(0, (4, 2)), zorder=2.0))
    markers = tables["markers"]
    named = set(rows[["tie_1_from", "tie_2_from", "check_from"]].astype(object).to_numpy().ravel())
    near = markers["section"].eq(section).fillna(value=False) | markers["marker_id"].isin(named)
    _found(axes, markers[near.to_numpy(dtype=bool)], on, frame)
    teaches = rows["teaches"].notna().to_numpy(dtype=bool)
    for at, number, best in zip(walk, rows["walk"], teaches, strict=True):
        axes.add_patch(Circle(at, 4.6 if best else 3.4, facecolor="white", edgecolor="#1b4965",
                              linewidth=1.5 if best else 0.6, zorder=4.0))  # fmt: skip
        if best:
            axes.add_patch(Circle(at, 6.6, fill=False, edgecolor="#1b4965", linewidth=0.6, zorder=4.0))
        _text(axes, at[0], at[1], f"{number}", 3.6 if number > 99 else 4.4, ha="center", va="center", family=list(SANS))
    _north(axes, right - 34.0, top - 62.0, facts)
    _bar(axes, right - 88.0, bottom + 26.0, per, scale, facts)
    key = "ring: look here, numbered as you walk · double ring: teaches most · square: found marker, with its label"
    _text(axes, left, bottom - 9.0, key, 6.8, fontstyle="italic")
    return float(bottom - 22.0)


def _found(axes: Any, markers: pd.DataFrame, on: Any, frame: Any) -> None:
    holds = markers["holds"].fillna(value=False).to_numpy(dtype=bool) & (~markers.geometry.isna()).to_numpy()
    some = markers[holds]
    if not len(some):
        return
    left, bottom = frame.get_xy()
    inner = (left + 4.0, bottom + 4.0, left + frame.get_width() - 4.0, bottom + frame.get_height() - 4.0)
    for at, name in zip(on(shapely.get_coordinates(some.geometry.to_numpy())), some["marker_id"], strict=True):
        if inner[0] < at[0] < inner[2] and inner[1] < at[1] < inner[3]:
            axes.add_patch(Rectangle(at - 1.7, 3.4, 3.4, facecolor=_DARK, edgecolor="none", zorder=3.0))
            words = printable(name, 14)
            far = at[0] + 3.0 + text_width(words, 4.6) > inner[2]
            _text(axes, at[0] + (-3.0 if far else 3.0), at[1] + 2.2, words, 4.6, family=list(SANS),
                  ha="right" if far else "left", color="#444444")  # fmt: skip


def _north(axes: Any, x: float, y: float, facts: Facts) -> None:
    lean = math.radians(true_north_on_page(facts.convergence_deg))
    toward = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([toward[1], -toward[0]])
    foot = np.array([x, y])
    tip = foot + toward * 40.0
    head = [tip, foot + toward * 26.0 + across * 5.0, foot + toward * 30.0, foot + toward * 26.0 - across * 5.0]
    axes.add_patch(Polygon(head, closed=True, facecolor=_DARK, edgecolor=_DARK, zorder=9.0))
    axes.add_line(Line2D([foot[0], tip[0]], [foot[1], tip[1]], color=_DARK, linewidth=0.8, zorder=9.0))
    _text(axes, tip[0], tip[1] + 3.0, "N", 9.0, ha="center", fontweight="bold")
    _text(axes, x, y - 8.0, "true", 6.6, ha="center", fontstyle="italic")


def _bar(axes: Any, x: float, y: float, per: float, scale: float, facts: Facts) -> None:
    step = round_step(56.0 * per, 1)
    if step / per > 56.0:
        step /= 2.0
    width = step / per
    for at, face in ((x, _DARK), (x + width / 2.0, "white")):
        half = Rectangle((at, y), width / 2.0, 3.0, facecolor=face, edgecolor=_DARK, linewidth=0.5, zorder=9.0)
        axes.add_patch(half)
    _text(axes, x, y + 5.0, "0", 6.0, ha="center")
    _text(axes, x + width, y + 5.0, f"{step:g} {facts.unit.suffix}", 6.0, ha="center")
    _text(axes, x, y - 8.0, say_scale(scale, facts.unit), 6.0)


def _sentences(axes: Any, said: Sequence[str], rows: pd.DataFrame, y: float) -> float:
    for words in said:
        for line in wrap(printable(words, 400), 540.0, 9.0, SERIF, "bold"):
            _text(axes, _EDGE, y, line, 9.0, fontweight="bold")
            y -= 11.0
    return y - 2.0 if len(rows) else y


def _list(axes: Any, rows: pd.DataFrame, facts: Facts, reads: str, y: float) -> pd.DataFrame:
    """Set as many rows as there is room for; return the others."""
    unit = facts.unit
    for name, x in _COLUMNS:
        _text(axes, x, y, name, 7.0, fontstyle="italic")
    y -= 3.0
    axes.add_line(Line2D([_EDGE, _PAGE[0] - _EDGE], [y, y], color=_DARK, linewidth=0.5))
    floor = 72.0
    count = max(int((y - floor) / _ROW), 1)
    for row in rows.head(count).itertuples():
        y -= _ROW
        taught = pd.notna(row.teaches)
        weight = "bold" if taught else "normal"
        _text(axes, 52.0, y + 2.6, f"{row.walk}", _SIZE, ha="right", fontweight=weight, family=list(SANS))
        _text(axes, 58.0, y + 2.6, printable(row.label, 14) + (f"  ({row.teaches})" if taught else ""), _SIZE,
              fontweight=weight, family=list(SANS))  # fmt: skip
        radius = row.radius_95 if pd.isna(row.radius_taped) else row.radius_taped
        _text(axes, 112.0, y + 2.6, say_taped(float(radius), unit, reads), _SIZE, family=list(SANS))
        if pd.isna(row.tie_1):
            _text(
                axes,
                160.0,
                y + 2.6,
                "no two found markers within a tape: stake its coordinates",
                _SIZE,
                fontstyle="italic",
            )
        else:
            first, second = (say_taped(float(value), unit, reads) for value in (row.tie_1, row.tie_2))
            star = "" if pd.isna(row.note) else "*"
            words = f"{first} from {row.tie_1_from}, {second} from {row.tie_2_from}{star}, {row.side} of the line"
            _text(axes, 160.0, y + 2.6, words, _SIZE - 0.4, family=list(SANS))
            if pd.notna(row.check):
                words = f"{say_taped(float(row.check), unit, reads)} from {row.check_from}"
                _text(axes, 420.0, y + 2.6, words, _SIZE - 0.4, family=list(SANS))
        axes.add_patch(Rectangle((554.0, y + 1.6), 7.0, 7.0, fill=False, edgecolor=_DARK, linewidth=0.6))
        axes.add_line(Line2D([_EDGE, _PAGE[0] - _EDGE], [y, y], color="#d0cac0", linewidth=0.3))
    if rows.head(count)["note"].notna().any():
        _text(
            axes,
            _EDGE,
            y - 9.0,
            "* from markers that are not trusted yet: occupy them once more",
            6.6,
            fontstyle="italic",
        )
    return rows.iloc[count:]
