"""The main job, end to end: the one place where reading, computing and writing meet.

A command needs one or two of these modules, and to import them all takes longer than most commands: what stands here
is fetched when it is asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from cemgis.pipeline.compute import compute, register  # at once: the module has the name of the function
from cemgis.pipeline.run import STAGES, Run

if TYPE_CHECKING:
    from cemgis.pipeline.boarding import Outlook, add_possible, foresee, report_outlook, say_until
    from cemgis.pipeline.closing import close_opening, list_openings, order_opening, record_move, say_move, say_opening
    from cemgis.pipeline.collecting import Collected, collect, say_collected, say_refused
    from cemgis.pipeline.expanding import Planned, expand
    from cemgis.pipeline.foundations import record_foundation, say_foundation, set_out_foundation
    from cemgis.pipeline.judging import judge
    from cemgis.pipeline.openings import open_grave
    from cemgis.pipeline.picturing import render
    from cemgis.pipeline.products import build, demo, hand_on, new_ground, write_csv
    from cemgis.pipeline.publishing import Published, publish
    from cemgis.pipeline.registering import history, say_history
    from cemgis.pipeline.scanning import Rectified, rectify_scans, scan_pages
    from cemgis.pipeline.searching import load_finder, say_hits
    from cemgis.pipeline.seeking import Sought, seek
    from cemgis.pipeline.withdrawing import list_records, say_record, withdraw

__all__ = [
    "STAGES",
    "Collected",
    "Outlook",
    "Planned",
    "Published",
    "Rectified",
    "Run",
    "Sought",
    "add_possible",
    "build",
    "close_opening",
    "collect",
    "compute",
    "demo",
    "expand",
    "foresee",
    "hand_on",
    "history",
    "judge",
    "list_openings",
    "list_records",
    "load_finder",
    "new_ground",
    "open_grave",
    "order_opening",
    "publish",
    "record_foundation",
    "record_move",
    "rectify_scans",
    "register",
    "render",
    "report_outlook",
    "say_collected",
    "say_foundation",
    "say_history",
    "say_hits",
    "say_move",
    "say_opening",
    "say_record",
    "say_refused",
    "say_until",
    "scan_pages",
    "seek",
    "set_out_foundation",
    "withdraw",
    "write_csv",
]

_HOMES = {
    "boarding": (
        "Outlook",
        "add_possible",
        "foresee",
        "report_outlook",
        "say_until",
    ),
    "closing": (
        "close_opening",
        "list_openings",
        "order_opening",
        "record_move",
        "say_move",
        "say_opening",
    ),
    "collecting": (
        "Collected",
        "collect",
        "say_collected",
        "say_refused",
    ),
    "expanding": (
        "Planned",
        "expand",
    ),
    "foundations": (
        "record_foundation",
        "say_foundation",
        "set_out_foundation",
    ),
    "judging": ("judge",),
    "openings": ("open_grave",),
    "products": (
        "build",
        "demo",
        "hand_on",
        "new_ground",
        "write_csv",
    ),
    "picturing": ("render",),
    "publishing": (
        "Published",
        "publish",
    ),
    "registering": (
        "history",
        "say_history",
    ),
    "scanning": (
        "Rectified",
        "rectify_scans",
        "scan_pages",
    ),
    "searching": (
        "load_finder",
        "say_hits",
    ),
    "seeking": (
        "Sought",
        "seek",
    ),
    "withdrawing": (
        "list_records",
        "say_record",
        "withdraw",
    ),
}
"""Names above by the module they come from."""


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            value = globals()[name] = getattr(import_module(f"{__name__}.{module}"), name)
            return value
    msg = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
