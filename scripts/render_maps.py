"""Render the whole-ground map and the staff map again from a built ground.gpkg."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
PAPER, SCALE = "auto", "auto"

if __name__ == "__main__":
    print(*pipeline.render(GROUND, paper=PAPER, scale=SCALE), sep="\n")
