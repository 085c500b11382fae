"""The register: the clerk's lists read into events, people, rights, kin, memories and inscriptions."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from cemgis import names, schema
from cemgis.dates import Dates, birth_range, bounds, parse_age, read_dates
from cemgis.errors import Gather
from cemgis.findings import Finding, find
from cemgis.layers import EVENT_KINDS, LAYERS, RIGHT_KINDS
from cemgis.places import (
    Places,
    few,
    joined,
    label_key,
    make_places,
    place_key,
    place_keys,
    read_place,
    resolve,
    why_nowhere,
)

__all__ = ["ALIASES", "KINDS", "REGISTER_COLUMNS", "TABLES", "Register", "read_crosswalk", "read_register"]

KINDS: Mapping[str, str] = {
    **dict.fromkeys(("interment", "interred", "burial", "buried", "bur"), "interment"),
    **dict.fromkeys(("disinterment", "disinterred", "exhumation", "exhumed"), "disinterment"),
    **dict.fromkeys(("urn placed", "inurnment", "urn", "cremains", "ashes placed"), "urn placed"),
    **dict.fromkeys(("urn removed", "ashes removed"), "urn removed"),
    **dict.fromkeys(("scattering", "scattered", "ashes scattered"), "scattering"),
    **dict.fromkeys(("move", "moved"), "move"),
    **dict.fromkeys(("right", "deed", "owner", "ownership"), "right"),
    **dict.fromkeys(("sale", "sold", "purchase", "purchased"), "sale"),
    **dict.fromkeys(("inheritance", "inherited"), "inheritance"),
    **dict.fromkeys(("assignment", "assigned", "transfer", "transferred"), "assignment"),
    **dict.fromkeys(("buy back", "bought back", "repurchase"), "buy-back"),
    **dict.fromkeys(("reclamation", "reclaimed"), "reclamation"),
    **dict.fromkeys(("reserved", "reservation"), "reserved"),
    **dict.fromkeys(("inscription", "stone", "headstone", "gravestone"), "inscription"),
    **dict.fromkeys(("memory", "remembered", "told"), "memory"),
}
"""Kinds of row as they may be written, and what they are called here."""

REGISTER_COLUMNS = (
    "kind", "number", "date", "name", "title", "given", "middle", "surname", "maiden", "suffix", "section", "row",
    "lot", "space", "place", "born", "died", "age", "container", "spouse", "father", "mother", "parents", "holder",
    "from_holder", "share", "reserved_for", "instrument", "book", "page", "certainty", "inscription", "photo", "note",
    "told_by", "veteran",
)  # fmt: skip
"""Columns of a register by our names."""

ALIASES: Mapping[str, tuple[str, ...]] = {
    "number": ("entry", "entry no", "record no", "no"),
    "date": ("burial date", "date of burial", "interment date", "date of interment", "buried on"),
    "name": ("full name", "name of deceased", "deceased"),
    "given": ("first name", "forename", "given name", "first"),
    "middle": ("middle name",),
    "surname": ("last name", "family name", "last"),
    "maiden": ("maiden name", "birth name"),
    "born": ("date of birth", "birth date", "dob", "birth"),
    "died": ("date of death", "death date", "dod", "death"),
    "age": ("age at death",),
    "space": ("grave", "grave no"),
    "holder": ("owner", "lot owner"),
    "page": ("ledger page",),
    "note": ("notes", "remarks", "comments"),
    "told_by": ("informant", "told by"),
    "reserved_for": ("reserved for",),
    "from_holder": ("seller", "from"),
    "veteran": ("military", "military service", "served"),
}
"""Further headings that are taken without being named, where no column has our own name."""

TABLES = ("events", "people", "rights", "kin", "memories", "inscriptions")
"""Layers a register fills."""

_PERSONAL = ("title", "given", "middle", "surname", "maiden", "suffix")
_KIN_COLUMNS = {"spouse": "spouse of", "father": "child of", "mother": "child of", "parents": "child of"}
_NO = ("no", "n", "false", "0", "none", "never", "nein", "non", "civilian", "not a veteran")
_NOT_KNOWN = ("", "?", "-", "unknown", "unk", "not known", "n/a", "na")
_FEW = 5
_SHORTEST_TITLE = 4
_SPREAD = 0.77  # cosine of 40 degrees: spaces that follow one another this near to a direction are halved across it
_TOWARD = {"north": (0.0, 1.0), "south": (0.0, -1.0), "east": (1.0, 0.0), "west": (-1.0, 0.0)}


class Register(NamedTuple):
    """What the register says.

    Parameters
    ----------
    events, people, rights, kin, memories, inscriptions : DataFrame
        The layers of those names.
    findings : list of Finding
    """

    events: pd.DataFrame
    people: pd.DataFrame
    rights: pd.DataFrame
    kin: pd.DataFrame
    memories: pd.DataFrame
    inscriptions: pd.DataFrame
    findings: list[Finding]


def _lines(lines: pd.Series) -> str:
    values = list(lines)
    return ("line " if len(values) == 1 else "lines ") + few(values)


# ---- columns and kinds -------------------------------------------------------------------------------------------


def _taken_columns(
    table: pd.DataFrame, columns: Mapping[str, str], kind: str | None, source: str
) -> dict[str, str]:  # fmt: skip
    """Our names of columns to theirs."""
    gather = Gather()
    present = [str(name) for name in table.columns if name != "line"]
    twice = sorted({name for name in present if present.count(name) > 1})
    if twice:
        gather.add(source, f"column {few(twice)} is there more than once", "Give each column its own name.")
    by_key = {label_key(name): name for name in reversed(present)}
    taken: dict[str, str] = {}
    for ours, theirs in columns.items():
        if ours not in REGISTER_COLUMNS:
            near = difflib.get_close_matches(ours, REGISTER_COLUMNS, 1)
            remedy = f"Did you mean {near[0]}?" if near else f"One of: {', '.join(REGISTER_COLUMNS)}."
            gather.add(f"{source}, columns.{ours}", "no such column of a register", remedy)
        elif theirs not in present:
            near = difflib.get_close_matches(theirs, present, 1)
            remedy = f"Did you mean {near[0]!r}?" if near else f"The file has: {few(present, 12)}."
            gather.add(f"{source}, columns.{ours}", f"the file has no column {theirs!r}", remedy)
        else:
            taken[ours] = theirs
    for ours in REGISTER_COLUMNS:
        if ours not in columns and label_key(ours) in by_key:
            taken[ours] = by_key[label_key(ours)]
    used = set(taken.values())
    for ours, others in ALIASES.items():
        if ours in taken or ours in columns:
            continue
        found = [by_key[label_key(other)] for other in others if label_key(other) in by_key]
        found = [name for name in found if name not in used]
        if len(found) == 1:
            taken[ours] = found[0]
            used.add(found[0])
    if kind is not None and _known_kind(kind) is None:
        gather.add(
            f"{source}, kind", f"{kind!r}: no such kind of row", f"One of: {', '.join(dict.fromkeys(KINDS.values()))}."
        )
    has = f"It has: {few(present, 12)}." if present else "It has no columns."
    if "kind" not in taken and "kind" not in columns and kind is None:
        remedy = f'Name it: columns = {{ kind = "..." }}, or write kind = "interment" for all rows. {has}'
        gather.add(source, "no column says what happened", remedy)
    if not {"place", "lot", "space"} & (set(taken) | set(columns)):
        gather.add(source, "no column says where", f'Name it: columns = {{ lot = "...", space = "..." }}. {has}')
    gather.raise_if_any()
    return taken


def _named_columns(table: pd.DataFrame, taken: Mapping[str, str]) -> pd.DataFrame:
    """Return the register's columns by our names; what is not there is missing."""
    named = pd.DataFrame(index=table.index)
    for ours in REGISTER_COLUMNS:
        if ours in taken:
            text = table[taken[ours]].astype("string").str.strip()
            named[ours] = text.where((text != "").fillna(value=False))
        else:
            named[ours] = pd.Series(pd.NA, index=table.index, dtype="string")
    return named


