"""What a mistaken reference costs, and which mistake a shift looks like."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cemgis.reference.systems import AREA_MARGIN_DEG, FRAMES, GEOD, GroundCRS, datum_moves, frame_crs
from cemgis.reference.ways import find_operation, projection_of, say_place, shift_by, within_bounds
from cemgis.units import FOOT, US_SURVEY_FOOT, say_length

__all__ = ["explain_shift", "home_frame", "say_stakes", "stakes"]

Array = NDArray[np.float64]

_HOME = ("NAD83(PA11)", "NAD83(MA11)", "NAD83(2011)", "GDA2020", "ETRF2000", "ITRF2020")
_CANDIDATES = (
    "NAD83(2011)", "NAD83(PA11)", "NAD83(MA11)", "GDA2020", "GDA94", "ETRF2000", "ETRF2014", "ITRF2008", "ITRF2014",
    "ITRF2020", "WGS84(G2139)", "WGS84(G2296)",
)  # fmt: skip

_FEET_PPM = US_SURVEY_FOOT.metres / FOOT.metres - 1.0


def _in_frame_area(name: str, lon: float, lat: float) -> bool:
    area = frame_crs(name).area_of_use
    return area is None or bool(within_bounds(area.bounds, lon, lat, AREA_MARGIN_DEG))


def home_frame(lon: float, lat: float) -> str:
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
    base = ground.realization if ground is not None else home_frame(lon, lat)
    target = ground.datum if ground is not None else frame_crs(base)
    found = []
    for name in _CANDIDATES:
        if name == base or not _in_frame_area(name, lon, lat):
            continue
        operation = find_operation(frame_crs(name), target, lon, lat)
        if operation is None:
            continue
        moved = shift_by(np.array([[lon, lat]]), frame_crs(name), target, operation, epoch, np.zeros(1))[0]
        azimuth, _, metres = GEOD.inv(lon, lat, moved[0], moved[1])
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
    base = ground.realization if ground is not None else home_frame(lon, lat)
    found = [item for item in stakes(lon, lat, epoch, ground) if item[1] >= 0.05]
    place = f"At {say_place(lon, lat)} in {epoch:.1f}"
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
    project = projection_of(ground.crs)

    def grid(name: str, year: float) -> Array | None:
        source = frame_crs(name)
        operation = find_operation(source, ground.datum, lon, lat)
        if source != ground.datum and operation is None:
            return None
        moved = shift_by(point, source, ground.datum, operation, year, np.zeros(1))
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
        moving = [name for name in actual if name in FRAMES and datum_moves(frame_crs(name))]
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
    datum = frame_crs(name).to_json_dict().get("datum", {})
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
    >>> from cemgis.reference import ground_crs
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
