"""Build the space polygons from plat and markers: where every space is and how sure that is."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
STAGE, TABLE = "spaces", "spaces"

if __name__ == "__main__":
    print(pipeline.compute(GROUND, until=STAGE).words(TABLE))
