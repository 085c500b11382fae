"""What may be written wrongly of a section's plat: which single change makes the markers found agree with it.

Nothing here changes a plat. A section's rows are written once more with one thing otherwise, all markers found on the
plat are laid on that by a similarity, and it is counted how many of them agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from cemgis.errors import InputError
from cemgis.fit.robust import candidate_states
from cemgis.ground import CORNERS, Ground, Rows, Section, Size
from cemgis.plat import Plat, make_plat, match_label
from cemgis.units import FOOT, Unit, say_length

__all__ = ["Agreement", "Otherwise", "agreement", "other_ways", "say_ways"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_OPPOSITE = {"north": "south", "south": "north", "east": "west", "west": "east"}
_NUMBERINGS = ("run on", "back and forth")
_NEAR = 0.25
"""A marker agrees when it lies within this share of the short side of a lot. Assumption, no source."""
_LEAST, _SHARE, _BETTER = 4, 0.75, 2
"""A change explains a section when so many of its markers, such a share of them, and so many more than now agree.
Assumption, no source; a similarity goes through any two markers."""
_SHIFTS = 3
_MOST_NUMBERS = 60


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the markers of a plat agree with it.

    Parameters
    ----------
    own, others : int
        Markers that agree in the section in question, and in the plat's other sections.
    of : int
        Markers of the section whose label the plat has.
    miss : float
        Root mean square miss of those that agree.
    """

    own: int
    others: int
    of: int
    miss: float


@dataclass(frozen=True, slots=True)
class Otherwise:
    """One change of what is written, and how the markers agree with it."""

    said: str
    agreement: Agreement


def agreement(plat_xy: Floats, grid_xy: Floats, own: Flags, near: float, scale_off: float) -> Agreement:
    """Count the markers within `near` of their place under the similarity with which most of them are.

    Parameters
    ----------
    plat_xy, grid_xy : (n, 2) array
        Where the markers should stand on the plat, and where they were found.
    own : (n,) array of bool
        Which are of the section in question.
    near : float
    scale_off : float
        A similarity whose scale differs from 1 by more does not count.

    Examples
    --------
    >>> plat = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 50.0], [100.0, 50.0]])
    >>> found = np.array([[10.0, 5.0], [10.0, 105.0], [-40.0, 5.0], [300.0, 5.0]])
    >>> agreement(plat, found, np.ones(4, dtype=bool), 1.0, 0.03)
    Agreement(own=3, others=0, of=4, miss=0.0)
    """
    none = Agreement(0, 0, int(own.sum()), float("inf"))
    if len(plat_xy) < 2:
        return none
    middle = plat_xy.mean(axis=0)
    u, origin = plat_xy - middle, grid_xy.mean(axis=0)
    away = grid_xy - origin
    best: tuple[int, float] | None = None
    for state in candidate_states("conformal", u, away, 1.0):
        if abs(np.hypot(*state.linear[:, 0]) - 1.0) > scale_off:
            continue
        good = np.hypot(*(away - u @ state.linear.T - state.offset).T) <= near
        for _ in range(2):  # the sample's own similarity, then one through all that agree with it
            if good.sum() < 2:
                break
            linear, offset = _similarity(u[good], away[good])
            square = ((away - u @ linear.T - offset) ** 2).sum(axis=1)
            good = square <= near**2
        if good.sum() < 2 or abs(np.hypot(*linear[:, 0]) - 1.0) > scale_off:
            continue
        rank = int(good.sum()), -float(np.sqrt(square[good].mean()))
        if best is None or rank > best:
            best, kept = rank, good
    if best is None:
        return none
    return Agreement(int((kept & own).sum()), int((kept & ~own).sum()), int(own.sum()), round(-best[1], 6))


def _similarity(u: Floats, w: Floats) -> tuple[Floats, Floats]:
    z, g = u @ np.array([1.0, 1j]), w @ np.array([1.0, 1j])
    z0, g0 = z.mean(), g.mean()
    spread = float((np.abs(z - z0) ** 2).sum())
    factor = ((z - z0).conj() @ (g - g0)) / spread if spread > 0 else 1.0
    origin = g0 - factor * z0
    return np.array([[factor.real, -factor.imag], [factor.imag, factor.real]]), np.array([origin.real, origin.imag])