def _known_kind(word: object) -> str | None:
    return KINDS.get(" ".join(re.split(r"[\s_-]+", str(word).strip().lower())))


def _kinds(kind: pd.Series) -> pd.Series:
    code, unique = pd.factorize(kind.astype(object))
    known = [_known_kind(word) for word in unique]
    return pd.Series(np.array([*known, None], dtype=object)[code], index=kind.index, dtype=object)


def _as_written(table: pd.DataFrame) -> pd.Series:
    """Each row as JSON, without its line number."""
    text = table.drop(columns="line", errors="ignore").astype(object)
    if not len(text.columns) or not len(text):
        return pd.Series("{}", index=table.index, dtype=object)
    text = text.where(text.notna(), None)
    rows = text.to_json(orient="records", lines=True, force_ascii=False).split("\n")
    return pd.Series([row for row in rows if row], index=table.index, dtype=object)


# ---- reading -----------------------------------------------------------------------------------------------------


def read_crosswalk(table: pd.DataFrame, *, source: str) -> pd.DataFrame:
    """Read a list of former numbers of places: ``old``, ``new``, and ``until`` when the old one was used.

    Parameters
    ----------
    table : DataFrame of str
        With line numbers in ``line``.
    source : str
        Name of the file.

    Returns
    -------
    DataFrame
        As `cemgis.places.resolve` takes it.

    Raises
    ------
    InputError
        When a column is not there, a cell is empty or a date is not understood.

    Examples
    --------
    >>> table = pd.DataFrame({"line": [2], "old": ["B 14"], "new": ["C 3"], "until": ["1924"]})
    >>> read_crosswalk(table, source="old.csv")[["old", "first_until", "source"]].values.tolist()
    [['B 14', '1924-01-01', 'old.csv, line 2']]
    """
    gather = Gather()
    absent = [name for name in ("old", "new", "until") if name not in table]
    if absent:
        gather.add(source, f"no column {', '.join(absent)}", "It needs the columns old, new and until.")
        gather.raise_if_any()
    line = table["line"] if "line" in table else pd.Series(np.arange(1, len(table) + 1), index=table.index)
    until = read_dates(table["until"])
    span = bounds(until.date)
    for name in ("old", "new"):
        for number in line[table[name].map(place_key) == ""]:
            gather.add(f"{source} line {number}", f"{name} names no place", "Write it or take the line out.")
    for number, text in zip(line[span["latest"].isna()], table.loc[span["latest"].isna(), "until"], strict=True):
        gather.add(f"{source} line {number}", f"until {text!r} is not understood", "Write a year or a day: 1924-05-01.")
    gather.raise_if_any()
    return pd.DataFrame(
        {
            "old": table["old"], "new": table["new"], "first_until": span["earliest"], "last_until": span["latest"],
            "source": source + ", line " + line.astype(str),
        }
    )  # fmt: skip


