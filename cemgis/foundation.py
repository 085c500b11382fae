"""The foundation of a monument: how large the section allows it, where it goes, and ties that set it out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from cemgis.errors import InputError
from cemgis.geometry import least_gap, long_axis
from cemgis.ground import Container, FoundationRule
from cemgis.opening import VERDICTS, DepthWindow, Dig, Excavation, Order, Plan, Reason, Site, Strike, say, strike
from cemgis.ties import TieNumbers, dig_corners, plan_ties, shared_dof
from cemgis.units import Unit

__all__ = ["foundation_size", "plan_foundation"]

Floats = NDArray[np.float64]

_TINY = 1e-6
_STEPS = 6


def foundation_size(
    rule: FoundationRule | None, asked: tuple[float, float] | None, *, companion: bool
) -> tuple[float, float]:
    """Return width and depth of a foundation: as asked, else the largest the section allows.

    Raises
    ------
    InputError
        When nothing is asked and the section has no rule.

    Examples
    --------
    >>> rule = FoundationRule("section[1].foundation", 3.0, 1.25, 6.0, 0.0, None, "board rules")
    >>> foundation_size(rule, None, companion=True), foundation_size(rule, (2.0, 1.0), companion=False)
    ((6.0, 1.25), (2.0, 1.0))
    """
    if asked is not None:
        return asked
    width = None if rule is None else rule.companion_width if companion else rule.width
    if rule is None or width is None:
        raise InputError.of(
            "size", "nobody said how large, and the section has no rule for it",
            'Give --size "3 ft by 1 ft 2 in", or write foundation = { ... } into the section.',
        )  # fmt: skip
    return width, rule.depth


def plan_foundation(
    site: Site, shapes: Sequence[Any], size: tuple[float, float], rule: FoundationRule | None, *,
    rules: Mapping[str, float], unit: Unit, tie_numbers: TieNumbers, authorised_by: str | None = None,
) -> Plan:  # fmt: skip
    """Lay out a foundation at the head line, in the middle across its space or spaces, with its ties.

    Parameters
    ----------
    site : Site
        Around the first of its spaces.
    shapes : sequence of polygons
        Its spaces.
    size : (float, float)
        Across the spaces, and along them.
    rule : FoundationRule or None
        The section's.
    rules : mapping of str to float
    unit : Unit
    tie_numbers : TieNumbers
    authorised_by : str, optional

    Returns
    -------
    Plan
        With the foundation as its dig. The verdict is never better than *nothing on record against it*.
    """
    whole = shapely.union_all(np.asarray(list(shapes), dtype=object))
    azimuth = (
        float(long_axis(np.array([shapes[0]], dtype=object))[0][0])
        if site.heads_azimuth is None
        else (site.heads_azimuth - site.convergence) % 360.0
    )
    turn = math.radians(azimuth)
    ahead = np.array([math.sin(turn), math.cos(turn)])
    right = np.array([ahead[1], -ahead[0]])
    width, depth = size
    setback = 0.0 if rule is None else rule.setback
    head = float((shapely.get_coordinates(whole) @ ahead).max())
    along = head - setback - depth / 2.0
    for _ in range(_STEPS):  # a head line that runs askew: back until neither head corner is beyond it
        across, span = _across(whole, ahead, right, along)
        corners = dig_corners(ahead * along + right * across, azimuth, width, depth)
        beyond = max(_beyond(whole, corner, ahead, setback) for corner in corners[:2])
        if beyond <= _TINY:
            break
        along -= beyond
    shape = shapely.Polygon(corners)
    things = np.array([thing.shape for thing in site.things], dtype=object)
    gaps = least_gap(np.full(len(things), shape, dtype=object), things)[0] if len(things) else np.zeros(0)
    outside = float(shapely.distance(shapely.points(corners), whole).max())
    dig = Dig(corners, azimuth, width, depth, 0.0, setback, outside if outside > _TINY else 0.0, np.asarray(gaps))
    ties = plan_ties(corners, site.anchors, tie_numbers, factor=site.factor)
    margin = (span - width) / 2.0
    over = Strike(np.zeros(2), 0.0)
    if ties is not None and margin > 0:
        blocks = ties.covariance.reshape(4, 2, 4, 2).mean(axis=(0, 2))
        variance = float(right @ blocks @ right)
        freedom = float(shared_dof(site.anchors.dof, right @ ties.joint[-2:, -2:] @ right, variance))
        over = strike([margin, margin], variance * np.array([[1.0, -1.0], [-1.0, 1.0]]), [freedom, freedom])
    reasons = _reasons(site, dig, rule, len(shapes), over, unit, rules, has_ties=ties is not None)
    if authorised_by is None:
        reasons.append(Reason(VERDICTS[1], "Nobody is named who authorised the monument"))
    deep = rule.deep if rule is not None and rule.deep is not None else rules["foundation.deep"]
    box = Container("foundation", "foundation", "foundation", depth, width, deep)
    ordered = tuple(sorted(dict.fromkeys(reasons), key=lambda reason: VERDICTS.index(reason.verdict)))
    return Plan(
        site, Order(site.space_id, authorised_by=authorised_by), box,
        ordered[0].verdict if ordered else VERDICTS[2], ordered, dig,
        DepthWindow(deep, deep, "the foundation's depth", (), 0.0, deep),
        Excavation("", "", 0.0, False, False, size, 0.0, (), width * depth * deep * (1.0 + rules["soil.swell"]),
                   width * depth * deep * (1.0 + rules["soil.swell"])),
        ties, None, None, over, (), margin, "at the head line", None,
    )  # fmt: skip


def _beyond(whole: Any, corner: Floats, ahead: Floats, setback: float) -> float:
    """How far a head corner lies beyond the head line less the setback; 0 where the spaces are not under it."""
    reach = 1e3
    line = shapely.LineString(np.stack([corner - ahead * reach, corner + ahead * reach]))
    inside = shapely.get_coordinates(shapely.intersection(whole, line))
    return 0.0 if not len(inside) else max(setback - float(((inside - corner) @ ahead).max()), 0.0)


def _across(whole: Any, ahead: Floats, right: Floats, along: float) -> tuple[float, float]:
    """Middle and width of the spaces, across, where the foundation lies."""
    ring = shapely.get_coordinates(whole)
    low, high = float((ring @ right).min()) - 1.0, float((ring @ right).max()) + 1.0
    line = shapely.LineString(np.stack([ahead * along + right * low, ahead * along + right * high]))
    reach = shapely.get_coordinates(shapely.intersection(whole, line)) @ right
    if not len(reach):
        reach = ring @ right
    return float(reach.max() + reach.min()) / 2.0, float(reach.max() - reach.min())


def _reasons(
    site: Site, dig: Dig, rule: FoundationRule | None, count: int, over: Strike, unit: Unit,
    rules: Mapping[str, float], *, has_ties: bool,
) -> list[Reason]:  # fmt: skip
    never, first = VERDICTS[0], VERDICTS[1]
    out: list[Reason] = []
    if rule is None:
        out.append(
            Reason(first, f"Section {site.section} has no rule for the size of a foundation: ask whoever decides")
        )
    else:
        most = rule.width if count == 1 else rule.companion_width
        if most is None:
            out.append(Reason(first, f"Section {site.section} has no rule for a stone over {count} spaces"))
        elif dig.width > most + _TINY:
            out.append(Reason(never, f"It is {say(dig.width, unit)} wide, the section allows {say(most, unit)}"))
        if dig.length > rule.depth + _TINY:
            out.append(Reason(never, f"It is {say(dig.length, unit)} deep, the section allows {say(rule.depth, unit)}"))
    if dig.outside > _TINY:
        out.append(Reason(never, f"It reaches {say(dig.outside, unit)} out of its space"))
    if dig.from_head_line + dig.length > rules["dig.head_strip"] + _TINY:
        out.append(
            Reason(first, f"It reaches beyond the strip kept for it, {say(rules['dig.head_strip'], unit)}: a grave was "
                          "or will be dug there")
        )  # fmt: skip
    for thing, gap in zip(site.things, dig.gaps, strict=True):
        if gap > 0:
            continue
        if thing.kind in ("monument", "obstacle"):
            out.append(Reason(never, f"Something stands there already: {thing.words}"))
        elif thing.kind == "vault" and thing.top_depth is not None:
            out.append(Reason(first, f"Over {thing.words}, top {say(thing.top_depth, unit)} down"))
        else:
            out.append(Reason(first, f"Over {thing.words}; nobody measured how deep"))
    if over.any > rules["dig.strike_chance"]:
        share = f"{100.0 * over.any:.0f} %" if over.any >= 0.015 else f"{100.0 * over.any:.1f} %"
        out.append(Reason(first, f"The chance that it really reaches out of its space is {share}"))
    if not has_ties:
        out.append(Reason(first, "No two trusted markers or stones within a tape meet at a good angle"))
    if site.heads_azimuth is None:
        out.append(Reason(first, "Which way the heads lie is not known: write the section's rule or an exception"))
    if site.heads_seen == "disagrees":
        out.append(Reason(first, "Stones or vaults of its neighbours show the heads at the other end than the rule"))
    if site.protected:
        out.append(Reason(first, f"The section is protected: {site.protected}"))
    out += [Reason(verdict, words) for verdict, words in site.doubts]
    return out
