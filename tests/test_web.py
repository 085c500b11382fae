import base64
import hashlib
import html
import io
import re

import browsing
import drawn_ground
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from browsing import FETCHES, MARKUP, block_of
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from cemgis import drawing, schema, web
from cemgis.errors import CemgisError, InputError
from cemgis.layers import LAYERS
from cemgis.reference import ground_crs
from cemgis.web import packing, page

HOSTILE = (
    "{{7*7}}", "{% for x in ().__class__.__base__.__subclasses__() %}{{x}}{% endfor %}",
    "</script><script>window.pwned=1</script>",
    "${window.pwned=2}", "`;window.pwned=3;//", "<img src=x onerror=window.pwned=4>", '"><svg onload=window.pwned=5>',
    "<!--<script>", "javascript:window.pwned=6", "\u202egnirts", "a\x00b\nc", "=cmd|' /C calc'!A0",
    "\U0001f480 \u00e9",
)  # fmt: skip


@pytest.fixture(scope="module")
def tables():
    return drawn_ground.tables()


@pytest.fixture(scope="module")
def facts():
    return drawn_ground.facts()


@pytest.fixture(scope="module")
def text(tables, facts):
    return web.staff_page(tables, facts)


def hostile_tables():
    """A ground whose every text column is filled with hostile strings."""
    out = {}
    for name, table in drawn_ground.tables().items():
        table = table.head(60).copy()
        layer = LAYERS[name]
        for number, column in enumerate(layer.columns):
            if column.type == "text" and not column.choices and column.name not in ("space_id", "lot_id", layer.key):
                values = [HOSTILE[(number + row) % len(HOSTILE)] for row in range(len(table))]
                table[column.name] = pd.array(values, dtype="string")
            elif column.name == layer.key and name != "spaces":
                table[column.name] = pd.array(
                    [f"{HOSTILE[row % len(HOSTILE)]}{row}" for row in range(len(table))], dtype="string"
                )
        out[name] = table
    return out


# ---- packing -------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(-(2**31) + 2, 2**31 - 2), max_size=50))
def test_whole_numbers_come_back(numbers):
    packer = packing.Packer(ground_crs("EPSG:6549"), np.zeros(2))
    header, read = packing.unpack(packer.block({"a": packer.integers(np.array([1])), "b": packer.integers(numbers)}))
    assert read(header["b"]).tolist() == numbers
    assert read(header["a"]).tolist() == [1]


def test_a_number_that_does_not_fit_is_refused():
    packer = packing.Packer(ground_crs("EPSG:6549"), np.zeros(2))
    with pytest.raises(OverflowError, match="does not fit into 32 bits"):
        packer.integers([2**31])


def test_mercator_agrees_with_proj():
    lonlat = np.random.default_rng(0).uniform([-180, -80], [180, 80], (50, 2))
    transformer = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    x, y = transformer.transform(*lonlat.T)
    half = np.pi * 6378137.0
    expected = np.column_stack([(x + half), (half - y)]) / (2 * half) * packing.WORLD
    np.testing.assert_allclose(packing.mercator(lonlat), expected, rtol=0, atol=1e-3)


def test_places_come_back_to_the_grid_within_a_hundredth_of_a_foot(tables, text):
    header, read = packing.unpack(block_of(text))
    told = next(layer for layer in header["layers"] if layer["name"] == "spaces")
    x, y = (read(told["places"][axis]) + header["origin"][number] for number, axis in enumerate("xy"))
    half = np.pi * 6378137.0
    to_lonlat = pyproj.Transformer.from_crs("EPSG:3857", "EPSG:4326", always_xy=True)
    lon, lat = to_lonlat.transform(x / packing.WORLD * 2 * half - half, half - y / packing.WORLD * 2 * half)
    to_grid = pyproj.Transformer.from_crs(pyproj.CRS("EPSG:6549").geodetic_crs, "EPSG:6549", always_xy=True)
    back = np.column_stack(to_grid.transform(lon, lat))
    assert read(told["places"]["rings"]).tolist() == [1] * len(tables["spaces"])
    counts = read(told["places"]["points"])
    assert set(counts.tolist()) == {4}
    shapes = shapely.orient_polygons(tables["spaces"].geometry.to_numpy())
    expected = shapely.get_coordinates(shapes).reshape(-1, 5, 2)[:, :4].reshape(-1, 2)
    np.testing.assert_allclose(back, expected, rtol=0, atol=0.012)  # half of 3.6 mm either way
    # The page's own way back to eastings and northings.
    grid = header["grid"]
    terms = packing._terms(np.column_stack([read(told["places"]["x"]), read(told["places"]["y"])]) / grid["span"])
    np.testing.assert_allclose(terms @ np.array([grid["east"], grid["north"]]).T, expected, rtol=0, atol=0.012)
    assert grid["miss"] < 1e-3


