"""Invented grounds whose truth is known: the evidence as files, and what really lies where.

Nothing here is a real place or a real person. A ground is made in the order in which one comes about: a plat is drawn,
its corners are set out with errors, graves are dug from the corners, some markers come to harm, and a crew reads a few
of them. The truth of each step is kept.

All chance comes from one `numpy.random.Generator`; the same seed and the same library versions give the same bytes.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Proj, Transformer

from cemgis.ground import Ground, parse_ground
from cemgis.plat import Plat, make_plat
from cemgis.units import feet_and_inches

__all__ = ["DEMO_SEED", "Invented", "Placement", "demo", "ground", "truth_text"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DEMO_SEED = 1868
"""Seed of the demo ground that comes with the package."""


@dataclass(frozen=True, slots=True)
class Invented:
    """An invented ground.

    Parameters
    ----------
    files : dict of str to bytes
        Path under the ground's folder to content: ``ground.toml`` and all its evidence.
    truth : dict
        What really is: ``seed``, ``crs``, ``unit``, ``plats`` (true transformation and setting sigma of each),
        ``corners`` and ``spaces`` (true grid coordinates by id), ``markers`` (what was done to each),
        ``expected_findings`` (kind and subject) and the sigmas of the readings. Ready for JSON.
    """

    files: dict[str, bytes]
    truth: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Placement:
    """How a plat was really set out.

    Parameters
    ----------
    north : float
        Grid azimuth of the plat's north, degrees clockwise.
    scale : float
        Grid length of one unit of the plat.
    middle : tuple of float
        Grid coordinates (easting, northing) of the middle of the plat's extent.
    setting_sigma : float
        Standard deviation of the error with which each corner was set, each coordinate, in the ground's unit.
    """

    north: float
    scale: float
    middle: tuple[float, float]
    setting_sigma: float

    def conformal(self, plat_xy: Floats) -> tuple[float, float, float, float]:
        """Return a, b, e0, n0 of E = a x - b y + e0, N = b x + a y + n0, for a plat with these points.

        Examples
        --------
        >>> quarter = Placement(90.0, 1.0, (1000.0, 2000.0), 0.1)
        >>> a, b, e0, n0 = quarter.conformal(np.array([[0.0, 0.0], [10.0, 20.0]]))
        >>> round(a, 9), round(b, 9), round(e0, 9), round(n0, 9)
        (0.0, -1.0, 990.0, 2005.0)
        """
        turn = math.radians(self.north)
        a, b = self.scale * math.cos(turn), -self.scale * math.sin(turn)
        x, y = (plat_xy.min(axis=0) + plat_xy.max(axis=0)) / 2.0
        return a, b, self.middle[0] - a * float(x) + b * float(y), self.middle[1] - b * float(x) - a * float(y)


def _apply(parameters: tuple[float, float, float, float], plat_xy: Floats) -> Floats:
    a, b, e0, n0 = parameters
    return np.column_stack([a * plat_xy[:, 0] - b * plat_xy[:, 1] + e0, b * plat_xy[:, 0] + a * plat_xy[:, 1] + n0])


def _bounded(rng: np.random.Generator, size: int | tuple[int, ...], sigma: float, most: float) -> Floats:
    """Draw normal errors, again while beyond ``most`` sigmas."""
    drawn = rng.standard_normal(size)
    while (far := np.abs(drawn) > most).any():
        drawn[far] = rng.standard_normal(int(far.sum()))
    return drawn * sigma


# ---- what really lies where -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Set:
    """A ground as it was really set out."""

    ground: Ground
    plat: Plat
    placements: Mapping[str, Placement]
    conformal: Mapping[str, tuple[float, float, float, float]]
    corners: Floats
    """(n, 2) true grid coordinates of all corners, whether a marker was ever set there or not."""
    sites: Floats
    """(m, 2) true grid coordinates of all markers as they were set."""
    vertices: Floats
    centres: Floats
    along: Floats
    """(s, 2) unit vectors from feet to heads, as the graves really lie."""
    half_length: Floats

    @property
    def spaces(self) -> pd.DataFrame:
        return self.plat.spaces

    @property
    def across(self) -> Floats:
        return np.column_stack([-self.along[:, 1], self.along[:, 0]])


def _lot_table(content: bytes) -> pd.DataFrame:
    table = pd.read_csv(io.BytesIO(content), dtype="string", keep_default_na=False)
    return table.assign(line=np.arange(len(table)) + 2)


def _set_out(
    text: str,
    lot_files: Mapping[str, bytes],
    placements: Mapping[str, Placement],
    heads: Mapping[str, float],
    rng: np.random.Generator,
    most: float = math.inf,
) -> _Set:
    """Draw the plats of ``text`` and set them out with errors, none longer than ``most`` sigmas.

    ``heads`` are plat azimuths by section and by space.
    """
    made = parse_ground(text, Path("invented"))
    plat = make_plat(made, {section: _lot_table(content) for section, content in lot_files.items()})
    plat_xy = plat.corners[["plat_x", "plat_y"]].to_numpy(float)
    names = plat.corners["plat"].astype(str).to_numpy()
    corners = np.full(plat_xy.shape, np.nan)
    conformal = {}
    for name, placement in placements.items():
        mine = names == name
        conformal[name] = placement.conformal(plat_xy[mine])
        errors = rng.standard_normal((int(mine.sum()), 2))
        while (far := np.hypot(*errors.T) > most).any():
            errors[far] = rng.standard_normal((int(far.sum()), 2))
        corners[mine] = _apply(conformal[name], plat_xy[mine]) + placement.setting_sigma * errors
    site_plats = plat.sites["plat"].astype(str).to_numpy()
    site_xy = plat.sites[["plat_x", "plat_y"]].to_numpy(float)
    at = plat.sites["corner_index"].to_numpy(int)
    sites = np.full(site_xy.shape, np.nan)
    for name in placements:
        # An inset marker shares the error of its corner: it was measured in from it.
        mine = site_plats == name
        inset = _apply(conformal[name], site_xy[mine]) - _apply(conformal[name], plat_xy[at[mine]])
        sites[mine] = corners[at[mine]] + inset
    vertices = np.asarray(plat.weights @ corners)
    centres = np.asarray(plat.centre_weights @ corners)
    north = {name: placement.north for name, placement in placements.items()}
    section = plat.spaces["section"].astype(str)
    azimuth = section.map(heads).to_numpy(float)
    azimuth = plat.spaces["space_id"].astype(str).map(heads).fillna(pd.Series(azimuth, plat.spaces.index))
    grid = np.radians(azimuth.to_numpy(float) + plat.spaces["plat"].astype(str).map(north).to_numpy(float))
    along = np.column_stack([np.sin(grid), np.cos(grid)])
    indices, offsets = (np.asarray(part, int) for part in plat.space_rings)
    owner = np.repeat(np.arange(len(centres)), np.diff(offsets))
    out = vertices[indices] - centres[owner]
    lengthwise = np.abs((out * along[owner]).sum(axis=1))
    return _Set(
        made, plat, placements, conformal, corners, sites, vertices, centres, along,
        np.maximum.reduceat(lengthwise, offsets[:-1]),
    )  # fmt: skip


def _rectangles(middle: Floats, along: Floats, length: float | Floats, width: float | Floats) -> Floats:
    """Make closed rings (n, 5, 2) of rectangles whose long side lies along ``along``."""
    half_length = np.broadcast_to(np.asarray(length, float) / 2, len(middle))[:, None]
    half_width = np.broadcast_to(np.asarray(width, float) / 2, len(middle))[:, None]
    forward = along * half_length
    left = np.column_stack([-along[:, 1], along[:, 0]]) * half_width
    corners = [middle - forward + left, middle - forward - left, middle + forward - left, middle + forward + left]
    return np.stack([*corners, corners[0]], axis=1)


def _turned(along: Floats, degrees: Floats) -> Floats:
    """Vectors turned clockwise."""
    turn = np.radians(degrees)
    return np.column_stack(
        [
            along[:, 0] * np.cos(turn) + along[:, 1] * np.sin(turn),
            along[:, 1] * np.cos(turn) - along[:, 0] * np.sin(turn),
        ]
    )


# ---- finding and reading markers ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Marker:
    """A found marker: what it is, where it really stands, what was done to it."""

    site: str
    label: str
    place: tuple[float, float]
    done: str
    corner: str
    condition: str = "whole"


def _found(made: _Set, shares: Mapping[str, float], never: Iterable[str], rng: np.random.Generator) -> list[int]:
    """Rows of the sites whose markers a crew finds: a share of each section, at random."""
    labels = made.plat.sites["label"].astype(str).to_numpy()
    sections = made.plat.sites["section"].astype(str).to_numpy()
    allowed = ~np.isin(labels, list(never))
    chosen: list[int] = []
    for section, share in shares.items():
        rows = np.flatnonzero((sections == section) & allowed)
        count = min(len(rows), round(share * int((sections == section).sum())))
        chosen += sorted(int(row) for row in rng.choice(rows, count, replace=False))
    return chosen


def _stand(made: _Set, rows: Sequence[int]) -> list[_Marker]:
    """Markers that stand where they were set."""
    labels = made.plat.sites["label"].astype(str).to_numpy()
    corners = made.plat.corners["corner_id"].astype(str).to_numpy()
    at = made.plat.sites["corner_index"].to_numpy(int)
    return [
        _Marker(
            labels[row], labels[row], (float(made.sites[row, 0]), float(made.sites[row, 1])), "none", corners[at[row]]
        )
        for row in rows
    ]


def _geographic(grid_xy: Floats, height: Floats, crs: CRS, target: str, epoch: float) -> Floats:
    """Longitude, latitude (degrees) and ellipsoidal height (m) of grid points in a geographic 3-D system."""
    flat = Transformer.from_crs(crs, "EPSG:6318", always_xy=True)
    lon, lat = flat.transform(grid_xy[:, 0], grid_xy[:, 1])
    if target == "EPSG:6319":
        return np.column_stack([lon, lat, height])
    moved = Transformer.from_crs("EPSG:6319", target, always_xy=True)
    x, y, z, _ = moved.transform(lon, lat, height, np.full(len(lon), epoch))
    return np.column_stack([x, y, z])


def _sentence(body: str) -> str:
    """NMEA sentence with its checksum: exclusive or of all characters between $ and *.

    Examples
    --------
    >>> _sentence("GNGGA,092750.000,5321.6802,N,00630.3372,W,4,8,1.03,61.7,M,55.2,M,1.5,0000")[-3:]
    '*47'
    """
    total = 0
    for byte in body.encode("ascii"):
        total ^= byte
    return f"${body}*{total:02X}"


def _degrees_minutes(value: float, digits: int) -> str:
    """Degrees as NMEA writes them: DDMM.mmmmmmm.

    Examples
    --------
    >>> _degrees_minutes(40.9, 2), _degrees_minutes(82.3, 3)
    ('4054.0000000', '08218.0000000')
    """
    ten_millionths = round(abs(value) * 60e7)
    degrees, rest = divmod(ten_millionths, 60 * 10**7)
    return f"{degrees:0{digits}d}{rest // 10**7:02d}.{rest % 10**7:07d}"


@dataclass(frozen=True, slots=True)
class _Stop:
    """One occupation: which label, where the receiver's mean lies, from when."""

    label: str
    mean: tuple[float, float]
    start: pd.Timestamp
    condition: str = "whole"
    kind: str = "disc"
    depth: str = ""
    canopy: str = "open"
    floats: int = 0


