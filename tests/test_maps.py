import io
import os
import re
import subprocess
import sys
from itertools import combinations
from pathlib import Path

import drawn_ground
import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from PIL import Image

from cemgis import drawing, maps
from cemgis.errors import InputError
from cemgis.layers import LAYERS
from cemgis.maps import land, numbers, surface


@pytest.fixture(scope="module")
def tables():
    return drawn_ground.tables()


@pytest.fixture(scope="module")
def facts():
    return drawn_ground.facts()


@pytest.fixture(scope="module")
def sheet(tables, facts):
    return maps.whole_ground(tables, facts)


@pytest.fixture(scope="module")
def printed(sheet, facts):
    return maps.save(sheet, facts, dpi=60)


def words_of(pdf):
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return "\n".join(page.extract_text() for page in reader.pages)


def page_of(figure):
    """Text artists of a figure: what is set, where."""
    return [(item.get_text(), item) for item in figure.axes[0].texts]


def small(tables, *names):
    return {name: tables[name] for name in names}


def test_text_stays_text_and_says_what_a_sheet_must(printed, facts, tables):
    reader = pypdf.PdfReader(io.BytesIO(printed.pdf))
    assert len(reader.pages) == 1
    fonts = {
        font.get_object()["/DescendantFonts"][0].get_object()["/Subtype"]
        for font in reader.pages[0]["/Resources"]["/Font"].get_object().values()
    }
    assert fonts == {"/CIDFontType2"}  # TrueType, not outlines drawn by a Type 3 font
    said = " ".join(words_of(printed.pdf).split())
    for word in ("STAFF – NOT FOR PUBLICATION", facts.name, facts.place, "NAD83(2011) / Ohio North (ftUS)",
                 "2025-05-20",
                 facts.evidence_hash, "Page 1 of 1", "1 inch = 60 feet", "Section B", "heads west", "heads east",
                 "grid north lies 0°18′36″ east of true north", "magnetic north lies 8.1° west"):  # fmt: skip
        assert word in said, word
    assert "within 0.31 ft" in said
    numbers = set(re.findall(r"\d+", said))
    assert set(tables["lots"]["lot"]) <= numbers


def test_numbers_of_findings_are_those_of_the_list(sheet, tables):
    findings = tables["findings"]
    texts = [text for text, _ in page_of(sheet)]
    for number, (severity, kind, subject) in enumerate(
        findings[["severity", "kind", "subject"]].itertuples(index=False), 1
    ):
        listed = any(text.startswith(f"{kind}: {subject}") for text in texts)
        assert listed == (severity != "note")
        if severity != "note":
            placed = findings.geometry.iloc[number - 1] is not None
            # In the list, and on its flag when it has a place; a lot may have the same number.
            assert sum(text == str(number) for text in texts) >= 1 + placed


def test_equal_figures_are_equal_files_whatever_the_hash_seed(tmp_path):
    code = (
        "import drawn_ground, hashlib\nfrom cemgis import maps\n"
        "t, f = drawn_ground.tables(), drawn_ground.facts()\n"
        "names = ('sections', 'lots', 'spaces', 'corners', 'markers')\n"
        "t = {name: t[name][t[name]['section'] == 'D'] for name in names}\n"
        "out = maps.save(maps.whole_ground(t, f, paper='letter'), f, dpi=50)\n"
        "print(hashlib.sha256(out.pdf).hexdigest(), hashlib.sha256(out.png).hexdigest())"
    )
    here = Path(__file__).parent
    runs = []
    for seed in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": f"{here.parent}{os.pathsep}{here}"}
        runs.append(subprocess.Popen([sys.executable, "-c", code], env=environment, stdout=subprocess.PIPE, text=True))
    hashes = [run.communicate(timeout=120)[0].split() for run in runs]
    assert hashes[0] == hashes[1]
    assert len(hashes[0]) == 2