def test_holes_parts_and_missing_places_are_packed():
    crs = ground_crs("EPSG:6549")
    at = drawn_ground.ORIGIN
    ring = shapely.box(*at, *(at + 30)).difference(shapely.box(*(at + 10), *(at + 20)))
    two = shapely.MultiPolygon([shapely.box(*at, *(at + 5)), shapely.box(*(at + 50), *(at + 60))])
    shapes = [ring, None, two, shapely.Point(at), shapely.Polygon(), shapely.LineString([at, at + 1, at + 2])]
    packer = packing.Packer(crs, np.zeros(2) + packing.WORLD / 2)
    spec = packer.places(shapes)
    header, read = packing.unpack(packer.block(spec))
    assert read(header["rings"]).tolist() == [2, 0, 2, 1, 0, 1]
    assert read(header["points"]).tolist() == [4, 4, 4, 4, 1, 3]
    assert len(read(header["x"])) == 20


def test_missing_zero_and_large_numbers_stay_apart(facts):
    vaults = pd.DataFrame(
        {"vault_id": ["a", "b", "c"], "top_depth": [np.nan, 0.0, -3.25], "sigma": [1e15, 0.0, np.nan]}
    )
    layer = LAYERS["vaults"]
    table = schema.restore(vaults, layer, drawn_ground.CRS)
    packer = packing.Packer(facts.crs, np.zeros(2))
    told = {name: packer.column(table[name], layer.column(name), "ft") for name in ("top_depth", "sigma")}
    header, read = packing.unpack(packer.block(told))

    def values(spec):
        codes = read(spec["at"])
        return [None if code == 0 else spec["base"] + (code - 1) / spec["step"] for code in codes]

    assert values(header["top_depth"]) == [None, 0.0, -3.25]
    large, zero, missing = values(header["sigma"])
    assert large == pytest.approx(1e15, rel=1e-6)
    assert (zero, missing) == (0.0, None)
    assert header["top_depth"]["unit"] == "ft"


# ---- the page as text ----------------------------------------------------------------------------------------------


def test_the_page_is_the_same_every_time(tables, facts, text):
    assert web.staff_page(tables, facts) == text


def test_nothing_is_fetched_from_anywhere(text):
    # What is left stands in Leaflet's own text: a name space, its home in its notice and its credit line (which is
    # switched off), and two comments on bugs of browsers.
    outside = set(re.findall(r"https?://[^\s\"'<>)\\]+", text))
    assert outside == {
        "http://www.w3.org/2000/svg",
        "https://leafletjs.com",
        "https://bugs.chromium.org/p/chromium/issues/detail?id=600120",
        "https://bugzilla.mozilla.org/show_bug.cgi?id=888319",
    }
    body = text.replace(block_of(text), "")
    assert not re.search(r"<(?:img|link|iframe|object|embed|base|source|video|audio)\b", body.split("<script")[0])
    assert not re.search(r"<script[^>]*\bsrc=", body)
    assert "sourceMappingURL" not in body
    assert not re.search(r"url\(", "".join(re.findall(r"<style>(.*?)</style>", body, re.DOTALL)))
    for name in ("map.js", "page.js", "staff.js", "page.css"):
        own = page.own(name)
        assert not FETCHES.search(own)
        assert not MARKUP.search(own)


