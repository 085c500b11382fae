"""What the public may see of a ground: published columns of the dead, and how many rows were withheld and why."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import schema
from cemgis.dates import bounds, parse_date
from cemgis.errors import Gather, InputError
from cemgis.ground import Ground, Withheld
from cemgis.layers import LAYERS
from cemgis.names import folded
from cemgis.people import count_as_dead
from cemgis.reference import GroundCRS
from cemgis.schema import Column, Layer

__all__ = ["GRAVES", "PUBLIC_LAYERS", "PublicGround", "disclose", "public_text", "read_wishes"]

MONUMENTS_SHOWN = ("headstone", "footstone", "shared stone")
"""Kinds of monument the public sees: what is flush or odd may be bronze, and is stolen."""

OBSTACLES_SHOWN = ("tree", "hedge", "wall", "building", "rock")
"""Kinds of obstacle the public sees: landmarks. Fences and urns are iron and bronze, pipes nobody needs."""

GRAVES = Layer(
    "graves", "Point", "grave", "People buried here, as far as they may be named.",
    (
        Column("grave", "integer", "a number that means nothing outside this product", required=True, published=True),
        Column("name", "text", "name", published=True),
        *(
            column for column in LAYERS["people"].columns
            if column.name in ("title", "given", "middle", "surname", "maiden", "suffix", "born", "died")
        ),
        Column("buried", "date", "date of burial, as far as it is known", published=True),
        Column("section", "text", "section", required=True, published=True),
        Column("lot_id", "text", "lot, as far as it is known and shown", published=True),
        Column("space_id", "text", "space or niche, as far as it is known and shown", published=True),
        LAYERS["people"].column("veteran"),
    ),
    published=True,
    placeless=True,
)  # fmt: skip
"""The layer of people in public products; its place is the middle of the space, or of the lot."""

_BURIALS = ("interment", "urn placed", "scattering")
_REMOVALS = ("disinterment", "urn removed")
_SHOWN_LAYERS = ("sections", "lots", "spaces", "niches", "monuments", "drives", "obstacles", "gates")
PUBLIC_LAYERS: Mapping[str, Layer] = {
    **{
        name: replace(
            LAYERS[name], columns=tuple(item for item in LAYERS[name].columns if item.published), symbol_by=""
        )
        for name in _SHOWN_LAYERS
    },
    "graves": GRAVES,
}
"""The layers of public products as they are declared: nothing but published columns."""

_RENUMBERED = ("monuments", "drives", "obstacles", "gates")
_MOST_LETTERS = 160  # of a name or word in a public product; no source
# Control characters, and signs that turn the direction of writing around what follows them.
_UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb]+")
_YEARS = re.compile(r"[0-9X]{4,}")
_SURROGATES = re.compile("[\ud800-\udfff]")

# Reasons in the order in which they are asked; a row counts under the first that holds.
_REQUEST = "withheld on request"
_OMITTED = "its section is not shown"
_NO_PLACE = "no place on the map is known"
_LIVING = "may be living"
_RECENT = "buried too recently"
_REMOVED = "no longer lies here, or not surely"


@dataclass(frozen=True)
class PublicGround:
    """A ground as public products may carry it. Nothing else enters them.

    Attributes
    ----------
    name, place : str
    crs : GroundCRS
    as_of : str
        Day of publication, ISO.
    sections, lots, spaces : GeoDataFrame
        Published columns of those layers, in the ground's CRS. A space does not say whether it is used.
    niches : DataFrame
        Published columns; niches have no place on the ground.
    graves : DataFrame
        One row for each person at a place. ``grave`` is a number from 1 that means nothing outside one product;
        ``name, title, given, middle, surname, maiden, suffix`` as published; ``born, died, buried`` in EDTF or missing;
        ``section`` and, as far as they are known and not generalised, ``lot_id``, ``space_id`` (of a space or niche);
        ``veteran`` (bool).
    monuments, drives, obstacles : GeoDataFrame
        Published columns of those layers.
    gates : GeoDataFrame
        ``gate_id``, ``name`` and a point each.
    withheld : DataFrame
        ``what`` (people, sections, stones ...), ``reason``, ``rows``.
    """

    name: str
    place: str
    crs: GroundCRS
    as_of: str
    sections: pd.DataFrame
    lots: pd.DataFrame
    spaces: pd.DataFrame
    niches: pd.DataFrame
    graves: pd.DataFrame
    monuments: pd.DataFrame
    drives: pd.DataFrame
    obstacles: pd.DataFrame
    gates: pd.DataFrame
    withheld: pd.DataFrame


def disclose(tables: Mapping[str, pd.DataFrame], ground: Ground, as_of: str) -> PublicGround:
    """Return what the public may see of a ground, starting from nothing.

    Only columns that are declared as published are copied, only of rows that nothing speaks against. Who may be living
    is not there at all. What a section's descendants, or somebody who asked, wish withheld is not there either.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Layers by name; those that are not there are empty.
    ground : Ground
        Its name, CRS and rules, what each section shows, who is withheld.
    as_of : str
        The day of publication, ISO: ages and days since a burial are counted to it.

    Returns
    -------
    PublicGround

    Raises
    ------
    InputError
        When a wish to withhold fits nobody: a name misspelt there would be published.
    """
    layers = {
        name: tables[name] if tables.get(name) is not None else schema.empty(layer, ground.crs.crs)
        for name, layer in LAYERS.items()
    }
    said = _Withheld()
    shown = {section.name: section.public for section in ground.sections}
    known = layers["sections"]["section"].astype(object)
    whole = [name for name in known if shown.get(str(name)) == "all"]
    named = [name for name in known if shown.get(str(name)) in ("all", "generalise")]
    said.add("sections", "omitted", int((~known.isin(named)).sum()))
    said.add("sections", "shown without lots and spaces", len(named) - len(whole))

    made: dict[str, pd.DataFrame] = {"sections": _open(layers["sections"], known.isin(named), "sections")}
    for name in ("lots", "spaces", "niches"):
        keep = layers[name]["section"].isin(whole)
        said.add(name, _OMITTED, int((~keep).sum()))
        made[name] = _open(layers[name], keep, name)
    hidden = layers["sections"].loc[~known.isin(whole)]
    for name, kinds in (("monuments", MONUMENTS_SHOWN), ("obstacles", OBSTACLES_SHOWN)):
        made[name] = _things(layers[name], name, kinds, hidden, whole, said)
    for name in ("drives", "gates"):
        made[name] = _open(layers[name], layers[name].geometry.notna(), name)
    for name in _RENUMBERED:
        made[name] = _renumbered(made[name], LAYERS[name].key)
    made["graves"] = _graves(layers, ground, as_of, whole, named, said)
    return PublicGround(
        name=public_text(ground.name), place=public_text(ground.place or ""), crs=ground.crs, as_of=as_of[:10],
        withheld=said.table(), **made,
    )  # fmt: skip


_WISH = {"person": "person", "id": "person", "name": "name", "place": "place", "space": "place", "lot": "place",
         "until": "until", "reason": "reason"}  # fmt: skip


def read_wishes(table: pd.DataFrame, source: str) -> tuple[Withheld, ...]:
    """Read a list of wishes not to be named.

    Its columns are ``name``, ``place`` (or ``space`` or ``lot``), ``person``, ``until`` and ``reason``.

    Parameters
    ----------
    table : DataFrame of str
        With line numbers in ``line``.
    source : str
        Name of the file.

    Raises
    ------
    InputError
        For every line that names nobody, gives no reason or ends on a day that is not understood, and for every column
        that is none of these: what is not understood there would be published.

    Examples
    --------
    >>> table = pd.DataFrame({"line": [2], "Name": ["Ada Penn"], "space": ["A-1-2"], "reason": ["a niece, 2024"]})
    >>> [(wish.where, wish.name, wish.place) for wish in read_wishes(table, "register/withheld.csv")]
    [('register/withheld.csv line 2', 'Ada Penn', 'A-1-2')]
    """
    gather = Gather()
    known = {column: _WISH.get(str(column).strip().casefold()) for column in table.columns if column != "line"}
    for column in (column for column, word in known.items() if word is None):
        gather.add(source, f"column {column!r} is not understood, and what it asks for would be published",
                   "Name the columns person, name, place, until and reason.")  # fmt: skip
    wishes = []
    for row in table.to_dict("records"):
        where, said = f"{source} line {row['line']}", dict.fromkeys(("person", "name", "place", "until", "reason"), "")
        for column, word in known.items():
            if word is not None and str(row[column] or "").strip():
                said[word] = str(row[column]).strip()
        if not any(said.values()):
            continue
        last = bounds(pd.Series([parse_date(said["until"]).edtf or ""]))["latest"].iloc[0]
        if said["until"] and pd.isna(last):
            gather.add(where, f"until {said['until']!r} is no day", 'Write it as "2030-05-01", or leave it out.')
        if not (said["person"] or said["name"] or said["place"]):
            gather.add(where, "it names nobody", "Write a person (id), a name, a place, or a name and a place.")
        elif said["person"] and said["place"]:
            gather.add(where, "a person's id is given beside a place", "Keep one of the two.")
        if not said["reason"]:
            gather.add(where, "no reason is given", "Write who asked for it and when; it is not published.")
        wish = (
            Withheld(where, said["person"] or None, said["name"] or None, said["place"] or None, said["reason"],
                     str(last) if said["until"] else None)
        )  # fmt: skip
        if wish.by_line_alone:
            gather.add(where, f"{wish.person!r} is a line of a list, and rows put in before it would make it another "
                       "person", "Write the name beside it.")  # fmt: skip
        wishes.append(wish)
    gather.raise_if_any()
    return tuple(wishes)


class _Withheld:
    """Counts what is left out, by what it is and why."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, str, int]] = []

    def add(self, what: str, reason: str, rows: int) -> None:
        if rows:
            self.rows.append((what, reason, rows))

    def table(self) -> pd.DataFrame:
        return pd.DataFrame(self.rows, columns=["what", "reason", "rows"]).astype({"rows": "int64"})


