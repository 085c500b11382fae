"""One opening: what speaks against it, where and how deep the dig lies, what it could strike."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtr, ndtri, stdtr
from scipy.stats import multivariate_normal
from scipy.stats.qmc import Sobol

from cemgis.description import load_description
from cemgis.errors import Gather, InputError
from cemgis.geometry import least_gap, long_axis
from cemgis.ground import Container, Equipment
from cemgis.places import label_key
from cemgis.route import Way
from cemgis.ties import Anchors, Offsets, TieNumbers, Ties, dig_corners, lot_offsets, plan_ties, shared_dof
from cemgis.units import Unit, compass_word
from cemgis.units import say_taped as say

__all__ = [
    "SOILS",
    "VERDICTS",
    "Contacts",
    "DepthWindow",
    "Dig",
    "Excavation",
    "Order",
    "Plan",
    "Reason",
    "Recorded",
    "Site",
    "Strike",
    "Thing",
    "contacts",
    "depth_window",
    "excavation",
    "out_of_date",
    "parse_order",
    "place_dig",
    "plan_opening",
    "records_against",
    "room_for",
    "say",
    "strike",
]

Floats = NDArray[np.float64]

VERDICTS = ("do not open", "settle first", "nothing on record against it")
"""Worst first. The last is never a permission."""
SOILS = ("A", "B", "C", "rock")
NUMBERINGS = ("today", "former")

_MONTHS = ("Jan", "Feb", "March", "April", "May", "June", "July", "Aug", "Sept", "Oct", "Nov", "Dec")
_GRAVES = ("vault", "burial", "probable grave")
_STEP = 1.0 / 24.0  # half an inch of a foot; digs are shifted by whole steps
_SPOIL_HEIGHT = 1.5  # feet a spoil heap is taken to stand; no source
_SEED = 1868
_TINY = 1e-12
_ALMOST = 1e-9
_TURN = 0.5  # degrees; digs are turned by whole steps
_ELSEWHERE = 0.4  # of the dig's length: contacts nearer to one another along it are one
_NEVER = 1e-15  # a chance below this counts as none
_POINTS = 13  # two to the power of it: points for the integral over several gaps whose variance is open
_SCALES = 32
_LINE = 200
_ONE_LINE = 0.9995


# ---- the order ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Order:
    """What was ordered, by whom and by what right; None where nothing is said. Lengths in the ground's unit.

    Parameters
    ----------
    space : str
        As the order writes it.
    person : str or None
        Who is to be buried.
    ordered_by, authorised_by, right, permit, confirmed_by : str or None
        ``right``: how the one who authorises holds it; an instrument, or a successor and of whom.
    date, time : str or None
        ISO day and clock time of the service.
    utilities : str or None
        Number and date of the utility-locate ticket.
    numbering : str or None
        ``today`` or ``former``: which numbering the deed uses, as somebody found out.
    infant : bool
    levels : int
        Containers the grave is to take over one another in the end.
    soil : str or None
        One of `SOILS`, by the competent person.
    water, frost : float or None
        Depth of water that is known of; of frost as measured.
    note : str or None
    container : str or None
        Name of what is to be set, as ``ground.toml`` declares it.
    """

    space: str
    person: str | None = None
    ordered_by: str | None = None
    authorised_by: str | None = None
    right: str | None = None
    permit: str | None = None
    confirmed_by: str | None = None
    date: str | None = None
    time: str | None = None
    utilities: str | None = None
    numbering: str | None = None
    infant: bool = False
    levels: int = 1
    soil: str | None = None
    water: float | None = None
    frost: float | None = None
    note: str | None = None
    container: str | None = None


_TEXTS = (
    "space",
    "person",
    "ordered_by",
    "authorised_by",
    "right",
    "permit",
    "confirmed_by",
    "utilities",
    "note",
    "container",
)
_KNOWN = (*_TEXTS, "date", "time", "infant", "levels", "soil", "water", "frost", "numbering")


def _is_moment(key: str, said: str) -> bool:
    """Whether a date or a time of day is one of the calendar or the clock."""
    try:
        (datetime.date if key == "date" else datetime.time).fromisoformat(said)
    except ValueError:
        return False
    return True


def parse_order(text: str, unit: Unit, where: str = "order.toml") -> Order:
    r"""Read an order, all problems at once.

    Parameters
    ----------
    text : str
        TOML: ``space``, ``person``, ``ordered_by``, ``authorised_by``, ``right``, ``permit``, ``confirmed_by``,
        ``utilities``, ``note``, ``container`` (text); ``date``, ``time``; ``infant``; ``levels``; ``soil``; ``water``, ``frost``
        (lengths with their unit); ``numbering``.
    unit : Unit
    where : str

    Raises
    ------
    InputError

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> order = parse_order('space = "B-12-1"\ndate = 2026-05-04\nfrost = "14 in"', FOOT)
    >>> order.space, order.date, round(order.frost, 4)
    ('B-12-1', '2026-05-04', 1.1667)
    """
    from cemgis.units import parse_length

    raw = load_description(text, where)
    gather = Gather()
    found: dict[str, Any] = {}
    for key in raw:
        if key not in _KNOWN:
            gather.add(f"{where}: {key}", "there is no such key", f"Known here: {', '.join(_KNOWN)}.")
    for key in _TEXTS:
        value = raw.get(key)
        if value is None:
            continue
        if not isinstance(value, str) or not value.strip() or len(value) > 300:
            gather.add(f"{where}: {key}", f"{str(value)[:50]!r} is no short text", 'Write it in quotes, "...".')
        else:
            found[key] = value.strip()
    if "space" not in found:
        gather.add(f"{where}: space", "missing", 'Write the space as the order names it, space = "B-12-1".')
    for key, pattern, example in (("date", r"\d{4}-\d\d-\d\d", "2026-05-04"), ("time", r"\d\d:\d\d(:\d\d)?", "10:30")):
        if key in raw:
            said = str(raw[key])
            if re.fullmatch(pattern, said) and _is_moment(key, said):
                found[key] = said[: len(example)]
            else:
                gather.add(f"{where}: {key}", f"{said[:40]!r} is no {key}", f'Write {key} = "{example}".')
    if "infant" in raw:
        if isinstance(raw["infant"], bool):
            found["infant"] = raw["infant"]
        else:
            gather.add(f"{where}: infant", f"{raw['infant']!r} is neither true nor false", "Write infant = true.")
    if "levels" in raw:
        if isinstance(raw["levels"], int) and not isinstance(raw["levels"], bool) and 1 <= raw["levels"] <= 4:
            found["levels"] = raw["levels"]
        else:
            gather.add(f"{where}: levels", f"{raw['levels']!r} is no number from 1 to 4", "Write levels = 2.")
    for key, choices in (("soil", SOILS), ("numbering", NUMBERINGS)):
        if key not in raw:
            continue
        if raw[key] in choices:
            found[key] = raw[key]
        else:
            gather.add(f"{where}: {key}", f"{str(raw[key])[:40]!r} is none", f"One of: {', '.join(choices)}.")
    for key in ("water", "frost"):
        if key in raw:
            try:
                found[key] = parse_length(raw[key], unit, f"{where}: {key}")
            except InputError as error:
                gather.take(error)
            else:
                if found[key] < 0:
                    gather.add(f"{where}: {key}", f"{raw[key]!r} is negative", "Write a depth.")
    gather.raise_if_any()
    return Order(**found)


# ---- what there is --------------------------------------------------------------------------------------------------


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


# ---- what is found --------------------------------------------------------------------------------------------------


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


# ---- the pieces -----------------------------------------------------------------------------------------------------


def out_of_date(order: Order, day: str) -> str:
    """Say that the day of an order lies before the day its sheets are made; empty where it does not.

    Parameters
    ----------
    order : Order
    day : str
        ISO day on which the sheets are made.

    Examples
    --------
    >>> out_of_date(Order("B-12-1", date="2026-05-04"), "2026-11-25")
    'Ordered for 4 May 2026, sheet made on 25 Nov 2026: ask whether this order still stands.'
    >>> out_of_date(Order("B-12-1", date="2026-05-04"), "2026-05-04")
    ''
    """
    if order.date is None or order.date >= day:
        return ""
    told = [datetime.date.fromisoformat(one) for one in (order.date, day)]
    words = [f"{one.day} {_MONTHS[one.month - 1]} {one.year}" for one in told]
    return f"Ordered for {words[0]}, sheet made on {words[1]}: ask whether this order still stands."


def _frame(azimuth: float) -> tuple[Floats, Floats]:
    """Return unit vectors ahead (to the heads) and to the right of it."""
    turn = math.radians(azimuth)
    ahead = np.array([math.sin(turn), math.cos(turn)])
    return ahead, np.array([ahead[1], -ahead[0]])


def _span(shape: Any, through: Floats, way: Floats) -> tuple[float, float]:
    """From where to where a line through a point lies in a shape, along `way`."""
    line = shapely.LineString([through - way * 1e3, through + way * 1e3])
    inside = shapely.get_coordinates(shapely.intersection(shape, line))
    reach = (inside - through) @ way if len(inside) else np.zeros(1)
    return float(reach.min()), float(reach.max())


def place_dig(
    space: Any, heads_azimuth: float, container: tuple[float, float], *, room: float,
    head_strip: float | None, things: Sequence[Any] = (), needed: ArrayLike = (), step: float = _STEP, turn: float = 0.0,
) -> Dig:  # fmt: skip
    """Lay the dig square into its space, or shifted across it, or turned, so that the least clearance is largest.

    It starts behind the foundation strip, as far as the space is long enough. It stays in the middle if everything
    is far enough away there, and is else shifted by whole steps, at most so far that the container itself stays in
    the space. Only if that is not enough, it is turned about its middle as well, where that gains half a step or more.

    Parameters
    ----------
    space : Polygon
    heads_azimuth : float
        Degrees from grid north, from feet to heads.
    container : (float, float)
        Width and length.
    room : float
        Cut beyond the container on every side.
    head_strip : float or None
        None lays it in the middle.
    things : sequence of m polygons
    needed : (m,) array
        Earth that each asks for.
    step : float
    turn : float
        Degrees by which it may be turned at most, in steps of half a degree.

    Examples
    --------
    >>> row = [shapely.box(0, -3.5, 7.5, -0.5), shapely.box(0, 4.5, 7.5, 7.5)]
    >>> dig = place_dig(shapely.box(0, 0, 12, 4), 270.0, (3.0, 7.5), room=0.5, head_strip=2.0, things=row,
    ...                 needed=[0.3, 0.3])
    >>> dig.gaps.round(9).tolist(), dig.shift, dig.from_head_line, dig.outside
    ([0.5, 0.5], 0.0, 2.0, 0.0)
    >>> crooked = [row[0], shapely.box(0, 4.1, 7.5, 7.1)]
    >>> place_dig(shapely.box(0, 0, 12, 4), 270.0, (3.0, 7.5), room=0.5, head_strip=2.0, things=crooked,
    ...           needed=[0.3, 0.3], step=0.1).gaps.round(3).tolist()
    [0.3, 0.3]
    """
    ahead, right = _frame(heads_azimuth)
    width, length = container[0] + 2.0 * room, container[1] + 2.0 * room
    middle = shapely.get_coordinates(shapely.centroid(space))[0]
    foot, head = _span(space, middle, ahead)
    spare = max(head - foot - length, 0.0)
    strip = spare / 2.0 if head_strip is None else min(head_strip, spare)
    along = middle + ahead * (head - strip - length / 2.0)
    left_edge, right_edge = _span(space, along, right)
    across = along + right * (left_edge + right_edge) / 2.0
    shapes = np.asarray(list(things), dtype=object)
    asked = np.asarray(needed, dtype=float)

    best = _Laid(np.zeros(1), np.zeros(1))
    best_gaps = _gaps(_digs(best, across, heads_azimuth, width, length), shapes)
    if len(shapes) and (best_gaps[0] < asked).any():
        most = max((right_edge - left_edge - container[0]) / 2.0, 0.0)
        count = int(most / step + 1e-9)
        shifts = np.arange(-count, count + 1, dtype=np.float64) * step
        best, best_gaps = _best(
            _Laid(shifts, np.zeros(len(shifts))), across, heads_azimuth, (width, length), shapes, asked
        )
        if turn > 0 and _spare(best_gaps, asked)[0] < -_ALMOST:
            turns = np.arange(1, int(turn / _TURN + 1e-9) + 1) * _TURN
            both = np.concatenate([-turns, turns])
            trial = _Laid(np.tile(shifts, len(both)), np.repeat(both, len(shifts)))
            # turned, the container itself must stay in its space
            inner = _digs(trial, across, heads_azimuth, container[0], container[1])
            kept = shapely.covers(shapely.buffer(space, 1e-6), inner)
            if kept.any():
                trial = _Laid(trial.shift[kept], trial.turn[kept])
                other, other_gaps = _best(trial, across, heads_azimuth, (width, length), shapes, asked)
                if _spare(other_gaps, asked)[0] > _spare(best_gaps, asked)[0] + step / 2.0:
                    best, best_gaps = other, other_gaps
    azimuth = (heads_azimuth + float(best.turn[0])) % 360.0
    corners = dig_corners(across + right * best.shift[0], azimuth, width, length)
    outside = shapely.distance(shapely.points(corners), space)
    far = float(outside.max())
    return Dig(corners, azimuth, width, length, float(best.shift[0]), strip, far if far > 1e-9 else 0.0, best_gaps[0],
               float(best.turn[0]))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Laid:
    """Ways to lay a dig: moved to the right (n,), and turned (n,) by degrees clockwise."""

    shift: Floats
    turn: Floats


def _digs(laid: _Laid, across: Floats, azimuth: float, width: float, length: float) -> NDArray[np.object_]:
    _, right = _frame(azimuth)
    rings = [
        dig_corners(across + right * shift, azimuth + turn, width, length)
        for shift, turn in zip(laid.shift, laid.turn, strict=True)
    ]
    return np.asarray(shapely.polygons(np.stack(rings)))


def _gaps(digs: NDArray[np.object_], shapes: NDArray[np.object_]) -> Floats:
    """Least gaps (n, m) between n digs and m things; negative by how far they overlap."""
    if not len(shapes):
        return np.empty((len(digs), 0))
    first, second = np.repeat(digs, len(shapes)), np.tile(shapes, len(digs))
    out = np.asarray(shapely.distance(first, second), dtype=float)
    over = np.flatnonzero(out <= 0)
    if len(over):
        out[over] = least_gap(first[over], second[over])[0]
    return out.reshape(len(digs), len(shapes))


def _spare(gaps: Floats, asked: Floats) -> Floats:
    """Return what is left over what is asked, at worst; more than enough counts as enough."""
    return np.asarray(np.minimum((gaps - asked).min(axis=1), 0.0))


def _best(
    laid: _Laid, across: Floats, azimuth: float, size: tuple[float, float], shapes: NDArray[np.object_], asked: Floats
) -> tuple[_Laid, Floats]:
    """Best of several ways to lay a dig: the least moved that satisfies all, else the one with the largest gap."""
    gaps = _gaps(_digs(laid, across, azimuth, *size), shapes)
    spare = _spare(gaps, asked)
    moved = np.abs(laid.shift) + np.abs(np.radians(laid.turn)) * size[1] / 2.0
    counts = np.isfinite(asked)
    least = gaps[:, counts].min(axis=1) if counts.any() else np.zeros(len(gaps))
    good = np.flatnonzero(spare >= -_ALMOST)
    if len(good):
        pick = int(good[np.argmin(moved[good])])
    else:
        pick = int(np.lexsort((moved, -np.round(least, 9), -np.round(spare, 9)))[0])
    return _Laid(laid.shift[[pick]], laid.turn[[pick]]), gaps[[pick]]


def strike(
    gap: ArrayLike, covariance: ArrayLike, dof: ArrayLike | None = None, owner: ArrayLike | None = None
) -> Strike:
    """Chance that gaps are really below zero, each and any of them.

    Parameters
    ----------
    gap : (k,) array
    covariance : (k, k) array
        Of the gaps together: what two neighbours share with each other or with the dig is in it.
    dof : (k,) array, optional
        Degrees of freedom of each variance; infinite, or left out, where it is known.
    owner : (k,) array of int, optional
        Which of several things each gap belongs to, 0 and up; then ``each`` is the chance for each thing.

    Returns
    -------
    Strike

    Notes
    -----
    Each is the tail of Student's t. Together they are a mixture of normals: one deviate u of the chi-squared
    distribution's quantiles scales every gap by ``sqrt(dof / chi2(u, dof))``, for they share the markers whose misses
    the variance was learnt from.

    Examples
    --------
    Spaces 4 ft wide, vaults 36 in wide in their middles, 6 in of room: a dig of 48 in, 0.50 ft of earth on each side.

    >>> sigma = 0.6 / 2.4477  # a 95 % radius of 0.6 ft
    >>> either = strike([0.5, 0.5], sigma**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])).any
    >>> round(either, 3)
    0.041

    When four misses are all that says how well the markers were set, it is more likely.

    >>> round(strike([0.5, 0.5], sigma**2 * np.array([[1.0, -1.0], [-1.0, 1.0]]), [4.0, 4.0]).any, 3)
    0.111
    """
    values, spread = np.asarray(gap, dtype=float), np.asarray(covariance, dtype=float)
    freedom = np.full(len(values), np.inf) if dof is None else np.asarray(dof, dtype=float)
    if owner is not None and len(values):
        of = np.asarray(owner, dtype=np.int64)
        groups = [np.flatnonzero(of == k) for k in range(int(of.max()) + 1)]
        parts = [strike(values[part], spread[np.ix_(part, part)], freedom[part]).any for part in groups]
        whole = strike(values, spread, freedom).any
        return Strike(np.array(parts), float(np.clip(whole, max(parts), min(sum(parts), 1.0))))
    if not len(values):
        return Strike(np.empty(0), 0.0)
    sigma = np.sqrt(np.maximum(np.diag(spread), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0, values / sigma, np.where(values > 0, np.inf, -np.inf))
    open_ = np.isfinite(freedom) & np.isfinite(z)
    each = np.asarray(ndtr(-z))
    each[open_] = stdtr(freedom[open_], -z[open_])
    live = np.flatnonzero((each > _NEVER) & (sigma > 0))
    if len(live) < len(values) and each[np.setdiff1d(np.arange(len(values)), live)].max(initial=0.0) > 0.5:
        return Strike(each, 1.0)
    if len(live) == 0:
        return Strike(each, float(each.max()))
    if len(live) == 1:
        return Strike(each, float(each[live[0]]))
    scale = np.outer(sigma[live], sigma[live])
    correlation = spread[np.ix_(live, live)] / scale
    correlation = np.clip(correlation, -1.0, 1.0) + np.eye(len(live)) * _TINY
    if open_[live].any():
        any_ = _mixed(z[live], correlation, freedom[live])
        return Strike(each, float(np.clip(max(any_, each.max()), 0.0, min(each.sum(), 1.0))))
    rng = np.random.default_rng(_SEED)  # the integral over four and more gaps is done with chosen points: the same ones
    miss = multivariate_normal(np.zeros(len(live)), correlation, allow_singular=True, seed=rng).cdf(z[live])
    return Strike(each, float(np.clip(max(1.0 - float(miss), each.max()), 0.0, min(each.sum(), 1.0))))


@lru_cache(maxsize=8)
def _chosen_points(count: int) -> Floats:
    """Points (2**_POINTS, count) of the standard normal, the same ones every time."""
    drawn = Sobol(count, seed=np.random.default_rng(_SEED)).random_base2(_POINTS)
    return np.asarray(ndtri(np.clip(drawn, 1e-12, 1.0 - 1e-12)))


def _either(limit: Floats, rho: float) -> Floats:
    """Chance (n,) that one of two standard normal deviates with correlation rho exceeds its limit (n, 2)."""
    first, second = limit.T
    if abs(rho) > _ONE_LINE:
        return np.asarray(ndtr(-first) + ndtr(-second) if rho < 0 else ndtr(-np.minimum(first, second)))
    # P(b above) + integral, over b below its limit, of P(a above, given b)
    node, weight = np.polynomial.legendre.leggauss(_LINE)
    low = -9.0
    half = (np.clip(second, low, 9.0) - low) / 2.0
    b = low + half[:, None] * (node + 1.0)
    above = ndtr((rho * b - first[:, None]) / np.sqrt(1.0 - rho**2))
    density = np.exp(-(b**2) / 2.0) / np.sqrt(2.0 * np.pi)
    return np.asarray(ndtr(-second) + half * ((density * above) @ weight))


def _mixed(z: Floats, correlation: Floats, freedom: Floats) -> float:
    """Chance that any of several deviates exceeds its z, their common scale being open."""
    # quantiles u = v**3: close to one another where the scale is large
    v, weight = (np.polynomial.legendre.leggauss(_SCALES)[k] for k in (0, 1))
    v, weight = (v + 1.0) / 2.0, weight / 2.0
    u, weight = v**3, 3.0 * v**2 * weight
    scale = np.ones((_SCALES, len(z)))
    for k in np.flatnonzero(np.isfinite(freedom)).tolist():
        scale[:, k] = np.sqrt(freedom[k] / (2.0 * gammaincinv(freedom[k] / 2.0, u)))
    limit = z / scale
    if len(z) == 2:
        return float(weight @ _either(limit, float(correlation[0, 1])))
    value, vector = np.linalg.eigh(correlation)
    drawn = _chosen_points(len(z)) @ (vector * np.sqrt(np.maximum(value, 0.0))).T
    hit = np.zeros((_SCALES, len(drawn)), dtype=bool)
    for k in range(len(z)):
        hit |= drawn[None, :, k] > limit[:, k, None]
    return float(weight @ hit.mean(axis=1))


@dataclass(frozen=True, slots=True)
class Contacts:
    """Where a dig and the things beside it come nearest to one another, and how sure the gaps there are.

    Parameters
    ----------
    owner : (c,) array
        Position among the things asked for.
    gap : (c,) array
    covariance : (c, c) array
        Of the gaps together.
    dof : (c,) array
        Degrees of freedom of each variance.
    """

    owner: NDArray[np.int64]
    gap: Floats
    covariance: Floats
    dof: Floats


def _near_points(dig: Dig, shapes: NDArray[np.object_]) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Owner, gap, point on the dig and direction to the thing, of one contact or two of each thing.

    The first is where they come nearest. Two sides that run beside one another have two ends, and either may close
    when one of them is turned: the second is the nearest of the corners that lie elsewhere along the dig.
    """
    polygon, middle = dig.polygon, dig.corners.mean(axis=0)
    apart = _ELSEWHERE * dig.length
    owner: list[int] = []
    gap: list[float] = []
    point: list[Floats] = []
    normal: list[Floats] = []
    gaps, lines = least_gap(np.full(len(shapes), polygon, dtype=object), shapes)
    for k, shape in enumerate(shapes):
        ends = shapely.get_coordinates(lines[k])
        way = ends[1] - ends[0]
        between = shapely.get_coordinates(shapely.centroid(shape))[0] - middle
        size = float(np.hypot(*way))
        straight = way / size if size > _TINY else between / np.hypot(*between)
        if straight @ between < 0:
            straight = -straight
        found = [(float(gaps[k]), ends[0], straight)]
        if gaps[k] > _TINY:
            own = shapely.get_coordinates(shape)[:-1]
            to_thing = shapely.get_coordinates(shapely.shortest_line(shapely.points(dig.corners), shape))
            to_dig = shapely.get_coordinates(shapely.shortest_line(polygon, shapely.points(own)))
            pairs = np.concatenate([to_thing, to_dig]).reshape(-1, 2, 2)
            steps = pairs[:, 1] - pairs[:, 0]
            far = np.hypot(*steps.T)
            ok = (np.hypot(*(pairs[:, 0] - ends[0]).T) >= apart) & (far > _TINY)
            if ok.any():
                row = int(np.flatnonzero(ok)[np.argmin(far[ok])])
                found.append((float(far[row]), pairs[row, 0], steps[row] / far[row]))
        for distance, at, direction in found:
            owner.append(k)
            gap.append(distance)
            point.append(at)
            normal.append(direction)
    return np.array(owner, dtype=np.int64), np.array(gap), np.array(point), np.array(normal)