def other_ways(
    ground: Ground, plat: Plat, section: str, labels: Sequence[tuple[str, str | None]], grid_xy: Floats,
    site: npt.NDArray[np.int64],
) -> tuple[Agreement, list[Otherwise]]:  # fmt: skip
    """Look for single changes of a section's rows with which its markers agree.

    Parameters
    ----------
    ground : Ground
    plat : Plat
        As it is written.
    section : str
        One whose lots are laid out in rows.
    labels : sequence of (str, str or None)
        Of the markers found: the label as read, and the section it was read in if that is known.
    grid_xy : (n, 2) array
    site : (n,) array of int
        Row of ``plat.sites`` each of them names; -1 for none.

    Returns
    -------
    now : Agreement
    ways : list of Otherwise
        Those that explain the section, best first; those with which the same markers agree stand side by side.
    """
    entry = ground.section(section)
    sites = plat.sites
    of_site = np.where(site >= 0, sites["section"].to_numpy(dtype=object)[site], None)
    told = [section in (own, named) for own, (_, named) in zip(of_site, labels, strict=True)]
    mine = np.array(told, dtype=bool)
    others = (site >= 0) & (sites["plat"] == entry.plat).to_numpy(dtype=bool)[site] & ~mine
    fixed = sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
    near = _NEAR * float(plat.lots.loc[plat.lots["section"] == section, "short_side"].min())
    off = float(ground.rules["fit.scale_off"])

    def judge(made: Plat) -> Agreement:
        found = [match_label(label, section, made).site if own else None
                 for (label, _), own in zip(labels, mine, strict=True)]  # fmt: skip
        at = np.array([-1 if one is None else one for one in found], dtype=np.int64)
        there = made.sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
        known = at >= 0
        places = np.vstack([there[at[known]], fixed[site[others]]])
        grid = np.vstack([grid_xy[known], grid_xy[others]])
        own = np.arange(len(places)) < known.sum()
        return agreement(places, grid, own, near, off)

    now = judge(_alone(ground, entry))
    numbers = _numbers_found(labels, mine)
    ways = []
    for said, changed in _changes(entry, numbers):
        try:
            found = judge(_alone(ground, changed))
        except InputError:
            continue  # it cannot be written so: a number twice, a lot beyond its row
        enough = found.own >= max(_LEAST, _SHARE * max(found.of, now.of)) and found.own >= now.own + _BETTER
        if enough and found.others >= now.others - 1:
            ways.append(Otherwise(said, found))
    ways.sort(key=lambda way: (-way.agreement.own, way.agreement.miss))
    return now, [way for way in ways if way.agreement.own == ways[0].agreement.own]


def say_ways(now: Agreement, ways: Sequence[Otherwise], unit: Unit) -> str:
    """Say in a sentence what would make the markers agree.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> now = Agreement(5, 0, 13, 0.1)
    >>> say_ways(now, [Otherwise('numbering were "back and forth"', Agreement(13, 0, 13, 0.1))], FOOT)
    'as it is written 5 of 13 agree; 13 of 13 would, within 0.10 ft, if numbering were "back and forth"'
    >>> say_ways(now, [], FOOT)
    'no single change of its rows explains it'
    """
    if not ways:
        return "no single change of its rows explains it"
    best = ways[0].agreement
    said = [way.said for way in ways[:3]] + ([f"{len(ways) - 3} other things were changed"] if len(ways) > 3 else [])
    return (
        f"as it is written {now.own} of {now.of} agree; {best.own} of {best.of} would, within "
        f"{say_length(best.miss, unit)}, if {', or if '.join(said)}"
    )


def _alone(ground: Ground, entry: Section) -> Plat:
    """Return the plat of one section, without what has no place on it."""
    alone = replace(entry, exceptions=(), niches=(), outline=None, seen=None)
    return make_plat(replace(ground, sections=(alone,)), {})


def _numbers_found(labels: Sequence[tuple[str, str | None]], mine: Flags) -> list[int]:
    """Return the numbers in the labels of the section's markers, in order: the last run of digits of each."""
    found = set()
    for (label, _), own in zip(labels, mine, strict=True):
        digits = "".join(sign if sign.isdigit() else " " for sign in str(label)).split()
        if own and digits and len(digits[-1]) <= 6:
            found.add(int(digits[-1]))
    return sorted(found)


