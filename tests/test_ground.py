"""ground.toml: everything it may say, and every way of saying it wrong, all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from cemgis.errors import InputError
from cemgis.ground import Break, Heads, Size, parse_ground

WHOLE = """
schema_version = 1
name = "Millrace Hill Burying Ground"
place = "near Tansy Fork, Ohio (invented)"
crs = "EPSG:6549"
marker_label = "{section}-{lot}"

[rules]
"clearance.vault_to_vault" = { value = "10 in", source = "board minutes of 3 May 2019" }
clearance.vault_to_monument = { value = "1 ft", source = "the same" }

[[readings]]
file = "readings/spring.nmea"
visit = "2025-05-06"
receiver = "rover 1"
corrections = "state network, NAD83(2011)"
reference = "NAD83(2011)"
occupations = "readings/spring_occupations.csv"
section = "B"
antenna_height = "2.000 m"

[[readings]]
file = "readings/autumn.csv"
corrections = "own base on MH 1"
reference = "ITRF2014"
epoch = 2025.35
columns = { label = "Point", x = "Easting", y = "Northing" }
delimiter = ";"
encoding = "utf-16"

[[readings]]
file = "readings/list.txt"
corrections = "the same"
reference = "ITRF2020"
epoch = "observed"
order = "pnezd"
antenna_height = "6 ft"

[[readings]]
file = "readings/way.gpx"
corrections = "none"
reference = "NAD83(2011)"
[[readings]]
file = "readings/other.geojson"
corrections = "none"
reference = "EPSG:6549"

[[taped]]
file = "readings/taped.csv"

[[control]]
name = "MH 1"
label = "MH1"
reference = "EPSG:6549"
x = 2023650.25
y = 449210.5
source = "county engineer, monument record 1187"

[[control]]
name = "MH 2"
reference = "NAD83(2011)"
lat = "40 53 12.3 N"
lon = -82.25
source = "the same"

[[plat]]
name = "1889"
date = 1889-05-01
source = "recorded plat book 4, page 31"
[[plat]]
name = "1924"
date = "1924"
model = "affine"

[[section]]
name = "A"
title = "Old ground"
plat = "1889"
heads = "west"
protected = "unmarked burials"
markers = "northeast"
marker_inset = "6 in"
outline = "plat/outline.geojson"
exceptions = [{ space = "A-12-3", heads = "east", reason = "family wish" }]
[[section.rows]]
at = ["120 ft", "48 ft"]
run = "north"
step = "west"
rows = 3
row_names = ["a", "b", "c"]
lots = [20, 20, 19]
frontage = "16 ft"
depth = ["12 ft", "12 ft 6 in", "3.6 m"]
between_rows = ["0 ft", "10 ft"]
breaks = [{ after = 10, width = "10 ft" }]
numbering = "back and forth"
first = 5
skip = [13]
empty = [37, "2-40"]
blank = [[2, 5]]
extra = { "12" = ["12A"] }
sizes = { "37" = { frontage = "20 ft", depth = "12 ft" }, "38" = { depth = "11 ft" } }
spaces = 4
facing = "west"
from = "right"
tiers = 2
kind = "infant"
[[section.rows]]
at = ["0 m", "-1.5 m"]
run = "east"
step = "south"
rows = 1
singles = 30
frontage = "4 ft"
depth = "12 ft"
markers_at = "spaces"
[[section.niches]]
building = "N"
face = "east"
rows = 5
columns = 12

[[section]]
name = "B"
plat = "1924"
heads = { axis = "rows", facing = "west" }
markers = ""
lots = "plat/section_b.csv"

[[features]]
layer = "vaults"
file = "survey/vaults.geojson"
reference = "EPSG:6549"
sigma = "0.10 ft"
columns = { vault_id = "id", space_id = "space" }
radius = "2 ft"

[[register]]
file = "register/ledger.csv"
columns = { name = "Name" }
encoding = "cp1252"
"""

LEAST = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889"
[[section]]
name = "A"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
lots = 20
frontage = "16 ft"
depth = "12 ft"
"""


