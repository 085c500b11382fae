"""Rights of interment as they stand: who holds a space now, with what share, and which entries cannot all be right."""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from cemgis.dates import bounds
from cemgis.findings import Finding, find
from cemgis.names import folded

__all__ = ["HOLDER_COLUMNS", "holders_now", "joined_rights", "parse_share"]

HOLDER_COLUMNS = ("space_id", "holder", "share", "right_id", "source")
"""Columns of `holders_now`."""

_ENDS = ("buy-back", "reclamation")
_SUCCESSIONS = ("inheritance", "assignment", "sale")
_WORDS = {
    "half": Fraction(1, 2), "third": Fraction(1, 3), "quarter": Fraction(1, 4), "fourth": Fraction(1, 4),
    "fifth": Fraction(1, 5), "sixth": Fraction(1, 6), "eighth": Fraction(1, 8),
}  # fmt: skip
_COUNTS = {"one": 1, "a": 1, "an": 1, "two": 2, "three": 3, "five": 5}
_WHOLE = ("whole", "all", "full", "sole", "entire")
_SIGNS = {"\u00bd": " 1/2", "\u2153": " 1/3", "\u2154": " 2/3", "\u00bc": " 1/4", "\u00be": " 3/4"}
_FRACTION = re.compile(r"(\d{1,4})\s*(?:/|of|in)\s*(\d{1,4})")
_PERCENT = re.compile(r"(\d{1,3}(?:[.,]\d{1,4})?)\s*(?:%|percent|per cent)")
_DECIMAL = re.compile(r"[01](?:[.,]\d{1,6})?")
_NAMED = re.compile(r"(?:(\w+)[\s-]+)?(half|third|quarter|fourth|fifth|sixth|eighth)(?:s|ves)?")
_NEARLY = Fraction(1, 100)
"""Written decimals are rounded: 0.33 three times is the whole."""


def parse_share(text: str) -> Fraction | None:
    """Read a share of a right as deeds write it.

    Parameters
    ----------
    text : str

    Returns
    -------
    Fraction or None
        Above 0 and up to 1; None when it does not say one.

    Examples
    --------
    >>> [str(parse_share(text)) for text in ("1/2", "undivided half", "33 %", "two thirds", "0.25", "whole", "some")]
    ['1/2', '1/2', '33/100', '2/3', '1/4', '1', 'None']
    """
    said = text.casefold().strip()
    for sign, plain in _SIGNS.items():
        said = said.replace(sign, plain)
    said = said.replace("undivided", " ").replace("interest", " ").replace("share", " ").strip()
    share: Fraction | None = None
    if match := _FRACTION.search(said):
        share = Fraction(int(match[1]), int(match[2])) if int(match[2]) else None
    elif match := _PERCENT.search(said):
        share = Fraction(match[1].replace(",", ".")) / 100
    elif _DECIMAL.fullmatch(said):
        share = Fraction(said.replace(",", "."))
    elif match := _NAMED.search(said):
        count = _COUNTS.get(match[1] or "one")
        share = None if count is None else count * _WORDS[match[2]]
    elif said in _WHOLE:
        share = Fraction(1)
    return share if share is not None and 0 < share <= 1 else None


