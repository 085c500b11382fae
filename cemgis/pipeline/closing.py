"""Recording how far an opening is, what lies where, and remains that are moved; the lists made of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from cemgis import edits
from cemgis.dates import say_date
from cemgis.errors import Gather, InputError
from cemgis.layers import ABANDONED, OPENING_STATES
from cemgis.opening import Site, place_dig, room_for, say
from cemgis.pipeline.compute import compute
from cemgis.pipeline.niches import PlannedNiche, is_niche, lying_in, niche_of
from cemgis.pipeline.opening_records import EVENT_KIND, FOUNDATION_KIND, OPENING_KIND
from cemgis.pipeline.opening_site import find_place, say_value, site_of, tie_numbers
from cemgis.pipeline.recording import at_place, enter, first_and_last, now, read_day
from cemgis.places import label_key
from cemgis.ties import CORNERS, SIDES, AsBuilt, Shot, as_built, dig_corners
from cemgis.units import parse_length

if TYPE_CHECKING:
    from cemgis.ground import Container
    from cemgis.pipeline.openings import Planned
    from cemgis.pipeline.run import Run

__all__ = ["close_opening", "list_openings", "order_opening", "record_move", "say_move", "say_opening"]

_LOG = "openings"
_STONE_STEPS = ("moved", "reset")
_UNDER_WAY = ("ordered", "waiting", "opened")
_MOVES = ("disinterment", "move", "urn placed", "urn removed")


def _of_space(records: Iterable[Mapping[str, Any]], space_id: str) -> list[Mapping[str, Any]]:
    """Last standing record of each opening of a space, the latest opening last."""
    found = [
        record for record in edits.standing(records)
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    ]  # fmt: skip
    return sorted(found, key=lambda record: _number(str(record.get("opening_id"))))


def _number(opening_id: str) -> int:
    end = opening_id.rpartition("/")[2]
    return int(end) if end.isdecimal() else 0


def _count(records: Iterable[Mapping[str, Any]], space_id: str) -> int:
    names = {
        record.get("opening_id")
        for record in records
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    }
    return len(names)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def lot_of(run: Run, space_id: str) -> str | None:
    """Return the lot of a space or niche, if it has one."""
    lot = run.tables["spaces"].set_index("space_id")["lot_id"].get(space_id)
    return None if lot is None or pd.isna(lot) else str(lot)


def order_opening(folder: Path, planned: Planned | PlannedNiche, *, who: str, why: str = "ordered") -> dict[str, Any]:
    """Record that an opening was ordered, with its plan.

    Raises
    ------
    InputError
        When one is under way in that space already, or the record cannot be written.
    """
    run, kept = planned.run, planned.run.records
    space_id = planned.plan.niche.space_id if isinstance(planned, PlannedNiche) else planned.plan.site.space_id
    before = next((one for one in _of_space(kept, space_id) if one["state"] in _UNDER_WAY), None)
    if before is not None:
        raise InputError.of(
            space_id, f"the opening {before['opening_id']} is {before['state']}",
            "Close or abandon it with `cemgis close` first.",
        )  # fmt: skip
    order, box = planned.plan.order, planned.plan.container
    body: dict[str, Any] = {
        "kind": OPENING_KIND, "opening_id": f"{space_id}/{_count(kept, space_id) + 1}", "space_id": space_id,
        "state": "ordered", "service": order.date, "person": order.person, "ordered_by": order.ordered_by,
        "authorised_by": order.authorised_by, "right": order.right, "permit": order.permit, "container": box.name,
        "container_kind": box.kind, "size": [box.width, box.length, box.height], "verdict": planned.plan.verdict,
        "crs": run.ground.crs.name, "who": who, "when": now(), "why": why,
    }  # fmt: skip
    if isinstance(planned, PlannedNiche):
        body |= {"section": planned.plan.niche.section, "place": planned.plan.niche.place}
    else:
        made = planned.plan
        inside = dig_corners(made.dig.corners.mean(axis=0), made.dig.heads_azimuth, box.width, box.length)
        body |= {
            "section": made.site.section, "lot_id": lot_of(run, space_id), "heads": made.site.heads_words or None,
            "bottom_depth": _finite(made.depth.bottom), "former": _former(made.site),
            "shape": shapely.to_wkt(shapely.Polygon(inside), rounding_precision=4),
            "plan": np.round(inside, 4).tolist(),
        }  # fmt: skip
    written = enter(folder, _LOG, body, known=kept, about=at_place(space_id))
    planned.record = written
    return written


def _former(site: Site) -> str | None:
    return "; ".join(site.former) or None


def close_opening(
    folder: Path, space: str, *, state: str, who: str, why: str = "", day: str | None = None, taped: Sequence[str] = (),
    shots: Sequence[str] = (), probes: Sequence[str] = (), container: str | None = None, person: str | None = None,
    top: str | None = None, water: str | None = None, soil: str | None = None, photo: str | None = None,
    stones: Sequence[str] = (), stored: str | None = None, because: str | None = None, note: str | None = None,
    without_order: str | None = None, run: Run | None = None,
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
        ISO day, ``today``, or EDTF where it is not known to the day. No day is ever made up: what is closed may take
        the day of the service from its order, and the record says so; everything else needs one.
    taped : sequence of str
        ``MARKER, corner, length`` with the corner one of `cemgis.ties.CORNERS`: taped to the container as it lies.
    shots : sequence of str
        ``corner, E, N`` and if known the standard deviation: corners read with a survey receiver, grid.
    probes : sequence of str
        ``side, E, N`` and if known the standard deviation: where a probe felt the edge of that side.
        Four measurements, a corner shot being two, make the as-built rectangle.
    container, person : str, optional
        When no order was recorded, or something else was set.
    top : str, optional
        Depth to its top.
    water, soil, photo, note : str, optional
    stones : sequence of str
        ``stone, moved`` and, when it stands again, ``stone, reset``.
    stored : str, optional
        Where the one to be buried waits.
    because : str, optional
        Why it was abandoned, one of `cemgis.layers.ABANDONED`.
    without_order : str, optional
        Why there is no order. An opening that nobody ordered is recorded only with that, and a finding stays.
    run : Run, optional

    Raises
    ------
    InputError
        With everything that cannot be; nothing is recorded then.
    """
    run = compute(folder) if run is None else run
    ground = run.ground
    gather = Gather()
    space_id = find_place(run, space)
    niche = is_niche(run, space_id)
    before = _followed(run, space_id, state, without_order, gather)
    again = before is not None and before["state"] == state == "closed"
    depth = _depth(top, run, gather)
    day, dated_by = _day(day, state, before, gather)
    if again and before is not None:
        _completes(before, person, day, container, gather)
    stood = _stones(stones, before, gather)
    if state == "abandoned" and because not in ABANDONED:
        gather.add("because", "nobody said why it was abandoned" if because is None else f"{because!r} is no reason",
                   f"One of: {', '.join(ABANDONED)}.")  # fmt: skip
    elif state != "abandoned" and because is not None:
        gather.add("because", f"given for {state}", "Only what is abandoned has such a reason.")
    if stored is not None and state != "waiting":
        gather.add("stored", f"given for {state}", "Only who waits is stored.")
    box: Container | None = None
    name = container or (before or {}).get("container")
    if name is not None:
        try:
            box = ground.container(str(name))
        except InputError as error:
            gather.take(error)
    if state == "closed" and name is None:
        gather.add("container", "nobody said what was set", "Name it with --container.")
    if (taped or shots or probes) and state not in ("closed", "settled", "abandoned"):
        gather.add("measured", f"given for {state}", "Measure what was set, and record it as closed.")
    elif (taped or shots or probes) and name is None:
        gather.add("measured", "of no container", "Name it with --container.")
    if niche:
        _of_no_niche(state, box, gather, top=top, water=water, soil=soil, measured=bool(taped or shots or probes),
                     because=because)  # fmt: skip
        begins = before is None or before["state"] == "closed"
        if begins and not again and state in ("opened", "waiting", "closed"):
            _room(run, space_id, gather)
    gather.raise_if_any()
    body: dict[str, Any] = {
        k: v for k, v in (before or {}).items() if k not in ("id", "schema_version", "replaces", "why", "stored")
    }
    site = None if niche else site_of(run, space_id, machine=False)
    if before is None:
        body |= {
            "kind": OPENING_KIND,
            "opening_id": f"{space_id}/{_count(run.records, space_id) + 1}",
            "space_id": space_id,
        }
        if site is not None:
            body |= {"section": site.section, "lot_id": lot_of(run, space_id), "heads": site.heads_words or None,
                     "former": _former(site)}  # fmt: skip
        else:
            body |= {"section": niche_of(run, space_id).section, "place": niche_of(run, space_id).place}
    if box is not None:
        body |= {"container": box.name, "container_kind": box.kind, "size": [box.width, box.length, box.height]}
    if (taped or shots or probes) and box is not None and site is not None:
        built = _built(run, site, box, body.get("plan"), taped, shots, probes)
        body["shape"] = shapely.to_wkt(shapely.Polygon(built.corners), rounding_precision=4)
        body["sigma"] = round(max(built.sigma, 0.001), 4)
        body["unit"] = run.ground.unit.suffix
        body["residuals"] = np.round(built.residuals, 4).tolist()
        body |= {"taped": list(taped) or None, "shots": list(shots) or None, "probes": list(probes) or None}
        if body.get("plan") is not None:
            body["off_plan"] = round(float(np.hypot(*(built.corners - np.array(body["plan"])).T).max()), 4)
    elif state == "closed" and "sigma" not in body:
        # nobody measured: it is taken to lie where it was planned, and is no better than any burial nobody measured
        body.pop("shape", None)
    elif site is not None and state == "abandoned" and because == "remains found" and body.get("shape") is None:
        body["shape"] = shapely.to_wkt(site.shape, rounding_precision=4)  # somewhere in its space
    ordered_for = body.get("person")
    if person is not None and ordered_for is not None and label_key(person) != label_key(str(ordered_for)):
        body.setdefault("ordered_for", ordered_for)
    if note is not None and body.get("note") not in (None, note):
        note = f"{body['note']}; {note}"
    told = {"top_depth": depth, "water": water, "soil": soil, "photo": photo, "note": note, "person": person,
            "stored": stored, "because": because, "stones": stood or None,
            "without_order": without_order}  # fmt: skip
    body |= {key: value for key, value in told.items() if value is not None}
    if state == "closed":
        body |= {"buried": day, "dated_by": dated_by}
    body |= {
        "state": state, "date": day, "who": who, "when": now(), "why": why or f"{state} by {who}",
        "crs": ground.crs.name,
    }  # fmt: skip
    if before is not None:
        # all that led here: were only the last one named, what that one replaced would count again
        body["replaces"] = [before["id"], *(before.get("replaces") or ())]
    return enter(folder, _LOG, body, known=run.records, about=at_place(space_id))


