"""What maps, sheets and pages share: papers, round scales, frames, north, scale bars, ticks, lettering, patterns."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib import font_manager
from matplotlib.ft2font import LoadFlags

from cemgis.errors import InputError
from cemgis.geometry import long_axis
from cemgis.units import Unit, compass_azimuth, compass_word, say_length

if TYPE_CHECKING:
    from cemgis.reference import GroundCRS

__all__ = [
    "PAPERS",
    "SANS",
    "SERIF",
    "Facts",
    "Frame",
    "Lettering",
    "Underlay",
    "along_sheet",
    "choose_frame",
    "frame",
    "grid_ticks",
    "heads_settled",
    "lettering",
    "north_words",
    "pattern_dots",
    "pattern_lines",
    "place_tags",
    "printable",
    "round_scales",
    "round_step",
    "say_coordinate",
    "say_scale",
    "say_unsettled",
    "text_width",
    "true_north_on_page",
    "unsettled_heads",
    "upright",
    "without_boxes",
    "wrap",
]

Floats = npt.NDArray[np.float64]
POINTS_PER_INCH = 72.0
METRES_PER_INCH = 0.0254  # SI, exactly; 85 FR 62698 for the inch as a twelfth of 0.3048 m
SERIF = ("STIXGeneral", "DejaVu Sans")
SANS = ("DejaVu Sans", "STIXGeneral")
_LEAST_PT = 5.0  # common practice, no source: lettering below this is not read at arm's length
_NEARLY = 0.93  # of equal spaces, bent a little by the fit, all are numbered or none; the margins allow for it
_CAP_HEIGHT = 0.73  # DejaVu Sans: cap height 1493 of 2048 units (its OS/2 table)

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


@dataclass(frozen=True, slots=True)
class Facts:
    """What every map and page says about the ground besides its layers.

    Parameters
    ----------
    name : str
    crs : GroundCRS
        The ground's reference system, with its name and unit.
    date : str
        ISO date printed on the face and written into the file.
    evidence_hash : str
        Hash of what it was made from.
    accuracy : str
        A sentence.
    convergence_deg : float
        At the middle of the ground; true azimuth = grid azimuth + convergence.
    declination_deg : float, optional
        East of true north, at the date.
    place : str
    """

    name: str
    crs: GroundCRS
    date: str
    evidence_hash: str
    accuracy: str
    convergence_deg: float
    declination_deg: float | None = None
    place: str = ""

    @property
    def unit(self) -> Unit:
        """The ground's unit of length."""
        unit: Unit = self.crs.unit
        return unit


@dataclass(frozen=True, slots=True)
class Underlay:
    """A picture to draw a map on: an aerial photograph, a rectified drawing, a shaded relief.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 4)
        Red, green, blue, opacity; the first row at the top.
    matrix : ndarray, shape (2, 3)
        Column and row, counted from the picture's upper left corner, to grid coordinates.
    words : str
        What it is, for the notes.
    """

    image: npt.NDArray[np.uint8]
    matrix: Floats
    words: str


# ---- scales and frames -------------------------------------------------------------------------------------------


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


# ---- north -------------------------------------------------------------------------------------------------------


def true_north_on_page(convergence_deg: float) -> float:
    """Direction of true north on a sheet whose top is grid north, degrees clockwise from the top.

    True azimuth = grid azimuth + convergence, so true north (true azimuth 0) has the grid azimuth -convergence: east
    of the central meridian in the northern hemisphere, where convergence is positive, it leans to the left.

    Examples
    --------
    >>> true_north_on_page(1.5)
    -1.5
    """
    return -convergence_deg


def north_words(convergence_deg: float, declination_deg: float | None = None) -> list[str]:
    """Say where grid north and magnetic north lie, seen from true north.

    Examples
    --------
    >>> north_words(0.2433)
    ['grid north lies 0°14′36″ east of true north']
    >>> north_words(-0.5, -8.25)[1]
    'magnetic north lies 8.2° west of true north'
    """
    seconds = round(abs(convergence_deg) * 3600)
    side = "east" if convergence_deg > 0 else "west"
    if seconds == 0:
        lines = ["grid north and true north agree here"]
    else:
        angle = f"{seconds // 3600}°{seconds // 60 % 60:02d}′{seconds % 60:02d}″"
        lines = [f"grid north lies {angle} {side} of true north"]
    if declination_deg is not None and math.isfinite(declination_deg):
        side = "east" if declination_deg > 0 else "west"
        lines.append(f"magnetic north lies {abs(declination_deg):.1f}° {side} of true north")
    return lines