def public_text(text: str) -> str:
    r"""Return text without control characters and signs that turn the direction of writing, cut when it is absurd.

    Examples
    --------
    >>> public_text("Ada\x00\u202e Penn"), len(public_text("x" * 10**6))
    ('Ada Penn', 160)
    """
    plain = " ".join(_SURROGATES.sub("\ufffd", _UNSHOWN.sub(" ", text[: 20 * _MOST_LETTERS])).split())
    return plain if len(plain) <= _MOST_LETTERS else plain[: _MOST_LETTERS - 1].rstrip() + "…"


def _texts(values: pd.Series) -> pd.Series:
    code, unique = pd.factorize(values.astype(object))
    plain = pd.array([public_text(str(text)) or None for text in unique], dtype="string")
    return pd.Series(plain.take(code, allow_fill=True), index=values.index)


def _columns(table: pd.DataFrame, layer: Layer, names: Iterable[str]) -> pd.DataFrame:
    """Return columns that are published, their text cleaned: the only way by which any value gets out."""
    out = {}
    for name in names:
        column = layer.column(name)
        if not column.published:
            msg = f"{layer.name}.{name} is not published"
            raise PermissionError(msg)
        out[name] = _texts(table[name]) if column.type in ("text", "date") else table[name]
    return pd.DataFrame(out, index=table.index)


