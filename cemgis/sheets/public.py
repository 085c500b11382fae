"""What the public is handed on paper: a map with an index of names for the gate's board, and a leaflet to take away."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
import typst

from cemgis.dates import say_years
from cemgis.disclosure import PublicGround
from cemgis.drawing import printable, round_step, text_width
from cemgis.errors import CemgisError, InputError
from cemgis.geometry import long_axis
from cemgis.names import folded
from cemgis.sheets.data import FONT_FOLDER
from cemgis.units import METRE
from cemgis.walk import drive_ways, legs_to

__all__ = ["BOARDS", "LEAFLETS", "board_sheet", "grid_squares", "leaflet_sheet", "years_said"]

Floats = npt.NDArray[np.float64]

BOARDS = {"tabloid": ("us-tabloid", 1224.0, 792.0), "A3": ("a3", 1190.55, 841.89), "A2": ("a2", 1683.78, 1190.55),
          "A1": ("a1", 2383.94, 1683.78)}  # fmt: skip
LEAFLETS = {"letter": ("us-letter", 792.0, 612.0), "A4": ("a4", 841.89, 595.28)}
"""Sheets by name, lying: typst's own name, width and height in points (ANSI/ASME Y14.1, ISO 216)."""

_MARGIN = 30.0
_EDGE = 15.0  # strip round a map for the letters and numbers of its squares
_SQUARES = 12  # squares along a map's longer side, at most
_LEAST_PT = 5.0  # common practice, no source: lettering below this is not read at arm's length
_MOST_DRAWN = 20_000  # spaces or stones; more are not told apart on a sheet of this size
_MOST_NAME = 44
_AHEAD = 35.0  # degrees within which a way goes on straight; assumption, no source
_BOTH_SIDES = 2  # pages of one sheet
_EMPTY = '<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"></svg>'
_ROOM_FOR_LIST = 100.0  # points under the leaflet's map from which its list stands there


# ---- words -----------------------------------------------------------------------------------------------------------


def years_said(born: Any, died: Any, buried: Any) -> str:
    """Say a life in years, as far as it is known.

    Examples
    --------
    >>> years_said("1850~", "1918-09-12", None), years_said(None, None, "1871"), years_said("188X", None, None)
    ('about 1850 – 1918', 'buried 1871', 'born 1880s')
    """
    b, d, at = ("" if value is None or pd.isna(value) else say_years(str(value)) for value in (born, died, buried))
    if b and (d or at):
        return f"{b} – {d or at}"
    return f"died {d}" if d else f"buried {at}" if at else f"born {b}" if b else ""


def _place_said(row: Any, niches: Mapping[str, str]) -> str:
    if not pd.isna(row.space_id):
        return niches.get(str(row.space_id), str(row.space_id))
    return f"lot {row.lot_id}" if not pd.isna(row.lot_id) else f"section {row.section}"


# ---- the map ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Frame:
    """From the grid to points of a map, y downwards; and its squares."""

    west: float
    north: float
    per_unit: float
    width: float
    height: float
    square: float
    columns: int
    rows: int

    def points(self, grid_xy: npt.ArrayLike) -> Floats:
        xy = np.asarray(grid_xy, dtype=float).reshape(-1, 2)
        return np.column_stack([(xy[:, 0] - self.west), (self.north - xy[:, 1])]) * self.per_unit

    def squares(self, grid_xy: npt.ArrayLike) -> list[str]:
        """Name the square of each point: a letter across, a number down; "" for what has no place."""
        at = self.points(grid_xy) / (self.square * self.per_unit)
        return [
            "" if not np.isfinite((x, y)).all() else f"{letters(int(np.clip(x, 0, self.columns - 1)))}"
            f"{int(np.clip(y, 0, self.rows - 1)) + 1}"
            for x, y in at
        ]  # fmt: skip


