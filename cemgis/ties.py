"""Ties: taped distances from found markers to the corners of a dig, the best of them, and how sure they set it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from cemgis.adjust import Adjustment, adjust, radius_95
from cemgis.errors import Gather, InputError
from cemgis.units import Unit, compass_word, feet_and_inches

__all__ = [
    "CORNERS",
    "SIDES",
    "Anchors",
    "AsBuilt",
    "Check",
    "Offsets",
    "Shot",
    "TieNumbers",
    "Ties",
    "as_built",
    "circles_cross",
    "corner_word",
    "dig_corners",
    "lot_offsets",
    "plan_ties",
    "rigid_jacobian",
    "say_taped",
    "shared_dof",
    "slope_correction",
    "tie_jacobian",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CORNERS = ("head left", "head right", "foot right", "foot left")
"""Corners of a dig in order, as seen from its foot, facing the heads."""
SIDES = ("head", "right", "foot", "left")
"""Its sides, seen likewise."""

_MOST_ANCHORS = 40
_MIRROR = 3.0  # a check that the dig on the wrong side would pass within this many tolerances is no check
_MOST_PAIRS = 60
_SEES = 0.25  # share of a wrong anchor's push that a check must see at least
_NEARLY = 1.1
_STEPS = 30
_STILL = 1e-7
_WHERE = "as built"


@dataclass(frozen=True, slots=True)
class TieNumbers:
    """What taping can do; lengths in the ground's unit.

    Parameters
    ----------
    sigma : float
        Standard deviation of one taped distance, its reading and rounding included.
    share : float
        And in addition this share of the distance.
    reach : float
        Longest tie.
    least_angle : float
        Degrees; two ties that meet at a sharper angle, or flatter than 180 less this, do not make a corner.
    chance : float
        Chance with which a good check is more than its tolerance off.
    divide : float
        What the tape is read to; tolerances are rounded up to it.
    """

    sigma: float
    share: float
    reach: float
    least_angle: float
    chance: float
    divide: float

    def variance(self, distance: ArrayLike) -> Floats:
        """Variance of taped distances."""
        return np.asarray(self.sigma**2 + (self.share * np.asarray(distance, dtype=float)) ** 2)


@dataclass(frozen=True, slots=True)
class Anchors:
    """Things to tape from, and how sure their places are together with the place that is looked for.

    Parameters
    ----------
    ids : sequence of n str
    xy : (n, 2) array
        Grid coordinates.
    joint : (2 n + 2, 2 n + 2) array
        Covariance of the anchors' places, order E, N of the first and so on, and of the space's place last.
    dof : float
        Degrees of freedom of the space's own covariance; infinite where it is known.
    """

    ids: Sequence[str]
    xy: Floats
    joint: Floats
    dof: float = np.inf

    @classmethod
    def of(cls, ids: Sequence[str], xy: ArrayLike, cov: ArrayLike, target: ArrayLike | None = None) -> Anchors:
        """Make anchors whose errors have nothing to do with one another.

        Parameters
        ----------
        ids : sequence of n str
        xy : (n, 2) array
        cov : (n, 2, 2) array
        target : (2, 2) array, optional
            Covariance of the space's place; zero when left out.
        """
        places, blocks = np.asarray(xy, dtype=float), np.asarray(cov, dtype=float)
        n = len(places)
        joint = np.zeros((n + 1, 2, n + 1, 2))
        joint[np.arange(n), :, np.arange(n), :] = blocks
        if target is not None:
            joint[n, :, n, :] = target
        return cls(tuple(ids), places, joint.reshape(2 * n + 2, 2 * n + 2))


@dataclass(frozen=True, slots=True)
class Check:
    """A third tie, from a marker that took no part.

    Parameters
    ----------
    anchor : int
    corner : int
        Position in `CORNERS`.
    distance : float
        Ground distance.
    tolerance : float
        By how far it may be off.
    """

    anchor: int
    corner: int
    distance: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class Ties:
    """Ties that set one dig.

    Parameters
    ----------
    corners : (4, 2) array
        The dig's corners, grid, in the order of `CORNERS`.
    pair : (int, int)
        Anchors; the dig lies to the `side` of the line from the first to the second.
    side : str
        ``left`` or ``right``.
    distances : (2, 2) array
        Ground distances: rows head left and head right, columns the two anchors.
    angles : (2,) array
        Degrees at which the two ties of a corner meet.
    of_anchors : (8, 2 n + 2) array
        Error of the four corners, as set, for errors of the anchors' places and of the space's place: where the dig
        really comes to lie, less where it should in its space.
    tape_cov : (8, 8) array
        Covariance that taping adds.
    joint : (2 n + 2, 2 n + 2) array
        Covariance of the anchors and the space.
    check : Check or None
    why_no_check : str
    second : Check or None
        Another check, from a fourth anchor, where there is one.
    across : float
        By how far the taped head side may differ from its length.
    dof : float
        Degrees of freedom of the space's own covariance.
    """

    corners: Floats
    pair: tuple[int, int]
    side: str
    distances: Floats
    angles: Floats
    of_anchors: Floats
    tape_cov: Floats
    joint: Floats
    check: Check | None
    why_no_check: str = ""
    across: float = 0.0
    dof: float = np.inf
    second: Check | None = None

    @property
    def checks(self) -> tuple[Check, ...]:
        """The checks there are."""
        return tuple(one for one in (self.check, self.second) if one is not None)

    @property
    def covariance(self) -> Floats:
        """Covariance (8, 8) of the four corners as set, against the space they belong in."""
        return np.asarray(self.of_anchors @ self.joint @ self.of_anchors.T + self.tape_cov)

    @property
    def radius(self) -> float:
        """95 % radius of the dig's middle, as set, against the space it belongs in."""
        blocks = self.covariance.reshape(4, 2, 4, 2)
        return float(_radius(blocks.mean(axis=(0, 2)), self.joint[-2:, -2:], self.dof))

    @property
    def corner_radius(self) -> float:
        """Largest 95 % radius of the four corners."""
        blocks = self.covariance.reshape(4, 2, 4, 2)
        each = np.stack([blocks[k, :, k, :] for k in range(4)])
        return float(_radius(each, self.joint[-2:, -2:], self.dof).max())