def _open(table: pd.DataFrame, keep: Any, name: str) -> pd.DataFrame:
    """Return the rows to keep of a published layer, its published columns only, sorted by key."""
    layer = LAYERS[name]
    allowed = schema.published(table.loc[np.asarray(keep, dtype=bool)], layer)
    out = _columns(allowed, layer, [column.name for column in layer.columns if column.published])
    if layer.geometry:
        shapes = np.asarray(allowed["geometry"], dtype=object)
        frame = gpd.GeoSeries(shapes, index=out.index, crs=getattr(allowed, "crs", None))
        out = gpd.GeoDataFrame(out, geometry=frame)
    out = out.loc[out[layer.key].notna()]
    if name not in _RENUMBERED and out[layer.key].duplicated().any():
        twice = out.loc[out[layer.key].duplicated(), layer.key].iloc[0]
        raise InputError.of(f"{name}.{layer.key}", f"{twice} is there more than once", "Give each its own.")
    return schema.order(out, layer)


def _renumbered(table: pd.DataFrame, key: str) -> pd.DataFrame:
    """Give rows numbers by their place: a key may be a name somebody gave, or a file's."""
    if not len(table):
        return table
    middle = shapely.get_coordinates(shapely.point_on_surface(table.geometry.to_numpy()))
    order = np.lexsort((middle[:, 0], middle[:, 1]))
    table = table.iloc[order].reset_index(drop=True)
    table[key] = pd.array([str(number) for number in range(1, len(table) + 1)], dtype="string")
    return table


