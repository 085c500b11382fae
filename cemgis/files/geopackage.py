"""The GeoPackage a ground is built into: written whole, described, styled; read back; and what others changed in it.

A file written here holds, besides the layers: the schema extension (what each column means, its choices and ranges),
ISO 19115 metadata, a style for each layer in ``layer_styles``, and two tables of our own, ``cemgis_file`` (form, unit,
time) and ``cemgis_written`` (each layer's hash and a compressed copy of it as it was written). ``layer_styles`` is a
table without geometry among the contents: GDAL 3.6 hides it from a desktop program where it is not. The two of our own
are registered as an extension, so strict conformance to requirement 4 ("no extension from elsewhere") fails. All other
requirements hold.

One process never opens one file through two copies of SQLite at the same time: closing one would drop the other's
locks. Here GDAL is always closed before ``sqlite3`` opens the file, and the other way round.
"""

from __future__ import annotations

import hashlib
import io
import logging
import os
import shutil
import sqlite3
import warnings
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyogrio.errors
import pyogrio.raw
import pyproj
import shapely

from cemgis import edits, schema
from cemgis.errors import Gather, InputError, Problem
from cemgis.files.metadata import describe
from cemgis.files.style import alias, qml
from cemgis.files.whole import try_room, whole
from cemgis.files.wkb import to_wkb
from cemgis.layers import FORMAT_VERSION, LAYERS
from cemgis.schema import Column, Layer
from cemgis.units import UNITS, Unit

__all__ = [
    "Changes",
    "FileInfo",
    "changes",
    "info",
    "keep_copy",
    "layer_hashes",
    "read_ground",
    "read_layer",
    "refuse_if_held",
    "write_ground",
]

_log = logging.getLogger(__name__)

_AUTHOR = "cemgis"
_SHAPE = "geom"
_ARROW: Mapping[str, Any] = {
    "text": pa.large_string(),
    "date": pa.large_string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "flag": pa.bool_(),
    "time": pa.timestamp("ms", tz="UTC"),
}
_PANDAS: Mapping[Any, Any] = {
    pa.large_string(): pd.StringDtype(),
    pa.int64(): pd.Int64Dtype(),
    pa.float64(): pd.Float64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
}
_BATCH_ROWS = 65_536
_MAGIC = b"SQLite format 3\0"
_NOT_CONTENT = ("gpkg_", "rtree_", "sqlite_", "cemgis_", "layer_styles")
_LEFT_OPEN = ("-wal", "-shm")
_JOURNAL = "-journal"
_GDAL_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
    RuntimeError,
)
_AWAY = "Move it away, look at what it still holds, and build again."
_SPEC = "http://www.geopackage.org/spec140/#extension_"
_ISO = "http://www.isotc211.org/2005/gmd"

FROM_THE_TOP = (
    "findings", "clearances", "openings", "searches", "control", "gates", "readings", "occupations", "markers",
    "corners", "monuments", "probable_graves", "vaults", "sections", "lots", "spaces", "obstacles", "drives",
)  # fmt: skip
"""Layers as they lie upon one another: a desktop program lists and stacks them as they come in the file."""

# Table definitions: OGC 12-128r19, annexes C and F.
_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
  definition TEXT NOT NULL, scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
  description TEXT, mime_type TEXT, constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT,
  min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
  md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml',
  metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT,
  row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT,
  styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME);
CREATE TABLE cemgis_file (name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL);
CREATE TABLE cemgis_written (layer TEXT PRIMARY KEY NOT NULL, hash TEXT NOT NULL, rows INTEGER NOT NULL,
  content BLOB NOT NULL)
