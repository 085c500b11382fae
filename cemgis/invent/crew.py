"""A crew finds some markers and reads them; its receiver's files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from cemgis.invent.truth import Marker, Set, bounded

__all__ = ["choose_found", "gpx_file", "nmea_log", "point_list", "stand_markers", "visit_stops"]

Floats = NDArray[np.float64]


def choose_found(made: Set, shares: Mapping[str, float], never: Iterable[str], rng: np.random.Generator) -> list[int]:
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


def stand_markers(made: Set, rows: Sequence[int]) -> list[Marker]:
    """Markers that stand where they were set."""
    labels = made.plat.sites["label"].astype(str).to_numpy()
    corners = made.plat.corners["corner_id"].astype(str).to_numpy()
    at = made.plat.sites["corner_index"].to_numpy(int)
    return [
        Marker(
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


def visit_stops(
    markers: Sequence[Marker],
    start: pd.Timestamp,
    sigma: float,
    rng: np.random.Generator,
    *,
    kinds: Mapping[str, str],
    most: float = 2.5,
) -> list[_Stop]:
    """Walk from marker to marker; ``sigma`` is that of one occupation, each coordinate, in the ground's unit."""
    errors = bounded(rng, (len(markers), 2), sigma, most)
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


def nmea_log(
    stops: Sequence[_Stop], crs: CRS, unit_m: float, rng: np.random.Generator, *, epochs: int, scatter_m: float
) -> tuple[bytes, bytes]:
    """Log (GGA, GST, RMC at 1 Hz in NAD 83(2011)) of these occupations, and their list; two lines are damaged."""
    count = len(stops) * epochs
    first_floats = np.concatenate([np.arange(epochs) < stop.floats for stop in stops])
    noise = bounded(rng, (count, 2), scatter_m, 2.5) / unit_m
    # While the integers are not fixed yet the whole solution is off by decimetres, not scattered about the truth.
    off = np.repeat(bounded(rng, (len(stops), 2), 0.25, 2.0), epochs, axis=0) / unit_m
    grid = np.repeat(np.array([stop.mean for stop in stops]), epochs, axis=0) + noise + off * first_floats[:, None]
    antenna_m, mark_height_m, separation_m = 2.0, 341.2, -33.4
    height = np.full(count, mark_height_m + antenna_m) + bounded(rng, count, 0.015, 2.5)
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


def point_list(
    stops: Sequence[_Stop], crs: CRS, unit_m: float, rng: np.random.Generator, *, shots: int, scatter_m: float,
    target: str, epoch: float,
) -> bytes:  # fmt: skip
    """CSV as a data collector writes it: latitude, longitude and ellipsoidal height in another frame."""
    count = len(stops) * shots
    noise = bounded(rng, (count, 2), scatter_m, 2.5) / unit_m
    grid = np.repeat(np.array([stop.mean for stop in stops]), shots, axis=0) + noise
    where = _geographic(grid, 341.2 + bounded(rng, count, 0.015, 2.5), crs, target, epoch)
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


def gpx_file(stops: Sequence[_Stop], crs: CRS, rng: np.random.Generator, *, target: str, epoch: float) -> bytes:
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