def test_the_policy_lets_only_known_scripts_and_styles_run(text):
    told = html.unescape(re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text).group(1))
    rules = dict(part.strip().split(" ", 1) for part in told.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for tag, rule in (("script", "script-src"), ("style", "style-src")):
        inline = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        hashes = {
            "'sha256-" + base64.b64encode(hashlib.sha256(item.encode()).digest()).decode() + "'" for item in inline
        }
        assert set(rules[rule].split()) == hashes
    # The scripts known are Leaflet, folium's map and our own three files, word for word.
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    assert len(scripts) == 5
    assert scripts[2:] == [page.own("map.js"), page.own("page.js"), page.own("staff.js")]
    assert scripts[1].strip().startswith("var map_ground = L.map(")
    assert "unsafe" not in told
    assert text.index("Content-Security-Policy") < text.index("<script")


def test_folium_made_the_map_and_leaflet_keeps_its_notice(text):
    assert '<div class="folium-map" id="map_ground" >' in text
    assert "L.map(" in text
    assert "Copyright (c) 2010-2024, Volodymyr Agafonkin" in text
    assert "BSD 2-Clause License" in text


def test_staff_is_said_on_its_face(text):
    assert "<strong>STAFF</strong> – not for publication" in text
    assert "<title>Staff map – not for publication</title>" in text
    assert 'name="robots" content="noindex' in text


def test_no_data_passes_through_a_template_or_stands_in_the_markup(facts):
    made = web.staff_page(hostile_tables(), drawn_ground.facts(name=HOSTILE[0] + HOSTILE[2], accuracy=HOSTILE[1]))
    harmless = web.staff_page(drawn_ground.tables(), facts)
    # But for the packed block, the page is the same whatever the data are: nothing of them is anywhere else.
    assert made.replace(block_of(made), "") == harmless.replace(block_of(harmless), "")
    assert re.fullmatch(r"[A-Za-z0-9+/=]+", block_of(made))
    header, _ = packing.unpack(block_of(made))
    assert header["facts"]["name"] == HOSTILE[0] + HOSTILE[2]
    told = next(layer for layer in header["layers"] if layer["name"] == "spaces")
    words = {word for column in told["columns"] for word in column.get("words", [])}
    assert "{{7*7}}" in words
    assert "49" not in words


def test_every_column_of_every_layer_is_there(tables, text):
    header, read = packing.unpack(block_of(text))
    assert [layer["name"] for layer in header["layers"]] == [name for name in LAYERS if name in tables]
    for layer in header["layers"]:
        assert [column["name"] for column in layer["columns"]] == list(LAYERS[layer["name"]].names)
        assert all(len(read(column["at"])) == len(tables[layer["name"]]) for column in layer["columns"])


def test_what_is_left_out_is_said(tables, facts):
    header, _ = packing.unpack(block_of(web.staff_page(tables, facts, most_readings=5)))
    assert header["left_out"] == ["20 readings are not in this page: look in ground.gpkg"]
    assert "readings" not in [layer["name"] for layer in header["layers"]]


def test_an_unknown_state_is_drawn_as_doubt_and_only_short_clearances_are_drawn(tables, facts):
    spaces, clearances = tables["spaces"].copy(), pd.concat([tables["clearances"]] * 2, ignore_index=True)
    spaces["state"] = pd.array([None] * len(spaces), dtype="string")
    clearances.loc[1, ["clearance_id", "shortfall"]] = ["other", 0.0]
    header, read = packing.unpack(block_of(web.staff_page({"spaces": spaces, "clearances": clearances}, facts)))
    classes = {layer["name"]: read(layer["class"]).tolist() for layer in header["layers"]}
    assert set(classes["spaces"]) == {list(LAYERS["spaces"].symbols).index("in doubt")}
    assert classes["clearances"] == [0, -1]


def test_a_page_without_a_place_or_with_a_broken_block_is_refused(tables, facts):
    with pytest.raises(InputError, match="no layer has a place to draw"):
        web.staff_page({"people": tables["people"]}, facts)
    with pytest.raises(CemgisError, match="something besides base64"):
        page.assemble("t", "", "", "</script>", [], [])
    with pytest.raises(CemgisError, match="end its own element"):
        page.assemble("t", "", "", "", ["'</SCRIPT>'"], [])
    with pytest.raises(CemgisError, match="end its own element"):
        page.assemble("t", "", "", "", [], ["</style>"])
    assert "&lt;b&gt;" in page.assemble("<b>", "", "", "", [], [])


# ---- in a browser --------------------------------------------------------------------------------------------------


class Visit(browsing.Visit):
    """The staff's page, opened and drawn."""

    def __init__(self, *given, **more):
        super().__init__(*given, **more)
        self.settle()

    def colors(self):
        self.settle()
        picture = Image.open(io.BytesIO(self.page.screenshot())).convert("RGB")
        return {f"#{red:02x}{green:02x}{blue:02x}" for _, (red, green, blue) in picture.getcolors(1 << 24)}

    def pixel_of(self, grid_x, grid_y):
        """Where a grid point stands on the screen, by way of PROJ and Leaflet."""
        to_lonlat = pyproj.Transformer.from_crs("EPSG:6549", pyproj.CRS("EPSG:6549").geodetic_crs, always_xy=True)
        lon, lat = to_lonlat.transform(grid_x, grid_y)
        point = self.page.evaluate(
            f"(() => {{ const p = map_ground.latLngToContainerPoint([{lat!r}, {lon!r}]); return [p.x, p.y]; }})()"
        )
        box = self.page.locator("#map_ground").bounding_box()
        return box["x"] + point[0], box["y"] + point[1]


@pytest.fixture(scope="module")
def file(text, tmp_path_factory):
    path = tmp_path_factory.mktemp("staff") / "staff.html"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def visit(browser, file):
    made = Visit(browser, file)
    yield made
    made.context.close()


@pytest.mark.browser
def test_it_opens_without_a_network_and_draws_the_ground(visit, file):
    assert visit.said == []
    assert visit.requests == [file.as_uri()]
    assert visit.page.title() == "STAFF – Millrace Hill Burying Ground"
    assert visit.page.locator("#staff-only").text_content() == "STAFF – not for publication"
    symbols = LAYERS["spaces"].symbols
    assert {symbols["occupied"].fill, symbols["vacant"].fill, LAYERS["drives"].symbols[""].fill} <= visit.colors()


@pytest.mark.browser
def test_layers_go_off_and_on(visit):
    fill = LAYERS["spaces"].symbols["occupied"].fill
    visit.page.click("#tab-about")
    assert fill in visit.colors()
    visit.page.click("#tab-layers")
    visit.page.uncheck("#layer-spaces")
    visit.page.click("#tab-about")
    assert fill not in visit.colors()
    visit.page.click("#tab-layers")
    visit.page.check("#layer-spaces")
    visit.page.click("#tab-about")
    assert fill in visit.colors()


@pytest.mark.browser
def test_a_tap_tells_every_staff_column_of_what_lies_there(visit, tables):
    spaces = tables["spaces"]
    row = spaces[(spaces["section"] == "B") & (spaces["space_id"] == "B-70-3")].iloc[0]
    visit.page.fill("#find-box", "B-70-3")
    visit.page.press("#find-box", "Enter")
    visit.settle()
    visit.page.click("#tab-find")
    at = shapely.point_on_surface(row.geometry)
    # Off the middle, where the number of the lot or a vault could lie on top.
    visit.page.mouse.click(*visit.pixel_of(at.x + 2.0, at.y - 1.2))
    panel = visit.page.locator("#body-here details", has=visit.page.locator("summary", has_text="Space B-70-3"))
    said = dict(zip(panel.locator("th").all_inner_texts(), panel.locator("td").all_inner_texts(), strict=True))
    assert len(said) == len(LAYERS["spaces"].columns)
    assert said["state"] == row["state"]
    assert said["state why"] == "ledger 2, page 14"
    assert said["heads reason"] == "–"
    assert float(said["radius 95 (ft)"]) == pytest.approx(row["radius_95"], abs=0.0006)


@pytest.mark.browser
def test_search_finds_spaces_lots_markers_and_names_however_written(visit, tables):
    def ask(words):
        visit.page.fill("#find-box", words)
        visit.page.wait_for_timeout(150)
        return visit.page.locator("#results button").all_inner_texts()

    assert ask("b-16-2")[0].startswith("Space B-16-2")
    assert ask("B 016 2")[0].startswith("Space B-16-2")
    assert ask("B16")[0].startswith("Lot B-16")
    marker = tables["markers"]["label"].iloc[5]
    assert any(item.startswith(f"Marker {marker}") for item in ask(marker))
    assert all("Perlina" in item for item in ask("perlina holl"))
    assert all("Perlina" in item for item in ask("Perlena Holowell"))  # misspelt twice
    assert any("Quillfeather" in item for item in ask("quillf"))
    assert ask("zzzz") == []
    assert "Nothing found" in visit.page.locator("#count").inner_text()
    # A person leads to the space and what belongs to it.
    ask("Orpha Hollowell")
    visit.page.click("#results button >> nth=0")
    assert visit.page.locator("#body-here h2").inner_text().startswith("Person ledger:")
    assert visit.page.locator("#body-here summary", has_text="Space").count() == 1
    assert visit.said == []


@pytest.mark.browser
def test_findings_are_listed_worst_first_and_lead_to_their_place(visit, tables):
    visit.page.click("#tab-findings")
    rows = visit.page.locator("#finding-list button")
    assert [re.match(r"(\d+)\s*(Danger|Warning|Note)", item).groups() for item in rows.all_inner_texts()] == [
        (str(number + 1), severity.capitalize()) for number, severity in enumerate(tables["findings"]["severity"])
    ]
    rows.nth(0).click()
    visit.settle()
    point = tables["findings"].geometry.iloc[0]
    x, y = visit.pixel_of(point.x, point.y)
    box = visit.page.locator("#map_ground").bounding_box()
    assert x == pytest.approx(box["x"] + box["width"] / 2, abs=3)
    assert y == pytest.approx(box["y"] + box["height"] / 2, abs=3)
    assert visit.page.locator("#body-here h2").inner_text() == "Finding label misread: B-16"
    visit.page.click("#tab-findings")
    rows.nth(3).click()
    assert "no place on the map" in visit.page.locator("#body-here").inner_text()


@pytest.mark.browser
def test_the_scale_bar_is_as_long_as_it_says(visit, tables):
    # From one end of the bar to the other over the ellipsoid, against the grid length through the scale factor.
    for zoom in (17, 20, 22.5):
        visit.page.evaluate(f"map_ground.setZoom({zoom}, {{animate: false}})")
        said = float(visit.page.locator("#scale-said").inner_text().split()[0].replace(",", ""))
        assert visit.page.locator("#scale-said").inner_text().endswith(" ft")
        width = visit.page.locator("#scale-bar").bounding_box()["width"]
        ends = visit.page.evaluate(
            f"(() => {{ const s = map_ground.getSize(); return [0, {width}].map((d) => {{ const p = "
            "map_ground.containerPointToLatLng([s.x / 2 + d, s.y / 2]); return [p.lng, p.lat]; }); })()"
        )
        _, _, metres = pyproj.Geod(ellps="GRS80").inv(*ends[0], *ends[1])
        assert metres / (1200 / 3937) == pytest.approx(said, rel=0.01)


@pytest.mark.browser
def test_the_radius_is_drawn_on_demand(visit):
    visit.page.fill("#find-box", "A-20-1")
    visit.page.press("#find-box", "Enter")
    visit.page.click("#tab-layers")
    box = visit.page.locator("#map_ground").bounding_box()
    visit.settle()
    before = visit.page.screenshot(clip=box)
    visit.page.check("#radius")
    visit.settle()
    after = visit.page.screenshot(clip=box)
    visit.page.uncheck("#radius")
    visit.settle()
    assert before != after
    assert visit.page.screenshot(clip=box) == before


@pytest.mark.browser
def test_the_keyboard_is_enough(visit):
    page_ = visit.page
    page_.keyboard.press("Tab")
    assert page_.evaluate("document.activeElement.className") == "skip"
    page_.keyboard.press("Enter")
    assert page_.evaluate("document.activeElement.id") == "find-box"
    page_.keyboard.type("B-70-3")
    page_.keyboard.press("Enter")
    assert page_.evaluate("document.activeElement.textContent") == "Space B-70-3"
    assert page_.locator("#said").inner_text().startswith("Space B-70-3.")
    visit.settle()
    page_.locator("#map_ground").focus()
    page_.keyboard.press("ArrowDown")
    page_.wait_for_timeout(400)
    assert page_.locator("#cross").is_visible()
    page_.keyboard.press("Enter")
    assert page_.locator("#body-here h2").inner_text() != "Space B-70-3"
    page_.locator("#tab-here").focus()
    page_.keyboard.press("ArrowRight")
    assert page_.evaluate("document.activeElement.id") == "tab-layers"
    assert page_.locator("#body-layers").is_visible()
    page_.keyboard.press("Tab")
    assert page_.evaluate("document.activeElement.id") == "radius"


@pytest.mark.browser
@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844), (320, 568)])
def test_it_fits_its_screen_and_every_target_is_large_enough(browser, file, width, height):
    visit = Visit(browser, file, width, height)
    page_ = visit.page
    assert page_.evaluate("document.documentElement.scrollWidth") <= width
    assert page_.locator("#map_ground").bounding_box()["height"] > height * 0.35
    for tab in ("find", "findings", "here", "layers", "about"):
        page_.click(f"#tab-{tab}")
        assert (
            page_.evaluate(
                "document.getElementById('bodies').scrollWidth - document.getElementById('bodies').clientWidth"
            )
            <= 0
        )
        small = page_.evaluate(
            "[...document.querySelectorAll('button, summary, label.row, input[type=search], .leaflet-bar a')]"
            ".filter((e) => e.offsetParent)"
            ".map((e) => [e.id || e.className || e.textContent, e.getBoundingClientRect()])"
            ".filter(([, r]) => r.height < 44 || r.width < 44).map(([name]) => name)"
        )
        assert small == []
    assert visit.said == []
    visit.context.close()