def _stops(
    markers: Sequence[_Marker],
    start: pd.Timestamp,
    sigma: float,
    rng: np.random.Generator,
    *,
    kinds: Mapping[str, str],
    most: float = 2.5,
) -> list[_Stop]:
    """Walk from marker to marker; ``sigma`` is that of one occupation, each coordinate, in the ground's unit."""
    errors = _bounded(rng, (len(markers), 2), sigma, most)
    walks = rng.integers(70, 170, len(markers)).cumsum()
    depths = rng.integers(0, 9, len(markers))
    covers = rng.choice(["open", "open", "open", "some", "dense"], len(markers))
    return [
        _Stop(
            marker.label,
            (marker.place[0] + float(error[0]), marker.place[1] + float(error[1])),
            start + pd.Timedelta(seconds=int(walk)),
            marker.condition,
            kinds.get(marker.site.split("-")[0], "disc"),
            f"{depth} in",
            str(cover),
            int(rng.integers(2, 5)) if cover == "dense" else 0,
        )
        for marker, error, walk, depth, cover in zip(markers, errors, walks, depths, covers, strict=True)
    ]


def _nmea(
    stops: Sequence[_Stop], crs: CRS, unit_m: float, rng: np.random.Generator, *, epochs: int, scatter_m: float
) -> tuple[bytes, bytes]:
    """Log (GGA, GST, RMC at 1 Hz in NAD 83(2011)) of these occupations, and their list; two lines are damaged."""
    count = len(stops) * epochs
    first_floats = np.concatenate([np.arange(epochs) < stop.floats for stop in stops])
    noise = _bounded(rng, (count, 2), scatter_m, 2.5) / unit_m
    # While the integers are not fixed yet the whole solution is off by decimetres, not scattered about the truth.
    off = np.repeat(_bounded(rng, (len(stops), 2), 0.25, 2.0), epochs, axis=0) / unit_m
    grid = np.repeat(np.array([stop.mean for stop in stops]), epochs, axis=0) + noise + off * first_floats[:, None]
    antenna_m, mark_height_m, separation_m = 2.0, 341.2, -33.4
    height = np.full(count, mark_height_m + antenna_m) + _bounded(rng, count, 0.015, 2.5)
    where = _geographic(grid, height, crs, "EPSG:6319", 2010.0)
    satellites = rng.integers(14, 23, count)
    hdop = rng.uniform(0.55, 0.85, count)
    sigma_m = np.where(first_floats, rng.uniform(0.22, 0.36, count), rng.uniform(0.008, 0.012, count))
    lines: list[str] = []
    listed = ["label,from,to,kind,condition,depth,antenna_height,base,canopy,note"]
    for number, stop in enumerate(stops):
        for epoch in range(epochs):
            row = number * epochs + epoch
            time = stop.start + pd.Timedelta(seconds=epoch)
            clock, day = time.strftime("%H%M%S.00"), time.strftime("%d%m%y")
            lat, lon = _degrees_minutes(where[row, 1], 2), _degrees_minutes(where[row, 0], 3)
            fix = 5 if first_floats[row] else 4
            sea = where[row, 2] - separation_m
            spread = sigma_m[row]
            lines.append(
                _sentence(
                    f"GNGGA,{clock},{lat},N,{lon},W,{fix},{satellites[row]:02d},{hdop[row]:.2f},{sea:.3f},M,"
                    f"{separation_m:.3f},M,1.0,0021"
                )
            )
            lines.append(
                _sentence(
                    f"GNGST,{clock},{spread * 1.4:.3f},{spread:.3f},{spread:.3f},0.0,{spread:.3f},{spread:.3f},"
                    f"{spread * 1.8:.3f}"
                )
            )
            lines.append(_sentence(f"GNRMC,{clock},A,{lat},N,{lon},W,0.02,0.0,{day},,,R"))
        stamp = "%Y-%m-%dT%H:%M:%SZ"
        last = stop.start + pd.Timedelta(seconds=epochs - 1)
        listed.append(
            f"{stop.label},{stop.start.strftime(stamp)},{last.strftime(stamp)},{stop.kind},{stop.condition},"
            f"{stop.depth},{antenna_m:.3f} m,state network,{stop.canopy},"
        )
    # Two lines as radios leave them: one cut off, one with a digit changed so that its checksum fails.
    lines[40] = lines[40][: len(lines[40]) // 2]
    position = lines[99].index(",N,") - 3
    lines[99] = lines[99][:position] + str((int(lines[99][position]) + 5) % 10) + lines[99][position + 1 :]
    return ("\r\n".join(lines) + "\r\n").encode("ascii"), ("\n".join(listed) + "\n").encode("utf-8")


def _points(
    stops: Sequence[_Stop], crs: CRS, unit_m: float, rng: np.random.Generator, *, shots: int, scatter_m: float,
    target: str, epoch: float,
) -> bytes:  # fmt: skip
    """CSV as a data collector writes it: latitude, longitude and ellipsoidal height in another frame."""
    count = len(stops) * shots
    noise = _bounded(rng, (count, 2), scatter_m, 2.5) / unit_m
    grid = np.repeat(np.array([stop.mean for stop in stops]), shots, axis=0) + noise
    where = _geographic(grid, 341.2 + _bounded(rng, count, 0.015, 2.5), crs, target, epoch)
    names = (
        "Name Latitude Longitude Ell_height_[m] Solution SD_east_[m] SD_north_[m] Sats HDOP UTC Type Condition Depth"
    )
    lines = [names.replace(" ", ";").replace("_", " ") + ";Remark"]
    for number, stop in enumerate(stops):
        for shot in range(shots):
            lon, lat, height = where[number * shots + shot]
            time = stop.start + pd.Timedelta(seconds=10 * shot)
            lines.append(
                f"{stop.label};{lat:.10f};{lon:.10f};{height:.3f};fixed;{rng.uniform(0.008, 0.012):.3f};"
                f"{rng.uniform(0.008, 0.012):.3f};{rng.integers(15, 24)};{rng.uniform(0.5, 0.8):.2f};"
                f"{time.strftime('%Y-%m-%d %H:%M:%S')};{stop.kind};{stop.condition};{stop.depth};"
            )
    return ("\n".join(lines) + "\n").encode("utf-8")


def _gpx(stops: Sequence[_Stop], crs: CRS, rng: np.random.Generator, *, target: str, epoch: float) -> bytes:
    """GPX waypoints in the frame ``target``, with what the receiver's program adds."""
    where = _geographic(np.array([stop.mean for stop in stops]), np.full(len(stops), 341.2), crs, target, epoch)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="field book" xmlns="http://www.topografix.com/GPX/1/1">',
    ]
    for stop, (lon, lat, height) in zip(stops, where, strict=True):
        lines.append(
            f'<wpt lat="{lat:.10f}" lon="{lon:.10f}"><ele>{height:.3f}</ele>'
            f"<time>{stop.start.strftime('%Y-%m-%dT%H:%M:%SZ')}</time><name>{stop.label}</name>"
            f"<sat>{rng.integers(14, 22)}</sat><hdop>{rng.uniform(0.5, 0.9):.2f}</hdop>"
            f"<extensions><solution>fixed</solution><sd>{rng.uniform(0.008, 0.012):.3f}</sd>"
            f"<condition>{stop.condition}</condition></extensions></wpt>"
        )
    lines.append("</gpx>")
    return ("\n".join(lines) + "\n").encode("utf-8")


# ---- writing ------------------------------------------------------------------------------------------------------


def _geojson(rings: Sequence[Any], table: pd.DataFrame, crs: str, shape: str = "Polygon") -> bytes:
    """GeoJSON in a projected system, a feature a line. ``rings``: (k, 2) arrays; a point is (1, 2)."""
    number = crs.split(":")[1]
    lines = []
    for ring, row in zip(rings, table.to_dict("records"), strict=True):
        points = [[round(float(x), 2), round(float(y), 2)] for x, y in ring]
        inside: Any = {"Polygon": [points], "LineString": points, "Point": points[0]}[shape]
        properties = {key: value for key, value in row.items() if value is not None}
        feature = {"type": "Feature", "properties": properties, "geometry": {"type": shape, "coordinates": inside}}
        lines.append(json.dumps(feature, ensure_ascii=False, separators=(",", ":")))
    head = (
        '{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::'
        + number
        + '"}},"features":['
    )
    return (head + "\n" + ",\n".join(lines) + "\n]}\n").encode("utf-8")


