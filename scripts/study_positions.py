"""Study on invented grounds: how true the places, their radii and the judgement of markers are, by stratum.

Every ground is drawn, set out with a smooth distortion and setting errors, spoiled and read; then it goes the way any
ground goes (occupations, markers, fit, explanation, corners, spaces) with the local correction and without, and by
scikit-image's RANSAC. Nothing of the truth is known to the method, and the distortion is of none of its own making.

    python scripts/study_positions.py                      a minute: 2 grounds a stratum
    python scripts/study_positions.py --grounds 60 --jobs 2     the full study, over 300,000 spaces
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from skimage.measure import ransac
from skimage.transform import SimilarityTransform

from cemgis import schema
from cemgis.doubt import label_edits
from cemgis.errors import InputError
from cemgis.geometry import polygons_from_rings
from cemgis.ground import Ground, parse_ground
from cemgis.layers import LAYERS
from cemgis.occupations import ReadingNumbers, make_occupations
from cemgis.pipeline.placing import Ingested, Placing, place
from cemgis.plat import Plat, make_plat
from cemgis.spaces import build_spaces

FOUND = ((0.06, 0.15), (0.15, 0.40), (0.40, 0.60))
BAD = (0.0, 0.10, 0.25)
SHAPES = ("smooth", "rough", "waves")
FIXED_FT = 0.012 / 0.3048006096
READ_FT = 0.015 / 0.3048006096
RANSAC_FT = 1.0
METHODS = ("local", "plain", "ransac")
SHARES = (0.25, 0.35, 0.5, 0.7)
"""Radius over width above which a space could be called unsure, to show what each choice costs."""


@dataclass(frozen=True)
class Truth:
    """One invented ground and what is true of it."""

    ground: Ground
    plat: Plat
    corners: np.ndarray
    markers: pd.DataFrame
    facts: dict[str, float | str]


def distortion(rng: np.random.Generator, xy: np.ndarray, shape: str, sigma: float, length: float) -> np.ndarray:
    """Smooth random displacement (n, 2): standard deviation of each coordinate, distance over which it changes.

    ``smooth``: Gaussian correlation; ``rough``: exponential correlation, as errors leave it that add up along a chain;
    ``waves``: three plane waves with half wavelengths near the distance.
    """
    if shape == "waves":
        turn = rng.uniform(0.0, 2.0 * np.pi, (2, 3))
        reach = np.pi / (length * rng.uniform(0.7, 1.6, (2, 3)))
        frequency = reach[..., None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        size = np.sqrt(2.0 / 3.0)
    else:
        count = 300
        frequency = rng.standard_normal((2, count, 2)) / length
        # spectra: normal for exp(-(d/length)**2), bivariate Cauchy for exp(-d/length)
        frequency *= np.sqrt(2.0) if shape == "smooth" else 1.0 / np.abs(rng.standard_normal((2, count, 1)))
        size = np.sqrt(2.0 / count)
    phase = rng.uniform(0.0, 2.0 * np.pi, frequency.shape[:2])
    waves = np.cos(np.einsum("ckd,nd->nck", frequency, xy) + phase)
    out: np.ndarray = sigma * size * waves.sum(axis=2)
    return out


def drawn(rng: np.random.Generator, plats: int) -> str:
    """Text of a ground.toml with so many plats, some of two sections; about 150 lots in all."""
    parts = ['schema_version = 1\nname = "Invented"\ncrs = "EPSG:6549"\n']
    section = 0
    for plat in range(plats):
        name = str(1870 + 30 * plat)
        parts.append(f'[[plat]]\nname = "{name}"\ndate = "{name}"\n')
        x = 0.0
        for _ in range(2 if plats == 1 and rng.random() < 0.4 else 1):
            lots = int(rng.integers(100, 220)) / plats
            rows = int(np.clip(np.sqrt(lots / rng.uniform(1.0, 3.0)), 2, 16))
            per_row = int(np.ceil(lots / rows))
            spaces, depth = int(rng.choice([4, 4, 5, 6])), float(rng.choice([10.0, 11.0, 12.0]))
            parts.append(
                f'[[section]]\nname = "{"ABCDEFGH"[section]}"\nplat = "{name}"\nmarkers = "southwest"\n'
                f'[[section.rows]]\nat = ["{x:g} ft", "0 ft"]\nrun = "north"\nstep = "east"\nrows = {rows}\n'
                f'lots = {per_row}\nfrontage = "{4 * spaces} ft"\ndepth = "{depth:g} ft"\n'
                f'between_rows = ["0 ft", "{rng.choice([4, 8, 12])} ft"]\n'
                f'numbering = "{rng.choice(["run on", "back and forth"])}"\n'
                f'spaces = {spaces}\nfacing = "east"\nfrom = "left"\n'
            )
            section += 1
            x += rows * depth + 6.0 * rows + 20.0
    return "\n".join(parts)


def invented(seed: int, found: tuple[float, float], bad: float) -> Truth:
    """Draw, set out, spoil and find."""
    rng = np.random.default_rng(seed)
    plats = int(rng.choice([1, 1, 3]))
    ground = parse_ground(drawn(rng, plats), Path("invented"))
    plat = make_plat(ground, {})
    xy, names = plat.corners_plat_xy, plat.corners["plat"].astype(str).to_numpy()
    setting, sigma = rng.uniform(0.05, 0.35), rng.uniform(0.0, 1.2)
    length, shape = rng.uniform(40.0, 300.0), str(rng.choice(SHAPES))
    true = np.empty_like(xy)
    for number, name in enumerate(dict.fromkeys(names)):
        here = names == name
        turn, scale = rng.uniform(-np.pi, np.pi), rng.normal(1.0, 5e-4)
        linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        bent = distortion(rng, xy[here], shape, sigma, length) + rng.normal(0.0, setting, (int(here.sum()), 2))
        true[here] = xy[here] @ linear.T + [2_000_000.0 + 1500.0 * number, 700_000.0] + bent
    return Truth(ground, plat, true, _found(rng, plat, true, found, bad), {
        "setting": setting, "distortion": sigma, "length": length, "shape": shape, "plats": plats,
    })  # fmt: skip


def _found(
    rng: np.random.Generator, plat: Plat, true: np.ndarray, found: tuple[float, float], bad: float
) -> pd.DataFrame:
    sites = plat.sites
    labels, of_plat = sites["label"].astype(str).to_numpy(), sites["plat"].astype(str).to_numpy()
    corner = sites["corner_index"].to_numpy(dtype=int)
    lots = {str(lot): row for row, lot in enumerate(plat.lots["lot_id"])}
    rings, starts = plat.lot_rings
    chosen: list[int] = []
    for name in dict.fromkeys(of_plat):
        rows = np.flatnonzero(of_plat == name)
        chosen += rng.choice(rows, min(len(rows), max(6, round(rng.uniform(*found) * len(rows)))), False).tolist()
    free = set(labels) - set(labels[chosen])
    out = []
    spoiled: set[int] = set()
    for name in dict.fromkeys(of_plat):  # the same share of every plat, what is left over by chance
        mine = [site for site in chosen if of_plat[site] == name]
        spoiled |= set(rng.permutation(mine)[: int(bad * len(mine) + rng.random())].tolist())
    for site in chosen:
        read, at, done = labels[site], true[corner[site]].copy(), "good"
        if site in spoiled:
            kind = rng.choice(["misread", "moved", "corner"], p=[0.5, 0.3, 0.2])
            section = str(sites["section"].iloc[site])
            edits = [text for text in label_edits(read, section) if text in free]
            edits += [text for text in sorted(free) if text.split("-")[1] == read.split("-")[1]]
            lot = lots[str(sites["lot_id"].iloc[site])]
            others = np.setdiff1d(rings[starts[lot] : starts[lot + 1]], corner[site])
            if kind == "misread" and edits:
                read = str(rng.choice(edits))
                free.discard(read)
                done = "misread"
            elif kind == "corner":
                at, done = true[rng.choice(others)].copy(), "corner"
            else:
                turn = rng.uniform(0.0, 2.0 * np.pi)
                at += rng.uniform(2.0, 6.0) * np.array([np.cos(turn), np.sin(turn)])
                done = "moved"
        at = at + rng.normal(0.0, FIXED_FT, 2) + rng.normal(0.0, READ_FT, 2)
        out.append({"read": read, "site": site, "e": at[0], "n": at[1], "done": done})
    return pd.DataFrame(out)


def taken(truth: Truth) -> Ingested:
    """Return readings and occupations as if read from a file: one epoch a marker."""
    markers, crs = truth.markers, truth.ground.crs.crs
    count = len(markers)
    table = pd.DataFrame({
        "reading_id": [f"r#{row}" for row in range(count)], "file": "r.csv", "line": np.arange(count) + 2, "visit": "1",
        "receiver": "rover", "label": markers["read"], "fix": "fixed", "used": True,
        "time": pd.Timestamp("2025-05-06T12:00:00Z") + pd.to_timedelta(np.arange(count) * 60, unit="s"),
        "geometry": shapely.points(markers[["e", "n"]].to_numpy()),
    })  # fmt: skip
    readings = gpd.GeoDataFrame(schema.restore(table, LAYERS["readings"], crs), geometry="geometry", crs=crs)
    numbers = ReadingNumbers.of(truth.ground.rules, truth.ground.unit.metres)
    readings, occupations, _ = make_occupations(readings, numbers)
    nothing = gpd.GeoDataFrame(schema.empty(LAYERS["control"], crs))
    misses = pd.DataFrame(columns=["control", "file", "miss_e", "miss_n", "cov_ee", "cov_en", "cov_nn"])
    tapes = pd.DataFrame(columns=["from", "to", "distance"])
    return Ingested(readings, occupations, nothing, misses, tapes, 1.0, numbers)


def placed(truth: Truth, *, local: bool) -> Placing:
    """Place the ground by the package."""
    entries = tuple(
        type(entry)(entry.where, entry.name, entry.date, entry.model, entry.source, local)
        for entry in truth.ground.plats
    )
    return place(_with(truth.ground, entries), truth.plat, taken(truth), [])


def _with(ground: Ground, plats: tuple[object, ...]) -> Ground:
    from dataclasses import replace

    return replace(ground, plats=plats)  # type: ignore[arg-type]


def by_ransac(truth: Truth, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Corners and which markers are inliers, by a similarity from scikit-image's RANSAC; inliers hold their corners."""
    plat, markers = truth.plat, truth.markers
    sites, xy = plat.sites, plat.corners_plat_xy
    at = {label: row for row, label in enumerate(sites["label"].astype(str))}
    site = markers["read"].map(at).to_numpy(dtype=int)
    corner = sites["corner_index"].to_numpy(dtype=int)[site]
    grid = np.full_like(xy, np.nan)
    good = np.zeros(len(markers), dtype=bool)
    names = plat.corners["plat"].astype(str).to_numpy()
    for name in dict.fromkeys(names):
        rows, here = np.flatnonzero(names[corner] == name), names == name
        if len(rows) < 3:
            continue
        origin = markers[["e", "n"]].to_numpy()[rows].mean(axis=0)
        given = xy[corner[rows]], markers[["e", "n"]].to_numpy()[rows] - origin
        model, inliers = ransac(
            given, SimilarityTransform, min_samples=2, residual_threshold=RANSAC_FT, max_trials=500, rng=seed
        )
        if inliers is None or not inliers.any():
            continue
        grid[here] = model(xy[here]) + origin
        good[rows] = inliers
    grid[corner[good]] = markers[["e", "n"]].to_numpy()[good]
    return grid, good


