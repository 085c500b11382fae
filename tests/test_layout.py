import importlib.util
import json
import math
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from shapely import affinity

from cemgis.errors import InputError
from cemgis.layout import (
    EPS,
    SCALE,
    Module,
    _edges,
    _free,
    _solve,
    bound,
    directions,
    frame,
    from_frame,
    halves,
    most_in_column,
    plan,
    to_frame,
)
from cemgis.units import FOOT

LOTS = Module(frontage=16, depth=12, spaces=4, rows=2, walk=0, drive=12)
SCRIPT = Path(__file__).resolve().parents[1] / "scripts" / "study_expand.py"
FREE = replace(LOTS, aligned=False)


def blob(rng, size=200.0, corners=9, hole=True):
    """A crooked piece of land with a hole."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(0.45, 1.0, corners) * size
    outer = shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])).buffer(0)
    if hole:
        outer = outer.difference(shapely.Point(*rng.uniform(-0.2, 0.2, 2) * size).buffer(0.12 * size, 4))
    return outer


def sound(made, area):
    """What every plan must be: lots on the land, apart, beside a drive on the land."""
    boxes, module = made.boxes(), made.module
    assert shapely.covers(area.buffer(2 * EPS), boxes).all()
    if len(boxes) > 1:
        small = shapely.buffer(boxes, -1e-4, join_style="mitre")
        one, two = shapely.STRtree(small).query(small, predicate="intersects")
        assert (one == two).all()
    lanes = made.drives[made.drive]
    v = made.lots[:, 1]
    above = v >= lanes[:, 2] - EPS
    depth = module.height(1) + (made.rank - 1) * (module.depth + module.walk)
    far = np.where(above, v + module.depth - lanes[:, 2], lanes[:, 1] - v)
    assert np.allclose(far, depth, atol=1e-6)
    assert (made.rank <= module.most_rows).all()
    # the way from the drive to the lot, and the drive along it, are land
    low = np.where(above, lanes[:, 2] - module.drive, v)
    high = np.where(above, v + module.depth, lanes[:, 1] + module.drive)
    assert (lanes[:, 2] - lanes[:, 1] >= module.drive - EPS).all()
    u = made.lots[:, 0]
    assert shapely.covers(area.buffer(2 * EPS), shapely.box(u, low, u + module.frontage, high)).all()
    for block in np.unique(made.block):
        mine = made.drives[made.drives[:, 0] == block]
        mine = mine[np.argsort(mine[:, 1])]
        assert (mine[1:, 1] >= mine[:-1, 2] - EPS).all()
        rows = np.unique(made.lots[made.block == block, 1].round(6))
        # at most so many rows before a gap as wide as a drive
        runs = np.split(rows, np.flatnonzero(np.diff(rows) - module.depth >= module.drive - 1e-5) + 1)
        assert max(map(len, runs)) <= module.rows
        assert (np.diff(rows) >= module.depth - 1e-5).all()


# ---- exact fits -----------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 100_000))
def test_free_stretches_are_where_every_column_is_land(seed):
    rng = np.random.default_rng(seed)
    area = blob(rng)
    height = rng.uniform(3, 40)
    low = area.bounds[1] - 5
    found = _free(_edges(area), low, 7.0, 70, height)
    # on the stretches: rectangles on the land; off them: a column that is not
    boxes = shapely.box(found.start, low + 7 * found.strip, found.end, low + 7 * found.strip + height)
    assert shapely.covers(area.buffer(1e-5), boxes).all()
    strip = rng.integers(0, 70, 300)
    u = rng.uniform(area.bounds[0], area.bounds[2], 300)
    foot = np.column_stack([u, low + 7.0 * strip])
    column = shapely.linestrings(np.stack([foot, foot + [0.0, height]], axis=1))
    land = shapely.covers(area, column)
    listed = np.array([((found.start[found.strip == j] <= x) & (x <= found.end[found.strip == j])).any()
                       for j, x in zip(strip, u, strict=True)])  # fmt: skip
    assert (land == listed).mean() > 0.999


def test_a_side_that_only_touches_blocks_nothing():
    area = shapely.box(0, 0, 50, 24)
    found = _free(_edges(area), 0.0, 12.0, 2, 12.0)
    assert found.strip.tolist() == [0, 1]
    assert found.start.tolist() == [0, 0]
    assert found.end.tolist() == [50, 50]
    assert len(_free(_edges(area), 0.5, 12.0, 2, 12.0).strip) == 1


# ---- best layouts that are arithmetic ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "module", "lots"),
    [
        (100, 60, LOTS, 24),  # 2 rows, drive, 2 rows of 6
        (100, 96, LOTS, 36),  # 2, drive, 2, drive, 2: six rows
        (100, 95.5, LOTS, 30),  # one row fewer
        (96, 60, LOTS, 24),
        (95.5, 60, LOTS, 20),
        (160, 24, LOTS, 10),  # one row and its drive
        (160, 23.5, LOTS, 0),  # no drive fits beside a row
        (160, 36, LOTS, 20),  # a row on either side, or two on one
        (160, 60, replace(LOTS, rows=3), 40),  # drive with 4 rows: 2 and 2, or 3 and 1
        (160, 84, replace(LOTS, rows=3), 60),  # 3, drive, 3
        (160, 90, replace(LOTS, rows=3, walk=3), 50),  # 3 rows with walks are 42: 3, drive, 2 (27) and 9 left
        (160, 96, replace(LOTS, rows=3, walk=3), 60),
        (48, 60, Module(4, 8, 1, 1, 0, 10), 60),  # row, drive, row (26); row under it shares a drive: see below
    ],
)
def test_rectangles(width, height, module, lots):
    if module.rows == 1:
        # single rows between drives of 10: r d r d r ... n rows take 8 n + 10 (n - 1)
        lots = 12 * ((height + 10) // 18)
    made = plan(shapely.box(0, 0, width, height), module, 0.5)
    sound(made, shapely.box(0, 0, width, height))
    assert len(made.lots) == lots
    if module.rows == 2 and height >= 95:
        assert (made.rank == 1).mean() > 0.5  # between two drives each row lies beside its own
    most = bound(shapely.box(0, 0, width, height), module)
    assert most >= lots
    if lots and height >= module.height(module.rows) + module.drive + module.depth:
        assert most == lots  # the bracket closes: an optimum


@pytest.mark.parametrize(
    ("f", "p", "gross"),
    [(5, 10, 871.2), (4, 8, 1361.25), (3, 8, 1815.0), (3.5, 8, 1555.7), (4, 12, 907.5)],  # 43,560 over the area
)
def test_graves_per_acre_stay_below_gross(f, p, gross):
    assert 43560 / (f * p) == pytest.approx(gross, abs=0.05)
    side = math.sqrt(10 * 43560)
    module = Module(f, p, 1, 2, 0, 10)
    area = shapely.box(0, 0, side, side)
    made = plan(area, module, 0.5)
    per_acre = len(made.lots) / 10
    share = 2 * p / (2 * p + 10)  # two rows for each drive
    assert per_acre < gross
    assert per_acre == pytest.approx(gross * share, rel=0.03)


def test_two_lobes_do_not_cost_each_other_lots():
    # two fields 16 k + 0 wide whose lower sides differ by a third of the pattern, joined by a strip too thin for a lot
    left, right = shapely.box(0, 0, 160, 96), shapely.box(170, 7.3, 330, 103.3)
    joined = shapely.union_all([left, right, shapely.box(159, 50, 171, 51)])
    alone = len(plan(left, LOTS, 0.5).lots) + len(plan(right, LOTS, 0.5).lots)
    assert alone == 120
    made = plan(joined, LOTS, 0.5, tries=15, splits=1)
    sound(made, joined)
    assert len(made.lots) >= 0.95 * alone  # a cross drive may take some
    assert len(made.lots) > len(plan(joined, LOTS, 0.5).lots)
    apart = shapely.union_all([left, right])
    both = plan(apart, LOTS, 0.5)
    sound(both, apart)
    assert len(both.lots) == alone == bound(apart, LOTS)


# ---- against an integer programme ------------------------------------------------------------------------------------


def by_integer_programme(found, module, phase):
    """The same candidates as a weighted independent set: two halves conflict by what stands between them."""
    counts = {"up": found.up, "dn": found.down}
    halves_ = [
        (side, j, m)
        for side in counts
        for m in range(1, len(found.heights))
        for j in range(len(found.up[0]))
        if counts[side][m][j, phase]
    ]
    weight = np.ceil(np.array([counts[s][m][j, phase] for s, j, m in halves_], dtype=float) / SCALE)
    if not len(weight):
        return 0
    side = np.array([s == "up" for s, _, _ in halves_])
    j = np.array([j for _, j, _ in halves_])
    m = np.array([m for _, _, m in halves_])
    deep = np.array(found.heights)[m]
    top, low = np.where(side, j + deep, j), np.where(side, j, j - deep)  # extent of the rows
    a, b = np.triu_indices(len(weight), 1)

    def fits(x, y):  # x below y
        both_up, both_down = side[x] & side[y], ~side[x] & ~side[y]
        gap = low[y] - top[x]
        group = side[x] & ~side[y]  # rows of one group between two drives, or an idle drive between
        need = np.where(both_up | both_down | (~side[x] & side[y]), found.drive,
                        np.where(m[x] + m[y] <= found.most, found.walk, found.drive))  # fmt: skip
        return (gap >= need) & (group | (gap >= found.drive))

    bad = ~(fits(a, b) | fits(b, a))
    a, b = a[bad], b[bad]
    rows = np.repeat(np.arange(len(a)), 2)
    pairs = np.column_stack([a, b]).ravel()
    matrix = sparse.csr_array((np.ones(2 * len(a)), (rows, pairs)), shape=(len(a), len(weight)))
    got = milp(-weight, integrality=np.ones(len(weight)), bounds=Bounds(0, 1),
               constraints=[LinearConstraint(matrix, -np.inf, 1)] if len(a) else [])  # fmt: skip
    assert got.status == 0
    return round(-got.fun)


@pytest.mark.parametrize("seed", range(8))
def test_the_programme_over_rows_finds_what_an_integer_programme_finds(seed):
    rng = np.random.default_rng(seed)
    module = Module(
        frontage=float(rng.choice([8, 12, 16])), depth=float(rng.choice([8, 10, 12])), spaces=1,
        rows=int(rng.integers(1, 4)), walk=float(rng.choice([0, 2, 4])), drive=float(rng.choice([10, 12])),
        aligned=bool(seed % 2),
    )  # fmt: skip
    area = blob(rng, size=52.0)
    found = halves(area, module, 2.0)
    solved = _solve(found)
    best = by_integer_programme(found, module, solved.phase)
    other = (solved.phase + 3) % found.up[0].shape[1]
    assert by_integer_programme(found, module, other) <= best
    assert solved.value == best
    made = plan(area, module, 2.0)
    assert len(made.lots) == solved.value
    sound(made, area)


# ---- brackets --------------------------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 100_000), st.floats(0, 360), st.booleans(), st.floats(-1e6, 1e6))
def test_moved_turned_and_mirrored_land_has_the_same_bracket(seed, turn, mirror, shift):
    area = blob(np.random.default_rng(seed), size=150.0)
    made = plan(area, LOTS, 1.0)
    sound(made, area)
    low, high = len(made.lots), bound(area, LOTS)
    assert low <= high
    other = affinity.scale(area, -1 if mirror else 1, 1, origin=(0, 0))
    other = affinity.translate(affinity.rotate(other, -turn, origin=(0, 0)), shift, -shift)
    # rows along u of the first frame are rows at azimuth 90 + turn of the grid
    there = to_frame(other, frame(other, 90.0 + turn))
    low2, high2 = len(plan(there, LOTS, 1.0).lots), bound(there, LOTS)
    assert low2 <= high2
    assert max(low, low2) <= min(high, high2)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 100_000))
def test_the_bound_holds_for_rows_set_anyhow(seed):
    """Rows shifted at random, each with its own columns, in blocks: never above the bound."""
    rng = np.random.default_rng(seed)
    area = blob(rng, size=160.0)
    module = replace(LOTS, walk=float(rng.choice([0, 3])), rows=int(rng.integers(1, 4)))
    edges, low = _edges(area), area.bounds[1]
    v, total, count = low + rng.uniform(0, 20), 0, 0
    while v < area.bounds[3]:
        found = _free(edges, v, 1.0, 1, module.depth)
        total += int(np.floor((found.end - found.start) / module.frontage + 1e-9).sum())
        count += 1
        v += module.depth + (module.drive if count % module.rows == 0 else module.walk)
    assert total <= bound(area, module)


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 400), st.integers(1, 4), st.floats(0, 6), st.floats(6, 20))
def test_lots_in_a_column_by_counting(length, rows, walk, drive):
    module = Module(16, 12, 1, rows, walk, drive)
    used, n = 0.0, 0
    while True:
        more = 12.0 if n == 0 else 12.0 + (drive if n % rows == 0 else walk)
        if used + more > length + EPS:
            break
        used, n = used + more, n + 1
    assert int(most_in_column(length, module)) == n


def test_finer_steps_and_free_columns_only_gain():
    area = blob(np.random.default_rng(11), size=220.0)
    coarse, fine = len(plan(area, LOTS, 2.0).lots), len(plan(area, LOTS, 0.5).lots)
    free = len(plan(area, FREE, 0.5).lots)
    assert coarse <= fine <= free <= bound(area, FREE) == bound(area, LOTS)
    assert len(plan(area, replace(LOTS, drive=16), 0.5).lots) <= fine
    assert free / bound(area, FREE) > 0.85


def test_reach_keeps_rows_near_their_drive():
    area = shapely.box(0, 0, 160, 200)
    three = replace(LOTS, rows=3)
    near = replace(three, reach=24)
    assert near.most_rows == 2
    made = plan(area, near, 0.5)
    sound(made, area)
    assert made.rank.max() == 2
    assert len(made.lots) <= len(plan(area, three, 0.5).lots)


def test_real_outlines():
    path = Path(__file__).parent / "data" / "geometry"
    files = sorted(path.glob("liechtenstein*.geojson"))
    assert files
    table = gpd.read_file(files[0]).to_crs(2056)
    module = Module(1.2, 2.4, 1, 2, 0.3, 3.0)
    for area in table.geometry:
        area = shapely.union_all([area])
        within = to_frame(area, frame(area, 37.0))
        made = plan(within, module, 0.1)
        sound(made, within)
        back = from_frame(made.boxes(), frame(area, 37.0))
        assert shapely.covers(area.buffer(1e-4), back).all()
        assert len(made.lots) <= bound(within, module)
    assert json.loads(files[0].read_text())["type"] == "FeatureCollection"


# ---- frames and input -----------------------------------------------------------------------------------------------


def test_frames_turn_there_and_back():
    area = affinity.translate(blob(np.random.default_rng(2)), 2_023_000, 449_000)
    for azimuth in (0, 33.3, 90, 181):
        where = frame(area, azimuth)
        assert from_frame(to_frame(area, where), where).symmetric_difference(area).area < 1e-3
        assert to_frame(area, where).area == pytest.approx(area.area, rel=1e-9)
    # u runs along the azimuth, v lies to its left
    where = frame(shapely.box(0, 0, 1, 1), 90.0)
    assert shapely.get_coordinates(to_frame(shapely.Point(10, 3), where)).tolist() == [[10, 3]]
    assert directions([10, 190, 100.00001, 280]) == [10, 100]


def test_what_is_no_module_is_refused():
    LOTS.check(0.5, FOOT)
    for bad, match in [
        (replace(LOTS, depth=0), "no size"),
        (replace(LOTS, depth=12.3), "multiple"),
        (replace(LOTS, walk=14), "wider"),
        (replace(LOTS, rows=0), "no rows"),
        (replace(LOTS, reach=8), "reach"),
    ]:
        with pytest.raises(InputError, match=match):
            bad.check(0.5, FOOT)


def test_land_too_small_gives_an_empty_plan():
    made = plan(shapely.box(0, 0, 10, 10), LOTS, 0.5)
    assert made.spaces == len(made.boxes()) == 0
    assert bound(shapely.box(0, 0, 10, 10), LOTS) == 0
    assert bound(shapely.Polygon(), LOTS) == 0


# ---- against chance --------------------------------------------------------------------------------------------------


def test_rows_set_at_random_are_never_better():
    """The search of scripts/study_expand.py, which gives it 30 seconds a field; here some hundred tries."""
    spec = importlib.util.spec_from_file_location("study_expand", SCRIPT)
    study = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(study)
    rng = np.random.default_rng(12)
    for _ in range(3):
        area = study.field(rng)
        made = plan(area, study.LOTS, 0.5)
        best = max(study.try_once(area, rng) for _ in range(250))
        assert 0.8 * len(made.lots) < best <= len(made.lots) <= bound(area, study.LOTS)
