"""Measure places at size: markers of one bent plat learned, and the centres of many spaces placed with their radii."""

from __future__ import annotations

import argparse
import json
import resource
import time

import numpy as np

from cemgis.adjust import radius_95
from cemgis.fit import fit_plat, locate
from cemgis.invent.truth import smooth
from cemgis.signal import Prior

PRIOR = Prior(0.2, 4.0, 0.7, 150.0, 0.8, 0.2)


def measured(markers: int, spaces: int, seed: int, bad: float) -> dict[str, float]:
    """Set a plat out with a bend of 0.6 ft over 150 ft, find so many markers, place so many spaces, four a lot."""
    rng = np.random.default_rng(seed)
    lots = spaces // 4
    rows = int(np.sqrt(lots / 1.3))
    columns = -(-lots // rows)
    x, y = np.meshgrid(12.0 * np.arange(rows + 1), 16.0 * np.arange(columns + 1), indexing="ij")
    plat = np.column_stack([x.reshape(-1), y.reshape(-1)])
    true = plat + [2_000_000.0, 700_000.0] + smooth(rng, plat, 0.6, 150.0) + rng.normal(0.0, 0.15, plat.shape)
    found = rng.choice(len(plat), markers, replace=False)
    read = true[found] + rng.normal(0.0, 0.05, (markers, 2))
    spoiled = rng.random(markers) < bad
    read[spoiled] += rng.normal(0.0, 30.0, (int(spoiled.sum()), 2))
    cov = np.tile(0.0025 * np.eye(2), (markers, 1, 1))
    start = time.perf_counter()
    fit = fit_plat(plat[found], read, cov, setting_sigma=0.2, setting_dof=4.0, alpha=0.001, power=0.8, local=PRIOR,
                   local_few=24)  # fmt: skip
    learned = time.perf_counter() - start
    held = np.flatnonzero(fit.used)
    start = time.perf_counter()
    located = locate(fit, plat, found[held], read[held], cov[held], held)
    lot = (np.arange(rows)[:, None] * (columns + 1) + np.arange(columns)).reshape(-1)[:lots]
    corners = np.repeat(np.stack([lot, lot + 1, lot + columns + 2, lot + columns + 1], axis=1), 4, axis=0)
    along = np.tile((np.arange(4) + 0.5) / 4.0, len(lot))
    weights = np.stack([1.0 - along, along, along, 1.0 - along], axis=1) / 2.0
    xy, spread, dof = located.mean(corners, weights)
    radius = radius_95(spread, dof)
    placed = time.perf_counter() - start
    miss = np.hypot(*(xy - np.einsum("kj,kjx->kx", weights, true[corners])).T)
    return {
        "markers": markers, "spaces": len(xy), "learned_s": round(learned, 1), "placed_s": round(placed, 1),
        "peak_gb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, 2),
        "held_95": round(float((miss <= radius).mean()), 4), "radius_ft": round(float(np.median(radius)), 3),
        "bad_set_aside": round(float((~fit.used[spoiled]).mean()), 4) if spoiled.any() else 1.0,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--markers", type=int, default=5_000)
    parser.add_argument("--spaces", type=int, default=100_000)
    parser.add_argument("--bad", type=float, default=0.1, help="share of markers that are misread or moved")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(json.dumps(measured(given.markers, given.spaces, given.seed, given.bad)))


if __name__ == "__main__":
    main()
