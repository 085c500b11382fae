import importlib.util
import random
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import drawn_ground
import numpy as np
import pandas as pd
import public_ground
import pytest
import shapely
from public_ground import Visit
from rapidfuzz.distance import OSA

from cemgis import names, web
from cemgis.find import Finder, public_entries

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def ground():
    return public_ground.ground()


@pytest.fixture(scope="module")
def text(ground):
    return web.public_page(ground, licence="CC BY 4.0", contact="The office\n12 Mill Lane")


# ---- in a browser --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def file(text, tmp_path_factory):
    path = tmp_path_factory.mktemp("public") / "public.html"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def shared(browser, file):
    made = Visit(browser, file)
    yield made
    made.context.close()


@pytest.fixture
def visit(shared):
    shared.page.evaluate("location.hash = ''")
    shared.page.fill("#find-box", "")
    return shared


@pytest.mark.browser
def test_it_opens_without_a_network(shared, file):
    assert shared.said == []
    assert shared.requests == [file.as_uri()]
    assert shared.page.title() == "Millrace Hill Burying Ground – who lies where"
    assert shared.page.locator("#count").inner_text().startswith("300 graves are in this map")


@pytest.mark.browser
def test_search_forgives_spelling(visit):
    assert all("Müller" in name for name in visit.ask("Mueller")[:5])
    assert all("Müller" in name for name in visit.ask("muller")[:5])
    assert "van Deusen" in visit.ask("VanDeusen")[0]
    assert "van Deusen" in visit.ask("deusen")[0]
    assert "O’Brien" in visit.ask("obrien")[0] or "O'Brien" in visit.ask("obrien")[0]
    assert "Brien" in visit.ask("o brien")[0]
    assert "Súilleabháin" in visit.ask("o suilleabhain")[0]
    assert "Łukaszewicz" in visit.ask("lukaszewicz")[0]
    assert "Smythe" in visit.ask("smith")[0]
    assert "Hollowell" in visit.ask("holowel")[0]  # two letters off
    assert "Quillfeather" in visit.ask("Quilfether")[0]
    assert visit.ask("orpha hollowell")[0] == "Orpha Hollowell"
    assert visit.ask("quillf")[0].endswith("Quillfeather")
    assert "Ashcraft" in visit.ask("ashkraft")[0]  # the maiden name
    assert visit.ask("zzzzzz") == []
    assert "Nothing found" in visit.page.locator("#count").inner_text()
    assert "Nothing found" in visit.page.locator("#said").inner_text()


@pytest.mark.browser
def test_folding_agrees_with_the_register(visit):
    some = ["Jürgen Müller-Böhm", "Ó Súilleabháin", "O\u2019Brien", "Łukasz", "Чехов", "van Deusen", "de la Cruz",
            "Ærø Åkesson", "Straße", "Σωκράτης", "山田 太郎", "D'Angelo", "McAdam", "St. John"]  # fmt: skip
    letters = names.letter_tables()
    for name in some:
        got = visit.page.evaluate("([letters, name]) => { const f = cemgisSearch.folder(letters); "
                                  "return [f.fold(name), f.words(name)]; }", [letters, name])  # fmt: skip
        assert got[0] == names.folded(name)
        assert set(names.words(name)) <= set(got[1])
    for word in ("ashcraft", "tymczak", "pfister", "honeyman", "vandeusen", "lee", "gutierrez", "jackson"):
        number = visit.page.evaluate("(word) => cemgisSearch.soundex(word)", word)
        code = names.soundex_codes(word)[0]
        assert number == (ord(code[0]) - 64) * 1000 + int(code[1:])


