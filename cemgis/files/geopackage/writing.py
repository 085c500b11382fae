"""Writing a ground whole: layers, meaning of their columns, metadata, styles, hashes and copies."""

from __future__ import annotations

import hashlib
import io
import sqlite3
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
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

from cemgis import schema
from cemgis.errors import Gather, InputError
from cemgis.files.geopackage.form import ARROW, BATCH_ROWS, GDAL_ERRORS, SHAPE
from cemgis.files.geopackage.held import refuse_if_held
from cemgis.files.metadata import describe
from cemgis.files.style import alias, qml
from cemgis.files.whole import try_room, whole
from cemgis.files.wkb import to_wkb
from cemgis.layers import FORMAT_VERSION, LAYERS
from cemgis.schema import Column, Layer
from cemgis.units import Unit

__all__ = ["FROM_THE_TOP", "digest", "write_ground"]

_AUTHOR = "cemgis"
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
    >>> from cemgis.files.geopackage import changes, layer_hashes, read_layer
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
                kept = {name: (pool.submit(digest, table), pool.submit(_pack, table)) for name, table in made.items()}
                connection.execute("PRAGMA synchronous = OFF")
                hashes = _describe(connection, made, kept, unit, facts, xml)
        except (*GDAL_ERRORS, sqlite3.Error) as error:
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
            values = pa.array(table[column.name], type=ARROW[column.type])
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
        names.append(SHAPE)
    made = pa.table(columns, names=names)
    if layer.key in names and not table[layer.key].is_monotonic_increasing:
        made = made.take(pc.sort_indices(made[layer.key])).combine_chunks()
    return made


def digest(table: Any) -> str:
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
                written.append(SHAPE)
                more = {
                    "layer_options": {**options, "GEOMETRY_NAME": SHAPE, "SPATIAL_INDEX": "YES"},
                    "geometry_name": SHAPE,
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
                (name, SHAPE, name, qml(layer, unit), layer.doc, _AUTHOR, facts["stamp"]),
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
        writer.write_table(table, max_chunksize=BATCH_ROWS)
    return stream.getvalue()