def _said(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_ground(text, Path())
    return str(caught.value)


def test_everything_it_may_say():
    ground = parse_ground(WHOLE, Path("here"))
    assert (ground.folder, ground.name) == (Path("here"), "Millrace Hill Burying Ground")
    assert ground.unit.name == "US survey foot"
    assert ground.rules["clearance.vault_to_vault"] == pytest.approx(10 / 12)
    assert ground.rules["clearance.vault_to_monument"] == 1.0
    spring, autumn, listed, way, other = ground.readings
    assert (spring.format, spring.antenna_height_m, spring.section) == ("nmea", 2.0, "B")
    assert spring.occupations == "readings/spring_occupations.csv"
    assert (autumn.format, autumn.epoch, autumn.delimiter, autumn.encoding) == ("csv", 2025.35, ";", "utf-16")
    assert autumn.columns == {"label": "Point", "x": "Easting", "y": "Northing"}
    assert autumn.visit == "autumn"  # the file's name where nothing is said
    assert (listed.epoch, listed.order) == ("observed", "PNEZD")
    assert listed.antenna_height_m == pytest.approx(1.8288)  # 6 ft of 0.3048 m
    assert (way.format, other.format) == ("gpx", "vector")
    assert ground.control[0].x == 2023650.25
    assert ground.control[1].y == pytest.approx(40 + 53 / 60 + 12.3 / 3600)
    assert (ground.control[1].x, ground.control[1].label) == (-82.25, "MH 2")
    assert [(item.date, item.model) for item in ground.plats] == [("1889-05-01", "conformal"), ("1924", "affine")]
    a, b = ground.sections
    assert (a.heads, a.markers, a.marker_inset) == (Heads("side", "west", None, True), "northeast", 0.5)
    assert a.exceptions[0].reason == "family wish"
    rows, singles = a.rows
    assert rows.at == (120.0, 48.0)
    assert rows.lots == (20, 20, 19)
    assert rows.frontage == (16.0,) * 20
    # 3.6 m in US survey feet of 1200/3937 m
    assert rows.depth == pytest.approx((12.0, 12.5, 3.6 * 3937 / 1200))
    assert rows.between_rows == (0.0, 10.0)
    assert rows.breaks == (Break(10, 10.0),)
    assert (rows.numbering, rows.first, rows.skip, rows.empty) == ("back and forth", 5, (13,), ("37", "2-40"))
    assert (rows.blank, rows.extra) == (((2, 5),), {"12": ("12A",)})
    assert rows.sizes == {"37": Size(20.0, 12.0), "38": Size(None, 11.0)}
    assert (rows.spaces, rows.facing, rows.counted_from, rows.tiers, rows.kind) == (4, "west", "right", 2, "infant")
    assert (singles.singles, singles.lots, singles.markers_at, singles.first) == (True, (30,), "spaces", None)
    assert singles.at[1] == pytest.approx(-1.5 * 3937 / 1200)
    assert (a.niches[0].face, a.niches[0].columns) == ("east", 12)
    assert (b.heads.kind, b.heads.axis, b.heads.side, b.markers, b.lots) == (
        "axis", "rows", "west", "", "plat/section_b.csv",
    )  # fmt: skip
    assert ground.features[0].sigma == pytest.approx(0.1)
    assert ground.register[0].encoding == "cp1252"
    assert "plat/outline.geojson" in ground.evidence
    assert "readings/spring_occupations.csv" in ground.evidence
    assert (ground.section("B").name, ground.plat("1924").model) == ("B", "affine")
    with pytest.raises(KeyError):
        ground.section("Z")
    with pytest.raises(KeyError):
        ground.plat("Z")


def test_what_common_practice_fills_in():
    ground = parse_ground(LEAST, Path())
    section = ground.sections[0]
    assert section.plat == "1889"  # the only one there is
    assert section.markers == "southwest"
    assert section.heads == Heads("side", "west", None, given=False)
    assert (section.rows[0].facing, section.rows[0].counted_from) == ("east", "left")
    assert ground.marker_label == "{section}-{lot}"
    assert (ground.readings, ground.control) == ((), ())


def test_gaps_between_rows_start_again():
    text = LEAST.replace('depth = "12 ft"', 'depth = "12 ft"\nrows = 6\nbetween_rows = ["0 ft", "10 ft"]')
    assert parse_ground(text, Path()).sections[0].rows[0].between_rows == (0, 10, 0, 10, 0)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("schema_version = 1", "", "ground.toml: schema_version: missing. Write schema_version = 1."),
        ("schema_version = 1", 'schema_version = "1"', "schema_version: '1' is no version"),
        ("schema_version = 1", "schema_version = 0", "schema_version: 0 is no version"),
        ("schema_version = 1", "schema_version = 2", "2 is newer than this package knows (1)"),
        ('name = "Tansy Hill"', "", "ground.toml: name: missing"),
        ('name = "Tansy Hill"', "name = 7", "ground.toml: name: 7 is not text. Write it in quotes"),
        ('name = "Tansy Hill"', 'name = " "', "ground.toml: name: empty"),
        ('name = "Tansy Hill"', 'name = "a\\u0000b"', "control characters"),
        ('crs = "EPSG:6549"', "", "ground.toml: crs: missing"),
        ('crs = "EPSG:6549"', 'crs = "EPSG:4326"', "crs: "),
        ('crs = "EPSG:6549"', 'crs = "EPSG:3734"', "crs: "),  # a plain NAD 83 CRS says no realization
        ('run = "north"', 'run = "up"', "section[1].rows[1].run: 'up' is not understood. One of: north"),
        ('run = "north"', 'run = "nroth"', 'Did you mean "north"?'),
        ('step = "west"', 'step = "south"', "rows[1].step: rows that run north cannot follow one another south"),
        ('frontage = "16 ft"', "frontage = 16", "section[1].rows[1].frontage: 16 is not a length with its unit"),
        ('frontage = "16 ft"', 'frontage = "16"', "frontage: '16' is not a length with its unit. Write \"16 ft\""),
        ('frontage = "16 ft"', 'frontage = "-16 ft"', "frontage: '-16 ft' is too small"),
        ('frontage = "16 ft"', 'frontage = "0 ft"', "frontage: '0 ft' is too small"),
        ('frontage = "16 ft"', 'frontage = "99999999 ft"', "is absurd"),
        ('frontage = "16 ft"', 'frontage = ["16 ft", "12 ft"]', "frontage: 2 values for 20 places. Write one for all"),
        ('frontage = "16 ft"', 'frotage = "16 ft"', 'rows[1].frotage: there is no such key. Did you mean "frontage"?'),
        ("lots = 20", "lots = 0", "lots: 0 is not a whole number from 1"),
        ("lots = 20", "lots = true", "lots: True is not a whole number"),
        ("lots = 20", "lots = 1e3", "lots: 1000.0 is not a whole number"),
        ("lots = 20", "lots = [20, 19]", "lots: 2 values for 1 rows"),
        ("lots = 20", "lots = 999999\nrows = 1000", "places are too many"),
        ("lots = 20", "", "lots: missing. Write how many lots a row has"),
        ("lots = 20", "lots = 20\nsingles = 3", "singles: given beside lots"),
        ("lots = 20", "singles = 20\nspaces = 4", "spaces: given for single graves"),
        ("lots = 20", 'lots = 20\nmarkers_at = "spaces"', "markers_at: of no use with lots"),
        ("lots = 20", "lots = 20\nblank = [[2, 1]]", "blank[1]: there is no place 1 in a row 2 of this block"),
        ("lots = 20", "lots = 20\nblank = [3]", "blank[1]: 3 is not a row and a place"),
        ("lots = 20", "lots = 20\nskip = [5, 5]", "skip: the same is there twice"),
        ("lots = 20", 'lots = 20\nbreaks = [{ after = 20, width = "4 ft" }]', "no place follows place 20"),
        ("lots = 20", 'lots = 20\nrow_names = ["a", "b"]', "row_names: 2 names for 1 rows"),
        ("lots = 20", "lots = 20\nspaces = 600\ntiers = 2", "1200 spaces in one lot are too many"),
        ("lots = 20", 'lots = 20\nnumbering = "snake"', "numbering: 'snake' is not understood. One of: run on"),
        ("lots = 20", 'lots = 20\nsizes = { "3" = "20 ft" }', "sizes.3: '20 ft' is not a table"),
        ('at = ["0 ft", "0 ft"]', 'at = ["0 ft"]', "rows[1].at: ['0 ft'] is not a pair of lengths"),
        ('at = ["0 ft", "0 ft"]', "", "rows[1].at: missing"),
        ('name = "A"', 'name = "A"\nplat = "1898"', "section[1].plat: there is no plat '1898'. Did you mean \"1889\"?"),
        ('name = "A"', 'name = "A"\nheads = "up"', "heads: 'up' is not a compass direction"),
        ('name = "A"', 'name = "A"\nheads = 3', "heads: 3 is not understood"),
        ('name = "A"', 'name = "A"\nheads = { axis = "lots" }', "section[1].heads.facing: missing"),
        ('name = "A"', 'name = "A"\nmarkers = "middle"', "markers: 'middle' is not understood. One of: southwest"),
        ('name = "A"', 'name = "A"\nlots = "plat/a.csv"', "section[1].lots: given beside rows"),
        ('name = "A"', 'name = "A"\nexceptions = [{ space = "A", heads = "east" }]', "exceptions[1].reason: missing"),
        ('date = "1889"', 'date = "1889-13-01"', "plat[1].date: '1889-13-01' is not a date"),
        ('date = "1889"', 'date = "about 1889"', "plat[1].date: 'about 1889' is not a date"),
        ('date = "1889"', 'date = "1889"\nmodel = "rubber"', "plat[1].model: 'rubber' is not understood"),
        ("[[plat]]", "[plat]", "plat: one table where a list of them belongs. Write [[plat]]"),
        ("[[section]]",
         '[[section]]\nname = "a"\n[[section.niches]]\nbuilding = "N"\nrows = 1\ncolumns = 1\n[[section]]',
         "section[2]: a section 'A' is there already, section[1]"),
        ("[[section]]", '[rules]\n"no.rule" = { value = 1, source = "x" }\n[[section]]',
         "rules.no.rule: there is no such rule"),
        ("[[section]]", '[terrain]\nfile = "dem.tif"\nheights = "yard"\n[[section]]',
         "terrain.heights: 'yard' is no unit of height. One of: m, ft, US survey foot"),
        ("[[section]]", '[terrain]\nheights = "m"\n[[section]]', "terrain.file: missing"),
        ("[[section]]", '[terrain]\nfile = "../dem.tif"\nheights = "m"\n[[section]]', "leads out of the ground"),
        ("[[section]]", 'marker_label = "{plot}"\n[[section]]', "plat[1].marker_label: there is no such key"),
    ],
)  # fmt: skip
def test_one_thing_wrong(before, after, words):
    assert before in LEAST
    assert words in _said(LEAST.replace(before, after, 1))


