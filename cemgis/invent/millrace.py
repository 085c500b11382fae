"""The demo ground: what befell its markers, who read them, and all its files."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from pyproj import Proj, Transformer

from cemgis.invent.crew import choose_found, gpx_file, nmea_log, point_list, stand_markers, visit_stops
from cemgis.invent.graves import (
    ASTRAY,
    ASTRAY_AND_SHORT,
    NEAR_STONE,
    NOWHERE,
    buried_in_meadow,
    retell,
    survey_files,
    use_graves,
    write_ledger,
)
from cemgis.invent.millrace_plan import (
    DEMO_HEADS,
    DEMO_MOST,
    DEMO_PLACEMENTS,
    DEMO_SEED,
    DEMO_SHARES,
    local,
    old_ground,
)
from cemgis.invent.millrace_text import DEMO_ORDERS, DEMO_README, DEMO_TOML
from cemgis.invent.parcel import ground_heights
from cemgis.invent.truth import Invented, Marker, Set, bounded, known_truth, set_out, truth_text
from cemgis.units import feet_and_inches

__all__ = ["demo"]


def _southeast(made: Set, lot_id: str) -> tuple[float, float]:
    """Where a lot's southeast corner really is."""
    row = int(np.flatnonzero(made.plat.lots["lot_id"].astype(str).to_numpy() == lot_id)[0])
    indices, offsets = made.plat.lot_rings
    ring = np.asarray(indices, int)[offsets[row] : offsets[row + 1]]
    x, y = made.plat.corners[["plat_x", "plat_y"]].to_numpy(float)[ring].T
    east, north = made.corners[ring[np.argmax(x - y)]]
    return float(east), float(north)


_DEMO_NEVER = ("B-16", "D-74")  # their own markers stay in the ground, so that only the misread ones bear the label
_DEMO_BAD = ("B-91", "D-47", "B-57", "D-31", "A-29")
_MOWER_FT, _MOWER_AZIMUTH = 1.8, 65.0


def _harm(made: Set, markers: Sequence[Marker]) -> list[Marker]:
    """Do to the demo's markers what its README says."""
    turn = math.radians(_MOWER_AZIMUTH)
    changed = []
    for marker in markers:
        label, at, done, condition = marker.label, marker.place, "none", "whole"
        if marker.site == "B-91":
            label, done = "B-16", "label read upside down: 91 as 16"
        elif marker.site == "D-47":
            label, done = "D-74", "two digits of the label swapped"
        elif marker.site == "B-57":
            at = (at[0] + _MOWER_FT * math.sin(turn), at[1] + _MOWER_FT * math.cos(turn))
            done = f"moved {_MOWER_FT} ft by a mower"
        elif marker.site == "D-31":
            at, done = _southeast(made, "D-31"), "set at the southeast corner instead of the southwest"
        elif marker.site == "A-29":
            condition, done = "broken", "broken, but where it was set"
        changed.append(Marker(marker.site, label, at, done, marker.corner, condition))
    return changed


