"""Study whether the 95 % radii are honest: share of space centres within theirs, on many invented grounds."""

import sys
import tempfile
from pathlib import Path

import numpy as np
import shapely

from cemgis import invent, pipeline

COUNT = int(sys.argv[1]) if len(sys.argv) > 1 else 200
FIRST_SEED = 1


def share_within(seed: int) -> tuple[int, int]:
    """Build one ground and count the space centres within their 95 % radius, and all."""
    made = invent.ground(seed)
    with tempfile.TemporaryDirectory() as name:
        for file, content in made.files.items():
            path = Path(name) / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        spaces = pipeline.compute(Path(name), until="spaces").tables["spaces"]
    true = np.array([made.truth["spaces"][space] for space in spaces["space_id"]])
    centre = shapely.get_coordinates(shapely.centroid(spaces.geometry.to_numpy()))
    off = np.hypot(*(centre - true).T)
    return int((off <= spaces["radius_95"].to_numpy(dtype=float)).sum()), len(spaces)


if __name__ == "__main__":
    counts = []
    for seed in range(FIRST_SEED, FIRST_SEED + COUNT):
        counts.append(share_within(seed))
        print(f"ground {seed}: {counts[-1][0]} of {counts[-1][1]} centres, {counts[-1][0] / counts[-1][1]:.1%}")
    within, every = np.array(counts).T
    shares = np.sort(within / every)
    print(f"all {COUNT} grounds: {within.sum()} of {every.sum()} centres, {within.sum() / every.sum():.2%}")
    print(f"per ground: least {shares[0]:.1%}, middle {np.median(shares):.1%}, most {shares[-1]:.1%}")