@pytest.mark.browser
def test_an_anchor_opens_a_space(browser, file):
    visit = Visit(browser, file, anchor="#B-70-3")
    assert visit.page.locator("#body-here h2").inner_text() == "Space B-70-3"
    visit.context.close()


@pytest.mark.browser
def test_the_page_unpacks_what_was_packed(visit, tables):
    for name, columns in (
        ("spaces", ["space_id", "state", "heads_azimuth", "burials"]),
        ("markers", ["holds", "first_seen"]),
    ):
        for column in columns:
            rows = range(0, len(tables[name]), 37)
            got = visit.page.evaluate(
                f"(() => {{ const l = cemgisGround.byName.get('{name}'); const c = l.byColumn.get('{column}'); "
                f"return {list(rows)}.map((i) => cemgisMap.value(c, i)); }})()"
            )
            for row, said in zip(rows, got, strict=True):
                value = tables[name][column].iloc[row]
                if column == "first_seen":
                    assert said == "2025-05-06 14:00:00 UTC"
                elif column == "holds":
                    assert said == ("yes" if value else "no")
                elif column == "heads_azimuth":
                    assert float(said) == pytest.approx(value, abs=0.005)
                else:
                    assert said == str(value)


@pytest.mark.browser
def test_hostile_text_is_shown_and_never_run(browser, tmp_path):
    facts = drawn_ground.facts(name=HOSTILE[2] + HOSTILE[0], accuracy=HOSTILE[5], evidence_hash=HOSTILE[6])
    path = tmp_path / "hostile.html"
    path.write_text(web.staff_page(hostile_tables(), facts), encoding="utf-8")
    visit = Visit(browser, path)
    page_ = visit.page
    assert page_.locator("#ground-name").inner_text() == HOSTILE[2] + HOSTILE[0]
    for tab in ("findings", "layers", "about"):
        page_.click(f"#tab-{tab}")
    page_.click("#tab-findings")
    assert "<img src=x onerror=window.pwned=4>" in page_.locator("#body-findings").inner_text()
    for number in range(page_.locator("#finding-list button").count()):
        page_.click("#tab-findings")
        page_.locator("#finding-list button").nth(number).click()
    page_.click("#tab-find")
    page_.fill("#find-box", "<img src=x onerror=window.pwned=7>")
    page_.wait_for_timeout(150)
    for words in ("A-1-1", "window", "7*7", "img", "A-1"):
        page_.click("#tab-find")
        page_.fill("#find-box", words)
        page_.press("#find-box", "Enter")
        for details in page_.locator("#body-here summary").all():
            details.click()
    page_.click("#tab-find")
    page_.fill("#find-box", "A-1-1")
    page_.press("#find-box", "Enter")
    assert "{{7*7}}" in page_.locator("#body-here").inner_text()
    assert page_.evaluate("window.pwned") is None
    assert page_.locator("body img, body svg[onload], body iframe").count() == 0
    assert visit.dialogs == []
    assert visit.requests == [path.as_uri()]
    assert visit.said == []
    visit.context.close()