def _demo_readings(
    made: Set, markers: Sequence[Marker], sigma_m: float, rng: np.random.Generator
) -> tuple[dict[str, bytes], dict[str, list[str]]]:
    """Make the three visits and the tapes, and tell which labels each read."""
    crs, unit_m = made.ground.crs.crs, made.ground.unit.metres
    sigma = sigma_m / unit_m
    kinds = {"A": "stone", "B": "clay", "C": "disc", "D": "disc", "E": "pin"}

    def sample(section: str, count: int) -> list[Marker]:
        good = [marker for marker in markers if marker.site.startswith(section) and marker.done == "none"]
        return [good[index] for index in sorted(rng.choice(len(good), count, replace=False))]

    only_autumn = [marker for section in "ABCD" for marker in sample(section, 2)]
    early = [marker for marker in markers if marker not in only_autumn]
    twice = [marker for section, count in (("A", 6), ("B", 8), ("C", 5), ("D", 5)) for marker in sample(section, count)]
    twice = [marker for marker in twice if marker not in only_autumn]
    bad_twice = [marker for marker in early if marker.site in ("B-57", "D-31")]
    own = Marker("TF3", "TF3", _DEMO_CONTROL, "none", "")
    spring = [own] + [m for m in early if m.site[0] in "AB" or m in twice or m in bad_twice]
    summer = [own] + [m for m in early if m.site[0] in "CDE" or m in twice or m in bad_twice]
    good_early = [marker for marker in early if marker.done == "none" and marker.site[0] in "ABCD"]
    again = sorted(rng.choice(len(good_early), 24, replace=False))
    autumn = [good_early[index] for index in again] + only_autumn
    stops = [
        visit_stops(visited, pd.Timestamp(start), sigma, rng, kinds=kinds)
        for visited, start in (
            (spring, "2025-05-06 13:05:00"), (summer, "2025-06-17 12:40:00"), (autumn, "2025-09-09 14:10:00"),
        )
    ]  # fmt: skip
    log, listed = nmea_log(stops[0], crs, unit_m, rng, epochs=16, scatter_m=0.004)
    files = {
        "readings/spring.nmea": log,
        "readings/spring_occupations.csv": listed,
        # The correction service of this one works in ITRF2014, and ground.toml says so.
        "readings/summer.csv": point_list(
            stops[1], crs, unit_m, rng, shots=3, scatter_m=0.004, target="EPSG:7912", epoch=2025.46
        ),
        # The same is true here, but ground.toml says NAD83(2011): the whole file lies 1.28 m off.
        "readings/autumn.gpx": gpx_file(stops[2], crs, rng, target="EPSG:7912", epoch=2025.69),
        "readings/taped.csv": _taped(made, [m for m in spring[1:] + summer[1:] if m.done == "none"], rng),
    }
    read = {
        "readings/spring.nmea": [marker.label for marker in spring],
        "readings/summer.csv": [marker.label for marker in summer],
        "readings/autumn.gpx": [marker.label for marker in autumn],
    }
    return files, read


def _taped(made: Set, markers: Sequence[Marker], rng: np.random.Generator) -> bytes:
    """Ground distances between neighbouring markers, to a quarter inch, with a good tape."""
    unique = list({marker.label: marker for marker in markers}.values())
    at = np.array([marker.place for marker in unique])
    lon, lat = Transformer.from_crs(made.ground.crs.crs, "EPSG:6318", always_xy=True).transform(*at.mean(axis=0))
    grid_scale = Proj(made.ground.crs.crs).get_factors(lon, lat).meridional_scale
    combined = grid_scale * 6_372_000.0 / (6_372_000.0 + 341.2)
    lines = ["from,to,distance,date,note"]
    taken: set[str] = set()
    for section in "ABCD":
        mine = [index for index, marker in enumerate(unique) if marker.site.startswith(section)]
        apart = np.hypot(*(at[mine][:, None] - at[mine][None]).transpose(2, 0, 1))
        apart[np.tril_indices(len(mine))] = np.inf
        for flat in np.argsort(apart, axis=None, kind="stable"):
            one, other = (unique[mine[index]] for index in np.unravel_index(flat, apart.shape))
            if len([pair for pair in taken if pair.startswith(section)]) >= 6 or not np.isfinite(apart.flat[flat]):
                break
            if {one.label, other.label} & taken:
                continue
            taken |= {one.label, other.label}
            distance = float(apart.flat[flat]) / combined + float(bounded(rng, 1, 0.02, 2.0)[0])
            lines.append(f"{one.label},{other.label},{feet_and_inches(distance, 4)},2025-06-18,level tape")
    return ("\n".join(lines) + "\n").encode("utf-8")


