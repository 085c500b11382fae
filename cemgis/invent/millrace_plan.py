"""Where the demo ground lies, how its plats were laid, and how many markers are found."""

from __future__ import annotations

from cemgis.invent.truth import EAST, WEST, Placement

__all__ = ["DEMO_HEADS", "DEMO_MOST", "DEMO_PLACEMENTS", "DEMO_SEED", "DEMO_SHARES", "local", "old_ground"]

DEMO_SEED = 1868
"""Seed of the demo ground that comes with the package."""

_DEMO_ORIGIN = (2023700.0, 449300.0)
"""Near 40.9 N, 82.3 W in EPSG:6549; the places below count from here, in feet."""


def local(east: float, north: float) -> tuple[float, float]:
    """Return grid coordinates of a point of the demo, from its own origin."""
    return _DEMO_ORIGIN[0] + east, _DEMO_ORIGIN[1] + north


# North and scale of the old plats: compass and chain of their time, as an inventor likes them.
DEMO_PLACEMENTS = {
    "1868": Placement(20.3, 1.0011, local(-128.0, 150.0), 0.20),
    "1889": Placement(1.4, 1.0004, local(60.0, 133.0), 0.18),
    "1924": Placement(-0.6, 0.9997, local(262.0, 200.0), 0.15),
    "1958": Placement(0.3, 1.0001, local(455.0, 130.0), 0.12),
    "1990": Placement(0.1, 0.9999, local(240.0, 60.0), 0.08),
}
DEMO_MOST = 2.4
"""Longest setting error of the demo, in deviations: what looks like a blunder there is one that was planted."""
DEMO_HEADS = {"A": WEST, "B": WEST, "C": WEST, "D": EAST, "E": WEST, "E-2-17": EAST}
DEMO_SHARES = {"A": 0.26, "B": 0.25, "C": 0.25, "D": 0.24, "E": 0.40}


def old_ground() -> bytes:
    """Lots of section A: pairs of rows back to back, one or two lots longer than the others."""
    heights = (16, 16, 20, 16, 16, 24, 16, 16, 20, 16, 16, 16, 16, 20)
    lines = ["section,row,lot,x,y,width,depth,spaces,facing,from"]
    number = 0
    for row, x in enumerate((0, 12, 32, 44, 64, 76), 1):
        y = 0
        for place, height in enumerate(heights, 1):
            number += 1
            lines.append(f"A,{row},{number},{x},{y},12,{height},{height // 4},east,left")
            y += height + (8 if place == 7 else 0)
    return ("\n".join(lines) + "\n").encode("utf-8")
