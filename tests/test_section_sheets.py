"""A section's sheet numbers everything, is turned where that helps, and shows no head end that stones speak against."""

import io
import re
import shutil
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

from cemgis import drawing, maps, pipeline
from cemgis.errors import InputError
from cemgis.maps import land, surface


@pytest.fixture(scope="module")
def tables():
    return drawn_ground.tables()


@pytest.fixture(scope="module")
def facts():
    return drawn_ground.facts()


def page_of(figure):
    """Text artists of a figure: what is set, where."""
    return [(item.get_text(), item) for item in figure.axes[0].texts]


def of_sections(tables, *names):
    """Layers of some sections only."""
    out = {}
    for name, table in tables.items():
        keep = table["section"].isin(names) if "section" in table else np.ones(len(table), dtype=bool)
        out[name] = table[keep].reset_index(drop=True)
    return out


@pytest.fixture(scope="module")
def section_c(tables, facts):
    return maps.section_sheet(tables, facts, "C", page=(4, 6))


def test_a_section_sheet_numbers_every_lot_and_space(tables, section_c):
    lots, spaces = (tables[name][tables[name]["section"] == "C"] for name in ("lots", "spaces"))
    texts = [text for text, item in page_of(section_c) if item.get_fontfamily()[0] == "DejaVu Sans"]
    for word, count in spaces["space"].value_counts().items():
        assert texts.count(word) >= count
    bold = [text for text, item in page_of(section_c) if item.get_fontweight() == "bold"]
    assert set(lots["lot"]) <= set(bold)
    assert min(item.get_fontsize() for _, item in page_of(section_c)) >= 5.0
    said = " ".join(text for text, _ in page_of(section_c))
    for words in ("Section C", "New ground", "heads east", "Page 4 of 6", "markers not found yet: search within",
                  "Plat 1889", "98 lots, 392 spaces"):  # fmt: skip
        assert words in said, words


def test_numbers_of_lots_and_spaces_do_not_cover_each_other(section_c):
    canvas = FigureCanvasAgg(section_c)
    boxes = []
    for text, item in page_of(section_c):
        if item.get_fontfamily()[0] == "DejaVu Sans" and text.isdigit() and 8.0 <= item.get_zorder() < 8.5:
            found = item.get_window_extent(canvas.get_renderer())
            shrunk = shapely.box(found.x0, found.y0, found.x1, found.y1)
            boxes.append(shrunk.buffer(-0.16 * min(found.width, found.height)))
    boxes = np.array(boxes)
    assert len(boxes) == 98 + 392
    one, other = shapely.STRtree(boxes).query(boxes, "intersects")
    assert (one < other).sum() == 0


def turned(tables, degrees):
    about = tuple(drawn_ground.ORIGIN)
    out = {}
    for name, table in tables.items():
        out[name] = table.copy()
        if "geometry" in table:
            out[name]["geometry"] = table.geometry.rotate(degrees, origin=about)  # anticlockwise
    return out


def scale_of(figure):
    return float(re.search(r"1 inch = (\d+) feet", " ".join(text for text, _ in page_of(figure))).group(1))


def test_a_section_is_turned_to_lie_along_its_sheet_and_north_turns_with_it(tables, facts):
    # Section B stands 3 degrees clockwise; turned 40 degrees the other way it would need a smaller scale.
    figure = maps.section_sheet(turned(of_sections(tables, "B"), 40.0), facts, "B", paper="letter")
    straight = maps.section_sheet(of_sections(tables, "B"), facts, "B", paper="letter")
    assert scale_of(figure) == scale_of(straight)
    assert not any("TURNED" in text for text, _ in page_of(straight))
    said = " ".join(text for text, _ in page_of(figure))
    top = float(re.search(r"grid azimuth ([\d.]+)°: THE SHEET", said).group(1))
    assert top == pytest.approx(360.0 - 37.0, abs=0.06)
    points = np.concatenate([p.get_xy() for p in figure.axes[0].patches if p.get_gid() == "true north"])
    ends = [(a, b) for a in points for b in points]
    tip, tail = max(ends, key=lambda pair: np.hypot(*(pair[0] - pair[1])) + 1e-6 * (pair[0][1] - pair[1][1]))
    assert np.degrees(np.arctan2(*(tip - tail))) == pytest.approx(-facts.convergence_deg - (top - 360.0), abs=0.06)
    # Lots lie along the sheet's edges.
    rings = [
        segment
        for collection in figure.axes[0].collections
        if isinstance(collection, LineCollection) and collection.get_zorder() == 4.0
        for segment in collection.get_segments()
    ]
    assert len(rings) == (tables["lots"]["section"] == "B").sum()
    sides = np.abs(np.diff(np.array(rings), axis=1)).reshape(-1, 2)
    assert sides.min(axis=1).max() < 0.05


