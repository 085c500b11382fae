"""A file of readings by its format."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cemgis.errors import InputError
from cemgis.files.readings.features import parse_features
from cemgis.files.readings.gpx import parse_gpx
from cemgis.files.readings.nmea import parse_nmea
from cemgis.files.readings.notebook import parse_occupations
from cemgis.files.readings.points import ordered, parse_points
from cemgis.files.readings.table import RawReadings
from cemgis.files.readings.words import ORDER
from cemgis.files.tables import BrokenLine, decode, existing_file, read_table
from cemgis.files.vector import read_features

if TYPE_CHECKING:
    from cemgis.ground import ReadingsEntry

__all__ = ["FORMATS", "format_of", "read_readings"]

FORMATS = ("nmea", "csv", "gpx", "vector")
_ENDINGS = {
    ".nmea": "nmea", ".log": "nmea", ".ubx": "nmea", ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".asc": "csv",
    ".pnt": "csv", ".gpx": "gpx",
}  # fmt: skip


def format_of(file: str, told: str | None = None) -> str:
    """Format of a file of readings: as told, else from its ending, else ``vector``.

    Raises
    ------
    InputError
        When the format told is none of `FORMATS`.

    Examples
    --------
    >>> format_of("readings/spring.nmea"), format_of("a.gpkg"), format_of("a.txt", "nmea")
    ('nmea', 'vector', 'nmea')
    """
    if told:
        if told not in FORMATS:
            place = f"{file} format"
            raise InputError.of(place, f"{told!r} is no format of readings", f"One of: {', '.join(FORMATS)}.")
        return told
    return _ENDINGS.get(Path(file).suffix.lower(), "vector")


def _day_of(visit: str | None) -> dt.date | None:
    """Day a visit is named after, when it is."""
    found = re.match(r"\d{4}-\d{2}-\d{2}", visit or "")
    try:
        return dt.date.fromisoformat(found.group()) if found else None
    except ValueError:
        return None


def read_readings(entry: ReadingsEntry, folder: Path) -> RawReadings:
    """Read the file of one entry of ``[[readings]]``.

    Parameters
    ----------
    entry : ReadingsEntry
        Of ``ground.toml``.
    folder : Path
        The ground's folder.

    Raises
    ------
    InputError
        When the file cannot be read or nothing in it is usable.
    """
    path, where = folder / entry.file, entry.file
    existing_file(path, where)
    kind = format_of(entry.file, entry.format)
    day = _day_of(entry.visit)
    common: dict[str, Any] = {
        "label": entry.label,
        "section": entry.section,
        "antenna_height_m": entry.antenna_height_m,
        "day": day,
        "where": where,
    }
    columns = dict(entry.columns or {})
    if kind == "nmea":
        occupations = None
        if entry.occupations:
            listed = read_table(folder / entry.occupations, where=entry.occupations)
            occupations = parse_occupations(listed, where=entry.occupations)
        elif not entry.label:
            raise InputError.of(
                where,
                "nothing says which marker its readings belong to",
                'Write occupations = "..." (label, from, to) or label = "...".',
            )
        raw = parse_nmea(path.read_bytes(), occupations=occupations, **common)
        if occupations is None:
            return raw
        said = tuple(f"{entry.occupations}: {note}" for note in occupations.attrs["notes"])
        lost = tuple(BrokenLine(*item) for item in occupations.attrs["broken"])
        if lost:
            named = "; ".join(f"line {line}: {why}" for line, _, why in lost[:3])
            said += (f"{entry.occupations}: {occupations.attrs['n_broken']} lines left out ({named})",)
        return replace(raw, notes=raw.notes + said)
    if kind == "gpx":
        data = path.read_bytes()
        if entry.encoding:
            text, _ = decode(data, entry.encoding, where)
            data = re.sub(r"^\s*<\?xml[^>]*\?>", "", text.lstrip("﻿")).encode("utf-8")
        return parse_gpx(data, columns=columns, **common)
    if kind == "vector":
        found = read_features(path, where=where)
        raw = parse_features(
            found.table, found.broken, found.n_broken, columns=columns, unnamed=found.unnamed, **common
        )
        return replace(raw, notes=found.notes + raw.notes)
    names = ordered(entry.order, where) if entry.order else None
    table = read_table(
        path, delimiter=entry.delimiter, encoding=entry.encoding, header=names is None, names=names, where=where
    )
    if names is None:
        return parse_points(table, columns=columns, **common)
    told = {ORDER[letter]: letter for letter in names if letter in ORDER}
    return parse_points(table, columns={**told, **columns}, **common)
