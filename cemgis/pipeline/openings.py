"""An opening of a ground, planned from its order, with its sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cemgis import sheets
from cemgis.errors import InputError
from cemgis.files.descriptions import read_description
from cemgis.files.whole import input_error, write_bytes, write_text
from cemgis.opening import VERDICTS, Order, Plan, out_of_date, parse_order, plan_opening, say
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.niches import PlannedNiche, is_niche, open_niche
from cemgis.pipeline.opening_site import find_place, find_space, say_value, site_of, tie_numbers
from cemgis.pipeline.recording import today
from cemgis.places import label_key
from cemgis.reference import to_lonlat
from cemgis.units import say_length

if TYPE_CHECKING:
    from cemgis.ground import Container
    from cemgis.pipeline.run import Run

__all__ = ["Planned", "context_of", "open_grave", "plan"]


@dataclass
class Planned:
    """A planned opening and the files made of it.

    Parameters
    ----------
    plan : Plan
    run : Run
    made : list of Path
    record : dict or None
    remarks : tuple of str
        What to ask about the order before anything else.
    """

    plan: Plan
    run: Run
    made: list[Path] = field(default_factory=list)
    record: dict[str, Any] | None = None
    remarks: tuple[str, ...] = ()

    def words(self) -> str:
        """Say the verdict and its reasons."""
        unit = self.run.ground.unit
        lines = [f"{self.plan.site.space_id}: {self.plan.verdict.upper()}"]
        if self.plan.verdict == VERDICTS[2]:
            lines.append("  Probe before you dig. A person signs.")
        lines += [f"  {reason.verdict}: {reason.text}." for reason in self.plan.reasons]
        lines += [f"  {remark}" for remark in self.remarks]
        strike_words = f"{100 * self.plan.strike.any:.1f} %"
        lines.append(f"  chance of striking a neighbour {strike_words}; earth left {say(self.plan.earth_left, unit)}")
        if self.plan.ties is not None and self.plan.verdict != VERDICTS[0]:
            lines.append(
                f"  as taped, the dig lies within {say_length(self.plan.ties.radius, unit)} of its place in the space "
                "(95 %)"
            )
        if self.plan.site.backing:
            lines.append(f"  {self.plan.site.backing}")
        lines += [f"  {path}" for path in self.made]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "space": self.plan.site.space_id,
            "verdict": self.plan.verdict,
            "reasons": [{"verdict": reason.verdict, "text": reason.text} for reason in self.plan.reasons],
            "remarks": list(self.remarks),
            "container": self.plan.container.name,
            "strike": self.plan.strike.any,
            "earth_left": self.plan.earth_left,
            "radius_95": None if self.plan.ties is None else self.plan.ties.radius,
            "corners": self.plan.dig.corners.round(4).tolist(),
            "made": [str(path) for path in self.made],
        }


def plan(run: Run, order: Order, container: Container) -> Plan:
    """Plan one opening on a computed ground.

    Raises
    ------
    InputError
        For a space that does not exist.
    """
    ground = run.ground
    space_id = find_space(run, order.space)
    day = date.fromisoformat(order.date) if order.date else None
    site = site_of(run, space_id, machine=container.kind != "urn", day=day)
    return plan_opening(
        site, order, container, ground.equipment, rules=ground.rules, unit=ground.unit, tie_numbers=tie_numbers(ground)
    )  # fmt: skip


def open_grave(
    folder: Path, space: str, *, order: Path, container: str | None = None, out: Path | None = None,
    paper: str = "both", run: Run | None = None, day: str | None = None,
) -> Planned | PlannedNiche:  # fmt: skip
    """Plan an opening and write its sheets: the opening sheet, the checker's sheet, the phone page; one of a niche.

    Parameters
    ----------
    folder : Path
    space : str
    order : Path
        TOML file with the order.
    container : str, optional
        Name in ``ground.toml``; goes before what the order names, and the sheets say so.
    out : Path, optional
        Folder for the sheets; ``sheets/<space>`` of the ground when left out.
    paper : str
        ``letter``, ``A4`` or ``both``.
    run : Run, optional
        Computed already.
    day : str, optional
        ISO day on which the sheets are made; today when left out. An order for an earlier day is remarked upon.

    Raises
    ------
    InputError
        For an unknown space, container or order; when something cannot be written. Nothing is recorded here.
    """
    ground = read_ground(folder) if run is None else run.ground
    try:
        ordered = parse_order(read_description(order, str(order)), ground.unit, order.name)
    except InputError as error:
        try:
            if container is not None:
                ground.container(container)
        except InputError as other:
            raise InputError(*error.problems, *other.problems) from None
        raise
    name = container or ordered.container
    if name is None:
        there = ", ".join(item.name for item in ground.containers) or "none is declared"
        raise InputError.of(
            order.name, "it names no container, and none was given",
            f'Write container = "..." in it, or give --container: {there}.',
        )  # fmt: skip
    box = ground.container(name)
    run = compute(folder) if run is None else run
    space_id = find_place(run, space)
    remarks = [out_of_date(ordered, day or today())]
    if ordered.container is not None and label_key(ordered.container) != label_key(box.name):
        remarks.append(f"The order names the container {ordered.container}; this is planned for {box.name}, as told.")
    told = tuple(remark for remark in remarks if remark)
    if is_niche(run, space_id):
        return open_niche(folder, run, space_id, ordered, box, out=out, paper=paper, remarks=told)
    site = site_of(
        run, space_id, machine=box.kind != "urn", day=date.fromisoformat(ordered.date) if ordered.date else None
    )  # fmt: skip
    made = plan_opening(
        site, ordered, box, ground.equipment, rules=ground.rules, unit=ground.unit, tie_numbers=tie_numbers(ground)
    )  # fmt: skip
    planned = Planned(made, run, remarks=told)
    planned.made += _write_sheets(folder, planned, out, paper)
    return planned


def _write_sheets(folder: Path, planned: Planned, out: Path | None, paper: str) -> list[Path]:
    run = planned.run
    target = out if out is not None else folder / "sheets" / planned.plan.site.space_id
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    context = replace(context_of(run, planned.plan), remarks=planned.remarks)
    papers = ("letter", "A4") if paper == "both" else (paper,)
    made = []
    for name in papers:
        for kind, maker in (("opening", sheets.opening_sheet), ("checker", sheets.checker_sheet)):
            path = target / f"{kind}-{name.lower()}.pdf"
            write_bytes(path, maker(planned.plan, context, name))
            made.append(path)
    path = target / "phone.html"
    write_text(path, sheets.phone_page(planned.plan, context))
    made.append(path)
    return made


def context_of(run: Run, made: Plan) -> sheets.Context:
    """Return what the sheets of a plan say and draw besides it."""
    facts = map_facts(run.ground.crs, run.tables["run"])
    return sheets.Context(
        facts, run.ground.equipment, run.ground.call, run.ground.rules, around=_around(run, made)
    )  # fmt: skip


def _around(run: Run, made: Plan) -> dict[str, Any]:
    """Return what the drawings show besides the plan: spaces and lots around, drives, all markers."""
    tables = run.tables
    middle = made.dig.corners.mean(axis=0)
    foot = 1.0 if run.ground.unit.is_foot else 0.3048
    window = shapely.Point(middle).buffer(160.0 * foot)
    out: dict[str, Any] = {}
    for name, key in (("spaces", "space_id"), ("lots", "lot_id"), ("drives", "drive_id")):
        table = tables[name]
        shapes = table.geometry.to_numpy()
        near = np.flatnonzero(shapely.intersects(shapes, window)) if len(table) else np.empty(0, dtype=int)
        out[name] = [(str(table[key].iloc[k]), shapes[k]) for k in near]
    states = tables["spaces"].set_index("space_id")["state"]
    out["states"] = {name: say_value(states.get(name)) for name, _ in out["spaces"]}
    out["sides"] = _sides(run, made, out["spaces"])
    out["lonlat"] = [round(float(value), 5) for value in to_lonlat(middle[None], run.ground.crs)[0]]
    section = tables["sections"]
    hit = section[(section["section"] == made.site.section).fillna(value=False)]
    out["section_title"] = say_value(hit["title"].iloc[0]) if len(hit) else ""
    return out


def _sides(run: Run, made: Plan, spaces: Sequence[tuple[str, Any]]) -> dict[str, tuple[str, str, str]]:
    """Return what lies left, right, beyond the head and beyond the foot: space, register, stone."""
    turn = np.radians(made.dig.heads_azimuth)
    ahead = np.array([np.sin(turn), np.cos(turn)])
    right = np.array([ahead[1], -ahead[0]])
    middle = shapely.get_coordinates(shapely.centroid(made.site.shape))[0]
    reach = shapely.get_coordinates(made.site.shape) - middle
    half_width, half_length = float((reach @ right).max()), float((reach @ ahead).max())
    step = 1.0 if run.ground.unit.is_foot else 0.3
    states = run.tables["spaces"].set_index("space_id")["state"]
    out = {}
    for name, way, half in (("left", -right, half_width), ("right", right, half_width),
                            ("head", ahead, half_length), ("foot", -ahead, half_length)):  # fmt: skip
        for far in (1.0, 6.0, 12.0):
            point = shapely.Point(middle + way * (half + far * step))
            hit = [one for one, shape in spaces if one != made.site.space_id and shapely.contains(shape, point)]
            if hit:
                break
        if not hit:
            out[name] = ("", "no space", "")
            continue
        things = [thing for thing in made.site.things if thing.space_id == hit[0]]
        burial = "; ".join(thing.words for thing in things if thing.kind in ("vault", "burial", "probable grave"))
        stone = "; ".join(thing.words for thing in things if thing.kind == "monument")
        out[name] = (hit[0], burial or say_value(states.get(hit[0])), stone or "none recorded")
    return out
