"""Words that files of readings use: column names, units, fixes, kinds of marker, conditions."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping

import pandas as pd

__all__ = [
    "CONDITION_OF",
    "FIX_OF",
    "KIND_OF",
    "LENGTHS",
    "NAMES",
    "ORDER",
    "UNIT_METRES",
    "WORDS",
    "cut_header",
    "mapped",
    "meant",
]

WORDS: Mapping[str, tuple[str, ...]] = {
    "label": ("label", "marker", "marker label", "disc", "point", "point id", "point name", "point number",
              "point no", "pointid", "pt", "name", "id", "number", "no"),
    "x": ("x", "x coordinate"),
    "y": ("y", "y coordinate"),
    "easting": ("easting", "east", "e", "grid easting", "grid east"),
    "northing": ("northing", "north", "n", "grid northing", "grid north"),
    "lat": ("lat", "latitude"),
    "lon": ("lon", "long", "lng", "longitude"),
    "time": ("time", "datetime", "date time", "timestamp", "utc", "utc time", "time utc", "observed", "start"),
    "date": ("date", "day", "utc date", "date utc"),
    "fix": ("fix", "fix type", "fix quality", "quality", "solution", "solution type", "gps quality"),
    "hdop": ("hdop",),
    "satellites": ("satellites", "sats", "sat", "num sats", "number of satellites", "satellites used"),
    "sigma": ("sigma", "sd", "stdev", "std dev", "std", "standard deviation", "sigma xy"),
    "sigma_e": ("sigma e", "sigma x", "sigma east", "sigma easting", "sigma lon", "sd e", "sd x", "sd east", "std e",
                "std x", "stdev e", "stdev x"),
    "sigma_n": ("sigma n", "sigma y", "sigma north", "sigma northing", "sigma lat", "sd n", "sd y", "sd north",
                "std n", "std y", "stdev n", "stdev y"),
    "hrms": ("hrms", "h rms", "horizontal rms", "rms horizontal"),
    "height": ("height", "ellipsoidal height", "ellipsoid height", "ell height", "h"),
    "antenna_height": ("antenna height", "ant height", "rod height", "pole height", "height of antenna"),
    "kind": ("kind", "marker kind", "marker type"),
    "condition": ("condition", "state"),
    "depth": ("depth", "depth below sod"),
    "base": ("base", "base station", "corrections"),
    "canopy": ("canopy", "tree cover", "cover"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "description", "desc", "code"),
    "occupation": ("occupation", "occupation number", "go"),
}  # fmt: skip

NAMES = tuple(WORDS)
"""Our names of columns; in ``columns = { ... }`` a length may carry its unit: ``sigma_m``, ``depth_in``."""

LENGTHS = ("sigma", "sigma_e", "sigma_n", "hrms", "height", "antenna_height", "depth")
ORDER = {"P": "label", "N": "northing", "E": "easting", "X": "x", "Y": "y", "D": "note"}

UNIT_METRES = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048,
    "foot": 0.3048, "feet": 0.3048, "usft": 1200 / 3937, "ftus": 1200 / 3937, "us ft": 1200 / 3937,
    "us survey ft": 1200 / 3937, "in": 0.0254, "inch": 0.0254, "inches": 0.0254,
}  # fmt: skip
_UNIT_END = re.compile(
    r"(?:[\s_.:]+|\s*[\(\[])(?P<unit>"
    + "|".join(sorted(map(re.escape, UNIT_METRES), key=len, reverse=True))
    + r")[\)\]]?$"
)
_FIX_WORDS: Mapping[str, tuple[str, ...]] = {
    "fixed": ("fixed", "rtk fixed", "rtk fix", "fixed rtk", "rtk int", "integer", "narrow int", "4", "r"),
    "float": ("float", "rtk float", "float rtk", "floating", "5", "f"),
    "differential": ("differential", "dgps", "dgnss", "diff", "sbas", "waas", "egnos", "code differential", "2", "d"),
    "autonomous": ("autonomous", "single", "standalone", "stand alone", "gps", "gnss", "sps", "spp", "uncorrected",
                   "3d", "2d", "pps", "1", "3", "a"),
    "estimated": ("estimated", "dead reckoning", "dr", "6", "e"),
    "simulated": ("simulated", "simulator", "simulation", "8", "s"),
    "manual": ("manual", "typed", "manual input", "7", "m"),
    "none": ("none", "no fix", "nofix", "invalid", "no solution", "no position", "0", "n"),
}  # fmt: skip
FIX_OF = {word: fix for fix, words in _FIX_WORDS.items() for word in words}
KIND_OF = {
    "disc": "disc", "disk": "disc", "clay": "clay", "brick": "clay", "tile": "clay", "stone": "stone", "pin": "pin",
    "iron pin": "pin", "rod": "pin", "pipe": "pin", "other": "other",
}  # fmt: skip
CONDITION_OF = {
    "whole": "whole", "good": "whole", "ok": "whole", "intact": "whole", "broken": "broken", "cracked": "broken",
    "tilted": "tilted", "leaning": "tilted", "loose": "loose", "unknown": "unknown",
}  # fmt: skip


def mapped(text: pd.Series, table: Mapping[str, str], unknown: str) -> pd.Series:
    """Turn words into ours by a table, every distinct word once; an empty one stays missing."""
    words = text.unique()
    known = {
        word: (table.get(re.sub(r"[^a-z0-9]+", " ", word.lower()).strip(), unknown) if word else None) for word in words
    }
    return text.map(known).astype("string")


def cut_header(text: str) -> tuple[str, str | None]:
    """Cut a header into its words and the unit it ends with.

    Examples
    --------
    >>> cut_header("Sigma_E [ft]"), cut_header("PointID"), cut_header("depth_in")
    (('sigma e', 'ft'), ('pointid', None), ('depth', 'in'))
    """
    said = unicodedata.normalize("NFKC", text).strip().lower()
    found = _UNIT_END.search(said)
    unit = found["unit"] if found else None
    if found:
        said = said[: found.start()]
    return re.sub(r"[^a-z0-9]+", " ", said).strip(), unit


def meant(word: str, known: Iterable[str]) -> str:
    """Return a hint at the known word that is spelt most alike, or nothing."""
    close = difflib.get_close_matches(word, list(known), 1, 0.6)
    return f" Did you mean {close[0]!r}?" if close else ""