def joined_rights(rights: pd.DataFrame, order: Iterable[str | int]) -> pd.DataFrame:
    """Join rows of several lists that record one right: the list named first keeps it, and the others are noted.

    Two rows are one right when place, kind, holder, the holder before and share are the same and the dates can be.

    Parameters
    ----------
    rights : DataFrame
        Layer ``rights``; rows of the list that comes first stand first.
    order : iterable of str or int
        The list each row comes from.

    Returns
    -------
    DataFrame
        What a row leaves open (instrument, book, page, a finer date) is filled from those joined to it.

    Examples
    --------
    >>> from cemgis import schema
    >>> from cemgis.layers import LAYERS
    >>> rows = pd.DataFrame({"right_id": ["a", "b"], "kind": "right", "holder": ["Ada Penn", "ADA PENN"],
    ...                      "place": "A-1-1", "space_id": "A-1-1", "date": ["1901", "1901-05-02"],
    ...                      "instrument": [None, "deed 4"], "source": ["one.csv, line 2", "two.csv, line 9"]})
    >>> both = joined_rights(schema.restore(rows, LAYERS["rights"]), ["one.csv", "two.csv"])
    >>> both[["right_id", "instrument", "also_in"]].values.tolist()
    [['a', 'deed 4', 'two.csv, line 9']]
    """
    lists = np.asarray(list(order), dtype=object)
    if len(rights) < 2 or len(set(lists.tolist())) < 2:
        return rights
    span = bounds(rights["date"].fillna(""))
    rows = pd.DataFrame(
        {
            "row": np.arange(len(rights)), "list": lists,
            "key": _text(rights["space_id"]).where(rights["space_id"].notna(), _text(rights["lot_id"])),
            "kind": _text(rights["kind"]), "holder": _text(rights["holder"]).map(folded),
            "before": _text(rights["from_holder"]).map(folded), "share": _text(rights["share"]).map(str.casefold),
            "for": _text(rights["reserved_for"]).map(folded),
            "low": span["earliest"].fillna("0000-01-01").to_numpy(dtype=object),
            "high": span["latest"].fillna("9999-12-31").to_numpy(dtype=object),
        }
    )  # fmt: skip
    rows = rows[(rows["key"] != "") & (rows["holder"] != "")]
    same = ["key", "kind", "holder", "before", "share", "for"]
    pairs = rows.merge(rows, on=same, suffixes=("", "_2"))
    pairs = pairs[(pairs["row"] < pairs["row_2"]) & (pairs["list"] != pairs["list_2"])]
    pairs = pairs[(pairs["low"] <= pairs["high_2"]) & (pairs["low_2"] <= pairs["high"])]
    # each row of a later list goes with one row of an earlier one, and the other way round
    pairs = pairs[~pairs.duplicated("row_2") & ~pairs.duplicated(["row", "list_2"])]
    pairs = pairs[~pairs["row"].isin(pairs["row_2"])]
    if not len(pairs):
        return rights
    filled = rights.copy()
    for name in ("date", "date_written", "instrument", "book", "page", "note"):
        values = filled[name].to_numpy(dtype=object, copy=True)
        for row in pairs.itertuples():
            mine, theirs = values[row.row], values[row.row_2]
            finer = name == "date" and not pd.isna(mine) and not pd.isna(theirs) and _finer(str(theirs), str(mine))
            if (pd.isna(mine) and not pd.isna(theirs)) or finer:
                values[row.row] = theirs
        filled[name] = pd.array(values, dtype="string")
    also, source = filled["also_in"].to_numpy(dtype=object, copy=True), filled["source"].to_numpy(dtype=object)
    for row in pairs.itertuples():
        also[row.row] = "; ".join(str(text) for text in (also[row.row], source[row.row_2]) if not pd.isna(text))
    filled["also_in"] = pd.array(also, dtype="string")
    gone = np.zeros(len(rights), dtype=bool)
    gone[pairs["row_2"].to_numpy()] = True
    return filled[~gone].reset_index(drop=True)


def _finer(text: str, than: str) -> bool:
    return len(text) > len(than) and text.startswith(than)


def _text(values: pd.Series) -> pd.Series:
    return values.astype(object).where(values.notna(), "").map(str)


class _Held(NamedTuple):
    holder: str
    share: Fraction
    row: int


