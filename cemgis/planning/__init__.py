"""Sheets for the board and the planner: capacity, forecast and layouts of new ground become figures and a page."""

from cemgis.planning.board import board_html, board_pages, chances_chart
from cemgis.planning.paper import LOST_LOOKS, LOST_SIGNS, USE_LOOKS, Look, print_pages, print_png, reason_look
from cemgis.planning.planner import planner_pages, say_choice

__all__ = [
    "LOST_LOOKS",
    "LOST_SIGNS",
    "USE_LOOKS",
    "Look",
    "board_html",
    "board_pages",
    "chances_chart",
    "planner_pages",
    "print_pages",
    "print_png",
    "reason_look",
    "say_choice",
]