@pytest.mark.browser
def test_the_policy_stops_a_script_that_got_in_all_the_same(browser, text, tmp_path):
    path = tmp_path / "got_in.html"
    got_in = "<script>window.pwned=1</script><img src='x' onerror='window.pwned=2'></main>"
    path.write_text(text.replace("</main>", got_in, 1), encoding="utf-8")
    visit = Visit(browser, path)
    visit.page.wait_for_timeout(100)
    assert visit.page.evaluate("window.pwned") is None
    assert any("Content Security Policy" in line for line in visit.said)
    visit.context.close()


@pytest.mark.browser
def test_spoilt_data_are_said_and_do_not_hang(browser, text, tmp_path):
    path = tmp_path / "spoilt.html"
    block = block_of(text)
    path.write_text(text.replace(block, block[:-400]), encoding="utf-8")
    context = browser.new_context()
    page_ = context.new_page()
    page_.goto(path.as_uri())
    page_.wait_for_selector("p.stop[role=alert]", timeout=5000)
    assert "cannot be read" in page_.locator("p.stop[role=alert]").inner_text()
    context.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_nothing(browser, file, width):
    source = pytest.importorskip("axe_playwright_python.base").AXE_FILE_PATH.read_text(encoding="utf-8")
    visit = Visit(browser, file, width, 800)
    visit.page.evaluate(source)
    for tab in ("find", "findings", "here", "layers", "about"):
        visit.page.click(f"#tab-{tab}")
        if tab == "find":
            visit.page.fill("#find-box", "B-70")
            visit.page.wait_for_timeout(150)
        found = visit.page.evaluate("axe.run(document, {iframes: false})")
        assert [(item["id"], [node["target"] for node in item["nodes"]][:3]) for item in found["violations"]] == []
    visit.context.close()