def read_register(
    table: pd.DataFrame,
    *,
    source: str,
    spaces: pd.DataFrame,
    niches: pd.DataFrame | None = None,
    lots: pd.DataFrame | None = None,
    columns: Mapping[str, str] | None = None,
    default_section: str | None = None,
    kind: str | None = None,
    crosswalk: pd.DataFrame | None = None,
    shapes: gpd.GeoDataFrame | None = None,
    titles: Mapping[str, str] | None = None,
) -> Register:
    """Read a register from a table of text, with its dates, names and places understood and the rows kept.

    A place is written in columns (section, row, lot, space) or as text ("A-12-3", "A lot 12 sp 3", "Lot 12, gr. 3").
    Nothing is guessed: what fits several places stays open, what fits none is a finding, a date that is not understood
    stays open. A right to a lot without a space is a right to all its spaces.

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
    kind : str, optional
        What rows record that do not say so themselves.
    crosswalk : DataFrame, optional
        Former numbering, from `read_crosswalk`.
    shapes : GeoDataFrame, optional
        Layer ``spaces`` with its polygons: with it a right to the north half of a lot is one to the spaces there.
    titles : mapping of str to str, optional
        Names of sections to what they are called, "Hill section".

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
    >>> table = pd.DataFrame({"line": [2, 3], "Kind": ["Interment", "right"], "Date": ["4 May 1923", "abt 1920"],
    ...                       "Place": ["A lot 12 sp 2", "A-13-1"], "Name": ["Ada Penn", ""]})
    >>> register = read_register(table, source="ledger.csv", spaces=spaces, lots=lots)
    >>> register.events[["event_id", "space_id", "date"]].values.tolist()
    [['ledger.csv:2', 'A-12-2', '1923-05-04']]
    >>> [(item.kind, item.subject, item.reason) for item in register.findings]
    [('place unknown', 'A-13-1', 'section A has no 13-1 (ledger.csv, line 3)')]
    """
    taken = _taken_columns(table, columns or {}, kind, source)
    table = table.reset_index(drop=True)
    named = _named_columns(table, taken)
    named["line"] = table["line"] if "line" in table else pd.Series(np.arange(1, len(table) + 1))
    named["as_written"] = _as_written(table)
    filled = named[list(REGISTER_COLUMNS)].notna().any(axis=1)
    named = named[filled].reset_index(drop=True)
    findings: list[Finding] = []
    named["id"] = _row_ids(named, source)
    named["source"] = source + ", line " + named["line"].astype(str)
    named["known"] = _kinds(named["kind"])
    if kind is not None:
        named["known"] = named["known"].where(named["kind"].notna(), _known_kind(kind))
    findings += _kind_findings(named, source)
    read = {name: read_dates(named[name]) for name in ("date", "born", "died")}
    findings += _date_findings(named, read, source)
    findings += _gaps(named, source)

    told = named["known"].notna().to_numpy()
    is_right = named["known"].isin(RIGHT_KINDS).to_numpy()
    is_event = told & ~is_right & ~named["known"].isin(["inscription", "memory"]).to_numpy()
    places = make_places(spaces, niches, lots)
    called = _titles(titles or {}, places)
    rows, found, place_findings = _placed(
        named, read, is_right, told, places, default_section, crosswalk, source, called
    )
    findings += place_findings
    # Every row once, or once for each space a right names.
    wide = named.loc[rows].reset_index(drop=True)
    once = ~pd.Series(rows).duplicated().to_numpy()
    right_rows = is_right[rows]
    people = _people(named, read, is_event)
    events = _events(wide[once], found[once], read, people)[is_event]
    rights = _rights(wide[right_rows], found[right_rows], read["date"], rows[right_rows], places, shapes)
    kin = _recorded_kin(named, people)
    firsts = found[once].reset_index(drop=True)
    memories, inscriptions = _told(named, firsts, read)
    made = {
        "events": events, "people": people, "rights": rights, "kin": kin, "memories": memories,
        "inscriptions": inscriptions,
    }  # fmt: skip
    shaped = {name: schema.restore(made[name].reset_index(drop=True), LAYERS[name]) for name in TABLES}
    return Register(**shaped, findings=findings)


