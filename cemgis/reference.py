"""Reference systems: which one coordinates are in, putting them into the ground's grid, and what a mistake costs."""

from __future__ import annotations

import difflib
import math
import re
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]
from pyproj.transformer import TransformerGroup

from cemgis.errors import InputError
from cemgis.units import FOOT, METRE, US_SURVEY_FOOT, Unit, say_length, unit_of_factor

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FRAMES",
    "GroundCRS",
    "Reference",
    "combined_factor",
    "convergence",
    "decimal_year",
    "declination",
    "explain_shift",
    "ground_crs",
    "in_area",
    "parse_angle",
    "parse_angles",
    "parse_reference",
    "say_operation",
    "say_stakes",
    "scale_factor",
    "stakes",
    "suggest",
    "to_grid",
    "to_lonlat",
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

_ALIGNED = {"IGS08": "ITRF2008", "IGS14": "ITRF2014", "IGS20": "ITRF2020"}
"""Frames of the satellite service that are another name for a terrestrial frame, to some millimetres (from memory)."""

_PLAIN = {
    "northamericandatum1983": "NAD 83",
    "worldgeodeticsystem1984": "WGS 84",
    "worldgeodeticsystem1984ensemble": "WGS 84",
}
"""Datums that are a family of realizations metres apart, by their name in the EPSG register."""

_PLAIN_WORDS = {"wgs84": "WGS 84", "wgs": "WGS 84", "gps": "WGS 84", "nad83": "NAD 83", "nad831986": "NAD 83"}
_REALIZATIONS_OF = {"NAD 83": "NAD83(", "WGS 84": "WGS84("}

_HOME = ("NAD83(PA11)", "NAD83(MA11)", "NAD83(2011)", "GDA2020", "ETRF2000", "ITRF2020")
_CANDIDATES = (
    "NAD83(2011)", "NAD83(PA11)", "NAD83(MA11)", "GDA2020", "GDA94", "ETRF2000", "ETRF2014", "ITRF2008", "ITRF2014",
    "ITRF2020", "WGS84(G2139)", "WGS84(G2296)",
)  # fmt: skip
_CURRENT = ("NAD83(2011)", "NAD83(PA11)", "NAD83(MA11)", "NAD83(CSRS)v8", "GDA2020", "ETRS89", "ETRF2000", "NZGD2000")

_ENSEMBLE_LIMIT_M = 0.1
"""A family of realizations closer together than this is taken as one. Assumption: a tenth of a 4 ft space."""

_OPERATION_LIMIT_M = 0.1
"""An operation whose stated accuracy is worse is refused. Assumption: a tenth of a 4 ft space."""

_NOT_CONFORMAL = 1e-4
"""Scales along and across the meridian that differ by more: lengths depend on the direction. Assumption: 0.02 ft in
200 ft."""

_SCALE_LIMIT = 2e-3
"""A grid whose lengths are off by more at a place cannot carry a ground there. Assumption: 0.4 ft in 200 ft."""

_AREA_MARGIN_DEG = 0.1
"""A place this far outside the area of use is let pass: the register gives boxes with rounded sides. Assumption."""

_EPOCHS = (1980.0, 2100.0)
"""Epochs that can be meant: no satellite positions before the first, and a slip of the pen after the second."""

_FEET_PPM = US_SURVEY_FOOT.metres / FOOT.metres - 1.0

_IGRF_YEARS = (1900.0, 2030.0)
"""Years the IGRF-14 coefficients of ppigrf are for. Source: ppigrf, which only prints a warning outside them."""

_ELSEWHERE = (-82.3, 40.9)
_ELSEWHERE_YEAR = 2025.0

_ASK = (
    "Ask which correction service or base the coordinates were made with; the label in a log does not say: network "
    "rovers usually deliver NAD83(2011) while the log says WGS 84."
)
_SUGGEST = "`cemgis crs LATITUDE LONGITUDE` lists the projected systems of a place"

_GEOD = Geod(ellps="GRS80")


def _key(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


# ---- what a reference system is -----------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _frame(name: str) -> CRS:
    return CRS.from_epsg(FRAMES[name])


@lru_cache(maxsize=1)
def _frame_names() -> dict[str, str]:
    """Names of `FRAMES` by the key of their datum's name."""
    return {_key(_datum_name(_frame(name))): name for name in FRAMES}


def _datum_name(crs: CRS) -> str:
    datum = crs.datum
    return "unknown" if datum is None else str(datum.name)


def _realization(crs: CRS) -> str:
    """Name of the realization a system stands on: one of `FRAMES` where it is there, else its datum's name."""
    geodetic = crs.geodetic_crs
    name = _datum_name(geodetic if geodetic is not None else crs)
    return _frame_names().get(_key(name), _ALIGNED.get(name, name))


def _family(crs: CRS) -> str | None:
    """Return the plain name of a datum whose realizations are metres apart, None for any other."""
    geodetic = crs.geodetic_crs
    name = _datum_name(geodetic if geodetic is not None else crs)
    if _key(name) in _PLAIN:
        return _PLAIN[_key(name)]
    ensemble = (geodetic.to_json_dict() if geodetic is not None else {}).get("datum_ensemble")
    if ensemble and float(ensemble.get("accuracy", "inf")) > _ENSEMBLE_LIMIT_M:
        return name
    return None


@lru_cache(maxsize=256)
def _datum_crs(crs: CRS, realization: str) -> CRS:
    """Geographic system an operation starts from or goes to, three-dimensional."""
    if realization in FRAMES:
        return _frame(realization)
    geodetic = crs.geodetic_crs
    return CRS(geodetic if geodetic is not None else crs).to_3d()


def _moves(crs: CRS) -> bool:
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
        return _datum_crs(self.crs, self.realization)

    @property
    def moving(self) -> bool:
        """Whether its coordinates of a point in the ground change from year to year."""
        return _moves(self.datum)

    @property
    def code(self) -> str:
        """Code such as ``EPSG:6549``, empty where it has none."""
        return _code(self.crs)


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
        return _datum_crs(self.crs, self.realization)


def _code(crs: CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else ""


def _axes_problem(crs: CRS) -> str | None:
    if len(crs.axis_info) != 2 or {axis.direction for axis in crs.axis_info} != {"east", "north"}:
        return f"its axes point {' and '.join(axis.direction for axis in crs.axis_info)}, not east and north"
    if len({axis.unit_conversion_factor for axis in crs.axis_info}) != 1:
        return "its two axes have different units"
    operation = crs.coordinate_operation
    if operation is not None and "Pseudo" in str(operation.method_name):
        # It puts latitudes of the ellipsoid on a sphere; its factors are those of the sphere and do not show it.
        return "it is made for pictures, lengths in it depend on their direction"
    return None


def _base_problem(crs: CRS) -> str | None:
    geodetic = crs.geodetic_crs
    if geodetic is None or _key(_datum_name(geodetic)).startswith("unknown"):
        return "its datum is unknown"
    meridian = geodetic.prime_meridian
    if meridian is not None and abs(meridian.longitude) > 0:
        return f"its longitudes are counted from {meridian.name}, not Greenwich"
    if any(not math.isclose(axis.unit_conversion_factor, math.radians(1.0)) for axis in geodetic.axis_info[:2]):
        return "its angles are not in degrees"
    return None


def _sibling(crs: CRS, family: str, realization: str) -> str:
    """Return the same projection on a realization, as ``EPSG:6549 (NAD83(2011) / Ohio North (ftUS))``, else empty."""
    parts = str(crs.name).split(" / ", 1)
    if len(parts) != 2 or _key(parts[0]) != _key(family):
        return ""
    wanted = f"{realization} / {parts[1]}"
    bounds = crs.area_of_use.bounds if crs.area_of_use else None
    if bounds is None:
        return ""
    near = AreaOfInterest(*_centre(bounds), *_centre(bounds))
    for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS], area_of_interest=near):
        if info.name == wanted and not info.deprecated:
            return f"EPSG:{info.code} ({info.name})"
    return ""


