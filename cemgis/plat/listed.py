"""Lots that are given one by one: a list of rectangles, or polygons."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from cemgis.errors import Gather, InputError
from cemgis.geometry import (
    long_axis,
)
from cemgis.ground import CORNERS, ROW_KINDS, SIDES, Section
from cemgis.plat.faces import FACE_COLUMNS, FEW, Faces
from cemgis.plat.model import TOLERANCE
from cemgis.units import Unit, parse_length

__all__ = ["listed_faces"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]


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
        for row, said in zip(rows[:FEW], what, strict=False):
            self.gather.add(f"{self.file}, line {self.line[row]}", said, remedy)
        if len(rows) > FEW:
            self.gather.add(self.file, f"the same in {len(rows) - FEW} more lines", remedy)

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


def listed_faces(section: Section, table: pd.DataFrame, unit: Unit, group: int, gather: Gather) -> Faces | None:
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
    return Faces(faces[list(FACE_COLUMNS)], xy.reshape(-1, 2), np.arange(0, 4 * len(faces) + 1, 4))


def _from_polygons(given: _LotTable, faces: pd.DataFrame, group: int, before: int) -> Faces | None:
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
        for row in np.flatnonzero(np.nan_to_num(width) > 2 * TOLERANCE)[:FEW]:
            where = f"{pieces['where'].iloc[two[row]]}"
            gather.add(
                where, f"the space lies over space {pieces['space'].iloc[one[row]]} of its lot", "Mend its outline."
            )
        beyond = shapely.difference(shapes[of_lot], shapely.buffer(outline[owner], 2 * TOLERANCE, join_style="mitre"))
        for where in pieces["where"][shapely.area(beyond) > TOLERANCE**2][:FEW]:
            gather.add(str(where), "the space reaches out of its lot", "Mend its outline.")
    ring = shapely.get_exterior_ring(outline)
    coords, index = shapely.get_coordinates(ring, return_index=True)
    last = np.append(np.diff(index) > 0, [True])  # the repeated first vertex
    counts = np.bincount(index[~last], minlength=len(table))
    offsets = np.concatenate([[0], np.cumsum(counts)])
    return Faces(table[list(FACE_COLUMNS)], coords[~last], offsets, pieces)
