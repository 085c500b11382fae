"""Fit the plats to the found markers: what each marker says, and which are set aside."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
STAGE, TABLE = "fit", "markers"

if __name__ == "__main__":
    print(pipeline.compute(GROUND, until=STAGE).words(TABLE))
