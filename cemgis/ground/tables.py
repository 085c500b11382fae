"""The plain tables of ``ground.toml``: files, control, plats, scans, containers, equipment."""

from __future__ import annotations

import datetime
import re
from pathlib import PurePosixPath

from cemgis.errors import Gather, InputError
from cemgis.ground.entries import (
    CONTAINER_KINDS,
    FEATURE_LAYERS,
    FORMATS,
    MODELS,
    SCAN_MODELS,
    Container,
    ControlPoint,
    CrosswalkEntry,
    Equipment,
    FeaturesEntry,
    PlatEntry,
    ProbesEntry,
    ReadingsEntry,
    RegisterEntry,
    ScanEntry,
    TapedEntry,
    TerrainEntry,
)
from cemgis.ground.keys import Keys
from cemgis.ground.words import show
from cemgis.reference import parse_angle
from cemgis.units import HEIGHT_UNITS, METRE, Unit

__all__ = [
    "container_entry",
    "control_entry",
    "crosswalk_entry",
    "equipment_entry",
    "features_entry",
    "plat_entry",
    "probes_entry",
    "readings_entry",
    "register_entry",
    "scan_entry",
    "taped_entry",
    "terrain_entry",
]

_FIXES = ("fixed", "float", "differential", "autonomous")

_ENDINGS = {".nmea": "nmea", ".log": "nmea", ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".gpx": "gpx"}


# ---- the tables -----------------------------------------------------------------------------------------------------


def readings_entry(keys: Keys) -> ReadingsEntry | None:
    """Read a ``[[readings]]`` table."""
    file = keys.file("file", required='Write the file, file = "readings/may.csv".')
    ending = PurePosixPath(file).suffix.lower() if file else ""
    form = keys.choice("format", FORMATS, _ENDINGS.get(ending, "vector"))
    reference = keys.reference()
    epoch: float | str | None
    if keys.raw.get("epoch") == "observed":
        keys.asked.append("epoch")
        epoch = "observed"
    else:
        epoch = keys.epoch(reference)
    corrections = keys.text(
        "corrections",
        required='Write the correction service or base it was made with, such as "state network, NAD83(2011)".',
    )
    columns = keys.columns()
    order = keys.text("order")
    occupations = keys.file("occupations")
    label = keys.text("label")
    visit = keys.text("visit") or (PurePosixPath(file).stem if file else "")
    receiver, section = keys.text("receiver"), keys.text("section")
    antenna = keys.length("antenna_height", low=0.0, unit=METRE)
    fix = keys.choice("fix", _FIXES, None)
    sigma = keys.length("sigma", low=0.0)
    delimiter, encoding = keys.delimiter(), keys.encoding()
    if form == "nmea" and occupations is None and label is None and not {"occupations", "label"} & set(keys.raw):
        keys.wrong(
            "occupations", "missing", "Name the list of occupations (label, from, to), or one label for the file."
        )
    if occupations is not None and label is not None:
        keys.wrong("label", "given beside a list of occupations", "Keep one of the two.")
    if occupations is not None and form != "nmea":
        keys.wrong("occupations", f"of no use with format {form}", "Take it out; only a receiver log needs it.")
    if columns and form == "nmea":
        keys.wrong("columns", "of no use with a receiver log", "Take it out.")
    if order is not None:
        order = order.upper()
        letters = order.replace("-", "")
        if form != "csv":
            keys.wrong("order", f"of no use with format {form}", "Take it out; it is for a CSV without a header.")
        elif columns:
            keys.wrong("order", "given beside columns", "Order is for a file without a header, columns for one with.")
        elif set(letters) - set("PNEZD") or len(set(letters)) != len(letters) or not set("PNE") <= set(letters):
            keys.wrong("order", f"{show(order)} is not understood", 'P, N, E, Z, D once each, "-" skips: "PNEZD".')
    keys.close()
    if file is None or form is None or reference is None or corrections is None:
        return None
    return ReadingsEntry(
        keys.path, file, form, visit, receiver, corrections, reference, epoch, occupations, label, section, antenna,
        columns, order, delimiter, encoding, fix, sigma,
    )  # fmt: skip