@pytest.mark.parametrize("label", ["{plot}", "{section}", "{lot", "{lot!r}", "{lot:>5}", "{}"])
def test_a_marker_label_that_cannot_be_built(label):
    said = _said(LEAST.replace("schema_version = 1", f'schema_version = 1\nmarker_label = "{label}"'))
    assert "marker_label" in said
    assert "Build it of {section}, {row} and {lot}" in said


READINGS = """
[[readings]]
file = "readings/a.nmea"
corrections = "state network"
reference = "NAD83(2011)"
label = "A-16"
"""


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('label = "A-16"', "", "readings[1].occupations: missing"),
        ('label = "A-16"', 'label = "A-16"\noccupations = "b.csv"', "label: given beside a list of occupations"),
        ('label = "A-16"', 'label = "A-16"\nsection = "Z"', "readings[1].section: there is no section 'Z'"),
        ('label = "A-16"', 'label = "A-16"\ncolumns = { x = "E" }', "columns: of no use with a receiver log"),
        ('label = "A-16"', 'label = "A-16"\norder = "PNE"', "order: of no use with format nmea"),
        ('label = "A-16"', 'label = "A-16"\nantenna_height = 2.0', "antenna_height: 2.0 is not a length"),
        ('label = "A-16"', 'label = "A-16"\nencoding = "klingon"', "encoding: 'klingon' is no encoding"),
        ('label = "A-16"', 'label = "A-16"\ndelimiter = ";;"', "delimiter: ';;' is not one character"),
        ('label = "A-16"', 'label = "A-16"\nformat = "xml"', "format: 'xml' is not understood"),
        ('corrections = "state network"', "", "corrections: missing. Write the correction service or base"),
        ('reference = "NAD83(2011)"', "", "readings[1].reference: missing"),
        ('reference = "NAD83(2011)"', 'reference = "WGS 84"', "readings[1].reference"),
        ('reference = "NAD83(2011)"', 'reference = "ITRF2014"', "readings[1].epoch: missing, and ITRF2014 moves"),
        ('reference = "NAD83(2011)"', 'reference = "ITRF2014"\nepoch = 20.25', "epoch: 20.25 is not a number from"),
        ('reference = "NAD83(2011)"', 'reference = "ITRF2014"\nepoch = nan', "epoch: nan is not a number from 1980"),
        ('"readings/a.nmea"', '"../a.nmea"', "readings[1].file: '../a.nmea' leads out of the ground's folder"),
        ('"readings/a.nmea"', '"/etc/passwd"', "file: '/etc/passwd' is not a path inside the ground's folder"),
        ('"readings/a.nmea"', "'C:\\a.nmea'", "is not a path inside the ground's folder"),
        ('"readings/a.nmea"', "'c:a.nmea'", "is not a path inside the ground's folder"),
        ('"readings/a.nmea"', "'..\\a.nmea'", "is not a path inside the ground's folder"),
        ('"readings/a.nmea"', '"~/a.nmea"', "is not a path inside the ground's folder"),
        ('"readings/a.nmea"', '"x/../../a.nmea"', "leads out of the ground's folder"),
        ('"readings/a.nmea"', '"."', "leads out of the ground's folder"),
    ],
)  # fmt: skip
def test_one_thing_wrong_with_readings(before, after, words):
    assert words in _said(LEAST + READINGS.replace(before, after, 1))