def say_unsettled(rule: str, seen: str) -> str:
    """Say that the heads of a section are not settled.

    Examples
    --------
    >>> say_unsettled("west", "east")
    'heads west by rule – stones show EAST: settle first'
    """
    return f"heads {rule} by rule – stones show {seen.upper()}: settle first"


def unsettled_heads(tables: Mapping[str, pd.DataFrame]) -> dict[str, tuple[str, str]]:
    """Find sections where stones or vaults show the heads at the other end than the rule: its word and theirs.

    Examples
    --------
    >>> spaces = pd.DataFrame({"section": "D", "heads": "west", "heads_seen": ["disagrees", "not seen"]})
    >>> unsettled_heads({"spaces": spaces})
    {'D': ('west', 'east')}
    """
    spaces, findings = tables.get("spaces"), tables.get("findings")
    if spaces is None or "heads_seen" not in spaces:
        return {}
    known = spaces[spaces["heads_seen"].isin(["agrees", "disagrees"]) & spaces["heads"].notna()]
    named: set[str] = set()
    if findings is not None and len(findings):
        said = findings[findings["kind"].eq("heads disagree").fillna(value=False)]
        named = {str(subject) for subject in said["subject"].dropna()}
    out = {}
    for name, rows in known.groupby("section"):
        against = rows[rows["heads_seen"] == "disagrees"]
        if len(against) and (str(name) in named or 2 * len(against) > len(rows)):
            word = str(against["heads"].mode().iloc[0])
            out[str(name)] = (word, compass_word(compass_azimuth(word) + 180.0, 16))
    return out


