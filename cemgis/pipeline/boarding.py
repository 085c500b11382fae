"""What a board is asked every year: how many are left and until when, as tables, a forecast and a report."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis import planning
from cemgis.capacity import LOST_USES, still_possible, sum_lost, sum_possible, too_steep, under_stones
from cemgis.errors import InputError
from cemgis.files.export import csv_text
from cemgis.files.layers_file import write_layers
from cemgis.files.raster import read_dem
from cemgis.files.whole import input_error, write_bytes, write_text
from cemgis.forecast import POOLS, Forecast, forecast, takings
from cemgis.pipeline.compute import compute
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.run import Run, plain
from cemgis.rules import Rules
from cemgis.terrain import slope_percent, slope_under

__all__ = [
    "Outlook",
    "add_possible",
    "count_left",
    "count_possible",
    "foresee",
    "report_outlook",
    "say_left",
    "say_possible",
    "say_until",
]

log = logging.getLogger("cemgis")

FOLDER = Path("reports")
_CAPACITY_RULES = (
    "space.full_burials",
    "space.urns",
    "space.second_urns",
    "space.grave_share",
    "space.stone_share",
    "clearance.sure",
    "clearance.vault_to_space",
    "clearance.obstacle_to_space",
    "land.slope",
)


@dataclass
class Outlook:
    """Capacity and forecast of a ground.

    Parameters
    ----------
    run : Run
    possible : DataFrame
        One row a space: see `cemgis.capacity.still_possible`.
    sums : DataFrame
        The same by section and kind.
    lost : DataFrame
        Spaces that are lost, by section and by what to: see `cemgis.capacity.sum_lost`.
    made : Forecast or None
        None when no burial and no right has a year.
    made_files : list of Path
    notes : tuple of str
        Of the heights.
    until : tuple of str
        Chances to last until a year that was asked for.
    """

    run: Run
    possible: pd.DataFrame
    sums: pd.DataFrame
    lost: pd.DataFrame
    made: Forecast | None
    made_files: list[Path]
    notes: tuple[str, ...] = ()
    until: tuple[str, ...] = ()

    def words(self) -> str:
        """Say it."""
        lines = [self.run.ground.name, *(self.made.words() if self.made else say_possible(self.possible))]
        lines += self.until
        lines += ["", *say_lost(self.lost), *self.notes]
        if self.made is not None:
            lines += ["", "By section:", *(f"  {name}: {said}" for name, said in self.made.section_words())]
            lines += ["", *self.made.assumptions]
        lines += ["", "Made:", *(f"  {path}" for path in self.made_files)] if self.made_files else []
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Say it as plain values."""
        pools = {}
        made = self.made
        for pool, item in made.pools.items() if made else ():
            named = {"low": item.low, "likely": item.likely, "middle": item.middle, "high": item.high}
            years = {name: (None if np.isinf(value) else value) for name, value in named.items()}
            pools[pool] = {
                "left": item.left, "beside": item.aside, "cannot_be_said": item.unsaid, "a_year": round(item.a_year, 3),
                "plain_years": None if np.isinf(item.plain) else round(item.plain, 2), "full": years,
                "chance_lasts": {str(year): round(float(chance), 4) for year, chance in item.lasts.iloc[9::10].items()},
                "moves": plain(item.moves.replace([np.inf, -np.inf], np.nan)).to_dict("records"),
            }  # fmt: skip
        return {
            "ground": self.run.ground.name, "capacity": plain(self.sums).to_dict("records"),
            "lost": plain(self.lost).to_dict("records"), "notes": list(self.notes), "pools": pools,
            "until": list(self.until), "sections": plain(made.sections()).to_dict("records") if made else [],
            "backtest": plain(made.backtest).to_dict("records") if made else [],
            "assumptions": list(made.assumptions) if made else [],
            "made": [str(path) for path in self.made_files],
        }  # fmt: skip