def _read_crs(text: object, where: str) -> CRS:
    if not isinstance(text, str) or not text.strip():
        raise InputError.of(
            where, f"{_shown(text)} is not a reference system", f'Write its code, such as "EPSG:6549"; {_SUGGEST}.'
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)
            return CRS.from_user_input(text.strip())
    except CRSError as error:
        what = f"{_shown(text)} is not a reference system that is known here"
        raise InputError.of(where, what, f'Write its code, such as "EPSG:6549"; {_SUGGEST}.') from error


def _shown(text: object) -> str:
    found = repr(text)
    return found if len(found) < 64 else found[:60] + "..."


def _centre(bounds: tuple[float, float, float, float]) -> tuple[float, float]:
    west, south, east, north = bounds
    if east < west:
        east += 360.0
    return (0.5 * (west + east) + 180.0) % 360.0 - 180.0, 0.5 * (south + north)


def _kind(crs: CRS) -> str:
    return re.sub(r" (2D |3D )?CRS$", "", str(crs.type_name)).lower()


def _sample(bounds: tuple[float, float, float, float]) -> list[tuple[float, float]]:
    lon, lat = _centre(bounds)
    quarter = 0.25 * (bounds[3] - bounds[1])
    return [(lon, lat - quarter), (lon, lat), (lon, lat + quarter)]


def ground_crs(text: object, realization: str | None = None, where: str = "crs") -> GroundCRS:
    """Take the reference system of a ground, or say why it cannot be one.

    It must be projected, with axes east and north in metre, foot or US survey foot, conformal, and say which
    realization of its datum it stands on: realizations of NAD 83 or of WGS 84 are more than a metre apart.

    Parameters
    ----------
    text : str
        ``"EPSG:6549"`` or anything else PROJ reads.
    realization : str, optional
        ``"2011"`` or ``"NAD83(2011)"``: for a system on plain NAD 83, ``"G2139"`` for one on plain WGS 84.
    where : str
        Named in the error.

    Raises
    ------
    InputError

    Examples
    --------
    >>> crs = ground_crs("EPSG:6549")
    >>> crs.name, crs.unit.name, crs.realization
    ('NAD83(2011) / Ohio North (ftUS)', 'US survey foot', 'NAD83(2011)')
    >>> ground_crs("EPSG:3734", "2011").realization
    'NAD83(2011)'
    """
    crs = _read_crs(text, where)
    shown = f"{_code(crs) or _shown(text)} ({crs.name})"
    if not (crs.type_name == "Projected CRS" and crs.is_projected):
        kind = _kind(crs)
        remedy = f'Write a projected system, such as crs = "EPSG:6549" in northern Ohio; {_SUGGEST}.'
        if crs.is_compound and crs.sub_crs_list and crs.sub_crs_list[0].is_projected:
            part = crs.sub_crs_list[0]
            remedy = (
                f'Write its horizontal part alone: crs = "{_code(part) or part.name}"; or choose another: {_SUGGEST}.'
            )
        elif crs.is_bound and crs.source_crs is not None:
            remedy = f"Leave out the shift it carries (towgs84) and name the system by its code; {_SUGGEST}."
        raise InputError.of(where, f"{shown} is {kind}, not projected", remedy)
    for problem in (_axes_problem(crs), _base_problem(crs)):
        if problem:
            raise InputError.of(where, f"{shown} cannot carry a ground: {problem}", f"Choose another; {_SUGGEST}.")
    unit = unit_of_factor(crs.axis_info[0].unit_conversion_factor, where)
    area = crs.area_of_use
    if area is not None and any(_is_conformal(crs, *place) is False for place in _sample(area.bounds)):
        raise InputError.of(
            where,
            f"{shown} is not conformal: lengths depend on their direction",
            f"Choose a state plane zone or a UTM zone; {_SUGGEST}.",
        )
    return GroundCRS(crs, str(crs.name), unit, _settle(crs, shown, realization, where))


def _settle(crs: CRS, shown: str, given: str | None, where: str) -> str:
    """Realization of a projected system: its own, or the one given for a plain datum."""
    own, family = _realization(crs), _family(crs)
    if family is None:
        if given is not None and _key(given) not in (_key(own), _key(own.split("(")[-1])):
            raise InputError.of(
                where,
                f"{shown} stands on {own}, but realization = {_shown(given)}",
                "Leave the realization out, or choose the system that stands on it.",
            )
        return own
    prefix = _REALIZATIONS_OF.get(family, "")
    if given is not None:
        fits = [name for name in _named(given, prefix) if name.startswith(prefix)]
        if fits:
            return fits[0]
    lon, lat = _centre(crs.area_of_use.bounds) if crs.area_of_use else _ELSEWHERE
    usual = _usual(family, lon, lat)
    sibling = _sibling(crs, family, _home(lon, lat))
    code = sibling.split(" ", 1)[0]
    first = f'Write crs = "{code}" {sibling[len(code) + 1 :]}' if sibling else "Choose a system that says it"
    short = usual.split("(")[-1].rstrip(")")
    what = f"{shown} does not say which realization of {family} its coordinates are in"
    if given is not None:
        names = ", ".join(f'"{name}"' for name in FRAMES if name.startswith(prefix))
        what = f"{shown} stands on plain {family}, which has no realization {_shown(given)}; known are {names}"
    remedy = f'{first}, or keep it and add realization = "{short}" if that is what the coordinates are in; {_SUGGEST}.'
    raise InputError.of(where, f"{what}. {say_stakes(lon, lat, _ELSEWHERE_YEAR)}", remedy)


def _usual(family: str, lon: float, lat: float) -> str:
    """Return the realization of a family that is the likeliest today."""
    if family != "NAD 83":
        return "WGS84(G2139)" if family == "WGS 84" else family
    home = _home(lon, lat)
    return home if home.startswith("NAD83") else "NAD83(2011)"


def _named(text: object, prefix: str) -> list[str]:
    """Frames that a text names, with or without the family's name before it."""
    if not isinstance(text, str):
        return []
    keys = {_key(text), _key(prefix + text)}
    return [name for name in FRAMES if _key(name) in keys]


_EPOCH_WORDS = re.compile(r"[\s,;]*[(\[]?\s*(?:at\s+)?epoch[\s:=]*\d{4}(?:\.\d*)?\s*[)\]]?\s*$", re.IGNORECASE)


