"""The register: who was laid where and when, who holds which right, and what that makes of each space."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import schema
from cemgis.errors import Gather
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.places import label_key

__all__ = ["KINDS", "REGISTER_COLUMNS", "STATE_COLUMNS", "Register", "iso_dates", "read_register", "space_states"]

KINDS: Mapping[str, str] = {
    "interment": "interment",
    "interred": "interment",
    "burial": "interment",
    "buried": "interment",
    "disinterment": "disinterment",
    "disinterred": "disinterment",
    "exhumation": "disinterment",
    "urn placed": "urn placed",
    "inurnment": "urn placed",
    "urn removed": "urn removed",
    "right": "right",
}
"""Kinds of row as they may be written, and what they are called here."""

REGISTER_COLUMNS = (
    "kind", "date", "name", "section", "row", "lot", "space", "place", "born", "died", "container", "holder",
    "instrument",
)  # fmt: skip
"""Columns of a register by our names."""

STATE_COLUMNS = ("state", "state_why", "burials")
"""Columns of the layers ``spaces`` and ``niches`` that this module fills."""

_PARTS: Mapping[str, tuple[str, ...]] = {
    "section": ("SECTION", "SECT", "SEC"),
    "row": ("ROW",),
    "lot": ("LOT", "LOTS"),
    "space": ("SPACE", "SPC", "SP", "GRAVE", "GR", "NICHE"),
}
_PART_OF = {word: part for part, words in _PARTS.items() for word in words}
_IDLE = ("NUMBER", "NO", "NR")
_APART = re.compile(r"(\d)-([A-Z])(?=-|$)")
_FEW = 5

_Objects = npt.NDArray[np.object_]
_Ints = npt.NDArray[np.int64]
_Flags = npt.NDArray[np.bool_]


class Register(NamedTuple):
    """What one file of the register says.

    Parameters
    ----------
    events, people, rights : DataFrame
        The layers of those names.
    findings : list of Finding
    """

    events: pd.DataFrame
    people: pd.DataFrame
    rights: pd.DataFrame
    findings: list[Finding]


# ---- dates -------------------------------------------------------------------------------------------------------

_ISO = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T\d\d:\d\d:\d\d(?:Z|[+-]\d\d(?::\d\d)?)?)?)?)?")


def iso_dates(texts: pd.Series) -> pd.Series:
    """Keep the dates that are written as ISO 8601 year, year-month, day or an interval of these; the rest is missing.

    That is level 0 of the Extended Date/Time Format (Library of Congress, 4 February 2019); of a date with a time the
    date is kept. Nothing is guessed.

    Parameters
    ----------
    texts : Series of str

    Returns
    -------
    Series of string

    Examples
    --------
    >>> iso_dates(pd.Series(["1904-02-29", "1985-04", "2016-13", "3/17/1888", "1964/2008"])).tolist()
    ['1904-02-29', '1985-04', <NA>, <NA>, '1964/2008']
    """
    text = texts.astype("string").str.strip()
    code, unique = pd.factorize(text)
    known = pd.array([_iso_date(value) for value in unique], dtype="string")
    return pd.Series(known.take(code, allow_fill=True), index=texts.index, dtype="string")


def _iso_date(text: str) -> str | None:
    ends = text.split("/")
    if len(ends) > 2:
        return None
    kept = []
    for end in ends:
        found = _ISO.fullmatch(end)
        if found is None or not found.group(0).isascii():
            return None
        year, month, day = (int(part) if part else None for part in found.groups())
        if month is not None and not 1 <= month <= 12:
            return None
        if day is not None and not (year is not None and 1 <= day <= _days(year, month or 1)):
            return None
        kept.append("-".join(part for part in found.groups() if part))
    if len(kept) == 2 and kept[0] > kept[1] and not kept[0].startswith(kept[1]):
        return None
    return "/".join(kept)


def _days(year: int, month: int) -> int:
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return (31, 29 if leap else 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1]


# ---- places ------------------------------------------------------------------------------------------------------


def _place_key(text: object, *, join: bool = False) -> str:
    """Key of a place: section, row, lot and space in this order where words say which is which, else as they stand.

    Examples
    --------
    >>> _place_key("Gr. 3, Lot No. 012, Sec. A"), _place_key("lot 12 a gr 3"), _place_key("lot 12 a gr 3", join=True)
    ('A-12-3', '12-A-3', '12A-3')
    """
    key = label_key(text)
    if join:
        key = _APART.sub(r"\1\2", key)
    named: list[tuple[str, list[str]]] = [("", [])]
    for token in key.split("-"):
        if token in _PART_OF:
            named.append((_PART_OF[token], []))
        elif token not in _IDLE:
            named[-1][1].append(token)
    said = [part for part, _ in named]
    if len(set(said)) == len(said) and not (named[0][1] and "section" in said):
        # What comes before the first word is the section, or a name that goes on.
        order = ("", *_PARTS)
        named.sort(key=lambda item: order.index(item[0]))
    return "-".join(token for _, tokens in named for token in tokens)


def _keys(texts: pd.Series, *, join: bool = False) -> pd.Series:
    """Give each text the key of its place; `join` reads "12 A" as 12A."""
    code, unique = pd.factorize(texts.astype(object))
    made = np.array([*(_place_key(text, join=join) for text in unique), ""], dtype=object)
    return pd.Series(made[code], index=texts.index, dtype=object)


def _joined(*parts: pd.Series) -> pd.Series:
    """Join keys by dashes, empty ones left out."""
    whole = parts[0]
    for part in parts[1:]:
        dash = np.where((whole != "") & (part != ""), "-", "")
        whole = whole + dash + part
    return whole


@dataclass(frozen=True)
class _Places:
    """Everything a place may resolve to.

    Tables have the key as index, an id, and how many ids share the key; ``full`` keys carry the section, ``bare``
    ones do not.
    """

    full: pd.DataFrame
    bare: pd.DataFrame
    lots_full: pd.DataFrame
    lots_bare: pd.DataFrame
    sections: Mapping[str, str]
    of_lot: pd.DataFrame


def _alias(pairs: list[tuple[pd.Series, pd.Series]]) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "key": np.concatenate([np.asarray(key, dtype=object) for key, _ in pairs] or [np.empty(0, dtype=object)]),
            "id": np.concatenate([np.asarray(ids, dtype=object) for _, ids in pairs] or [np.empty(0, dtype=object)]),
        }
    )
    table = table[table["key"] != ""].drop_duplicates()
    count = table.groupby("key", sort=False)["id"].transform("size")
    single = table[count == 1].assign(count=1).set_index("key")
    shared = table[count > 1]
    if not len(shared):
        return single
    grouped = shared.groupby("key", sort=False)["id"]
    words = grouped.agg(lambda ids: _few(list(ids)))
    return pd.concat([single, pd.DataFrame({"id": words, "count": grouped.size()})])


def _column(table: pd.DataFrame, name: str) -> pd.Series:
    return table[name].astype(object) if name in table else pd.Series(None, index=table.index, dtype=object)


def _places(spaces: pd.DataFrame, niches: pd.DataFrame | None, lots: pd.DataFrame | None) -> _Places:
    ids, section, number = spaces["space_id"].astype(object), _keys(spaces["section"]), _keys(spaces["space"])
    lot_id = _column(spaces, "lot_id")
    row_name = _column(spaces, "row")
    lot = pd.Series("", index=spaces.index, dtype=object)
    lots_full: list[tuple[pd.Series, pd.Series]] = []
    lots_bare: list[tuple[pd.Series, pd.Series]] = []
    if lots is not None and len(lots):
        by_lot = lots.set_index("lot_id")
        lot = _keys(lot_id.map(_column(by_lot, "lot")))
        row_name = row_name.where(row_name.notna(), lot_id.map(_column(by_lot, "row")))
        own_ids, own_section, own_lot = lots["lot_id"].astype(object), _keys(lots["section"]), _keys(lots["lot"])
        own_row = _keys(_column(lots, "row"))
        lots_full = [
            (key, own_ids)
            for key in (_keys(own_ids), _joined(own_section, own_row, own_lot), _joined(own_section, own_lot))
        ]
        lots_bare = [(own_lot, own_ids)]
    row = _keys(row_name)
    whole = _keys(ids)
    short = _joined(section, lot, number)
    lot_table = _alias(lots_full)
    # A number that is a lot as well as a single grave is not taken for the grave.
    short = short.where(~short.isin(lot_table.index) | (short == whole), "")
    full = [(whole, ids), (_joined(section, row, lot, number), ids), (short, ids)]
    bare = [(_joined(lot, number).where(lot != "", ""), ids), (_joined(row, number).where(lot == "", ""), ids)]
    names = [spaces["section"]]
    if niches is not None and len(niches):
        niche_ids = niches["space_id"].astype(object)
        parts = [_keys(_column(niches, name).map(_text)) for name in ("section", "building", "face", "row", "column")]
        full += [(_keys(niche_ids), niche_ids), (_joined(*parts), niche_ids)]
        bare.append((_joined(*parts[1:]), niche_ids))
        names.append(niches["section"])
    sections = pd.concat([name.astype(object) for name in names], ignore_index=True).drop_duplicates()
    return _Places(
        _alias(full),
        _alias(bare),
        lot_table,
        _alias(lots_bare),
        dict(zip(_keys(sections), sections, strict=True)),
        pd.DataFrame({"lot_id": lot_id, "space_id": ids})[lot_id.notna().to_numpy()],
    )


def _text(value: object) -> str | None:
    return None if pd.isna(value) else str(value)


def _resolve(key: pd.Series, close: pd.Series, section: pd.Series, places: _Places) -> pd.DataFrame:
    """Resolve keys to spaces, else to lots, else to sections.

    Parameters
    ----------
    key : Series of str
        Key of the place as written.
    close : Series of str
        The same with "12 A" read as 12A.
    section : Series of str
        Key of the section to supply where the place names none; empty for none.

    Returns
    -------
    DataFrame
        ``space_id``, ``lot_id``, ``resolved_by``, ``outcome`` (space, lot, section, several, nowhere, blank).
    """
    result = pd.DataFrame({"space_id": None, "lot_id": None, "resolved_by": None, "outcome": None}, index=key.index)
    result = result.astype(object)
    result.loc[key == "", ["outcome", "resolved_by"]] = ["blank", "no place written"]
    supplied = _joined(section, key).where(section != "", "")
    close_supplied = _joined(section, close).where(section != "", "")
    tries = (
        (key, "as written"),
        (supplied, "section supplied"),
        (close, "number and letter joined"),
        (close_supplied, "section supplied, number and letter joined"),
    )

    def look(table: pd.DataFrame, asked: pd.Series, to: str, how: str) -> None:
        open_rows = np.flatnonzero(result["outcome"].isna().to_numpy())
        if not len(open_rows) or not len(table):
            return
        where = table.index.get_indexer(pd.Index(asked.to_numpy()[open_rows], dtype=object))
        rows, where = open_rows[where >= 0], where[where >= 0]
        ids, single = table["id"].to_numpy()[where], table["count"].to_numpy()[where] == 1
        outcome, by = result.columns.get_loc("outcome"), result.columns.get_loc("resolved_by")
        result.iloc[rows[single], result.columns.get_loc(f"{to}_id")] = ids[single]
        open_lot = "no space given" if how == "as written" else f"{how}; no space given"
        result.iloc[rows[single], by] = how if to == "space" else open_lot
        result.iloc[rows[single], outcome] = to
        result.iloc[rows[~single], by] = "could be " + ids[~single].astype(object)
        result.iloc[rows[~single], outcome] = "several"

    for asked, how in tries:
        look(places.full, asked, "space", how)
    for asked, how in tries:
        look(places.lots_full, asked, "lot", how)
    in_section = result["outcome"].isna() & key.isin(list(places.sections))
    result.loc[in_section, ["outcome", "resolved_by"]] = ["section", "section only"]
    only = "the only place of that number"
    for asked, how in ((key, only), (close, f"{only}, number and letter joined")):
        look(places.bare, asked, "space", how)
        look(places.lots_bare, asked, "lot", how)
    result.loc[result["outcome"].isna(), ["outcome", "resolved_by"]] = ["nowhere", "no such place"]
    # A lot with a single space leaves no choice.
    lots = places.of_lot["lot_id"]
    alone = places.of_lot[~lots.duplicated(keep=False)].set_index("lot_id")["space_id"]
    sole = (result["outcome"] == "lot") & result["lot_id"].isin(alone.index)
    result.loc[sole, "space_id"] = result.loc[sole, "lot_id"].map(alone)
    result.loc[sole, ["outcome", "resolved_by"]] = ["space", "the only space of its lot"]
    known = result["space_id"].notna()
    result.loc[known, "lot_id"] = result.loc[known, "space_id"].map(places.of_lot.set_index("space_id")["lot_id"])
    return result.where(result.notna(), None)


def _why_nowhere(key: str, places: _Places) -> str:
    """Say how far a place that does not exist can be followed."""
    parts = key.split("-")
    for length in range(len(parts) - 1, 0, -1):
        head, rest = "-".join(parts[:length]), "-".join(parts[length:])
        if head in places.lots_full.index and places.lots_full.loc[head, "count"] == 1:
            lot = places.lots_full.loc[head, "id"]
            has = places.of_lot.loc[places.of_lot["lot_id"] == lot, "space_id"]
            return f"lot {lot} has no space {rest}, it has {_few(list(has))}"
        if head in places.sections:
            return f"section {places.sections[head]} has no {rest}"
    return f"no section {parts[0]} on any plat"


# ---- reading -----------------------------------------------------------------------------------------------------


def _few(values: list[Any], most: int = _FEW) -> str:
    shown = ", ".join(str(value)[:60] for value in values[:most])
    return shown + (f" and {len(values) - most} more" if len(values) > most else "")


def _lines(lines: pd.Series) -> str:
    values = list(lines)
    return ("line " if len(values) == 1 else "lines ") + _few(values)


def _named_columns(table: pd.DataFrame, columns: Mapping[str, str] | None, source: str) -> pd.DataFrame:
    """Return the register's columns by our names; what is not there is missing."""
    gather = Gather()
    present = [str(name) for name in table.columns if name != "line"]
    twice = sorted({name for name in present if present.count(name) > 1})
    if twice:
        gather.add(source, f"column {_few(twice)} is there more than once", "Give each column its own name.")
    by_key = {label_key(name): name for name in reversed(present)}
    taken: dict[str, str] = {}
    for ours, theirs in (columns or {}).items():
        if ours not in REGISTER_COLUMNS:
            near = difflib.get_close_matches(ours, REGISTER_COLUMNS, 1)
            remedy = f"Did you mean {near[0]}?" if near else f"One of: {', '.join(REGISTER_COLUMNS)}."
            gather.add(f"{source}, columns.{ours}", "no such column of a register", remedy)
        elif theirs not in present:
            near = difflib.get_close_matches(theirs, present, 1)
            remedy = f"Did you mean {near[0]!r}?" if near else f"The file has: {_few(present, 12)}."
            gather.add(f"{source}, columns.{ours}", f"the file has no column {theirs!r}", remedy)
        else:
            taken[ours] = theirs
    for ours in REGISTER_COLUMNS:
        if ours not in (columns or {}) and label_key(ours) in by_key:
            taken[ours] = by_key[label_key(ours)]
    has = f"It has: {_few(present, 12)}." if present else "It has no columns."
    if "kind" not in taken and "kind" not in (columns or {}):
        gather.add(source, "no column says what happened", f'Name it: columns = {{ kind = "..." }}. {has}')
    if not {"place", "lot", "space"} & (set(taken) | set(columns or {})):
        gather.add(source, "no column says where", f'Name it: columns = {{ lot = "...", space = "..." }}. {has}')
    gather.raise_if_any()
    named = pd.DataFrame(index=table.index)
    for ours in REGISTER_COLUMNS:
        if ours in taken:
            text = table[taken[ours]].astype("string").str.strip()
            named[ours] = text.where((text != "").fillna(value=False))
        else:
            named[ours] = pd.Series(pd.NA, index=table.index, dtype="string")
    return named


