"""The main job, end to end: the one place where reading, computing and writing meet."""

from cemgis.pipeline.compute import compute
from cemgis.pipeline.products import build, collect, demo, new_ground, render, say_records, write_csv
from cemgis.pipeline.run import STAGES, Run

__all__ = [
    "STAGES",
    "Run",
    "build",
    "collect",
    "compute",
    "demo",
    "new_ground",
    "render",
    "say_records",
    "write_csv",
]
