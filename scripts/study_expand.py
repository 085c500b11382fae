"""Compare the best rows with a random search on invented fields; the search gets some seconds a field (argument)."""

import sys
import time

import numpy as np
import shapely

from cemgis.layout import Module, bound, intervals, plan

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


def main() -> None:
    """Print both for every field."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    rng = np.random.default_rng(12)
    worse = 0
    for number in range(1, 6):
        area = field(rng)
        ours, most = len(plan(area, LOTS, 0.5).lots), bound(area, LOTS)
        end, best, tries = time.monotonic() + seconds, 0, 0
        while time.monotonic() < end:
            best, tries = max(best, try_once(area, rng)), tries + 1
        worse += best > ours
        said = f"field {number}: {area.area / 43560:.1f} acres; best rows {ours} lots, bound {most}"
        print(f"{said}; random {best} ({tries:,} tries)", flush=True)
    print(f"the random search was better {worse} times")


if __name__ == "__main__":
    main()
