"""Places as people write them: when two of them mean the same, and which space, lot or section they name."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

__all__ = [
    "PARTS",
    "PlaceText",
    "Places",
    "carries_section",
    "column_of",
    "few",
    "former_numbers",
    "joined",
    "label_key",
    "make_places",
    "place_key",
    "place_keys",
    "read_place",
    "resolve",
    "resolve_keys",
    "why_nowhere",
]  # fmt: skip

_BETWEEN = re.compile(r"(?<=[^\W\d_])(?=\d)")
_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")


def _plain(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Nd":
        return str(unicodedata.decimal(character))
    if category == "Cf":
        return ""
    return character if category[0] in "LM" or (character.isascii() and character.isalnum()) else "-"


def label_key(text: object) -> str:
    """Return what stays the same however a label is written: its letters and numbers, one dash between them.

    Case, blanks, dashes of any kind, other separators and leading zeros do not count. A letter right behind a number
    is part of it (lot 12A is not lot 12), so ``12A`` and ``12-A`` stay two labels.

    Parameters
    ----------
    text : str or None
        Anything else than text has no key.

    Returns
    -------
    str
        Empty when nothing is written.

    Examples
    --------
    >>> label_key(" b – 016"), label_key("B16"), label_key("B_12a")
    ('B-16', 'B-16', 'B-12A')
    >>> label_key("C-3-07"), label_key(None)
    ('C-3-7', '')
    """
    return _key_of(text) if isinstance(text, str) else ""


@lru_cache(maxsize=1 << 16)
def _key_of(text: str) -> str:
    # ² and ½ would become plain digits and join the number before them: 16½ is not lot 161/2
    spaced = "".join(f" {c} " if unicodedata.category(c) == "No" else c for c in text)
    known = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", spaced).casefold().upper())
    joined = _BETWEEN.sub("-", "".join(_plain(character) for character in known))
    return _ZEROS.sub("", "-".join(part for part in joined.split("-") if part))


def carries_section(key: str) -> bool:
    """Whether a key made by `label_key` names more than a bare lot.

    Examples
    --------
    >>> carries_section("B-16"), carries_section("16A")
    (True, False)
    """
    return "-" in key


# ---- the text of a place -----------------------------------------------------------------------------------------

PARTS: Mapping[str, tuple[str, ...]] = {
    "section": ("SECTION", "SECT", "SEC", "BLOCK", "BLK"),
    "row": ("ROW", "TIER"),
    "lot": ("LOT", "LOTS", "LT", "PLOT"),
    "space": ("SPACE", "SPACES", "SPC", "SP", "GRAVE", "GRAVES", "GRV", "GR", "NICHE", "CRYPT"),
}
"""Parts of a place and the words for them."""

_PART_OF = {word: part for part, names in PARTS.items() for word in names}
_IDLE = ("NUMBER", "NO", "NR", "NUM", "OF", "IN")
_APART = re.compile(r"(\d)-([A-Z])(?=-|$)")
_FEW = 5

_SIDES = {"N": "north", "S": "south", "E": "east", "W": "west"}
_SIDE = r"(?:n|s|e|w|north|south|east|west)(?:ern)?\.?"
_SHARE = r"(?:1\s*/\s*2|half|1\s*/\s*4|quarter|1\s*/\s*3|2\s*/\s*3|3\s*/\s*4)"
_HALF = re.compile(rf"[\s,;(-]*\b(?P<side>{_SIDE})\s*-?\s*(?P<share>{_SHARE})\b(?:\s+of)?\)?", re.IGNORECASE)
_HALF_OF = re.compile(rf"\b(?P<share>{_SHARE})\s+of\s+(?=lots?\b)", re.IGNORECASE)
_SCATTER = re.compile(r"\b(?:scatter(?:ed|ing)?|strewn)\b", re.IGNORECASE)
_LIST = re.compile(
    r"(?P<word>\b(?:spaces?|spc|sp|graves?|grv|gr|niches?)s?\b[.\s]*(?:nos?\.?\s*|numbers?\s*)?)"
    r"(?P<first>[0-9]{1,4})(?P<more>(?:\s*(?:,|&|\+|\band\b|-|\bto\b|\bthru\b|\bthrough\b)\s*[0-9]{1,4})+)(?![0-9A-Za-z])",
    re.IGNORECASE,
)
_NICHE_PARTS = 4
# A niche as it is said: its building, face, row and column in this order; what says which is which is taken out.
_NICHE = re.compile(r"\b(?:columbarium|niches?|face)\b", re.IGNORECASE)
_GRAVE = re.compile(r"\b(?:lots?|graves?|gr|spaces?)\b", re.IGNORECASE)
_NICHE_WORDS = re.compile(
    r"\b(?:columbarium|building|bldg|niches?|face|rows?|tiers?|columns?|cols?|from the (?:bottom|left)|numbers?|nos?)"
    r"\b\.?",
    re.IGNORECASE,
)
_SPAN_WORDS = re.compile(r"-|to|thru|through", re.IGNORECASE)
_LONGEST_LIST = 100


class PlaceText(NamedTuple):
    """What the text of one place says.

    Parameters
    ----------
    text : str
        What is left when part and list are taken out.
    part : str
        Part of a lot, ``north 1/2``; empty for the whole.
    numbers : tuple of str
        Several spaces named together; empty when there is one or none.
    scattered : bool
        Ashes were scattered: there is no space.
    """

    text: str
    part: str = ""
    numbers: tuple[str, ...] = ()
    scattered: bool = False


def read_place(text: str | None) -> PlaceText:
    """Take apart what a place says besides section, lot and one space.

    Examples
    --------
    >>> read_place("B 14 N 1/2")[:2], read_place("Lot 14, graves 1-3")[::2]
    (('B 14', 'north 1/2'), ('Lot 14', ('1', '2', '3')))
    >>> read_place("ashes scattered in section D").scattered
    True
    """
    if text is None or len(text) > 200:
        return PlaceText(text or "")
    if _SCATTER.search(text):
        return PlaceText(text, scattered=True)
    plain = unicodedata.normalize("NFKC", "".join(f" {c}" if c in "½¼¾⅓⅔" else c for c in text)).replace("⁄", "/")
    plain = re.sub("[\u2010-\u2015]", "-", plain)
    if _NICHE.search(plain) and not _GRAVE.search(plain) and _LIST.search(plain) is None:
        said = " ".join(re.sub(r"[,;]", " ", _NICHE_WORDS.sub(" ", plain)).split())
        if len(re.split(r"[\s-]+", said)) >= _NICHE_PARTS:  # "niche 12" alone is a number, and no lot 12
            return PlaceText(said)
    found, part = _HALF.search(plain), ""
    if found is not None and (found.start() > 0 or re.match(r"\s*lots?\b", plain[found.end() :], re.IGNORECASE)):
        part = f"{_SIDES[found['side'][0].upper()]} {_share(found['share'])}"
        plain = f"{plain[: found.start()]} {plain[found.end() :]}".strip(" ,;")
    else:
        found = _HALF_OF.search(plain)
        if found is not None:
            part = _share(found["share"])
            plain = plain[: found.start()] + plain[found.end() :]
    listed = _LIST.search(plain)
    if listed is not None:
        numbers = _numbers(listed["first"], listed["more"])
        if len(numbers) > 1:
            rest = f"{plain[: listed.start()]} {plain[listed.end() :]}".strip(" ,;")
            return PlaceText(rest, part, numbers)
    return PlaceText(plain if part else text, part)


def _share(text: str) -> str:
    return {"half": "1/2", "quarter": "1/4"}.get(text.casefold(), text.replace(" ", ""))


def _numbers(first: str, more: str) -> tuple[str, ...]:
    numbers = [int(first)]
    for joint, number in re.findall(r"(,|&|\+|and|-|to|thru|through)\s*([0-9]+)", more, re.IGNORECASE):
        value = int(number)
        if _SPAN_WORDS.fullmatch(joint):
            if not 0 < value - numbers[-1] <= _LONGEST_LIST:
                return ()
            numbers += range(numbers[-1] + 1, value + 1)
        else:
            numbers.append(value)
    return tuple(dict.fromkeys(str(number) for number in numbers))


def place_key(text: object, *, join: bool = False) -> str:
    """Key of a place: section, row, lot and space in this order where words say which is which, else as they stand.

    Parameters
    ----------
    text : str or None
    join : bool
        Read "12 A" as 12A.

    Examples
    --------
    >>> place_key("Gr. 3, Lot No. 012, Sec. A"), place_key("lot 12 a gr 3"), place_key("lot 12 a gr 3", join=True)
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
        order = ("", *PARTS)
        named.sort(key=lambda item: order.index(item[0]))
    return "-".join(token for _, tokens in named for token in tokens)