@pytest.mark.browser
def test_the_page_and_the_register_find_the_same(browser, ground, tmp_path):
    """The same graves with the same scores, for names as written, misspelt, cut short, with right and wrong years."""
    spec = importlib.util.spec_from_file_location("bench_find", ROOT / "scripts" / "bench_find.py")
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    rng = np.random.default_rng(4)
    made = bench.register(1_200, 4)
    graves = pd.concat([ground.graves] * 5, ignore_index=True).head(1_200)
    graves["grave"] = np.arange(1, len(graves) + 1)
    rows = graves.index[20:]
    for name in ("given", "surname", "name", "born", "died"):
        graves.loc[rows, name] = made.loc[rows, name].to_numpy()
    odd = ("Müller-Böhm", "VanDeusen", "D'Angelo", "de la Cruz", "Чехов", "山田", "Straße", "O’Dunn")
    graves.loc[rows[: len(odd)], "surname"] = odd
    graves.loc[rows[:8], "name"] = graves["given"] + " " + graves["surname"]
    graves.loc[rows[8:12], "title"], graves.loc[rows[8:12], "suffix"] = "Mrs.", "Jr."
    graves.loc[rows[12], "name"] = "Child of Orphan Wexcombe"
    finder = Finder(public_entries("Hill", graves))
    path = tmp_path / "page.html"
    path.write_text(web.public_page(replace(ground, graves=graves), licence="CC BY 4.0"), encoding="utf-8")
    asked = ["mueller", "bohm", "van deusen", "deusen", "angelo", "cruz", "delacruz", "chekhov", "山田", "strasse",
             "o dunn", "mrs", "jr", "wexcombe", "child", "m", "zz", "quillfeather orpha 1899", "1850-1860",
             "ashkraft"]  # fmt: skip
    for row in rng.choice(rows[20:], 120, replace=False):
        given, surname, died = graves.loc[row, ["given", "surname", "died"]]
        kind = str(rng.choice(bench.KINDS))
        wrong = bench.misspelt(rng, surname, kind)
        asked += [f"{given} {surname}", f"{given} {wrong}", f"{wrong} {int(died) + int(rng.integers(-20, 20))}",
                  f"{bench.misspelt(rng, given, kind)} {wrong}", f"{surname} qqqq", surname[: int(rng.integers(1, 5))],
                  f"{given} {surname} 1700"]  # fmt: skip
    visit = Visit(browser, path)
    got = visit.page.evaluate(
        "(asked) => { const P = cemgisPublic; return asked.map((text) => P.ask(text, {limit: 5000}).hits.map("
        "({g, score}) => [P.nameOf(g), score])); }", asked)  # fmt: skip
    visit.context.close()
    # The page puts names together from their parts: this one is two.
    own, empty = {"Child of Orphan Wexcombe", f"{graves['given'][rows[12]]} {graves['surname'][rows[12]]}"}, 0
    for text, hits in zip(asked, got, strict=True):
        ours = sorted(round(hit.score, 2) for hit in finder.find(text, limit=5000))
        theirs = sorted(round(score, 2) for _, score in hits)
        assert len(ours) == len(theirs), (text, ours, theirs)
        assert np.allclose(ours, theirs, atol=0.011), text
        bare = re.compile(r"^Mrs\. | Jr\.$| \(born .*")
        named = [{bare.sub("", name) for name in told} for told in
                 ((name for name, _ in hits), (hit.name for hit in finder.find(text, limit=5000)))]  # fmt: skip
        assert named[0] - own == named[1] - own, text
        empty += not ours
    assert empty < 10


@pytest.mark.browser
def test_letters_off_are_counted_as_another_library_counts_them(visit):
    rng = random.Random(3)
    made = ["".join(rng.choice("abcd") for _ in range(rng.randint(1, 9))) for _ in range(801)]
    asked = [(one, other, rng.randint(0, 3)) for one, other in pairwise(made)]
    got = visit.page.evaluate("(asked) => asked.map(([a, b, most]) => cemgisSearch.edits(a, b, most))", asked)
    for (one, other, most), count in zip(asked, got, strict=True):
        assert min(count, most + 1) == min(OSA.distance(one, other), most + 1), (one, other, most)