def heads_settled(tables: Mapping[str, pd.DataFrame], spaces: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Whether the head end of each space may be drawn as a fact: nothing seen on the ground speaks against it."""
    agrees = spaces["heads_seen"].eq("agrees").fillna(value=False).to_numpy(dtype=bool)
    against = spaces["heads_seen"].eq("disagrees").fillna(value=False).to_numpy(dtype=bool)
    doubted = spaces["section"].isin(list(unsettled_heads(tables))).to_numpy(dtype=bool)
    return np.asarray(agrees | ~(doubted | against))


# ---- lettering ---------------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _font(family: str, weight: str, style: str) -> Any:
    slope: Any = style
    properties = font_manager.FontProperties(family=[family], weight=weight, style=slope)
    return font_manager.get_font(font_manager.findfont(properties, fallback_to_default=False))


@lru_cache(maxsize=64)
def _characters(family: str) -> frozenset[int]:
    return frozenset(_font(family, "normal", "normal").get_charmap())


@lru_cache(maxsize=8192)
def _advance(character: str, families: tuple[str, ...], weight: str, style: str) -> float:
    for family in families:
        font = _font(family, weight, style)
        if ord(character) in font.get_charmap():
            glyph = font.load_char(ord(character), flags=LoadFlags.NO_SCALE)
            return float(glyph.horiAdvance) / float(font.units_per_EM)
    return 0.6


def text_width(
    text: str,
    size_pt: float,
    families: tuple[str, ...] = SANS,
    weight: str = "normal",
    style: str = "normal",
) -> float:
    """Width of a line of text in points, kerning left out.

    Examples
    --------
    >>> round(text_width("00", 10.0), 2)
    12.72
    """
    return size_pt * sum(_advance(character, families, weight, style) for character in text)


def printable(text: object, most: int = 120) -> str:
    r"""Return text that can be set in type: one line, no control characters, not longer than `most`.

    A character that none of the fonts has becomes U+FFFD, so that its loss shows.

    Examples
    --------
    >>> printable("Old\nground\u202e"), printable(None)
    ('Old ground', '')
    """
    if not isinstance(text, str | int | float) or text != text:
        return ""
    line = " ".join(str(text)[: 8 * most].split())
    kept = []
    for character in line:
        if unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn"):
            continue
        known = any(ord(character) in _characters(family) for family in SERIF)
        kept.append(character if known else "\ufffd")
    out = "".join(kept)
    return out if len(out) <= most else out[: most - 1].rstrip() + "…"


def wrap(
    text: str,
    width_pt: float,
    size_pt: float,
    families: tuple[str, ...] = SERIF,
    weight: str = "normal",
    style: str = "normal",
) -> list[str]:
    """Break text into lines no wider than `width_pt`; a word that is wider is cut.

    Examples
    --------
    >>> wrap("look before work nearby", 60.0, 8.0)
    ['look before work', 'nearby']
    """
    lines: list[str] = []
    line = ""
    for given in text.split():
        word = given
        while text_width(word, size_pt, families, weight, style) > width_pt and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and text_width(word[:cut], size_pt, families, weight, style) > width_pt:
                cut -= 1
            if line:
                lines.append(line)
                line = ""
            lines.append(word[:cut])
            word = word[cut:]
        joined = f"{line} {word}".strip()
        if line and text_width(joined, size_pt, families, weight, style) > width_pt:
            lines.append(line)
            line = word
        else:
            line = joined
    if line:
        lines.append(line)
    return lines


@dataclass(frozen=True, slots=True)
class Lettering:
    """Numbers for polygons at one size: where each stands, how it is turned, and which have room.

    Parameters
    ----------
    size_pt : float
        Zero when it would be below the least legible size.
    xy : ndarray, shape (n, 2)
        Middle of each number.
    angle_deg : ndarray, shape (n,)
        Anticlockwise from the right, upright.
    fits : ndarray of bool, shape (n,)
    boxes : ndarray of Polygon, shape (n,)
        The room each number takes.
    """

    size_pt: float
    xy: Floats
    angle_deg: Floats
    fits: npt.NDArray[np.bool_]
    boxes: npt.NDArray[np.object_]


def upright(polygons_pt: npt.NDArray[np.object_]) -> tuple[Floats, Floats, Floats]:
    """Angle of the long side (upright, anticlockwise from the right), its length, and the short side's.

    Examples
    --------
    >>> [value.round(6).tolist() for value in upright(shapely.box([0], [0], [9], [4]))]
    [[0.0], [9.0], [4.0]]
    """
    azimuth, width, length = long_axis(polygons_pt)
    # Upright, and read from the right where it stands on end; ten degrees past that so that a row does not flip.
    angle = (90.0 - np.nan_to_num(azimuth) + 80.0) % 180.0 - 80.0
    return np.asarray(angle, dtype=float), np.nan_to_num(length), np.nan_to_num(width)


def lettering(
    polygons_pt: npt.NDArray[np.object_],
    texts: Sequence[str],
    *,
    most_pt: float = 9.0,
    least_pt: float = _LEAST_PT,
    across: float = 0.72,
    along: float | Floats = 0.82,
    toward_deg: Floats | None = None,
    shift: float | Floats = 0.0,
    size_pt: float | None = None,
    angle_deg: Floats | None = None,
    share: float = 0.1,
) -> Lettering:
    """Fit numbers into polygons at one size for the sheet, turned to the long side and upright.

    The size is the one at which all but a `share` have room; the others are marked as not fitting.

    Parameters
    ----------
    polygons_pt : ndarray of Polygon
        In points of the sheet.
    texts : sequence of str
    most_pt, least_pt : float
        Largest size; below the least nothing is lettered.
    across, along : float
        Share of the short and the long side a number may take; `along` may differ from one to the next.
    toward_deg : ndarray, optional
        Direction, clockwise from the top, into which a number moves from the middle.
    shift : float or ndarray
        By this share of the long side.
    size_pt : float, optional
        Given, it is kept, and only what has room for it fits.
    angle_deg : ndarray, optional
        Instead of the long side's, for what is square.
    share : float

    Examples
    --------
    >>> lots = shapely.box([0, 20], [0, 0], [16, 36], [12, 12])
    >>> found = lettering(lots, ["7", "8"], most_pt=9.0)
    >>> found.size_pt, found.angle_deg.tolist(), found.fits.tolist()
    (9.0, [0.0, 0.0], [True, True])
    """
    count = len(polygons_pt)
    angle, length, width = upright(polygons_pt)
    if angle_deg is not None:
        angle = np.asarray(angle_deg, dtype=float)
    unit_widths = np.array([text_width(text, 1.0) for text in texts], dtype=float)
    worded = unit_widths > 0
    room = np.where(worded, np.minimum(width * across / _CAP_HEIGHT, length * along / np.maximum(unit_widths, 1e-9)), 0)
    middle = shapely.get_coordinates(shapely.centroid(polygons_pt)).reshape(-1, 2) if count else np.zeros((0, 2))
    size = float(min(most_pt, np.quantile(room[worded], share))) if worded.any() else 0.0
    if size < least_pt * (1 - 1e-9):
        size = 0.0
    if size_pt is not None:
        size = size_pt
    if toward_deg is not None and np.any(shift):
        turn = np.radians(np.asarray(toward_deg, dtype=float))
        step = np.nan_to_num(np.column_stack([np.sin(turn), np.cos(turn)])) * (shift * length)[:, None]
        middle = middle + step
    fits = worded & (room >= size * _NEARLY) & (size > 0)
    half = np.column_stack([unit_widths * size / 2 + 0.6, np.full(count, _CAP_HEIGHT * size / 2 + 0.9)])
    turn = np.radians(angle)
    ex = np.column_stack([np.cos(turn), np.sin(turn)]) * half[:, :1]
    ey = np.column_stack([-np.sin(turn), np.cos(turn)]) * half[:, 1:]
    ring = np.stack([middle - ex - ey, middle + ex - ey, middle + ex + ey, middle - ex + ey], axis=1)
    boxes = shapely.polygons(ring) if count else np.zeros(0, dtype=object)
    return Lettering(size, middle, angle, fits, np.asarray(boxes, dtype=object))


def without_boxes(
    shapes: npt.NDArray[np.object_], boxes: npt.NDArray[np.object_]
) -> npt.NDArray[np.object_]:  # fmt: skip
    """Cut the room of the lettering out of lines or areas, so that no line runs through a number.

    Examples
    --------
    >>> line = shapely.linestrings([[[0, 0], [10, 0]]])
    >>> float(shapely.length(without_boxes(line, shapely.box([4], [-1], [6], [1])))[0])
    8.0
    """
    out = np.array(shapes, dtype=object)
    if len(out) == 0 or len(boxes) == 0:
        return out
    which, box = shapely.STRtree(boxes).query(out, predicate="intersects")
    order = np.lexsort((box, which))
    which, box = which[order], box[order]
    first = np.concatenate([[True], which[1:] != which[:-1]]) if len(which) else np.zeros(0, dtype=bool)
    rank = np.arange(len(which)) - np.maximum.accumulate(np.where(first, np.arange(len(which)), 0))
    for number in range(int(rank.max(initial=-1)) + 1):
        at = rank == number
        out[which[at]] = shapely.difference(out[which[at]], boxes[box[at]])
    return out


# ---- patterns ----------------------------------------------------------------------------------------------------

_PATTERN_ANGLES = {"diagonal": (45.0,), "crossed": (45.0, -45.0), "level": (0.0,), "upright": (90.0,)}


def pattern_lines(areas_pt: npt.NDArray[np.object_], pattern: str, spacing_pt: float = 2.6) -> list[Floats]:
    """Ruling of areas by a pattern of lines, as segments of shape (2, 2), cut exactly at the areas' edges.

    Parameters
    ----------
    areas_pt : ndarray of Polygon or MultiPolygon
    pattern : str
        ``diagonal``, ``crossed``, ``level`` or ``upright``; anything else gives no line.
    spacing_pt : float

    Examples
    --------
    >>> ruled = pattern_lines(shapely.box([0], [0], [10], [10]), "level", 2.0)
    >>> sorted({float(line[0, 1]) for line in ruled})
    [1.0, 3.0, 5.0, 7.0, 9.0]
    """
    segments: list[Floats] = []
    areas = np.asarray(areas_pt, dtype=object)
    areas = areas[~(shapely.is_missing(areas) | shapely.is_empty(areas))]
    if len(areas) == 0:
        return segments
    for degrees in _PATTERN_ANGLES.get(pattern, ()):
        turn = math.radians(degrees)
        along = np.array([math.cos(turn), math.sin(turn)])
        across = np.array([-along[1], along[0]])
        points, owner = shapely.get_coordinates(areas, return_index=True)
        starts = np.flatnonzero(np.concatenate([[True], owner[1:] != owner[:-1]]))
        s, t = points @ along, points @ across
        t_low, t_high = np.minimum.reduceat(t, starts), np.maximum.reduceat(t, starts)
        s_low, s_high = np.minimum.reduceat(s, starts), np.maximum.reduceat(s, starts)
        # Lines of one family run on from area to area: they stand at odd halves of the spacing, counted from the sheet.
        first = np.ceil(t_low / spacing_pt - 0.5).astype(int)
        last = np.floor(t_high / spacing_pt - 0.5).astype(int)
        number = np.maximum(last - first + 1, 0)
        which = np.repeat(np.arange(len(areas)), number)
        rank = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
        level = (first[which] + rank + 0.5) * spacing_pt
        begin = along * (s_low[which] - 1.0)[:, None] + across * level[:, None]
        end = along * (s_high[which] + 1.0)[:, None] + across * level[:, None]
        lines = shapely.linestrings(np.stack([begin, end], axis=1))
        parts = shapely.get_parts(shapely.intersection(lines, areas[which]))
        parts = parts[(shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING) & (shapely.length(parts) > 0)]
        ends = np.stack(
            [
                shapely.get_coordinates(shapely.get_point(parts, 0)),
                shapely.get_coordinates(shapely.get_point(parts, -1)),
            ],
            axis=1,
        )
        segments.extend(ends)
    return segments


def pattern_dots(areas_pt: npt.NDArray[np.object_], spacing_pt: float = 3.2) -> Floats:
    """Points of a staggered grid that lie inside the areas, shape (n, 2).

    Examples
    --------
    >>> dots = pattern_dots(shapely.box([0], [0], [8], [8]), 2.0)
    >>> bool(((dots > 0) & (dots < 8)).all()), len(dots) > 10
    (True, True)
    """
    areas = np.asarray(areas_pt, dtype=object)
    areas = areas[~(shapely.is_missing(areas) | shapely.is_empty(areas))]
    if len(areas) == 0:
        return np.zeros((0, 2))
    # Only round each area: a sheet full of points to look through takes longer than everything else on it.
    step = spacing_pt * 0.7
    left, bottom, right, top = shapely.bounds(areas).T
    row, column = np.ceil(bottom / step).astype(int), np.ceil(left / spacing_pt).astype(int) - 1
    rows = np.maximum(np.floor(top / step).astype(int) - row + 1, 0)
    columns = np.floor(right / spacing_pt).astype(int) - column + 1
    number = rows * columns
    which = np.repeat(np.arange(len(areas)), number)
    rank = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
    row, column = row[which] + rank // columns[which], column[which] + rank % columns[which]
    x = column * spacing_pt + (row % 2) * spacing_pt / 2
    y = row * step
    inside = shapely.contains_xy(areas[which], x, y)
    return np.asarray(np.unique(np.column_stack([x[inside], y[inside]]), axis=0), dtype=float)


def place_tags(
    anchors_pt: Floats,
    sizes_pt: Floats,
    limits_pt: tuple[float, float, float, float],
    taken: npt.NDArray[np.object_],
    *,
    near_pt: float = 11.0,
) -> Floats:
    """Find a place beside each anchor for a small tag, clear of other tags and, where possible, of what is taken.

    Parameters
    ----------
    anchors_pt : ndarray, shape (n, 2)
    sizes_pt : ndarray, shape (n, 2)
        Width and height of each tag.
    limits_pt : tuple of float
        Left, bottom, right, top that tags stay inside.
    taken : ndarray of Polygon
        Lettering that is better left free.

    Returns
    -------
    ndarray, shape (n, 2)
        Middle of each tag.

    Examples
    --------
    >>> at = np.array([[50.0, 50.0], [50.0, 50.0]])
    >>> found = place_tags(at, np.full((2, 2), 8.0), (0.0, 0.0, 100.0, 100.0), shapely.box([], [], [], []))
    >>> bool(np.abs(found[0] - found[1]).max() >= 8.0)
    True
    """
    out = np.array(anchors_pt, dtype=float)
    tree = shapely.STRtree(taken)
    placed: list[Any] = []
    turns = np.radians([45.0, 135.0, 315.0, 225.0, 90.0, 270.0, 0.0, 180.0, 20.0, 70.0, 110.0, 160.0])
    for number, anchor in enumerate(anchors_pt):
        width, height = sizes_pt[number]
        best = (math.inf, anchor)
        for ring in range(1, 7):
            reach = np.array([width / 2 + near_pt * 0.5, height / 2 + near_pt * 0.5]) + near_pt * (ring - 1) * 0.7
            for turn in turns:
                middle = anchor + reach * [math.cos(turn), math.sin(turn)]
                box = shapely.box(
                    middle[0] - width / 2 - 1, middle[1] - height / 2 - 1,
                    middle[0] + width / 2 + 1, middle[1] + height / 2 + 1,
                )  # fmt: skip
                out_of_map = (
                    middle[0] - width / 2 < limits_pt[0] + 2
                    or middle[0] + width / 2 > limits_pt[2] - 2
                    or middle[1] - height / 2 < limits_pt[1] + 2
                    or middle[1] + height / 2 > limits_pt[3] - 2
                )
                on_tags = sum(bool(shapely.intersects(box, other)) for other in placed)
                cost = 4.0 * ring + 1000.0 * on_tags + 2000.0 * out_of_map + 7.0 * len(tree.query(box, "intersects"))
                if cost < best[0]:
                    best = (cost, middle)
        out[number] = best[1]
        x, y = best[1]
        placed.append(shapely.box(x - width / 2 - 1, y - height / 2 - 1, x + width / 2 + 1, y + height / 2 + 1))
    return out
