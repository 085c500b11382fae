"""New ground, end to end: a parcel's files, layouts, a choice, sheets; the chosen layout joined to a copy of the ground."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from cemgis.errors import Gather, InputError
from cemgis.expansion import Choice, best_directions, default_directions, frontier, lay_out
from cemgis.files.raster import read_dem
from cemgis.files.tables import decode
from cemgis.files.vector import read_features
from cemgis.land import Land, check_parcel, usable_land
from cemgis.parcel import Parcel, parse_parcel
from cemgis.reference import convergence, to_grid

if TYPE_CHECKING:
    from cemgis.ground import Ground
    from cemgis.terrain import Dem

__all__ = ["Expansion", "plan_parcel", "read_parcel"]

log = logging.getLogger("cemgis")


@dataclass
class Expansion:
    """A parcel with what can be done with it.

    Parameters
    ----------
    ground : Ground
    parcel : Parcel
    land : Land
    things : DataFrame
        ``kind`` and ``geometry`` of what graves keep away from.
    road : geometry or None
    choices : list of Choice
        Layouts of the main module that nothing else beats, the most spaces first.
    others : list of Choice
        The best layout of each other module.
    convergence_deg : float
    """

    ground: Ground
    parcel: Parcel
    land: Land
    things: pd.DataFrame
    road: Any
    choices: list[Choice] = field(default_factory=list)
    others: list[Choice] = field(default_factory=list)
    convergence_deg: float = 0.0


def read_parcel(ground: Ground, path: Path) -> tuple[Parcel, Any, pd.DataFrame, Any, Dem | None]:
    """Read a parcel's description and every file it names, into the ground's grid.

    Raises
    ------
    InputError
        With the problems of all files at once.
    """
    if not path.is_file():
        raise InputError.of(str(path), "there is no such file", "Name the parcel's .toml; the README shows one.")
    try:
        text, _ = decode(path.read_bytes(), "utf-8", path.name)
    except OSError as error:
        raise InputError.of(str(path), f"it cannot be read ({error.strerror})", "Check its permissions.") from error
    parcel = parse_parcel(text, ground, path.name)
    gather = Gather()

    def shapes(name: str) -> Any:
        try:
            found = read_features(path.parent / name, where=name)
            own = found.table.crs
            if own is not None and own.is_projected and not own.equals(parcel.reference.crs, ignore_axis_order=True):
                what = f"the file says {own.name}, the description says {parcel.reference.name}"
                raise InputError.of(name, what, "Find out which is right and write that.")
            if own is not None and own.is_geographic and parcel.reference.projected:
                what = f"the file is in degrees, the description says {parcel.reference.name}"
                raise InputError.of(name, what, 'Write reference = "NAD83(2011)" or export it in the ground\'s CRS.')
            if found.n_broken:
                line, _, why = found.broken[0]
                raise InputError.of(f"{name} feature {line}", why, "Mend it where it was drawn.")
        except InputError as error:
            gather.take(error)
            return np.empty(0, dtype=object)
        values = shapely.force_2d(np.asarray(found.table.geometry.to_numpy(), dtype=object))
        moved = to_grid(shapely.get_coordinates(values), parcel.reference, ground.crs, where=name)
        return shapely.set_coordinates(values, moved)

    outline = shapes(parcel.outline)
    road = shapes(parcel.road) if parcel.road else None
    parts = [pd.DataFrame({"kind": kind, "geometry": shapes(file)}) for kind, file in parcel.keep_away]
    things = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"kind": [], "geometry": []})
    dem = None
    if parcel.dem is not None:
        try:
            file, unit = parcel.dem
            dem = read_dem(path.parent / file, ground.crs.crs, ground.unit, heights=unit, where=file)
        except InputError as error:
            gather.take(error)
    if not len(gather) and len(outline) != 1:
        gather.add(parcel.outline, f"it holds {len(outline)} areas", "Give one parcel.")
    gather.raise_if_any()
    shape = outline[0].geoms[0] if outline[0].geom_type == "MultiPolygon" and len(outline[0].geoms) == 1 else outline[0]
    return parcel, shape, things, None if road is None or not len(road) else shapely.union_all(road), dem


def plan_parcel(
    ground: Ground, path: Path, *, every: bool = False, modules: Sequence[str] = (), most: int = 6
) -> Expansion:
    """Plan a parcel: usable land, layouts in the default or all directions, the choices worth looking at.

    Parameters
    ----------
    ground : Ground
    path : Path
        Description of the parcel.
    every : bool
        Try every direction, degree by degree.
    modules : sequence of str
        Only these of the parcel's modules.
    most : int
        Most choices kept.

    Raises
    ------
    InputError
        For a parcel, gate, file or rule that cannot be used.
    """
    parcel, shape, things, road, dem = read_parcel(ground, path)
    names = [module.name for module in parcel.modules]
    unknown = [name for name in modules if name not in names]
    if unknown:
        raise InputError.of(
            "module", f"the parcel has no {', '.join(map(repr, unknown))}", f"It has: {', '.join(names)}."
        )
    chosen = [module for module in parcel.modules if not modules or module.name in modules]
    main, rules, unit = chosen[0], parcel.rules, ground.unit
    least = main.frontage * (main.depth + main.drive)
    check_parcel(shape, parcel.gates, least=least, drive=main.drive, unit=unit, where=parcel.outline)
    land = usable_land(shape, things, rules, unit=unit, dem=dem, where=parcel.outline, least=least)
    turn = float(convergence(np.array([shape.centroid.coords[0]]), ground.crs)[0])
    made = Expansion(ground, parcel, land, things, road, convergence_deg=turn)
    azimuths = default_directions(shape, road, turn)
    lay = partial(
        lay_out, land=land, gates=parcel.gates, rules=rules, unit=unit, heads=parcel.heads - turn, phases=parcel.phases
    )
    if every:
        best = best_directions(land, main, rules["layout.resolution"], tell=lambda said: log.info("%s", said))
        azimuths |= {f"rows at {azimuth:.0f}°": azimuth for azimuth, _, _ in best}
    tried = []
    for module in chosen:
        for name, azimuth in azimuths.items():
            log.info("laying out %s, %s", module.name, name)
            tried.append(lay(f"{module.name}, {name}", module=module, azimuth=azimuth))
    bodies = [choice for choice in tried if choice.module.kind == main.kind and choice.spaces]
    same = [c for c in bodies if c.module.frontage == main.frontage and c.module.depth == main.depth]
    made.choices = frontier(same, most)
    kept = {id(choice) for choice in made.choices}
    for module in chosen[1:]:
        mine = [choice for choice in tried if choice.module is module and choice.spaces]
        if mine and not any(id(choice) in kept for choice in mine):
            made.others.append(max(mine, key=lambda choice: choice.spaces))
    if not made.choices:
        said = "; ".join(f"{row.reason} {row.area:,.0f}" for row in land.pieces.itertuples())
        raise InputError.of(parcel.outline, f"not one lot fits (square {unit.suffix}: {said})", "Try a smaller module.")
    return made
