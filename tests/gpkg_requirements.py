"""Requirements of the GeoPackage standard as checks in SQL: OGC 12-128r19, version 1.4.0.

Numbers are the standard's own. Requirement 4 (no extension from elsewhere) fails with tables of our own and is told
apart: `foreign_extensions` returns what breaks it.
"""

from __future__ import annotations

import re
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

TYPES = re.compile(
    r"^(BOOLEAN|TINYINT|SMALLINT|MEDIUMINT|INT|INTEGER|FLOAT|DOUBLE|REAL|TEXT(\(\d+\))?|BLOB(\(\d+\))?|DATE|DATETIME|"
    r"GEOMETRY|POINT|LINESTRING|POLYGON|MULTIPOINT|MULTILINESTRING|MULTIPOLYGON|GEOMETRYCOLLECTION)$"
)
MOMENT = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")
STANDARD = {
    "gpkg_rtree_index", "gpkg_schema", "gpkg_metadata", "gpkg_crs_wkt", "gpkg_crs_wkt_1_1", "gpkg_webp",
    "gpkg_zoom_other", "gpkg_2d_gridded_coverage", "gpkg_related_tables", "related_tables",
}  # fmt: skip


def failures(path: Path) -> list[str]:
    """Return what the file breaks, each with the requirement's number; empty when all hold."""
    found: list[str] = []

    def need(holds: object, number: str, what: str) -> None:
        if not holds:
            found.append(f"requirement {number}: {what}")

    head = path.read_bytes()[:100]
    need(head[:16] == b"SQLite format 3\0", "1", "header")
    need(struct.unpack(">I", head[68:72])[0] == 0x47504B47, "2", "application_id")
    need(10200 <= struct.unpack(">I", head[60:64])[0] <= 10499, "2", "user_version")
    need(path.suffix == ".gpkg", "3", "ending")
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        ask = connection.execute
        need(ask("PRAGMA integrity_check").fetchall() == [("ok",)], "6", "integrity_check")
        need(ask("PRAGMA foreign_key_check").fetchall() == [], "7", "foreign_key_check")
        systems = {row[0]: row for row in ask("SELECT srs_id, organization, definition FROM gpkg_spatial_ref_sys")}
        need(systems.get(4326, (0, ""))[1].upper() == "EPSG", "11", "srs 4326")
        for srs in (-1, 0):
            need(systems.get(srs, (0, "", ""))[1:] == ("NONE", "undefined"), "11", f"srs {srs}")
        contents = ask("SELECT table_name, data_type, last_change, srs_id FROM gpkg_contents").fetchall()
        for table, kind, moment, srs in contents:
            need(MOMENT.match(moment), "15", f"{table} last_change {moment}")
            need(srs is None or srs in systems, "14", f"{table} srs_id {srs}")
            columns = ask(f'PRAGMA table_info("{table}")').fetchall()
            for _, name, declared, *_ in columns:
                need(TYPES.match(declared), "5", f"{table}.{name} {declared}")
            keys = [name for _, name, declared, _, _, place in columns if place and declared == "INTEGER"]
            need(len(keys) == 1, "29" if kind == "features" else "119", f"{table} primary key {keys}")
        shaped = ask("SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns")
        shaped = {row[0]: row for row in shaped.fetchall()}
        features = {table: srs for table, kind, _, srs in contents if kind == "features"}
        need(set(shaped) == set(features), "22", "a row for every feature table")
        for table, column, kind, srs, z, m in shaped.values():
            need(srs == features.get(table), "146", f"{table} srs_id")
            need(kind == kind.upper(), "25", f"{table} {kind}")
            need(z in (0, 1, 2) and m in (0, 1, 2), "27, 28", f"{table} z {z} m {m}")
            for (blob,) in ask(f'SELECT "{column}" FROM "{table}" WHERE "{column}" IS NOT NULL'):
                magic, version, flags = blob[:2], blob[2], blob[3]
                need(magic == b"GP" and version == 0, "19", f"{table} blob header")
                need((flags >> 1) & 7 in (0, 1, 2, 3, 4), "19", f"{table} envelope code")
                order = "<" if flags & 1 else ">"
                need(struct.unpack(f"{order}i", blob[4:8])[0] == srs, "33", f"{table} srs_id in a shape")
        extensions = ask("SELECT table_name, column_name, extension_name, scope FROM gpkg_extensions").fetchall()
        tables = {name for (name,) in ask("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
        for table, _, name, scope in extensions:
            need(table is None or table in tables, "60", f"extension {name} names {table}")
            need(re.match(r"^[a-zA-Z0-9]+_[a-zA-Z0-9_]+$", name), "62", name)
            need(scope in ("read-write", "write-only"), "64", f"{name} {scope}")
        for extension, number, members in (
            ("gpkg_schema", "141", {"gpkg_data_columns", "gpkg_data_column_constraints"}),
            ("gpkg_metadata", "140", {"gpkg_metadata", "gpkg_metadata_reference"}),
        ):
            rows = [row for row in extensions if row[2] == extension]
            need({row[0] for row in rows} == members and len(rows) == 2, number, extension)
            need(all(row[1] is None and row[3] == "read-write" for row in rows), number, f"{extension} column, scope")
        for table, column, constraint in ask("SELECT table_name, column_name, constraint_name FROM gpkg_data_columns"):
            names = [row[1] for row in ask(f'PRAGMA table_info("{table}")')]
            need(column in names, "104, 105", f"{table}.{column}")
            if constraint is not None:
                known = ask("SELECT 1 FROM gpkg_data_column_constraints WHERE constraint_name = ?", (constraint,))
                need(known.fetchone(), "106", constraint)
        ranges: list[str] = []
        rows = ask(
            "SELECT constraint_name, constraint_type, value, min, min_is_inclusive, max, max_is_inclusive "
            "FROM gpkg_data_column_constraints"
        )
        for name, kind, value, low, low_in, high, high_in in rows.fetchall():
            need(kind in ("range", "enum", "glob"), "108", f"{name} {kind}")
            if kind == "range":
                ranges.append(name)
                need(value is None, "110", name)
                need(low is not None and high is not None and low < high, "111", name)
                need(low_in in (0, 1) and high_in in (0, 1), "112", name)
            else:
                need(value is not None, "114", name)
                need((low, low_in, high, high_in) == (None,) * 4, "113", name)
        need(len(set(ranges)) == len(ranges), "109", "range names unique")
        rows = ask("SELECT reference_scope, timestamp, md_file_id, md_parent_id FROM gpkg_metadata_reference")
        for scope, moment, file_id, parent in rows.fetchall():
            need(scope in ("geopackage", "table", "column", "row", "row/col"), "96", scope)
            need(MOMENT.match(moment), "100", moment)
            need(ask("SELECT 1 FROM gpkg_metadata WHERE id = ?", (file_id,)).fetchone(), "101", str(file_id))
            need(parent != file_id, "102", str(parent))
        for table, column, *_ in shaped.values():
            index = [row for row in extensions if row[:3] == (table, column, "gpkg_rtree_index")]
            need(len(index) == 1 and index[0][3] == "write-only", "75", f"{table} spatial index registered")
            names = [row[1] for row in ask(f'PRAGMA table_info("rtree_{table}_{column}")')]
            need(names == ["id", "minx", "maxx", "miny", "maxy"], "77", f"rtree_{table}_{column}")
    return found


def foreign_extensions(path: Path) -> set[str]:
    """Return the extensions that are not of the standard: what requirement 4 forbids."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        names = {name for (name,) in connection.execute("SELECT extension_name FROM gpkg_extensions")}
    return names - STANDARD
