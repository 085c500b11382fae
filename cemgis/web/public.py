"""The public's page: published graves, where they lie and the way there; one file, no network, no position needed."""

from __future__ import annotations

import base64
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import __version__
from cemgis.dates import say_date, years
from cemgis.disclosure import PublicGround
from cemgis.errors import InputError
from cemgis.names import letter_tables
from cemgis.reference import GroundCRS, to_lonlat
from cemgis.walk import drive_ways
from cemgis.web.packing import Packer, mercator
from cemgis.web.page import assemble, own

__all__ = ["BaseImage", "public_page"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Texts = npt.NDArray[np.object_]

_MOST_LETTERS = 160
"""A text longer than this is cut: it is no name any more (assumption)."""
_GROUP = 64
_NEAR_M = 1.0  # drives that nearly touch are joined ones: common practice in drawing them, no source
_NAME_PARTS = ("surname", "given", "middle", "maiden", "title", "suffix", "written")
_FULL_DAY = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?")
_WORD = re.compile(r"\w+")
_BORN = frozenset(("née", "nee", "geb", "geborene"))  # what stands before a maiden name
_SPECIAL = 20_000  # years from here on are numbers of dates that are no plain day, month or year
_KINDS = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png", b"RIFF": "image/webp"}


@dataclass(frozen=True)
class BaseImage:
    """A picture laid under the map, inside the page.

    Attributes
    ----------
    data : bytes
        JPEG, PNG or WebP.
    corners_grid : array_like, shape (3, 2)
        Grid coordinates of the outer upper left, upper right and lower left corner of the picture.
    attribution : str
        Who made it and under which licence it may be shown.
    """

    data: bytes
    corners_grid: npt.ArrayLike
    attribution: str


# ---- text -----------------------------------------------------------------------------------------------------------


def _clean(text: str, most: int = _MOST_LETTERS) -> str:
    """One line without control characters; characters that join letters of a script stay, those that turn it go."""
    if len(text) <= most and text.isascii() and text.isprintable():
        return text.strip()
    line = " ".join(text[: 8 * most].split())
    line = "".join(
        c for c in line if c in "\u200c\u200d" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn")
    ).strip()
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _texts(table: pd.DataFrame, name: str) -> Texts:
    """Return the cleaned texts of a column, empty where missing or where there is no such column."""
    if name not in table or not len(table):
        return np.full(len(table), "", dtype=object)
    values = table[name].astype(object).to_numpy(dtype=object)
    missing = pd.isna(values)
    if missing.any():
        values = np.where(missing, "", values)
    texts: list[str] = [text if type(text) is str else str(text) for text in values.tolist()]
    # Most columns are plain through and through: looked at once, not text by text.
    whole = "|".join(texts)
    if not (whole.isascii() and whole.isprintable() and max(map(len, texts)) <= _MOST_LETTERS):
        known = {text: _clean(text) for text in set(texts)}
        texts = [known[text] for text in texts]
    elif " " in whole:
        texts = [text.strip() for text in texts]
    out = np.empty(len(texts), dtype=object)
    out[:] = texts
    return out


def _coded(values: Texts) -> tuple[Ints, list[str]]:
    """Return codes from 1, most frequent first, 0 for empty; and the words."""
    code, unique = pd.factorize(values)
    unique = np.asarray(unique, dtype=object)
    counts = np.bincount(code, minlength=len(unique))
    filled = np.array([bool(word) for word in unique], dtype=bool)
    order = np.argsort(np.where(filled, -counts, 1), kind="stable")
    rank = np.empty(len(unique), dtype=np.int64)
    rank[order] = np.arange(1, len(unique) + 1)
    rank[~filled] = 0
    return rank[code] if len(code) else np.zeros(0, dtype=np.int64), [str(unique[k]) for k in order if filled[k]]


def _number(values: Texts) -> Floats:
    """Return the first number in each text, infinite where there is none: for sorting."""
    code, unique = pd.factorize(values)
    found = [re.search(r"\d{1,12}", text, re.ASCII) for text in unique]
    numbers = np.array([np.inf if match is None else float(match[0]) for match in found], dtype=float)
    return numbers[code] if len(code) else np.zeros(0)


def _shaped(table: pd.DataFrame) -> npt.NDArray[np.object_]:
    if "geometry" not in table or not len(table):
        return np.full(len(table), None, dtype=object)
    return np.array(table["geometry"], dtype=object)


# ---- places ---------------------------------------------------------------------------------------------------------


def _projector(bounds: tuple[float, float, float, float], crs: GroundCRS, origin: Floats) -> Callable[[Floats], Floats]:
    """Return what turns grid into whole page coordinates: a cubic where it is exact enough, PROJ elsewhere."""
    low, high = np.array(bounds[:2]), np.array(bounds[2:])
    middle, span = (low + high) / 2.0, max(float((high - low).max()) / 2.0, 1.0) * 1.02

    def terms(grid: Floats) -> Floats:
        x, y = ((grid - middle) / span).T
        return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])

    def exact(grid: Floats) -> Floats:
        return np.asarray(mercator(to_lonlat(grid, crs)) - origin)

    steps = np.linspace(-1.0, 1.0, 9) * span
    east, north = (item.ravel() for item in np.meshgrid(steps + middle[0], steps + middle[1]))
    grid = np.column_stack([east, north])
    page = exact(grid)
    numbers, *_ = np.linalg.lstsq(terms(grid), page, rcond=None)
    good = bool(np.abs(terms(grid) @ numbers - page).max() < 0.1)
    return lambda some: np.rint(terms(some) @ numbers if good else exact(some)).reshape(-1, 2)


