"""Build ground.gpkg and the maps of a ground from its evidence and records."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")

if __name__ == "__main__":
    print(pipeline.build(GROUND).words())