def truth_text(truth: Mapping[str, Any]) -> str:
    """Return a truth as JSON, one entry of its long tables a line.

    Examples
    --------
    >>> print(truth_text({"seed": 1, "corners": {"1889:0.00,0.00": [1.0, 2.5]}}))
    {
    "seed": 1,
    "corners": {
     "1889:0.00,0.00": [1.0, 2.5]
    }
    }
    <BLANKLINE>
    """

    def entry(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False)

    parts = []
    for key, value in truth.items():
        if isinstance(value, Mapping):
            inside = ",\n".join(f" {entry(name)}: {entry(item)}" for name, item in value.items())
            parts.append(f"{entry(key)}: {{\n{inside}\n}}")
        elif isinstance(value, list):
            inside = ",\n".join(f" {entry(item)}" for item in value)
            parts.append(f"{entry(key)}: [\n{inside}\n]")
        else:
            parts.append(f"{entry(key)}: {entry(value)}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _truth(
    made: _Set, seed: int, markers: Sequence[_Marker], expected: Sequence[tuple[str, str]], digits: int, **more: Any
) -> dict[str, Any]:
    def pairs(ids: Iterable[object], xy: Floats) -> dict[str, list[float]]:
        rounded = np.round(xy, digits)
        return {str(name): [float(e), float(n)] for name, (e, n) in zip(ids, rounded, strict=True)}

    return {
        "seed": seed,
        "crs": made.ground.crs.crs.to_string(),
        "unit": made.ground.unit.name,
        **more,
        "expected_findings": [list(pair) for pair in expected],
        "plats": {
            name: {
                "a": parameters[0], "b": parameters[1], "e0": parameters[2], "n0": parameters[3],
                "north": made.placements[name].north, "scale": made.placements[name].scale,
                "setting_sigma": made.placements[name].setting_sigma,
            }
            for name, parameters in made.conformal.items()
        },
        "markers": [
            {
                "label": marker.label, "site": marker.site, "corner_id": marker.corner,
                "at": [round(marker.place[0], digits), round(marker.place[1], digits)],
                "done": marker.done, "condition": marker.condition,
            }
            for marker in markers
        ],
        "corners": pairs(made.plat.corners["corner_id"], made.corners),
        "spaces": pairs(made.plat.spaces["space_id"], made.centres),
    }  # fmt: skip


# ---- the demo ground ------------------------------------------------------------------------------------------------

_DEMO_TOML = """\
# Millrace Hill Burying Ground is invented: its land, its plats, its people. See README.md in this folder.
schema_version = 1
name = "Millrace Hill Burying Ground"
place = "near Tansy Fork, Ohio (invented)"
crs = "EPSG:6549"
call = "the county coroner, 555 0142, then the office, 555 0100 (invented)"

# ---- what was read in the field ------------------------------------------------------------------------------------
[[readings]]
file = "readings/spring.nmea"
visit = "2025-05-06"
receiver = "rover 1"
corrections = "state network, delivers NAD83(2011)"
reference = "NAD83(2011)"
occupations = "readings/spring_occupations.csv"

[[readings]]
file = "readings/summer.csv"
visit = "2025-06-17"
receiver = "rover 2"
corrections = "worldwide satellite service, delivers ITRF2014 at the day's epoch"
reference = "ITRF2014"
epoch = 2025.46
delimiter = ";"
columns = { label = "Name", x = "Longitude", y = "Latitude", height = "Ell height [m]", fix = "Solution", \
sigma_e = "SD east [m]", sigma_n = "SD north [m]", satellites = "Sats", hdop = "HDOP", time = "UTC", kind = "Type", \
condition = "Condition", depth = "Depth", note = "Remark" }

[[readings]]
file = "readings/autumn.gpx"
visit = "2025-09-09"
receiver = "rover 1"
corrections = "state network, delivers NAD83(2011)"
reference = "NAD83(2011)"
columns = { fix = "solution", sigma_m = "sd", condition = "condition" }

[[taped]]
file = "readings/taped.csv"

[[control]]
name = "Tansy Fork 3"
label = "TF3"
reference = "EPSG:6549"
x = @CONTROL_X@
y = @CONTROL_Y@
source = "invented county survey, control record 3 of 2014"

# ---- plats and sections ---------------------------------------------------------------------------------------------
[[plat]]
name = "1868"
date = "1868"
source = "drawn from memory by the sexton's son in 1931; plat book 1, page 2"

[[plat]]
name = "1889"
date = "1889-05-01"
source = "recorded, plat book 4, page 31"

[[plat]]
name = "1924"
date = "1924-08-12"
source = "recorded, plat book 9, page 7"

[[plat]]
name = "1958"
date = "1958-03-20"
source = "recorded, plat book 15, page 112"

[[plat]]
name = "1990"
date = "1990-10-02"
source = "recorded, plat cabinet 2, slide 44"

# The old ground: lots of differing sizes, listed one by one. Its rows lie some twenty degrees off north.
[[section]]
name = "A"
title = "Old ground"
plat = "1868"
heads = "west"
markers = "southwest"
lots = "plat/section_a.csv"

# Pairs of rows back to back, walks between; numbers go up one row and down the next.
[[section]]
name = "B"
title = "Hill section"
plat = "1889"
heads = "west"
markers = "southwest"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 8
lots = 16
frontage = "16 ft"
depth = "12 ft"
between_rows = ["0 ft", "8 ft"]
breaks = [{ after = 8, width = "10 ft" }]
numbering = "back and forth"
spaces = 4
facing = "east"
from = "left"

# Rows are lettered, numbers start again in each. There is no 13; after 12 comes 12A; trees stand on all the 9s.
[[section]]
name = "C"
title = "Elm walk"
plat = "1924"
heads = "west"
markers = "northeast"
marker_inset = "6 in"
[[section.rows]]
at = ["0 ft", "112 ft"]
run = "east"
step = "south"
rows = 6
row_names = ["p", "q", "r", "s", "t", "u"]
lots = 17
frontage = "12 ft"
depth = "16 ft"
between_rows = ["0 ft", "8 ft"]
numbering = "restart"
skip = [13]
empty = [9]
blank = [[2, 5]]
extra = { "12" = ["12A"] }
spaces = 4
facing = "west"
from = "left"

# Nobody wrote down a rule for the heads here, so the common one stands.
[[section]]
name = "D"
title = "Veterans' slope"
plat = "1958"
markers = "southwest"
[[section.rows]]
at = ["108 ft", "0 ft"]
run = "north"
step = "west"
rows = 7
lots = 14
frontage = "16 ft"
depth = "12 ft"
between_rows = "4 ft"
numbering = "run on"
spaces = 4
facing = "west"
from = "left"

# Single graves, two rows for infants, a garden for urns and a wall with niches.
[[section]]
name = "E"
title = "Meadow"
plat = "1990"
heads = { axis = "lots", facing = "west" }
markers = "southwest"
exceptions = [{ space = "E-2-17", heads = "east", reason = "asked for by the family" }]
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 5
singles = 30
frontage = "4 ft"
depth = "12 ft"
between_rows = "2 ft"
numbering = "restart"
markers_at = "row ends"
[[section.rows]]
at = ["78 ft", "0 ft"]
run = "north"
step = "east"
rows = 2
singles = 24
frontage = "3 ft"
depth = "5 ft"
between_rows = "2 ft"
numbering = "restart"
kind = "infant"
markers_at = "row ends"
[[section.rows]]
at = ["100 ft", "0 ft"]
run = "east"
step = "north"
rows = 4
lots = 10
frontage = "6 ft"
depth = "3 ft"
between_rows = "3 ft"
numbering = "run on"
first = 101
spaces = 2
facing = "north"
from = "left"
kind = "cremation"
[[section.niches]]
building = "N"
face = "east"
rows = 5
columns = 12

# ---- what else lies there -------------------------------------------------------------------------------------------
[[features]]
layer = "vaults"
file = "survey/vaults.geojson"
reference = "EPSG:6549"
sigma = "0.10 ft"

[[features]]
layer = "monuments"
file = "survey/monuments.geojson"
reference = "EPSG:6549"
sigma = "0.10 ft"

[[features]]
layer = "probable_graves"
file = "survey/probable_graves.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"

[[features]]
layer = "obstacles"
file = "survey/trees.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"
radius = "2 ft"

[[features]]
layer = "drives"
file = "survey/drives.geojson"
reference = "EPSG:6549"
sigma = "0.5 ft"

[[register]]
file = "register/ledger.csv"

# The drawing of the hill section as it hangs in the office, scanned a little askew, and points that were clicked on it.
[[scan]]
file = "plat/plat_1889.png"
points = "plat/plat_1889_points.csv"
plat = "1889"
model = "second order"

# The sexton's own book tells some burials again and some the clerk never heard of. Where two lists differ, the one
# named first counts.
[[register]]
file = "register/sexton.csv"
kind = "interment"
columns = { number = "No.", name = "Whom", date = "Buried", died = "Died", born = "Born", place = "Where" }

[[register]]
file = "register/stones.csv"
kind = "stone"

[[register]]
file = "register/told.csv"
kind = "memory"

[[crosswalk]]
file = "register/old_numbers.csv"

# ---- opening a grave ------------------------------------------------------------------------------------------------
[[container]]
name = "concrete vault"
length = "90 in"
width = "34 in"
height = "36 in"

[[container]]
name = "plain casket"
kind = "none"
length = "84 in"
width = "28 in"
height = "24 in"

[[container]]
name = "urn vault"
kind = "urn"
length = "14 in"
width = "14 in"
height = "12 in"

[equipment]
straps = "8 ft"
machine = "small backhoe"
machine_width = "5 ft 6 in"
tape = "100 ft"
shoring = "hydraulic shores, two sets, in the barn"
pump = "2 in pump in the barn"
boards = "four 2 in oak boards, 8 ft"
"""

_DEMO_ORIGIN = (2023700.0, 449300.0)
"""Near 40.9 N, 82.3 W in EPSG:6549; the places below count from here, in feet."""


