"""Time layouts of a 100-acre parcel at half a foot: the default directions, then every direction at one degree."""

import resource
import time

import numpy as np
import pandas as pd
import shapely

from cemgis.expansion import best_directions, default_directions, lay_out
from cemgis.land import usable_land
from cemgis.layout import Module
from cemgis.rules import Rules
from cemgis.units import US_SURVEY_FOOT

LOTS = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12, reach=60)


def parcel() -> tuple[shapely.Polygon, pd.DataFrame, list[tuple[float, float]]]:
    """Make a field of about 100 acres with a stream, a house and trees, and a gate on either side of the stream."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    radius = 1185 * (1 + 0.15 * np.sin(3 * angle) + 0.08 * np.cos(5 * angle))
    field = shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]) + [2_001_000, 451_000])
    stream = shapely.LineString([(1_999_700, 450_700), (2_001_000, 450_800), (2_002_300, 450_500)])
    rng = np.random.default_rng(1)
    trees = [shapely.Point(*xy) for xy in rng.normal([2_001_000, 451_300], 350, (12, 2))]
    kinds = ["watercourse", "building", *["tree"] * len(trees)]
    things = pd.DataFrame({"kind": kinds, "geometry": [stream, shapely.Point(2_001_100, 451_500).buffer(40), *trees]})
    points = [field.exterior.interpolate(share, normalized=True) for share in (0.2, 0.7)]
    return field, things, [(float(point.x), float(point.y)) for point in points]


def peak_mb() -> float:
    """Greatest resident size so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Run both and print what they took."""
    field, things, gates = parcel()
    rules = Rules(US_SURVEY_FOOT, {"setback.watercourse": {"value": "50 ft", "source": "this script"}})
    land = usable_land(field, things, rules, unit=US_SURVEY_FOOT)
    print(f"{field.area / 43560:.1f} acres, {land.usable.area / 43560:.1f} usable")
    begin = time.perf_counter()
    for name, azimuth in default_directions(field, None, 0.3).items():
        start = time.perf_counter()
        got = lay_out(name, land, gates, LOTS, azimuth, rules, unit=US_SURVEY_FOOT)
        took = time.perf_counter() - start
        print(
            f"{name}: {got.spaces:,} spaces joined ({got.unreached:,} not reached), rows {got.model:,}, "
            f"bound {got.most:,}; {took:.1f} s, {peak_mb():.0f} MB"
        )
    print(f"default directions: {time.perf_counter() - begin:.1f} s, {peak_mb():.0f} MB")
    start = time.perf_counter()
    best = best_directions(land, LOTS, rules["layout.resolution"], tell=print)
    print(f"every direction: {time.perf_counter() - start:.1f} s, {peak_mb():.0f} MB; best {best[0]}")


if __name__ == "__main__":
    main()
