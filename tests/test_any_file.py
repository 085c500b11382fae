"""Whatever a file holds: no traceback, no row that vanishes untold, and what is written by our own writers comes back.

Every test asks two things of a reader. It returns or raises `InputError` with a remedy for every problem; and the rows
it was given are the rows it returns and those it tells of.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import zipfile
from contextlib import closing
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from xml.sax.saxutils import quoteattr

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from refusing import BLOCK, GROUND, SECTION, tried

from cemgis import cli, pipeline, schema
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files.raster import read_dem
from cemgis.files.readings import parse_gpx, parse_occupations, parse_points, parse_taped
from cemgis.files.scans import Scan, read_scan
from cemgis.files.spreadsheets import read_spreadsheet
from cemgis.files.tables import Table, read_table
from cemgis.files.vector import read_features
from cemgis.files.waypoints import gpx
from cemgis.ground import parse_ground
from cemgis.layers import LAYERS
from cemgis.parcel import parse_parcel
from cemgis.pipeline import scanning
from cemgis.pipeline.probed import fit_probes
from cemgis.pipeline.surveyed import surveyed
from cemgis.plat import make_plat
from cemgis.register import read_crosswalk
from cemgis.units import FOOT

TIMES = int(os.environ.get("CEMGIS_TRIES", "1"))
"""How many times as many examples as in a usual run: ``CEMGIS_TRIES=50 pytest tests/test_any_file.py``."""


def tries(count: int) -> settings:
    return settings(max_examples=count * TIMES, deadline=None, suppress_health_check=list(HealthCheck))


QUIET, FEW = tries(40), tries(15)
DEMO = Path(__file__).parents[1] / "data" / "demo"
NASTY = [
    "", " ", "0", "-1", "nan", "inf", "1e308", "1e400", "=1+1", "٣", "½", "\u202e", "a\tb", "12 ft", "31 ft 4 1/2 in",
    "9" * 40, "2025-02-30", "2025-05-06T25:61:00Z", "A-1", "A-1-1", "{{7*7}}", "none", "1,5", "40 53 12.3 N",
]  # fmt: skip
CELL = st.sampled_from(NASTY) | st.text(max_size=10)


def rows_of(*names: str, most: int = 6) -> st.SearchStrategy[list[tuple[str, ...]]]:
    return st.lists(st.tuples(*[CELL for _ in names]), min_size=1, max_size=most)


def table_of(names: tuple[str, ...], rows: list[tuple[str, ...]]) -> Table:
    frame = pd.DataFrame(rows, columns=list(names), dtype="string")
    return Table(frame, np.arange(2, len(frame) + 2), (), 0, "utf-8", ",")


# ---- lists ----------------------------------------------------------------------------------------------------------

POINTS = ("label", "x", "y", "time", "sigma_ft", "fix", "depth_in", "kind", "antenna_height_m")


@QUIET
@given(rows_of(*POINTS))
def test_points(rows):
    raw = tried(lambda: parse_points(table_of(POINTS, rows)))
    assert raw is None or len(raw.table) + raw.n_broken == len(rows)


TAPED = ("from", "to", "distance", "date", "note")


@QUIET
@given(rows_of(*TAPED))
def test_taped_distances(rows):
    found = tried(lambda: parse_taped(table_of(TAPED, rows), FOOT))
    if found is not None:
        blank = sum(not any(cell.strip() for cell in row) for row in rows)
        assert len(found) + found.attrs["n_broken"] >= len(rows) - blank
        assert np.isfinite(found["distance"]).all()


OCCUPIED = ("label", "from", "to", "kind", "depth", "antenna_height", "note")


@QUIET
@given(rows_of(*OCCUPIED))
def test_occupations(rows):
    found = tried(lambda: parse_occupations(table_of(OCCUPIED, rows)))
    assert found is None or len(found) + found.attrs["n_broken"] == len(rows)


CROSSED = ("old", "new", "until")


@QUIET
@given(rows_of(*CROSSED))
def test_former_numbers(rows):
    table = pd.DataFrame(rows, columns=list(CROSSED), dtype="string").assign(line=range(2, len(rows) + 2))
    found = tried(lambda: read_crosswalk(table, source="old.csv"))
    assert found is None or len(found) == len(rows)


LOTS = ("section", "row", "lot", "x", "y", "width", "depth", "turn", "spaces", "facing", "from", "kind", "markers")
LISTED = GROUND + SECTION + 'lots = "lots.csv"\n'


@QUIET
@given(rows_of(*LOTS, most=4))
def test_lists_of_lots(rows):
    ground = parse_ground(LISTED, Path())
    plain = [("A", "", "good", "1000", "1000", "12", "16", "", "4", "east", "left", "full", "southwest")]
    table = pd.DataFrame([*rows, *plain], columns=list(LOTS), dtype="string").replace("", pd.NA)
    plat = tried(lambda: make_plat(ground, {"A": table}))
    if plat is not None:
        ours = sum(row[0].strip() in ("", "A") for row in rows) + 1
        assert len(plat.lots) <= ours
        assert np.isfinite(plat.corners[["plat_x", "plat_y"]].to_numpy(float)).all()


PROBED = ("vault", "space", "kind", "x", "y", "depth", "label", "width", "length", "container")
PROBES = GROUND + SECTION + BLOCK + '[[probes]]\nfile = "p.csv"\nreference = "EPSG:6549"\n'


@QUIET
@given(rows_of(*PROBED))
def test_probe_hits(rows):
    ground = parse_ground(PROBES, Path())
    none = gpd.GeoDataFrame({name: [] for name in ("label", "used", "cov_ee", "cov_en", "cov_nn")}, geometry=[])
    spaces = gpd.GeoDataFrame({"space_id": [], "section": [], "lot_id": []}, geometry=[])
    made = tried(lambda: fit_probes(ground, [(ground.probes[0], table_of(PROBED, rows))], none, spaces))
    if made is not None:
        tables, findings = made
        named = {row[0].strip() for row in rows} - {""}
        placed = set(tables["vaults"]["vault_id"])
        told = " ".join(f"{item.subject} {item.reason}" for item in findings)
        assert placed <= named
        assert placed == named or told


# ---- spreadsheets ---------------------------------------------------------------------------------------------------

VALUE = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**12), 10**12), st.floats(allow_nan=False, allow_infinity=False),
    st.dates(), st.text(alphabet=st.characters(exclude_categories=["C"]), max_size=12),
)  # fmt: skip


def book_of(rows):
    book = openpyxl.Workbook()
    book.active.append(["kind", "date", "name"])
    for row in rows:
        book.active.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@FEW
@given(rows=st.lists(st.tuples(VALUE, VALUE, VALUE), min_size=1, max_size=6))
def test_spreadsheets_come_back_row_by_row(rows, tmp_path):
    (tmp_path / "a.xlsx").write_bytes(book_of(rows))
    found = tried(lambda: read_spreadsheet(tmp_path / "a.xlsx"))
    if found is None:
        return
    filled = [row for row in rows if any(str(value).strip() for value in row if value is not None)]
    assert len(found.rows) == len(filled) or found.notes  # rows above a header are told
    texts = [value.strip() for row in filled for value in row if isinstance(value, str) and not value.startswith("=")]
    kept = {cell for column in found.rows for cell in [str(column), *found.rows[column]]}
    assert set(texts) <= kept | {""} or found.notes


@FEW
@given(at=st.integers(0, 5000), junk=st.binary(min_size=1, max_size=30))
def test_no_damage_breaks_a_spreadsheet(at, junk, tmp_path):
    whole = book_of([("interment", "1901-02-03", "Ada Fenn")])
    at %= len(whole)
    (tmp_path / "a.xlsx").write_bytes(whole[:at] + junk + whole[at + len(junk) :])
    tried(lambda: read_spreadsheet(tmp_path / "a.xlsx"))
    with zipfile.ZipFile(io.BytesIO(whole)) as packed, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as broken:
        for number, name in enumerate(packed.namelist()):
            inside = packed.read(name)
            cut = at % max(len(inside), 1)
            broken.writestr(name, inside[:cut] + junk + inside[cut:] if number % 3 == at % 3 else inside)
    tried(lambda: read_spreadsheet(tmp_path / "b.xlsx"))


# ---- waypoints and features -----------------------------------------------------------------------------------------

XML_TEXT = st.text(alphabet=st.characters(exclude_categories=["C"]), max_size=12)


@QUIET
@given(st.lists(st.tuples(CELL, CELL, XML_TEXT), min_size=1, max_size=6), st.integers(0, 600))
def test_waypoints(points, cut):
    def escaped(text):
        return quoteattr("".join(sign for sign in text if sign.isprintable()))

    body = "".join(
        f"<wpt lat={escaped(lat)} lon={escaped(lon)}><name>{escaped(name)[1:-1]}</name></wpt>"
        for lat, lon, name in points
    )
    data = f'<gpx version="1.1">{body}</gpx>'.encode()
    raw = tried(lambda: parse_gpx(data))
    assert raw is None or len(raw.table) + raw.n_broken == len(points)
    torn = tried(lambda: parse_gpx(data[:cut]))
    if torn is not None and cut < len(data):
        assert len(torn.table) + torn.n_broken == data[:cut].count(b"</wpt>") + 1  # the break is told as well


@QUIET
@given(
    st.lists(st.tuples(st.floats(-180, 180), st.floats(1, 89), XML_TEXT), min_size=1, max_size=6,
             unique_by=lambda one: one[2]),
)  # fmt: skip
def test_waypoints_that_we_write_come_back(points):
    names = [f"A-{number} {name}" for number, (_, _, name) in enumerate(points)]
    made = gpx(
        [point[:2] for point in points], names, names, title="T", about="x", time=datetime(2025, 1, 1, tzinfo=UTC)
    )
    raw = parse_gpx(made)
    np.testing.assert_allclose(
        raw.table[["x", "y"]].to_numpy(float), [point[:2] for point in points], rtol=0, atol=1e-9
    )
    plain = ["".join(sign if sign.isprintable() else " " for sign in name).strip() for name in names]
    assert raw.table["label"].tolist() == plain


NUMBER = st.one_of(st.integers(-(10**9), 10**9), st.floats(-1e9, 1e9), st.just(None), st.just("x"))
PLACE = st.lists(NUMBER, min_size=0, max_size=3)
SHAPE = st.one_of(
    st.none(), st.just({}), st.builds(lambda at: {"type": "Point", "coordinates": at}, PLACE),
    st.builds(lambda at: {"type": "Polygon", "coordinates": [at]}, st.lists(PLACE, max_size=5)),
    st.builds(lambda at: {"type": "MultiPoint", "coordinates": at}, st.lists(PLACE, max_size=3)),
    st.just({"type": "Point", "coordinates": [2023908.0, 449388.0]}), st.just({"type": "Dragon"}),
)  # fmt: skip
JSON = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False, allow_infinity=False), CELL,
                 st.lists(st.integers(), max_size=2))  # fmt: skip
FEATURE = st.fixed_dictionaries(
    {"type": st.just("Feature"), "geometry": SHAPE,
     "properties": st.dictionaries(st.sampled_from(["id", "vault_id", "sigma", "ä", "feature"]), JSON, max_size=4)}
)  # fmt: skip
VAULTS = GROUND + SECTION + BLOCK + '[[features]]\nlayer = "vaults"\nfile = "a.geojson"\nreference = "EPSG:6549"\n'


@QUIET
@given(features=st.lists(FEATURE, min_size=1, max_size=5), named=st.booleans())
def test_features(features, named, tmp_path):
    whole = {"type": "FeatureCollection", "features": features}
    if named:
        whole["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6549"}}
    (tmp_path / "a.geojson").write_text(json.dumps(whole), encoding="utf-8")
    found = tried(lambda: read_features(tmp_path / "a.geojson"))
    if found is None:
        return
    assert len(found.table) + found.n_broken == len(features)
    ground = parse_ground(VAULTS, tmp_path)
    made = tried(lambda: surveyed(ground, [(ground.features[0], found)]))
    if made is not None:
        tables, findings = made
        told = [item for item in findings if item.kind == "feature broken"]
        assert len(tables["vaults"]) == len(found.table) or told


# rasterio's own hand to the log takes GDAL's words for UTF-8, and prints that it could not; nothing comes through to us
@pytest.mark.filterwarnings("ignore:.*rasterio._env.log_error:pytest.PytestUnraisableExceptionWarning")
@FEW
@example(data=b"<\x80", name="a.kml")  # GDAL's words quote the bytes as they are
@given(data=st.binary(min_size=1, max_size=400), name=st.sampled_from(["a.tif", "a.png", "a.jpg", "a.gpkg", "a.kml"]))
def test_pictures_heights_and_vectors_of_any_bytes(data, name, tmp_path):
    crs = parse_ground(GROUND + SECTION + BLOCK, Path()).crs
    heads = {"tif": b"II*\0", "png": b"\x89PNG\r\n\x1a\n", "jpg": b"\xff\xd8\xff", "gpkg": b"SQLite format 3\0",
             "kml": b"<kml>", "shp": b"\0\0\x27\x0a"}  # fmt: skip
    (tmp_path / name).write_bytes(heads[name[2:]] + data)
    for read in (lambda: read_scan(tmp_path / name), lambda: read_features(tmp_path / name),
                 lambda: read_dem(tmp_path / name, crs.crs, crs.unit, heights="ft")):  # fmt: skip
        assert tried(read) is None


# ---- descriptions ---------------------------------------------------------------------------------------------------

LITERAL = st.one_of(
    st.integers().map(str), st.floats().map(repr), st.text(max_size=12).map(json.dumps), CELL.map(json.dumps),
    st.sampled_from(["true", "[]", "{}", "[[]]", '[""]', '["1 ft"]', "1979-05-27", "07:32:00", "{ a = 1 }", "9" * 20]),
)  # fmt: skip
RICH = (DEMO / "ground.toml").read_text(encoding="utf-8")
PARCEL = (DEMO / "expansion" / "meadow.toml").read_text(encoding="utf-8")


def spoilt(text: str, at: int, literal: str, how: int) -> str:
    """Give a line of a description another value, take it out, or say it twice."""
    lines = text.splitlines()
    said = [number for number, line in enumerate(lines) if line.strip() and not line.startswith("#")]
    row = said[at % len(said)]
    if how == 0 and "=" in lines[row]:
        lines[row] = f"{lines[row].partition('=')[0]}= {literal}"
    elif how == 1:
        lines[row] = ""
    else:
        lines[row : row + 1] = [lines[row]] * 2
    return "\n".join(lines)


@tries(120)
@given(st.integers(0, 10_000), LITERAL, st.sampled_from([0, 0, 0, 1, 2]))
def test_no_value_breaks_the_description_of_the_demo(at, literal, how):
    ground = tried(lambda: parse_ground(spoilt(RICH, at, literal, how), DEMO))
    if ground is not None:
        text = spoilt(RICH, at, literal, how)
        assert len(ground.sections) == text.count("\n[[section]]")
        assert len(ground.readings) == text.count("\n[[readings]]")


@QUIET
@given(st.integers(0, 10_000), LITERAL, st.sampled_from([0, 0, 0, 1, 2]))
def test_no_value_breaks_the_description_of_a_parcel(at, literal, how):
    ground = parse_ground(GROUND + SECTION + BLOCK, Path())
    assert parse_parcel(PARCEL, ground, "meadow.toml").modules
    tried(lambda: parse_parcel(spoilt(PARCEL, at, literal, how), ground, "meadow.toml"))


# ---- a built ground -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(small_ground, tmp_path_factory):
    folder = Path(shutil.copytree(small_ground, tmp_path_factory.mktemp("any") / "hill"))
    assert cli.main(["build", str(folder), "--no-maps"]) == 0
    return folder


@pytest.fixture(scope="module")
def run(built):
    return pipeline.compute(built, until="spaces")


CONTROL = ("label", "corner", "column", "row", "plat_x", "plat_y", "easting", "northing", "name")


@QUIET
@given(rows=rows_of(*CONTROL))
def test_control_points_of_a_scan(rows, run):
    text = (run.ground.folder / "ground.toml").read_text(encoding="utf-8")
    scan = '[[scan]]\nfile = "plan.png"\npoints = "p.csv"\nplat = "1870"\nreference = "EPSG:6549"\n'
    entry = cached(text + scan).scans[0]
    picture = Scan(Path("plan.png"), 100, 100, np.empty((0, 2)), np.empty((0, 2)), None)
    found = tried(lambda: scanning._points(run, entry, picture, table_of(CONTROL, rows)))
    if found is not None:
        pixel, grid, names, left_out = found
        assert len(pixel) == len(grid) == len(names)
        assert len(pixel) + len(left_out) == len(rows)


@cache
def cached(text: str):
    return parse_ground(text, Path())


SETTABLE = [(name, column.name, column.written(FOOT))
            for name in ("spaces", "lots", "corners", "markers", "people", "vaults", "sections", "events", "readings")
            for column in LAYERS[name].columns]  # fmt: skip
DATA = st.one_of(st.none(), st.integers(-(2**63), 2**63 - 1), st.floats(), CELL, st.binary(max_size=6))


@tries(10)
@given(edits=st.lists(st.tuples(st.sampled_from(SETTABLE), DATA), min_size=1, max_size=3), everywhere=st.booleans())
def test_whatever_is_typed_into_the_geopackage_is_collected_or_refused(edits, built, tmp_path, everywhere):
    folder = tmp_path / "own"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name in ("ground.toml", "ground.gpkg"):
        shutil.copyfile(built / name, folder / name)
    touched = 0
    with closing(sqlite3.connect(folder / "ground.gpkg", isolation_level=None)) as connection:
        for (layer, _, column), value in edits:
            for (trigger,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (layer,)
            ).fetchall():
                connection.execute(f'DROP TRIGGER "{trigger}"')
            only = "" if everywhere else f' WHERE rowid = (SELECT min(rowid) FROM "{layer}")'
            try:
                done = connection.execute(f'UPDATE "{layer}" SET "{column}" = ?{only}', (value,))
            except (sqlite3.IntegrityError, sqlite3.OperationalError, UnicodeEncodeError):
                continue
            touched += done.rowcount
    before = (folder / "ground.gpkg").read_bytes()
    found = tried(lambda: geopackage.changes(folder / "ground.gpkg"))
    made = tried(lambda: pipeline.collect(folder, who="E. Tarn", why="seen"))
    assert (folder / "ground.gpkg").read_bytes() == before
    log = folder / "records" / "edits.jsonl"
    assert log.exists() == bool(made is not None and made.records)
    if found is not None and made is not None:
        changed = sum(bool(difference) for difference in found.layers.values())
        assert bool(made.records or made.refused) == bool(changed)  # what was changed is a record, or it is refused


def test_bytes_that_are_no_text_are_refused_in_words(built, tmp_path):
    shutil.copyfile(built / "ground.gpkg", tmp_path / "ground.gpkg")
    with closing(sqlite3.connect(tmp_path / "ground.gpkg", isolation_level=None)) as connection:
        for (trigger,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'spaces'"
        ).fetchall():
            connection.execute(f'DROP TRIGGER "{trigger}"')
        connection.execute("UPDATE spaces SET space_id = CAST(x'80' AS TEXT) WHERE fid = 1")
    with pytest.raises(InputError, match="spaces: a text in it is no UTF-8"):
        geopackage.changes(tmp_path / "ground.gpkg")


TEXT = st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=12)
PERSON = st.fixed_dictionaries({name: st.none() | TEXT for name in ("name", "surname", "born", "note")})


@FEW
@given(people=st.lists(PERSON, min_size=1, max_size=5))
def test_what_is_written_into_a_geopackage_comes_back(people, tmp_path):
    layer = LAYERS["people"]
    rows = [{"person_id": f"p{number}"} | {k: v for k, v in one.items() if k in layer.names}
            for number, one in enumerate(people)]  # fmt: skip
    table = schema.restore(pd.DataFrame(rows), layer)
    ground = parse_ground(GROUND + SECTION + BLOCK, Path())
    path = tmp_path / "ground.gpkg"
    made = tried(lambda: geopackage.write_ground(path, {"people": table}, unit=ground.unit, crs=ground.crs.crs,
                                                 stamp=datetime(2025, 6, 1, tzinfo=UTC), title="T"))  # fmt: skip
    if made is None:
        assert any("\0" in value for one in people for value in one.values() if value)
        return
    back = geopackage.read_layer(path, "people")
    pd.testing.assert_frame_equal(back, table)
    assert not geopackage.changes(path)


# ---- tables as files ------------------------------------------------------------------------------------------------


@QUIET
@given(rows=st.lists(st.lists(CELL, min_size=0, max_size=5), min_size=1, max_size=6), mark=st.sampled_from(",;\t"))
def test_every_line_of_a_table_is_read_or_told(rows, mark, tmp_path):
    lines = [[cell.replace('"', "'") for cell in row] for row in rows]
    lines = [[" ".join(cell.split()).replace(mark, " ") for cell in row] for row in lines]
    text = mark.join(["a", "b", "c"]) + "\n" + "\n".join(mark.join(row) for row in lines) + "\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8", newline="")
    found = tried(lambda: read_table(tmp_path / "a.csv", delimiter=mark))
    filled = [row for row in lines if any(cell.strip(" \0") for cell in row)]
    if found is not None:
        above = sum("above the header" in note for note in found.notes)
        assert len(found.rows) + found.n_broken == len(filled) or above


def test_these_can_fail():
    with pytest.raises(AssertionError):
        assert len(parse_points(table_of(("label", "x", "y"), [("A", "1", "2"), ("B", "x", "y")])).table) == 2
    assert shapely.box(0, 0, 1, 1).area == 1