def _row_ids(named: pd.DataFrame, source: str) -> pd.Series:
    """Ids that stay when rows are inserted: by the clerk's own number where every number is there once."""
    number = named["number"]
    line = source + ":" + named["line"].astype(str)
    own = number.notna() & ~number.duplicated(keep=False)
    return (source + ":no. " + number.fillna("")).where(own, line)


def _kind_findings(named: pd.DataFrame, source: str) -> list[Finding]:
    strange = named[named["known"].isna()]
    if not len(strange):
        return []
    said = [
        f"kind {word!r} ({_lines(lines)})" if word else f"no kind ({_lines(lines)})"
        for word, lines in strange["line"].groupby(strange["kind"].fillna(""), sort=False)
    ]
    return [find("rows not understood", source, f"{len(strange)} rows: {'; '.join(said[:_FEW])}")]


def _date_findings(named: pd.DataFrame, read: Mapping[str, Dates], source: str) -> list[Finding]:
    findings = []
    said, open_order, never = [], [], []
    for name, dates in read.items():
        strange = named[dates.how.isin(["not understood", "two ways"])]
        if len(strange):
            some = few([f"{text!r}" for text in strange[name]], 3)
            said.append(f"{name}: {len(strange)} ({some}; {_lines(strange['line'])})")
        wrong = named[dates.how == "no such day"]
        if len(wrong):
            some = few([f"{text!r}" for text in wrong[name]], 3)
            never.append(f"{name}: {len(wrong)} ({some}; {_lines(wrong['line'])})")
        either = named[dates.how == "either order"]
        if len(either):
            some = few([f"{text!r}" for text in either[name]], 3)
            open_order.append(f"{name}: {len(either)} ({some}; {_lines(either['line'])}); {dates.evidence}")
    if open_order:
        findings.append(find("day and month open", source, "; ".join(open_order)))
    if never:
        findings.append(find("no such day", source, "; ".join(never)))
    if said:
        findings.append(find("dates open", source, "; ".join(said)))
    return findings


def _gaps(named: pd.DataFrame, source: str) -> list[Finding]:
    """Numbers missing in the ledger's own count, where it has one."""
    text = named["number"].dropna()
    plain = text[text.str.fullmatch(r"[0-9]{1,9}").fillna(value=False)]
    if len(plain) < 2 or len(plain) < 0.9 * len(text):
        return []
    numbers = np.unique(plain.astype(int).to_numpy())
    after = np.flatnonzero(np.diff(numbers) > 1)
    missing = int((np.diff(numbers)[after] - 1).sum())
    # With more missing than there, the numbers are no running count.
    if not missing or missing >= len(numbers):
        return []
    said = []
    for place in after:
        first, last = numbers[place] + 1, numbers[place + 1] - 1
        said.append(f"{first}" if first == last else f"{first} to {last}")
    return [find("gap in the ledger", source, f"{missing} missing of {numbers[0]} to {numbers[-1]}: {few(said)}")]