def holders_now(rights: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Follow the entries of each space in the order of their dates: who holds it now, and which entries clash.

    A right or sale from the ground starts a holding; an inheritance, assignment or sale that names who held before
    passes that one's share on, whole or by the share written; a buy-back or reclamation ends all. Entries of one day
    with a share each stand side by side.

    Parameters
    ----------
    rights : DataFrame
        Layer ``rights``.

    Returns
    -------
    DataFrame
        Columns `HOLDER_COLUMNS`, a row for each holder of a space; share is a float, 0 to 1.
    list of Finding
        ``right given twice``, ``shares do not add up``, ``right passed on by another``.

    Examples
    --------
    >>> from cemgis import schema
    >>> from cemgis.layers import LAYERS
    >>> rows = pd.DataFrame({"right_id": ["a", "b", "c"], "kind": ["sale", "inheritance", "inheritance"],
    ...                      "holder": ["Ada Penn", "Ivo Penn", "Una Penn"],
    ...                      "from_holder": [None, "Ada Penn", "Ada Penn"], "share": [None, "1/2", "1/2"],
    ...                      "place": "A-1-1", "space_id": "A-1-1", "date": ["1901", "1930", "1930"], "source": "x"})
    >>> now, findings = holders_now(schema.restore(rows, LAYERS["rights"]))
    >>> now[["holder", "share"]].values.tolist(), findings
    ([['Ivo Penn', 0.5], ['Una Penn', 0.5]], [])
    """
    placed = rights[rights["space_id"].notna() & (_text(rights["kind"]) != "reserved")]
    placed = placed.assign(since=bounds(placed["date"].fillna(""))["earliest"].fillna("").to_numpy(dtype=object))
    placed = placed.sort_values(["space_id", "since"], kind="stable")
    found: list[tuple[Any, ...]] = []
    findings: dict[tuple[str, str], list[str]] = {}
    columns = {name: placed[name].to_numpy(dtype=object) for name in ("space_id", "right_id", "source", "since")}
    kind, share = _text(placed["kind"]).to_numpy(), _text(placed["share"]).to_numpy()
    holder, before = _text(placed["holder"]).to_numpy(), _text(placed["from_holder"]).to_numpy()
    space = columns["space_id"]
    starts = np.flatnonzero(np.r_[True, space[1:] != space[:-1]]).tolist() if len(space) else []
    for first, last in zip(starts, [*starts[1:], len(space)][: len(starts)], strict=True):
        held: list[_Held] = []
        trouble: list[tuple[str, str]] = []
        for row in range(first, last):
            held = _after(held, row, first, kind, holder, before, share, columns, trouble)
        total = sum((one.share for one in held), Fraction(0))
        if held and abs(total - 1) > _NEARLY:
            said = ", ".join(f"{one.holder} {_say(one.share)}" for one in held)
            trouble.append(("shares do not add up", f"{said}: {_say(total)} in all"))
        for name, reason in trouble:
            findings.setdefault((name, reason), []).append(str(space[first]))
        found += [
            (space[first], one.holder, float(one.share), columns["right_id"][one.row], columns["source"][one.row])
            for one in held
        ]
    table = pd.DataFrame(found, columns=list(HOLDER_COLUMNS))
    # a right to a whole lot has an entry for each of its spaces: what is wrong with it is said once
    return table, [
        find(name, spaces[0], reason + (f"; the same for {len(spaces) - 1} more of its spaces" if spaces[1:] else ""))
        for (name, reason), spaces in findings.items()
    ]


def _after(
    held: list[_Held], row: int, first: int, kind: Any, holder: Any, before: Any, share: Any, columns: Any,
    trouble: list[tuple[str, str]],
) -> list[_Held]:  # fmt: skip
    """Say who holds a space after one more entry."""
    if kind[row] in _ENDS:
        return []
    name = holder[row] or "a holder nobody names"
    part = parse_share(share[row]) if share[row] else None
    source = columns["source"][row]
    if kind[row] in _SUCCESSIONS and before[row]:
        giver = folded(before[row])
        theirs = [one for one in held if folded(one.holder) == giver]
        others = [one for one in held if folded(one.holder) != giver]
        if held and not theirs:
            who = ", ".join(one.holder for one in held)
            trouble.append(
                ("right passed on by another", f"{before[row]} passes it on to {name} ({source}), but {who} held it")
            )
            return held
        has = sum((one.share for one in theirs), Fraction(0)) if theirs else Fraction(1)
        given = has if part is None else min(part, has)
        rest = [_Held(theirs[0].holder, has - given, theirs[0].row)] if theirs and has > given else []
        return [*rest, *others, _Held(name, given, row)]
    same_day = [one for one in held if columns["since"][one.row] == columns["since"][row] != ""]
    if held and folded(name) in [folded(one.holder) for one in held] and part is None:
        return held  # the same holder once more: a copy of the entry or a confirmation
    shared = part is not None or (len(same_day) == len(held) and any(share[one.row] for one in held))
    if held and not shared and row > first:
        one = held[0]
        when = columns["since"][row] or "undated"
        trouble.append(
            (
                "right given twice",
                f"{one.holder} ({columns['source'][one.row]}) and {name} ({source}, {when}), and nothing says that it "
                "passed from one to the other",
            )
        )
        return [*held, _Held(name, Fraction(0), row)]
    return [*held, _Held(name, part if part is not None else Fraction(1), row)]


def _say(share: Fraction) -> str:
    return str(share) if share.denominator <= 12 else f"{float(share):.0%}"
