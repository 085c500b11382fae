"""Publishing as a whole: refused with words, all or nothing, hostile text, the command."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pypdfium2
import pytest
import rasterio
from PIL import Image
from planted_ground import PEOPLE, TOML, make, planted, tables
from public_bytes import found_in
from rasterio.transform import from_bounds

from cemgis.cli import main
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.pipeline import publish, publishing
from cemgis.pipeline.evidence import read_ground

DAY = "2025-06-01"
EXPECTED = {"map.html", "board.pdf", "leaflet.pdf", "data/about.txt", "data/dictionary.csv", "data/ground-public.gpkg",
            "data/graves.csv", "data/graves.geojson", "data/sections.geojson", "data/lots.csv", "data/niches.csv",
            "data/gates.geojson"}  # fmt: skip
HOSTILE = [
    "{{7*7}}", "${7*7}", "{% raw %}", "<script>window.pwned=1</script>", "</script><img src=x onerror=pwned=1>",
    '"><svg onload=pwned=1>', "=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "＝1+1", "\tTab", "a\x01b\x1b[31mc",
    "\u202egnp.exe", "\u2066\u200f", "#{7*7}", '#eval("1")', "$ sqrt(2) $", "@label <tag> *bold* _it_ `raw` // no",
    "\\u0022", "&lt;b&gt;", "x" * 1_000_000, "W" * 400, "大久保 利通", "שלום", "O’Hara–Smith",
    "'; DROP TABLE graves; --", "javascript:alert(1)",
]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make(tmp_path_factory.mktemp("publishing"))


@pytest.fixture
def own(folder, tmp_path):
    """A copy to break."""
    target = tmp_path / "ground"
    shutil.copytree(folder, target)
    shutil.rmtree(target / "maps", ignore_errors=True)
    return target


def contents(folder):
    target = folder / "maps" / "public"
    return {path.relative_to(target).as_posix(): path.read_bytes() for path in target.rglob("*") if path.is_file()}


# ---- refused ---------------------------------------------------------------------------------------------------------


def refused(folder, match, **more):
    before = contents(folder)
    with pytest.raises(InputError, match=f"(?s){match}"):
        publish(folder, **{"day": DAY, **more})
    assert contents(folder) == before
    assert not list((folder / "maps").glob(".public*"))


def test_what_is_not_built_is_not_published(own):
    (own / "ground.gpkg").unlink()
    refused(own, "Build it first")


def test_what_is_older_than_its_evidence_is_not_published(own):
    (own / "register" / "canary-ledger.csv").write_text("kind,name,lot\n", encoding="utf-8")
    refused(own, r"it is older than what it was made from: register/canary-ledger\.csv\. Build it again")


def test_a_new_record_must_be_built_in_first(own):
    (own / "records").mkdir()
    (own / "records" / "edits.jsonl").write_text("", encoding="utf-8")
    refused(own, r"it is older than what it was made from: records/edits\.jsonl")


def test_what_was_changed_by_hand_is_not_published(own):
    with closing(sqlite3.connect(own / "ground.gpkg")) as connection, connection:
        connection.execute("UPDATE people SET born = '1700' WHERE surname = 'Canaryliving'")
    refused(own, "changed by hand")


def test_nothing_is_published_without_terms(own):
    make(own, TOML.replace('licence = "CC BY 4.0"', ""))
    refused(own, "missing: nobody would know what they may do with the data")


def test_a_wish_that_fits_nobody_stops_it(own):
    make(own, TOML.replace("Wished Canarywish", "Wished Canarywich"))
    refused(own, "nobody buried here fits")


def test_only_who_is_public_can_be_pointed_out(own):
    chosen = "".join(
        f'[[public.chosen]]\nname = "{name}"\n{place}\nnote = "built the wall"\n'
        for name, place in (("Living Canaryliving", ""), ("Plain", 'place = "A-9"'), ("Nobody", ""))
    )
    make(own, TOML.replace("[[register]]", chosen + "[[register]]", 1))
    refused(own, "3 problems:(.*0 of those who are public fit){3}")


def test_days_and_papers_that_are_none(own):
    refused(own, "is no day", day="2025-13-01")
    refused(own, "no sheet", board="letter")
    refused(own, "no sheet", leaflet="A0")


def test_a_folder_with_something_else_in_it_is_refused(own):
    target = own / "maps" / "public"
    target.mkdir(parents=True)
    (target / "deeds.xlsx").write_bytes(b"x")
    refused(own, r"it holds what publishing did not write: deeds\.xlsx")
    shutil.rmtree(target)
    target.write_text("no folder", encoding="utf-8")
    with pytest.raises(InputError, match="it is no folder"):
        publish(own, day=DAY)
    assert target.read_text(encoding="utf-8") == "no folder"


def test_a_failure_leaves_what_was_published_before(own, monkeypatch):
    publish(own, day=DAY)
    before = contents(own)
    assert set(before) >= EXPECTED

    def broken(*_, **__):
        raise InputError.of("page", "broken", "Mend it.")

    monkeypatch.setattr(publishing, "leaflet_sheet", broken)
    refused(own, "broken")
    monkeypatch.undo()
    write = Path.write_bytes

    def stuck(self, content):
        if self.name == "board.pdf":
            raise PermissionError(13, "no", str(self))
        return write(self, content)

    monkeypatch.setattr(Path, "write_bytes", stuck)
    refused(own, "not written")
    assert contents(own) == before


# ---- what is made ----------------------------------------------------------------------------------------------------


def test_what_is_gone_is_gone_from_the_folder_too(own):
    publish(own, day=DAY)
    made = tables()
    made["gates"] = made["gates"].iloc[:0]
    make(own, made=made)
    publish(own, day=DAY)
    assert "data/gates.geojson" not in contents(own)
    assert found_in(own / "maps" / "public", "Mill gate") == []


def test_chosen_people_are_on_the_leaflet(own):
    chosen = '[[public.chosen]]\nname = "old publictwo"\nplace = "A-1"\nnote = "built the wall"\n'
    make(own, TOML.replace("[[register]]", chosen + "[[register]]", 1))
    publish(own, day=DAY)
    with closing(pypdfium2.PdfDocument((own / "maps" / "public" / "leaflet.pdf").read_bytes())) as document:
        assert len(document) == 2  # one sheet, both sides
        text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
    for word in ("Publictwo, Old", "built the wall", "People to look for", "PUBLIC, as of 2025-06-01", "CC BY 4.0"):
        assert word in text
    assert "Publicone" not in text


def test_a_long_list_still_leaves_one_sheet_and_the_board_takes_more(own):
    people = [{"person_id": f"p{number}", "given": f"Person{number:04}", "surname": "Longlist", "died": "1901",
               "born": None, "veteran": True, "relation": None, "relative": None}
              for number in range(700)]  # fmt: skip
    events = [{"event_id": f"e{number}", "person_id": f"p{number}", "kind": "interment", "date": "1901",
               "space_id": "A-1-1", "lot_id": "A-1"} for number in range(700)]  # fmt: skip
    make(own, TOML.replace("[[withhold]]\nname = \"Wished Canarywish\"\nreason = \"canary-wish-reason\"", ""),
         {**tables(), "people": planted("people", people), "events": planted("events", events)})  # fmt: skip
    publish(own, day=DAY)
    target = own / "maps" / "public"
    with closing(pypdfium2.PdfDocument((target / "leaflet.pdf").read_bytes())) as document:
        assert len(document) == 2
        text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
        assert re.search(r"and \d+ more", text)
    with closing(pypdfium2.PdfDocument((target / "board.pdf").read_bytes())) as document:
        count = len(document)
        assert count > 2
        text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
    assert len(set(re.findall(r"Person(\d{4})", text))) == 700
    assert f"page 1 of {count}" in text


def test_the_dictionary_names_every_column_and_the_terms_are_there(own):
    publish(own, day=DAY)
    data = own / "maps" / "public" / "data"
    words = pd.read_csv(data / "dictionary.csv", encoding="utf-8-sig", dtype=str)
    told = set(zip(words["layer"], words["column"].fillna(""), strict=True))
    for path in data.glob("*.csv"):
        if path.stem == "dictionary":
            continue
        columns = set(pd.read_csv(path, encoding="utf-8-sig", dtype=str).columns) - {"longitude", "latitude"}
        assert {(path.stem, name) for name in columns} <= told
    for path in data.glob("*.geojson"):
        assert json.loads(path.read_text(encoding="utf-8"))["licence"] == "CC BY 4.0"
    assert "Licence: CC BY 4.0" in (data / "about.txt").read_text(encoding="utf-8")
    with closing(sqlite3.connect(data / "ground-public.gpkg")) as connection:
        assert connection.execute("PRAGMA freelist_count").fetchone() == (0,)
        assert ("Licence", "CC BY 4.0") in connection.execute("SELECT name, said FROM about").fetchall()
        kinds = {row[0]: row[1] for row in connection.execute("SELECT table_name, data_type FROM gpkg_contents")}
    assert kinds["graves"] == "features"
    assert kinds["niches"] == kinds["about"] == "attributes"


# ---- hostile text ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A ground where every published text is hostile."""
    made = tables()
    people = [{"person_id": f"p{number}", "given": text, "surname": text, "middle": text, "maiden": text, "title": text,
               "suffix": text, "born": None, "died": "1901", "veteran": True, "relation": "infant of", "relative": text}
              for number, text in enumerate(HOSTILE)]  # fmt: skip
    events = [{"event_id": f"e{number}", "person_id": f"p{number}", "kind": "interment", "date": "1901",
               "space_id": "A-1-1", "lot_id": "A-1"} for number in range(len(HOSTILE))]  # fmt: skip
    made["people"], made["events"] = planted("people", people), planted("events", events)
    made["sections"]["title"] = pd.array(HOSTILE[3:7], dtype="string")
    made["drives"]["name"], made["drives"]["surface"] = HOSTILE[4], HOSTILE[0]
    made["gates"]["name"] = HOSTILE[3]
    text = TOML.replace('[[withhold]]\nname = "Wished Canarywish"\nreason = "canary-wish-reason"', "")
    text = text.replace('name = "Tansy Hill"', "name = '''<script>window.pwned=1</script>{{7*7}}#eval(1)'''")
    text = text.replace('place = "Ohio"', "place = '''</title><img src=x onerror=pwned=1>'''")
    terms = "licence = '''=1+1 <b>{{7*7}}</b>'''\ncontact = '''<a href=javascript:1>'''"
    text = text.replace('licence = "CC BY 4.0"', terms)
    folder = make(tmp_path_factory.mktemp("hostile"), text, made)
    publish(folder, day=DAY)
    return folder / "maps" / "public"