def foresee(folder: Path, *, dated: bool = True) -> Outlook:
    """Compute a ground and say how many burials are possible and until when.

    Parameters
    ----------
    folder : Path
    dated : bool
        Refuse a ground whose register has no year; otherwise its forecast is left out.

    Raises
    ------
    InputError
        When the input cannot be used, or no burial and no right has a year.
    """
    run = compute(folder)
    tables, rules = run.tables, run.ground.rules
    possible, notes = count_possible(run)
    taken, burials = takings(tables["spaces"], tables["events"], tables["rights"], tables["niches"])
    years = pd.concat([taken["year"], burials["year"]]).dropna()
    if not len(years) and dated:
        what = "no burial and no right has a year"
        raise InputError.of(
            "register", what, "A forecast needs the register's dates; `cemgis capacity` counts without them."
        )
    made = None
    if len(years):
        last = min(int(years.max()), run.as_of.year - 1)
        left = count_left(possible)
        made = forecast(
            taken,
            burials,
            left.groupby("pool")["left"].sum().to_dict(),
            last_year=last,
            rules=rules,
            by_section=left,
            aside=say_left(possible),
        )
    return Outlook(run, possible, sum_possible(possible), sum_lost(possible), made, [], notes)


def count_possible(run: Run) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Say of each space of a computed ground what it is still good for; with notes of the heights.

    Raises
    ------
    InputError
        When the heights cannot be used.
    """
    tables, rules = run.tables, run.ground.rules
    slope, notes = _slopes(run)
    possible = still_possible(
        tables["spaces"], tables["niches"], rules=rules, events=tables["events"], clearances=tables["clearances"],
        stones=under_stones(tables["spaces"], tables["monuments"], rules),
        steep=None if slope is None else too_steep(tables["spaces"]["space_id"], slope, rules),
        unit=run.ground.unit.suffix,
    )  # fmt: skip
    if slope is not None:
        by_id = pd.Series(slope, index=tables["spaces"]["space_id"].to_numpy(dtype=object))
        possible = possible.assign(slope=possible["space_id"].map(by_id).astype(float).round(1))
    return possible, notes


_FREE = ("free", "free, in a lot in use")


def count_left(possible: pd.DataFrame) -> pd.DataFrame:
    """Count free spaces by section and kind, kinds in the order of `POOLS`.

    Examples
    --------
    >>> possible = pd.DataFrame({"section": ["A", "A", "B"], "kind": "full", "use": ["free", "lost", "used"]})
    >>> count_left(possible)[["section", "pool", "left"]].values.tolist()
    [['A', 'full', 1], ['B', 'full', 0]]
    """
    free = possible["use"].isin(_FREE)
    table = free.groupby([possible["section"].astype(str), possible["kind"].astype(str)]).sum().rename("left")
    table = table.reset_index().rename(columns={"kind": "pool"})
    order = {pool: place for place, pool in enumerate(POOLS)}
    table = table[table["pool"].isin(list(order)).to_numpy()]
    return table.sort_values("pool", key=lambda pool: pool.map(order), kind="stable", ignore_index=True)


def say_left(possible: pd.DataFrame) -> dict[str, str]:
    """Say by kind how what is left comes from what the records call vacant, and what is not settled.

    Examples
    --------
    >>> possible = pd.DataFrame({
    ...     "kind": "full", "state": ["vacant", "vacant", "in doubt"],
    ...     "use": ["free", "lost", "not before it is settled"], "lost_to": ["", "slope", "doubt"]})
    >>> say_left(possible)
    {'full': '2 vacant, less 1 lost to slope; 1 more not before it is settled'}
    """
    said = {}
    for pool in POOLS:
        mine = possible[(possible["kind"] == pool).to_numpy()]
        gone = mine[((mine["state"] == "vacant") & mine["use"].isin(LOST_USES)).to_numpy()]
        open_ = int((mine["use"] == "not before it is settled").sum())
        parts = []
        if len(gone):
            why = " and ".join(f"{number:,} to {what}" for what, number in gone["lost_to"].value_counts().items())
            parts.append(
                f"{int((mine['state'] == 'vacant').sum()):,} vacant, less {why.replace(' to ', ' lost to ', 1)}"
            )
        if open_:
            parts.append(f"{open_:,} more not before {'it is' if open_ == 1 else 'they are'} settled")
        if parts:
            said[pool] = "; ".join(parts)
    return said


def say_possible(possible: pd.DataFrame) -> list[str]:
    """Say by kind what can still be given out, with the difference to what is called vacant.

    Examples
    --------
    >>> possible = pd.DataFrame({"section": "A", "kind": "full", "state": ["vacant", "vacant"],
    ...                          "use": ["free", "lost"], "lost_to": ["", "slope"]})
    >>> say_possible(possible)
    ['Spaces for full burials: 1 left (2 vacant, less 1 lost to slope).']
    """
    aside = say_left(possible)
    lines = []
    for pool, left in count_left(possible).groupby("pool", sort=False)["left"].sum().items():
        name = POOLS[str(pool)]
        beside = f" ({aside[str(pool)]})" if str(pool) in aside else ""
        lines.append(f"{name[0].upper()}{name[1:]}: {int(left):,} left{beside}.")
    return lines


def _slopes(run: Run) -> tuple[npt.NDArray[np.float64] | None, tuple[str, ...]]:
    """Slope under every space in percent, from the ground's heights; None without any."""
    entry, ground = run.ground.terrain, run.ground
    if entry is None:
        return None, ("No heights are given: no space is lost to slope.",)
    dem = read_dem(ground.folder / entry.file, ground.crs.crs, ground.unit, heights=entry.heights, where=entry.file)
    slope = slope_percent(dem.heights, dem.cell_x, dem.cell_y)
    under = slope_under(dem, slope, np.asarray(run.tables["spaces"].geometry, dtype=object))
    notes = [dem.note] if dem.note else []
    if (bare := int(np.isnan(under).sum())) == len(under):
        what = "not one space lies on it"
        raise InputError.of(entry.file, what, "Check its reference, or take [terrain] out of ground.toml.")
    if bare:
        notes.append(f"No height is known under {bare:,} spaces: they are not lost to slope.")
    return under, tuple(notes)


