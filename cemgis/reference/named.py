"""Reference systems as people name them, checked; what is ambiguous is refused with what is at stake."""

from __future__ import annotations

import difflib
import math
import re
import warnings

from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError

from cemgis.errors import InputError
from cemgis.reference.mistakes import home_frame, say_stakes
from cemgis.reference.systems import (
    ALIGNED,
    ASK,
    ELSEWHERE_YEAR,
    FRAMES,
    SUGGEST,
    GroundCRS,
    Reference,
    code_of,
    datum_crs,
    datum_moves,
    datum_name,
    family_of,
    frame_crs,
    name_key,
    realization_of,
    show,
)
from cemgis.reference.ways import is_conformal
from cemgis.units import unit_of_factor

__all__ = ["ground_crs", "parse_reference"]

_PLAIN_WORDS = {"wgs84": "WGS 84", "wgs": "WGS 84", "gps": "WGS 84", "nad83": "NAD 83", "nad831986": "NAD 83"}
_REALIZATIONS_OF = {"NAD 83": "NAD83(", "WGS 84": "WGS84("}

_ELSEWHERE = (-82.3, 40.9)


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
    if geodetic is None or name_key(datum_name(geodetic)).startswith("unknown"):
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
    if len(parts) != 2 or name_key(parts[0]) != name_key(family):
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
            where, f"{show(text)} is not a reference system", f'Write its code, such as "EPSG:6549"; {SUGGEST}.'
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)
            return CRS.from_user_input(text.strip())
    except CRSError as error:
        what = f"{show(text)} is not a reference system that is known here"
        raise InputError.of(where, what, f'Write its code, such as "EPSG:6549"; {SUGGEST}.') from error


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
    shown = f"{code_of(crs) or show(text)} ({crs.name})"
    if not (crs.type_name == "Projected CRS" and crs.is_projected):
        kind = _kind(crs)
        remedy = f'Write a projected system, such as crs = "EPSG:6549" in northern Ohio; {SUGGEST}.'
        if crs.is_compound and crs.sub_crs_list and crs.sub_crs_list[0].is_projected:
            part = crs.sub_crs_list[0]
            remedy = (
                f'Write its horizontal part alone: crs = "{code_of(part) or part.name}"; or choose another: {SUGGEST}.'
            )
        elif crs.is_bound and crs.source_crs is not None:
            remedy = f"Leave out the shift it carries (towgs84) and name the system by its code; {SUGGEST}."
        raise InputError.of(where, f"{shown} is {kind}, not projected", remedy)
    for problem in (_axes_problem(crs), _base_problem(crs)):
        if problem:
            raise InputError.of(where, f"{shown} cannot carry a ground: {problem}", f"Choose another; {SUGGEST}.")
    unit = unit_of_factor(crs.axis_info[0].unit_conversion_factor, where)
    area = crs.area_of_use
    if area is not None and any(is_conformal(crs, *place) is False for place in _sample(area.bounds)):
        raise InputError.of(
            where,
            f"{shown} is not conformal: lengths depend on their direction",
            f"Choose a state plane zone or a UTM zone; {SUGGEST}.",
        )
    return GroundCRS(crs, str(crs.name), unit, _settle(crs, shown, realization, where))


def _settle(crs: CRS, shown: str, given: str | None, where: str) -> str:
    """Realization of a projected system: its own, or the one given for a plain datum."""
    own, family = realization_of(crs), family_of(crs)
    if family is None:
        if given is not None and name_key(given) not in (name_key(own), name_key(own.split("(")[-1])):
            raise InputError.of(
                where,
                f"{shown} stands on {own}, but realization = {show(given)}",
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
    sibling = _sibling(crs, family, home_frame(lon, lat))
    code = sibling.split(" ", 1)[0]
    first = f'Write crs = "{code}" {sibling[len(code) + 1 :]}' if sibling else "Choose a system that says it"
    short = usual.split("(")[-1].rstrip(")")
    what = f"{shown} does not say which realization of {family} its coordinates are in"
    if given is not None:
        names = ", ".join(f'"{name}"' for name in FRAMES if name.startswith(prefix))
        what = f"{shown} stands on plain {family}, which has no realization {show(given)}; known are {names}"
    remedy = f'{first}, or keep it and add realization = "{short}" if that is what the coordinates are in; {SUGGEST}.'
    raise InputError.of(where, f"{what}. {say_stakes(lon, lat, ELSEWHERE_YEAR)}", remedy)


def _usual(family: str, lon: float, lat: float) -> str:
    """Return the realization of a family that is the likeliest today."""
    if family != "NAD 83":
        return "WGS84(G2139)" if family == "WGS 84" else family
    home = home_frame(lon, lat)
    return home if home.startswith("NAD83") else "NAD83(2011)"


def _named(text: object, prefix: str) -> list[str]:
    """Frames that a text names, with or without the family's name before it."""
    if not isinstance(text, str):
        return []
    keys = {name_key(text), name_key(prefix + text)}
    return [name for name in FRAMES if name_key(name) in keys]


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
    year = ELSEWHERE_YEAR if epoch is None or not math.isfinite(epoch) else epoch
    if not isinstance(text, str) or not text.strip():
        raise InputError.of(
            where, f"{show(text)} says nothing", f'Write "NAD83(2011)", "ITRF2014" or an EPSG code. {ASK}'
        )
    bare = _EPOCH_WORDS.sub("", text.strip())
    for name in _named(bare, ""):
        if datum_moves(frame_crs(name)) and bare != text.strip():
            raise InputError.of(where, f"{show(text)} holds an epoch", "Write it beside it: epoch = 2025.35.")
        return Reference(name, frame_crs(name), datum_moves(frame_crs(name)), projected=False, realization=name)
    for name, frame in ALIGNED.items():
        if name_key(name) == name_key(bare):
            return Reference(name, frame_crs(frame), moving=True, projected=False, realization=frame)
    if name_key(bare) in _PLAIN_WORDS:
        family = _PLAIN_WORDS[name_key(bare)]
        raise _plain_error(where, text, family, "", place, year, ground)
    code = re.fullmatch(r"epsg\s*:+\s*(\d{3,6})", bare, re.IGNORECASE)
    if not code:
        near = difflib.get_close_matches(bare, list(FRAMES), n=2, cutoff=0.5)
        meant = f" Did you mean {' or '.join(near)}?" if near else ""
        raise InputError.of(
            where,
            f"{show(text)} is not a reference known here",
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
    if ground is not None and code_of(ground.crs) == f"EPSG:{code[1]}":
        return Reference(f"EPSG:{code[1]}", crs, ground.moving, projected, ground.realization)
    plain = family_of(crs)
    if plain is not None:
        if place is None and projected and crs.area_of_use:
            place = _centre(crs.area_of_use.bounds)
        sibling = _sibling(crs, plain, home_frame(*(place or _ELSEWHERE))) if projected else ""
        raise _plain_error(where, shown, plain, sibling, place, year, ground)
    realization = realization_of(crs)
    return Reference(f"EPSG:{code[1]}", crs, datum_moves(datum_crs(crs, realization)), projected, realization)


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
        f"{ASK} Then write {names}, or what the answer is.",
    )


def _answers(lon: float, lat: float, family: str) -> list[str]:
    """Return what a plain name most likely stands for, the likeliest first."""
    home = home_frame(lon, lat)
    return [home, "ITRF2014", "WGS84(G2139)"] if family == "WGS 84" else [home]
