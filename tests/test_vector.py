import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.files.vector import read_features

OUTLINES = Path(__file__).parent / "data" / "geometry" / "liechtenstein_cemeteries_for-developers.geojson"


def geojson(tmp_path, *shapes, **properties):
    features = [
        {"type": "Feature", "properties": {"name": f"F{number}", **properties}, "geometry": shape}
        for number, shape in enumerate(shapes, 1)
    ]
    path = tmp_path / "features.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


POINT = {"type": "Point", "coordinates": [9.5, 47.1]}
SQUARE = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]}
GRID = {"type": "Point", "coordinates": [2023908.0, 449388.0]}
BOW_TIE = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]}


def test_numbers_that_cannot_be_degrees_are_not_called_degrees(tmp_path):
    found = read_features(geojson(tmp_path, GRID, GRID))
    assert found.table.crs is None
    assert found.unnamed == (
        "it names no reference system (there is no member crs), and its numbers cannot be degrees "
        "(first: 2023908, 449388)"
    )
    stray = read_features(geojson(tmp_path, POINT, POINT, POINT, GRID))  # one slip does not make a file
    assert (stray.table.crs.is_geographic, stray.unnamed) == (True, "")
    gpd.GeoDataFrame(geometry=[shapely.Point(2023908, 449388)], crs="EPSG:6318").to_file(tmp_path / "a.gpkg")
    with pytest.raises(InputError, match=r"it says that it is in degrees \(NAD83\(2011\)\), and its numbers cannot"):
        read_features(tmp_path / "a.gpkg")


def test_styles_kept_in_a_geopackage_are_no_features(tmp_path):
    path = tmp_path / "styled.gpkg"
    gpd.GeoDataFrame(geometry=[shapely.Point(2023908, 449388)], crs="EPSG:6549").to_file(path, layer="stones")
    styles = pd.DataFrame({"f_table_name": ["stones"], "styleQML": ["<qgis/>"]})
    pyogrio.write_dataframe(styles, path, layer="layer_styles")
    found = read_features(path)
    assert (len(found.table), found.n_broken, found.notes) == (1, 0, ())


def test_real_outlines_are_read_whole():
    # four burial grounds, (c) OpenStreetMap contributors, ODbL 1.0
    found = read_features(OUTLINES, {"id": "osm_id"}, kinds=["Polygon", "MultiPolygon"])
    assert found.n_broken == 0
    assert found.table["id"].tolist() == [336, 701, 1138, 2749]
    assert found.table.crs.is_geographic
    assert shapely.is_valid(found.table.geometry).all()
    # the same rings straight from the file, one vertex after the other
    source = json.loads(OUTLINES.read_text(encoding="utf-8"))["features"]
    geod = pyproj.Geod(ellps="WGS84")
    for shape, item in zip(found.table.geometry, source, strict=True):
        rings = [ring for part in item["geometry"]["coordinates"] for ring in part]
        assert shapely.get_num_coordinates(shape) == sum(map(len, rings))
        # this file's outlines have one ring each
        area = abs(geod.polygon_area_perimeter(*np.array(rings[0]).T)[0])
        assert len(rings) == 1
        assert abs(geod.geometry_area_perimeter(shape)[0]) == pytest.approx(area, rel=1e-9)
        # an area true to scale around the place says the same: burial grounds of some thousand square metres
        flat = pyproj.Transformer.from_crs("EPSG:4326", "+proj=laea +lat_0=47.1 +lon_0=9.5", always_xy=True)
        x, y = flat.transform(*np.array(rings[0]).T)
        assert shapely.Polygon(np.column_stack([x, y])).area == pytest.approx(area, rel=1e-6)
        assert 1_000 < area < 10_000


@pytest.mark.parametrize(
    ("driver", "name"),
    [("GPKG", "a.gpkg"), ("ESRI Shapefile", "a.shp"), ("FlatGeobuf", "a.fgb"), ("GML", "a.gml"),
     ("MapInfo File", "a.tab"), ("GeoJSONSeq", "a.geojsonl")],
)  # fmt: skip
def test_whatever_a_field_crew_brings(tmp_path, driver, name):
    schema = {"geometry": "Point", "properties": {"label": "str:20", "depth": "float"}}
    crs = "EPSG:4326" if driver == "GeoJSONSeq" else "EPSG:32632"
    with fiona.open(tmp_path / name, "w", driver=driver, schema=schema, crs=crs) as sink:
        for number in range(5):
            geometry = {"type": "Point", "coordinates": (9.0 + number, 47.0)}
            sink.write({"geometry": geometry, "properties": {"label": f"Ä-{number}", "depth": 0.5}})
    found = read_features(tmp_path / name, {"label": "label", "deep": "depth"})
    assert sorted(found.table["label"]) == [f"Ä-{number}" for number in range(5)]
    assert found.table["deep"].tolist() == [0.5] * 5
    assert found.table["feature"].tolist() == [1, 2, 3, 4, 5]
    assert found.table.crs.equals(crs, ignore_axis_order=True) or driver in ("ESRI Shapefile", "MapInfo File", "GML")
    number = found.table["label"].str[2:].astype(int)
    np.testing.assert_allclose(found.table.geometry.x, 9.0 + number, atol=1e-6)