def _of_no_niche(
    state: str, box: Container | None, gather: Gather, *, top: str | None, water: str | None, soil: str | None,
    measured: bool, because: str | None,
) -> None:  # fmt: skip
    """Note what is told of a niche and can only be of a grave."""
    if state == "settled":
        gather.add("state", "a niche does not settle", "It is done when it is closed.")
    if box is not None and box.kind != "urn":
        gather.add("container", f"{box.name} is no urn", "A niche takes an urn: name it with --container.")
    for name, given in (("top", top is not None), ("water", water is not None), ("soil", soil is not None),
                        ("measured", measured)):  # fmt: skip
        if given:
            gather.add(name, "given for a niche", "Nothing is dug there: leave it out.")
    if because in ("water", "rock"):
        gather.add("because", f"{because} is no reason at a niche", "Say --because other and --note.")


def _day(
    said: str | None, state: str, before: Mapping[str, Any] | None, gather: Gather
) -> tuple[str | None, str | None]:  # fmt: skip
    """Return the day a record tells of, and where it is from when nobody gave it; noting where nobody knows it."""
    if said is not None:
        return read_day(said, gather, before), None
    if before is not None and before["state"] == state == "closed":  # more of the same burial
        return before.get("buried"), before.get("dated_by")
    # who waited in winter storage was not buried on the day of the service
    service = None if before is None or before["state"] == "waiting" else before.get("service")
    if state == "closed" and service is not None:
        count = len(gather.problems)
        day = read_day(str(service), gather, before)
        if len(gather.problems) > count:
            gather.add(
                "date", f"the service was ordered for {say_date(service)}, which cannot be the day", "Give --date."
            )
        return day, "service as ordered"
    gather.add("date", f"nobody said which day it was {state}", "Give --date, such as 2026-05-04 or today.")
    return None, None


