"""Plats: how the lots were meant to lie, as corners shared by lots and spaces divided between corners."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import sparse

from cemgis.errors import Gather, InputError
from cemgis.findings import Finding, find
from cemgis.geometry import (
    drop_vertices,
    insert_in_rings,
    join_points,
    long_axis,
    mean_value_weights,
    next_in_ring,
    points_on_edges,
    polygons_from_rings,
    start_where,
    take_rings,
    turns,
)
from cemgis.ground import CORNERS, ROW_KINDS, SIDES, Ground, Rows, Section
from cemgis.places import label_key
from cemgis.units import Unit, parse_length, say_length

__all__ = ["TOLERANCE", "Match", "Plat", "make_plat", "match_label", "overlaps"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]
Rings = tuple[Integers, Integers]

TOLERANCE = 0.01
"""Points of a plat nearer than this are one corner; in the ground's unit. A plat is drawn to the inch at best."""

_WAY: Mapping[str, tuple[float, float]] = {
    "north": (0.0, 1.0), "south": (0.0, -1.0), "east": (1.0, 0.0), "west": (-1.0, 0.0),
}  # fmt: skip
_AZIMUTH = {"north": 0.0, "east": 90.0, "south": 180.0, "west": 270.0}
_LEFT = {"north": "west", "west": "south", "south": "east", "east": "north"}
_RIGHT = {side: left for left, side in _LEFT.items()}
_TOWARDS: Mapping[str, tuple[float, float]] = {
    "southwest": (-1.0, -1.0), "southeast": (1.0, -1.0), "northwest": (-1.0, 1.0), "northeast": (1.0, 1.0),
}  # fmt: skip
_MOST_ALIKE = 2000  # ids compared letter by letter before giving up on a spelling
_FEW = 10  # problems of one sort named one by one
_PLAIN_NUMBER = re.compile(r"[1-9][0-9]*").fullmatch
_NONE: Integers = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Plat:
    """All plats of a ground: corners, and lots, spaces and markers hung on them.

    Parameters
    ----------
    corners : DataFrame
        ``corner_id, plat, section, plat_x, plat_y, has_marker``; one row a corner.
    lots : DataFrame
        ``lot_id, section, plat, row, lot, label, spaces, tiers, kind, marker_corner, marker_index, facing,
        counted_from, first_space_side, short_side, run_azimuth_plat``; ``marker_index`` is a row of `corners` or -1.
        Single graves have no lot.
    lot_rings : (indices, offsets)
        Rows of `corners` round each lot, counterclockwise.
    sites : DataFrame
        ``label, lot_id, space_id, section, plat, row, lot, corner_index, plat_x, plat_y, inset_x, inset_y,
        short_side``: where each marker stands by the plat. ``plat_x`` is the corner's plus ``inset_x``; ``lot_id`` is
        missing and ``space_id`` given for the markers of single graves.
    spaces : DataFrame
        ``space_id, section, plat, lot_id, lot_index, row, space, kind, facing, run_azimuth_plat``; ``lot_index`` is a
        row of `lots` or -1.
    space_rings : (indices, offsets)
        Vertices round each space, counterclockwise.
    weights : CSR (vertices x corners)
        ``weights @ corner positions`` are the vertices; the first rows are the corners themselves.
    centre_weights : CSR (spaces x corners)
    niches : DataFrame
        ``space_id, section, building, face, row, column``.
    marker_label : str
        How a marker's text is built.
    findings : list of Finding
    """

    corners: pd.DataFrame
    lots: pd.DataFrame
    lot_rings: Rings
    sites: pd.DataFrame
    spaces: pd.DataFrame
    space_rings: Rings
    weights: Any
    centre_weights: Any
    niches: pd.DataFrame
    marker_label: str
    findings: list[Finding] = field(default_factory=list)

    @property
    def corners_plat_xy(self) -> Floats:
        """Plat coordinates (n, 2) of the corners."""
        return np.asarray(self.corners[["plat_x", "plat_y"]], dtype=float)

    @property
    def short_side(self) -> Floats:
        """Short side of each lot."""
        return np.asarray(self.lots["short_side"], dtype=float)

    @cached_property
    def _label_index(self) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
        """Rows of `sites` by label key: keys that name a section, and bare ones."""
        named: dict[str, list[int]] = {}
        bare: dict[str, list[int]] = {}
        section, row, lot = (_keys(self.sites[name]) for name in ("section", "row", "lot"))
        label = _keys(self.sites["label"])
        labelled = named if "{section}" in self.marker_label else bare
        for number in range(len(self.sites)):
            ends: set[str] = {lot[number], f"{row[number]}-{lot[number]}".strip("-")}
            if self.sites_by_row[number]:
                ends.add(row[number])
            for end in ends:
                named.setdefault(f"{section[number]}-{end}", []).append(number)
                bare.setdefault(end, []).append(number)
            found = labelled.setdefault(label[number], [])
            if number not in found[-1:]:
                found.append(number)
        return named, bare

    @cached_property
    def sites_by_row(self) -> Flags:
        """Whether a site is the end of a row of single graves, so that the row's name may be its label."""
        return np.asarray(self.sites["lot_id"].isna(), dtype=bool)


@dataclass(frozen=True, slots=True)
class Match:
    """What a label as read may name.

    Parameters
    ----------
    site : int or None
        Row of `Plat.sites`; None when nothing or more than one thing fits.
    lot_id : str or None
        The lot (or single grave) it names.
    candidates : tuple of str
        Labels of the sites that fit.
    """

    site: int | None
    lot_id: str | None
    candidates: tuple[str, ...]


def match_label(text: object, default_section: str | None, plat: Plat) -> Match:
    """Find the marker of the plat that a label as read names.

    A label without its section counts for `default_section` alone if there is one, else for every section.

    Parameters
    ----------
    text : str
    default_section : str or None
    plat : Plat

    Returns
    -------
    Match
        Without a site when nothing fits or several things do; these are its candidates.
    """
    key = label_key(text)
    if not key:
        return Match(None, None, ())
    named, bare = plat._label_index
    sites = set(named.get(key, ()))
    # a label that names its section is taken at its word, unless the file has a section of its own
    loose = bare.get(key, ()) if default_section is not None or not sites else ()
    if default_section is not None and loose:
        section = plat.sites["section"].to_numpy()
        loose = [number for number in loose if section[number] == default_section]
    sites.update(loose)
    labels = tuple(str(plat.sites["label"].iloc[number]) for number in sorted(sites))
    if len(sites) != 1:
        return Match(None, None, labels)
    site = sites.pop()
    lot_id, space_id = plat.sites["lot_id"].iloc[site], plat.sites["space_id"].iloc[site]
    return Match(site, str(space_id if pd.isna(lot_id) else lot_id), labels)


# ---- faces: every lot and single grave as a ring of plat points ------------------------------------------------------


@dataclass
class _Faces:
    """Lots and single graves before their corners are shared.

    ``table`` has one row a face; ``xy`` and ``offsets`` hold the rings, counterclockwise.
    """

    table: pd.DataFrame
    xy: Floats
    offsets: Integers
    pieces: gpd.GeoDataFrame | None = None  # spaces given as polygons: face (row of table), space, geometry


_FACE_COLUMNS = (
    "section", "row", "lot", "single", "spaces", "tiers", "facing", "counted_from", "kind", "markers",
    "markers_at", "run", "group", "first", "last", "short_side", "where",
)  # fmt: skip


def _numbers(
    first: int, count: int, skip: Sequence[int], extra: Mapping[str, tuple[str, ...]]
) -> tuple[list[str], int]:
    """Names of `count` lots in order, and the number that comes next."""
    low = np.arange(first, first + count + len(skip))
    counted = low[~np.isin(low, skip)][:count]
    names = [str(number) for number in counted.tolist()]
    last = int(counted[-1]) if count else first - 1
    if extra:
        pending = dict(extra)
        progress = True
        while pending and progress:
            progress = False
            for key in [key for key in pending if key in names]:
                at = names.index(key) + 1
                names[at:at] = pending.pop(key)
                progress = True
        names = names[:count]
        own = set(names)
        last = max((number for number in counted.tolist() if str(number) in own), default=first - 1)
    while last + 1 in skip:
        last += 1
    return names, last + 1


