"""Fuzz every reader and the whole run with spoiled copies of real and invented files, for so many seconds.

A file may be read, or refused with an `InputError`; rows that are not used must be counted. Anything else (another
error, a hang, too much memory, a row that vanishes) is a failure: it is printed with the name of its case, and the run
ends with exit code 1. The same seed gives the same cases. ``--again SEED/NUMBER`` runs one of them.
"""

from __future__ import annotations

import argparse
import contextlib
import faulthandler
import io
import json
import logging
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
import xml.etree.ElementTree as ET
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import shapely

from cemgis import invent, pipeline
from cemgis.errors import InputError
from cemgis.files import records as record_files
from cemgis.files.readings import parse_gpx, parse_nmea, parse_occupations, parse_points, parse_taped
from cemgis.files.spreadsheets import read_spreadsheet
from cemgis.files.tables import Table, decode, read_table
from cemgis.files.vector import read_features
from cemgis.ground import parse_ground
from cemgis.pipeline.evidence import gather_evidence
from cemgis.reference import ground_crs, to_lonlat
from cemgis.register import read_register
from cemgis.units import US_SURVEY_FOOT

ROOT = Path(__file__).resolve().parents[1]
SHARED = ROOT.parent / "shared" / "data"  # more real files, where they are

READ_S, RUN_S = 20.0, 60.0  # a case that takes longer hangs
MEMORY = 6 << 30  # bytes of address space; most of it is what libraries reserve
RUNS = 12  # one case in so many is a whole run
WRITES = 4  # one whole run in so many is written, too

HOSTILE = (
    "",
    " ",
    "{{7*7}}",
    "{% raw %}",
    "${jndi:ldap://a/b}",
    "$(id)",
    "`id`",
    "=cmd|' /C calc'!A0",
    "@SUM(1+1)",
    "+1-1",
    "<script>alert(1)</script>",
    "<!--",
    "]]>",
    "&amp;&#0;",
    "../../../etc/passwd",
    "C:\\Windows\\win.ini",
    "con",
    "\u202egnirts",
    "\u200b",
    "\ufeff",
    "\u2028",
    "\x1b[31m",
    "\x07",
    "\x85",
    "\x0b",
    "a\tb",
    "'",
    '"',
    '""',
    '"""',
    "'; DROP TABLE spaces; --",
    "%s%n%x",
    "%00",
    "\\x00",
    "null",
    "None",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "true",
    "N/A",
    "1e308",
    "1e309",
    "-1e308",
    "1e-320",
    "99999999999999999999999",
    "-0",
    "0x1F",
    "1_000",
    "1,5",
    "१२३",
    "１２",
    "٣",
    "½",
    "9007199254740993",
    "-1",
    "0",
    "2147483648",
    "1970-01-01",
    "0000-00-00",
    "9999-12-31",
    "9999-12-31T23:59:60Z",
    "30 Feb 1900",
    "1e5 ft",
    "12 ft 13 in",
    "-3 ft",
    "ft",
    "1/0 in",
    "A",
    "A-1",
    "A-1-1",
    "Z-999-9",
    "a" * 5000,
    "EPSG:4326",
    "EPSG:6549",
    "EPSG:99999999",
    "ITRF2014",
    "POINT (0 0)",
    "POLYGON EMPTY",
    "é" * 40,
    "\U0001f480",
    "\ud7ff",
    "[]",
    "{}",
    "[[[[",
    "north",
    "interment",
    "opening",
    "withdraw",
)
NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
TOKEN = re.compile(rb"[^,;\t\n\r\"'<>=\[\]{}:]+")
ENCODINGS = (
    "utf-16",
    "utf-16-le",
    "utf-16-be",
    "utf-8-sig",
    "utf-32",
    "latin-1",
    "cp1252",
    "cp037",
    "utf-7",
    "shift_jis",
)
ENDS = (b"\r", b"\r\n", b"\n\n", b"\x85", b"\x0b", b"\x1e\n", b" \n", b"\x00\n")


class LostError(Exception):
    """Rows of a file that are neither used nor counted."""