def test_a_frame_goes_to_the_sheet_and_back_turned_or_not(facts):
    rng = np.random.default_rng(2)
    grid = drawn_ground.ORIGIN + rng.uniform(0, 300, (20, 2))
    for top in (0.0, 20.0, -33.0):
        xy = drawing.along_sheet(grid, top)
        low, high = xy.min(axis=0), xy.max(axis=0)
        frame = drawing.choose_frame((*low, *high), facts.unit, top_deg=top)
        page = frame.to_page(grid)
        np.testing.assert_allclose(frame.to_grid(page), grid, rtol=0, atol=1e-6)
        assert (page.min(axis=0) >= frame.map_pt[:2]).all()
        assert (page.max(axis=0) <= frame.map_pt[2:]).all()
        # A step toward the top's azimuth goes straight up, and is as long as the scale says.
        step = [np.sin(np.radians(top)), np.cos(np.radians(top))]
        up = frame.to_page(grid[:1] + np.array(step) * 72 * frame.unit_per_pt) - page[:1]
        np.testing.assert_allclose(up, [[0.0, 72.0]], atol=1e-6)


def ticks_of(figure):
    return sum(
        len(collection.get_segments())
        for collection in figure.axes[0].collections
        if isinstance(collection, LineCollection) and collection.get_zorder() == 3.6
    )


def test_heads_that_stones_speak_against_are_no_fact(tables, facts):
    given = of_sections(tables, "C")
    spaces = given["spaces"]
    spaces.loc[spaces.index[:30], "heads_seen"] = "agrees"
    spaces.loc[spaces.index[30], "heads_seen"] = "disagrees"
    assert ticks_of(maps.section_sheet(given, facts, "C")) == len(spaces) - 1  # one of 31: a space's matter
    spaces.loc[spaces.index[:30], "heads_seen"] = "disagrees"
    spaces.loc[spaces.index[30], "heads_seen"] = "agrees"
    for figure in (maps.section_sheet(given, facts, "C"), maps.whole_ground(given, facts, paper="tabloid")):
        said = " ".join(text for text, _ in page_of(figure))
        assert "heads east by rule –" in said
        assert "stones show WEST: settle first" in said
        assert ticks_of(figure) <= 1
        assert "the heads lie this way" not in said
    # A finding about the section counts, however few stones there are.
    spaces["heads_seen"] = "not seen"
    spaces.loc[spaces.index[:2], "heads_seen"] = ["disagrees", "agrees"]
    assert drawing.unsettled_heads(given) == {}
    given["findings"] = given["findings"].head(1).assign(kind="heads disagree", subject="C", section="C")
    assert drawing.unsettled_heads(given) == {"C": ("east", "west")}


def test_nothing_is_drawn_beyond_the_map(tables, facts):
    drives = tables["drives"].copy()
    drives["geometry"] = drives.geometry.buffer(3000.0)
    figure = maps.section_sheet(of_sections(tables, "A") | {"drives": drives}, facts, "A", paper="letter")
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=72)
    picture = np.asarray(Image.open(buffer).convert("RGB"))
    margin = 20  # the frame stands 26 points inside the sheet
    for strip in (picture[:margin], picture[-margin:], picture[:, :margin], picture[:, -margin:]):
        assert (strip == 255).all()


def test_rows_of_single_graves_are_named(tables, facts):
    given = of_sections(tables, "E")
    spaces = given["spaces"]
    spaces["lot_id"] = pd.NA
    spaces["kind"] = "full"
    row = np.arange(len(spaces)) // 24
    spaces["space"] = (np.arange(len(spaces)) % 24 + 1).astype(str)
    spaces["space_id"] = [f"E-{chr(97 + r)}-{n}" for r, n in zip(row, spaces["space"], strict=True)]
    figure = maps.section_sheet({"spaces": spaces, "sections": given["sections"]}, facts, "E")
    texts = [text for text, _ in page_of(figure)]
    for word in "abcde":
        assert texts.count(f"row {word}") == 2
    assert texts.count("24") >= 5


def test_pages_are_counted_and_the_first_is_their_index(tables, facts):
    given = {name: tables[name] for name in ("sections", "lots", "corners")}
    names, figures = zip(*maps.pages(given, facts), strict=True)
    assert names == ("", "A", "B", "C", "D", "E")
    pdf, pictures = maps.save_all(figures, facts, dpi=30)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == len(pictures) == 6
    for number, page in enumerate(reader.pages, 1):
        said = " ".join(page.extract_text().split())
        assert f"Page {number} of 6" in said
        assert "STAFF – NOT FOR PUBLICATION" in said
    index = " ".join(reader.pages[0].extract_text().split())
    for number, name in enumerate("ABCDE", 2):
        assert re.search(rf"Section {name} \S? ?page {number}", index)
    with pytest.raises(InputError, match="no such section has a place"):
        maps.section_sheet(given, facts, "Q")