"""


# ---- writing --------------------------------------------------------------------------------------------------------


def write_ground(
    path: Path | str,
    tables: Mapping[str, pd.DataFrame],
    *,
    unit: Unit,
    crs: pyproj.CRS,
    stamp: datetime,
    title: str,
    abstract: str = "",
    metadata_xml: str | None = None,
) -> dict[str, str]:
    """Write the layers of a ground into one GeoPackage, all or nothing.

    Rows are ordered by key, lengths get their unit in the column's name. The same tables, stamp and library versions
    give the same bytes.

    Parameters
    ----------
    path : Path or str
        The previous file there stays whole until the new one is, and stays for good if anything goes wrong.
    tables : mapping of str to DataFrame or GeoDataFrame
        By layer name, each shaped by `cemgis.schema.restore`.
    unit : Unit
        Of all lengths and grid coordinates; the unit of `crs`.
    crs : pyproj.CRS
    stamp : datetime
        Written wherever the file names a time; with its zone.
    title : str
        Name of the ground.
    abstract : str, optional
        For the metadata.
    metadata_xml : str, optional
        Instead of what `cemgis.files.metadata.describe` says.

    Returns
    -------
    dict of str
        Hash of each layer, in the order in which they were written.

    Raises
    ------
    InputError
        With every problem of every table; when the file is held by another program, the folder cannot be written or
        the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> people = schema.restore(pd.DataFrame({"person_id": ["b", "a"]}), LAYERS["people"])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "ground.gpkg"
    ...     hashes = write_ground(path, {"people": people}, unit=US_SURVEY_FOOT, crs=pyproj.CRS("EPSG:6549"),
    ...                           stamp=datetime(2025, 6, 1, tzinfo=UTC), title="Millrace Hill")
    ...     hashes == layer_hashes(path), bool(changes(path)), read_layer(path, "people")["person_id"].tolist()
    (True, False, ['a', 'b'])
    """
    path = Path(path)
    unknown = [name for name in tables if name not in LAYERS]
    if unknown:
        raise InputError.of(str(path), f"there is no layer {', '.join(unknown)}", "Declare it first.")
    if stamp.tzinfo is None:
        raise InputError.of(str(path), f"the time {stamp} has no zone", "Give the time with its zone.")
    shaped = _checked(tables, crs)
    refuse_if_held(path)
    xml = metadata_xml
    if xml is None:
        xml = describe(shaped, title=title, crs=crs, unit=unit, stamp=stamp, abstract=abstract)
    moment = stamp.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    gather = Gather()
    made = {name: _to_arrow(table, LAYERS[name], gather) for name, table in shaped.items()}
    gather.raise_if_any()
    with whole(path) as beside:
        try:
            _write_layers(beside, made, unit, crs, moment)
            facts = {"format_version": str(FORMAT_VERSION), "unit": unit.name, "stamp": moment, "title": title}
            # GDAL holds the interpreter while it writes; hashing, packing and SQLite let go of it
            with ThreadPoolExecutor(2) as pool, closing(sqlite3.connect(beside, isolation_level=None)) as connection:
                kept = {name: (pool.submit(_digest, table), pool.submit(_pack, table)) for name, table in made.items()}
                connection.execute("PRAGMA synchronous = OFF")
                hashes = _describe(connection, made, kept, unit, facts, xml)
        except (*_GDAL_ERRORS, sqlite3.Error) as error:
            # what is there was written: full is where neither as much again nor a little more than that goes in
            so_far = beside.stat().st_size if beside.exists() else 0
            try_room(beside.parent, max(2 * sum(table.nbytes for table in made.values()), so_far + 2**20))
            said = " ".join(str(error).split())[:300]
            raise InputError.of(str(path), f"not written ({said})", "Mend that and run it again.") from error
        refuse_if_held(path)  # someone may have opened it meanwhile
    return hashes


def _checked(tables: Mapping[str, pd.DataFrame], crs: pyproj.CRS) -> dict[str, pd.DataFrame]:
    gather = Gather()
    shaped: dict[str, pd.DataFrame] = {}
    for name, layer in LAYERS.items():
        if name not in tables:
            continue
        table = tables[name]
        own = getattr(table, "crs", None) if isinstance(table, gpd.GeoDataFrame) else None
        if own is not None and not pyproj.CRS(own).equals(crs, ignore_axis_order=True):
            gather.add(name, f"its reference system is {pyproj.CRS(own).name}, the ground's {crs.name}", "Convert it.")
        if not _is_shaped(table, layer):
            try:
                table = schema.restore(table, layer, crs)
            except (TypeError, ValueError) as error:
                gather.add(name, str(error), "Restore the table from its declaration first.")
                continue
        try:
            schema.check(table, layer)
        except InputError as error:
            gather.take(error)
            continue
        shaped[name] = table
    gather.raise_if_any()
    return shaped


def _is_shaped(table: pd.DataFrame, layer: Layer) -> bool:
    names = [*layer.names, *(["geometry"] if layer.geometry else [])]
    return list(table.columns) == names and all(
        table[column.name].dtype == schema.TYPES[column.type] for column in layer.columns
    )


def _to_arrow(table: pd.DataFrame, layer: Layer, gather: Gather) -> Any:
    """Return a table as arrow, with declared names and types, by key; what is hashed, kept and written."""
    columns, names = [], []
    for column in layer.columns:
        try:
            values = pa.array(table[column.name], type=_ARROW[column.type])
        except (pa.ArrowException, UnicodeError) as error:
            gather.add(f"{layer.name}.{column.name}", f"cannot be written ({error})", "Mend the values.")
            continue
        if column.type in ("text", "date") and pc.any(pc.match_substring(values, "\0")).as_py():
            row = pc.index(pc.match_substring(values, "\0"), value=True).as_py()
            place = f"{layer.name}.{column.name} [{table[layer.key].iloc[row]}]"
            gather.add(place, "holds a NUL character, which cuts a text off", "Take it out.")
        columns.append(values)
        names.append(column.name)
    if layer.geometry is not None:
        columns.append(to_wkb(np.asarray(table["geometry"], dtype=object)))
        names.append(_SHAPE)
    made = pa.table(columns, names=names)
    if layer.key in names and not table[layer.key].is_monotonic_increasing:
        made = made.take(pc.sort_indices(made[layer.key])).combine_chunks()
    return made


def _digest(table: Any) -> str:
    """Hash a layer's content: names, types, what is missing, and the values of the rest."""
    total = hashlib.sha256(f"{table.num_rows}".encode())
    for name in table.column_names:
        chunks = table[name].chunks
        values = chunks[0] if len(chunks) == 1 else pa.concat_arrays([pa.array([], type=table[name].type), *chunks])
        total.update(f"|{name}:{values.type}|".encode())
        total.update(np.packbits(values.is_null().to_numpy(zero_copy_only=False)).tobytes())
        if pa.types.is_large_string(values.type) or pa.types.is_large_binary(values.type):
            total.update(pc.binary_length(values).fill_null(0).to_numpy(zero_copy_only=False).tobytes())
            filled = values.fill_null("" if pa.types.is_large_string(values.type) else b"")
            _, offsets, content = filled.buffers()
            if len(filled) and content is not None:
                bounds = np.frombuffer(offsets, np.int64)[filled.offset :]
                total.update(memoryview(content)[int(bounds[0]) : int(bounds[len(filled)])])
        elif pa.types.is_boolean(values.type):
            total.update(values.cast(pa.int8()).fill_null(0).to_numpy(zero_copy_only=False).tobytes())
        else:
            whole_numbers = values if pa.types.is_floating(values.type) else values.cast(pa.int64())
            total.update(whole_numbers.fill_null(0).to_numpy(zero_copy_only=False).tobytes())
    return total.hexdigest()


