"""What is in a public product, byte for byte: as it stands, and with everything packed or compressed taken apart."""

from __future__ import annotations

import base64
import binascii
import gzip
import html
import io
import re
import sqlite3
import struct
import zlib
from contextlib import closing
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2

from cemgis.web.packing import unpack

BLOCK = re.compile(rb"[A-Za-z0-9+/]{40,}={0,2}")
STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)


def unpacked(path: Path) -> list[tuple[str, bytes]]:
    """All forms of a file's content, each with what it is."""
    raw = path.read_bytes()
    out = [("bytes", raw)]
    if path.suffix == ".html":
        out.append(("text", html.unescape(raw.decode("utf-8")).encode()))
    if path.suffix == ".pdf":
        out += _pdf(raw)
    if path.suffix == ".gpkg":
        out += _sqlite(path)
    if path.suffix in (".html", ".geojson", ".csv", ".txt", ".gpkg"):
        for found in BLOCK.findall(raw):
            out += _block(found)
    return out


def _block(found: bytes) -> list[tuple[str, bytes]]:
    try:
        data = base64.b64decode(found + b"=" * (-len(found) % 4))
    except (binascii.Error, ValueError):
        return []
    if not data.startswith(b"\x1f\x8b"):
        return [("base64", data)]
    whole = gzip.decompress(data)
    header, _ = unpack(found.decode())
    said = "\n".join(_strings(header))
    return [("base64, unzipped", whole), ("header", said.encode("utf-8", "surrogatepass"))]


def _strings(value):
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, item in value.items():
            yield key
            yield from _strings(item)
    elif isinstance(value, list):
        for item in value:
            yield from _strings(item)


def _pdf(raw: bytes) -> list[tuple[str, bytes]]:
    out = []
    for found in STREAM.findall(raw):
        try:
            out.append(("stream, inflated", zlib.decompressobj().decompress(found)))
        except zlib.error:
            continue
    reader = pypdf.PdfReader(io.BytesIO(raw))
    out.append(("metadata", str({**(reader.metadata or {})}).encode()))
    if reader.xmp_metadata is not None:
        out.append(("xmp", str(reader.xmp_metadata.rdf_root.toxml()).encode()))
    with closing(pypdfium2.PdfDocument(raw)) as document:
        for page in document:
            text = page.get_textpage().get_text_bounded()
            out.append(("words", text.encode()))
            # a name may be broken over two lines
            out.append(("words run together", re.sub(r"[\s\u00ad-]+", "", text).encode()))
    return out


def _sqlite(path: Path) -> list[tuple[str, bytes]]:
    out = []
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        out.append(("schema", str(connection.execute("SELECT * FROM sqlite_master").fetchall()).encode()))
        for name in names:
            rows = connection.execute(f'SELECT * FROM "{name}"').fetchall()
            out.append((f"table {name}", repr(rows).encode("utf-8", "surrogatepass")))
            for row in rows:
                for value in row:
                    if isinstance(value, bytes):
                        try:
                            out.append((f"packed in {name}", zlib.decompress(value)))
                        except zlib.error:
                            continue
    return out


def found_in(folder: Path, *needles: str) -> list[str]:
    """Where any of some texts stands in a folder of products, whatever its case and encoding; file names too."""
    wanted = []
    for needle in needles:
        text = needle.lower()
        wanted += [text.encode(), text.encode("utf-16-le"), text.encode("utf-16-be"), text.encode().hex().encode()]
        wanted.append(re.sub(r"[\s-]+", "", text).encode())
        wanted.append(base64.b64encode(needle.encode())[:-4])
    hits = []
    for path in sorted(folder.rglob("*")):
        if any(needle.lower() in path.name.lower() for needle in needles):
            hits.append(f"name of {path.name}")
        if not path.is_file():
            continue
        for what, content in unpacked(path):
            lower = content.lower()
            for one in wanted:
                at = lower.find(one) if one else -1
                if at >= 0:
                    shown = lower[max(0, at - 30) : at + 60]
                    hits.append(f"{path.name}, {what}: {shown!r}")
                    break
    return hits


def numbers_in(folder: Path, numbers) -> list[str]:
    """Where numbers stand in files, as doubles of either byte order or as digits."""
    hits = []
    for path in sorted(folder.rglob("*")):
        if not path.is_file():
            continue
        for what, content in unpacked(path):
            for number in np.unique(np.asarray(numbers, dtype=float)):
                forms = [struct.pack("<d", number), struct.pack(">d", number), f"{number:.3f}".encode()]
                if any(form in content for form in forms):
                    hits.append(f"{path.name}, {what}: {number}")
    return hits
