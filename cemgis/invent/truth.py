"""What really lies where: plats set out with errors, and the truth as it is kept."""

from __future__ import annotations

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

from cemgis.ground import Ground, parse_ground
from cemgis.plat import Plat, make_plat

__all__ = [
    "EAST",
    "WEST",
    "Invented",
    "Marker",
    "Placement",
    "Set",
    "apply",
    "bounded",
    "geojson",
    "known_truth",
    "rectangles",
    "set_out",
    "smooth",
    "truth_text",
    "turn_along",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    bend, bend_length : float
        Standard deviation of a smooth distortion, each coordinate, and the distance over which it changes.
    """

    north: float
    scale: float
    middle: tuple[float, float]
    setting_sigma: float
    bend: float = 0.0
    bend_length: float = 1.0

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


def apply(parameters: tuple[float, float, float, float], plat_xy: Floats) -> Floats:
    """Lay plat coordinates on the ground: shift, turn and scale."""
    a, b, e0, n0 = parameters
    return np.column_stack([a * plat_xy[:, 0] - b * plat_xy[:, 1] + e0, b * plat_xy[:, 0] + a * plat_xy[:, 1] + n0])


def smooth(rng: np.random.Generator, xy: Floats, sigma: float, length: float, waves: int = 300) -> Floats:
    """Smooth random displacement (n, 2), a sum of plane waves whose covariance comes near ``exp(-(d/length)**2)``.

    Examples
    --------
    >>> far = np.zeros((4000, 2))
    >>> far[:, 0] = 1e4 * np.arange(4000)
    >>> bool(abs(smooth(np.random.default_rng(1), far, 0.5, 100.0).std() - 0.5) < 0.05)
    True
    """
    frequency = np.sqrt(2.0) / length * rng.standard_normal((2, waves, 2))
    phase = rng.uniform(0.0, 2.0 * np.pi, (2, waves))
    cosines = np.cos(np.einsum("ckd,nd->nck", frequency, xy) + phase)
    out: Floats = sigma * np.sqrt(2.0 / waves) * cosines.sum(axis=2)
    return out


def bounded(rng: np.random.Generator, size: int | tuple[int, ...], sigma: float, most: float) -> Floats:
    """Draw normal errors, again while beyond ``most`` sigmas."""
    drawn = rng.standard_normal(size)
    while (far := np.abs(drawn) > most).any():
        drawn[far] = rng.standard_normal(int(far.sum()))
    return drawn * sigma


@dataclass(frozen=True)
class Set:
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
        """Spaces of the plat."""
        return self.plat.spaces

    @property
    def across(self) -> Floats:
        """Unit vectors across the graves, to the left of the heads."""
        return np.column_stack([-self.along[:, 1], self.along[:, 0]])


def _lot_table(content: bytes) -> pd.DataFrame:
    table = pd.read_csv(io.BytesIO(content), dtype="string", keep_default_na=False)
    return table.assign(line=np.arange(len(table)) + 2)


def set_out(
    text: str,
    lot_files: Mapping[str, bytes],
    placements: Mapping[str, Placement],
    heads: Mapping[str, float],
    rng: np.random.Generator,
    most: float = math.inf,
) -> Set:
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
        corners[mine] = apply(conformal[name], plat_xy[mine]) + placement.setting_sigma * errors
        if placement.bend:
            corners[mine] += smooth(rng, plat_xy[mine], placement.bend, placement.bend_length)
    site_plats = plat.sites["plat"].astype(str).to_numpy()
    site_xy = plat.sites[["plat_x", "plat_y"]].to_numpy(float)
    at = plat.sites["corner_index"].to_numpy(int)
    sites = np.full(site_xy.shape, np.nan)
    for name in placements:
        # An inset marker shares the error of its corner: it was measured in from it.
        mine = site_plats == name
        inset = apply(conformal[name], site_xy[mine]) - apply(conformal[name], plat_xy[at[mine]])
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
    return Set(
        made, plat, placements, conformal, corners, sites, vertices, centres, along,
        np.maximum.reduceat(lengthwise, offsets[:-1]),
    )  # fmt: skip


def rectangles(middle: Floats, along: Floats, length: float | Floats, width: float | Floats) -> Floats:
    """Make closed rings (n, 5, 2) of rectangles whose long side lies along ``along``."""
    half_length = np.broadcast_to(np.asarray(length, float) / 2, len(middle))[:, None]
    half_width = np.broadcast_to(np.asarray(width, float) / 2, len(middle))[:, None]
    forward = along * half_length
    left = np.column_stack([-along[:, 1], along[:, 0]]) * half_width
    corners = [middle - forward + left, middle - forward - left, middle + forward - left, middle + forward + left]
    return np.stack([*corners, corners[0]], axis=1)


def turn_along(along: Floats, degrees: Floats) -> Floats:
    """Vectors turned clockwise."""
    turn = np.radians(degrees)
    return np.column_stack(
        [
            along[:, 0] * np.cos(turn) + along[:, 1] * np.sin(turn),
            along[:, 1] * np.cos(turn) - along[:, 0] * np.sin(turn),
        ]
    )


@dataclass(frozen=True, slots=True)
class Marker:
    """A found marker: what it is, where it really stands, what was done to it."""

    site: str
    label: str
    place: tuple[float, float]
    done: str
    corner: str
    condition: str = "whole"


def geojson(rings: Sequence[Any], table: pd.DataFrame, crs: str, shape: str = "Polygon") -> bytes:
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


def known_truth(
    made: Set, seed: int, markers: Sequence[Marker], expected: Sequence[tuple[str, str]], digits: int, **more: Any
) -> dict[str, Any]:
    """Put what is known of a ground together: placements, markers, spaces, what the tools are expected to find."""

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


WEST, EAST = 270.0, 90.0
