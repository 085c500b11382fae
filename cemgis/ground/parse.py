"""The whole ``ground.toml``: text to a ground, with every problem in one error."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from string import Formatter
from typing import Any, TypeVar

from cemgis.description import load_description
from cemgis.errors import Gather, InputError
from cemgis.ground.entries import SCHEMA_VERSION, Ground
from cemgis.ground.keys import Keys
from cemgis.ground.publishing import publication_entry, withheld_entry
from cemgis.ground.sections import section_entry
from cemgis.ground.tables import (
    container_entry,
    control_entry,
    crosswalk_entry,
    equipment_entry,
    features_entry,
    plat_entry,
    probes_entry,
    readings_entry,
    register_entry,
    scan_entry,
    taped_entry,
    terrain_entry,
)
from cemgis.ground.words import nearest, show
from cemgis.reference import GroundCRS, ground_crs
from cemgis.rules import Rules
from cemgis.units import FOOT

__all__ = ["parse_ground"]


T = TypeVar("T")


def _twice(gather: Gather, items: Iterable[tuple[str, str]], what: str, remedy: str) -> None:
    """Note every name that an earlier table of its kind has; letter case does not tell names apart."""
    seen: dict[str, str] = {}
    for where, name in items:
        first = seen.setdefault(name.casefold(), where)
        if first != where:
            gather.add(where, f"{what} {show(name)} is there already, {first}", remedy)


def _all(keys: Keys, key: str, reader: Callable[[Keys], T | None]) -> tuple[T, ...]:
    found = [reader(Keys(raw, path, keys.gather, keys.unit, keys.crs)) for path, raw in keys.tables(key)]
    return tuple(item for item in found if item is not None)


def _flat_rules(raw: Mapping[str, Any], before: str = "") -> dict[str, object]:
    """Rules by dotted name, whether the name was written in quotes or as a path of keys."""
    found: dict[str, object] = {}
    for key, value in raw.items():
        name = before + key
        if isinstance(value, Mapping) and value and not {"value", "source"} & set(value):
            found |= _flat_rules(value, name + ".")
        else:
            found[name] = value
    return found


def parse_ground(text: str, folder: Path, where: str = "ground.toml") -> Ground:
    """Read what ``ground.toml`` says, all problems at once.

    Parameters
    ----------
    text : str
        The file's content.
    folder : Path
        The ground's folder; nothing in it is read.
    where : str
        The file's name, for messages.

    Returns
    -------
    Ground

    Raises
    ------
    InputError
        With every problem: the key's path (tables counted from 1), what was found, what to write.

    Examples
    --------
    >>> ground = parse_ground('''
    ... schema_version = 1
    ... name = "Tansy Hill"
    ... crs = "EPSG:6549"
    ... [[plat]]
    ... name = "1889"
    ... date = "1889"
    ... [[section]]
    ... name = "A"
    ... [[section.rows]]
    ... at = ["0 ft", "0 ft"]
    ... run = "north"
    ... step = "west"
    ... lots = 20
    ... frontage = "16 ft"
    ... depth = "12 ft"
    ... ''', Path("."))
    >>> ground.unit.name, ground.sections[0].rows[0].depth, ground.sections[0].heads.words
    ('US survey foot', (12.0,), 'heads west (common practice)')
    """
    raw = load_description(text, where)
    gather = Gather()
    version = raw.get("schema_version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        said = "missing" if version is None else f"{show(version)} is no version"
        gather.add("schema_version", said, f"Write schema_version = {SCHEMA_VERSION}.")
    elif version > SCHEMA_VERSION:
        key = f"{where}: schema_version"
        raise InputError.of(
            key,
            f"{show(version)} is newer than this package knows ({SCHEMA_VERSION})",
            "Use a newer version of the package.",
        )
    head = Keys(raw, "", gather, FOOT)
    head.get("schema_version")
    crs: GroundCRS | None = None
    realization = head.get("realization")
    if isinstance(realization, int) and not isinstance(realization, bool):
        realization = str(realization)
    elif realization is not None:
        realization = head.as_text(realization, "realization")
    code = head.text("crs", required='Write the projected CRS with its realization, such as crs = "EPSG:6549".')
    if code is not None:
        try:
            crs = ground_crs(code, realization, "crs")
        except InputError as error:
            gather.take(error)
    # Without a CRS the lengths are still checked, against some unit, so that one pass finds everything.
    unit = crs.unit if crs is not None else FOOT
    head.unit, head.crs = unit, crs
    name = head.text("name", required="Write the ground's name.")
    place = head.text("place")
    label = head.text("marker_label") or "{section}-{lot}"
    _check_label(head, label)
    rules: Rules | None = None
    try:
        rules = Rules(unit, _flat_rules(head.mapping("rules")))
    except InputError as error:
        gather.take(error)
    plats = _all(head, "plat", plat_entry)
    plat_tables = raw.get("plat")
    names = tuple(
        str(item["name"]).strip()
        for item in (plat_tables if isinstance(plat_tables, list) else [])
        if isinstance(item, Mapping) and isinstance(item.get("name"), str)
    )
    readings = _all(head, "readings", readings_entry)
    taped = _all(head, "taped", taped_entry)
    control = _all(head, "control", control_entry)
    sections = _all(head, "section", lambda keys: section_entry(keys, names))
    features = _all(head, "features", features_entry)
    register = _all(head, "register", register_entry)
    crosswalk = _all(head, "crosswalk", crosswalk_entry)
    containers = _all(head, "container", container_entry)
    probes = _all(head, "probes", probes_entry)
    scans = _all(head, "scan", scan_entry)
    equipment = equipment_entry(head.get("equipment"), gather, unit)
    terrain = terrain_entry(head.get("terrain"), gather, unit)
    call = head.text("call")
    public = publication_entry(head.get("public"), gather, unit)
    withhold = _all(head, "withhold", withheld_entry)
    head.close()
    if "section" not in raw:
        head.wrong("section", "missing", "Write at least one [[section]].")
    _twice(gather, ((item.where, item.name) for item in plats), "a plat", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in sections), "a section", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in control), "a control point", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in containers), "a container", "Give it its own name.")
    _twice(gather, ((item.where, item.file) for item in readings), "file", "Name each file once: it would count twice.")
    _twice(gather, ((item.where, item.file) for item in taped), "file", "Name each file once: it would count twice.")
    listed = ((item.where, f"{item.file} {item.sheet or ''}".strip()) for item in register)
    _twice(gather, listed, "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in crosswalk), "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in probes), "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in scans), "file", "Name each file once.")
    for scan in scans:
        if scan.plat is not None and scan.plat not in names:
            near = nearest(scan.plat, names)
            remedy = f'Did you mean "{near}"?' if near else "Declare it with [[plat]]."
            gather.add(f"{scan.where}.plat", f"there is no plat {show(scan.plat)}", remedy)
    sizes = {item.name.casefold() for item in containers}
    for probe in probes:
        if probe.container is not None and probe.container.casefold() not in sizes:
            remedy = "Declare it with [[container]] and its outside size."
            gather.add(f"{probe.where}.container", f"there is no container {show(probe.container)}", remedy)
    _twice(gather, ((item.where, f"{item.file} ({item.layer})") for item in features), "file", "Name each file once.")
    known = {item.name for item in sections}
    for entry in readings:
        if entry.section is not None and entry.section not in known:
            near = nearest(entry.section, known)
            remedy = f'Did you mean "{near}"?' if near else "Declare it with [[section]]."
            gather.add(f"{entry.where}.section", f"there is no section {show(entry.section)}", remedy)
    if gather:
        prefixed = Gather()
        for problem in gather:
            prefixed.add(f"{where}: {problem.where}", problem.what, problem.remedy)
        prefixed.raise_if_any()
    if crs is None or name is None or rules is None:  # each of them is a problem noted above
        raise InputError.of(where, "cannot be used", "Give crs and name.")
    return Ground(
        folder, name, place, crs, unit, rules, label, readings, taped, control, plats, sections, features, register,
        containers, equipment, call, crosswalk, probes, scans, public, withhold, terrain,
    )  # fmt: skip


def _check_label(keys: Keys, label: str) -> None:
    try:
        parts = [part for _, part, _, _ in Formatter().parse(label) if part is not None]
        plain = all(not form and not change for _, part, form, change in Formatter().parse(label) if part is not None)
    except ValueError:
        parts, plain = [], False
    if not plain or "lot" not in parts or set(parts) - {"section", "row", "lot"}:
        keys.wrong(
            "marker_label",
            f"{show(label)} is not understood",
            'Build it of {section}, {row} and {lot}: "{section}-{lot}".',
        )
