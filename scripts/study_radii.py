"""Study whether the 95 % radii are honest: share of space centres within theirs, on many invented grounds."""

import argparse
import tempfile
from pathlib import Path

import numpy as np
import shapely

from cemgis import invent, pipeline
from cemgis.errors import InputError


def share_within(seed: int, most: float) -> tuple[int, int]:
    """Build one ground, bent by at most so many feet, and count the centres within their 95 % radius, and all."""
    rng = np.random.default_rng([seed, 1])
    made = invent.ground(seed, distortion=rng.uniform(0.0, most), distortion_length=rng.uniform(40.0, 300.0))
    with tempfile.TemporaryDirectory() as name:
        for file, content in made.files.items():
            path = Path(name) / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        try:
            spaces = pipeline.compute(Path(name), until="spaces").tables["spaces"]
        except InputError:
            return 0, 0
    true = np.array([made.truth["spaces"][space] for space in spaces["space_id"]])
    centre = shapely.get_coordinates(shapely.centroid(spaces.geometry.to_numpy()))
    off = np.hypot(*(centre - true).T)
    return int((off <= spaces["radius_95"].to_numpy(dtype=float)).sum()), len(spaces)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("grounds", type=int, nargs="?", default=200, help="how many (default 200)")
    parser.add_argument("--seed", type=int, default=1, help="first seed (default 1)")
    parser.add_argument("--distortion", type=float, default=1.2,
                        help="most a plat bends, in feet, over 40 to 300 ft (default 1.2)")  # fmt: skip
    given = parser.parse_args()
    counts = [share_within(seed, given.distortion) for seed in range(given.seed, given.seed + given.grounds)]
    within, every = np.array([one for one in counts if one[1]]).T
    share = within.sum() / every.sum()
    error = np.sqrt(((within - share * every) ** 2).sum()) / every.sum()
    ordered = np.sort(within / every)
    print(f"{len(every)} of {given.grounds} grounds placed: {within.sum()} of {every.sum()} centres, "
          f"{share:.2%} within their radius, standard error {error:.2%} by grounds")  # fmt: skip
    print(f"per ground: least {ordered[0]:.1%}, middle {np.median(ordered):.1%}, most {ordered[-1]:.1%}")


if __name__ == "__main__":
    main()
