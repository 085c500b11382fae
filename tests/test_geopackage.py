"""The GeoPackage: valid, the same bytes twice, everything comes back, and what others change in it is found."""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import shutil
import sqlite3
import subprocess
import sys
import warnings
from contextlib import closing, redirect_stderr, redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import fiona
import geopandas as gpd
import gpkg_requirements
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from cemgis import edits, schema
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files.style import LABELS, qml
from cemgis.layers import FORMAT_VERSION, LAYERS
from cemgis.units import METRE, US_SURVEY_FOOT, Unit

CRS = pyproj.CRS("EPSG:6549")
STAMP = datetime(2025, 6, 1, 12, 30, tzinfo=UTC)
ROWS = 5


def _shape(kind: str, place: int) -> shapely.Geometry:
    east, north = 2_000_000.0 + 20.125 * place, 700_000.0 + 7.3 * place
    box = shapely.box(east, north, east + 4.0, north + 12.0)
    return {
        "Point": shapely.Point(east, north),
        "LineString": shapely.LineString([(east, north), (east + 3.5, north + 0.1)]),
        "Polygon": box,
        "MultiPolygon": shapely.MultiPolygon([box]),
    }[kind]


def make_tables(rows: int = ROWS) -> dict[str, pd.DataFrame]:
    """Every declared layer with a few plausible rows, some values missing, keys not in order."""
    made = {}
    for name, layer in LAYERS.items():
        data: dict[str, list[object]] = {}
        for number, column in enumerate(layer.columns):
            values: list[object] = []
            for row in range(rows):
                if column.name == layer.key:
                    values.append(f"{name[:2].upper()}-{(row * 3) % rows:03d}")
                elif not column.required and (row + number) % 4 == 3:
                    values.append(None)
                elif column.choices:
                    values.append(column.choices[row % len(column.choices)])
                elif column.type in ("text", "date"):
                    text = f"1889-0{row + 1}" if column.type == "date" else f"{column.name} {row}: Zoë & “Lund” <{row}>"
                    values.append(text)
                elif column.type == "integer":
                    values.append(row + 1)
                elif column.type == "real":
                    values.append((column.low or 0.0) + 0.1 * row)
                elif column.type == "flag":
                    values.append(row % 2 == 0)
                else:
                    values.append(pd.Timestamp("2025-05-06T14:00:00.250Z") + pd.Timedelta(minutes=row))
            data[column.name] = values
        table = pd.DataFrame(data)
        if layer.geometry is not None:
            shapes = [_shape(layer.geometry, row) for row in range(rows)]
            if layer.placeless:
                shapes[-1] = None
            table = table.assign(geometry=pd.Series(shapes, dtype=object))
        made[name] = schema.restore(table, layer, CRS)
    return made