def studied(task: tuple[int, int, int]) -> list[dict[str, float | str]]:
    """Score one ground by every method: one row a plat and method."""
    found, bad, seed = task
    truth = invented(1_000_003 * seed + 10 * found + bad, FOUND[found], BAD[bad])
    plat, markers = truth.plat, truth.markers
    indices, offsets = plat.space_rings
    vertices = np.asarray(plat.weights @ truth.corners)
    polygons = polygons_from_rings(vertices[indices], offsets)
    centres = np.asarray(plat.centre_weights @ truth.corners)
    width = shapely.minimum_clearance(polygons)
    is_bad = (markers["done"] != "good").to_numpy()
    lot_of = plat.sites.set_index("label")["lot_id"].astype(str)
    lot = plat.spaces["lot_id"].astype(str).to_numpy()
    there = plat.sites["lot_id"].astype(str).to_numpy()[markers["site"][is_bad]]
    touched = np.isin(lot, [*lot_of[markers["read"][is_bad]], *there])
    of_marker = plat.sites["plat"].astype(str).to_numpy()[markers["site"]]
    of_space, of_corner = plat.spaces["plat"].astype(str).to_numpy(), plat.corners["plat"].astype(str).to_numpy()
    out: list[dict[str, float | str]] = []
    for method in METHODS:
        start = time.perf_counter()
        fits = dict.fromkeys(of_marker, "")
        unsure, doubt = np.zeros(len(centres), dtype=bool), np.zeros(len(centres), dtype=bool)
        misread = np.zeros((2, len(markers)), dtype=bool)
        radius, free = np.full(len(centres), np.nan), np.zeros(len(truth.corners), dtype=bool)
        misses, corner_radius = np.full(len(free), np.nan), np.full(len(free), np.nan)
        if method == "ransac":
            grid, good = by_ransac(truth, seed)
            aside = ~good
            at = np.asarray(plat.centre_weights @ np.nan_to_num(grid))
            known = np.isfinite(np.asarray(plat.centre_weights @ grid)).all(axis=1)
        else:
            try:
                made = placed(truth, local=method == "local")
            except InputError:
                out.append({"found": found, "bad": bad, "seed": seed, "method": method, **truth.facts,
                            "unplaced": len(centres)})  # fmt: skip
                continue
            spaces = build_spaces(plat, made.corners)
            known = plat.spaces["space_id"].astype(str).isin(spaces["space_id"].astype(str)).to_numpy()
            at = np.asarray(plat.centre_weights @ np.nan_to_num(made.corners.grid_xy))
            radius[known] = spaces["radius_95"].to_numpy(dtype=float)
            table = made.markers.set_index("marker_id")
            state = table["state"].reindex(markers["read"]).to_numpy(dtype=object)
            aside = state != "used in the fit"
            doubtful = table.index[(table["state"] != "used in the fit") & table["holds"].fillna(value=False)]
            doubtful = [*doubtful, *(item.subject for item in made.findings if item.kind == "marker unexplained")]
            stands_on = np.isin(made.corners.marker_id.astype(str), np.array(doubtful, dtype=str))
            doubt = np.asarray(plat.centre_weights @ stands_on.astype(float)) > 0
            doubt |= np.isin(lot, [item.subject for item in made.findings])
            unsure = radius > truth.ground.rules["space.unsure_share"] * width
            why = table["explanation"].reindex(markers["read"]).fillna("").to_numpy(dtype=object)
            misread = _explained(truth, aside, why)
            misses, corner_radius = np.hypot(*(made.corners.grid_xy - truth.corners).T), _radius(made)
            free = np.isfinite(misses) & (made.corners.state != "found") & (made.corners.state != "doubtful")
            fits = {name: "signal" if fit.local is not None else "plain" for name, fit in made.fits.items()}
        seconds = time.perf_counter() - start
        miss = np.hypot(*(at - centres).T)
        wrong = ~shapely.contains_xy(polygons, at[:, 0], at[:, 1]) & known
        right = known & ~wrong
        labelled = np.isin(lot, lot_of[markers["read"][aside]].to_numpy())
        flagged = doubt | unsure | labelled
        for number, name in enumerate(dict.fromkeys(of_marker)):
            mine, its, corners = of_space == name, of_marker == name, of_corner == name
            count: dict[str, np.ndarray] = {
                "spaces": mine, "known": known & mine, "inside": (miss <= radius) & known & mine,
                "wrong": wrong & mine, "wrong_silent": wrong & ~flagged & mine,
                "wrong_unsaid": wrong & ~(doubt | unsure) & mine, "right": right & mine,
                "right_flagged": right & flagged & mine, "right_unsure": right & unsure & mine,
                "right_in_doubt": right & (doubt | unsure) & mine,
                "right_alarmed": right & flagged & ~touched & mine,
                "markers": its, "bad_markers": is_bad & its, "bad_aside": aside & is_bad & its,
                "good": ~is_bad & its, "good_aside": aside & ~is_bad & its,
                "misread": misread[0] & its, "misread_named": misread[1] & its,
                **{f"wrong_below_{share}": wrong & ~doubt & ~(radius > share * width) & mine for share in SHARES},
                **{f"right_above_{share}": right & (doubt | (radius > share * width)) & mine for share in SHARES},
                "corners": free & corners, "corners_in": (misses <= corner_radius) & free & corners,
            }  # fmt: skip
            out.append({
                "found": found, "bad": bad, "seed": seed, "method": method, **truth.facts, "plat": name,
                **{key: int(flags.sum()) for key, flags in count.items()}, "fit": fits.get(name, "none"),
                "square": float((misses[free & corners] ** 2).sum()),
                "radius": float(np.nansum(radius[known & mine])), "seconds": seconds if not number else 0.0,
            })  # fmt: skip
    return out


