import math

import matplotlib.textpath
import numpy as np
import pytest
import shapely
from matplotlib.font_manager import FontProperties

from cemgis import drawing
from cemgis.errors import InputError
from cemgis.reference import convergence, ground_crs, parse_reference, to_grid
from cemgis.units import METRE, US_SURVEY_FOOT


@pytest.mark.parametrize("unit", [METRE, US_SURVEY_FOOT])
@pytest.mark.parametrize("paper", drawing.PAPERS)
@pytest.mark.parametrize(("landscape", "beside"), [(True, True), (True, False), (False, False)])
def test_a_frame_holds_the_ground_and_no_larger_round_scale_would(unit, paper, landscape, beside):
    rng = np.random.default_rng(3)
    for _ in range(20):
        low = rng.uniform(1e5, 2e6, 2)
        high = low + rng.uniform(20, 3000, 2)
        frame = drawing.frame((*low, *high), unit, paper, landscape=landscape, beside=beside)
        left, bottom, right, top = frame.map_pt
        page = frame.to_page([low, high])
        assert (page >= (left, bottom)).all()
        assert (page <= (right, top)).all()
        across = frame.panel_pt[0] >= right if beside else frame.panel_pt[3] <= bottom
        assert across
        assert frame.panel_pt[2] < frame.size_pt[0]
        np.testing.assert_allclose(frame.to_grid(page), [low, high], rtol=0, atol=1e-6)
        scales = drawing.round_scales(unit)
        assert frame.scale in scales
        if frame.scale != scales[0]:
            larger = scales[scales.index(frame.scale) - 1]
            with pytest.raises(InputError, match="do not fit"):
                drawing.frame((*low, *high), unit, paper, landscape=landscape, beside=beside, scale=larger)


def test_lengths_on_paper_are_those_of_the_scale():
    # One inch of paper is 72 points: 20 feet at 1 in = 20 ft; 6.35 m at 1 : 250 (250 x 25.4 mm).
    assert drawing.unit_per_point(20, US_SURVEY_FOOT) * 72 == pytest.approx(20.0, rel=1e-12)
    assert drawing.unit_per_point(250, METRE) * 72 == pytest.approx(6.35, rel=1e-12)


def test_a_sheet_or_scale_that_cannot_be_is_refused():
    bounds = (0.0, 0.0, 900.0, 700.0)
    with pytest.raises(InputError, match="no sheet 'foolscap'"):
        drawing.frame(bounds, US_SURVEY_FOOT, "foolscap", landscape=True)
    for scale in (0.0, -20.0, math.nan):
        with pytest.raises(InputError, match="not a scale"):
            drawing.frame(bounds, US_SURVEY_FOOT, "letter", landscape=True, scale=scale)
    with pytest.raises(InputError, match="900 ft by 700 ft do not fit on letter at 1 inch = 20 feet"):
        drawing.choose_frame(bounds, US_SURVEY_FOOT, paper="letter", scale=20)


def test_the_sheet_grows_until_the_numbers_can_be_read():
    bounds = (0.0, 0.0, 900.0, 600.0)
    small = drawing.choose_frame(bounds, US_SURVEY_FOOT)
    large = drawing.choose_frame(bounds, US_SURVEY_FOOT, legible=small.unit_per_pt * 0.8)
    assert small.paper == "letter"
    assert list(drawing.PAPERS).index(large.paper) > 0
    assert large.unit_per_pt <= small.unit_per_pt * 0.8
    assert drawing.choose_frame(bounds, METRE).paper == "A4"


@pytest.mark.parametrize(("lon", "side"), [(-81.0, 1), (-84.5, -1)])
def test_true_north_leans_to_the_meridian_that_is_drawn_upright(lon, side):
    # EPSG:6549 has its central meridian at 82.5 W: east of it true north leans left, west of it right. The truth is
    # the grid azimuth of a short step along the meridian, got without any formula for convergence.
    ground = ground_crs("EPSG:6549")
    reference = parse_reference("NAD83(2011)", "test")
    start, end = to_grid(np.array([[lon, 40.9], [lon, 40.9005]]), reference, ground)
    meridian = math.degrees(math.atan2(end[0] - start[0], end[1] - start[1]))
    assert math.copysign(1, meridian) == -side
    at = float(np.ravel(convergence(start[None], ground))[0])
    assert drawing.true_north_on_page(at) == pytest.approx(meridian, abs=2e-3)
    assert f"{'east' if side > 0 else 'west'} of true north" in drawing.north_words(at)[0]