def _things(
    table: pd.DataFrame, name: str, kinds: Sequence[str], hidden: pd.DataFrame, whole: Sequence[str], said: _Withheld
) -> pd.DataFrame:
    """Stones or landmarks of kinds that may be shown, outside sections that are not shown whole."""
    word = "stones" if name == "monuments" else "landmarks"
    kind = table["kind"].str.strip().str.casefold()
    allowed = kind.isin(kinds).to_numpy(dtype=bool)
    said.add(word, "of a kind that is not shown", int((~allowed).sum()))
    shapes = table.geometry.to_numpy()
    inside = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    for shape in hidden.geometry:
        if shape is not None and not shape.is_empty:
            shapely.prepare(shape)
            inside |= shapely.intersects(shape, shapes) & ~shapely.touches(shape, shapes)
    if "section" in table:
        inside |= (table["section"].notna() & ~table["section"].isin(list(whole))).to_numpy(dtype=bool)
    said.add(word, _OMITTED, int((allowed & inside).sum()))
    return _open(table, allowed & ~inside, name)


# ---- people ------------------------------------------------------------------------------------------------------


def _graves(
    layers: Mapping[str, pd.DataFrame], ground: Ground, as_of: str, whole: Sequence[str], named: Sequence[str],
    said: _Withheld,
) -> pd.DataFrame:  # fmt: skip
    people, events, rules = layers["people"], layers["events"], ground.rules
    people = people.assign(person_id=people["person_id"].astype(object)).reset_index(drop=True)
    at = pd.Index(people["person_id"]).get_indexer(pd.Index(events["person_id"].astype(object)))
    events = events.assign(person=at)[at >= 0].reset_index(drop=True)
    burials = events[events["kind"].isin(_BURIALS)].reset_index(drop=True)
    burials = burials.assign(section=_sections(burials, layers))
    # what follows is asked of each burial; of persons, and looked up, where it is theirs
    person = burials["person"].to_numpy(dtype=int)
    dead = count_as_dead(people, layers["events"], as_of, rules["people.oldest"], rules["register.about"]).to_numpy(
        dtype=bool
    )
    recent = _recent(people, events, as_of, rules["public.burial_days"], rules["register.about"])
    held = [wish for wish in ground.withhold if wish.until is None or wish.until >= as_of[:10]]
    asked = _asked(people, burials, held)
    placed = burials["section"].notna().to_numpy(dtype=bool)
    tests = (
        (_REQUEST, asked),
        (_NO_PLACE, ~placed),
        (_OMITTED, placed & ~burials["section"].isin(named).to_numpy(dtype=bool)),
        (_LIVING, ~dead[person]),
        (_RECENT, recent[person]),
        (_REMOVED, _gone(events, burials)),
    )
    left = np.ones(len(burials), dtype=bool)
    for reason, holds in tests:
        said.add("people", reason, int((left & holds).sum()))
        left &= ~holds
    shown = burials[left].drop_duplicates(["person", "section", "lot_id", "space_id"])
    who = people.iloc[shown["person"].to_numpy(dtype=int)].set_axis(shown.index)
    out = _columns(who, LAYERS["people"], ["title", "given", "middle", "surname", "maiden", "suffix", "born", "died"])
    old = _long_ago(people, events, as_of, rules["people.oldest"])[shown["person"].to_numpy(dtype=int)]
    relatives = _columns(who, LAYERS["people"], ["relation", "relative"])
    wishes = _names_asked(people, person[asked], held)
    out.insert(0, "name", _shown_names(out, relatives, old, wishes))
    said.add("relatives in names", _LIVING, int((relatives["relative"].notna() & ~old).sum()))
    places = _columns(shown, LAYERS["events"], ["date", "lot_id", "space_id"])
    out["buried"] = places["date"]
    exact = shown["section"].isin(list(whole)).to_numpy(dtype=bool)
    said.add("places of people", "their section is shown without lots and spaces", int((~exact).sum()))
    out["section"] = _texts(shown["section"])
    for name in ("lot_id", "space_id"):
        out[name] = places[name].where(exact)
    out["veteran"] = who["veteran"].fillna(value=False).astype(bool) if len(who) else pd.Series(dtype=bool)
    key = pd.DataFrame(
        {name: out[name].fillna("").astype(object).map(_folded) for name in ("surname", "given", "middle", "name")}
    )
    key = key.assign(**{name: out[name].fillna("") for name in ("born", "died", "section", "lot_id", "space_id")})
    out = out.loc[key.sort_values(list(key.columns), kind="stable").index].reset_index(drop=True)
    out.insert(0, "grave", np.arange(1, len(out) + 1))
    return out