def _resolve(
    tokens: Iterable[str], cells: Objects, rows: Objects, where: str, key: str, gather: Gather
) -> tuple[Integers, Objects]:
    """Cells that lot names (or ``row-name``) mean, with the token of each; a token that means none is a problem."""
    wanted = set(tokens)
    if not wanted:
        return _NONE, np.empty(0, dtype=object)
    at = np.flatnonzero(pd.Index(cells).isin(wanted))
    said = cells[at]
    missing = wanted - set(said)
    if missing:
        full = np.char.add(np.char.add(rows.astype(str), "-"), cells.astype(str)).astype(object)
        more = np.flatnonzero(pd.Index(full).isin(missing))
        at, said = np.concatenate([at, more]), np.concatenate([said, full[more]])
        for token in sorted(missing - set(full[more])):
            gather.add(f"{where}.{key}", f"no lot {token!r} in this block", "Mend the number or take it out.")
    return at, said


def _block(
    section: Section, block: Rows, row_names: Sequence[str], first: int, group: int, gather: Gather
) -> tuple[_Faces | None, int]:
    """Faces of one block of rows, and the number that comes after its last."""
    lots = np.asarray(block.lots)
    count, longest = block.rows, int(lots.max())
    exists = np.arange(longest)[None, :] < lots[:, None]
    named = exists.copy()
    if block.blank:
        row, place = np.array(block.blank).T - 1
        named[row, place] = False
    # Order of the numbers: along the run, in every second row against it where they go back and forth.
    columns = np.broadcast_to(np.arange(longest), (count, longest)).copy()
    if block.numbering == "back and forth":
        columns[1::2] = columns[1::2, ::-1]
    taken = np.take_along_axis(named, columns, axis=1)
    rank = np.empty((count, longest), dtype=np.int64)
    if block.numbering == "restart":
        running = np.cumsum(taken, axis=1) - 1
        names, after = _numbers(first, int(taken.sum(axis=1).max()), block.skip, block.extra)
        after = first
    else:
        running = (np.cumsum(taken) - 1).reshape(count, longest)
        names, after = _numbers(first, int(taken.sum()), block.skip, block.extra)
    np.put_along_axis(rank, columns, running, axis=1)
    own = set(names)
    for key, more in block.extra.items():
        lost = [name for name in (key, *more) if name not in own]
        if lost:
            gather.add(f"{block.where}.extra.{key}", f"no place for {', '.join(lost)}", "Add places or take it out.")
    cell_row, cell_place = np.nonzero(named)
    cells = np.array(names, dtype=object)[rank[cell_row, cell_place]] if len(cell_row) else np.empty(0, dtype=object)
    row_of = np.array(list(row_names), dtype=object)[cell_row]
    frontage = np.broadcast_to(np.asarray(block.frontage), (count, longest)).copy()
    depth = np.asarray(block.depth)
    cell_depth = depth[cell_row]
    at, said = _resolve(block.sizes, cells, row_of, block.where, "sizes", gather)
    for cell, token in zip(at.tolist(), said, strict=True):
        size = block.sizes[token]
        if size.frontage is not None:
            frontage[cell_row[cell], cell_place[cell]] = size.frontage
        if size.depth is not None:
            cell_depth[cell] = size.depth
    walks = np.zeros(longest)
    for walk in block.breaks:
        walks[walk.after - 1] = walk.width
    start = np.zeros((count, longest))
    start[:, 1:] = np.cumsum(frontage + walks, axis=1)[:, :-1]
    base = np.zeros(count)
    base[1:] = np.cumsum(depth[:-1] + np.asarray(block.between_rows))
    keep = np.ones(len(cells), dtype=bool)
    at, _ = _resolve(block.empty, cells, row_of, block.where, "empty", gather)
    keep[at] = False
    cells, row_of, cell_row, cell_place, cell_depth = (
        part[keep] for part in (cells, row_of, cell_row, cell_place, cell_depth)
    )
    if not len(cells):
        gather.add(block.where, "no lot is left in this block", "Take the block out or mend its blanks.")
        return None, after
    low = start[cell_row, cell_place]
    wide = frontage[cell_row, cell_place]
    near = base[cell_row]
    run, step = np.array(_WAY[block.run]), np.array(_WAY[block.step])
    along = np.stack([low, low + wide, low + wide, low], axis=1)
    across = np.stack([near, near, near + cell_depth, near + cell_depth], axis=1)
    if run[0] * step[1] - run[1] * step[0] < 0:  # keep the rings counterclockwise
        along, across = along[:, ::-1], across[:, ::-1]
    xy = np.array(block.at) + along[..., None] * run + across[..., None] * step
    # Ends of each row by place, for the markers of single graves.
    new_row = np.append([True], np.diff(cell_row) > 0)
    table = pd.DataFrame(
        {
            "section": section.name,
            "row": row_of,
            "lot": cells,
            "single": block.singles,
            "spaces": block.spaces,
            "tiers": block.tiers,
            "facing": block.facing,
            "counted_from": block.counted_from,
            "kind": block.kind,
            "markers": section.markers,
            "markers_at": block.markers_at if block.singles else "",
            "run": block.run,
            "group": group + cell_row,
            "first": new_row,
            "last": np.append(new_row[1:], [True]),
            "short_side": np.minimum(wide, cell_depth),
            "where": block.where,
        }
    )
    return _Faces(table, xy.reshape(-1, 2), np.arange(0, 4 * len(cells) + 1, 4)), after


def _given(table: pd.DataFrame, name: str) -> pd.Series:
    """Return a column of a table of lots as text, missing where blank; all missing when the column is."""
    given = table[name].to_numpy(dtype=object) if name in table else [None] * len(table)
    return pd.Series([_plain(value) or None for value in given], index=table.index, dtype=object)


def _plain(value: object) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    if isinstance(value, float) and value.is_integer():  # numbers of a file that also has blanks
        return str(int(value))
    return str(value).strip()


class _LotTable:
    """Reads the columns of a table of lots, noting problems by line."""

    columns = ("section", "row", "lot", "x", "y", "width", "depth", "turn", "spaces", "tiers", "facing", "from", "kind",
               "markers", "space")  # fmt: skip

    def __init__(self, section: Section, table: pd.DataFrame, unit: Unit, gather: Gather) -> None:
        self.file = section.lots or section.name
        self.unit = unit
        self.gather = gather
        rename = {
            name: str(name).strip().lower() for name in table.columns if str(name).strip().lower() in self.columns
        }
        own = table.rename(columns=rename)
        for name in own.columns:
            word = str(name).strip().lower()
            if word in (*self.columns, "geometry", "line"):
                continue
            near = difflib.get_close_matches(word, self.columns, n=1, cutoff=0.8)
            if near and near[0] not in own.columns:
                gather.add(
                    f"{self.file}, column {str(name)[:40]!r}", "not a column of lots", f"Did you mean {near[0]!r}?"
                )
        named = _given(own, "section")
        self.table = own[(named.isna() | (named == section.name)).to_numpy()] if "section" in own else own
        if "section" in own and not len(self.table) and len(own):
            gather.add(self.file, f"no row of section {section.name!r}", "Fill in its column section.")
        line = self.table["line"] if "line" in self.table else pd.Series(range(1, len(self.table) + 1))
        self.line = line.to_numpy()

    def note(self, wrong: Flags, what: Iterable[str], remedy: str) -> None:
        """Note the rows that are wrong, the first few one by one."""
        rows = np.flatnonzero(wrong)
        for row, said in zip(rows[:_FEW], what, strict=False):
            self.gather.add(f"{self.file}, line {self.line[row]}", said, remedy)
        if len(rows) > _FEW:
            self.gather.add(self.file, f"the same in {len(rows) - _FEW} more lines", remedy)

    def text(self, name: str) -> Objects:
        return np.asarray(_given(self.table, name).to_numpy(dtype=object))

    def choice(self, name: str, choices: Sequence[str], default: str) -> Objects:
        values = _given(self.table, name)
        words = np.array([default if value is None else value.lower() for value in values], dtype=object)
        wrong = ~np.isin(words.astype(str), choices)
        shown = (f"{name} {value!r} is not understood" for value in values[wrong])
        self.note(wrong, shown, f"One of: {', '.join(word for word in choices if word)}.")
        words[wrong] = default
        return words

    def count(self, name: str, default: int) -> Integers:
        values = _given(self.table, name)
        numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
        blank = values.isna().to_numpy()
        numbers = np.where(blank, default, numbers)
        wrong = ~((numbers >= 1) & (numbers <= 1000) & (numbers == np.floor(numbers)))
        self.note(wrong, (f"{name} {value!r} is not a count from 1" for value in values[wrong]), "Write how many.")
        return np.where(wrong, 1, numbers).astype(np.int64)

    def length(self, name: str, *, above: float | None = None) -> Floats:
        """Numbers in the ground's unit, or lengths that carry theirs."""
        values = _given(self.table, name)
        numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float).copy()
        blank = values.isna().to_numpy()
        self.note(blank, (f"no {name}" for _ in range(int(blank.sum()))), "Fill it in.")
        odd = np.isnan(numbers) & ~blank
        if odd.any():
            read = {text: self._length(text) for text in values[odd].unique()}
            numbers[odd] = values[odd].map(read).to_numpy(dtype=float)
        wrong = ~blank & ~(np.abs(numbers) < 1e6)
        self.note(wrong, (f"{name} {value!r} is not a length" for value in values[wrong]), 'Write 16 or "16 ft".')
        if above is not None:
            small = ~blank & (numbers <= above)
            self.note(small, (f"{name} {value!r} is too small" for value in values[small]), "Mend it.")
        return np.asarray(numbers, dtype=float)

    def _length(self, text: str) -> float:
        try:
            return parse_length(text, self.unit)
        except InputError:
            return np.nan