def _kinds(kind: pd.Series) -> pd.Series:
    code, unique = pd.factorize(kind.astype(object))
    known = [KINDS.get(" ".join(re.split(r"[\s_-]+", str(word).strip().lower()))) for word in unique]
    return pd.Series(np.array([*known, None], dtype=object)[code], index=kind.index, dtype=object)


def read_register(
    table: pd.DataFrame,
    *,
    source: str,
    spaces: pd.DataFrame,
    niches: pd.DataFrame | None = None,
    lots: pd.DataFrame | None = None,
    columns: Mapping[str, str] | None = None,
    default_section: str | None = None,
) -> Register:
    """Read a register from a table of text: events, people and rights, with their places resolved.

    A place is written in columns (section, row, lot, space) or as text ("A-12-3", "A lot 12 sp 3", "Lot 12, gr. 3").
    Nothing is guessed: what fits several places stays open, what fits none is a finding, a date that is not ISO 8601
    stays open. The row is kept as it stood. A right to a lot without a space is a right to all its spaces.

    Parameters
    ----------
    table : DataFrame of str
        As `cemgis.files.tables.read_table` returns it, with the line numbers in ``line``.
    source : str
        Name of the file.
    spaces, niches, lots : DataFrame
        Layers of those names; `spaces` or `lots` with ``row`` where numbers start again in each row.
    columns : mapping, optional
        Our name to theirs. A column with our own name, however its case, is taken without being named.
    default_section : str, optional
        For places that name no section.

    Returns
    -------
    Register

    Raises
    ------
    InputError
        When a column that is named or needed is not there.

    Examples
    --------
    >>> spaces = pd.DataFrame({"space_id": ["A-12-1", "A-12-2"], "section": "A", "lot_id": "A-12", "space": ["1", "2"]})
    >>> lots = pd.DataFrame({"lot_id": ["A-12"], "section": ["A"], "row": [None], "lot": ["12"]})
    >>> table = pd.DataFrame({"line": [2, 3], "Kind": ["Interment", "right"], "Date": ["1923-05-04", "1920"],
    ...                       "Place": ["A lot 12 sp 2", "A-13-1"], "Name": ["Ada Penn", ""]})
    >>> register = read_register(table, source="ledger.csv", spaces=spaces, lots=lots)
    >>> register.events[["event_id", "space_id", "date"]].values.tolist()
    [['ledger.csv:2', 'A-12-2', '1923-05-04']]
    >>> [(item.kind, item.subject, item.reason) for item in register.findings]
    [('place unknown', 'A-13-1', 'section A has no 13-1 (ledger.csv, line 3)')]
    """
    named = _named_columns(table, columns, source)
    table, named = table.reset_index(drop=True), named.reset_index(drop=True)
    line = table["line"] if "line" in table else pd.Series(np.arange(1, len(table) + 1))
    filled = named.notna().any(axis=1)
    named["line"], named["as_written"] = line, _as_written(table)
    named = named[filled].reset_index(drop=True)
    line = named["line"]
    row_id = source + ":" + line.astype(str)
    row_source = source + ", line " + line.astype(str)

    named["kind_known"] = _kinds(named["kind"])
    findings: list[Finding] = []
    strange = named[named["kind_known"].isna()]
    if len(strange):
        said = [
            f"kind {word!r} ({_lines(lines)})" if word else f"no kind ({_lines(lines)})"
            for word, lines in strange["line"].groupby(strange["kind"].fillna(""), sort=False)
        ]
        findings.append(find("rows not understood", source, f"{len(strange)} rows: {'; '.join(said[:_FEW])}"))

    places = _places(spaces, niches, lots)
    written, key, close, supplied = _written_places(named, default_section)
    found = _resolve(key, close, supplied, places)
    told = named["kind_known"].notna()
    is_right = (named["kind_known"] == "right").to_numpy()
    of_lot = is_right & (found["outcome"] == "lot").to_numpy()
    findings += _place_findings(found[told & ~of_lot], key, supplied, written, line, places, source)

    dates = {name: iso_dates(named[name]) for name in ("date", "born", "died")}
    findings += _date_findings(named, dates, source)

    person = named["name"].notna() & ~is_right
    people = pd.DataFrame(
        {"person_id": row_id, "name": named["name"], "born": dates["born"], "died": dates["died"], "source": row_source}
    )[person]
    events = pd.DataFrame(
        {
            "event_id": row_id,
            "kind": named["kind_known"],
            "date": dates["date"],
            "person_id": row_id.where(person),
            "place": written,
            "lot_id": found["lot_id"],
            "space_id": found["space_id"],
            "resolved_by": found["resolved_by"],
            "container": named["container"],
            "source": row_source,
            "as_written": named["as_written"],
        }
    )[told & ~is_right]
    rights = pd.DataFrame(
        {
            "right_id": row_id,
            "holder": named["holder"].fillna(named["name"]),
            "date": dates["date"],
            "instrument": named["instrument"],
            "place": written,
            "space_id": found["space_id"],
            "source": row_source,
            "lot": found["lot_id"].where(of_lot),
        }
    )[is_right]
    rights = _whole_lots(rights, places.of_lot)
    return Register(
        schema.restore(events.reset_index(drop=True), LAYERS["events"]),
        schema.restore(people.reset_index(drop=True), LAYERS["people"]),
        schema.restore(rights, LAYERS["rights"]),
        findings,
    )