def _folded(text: object) -> str:
    return folded(str(text))


def _words(text: str) -> frozenset[str]:
    return frozenset(folded(text).split())


def _sections(burials: pd.DataFrame, layers: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Section of the space, niche or lot a burial resolves to; missing where that is not on the map."""
    by_space = pd.concat(
        [layers[name].set_index("space_id")["section"].astype(object) for name in ("spaces", "niches")]
    )
    by_lot = layers["lots"].set_index("lot_id")["section"].astype(object)
    by_space, by_lot = (table[~table.index.duplicated()] for table in (by_space, by_lot))
    space = burials["space_id"].astype(object)
    found = space.map(by_space)
    return found.where(space.notna(), burials["lot_id"].astype(object).map(by_lot)).astype(object)


def _asked(people: pd.DataFrame, burials: pd.DataFrame, wishes: Sequence[Withheld]) -> npt.NDArray[np.bool_]:
    """Say which burials somebody asked to be withheld.

    Raises
    ------
    InputError
        For every wish that fits no burial.
    """
    out = np.zeros(len(burials), dtype=bool)
    if not wishes:
        return out
    gather = Gather()
    person = burials["person"].to_numpy(dtype=int)
    parts = ["name", "given", "middle", "surname", "maiden", "also"]
    whole = people[parts].fillna("").astype(object).agg(" ".join, axis=1) if len(people) else pd.Series(dtype=object)
    words = [_words(text) for text in whole]
    ids = people["person_id"].to_numpy(dtype=object)[person]
    lots, spaces = (burials[name].fillna("").astype(object).to_numpy() for name in ("lot_id", "space_id"))
    for wish in wishes:
        hit = np.ones(len(burials), dtype=bool)
        if wish.person is not None:
            hit &= ids == wish.person
            if wish.name is not None:
                hit &= np.array([_words(wish.name) <= words[at] for at in person], dtype=bool)
            # the same name in the same lot, told by another list, is taken to be the same person
            for row in np.flatnonzero(hit):
                mine = {"given", "surname"}
                same = _words(" ".join(str(people.loc[person[row], name]) for name in sorted(mine)
                                       if not pd.isna(people.loc[person[row], name])))  # fmt: skip
                if same and lots[row]:
                    hit |= (lots == lots[row]) & np.array([same <= words[at] for at in person], dtype=bool)
        if wish.name is not None and wish.person is None:
            wanted = _words(wish.name)
            hit &= np.array([wanted <= words[at] for at in person], dtype=bool) & bool(wanted)
        if wish.place is not None:
            hit &= (lots == wish.place) | (spaces == wish.place)
        if not hit.any():
            told = " at ".join(said for said in (wish.name, wish.person, wish.place) if said)
            gather.add(wish.where, f"{told}: nobody buried here fits that, so nobody would be withheld",
                       'Mend the name, id or place: `cemgis find "a name" --staff` prints them.')  # fmt: skip
        out |= hit
    gather.raise_if_any()
    return out


def _names_asked(
    people: pd.DataFrame, asked: npt.NDArray[np.int64], wishes: Sequence[Withheld]
) -> list[frozenset[str]]:  # fmt: skip
    """Words of names that may not stand in another's name either."""
    names = [_words(wish.name) for wish in wishes if wish.name is not None]
    whole = people.iloc[np.unique(asked)][["given", "surname"]].dropna().agg(" ".join, axis=1)
    return names + [_words(str(text)) for text in whole]


def _recent(
    people: pd.DataFrame, events: pd.DataFrame, as_of: str, days: float, about: float
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """People whose last burial or death may be within so many days, or is of a day to come."""
    limit = (date.fromisoformat(as_of[:10]) - timedelta(days=days)).isoformat()
    last = bounds(events["date"].fillna(""), about)["latest"]
    late = events.loc[(last >= limit).fillna(value=False).to_numpy(dtype=bool), "person"]
    died = people["died"].fillna("")
    # A century left open is no death of these days; who may be living was asked already.
    open_year = died.map(lambda text: any("X" in year for year in _YEARS.findall(text))).astype(bool)
    late_death = (bounds(died, about)["latest"] >= limit).fillna(value=False).astype(bool) & ~open_year
    out = late_death.to_numpy(copy=True)
    out[late.to_numpy(dtype=int)] = True
    return np.asarray(out)


def _long_ago(
    people: pd.DataFrame, events: pd.DataFrame, as_of: str, oldest: float
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """People dead so long that whoever was their parent, wife or husband then cannot be living."""
    limit = int(as_of[:4]) - oldest
    span = bounds(people["died"].fillna(""))["latest"].str[:4].astype("Int64")
    out = (span < limit).fillna(value=False).to_numpy(dtype=bool, copy=True)
    last = bounds(events["date"].fillna(""))["latest"].str[:4].astype("Int64")
    before = (last < limit).fillna(value=False).to_numpy(dtype=bool)
    out[events.loc[before, "person"].to_numpy(dtype=int)] = True
    return np.asarray(out)


def _gone(events: pd.DataFrame, burials: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Burials that a removal of the same person from the same place may have ended, or that a move leaves open."""
    ended = events[events["kind"].isin([*_REMOVALS, "move"])]
    if not len(ended) or not len(burials):
        return np.zeros(len(burials), dtype=bool)
    when = bounds(ended["date"].fillna(""))
    ended = ended[["person", "kind", "lot_id", "space_id"]].assign(last=when["latest"].fillna("9999").astype(object))
    first = bounds(burials["date"].fillna(""))["earliest"].fillna("0000").astype(object)
    rows = burials[["person", "lot_id", "space_id"]].assign(row=np.arange(len(burials)), first=first)
    pairs = rows.merge(ended, on="person", suffixes=("", "_of"))
    place, other = pairs["space_id"].fillna(pairs["lot_id"]), pairs["space_id_of"].fillna(pairs["lot_id_of"])
    mine = (place == other).fillna(value=False) | (pairs["lot_id"] == pairs["lot_id_of"]).fillna(value=False)
    # a removal from no burial that is recorded may be from any of them
    matched = mine.groupby([pairs["person"], other.fillna("")]).transform("any")
    ends = (mine | ~matched | (pairs["kind"] == "move")) & (pairs["last"] >= pairs["first"])
    out = np.zeros(len(burials), dtype=bool)
    out[pairs.loc[ends.to_numpy(dtype=bool), "row"].to_numpy(dtype=int)] = True
    return out


def _shown_names(
    parts: pd.DataFrame, relatives: pd.DataFrame, old: npt.NDArray[np.bool_], wishes: Sequence[frozenset[str]]
) -> pd.Series:
    """Names put together from their parts: what else was written beside them stays out."""
    names = []
    columns = (parts[name].fillna("") for name in ("title", "given", "middle", "surname", "suffix", "maiden"))
    kin = (relatives[name].fillna("") for name in ("relation", "relative"))
    for title, given, middle, surname, suffix, maiden, relation, relative, long_ago in zip(
        *columns, *kin, old, strict=True
    ):
        text = " ".join(part for part in (title, given, middle, surname) if part)
        text += f" {suffix}" if suffix and text else ""
        text += f" (born {maiden})" if maiden and text else ""
        kin_shown = bool(long_ago and relation and relative)
        kin_shown &= not any(wish <= _words(relative) for wish in wishes)
        if kin_shown:
            text = f"{text}, {relation} {relative}" if text else f"{relation[:1].upper()}{relation[1:]} {relative}"
        elif relation == "infant of" and not given:
            text = f"Infant {text}".strip()
        names.append(text or "Name not known")
    return pd.Series(pd.array([public_text(name) for name in names], dtype="string"), index=parts.index)