def say_lost(lost: pd.DataFrame) -> list[str]:
    """Say what spaces are lost to, in one line for the ground.

    Examples
    --------
    >>> say_lost(pd.DataFrame({"section": ["A", "B"], "trees": [2, 1], "slope": [0, 4], "total": [2, 5]}))
    ['Lost: 7 spaces: 3 to trees, 4 to slope.']
    """
    sums = lost.drop(columns="section").sum()
    total = int(sums.pop("total"))
    if not total:
        return ["No space is lost."]
    parts = ", ".join(f"{int(number):,} to {what}" for what, number in sums.items() if number)
    return [f"Lost: {total:,} space{'s' if total > 1 else ''}: {parts}."]


def rules_used(rules: Rules, names: Iterable[str]) -> list[tuple[str, str, str]]:
    """Name, value and source of rules, for a report."""
    found = [rules.rule(name) for name in names]
    return [
        (
            rule.name,
            rule.said,
            rule.source if rule.source.startswith(rule.kind) else f"{rule.kind}: {rule.source}",
        )
        for rule in found
    ]


def add_possible(run: Run) -> None:
    """Have a run say, beside what the records call vacant, what can still be given out.

    Raises
    ------
    InputError
        When the heights cannot be used.
    """
    possible, notes = count_possible(run)
    run.said += [*say_possible(possible), *notes]
    run.facts["still_possible"] = plain(sum_possible(possible)).to_dict("records")