def _demo_expected() -> list[tuple[str, str, str]]:
    """Kind, subject and story of every finding of severity warning and above."""
    short, neighbour = ASTRAY_AND_SHORT
    return [
        ("label misread", "B-16", "The disc of B-91 was read upside down."),
        ("label misread", "D-74", "D-47 was written down with its digits swapped."),
        ("marker moved or set there", "B-57", f"A mower moved this marker {_MOWER_FT} ft."),
        ("marker at another corner", "D-31", "It was set at the southeast corner of its lot instead of the southwest."),
        ("marker damaged", "A-29", "Broken, but where it was set."),
        ("file shifted", "readings/autumn.gpx", "Declared NAD 83(2011), but made in ITRF2014."),
        ("heads disagree", "D", "By the common rule heads lie west; its stones stand at the east ends."),
        ("vault astray", f"V-{short}", f"Set down crooked, it reaches into {neighbour}."),
        ("clearance short", f"V-{short}, V-{neighbour}", "And so it comes too near the vault there."),
        ("vault astray", f"V-{ASTRAY[0]}", f"Crooked too; it reaches into {ASTRAY[1]}, which is still free."),
        ("clearance short", f"V-{NEAR_STONE}, M-{NEAR_STONE}", "This vault lies close under its own stone."),
        ("place unknown", "-".join(NOWHERE), "The ledger has a burial in lot 318 of section B, which ends at 128."),
    ]


_DEMO_CONTROL = local(150.4, -34.2)


def _demo_text(asked: tuple[str, str] = ("nobody", "nowhere")) -> str:
    """Fill in the demo's description; `asked` is the name and place of somebody who is not to be named in public."""
    east, north = _DEMO_CONTROL
    text = DEMO_TOML.replace("@CONTROL_X@", f"{east:.3f}").replace("@CONTROL_Y@", f"{north:.3f}")
    return text.replace("@ASKED@", asked[0]).replace("@ASKED_AT@", asked[1])


def _demo_ground(rng: np.random.Generator) -> Set:
    """Set out the demo's plats; the first thing drawn from its seed."""
    return set_out(_demo_text(), {"A": old_ground()}, DEMO_PLACEMENTS, DEMO_HEADS, rng, DEMO_MOST)


def demo(seed: int = DEMO_SEED) -> Invented:
    """Make the demo ground: five sections, three visits, a register, and troubles that are known.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Invented
        Its files include ``README.md`` and ``truth.json``.
    """
    rng = np.random.default_rng(seed)
    made = _demo_ground(rng)
    labels = made.plat.sites["label"].astype(str).to_numpy()
    rows = choose_found(made, DEMO_SHARES, (*_DEMO_NEVER, *_DEMO_BAD), rng)
    rows = sorted({*rows, *(int(row) for row in np.flatnonzero(np.isin(labels, _DEMO_BAD)))})
    markers = _harm(made, stand_markers(made, rows))
    occupation_m = 0.008
    readings, read = _demo_readings(made, markers, occupation_m, rng)
    graves = use_graves(made, rng)
    files = {"plat/section_a.csv": old_ground(), **readings}
    files |= survey_files(made, graves, rng)
    files["survey/heights.tif"] = ground_heights()
    files["register/ledger.csv"] = ledger = write_ledger(made, graves, rng)
    files["ground.toml"] = _demo_text(buried_in_meadow(ledger)).encode("utf-8")
    told = retell(files["register/ledger.csv"], made, graves)
    files |= told.files
    files |= {f"orders/{name}.toml": text.encode("utf-8") for name, text in DEMO_ORDERS.items()}
    expected = [*_demo_expected(), *told.expected]
    truth = known_truth(
        made, seed, markers, [pair[:2] for pair in expected], 3,
        occupation_sigma_m=occupation_m, scatter_sigma_m=0.004,
        control={"Tansy Fork 3": list(_DEMO_CONTROL)}, read=read,
        shifted={"readings/autumn.gpx": "coordinates are ITRF2014 at 2025.69, declared NAD83(2011)"},
        told={"burials": told.burials, "events": told.events},
    )  # fmt: skip
    troubles = "\n".join(f"- **{kind}**, {subject}. {story}" for kind, subject, story in expected)
    story = DEMO_README.format(
        seed=seed, found=len(markers), sites=len(labels), troubles=troubles, occupation=occupation_m, most=DEMO_MOST
    )
    files["README.md"] = story.encode("utf-8")
    files["truth.json"] = truth_text(truth).encode("utf-8")
    return Invented(dict(sorted(files.items())), truth)
