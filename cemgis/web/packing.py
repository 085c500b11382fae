"""Tables packed into one inert block of text that a page unpacks: columns as small integers, places as deltas."""

from __future__ import annotations

import base64
import gzip
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.reference import GroundCRS, to_lonlat
from cemgis.schema import Column

__all__ = ["WORLD", "Packer", "grid_polynomial", "mercator", "unpack"]

Floats = npt.NDArray[np.float64]
WORLD = float(2**33)
"""Width of the world in whole numbers: 256 pixels at zoom 25, 4.7 mm each at the equator."""

_MOST = 2**31 - 2
_FEW = 64  # shorter arrays are told in full
# What a place or a number is rounded to on the screen, by the unit its column declares.
_STEPS = {"length": 1000.0, "metres": 1000.0, "degrees": 100.0, "length2": 1e6}


def mercator(lonlat: npt.ArrayLike) -> Floats:
    """Spherical Mercator in units of `WORLD` from longitude and latitude in degrees, y downwards, shape (n, 2).

    Source: x = lon / 360 + 1/2, y = 1/2 - asinh(tan lat) / 2 pi (Snyder 1987, USGS Professional Paper 1395, eq. 7-1
    and 7-2 for the sphere).

    Examples
    --------
    >>> (mercator([[0.0, 0.0], [180.0, 0.0]]) / WORLD).tolist()
    [[0.5, 0.5], [1.0, 0.5]]
    """
    points = np.asarray(lonlat, dtype=float).reshape(-1, 2)
    x = points[:, 0] / 360.0 + 0.5
    y = 0.5 - np.arcsinh(np.tan(np.radians(points[:, 1]))) / (2.0 * math.pi)
    return np.column_stack([x, y]) * WORLD


def grid_polynomial(
    bounds_grid: Sequence[float], crs: GroundCRS, origin: npt.ArrayLike
) -> dict[str, Any]:  # fmt: skip
    """Fit a cubic from the page's coordinates back to the grid, so that a page can say eastings and northings.

    Parameters
    ----------
    bounds_grid : sequence of float
        Least easting and northing, greatest easting and northing.
    crs : GroundCRS
    origin : array_like, shape (2,)
        Mercator point that the page counts from.

    Returns
    -------
    dict
        ``span`` (Mercator units that make 1), ``east`` and ``north`` (10 numbers each, for 1, x, y, x2, xy, y2, x3,
        x2y, xy2, y3), ``miss`` (largest misfit, ground units), ``per_unit`` (Mercator units in one ground unit).

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> crs = ground_crs("EPSG:6549")
    >>> origin = mercator(to_lonlat([[1.9e6, 4e5]], crs))[0]
    >>> grid = grid_polynomial((1.9e6 - 500, 4e5 - 500, 1.9e6 + 500, 4e5 + 500), crs, origin)
    >>> round(grid["east"][0], 3), round(grid["north"][0], 3), grid["miss"] < 1e-4
    (1900000.0, 400000.0, True)
    """
    low, high = np.array(bounds_grid[:2], dtype=float), np.array(bounds_grid[2:], dtype=float)
    reach = np.maximum((high - low) * 0.1, 100.0)
    low, high = low - reach, high + reach
    east, north = (item.ravel() for item in np.meshgrid(*np.linspace(low, high, 9).T))
    grid = np.column_stack([east, north])
    page = mercator(to_lonlat(grid, crs)) - np.asarray(origin, dtype=float)
    span = float(np.abs(page).max())
    terms = _terms(page / span)
    middle = (low + high) / 2
    numbers, *_ = np.linalg.lstsq(terms, grid - middle, rcond=None)
    miss = float(np.abs(terms @ numbers - (grid - middle)).max())
    numbers[0] += middle
    centre = np.array([middle, middle + np.array([1.0, 0.0])])
    per_unit = float(np.hypot(*np.diff(mercator(to_lonlat(centre, crs)), axis=0)[0]))
    return {
        "span": span,
        "east": numbers[:, 0].tolist(),
        "north": numbers[:, 1].tolist(),
        "miss": miss,
        "per_unit": per_unit,
    }


def _terms(xy: Floats) -> Floats:
    x, y = xy.T
    one = np.ones_like(x)
    return np.column_stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])