def _changes(entry: Section, numbers: Sequence[int]) -> Iterator[tuple[str, Section]]:
    """Yield each single change with what it says after "if"."""
    rows = entry.rows

    def all_rows(said: str, **more: Any) -> tuple[str, Section]:
        return said, replace(entry, rows=tuple(replace(block, **more) for block in rows))

    for corner in CORNERS:
        if entry.markers and corner != entry.markers:
            yield f'markers were "{corner}"', replace(entry, markers=corner)
    for numbering in _NUMBERINGS:
        if any(block.numbering not in (numbering, "restart") for block in rows):
            yield all_rows(f'numbering were "{numbering}"', numbering=numbering)
    if len({block.run for block in rows}) == 1:
        run = _OPPOSITE[rows[0].run]
        yield all_rows(f'run were "{run}"', run=run)
    if len({block.step for block in rows}) == 1 and sum(block.rows for block in rows) > 1:
        step = _OPPOSITE[rows[0].step]
        yield all_rows(f'step were "{step}"', step=step)
    if all(len({*block.frontage}) == 1 and len({*block.depth}) == 1 for block in rows):
        yield (
            "frontage and depth were exchanged",
            replace(entry, rows=tuple(_exchanged(block) for block in rows)),
        )
    for times, said in ((1.0 / FOOT.metres, "metres, not feet"), (FOOT.metres, "feet, not metres")):
        for name in ("its lengths", "frontage", "depth"):
            longer = tuple(_scaled(block, times, name) for block in rows)
            yield f"{name} were {said}", replace(entry, rows=longer)
    for at, block in enumerate(rows):
        where = f" in block {at + 1}" if len(rows) > 1 else ""
        for said, made in _block_changes(block, numbers):
            yield said + where, replace(entry, rows=(*rows[:at], made, *rows[at + 1 :]))


def _block_changes(block: Rows, numbers: Sequence[int]) -> Iterator[tuple[str, Rows]]:
    for more in (step for size in range(1, _SHIFTS + 1) for step in (size, -size)):
        first = (1 if block.first is None else block.first) + more
        if first >= 0:
            yield f"first were {first}", replace(block, first=first)
        if len({*block.lots}) == 1 and block.lots[0] + more > 0 and block.rows > 1:
            places = block.lots[0] + more
            yield f"lots were {places}", replace(block, lots=(places,) * block.rows, frontage=_as_many(block, places))
    for number in block.skip:
        yield f"skip did not name {number}", replace(block, skip=tuple(one for one in block.skip if one != number))
    for before, number in islice(pairwise(numbers), _MOST_NUMBERS):
        between = f"{number - 1}" if number - before == 2 else f"a number between {before} and {number}"
        if number - before > 1 and number - 1 not in block.skip:
            yield f"skip named {between}", replace(block, skip=(*block.skip, number - 1))


def _as_many(block: Rows, places: int) -> tuple[float, ...]:
    frontage = block.frontage
    return (*frontage, *([frontage[-1]] * max(0, places - len(frontage))))[:places]


def _exchanged(block: Rows) -> Rows:
    return replace(
        block, frontage=(block.depth[0],) * len(block.frontage), depth=(block.frontage[0],) * len(block.depth)
    )


def _scaled(block: Rows, times: float, what: str) -> Rows:
    """Return a block with all its lengths, or with its frontage or depth alone, so many times as long."""
    along, across = (1.0 if what == other else times for other in ("depth", "frontage"))
    every = times if what == "its lengths" else 1.0

    def longer(values: Sequence[float], by: float) -> tuple[float, ...]:
        return tuple(value * by for value in values)

    def size(given: Size) -> Size:
        return Size(*(None if value is None else value * by for value, by in
                      ((given.frontage, along), (given.depth, across))))  # fmt: skip

    return replace(
        block, at=(block.at[0] * every, block.at[1] * every), frontage=longer(block.frontage, along),
        depth=longer(block.depth, across), between_rows=longer(block.between_rows, every),
        sizes={name: size(given) for name, given in block.sizes.items()},
        breaks=tuple(replace(one, width=one.width * every) for one in block.breaks),
    )  # fmt: skip
