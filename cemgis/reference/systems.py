"""Reference systems: realizations known by name, the datum of a CRS, a ground's CRS, a file's reference."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Geod

from cemgis.units import Unit

__all__ = [
    "ALIGNED",
    "AREA_MARGIN_DEG",
    "ASK",
    "ELSEWHERE_YEAR",
    "FRAMES",
    "GEOD",
    "SCALE_LIMIT",
    "SUGGEST",
    "GroundCRS",
    "Reference",
    "code_of",
    "datum_crs",
    "datum_moves",
    "datum_name",
    "family_of",
    "frame_crs",
    "name_key",
    "realization_of",
    "show",
]

Array = NDArray[np.float64]

FRAMES: dict[str, int] = {
    "NAD83(2011)": 6319,
    "NAD83(PA11)": 6321,
    "NAD83(MA11)": 6324,
    "NAD83(NSRS2007)": 4893,
    "NAD83(CORS96)": 6782,
    "NAD83(HARN)": 4957,
    "NAD83(CSRS)v7": 8254,
    "NAD83(CSRS)v8": 10413,
    "ITRF2000": 7909,
    "ITRF2005": 7910,
    "ITRF2008": 7911,
    "ITRF2014": 7912,
    "ITRF2020": 9989,
    "WGS84(G1150)": 7661,
    "WGS84(G1674)": 7663,
    "WGS84(G1762)": 7665,
    "WGS84(G2139)": 9754,
    "WGS84(G2296)": 10605,
    "ETRS89": 4937,
    "ETRF2000": 7931,
    "ETRF2014": 8403,
    "ETRF2020": 10570,
    "GDA94": 4939,
    "GDA2020": 7843,
}
"""Reference frames that can be written by name, with the code of their geographic 3D system in the EPSG register."""

ALIGNED = {"IGS08": "ITRF2008", "IGS14": "ITRF2014", "IGS20": "ITRF2020"}
"""Frames of the satellite service that are another name for a terrestrial frame, to some millimetres (from memory)."""

_PLAIN = {
    "northamericandatum1983": "NAD 83",
    "worldgeodeticsystem1984": "WGS 84",
    "worldgeodeticsystem1984ensemble": "WGS 84",
}
"""Datums that are a family of realizations metres apart, by their name in the EPSG register."""

_ENSEMBLE_LIMIT_M = 0.1
"""A family of realizations closer together than this is taken as one. Assumption: a tenth of a 4 ft space."""

SCALE_LIMIT = 2e-3
"""A grid whose lengths are off by more at a place cannot carry a ground there. Assumption: 0.4 ft in 200 ft."""

AREA_MARGIN_DEG = 0.1
"""A place this far outside the area of use is let pass: the register gives boxes with rounded sides. Assumption."""
ELSEWHERE_YEAR = 2025.0

ASK = (
    "Ask which correction service or base the coordinates were made with; the label in a log does not say: network "
    "rovers usually deliver NAD83(2011) while the log says WGS 84."
)
SUGGEST = "`cemgis crs LATITUDE LONGITUDE` lists the projected systems of a place"

GEOD = Geod(ellps="GRS80")


def name_key(text: str) -> str:
    """Return a name's letters and digits in lower case."""
    return re.sub(r"[^a-z0-9]", "", text.lower())


@lru_cache(maxsize=64)
def frame_crs(name: str) -> CRS:
    """Return the geographic system of one of `FRAMES`."""
    return CRS.from_epsg(FRAMES[name])


@lru_cache(maxsize=1)
def _frame_names() -> dict[str, str]:
    """Names of `FRAMES` by the key of their datum's name."""
    return {name_key(datum_name(frame_crs(name))): name for name in FRAMES}


def datum_name(crs: CRS) -> str:
    """Return the name of a system's datum."""
    datum = crs.datum
    return "unknown" if datum is None else str(datum.name)


def realization_of(crs: CRS) -> str:
    """Name of the realization a system stands on: one of `FRAMES` where it is there, else its datum's name."""
    geodetic = crs.geodetic_crs
    name = datum_name(geodetic if geodetic is not None else crs)
    return _frame_names().get(name_key(name), ALIGNED.get(name, name))


def family_of(crs: CRS) -> str | None:
    """Return the plain name of a datum whose realizations are metres apart, None for any other."""
    geodetic = crs.geodetic_crs
    name = datum_name(geodetic if geodetic is not None else crs)
    if name_key(name) in _PLAIN:
        return _PLAIN[name_key(name)]
    ensemble = (geodetic.to_json_dict() if geodetic is not None else {}).get("datum_ensemble")
    if ensemble and float(ensemble.get("accuracy", "inf")) > _ENSEMBLE_LIMIT_M:
        return name
    return None


@lru_cache(maxsize=256)
def datum_crs(crs: CRS, realization: str) -> CRS:
    """Geographic system an operation starts from or goes to, three-dimensional."""
    if realization in FRAMES:
        return frame_crs(realization)
    geodetic = crs.geodetic_crs
    return CRS(geodetic if geodetic is not None else crs).to_3d()


def datum_moves(crs: CRS) -> bool:
    """Return whether positions in a system change with time."""
    datum = crs.datum
    return datum is not None and "Dynamic" in str(datum.type_name)


@dataclass(frozen=True, slots=True)
class GroundCRS:
    """The projected reference system of a ground.

    Parameters
    ----------
    crs : pyproj.CRS
    name : str
    unit : Unit
        From the system's own axis factor.
    realization : str
        The frame its coordinates are really in, such as ``NAD83(2011)``.
    """

    crs: CRS
    name: str
    unit: Unit
    realization: str

    @property
    def datum(self) -> CRS:
        """Geographic 3D system of its realization."""
        return datum_crs(self.crs, self.realization)

    @property
    def moving(self) -> bool:
        """Whether its coordinates of a point in the ground change from year to year."""
        return datum_moves(self.datum)

    @property
    def code(self) -> str:
        """Code such as ``EPSG:6549``, empty where it has none."""
        return code_of(self.crs)


@dataclass(frozen=True, slots=True)
class Reference:
    """What the coordinates of a file refer to.

    Parameters
    ----------
    name : str
        As it is written: ``NAD83(2011)``, ``EPSG:6549``.
    crs : pyproj.CRS
        Geographic or projected.
    moving : bool
        Whether a point in the ground changes its coordinates from year to year, so that an epoch is needed.
    projected : bool
        Whether coordinates are (easting, northing) in the system's own unit, not (longitude, latitude) in degrees.
    realization : str
    """

    name: str
    crs: CRS
    moving: bool
    projected: bool
    realization: str = ""

    @property
    def datum(self) -> CRS:
        """Geographic 3D system of its realization."""
        return datum_crs(self.crs, self.realization)


def code_of(crs: CRS) -> str:
    """Return authority and code of a system, or nothing."""
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else ""


def show(text: object) -> str:
    """Return a value as a message shows it, cut short."""
    found = repr(text)
    return found if len(found) < 64 else found[:60] + "..."
