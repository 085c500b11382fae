"""Round the map: grid ticks, the three norths, the scale bar."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.collections import LineCollection
from matplotlib.patches import Polygon, Rectangle

from cemgis import drawing
from cemgis.drawing import Facts, text_width
from cemgis.maps.numbers import Labels
from cemgis.maps.surface import DARK, GREY, PAPER_WHITE, Sheet

__all__ = ["draw_frame", "draw_norths", "draw_scale_bar"]

Floats = npt.NDArray[np.float64]


def draw_frame(sheet: Sheet, facts: Facts, labels: Labels) -> None:
    """Draw the double neat line, ticks of the grid with their coordinates, and crosses where grid lines meet."""
    left, bottom, right, top = sheet.frame.map_pt
    sheet.box(left, bottom, right, top, 0.5)
    sheet.box(left - 13.5, bottom - 13.5, right + 13.5, top + 13.5, 1.5)
    corners = sheet.frame.to_grid([[left, bottom], [right, bottom], [right, top], [left, top]])
    low, high = corners.min(axis=0), corners.max(axis=0)
    step = drawing.round_step(float(max(high - low)), 6)
    size = sheet.base * 0.76
    crosses = []
    east, north = drawing.grid_ticks(low[0], high[0], step), drawing.grid_ticks(low[1], high[1], step)
    unit = facts.unit.suffix
    edges = {"bottom": bottom, "top": top, "left": left, "right": right}
    taken: dict[str, list[float]] = {side: [] for side in edges}
    for values, axis in ((east, 0), (north, 1)):
        unsaid = True
        for value in values:
            ends = [[value, low[1]], [value, high[1]]] if axis == 0 else [[low[0], value], [high[0], value]]
            for side, at in _where_it_leaves(sheet.frame.to_page(ends), edges):
                level = side in ("bottom", "top")
                edge, way = edges[side], -1 if side in ("bottom", "left") else 1
                sheet.line([(at, edge), (at, edge + way * 4.0)] if level else [(edge, at), (edge + way * 4.0, at)], 0.5)
                said = drawing.say_coordinate(float(value))
                if unsaid:
                    said += f" {unit} {'EN'[axis]}"
                elif sheet.frame.top_deg:  # on a turned sheet both families of lines meet every edge
                    said += f" {'EN'[axis]}"
                room = text_width(said, size) / 2 + 4.0
                low_end, high_end = (left, right) if level else (bottom, top)
                if not low_end + room < at < high_end - room or any(
                    abs(at - other) < 2.2 * room for other in taken[side]
                ):
                    continue
                taken[side].append(at)
                unsaid = False
                if level:
                    sheet.text(at, edge + way * 8.6 - size * 0.33, said, size, ha="center")
                else:
                    sheet.text(edge + way * 8.6, at, said, size, ha="center", va="center", rotation=90,
                               rotation_mode="anchor")  # fmt: skip
    meet = sheet.frame.to_page(np.array(np.meshgrid(east, north)).reshape(2, -1).T)
    words = shapely.STRtree(np.array(labels.boxes, dtype=object))
    covered = words.query(shapely.buffer(shapely.points(meet), 3.5), "intersects")[0]
    for x, y in np.delete(meet, covered, axis=0):  # no cross runs through a name
        crosses += [[(x - 3.2, y), (x + 3.2, y)], [(x, y - 3.2), (x, y + 3.2)]]
    if crosses:
        sheet.add(LineCollection(crosses, colors=GREY, linewidths=0.4, zorder=0.5))


def _where_it_leaves(ends_pt: Floats, edges: Mapping[str, float]) -> list[tuple[str, float]]:
    """Edges of the map that a line through two points crosses, and where along each."""
    (x0, y0), (x1, y1) = ends_pt
    found = []
    for side, edge in edges.items():
        level = side in ("bottom", "top")
        (a0, a1), (b0, b1) = ((y0, y1), (x0, x1)) if level else ((x0, x1), (y0, y1))
        if abs(a1 - a0) < 0.3 * abs(b1 - b0):  # too flat to say where it meets this edge
            continue
        at = b0 + (edge - a0) / (a1 - a0) * (b1 - b0)
        low, high = (edges["left"], edges["right"]) if level else (edges["bottom"], edges["top"])
        if low < at < high:
            found.append((side, float(at)))
    return found


def draw_norths(sheet: Sheet, x: float, y: float, height: float, facts: Facts) -> float:
    """Draw true north and grid north side by side at their real angles; return the width taken."""
    reach = height - sheet.base * 1.4
    top = sheet.frame.top_deg
    swing = reach * abs(math.sin(math.radians(top)))
    gap = height * 0.52 + swing * 0.8
    lean = math.radians(drawing.true_north_on_page(facts.convergence_deg) - top)
    middle_y = y + reach / 2
    toward = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([toward[1], -toward[0]])
    foot = np.array([x + gap * 0.55, middle_y]) - toward * reach / 2
    tip, waist = foot + toward * reach, foot + toward * reach * 0.30
    wing = across * reach * 0.13
    tail = foot + toward * reach * 0.12
    # Half of the needle is dark, half is light: an old engraver's north, and it survives a photocopier.
    for side, face in ((-1.0, DARK), (1.0, PAPER_WHITE)):
        shape = [tip, waist + wing * side, tail]
        half = Polygon(
            shape, closed=True, facecolor=face, edgecolor=DARK, linewidth=0.6, zorder=20.5, joinstyle="miter"
        )
        half.set_gid("true north")
        sheet.add(half, clipped=False)
    sheet.line([foot - toward * 2.0, tip], 0.6)
    at = tip + toward * sheet.base * 0.8
    sheet.text(at[0], at[1], "N", sheet.base * 1.4, ha="center", va="center", fontweight="bold")
    sheet.text(x + gap * 0.55, y - sheet.base * 1.25, "true", sheet.base * 0.9, ha="center", fontstyle="italic")
    lean = -math.radians(top)
    toward = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([toward[1], -toward[0]])
    middle = np.array([x + gap * 1.55, middle_y])
    grid_foot, grid_tip = middle - toward * reach / 2, middle + toward * reach / 2
    sheet.line([grid_foot, grid_tip], 0.6)
    barb = reach * 0.16
    back = grid_tip - toward * barb
    sheet.line([back - across * barb * 0.42, grid_tip, back + across * barb * 0.42], 0.6)
    at = grid_tip + toward * sheet.base * 0.7
    sheet.text(at[0], at[1], "G", sheet.base * 1.05, ha="center", va="center")
    sheet.text(x + gap * 1.55, y - sheet.base * 1.25, "grid", sheet.base * 0.9, ha="center", fontstyle="italic")
    return gap * 2.1


def draw_scale_bar(sheet: Sheet, x: float, y: float, width: float, facts: Facts) -> None:
    """Draw a bar in the ground's unit: two rows of blocks, the first block divided in five to the left of zero."""
    upp = sheet.frame.unit_per_pt
    step = drawing.round_step(width * 0.92 * upp, 7)
    block = step / upp
    count = min(max(int(width * 0.94 / block) - 1, 1), 5)
    bar, size = 3.0, sheet.base * 0.86
    zero = x + block
    for number in range(-1, count):
        cells = 5 if number == -1 else 1
        for cell in range(cells):
            start = zero + number * block + cell * block / cells
            for row in (0, 1):
                dark = (cell + row + number) % 2 == 0
                sheet.add(
                    Rectangle((start, y + row * bar), block / cells, bar, linewidth=0.4, edgecolor=DARK, zorder=20.0,
                              facecolor=DARK if dark else PAPER_WHITE),
                    clipped=False,
                )  # fmt: skip
    for number in range(-1, count + 1):
        said = f"{abs(number) * step:g}"
        if number == count:
            said += f" {facts.unit.suffix}"
        at = zero + number * block
        sheet.line([(at, y + 2 * bar), (at, y + 2 * bar + 2.2)], 0.4)
        sheet.text(at, y + 2 * bar + 3.6, said, size, ha="center")