def _completes(
    before: Mapping[str, Any], person: str | None, day: str | None, container: str | None, gather: Gather
) -> None:
    """Note where closing what is closed would put another burial in place of the one recorded."""
    told = {
        "person": (person, before.get("person")), "date": (day, before.get("buried")),
        "container": (container, before.get("container")),
    }  # fmt: skip
    for name, (now_said, was) in told.items():
        if now_said is not None and was is not None and label_key(str(now_said)) != label_key(str(was)):
            gather.add(
                name, f"{before['opening_id']} was closed with {name} {say_date(was)}, not {say_date(now_said)}",
                "Another burial needs an order of its own, or --without-order and why. If the record is wrong, take "
                f"it back (`cemgis withdraw`, {before['id']}) and close the grave again.",
            )  # fmt: skip


def _followed(
    run: Run, space_id: str, state: str, without_order: str | None, gather: Gather
) -> Mapping[str, Any] | None:  # fmt: skip
    """Return the record that a new state follows, None where another opening begins; noting what cannot follow what."""
    there = _of_space(run.records, space_id)
    before = there[-1] if there else None
    if state not in OPENING_STATES or state == "ordered":
        gather.add("state", f"{state!r} is none", f"One of: {', '.join(OPENING_STATES[1:])}.")
        return before
    if without_order is not None and not without_order.strip():
        gather.add("without_order", "no reason is given", "Say why there is no order.")
    if state == "settled":
        # what was added since, a stone set again, completes the one that is settled
        closed = [one for state in ("settled", "closed") for one in there if one["state"] == state]
        if without_order is not None:
            gather.add("without_order", "given for settled", "What settles was closed before.")
        if not closed:
            gather.add(space_id, "nothing was closed there" if before is None else f"it is {before['state']}",
                       "Record first how it was closed.")  # fmt: skip
        return closed[-1] if closed else before  # the next opening may have been ordered already
    if before is None or before["state"] in ("settled", "abandoned"):
        if without_order is None:
            gather.add(
                space_id, f"nothing was ordered there{_why_none(run, space_id, before)}",
                f"{_under_way(run)}Record the order (`cemgis open --record`), or say --without-order and why."
                f"{_more_of(before)}",
            )  # fmt: skip
        return None
    if without_order is not None:
        if before["state"] == "closed":
            return None  # another opening begins
        gather.add("without_order", f"given, but {before['opening_id']} is {before['state']}",
                   "Leave it out, or abandon that opening first.")  # fmt: skip
    late = OPENING_STATES.index(before["state"]) > OPENING_STATES.index(state)
    if before["state"] == "closed" if state == "abandoned" else late:
        gather.add(
            space_id, f"it is {before['state']} already", f"Withdraw that record, {before['id']}, if it is wrong."
        )
    return before


