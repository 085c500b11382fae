"""What is known of the place of one opening, and what is found of it: plain frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from cemgis.ground import Container
from cemgis.opening.order import Order
from cemgis.route import Way
from cemgis.ties import Anchors, Offsets, Ties
from cemgis.units import Unit

__all__ = [
    "VERDICTS",
    "DepthWindow",
    "Dig",
    "Excavation",
    "Plan",
    "Reason",
    "Site",
    "Strike",
    "Thing",
    "one_foot",
]

Floats = NDArray[np.float64]


VERDICTS = ("do not open", "settle first", "nothing on record against it")
"""Worst first. The last is never a permission."""


_GRAVES = ("vault", "burial", "probable grave")


@dataclass(frozen=True, slots=True)
class Thing:
    """Something a dig must not touch.

    Parameters
    ----------
    id : str
    kind : str
        ``vault`` (as measured), ``burial`` (recorded, nobody measured it), ``probable grave``, ``monument``,
        ``obstacle``.
    words : str
        How it is named: who lies there and since when, or what it is.
    shape : Polygon
        Grid.
    space_id : str or None
    height : float or None
        Above ground.
    top_depth : float or None
    leaning : bool
    fresh : bool
        Buried so lately that no wheel goes over it.
    unvaulted : bool
        Nothing says that a vault carries the earth over it.
    """

    id: str
    kind: str
    words: str
    shape: Any
    space_id: str | None = None
    height: float | None = None
    top_depth: float | None = None
    leaning: bool = False
    fresh: bool = False
    unvaulted: bool = True


@dataclass(frozen=True)
class Site:
    """Everything known around one space, for planning an opening in it.

    Parameters
    ----------
    space_id, section, kind, state : str
    state_why : str
    shape : Polygon
    radius_95 : float
    position_by : str
    heads_azimuth : float or None
        True azimuth, from feet to heads.
    heads_words, heads_by, heads_seen : str
    convergence : float
        True azimuth less grid azimuth.
    protected : str or None
    things : tuple of Thing
        Around the space and in it.
    anchors : Anchors
        Markers and stones to tape from; its joint covariance has the space's place last.
    joint : (2 n + 2 + 2 m, ...) array
        The same with the places of the m things behind it.
    anchor_words : tuple of str
    lot : (k, 2) array or None
        Corners of the lot.
    own_marker : int or None
        Anchor that is the lot's own marker.
    full, urns : int
        Burials and urns recorded in the space.
    held : tuple of (str, str)
        Holder and instrument of every right recorded for it.
    doubts : tuple of (str, str)
        Verdict and words of what is wrong with its position or its records.
    factor : float
        Grid distance over ground distance.
    position_checked : str
        Whether the absolute position was checked against control, in words.
    way : Way or None
        How the machine gets there; None when no machine or no drive is declared.
    way_words : tuple of str
        Names of the things in the way.
    dof : (1 + m,) array or None
        Degrees of freedom of the covariances of the space's place and of the things'; None where all are known.
    former : tuple of str
        Numbers this place had, and until when.
    meant : tuple of str
        Other places that its number meant once, and until when.
    head_ends : tuple of float
        Distance of measured vaults' head ends from the head line, in spaces of the same row.
    beside : tuple of (str, str, Polygon)
        Spaces around: id, state and outline.
    backing : str
        What about its place is the plat's word alone, and what on the ground confirms it.
    under_way : tuple of (str, str)
        Openings of this very place that are not closed: in words, and for whom.
    """

    space_id: str
    section: str
    kind: str
    state: str
    state_why: str
    shape: Any
    radius_95: float
    position_by: str
    heads_azimuth: float | None
    heads_words: str
    heads_by: str
    heads_seen: str
    convergence: float
    protected: str | None
    things: tuple[Thing, ...]
    anchors: Anchors
    joint: Floats
    anchor_words: tuple[str, ...]
    lot: Floats | None
    own_marker: int | None
    full: int
    urns: int
    held: tuple[tuple[str, str], ...]
    doubts: tuple[tuple[str, str], ...] = ()
    factor: float = 1.0
    position_checked: str = ""
    way: Way | None = None
    way_words: tuple[str, ...] = ()
    head_ends: tuple[float, ...] = ()
    dof: Floats | None = None
    former: tuple[str, ...] = ()
    meant: tuple[str, ...] = ()
    beside: tuple[tuple[str, str, Any], ...] = ()
    backing: str = ""
    under_way: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that speaks against an opening."""

    verdict: str
    text: str


