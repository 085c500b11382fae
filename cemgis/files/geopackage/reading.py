"""Reading a ground back: what the file says of itself, and its layers as they are now."""

from __future__ import annotations

import logging
import sqlite3
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.errors
import pyogrio.raw
import shapely

from cemgis.errors import Gather, InputError, Problem
from cemgis.files.geopackage.form import ARROW, AWAY, GDAL_ERRORS, PANDAS, SHAPE, is_sqlite
from cemgis.files.wkb import to_wkb
from cemgis.layers import FORMAT_VERSION, LAYERS
from cemgis.schema import Layer
from cemgis.units import UNITS, Unit

__all__ = ["FileInfo", "info", "layer_hashes", "opened", "read_ground", "read_layer", "read_now", "to_frame"]

_log = logging.getLogger(__name__)
_NOT_CONTENT = ("gpkg_", "rtree_", "sqlite_", "cemgis_", "layer_styles")


@dataclass(frozen=True)
class FileInfo:
    """What a file says of itself.

    Parameters
    ----------
    format_version : int
    unit : Unit
    stamp : datetime
    title : str
    layers : tuple of str
        Declared layers it was written with, in order.
    tables : tuple of str
        All tables of content it has now, the analyst's own too, by name.
    """

    format_version: int
    unit: Unit
    stamp: datetime
    title: str
    layers: tuple[str, ...]
    tables: tuple[str, ...]


def info(path: Path | str) -> FileInfo:
    """Read what a file says of itself.

    Raises
    ------
    InputError
        When it is not there, no GeoPackage, not one of ours, damaged, locked, or of a newer form.
    """
    path = Path(path)
    if path.exists() and not path.is_file() and not path.is_dir():  # to open a pipe would wait for ever
        raise InputError.of(str(path), "it is no ordinary file", "Move it away.")
    try:
        ours = is_sqlite(path)
    except FileNotFoundError as error:
        raise InputError.of(str(path), "there is no such file", "Build the ground first.") from error
    except IsADirectoryError as error:
        raise InputError.of(str(path), "it is a folder", "Move it away.") from error
    except OSError as error:
        raise InputError.of(str(path), f"cannot be read ({error.strerror})", "Mend its permissions.") from error
    if not ours:
        raise InputError.of(str(path), "it is no GeoPackage", AWAY)
    with opened(path) as connection:
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not {"cemgis_file", "cemgis_written", "gpkg_contents"} <= tables:
            raise InputError.of(
                str(path), "it was not built by this program", "Move it away, or give it as evidence, and build again."
            )
        facts = dict(connection.execute("SELECT name, value FROM cemgis_file"))
        written = tuple(name for (name,) in connection.execute("SELECT layer FROM cemgis_written ORDER BY rowid"))
    content = tuple(sorted(name for name in tables if not name.startswith(_NOT_CONTENT)))
    try:
        version = int(facts["format_version"])
        unit = next(unit for unit in UNITS if unit.name == facts["unit"])
        stamp = datetime.fromisoformat(facts["stamp"])
    except (KeyError, ValueError, StopIteration) as error:
        raise InputError.of(str(path), "what it says of itself is damaged", AWAY) from error
    if version > FORMAT_VERSION:
        raise InputError.of(
            str(path), f"it was built by a newer version (form {version}, this one knows {FORMAT_VERSION})",
            "Update this program.",
        )  # fmt: skip
    return FileInfo(version, unit, stamp, facts.get("title", ""), written, content)


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file with ``sqlite3`` to read it; what fails is said as `InputError`."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1.0)) as connection:
            yield connection
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError.of(str(path), "another program is writing it", "Close it there.") from error
        raise InputError.of(str(path), f"cannot be read ({error})", AWAY) from error
    except sqlite3.DatabaseError as error:
        raise InputError.of(str(path), f"it is damaged ({error})", AWAY) from error


def layer_hashes(path: Path | str) -> dict[str, str]:
    """Return the hash of each layer as it was written.

    Raises
    ------
    InputError
        As `info`.
    """
    info(path)
    with opened(Path(path)) as connection:
        return dict(connection.execute("SELECT layer, hash FROM cemgis_written ORDER BY rowid"))