@pytest.mark.browser
def test_years_narrow_the_search(visit, ground):
    row = ground.graves.iloc[20]
    year = int(row["died"][:4])
    asked = f"{row['given']} {row['surname']}"
    alone = visit.page.evaluate("(t) => cemgisPublic.ask(t, {limit: 500}).total", asked)
    near = visit.page.evaluate("(t) => cemgisPublic.ask(t, {limit: 500}).total", f"{asked} {year + 2}")
    assert near > 0
    assert alone > 0
    told = visit.page.evaluate("(t) => cemgisPublic.ask(t, {limit: 500}).hits.map((hit) => hit.score)", f"{asked} 1600")
    assert 0 < max(told) < 0.6  # another year puts them further down and does not rule them out
    scores = visit.page.evaluate(
        "(t) => cemgisPublic.ask(t, {limit: 500}).hits.map((hit) => hit.score)", f"{asked} {year}"
    )
    assert scores[0] > 0.97
    assert visit.page.evaluate("cemgisPublic.ask('1600-1610').total") == 0
    visit.ask(f"{asked} 1600")
    assert "another year" in visit.page.locator("#results").inner_text()
    visit.ask(f"{asked} {year}")
    assert "another year" not in visit.page.locator("#results li >> nth=0").inner_text()
    assert visit.ask("1850-1860")


@pytest.mark.browser
def test_a_person_opens_with_place_heads_way_and_family(visit, ground):
    row = ground.graves.iloc[24]
    told = visit.open(f"{row['given']} {row['surname']} {row['died'][:4]}")
    assert row["surname"] in told
    section, lot, space = row["space_id"].split("-")
    title = dict(zip(ground.sections["section"], ground.sections["title"], strict=True))[section]
    assert f"Section {section} ({title}), row " in told
    assert f"lot {lot}, space {space}" in told
    assert "The heads lie to the west" in told
    assert "From Mill gate, go north on Mill drive: " in told
    assert re.search(r"Leave the drive .* and walk \w+ over the grass: \d+ ft \(\d+ steps\)", told)
    assert re.search(r"About [\d,]+ ft from the gate in all, \d+ minutes? on foot", told)
    assert "In the section: From its " in told
    assert "Around it, in the same lot" in told or "Next to it, in the same row" in told
    assert "same surname" in told
    assert visit.page.evaluate("document.activeElement.tagName") == "H2"


@pytest.mark.browser
def test_the_way_is_as_long_as_it_is_on_the_ground(visit, ground):
    # From the gate at (20, 20) north along x = 20, then straight across the grass: the drawn ground's own numbers.
    space = ground.spaces.set_index("space_id").loc["A-8-2"]
    x, y = shapely.get_coordinates(shapely.centroid(space.geometry))[0] - drawn_ground.ORIGIN
    way = visit.page.evaluate(
        "(id) => { const w = cemgisPublic.wayTo(cemgisPublic.findPlace(id)); return w; }", "A-8-2"
    )
    per_unit = visit.page.evaluate("cemgisPublic.header.grid.per_unit")
    assert way["total"] / per_unit == pytest.approx((y - 20) + (x - 20), abs=2.0)
    assert way["fromGate"]
    assert len(way["steps"]) == 2
    assert "on your right and walk east" in way["steps"][1]


