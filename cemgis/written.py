"""What may be written wrongly of a section's plat: which single change makes the markers found agree with it.

Nothing here changes a plat. A section's rows are written once more with one thing otherwise, all markers found on the
plat are laid on that by a similarity, and it is counted how many of them agree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from cemgis.errors import InputError
from cemgis.fit.robust import sample_markers
from cemgis.ground import CORNERS, Break, Ground, Rows, Section, Size
from cemgis.places import label_key
from cemgis.plat import Plat, make_plat, match_label
from cemgis.units import FOOT, Unit, say_length

__all__ = ["Agreement", "Otherwise", "agreement", "other_ways", "say_ways"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_OPPOSITE = {"north": "south", "south": "north", "east": "west", "west": "east"}
_NUMBERINGS = ("run on", "back and forth", "restart")
_WAY = {"north": (0.0, 1.0), "south": (0.0, -1.0), "east": (1.0, 0.0), "west": (-1.0, 0.0)}
_UNITS = (
    ("metres, not feet", 1.0 / FOOT.metres), ("feet, not metres", FOOT.metres), ("yards, not feet", 3.0),
    ("links, not feet", 0.66), ("feet, not links", 1.0 / 0.66), ("rods, not feet", 16.5),
)  # fmt: skip
"""What lengths are meant in and written in, and what they are to be multiplied with; by the definitions of the units.
US survey feet differ from feet by 2 in a million: no plat is long enough to show that."""
_SAME = 1.0
"""Spaces no farther apart than this, in the ground's unit, are in the same place. Assumption, no source."""
_NEAR = 0.25
"""A marker agrees when it lies within this share of the short side of a lot. Assumption, no source."""
_LEAST, _SHARE, _BETTER, _SHARPER = 4, 0.75, 2, 3.0
"""A change explains a section when so many of its markers, such a share of them, and so many more than now agree, or as
many miss by so many times less. Of those that explain it, one whose miss is twice another's is not said.
Assumption, no source; a similarity goes through any two markers."""
_SHIFTS, _LEAST_ROWS, _STEPS, _REFINED = 3, 3, 20, 12
_HALF_FOOT = 0.2
"""Plats are drawn in whole or half feet: what lies so near is taken for one. Assumption, no source."""
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


@dataclass(frozen=True, eq=False)
class Otherwise:
    """One change of what is written, how the markers agree with it, and where spaces would lie then.

    Parameters
    ----------
    said : str
        What stands after "if".
    agreement : Agreement
    spaces : sequence of str
    grid_xy : (n, 2) array
        Middles of those spaces.
    """

    said: str
    agreement: Agreement
    spaces: Sequence[str] = ()
    grid_xy: Floats = field(default_factory=lambda: np.empty((0, 2)))


@dataclass(frozen=True)
class _Laid:
    """A similarity: grid is ``(plat - middle) @ linear.T + at``."""

    linear: Floats
    middle: Floats
    at: Floats


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
    return _laid(plat_xy, grid_xy, own, near, scale_off)[0]