def test_hostile_text_is_text_in_the_data(hostile):
    for path in (hostile / "data").glob("*.csv"):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
            for cell in row:
                assert not cell.startswith(("=", "+", "@", "\t", "\r", "＝")), (path.name, cell)
                assert not re.match(r"-(?!\d+\.\d+$)", cell), (path.name, cell)
                assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]", cell), (path.name, cell)
                assert len(cell) < 2_000
    names = [feature["properties"]["surname"] for feature in
             json.loads((hostile / "data" / "graves.geojson").read_text(encoding="utf-8"))["features"]]  # fmt: skip
    assert {"{{7*7}}", "${7*7}", "<script>window.pwned=1</script>", "大久保 利通", "שלום"} <= set(names)
    assert len(names) == len(HOSTILE)
    with closing(sqlite3.connect(hostile / "data" / "ground-public.gpkg")) as connection:
        assert connection.execute("SELECT count(*) FROM graves").fetchone() == (len(HOSTILE),)


def test_hostile_text_is_text_on_paper(hostile):
    for name in ("board.pdf", "leaflet.pdf"):
        raw = (hostile / name).read_bytes()
        reader = pypdf.PdfReader(io.BytesIO(raw))
        objects = "".join(str(page) for page in reader.pages) + str(reader.trailer["/Root"])
        for action in ("/JavaScript", "/JS", "/Launch", "/URI", "/OpenAction", "/EmbeddedFile"):
            assert action not in objects
            assert action.encode() not in raw
        with closing(pypdfium2.PdfDocument(raw)) as document:
            text = "\n".join(page.get_textpage().get_text_bounded() for page in document)
        assert "{{7*7}}" in re.sub(r"\s", "", text)
        assert "#eval(1)" in re.sub(r"\s", "", text)
        assert "49" not in re.sub(r"[\d.]*49\d|\d49", "", text) or "{{7*7}}" in text
    assert len(reader.pages) == 2


