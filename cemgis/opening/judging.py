"""What speaks against an opening, worst first."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import numpy as np
import shapely

from cemgis.geometry import least_gap
from cemgis.ground import Container, Equipment
from cemgis.opening.depth import depth_window
from cemgis.opening.digging import STEP, dig_frame, span_through
from cemgis.opening.model import VERDICTS, DepthWindow, Dig, Reason, Site, Strike, Thing, one_foot
from cemgis.opening.order import Order
from cemgis.places import label_key
from cemgis.ties import Ties
from cemgis.units import Unit, compass_word
from cemgis.units import say_taped as say

__all__ = [
    "Judge",
    "Recorded",
    "heads_words",
    "records_against",
]


class Judge:
    """Collects what speaks against an opening."""

    def __init__(
        self,
        site: Site,
        order: Order,
        container: Container,
        equipment: Equipment,
        rules: Mapping[str, float],
        unit: Unit,
    ) -> None:
        self.site, self.order, self.container = site, order, container
        self.equipment, self.rules, self.unit = equipment, rules, unit
        self._found: list[Reason] = []

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """Worst first; among equals as they were found."""
        once = dict.fromkeys(self._found)
        return tuple(sorted(once, key=lambda reason: VERDICTS.index(reason.verdict)))

    def never(self, text: str) -> None:
        """Note why it is never to be opened."""
        self._found.append(Reason(VERDICTS[0], text))

    def first(self, text: str) -> None:
        """Note what is to be settled first."""
        self._found.append(Reason(VERDICTS[1], text))

    def say(self, length: float) -> str:
        """Say a length as a tape reads."""
        return say(length, self.unit)

    def depth(self, below: Sequence[Thing], *, is_urn: bool) -> DepthWindow:
        """Depth window, and what it says against the opening."""
        rules, order = self.rules, self.order
        limits: list[tuple[str, float]] = []
        if not is_urn:
            if self.equipment.straps is None:
                self.first("How deep the straps reach is not declared: equipment.straps in ground.toml")
            else:
                limits.append(("the straps reach", self.equipment.straps))
            limits.append(("the rule for the deepest dig", rules["dig.deepest"]))
        if order.water is not None:
            limits.append(("water", order.water - rules["dig.over_water"]))
        for thing in below:
            if thing.top_depth is None:
                self.first(
                    f"Nobody measured how deep the top of what lies there is: {thing.words}. Probe and record it"
                )
            else:
                room = 0.0 if is_urn else rules["dig.between"]
                limits.append((f"the top of what lies there ({thing.words})", thing.top_depth - room))
        cover = rules["dig.urn_cover"] if is_urn else rules["dig.cover"]
        window = depth_window(
            self.container.height,
            cover,
            limits,
            levels=1 if is_urn else max(order.levels - self.site.full, 1),
            between=rules["dig.between"],
        )
        if window.empty:
            what, deep = window.limits[0]
            self.never(
                f"No depth will do: {self.say(window.shallow)} is the least ({window.shallow_why}), "
                f"{self.say(deep)} the most ({what}): {self.say(window.shallow - deep)} too deep"
            )
        return window

    def levels(self, place_words: str) -> str:
        """Say how many are to lie over one another in the end, and what the rule says; return where this one goes."""
        most, asked = int(self.rules["space.full_burials"]), self.order.levels
        if asked > most:
            self.first(f"The order asks for room for {asked} over one another, the rule allows {most}")
        if self.site.full:
            return place_words
        if asked > 1:
            return f"{place_words}, lowest of {asked}"
        return place_words if most == 1 else f"{place_words}, no room kept for another over it"

    def position(self, dig: Dig, ties: Ties | None, hit: Strike, rows: Sequence[int]) -> float:
        """Earth left, and whether the position is good enough for it."""
        rules, site = self.rules, self.site
        beside = [float(dig.gaps[row]) for row in rows]
        if site.kind == "full" and self.container.kind != "urn":
            # even where nobody lies yet, the next space is not ours: a container in its middle
            _, right = dig_frame(dig.heads_azimuth)
            low, high = span_through(site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], right)
            beside.append(
                ((high - low) - dig.width) / 2.0 - abs(dig.shift) + ((high - low) - rules["dig.burial_width"]) / 2.0
            )
        elif not beside:
            beside.append(max(0.5 * (dig.width - self.container.width), 0.5 * self.container.width))
        earth = min(beside)
        radius = site.radius_95 if ties is None else ties.radius
        room = (dig.width - self.container.width) / 2.0
        if not math.isfinite(radius):
            self.never("How sure its position is is not known")
        elif radius > max(earth, 0.0) + room:
            self.never(
                f"Its position is only sure to {self.say(radius)} (95 % radius), more than the earth left and the "
                f"working room together, {self.say(max(earth, 0.0) + room)}"
            )
        if hit.any > rules["dig.strike_chance"]:
            worst = int(np.argmax(hit.each))
            self.first(
                f"The chance of striking a neighbour is {_percent(hit.any)}, more than "
                f"{_percent(rules['dig.strike_chance'])}; most likely {site.things[rows[worst]].words}"
            )
        return earth

    def touching(self, dig: Dig, skip: set[str]) -> None:
        """Judge what the dig would touch, or nearly."""
        rules, site = self.rules, self.site
        for thing, gap in zip(site.things, dig.gaps, strict=True):
            if thing.id in skip:
                continue
            if thing.kind in ("vault", "probable grave") and gap <= 0:
                what = "A measured vault" if thing.kind == "vault" else "A probable grave"
                self.never(f"{what} lies inside the dig, by {self.say(-gap)}: {thing.words}")
            elif thing.kind == "burial" and gap <= 0:
                self.never(f"A recorded burial lies inside the dig: {thing.words}")
            elif thing.kind == "monument" and gap < rules["dig.clear_of_stone"]:
                where = "inside the dig" if gap <= 0 else f"only {self.say(gap)} from it"
                self.first(f"A stone stands {where}: {thing.words}")
            elif thing.kind == "obstacle" and gap < rules["dig.clear_of_obstacle"]:
                where = "inside the dig" if gap <= 0 else f"only {self.say(gap)} from it"
                self.first(f"In the way, {where}: {thing.words}")
            elif gap < rules["dig.earth_left"] and thing.kind in ("vault", "burial", "probable grave"):
                self.first(
                    f"Only {self.say(gap)} of earth is left to {thing.words}; the rule asks "
                    f"{self.say(rules['dig.earth_left'])}"
                )
        if self.container.kind != "urn":
            foot, head = span_through(
                site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], dig_frame(dig.heads_azimuth)[0]
            )
            low, high = span_through(
                site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], dig_frame(dig.heads_azimuth)[1]
            )
            if self.container.width > high - low + 1e-6 or self.container.length > head - foot + 1e-6:
                self.never(
                    f"The container ({self.say(self.container.width)} by {self.say(self.container.length)}) is larger "
                    f"than its space ({self.say(high - low)} by {self.say(head - foot)})"
                )
        if self.container.kind != "urn" and site.beside:
            shapes = np.array([shape for _, _, shape in site.beside], dtype=object)
            near = np.flatnonzero(shapely.intersects(shapes, dig.polygon))
            into = -least_gap(np.full(len(near), dig.polygon, dtype=object), shapes[near])[0]
            for k, deep in zip(near.tolist(), into.tolist(), strict=True):
                if deep > rules["dig.beyond_space"] + 1e-6:
                    name, state, _ = site.beside[k]
                    self.first(
                        f"The dig reaches {self.say(deep)} into {name} ({state}): whoever sells or plans that space "
                        "has to know"
                    )
        half = (dig.width - self.container.width) / 2.0
        if dig.outside > half + 0.5 * STEP * one_foot(self.unit):  # less is a space that is not quite square
            self.first(f"The dig reaches {self.say(dig.outside)} out of its space, more than the working room")

    def ties(self, ties: Ties | None) -> None:
        """Whether it can be found at all, and checked."""
        if ties is None:
            self.first(
                "No two trusted markers or stones within a tape meet at a good angle: find and read another marker "
                "first"
            )
        elif ties.check is None:
            self.first(f"There is no check tie: {ties.why_no_check}")

    def records(self, order: Order) -> None:
        """State of the space, the right to open it, and what the order leaves out."""
        self._found += records_against(self.site, order, is_urn=self.container.kind == "urn")

    def surroundings(self, dig: Dig) -> None:
        """Heads, head line, protection, the way there."""
        site, rules = self.site, self.rules
        if site.heads_azimuth is None and self.container.kind != "urn":
            self.first("Which way the heads lie is not known: write the section's rule or an exception")
        if site.heads_seen == "disagrees" and self.container.kind != "urn":
            self.first("Stones or vaults of its neighbours show the heads at the other end than the rule")
        if site.protected:
            self.first(f"The section is protected: {site.protected}")
        if site.head_ends and self.container.kind not in ("urn",):
            seen = float(np.median(site.head_ends))
            room = (dig.length - self.container.length) / 2.0
            if abs(seen - dig.from_head_line - room) > rules["dig.head_agree"]:
                self.first(
                    f"The vaults measured in this row start {self.say(seen)} from the head line, this one would at "
                    f"{self.say(dig.from_head_line + room)}"
                )
        if self.container.kind != "urn":
            if self.equipment.machine_width is None:
                self.first("The machine's width is not declared: equipment.machine_width in ground.toml")
            elif site.way is None or site.way.line is None:
                what = "; ".join(site.way_words[:4]) or "no drive is recorded near it"
                self.first(f"No way for the machine without touching something: {what}")


class Recorded(Protocol):
    """What is on record about a place that is to be opened: a `Site` has it, a niche too."""

    @property
    def space_id(self) -> str:
        """Its id."""
        ...

    @property
    def state(self) -> str:
        """What is known of its use."""
        ...

    @property
    def state_why(self) -> str:
        """The record behind the state."""
        ...

    @property
    def held(self) -> tuple[tuple[str, str], ...]:
        """Holder and instrument of every right recorded for it."""
        ...

    @property
    def doubts(self) -> tuple[tuple[str, str], ...]:
        """Verdict and words of what is wrong with it."""
        ...

    @property
    def under_way(self) -> tuple[tuple[str, str], ...]:
        """Openings of it that are not closed: in words, and for whom."""
        ...

    @property
    def meant(self) -> tuple[str, ...]:
        """Other places that its number meant once, and until when."""
        ...


def records_against(site: Recorded, order: Order, *, is_urn: bool, digging: bool = True) -> list[Reason]:
    """Say what the records and the order itself speak against opening a place.

    Parameters
    ----------
    site : Recorded
    order : Order
    is_urn : bool
    digging : bool
        Whether anything is dug, so that pipes and cables must have been looked for.
    """
    found = [Reason(verdict, words) for verdict, words in site.doubts]

    def never(text: str) -> None:
        found.append(Reason(VERDICTS[0], text))

    def first(text: str) -> None:
        found.append(Reason(VERDICTS[1], text))

    for words, person in site.under_way:
        if not person or label_key(person) != label_key(order.person or ""):
            whom = person or "nobody named"
            first(f"{words}, for {whom}: it is to be closed or abandoned before another is opened here")
    if site.state == "probably occupied" and not is_urn:
        never(f"The space is probably occupied: {site.state_why or 'no reason given'}")
    elif site.state == "lost":
        never(f"The space is lost to something that stands there: {site.state_why}")
    elif site.state in ("in doubt", ""):
        first(f"What is known of the space's use is in doubt: {site.state_why or 'no state recorded'}")
    elif site.state == "disturbed, empty":
        first(f"The space was disturbed before: {site.state_why}")
    if label_key(order.space) != label_key(site.space_id):
        never(f"The order names the space {order.space}, this sheet is for {site.space_id}")
    if order.numbering == "former":
        other = f"; in the former numbering that was {', '.join(site.meant)}" if site.meant else ""
        never(f"The order uses a former numbering{other}. Order the space by its number of today")
    elif site.meant and order.numbering is None:
        first(
            f"The number {site.space_id} once meant another place: {', '.join(site.meant)}. See which one the deed "
            'means, and write numbering = "today" into the order'
        )
    _authority(site, order, first)
    for name, what in (
        ("ordered_by", "who ordered it"),
        ("permit", "the permit's number"),
        ("confirmed_by", "who confirmed the space"),
        *((("utilities", "the utility-locate ticket"),) if digging else ()),
        ("date", "the day"),
        ("person", "who is to be buried"),
    ):
        if getattr(order, name) is None:
            first(f"The order does not say {what}")
    return found


def _authority(site: Recorded, order: Order, first: Callable[[str], None]) -> None:
    """Say what is missing between who authorised it and who holds the right."""
    held = site.held
    if order.authorised_by is None:
        first("Nobody is named who authorised it")
    elif not held:
        first("No right of interment is recorded for this space: record the holder and the instrument")
    else:
        holders = {label_key(holder) for holder, _ in held if holder}
        by_right = label_key(order.right or "")
        # the number of a deed can be copied by anyone; who says whose successor they are says something to check
        successor = any(holder and label_key(holder) in by_right for holder, _ in held)
        if label_key(order.authorised_by) not in holders and not successor:
            told = ", ".join(f"{holder} ({deed})" if deed else holder for holder, deed in held)
            first(
                f"{order.authorised_by} is not the holder on record ({told}), and the order does not say "
                "whose successor that is"
            )


def _percent(share: float) -> str:
    value = 100.0 * share
    return f"{value:.0f} %" if value >= 1.5 else f"{value:.1f} %" if value >= 0.05 else "under 0.1 %"


def heads_words(azimuth_true: float | None) -> str:
    """Say where the head end is, in words with the true azimuth.

    Examples
    --------
    >>> heads_words(268.3)
    'HEADS WEST (268.3° from true north)'
    """
    if azimuth_true is None:
        return "HEADS: NOT KNOWN"
    return f"HEADS {compass_word(azimuth_true).upper()} ({azimuth_true % 360.0:.1f}° from true north)"
