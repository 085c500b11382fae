"""Openings: planned from a ground, ordered, closed, listed."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from cemgis import edits
from cemgis.errors import Gather, InputError
from cemgis.files import records as record_files
from cemgis.files.whole import input_error, write_bytes, write_text
from cemgis.layers import OPENING_STATES
from cemgis.opening import VERDICTS, Order, Plan, Site, parse_order, place_dig, plan_opening, say
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.opening_records import OPENING_KIND
from cemgis.pipeline.opening_site import find_space, say_value, site_of, tie_numbers
from cemgis.places import label_key
from cemgis.ties import CORNERS, AsBuilt, as_built, dig_corners
from cemgis.units import parse_length, say_length

if TYPE_CHECKING:
    from cemgis.ground import Container
    from cemgis.pipeline.run import Run

__all__ = ["Planned", "close_opening", "list_openings", "open_grave", "order_opening", "plan", "say_opening"]

log = logging.getLogger("cemgis")
_LOG = "openings"


@dataclass
class Planned:
    """A planned opening and the files made of it.

    Parameters
    ----------
    plan : Plan
    run : Run
    made : list of Path
    record : dict or None
    """

    plan: Plan
    run: Run
    made: list[Path] = field(default_factory=list)
    record: dict[str, Any] | None = None

    def words(self) -> str:
        """Say the verdict and its reasons."""
        unit = self.run.ground.unit
        lines = [f"{self.plan.site.space_id}: {self.plan.verdict.upper()}"]
        if self.plan.verdict == VERDICTS[2]:
            lines.append("  Probe before you dig. A person signs.")
        lines += [f"  {reason.verdict}: {reason.text}." for reason in self.plan.reasons]
        strike_words = f"{100 * self.plan.strike.any:.1f} %"
        lines.append(f"  chance of striking a neighbour {strike_words}; earth left {say(self.plan.earth_left, unit)}")
        if self.plan.ties is not None:
            lines.append(
                f"  as taped, the dig lies within {say_length(self.plan.ties.radius, unit)} of its place in the space "
                "(95 %)"
            )
        lines += [f"  {path}" for path in self.made]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "space": self.plan.site.space_id,
            "verdict": self.plan.verdict,
            "reasons": [{"verdict": reason.verdict, "text": reason.text} for reason in self.plan.reasons],
            "strike": self.plan.strike.any,
            "earth_left": self.plan.earth_left,
            "radius_95": None if self.plan.ties is None else self.plan.ties.radius,
            "corners": self.plan.dig.corners.round(4).tolist(),
            "made": [str(path) for path in self.made],
        }


# ---- planning -------------------------------------------------------------------------------------------------------


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
    folder: Path, space: str, *, order: Path, container: str, out: Path | None = None, paper: str = "both",
    run: Run | None = None,
) -> Planned:  # fmt: skip
    """Plan an opening and write its sheets: the opening sheet, the checker's sheet, the phone page.

    Parameters
    ----------
    folder : Path
    space : str
    order : Path
        TOML file with the order.
    container : str
        Name in ``ground.toml``.
    out : Path, optional
        Folder for the sheets; ``sheets/<space>`` of the ground when left out.
    paper : str
        ``letter``, ``A4`` or ``both``.
    run : Run, optional
        Computed already.

    Raises
    ------
    InputError
        For an unknown space, container or order; when something cannot be written. Nothing is recorded here.
    """
    ground = read_ground(folder) if run is None else run.ground
    gather = Gather()
    ordered: Order | None = None
    box: Container | None = None
    try:
        ordered = parse_order(_read(order), ground.unit, order.name)
    except InputError as error:
        gather.take(error)
    try:
        box = ground.container(container)
    except InputError as error:
        gather.take(error)
    gather.raise_if_any()
    if ordered is None or box is None:  # each of them is a problem noted above
        raise InputError.of("open", "no order or no container", "Give both.")
    run = compute(folder) if run is None else run
    space_id = find_space(run, space)
    site = site_of(
        run, space_id, machine=box.kind != "urn", day=date.fromisoformat(ordered.date) if ordered.date else None
    )  # fmt: skip
    made = plan_opening(
        site, ordered, box, ground.equipment, rules=ground.rules, unit=ground.unit, tie_numbers=tie_numbers(ground)
    )  # fmt: skip
    planned = Planned(made, run)
    planned.made += _write_sheets(folder, planned, out, paper)
    return planned


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.of(str(path), f"it cannot be read ({error})", "Name a TOML file with the order.") from None


def _write_sheets(folder: Path, planned: Planned, out: Path | None, paper: str) -> list[Path]:
    from cemgis import sheets

    run = planned.run
    target = out if out is not None else folder / "sheets" / planned.plan.site.space_id
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    facts = map_facts(run.ground.crs, run.tables["run"])
    context = sheets.Context(
        facts, run.ground.equipment, run.ground.call, run.ground.rules,
        around=_around(run, planned.plan),
    )  # fmt: skip
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
    from cemgis.reference import to_lonlat

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


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _latest(records: Iterable[Mapping[str, Any]], space_id: str) -> Mapping[str, Any] | None:
    """Last standing record of the space's latest opening."""
    found = [
        record for record in edits.standing(records)
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    ]  # fmt: skip
    return found[-1] if found else None