@pytest.mark.browser
def test_dates_names_and_places_of_every_kind_are_said(visit, ground):
    table = ground.graves
    assert "27 February 1902" in visit.open("1902 " + table["surname"].iloc[1] + " " + table["given"].iloc[1])
    said = visit.page.evaluate(
        "(() => { const p = cemgisPublic; "
        "return [...Array(p.P.n).keys()].map((g) => p.nameOf(g) + '|' + p.placeWords(p.P.at[g])); })()"
    )
    assert any(item.startswith("Infant, unnamed|") for item in said)
    assert any(item.endswith("|No place is given.") for item in said)
    assert any(
        item.endswith("|Section N, building N, east face, row 2 from the bottom, column 3 from the left")
        for item in said
    )
    told = visit.open("Ashcraft")
    assert "1880s" in told
    assert "Mrs." in told
    dates = visit.page.evaluate(
        "(() => { const P = cemgisPublic.P; return [...Array(P.n).keys()].map((g) => "
        "[P.born[0][g], ...P.dates(g, 'died'), ...P.dates(g, 'buried')]); })()"
    )
    # Buried three days after a death on 27 February 1902: 2 March, over the month's end.
    assert [1902, 32 * 3 + 2] in [item[3:] for item in dates if item[1:3] == [1902, 32 * 2 + 27]]


@pytest.mark.browser
def test_a_link_opens_a_person_or_a_space_and_says_when_it_is_gone(browser, file, visit, ground):
    row = ground.graves.iloc[30]
    visit.open(f"{row['given']} {row['surname']} {row['died'][:4]}")
    anchor = visit.page.evaluate("location.hash")
    assert anchor.startswith(f"#{row['space_id']}/")
    other = Visit(browser, file, anchor=anchor)
    assert other.page.locator("#body-place h2").inner_text() == f"{row['given']} {row['surname']}"
    other.page.evaluate(f"location.hash = '{row['space_id']}'")
    other.page.wait_for_timeout(100)
    assert other.page.locator("#body-place h2").inner_text().endswith(f"space {row['space_id'].split('-')[2]}")
    other.page.evaluate("location.hash = 'B-1-1/perlina-holowell-1901'")
    other.page.wait_for_timeout(100)
    assert "not in this edition" in other.page.locator("#count").inner_text()
    assert "Hollowell" in other.page.locator("#results .name").first.inner_text()
    # A name nobody bears: the place it names is shown all the same.
    other.page.evaluate("location.hash = 'B-1-1/qqqxq-zzxz-1901'")
    other.page.wait_for_timeout(100)
    assert other.page.locator("#body-place h2").inner_text().endswith("lot 1, space 1")
    assert "“qqqxq zzxz 1901”, who is not at this place" in other.page.locator("#nobody-so").inner_text()
    other.page.evaluate("location.hash = 'Q-99/qqqxq-zzxz-1901'")
    other.page.wait_for_timeout(100)
    assert "come nearest" not in other.page.locator("#count").inner_text()
    other.page.evaluate("location.hash = '%E0%A4%A'")  # no UTF-8
    other.page.wait_for_timeout(100)
    assert other.said == []
    other.context.close()


@pytest.mark.browser
def test_places_are_found_however_written(visit):
    for words in ("B-16-2", "b 16 2", "section B lot 016 space 2", "B16-2"):
        assert visit.ask(words)[0] == "Section B (Schoolhouse side), row 1, lot 16, space 2"
    assert visit.ask("B16")[0].endswith("lot 16")


@pytest.mark.browser
def test_the_keyboard_is_enough(browser, file):
    visit = Visit(browser, file)
    page_ = visit.page

    def active(what="id"):
        return page_.evaluate(f"document.activeElement.{what}")

    page_.keyboard.press("Tab")
    assert active("className") == "skip"
    assert page_.locator(".skip").first.bounding_box()["x"] >= 0
    page_.keyboard.press("Enter")
    assert active() == "find-box"
    page_.keyboard.type("hollowell")
    page_.wait_for_timeout(80)
    page_.keyboard.press("ArrowDown")
    page_.keyboard.press("ArrowDown")
    assert active("getAttribute('href')") == page_.locator("#results a").nth(1).get_attribute("href")
    assert page_.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page_.keyboard.press("ArrowUp")
    page_.keyboard.press("Enter")
    page_.wait_for_timeout(80)
    assert page_.locator("#body-place").is_visible()
    assert page_.locator("#said").inner_text().endswith(page_.locator(".place").inner_text())
    page_.keyboard.press("Escape")
    assert active() == "find-box"
    page_.keyboard.press("Escape")
    assert page_.input_value("#find-box") == ""
    page_.locator("#map_ground").focus()
    assert page_.locator("#cross").is_visible()
    page_.keyboard.press("+")
    page_.keyboard.press("Enter")
    page_.wait_for_timeout(80)
    assert page_.locator("#body-place").is_visible()
    # Beyond the ground there is nothing under the cross, which is said.
    page_.keyboard.press("Escape")
    page_.locator("#whole").click()
    away = "map_ground.setView(map_ground.options.maxBounds.getNorthWest(), 20, {animate: false}); 0"
    page_.wait_for_timeout(200)
    page_.evaluate(away)
    page_.wait_for_timeout(200)
    page_.locator("#map_ground").focus()
    page_.keyboard.press("Enter")
    page_.wait_for_timeout(80)
    assert "under the cross" in page_.locator("#said").inner_text()
    visit.context.close()