def parse_reference(
    text: object,
    where: str = "reference",
    *,
    ground: GroundCRS | None = None,
    at: tuple[float, float] | None = None,
    epoch: float | None = None,
) -> Reference:
    """Take what the coordinates of a file refer to, or say why that does not say enough.

    Parameters
    ----------
    text : str
        One of `FRAMES`, IGS08, IGS14, IGS20, or ``"EPSG:n"`` of a geographic or projected system with a realization.
    where : str
        Named in the error.
    ground : GroundCRS, optional
        Its own code is taken with its realization; its place is where the stakes are told for.
    at : (float, float), optional
        Longitude and latitude the stakes are told for.
    epoch : float, optional
        Decimal year of the stakes.

    Raises
    ------
    InputError
        For a plain WGS 84 or NAD 83 too, with the metres at stake.

    Examples
    --------
    >>> parse_reference("ITRF 2014").moving, parse_reference("EPSG:6549").projected
    (True, True)
    >>> parse_reference("NAD 83 (2011) epoch 2010.00").name
    'NAD83(2011)'
    """
    place = at or (_centre(ground.crs.area_of_use.bounds) if ground is not None and ground.crs.area_of_use else None)
    year = _ELSEWHERE_YEAR if epoch is None or not math.isfinite(epoch) else epoch
    if not isinstance(text, str) or not text.strip():
        raise InputError.of(
            where, f"{_shown(text)} says nothing", f'Write "NAD83(2011)", "ITRF2014" or an EPSG code. {_ASK}'
        )
    bare = _EPOCH_WORDS.sub("", text.strip())
    for name in _named(bare, ""):
        if _moves(_frame(name)) and bare != text.strip():
            raise InputError.of(where, f"{_shown(text)} holds an epoch", "Write it beside it: epoch = 2025.35.")
        return Reference(name, _frame(name), _moves(_frame(name)), projected=False, realization=name)
    for name, frame in _ALIGNED.items():
        if _key(name) == _key(bare):
            return Reference(name, _frame(frame), moving=True, projected=False, realization=frame)
    if _key(bare) in _PLAIN_WORDS:
        family = _PLAIN_WORDS[_key(bare)]
        raise _plain_error(where, text, family, "", place, year, ground)
    code = re.fullmatch(r"epsg\s*:+\s*(\d{3,6})", bare, re.IGNORECASE)
    if not code:
        near = difflib.get_close_matches(bare, list(FRAMES), n=2, cutoff=0.5)
        meant = f" Did you mean {' or '.join(near)}?" if near else ""
        raise InputError.of(
            where,
            f"{_shown(text)} is not a reference known here",
            f"Write one of {', '.join(FRAMES)}, or EPSG:n.{meant}",
        )
    crs = _read_crs(f"EPSG:{code[1]}", where)
    shown = f"EPSG:{code[1]} ({crs.name})"
    if crs.type_name not in ("Projected CRS", "Geographic 2D CRS", "Geographic 3D CRS"):
        kind = _kind(crs)
        raise InputError.of(
            where,
            f"{shown} is {kind}",
            "Give longitude and latitude or grid coordinates, and name their geographic or projected system.",
        )
    projected = bool(crs.is_projected)
    for problem in (_axes_problem(crs) if projected else None, _base_problem(crs)):
        if problem:
            raise InputError.of(where, f"{shown} cannot be used: {problem}", "Have the file made in another system.")
    if ground is not None and _code(ground.crs) == f"EPSG:{code[1]}":
        return Reference(f"EPSG:{code[1]}", crs, ground.moving, projected, ground.realization)
    plain = _family(crs)
    if plain is not None:
        if place is None and projected and crs.area_of_use:
            place = _centre(crs.area_of_use.bounds)
        sibling = _sibling(crs, plain, _home(*(place or _ELSEWHERE))) if projected else ""
        raise _plain_error(where, shown, plain, sibling, place, year, ground)
    realization = _realization(crs)
    return Reference(f"EPSG:{code[1]}", crs, _moves(_datum_crs(crs, realization)), projected, realization)


def _plain_error(
    where: str,
    text: str,
    family: str,
    sibling: str,
    place: tuple[float, float] | None,
    year: float,
    ground: GroundCRS | None,
) -> InputError:
    at = place or _ELSEWHERE
    stake = say_stakes(*at, year, ground if place is not None else None)
    if place is None:
        stake = f"For instance, {stake[0].lower()}{stake[1:]}"
    names = f'"{sibling.split(" ", 1)[0]}"' if sibling else " or ".join(f'"{name}"' for name in _answers(*at, family))
    return InputError.of(
        where,
        f"{text} is plain {family}, a family of realizations. {stake}",
        f"{_ASK} Then write {names}, or what the answer is.",
    )


def _answers(lon: float, lat: float, family: str) -> list[str]:
    """Return what a plain name most likely stands for, the likeliest first."""
    home = _home(lon, lat)
    return [home, "ITRF2014", "WGS84(G2139)"] if family == "WGS 84" else [home]


# ---- from one to another ------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _projection(crs: CRS) -> Transformer:
    """Conversion from a system's own longitude and latitude to its grid; exact, no shift of datum."""
    return Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)


@lru_cache(maxsize=64)
def _proj(crs: CRS) -> Proj:
    return Proj(crs)


@dataclass(frozen=True, slots=True)
class _Operation:
    transformer: Transformer
    description: str
    accuracy_m: float
    timed: bool


def _holds(bounds: tuple[float, float, float, float], lon: ArrayLike, lat: ArrayLike, margin: float) -> Any:
    west, south, east, north = bounds
    width = (east - west) % 360.0 or (360.0 if east != west else 0.0)
    off = (np.asarray(lon, dtype=float) - west + margin) % 360.0
    lat = np.asarray(lat, dtype=float)
    return (off <= width + 2.0 * margin) & (lat >= south - margin) & (lat <= north + margin)


@lru_cache(maxsize=512)
def _operation(source: CRS, target: CRS, lon: float, lat: float) -> _Operation | None:
    """Return the operation between two geographic systems at a place, None when none is good enough.

    Left out are those that are ballpark, of unknown accuracy or worse than `_OPERATION_LIMIT_M`, that need a grid
    file (another machine may lack it, so the same evidence would give another ground), or that are for elsewhere. Of
    the rest the first by stated accuracy, then by fewest steps, then by the order of the register.
    """
    # Reading grids from the network would make the result depend on the connection.
    set_network_enabled(active=False)
    near = AreaOfInterest(lon - 0.01, max(lat - 0.01, -90.0), lon + 0.01, min(lat + 0.01, 90.0))
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Best transformation is not available", category=UserWarning)
            group = TransformerGroup(source, target, always_xy=True, allow_ballpark=False, area_of_interest=near)  # type: ignore[arg-type]
    except (ProjError, IndexError):  # pyproj fails by index where the register has no operation at all
        return None
    good = []
    for transformer in group.transformers:
        area, text = transformer.area_of_use, transformer.definition
        if not 0.0 <= transformer.accuracy <= _OPERATION_LIMIT_M:
            continue
        if "allpark" in transformer.description or "grids=" in text:
            continue
        if area is not None and not _holds(area.bounds, lon, lat, 0.0):
            continue
        timed = "t_epoch=" in text or "+dx=" in text
        good.append(_Operation(transformer, transformer.description, float(transformer.accuracy), timed))
    return min(good, key=lambda item: (item.accuracy_m, item.description.count(" + ")), default=None)


def _find_operation(source: CRS, target: CRS, lon: float, lat: float) -> _Operation | None:
    return _operation(source, target, round(float(lon), 1), round(float(lat), 1))


def _shift(
    lonlat: Array, source: CRS, target: CRS, operation: _Operation | None, epoch: ArrayLike | None, height: Array
) -> Array:
    """Return longitude and latitude in another frame; the same numbers where source and target are one."""
    if source == target or operation is None:
        return lonlat.copy()
    time = np.broadcast_to(np.asarray(np.inf if epoch is None else epoch, dtype=float), len(lonlat))
    lon, lat, _, _ = operation.transformer.transform(lonlat[:, 0], lonlat[:, 1], height, time)
    return np.column_stack([lon, lat])