@contextmanager
def _beside(moment: str) -> Iterator[None]:
    """Let GDAL write this time instead of the clock's, and not wait for the disk after each layer.

    The file has no name yet that anyone would open; `cemgis.files.whole` waits for the disk once, before it gets one.
    """
    told = {"OGR_CURRENT_DATE": moment, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in told}
    pyogrio.set_gdal_config_options(told)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _write_layers(path: Path, made: Mapping[str, Any], unit: Unit, crs: pyproj.CRS, moment: str) -> None:
    found = crs.to_authority(min_confidence=100)
    named = f"{found[0]}:{found[1]}" if found else crs.to_wkt()
    ranks = {name: rank for rank, name in enumerate(FROM_THE_TOP)}
    with _beside(moment):
        for name, table in sorted(made.items(), key=lambda item: ranks.get(item[0], len(ranks))):
            layer = LAYERS[name]
            written = [column.written(unit) for column in layer.columns]
            options = {"FID": "fid", "IDENTIFIER": _title(name), "DESCRIPTION": layer.doc}
            if layer.geometry is None:
                more: dict[str, Any] = {"layer_options": options}
            else:
                written.append(_SHAPE)
                more = {
                    "layer_options": {**options, "GEOMETRY_NAME": _SHAPE, "SPATIAL_INDEX": "YES"},
                    "geometry_name": _SHAPE,
                    "geometry_type": layer.geometry,
                    "crs": named,
                }
            pyogrio.raw.write_arrow(table.rename_columns(written), path, layer=name, driver="GPKG", **more)


