"""ground.gpkg against the requirements of the GeoPackage standard (OGC 12-128r19, version 1.4), by plain SQL.

The numbers of the requirements are from memory.
"""

import re
import sqlite3
import struct

import pytest

TYPES = re.compile(
    r"(BOOLEAN|TINYINT|SMALLINT|MEDIUMINT|INT|INTEGER|FLOAT|DOUBLE|REAL|DATE|DATETIME|(TEXT|BLOB)(\(\d+\))?"
    r"|GEOMETRY|POINT|LINESTRING|POLYGON|MULTIPOINT|MULTILINESTRING|MULTIPOLYGON|GEOMETRYCOLLECTION)"
)


@pytest.fixture(scope="module")
def path(demo_ground):
    return demo_ground / "ground.gpkg"


@pytest.fixture(scope="module")
def file(path):
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    yield connection
    connection.close()


def rows(file, query):
    return file.execute(query).fetchall()


def test_the_file_says_what_it_is(file, path):
    with path.open("rb") as opened:
        assert opened.read(16) == b"SQLite format 3\0"  # requirement 1
    assert rows(file, "PRAGMA application_id") == [(int.from_bytes(b"GPKG"),)]  # 2
    assert rows(file, "PRAGMA user_version")[0][0] in range(10200, 10500)  # 2: version 1.2 to 1.4
    assert rows(file, "PRAGMA integrity_check") == [("ok",)]  # 6
    assert rows(file, "PRAGMA foreign_key_check") == []  # 7


def test_reference_systems_are_declared(file):
    known = dict(rows(file, "SELECT srs_id, organization FROM gpkg_spatial_ref_sys"))
    assert {-1, 0, 4326} <= set(known)  # 11
    used = {srs for (srs,) in rows(file, "SELECT srs_id FROM gpkg_contents WHERE srs_id IS NOT NULL")}
    assert used <= set(known)  # 12, 14


def test_contents_name_tables_that_are_there(file):
    tables = {name for (name,) in rows(file, "SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    for name, kind, changed in rows(file, "SELECT table_name, data_type, last_change FROM gpkg_contents"):
        assert name in tables  # 13
        assert kind in {"features", "attributes"}
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", changed)  # 15
        columns = rows(file, f'PRAGMA table_info("{name}")')
        keys = [column for column in columns if column[5]]
        assert [(key[2], key[5]) for key in keys] == [("INTEGER", 1)]  # 29
        assert not [column[2] for column in columns if not TYPES.fullmatch(column[2])]  # 5


def test_each_layer_has_one_geometry_of_its_declared_kind(file):
    layers = [name for (name,) in rows(file, "SELECT table_name FROM gpkg_contents WHERE data_type = 'features'")]
    declared = rows(file, "SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns")
    assert sorted(row[0] for row in declared) == sorted(layers)  # 22, 23
    for name, column, kind, srs, z, m in declared:
        assert (srs,) in rows(file, f"SELECT srs_id FROM gpkg_contents WHERE table_name = '{name}'")  # 26
        assert z in (0, 1, 2)
        assert m in (0, 1, 2)
        types = {row[1]: row[2] for row in rows(file, f'PRAGMA table_info("{name}")')}
        assert types[column] == kind  # 31
        for (blob,) in rows(file, f'SELECT "{column}" FROM "{name}" WHERE "{column}" IS NOT NULL LIMIT 50'):
            magic, version, flags, of = struct.unpack("<2sBBi", blob[:8])  # 19
            assert (magic, version, of) == (b"GP", 0, srs)
            assert flags & 1  # little-endian here, as unpacked
            assert (flags >> 1) & 7 <= 4


def test_extensions_are_registered_and_name_what_is_there(file):
    names = {name for (name,) in rows(file, "SELECT name FROM sqlite_master")}
    registered = rows(file, "SELECT table_name, column_name, extension_name, scope FROM gpkg_extensions")
    for table, column, _, scope in registered:
        assert table is None or table in names  # 60
        assert scope in {"read-write", "write-only"}  # 64
        if column is not None:
            assert column in {row[1] for row in rows(file, f'PRAGMA table_info("{table}")')}  # 61
    trees = {(table, column) for table, column, kind, _ in registered if kind == "gpkg_rtree_index"}
    for table, column in trees:
        assert f"rtree_{table}_{column}" in names  # 77
    for name in names:
        match = re.fullmatch(r"rtree_(\w+)_(geom|geometry)", name)
        assert not match or match.groups() in trees  # 76
    of_schema = {table for table, _, kind, _ in registered if kind == "gpkg_schema"}
    assert of_schema == {"gpkg_data_columns", "gpkg_data_column_constraints"}  # 141
    of_metadata = {table for table, _, kind, _ in registered if kind == "gpkg_metadata"}
    assert of_metadata == {"gpkg_metadata", "gpkg_metadata_reference"}  # 140


def test_described_columns_and_their_lists_are_there(file):
    lists = {name for (name,) in rows(file, "SELECT constraint_name FROM gpkg_data_column_constraints")}
    for table, column, constraint in rows(
        file, "SELECT table_name, column_name, constraint_name FROM gpkg_data_columns"
    ):
        assert column in {row[1] for row in rows(file, f'PRAGMA table_info("{table}")')}  # 104, 105
        assert constraint is None or constraint in lists  # 106
    kinds = {kind for (kind,) in rows(file, "SELECT constraint_type FROM gpkg_data_column_constraints")}
    assert kinds <= {"range", "enum", "glob"}  # 108