def _check_epoch(epoch: ArrayLike | None, used: NDArray[np.bool_], name: str, where: str) -> Array:
    if epoch is None:
        raise InputError.of(
            where,
            f"{name} moves against the ground, some centimetres a year, and no epoch is given",
            'Write epoch = 2025.35 (the decimal year the coordinates are for) or epoch = "observed".',
        )
    years = np.broadcast_to(np.asarray(epoch, dtype=float), used.shape)
    missing = used & ~np.isfinite(years)
    if missing.any():
        raise InputError.of(
            where,
            f"{name} moves against the ground, and {int(missing.sum())} of {int(used.sum())} readings have no time",
            "Write one epoch = 2025.35 for the file, or give each reading its time.",
        )
    odd = used & ((years < _EPOCHS[0]) | (years > _EPOCHS[1]))
    if odd.any():
        raise InputError.of(
            where, f"epoch {years[odd][0]:g} is not a decimal year between 1980 and 2100", "Write it as 2025.35."
        )
    return years


def to_grid(
    xy: ArrayLike,
    reference: Reference,
    ground: GroundCRS,
    epoch: ArrayLike | None = None,
    height: ArrayLike | None = None,
    where: str = "coordinates",
) -> Array:
    """Put coordinates into the ground's grid.

    The shift between the frames is a separate step from the projection, always between two realizations, so that
    a plain name cannot make it silently zero.

    Parameters
    ----------
    xy : array, (n, 2)
        Longitude and latitude in degrees, or easting and northing in the reference's own unit. Rows that are missing
        or impossible stay missing.
    reference : Reference
    ground : GroundCRS
    epoch : float or array (n,), optional
        Decimal year the coordinates are for; required where reference or ground moves.
    height : array (n,), optional
        Metres above the ellipsoid; 0 where missing, which changes the horizontal place by 0.3 mm per kilometre (the
        frames are turned against each other by some 40 mas).
    where : str
        Named in the error.

    Returns
    -------
    array, (n, 2)
        Easting and northing in the ground's unit.

    Raises
    ------
    InputError
        When no operation of known accuracy joins the two, an epoch is missing, or the place is not in the area of
        use of the ground's system or too distorted in it.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> declared = parse_reference("ITRF2014")
    >>> a = to_grid([[-82.3, 40.9]], declared, ground, epoch=2026.4)
    >>> b = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> float(np.hypot(*(a - b)[0]).round(1))
    4.2
    """
    given = np.asarray(xy, dtype=float)
    if given.size == 0:
        return np.empty((0, 2))
    if given.ndim != 2 or given.shape[1] != 2:
        msg = f"coordinates must be (n, 2), not {given.shape}"
        raise ValueError(msg)
    heights = np.zeros(len(given)) if height is None else np.broadcast_to(np.asarray(height, dtype=float), len(given))
    heights = np.where(np.isfinite(heights), heights, 0.0)
    result = np.full(given.shape, np.nan)
    if not np.isfinite(given).all(axis=1).any():
        return result

    lonlat = _lonlat_of(given, reference.crs)
    used = np.asarray(np.isfinite(lonlat).all(axis=1))
    middle = np.median(lonlat[used], axis=0) if used.any() else np.array([np.nan, np.nan])
    if not used.any() or not in_area(middle[None], ground)[0]:
        raise _outside(given, lonlat, middle, reference, ground, where)
    years: Array | None = None
    if reference.moving or ground.moving:
        years = _check_epoch(epoch, used, reference.name if reference.moving else ground.name, where)[used]
    source, target = reference.datum, ground.datum
    operation = None
    if source != target:
        operation = _find_operation(source, target, middle[0], middle[1])
        if operation is None:
            raise _no_way(middle, reference, ground, epoch, where)
        if operation.timed and years is None:
            years = _check_epoch(epoch, used, f"the way from {reference.name} to {ground.realization}", where)[used]
    _check_grid(ground, float(middle[0]), float(middle[1]), where)
    shifted = _shift(lonlat[used], source, target, operation, years, heights[used])
    east, north = _projection(ground.crs).transform(shifted[:, 0], shifted[:, 1])
    grid = np.column_stack([east, north])
    result[used] = np.where(np.isfinite(grid), grid, np.nan)
    return result


def _check_grid(ground: GroundCRS, lon: float, lat: float, where: str) -> None:
    """Refuse a system in which lengths at a place are not what they are on the ground."""
    if _is_conformal(ground.crs, lon, lat) is False:
        what = f"{ground.name} is not conformal at {_say_place(lon, lat)}: lengths depend on their direction"
        raise InputError.of(where, what, f"Choose another; {_SUGGEST}.")
    scale = float(_factors(ground.crs, [lon], [lat]).meridional_scale[0])
    if abs(scale - 1.0) > _SCALE_LIMIT:
        what = f"lengths in {ground.name} are {100.0 * (scale - 1.0):+.2g} % off at {_say_place(lon, lat)}"
        raise InputError.of(where, what, f"Choose the zone of the place; {_SUGGEST}.")


def say_operation(reference: Reference, ground: GroundCRS, lon: float, lat: float) -> str:
    """Say how coordinates come from a reference to the ground at a place, for the lineage; empty when nothing leads.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> say_operation(parse_reference("NAD83(2011)"), ground, -82.3, 40.9)
    'same frame, no shift'
    >>> print(say_operation(parse_reference("WGS84(G2139)"), ground, -82.3, 40.9))
    WGS 84 (G2139) to ITRF2014 (1) + ITRF2014 to NAD83(2011) (1), with time, accuracy 0.01 m by the register
    """
    if reference.datum == ground.datum:
        return "same frame, no shift"
    operation = _find_operation(reference.datum, ground.datum, lon, lat)
    if operation is None:
        return ""
    steps = [step for step in operation.description.split(" + ") if not re.match(r"axis order|Conversion from", step)]
    timed = ", with time" if operation.timed else ""
    return f"{' + '.join(steps)}{timed}, accuracy {operation.accuracy_m:g} m by the register"


def _lonlat_of(xy: Array, crs: CRS) -> Array:
    """Longitude and latitude in a system's own datum; NaN where there is no such place on Earth."""
    if crs.is_projected:
        lon, lat = _projection(crs).transform(xy[:, 0], xy[:, 1], direction="INVERSE")
        lonlat = np.column_stack([lon, lat])
    else:
        lonlat = xy.copy()
    with np.errstate(invalid="ignore"):
        good = np.isfinite(lonlat).all(axis=1) & (np.abs(lonlat[:, 1]) <= 90.0) & (np.abs(lonlat[:, 0]) <= 360.0)
    lonlat[~good] = np.nan
    return lonlat


