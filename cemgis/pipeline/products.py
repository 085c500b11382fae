"""What a run leaves behind: ground.gpkg, an export, a demo, a ground to start from."""

from __future__ import annotations

import logging
import shutil
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files.export import Exported, csv_text, export
from cemgis.files.whole import input_error, whole_folder, write_text
from cemgis.layers import LAYERS
from cemgis.pipeline.collecting import keep_changes
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.run import Run, plain

if TYPE_CHECKING:
    pass

__all__ = ["build", "demo", "hand_on", "new_ground", "write_csv"]

log = logging.getLogger("cemgis")

GROUND_FILE = "ground.gpkg"
_MOST_NUMBERED = 6_000  # spaces whose numbers a build draws, at 1.5 ms each; more must be asked for


def build(folder: Path, *, with_maps: bool = True) -> Run:
    """Build ``ground.gpkg`` and the maps of a ground, all or nothing.

    Parameters
    ----------
    folder : Path
    with_maps : bool

    Returns
    -------
    Run

    Raises
    ------
    InputError
        When the input cannot be used, when ``ground.gpkg`` holds changes that no record carries yet, or when something
        cannot be written. The previous file is untouched then, unless a map is all that could not be written.
    """
    path = folder / GROUND_FILE
    run = compute(folder)
    kept = keep_changes(path, run)
    run.made += kept
    drawings: dict[Path, bytes] = {}
    if with_maps and not run.tables["spaces"].size and run.tables["niches"].size:
        run.said.append("Only niches are described: there is no place to draw, so no map was made.")
    elif with_maps:
        # all that draws takes longer to fetch than a small ground to build
        from cemgis.pipeline import picturing
        from cemgis.pipeline.facts import map_facts

        few = len(run.tables["spaces"]) <= _MOST_NUMBERED
        if not few:
            run.said.append(
                f"{len(run.tables['spaces']):,} spaces: a build draws the whole ground only. For a sheet of each "
                f"section run cemgis maps {folder}."
            )
        drawings = picturing.draw(
            folder, run.tables, map_facts(run.ground.crs, run.tables["run"]), picturing.Look(sections=few)
        )
    log.info("writing %s", path)
    layers = {name: table for name, table in run.tables.items() if name in LAYERS}
    geopackage.write_ground(
        path, layers, unit=run.ground.unit, crs=run.ground.crs.crs, stamp=run.as_of, title=run.ground.name
    )
    run.made.append(path)
    if drawings:
        run.made += picturing.put(drawings)
    return run


def hand_on(folder: Path, kind: str, target: Path | None = None) -> Exported:
    """Export a built ``ground.gpkg`` to another format.

    Parameters
    ----------
    folder : Path
    kind : str
        ``shapefile``, ``filegdb``, ``geojson`` or ``csv``.
    target : Path, optional
        Folder to write; without it ``export/<kind>`` in the ground's folder (``export/ground.gdb``).

    Raises
    ------
    InputError
        When there is no built file, or the export cannot be written.
    """
    ground = read_ground(folder)
    path = folder / GROUND_FILE
    if not path.exists():
        raise InputError.of(str(path), "there is no such file", f"Build it first: cemgis build {folder}.")
    tables = geopackage.read_ground(path)
    made = target or folder / "export" / ("ground.gdb" if kind == "filegdb" else kind)
    return export(tables, made, kind, unit=ground.unit, crs=ground.crs.crs)


def write_csv(run: Run, name: str, path: Path) -> None:
    """Write one table of a run as CSV; text that a spreadsheet would take for a formula is made plain text.

    Raises
    ------
    InputError
        When it cannot be written.
    """
    write_text(path, csv_text(plain(run.table(name))))


# ---- a ground to look at, and one to start from ---------------------------------------------------------------------


def _demo_source() -> Path:
    """Folder of the demo's evidence: in an installed package, else in the checkout."""
    inside = Path(str(resources.files("cemgis"))) / "data" / "demo"
    return inside if inside.is_dir() else Path(__file__).resolve().parents[2] / "data" / "demo"


def demo(folder: Path) -> Run:
    """Copy the demo's evidence to a folder, unless it is there; build it, plan the openings ordered, publish.

    Raises
    ------
    InputError
        When the folder holds something else.
    """
    source = _demo_source()
    if not source.is_dir():
        raise InputError.of(str(source), "the demo's evidence is not there", "Install the package again.")
    if not (folder / "ground.toml").exists():
        _copy_new(source, folder)
    elif read_ground(folder).name != read_ground(source).name:
        raise InputError.of(str(folder), "it holds another ground", "Name an empty or new folder for the demo.")
    from cemgis.pipeline.openings import open_grave
    from cemgis.pipeline.publishing import publish

    run = build(folder)
    own = run.as_of.date().isoformat()  # of the demo's own day, so that it is the same whenever it is made
    for order in sorted((folder / "orders").glob("*.toml")):
        log.info("planning the opening of %s", order.stem)
        planned = open_grave(folder, order.stem, order=order, paper="letter", run=run, day=own)
        run.said.append(planned.words().splitlines()[0])
        run.made += planned.made
    done = publish(folder, day=own)
    run.said.append(f"Published as of {done.as_of}: {done.people:,} people.")
    run.made += done.made
    return run


