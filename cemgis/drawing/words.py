"""Words on a sheet: what can be printed, how wide it is, numbers fitted into land, tags beside marks."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from matplotlib import font_manager
from matplotlib.ft2font import LoadFlags

from cemgis.geometry import long_axis

__all__ = [
    "SANS",
    "SERIF",
    "Lettering",
    "lettering",
    "place_tags",
    "printable",
    "text_width",
    "upright",
    "without_boxes",
    "wrap",
]


Floats = npt.NDArray[np.float64]
SERIF = ("STIXGeneral", "DejaVu Sans")
SANS = ("DejaVu Sans", "STIXGeneral")
_LEAST_PT = 5.0  # common practice, no source: lettering below this is not read at arm's length
_NEARLY = 0.93  # of equal spaces, bent a little by the fit, all are numbered or none; the margins allow for it
_CAP_HEIGHT = 0.73  # DejaVu Sans: cap height 1493 of 2048 units (its OS/2 table)


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
