"""What maps, sheets and pages share: papers, round scales, frames, north, scale bars, ticks, lettering, patterns."""

from cemgis.drawing.facts import Facts, Underlay
from cemgis.drawing.frames import (
    PAPERS,
    Frame,
    along_sheet,
    choose_frame,
    frame,
    grid_ticks,
    round_scales,
    round_step,
    say_coordinate,
    say_scale,
    unit_per_point,
)
from cemgis.drawing.north import heads_settled, north_words, say_unsettled, true_north_on_page, unsettled_heads
from cemgis.drawing.patterns import pattern_dots, pattern_lines
from cemgis.drawing.words import (
    SANS,
    SERIF,
    Lettering,
    lettering,
    place_tags,
    printable,
    text_width,
    upright,
    without_boxes,
    wrap,
)

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
    "unit_per_point",
    "unsettled_heads",
    "upright",
    "without_boxes",
    "wrap",
]
