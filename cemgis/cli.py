"""The command line: a parser, one call into the pipeline a command, and what is printed."""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cemgis import __version__
from cemgis.errors import CemgisError, InputError

if TYPE_CHECKING:
    from cemgis.pipeline import Run

__all__ = ["main", "parser"]

# The heavy imports wait until a command needs them: help must come at once.

STEPS = {
    "ingest": ("readings", "markers", "read the receivers' files and show the found markers"),
    "fit": ("fit", "markers", "fit the plats to the markers and show what each marker says"),
    "spaces": ("spaces", "spaces", "build sections, lots and spaces and show how sure each space is"),
    "heads": ("heads", "sections", "say which way the heads lie, section by section"),
    "clearances": ("clearances", "clearances", "measure what lies closer than the rules"),
    "capacity": ("capacity", "capacity", "count spaces by section, kind and state"),
}
"""Command to the stage it runs to, the table it shows, and its help."""


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
    made = add("collect", _collect, "turn what was changed in ground.gpkg with a desktop GIS into records")
    folder(made)
    made.add_argument("--who", required=True, help="who made the changes")
    made.add_argument("--why", required=True, help="why")
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
    given = parser().parse_args(words)
    logging.basicConfig(format="%(message)s", level=logging.WARNING)
    if sys.stderr.isatty() and not given.quiet:
        logging.getLogger("cemgis").setLevel(logging.INFO)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code: int = given.call(given)
        sys.stdout.flush()
    except CemgisError as error:
        print(error, file=sys.stderr)
        return 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("stopped; nothing was half written", file=sys.stderr)
        return 130
    return code


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False, sort_keys=True, default=str))


def _report(run: Run, *, as_json: bool) -> None:
    if as_json:
        _print_json(run.summary())
    else:
        print(run.words())


def _demo(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    _report(pipeline.demo(given.folder), as_json=given.json)
    return 0


def _new(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    made = pipeline.new_ground(given.folder, given.crs)
    print(f"{made} is yours to fill in; then: cemgis build {given.folder}")
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
    if given.csv:
        pipeline.write_csv(run, table, given.csv)
    if given.json:
        _print_json(run.summary(table))
    else:
        print(run.words(table))
    return 0


def _maps(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    made = pipeline.render(given.folder, paper=given.paper, scale=given.scale)
    if given.json:
        _print_json([str(path) for path in made])
    else:
        print("\n".join(str(path) for path in made))
    return 0


def _collect(given: argparse.Namespace) -> int:
    from cemgis import pipeline

    records = pipeline.collect(given.folder, who=given.who, why=given.why)
    if given.json:
        _print_json(records)
    else:
        print(pipeline.say_records(records))
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
        print(table.to_string(index=False))
    return 0


def _explain(given: argparse.Namespace) -> int:
    from cemgis.findings import FINDINGS
    from cemgis.layers import LAYERS
    from cemgis.rules import RULES

    topic = given.topic
    if topic == "layers":
        rows = [(item.name, item.doc) for item in LAYERS.values()]
        print("\n".join(f"{name:16} {doc}" for name, doc in rows))
    elif topic == "rules":
        for rule in RULES.values():
            print(f"{rule.name} = {rule.value}\n    {rule.note}\n    {rule.kind}: {rule.source}")
    elif topic == "findings":
        for kind in FINDINGS.values():
            print(f"{kind.kind} ({kind.severity})\n    {kind.meaning}\n    {kind.todo}")
    elif topic in LAYERS:
        item = LAYERS[topic]
        print(f"{item.name}: {item.doc}\n{item.geometry or 'no geometry'}; key {item.key}\n")
        for column in item.columns:
            notes = [column.unit, "published" if item.published and column.published else "not published"]
            notes += ["one of: " + ", ".join(column.choices)] if column.choices else []
            print(f"  {column.name:18} {column.type:8} {column.doc} ({'; '.join(note for note in notes if note)})")
    else:
        raise InputError.of(
            "explain", f"there is nothing named {topic!r}", f"layers, rules, findings or: {', '.join(LAYERS)}."
        )
    return 0