def test_kml(tmp_path):
    place = "<Placemark><name>A-1</name><Point><coordinates>-82.3,40.9,300</coordinates></Point></Placemark>"
    text = f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{place}</Document></kml>'
    (tmp_path / "a.kml").write_text(text)
    found = read_features(tmp_path / "a.kml")
    assert found.table.geometry.x.tolist() == [-82.3]
    assert "A-1" in found.table.drop(columns="geometry").iloc[0].astype(str).tolist()


def test_bad_features_are_named_and_the_rest_kept(tmp_path):
    shapes = [
        POINT, None, SQUARE, BOW_TIE, {"type": "Polygon", "coordinates": []}, {"type": "Point", "coordinates": []},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}, {"type": "Nonsense", "coordinates": [1]}, SQUARE,
    ]  # fmt: skip
    found = read_features(geojson(tmp_path, *shapes))
    assert found.table["feature"].tolist() == [1, 3, 9]
    assert found.n_broken == 6
    assert [item.line for item in found.broken] == [2, 4, 5, 6, 7, 8]
    assert all(item.text == f"name=F{item.line}" for item in found.broken)
    whys = {item.line: item.why for item in found.broken}
    assert "no geometry" in whys[2]
    assert "not a sound shape" in whys[4]


@pytest.mark.parametrize("far", [1e308, -1e308, 1e13, float("nan"), float("inf")])
def test_a_corner_that_is_no_place_is_told_before_anything_is_worked_out(tmp_path, far):
    ring = [[0, 0], [far, 0], [1, 1], [0, 1], [0, 0]]
    found = read_features(geojson(tmp_path, SQUARE, {"type": "Polygon", "coordinates": [ring]}), kinds=("Polygon",))
    ((_, _, why),) = found.broken
    assert why == "a coordinate is not a number, or no place on earth" or "not valid JSON" in why
    assert len(found.table) == 1


def test_other_kinds_of_geometry_are_named(tmp_path):
    found = read_features(geojson(tmp_path, POINT, SQUARE), kinds=["Polygon"])
    assert found.table["feature"].tolist() == [2]
    assert found.broken[0].why == "it is a point, not a Polygon"


def test_file_without_a_reference_system(tmp_path):
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)])
    frame.to_file(tmp_path / "a.shp", engine="fiona")
    found = read_features(tmp_path / "a.shp")
    assert found.table.crs is None
    assert (tmp_path / "a.prj").exists() is False


def test_layers_are_read_as_one(tmp_path):
    path = tmp_path / "a.gpkg"
    for layer in ("one", "two"):
        gpd.GeoDataFrame({"label": [layer]}, geometry=[shapely.Point(1, 2)], crs=32632).to_file(path, layer=layer)
    found = read_features(path)
    assert found.table["label"].tolist() == ["one", "two"]
    assert found.table["feature"].tolist() == [1, 2]
    assert "2 layers" in found.notes[0]


def test_other_encodings(tmp_path):
    text = geojson(tmp_path, POINT, SQUARE, place="Größe").read_text(encoding="utf-8")
    text = text.encode("ascii").decode("unicode-escape")
    for encoding, said in (("latin-1", True), ("utf-16", False), ("utf-8-sig", False), ("utf-8", False)):
        path = tmp_path / f"{encoding}.geojson"
        path.write_bytes(text.encode(encoding))
        found = read_features(path)
        assert found.table["place"].tolist() == ["Größe"] * 2
        assert bool(found.notes) is said


def test_columns_named_must_be_there(tmp_path):
    path = geojson(tmp_path, POINT, id="x")
    with pytest.raises(InputError) as caught:
        read_features(path, {"vault_id": "number", "space_id": "space", "name": "name"})
    assert len(caught.value.problems) == 2
    assert "It has: name, id." in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [b"not a map", b"{}", b"[1, 2]", b'{"type": "FeatureCollection", "features": []}', b"\x00" * 50,
     b'<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>http://127.0.0.1:9/x.geojson</SrcDataSource>'
     b"</OGRVRTLayer></OGRVRTDataSource>"],
)  # fmt: skip
@pytest.mark.parametrize("name", ["a.geojson", "a.gpkg", "a.shp", "a.xyz", "a.vrt"])
def test_what_is_no_vector_file(tmp_path, content, name):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError):
        read_features(tmp_path / name)