def taped_entry(keys: Keys) -> TapedEntry | None:
    """Read a ``[[taped]]`` table."""
    file = keys.file("file", required='Write the file, file = "readings/taped.csv".')
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    return None if file is None else TapedEntry(keys.path, file, delimiter, encoding)


def register_entry(keys: Keys) -> RegisterEntry | None:
    """Read a ``[[register]]`` table."""
    file = keys.file("file", required='Write the file, file = "register/ledger.csv".')
    columns, delimiter, encoding = keys.columns(), keys.delimiter(), keys.encoding()
    sheet, kind, section = keys.text("sheet"), keys.text("kind"), keys.text("section")
    keys.close()
    if file is None:
        return None
    return RegisterEntry(keys.path, file, columns, delimiter, encoding, sheet, kind, section)


def crosswalk_entry(keys: Keys) -> CrosswalkEntry | None:
    """Read a ``[[crosswalk]]`` table."""
    file = keys.file("file", required='Write the file, file = "register/old_numbers.csv".')
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    return None if file is None else CrosswalkEntry(keys.path, file, delimiter, encoding)


def control_entry(keys: Keys) -> ControlPoint | None:
    """Read a ``[[control]]`` table."""
    name = keys.name("name", 'Write its name, name = "MH 1".')
    label = keys.text("label") or name
    reference = keys.reference()
    epoch = keys.epoch(reference)
    source = keys.text("source", required="Write who published it and where.")
    x = y = None
    if reference is not None and reference.projected:
        remedy = "Write easting x and northing y in the reference's own unit."
        x = keys.number("x", -1e8, 1e8, required=remedy)
        y = keys.number("y", -1e8, 1e8, required=remedy)
    elif reference is not None:
        y = _angle(keys, "lat", 90.0)
        x = _angle(keys, "lon", 180.0)
    else:
        keys.asked += ["x", "y", "lat", "lon"]
    keys.close()
    if name is None or label is None or reference is None or source is None or x is None or y is None:
        return None
    return ControlPoint(keys.path, name, label, reference, x, y, epoch, source)


def _angle(keys: Keys, key: str, most: float) -> float | None:
    value = keys.get(key, required=f'Write {key} in decimal degrees or as "40 53 12.3 N".')
    if value is None:
        return None
    try:
        found = float(parse_angle(value, keys.at(key)))
    except InputError as error:
        keys.gather.take(error)
        return None
    if not abs(found) <= most:
        keys.wrong(key, f"{show(value)} is beyond {most:g} degrees", "Mend it.")
        return None
    return found