def test_hostile_text_is_text_on_the_page(hostile):
    page = (hostile / "map.html").read_text(encoding="utf-8")
    assert "window.pwned" not in page
    assert "onerror=pwned" not in page
    assert "onload=pwned" not in page
    assert "{{" not in page
    assert len(page) < 5_000_000  # the name of a million letters is not in it


@pytest.mark.browser
def test_hostile_text_does_nothing_in_a_browser(hostile):
    play = pytest.importorskip("playwright.sync_api")
    chromium = Path("/usr/bin/chromium")
    if not chromium.exists():
        pytest.skip("needs chromium")
    with play.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=str(chromium), args=["--no-sandbox"])
        page = browser.new_page()
        wrong: list[str] = []
        page.on("dialog", lambda dialog: (wrong.append(dialog.message), dialog.dismiss()))
        page.on(
            "request",
            lambda request: None if request.url.startswith(("file:", "data:", "blob:")) else wrong.append(request.url),
        )
        page.goto((hostile / "map.html").as_uri())
        page.wait_for_timeout(1500)
        assert page.evaluate("typeof window.pwned") == "undefined"
        assert page.evaluate("document.querySelectorAll('img[src=x]').length") == 0
        assert wrong == []
        browser.close()


# ---- the command -----------------------------------------------------------------------------------------------------