def _title(name: str) -> str:
    words = name.replace("_", " ")
    return words[:1].upper() + words[1:]


def _describe(
    connection: sqlite3.Connection,
    made: Mapping[str, Any],
    kept: Mapping[str, tuple[Future[str], Future[bytes]]],
    unit: Unit,
    facts: Mapping[str, str],
    xml: str,
) -> dict[str, str]:
    """Add what GDAL does not write, in one transaction; return the hashes, which are in `kept` with the copies."""
    run = connection.execute
    run("BEGIN")
    for name, table in made.items():
        key = LAYERS[name].key
        run(f'CREATE INDEX "{name}_{key}" ON "{name}" ("{key}")')
        (rows,) = run(f'SELECT count(*) FROM "{name}"').fetchone()
        if rows != table.num_rows:
            msg = f"{name}: {rows} of {table.num_rows} rows arrived in the file"
            raise sqlite3.DatabaseError(msg)
    for statement in _TABLES.split(";\n"):
        run(statement)
    for name in made:
        _describe_columns(connection, LAYERS[name], unit)
    run("INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (_ISO, xml))
    run(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)", (facts["stamp"],)
    )  # fmt: skip
    for name in made:
        layer = LAYERS[name]
        if layer.geometry is not None:
            run(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
                "VALUES ('', '', ?, ?, ?, ?, '', 1, ?, ?, NULL, ?)",
                (name, _SHAPE, name, qml(layer, unit), layer.doc, _AUTHOR, facts["stamp"]),
            )
    run(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'How a desktop program draws each layer.', ?)",
        (facts["stamp"],),
    )
    for name, value in facts.items():
        run("INSERT INTO cemgis_file VALUES (?, ?)", (name, value))
    hashes = {name: digest.result() for name, (digest, _) in kept.items()}
    for name, table in made.items():
        run(
            "INSERT INTO cemgis_written VALUES (?, ?, ?, ?)",
            (name, hashes[name], table.num_rows, kept[name][1].result()),
        )
    ours = "Tables of the program that wrote this file; readers may pass over them."
    for said in (
        ("gpkg_data_columns", "gpkg_schema", f"{_SPEC}schema", "read-write"),
        ("gpkg_data_column_constraints", "gpkg_schema", f"{_SPEC}schema", "read-write"),
        ("gpkg_metadata", "gpkg_metadata", f"{_SPEC}metadata", "read-write"),
        ("gpkg_metadata_reference", "gpkg_metadata", f"{_SPEC}metadata", "read-write"),
        # A reader that does not know these misses no data: the scope says so, and keeps it from warning.
        ("cemgis_file", f"{_AUTHOR}_written", ours, "write-only"),
        ("cemgis_written", f"{_AUTHOR}_written", ours, "write-only"),
    ):
        run("INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, ?)", said)
    run("COMMIT")
    return hashes


