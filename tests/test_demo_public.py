"""The demo as it is published: strings of their own in all of its inputs that are not public, none of them gets out."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from public_bytes import found_in

from cemgis.pipeline import build, close_opening, load_finder, publish, say_hits
from cemgis.web.packing import unpack

DEMO = Path(__file__).parents[1] / "data" / "demo"
DAY = "2025-10-01"


def _rows(path, change, more=(), extra=()):
    """Change a list row by row and add rows and columns."""
    table = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    columns = [*table[0], *extra]
    table += [{**dict.fromkeys(columns, ""), **row} for row in more]
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows([change(row) for row in table])
    path.write_text(out.getvalue(), encoding="utf-8")


def _features(path, **said):
    found = json.loads(path.read_text(encoding="utf-8"))
    for number, feature in enumerate(found["features"]):
        feature["properties"] |= {name: f"{text}-{number}" for name, text in said.items()}
    path.write_text(json.dumps(found), encoding="utf-8")


def plant(folder):
    """Put strings of their own into every input, wherever nothing of it is public."""
    names = ("Cause of death", "Race", "Address", "Informant", "Next of kin", "note", "photo", "inscription", "page",
             "certainty", "spouse", "father", "age")  # fmt: skip

    def entry(row):
        row |= {name: f"canary {name}" for name in names}
        for name in ("holder", "instrument"):
            row[name] = f"canary {name} {row[name]}" if row["kind"] == "right" else "canary " + name
        row["reserved_for"] = "Reserved Canaryreserved" if row["kind"] == "right" else ""
        row["container"] = "canary box"
        return row

    _rows(folder / "register/ledger.csv", entry, extra=(*names, "reserved_for"), more=[
        {"kind": "interment", "name": "Living Canaryborn", "section": "B", "lot": "12", "space": "1", "born": "1961"},
        {"kind": "interment", "name": "Ahead Canaryahead", "section": "B", "lot": "12", "space": "1", "born": "1948",
         "died": "19--"},
        {"kind": "interment", "name": "Lost Canarylost", "date": "1901", "section": "Q", "lot": "canarylot"},
        {"kind": "interment", "name": "Infant of Canaryfather Canarymother", "section": "E", "lot": "6", "space": "2",
         "date": "2011-03-04"},
        {"kind": "interment", "name": "Recent Canaryrecent", "date": "2025-09-20", "section": "E", "lot": "3",
         "space": "2"},
    ])  # fmt: skip
    _rows(folder / "register/stones.csv", lambda row: {**row, "inscription": "canary stone", "photo": "canary.jpg"},
          extra=("photo",), more=[
              {"name": "Carved Canarycarved", "born": "1950", "place": "B lot 12, gr. 1"},
              {"name": "Carved Canarytwo", "born": "1901", "died": "19--", "place": "B lot 13"}])  # fmt: skip
    _rows(folder / "register/told.csv", lambda row: {**row, "note": "canary memory", "told_by": "canary teller"})
    _rows(folder / "register/old_numbers.csv", lambda row: row)
    _rows(folder / "readings/spring_occupations.csv", lambda row: {**row, "note": "canary note", "base": "canary base"})
    _rows(folder / "readings/taped.csv", lambda row: {**row, "note": "canary tape"})
    _features(folder / "survey/vaults.geojson", note="canary-vault", vault_id="canary-vault")
    _features(folder / "survey/monuments.geojson", note="canary-stone", monument_id="canary-M")
    _features(folder / "survey/probable_graves.geojson", reason="canary-reason", grave_id="canary-PG")
    _features(folder / "survey/trees.geojson", note="canary-tree", obstacle_id="canary-T")
    _features(folder / "survey/drives.geojson", note="canary-drive", drive_id="canary-DR")
    _features(folder / "survey/gates.geojson", note="canary-gate", gate_id="canary-G")
    path = folder / "ground.toml"
    text = path.read_text(encoding="utf-8")
    for was, now in (
        ('call = "', 'call = "canary '), ('receiver = "', 'receiver = "canary '), ('source = "', 'source = "canary '),
        ('corrections = "', 'corrections = "canary '), ('reason = "', 'reason = "canary '),
        ('pump = "', 'pump = "canary '),
    ):  # fmt: skip
        assert was in text
        text = text.replace(was, now)
    path.write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "ground"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("truth.json"))
    plant(folder)
    run = build(folder, with_maps=False)
    close_opening(
        folder, "E-2-2", state="closed", who="canary digger", why="canary why", day="2025-09-21", note="canary closed",
        container="concrete vault", person="Dug Canarydug", run=run,
        without_order="canary order",
    )  # fmt: skip
    build(folder, with_maps=False)
    publish(folder, day=DAY)
    return folder


def test_nothing_of_the_inputs_that_is_not_public_gets_out(ground):
    kept = (ground / "ground.gpkg").read_bytes().lower()
    for word in (
        "canary cause",
        "canary memory",
        "canarycarved",
        "canarydug",
        "canary-pg",
        "canary digger",
        "canaryfather",
    ):
        assert word.encode() in kept, word  # it is there for the staff
    assert found_in(ground / "maps" / "public", "canary") == []
    report = (ground / "maps" / "staff" / "withheld.txt").read_text(encoding="utf-8")
    assert "canary asked by a daughter" in report


def test_who_is_not_public_is_in_no_byte_of_the_demo(demo_ground):
    public = demo_ground / "maps" / "public"
    # a name carved ahead; the words of a name stand alone in packed data
    assert found_in(public, "Calla") == []
    assert {line.partition(",")[0] for line in found_in(public, "Zelberry")} >= {"map.html", "board.pdf", "graves.csv"}
    # a burial ordered; who asked not to be named; holders; who told what
    people = pd.read_csv(public / "data" / "graves.csv", encoding="utf-8-sig", dtype=str)
    for name in ("Wanda Dornrada", "Calla Zelberry", "Corin Ilvstrom"):
        assert name not in set(people["name"])
    assert found_in(public, "Corin", "fever", "R. Marrenby", "A. Wyburn", "deed ", "loose leaf", "remembered") == []
    told = pd.read_csv(public / "data" / "about.txt", sep="\0", header=None)[0].str.cat()
    assert "PUBLIC" in told


def test_who_is_not_public_is_not_found_without_staff(ground, demo_ground):
    finder = load_finder([ground], day=DAY)
    assert "canary" not in finder.table.to_json().casefold()
    for asked in ("Living Canaryborn", "Carved Canarycarved", "Lost Canarylost", "Dug Canarydug"):
        assert not any("canary" in hit.name.casefold() for hit in finder.find(asked))
        staff = load_finder([ground], staff=True)
        assert asked in say_hits(staff.find(asked), staff, staff=True)
    finder = load_finder([demo_ground], day=DAY)
    for asked in ("Calla Zelberry", "Wanda Dornrada", "Corin Ilvstrom"):  # carved ahead; withheld; an order's
        hits = finder.find(asked)
        assert asked not in {hit.name for hit in hits}
        assert not any("calla" in hit.name.casefold() for hit in hits)
    assert {hit.name for hit in finder.find("zelberry")} >= {"Ruth Zelberry"}


def test_the_demos_page_names_who_the_data_name(demo_ground):
    public = demo_ground / "maps" / "public"
    block = max(re.findall(r"[A-Za-z0-9+/=]{400,}", (public / "map.html").read_text(encoding="utf-8")), key=len)
    header, _ = unpack(block)
    people = pd.read_csv(public / "data" / "graves.csv", encoding="utf-8-sig", dtype=str)
    assert header["graves"]["n"] == len(people)
    words = set(header["graves"]["words"])
    assert set(people["surname"].dropna()) <= words
    assert "vacant" not in json.dumps(header)


def test_the_demo_says_what_it_published(demo_ground):
    said = (demo_ground.parent / "said.txt").read_text(encoding="utf-8")
    assert re.search(r"Published as of 2025-09-09: \d+ people\.", said)
    assert "maps/public/board.pdf" in said.replace("\\", "/")
    report = (demo_ground / "maps" / "staff" / "withheld.txt").read_text(encoding="utf-8")
    assert "Wanda Dornrada at E-3-7" in report
