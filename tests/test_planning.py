import io
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import shapely
from matplotlib.figure import Figure
from playwright.sync_api import sync_playwright

from cemgis import planning
from cemgis.capacity import LOST_TO, LOST_USES, USES, still_possible, sum_possible
from cemgis.drawing import Facts
from cemgis.expansion import PRELIMINARY, lay_out
from cemgis.forecast import forecast, takings
from cemgis.land import usable_land
from cemgis.layout import Module
from cemgis.reference import ground_crs
from cemgis.rules import Rules
from cemgis.terrain import Dem
from cemgis.units import US_SURVEY_FOOT

FACTS = Facts(
    "Hill & <b>Dale</b>", ground_crs("EPSG:6549"), "2025-05-20", "6b1f00112233", "Half lie within 0.3 ft.", 0.4
)
RULES = Rules(US_SURVEY_FOOT)
SAID = [("space.urns", "2.0", "common practice, no source")]


def a_ground():
    n = 120
    rng = np.random.default_rng(4)
    state = rng.choice(["vacant", "occupied", "right held", "lost"], n)
    spaces = gpd.GeoDataFrame(
        {
            "space_id": [f"A-{k // 4}-{k % 4}" for k in range(n)],
            "section": "A",
            "lot_id": [f"A-{k // 4}" for k in range(n)],
            "kind": "full",
            "state": state,
            "burials": (state == "occupied").astype(int),
            "state_why": np.where(state == "lost", "taken by <script>alert(1)</script> tree", None),
        },
        geometry=shapely.box(2e6 + 4 * (np.arange(n) % 20), 4.5e5 + 12 * (np.arange(n) // 20),
                             2e6 + 4 * (np.arange(n) % 20) + 4, 4.5e5 + 12 * (np.arange(n) // 20) + 12),
    )  # fmt: skip
    buried = spaces[spaces["state"] == "occupied"]
    years = rng.integers(1995, 2025, len(buried)).astype(str)
    events = pd.DataFrame({"kind": "interment", "date": years, "space_id": buried["space_id"].to_numpy()})
    possible = still_possible(spaces, rules=RULES)
    left = {"full": int((possible["full"] > 0).sum())}
    made = forecast(*takings(spaces, events), left, last_year=2024, rules=RULES, paths=400)
    return spaces, possible, sum_possible(possible), made


def text_of(pdf):
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_the_boards_report_says_the_numbers_and_repeats_itself():
    spaces, possible, sums, made = a_ground()
    pages = planning.board_pages(sums, possible, spaces, made, FACTS, SAID)
    pdf = planning.print_pages(pages, FACTS, "report")
    words = text_of(pdf)
    assert len(words) == 4  # the answer, the years, one section, the basis
    assert "120" in words[0]
    assert f"{made.pools['full'].left} left" in words[0].replace("\n", " ")
    assert "Section A" in words[2]
    assert "taken by" in words[2]
    assert "space.urns" in words[3]
    assert "2025-05-20" in words[0]
    again = planning.print_pages(planning.board_pages(sums, possible, spaces, made, FACTS, SAID), FACTS, "report")
    assert pdf == again


def test_the_page_escapes_what_the_data_say():
    _, possible, sums, made = a_ground()
    lost = possible[possible["use"] == "lost"]
    page = planning.board_html(sums, lost, made, FACTS, SAID, [("a picture", b"png")])
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "Hill &amp; &lt;b&gt;Dale" in page
    assert page.count("<tr>") >= 1 + len(lost)
    assert 'lang="en"' in page


def test_every_use_and_reason_has_its_own_look():
    looks = [planning.USE_LOOKS[use] for use in USES if use not in LOST_USES]
    looks += [planning.LOST_LOOKS[what] for what in LOST_TO]
    assert len({(look.fill, look.pattern) for look in looks}) == len(USES) - len(LOST_USES) + len(LOST_TO)
    signs = planning.LOST_SIGNS
    assert set(signs) == set(LOST_TO)
    assert len(set(signs.values())) == len(LOST_TO)  # told apart without colours
    reasons = ["within 30.00 ft of building", "within 50.00 ft of watercourse", "within 10.00 ft of tree",
               "steeper than 15 %", "hollow of 0.50 ft or more", "within 7.00 m of road", "floods"]  # fmt: skip
    assert len({(planning.reason_look(reason).fill, planning.reason_look(reason).pattern) for reason in reasons}) == 7


def test_the_planners_sheets_show_the_choice_and_say_what_it_is_not():
    parcel, gates = shapely.box(2_000_000, 450_000, 2_000_400, 450_300), [(2_000_000.0, 450_150.0)]
    dem = Dem(1000 + 0.02 * np.add.outer(np.arange(90.0), np.arange(110.0)) * 5, 1_999_950.0, 450_400.0, 5.0, 5.0)
    things = pd.DataFrame({"kind": ["tree"], "geometry": [shapely.Point(2_000_200, 450_100)]})
    land = usable_land(parcel, things, RULES, unit=US_SURVEY_FOOT, dem=dem)
    module = Module(16, 12, 4, 2, 0, 12, 60)
    choice = lay_out("rows", land, gates, module, 0.0, RULES, unit=US_SURVEY_FOOT, tries=0)
    pages = planning.planner_pages(
        "Long field", land, things, gates, [choice], FACTS, SAID, years={"rows": "it buys time"}
    )
    words = [text.replace("\n", " ") for text in text_of(planning.print_pages(pages, FACTS, "plan"))]
    for page in words:
        assert "not for recording" in page
        assert f"{choice.spaces:,}" in page
        assert "it buys time" in page
    assert "within 10.00 ft of tree" in words[0]
    said = planning.say_choice(choice, US_SURVEY_FOOT)
    assert f"{choice.most:,}" in said[1]
    assert not math.isnan(choice.measures["slope"])
    assert "licensed surveyor" in PRELIMINARY
    assert planning.print_png(pages[0], 30)[1:4] == b"PNG"


def test_a_phone_reads_the_boards_page_without_scrolling_sideways(tmp_path):
    _, possible, sums, made = a_ground()
    lost = possible[possible["use"] == "lost"]
    rules = [*SAID, ("clearance.obstacle_to_space", "0.5", "common practice, " + "no_source" * 9)]
    page = planning.board_html(sums, lost, made, FACTS, rules, [("a chart", planning.print_png(Figure((9, 4)), 100))])
    (tmp_path / "board.html").write_text(page, encoding="utf-8")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        for width in (320, 390, 768, 1280):
            view = browser.new_page(viewport={"width": width, "height": 800})
            view.goto((tmp_path / "board.html").as_uri())
            assert view.evaluate("document.documentElement.scrollWidth") <= width
        browser.close()


def test_the_boards_report_answers_for_each_section():
    spaces, possible, sums, _ = a_ground()
    left = pd.DataFrame({"section": ["A"], "pool": ["full"], "left": [int((possible["full"] > 0).sum())]})
    sales = pd.DataFrame({"space_id": [str(k) for k in range(50)], "section": "A", "pool": "full", "by": "sale",
                          "year": np.repeat(np.arange(2000, 2025), 2)})  # fmt: skip
    nobody = pd.DataFrame({"kind": [], "pool": [], "year": []})
    made = forecast(sales, nobody, {"full": int(left["left"][0])}, last_year=2024, rules=RULES, paths=400,
                    by_section=left)  # fmt: skip
    said = dict(made.section_words())["A"]
    pages = planning.board_pages(sums, possible, spaces, made, FACTS, SAID)
    text = text_of(planning.print_pages(pages, FACTS, "report"))[2].replace("\n", " ")
    assert said in text
    page = planning.board_html(sums, possible[:0], made, FACTS, SAID)
    row = made.sections().iloc[0]
    assert f"{row['plain']:.0f}</td>" in page
    assert f"{row['low']:.0f} to {row['high']:.0f}</td>" in page


def test_an_optimum_is_said_only_where_the_bracket_closes():
    flat = {"setback.boundary": {"value": "0 ft", "source": "this test"}}
    rules = Rules(US_SURVEY_FOOT, flat)
    nothing = pd.DataFrame({"kind": [], "geometry": []})
    said = []
    for width, height in ((36.0, 64.0), (100.0, 160.0)):
        # 12 + 12 + 12: a row, a drive from the gate, a row; four lots on each side, which is all that can be
        land = usable_land(shapely.box(0, 0, width, height), nothing, rules, unit=US_SURVEY_FOOT)
        choice = lay_out("", land, [(18.0, 0.0)], Module(16, 12, 4, 2, 0, 12, 60), 0.0, rules, unit=US_SURVEY_FOOT)
        line = planning.say_choice(choice, US_SURVEY_FOOT)[1]
        assert ("the optimum" in line) == (choice.spaces == choice.most) == choice.is_optimum
        assert ("below the bound" in line) != ("the optimum" in line)
        said.append(choice.is_optimum)
    assert said[0]
    assert not all(said)