def _quads(shapes: npt.NDArray[np.object_]) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return four corners of each polygon, counted one way round; of its box where it has more or fewer than four."""
    turned = shapely.orient_polygons(shapes)
    four = (shapely.get_type_id(turned) == 3) & (shapely.get_num_interior_rings(turned) == 0)
    four &= shapely.get_num_coordinates(turned) == 5
    corners = np.empty((len(shapes), 4, 2))
    corners[four] = shapely.get_coordinates(turned[four]).reshape(-1, 5, 2)[:, :4]
    x0, y0, x1, y1 = shapely.bounds(turned[~four]).T
    # The same way round as the others.
    box = shapely.get_coordinates(shapely.orient_polygons(shapely.box(x0, y0, x1, y1))).reshape(-1, 5, 2)
    corners[~four] = box[:, :4]
    return corners, four


def _chained(corners: Floats, start: Ints, count: Ints) -> Floats:
    """Turn each ring so that its last side is the one it shares with the space before: back, front, front, back."""
    centre = corners.mean(axis=1)
    last = start + count - 1
    along = np.where((count > 1)[:, None], centre[last] - centre[start], [1.0, 0.0])
    way = np.repeat(along, count, axis=0)
    middles = (corners + np.roll(corners, -1, axis=1)) / 2.0 - centre[:, None, :]
    # Side k runs from corner k to corner k + 1; the back side is to be side 3.
    back = np.argmin(np.einsum("nkx,nx->nk", middles, way), axis=1)
    order = (back[:, None] + np.arange(1, 5)) % 4
    return np.take_along_axis(corners, order[:, :, None], axis=1)


def _rings(packer: Packer, page: Floats, start: Ints, count: Ints) -> dict[str, Any]:
    """Pack quadrilaterals by group: the first in full, each other as how it misses what the one before foretells.

    A corner that lies within one whole number (4 mm) of the foretold place is put there; errors do not add up, since
    each is foretold from the places as they will be read.
    """
    ring = page.astype(np.int64)  # corners: back a, front a, front b, back b
    read = ring.copy()
    first = ring[start]
    longest = int(count.max()) if len(count) else 0
    off = np.zeros_like(ring)
    for place in range(1, longest):
        here = start[count > place] + place
        before = read[here - 1]
        for side, told in (((0, 3), before[:, [1, 2]]), ((1, 2), None)):
            if told is None:
                told = read[here][:, [0, 3]] + before[:, [1, 2]] - before[:, [0, 3]]
            miss = ring[here][:, side] - told
            miss[np.abs(miss) <= 1] = 0
            for number, corner in enumerate(side):
                off[here, corner] = miss[:, number]
                read[here, corner] = told[:, number] + miss[:, number]
    rest = np.ones(len(ring), dtype=bool)
    rest[start] = False
    side_a, side_b = first[:, 1] - first[:, 0], first[:, 3] - first[:, 0]
    turn = first[:, 2] - first[:, 1] - first[:, 3] + first[:, 0]
    return {
        "at": [packer.integers(first[:, 0, axis]) for axis in (0, 1)],
        "a": [packer.integers(side_a[:, axis], steps=False) for axis in (0, 1)],
        "b": [packer.integers(side_b[:, axis], steps=False) for axis in (0, 1)],
        "turn": [packer.integers(turn[:, axis], steps=False) for axis in (0, 1)],
        "off": [packer.integers(off[rest, corner, axis], steps=False) for corner in range(4) for axis in (0, 1)],
    }


def _numbered(packer: Packer, values: Texts) -> dict[str, Any]:
    """Pack texts most of which are whole numbers: those as numbers, the others beside them."""
    code, unique = pd.factorize(values)
    known = [int(text) if re.fullmatch(r"0|[1-9]\d{0,7}", text, re.ASCII) else -1 for text in unique]
    numbers = np.array(known, dtype=np.int64)[code] if len(code) else np.zeros(0, dtype=np.int64)
    plain = numbers >= 0
    odd = np.flatnonzero(~plain)
    return {"at": packer.integers(numbers), "odd": packer.integers(odd), "words": [str(values[k]) for k in odd]}


@dataclass
class _Places:
    """Spaces in the order they are packed, the lots and rows they lie in, and what they are called."""

    spaces: pd.DataFrame
    groups: pd.DataFrame
    others: pd.DataFrame
    sections: list[str]


def _places(ground: PublicGround) -> _Places:
    def framed(table: pd.DataFrame, *names: str) -> pd.DataFrame:
        # Plain objects: what is joined and compared here is quicker so than as arrow's strings.
        made = pd.DataFrame({name: pd.Series(_texts(table, name), dtype=object) for name in names})
        made["shape"] = _shaped(table)
        return made

    lots = framed(ground.lots, "lot_id", "section", "row", "lot").drop_duplicates("lot_id").reset_index(drop=True)
    spaces = framed(ground.spaces, "space_id", "section", "lot_id", "space", "kind", "heads")
    spaces["azimuth"] = (
        ground.spaces["heads_azimuth"].to_numpy(dtype=float, na_value=np.nan)
        if "heads_azimuth" in ground.spaces
        else np.nan
    )
    placed = ~(shapely.is_missing(spaces["shape"]) | shapely.is_empty(spaces["shape"])) if len(spaces) else []
    loose = spaces[~np.asarray(placed, dtype=bool)]
    spaces = spaces[np.asarray(placed, dtype=bool)].reset_index(drop=True)
    known = lots.set_index("lot_id")
    spaces["lot"] = spaces["lot_id"].map(known["lot"]).fillna("").astype(object)
    spaces["row"] = spaces["lot_id"].map(known["row"]).fillna("").astype(object)
    alone = (spaces["lot"] == "").to_numpy()
    # A single grave has no lot: what its name has between section and number is its row.
    before = [name.rpartition("-")[0] for name in spaces["space_id"]]
    cut = np.array([len(name) + 1 for name in spaces["section"]], dtype=np.int64)
    rows = np.array([text[k:] for text, k in zip(before, cut, strict=True)], dtype=object)
    spaces.loc[alone, "row"] = rows[alone]
    spaces["group"] = np.where(alone, "\0" + spaces["section"] + "\0" + spaces["row"], spaces["lot_id"])
    names = pd.unique(np.concatenate([
        _texts(ground.sections, "section"), lots["section"], spaces["section"], _texts(ground.niches, "section"),
        _texts(ground.graves, "section"),
    ]).astype(object))  # fmt: skip
    named = [str(name) for name in names if name]
    number = {name: k for k, name in enumerate(named)}
    spaces["section_number"] = spaces["section"].map(number).fillna(-1).astype(np.int64)
    keys = pd.DataFrame({
        "section": spaces["section_number"], "alone": alone, "row": _number(spaces["row"].to_numpy(dtype=object)),
        "lot": _number(spaces["lot"].to_numpy(dtype=object)), "group": spaces["group"],
        "space": _number(spaces["space"].to_numpy(dtype=object)), "id": spaces["space_id"],
    })  # fmt: skip
    # Singles go row by row, lots by number: as one walks.
    keys["row"] = keys["row"].where(keys["alone"], 0.0)
    order = keys.sort_values(["section", "alone", "row", "lot", "group", "space", "id"], kind="stable").index
    spaces = spaces.loc[order].reset_index(drop=True)
    run = (spaces["group"] != spaces["group"].shift()).cumsum()
    part = spaces.groupby(run, sort=False).cumcount() // _GROUP
    group = (run.diff().fillna(1).ne(0) | part.diff().fillna(0).ne(0)).cumsum() - 1
    spaces["group_number"] = group.astype(np.int64)
    groups = spaces.groupby("group_number", sort=True).agg(
        section=("section", "first"), row=("row", "first"), lot=("lot", "first"), lot_id=("lot_id", "first"),
        count=("space", "size"),
    ).reset_index(drop=True)  # fmt: skip
    groups["lot_id"] = groups["lot_id"].where(groups["lot"] != "", "")
    bare = lots[~lots["lot_id"].isin(groups["lot_id"])].assign(count=0)
    groups = pd.concat([groups, bare[["section", "row", "lot", "lot_id", "count"]]], ignore_index=True)
    groups["count"] = groups["count"].astype(np.int64)
    outline = dict(zip(lots["lot_id"], lots["shape"], strict=True))
    groups["shape"] = pd.Series([outline.get(name) for name in groups["lot_id"]], dtype=object)
    again = groups["lot_id"].duplicated() & (groups["lot_id"] != "")
    groups.loc[again, "shape"] = None
    niches = pd.DataFrame({name: _texts(ground.niches, name) for name in
                           ("space_id", "section", "building", "face", "row", "column")})  # fmt: skip
    others = pd.concat([niches, loose[["space_id", "section"]]], ignore_index=True).fillna("")
    return _Places(spaces, groups, others, named)


def _heads(spaces: pd.DataFrame) -> tuple[Ints, list[str]]:
    """Return codes from 1 and, for each, the compass word and the azimuth in whole degrees, with a bar between."""
    azimuth = np.rint(spaces["azimuth"].to_numpy(dtype=float))
    turn, turns = pd.factorize(azimuth, use_na_sentinel=False)
    word, words = pd.factorize(spaces["heads"].to_numpy(dtype=object))
    both, pairs = pd.factorize(word * max(len(turns), 1) + turn)
    said = []
    for pair in pairs.tolist():
        degrees = turns[pair % len(turns)]
        said.append(f"{words[pair // len(turns)]}|" + ("" if np.isnan(degrees) else f"{degrees:.0f}"))
    return np.asarray(both, dtype=np.int64) + 1, said


def _outlines(page: Floats, four: npt.NDArray[np.bool_], groups: pd.DataFrame, start: Ints,
              project: Callable[[Floats], Floats]) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Which lots are exactly what lies between the back of their first space and the front of their last."""
    count = groups["count"].to_numpy()
    shapes = groups["shape"].to_numpy(dtype=object)
    told = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    plain = told & (count > 0) & (shapely.get_num_coordinates(np.where(told, shapes, None)) == 5)
    plain &= shapely.get_type_id(np.where(told, shapes, None)) == 3
    rows = np.flatnonzero(plain)
    if not len(rows):
        return np.asarray(plain, dtype=bool)
    first, last = start[rows], start[rows] + count[rows] - 1
    own_ring = np.stack([page[first, 0], page[last, 1], page[last, 2], page[first, 3]], axis=1)
    lot_ring = project(shapely.get_coordinates(shapes[rows])).reshape(-1, 5, 2)[:, :4]
    # Each corner of the lot has a corner of its spaces within two whole numbers, about a centimetre.
    gaps = np.abs(own_ring[:, :, None, :] - lot_ring[:, None, :, :]).max(axis=3)
    same = (gaps.min(axis=1) <= 2).all(axis=1) & (gaps.min(axis=2) <= 2).all(axis=1)
    whole = np.array([piece.all() for piece in np.split(four, np.cumsum(count[count > 0])[:-1])], dtype=bool)
    good = np.zeros(len(groups), dtype=bool)
    good[np.flatnonzero(count > 0)] = whole
    plain[rows] = same
    return np.asarray(plain & good, dtype=bool)


