"""The description of a parcel for new ground: its files, lots to try, rules of its own, as a checked object."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from cemgis.description import load_description
from cemgis.errors import Gather, InputError
from cemgis.ground import Ground
from cemgis.land import KEEP_AWAY
from cemgis.layout import Module
from cemgis.reference import Reference, parse_reference
from cemgis.rules import Rules
from cemgis.units import compass_azimuth, parse_length

__all__ = ["KINDS", "Parcel", "parse_parcel"]

KINDS = ("full", "cremation", "infant")
_KEYS = {"schema_version", "name", "outline", "reference", "gates", "road", "heads", "phases", "date", "dem"}
_KEYS |= {"keep_away", "module", "rules"}
_MODULE_KEYS = {"name", "spaces", "frontage", "depth", "rows", "walk", "drive", "reach", "aligned", "kind"}


@dataclass(frozen=True)
class Parcel:
    """A parcel as its file describes it; lengths in the ground's unit.

    Parameters
    ----------
    name : str
    outline : str
        Vector file, beside the description like all others.
    reference : Reference
        Of every vector file here.
    gates : tuple of (float, float)
        In the ground's grid.
    road : str or None
    heads : float
        True azimuth the heads are wanted at.
    heads_declared : bool
        Whether the description says so; west by common practice otherwise.
    phases : int
    date : str
    dem : tuple of (str, str) or None
        File and unit of the heights.
    keep_away : tuple of (str, str)
        Kind and vector file.
    modules : tuple of Module
        The first is the main one.
    rules : Rules
        The ground's, with the parcel's own.
    """

    name: str
    outline: str
    reference: Reference
    gates: tuple[tuple[float, float], ...]
    road: str | None
    heads: float
    heads_declared: bool
    phases: int
    date: str
    dem: tuple[str, str] | None
    keep_away: tuple[tuple[str, str], ...]
    modules: tuple[Module, ...]
    rules: Rules


def parse_parcel(text: str, ground: Ground, where: str) -> Parcel:
    """Read the description of a parcel.

    Parameters
    ----------
    text : str
    ground : Ground
        Gives unit, CRS and rules.
    where : str
        Named in errors.

    Raises
    ------
    InputError
        With every problem: unknown keys, missing ones, lengths without a unit, sizes that do not fit the resolution.
    """
    raw = load_description(text, where)
    gather = Gather()
    for key in sorted(set(raw) - _KEYS):
        gather.add(f"{where}.{key}", "there is no such key", f"One of: {', '.join(sorted(_KEYS))}.")
    if raw.get("schema_version", 1) != 1:
        gather.add(f"{where}.schema_version", f"{raw['schema_version']!r} is not known", "Write 1.")

    def words(key: str, default: str | None, table: Mapping[str, Any] = raw, at: str = where) -> str:
        value = table.get(key, default)
        if not isinstance(value, str) or not value.strip():
            gather.add(f"{at}.{key}", "it is missing" if value is None else f"{value!r} is no text", "Write it.")
            return ""
        return value.strip()

    name, outline = words("name", None), words("outline", None)
    code = ground.crs.crs.to_authority()
    own = f"{code[0]}:{code[1]}" if code else None
    said = words("reference", own)
    frame: Reference | None = None
    try:
        frame = parse_reference(said, f"{where}.reference", ground=ground.crs) if said else None
    except InputError as error:
        gather.take(error)
    gates = _gates(raw.get("gates"), f"{where}.gates", gather)
    try:
        heads = compass_azimuth(words("heads", "west"), f"{where}.heads")
    except InputError as error:
        gather.take(error)
        heads = 270.0
    rules = _rules(ground, raw.get("rules", {}), f"{where}.rules", gather)
    modules = tuple(_modules(raw.get("module"), ground, rules, f"{where}.module", gather))
    keep = []
    for number, item in enumerate(_tables(raw.get("keep_away", []), f"{where}.keep_away", gather), 1):
        at = f"{where}.keep_away[{number}]"
        kind, file = words("kind", None, item, at), words("file", None, item, at)
        if kind and kind not in KEEP_AWAY:
            gather.add(f"{at}.kind", f"there is no kind {kind!r}", f"One of: {', '.join(KEEP_AWAY)}.")
        keep.append((kind, file))
    dem = None
    if "dem" in raw:
        item = raw["dem"] if isinstance(raw["dem"], dict) else {}
        dem = (words("file", None, item, f"{where}.dem"), words("heights", None, item, f"{where}.dem"))
    phases = raw.get("phases", 3)
    if not isinstance(phases, int) or isinstance(phases, bool) or not 1 <= phases <= 20:
        gather.add(f"{where}.phases", f"{phases!r} is no number of phases", "Write 1 to 20.")
    files = [outline, *(file for _, file in keep), *([raw["road"]] if isinstance(raw.get("road"), str) else []),
             *([dem[0]] if dem else [])]  # fmt: skip
    for file in files:
        if file.startswith(("/", "\\")) or ".." in file.replace("\\", "/").split("/") or ":" in file:
            gather.add(where, f"{file!r} leads out of its folder", "Put the file beside the description.")
    gather.raise_if_any()
    if frame is None:
        raise InputError.of(f"{where}.reference", "it is missing", "Write what the coordinates refer to.")
    return Parcel(
        name, outline, frame, gates, raw.get("road"), heads, "heads" in raw, int(phases), str(raw.get("date", "")),
        dem, tuple(keep), modules, rules,
    )  # fmt: skip


def _tables(raw: object, where: str, gather: Gather) -> list[Mapping[str, Any]]:
    if not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
        gather.add(where, "it is no list of tables", f"Write [[{where.rsplit('.', 1)[-1]}]].")
        return []
    return raw


def _gates(raw: object, where: str, gather: Gather) -> tuple[tuple[float, float], ...]:
    gates = []
    for item in raw if isinstance(raw, list) else []:
        numbers = (
            [v for v in item if isinstance(v, (int, float)) and math.isfinite(v)] if isinstance(item, list) else []
        )
        if len(numbers) != 2 or len(item) != 2:
            gather.add(where, f"{item!r} is no point", "Write [easting, northing] in the ground's grid.")
            continue
        gates.append((float(numbers[0]), float(numbers[1])))
    if raw is None or raw == []:
        gather.add(where, "there is no gate", "Write gates = [[easting, northing]].")
    return tuple(gates)


def _rules(ground: Ground, raw: object, where: str, gather: Gather) -> Rules:
    """Take the ground's rules, with those the parcel's file gives."""
    own = {
        name: {"value": rule.value, "source": rule.source}
        for name in ground.rules
        if (rule := ground.rules.rule(name)).kind == "site rule"
    }
    given = raw if isinstance(raw, dict) else {}
    try:
        return Rules(ground.unit, own | given, where)
    except InputError as error:
        gather.take(error)
        return ground.rules


def _modules(raw: object, ground: Ground, rules: Rules, where: str, gather: Gather) -> list[Module]:
    unit = ground.unit
    if raw is None:
        raw = [{"name": "family lots"}]
    made = []
    for number, item in enumerate(_tables(raw, where, gather), 1):
        at = f"{where}[{number}]"
        for key in sorted(set(item) - _MODULE_KEYS):
            gather.add(f"{at}.{key}", "there is no such key", f"One of: {', '.join(sorted(_MODULE_KEYS))}.")
        counts = {key: item.get(key, default) for key, default in (("spaces", 4), ("rows", 2))}
        wrong = [key for key, value in counts.items() if not isinstance(value, int) or not 1 <= value <= 100]
        for key in wrong:
            gather.add(f"{at}.{key}", f"{counts[key]!r} is no count", "Write a whole number from 1.")
        if wrong:
            continue
        defaults = {
            "frontage": counts["spaces"] * rules["space.width"], "depth": rules["space.length"], "walk": 0.0,
            "drive": rules["drive.width"], "reach": rules["layout.reach"],
        }  # fmt: skip
        sizes = {}
        for key, default in defaults.items():
            try:
                sizes[key] = parse_length(item[key], unit, f"{at}.{key}") if key in item else default
            except InputError as error:
                gather.take(error)
                sizes[key] = default
        kind, aligned = item.get("kind", "full"), item.get("aligned", True)
        if kind not in KINDS:
            gather.add(f"{at}.kind", f"there is no kind {kind!r}", f"One of: {', '.join(KINDS)}.")
        if not isinstance(aligned, bool):
            gather.add(f"{at}.aligned", f"{aligned!r} is neither true nor false", "Write one.")
        module = Module(
            sizes["frontage"], sizes["depth"], counts["spaces"], counts["rows"], sizes["walk"], sizes["drive"],
            sizes["reach"], bool(aligned), str(item.get("name", f"module {number}")), str(kind),
        )  # fmt: skip
        try:
            module.check(rules["layout.resolution"], unit)
        except InputError as error:
            gather.take(error)
        made.append(module)
    if not made and not len(gather):
        gather.add(where, "there is no module", "Write at least one.")
    return made
