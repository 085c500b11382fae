"""An invented old drawing: the plat of one section as somebody penned it, folded, and scanned a little askew."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

__all__ = ["HEIGHT", "WIDTH", "drawing", "lots", "plat_to_pixel"]

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 620, 1200
"""Size of the scan, pixels."""

_ROWS, _LOTS, _FRONT, _DEEP, _WALK, _BREAK, _AFTER = 8, 16, 16.0, 12.0, 8.0, 10.0, 8
_FINE = 8  # pixels of the clean drawing a foot
_MARGIN = 16.0  # feet of paper round the clean drawing
_SEED = 1889
_CLICK = 0.6  # pixels; how well somebody clicks
_POINTS = (
    ("B-1", ""), ("B-8", ""), ("B-16", "northwest"), ("B-33", ""), ("B-40", ""), ("B-48", "northwest"), ("B-64", ""),
    ("B-57", "southeast"), ("B-81", ""), ("B-96", "northwest"), ("B-128", "southeast"), ("B-120", "southeast"),
    ("B-113", "northeast"), ("B-121", ""),
)  # fmt: skip
_STROKES: dict[str, list[list[tuple[float, float]]]] = {
    "0": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 0)]], "1": [[(1, 5), (2, 6), (2, 0)]],
    "2": [[(0, 5), (1, 6), (3, 6), (4, 5), (4, 4), (0, 0), (4, 0)]],
    "3": [[(0, 6), (4, 6), (2, 3.5), (4, 2), (4, 1), (3, 0), (0, 0)]], "4": [[(3, 0), (3, 6), (0, 2), (4, 2)]],
    "5": [[(4, 6), (0, 6), (0, 3.5), (3, 3.5), (4, 2.5), (4, 1), (3, 0), (0, 0)]],
    "6": [[(4, 6), (1, 5), (0, 3), (0, 0), (4, 0), (4, 3), (0, 3)]], "7": [[(0, 6), (4, 6), (1.5, 0)]],
    "8": [[(0, 3.2), (0, 6), (4, 6), (4, 3.2), (0, 3.2), (0, 0), (4, 0), (4, 3.2)]],
    "9": [[(0, 0), (3, 1), (4, 3), (4, 6), (0, 6), (0, 3), (4, 3)]],
    "B": [[(0, 0), (0, 6), (3, 6), (4, 5), (3, 3.2), (0, 3.2)], [(3, 3.2), (4, 1.5), (3, 0), (0, 0)]],
    "N": [[(0, 0), (0, 6), (4, 0), (4, 6)]],
}  # fmt: skip


def lots() -> list[tuple[int, float, float]]:
    """List number and southwest corner, plat feet, of every lot drawn: rows back to back, up one and down the next."""
    out = []
    for row in range(_ROWS):
        x = row * _DEEP + (row // 2) * _WALK
        for place in range(_LOTS):
            y = place * _FRONT + (_BREAK if place >= _AFTER else 0.0)
            number = row * _LOTS + (place + 1 if row % 2 == 0 else _LOTS - place)
            out.append((number, x, y))
    return out


_SIZE = np.array([_ROWS * _DEEP + (_ROWS // 2 - 1) * _WALK, _LOTS * _FRONT + _BREAK])


def _pixel_to_plat(pixel: Floats) -> Floats:
    """Where a pixel of the scan lies on the plat: scanned askew, shrunk one way, and bent where the paper was."""
    at = (pixel - [WIDTH / 2.0, HEIGHT / 2.0]) * [0.2485, -0.2525]  # feet; y up
    turn = np.radians(1.3)
    flat = at @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    u, v = (flat / _SIZE * 2.0).T
    bent = np.column_stack([0.9 * v**2 - 0.4 * u * v, 0.7 * u * v + 0.5 * u**2 + 0.12 * np.sin(3.0 * v)])
    return np.asarray(flat + bent + _SIZE / 2.0)


def plat_to_pixel(plat_xy: Floats) -> Floats:
    """Column and row, from the upper left corner, at which the scan shows a place of the plat; fixed-point steps."""
    target = np.asarray(plat_xy, dtype=float).reshape(-1, 2)
    at = np.tile([WIDTH / 2.0, HEIGHT / 2.0], (len(target), 1))
    for _ in range(60):
        at = at + (target - _pixel_to_plat(at)) * [4.0, -4.0]
    return at


def _clean() -> NDArray[np.uint8]:
    """Draw the clean drawing, ink 255 on 0; its lower left corner is the plat's origin less the margin."""
    wide, high = (int(side) for side in (_SIZE + 2 * _MARGIN) * _FINE)
    image = Image.new("L", (wide, high), 0)
    pen = ImageDraw.Draw(image)

    def on(x: float, y: float) -> tuple[float, float]:
        return (x + _MARGIN) * _FINE, high - (y + _MARGIN) * _FINE

    def write(text: str, x: float, y: float, size: float) -> None:
        for number, sign in enumerate(text):
            for stroke in _STROKES[sign]:
                spots = [on(x + (number * 6 + a) * size, y + b * size) for a, b in stroke]
                pen.line(spots, fill=230, width=2)

    for number, x, y in lots():
        pen.line(
            [on(x, y), on(x + _DEEP, y), on(x + _DEEP, y + _FRONT), on(x, y + _FRONT), on(x, y)], fill=255, width=2
        )
        text = str(number)
        write(text, x + _DEEP / 2 - 3 * len(text) * 0.5 + 0.5, y + _FRONT / 2 - 1.5, 0.5)
    write("B", _SIZE[0] / 2 - 16, _SIZE[1] + 4, 1.3)
    write("1889", _SIZE[0] / 2 - 2, _SIZE[1] + 4, 1.3)
    tip, foot = on(_SIZE[0] + 9, 60), on(_SIZE[0] + 9, 30)
    pen.line([foot, tip], fill=255, width=2)
    pen.line([(tip[0] - 12, tip[1] + 26), tip, (tip[0] + 12, tip[1] + 26)], fill=255, width=2)
    write("N", _SIZE[0] + 7, 63, 0.8)
    return np.asarray(image)


