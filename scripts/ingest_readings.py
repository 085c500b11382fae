"""Ingest the receivers' files of a ground: each found marker, how sure its position is, whether it is trusted."""

import sys
from pathlib import Path

from cemgis import pipeline

GROUND = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-ground")
STAGE, TABLE = "readings", "markers"

if __name__ == "__main__":
    print(pipeline.compute(GROUND, until=STAGE).words(TABLE))