def test_north_is_said_in_whole_seconds_and_the_right_way():
    assert drawing.north_words(-1.999999) == ["grid north lies 2°00′00″ west of true north"]
    assert drawing.north_words(0.0) == ["grid north and true north agree here"]
    assert len(drawing.north_words(1.0, None)) == 1
    assert drawing.north_words(1.0, 3.46)[1] == "magnetic north lies 3.5° east of true north"


def _turned_boxes(angles, width=30.0, height=12.0):
    return np.array([shapely.affinity.rotate(shapely.box(0, 0, width, height), angle) for angle in angles])


def test_numbers_stand_upright_inside_their_land_at_one_size():
    angles = np.arange(-180, 181, 7.5)
    plan = drawing.lettering(_turned_boxes(angles), ["114"] * len(angles), most_pt=9.0)
    assert plan.size_pt == 9.0
    assert plan.fits.all()
    assert ((plan.angle_deg > -80.001) & (plan.angle_deg <= 100.0)).all()
    # Turned to the long side: the difference is a multiple of half a turn.
    off = (plan.angle_deg - angles) % 180.0
    np.testing.assert_allclose(np.minimum(off, 180.0 - off), 0.0, atol=1e-6)
    assert shapely.covers(_turned_boxes(angles), plan.boxes).all()


def test_small_land_carries_no_number_and_never_a_smaller_one():
    assert drawing.lettering(shapely.box([0], [0], [6], [3]), ["1"]).size_pt == 0.0
    mixed = np.concatenate(
        [shapely.box(np.arange(40) * 50.0, 0, np.arange(40) * 50.0 + 40, 20), shapely.box([0], [90], [9], [93])]
    )
    plan = drawing.lettering(mixed, ["12"] * 41, most_pt=8.0)
    assert plan.size_pt == 8.0
    assert plan.fits.tolist() == [True] * 40 + [False]
    moved = drawing.lettering(mixed[:1], ["12"], toward_deg=np.array([90.0]), shift=0.25)
    assert moved.xy[0] == pytest.approx([30.0, 10.0])
    assert not drawing.lettering(mixed[:2], ["", ""]).fits.any()


def test_width_of_text_agrees_with_the_typesetter():
    for text in ("1889", "B-114", "Millrace"):
        for families, weight in ((drawing.SANS, "normal"), (drawing.SERIF, "bold")):
            properties = FontProperties(family=[families[0]], size=10.0, weight=weight)
            width, _, _ = matplotlib.textpath.text_to_path.get_text_width_height_descent(text, properties, False)
            assert drawing.text_width(text, 10.0, families, weight) == pytest.approx(width, rel=0.03)


@pytest.mark.parametrize("pattern", ["diagonal", "level", "upright"])
def test_ruling_covers_an_area_evenly_and_stays_inside(pattern):
    # Lines at spacing d over an area A have the total length A / d.
    area = shapely.box([10.0], [5.0], [210.0], [125.0])
    lines = shapely.linestrings(np.array(drawing.pattern_lines(area, pattern, 2.0)))
    assert shapely.length(lines).sum() * 2.0 == pytest.approx(200.0 * 120.0, abs=2.0 * 200.0)  # one line, at an edge
    assert shapely.covers(shapely.buffer(area[0], 1e-6), lines).all()
    assert drawing.pattern_lines(area, "", 2.0) == []
    assert drawing.pattern_lines(np.array([None, shapely.Polygon()], dtype=object), pattern) == []


def test_crossed_ruling_is_twice_the_diagonal_one():
    area = shapely.box([0.0], [0.0], [100.0], [100.0])
    single = shapely.length(shapely.linestrings(drawing.pattern_lines(area, "diagonal", 2.5))).sum()
    double = shapely.length(shapely.linestrings(drawing.pattern_lines(area, "crossed", 2.5))).sum()
    assert double == pytest.approx(2 * single, rel=0.02)