# ---- places ------------------------------------------------------------------------------------------------------


def _titles(titles: Mapping[str, str], places: Places) -> dict[str, str]:
    """Return what sections are called, in small letters, to their names: what no other section is called or named."""
    said = [(" ".join(title.split()).casefold(), name) for name, title in titles.items()]
    count = Counter(title for title, _ in said)
    return {
        title: name for title, name in said
        if count[title] == 1 and len(title) >= _SHORTEST_TITLE and place_key(title) not in places.sections
    }  # fmt: skip


def _by_title(texts: pd.Series, titles: Mapping[str, str]) -> pd.Series:
    """Put the name of a section where a text begins with what the section is called."""
    if not titles:
        return texts
    longest = "|".join(re.escape(title).replace(r"\ ", r"\s+") for title in sorted(titles, key=len, reverse=True))
    start = re.compile(rf"\s*(?:the\s+)?({longest})(?!\w)[\s,;:.-]*", re.IGNORECASE)

    def told(text: object) -> object:
        found = start.match(text) if isinstance(text, str) else None
        if found is None:
            return text
        name = titles.get(" ".join(found[1].split()).casefold())
        return text if name is None else f"Section {name} {str(text)[found.end() :]}".strip()

    code, unique = pd.factorize(texts.astype(object))
    return pd.Series(np.array([*map(told, unique), None], dtype=object)[code], index=texts.index, dtype=object)


def _written_places(
    named: pd.DataFrame, default_section: str | None, titles: Mapping[str, str]
) -> pd.DataFrame:  # fmt: skip
    """Place as written, its key read two ways, the section to supply, the part, the list of spaces, scattering."""
    as_said = named
    named = named.assign(**{name: _by_title(named[name], titles) for name in ("section", "place")})
    in_columns = named[["lot", "space"]].notna().any(axis=1) | named["place"].isna()
    parts = [named[name].fillna("").astype(object) for name in ("section", "row", "lot", "space")]
    said = [as_said[name].fillna("").astype(object) for name in ("section", "row", "lot", "space")]
    written = joined(*said).where(in_columns, as_said["place"].astype(object))
    asked = pd.DataFrame({"lot": parts[2], "space": parts[3], "place": named["place"].fillna("").astype(object)})
    lot = _taken_apart(asked["lot"], "lot ")
    space = _taken_apart(asked["space"], "space ")
    text = _taken_apart(asked["place"], "")
    made = pd.DataFrame(index=named.index)
    made["written"] = written.where(written != "", "not stated")
    for name, join in (("key", False), ("close", True)):
        own = joined(
            place_keys(parts[0], join=join), place_keys(parts[1], join=join), place_keys(lot["text"], join=join),
            place_keys(space["text"], join=join),
        )  # fmt: skip
        made[name] = own.where(in_columns, place_keys(text["text"], join=join))
    listed = made["key"].index[(lot["numbers"].map(bool) | space["numbers"].map(bool) | text["numbers"].map(bool))]
    own = joined(*(place_keys(part[listed]) for part in parts))
    made["whole"] = own.where(in_columns[listed], place_keys(asked.loc[listed, "place"]))
    supplied = named["section"].astype(object).where(~in_columns & named["section"].notna(), default_section)
    made["supplied"] = place_keys(supplied).where(~(in_columns & named["section"].notna()), "")
    made["part"] = lot["part"].where(in_columns, text["part"])
    made["numbers"] = space["numbers"].where(in_columns, text["numbers"])
    # A scattering may be told by the kind of the row, the container's column or the place itself.
    made["scattered"] = text["scattered"].where(~in_columns, lot["scattered"] | space["scattered"])
    other = [
        (named[name].notna() & (named[name] != as_said[name])).fillna(value=False) for name in ("section", "place")
    ]
    made["by_title"] = other[1].where(~in_columns, other[0]).astype(bool)
    return made


def _taken_apart(texts: pd.Series, before: str) -> pd.DataFrame:
    code, unique = pd.factorize(texts)
    read = [read_place(before + text) if text else read_place("") for text in unique]
    made = np.empty((len(read), 4), dtype=object)
    for row, item in enumerate(read):
        made[row] = [item.text, item.part, item.numbers, item.scattered]
    return pd.DataFrame(made[code], index=texts.index, columns=["text", "part", "numbers", "scattered"])


