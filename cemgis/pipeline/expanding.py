"""New ground, end to end: a parcel's files, layouts, sheets; the chosen layout joined to a copy of the ground."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis import planning
from cemgis.drawing import round_step
from cemgis.errors import Gather, InputError
from cemgis.expansion import (
    PRELIMINARY,
    Choice,
    Numbering,
    as_plat,
    best_directions,
    default_directions,
    frontier,
    keeps_heads,
    lay_out,
    lots_table,
)
from cemgis.files.descriptions import read_description
from cemgis.files.export import csv_text
from cemgis.files.layers_file import write_layers
from cemgis.files.raster import read_dem
from cemgis.files.vector import read_features
from cemgis.files.whole import write_bytes, write_text
from cemgis.land import Land, check_parcel, usable_land
from cemgis.layout import Module
from cemgis.parcel import Parcel, parse_parcel
from cemgis.pipeline.boarding import Outlook, foresee, make_folder, rules_used
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.run import plain
from cemgis.pipeline.surveyed import check_declared
from cemgis.reference import convergence, to_grid
from cemgis.terrain import contours

if TYPE_CHECKING:
    from cemgis.ground import Ground
    from cemgis.terrain import Dem

__all__ = ["Expansion", "Planned", "expand", "plan_parcel", "read_parcel"]

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
        Layouts of lots of the main module's size that keep the declared heads and that nothing else beats, the most
        spaces first.
    others : list of Choice
        The best layout of each other module.
    turned : list of Choice
        Layouts that do not keep the declared heads, where they have more spaces or nothing else fits: only when named.
    tried : list of Choice
        All of them.
    """

    ground: Ground
    parcel: Parcel
    land: Land
    things: pd.DataFrame
    road: Any
    choices: list[Choice] = field(default_factory=list)
    others: list[Choice] = field(default_factory=list)
    turned: list[Choice] = field(default_factory=list)
    tried: list[Choice] = field(default_factory=list)

    @property
    def every(self) -> list[Choice]:
        """What is shown, in the order of its numbers."""
        return [*self.choices, *self.others, *self.turned]

    def say_heads(self) -> str:
        """Say whether the declared heads are kept, and what another direction would give."""
        if not self.parcel.heads_declared:
            return "The parcel declares no heads: those of each layout lie at the end nearer to west."
        main = self.parcel.modules[0] if not self.tried else self.tried[0].module
        mine = [choice for choice in self.tried if _alike(choice.module, main)]
        kept = max((c for c in mine if c.keeps_heads), key=lambda c: c.spaces, default=None)
        other = max((c for c in mine if not c.keeps_heads), key=lambda c: c.spaces, default=None)
        if kept is None or not kept.spaces:
            return f"No layout keeps the heads {main_word(mine)} as the parcel declares."
        first = f"Heads {kept.heads_wanted} as the parcel declares: {kept.spaces:,} spaces at most ({kept.name})."
        if other is None:
            return first
        more = other.spaces - kept.spaces
        if more <= 0:
            return f"{first} No direction tried that turns them away has more."
        numbers = [number for number, choice in enumerate(self.every, 1) if choice is other]
        how = f"only with --choose {numbers[0]}" if numbers else "not among those shown"
        many = "1 space more" if more == 1 else f"{more:,} spaces more"
        return f"{first} Heads {other.heads_word} would give {many}: {other.spaces:,} ({other.name}; {how})."


def main_word(choices: Sequence[Choice]) -> str:
    """Side the heads are wanted on."""
    return choices[0].heads_wanted if choices else "where they are wanted"


def _alike(one: Module, other: Module) -> bool:
    return one.kind == other.kind and one.frontage == other.frontage and one.depth == other.depth