def test_the_only_date_in_the_files_is_the_one_given(printed, facts):
    information = pypdf.PdfReader(io.BytesIO(printed.pdf)).metadata
    assert information["/CreationDate"].startswith("D:20250520000000")
    assert information["/ModDate"] == information["/CreationDate"]
    assert information["/Title"] == facts.name
    picture = Image.open(io.BytesIO(printed.png))
    assert picture.size == (17 * 60, 11 * 60)
    assert not any("date" in str(key).lower() for key in picture.info)


def test_lengths_on_the_sheet_are_those_on_the_ground(tables, facts):
    # 1 inch = 40 feet: a lot of 16 by 12 ft is 0.4 by 0.3 inch, 28.8 by 21.6 points.
    figure = maps.whole_ground(small(tables, "lots"), facts, paper="A1", scale=40)
    rings = [
        segment
        for collection in figure.axes[0].collections
        if isinstance(collection, LineCollection)
        for segment in collection.get_segments()
        if len(segment) == 5
    ]
    assert len(rings) == len(tables["lots"])
    sides = np.sort(np.hypot(*np.diff(np.array(rings)[:, :3], axis=1).transpose(2, 0, 1)), axis=1)
    of_16_by_12 = np.isclose(sides, [21.6, 28.8], atol=1e-6).all(axis=1)
    assert of_16_by_12.sum() == tables["lots"]["section"].isin(["A", "B", "C"]).sum()


@pytest.mark.parametrize("angle", [2.5, -2.5])
def test_the_needle_leans_against_the_convergence(tables, angle):
    figure = maps.whole_ground(small(tables, "sections"), drawn_ground.facts(convergence_deg=angle), paper="letter")
    halves = [patch for patch in figure.axes[0].patches if patch.get_gid() == "true north"]
    assert len(halves) == 2
    points = np.concatenate([patch.get_xy() for patch in halves])
    tip, tail = points[points[:, 1].argmax()], points[points[:, 1].argmin()]
    lean = np.degrees(np.arctan2(*(tip - tail)))
    assert lean == pytest.approx(-angle, abs=1e-6)


def test_heads_point_where_the_azimuths_say(tables):
    heads = land.heads_of_sections(tables, 0.31)
    assert heads["A"] == ("heads west", pytest.approx(-90.0 + 3.0 - 0.31))
    assert heads["C"] == ("heads east", pytest.approx(90.0 - 1.0 - 0.31))
    mixed = tables["spaces"].copy()
    at = mixed.index[mixed["section"] == "A"][:3]
    mixed.loc[at, "heads"] = "east"
    mixed.loc[at, "heads_azimuth"] = 93.0
    assert land.heads_of_sections({"spaces": mixed}, 0.0)["A"] == ("heads west; 3 otherwise", pytest.approx(-87.0))


@pytest.mark.parametrize("name", ["vaults", "monuments", "drives", "obstacles", "control", "probable_graves"])
def test_the_legend_names_only_what_is_drawn(tables, facts, sheet, name):
    word = LAYERS[name].symbols[""].word
    assert word in [text for text, _ in page_of(sheet)]
    others = ("sections", "vaults", "monuments", "drives", "obstacles", "control", "probable_graves")
    figure = maps.whole_ground(small(tables, *(other for other in others if other != name)), facts, paper="tabloid")
    assert word not in [text for text, _ in page_of(figure)]


def test_a_state_nobody_is_in_is_not_in_the_legend(tables, facts):
    spaces = tables["spaces"].copy()
    spaces.loc[spaces["state"] == "lost", "state"] = "vacant"
    texts = [text for text, _ in page_of(maps.whole_ground({"spaces": spaces}, facts, paper="tabloid"))]
    assert LAYERS["spaces"].symbols["lost"].word not in texts
    assert LAYERS["spaces"].symbols["in doubt"].word in texts


