"""Say how far layouts lie below their bound on invented fields, and compare the best rows with a random search.

The search gets some seconds a field (argument; 0 for none).
"""

import sys
import time

import numpy as np
import pandas as pd
import shapely

from cemgis.expansion import lay_out
from cemgis.land import usable_land
from cemgis.layout import Module, bound, intervals, plan
from cemgis.rules import Rules
from cemgis.units import US_SURVEY_FOOT

LOTS = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12)


def field(rng: np.random.Generator) -> shapely.Polygon:
    """Make a crooked field of one to four acres with a hole."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(120, 300, (9, 1))
    whole = shapely.Polygon(ring).buffer(0).difference(shapely.Point(*rng.uniform(-50, 50, 2)).buffer(25))
    return max(shapely.get_parts(whole), key=lambda part: part.area)


def try_once(area: shapely.Polygon, rng: np.random.Generator) -> int:
    """Lots of rows set at random: where the first stands, how many on each side of every drive, gaps, columns."""
    low, high = area.bounds[1], area.bounds[3]
    v, total, phase = low + rng.uniform(0, 48), 0, rng.uniform(0, LOTS.frontage)
    above_last = 0
    while v < high:
        below = rng.integers(0, LOTS.rows - above_last + 1)
        v += below * LOTS.depth  # lower edge of a drive
        above = rng.integers(0, LOTS.rows + 1)
        for side, count in ((-1, below), (1, above)):
            for rows in range(1, count + 1):
                strip = v - rows * LOTS.depth if side < 0 else v
                start, end = intervals(area, strip, LOTS.drive + rows * LOTS.depth)
                fits = np.floor((end - phase) / LOTS.frontage) - np.ceil((start - phase) / LOTS.frontage)
                total += int(np.maximum(fits, 0).sum())
        v += LOTS.drive + above * LOTS.depth + (rng.uniform(0, 3) if rng.random() < 0.3 else 0.0)
        above_last = above
    return total


def joined(number: int, area: shapely.Polygon) -> list[float]:
    """Print how far rows and joined layouts of a field lie below the bound, in three directions and three modules."""
    rules = Rules(US_SURVEY_FOOT)
    land = usable_land(area, pd.DataFrame({"kind": [], "geometry": []}), rules, unit=US_SURVEY_FOOT)
    gate = shapely.get_coordinates(area.exterior.interpolate(0.2, normalized=True))[0]
    gaps = []
    for rows, walk in ((1, 0), (2, 0), (3, 3)):
        module = Module(frontage=16, depth=12, spaces=4, rows=rows, walk=walk, drive=12, reach=60)
        for azimuth in (0.0, 60.0, 90.0):
            got = lay_out("", land, [(gate[0], gate[1])], module, azimuth, rules, unit=US_SURVEY_FOOT)
            gaps.append(100 * (1 - got.spaces / got.most))
            said = f"bound {got.most:,}, rows {got.model:,}, joined {got.spaces:,} ({got.unreached:,} not reached)"
            print(f"field {number}, groups of {rows} at {azimuth:.0f}: {said}, {gaps[-1]:.1f} % below", flush=True)
    return gaps


def main() -> None:
    """Print both for every field."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    rng = np.random.default_rng(12)
    fields = [field(rng) for _ in range(5)]
    gaps = [gap for number, area in enumerate(fields, 1) for gap in joined(number, area)]
    print(f"joined layouts lie {np.mean(gaps):.1f} % below their bound in the mean, {np.max(gaps):.1f} % at most")
    worse = 0
    for number, area in enumerate(fields if seconds > 0 else [], 1):
        ours, most = len(plan(area, LOTS, 0.5).lots), bound(area, LOTS)
        end, best, tries = time.monotonic() + seconds, 0, 0
        while time.monotonic() < end:
            best, tries = max(best, try_once(area, rng)), tries + 1
        worse += best > ours
        said = f"field {number}: {area.area / 43560:.1f} acres; best rows {ours} lots, bound {most}"
        print(f"{said}; random {best} ({tries:,} tries)", flush=True)
    if seconds > 0:
        print(f"the random search was better {worse} times")


if __name__ == "__main__":
    main()
