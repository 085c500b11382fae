"""Count the spaces by section, kind and state."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
STAGE, TABLE = "capacity", "capacity"

if __name__ == "__main__":
    print(pipeline.compute(GROUND, until=STAGE).words(TABLE))