def _more_of(before: Mapping[str, Any] | None) -> str:
    """Say how something is added to the last opening, where it is settled."""
    settled = before is not None and before["state"] == "settled"
    return f" If it belongs to {before['opening_id']}, say --state settled." if settled and before is not None else ""


def _why_none(run: Run, space_id: str, before: Mapping[str, Any] | None) -> str:
    """Say what became of the last opening of a space where none is under way."""
    if before is not None:
        return f" since {before['opening_id']} was {before['state']}"
    mine = {
        one["id"]: one for one in run.records if one.get("kind") == OPENING_KIND and one.get("space_id") == space_id
    }
    for one in reversed(edits.standing(run.records)):
        gone = [mine[name] for name in one.get("replaces") or () if name in mine]
        if one.get("kind") == "withdraw" and gone:
            day = say_date(str(one["when"])[:10])
            return f": {one['who']} withdrew {gone[0]['opening_id']} on {day}, because {one['why']}"
    return ""


def _under_way(run: Run) -> str:
    """Say which openings are under way: the space may have been mistaken for another."""
    last: dict[str, Mapping[str, Any]] = {}
    for one in edits.standing(run.records):
        if one.get("kind") == OPENING_KIND:
            last[str(one.get("opening_id"))] = one
    names = [
        f"{name} ({one.get('person') or 'nobody named'})" for name, one in last.items()
        if one.get("state") in _UNDER_WAY
    ]  # fmt: skip
    return f"Under way are {', '.join(names[:8])}: name its space if it was that one. " if names else ""