def read_parcel(ground: Ground, path: Path) -> tuple[Parcel, Any, pd.DataFrame, Any, Dem | None]:
    """Read a parcel's description and every file it names, into the ground's grid.

    Raises
    ------
    InputError
        With the problems of all files at once.
    """
    if not path.is_file():
        raise InputError.of(str(path), "there is no such file", "Name the parcel's .toml; the README shows one.")
    parcel = parse_parcel(read_description(path, path.name), ground, path.name)
    gather = Gather()

    def shapes(name: str) -> Any:
        try:
            found = read_features(path.parent / name, where=name)
            check_declared(found, parcel.reference, ground, f"{path.name} reference", name)
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
    made = Expansion(ground, parcel, land, things, road)
    azimuths = default_directions(shape, road, turn, parcel.heads)
    heads, most_off = parcel.heads - turn, rules["layout.heads_off"]
    lay = partial(
        lay_out, land=land, gates=parcel.gates, rules=rules, unit=unit, heads=heads, phases=parcel.phases,
        convergence_deg=turn, declared=parcel.heads_declared,
    )  # fmt: skip
    if every:
        degrees = np.arange(0.0, 180.0)
        keeps = np.array([keeps_heads(azimuth, heads, most_off) for azimuth in degrees]) | (not parcel.heads_declared)
        for among, keep in ((degrees[keeps], 3), (degrees[~keeps], 1)):
            if not len(among):
                continue
            best = best_directions(
                land, main, rules["layout.resolution"], keep=keep, tell=lambda said: log.info("%s", said), among=among
            )
            for azimuth, _, _ in best:
                if all(abs((azimuth - other + 90.0) % 180.0 - 90.0) > 0.5 for other in azimuths.values()):
                    azimuths[f"rows at {azimuth:.0f}°"] = azimuth
    for module in chosen:
        for name, azimuth in azimuths.items():
            log.info("laying out %s, %s", module.name, name)
            made.tried.append(lay(f"{module.name}, {name}", module=module, azimuth=azimuth))
    same = [choice for choice in made.tried if _alike(choice.module, main) and choice.spaces]
    if not same:
        said = "; ".join(f"{row.reason} {row.area:,.0f}" for row in land.pieces.itertuples())
        raise InputError.of(parcel.outline, f"not one lot fits (square {unit.suffix}: {said})", "Try a smaller module.")
    straight = [choice for choice in same if choice.keeps_heads]
    turned = max((c for c in same if not c.keeps_heads), key=lambda c: c.spaces, default=None)
    if turned is not None and straight and turned.spaces <= max(choice.spaces for choice in straight):
        turned = None
    made.turned = [] if turned is None else [turned]
    kept = [choice for choice in made.tried if choice.keeps_heads]
    made.choices, made.others = _shown(kept, frontier(straight, len(straight)), chosen, most - len(made.turned))
    return made


def _shown(
    tried: Sequence[Choice], unbeaten: Sequence[Choice], modules: Sequence[Module], most: int
) -> tuple[list[Choice], list[Choice]]:
    """Choose what fits on one sheet: the best of each module first, then what else nothing beats."""
    picked: list[Choice] = []
    for module in modules[:most]:
        mine = [c for c in unbeaten if c.module is module] or [c for c in tried if c.module is module and c.spaces]
        if mine:
            picked.append(max(mine, key=lambda choice: choice.spaces))
    for choice in unbeaten:
        if len(picked) < most and not any(choice is other for other in picked):
            picked.append(choice)
    own = [choice for choice in unbeaten if any(choice is other for other in picked)]
    return own, [choice for choice in picked if not any(choice is other for other in own)]


# ---- what is written ------------------------------------------------------------------------------------------------