def report_outlook(folder: Path, found: Outlook) -> list[Path]:
    """Write the report for the board: PDF, HTML, and CSV of the counts and of every space that is not counted.

    Raises
    ------
    InputError
        When something cannot be written.
    """
    run, outlook = found.run, found.made
    if outlook is None:
        raise InputError.of("register", "no burial and no right has a year", "A report needs the register's dates.")
    facts = map_facts(run.ground.crs, run.tables["run"])
    names = [*_CAPACITY_RULES, *(name for name in run.ground.rules if name.startswith("forecast."))]
    rules = rules_used(run.ground.rules, names)
    log.info("drawing the report")
    pages = planning.board_pages(
        found.sums, found.possible, run.tables["spaces"], outlook, facts, rules, lost=found.lost, notes=found.notes
    )
    lost = found.possible[found.possible["use"].isin(LOST_USES).to_numpy()]
    sections = sorted(set(found.possible["section"]))
    pictures = [("Chance that some are left, by year", planning.print_png(planning.chances_chart(outlook), 150))]
    pictures.append(("The years counted, and looking back", planning.print_png(pages[1], 110)))
    for name, page in zip(sections, pages[2:-1], strict=True):
        pictures.append((f"Section {name}: what its spaces are good for, on a map", planning.print_png(page, 90)))
    target = folder / FOLDER
    make_folder(target)
    content = {
        "board.html": planning.board_html(found.sums, lost, outlook, facts, rules, pictures),
        "capacity.csv": csv_text(plain(found.sums)),
        "lost.csv": csv_text(plain(lost.drop(columns=["full", "urns", "full_held", "urns_held"]))),
        "years.csv": csv_text(plain(outlook.counts)),
        "chances.csv": csv_text(plain(chances_csv(outlook))),
        "sections.csv": csv_text(plain(sections_csv(outlook))),
    }
    made = [target / "board.pdf", target / "capacity.gpkg"]
    write_bytes(made[0], planning.print_pages(pages, facts, f"How many are left: {facts.name}"))
    shapes = run.tables["spaces"].set_index("space_id").geometry
    drawn = found.possible[found.possible["space_id"].isin(shapes.index).to_numpy()]
    layer = gpd.GeoDataFrame(drawn, geometry=shapes.reindex(drawn["space_id"]).to_numpy(), crs=run.ground.crs.crs)
    lost_here = layer["use"].isin(LOST_USES).to_numpy()
    write_layers(made[1], {"spaces": layer, "lost": layer[lost_here]}, run.ground.crs.crs, run.as_of)
    for name, text in content.items():
        made.append(target / name)
        write_text(made[-1], text)
    found.made_files = made
    return made


def chances_csv(made: Forecast) -> pd.DataFrame:
    """Chance that some of each kind are left at the end of a year, one row a year."""
    pools = {pool: item.lasts.round(4) for pool, item in made.pools.items() if not item.unsaid}
    return pd.DataFrame(pools).rename_axis("year").reset_index()


def say_until(made: Forecast | None, year: int) -> list[str]:
    """Say the chance that each kind lasts to the end of a year.

    Raises
    ------
    InputError
        For a year the forecast does not look at.
    """
    lines = []
    for pool, item in made.pools.items() if made else ():
        if item.unsaid or not item.left:
            continue
        first, last = int(item.lasts.index[0]), int(item.lasts.index[-1])
        if not first <= year <= last:
            raise InputError.of("until", f"{year} is not looked at", f"Give a year from {first} to {last}.")
        said = f"{100 * item.chance_lasts(year):.0f} %"
        lines.append(f"{POOLS[pool][0].upper()}{POOLS[pool][1:]}: {said} that some are left at the end of {year}.")
    return lines


def sections_csv(made: Forecast) -> pd.DataFrame:
    """When each section is full, for a spreadsheet: years are empty beyond the horizon or where none can be said."""
    table = made.sections()
    names = {
        "a_year": "taken_a_year", "plain": "years_by_division", "low": "full_from", "likely": "full_most_likely",
        "middle": "full_as_likely_before_as_after", "high": "full_until", "lasts": "chance_past_horizon",
    }  # fmt: skip
    table["plain"] = [float(f"{value:.2g}") if value >= 10 else round(value, 1) for value in table["plain"]]
    table = table.rename(columns=names).round({"taken_a_year": 2, "chance_past_horizon": 3})
    for name in ("left", "full_from", "full_most_likely", "full_as_likely_before_as_after", "full_until"):
        table[name] = table[name].astype("Float64").round().astype("Int64")
    return table


def make_folder(path: Path) -> None:
    """Make a folder to write to.

    Raises
    ------
    InputError
        When that cannot be done.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(path, error) from error
