"""Measure time and memory of the heavy steps, each against its bare floor in the same run.

`python scripts/bench.py` prints one table; `python scripts/bench.py spaces clearances` only those lines. On a machine
that does other work as well, the ratios of processor seconds say more than those of the clock.
Each line runs in a process of its own, so that its peak memory is its own.
"""

import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import cemgis  # noqa: F401  before pyarrow, as the command line does: it says where Arrow takes its memory

MILLION = 1_000_000
SPACES_PER_LOT = 4


class Spent(NamedTuple):
    """Seconds by the clock, and of processors: those do not grow because something else runs beside."""

    wall: float
    cpu: float

    def __sub__(self, other):
        return Spent(self.wall - other.wall, self.cpu - other.cpu)


def now():
    """Return what has been spent so far, by this process and by those it waited for."""
    return Spent(time.perf_counter(), sum(os.times()[:4]))


def ground_text(spaces):
    """ground.toml of one section with so many spaces: lots of four in rows of a hundred lots."""
    rows = max(1, spaces // (100 * SPACES_PER_LOT))
    lots = min(100, max(1, spaces // SPACES_PER_LOT))
    return f"""
schema_version = 1
name = "Bench Hill"
crs = "EPSG:6549"
[[readings]]
file = "readings/all.csv"
corrections = "made up"
reference = "EPSG:6549"
fix = "fixed"
sigma = "0.05 ft"
columns = {{ label = "label", x = "x", y = "y" }}
[[plat]]
name = "1900"
date = "1900"
[[section]]
name = "A"
plat = "1900"
markers = "southwest"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = {rows}
lots = {lots}
frontage = "16 ft"
depth = "12 ft"
between_rows = ["0 ft", "10 ft"]
spaces = 4
facing = "east"
from = "left"
"""


def make_ground(folder, spaces, found_share):
    """Write a ground of so many spaces whose markers are found at random, set with an error, and read."""
    import numpy as np

    from cemgis.ground import parse_ground
    from cemgis.plat import make_plat

    text = ground_text(spaces)
    (folder / "readings").mkdir(parents=True)
    (folder / "ground.toml").write_text(text, encoding="utf-8")
    sites = make_plat(parse_ground(text, folder)).sites
    random = np.random.default_rng(1)
    count = min(2000, max(12, int(found_share * len(sites))))
    chosen = sites.iloc[np.sort(random.choice(len(sites), count, replace=False))]
    xy = (
        chosen[["plat_x", "plat_y"]].to_numpy() * 1.0005 + [2_023_000.0, 449_000.0] + random.normal(0, 0.15, (count, 2))
    )
    lines = [f"{label},{x:.3f},{y:.3f}" for label, (x, y) in zip(chosen["label"], xy, strict=True)]
    (folder / "readings" / "all.csv").write_text("label,x,y\n" + "\n".join(lines) + "\n", encoding="utf-8")


def boxes(count):
    """So many rectangles of 4 by 12 with half a unit between, in rows of a thousand."""
    import numpy as np
    import shapely

    at = np.arange(count)
    x, y = 2_000_000.0 + (at // 1000) * 12.5, 700_000.0 + (at % 1000) * 4.5
    return shapely.box(x, y, x + 12.0, y + 4.0)


# ---- lines of the table: each returns (what, seconds, floor seconds, what the floor is) ----------------------------


def bench_spaces():
    """Measure a million spaces: plat, placing and polygons, then everything written."""
    import geopandas as gpd
    import numpy as np
    import pyogrio

    from cemgis import fit, plat, spaces
    from cemgis.files import geopackage
    from cemgis.ground import parse_ground

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ground = parse_ground(ground_text(MILLION), folder)
        start = now()
        drawn = plat.make_plat(ground)
        random = np.random.default_rng(1)
        chosen = random.choice(len(drawn.sites), 1000, replace=False)
        at = drawn.sites[["plat_x", "plat_y"]].to_numpy()[chosen]
        read = at + [2_000_000.0, 500_000.0] + random.normal(0, 0.15, at.shape)
        cov = np.tile(np.eye(2) * 0.0025, (len(at), 1, 1))
        placed = fit.fit_plat(at, read, cov, setting_sigma=0.2, setting_dof=4, alpha=0.001, power=0.8)
        corner = drawn.sites["corner_index"].to_numpy()[chosen]
        located = fit.locate(placed, drawn.corners_plat_xy, corner, read, cov, np.arange(len(at)))
        state = np.full(len(drawn.corners), "fitted", dtype=object)
        corners = spaces.place(drawn, {"1900": located}, state, np.full(len(state), None, dtype=object))
        table = spaces.build_spaces(drawn, corners, ground.crs.crs)
        made = now() - start
        start = now()
        stamp = datetime(2026, 1, 1, tzinfo=UTC)
        geopackage.write_ground(
            folder / "ground.gpkg", {"spaces": table}, unit=ground.unit, crs=ground.crs.crs, stamp=stamp, title="bench"
        )
        wrote = now() - start
        frame = gpd.GeoDataFrame(table).dropna(axis=1, how="all")
        start = now()
        pyogrio.write_dataframe(frame, folder / "floor.gpkg", layer="spaces", use_arrow=True)
        floor = now() - start
    return [
        ("1,000,000 spaces, plat to polygons", made, floor, "pyogrio arrow write of the same table"),
        ("1,000,000 spaces, checked and written", wrote, floor, "pyogrio arrow write of the same table"),
    ]


def bench_clearances():
    """Measure neighbours within one unit among a million rectangles."""
    import shapely

    from cemgis import clearance

    shapes, within, chunk = boxes(MILLION), 1.0, 50_000
    start = now()
    found = clearance.neighbours(shapes, within)
    ours = now() - start
    start = now()
    tree = shapely.STRtree(shapes)
    bounds = shapely.bounds(shapes)

    def part(first):
        low, high = bounds[first : first + chunk, :2] - within, bounds[first : first + chunk, 2:] + within
        near = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
        a, b = tree.query(near)
        a = a + first
        later = b > a
        a, b = a[later], b[later]
        return int((shapely.distance(shapes[a], shapes[b]) <= within).sum())

    with ThreadPoolExecutor(2) as pool:
        count = sum(pool.map(part, range(0, len(shapes), chunk)))
    floor = now() - start
    if count != len(found.a):
        message = f"{len(found.a)} pairs against {count} of the floor"
        raise RuntimeError(message)
    what = "neighbours of 1,000,000 spaces within 1 ft"
    return [(what, ours, floor, "tree of boxes and exact distances, two threads")]


def bench_build():
    """Measure whole builds, start-up included."""
    lines = []
    start = now()
    subprocess.run([sys.executable, "-c", "import geopandas, pyogrio, scipy.sparse"], check=True)
    floor = now() - start
    for spaces in (1_000, 10_000, 30_000, 100_000):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "ground"
            make_ground(folder, spaces, 0.2)
            start = now()
            subprocess.run(
                [sys.executable, "-m", "cemgis", "build", str(folder), "--no-maps"], check=True, capture_output=True
            )
            took = now() - start
        lines.append((f"build of {spaces:,} spaces, start-up included", took, floor, "importing the libraries"))
    return lines


def bench_maps():
    """Measure the whole-ground sheet and the staff page of 10,000 spaces."""
    from cemgis import pipeline

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "ground"
        make_ground(folder, 10_000, 0.2)
        start = now()
        pipeline.build(folder, with_maps=False)
        floor = now() - start
        start = now()
        pipeline.render(folder)
        took = now() - start
    return [("maps of 10,000 spaces: sheets and staff page", took, floor, "computing and writing that ground")]


def bench_readings():
    """Measure a million readings as CSV."""
    import numpy as np
    import pyarrow.csv

    from cemgis.files.readings import parse_points
    from cemgis.files.tables import read_table

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "all.csv"
        random = np.random.default_rng(1)
        xy = random.normal(0, 100, (MILLION, 2)) + [2_023_000.0, 449_000.0]
        text = "".join(f"A-{row % 5000},{x:.3f},{y:.3f}\n" for row, (x, y) in enumerate(xy))
        path.write_text("label,x,y\n" + text, encoding="utf-8")
        start = now()
        parse_points(read_table(path), columns={"label": "label", "x": "x", "y": "y"})
        took = now() - start
        start = now()
        pyarrow.csv.read_csv(path)
        floor = now() - start
    return [("1,000,000 readings from CSV", took, floor, "pyarrow reading the file, nothing checked")]


def bench_help():
    """Measure how long `cemgis --help` takes."""

    def best(command):
        times = []
        for _ in range(7):
            start = now()
            subprocess.run(command, check=True, capture_output=True)
            times.append(now() - start)
        return sorted(times)[3]

    took = best([sys.executable, "-m", "cemgis", "--help"])
    return [("cemgis --help", took, best([sys.executable, "-c", "pass"]), "an empty Python")]


BENCHES = {
    "help": bench_help,
    "readings": bench_readings,
    "clearances": bench_clearances,
    "spaces": bench_spaces,
    "build": bench_build,
    "maps": bench_maps,
}


def measured(name, pipe):
    lines = BENCHES[name]()
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    pipe.send((lines, peak))


if __name__ == "__main__":
    heads = f"{'s':>8} {'cpu s':>8} {'floor s':>8} {'cpu s':>8} {'ratio':>6} {'of cpu':>6} {'peak MB':>8}"
    print(f"{'work':46} {heads}  floor")
    for chosen in sys.argv[1:] or BENCHES:
        ours, theirs = multiprocessing.get_context("spawn").Pipe()
        process = multiprocessing.get_context("spawn").Process(target=measured, args=(chosen, theirs))
        process.start()
        theirs.close()
        try:
            lines, peak = ours.recv()
        except EOFError:
            print(f"{chosen}: failed")
            continue
        process.join()
        for what, took, floor, said in lines:
            print(
                f"{what:46} {took.wall:8.2f} {took.cpu:8.2f} {floor.wall:8.2f} {floor.cpu:8.2f} "
                f"{took.wall / floor.wall:6.2f} {took.cpu / max(floor.cpu, 0.01):6.2f} {peak:8.0f}  {said}",
                flush=True,
            )