def _as_written(table: pd.DataFrame) -> pd.Series:
    """Each row as JSON, without its line number."""
    text = table.drop(columns="line", errors="ignore").astype(object)
    if not len(text.columns) or not len(text):
        return pd.Series("{}", index=table.index, dtype=object)
    text = text.where(text.notna(), None)
    rows = text.to_json(orient="records", lines=True, force_ascii=False).split("\n")
    return pd.Series([row for row in rows if row], index=table.index, dtype=object)


def _written_places(
    named: pd.DataFrame, default_section: str | None
) -> tuple[pd.Series, pd.Series, pd.Series, pd.Series]:
    """Place as written, its key read two ways, and the key of the section to supply where the place has none."""
    in_columns = named[["lot", "space"]].notna().any(axis=1) | named["place"].isna()
    parts = [named[name].fillna("").astype(object) for name in ("section", "row", "lot", "space")]
    written = _joined(*parts).where(in_columns, named["place"].astype(object))
    key, close = (
        _joined(*(_keys(part, join=join) for part in parts)).where(in_columns, _keys(named["place"], join=join))
        for join in (False, True)
    )
    supplied = named["section"].astype(object).where(~in_columns & named["section"].notna(), default_section)
    supplied = _keys(supplied).where(~(in_columns & named["section"].notna()), "")
    return written.where(written != "", "not stated"), key, close, supplied