@pytest.mark.browser
def test_heads_that_stones_speak_against_are_no_fact(browser, tables, tmp_path):
    spaces = tables["spaces"].copy()
    here = spaces.index[spaces["section"] == "C"]
    spaces.loc[here[:40], "heads_seen"] = "disagrees"
    path = tmp_path / "doubt.html"
    path.write_text(web.staff_page(tables | {"spaces": spaces}, drawn_ground.facts()), encoding="utf-8")
    visit = Visit(browser, path, anchor="#C-50-2")
    page_ = visit.page
    said = "heads east by rule – stones show WEST: settle first"
    assert page_.locator("#doubt").inner_text() == f"C: {said}"
    assert page_.locator("#body-here p.warn").inner_text() == f"H{said[1:]}."
    row = page_.locator("#body-here tr", has=page_.locator("th", has_text=re.compile("^heads$"))).first
    assert row.locator("td").inner_text() == "east – by rule, not settled"
    # No stroke across a head end in that section, one in every space of another.
    counted = page_.evaluate(
        "(() => { const l = cemgisGround.byName.get('spaces'), c = l.byColumn.get('section'), n = {};"
        "for (let i = 0; i < l.n; i++) { const k = cemgisMap.value(c, i); n[k] = (n[k] || 0) + l.settled[i]; }"
        "return n; })()"
    )
    assert counted["C"] == 0
    assert counted["B"] == (spaces["section"] == "B").sum()
    page_.click("#tab-find")
    page_.fill("#find-box", "B-70-3")
    page_.press("#find-box", "Enter")
    assert page_.locator("#doubt").inner_text() == ""
    assert page_.locator("#body-here p.warn").count() == 0
    visit.context.close()