def _count(records: Iterable[Mapping[str, Any]], space_id: str) -> int:
    names = {
        record.get("opening_id")
        for record in records
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    }
    return len(names)


def order_opening(folder: Path, planned: Planned, *, who: str, why: str = "ordered") -> dict[str, Any]:
    """Record that an opening was ordered, with its plan.

    Raises
    ------
    InputError
        When one is under way in that space already, or the record cannot be written.
    """
    made, run = planned.plan, planned.run
    kept = run.records
    before = _latest(kept, made.site.space_id)
    if before is not None and before["state"] in ("ordered", "waiting", "opened"):
        raise InputError.of(
            made.site.space_id, f"the opening {before['opening_id']} is {before['state']}",
            "Close or abandon it with `cemgis close` first.",
        )  # fmt: skip
    order = made.order
    box = made.container
    inside = dig_corners(made.dig.corners.mean(axis=0), made.dig.heads_azimuth, box.width, box.length)
    lot = run.tables["spaces"].set_index("space_id")["lot_id"].get(made.site.space_id)
    body = {
        "kind": OPENING_KIND, "opening_id": f"{made.site.space_id}/{_count(kept, made.site.space_id) + 1}",
        "space_id": made.site.space_id, "section": made.site.section, "lot_id": None if pd.isna(lot) else str(lot),
        "state": "ordered", "service": order.date, "person": order.person, "ordered_by": order.ordered_by,
        "authorised_by": order.authorised_by, "right": order.right, "permit": order.permit, "container": box.name,
        "container_kind": box.kind, "size": [box.width, box.length, box.height], "heads": made.site.heads_words or None,
        "bottom_depth": _finite(made.depth.bottom), "verdict": made.verdict,
        "shape": shapely.to_wkt(shapely.Polygon(inside), rounding_precision=4),
        "plan": np.round(inside, 4).tolist(), "crs": run.ground.crs.name, "who": who, "when": _now(), "why": why,
    }  # fmt: skip
    (written,) = record_files.append(folder / "records", _LOG, [{k: v for k, v in body.items() if v is not None}])
    planned.record = written
    return written


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def close_opening(
    folder: Path, space: str, *, state: str, who: str, why: str = "", day: str | None = None, taped: Sequence[str] = (),
    container: str | None = None, person: str | None = None, top: str | None = None, water: str | None = None,
    soil: str | None = None, photo: str | None = None, note: str | None = None, run: Run | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Record how far an opening is, and what lies where when it is closed. All or nothing.

    Parameters
    ----------
    folder : Path
    space : str
    state : str
        ``waiting``, ``opened``, ``closed``, ``settled`` or ``abandoned``.
    who, why : str
    day : str, optional
        ISO day; today when left out.
    taped : sequence of str
        ``MARKER, corner, length`` with the corner one of `cemgis.ties.CORNERS`: taped to the container as it lies. At
        least four make the as-built rectangle.
    container, person : str, optional
        When no order was recorded, or something else was set.
    top : str, optional
        Depth to its top.
    water, soil, photo, note : str, optional
    run : Run, optional

    Raises
    ------
    InputError
        With everything that cannot be; nothing is recorded then.
    """
    run = compute(folder) if run is None else run
    ground = run.ground
    gather = Gather()
    space_id = find_space(run, space)
    before = _latest(run.records, space_id)
    if state not in OPENING_STATES or state == "ordered":
        gather.add("state", f"{state!r} is none", f"One of: {', '.join(OPENING_STATES[1:])}.")
    order = OPENING_STATES.index(state) if state in OPENING_STATES else 0
    if before is not None and before["state"] in ("settled", "abandoned"):
        if state == "settled":
            gather.add(
                space_id, f"the opening {before['opening_id']} is {before['state']}", "There is nothing to settle."
            )
        before = None
    if before is not None and state != "abandoned" and OPENING_STATES.index(before["state"]) > order:
        gather.add(space_id, f"it is {before['state']} already", "Withdraw that record if it is wrong.")
    depth = None
    if top is not None:
        try:
            depth = parse_length(top, ground.unit, "top")
            if depth < 0:
                gather.add("top", f"{top!r} is negative", "Write the depth under the sod.")
        except InputError as error:
            gather.take(error)
    if day is not None:
        try:
            date.fromisoformat(day)
        except ValueError:
            gather.add("date", f"{day!r} is no date", 'Write "2026-05-04".')
    box: Container | None = None
    name = container or (before or {}).get("container")
    if name is not None:
        try:
            box = ground.container(str(name))
        except InputError as error:
            gather.take(error)
    if state == "closed" and box is None and not gather:
        gather.add("container", "nobody said what was set", "Name it with --container.")
    gather.raise_if_any()
    body: dict[str, Any] = {
        k: v for k, v in (before or {}).items() if k not in ("id", "schema_version", "replaces", "why")
    }
    site = site_of(run, space_id, machine=False)
    if before is None:
        lot = run.tables["spaces"].set_index("space_id")["lot_id"].get(space_id)
        body |= {
            "kind": OPENING_KIND, "opening_id": f"{space_id}/{_count(run.records, space_id) + 1}", "space_id": space_id,
            "section": site.section, "lot_id": None if pd.isna(lot) else str(lot), "heads": site.heads_words or None,
        }  # fmt: skip
    if box is not None:
        body |= {"container": box.name, "container_kind": box.kind, "size": [box.width, box.length, box.height]}
    if taped and box is not None:
        built = _built(run, site, box, body.get("plan"), taped)
        body["shape"] = shapely.to_wkt(shapely.Polygon(built.corners), rounding_precision=4)
        body["sigma"] = round(max(built.sigma, 0.001), 4)
        body["residuals"] = np.round(built.residuals, 4).tolist()
        body["taped"] = list(taped)
        if body.get("plan") is not None:
            body["off_plan"] = round(float(np.hypot(*(built.corners - np.array(body["plan"])).T).max()), 4)
    elif state == "closed" and "sigma" not in body:
        # nobody measured: it is taken to lie where it was planned, and is no better than any burial nobody measured
        body.pop("shape", None)
    told = {"top_depth": depth, "water": water, "soil": soil, "photo": photo, "note": note, "person": person}
    body |= {key: value for key, value in told.items() if value is not None}
    if state == "closed":
        body["buried"] = day or _now()[:10]
    body |= {
        "state": state, "date": day or _now()[:10], "who": who, "when": _now(), "why": why or f"{state} by {who}",
        "crs": ground.crs.name,
    }  # fmt: skip
    if before is not None:
        body["replaces"] = [before["id"]]
    (written,) = record_files.append(folder / "records", _LOG, [{k: v for k, v in body.items() if v is not None}])
    return written


def _built(run: Run, site: Site, box: Container, planned: Any, taped: Sequence[str]) -> AsBuilt:
    """As-built rectangle from what was taped to the container."""
    gather = Gather()
    keys = {label_key(name): k for k, name in enumerate(site.anchors.ids)}
    anchor, corner, distance = [], [], []
    for said in taped:
        parts = [part.strip() for part in said.split(",")]
        where = f"taped {said!r}"
        if len(parts) != 3:
            gather.add(where, "not three parts", 'Write "B-63, head left, 31 ft 4 1/2 in".')
            continue
        if label_key(parts[0]) not in keys:
            gather.add(
                where, f"no trusted marker {parts[0]} within a tape", f"One of: {', '.join(site.anchors.ids[:12])}."
            )
        if parts[1].lower() not in CORNERS:
            gather.add(where, f"there is no corner {parts[1]}", f"One of: {', '.join(CORNERS)}, seen from the foot.")
        try:
            length = parse_length(parts[2], run.ground.unit, where)
        except InputError as error:
            gather.take(error)
            continue
        if label_key(parts[0]) in keys and parts[1].lower() in CORNERS:
            anchor.append(keys[label_key(parts[0])])
            corner.append(CORNERS.index(parts[1].lower()))
            distance.append(length)
    gather.raise_if_any()
    if planned is None:
        azimuth = 0.0 if site.heads_azimuth is None else site.heads_azimuth - site.convergence
        rules = run.ground.rules
        made = place_dig(
            site.shape,
            azimuth,
            (box.width, box.length),
            room=rules["dig.working_room"],
            head_strip=rules["dig.head_strip"],
        )
        planned = dig_corners(made.corners.mean(axis=0), azimuth, box.width, box.length)
    found = as_built(
        anchor,
        corner,
        distance,
        anchors=site.anchors,
        start=np.array(planned, dtype=float),
        size=(box.width, box.length),
        numbers=tie_numbers(run.ground),
        factor=run.factor,
    )
    middle = shapely.Point(found.corners.mean(axis=0))
    far = float(shapely.distance(middle, site.shape))
    if far > site.radius_95 + (1.0 if run.ground.unit.is_foot else 0.3):
        raise InputError.of(
            "as built", f"its middle would lie {say(far, run.ground.unit)} outside of {site.space_id}",
            "Check the markers, the side of the line and the space; record it under the space it lies in.",
        )  # fmt: skip
    return found


def list_openings(run: Run, today: date) -> list[str]:
    """List what is open and not closed, what is due to be looked at for settling, and what is off its plan."""
    openings = run.tables["openings"]
    unit, rules = run.ground.unit, run.ground.rules
    lines = []
    for row in openings.itertuples():
        head = f"{row.opening_id}: {row.state} {row.date}"
        if row.state in ("ordered", "waiting", "opened"):
            lines.append(f"{head}; not closed" + (f"; service {row.service}" if say_value(row.service) else ""))
        elif row.state == "closed":
            gone = (today - date.fromisoformat(str(row.date)[:10])).days
            due = gone >= 7 * rules["close.settle_weeks"]
            lines.append(f"{head}; {'LOOK FOR SETTLING' if due else 'not yet settled'}, {gone // 7} weeks ago")
        if not pd.isna(row.off_plan) and row.off_plan > rules["close.agree"]:
            lines.append(f"{row.opening_id}: lies {say(float(row.off_plan), unit)} from its plan")
    return lines


def say_opening(record: Mapping[str, Any]) -> str:
    """Say a record of an opening in words."""
    lines = [f"Recorded: {record['opening_id']} is {record['state']}, {record['date']}."]
    if "sigma" in record:
        off = "" if "off_plan" not in record else f", at most {record['off_plan']:.2f} from its plan"
        lines.append(
            f"  As built from {len(record.get('taped', ()))} taped distances, sure to {record['sigma']:.2f}{off}."
        )
    elif record["state"] == "closed":
        lines.append("  Nothing was measured: the next opening beside it will not know where it lies.")
    lines.append("  The next build carries it.")
    return "\n".join(lines)