def place_keys(texts: pd.Series, *, join: bool = False) -> pd.Series:
    """Give each text the key of its place."""
    code, unique = pd.factorize(texts.astype(object))
    made = np.array([*(place_key(text, join=join) for text in unique), ""], dtype=object)
    return pd.Series(made[code], index=texts.index, dtype=object)


def joined(*parts: pd.Series) -> pd.Series:
    """Join keys by dashes, empty ones left out."""
    whole = parts[0]
    for part in parts[1:]:
        dash = np.where((whole != "") & (part != ""), "-", "")
        whole = whole + dash + part
    return whole


# ---- what a place may resolve to ---------------------------------------------------------------------------------


def few(values: Sequence[Any], most: int = _FEW) -> str:
    """Name the first of some values and how many more there are."""
    shown = ", ".join(str(value)[:60] for value in values[:most])
    return shown + (f" and {len(values) - most} more" if len(values) > most else "")


@dataclass(frozen=True)
class Places:
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
    words = grouped.agg(lambda ids: few(list(ids)))
    return pd.concat([single, pd.DataFrame({"id": words, "count": grouped.size()})])


def column_of(table: pd.DataFrame, name: str) -> pd.Series:
    """Return a column as objects; missing throughout where the table has none of that name."""
    return table[name].astype(object) if name in table else pd.Series(None, index=table.index, dtype=object)