def _placed(
    named: pd.DataFrame, read: Mapping[str, Dates], is_right: Any, told: Any, places: Places,
    default_section: str | None, crosswalk: pd.DataFrame | None, source: str, titles: Mapping[str, str],
) -> tuple[Any, pd.DataFrame, list[Finding]]:  # fmt: skip
    """Resolve the places: row numbers (repeated where a right names several spaces), what was found, findings."""
    asked = _written_places(named, default_section, titles)
    # "3-4" may be a niche, row 3 and column 4, as well as two graves: a place of that name goes first.
    listed = asked["numbers"].map(bool).to_numpy(dtype=bool) if len(asked) else np.zeros(0, dtype=bool)
    if listed.any():
        whole = asked[listed]
        alone = resolve(whole["whole"], whole["whole"], whole["supplied"], places)
        taken = alone.index[alone["outcome"] == "space"]
        asked.loc[taken, ["key", "close"]] = asked.loc[taken, ["whole", "whole"]].to_numpy()
        asked["numbers"] = asked["numbers"].where(~asked.index.isin(taken), "")
    count = asked["numbers"].map(len).to_numpy(dtype=np.int64) if len(asked) else np.empty(0, dtype=np.int64)
    times = np.where(is_right, np.maximum(count, 1), 1)
    rows = np.repeat(np.arange(len(named)), times)
    asked = asked.iloc[rows].reset_index(drop=True)
    several = count[rows] > 1
    which = np.arange(len(rows)) - np.repeat(np.cumsum(times) - times, times)
    number = pd.Series(
        [numbers[place] if numbers else "" for numbers, place in zip(asked["numbers"], which, strict=True)],
        index=asked.index, dtype=object,
    ).where(pd.Series(is_right[rows] & several, index=asked.index), "")  # fmt: skip
    key, close = joined(asked["key"], number), joined(asked["close"], number)
    when = read["date"].date.where(read["date"].date.notna(), read["died"].date).iloc[rows].reset_index(drop=True)
    span = bounds(when)
    found = resolve(key, close, asked["supplied"], places, crosswalk, span["earliest"], span["latest"])
    scattered = asked["scattered"].astype(bool) | (named["known"].to_numpy(dtype=object)[rows] == "scattering")
    found.loc[scattered, "space_id"] = None
    found.loc[scattered, ["outcome", "resolved_by"]] = ["scattered", "scattered; there is no space"]
    by_title = (asked["by_title"] & ~found["outcome"].isin(["nowhere", "blank"])).to_numpy(dtype=bool)
    found.loc[by_title, "resolved_by"] = found["resolved_by"].astype(object) + "; the section by what it is called"
    named_several = several & ~is_right[rows]
    listed = asked["numbers"].map(", ".join)
    found.loc[named_several, "resolved_by"] = found["resolved_by"].astype(object) + "; spaces " + listed + " named"
    found.loc[named_several & (found["outcome"] == "space").to_numpy(), "outcome"] = "lot"
    found.loc[named_several, "space_id"] = None
    found["written"], found["part"] = asked["written"], asked["part"]
    shown = told[rows] & ~scattered.to_numpy()
    # A right, a stone or a memory may be of a lot.
    needs_space = named["known"].isin(EVENT_KINDS).to_numpy()
    shown &= needs_space[rows] | (found["outcome"] != "lot").to_numpy()
    line = named["line"].iloc[rows].reset_index(drop=True)
    return rows, found, _place_findings(found[shown], key, asked["supplied"], asked["written"], line, places, source)


def _place_findings(
    found: pd.DataFrame, key: pd.Series, supplied: pd.Series, written: pd.Series, line: pd.Series, places: Places,
    source: str,
) -> list[Finding]:  # fmt: skip
    """One finding for each place that is not there, and one note for each that is open."""
    findings: list[Finding] = []
    open_rows = found[found["outcome"] != "space"]
    if not len(open_rows):
        return findings
    key, supplied = key[open_rows.index], supplied[open_rows.index]
    first = key.str.partition("-")[0] if len(key) else key
    complete = joined(supplied, key).where((supplied != "") & ~first.isin(list(places.sections)), key)
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
            findings.append(find("place unknown", about, f"{why_nowhere(about, places)} ({where})"))
        elif outcome == "two ways":
            findings.append(find("place reads two ways", about, f"{rows['by'].iloc[0]} ({where})"))
        else:
            findings.append(find("place open", about, f"{rows['by'].iloc[0]} ({where})"))
    return findings


# ---- the tables --------------------------------------------------------------------------------------------------