def shared_dof(dof: ArrayLike, part: ArrayLike, total: ArrayLike) -> Floats:
    """Degrees of freedom of a variance of which only a part is estimated (Satterthwaite); never below 1.

    Examples
    --------
    >>> shared_dof(6.0, [0.5, 1.0, 3.0], 1.0).tolist()
    [24.0, 6.0, 6.0]
    """
    share = np.divide(part, total, out=np.ones(np.broadcast(part, total).shape), where=np.asarray(total) > 0)
    with np.errstate(divide="ignore", over="ignore"):
        return np.asarray(np.maximum(np.asarray(dof, dtype=float) / np.clip(share, 0.0, 1.0) ** 2, 1.0))


def _radius(cov: Floats, space: Floats, dof: float) -> Floats:
    """95 % radius of places whose covariance rests on that of a space."""
    return radius_95(cov, shared_dof(dof, np.trace(space), np.einsum("...ii->...", cov)))


# ---- geometry -------------------------------------------------------------------------------------------------------


def circles_cross(a: ArrayLike, b: ArrayLike, from_a: ArrayLike, from_b: ArrayLike) -> Floats:
    """Find where two circles cross.

    Parameters
    ----------
    a, b : (..., 2) array
        Middles.
    from_a, from_b : (...) array
        Radii.

    Returns
    -------
    (..., 2, 2) array
        First the point left of the line from a to b, then the one right of it; NaN where they do not cross.

    Examples
    --------
    >>> circles_cross([0, 0], [8, 0], 5, 5).tolist()
    [[4.0, 3.0], [4.0, -3.0]]
    """
    first, second = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    ra, rb = np.asarray(from_a, dtype=float), np.asarray(from_b, dtype=float)
    line = second - first
    apart = np.hypot(line[..., 0], line[..., 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (ra**2 - rb**2 + apart**2) / (2.0 * apart)
        away = np.sqrt(ra**2 - along**2)
        unit = line / apart[..., None]
    left = np.stack([-unit[..., 1], unit[..., 0]], axis=-1)
    foot = first + unit * along[..., None]
    return np.stack([foot + left * away[..., None], foot - left * away[..., None]], axis=-2)


def tie_jacobian(anchors: ArrayLike, point: ArrayLike) -> tuple[Floats, Floats]:
    """How a point set by two ties moves with its anchors and with the taped distances.

    Parameters
    ----------
    anchors : (..., 2, 2) array
    point : (..., 2) array

    Returns
    -------
    by_anchors : (..., 2, 2, 2) array
        Change of the point (second last but one axis) for a move of anchor k (k, then E, N).
    by_distances : (..., 2, 2) array
        Columns: for one unit more on the first and on the second tie.

    Notes
    -----
    With unit vectors u_k from anchor to point, ``u_k . (dP - dA_k) = dr_k`` for both k.

    Examples
    --------
    >>> moved, longer = tie_jacobian([[0.0, 0.0], [10.0, 10.0]], [10.0, 0.0])
    >>> (longer.round(12) + 0.0).tolist()
    [[1.0, 0.0], [0.0, -1.0]]
    """
    at, places = np.asarray(point, dtype=float), np.asarray(anchors, dtype=float)
    rays = at[..., None, :] - places
    units = rays / np.hypot(rays[..., 0], rays[..., 1])[..., None]
    inverse = np.linalg.inv(units)
    return np.einsum("...xk,...ky->...xky", inverse, units), inverse


def dig_corners(middle: ArrayLike, heads_azimuth: float, width: float, length: float) -> Floats:
    """Corners of a dig, in the order of `CORNERS`.

    Parameters
    ----------
    middle : (2,) array
    heads_azimuth : float
        Degrees from grid north, from feet to heads.
    width, length : float

    Returns
    -------
    (4, 2) array

    Examples
    --------
    >>> dig_corners([0.0, 0.0], 270.0, 4.0, 8.0).round(9).tolist()
    [[-4.0, -2.0], [-4.0, 2.0], [4.0, 2.0], [4.0, -2.0]]
    """
    turn = np.radians(heads_azimuth)
    ahead = np.array([np.sin(turn), np.cos(turn)])
    right = np.array([ahead[1], -ahead[0]])
    half, reach = right * width / 2.0, ahead * length / 2.0
    return np.asarray(middle, dtype=float) + np.stack([reach - half, reach + half, half - reach, -half - reach])


def rigid_jacobian(corners: ArrayLike) -> Floats:
    """Error (8, 4) of the four corners for errors of the two head corners, the dig being kept rectangular.

    Its middle of the head side follows the mean of the two, its turn their difference across the head side.

    Examples
    --------
    >>> turned = rigid_jacobian(dig_corners([0, 0], 0.0, 4.0, 8.0)) @ [0.0, -0.02, 0.0, 0.02]  # right corner ahead
    >>> turned.reshape(4, 2).round(4).tolist()
    [[0.0, -0.02], [0.0, 0.02], [0.08, 0.02], [0.08, -0.02]]
    """
    at = np.asarray(corners, dtype=float)
    across = at[1] - at[0]
    width = float(np.hypot(*across))
    normal = np.array([-across[1], across[0]]) / width
    middle = (at[0] + at[1]) / 2.0
    lever = np.stack([-(at[:, 1] - middle[1]), at[:, 0] - middle[0]], axis=1)  # displacement for a turn of 1 radian
    turn = np.concatenate([-normal, normal]) / width
    mean = np.hstack([np.eye(2), np.eye(2)]) / 2.0
    return np.asarray((mean[None] + lever[:, :, None] * turn[None, None, :]).reshape(8, 4))


def slope_correction(level: ArrayLike, fall: ArrayLike) -> Floats:
    """Length to add to a level distance when the tape lies along a slope that falls by `fall` over it.

    Examples
    --------
    >>> round(float(slope_correction(40.0, 2.0)), 4)
    0.05
    """
    return np.asarray(np.hypot(np.asarray(level, dtype=float), np.asarray(fall, dtype=float)) - np.asarray(level))


def corner_word(ring: ArrayLike, corner: int, convergence: float = 0.0) -> str:
    """Name a corner of a rectangle by the compass, so that no two have one name.

    The two south corners of a narrow stone both lie nearly south of its middle. Its corner is named as that of a square
    stone turned the same way.

    Parameters
    ----------
    ring : (4, 2) array_like
        Corners in order, grid.
    corner : int
    convergence : float
        True azimuth less grid azimuth, degrees.

    Examples
    --------
    >>> ring = [(0, 0), (0.75, 0), (0.75, 2), (0, 2)]
    >>> [corner_word(ring, k) for k in range(4)]
    ['southwest', 'southeast', 'northeast', 'northwest']
    """
    at = np.asarray(ring, dtype=float)
    sides = at[corner] - at[[corner - 1, (corner + 1) % 4]]
    long = np.hypot(*sides.T)
    square = (sides / np.where(long > 0, long, 1.0)[:, None]).sum(axis=0)
    return compass_word(float(np.degrees(np.arctan2(*square))) + convergence)


def say_taped(length: float, unit: Unit, reads: str) -> str:
    """Say a taped length as the crew's tape reads: ``inches`` (to 1/2 in), ``tenths`` of feet (0.02) or ``metres``.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> say_taped(31.96, FOOT, "inches"), say_taped(31.96, FOOT, "tenths"), say_taped(31.96, FOOT, "metres")
    ('31 ft 11 1/2 in', '31.96 ft', '9.74 m')
    """
    feet = length if unit.is_foot else length * unit.metres / 0.3048
    if reads == "inches":
        return feet_and_inches(feet)
    return f"{feet:.2f} ft" if reads == "tenths" else f"{length * unit.metres:.2f} m"


# ---- choosing ties --------------------------------------------------------------------------------------------------


def plan_ties(
    corners: ArrayLike, anchors: Anchors, numbers: TieNumbers, *, factor: float = 1.0, leave: Sequence[str] = ()
) -> Ties | None:
    """Choose the two anchors from which the head side is set best, and a third that checks it.

    Parameters
    ----------
    corners : (4, 2) array
        The dig, in the order of `CORNERS`.
    anchors : Anchors
    numbers : TieNumbers
    factor : float
        Grid distance over ground distance.
    leave : sequence of str
        Ids not to use: the checker's ties come from others.

    Returns
    -------
    Ties or None
        None when no two anchors within reach meet at a good angle.

    Notes
    -----
    Every pair within reach of both head corners is tried; the one with the smallest largest 95 % radius over the dig's
    four corners wins; of those within a tenth of it, the one with the shortest tapes; a pair that no third anchor can
    check only when there is no other. The covariance has the anchors' places, what they share with the space's own
    place, and the tape.

    Examples
    --------
    >>> place = Anchors.of(["A-1", "A-2", "A-9"], [[0, 0], [30, 0], [0, 40]], np.full((3, 2, 2), np.eye(2) * 1e-4))
    >>> numbers = TieNumbers(0.03, 0.0, 100.0, 30.0, 0.01, 1 / 24)
    >>> made = plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), place, numbers)
    >>> made.pair, made.side, made.distances[0].round(2).tolist(), made.check.anchor
    ((0, 1), 'left', [22.2, 24.76], 2)
    """
    at = np.asarray(corners, dtype=float)
    n = len(anchors.ids)
    reach = np.hypot(*(at[None, :2] - anchors.xy[:, None]).transpose(2, 0, 1)) / factor  # anchor, head corner
    usable = np.flatnonzero(
        (reach.max(axis=1) <= numbers.reach)
        & (reach.min(axis=1) > 0)
        & ~np.isin(np.array(anchors.ids, dtype=object), leave)
    )
    usable = usable[np.argsort(reach[usable].max(axis=1), kind="stable")][:_MOST_ANCHORS]
    if len(usable) < 2:
        return None
    first, second = (usable[side] for side in np.triu_indices(len(usable), 1))
    places = np.stack([anchors.xy[first], anchors.xy[second]], axis=1)  # p, 2, 2
    rays = at[None, None, :2] - places[:, :, None]  # p, anchor, corner, 2
    units = rays / np.hypot(rays[..., 0], rays[..., 1])[..., None]
    cosine = np.einsum("pcx,pcx->pc", units[:, 0], units[:, 1])
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    # both head corners must lie on one side of the line between the anchors
    line = places[:, 1] - places[:, 0]
    off = line[:, None, 0] * (at[None, :2, 1] - places[:, None, 0, 1]) - line[:, None, 1] * (
        at[None, :2, 0] - places[:, None, 0, 0]
    )
    good = ((angle >= numbers.least_angle) & (angle <= 180.0 - numbers.least_angle)).all(axis=1)
    good &= (off > 0).all(axis=1) | (off < 0).all(axis=1)
    keep = np.flatnonzero(good)
    if not len(keep):
        return None
    first, second, places, angle, off = first[keep], second[keep], places[keep], angle[keep], off[keep]
    by_anchors, by_tapes = tie_jacobian(places[:, None].repeat(2, axis=1), np.broadcast_to(at[:2], (len(keep), 2, 2)))
    rigid = rigid_jacobian(at).reshape(8, 2, 2)  # corner error for head corner h, x
    # an anchor really standing east of where it was thought to be carries the dig east: the error is minus its error
    of_pair = -np.einsum("rhx,phxky->prky", rigid, by_anchors).reshape(len(keep), 8, 4)
    lengths = np.hypot(*(at[None, :2, None] - places[:, None]).transpose(3, 0, 1, 2)) / factor  # p, corner, anchor
    spread = np.einsum("rhx,phxk->prhk", rigid, by_tapes).reshape(len(keep), 8, 4)
    variance = numbers.variance(lengths).reshape(len(keep), 4)
    tape = np.einsum("pri,pi,psi->prs", spread, variance, spread) * factor**2
    columns = np.stack([2 * first, 2 * first + 1, 2 * second, 2 * second + 1], axis=1)
    space = np.array([2 * n, 2 * n + 1])
    own = np.tile(np.eye(2), (4, 1))  # the space's place, if wrong by e, was planned e too far: the dig misses by +e
    every = np.concatenate([columns, np.broadcast_to(space, (len(keep), 2))], axis=1)
    design = np.concatenate([of_pair, np.broadcast_to(own, (len(keep), 8, 2))], axis=2)
    block = anchors.joint[every[:, :, None], every[:, None, :]]
    total = design @ block @ design.transpose(0, 2, 1) + tape
    each = total.reshape(len(keep), 4, 2, 4, 2)
    radius = radius_95(np.stack([each[:, k, :, k, :] for k in range(4)], axis=1)).max(axis=1)
    # pairs nearly as good as the best first, those with the shortest tapes first among them; the first with a check
    longest = lengths.reshape(len(keep), 4).max(axis=1)
    near = radius <= _NEARLY * radius.min()
    order = np.lexsort((np.where(near, longest, radius), ~near))
    chosen: Ties | None = None
    side = (at[1] - at[0]) / np.hypot(*(at[1] - at[0]))
    stretch = np.einsum("x,pcxk->pck", side, by_tapes).reshape(len(keep), 4)
    off_by = ndtri(1.0 - numbers.chance / 2.0) * np.sqrt((stretch**2 * variance).sum(axis=1) + numbers.sigma**2)
    across = np.ceil(off_by / numbers.divide) * numbers.divide
    for best in order[:_MOST_PAIRS]:
        of_anchors = np.zeros((8, 2 * n + 2))
        of_anchors[:, every[best]] = design[best]
        pair = (int(first[best]), int(second[best]))
        made = Ties(
            at, pair, "left" if off[best, 0] > 0 else "right", lengths[best], angle[best], of_anchors, tape[best],
            anchors.joint, None, across=float(across[best]), dof=anchors.dof,
        )  # fmt: skip
        others = [int(row) for row in usable if row not in pair]
        check, why = _check(made, anchors, numbers, factor, others)
        if check is not None:
            # the second from another anchor yet; the other foot corner, if that checks as well
            fourth = [row for row in others if row != check.anchor]
            another, _ = _check(made, anchors, numbers, factor, fourth, other_than=check.corner)
            return replace(made, check=check, second=another)
        chosen = replace(made, why_no_check=why) if chosen is None else chosen
    return chosen


def _check(
    made: Ties, anchors: Anchors, numbers: TieNumbers, factor: float, others: Sequence[int],
    other_than: int | None = None,
) -> tuple[Check | None, str]:  # fmt: skip
    """Find the third anchor and the foot corner that check the dig best, also against the wrong side of the line."""
    if not others:
        return None, "no third marker or stone stands within a tape"
    a, b = anchors.xy[made.pair[0]], anchors.xy[made.pair[1]]
    unit = (b - a) / np.hypot(*(b - a))
    away = made.corners - a
    mirrored = a + 2.0 * np.outer(away @ unit, unit) - away
    rows = np.array(others)
    corner = np.array([2, 3])
    ray = made.corners[corner][None] - anchors.xy[rows][:, None]
    distance = np.hypot(ray[..., 0], ray[..., 1])
    toward = ray / np.where(distance > 0, distance, 1.0)[..., None]
    n2 = made.joint.shape[0]
    row_of = np.zeros((len(rows), 2, n2))
    for k, where in enumerate(corner):
        # measured less planned: what the corner did wrong along the ray, and the anchor's own error
        only = made.of_anchors[2 * where : 2 * where + 2].copy()
        only[:, -2:] = 0.0  # whether the space is where it should be is nothing a tape can tell
        row_of[:, k] = toward[:, k] @ only
        for x in range(2):
            row_of[np.arange(len(rows)), k, 2 * rows + x] += toward[:, k, x]
    variance = np.einsum("rki,ij,rkj->rk", row_of, made.joint, row_of)
    tape = np.stack([made.tape_cov[2 * c : 2 * c + 2, 2 * c : 2 * c + 2] for c in corner])
    variance += np.einsum("rkx,kxy,rky->rk", toward, tape, toward) + numbers.variance(distance)
    tolerance = np.ceil(ndtri(1.0 - numbers.chance / 2.0) * np.sqrt(variance) / factor / numbers.divide - 1e-9)
    tolerance = np.maximum(tolerance, 1.0) * numbers.divide
    # what the check sees when one anchor is the wrong one, or both its tapes are misread alike: a push along its ties
    _, by_tapes = tie_jacobian(
        np.broadcast_to(anchors.xy[list(made.pair)], (2, 2, 2)), np.asarray(made.corners[:2])
    )  # head corner, x, anchor
    pushed = np.einsum("rhx,hxk->rk", rigid_jacobian(made.corners).reshape(8, 2, 2), by_tapes).reshape(4, 2, 2)[corner]
    sees = np.abs(np.einsum("rcx,cxk->rck", toward, pushed)).min(axis=2)
    wrong = np.hypot(*(mirrored[corner][None] - anchors.xy[rows][:, None]).transpose(2, 0, 1))
    tells = np.abs(wrong - distance) / factor > _MIRROR * tolerance
    tells &= sees >= _SEES
    fits = (distance / factor <= numbers.reach) & (distance > 0)
    if not (tells & fits).any():
        why = "the markers within a tape stand too nearly in one line: a dig in a wrong place would pass the check"
        return None, why if fits.any() else "no third marker or stone stands within a tape"
    score = np.where(tells & fits, (tolerance + 1e-6 * distance) / np.maximum(sees, _SEES), np.inf)
    if other_than is not None and np.isfinite(score[:, corner != other_than]).any():
        score[:, corner == other_than] = np.inf
    row, k = divmod(int(np.argmin(score)), len(corner))
    return Check(int(rows[row]), int(corner[k]), float(distance[row, k] / factor), float(tolerance[row, k])), ""


# ---- from the lot's own marker --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Offsets:
    """Where a dig lies, measured along two sides of its lot from the lot's own marker; ground distances.

    Parameters
    ----------
    along, across : (float, float)
        From where to where, in the direction of the first and of the second side; negative on the other side.
    along_azimuth, across_azimuth : float
        Degrees from grid north.
    """

    along: tuple[float, float]
    across: tuple[float, float]
    along_azimuth: float
    across_azimuth: float


def lot_offsets(corners: ArrayLike, marker: ArrayLike, lot: ArrayLike, *, factor: float = 1.0) -> Offsets:
    """Say where a dig lies along and across its lot from the lot's own marker.

    Parameters
    ----------
    corners : (4, 2) array
        The dig.
    marker : (2,) array
    lot : (k, 2) array
        Corners of the lot, in order, not closed. The sides are those that meet nearest the marker; the longer is
        `along`.
    factor : float
        Grid distance over ground distance.

    Examples
    --------
    >>> lot = [[0, 0], [12, 0], [12, 16], [0, 16]]
    >>> dig = dig_corners([6.25, 14.0], 270.0, 46 / 12, 102 / 12)
    >>> feet_and_inches(lot_offsets(dig, [0, 0], lot).along[0])
    '12 ft 1 in'
    """
    ring, at, mark = (np.asarray(values, dtype=float) for values in (lot, corners, marker))
    here = int(np.argmin(np.hypot(*(ring - mark).T)))
    sides = [_side(ring, here, step) for step in (1, -1)]
    sides.sort(key=lambda side: -float(np.hypot(*side)))
    spans, ways = [], []
    for side in sides:
        unit = side / np.hypot(*side)
        reach = (at - mark) @ unit / factor
        spans.append((float(reach.min()), float(reach.max())))
        ways.append(float(np.degrees(np.arctan2(unit[0], unit[1])) % 360.0))
    return Offsets(spans[0], spans[1], ways[0], ways[1])


def _side(ring: Floats, here: int, step: int) -> Floats:
    """Side of a ring from a corner, past points in the middle of a side."""
    side: Floats = ring[(here + step) % len(ring)] - ring[here]
    for count in range(2, len(ring)):
        following = ring[(here + step * count) % len(ring)] - ring[(here + step * (count - 1)) % len(ring)]
        turn = abs(side[0] * following[1] - side[1] * following[0])
        if turn > 0.1 * np.hypot(*side) * np.hypot(*following):
            break
        side = side + following
    return side


# ---- as built -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """A rectangle as it really lies, from tape measurements.

    Parameters
    ----------
    corners : (4, 2) array
        In the order of `CORNERS`.
    heads_azimuth : float
        Degrees from grid north.
    covariance : (8, 8) array
        Of the corners.
    sigma : float
        Root of the mean variance of a coordinate of the corners.
    residuals : (n,) array
        Adjusted less measured: taped distances on the ground, then two coordinates of each corner shot and one of each
        probed side.
    w : (n,) array
        Baarda's statistic; NaN where nothing checks the measurement.
    dof : int
    """

    corners: Floats
    heads_azimuth: float
    covariance: Floats
    sigma: float
    residuals: Floats
    w: Floats
    dof: int


@dataclass(frozen=True, slots=True)
class Shot:
    """A point of a rectangle whose coordinates were read.

    Parameters
    ----------
    what : str
        One of `CORNERS`; or one of `SIDES`, somewhere along which a probe felt its edge.
    xy : (float, float)
        Grid.
    sigma : float
        Standard deviation of each coordinate.
    """

    what: str
    xy: tuple[float, float]
    sigma: float


def as_built(
    anchor: ArrayLike, corner: ArrayLike, distance: ArrayLike, *, anchors: Anchors, start: ArrayLike,
    size: tuple[float, float], numbers: TieNumbers, factor: float = 1.0, blunder: float = 4.0,
    shots: Sequence[Shot] = (),
) -> AsBuilt:  # fmt: skip
    """Find where a rectangle of known size lies from what was taped to, shot at and felt of it, by least squares.

    Parameters
    ----------
    anchor, corner : (n,) int arrays
        What each distance was taped from, and to: position in `CORNERS`.
    distance : (n,) array
        Ground distances, tape level.
    anchors : Anchors
    start : (4, 2) array
        Where it was meant to lie.
    size : (float, float)
        Width and length.
    numbers : TieNumbers
    factor : float
        Grid distance over ground distance.
    blunder : float
        A measurement with a larger w is refused: it cannot be.
    shots : sequence of Shot

    Returns
    -------
    AsBuilt

    Raises
    ------
    InputError
        For fewer than four measurements (a corner shot is two), a distance that is not above 0, longer than the reach,
        one the others contradict, or measurements that do not tell where the rectangle lies.

    Notes
    -----
    Unknowns: middle and turn. Observations ``|c_j - a_k| = d``, ``c_j = x`` and, for a point on the side with outward
    normal n, ``n . (x - middle) = half``; the covariance of the first has the tape and the anchors' places.

    Examples
    --------
    >>> place = Anchors.of(["A-1", "A-2", "A-9"], [[0, 0], [30, 0], [0, 40]], np.full((3, 2, 2), np.eye(2) * 1e-6))
    >>> true = dig_corners([15.1, 14.2], 1.0, 3.0, 7.5)
    >>> ties = [(0, 0), (1, 0), (0, 1), (1, 1), (2, 3)]
    >>> taped = [np.hypot(*(true[c] - place.xy[a])) for a, c in ties]
    >>> found = as_built(*zip(*ties), taped, anchors=place, start=dig_corners([15, 14], 0, 3, 7.5), size=(3.0, 7.5),
    ...                  numbers=TieNumbers(0.03, 0.0, 100.0, 30.0, 0.01, 1 / 24))
    >>> bool(np.allclose(found.corners, true, rtol=0, atol=1e-6)), round(found.heads_azimuth, 4), found.dof
    (True, 1.0, 2)
    """
    a, c = np.asarray(anchor, dtype=np.int64), np.asarray(corner, dtype=np.int64)
    taped = np.asarray(distance, dtype=float)
    _taped_can_be(a, c, taped, anchors, numbers, shots)
    width, length = size
    first = np.asarray(start, dtype=float)
    middle = first.mean(axis=0)
    ahead = first[0] + first[1] - first[2] - first[3]
    turn = float(np.degrees(np.arctan2(ahead[0], ahead[1])))
    observed = taped * factor
    made: Adjustment | None = None
    names = [f"{CORNERS[c[row]]} from {anchors.ids[a[row]]}" for row in range(len(a))] + _shot_names(shots)
    measured = np.concatenate([taped, np.zeros(len(names) - len(taped))])
    for _ in range(_STEPS):
        at = dig_corners(middle, turn, width, length)
        ray = at[c] - anchors.xy[a]
        long = np.hypot(ray[:, 0], ray[:, 1])
        unit = ray / np.where(long > 0, long, 1.0)[:, None]
        lever = np.stack([at[:, 1] - middle[1], -(at[:, 0] - middle[0])], axis=1)  # clockwise turn
        design = np.column_stack([unit, np.einsum("nx,nx->n", unit, lever[c])])
        by_anchor = np.zeros((len(a), 2 * len(anchors.ids)))
        for x in range(2):
            by_anchor[np.arange(len(a)), 2 * a + x] = -unit[:, x]
        joint = anchors.joint[:-2, :-2]
        more, off, variance = _shot_rows(shots, at, middle, turn, size)
        covariance = np.zeros((len(names), len(names)))
        covariance[: len(a), : len(a)] = by_anchor @ joint @ by_anchor.T + np.diag(numbers.variance(taped) * factor**2)
        covariance[len(a) :, len(a) :] = np.diag(variance)
        try:
            made = adjust(np.vstack([design, more]), np.concatenate([observed - long, off]), covariance)
        except InputError:
            raise InputError.of(
                _WHERE, "the measurements do not tell where the rectangle lies",
                "Tape two corners from two markers each.",
            ) from None  # fmt: skip
        middle = middle + made.parameters[:2]
        turn += float(np.degrees(made.parameters[2]))
        if np.abs(made.parameters * [1.0, 1.0, length]).max() < _STILL:
            break
    else:
        # they lead nowhere: the one farthest from what the plan says is the likeliest to be wrong
        planned = np.hypot(*(first[c] - anchors.xy[a]).T) / factor
        if not len(a):
            raise InputError.of(_WHERE, "the points cannot lie on one rectangle", "Shoot them again.")
        row = int(np.argmax(np.abs(planned - taped)))
        raise InputError.of(
            _WHERE,
            f"{names[row]}: {taped[row]:.2f} cannot be beside the others, planned was {planned[row]:.2f}",
            "Tape it again.",
        )
    if made is None:  # the loop ran at least once
        raise InputError.of(_WHERE, "no distance", "Tape four.")
    scale = np.where(np.arange(len(names)) < len(a), factor, 1.0)
    worst = np.nan_to_num(np.abs(made.w))
    if worst.max(initial=0.0) > blunder:
        row = int(np.argmax(worst))
        off_by = float(made.residuals[row] / scale[row])
        said = (
            f"{measured[row]:.2f} cannot be, the others say {measured[row] + off_by:.2f}"
            if row < len(a)
            else f"it cannot be, it is {abs(off_by):.2f} from where the others say"
        )
        raise InputError.of(_WHERE, f"{names[row]}: {said}", "Measure it again.")
    at = dig_corners(middle, turn, width, length)
    lever = np.stack([at[:, 1] - middle[1], -(at[:, 0] - middle[0])], axis=1)
    spread = np.concatenate([np.broadcast_to(np.eye(2), (4, 2, 2)), lever[:, :, None]], axis=2).reshape(8, 3)
    cov = spread @ made.covariance @ spread.T
    return AsBuilt(at, turn % 360.0, cov, float(np.sqrt(np.trace(cov) / 8.0)), made.residuals / scale, made.w, made.dof)


def _shot_names(shots: Sequence[Shot]) -> list[str]:
    return [name for shot in shots for name in [f"shot {shot.what}"] * (2 if shot.what in CORNERS else 1)]


def _shot_rows(
    shots: Sequence[Shot], at: Floats, middle: Floats, turn: float, size: tuple[float, float]
) -> tuple[Floats, Floats, Floats]:
    """Design, observed less computed, and variance of what was shot and felt."""
    angle = np.radians(turn)
    ahead = np.array([np.sin(angle), np.cos(angle)])
    right = np.array([ahead[1], -ahead[0]])
    outward = {"head": (ahead, right, size[1]), "foot": (-ahead, -right, size[1]), "right": (right, -ahead, size[0]),
               "left": (-right, ahead, size[0])}  # fmt: skip
    rows, off, variance = [], [], []
    for shot in shots:
        point = np.asarray(shot.xy, dtype=float)
        if shot.what in CORNERS:
            corner = at[CORNERS.index(shot.what)]
            lever = (corner[1] - middle[1], -(corner[0] - middle[0]))
            rows += [[1.0, 0.0, lever[0]], [0.0, 1.0, lever[1]]]
            off += (point - corner).tolist()
        else:
            normal, turned, across = outward[shot.what]  # the normal, and how it changes for a turn clockwise
            rows.append([normal[0], normal[1], -float(turned @ (point - middle))])
            off.append(float(normal @ (point - middle)) - across / 2.0)
        variance += [shot.sigma**2] * (2 if shot.what in CORNERS else 1)
    return np.array(rows, dtype=float).reshape(-1, 3), np.array(off, dtype=float), np.array(variance, dtype=float)


def _taped_can_be(
    a: Ints, c: Ints, taped: Floats, anchors: Anchors, numbers: TieNumbers, shots: Sequence[Shot]
) -> None:
    gather = Gather()
    for row, value in enumerate(taped):
        where = f"{_WHERE}: {CORNERS[c[row]]} from {anchors.ids[a[row]]}"
        if not np.isfinite(value) or value <= 0:
            gather.add(where, f"{value:g} is no distance", "Write what the tape said.")
        elif value > 2.0 * numbers.reach:
            gather.add(where, f"{value:.1f} is longer than two tapes", "Write what the tape said.")
    for shot in shots:
        if shot.what not in (*CORNERS, *SIDES):
            gather.add(_WHERE, f"there is no {shot.what}", f"One of: {', '.join((*CORNERS, *SIDES))}.")
        elif not np.isfinite(shot.xy).all() or not shot.sigma > 0:
            gather.add(f"{_WHERE}: shot {shot.what}", "no place, or no error", "Write both coordinates.")
    count = len(taped) + len(_shot_names(shots))
    if count < 4:
        gather.add(
            _WHERE,
            f"{count} measurements",
            "Tape at least four: two corners from two markers each; or shoot two corners.",
        )
    gather.raise_if_any()