@dataclass
class Packer:
    """Gathers arrays and writes them, with their header, as one block.

    Parameters
    ----------
    crs : GroundCRS
    origin : ndarray, shape (2,)
        Mercator point that places are counted from.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> packer = Packer(ground_crs("EPSG:6549"), np.zeros(2))
    >>> spec = packer.integers(np.array([7, 7, -2]))
    >>> header, read = unpack(packer.block({"a": spec}))
    >>> read(header["a"]).tolist()
    [7, 7, -2]
    """

    crs: GroundCRS
    origin: Floats
    parts: list[bytes] = field(default_factory=list)
    size: int = 0

    def _put(self, data: bytes) -> int:
        at = self.size
        self.parts.append(data)
        self.size += len(data)
        return at

    def integers(self, values: npt.ArrayLike, *, steps: bool = True) -> dict[str, Any]:
        """Pack whole numbers of 32 bits: differences, zigzag, bytes of equal weight together.

        Where nearly all are nothing, the others by their places. With ``steps=False`` the numbers themselves: better
        where neighbours have nothing to do with one another.
        """
        numbers = np.asarray(values, dtype=np.int64).ravel()
        if len(numbers) and max(abs(int(numbers.min())), abs(int(numbers.max()))) > _MOST:
            msg = "a number does not fit into 32 bits"
            raise OverflowError(msg)
        told = numbers
        if steps:
            # Differences wrap at 32 bits, as they do where they are added up again.
            told = (np.diff(numbers, prepend=0) + 2**31) % 2**32 - 2**31
        if len(told) >= _FEW and (here := np.flatnonzero(told)).size * 8 <= len(told):
            # Mostly nothing: where there is something, and what. A page need not walk through the rest.
            few: dict[str, Any] = {
                "n": len(told),
                "k": self.integers(here),
                "v": self.integers(told[here], steps=False),
            }
            return few if steps else few | {"p": 1}
        zigzag = np.where(told < 0, -2 * told - 1, 2 * told).astype(np.uint64)
        top = int(zigzag.max()) if len(zigzag) else 0
        width = 1 if top < 2**8 else 2 if top < 2**16 else 4
        planes = zigzag.astype(f"<u{width}").view(np.uint8).reshape(-1, width).T
        spec: dict[str, Any] = {"n": len(numbers), "w": width}
        spec["o"] = self._put(np.ascontiguousarray(planes).tobytes())
        return spec if steps else spec | {"p": 1}

    def column(self, values: pd.Series, column: Column, unit_suffix: str) -> dict[str, Any]:
        """Pack one column; 0 stands for missing."""
        unit = {"length": unit_suffix, "length2": f"{unit_suffix}²", "degrees": "°", "metres": "m"}.get(
            column.unit, column.unit
        )
        told: dict[str, Any] = {"name": column.name, "doc": column.doc, "type": column.type, "unit": unit}
        absent = values.isna().to_numpy(dtype=bool)
        if column.type in ("text", "date"):
            codes, words = pd.factorize(values.astype(object).where(~absent, None))
            return told | {"at": self.integers(codes + 1), "words": [str(word) for word in words]}
        if column.type == "flag":
            numbers = values.fillna(value=False).to_numpy(dtype=bool).astype(np.int64) + 1
            return told | {"at": self.integers(np.where(absent, 0, numbers))}
        if column.type == "time":
            seconds = values.dt.tz_localize(None).to_numpy().astype("datetime64[s]").astype(np.int64)
            return told | self._counted(seconds.astype(float), absent, 1.0)
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        step = 1.0 if column.type == "integer" else _STEPS.get(column.unit, 1e4)
        return told | self._counted(numbers, absent | ~np.isfinite(numbers), step)

    def _counted(self, numbers: Floats, absent: npt.NDArray[np.bool_], step: float) -> dict[str, Any]:
        """Count numbers in steps from the least one; the step grows where 32 bits would not hold them."""
        known = numbers[~absent]
        base = float(np.floor(known.min())) if len(known) else 0.0
        while len(known) and (float(known.max()) - base) * step > _MOST - 2:
            step /= 10.0
        counted = np.where(absent, 0, np.rint((np.where(absent, base, numbers) - base) * step) + 1)
        return {"at": self.integers(counted), "base": base, "step": step}

    def places(self, geometries: npt.ArrayLike) -> dict[str, Any]:
        """Pack geometries: rings of a feature, points of a ring, whole Mercator numbers of a point.

        Rings are turned one way and left open, so that overlapping areas stay filled; a missing geometry has none.
        """
        shapes = np.array(geometries, dtype=object)
        missing = shapely.is_missing(shapes) | shapely.is_empty(shapes)
        areal = np.isin(shapely.get_type_id(shapes), (3, 6))
        shapes[areal & ~missing] = shapely.orient_polygons(shapes[areal & ~missing])
        parts, owner = shapely.get_parts(shapes[~missing], return_index=True)
        owner = np.flatnonzero(~missing)[owner]
        area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
        pieces: list[npt.NDArray[np.object_]] = [parts[~area]]
        owners = [owner[~area]]
        if area.any():
            rings, index = shapely.get_rings(parts[area], return_index=True)
            pieces.append(rings)
            owners.append(owner[area][index])
        lines, owned = np.concatenate(pieces), np.concatenate(owners)
        closed = np.concatenate([np.zeros(int((~area).sum()), bool), np.ones(len(lines) - int((~area).sum()), bool)])
        order = np.argsort(owned, kind="stable")
        lines, owned, closed = lines[order], owned[order], closed[order]
        points, index = shapely.get_coordinates(lines, return_index=True)
        last = np.concatenate([index[1:] != index[:-1], [True]]) if len(index) else np.zeros(0, dtype=bool)
        keep = ~(last & closed[index])
        page = np.rint(mercator(to_lonlat(points[keep], self.crs)) - self.origin) if keep.any() else np.zeros((0, 2))
        return {
            "rings": self.integers(np.bincount(owned, minlength=len(shapes))),
            "points": self.integers(np.bincount(index[keep], minlength=len(lines))),
            "x": self.integers(page[:, 0]),
            "y": self.integers(page[:, 1]),
        }

    def block(self, header: Mapping[str, Any]) -> str:
        """Return header and arrays, compressed, as base64: letters, digits, plus, slash and equals signs only."""
        told = json.dumps(header, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode(
            "utf-8", "surrogatepass"
        )
        data = b"".join([len(told).to_bytes(4, "little"), told, *self.parts])
        return base64.b64encode(gzip.compress(data, compresslevel=6, mtime=0)).decode("ascii")


def unpack(block: str) -> tuple[dict[str, Any], Any]:
    """Read a block again, as a page does: the header and a function from an array's place to its numbers.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> packer = Packer(ground_crs("EPSG:6549"), np.zeros(2))
    >>> header, read = unpack(packer.block({"name": "Hill", "at": packer.integers([3, 300, 70_000])}))
    >>> header["name"], read(header["at"]).tolist()
    ('Hill', [3, 300, 70000])
    """
    data = gzip.decompress(base64.b64decode(block))
    length = int.from_bytes(data[:4], "little")
    header = json.loads(data[4 : 4 + length].decode("utf-8", "surrogatepass"))

    def read(spec: Mapping[str, Any]) -> npt.NDArray[np.int64]:
        if "k" in spec:
            few = np.zeros(spec["n"], dtype=np.int64)
            few[read(spec["k"])] = read(spec["v"])
            return few if "p" in spec else np.asarray((np.cumsum(few) + 2**31) % 2**32 - 2**31, dtype=np.int64)
        start, count, width = 4 + length + spec["o"], spec["n"], spec["w"]
        planes = np.frombuffer(data[start : start + count * width], dtype=np.uint8).reshape(width, count)
        zigzag = sum((planes[k].astype(np.int64) << (8 * k) for k in range(width)), np.zeros(count, dtype=np.int64))
        steps = np.where(zigzag % 2 == 1, -((zigzag + 1) // 2), zigzag // 2)
        if "p" in spec:
            return np.asarray(steps, dtype=np.int64)
        return np.asarray((np.cumsum(steps) + 2**31) % 2**32 - 2**31, dtype=np.int64)

    return header, read