def _from_table(section: Section, table: pd.DataFrame, unit: Unit, group: int, gather: Gather) -> _Faces | None:
    """Faces of a section whose lots come one by one, as rectangles or as polygons."""
    before = len(gather)
    drawn = isinstance(table, gpd.GeoDataFrame)
    given = _LotTable(section, table, unit, gather)
    needed = ("lot",) if drawn else ("lot", "x", "y", "width", "depth")
    missing = [name for name in needed if name not in given.table and not (drawn and "space" in given.table)]
    if missing:
        gather.add(given.file, f"no column {', '.join(missing)}", "Add it, or name it so in the file's first line.")
        return None
    if not len(given.table):
        if len(gather) == before:
            gather.add(given.file, "no lots", "Fill it in.")
        return None
    lot, row = given.text("lot"), given.text("row")
    columns = {
        "section": section.name,
        "row": row,
        "lot": lot,
        "spaces": given.count("spaces", 1),
        "tiers": given.count("tiers", 1),
        "facing": given.choice("facing", SIDES, "east"),
        "counted_from": given.choice("from", ("left", "right"), "left"),
        "kind": given.choice("kind", ROW_KINDS, "full"),
        "markers": given.choice("markers", (*CORNERS, ""), section.markers),
        "run": "",
        "first": False,
        "last": False,
        "where": [f"{given.file}, line {line}" for line in given.line],
    }
    faces = pd.DataFrame(columns)
    if drawn:
        return _from_polygons(given, faces, group, before)
    nameless = faces["lot"].isna().to_numpy()
    given.note(nameless, ("a lot without a number" for _ in range(int(nameless.sum()))), "Fill in lot.")
    x, y = given.length("x"), given.length("y")
    width, depth = given.length("width", above=0.0), given.length("depth", above=0.0)
    turn = np.zeros(len(faces))
    if "turn" in given.table:
        values = _given(given.table, "turn")
        turn = pd.to_numeric(values.where(values.notna(), "0"), errors="coerce").to_numpy(dtype=float)
        wrong = ~(np.abs(turn) <= 360.0)
        given.note(wrong, (f"turn {value!r} is no angle" for value in values[wrong]), "Write degrees clockwise.")
    if len(gather) > before:
        return None
    # The lot turns clockwise about its southwest corner.
    angle = np.radians(turn)
    east = np.column_stack([np.cos(angle), -np.sin(angle)])
    north = np.column_stack([np.sin(angle), np.cos(angle)])
    along = np.stack([0 * width, width, width, 0 * width], axis=1)[..., None]
    up = np.stack([0 * depth, 0 * depth, depth, depth], axis=1)[..., None]
    xy = np.column_stack([x, y])[:, None, :] + along * east[:, None, :] + up * north[:, None, :]
    faces = faces.assign(
        single=False, markers_at="", group=group + np.arange(len(faces)), short_side=np.minimum(width, depth)
    )
    return _Faces(faces[list(_FACE_COLUMNS)], xy.reshape(-1, 2), np.arange(0, 4 * len(faces) + 1, 4))


def _from_polygons(given: _LotTable, faces: pd.DataFrame, group: int, before: int) -> _Faces | None:
    """Faces drawn as polygons of lots, of the spaces of lots, or of single graves."""
    gather = given.gather
    shapes = shapely.force_2d(np.asarray(given.table.geometry.to_numpy(), dtype=object))
    several = shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOLYGON
    alone = several & (shapely.get_num_geometries(shapes) == 1)
    shapes = np.where(alone, shapely.get_geometry(shapes, 0), shapes)
    polygon = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    given.note(~polygon, ("not one polygon" for _ in range(int((~polygon).sum()))), "Draw it as a polygon.")
    bad = polygon & ~(shapely.is_valid(shapes) & (shapely.area(shapes) > TOLERANCE**2))
    given.note(bad, (shapely.is_valid_reason(shapes[bad])), "Draw its outline without crossing itself.")
    holed = polygon & (shapely.get_num_interior_rings(shapes) > 0)
    given.note(holed, ("the polygon has a hole" for _ in range(int(holed.sum()))), "Draw it without.")
    space = given.text("space")
    is_space = np.array([value is not None for value in space], dtype=bool)
    in_lot = faces["lot"].notna().to_numpy()
    nameless = ~is_space & ~in_lot
    given.note(nameless, ("neither lot nor space has a number" for _ in range(int(nameless.sum()))), "Fill in lot.")
    if len(gather) > before:
        return None
    shapes = shapely.orient_polygons(shapes)
    # Spaces of a lot: the lot is their union unless it is drawn itself.
    key = faces["row"].fillna("").astype(str) + "\0" + faces["lot"].fillna("").astype(str)
    of_lot = is_space & in_lot
    drawn_lots = set(key[~is_space & in_lot])
    extra = of_lot & ~key.isin(drawn_lots).to_numpy()
    order = np.arange(len(faces))
    heads = pd.Series(order[extra], index=key[extra].to_numpy()).groupby(level=0, sort=False).min()
    kept = np.sort(np.concatenate([order[~of_lot], heads.to_numpy()]))
    table = faces.iloc[kept].copy()
    outline = shapes[kept].copy()
    if extra.any():
        unions = gpd.GeoDataFrame({"key": key[extra].to_numpy()}, geometry=shapes[extra]).dissolve(
            "key", method="unary"
        )
        at = np.flatnonzero(np.isin(kept, heads.to_numpy()))
        outline[at] = unions.geometry.loc[key.iloc[kept[at]].to_numpy()].to_numpy()
        outline[at] = shapely.buffer(shapely.buffer(outline[at], 0), 0)
        apart = shapely.get_type_id(outline) != shapely.GeometryType.POLYGON
        for lot, where in zip(table["lot"][apart], table["where"][apart], strict=True):
            gather.add(str(where), f"the spaces of lot {lot} do not touch one another", "Draw the lot itself as well.")
        if apart.any():
            return None
        outline = shapely.orient_polygons(outline)
    single = is_space[kept] & ~in_lot[kept]
    table["lot"] = np.where(single, space[kept], table["lot"].to_numpy(dtype=object))
    table = table.assign(
        single=single,
        markers_at=np.where(single, "spaces", ""),
        group=group + np.arange(len(table)),
        short_side=long_axis(outline)[1],
    ).reset_index(drop=True)
    pieces = None
    if of_lot.any():
        face_key = pd.Series(np.arange(len(table)), index=key.iloc[kept].to_numpy())
        face_key = face_key[~face_key.index.duplicated()]
        owner = face_key.loc[key[of_lot].to_numpy()].to_numpy()
        pieces = gpd.GeoDataFrame(
            {"face": owner, "space": space[of_lot], "kind": faces["kind"].to_numpy()[of_lot],
             "where": faces["where"].to_numpy()[of_lot]},
            geometry=shapes[of_lot],
        )  # fmt: skip
        one, two = shapely.STRtree(shapes[of_lot]).query(shapes[of_lot], predicate="intersects")
        pair = (one < two) & (owner[one] == owner[two])
        one, two = one[pair], two[pair]
        _, width, _ = long_axis(shapely.intersection(shapes[of_lot][one], shapes[of_lot][two]))
        for row in np.flatnonzero(np.nan_to_num(width) > 2 * TOLERANCE)[:_FEW]:
            where = f"{pieces['where'].iloc[two[row]]}"
            gather.add(
                where, f"the space lies over space {pieces['space'].iloc[one[row]]} of its lot", "Mend its outline."
            )
        beyond = shapely.difference(shapes[of_lot], shapely.buffer(outline[owner], 2 * TOLERANCE, join_style="mitre"))
        for where in pieces["where"][shapely.area(beyond) > TOLERANCE**2][:_FEW]:
            gather.add(str(where), "the space reaches out of its lot", "Mend its outline.")
    ring = shapely.get_exterior_ring(outline)
    coords, index = shapely.get_coordinates(ring, return_index=True)
    last = np.append(np.diff(index) > 0, [True])  # the repeated first vertex
    counts = np.bincount(index[~last], minlength=len(table))
    offsets = np.concatenate([[0], np.cumsum(counts)])
    return _Faces(table[list(_FACE_COLUMNS)], coords[~last], offsets, pieces)