def to_lonlat(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return longitude and latitude, in the ground's own datum, of grid coordinates (n, 2).

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> to_lonlat(grid, ground).round(9).tolist()
    [[-82.3, 40.9]]
    """
    grid = np.asarray(grid_xy, dtype=float).reshape(-1, 2)
    return _lonlat_of(grid, ground.crs)


def in_area(lonlat: ArrayLike, ground: GroundCRS) -> NDArray[np.bool_]:
    """Return whether each longitude and latitude (n, 2) lies in the area of use of the ground's system.

    The register gives a box; a tenth of a degree outside it still counts. Where the system has no area, everything
    that is a place does.

    Examples
    --------
    >>> in_area([[-82.3, 40.9], [0.0, 0.0]], ground_crs("EPSG:6549")).tolist()
    [True, False]
    """
    points = np.asarray(lonlat, dtype=float).reshape(-1, 2)
    area = ground.crs.area_of_use
    inside: NDArray[np.bool_] = np.isfinite(points).all(axis=1)
    if area is not None:
        inside &= _holds(area.bounds, points[:, 0], points[:, 1], _AREA_MARGIN_DEG)
    return inside


def _outside(
    given: Array, lonlat: Array, middle: Array, reference: Reference, ground: GroundCRS, where: str
) -> InputError:
    """Make the error for coordinates that do not lie where the ground's system is used, with the likely slip."""

    def fits(xy: Array) -> bool:
        trial = _lonlat_of(xy, reference.crs)
        trial = trial[np.isfinite(trial).all(axis=1)]
        return bool(len(trial)) and bool(in_area(np.median(trial, axis=0)[None], ground)[0])

    tries: list[tuple[str, Array]] = [("The two columns look exchanged: exchange them.", given[:, ::-1])]
    if reference.projected:
        factor = float(reference.crs.axis_info[0].unit_conversion_factor)
        tries += [
            (f"They look like coordinates in {unit.name}: name the system that has it.", given * (unit.metres / factor))
            for unit in (METRE, US_SURVEY_FOOT)
            if not math.isclose(unit.metres, factor, rel_tol=1e-5)
        ]
    else:
        tries.append(("West longitudes need a minus sign or W.", given * np.array([-1.0, 1.0])))
        tries.append(("The columns look exchanged and lack the sign of west.", given[:, ::-1] * np.array([-1.0, 1.0])))
    remedy = next((text for text, trial in tries if fits(trial)), "")
    area = ground.crs.area_of_use
    bounds = area.bounds if area is not None else (-180.0, -90.0, 180.0, 90.0)
    box = f"{_say_place(bounds[0], bounds[1])} to {_say_place(bounds[2], bounds[3])}"
    if not np.isfinite(lonlat).all(axis=1).any():
        what = f"no row is a place on Earth when read as {reference.name} (first: {given[0, 0]:g}, {given[0, 1]:g})"
    else:
        what = (
            f"the middle of the coordinates is {_say_place(*middle)}, outside the area of use of {ground.name} ({box})"
        )
    other = f"Check the reference declared ({reference.name}) and the ground's crs; {_SUGGEST}."
    return InputError.of(where, what, f"{remedy} {other}".strip())


def _no_way(middle: Array, reference: Reference, ground: GroundCRS, epoch: ArrayLike | None, where: str) -> InputError:
    year = _ELSEWHERE_YEAR if epoch is None else float(np.nanmedian(np.asarray(epoch, dtype=float)))
    year = year if _EPOCHS[0] <= year <= _EPOCHS[1] else _ELSEWHERE_YEAR
    lon, lat = float(middle[0]), float(middle[1])
    stake = say_stakes(lon, lat, year, ground)
    if reference.realization not in {name for name, _, _ in stakes(lon, lat, year, ground)}:
        stake = f"How far {reference.realization} is off is not known here. {stake}"
    return InputError.of(
        where,
        f"nothing leads from {reference.name} to {ground.realization} at {_say_place(lon, lat)} that has a known "
        f"accuracy of {_OPERATION_LIMIT_M:g} m or better and needs no grid file. {stake}",
        f"{_ASK} Declare that, or have the file converted to {ground.realization} by its surveyor.",
    )


def _say_place(lon: float, lat: float) -> str:
    lon = (lon + 180.0) % 360.0 - 180.0
    return f"{abs(lat):.4g}° {'N' if lat >= 0 else 'S'}, {abs(lon):.5g}° {'E' if lon >= 0 else 'W'}"


# ---- what a mistake costs -----------------------------------------------------------------------------------------


def _in_frame_area(name: str, lon: float, lat: float) -> bool:
    area = _frame(name).area_of_use
    return area is None or bool(_holds(area.bounds, lon, lat, _AREA_MARGIN_DEG))


def _home(lon: float, lat: float) -> str:
    """Return the frame that surveys of a place are made in."""
    return next(name for name in _HOME if _in_frame_area(name, lon, lat))


def stakes(lon: float, lat: float, epoch: float, ground: GroundCRS | None = None) -> list[tuple[str, float, float]]:
    """Return how far off coordinates of other frames would be here if read as the ground's own.

    Parameters
    ----------
    lon, lat : float
        Degrees.
    epoch : float
        Decimal year.
    ground : GroundCRS, optional
        Default: the frame that surveys of the place are made in.

    Returns
    -------
    list of (name, metres, azimuth_true)
        Frame, distance, and the way its coordinates move when they are rightly put into the ground's frame. Read
        without that, they lie as far the other way. Largest first.

    Examples
    --------
    >>> [(name, round(metres, 2), round(azimuth)) for name, metres, azimuth in stakes(-82.3, 40.9, 2026.4)
    ...  if name in ("ITRF2014", "WGS84(G2139)")]
    [('ITRF2014', 1.28, 139), ('WGS84(G2139)', 1.28, 139)]
    """
    base = ground.realization if ground is not None else _home(lon, lat)
    target = ground.datum if ground is not None else _frame(base)
    found = []
    for name in _CANDIDATES:
        if name == base or not _in_frame_area(name, lon, lat):
            continue
        operation = _find_operation(_frame(name), target, lon, lat)
        if operation is None:
            continue
        moved = _shift(np.array([[lon, lat]]), _frame(name), target, operation, epoch, np.zeros(1))[0]
        azimuth, _, metres = _GEOD.inv(lon, lat, moved[0], moved[1])
        found.append((name, float(metres), float(azimuth % 360.0)))
    return sorted(found, key=lambda item: (-round(item[1], 2), item[0]))


def say_stakes(lon: float, lat: float, epoch: float, ground: GroundCRS | None = None) -> str:
    """Say in one sentence what `stakes` returns.

    Examples
    --------
    >>> words = say_stakes(-157.8, 21.3, 2026.4)
    >>> words[:31], words[-43:]
    ('At 21.3° N, 157.8° W in 2026.4,', 'ff; in NAD83(2011) lie 2.71 m (8.9 ft) off.')
    """
    base = ground.realization if ground is not None else _home(lon, lat)
    found = [item for item in stakes(lon, lat, epoch, ground) if item[1] >= 0.05]
    place = f"At {_say_place(lon, lat)} in {epoch:.1f}"
    if not found:
        return f"{place}, how far the candidates are from {base} is not known here."
    parts = [
        f"{_either(names)} lie {metres:.2f} m ({metres / FOOT.metres:.1f} ft) off" for names, metres in _by_size(found)
    ]
    return f"{place}, coordinates read as {base} that are really in {'; in '.join(parts)}."


def _by_size(found: Sequence[tuple[str, float, float]]) -> Iterator[tuple[list[str], float]]:
    """Group frames whose shift is the same to a decimetre, to be named in one breath."""
    rest = list(found)
    while rest:
        _, metres, azimuth = rest[0]
        here = metres * np.exp(1j * math.radians(azimuth))
        same = [item for item in rest if abs(item[1] * np.exp(1j * math.radians(item[2])) - here) < 0.1]
        rest = [item for item in rest if item not in same]
        yield sorted(item[0] for item in same), metres


def _either(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


@dataclass(frozen=True, slots=True)
class _Confusion:
    """One known mistake: where it puts a point, counted from where the point belongs, in the ground's unit."""

    words: str
    east: float
    north: float


def _confusions(lon: float, lat: float, epoch: float, ground: GroundCRS) -> Iterable[_Confusion]:
    point = np.array([[lon, lat]])
    project = _projection(ground.crs)

    def grid(name: str, year: float) -> Array | None:
        source = _frame(name)
        operation = _find_operation(source, ground.datum, lon, lat)
        if source != ground.datum and operation is None:
            return None
        moved = _shift(point, source, ground.datum, operation, year, np.zeros(1))
        east, north = project.transform(moved[:, 0], moved[:, 1])
        return np.array([float(east[0]), float(north[0])])

    own = np.column_stack(project.transform(point[:, 0], point[:, 1]))[0]
    places: dict[str, Array] = {ground.realization: own}
    for name in _CANDIDATES:
        if name not in places and _in_frame_area(name, lon, lat):
            place = grid(name, epoch)
            if place is not None:
                places[name] = place

    # Frames that give the same place to 5 cm cannot be told apart by a shift and share one sentence.
    limit = 0.05 / ground.unit.metres
    groups: list[list[str]] = []
    for name, place in places.items():
        home = next((g for g in groups if float(np.hypot(*(places[g[0]] - place))) < limit), None)
        if home is None:
            groups.append([name])
        else:
            home.append(name)
    for actual in groups:
        for declared in groups:
            if actual is not declared:
                # The numbers are the same; they were put where `declared` has them and belong where `actual` has.
                east, north = places[declared[0]] - places[actual[0]]
                words = f"{_either(actual)} coordinates declared as {_either(declared)}"
                if ground.realization in actual:
                    words += ", so that a shift was applied where none belongs"
                yield _Confusion(words, float(east), float(north))
        shift = places[actual[0]] - own
        if float(np.hypot(*shift)) >= limit:
            words = f"the shift from {_either(actual)} to {ground.realization} applied the wrong way round"
            yield _Confusion(words, *(-2.0 * shift).tolist())
        moving = [name for name in actual if name in FRAMES and _moves(_frame(name))]
        for year in sorted({2010.0, *(_reference_epoch(name) for name in moving)} - {epoch}) if moving else ():
            wrong, right = grid(moving[0], year), grid(moving[0], epoch)
            if wrong is not None and right is not None:
                words = f"{_either(moving)} coordinates of {epoch:.1f} declared with epoch {year:.1f}"
                yield _Confusion(words, *(wrong - right).tolist())

    by_feet = _FEET_PPM * own
    short, survey = "feet (0.3048 m)", "US survey feet"
    yield _Confusion(f"coordinates in {short} read as {survey}", *by_feet.tolist())
    yield _Confusion(f"coordinates in {survey} read as {short}", *(-by_feet).tolist())
    false_easting = _false_easting(ground)
    if false_easting and ground.unit.is_foot:
        mine, other = (survey, short) if ground.unit == US_SURVEY_FOOT else (short, survey)
        off = _FEET_PPM * false_easting * (1.0 if ground.unit == US_SURVEY_FOOT else -1.0)
        yield _Confusion(f"a false easting of {false_easting:,.0f} {mine} taken as {other}", -off, 0.0)
        yield _Confusion(f"a false easting converted to {other} in a grid of {mine}", off, 0.0)


def _reference_epoch(name: str) -> float:
    """Return the epoch a moving frame is defined at, as the register has it."""
    datum = _frame(name).to_json_dict().get("datum", {})
    return float(datum.get("frame_reference_epoch", 2010.0))


def _false_easting(ground: GroundCRS) -> float:
    operation = ground.crs.coordinate_operation
    for param in operation.params if operation is not None else ():
        if param.name in ("False easting", "Easting at false origin", "Easting at projection centre"):
            return float(param.value) * float(param.unit_conversion_factor) / ground.unit.metres
    return 0.0


def explain_shift(
    shift_e: float,
    shift_n: float,
    lon: float,
    lat: float,
    epoch: float,
    ground: GroundCRS,
    tolerance: float,
) -> str | None:
    """Name the known confusion that has the size and direction of a shift.

    Known are: one frame declared as another, that shift applied twice or the wrong way round, an epoch of the frame
    in place of the day's, and one foot read as the other, in all coordinates or in the false easting only. Not
    known here is a grid scaled to ground lengths, since its factor is not.

    Parameters
    ----------
    shift_e, shift_n : float
        Where the points lie, less where they belong, in the ground's grid and unit.
    lon, lat : float
        Degrees.
    epoch : float
        Decimal year of the readings.
    ground : GroundCRS
    tolerance : float
        In the ground's unit: a confusion fits when it is no farther from the shift than this.

    Returns
    -------
    str or None
        None when nothing fits, or when the shift itself is within the tolerance.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> print(explain_shift(4.1, 0.9, -82.3, 40.9, 2025.4, ground, 0.3))
    coordinates in feet (0.3048 m) read as US survey feet: 4.15 ft toward 77° from grid north
    >>> explain_shift(0.0, 2.0, -82.3, 40.9, 2025.4, ground, 0.3) is None
    True
    """
    if not all(math.isfinite(value) for value in (shift_e, shift_n, lon, lat, epoch)):
        return None
    if math.hypot(shift_e, shift_n) <= tolerance:
        return None
    fits = []
    for item in _confusions(lon, lat, epoch, ground):
        miss = math.hypot(item.east - shift_e, item.north - shift_n)
        if miss <= tolerance:
            fits.append((round(miss, 3), item.words, item))
    if not fits:
        return None
    best = min(fits)[0]
    # What lies within half a tolerance of the best is as likely, and is named too.
    said = [item for miss, _, item in sorted(fits, key=lambda fit: fit[:2]) if miss <= best + 0.5 * tolerance]
    azimuth = math.degrees(math.atan2(said[0].east, said[0].north)) % 360.0
    size = say_length(math.hypot(said[0].east, said[0].north), ground.unit)
    return f"{'; or '.join(item.words for item in said)}: {size} toward {azimuth:.0f}° from grid north"


# ---- the grid against the ground and the compass ------------------------------------------------------------------


def _factors(crs: CRS, lon: ArrayLike, lat: ArrayLike) -> Any:
    return _proj(crs).get_factors(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float), errcheck=False)


def _is_conformal(crs: CRS, lon: float, lat: float) -> bool | None:
    found = _factors(crs, [lon], [lat])
    along, across = float(found.meridional_scale[0]), float(found.parallel_scale[0])
    if not (0.0 < along < 1e6 and 0.0 < across < 1e6):
        return None
    return abs(along / across - 1.0) <= _NOT_CONFORMAL


def _at_points(grid_xy: ArrayLike, ground: GroundCRS, read: Callable[[Any], ArrayLike]) -> Array:
    lonlat = to_lonlat(grid_xy, ground)
    values = np.full(len(lonlat), np.nan)
    good = np.isfinite(lonlat).all(axis=1)
    if good.any():
        values[good] = np.asarray(read(_factors(ground.crs, lonlat[good, 0], lonlat[good, 1])), dtype=float)
    return np.where(np.abs(values) < 1e6, values, np.nan)


def convergence(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return the convergence of the meridians in degrees: azimuth from true north = from grid north + convergence.

    Positive east of the central meridian on the northern half, where grid north points east of true north.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> convergence(grid, ground).round(3).tolist()
    [0.131]
    """
    return _at_points(grid_xy, ground, lambda factors: factors.meridian_convergence)


def scale_factor(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return the scale of the grid: grid length over length on the ellipsoid.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> scale_factor(grid, ground).round(6).tolist()
    [0.999943]
    """
    return _at_points(grid_xy, ground, lambda factors: factors.meridional_scale)


def combined_factor(grid_xy: ArrayLike, ground: GroundCRS, height_m: ArrayLike) -> Array:
    """Return grid length over taped length on the ground: scale x R / (R + h).

    R is the mean radius of curvature at the latitude, sqrt(M N) = b / (1 - e^2 sin^2 phi): with it the combined
    factors of NGS OPUS reports come out to 1e-8; with one radius for all places (6,372,000 m) to 1e-7.

    Parameters
    ----------
    grid_xy : array, (n, 2)
    ground : GroundCRS
    height_m : float or array (n,)
        Metres above the ellipsoid. Taking a height above sea level instead changes the factor by 5 parts in a
        million where the two differ by 30 m.

    Examples
    --------
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> combined_factor(grid, ground, 300.0).round(6).tolist()
    [0.999896]
    """
    scale = scale_factor(grid_xy, ground)
    height = np.broadcast_to(np.asarray(height_m, dtype=float), scale.shape)
    radius = _radius_m(ground.crs, to_lonlat(grid_xy, ground)[:, 1])
    return np.asarray(scale * radius / (radius + height), dtype=float)


def _radius_m(crs: CRS, lat: ArrayLike) -> Array:
    """Return the mean radius of curvature sqrt(M N) of a system's ellipsoid."""
    major, minor = _GEOD.a, _GEOD.b
    if crs.ellipsoid is not None:
        major, minor = float(crs.ellipsoid.semi_major_metre), float(crs.ellipsoid.semi_minor_metre)
    e2 = 1.0 - (minor / major) ** 2
    return np.asarray(minor / (1.0 - e2 * np.sin(np.radians(np.asarray(lat, dtype=float))) ** 2), dtype=float)


def declination(lon: ArrayLike, lat: ArrayLike, year: float, where: str = "year") -> Array:
    """Return how far a compass pointed east of true north, in degrees, by the IGRF at the ellipsoid.

    A model of the core's field: iron in the ground is not in it, and other models differ by some tenths of a degree.
    Before 1945 it is less well known.

    Parameters
    ----------
    lon, lat : float or array
        Degrees.
    year : float
        Decimal year, 1900 to 2030.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        For a year outside the model.

    Examples
    --------
    >>> float(declination(-82.3, 40.9, 2025.0).round(1))
    -7.8
    """
    if not (isinstance(year, (int, float)) and _IGRF_YEARS[0] <= year <= _IGRF_YEARS[1]):
        raise InputError.of(
            where,
            f"{year!r} is outside the years the magnetic model is for, 1900 to 2030",
            "Use the declination noted on the plat, or one from a chart of that year.",
        )
    import ppigrf  # heavy, and wanted by few

    longitude, latitude = np.broadcast_arrays(np.asarray(lon, dtype=float), np.asarray(lat, dtype=float))
    good = np.isfinite(longitude) & np.isfinite(latitude) & (np.abs(latitude) < 90.0)
    angle = np.full(longitude.shape, np.nan)
    if good.any():
        start = datetime(int(year), 1, 1)
        day = start + (year - int(year)) * (datetime(int(year) + 1, 1, 1) - start)
        day = min(day, datetime(2030, 1, 1) - timedelta(seconds=1)) if year >= _IGRF_YEARS[1] else day
        east, north, _ = ppigrf.igrf(longitude[good], latitude[good], 0.0, day)
        angle[good] = np.degrees(np.arctan2(east[0], north[0]))
    return angle


def suggest(lat: float, lon: float, height_m: float = 0.0, where: str = "place") -> pd.DataFrame:
    """Return projected systems with a realization for a place, the one with the least distortion first.

    The register gives the area of use as a box, so near a border the zone of the neighbour is listed too.

    Parameters
    ----------
    lat, lon : float
        Degrees.
    height_m : float
        Metres above the ellipsoid, so that `ppm` is against lengths taped on the ground; every 64 m are 10 ppm.
    where : str
        Named in the error.

    Returns
    -------
    DataFrame
        ``crs, name, unit, scale, ppm, convergence_deg, note``; `scale` is that of the grid, `ppm` how much longer a
        length is in the grid than on the ground, in parts per million.

    Raises
    ------
    InputError
        When the place is not on Earth or nothing suitable is registered there.

    Examples
    --------
    >>> suggest(40.9, -82.3).loc[0, ["crs", "unit"]].tolist()
    ['EPSG:6549', 'US survey foot']
    """
    import pandas as pd

    if not (math.isfinite(lat) and math.isfinite(lon) and abs(lat) <= 90.0 and abs(lon) <= 360.0):
        remedy = "Give the latitude first, then the longitude, west with a minus sign."
        raise InputError.of(where, f"latitude {lat:g}, longitude {lon:g} is not a place on Earth", remedy)
    lon = (lon + 180.0) % 360.0 - 180.0
    found = query_crs_info(
        auth_name="EPSG",
        pj_types=[PJType.PROJECTED_CRS],
        area_of_interest=AreaOfInterest(lon, lat, lon, lat),
        contains=True,
    )
    codes = {int(info.code) for info in found if info.name.split(" / ")[0] in _CURRENT and not info.deprecated}
    rows = []
    for code in sorted(codes):
        try:
            ground = ground_crs(f"EPSG:{code}")
        except InputError:
            continue
        if not _is_conformal(ground.crs, lon, lat):
            continue
        factors = _factors(ground.crs, [lon], [lat])
        scale = float(factors.meridional_scale[0])
        radius = float(_radius_m(ground.crs, lat))
        combined = scale * radius / (radius + height_m)
        rows.append(
            {
                "crs": f"EPSG:{code}",
                "name": ground.name,
                "unit": ground.unit.name,
                "scale": scale,
                "ppm": (combined - 1.0) * 1e6,
                "convergence_deg": float(factors.meridian_convergence[0]),
            }
        )
    if not rows:
        raise InputError.of(
            where,
            f"no projected system with a realization is known here for {_say_place(lon, lat)}",
            "Ask the survey office of the place for the code of the one it uses.",
        )
    table = pd.DataFrame(rows)
    # Where a foot version exists the foot is in use, so it goes before its metre twin; of twins with other axes the
    # one with the plain name goes first.
    size = table["ppm"].abs().round(1)
    order = pd.DataFrame({"size": size, "metric": table["unit"].eq(METRE.name), "long": table["name"].str.len()})
    order["code"] = range(len(table))
    table = table.loc[order.sort_values(["size", "metric", "long", "code"]).index].reset_index(drop=True)
    size = table["ppm"].abs().round(1)
    table["note"] = np.where(
        size.eq(size.iloc[0]),
        "least distortion here; ask the county or survey office which unit it publishes",
        np.where(table["scale"].sub(1.0).abs() > _SCALE_LIMIT, "too much distortion here for a ground", ""),
    )
    return table


# ---- times and angles as people write them ------------------------------------------------------------------------


def decimal_year(times: Any, where: str = "time") -> Array:
    """Return times as decimal years; missing times are NaN.

    Parameters
    ----------
    times : Series, DatetimeIndex, array or list of times
        Taken as UTC where they have no zone.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        For text that is not a time.

    Examples
    --------
    >>> decimal_year(["2025-01-01", "2025-07-02T12:00:00Z", None]).tolist()
    [2025.0, 2025.5, nan]
    """
    import pandas as pd

    if not isinstance(times, (pd.Series, pd.Index)):
        times = np.atleast_1d(np.asarray(times, dtype=object))
    column = pd.Series(times).reset_index(drop=True)
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        stamps = pd.to_datetime(column, utc=True)
    else:
        column = column.astype(object)
        stamps = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
        bad = column[stamps.isna() & column.notna()]
        if len(bad):
            what = f"{_shown(bad.iloc[0])} is not a time ({len(bad)} of {len(column)})"
            raise InputError.of(where, what, "Write it as 2025-05-06T14:30:00Z.")
    stamps = stamps.dt.tz_localize(None)
    moments = stamps.to_numpy(dtype="datetime64[us]")
    years = moments.astype("datetime64[Y]")
    start, end = years.astype("datetime64[us]"), (years + 1).astype("datetime64[us]")
    known = ~np.isnat(moments)
    share = np.full(len(moments), np.nan)
    second = np.timedelta64(1, "us")
    share[known] = ((moments - start)[known] / second) / ((end - start)[known] / second)
    return np.asarray(np.where(known, years.astype(np.int64) + 1970.0, np.nan) + share, dtype=float)


_SEP_DEG = r"(?:\s*(?:°|º|deg|d|:)\s*|-|\s+)"
_SEP_MIN = r"(?:\s*(?:'|′|’|:)\s*|-|\s+)"
_ANGLE = (
    r"^\s*(?P<before>[NSEW])?\s*(?P<sign>[+\-−])?\s*(?P<degrees>\d{1,3}(?:\.\d*)?)"
    rf"(?:{_SEP_DEG}(?P<minutes>\d{{1,2}}(?:\.\d*)?)"
    rf"(?:{_SEP_MIN}(?P<seconds>\d{{1,2}}(?:\.\d*)?)\s*(?:\"|″|”|'')?|\s*['′’]?)?|\s*(?:°|º|deg|d)?)"
    r"\s*(?P<after>[NSEW])?\s*$"
)
_ANGLE_PATTERN = re.compile(_ANGLE, re.IGNORECASE)
_LIMITS = {"lat": 90.0, "lon": 360.0, None: 360.0}


def parse_angle(text: object, where: str = "angle", axis: str | None = None) -> float:
    r"""Read one angle as people write it, in decimal degrees.

    A number without separate minutes is decimal degrees and nothing else: digits packed as DDD.MMSS are not guessed.

    Parameters
    ----------
    text : str or float
        ``"40 53 12.3 N"``, ``"-82.3"``, ``"82°18'00\" W"``, ``"40d53'12.3"``, ``"40:53.205"``.
    where : str
        Named in the error.
    axis : {"lat", "lon"}, optional
        Limits the size and the letters that fit.

    Raises
    ------
    InputError

    Examples
    --------
    >>> round(parse_angle("40 53 12.3 N"), 6), parse_angle("82.3 W")
    (40.88675, -82.3)
    >>> parse_angle("40 61 00 N")
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: angle: '40 61 00 N' has 60 minutes or more. Write "40 53 12.3 N" or decimal degrees.
    """
    remedy = 'Write "40 53 12.3 N" or decimal degrees.'
    shown = _shown(text)
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        text = repr(float(text))
        if "e" in text:
            text = f"{float(text):.12f}"
    found = _ANGLE_PATTERN.match(text) if isinstance(text, str) and len(text) < 64 else None
    if found is None:
        raise InputError.of(where, f"{shown} is not an angle", remedy)
    degrees, minutes, seconds = (found[part] for part in ("degrees", "minutes", "seconds"))
    letters = [letter.upper() for letter in (found["before"], found["after"]) if letter]
    problem = ""
    if len(letters) > 1:
        problem = "names its side twice"
    elif letters and found["sign"]:
        problem = "has a sign and a letter"
    elif letters and axis is not None and (letters[0] in "NS") != (axis == "lat"):
        problem = f"is not a {'latitude' if axis == 'lat' else 'longitude'}"
    elif minutes is not None and "." in degrees:
        problem = "has decimals in its degrees and minutes as well"
    elif seconds is not None and "." in minutes:
        problem = "has decimals in its minutes and seconds as well"
    elif minutes is not None and float(minutes) >= 60.0:
        problem = "has 60 minutes or more"
    elif seconds is not None and float(seconds) >= 60.0:
        problem = "has 60 seconds or more"
    value = float(degrees) + float(minutes or 0.0) / 60.0 + float(seconds or 0.0) / 3600.0
    limit = 90.0 if letters and letters[0] in "NS" else _LIMITS[axis]
    if not problem and value > limit:
        problem = f"is more than {limit:g} degrees"
    if problem:
        raise InputError.of(where, f"{shown} {problem}", remedy)
    negative = found["sign"] in ("-", "−") or bool(letters and letters[0] in "SW")
    value = -value if negative else value
    return (value + 180.0) % 360.0 - 180.0 if axis == "lon" and abs(value) > 180.0 else value


def parse_angles(texts: Any, axis: str | None = None) -> Array:
    """Read many angles as `parse_angle` does; NaN for what cannot be read.

    Parameters
    ----------
    texts : sequence of str, (n,)
    axis : {"lat", "lon"}, optional

    Returns
    -------
    array, (n,)
        Decimal degrees.

    Examples
    --------
    >>> parse_angles(["40 30 00 N", "40.5", "forty"]).tolist()
    [40.5, 40.5, nan]
    """
    import pandas as pd

    column = pd.Series(list(texts), dtype=object)
    if column.empty:
        return np.empty(0)
    part = column.where(column.notna(), "").astype(str).str.extract(_ANGLE_PATTERN)
    degrees, minutes, seconds = (
        pd.to_numeric(part[name]).to_numpy(dtype=float) for name in ("degrees", "minutes", "seconds")
    )
    before, after = (part[name].fillna("").str.upper().to_numpy(dtype=str) for name in ("before", "after"))
    letter = np.where(before == "", after, before)
    sign = part["sign"].fillna("").to_numpy(dtype=str)
    dotted = {name: part[name].fillna("").str.contains(".", regex=False).to_numpy() for name in ("degrees", "minutes")}
    value = degrees + np.nan_to_num(minutes) / 60.0 + np.nan_to_num(seconds) / 3600.0
    north_south = np.isin(letter, ["N", "S"])
    limit = np.where(north_south, 90.0, _LIMITS[axis])
    with np.errstate(invalid="ignore"):
        bad = (
            ((before != "") & (after != ""))
            | ((letter != "") & (sign != ""))
            | (~np.isnan(minutes) & dotted["degrees"])
            | (~np.isnan(seconds) & dotted["minutes"])
            | (minutes >= 60.0)
            | (seconds >= 60.0)
            | (value > limit)
        )
    if axis is not None:
        bad |= (letter != "") & (north_south != (axis == "lat"))
    negative = np.isin(sign, ["-", "−"]) | np.isin(letter, ["S", "W"])
    value = np.where(negative, -value, value)
    if axis == "lon":
        value = np.where(np.abs(value) > 180.0, (value + 180.0) % 360.0 - 180.0, value)
    return np.where(bad, np.nan, value)