BOMB = """<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d SYSTEM "file:///etc/hostname">]>"""
PLACE = "<Placemark><name>{}</name><Point><coordinates>-82.3,40.9</coordinates></Point></Placemark>"
KML = '<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{}</Document></kml>'


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (BOMB + KML.format(PLACE.format("&c;")), "document type or entities"),
        (BOMB + KML.format(PLACE.format("&d;")), "document type or entities"),
        ("<!DOCTYPE kml>" + KML.format(PLACE.format("A-1")), "document type or entities"),
        (KML.format(PLACE.format("A-1"))[:-30], "its XML breaks at line 1"),
        ('<?xml version="1.0" encoding="x-none"?>' + KML.format(PLACE.format("A-1")), "its XML"),
        (KML.format("<Folder>" * 300 + "</Folder>" * 300), "nested beyond all measure"),
    ],
)
@pytest.mark.parametrize("ending", ["kml", "gml"])
def test_xml_that_is_a_trap_or_broken(tmp_path, content, said, ending):
    path = tmp_path / f"a.{ending}"
    path.write_text(content)
    with pytest.raises(InputError, match=said):
        read_features(path)


def test_kml_with_a_prefix_nobody_declared_is_read(tmp_path):
    (tmp_path / "a.kml").write_text(KML.format("<gx:balloonVisibility>1</gx:balloonVisibility>" + PLACE.format("A-1")))
    assert len(read_features(tmp_path / "a.kml").table) == 1


def test_reading_leaves_nothing_beside_the_file(tmp_path):
    table = gpd.GeoDataFrame({"label": ["A-1"]}, geometry=[shapely.Point(9, 47)], crs=4326)
    for driver, name in (("GML", "a.gml"), ("GPKG", "a.gpkg"), ("KML", "a.kml")):
        table.to_file(tmp_path / name, driver=driver)
    with closing(sqlite3.connect(tmp_path / "a.gpkg")) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    (tmp_path / "a.xsd").unlink()
    before = sorted(tmp_path.iterdir())
    for name in ("a.gml", "a.gpkg", "a.kml"):
        assert len(read_features(tmp_path / name).table) == 1
    assert sorted(tmp_path.iterdir()) == before


def test_a_damaged_database_is_refused(tmp_path):
    # damage in the list of its tables that is no text: the process must outlive it
    path = tmp_path / "a.gpkg"
    gpd.GeoDataFrame({"label": ["A-1"]}, geometry=[shapely.Point(9, 47)], crs=4326).to_file(path)
    path.write_bytes(path.read_bytes().replace(b"sqlite_autoindex_gpkg_tile_m", b"sqlite_au\xf4oindex_gpkg_tile_m", 1))
    code = (
        "import sys\nfrom cemgis.errors import InputError\nfrom cemgis.files.vector import read_features\n"
        "try:\n    read_features(sys.argv[1])\nexcept InputError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)
    assert (done.returncode, "the file is damaged" in done.stdout) == (0, True), done.stderr


def test_a_database_cannot_point_elsewhere(tmp_path):
    path = tmp_path / "a.gpkg"
    gpd.GeoDataFrame({"label": ["A-1"]}, geometry=[shapely.Point(9, 47)], crs=4326).to_file(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "INSERT INTO sqlite_master VALUES ('table', 'x', 'x', 0, "
            "'CREATE VIRTUAL TABLE x USING VirtualOGR(''/etc/passwd'')')"
        )
        connection.commit()
    with pytest.raises(InputError, match="made from something else"):
        read_features(path)


@pytest.mark.parametrize("name", ["a.geojson", "a.geojsonl"])
def test_an_attribute_of_numbers_and_text_is_text(tmp_path, name):
    made = [
        {"type": "Feature", "properties": {"lot": lot, "deep": 0.5}, "geometry": POINT}
        for lot in (12, "12A", None, 13.5, True)
    ]
    whole = json.dumps({"type": "FeatureCollection", "features": made})
    (tmp_path / name).write_text(whole if name == "a.geojson" else "\n".join(json.dumps(one) for one in made))
    found = read_features(tmp_path / name)
    assert found.table["lot"].fillna("").tolist() == ["12", "12A", "", "13.5", "true"]
    assert found.table["deep"].tolist() == [0.5] * 5
    assert "attribute lot" in found.notes[0]


def test_missing_folder_and_empty(tmp_path):
    for path in (tmp_path / "none.gpkg", tmp_path):
        with pytest.raises(InputError, match=r"no such file|folder"):
            read_features(path)
    (tmp_path / "a.gpkg").write_bytes(b"")
    with pytest.raises(InputError, match="empty"):
        read_features(tmp_path / "a.gpkg")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 300), junk=st.binary(min_size=1, max_size=6))
def test_no_damage_breaks_it(at, junk, tmp_path):
    whole = geojson(tmp_path, POINT, SQUARE).read_bytes()
    path = tmp_path / "damaged.geojson"
    path.write_bytes(whole[:at] + junk + whole[at + len(junk) :])
    try:
        found = read_features(path)
    except InputError:
        return
    assert 1 <= len(found.table) <= 2


def test_a_nul_in_a_text_is_refused_with_its_line_because_it_would_cut_it_off(tmp_path):
    path = geojson(tmp_path, POINT, note="a\0b")
    said = path.read_text()
    path.write_text("\n" + said)
    with pytest.raises(InputError, match=r"line 2 holds a NUL character, which cuts a text off\. Take it out\."):
        read_features(path)
    path.write_text(said.replace("\\u0000", "\\\\u0000"))
    assert read_features(path).table["note"].tolist() == ["a\\u0000b"]