def _laid(
    plat_xy: Floats, grid_xy: Floats, own: Flags, near: float, scale_off: float
) -> tuple[Agreement, _Laid | None]:  # fmt: skip
    """Return `agreement` and the similarity it is by."""
    none = Agreement(0, 0, int(own.sum()), float("inf")), None
    if len(plat_xy) < 2:
        return none
    middle = plat_xy.mean(axis=0)
    u, origin = plat_xy - middle, grid_xy.mean(axis=0)
    away = grid_xy - origin
    # all samples at once; only those that most markers agree with are made better
    z, w = u @ np.array([1.0, 1j]), away @ np.array([1.0, 1j])
    rows = sample_markers("conformal", u)
    factor = (w[rows[:, 1]] - w[rows[:, 0]]) / (z[rows[:, 1]] - z[rows[:, 0]])
    rows, factor = (part[np.abs(np.abs(factor) - 1.0) <= scale_off] for part in (rows, factor))
    start = (w[rows] - factor[:, None] * z[rows]).mean(axis=1)
    miss = np.abs(w - factor[:, None] * z - start[:, None])
    order = np.lexsort((np.minimum(miss, near).sum(axis=1), -(miss <= near).sum(axis=1)))[:_REFINED]
    best: tuple[int, float] | None = None
    for good in miss[order] <= near:
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
            best, kept, laid = rank, good, _Laid(linear, middle, origin + offset)
    if best is None:
        return none
    many = Agreement(int((kept & own).sum()), int((kept & ~own).sum()), int(own.sum()), round(-best[1], 6))
    return many, laid


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
    """Look for single changes of what is written of a section with which its markers agree.

    Parameters
    ----------
    ground : Ground
    plat : Plat
        As it is written.
    section : str
    labels : sequence of (str, str or None)
        Of the markers found: the label as read, and the section it was read in if that is known.
    grid_xy : (n, 2) array
    site : (n,) array of int
        Row of ``plat.sites`` each of them names; -1 for none.

    Returns
    -------
    now : Agreement
    ways : list of Otherwise
        Those with which most markers agree, the least miss first; none that puts all spaces where another does.
    """
    entry = ground.section(section)
    sites = plat.sites
    key = f"{label_key(section)}-"
    of_site = np.where(site >= 0, sites["section"].to_numpy(dtype=object)[site], None)
    # a label no lot has is of the section it says, or of that of its file
    mine = np.array([
        own == section if here >= 0 else section == str(named) or label_key(label).startswith(key)
        for own, here, (label, named) in zip(of_site, site, labels, strict=True)
    ], dtype=bool)  # fmt: skip
    others = (site >= 0) & (sites["plat"] == entry.plat).to_numpy(dtype=bool)[site] & ~mine
    fixed = sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
    near = _NEAR * float(sites.loc[sites["section"] == section, "short_side"].min())
    off = float(ground.rules["fit.scale_off"])

    def rows_of(made: Plat) -> npt.NDArray[np.int64]:
        found = [match_label(label, section, made).site if own else None
                 for (label, _), own in zip(labels, mine, strict=True)]  # fmt: skip
        return np.array([-1 if one is None else one for one in found], dtype=np.int64)

    def judge(made: Plat) -> tuple[Agreement, _Laid | None]:
        at = rows_of(made)
        there = made.sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
        known = at >= 0
        places = np.vstack([there[at[known]], fixed[site[others]]])
        grid = np.vstack([grid_xy[known], grid_xy[others]])
        own = np.arange(len(places)) < known.sum()
        many, laid = _laid(places, grid, own, near, off)
        return replace(many, of=int(mine.sum())), laid

    written = _own(plat, section)
    now, _ = judge(written)
    ways: list[Otherwise] = []
    at = rows_of(written)
    widths = _other_widths(entry, written.sites, at[at >= 0], grid_xy[at >= 0], near, ground.unit)
    for said, made in _drawn_otherwise(
        ground, written, entry, [*_changes(entry, _numbers_found(labels, mine)), *widths]
    ):
        found, laid = judge(made)
        enough = found.own >= max(_LEAST, _SHARE * found.of) and found.others >= now.others - 1
        more = found.own + found.others - now.own - now.others
        sharper = more >= 0 and found.miss <= now.miss / _SHARPER
        if laid is not None and enough and (more >= _BETTER or sharper):
            middles = np.asarray(made.centre_weights @ made.corners_plat_xy)
            own = (made.spaces["section"] == section).to_numpy(dtype=bool)
            grid = (middles[own] - laid.middle) @ laid.linear.T + laid.at
            ways.append(Otherwise(said, found, made.spaces["space_id"].astype(str)[own].tolist(), grid))
    ways.sort(key=lambda way: (-way.agreement.own - way.agreement.others, way.agreement.miss))
    kept: list[Otherwise] = []
    for way in ways:
        best = ways[0].agreement
        if way.agreement.own + way.agreement.others < best.own + best.others or way.agreement.miss > 2.0 * best.miss:
            break
        same = [row for row, other in enumerate(kept) if _farthest(way, other)[1] <= _SAME]
        if not same:
            kept.append(way)
        elif entry.lots is not None:  # a list turned has other compass words: which end spaces are counted from
            kept[same[0]] = replace(kept[same[0]], said=f"{kept[same[0]].said} or {way.said}")
    return now, kept


def _farthest(one: Otherwise, other: Otherwise) -> tuple[str, float]:
    """Space that two ways put farthest apart, and how far; infinite when they name spaces otherwise."""
    place = {name: row for row, name in enumerate(other.spaces)}
    both = [(row, place[name]) for row, name in enumerate(one.spaces) if name in place]
    if not both:
        return "", float("inf")
    rows = np.array(both)
    gap = np.hypot(*(one.grid_xy[rows[:, 0]] - other.grid_xy[rows[:, 1]]).T)
    worst = int(gap.argmax())
    same = len(both) == len(one.spaces) == len(other.spaces)
    return one.spaces[rows[worst, 0]], float(gap[worst]) if same or gap[worst] > _SAME else float("inf")