def read_layer(path: Path | str, name: str) -> gpd.GeoDataFrame | pd.DataFrame:
    """Read a layer as it is in the file now: declared columns and types, units off the names again.

    Columns that someone added are left out; declared ones that someone took away come back empty.

    Parameters
    ----------
    path : Path or str
    name : str
        A key of `cemgis.layers.LAYERS`.

    Raises
    ------
    InputError
        As `info`; or when the layer is not in the file, or a value cannot be of its column's type.
    """
    path = Path(path)
    about = info(path)
    if name not in about.tables or name not in LAYERS:
        has = ", ".join(table for table in about.tables if table in LAYERS)
        raise InputError.of(str(path), f"it has no layer {name}", f"It has {has}.")
    now = read_now(path, LAYERS[name], about.unit)
    if now.problems:
        raise InputError(*now.problems)
    return to_frame(now.table, LAYERS[name], now.crs)


def read_ground(path: Path | str) -> dict[str, gpd.GeoDataFrame | pd.DataFrame]:
    """Read every declared layer of a file, in the order in which they were written.

    Raises
    ------
    InputError
        As `read_layer`.
    """
    about = info(path)
    return {name: read_layer(path, name) for name in about.layers if name in about.tables and name in LAYERS}


@dataclass(frozen=True)
class _Now:
    table: Any
    fids: np.ndarray
    crs: Any
    own: tuple[str, ...]
    problems: tuple[Problem, ...]


def read_now(path: Path, layer: Layer, unit: Unit) -> _Now:
    """Read a layer as it is now, with the columns that are not declared and what of the declared ones is spoiled."""
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            meta, found = pyogrio.raw.read_arrow(path, layer=layer.name, return_fids=True)
    except GDAL_ERRORS as error:
        where = f"{path} {layer.name}"
        raise InputError.of(
            where, f"cannot be read ({error})", AWAY
        ) from error  # fmt: skip
    for warning in said:
        _log.warning("%s, layer %s: %s", path, layer.name, warning.message)
    gather = Gather()
    columns, names = [], []
    fid = meta.get("fid_column") or "fid"
    shape = meta.get("geometry_name") or SHAPE
    left = [name for name in found.column_names if name not in (fid, shape)]
    for column in layer.columns:
        written, kind = column.written(unit), ARROW[column.type]
        if written in left:
            left.remove(written)
            try:
                values = found[written].cast(kind)
            except pa.ArrowException as error:
                where = f"{layer.name}.{column.name}"
                gather.add(where, f"no longer {column.type} ({str(error)[:200]})", "Make the column what it was.")
                values = pa.nulls(len(found), kind)
        else:
            values = pa.nulls(len(found), kind)
        columns.append(values)
        names.append(column.name)
    if layer.geometry is not None:
        columns.append(_flat(found[shape]) if shape in found.column_names else pa.nulls(len(found), pa.large_binary()))
        names.append(SHAPE)
    fids = found[fid].to_numpy() if fid in found.column_names else np.arange(len(found))
    return _Now(pa.table(columns, names=names), fids, meta.get("crs"), tuple(left), tuple(gather.problems))


def _flat(values: Any) -> Any:
    """Return shapes in two dimensions: a program may add a height nobody measured."""
    plain = values.cast(pa.large_binary()) if values.type != pa.large_binary() else values
    shapes = shapely.from_wkb(plain.to_numpy(zero_copy_only=False))
    if not shapely.has_z(shapes).any():
        return plain
    return to_wkb(shapely.force_2d(shapes))


def to_frame(table: Any, layer: Layer, crs: Any) -> gpd.GeoDataFrame | pd.DataFrame:
    """Return a layer kept as arrow as a table of pandas."""
    plain = table.drop_columns([SHAPE]) if layer.geometry is not None else table
    frame = plain.to_pandas(types_mapper=PANDAS.get)
    if layer.geometry is None:
        return frame
    shapes = shapely.from_wkb(table[SHAPE].to_numpy(zero_copy_only=False))
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, index=frame.index, crs=crs))
