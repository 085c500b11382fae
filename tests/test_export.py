"""What is handed on in other formats arrives: every column of every row, read back by another library."""

import csv
import json
import subprocess
import sys
import warnings
from pathlib import Path

import drawn_ground
import fiona
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.geometry

from cemgis import cli
from cemgis.errors import InputError
from cemgis.files import export as exporting
from cemgis.files.export import NOTICE, export, short_names, staff_notice
from cemgis.layers import LAYERS
from cemgis.reference import ground_crs

CRS = ground_crs(drawn_ground.CRS)
HOSTILE = ("=HYPERLINK(1)", "+1", "-2", "@SUM(A1)", 'ümlaut, "quoted"\nand broken', "'already")


@pytest.fixture(scope="module")
def tables():
    made = drawn_ground.tables()
    # A few rows are enough of what is many; every column of every layer is there.
    made = {name: table.head(40).copy() for name, table in made.items()}
    people = made["people"]
    for row, text in enumerate(HOSTILE):
        people.loc[people.index[row], "name"] = text
    made["spaces"].loc[made["spaces"].index[3], ["burials", "radius_95", "heads_azimuth"]] = pd.NA
    return made


def columns_of(name):
    return [(column, column.written(CRS.unit)) for column in LAYERS[name].columns]


def expected(values, column):
    """What a reader should get, as text, numbers or None."""
    out = []
    for value in values:
        if pd.isna(value):
            out.append(None)
        elif column.type == "time":
            out.append(value.strftime("%Y-%m-%dT%H:%M:%S.") + f"{value.microsecond // 1000:03d}Z")
        elif column.type == "flag":
            out.append("yes" if value else "no")
        elif column.type in ("integer", "real"):
            out.append(float(value))
        else:
            out.append(str(value))
    return out


def same(got, want, cut=None):
    assert len(got) == len(want)
    for one, other in zip(got, want, strict=True):
        if other is None:
            assert one in (None, "")
        elif isinstance(other, float):
            assert float(one) == pytest.approx(other, rel=1e-12, abs=1e-9)
        elif cut:
            assert (one or "") == other.encode()[:cut].decode("utf-8", "ignore")
        else:
            assert (one or "") == other


def read(path, **more):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # fiona's own, on reading a table without geometry
        with fiona.open(path, **more) as source:
            return [dict(row["properties"]) for row in source], [row["geometry"] for row in source], source.crs


@pytest.mark.parametrize("kind", ["shapefile", "filegdb"])
def test_every_column_comes_back(tables, tmp_path, kind):
    target = tmp_path / "out"
    done = export(tables, target, kind, unit=CRS.unit, crs=CRS.crs)
    if kind == "filegdb":  # GDAL takes a folder without that ending for none
        target = tmp_path / "out.gdb"
    assert done.path == target
    assert [path.name for path in tmp_path.iterdir()] == [target.name]
    written = {name for name, table in tables.items() if len(table)}
    assert set(done.layers) == written
    names = done.names.set_index(["layer", "column"])["field"]
    assert not done.names.duplicated(["layer", "field"]).any()
    for name in written:
        if kind == "filegdb":
            rows, shapes, crs = read(target, layer=name)
        else:
            path = target / f"{name}.shp"
            rows, shapes, crs = read(path if path.exists() else path.with_suffix(".dbf"))
        table = tables[name]
        for column, title in columns_of(name):
            got = [row[names[name, title]] for row in rows]
            same(got, expected(table[column.name], column), cut=254 if kind == "shapefile" else None)
        if LAYERS[name].geometry:
            assert crs.to_epsg() == 6549 or CRS.crs.equals(crs.to_wkt(), ignore_axis_order=True)
            for shape, here in zip(shapes, table.geometry, strict=True):
                assert (shape is None) == (here is None)
                if here is not None:
                    # A file geodatabase rounds to a tenth of a millimetre.
                    assert shapely.geometry.shape(shape).hausdorff_distance(here) < 1e-3