def say_ways(now: Agreement, ways: Sequence[Otherwise], unit: Unit) -> str:
    """Say in a sentence what would make the markers agree.

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> now = Agreement(5, 0, 13, 0.1)
    >>> say_ways(now, [Otherwise('numbering were "back and forth"', Agreement(13, 0, 13, 0.1))], FOOT)
    'as it is written 5 of 13 agree; 13 of 13 would, within 0.10 ft, if numbering were "back and forth"'
    >>> say_ways(now, [], FOOT)
    'no single change of what is written of it explains that'
    """
    if not ways:
        return "no single change of what is written of it explains that"
    best = ways[0].agreement
    said = [way.said for way in ways[:3]] + ([f"{len(ways) - 3} other things were changed"] if len(ways) > 3 else [])
    total = f" and {best.others} of the plat's other sections" if best.others > now.others + 1 else ""
    text = (
        f"as it is written {now.own} of {now.of} agree; {best.own} of {best.of}{total} would, within "
        f"{say_length(best.miss, unit)}, if {', or if '.join(said)}"
    )
    if len(ways) > 1:
        space, far = _farthest(ways[0], ways[1])
        if np.isfinite(far):
            text += f"; look where {space} lies, they put it {say_length(far, unit, 0)} apart"
    return text


def _own(plat: Plat, section: str) -> Plat:
    """Return the plat with the markers of one section alone."""
    here = (plat.sites["section"] == section).to_numpy(dtype=bool)
    return replace(plat, sites=plat.sites[here].reset_index(drop=True))


def _drawn_otherwise(
    ground: Ground, written: Plat, entry: Section, changes: Sequence[tuple[str, Section]]
) -> Iterator[tuple[str, Plat]]:  # fmt: skip
    """Yield the plat with each single change of a section, and what it says after "if"."""
    if entry.lots is not None:
        yield from _listed_otherwise(written, entry)
        return
    for said, changed in changes:
        alone = replace(changed, exceptions=(), niches=(), outline=None, seen=None)
        try:
            yield said, make_plat(replace(ground, sections=(alone,)), {})
        except InputError:
            continue  # it cannot be written so: a number twice, a lot beyond its row


def _listed_otherwise(written: Plat, entry: Section) -> Iterator[tuple[str, Plat]]:
    """Yield the plat of a section whose lots stand in a list with that list's coordinates taken otherwise."""

    def taken(change: Callable[[Floats], Floats]) -> Plat:
        corners, sites = (change(table[["plat_x", "plat_y"]].to_numpy(dtype=float))
                          for table in (written.corners, written.sites))  # fmt: skip
        return replace(
            written, corners=written.corners.assign(plat_x=corners[:, 0], plat_y=corners[:, 1]),
            sites=written.sites.assign(plat_x=sites[:, 0], plat_y=sites[:, 1]),
        )  # fmt: skip

    yield "x and y were exchanged", taken(lambda xy: xy[:, ::-1])
    yield "x were counted the other way", taken(lambda xy: xy * [-1.0, 1.0])
    yield "y were counted the other way", taken(lambda xy: xy * [1.0, -1.0])
    for said, times in _UNITS:
        yield f"its lengths were {said}", taken(lambda xy, times=times: times * xy)  # type: ignore[misc]
    rings, starts = written.lot_rings
    row = {str(lot): number for number, lot in enumerate(written.lots["lot_id"])}
    xy = written.corners_plat_xy
    inset = np.abs(written.sites[["inset_x", "inset_y"]].to_numpy(dtype=float))
    for corner in CORNERS if entry.markers else ():
        way = np.array([1.0 if corner.endswith("east") else -1.0, 1.0 if corner.startswith("north") else -1.0])
        at = written.sites[["plat_x", "plat_y"]].to_numpy(dtype=float).copy()
        for number, lot in enumerate(written.sites["lot_id"].astype(str)):
            if lot in row:
                ring = rings[starts[row[lot]] : starts[row[lot] + 1]]
                at[number] = xy[ring[int((xy[ring] @ way).argmax())]] - way * inset[number]
        yield f'markers were "{corner}"', replace(written, sites=written.sites.assign(plat_x=at[:, 0], plat_y=at[:, 1]))


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
        if any(block.numbering != numbering for block in rows):
            yield all_rows(f'numbering were "{numbering}"', numbering=numbering)
    if len({block.run for block in rows}) == 1:
        run = _OPPOSITE[rows[0].run]
        yield all_rows(f'run were "{run}"', run=run)
    if len({block.step for block in rows}) == 1 and sum(block.rows for block in rows) > 1:
        step = _OPPOSITE[rows[0].step]
        yield all_rows(f'step were "{step}"', step=step)
    for said, turned in (
        ("rows were begun at their other ends", _run_back),
        ("its last row were its first", _step_back),
    ):
        yield said, replace(entry, rows=tuple(turned(block) for block in rows))
    if any(block.singles for block in rows):
        other = "spaces" if rows[0].markers_at == "row ends" else "row ends"
        yield all_rows(f'markers_at were "{other}"', markers_at=other)
    if all(len({*block.frontage}) == 1 and len({*block.depth}) == 1 for block in rows):
        yield (
            "frontage and depth were exchanged",
            replace(entry, rows=tuple(_exchanged(block) for block in rows)),
        )
    for said, times in _UNITS:
        for name in ("its lengths", "frontage", "depth"):
            longer = tuple(_scaled(block, times, name) for block in rows)
            yield f"{name} were {said}", replace(entry, rows=longer)
    before = 0
    for at, block in enumerate(rows):
        for said, parts in _one_row_back(block, before):
            yield said, replace(entry, rows=(*rows[:at], *parts, *rows[at + 1 :]))
        before += block.rows
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