def test_the_command_says_what_it_made_and_what_it_withheld(own, capsys):
    assert main(["publish", str(own), "--as-of", DAY]) == 0
    said = capsys.readouterr().out
    for word in ("Published as of 2025-06-01: 5 people", "may be living", "for staff", "map.html", "withheld.txt"):
        assert word in said
    assert "Canaryliving" not in said
    (own / "ground.gpkg").unlink()
    assert main(["publish", str(own)]) == 2
    assert "Build it first" in capsys.readouterr().err


def test_public_and_staff_cannot_be_mistaken(own, capsys):
    assert main(["publish", str(own), "--as-of", DAY, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["people"] == sum(key in ("plain", "old", "general", "niche", "baby") for key in PEOPLE)
    assert sum(row["rows"] for row in told["withheld"] if row["what"] == "people") == len(PEOPLE) - 5
    page = (own / "maps" / "public" / "map.html").read_text(encoding="utf-8")
    assert "Public map" in page
    assert "not for publication" not in page.lower()
    assert "Status: PUBLIC" in (own / "maps" / "public" / "data" / "about.txt").read_text(encoding="utf-8")
    assert (own / "maps" / "staff" / "withheld.txt").read_text(encoding="utf-8").startswith("STAFF")
    assert not any("staff" in name for name in contents(own))


# ---- a picture under the page's map ----------------------------------------------------------------------------------


def photograph(folder, path, **tags):
    """A GeoTIFF over all that is there, with remarks in it as a camera or an office writes them."""
    ground = read_ground(folder)
    west, south, east, north = geopackage.read_ground(folder / "ground.gpkg")["spaces"].total_bounds
    shape = (60, 80)
    pixels = np.full((3, *shape), 120, dtype=np.uint8)
    pixels[0, :30] = 200
    with rasterio.open(
        path, "w", driver="GTiff", count=3, dtype="uint8", height=shape[0], width=shape[1], crs=ground.crs.crs,
        transform=from_bounds(west - 20, south - 20, east + 20, north + 20, shape[1], shape[0]),
    ) as target:  # fmt: skip
        target.write(pixels)
        target.update_tags(**tags)
    return path


def test_a_picture_is_laid_under_the_map_and_says_whose_it_is(own, tmp_path):
    path = photograph(own, tmp_path / "Canaryfile.tif", TIFFTAG_ARTIST="Canaryartist", NOTE="Canarynote")
    before = publish(own, day=DAY)
    plain = (own / "maps" / "public" / "map.html").read_bytes()
    publish(own, day=DAY, underlay=path, attribution="Photograph: Tansy Fork, <b>CC BY</b> {{7*7}}")
    page = own / "maps" / "public" / "map.html"
    pictures = re.findall(rb"UklGR[A-Za-z0-9+/]{20,}={0,2}", page.read_bytes())
    assert len(pictures) == 1
    assert not re.search(rb"UklGR[A-Za-z0-9+/]{20,}", plain)
    shown = Image.open(io.BytesIO(base64.b64decode(pictures[0]))).convert("RGB")
    middle = shown.width // 2
    assert shown.getpixel((middle, 5))[0] > 170 > 140 > shown.getpixel((middle, shown.height - 5))[0]
    assert b"Tansy Fork, <b>" not in page.read_bytes()  # text, not markup
    for word in ("Canaryfile", "Canaryartist", "Canarynote"):
        assert not found_in(own / "maps" / "public", word)
    assert before.people == publish(own, day=DAY).people


def test_a_picture_needs_to_say_whose_it_is(own, tmp_path):
    path = photograph(own, tmp_path / "photo.tif")
    refused(own, "nothing says whose picture it is", underlay=path)
    refused(own, "there is no picture", attribution="Tansy Fork")
    refused(own, "no such file", underlay=tmp_path / "none.tif", attribution="Tansy Fork")