def _whole_lots(rights: pd.DataFrame, of_lot: pd.DataFrame) -> pd.DataFrame:
    """Rights with one row for each space of a lot where a whole lot is meant."""
    by_lot = rights[rights["lot"].notna()].drop(columns="space_id")
    each = by_lot.merge(of_lot.rename(columns={"lot_id": "lot"}), on="lot", how="left")
    each["right_id"] = each["right_id"] + ":" + each["space_id"].astype(object).fillna("")
    parts = [part for part in (rights[rights["lot"].isna()], each) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else rights


def _place_findings(
    found: pd.DataFrame, key: pd.Series, supplied: pd.Series, written: pd.Series, line: pd.Series, places: _Places,
    source: str,
) -> list[Finding]:  # fmt: skip
    """One finding for each place that is not there, and one note for each that is open."""
    findings: list[Finding] = []
    open_rows = found[found["outcome"] != "space"]
    if not len(open_rows):
        return findings
    key, supplied = key[open_rows.index], supplied[open_rows.index]
    first = key.str.partition("-")[0] if len(key) else key
    complete = _joined(supplied, key).where((supplied != "") & ~first.isin(list(places.sections)), key)
    subject = open_rows["lot_id"].where(open_rows["outcome"] == "lot", complete)
    subject = subject.where(complete != "", f"{source}: no place")
    # A place of nothing but signs has no key; what is written stands for it.
    subject = subject.mask((complete == "") & (written[open_rows.index] != "not stated"), written[open_rows.index])
    groups = pd.DataFrame(
        {"outcome": open_rows["outcome"], "subject": subject, "by": open_rows["resolved_by"], "line": line}
    ).loc[open_rows.index]
    for (outcome, about), rows in groups.groupby(["outcome", "subject"], sort=False):
        where = f"{source}, {_lines(rows['line'])}"
        if outcome == "nowhere":
            findings.append(find("place unknown", about, f"{_why_nowhere(about, places)} ({where})"))
        else:
            findings.append(find("place open", about, f"{rows['by'].iloc[0]} ({where})"))
    return findings


def _date_findings(named: pd.DataFrame, dates: Mapping[str, pd.Series], source: str) -> list[Finding]:
    said = []
    for name, known in dates.items():
        strange = named[named[name].notna() & known.isna()]
        if len(strange):
            some = _few([f"{text!r}" for text in strange[name]], 3)
            said.append(f"{name}: {len(strange)} ({some}; {_lines(strange['line'])})")
    return [find("dates open", source, "; ".join(said))] if said else []


# ---- states ------------------------------------------------------------------------------------------------------


def space_states(
    spaces: pd.DataFrame,
    events: pd.DataFrame,
    rights: pd.DataFrame | None = None,
    *,
    rules: Mapping[str, float],
    probable_graves: gpd.GeoDataFrame | None = None,
    vaults: gpd.GeoDataFrame | None = None,
    lost: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Say what is known of the use of each space or niche, from its history and what lies there.

    Events count in the order of their dates, then of their rows; an undated burial comes first and an undated removal
    last. An urn alone occupies a space. A space whose last burial was removed is "disturbed, empty", never vacant. A
    burial recorded in a lot without its space puts all free spaces of the lot in doubt.

    Parameters
    ----------
    spaces : DataFrame
        Layer ``spaces`` or ``niches``; without ``kind`` all are niches.
    events, rights : DataFrame
        Layers of those names, events in the order of their rows.
    rules : mapping of str to float
        ``space.full_burials``, ``space.urns``, ``space.grave_share``.
    probable_graves, vaults : GeoDataFrame, optional
        A grave counts for the space it names and for every space that holds ``space.grave_share`` of it; so does a
        vault.
    lost : DataFrame, optional
        From `cemgis.clearance.lost_spaces`, on the index of `spaces`.

    Returns
    -------
    table : DataFrame
        `STATE_COLUMNS` on the index of `spaces`.
    findings : list of Finding
        ``space overfull``, ``removal without burial``.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = pd.DataFrame({"space_id": ["A-1-1", "A-1-2"], "section": "A", "kind": "full"})
    >>> events = pd.DataFrame({"kind": ["interment", "disinterment"], "date": ["1901", "1950-06"],
    ...                        "space_id": ["A-1-2", "A-1-2"], "source": ["ledger.csv, line 2", "ledger.csv, line 9"]})
    >>> space_states(spaces, events, rules=Rules(FOOT))[0]["state"].tolist()
    ['vacant', 'disturbed, empty']
    """
    n = len(spaces)
    ids = pd.Index(np.asarray(spaces["space_id"].astype(object), dtype=object))
    urns_only = (
        spaces["kind"].isin(["cremation", "niche"]).to_numpy(dtype=bool) if "kind" in spaces else np.ones(n, dtype=bool)
    )
    history = _history(events, ids, urns_only)
    full, urns, unmatched = _counts(history, n)
    burials = full + urns
    removed = np.bincount(history.space[history.removal], minlength=n) > 0
    moved = np.bincount(history.space[history.moved], minlength=n) > 0
    graves = _lying(spaces, ids, probable_graves, "grave_id", rules["space.grave_share"])
    vault = _lying(spaces, ids, vaults, "vault_id", rules["space.grave_share"])
    grave_there, vault_there = ~pd.isna(graves), ~pd.isna(vault)
    right = _last_right(rights, ids)
    open_lot = _open_lots(spaces, events)
    lost_to = np.full(n, None, dtype=object)
    if lost is not None:
        frame = lost.reindex(spaces.index)
        gone = frame["lost"].fillna(value=False).to_numpy(dtype=bool)
        lost_to[gone] = np.asarray(frame["lost_to"].astype(object), dtype=object)[gone]

    occupied = burials > 0
    torn = ~occupied & ((unmatched > 0) | moved | (removed & (grave_there | vault_there)))
    conditions = [
        (occupied, "occupied"),
        (torn, "in doubt"),
        (removed, "disturbed, empty"),
        (grave_there | vault_there, "probably occupied"),
        (~pd.isna(open_lot), "in doubt"),
        (~pd.isna(lost_to), "lost"),
        (~pd.isna(right), "right held"),
    ]
    state = np.full(n, "vacant", dtype=object)
    for condition, name in reversed(conditions):
        state[condition] = name

    why = _why(
        (_count_words(full, urns), occupied),
        (_last_of(history, ~history.removal & ~history.moved, n), occupied),
        (_last_of(history, history.removal, n), removed),
        ("a removal is recorded without a burial", (unmatched > 0)),
        ("a move is recorded that does not say whether here or from here", moved),
        (_prefixed("probable grave ", graves), grave_there),
        (_prefixed("vault ", vault), vault_there & ~occupied),
        (open_lot, ~pd.isna(open_lot) & ~occupied),
        (_prefixed("taken by ", lost_to), ~pd.isna(lost_to)),
        (right, ~pd.isna(right)),
        n=n,
    )
    table = pd.DataFrame(
        {"state": pd.array(state, dtype="string"), "state_why": pd.array(why, dtype="string"),
         "burials": pd.array(burials, dtype="Int64")},
        index=spaces.index,
    )  # fmt: skip
    return table, _state_findings(spaces, ids, history, full, urns, unmatched, urns_only, rules)


@dataclass(frozen=True)
class _History:
    """Events of known spaces, in order: by space, then date, then row."""

    space: _Ints
    urn: _Flags
    removal: _Flags
    moved: _Flags
    words: _Objects
    source: _Objects


def _history(events: pd.DataFrame, ids: pd.Index, urns_only: _Flags) -> _History:
    space = np.asarray(ids.get_indexer(pd.Index(np.asarray(events["space_id"].astype(object)), dtype=object)))
    known = np.flatnonzero(space >= 0)
    space = space[known]
    events = events.iloc[known]
    kind = np.asarray(events["kind"].astype(object), dtype=object)
    date = events["date"].astype(object).where(events["date"].notna(), "")
    removal = np.isin(kind.astype(str), ["disinterment", "urn removed"])
    urn = np.isin(kind.astype(str), ["urn placed", "urn removed"]) | urns_only[space]
    parts = date.str.split("/") if len(date) else date
    first = parts.str[0] if len(date) else date
    last = parts.str[-1] if len(date) else date
    # A date known to the year or month stands for the whole of it: a burial may be its first day, a removal its last.
    # "~" comes after every digit and dash.
    last = last.where(last.str.len() == 10, last + "~") if len(last) else last
    order = pd.DataFrame({"space": space, "when": np.where(removal, last, first), "row": np.arange(len(space))})
    rows = order.sort_values(["space", "when", "row"], kind="stable").index.to_numpy()
    words = kind.astype(object) + " " + np.where(date == "", "undated", date)
    source = np.asarray(events["source"].astype(object), dtype=object)
    words = words + np.where(pd.isna(source), "", " (" + pd.Series(source, dtype=object).fillna("").to_numpy() + ")")
    return _History(space[rows], urn[rows], removal[rows], (kind == "move")[rows], words[rows], source[rows])


def _counts(history: _History, n: int) -> tuple[_Ints, _Ints, _Ints]:
    """Full burials and urns left in each space, and removals that had nothing to remove."""
    step = np.where(history.moved, 0, np.where(history.removal, -1, 1))
    group = history.space * 2 + history.urn
    running = pd.Series(step).groupby(group).cumsum()
    # A count cannot fall below zero: what would have been below is taken off again (the reflection of the walk).
    below = np.minimum(running.groupby(group).cummin(), 0)
    left = (running - below).groupby(group).last()
    missing = (-below).groupby(group).last()
    result = np.zeros((2, 2 * n), dtype=np.int64)
    result[0, left.index.to_numpy(dtype=np.int64)] = left.to_numpy(dtype=np.int64)
    result[1, missing.index.to_numpy(dtype=np.int64)] = missing.to_numpy(dtype=np.int64)
    return result[0, 0::2], result[0, 1::2], result[1, 0::2] + result[1, 1::2]


def _last_of(history: _History, which: _Flags, n: int) -> _Objects:
    """Words of the last event of each space among those chosen."""
    words = np.full(n, None, dtype=object)
    words[history.space[which]] = history.words[which]  # the last written stays
    return words


def _lying(spaces: pd.DataFrame, ids: pd.Index, things: gpd.GeoDataFrame | None, key: str, share: float) -> _Objects:
    """Id of a thing that lies in each space: one that names it, or of which it holds at least that share."""
    result = np.full(len(ids), None, dtype=object)
    if things is None or not len(things):
        return result
    names = np.asarray(things[key].astype(object), dtype=object)
    if isinstance(spaces, gpd.GeoDataFrame):
        shapes, own = np.asarray(things.geometry, dtype=object), np.asarray(spaces.geometry, dtype=object)
        thing, space = shapely.STRtree(own).query(shapes, predicate="intersects")
        part = shapely.area(shapely.intersection(shapes[thing], own[space]))
        held = part >= share * shapely.area(shapes[thing])
        result[space[held]] = names[thing[held]]
    if "space_id" in things:
        named = ids.get_indexer(pd.Index(np.asarray(things["space_id"].astype(object)), dtype=object))
        result[named[named >= 0]] = names[named >= 0]
    return result


def _last_right(rights: pd.DataFrame | None, ids: pd.Index) -> _Objects:
    result = np.full(len(ids), None, dtype=object)
    if rights is None or not len(rights):
        return result
    space = ids.get_indexer(pd.Index(np.asarray(rights["space_id"].astype(object)), dtype=object))
    date = rights["date"].astype(object).where(rights["date"].notna(), "").to_numpy()
    order = pd.DataFrame({"date": date}).sort_values("date", kind="stable").index.to_numpy()
    order = order[space[order] >= 0]
    words = "right " + np.where(date == "", "undated", date) + " (" + rights["source"].fillna("").astype(object) + ")"
    result[space[order]] = words.to_numpy(dtype=object)[order]
    return result


def _open_lots(spaces: pd.DataFrame, events: pd.DataFrame) -> _Objects:
    """Say for each space whether a burial is recorded in its lot that no space is known for."""
    result = np.full(len(spaces), None, dtype=object)
    if "lot_id" not in spaces or "lot_id" not in events:
        return result
    burial = events["kind"].isin(["interment", "urn placed"]) & events["space_id"].isna() & events["lot_id"].notna()
    if not burial.any():
        return result
    count = events.loc[burial, "lot_id"].astype(object).value_counts()
    here = spaces["lot_id"].astype(object).map(count).fillna(0).to_numpy(dtype=np.int64)
    some = here > 0
    lot = spaces["lot_id"].astype(object).to_numpy()[some]
    result[some] = here[some].astype(str).astype(object) + " recorded in lot " + lot + ", space not known"
    return result


def _prefixed(prefix: str, names: _Objects) -> _Objects:
    there = ~pd.isna(names)
    result = np.full(len(names), None, dtype=object)
    result[there] = prefix + names[there]
    return result


def _count_words(full: _Ints, urns: _Ints) -> _Objects:
    """Say the number of burials and urns, only where there is more than one burial or an urn."""
    words = np.full(len(full), None, dtype=object)
    for burials, n_urns in np.unique(np.column_stack([full, urns]), axis=0):
        said = []
        if burials > 1:
            said.append(f"{burials} burials")
        if n_urns:
            said.append(f"{n_urns} urn" + ("s" if n_urns > 1 else "") + ("" if burials else ", no full burial"))
        if said:
            words[(full == burials) & (urns == n_urns)] = ", ".join(said)
    return words


def _why(*parts: tuple[_Objects | str, _Flags], n: int) -> _Objects:
    """Join what applies to each space by semicolons."""
    result = np.full(n, "", dtype=object)
    for words, applies in parts:
        text = np.full(n, words, dtype=object) if isinstance(words, str) else words
        rows = applies & ~pd.isna(text)
        result[rows] = np.where(result[rows] == "", "", result[rows] + "; ") + text[rows]
    result[result == ""] = None
    return result


def _state_findings(
    spaces: pd.DataFrame, ids: pd.Index, history: _History, full: _Ints, urns: _Ints, unmatched: _Ints,
    urns_only: _Flags, rules: Mapping[str, float],
) -> list[Finding]:  # fmt: skip
    findings: list[Finding] = []
    section = np.asarray(_column(spaces, "section"), dtype=object)

    def told(place: int, which: _Flags) -> str:
        first, last = np.searchsorted(history.space, [place, place + 1])
        return _few(list(history.words[first:last][which[first:last]]))

    over = np.where(urns_only, urns > rules["space.urns"], full > rules["space.full_burials"])
    for place in np.flatnonzero(over).tolist():
        if urns_only[place]:
            reason = f"{urns[place]} urns recorded, {rules['space.urns']:g} allowed"
        else:
            reason = f"{full[place]} burials recorded, {rules['space.full_burials']:g} allowed"
        reason += f": {told(place, ~history.removal)}"
        findings.append(find("space overfull", ids[place], reason, section=section[place]))
    for place in np.flatnonzero(unmatched > 0).tolist():
        reason = f"{unmatched[place]} removed with nobody recorded there: {told(place, history.removal)}"
        findings.append(find("removal without burial", ids[place], reason, section=section[place]))
    return findings