@pytest.mark.browser
def test_at_twice_the_size_everything_is_still_there(browser, file):
    # 1280 by 800 enlarged to 200 %: half as many pixels of the page.
    visit = Visit(browser, file, 640, 400, device_scale_factor=2)
    page_ = visit.page
    assert page_.evaluate("document.documentElement.scrollWidth") <= 640
    assert page_.locator("#map_ground").bounding_box()["height"] > 120
    for tab in ("find", "findings", "here", "layers", "about"):
        page_.click(f"#tab-{tab}")
        assert page_.locator(f"#body-{tab}").is_visible()
    visit.context.close()


def test_a_page_carries_the_picture_it_was_given(tables, facts):
    made = web.staff_page(tables, facts, underlay=spotted())
    header, _ = packing.unpack(block_of(made))
    assert header["picture"]["words"] == "Drawn on a picture."
    assert "picture" not in packing.unpack(block_of(web.staff_page(tables, facts)))[0]
    carried = re.search(r'id="ground-picture">([^<]*)<', made)
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(carried[1]))).convert("RGB")).astype(int)
    red, green, _ = picture[60, 40]
    assert red > 200
    assert green < 80


def spotted():
    """A pale picture of 400 by 400 ft from the ground's origin, with a red spot at (40.5, 339.5)."""
    image = np.full((400, 400, 4), 235, dtype=np.uint8)
    image[..., 3] = 255
    image[57:64, 37:44, 1:3] = 0
    image[57:64, 37:44, 0] = 255
    east, north = drawn_ground.ORIGIN
    return drawing.Underlay(image, np.array([[1.0, 0.0, east], [0.0, -1.0, north + 400.0]]), "Drawn on a picture.")