def test_no_ruling_runs_through_a_number(tables, facts):
    given = small(tables, "lots", "spaces")
    figure = maps.whole_ground(given, facts, paper="tabloid")
    sheet = surface.blank_sheet(drawing.choose_frame(maps.bounds(given), facts.unit, paper="tabloid"))
    labels = numbers.plan_labels(sheet, given, facts.convergence_deg)
    assert labels.lots is not None
    boxes = shapely.buffer(np.array(labels.boxes, dtype=object), -0.05)
    ruled = [
        segment
        for collection in figure.axes[0].collections
        if isinstance(collection, LineCollection)
        if collection.get_linewidths()[0] == 0.28
        if collection.get_zorder() < 19
        for segment in collection.get_segments()
    ]
    assert len(ruled) > 500
    hit, _ = shapely.STRtree(boxes).query(shapely.linestrings(np.array(ruled)), "intersects")
    assert len(hit) == 0


def test_lettering_is_of_a_legible_size_and_space_numbers_come_when_there_is_room(tables, facts):
    tables = small(tables, "sections", "lots", "spaces", "drives")
    lots_only = maps.whole_ground(tables, facts, paper="tabloid")
    assert any("only lots are numbered" in text for text, _ in page_of(lots_only))
    both = maps.whole_ground(tables, facts, paper="A1", scale=30)
    assert not any("only lots are numbered" in text for text, _ in page_of(both))
    assert sum(text == "4" for text, _ in page_of(both)) > 300
    tiny = maps.whole_ground(tables, facts, paper="letter", scale=300)
    assert any("take a larger sheet" in text for text, _ in page_of(tiny))
    assert "114" not in [text for text, _ in page_of(tiny)]
    for figure in (lots_only, both, tiny):
        assert min(item.get_fontsize() for _, item in page_of(figure)) >= 5.0