# ---- people ---------------------------------------------------------------------------------------------------------


def _dates(packer: Packer, table: pd.DataFrame) -> tuple[dict[str, Any], list[list[Any]]]:
    """Pack the three dates; those that are no plain day, month or year stand in a list with their words and years."""
    special: dict[str, int] = {}
    year: dict[str, Ints] = {}
    month_day: dict[str, Ints] = {}
    days: dict[str, Ints] = {}
    for name in ("born", "died", "buried"):
        code, unique = pd.factorize(_texts(table, name))
        y, m, ordinal = np.zeros(len(unique), dtype=np.int64), np.zeros(len(unique), dtype=np.int64), []
        for k, text in enumerate(unique):
            found = _FULL_DAY.fullmatch(text)
            ordinal.append(-1)
            if not text:
                continue
            month, day = (int(found[2] or 0), int(found[3] or 0)) if found is not None else (99, 0)
            if month > 12 or (found is not None and int(found[1]) == 0):
                y[k] = _SPECIAL + special.setdefault(text, len(special))
                continue
            y[k], m[k] = int(found[1]), 32 * month + day  # type: ignore[index]
            if day:
                ordinal[k] = _ordinal(text)
        at = code if len(code) else np.zeros(0, dtype=np.int64)
        year[name], month_day[name] = y[at], m[at]
        days[name] = np.array(ordinal, dtype=np.int64)[at] if len(unique) else np.zeros(0, dtype=np.int64)
    after = days["buried"] - days["died"]
    near = (days["buried"] > 0) & (days["died"] > 0) & (after >= 0) & (after <= 60)
    after = np.where(near, after + 1, np.where(year["buried"] > 0, 62, 0))
    rest = after == 62
    listed = list(special)
    told = years(pd.Series(listed, dtype=object)) if listed else pd.DataFrame({"earliest": [], "latest": []})
    spans = told.astype(object).where(told.notna(), None).to_numpy().tolist()
    words = [[say_date(text), *span] for text, span in zip(listed, spans, strict=True)]
    return {
        "born": [packer.integers(item["born"], steps=False) for item in (year, month_day)],
        "died": [packer.integers(item["died"], steps=False) for item in (year, month_day)],
        "after": packer.integers(after, steps=False),
        "buried": [packer.integers(item["buried"][rest], steps=False) for item in (year, month_day)],
    }, words