def test_orders_of_columns():
    text = READINGS.replace(".nmea", ".csv").replace('label = "A-16"', 'order = "{}"')
    for order in ("PNEZD", "penzd", "P-NE", "NEP"):
        assert parse_ground(LEAST + text.format(order), Path()).readings[0].order == order.upper()
    for order in ("PNZ", "PNNE", "PXYZ", "NE"):
        assert "order" in _said(LEAST + text.format(order))


def test_files_are_named_once():
    assert "file 'readings/a.nmea' is there already, readings[1]" in _said(LEAST + READINGS + READINGS)


def test_control_needs_its_kind_of_coordinates():
    head = LEAST + '[[control]]\nname = "M"\nsource = "county"\n'
    assert "control[1].x: missing" in _said(head + 'reference = "EPSG:6549"\n')
    assert "control[1].lat: missing" in _said(head + 'reference = "NAD83(2011)"\n')
    assert "lat" in _said(head + 'reference = "NAD83(2011)"\nlat = 98.0\nlon = -82.0\n')
    assert "there is no such key" in _said(head + 'reference = "EPSG:6549"\nx = 1.0\ny = 2.0\nlat = 40.0\n')
    assert "control[1].source: missing" in _said(
        LEAST + '[[control]]\nname = "M"\nreference = "EPSG:6549"\nx = 1\ny = 2\n'
    )