def letters(number: int) -> str:
    """Name a column: A to Z, then AA.

    Examples
    --------
    >>> letters(0), letters(25), letters(26)
    ('A', 'Z', 'AA')
    """
    return (letters(number // 26 - 1) if number >= 26 else "") + chr(65 + number % 26)


def _frame(public: PublicGround, width: float, height: float) -> _Frame:
    shapes = [
        np.asarray(table.geometry, dtype=object)
        for table in (public.sections, public.lots, public.drives, public.gates)
        if len(table)
    ]
    box = shapely.total_bounds(np.concatenate(shapes)) if shapes else np.full(4, np.nan)
    if not np.isfinite(box).all():
        raise InputError.of("public map", "nothing of the ground is on the map", "Build the ground first.")
    spread = max(box[2] - box[0], box[3] - box[1], 1.0)
    box = box + np.array([-1.0, -1.0, 1.0, 1.0]) * 0.015 * spread
    wide, high = box[2] - box[0], box[3] - box[1]
    per_unit = min(width / wide, height / high)
    square = round_step(max(wide, high), _SQUARES)
    return _Frame(
        float(box[0]), float(box[3]), per_unit, wide * per_unit, high * per_unit, square,
        math.ceil(wide / square - 1e-9), math.ceil(high / square - 1e-9),
    )  # fmt: skip


def grid_squares(public: PublicGround, graves_xy: npt.ArrayLike, paper: str = "tabloid") -> list[str]:
    """Name the square of the board's map that each place lies in."""
    return _frame(public, *_map_room(BOARDS[paper])).squares(graves_xy)


def _map_room(sheet: tuple[str, float, float]) -> tuple[float, float]:
    _, width, height = sheet
    return width - 2 * (_MARGIN + _EDGE), height - 2 * (_MARGIN + _EDGE) - 92.0


def _path(shapes: Any, frame: _Frame) -> str:
    """Areas as one path of SVG."""
    shapes = np.asarray(shapes, dtype=object)
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    if not len(shapes):
        return ""
    rings = shapely.get_rings(shapely.get_parts(shapes))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    points = frame.points(xy)
    text = np.char.add(np.char.add(np.char.mod("%.2f", points[:, 0]), " "), np.char.mod("%.2f", points[:, 1]))
    starts = np.flatnonzero(np.concatenate([[True], ring[1:] != ring[:-1]]))
    return "".join("M" + "L".join(part) + "Z" for part in np.split(text, starts[1:]))


_PAT = (
    '<defs><pattern id="dots" width="4" height="4" patternUnits="userSpaceOnUse">'
    '<circle cx="1.5" cy="1.5" r="0.55" fill="#000"/></pattern></defs>'
)


def _drawn(public: PublicGround, frame: _Frame) -> str:
    """Draw the map as SVG: black on white, told apart by line and pattern; no text."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{frame.width:.2f}" height="{frame.height:.2f}" '
        f'viewBox="0 0 {frame.width:.2f} {frame.height:.2f}">{_PAT}'
    ]

    def area(shapes: Any, look: str) -> None:
        path = _path(shapes, frame)
        if path:
            parts.append(f'<path d="{path}" {look}/>')

    area(public.drives.geometry, 'fill="#dedede" stroke="#555" stroke-width="0.5"')
    area(public.sections.geometry, 'fill="#fff" stroke="none"')
    buildings = public.obstacles["kind"].str.casefold().isin(["building", "wall"]).to_numpy(dtype=bool)
    area(public.obstacles.geometry[~buildings], 'fill="url(#dots)" stroke="#000" stroke-width="0.5"')
    area(public.obstacles.geometry[buildings], 'fill="#888" stroke="#000" stroke-width="0.6"')
    if len(public.spaces) <= _MOST_DRAWN:
        area(public.spaces.geometry, 'fill="none" stroke="#999" stroke-width="0.22"')
    area(public.lots.geometry, 'fill="none" stroke="#333" stroke-width="0.45"')
    if len(public.monuments) <= _MOST_DRAWN:
        area(public.monuments.geometry, 'fill="#777" stroke="none"')
    area(public.sections.geometry, 'fill="none" stroke="#000" stroke-width="1.5"')
    step = frame.square * frame.per_unit
    lines = [f"M{x * step:.2f} 0V{frame.height:.2f}" for x in range(1, frame.columns)]
    lines += [f"M0 {y * step:.2f}H{frame.width:.2f}" for y in range(1, frame.rows)]
    if lines:
        dashes = 'fill="none" stroke="#000" stroke-width="0.35" stroke-dasharray="1 4"'
        parts.append(f'<path d="{"".join(lines)}" {dashes}/>')
    for x, y in frame.points(shapely.get_coordinates(np.asarray(public.gates.geometry, dtype=object))):
        parts.append(
            f'<path d="M{x:.2f} {y - 7:.2f}L{x + 7:.2f} {y:.2f}L{x:.2f} {y + 7:.2f}L{x - 7:.2f} {y:.2f}Z" '
            'fill="#fff" stroke="#000" stroke-width="1.6"/>'
            f'<path d="M{x:.2f} {y - 3:.2f}L{x + 3:.2f} {y:.2f}L{x:.2f} {y + 3:.2f}L{x - 3:.2f} {y:.2f}Z"/>'
        )
    box = f'<rect x="0.5" y="0.5" width="{frame.width - 1:.2f}" height="{frame.height - 1:.2f}"'
    parts.append(f'{box} fill="none" stroke="#000" stroke-width="1"/></svg>')
    return "".join(parts)


def _label(x: float, y: float, text: str, size: float, *, bold: bool = False, turn: float = 0.0) -> dict[str, Any]:
    return {"x": round(float(x), 2), "y": round(float(y), 2), "text": printable(text, 60), "size": round(size, 2),
            "bold": bold, "turn": round(turn, 2)}  # fmt: skip


def _turn(azimuth: float) -> float:
    """Turn of a text along an axis, clockwise from level, kept from standing on its head."""
    turn = (azimuth - 90.0) % 180.0
    return turn - 180.0 if turn > 90.0 else turn


def _fit(shapes: Any, words: Sequence[str], frame: _Frame, most: float) -> tuple[Floats, Floats]:
    """Size and turn of a word within each area: level rather than upright where it can still be read."""
    azimuth, width, length = long_axis(shapes)
    wide = np.maximum(np.array([text_width(word, 1.0) for word in words]), 0.3)
    along = np.minimum.reduce([0.62 * width * frame.per_unit, 0.86 * length * frame.per_unit / wide])
    across = np.minimum.reduce([0.62 * length * frame.per_unit, 0.86 * width * frame.per_unit / wide])
    turn_along, turn_across = (np.array([_turn(angle + more) for angle in azimuth]) for more in (0.0, 90.0))
    level = (np.abs(turn_across) < np.abs(turn_along)) & (across >= np.minimum(_LEAST_PT + 0.5, along))
    return np.minimum(np.where(level, across, along), most), np.where(level, turn_across, turn_along)


def _labels(public: PublicGround, frame: _Frame) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    small = np.ones(len(public.lots), dtype=bool)
    for table, column, most in ((public.lots, "lot", 7.5), (public.drives, "name", 8.5)):
        if not 0 < len(table) <= _MOST_DRAWN:
            continue
        words = [printable(word, 40) for word in table[column].fillna("").astype(object)]
        shapes = table.geometry.to_numpy()
        size, turn = _fit(shapes, words, frame, most)
        middle = frame.points(shapely.get_coordinates(shapely.point_on_surface(shapes)))
        out += [
            _label(x, y, word, high, turn=angle)
            for (x, y), word, high, angle in zip(middle, words, size, turn, strict=True)
            if word and high >= _LEAST_PT
        ]
        if table is public.lots:
            small = size < _LEAST_PT
    out += _row_labels(public, frame, public.lots["lot_id"][small])
    names = public.gates["name"].fillna("gate").astype(str)
    places = frame.points(shapely.get_coordinates(np.asarray(public.gates.geometry, dtype=object)))
    for (x, y), name in zip(places, names, strict=True):
        word = printable(name, 40)
        half = text_width(word, 9.0, weight="bold") / 2 + 4
        beside = x + 9.0 + half if x + 9.0 + 2.0 * half < frame.width else x - 9.0 - half
        out.append(_label(beside, y, word, 9.0, bold=True) | {"boxed": True})
    return out


def _row_labels(public: PublicGround, frame: _Frame, unnumbered: pd.Series) -> list[dict[str, Any]]:
    """Names of rows at both their ends, where the numbers of lots do not tell a place alone or are not drawn."""
    lots, spaces = public.lots, public.spaces
    groups: list[tuple[str, Any]] = []
    again = lots[lots["row"].notna() & lots.duplicated(["section", "lot"], keep=False)]
    rows = lots[lots["row"].notna() & (lots["section"].isin(again["section"]) | lots["lot_id"].isin(unnumbered))]
    groups += [(str(row), part.geometry.to_numpy()) for (_, row), part in rows.groupby(["section", "row"])]
    single = spaces[spaces["lot_id"].isna()]
    if 0 < len(single) <= _MOST_DRAWN:
        row_of = single["space_id"].astype(object).str.rpartition("-")[0]
        groups += [
            (str(name).rpartition("-")[2], part.geometry.to_numpy()) for name, part in single.groupby(row_of) if name
        ]
    out = []
    for name, shapes in groups:
        middle = frame.points(shapely.get_coordinates(shapely.centroid(shapes)))
        if len(middle) < 2:
            continue
        far = middle - middle.mean(axis=0)
        along = np.linalg.svd(far, full_matrices=False)[2][0]
        reach = far @ along
        half = (reach.max() - reach.min()) / (len(middle) - 1) / 2
        for end, sign in ((reach.argmax(), 1.0), (reach.argmin(), -1.0)):
            x, y = middle[end] + sign * along * (half + 6.0)
            out.append(_label(x, y, name, 6.5, bold=True))
    return out


def _section_labels(public: PublicGround, frame: _Frame) -> list[dict[str, Any]]:
    """Names of sections, each where it covers least: the free place nearest to the section's middle."""
    tables = (public.lots, public.spaces, public.drives, public.gates)
    taken = np.concatenate(
        [np.asarray(table.geometry, dtype=object) for table in tables if len(table)] or [np.array([])]
    )
    tree = shapely.STRtree(taken)
    out: list[dict[str, Any]] = []
    placed: list[Any] = []
    for row in public.sections.itertuples():
        if row.geometry is None or row.geometry.is_empty:
            continue
        west, south, east, north = row.geometry.bounds
        size = min(22.0, max(11.0, 0.2 * min(east - west, north - south) * frame.per_unit))
        word = printable(row.section, 30)
        radius = (max(text_width(word, size, weight="bold") / 2, size * 0.4) + 0.45 * size) / frame.per_unit
        steps = [
            np.linspace(low - 2.2 * radius, high + 2.2 * radius, 41) for low, high in ((west, east), (south, north))
        ]
        xy = np.column_stack([item.ravel() for item in np.meshgrid(*steps)])
        low = np.array([frame.west, frame.north - frame.height / frame.per_unit]) + radius
        high = np.array([frame.west + frame.width / frame.per_unit, frame.north]) - radius
        xy = xy[((xy >= low) & (xy <= high)).all(axis=1)]
        if not len(xy):
            continue
        discs = shapely.buffer(shapely.points(xy), radius, quad_segs=4)
        hit, other = tree.query(discs, predicate="intersects")
        area = shapely.area(shapely.intersection(discs[hit], taken[other]))
        covered = np.bincount(hit, area, minlength=len(xy)).astype(float)
        for before in placed:
            covered += 4.0 * shapely.area(shapely.intersection(discs, before))
        far = shapely.distance(shapely.points(xy), row.geometry) / radius
        off = np.hypot(*(xy - shapely.get_coordinates(row.geometry.centroid)[0]).T) / max(east - west, north - south)
        best = int(np.argmin(covered / (math.pi * radius**2) + 0.15 * far + 0.1 * off))
        placed.append(discs[best])
        x, y = frame.points(xy[best])[0]
        out.append(_label(x, y, word, size, bold=True) | {"ring": True})
    return out


def _map(public: PublicGround, width: float, height: float, convergence_deg: float) -> dict[str, Any]:
    frame = _frame(public, width, height)
    unit = public.crs.unit
    bar = round_step(0.2 * frame.width / frame.per_unit, 2)
    metric = round_step(0.2 * frame.width / frame.per_unit * unit.metres, 2)
    bars = [{"long": bar * frame.per_unit, "said": f"{bar:g} {'m' if unit is METRE else 'ft'}"}]
    if unit is not METRE:
        bars.append({"long": metric / unit.metres * frame.per_unit, "said": f"{metric:g} m"})
    step = frame.square * frame.per_unit
    return {
        "svg": _drawn(public, frame), "width": frame.width, "height": frame.height, "edge": _EDGE, "bars": bars,
        "labels": _labels(public, frame), "sections": _section_labels(public, frame), "north": -convergence_deg,
        "across": [{"at": min((at + 0.5) * step, (at * step + frame.width) / 2), "text": letters(at)}
                   for at in range(frame.columns)],
        "down": [{"at": min((at + 0.5) * step, (at * step + frame.height) / 2), "text": str(at + 1)}
                 for at in range(frame.rows)],
    }  # fmt: skip


# ---- the lists -------------------------------------------------------------------------------------------------------


def _set_in_type(name: str, grave: int) -> str:
    """Return a name as it is printed; of one in letters the fonts lack what they have, and where the rest stands.

    Examples
    --------
    >>> _set_in_type("Łukasz Ó Dunn", 7), _set_in_type("王芳, Anna", 12), _set_in_type("王芳", 12)
    ('Łukasz Ó Dunn', 'Anna (in other letters: grave 12 of the data)', '(in other letters: grave 12 of the data)')
    """
    drawn = printable(name, _MOST_NAME)
    if "\ufffd" not in drawn:
        return drawn
    rest = " ".join(word for word in drawn.split() if "\ufffd" not in word).strip(" ,")
    return f"{rest} (in other letters: grave {grave} of the data)".strip()


def _people(public: PublicGround, frame: _Frame) -> pd.DataFrame:
    """Everyone's line: heading letter, name surname first, years, place, square; in the order of an index."""
    graves = public.graves
    places = np.full((len(graves), 2), np.nan)
    for table, key in ((public.lots, "lot_id"), (public.spaces, "space_id")):
        at = pd.Index(table[key].astype(object)).get_indexer(pd.Index(graves[key].astype(object)))
        if len(table) and (at >= 0).any():
            middle = shapely.get_coordinates(shapely.centroid(table.geometry.to_numpy()))
            places[at >= 0] = middle[at[at >= 0]]
    niches = {
        str(row.space_id): f"niche {row.building} {'' if pd.isna(row.face) else row.face} {row.row}-{row.column}"
        for row in public.niches.itertuples()
    }
    squares = frame.squares(places)
    rows = []
    for row, square in zip(graves.itertuples(), squares, strict=True):
        surname = "" if pd.isna(row.surname) else str(row.surname)
        rest = [str(part) for part in (row.given, row.middle, row.suffix) if not pd.isna(part)]
        name = f"{surname}, {' '.join(rest)}" if surname and rest else str(row.name)
        if not pd.isna(row.maiden) and surname:
            name += f" (born {row.maiden})"
        name = _set_in_type(name, int(row.grave))
        key = folded(name)
        rows.append(
            (key, key[:1].upper() if key[:1].isalpha() else "#", name, years_said(row.born, row.died, row.buried),
             printable(_place_said(row, niches), 30), square, bool(row.veteran), int(row.grave))
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=["key", "head", "name", "years", "place", "square", "veteran", "grave"])
    return table.sort_values(["key", "years", "place"], kind="stable").reset_index(drop=True)


_SIDES = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


def _side(azimuth: float) -> str:
    return _SIDES[int((azimuth + 22.5) % 360.0 // 45.0)]


def say_ways(public: PublicGround, convergence_deg: float = 0.0) -> dict[str, str]:
    """Say for each section how to walk to it from a gate along the drives; left out where no drive leads there.

    Lengths are rounded to ten feet, or five metres; sides are those of true north.
    """
    known = public.sections[public.sections.geometry.notna()] if len(public.sections) else public.sections
    spots = shapely.get_coordinates(public.gates.geometry.to_numpy()) if len(public.gates) else np.zeros((0, 2))
    if not len(known) or not len(spots) or not len(public.drives):
        return {}
    unit = public.crs.unit
    ways = drive_ways(public.drives.geometry.to_numpy(), spots, gap=1.0 / unit.metres)
    step = 10.0 if unit.is_foot else 5.0
    gates = ["" if pd.isna(name) else str(name) for name in public.gates["name"]]
    drives = ["" if pd.isna(name) else str(name) for name in public.drives["name"]]

    def far(length: float) -> str:
        return f"{max(step, round(length / step) * step):,.0f} {unit.suffix}"

    out = {}
    for name, shape in zip(known["section"], known.geometry, strict=True):
        found = legs_to(ways, shape, short=8.0 / unit.metres)
        if found is None:
            continue
        gate, legs = found
        said = [f"From {gates[gate] or 'the gate'}"]
        for leg in legs[:-1]:
            hand = "" if leg is legs[0] else "on " if abs(leg.turn) < _AHEAD else "right " if leg.turn > 0 else "left "
            on = f" on {drives[leg.drive]}" if drives[leg.drive] else " on the drive"
            said.append(f"{hand}{_side(leg.azimuth + convergence_deg)}{on} {far(leg.length)}")
        end = legs[-1]
        if end.length * unit.metres < 1.0:
            said.append("it is beside you")
        else:
            hand = "ahead" if abs(end.turn) < _AHEAD else "on your right" if end.turn > 0 else "on your left"
            across = shapely.linestrings(end.line)
            beyond = [str(other) for other, area in zip(known["section"], known.geometry, strict=True)
                      if other != name and shapely.intersects(area, across)]  # fmt: skip
            past = f", beyond section {' and '.join(beyond)}" if beyond else ""
            said.append(f"it lies {hand}, {far(end.length)} off{past}")
        out[str(name)] = printable("; ".join(said).replace("; ", ": ", 1) + ".", 400)
    return out


def _sections(
    public: PublicGround, frame: _Frame, ways: Mapping[str, str] | None = None
) -> list[dict[str, str]]:  # fmt: skip
    out = []
    for row in public.sections.itertuples():
        middle = [[np.nan, np.nan]]
        if row.geometry is not None and not row.geometry.is_empty:
            middle = shapely.get_coordinates(shapely.point_on_surface(row.geometry)).tolist()
        lots = public.lots[public.lots["section"] == row.section]
        counted = lots[["facing", "counted_from"]].dropna().drop_duplicates()
        how = ""
        if len(counted) == 1:
            facing, hand = counted.iloc[0]
            how = f"face {facing}: space 1 is on the {hand}"
        out.append(
            {
                "name": printable(row.section, 30), "title": "" if pd.isna(row.title) else printable(row.title, 60),
                "since": "" if pd.isna(row.plat_date) else str(row.plat_date)[:4], "square": frame.squares(middle)[0],
                "people": f"{int((public.graves['section'] == row.section).sum()):,}", "how": how,
                "way": (ways or {}).get(str(row.section), ""),
            }
        )  # fmt: skip
    return out


# ---- the sheets ------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def _template(name: str) -> bytes:
    folder = resources.files("cemgis.sheets")
    return b"".join(folder.joinpath(part).read_bytes() for part in ("public.typ", name))


def _typeset(template: str, data: Mapping[str, Any], *, count: bool = False) -> tuple[bytes, int]:
    """Typeset, and count the pages if asked; the data go in as text, read with json(): nothing in them is ever run."""
    given = {"data": json.dumps(data, ensure_ascii=False, allow_nan=False)}
    compiler: Any = typst  # its stubs do not know a source given as bytes
    more = {"sys_inputs": given, "ignore_system_fonts": True, "font_paths": [str(FONT_FOLDER)]}
    day = datetime.datetime.fromisoformat(data["date"]).replace(tzinfo=datetime.UTC)
    try:
        pages = compiler.query(_template(template), "<pages>", field="value", one=True, **more) if count else "0"
        made = compiler.compile(_template(template), format="pdf", timestamp=int(day.timestamp()), **more)
    except typst.TypstError as error:
        msg = f"the page {template} could not be typeset: {error}"
        raise CemgisError(msg) from error
    return bytes(made), int(json.loads(pages))


def _facts(public: PublicGround, licence: str, contact: str, sheet: tuple[str, float, float]) -> dict[str, Any]:
    return {
        "ground": printable(public.name), "place": printable(public.place), "date": public.as_of, "paper": sheet[0],
        "width": sheet[1], "height": sheet[2], "margin": _MARGIN, "licence": printable(licence, 300),
        "contact": printable(contact, 300), "count": f"{len(public.graves):,}",
    }  # fmt: skip


def _sheet(papers: Mapping[str, tuple[str, float, float]], paper: str) -> tuple[str, float, float]:
    if paper not in papers:
        raise InputError.of("paper", f"there is no sheet {paper!r}", f"One of: {', '.join(papers)}.")
    return papers[paper]


def board_sheet(
    public: PublicGround, *, licence: str, contact: str = "", paper: str = "tabloid", convergence_deg: float = 0.0
) -> bytes:
    """Make the map for the gate's board with its index of names, as PDF: the map first, then as many pages as needed.

    Parameters
    ----------
    public : PublicGround
    licence, contact : str
    paper : str
        A key of `BOARDS`.
    convergence_deg : float
        True azimuth = grid azimuth + convergence; the map's top is grid north.

    Raises
    ------
    InputError
        For a paper that does not exist, or when nothing has a place.
    """
    sheet = _sheet(BOARDS, paper)
    room = _map_room(sheet)
    frame = _frame(public, *room)
    people = _people(public, frame)
    data = {
        **_facts(public, licence, contact, sheet), "map": _map(public, *room, convergence_deg),
        "sections": _sections(public, frame), "columns": max(3, round(sheet[1] / 250.0)),
        "people": [
            {"head": head, "rows": rows[["name", "years", "place", "square"]].to_numpy().tolist()}
            for head, rows in people.groupby("head", sort=False)
        ],
    }  # fmt: skip
    return _typeset("board.typ", data)[0]


def leaflet_sheet(
    public: PublicGround,
    *,
    licence: str,
    contact: str = "",
    paper: str = "letter",
    convergence_deg: float = 0.0,
    chosen: Sequence[tuple[int, str]] = (),
) -> bytes:
    """Make the leaflet, one sheet printed on both sides and folded once, as PDF of two pages.

    Outside are the front, how to read the map, cautions, sections and a list; inside lies the map.

    Parameters
    ----------
    public : PublicGround
    licence, contact : str
    paper : str
        A key of `LEAFLETS`.
    convergence_deg : float
    chosen : sequence of (int, str)
        Numbers of graves to point out, with a line each; without any the veterans are listed.

    Raises
    ------
    InputError
        For a paper that does not exist, or when nothing has a place.
    """
    sheet = _sheet(LEAFLETS, paper)
    room = (sheet[1] - 2 * (_MARGIN - 6.0 + _EDGE), sheet[2] - 2 * (_MARGIN - 6.0 + _EDGE) - 48.0)
    frame = _frame(public, *room)
    people, notes = _people(public, frame), dict(chosen)
    people = people[people["grave"].isin(list(notes)) if notes else people["veteran"]]
    rows = [
        [row.name, row.years, row.place, row.square, printable(notes.get(int(row.grave), ""), 160)]
        for row in people.itertuples(index=False)
    ]
    data = {
        **_facts(public, licence, contact, sheet), "map": _map(public, *room, convergence_deg),
        "sections": _sections(public, frame, say_ways(public, convergence_deg)),
        "list_title": "People to look for" if chosen else "Veterans",
        "rows": rows, "more": 0, "list_inside": bool(room[1] - frame.height > _ROOM_FOR_LIST),
    }  # fmt: skip
    # how much fits does not depend on what is drawn in the map
    empty = {**data["map"], "svg": _EMPTY, "labels": [], "sections": []}

    def with_lists(sections: int, most: int) -> dict[str, Any]:
        return {**data, "sections": data["sections"][:sections], "more_sections": len(data["sections"]) - sections,
                "rows": rows[:most], "more": len(rows) - most}  # fmt: skip

    def fits(sections: int, most: int) -> bool:
        return _typeset("leaflet.typ", {**with_lists(sections, most), "map": empty}, count=True)[1] == _BOTH_SIDES

    sections = _most_that(len(data["sections"]), lambda number: fits(number, 0))
    most = _most_that(len(rows), lambda number: fits(sections, number))
    return _typeset("leaflet.typ", with_lists(sections, most))[0]


def _most_that(count: int, fits: Callable[[int], bool]) -> int:
    """Return the largest number up to `count` that fits; 0 when none does.

    Examples
    --------
    >>> _most_that(100, lambda number: number < 37), _most_that(5, lambda number: True)
    (36, 5)
    """
    if fits(count):
        return count
    low, high = 0, count  # low fits or is 0, high does not
    while high - low > 1:
        middle = (low + high) // 2
        if fits(middle):
            low = middle
        else:
            high = middle
    return low