def _local(east: float, north: float) -> tuple[float, float]:
    return _DEMO_ORIGIN[0] + east, _DEMO_ORIGIN[1] + north


# North and scale of the old plats: compass and chain of their time, as an inventor likes them.
_DEMO_PLACEMENTS = {
    "1868": Placement(20.3, 1.0011, _local(-128.0, 150.0), 0.20),
    "1889": Placement(1.4, 1.0004, _local(60.0, 133.0), 0.18),
    "1924": Placement(-0.6, 0.9997, _local(262.0, 200.0), 0.15),
    "1958": Placement(0.3, 1.0001, _local(455.0, 130.0), 0.12),
    "1990": Placement(0.1, 0.9999, _local(240.0, 60.0), 0.08),
}
_DEMO_MOST = 2.4
"""Longest setting error of the demo, in deviations: what looks like a blunder there is one that was planted."""
_WEST, _EAST = 270.0, 90.0
_DEMO_HEADS = {"A": _WEST, "B": _WEST, "C": _WEST, "D": _EAST, "E": _WEST, "E-2-17": _EAST}
_DEMO_SHARES = {"A": 0.26, "B": 0.25, "C": 0.25, "D": 0.24, "E": 0.40}


def _old_ground() -> bytes:
    """Lots of section A: pairs of rows back to back, one or two lots longer than the others."""
    heights = (16, 16, 20, 16, 16, 24, 16, 16, 20, 16, 16, 16, 16, 20)
    lines = ["section,row,lot,x,y,width,depth,spaces,facing,from"]
    number = 0
    for row, x in enumerate((0, 12, 32, 44, 64, 76), 1):
        y = 0
        for place, height in enumerate(heights, 1):
            number += 1
            lines.append(f"A,{row},{number},{x},{y},12,{height},{height // 4},east,left")
            y += height + (8 if place == 7 else 0)
    return ("\n".join(lines) + "\n").encode("utf-8")


def _southeast(made: _Set, lot_id: str) -> tuple[float, float]:
    """Where a lot's southeast corner really is."""
    row = int(np.flatnonzero(made.plat.lots["lot_id"].astype(str).to_numpy() == lot_id)[0])
    indices, offsets = made.plat.lot_rings
    ring = np.asarray(indices, int)[offsets[row] : offsets[row + 1]]
    x, y = made.plat.corners[["plat_x", "plat_y"]].to_numpy(float)[ring].T
    east, north = made.corners[ring[np.argmax(x - y)]]
    return float(east), float(north)


_DEMO_NEVER = ("B-16", "D-74")  # their own markers stay in the ground, so that only the misread ones bear the label
_DEMO_BAD = ("B-91", "D-47", "B-57", "D-31", "A-29")
_MOWER_FT, _MOWER_AZIMUTH = 1.8, 65.0


def _harm(made: _Set, markers: Sequence[_Marker]) -> list[_Marker]:
    """Do to the demo's markers what its README says."""
    turn = math.radians(_MOWER_AZIMUTH)
    changed = []
    for marker in markers:
        label, at, done, condition = marker.label, marker.place, "none", "whole"
        if marker.site == "B-91":
            label, done = "B-16", "label read upside down: 91 as 16"
        elif marker.site == "D-47":
            label, done = "D-74", "two digits of the label swapped"
        elif marker.site == "B-57":
            at = (at[0] + _MOWER_FT * math.sin(turn), at[1] + _MOWER_FT * math.cos(turn))
            done = f"moved {_MOWER_FT} ft by a mower"
        elif marker.site == "D-31":
            at, done = _southeast(made, "D-31"), "set at the southeast corner instead of the southwest"
        elif marker.site == "A-29":
            condition, done = "broken", "broken, but where it was set"
        changed.append(_Marker(marker.site, label, at, done, marker.corner, condition))
    return changed


def _demo_readings(
    made: _Set, markers: Sequence[_Marker], sigma_m: float, rng: np.random.Generator
) -> tuple[dict[str, bytes], dict[str, list[str]]]:
    """Make the three visits and the tapes, and tell which labels each read."""
    crs, unit_m = made.ground.crs.crs, made.ground.unit.metres
    sigma = sigma_m / unit_m
    kinds = {"A": "stone", "B": "clay", "C": "disc", "D": "disc", "E": "pin"}

    def sample(section: str, count: int) -> list[_Marker]:
        good = [marker for marker in markers if marker.site.startswith(section) and marker.done == "none"]
        return [good[index] for index in sorted(rng.choice(len(good), count, replace=False))]

    only_autumn = [marker for section in "ABCD" for marker in sample(section, 2)]
    early = [marker for marker in markers if marker not in only_autumn]
    twice = [marker for section, count in (("A", 6), ("B", 8), ("C", 5), ("D", 5)) for marker in sample(section, count)]
    twice = [marker for marker in twice if marker not in only_autumn]
    bad_twice = [marker for marker in early if marker.site in ("B-57", "D-31")]
    own = _Marker("TF3", "TF3", _DEMO_CONTROL, "none", "")
    spring = [own] + [m for m in early if m.site[0] in "AB" or m in twice or m in bad_twice]
    summer = [own] + [m for m in early if m.site[0] in "CDE" or m in twice or m in bad_twice]
    good_early = [marker for marker in early if marker.done == "none" and marker.site[0] in "ABCD"]
    again = sorted(rng.choice(len(good_early), 24, replace=False))
    autumn = [good_early[index] for index in again] + only_autumn
    stops = [
        _stops(visited, pd.Timestamp(start), sigma, rng, kinds=kinds)
        for visited, start in (
            (spring, "2025-05-06 13:05:00"), (summer, "2025-06-17 12:40:00"), (autumn, "2025-09-09 14:10:00"),
        )
    ]  # fmt: skip
    log, listed = _nmea(stops[0], crs, unit_m, rng, epochs=16, scatter_m=0.004)
    files = {
        "readings/spring.nmea": log,
        "readings/spring_occupations.csv": listed,
        # The correction service of this one works in ITRF2014, and ground.toml says so.
        "readings/summer.csv": _points(
            stops[1], crs, unit_m, rng, shots=3, scatter_m=0.004, target="EPSG:7912", epoch=2025.46
        ),
        # The same is true here, but ground.toml says NAD83(2011): the whole file lies 1.28 m off.
        "readings/autumn.gpx": _gpx(stops[2], crs, rng, target="EPSG:7912", epoch=2025.69),
        "readings/taped.csv": _taped(made, [m for m in spring[1:] + summer[1:] if m.done == "none"], rng),
    }
    read = {
        "readings/spring.nmea": [marker.label for marker in spring],
        "readings/summer.csv": [marker.label for marker in summer],
        "readings/autumn.gpx": [marker.label for marker in autumn],
    }
    return files, read


def _taped(made: _Set, markers: Sequence[_Marker], rng: np.random.Generator) -> bytes:
    """Ground distances between neighbouring markers, to a quarter inch, with a good tape."""
    unique = list({marker.label: marker for marker in markers}.values())
    at = np.array([marker.place for marker in unique])
    lon, lat = Transformer.from_crs(made.ground.crs.crs, "EPSG:6318", always_xy=True).transform(*at.mean(axis=0))
    grid_scale = Proj(made.ground.crs.crs).get_factors(lon, lat).meridional_scale
    combined = grid_scale * 6_372_000.0 / (6_372_000.0 + 341.2)
    lines = ["from,to,distance,date,note"]
    taken: set[str] = set()
    for section in "ABCD":
        mine = [index for index, marker in enumerate(unique) if marker.site.startswith(section)]
        apart = np.hypot(*(at[mine][:, None] - at[mine][None]).transpose(2, 0, 1))
        apart[np.tril_indices(len(mine))] = np.inf
        for flat in np.argsort(apart, axis=None, kind="stable"):
            one, other = (unique[mine[index]] for index in np.unravel_index(flat, apart.shape))
            if len([pair for pair in taken if pair.startswith(section)]) >= 6 or not np.isfinite(apart.flat[flat]):
                break
            if {one.label, other.label} & taken:
                continue
            taken |= {one.label, other.label}
            distance = float(apart.flat[flat]) / combined + float(_bounded(rng, 1, 0.02, 2.0)[0])
            lines.append(f"{one.label},{other.label},{feet_and_inches(distance, 4)},2025-06-18,level tape")
    return ("\n".join(lines) + "\n").encode("utf-8")


# ---- graves, stones, vaults, people ---------------------------------------------------------------------------------

# First names from many places; family names put together for this ground and borne, it is hoped, by nobody.
_GIVEN = (
    "Abel", "Adaeze", "Agnes", "Alma", "Amos", "Anneke", "Asa", "Beatriz", "Bogdan", "Caleb", "Cora", "Dalia",
    "Delphine", "Ebba", "Edith", "Elihu", "Emeka", "Ephraim", "Estela", "Ezra", "Fadia", "Flora", "Gideon",
    "Gunnar", "Hanh", "Hattie", "Henrike", "Hiram", "Ida", "Ignacy", "Ilse", "Isamu", "Ivo", "Jadwiga",
    "Jemima", "Josefa", "Jubal", "Kwame", "Lavinia", "Leocadia", "Levi", "Lin", "Lucinda", "Lupe", "Magdalena",
    "Marit", "Mehmet", "Micah", "Minh", "Mirela", "Moses", "Nadia", "Obadiah", "Olena", "Otto", "Pavel",
    "Phoebe", "Priya", "Rahel", "Ramon", "Rufus", "Ruth", "Sadie", "Samir", "Selma", "Silas", "Soledad", "Sven",
    "Tabitha", "Tadeusz", "Thaddeus", "Tomasz", "Ursula", "Vera", "Wanda", "Wilhelm", "Xenia", "Yusuf", "Zelda",
    "Zora",
)  # fmt: skip
_FAMILY_FIRST = (
    "Ald", "Barro", "Brun", "Cald", "Dorn", "Ekw", "Fenn", "Gar", "Hask", "Ilv", "Jar", "Kess", "Lov", "Marr",
    "Nak", "Ock", "Petr", "Quill", "Rost", "Sand", "Tall", "Ubr", "Vass", "Wend", "Yar", "Zel",
)  # fmt: skip
_FAMILY_LAST = (
    "aby", "anczyk", "arelo", "ashima", "berry", "eboe", "edahl", "enko", "erling", "escu", "iatta", "ingham",
    "isse", "ogawe", "olini", "ombe", "oughty", "quist", "rada", "strom", "uyen", "vardan", "wick", "yevski",
)  # fmt: skip