@pytest.mark.browser
def test_a_tap_opens_the_place_below_it(visit):
    visit.page.evaluate("location.hash = 'B-16-2'")
    visit.page.locator("#body-place", has_text="lot 16, space 2").wait_for()
    visit.settled()
    visit.page.evaluate("location.hash = '/about'")
    visit.page.wait_for_timeout(400)
    visit.settled()
    box = visit.page.locator("#map_ground").bounding_box()
    visit.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    visit.page.wait_for_timeout(400)
    assert visit.page.evaluate("location.hash") == "#B-16-2"


@pytest.mark.browser
def test_a_link_followed_while_typing_is_not_undone(visit):
    visit.page.evaluate(
        "() => { const field = document.querySelector('#find-box'); field.value = 'zzyzx';"
        " field.dispatchEvent(new Event('input')); location.hash = 'B-16-2'; }"
    )
    visit.page.wait_for_timeout(400)
    assert "lot 16, space 2" in visit.page.locator("#body-place").inner_text()
    assert visit.page.evaluate("location.hash") == "#B-16-2"
    visit.page.click("#go-home")  # on the way back it is asked
    visit.page.wait_for_timeout(400)
    assert visit.page.locator("#body-home").is_visible()
    assert visit.page.locator("#count").inner_text().startswith("Nothing found.")


@pytest.mark.browser
def test_lists_are_sorted_chosen_and_printed(browser, file, ground):
    visit = Visit(browser, file, anchor="#/list")
    page_ = visit.page
    names_ = page_.locator("#list tbody a").all_inner_texts()
    folded = [names.folded(name.split(",")[0]) for name in names_[:150] if "," in name]
    assert folded == sorted(folded)
    page_.check("#list-veterans")
    assert f"{int(ground.graves['veteran'].sum())} graves" in page_.locator("#list-count").inner_text()
    assert all("(veteran)" in row for row in page_.locator("#list tbody td:first-child").all_inner_texts())
    page_.select_option("#list-section", label="Section B (Schoolhouse side)")
    want = ground.graves[(ground.graves["section"] == "B") & ground.graves["veteran"]]
    assert page_.locator("#list tbody tr").count() == len(want)
    page_.uncheck("#list-veterans")
    page_.select_option("#list-section", "-1")
    page_.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page_.locator("#list tbody tr").count() == len(ground.graves)  # paper has no "show more"
    visit.context.close()


@pytest.mark.browser
def test_a_person_and_a_slip_print(browser, file, ground):
    pdfium = pytest.importorskip("pypdfium2")
    row = ground.graves.iloc[30]
    visit = Visit(browser, file)
    visit.open(f"{row['given']} {row['surname']} {row['died'][:4]}")
    said = pdfium.PdfDocument(visit.page.pdf())[0].get_textpage().get_text_bounded()
    assert row["surname"] in said
    assert "Leave the drive" in said
    assert "Whole map" not in said
    visit.page.click("text=Something is wrong here")
    said = pdfium.PdfDocument(visit.page.pdf())[0].get_textpage().get_text_bounded()
    for words in ("Slip for a correction", "The office", "12 Mill Lane", "What is right", row["space_id"]):
        assert words in said
    visit.context.close()


