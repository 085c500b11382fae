"""Land for new graves: what of a parcel can be used, what cannot, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.errors import Gather, InputError
from cemgis.terrain import Dem, clip, hollows, mask_polygon, slope_percent
from cemgis.units import Unit, say_length

__all__ = ["KEEP_AWAY", "Land", "check_parcel", "usable_land"]

Floats = npt.NDArray[np.float64]

KEEP_AWAY: Mapping[str, tuple[str, str, bool]] = {
    # kind: rule of its setback, how it is called, whether a drive must keep off it
    "rock": ("", "shallow rock", False),
    "water table": ("", "high ground water", False),
    "flood": ("", "floods", False),
    "building": ("setback.building", "building", True),
    "drinking water": ("setback.drinking_water", "well or spring for drinking", True),
    "well": ("setback.well", "well", True),
    "spring": ("setback.well", "spring", True),
    "watercourse": ("setback.watercourse", "watercourse", True),
    "drain": ("setback.drain", "drain", False),
    "tree": ("setback.tree", "tree", True),
    "road": ("setback.road", "road", False),
    "other": ("", "kept free", True),
}
"""Kinds of thing that graves keep away from, in the order in which they take land."""

_TINY = 1e-3


# ---- the parcel -----------------------------------------------------------------------------------------------------


def check_parcel(
    parcel: Any, gates: Sequence[tuple[float, float]], *, least: float, drive: float, unit: Unit, where: str
) -> None:
    """Raise what is wrong with a parcel and its gates, all of it.

    Parameters
    ----------
    parcel : Polygon
    gates : sequence of (easting, northing)
    least, drive : float
        Area of a lot with its drive; width of a drive.
    unit : Unit
    where : str

    Raises
    ------
    InputError
        For an outline that crosses itself or is no single area, that looks like degrees, is smaller than a lot and its
        drive, or a gate off the boundary.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> check_parcel(shapely.box(0, 0, 90, 90), [(45, 3)], least=400, drive=12, unit=FOOT, where="field")
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: field gate 1: it lies 3.00 ft off the boundary. Put it on the boundary.
    """
    gather = Gather()
    if parcel is None or shapely.is_empty(parcel) or parcel.geom_type not in ("Polygon", "MultiPolygon"):
        raise InputError.of(where, "it is no area", "Give one polygon; holes are welcome.")
    if not shapely.is_valid(parcel):
        gather.add(
            where, f"the outline is not sound ({shapely.is_valid_reason(parcel)})", "Mend it where it was drawn."
        )
    elif parcel.geom_type == "MultiPolygon":
        gather.add(where, f"it has {len(parcel.geoms)} parts", "Plan one part at a time.")
    left, low, right, high = parcel.bounds
    if max(right - left, high - low) < 5.0 and max(abs(right), abs(left)) <= 180.0:
        gather.add(where, "its coordinates look like degrees", "Say its reference, or export it in the ground's CRS.")
    elif shapely.is_valid(parcel) and parcel.area < least:
        said = f"{parcel.area:,.0f} square {unit.suffix}, a lot and its drive take {least:,.0f}"
        gather.add(where, said, "Check its unit and its reference.")
    if not gates:
        gather.add(f"{where} gates", "there is no gate", "Give at least one point of the boundary where one drives in.")
    for number, gate in enumerate(gates, 1):
        off = float(shapely.distance(shapely.boundary(parcel), shapely.Point(gate))) if len(gather) == 0 else 0.0
        if off > drive / 6.0:
            gather.add(
                f"{where} gate {number}", f"it lies {say_length(off, unit)} off the boundary",
                "Put it on the boundary.",
            )  # fmt: skip
    gather.raise_if_any()


@dataclass(frozen=True)
class Land:
    """A parcel divided into what can be used and what cannot, and why.

    Parameters
    ----------
    parcel, usable, drivable : geometry
        `drivable`: where a drive may run, graves or not.
    pieces : DataFrame
        ``reason``, ``rule`` (its name, empty without one), ``value``, ``area``, ``share``, ``geometry``; the usable
        land last. Areas add up to the parcel's.
    slope : ndarray or None
        Percent, on the cells of `dem`.
    dem : Dem or None
    notes : tuple of str
    """

    parcel: Any
    usable: Any
    drivable: Any
    pieces: pd.DataFrame
    slope: Floats | None = None
    dem: Dem | None = None
    notes: tuple[str, ...] = ()

    def words(self, unit: Unit) -> list[str]:
        """Say it, a line a reason."""
        acre = 43560.0 if unit.is_foot else 10000.0
        name = "acres" if unit.is_foot else "hectares"
        lines = [f"The parcel: {self.parcel.area / acre:.2f} {name}."]
        for row in self.pieces.itertuples():
            lines.append(f"  {row.area / acre:6.2f} {name}  {100 * row.share:5.1f} %  {row.reason}")
        return lines


def usable_land(
    parcel: Any,
    things: gpd.GeoDataFrame | pd.DataFrame,
    rules: Mapping[str, float],
    *,
    unit: Unit,
    dem: Dem | None = None,
    where: str = "parcel",
    least: float = 0.0,
) -> Land:
    """Divide a parcel into usable land and the pieces that are lost, each to the first reason that takes it.

    Parameters
    ----------
    parcel : Polygon
    things : DataFrame
        ``kind`` (a key of `KEEP_AWAY`), ``geometry`` in the grid, ``name`` optional.
    rules : mapping of str to float
        ``setback.*``, ``land.*``, ``drive.slope``, ``drive.keep_off``.
    unit : Unit
    dem : Dem, optional
    where : str
    least : float
        Usable land that must be left.

    Returns
    -------
    Land

    Raises
    ------
    InputError
        For an unknown kind, heights that do not cover the parcel, or when nothing usable is left, with the areas.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import METRE
    >>> things = pd.DataFrame({"kind": ["watercourse"], "geometry": [shapely.LineString([(0, -5), (0, 205)])]})
    >>> land = usable_land(shapely.box(0, 0, 100, 200), things, Rules(METRE), unit=METRE)
    >>> land.pieces[["reason", "area"]].values.tolist()
    [['within 30.00 m of watercourse', 6000.0], ['within 1.00 m of the boundary', 338.0], ['usable', 13662.0]]
    """
    gather = Gather()
    kinds = [str(kind) for kind in things["kind"]] if len(things) else []
    for number, kind in enumerate(kinds, 1):
        if kind not in KEEP_AWAY:
            gather.add(f"{where} keep away {number}", f"there is no kind {kind!r}", f"One of: {', '.join(KEEP_AWAY)}.")
    gather.raise_if_any()
    shapes = np.asarray(things["geometry"], dtype=object) if len(things) else np.empty(0, dtype=object)
    origin = np.floor(np.array(parcel.bounds[:2]))

    def near(item: Any) -> Any:
        return shapely.transform(item, lambda xy: xy - origin)

    def back(item: Any) -> Any:
        return shapely.transform(item, lambda xy: xy + origin)

    own = near(parcel)
    takes: list[tuple[str, str, float, Any]] = []
    keep_off = []
    names = np.array(kinds, dtype=object)
    for kind, (rule, word, solid) in KEEP_AWAY.items():
        mine = near(shapes[names == kind])
        if not len(mine):
            continue
        away = rules[rule] if rule else 0.0
        zone = shapely.union_all(shapely.buffer(mine, away, quad_segs=32))
        said = f"within {say_length(away, unit)} of {word}" if away else word
        takes.append((said, rule, away, zone))
        if solid:
            keep_off.append(shapely.union_all(shapely.buffer(mine, rules["drive.keep_off"], quad_segs=16)))
    slope, notes = None, []
    cut = None
    if dem is not None:
        room = 3.0 * max(dem.cell_x, dem.cell_y)
        left, low, right, high = parcel.bounds
        cut = clip(dem, (left - room, low - room, right + room, high + room))
        notes += [dem.note] if dem.note else []
        bare = cut.missing(parcel)
        if bare > 1e-6 * parcel.area:
            share = 100 * bare / parcel.area
            what = f"the heights leave {share:.1f} % of the parcel bare, {bare:,.0f} square {unit.suffix}"
            raise InputError.of(f"{where} dem", what, "Get a grid that covers the parcel, or plan without one.")
        slope = slope_percent(cut.heights, cut.cell_x, cut.cell_y)
        narrow = rules["land.smooth"] / 2.0

        def patches(mask: npt.NDArray[np.bool_]) -> Any:
            found = near(mask_polygon(cut, mask))
            closed = shapely.buffer(shapely.buffer(found, narrow, join_style="mitre"), -2 * narrow, join_style="mitre")
            return shapely.simplify(shapely.buffer(closed, narrow, join_style="mitre"), 0.25 * narrow)

        limit = rules["land.slope"]
        takes.append((f"steeper than {limit:g} %", "land.slope", limit, patches(np.nan_to_num(slope) > limit)))
        wet = near(hollows(cut, rules["land.hollow"]))
        wet = shapely.buffer(shapely.buffer(wet, -narrow / 2, join_style="mitre"), narrow / 2, join_style="mitre")
        deep = rules["land.hollow"]
        takes.append((f"hollow of {say_length(deep, unit)} or more", "land.hollow", deep, wet))
        keep_off.append(patches(np.nan_to_num(slope) > rules["drive.slope"]))
    margin = rules["setback.boundary"]
    if margin > 0:
        inner = shapely.buffer(own, -margin, quad_segs=32, join_style="mitre")
        said = f"within {say_length(margin, unit)} of the boundary"
        takes.append((said, "setback.boundary", margin, shapely.difference(own, inner)))
    left_over = own
    rows: list[tuple[str, str, float, Any]] = []
    for reason, rule, value, zone in takes:
        piece = shapely.intersection(left_over, zone)
        if piece.area > _TINY:
            rows.append((reason, rule, value, _areas(piece)))
            left_over = _areas(shapely.difference(left_over, zone))
    rows.append(("usable", "", math.nan, left_over))
    pieces = pd.DataFrame(rows, columns=["reason", "rule", "value", "geometry"])
    area = np.array([float(item.area) for item in pieces["geometry"]])
    pieces.insert(3, "area", area)
    pieces.insert(4, "share", area / own.area)
    pieces["geometry"] = pd.Series([back(item) for item in pieces["geometry"]], dtype=object)
    usable = pieces["geometry"].iloc[-1]
    if area[-1] <= max(least, _TINY):
        parts = [f"{row.reason} {row.area:,.0f} ({100 * row.share:.0f} %)" for row in pieces.itertuples()]
        said = f"square {unit.suffix}: {'; '.join(parts)}"
        raise InputError.of(
            where, f"the rules leave nothing to lay out ({said})", "Look at the rules, or at other land."
        )
    off = shapely.union_all([item for item in keep_off if item is not None])
    drivable = back(_areas(shapely.difference(own, off)))
    return Land(parcel, usable, drivable, pieces, slope, cut, tuple(notes))


def _areas(shape: Any) -> Any:
    """Keep only the polygons of an overlay's result."""
    parts = shapely.get_parts(shape)
    parts = parts[
        np.isin(shapely.get_type_id(parts), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    ]
    parts = parts[shapely.area(parts) > 1e-9]
    return shapely.multipolygons(parts) if len(parts) != 1 else parts[0]