def _other_widths(
    entry: Section, sites: Any, found: npt.NDArray[np.int64], grid_xy: Floats, near: float, unit: Unit
) -> Iterator[tuple[str, Section]]:  # fmt: skip
    """Yield a walk, a depth or a frontage of another width, as wide as the markers found say.

    Parameters
    ----------
    entry : Section
    sites : DataFrame
        Of the section, as written.
    found : (n,) array of int
        Row of each marker found in them.
    grid_xy : (n, 2) array
    near : float
        Widths that differ by less than a third of it are not told apart.
    unit : Unit
    """
    if len(found) < _LEAST:
        return
    plat, grid = sites[["plat_x", "plat_y"]].to_numpy(dtype=float), grid_xy @ np.array([1.0, 1j])
    z, grid = plat[found] @ np.array([1.0, 1j]), grid - grid.mean()
    z -= z.mean()
    names, before = sites["row"].astype(str).to_numpy(), 0
    for at, block in enumerate(entry.rows):
        own = np.array(block.row_names or [str(before + row + 1) for row in range(block.rows)], dtype=object).astype(
            str
        )
        before += block.rows
        here = np.isin(names[found], own)
        if here.sum() < _LEAST:
            continue
        row = np.where(here, (names[found][:, None] == own).argmax(axis=1), 0)
        along = np.round(plat @ np.array(_WAY[block.run]), 2)
        places = np.unique(along[np.isin(names, own)])
        place = np.where(here, np.searchsorted(places, along[found]), 0)
        gaps = block.between_rows or (0.0,) * (block.rows - 1)
        step, run = (complex(*_WAY[way]) for way in (block.step, block.run))

        def widened(times: npt.NDArray[Any], way: complex, was: float) -> float | None:
            more = _more(z, grid, times.astype(float), way, near)
            if more is None or abs(more) < near / 3.0 or was + more < 0.0:
                return None
            half = round(2.0 * (was + more)) / 2.0
            return half if unit.is_foot and abs(half - was - more) < _HALF_FOOT else round(was + more, 1)

        def written(more: Rows) -> Section:
            return replace(entry, rows=(*entry.rows[:at], more, *entry.rows[at + 1 :]))  # noqa: B023

        where = f" in block {at + 1}" if len(entry.rows) > 1 else ""
        if block.rows > 1 and len({*gaps}) == 1 and (wide := widened(row, step, gaps[0])) is not None:
            said = f"between_rows were {wide:g} {unit.suffix}{where}"
            yield said, written(replace(block, between_rows=(wide,) * len(gaps)))
        if block.rows > 1 and len({*block.depth}) == 1 and (wide := widened(row, step, block.depth[0])):
            yield f"depth were {wide:g} {unit.suffix}{where}", written(replace(block, depth=(wide,) * block.rows))
        if len({*block.frontage}) == 1 and (wide := widened(place, run, block.frontage[0])):
            said = f"frontage were {wide:g} {unit.suffix}{where}"
            yield said, written(replace(block, frontage=(wide,) * len(block.frontage)))
        for last in range(block.rows - 1):
            if (wide := widened(row > last, step, gaps[last])) is not None:
                said = f"the walk after row {own[last]} were {wide:g} {unit.suffix}{where}"
                yield said, written(replace(block, between_rows=(*gaps[:last], wide, *gaps[last + 1 :])))
        for first in (1, 2):  # a walk after every second row: where the numbers of rows before it are odd, or even
            second = np.arange(block.rows - 1) % 2 == first - 1
            passed = np.concatenate([[0], np.cumsum(second)])[row]
            was = {gap for gap, here_ in zip(gaps, second, strict=True) if here_}
            if block.rows > 1 + first and len(was) == 1 and (wide := widened(passed, step, min(was))) is not None:
                changed = tuple(wide if here_ else gap for gap, here_ in zip(gaps, second, strict=True))
                said = (
                    f"the walk after every second row, from row {own[first - 1]} on, were {wide:g} {unit.suffix}{where}"
                )
                yield said, written(replace(block, between_rows=changed))
        walks = {one.after: one.width for one in block.breaks}
        for after in range(1, min(len(places), max(block.lots))):
            if (wide := widened(place >= after, run, walks.get(after, 0.0))) is not None:
                said = f"the walk after place {after} of each row were {wide:g} {unit.suffix}{where}"
                kept = {**walks, after: wide}
                yield said, written(replace(block, breaks=tuple(Break(*one) for one in sorted(kept.items()))))


