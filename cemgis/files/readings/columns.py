"""Which of a file's columns is which of ours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cemgis.errors import Gather, InputError
from cemgis.files.readings.words import LENGTHS, NAMES, UNIT_METRES, WORDS, cut_header, meant
from cemgis.files.tables import shown

__all__ = ["Source", "choose_columns", "position_columns"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where one of our columns comes from: the file's header and the unit it is in."""

    header: str
    unit: str | None


def choose_columns(
    headers: Sequence[str], columns: Mapping[str, str] | None, where: str, recognised: bool = True
) -> dict[str, Source]:
    """Match our names to the file's headers: as told, else as recognised."""
    gather = Gather()
    chosen: dict[str, Source] = {}
    by_folded = {header.strip().lower(): header for header in reversed(headers)}
    for ours, theirs in (columns or {}).items():
        name, unit = ours, None
        if ours not in NAMES:
            stem, _, tail = ours.rpartition("_")
            name, unit = (stem, tail) if stem in LENGTHS and tail in UNIT_METRES else (ours, None)
        place = f"{where} columns.{ours}"
        if name not in NAMES:
            gather.add(place, "there is no such column of readings", f"One of: {', '.join(NAMES)}.{meant(ours, NAMES)}")
            continue
        header = theirs if theirs in headers else by_folded.get(str(theirs).strip().lower())
        if header is None:
            has = ", ".join(shown(one, 30) for one in headers[:30])
            gather.add(place, f"the file has no column {theirs!r}", f"It has: {has}.{meant(str(theirs), headers)}")
            continue
        chosen[name] = Source(header, unit or cut_header(header)[1])
    gather.raise_if_any()
    if not recognised:
        return chosen
    taken = {source.header for source in chosen.values()}
    cut = [(header, *cut_header(header)) for header in headers]
    for name, words in WORDS.items():
        if name in chosen:
            continue
        for word in words:
            match = next(((h, u) for h, key, u in cut if key == word and h not in taken), None)
            if match is not None:
                chosen[name] = Source(*match)
                taken.add(match[0])
                break
    return chosen


def position_columns(
    chosen: dict[str, Source], told: Iterable[str], where: str, headers: Sequence[str]
) -> tuple[Source, Source, bool | None]:
    """Choose the two columns a position comes from: (x, y, whether they are degrees)."""
    pairs = (("x", "y", None), ("easting", "northing", False), ("lon", "lat", True))
    told = set(told)
    full = [pair for pair in pairs if pair[0] in chosen and pair[1] in chosen]
    asked = [pair for pair in full if pair[0] in told and pair[1] in told]
    full = asked or full
    if not full:
        has = ", ".join(shown(header, 30) for header in headers[:30])
        raise InputError.of(
            where,
            f"no columns of a position were recognised among: {has}",
            'Write columns = { x = "...", y = "..." } (or lon, lat) with its own names.',
        )
    if len(full) > 1:
        said = " and ".join(f"{chosen[x].header}, {chosen[y].header}" for x, y, _ in full)
        raise InputError.of(
            where, f"there is more than one position: {said}", 'Write columns = { x = "...", y = "..." } with one.'
        )
    x, y, geographic = full[0]
    if geographic is None:
        heads = (cut_header(chosen[x].header)[0], cut_header(chosen[y].header)[0])
        for first, second, answer in pairs[1:]:
            if heads[0] in WORDS[first] and heads[1] in WORDS[second]:
                geographic = answer
    return chosen[x], chosen[y], geographic