def _depth(top: str | None, run: Run, gather: Gather) -> float | None:
    if top is None:
        return None
    try:
        depth = parse_length(top, run.ground.unit, "top")
    except InputError as error:
        gather.take(error)
        return None
    most = run.ground.rules["dig.deepest"]
    if depth < 0:
        gather.add("top", f"{top!r} is negative", "Write the depth under the sod.")
    elif depth > most:
        gather.add("top", f"{top!r} is deeper than any dig, {say(most, run.ground.unit)}", "Measure it again.")
    return depth


def _stones(stones: Sequence[str], before: Mapping[str, Any] | None, gather: Gather) -> list[str]:
    """Stones moved and those set again, as the record keeps them: the last step of each."""
    kept: dict[str, str] = {}
    for one in (before or {}).get("stones") or ():
        name, _, step = str(one).rpartition(" ")
        kept[name] = step
    for said in stones:
        name, _, step = (part.strip() for part in said.rpartition(","))
        if not name or step.lower() not in _STONE_STEPS:
            gather.add(f"stone {said!r}", "not two parts", 'Write "M-12, moved" or "M-12, reset".')
        elif step.lower() == "reset" and name not in kept:
            gather.add(f"stone {name}", "no record says it was moved", 'Write "moved" first.')
        else:
            kept[name] = step.lower()
    return [f"{name} {step}" for name, step in kept.items()]


def _built(
    run: Run, site: Site, box: Container, planned: Any, taped: Sequence[str], shots: Sequence[str],
    probes: Sequence[str],
) -> AsBuilt:  # fmt: skip
    """As-built rectangle from what was measured of the container."""
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
    points = _points(run, site, shots, CORNERS, "shot", gather) + _points(run, site, probes, SIDES, "probe", gather)
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
        shots=points,
    )
    middle = shapely.Point(found.corners.mean(axis=0))
    far = float(shapely.distance(middle, site.shape))
    if far > site.radius_95 + (1.0 if run.ground.unit.is_foot else 0.3):
        raise InputError.of(
            "as built", f"its middle would lie {say(far, run.ground.unit)} outside of {site.space_id}",
            "Check the markers, the side of the line and the space; record it under the space it lies in.",
        )  # fmt: skip
    return found