def _ordinal(text: str) -> int:
    """Return the number of a day, -1 for one that no calendar has."""
    try:
        return date.fromisoformat(text).toordinal()
    except ValueError:
        return -1


def _graves(packer: Packer, ground: PublicGround, places: _Places) -> dict[str, Any]:
    table = ground.graves.reset_index(drop=True)
    section, lot, space = (_texts(table, name) for name in ("section", "lot_id", "space_id"))
    n_spaces, n_others, n_groups = len(places.spaces), len(places.others), len(places.groups)
    at = np.zeros(len(table), dtype=np.int64)

    def put(values: Texts, names: npt.ArrayLike, base: int) -> None:
        known = pd.Series(np.arange(len(np.asarray(names))) + base, index=pd.Index(np.asarray(names, dtype=object)))
        known = known[~known.index.duplicated() & (known.index != "")]
        found = pd.Series(values, dtype=object).map(known).fillna(0).to_numpy(dtype=np.int64)
        at[:] = np.where(at == 0, found, at)

    put(space, places.spaces["space_id"], 1)
    put(space, places.others["space_id"], 1 + n_spaces)
    put(lot, places.groups["lot_id"], 1 + n_spaces + n_others)
    put(section, places.sections, 1 + n_spaces + n_others + n_groups)
    parts = {name: _texts(table, name) for name in ("surname", "given", "middle", "maiden", "title", "suffix", "name")}
    parts["written"] = _written(parts)
    name_order = pd.DataFrame(
        {"at": np.where(at == 0, 2**31, at), "surname": parts["surname"], "given": parts["given"]}
    )
    order = name_order.sort_values(["at", "surname", "given"], kind="stable").index.to_numpy()
    coded, words = _coded(np.concatenate([parts[name][order] for name in _NAME_PARTS]))
    columns = coded.reshape(len(_NAME_PARTS), -1)
    table = table.loc[order]
    dates, special = _dates(packer, table)
    veteran = (
        table["veteran"].fillna(value=False).to_numpy(dtype=bool) if "veteran" in table else np.zeros(len(table), bool)
    )
    return {
        "n": len(table),
        "at": packer.integers(at[order]),
        "names": {
            name: packer.integers(column, steps=False) for name, column in zip(_NAME_PARTS, columns, strict=True)
            if column.any()
        },
        "words": words,
        "dates": dates,
        "special": special,
        "veteran": packer.integers(veteran.astype(np.int64), steps=False) if veteran.any() else None,
    }  # fmt: skip


