"""Nothing that is not public is in any byte of any public product: strings planted everywhere, searched everywhere."""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from planted_ground import EAST, FAR, PEOPLE, make, tables
from public_bytes import found_in, numbers_in

from cemgis.errors import InputError
from cemgis.layers import LAYERS
from cemgis.pipeline import load_finder, publish, say_hits


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make(tmp_path_factory.mktemp("canaries"))


@pytest.fixture(scope="module")
def public(folder):
    done = publish(folder, day="2025-06-01")
    assert done.people == 5
    return folder / "maps" / "public"


def test_strings_are_planted_in_every_column_that_is_not_public():
    made = tables()
    columns = [(name, column) for name, layer in LAYERS.items() if name != "run" for column in layer.columns]
    hidden = [(name, column) for name, column in columns if not column.published and not column.choices]
    bare = {
        f"{name}.{column.name}"
        for name, column in hidden
        if column.type in ("text", "date")
        and not made[name][column.name].astype(object).astype(str).str.contains("canary").any()
    }
    assert bare == {"monuments.section"}  # it decides what is shown
    numbers = [made[name][column.name] for name, column in hidden if column.type in ("real", "integer")]
    assert sum((values > FAR - 1).any() for values in numbers) > 60


def test_the_search_finds_what_is_public_in_every_product(public):
    for word in ("Publicone", "publictwo"):
        files = {line.partition(",")[0] for line in found_in(public, word)}
        assert files >= {"map.html", "board.pdf", "graves.csv", "graves.geojson", "ground-public.gpkg"}
    assert any(line.startswith("leaflet.pdf") for line in found_in(public, "Publicone"))  # a veteran
    for word in ("Gate drive", "Mill gate", "Old ground", "CC BY 4.0"):
        assert found_in(public, word), word
    assert {line.partition(",")[0] for line in found_in(public, "Publicthree")} >= {"map.html", "graves.csv"}
    assert numbers_in(public, [EAST + 16.0])


def test_nothing_that_is_not_public_is_in_any_byte(public):
    assert found_in(public, "canary") == []
    assert found_in(public, "1777", "1977-07") == []
    assert found_in(public, "7654321", "765432", "wished", "omitted", "ahead,") == []


def test_who_is_not_public_is_not_found_without_staff(folder):
    """`cemgis find` shows whom `publish` shows; each planted name is asked for, and every entry is looked through."""
    finder, staff = load_finder([folder], day="2025-06-01"), load_finder([folder], staff=True)
    assert len(finder) == 5
    shown = finder.table.to_json().casefold()
    for key, (given, surname, *_) in PEOPLE.items():
        asked = f"{given or 'infant'} {surname or 'canaryfather'}"
        said = " ".join(str(hit._replace(reasons=())) for hit in finder.find(asked)).casefold()
        if "canary" in asked.casefold():
            assert "canary" not in said
            assert "canary" in say_hits(staff.find(asked), staff, staff=True).casefold(), key
        else:
            assert asked.casefold() in said
    assert "canary" not in shown
    assert "1777" not in shown
    assert "publicthree" in shown
    assert "g-1" not in shown  # its section is generalised


def test_no_number_that_is_not_public_is_in_any_byte(public):
    numbers = []
    for name, table in tables().items():
        for column in LAYERS[name].columns:
            if column.type in ("real", "integer") and not column.published:
                numbers += [value for value in table[column.name].dropna().astype(float) if value > FAR - 1]
    assert len(set(numbers)) > 60
    assert numbers_in(public, numbers) == []


def test_no_place_that_is_not_public_is_in_any_byte(public):
    made = tables()
    hidden = [shape for name in ("vaults", "probable_graves", "openings", "markers") for shape in made[name].geometry]
    hidden += list(made["monuments"].geometry[1:]) + list(made["obstacles"].geometry[1:])
    for name in ("sections", "lots", "spaces"):
        table = made[name]
        section = table["section"]
        hidden += list(table.geometry[section.isin(["O", "P"])])
    hidden += list(made["spaces"].geometry[made["spaces"]["section"] == "G"])
    hidden = [shape for shape in hidden if shape is not None]
    x = np.unique(shapely.get_coordinates(hidden)[:, 0])
    shown = np.unique(
        shapely.get_coordinates(made["sections"].geometry[made["sections"]["section"].isin(["A", "G"])])[:, 0]
    )
    x = np.setdiff1d(x, shown)
    assert len(x) > 20
    assert numbers_in(public / "data", x) == []
    assert numbers_in(public / "data", shown)  # and what is shown would be found


def test_sections_are_as_they_were_asked_for(public):
    graves = pd.read_csv(public / "data" / "graves.csv", dtype=str, encoding="utf-8-sig")
    general = graves[graves["section"] == "G"]
    assert general["lot_id"].isna().all()
    assert general["longitude"].isna().all()
    assert set(graves["section"]) == {"A", "G"}
    assert found_in(public / "data", "G-1", "G-2") == []
    assert found_in(public, "G-1-1", "G-2-1") == []
    layer = gpd.read_file(public / "data" / "ground-public.gpkg", layer="sections")
    assert sorted(layer["section"]) == ["A", "G"]


def test_numbers_of_people_mean_nothing(public):
    feature = json.loads((public / "data" / "graves.geojson").read_text(encoding="utf-8"))["features"][0]
    assert feature["properties"]["grave"] == 1
    assert "person_id" not in feature["properties"]


def test_the_report_is_for_staff_and_says_why(folder, public):
    report = (folder / "maps" / "staff" / "withheld.txt").read_text(encoding="utf-8")
    assert report.startswith("STAFF - NOT FOR PUBLICATION")
    for word in ("may be living", "withheld on request", "canary-wish-reason", "canary-list-reason", "which is over",
                 "canary-omit-reason",
                 "canary-protected-reason", "buried too recently", "no longer lies here", "canary-rule"):  # fmt: skip
        assert word in report, word
    assert not list(public.rglob("withheld*"))


def test_what_was_withheld_is_counted(folder):
    told = publish(folder, day="2025-06-01").withheld
    counts = {(row.what, row.reason): row.rows for row in told.itertuples()}
    assert counts["people", "may be living"] == 3
    assert counts["people", "withheld on request"] == 3
    assert counts["people", "buried too recently"] == 1
    assert counts["people", "its section is not shown"] == 2
    assert counts["people", "no place on the map is known"] == 1
    assert counts["people", "no longer lies here, or not surely"] == 1
    assert counts["sections", "omitted"] == 2


def test_the_same_day_gives_the_same_bytes(folder, public):
    before = {path.relative_to(public): path.read_bytes() for path in public.rglob("*") if path.is_file()}
    publish(folder, day="2025-06-01")
    after = {path.relative_to(public): path.read_bytes() for path in public.rglob("*") if path.is_file()}
    assert before == after


def test_a_list_of_wishes_that_cannot_be_read_whole_stops_everything(tmp_path):
    folder = make(tmp_path)
    path = folder / "register" / "canary-wishes.csv"
    path.write_text(path.read_text(encoding="utf-8") + "One,A-1-1,,too,many,cells,here\n", encoding="utf-8")
    with pytest.raises(InputError, match="Mend the line: a list of wishes must be whole"):
        load_finder([folder])
    with pytest.raises(InputError, match="Mend the line: a list of wishes must be whole"):
        publish(folder, day="2025-06-01")
    assert not (folder / "maps" / "public").exists()
    assert load_finder([folder], staff=True).find("Listed Canarylisted")