def test_a_danger_without_a_place_stands_on_every_sheet(tables, facts):
    shifted = (
        tables["findings"]
        .head(1)
        .assign(severity="danger", kind="file shifted", subject="may.csv", section=pd.NA, geometry=None)
    )
    given = of_sections(tables, "C") | {"findings": shifted}
    texts = [text for text, _ in page_of(maps.section_sheet(given, facts, "C"))]
    assert "file shifted: may.csv" in texts
    assert "FINDINGS WITHOUT A PLACE ON THE MAP" not in texts  # it is everywhere's


def test_marks_give_way_to_small_lots(tables, facts):
    figure = maps.whole_ground(tables, facts, paper="letter", scale=100)
    frame = drawing.choose_frame(maps.bounds(tables), facts.unit, paper="letter", scale=100)
    sheet = surface.blank_sheet(frame)
    small, large = (tables["corners"][tables["corners"]["section"] == name] for name in "ED")
    sizes = [
        land._mark_sizes(sheet, tables, frame.to_page(shapely.get_coordinates(table.geometry.to_numpy())), 4.0).max()
        for table in (small, large)
    ]
    side = np.sqrt(8.0 * 6.0) / frame.unit_per_pt
    assert sizes[0] <= 0.5 * side
    assert sizes[0] < sizes[1]
    assert figure.axes


def test_a_search_circle_is_drawn_to_scale(tables, facts):
    given = {name: tables[name] for name in ("sections", "lots", "corners")}
    given["corners"] = given["corners"].assign(radius_95=3.0)
    figure = maps.section_sheet(given, facts, "C", paper="tabloid", scale=30)
    circles = [
        segment
        for collection in figure.axes[0].collections
        if isinstance(collection, LineCollection) and collection.get_zorder() == 6.4
        for segment in collection.get_segments()
    ]
    mine = given["corners"][given["corners"]["section"] == "C"]
    assert len(circles) == mine["state"].isin(["unfound", "doubtful"]).sum()
    assert np.ptp(circles[0][:, 0]) == pytest.approx(2 * 3.0 / 30.0 * 72.0)  # 3 ft at 1 inch = 30 feet
    assert "search here: 95 % circle, to scale" in [text for text, _ in page_of(figure)]


def test_a_build_of_many_spaces_leaves_the_sections_to_who_asks_for_them(small_ground, tmp_path, monkeypatch):
    own = Path(shutil.copytree(small_ground, tmp_path / "own"))
    staff = own / "maps" / "staff"
    made = pipeline.build(own).made
    assert [path.name for path in made if path.suffix == ".png"] == ["ground.png", "section-A.png"]
    (staff / "section-Gone.png").write_bytes(b"of a section there was")
    monkeypatch.setattr(pipeline.products, "_MOST_NUMBERED", 5)
    run = pipeline.build(own)
    assert any("cemgis maps" in line for line in run.said)
    assert sorted(path.name for path in staff.glob("*.png")) == ["ground.png"]
    assert len(pypdf.PdfReader(staff / "ground.pdf").pages) == 1
    pipeline.render(own, section_paper="A3", section_scale="1 in = 30 ft")
    assert sorted(path.name for path in staff.glob("*.png")) == ["ground.png", "section-A.png"]
    pages = pypdf.PdfReader(staff / "ground.pdf").pages
    sides = sorted(float(side) / 72 * 25.4 for side in pages[1].mediabox[2:])
    assert sides == pytest.approx([297.0, 420.0], abs=0.5)
    assert "1 inch = 30 feet" in " ".join(pages[1].extract_text().split())


@pytest.mark.parametrize("paper", ["letter", "A4", "tabloid"])
def test_every_finding_of_a_section_is_named_and_gives_the_small_map_its_room(tables, facts, paper):
    many = pd.concat([tables["findings"].iloc[:1]] * 9, ignore_index=True)
    many["subject"] = pd.Series([f"C-{number}" for number in range(1, 10)], dtype="string")
    many["section"] = pd.Series(["C"] * 9, dtype="string")
    spaces = tables["spaces"].copy()
    spaces.loc[spaces["section"] == "C", "heads_seen"] = "disagrees"  # the warning takes room as well
    given = tables | {"findings": many, "spaces": spaces}
    texts = [text for text, _ in page_of(maps.section_sheet(given, facts, "C", paper=paper))]
    assert {f"label misread: C-{number}" for number in range(1, 10)} <= set(texts)
    assert not any("see the findings layer" in text for text in texts)
