"""The sheet of a niche: its face with the names around it, what to read before it is opened, what speaks against it."""

from __future__ import annotations

from typing import Any

from cemgis.dates import say_date
from cemgis.errors import CemgisError, InputError
from cemgis.niche import Niche, NichePlan
from cemgis.opening import VERDICTS, say
from cemgis.sheets.data import Context, legible
from cemgis.sheets.pages import PAPERS, typeset
from cemgis.units import Unit

__all__ = ["niche_sheet"]

_ROWS, _COLUMNS = 5, 7
"""Niches of a face that are drawn, around the one that is meant."""


def niche_sheet(plan: NichePlan, context: Context, paper: str = "letter") -> bytes:
    """Make the sheet of a niche, one page, as PDF.

    Raises
    ------
    InputError
        For a paper that does not exist.
    """
    if paper not in PAPERS:
        raise InputError.of("paper", f"there is no sheet {paper!r}", f"One of: {', '.join(PAPERS)}.")
    for tall, most in ((56, 99), (48, 99), (42, 99), (36, 99), (30, 99), (30, 6), (30, 3), (30, 1)):
        made = typeset("niche.typ", {**_niche_data(plan, context, most), "tall": tall}, paper)
        if made is not None:
            return made
    raise CemgisError("the page niche.typ does not fit on one sheet")


def _window(at: int, count: int, most: int) -> range:
    """Return the numbers of a row or column around one, as many as are drawn."""
    first = max(min(at - most // 2, count - most + 1), 1)
    return range(first, min(first + most, count + 1))


def _niche_data(plan: NichePlan, context: Context, most: int) -> dict[str, Any]:
    niche, order, unit = plan.niche, plan.order, context.facts.unit
    rows = _window(niche.row, niche.rows, _ROWS)
    columns = _window(niche.column, niche.columns, _COLUMNS)
    reasons = [
        {"verdict": one.verdict, "text": legible(one.text, most=220), "worst": one.verdict == plan.verdict}
        for one in plan.reasons
    ]
    stem = niche.space_id.rsplit("-", 2)[0]
    sides = [
        {"name": name, "niche": "no niche" if at is None else f"{at[0]}-{at[1]}",
         "who": "" if at is None else legible(niche.fronts.get(at) or "nobody on record", stem, 60)}
        for name, at in niche.beside.items()
    ]  # fmt: skip
    return {
        "title": f"Niche {niche.space_id}", "date": context.facts.date, "ground": legible(context.facts.name),
        "space": legible(niche.space_id),
        "section": legible(f"section {niche.section} {context.around.get('section_title', '')}".strip()),
        "person": legible(order.person or "not named", niche.space_id, 64),
        "service": legible(" ".join(one for one in (say_date(order.date) or "no day", order.time or "") if one)),
        "container": legible(plan.container.name), "verdict": plan.verdict.upper(),
        "level": VERDICTS.index(plan.verdict), "reasons": reasons[:most], "more": max(len(reasons) - most, 0),
        "where": legible(niche.place, niche.space_id),
        "columns": [f"column {column}" for column in columns],
        "rows": [
            {"name": f"row {row}",
             "cells": [_cell(niche, row, column) for column in columns]} for row in reversed(rows)
        ],
        "sides": sides,
        "numbers": [
            {"name": name, "value": legible(value, niche.space_id, 70)} for name, value in _numbers(plan, unit)
        ],
        "order": [
            {"name": name, "value": legible(value or "NOT SAID", niche.space_id, 56)} for name, value in (
                ("Ordered by", order.ordered_by), ("Authorised by", order.authorised_by), ("By right", order.right),
                ("Permit", order.permit), ("Confirmed by", order.confirmed_by),
            )
        ],
        "then": f"cemgis close FOLDER {niche.space_id} --who NAME --date {order.date or 'DAY'}",
        "remarks": [legible(one, most=220) for one in context.remarks],
        "made": legible(f"{context.facts.date} · evidence {context.facts.evidence_hash[:10]}"),
        "rules": f"space.urns {context.rules['space.urns']:g} ({context.rules.rule('space.urns').kind})",
    }  # fmt: skip


def _cell(niche: Niche, row: int, column: int) -> dict[str, Any]:
    mine = (row, column) == (niche.row, niche.column)
    said = niche.fronts.get((row, column), "")
    return {"mine": mine, "text": legible(said or (f"HERE {row}-{column}" if mine else ""), niche.space_id, 40)}


def _numbers(plan: NichePlan, unit: Unit) -> list[tuple[str, str]]:
    niche, urn = plan.niche, plan.container
    inside = [f"{say(value, unit)} {word}" for value, word in zip(niche.size, ("wide", "high", "deep"), strict=True)
              if value is not None]  # fmt: skip
    return [
        ("Urn", f"{say(urn.width, unit)} by {say(urn.length, unit)}, {say(urn.height, unit)} high"),
        ("Niche inside", ", ".join(inside) or "NOT WRITTEN: measure it"),
        ("In it now", niche.who or "nobody on record"),
        ("This one", plan.place_words or "-"),
    ]
