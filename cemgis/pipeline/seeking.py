"""The search for unfound markers: the plan of a ground, and the sheet, waypoints and table made of it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import maps, schema
from cemgis.drawing import Facts
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files.export import csv_text
from cemgis.files.waypoints import gpx
from cemgis.files.whole import input_error, write_bytes, write_text
from cemgis.layers import LAYERS
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.opening_site import tie_numbers
from cemgis.pipeline.run import plain
from cemgis.reference import to_lonlat
from cemgis.searchsheet import search_sheets
from cemgis.seek import AIMS, Lesson, inflation, point_ties, say_lesson, teach_most, walk_length, walk_order
from cemgis.signal import spread_rows
from cemgis.ties import say_taped

if TYPE_CHECKING:
    from cemgis.pipeline.run import Run
    from cemgis.plat import Plat
    from cemgis.spaces import Placed

__all__ = ["Sought", "Taught", "lessons", "search_table", "seek"]

log = logging.getLogger("cemgis")
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_MOST_CANDIDATES = 400
_SPACES_AT_ONCE = 400
_WEAK = ("broken", "tilted", "loose")


@dataclass
class Sought:
    """A search plan and what was made of it.

    Parameters
    ----------
    run : Run
    table : GeoDataFrame
        Layer ``searches``, in walking order.
    said : list of str
        What finding the best few would do, section by section.
    made : list of Path
    """

    run: Run
    table: gpd.GeoDataFrame
    said: list[str] = field(default_factory=list)
    made: list[Path] = field(default_factory=list)

    def summary(self) -> dict[str, Any]:
        """Everything the plan has to say, as plain values."""
        return {"ground": self.run.ground.name, "said": self.said, "searches": plain(self.table).to_dict("records"),
                "made": [str(path) for path in self.made]}  # fmt: skip

    def words(self) -> str:
        """Say the plan in words."""
        unit, reads = self.run.ground.unit, self.run.ground.equipment.tape_reads
        lines = [self.run.ground.name, *self.said, ""]
        for row in self.table.itertuples():
            lines.append(say_row(row, unit, reads))
        length = walk_length(shapely.get_coordinates(self.table.geometry.to_numpy()), np.arange(len(self.table)))
        lines.append(f"{len(self.table)} markers to look for; the walk is {length:,.0f} {unit.suffix} long.")
        return "\n".join([*lines, *(f"  {path}" for path in self.made)])


def say_row(row: Any, unit: Any, reads: str) -> str:
    """Say one row of the plan."""
    said = f"  {row.walk}. {row.label}: "
    if pd.isna(row.tie_1):
        near = say_taped(float(row.radius_95), unit, reads)
        said += f"within {near} of its coordinates; no two found markers to tape from"
    else:
        said += (
            f"within {say_taped(float(row.radius_taped), unit, reads)} of {say_taped(float(row.tie_1), unit, reads)} "
            f"from {row.tie_1_from} and {say_taped(float(row.tie_2), unit, reads)} from {row.tie_2_from} "
            f"({row.side} of the line)"
        )
        if pd.notna(row.check):
            said += f"; check {say_taped(float(row.check), unit, reads)} from {row.check_from}"
    if pd.notna(row.teaches):
        said += f" [teaches most: {row.teaches}]"
    if pd.notna(row.settle_first):
        said += f" SETTLE FIRST: {row.settle_first}"
    return said


def seek(
    folder: Path, *, section: str | None = None, best: int = 5, aim: str = "worst", out: Path | None = None
) -> Sought:
    """Plan the search for unfound markers and write its sheet, waypoints and table.

    Parameters
    ----------
    folder : Path
    section : str, optional
        Only this one.
    best : int
        How many markers of each section to name that would teach the most.
    aim : str
        One of `cemgis.seek.AIMS`.
    out : Path, optional
        Folder to write to; ``sheets`` of the ground when left out.

    Raises
    ------
    InputError
        When the input cannot be used, there is no such section, or nothing is left to find.
    """
    if aim not in AIMS:
        raise InputError.of("--aim", f"{aim!r} is none", f"One of: {', '.join(AIMS)}.")
    if best < 0:
        raise InputError.of("--best", f"{best} is no number of markers", "Write 0 or more.")
    names = [item.name for item in read_ground(Path(folder)).sections]
    if section is not None and section not in names:
        raise InputError.of("--section", f"there is no section {section[:40]!r}", f"One of: {', '.join(names)}.")
    run = compute(Path(folder), until="spaces")
    chosen = names if section is None else [section]
    found = lessons(run, chosen, best, aim)
    table = search_table(run, chosen, found)
    if not len(table):
        where = "this ground" if section is None else f"section {section}"
        raise InputError.of("seek", f"no marker of {where} is left to find", "Nothing is to be done.")
    sought = Sought(run, table, _said(run, found))
    sought.made = _write(sought, Path(folder) / "sheets" if out is None else Path(out), section)
    return sought


# ---- the plan -------------------------------------------------------------------------------------------------------


def _sites(run: Run, sections: Sequence[str]) -> pd.DataFrame:
    """Sites of the unfound markers of some sections: row of the plat's sites, corner, place on the grid."""
    plat, corners, _ = _placed(run)
    sites = plat.sites
    at = sites["corner_index"].to_numpy(dtype=np.int64)
    here = (corners.state[at] == "unfound") & corners.known[at]
    here &= sites["section"].isin(list(sections)).to_numpy(dtype=bool)
    rows = np.flatnonzero(here)
    xy = corners.grid_xy[at[rows]].copy()
    for name, fit in run.fits.items():
        mine = (sites["plat"].iloc[rows] == name).to_numpy(dtype=bool)
        if mine.any():
            xy[mine] += fit.turn(sites[["inset_x", "inset_y"]].to_numpy(dtype=float)[rows[mine]])
    out = sites.iloc[rows][["label", "section", "lot_id"]].reset_index(drop=True)
    return out.assign(site=rows, corner=at[rows], e=xy[:, 0], n=xy[:, 1]).drop_duplicates("corner", ignore_index=True)