@dataclass(frozen=True, slots=True)
class Dig:
    """The rectangle that is cut.

    Parameters
    ----------
    corners : (4, 2) array
        Grid, in the order of `cemgis.ties.CORNERS`.
    heads_azimuth : float
        Degrees from grid north.
    width, length : float
    shift : float
        Moved to the right (seen from the foot) out of the middle of its space.
    from_head_line : float
        Head side to head line.
    outside : float
        How far it reaches out of its space; zero when it lies in it.
    gaps : (m,) array
        Least gap to each thing; negative where it reaches into it.
    turn : float
        Degrees turned clockwise out of the direction of the heads, beside a crooked neighbour; in `heads_azimuth`.
    """

    corners: Floats
    heads_azimuth: float
    width: float
    length: float
    shift: float
    from_head_line: float
    outside: float
    gaps: Floats
    turn: float = 0.0

    @property
    def polygon(self) -> Any:
        """The rectangle."""
        return shapely.Polygon(self.corners)


@dataclass(frozen=True, slots=True)
class Strike:
    """How likely a dig strikes what lies beside it.

    Parameters
    ----------
    each : (k,) array
        Of each gap, or each thing.
    any : float
    """

    each: Floats
    any: float


@dataclass(frozen=True, slots=True)
class DepthWindow:
    """Between which depths the bottom of the dig may lie.

    Parameters
    ----------
    shallow, deep : float
    shallow_why : str
    limits : tuple of (str, float)
        Everything that limits it downwards, the nearest first.
    top : float
        Depth of the container's top with the bottom at `bottom`.
    bottom : float
        Where it is planned; the shallow limit. NaN when there is no window.
    """

    shallow: float
    deep: float
    shallow_why: str
    limits: tuple[tuple[str, float], ...]
    top: float
    bottom: float

    @property
    def empty(self) -> bool:
        """Whether no depth will do."""
        return self.deep < self.shallow - 1e-9


@dataclass(frozen=True, slots=True)
class Excavation:
    """How the cut must be protected, and what comes out of it.

    Parameters
    ----------
    soil : str
        The type that counts.
    why_soil : str
    slope : float
        Run for one of rise; zero in rock.
    protect, egress : bool
        Whether a protective system, and a ladder, are required.
    sloped : (float, float)
        Width and length of the cut at the surface if it were sloped.
    reach : float
        Beyond the dig's edge, how far the sloped cut and the line of influence go.
    stones : tuple of str
        Inside that line.
    spoil, haul : float
        Loose volume dug; what of it must be hauled away. Cubic units.
    """

    soil: str
    why_soil: str
    slope: float
    protect: bool
    egress: bool
    sloped: tuple[float, float]
    reach: float
    stones: tuple[str, ...]
    spoil: float
    haul: float


@dataclass(frozen=True)
class Plan:
    """An opening, planned.

    Parameters
    ----------
    site : Site
    order : Order
    container : Container
    verdict : str
        One of `VERDICTS`.
    reasons : tuple of Reason
        Worst first.
    dig : Dig
    depth : DepthWindow
    excavation : Excavation
    ties, checker : Ties or None
        The checker's come from other markers.
    offsets : Offsets or None
    strike : Strike
    struck : tuple of int
        Things the strike is counted for.
    earth_left : float
    place_words : str
        Where in the space it goes when others lie there.
    spoil_at : Polygon or None
    """

    site: Site
    order: Order
    container: Container
    verdict: str
    reasons: tuple[Reason, ...]
    dig: Dig
    depth: DepthWindow
    excavation: Excavation
    ties: Ties | None
    checker: Ties | None
    offsets: Offsets | None
    strike: Strike
    struck: tuple[int, ...]
    earth_left: float
    place_words: str
    spoil_at: Any


def one_foot(unit: Unit) -> float:
    """Return a foot in the ground's unit."""
    return 1.0 if unit.is_foot else 0.3048