def _section_faces(
    section: Section, tables: Mapping[str, pd.DataFrame], unit: Unit, group: int, gather: Gather
) -> tuple[list[_Faces], bool]:
    """Return faces of one section and whether its lots are told apart by row."""
    if section.lots is not None:
        table = tables.get(section.name)
        if table is None:
            gather.add(f"{section.where}.lots", f"{section.lots} was not read", "Check that the file is there.")
            return [], False
        faces = _from_table(section, table, unit, group, gather)
        if faces is None:
            return [], False
        lots = faces.table[["row", "lot"]]
        rows = lots.drop_duplicates().groupby("lot", dropna=False)["row"].nunique()
        return [faces], bool((rows > 1).any() or faces.table["single"].any())
    by_row = any(block.singles or block.numbering == "restart" for block in section.rows)
    found = []
    next_number: dict[bool, int] = {}
    row_count = 0
    for block in section.rows:
        names = block.row_names or tuple(str(row_count + number) for number in range(1, block.rows + 1))
        row_count += block.rows
        going_on = block.numbering != "restart"
        first = block.first
        if first is None:
            first = next_number.get(block.singles, 1) if going_on else 1
        faces, after = _block(section, block, names, first, group, gather)
        group += block.rows
        if going_on:
            next_number[block.singles] = after
        if faces is not None:
            found.append(faces)
    return found, by_row


def _joined(faces: Sequence[_Faces]) -> _Faces:
    starts = np.cumsum([0, *(len(part.table) for part in faces)])
    offsets = [np.zeros(1, dtype=np.int64)]
    for part in faces:
        offsets.append(part.offsets[1:] + offsets[-1][-1])
    pieces = [
        part.pieces.assign(face=part.pieces["face"] + start)
        for part, start in zip(faces, starts[:-1], strict=True)
        if part.pieces is not None
    ]
    return _Faces(
        pd.concat([part.table for part in faces], ignore_index=True),
        np.concatenate([part.xy for part in faces]),
        np.concatenate(offsets),
        gpd.GeoDataFrame(pd.concat(pieces, ignore_index=True)) if pieces else None,
    )


# ---- corners ---------------------------------------------------------------------------------------------------------


# ---- spaces ----------------------------------------------------------------------------------------------------------


@dataclass
class _Strips:
    """Collects spaces: rings of vertices, and the vertices as weights of corners."""

    corners: int
    face: list[Integers] = field(default_factory=list)
    number: list[Objects] = field(default_factory=list)
    kind: list[Objects] = field(default_factory=list)
    ring: list[Integers] = field(default_factory=list)
    size: list[Integers] = field(default_factory=list)
    centre: list[Any] = field(default_factory=list)
    entries: list[tuple[Integers, Integers, Floats]] = field(default_factory=list)
    vertices: int = 0

    def __post_init__(self) -> None:
        own = np.arange(self.corners)
        self.entries.append((own, own, np.ones(self.corners)))
        self.vertices = self.corners

    def new_vertices(self, count: int) -> Integers:
        """Numbers for that many vertices."""
        numbers = self.vertices + np.arange(count)
        self.vertices += count
        return numbers


def _whole_faces(strips: _Strips, faces: Integers, ring: Rings, true: Flags, xy: Floats, table: pd.DataFrame) -> None:
    """Faces that are one space each: their own ring."""
    if not len(faces):
        return
    indices, offsets = take_rings(ring[0], ring[1], faces)
    marks, _ = take_rings(true.astype(np.int64), ring[1], faces)
    size = np.diff(offsets)
    owner = np.repeat(np.arange(len(faces)), size)
    corners = np.bincount(owner, weights=marks, minlength=len(faces))
    quad = corners == 4
    entry = quad[owner] & (marks > 0)
    rows, columns, values = [owner[entry]], [indices[entry]], [np.full(int(entry.sum()), 0.25)]
    # Any other shape: the weights of its centroid.
    for count in np.unique(size[~quad]):
        some = np.flatnonzero(~quad & (size == count))
        corner = indices[offsets[some][:, None] + np.arange(count)]
        middle = shapely.get_coordinates(shapely.centroid(shapely.polygons(xy[corner])))
        weight = mean_value_weights(xy[corner], middle)
        rows.append(np.repeat(some, count))
        columns.append(corner.ravel())
        values.append(weight.ravel())
    centre = sparse.coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(len(faces), strips.corners)
    )
    strips.face.append(faces)
    single = table["single"].to_numpy()[faces]
    strips.number.append(np.where(single, table["lot"].to_numpy(dtype=object)[faces], "1"))
    strips.kind.append(table["kind"].to_numpy(dtype=object)[faces])
    strips.ring.append(indices)
    strips.size.append(size)
    strips.centre.append(centre.tocsr())


def _divide(
    strips: _Strips, faces: Integers, wide: int, deep: int, ring: Rings, true: Flags, xy: Floats, table: pd.DataFrame
) -> None:
    """Divide four-cornered lots into `wide` strips by `deep` tiers, by proportion between their corners.

    Along a side the proportion runs over whatever corners lie on it, so the strips of a lot fill it wherever the
    corners of its neighbours go.
    """
    count = len(faces)
    indices, offsets = take_rings(ring[0], ring[1], faces)
    marks = take_rings(true.astype(np.int64), ring[1], faces)[0] > 0
    following = next_in_ring(offsets)
    owner = np.repeat(np.arange(count), np.diff(offsets))
    corner_at = np.flatnonzero(marks).reshape(count, 4)
    corner = xy[indices[corner_at]]
    sides = np.roll(corner, -1, axis=1) - corner
    length = np.linalg.norm(sides, axis=2)
    outward = np.stack([sides[..., 1], -sides[..., 0]], axis=2) / length[..., None]
    facing = table["facing"].to_numpy(dtype=object)[faces]
    way = np.array([_WAY[side] for side in SIDES])[pd.Index(SIDES).get_indexer(facing)]
    towards = np.round((outward * way[:, None, :]).sum(axis=2), 6)
    far = towards.argmax(axis=1)  # side of the ring one faces; then come the left side, the near one, the right one
    side = np.cumsum(marks) - 1 - 4 * owner
    start = corner[owner, side]
    along = ((xy[indices] - start) * sides[owner, side]).sum(axis=1) / length[owner, side] ** 2
    along = np.where(marks, 0.0, along)
    key = 2.0 * (4 * owner + side) + along
    end = np.where(marks[following], 1.0, along[following])
    used = np.zeros(len(indices), dtype=bool)

    def cut(face: Integers, which: int, share: Floats) -> tuple[Integers, Integers, Floats]:
        """Corners before and after a point of a side, and the weight of the second."""
        own = (far[face] + which) % 4
        at = np.searchsorted(key, 2.0 * (4 * face + own) + share + 1e-12, side="right") - 1
        span = end[at] - along[at]
        part = np.clip((share - along[at]) / span, 0.0, 1.0)
        snap = TOLERANCE / (span * length[face, own])
        low, high = (part <= snap) & (part <= 0.5), (1 - part <= snap) & (part > 0.5)
        part = np.where(low, 0.0, np.where(high, 1.0, part))
        used[at[low]] = True
        used[following[at[high]]] = True
        return indices[at], indices[following[at]], part

    vertex = np.empty((count, wide + 1, deep + 1), dtype=np.int64)

    def place(face: Integers, i: int, j: int, parts: Sequence[tuple[Integers, Integers, Floats, float]]) -> None:
        """Set grid vertices; one that is a corner is that corner, any other is new."""
        first, second, part, _ = parts[0]
        numbers = np.where(part == 0.0, first, second)
        fresh = np.ones(len(face), dtype=bool) if len(parts) > 1 else (part > 0.0) & (part < 1.0)
        numbers[fresh] = strips.new_vertices(int(fresh.sum()))
        vertex[face, i, j] = numbers
        for before, after, weight, share in parts:
            strips.entries.append((numbers[fresh], before[fresh], share * (1 - weight[fresh])))
            strips.entries.append((numbers[fresh], after[fresh], share * weight[fresh]))

    every = np.arange(count)
    for i in range(wide + 1):
        u = np.full(count, i / wide)
        near_cut, far_cut = cut(every, 2, u), cut(every, 0, 1.0 - u)
        place(every, i, 0, [(*near_cut, 1.0)])
        place(every, i, deep, [(*far_cut, 1.0)])
        for j in range(1, deep):
            t = np.full(count, j / deep)
            if i in (0, wide):
                place(every, i, j, [(*(cut(every, 1, 1.0 - t) if i == 0 else cut(every, 3, t)), 1.0)])
            else:
                place(every, i, j, [(*near_cut, 1.0 - j / deep), (*far_cut, j / deep)])
    quads = np.stack([vertex[:, :-1, :-1], vertex[:, 1:, :-1], vertex[:, 1:, 1:], vertex[:, :-1, 1:]], axis=3)
    quads = quads.transpose(0, 2, 1, 3).copy()  # face, tier, strip from the left, corner
    right = table["counted_from"].to_numpy(dtype=object)[faces] == "right"
    quads[right] = quads[right][:, :, ::-1]
    base = quads.reshape(-1, 4)
    # Corners of neighbours on the sides of the lot go into the ring of the strip they lie beside.
    extra = np.flatnonzero(~marks & ~used)
    which = (side[extra] - far[owner[extra]]) % 4
    share = along[extra]
    u = np.select([which == 0, which == 1, which == 2], [1 - share, 0.0, share], 1.0) * wide
    t = np.select([which == 0, which == 1, which == 2], [1.0, 1 - share, 0.0], share) * deep
    i = np.clip(np.floor(u), 0, wide - 1).astype(np.int64)
    j = np.clip(np.floor(t), 0, deep - 1).astype(np.int64)
    edge = np.select([which == 2, which == 3, which == 0], [0, 1, 2], 3)
    part = np.select([which == 2, which == 3, which == 0], [u - i, t - j, 1 - (u - i)], 1 - (t - j))
    i = np.where(right[owner[extra]], wide - 1 - i, i)
    space = owner[extra] * (wide * deep) + j * wide + i
    flat, starts, _ = insert_in_rings(
        base.ravel(), np.arange(0, base.size + 1, 4), space * 4 + edge, indices[extra], part, np.ones(base.size, bool)
    )
    strips.face.append(np.repeat(faces, wide * deep))
    names = np.array([str(number) for number in range(1, wide * deep + 1)], dtype=object)
    strips.number.append(np.tile(names, count))
    strips.kind.append(np.repeat(table["kind"].to_numpy(dtype=object)[faces], wide * deep))
    strips.ring.append(flat)
    strips.size.append(np.diff(starts))
    strips.centre.append(base)