def _placed(run: Run) -> tuple[Plat, Placed, Callable[[npt.ArrayLike], Floats]]:
    if run.plat is None or run.corners is None or run.corners.joint is None:
        raise InputError.of("seek", "the plats are not placed", "Run it to the stage 'spaces' at least.")
    return run.plat, run.corners, run.corners.joint


@dataclass(frozen=True)
class Taught:
    """What finding markers of one section would do.

    Parameters
    ----------
    lesson : Lesson
    sites : list of int
        Rows of the plat's sites, in the order of the lesson.
    doubtful : int
        Spaces not counted: they rest on a marker in doubt, which has to be settled and is not to be found.
    """

    lesson: Lesson
    sites: list[int]
    doubtful: int


def lessons(run: Run, sections: Sequence[str], best: int, aim: str = "worst") -> dict[str, Taught]:
    """For each section the markers that would teach the most.

    Every unfound marker of the section is a candidate, at most 400 of them, spread over it.
    """
    plat, corners, joint = _placed(run)
    spaces = run.tables["spaces"].set_index("space_id")
    variance = run.ground.rules["occupation.floor_fixed"] ** 2
    out: dict[str, Taught] = {}
    doubtful = (corners.state == "doubtful").astype(float)
    every = _sites(run, sections)
    known = corners.known
    for section in sections:
        sites = every[every["section"] == section]
        rows = np.flatnonzero((plat.spaces["section"] == section).to_numpy(dtype=bool))
        rows = rows[plat.spaces["space_id"].iloc[rows].isin(spaces.index).to_numpy(dtype=bool)]
        open_ = np.asarray(plat.centre_weights[rows] @ doubtful) > 0
        rows = rows[~open_]
        if not len(sites) or not len(rows) or best < 1:
            continue
        sites = sites.iloc[spread_rows(sites[["e", "n"]].to_numpy(dtype=float), _MOST_CANDIDATES)]
        candidates = sites["corner"].to_numpy(dtype=np.int64)
        c = len(candidates)
        own, cross = np.empty((len(rows), 2, 2)), np.empty((len(rows), 2, 2 * c))
        among = np.zeros((2 * c, 2 * c))
        for first in range(0, len(rows), _SPACES_AT_ONCE):
            part = rows[first : first + _SPACES_AT_ONCE]
            weights = plat.centre_weights[part]
            used = np.unique(weights.indices)
            used = used[known[used]]
            index = np.union1d(used, candidates)
            place = np.searchsorted(index, candidates)
            block = joint(index).reshape(len(index), 2, len(index), 2)
            w = np.asarray(weights[:, index].todense())
            half = np.einsum("sa,axby->sxby", w, block, optimize=True)
            own[first : first + len(part)] = np.einsum("sxby,sb->sxy", half, w, optimize=True)
            cross[first : first + len(part)] = half[:, :, place].reshape(len(part), 2, 2 * c)
            among = block[np.ix_(place, [0, 1], place, [0, 1])].reshape(2 * c, 2 * c)
        radius = spaces["radius_95"].reindex(plat.spaces["space_id"].iloc[rows].astype(object))
        found = teach_most(own, cross, among, variance * np.eye(2), best, aim=aim, factor=inflation(radius, own))
        chosen = sites["site"].to_numpy(dtype=np.int64)[found.chosen].tolist()
        out[section] = Taught(found, chosen, int(open_.sum()))
    return out