def _date(keys: Keys, key: str) -> str | None:
    value = keys.get(key, required=f'Write {key} = "1889-05-01" or "1889".')
    if value is None:
        return None
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    match = re.fullmatch(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", text.strip()) if isinstance(text, str) else None
    if match:
        year, month, day = (int(part) if part else 1 for part in match.groups())
        try:
            datetime.date(year, month, day)
        except ValueError:
            match = None
    if match is None:
        keys.wrong(key, f"{show(value)} is not a date", 'Write "1889-05-01", "1889-05" or "1889".')
        return None
    return str(text).strip()


def plat_entry(keys: Keys) -> PlatEntry | None:
    """Read a ``[[plat]]`` table."""
    name = keys.name("name", 'Write its name, name = "1889".')
    if name is not None and ":" in name:
        keys.wrong("name", f"{show(name)} holds a colon", "Leave it out: it parts plat and corner in ids.")
    date = _date(keys, "date")
    model = keys.choice("model", MODELS, "conformal")
    source = keys.text("source")
    local = keys.flag("local", default=True)
    unchecked = keys.flag("allow_unchecked", default=False)
    design = keys.flag("design", default=False)
    keys.close()
    if name is None or date is None or model is None:
        return None
    return PlatEntry(keys.path, name, date, model, source, local, unchecked, design)


def features_entry(keys: Keys) -> FeaturesEntry | None:
    """Read a ``[[features]]`` table."""
    layer = keys.choice("layer", FEATURE_LAYERS, None, required=f"One of: {', '.join(FEATURE_LAYERS)}.")
    file = keys.file("file", required='Write the file, file = "survey/vaults.geojson".')
    reference = keys.reference()
    epoch = keys.epoch(reference)
    sigma = keys.length("sigma", low=0.0)
    columns = keys.columns()
    radius = keys.size("radius")
    if layer == "gates" and radius is not None:
        keys.wrong("radius", "of no use with gates", "Take it out: a gate is a point.")
    keys.close()
    if layer is None or file is None or reference is None:
        return None
    return FeaturesEntry(keys.path, layer, file, reference, epoch, sigma, columns, radius)


def probes_entry(keys: Keys) -> ProbesEntry | None:
    """Read a ``[[probes]]`` table."""
    file = keys.file("file", required='Write the file, file = "survey/probes.csv".')
    layer = keys.choice("layer", ("vaults", "monuments"), "vaults")
    container = keys.text("container")
    keys.asked.append("reference")
    reference = keys.reference() if "reference" in keys.raw else None
    epoch = keys.epoch(reference)
    sigma = keys.size("sigma")
    columns, delimiter, encoding = keys.columns(), keys.delimiter(), keys.encoding()
    keys.close()
    if file is None or layer is None:
        return None
    return ProbesEntry(keys.path, file, layer, container, reference, epoch, sigma, columns, delimiter, encoding)


def scan_entry(keys: Keys) -> ScanEntry | None:
    """Read a ``[[scan]]`` table."""
    file = keys.file("file", required='Write the file, file = "plat/plat_1889.png".')
    points = keys.file("points")
    plat = keys.text("plat")
    model = keys.choice("model", SCAN_MODELS, "affine")
    keys.asked.append("reference")
    reference = keys.reference() if "reference" in keys.raw else None
    epoch = keys.epoch(reference)
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    if file is None or model is None:
        return None
    return ScanEntry(keys.path, file, points, plat, model, reference, epoch, delimiter, encoding)


def container_entry(keys: Keys) -> Container | None:
    """Read a ``[[container]]`` table."""
    name = keys.name("name", 'Write its name, name = "concrete vault".')
    kind = keys.choice("kind", CONTAINER_KINDS, "vault")
    sizes = [
        keys.size(side, required=f'Write its outside {side}, {side} = "34 in".')
        for side in ("length", "width", "height")
    ]
    keys.close()
    length, width, height = sizes
    if name is None or kind is None or length is None or width is None or height is None:
        return None
    if width > length and kind != "urn":
        keys.wrong("width", "wider than long", "Swap length and width.")
    return Container(keys.path, name, kind, length, width, height)


def terrain_entry(raw: object, gather: Gather, unit: Unit) -> TerrainEntry | None:
    """Read the ``[terrain]`` table; None when there is none."""
    if raw is None:
        return None
    keys = Keys(raw, "terrain", gather, unit)
    file = keys.file("file", required="Name the grid of heights.")
    heights = keys.text("heights", required='Write the unit of its heights: "m", "ft" or "US survey foot".')
    if heights is not None and heights not in HEIGHT_UNITS:
        keys.wrong("heights", f"{show(heights)} is no unit of height", f"One of: {', '.join(HEIGHT_UNITS)}.")
    keys.close()
    return None if file is None or heights is None else TerrainEntry("terrain", file, heights)


def equipment_entry(raw: object, gather: Gather, unit: Unit) -> Equipment:
    """Read the ``[equipment]`` table."""
    keys = Keys({} if raw is None else raw, "equipment", gather, unit)
    found = Equipment(
        "equipment", keys.size("straps"), keys.text("machine"), keys.size("machine_width"), keys.size("boom_clear"),
        keys.size("tape"), keys.choice("tape_reads", ("inches", "tenths", "metres"), None)
        or ("inches" if unit.is_foot else "metres"),
        keys.text("shoring"), keys.text("pump"), keys.text("boards"),
    )  # fmt: skip
    keys.close()
    return found