def test_all_problems_in_one_message():
    said = _said(
        """
schema_version = 1
nmae = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
[[section]]
name = "A"
plat = "1890"
[[section.rows]]
at = ["0 ft", "0"]
run = "north"
lots = 20
frontage = "16"
depth = "12 ft"
[[features]]
layer = "vault"
"""
    )
    assert said.startswith("10 problems:")
    for words in (
        "ground.toml: name: missing",
        'ground.toml: nmae: there is no such key. Did you mean "name"?',
        "ground.toml: plat[1].date: missing",
        "ground.toml: section[1].plat: there is no plat '1890'. Did you mean \"1889\"?",
        "ground.toml: section[1].rows[1].at[2]: '0' is not a length",
        "ground.toml: section[1].rows[1].step: missing",
        "ground.toml: section[1].rows[1].frontage: '16' is not a length",
        "ground.toml: features[1].layer: 'vault' is not understood. Did you mean \"vaults\"?",
        "ground.toml: features[1].file: missing",
        "ground.toml: features[1].reference: missing",
    ):
        assert words in said


def test_a_typing_error_names_its_line():
    said = _said(LEAST.replace('run = "north"', "run = north"))
    line = LEAST.splitlines().index('run = "north"') + 1
    assert said.startswith(f"ground.toml, line {line}, column ")
    assert "run = north" in said
    assert _said("a = 1\na = 2\n").startswith("ground.toml, line 2, column ")
    assert _said("name = ").startswith("ground.toml, last line")