def _written(parts: dict[str, Texts]) -> Texts:
    """Return names as published where their parts do not say all of it."""
    simple = [
        " ".join(filter(None, words)) for words in zip(parts["given"], parts["middle"], parts["surname"], strict=True)
    ]
    name = parts["name"]
    same = (name == "") | (name == np.array(simple, dtype=object))
    rest = np.flatnonzero(~np.asarray(same, dtype=bool))
    out = np.full(len(name), "", dtype=object)
    for k in rest:
        told = set(_WORD.findall(" ".join(parts[part][k] for part in _NAME_PARTS if part != "written").casefold()))
        if not told.issuperset(word for word in _WORD.findall(parts["name"][k].casefold()) if word not in _BORN):
            out[k] = parts["name"][k]
    return out


# ---- the page -------------------------------------------------------------------------------------------------------


def _layer(packer: Packer, table: pd.DataFrame, *names: str) -> dict[str, Any]:
    told: dict[str, Any] = {"n": len(table), "places": packer.places(_shaped(table)), "texts": {}}
    for name in names:
        code, words = _coded(_texts(table, name))
        told["texts"][name] = {"at": packer.integers(code), "words": words}
    return told


def _bounds(ground: PublicGround) -> tuple[float, float, float, float]:
    boxes = [shapely.total_bounds(_shaped(table)) for table in
             (ground.sections, ground.lots, ground.spaces, ground.drives, ground.gates, ground.obstacles)
             if len(table) and "geometry" in table]  # fmt: skip
    boxes = [box for box in boxes if np.isfinite(box).all()]
    if not boxes:
        where = "public map"
        raise InputError.of(where, "nothing that is published has a place to draw", "Publish at least one section.")
    every = np.array(boxes)
    low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _ways(packer: Packer, ground: PublicGround, project: Callable[[Floats], Floats]) -> dict[str, Any]:
    gates = _shaped(ground.gates)
    spots = shapely.get_coordinates(gates).reshape(-1, 2) if len(gates) else np.zeros((0, 2))
    ways = drive_ways(_shaped(ground.drives), spots, gap=_NEAR_M / ground.crs.unit.metres)
    points = project(ways.points) if len(ways.points) else np.zeros((0, 2))
    far = np.where(np.isfinite(ways.distance), np.rint(ways.distance * 10.0), -1.0)
    return {
        "x": packer.integers(points[:, 0]), "y": packer.integers(points[:, 1]),
        "a": packer.integers(ways.lines[:, 0]), "b": packer.integers(ways.lines[:, 1]),
        "drive": packer.integers(ways.drive), "parent": packer.integers(ways.parent),
        "far": packer.integers(far), "gate": packer.integers(ways.gate),
    }  # fmt: skip