def test_dots_lie_inside_at_their_density():
    area = shapely.Polygon([(0, 0), (100, 0), (0, 100)])
    dots = drawing.pattern_dots(np.array([area]), 2.0)
    assert shapely.contains(area, shapely.points(dots)).all()
    assert len(dots) * 2.0 * 1.4 == pytest.approx(area.area, rel=0.03)
    assert drawing.pattern_dots(np.array([None], dtype=object)).shape == (0, 2)


def test_nothing_runs_through_the_room_of_a_number():
    boxes = shapely.box([10, 14, 40], [3, 3, 3], [20, 24, 50], [7, 7, 7])
    lines = shapely.linestrings([[[0, 5], [60, 5]], [[0, 20], [60, 20]]])
    cut = drawing.without_boxes(lines, boxes)
    assert float(shapely.length(cut[0])) == pytest.approx(60 - 14 - 10)
    assert float(shapely.length(cut[1])) == 60
    assert drawing.without_boxes(lines[:0], boxes).shape == (0,)
    whole = drawing.without_boxes(np.array([shapely.box(0, 0, 60, 10)]), boxes)
    assert float(shapely.area(whole[0])) == pytest.approx(600 - (14 + 10) * 4)


def test_tags_do_not_cover_one_another_nor_leave_the_map():
    rng = np.random.default_rng(1)
    anchors = np.concatenate([rng.uniform(20, 380, (25, 2)), np.full((4, 2), 200.0), [[1.0, 1.0], [399.0, 399.0]]])
    sizes = np.full((len(anchors), 2), [16.0, 10.0])
    taken = shapely.box([190], [190], [210], [210])
    found = drawing.place_tags(anchors, sizes, (0.0, 0.0, 400.0, 400.0), taken)
    boxes = shapely.box(*(found - sizes / 2).T, *(found + sizes / 2).T)
    pairs = shapely.STRtree(boxes).query(boxes, "overlaps")
    assert pairs.shape[1] == 0
    assert (found - sizes / 2 >= 0).all()
    assert (found + sizes / 2 <= 400).all()
    assert drawing.place_tags(np.zeros((0, 2)), np.zeros((0, 2)), (0, 0, 1, 1), taken).shape == (0, 2)


def test_text_for_print_is_one_clean_line():
    assert drawing.printable("a\x00b\u202ec\n\td") == "abc d"
    assert drawing.printable("x" * 10_000_000, 10) == "x" * 9 + "…"
    assert drawing.printable(None) == ""
    assert drawing.printable(math.nan) == ""
    assert drawing.printable("Łódź – Ærø") == "Łódź – Ærø"
    assert drawing.printable("\U0001f480") == "\ufffd"
    assert drawing.printable(7) == "7"


@pytest.mark.parametrize("text", ["look first: could put a hole in the wrong place", "x" * 200, "", "a b"])
def test_wrapping_keeps_every_letter_and_the_width(text):
    lines = drawing.wrap(text, 50.0, 8.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(drawing.text_width(line, 8.0, drawing.SERIF) <= 50.0 for line in lines)


@pytest.mark.parametrize("span", [0.013, 0.9, 7.0, 99.0, 730.0, 12345.0])
def test_a_round_step_is_the_smallest_that_divides_into_few(span):
    step = drawing.round_step(span, 5)
    leading = float(f"{step:e}".split("e")[0])
    assert leading in (1.0, 2.0, 5.0)
    assert span / step <= 5 + 1e-9
    smaller = step / (2.5 if leading == 5.0 else 2.0)
    assert span / smaller > 5
    assert drawing.round_step(0.0, 5) == 1.0


def test_ticks_are_the_multiples_inside():
    assert drawing.grid_ticks(99.9, 300.0, 100.0).tolist() == [100.0, 200.0, 300.0]
    assert drawing.grid_ticks(101.0, 199.0, 100.0).tolist() == []
    assert drawing.say_coordinate(0.5) == "0.5"


def test_a_long_ground_is_laid_along_the_sheet_and_a_tall_one_upright():
    long = drawing.choose_frame((0.0, 0.0, 900.0, 250.0), US_SURVEY_FOOT, paper="letter")
    tall = drawing.choose_frame((0.0, 0.0, 250.0, 900.0), US_SURVEY_FOOT, paper="letter")
    assert long.size_pt[0] > long.size_pt[1]
    assert not long.beside
    assert tall.scale <= drawing.frame((0, 0, 250, 900), US_SURVEY_FOOT, "letter", landscape=True).scale
