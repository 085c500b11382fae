"""Coordinates into the ground's grid and back to longitude and latitude."""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cemgis.errors import InputError
from cemgis.reference.mistakes import say_stakes, stakes
from cemgis.reference.systems import AREA_MARGIN_DEG, ASK, ELSEWHERE_YEAR, SCALE_LIMIT, SUGGEST, GroundCRS, Reference
from cemgis.reference.ways import (
    OPERATION_LIMIT_M,
    find_operation,
    is_conformal,
    lonlat_of,
    projection_factors,
    projection_of,
    say_place,
    shift_by,
    within_bounds,
)
from cemgis.units import METRE, US_SURVEY_FOOT

__all__ = ["in_area", "say_operation", "to_grid", "to_lonlat"]

Array = NDArray[np.float64]

_EPOCHS = (1980.0, 2100.0)
"""Epochs that can be meant: no satellite positions before the first, and a slip of the pen after the second."""


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
    >>> from cemgis.reference import ground_crs, parse_reference
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

    lonlat = lonlat_of(given, reference.crs)
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
        operation = find_operation(source, target, middle[0], middle[1])
        if operation is None:
            raise _no_way(middle, reference, ground, epoch, where)
        if operation.timed and years is None:
            years = _check_epoch(epoch, used, f"the way from {reference.name} to {ground.realization}", where)[used]
    _check_grid(ground, float(middle[0]), float(middle[1]), where)
    shifted = shift_by(lonlat[used], source, target, operation, years, heights[used])
    east, north = projection_of(ground.crs).transform(shifted[:, 0], shifted[:, 1])
    grid = np.column_stack([east, north])
    result[used] = np.where(np.isfinite(grid), grid, np.nan)
    return result


def _check_grid(ground: GroundCRS, lon: float, lat: float, where: str) -> None:
    """Refuse a system in which lengths at a place are not what they are on the ground."""
    if is_conformal(ground.crs, lon, lat) is False:
        what = f"{ground.name} is not conformal at {say_place(lon, lat)}: lengths depend on their direction"
        raise InputError.of(where, what, f"Choose another; {SUGGEST}.")
    scale = float(projection_factors(ground.crs, [lon], [lat]).meridional_scale[0])
    if abs(scale - 1.0) > SCALE_LIMIT:
        what = f"lengths in {ground.name} are {100.0 * (scale - 1.0):+.2g} % off at {say_place(lon, lat)}"
        raise InputError.of(where, what, f"Choose the zone of the place; {SUGGEST}.")


def say_operation(reference: Reference, ground: GroundCRS, lon: float, lat: float) -> str:
    """Say how coordinates come from a reference to the ground at a place, for the lineage; empty when nothing leads.

    Examples
    --------
    >>> from cemgis.reference import ground_crs, parse_reference
    >>> ground = ground_crs("EPSG:6549")
    >>> say_operation(parse_reference("NAD83(2011)"), ground, -82.3, 40.9)
    'same frame, no shift'
    >>> print(say_operation(parse_reference("WGS84(G2139)"), ground, -82.3, 40.9))
    WGS 84 (G2139) to ITRF2014 (1) + ITRF2014 to NAD83(2011) (1), with time, accuracy 0.01 m by the register
    """
    if reference.datum == ground.datum:
        return "same frame, no shift"
    operation = find_operation(reference.datum, ground.datum, lon, lat)
    if operation is None:
        return ""
    steps = [step for step in operation.description.split(" + ") if not re.match(r"axis order|Conversion from", step)]
    timed = ", with time" if operation.timed else ""
    return f"{' + '.join(steps)}{timed}, accuracy {operation.accuracy_m:g} m by the register"


def to_lonlat(grid_xy: ArrayLike, ground: GroundCRS) -> Array:
    """Return longitude and latitude, in the ground's own datum, of grid coordinates (n, 2).

    Examples
    --------
    >>> from cemgis.reference import ground_crs, parse_reference
    >>> ground = ground_crs("EPSG:6549")
    >>> grid = to_grid([[-82.3, 40.9]], parse_reference("NAD83(2011)"), ground)
    >>> to_lonlat(grid, ground).round(9).tolist()
    [[-82.3, 40.9]]
    """
    grid = np.asarray(grid_xy, dtype=float).reshape(-1, 2)
    return lonlat_of(grid, ground.crs)


def in_area(lonlat: ArrayLike, ground: GroundCRS) -> NDArray[np.bool_]:
    """Return whether each longitude and latitude (n, 2) lies in the area of use of the ground's system.

    The register gives a box; a tenth of a degree outside it still counts. Where the system has no area, everything
    that is a place does.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> in_area([[-82.3, 40.9], [0.0, 0.0]], ground_crs("EPSG:6549")).tolist()
    [True, False]
    """
    points = np.asarray(lonlat, dtype=float).reshape(-1, 2)
    area = ground.crs.area_of_use
    inside: NDArray[np.bool_] = np.isfinite(points).all(axis=1)
    if area is not None:
        inside &= within_bounds(area.bounds, points[:, 0], points[:, 1], AREA_MARGIN_DEG)
    return inside


def _outside(
    given: Array, lonlat: Array, middle: Array, reference: Reference, ground: GroundCRS, where: str
) -> InputError:
    """Make the error for coordinates that do not lie where the ground's system is used, with the likely slip."""
    given = np.where(np.abs(given) < 1e12, given, np.nan)  # what no unit can mend is not tried

    def fits(xy: Array) -> bool:
        trial = lonlat_of(xy, reference.crs)
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
    box = f"{say_place(bounds[0], bounds[1])} to {say_place(bounds[2], bounds[3])}"
    if not np.isfinite(lonlat).all(axis=1).any():
        what = f"no row is a place on Earth when read as {reference.name} (first: {given[0, 0]:g}, {given[0, 1]:g})"
    else:
        what = (
            f"the middle of the coordinates is {say_place(*middle)}, outside the area of use of {ground.name} ({box})"
        )
    other = f"Check the reference declared ({reference.name}) and the ground's crs; {SUGGEST}."
    return InputError.of(where, what, f"{remedy} {other}".strip())


def _no_way(middle: Array, reference: Reference, ground: GroundCRS, epoch: ArrayLike | None, where: str) -> InputError:
    year = ELSEWHERE_YEAR if epoch is None else float(np.nanmedian(np.asarray(epoch, dtype=float)))
    year = year if _EPOCHS[0] <= year <= _EPOCHS[1] else ELSEWHERE_YEAR
    lon, lat = float(middle[0]), float(middle[1])
    stake = say_stakes(lon, lat, year, ground)
    if reference.realization not in {name for name, _, _ in stakes(lon, lat, year, ground)}:
        stake = f"How far {reference.realization} is off is not known here. {stake}"
    return InputError.of(
        where,
        f"nothing leads from {reference.name} to {ground.realization} at {say_place(lon, lat)} that has a known "
        f"accuracy of {OPERATION_LIMIT_M:g} m or better and needs no grid file. {stake}",
        f"{ASK} Declare that, or have the file converted to {ground.realization} by its surveyor.",
    )