@pytest.mark.browser
@pytest.mark.parametrize(("width", "height"), [(1280, 800), (640, 400), (390, 844), (360, 640)])
def test_it_fits_its_screen_and_every_target_is_large_enough(browser, file, width, height):
    visit = Visit(browser, file, width, height)
    page_ = visit.page
    for view in ("home", "place", "list", "about", "slip"):
        if view == "place":
            visit.open("hollowell")
        elif view == "slip":
            visit.open("hollowell")
            page_.click("text=Something is wrong here")
        else:
            page_.evaluate(f"location.hash = '{'' if view == 'home' else '/' + view}'")
        page_.wait_for_timeout(60)
        assert page_.locator(f"#body-{view}").is_visible()
        assert page_.evaluate("document.documentElement.scrollWidth") <= width
        assert page_.evaluate("bodies.scrollWidth - bodies.clientWidth") <= 0
        small = page_.evaluate(
            "[...document.querySelectorAll('button, summary, select, input[type=search], nav a, #results a, "
            ".leaflet-bar a')]"
            ".filter((e) => e.offsetParent && getComputedStyle(e).visibility === 'visible')"
            ".map((e) => [e.id || e.className || e.textContent, e.getBoundingClientRect()])"
            ".filter(([, r]) => r.height < 44 || r.width < 44).map(([name]) => name)"
        )
        assert small == []
    visit.open("hollowell")
    assert page_.locator("#map_ground").bounding_box()["height"] > height * 0.3
    assert visit.said == []
    visit.context.close()


# Contrast of every text that is shown: what a list scrolls away axe leaves open. WCAG 2.2, relative luminance.
CONTRAST = """() => {
  const light = (c) => c.slice(0, 3).map((v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const numbers = (text) => { const c = text.match(/[\\d.]+/g).map(Number); return c.length < 4 ? [...c, 1] : c; };
  const out = [];
  for (const e of document.querySelectorAll("body *")) {
    const style = getComputedStyle(e);
    if (!e.offsetParent || style.visibility !== "visible") continue;
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    let under = [255, 255, 255];
    for (let p = e; p; p = p.parentElement) {
      const c = numbers(getComputedStyle(p).backgroundColor);
      if (c[3] > 0.5) { under = c; break; }
    }
    const [a, b] = [light(numbers(style.color)), light(under)];
    out.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), e.tagName, e.className, e.id]);
  }
  return out.sort((p, q) => p[0] - q[0]);
}"""


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_nothing(browser, file, width):
    source = pytest.importorskip("axe_playwright_python.base").AXE_FILE_PATH.read_text(encoding="utf-8")
    visit = Visit(browser, file, width, 800)
    visit.page.evaluate(source)
    for view in ("home", "found", "place", "list", "about", "slip"):
        if view == "found":
            visit.ask("holowel")
        elif view == "place":
            visit.page.click("#results a >> nth=0")
        elif view == "slip":
            visit.open("hollowell")
            visit.page.click("text=Something is wrong here")
        elif view != "home":
            visit.page.evaluate(f"location.hash = '/{view}'")
        visit.page.wait_for_timeout(80)
        found = visit.page.evaluate("axe.run(document, {iframes: false})")
        assert [(item["id"], [node["target"] for node in item["nodes"]][:3]) for item in found["violations"]] == [], (
            view
        )
        assert not [item["id"] for item in found["incomplete"] if item["id"] != "color-contrast"], view
        contrast = visit.page.evaluate(CONTRAST)
        assert len(contrast) > 5
        assert contrast[0][0] >= 4.5, (view, contrast[0])  # WCAG 1.4.3, AA
    visit.context.close()