def _copy_new(source: Path, folder: Path) -> None:
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise InputError.of(str(folder), "it is not empty", "Name an empty or new folder.")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with whole_folder(folder) as beside:
            shutil.copytree(source, beside, ignore=shutil.ignore_patterns("truth.json"))
    except OSError as error:
        raise input_error(folder, error) from error


_TEMPLATE = """\
# A ground is this folder: what people know of it goes in here, and ground.gpkg is built from it.
# `cemgis explain rules` lists the rules; lengths carry their unit ("16 ft", "4 ft 6 in", "1.2 m").
schema_version = 1
name = "{name}"
crs = "{crs}"
# call = "..."                    # whom to call when bones or a casket are met where nobody lies; it is on every sheet

# One entry for each file a receiver made. `corrections`: the correction service or base station it was made with;
# `reference`: what that service delivers. Ask whoever set it up; the label inside the file is often wrong.
# [[readings]]
# file = "readings/spring.csv"
# visit = "2026-05-06"
# corrections = "state network, delivers NAD83(2011)"
# reference = "NAD83(2011)"
# columns = {{ label = "Point", x = "Longitude", y = "Latitude" }}
# fix = "fixed"                   # where the file does not say what its solutions are; or sigma = "0.02 m"

# A point whose coordinates someone else published, read with the same receiver: without one the absolute position
# stays unchecked.
# [[control]]
# name = "..."
# label = "..."
# reference = "{crs}"
# x = 0.0
# y = 0.0
# source = "..."

# [[plat]]
# name = "1889"
# date = "1889"
# source = "recorded, plat book 4, page 31"

# [[section]]
# name = "A"
# plat = "1889"
# heads = "west"
# markers = "southwest"
# # What no marker can tell, looked at on the ground at one lot beside a stone with a name; openings wait for it:
# seen = {{ lot = "A-1", corner = "southwest", space_1 = "north", by = "...", date = "2025-05-06" }}
# parcel = "..."                  # tax parcel, as the county numbers it
# [[section.rows]]
# at = ["0 ft", "0 ft"]
# run = "north"
# step = "west"
# rows = 6
# lots = 20
# frontage = "16 ft"
# depth = "12 ft"
# between_rows = "10 ft"
# numbering = "run on"
# spaces = 4
# facing = "east"
# from = "left"

# ---- what lies and stands there: an opening is cleared against it ----
# Without drives nobody can say whether the machine gets to a grave. Shapes from a survey or drawn in a desktop GIS.
# [[features]]
# layer = "drives"                # also vaults, monuments, probable_graves, obstacles, gates
# file = "survey/drives.geojson"
# reference = "{crs}"
# sigma = "0.5 ft"

# Who lies where, and who holds the right: without a right on record every opening is "settle first".
# [[register]]
# file = "register/ledger.csv"

# ---- what an opening takes ----
# One for each thing that is set; an order names one of them.
# [[container]]
# name = "concrete vault"
# length = "90 in"                # outside
# width = "34 in"
# height = "36 in"

# [[container]]
# name = "urn vault"
# kind = "urn"                    # "vault" when left out; "none" for a casket without a vault
# length = "14 in"
# width = "14 in"
# height = "12 in"

# [equipment]
# straps = "8 ft"                 # how deep they reach: the deepest a container can be set
# machine = "small backhoe"
# machine_width = "5 ft 6 in"     # what it needs between stones
# tape = "100 ft"
# shoring = "hydraulic shores, two sets, in the barn"
# pump = "2 in pump in the barn"
# boards = "four 2 in oak boards, 8 ft"

# An order is a TOML file of its own (orders/NAME.toml, `cemgis open FOLDER SPACE --order FILE`):
#     space = "A-12-1"
#     person = "..."
#     date = 2026-05-04           # of the service
#     time = "10:30"
#     container = "concrete vault"
#     permit = "..."
#     ordered_by = "..."
#     authorised_by = "..."       # who holds the right, and under
#     right = "..."               # which instrument
#     confirmed_by = "..."        # who checked on the ground that it is this space
#     utilities = "..."           # number and day of the utility-locate ticket
#     soil = "C"                  # A, B, C or rock, as the competent person says
"""


_PARTS = ("orders", "plat", "readings", "register", "survey", "records")


def _only_begun(path: Path) -> bool:
    """Whether this is what a run leaves that was killed, or found no room, before it wrote ``ground.toml``."""
    if path.name in _PARTS and path.is_dir() and not path.is_symlink():
        return not any(path.iterdir())
    return path.name.startswith(".ground.toml.building-")


def new_ground(folder: Path, crs: str) -> Path:
    """Make a folder with a ``ground.toml`` to fill in.

    Raises
    ------
    InputError
        When the folder is not empty, or the CRS is none for a ground.
    """
    from cemgis.reference import ground_crs

    ground_crs(crs)
    if folder.exists() and (not folder.is_dir() or not all(map(_only_begun, folder.iterdir()))):
        raise InputError.of(str(folder), "it is not empty", "Name an empty or new folder.")
    try:
        for name in _PARTS:
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(folder, error) from error
    path = folder / "ground.toml"
    name = folder.resolve().name.replace("\\", " ").replace('"', "'")
    write_text(path, _TEMPLATE.format(name=name, crs=crs.replace('"', "")))
    return path
