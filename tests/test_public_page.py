import base64
import hashlib
import html
import io
import re
from dataclasses import replace

import drawn_ground
import geopandas as gpd
import numpy as np
import pandas as pd
import public_ground
import pyproj
import pytest
import shapely
from browsing import FETCHES, MARKUP, block_of
from PIL import Image
from public_ground import HOSTILE, Visit, hostile_ground

from cemgis import web
from cemgis.errors import InputError
from cemgis.reference import ground_crs
from cemgis.walk import drive_ways
from cemgis.web import packing, page, public

SCRIPTS = ("map.js", "page.js", "search.js", "public.js")


@pytest.fixture(scope="module")
def ground():
    return public_ground.ground()


@pytest.fixture(scope="module")
def text(ground):
    return web.public_page(ground, licence="CC BY 4.0", contact="The office\n12 Mill Lane")


# ---- the page as text ----------------------------------------------------------------------------------------------


def test_the_page_is_the_same_every_time_and_fetches_nothing(ground, text):
    assert web.public_page(ground, licence="CC BY 4.0", contact="The office\n12 Mill Lane") == text
    # What is left stands in Leaflet's own text: a name space, its home in its notice and its credit line (switched
    # off), and two comments on bugs of browsers.
    assert set(re.findall(r"https?://[^\s\"'<>)\\]+", text)) == {
        "http://www.w3.org/2000/svg", "https://leafletjs.com",
        "https://bugs.chromium.org/p/chromium/issues/detail?id=600120",
        "https://bugzilla.mozilla.org/show_bug.cgi?id=888319",
    }  # fmt: skip
    body = text.replace(block_of(text), "")
    assert not re.search(r"<(?:img|link|iframe|object|embed|base|source|video|audio)\b", body.split("<script")[0])
    assert not re.search(r"<script[^>]*\bsrc=", body)
    for name in (*SCRIPTS, "public.css"):
        assert not FETCHES.search(page.own(name))
        assert not MARKUP.search(page.own(name))
    assert "geolocation" not in "".join(page.own(name) for name in SCRIPTS)