def _describe_columns(connection: sqlite3.Connection, layer: Layer, unit: Unit) -> None:
    for column in layer.columns:
        title = alias(column, unit)
        constraint = None
        if column.choices:
            constraint = f"{layer.name}_{column.name}"
            for choice in column.choices:
                symbol = layer.symbols.get(choice) if layer.symbol_by == column.name else None
                connection.execute(
                    "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
                    (constraint, choice, symbol.word if symbol else choice),
                )
        elif column.low is not None and column.high is not None:
            constraint = f"{layer.name}_{column.name}"
            connection.execute(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, 'range', NULL, ?, 1, ?, 1, ?)",
                (constraint, column.low, column.high, column.doc),
            )
        connection.execute(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
            (
                layer.name,
                column.written(unit),
                column.name.replace("_", " "),
                title,
                _meaning(column, unit),
                constraint,
            ),
        )


def _meaning(column: Column, unit: Unit) -> str:
    """Say what a column means, its unit, and a bound that is open to one side: the standard has no such range."""
    units = {"length": unit.name, "length2": f"square {unit.name}"}
    said = column.doc
    if column.unit:
        said += f" [{units.get(column.unit, column.unit)}]"
    if column.low is not None and column.high is None:
        said += f"; {column.low:g} or more"
    if column.high is not None and column.low is None:
        said += f"; {column.high:g} or less"
    return said


def _pack(table: Any) -> bytes:
    stream = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    with pa.ipc.new_stream(stream, table.schema, options=options) as writer:
        writer.write_table(table, max_chunksize=_BATCH_ROWS)
    return stream.getvalue()


def refuse_if_held(path: Path | str) -> None:
    """Refuse to replace a file that another program has open, where that can be known.

    A program that works in SQLite's write-ahead mode leaves ``-wal`` and ``-shm`` beside the file, with edits that are
    not in it yet; one that is writing holds a lock. Of one that was killed while it wrote, SQLite takes back what it
    had not finished. A program that only has the file open and idle, without write-ahead, cannot be seen on Linux or
    macOS: it keeps the old file.

    Raises
    ------
    InputError
        When it is held; the message says by what sign and what to do.
    """
    path = Path(os.path.realpath(path))
    for ending in _LEFT_OPEN:
        if path.with_name(path.name + ending).exists():
            raise _left_open(path, ending)
    try:
        if not _is_sqlite(path):
            return
    except OSError:  # not there, a folder, not readable: whoever writes says so
        return
    journal = path.with_name(path.name + _JOURNAL)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0)) as connection:
            # where a killed program left a journal, SQLite puts the file back to before what that one was writing
            connection.execute("BEGIN EXCLUSIVE")
            if _is_spent(journal):
                journal.unlink()
            connection.rollback()
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError.of(
                str(path), "another program is reading or writing it right now", "Close it there and run it again."
            ) from error
        # Not writable, or damaged: whoever writes finds out and says so.
    except (sqlite3.DatabaseError, OSError):
        pass
    if journal.exists():
        raise _left_open(path, _JOURNAL)


def _left_open(path: Path, ending: str) -> InputError:
    return InputError.of(
        str(path),
        f"{path.name}{ending} lies beside it: another program has it open, or ended with edits not yet in it",
        "Close it there. If nothing has it open, open it once in a GIS and close it again. Do not delete that.",
    )


def _is_spent(journal: Path) -> bool:
    """Whether a journal holds nothing: it is empty or begins with a zero, which is SQLite's own test."""
    try:
        with journal.open("rb") as stream:
            return stream.read(1) in (b"", b"\0")
    except OSError:
        return False