def _whole_name(named: pd.DataFrame) -> pd.Series:
    """Return the name as written, or put together from its columns as surname, given."""
    front = named["title"].fillna("") + " " + named["given"].fillna("") + " " + named["middle"].fillna("")
    front = front.str.split().str.join(" ")
    surname, suffix = named["surname"].fillna(""), named["suffix"].fillna("")
    made = surname.str.cat(front.where((front == "") | (surname == ""), ", " + front))
    made = made.str.cat(suffix.where(suffix == "", ", " + suffix))
    return named["name"].fillna(made.where(made != ""))


def _people(named: pd.DataFrame, read: Mapping[str, Dates], is_event: Any) -> pd.DataFrame:
    whole = _whole_name(named)
    keep = is_event & whole.notna().to_numpy()
    part = named[keep]
    parsed = names.read_names(whole[keep])
    for name in _PERSONAL:
        parsed[name] = part[name].fillna(parsed[name])
    born, died, date = read["born"].date[keep], read["died"].date[keep], read["date"].date[keep]
    by = pd.Series("as written", index=part.index, dtype="string").where(born.notna())
    aged = born.isna() & part["age"].notna()
    for basis, said, about in ((died, "age at death", False), (date, "age at burial", True)):
        rows = aged & basis.notna() & born.isna()
        if rows.any():
            values = [_from_age(day, age, about=about) for day, age in zip(basis[rows], part["age"][rows], strict=True)]
            born = born.copy()
            born[rows] = pd.array(values, dtype="string")
            by = by.mask(rows & born.notna(), said)
    return pd.DataFrame(
        {
            "person_id": part["id"], "name": whole[keep], **{name: parsed[name] for name in parsed}, "born": born,
            "born_written": part["born"], "born_by": by, "died": died, "died_written": part["died"], "age": part["age"],
            "inscription": part["inscription"], "photo": part["photo"], "page": part["page"],
            "certainty": part["certainty"], "note": _remarks(part, parsed["rest"]), "source": part["source"],
            "veteran": _served(part["veteran"]),
        }
    )  # fmt: skip


def _from_age(day: str, text: str, *, about: bool) -> str | None:
    age = parse_age(text)
    return None if age is None else birth_range(day, age._replace(about=age.about or about))


def _served(said: pd.Series) -> pd.Series:
    """Say who served, by a column of its own: whatever is written there is service, unless it says no or not known."""
    word = said.str.strip(" .").str.casefold()
    known = said.notna() & ~word.isin(_NOT_KNOWN)
    return (~word.isin(_NO)).where(known).astype("boolean")


def _remarks(part: pd.DataFrame, rest: pd.Series) -> pd.Series:
    """Join the note and words of the name that are no name."""
    both = part["note"].fillna("").str.cat(rest.fillna(""), sep="; ").str.strip("; ")
    return both.where(both != "")


def _events(
    wide: pd.DataFrame, found: pd.DataFrame, read: Mapping[str, Dates], people: pd.DataFrame
) -> pd.DataFrame:  # fmt: skip
    wide, found = wide.reset_index(drop=True), found.reset_index(drop=True)
    person = wide["id"].where(wide["id"].isin(people["person_id"]))
    return pd.DataFrame(
        {
            "event_id": wide["id"], "kind": wide["known"], "date": read["date"].date, "date_written": wide["date"],
            "person_id": person, "place": found["written"], "lot_id": found["lot_id"], "space_id": found["space_id"],
            "resolved_by": found["resolved_by"], "container": wide["container"], "page": wide["page"],
            "certainty": wide["certainty"], "source": wide["source"], "as_written": wide["as_written"],
        }
    )  # fmt: skip


def _rights(
    wide: pd.DataFrame, found: pd.DataFrame, date: Dates, rows: Any, places: Places, shapes: gpd.GeoDataFrame | None
) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "right_id": wide["id"], "kind": wide["known"], "holder": wide["holder"].fillna(_whole_name(wide)),
            "from_holder": wide["from_holder"], "share": wide["share"], "reserved_for": wide["reserved_for"],
            "instrument": wide["instrument"], "book": wide["book"], "page": wide["page"], "place": found["written"],
            "part": found["part"].where(found["part"] != ""), "lot_id": found["lot_id"], "space_id": found["space_id"],
            "resolved_by": found["resolved_by"], "note": wide["note"], "source": wide["source"],
            "as_written": wide["as_written"], "outcome": found["outcome"],
        }
    )  # fmt: skip
    table["date"], table["date_written"] = date.date.to_numpy()[rows], wide["date"]
    repeated = table["right_id"].duplicated(keep=False) & table["space_id"].notna()
    table["right_id"] = table["right_id"].where(~repeated, table["right_id"] + ":" + table["space_id"].fillna(""))
    whole = table["outcome"] == "lot"
    each = table[whole].drop(columns="space_id").merge(places.of_lot, on="lot_id", how="left")
    each = _halved(each, shapes)
    each["right_id"] = each["right_id"] + ":" + each["space_id"].astype(object).fillna("")
    parts = [piece for piece in (table[~whole], each) if len(piece)]
    rights = pd.concat(parts, ignore_index=True) if parts else table
    # graves listed together that resolve to no space, or one grave named twice, share what was written: number them
    again = rights.groupby("right_id").cumcount()
    rights["right_id"] = rights["right_id"].where(again == 0, rights["right_id"] + "." + (again + 1).astype("string"))
    return rights


