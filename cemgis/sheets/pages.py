"""The pages themselves: PDF by typst with the data as inert JSON, and one HTML file for a phone."""

from __future__ import annotations

import base64
import datetime
import hashlib
import json
from collections.abc import Sequence
from functools import lru_cache
from html import escape
from importlib import resources
from typing import Any

import typst

from cemgis.errors import CemgisError, InputError
from cemgis.opening import VERDICTS, Plan
from cemgis.sheets.data import FONT_FOLDER, Context, legible, sheet_data

__all__ = ["PAPERS", "checker_sheet", "foundation_sheet", "opening_sheet", "phone_page", "typeset"]

PAPERS = {"letter": ("us-letter", 612.0), "A4": ("a4", 595.28)}
"""Sheets by name: typst's own name, and the width in points."""

_MARGIN = 26.0
_FITS = (
    *((high / 100, 99) for high in range(95, 39, -3)),
    (0.4, 8), (0.34, 5), (0.34, 3), (0.34, 1), (0.26, 1), (0.18, 1),
)  # fmt: skip
"""What is tried to keep a sheet one page: height of the drawings as a share of their width, reasons written out."""


@lru_cache(maxsize=8)
def _own(name: str) -> str:
    return resources.files("cemgis.sheets").joinpath(name).read_text(encoding="utf-8")


def _one_page(template: str, plan: Plan, context: Context, paper: str, **more: Any) -> bytes:
    """Typeset a page, its drawings as large as leave it one page."""
    if paper not in PAPERS:
        raise InputError.of("paper", f"there is no sheet {paper!r}", f"One of: {', '.join(PAPERS)}.")
    for high, most in _FITS:
        made = typeset(template, {**_data(plan, context, paper, high, most), **more}, paper)
        if made is not None:
            return made
    msg = f"the page {template} does not fit on one sheet"
    raise CemgisError(msg)


def typeset(template: str, data: dict[str, Any], paper: str) -> bytes | None:
    """Typeset one page, None when it takes more; the data are read as text with json(), nothing in them is ever run."""
    given = {
        "data": json.dumps({**data, "paper": PAPERS[paper][0], "margin": _MARGIN}, ensure_ascii=False, allow_nan=False)
    }
    compiler: Any = typst  # its stubs do not know a source given as bytes
    source = (_own("common.typ") + _own(template)).encode()
    try:
        pages = compiler.query(
            source, "<pages>", field="value", one=True, sys_inputs=given, ignore_system_fonts=True,
            font_paths=[str(FONT_FOLDER)],
        )  # fmt: skip
        if json.loads(pages) != 1:
            return None
        made = compiler.compile(
            source, sys_inputs=given, format="pdf", ignore_system_fonts=True, font_paths=[str(FONT_FOLDER)],
            timestamp=int(datetime.datetime.fromisoformat(data["date"]).replace(tzinfo=datetime.UTC).timestamp()),
        )  # fmt: skip
    except typst.TypstError as error:
        msg = f"the page {template} could not be typeset: {error}"
        raise CemgisError(msg) from error
    return bytes(made)


def _data(plan: Plan, context: Context, paper: str, high: float, most: int) -> dict[str, Any]:
    return sheet_data(plan, context, width=PAPERS[paper][1] - 2.0 * _MARGIN, high=high, most=most)


def opening_sheet(plan: Plan, context: Context, paper: str = "letter") -> bytes:
    """Make the opening sheet, one page, as PDF; one that must not be opened has no plan on it, but every reason.

    Raises
    ------
    InputError
        For a paper that does not exist.
    """
    return _one_page("refused.typ" if plan.verdict == VERDICTS[0] else "opening.typ", plan, context, paper)


def checker_sheet(plan: Plan, context: Context, paper: str = "letter") -> bytes:
    """Make the checker's sheet: it starts from the order, and only then compares.

    Raises
    ------
    InputError
        For a paper that does not exist.
    """
    return _one_page("checker.typ", plan, context, paper)


def foundation_sheet(
    plan: Plan, context: Context, paper: str = "letter", *, size: str = "", title: str = "", spaces: Sequence[str] = ()
) -> bytes:
    """Make the set-out of a foundation: the same ties, to the foundation's head side.

    Parameters
    ----------
    plan : Plan
        With the foundation as its dig.
    context : Context
    paper : str
    size : str
        The section's rule for its size, in words.
    title : str
    spaces : sequence of str
        Under the stone, when there is more than one.
    """
    return _one_page("foundation.typ", plan, context, paper, size_rule=legible(size, most=200),
                     foundation=legible(title or "foundation"), spaces=[legible(one) for one in spaces])  # fmt: skip


def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"


def phone_page(plan: Plan, context: Context) -> str:
    """Make the page for a phone: one file, no network, data inert.

    The data stand in a block no browser runs, and a script of our own puts them on the page as text.
    """
    data = sheet_data(plan, context, width=2.0 * 344.0, high=1.0)
    script, style = _own("phone.js"), _own("phone.css")
    if "</script" in script.lower() or "</style" in style.lower():
        msg = "a script or style of the phone page would end its own element"
        raise CemgisError(msg)
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, sort_keys=True)
    block = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    rule = "; ".join(
        [
            "default-src 'none'",
            f"script-src {_hash(script)}",
            f"style-src {_hash(style)}",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    return "".join(
        [
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            f'<meta http-equiv="Content-Security-Policy" content="{escape(rule)}">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            '<meta name="robots" content="noindex, nofollow, noarchive">\n',
            '<meta name="referrer" content="no-referrer">\n',
            f"<title>{escape('Opening ' + data['space'])}</title>\n<style>{style}</style>\n</head>\n<body>\n",
            '<main id="sheet"><noscript>This page needs scripts. Use the printed sheet.</noscript></main>\n',
            f'<script type="application/json" id="sheet-data">{block}</script>\n',
            f"<script>{script}</script>\n</body>\n</html>\n",
        ]
    )