def _points(
    run: Run, site: Site, said: Sequence[str], names: Sequence[str], what: str, gather: Gather
) -> list[Shot]:  # fmt: skip
    """Corner shots, or probe hits on sides, out of what was written."""
    rules, unit = run.ground.rules, run.ground.unit
    out = []
    for text in said:
        parts = [part.strip() for part in text.split(",")]
        where = f"{what} {text!r}"
        if len(parts) not in (3, 4):
            gather.add(where, "not three or four parts", f'Write "{names[0]}, E, N" in {run.ground.crs.name}.')
            continue
        if parts[0].lower() not in names:
            gather.add(where, f"there is no {parts[0]}", f"One of: {', '.join(names)}, seen from the foot.")
            continue
        try:
            at = (float(parts[1]), float(parts[2]))
            sigma = rules["close.shot_sigma"] if len(parts) == 3 else parse_length(parts[3], unit, where)
        except ValueError:
            gather.add(where, "its coordinates are no numbers", f'Write "{names[0]}, 2023702.73, 449463.61".')
            continue
        except InputError as error:
            gather.take(error)
            continue
        if what == "probe" and len(parts) == 3:
            sigma = float(np.hypot(sigma, rules["probe.sigma"]))
        far = float(shapely.distance(shapely.Point(at), site.shape))
        if not far <= 4.0 * (1.0 if unit.is_foot else 0.3048) + site.radius_95:
            gather.add(where, f"{far:.1f} from {site.space_id}", f"Write easting, northing in {run.ground.crs.name}.")
        else:
            out.append(Shot(parts[0].lower(), at, sigma))
    return out


# ---- remains that are moved -----------------------------------------------------------------------------------------