def _pieces(strips: _Strips, pieces: gpd.GeoDataFrame, ring: Rings, xy: Floats) -> None:
    """Spaces drawn as polygons inside their lots: their vertices become weights of the lot's corners."""
    outline = np.asarray(pieces.geometry.to_numpy(), dtype=object)
    coords, piece = shapely.get_coordinates(shapely.get_exterior_ring(outline), return_index=True)
    last = np.append(np.diff(piece) > 0, [True])
    coords, piece = coords[~last], piece[~last]
    face = pieces["face"].to_numpy()[piece]
    cluster, _ = join_points(coords, TOLERANCE)
    # One point a lot and place; a place on the ring of the lot that is a corner is that corner.
    key, member, node = np.unique(face * (int(cluster.max()) + 1) + cluster, return_index=True, return_inverse=True)
    node_xy, node_face = coords[member], face[member]
    sizes = np.diff(ring[1])[node_face]
    numbers = strips.new_vertices(len(key))
    for count in np.unique(sizes):
        some = np.flatnonzero(sizes == count)
        corner = ring[0][ring[1][node_face[some]][:, None] + np.arange(count)]
        # A point within tolerance of the lot's own outline lies on it.
        outer = shapely.linearrings(xy[corner])
        here = shapely.points(node_xy[some])
        close = np.flatnonzero(shapely.distance(outer, here) <= 2 * TOLERANCE)
        if len(close):
            reach = shapely.line_locate_point(outer[close], here[close])
            node_xy[some[close]] = shapely.get_coordinates(shapely.line_interpolate_point(outer[close], reach))
            away = np.linalg.norm(xy[corner[close]] - node_xy[some[close]][:, None, :], axis=2)
            best = away.argmin(axis=1)
            at = away[np.arange(len(close)), best] <= 2 * TOLERANCE
            node_xy[some[close[at]]] = xy[corner[close[at], best[at]]]
        weight = mean_value_weights(xy[corner], node_xy[some])
        strips.entries.append((np.repeat(numbers[some], count), corner.ravel(), weight.ravel()))
    offsets = np.concatenate([[0], np.cumsum(np.bincount(piece, minlength=len(pieces)))])
    repeated = node == node[next_in_ring(offsets)]
    indices, offsets = drop_vertices(node, offsets, ~repeated)
    # Corners of the lot that lie on an edge of a space, and vertices of one space on an edge of another.
    owners = np.unique(node_face)
    lot_rings = take_rings(ring[0], ring[1], owners)
    lot_face = np.repeat(owners, np.diff(lot_rings[1]))
    points = np.concatenate([node_xy, xy[lot_rings[0]]])
    owner = np.concatenate([node_face, lot_face])
    vertex = np.concatenate([numbers, lot_rings[0]])
    everything = np.concatenate([indices, len(node_xy) + np.arange(len(lot_face))])
    starts = np.concatenate([offsets, offsets[-1] + lot_rings[1][1:]])
    edge, point, share = points_on_edges(points, everything, starts, TOLERANCE, owner)
    mine = edge < len(indices)
    edge, point, share = edge[mine], point[mine], share[mine]
    # A corner of the lot under a vertex of a space is not inserted twice.
    _, first = np.unique(edge * len(points) + join_points(points, TOLERANCE)[0][point], return_index=True)
    indices, offsets, _ = insert_in_rings(
        indices, offsets, edge[first], point[first], share[first], np.ones(len(indices), bool)
    )
    middle = shapely.get_coordinates(shapely.centroid(outline))
    piece_face = pieces["face"].to_numpy()
    size = np.diff(ring[1])[piece_face]
    rows: list[Integers] = []
    columns: list[Integers] = []
    values: list[Floats] = []
    for count in np.unique(size):
        some = np.flatnonzero(size == count)
        corner = ring[0][ring[1][piece_face[some]][:, None] + np.arange(count)]
        rows.append(np.repeat(some, count))
        columns.append(corner.ravel())
        values.append(mean_value_weights(xy[corner], middle[some]).ravel())
    strips.centre.append(
        sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(len(pieces), strips.corners),
        ).tocsr()
    )
    strips.face.append(piece_face)
    strips.number.append(pieces["space"].to_numpy(dtype=object))
    strips.kind.append(pieces["kind"].to_numpy(dtype=object))
    strips.ring.append(vertex[indices])
    strips.size.append(np.diff(offsets))


# ---- putting it together ---------------------------------------------------------------------------------------------


def _keys(values: Any) -> Objects:
    """Label key of each value, worked out once a distinct value."""
    code, distinct = pd.factorize(np.asarray(values, dtype=object))
    # A plain number is its own key; a large ground has a great many of them.
    keys = np.array([text if _PLAIN_NUMBER(str(text)) else label_key(text) for text in distinct] + [""], dtype=object)
    return np.asarray(keys[code])


def _twice(table: pd.DataFrame, ids: Objects, gather: Gather, what: str, keys: Objects | None = None) -> None:
    """Note ids that are there more than once, and ids that read the same (by `keys`, when given)."""
    series = pd.Series(ids, dtype=object)
    repeated = series.duplicated(keep=False)
    for value, rows in list(series[repeated].groupby(series[repeated], sort=False))[:_FEW]:
        places = sorted({str(table["where"].iloc[row]) for row in rows.index})
        gather.add(f"{what} {value}", f"there {len(rows)} times: {', '.join(places[:4])}", "Renumber one.")
    more = int(series[repeated].nunique()) - _FEW
    if more > 0:
        gather.add(what, f"{more} more are there more than once", "Renumber them.")
    if keys is None or repeated.any():
        return
    alike = pd.Series(keys).duplicated(keep=False)
    for _, rows in list(series[alike].groupby(keys[alike], sort=False))[:_FEW]:
        gather.add(f"{what} {rows.iloc[0]}", f"reads like {', '.join(rows.iloc[1:])}", "Renumber one.")


def _raise_if_any(gather: Gather) -> None:
    """Raise what was noted; a key's path gets the name of its file."""
    for number, problem in enumerate(gather.problems):
        if problem.where.startswith("section["):
            gather.problems[number] = replace(problem, where=f"ground.toml: {problem.where}")
    gather.raise_if_any()