class Hangs(BaseException):
    """A case that takes too long; no `Exception`, so that nothing swallows it."""


# ---- spoiling -------------------------------------------------------------------------------------------------------


def spoil(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Spoil the bytes of a file in one to four ways."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        data = rng.choice(SPOILERS)(data, rng, others)
        if len(data) > 4 << 20:
            data = data[: 4 << 20]
    return data


def _span(data: bytes, rng: random.Random, most: int = 400) -> tuple[int, int]:
    start = rng.randrange(len(data) + 1)
    return start, min(len(data), start + rng.randrange(1, most))


def _flips(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 3, 30)) if out else 0):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    start, end = _span(data, rng)
    return data[:start] if rng.random() < 0.4 else data[:start] + data[end:]


def _double(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    start, end = _span(data, rng, 4000)
    return data[:end] + data[start:end] * rng.choice((1, 1, 20)) + data[end:]


def _splice(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    other = rng.choice(others)
    start, end = _span(other, rng, 4000)
    at, until = _span(data, rng)
    return data[:at] + other[start:end] + data[rng.choice((at, until)) :]


def _lines(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    lines = data.split(b"\n")
    how = rng.randrange(5)
    if how == 0:
        rng.shuffle(lines)
    elif how == 1:
        lines = [line for line in lines if rng.random() > 0.3]
    elif how == 2:
        lines = [line for line in lines for _ in range(rng.choice((1, 1, 2)))]
    elif how == 3:
        lines = lines[::-1]
    else:
        lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines)[::-1])
    return b"\n".join(lines)


def _tokens(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    found = list(TOKEN.finditer(data))
    for match in sorted(rng.sample(found, min(len(found), rng.choice((1, 2, 10)))), key=lambda m: -m.start()):
        word = rng.choice(HOSTILE).encode("utf-8", "surrogatepass")
        data = data[: match.start()] + word + data[match.end() :]
    return data


def _numbers(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    found = list(NUMBER.finditer(data))
    for match in sorted(rng.sample(found, min(len(found), rng.choice((1, 2, 10, 50)))), key=lambda m: -m.start()):
        value = float(match.group()[:300])
        word = rng.choice((
            "0", "-0", "-1", "1e308", "1e400", "nan", "inf", "9" * 400, f"{-value:g}", f"{value * 1e6:.0f}",
            f"{value / 3:.17g}", f"{value + 1:.0f}", f"0{value:g}", f"{value:,.3f}", "", "2147483648", "1e-320",
        ))  # fmt: skip
        data = data[: match.start()] + word.encode() + data[match.end() :]
    return data


def _encoded(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    return data.decode("utf-8", "replace").encode(rng.choice(ENCODINGS), "replace")


def _ends(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    return data.replace(b"\n", rng.choice(ENDS))


def _nul(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return (
        data[:at] + rng.choice((b"\0", b"\0" * 512, b"\xff\xfe", b"\x1a", b"\xef\xbb\xbf", b'"', b"\xc3")) + data[at:]
    )


def _long(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    word = rng.choice((b"a", b"1", b"[", b"<a>", b",", b'"', "é".encode(), b"{'x':", b"-"))
    return data[:at] + word * (rng.choice((3000, 1_000_000)) // len(word)) + data[at:]


def _cells(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    lines = data.split(b"\n")
    for at in rng.sample(range(len(lines)), min(len(lines), rng.choice((1, 5)))):
        cells = lines[at].split(b",")
        if rng.random() < 0.5:
            rng.shuffle(cells)
        else:
            cells.insert(rng.randrange(len(cells) + 1), rng.choice(cells))
        lines[at] = b",".join(cells)
    return b"\n".join(lines)


_VALUE = re.compile(rb'(?<=[=:])(\s*)("[^"\n]*"|\[[^\[\]\n]*\]|[-+.\w]+)')
_LITERALS = (
    b"0",
    b"-1",
    b"1.5",
    b"1e400",
    b"nan",
    b"inf",
    b"-inf",
    b"true",
    b"false",
    b"null",
    b"[]",
    b"{}",
    b"[[]]",
    b'""',
    b'"a"',
    b'"12 ft"',
    b'"-12 ft"',
    b'"1e300 ft"',
    b"[1, 2]",
    b'["1 ft", "2 ft"]',
    b"99999999999999999999",
    b"2025-06-01",
    b"2025-06-01T12:00:00Z",
    b'"north"',
    b'"A"',
    b'"ground.toml"',
    b'"."',
    b'"/etc/passwd"',
    b"{ a = 1 }",
    b'{"a": 1}',
    b'"readings/readings.csv"',
    b'"EPSG:4326"',
    b'"ITRF2014"',
    b"1000000",
    b"3",
)


def _values(data: bytes, rng: random.Random, _: list[bytes]) -> bytes:
    found = list(_VALUE.finditer(data))
    for match in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 2, 6)))), key=lambda m: -m.start()):
        word = rng.choice(_LITERALS) if rng.random() < 0.7 else rng.choice(found)[2]
        data = data[: match.start()] + match[1] + word + data[match.end() :]
    return data


SPOILERS = (
    _flips, _cut, _double, _splice, _lines, _tokens, _tokens, _numbers, _numbers, _encoded, _ends, _nul, _long, _cells,
    _values, _values, _values,
)  # fmt: skip


def spoil_packed(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Spoil one file inside a packed one (a spreadsheet)."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    name = rng.choice(sorted(parts))
    parts[name] = spoil(parts[name], rng, others)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    return out.getvalue()


# ---- what must add up -----------------------------------------------------------------------------------------------


def _same(what: str, given: int, accounted: int) -> None:
    if given != accounted:
        raise LostError(f"{what}: {given} in the file, {accounted} used or counted")


def _filled_lines(path: Path, table: Table) -> int:
    """Lines of a delimited file with anything in them, counted without the reader."""
    text = path.read_bytes().decode(table.encoding, "replace").lstrip("\ufeff").replace("\0", "")
    blank = " \t\x0b\x0c\x1c\x1d\x1e\x1f\x85" + table.delimiter
    return sum(1 for line in io.StringIO(text, newline=None) if line.strip().strip(blank))


def _table(path: Path) -> Table:
    table = read_table(path)
    _same("broken", len(table.broken), min(table.n_broken, 20))
    # what Unicode calls a blank, and cells over several lines, are left to the reader's own tests
    plain = path.read_bytes()
    if b'"' in plain or table.encoding not in ("utf-8", "utf-8-sig", "cp1252", "latin-1"):
        return table
    text = plain.decode(table.encoding, "replace")
    if any(character.isspace() and character not in " \n\r\t" for character in set(text)):
        return table
    above = sum(int(found[1]) for note in table.notes if (found := re.match(r"(\d+) lines above", note)))
    _same("lines", _filled_lines(path, table), 1 + above + len(table.rows) + table.n_broken)
    return table


def check_toml(path: Path) -> None:
    text, _ = decode(path.read_bytes(), "utf-8", path.name)
    ground = parse_ground(text, path.parent)
    said = tomllib.loads(text)
    for key, made in (
        ("readings", ground.readings), ("taped", ground.taped), ("control", ground.control), ("plat", ground.plats),
        ("section", ground.sections), ("features", ground.features), ("register", ground.register),
    ):  # fmt: skip
        _same(key, len(said.get(key, ())), len(made))


def check_points(path: Path) -> None:
    table = _table(path)
    raw = parse_points(table, label=None)
    _same("points", len(table.rows) + table.n_broken, len(raw.table) + raw.n_broken)


def check_taped(path: Path) -> None:
    table = _table(path)
    found = parse_taped(table, US_SURVEY_FOOT)
    _same("distances", len(table.rows) + table.n_broken, len(found) + found.attrs["n_broken"])


def check_occupations(path: Path) -> None:
    table = _table(path)
    found = parse_occupations(table)
    _same("occupations", len(table.rows) + table.n_broken, len(found) + found.attrs["n_broken"])


_TOLD = re.compile(r"^(\d+) rows: ")


def _register(table: Table) -> None:
    spaces = pd.DataFrame(
        {
            "space_id": [f"A-{lot}-{n}" for lot in range(1, 85) for n in range(1, 5)],
            "section": "A",
            "lot_id": [f"A-{lot}" for lot in range(1, 85) for _ in range(4)],
            "space": [str(n) for _ in range(84) for n in range(1, 5)],
        }
    )
    lots = pd.DataFrame({"lot_id": [f"A-{n}" for n in range(1, 85)], "section": "A", "row": None,
                         "lot": [str(n) for n in range(1, 85)]})  # fmt: skip
    made = read_register(table.rows.assign(line=table.lines), source="list", spaces=spaces, lots=lots)
    used: set[str] = set()
    for name in ("events", "rights", "memories", "inscriptions", "people"):
        used |= set(getattr(made, name)["source"].dropna().astype(str))
    strange = sum(
        int(found[1]) for item in made.findings
        if item.kind == "rows not understood" and (found := _TOLD.match(item.reason))
    )  # fmt: skip
    _same("rows of the register", len(table.rows), len(used) + strange)


def check_register(path: Path) -> None:
    _register(_table(path))


def check_spreadsheet(path: Path) -> None:
    _register(read_spreadsheet(path))


def check_table(path: Path) -> None:
    _table(path)


def check_gpx(path: Path) -> None:
    data = path.read_bytes()
    raw = parse_gpx(data)
    try:
        root = ET.fromstring(data)
    except (ET.ParseError, ValueError, LookupError):
        return
    points = [item for item in root if item.tag.rpartition("}")[2] == "wpt"]
    plain = [item for item in points if "}" not in item.tag or "topografix.com/GPX" in item.tag]
    _same("waypoints", len(plain), len(raw.table) + raw.n_broken)


_SENTENCE = re.compile(rb"\$([A-Z]{2}GGA,[\x20-\x23\x25-\x29\x2b-\x7e]*)\*([0-9A-Fa-f]{2})")


def check_nmea(path: Path) -> None:
    data = path.read_bytes()
    raw = parse_nmea(data, label="A-1")
    good = 0
    for match in _SENTENCE.finditer(data):
        total = 0
        for byte in match[1]:
            total ^= byte
        good += total == int(match[2], 16)
    if len(raw.table) + raw.n_broken < good:
        raise LostError(f"sentences: {good} in the file, {len(raw.table) + raw.n_broken} used or counted")


def check_features(path: Path) -> None:
    found = read_features(path)
    if path.suffix != ".geojson":
        return
    try:
        told = json.loads(decode(path.read_bytes())[0].lstrip("\ufeff"))
    except ValueError:
        return
    listed = told.get("features") if isinstance(told, dict) else None
    if isinstance(listed, list) and told.get("type") == "FeatureCollection":
        many = sum(isinstance(item, dict) and item.get("type") == "Feature" for item in listed)
        _same("features", many, len(found.table) + found.n_broken)


def check_records(path: Path) -> None:
    data = path.read_bytes()
    found = record_files.parse(data, path.name)
    lines = sum(1 for line in data.removeprefix(b"\xef\xbb\xbf").split(b"\n") if line.strip())
    _same("records", lines, len(found.records) + len(found.findings))


def check_run(folder: Path, *, write: bool) -> None:
    """Compute a ground, and build it without its maps; everything that was read is in a layer or told."""
    with contextlib.redirect_stderr(io.StringIO()):
        run = pipeline.build(folder, with_maps=False) if write else pipeline.compute(folder)
    evidence = gather_evidence(run.ground)
    readings = run.tables["readings"]
    for entry, raw in evidence.readings:
        _same(f"readings of {entry.file}", len(raw.table), int((readings["file"] == entry.file).sum()))
    unused = ~readings["used"].fillna(value=False).to_numpy(dtype=bool)
    if readings["why_not"][unused].isna().any():
        raise LostError("a reading is not used and nobody says why")
    told = [(item.kind, item.subject, item.reason) for item in run.findings]
    for feature, found in evidence.features:
        table = run.tables[feature.layer]
        mine = int(table["source"].astype(str).str.startswith(f"{feature.file}, feature").sum())
        gone = sum(
            int(many[1]) for kind, subject, reason in told
            if kind == "feature broken" and subject == feature.file and (many := re.match(r"(\d+) of \d+ are", reason))
        )  # fmt: skip
        removed = sum(item.get("kind") == "remove" and item.get("layer") == feature.layer for item in evidence.records)
        if mine + gone + removed < len(found.table):
            raise LostError(f"features of {feature.file}: {len(found.table)} read, {mine + gone} in the layer or told")
    said = " ".join(f"{subject} {reason}" for _, subject, reason in told)
    for item in evidence.records:
        layer = item.get("layer")
        known = isinstance(layer, str) and layer in run.tables and item.get("kind") in ("edit", "add", "move", "remove")
        if known and str(item.get("key")) not in said:
            keys = set(run.tables[layer].iloc[:, 0].astype(str))
            if str(item.get("key")) not in keys and item.get("kind") != "remove":
                raise LostError(f"the record {item['kind']} {layer} {item.get('key')} is neither carried nor told")
    run.words("spaces")
    json.dumps(run.summary("markers"), default=str)


# ---- files to spoil -------------------------------------------------------------------------------------------------


def small_ground(folder: Path) -> Path:
    """Make a small ground with a file of every kind: four kinds of readings, lists, surveyed things, records."""
    made = invent.ground(6, found=0.8, bad=0.0, sections=1, lots=8, pattern="rows with walks", crs="EPSG:6549")
    for name, content in made.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    run = pipeline.compute(folder)
    spaces, markers, crs = run.tables["spaces"], run.tables["markers"], ground_crs("EPSG:6549")
    for name in ("plat", "register", "survey"):
        (folder / name).mkdir()
    places = shapely.get_coordinates(markers.geometry.to_numpy())
    lonlat = to_lonlat(places, crs)
    labels = markers["label"].astype(str).tolist()
    (folder / "readings/walk.gpx").write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">\n'
        + "".join(
            f'<wpt lat="{lat:.9f}" lon="{lon:.9f}"><time>2025-06-01T12:{at:02d}:00Z</time><name>{label}</name>'
            f"<fix>dgps</fix></wpt>\n"
            for at, (label, (lon, lat)) in enumerate(zip(labels[:6], lonlat, strict=False))
        )
        + "</gpx>\n"
    )
    sentences, listed = [], ["label,from,to,kind"]
    for at, (label, (lon, lat)) in enumerate(zip(labels[:4], lonlat, strict=False)):
        listed.append(f"{label},2025-06-02T12:{at:02d}:00Z,2025-06-02T12:{at:02d}:09Z,disc")
        for second in range(10):
            north, west = f"{int(lat)}{(lat % 1) * 60:010.7f}", f"{int(-lon):03d}{(-lon % 1) * 60:010.7f}"
            clock = f"12{at:02d}{second:02d}.00"
            for body in (
                f"GNGGA,{clock},{north},N,{west},W,4,20,0.75,376.6,M,-33.4,M,1.0,0021",
                f"GNRMC,{clock},A,{north},N,{west},W,0.02,0.0,020625,,,R",
            ):
                total = 0
                for byte in body.encode():
                    total ^= byte
                sentences.append(f"${body}*{total:02X}")
    (folder / "readings/log.nmea").write_text("\r\n".join(sentences) + "\r\n")
    (folder / "readings/occupations.csv").write_text("\n".join(listed) + "\n")
    gap = float(np.hypot(*(places[0] - places[1])))
    (folder / "readings/taped.csv").write_text(f"from,to,distance\n{labels[0]},{labels[1]},{gap:.2f} ft\n")
    (folder / "plat/k.csv").write_text(
        "section,row,lot,x,y,width,depth,spaces,facing,from\n"
        + "".join(f"K,1,{n},{-80 + 16 * n} ft,-40 ft,16 ft,12 ft,4,north,left\n" for n in range(1, 5))
    )
    shapes = spaces.geometry.to_numpy()
    ids = spaces["space_id"].astype(str).tolist()
    for name, key, reach, picked in (
        ("vaults", "vault_id", -0.5, (2, 5, 9, 14)), ("monuments", "monument_id", -1.4, (3, 8, 12)),
        ("graves", "grave_id", -0.8, (20, 22)),
    ):  # fmt: skip
        table = gpd.GeoDataFrame(
            {key: [f"{name[0].upper()}{at}" for at in picked], "space_id": [ids[at] for at in picked]},
            geometry=[shapes[at].buffer(reach) for at in picked], crs="EPSG:6549",
        )  # fmt: skip
        (folder / f"survey/{name}.geojson").write_text(table.to_json())
    ledger = ["kind,date,name,section,lot,space,born,died"]
    for at in (2, 5, 9, 14, 20):
        _, lot, space = ids[at].split("-")
        ledger.append(f"interment,{1890 + at}-03-04,Ada Fenn {at},A,{lot},{space},18{at + 20}-01-01,{1890 + at}-03-01")
    ledger.append("right,1890-01-01,Fenn,A,3,,,")
    (folder / "register/ledger.csv").write_text("\n".join(ledger) + "\n")
    book = openpyxl.Workbook()
    for line in ledger[:3]:
        book.active.append(line.split(","))
    book.save(folder / "register/more.xlsx")
    toml = (folder / "ground.toml").read_text() + _MORE
    (folder / "ground.toml").write_text(toml)
    said = {"who": "E. Tarn", "why": "seen", "crs": crs.name}
    corner = str(run.tables["corners"]["corner_id"].iloc[3])
    at = shapely.get_coordinates(run.tables["corners"].geometry.iloc[3])[0] + 0.1
    box = shapely.box(*(at - 3), *(at - 1))
    many: list[dict[str, Any]] = [
        {"kind": "edit", "layer": "monuments", "key": "M3", "values": {"note": "read again"}, "was": {"note": None}},
        {"kind": "add", "layer": "obstacles", "key": "T9", "values": {"kind": "tree"}, "shape": box.wkt},
        {"kind": "remove", "layer": "monuments", "key": "M8", "was": {}, "was_shape": None},
        {"kind": "move", "layer": "corners", "key": corner, "shape": f"POINT ({at[0]} {at[1]})", "moved": 0.14},
        {"kind": "edit", "layer": "spaces", "key": ids[3], "values": {"heads": "north", "heads_reason": "family wish"},
         "was": {}},
        {"kind": "opening", "opening_id": f"{ids[16]}/1", "space_id": ids[16], "section": "A", "state": "closed",
         "container": "vault", "container_kind": "vault", "person": "Ada Fenn", "shape": shapes[16].buffer(-0.6).wkt,
         "off_plan": 0.1, "date": "2025-05-01"},
    ]  # fmt: skip
    made_records = record_files.append(
        folder / "records", "edits",
        [{**item, **said, "when": f"2025-06-01T12:{n:02d}:00Z"} for n, item in enumerate(many)],
    )  # fmt: skip
    record_files.append(
        folder / "records", "edits",
        [{"kind": "withdraw", "replaces": [made_records[4]["id"]], **said, "when": "2025-06-02T12:00:00Z"}],
    )  # fmt: skip
    return folder


_MORE = """
[[readings]]
file = "readings/walk.gpx"
visit = "2025-06-01"
corrections = "state network"
reference = "NAD83(2011)"

[[readings]]
file = "readings/log.nmea"
visit = "2025-06-02"
corrections = "state network"
reference = "NAD83(2011)"
occupations = "readings/occupations.csv"

[[taped]]
file = "readings/taped.csv"

[[section]]
name = "K"
plat = "1870"
markers = "southwest"
lots = "plat/k.csv"

[[features]]
layer = "vaults"
file = "survey/vaults.geojson"
reference = "EPSG:6549"
sigma = "0.1 ft"

[[features]]
layer = "monuments"
file = "survey/monuments.geojson"
reference = "EPSG:6549"

[[features]]
layer = "probable_graves"
file = "survey/graves.geojson"
reference = "EPSG:6549"

[[register]]
file = "register/ledger.csv"

[[register]]
file = "register/more.xlsx"
"""


@dataclass(frozen=True)
class Seed:
    """A file to spoil, and what reads it."""

    kind: str
    name: str
    data: bytes
    check: Callable[[Path], None]


_BY_FILE: tuple[tuple[str, str, Callable[[Path], None]], ...] = (
    ("ground.toml", "toml", check_toml),
    ("*occupations*.csv", "occupations", check_occupations),
    ("taped.csv", "taped", check_taped),
    ("ledger.csv", "register", check_register),
    ("*.xlsx", "xlsx", check_spreadsheet),
    ("*.nmea", "nmea", check_nmea),
    ("nmea/*.log", "nmea", check_nmea),
    ("*.gpx", "gpx", check_gpx),
    ("*.geojson", "geojson", check_features),
    ("*.kml", "kml", check_features),
    ("*.gml", "gml", check_features),
    ("*.jsonl", "records", check_records),
    ("plat/*.csv", "lots", check_table),
    ("readings/*.csv", "points", check_points),
    ("control/*.csv", "control", check_points),
    ("control/*", "control", check_table),
    ("names/*.csv", "table", check_table),
)


def seeds(ground: Path) -> list[Seed]:
    """Every file that is spoiled: the demo's, the small ground's, real ones."""
    found: dict[bytes, Seed] = {}
    for folder in (ground, ROOT / "data" / "demo", ROOT / "tests" / "data", SHARED):
        for path in sorted(folder.rglob("*")):
            if not path.is_file() or path.stat().st_size > 1 << 19 or "LICENSE" in path.name or "COPYING" in path.name:
                continue
            for pattern, kind, check in _BY_FILE:
                if path.match(pattern):
                    data = path.read_bytes()
                    found.setdefault(data, Seed(kind, path.name, data, check))
                    break
    return list(found.values())


def other_forms(ground: Path, work: Path) -> list[Seed]:
    """Surveyed things in other formats of vector files."""
    table = gpd.read_file(ground / "survey" / "vaults.geojson")
    found = []
    for ending, driver in (("kml", "KML"), ("gml", "GML"), ("gpkg", "GPKG"), ("fgb", "FlatGeobuf"), ("dxf", "DXF")):
        path = work / f"form.{ending}"
        given = table[["geometry"]] if ending == "dxf" else table
        given.to_crs("EPSG:4326").to_file(path, driver=driver)
        found.append(Seed(ending, path.name, path.read_bytes(), check_features))
    return found


# ---- running --------------------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What came of the cases of one kind."""

    cases: int = 0
    refused: int = 0
    slowest: float = 0.0
    warned: Counter[str] = field(default_factory=Counter)


@contextlib.contextmanager
def bounded(limit: float) -> Iterator[None]:
    """Stop what takes longer; what cannot even be interrupted ends the program with a trace."""

    def stop(*_: object) -> None:
        raise Hangs(f"longer than {limit:g} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, limit)
    faulthandler.dump_traceback_later(10 * limit, exit=True)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@dataclass
class Fuzz:
    """All that a case needs."""

    ground: Path
    work: Path
    files: list[Seed]
    tallies: dict[str, Tally] = field(default_factory=dict)
    failures: dict[str, list[str]] = field(default_factory=dict)

    def case(self, seed: str, number: int) -> None:
        """Run one case; note what is wrong with it."""
        rng = random.Random(f"{seed}/{number}")
        by_kind: dict[str, list[Seed]] = {}
        for item in self.files:
            by_kind.setdefault(item.kind, []).append(item)
        others = [item.data for item in self.files]
        whole = number % RUNS == RUNS - 1
        if whole:
            source = self.ground
            files = sorted(
                path for path in source.rglob("*") if path.is_file() and path.suffix not in (".lock", ".gpkg")
            )
            chosen = rng.choice(files)
            kind, name = "whole run", str(chosen.relative_to(source))
            folder = self.work / "ground"
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(source, folder)
            (folder / name).write_bytes(spoil(chosen.read_bytes(), rng, others))
            write = rng.randrange(WRITES) == 0
            self._try(kind, f"{seed}/{number} {name}", RUN_S, lambda: check_run(folder, write=write))
            return
        item = rng.choice(by_kind[rng.choice(sorted(by_kind))])
        path = self.work / f"spoiled{Path(item.name).suffix}"
        packed = item.data.startswith(b"PK") and rng.random() < 0.8
        path.write_bytes((spoil_packed if packed else spoil)(item.data, rng, others))
        self._try(item.kind, f"{seed}/{number} {item.name}", READ_S, lambda: item.check(path))

    def _try(self, kind: str, name: str, limit: float, call: Callable[[], None]) -> None:
        tally = self.tallies.setdefault(kind, Tally())
        tally.cases += 1
        start = time.monotonic()
        trouble: BaseException | None = None
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            try:
                with bounded(limit):
                    call()
            except InputError as error:
                tally.refused += 1
                if not str(error).strip() or not all(problem.remedy for problem in error.problems):
                    trouble = LostError(f"refused without words: {error}")
            except (Exception, Hangs) as error:
                trouble = error
        tally.slowest = max(tally.slowest, time.monotonic() - start)
        for item in warned:
            tally.warned[
                f"{item.category.__name__}: {str(item.message)[:60]} ({Path(item.filename).name}:{item.lineno})"
            ] += 1
        if trouble is not None:
            frames = [f for f in traceback.extract_tb(trouble.__traceback__) if "cemgis" in f.filename] or [None]
            last = frames[-1]
            where = f"{Path(last.filename).name}:{last.lineno}" if last else "?"
            words = str(trouble).strip().splitlines() or [""]
            key = f"{kind}: {type(trouble).__name__} at {where}: {re.sub(r'[0-9]+', 'N', words[0])[:100]}"
            self.failures.setdefault(key, []).append(name)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seconds", type=float, nargs="?", default=60.0, help="how long (default: 60)")
    parser.add_argument("--seed", default="1", help="another seed gives other cases (default: 1)")
    parser.add_argument("--again", metavar="SEED/NUMBER", help="run one case only and let its error through")
    given = parser.parse_args()
    logging.disable(logging.CRITICAL)
    faulthandler.enable()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    until = time.monotonic() + given.seconds
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        ground = small_ground(work / "small")
        check_run(ground, write=False)  # it is whole before it is spoiled
        fuzz = Fuzz(ground, work, [*seeds(ground), *other_forms(ground, work)])
        if given.again:
            seed, _, number = given.again.partition("/")
            fuzz.case(seed, int(number))
            for key, names in fuzz.failures.items():
                print(key, names)
            kept = Path(tempfile.mkdtemp(prefix="fuzz-"))
            shutil.copytree(work, kept, dirs_exist_ok=True)
            print(f"spoiled files: {kept}")
            return 1 if fuzz.failures else 0
        number = 0
        while time.monotonic() < until:
            fuzz.case(given.seed, number)
            number += 1
    print(f"{'kind':12} {'cases':>6} {'refused':>8} {'slowest':>9}")
    for kind, tally in sorted(fuzz.tallies.items()):
        print(f"{kind:12} {tally.cases:6} {tally.refused:8} {tally.slowest:7.2f} s")
    for kind, tally in sorted(fuzz.tallies.items()):
        for text, many in tally.warned.most_common(8):
            print(f"warned, {kind}: {many} x {text}")
    for key, names in sorted(fuzz.failures.items()):
        print(f"FAILED {key}\n  {len(names)} x, --again {names[0]}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{number} cases, {len(fuzz.failures)} kinds of failure, peak memory {peak:.0f} MB")
    return 1 if fuzz.failures else 0


if __name__ == "__main__":
    sys.exit(main())
