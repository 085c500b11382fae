"""What the readers of files and the description of a ground refuse: each is provoked, and says these words."""

from __future__ import annotations

import io
import os
import sqlite3
import sys
import zipfile
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import drawn_ground
import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import public_ground
import pytest
import rasterio
import rasterio.transform
import shapely
from PIL import Image
from refusing import BLOCK, GROUND, SECTION, refused

from cemgis import cli, schema, web
from cemgis.files import geopackage, raster, scans, spreadsheets
from cemgis.files.readings import parse_gpx, parse_points, read_readings
from cemgis.files.tables import Table, existing_file, read_table
from cemgis.files.vector import read_features
from cemgis.fit.robust import robust_start
from cemgis.ground import parse_ground
from cemgis.layers import LAYERS
from cemgis.reference import ground_crs

CRS = ground_crs("EPSG:6549")
NOW = datetime(2025, 6, 1, tzinfo=UTC)

# ---- ground.toml ----------------------------------------------------------------------------------------------------

WHOLE = GROUND + SECTION + BLOCK
READINGS = '[[readings]]\nfile = "a.{}"\nreference = "EPSG:6549"\ncorrections = "state network"\n'
VAULTS = '[[features]]\nlayer = "gates"\nfile = "a.geojson"\nreference = "EPSG:6549"\n'
CONTROL = '[[control]]\nname = "MH 1"\nreference = "NAD83(2011)"\nsource = "county"\nlat = 140\nlon = -82.0\n'
WITHHELD = '[[withhold]]\nreason = "family, 3 May 2025"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (WHOLE.replace('"Hill"', '" "'), "name: empty. Write something or take the key out."),
        (WHOLE + READINGS.format("csv").replace('reference = "EPSG:6549"\n', ""),
         'Then write it, such as "NAD83(2011)".'),
        (WHOLE + READINGS.format("nmea"), "occupations: missing. Name the list of occupations (label, from, to), or "
         "one label for the file."),
        (WHOLE + READINGS.format("csv") + 'order = "PNE"\ncolumns = { x = "E" }\n', "order: given beside columns."),
        (WHOLE + CONTROL, "lat: 140 is beyond 90 degrees. Mend it."),
        (WHOLE + VAULTS + 'radius = "2 ft"\n', "radius: of no use with gates. Take it out: a gate is a point."),
        (WHOLE + WITHHELD, "Write a person (id), a name, a place (space or lot), or a name and a place."),
        (WHOLE + WITHHELD + 'person = "p1"\nplace = "A-1"\n', "person: given beside a place"),
        (WHOLE + WITHHELD + 'person = "a.csv:12"\n', "is a line of a list, and rows put in before it would make it "
         "another person. Write the name beside it."),
        (WHOLE + f'extra = {{ "1" = ["{"1" * 50}"] }}\n', "is too long for a number. Shorten it."),
        (WHOLE + "between_rows = []\n", "between_rows: an empty list. Write a length"),
        (WHOLE.replace("rows = 1", "rows = 900").replace("lots = 1", "lots = 900").replace("spaces = 4", "spaces = 90"),
         "72900000 spaces are too many"),
        (WHOLE.replace("spaces = 4", "spaces = 90\ntiers = 90"), "8100 spaces in one lot are too many"),
    ],
)  # fmt: skip
def test_descriptions_of_grounds(text, words):
    parse_ground(WHOLE, Path())
    refused(words, parse_ground, text, Path())


# ---- readings and tables --------------------------------------------------------------------------------------------


def test_readings(tmp_path):
    keys = ("format", "visit", "receiver", "occupations", "label", "section", "antenna_height_m", "order", "columns",
            "delimiter", "encoding")  # fmt: skip
    entry = SimpleNamespace(file="a.nmea", **dict.fromkeys(keys))
    (tmp_path / "a.nmea").write_bytes(b"$GPGGA,140302,4053.2,N,08217.9,W,4,12,0.6,300,M,,M,,*00\n")
    refused("nothing says which marker its readings belong to", read_readings, entry, tmp_path)
    table = Table(
        pd.DataFrame({"label": ["A-1"], "x": ["1"], "y": ["2"]}, dtype="string"), np.array([2]), (), 0, "", ""
    )
    refused(
        "columns.lable: there is no such column of readings. One of:", parse_points, table, columns={"lable": "label"}
    )
    refused("this is 'kml', not GPX. Name a GPX file.", parse_gpx, b"<kml/>")
    refused("it is not GPX (", parse_gpx, b"label,x,y")
    refused("the file breaks off at line 1, within its first waypoint (", parse_gpx, b"<gpx><wpt lat='1' lon='2'><na")


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes with names")
def test_what_is_no_ordinary_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    refused("this is not an ordinary file. Copy its content into a file.", existing_file, tmp_path / "pipe.csv", "a")
    refused("this is not an ordinary file", read_table, tmp_path / "pipe.csv")


