"""Papers, round scales, the frame of a sheet between ground and page, and ticks of the grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from cemgis.errors import InputError
from cemgis.units import Unit, say_length

__all__ = [
    "METRES_PER_INCH",
    "PAPERS",
    "POINTS_PER_INCH",
    "Frame",
    "along_sheet",
    "choose_frame",
    "frame",
    "grid_ticks",
    "round_scales",
    "round_step",
    "say_coordinate",
    "say_scale",
    "unit_per_point",
]


Floats = npt.NDArray[np.float64]
POINTS_PER_INCH = 72.0
METRES_PER_INCH = 0.0254  # SI, exactly; 85 FR 62698 for the inch as a twelfth of 0.3048 m
PAPERS: dict[str, tuple[float, float]] = {
    "letter": (8.5, 11.0),
    "tabloid": (11.0, 17.0),
    "A4": (210 / 25.4, 297 / 25.4),
    "A3": (297 / 25.4, 420 / 25.4),
    "A2": (420 / 25.4, 594 / 25.4),
    "A1": (594 / 25.4, 841 / 25.4),
}
"""Sheets by name: short side, long side, in inches (ANSI/ASME Y14.1 A and B; ISO 216)."""
_FEET_PER_INCH = (5, 10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500, 600, 800, 1000, 2000, 4000, 10000)
_RATIOS = (50, 100, 200, 250, 500, 750, 1000, 1250, 1500, 2000, 2500, 4000, 5000, 10000, 20000, 50000)


def round_scales(unit: Unit) -> tuple[int, ...]:
    """Return the round scales there are: feet to the inch, or the number after 1 : for metres.

    Examples
    --------
    >>> from cemgis.units import METRE
    >>> round_scales(METRE)[2:5]
    (200, 250, 500)
    """
    return _FEET_PER_INCH if unit.is_foot else _RATIOS


def unit_per_point(scale: float, unit: Unit) -> float:
    """Ground units in one point of paper.

    Examples
    --------
    >>> from cemgis.units import METRE, US_SURVEY_FOOT
    >>> unit_per_point(36, US_SURVEY_FOOT)
    0.5
    >>> round(unit_per_point(1000, METRE) * 72, 6)
    25.4
    """
    if unit.is_foot:
        return scale / POINTS_PER_INCH
    return scale * METRES_PER_INCH / POINTS_PER_INCH / unit.metres


def say_scale(scale: float, unit: Unit) -> str:
    """Say a scale as it is printed.

    Examples
    --------
    >>> from cemgis.units import METRE, US_SURVEY_FOOT
    >>> say_scale(20, US_SURVEY_FOOT), say_scale(250, METRE)
    ('1 inch = 20 feet  (1 : 240)', '1 : 250')
    """
    if unit.is_foot:
        return f"1 inch = {scale:g} feet  (1 : {scale * 12:g})"
    return f"1 : {scale:g}"


def along_sheet(grid_xy: npt.ArrayLike, top_deg: float) -> Floats:
    """Measure grid coordinates, shape (n, 2), along a sheet whose top has a grid azimuth: to the right, and up.

    Examples
    --------
    >>> along_sheet([[0.0, 1.0]], 90.0).round(12).tolist()  # north lies to the left of a sheet whose top is east
    [[-1.0, 0.0]]
    """
    xy = np.asarray(grid_xy, dtype=float).reshape(-1, 2)
    if not top_deg:
        return xy
    turn = math.radians(top_deg)
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(np.column_stack([xy[:, 0] * c - xy[:, 1] * s, xy[:, 0] * s + xy[:, 1] * c]), dtype=float)


@dataclass(frozen=True, slots=True)
class Frame:
    """A sheet with the rectangle the map is drawn in, all in points from the sheet's lower left corner.

    Parameters
    ----------
    paper : str
    beside : bool
        Whether the panel stands at the right of the map; else it lies below.
    size_pt : tuple of float
        Width and height of the sheet.
    map_pt : tuple of float
        Left, bottom, right, top of the map.
    panel_pt : tuple of float
        The same of the panel beside or below it.
    scale : float
        See `say_scale`.
    unit_per_pt : float
    centre_grid : tuple of float
        Grid coordinates in the middle of the map.
    top_deg : float
        Grid azimuth of the sheet's top; 0 on a sheet with grid north at its top.
    """

    paper: str
    beside: bool
    size_pt: tuple[float, float]
    map_pt: tuple[float, float, float, float]
    panel_pt: tuple[float, float, float, float]
    scale: float
    unit_per_pt: float
    centre_grid: tuple[float, float]
    top_deg: float = 0.0

    @property
    def middle_pt(self) -> tuple[float, float]:
        """Middle of the map."""
        left, bottom, right, top = self.map_pt
        return (left + right) / 2, (bottom + top) / 2

    def to_page(self, grid_xy: npt.ArrayLike) -> Floats:
        """Transform grid coordinates, shape (n, 2), to points on the sheet."""
        xy = np.asarray(grid_xy, dtype=float).reshape(-1, 2) - self.centre_grid
        return np.asarray(along_sheet(xy, self.top_deg) / self.unit_per_pt + self.middle_pt, dtype=float)

    def to_grid(self, page_xy: npt.ArrayLike) -> Floats:
        """Transform points on the sheet, shape (n, 2), to grid coordinates."""
        xy = (np.asarray(page_xy, dtype=float).reshape(-1, 2) - self.middle_pt) * self.unit_per_pt
        return np.asarray(along_sheet(xy, -self.top_deg) + self.centre_grid, dtype=float)

    def shapes(self, geometries: npt.ArrayLike) -> npt.NDArray[np.object_]:
        """Transform an array of geometries to points on the sheet; None stays None."""
        return np.asarray(shapely.transform(np.asarray(geometries, dtype=object), self.to_page), dtype=object)


_MARGIN_PT = 26.0
_TICKS_PT = 15.0
_GAP_PT = 9.0


def frame(
    bounds_grid: tuple[float, float, float, float],
    unit: Unit,
    paper: str,
    *,
    landscape: bool,
    beside: bool = True,
    scale: float | None = None,
    where: str = "map",
    top_deg: float = 0.0,
    margin_pt: float = 12.0,
) -> Frame:
    """Lay a map of `bounds_grid` on a sheet at a round scale, with a panel at its right or below.

    Parameters
    ----------
    bounds_grid : tuple of float
        Least easting and northing, greatest easting and northing.
    unit : Unit
    paper : str
        A key of `PAPERS`.
    landscape : bool
    beside : bool
        Panel at the right of the map, or below it.
    scale : float, optional
        Feet to the inch, or the number after 1 :; without it the largest round scale that fits.
    where : str
        What an error names.
    top_deg : float
        Grid azimuth of the sheet's top; the bounds are then measured along the sheet, see `along_sheet`.
    margin_pt : float
        Left free round what is bounded.

    Raises
    ------
    InputError
        When there is no such sheet or the map does not fit at the scale given.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> sheet = frame((0, 0, 300, 200), US_SURVEY_FOOT, "letter", landscape=True)
    >>> sheet.scale, [round(float(v)) for v in sheet.to_page([[150, 100]])[0]] == [round(v) for v in sheet.middle_pt]
    (50, True)
    """
    if paper not in PAPERS:
        raise InputError.of(where, f"there is no sheet {paper!r}", f"One of: {', '.join(PAPERS)}.")
    short, long = (side * POINTS_PER_INCH for side in PAPERS[paper])
    width, height = (long, short) if landscape else (short, long)
    inset = _MARGIN_PT + _TICKS_PT
    if beside:
        panel = min(max(0.25 * width, 190.0), 330.0)
        map_pt = (inset, inset, width - inset - panel - _GAP_PT, height - inset)
        panel_pt = (width - _MARGIN_PT - panel, _MARGIN_PT, width - _MARGIN_PT, height - _MARGIN_PT)
    else:
        panel = min(max(0.27 * height, 238.0), 420.0)
        map_pt = (inset, inset + panel + _GAP_PT, width - inset, height - inset)
        panel_pt = (_MARGIN_PT, _MARGIN_PT, width - _MARGIN_PT, _MARGIN_PT + panel)
    east, north = bounds_grid[2] - bounds_grid[0], bounds_grid[3] - bounds_grid[1]
    room = (map_pt[2] - map_pt[0] - 2 * margin_pt, map_pt[3] - map_pt[1] - 2 * margin_pt)
    needed = max(east / room[0], north / room[1])
    candidates = [float(scale)] if scale is not None else [float(item) for item in round_scales(unit)]
    for candidate in candidates:
        if not (math.isfinite(candidate) and candidate > 0):
            raise InputError.of(where, f"{candidate} is not a scale", "Give a number above zero.")
        if unit_per_point(candidate, unit) >= needed * (1 - 1e-12):
            middle = [(bounds_grid[0] + bounds_grid[2]) / 2, (bounds_grid[1] + bounds_grid[3]) / 2]
            x, y = along_sheet([middle], -top_deg)[0]
            centre = (float(x), float(y))
            found = int(candidate) if candidate == int(candidate) else candidate
            return Frame(
                paper, beside, (width, height), map_pt, panel_pt, found, unit_per_point(candidate, unit), centre,
                top_deg,
            )  # fmt: skip
    raise InputError.of(
        where,
        f"{say_length(east, unit, 0)} by {say_length(north, unit, 0)} do not fit on {paper} at "
        f"{say_scale(candidates[-1], unit)}",
        "Choose a larger sheet or a smaller scale.",
    )


def choose_frame(
    bounds_grid: tuple[float, float, float, float],
    unit: Unit,
    *,
    paper: str | None = None,
    scale: float | None = None,
    legible: float | None = None,
    where: str = "map",
    top_deg: float = 0.0,
    margin_pt: float = 12.0,
    layouts: Sequence[tuple[bool, bool]] = ((True, True), (False, False), (True, False)),
) -> Frame:
    """Choose sheet and layout: the smallest sheet that is legible, laid so that the scale is largest.

    Parameters
    ----------
    bounds_grid : tuple of float
    unit : Unit
    paper, scale : optional
        Given, they are kept.
    legible : float, optional
        Ground units that must be at least one point long on the sheet for its lettering to be read.
    where, top_deg, margin_pt
        See `frame`.
    layouts : sequence of tuple of bool
        Layouts to try: landscape, and the panel beside the map.

    Raises
    ------
    InputError
        See `frame`.

    Examples
    --------
    >>> from cemgis.units import METRE
    >>> choose_frame((0, 0, 120, 60), METRE).paper, choose_frame((0, 0, 120, 60), METRE, legible=0.1).paper
    ('A4', 'A2')
    """
    if paper is not None:
        names: Sequence[str] = (paper,)
    else:
        names = ("letter", "tabloid", "A2", "A1") if unit.is_foot else ("A4", "A3", "A2", "A1")
    best: Frame | None = None
    last: InputError | None = None
    for name in names:
        tried = []
        for landscape, beside in layouts:
            try:
                tried.append(
                    frame(bounds_grid, unit, name, landscape=landscape, beside=beside, scale=scale, where=where,
                          top_deg=top_deg, margin_pt=margin_pt)
                )  # fmt: skip
            except InputError as error:
                last = error
        if not tried:
            continue
        best = min(tried, key=lambda item: item.scale)
        if legible is None or best.unit_per_pt <= legible:
            return best
    if best is None:
        raise last if last is not None else InputError.of(where, "nothing fits", "Choose a larger sheet.")
    return best


def round_step(span: float, most: int) -> float:
    """Return the smallest step of 1, 2 or 5 times a power of ten that divides `span` into at most `most` parts.

    Examples
    --------
    >>> round_step(730.0, 5), round_step(0.9, 4)
    (200.0, 0.5)
    """
    if not span > 0 or not math.isfinite(span):
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0):
        if span / (factor * power) <= most * (1 + 1e-9):
            return float(factor * power)
    return float(50.0 * power)


def grid_ticks(low: float, high: float, step: float) -> Floats:
    """Multiples of `step` from `low` to `high`.

    Examples
    --------
    >>> grid_ticks(1_987_655.0, 1_988_010.0, 100.0).tolist()
    [1987700.0, 1987800.0, 1987900.0, 1988000.0]
    """
    numbers = np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return np.asarray(numbers * step, dtype=float)


def say_coordinate(value: float) -> str:
    """Say a grid coordinate, thousands apart.

    Examples
    --------
    >>> say_coordinate(1987700.0)
    '1,987,700'
    """
    return f"{value:,.0f}" if abs(value - round(value)) < 1e-6 else f"{value:,.1f}"
