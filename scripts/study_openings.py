"""How often diggers who follow only the sheet land in the right space, and how often they are told not to start.

Invented grounds with known truth are built; in each, spaces are drawn and their openings planned. A digger then finds
the markers where they really stand, tapes with a tape's errors, and cuts the dig. `python scripts/study_openings.py
10000` runs ten thousand diggers. Grounds named clean have four markers in five found and none of them bad (one in
three is read twice and so trusted), and plats set to a tenth of a foot.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from cemgis import invent, schema
from cemgis.geometry import least_gap, long_axis
from cemgis.layers import LAYERS
from cemgis.opening import Order, Plan, contacts, plan_opening, strike
from cemgis.pipeline import Run, compute
from cemgis.pipeline.opening_site import site_of, tie_numbers
from cemgis.ties import circles_cross, dig_corners

LESS = (0.1, 0.2, 0.3)  # feet
DECLARED = """
[[container]]
name = "vault"
length = "{length}"
width = "{width}"
height = "{height}"
[equipment]
straps = "{straps}"
"""


@dataclass
class Tally:
    """What became of the diggers of one kind of ground."""

    diggers: int = 0
    stopped: int = 0
    started: int = 0
    caught: int = 0
    struck: int = 0
    expected: float = 0.0
    wrong: list[str] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    struck_on: set[int] = field(default_factory=set)
    closed: list[list[float]] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    why: dict[str, int] = field(default_factory=dict)


def ground(seed: int, folder: Path, *, clean: bool) -> tuple[Run, dict]:
    """Build one invented ground with a vault declared."""
    more = {"found": 0.8, "bad": 0.0, "setting_sigma": 0.1} if clean else {"bad": 0.08}
    made = invent.ground(seed, lots=60, sections=1, **more)
    for name, content in made.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    feet = made.truth["unit"] != "metre"
    sizes = ("90 in", "34 in", "36 in", "8 ft") if feet else ("2.2 m", "0.8 m", "0.9 m", "2.4 m")
    declared = DECLARED.format(**dict(zip(("length", "width", "height", "straps"), sizes, strict=True)))
    with (folder / "ground.toml").open("a", encoding="utf-8") as stream:
        stream.write(declared)
    return compute(folder), made.truth


def dig(plan: Plan, truth_xy: dict[str, np.ndarray], run: Run, rng: np.random.Generator) -> tuple[np.ndarray, bool]:
    """Cut one grave by its sheet: the corners as they come to lie, and whether the check tie agreed."""
    ties, numbers = plan.ties, tie_numbers(run.ground)
    factor, anchors = run.factor, plan.site.anchors
    a, b = (truth_xy[anchors.ids[k]] for k in ties.pair)
    step = numbers.divide
    shown = np.round(ties.distances / step) * step  # what the sheet says
    taped = (shown + rng.standard_normal((2, 2)) * np.sqrt(numbers.variance(shown))) * factor
    side = 0 if ties.side == "left" else 1
    head = np.stack([circles_cross(a, b, *taped[c])[side] for c in (0, 1)])
    across = head[1] - head[0]
    agrees = abs(np.hypot(*across) + rng.normal(0, numbers.sigma) - plan.dig.width) <= ties.across + step
    heads = np.degrees(np.arctan2(-across[1], across[0]))
    turn = np.radians(heads)
    middle = head.mean(axis=0) - np.array([np.sin(turn), np.cos(turn)]) * plan.dig.length / 2
    corners = dig_corners(middle, heads, plan.dig.width, plan.dig.length)
    for check in ties.checks:
        seen = np.hypot(*(corners[check.corner] - truth_xy[anchors.ids[check.anchor]])) / factor
        seen += rng.normal(0, np.sqrt(numbers.variance(seen)))
        agrees &= bool(abs(seen - check.distance) <= check.tolerance + step)
    return corners, bool(agrees)


def study(run: Run, truth: dict, rng: np.random.Generator, tally: Tally, most: int, number: int = 0) -> None:
    """Let diggers loose on one ground: half of its spaces are occupied, by burials nobody measured.

    Strikes are rare, so that the same chances are asked of more frequent things as well: a gap that is really smaller
    than planned by more than a tenth, two and three of a foot.
    """
    # a marker stands where the truth says it was read; its label is what the digger finds written on it
    markers = {str(one["label"]): np.array(one["at"], dtype=float) for one in truth["markers"]}
    found = {str(row.marker_id): markers.get(str(row.label)) for row in run.tables["markers"].itertuples()}
    spaces = run.tables["spaces"]
    true_xy = {name: np.array(xy, dtype=float) for name, xy in truth["spaces"].items()}
    ids = spaces["space_id"].astype(str)
    names = [name for name in spaces["space_id"].astype(str) if name in true_xy]
    places = np.array([true_xy[name] for name in names])
    mixed = rng.permutation(len(names))
    occupied, chosen = mixed[: len(names) // 2], mixed[len(names) // 2 :][:most]
    run.tables["events"] = schema.restore(
        pd.DataFrame(
            {"event_id": [f"e{k}" for k in occupied], "kind": "interment", "date": "1950-01-01",
             "place": [names[k] for k in occupied], "space_id": [names[k] for k in occupied], "source": "invented"}
        ), LAYERS["events"],
    )  # fmt: skip
    scatter = run.ground.rules["dig.burial_scatter"]
    for at in chosen:
        name = names[at]
        box = run.ground.container("vault")
        order = Order(name, "a", "b", "c", "d 1", "P", "E", "2026-05-04", "10:00", "t")
        site = site_of(run, name, machine=False)
        known = {"held": (("c", "d 1"),), "state": "right held"}
        if site.heads_azimuth is None:
            # the default rule says west where spaces lie north and south: a person would have written the rule
            along = float(long_axis(np.array([site.shape], dtype=object))[0][0])
            known["heads_azimuth"] = (along + site.convergence) % 360.0
        site = replace(site, **known)
        gear = run.ground.equipment
        made = plan_opening(site, order, box, gear, rules=run.ground.rules, unit=run.ground.unit,
                            tie_numbers=tie_numbers(run.ground))  # fmt: skip
        # there is no machine and no drive on these grounds: that alone does not stop anybody here
        reasons = [one for one in made.reasons if "machine" not in one.text.lower()]
        tally.diggers += 1
        if reasons or made.ties is None:
            tally.stopped += 1
            for one in reasons:
                tally.why[one.text[:40]] = tally.why.get(one.text[:40], 0) + 1
            continue
        used = [made.site.anchors.ids[k] for k in (*made.ties.pair, *(check.anchor for check in made.ties.checks))]
        if any(found.get(one) is None for one in used):
            tally.stopped += 1
            continue
        corners, agrees = dig(made, {k: v for k, v in found.items() if v is not None}, run, rng)
        if not agrees:
            tally.caught += 1
            continue
        tally.started += 1
        middle = corners.mean(axis=0)
        # where in its space the middle of the dig should lie does not matter for which space it is: the nearest one
        planned = made.dig.corners.mean(axis=0) - shapely.get_coordinates(shapely.centroid(site.shape))[0]
        away = np.hypot(*(places - (middle - planned)).T)
        tally.off.append(float(away[at]))
        tally.inside.append(bool(away[at] <= made.ties.radius))
        # every neighbour really lies where its space really is, and not quite in the middle of it
        tally.expected += made.strike.any
        cut = shapely.Polygon(corners)
        near = contacts(made.dig, made.ties, site.joint, site.things, made.struck, site.dof)
        foot = 1.0 if run.ground.unit.is_foot else 0.3048
        hit = False
        for row, k in enumerate(made.struck):
            thing = site.things[k]
            here = shapely.get_coordinates(shapely.centroid(spaces.geometry[ids == thing.space_id].iloc[0]))[0]
            moved = true_xy[thing.space_id] - here + rng.normal(0, scatter, 2)
            true = shapely.transform(thing.shape, lambda xy, by=moved: xy + by)
            gap = float(least_gap(np.array([cut], dtype=object), np.array([true], dtype=object))[0][0])
            mine = near.owner == row
            for which, less in enumerate(LESS):
                limit = float(made.dig.gaps[k]) - less * foot
                chance = strike(near.gap[mine] - limit, near.covariance[np.ix_(mine, mine)], near.dof[mine]).any
                tally.closed.append([which, gap < limit, chance])
            hit |= gap <= 0
        tally.struck += hit
        if hit:
            tally.struck_on.add(number)
        if int(np.argmin(away)) != at:
            tally.wrong.append(f"{name}: nearer to {names[int(np.argmin(away))]}")


def main(diggers: int, *, seed: int = 1, kinds: Sequence[str] = ("clean", "troubled")) -> dict[str, Tally]:
    """Run the study: half of the diggers on clean grounds, half on troubled ones."""
    tallies = {kind: Tally() for kind in kinds}
    each = 50
    for kind, tally in tallies.items():
        rng = np.random.default_rng([seed, kind == "clean"])
        number = seed * 1000
        while tally.diggers < diggers / 2:
            number += 1
            with tempfile.TemporaryDirectory() as folder:
                run, truth = ground(number, Path(folder), clean=kind == "clean")
                study(run, truth, rng, tally, int(min(each, diggers / 2 - tally.diggers + 1)), number)
    return tallies


def say(kind: str, tally: Tally) -> str:
    """Say what became of the diggers of one kind of ground."""
    lines = [
        f"{kind}: {tally.diggers:,} diggers, {tally.stopped:,} told not to start "
        f"({100 * tally.stopped / tally.diggers:.1f} %), {tally.caught:,} stopped by a check tie, "
        f"{tally.started:,} dug, {len(tally.wrong)} in a wrong space, "
        f"{tally.struck} struck a neighbour on {len(tally.struck_on)} grounds ({tally.expected:.1f} expected); "
        f"within the stated radius {100 * np.mean(tally.inside or [0]):.1f} %, farthest {max(tally.off or [0]):.2f}"
    ]
    closed = np.array(tally.closed or [[0, 0, 0]], dtype=float)
    for which, less in enumerate(LESS):
        mine = closed[closed[:, 0] == which]
        lines.append(
            f"    gaps more than {less:g} ft smaller than planned: {mine[:, 1].sum():.0f} of {len(mine):,}, "
            f"{mine[:, 2].sum():.1f} expected"
        )
    lines += [f"    {count:,} {words}" for words, count in sorted(tally.why.items(), key=lambda item: -item[1])[:8]]
    lines += [f"    WRONG {words}" for words in tally.wrong[:5]] or ["    none wrong"]
    return "\n".join(lines)


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    asked.add_argument("diggers", nargs="?", type=int, default=400)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--kind", action="append", choices=("clean", "troubled"), help="only this kind of ground")
    given = asked.parse_args()
    for name, found in main(given.diggers, seed=given.seed, kinds=given.kind or ("clean", "troubled")).items():
        print(say(name, found), flush=True)
