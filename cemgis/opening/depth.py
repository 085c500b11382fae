"""How deep: the window between cover and reach, room above and below, slope, spoil."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from cemgis.errors import Gather
from cemgis.opening.digging import dig_frame
from cemgis.opening.model import DepthWindow, Dig, Excavation, Thing
from cemgis.units import Unit

__all__ = [
    "depth_window",
    "excavation",
    "room_for",
    "spoil_place",
]

_SPOIL_HEIGHT = 1.5  # feet a spoil heap is taken to stand; no source


def depth_window(
    height: float, cover: float, limits: Sequence[tuple[str, float]], *, levels: int = 1, between: float = 0.0
) -> DepthWindow:
    """Between which depths the bottom of a dig may lie.

    Parameters
    ----------
    height : float
        Of the container.
    cover : float
        Earth over it.
    limits : sequence of (str, float)
        What limits the bottom downwards, and at which depth.
    levels : int
        Containers the grave is to take in the end; the first lies deepest.
    between : float
        Earth between two of them.

    Raises
    ------
    InputError
        For a cover or height below zero.

    Examples
    --------
    A vault 3 ft tall under 1.5 ft of cover: 4.5 ft, as common practice has it.

    >>> window = depth_window(3.0, 1.5, [("the straps", 6.0)])
    >>> window.bottom, window.deep, window.empty
    (4.5, 6.0, False)
    """
    gather = Gather()
    for name, value in (("cover", cover), ("the container's height", height), ("earth between two", between)):
        if not math.isfinite(value) or value < 0:
            gather.add("depth", f"{name} is {value:g}", "Write zero or more.")
    gather.raise_if_any()
    shallow = cover + height + (levels - 1) * (height + between)
    ordered = tuple(sorted(limits, key=lambda item: item[1]))
    deep = ordered[0][1] if ordered else math.inf
    empty = deep < shallow - 1e-9
    bottom = math.nan if empty else shallow
    more = f", and room for {levels - 1} more above it" if levels > 1 else ""
    return DepthWindow(shallow, deep, f"cover and the container's height{more}", ordered, bottom - height, bottom)


def room_for(
    kind: str, full: int, urns: int, container: str, *, infant: bool, rules: Mapping[str, float]
) -> tuple[bool, str]:
    """Say whether a space takes one more, and where it goes.

    Parameters
    ----------
    kind : str
        What the space is meant for: ``full``, ``cremation``, ``infant``.
    full, urns : int
        Burials and urns in it now.
    container : str
        Kind of the container.
    infant : bool
    rules : mapping of str to float

    Returns
    -------
    allowed : bool
    words : str
        Where it goes, or why it does not.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> room_for("full", 1, 0, "urn", infant=False, rules=Rules(FOOT))
    (True, 'second right: urn 1 of 2 at the foot, over the container there')
    >>> room_for("full", 0, 1, "vault", infant=False, rules=Rules(FOOT))[0]
    False
    """
    if kind == "cremation":
        if container != "urn":
            return False, "the space is for urns only"
        most = int(rules["space.urns"])
        return (
            urns < most,
            f"urn {urns + 1} of {most}" if urns < most else f"{urns} urns lie there, the rule allows {most}",
        )
    if container == "urn":
        most = int(rules["space.second_urns"])
        if urns >= most:
            return False, f"{urns} urns lie there, the rule allows {most}"
        where = "at the foot, over the container there" if full else "at the foot"
        return True, f"{'second right: ' if full else ''}urn {urns + 1} of {most} {where}"
    if urns:
        return False, f"{urns} urn{'s' if urns > 1 else ''} would lie over a full burial: they would be dug out"
    if full == 0:
        return True, "alone in its space"
    if infant and kind == "full":
        most = int(rules["space.second_infants"])
        if full <= most:
            return True, "second right: infant at the foot"
        return False, f"{full} lie there, the rule allows {most} infant besides"
    levels = int(rules["space.full_burials"])
    if full < levels:
        return True, f"double depth: over the {full} that lie{'s' if full == 1 else ''} there"
    return False, f"{full} lie{'s' if full == 1 else ''} there, the rule allows {levels}"


def excavation(
    dig: Dig, bottom: float, soil: str | None, *, disturbed: bool, container_volume: float,
    stones: Sequence[Thing], rules: Mapping[str, float],
) -> Excavation:  # fmt: skip
    """Say how a cut must be protected and what comes out of it, by OSHA 29 CFR 1926 Subpart P.

    Parameters
    ----------
    dig : Dig
    bottom : float
        Depth.
    soil : str or None
        One of `SOILS`; unknown counts as C.
    disturbed : bool
        Whether the soil beside it was dug before: then it is never type A.
    container_volume : float
    stones : sequence of Thing
    rules : mapping of str to float

    Examples
    --------
    A trench 3 ft wide and 7 ft deep in type C is 24 ft wide at the top.

    >>> from cemgis.ties import dig_corners
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> dig = Dig(dig_corners([0, 0], 0.0, 3.0, 8.0), 0.0, 3.0, 8.0, 0.0, 0.0, 0.0, np.empty(0))
    >>> cut = excavation(dig, 7.0, None, disturbed=True, container_volume=0.0, stones=(), rules=Rules(FOOT))
    >>> cut.sloped[0], cut.protect, cut.egress
    (24.0, True, True)
    """
    counted, why = soil or "C", f"type {soil}, as ordered" if soil else "not classified: counted as the weakest, type C"
    if soil == "A" and disturbed:
        counted, why = "B", "never type A: the ground beside it was dug before"
    slope = 0.0 if counted == "rock" else float(rules[f"osha.slope_{counted.lower()}"])
    depth = bottom if math.isfinite(bottom) else 0.0
    reach = slope * depth
    near = tuple(
        thing.words for thing in stones if float(shapely.distance(dig.polygon, thing.shape)) < reach
    )  # fmt: skip
    swell = 1.0 + rules["soil.swell"]
    return Excavation(
        counted, why, slope, depth >= rules["osha.protect_depth"] and counted != "rock",
        depth >= rules["osha.egress_depth"], (dig.width + 2.0 * reach, dig.length + 2.0 * reach), reach, near,
        dig.width * dig.length * depth * swell, container_volume * swell,
    )  # fmt: skip


def spoil_place(dig: Dig, volume: float, blocked: Sequence[Any], back: float, unit: Unit) -> Any:
    """First free place for the spoil heap, foot side first; None when there is none within 20 ft."""
    foot = 1.0 if unit.is_foot else 0.3048
    area = max(volume / (_SPOIL_HEIGHT * foot), 0.01)
    ahead, right = dig_frame(dig.heads_azimuth)
    middle = dig.corners.mean(axis=0)
    tree = shapely.STRtree(np.asarray(list(blocked), dtype=object)) if len(blocked) else None
    for far in np.arange(back, 20.0 * foot, 1.0 * foot):
        for way, half, side in ((-ahead, dig.length / 2.0, right), (ahead, dig.length / 2.0, right),
                                (right, dig.width / 2.0, ahead), (-right, dig.width / 2.0, ahead)):  # fmt: skip
            for long in (dig.width, 2.0 * dig.width, 3.0 * dig.width):
                deep = area / long
                near = middle + way * (half + far)
                ring = np.stack([near - side * long / 2, near + side * long / 2,
                                 near + side * long / 2 + way * deep, near - side * long / 2 + way * deep])  # fmt: skip
                heap = shapely.Polygon(ring)
                if tree is None or not len(tree.query(heap, predicate="intersects")):
                    return heap
    return None