def make_places(spaces: pd.DataFrame, niches: pd.DataFrame | None, lots: pd.DataFrame | None) -> Places:
    """Gather every way in which the spaces, niches and lots of a ground may be named.

    Parameters
    ----------
    spaces, niches, lots : DataFrame
        Layers of those names; `spaces` or `lots` with ``row`` where numbers start again in each row.

    Examples
    --------
    >>> spaces = pd.DataFrame({"space_id": ["A-12-1", "A-12-2"], "section": "A", "lot_id": "A-12", "space": ["1", "2"]})
    >>> lots = pd.DataFrame({"lot_id": ["A-12"], "section": ["A"], "row": [None], "lot": ["12"]})
    >>> places = make_places(spaces, None, lots)
    >>> key, none = place_keys(pd.Series(["lot 12 gr 2", "A 12", "A 13"])), pd.Series(["", "", ""])
    >>> resolve(key, key, none, places)[["space_id", "lot_id", "outcome"]].values.tolist()
    [['A-12-2', 'A-12', 'space'], [None, 'A-12', 'lot'], [None, None, 'nowhere']]
    """
    ids, section, number = spaces["space_id"].astype(object), place_keys(spaces["section"]), place_keys(spaces["space"])
    lot_id = column_of(spaces, "lot_id")
    row_name = column_of(spaces, "row")
    lot = pd.Series("", index=spaces.index, dtype=object)
    lots_full: list[tuple[pd.Series, pd.Series]] = []
    lots_bare: list[tuple[pd.Series, pd.Series]] = []
    if lots is not None and len(lots):
        by_lot = lots.set_index("lot_id")
        lot = place_keys(lot_id.map(column_of(by_lot, "lot")))
        row_name = row_name.where(row_name.notna(), lot_id.map(column_of(by_lot, "row")))
        own_ids, own_section, own_lot = (
            lots["lot_id"].astype(object),
            place_keys(lots["section"]),
            place_keys(lots["lot"]),
        )
        own_row = place_keys(column_of(lots, "row"))
        lots_full = [
            (key, own_ids)
            for key in (place_keys(own_ids), joined(own_section, own_row, own_lot), joined(own_section, own_lot))
        ]
        lots_bare = [(own_lot, own_ids)]
    row = place_keys(row_name)
    whole = place_keys(ids)
    short = joined(section, lot, number)
    lot_table = _alias(lots_full)
    # A number that is a lot as well as a single grave is not taken for the grave.
    short = short.where(~short.isin(lot_table.index) | (short == whole), "")
    full = [(whole, ids), (joined(section, row, lot, number), ids), (short, ids)]
    bare = [(joined(lot, number).where(lot != "", ""), ids), (joined(row, number).where(lot == "", ""), ids)]
    names = [spaces["section"]]
    if niches is not None and len(niches):
        niche_ids = niches["space_id"].astype(object)
        parts = [
            place_keys(column_of(niches, name).map(_text)) for name in ("section", "building", "face", "row", "column")
        ]
        full += [(place_keys(niche_ids), niche_ids), (joined(*parts), niche_ids)]
        bare.append((joined(*parts[1:]), niche_ids))
        names.append(niches["section"])
    sections = pd.concat([name.astype(object) for name in names], ignore_index=True).drop_duplicates()
    return Places(
        _alias(full),
        _alias(bare),
        lot_table,
        _alias(lots_bare),
        dict(zip(place_keys(sections), sections, strict=True)),
        pd.DataFrame({"lot_id": lot_id, "space_id": ids})[lot_id.notna().to_numpy()],
    )