def test_the_policy_lets_only_known_scripts_run(text):
    told = html.unescape(re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text).group(1))
    rules = dict(part.strip().split(" ", 1) for part in told.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    assert scripts[2:] == [page.own(name) for name in SCRIPTS]
    hashes = {"'sha256-" + base64.b64encode(hashlib.sha256(item.encode()).digest()).decode() + "'" for item in scripts}
    assert set(rules["script-src"].split()) == hashes
    assert "unsafe" not in told
    assert "BSD 2-Clause License" in text
    assert '<div class="folium-map" id="map_ground" >' in text


def test_no_data_passes_through_a_template_or_stands_in_the_markup(text):
    made = web.public_page(hostile_ground(), licence=HOSTILE[1], contact="\n".join(HOSTILE[:6]))
    # But for the packed block, the page is the same whatever the data are.
    assert made.replace(block_of(made), "") == text.replace(block_of(text), "")
    assert re.fullmatch(r"[A-Za-z0-9+/=]+", block_of(made))
    header, _ = packing.unpack(block_of(made))
    assert "{{7*7}}" in header["graves"]["words"]
    assert "49" not in header["graves"]["words"]
    assert max(len(word) for word in header["graves"]["words"]) <= 160  # a megabyte of a name is cut


def test_nothing_enters_but_the_columns_the_page_shows(ground):
    canary = "ZAUNKOENIG"
    known = {
        "sections": {"section", "title", "heads"}, "lots": {"lot_id", "section", "row", "lot"},
        "spaces": {"space_id", "section", "lot_id", "space", "kind", "heads", "heads_azimuth"},
        "niches": {"space_id", "section", "building", "face", "row", "column"},
        "graves": {"name", "title", "given", "middle", "surname", "maiden", "suffix", "born", "died", "buried",
                   "section", "lot_id", "space_id", "veteran"},
        "monuments": set(), "drives": {"name", "surface"}, "obstacles": {"kind"}, "gates": {"name"},
    }  # fmt: skip
    tables = {}
    for name, shown in known.items():
        table = getattr(ground, name).copy()
        for column in [*table.columns, "holder", "note"]:
            if column not in shown | {"geometry"}:
                table[column] = pd.Series([canary] * len(table), dtype=object, index=table.index)
        tables[name] = table
    withheld = pd.DataFrame({"what": [canary], "reason": [canary], "rows": [12345]})
    made = web.public_page(replace(ground, **tables, withheld=withheld))
    header, _ = packing.unpack(block_of(made))
    assert canary not in made
    assert canary not in str(header)
    # The test can see: a shown column would be there.
    seen = web.public_page(replace(ground, obstacles=ground.obstacles.assign(kind=canary)))
    assert canary in str(packing.unpack(block_of(seen))[0])


def test_a_space_does_not_say_whether_it_is_used(ground):
    # Whatever states there are, the page's bytes are the same.
    other = ground.spaces.assign(state="vacant", burials=0)
    assert web.public_page(replace(ground, spaces=other)) == web.public_page(ground)


def test_a_ground_without_anything_to_draw_or_a_bad_picture_is_refused(ground):
    none = {
        name: getattr(ground, name).iloc[:0] for name in ("sections", "lots", "spaces", "drives", "gates", "obstacles")
    }
    with pytest.raises(InputError, match="nothing that is published has a place"):
        web.public_page(replace(ground, **none))
    with pytest.raises(InputError, match="not a JPEG, PNG or WebP"):
        web.public_page(ground, base_image=web.BaseImage(b"<svg onload=x>", np.zeros((3, 2)), "us"))


# ---- what is packed ------------------------------------------------------------------------------------------------


def read_spaces(header, read):
    """Unpack the spaces' corners as the page does, written out plainly."""
    told, counts = header["spaces"]["rings"], read(header["groups"]["count"])
    at, a, b, turn = (np.column_stack([read(spec) for spec in told[name]]) for name in ("at", "a", "b", "turn"))
    off = np.column_stack([read(spec) for spec in told["off"]]).reshape(-1, 4, 2)
    rings, rest = [], 0
    for first, count in enumerate(counts[counts > 0]):
        start = at[first]
        before = np.array([start, start + a[first], start + a[first] + b[first] + turn[first], start + b[first]])
        rings.append(before)
        for _ in range(count - 1):
            back_a, back_b = before[1] + off[rest, 0], before[2] + off[rest, 3]
            before = np.array([back_a, back_a + before[1] - before[0] + off[rest, 1],
                               back_b + before[2] - before[3] + off[rest, 2], back_b])  # fmt: skip
            rings.append(before)
            rest += 1
    return np.array(rings)


def test_places_come_back_to_the_grid_within_two_hundredths_of_a_foot(ground, text):
    header, read = packing.unpack(block_of(text))
    rings = read_spaces(header, read) + np.array(header["origin"])
    half = np.pi * 6378137.0
    to_lonlat = pyproj.Transformer.from_crs("EPSG:3857", "EPSG:4326", always_xy=True)
    x, y = rings[..., 0].ravel(), rings[..., 1].ravel()
    lon, lat = to_lonlat.transform(x / packing.WORLD * 2 * half - half, half - y / packing.WORLD * 2 * half)
    to_grid = pyproj.Transformer.from_crs(pyproj.CRS("EPSG:6549").geodetic_crs, "EPSG:6549", always_xy=True)
    back = np.column_stack(to_grid.transform(lon, lat)).reshape(-1, 4, 2)
    spaces = ground.spaces.set_index("space_id")
    order = read_ids(header, read)
    assert sorted(order) == sorted(spaces.index)
    expected = shapely.get_coordinates(spaces.loc[order].geometry.to_numpy()).reshape(-1, 5, 2)[:, :4]
    gaps = np.hypot(*np.moveaxis(back[:, :, None] - expected[:, None], -1, 0)).min(axis=2)
    # Half a whole number of rounding, one of what is foretold: 1.5 times 3.6 mm either way.
    assert gaps.max() < 0.03


def read_ids(header, read):
    groups, spaces = header["groups"], header["spaces"]

    def numbered(told):
        out = [str(value) for value in read(told["at"])]
        for k, word in zip(read(told["odd"]), told["words"], strict=True):
            out[k] = word
        return out

    lots, row = numbered(groups["lot"]), read(groups["row"])
    of = np.repeat(np.arange(groups["n"]), read(groups["count"]))
    section = [header["section_names"][k] for k in read(groups["section"])]
    is_lot = read(groups["is_lot"])
    ids = [f"{section[g]}-{lots[g] if is_lot[g] else groups['row_words'][row[g] - 1]}-{number}"
           for g, number in zip(of, numbered(spaces["space"]), strict=True)]  # fmt: skip
    for k, word in zip(read(spaces["renamed"]), spaces["names"], strict=True):
        ids[k] = word
    return ids


def test_single_graves_odd_shapes_and_odd_names_are_packed_as_well():
    crs = ground_crs("EPSG:6549")
    at = drawn_ground.ORIGIN
    x = np.arange(150) * 4.0
    row = shapely.box(at[0] + x, at[1], at[0] + x + 4, at[1] + 9)
    round_ = shapely.Point(at + [30, 60]).buffer(8)
    spaces = gpd.GeoDataFrame({
        "space_id": [*(f"E-7-{k + 1}" for k in range(150)), "round", "E-99-1"], "section": "E",
        "lot_id": [None] * 150 + [None, "E-99"], "space": [*(str(k + 1) for k in range(150)), "x", "1"],
    }, geometry=[*row, round_, shapely.box(*(at + [100, 50]), *(at + [116, 62]))], crs=crs.crs)  # fmt: skip
    lots = gpd.GeoDataFrame({"lot_id": ["E-99", "E-100"], "section": "E", "row": ["r", "r"], "lot": ["99", "100"]},
                            geometry=[shapely.box(*(at + [100, 50]), *(at + [116, 62])),
                                      shapely.box(*(at + [130, 50]), *(at + [146, 62]))])  # fmt: skip
    empty = pd.DataFrame()
    made = public.PublicGround("E", "", crs, "", empty, lots, spaces, empty, empty, empty, empty, empty, empty, empty)
    header, read = packing.unpack(block_of(web.public_page(made)))
    assert sorted(read_ids(header, read)) == sorted(spaces["space_id"])
    assert header["groups"]["row_words"][0] in ("7", "r")
    assert read(header["spaces"]["odd"]).size == 1
    assert read(header["spaces"]["odd_places"]["points"]).tolist() == [64]
    assert read(header["groups"]["count"]).max() == 64  # rows of single graves are packed in parts
    assert header["graves"]["n"] == 0


# ---- ways ----------------------------------------------------------------------------------------------------------


def test_ways_along_drives_are_as_long_as_their_middle_lines():
    # A cross of two straight drives, 12 wide: to the end of one arm, by way of the middle.
    cross = [shapely.box(-300, -6, 300, 6), shapely.box(-6, -200, 6, 200)]
    way = drive_ways(cross, [[0.0, -200.0]], gap=1.0)
    ends = way.points[way.distance > 480]
    assert len(ends) == 2
    # The middle line starts half a width inside the end of a drive.
    assert np.abs(np.abs(ends[:, 0]) - 300).max() < 8
    assert np.allclose(way.distance[way.distance > 480], 200 + np.abs(ends[:, 0]), atol=8)
    assert set(way.drive) == {0, 1}
    assert np.abs(way.points[:, 1][np.abs(way.points[:, 0]) > 12]).max() < 1.0


def test_a_drive_no_gate_reaches_and_none_at_all():
    way = drive_ways([shapely.box(0, 0, 100, 10), shapely.box(0, 300, 100, 310)], [[0.0, 5.0]], gap=1.0)
    far = way.points[:, 1] > 200
    assert np.isinf(way.distance[far]).all()
    assert np.isfinite(way.distance[~far]).all()
    assert len(drive_ways([], [[0.0, 0.0]], gap=1.0).points) == 0
    assert np.isinf(drive_ways([shapely.box(0, 0, 100, 10)], [[500.0, 5.0]], gap=1.0).distance).all()


def test_drives_that_nearly_touch_are_joined():
    way = drive_ways([shapely.box(0, 0, 100, 10), shapely.box(100.5, 0, 200, 10)], [[0.0, 5.0]], gap=1.0)
    assert np.isfinite(way.distance).all()


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
def test_hostile_text_is_shown_and_never_run(browser, tmp_path):
    path = tmp_path / "hostile.html"
    made = web.public_page(hostile_ground(), licence=HOSTILE[2], contact="\n".join(HOSTILE[2:8]))
    path.write_text(made, encoding="utf-8", errors="surrogatepass")
    visit = Visit(browser, path)
    page_ = visit.page
    assert page_.locator("#ground-name").inner_text() == HOSTILE[2] + HOSTILE[0]
    for words in ("script", "7*7", "img onerror", "window", "proto", "constructor", "xxxxxxxx", "svg", "gnirts", "cmd"):
        visit.ask(words)
        if page_.locator("#results a").count():
            page_.click("#results a >> nth=0")
            page_.wait_for_timeout(40)
            page_.click("text=Something is wrong here")
            page_.keyboard.press("Escape")
    for view in ("/list", "/about"):
        page_.evaluate(f"location.hash = '{view}'")
        page_.wait_for_timeout(60)
    assert "</script><script>window.pwned=1</script>" in page_.locator("#body-about").inner_text()
    page_.evaluate("location.hash = '/list'")
    page_.wait_for_timeout(60)
    assert "<img src=x onerror=window.pwned=4>" in page_.locator("#list").inner_text()
    visit.ask("<img src=x onerror=window.pwned=7>")
    page_.evaluate("location.hash = encodeURIComponent('<img src=x onerror=window.pwned=8>/x')")
    page_.wait_for_timeout(60)
    page_.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page_.evaluate("window.pwned") is None
    assert page_.locator("body img, body svg[onload], body iframe").count() == 0
    # Marks that turn the direction of a line, and control characters, do not get in.
    assert not re.search(r"[\u202a-\u202e\u2066-\u2069\x00\x1b]", page_.evaluate("document.body.textContent"))
    assert (visit.dialogs, visit.said, visit.requests) == ([], [], [path.as_uri()])
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
    path.write_text(text.replace(block_of(text), block_of(text)[:-400]), encoding="utf-8")
    context = browser.new_context()
    page_ = context.new_page()
    page_.goto(path.as_uri())
    page_.wait_for_selector("p.stop[role=alert]", timeout=5000)
    assert "cannot be read" in page_.locator("p.stop[role=alert]").inner_text()
    context.close()


@pytest.mark.browser
def test_without_graves_names_drives_gates_or_sections_it_still_works(browser, ground, tmp_path):
    none = ground.graves.iloc[:0]
    bare = ground.graves.assign(**dict.fromkeys(("name", "given", "surname", "title", "maiden")))
    cases = {
        "no graves": replace(ground, graves=none),
        "no names": replace(ground, graves=bare),
        "no drives": replace(ground, drives=ground.drives.iloc[:0]),
        "no gates": replace(ground, gates=ground.gates.iloc[:0]),
        "no sections": replace(ground, sections=ground.sections.iloc[:0]),
        "no spaces": replace(ground, spaces=ground.spaces.iloc[:0]),
        "only sections": replace(ground, **{name: pd.DataFrame() for name in (
            "spaces", "lots", "drives", "gates", "obstacles", "monuments", "niches")}),
    }  # fmt: skip
    cartway = ground.drives.iloc[:1].assign(
        drive_id="old",
        name="Old cartway",
        geometry=shapely.box(*(drawn_ground.ORIGIN + [192, 200]), *(drawn_ground.ORIGIN + [198, 290])),
    )
    cases["cartway"] = replace(ground, drives=pd.concat([ground.drives, cartway], ignore_index=True))
    want = {
        "cartway": "Nearer to it is Old cartway",
        "no drives": "No drives are marked",
        "no gates": "No gate is marked",
        "no graves": "Nobody who lies here",
    }
    for name, made in cases.items():
        path = tmp_path / f"{name}.html"
        path.write_text(web.public_page(made), encoding="utf-8")
        visit = Visit(browser, path, anchor="#B-16-2")
        visit.page.wait_for_timeout(80)
        assert want.get(name, "") in visit.page.locator("#body-place").inner_text(), name
        if name == "no graves":
            visit.page.evaluate("location.hash = ''")
            visit.page.wait_for_timeout(80)
            assert "No graves are published" in visit.page.locator("#count").inner_text()
            assert visit.ask("B16-2")
        if name == "no names":
            assert visit.ask("1900")[0] == "Name not known"
        visit.page.evaluate("location.hash = '/list'")
        assert visit.said == [], name
        visit.context.close()


@pytest.mark.browser
def test_a_picture_lies_under_the_map_where_it_belongs(browser, ground, tmp_path):
    # The left half red, the right half blue; its edge runs through a known easting.
    picture = Image.new("RGB", (200, 100), (200, 30, 30))
    picture.paste((30, 30, 200), (100, 0, 200, 100))
    out = io.BytesIO()
    picture.save(out, "PNG")
    low = drawn_ground.ORIGIN + [-100, -100]
    corners = [low + [0, 600], low + [800, 600], low]
    path = tmp_path / "picture.html"
    bare = {name: getattr(ground, name).iloc[:0] for name in ("lots", "spaces", "monuments", "obstacles", "drives")}
    made = web.public_page(
        replace(ground, **bare), base_image=web.BaseImage(out.getvalue(), corners, "Photo: us, 2024")
    )
    path.write_text(made, encoding="utf-8")
    visit = Visit(browser, path)
    visit.page.wait_for_timeout(500)
    assert visit.page.locator("#whose-picture").inner_text() == "Photo: us, 2024"
    to_lonlat = pyproj.Transformer.from_crs("EPSG:6549", pyproj.CRS("EPSG:6549").geodetic_crs, always_xy=True)

    def color(x, y):
        lon, lat = to_lonlat.transform(*(low + [x, y]))
        at = visit.page.evaluate(
            f"(() => {{ const p = map_ground.latLngToContainerPoint([{lat!r}, {lon!r}]); return [p.x, p.y]; }})()"
        )
        box = visit.page.locator("#map_ground").bounding_box()
        shot = Image.open(io.BytesIO(visit.page.screenshot())).convert("RGB")
        return shot.getpixel((int(box["x"] + at[0]), int(box["y"] + at[1])))

    assert color(395, 470) == (200, 30, 30)
    assert color(405, 470) == (30, 30, 200)
    visit.page.click("#picture")
    visit.page.wait_for_timeout(300)
    assert color(395, 470) != (200, 30, 30)
    assert visit.said == []
    visit.context.close()