@pytest.mark.browser
def test_a_picture_lies_under_the_map_where_it_belongs(browser, tables, facts, tmp_path):
    path = tmp_path / "pictured.html"
    path.write_text(web.staff_page({"sections": tables["sections"]}, facts, underlay=spotted()), encoding="utf-8")
    visit = Visit(browser, path)
    visit.page.get_by_role("tab", name="Layers").click()
    visit.page.wait_for_function("document.getElementById('picture').checked")
    at = visit.pixel_of(*(np.array(drawn_ground.ORIGIN) + [40.5, 339.5]))

    def seen():
        visit.settle()
        picture = Image.open(io.BytesIO(visit.page.screenshot())).convert("RGB")
        return picture.getpixel((round(at[0]), round(at[1])))

    red, green, _ = seen()
    assert red - green > 100
    visit.page.locator("#picture").uncheck()
    red, green, _ = seen()
    assert red - green < 40
    assert visit.said == []
    assert visit.requests == [path.as_uri()]
    visit.context.close()


WRITTEN = """
window.written = [];
const set = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  const t = this.getTransform(), ratio = window.devicePixelRatio || 1;
  window.written.push([this.canvas, text, (t.a * x + t.c * y + t.e) / ratio, this.measureText(text).width]);
  return set.call(this, text, x, y);
};
"""


@pytest.mark.browser
@pytest.mark.parametrize(("width", "height"), [(390, 844), (768, 1024), (1440, 900)])
def test_nothing_said_on_the_map_is_cut_off_at_first_sight(browser, tables, tmp_path, width, height):
    # Five findings at the eastern edge of the ground, and an eastern section whose heads are in doubt.
    spaces = tables["spaces"].copy()
    spaces.loc[spaces.index[spaces["section"] == "C"], "heads_seen"] = "disagrees"
    east = shapely.get_coordinates(shapely.centroid(spaces.geometry.to_numpy()))[:, 0].argmax()
    findings = pd.concat([tables["findings"].iloc[:1]] * 5, ignore_index=True)
    findings["finding_id"] = pd.Series([f"f{k}" for k in range(5)], dtype="string")
    findings["geometry"] = [shapely.centroid(spaces.geometry.iloc[east])] * 5
    path = tmp_path / "edge.html"
    path.write_text(web.staff_page(tables | {"spaces": spaces, "findings": findings}, drawn_ground.facts()))
    visit = Visit(browser, path, width, height, before=WRITTEN)
    page_ = visit.page
    said = page_.evaluate(
        "written.filter(([c]) => c.isConnected).map(([c, t, x, w]) => {"
        "const r = c.getBoundingClientRect(), k = r.width * (devicePixelRatio || 1) / c.width;"
        "return [t, r.left + x * k, w * k]; })"
    )
    map_ = page_.locator("#map_ground").bounding_box()
    words = {text for text, _, _ in said}
    assert "1, 2 +3" in words
    assert words & {"heads?", "stones show WEST: settle first"}
    for text, x, wide in said:
        assert map_["x"] <= x - wide / 2, text
        assert x + wide / 2 <= map_["x"] + map_["width"], text
    assert map_["height"] <= height * 0.6 or width > height
    assert map_["width"] == width or width > height
    visit.context.close()