def _said(run: Run, found: dict[str, Taught]) -> list[str]:
    plat, _, _ = _placed(run)
    out = []
    for section, taught in found.items():
        labels = plat.sites["label"].astype(str).iloc[taught.sites].tolist()
        ordered = replace(taught.lesson, chosen=np.arange(len(labels)))
        said = say_lesson(labels, ordered, f"section {section}", run.ground.unit)
        if taught.doubtful:
            said += f" Not counted: {taught.doubtful} spaces that rest on a marker in doubt; settle that marker."
        protected = run.ground.section(section).protected
        out.append(said + (f" Settle first: {protected}." if protected else ""))
    return out


def search_table(run: Run, sections: Sequence[str], found: dict[str, Taught] | None = None) -> gpd.GeoDataFrame:
    """Make the layer ``searches`` for some sections, in walking order.

    Parameters
    ----------
    run : Run
        At the stage ``spaces`` at least.
    sections : sequence of str
    found : dict, optional
        From `lessons`.
    """
    plat, corners, joint = _placed(run)
    sites = _walked(_sites(run, sections), sections)
    layer, crs = LAYERS["searches"], run.ground.crs.crs
    if not len(sites):
        return gpd.GeoDataFrame(schema.empty(layer, crs), geometry="geometry", crs=crs)
    rank = {site: place for taught in (found or {}).values() for place, site in enumerate(taught.sites, 1)}
    table = run.tables["corners"].set_index("corner_id")
    at = sites["corner"].to_numpy(dtype=np.int64)
    ids = plat.corners["corner_id"].astype(object).iloc[at].to_numpy()
    own = table.loc[ids, ["cov_ee", "cov_en", "cov_nn", "radius_95"]].reset_index(drop=True)
    inflate = inflation(own["radius_95"], corners.cov[at])
    good, fair = _anchors(run)
    rows = []
    for number, one in enumerate(sites.itertuples()):
        place = np.array([one.e, one.n])
        rows.append(_tied(run, place, int(at[number]), good, fair, float(inflate[number]), joint))
    labels = sites["label"].astype(str)
    again = labels.groupby(labels).cumcount()
    protected = {item.name: item.protected for item in run.ground.sections}
    data = pd.concat([sites[["label", "section", "lot_id", "walk"]], own, pd.DataFrame(rows)], axis=1).assign(
        search_id=labels.where(again == 0, labels + " #" + (again + 1).astype(str)),
        corner_id=ids,
        teaches=[rank.get(site) for site in sites["site"]],
        settle_first=[protected.get(name) for name in sites["section"]],
        geometry=shapely.points(sites[["e", "n"]].to_numpy(dtype=float)),
    )
    return gpd.GeoDataFrame(schema.restore(data, layer, crs), geometry="geometry", crs=crs)


def _walked(sites: pd.DataFrame, sections: Sequence[str]) -> pd.DataFrame:
    """Sites in walking order: section by section, each beginning where the last one ended."""
    groups = {name: sites[sites["section"] == name] for name in sections}
    groups = {name: group for name, group in groups.items() if len(group)}
    if not groups:
        return sites.assign(walk=0)
    names = list(groups)
    middles = np.array([groups[name][["e", "n"]].mean().to_numpy(dtype=float) for name in names])
    parts = []
    last: Floats | None = None
    for number in walk_order(middles):
        group = groups[names[number]]
        xy = group[["e", "n"]].to_numpy(dtype=float)
        start = None if last is None else int(np.argmin(np.hypot(*(xy - last).T)))
        order = walk_order(xy, start)
        parts.append(group.iloc[order])
        last = xy[order[-1]]
    out = pd.concat(parts, ignore_index=True)
    return out.assign(walk=np.arange(1, len(out) + 1))


@dataclass(frozen=True)
class _Anchors:
    ids: npt.NDArray[np.object_]
    xy: Floats
    corner: Ints