def _lot_overlaps(faces: pd.DataFrame, polygons: Objects, plat: str, unit: Unit, gather: Gather) -> list[Finding]:
    """Lots of one plat that lie over one another: a problem within a section, a finding between two."""
    bounds = shapely.bounds(polygons)
    group = faces["group"].to_numpy()
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.append([True], np.diff(group[order]) > 0))
    low = np.minimum.reduceat(bounds[order, :2], starts, axis=0) + TOLERANCE
    high = np.maximum.reduceat(bounds[order, 2:], starts, axis=0) - TOLERANCE
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    first, second = shapely.STRtree(boxes).query(boxes)
    touched = np.unique(first[first != second])
    if not len(touched):
        return []
    rank = np.cumsum(np.append([0], np.diff(group[order]) > 0))
    some = order[np.isin(rank, touched)]
    tree = shapely.STRtree(polygons[some])
    a, b = tree.query(polygons[some], predicate="intersects")
    a, b = some[a[a < b]], some[b[a < b]]
    _, width, _ = long_axis(shapely.intersection(polygons[a], polygons[b]))
    deep = np.nan_to_num(width) > 2 * TOLERANCE
    a, b, width = a[deep], b[deep], width[deep]
    a, b = np.minimum(a, b), np.maximum(a, b)
    section, name = faces["section"].to_numpy(), faces["id"].to_numpy()
    findings = []
    pairs = pd.DataFrame({"a": section[a], "b": section[b], "i": a, "j": b, "width": width}).sort_values(["i", "j"])
    for (one, two), rows in pairs.groupby(["a", "b"], sort=False):
        some_rows = zip(*(rows[column].tolist()[:4] for column in ("i", "j", "width")), strict=True)
        shown = [f"{name[i]} and {name[j]} by {say_length(w, unit)}" for i, j, w in some_rows]
        said = "; ".join(shown) + (f" and {len(rows) - 4} more" if len(rows) > 4 else "")
        if one == two:
            gather.add(f"section {one}", f"lots lie over one another: {said}", "Mend their places or sizes.")
        else:
            reason = f"plat {plat} draws both sections over one another: {said}"
            findings.append(find("sections overlap", f"{one} and {two}", reason, section=str(one)))
    return findings


