"""The panel beside the map: title, legend, tables, findings, notes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.patches import PathPatch, Polygon

from cemgis import drawing
from cemgis.drawing import SANS, SERIF, Facts, printable, text_width, wrap
from cemgis.layers import LAYERS
from cemgis.maps.border import draw_norths, draw_scale_bar
from cemgis.maps.flags import Flag
from cemgis.maps.land import heads_of_sections
from cemgis.maps.numbers import Labels
from cemgis.maps.parts import Part
from cemgis.maps.surface import (
    BROWN,
    CAUTION,
    DARK,
    LEGEND_ORDER,
    PAPER_WHITE,
    RED,
    STAFF,
    Sheet,
    draw_arrow,
    draw_marks,
    fill_areas,
    path_of,
    placed_rows,
    rule_areas,
    shapes_of,
    words_of,
)
from cemgis.schema import Symbol
from cemgis.units import say_length

__all__ = ["draw_panel", "draw_section_panel"]

Shapes = npt.NDArray[np.object_]


@dataclass
class _Column:
    left: float
    right: float
    y: float
    floor: float

    @property
    def width(self) -> float:
        return self.right - self.left


def _columns(sheet: Sheet) -> list[_Column]:
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


def _heading(sheet: Sheet, column: _Column, words: str) -> None:
    size = sheet.base * 0.98
    column.y -= size * 1.55
    sheet.text(column.left, column.y, words.upper(), size * 0.9, fontweight="bold", color=BROWN)
    width = text_width(words.upper(), size * 0.9, SERIF, "bold")
    sheet.line([(column.left + width + 5, column.y + size * 0.28), (column.right, column.y + size * 0.28)], 0.4, BROWN)
    column.y -= size * 0.35


def _paragraph(sheet: Sheet, column: _Column, text: str, size: float, *, weight: str = "normal", style: str = "normal",
               color: str = DARK, leading: float = 1.16, centred: bool = False) -> None:  # fmt: skip
    for line in wrap(text, column.width, size, SERIF, weight, style):
        column.y -= size * leading
        x = (column.left + column.right) / 2 if centred else column.left
        sheet.text(
            x, column.y, line, size, fontweight=weight, fontstyle=style, color=color, ha="center" if centred else "left"
        )  # fmt: skip


def _title(sheet: Sheet, column: _Column, said: tuple[str, str, str]) -> None:
    """Set the staff's band, and large, middle and small words of the title."""
    name, place, subtitle = said
    size = sheet.base
    column.y -= 3.0
    left, right = column.left - 3, column.right + 3
    head = column.y
    height = size * 1.75
    sheet.box(left, head - height, right, head, 0.0, facecolor=RED, edgecolor="none", zorder=19.0)
    sheet.text((left + right) / 2, head - height * 0.68, STAFF, size * 1.0, ha="center", fontweight="bold",
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


def _orientation(sheet: Sheet, column: _Column, facts: Facts) -> None:
    """Scale, scale bar and norths."""
    size = sheet.base
    column.y -= size * 0.5
    height = size * 7.6
    base = column.y - height
    taken = draw_norths(sheet, column.left, base + size * 1.3, height - size * 1.4, facts)
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
    draw_scale_bar(sheet, column.left, column.y, column.width, facts)
    column.y -= size * 0.4


def _swatch(sheet: Sheet, x: float, y: float, width: float, height: float, symbol: Symbol, shape: str) -> None:
    """Draw one symbol of the legend in a box whose lower left corner is (x, y)."""
    middle = np.array([[x + width / 2, y + height / 2]])
    if shape == "area":
        area = np.array([shapely.box(x, y, x + width, y + height)], dtype=object)
        _fill_free(sheet, area, symbol)
    elif shape == "inner":  # an outline within a space: alone it would look like a vacant one
        sheet.box(x, y, x + width, y + height, 0.2, edgecolor=BROWN)
        sheet.box(x + 3.5, y + 1.4, x + width - 3.5, y + height - 1.4, 0.7, edgecolor=symbol.line, zorder=20.0)
    elif shape == "line":
        weight = {"section": 1.15, "lot": 0.55}.get(symbol.word, 1.1)
        sheet.line([(x, y + height / 2), (x + width, y + height / 2)], weight, symbol.line)
    elif shape == "mark":
        draw_marks(sheet, middle, symbol, 20.0, clipped=False)
    elif shape == "tick":
        sheet.box(x, y, x + width, y + height, 0.3, edgecolor=BROWN)
        sheet.line([(x + 2.0, y + height * 0.24), (x + 2.0, y + height * 0.76)], 0.8)
    elif shape == "search":
        turn = np.radians(np.arange(0.0, 361.0, 10.0))
        ring = middle + np.column_stack([np.cos(turn), np.sin(turn)]) * height * 0.55
        sheet.line(ring, 0.6, symbol.line, linestyle=(0, (3, 2)))
    elif shape == "heads":
        draw_arrow(sheet, x + width / 2 - 1, y + height / 2, width * 0.42, 270.0, symbol.line, 20.0)


def _fill_free(sheet: Sheet, areas: Shapes, symbol: Symbol) -> None:
    """Fill and rule areas of the panel, which the map's clip would cut away."""
    kept, sheet.clip = sheet.clip, None
    try:
        fill_areas(sheet, areas, symbol, 19.0, 0.4)
        rule_areas(sheet, areas, symbol, 19.2, 2.3)
    finally:
        sheet.clip = kept


def _legend_rows(sheet: Sheet) -> list[tuple[Symbol, str]]:
    """Symbols drawn, in the order of their declarations."""
    ranks = {name: rank for rank, name in enumerate(LEGEND_ORDER)}
    keys = sorted(
        sheet.legend,
        key=lambda key: (ranks.get(key[0], 99), list(LAYERS[key[0]].symbols).index(key[1]) if key[0] else 0, key[1]),
    )
    return [sheet.legend[key] for key in keys]


def _legend(sheet: Sheet, columns: list[_Column], kept: float = 0.0) -> None:
    """List what is drawn; in two columns where one would not leave the room `kept` for the findings."""
    size = sheet.base * 0.93
    step = size * 1.36
    rows = _legend_rows(sheet)
    if sum(column.y - column.floor for column in columns) - step * (len(rows) + 2 * len(columns)) < kept:
        _legend_abreast(sheet, _with_room(columns, step * (len(rows) / 2 + 4)), rows)
        return
    column = _with_room(columns, step * min(len(rows) + 2, 6))
    for rank, (symbol, shape) in enumerate(rows):
        lines = wrap(symbol.word, column.width - 24, size)
        if column.y - step * (1 + 0.75 * (len(lines) - 1)) < column.floor and len(columns) > 1:
            columns.pop(0)
            column = columns[0]
        if rank == 0:
            _heading(sheet, column, "What is drawn")
        _legend_row(sheet, column, symbol, shape, lines)


def _legend_row(sheet: Sheet, column: _Column, symbol: Symbol, shape: str, lines: Sequence[str]) -> None:
    size = sheet.base * 0.93
    column.y -= size * 1.36
    _swatch(sheet, column.left, column.y - size * 0.18, 17.0, size * 0.98, symbol, shape)
    for number, line in enumerate(lines):
        if number:
            column.y -= size * 1.08
        sheet.text(column.left + 23, column.y, line, size)


def _legend_abreast(sheet: Sheet, column: _Column, rows: Sequence[tuple[Symbol, str]]) -> None:
    """Set the legend in two columns of about one height."""
    size = sheet.base * 0.93
    _heading(sheet, column, "What is drawn")
    half = (column.width - 8.0) / 2
    told = [wrap(symbol.word, half - 24, size) for symbol, _ in rows]
    heights = np.cumsum([size * (1.36 + 1.08 * (len(lines) - 1)) for lines in told])
    first = int(np.searchsorted(heights, heights[-1] / 2)) + 1 if len(rows) else 0
    ends = []
    for start, stop, left in ((0, first, column.left), (first, len(rows), column.left + half + 8.0)):
        own = _Column(left, left + half, column.y, column.floor)
        for (symbol, shape), lines in zip(rows[start:stop], told[start:stop], strict=True):
            _legend_row(sheet, own, symbol, shape, lines)
        ends.append(own.y)
    column.y = min(ends)


def _section_table(
    sheet: Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], flags: Sequence[Flag],
    pages: Mapping[str, str],
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
    heads = 2.7 + (niches is not None and len(niches) > 0)
    room = int((column.y - column.floor - kept) / step - heads)
    room -= room < len(sections)  # a line for how many more there are
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
        words_of(shown, "section"), words_of(shown, "title"), counts.to_numpy().tolist(), strict=True
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
        more = len(sections) - len(shown)
        words = f"and {more} more section{'s' if more > 1 else ''}"
        sheet.text(column.left, column.y, words, size, fontstyle="italic")
    if niches is not None and len(niches):
        column.y -= step
        sheet.text(
            column.left, column.y, f"{len(niches):,} niches have no place on the ground", size * 0.9, fontstyle="italic"
        )


def _first_lines(text: str, width: float, size: float, most: int) -> list[str]:
    """Lines of a text, at most so many; what is cut off is marked."""
    lines = wrap(text, width, size)
    if len(lines) <= most:
        return lines
    last = lines[most - 1]
    while last and text_width(last + " …", size, SERIF) > width:
        last = last[:-1]
    return [*lines[: most - 1], last.rstrip(" ,;:") + " …"]


def _told(sheet: Sheet, flags: Sequence[Flag], width: float) -> tuple[list[list[str]], list[list[str]]]:
    """Each finding in brief and in full, as lines of a width."""
    size = sheet.base * 0.93
    room = width - size * 2.6
    brief = [_first_lines(f"{flag.kind}: {flag.subject}", room, size, 2) for flag in flags]
    full = [lines + _first_lines(flag.reason, room, size, 3) for flag, lines in zip(flags, brief, strict=True)]
    return brief, full


def _findings_height(sheet: Sheet, flags: Sequence[Flag], width: float, *, brief: bool = False) -> float:
    """Return the height the findings take when all are named, or told in full."""
    size = sheet.base * 0.93
    heads = (1 + any(_off_map(flag) for flag in flags)) * size * 2.2 if flags else 0.0
    return heads + size * 1.22 * sum(len(lines) for lines in _told(sheet, flags, width)[0 if brief else 1])


def _off_map(flag: Flag) -> bool:
    """Whether a finding is of a file or a list; a danger that has no place is everywhere's and stays with the first."""
    return not flag.placed and flag.severity != "danger"


def _finding_list(sheet: Sheet, columns: list[_Column], flags: Sequence[Flag]) -> int:
    """List the numbered findings, worst first, those without a place after the others; return how many had no room."""
    if not flags:
        return 0
    size = sheet.base * 0.93
    step = size * 1.22
    flags = sorted(flags, key=_off_map)
    short, full = _told(sheet, flags, columns[0].width)
    heads = len({_off_map(flag) for flag in flags}) * size * 2.0
    room = sum(column.y - column.floor for column in columns) - heads - step * 3 * (len(columns) - 1)
    told, spare = [], room - step * sum(len(lines) for lines in short)
    for brief, whole in zip(short, full, strict=True):  # the worst are told in full as far as all can be named
        more = step * (len(whole) - len(brief))
        told.append(whole if more <= spare else brief)
        spare -= more if more <= spare else 0.0
    said: list[str] = []
    shown = 0
    for flag, head, lines in zip(flags, short, told, strict=True):
        title = "Findings without a place on the map" if _off_map(flag) else "Findings, worst first"
        need = step * len(lines) + (0.0 if title in said else size * 2.0)
        last = shown == len(flags) - 1
        if columns[0].y - need - (0.0 if last else step) < columns[0].floor:
            if len(columns) == 1:
                break
            columns.pop(0)
        column = columns[0]
        if title not in said:
            _heading(sheet, column, title)
            said.append(title)
        symbol = LAYERS["findings"].symbols[flag.severity]
        column.y -= step
        mark = replace(symbol, size_pt=symbol.size_pt * 0.62)
        draw_marks(sheet, np.array([[column.left + 3.5, column.y + size * 0.3]]), mark, 20.0, clipped=False)
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
        if not said:
            _heading(sheet, column, "Findings, worst first")
        column.y -= step
        grave = sum(flag.severity == "danger" for flag in flags[shown:])
        words = f"and {left_over} more" + (f", {grave} of them DANGER" if grave else "") + ": see the findings layer"
        sheet.text(column.left, column.y, words, size, fontstyle="italic", color=RED if grave else DARK)
    return left_over


def _notes_lines(
    sheet: Sheet, width: float, facts: Facts, remarks: Sequence[str], pages: tuple[int, int]
) -> list[tuple[str, str]]:
    size = sheet.base * 0.86
    crs = f"{printable(facts.crs.name, 90)}, {facts.unit.name}"
    told = [
        (facts.accuracy, "normal"),
        *((remark, "normal") for remark in remarks),
        (CAUTION, "italic"),
        (f"Coordinates: {crs}.", "normal"),
        (
            f"Made {facts.date} from evidence {printable(facts.evidence_hash, 24)}. Page {pages[0]} of {pages[1]}.",
            "normal",
        ),
    ]
    return [
        (line, style) for text, style in told for line in wrap(printable(text, 400), width, size, SERIF, style=style)
    ]


def _panel_start(sheet: Sheet, facts: Facts, labels: Labels, pages: tuple[int, int]) -> list[_Column]:
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


def draw_panel(
    sheet: Sheet,
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    labels: Labels,
    flags: Sequence[Flag],
    pages: tuple[int, int],
    sheets: Mapping[str, str],
) -> int:
    """Fill the panel of the whole ground; return how many findings had no room on it."""
    columns = _panel_start(sheet, facts, labels, pages)
    _title(sheet, columns[0], (printable(facts.name, 90) or "Burial ground", printable(facts.place, 90),
                               "Plan of the whole ground"))  # fmt: skip
    _orientation(sheet, columns[0], facts)
    rows = 0 if tables.get("sections") is None else len(tables["sections"])
    step = sheet.base * 1.2
    kept = _findings_height(sheet, flags, columns[0].width) + step * (min(rows, 12) + 4)
    legend = step * (len(sheet.legend) + 2)
    under = columns[0].y - columns[0].floor
    if len(columns) > 1 and step * (rows + 4) < under < legend:  # the legend whole in the next, the table beneath
        _section_table(sheet, columns, tables, flags, sheets)
        _legend(sheet, columns, kept)
    else:
        _legend(sheet, columns, kept)
        _section_table(sheet, columns, tables, flags, sheets)
    return _finding_list(sheet, columns, flags)


def draw_section_panel(
    sheet: Sheet,
    every: Mapping[str, pd.DataFrame],
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    labels: Labels,
    flags: Sequence[Flag],
    name: str,
    pages: tuple[int, int],
    part: Part,
) -> int:
    """Fill the panel of one section; return how many findings had no room on it."""
    columns = _panel_start(sheet, facts, labels, pages)
    row = tables["sections"].iloc[0]
    title = printable(row["title"], 60)
    if part.count > 1:
        title = f"{title} · part {part.number} of {part.count}" if title else f"part {part.number} of {part.count}"
    _title(sheet, columns[0], (f"Section {name}" if len(name) < 3 else name, title,
                               f"{printable(facts.name, 90)} · sheet of the section"))  # fmt: skip
    _heads_block(sheet, columns[0], tables, name, facts.convergence_deg + sheet.frame.top_deg)
    if not pd.isna(row["protected"]):
        _warning(sheet, columns[0], "Protected", printable(row["protected"], 200))
    _orientation(sheet, columns[0], facts)
    # No finding is pushed off: the key of the parts takes the place of the ground's, a full panel has neither.
    least = sheet.base * (9.0 + 14.0 + 1.3 * (len(sheet.legend) / 2 + 4))
    least += _findings_height(sheet, flags, columns[0].width, brief=True)
    if part.count < 2 and columns[0].y - least > columns[0].floor:
        _locator(sheet, columns, every, name)
    _parts_key(sheet, columns, tables, part)
    _section_facts(sheet, columns, tables, row, facts)
    _legend(sheet, columns, _findings_height(sheet, flags, columns[0].width))
    return _finding_list(sheet, columns, flags)


def _warning(sheet: Sheet, column: _Column, head: str, words: str) -> None:
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
    sheet: Sheet, column: _Column, tables: Mapping[str, pd.DataFrame], name: str, turn_deg: float
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
    word, direction = heads_of_sections(tables, turn_deg).get(name, ("heads unknown", math.nan))
    column.y -= size * 2.1
    if not math.isfinite(direction):
        _warning(sheet, column, "Heads unknown", "No rule and no stone says which way the heads lie here.")
        return
    wide = text_width(word, size * 1.45, SERIF, "bold")
    middle = (column.left + column.right) / 2
    at = middle - wide / 2 + size * 1.2
    draw_arrow(sheet, at - size * 1.9, column.y + size * 0.45, size * 1.2, direction, DARK, 20.0)
    sheet.text(at, column.y, word, size * 1.45, fontweight="bold")
    column.y -= size * 0.5


def _locator(sheet: Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], name: str) -> None:
    """Draw the whole ground small, turned as the sheet is, with this section dark."""
    sections = placed_rows(tables, "sections")
    if sections is None or len(sections) < 2:
        return
    size = sheet.base
    column = _with_room(columns, size * 9.0)
    shapes = sheet.frame.shapes(shapes_of(sections))
    low, high = np.array(shapely.total_bounds(shapes)).reshape(2, 2)
    room = np.array([column.width, size * 7.0])
    factor = float(np.min(room / np.maximum(high - low, 1e-6)))
    corner = np.array([column.left, column.y - size * 1.0 - (high - low)[1] * factor])
    corner[0] += (column.width - (high - low)[0] * factor) / 2
    for word, shape in zip(words_of(sections, "section"), shapes, strict=True):
        small = shapely.transform(shape, lambda xy: (xy - low) * factor + corner)
        face = DARK if word == name else PAPER_WHITE
        sheet.add(PathPatch(path_of(small), facecolor=face, edgecolor=BROWN, linewidth=0.5, zorder=20.0), clipped=False)
        if word != name:
            at = shapely.point_on_surface(small)
            sheet.text(at.x, at.y, word[:3], size * 0.9, ha="center", va="center_baseline", color=BROWN)
    column.y = float(corner[1]) - size * 0.6