def _families(rng: np.random.Generator, count: int) -> NDArray[np.str_]:
    names = np.array([first + last for first in _FAMILY_FIRST for last in _FAMILY_LAST])
    return rng.choice(names, count)


@dataclass(frozen=True)
class _Graves:
    """Which spaces are in use, by row of the spaces table."""

    occupied: Ints
    stones: Ints
    vaults: Ints


_DEMO_USED = {"A": 0.62, "B": 0.56, "C": 0.46, "D": 0.42, "E": 0.34}
_DEMO_STONE_SHARE = {"A": 0.45, "B": 0.50, "C": 0.55, "D": 0.60, "E": 0.60}
_DEMO_VAULT_SHARE = {"A": 0.0, "B": 0.0, "C": 0.10, "D": 0.45, "E": 0.70}
# Spaces the planted troubles need: (space with the vault, neighbour).
_ASTRAY_AND_SHORT = ("D-52-2", "D-52-3")
_ASTRAY = ("E-4-20", "E-4-21")
_NEAR_STONE = "D-66-2"
_HEAD_TO_STONE_FT, _STONE_DEEP_FT, _STONE_WIDE_FT = 0.9, 0.8, 2.0
_VAULT_LONG_FT, _VAULT_WIDE_FT, _VAULT_TO_FOOT_FT = 7.5, 2.5, 0.6


def _use(made: _Set, rng: np.random.Generator) -> _Graves:
    ids = made.spaces["space_id"].astype(str).to_numpy()
    sections = made.spaces["section"].astype(str).to_numpy()
    kinds = made.spaces["kind"].astype(str).to_numpy()
    must = np.isin(ids, [*_ASTRAY_AND_SHORT, _ASTRAY[0], _NEAR_STONE, "E-2-17"])
    never = np.isin(ids, [_ASTRAY[1], "E-4-19"])
    share = pd.Series(sections).map(_DEMO_USED).to_numpy(float)
    occupied = ((rng.random(len(ids)) < share) | must) & ~never
    full = kinds == "full"
    share = pd.Series(sections).map(_DEMO_STONE_SHARE).to_numpy(float)
    stones = occupied & full & ((rng.random(len(ids)) < share) | must)
    share = pd.Series(sections).map(_DEMO_VAULT_SHARE).to_numpy(float)
    vaults = occupied & full & ((rng.random(len(ids)) < share) | must) & ~np.isin(ids, ["E-2-17"])
    return _Graves(np.flatnonzero(occupied), np.flatnonzero(stones), np.flatnonzero(vaults))


def _toward(made: _Set, row: int, neighbour: str) -> float:
    """Which hand of a space (its ``across``) another one lies on."""
    other = int(np.flatnonzero(made.spaces["space_id"].astype(str).to_numpy() == neighbour)[0])
    return float(np.sign((made.centres[other] - made.centres[row]) @ made.across[row]))


def _survey(made: _Set, graves: _Graves, rng: np.random.Generator) -> dict[str, bytes]:
    """Stones, vaults, probable graves, trees and drives as they were measured."""
    crs = made.ground.crs.crs.to_string()
    ids = made.spaces["space_id"].astype(str).to_numpy()
    sections = made.spaces["section"].astype(str).to_numpy()
    files = {}

    rows = graves.stones
    count = len(rows)
    away = made.half_length[rows] - _HEAD_TO_STONE_FT + _bounded(rng, count, 0.08, 2.0)
    middle = made.centres[rows] + made.along[rows] * away[:, None]
    middle += made.across[rows] * _bounded(rng, count, 0.1, 2.0)[:, None]
    turned = _turned(made.across[rows], _bounded(rng, count, 1.5, 2.0))
    table = pd.DataFrame(
        {
            "monument_id": [f"M-{name}" for name in ids[rows]],
            "section": sections[rows],
            "space_id": ids[rows],
            "kind": "headstone",
            "height": np.round(rng.uniform(1.0, 4.2, count), 1),
            "condition": rng.choice(["standing", "standing", "standing", "standing", "leaning"], count),
        }
    )
    files["survey/monuments.geojson"] = _geojson(
        list(_rectangles(middle, turned, _STONE_WIDE_FT, _STONE_DEEP_FT)), table, crs
    )

    rows = graves.vaults
    count = len(rows)
    to_head = np.full(count, -_VAULT_TO_FOOT_FT) + _bounded(rng, count, 0.06, 2.0)
    aside = _bounded(rng, count, 0.06, 2.0)
    turn = _bounded(rng, count, 0.4, 2.0)
    names = list(ids[rows])
    for space, neighbour, by, degrees in ((*_ASTRAY_AND_SHORT, 0.85, 7.0), (*_ASTRAY, 0.75, 9.0)):
        place = names.index(space)
        aside[place], turn[place] = by * _toward(made, int(rows[place]), neighbour), degrees
    # Six hundredths of a foot from its stone, wherever that stands.
    near = int(rows[names.index(_NEAR_STONE)])
    stone_face = away[list(graves.stones).index(near)] - _STONE_DEEP_FT / 2
    to_head[names.index(_NEAR_STONE)] = stone_face - 0.06 - _VAULT_LONG_FT / 2
    aside[names.index(_NEAR_STONE)] = turn[names.index(_NEAR_STONE)] = 0.0
    middle = made.centres[rows] + made.along[rows] * to_head[:, None] + made.across[rows] * aside[:, None]
    table = pd.DataFrame(
        {
            "vault_id": [f"V-{name}" for name in names],
            "section": sections[rows],
            "space_id": names,
            "container": rng.choice(["concrete vault", "concrete vault", "concrete grave liner", "steel vault"], count),
            "heads": np.where(sections[rows] == "D", "east", "west"),
            "top_depth": np.round(rng.uniform(1.6, 2.6, count), 1),
            "seen": [f"{year}-{month:02d}-{day:02d}" for year, month, day in zip(
                rng.integers(2008, 2026, count), rng.integers(4, 11, count), rng.integers(1, 29, count), strict=True)],
        }
    )  # fmt: skip
    files["survey/vaults.geojson"] = _geojson(
        list(_rectangles(middle, _turned(made.along[rows], turn), _VAULT_LONG_FT, _VAULT_WIDE_FT)), table, crs
    )

    free = np.setdiff1d(np.flatnonzero(np.isin(sections, ["A", "B"])), graves.occupied)
    rows = np.sort(rng.choice(free, 7, replace=False))
    table = pd.DataFrame(
        {
            "grave_id": [f"PG-{number}" for number in range(1, 8)],
            "section": sections[rows],
            "space_id": ids[rows],
            "reason": rng.choice(["sunken ground", "probe met resistance", "remembered by the sexton"], 7),
            "confidence": rng.choice(["likely", "very likely"], 7),
        }
    )
    files["survey/probable_graves.geojson"] = _geojson(
        list(_rectangles(made.centres[rows], made.along[rows], 6.5, 2.3)), table, crs
    )

    elms = _apply(made.conformal["1924"], np.array([[102.0, 104.0], [102.0, 64.0], [102.0, 24.0]]))
    others = np.array(
        [_local(*place) for place in ((-12, 40), (-11, 180), (333, 40), (335, 95), (394, 60), (394, 200))]
    )
    table = pd.DataFrame(
        {
            "obstacle_id": [f"T-{number}" for number in range(1, 10)],
            "kind": "tree",
            "note": ["elm"] * 3 + ["sugar maple", "sugar maple", "white oak", "pin oak", "spruce", "spruce"],
        }
    )
    files["survey/trees.geojson"] = _geojson([[place] for place in np.vstack([elms, others])], table, crs, "Point")

    drives = (
        ("DR-1", "Gate drive", "asphalt", (134, -20, 146, 290)),
        ("DR-2", "Elm drive", "gravel", (146, 126, 377, 138)),
        ("DR-3", "Slope drive", "gravel", (377, -20, 389, 290)),
        ("DR-4", "Old cartway", "grass", (-34, -20, -22, 290)),
    )
    rings = [
        np.array([_local(w, s), _local(e, s), _local(e, n), _local(w, n), _local(w, s)]) for *_, (w, s, e, n) in drives
    ]
    table = pd.DataFrame([drive[:3] for drive in drives], columns=["drive_id", "name", "surface"])
    files["survey/drives.geojson"] = _geojson(rings, table, crs)
    return files


_YEARS = {"A": (1868, 1931), "B": (1889, 1972), "C": (1924, 2012), "D": (1958, 2025), "E": (1990, 2025)}
_DEMO_RECORDED = {"A": 0.42, "B": 0.55, "C": 0.60, "D": 0.72, "E": 0.90}
"""Share of the burials of a section that the ledger still knows."""
_NOWHERE = ("B", "318", "2")
"""A place the ledger names and no plat has."""


def _day(rng: np.random.Generator, years: tuple[int, int]) -> str:
    """Draw a date as ledgers give it: mostly a day, sometimes a month or a year only."""
    year, month, day = int(rng.integers(years[0], years[1])), int(rng.integers(1, 13)), int(rng.integers(1, 29))
    part = rng.random()
    if part < 0.06:
        return f"{year}"
    return f"{year}-{month:02d}" if part < 0.1 else f"{year}-{month:02d}-{day:02d}"


