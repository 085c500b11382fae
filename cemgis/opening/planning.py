"""One opening planned whole: the dig, its ties, its depth, the way, the verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import shapely

from cemgis.geometry import long_axis
from cemgis.ground import Container, Equipment
from cemgis.opening.depth import excavation, room_for, spoil_place
from cemgis.opening.digging import ALMOST, dig_frame, place_dig, span_through
from cemgis.opening.judging import Judge
from cemgis.opening.model import VERDICTS, Dig, Plan, Site, Strike, one_foot
from cemgis.opening.order import Order
from cemgis.opening.striking import contacts, strike
from cemgis.ties import TieNumbers, Ties, lot_offsets, plan_ties
from cemgis.units import Unit

__all__ = [
    "plan_opening",
]


def plan_opening(
    site: Site, order: Order, container: Container, equipment: Equipment, *, rules: Mapping[str, float], unit: Unit,
    tie_numbers: TieNumbers,
) -> Plan:  # fmt: skip
    """Plan an opening and say what speaks against it, worst first.

    Parameters
    ----------
    site : Site
    order : Order
    container : Container
    equipment : Equipment
    rules : mapping of str to float
    unit : Unit
    tie_numbers : TieNumbers

    Returns
    -------
    Plan
        Its verdict is the worst of its reasons; with none it is *nothing on record against it*, which is not leave to
        dig: a person probes and signs.
    """
    judge = Judge(site, order, container, equipment, rules, unit)
    is_urn = container.kind == "urn"
    allowed, place_words = room_for(
        site.kind, site.full, site.urns, container.kind, infant=order.infant, rules=rules
    )  # fmt: skip
    if not allowed:
        judge.never(f"{place_words[0].upper()}{place_words[1:]}")
    elif not is_urn and not order.infant:
        place_words = judge.levels(place_words)
    azimuth = _azimuth(site)
    dig = _lay(site, container, azimuth, rules, order, over=bool(site.full))
    below = [thing for thing in site.things if thing.space_id == site.space_id and thing.kind in ("vault", "burial")]
    if order.infant and site.full and allowed and not is_urn:
        # beyond the end of what lies there it is another hole; where it reaches over that, it must stay above it
        earth_left = {id(thing): gap for thing, gap in zip(site.things, dig.gaps, strict=True)}
        below = [thing for thing in below if earth_left[id(thing)] <= 0.0]
        where = f"at the {'foot' if dig.from_head_line > ALMOST else 'head'}"
        place_words = f"second right: infant {f'{where}, over what lies there' if below else where}"
    over = bool(below) and allowed and (is_urn or site.full > 0)
    depth = judge.depth(below if over else (), is_urn=is_urn)
    ties = plan_ties(dig.corners, site.anchors, tie_numbers, factor=site.factor)
    checker = _checker_ties(dig, site, ties, tie_numbers)
    own = None if site.own_marker is None else site.anchors.xy[site.own_marker]
    offsets = None
    if own is not None and site.lot is not None:
        offsets = lot_offsets(dig.corners, own, site.lot, factor=site.factor)
    skip = {thing.id for thing in below} if over else set()
    rows = [
        k
        for k, thing in enumerate(site.things)
        if thing.kind in ("vault", "burial", "probable grave")
        and thing.id not in skip
        and dig.gaps[k] < 4.0 * one_foot(unit)
    ]
    hit = Strike(np.zeros(len(rows)), 0.0)
    if ties is not None and rows:
        near = contacts(dig, ties, site.joint, site.things, rows, site.dof)
        hit = strike(near.gap, near.covariance, near.dof, near.owner)
    earth = judge.position(dig, ties, hit, rows)
    judge.touching(dig, skip)
    judge.ties(ties)
    judge.records(order)
    judge.surroundings(dig)
    disturbed = any(thing.kind in ("vault", "burial", "probable grave") for thing in site.things)
    volume = container.length * container.width * container.height
    stones = [thing for thing in site.things if thing.kind == "monument"]
    cut = excavation(
        dig, depth.bottom, order.soil, disturbed=disturbed, container_volume=volume, stones=stones, rules=rules
    )
    for thing in stones:
        if thing.leaning and float(shapely.distance(dig.polygon, thing.shape)) < max(cut.reach, dig.width):
            judge.first(f"A leaning stone stands beside the dig: {thing.words}. Have it made safe")
    blocked = [thing.shape for thing in site.things] + [dig.polygon]
    spoil_at = spoil_place(dig, cut.spoil, blocked, rules["osha.spoil_back"], unit)
    reasons = judge.reasons
    verdict = reasons[0].verdict if reasons else VERDICTS[2]
    return Plan(
        site, order, container, verdict, reasons, dig, depth, cut, ties, checker, offsets, hit, tuple(rows), earth,
        place_words, spoil_at,
    )  # fmt: skip


def _checker_ties(dig: Dig, site: Site, ties: Ties | None, tie_numbers: TieNumbers) -> Ties | None:
    """Ties of the checker's own: from markers the digger does not tape at all, else from others than he lays out by."""
    if ties is None:
        return plan_ties(dig.corners, site.anchors, tie_numbers, factor=site.factor)
    pair = [*ties.pair]
    for leave in ([*pair, *(check.anchor for check in ties.checks)], pair):
        names = tuple(site.anchors.ids[k] for k in leave)
        made = plan_ties(dig.corners, site.anchors, tie_numbers, factor=site.factor, leave=names)
        if made is not None and made.check is not None:
            return made
    return made


