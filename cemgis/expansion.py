"""New ground: layouts of a parcel, each joined to its gates, a choice among them, and the chosen one as a plat."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.land import Land
from cemgis.layout import Module, Plan, RowFrame, bound, directions, frame, from_frame, plan, to_frame
from cemgis.network import join_drives
from cemgis.units import Unit, compass_word

__all__ = [
    "PRELIMINARY",
    "Choice",
    "Drawn",
    "Numbering",
    "as_plat",
    "best_directions",
    "default_directions",
    "frontier",
    "keeps_heads",
    "lay_out",
    "lots_table",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PRELIMINARY = (
    "Preliminary; not for recording; boundary, plat and monuments by a licensed surveyor. "
    "Setbacks are the rules listed; local law and the soil decide."
)


# ---- a layout that can be driven ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """One way to lay out a parcel.

    Parameters
    ----------
    name : str
    module : Module
    azimuth : float
        Of the rows, from grid north.
    heads_azimuth : float
        From feet to heads, from grid north.
    laid : Plan
        Lots that remain, in `where`.
    where : RowFrame
    model : int
        Spaces of the best rows, before drives are joined.
    most : int
        Spaces no layout in this direction can pass.
    drives : geometry
        All drives, in the grid.
    taken, unreached : int
        Spaces given up for joining drives; spaces no drive from a gate reaches.
    dead_ends : int
        Drives that end blindly farther than the rule.
    circles, tight : int
        Turning circles; inner corners that the land leaves no room to round.
    phase : ndarray of int
        Phase of each lot, from 1, nearest the gate first.
    heads_word, heads_wanted : str
        Side the heads lie on, and side they are wanted on, from true north.
    keeps_heads : bool
        Whether the heads lie on the side they are declared to lie on, within the rule; true where none is declared.
    measures : dict
        ``spaces``, ``per_area`` (spaces an acre or hectare of the parcel), ``land`` (of the parcel for a space),
        ``walk`` (mean way from the drive to the middle of a lot), ``drive_area``, ``slope`` (mean percent under the
        lots, NaN without heights).
    """

    name: str
    module: Module
    azimuth: float
    heads_azimuth: float
    laid: Plan
    where: RowFrame
    model: int
    most: int
    drives: Any
    taken: int
    unreached: int
    dead_ends: int
    circles: int
    tight: int
    phase: Ints
    heads_word: str
    heads_wanted: str
    keeps_heads: bool
    measures: Mapping[str, float]

    @property
    def spaces(self) -> int:
        """Spaces that remain."""
        return self.laid.spaces

    @property
    def is_optimum(self) -> bool:
        """Whether nothing better exists in this direction."""
        return self.spaces == self.most


def default_directions(
    parcel: Any, road: Any = None, convergence_deg: float = 0.0, heads: float = 270.0
) -> dict[str, float]:
    """Azimuths of rows worth trying first: heads where they are wanted, along the road, along the longest side.

    Parameters
    ----------
    parcel : Polygon
    road : LineString, optional
    convergence_deg : float
        True azimuth = grid azimuth + convergence.
    heads : float
        True azimuth the heads are wanted at: west by common practice.

    Examples
    --------
    >>> default_directions(shapely.box(0, 0, 10, 40), shapely.LineString([(0, -5), (20, -5)]))
    {'heads west': 0.0, 'along the road': 90.0}
    """
    named = {f"heads {compass_word(heads, 16)}": (heads - 90.0 - convergence_deg) % 180.0}
    if road is not None and road.length > 0:
        named["along the road"] = _bearing(road)
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(parcel))
    sides = np.diff(ring, axis=0)
    longest = sides[np.argmax(np.hypot(*sides.T))]
    named["along the longest side"] = math.degrees(math.atan2(longest[0], longest[1])) % 180.0
    kept: dict[str, float] = {}
    for name, azimuth in named.items():
        if len(directions([*kept.values(), azimuth])) > len(kept):
            kept[name] = round(azimuth % 180.0, 4)
    return kept


def _bearing(line: Any) -> float:
    """Mean direction of a line without sense, each piece weighing its length: doubled angles."""
    steps = np.concatenate([np.diff(shapely.get_coordinates(part), axis=0) for part in shapely.get_parts(line)])
    angle, length = np.arctan2(steps[:, 0], steps[:, 1]), np.hypot(*steps.T)
    doubled = math.atan2(float(length @ np.sin(2 * angle)), float(length @ np.cos(2 * angle)))
    return math.degrees(doubled / 2) % 180.0


def best_directions(
    land: Land,
    module: Module,
    resolution: float,
    step: float = 1.0,
    keep: int = 3,
    tell: Callable[[str], None] | None = None,
    among: Floats | None = None,
) -> list[tuple[float, int, int]]:
    """Try every direction, those with the highest bound first, and leave out those whose bound is below what was found.

    Parameters
    ----------
    land : Land
    module : Module
    resolution : float
    step : float
        Degrees from one direction to the next.
    keep : int
        How many to return.
    tell : callable, optional
        Told how far it is.
    among : ndarray, optional
        Azimuths to try instead.

    Returns
    -------
    list of (azimuth, spaces of the best rows, bound)
        The best first.
    """
    azimuths = np.arange(0.0, 180.0, step) if among is None else among
    framed = [(float(a), to_frame(land.usable, frame(land.usable, a))) for a in azimuths]
    if tell is not None:
        tell(f"bounds of {len(azimuths)} directions")
    tops = [bound(area, module, phases=16) for _, area in framed]
    found: list[tuple[float, int, int]] = []
    for done, at in enumerate(np.argsort(-np.array(tops), kind="stable"), 1):
        worst = sorted((value for _, value, _ in found), reverse=True)[:keep]
        if len(worst) == keep and tops[at] * module.spaces < worst[-1]:
            if tell is not None:
                tell(f"{done - 1} of {len(azimuths)} directions tried; no other can be better")
            break
        azimuth, area = framed[at]
        found.append((azimuth, plan(area, module, resolution).spaces, tops[at] * module.spaces))
        if tell is not None and done % 10 == 0:
            tell(f"{done} of {len(azimuths)} directions, best {max(value for _, value, _ in found)} spaces")
    return sorted(found, key=lambda item: (-item[1], item[0]))[:keep]


_STARTS = 8000


def lay_out(
    name: str,
    land: Land,
    gates: Sequence[tuple[float, float]],
    module: Module,
    azimuth: float,
    rules: Mapping[str, float],
    *,
    unit: Unit,
    heads: float = 270.0,
    tries: int = 6,
    phases: int = 3,
    convergence_deg: float = 0.0,
    declared: bool = True,
) -> Choice:
    """Lay out a parcel in one direction: best rows, then drives joined to the gates in exact geometry.

    Parameters
    ----------
    name : str
    land : Land
    gates : sequence of (easting, northing)
    module : Module
    azimuth : float
        Of the rows, from grid north.
    rules : mapping of str to float
        ``layout.resolution``, ``layout.heads_off``, ``drive.dead_end``, ``drive.inner_radius``.
    unit : Unit
    heads : float
        Azimuth from grid north the heads are wanted at; the nearer end of the spaces is taken.
    tries : int
        Places tried for cross drives between blocks, see `cemgis.layout.plan`, and sets of columns.
    phases : int
    convergence_deg : float
        True azimuth = grid azimuth + convergence.
    declared : bool
        Whether the side of the heads is declared, or only the common one.

    Returns
    -------
    Choice
    """
    where = frame(land.usable, azimuth)
    area, drivable = to_frame(land.usable, where), to_frame(land.drivable, where)
    resolution = rules["layout.resolution"]
    best = plan(area, module, resolution)
    how = 0
    if tries:
        split = plan(area, module, resolution, tries=tries, splits=1)
        best, how = (split, tries) if split.spaces > best.spaces else (best, 0)
    most = bound(area, module) * module.spaces
    entry = shapely.get_coordinates(to_frame(shapely.points(np.array(gates, dtype=float)), where))
    net, model = join_drives(best, drivable, entry, rules), best.spaces
    # other columns may leave more once drives are joined; on large land they hardly do
    for nth in range(1, min(tries, _STARTS // max(len(best.lots), 1)) if module.aligned else 0):
        other = plan(area, module, resolution, tries=how, splits=1, nth=nth)
        joined = join_drives(other, drivable, entry, rules)
        if joined.kept.sum() > net.kept.sum():
            best, net = other, joined
    laid = best.take(net.kept)
    head = _head_end(azimuth, heads)
    near = keeps_heads(azimuth, heads, rules["layout.heads_off"])
    wanted = compass_word(heads + convergence_deg, 16)
    drives = from_frame(net.drives, where)
    far = net.way[net.kept]
    phase = _phases(far, laid, phases)
    rank = laid.rank
    walk = (rank - 1) * (module.depth + module.walk) + module.depth / 2
    acre = 43560.0 if unit.is_foot else 10000.0
    slope = math.nan
    if land.slope is not None and land.dem is not None and len(laid.lots):
        middle = shapely.get_coordinates(shapely.centroid(from_frame(laid.boxes(), where)))
        slope = float(np.nanmean(land.dem.at(land.slope, middle)))
    measures = {
        "spaces": float(laid.spaces),
        "per_area": laid.spaces / (land.parcel.area / acre),
        "land": land.parcel.area / laid.spaces if laid.spaces else math.nan,
        "walk": float(walk.mean()) if len(walk) else math.nan,
        "drive_area": float(drives.area),
        "slope": slope,
    }
    unreached = int(net.unreached.sum()) * module.spaces
    return Choice(
        name, module, float(azimuth) % 180.0, head, laid, where, model, most, drives,
        model - laid.spaces - unreached, unreached, net.dead_ends, net.circles, net.tight, phase,
        wanted if near else compass_word(head + convergence_deg, 16), wanted, near or not declared, measures,
    )  # fmt: skip


def _head_end(azimuth: float, heads: float) -> float:
    """End of spaces set across rows at an azimuth that is nearer to the side the heads are wanted on."""
    ends = [(azimuth - 90.0) % 360.0, (azimuth + 90.0) % 360.0]
    return min(ends, key=lambda a: abs((a - heads + 180.0) % 360.0 - 180.0))


def keeps_heads(azimuth: float, heads: float, most: float) -> bool:
    """Whether rows at an azimuth let the heads lie where they are wanted, within so many degrees.

    Examples
    --------
    >>> keeps_heads(0.0, 270.0, 22.5), keeps_heads(20.0, 270.0, 22.5), keeps_heads(90.0, 270.0, 22.5)
    (True, True, False)
    """
    off = abs((_head_end(azimuth, heads) - heads + 180.0) % 360.0 - 180.0)
    return bool(off <= most + 1e-9)


def _phases(far: Floats, laid: Plan, phases: int) -> Ints:
    """Phase of each lot: drives whole, the nearest first, about as many lots in each."""
    if not len(far):
        return np.empty(0, dtype=np.int64)
    drive, inverse, size = np.unique(laid.drive, return_inverse=True, return_counts=True)
    near = np.full(len(drive), np.inf)
    np.minimum.at(near, inverse, far)
    order = np.argsort(near, kind="stable")
    before = np.cumsum(size[order]) - size[order] / 2
    of = np.empty(len(drive), dtype=np.int64)
    of[order] = 1 + np.minimum((before * phases / len(far)).astype(np.int64), phases - 1)
    return of[inverse]


# ---- a choice among them --------------------------------------------------------------------------------------------


def frontier(choices: Sequence[Choice], most: int = 6) -> list[Choice]:
    """Leave out choices that another beats in everything: spaces, walk, area of drives, slope.

    Parameters
    ----------
    choices : sequence of Choice
    most : int
        If more remain, those with the most spaces are kept, and of equal ones the shortest walk.

    Returns
    -------
    list of Choice
        The most spaces first.
    """
    if not choices:
        return []
    # every column: less is better
    values = np.array(
        [
            [-c.measures["spaces"], c.measures["walk"], c.measures["drive_area"], np.nan_to_num(c.measures["slope"])]
            for c in choices
        ]
    ).round(6)
    no_better = np.all(values[:, None, :] >= values[None, :, :], axis=2)
    beaten = np.any(no_better & np.any(values[:, None, :] > values[None, :, :], axis=2), axis=1).tolist()
    kept = [choice for choice, out in zip(choices, beaten, strict=True) if not out]
    return sorted(kept, key=lambda c: (-c.measures["spaces"], c.measures["walk"]))[:most]


@dataclass(frozen=True, slots=True)
class Numbering:
    """How lots of new ground are numbered: as a section of the ground is.

    Parameters
    ----------
    way : str
        ``run on``, ``restart`` or ``back and forth``, as in ``ground.toml``.
    skip : tuple of int
        Numbers never used.
    source : str
        Whose rule it is, in words.
    """

    way: str = "run on"
    skip: tuple[int, ...] = ()
    source: str = ""

    def number(self, row: Ints) -> tuple[Ints, Ints]:
        """Place of each lot in its row, and its number, for lots sorted by row and along it.

        Examples
        --------
        >>> row = np.array([1, 1, 1, 2, 2])
        >>> Numbering("back and forth", skip=(2,)).number(row)[1].tolist()
        [1, 3, 4, 6, 5]
        >>> Numbering("restart").number(row)[1].tolist()
        [1, 2, 3, 1, 2]
        """
        first = np.concatenate([[True], row[1:] != row[:-1]]) if len(row) else np.empty(0, dtype=bool)
        start = np.flatnonzero(first)
        length = np.diff(np.append(start, len(row)))
        place = np.arange(len(row)) - np.repeat(start, length)
        count = np.arange(len(row))
        if self.way == "restart":
            count = place
        elif self.way == "back and forth":
            odd = np.repeat(np.arange(len(start)) % 2 == 1, length)
            back = np.repeat(start, length) + np.repeat(length, length) - 1 - place
            count = np.where(odd, back, count)
        used = np.setdiff1d(np.arange(1, len(row) + len(self.skip) + 1), self.skip)
        return place, used[count].astype(np.int64)


def lots_table(
    choice: Choice,
    section: str,
    crs: Any = None,
    numbering: Numbering = Numbering(),
) -> gpd.GeoDataFrame:
    """Lots of a choice as a layer, numbered from 1: row by row, each row from the same end unless the rule turns.

    Returns
    -------
    GeoDataFrame
        ``lot_id``, ``section``, ``row``, ``lot``, ``spaces``, ``phase``, ``from_drive`` (row counted from its drive)
        and the lot's polygon in the grid.
    """
    laid = choice.laid
    order = np.lexsort((laid.lots[:, 0], laid.lots[:, 1], laid.block))
    rows = pd.factorize(pd.MultiIndex.from_arrays([laid.block[order], laid.lots[order, 1].round(4)]))[0] + 1
    number = numbering.number(rows)[1].astype(str)
    # where numbers come again in other rows the row is part of the name
    named = [f"{row}-{lot}" for row, lot in zip(rows, number, strict=True)]
    by_row = numbering.way == "restart" and len(rows) and rows.max() > 1
    return gpd.GeoDataFrame(
        {
            "lot_id": [f"{section}-{lot}" for lot in (named if by_row else number)],
            "section": section,
            "row": rows.astype(str),
            "lot": number,
            "spaces": choice.module.spaces,
            "phase": choice.phase[order],
            "from_drive": laid.rank[order],
        },
        geometry=from_frame(laid.boxes()[order], choice.where),
        crs=crs,
    )


@dataclass(frozen=True)
class Drawn:
    """A choice as a plat in the ground's own format.

    Parameters
    ----------
    lots : DataFrame
        The section's file of lots: ``section, row, lot, x, y, width, depth, spaces, facing, from, kind``.
    stakes : DataFrame
        What is to be set: ``label, easting, northing, kind, phase`` of every marker's corner.
    corners : DataFrame
        Every corner of every lot, once: ``corner, easting, northing, lots``, those that meet there.
    control : DataFrame
        Four points around the section, for staking: ``label, easting, northing``.
    toml : str
        The tables to add to ``ground.toml``; `{lots}` and `{stakes}` stand for the files.
    """

    lots: pd.DataFrame
    stakes: pd.DataFrame
    corners: pd.DataFrame
    control: pd.DataFrame
    toml: str


def as_plat(
    choice: Choice, section: str, *, plat: str, label: Callable[[str, str, str], str], crs_name: str, date: str,
    numbering: Numbering = Numbering(),
) -> Drawn:  # fmt: skip
    """Draw a choice as a plat: lots in a plat frame of its own, markers at their southwest corners, heads.

    The plat's north is the direction of rows or columns nearest to grid north, its origin the corner of least x and y.

    Parameters
    ----------
    choice : Choice
    section : str
        A name the ground does not use yet.
    plat : str
        Name of the new plat.
    label : callable
        Text of a marker, from section, row and lot.
    crs_name : str
    date : str
    numbering : Numbering
    """
    along, left = choice.where.axes  # unit vectors of u and v in the grid
    norths = [(along, -left), (left, along), (-along, left), (-left, -along)]
    north, east = max(norths, key=lambda pair: float(pair[0][1]))
    table = lots_table(choice, section, numbering=numbering)
    corners = shapely.get_coordinates(table.geometry.to_numpy()).reshape(-1, 5, 2)[:, :4]
    x, y = corners @ east, corners @ north
    x0, y0 = float(x.min()), float(y.min())
    x, y = x - x0, y - y0
    head = math.radians(choice.heads_azimuth)
    toward = np.array([math.sin(head), math.cos(head)])
    heads_plat = math.degrees(math.atan2(float(toward @ east), float(toward @ north)))
    lots = pd.DataFrame(
        {
            "section": section, "row": table["row"], "lot": table["lot"],
            "x": x.min(axis=1).round(4), "y": y.min(axis=1).round(4),
            "width": np.ptp(x, axis=1).round(4), "depth": np.ptp(y, axis=1).round(4),
            "spaces": choice.module.spaces, "facing": compass_word(heads_plat + 180.0, 4), "from": "left",
            "kind": choice.module.kind,
        }
    )  # fmt: skip
    southwest = (x.min(axis=1) + x0)[:, None] * east + (y.min(axis=1) + y0)[:, None] * north
    stakes = pd.DataFrame(
        {
            "label": [label(section, row, lot) for row, lot in zip(table["row"], table["lot"], strict=True)],
            "easting": southwest[:, 0].round(4), "northing": southwest[:, 1].round(4),
            "kind": "lot corner, southwest", "note": [f"phase {phase}" for phase in table["phase"]],
        }
    )  # fmt: skip
    points = shapely.get_coordinates(table.geometry.to_numpy()).reshape(-1, 5, 2)[:, :4].reshape(-1, 2)
    # corners of neighbours agree but for rounding: those that share a cell of 0.02 are one
    group = pd.DataFrame(np.floor(np.column_stack([x.ravel(), y.ravel()]) / 0.02 + 0.5)).groupby([0, 1], sort=False)
    number = group.ngroup().to_numpy()
    first = np.unique(number, return_index=True)[1]
    meet = pd.Series(np.repeat(table["lot_id"].to_numpy(dtype=object), 4)).groupby(number).agg(", ".join)
    every = pd.DataFrame(
        {
            "corner": [f"{section} corner {k}" for k in range(1, len(first) + 1)],
            "easting": points[first, 0].round(4), "northing": points[first, 1].round(4), "lots": meet.to_numpy(),
        }
    )  # fmt: skip
    low, high = np.array([0.0, 0.0]), np.array([float(x.max()), float(y.max())])
    square = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    spots = np.array([(a + x0) * east + (b + y0) * north for a, b in square])
    control = pd.DataFrame(
        {
            "label": [f"{section} control {k}" for k in range(1, 5)],
            "easting": spots[:, 0].round(4),
            "northing": spots[:, 1].round(4),
        }
    )
    counted = f"\n# Lots are numbered {numbering.way}, {numbering.source}." if numbering.source else ""
    heads = choice.heads_word
    told = (
        "" if choice.keeps_heads else f"\n# Not {choice.heads_wanted}, as the parcel declares: this layout was named."
    )
    toml = f"""
# {PRELIMINARY}
[[plat]]
name = "{plat}"
date = "{date}"
local = false
design = true
source = "laid out {date}; preliminary; not for recording; boundary, plat and monuments by a licensed surveyor"

[[section]]
name = "{section}"
title = "New ground, {choice.module.name}"
plat = "{plat}"{counted}{told}
heads = "{heads}"
markers = "southwest"
lots = "{{lots}}"

# Where the markers are to be set, by design. Replace this entry by readings of the markers once they stand, and take
# "design" out of the plat.
[[readings]]
file = "{{stakes}}"
visit = "design {date}"
corrections = "none: design coordinates of the layout, not surveyed"
reference = "{crs_name}"
sigma = "0.05 ft"
columns = {{ label = "label", x = "easting", y = "northing" }}
"""
    return Drawn(lots, stakes, every, control, toml)