def _ledger(made: _Set, graves: _Graves, rng: np.random.Generator) -> bytes:
    """Write the clerk's list: people, a few who were moved away, rights sold ahead, one impossible place."""
    columns = ("kind", "date", "name", "section", "lot", "space", "born", "died", "container", "holder", "instrument")
    spaces = made.spaces
    sections = spaces["section"].astype(str).to_numpy()
    kinds = spaces["kind"].astype(str).to_numpy()
    lots, numbers = _written_places(made)
    families = _families(rng, len(spaces))
    # One family to a lot, mostly.
    owner = pd.Series(families).groupby(pd.Series(sections) + "-" + pd.Series(lots)).transform("first").to_numpy(str)
    rows: list[dict[str, str]] = []

    def enter(kind: str, row: int, **more: str) -> dict[str, str]:
        entry = {"kind": kind, "section": sections[row], "lot": lots[row], "space": numbers[row], **more}
        rows.append(entry)
        return entry

    for row in graves.occupied:
        if rng.random() > _DEMO_RECORDED[sections[row]]:
            continue
        date = _day(rng, _YEARS[sections[row]])
        year = int(date[:4])
        age = int(rng.integers(0, 2)) if kinds[row] == "infant" else int(rng.integers(17, 94))
        own = str(owner[row]) if rng.random() < 0.85 else str(families[row])
        person = {
            "date": date, "name": f"{rng.choice(_GIVEN)} {own}", "born": str(year - age), "died": date,
        }  # fmt: skip
        if kinds[row] == "cremation":
            enter("urn placed", int(row), container="urn", **person)
            continue
        box = "" if year < 1930 else str(rng.choice(["concrete vault", "grave liner", "none", ""]))
        enter("interment", int(row), container=box, **person)
        if kinds[row] == "full" and year < 1990 and rng.random() < 0.02:
            enter("disinterment", int(row), date=f"{year + int(rng.integers(2, 30))}-06-14", name=person["name"])
    for row in rng.choice(np.setdiff1d(np.arange(len(spaces)), graves.occupied), 90, replace=False):
        year = int(rng.integers(_YEARS[sections[row]][0] + 5, 2025))
        enter(
            "right", int(row), date=f"{year}-05-01", holder=f"{rng.choice(_GIVEN)} {owner[row]}",
            instrument=f"deed {int(rng.integers(1, 30))}/{int(rng.integers(1, 400))}",
        )  # fmt: skip
    for number in range(12):
        # Only the lot was written down.
        row = int(rng.choice(np.flatnonzero((sections == "A") & (kinds == "full"))))
        date = _day(rng, (1870, 1900))
        enter("interment", row, date=date, name=f"{rng.choice(_GIVEN)} {owner[row]}", died=date)["space"] = ""
        rows[-1]["instrument"] = f"loose leaf {number + 1}"
    for face_row, column in ((1, 1), (1, 2), (1, 5), (2, 3), (2, 4), (3, 9), (4, 11), (5, 12)):
        date, who = _day(rng, (2004, 2025)), f"{rng.choice(_GIVEN)} {_families(rng, 1)[0]}"
        rows.append(
            {
                "kind": "urn placed", "date": date, "name": who, "section": "E", "lot": "N-east",
                "space": f"{face_row}-{column}", "born": str(int(date[:4]) - 71), "died": date, "container": "urn",
            }
        )  # fmt: skip
    date = "1943-11-02"
    rows.append(
        {
            "kind": "interment", "date": date, "name": f"Obadiah {_FAMILY_FIRST[5]}{_FAMILY_LAST[4]}",
            "section": _NOWHERE[0], "lot": _NOWHERE[1], "space": _NOWHERE[2], "born": "1867", "died": date,
        }
    )  # fmt: skip
    table = pd.DataFrame(rows, columns=list(columns)).fillna("")
    table = table.sort_values(["date", "kind", "name"], kind="stable")
    return str(table.to_csv(index=False, lineterminator="\n")).encode("utf-8")


_RENUMBERED = "1924-05-01"
"""When lots of section B got the numbers they have."""


@dataclass(frozen=True)
class _Told:
    """Further lists beside the ledger, the findings they must lead to, and what they add.

    Parameters
    ----------
    files : dict of str to bytes
    expected : list of (kind, subject, story)
    burials : list of str
        Spaces in which they record a burial the ledger does not have.
    """

    files: dict[str, bytes]
    expected: list[tuple[str, str, str]]
    burials: list[str]
    events: int


def _told(ledger: bytes, made: _Set, graves: _Graves) -> _Told:
    """Write the sexton's book, a list of stones, what was told, and the former numbers of two lots."""
    rows = list(csv.DictReader(io.StringIO(ledger.decode("utf-8"))))
    line = {id(row): number for number, row in enumerate(rows, 2)}
    used = [f"{row['section']}-{row['lot']}-{row['space']}" for row in rows]
    known = [
        row for row, place in zip(rows, used, strict=True)
        if row["section"] == "B" and row["space"] and len(row["date"]) == 10 and used.count(place) == 1
        and row["kind"] == "interment" and int(row["lot"]) < 129 and row["name"].count(" ") == 1
    ][::9]  # fmt: skip
    ids, kinds = made.spaces["space_id"].astype(str).to_numpy(), made.spaces["kind"].astype(str).to_numpy()
    taken = {*(str(name) for name in ids[graves.occupied]), *used}
    free = [
        str(name) for name, kind in zip(ids, kinds, strict=True)
        if name.startswith("B-") and kind == "full" and name not in taken and int(name.split("-")[1]) >= 60
    ][::5]  # fmt: skip

    def place(space: str) -> str:
        section, lot, number = space.split("-")
        return f"{section} lot {lot}, gr. {number}"

    def own(row: dict[str, str]) -> str:
        return place(f"{row['section']}-{row['lot']}-{row['space']}")

    def turned(row: dict[str, str], change: str = "") -> str:
        given, surname = row["name"].split(" ")
        return f"{surname}{change}, {given}"

    def ledger_id(row: dict[str, str]) -> str:
        return f"register/ledger.csv:{line[id(row)]}"

    # A lot that had another number before 1924, and the lot that bears that number now.
    lot_now, number = free[3].split("-")[1:]
    bears = next(name for name in free[4:] if name.split("-")[2] == number and name.split("-")[1] != lot_now)
    former = f"B {bears.split('-')[1]}"
    sexton = [
        ("1", turned(known[0]), known[0]["date"], "", "", own(known[0])),
        ("2", turned(known[1]), f"abt {known[1]['date'][:4]}", "", f"abt {int(known[1]['born']) - 31}", own(known[1])),
        ("3", turned(known[2]), f"{int(known[2]['date'][:4]) - 1} or {known[2]['date'][:4]}", "", "", own(known[2])),
        ("4", "Marrenby, Mrs. Ottilie (Vosk)", "3 March 1931", "5 March 1931", "1860", place(free[0])),
        ("5", "Quennick, Thaddeus", "9 Oct. 1919", "1919", "1921", place(free[1])),
        ("6", turned(known[3], "e"), known[3]["date"], known[3]["died"], "", place(free[2])),
        ("8", "Ellery, Rosamund", "Spring 1944", "", "between 1850 and 1860", own(known[4])),
        ("9", "Infant of Silas Wyburn", "14 June 1909", "", "", f"{former}, gr. {number}"),
        ("10", "Hobbarth, Linus", "1924", "", "18--", f"{former}, gr. {number}"),
        ("11", "Fenwold, Oriel", "Autumn 1999", "", "1911", "ashes scattered under the elms"),
    ]  # fmt: skip
    stones = [
        (known[5]["name"], known[5]["born"], known[5]["died"][:4], own(known[5]), "At rest"),
        (known[6]["name"], known[6]["born"], str(int(known[6]["died"][:4]) + 7), own(known[6]), "Gone home"),
        # carved ahead on a shared stone: she may be living
        (f"Calla {known[5]['name'].split(' ')[1]}", "1948", "", own(known[5]), "Together"),
    ]
    told = [
        ("Linus Hobbarth", f"{former}", "he lies by the wall, the marker was taken up", "R. Marrenby", "1988"),
        ("", place(free[5]).rpartition(",")[0], "two children of the fever were laid here", "A. Wyburn", "2003-06"),
    ]
    walk = [(former, f"B {lot_now}", _RENUMBERED)]
    heads = {
        "register/sexton.csv": (("No.", "Whom", "Buried", "Died", "Born", "Where"), sexton),
        "register/stones.csv": (("name", "born", "died", "place", "inscription"), stones),
        "register/told.csv": (("name", "place", "note", "told_by", "date"), told),
        "register/old_numbers.csv": (("old", "new", "until"), walk),
    }
    files = {
        name: str(pd.DataFrame(table, columns=list(head)).to_csv(index=False, lineterminator="\n")).encode("utf-8")
        for name, (head, table) in heads.items()
    }
    overfull = f"B-{known[4]['lot']}-{known[4]['space']}"
    unclear = f"{former}, gr. {number}".replace(", gr. ", "-").replace(" ", "-")
    expected = [
        ("place reads two ways", unclear,
         f"The sexton's book names it in the year the lots were numbered anew; before, it was {free[3]}."),
        ("space overfull", overfull, "The sexton's book lays someone else into a grave the ledger has filled."),
        ("burial before death", "register/sexton.csv:no. 4", "Buried two days before she died."),
        ("death before birth", "register/sexton.csv:no. 5", "Died two years before he was born."),
        ("person twice", f"{ledger_id(known[3])}, register/sexton.csv:no. 6",
         "One letter more in the name, the same day of death, another lot."),
        ("stone disagrees", ledger_id(known[6]), "The stone gives a death seven years later."),
        ("sources disagree", ledger_id(known[1]), "The sexton makes the birth thirty-one years earlier."),
    ]  # fmt: skip
    return _Told(files, expected, [free[0], free[1], free[2], free[3]], 7)