def _text(value: object) -> str | None:
    return None if pd.isna(value) else str(value)


def resolve_keys(key: pd.Series, close: pd.Series, section: pd.Series, places: Places) -> pd.DataFrame:
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
    supplied = joined(section, key).where(section != "", "")
    close_supplied = joined(section, close).where(section != "", "")
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


def why_nowhere(key: str, places: Places) -> str:
    """Say how far a place that does not exist can be followed."""
    parts = key.split("-")
    for length in range(len(parts) - 1, 0, -1):
        head, rest = "-".join(parts[:length]), "-".join(parts[length:])
        if head in places.lots_full.index and places.lots_full.loc[head, "count"] == 1:
            lot = places.lots_full.loc[head, "id"]
            has = places.of_lot.loc[places.of_lot["lot_id"] == lot, "space_id"]
            return f"lot {lot} has no space {rest}, it has {few(list(has))}"
        if head in places.sections:
            return f"section {places.sections[head]} has no {rest}"
    return f"no section {parts[0]} on any plat"


# ---- former numbering --------------------------------------------------------------------------------------------


def resolve(
    key: pd.Series, close: pd.Series, section: pd.Series, places: Places, crosswalk: pd.DataFrame | None = None,
    earliest: pd.Series | None = None, latest: pd.Series | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Resolve places to spaces, else to lots, else to sections, by today's numbering or a former one.

    A place counts as written in a former numbering when its record is dated within it. Where the date does not tell,
    today's numbering is taken if the former one has no such place or means the same, the former if today's has none;
    else the place reads two ways and stays open.

    Parameters
    ----------
    key, close, section : Series of str
        As in `resolve_keys`.
    places : Places
    crosswalk : DataFrame, optional
        ``old``, ``new`` (texts of places), ``first_until``, ``last_until`` (ISO days between which the former
        numbering ended), ``source``. A longer place follows the lot or section it lies in.
    earliest, latest : Series of str, optional
        ISO days the record may be of.

    Returns
    -------
    DataFrame
        As from `resolve_keys`; ``outcome`` may be ``two ways`` as well.
    """
    now = resolve_keys(key, close, section, places)
    if crosswalk is None or not len(crosswalk):
        return now
    old_keys, new_keys = place_keys(crosswalk["old"]).to_numpy(), place_keys(crosswalk["new"]).to_numpy()
    by_old: dict[str, list[int]] = {}
    for row, old in enumerate(old_keys):
        by_old.setdefault(old, []).append(row)
    first = joined(section, key).where(section != "", "")
    whole = key.where(~first.map(lambda text: _prefix(text, by_old) is not None), first)
    ends = whole.map(lambda text: _prefix(text, by_old))
    rows = np.flatnonzero(ends.notna().to_numpy())
    if not len(rows):
        return now
    none = pd.Series(pd.NA, index=key.index, dtype="string")
    low = (none if earliest is None else earliest).astype(object).where(lambda day: day.notna(), "").to_numpy()
    high = (none if latest is None else latest).astype(object).where(lambda day: day.notna(), "").to_numpy()
    started = crosswalk["first_until"].fillna("").astype(str).to_numpy()
    ended = crosswalk["last_until"].fillna("9999-12-31").astype(str).to_numpy()
    chosen = np.full(len(rows), -1)
    sure = np.zeros(len(rows), dtype=bool)
    for place, row in enumerate(rows.tolist()):
        for entry in sorted(by_old[ends.iloc[row]], key=lambda entry: str(ended[entry])):
            if low[row] and low[row] > ended[entry]:
                continue  # that numbering had ended
            chosen[place], sure[place] = entry, bool(high[row]) and high[row] <= (started[entry] or "")
            break
    kept = chosen >= 0
    rows, chosen, sure = rows[kept], chosen[kept], sure[kept]
    if not len(rows):
        return now
    index = key.index[rows]
    tail = [text[len(end) :].lstrip("-") for text, end in zip(whole.iloc[rows], ends.iloc[rows], strict=True)]
    new = joined(pd.Series(new_keys[chosen], index=index, dtype=object), pd.Series(tail, index=index, dtype=object))
    blank = pd.Series("", index=index, dtype=object)
    former = resolve_keys(new, new, blank, places)
    until = pd.Series(ended[chosen], index=index, dtype=object)
    source = pd.Series(crosswalk["source"].astype(object).to_numpy()[chosen], index=index, dtype=object)
    said = "former numbering until " + until + " (" + source + "); " + former["resolved_by"].astype(object)
    there = ["space", "lot", "section"]
    today = now.loc[index]
    has_now, had = today["outcome"].isin(there), former["outcome"].isin(there)
    id_now = today["space_id"].fillna(today["lot_id"]).fillna(key[index])
    id_then = former["space_id"].fillna(former["lot_id"]).fillna(new)
    same = has_now & had & (id_now == id_then)
    take = had & ~same & (pd.Series(sure, index=index) | ~has_now)
    both = had & has_now & ~same & ~take
    result = now.copy()
    taken = index[take.to_numpy()]
    for name in ("space_id", "lot_id", "outcome"):
        result.loc[taken, name] = former.loc[taken, name]
    result.loc[taken, "resolved_by"] = said[taken]
    torn = index[both.to_numpy()]
    words = "could be " + id_now + " by today's numbering or " + id_then + " by the former, until " + until
    result.loc[torn, ["space_id", "lot_id"]] = None
    result.loc[torn, "outcome"] = "two ways"
    result.loc[torn, "resolved_by"] = (words + " (" + source + ")")[torn]
    return result


def former_numbers(
    space_id: str, crosswalk: pd.DataFrame | None
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:  # fmt: skip
    """Say under which numbers a space was known, and what its number of today once meant.

    Parameters
    ----------
    space_id : str
    crosswalk : DataFrame or None
        As in `resolve`.

    Returns
    -------
    was : list of (str, str)
        Former numbers of this place, and the day until when each was used.
    meant : list of (str, str)
        Places of today that its number meant, and until when.

    Examples
    --------
    >>> walk = pd.DataFrame({"old": ["B 77"], "new": ["B 66"], "last_until": ["1924-05-01"]})
    >>> former_numbers("B-66-4", walk), former_numbers("B-77-4", walk)
    (([('B-77-4', '1924-05-01')], []), ([], [('B-66-4', '1924-05-01')]))
    """
    if crosswalk is None or not len(crosswalk):
        return [], []
    key = place_keys(pd.Series([space_id])).iloc[0]
    old, new = place_keys(crosswalk["old"]).tolist(), place_keys(crosswalk["new"]).tolist()
    until = crosswalk["last_until"].astype(object).where(crosswalk["last_until"].notna(), "").astype(str).tolist()
    out: tuple[list[tuple[str, str]], list[tuple[str, str]]] = ([], [])
    for here, there, found in ((new, old, out[0]), (old, new, out[1])):
        for row, name in enumerate(here):
            if (key == name or key.startswith(f"{name}-")) and here[row] != there[row]:
                found.append((there[row] + key[len(name) :], until[row]))
    return out


def _prefix(key: str, known: Mapping[str, Any]) -> str | None:
    """Return the longest known place that a key lies in."""
    parts = key.split("-")
    for length in range(len(parts), 0, -1):
        head = "-".join(parts[:length])
        if head and head in known:
            return head
    return None