def _anchors(run: Run) -> tuple[_Anchors, _Anchors]:
    """Found markers to tape from: those trusted, and all that hold their corner."""
    plat, _, _ = _placed(run)
    markers = run.tables["markers"]
    corner = pd.Index(plat.corners["corner_id"].astype(object)).get_indexer(
        pd.Index(markers["corner_id"].astype(object).where(markers["corner_id"].notna(), None))
    )
    holds = markers["holds"].fillna(value=False).to_numpy(dtype=bool) & (corner >= 0)
    holds &= (markers["state"] == "used in the fit").to_numpy(dtype=bool) & (~markers.geometry.isna()).to_numpy()
    holds &= ~markers["condition"].astype(object).isin(_WEAK).to_numpy(dtype=bool)
    trusted = holds & markers["trusted"].fillna(value=False).to_numpy(dtype=bool)
    ids = markers["marker_id"].to_numpy(dtype=object)

    def take(flags: npt.NDArray[np.bool_]) -> _Anchors:
        xy = shapely.get_coordinates(markers.geometry.to_numpy()[flags]).reshape(-1, 2)
        return _Anchors(ids[flags], xy, corner[flags].astype(np.int64))

    return take(trusted), take(holds)


def _tied(
    run: Run,
    place: Floats,
    corner: int,
    good: _Anchors,
    fair: _Anchors,
    inflate: float,
    joint: Callable[[npt.ArrayLike], Floats],
) -> dict[str, Any]:
    numbers = tie_numbers(run.ground)
    for anchors, note in ((good, None), (fair, "taped from markers that are not trusted yet")):

        def shared(rows: Ints, corners: Ints = anchors.corner) -> Floats:
            return joint(np.concatenate([[corner], corners[rows]]))

        ties = point_ties(place, anchors.xy, shared, numbers, factor=run.factor, inflate=inflate)
        if ties is None:
            continue
        names = [anchors.ids[row] for row in ties.anchors]
        out = {"tie_1_from": names[0], "tie_1": ties.distances[0], "tie_2_from": names[1], "tie_2": ties.distances[1],
               "side": ties.side, "radius_taped": ties.radius_95, "note": note}  # fmt: skip
        if len(names) > 2:
            out |= {"check_from": names[2], "check": ties.distances[2]}
        return out
    return {"note": "no two found markers within a tape at a good angle"}


# ---- files ----------------------------------------------------------------------------------------------------------


def _write(sought: Sought, target: Path, section: str | None) -> list[Path]:
    run, table = sought.run, sought.table
    stem = "search" if section is None else f"search_{''.join(c if c.isalnum() else '_' for c in section)}"
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    made = [target / f"{stem}.{ending}" for ending in ("pdf", "gpx", "csv", "gpkg")]
    facts = _facts(run)
    figures = search_sheets(table, run.tables, facts, said=sought.said, reads=run.ground.equipment.tape_reads)
    write_bytes(made[0], maps.save_all(figures, facts)[0])
    write_bytes(made[1], _gpx(run, table))
    write_text(made[2], _csv(run, table))
    geopackage.write_ground(
        made[3], {"searches": table}, unit=run.ground.unit, crs=run.ground.crs.crs, stamp=run.as_of,
        title=f"{run.ground.name}: search",
    )  # fmt: skip
    return made


def _facts(run: Run) -> Facts:
    return map_facts(run.ground.crs, run.tables["run"])


def _csv(run: Run, table: gpd.GeoDataFrame) -> str:
    layer = LAYERS["searches"]
    suffix = run.ground.unit.suffix
    plain = pd.DataFrame(table.drop(columns="geometry"))
    xy = shapely.get_coordinates(table.geometry.to_numpy())
    plain.insert(2, f"easting_{suffix}", xy[:, 0].round(3))
    plain.insert(3, f"northing_{suffix}", xy[:, 1].round(3))
    names = {column.name: column.written(run.ground.unit) for column in layer.columns}
    for name in plain.columns:
        if pd.api.types.is_float_dtype(plain[name].dtype):
            plain[name] = plain[name].round(6 if name.startswith("cov_") else 3)
    return csv_text(plain.rename(columns=names))


def _gpx(run: Run, table: gpd.GeoDataFrame) -> bytes:
    ground, unit = run.ground, run.ground.unit
    reads = ground.equipment.tape_reads
    lonlat = to_lonlat(shapely.get_coordinates(table.geometry.to_numpy()), ground.crs)
    said = [say_row(row, unit, reads).strip() for row in table.itertuples()]
    frame = ground.crs.realization
    about = (
        f"Markers to look for on {ground.name}. Latitude and longitude are {frame}, not WGS 84, whatever a reader of "
        f"this format takes them for: stake with corrections that deliver {frame}. {_absolute(run)}"
    )
    return gpx(lonlat, table["search_id"].astype(str).tolist(), said, title=f"{ground.name}: search", about=about,
               time=run.as_of)  # fmt: skip


def _absolute(run: Run) -> str:
    control = run.tables.get("control")
    if control is not None and len(control) and (control["state"] == "agrees").any():
        return "The absolute position agrees with control."
    return "ABSOLUTE POSITION UNCHECKED: ties are sound, staking coordinates are not."