def _radius(made: Placing) -> np.ndarray:
    from cemgis.adjust import radius_95

    return radius_95(made.corners.cov, made.corners.dof)


def _explained(truth: Truth, aside: np.ndarray, why: np.ndarray) -> np.ndarray:
    """Misread markers (2, n) no corner of the lot read explains, and those set aside whose true label comes first."""
    plat, markers = truth.plat, truth.markers
    labels = plat.sites["label"].astype(str).to_numpy()
    corner = plat.sites["corner_index"].to_numpy(dtype=int)
    row_of = {label: row for row, label in enumerate(labels)}
    lots = {str(name): row for row, name in enumerate(plat.lots["lot_id"])}
    rings, starts = plat.lot_rings
    out = np.zeros((2, len(markers)), dtype=bool)
    for number, (read, site, done) in enumerate(zip(markers["read"], markers["site"], markers["done"], strict=True)):
        if done != "misread":
            continue
        lot = lots[str(plat.sites["lot_id"].iloc[row_of[read]])]
        if corner[site] in rings[starts[lot] : starts[lot + 1]]:
            continue
        named = f"where {labels[site]} belongs" in why[number].split("; or ")[0]
        out[:, number] = True, bool(aside[number] and named)
    return out


def share(table: pd.DataFrame, top: str, below: str) -> tuple[float, float]:
    """Ratio of two sums over grounds, and its standard error clustered by ground."""
    part = table.dropna(subset=[top, below]).groupby(["found", "bad", "seed"])[[top, below]].sum()
    a, b = part[top].to_numpy(dtype=float), part[below].to_numpy(dtype=float)
    if not b.sum():
        return float("nan"), float("nan")
    ratio = a.sum() / b.sum()
    if len(a) < 2:
        return ratio, float("nan")
    return ratio, float(np.sqrt(((a - ratio * b) ** 2).sum() * len(a) / (len(a) - 1)) / b.sum())