def contacts(
    dig: Dig, ties: Ties, joint: Floats, things: Sequence[Thing], rows: Sequence[int], dof: ArrayLike | None = None
) -> Contacts:
    """Find where a dig, as its ties set it, and things come nearest, and how sure the gaps there are.

    Parameters
    ----------
    dig : Dig
    ties : Ties
    joint : (2 n + 2 + 2 m, ...) array
        Covariance of the n anchors, the space and the m things.
    things : sequence of m Thing
    rows : sequence of int
        Things to look at.
    dof : (1 + m,) array, optional
        Degrees of freedom of the places of the space and of the things.

    Notes
    -----
    A gap's variance is that of the dig's point, as a mean of its corners, and of the thing, along the direction between
    them. Its degrees of freedom are Satterthwaite's, the share that comes from the thing's place being estimated.
    """
    if not rows:
        return Contacts(np.empty(0, dtype=np.int64), np.empty(0), np.zeros((0, 0)), np.zeros(0))
    shapes = np.array([things[row].shape for row in rows], dtype=object)
    owner, gap, point, normal = _near_points(dig, shapes)
    across, down = dig.corners[1] - dig.corners[0], dig.corners[3] - dig.corners[0]
    u = np.clip((point - dig.corners[0]) @ across / (across @ across), 0.0, 1.0)
    v = np.clip((point - dig.corners[0]) @ down / (down @ down), 0.0, 1.0)
    weights = np.stack([1.0 - u - v, u, np.zeros(len(u)), v], axis=1)  # of the four corners
    spread = np.einsum("kx,kc->kcx", normal, weights).reshape(len(owner), 8)
    known = ties.joint.shape[0]
    design = np.zeros((len(owner), joint.shape[0]))
    moved = ties.of_anchors.copy()
    moved[:, -2:] = 0.0  # the dig follows its anchors, wherever its space may really be
    design[:, :known] = -(spread @ moved)
    at = known + 2 * np.asarray(rows, dtype=np.int64)[owner]
    for x in range(2):
        design[np.arange(len(owner)), at + x] -= normal[:, x]
    total = np.asarray(design @ joint @ design.T + spread @ ties.tape_cov @ spread.T)
    freedom = np.full(len(owner), np.inf)
    if dof is not None:
        for k, place in enumerate(at.tolist()):
            own = float(normal[k] @ joint[place : place + 2, place : place + 2] @ normal[k])
            freedom[k] = shared_dof(float(np.asarray(dof)[1 + rows[owner[k]]]), own, float(total[k, k]))
    return Contacts(owner, gap, total, freedom)


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