def _written_places(made: _Set) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    """Lot and space as the ledger writes them; a single grave is written as its row and number."""
    spaces = made.spaces
    ids = spaces["space_id"].astype(str).to_numpy()
    sections = spaces["section"].astype(str).to_numpy()
    rest = [name[len(section) + 1 :] for name, section in zip(ids, sections, strict=True)]
    parts = [text.rsplit("-", 1) for text in rest]
    return np.array([part[0] for part in parts]), np.array([part[1] for part in parts])


_DEMO_README = """\
# Millrace Hill Burying Ground

Everything here is invented: the place, the plats, the people. `cemgis.invent.demo()` made it from the seed {seed};
`scripts/invent_demo.py` makes it again. `truth.json` holds what nobody on a real ground ever knows: where every
corner and space really lies, what was done to each marker, and which findings a good run must come to.

## The story

The village of Tansy Fork, Ohio, has buried its dead above the old millrace since 1868. Five plats were drawn, by
five hands:

- **A, Old ground, 1868.** Lots of differing sizes. The rows follow the fence of the time and lie twenty degrees off
  north; the chain was long by a thousandth.
- **B, Hill section, 1889.** Lots of four graves, 16 by 12 ft, rows back to back with walks between, numbered up one
  row and down the next. Its drawing (`plat/plat_1889.png`) was scanned askew; the paper had shrunk one way and bent.
- **C, Elm walk, 1924.** Rows p to u, each numbered from 1; no 13, a 12A, elms on all the 9s, and the markers six
  inches inside the northeast corner.
- **D, Veterans' slope, 1958.** Nobody wrote down which way the heads lie.
- **E, Meadow, 1990.** Single graves, two rows for infants, a garden for urns and a wall with niches.

In 2025 a crew came three times. In May they logged NMEA with corrections of the state network (NAD 83(2011)). In June
they came with another receiver, whose satellite service works in ITRF2014; they wrote that down. In September the
first receiver was set to that service too, and nobody wrote it down: the whole file lies 1.28 m (4.2 ft) off. They
read the county's control point Tansy Fork 3 in May and in June.

Found were {found} of {sites} markers.

## What is wrong, and what a run should say

{troubles}

And the unavoidable: float epochs under trees, two damaged lines in the log, ledger entries without a space.

## How the truth was made

Each corner of a plat, found or not, was set with an independent error (standard deviation of each coordinate 0.08 to
0.20 ft, by plat; none longer than {most} deviations) on top of the plat's true place, turn and scale. The mean of one
occupation errs by {occupation:.3f} m in each coordinate (none by more than 2.5 deviations), and its epochs scatter by
0.004 m around that.
"""


def _demo_expected() -> list[tuple[str, str, str]]:
    """Kind, subject and story of every finding of severity warning and above."""
    short, neighbour = _ASTRAY_AND_SHORT
    return [
        ("label misread", "B-16", "The disc of B-91 was read upside down."),
        ("label misread", "D-74", "D-47 was written down with its digits swapped."),
        ("marker moved or set there", "B-57", f"A mower moved this marker {_MOWER_FT} ft."),
        ("marker at another corner", "D-31", "It was set at the southeast corner of its lot instead of the southwest."),
        ("marker damaged", "A-29", "Broken, but where it was set."),
        ("file shifted", "readings/autumn.gpx", "Declared NAD 83(2011), but made in ITRF2014."),
        ("heads disagree", "D", "By the common rule heads lie west; its stones stand at the east ends."),
        ("vault astray", f"V-{short}", f"Set down crooked, it reaches into {neighbour}."),
        ("clearance short", f"V-{short}, V-{neighbour}", "And so it comes too near the vault there."),
        ("vault astray", f"V-{_ASTRAY[0]}", f"Crooked too; it reaches into {_ASTRAY[1]}, which is still free."),
        ("clearance short", f"V-{_NEAR_STONE}, M-{_NEAR_STONE}", "This vault lies close under its own stone."),
        ("place unknown", "-".join(_NOWHERE), "The ledger has a burial in lot 318 of section B, which ends at 128."),
    ]


_DEMO_CONTROL = _local(150.4, -34.2)


_DEMO_ORDERS: Mapping[str, str] = {
    "A-41-1": """\
# Invented. Somebody lies here already: a probe met resistance.
space = "A-41-1"
person = "Corin Ilvstrom"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Corin Ilvstrom"
permit = "T-2026-121"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800377 of 2026-05-08"
date = 2026-05-12
time = "13:00"
""",
    "B-10-2": """\
# Invented. Nothing on record speaks against this one.
space = "B-10-2"
person = "Hanh Aldanczyk"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Hanh Aldanczyk"
right = "deed 4/39"
permit = "T-2026-118"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800342 of 2026-05-01"
date = 2026-05-04
time = "10:30"
""",
    "E-4-21": """\
# Invented. The vault next door lies crooked and reaches into this space.
space = "E-4-21"
person = "Osric Pellamy"
ordered_by = "Ferris and Moor, funeral directors (invented)"
authorised_by = "Osric Pellamy"
permit = "T-2026-125"
confirmed_by = "E. Tarn, sexton"
utilities = "ticket 2611800401 of 2026-05-15"
date = 2026-05-19
time = "11:00"
""",
}
"""Orders of the demo ground, one for each verdict."""


def _demo_text() -> str:
    east, north = _DEMO_CONTROL
    return _DEMO_TOML.replace("@CONTROL_X@", f"{east:.3f}").replace("@CONTROL_Y@", f"{north:.3f}")


def _demo_ground(rng: np.random.Generator) -> _Set:
    """Set out the demo's plats; the first thing drawn from its seed."""
    return _set_out(_demo_text(), {"A": _old_ground()}, _DEMO_PLACEMENTS, _DEMO_HEADS, rng, _DEMO_MOST)


def demo(seed: int = DEMO_SEED) -> Invented:
    """Make the demo ground: five sections, three visits, a register, and troubles that are known.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Invented
        Its files include ``README.md`` and ``truth.json``.
    """
    rng = np.random.default_rng(seed)
    made = _demo_ground(rng)
    labels = made.plat.sites["label"].astype(str).to_numpy()
    rows = _found(made, _DEMO_SHARES, (*_DEMO_NEVER, *_DEMO_BAD), rng)
    rows = sorted({*rows, *(int(row) for row in np.flatnonzero(np.isin(labels, _DEMO_BAD)))})
    markers = _harm(made, _stand(made, rows))
    occupation_m = 0.008
    readings, read = _demo_readings(made, markers, occupation_m, rng)
    graves = _use(made, rng)
    files = {"ground.toml": _demo_text().encode("utf-8"), "plat/section_a.csv": _old_ground(), **readings}
    files |= _survey(made, graves, rng)
    files["register/ledger.csv"] = _ledger(made, graves, rng)
    told = _told(files["register/ledger.csv"], made, graves)
    files |= told.files
    files |= {f"orders/{name}.toml": text.encode("utf-8") for name, text in _DEMO_ORDERS.items()}
    expected = [*_demo_expected(), *told.expected]
    truth = _truth(
        made, seed, markers, [pair[:2] for pair in expected], 3,
        occupation_sigma_m=occupation_m, scatter_sigma_m=0.004,
        control={"Tansy Fork 3": list(_DEMO_CONTROL)}, read=read,
        shifted={"readings/autumn.gpx": "coordinates are ITRF2014 at 2025.69, declared NAD83(2011)"},
        told={"burials": told.burials, "events": told.events},
    )  # fmt: skip
    troubles = "\n".join(f"- **{kind}**, {subject}. {story}" for kind, subject, story in expected)
    story = _DEMO_README.format(
        seed=seed, found=len(markers), sites=len(labels), troubles=troubles, occupation=occupation_m, most=_DEMO_MOST
    )
    files["README.md"] = story.encode("utf-8")
    files["truth.json"] = truth_text(truth).encode("utf-8")
    return Invented(dict(sorted(files.items())), truth)


# ---- any number of other grounds ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Pattern:
    """How the lots of an invented section lie; sizes in spaces' widths and lengths of the ground's unit."""

    run: str
    step: str
    facing: str
    counted_from: str
    numbering: str
    markers: str
    spaces: int
    tiers: int = 1
    inset: bool = False
    walk_after: int = 2
    singles: bool = False


_PATTERNS: Mapping[str, _Pattern] = {
    "rows with walks": _Pattern("north", "east", "east", "left", "run on", "southwest", 4),
    "back and forth": _Pattern("north", "west", "west", "left", "back and forth", "southeast", 4),
    "restart": _Pattern("east", "south", "south", "right", "restart", "northeast", 3, inset=True),
    "two tiers": _Pattern("south", "east", "east", "right", "run on", "northwest", 4, tiers=2, walk_after=1),
    "pairs": _Pattern("west", "north", "north", "left", "run on", "southwest", 2, walk_after=1),
    "single graves": _Pattern("north", "east", "east", "left", "restart", "southwest", 1, singles=True),
}

# CRS and a place in it; feet of both kinds and metres, four plates of the earth.
_PLACES: Mapping[str, tuple[float, float]] = {
    "EPSG:6549": (-82.3, 40.9),
    "EPSG:6543": (-79.4, 35.7),
    "EPSG:6499": (-84.6, 42.6),
    "EPSG:6346": (-81.7, 33.9),
    "EPSG:7855": (146.9, -36.1),
    "EPSG:2193": (175.6, -40.3),
}


