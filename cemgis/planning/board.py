"""The board's report: what is left, until when it lasts, what became of every space; as figures and as a page."""

from __future__ import annotations

import base64
import html
import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from cemgis import __version__, drawing
from cemgis.capacity import LOST_USES, USES
from cemgis.drawing import SANS, Facts, printable
from cemgis.forecast import POOLS, Forecast
from cemgis.planning.paper import (
    DARK,
    LOST_LOOKS,
    LOST_SIGNS,
    USE_LOOKS,
    Page,
    north_and_scale,
)

__all__ = ["board_html", "board_pages", "chances_chart"]

_CASKET, _URN, _INFANT, _SALE = "#1b4965", "#d08c60", "#6a994e", "#8d6b94"
_COLOURS = {"casket": _CASKET, "urn": _URN, "infant": _INFANT, "sale": _SALE}
_POOL_COLOURS = {"full": _CASKET, "infant": _INFANT, "cremation": _URN, "niche": _SALE}
_POOL_STROKES: dict[str, Any] = {
    "full": "-",
    "infant": (0, (1, 1.2)),
    "cremation": (0, (5, 1.5)),
    "niche": (0, (5, 1, 1, 1)),
}


_LETTER = (612.0, 792.0)
_INSET = 48.0


def _page(facts: Facts, title: str) -> tuple[Page, float]:
    page = Page(*_LETTER) if facts.unit.is_foot else Page(595.3, 841.9)
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
    page = Page(340.0, 230.0)
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


def _uses_map(page: Page, shapes: Any, use: Any, box: tuple[float, float, float, float], facts: Facts) -> None:
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
    north_and_scale(page, x, y - 60, scale, upp, facts)


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