def _more(z: Any, grid: Any, times: Floats, way: complex, near: float) -> float | None:
    """How much farther, along `way`, each marker lies for each time; None where most do not follow.

    ``grid = a z + t + h times`` in complex numbers with the least sum of misses (least squares weighed anew), and
    ``h = a way more``.
    """
    if np.ptp(times) == 0.0:
        return None
    design = np.column_stack([z, np.ones(len(z)), times])
    weight = np.ones(len(z))
    for _ in range(_STEPS):
        root = np.sqrt(weight)
        solved, *_ = np.linalg.lstsq(design * root[:, None], grid * root, rcond=None)
        miss = np.abs(grid - design @ solved)
        weight = 1.0 / np.maximum(miss, 0.1 * near)
    if (miss <= near).mean() < _SHARE or solved[0] == 0.0:
        return None
    more = solved[2] / (solved[0] * way)
    return float(more.real) if abs(more.imag) <= near else None


def _run_back(block: Rows) -> Rows:
    """Begin each row of the same land at its other end."""
    longest = max(block.lots)
    far = sum(block.frontage[:longest]) + sum(one.width for one in block.breaks)
    breaks = tuple(Break(longest - one.after, one.width) for one in reversed(block.breaks))
    return replace(
        block, at=_along(block, block.run, far), run=_OPPOSITE[block.run], frontage=block.frontage[longest - 1 :: -1],
        breaks=breaks,
    )  # fmt: skip


def _one_row_back(block: Rows, before: int) -> Iterator[tuple[str, tuple[Rows, ...]]]:
    """Write a block as three: one row of it is begun at its other end; only where numbers simply run on or restart."""
    odd = block.skip or block.empty or block.blank or block.extra or block.sizes or block.numbering == "back and forth"
    if odd or block.rows < _LEAST_ROWS or (before and block.first is None and block.numbering == "run on"):
        return
    names = block.row_names or tuple(str(before + row + 1) for row in range(block.rows))
    begins = 1 if block.first is None else block.first

    def part(low: int, high: int) -> Rows:
        far = sum(block.depth[:low]) + sum(block.between_rows[:low])
        first = begins + (sum(block.lots[:low]) if block.numbering == "run on" else 0)
        longest = max(block.lots[low:high])
        return replace(
            block, at=_along(block, block.step, far), rows=high - low, row_names=names[low:high],
            lots=block.lots[low:high], frontage=block.frontage[:longest], depth=block.depth[low:high],
            between_rows=block.between_rows[low : high - 1], first=first,
        )  # fmt: skip

    for row in range(block.rows):
        ends = [(low, high) for low, high in ((0, row), (row, row + 1), (row + 1, block.rows)) if low < high]
        parts = tuple(part(low, high) if low != row else _run_back(part(low, high)) for low, high in ends)
        yield f"row {names[row]} alone were begun at its other end", parts


def _step_back(block: Rows) -> Rows:
    """Begin the same land with its last row."""
    return replace(
        block, at=_along(block, block.step, sum(block.depth) + sum(block.between_rows)), step=_OPPOSITE[block.step],
        depth=block.depth[::-1], between_rows=block.between_rows[::-1],
    )  # fmt: skip


def _along(block: Rows, way: str, far: float) -> tuple[float, float]:
    (x, y), (dx, dy) = block.at, _WAY[way]
    return x + far * dx, y + far * dy


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
