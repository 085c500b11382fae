"""Everything a ground's folder holds, read once: readings, plats, surveyed things, registers, records."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import shapely

from cemgis.disclosure import read_wishes
from cemgis.errors import Gather, InputError
from cemgis.files import records as record_files
from cemgis.files.descriptions import read_description
from cemgis.files.readings import RawReadings, read_readings
from cemgis.files.spreadsheets import SUFFIXES, read_spreadsheet
from cemgis.files.tables import Table, read_table
from cemgis.files.vector import Features, read_features
from cemgis.findings import Finding, find
from cemgis.ground import Ground, parse_ground

if TYPE_CHECKING:
    from collections.abc import Callable

    from cemgis.ground import CrosswalkEntry, FeaturesEntry, ProbesEntry, ReadingsEntry, RegisterEntry, TapedEntry

__all__ = ["Evidence", "gather_evidence", "read_ground", "with_wishes"]

log = logging.getLogger("cemgis")

_TABLES = (".csv", ".txt", ".tsv")


@dataclass
class Evidence:
    """What the files of a ground hold, as they came.

    Parameters
    ----------
    readings, taped, features, register, crosswalk : list of (entry of ground.toml, content)
    probes : list of (ProbesEntry, Table)
    lots : dict of str to DataFrame
        Section to its file of lots.
    outlines : dict of str to geometry
        Section to its outline, plat coordinates.
    records : list of dict
        What people entered through the tool, in order.
    findings : list of Finding
        What could not be read but does not stop the work.
    hashes : dict of str to str
        File to the SHA-256 of its bytes.
    """

    readings: list[tuple[ReadingsEntry, RawReadings]] = field(default_factory=list)
    taped: list[tuple[TapedEntry, Table]] = field(default_factory=list)
    features: list[tuple[FeaturesEntry, Features]] = field(default_factory=list)
    register: list[tuple[RegisterEntry, Table]] = field(default_factory=list)
    crosswalk: list[tuple[CrosswalkEntry, Table]] = field(default_factory=list)
    probes: list[tuple[ProbesEntry, Table]] = field(default_factory=list)
    lots: dict[str, pd.DataFrame] = field(default_factory=dict)
    outlines: dict[str, Any] = field(default_factory=dict)
    records: list[dict[str, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)

    @property
    def hash(self) -> str:
        """One hash of all of it."""
        said = "\n".join(f"{name} {digest}" for name, digest in sorted(self.hashes.items()))
        return hashlib.sha256(said.encode()).hexdigest()


def read_ground(folder: Path) -> Ground:
    """Read a ground's description.

    Raises
    ------
    InputError
        When there is no ``ground.toml``, it is no text, or something in it is wrong.
    """
    path = folder / "ground.toml"
    if folder.is_file():
        ground = next((str(above) for above in folder.absolute().parents if (above / "ground.toml").is_file()), "")
        remedy = f"Give its folder, {ground}." if ground else "Give the folder that holds the ground.toml."
        if folder.suffix == ".toml" and folder.name != "ground.toml":
            remedy += " A parcel's .toml comes after it: cemgis expand FOLDER PARCEL.toml."
        raise InputError.of(str(folder), "it is a file, not a ground's folder", remedy)
    if not folder.is_dir():
        raise InputError.of(str(folder), "there is no such folder", "Name the ground's folder; `cemgis new` makes one.")
    if path.is_dir():
        raise InputError.of(str(path), "it is a folder, not a file", "Move it away; ground.toml is a text file.")
    if not path.is_file():
        raise InputError.of(str(folder), "it holds no ground.toml", "Name a ground's folder; `cemgis new` makes one.")
    return parse_ground(read_description(path, "ground.toml"), folder)


def with_wishes(ground: Ground) -> Ground:
    """Return a ground with the wishes of its list beside those of its description.

    Raises
    ------
    InputError
        When the list cannot be read whole: a wish that is left out would be a name that is published.
    """
    if ground.public.withheld is None:
        return ground
    name = ground.public.withheld
    if Path(name).suffix.lower() in SUFFIXES:
        table = read_spreadsheet(ground.folder / name, where=name)
    else:
        table = _table(ground.folder, name)
    if table.n_broken:
        line, _, why = table.broken[0]
        raise InputError.of(f"{name} line {line}", why, "Mend the line: a list of wishes must be whole.")
    found = read_wishes(table.rows.assign(line=table.lines), name)
    return replace(ground, withhold=(*ground.withhold, *found))


def gather_evidence(ground: Ground) -> Evidence:
    """Read every file the description names, and the records.

    Raises
    ------
    InputError
        With the problems of all files at once.
    """
    gather = Gather()
    evidence = Evidence()

    def attempt(read: Callable[[], Any]) -> Any:
        try:
            return read()
        except InputError as error:
            gather.take(error)
            return None

    for name in ("ground.toml", *ground.evidence):
        _inside(ground.folder, name, gather)
    gather.raise_if_any()
    for reading in ground.readings:
        log.info("reading %s", reading.file)
        raw = attempt(partial(read_readings, reading, ground.folder))
        if raw is not None:
            evidence.readings.append((reading, raw))
            evidence.findings += _assumed(reading.file, raw.notes)
            evidence.findings += _unread("lines not understood", reading.file, raw, "line")
    for taped in ground.taped:
        table = attempt(partial(_table, ground.folder, taped.file, taped.delimiter, taped.encoding))
        if table is not None:
            evidence.taped.append((taped, table))
            evidence.findings += _assumed(taped.file, table.notes)
            evidence.findings += _unread("lines not understood", taped.file, table, "line")
    for feature in ground.features:
        found = attempt(partial(_features, ground.folder, feature))
        if found is not None:
            evidence.features.append((feature, found))
            evidence.findings += _assumed(feature.file, found.notes)
            evidence.findings += _unread("feature broken", feature.file, found, "feature")
    for probes in ground.probes:
        table = attempt(partial(_table, ground.folder, probes.file, probes.delimiter, probes.encoding))
        if table is not None:
            evidence.probes.append((probes, table))
            evidence.findings += _assumed(probes.file, table.notes)
            evidence.findings += _unread("lines not understood", probes.file, table, "line")
    for register in ground.register:
        table = attempt(partial(_list, ground.folder, register))
        if table is not None:
            evidence.register.append((register, table))
            evidence.findings += _assumed(register.file, table.notes)
            evidence.findings += _unread("rows not understood", register.file, table, "line")
    for crosswalk in ground.crosswalk:
        table = attempt(partial(_list, ground.folder, crosswalk))
        if table is not None:
            evidence.crosswalk.append((crosswalk, table))
            evidence.findings += _assumed(crosswalk.file, table.notes)
            evidence.findings += _unread("rows not understood", crosswalk.file, table, "line")
    for section in ground.sections:
        if section.lots:
            lots = attempt(partial(_lots, ground.folder, section.lots))
            if lots is not None:
                evidence.lots[section.name] = lots
        if section.outline:
            outline = attempt(partial(_outline, ground.folder, section.outline))
            if outline is not None:
                evidence.outlines[section.name] = outline
    gather.raise_if_any()
    found_records = record_files.read(ground.folder / "records")
    evidence.records = found_records.records
    evidence.findings += found_records.findings
    logs = sorted((ground.folder / "records").glob("*.jsonl"))
    names = ["ground.toml", *ground.evidence, *(f"records/{path.name}" for path in logs)]
    evidence.hashes = {name: _digest(ground.folder / name) for name in names}
    return evidence


def _inside(folder: Path, name: str, gather: Gather) -> None:
    path = folder / name
    if not path.exists():
        gather.add(name, "there is no such file", "Put it there or take it out of ground.toml.")
    elif folder.resolve() not in path.resolve().parents:
        gather.add(name, "it leads out of the ground's folder", "Copy it into the folder.")


def _digest(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _unread(kind: str, file: str, found: Any, word: str) -> list[Finding]:
    if not found.n_broken:
        return []
    named = "; ".join(f"{word} {line}: {why}" for line, _, why in found.broken[:3])
    many = f"{found.n_broken} {word}{'s' if found.n_broken > 1 else ''} left out"
    return [find(kind, file, f"{many} ({named}{'; ...' if found.n_broken > 3 else ''})")]


def _assumed(file: str, notes: tuple[str, ...]) -> list[Finding]:
    return [find("assumed of a file", file, note) for note in notes]


def _table(folder: Path, name: str, delimiter: str | None = None, encoding: str | None = None) -> Table:
    return read_table(folder / name, delimiter=delimiter, encoding=encoding, where=name)


def _list(folder: Path, entry: RegisterEntry | CrosswalkEntry) -> Table:
    if Path(entry.file).suffix.lower() in SUFFIXES:
        return read_spreadsheet(folder / entry.file, sheet=getattr(entry, "sheet", None), where=entry.file)
    return _table(folder, entry.file, entry.delimiter, entry.encoding)


def _features(folder: Path, entry: FeaturesEntry) -> Features:
    return read_features(folder / entry.file, where=entry.file)


def _lots(folder: Path, name: str) -> pd.DataFrame:
    if Path(name).suffix.lower() in _TABLES:
        table = _table(folder, name)
        if table.n_broken:
            # A lot that is left out silently shifts nothing but is a lost record: a file of lots must be whole.
            line, _, why = table.broken[0]
            raise InputError.of(f"{name} line {line}", why, "Mend the line: a file of lots must be whole.")
        return table.rows.assign(line=table.lines)
    found = read_features(folder / name, where=name)
    if found.n_broken:
        line, _, why = found.broken[0]
        raise InputError.of(f"{name} feature {line}", why, "Mend it: a file of lots must be whole.")
    plain: gpd.GeoDataFrame = gpd.GeoDataFrame(found.table).set_crs(None, allow_override=True)
    return plain


def _outline(folder: Path, name: str) -> Any:
    found = read_features(folder / name, kinds=("Polygon", "MultiPolygon"), where=name)
    return shapely.union_all(found.table.geometry.to_numpy())