def test_a_gdal_that_writes_no_geodatabase_is_named(tables, tmp_path, monkeypatch):
    monkeypatch.setattr(exporting.pyogrio, "list_drivers", lambda **_: {"GPKG": "rw"})
    with pytest.raises(InputError, match=r"the GDAL \d.* that is installed writes no file geodatabase"):
        export(tables, tmp_path / "out", "filegdb", unit=CRS.unit, crs=CRS.crs)


def test_shapefile_fields_are_short_and_told(tables, tmp_path, capsys):
    done = export(tables, tmp_path / "out", "shapefile", unit=CRS.unit, crs=CRS.crs)
    assert done.names["field"].str.len().max() <= 10
    with (tmp_path / "out" / "fields.csv").open(encoding="utf-8", newline="") as handle:
        told = list(csv.DictReader(handle))
    assert [tuple(row.values()) for row in told] == list(done.names.itertuples(index=False, name=None))
    assert any("10 characters" in note for note in done.notes)


def test_short_names_never_meet():
    rng = np.random.default_rng(5)
    stems = ["radius", "heads", "markers", "azimuth", "found", "unfound", "95", "worst", "median", "ft"]
    names = sorted({"_".join(rng.choice(stems, rng.integers(1, 5))) for _ in range(400)})
    for most in (10, 6):
        short = short_names(names, most)
        assert len({value.lower() for value in short.values()}) == len(names) > 200
        assert max(map(len, short.values())) <= most
        assert all(short[name] == name for name in names if len(name) <= most)


def test_geojson_names_its_reference_system_and_keeps_the_grid(tables, tmp_path):
    done = export(tables, tmp_path / "out", "geojson", unit=CRS.unit, crs=CRS.crs)
    assert any("crs" in note for note in done.notes)
    for name, table in tables.items():
        path = tmp_path / "out" / f"{name}.geojson"
        if LAYERS[name].geometry is None or not len(table):
            assert not path.exists()
            continue
        found = json.loads(path.read_text(encoding="utf-8"))
        assert found["crs"]["properties"]["name"] == "urn:ogc:def:crs:EPSG::6549"
        for column, title in columns_of(name):
            got = [row["properties"].get(title) for row in found["features"]]
            same(got, expected(table[column.name], column))
        for row, here in zip(found["features"], table.geometry, strict=True):
            assert (row["geometry"] is None) == (here is None)
            if here is not None:
                assert shapely.geometry.shape(row["geometry"]).hausdorff_distance(here) < 1e-3