def _parts_key(sheet: Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], part: Part) -> None:
    """Draw the section small with the parts it is cut into, this one dark."""
    if part.count < 2:
        return
    size = sheet.base
    column = _with_room(columns, size * 9.0)
    outline = shapely.transform(
        shapes_of(tables["sections"])[0], lambda xy: drawing.along_sheet(xy, sheet.frame.top_deg)
    )
    low, high = part.cores[:, :2].min(axis=0), part.cores[:, 2:].max(axis=0)
    factor = float(np.min(np.array([column.width * 0.9, size * 7.0]) / np.maximum(high - low, 1e-6)))
    corner = np.array([column.left, column.y - size * 1.0 - (high - low)[1] * factor])
    corner[0] += (column.width - (high - low)[0] * factor) / 2
    for number, core in enumerate(part.cores, 1):
        own = number == part.number
        west, south = (core[:2] - low) * factor + corner
        east, north = (core[2:] - low) * factor + corner
        sheet.box(west, south, east, north, 0.5, facecolor=DARK if own else PAPER_WHITE, edgecolor=BROWN)
        tall = min(size, (north - south) * 0.7, (east - west) * 0.5)
        sheet.text((west + east) / 2, (south + north) / 2, str(number), tall, ha="center", va="center",
                   color=PAPER_WHITE if own else BROWN, fontweight="bold" if own else "normal", z=22.0)  # fmt: skip
    small = shapely.transform(outline, lambda xy: (xy - low) * factor + corner)
    sheet.add(PathPatch(path_of(small), facecolor="none", edgecolor=DARK, linewidth=0.8, zorder=21.5), clipped=False)
    column.y = float(corner[1]) - size * 0.6


def _with_room(columns: list[_Column], need: float) -> _Column:
    """Go on to the next column when this one has no room left."""
    if columns[0].y - need < columns[0].floor and len(columns) > 1:
        columns.pop(0)
    return columns[0]


def _section_facts(
    sheet: Sheet, columns: list[_Column], tables: Mapping[str, pd.DataFrame], row: pd.Series, facts: Facts
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