def write(path: Path, tables: dict[str, pd.DataFrame] | None = None, unit: Unit = US_SURVEY_FOOT) -> dict[str, str]:
    return geopackage.write_ground(
        path, make_tables() if tables is None else tables, unit=unit, crs=CRS, stamp=STAMP, title="Test ground"
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("built") / "ground.gpkg"
    write(path)
    return path


@pytest.fixture
def ground(built: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(built, tmp_path / "ground.gpkg"))


def sql(path: Path, *statements: str) -> list[tuple[object, ...]]:
    """Run statements as a program with the five functions of the spatial index's triggers would."""
    with closing(sqlite3.connect(path)) as connection:
        for name, part in (("ST_MinX", 0), ("ST_MinY", 1), ("ST_MaxX", 2), ("ST_MaxY", 3)):
            connection.create_function(name, 1, lambda blob, part=part: _bounds(blob)[part])
        connection.create_function("ST_IsEmpty", 1, lambda blob: blob is None)
        found: list[tuple[object, ...]] = []
        for statement in statements:
            found = connection.execute(statement).fetchall()
        connection.commit()
    return found


def _bounds(blob: bytes) -> tuple[float, ...]:
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    return tuple(shapely.from_wkb(blob[8 + envelope :]).bounds)


# ---- the standard ---------------------------------------------------------------------------------------------------


def test_every_requirement_but_the_fourth_holds(built: Path) -> None:
    assert gpkg_requirements.failures(built) == []
    assert gpkg_requirements.foreign_extensions(built) == {"cemgis_written"}


def test_requirement_checks_can_fail(ground: Path) -> None:
    sql(
        ground,
        "UPDATE gpkg_contents SET last_change = 'yesterday' WHERE table_name = 'lots'",
        "DELETE FROM gpkg_extensions WHERE table_name = 'gpkg_metadata'",
        "UPDATE gpkg_data_column_constraints SET min = 9, max = 3 WHERE constraint_type = 'range'",
    )
    numbers = {line.split(":")[0] for line in gpkg_requirements.failures(ground)}
    assert numbers == {"requirement 15", "requirement 140", "requirement 111"}


@pytest.mark.skipif(importlib.util.find_spec("osgeo_utils") is None, reason="gdal-utils is not installed")
def test_the_validator_of_gdal_accepts_it(built: Path, tmp_path: Path) -> None:
    # osgeo_utils.samples.validate_gpkg of gdal-utils 3.13; without GDAL's own bindings it reads with sqlite3.
    from osgeo_utils.samples import validate_gpkg

    def judge(path: Path) -> tuple[int, str]:
        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(said):
            code = validate_gpkg.main(["validate_gpkg", "-k", "--extra", "--warning-as-error", str(path)])
        return code, said.getvalue()

    # The program does not test requirement 4, so nothing is left to excuse.
    assert judge(built) == (0, "")
    broken = Path(shutil.copy(built, tmp_path / "broken.gpkg"))
    sql(broken, "UPDATE gpkg_data_column_constraints SET min = 9, max = 3 WHERE constraint_type = 'range'")
    code, said = judge(broken)
    assert code != 0
    assert "Req 111" in said


def test_the_columns_say_what_they_mean(built: Path) -> None:
    rows = sql(built, "SELECT table_name, column_name, title, description, constraint_name FROM gpkg_data_columns")
    assert len(rows) == sum(len(layer.columns) for layer in LAYERS.values())
    said = {row[:2]: row[2:] for row in rows}
    assert said["spaces", "radius_95_ft"] == (
        "radius 95 (ft)",
        f"{LAYERS['spaces'].column('radius_95').doc} [US survey foot]; 0 or more",
        None,
    )
    assert said["spaces", "state"][2] == "spaces_state"
    values = sql(built, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = 'spaces_state'")
    assert {value for (value,) in values} == set(LAYERS["spaces"].column("state").choices)
    bounds = sql(
        built, "SELECT min, max FROM gpkg_data_column_constraints WHERE constraint_name = 'spaces_heads_azimuth'"
    )
    assert bounds == [(0, 360)]


def test_styles_are_well_formed_and_cover_every_class(built: Path) -> None:
    rows = sql(built, "SELECT f_table_name, f_geometry_column, styleQML, useAsDefault, update_time FROM layer_styles")
    assert {row[0] for row in rows} == {name for name, layer in LAYERS.items() if layer.geometry}
    for name, column, text, default, moment in rows:
        layer = LAYERS[str(name)]
        root = ET.fromstring(str(text).split("\n", 1)[1])
        assert (column, default, moment) == ("geom", 1, "2025-06-01T12:30:00.000Z")
        renderer = root.find("renderer-v2")
        assert renderer is not None
        if layer.symbol_by:
            assert renderer.get("attr") == layer.symbol_by
            classes = {item.get("value"): item.get("symbol") for item in renderer.iter("category")}
            assert list(classes) == list(layer.symbols)
            drawn = {item.get("name") for item in renderer.findall("symbols/symbol")}
            assert set(classes.values()) == drawn
        rules = [item.get("filter") for item in renderer.iter("rule")]
        assert rules == (['"shortfall_ft" > 0'] if name == "clearances" else [])
        assert root.findtext("previewExpression") == f'"{layer.key}"'
        if name in LABELS:
            style = root.find("labeling/settings/text-style")
            assert style is not None
            assert style.get("fieldName") in [item.written(US_SURVEY_FOOT) for item in layer.columns]
        # Readable names, each its own, and the values a column may have, for a person who edits it.
        names = {item.get("field"): item.get("name") for item in root.iter("alias")}
        assert list(names) == [item.written(US_SURVEY_FOOT) for item in layer.columns]
        assert len(set(names.values())) == len(names)
        lists = {item.get("name"): [one.get("value") for one in item.iter("Option") if one.get("value")]
                 for item in root.findall("fieldConfiguration/field") if item.find("editWidget[@type='ValueMap']")
                 is not None}  # fmt: skip
        assert lists == {item.name: list(item.choices) for item in layer.columns if item.choices}
        typed = {str(item.get("name")) for item in root.findall("fieldConfiguration/field") if item.find(
            "editWidget[@type='TextEdit']") is not None}  # fmt: skip
        assert typed == {item.written(US_SURVEY_FOOT) for item in layer.columns if item.type == "real"}
    assert "LinePatternFill" in qml(LAYERS["spaces"])
    assert "PointPatternFill" in qml(LAYERS["spaces"])


def test_a_desktop_program_finds_the_styles_and_the_layers_in_their_order(built: Path) -> None:
    # GDAL 3.6 lists a table without geometry only among the contents; with an extension of that name GDAL 3.12 warns.
    assert sql(built, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'") == [("attributes",)]
    assert sql(built, "SELECT count(*) FROM gpkg_extensions WHERE table_name = 'layer_styles'") == [(0,)]
    listed = [str(name) for name, _ in pyogrio.list_layers(built) if name in geopackage.FROM_THE_TOP]
    assert listed == [name for name in geopackage.FROM_THE_TOP if name in listed]
    assert set(geopackage.FROM_THE_TOP) == {name for name, layer in LAYERS.items() if layer.geometry}
    # Nothing filled lies above what is smaller than it.
    filled = ["monuments", "vaults", "spaces", "drives"]
    assert [name for name in listed if name in filled] == filled
    assert listed.index("markers") < listed.index("monuments")


def test_metadata_says_system_accuracy_and_lineage(built: Path) -> None:
    ((text,),) = sql(built, "SELECT metadata FROM gpkg_metadata")
    root = ET.fromstring(str(text).encode())
    spoken = [item.text for item in root.iter() if item.text and item.text.strip()]
    assert "EPSG:6549" in spoken
    assert "Test ground" in spoken
    # Quantiles by hand: radius_95 of the five spaces is 0.1 n, one of them missing.
    radii = make_tables()["spaces"]["radius_95"].dropna().to_numpy(dtype=float)
    assert f"{np.median(radii):.3f}" in spoken
    assert sum(item.tag.endswith("LI_ProcessStep") for item in root.iter()) == ROWS
    west = next(item for item in root.iter() if item.tag.endswith("westBoundLongitude"))
    found = pyproj.Transformer.from_crs(CRS, CRS.geodetic_crs, always_xy=True).transform(2_000_000.0, 700_000.0)
    assert float("".join(west.itertext())) == pytest.approx(found[0], abs=1e-3)


# ---- bytes ----------------------------------------------------------------------------------------------------------


def test_the_same_input_gives_the_same_bytes_in_two_processes(built: Path, tmp_path: Path) -> None:
    other = tmp_path / "other name.gpkg"
    tables = make_tables()
    turned = {name: tables[name].iloc[::-1] for name in reversed(list(tables))}
    write(other, turned)
    code = (
        "import sys; from pathlib import Path; sys.path.insert(0, sys.argv[2]);"
        "import test_geopackage; test_geopackage.write(Path(sys.argv[1]))"
    )
    third = tmp_path / "third.gpkg"
    where = {**os.environ, "PYTHONHASHSEED": "12345", "TZ": "America/New_York"}
    subprocess.run([sys.executable, "-c", code, str(third), str(Path(__file__).parent)], check=True, env=where)
    hashes = {hashlib.sha256(path.read_bytes()).hexdigest() for path in (built, other, third)}
    assert len(hashes) == 1
    assert sorted(item.name for item in tmp_path.iterdir()) == ["other name.gpkg", "third.gpkg"]


def test_the_time_is_the_one_given_and_the_setting_is_put_back(built: Path, tmp_path: Path) -> None:
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-01-01T00:00:00.000Z"})
    try:
        write(tmp_path / "a.gpkg", {"people": make_tables()["people"]})
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2001-01-01T00:00:00.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    assert sql(tmp_path / "a.gpkg", "SELECT DISTINCT last_change FROM gpkg_contents") == [("2025-06-01T12:30:00.000Z",)]
    times = {row[0] for row in sql(built, "SELECT last_change FROM gpkg_contents")}
    assert times == {"2025-06-01T12:30:00.000Z"}


# ---- there and back -------------------------------------------------------------------------------------------------


def test_everything_comes_back_as_declared(built: Path) -> None:
    tables, found = make_tables(), geopackage.read_ground(built)
    assert list(found) == list(LAYERS)
    for name, layer in LAYERS.items():
        expected = schema.order(tables[name], layer)
        pd.testing.assert_frame_equal(
            pd.DataFrame(found[name]).drop(columns="geometry", errors="ignore"),
            pd.DataFrame(expected).drop(columns="geometry", errors="ignore"),
        )
        if layer.geometry is not None:
            assert shapely.equals_identical(
                np.asarray(found[name].geometry), np.asarray(expected.geometry)
            )[~expected.geometry.isna()].all()  # fmt: skip
            assert found[name].geometry.isna().tolist() == expected.geometry.isna().tolist()
            assert found[name].crs == CRS


def test_lengths_say_their_unit_only_in_the_file(built: Path, tmp_path: Path) -> None:
    names = set(pyogrio.read_info(built, layer="spaces")["fields"])
    assert {"radius_95_ft", "cov_ee_ft2", "width_ft", "heads_azimuth", "space_id"} <= names
    metric = tmp_path / "metric.gpkg"
    crs = pyproj.CRS("EPSG:6346")  # NAD83(2011) / UTM zone 17N, metres
    table = make_tables()["spaces"].set_crs(crs, allow_override=True)
    geopackage.write_ground(metric, {"spaces": table}, unit=METRE, crs=crs, stamp=STAMP, title="m")
    assert "radius_95_m" in pyogrio.read_info(metric, layer="spaces")["fields"]
    assert list(geopackage.read_layer(metric, "spaces").columns) == list(table.columns)
    assert geopackage.info(metric).unit is METRE


def test_empty_layers_and_a_system_without_a_code(tmp_path: Path) -> None:
    path = tmp_path / "empty.gpkg"
    crs = pyproj.CRS.from_proj4("+proj=tmerc +lat_0=40 +lon_0=-82 +x_0=1000 +y_0=0 +ellps=GRS80 +units=us-ft +no_defs")
    tables = {name: schema.empty(layer, crs) for name, layer in LAYERS.items()}
    geopackage.write_ground(path, tables, unit=US_SURVEY_FOOT, crs=crs, stamp=STAMP, title="empty")
    found = geopackage.read_ground(path)
    assert {name: len(table) for name, table in found.items()} == dict.fromkeys(LAYERS, 0)
    assert found["spaces"].dtypes.equals(tables["spaces"].dtypes)
    assert gpkg_requirements.failures(path) == []
    assert not geopackage.changes(path)


def test_other_readers_open_it(built: Path) -> None:
    assert set(fiona.listlayers(built)) == {*LAYERS, "layer_styles"}
    with fiona.open(built, layer="lots") as source:
        assert len(source) == ROWS
        assert source.schema["geometry"] == "Polygon"
    window = gpd.read_file(built, layer="lots", bbox=(1_999_999.0, 699_999.0, 2_000_001.0, 700_001.0))
    assert len(window) == 1


def test_one_row_is_found_by_its_key_without_a_scan(built: Path) -> None:
    plan = sql(built, "EXPLAIN QUERY PLAN SELECT * FROM spaces WHERE space_id = 'SP-001'")
    assert "USING INDEX spaces_space_id" in str(plan)


# ---- refusals -------------------------------------------------------------------------------------------------------


def test_all_problems_of_all_layers_come_at_once_and_the_old_file_stays(ground: Path) -> None:
    before = ground.read_bytes()
    tables = make_tables()
    tables["spaces"]["state"] = pd.array(["sold"] * ROWS, dtype="string")
    tables["people"]["person_id"] = pd.array(["a"] * ROWS, dtype="string")
    tables["lots"]["row"] = pd.array(["a\0b"] * ROWS, dtype="string")
    with pytest.raises(InputError) as caught:
        write(ground, tables)
    assert {problem.where.split(" ")[0] for problem in caught.value.problems} == {
        "spaces.state",
        "people.person_id",
    }
    del tables["spaces"], tables["people"]
    with pytest.raises(InputError, match=r"lots\.row \[.+\]: holds a NUL character"):
        write(ground, tables)
    assert ground.read_bytes() == before
    assert [item.name for item in ground.parent.iterdir()] == [ground.name]


def test_a_table_in_another_system_is_refused(tmp_path: Path) -> None:
    table = make_tables()["lots"].set_crs("EPSG:3734", allow_override=True)
    with pytest.raises(InputError, match="Convert it"):
        write(tmp_path / "a.gpkg", {"lots": table})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("ending", ["-wal", "-shm"])
def test_a_file_another_program_works_in_is_not_replaced(ground: Path, ending: str) -> None:
    before = ground.read_bytes()
    beside = ground.with_name(ground.name + ending)
    beside.write_bytes(b"")
    with pytest.raises(InputError, match=f"{ground.name}{ending} lies beside it"):
        write(ground)
    assert ground.read_bytes() == before
    beside.unlink()
    write(ground)


def test_a_file_open_in_write_ahead_mode_by_another_process_is_not_replaced(ground: Path) -> None:
    code = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('PRAGMA journal_mode = wal');"
        "c.execute(\"UPDATE people SET name = 'X'\"); c.commit(); print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(ground)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        with pytest.raises(InputError, match="Close it there"):
            write(ground)
        # What it has written is seen all the same.
        assert len(geopackage.changes(ground).layers["people"].edited) == ROWS
        other.communicate("")


def test_a_file_locked_by_another_process_is_not_replaced(ground: Path) -> None:
    code = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('BEGIN EXCLUSIVE');"
        "print('locked', flush=True); sys.stdin.read()"
    )
    before = ground.read_bytes()
    with subprocess.Popen(
        [sys.executable, "-c", code, str(ground)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "locked\n"
        with pytest.raises(InputError, match="right now"):
            write(ground)
        with pytest.raises(InputError, match="another program"):
            geopackage.info(ground)
        other.communicate("")
    assert ground.read_bytes() == before


@pytest.mark.parametrize("spilled", [False, True])
def test_what_a_killed_program_was_writing_is_taken_back(ground: Path, spilled: bool) -> None:
    # with a cache of nothing its changes are in the file already, and what they replaced only in the journal
    code = (
        "import os, signal, sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        f"c.execute('PRAGMA cache_size = {1 if spilled else 10000}'); c.execute('BEGIN IMMEDIATE');"
        "c.execute(\"UPDATE people SET name = name || printf('%.5000c', 'x')\"); os.kill(os.getpid(), signal.SIGKILL)"
    )
    before, journal = ground.read_bytes(), ground.with_name(ground.name + "-journal")
    assert subprocess.run([sys.executable, "-c", code, str(ground)], check=False).returncode == -9
    assert journal.exists()
    assert (ground.read_bytes() != before) is spilled
    geopackage.refuse_if_held(ground)
    assert not journal.exists()
    assert ground.read_bytes() == before
    write(ground)


def test_a_file_opened_while_it_is_built_anew_is_not_replaced(ground: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = ground.read_bytes()
    build = geopackage.writing._write_layers

    def slow(*given: object) -> None:
        ground.with_name("ground.gpkg-wal").write_bytes(b"")
        build(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(geopackage.writing, "_write_layers", slow)
    with pytest.raises(InputError, match="lies beside it"):
        write(ground)
    assert ground.read_bytes() == before
    assert sorted(item.name for item in ground.parent.iterdir()) == ["ground.gpkg", "ground.gpkg-wal"]


def test_a_newer_form_is_refused(ground: Path) -> None:
    sql(ground, f"UPDATE cemgis_file SET value = '{FORMAT_VERSION + 1}' WHERE name = 'format_version'")
    with pytest.raises(InputError, match="newer version"):
        geopackage.read_layer(ground, "spaces")
    with pytest.raises(InputError, match="newer version"):
        geopackage.changes(ground)


def test_what_is_no_ground_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        geopackage.info(tmp_path / "none.gpkg")
    with pytest.raises(InputError, match="folder"):
        geopackage.info(tmp_path)
    text = tmp_path / "text.gpkg"
    text.write_text("hello")
    with pytest.raises(InputError, match="no GeoPackage"):
        geopackage.info(text)
    foreign = tmp_path / "foreign.gpkg"
    pyogrio.write_dataframe(gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=CRS), foreign)
    with pytest.raises(InputError, match="not built by this program"):
        geopackage.read_ground(foreign)
    torn = tmp_path / "torn.gpkg"
    write(torn, {"people": make_tables()["people"]})
    torn.write_bytes(torn.read_bytes()[:5000])
    with pytest.raises(InputError, match=r"damaged|cannot be read"):
        geopackage.info(torn)


def test_a_layer_that_is_not_there_names_those_that_are(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    write(path, {"people": make_tables()["people"]})
    with pytest.raises(InputError, match="It has people"):
        geopackage.read_layer(path, "spaces")


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on a file's size there")
def test_a_full_disk_leaves_the_old_file_and_no_litter(ground: Path) -> None:
    # A limit on the size of a file fails the same calls as a full disk does, in a process of its own.
    before = ground.read_bytes()
    code = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
import test_geopackage
from cemgis.errors import InputError
tables = test_geopackage.make_tables()
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
try:
    test_geopackage.write(Path(sys.argv[1]), tables)
except InputError as error:
    print(error)
"""
    for limit in (8_000, 100_000, len(before) - 4096):
        done = subprocess.run(
            [sys.executable, "-c", code, str(ground), str(Path(__file__).parent), str(limit)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        assert "Make room and run it again." in done.stdout, (limit, done.stdout, done.stderr)
        assert ground.read_bytes() == before
        assert [item.name for item in ground.parent.iterdir()] == [ground.name]


# ---- what others change ---------------------------------------------------------------------------------------------


def test_nothing_changed_is_nothing_found(built: Path) -> None:
    found = geopackage.changes(built)
    assert not found
    assert found.lines() == []
    assert found.own_tables == ()
    assert geopackage.layer_hashes(built) == write(built.with_name("again.gpkg"))


def test_opening_it_elsewhere_changes_nothing(ground: Path) -> None:
    with fiona.open(ground, layer="spaces") as source:
        assert len(list(source)) == ROWS
    sql(ground, "VACUUM")
    assert not geopackage.changes(ground)


def test_edits_by_fiona_are_found(ground: Path) -> None:
    with fiona.open(ground, "a", layer="monuments") as target:
        names = list(target.schema["properties"])
        blank = dict.fromkeys(names)
        shape = shapely.geometry.mapping(shapely.box(2_000_100, 700_100, 2_000_102, 700_101))
        target.write({"properties": {**blank, "monument_id": "M-new", "kind": "headstone"}, "geometry": shape})
    found = geopackage.changes(ground)
    assert list(found.layers) == ["monuments"]
    assert found.layers["monuments"].added == ("M-new",)
    made = edits.records(found.layers["monuments"], who="E. Tarn", when=STAMP, why="stone found", crs="EPSG:6549")
    assert [(item["kind"], item["key"], item["values"]) for item in made] == [("add", "M-new", {"kind": "headstone"})]


def test_edits_by_sql_are_found_value_by_value(ground: Path) -> None:
    tables = make_tables()
    was = tables["spaces"].set_index("space_id").loc["SP-003"]
    sql(
        ground,
        "UPDATE spaces SET state = 'lost', radius_95_ft = 9.5 WHERE space_id = 'SP-003'",
        "DELETE FROM vaults WHERE vault_id = 'VA-001'",
        "UPDATE readings SET time = '2025-05-07T00:00:00.000Z' WHERE reading_id = 'RE-002'",
    )
    found = geopackage.changes(ground).layers
    assert sorted(found) == ["readings", "spaces", "vaults"]
    rows = {row.column: (row.key, row.was, row.now) for row in found["spaces"].edited.itertuples()}
    assert rows == {
        "state": ("SP-003", was["state"], "lost"),
        "radius_95": ("SP-003", None if pd.isna(was["radius_95"]) else was["radius_95"], 9.5),
    }
    assert found["vaults"].removed == ("VA-001",)
    assert found["readings"].edited["column"].tolist() == ["time"]


def test_a_moved_corner_is_found_with_how_far(ground: Path) -> None:
    table = pyogrio.read_dataframe(ground, layer="corners")
    moved = table["corner_id"].eq("CO-002")
    table.loc[moved, "geom_new"] = None
    shapes = table.geometry.where(~moved, table.geometry.translate(0.3, 0.4))
    blob = _blob(shapes[moved].iloc[0], 6549)
    with closing(sqlite3.connect(ground)) as connection:
        for name in ("ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY"):
            connection.create_function(name, 1, lambda _: 0.0)
        connection.create_function("ST_IsEmpty", 1, lambda _: 0)
        connection.execute("UPDATE corners SET geom = ? WHERE corner_id = 'CO-002'", (blob,))
        connection.commit()
    found = geopackage.changes(ground).layers["corners"]
    assert found.edited["column"].tolist() == ["geometry"]
    # 3-4-5: sqrt(0.3^2 + 0.4^2) = 0.5
    assert found.edited["moved"].tolist() == pytest.approx([0.5], rel=0, abs=1e-6)
    made = edits.records(found, who="E. Tarn", when=STAMP, why="pin found", crs="EPSG:6549")
    place = edits.moved_corners(made, crs="EPSG:6549")
    old = make_tables()["corners"].set_index("corner_id").geometry["CO-002"]
    np.testing.assert_allclose(
        place.loc["CO-002", ["easting", "northing"]].to_numpy(dtype=float),
        [old.x + 0.3, old.y + 0.4], rtol=0, atol=1e-9,
    )  # fmt: skip


def _blob(shape: shapely.Geometry, srs: int) -> bytes:
    return b"GP\0\1" + srs.to_bytes(4, "little") + shapely.to_wkb(shape, byte_order=1)


def test_a_layer_written_anew_by_a_program_is_compared_by_its_keys(ground: Path) -> None:
    table = pyogrio.read_dataframe(ground, layer="obstacles").iloc[::-1].assign(mine=1)
    table.loc[table["obstacle_id"].eq("OB-004"), "note"] = "felled"
    # Another order, new feature numbers, a column of its own, heights nobody measured.
    table = table.set_geometry(shapely.force_3d(table.geometry.to_numpy(), 9.0))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(table, ground, layer="obstacles", geometry_type="Polygon Z")
    found = geopackage.changes(ground)
    assert [(row.key, row.column) for row in found.layers["obstacles"].edited.itertuples()] == [("OB-004", "note")]
    assert found.own_columns == {"obstacles": ("mine",)}


def test_tables_and_columns_of_their_own_are_no_change(ground: Path) -> None:
    sql(
        ground,
        "CREATE TABLE my_projects (name TEXT, content BLOB)",
        "ALTER TABLE lots ADD COLUMN mowed TEXT",
        "UPDATE layer_styles SET styleQML = '<qgis/>' WHERE f_table_name = 'lots'",
    )
    pyogrio.write_dataframe(
        gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(2e6, 7e5)], crs=CRS), ground, layer="benches"
    )
    found = geopackage.changes(ground)
    assert not found
    assert found.own_tables == ("benches", "my_projects")
    assert found.own_columns == {"lots": ("mowed",)}
    assert "mowed" not in geopackage.read_layer(ground, "lots")


def test_a_copy_is_kept_once_and_whole(ground: Path) -> None:
    sql(ground, "CREATE TABLE my_projects (name TEXT)", "INSERT INTO my_projects VALUES ('spring')")
    before = ground.read_bytes()
    kept = geopackage.keep_copy(ground)
    assert geopackage.keep_copy(ground) == kept
    write(ground)
    assert kept.read_bytes() == before
    assert sql(kept, "SELECT name FROM my_projects") == [("spring",)]
    assert len(list(ground.parent.iterdir())) == 2


def test_a_lost_layer_a_lost_column_and_a_changed_type_are_told(ground: Path) -> None:
    sql(ground, "ALTER TABLE people DROP COLUMN born", "UPDATE events SET kind = 'party' WHERE event_id = 'EV-001'")
    with fiona.Env():
        fiona.remove(str(ground), layer="drives", driver="GPKG")
    found = geopackage.changes(ground)
    assert found.lost == ("drives",)
    assert set(found.layers["people"].edited["column"]) == {"born"}
    assert any("party" in str(problem) for problem in found.layers["events"].problems)
    assert "drives: the layer was taken away" in found.lines()


def test_a_row_without_a_key_or_with_anothers_is_a_problem(ground: Path) -> None:
    with fiona.open(ground, "a", layer="monuments") as target:
        blank = dict.fromkeys(target.schema["properties"])
        shape = shapely.geometry.mapping(shapely.box(2_000_100, 700_100, 2_000_102, 700_101))
        target.write({"properties": blank, "geometry": shape})
        target.write({"properties": {**blank, "monument_id": "MO-001"}, "geometry": shape})
    found = geopackage.changes(ground).layers["monuments"]
    assert [problem.what for problem in found.problems] == [
        "no monument_id",
        f"there 2 times (features {2}, {ROWS + 2})",
    ]
    with pytest.raises(InputError, match="Give it one of its own"):
        edits.records(found, who="E. Tarn", when=STAMP, why="x", crs="EPSG:6549")


def test_records_carry_what_was_collected(ground: Path) -> None:
    sql(ground, "UPDATE vaults SET container = 'brick' WHERE vault_id = 'VA-002'")
    found = geopackage.changes(ground).layers["vaults"]
    made = edits.records(found, who="E. Tarn", when=STAMP, why="seen in the open grave", crs="EPSG:6549")
    assert edits.remaining(found, []).edited["key"].tolist() == ["VA-002"]
    assert not edits.remaining(found, made)
    carried = edits.apply(make_tables()["vaults"], LAYERS["vaults"], made)
    write(ground, {**make_tables(), "vaults": carried})
    assert not geopackage.changes(ground)
    assert geopackage.read_layer(ground, "vaults").set_index("vault_id").loc["VA-002", "container"] == "brick"


def test_a_file_from_before_a_column_was_declared_is_unchanged_and_read(built: Path, monkeypatch) -> None:
    # as after an update of this package that declares one more column, of the same format version
    spaces = LAYERS["spaces"]
    more = replace(spaces, columns=(*spaces.columns, schema.Column("added_later", "real", "a later column")))
    monkeypatch.setitem(LAYERS, "spaces", more)
    assert not geopackage.changes(built)
    assert geopackage.read_layer(built, "spaces")["added_later"].isna().all()
    fewer = replace(spaces, columns=tuple(column for column in spaces.columns if column.name != "length"))
    monkeypatch.setitem(LAYERS, "spaces", fewer)
    found = geopackage.changes(built)
    assert not found.layers
    assert found.own_columns["spaces"] == ("length_ft",)


@pytest.mark.skipif(os.name == "nt", reason="POSIX only")
def test_a_pipe_in_place_of_the_file_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "ground.gpkg")
    with pytest.raises(InputError, match=r"it is no ordinary file\. Move it away\."):
        geopackage.read_ground(tmp_path / "ground.gpkg")