def drawing() -> dict[str, bytes]:
    """Make the scan and its control points: path under the ground's folder to content."""
    rng = np.random.default_rng(_SEED)
    clean = _clean().astype(float)
    ink = np.zeros((HEIGHT, WIDTH))
    for dx, dy in ((0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)):
        column, row = np.meshgrid(np.arange(WIDTH) + dx, np.arange(HEIGHT) + dy)
        plat = _pixel_to_plat(np.column_stack([column.ravel(), row.ravel()])) + _MARGIN
        at = np.column_stack([plat[:, 0] * _FINE, clean.shape[0] - plat[:, 1] * _FINE])
        spot = np.floor(at).astype(int)
        inside = (spot >= 0).all(axis=1) & (spot < [clean.shape[1], clean.shape[0]]).all(axis=1)
        values = np.zeros(len(spot))
        values[inside] = clean[spot[inside, 1], spot[inside, 0]]
        ink += values.reshape(HEIGHT, WIDTH) / 4.0
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    paper = (
        226.0
        + 10.0 * np.sin(x / 190.0) * np.cos(y / 260.0)
        - 12.0 * (np.abs(x - 300) < 1)
        - 12.0 * (np.abs(y - 610) < 1)
    )
    specks = rng.random((HEIGHT, WIDTH)) < 0.0006
    grey = np.clip(paper - 0.75 * ink - 60.0 * specks, 0, 255)
    levels = (np.rint(grey / 12.0) * 12.0).clip(0, 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(levels).save(out, "PNG", optimize=True)
    corner = {number: (x, y) for number, x, y in lots()}
    lines = ["label,corner,column,row"]
    for label, word in _POINTS:
        west, south = corner[int(label[2:])]
        place = np.array([[west + (_DEEP if "east" in word else 0.0), south + (_FRONT if "north" in word else 0.0)]])
        click = plat_to_pixel(place)[0] + np.clip(rng.normal(0.0, _CLICK, 2), -1.5, 1.5)
        lines.append(f"{label},{word},{click[0]:.1f},{click[1]:.1f}")
    return {"plat/plat_1889.png": out.getvalue(), "plat/plat_1889_points.csv": ("\n".join(lines) + "\n").encode()}