COLUMNS = (
    ("95 % held", "inside", "known"), ("corners held", "corners_in", "corners"),
    ("wrong", "wrong", "known"), ("wrong, silent", "wrong_silent", "known"),
    ("right, flagged", "right_flagged", "right"),
    ("for nothing", "right_alarmed", "right"),
    ("bad set aside", "bad_aside", "bad_markers"), ("misread named", "misread_named", "misread"),
    ("good set aside", "good_aside", "good"),
)  # fmt: skip
BY_MARKERS = ((6, 7), (8, 12), (13, 20), (21, 10_000))


def lines(table: pd.DataFrame) -> list[str]:
    """Rows of the printed table, percent with standard errors."""
    groups: list[tuple[str, pd.DataFrame]] = [("all", table)]
    for found, (low, high) in enumerate(FOUND):
        for bad, part in enumerate(BAD):
            rows = table[(table["found"] == found) & (table["bad"] == bad)]
            groups.append((f"found {low:.0%}-{high:.0%}, bad {part:.0%}", rows))
    for low, high in BY_MARKERS:
        rows = table[table["markers"].between(low, high)]
        groups.append((f"plats with {low} to {high} found" if high < 10_000 else f"plats with {low} and more", rows))
        groups += [(f"... bad {part:.0%}", rows[rows["bad"] == bad]) for bad, part in enumerate(BAD) if high < 8]
    cuts = ((0.0, 0.4), (0.4, 0.8), (0.8, 1.2))
    groups += [(f"distortion {a:g}-{b:g} ft", table[table["distortion"].between(a, b)]) for a, b in cuts]
    cuts = ((40.0, 120.0), (120.0, 300.0))
    groups += [(f"over {a:g}-{b:g} ft", table[table["length"].between(a, b)]) for a, b in cuts]
    cuts = ((0.05, 0.2), (0.2, 0.35))
    groups += [(f"setting {a:g}-{b:g} ft", table[table["setting"].between(a, b)]) for a, b in cuts]
    groups += [("one plat" if n == 1 else "three plats", table[table["plats"] == n]) for n in (1, 3)]
    groups += [(shape, table[table["shape"] == shape]) for shape in SHAPES]
    out = [
        "| stratum | method | grounds | spaces | " + " | ".join(name for name, *_ in COLUMNS) + " | radius, ft | s |"
    ]
    out.append("|" + "---|" * (len(COLUMNS) + 6))
    for name, rows in groups:
        for method in METHODS:
            mine = rows[rows["method"] == method]
            if mine.empty:
                continue
            cells = []
            for _, top, below in COLUMNS:
                if top not in mine or (method == "ransac" and top in ("inside", "corners_in", "misread_named")):
                    cells.append("")
                    continue
                ratio, error = share(mine, top, below)
                cells.append("" if np.isnan(ratio) else f"{100 * ratio:.2f} ± {100 * error:.2f}")
            radius = "" if method == "ransac" else f"{mine['radius'].sum() / mine['known'].sum():.2f}"
            grounds = len(mine.groupby(["found", "bad", "seed"]))
            known = int(mine["known"].sum())
            cells = [name, method, str(grounds), f"{known:,}", *cells, radius, f"{mine['seconds'].sum() / grounds:.2f}"]
            out.append("| " + " | ".join(cells) + " |")
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--grounds", type=int, default=2, help="grounds in each of the nine strata (default 2)")
    parser.add_argument("--seed", type=int, default=1, help="first seed (default 1)")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--csv", type=Path, help="write one row a ground and method here")
    given = parser.parse_args()
    seeds = range(given.seed, given.seed + given.grounds)
    tasks = [(found, bad, seed) for seed in seeds for found in range(len(FOUND)) for bad in range(len(BAD))]
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = [row for part in pool.map(studied, tasks, chunksize=3) for row in part]
    else:
        rows = [row for task in tasks for row in studied(task)]
    table = pd.DataFrame(rows)
    if given.csv:
        table.to_csv(given.csv, index=False)
    print("\n".join(lines(table)))
    for method in METHODS[:2]:
        mine = table[table["method"] == method]
        rms = float(np.sqrt(mine["square"].sum() / mine["corners"].sum()))
        slowest = mine["seconds"].max()
        print(f"{method}: unfound corners lie {rms:.3f} ft (root mean square) from the truth; {slowest:.1f} s at most")
    mine = table[table["method"] == "local"]
    for level in SHARES:
        silent, flagged = share(mine, f"wrong_below_{level}", "known"), share(mine, f"right_above_{level}", "right")
        print(
            f"unsure above {level:g} of the width: wrong and unsaid {100 * silent[0]:.3f} ± {100 * silent[1]:.3f} %, "
            f"right and in doubt {100 * flagged[0]:.2f} ± {100 * flagged[1]:.2f} %"
        )
    both = table.pivot_table(index=["found", "bad", "seed"], columns="method", values="square", aggfunc="sum")
    worse = (both["local"] > both["plain"] * 1.05).mean()
    print(f"in {worse:.1%} of the grounds the local correction is more than 2.5 % worse than the plain fit")
    mine = table[table["method"] == "local"].groupby(["found", "bad", "seed"])[["inside", "known"]].sum()
    held = (mine["inside"] / mine["known"]).dropna()
    print(f"worst ground holds {held.min():.0%}, one in a hundred less than {held.quantile(0.01):.0%}")
    if "unplaced" in table:
        print(f"grounds not placed at all, by any method: {table['unplaced'].notna().sum()}")


if __name__ == "__main__":
    main()