def _spoil_place(dig: Dig, volume: float, blocked: Sequence[Any], back: float, unit: Unit) -> Any:
    """First free place for the spoil heap, foot side first; None when there is none within 20 ft."""
    foot = 1.0 if unit.is_foot else 0.3048
    area = max(volume / (_SPOIL_HEIGHT * foot), 0.01)
    ahead, right = _frame(dig.heads_azimuth)
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


# ---- the whole ------------------------------------------------------------------------------------------------------


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
    judge = _Judge(site, order, container, equipment, rules, unit)
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
        where = f"at the {'foot' if dig.from_head_line > _ALMOST else 'head'}"
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
        and dig.gaps[k] < 4.0 * _foot(unit)
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
    spoil_at = _spoil_place(dig, cut.spoil, blocked, rules["osha.spoil_back"], unit)
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


def _foot(unit: Unit) -> float:
    return 1.0 if unit.is_foot else 0.3048


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
        foot, head = _span(site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], _frame(azimuth)[0])
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


class _Judge:
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
        self._found.append(Reason(VERDICTS[0], text))

    def first(self, text: str) -> None:
        self._found.append(Reason(VERDICTS[1], text))

    def say(self, length: float) -> str:
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
        """How many are to lie over one another in the end, and what the rule says to that; return where this one goes."""
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
            _, right = _frame(dig.heads_azimuth)
            low, high = _span(site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], right)
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
            foot, head = _span(
                site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], _frame(dig.heads_azimuth)[0]
            )
            low, high = _span(
                site.shape, shapely.get_coordinates(shapely.centroid(site.shape))[0], _frame(dig.heads_azimuth)[1]
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
        if dig.outside > half + 0.5 * _STEP * _foot(self.unit):  # less is a space that is not quite square
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
            first(
                f"{words}, for {person or 'nobody named'}: it is to be closed or abandoned before another is opened here"
            )
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