def _picture(base: BaseImage, project: Callable[[Floats], Floats]) -> dict[str, Any]:
    kind = next((kind for start, kind in _KINDS.items() if base.data.startswith(start)), None)
    corners = np.asarray(base.corners_grid, dtype=float)
    if kind is None or corners.shape != (3, 2) or not np.isfinite(corners).all() or not base.attribution.strip():
        where = "base image"
        raise InputError.of(where, "not a JPEG, PNG or WebP with three corners and an attribution",
                            "Give the picture, its upper left, upper right and lower left corner on the grid, and "
                            "whose it is.")  # fmt: skip
    return {"kind": kind, "corners": project(corners).tolist(), "attribution": _clean(base.attribution, 300)}


def public_page(
    ground: PublicGround, *, base_image: BaseImage | None = None, licence: str | None = None, contact: str | None = None
) -> str:
    """Return the public's map as one HTML file that opens without a network.

    Parameters
    ----------
    ground : PublicGround
        All that is read; the columns taken are named here one by one, whatever else the tables hold.
    base_image : BaseImage, optional
        A picture under the map.
    licence : str, optional
        Under what terms the data may be used; shown.
    contact : str, optional
        Where corrections and questions go, over several lines if need be; shown and printed on the slip.

    Returns
    -------
    str

    Raises
    ------
    InputError
        When nothing has a place, or its place is nowhere on the earth.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> crs = ground_crs("EPSG:6549")
    >>> empty = pd.DataFrame()
    >>> lots = pd.DataFrame({"lot_id": ["A-1"], "section": ["A"], "lot": ["1"],
    ...                      "geometry": shapely.box([2e6], [4e5], [2e6 + 16], [4e5 + 12])})
    >>> graves = pd.DataFrame({"name": ["{{7*7}}"], "lot_id": ["A-1"]})
    >>> text = public_page(PublicGround("Hill", "", crs, "2025-05-20", empty, lots, empty, empty, graves, empty, empty,
    ...                                 empty, empty, empty))
    >>> text.startswith("<!DOCTYPE html>"), "{{7*7}}" in text
    (True, False)
    """
    bounds = _bounds(ground)
    crs = ground.crs
    middle = mercator(to_lonlat([[(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2]], crs))[0]
    if not np.isfinite(middle).all():
        where, remedy = "public map", "Check the ground's CRS and the coordinates."
        raise InputError.of(where, "the ground's coordinates are not on the earth", remedy)
    origin = np.rint(middle)
    packer = Packer(crs, origin)
    project = _projector(bounds, crs, origin)
    places = _places(ground)
    spaces, groups = places.spaces, places.groups
    shapes = spaces["shape"].to_numpy(dtype=object)
    count = groups["count"].to_numpy()
    start = np.cumsum(count) - count
    corners, four = _quads(shapes) if len(shapes) else (np.zeros((0, 4, 2)), np.zeros(0, dtype=bool))
    used = count > 0
    # The page counts y downwards, which turns the rings; all of them alike.
    page = project(corners.reshape(-1, 2)).reshape(-1, 4, 2) if len(corners) else corners
    page = _chained(page, start[used], count[used]) if len(page) else page
    plain = _outlines(page, four, groups, start, project)
    heads, head_words = _heads(spaces)
    kinds, kind_words = _coded(spaces["kind"].to_numpy(dtype=object))
    section_number = {name: k for k, name in enumerate(places.sections)}
    rows, row_words = _coded(groups["row"].to_numpy(dtype=object))
    usual = np.where(spaces["lot"] != "", spaces["lot_id"] + "-" + spaces["space"],
                     spaces["section"] + "-" + spaces["row"] + "-" + spaces["space"])  # fmt: skip
    named = spaces["space_id"].to_numpy(dtype=object)
    renamed = np.flatnonzero(usual != named)
    usual_lot = groups["section"] + "-" + groups["lot"]
    relot = np.flatnonzero(((usual_lot != groups["lot_id"]) & (groups["lot_id"] != "")).to_numpy(dtype=bool))
    sections = ground.sections
    told = dict(zip(_texts(sections, "section"), range(len(sections)), strict=True))
    around = project(np.array([[bounds[0], bounds[1]], [bounds[2], bounds[1]], [bounds[2], bounds[3]],
                               [bounds[0], bounds[3]]]))  # fmt: skip
    centre = np.array([[(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2]])
    pair = mercator(to_lonlat(np.vstack([centre, centre + np.array([1.0, 0.0])]), crs))
    gate_names = _texts(ground.gates, "name")
    header: dict[str, Any] = {
        "facts": {
            "name": _clean(ground.name), "place": _clean(ground.place or ""), "as_of": _clean(ground.as_of or ""),
            "crs": crs.name, "suffix": crs.unit.suffix, "metres": crs.unit.metres, "version": __version__,
            "licence": _clean(licence or "", 2000),
            "contact": [_clean(line, 300) for line in (contact or "").splitlines() if line.strip()][:8],
            "veterans": bool("veteran" in ground.graves and ground.graves["veteran"].fillna(value=False).any()),
        },
        "origin": origin.tolist(),
        "bounds": [*around.min(axis=0).tolist(), *around.max(axis=0).tolist()],
        "grid": {"per_unit": float(np.hypot(*(pair[1] - pair[0])))},
        "letters": letter_tables(),
        "section_names": places.sections,
        "section_row": [told.get(name, -1) for name in places.sections],
        "sections": _layer(packer, sections, "section", "title", "heads"),
        "drives": _layer(packer, ground.drives, "name", "surface"),
        "obstacles": _layer(packer, ground.obstacles, "kind"),
        "monuments": _layer(packer, ground.monuments),
        "gates": {"places": packer.places(_shaped(ground.gates)), "n": len(ground.gates), "names": gate_names.tolist()},
        "groups": {
            "n": len(groups), "count": packer.integers(count, steps=False),
            "section": packer.integers([section_number.get(name, -1) for name in groups["section"]]),
            "row": packer.integers(rows), "row_words": row_words,
            "lot": _numbered(packer, groups["lot"].to_numpy(dtype=object)),
            "is_lot": packer.integers((groups["lot_id"] != "").to_numpy(dtype=np.int64)),
            "plain": packer.integers(plain.astype(np.int64)),
            "outlines": packer.places(np.where(plain, None, groups["shape"].to_numpy(dtype=object))),
            "renamed": packer.integers(relot), "names": [str(groups["lot_id"].iloc[k]) for k in relot],
        },
        "spaces": {
            "n": len(spaces), "rings": _rings(packer, page, start[used], count[used]),
            "odd": packer.integers(np.flatnonzero(~four)), "odd_places": packer.places(shapes[~four]),
            "space": _numbered(packer, spaces["space"].to_numpy(dtype=object)),
            "kind": packer.integers(kinds), "kind_words": kind_words,
            "heads": packer.integers(heads), "head_words": head_words,
            "renamed": packer.integers(renamed), "names": [str(named[k]) for k in renamed],
        },
        "others": {name: places.others[name].tolist() for name in places.others},
        "graves": _graves(packer, ground, places),
        "ways": _ways(packer, ground, project),
    }  # fmt: skip
    if base_image is not None:
        header["picture"] = _picture(base_image, project)
    picture = {"ground-picture": base64.b64encode(base_image.data).decode("ascii")} if base_image is not None else {}
    return assemble(
        "Who lies where",
        own("public_before.html"),
        own("public_after.html"),
        packer.block(header),
        [own(name) for name in ("map.js", "page.js", "search.js", "public.js")],
        [own("public.css")],
        blocks=picture,
    )