def _is_sqlite(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(len(_MAGIC)) == _MAGIC


# ---- reading --------------------------------------------------------------------------------------------------------


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
    try:
        ours = _is_sqlite(path)
    except FileNotFoundError as error:
        raise InputError.of(str(path), "there is no such file", "Build the ground first.") from error
    except IsADirectoryError as error:
        raise InputError.of(str(path), "it is a folder", "Move it away.") from error
    except OSError as error:
        raise InputError.of(str(path), f"cannot be read ({error.strerror})", "Mend its permissions.") from error
    if not ours:
        raise InputError.of(str(path), "it is no GeoPackage", _AWAY)
    with _reading(path) as connection:
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
        raise InputError.of(str(path), "what it says of itself is damaged", _AWAY) from error
    if version > FORMAT_VERSION:
        raise InputError.of(
            str(path), f"it was built by a newer version (form {version}, this one knows {FORMAT_VERSION})",
            "Update this program.",
        )  # fmt: skip
    return FileInfo(version, unit, stamp, facts.get("title", ""), written, content)


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1.0)) as connection:
            yield connection
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError.of(str(path), "another program is writing it", "Close it there.") from error
        raise InputError.of(str(path), f"cannot be read ({error})", _AWAY) from error
    except sqlite3.DatabaseError as error:
        raise InputError.of(str(path), f"it is damaged ({error})", _AWAY) from error


def layer_hashes(path: Path | str) -> dict[str, str]:
    """Return the hash of each layer as it was written.

    Raises
    ------
    InputError
        As `info`.
    """
    info(path)
    with _reading(Path(path)) as connection:
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
    now = _read_now(path, LAYERS[name], about.unit)
    if now.problems:
        raise InputError(*now.problems)
    return _to_frame(now.table, LAYERS[name], now.crs)


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


def _read_now(path: Path, layer: Layer, unit: Unit) -> _Now:
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            meta, found = pyogrio.raw.read_arrow(path, layer=layer.name, return_fids=True)
    except _GDAL_ERRORS as error:
        where = f"{path} {layer.name}"
        raise InputError.of(
            where, f"cannot be read ({error})", _AWAY
        ) from error  # fmt: skip
    for warning in said:
        _log.warning("%s, layer %s: %s", path, layer.name, warning.message)
    gather = Gather()
    columns, names = [], []
    fid = meta.get("fid_column") or "fid"
    shape = meta.get("geometry_name") or _SHAPE
    left = [name for name in found.column_names if name not in (fid, shape)]
    for column in layer.columns:
        written, kind = column.written(unit), _ARROW[column.type]
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
        names.append(_SHAPE)
    fids = found[fid].to_numpy() if fid in found.column_names else np.arange(len(found))
    return _Now(pa.table(columns, names=names), fids, meta.get("crs"), tuple(left), tuple(gather.problems))


def _flat(values: Any) -> Any:
    """Return shapes in two dimensions: a program may add a height nobody measured."""
    plain = values.cast(pa.large_binary()) if values.type != pa.large_binary() else values
    shapes = shapely.from_wkb(plain.to_numpy(zero_copy_only=False))
    if not shapely.has_z(shapes).any():
        return plain
    return to_wkb(shapely.force_2d(shapes))


def _to_frame(table: Any, layer: Layer, crs: Any) -> gpd.GeoDataFrame | pd.DataFrame:
    plain = table.drop_columns([_SHAPE]) if layer.geometry is not None else table
    frame = plain.to_pandas(types_mapper=_PANDAS.get)
    if layer.geometry is None:
        return frame
    shapes = shapely.from_wkb(table[_SHAPE].to_numpy(zero_copy_only=False))
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, index=frame.index, crs=crs))


