"""Waypoints: places as GPX 1.1, for a receiver in the field."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import ArrayLike

from cemgis import __version__

__all__ = ["gpx"]

_SPACE = "http://www.topografix.com/GPX/1/1"


def gpx(
    lonlat: ArrayLike, names: Sequence[str], said: Sequence[str], *, title: str, about: str, time: datetime
) -> bytes:
    """Write waypoints as GPX 1.1; equal waypoints give equal bytes.

    Parameters
    ----------
    lonlat : (n, 2) array
        Degrees. The format calls every coordinate WGS 84: say in `about` what they really are.
    names, said : sequence of n str
        Name and description.
    title, about : str
        Of the file.
    time : datetime
        Zoned.

    Examples
    --------
    >>> from datetime import UTC
    >>> made = gpx([[-82.3, 40.9]], ["A-1"], ["by the oak"], title="Search", about="NAD83(2011)",
    ...            time=datetime(2025, 5, 6, tzinfo=UTC))
    >>> b'<wpt lat="40.900000000" lon="-82.300000000">' in made
    True
    """
    ET.register_namespace("", _SPACE)
    root = ET.Element(f"{{{_SPACE}}}gpx", {"version": "1.1", "creator": f"cemgis {__version__}"})
    head = ET.SubElement(root, f"{{{_SPACE}}}metadata")
    for name, text in (("name", title), ("desc", about), ("time", time.strftime("%Y-%m-%dT%H:%M:%SZ"))):
        ET.SubElement(head, f"{{{_SPACE}}}{name}").text = _printable(text)
    for (lon, lat), name, words in zip(np.asarray(lonlat, dtype=float), names, said, strict=True):
        point = ET.SubElement(root, f"{{{_SPACE}}}wpt", {"lat": f"{lat:.9f}", "lon": f"{lon:.9f}"})
        ET.SubElement(point, f"{{{_SPACE}}}name").text = _printable(name)
        ET.SubElement(point, f"{{{_SPACE}}}desc").text = _printable(words)
    ET.indent(root)
    body: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return body + b"\n"


def _printable(text: str) -> str:
    """Text without the control characters XML has no place for."""
    return "".join(sign if sign.isprintable() else " " for sign in text)