def luminance(color):
    red, green, blue = (int(color[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_states_differ_without_colour():
    for one, other in combinations(LAYERS["spaces"].symbols.values(), 2):
        apart = abs(luminance(one.fill) - luminance(other.fill))
        assert one.pattern != other.pattern or apart > 0.2, (one.word, other.word)


HOSTILE = ["$\\frac{", "$x^$", "{{7*7}}", "</script><img src=x onerror=alert(1)>", "\\end{document}", "a\nb\x00c",
           "%s%n",
           "\U0001f480\u202e", "x" * 100_000]  # fmt: skip


def test_hostile_names_are_set_as_they_stand(tables):
    lots, sections, findings = tables["lots"].copy(), tables["sections"].copy(), tables["findings"].copy()
    lots = lots[lots["section"] != "B"].reset_index(drop=True)
    for number, name in enumerate(HOSTILE):
        lots.loc[number, "lot"] = name
        sections.loc[number % len(sections), "title"] = name
        findings.loc[number % len(findings), "subject"] = name
    facts = drawn_ground.facts(name="Hill $\\alpha {{7*7}}", accuracy="$\\frac{", place="${7*7}")
    given = {"lots": lots, "sections": sections, "findings": findings}
    said = " ".join(words_of(maps.save(maps.whole_ground(given, facts, paper="A1"), facts, dpi=20).pdf).split())
    for name in ("Hill $\\alpha {{7*7}}", "${7*7}", "$\\frac{", "%s%n", "\\end{document}", "onerror=alert(1)>"):
        assert name in said


def test_a_ground_in_metres_has_metric_sheets_scales_and_bars():
    # NAD83(2011) / UTM zone 17N
    tables = drawn_ground.tables(origin=np.array([350_000.0, 4_520_000.0]), crs="EPSG:6346", scale=0.3048)
    facts = drawn_ground.facts("EPSG:6346", convergence_deg=-1.2, accuracy="Half lie within 0.09 m.")
    figure = maps.whole_ground(small(tables, "sections", "lots"), facts)
    size = tuple(round(side * 25.4) for side in sorted(figure.get_size_inches()))
    assert size in {(210, 297), (297, 420), (420, 594), (594, 841)}
    texts = [text for text, _ in page_of(figure)]
    assert any(re.fullmatch(r"1 : \d+", text) for text in texts)
    assert any(re.fullmatch(r"\d+ m", text) for text in texts)
    assert not any(re.search(r"feet|inch|\bft\b", text) for text in texts)


def test_what_cannot_be_drawn_is_said(tables, facts):
    with pytest.raises(InputError, match="no layer has a place"):
        maps.whole_ground({"people": tables["people"]}, facts)
    empty = tables["lots"].copy()
    empty["geometry"] = None
    with pytest.raises(InputError, match="no layer has a place"):
        maps.whole_ground({"lots": empty}, facts)
    with pytest.raises(InputError, match="do not fit on letter"):
        maps.whole_ground(tables, facts, paper="letter", scale=20)
    with pytest.raises(InputError, match="no sheet 'B4'"):
        maps.whole_ground(tables, facts, paper="B4")
    figure = maps.whole_ground(small(tables, "sections"), facts)
    with pytest.raises(InputError, match="'May' is not a date"):
        maps.save(figure, drawn_ground.facts(date="May"))


def test_parts_of_a_ground_can_be_drawn_alone(tables, facts):
    for name in ("spaces", "lots", "sections", "markers", "corners", "monuments"):
        figure = maps.whole_ground({name: tables[name]}, facts, paper="letter")
        assert figure.axes[0].patches
    none_placed = tables["findings"].copy()
    none_placed["geometry"] = None
    figure = maps.whole_ground(small(tables, "sections") | {"findings": none_placed}, facts, paper="tabloid")
    texts = [text for text, _ in page_of(figure)]
    assert "FINDINGS WITHOUT A PLACE ON THE MAP" in texts
    assert not any("(no place)" in text for text in texts)


def test_too_many_findings_are_counted_and_the_worst_stay(tables, facts):
    findings = tables["findings"]
    many = findings.loc[[0] + [1] * 60].reset_index(drop=True)
    many["subject"] = [f"A-{number}" for number in range(len(many))]
    figure = maps.whole_ground(small(tables, "sections") | {"findings": many}, facts, paper="letter")
    texts = [text for text, _ in page_of(figure)]
    assert "label misread: A-0" in texts
    shown = sum(text.startswith(("label misread: ", "marker moved or set there: ")) for text in texts)
    assert f"and {len(many) - shown} more: see the findings layer" in texts
    assert shown > 3


@pytest.mark.parametrize("paper", ["letter", "tabloid", "A1"])
@pytest.mark.parametrize(("width", "height"), [(1.0, 1.0), (3.0, 0.6), (0.4, 1.5)])
def test_no_words_of_the_panel_cover_others(tables, facts, paper, width, height):
    # Forty sections and thirty findings on grounds of three shapes.
    number = np.arange(40)
    sections = pd.concat([tables["sections"]] * 8, ignore_index=True)
    sections["section"] = [f"Q{k}" for k in number]
    sections["geometry"] = [
        shapely.MultiPolygon([shapely.box(x, y, x + 40 * width, y + 40 * height)])
        for x, y in np.column_stack([number % 8 * 100 * width, number // 8 * 100 * height]) + drawn_ground.ORIGIN
    ]
    findings = pd.concat([tables["findings"]] * 5, ignore_index=True)
    findings["severity"] = "warning"
    figure = maps.whole_ground({"sections": sections, "findings": findings}, facts, paper=paper)
    canvas = FigureCanvasAgg(figure)
    frame = drawing.choose_frame(maps.bounds({"sections": sections}), facts.unit, paper=paper)
    left, bottom, right, top = frame.panel_pt
    boxes = []
    for _, item in page_of(figure):
        x, y = item.get_position()
        if left <= x <= right and bottom <= y <= top:
            found = item.get_window_extent(canvas.get_renderer())
            boxes.append(shapely.box(found.x0, found.y0, found.x1, found.y1).buffer(-0.13 * found.height))
    boxes = np.array(boxes)
    assert len(boxes) > 40
    one, other = shapely.STRtree(boxes).query(boxes, "intersects")
    assert [(a, b) for a, b in zip(one, other, strict=True) if a < b] == []
    dots = figure.dpi / 72
    panel = shapely.box(left * dots, bottom * dots, right * dots, top * dots)
    assert shapely.covers(panel, boxes).all()
    texts = [text for text, _ in page_of(figure)]
    assert any(text.startswith("label misread: ") for text in texts)
    assert any(re.fullmatch(r"and \d+ more sections", text) for text in texts) or "Q39 Infants" in texts
