"""The register taken in again: what changed, the history of a record, and asking a built ground."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyproj
import pytest
import shapely

from cemgis import cli, schema
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files import records as record_files
from cemgis.layers import LAYERS
from cemgis.pipeline import history, load_finder
from cemgis.pipeline.evidence import gather_evidence, read_ground
from cemgis.pipeline.registering import register_changes, say_history, take_in
from cemgis.register import TABLES
from cemgis.units import US_SURVEY_FOOT

TOML = """\
schema_version = 1
name = "Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889"
[[section]]
name = "A"
plat = "1889"
heads = "west"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
rows = 1
lots = 10
frontage = "16 ft"
depth = "12 ft"
spaces = 4
facing = "east"
from = "left"
[[register]]
file = "register/ledger.csv"
[[register]]
file = "register/book.xlsx"
sheet = "Burials"
kind = "interment"
[[crosswalk]]
file = "register/old.csv"
"""

LEDGER = """\
kind,date,name,place,born,holder
burial,3 May 1901,"Penn, Ada",A lot 1 gr. 2,1850,
burial,1902,Bo Lark,A-2-1,,
right,1900,,A-3,,Ida Vale
burial,1909,Cy Wren,C 7 gr. 1,,
"""

BOOK = [
    ["Name", "Date of burial", "Place", "Remarks"],
    ["Ada Penn", datetime(1901, 5, 3), "A-1-2", "oak"],
    ["Dee Tarn", datetime(1950, 1, 2), "A-4-4", None],
]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "register").mkdir()
    (tmp_path / "ground.toml").write_text(TOML, encoding="utf-8")
    (tmp_path / "register" / "ledger.csv").write_text(LEDGER, encoding="utf-8")
    (tmp_path / "register" / "old.csv").write_text("old,new,until\nC 7,A 5,1924\n", encoding="utf-8")
    book = openpyxl.Workbook()
    book.active.title = "Burials"
    for row in BOOK:
        book.active.append(row)
    book.save(tmp_path / "register" / "book.xlsx")
    return tmp_path


def spaces():
    rows = [(lot, space) for lot in range(1, 11) for space in range(1, 5)]
    return schema.restore(
        gpd.GeoDataFrame(
            {"space_id": [f"A-{lot}-{space}" for lot, space in rows], "section": "A", "kind": "full",
             "lot_id": [f"A-{lot}" for lot, _ in rows], "space": [str(space) for _, space in rows]},
            geometry=[shapely.box(2_000_000 + 4 * space, 500_000 + 12 * lot, 2_000_004 + 4 * space, 500_012 + 12 * lot)
                      for lot, space in rows],
            crs="EPSG:6549",
        ),
        LAYERS["spaces"],
    )  # fmt: skip


def taken(folder):
    ground = read_ground(folder)
    plats = spaces()
    lots = pd.DataFrame({"lot_id": [f"A-{n}" for n in range(1, 11)], "section": "A", "row": None,
                         "lot": [str(n) for n in range(1, 11)]})  # fmt: skip
    return take_in(
        gather_evidence(ground),
        ground.rules,
        spaces=plats,
        niches=schema.empty(LAYERS["niches"]),
        lots=lots,
        shapes=plats,
    )


def build(folder):
    register = taken(folder)
    tables = {name: getattr(register, name) for name in TABLES} | {"spaces": spaces()}
    whole = gpd.GeoDataFrame(
        {"section": ["A"]},
        geometry=[shapely.MultiPolygon([shapely.box(2e6, 5e5, 2_000_100, 500_200)])],
        crs="EPSG:6549",
    )
    tables["sections"] = schema.restore(whole, LAYERS["sections"])
    path = folder / "ground.gpkg"
    stamp = datetime(2025, 5, 1, tzinfo=UTC)
    geopackage.write_ground(path, tables, unit=US_SURVEY_FOOT, crs=pyproj.CRS("EPSG:6549"), stamp=stamp, title="Hill")
    return register


def changed(folder):
    path = folder / "ground.gpkg"
    return register_changes("Hill", taken(folder), geopackage.read_ground(path) if path.exists() else None)


def test_csv_and_spreadsheet_are_joined_by_precedence_and_former_numbers_resolved(folder):
    register = taken(folder)
    assert register.findings == []
    assert register.people["name"].tolist() == ["Penn, Ada", "Bo Lark", "Cy Wren", "Dee Tarn"]
    assert register.events["also_in"].iloc[0] == "register/book.xlsx [Burials], line 2"
    assert register.people["note"].iloc[0] == "oak"
    assert register.events["space_id"].tolist() == ["A-1-2", "A-2-1", "A-5-1", "A-4-4"]
    assert register.rights["space_id"].tolist() == ["A-3-1", "A-3-2", "A-3-3", "A-3-4"]


def test_importing_again_changes_nothing_when_nothing_changed(folder):
    assert not changed(folder).built
    build(folder)
    again = changed(folder)
    assert again.built
    assert again.changes == {}
    assert again.moved == 0
    assert "Nothing changed" in again.words()


def test_a_row_put_in_between_moves_the_others_and_changes_nothing_of_them(folder):
    build(folder)
    path = folder / "register" / "ledger.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines.insert(1, "burial,1899,Flo Moss,A-6-1,,")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = changed(folder)
    assert found.moved == 4
    assert found.changes["events"].added == ("register/ledger.csv:2",)
    assert found.changes["people"].added == ("register/ledger.csv:2",)
    assert set(found.changes) == {"events", "people"}
    for difference in found.changes.values():
        assert not difference.removed
        assert not len(difference.edited)


def test_what_changed_in_a_row_is_shown_first_and_nothing_is_written(folder):
    build(folder)
    before = (folder / "ground.gpkg").read_bytes()
    path = folder / "register" / "ledger.csv"
    path.write_text(LEDGER.replace("1902,Bo Lark", "4 Mar 1902,Bo Larke"), encoding="utf-8")
    said = changed(folder).words()
    assert "people.name [register/ledger.csv:3]: 'Bo Lark' is now 'Bo Larke'" in said
    assert "events.date [register/ledger.csv:3]: 1902 is now 4 March 1902" in said
    assert (folder / "ground.gpkg").read_bytes() == before
    assert json.loads(json.dumps(changed(folder).summary(), default=str))["changes"]["events"]["edited"]


def test_a_row_taken_out_moves_the_others_and_a_row_written_otherwise_is_told_by_its_columns(folder):
    build(folder)
    path = folder / "register" / "ledger.csv"
    lines = LEDGER.replace("1909,Cy Wren", "4 Mar 1909,Cy Wrenn").splitlines()
    del lines[2]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = changed(folder)
    said = found.words()
    assert "people [register/ledger.csv:3, as built, Bo Lark]: removed" in said
    assert "date as written [register/ledger.csv, line 4]: '1909' is now '4 Mar 1909'" in said
    assert "name as written [register/ledger.csv, line 4]: 'Cy Wren' is now 'Cy Wrenn'" in said
    assert "people.name [register/ledger.csv:4]: 'Cy Wren' is now 'Cy Wrenn'" in said
    assert '{"' not in said
    assert "rights" not in found.changes


def test_every_problem_of_all_lists_comes_at_once(folder):
    (folder / "register" / "ledger.csv").write_text("name,date\nAda,1901\n", encoding="utf-8")
    (folder / "register" / "old.csv").write_text("old,new\nC 7,A 5\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        taken(folder)
    assert len(caught.value.problems) == 3


TURNED = {
    "kind": "edit", "layer": "spaces", "key": "A-1-2", "values": {"heads": "east"}, "was": {"heads": None},
    "who": "E. Tarn", "when": "2025-06-01T00:00:00Z", "why": "seen at the stone", "crs": "NAD83",
}  # fmt: skip


def test_the_history_of_a_space_a_person_and_a_record(folder):
    build(folder)
    record_files.append(folder / "records", "edits", [TURNED])
    found = history(folder, "A-1-2", staff=True)
    layers = [entry["layer"] for entry in found["entries"]]
    assert layers == ["events", "spaces", "records"]
    assert found["entries"][0]["when"] == "1901-05-03"
    assert "A lot 1 gr. 2" in found["entries"][0]["said"]
    assert "seen at the stone" in found["entries"][-1]["said"]
    person = history(folder, "register/ledger.csv:2", staff=True)
    assert {entry["layer"] for entry in person["entries"]} == {"events", "people"}
    held = history(folder, "A-3-2", staff=True)
    assert {entry["layer"] for entry in held["entries"]} == {"rights", "spaces"}
    assert say_history(held).splitlines()[1] == f"A-3-2: right held by {held['held_by'][0]}"
    with pytest.raises(InputError, match="nothing is kept about"):
        history(folder, "A-99-1", staff=True)


def test_a_history_tells_anybody_only_what_is_published(folder, capsys):
    build(folder)
    record_files.append(folder / "records", "edits", [TURNED])
    found = history(folder, "A-1-2", day="2026-05-01")
    assert {entry["layer"] for entry in found["entries"]} == {"spaces", "graves"}
    told = say_history(found)
    assert "Ada Penn; born 1850" in told
    assert "--staff" in told
    assert "Tarn" not in told
    assert "seen at the stone" not in told
    # a space that is held, and nobody lies there
    held = say_history(history(folder, "A-3-2", day="2026-05-01"))
    assert "Ida Vale" in say_history(history(folder, "A-3-2", staff=True))
    assert "Vale" not in held
    assert "right held" not in held
    assert "deed" not in held
    for hidden in ("register/ledger.csv:2", "A-99-1"):
        with pytest.raises(InputError, match="that may be shown to anybody"):
            history(folder, hidden, day="2026-05-01")
    # who may be living: the day of the burial decides
    assert "Bo Lark" in say_history(history(folder, "A-2-1", day="2026-05-01"))
    ledger = folder / "register" / "ledger.csv"
    ledger.write_text(ledger.read_text(encoding="utf-8").replace("burial,1902", "burial,2026-04-30"), encoding="utf-8")
    build(folder)
    assert "Bo Lark" not in say_history(history(folder, "A-2-1", day="2026-05-01"))
    assert "Bo Lark" in say_history(history(folder, "A-2-1", staff=True))
    assert cli.main(["history", str(folder), "A-3-2", "--staff"]) == 0
    assert capsys.readouterr().out.startswith("FOR STAFF ONLY, not for publication.\n")


def test_the_commands(folder, capsys):
    assert cli.main(["find", "ada pen", str(folder)]) == 2  # not built yet
    assert "cemgis build" in capsys.readouterr().err
    build(folder)
    assert cli.main(["find", "ada pen 1901", str(folder), "--within", "2"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Ada Penn: A-1-2; born 1850, buried 3 May 1901\n")
    assert "begins Penn" in said
    assert cli.main(["find", "vale", str(folder)]) == 0
    assert "Nobody found among 4 who may be shown" in capsys.readouterr().out  # a holder: for staff only
    assert cli.main(["find", "vale", str(folder), "--staff", "--json"]) == 0
    (hit,) = json.loads(capsys.readouterr().out)
    assert (hit["kind"], hit["name"]) == ("holder", "Ida Vale")
    assert cli.main(["find", "x", str(folder), "--within", "-1"]) == 2
    assert cli.main(["history", str(folder), "A-1-2", "--staff"]) == 0
    assert "interment" in capsys.readouterr().out
    assert len(load_finder([folder, folder])) == 2 * len(load_finder([folder]))


def test_a_long_list_is_taken_in_whole(folder):
    rng = np.random.default_rng(2)
    n = 4_000
    names = [f"{given} {a}{b}" for given in ("Ada", "Bo") for a in "BCDFGHKLMNPRSTVW" for b in ("arn", "ell", "ost")]
    lines = ["kind,date,name,place"]
    for number in range(n):
        day = f"{1850 + int(rng.integers(150))}-05-{int(rng.integers(1, 29)):02d}"
        lines.append(f"burial,{day},{rng.choice(names)},A-{number % 10 + 1}-{number % 4 + 1}")
    text = "\n".join(lines) + "\n"
    (folder / "register" / "ledger.csv").write_text(text, encoding="utf-8")
    assert len(taken(folder).events) == n + 2
