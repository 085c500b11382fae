"""One opening: what speaks against it, where and how deep the dig lies, what it could strike."""

from cemgis.opening.depth import depth_window, excavation, room_for
from cemgis.opening.digging import place_dig
from cemgis.opening.judging import Recorded, heads_words, records_against
from cemgis.opening.model import VERDICTS, DepthWindow, Dig, Excavation, Plan, Reason, Site, Strike, Thing
from cemgis.opening.order import SOILS, Order, out_of_date, parse_order
from cemgis.opening.planning import plan_opening
from cemgis.opening.striking import Contacts, contacts, strike
from cemgis.units import say_taped as say

__all__ = [
    "SOILS",
    "VERDICTS",
    "Contacts",
    "DepthWindow",
    "Dig",
    "Excavation",
    "Order",
    "Plan",
    "Reason",
    "Recorded",
    "Site",
    "Strike",
    "Thing",
    "contacts",
    "depth_window",
    "excavation",
    "heads_words",
    "out_of_date",
    "parse_order",
    "place_dig",
    "plan_opening",
    "records_against",
    "room_for",
    "say",
    "strike",
]
