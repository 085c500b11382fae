"""What a sheet says and draws, as plain values: texts, numbers as a crew reads them, shapes in points."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import shapely
from matplotlib import font_manager
from numpy.typing import ArrayLike, NDArray

from cemgis.dates import say_date
from cemgis.drawing import Facts
from cemgis.ground import Equipment
from cemgis.opening import VERDICTS, Plan, Thing, heads_words, say
from cemgis.rules import Rules
from cemgis.ties import CORNERS, Ties, dig_corners, say_taped, slope_correction
from cemgis.units import Unit, compass_word, feet_and_inches, say_length

__all__ = ["FONT_FOLDER", "Context", "Drawing", "legible", "sheet_data"]

Floats = NDArray[np.float64]

FONT_FOLDER = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
"""Folder with the sans serif fonts the sheets are set in; they come with matplotlib."""

_MARK = {0: "1", 1: "2", 2: "3", 3: "4"}
_INCH_PT = 72.0
_SHORT = 12
_YEARS = re.compile(r" ((?:about )?[0-9]{4}(?:s|\?| or [0-9]{4}| to [0-9]{4}| or before| or later)?)$")
_NAMES = {"vault": "vault", "burial": "burial", "probable grave": "grave", "monument": "stone", "obstacle": "obstacle"}


@dataclass(frozen=True)
class Context:
    """What a sheet says besides its plan.

    Parameters
    ----------
    facts : Facts
    equipment : Equipment
    call : str or None
        Whom to call.
    rules : Rules
    around : mapping
        ``spaces``, ``lots``, ``drives``: lists of (id, shape); ``states``; ``sides``: left, right, head, foot to
        (space, what the register says, what stone stands there); ``section_title``; ``lonlat``.
    remarks : tuple of str
        What to ask about the order before anything else.
    """

    facts: Facts
    equipment: Equipment
    call: str | None
    rules: Rules
    around: Mapping[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


@lru_cache(maxsize=1)
def _characters() -> frozenset[int]:
    font = font_manager.get_font(str(FONT_FOLDER / "DejaVuSans.ttf"))
    bold = font_manager.get_font(str(FONT_FOLDER / "DejaVuSans-Bold.ttf"))
    return frozenset(font.get_charmap()) & frozenset(bold.get_charmap())


def legible(text: object, record: str = "", most: int = 160) -> str:
    r"""Return a text the fonts can draw: what they cannot becomes ▯ and the record's id is added.

    Examples
    --------
    >>> legible("Zoë Ødegård", "B-1-2"), legible("王 芳", "B-1-2"), legible("a\nb")
    ('Zoë Ødegård', '▯ ▯ [B-1-2]', 'a b')
    """
    said = " ".join(str(text).split())
    known = _characters()
    drawn = "".join(sign if ord(sign) in known and ord(sign) >= 32 else "▯" for sign in said)
    if len(drawn) > most:
        drawn = drawn[: most - 1] + "…"
    lacking = any(a != b for a, b in zip(said, drawn, strict=False)) and "▯" in drawn
    return f"{drawn} [{record}]" if lacking and record else drawn


def _breakable(text: str) -> str:
    """Let a word too long for a column break."""
    return re.sub(r"(\S{18})(?=\S)", "\\1\u200b", text)


# ---- drawing --------------------------------------------------------------------------------------------------------


class Drawing:
    """Shapes on a piece of the page, heads up: grid coordinates in, points from the upper left corner out.

    Parameters
    ----------
    width, height : float
        Points.
    middle : (2,) array
        Grid coordinates in the middle of it.
    up : float
        Grid azimuth that points up.
    points : float
        Points to one unit of the ground.
    """

    def __init__(self, width: float, height: float, middle: ArrayLike, up: float, points: float) -> None:
        self.width, self.height, self.points, self.up = width, height, points, up
        self.middle = np.asarray(middle, dtype=float)
        turn = math.radians(up)
        self._right = np.array([math.cos(turn), -math.sin(turn)])
        self._ahead = np.array([math.sin(turn), math.cos(turn)])
        self.items: list[dict[str, Any]] = []
        self._window = shapely.box(0.0, 0.0, width, height)

    def to_page(self, grid_xy: ArrayLike) -> Floats:
        """Points (n, 2) on the page."""
        off = np.asarray(grid_xy, dtype=float) - self.middle
        return np.stack(
            [self.width / 2.0 + off @ self._right * self.points, self.height / 2.0 - off @ self._ahead * self.points],
            axis=-1,
        )

    def shape(self, shape: Any, style: str) -> Any:
        """Draw an area or a line, cut at the edge; return what is seen of it, in points."""
        page = shapely.transform(shape, self.to_page)
        seen = shapely.intersection(page, self._window)
        for part in shapely.get_parts(seen):
            if shapely.is_empty(part):
                continue
            kind = shapely.get_type_id(part)
            if kind == 3:
                # an edge cut by the frame is drawn as an edge of the frame only: fill and outline are apart
                self._add("area", style, shapely.get_coordinates(part.exterior))
            elif kind == 1:
                self._add("line", style, shapely.get_coordinates(part))
        return seen

    def _add(self, kind: str, style: str, at: Floats) -> None:
        self.items.append({"kind": kind, "style": style, "at": at.round(2).tolist()})

    def line(self, grid_xy: ArrayLike, style: str) -> None:
        """Draw a line."""
        self.shape(shapely.LineString(np.asarray(grid_xy, dtype=float)), style)

    def mark(self, grid_xy: ArrayLike, style: str, text: str = "") -> None:
        """Draw a mark."""
        x, y = self.to_page(grid_xy)
        self.items.append(
            {"kind": "mark", "style": style, "x": round(float(x), 2), "y": round(float(y), 2), "text": text}
        )

    def text(
        self, page_xy: ArrayLike, text: str, size: float, *, bold: bool = False, turn: float = 0.0, boxed: bool = False,
        align: str = "middle",
    ) -> None:  # fmt: skip
        """Write at a place on the page."""
        x, y = (round(float(value), 2) for value in np.asarray(page_xy, dtype=float))
        self.items.append(
            {"kind": "text", "x": x, "y": y, "text": text, "size": size, "bold": bold, "turn": round(turn, 1),
             "boxed": boxed, "align": align}
        )  # fmt: skip

    def values(self) -> dict[str, Any]:
        """Return everything as plain values."""
        return {"width": self.width, "height": self.height, "items": self.items}


def _north(drawing: Drawing, convergence: float, things: Sequence[Any] = (), words: Sequence[Any] = ()) -> Any:
    """Draw an arrow to true north in the corner where it hides least of `things` (grid), `words` (page); its place."""
    size, width, height = 15.0, drawing.width, drawing.height
    corners = [(width - 24.0, 27.0), (24.0, 27.0), (width - 24.0, height - 27.0), (24.0, height - 27.0)]
    corners = corners if words else corners[:3]  # the scale bar has the lower left one, if nothing says otherwise
    pages = [*(shapely.transform(one, drawing.to_page) for one in things), *words]
    hidden = [sum(shapely.area(shapely.intersection(page, shapely.Point(at).buffer(21.0))) for page in pages)
              for at in corners]  # fmt: skip
    x, y = corners[int(np.argmin(hidden))]
    turn = math.radians(-convergence - drawing.up)
    way = np.array([math.sin(turn), -math.cos(turn)])
    side = np.array([-way[1], way[0]])
    tip, tail = np.array([x, y]) + way * size, np.array([x, y]) - way * size
    drawing.items.append({"kind": "disc", "style": "ground", "x": x, "y": y, "size": 20.0})
    ring = [tip, tip - way * 10 + side * 5, tip - way * 10 - side * 5, tip]
    drawing.items.append({"kind": "line", "style": "arrow", "at": np.array([tail, tip]).round(2).tolist()})
    drawing.items.append({"kind": "area", "style": "black", "at": np.array(ring).round(2).tolist()})
    drawing.text(np.array([x, y]) - way * 4 + side * 8, "N", 9.0, bold=True)
    return shapely.box(x - 22.0, y - 22.0, x + 22.0, y + 22.0)


def _scale_bar(drawing: Drawing, unit: Unit, words: Sequence[Any] = ()) -> Any:
    """Draw a scale bar in the lower corner, else the upper, where it hides least of `words` (page); return its box."""
    steps = (1, 2, 5, 10, 20, 50, 100)
    long = next((step for step in steps if step * drawing.points >= 45.0), steps[-1])
    span = long * drawing.points
    low, right = drawing.height - 8.0, drawing.width - span - 36.0
    places = [(8.0, low), (right, low), (8.0, 16.0), (right, 16.0)]
    boxes = [shapely.box(x - 6.0, y - 14.0, x + span + 34.0, y + 6.0) for x, y in places]
    hidden = [sum(shapely.area(shapely.intersection(one, box)) for one in words) for box in boxes]
    best = int(np.argmin(hidden))
    (x, y), box = places[best], boxes[best]
    drawing.items.append({"kind": "area", "style": "ground", "at": shapely.get_coordinates(box).round(2).tolist()})
    bar = [[x, y - 4], [x, y], [x + span, y], [x + span, y - 4]]
    drawing.items.append({"kind": "line", "style": "bar", "at": np.array(bar).round(2).tolist()})
    drawing.text([x + span + 4, y - 3], f"{long} {unit.suffix}", 7.5, align="left")
    return box


def _close_scale(unit: Unit, height: float) -> tuple[float, str]:
    """Points to a unit, the largest round scale that shows the length of a space and its ends, and how it is said."""
    if unit.is_foot:
        feet = next((feet for feet in (4, 5, 6, 8, 10) if height * feet / _INCH_PT >= 13.5), 10)
        return _INCH_PT / feet, f"1 in = {feet} ft"
    ratio = next((ratio for ratio in (50, 60, 75, 100, 125) if height * 0.0254 / _INCH_PT * ratio >= 4.1), 125)
    return _INCH_PT / 0.0254 / ratio, f"1 : {ratio}"


def _close_up(plan: Plan, context: Context, width: float, height: float) -> dict[str, Any]:
    """Draw the dig, its space and what lies around it, to scale, heads up."""
    unit = context.facts.unit
    points = _close_scale(unit, height)[0]
    dig = plan.dig
    drawing = Drawing(width, height, dig.corners.mean(axis=0), dig.heads_azimuth, points)
    for _, shape in context.around.get("drives", ()):
        drawing.shape(shape, "drive")
    never = plan.verdict == VERDICTS[0]
    if plan.spoil_at is not None and not never:
        drawing.shape(plan.spoil_at, "spoil")
    for name, shape in context.around.get("spaces", ()):
        if name != plan.site.space_id:
            drawing.shape(shape, "space")
    if plan.site.way is not None and plan.site.way.line is not None and context.equipment.machine_width:
        half = context.equipment.machine_width / 2.0
        corridor = shapely.buffer(plan.site.way.line, half, cap_style="flat", join_style="mitre")
        drawing.shape(shapely.boundary(corridor), "corridor")
    for thing in plan.site.things:
        drawing.shape(thing.shape, _NAMES[thing.kind])
    drawing.shape(plan.site.shape, "own")
    head = np.stack([dig.corners[0], dig.corners[1]])
    if not never:
        drawing.shape(dig.polygon, "dig")
        drawing.line(head, "head")
    else:
        drawing.shape(dig.polygon, "container")  # a dig that must not be cut does not hide what lies there
    box = plan.container
    if not never:
        lies = dig_corners(dig.corners.mean(axis=0), dig.heads_azimuth, box.width, box.length)
        drawing.shape(shapely.Polygon(lies), "container")
    _name_things(drawing, plan)
    if plan.spoil_at is not None and not never:
        drawing.text(_page_middle(drawing, plan.spoil_at), "SPOIL", 8.0, bold=True, boxed=True)
    top, low = drawing.to_page(head).mean(axis=0), drawing.to_page(dig.corners[2:]).mean(axis=0)
    grave = plan.container.kind != "foundation"
    # a dig too small to be written in is told beside it
    roomy = dig.length * points >= 74.0
    inside = roomy or dig.length * points >= 36.0
    head_size = min(10.0, 0.27 * dig.width * points) if inside else 10.0
    drawing.text(np.add(top, [0, 13 if inside else -12]), "HEAD", head_size, bold=True, boxed=True)
    size = min(8.5, 0.15 * dig.width * points)
    if not never and not inside and not grave:
        drawing.text(np.add(low, [0, 12]), f"{say(dig.width, unit)} by {say(dig.length, unit)}", 8.5, boxed=True)
    elif not never and roomy:
        for line, words in enumerate((say(dig.width, unit), "by", say(dig.length, unit))):
            drawing.text((top + low) / 2 + [0, 9.5 * (line - 1)], words, size, boxed=True)
    if roomy and grave:
        drawing.text(low - [0, 9], "FOOT", 8.0, bold=True, boxed=True)
    for corner, name, side in () if never else ((0, "A", -1.0), (1, "B", 1.0)):
        drawing.text(np.add(drawing.to_page(dig.corners[corner]), [side * 7.5, 5.0]), name, 10.0, bold=True, boxed=True)
    taken = [_north(drawing, plan.site.convergence, [thing.shape for thing in plan.site.things])]
    taken.append(_scale_bar(drawing, unit))
    if plan.spoil_at is not None and not never:
        taken.append(shapely.transform(plan.spoil_at, drawing.to_page))
    _name_spaces(drawing, plan, context, taken)
    return drawing.values()


def _name_spaces(drawing: Drawing, plan: Plan, context: Context, taken: Sequence[Any]) -> None:
    """Write the numbers of the spaces around where nothing else stands: at the foot, at the head, or not at all."""
    width, height = drawing.width, drawing.height
    window = shapely.box(0, 0, width, height)
    taken = [*taken, *(shapely.transform(thing.shape, drawing.to_page) for thing in plan.site.things)]
    for name, shape in context.around.get("spaces", ()):
        seen = shapely.intersection(shapely.transform(shape, drawing.to_page), window)
        if name == plan.site.space_id or seen.is_empty or seen.area <= 1500:
            continue
        low_x, low_y, high_x, high_y = seen.bounds
        half = 2.2 * len(name)
        if high_x - low_x < 2.0 * half + 2.0:
            continue  # too little of it is seen
        x = min(max((low_x + high_x) / 2, half + 2.0), width - half - 2.0)
        for y in (high_y - 8, low_y + 8):
            place = shapely.box(x - half, y - 5, x + half, y + 5)
            if low_y < y < high_y and not shapely.intersects(taken, place).any():
                drawing.text([x, y], name, 6.5, boxed=True)
                break


def _page_middle(drawing: Drawing, shape: Any) -> Floats:
    page = shapely.intersection(
        shapely.transform(shape, drawing.to_page), shapely.box(0, 0, drawing.width, drawing.height)
    )
    if shapely.is_empty(page):
        return np.array([-999.0, -999.0])
    return np.asarray(shapely.get_coordinates(shapely.centroid(page))[0])


def _name_things(drawing: Drawing, plan: Plan) -> None:
    """Write names on vaults and burials, heights at stones."""
    window = shapely.box(6, 6, drawing.width - 6, drawing.height - 6)
    for thing in plan.site.things:
        page = shapely.intersection(shapely.transform(thing.shape, drawing.to_page), window)
        if shapely.is_empty(page):
            continue
        x0, y0, x1, y1 = page.bounds
        middle = [(x0 + x1) / 2, (y0 + y1) / 2]
        if thing.kind == "monument":
            if thing.height is not None:
                # beside the stone, away from the dig
                side = 1.0 if middle[1] < drawing.height / 2 else -1.0
                drawing.text(
                    [middle[0], (y0 if side > 0 else y1) - side * 5],
                    _height(thing, drawing),
                    7.0,
                    bold=True,
                    boxed=True,
                )
            continue
        if thing.kind == "obstacle":
            drawing.text(middle, legible(thing.words, thing.id, 24), 7.0, boxed=True)
            continue
        if shapely.get_dimensions(page) < 2:
            continue
        room, across, turn = _lying(page)
        if room < 40:
            continue
        if plan.verdict != VERDICTS[0] and shapely.intersects(thing.shape, plan.dig.polygon):
            continue  # the dig's own numbers stand there
        said = thing.words.removeprefix("vault of ").removeprefix("burial of ").removesuffix(f" ({thing.space_id})")
        dated = _YEARS.search(said)
        who, when = (said, "") if dated is None else (said[: dated.start()], dated[1])
        perhaps = thing.words.startswith("perhaps ")
        name = (
            ["PERHAPS A BURIAL"]
            if perhaps
            else _in_lines(legible(who, thing.id), int(room / 4.9), 2 if across >= 22.0 else 1)
        )
        lines = [(line, True) for line in name]
        if thing.kind == "vault":
            top = "" if thing.top_depth is None else f", top {feet_and_inches(thing.top_depth)}"
            lines.append((f"{when} as measured{top}" if when else f"vault as measured{top}", False))
        elif thing.kind == "burial":
            lines.append(("not measured" if perhaps else f"{when or 'recorded'}, not measured", False))
        elif when:
            lines.append((when, False))
        if across < 20.0:
            lines = lines[:1]
        step = 10.0 if across >= 10.0 * len(lines) else across / len(lines)
        angle = math.radians(turn)
        down = np.array([math.sin(angle), math.cos(angle)])  # of a line of words, on the page
        middle = shapely.get_coordinates(shapely.centroid(page))[0]
        for k, (line, bold) in enumerate(lines):
            size = min(7.5 if bold else 7.0, 0.86 * step)
            off = (k - (len(lines) - 1) / 2) * step
            most = int(room / ((0.66 if bold else 0.56) * size))
            drawing.text(middle + off * down, legible(line, thing.id, most), size, bold=bold, turn=turn, boxed=True)


def _lying(page: Any) -> tuple[float, float, float]:
    """Return the long and the short side of the smallest rectangle round a shape, and how words along it are turned."""
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(page))
    one, two = ring[1] - ring[0], ring[2] - ring[1]
    long, short = (one, two) if np.hypot(*one) >= np.hypot(*two) else (two, one)
    turn = math.degrees(math.atan2(-long[1], long[0]))
    turn = (turn + 80.0) % 180.0 - 80.0  # read from the left or from below, whichever way a grave is crooked
    return float(np.hypot(*long)), float(np.hypot(*short)), turn


def _in_lines(said: str, most: int, lines: int) -> list[str]:
    """Break words after a blank where one line is too short for them."""
    if len(said) <= most or lines < 2 or " " not in said:
        return [said]
    breaks = [k for k, letter in enumerate(said) if letter == " "]
    at = min(breaks, key=lambda k: max(k, len(said) - k))
    return [said[:at], said[at + 1 :]]


def _height(thing: Thing, drawing: Drawing) -> str:
    unit = "lean! " if thing.leaning else ""
    return f"{unit}{feet_and_inches(thing.height or 0.0, 1)}" if drawing.points < 40 else f"{unit}{thing.height:.1f} m"


def _tie_sketch(plan: Plan, ties: Ties, context: Context, width: float, height: float, most: int = 2) -> dict[str, Any]:
    """Draw the markers and the ties from them to the head side, to scale, heads up."""
    unit, dig = context.facts.unit, plan.dig
    anchors = plan.site.anchors
    used = [*ties.pair, *(check.anchor for check in ties.checks[:most])]
    every = np.vstack([dig.corners, anchors.xy[used]])
    turn = math.radians(dig.heads_azimuth)
    right, ahead = np.array([math.cos(turn), -math.sin(turn)]), np.array([math.sin(turn), math.cos(turn)])
    across, along = every @ right, every @ ahead
    spread = max((across.max() - across.min()) / (width - 90.0), (along.max() - along.min()) / (height - 56.0), 1e-6)
    middle = right * (across.max() + across.min()) / 2.0 + ahead * (along.max() + along.min()) / 2.0
    drawing = Drawing(width, height, middle, dig.heads_azimuth, 1.0 / spread)
    for name, style in (("drives", "drive"), ("lots", "lot")):
        for _, shape in context.around.get(name, ()):
            drawing.shape(shape, style)
    if plan.site.way is not None and plan.site.way.line is not None:
        drawing.shape(plan.site.way.line, "way")
    for thing in plan.site.things:
        if thing.kind == "monument":
            drawing.shape(thing.shape, "stone")
    drawing.shape(plan.site.shape, "own")
    drawing.shape(dig.polygon, "black")
    for k in ties.pair:
        for corner in (0, 1):
            drawing.line(np.stack([anchors.xy[k], dig.corners[corner]]), "tie")
    drawing.line(anchors.xy[list(ties.pair)], "base")
    for check in ties.checks[:most]:
        drawing.line(np.stack([anchors.xy[check.anchor], dig.corners[check.corner]]), "check")
    home = drawing.to_page(dig.corners.mean(axis=0))
    labels: list[tuple[float, float, float]] = []
    for number, k in enumerate(used):
        at = drawing.to_page(anchors.xy[k])
        drawing.mark(anchors.xy[k], "marker", _MARK[number])
        down = 1.0 if at[1] >= home[1] else -1.0
        label = np.add(at, [0.0, down * 17.0])
        said = legible(anchors.ids[k], most=26)
        label[0] = min(max(label[0], 4.0 * len(said)), width - 4.0 * len(said))
        if any(abs(label[0] - x) < 4.0 * len(said) + half and abs(label[1] - y) < 12.0 for x, y, half in labels):
            label[1] -= down * 34.0  # beside another's label: on the other side of its marker
        label[1] = min(max(label[1], 8.0), height - 8.0)
        labels.append((float(label[0]), float(label[1]), 4.0 * len(said)))
        if len(said) <= _SHORT:  # a stone is told by its number: its words stand in the table
            drawing.text(label, said, 10.0, bold=True, boxed=True)
    others = np.stack([drawing.to_page(anchors.xy[k]) for k in used]).mean(axis=0)
    away = (home - others) / max(float(np.hypot(*(home - others))), 1e-6)
    what = "DIG" if plan.container.kind != "foundation" else "STONE"
    half = np.abs(drawing.to_page(dig.corners) - home).max(axis=0)  # beyond the dig's own black
    named = home + away * np.maximum([26.0, 20.0], half + [16.0, 10.0])
    named = np.clip(named, [18.0, 8.0], [width - 18.0, height - 8.0])
    drawing.text(named, what, 9.0, bold=True, boxed=True)
    words = [shapely.box(x - long, y - 7.0, x + long, y + 7.0) for x, y, long in [*labels, (*named, 17.0)]]
    words += [shapely.Point(drawing.to_page(anchors.xy[k])).buffer(10.0) for k in used]
    words += [shapely.transform(dig.polygon, drawing.to_page)]
    words += [_scale_bar(drawing, unit, words)]
    _north(drawing, plan.site.convergence, words=words)
    return drawing.values()


def _section(plan: Plan, context: Context, width: float, height: float) -> dict[str, Any]:
    """Draw the depth in section: sod, cover, container, bottom, what limits it."""
    unit = context.facts.unit
    depth = plan.depth
    bottom = depth.bottom if math.isfinite(depth.bottom) else depth.shallow
    top = bottom - plan.container.height
    scale = (height - 34.0) / max(bottom * 1.12, 1e-6)
    drawing = Drawing(width, height, [0.0, 0.0], 0.0, 1.0)
    ground_y = 20.0
    left, right = 12.0, min(12.0 + plan.dig.width * scale, width * 0.5)

    def y(value: float) -> float:
        return ground_y + value * scale

    items = drawing.items
    items.append({"kind": "line", "style": "sod", "at": [[0, ground_y], [left, ground_y], [left, y(bottom)],
                  [right, y(bottom)], [right, ground_y], [width * 0.62, ground_y]]})  # fmt: skip
    room = (plan.dig.width - plan.container.width) / 2.0 * scale
    room = min(room, (right - left) * 0.2)
    items.append({"kind": "area", "style": "container", "at": [[left + room, y(top)], [right - room, y(top)],
                  [right - room, y(bottom)], [left + room, y(bottom)], [left + room, y(top)]]})  # fmt: skip
    step = plan.container.height + context.rules["dig.between"]
    more = 0 if plan.container.kind == "urn" or plan.site.full else plan.order.levels - 1
    for above in range(1, more + 1):  # those to come
        ring = [[left + room, y(top - above * step)], [right - room, y(top - above * step)],
                [right - room, y(bottom - above * step)], [left + room, y(bottom - above * step)]]  # fmt: skip
        items.append({"kind": "line", "style": "container", "at": [*ring, ring[0]]})
    x = right + 10.0
    base = min(y(bottom) + 1, height - 8.0)
    for a, b, words in (
        (0.0, top, f"{'cover' if not more else 'to its top'} {say(top, unit)}"),
        (top, bottom, f"{say(plan.container.height, unit)} high"),
    ):
        items.append({"kind": "line", "style": "dimension", "at": [[x, y(a) + 1], [x, y(b) - 1]]})
        drawing.text([x + 5, min((y(a) + y(b)) / 2, base - 13.0)], words, 9.0, align="left")
    drawing.text([x + 5, base], f"DIG {say(bottom, unit)}", 12.0, bold=True, align="left", boxed=True)
    drawing.text([left, 9.0], "sod", 8.0, align="left")
    return drawing.values()


# ---- words ----------------------------------------------------------------------------------------------------------


def _tie_rows(plan: Plan, ties: Ties, context: Context) -> dict[str, Any]:
    unit, reads = context.facts.unit, context.equipment.tape_reads
    foot = 1.0 if unit.is_foot else 0.3048
    anchors = plan.site.anchors
    rows = []
    for column, k in enumerate(ties.pair):
        lengths = ties.distances[:, column]
        slope = slope_correction(lengths.mean(), np.array([1.0, 2.0]) * foot)
        rows.append(
            {
                "mark": _MARK[column],
                "from": legible(anchors.ids[k], most=30),
                "words": legible(plan.site.anchor_words[k]),
                "a": say_taped(lengths[0], unit, reads),
                "b": say_taped(lengths[1], unit, reads),
                "slope": f"+{_small(slope[0], unit)} / +{_small(slope[1], unit)}",
            }
        )
    checks = [
        {
            "mark": _MARK[2 + number], "from": legible(anchors.ids[check.anchor], most=30),
            "words": legible(plan.site.anchor_words[check.anchor]), "corner": CORNERS[check.corner].upper(),
            "length": say_taped(check.distance, unit, reads), "tolerance": say_taped(check.tolerance, unit, reads),
        }
        for number, check in enumerate(ties.checks)
    ]  # fmt: skip
    first, second = (legible(anchors.ids[k], most=30) for k in ties.pair)
    return {
        "rows": rows,
        "checks": checks,
        "no_check": legible(ties.why_no_check),
        "side": f"Stand at {first}, face {second}: the head side lies on your {ties.side.upper()}.",
        "radius": say_length(ties.radius, unit),
        "across": say_taped(ties.across, unit, reads),
        "fall": say(foot, unit),
        "fall2": say(2 * foot, unit),
    }


def _small(length: float, unit: Unit) -> str:
    return feet_and_inches(length, 8) if unit.is_foot else f"{1000 * length:.0f} mm"


def _diagonal(plan: Plan, unit: Unit) -> str:
    long = math.hypot(plan.dig.width, plan.dig.length)
    return feet_and_inches(long, 8) if unit.is_foot else say_length(long, unit)


def _offsets(plan: Plan, context: Context) -> list[str]:
    if plan.offsets is None or plan.site.own_marker is None:
        return ["the lot's own marker is not found or not trusted: no offsets from it"]
    unit, reads = context.facts.unit, context.equipment.tape_reads
    name = legible(plan.site.anchors.ids[plan.site.own_marker])
    out = []
    for (low, high), azimuth in (
        (plan.offsets.along, plan.offsets.along_azimuth), (plan.offsets.across, plan.offsets.across_azimuth)
    ):  # fmt: skip
        word = compass_word(azimuth + plan.site.convergence, 8)
        if low < 0 <= high or low < 0:
            word = compass_word(azimuth + plan.site.convergence + 180.0, 8) if high <= 0 else word
        if high <= 0:
            low, high = -high, -low
        out.append(f"from {name}: starts {say_taped(low, unit, reads)}, ends {say_taped(high, unit, reads)} {word}")
    return out


def _stake(plan: Plan, context: Context) -> dict[str, Any]:
    unit = context.facts.unit
    rows = [
        f"{name} E {x:,.2f} N {y:,.2f}" for name, (x, y) in zip(("A", "B", "C", "D"), plan.dig.corners, strict=True)
    ]  # fmt: skip
    return {
        "rows": rows,
        "crs": f"{context.facts.crs.name} ({unit.name})",
        "checked": legible(plan.site.position_checked, most=300),
    }


def _cautions(plan: Plan, context: Context) -> list[str]:
    rules, unit, cut = context.rules, context.facts.unit, plan.excavation
    out = [legible(one, most=200) for one in context.remarks]
    out += [legible(plan.site.backing, most=260)] if plan.site.backing else []
    out += [
        "NOBODY ENTERS the grave: work from the surface. If anybody must, what follows applies, and local law goes "
        "first."
    ]
    bottom = plan.depth.bottom
    if cut.protect:
        ratio = f"{cut.slope:g}:1"
        out.append(
            f"{say(bottom, unit)} deep: protective system required from {say(rules['osha.protect_depth'], unit)} "
            f"(shoring, shield, or sloped {ratio}: {say(cut.sloped[0], unit)} by {say(cut.sloped[1], unit)} at the "
            "top). "
            f"OSHA 29 CFR 1926.652, Table B-1; soil {cut.why_soil}."
        )
    elif cut.egress or plan.container.kind != "urn":
        out.append(
            f"Soil {cut.why_soil}. Protective system from {say(rules['osha.protect_depth'], unit)} deep, and before that "
            f"when the competent person sees a danger of caving: OSHA 29 CFR 1926.652(a)(1)."
        )
    if cut.egress:
        out.append(
            f"From {say(rules['osha.egress_depth'], unit)} deep: ladder, {say(rules['osha.ladder_above'], unit)} above "
            "the edge. 1926.651(c)(2)."
        )
    if cut.stones:
        out.append(
            f"Inside the line of influence ({say(cut.reach, unit)} from the edge): "
            f"{'; '.join(legible(one, most=50) for one in cut.stones[:4])}. Brace before digging."
        )
    if plan.container.kind != "urn":
        shoring = context.equipment.shoring or "none declared"
        out.append(
            f"Sand or caving soil: shoring on site before the first bucket ({legible(shoring, most=40)}). Water seen: "
            f"stop, pump ({legible(context.equipment.pump or 'none declared', most=30)})."
        )
        out.append(
            f"Spoil and machine {say(rules['osha.spoil_back'], unit)} from the edge, on no other grave (651(j)(2)); out "
            "of sight before the family comes. Left open: cover with boards that carry a person, fence it."
        )
    if plan.site.way is not None and plan.site.way.line is not None and context.equipment.machine_width:
        out.append(
            f"The machine's way is drawn as wide as the machine, {say(context.equipment.machine_width, unit)}; its length "
            "and turning are not reckoned: walk it first."
        )
    if plan.order.frost:
        hours = plan.order.frost / rules["frost.thaw"]
        when = f", light it {hours:.0f} h before digging" if plan.order.time else ""
        out.append(
            f"Frost {say(plan.order.frost, unit)}: about {hours:.0f} h to thaw at {say(rules['frost.thaw'], unit)} an "
            f"hour{when}; attended, away from stones."
        )
    return out


def _volume(cubic: float, unit: Unit) -> str:
    return f"{cubic / 27.0:.1f} cu yd" if unit.is_foot else f"{cubic:.1f} m³"


def sheet_data(plan: Plan, context: Context, *, width: float, high: float = 0.8, most: int = 6) -> dict[str, Any]:
    """Return everything the sheets say and draw, as plain values for JSON.

    Parameters
    ----------
    plan : Plan
    context : Context
    width : float
        Points between the margins.
    high : float
        Height of the drawings as a share of their width.
    most : int
        Reasons written out; the rest is counted.

    Returns
    -------
    dict
    """
    unit, site, order = context.facts.unit, plan.site, plan.order
    wide = width / 2.0 - 4.0
    never = plan.verdict == VERDICTS[0]
    alone = never and plan.container.kind != "foundation"  # its sheet has nothing but what is there
    reasons = [
        {"verdict": reason.verdict, "text": legible(reason.text, most=220), "worst": reason.verdict == plan.verdict}
        for reason in plan.reasons
    ]
    left = plan.earth_left
    earth = f"{say(left, unit)} at the nearest" if left > 0 else f"NONE: {say(-left, unit)} into it"
    deep = say(plan.depth.deep, unit) if math.isfinite(plan.depth.deep) else "or more"
    high_pt = high * wide
    numbers = [
        ("Dig", f"{say(plan.dig.width, unit)} by {say(plan.dig.length, unit)}"),
        ("Diagonal", _diagonal(plan, unit)),
        ("Container", f"{say(plan.container.width, unit)} by {say(plan.container.length, unit)}"),
        ("Head side", f"{say(plan.dig.from_head_line, unit)} from the head line"),
        ("Earth left", earth),
        ("Chance to strike", _percent(plan.strike.any)),
        ("Depth window", f"{say(plan.depth.shallow, unit)} {'' if deep == 'or more' else 'to '}{deep}"),
        ("Spoil", f"{_volume(plan.excavation.spoil, unit)}, haul {_volume(plan.excavation.haul, unit)}"),
    ]
    if plan.dig.shift:
        numbers.insert(
            3,
            (
                "Shifted",
                f"{say(abs(plan.dig.shift), unit)} to the {'right' if plan.dig.shift > 0 else 'left'}",
            ),
        )
    if plan.dig.turn:
        side = "clockwise" if plan.dig.turn > 0 else "anticlockwise"
        numbers.insert(3, ("Turned", f"{abs(plan.dig.turn):g}° {side}"))
    if plan.dig.outside > (1.0 / 48.0 if unit.is_foot else 0.005):
        numbers.insert(3, ("Out of its space", say(plan.dig.outside, unit)))
    used = _rules_used(context.rules)
    ties = None if never or plan.ties is None else _tie_rows(plan, plan.ties, context)
    return {
        "title": f"Opening {site.space_id}",
        "ground": legible(context.facts.name),
        "place": legible(context.facts.place),
        "space": legible(site.space_id),
        "section": legible(f"section {site.section} {context.around.get('section_title', '')}".strip()),
        "person": legible(order.person or "not named", site.space_id, 64),
        "service": legible(" ".join(part for part in (say_date(order.date) or "no day", order.time or "") if part)),
        "container": legible(plan.container.name),
        "verdict": plan.verdict.upper(),
        "level": VERDICTS.index(plan.verdict),
        "reasons": reasons[:most],
        "more": max(len(reasons) - most, 0),
        "all_reasons": reasons,
        "heads": _heads(plan),
        "heads_by": legible(f"by {site.heads_by}" if site.heads_by else "no rule"),
        "place_words": legible(plan.place_words),
        "close_up": _close_up(plan, context, width, 0.62 * high * width)
        if alone
        else _close_up(plan, context, wide, high * wide),
        "sketch": None if ties is None or plan.ties is None else _tie_sketch(plan, plan.ties, context, wide, high_pt),
        "scale": _close_scale(unit, 0.62 * high * width if alone else high * wide)[1],
        "section_drawing": _section(plan, context, 175.0, 98.0),
        "ties": ties,
        "no_ties": "No ties are given: do not open." if never else "No ties: find and read another marker.",
        "numbers": [{"name": name, "value": value} for name, value in numbers],
        "offsets": [] if never else _offsets(plan, context),
        "stake": None if never else _stake(plan, context),
        "cautions": _cautions(plan, context),
        "call": legible(context.call or "the sheriff and the coroner (no number is declared in ground.toml)"),
        "utilities": legible(order.utilities or "NONE: call before you dig", most=90),
        "order": [
            {"name": name, "value": _breakable(legible(value or "NOT SAID", site.space_id, 56))}
            for name, value in (
                ("Ordered by", order.ordered_by),
                ("Authorised by", order.authorised_by),
                ("By right of", order.right),
                ("Permit", order.permit),
                ("Space confirmed by", order.confirmed_by),
                ("Utilities", order.utilities),
            )
        ],
        "order_space": legible(order.space),
        "position": legible(
            f"Space known within {say_length(site.radius_95, unit)} (95 %): {site.position_by}", most=200
        ),
        "made": legible(
            f"{context.facts.date} · {context.facts.crs.name} · evidence {context.facts.evidence_hash[:10]}"
        ),
        "date": context.facts.date,
        "rules": used,
        "tape": {"inches": "feet and inches", "tenths": "feet and tenths", "metres": "metres"}[
            context.equipment.tape_reads
        ],
        "sides": {
            name: {
                "space": legible(value[0]),
                "register": legible(value[1], value[0]),
                "stone": legible(value[2], value[0]),
            }
            for name, value in context.around.get("sides", {}).items()
        },
        "checker": None if never or plan.checker is None else _tie_rows(plan, plan.checker, context),
        "checker_sketch": None
        if never or plan.checker is None
        else _tie_sketch(plan, plan.checker, context, 0.72 * wide, 0.6 * high * wide, most=1),
        "lonlat": list(context.around.get("lonlat", ())),
        "deep": say(plan.depth.shallow, unit),
        "head_line": say(plan.dig.from_head_line, unit),
        "water": "" if order.water is None else say(order.water, unit),
    }


def _heads(plan: Plan) -> str:
    """Say where the head end is; of an urn's place that has none, which side is called so."""
    if plan.site.heads_azimuth is not None or plan.site.kind != "cremation":
        return heads_words(plan.site.heads_azimuth)
    side = (plan.dig.heads_azimuth + plan.site.convergence) % 360.0
    return f"HEAD HERE MEANS {compass_word(side).upper()} ({side:.1f}° from true north)"


def _percent(share: float) -> str:
    value = 100.0 * share
    return f"{value:.0f} %" if value >= 1.5 else f"{value:.1f} %" if value >= 0.05 else "under 0.1 %"


def _rules_used(rules: Rules) -> str:
    """Say the rules an opening rests on, with where they come from, in one line."""
    names: Sequence[str] = (
        "dig.working_room", "dig.head_strip", "dig.earth_left", "dig.strike_chance", "dig.cover", "dig.deepest",
        "tie.sigma", "tie.least_angle", "route.boom_clear", "soil.swell",
    )  # fmt: skip
    said = []
    for name in names:
        rule = rules.rule(name)
        said.append(f"{name} {rule.said} ({rule.kind}{': ' + rule.source if rule.kind == 'site rule' else ''})")
    return legible("; ".join(said), most=900)
