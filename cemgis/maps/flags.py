"""Findings on the map: numbered flags at their places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from cemgis import drawing
from cemgis.drawing import SANS, printable, text_width
from cemgis.maps.numbers import Labels
from cemgis.maps.surface import PAPER_WHITE, Sheet, draw_marks, shapes_of, words_of
from cemgis.schema import Symbol

__all__ = ["Flag", "draw_flags", "flag_findings"]


@dataclass(frozen=True, slots=True)
class Flag:
    """One finding as the map tells it: its number, kind, subject and reason."""

    number: int
    severity: str
    kind: str
    subject: str
    reason: str
    placed: bool


def flag_findings(tables: Mapping[str, pd.DataFrame]) -> tuple[list[Flag], pd.DataFrame | None]:
    """Take the findings of severity danger and warning, numbered as the findings layer lists them."""
    table = tables.get("findings")
    if table is None or not len(table):
        return [], None
    grave = table["severity"].isin(["danger", "warning"]).fillna(value=False).to_numpy(dtype=bool)
    number = table["number"].to_numpy() if "number" in table else np.arange(len(table)) + 1
    mine = table[grave].assign(number=number[grave])
    shapes = shapes_of(mine)
    here = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    columns = [words_of(mine, name) for name in ("severity", "kind", "subject")]
    reasons = [printable(value, 200) for value in mine["reason"]]
    rows = zip(mine["number"], *columns, reasons, here, strict=True)
    return [Flag(int(n), s, k, j, r, bool(p)) for n, s, k, j, r, p in rows], mine[here]


def draw_flags(sheet: Sheet, placed: pd.DataFrame | None, labels: Labels) -> None:
    """Flag findings: a mark at the place, a numbered tag beside it, a line between them."""
    if placed is None or not len(placed):
        return
    size = max(sheet.base * 0.92, 6.5)
    xy = sheet.frame.to_page(shapely.get_coordinates(shapes_of(placed)))
    words = [str(number) for number in placed["number"]]
    wide = [max(text_width(word, size, SANS, "bold") + 4.5, size * 1.35) for word in words]
    sizes = np.column_stack([wide, np.full(len(words), size * 1.35)])
    boxes = np.array(labels.boxes, dtype=object)
    tags = drawing.place_tags(xy, sizes, sheet.frame.map_pt, boxes, near_pt=size * 1.3)
    for number, (word, severity) in enumerate(zip(words, placed["severity"], strict=True)):
        symbol = sheet.note("findings", str(severity), "mark")
        (x, y), (width, height) = tags[number], sizes[number]
        sheet.add(Line2D([xy[number, 0], x], [xy[number, 1], y], color=symbol.line, linewidth=0.8, zorder=10.0))
        draw_marks(
            sheet, xy[[number]], Symbol("", symbol.fill, symbol.line, "", symbol.mark, symbol.size_pt * 0.72), 10.2
        )
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