def _niche_table(ground: Ground) -> pd.DataFrame:
    """Niches of all sections."""
    parts = []
    for section in ground.sections:
        for block in section.niches:
            row = np.repeat(np.arange(1, block.rows + 1), block.columns)
            column = np.tile(np.arange(1, block.columns + 1), block.rows)
            stem = "-".join(
                part
                for part in (section.name, block.building if block.building != section.name else "", block.face)
                if part
            )
            parts.append(
                pd.DataFrame(
                    {
                        "space_id": [f"{stem}-{r}-{c}" for r, c in zip(row.tolist(), column.tolist(), strict=True)],
                        "section": section.name,
                        "building": block.building,
                        "face": block.face or None,
                        "row": row,
                        "column": column,
                        "where": block.where,
                    }
                )
            )
    columns = ["space_id", "section", "building", "face", "row", "column", "where"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _label(pattern: str, section: Objects, row: Objects, name: Objects, lot: Objects) -> Objects:
    """Text of each marker by the ground's pattern, built by columns."""
    if "{row}" not in pattern:
        lot = name
    text = np.full(len(section), "", dtype=object)
    rest = pattern
    while rest:
        at = min((rest.find(key) for key in ("{section}", "{row}", "{lot}") if key in rest), default=len(rest))
        text = text + rest[:at]
        rest = rest[at:]
        for key, values in (("{section}", section), ("{row}", row), ("{lot}", lot)):
            if rest.startswith(key):
                text = text + values
                rest = rest[len(key) :]
    return text


def make_plat(ground: Ground, lot_tables: Mapping[str, pd.DataFrame] | None = None) -> Plat:
    """Draw the plats of a ground: every corner once, lots as faces between corners, spaces by proportion in them.

    Parameters
    ----------
    ground : Ground
    lot_tables : mapping of section name to DataFrame or GeoDataFrame, optional
        Content of each section's file of lots: rectangles (``lot, x, y, width, depth`` and more) or polygons.

    Returns
    -------
    Plat

    Raises
    ------
    InputError
        With every problem: a number twice, lots over one another, a size for a lot that is not there, and so on.

    Notes
    -----
    Lots are told apart by section and number, or by section, row and number where numbers restart in each row or
    where the section has single graves. Compass words are those of the plat's frame.

    Examples
    --------
    >>> from pathlib import Path
    >>> from cemgis.ground import parse_ground
    >>> ground = parse_ground('''
    ... schema_version = 1
    ... name = "Tansy Hill"
    ... crs = "EPSG:6549"
    ... [[plat]]
    ... name = "1889"
    ... date = "1889"
    ... [[section]]
    ... name = "A"
    ... [[section.rows]]
    ... at = ["0 ft", "0 ft"]
    ... run = "north"
    ... step = "east"
    ... rows = 2
    ... lots = 3
    ... frontage = "16 ft"
    ... depth = "12 ft"
    ... spaces = 4
    ... ''', Path("."))
    >>> plat = make_plat(ground)
    >>> len(plat.corners), len(plat.lots), len(plat.spaces), plat.lots["first_space_side"].iat[0]
    (12, 6, 24, 'north')
    """
    gather = Gather()
    findings: list[Finding] = []
    tables = lot_tables or {}
    parts: list[_Faces] = []
    by_row: dict[str, bool] = {}
    group = 0
    for section in ground.sections:
        faces, rowed = _section_faces(section, tables, ground.unit, group, gather)
        by_row[section.name] = rowed
        parts += faces
        if faces and section.plat is None:
            gather.add(f"{section.where}.plat", "its lots are on no plat", "Name the plat they are drawn on.")
        if faces:
            group = int(max(part.table["group"].max() for part in faces)) + 1
    niches = _niche_table(ground)
    _twice(niches, niches["space_id"].to_numpy(dtype=object), gather, "niche")
    if not parts:
        _raise_if_any(gather)
        return _empty_plat(ground, niches.drop(columns="where"))
    joined = _joined(parts)
    faces = joined.table
    plat_of = {section.name: section.plat or "" for section in ground.sections}
    section_code, section_names = pd.factorize(faces["section"])
    names = np.asarray(section_names, dtype=object)
    section_of = names[section_code]
    plat_name = np.array([plat_of[name] for name in names], dtype=object)[section_code]
    rowed_face = np.array([by_row[name] for name in names])[section_code]
    row = faces["row"].to_numpy(dtype=object)
    row_text = np.where(faces["row"].isna(), "", row)
    lot = faces["lot"].to_numpy(dtype=object)
    has_row = rowed_face & (row_text != "")
    name = np.where(has_row, row_text + "-" + lot, lot)
    face_id = section_of + "-" + name
    faces = faces.assign(id=face_id, plat=plat_name)
    key = _keys(section_of) + "-" + np.where(has_row, _keys(row_text) + "-", "") + _keys(lot)
    _twice(faces, face_id, gather, "lot", key)

    # Corners: one a point of a plat.
    ring_plat = np.repeat(pd.factorize(plat_name)[0], np.diff(joined.offsets))
    ring = np.empty(len(joined.xy), dtype=np.int64)
    corner_xy: list[Floats] = []
    corner_plat: list[Objects] = []
    total = 0
    for code, plat_label in enumerate(pd.factorize(plat_name)[1]):
        mine = np.flatnonzero(ring_plat == code)
        cluster, member = join_points(joined.xy[mine], TOLERANCE)
        ring[mine] = total + cluster
        corner_xy.append(joined.xy[mine][member])
        corner_plat.append(np.full(len(member), plat_label, dtype=object))
        total += len(member)
    xy = np.concatenate(corner_xy) + 0.0
    offsets = joined.offsets
    same = ring == ring[next_in_ring(offsets)]
    ring, offsets = drop_vertices(ring, offsets, ~same)
    thin = np.flatnonzero(np.diff(offsets) < 3)
    for number in thin[:_FEW]:
        gather.add(f"lot {face_id[number]}", "too small to draw", f"See {faces['where'].iloc[number]}.")
    if len(thin):
        _raise_if_any(gather)
    true = turns(xy, ring, offsets, TOLERANCE)
    ring, true = start_where(ring, offsets, true)
    polygons = polygons_from_rings(xy[ring], offsets)
    for plat_label in pd.unique(plat_name):
        mine = np.flatnonzero(plat_name == plat_label)
        findings += _lot_overlaps(faces.iloc[mine], polygons[mine], str(plat_label), ground.unit, gather)
    single = faces["single"].to_numpy(dtype=bool)
    divided = (faces["spaces"] * faces["tiers"] > 1).to_numpy(dtype=bool) & ~single
    if joined.pieces is not None:
        divided[joined.pieces["face"].to_numpy()] = False
    four = np.add.reduceat(true.astype(np.int64), offsets[:-1])
    odd = np.flatnonzero(divided & (four != 4))
    for number in odd[:_FEW]:
        gather.add(
            f"lot {face_id[number]}",
            f"it has {four[number]} corners and cannot be divided into strips",
            "Draw each of its spaces as a polygon with the attribute space.",
        )
    _raise_if_any(gather)

    # Corners of one lot on a side of another go into that side, so that no gap opens when they move.
    for code in range(len(corner_xy)):
        first = int(sum(len(part) for part in corner_xy[:code]))
        inside = np.flatnonzero((ring[offsets[:-1]] >= first) & (ring[offsets[:-1]] < first + len(corner_xy[code])))
        some, starts = take_rings(ring, offsets, inside)
        edge, point, share = points_on_edges(xy, some, starts, TOLERANCE)
        if len(edge):
            place = take_rings(np.arange(len(ring)), offsets, inside)[0]
            ring, offsets, true = insert_in_rings(ring, offsets, place[edge], point, share, true)
    return _assemble(ground, faces, joined.pieces, xy, np.concatenate(corner_plat), (ring, offsets), true, niches,
                     row_text, name, divided, findings)  # fmt: skip


def _empty_plat(ground: Ground, niches: pd.DataFrame) -> Plat:
    none = (_NONE, np.zeros(1, dtype=np.int64))
    nothing = sparse.csr_matrix((0, 0))
    return Plat(
        pd.DataFrame(columns=list(_CORNER_COLUMNS)), pd.DataFrame(columns=list(_LOT_COLUMNS)), none,
        pd.DataFrame(columns=list(_SITE_COLUMNS)), pd.DataFrame(columns=list(_SPACE_COLUMNS)), none, nothing, nothing,
        niches, ground.marker_label,
    )  # fmt: skip


_CORNER_COLUMNS = ("corner_id", "plat", "section", "plat_x", "plat_y", "has_marker")
_LOT_COLUMNS = (
    "lot_id", "section", "plat", "row", "lot", "label", "spaces", "tiers", "kind", "marker_corner", "marker_index",
    "facing", "counted_from", "first_space_side", "short_side", "run_azimuth_plat",
)  # fmt: skip
_SITE_COLUMNS = (
    "label", "lot_id", "space_id", "section", "plat", "row", "lot", "corner_index", "plat_x", "plat_y", "inset_x",
    "inset_y", "short_side",
)  # fmt: skip
_SPACE_COLUMNS = (
    "space_id", "section", "plat", "lot_id", "lot_index", "row", "space", "kind", "facing", "run_azimuth_plat",
)  # fmt: skip


def _marker_entries(faces: pd.DataFrame, xy: Floats, rings: Rings, true: Flags) -> Integers:
    """Position in the rings of the corner where each face's marker was set; -1 without one."""
    ring, offsets = rings
    owner = np.repeat(np.arange(len(faces)), np.diff(offsets))
    word = faces["markers"].to_numpy(dtype=object).copy()
    ends = (faces["markers_at"] == "row ends").to_numpy(dtype=bool)
    run = faces["run"].to_numpy(dtype=object)
    first, last = faces["first"].to_numpy(dtype=bool), faces["last"].to_numpy(dtype=bool)
    word[ends & ~first & ~last] = ""
    towards = np.zeros((len(faces), 2))
    for corner, way in _TOWARDS.items():
        towards[word == corner] = way
    marked = (word != "").astype(bool)
    # At a row's end the marker stands at the outer of the two corners on the named side of the row.
    for side, (x, y) in _WAY.items():
        here = ends & (run == side)
        sign = np.where(first, -1.0, 1.0)[here]
        axis = 0 if x else 1
        towards[here, axis] = sign * (x + y)
    score = np.where(true, np.round((xy[ring] * towards[owner]).sum(axis=1) / 1e-6), -np.inf)
    order = np.lexsort((np.arange(len(ring)), -score, owner))
    best = order[offsets[:-1]]
    return np.where(marked, best, -1)


def _assemble(
    ground: Ground, faces: pd.DataFrame, pieces: gpd.GeoDataFrame | None, xy: Floats, corner_plat: Objects,
    rings: Rings, true: Flags, niches: pd.DataFrame, row_text: Objects, name: Objects, divided: Flags,
    findings: list[Finding],
) -> Plat:  # fmt: skip
    """Tables of the plat from its faces."""
    gather = Gather()
    ring, offsets = rings
    count = len(faces)
    single = faces["single"].to_numpy(dtype=bool)
    section = faces["section"].to_numpy(dtype=object)
    plat = faces["plat"].to_numpy(dtype=object)
    lot = faces["lot"].to_numpy(dtype=object)
    row = row_text.copy()
    row[row_text == ""] = None
    azimuth = np.array([_AZIMUTH.get(side, np.nan) for side in ("", *SIDES)])[
        pd.Index(["", *SIDES]).get_indexer(faces["run"])
    ]
    label = _label(ground.marker_label, section, row_text, name, lot)

    # Spaces.
    strips = _Strips(len(xy))
    own_pieces = np.zeros(count, dtype=bool)
    if pieces is not None:
        own_pieces[pieces["face"].to_numpy()] = True
    _whole_faces(strips, np.flatnonzero(~divided & ~own_pieces), rings, true, xy, faces)
    shape = faces[["spaces", "tiers"]].to_numpy(dtype=np.int64)
    for wide, deep in np.unique(shape[divided], axis=0) if divided.any() else []:
        chosen = np.flatnonzero(divided & (shape == (wide, deep)).all(axis=1))
        _divide(strips, chosen, int(wide), int(deep), rings, true, xy, faces)
    if pieces is not None:
        _pieces(strips, pieces, rings, xy)
    rows, columns, values = (np.concatenate([entry[part] for entry in strips.entries]) for part in range(3))
    weights = sparse.coo_matrix((values, (rows, columns)), shape=(strips.vertices, len(xy))).tocsr()
    weights.eliminate_zeros()
    centre = sparse.vstack([_centre(part, weights) for part in strips.centre]).tocsr()
    face = np.concatenate(strips.face)
    order = np.argsort(face, kind="stable")
    face, centre = face[order], centre[order]
    number = np.concatenate(strips.number)[order]
    starts = np.concatenate([[0], np.cumsum(np.concatenate(strips.size))])
    space_rings = take_rings(np.concatenate(strips.ring), starts, order)
    lot_index = np.where(single, -1, np.cumsum(~single) - 1)
    face_id = faces["id"].to_numpy(dtype=object)
    space_id = np.where(single[face], face_id[face], face_id[face] + "-" + number)
    spaces = pd.DataFrame(
        {
            "space_id": space_id,
            "section": section[face],
            "plat": plat[face],
            "lot_id": np.where(single[face], None, face_id[face]),
            "lot_index": lot_index[face],
            "row": row[face],
            "space": number,
            "kind": np.concatenate(strips.kind)[order],
            "facing": faces["facing"].to_numpy(dtype=object)[face],
            "run_azimuth_plat": azimuth[face],
        }
    )
    ids = pd.concat(
        [pd.DataFrame({"id": space_id, "where": faces["where"].to_numpy()[face]}),
         pd.DataFrame({"id": niches["space_id"], "where": niches["where"]})],
        ignore_index=True,
    )  # fmt: skip
    if ids["id"].duplicated().any():
        _twice(ids, ids["id"].to_numpy(dtype=object), gather, "space")
    known = set(ids["id"])
    for item in ground.sections:
        for exception in item.exceptions:
            if exception.space not in known:
                stem = exception.space.rpartition("-")[0]
                alike = sorted(text for text in known if text.startswith(stem)) if stem else []
                near = difflib.get_close_matches(exception.space, alike[:_MOST_ALIKE], n=1)
                remedy = f"Did you mean {near[0]!r}?" if near else "Write its id as in the layer spaces."
                gather.add(f"{exception.where}.space", f"there is no space {exception.space!r}", remedy)

    # Markers.
    entry = _marker_entries(faces, xy, rings, true)
    inset = np.array([ground.section(item).marker_inset for item in pd.unique(section)])[pd.factorize(section)[0]]
    at = np.flatnonzero(entry >= 0)
    shift = _insets(xy, rings, true, entry[at]) * inset[at, None]
    short = faces["short_side"].to_numpy(dtype=float)
    deep_set = at[(inset[at] > 0) & (inset[at] >= 0.5 * short[at])]
    if len(deep_set):
        gather.add(
            f"{ground.section(section[deep_set[0]]).where}.marker_inset",
            f"reaches past the middle of lot {face_id[deep_set[0]]}",
            "Write a smaller inset.",
        )
    _raise_if_any(gather)
    corner = ring[entry[at]]
    sites = pd.DataFrame(
        {
            "label": label[at],
            "lot_id": np.where(single[at], None, face_id[at]),
            "space_id": np.where(single[at], face_id[at], None),
            "section": section[at],
            "plat": plat[at],
            "row": row[at],
            "lot": lot[at],
            "corner_index": corner,
            "plat_x": xy[corner, 0] + shift[:, 0],
            "plat_y": xy[corner, 1] + shift[:, 1],
            "inset_x": shift[:, 0],
            "inset_y": shift[:, 1],
            "short_side": short[at],
        }
    )
    # A row of one single grave has a marker at both ends; the second end is found at the same face.
    sites = _other_ends(sites, faces, at, xy, rings, true, inset)

    # Lots.
    lots_at = np.flatnonzero(~single)
    facing = faces["facing"].to_numpy(dtype=object)
    hand = faces["counted_from"].to_numpy(dtype=object)
    left = np.array([_LEFT[side] for side in SIDES], dtype=object)[pd.Index(SIDES).get_indexer(facing)]
    right = np.array([_RIGHT[side] for side in SIDES], dtype=object)[pd.Index(SIDES).get_indexer(facing)]
    counted = np.where(divided, True, False)
    n_spaces = np.bincount(face, minlength=count)
    marker_index = np.where(entry >= 0, ring[entry], -1)
    lots = pd.DataFrame(
        {
            "lot_id": face_id,
            "section": section,
            "plat": plat,
            "row": row,
            "lot": lot,
            "label": label,
            "spaces": n_spaces,
            "tiers": faces["tiers"].to_numpy(),
            "kind": faces["kind"].to_numpy(dtype=object),
            "marker_corner": np.where(entry >= 0, faces["markers"].to_numpy(dtype=object), None),
            "marker_index": marker_index,
            "facing": np.where(counted, facing, None),
            "counted_from": np.where(counted, hand, None),
            "first_space_side": np.where(counted, np.where(hand == "left", left, right), None),
            "short_side": short,
            "run_azimuth_plat": azimuth,
        }
    ).iloc[lots_at].reset_index(drop=True)  # fmt: skip
    lot_rings = take_rings(ring, offsets, lots_at)

    # Corners; where sections meet, the first by name.
    alphabet, section_names = pd.factorize(section, sort=True)
    owner = np.repeat(alphabet, np.diff(offsets))
    first = np.full(len(xy), len(section_names), dtype=np.int64)
    np.minimum.at(first, ring, owner)
    marked = np.zeros(len(xy), dtype=bool)
    marked[sites["corner_index"].to_numpy(dtype=np.int64)] = True
    hundredths = np.round(xy, 2) + 0.0
    corners = pd.DataFrame(
        {
            "corner_id": [
                f"{text}:{x:.2f},{y:.2f}" for text, x, y in zip(corner_plat, *hundredths.T.tolist(), strict=True)
            ],
            "plat": corner_plat,
            "section": np.asarray(section_names, dtype=object)[first],
            "plat_x": xy[:, 0],
            "plat_y": xy[:, 1],
            "has_marker": marked,
        }
    )
    return Plat(
        corners, lots, lot_rings, sites, spaces, space_rings, weights, centre, niches.drop(columns="where"),
        ground.marker_label, findings,
    )  # fmt: skip


def _centre(part: Any, weights: Any) -> Any:
    """Weights of centres: as given, or the mean of four vertices."""
    if sparse.issparse(part):
        return part
    count = len(part)
    mean = sparse.csr_matrix(
        (np.full(4 * count, 0.25), part.ravel(), np.arange(0, 4 * count + 1, 4)), shape=(count, weights.shape[0])
    )
    return (mean @ weights).tocsr()


def _insets(xy: Floats, rings: Rings, true: Flags, entry: Integers) -> Floats:
    """Sum of the two unit vectors from a corner along the sides of its lot."""
    ring, offsets = rings
    if not len(entry):
        return np.zeros((0, 2))
    owner = np.searchsorted(offsets, entry, side="right") - 1
    # Neighbouring true corners, past whatever lies on the sides between.
    at = np.flatnonzero(true)
    rank = np.searchsorted(at, entry)
    begin, end = np.searchsorted(at, offsets[owner]), np.searchsorted(at, offsets[owner + 1])
    following = np.where(rank + 1 < end, rank + 1, begin)
    before = np.where(rank > begin, rank - 1, end - 1)
    here = xy[ring[entry]]
    total = np.zeros((len(entry), 2))
    for other in (following, before):
        way = xy[ring[at[other]]] - here
        total += way / np.linalg.norm(way, axis=1, keepdims=True)
    return total


def _other_ends(
    sites: pd.DataFrame, faces: pd.DataFrame, at: Integers, xy: Floats, rings: Rings, true: Flags, inset: Floats
) -> pd.DataFrame:
    """Add the far marker of rows that consist of one single grave."""
    table = faces.iloc[at]
    both = ((table["markers_at"] == "row ends") & table["first"] & table["last"]).to_numpy(dtype=bool)
    if not both.any():
        return sites
    other = faces.iloc[at[both]].assign(first=False)
    rows = at[both]
    some, starts = take_rings(rings[0], rings[1], rows)
    flags = take_rings(true.astype(np.int64), rings[1], rows)[0] > 0
    entry = _marker_entries(other, xy, (some, starts), flags)
    shift = _insets(xy, (some, starts), flags, entry) * inset[rows, None]
    corner = some[entry]
    more = sites[both].assign(
        corner_index=corner, plat_x=xy[corner, 0] + shift[:, 0], plat_y=xy[corner, 1] + shift[:, 1],
        inset_x=shift[:, 0], inset_y=shift[:, 1],
    )  # fmt: skip
    return pd.concat([sites, more], ignore_index=True)


def overlaps(
    sections: gpd.GeoDataFrame, lots: gpd.GeoDataFrame | None = None, *, least: float, unit: Unit
) -> list[Finding]:
    """Find land that two plats claim once both are placed.

    Parameters
    ----------
    sections : GeoDataFrame
        ``section, plat, plat_date`` and the outline in grid coordinates.
    lots : GeoDataFrame, optional
        ``section`` and each lot in grid coordinates; with them only land that lots claim counts, not outlines.
    least : float
        Overlaps narrower than this are the plats' own uncertainty; in the unit of the coordinates.
    unit : Unit

    Returns
    -------
    list of Finding
        One for each pair of sections of two plats, the section of the earlier plat first.
    """
    shapes = np.asarray(sections.geometry.to_numpy(), dtype=object)
    names = sections["section"].astype(str).to_numpy()
    plats = sections["plat"].astype(object).where(sections["plat"].notna(), "").astype(str).to_numpy()
    dates = sections["plat_date"].astype(object).where(sections["plat_date"].notna(), "9999").astype(str).to_numpy()
    real = np.flatnonzero(~shapely.is_missing(shapes) & ~shapely.is_empty(shapes))
    if len(real) < 2:
        return []
    a, b = shapely.STRtree(shapes[real]).query(shapes[real], predicate="intersects")
    pairs = sorted(
        {(int(min(i, j)), int(max(i, j))) for i, j in zip(real[a], real[b], strict=True) if plats[i] != plats[j]}
    )
    findings = []
    for i, j in pairs:
        if (dates[j], names[j]) < (dates[i], names[i]):
            i, j = j, i
        land = (
            _claimed(names[i], names[j], lots)
            if lots is not None
            else shapely.intersection(shapes[i : i + 1], shapes[j])
        )
        _, width, _ = long_axis(land)
        deep = np.nan_to_num(width) > least
        if not deep.any():
            continue
        middle = shapely.centroid(land[deep][np.argmax(shapely.area(land[deep]))])
        area = float(shapely.area(shapely.union_all(land[deep])))
        first, second = (f"section {names[k]} of plat {plats[k]} ({dates[k]})" for k in (i, j))
        size = f"{area:.0f} {'sq ft' if unit.is_foot else 'sq m'}, up to {say_length(float(width[deep].max()), unit)}"
        reason = f"{first} and {second} share {size} wide"
        findings.append(
            find("plats overlap", f"{names[i]} and {names[j]}", reason, section=str(names[i]), at=(middle.x, middle.y))
        )
    return findings


def _claimed(first: str, second: str, lots: gpd.GeoDataFrame) -> Objects:
    """Pieces of land that lots of both sections hold."""
    section = lots["section"].astype(str).to_numpy()
    shapes = np.asarray(lots.geometry.to_numpy(), dtype=object)
    one, two = shapes[section == first], shapes[section == second]
    if not len(one) or not len(two):
        return np.empty(0, dtype=object)
    a, b = shapely.STRtree(two).query(one, predicate="intersects")
    return np.asarray(shapely.intersection(one[a], two[b]), dtype=object)