def ground(
    seed: int,
    *,
    found: float | None = None,
    bad: float | None = None,
    setting_sigma: float | None = None,
    sections: int | None = None,
    lots: int | None = None,
    pattern: str | None = None,
    crs: str | None = None,
) -> Invented:
    """Make an invented ground with a plat, rows of lots and one file of readings, quick enough for hundreds.

    What is not given is drawn from the seed.

    Parameters
    ----------
    seed : int
    found : float, optional
        Share of the markers that were found, 0 to 1; at least six a plat are.
    bad : float, optional
        Share of the found that are moved, misread or at a wrong corner, 0 to 1.
    setting_sigma : float, optional
        Standard deviation of each coordinate of a corner's setting error, in feet, whatever the ground's unit.
    sections : int, optional
    lots : int, optional
        About how many lots in all; 40 to 400 when drawn.
    pattern : str, optional
        One of ``rows with walks``, ``back and forth``, ``restart``, ``two tiers``, ``pairs``, ``single graves``, for
        all sections.
    crs : str, optional
        One of ``EPSG:6549``, ``EPSG:6543``, ``EPSG:6499``, ``EPSG:6346``, ``EPSG:7855``, ``EPSG:2193``.

    Returns
    -------
    Invented

    Raises
    ------
    ValueError
        For a pattern or CRS that is not listed.

    Examples
    --------
    >>> made = ground(3, lots=40, sections=1, pattern="restart", crs="EPSG:6346")
    >>> sorted(made.files), made.truth["unit"]
    (['ground.toml', 'readings/readings.csv'], 'metre')
    """
    for given, known, what in ((pattern, _PATTERNS, "pattern"), (crs, _PLACES, "place")):
        if given is not None and given not in known:
            msg = f"there is no {what} {given!r}: choose {', '.join(known)}"
            raise ValueError(msg)
    rng = np.random.default_rng(seed)
    # Everything is drawn whether it is needed or not, so that giving one option leaves the others as they were.
    drawn_found, drawn_bad, drawn_sigma = rng.uniform(0.15, 0.45), rng.uniform(0.0, 0.06), rng.uniform(0.06, 0.35)
    drawn_sections, drawn_lots = int(rng.integers(1, 5)), int(rng.integers(40, 401))
    drawn_crs = list(_PLACES)[int(rng.integers(len(_PLACES)))]
    found = drawn_found if found is None else found
    bad = drawn_bad if bad is None else bad
    sigma_ft = drawn_sigma if setting_sigma is None else setting_sigma
    count = drawn_sections if sections is None else sections
    total = drawn_lots if lots is None else lots
    crs = drawn_crs if crs is None else crs
    lon, lat = _PLACES[crs]
    system = CRS.from_user_input(crs)
    unit_m = float(system.axis_info[0].unit_conversion_factor)
    east, north = Transformer.from_crs(system.geodetic_crs, system, always_xy=True).transform(lon, lat)
    in_feet = unit_m < 0.5
    foot = 1.0 if in_feet else 0.3048
    suffix = "ft" if in_feet else "m"
    text, placements = _invented_text(rng, crs, suffix, pattern, count, total, sigma_ft * foot, (east, north))
    heads = dict.fromkeys("ABCDEFGHIJKLMNOPQRSTUVWXYZ"[:count], _WEST)
    made = _set_out(text, {}, placements, heads, rng)
    rows = _found_by_plat(made, found, rng)
    markers = _spoil(made, _stand(made, rows), bad, foot, rng)
    reading_m, floor_m = 0.015, 0.012
    files = {
        "ground.toml": text.encode("utf-8"),
        "readings/readings.csv": _grid_csv(markers, reading_m, floor_m, unit_m, rng),
    }
    truth = _truth(made, seed, markers, (), 4, occupation_sigma_m=floor_m, scatter_sigma_m=reading_m)
    return Invented(files, truth)


def _invented_text(
    rng: np.random.Generator, crs: str, suffix: str, pattern: str | None, count: int, total: int, sigma: float,
    middle: tuple[float, float],
) -> tuple[str, dict[str, Placement]]:  # fmt: skip
    """Write the ``ground.toml`` of a random ground and draw how its plats were set out."""
    wide, long, walk = (4.0, 12.0, 10.0) if suffix == "ft" else (1.2, 3.6, 3.0)
    parts = [
        f'schema_version = 1\nname = "Invented ground"\ncrs = "{crs}"\n\n[[readings]]\nfile = "readings/readings.csv"\n'
        f'visit = "2025-04-08"\nreceiver = "rover"\ncorrections = "invented"\nreference = "{crs}"\n'
    ]
    plats: list[str] = []
    blocks: list[str] = []
    placements: dict[str, Placement] = {}
    east = middle[0]
    offset = 0.0
    for number in range(count):
        section = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[number]
        name = pattern if pattern is not None else list(_PATTERNS)[int(rng.integers(len(_PATTERNS)))]
        shape = _PATTERNS[name]
        places = max(20, round(total / count))
        rows = int(np.clip(round(math.sqrt(places / rng.uniform(1.2, 3.0))), 2, 14))
        per_row = max(4, math.ceil(places / rows))
        # Spaces lie side by side across the way one faces; tiers behind one another.
        across, deep = shape.spaces * wide, shape.tiers * long
        north_south, east_west = (across, deep) if shape.facing in ("east", "west") else (deep, across)
        frontage, depth = (north_south, east_west) if shape.run in ("north", "south") else (east_west, north_south)
        along, over = per_row * frontage, rows * depth + (rows // shape.walk_after) * walk
        size = (over, along) if shape.run in ("north", "south") else (along, over)
        shared = bool(plats) and rng.random() < 0.3
        if not shared:
            offset = 0.0
            plat = str(1870 + 25 * len(plats))
            plats.append(f'[[plat]]\nname = "{plat}"\ndate = "{plat}"\n')
        at = (
            offset + (size[0] if "west" in (shape.run, shape.step) else 0.0),
            size[1] if "south" in (shape.run, shape.step) else 0.0,
        )
        offset += size[0] + 2 * walk
        gaps = [f'"0 {suffix}"'] * (shape.walk_after - 1) + [f'"{walk:g} {suffix}"']
        blocks.append(
            f'[[section]]\nname = "{section}"\nplat = "{1870 + 25 * (len(plats) - 1)}"\nmarkers = "{shape.markers}"\n'
            + (f'marker_inset = "{0.5 * wide / 4:g} {suffix}"\n' if shape.inset else "")
            + f'[[section.rows]]\nat = ["{at[0]:g} {suffix}", "{at[1]:g} {suffix}"]\n'
            f'run = "{shape.run}"\nstep = "{shape.step}"\nrows = {rows}\n'
            f"{'singles' if shape.singles else 'lots'} = {per_row}\n"
            f'frontage = "{frontage:g} {suffix}"\ndepth = "{depth:g} {suffix}"\n'
            f"between_rows = [{', '.join(gaps)}]\n"
            f'numbering = "{shape.numbering}"\nfacing = "{shape.facing}"\nfrom = "{shape.counted_from}"\n'
            + ('markers_at = "spaces"\n' if shape.singles else f"spaces = {shape.spaces}\ntiers = {shape.tiers}\n")
        )
        # Plats lie beside one another, far enough apart for any turn.
        reach = math.hypot(offset, size[1])
        turn, scale = (
            rng.uniform(-180.0, 180.0) if rng.random() < 0.2 else rng.uniform(-25.0, 25.0),
            rng.normal(1.0, 5e-4),
        )
        if not shared:
            east += reach
            placements[plat] = Placement(turn, scale, (east, middle[1] + rng.uniform(-50, 50)), sigma)
        else:
            first = placements[plat]
            east += reach
            placements[plat] = Placement(first.north, first.scale, (east, first.middle[1]), sigma)
        east += reach
    return "\n".join([*parts, *plats, *blocks]), placements


def _found_by_plat(made: _Set, share: float, rng: np.random.Generator) -> list[int]:
    plats = made.plat.sites["plat"].astype(str).to_numpy()
    chosen: list[int] = []
    for plat in made.placements:
        rows = np.flatnonzero(plats == plat)
        count = min(len(rows), max(6, round(share * len(rows))))
        chosen += sorted(int(row) for row in rng.choice(rows, count, replace=False))
    return chosen


def _spoil(
    made: _Set, markers: Sequence[_Marker], share: float, foot: float, rng: np.random.Generator
) -> list[_Marker]:
    """Move, misread or misplace a share of the markers; every plat keeps at least five good ones."""
    result = list(markers)
    found = {marker.site for marker in markers}
    sites = made.plat.sites["label"].astype(str).to_numpy()
    plat_of = dict(zip(sites, made.plat.sites["plat"].astype(str), strict=True))
    free = [label for label in sites if label not in found]
    good = pd.Series([plat_of[marker.site] for marker in markers]).value_counts().to_dict()
    for index in rng.permutation(len(markers))[: round(share * len(markers))]:
        marker = result[index]
        plat = plat_of[marker.site]
        if good[plat] <= 5:
            continue
        good[plat] -= 1
        if rng.random() < 0.5 or not free:
            far, turn = foot * rng.uniform(1.5, 3.0), rng.uniform(0.0, 2.0 * math.pi)
            at = (marker.place[0] + far * math.sin(turn), marker.place[1] + far * math.cos(turn))
            result[index] = _Marker(marker.site, marker.label, at, f"moved {far:.2f}", marker.corner)
        else:
            label = free.pop(int(rng.integers(len(free))))
            result[index] = _Marker(marker.site, label, marker.place, f"label read as {label}", marker.corner)
    return result


def _grid_csv(
    markers: Sequence[_Marker], reading_m: float, floor_m: float, unit_m: float, rng: np.random.Generator
) -> bytes:
    """Write readings in the ground's own grid; a third of the markers twice, five hours apart."""
    start = pd.Timestamp("2025-04-08 08:00:00")
    lines = ["label,x,y,fix,time"]
    twice = rng.random(len(markers)) < 1 / 3
    for visit in (0, 1):
        for number, marker in enumerate(markers):
            if visit and not twice[number]:
                continue
            common = rng.standard_normal(2) * floor_m / unit_m
            for shot in range(3):
                x, y = np.array(marker.place) + common + rng.standard_normal(2) * reading_m / unit_m
                time = start + pd.Timedelta(hours=5 * visit, seconds=40 * number + 5 * shot)
                lines.append(f"{marker.label},{x:.4f},{y:.4f},fixed,{time.strftime('%Y-%m-%dT%H:%M:%SZ')}")
    return ("\n".join(lines) + "\n").encode("utf-8")
