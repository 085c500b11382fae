"""Any number of other grounds, in several patterns, feet and metres."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from pyproj import CRS, Transformer

from cemgis.invent.crew import stand_markers
from cemgis.invent.truth import WEST, Invented, Marker, Placement, Set, known_truth, set_out

__all__ = ["ground"]


@dataclass(frozen=True, slots=True)
class _Pattern:
    """How the lots of an invented section lie; sizes in spaces' widths and lengths of the ground's unit."""

    run: str
    step: str
    facing: str
    counted_from: str
    numbering: str
    markers: str
    spaces: int
    tiers: int = 1
    inset: bool = False
    walk_after: int = 2
    singles: bool = False


_PATTERNS: Mapping[str, _Pattern] = {
    "rows with walks": _Pattern("north", "east", "east", "left", "run on", "southwest", 4),
    "back and forth": _Pattern("north", "west", "west", "left", "back and forth", "southeast", 4),
    "restart": _Pattern("east", "south", "south", "right", "restart", "northeast", 3, inset=True),
    "two tiers": _Pattern("south", "east", "east", "right", "run on", "northwest", 4, tiers=2, walk_after=1),
    "pairs": _Pattern("west", "north", "north", "left", "run on", "southwest", 2, walk_after=1),
    "single graves": _Pattern("north", "east", "east", "left", "restart", "southwest", 1, singles=True),
}

# CRS and a place in it; feet of both kinds and metres, four plates of the earth.
_PLACES: Mapping[str, tuple[float, float]] = {
    "EPSG:6549": (-82.3, 40.9),
    "EPSG:6543": (-79.4, 35.7),
    "EPSG:6499": (-84.6, 42.6),
    "EPSG:6346": (-81.7, 33.9),
    "EPSG:7855": (146.9, -36.1),
    "EPSG:2193": (175.6, -40.3),
}


def ground(
    seed: int,
    *,
    found: float | None = None,
    bad: float | None = None,
    setting_sigma: float | None = None,
    distortion: float = 0.0,
    distortion_length: float = 150.0,
    sections: int | None = None,
    lots: int | None = None,
    pattern: str | None = None,
    crs: str | None = None,
) -> Invented:
    """Make an invented ground with a plat, rows of lots and one file of readings, quick enough for hundreds.

    What is not given is drawn from the seed.

    Parameters
    ----------
    seed : int
    found : float, optional
        Share of the markers that were found, 0 to 1; at least six a plat are.
    bad : float, optional
        Share of the found that are moved, misread or at a wrong corner, 0 to 1.
    setting_sigma : float, optional
        Standard deviation of each coordinate of a corner's setting error, in feet, whatever the ground's unit.
    distortion : float
        Standard deviation of each coordinate of a smooth distortion of every plat, in feet; none when left out. Tenths
        of feet are usual, 1.2 ft is much.
    distortion_length : float
        Distance over which it changes, in feet.
    sections : int, optional
    lots : int, optional
        About how many lots in all; 40 to 400 when drawn.
    pattern : str, optional
        One of ``rows with walks``, ``back and forth``, ``restart``, ``two tiers``, ``pairs``, ``single graves``, for
        all sections.
    crs : str, optional
        One of ``EPSG:6549``, ``EPSG:6543``, ``EPSG:6499``, ``EPSG:6346``, ``EPSG:7855``, ``EPSG:2193``.

    Returns
    -------
    Invented

    Raises
    ------
    ValueError
        For a pattern or CRS that is not listed, and for a distortion or a distance that cannot be.

    Examples
    --------
    >>> made = ground(3, lots=40, sections=1, pattern="restart", crs="EPSG:6346")
    >>> sorted(made.files), made.truth["unit"]
    (['ground.toml', 'readings/readings.csv'], 'metre')
    """
    for given, known, what in ((pattern, _PATTERNS, "pattern"), (crs, _PLACES, "place")):
        if given is not None and given not in known:
            msg = f"there is no {what} {given!r}: choose {', '.join(known)}"
            raise ValueError(msg)
    if not (distortion >= 0.0 and distortion_length > 0.0):
        msg = f"a distortion of {distortion} ft over {distortion_length} ft cannot be"
        raise ValueError(msg)
    rng = np.random.default_rng(seed)
    # Everything is drawn whether it is needed or not, so that giving one option leaves the others as they were.
    drawn_found, drawn_bad, drawn_sigma = rng.uniform(0.15, 0.45), rng.uniform(0.0, 0.06), rng.uniform(0.06, 0.35)
    drawn_sections, drawn_lots = int(rng.integers(1, 5)), int(rng.integers(40, 401))
    drawn_crs = list(_PLACES)[int(rng.integers(len(_PLACES)))]
    found = drawn_found if found is None else found
    bad = drawn_bad if bad is None else bad
    sigma_ft = drawn_sigma if setting_sigma is None else setting_sigma
    count = drawn_sections if sections is None else sections
    total = drawn_lots if lots is None else lots
    crs = drawn_crs if crs is None else crs
    lon, lat = _PLACES[crs]
    system = CRS.from_user_input(crs)
    unit_m = float(system.axis_info[0].unit_conversion_factor)
    east, north = Transformer.from_crs(system.geodetic_crs, system, always_xy=True).transform(lon, lat)
    in_feet = unit_m < 0.5
    foot = 1.0 if in_feet else 0.3048
    suffix = "ft" if in_feet else "m"
    text, placements = _invented_text(rng, crs, suffix, pattern, count, total, sigma_ft * foot, (east, north))
    placements = {
        name: replace(placement, bend=distortion * foot, bend_length=distortion_length * foot)
        for name, placement in placements.items()
    }
    heads = dict.fromkeys("ABCDEFGHIJKLMNOPQRSTUVWXYZ"[:count], WEST)
    made = set_out(text, {}, placements, heads, rng)
    rows = _found_by_plat(made, found, rng)
    markers = _spoil(made, stand_markers(made, rows), bad, foot, rng)
    reading_m, floor_m = 0.015, 0.012
    files = {
        "ground.toml": text.encode("utf-8"),
        "readings/readings.csv": _grid_csv(markers, reading_m, floor_m, unit_m, rng),
    }
    truth = known_truth(made, seed, markers, (), 4, occupation_sigma_m=floor_m, scatter_sigma_m=reading_m)
    return Invented(files, truth)


def _invented_text(
    rng: np.random.Generator, crs: str, suffix: str, pattern: str | None, count: int, total: int, sigma: float,
    middle: tuple[float, float],
) -> tuple[str, dict[str, Placement]]:  # fmt: skip
    """Write the ``ground.toml`` of a random ground and draw how its plats were set out."""
    wide, long, walk = (4.0, 12.0, 10.0) if suffix == "ft" else (1.2, 3.6, 3.0)
    parts = [
        f'schema_version = 1\nname = "Invented ground"\ncrs = "{crs}"\n\n[[readings]]\nfile = "readings/readings.csv"\n'
        f'visit = "2025-04-08"\nreceiver = "rover"\ncorrections = "invented"\nreference = "{crs}"\n'
    ]
    plats: list[str] = []
    blocks: list[str] = []
    placements: dict[str, Placement] = {}
    east = middle[0]
    offset = 0.0
    for number in range(count):
        section = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[number]
        name = pattern if pattern is not None else list(_PATTERNS)[int(rng.integers(len(_PATTERNS)))]
        shape = _PATTERNS[name]
        places = max(20, round(total / count))
        rows = int(np.clip(round(math.sqrt(places / rng.uniform(1.2, 3.0))), 2, 14))
        per_row = max(4, math.ceil(places / rows))
        # Spaces lie side by side across the way one faces; tiers behind one another.
        across, deep = shape.spaces * wide, shape.tiers * long
        north_south, east_west = (across, deep) if shape.facing in ("east", "west") else (deep, across)
        frontage, depth = (north_south, east_west) if shape.run in ("north", "south") else (east_west, north_south)
        along, over = per_row * frontage, rows * depth + (rows // shape.walk_after) * walk
        size = (over, along) if shape.run in ("north", "south") else (along, over)
        shared = bool(plats) and rng.random() < 0.3
        if not shared:
            offset = 0.0
            plat = str(1870 + 25 * len(plats))
            plats.append(f'[[plat]]\nname = "{plat}"\ndate = "{plat}"\n')
        at = (
            offset + (size[0] if "west" in (shape.run, shape.step) else 0.0),
            size[1] if "south" in (shape.run, shape.step) else 0.0,
        )
        offset += size[0] + 2 * walk
        gaps = [f'"0 {suffix}"'] * (shape.walk_after - 1) + [f'"{walk:g} {suffix}"']
        blocks.append(
            f'[[section]]\nname = "{section}"\nplat = "{1870 + 25 * (len(plats) - 1)}"\nmarkers = "{shape.markers}"\n'
            + _seen(section, shape)
            + (f'marker_inset = "{0.5 * wide / 4:g} {suffix}"\n' if shape.inset else "")
            + f'[[section.rows]]\nat = ["{at[0]:g} {suffix}", "{at[1]:g} {suffix}"]\n'
            f'run = "{shape.run}"\nstep = "{shape.step}"\nrows = {rows}\n'
            f"{'singles' if shape.singles else 'lots'} = {per_row}\n"
            f'frontage = "{frontage:g} {suffix}"\ndepth = "{depth:g} {suffix}"\n'
            f"between_rows = [{', '.join(gaps)}]\n"
            f'numbering = "{shape.numbering}"\nfacing = "{shape.facing}"\nfrom = "{shape.counted_from}"\n'
            + ('markers_at = "spaces"\n' if shape.singles else f"spaces = {shape.spaces}\ntiers = {shape.tiers}\n")
        )
        # Plats lie beside one another, far enough apart for any turn.
        reach = math.hypot(offset, size[1])
        turn, scale = (
            rng.uniform(-180.0, 180.0) if rng.random() < 0.2 else rng.uniform(-25.0, 25.0),
            rng.normal(1.0, 5e-4),
        )
        if not shared:
            east += reach
            placements[plat] = Placement(turn, scale, (east, middle[1] + rng.uniform(-50, 50)), sigma)
        else:
            first = placements[plat]
            east += reach
            placements[plat] = Placement(first.north, first.scale, (east, first.middle[1]), sigma)
        east += reach
    return "\n".join([*parts, *plats, *blocks]), placements


def _seen(section: str, shape: _Pattern) -> str:
    """Write that somebody looked at a lot of the section, and saw what is so."""
    restart = shape.singles or shape.numbering == "restart"
    left = {"north": "west", "east": "north", "south": "east", "west": "south"}[shape.facing]
    opposite = {"west": "east", "east": "west", "north": "south", "south": "north"}
    first = left if shape.counted_from == "left" else opposite[left]
    space_1 = "" if shape.singles else f'space_1 = "{first}", '
    return (
        f'seen = {{ lot = "{section}-1{"-1" if restart else ""}", corner = "{shape.markers}", {space_1}'
        'by = "the inventor", date = "2025-01-01" }\n'
    )


def _found_by_plat(made: Set, share: float, rng: np.random.Generator) -> list[int]:
    plats = made.plat.sites["plat"].astype(str).to_numpy()
    chosen: list[int] = []
    for plat in made.placements:
        rows = np.flatnonzero(plats == plat)
        count = min(len(rows), max(6, round(share * len(rows))))
        chosen += sorted(int(row) for row in rng.choice(rows, count, replace=False))
    return chosen


def _spoil(made: Set, markers: Sequence[Marker], share: float, foot: float, rng: np.random.Generator) -> list[Marker]:
    """Move, misread or misplace a share of the markers; every plat keeps at least five good ones."""
    result = list(markers)
    found = {marker.site for marker in markers}
    sites = made.plat.sites["label"].astype(str).to_numpy()
    plat_of = dict(zip(sites, made.plat.sites["plat"].astype(str), strict=True))
    free = [label for label in sites if label not in found]
    good = pd.Series([plat_of[marker.site] for marker in markers]).value_counts().to_dict()
    for index in rng.permutation(len(markers))[: round(share * len(markers))]:
        marker = result[index]
        plat = plat_of[marker.site]
        if good[plat] <= 5:
            continue
        good[plat] -= 1
        if rng.random() < 0.5 or not free:
            far, turn = foot * rng.uniform(1.5, 3.0), rng.uniform(0.0, 2.0 * math.pi)
            at = (marker.place[0] + far * math.sin(turn), marker.place[1] + far * math.cos(turn))
            result[index] = Marker(marker.site, marker.label, at, f"moved {far:.2f}", marker.corner)
        else:
            label = free.pop(int(rng.integers(len(free))))
            result[index] = Marker(marker.site, label, marker.place, f"label read as {label}", marker.corner)
    return result


def _grid_csv(
    markers: Sequence[Marker], reading_m: float, floor_m: float, unit_m: float, rng: np.random.Generator
) -> bytes:
    """Write readings in the ground's own grid; a third of the markers twice, five hours apart."""
    start = pd.Timestamp("2025-04-08 08:00:00")
    lines = ["label,x,y,fix,time"]
    twice = rng.random(len(markers)) < 1 / 3
    for visit in (0, 1):
        for number, marker in enumerate(markers):
            if visit and not twice[number]:
                continue
            common = rng.standard_normal(2) * floor_m / unit_m
            for shot in range(3):
                x, y = np.array(marker.place) + common + rng.standard_normal(2) * reading_m / unit_m
                time = start + pd.Timedelta(hours=5 * visit, seconds=40 * number + 5 * shot)
                lines.append(f"{marker.label},{x:.4f},{y:.4f},fixed,{time.strftime('%Y-%m-%dT%H:%M:%SZ')}")
    return ("\n".join(lines) + "\n").encode("utf-8")
