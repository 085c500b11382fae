"""The command line: a parser, one call into the pipeline a command, and what is printed."""

from __future__ import annotations

import argparse
import json
import logging
import os
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from cemgis import __version__
from cemgis.errors import CemgisError, InputError

if TYPE_CHECKING:
    from cemgis.pipeline import Run

__all__ = ["main", "parser"]

# The heavy imports wait until a command needs them: help must come at once.

_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufff9-\ufffb]")
"""What would steer a terminal or turn the order of its letters; tabs and ends of lines stay."""
_MOST_SHOWN = 2_000

STEPS = {
    "ingest": ("readings", "markers", "read the receivers' files and show the found markers"),
    "fit": ("fit", "markers", "fit the plats to the markers and show what each marker says"),
    "spaces": ("spaces", "spaces", "build sections, lots and spaces and show how sure each space is"),
    "heads": ("heads", "sections", "say which way the heads lie, section by section"),
    "clearances": ("clearances", "clearances", "measure what lies closer than the rules"),
    "capacity": ("capacity", "capacity", "count spaces by section, kind and state"),
}
"""Command to the stage it runs to, the table it shows, and its help."""

EXPORTS = ("shapefile", "filegdb", "geojson", "csv")
"""Formats a ground can be handed on in."""


def parser() -> argparse.ArgumentParser:
    """Build the parser; every command and option has its help."""
    top = argparse.ArgumentParser(
        prog="cemgis",
        description="Fit an old plat to the markers that can still be found, and say where every space is and how "
        "sure that is. A ground is a folder with a ground.toml.",
        epilog="Exit codes: 0 good, 1 a check has findings, 2 the input or the command is wrong.",
    )
    top.add_argument("--version", action="version", version=f"cemgis {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, call: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        made.set_defaults(call=call)
        made.add_argument("--quiet", action="store_true", help="no progress on the screen")
        return made

    def folder(made: argparse.ArgumentParser) -> None:
        made.add_argument("folder", nargs="?", type=Path, default=Path(), help="the ground's folder (default: here)")
        made.add_argument("--json", action="store_true", help="print the result as JSON")

    made = add("demo", _demo, "build the demo ground and say what it made, what it found and where to look")
    made.add_argument(
        "folder", nargs="?", type=Path, default=Path("demo-ground"), help="where to (default: demo-ground)"
    )
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add("new", _new, "start a ground of your own: a folder with a ground.toml to fill in")
    made.add_argument("folder", type=Path, help="folder to make")
    made.add_argument("--crs", default="EPSG:6549", help="projected CRS (`cemgis crs` suggests one)")
    made = add("build", _build, "build ground.gpkg and the maps from the evidence and the records")
    folder(made)
    made.add_argument("--no-maps", action="store_true", help="only ground.gpkg")
    made = add(
        "check", _check, "build without writing anything and list the findings; exit 1 if there are any to act on"
    )
    folder(made)
    for name, (_, _, text) in STEPS.items():
        made = add(name, _step, text)
        folder(made)
        made.add_argument("--csv", type=Path, help="write the table to this CSV file as well")
    made = add("maps", _maps, "draw the maps again from ground.gpkg")
    folder(made)
    made.add_argument("--paper", default="auto", help="letter, tabloid, A4, A3, A2, A1 or auto")
    made.add_argument("--scale", default="auto", help='"1 in = 20 ft", "1:250" or auto')
    made.add_argument("--section-paper", default="auto", help="the same for the sheets of the sections")
    made.add_argument("--section-scale", default="auto", help="the same for the sheets of the sections")
    made.add_argument(
        "--underlay", type=Path, metavar="FILE",
        help="GeoTIFF to draw on: a photograph, a rectified drawing, or heights, which are shaded",
    )  # fmt: skip
    made = add("publish", _publish, "write maps/public: page, gate board, leaflet, data; say what was withheld and why")
    folder(made)
    made.add_argument("--as-of", metavar="DAY", help="day of publication, 2026-05-01 (default: today)")
    made.add_argument("--board", default="auto", help="sheet of the gate board: tabloid, A3, A2, A1 or auto")
    made.add_argument("--leaflet", default="auto", help="sheet of the leaflet: letter, A4 or auto")
    made.add_argument(
        "--underlay", type=Path, metavar="FILE",
        help="GeoTIFF to lay under the page's map; look at it first: all that can be seen on it is published",
    )  # fmt: skip
    made.add_argument("--attribution", metavar="TEXT", help="whose picture that is and on which terms; shown with it")
    made = add("export", _export, "hand ground.gpkg on as shapefiles, a file geodatabase, GeoJSON or CSV")
    folder(made)
    made.add_argument("--to", required=True, choices=EXPORTS, help="format")
    made.add_argument("--out", type=Path, metavar="FOLDER", help="where to (default: export/ in the ground's folder)")
    made = add("seek", _seek, "plan the search for unfound markers: where, how to tape there, and which teach the most")
    folder(made)
    made.add_argument("--section", help="only this section")
    made.add_argument("--best", type=int, default=5, metavar="N", help="how many of each section to name (default: 5)")
    made.add_argument("--aim", default="worst", help="make the worst space surer, or the sum of all: worst or sum")
    made.add_argument(
        "--out", type=Path, metavar="DIR", help="where the sheet, GPX, CSV and layer go (default: sheets)"
    )
    made = add("open", _open, "plan an opening and make its sheets; exit 1 unless nothing speaks against it")
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("space", help="the space, such as B-12-1")
    made.add_argument("--order", required=True, type=Path, help="TOML file: space, person, date, container, permit ...")
    made.add_argument("--container", help="name of a [[container]] in ground.toml (default: what the order names)")
    made.add_argument("--out", type=Path, help="folder for the sheets (default: sheets/SPACE in the ground's folder)")
    made.add_argument("--paper", default="both", choices=("letter", "A4", "both"), help="paper of the sheets")
    made.add_argument("--record", metavar="WHO", help="record the order, in this name")
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add("close", _close, "record how far an opening is, and what lies where once it is closed")
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("space", help="the space, such as B-12-1")
    made.add_argument("--state", default="closed", choices=("waiting", "opened", "closed", "settled", "abandoned"),
                      help="how far it is (default: closed)")  # fmt: skip
    made.add_argument("--who", required=True, help="who saw it")
    made.add_argument("--why", default="", help="what for")
    made.add_argument("--date", help="day it was done: 2026-05-04, today, or 2026-05 where that is all that is known "
                      "(what is closed: the day of the service if the order has one)")  # fmt: skip
    made.add_argument("--without-order", metavar="REASON", help="why nothing was ordered; needed where that is so")
    made.add_argument("--taped", action="append", default=[], metavar='"MARKER, CORNER, LENGTH"',
                      help='taped to what was set: "B-63, head left, 31 ft 4 in"; at least four')  # fmt: skip
    made.add_argument("--shot", action="append", default=[], metavar='"CORNER, E, N"',
                      help="corner of what was set, read with a survey receiver; two corners do")  # fmt: skip
    made.add_argument("--probe", action="append", default=[], metavar='"SIDE, E, N"',
                      help="where a probe felt the edge of its head, right, foot or left side")  # fmt: skip
    made.add_argument("--stone", action="append", default=[], metavar='"STONE, moved"',
                      help='stone moved out of the way, or "STONE, reset" when it stands again')  # fmt: skip
    made.add_argument("--stored", help="where the one to be buried waits (winter storage)")
    made.add_argument("--because", choices=("remains found", "water", "rock", "other"),
                      help="why it was abandoned")  # fmt: skip
    made.add_argument("--container", help="what was set, if not as ordered")
    made.add_argument("--person", help="who was buried, if no order was recorded")
    made.add_argument("--top", help='depth to its top, "1 ft 7 in"')
    made.add_argument("--water", help="water seen")
    made.add_argument("--soil", help="soil seen")
    made.add_argument("--photo", help="name of a photograph")
    made.add_argument("--note", help="anything else")
    made.add_argument("--json", action="store_true", help="print the record as JSON")
    made = add("move", _move, "record that remains were taken out or moved, or an urn placed or removed")
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("place", help="the space or niche, such as B-12-1")
    made.add_argument("--kind", required=True, choices=("disinterment", "move", "urn placed", "urn removed"),
                      help="what was done")  # fmt: skip
    made.add_argument("--who", required=True, help="who records it")
    made.add_argument("--date", required=True, help="day it was done: 2026-05-04, today, 2026-05")
    made.add_argument("--to", help="where a move went: a space, a niche, or in words a place outside")
    made.add_argument("--person", help="whose remains, where several lie there")
    made.add_argument("--permit", help="permit number; needed to disinter")
    made.add_argument("--authorised-by", help="who authorised it; needed to disinter")
    made.add_argument("--ordered-by", help="who ordered it")
    made.add_argument("--right", help="by what right")
    made.add_argument("--container", help="what the urn is")
    made.add_argument("--vault", choices=("taken", "left"), help="whether the vault was taken out")
    made.add_argument("--note", help="anything else")
    made.add_argument("--why", default="", help="what for")
    made.add_argument("--json", action="store_true", help="print the record as JSON")
    made = add(
        "foundation", _foundation, "lay out a monument's foundation and make its sheet, or record it set, inspected"
    )
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("space", help="the space, such as B-12-1")
    made.add_argument("--size", help='"3 ft by 1 ft 2 in", across and along (default: the largest the section allows)')
    made.add_argument("--with", dest="beside", metavar="SPACE", help="second space under a companion stone")
    made.add_argument("--title", default="", help="what is set, in words")
    made.add_argument("--authorised-by", help="who authorised it")
    made.add_argument("--out", type=Path, help="folder for the sheets (default: sheets/SPACE in the ground's folder)")
    made.add_argument("--paper", default="both", choices=("letter", "A4", "both"), help="paper of the sheets")
    made.add_argument("--state", default="set out", choices=("set out", "set", "passed", "failed"),
                      help="what to record with --who; only the first makes sheets (default: set out)")  # fmt: skip
    made.add_argument("--who", help="record it, in this name")
    made.add_argument("--date", help="day it was done: 2026-05-04, or today; only a layout made now does without")
    made.add_argument("--note", help="anything else")
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add("openings", _openings, "list graves not closed, due to be looked at for settling, or off their plan")
    folder(made)
    made = add(
        "forecast", _forecast, "say until when the spaces last and how sure that is, and write the board's report"
    )
    folder(made)
    made.add_argument("--no-report", action="store_true", help="only say it")
    made.add_argument("--until", type=int, metavar="YEAR", help="also the chance that some are left at the end of it")
    made = add(
        "expand", _expand, "plan new ground on a parcel: usable land, layouts joined to the gate, sheets, a plat"
    )
    made.add_argument("folder", nargs="?", type=Path, default=Path(), help="the ground's folder (default: here)")
    made.add_argument("parcel", nargs="?", type=Path, help="the parcel's .toml (default: the one in expansion/)")
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made.add_argument("--all-directions", action="store_true", help="try every direction, degree by degree")
    made.add_argument("--module", action="append", default=[], metavar="NAME", help="only this module; may be repeated")
    made.add_argument("--choose", type=int, metavar="N", help="choice to draw as a plat (default: 1)")
    made.add_argument("--section", help="name of the new section (default: the next free letter)")
    made.add_argument("--into", type=Path, metavar="DIR", help="copy the ground there with the chosen layout in it")
    made = add("scan", _scan, "rectify scanned drawings into the ground's reference system and say how well they fit")
    folder(made)
    made.add_argument("--page", action="store_true", help="make the page to collect points on, by clicking, instead")
    made.add_argument("--out", type=Path, metavar="DIR", help="where to (default: maps/staff)")
    made = add("collect", _collect, "turn what was changed in ground.gpkg with a desktop GIS into records")
    folder(made)
    made.add_argument("--who", required=True, help="who made the changes")
    made.add_argument("--why", required=True, help="why")
    made.add_argument(
        "--set-aside", action="store_true",
        help="keep what cannot be taken over in records/refused.jsonl, so that a build goes on",
    )  # fmt: skip
    made = add("register", _register, "show what the register's lists say and what changed since the last build")
    folder(made)
    made = add("find", _find, "find anyone by name, however it is spelt, on one ground or several")
    made.add_argument("text", help='words of a name, with a year if known ("ada pen 1887"), or a place ("B-14-2")')
    made.add_argument("folder", nargs="*", type=Path, default=[Path()], help="folders of built grounds (default: here)")
    made.add_argument("--year", type=int, help="year of birth, death or burial")
    made.add_argument("--within", type=int, help="years by which it may be off (default: 2 for one among the words)")
    made.add_argument("--section", help="only in this section")
    made.add_argument(
        "--staff",
        action="store_true",
        help="the whole register, also holders and the living; without it only whom `publish` would show",
    )
    made.add_argument("--most", type=int, default=20, help="most hits to show")
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add(
        "history",
        _history,
        "list what is kept about one space, lot, person or record, in its order; all of it with --staff",
    )
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("id", help="an id, such as B-14-2 or register/ledger.csv:12")
    made.add_argument("--staff", action="store_true",
                      help="also holders, people who may be living, and records: staff only")  # fmt: skip
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add("judge", _judge, "record what is decided about a marker in doubt; the next build carries it")
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("marker", help="its marker_id, as the findings name it")
    decided = made.add_mutually_exclusive_group(required=True)
    decided.add_argument("--accept", action="store_true", help="the explanation the findings give is right")
    decided.add_argument("--reject", action="store_true", help="the marker is right as it was read")
    made.add_argument("--who", required=True, help="who decided it")
    made.add_argument("--why", required=True, help="why: what was seen on the ground")
    made.add_argument("--json", action="store_true", help="print the record as JSON")
    made = add("withdraw", _withdraw, "take a record back: it stays in the log and no longer counts")
    made.add_argument("folder", type=Path, help="the ground's folder")
    made.add_argument("record", nargs="?", help="its id, or how it begins (without one: list the records that count)")
    made.add_argument("--who", help="who takes it back")
    made.add_argument("--why", help="why")
    made.add_argument("--json", action="store_true", help="print the record as JSON")
    made = add("crs", _crs, "suggest projected CRSs for a place, with unit, scale and convergence there")
    made.add_argument("lat", help='latitude, decimal or "40 53 12.3 N"')
    made.add_argument("lon", help='longitude, decimal or "82 18 0 W" (write -- before a negative one)')
    made.add_argument("--json", action="store_true", help="print the result as JSON")
    made = add("explain", _explain, "print what a layer, the rules or the findings mean")
    made.add_argument("topic", nargs="?", default="layers", help="layers, rules, findings, or the name of a layer")
    return top


def main(words: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    words : sequence of str, optional
        Without the program's name; the process's own when left out.

    Returns
    -------
    int
        Exit code.
    """
    # Threads of small matrix products spend their time waiting for one another: a build of 100,000 spaces took 49
    # seconds of processor with two and 14 with one. Whoever has many thousand markers may set more.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    given = parser().parse_args(words)
    handler = logging.StreamHandler()
    handler.setFormatter(_Shown("%(message)s"))
    logging.basicConfig(handlers=[handler], level=logging.WARNING)
    if sys.stderr.isatty() and not given.quiet:
        logging.getLogger("cemgis").setLevel(logging.INFO)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code: int = given.call(given)
        sys.stdout.flush()
    except CemgisError as error:
        _say(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        _say(f"{error.filename or 'a file'}: not to be read or written ({error.strerror or error}). Mend that and run "
              "it again.", file=sys.stderr)  # fmt: skip
        return 2
    except KeyboardInterrupt:
        _say("stopped; nothing was half written", file=sys.stderr)
        return 130
    return code


def _shown(text: object) -> str:
    """Return a text as a terminal may have it: what would steer it is written out, endless lines are cut."""
    lines = _UNSEEN.sub(_written_out, str(text)).split("\n")
    return "\n".join(
        line if len(line) <= _MOST_SHOWN else f"{line[:_MOST_SHOWN]} ... and {len(line) - _MOST_SHOWN:,} more"
        for line in lines
    )


def _written_out(found: re.Match[str]) -> str:
    code = ord(found[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"


def _say(text: object, file: TextIO | None = None) -> None:
    print(_shown(text), file=file or sys.stdout)


class _Shown(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return _shown(super().format(record))


def _print_json(value: Any) -> None:
    said = json.dumps(value, indent=2, ensure_ascii=False, sort_keys=True, default=str)
    print(_UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", said))


def _report(run: Run, *, as_json: bool) -> None:
    if as_json:
        _print_json(run.summary())
    else:
        _say(run.words())


def _demo(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    _report(pipeline.demo(given.folder), as_json=given.json)
    return 0


def _new(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    made = pipeline.new_ground(given.folder, given.crs)
    _say(f"{made} is yours to fill in; then: cemgis build {given.folder}")
    return 0


def _build(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    _report(pipeline.build(given.folder, with_maps=not given.no_maps), as_json=given.json)
    return 0


def _check(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    run = pipeline.compute(given.folder)
    _report(run, as_json=given.json)
    return 1 if run.to_act_on() else 0


def _step(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    stage, table, _ = STEPS[given.command]
    run = pipeline.compute(given.folder, until=stage)
    if table == "capacity":
        pipeline.add_possible(run)
    if given.csv:
        pipeline.write_csv(run, table, given.csv)
    if given.json:
        _print_json(run.summary(table))
    else:
        _say(run.words(table))
    return 0


def _maps(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    made = pipeline.render(
        given.folder, paper=given.paper, scale=given.scale, section_paper=given.section_paper,
        section_scale=given.section_scale, underlay=given.underlay,
    )  # fmt: skip
    if given.json:
        _print_json([str(path) for path in made])
    else:
        _say("\n".join(str(path) for path in made))
    return 0


def _publish(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    done = pipeline.publish(given.folder, day=given.as_of, board=given.board, leaflet=given.leaflet,
                            underlay=given.underlay, attribution=given.attribution)  # fmt: skip
    if given.json:
        _print_json(done.summary())
    else:
        _say(done.words())
    return 0


def _export(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    done = pipeline.hand_on(given.folder, given.to, given.out)
    changed = done.names[done.names["column"] != done.names["field"]]
    if given.json:
        _print_json({"path": str(done.path), "layers": done.layers, "fields": changed.to_dict("records"),
                     "notes": done.notes})  # fmt: skip
        return 0
    _say(f"{done.path}: {len(done.layers)} layers, {sum(done.layers.values()):,} rows")
    _say(done.notes.pop(0))
    if len(changed):
        _say("\nNames that differ there:")
        _say(changed[["layer", "column", "field"]].to_string(index=False))
        _say("")
    _say("\n".join(done.notes))
    return 0


def _seek(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    found = pipeline.seek(given.folder, section=given.section, best=given.best, aim=given.aim, out=given.out)
    if given.json:
        _print_json(found.summary())
    else:
        _say(found.words())
    return 0


def _open(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    planned = pipeline.open_grave(
        given.folder, given.space, order=given.order, container=given.container, out=given.out, paper=given.paper
    )
    if given.record:
        pipeline.order_opening(given.folder, planned, who=given.record)
    if given.json:
        _print_json(planned.summary())
    else:
        _say(planned.words())
    return 1 if planned.plan.reasons else 0


def _close(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    record = pipeline.close_opening(
        given.folder, given.space, state=given.state, who=given.who, why=given.why, day=given.date, taped=given.taped,
        container=given.container, person=given.person, top=given.top, water=given.water, soil=given.soil,
        photo=given.photo, note=given.note, shots=given.shot, probes=given.probe, stones=given.stone,
        stored=given.stored, because=given.because, without_order=given.without_order,
    )  # fmt: skip
    if given.json:
        _print_json(record)
    else:
        _say(pipeline.say_opening(record))
    return 0


def _move(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    record = pipeline.record_move(
        given.folder, given.place, kind=given.kind, who=given.who, day=given.date, to=given.to, person=given.person,
        permit=given.permit, ordered_by=given.ordered_by, authorised_by=given.authorised_by, right=given.right,
        container=given.container, vault=given.vault, note=given.note, why=given.why,
    )  # fmt: skip
    if given.json:
        _print_json(record)
    else:
        _say(pipeline.say_move(record))
    return 0


def _foundation(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    if given.state != "set out":
        if not given.who:
            raise InputError.of("--who", "nobody is named", "Say who set or inspected it.")
        record = pipeline.record_foundation(
            given.folder, given.space, state=given.state, who=given.who, day=given.date, note=given.note
        )
        if given.json:
            _print_json(record)
        else:
            _say(pipeline.say_foundation(record))
        return 0
    done = pipeline.set_out_foundation(
        given.folder, given.space, size=given.size, beside=given.beside, title=given.title, out=given.out,
        authorised_by=given.authorised_by, paper=given.paper,
    )  # fmt: skip
    if given.who:
        pipeline.record_foundation(
            given.folder, given.space, state="set out", who=given.who, day=given.date, note=given.note, done=done
        )
    if given.json:
        _print_json(done.summary())
    else:
        _say(done.words())
    return 1 if done.plan.reasons else 0


def _openings(given: argparse.Namespace) -> int:
    import datetime

    from cemgis import pipeline

    lines = pipeline.list_openings(pipeline.compute(given.folder), datetime.datetime.now().astimezone().date())
    if given.json:
        _print_json(lines)
    else:
        _say("\n".join(lines) or "No openings are recorded.")
    return 0


def _forecast(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    found = pipeline.foresee(given.folder)
    if given.until is not None:
        found.until = tuple(pipeline.say_until(found.made, given.until))
    if not given.no_report:
        pipeline.report_outlook(given.folder, found)
    if given.json:
        _print_json(found.summary())
    else:
        _say(found.words())
    return 0


def _expand(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    made = pipeline.expand(
        given.folder, given.parcel, every=given.all_directions, modules=given.module, choice=given.choose,
        section=given.section, into=given.into,
    )  # fmt: skip
    if given.json:
        _print_json(made.summary())
    else:
        _say(made.words())
    return 0


def _scan(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    if given.page:
        made = [str(path) for path in pipeline.scan_pages(given.folder, given.out)]
        if given.json:
            _print_json(made)
        else:
            _say("\n".join(made))
        return 0
    run, done = pipeline.rectify_scans(given.folder, given.out)
    if given.json:
        _print_json([one.summary() for one in done])
    else:
        _say("\n".join(one.words(run.ground) for one in done))
    return 0


def _collect(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    done = pipeline.collect(given.folder, who=given.who, why=given.why, aside=given.set_aside)
    left = bool(done.refused) and not given.set_aside
    if given.json:
        _print_json(done.summary())
    else:
        _say(pipeline.say_collected(done, refused=False))
        if left:
            _say(pipeline.say_refused(done), file=sys.stderr)
    return 2 if left else 0


def _register(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    found = pipeline.register(given.folder)
    if given.json:
        _print_json(found.summary())
    else:
        _say(found.words())
    return 0


def _find(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    if (given.within or 0) < 0 or given.most < 1:
        raise InputError.of("find", "--within and --most count years and hits", "Write 0 or more, and 1 or more.")
    finder = pipeline.load_finder(given.folder, staff=given.staff)
    hits = finder.find(given.text, year=given.year, within=given.within, section=given.section, limit=given.most)
    if given.json:
        _print_json([hit._asdict() for hit in hits])
    else:
        _say(pipeline.say_hits(hits, finder, staff=given.staff))
    return 0


def _history(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    found = pipeline.history(given.folder, given.id, staff=given.staff)
    if given.json:
        _print_json(found)
    else:
        _say(pipeline.say_history(found))
    return 0


def _judge(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    record = pipeline.judge(given.folder, given.marker, accept=given.accept, who=given.who, why=given.why)
    if given.json:
        _print_json(record)
    else:
        done = "accepted" if given.accept else "rejected: the marker is right as it was read"
        _say(f"{given.marker}: {record['explanation']}, {record['detail']}\n{done}; the next build carries it.")
    return 0


def _withdraw(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    if given.record is None:
        found = pipeline.list_records(given.folder)
        if given.json:
            _print_json(found)
        else:
            _say("\n".join(pipeline.say_record(one) for one in found) or "No record counts.")
        return 0
    record = pipeline.withdraw(given.folder, given.record, who=given.who or "", why=given.why or "")
    if given.json:
        _print_json(record)
    else:
        _say(f"Withdrawn: {record['replaces'][0]}, by record {record['id']}; the next build carries it.")
        if record.get("note"):
            _say(f"  What it said was {record['note']}.")
    return 0


def _crs(given: argparse.Namespace) -> int:
    from cemgis import reference

    table = reference.suggest(
        reference.parse_angle(given.lat, "latitude", axis="lat"),
        reference.parse_angle(given.lon, "longitude", axis="lon"),
    )
    if given.json:
        _print_json(table.to_dict("records"))
    else:
        _say(table.to_string(index=False))
    return 0


def _explain(given: argparse.Namespace) -> int:
    from cemgis.findings import FINDINGS
    from cemgis.layers import LAYERS
    from cemgis.rules import RULES
    from cemgis.units import FOOT, METRE

    topic = given.topic
    if topic == "layers":
        rows = [(item.name, item.doc) for item in LAYERS.values()]
        _say("\n".join(f"{name:16} {doc}" for name, doc in rows))
    elif topic == "rules":
        for rule in RULES.values():
            _say(f"{rule.name} = {rule.said}\n    {rule.note}\n    {rule.kind}: {rule.source}")
    elif topic == "findings":
        for kind in FINDINGS.values():
            _say(f"{kind.kind} ({kind.severity})\n    {kind.meaning}\n    {kind.todo}")
    elif topic in LAYERS:
        item = LAYERS[topic]
        _say(f"{item.name}: {item.doc}\n{item.geometry or 'no geometry'}; key {item.key}\n")
        for column in item.columns:
            names = " or ".join(dict.fromkeys(column.written(unit) for unit in (FOOT, METRE)))
            notes = [
                column.unit + ("" if names == column.name else f", written {names}"),
                "published" if item.published and column.published else "not published",
            ]
            notes += ["one of: " + ", ".join(column.choices)] if column.choices else []
            _say(f"  {column.name:18} {column.type:8} {column.doc} ({'; '.join(note for note in notes if note)})")
    else:
        raise InputError.of(
            "explain", f"there is nothing named {topic!r}", f"layers, rules, findings or: {', '.join(LAYERS)}."
        )
    return 0
