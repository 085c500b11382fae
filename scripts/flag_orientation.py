"""Flag which way the heads lie, section by section, and where stones or vaults say otherwise."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
STAGE, TABLE = "heads", "sections"

if __name__ == "__main__":
    print(pipeline.compute(GROUND, until=STAGE).words(TABLE))