def _azimuth(site: Site) -> float:
    """Grid azimuth from feet to heads; along the space where no side is known."""
    if site.heads_azimuth is not None:
        return (site.heads_azimuth - site.convergence) % 360.0
    along = float(long_axis(np.array([site.shape], dtype=object))[0][0])
    # an urn has no heads: of the sides of its nearly square space the one nearest to north stands for them
    return (along + 45.0) % 90.0 - 45.0 if site.kind == "cremation" else along


def _lay(
    site: Site, container: Container, azimuth: float, rules: Mapping[str, float], order: Order, *, over: bool
) -> Dig:  # fmt: skip
    asked = {
        "vault": rules["dig.earth_left"], "burial": rules["dig.earth_left"], "probable grave": rules["dig.earth_left"],
        "monument": rules["dig.clear_of_stone"], "obstacle": rules["dig.clear_of_obstacle"],
    }  # fmt: skip
    things = [thing.shape for thing in site.things]
    needed = np.array([asked[thing.kind] for thing in site.things])
    if over or container.kind == "urn" or order.infant:
        # what lies in the space itself is under it, not beside it
        own = np.array(
            [thing.space_id == site.space_id and thing.kind != "monument" for thing in site.things], dtype=bool
        )
        needed = np.where(own, -np.inf, needed)
    at_foot = (container.kind == "urn" and site.kind != "cremation") or (order.infant and site.full > 0)
    room = 0.0 if container.kind == "urn" else rules["dig.working_room"]
    if container.kind == "urn":
        size = (max(container.width, rules["urn.reach"]), max(container.length, rules["urn.reach"]))
    else:
        size = (container.width, container.length)
    strip: float | None = rules["dig.head_strip"]
    if container.kind == "urn" and at_foot:
        # not on the very line between two spaces
        foot, head = span_through(
            site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], dig_frame(azimuth)[0]
        )
        strip = max(head - foot - size[1] - rules["dig.working_room"], 0.0)
    elif at_foot:
        strip = math.inf  # as far towards the foot as the space goes
    elif site.kind == "cremation":
        strip = None
    turn = 0.0 if container.kind == "urn" else rules["dig.turn"]
    dig = place_dig(site.shape, azimuth, size, room=room, head_strip=strip, things=things, needed=needed, turn=turn)
    if order.infant and site.full and container.kind != "urn":
        clear = np.array([asked[thing.kind] for thing in site.things])  # of what lies in the space itself, too
        if (dig.gaps < clear).any():
            other = place_dig(
                site.shape, azimuth, size, room=room, head_strip=0.0, things=things, needed=needed, turn=turn
            )
            if not (other.gaps < clear).any():
                return other
    return dig
