"""Bad input to ``cemgis build``: what, where and a remedy, exit code 2, and the previous ground.gpkg as it was."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from cemgis import cli
from cemgis.files import geopackage

READINGS = "readings/readings.csv"
EAST, NORTH = 2023908.0, 449388.0


def lay(folder: Path, files: dict[str, str | bytes]) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


@pytest.fixture(scope="module")
def built(small_ground, tmp_path_factory) -> Path:
    folder = Path(shutil.copytree(small_ground, tmp_path_factory.mktemp("built") / "hill"))
    assert cli.main(["build", str(folder), "--no-maps"]) == 0
    return folder


@pytest.fixture
def hill(built, tmp_path) -> Path:
    """Make a copy of a built ground to spoil."""
    return Path(shutil.copytree(built, tmp_path / "hill"))


@pytest.fixture(scope="module")
def text(built) -> str:
    return (built / "ground.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def readings(built) -> str:
    return (built / READINGS).read_text(encoding="utf-8")


@pytest.fixture
def refused(capsys) -> Callable[..., str]:
    """Build, and give what was said when it was refused; the previous file is untouched and nothing left beside."""

    def run(folder: Path, *words: str, maps: bool = False) -> str:
        path = folder / "ground.gpkg"
        before = path.read_bytes() if path.is_file() else None
        names = {item.relative_to(folder) for item in folder.rglob("*")} if folder.is_dir() else set()
        capsys.readouterr()
        code = cli.main(["build", str(folder), *([] if maps else ["--no-maps"])])
        said = capsys.readouterr()
        assert code == 2, said.out
        assert said.out == ""
        assert "Traceback" not in said.err
        for word in words:
            assert word in said.err, said.err
        assert before == (path.read_bytes() if path.is_file() else None)
        assert names == ({item.relative_to(folder) for item in folder.rglob("*")} if folder.is_dir() else set())
        return said.err

    return run


@pytest.fixture
def accepted(capsys) -> Callable[..., str]:
    """Compute up to the fit, and give what was said of it."""

    def run(folder: Path, *words: str) -> str:
        capsys.readouterr()
        assert cli.main(["fit", str(folder)]) == 0, capsys.readouterr().err
        said = capsys.readouterr().out
        for word in words:
            assert word in said
        return said

    return run


# ---- ground.toml ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("corrections", "corections"), ['readings[1].corections: there is no such key. Did you mean "corrections"?',
                                         "readings[1].corrections: missing. Write the correction service"]),
        (("frontage", "frontege"), ['section[1].rows[1].frontege: there is no such key. Did you mean "frontage"?',
                                    'Write the size along the row, frontage = "16 ft"']),
        (('"southwest"', '"soutwest"'), ["section[1].markers: 'soutwest'", 'Did you mean "southwest"?']),
        (("rows = 4", 'rows = "four"'), ["section[1].rows[1].rows: 'four' is not a whole number"]),
        (('name = "Invented ground"', "name = 5"), ["name: 5 is not text. Write it in quotes"]),
        (('"16 ft"', "true"), ["frontage: True is not a length", 'Write "16 ft"']),
        (('"16 ft"', '"16 furlongs"'), ["'16 furlongs'", 'Write "16 ft"']),
        (('"16 ft"', "nan"), ["frontage"]),
        (('crs = "EPSG:6549"', 'crs = "EPSG:4326"'), ["crs: EPSG:4326", "projected"]),
        (('reference = "EPSG:6549"', 'reference = "WGS84"'), ["readings[1].reference", "lie", "m ("]),
        (('reference = "EPSG:6549"', 'reference = "ITRF2014"'), ["readings[1].epoch: missing", "epoch = 2025.35"]),
        (("[[section]]", "[[section]"), ["not TOML", "line", "Mend that line"]),
        (("schema_version = 1", "schema_version = 2"), ["schema_version", "newer", "Use a newer version"]),
        (("lots = 6", "lots = 6000000"), ["section[1].rows[1].lots"]),
    ],
)  # fmt: skip
def test_a_mistake_in_the_description(hill, text, refused, change, said):
    assert change[0] in text
    lay(hill, {"ground.toml": text.replace(*change)})
    refused(hill, "ground.toml", *said)


def test_all_mistakes_come_at_once(hill, text, refused):
    wrong = text.replace("rows = 4", "rows = -4").replace('"12 ft"', '"12 parsecs"').replace("from =", "form =")
    lay(hill, {"ground.toml": wrong})
    said = refused(hill, "section[1].rows[1].rows", "12 parsecs", 'Did you mean "from"?')
    assert said.startswith("3 problems:")


def test_descriptions_that_are_no_text(hill, text, refused, accepted):
    lay(hill, {"ground.toml": text.encode("utf-8-sig")})
    accepted(hill)  # a mark of UTF-8 at its start does no harm
    lay(hill, {"ground.toml": text.encode("utf-16")})
    refused(hill, "ground.toml line 1: its text is not UTF-8. Save the file as UTF-8.")
    lay(hill, {"ground.toml": text.replace("Invented ground", "Größe").encode("latin-1")})
    refused(hill, "ground.toml line 2: its text is not UTF-8")
    lay(hill, {"ground.toml": text.encode() + b"\0\0"})
    refused(hill, "not TOML")
    lay(hill, {"ground.toml": b""})
    refused(hill, "schema_version: missing", "crs: missing", "name: missing", "Write at least one [[section]]")
    (hill / "ground.toml").unlink()
    refused(hill, "it holds no ground.toml", "cemgis new")
    (hill / "ground.toml").mkdir()
    refused(hill, "it is a folder, not a file")
    shutil.rmtree(hill)
    refused(hill, "there is no such folder", "cemgis new")


def test_a_lot_there_twice(hill, text, refused):
    block = text[text.index("[[section.rows]]") :]
    again = block.replace('at = ["0 ft"', 'at = ["200 ft"') + "first = 1\n"
    lay(hill, {"ground.toml": text + again})
    refused(hill, "lot A-1: there 2 times: section[1].rows[1], section[1].rows[2]. Renumber one.")
    lay(hill, {"ground.toml": text + text[text.index("[[section]]") :]})
    refused(hill, "section[2]: a section 'A' is there already, section[1]. Give it its own name.")


def test_a_list_of_lots_with_mistakes(hill, text, refused):
    head = text[: text.index("[[section.rows]]")] + 'lots = "plat/lots.csv"\n'
    top = "row,lot,x,y,width,depth,spaces,facing,from\n"
    lines = ["1,1,0,0,12,16,4,east,left", "1,2,x,16,12,16,4,east,left", "1,3,0,1e30,12,16,4,east,left",
             "1,4,0,32,NaN,16,4,east,left", "1,5,0,48,-12,16,4,east,left", "1,6,0,48,12,16,4,up,left"]  # fmt: skip
    lay(hill, {"ground.toml": head, "plat/lots.csv": top + "\n".join(lines) + "\n"})
    refused(hill, "plat/lots.csv, line 3: x 'x' is not a length", "line 4: y '1e30'", "line 5: width 'NaN'",
            "line 6: width '-12'", "line 7: facing 'up'", "One of: north, south, east, west.")  # fmt: skip
    lay(hill, {"plat/lots.csv": top.replace(",depth", "") + "1,1,0,0,12,4,east,left\n"})
    refused(hill, "plat/lots.csv: no column depth. Add it")
    lay(hill, {"plat/lots.csv": top + lines[0] + "\n" + lines[0] + "\n"})
    refused(hill, "A-1", "there 2 times", "Renumber one")


# ---- readings -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda one: one.replace("label,x,y", "label,x,z"), ["no columns of a position", "columns = {"]),
        (lambda one: one.replace("label,x", "what,x"), ["no column of labels", "columns = { label"]),
        (lambda one: one.replace("label,x,y", "label,y,x"), ["columns look exchanged: exchange them"]),
        (lambda one: "", ["the file is empty. Copy it again"]),
        (lambda one: one.splitlines()[0] + "\n", ["not one line in it can be used. Check"]),
        (lambda one: b"\0" * 5000, ["nothing in it but blank lines"]),
        (lambda one: bytes(range(256)) * 40, ["no header was found", "Give the columns names"]),
        (lambda one: b"PK\3\4" + bytes(range(256)), ["spreadsheet or another packed file", "Save it as CSV"]),
        (lambda one: one.replace("A-", "Q-"), ["labels are on no plat (Q-", "the plats have A-"]),
    ],
)  # fmt: skip
def test_readings_that_are_no_use(hill, readings, refused, change, said):
    lay(hill, {READINGS: change(readings)})
    refused(hill, "readings.csv" if "plats" not in said[-1] else "readings:", *said)


def spoil(readings: str, where: str, what: str) -> str:
    """Put something else into one column of every line."""
    head, *lines = readings.splitlines()
    at = head.split(",").index(where)
    rows = [line.split(",") for line in lines]
    return "\n".join([head, *(",".join([*row[:at], what, *row[at + 1 :]]) for row in rows)]) + "\n"


@pytest.mark.parametrize(
    ("what", "why"),
    [("NaN", "'NaN' is not a coordinate"), ("inf", "'inf' is not a coordinate"), ("", "coordinate"),
     ("north", "'north' is not a coordinate"), ("1e30", "beyond all measure"), ("-9e99", "beyond all measure")],
)  # fmt: skip
def test_coordinates_that_are_no_numbers(hill, readings, refused, accepted, what, why):
    lay(hill, {READINGS: spoil(readings, "x", what)})
    refused(hill, "not one line in it can be used", "line 2", why)
    # one such line among good ones is left out and named
    lay(hill, {READINGS: f"{readings}A-2,{what},449388.0,fixed,2025-04-08T09:00:00Z\n"})
    line = readings.count("\n") + 1
    accepted(hill, f"1 line left out (line {line}: ", why)


def test_coordinates_elsewhere(hill, readings, refused, accepted):
    lay(hill, {READINGS: spoil(spoil(readings, "x", "-82.3"), "y", "40.9")})
    refused(hill, "reference: the file holds degrees, EPSG:6549 would be eastings and northings. Name their frame")
    lay(hill, {READINGS: spoil(spoil(readings, "x", "12023908"), "y", "9449388")})
    refused(hill, "outside the area of use of NAD83(2011) / Ohio North", "Check the reference declared", "cemgis crs")
    # one marker at the other end of the world is that marker's trouble
    lay(hill, {READINGS: f"{readings}A-2,12023908.0,9449388.0,fixed,2025-04-08T09:00:00Z\n"})
    accepted(hill, "A-2", "marker unexplained")


def test_encodings_marks_and_nul_bytes_do_no_harm(hill, readings, accepted):
    plain = accepted(hill)
    for content in (readings.encode("utf-16"), readings.encode("utf-16-be"), readings.encode("utf-8-sig"),
                    readings.replace("\n", "\r\n").encode(), readings.replace(",", ";").encode()):  # fmt: skip
        lay(hill, {READINGS: content})
        assert accepted(hill).splitlines()[:3] == plain.splitlines()[:3]
    lay(hill, {READINGS: readings.encode().replace(b"fixed", b"fi\0xed")})
    accepted(hill, plain.splitlines()[2], "NUL bytes left out")


def test_waypoints_and_logs_that_are_broken(hill, text, refused):
    gpx = '<?xml version="1.0"?>{}<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{}'
    point = '<wpt lat="40.9" lon="-82.3"><name>{}</name></wpt>'
    points = text.replace(READINGS, "readings/r.gpx").replace('reference = "EPSG:6549"', 'reference = "NAD83(2011)"')
    entity = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    for content, said in (
        (gpx.format(entity, point.format("&x;") + "</gpx>"), "it declares a document type or entities"),
        (gpx.format("", "</gpx>"), "there is no waypoint in it"),
        (gpx.format("", point.format("A-1")[:-12]), "r.gpx"),
        (gpx.format("", point.format("A-1").replace("40.9", "99") + "</gpx>"), "'99' is not a coordinate"),
        ("no XML at all", "r.gpx"),
    ):
        lay(hill, {"ground.toml": points, "readings/r.gpx": content})
        refused(hill, "readings/r.gpx", said)
    log = text.replace(READINGS, "readings/r.nmea").replace('reference = "EPSG:6549"', 'reference = "NAD83(2011)"')
    lay(hill, {"ground.toml": log, "readings/r.nmea": "hello\nworld\n"})
    refused(hill, "readings[1].occupations: missing. Name the list of occupations")
    lay(hill, {"ground.toml": log.replace("receiver", 'label = "A-1"\nreceiver')})
    refused(hill, "readings/r.nmea: not one line in it can be used", "line 1: no whole sentence")


@pytest.mark.slow
def test_a_million_lines(hill, readings, capsys):
    head, *lines = readings.splitlines()
    times = 1_000_000 // len(lines) + 1
    lay(hill, {READINGS: "\n".join([head, *(lines * times)][:1_000_001]) + "\n"})
    start = time.process_time()
    assert cli.main(["ingest", str(hill), "--json"]) == 0
    assert time.process_time() - start < 60.0
    markers = json.loads(capsys.readouterr().out)["markers"]
    assert {row["label"] for row in markers} == {line.split(",")[0] for line in lines}


# ---- files that are not what or where they should be ----------------------------------------------------------------


def test_files_that_are_not_there_or_lead_outside(hill, text, refused, tmp_path):
    outside = lay(tmp_path, {"outside.csv": (hill / READINGS).read_bytes()}) / "outside.csv"
    (hill / READINGS).unlink()
    refused(hill, f"{READINGS}: there is no such file. Put it there or take it out of ground.toml.")
    (hill / READINGS).mkdir()
    refused(hill, f"{READINGS}: this is a folder, not a file. Name the file inside it.")
    (hill / READINGS).rmdir()
    for name in ("../outside.csv", "readings/../../outside.csv", str(outside).replace("\\", "/"), "~/outside.csv"):
        lay(hill, {"ground.toml": text.replace(READINGS, name)})
        refused(hill, "readings[1].file", "the ground's folder", "Name it from the ground's folder")
    lay(hill, {"ground.toml": text})
    try:
        (hill / READINGS).symlink_to(outside)
    except OSError:
        assert sys.platform == "win32"  # links need a right there that few have
        return
    refused(hill, f"{READINGS}: it leads out of the ground's folder. Copy it into the folder.")
    (hill / READINGS).unlink()
    (hill / READINGS).symlink_to("nowhere.csv")
    refused(hill, f"{READINGS}: there is no such file")


MONUMENTS = '[[features]]\nlayer = "monuments"\nfile = "survey/stones.{}"\nreference = "EPSG:6549"\n'
SYSTEM = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6549"}}


def stone(shift: float = 0.0, **properties: object) -> dict[str, object]:
    shape = shapely.geometry.mapping(shapely.box(EAST + shift, NORTH, EAST + shift + 1, NORTH + 1))
    return {"type": "Feature", "properties": properties, "geometry": shape}


def stones(*features: object) -> str:
    return json.dumps({"type": "FeatureCollection", "crs": SYSTEM, "features": features})


BOW = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]}


@pytest.mark.parametrize(
    ("ending", "content", "said"),
    [
        ("geojson", stones(stone())[:60], ["survey/stones.geojson", "Export"]),
        ("geojson", "[1, 2, 3]", ["survey/stones.geojson", "Export"]),
        ("geojson", "", ["survey/stones.geojson"]),
        ("geojson", stones(), ["there is no feature in it. Check that it is the right file."]),
        ("geojson", stones(stone() | {"geometry": BOW}), ["feature 1: it is not a sound shape"]),
        ("geojson", stones(stone() | {"geometry": None}), ["feature 1: it has no geometry"]),
        ("geojson", stones(stone(-2e6)), ["stones.geojson", "outside the area of use", "Check the reference declared"]),
        ("geojson", stones(stone(monument_id="a"), stone(9.0, monument_id="a")),
         ["survey/stones.geojson: monuments.monument_id: there more than once: a. Give each row its own."]),
        ("geojson", stones(stone(monument_id="a", kind="tablet")),
         ["survey/stones.geojson: monuments.kind [a]: tablet is none of its values. One of: headstone"]),
        ("geojson", stones(stone(monument_id="a", height=-3)),
         ["survey/stones.geojson: monuments.height [a]: below 0. Mend the value."]),
        ("gpkg", b"SQLite format 3\0" + b"x" * 5000, ["survey/stones.gpkg", "damaged", "Export"]),
        ("gpkg", b"junk", ["survey/stones.gpkg", "damaged"]),
        ("shp", b"junk", ["survey/stones.shp", ".shx and .dbf"]),
        ("vrt", '<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>'
                "</OGRVRTDataSource>", ["survey/stones.vrt", "no"]),
    ],
)  # fmt: skip
def test_surveyed_things_that_are_broken(hill, text, refused, ending, content, said):
    lay(hill, {"ground.toml": text + MONUMENTS.format(ending), f"survey/stones.{ending}": content})
    refused(hill, *said)


def test_a_thing_longer_than_any_ground_is_told(hill, text, capsys):
    far = stone(monument_id="far")
    far["geometry"] = json.loads(json.dumps(far["geometry"]))
    for corner in far["geometry"]["coordinates"][0][1:3]:
        corner[0] += 1e9
    lay(hill, {"ground.toml": text + MONUMENTS.format("geojson"), "survey/stones.geojson": stones(stone(), far)})
    assert cli.main(["check", str(hill)]) == 1
    said = capsys.readouterr().out
    assert "1 of 2 are no single outline (feature 2: longer than any ground)" in said


def test_things_whose_numbers_and_reference_disagree(hill, text, refused, capsys):
    bare = json.dumps({"type": "FeatureCollection", "features": [stone()]})
    lay(hill, {"ground.toml": text + MONUMENTS.format("geojson"), "survey/stones.geojson": bare})
    assert cli.main(["check", str(hill)]) in (0, 1)  # the reference declared settles what the file leaves open
    assert "stones.geojson: it names no reference system (there is no member crs)" in capsys.readouterr().out
    degrees = text + MONUMENTS.format("geojson").replace("EPSG:6549", "NAD83(2011)")
    lay(hill, {"ground.toml": degrees})
    refused(hill, "features[1].reference: survey/stones.geojson: it names no reference system (there is no member "
            "crs), and its numbers cannot be degrees (first: 20239", "declared is NAD83(2011), which is in degrees. "
            'Write reference = "EPSG:6549" if they are in the ground\'s own system')  # fmt: skip
    lay(hill, {"survey/stones.geojson": stones(stone())})
    refused(
        hill, "the file says NAD83(2011) / Ohio North (ftUS), the entry says NAD83(2011)", "Find out which is right"
    )
    kml = ('<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Point><coordinates>{}</coordinates></Point>'
           "</Placemark></kml>")  # fmt: skip
    lay(hill, {"ground.toml": degrees.replace("stones.geojson", "stones.kml"), "survey/stones.kml":
               kml.format("2023908,449388")})  # fmt: skip
    refused(hill, "KML names no reference system, and its numbers cannot be degrees (first: 2023908, 449388)")
    lay(hill, {"ground.toml": text + MONUMENTS.format("kml"), "survey/stones.kml": kml.format("-82.3,40.9")})
    refused(hill, "survey/stones.kml is in degrees (WGS 84), declared is EPSG:6549. Write their frame, as NAD83(2011)")
    bomb = '<!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    lay(hill, {"survey/stones.kml": bomb + kml.format("-82.3,40.9")})
    refused(hill, "survey/stones.kml: it declares a document type or entities. Export it again without them.")


def test_one_thing_of_two_files(hill, text, refused):
    more = MONUMENTS.format("geojson") + MONUMENTS.format("geojson").replace("stones.", "more.")
    same = stones(stone(monument_id="a"))
    lay(hill, {"ground.toml": text + more, "survey/stones.geojson": same, "survey/more.geojson": same})
    refused(hill, "monuments.monument_id: there more than once: a. Give each row its own.")


def test_a_register_or_tape_that_is_no_use(hill, text, refused):
    lay(hill, {"ground.toml": text + '[[register]]\nfile = "register/list.csv"\n'})
    for content, said in (
        ("foo,bar\n1,2\n", "no column says what happened"),
        ("", "the file is empty"),
        ("<html><body>no</body></html>", "register/list.csv"),
        (b"PK\3\4" + bytes(range(256)) * 9, "register/list.csv"),
    ):
        lay(hill, {"register/list.csv": content})
        refused(hill, "register/list.csv", said)
    lay(hill, {"ground.toml": text + '[[taped]]\nfile = "readings/tape.csv"\n', "readings/tape.csv": "a,b\n1,2\n"})
    refused(hill, "readings/tape.csv: no column from, to, distance")


def test_records_that_are_no_use(hill, refused, accepted, capsys):
    lay(hill, {"records/edits.jsonl": '{"kind": "edit"\nno json\n'})
    accepted(hill, "record not usable", "edits.jsonl line 1", "Look at the line and enter again what it says.")
    newer = {"kind": "edit", "schema_version": 99, "when": "2025-01-01T00:00:00Z"}
    lay(hill, {"records/edits.jsonl": json.dumps(newer) + "\n"})
    refused(hill, "edits.jsonl line 1: written by a newer version (form 99). Update this program.")
    other = {
        "kind": "move",
        "layer": "corners",
        "key": "1870:0.00,0.00",
        "shape": "POINT (1 2)",
        "who": "a",
        "why": "b",
        "crs": "EPSG:26917",
        "schema_version": 1,
        "when": "2025-01-01T00:00:00Z",
    }
    lay(hill, {"records/edits.jsonl": json.dumps(other) + "\n"})
    refused(hill, "corners [1870:0.00,0.00]: made in EPSG:26917", "Enter it again in the ground's CRS.")
    shutil.rmtree(hill / "records")
    lay(hill, {"records": "x"})
    refused(hill, "it is a file where the folder of records belongs. Move it away.")


# ---- what is in the way of writing ----------------------------------------------------------------------------------


def sql(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()


def test_what_stands_where_ground_gpkg_belongs(hill, refused):
    path = hill / "ground.gpkg"
    whole = path.read_bytes()
    away = "Move it away"
    for content, said in (
        (b"garbage" * 100, "it is no GeoPackage"),
        (b"", "it is no GeoPackage"),
        (b"SQLite format 3\0" + b"x" * 9000, "it is damaged"),
        (whole[: len(whole) // 2], "it is damaged"),
    ):
        path.write_bytes(content)
        refused(hill, "ground.gpkg", said, away)
    path.unlink()
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)], crs="EPSG:6549").to_file(path, layer="spaces")
    refused(hill, "ground.gpkg: it was not built by this program", away)
    path.write_bytes(whole)
    sql(path, "UPDATE cemgis_file SET value = '99' WHERE name = 'format_version'")
    refused(hill, "it was built by a newer version (form 99, this one knows", "Update this program.")
    path.write_bytes(whole)
    sql(path, "DROP TABLE events", "DELETE FROM gpkg_contents WHERE table_name = 'events'")
    refused(hill, "layer events was taken away", "delete the file")
    assert cli.main(["collect", str(hill), "--who", "a", "--why", "b"]) == 2
    path.unlink()
    path.mkdir()
    refused(hill, "ground.gpkg: it is a folder", away)


def test_maps_that_cannot_be_written_stop_before_anything_is(hill, refused):
    lay(hill, {"maps": "a file"})
    refused(hill, "maps", "its folder is a file", maps=True)


def run(code: str, *words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True, check=False, timeout=300,
        env=os.environ | environment,
    )  # fmt: skip


def test_a_foreign_proj_data_changes_nothing(hill):
    before = (hill / "ground.gpkg").read_bytes()
    code = "import sys; from cemgis import cli; sys.exit(cli.main(['build', sys.argv[1], '--no-maps']))"
    done = run(code, hill, PROJ_DATA="/nonexistent", PROJ_LIB="/nonexistent", GDAL_DATA="/nonexistent")
    assert done.returncode == 0, done.stderr
    assert "PROJ_DATA and PROJ_LIB set by another program: not used" in done.stderr
    assert (hill / "ground.gpkg").read_bytes() == before


if sys.platform != "win32":  # no limit on a file's size there, and folders know no permission to write

    def test_a_full_disk(hill):
        # a limit on the size of a file fails the same calls as a full disk does, in a process of its own
        before = (hill / "ground.gpkg").read_bytes()
        names = sorted(hill.rglob("*"))
        rooms = (len(before) - 4096, 100_000)
        code = (
            "import resource, sys\nfrom cemgis import cli\ncodes = []\n"
            "for room in sys.argv[2:]:\n"
            "    resource.setrlimit(resource.RLIMIT_FSIZE, (int(room), int(room)))\n"
            "    codes.append(cli.main(['build', sys.argv[1], '--no-maps']))\n"
            "print(codes)\n"
        )
        done = run(code, hill, *rooms)
        assert done.stdout == "[2, 2]\n", done.stderr
        assert done.stderr.count("the disk is full, or its quota. Make room and run it again.") == len(rooms)
        assert "Traceback" not in done.stderr
        assert (hill / "ground.gpkg").read_bytes() == before
        assert sorted(hill.rglob("*")) == names

    def test_a_folder_that_can_only_be_read(hill):
        before = (hill / "ground.gpkg").read_bytes()
        # root may write anywhere: the process builds once so that everything is loaded, then becomes somebody else
        code = (
            "import os, sys\nfrom pathlib import Path\nfrom cemgis import cli\nhill = Path(sys.argv[1])\n"
            "assert cli.main(['build', str(hill), '--no-maps']) == 0\n"
            "for path in (hill, *hill.rglob('*')):\n    path.chmod(0o555 if path.is_dir() else 0o444)\n"
            "if os.geteuid() == 0:\n"
            "    for path in hill.parents:\n"
            "        if path.stat().st_uid == 0 and path.stat().st_mode & 0o077 == 0: path.chmod(0o711)\n"
            "    os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
            "print('----', file=sys.stderr)\n"
            "codes = [cli.main(['build', str(hill), '--no-maps']),\n"
            "         cli.main(['collect', str(hill), '--who', 'a', '--why', 'b']),\n"
            "         cli.main(['check', str(hill)])]\n"
            "print(codes)\n"
        )
        try:
            done = run(code, hill)
        finally:
            for path in (hill, *hill.rglob("*")):
                path.chmod(0o755)
        said = done.stderr.split("----")[-1]
        assert done.stdout.splitlines()[-1] == "[2, 0, 1]", done.stderr
        assert "ground.gpkg: not written" in said
        assert "Traceback" not in done.stderr
        assert (hill / "ground.gpkg").read_bytes() == before


def test_an_attribute_that_is_no_number_is_named_with_its_feature(hill, text, capsys):
    content = stones(stone(monument_id="a", height=3.0), stone(9.0, monument_id="b", height="tall"))
    lay(hill, {"ground.toml": text + MONUMENTS.format("geojson"), "survey/stones.geojson": content})
    capsys.readouterr()
    assert cli.main(["build", str(hill), "--no-maps"]) == 2
    assert "survey/stones.geojson feature 2: height is 'tall', not real" in capsys.readouterr().err


def test_a_feature_without_a_shape_is_named_and_the_rest_is_kept(hill, text, capsys):
    whole = json.loads(stones(stone(monument_id="a"), stone(9.0, monument_id="b")))
    whole["features"][1]["geometry"] = None
    lay(hill, {"ground.toml": text + MONUMENTS.format("geojson"), "survey/stones.geojson": json.dumps(whole)})
    capsys.readouterr()
    assert cli.main(["build", str(hill), "--no-maps"]) == 0
    assert "survey/stones.geojson: 1 feature left out (feature 2" in capsys.readouterr().out
    assert geopackage.read_layer(hill / "ground.gpkg", "monuments")["monument_id"].tolist() == ["a"]