@dataclass
class Planned:
    """What a planning run says and wrote.

    Parameters
    ----------
    found : Expansion
    outlook : Outlook
        Of the ground as it is.
    years : dict of str to str
        Choice's name to the years it buys.
    made : list of Path
    """

    found: Expansion
    outlook: Outlook
    years: dict[str, str]
    made: list[Path]

    def words(self) -> str:
        """Say it."""
        found, unit = self.found, self.found.ground.unit
        lines = [f"{found.parcel.name}, beside {found.ground.name}", *found.land.words(unit), *found.land.notes]
        lines += ["", found.say_heads()]
        for number, choice in enumerate(found.every, 1):
            lines += ["", f"{number}. {choice.name}"]
            lines += [f"   {line}" for line in planning.say_choice(choice, unit, self.years.get(choice.name))]
        lines += ["", PRELIMINARY]
        lines += ["", "Made:", *(f"  {path}" for path in self.made)] if self.made else []
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Say it as plain values."""
        found = self.found
        return {
            "parcel": found.parcel.name,
            "unit": found.ground.unit.name,
            "land": [
                {"reason": row.reason, "rule": row.rule, "area": round(float(row.area), 2)}
                for row in found.land.pieces.itertuples()
            ],
            "choices": [
                {
                    "name": choice.name, "spaces": choice.spaces, "lots": len(choice.laid.lots),
                    "best_rows": choice.model,
                    "bound": choice.most, "optimum": choice.is_optimum, "azimuth": choice.azimuth,
                    "heads_azimuth": choice.heads_azimuth, "heads": choice.heads_word,
                    "keeps_heads": choice.keeps_heads, "given_up": choice.taken, "not_reached": choice.unreached,
                    "dead_ends": choice.dead_ends, "circles": choice.circles, "tight": choice.tight,
                    "years": self.years.get(choice.name),
                    **{name: None if np.isnan(value) else round(value, 3) for name, value in choice.measures.items()},
                }
                for choice in found.every
            ],
            "heads": found.say_heads(),
            "made": [str(path) for path in self.made],
        }  # fmt: skip


def expand(
    folder: Path, path: Path | None = None, *, every: bool = False, modules: Sequence[str] = (),
    choice: int | None = None, section: str | None = None, into: Path | None = None,
) -> Planned:  # fmt: skip
    """Plan new ground on a parcel and write layers, sheets and the chosen layout as a plat.

    Parameters
    ----------
    folder : Path
        The ground.
    path : Path, optional
        Description of the parcel; the only one in the ground's ``expansion`` folder when left out.
    every : bool
        Try every direction.
    modules : sequence of str
        Only these of the parcel's modules.
    choice : int, optional
        Number of the choice that is drawn as a plat; the first, if it keeps the declared heads, when left out.
    section : str, optional
        Name of the new section; the next free letter when left out.
    into : Path, optional
        New folder: a copy of the ground with the chosen layout in it, ready to build.

    Raises
    ------
    InputError
        When something cannot be used or written.
    """
    outlook = foresee(folder, dated=False)
    run = outlook.run
    ground = run.ground
    path = path or _only_parcel(folder)
    found = plan_parcel(ground, path, every=every, modules=modules)
    every_choice = found.every
    if choice is None and not found.choices:
        other = found.turned[0]
        what = f"no layout keeps the heads {other.heads_wanted} as the parcel declares"
        remedy = f"--choose {len(every_choice)} lays out {other.spaces:,} spaces with heads {other.heads_word}."
        raise InputError.of("heads", what, remedy)
    choice = 1 if choice is None else choice
    if not 1 <= choice <= len(every_choice):
        raise InputError.of("choice", f"there is no choice {choice}", f"There are {len(every_choice)}.")
    taken = {entry.name for entry in ground.sections}
    section = section or next(name for name in _SECTION_NAMES if name not in taken)
    if section in taken or not section.replace(" ", "").isalnum():
        raise InputError.of("section", f"{section!r} is taken or no name", "Letters and digits; a new one.")
    years = _years(outlook, every_choice)
    facts = map_facts(ground.crs, run.tables["run"])
    rules = rules_used(found.parcel.rules, _rules_of(found))
    pages = planning.planner_pages(
        found.parcel.name, found.land, found.things, found.parcel.gates, every_choice, facts, rules, road=found.road,
        years=years, chosen=choice - 1, heads=found.say_heads(),
        beside=shapely.union_all(run.tables["lots"].geometry.to_numpy()),
    )  # fmt: skip
    numbering = ground_numbering(ground, every_choice[choice - 1].module.kind)
    drawn = as_plat(
        every_choice[choice - 1], section, plat=f"new ground {section}",
        label=partial(_label, ground.marker_label, by_row=numbering.way == "restart"),
        crs_name=_crs_text(ground), date=facts.date, numbering=numbering,
    )  # fmt: skip
    target = folder / "expansion" / path.stem
    make_folder(target)
    lots_file, stakes_file = (f"expansion/{path.stem}/{what}_{section}.csv" for what in ("section", "stakes"))
    entries = drawn.toml.replace("{lots}", lots_file).replace("{stakes}", stakes_file)
    text = {
        target / f"section_{section}.csv": csv_text(plain(drawn.lots)),
        target / f"stakes_{section}.csv": csv_text(plain(drawn.stakes)),
        target / f"corners_{section}.csv": csv_text(plain(drawn.corners)),
        target / f"control_{section}.csv": csv_text(plain(drawn.control)),
        target / f"section_{section}.toml": entries.lstrip("\n"),
    }
    made = [target / "planner.pdf", target / "planner.png", target / "choices.png", target / "expansion.gpkg"]
    write_bytes(made[0], planning.print_pages(pages, facts, f"New ground: {found.parcel.name}"))
    for page, file in zip(pages, made[1:3], strict=True):
        write_bytes(file, planning.print_png(page, 150))
    write_layers(made[3], _layers(found, every_choice, section, ground), ground.crs.crs, run.as_of)
    for file, content in text.items():
        write_text(file, content)
        made.append(file)
    if into is not None:
        made.append(_joined(folder, into, entries, [lots_file, stakes_file]))
    return Planned(found, outlook, years, made)


_SECTION_NAMES = [chr(code) for code in range(ord("A"), ord("Z") + 1)] + [f"X{number}" for number in range(1, 100)]


def _only_parcel(folder: Path) -> Path:
    found = sorted((folder / "expansion").glob("*.toml"))
    if len(found) != 1:
        what = "no parcel is described there" if not found else f"{len(found)} parcels are described there"
        raise InputError.of(str(folder / "expansion"), what, "Name the parcel's .toml.")
    return found[0]


def ground_numbering(ground: Ground, kind: str) -> Numbering:
    """Give the rule by which the ground numbers its lots: that of the last section laid out in rows of such lots."""
    blocks = [(section.name, block) for section in ground.sections for block in section.rows if not block.singles]
    blocks = [item for item in blocks if item[1].kind == kind] or blocks
    if not blocks:
        return Numbering(source="row by row")
    name, block = blocks[-1]
    return Numbering(block.numbering, tuple(block.skip), f"as in section {name}")


def _label(pattern: str, section: str, row: str, lot: str, *, by_row: bool = False) -> str:
    if by_row and "{row}" not in pattern:
        lot = f"{row}-{lot}"
    return pattern.replace("{section}", section).replace("{row}", row).replace("{lot}", lot)


def _crs_text(ground: Ground) -> str:
    code = ground.crs.crs.to_authority()
    return f"{code[0]}:{code[1]}" if code else str(ground.crs.name)


def _rules_of(found: Expansion) -> list[str]:
    """Rules a plan used: those of the pieces of land, of the drives and of the rows."""
    names = [str(rule) for rule in found.land.pieces["rule"] if rule]
    more = [
        "drive.keep_off",
        "drive.slope",
        "drive.dead_end",
        "drive.inner_radius",
        "layout.resolution",
        "layout.reach",
    ]
    return list(dict.fromkeys([*names, *more, "land.smooth"]))


def _years(outlook: Outlook, choices: Sequence[Choice]) -> dict[str, str]:
    """Say how many years each choice buys: the range of the forecast, the plain division; or why it cannot be said."""
    said = {}
    for choice in choices:
        if outlook.made is None:
            said[choice.name] = "years bought cannot be said: no burial and no right has a year"
            continue
        item = outlook.made.pools.get(choice.module.kind)
        if item is None or (item.a_year <= 0 and not item.unsaid):
            what = "the ground has no such spaces" if item is None else "none was taken in the years counted"
            said[choice.name] = f"years bought cannot be said: {what}"
        elif item.unsaid:
            said[choice.name] = f"years bought cannot be said: {item.unsaid}"
        else:
            most = float(len(item.lasts))
            said[choice.name] = say_bought(item.buys(choice.spaces), choice.spaces / item.a_year, item.a_year, most)
    return said


def say_bought(bought: tuple[float, float, float], division: float, a_year: float, most: float) -> str:
    """Say years bought, no finer than they are known and never beyond the years the forecast looks at.

    Parameters
    ----------
    bought : tuple of float
        5, 50 and 95 %.
    division : float
    a_year : float
        Spaces taken a year.
    most : float
        Years the forecast looks ahead.

    Examples
    --------
    >>> say_bought((18.3, 26.1, 41.7), 24.8, 5.1, 150)
    'buys 18 to 40 years (9 in 10), in the middle 26; 25 by division (5.1 taken a year)'
    >>> say_bought((118.0, 190.0, 612.0), 181.2, 5.1, 150)
    'buys 120 years or more (19 in 20); more than 150 by division (5.1 taken a year)'
    >>> say_bought((8000.0, 12174.0, 20000.0), 12174.0, 1.2, 150)
    'buys more than 150 years (19 in 20), also by division (1.2 taken a year)'
    """
    low, middle, high = bought
    pace = f"({a_year:.1f} taken a year)"
    beyond = f"more than {most:.0f}"
    if low > most:
        plain = ", also" if division > most else f"; {_near(division)}"
        return f"buys {beyond} years (19 in 20){plain} by division {pace}"
    plain = beyond if division > most else _near(division)
    if high > most:
        half = "" if middle > most else f", as likely less as more than {_near(middle)}"
        return f"buys {_near(low)} years or more (19 in 20){half}; {plain} by division {pace}"
    return (
        f"buys {_near(low)} to {_near(high)} years (9 in 10), in the middle {_near(middle)}; {plain} by division {pace}"
    )


def _near(years: float) -> str:
    """Say years to two figures, beyond thirty to the nearest five or ten."""
    step = 1 if years < 30 else 5 if years < 100 else 10
    return f"{step * round(years / step)}"


def _layers(found: Expansion, choices: Sequence[Choice], section: str, ground: Ground) -> dict[str, gpd.GeoDataFrame]:
    crs, suffix = ground.crs.crs, ground.unit.suffix
    area = f"area_{suffix}2"
    land = found.land.pieces
    layers = {
        "parcel": gpd.GeoDataFrame({"name": [found.parcel.name]}, geometry=[found.land.parcel], crs=crs),
        "land": gpd.GeoDataFrame(
            {"reason": land["reason"], "rule": land["rule"], area: land["area"].round(2)},
            geometry=[shapely.multipolygons(shapely.get_parts(item)) for item in land["geometry"]], crs=crs,
        ),
        "gates": gpd.GeoDataFrame(
            {"gate": np.arange(1, len(found.parcel.gates) + 1)}, geometry=shapely.points(np.array(found.parcel.gates)),
            crs=crs,
        ),
    }  # fmt: skip
    if len(found.things):
        shapes = list(found.things["geometry"])
        layers["keep_away"] = gpd.GeoDataFrame({"kind": found.things["kind"]}, geometry=shapes, crs=crs)
    if found.land.dem is not None:
        span = float(np.nanmax(found.land.dem.heights) - np.nanmin(found.land.dem.heights))
        lines, heights = contours(found.land.dem, round_step(span, 18))
        layers["contours"] = gpd.GeoDataFrame({f"height_{suffix}": heights}, geometry=lines, crs=crs)
    for number, choice in enumerate(choices, 1):
        lots = lots_table(choice, section, crs, ground_numbering(ground, choice.module.kind))
        layers[f"choice_{number}_lots"] = lots.assign(choice=choice.name, note=PRELIMINARY)
        drives = shapely.multipolygons(shapely.get_parts(choice.drives))
        layers[f"choice_{number}_drives"] = gpd.GeoDataFrame({"choice": [choice.name]}, geometry=[drives], crs=crs)
    return layers


def _joined(folder: Path, into: Path, entries: str, files: Sequence[str]) -> Path:
    """Copy the ground's evidence and records to a new folder and add the new section to it."""
    if into.is_file() or (into.is_dir() and any(into.iterdir())):
        raise InputError.of(str(into), "it is not empty", "Name an empty or new folder.")
    records = sorted(path.relative_to(folder).as_posix() for path in (folder / "records").glob("*.jsonl"))
    for name in [*read_ground(folder).evidence, *records, *files]:
        make_folder((into / name).parent)
        write_bytes(into / name, (folder / name).read_bytes())
    text = (folder / "ground.toml").read_text(encoding="utf-8")
    write_text(into / "ground.toml", text.rstrip("\n") + "\n" + entries)
    return into / "ground.toml"