def test_vector_files(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_text('{"type": "FeatureCollection",\n "features": [}', encoding="utf-8")
    refused("its JSON breaks at line 2, column 15 (", read_features, path)
    path.write_text('{"type": "Feature", "properties": {"id": 1}, "geometry": '
                    '{"type": "Point", "coordinates": [1, 2]}}',
                    encoding="utf-8")  # fmt: skip
    refused("columns.name: no attribute 'title'. It has: id.", read_features, path, {"name": "title"})


def test_spreadsheets(tmp_path, monkeypatch):
    path = tmp_path / "a.xlsx"
    path.write_bytes(b"label,x,y\n")
    refused("this is no XLSX spreadsheet (", spreadsheets.read_spreadsheet, path)
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("xl/workbook.xml", "<nothing")
    refused("the spreadsheet is damaged (", spreadsheets.read_spreadsheet, path)
    book = openpyxl.Workbook()
    for row in (["label", "x"], ["A-1", 1], ["A-2", 2]):
        book.active.append(row)
    book.save(path)
    assert len(spreadsheets.read_spreadsheet(path).rows) == 2
    monkeypatch.setattr(spreadsheets, "_MOST_CELLS", 5)
    refused("has too many cells. Take out what is not the list.", spreadsheets.read_spreadsheet, path)
    monkeypatch.setattr(spreadsheets, "_MOST_BYTES", 500)
    refused("it unpacks to more than 1 GB", spreadsheets.read_spreadsheet, path)


def picture(width, height):
    said = io.BytesIO()
    Image.new("L", (width, height)).save(said, "PNG")
    return said.getvalue()


def test_grids_and_pictures_that_are_too_large(tmp_path, monkeypatch):
    path = tmp_path / "a.tif"
    place = rasterio.transform.from_origin(2e6, 7e5, 10, 10)
    with rasterio.open(path, "w", driver="GTiff", width=20, height=30, count=1, dtype="float32", crs="EPSG:6549",
                       transform=place) as made:  # fmt: skip
        made.write(np.ones((30, 20), dtype="float32"), 1)
    raster.read_dem(path, CRS.crs, CRS.unit, heights="ft")
    path.with_suffix(".png").write_bytes(picture(20, 30))
    scans.read_scan(path.with_suffix(".png"))
    monkeypatch.setattr(raster, "_MOST_CELLS", 599)
    refused("20 by 30 cells are too many. Clip it", raster.read_dem, path, CRS.crs, CRS.unit, heights="ft")
    monkeypatch.setattr(scans, "_MOST_PIXELS", 599)
    refused("20 by 30 pixels are too many. Save a coarser copy", scans.read_scan, path.with_suffix(".png"))


# ---- ground.gpkg ----------------------------------------------------------------------------------------------------


def write(path, tables, stamp=NOW):
    return geopackage.write_ground(path, tables, unit=CRS.unit, crs=CRS.crs, stamp=stamp, title="Hill")


def test_a_geopackage(tmp_path):
    path = tmp_path / "ground.gpkg"
    people = schema.restore(pd.DataFrame({"person_id": ["a"]}), LAYERS["people"])
    refused("there is no layer folk. Declare it first.", write, path, {"folk": people})
    refused("has no zone. Give the time with its zone.", write, path, {"people": people}, datetime(2025, 6, 1))
    row = dict.fromkeys(LAYERS["control"].names) | {"control_id": "MH 1", "geometry": shapely.Point(1, 2)}
    other = schema.restore(pd.DataFrame([row]), LAYERS["control"], "EPSG:26917")
    refused("its reference system is NAD83 / UTM zone 17N, the ground's NAD83(2011) / Ohio North", write, path,
            {"control": other})  # fmt: skip
    odd = pd.DataFrame({name: ["many"] for name in LAYERS["niches"].names})
    refused("Restore the table from its declaration first.", write, path, {"niches": odd})
    control = schema.restore(pd.DataFrame([row | {"miss_e": np.inf}]), LAYERS["control"], CRS.crs)
    refused("an infinite number. Leave out what is not known.", write, path, {"control": control})
    write(path, {"people": people})
    refused("it has no layer vaults. It has people.", geopackage.read_layer, path, "vaults")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("UPDATE cemgis_file SET value = 'yards' WHERE name = 'unit'")
    refused("what it says of itself is damaged", geopackage.info, path)


# ---- fits, pages, commands ------------------------------------------------------------------------------------------


def test_markers_at_one_place():
    same = np.zeros((4, 2))
    refused("no two markers lie apart on it", robust_start, "conformal", same, same, np.ones(4), (0.3, 4.0), 100.0)


def test_coordinates_that_are_not_on_the_earth():
    utm = "EPSG:6346"
    sections = drawn_ground.tables()["sections"].set_crs(utm, allow_override=True)
    away = sections.set_geometry(sections.geometry.translate(1e12, 1e12))
    refused("staff map: the ground's coordinates are not on the earth", web.staff_page, {"sections": away},
            drawn_ground.facts(utm))  # fmt: skip
    ground = public_ground.ground()
    away = {name: table.set_geometry(table.geometry.translate(1e12, 1e12))
            for name, table in vars(ground).items() if isinstance(table, gpd.GeoDataFrame)}  # fmt: skip
    ground = replace(ground, crs=ground_crs(utm), **away)
    refused("public map: the ground's coordinates are not on the earth", web.public_page, ground)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("there is nothing named 'dragons'", ["explain", "dragons"]),
        (
            "--within and --most count years and hits. Write 0 or more, and 1 or more.",
            ["find", "smith", ".", "--most", "0"],
        ),
        ("--who: nobody is named. Say who set or inspected it.", ["foundation", ".", "A-1", "--state", "set"]),
    ],
)
def test_commands(words, line, capsys):
    assert cli.main(line) == 2
    assert words in capsys.readouterr().err