def record_move(
    folder: Path, place: str, *, kind: str, who: str, day: str, to: str | None = None, person: str | None = None,
    permit: str | None = None, ordered_by: str | None = None, authorised_by: str | None = None,
    right: str | None = None, container: str | None = None, vault: str | None = None, note: str | None = None,
    why: str = "", run: Run | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Record that remains were taken out, moved, or that an urn was placed or removed. All or nothing.

    Parameters
    ----------
    folder : Path
    place : str
        Space or niche.
    kind : str
        ``disinterment``, ``move``, ``urn placed`` or ``urn removed``.
    who, day, why : str
        Who recorded it, the day it was done (ISO, ``today``, or EDTF where it is not known to the day), what for.
    to : str, optional
        Where a move went: a space or niche of this ground, or in words a place outside of it ("to Elm Grove, ...").
    person : str, optional
        Who; needed where several lie there.
    permit, ordered_by, authorised_by, right : str, optional
        Disinterments and moves need the first and the third.
    container : str, optional
        Of an urn that was placed.
    vault : str, optional
        ``taken`` out or ``left``; needed where the vault there is on record.
    note : str, optional
    run : Run, optional

    Raises
    ------
    InputError
        With everything that cannot be; nothing is recorded then.
    """
    run = compute(folder) if run is None else run
    gather = Gather()
    if kind not in _MOVES:
        raise InputError.of("kind", f"{kind!r} is none", f"One of: {', '.join(_MOVES)}.")
    space_id = find_place(run, place)
    done = read_day(day, gather)
    there = lying_in(run, space_id)
    body: dict[str, Any] = {
        "kind": EVENT_KIND, "event": kind, "space_id": space_id, "lot_id": lot_of(run, space_id), "date": done,
        "person": person, "permit": permit, "ordered_by": ordered_by, "authorised_by": authorised_by, "right": right,
        "container": container, "note": note, "crs": run.ground.crs.name, "who": who, "when": now(),
        "why": why or f"{kind} by {who}",
    }  # fmt: skip
    if kind != "urn placed":
        body |= _whom(space_id, kind, there, person, gather)
    if kind in ("disinterment", "move"):
        for name, said in (("permit", permit), ("authorised_by", authorised_by)):
            if said is None:
                gather.add(name, f"a {kind} needs one", f"Give --{name.replace('_', '-')}.")
    if kind == "move":
        if to is None:
            gather.add("to", "nobody said where to", "Give --to, a space, a niche, or a place outside in words.")
        else:
            body |= _target(run, space_id, to, urn=bool(body.get("urn")), gather=gather)
    elif to is not None:
        gather.add("to", f"given for {kind}", "Only a move goes somewhere.")
    if kind == "urn placed":
        _room(run, space_id, gather)
    _vault(run, space_id, kind, vault, gather)
    body["vault"] = vault
    gather.raise_if_any()
    places = [str(body[name]) for name in ("space_id", "to") if body.get(name)]
    return enter(folder, _LOG, body, known=run.records, about=at_place(*places))


def _whom(
    space_id: str, kind: str, there: pd.DataFrame, person: str | None, gather: Gather
) -> dict[str, Any]:  # fmt: skip
    """Person whose remains are taken out: the only one there, or the one that is named."""
    if kind in ("disinterment", "urn removed"):
        there = there[there["urn"] == (kind == "urn removed")]
    what = "urn" if kind == "urn removed" else "burial"
    if not len(there):
        gather.add(space_id, f"no {what} is recorded there", "Record first who lies there, or name the right place.")
        return {}
    if person is None:
        if len(there) > 1:
            names = ", ".join(name or "somebody without a name" for name in there["name"])
            gather.add("person", f"{len(there)} lie there ({names})", "Give --person.")
            return {}
        one = there.iloc[0]
    else:
        hit = there[[label_key(name) == label_key(person) for name in there["name"]]]
        if len(hit) != 1:
            names = ", ".join(name or "somebody without a name" for name in there["name"])
            gather.add("person", f"{person} is not on record there ({names})", "Write the name as the register has it.")
            return {}
        one = hit.iloc[0]
    return {"person_id": one["person_id"], "person": one["name"] or None, "urn": bool(one["urn"]) or None}


def _target(run: Run, space_id: str, to: str, *, urn: bool, gather: Gather) -> dict[str, Any]:
    """Where a move goes: a place of this ground with room, or out of it."""
    try:
        target = find_place(run, to)
    except InputError as error:
        if " " not in to.strip():  # an id that is mistyped is no place outside
            gather.take(error)
        return {"to_outside": to}
    if target == space_id:
        gather.add("to", f"{to} is where it is", "Name another place.")
        return {}
    _room(run, target, gather, urn=urn)
    return {"to": target, "to_lot": lot_of(run, target)}


def _room(run: Run, place: str, gather: Gather, *, urn: bool = True) -> None:
    """Note where the rules have no room for one more."""
    there = lying_in(run, place)
    urns = int(there["urn"].sum()) if len(there) else 0
    row = run.tables["spaces"].set_index("space_id")["kind"]
    kind = say_value(row.get(place)) if place in row.index else "cremation"  # a niche is for urns
    allowed, words = room_for(kind or "full", len(there) - urns, urns, "urn" if urn else "vault", infant=False,
                              rules=run.ground.rules)  # fmt: skip
    if not allowed:
        gather.add(place, words, "Name a place with room.")


def _vault(run: Run, space_id: str, kind: str, vault: str | None, gather: Gather) -> None:
    vaults = run.tables["vaults"]
    there = (vaults["space_id"] == space_id).fillna(value=False).any()
    if vault is not None and vault not in ("taken", "left"):
        gather.add("vault", f"{vault!r} is neither", "taken or left.")
    elif vault is not None and kind.startswith("urn"):
        gather.add("vault", f"given for {kind}", "An urn leaves the vault where it is.")
    elif vault is None and there and kind in ("disinterment", "move"):
        gather.add("vault", "the vault there is on record", "Say --vault taken or --vault left.")


def say_move(record: Mapping[str, Any]) -> str:
    """Say a record of moved remains in words."""
    to = record.get("to") or record.get("to_outside")
    whom = record.get("person") or "somebody without a name"
    where = f" to {to}" if to else ""
    said = f"Recorded: {record['event']}, {whom}, {record['space_id']}{where}, {say_date(record['date'])}."
    return f"{said}\n  The next build carries it."


# ---- lists ----------------------------------------------------------------------------------------------------------


def list_openings(run: Run, today: date) -> list[str]:
    """List what is open and not closed, due to be looked at, off its plan; stones not reset; foundations unfinished."""
    openings = run.tables["openings"]
    unit, rules = run.ground.unit, run.ground.rules
    lines = []
    niches = set(run.tables["niches"]["space_id"].astype(str))
    for row in openings.itertuples():
        head = f"{row.opening_id}: {row.state} {say_date(row.date)}"
        gone = (today - date.fromisoformat(first_and_last(row.date)[1] or today.isoformat())).days
        if row.state in _UNDER_WAY:
            stored = f" in {row.stored}" if say_value(row.stored) else ""
            service = say_value(row.service)
            past = ", WHICH IS PAST" if service and (first_and_last(service)[1] or service) < today.isoformat() else ""
            lines.append(f"{head}{stored}; not closed" + (f"; service {say_date(service)}{past}" if service else ""))
        elif row.state == "closed" and str(row.space_id) in niches:
            lines.append(f"{head}; a niche, done")
        elif row.state == "closed":
            due = gone >= 7 * rules["close.settle_weeks"]
            lines.append(f"{head}; {'LOOK FOR SETTLING' if due else 'not yet settled'}, {gone // 7} weeks ago")
        elif row.state == "abandoned":
            lines.append(f"{head}; {row.because}" + (f", {row.note}" if say_value(row.note) else ""))
        if not pd.isna(row.off_plan) and row.off_plan > rules["close.agree"]:
            lines.append(f"{row.opening_id}: lies {say(float(row.off_plan), unit)} from its plan")
        moved = [one.removesuffix(" moved") for one in say_value(row.stones).split("; ") if one.endswith(" moved")]
        lines += [f"{row.opening_id}: stone {one} was moved and is not reset" for one in moved]
    for record in edits.standing(run.records):
        if record.get("kind") == FOUNDATION_KIND and record.get("state") in ("set out", "set", "failed"):
            todo = {"set out": "not yet set", "set": "not yet inspected", "failed": "DID NOT PASS"}[record["state"]]
            lines.append(f"{record['foundation_id']}: {record['state']} {say_date(record.get('date'))}; {todo}")
    return lines


def say_opening(record: Mapping[str, Any]) -> str:
    """Say a record of an opening in words."""
    lines = [f"Recorded: {record['opening_id']} is {record['state']}, {say_date(record['date'])}."]
    if record["state"] == "closed" and record.get("dated_by"):
        lines.append("  That is the day of the service, as ordered: nobody gave the day of the burial.")
    if record.get("without_order"):
        lines.append("  There is no order; that stays a finding.")
    if record.get("ordered_for"):
        lines.append(f"  It was ordered for {record['ordered_for']}, not {record.get('person')}; that stays a finding.")
    if "sigma" in record:
        unit = f" {record['unit']}" if record.get("unit") else ""
        off = "" if "off_plan" not in record else f", at most {record['off_plan']:.2f}{unit} from its plan"
        count = sum(len(record.get(name) or ()) for name in ("taped", "shots", "probes"))
        lines.append(
            f"  As built from {count} measurements, sure to {record['sigma']:.2f}{unit} (one standard deviation){off}."
        )
    elif record.get("place"):
        lines.append(f"  {record['place']}.")
    elif record["state"] == "closed":
        lines.append("  Nothing was measured: the next opening beside it will not know where it lies.")
    if record.get("because") == "remains found":
        lines.append("  The place counts as a probable grave from now on. Call whom ground.toml names.")
    lines.append("  The next build carries it.")
    return "\n".join(lines)