# ---- what others changed --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Changes:
    """What was changed in a file since it was written.

    Parameters
    ----------
    layers : mapping of str to Difference
        Changed layers only.
    lost : tuple of str
        Layers someone took away.
    own_tables : tuple of str
        Tables someone added. They are no change of ours, but a new file will not have them.
    own_columns : mapping of str to tuple of str
        The same for columns, by layer.
    """

    layers: Mapping[str, edits.Difference]
    lost: tuple[str, ...] = ()
    own_tables: tuple[str, ...] = ()
    own_columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.layers or self.lost)

    def lines(self, most: int = 20) -> list[str]:
        """Say the changes in words, one a line."""
        said = [f"{name}: the layer was taken away" for name in self.lost]
        for difference in self.layers.values():
            said += difference.lines(most)
        return said


def changes(path: Path | str) -> Changes:
    """Find what others changed in a file since it was written, whatever the evidence says now.

    Each layer's hash tells whether it changed; what was there is taken from the copy the file keeps. So the answer
    does not depend on evidence or records that changed in the meantime.

    Parameters
    ----------
    path : Path or str

    Raises
    ------
    InputError
        As `info`, or when the copy is damaged.
    """
    path = Path(path)
    about = info(path)
    differences: dict[str, edits.Difference] = {}
    own: dict[str, tuple[str, ...]] = {}
    known = [name for name in about.layers if name in LAYERS]
    hashes = layer_hashes(path)
    for name in known:
        if name not in about.tables:
            continue
        layer = LAYERS[name]
        try:
            now = _read_now(path, layer, about.unit)
            if now.own:
                own[name] = now.own
            if not now.problems and _digest(now.table) == hashes[name]:
                continue
            after = _to_frame(now.table, layer, now.crs)
            after.index = pd.Index(now.fids, name="fid")
            found = edits.diff(_written(path, layer, now.crs), after, layer)
        except (pa.ArrowException, UnicodeError) as error:
            raise InputError.of(
                f"{path}: {name}", "a text in it is no UTF-8", "Type it again in the program it was typed in."
            ) from error
        if now.problems:
            unread = found.edited["column"].isin([item.where.split(".")[-1] for item in now.problems])
            found = replace(
                found, edited=found.edited[~unread].reset_index(drop=True), problems=(*now.problems, *found.problems),
                loose=len(now.problems) + found.loose,
            )  # fmt: skip
        if found:
            differences[name] = found
    lost = tuple(name for name in known if name not in about.tables)
    return Changes(differences, lost, tuple(name for name in about.tables if name not in known), own)


def keep_copy(path: Path | str) -> Path:
    """Keep a copy of a file beside it, named by its content: for tables and columns a new build will not have.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    Path
        ``ground.kept-1a2b3c4d.gpkg``. The same content is kept once, however often this is called.

    Raises
    ------
    InputError
        When the file is held by another program, or the copy cannot be written.
    """
    path = Path(path)
    info(path)
    refuse_if_held(path)
    with path.open("rb") as stream:
        name = hashlib.file_digest(stream, "sha256").hexdigest()[:8]
    kept = path.with_name(f"{path.stem}.kept-{name}{path.suffix}")
    if not kept.exists():
        with whole(kept) as beside:
            shutil.copyfile(path, beside)
    return kept


def _written(path: Path, layer: Layer, crs: Any) -> gpd.GeoDataFrame | pd.DataFrame:
    with _reading(path) as connection:
        (content,) = connection.execute("SELECT content FROM cemgis_written WHERE layer = ?", [layer.name]).fetchone()
    try:
        with pa.ipc.open_stream(content) as reader:
            # restored, as the file may have been written when the layer had fewer columns
            return schema.restore(_to_frame(reader.read_all(), layer, crs), layer, crs)
    except (pa.ArrowException, KeyError, OSError) as error:
        where = f"{path} {layer.name}"
        raise InputError.of(
            where, "the copy of what was written is damaged", _AWAY
        ) from error  # fmt: skip