def _halved(each: pd.DataFrame, shapes: gpd.GeoDataFrame | None) -> pd.DataFrame:
    """Keep the spaces that lie in the half a right names; all of them, and said so, where that does not tell."""
    side = each["part"].astype("string").str.extract(r"^(north|south|east|west) 1/2$")[0]
    asked = side.notna()
    if not asked.any():
        return each
    each = each.copy()
    keep = pd.Series(True, index=each.index)
    middle = None if shapes is None else shapes.set_index("space_id").geometry.centroid
    for (_, way), rows in each[asked].groupby(["right_id", side[asked]], sort=False):
        here = rows.index
        far = None
        if middle is not None and rows["space_id"].isin(middle.index).all() and len(rows) % 2 == 0:
            points = middle.loc[rows["space_id"].astype(object)]
            xy = np.column_stack([points.x, points.y])
            xy = xy - xy.mean(axis=0)
            along = np.linalg.svd(xy, full_matrices=False)[2][0]
            toward = np.asarray(_TOWARD[str(way)])
            if abs(along @ toward) >= _SPREAD:
                far = xy @ along * np.sign(along @ toward)
        if far is not None and np.abs(far).min() > 0.1 * np.abs(far).max():
            keep[here] = far > 0
            each.loc[here, "resolved_by"] = f"the spaces in the {way} half"
        else:
            each.loc[here, "resolved_by"] = f"the whole lot: which spaces are its {way} half is open"
    return each[keep]


def _recorded_kin(named: pd.DataFrame, people: pd.DataFrame) -> pd.DataFrame:
    """Relations that names and columns state."""
    said = []
    own = people[people["relation"].notna() & people["relative"].notna()]
    said.append(
        pd.DataFrame(
            {"person_id": own["person_id"], "relation": own["relation"], "other_name": own["relative"],
             "why": own["name"], "source": own["source"]}
        )
    )  # fmt: skip
    rows = named.loc[people.index]
    for column, relation in _KIN_COLUMNS.items():
        there = rows[column].notna().to_numpy()
        if there.any():
            said.append(
                pd.DataFrame(
                    {"person_id": people["person_id"][there], "relation": relation, "other_name": rows[column][there],
                     "why": f"column {column}", "source": people["source"][there]}
                )
            )  # fmt: skip
    kin = pd.concat(said, ignore_index=True)
    kin["by"] = "as recorded"
    kin["kin_id"] = kin["person_id"] + ", " + kin["relation"] + " " + kin["other_name"]
    return kin[~kin["kin_id"].duplicated()]


def _told(
    named: pd.DataFrame, found: pd.DataFrame, read: Mapping[str, Dates]
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    """Memories and inscriptions."""
    place = {
        "place": found["written"], "lot_id": found["lot_id"], "space_id": found["space_id"],
        "resolved_by": found["resolved_by"], "source": named["source"], "as_written": named["as_written"],
    }  # fmt: skip
    name = _whole_name(named)
    memory = pd.DataFrame(
        {"memory_id": named["id"], "text": named["note"].fillna(named["inscription"]).fillna("nothing written"),
         "about": name, "told_by": named["told_by"], "told_on": read["date"].date, **place}
    )  # fmt: skip
    stone = pd.DataFrame(
        {"inscription_id": named["id"], "name": name, "born": read["born"].date, "died": read["died"].date,
         "text": named["inscription"].fillna(named["note"]), "photo": named["photo"], "seen": read["date"].date,
         "certainty": named["certainty"], **place}
    )  # fmt: skip
    return memory[(named["known"] == "memory").to_numpy()], stone[(named["known"] == "inscription").to_numpy()]