def test_csv_comes_back_and_holds_no_formula(tables, tmp_path):
    done = export(tables, tmp_path / "out", "csv", unit=CRS.unit, crs=CRS.crs)
    assert any("formula" in note for note in done.notes)
    for name, table in tables.items():
        if not len(table):
            continue
        with (tmp_path / "out" / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
        assert not any(value.startswith(("=", "+", "@", "\t", "\r")) for row in rows for value in row.values())
        for column, title in columns_of(name):
            want = expected(table[column.name], column)
            want = [f"'{text}" if isinstance(text, str) and text[:1] in "=+-@" and text else text for text in want]
            same([row[title] for row in rows], want)
        if LAYERS[name].geometry:
            for row, here in zip(rows, table.geometry, strict=True):
                assert (row["wkt"] == "") == (here is None)
                if here is not None:
                    assert shapely.from_wkt(row["wkt"]).hausdorff_distance(here) < 1e-3


def test_an_export_replaces_its_own_and_nothing_else(tables, tmp_path):
    few = {"people": tables["people"], "lots": tables["lots"]}
    target = tmp_path / "out"
    export(few, target, "csv", unit=CRS.unit, crs=CRS.crs)
    export({"lots": tables["lots"]}, target, "csv", unit=CRS.unit, crs=CRS.crs)
    assert not (target / "people.csv").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    own = tmp_path / "own"
    own.mkdir()
    (own / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="holds something else"):
        export(few, own, "csv", unit=CRS.unit, crs=CRS.crs)
    assert (own / "letter.txt").exists()
    with pytest.raises(InputError, match="there is no format 'dxf'"):
        export(few, target, "dxf", unit=CRS.unit, crs=CRS.crs)


def test_what_cannot_be_written_leaves_the_old_one(tables, tmp_path, monkeypatch):
    target = tmp_path / "out"
    export({"lots": tables["lots"]}, target, "shapefile", unit=CRS.unit, crs=CRS.crs)
    before = {path.name: path.read_bytes() for path in target.iterdir()}

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(exporting, "_write", full)
    with pytest.raises(InputError, match="the disk is full"):
        export({"lots": tables["lots"]}, target, "shapefile", unit=CRS.unit, crs=CRS.crs)

    def broken(*_, **__):
        raise RuntimeError("the driver gave up")

    monkeypatch.setattr(exporting, "_write", broken)
    with pytest.raises(InputError, match="the driver gave up"):
        export({"lots": tables["lots"]}, target, "shapefile", unit=CRS.unit, crs=CRS.crs)
    assert {path.name: path.read_bytes() for path in target.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_the_command_prints_what_is_called_otherwise(demo_ground, tmp_path, capsys):
    assert tuple(exporting.FORMATS) == cli.EXPORTS
    out = tmp_path / "gis"
    assert cli.main(["export", str(demo_ground), "--to", "shapefile", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "heads_azimuth hds_azmth" in " ".join(said.split())
    assert (out / "spaces.shp").exists()
    assert cli.main(["export", str(tmp_path / "nowhere"), "--to", "csv"]) == 2
    assert Path(out / "fields.csv").exists()


@pytest.mark.parametrize("kind", ["csv", "geojson", "shapefile", "filegdb"])
def test_an_exported_folder_says_what_is_for_staff_only(tables, tmp_path, kind):
    done = export(tables, tmp_path / "out", kind, unit=CRS.unit, crs=CRS.crs)
    said = (done.path / NOTICE).read_text(encoding="utf-8")
    assert said.splitlines()[0] == done.notes[0]
    assert "people" in done.notes[0].split(" whole")[0]
    assert "cemgis publish" in done.notes[0]


def test_nothing_that_is_not_published_goes_unnamed():
    hidden = staff_notice({name: pd.DataFrame() for name in LAYERS})
    for name in ("people", "rights", "memories", "readings", "run", "openings", "findings"):
        assert f"- {name}: all of it" in hidden
    assert "- gates: " in hidden
    for layer in LAYERS.values():  # nothing that is not published goes unnamed
        for column in layer.columns:
            if not (layer.published and column.published):
                (row,) = [line for line in hidden.splitlines() if line.startswith(f"- {layer.name}: ")]
                assert row.endswith("all of it") or column.name in row.split(": ", 1)[1].split(", ")
    assert hidden.startswith("FOR STAFF ONLY")


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")
def test_layers_on_a_full_disk_say_make_room_and_leave_what_was_there(tmp_path):
    path = tmp_path / "lots.gpkg"
    path.write_bytes(b"old")
    script = """
import datetime, resource, signal, sys
import geopandas as gpd, pyproj, shapely
from cemgis.errors import InputError
from cemgis.files.layers_file import write_layers
lots = gpd.GeoDataFrame({"lot": ["x" * 900] * 2000}, geometry=shapely.points(range(2000), 0))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
stamp = datetime.datetime(2025, 6, 1, tzinfo=datetime.UTC)
try:
    write_layers(sys.argv[1], {"lots": lots}, pyproj.CRS("EPSG:6549"), stamp)
except InputError as error:
    print(error)
"""
    said = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=False)
    assert said.stdout.strip() == f"{path}: not written, the disk is full, or its quota. Make room and run it again."
    assert path.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["lots.gpkg"]
