"""The main job, end to end: the one place where reading, computing and writing meet."""

from cemgis.pipeline.compute import compute, register
from cemgis.pipeline.judging import judge
from cemgis.pipeline.products import build, collect, demo, hand_on, new_ground, render, say_records, write_csv
from cemgis.pipeline.registering import history, say_history
from cemgis.pipeline.run import STAGES, Run
from cemgis.pipeline.searching import load_finder, say_hits
from cemgis.pipeline.seeking import Sought, seek

__all__ = [
    "STAGES",
    "Run",
    "Sought",
    "build",
    "collect",
    "compute",
    "demo",
    "hand_on",
    "history",
    "judge",
    "load_finder",
    "new_ground",
    "register",
    "render",
    "say_history",
    "say_hits",
    "say_records",
    "seek",
    "write_csv",
]