@pytest.mark.parametrize(
    "text", ["", "[" * 50_000, "x = " + "[" * 50_000, "x = " + "9" * 10_000, "\x00", "﻿[[", "x = 1e999"]
)
def test_rubbish_is_refused_with_words(text):
    assert _said(text)


def test_a_huge_file_is_refused_by_its_size():
    assert "characters long, more than 4,000,000" in _said("#" * 100_000_000)


def test_a_byte_order_mark_does_no_harm():
    assert parse_ground("\ufeff" + LEAST, Path()).name == "Tansy Hill"


def test_an_unknown_crs_does_not_hide_other_problems():
    said = _said(LEAST.replace("EPSG:6549", "EPSG:0").replace('"16 ft"', '"16"'))
    assert "crs" in said
    assert "frontage" in said


@pytest.mark.parametrize(
    ("heads", "words"),
    [(Heads("side", "west", None, True), "heads west"), (Heads("as last laid", None, None, True), "as last laid")],
)
def test_the_rule_in_words(heads, words):
    assert heads.words == words


def test_niches_alone_need_no_plat():
    text = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[section]]
name = "N"
[[section.niches]]
building = "N"
rows = 2
columns = 3
"""
    section = parse_ground(text, Path()).sections[0]
    assert (section.plat, section.niches[0].face) == (None, "")
    assert "no lots" in _said(text[: text.index("[[section.niches")])
    assert "section[1].plat: missing" in _said(text + LEAST[LEAST.index("[[section.rows") :])


def test_a_missing_reference_says_what_is_at_stake_there():
    said = _said(WHOLE.replace('reference = "NAD83(2011)"\noccupations', "occupations"))
    # 1.28 m in northern Ohio, measured with PROJ; the middle of the zone is within two centimetres of that
    assert "readings[1].reference" in said
    assert "1.2" in said
    assert "ITRF2014" in said
    assert "correction service or base" in said


def test_a_file_that_does_not_say_how_good_it_is_may_be_told():
    text = WHOLE.replace('order = "pnezd"', 'order = "pnezd"\nfix = "fixed"\nsigma = "0.05 ft"')
    entry = parse_ground(text, Path()).readings[2]
    assert (entry.fix, entry.sigma) == ("fixed", 0.05)
    assert "fix" in _said(WHOLE.replace('order = "pnezd"', 'order = "pnezd"\nfix = "simulated"'))
