"""Plats: every pattern by its own arithmetic, numbers, markers, nonsense, and a picture of each to look at."""

from __future__ import annotations

import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.geometry import polygons_from_rings
from cemgis.ground import parse_ground
from cemgis.plat import make_plat, match_label, overlaps
from cemgis.units import FOOT

HEAD = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
"""
PLAT = '[[plat]]\nname = "1889"\ndate = "1889-05-01"\n'

PATTERNS = {
    "a walks and drives": """
[[section]]
name = "A"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 4
lots = 5
frontage = "16 ft"
depth = "12 ft"
between_rows = ["0 ft", "10 ft"]
breaks = [{ after = 2, width = "8 ft" }]
spaces = 4
""",
    "b numbers back and forth": """
[[section]]
name = "B"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "east"
step = "south"
rows = 3
lots = 4
frontage = "12 ft"
depth = "16 ft"
numbering = "back and forth"
spaces = 4
[[section.rows]]
at = ["0 ft", "-60 ft"]
run = "west"
step = "south"
rows = 2
lots = [3, 2]
frontage = "12 ft"
depth = "16 ft"
numbering = "run on"
""",
    "b numbers restart": """
[[section]]
name = "B"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "east"
step = "south"
rows = 3
row_names = ["a", "b", "c"]
lots = 4
frontage = "12 ft"
depth = "16 ft"
numbering = "restart"
spaces = 2
""",
    "c numbers skip": """
[[section]]
name = "C"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 2
lots = 9
frontage = "16 ft"
depth = "12 ft"
skip = [13]
empty = [7]
blank = [[1, 4], [2, 1]]
extra = { "12" = ["12A", "12B"] }
spaces = 4
""",
    "d marker inset": """
[[section]]
name = "D"
markers = "northeast"
marker_inset = "6 in"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
rows = 2
lots = 3
frontage = "16 ft"
depth = "12 ft"
spaces = 4
""",
    "e counted facing west": """
[[section]]
name = "E"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
lots = 3
frontage = "16 ft"
depth = "24 ft"
spaces = 4
tiers = 2
facing = "west"
from = "left"
""",
    "f rows north and south": """
[[section]]
name = "F"
heads = { axis = "rows", facing = "north" }
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 3
lots = 4
frontage = "12 ft"
depth = "16 ft"
between_rows = "4 ft"
spaces = 4
facing = "north"
from = "right"
""",
    "g sizes differ back to back": """
[[section]]
name = "G"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
lots = 5
frontage = ["16 ft", "16 ft", "20 ft", "16 ft", "12 ft"]
depth = "12 ft"
spaces = 4
sizes = { "5" = { frontage = "8 ft", depth = "9 ft" } }
[[section.rows]]
at = ["12 ft", "0 ft"]
run = "north"
step = "east"
lots = 6
frontage = "12 ft"
depth = "14 ft"
spaces = 3
tiers = 2
facing = "west"
from = "right"
""",
    "h small spaces and niches": """
[[section]]
name = "H"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "east"
step = "north"
rows = 2
lots = 6
frontage = "6 ft"
depth = "3 ft"
between_rows = "3 ft"
spaces = 2
facing = "north"
kind = "cremation"
[[section.rows]]
at = ["0 ft", "14 ft"]
run = "east"
step = "north"
singles = 9
frontage = "3 ft"
depth = "5 ft"
kind = "infant"
[[section.niches]]
building = "N"
face = "east"
rows = 3
columns = 4
""",
    "i single graves": """
[[section]]
name = "I"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 3
singles = 7
frontage = "4 ft"
depth = "12 ft"
between_rows = "2 ft"
numbering = "restart"
markers_at = "row ends"
""",
}


def _ground(text: str, plat: str = PLAT, head: str = HEAD):
    return parse_ground(head + plat + text, Path())


def _plat(text: str, tables=None, **more):
    return make_plat(_ground(text, **more), tables)


def _polygons(plat, corners=None):
    xy = plat.corners_plat_xy if corners is None else corners
    lots = polygons_from_rings(xy[plat.lot_rings[0]], plat.lot_rings[1])
    vertices = plat.weights @ xy
    spaces = polygons_from_rings(vertices[plat.space_rings[0]], plat.space_rings[1])
    return pd.Series(lots, index=plat.lots["lot_id"]), pd.Series(spaces, index=plat.spaces["space_id"])


def _bounds(shape):
    return pytest.approx(shape.bounds, abs=1e-9)


def _problems(text: str, tables=None, **more) -> str:
    with pytest.raises(InputError) as caught:
        _plat(text, tables, **more)
    return str(caught.value)


# ---- facts of the trade: common practice, no source ------------------------------------------------------------------

LOT = """
[[section]]
name = "A"
[[section.rows]]
at = ["100 ft", "200 ft"]
run = "north"
step = "east"
lots = 1
frontage = "16 ft"
depth = "12 ft"
spaces = 4
facing = "{facing}"
from = "{hand}"
"""


@pytest.mark.parametrize(
    ("facing", "hand", "side", "south_of_space_1"),
    [("east", "left", "north", 12.0), ("west", "left", "south", 0.0), ("east", "right", "south", 0.0),
     ("west", "right", "north", 12.0)],
)  # fmt: skip
def test_space_1_where_the_trade_counts_it(facing, hand, side, south_of_space_1):
    plat = _plat(LOT.format(facing=facing, hand=hand))
    assert plat.lots["first_space_side"].tolist() == [side]
    marker = plat.sites.iloc[0]
    assert (marker["plat_x"], marker["plat_y"]) == (100.0, 200.0)  # the southwest corner
    space = _polygons(plat)[1]["A-1-1"]
    # Four spaces 4 ft wide and 12 ft long; space 1 begins this far north of the marker.
    assert _bounds(space) == (100.0, 200.0 + south_of_space_1, 112.0, 204.0 + south_of_space_1)


@pytest.mark.parametrize(("facing", "first_x"), [("north", 100.0), ("south", 108.0)])
def test_spaces_counted_along_the_other_axis(facing, first_x):
    # Facing north the left hand is west; facing south it is east. Lot 12 ft east-west: strips 3 ft wide.
    plat = _plat(LOT.format(facing=facing, hand="left"))
    width = 3.0
    assert _bounds(_polygons(plat)[1]["A-1-1"]) == (
        first_x if facing == "north" else 112.0 - width, 200.0,
        first_x + width if facing == "north" else 112.0, 216.0,
    )  # fmt: skip
    assert plat.lots["first_space_side"].tolist() == ["west" if facing == "north" else "east"]


# ---- the patterns ----------------------------------------------------------------------------------------------------


def test_a_walks_and_drives():
    plat = _plat(PATTERNS["a walks and drives"])
    lots, spaces = _polygons(plat)
    # Row 2 touches row 1 (gap 0), row 3 lies 10 ft off, row 4 touches row 3; 8 ft after the second lot.
    assert _bounds(lots["A-1"]) == (0, 0, 12, 16)
    assert _bounds(lots["A-3"]) == (0, 40, 12, 56)
    assert _bounds(lots["A-6"]) == (12, 0, 24, 16)
    assert _bounds(lots["A-11"]) == (34, 0, 46, 16)
    assert _bounds(lots["A-20"]) == (46, 72, 58, 88)
    # Corners: 3 columns of lines by (3 + 4) points, twice.
    assert len(plat.corners) == 2 * 3 * 7
    assert len(spaces) == 80
    assert plat.spaces["lot_id"].iloc[79] == "A-20"


def test_b_back_and_forth_then_on():
    plat = _plat(PATTERNS["b numbers back and forth"])
    lots, _ = _polygons(plat)
    assert _bounds(lots["B-4"]) == (36, -16, 48, 0)
    assert _bounds(lots["B-5"]) == (36, -32, 48, -16)  # turned round under lot 4
    assert _bounds(lots["B-8"]) == (0, -32, 12, -16)
    assert _bounds(lots["B-9"]) == (0, -48, 12, -32)
    # The second block goes on from 12, running west.
    assert _bounds(lots["B-13"]) == (-12, -76, 0, -60)
    assert _bounds(lots["B-17"]) == (-24, -92, -12, -76)
    assert len(lots) == 17


def test_b_restart_tells_lots_apart_by_row():
    plat = _plat(PATTERNS["b numbers restart"])
    assert plat.lots["lot_id"].tolist() == [f"B-{row}-{lot}" for row in "abc" for lot in (1, 2, 3, 4)]
    assert plat.lots["lot"].tolist() == ["1", "2", "3", "4"] * 3
    assert plat.spaces["space_id"].iloc[0] == "B-a-1-1"
    assert plat.sites["label"].iloc[4] == "B-b-1"


def test_c_numbers_skip_and_lots_left_out():
    plat = _plat(PATTERNS["c numbers skip"])
    lots, _ = _polygons(plat)
    # Row 1: places 1-9 without the blank 4 carry 1-8; row 2: places 2-9 carry 9-12, 12A, 12B, 14, 15. 7 is a drive.
    assert plat.lots["lot"].tolist() == ["1", "2", "3", "4", "5", "6", "8", "9", "10", "11", "12", "12A", "12B", "14",
                                         "15"]  # fmt: skip
    assert _bounds(lots["C-4"]) == (0, 64, 12, 80)  # place 5
    assert _bounds(lots["C-8"]) == (0, 128, 12, 144)  # skipping loses no land, a drive does
    assert _bounds(lots["C-9"]) == (12, 16, 24, 32)
    assert _bounds(lots["C-12A"]) == (12, 80, 24, 96)
    assert _bounds(lots["C-14"]) == (12, 112, 24, 128)


@pytest.mark.parametrize(
    ("corner", "x", "y"),
    [("southwest", -12.0, 0.0), ("southeast", 0.0, 0.0), ("northwest", -12.0, 16.0), ("northeast", 0.0, 16.0)],
)
def test_d_marker_at_any_corner_and_inset(corner, x, y):
    text = PATTERNS["d marker inset"].replace("northeast", corner)
    site = _plat(text).sites.iloc[0]
    inward_x, inward_y = (0.5 if x < -6 else -0.5), (0.5 if y < 8 else -0.5)  # 6 in along both sides
    assert (site["plat_x"], site["plat_y"]) == pytest.approx((x + inward_x, y + inward_y))
    assert (site["inset_x"], site["inset_y"]) == pytest.approx((inward_x, inward_y))
    plat = _plat(text.replace("6 in", "0 in"))
    assert (plat.sites["plat_x"].iloc[0], plat.sites["plat_y"].iloc[0]) == (x, y)
    corner_xy = plat.corners_plat_xy[plat.sites["corner_index"].iloc[0]]
    assert corner_xy.tolist() == [x, y]
    assert plat.corners["has_marker"].sum() == 6


def test_d_no_markers():
    plat = _plat(PATTERNS["d marker inset"].replace('"northeast"', '""').replace("6 in", "0 in"))
    assert len(plat.sites) == 0
    assert plat.lots["marker_corner"].isna().all()


def test_e_tiers_nearest_first():
    plat = _plat(PATTERNS["e counted facing west"])
    _, spaces = _polygons(plat)
    # Facing west one stands at the east side, left is south: 1 to 4 nearest, in the east half; 5 to 8 behind.
    assert _bounds(spaces["E-1-1"]) == (12, 0, 24, 4)
    assert _bounds(spaces["E-1-4"]) == (12, 12, 24, 16)
    assert _bounds(spaces["E-1-5"]) == (0, 0, 12, 4)
    assert _bounds(spaces["E-1-8"]) == (0, 12, 12, 16)


def test_f_rows_run_north_spaces_counted_facing_north():
    plat = _plat(PATTERNS["f rows north and south"])
    _, spaces = _polygons(plat)
    assert _bounds(spaces["F-1-1"]) == (12, 0, 16, 12)  # facing north, from the right: east
    assert plat.spaces["run_azimuth_plat"].unique().tolist() == [0.0]
    assert plat.lots["first_space_side"].unique().tolist() == ["east"]


def test_g_sizes_that_differ():
    plat = _plat(PATTERNS["g sizes differ back to back"])
    lots, spaces = _polygons(plat)
    assert _bounds(lots["G-3"]) == (0, 32, 12, 52)
    assert _bounds(lots["G-5"]) == (0, 68, 9, 76)
    assert _bounds(lots["G-6"]) == (12, 0, 26, 12)
    # Facing west from the right: one stands at the east side, right is north.
    assert _bounds(spaces["G-6-1"]) == (19, 8, 26, 12)
    assert _bounds(spaces["G-6-6"]) == (12, 0, 19, 4)
    total = 12 * (16 + 16 + 20 + 16) + 9 * 8 + 6 * 12 * 14
    assert sum(shape.area for shape in lots) == pytest.approx(total, abs=1e-9)
    assert sum(shape.area for shape in spaces) == pytest.approx(total, abs=1e-9)


def test_h_small_spaces_and_niches():
    plat = _plat(PATTERNS["h small spaces and niches"])
    assert plat.spaces["kind"].value_counts().to_dict() == {"cremation": 24, "infant": 9}
    # Rows are counted on over the blocks: the infants' row is the third.
    assert plat.spaces.loc[plat.spaces["kind"] == "infant", "space_id"].tolist() == [f"H-3-{n}" for n in range(1, 10)]
    assert len(plat.niches) == 12
    assert plat.niches["space_id"].iloc[0] == "H-N-east-1-1"
    assert plat.niches["space_id"].iloc[-1] == "H-N-east-3-4"
    assert list(plat.niches.columns) == ["space_id", "section", "building", "face", "row", "column"]


def test_h_a_niche_of_a_building_that_is_its_own_section():
    text = '[[section]]\nname = "N"\n[[section.niches]]\nbuilding = "N"\nface = "east"\nrows = 5\ncolumns = 12\n'
    plat = _plat(text)
    assert "N-east-3-4" in set(plat.niches["space_id"])
    assert len(plat.corners) == len(plat.lots) == len(plat.spaces) == 0


def test_i_single_graves_with_markers_at_row_ends():
    plat = _plat(PATTERNS["i single graves"])
    assert len(plat.lots) == 0
    assert plat.spaces["lot_id"].isna().all()
    assert plat.spaces["space_id"].iloc[7] == "I-2-1"
    assert _bounds(_polygons(plat)[1]["I-3-7"]) == (28, 24, 40, 28)
    # A marker at both ends of each row, on its west line.
    assert plat.sites["label"].tolist() == ["I-1-1", "I-1-7", "I-2-1", "I-2-7", "I-3-1", "I-3-7"]
    assert plat.sites[["plat_x", "plat_y"]].to_numpy().tolist() == [
        [0, 0],
        [0, 28],
        [14, 0],
        [14, 28],
        [28, 0],
        [28, 28],
    ]


def test_i_one_marker_a_grave_and_a_row_of_one():
    text = PATTERNS["i single graves"]
    each = _plat(text.replace("row ends", "spaces"))
    assert len(each.sites) == 21
    assert each.sites["plat_y"].iloc[6] == 24.0
    one = _plat(text.replace("singles = 7", "singles = [7, 1, 7]"))
    ends = one.sites[one.sites["row"] == "2"]
    assert ends["plat_y"].tolist() == [0.0, 4.0]
    assert ends["space_id"].tolist() == ["I-2-1", "I-2-1"]


@pytest.mark.parametrize("run", ["north", "south", "east", "west"])
@pytest.mark.parametrize("turn", ["left", "right"])
def test_rings_run_counterclockwise_whichever_way_a_block_lies(run, turn):
    left = {"north": "west", "west": "south", "south": "east", "east": "north"}
    step = left[run] if turn == "left" else left[left[left[run]]]
    text = f"""
[[section]]
name = "A"
[[section.rows]]
at = ["5 ft", "7 ft"]
run = "{run}"
step = "{step}"
rows = 2
lots = 3
frontage = "16 ft"
depth = "12 ft"
spaces = 4
facing = "north"
"""
    plat = _plat(text)
    lots, spaces = _polygons(plat)
    assert all(shape.exterior.is_ccw for shape in [*lots, *spaces])
    assert len(plat.corners) == 12
    way = {"north": (0, 1), "south": (0, -1), "east": (1, 0), "west": (-1, 0)}
    # The first lot starts at the corner given, the sixth ends two steps and three runs away.
    far = np.array([5, 7]) + 48 * np.array(way[run]) + 24 * np.array(way[step])
    assert lots["A-1"].distance(shapely.Point(5, 7)) == 0
    assert shapely.Point(far).distance(lots["A-6"]) == 0


# ---- lots from a file ------------------------------------------------------------------------------------------------

FILE = '[[section]]\nname = "A"\nlots = "plat/a.csv"\n'


def _table(**columns):
    table = pd.DataFrame(columns, dtype="string")
    return {"A": table.assign(line=np.arange(len(table)) + 2)}


def test_lots_from_a_table():
    plat = _plat(
        FILE,
        _table(
            lot=["1", "2", "3"], x=["0", "12", "30 ft"], y=["0", "0", "0"], width=["12", "12 ft", "12"],
            depth=["16", "16", "16 ft 6 in"], turn=["", "", "90"], spaces=["4", "2", ""], facing=["east", "west", ""],
            **{"from": ["left", "left", ""]},
        ),
    )  # fmt: skip
    lots, spaces = _polygons(plat)
    assert _bounds(lots["A-2"]) == (12, 0, 24, 16)
    # Turned a quarter clockwise about its southwest corner: 16.5 ft now runs east, 12 ft south.
    assert _bounds(lots["A-3"]) == (30, -12, 46.5, 0)
    assert plat.lots["spaces"].tolist() == [4, 2, 1]
    assert _bounds(spaces["A-2-1"]) == (12, 0, 24, 8)
    assert len(plat.corners) == 6 + 4


def test_lots_of_a_turned_table_keep_their_sides():
    plat = _plat(FILE, _table(lot=["1"], x=["0"], y=["0"], width=["12"], depth=["16"], turn=["20"], spaces=["4"]))
    space = _polygons(plat)[1]["A-1-1"]
    # Facing east from the left is the north end also in a lot turned 20 degrees clockwise.
    turned = shapely.affinity.rotate(shapely.box(0, 12, 12, 16), -20, origin=(0, 0))
    assert space.symmetric_difference(turned).area < 1e-9
    assert plat.lots["marker_index"].iloc[0] == np.hypot(*plat.corners_plat_xy.T).argmin()


def test_lots_drawn_as_polygons_with_spaces_drawn_too():
    shapes = [shapely.box(0, 0, 12, 6), shapely.box(0, 6, 5, 16), shapely.box(5, 6, 12, 16), shapely.box(12, 0, 24, 16)]
    table = gpd.GeoDataFrame({"lot": ["1", "1", "1", "2"], "space": ["1", "2", "3", None]}, geometry=shapes)
    plat = _plat(FILE, {"A": table})
    lots, spaces = _polygons(plat)
    assert lots.index.tolist() == ["A-1", "A-2"]
    assert spaces.index.tolist() == ["A-1-1", "A-1-2", "A-1-3", "A-2-1"]
    for drawn, made in zip(shapes, spaces, strict=True):
        assert drawn.symmetric_difference(made).area < 1e-9
    # Corners move: the spaces still fill the lot.
    rng = np.random.default_rng(4)
    lots, spaces = _polygons(plat, plat.corners_plat_xy + rng.normal(0, 0.4, (len(plat.corners), 2)))
    assert sum(shape.area for shape in spaces[:3]) == pytest.approx(lots["A-1"].area, abs=1e-9)
    assert shapely.union_all(spaces[:3].to_numpy()).area == pytest.approx(lots["A-1"].area, abs=1e-9)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (None, "not one polygon"),
        (shapely.Point(1, 1), "not one polygon"),
        (shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(5, 5, 6, 6)]), "not one polygon"),
        (shapely.Polygon([(0, 0), (5, 5), (5, 0), (0, 5)]), "Self-intersection"),
        (shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 4, 4)), "the polygon has a hole"),
    ],
)
def test_polygons_that_are_no_lots(shape, words):
    table = gpd.GeoDataFrame({"lot": ["1", "2"]}, geometry=[shapely.box(20, 0, 32, 16), shape])
    said = _problems(FILE, {"A": table})
    assert said.startswith("plat/a.csv, line 2: ")
    assert words in said


def test_spaces_that_do_not_make_a_lot():
    def drawn(*boxes, **more):
        return {"A": gpd.GeoDataFrame({"lot": ["1"] * len(boxes), "space": list("1234")[: len(boxes)]} | more,
                                      geometry=[shapely.box(*box) for box in boxes])}  # fmt: skip

    assert "the spaces of lot 1 do not touch one another" in _problems(FILE, drawn((0, 0, 4, 12), (5, 0, 9, 12)))
    assert "the space lies over space 1 of its lot" in _problems(FILE, drawn((0, 0, 4, 12), (3, 0, 9, 12)))
    said = _problems(FILE, drawn((0, 0, 8, 12), (0, 0, 9, 12), space=[None, "1"]))
    assert "the space reaches out of its lot" in said
    assert "neither lot nor space has a number" in _problems(FILE, drawn((0, 0, 4, 12), lot=[None], space=[None]))


def test_single_graves_drawn_as_polygons():
    table = gpd.GeoDataFrame(
        {"row": ["1", "1"], "space": ["1", "2"]}, geometry=[shapely.box(0, 0, 4, 12), shapely.box(4, 0, 8, 12)]
    )
    plat = _plat(FILE, {"A": table})
    assert plat.spaces["space_id"].tolist() == ["A-1-1", "A-1-2"]
    assert len(plat.lots) == 0
    assert len(plat.sites) == 2


def test_an_l_shaped_lot_is_one_space_or_needs_its_spaces_drawn():
    shape = shapely.Polygon([(0, 0), (20, 0), (20, 8), (8, 8), (8, 20), (0, 20)])
    table = gpd.GeoDataFrame({"lot": ["1"], "spaces": [1]}, geometry=[shape])
    plat = _plat(FILE, {"A": table})
    assert np.allclose(plat.centre_weights @ plat.corners_plat_xy, shape.centroid.coords[0], atol=1e-9)
    said = _problems(FILE, {"A": table.assign(spaces=3)})
    assert "lot A-1: it has 6 corners and cannot be divided into strips. Draw each of its spaces as a polygon" in said


def test_a_table_with_many_problems_names_each_once():
    said = _problems(
        FILE,
        _table(
            lot=["1", None, "3", "4"], x=["0", "20", "ten", "60"], y=["0", "0", "0", "0"],
            width=["12", "12", "12", "0"], depth=["16"] * 4,
            facing=["east", "up", "east", "east"], spaces=["4", "4", "many", "4"],
        ),
    )  # fmt: skip
    assert said.startswith("5 problems:")
    for part in (
        "plat/a.csv, line 3: facing 'up' is not understood. One of: north, south, east, west.",
        "plat/a.csv, line 4: spaces 'many' is not a count from 1",
        "plat/a.csv, line 3: a lot without a number",
        "plat/a.csv, line 4: x 'ten' is not a length",
        "plat/a.csv, line 5: width '0' is too small",
    ):
        assert part in said
    assert "no column x, y" in _problems(FILE, _table(lot=["1"], width=["1"], depth=["1"]))
    assert "Did you mean 'width'?" in _problems(FILE, _table(lot=["1"], x=["0"], y=["0"], widht=["1"], depth=["1"]))


def test_a_table_that_names_sections_gives_each_its_own():
    text = FILE + '[[section]]\nname = "B"\nlots = "plat/a.csv"\n'
    both = pd.DataFrame(
        {"section": ["A", "B", "B"], "lot": ["1", "1", "2"], "x": ["0", "50", "62"], "y": ["0", "0", "0"],
         "width": ["12"] * 3, "depth": ["16"] * 3}
    )  # fmt: skip
    plat = _plat(text, {"A": both, "B": both})
    assert plat.lots["lot_id"].tolist() == ["A-1", "B-1", "B-2"]


# ---- nonsense --------------------------------------------------------------------------------------------------------

ROWS = """
[[section]]
name = "A"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 2
lots = 3
frontage = "16 ft"
depth = "12 ft"
"""


def test_every_problem_in_one_message():
    said = _problems(
        ROWS
        + 'sizes = { "99" = { depth = "1 ft" } }\nempty = [98]\nextra = { "97" = ["97A"] }\n'
        + ROWS.split("\n", 3)[3]
        .replace('["0 ft", "0 ft"]', '["0 ft", "100 ft"]')
        .replace("rows = 2", "rows = 2\nfirst = 1")
    )
    assert said.startswith("9 problems:")
    assert "ground.toml: section[1].rows[1].sizes: no lot '99' in this block" in said
    assert "section[1].rows[1].empty: no lot '98' in this block" in said
    assert "section[1].rows[1].extra.97: no place for 97, 97A" in said
    assert "lot A-1: there 2 times: section[1].rows[1], section[1].rows[2]. Renumber one." in said


def test_lots_over_one_another_within_a_section():
    other = ROWS.split("\n", 3)[3].replace('["0 ft", "0 ft"]', '["20 ft", "40 ft"]').replace("rows = 2", "rows = 1")
    said = _problems(ROWS + other)
    # Row 2 lies at x 12 to 24, y 0 to 48: the new lot 7 covers the last 8 ft of lot 6 over 4 ft of its depth.
    assert "section A: lots lie over one another: A-6 and A-7 by 4.00 ft" in said
    touching = other.replace("20 ft", "23.995 ft")
    assert len(_plat(ROWS + touching).lots) == 9  # half a hundredth is the drawing, not the land


def test_a_lot_deeper_than_its_row_runs_into_the_next():
    said = _problems(ROWS + 'sizes = { "2" = { depth = "15 ft" } }\n')
    assert "A-2 and A-5 by 3.00 ft" in said


def test_two_sections_over_one_another_are_a_finding():
    plat = _plat(ROWS + ROWS.replace('"A"', '"B"').replace('["0 ft"', '["20 ft"'))
    assert [(item.kind, item.subject) for item in plat.findings] == [("sections overlap", "A and B")]


def test_numbers_that_read_the_same_are_refused():
    said = _problems(ROWS + 'extra = { "2" = ["2a", "2A"] }\n')
    assert "lot A-2a: reads like A-2A" in said
    # a lot named 1-2 in section A and lot 2 of row 1 would be the same id
    table = _table(lot=["7", "07"], x=["0", "20"], y=["0", "0"], width=["12"] * 2, depth=["16"] * 2)
    assert "lot A-7: reads like A-07" in _problems(FILE, table)


def test_an_exception_for_a_space_that_is_not_there():
    text = ROWS.replace('name = "A"', 'name = "A"\nexceptions = [{ space = "A-3-2", heads = "east", reason = "wish" }]')
    assert "section[1].exceptions[1].space: there is no space 'A-3-2'. Did you mean 'A-3-1'?" in _problems(text)


def test_an_inset_beyond_the_middle():
    assert "reaches past the middle of lot A-1" in _problems(ROWS.replace('"A"', '"A"\nmarker_inset = "6 ft"'))


def test_niches_twice():
    text = (
        '[[section]]\nname = "N"\n' + '[[section.niches]]\nbuilding = "N"\nface = "east"\nrows = 2\ncolumns = 2\n' * 2
    )
    assert "niche N-east-1-1: there 2 times" in _problems(text)


# ---- corners ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [0.0, 0.004999, 0.005, 0.005001, -0.005, 0.0099])
def test_corners_are_shared_wherever_rounding_falls(shift):
    other = ROWS.replace('"A"', '"B"').replace('["0 ft", "0 ft"]', f'["{24 + shift} ft", "{shift} ft"]')
    plat = _plat(ROWS + other)
    # 3 lines of 4 points in A; B adds two lines and shares the third.
    assert len(plat.corners) == 12 + 8
    assert plat.corners["corner_id"].is_unique
    meeting = plat.corners[np.isclose(plat.corners["plat_x"], 24, atol=0.02)]
    assert meeting["section"].tolist() == ["A"] * 4  # the first by name


def test_corners_of_two_plats_are_never_shared():
    two = PLAT + '[[plat]]\nname = "1924"\ndate = "1924"\n'
    text = ROWS.replace('"A"', '"A"\nplat = "1889"') + ROWS.replace('"A"', '"B"\nplat = "1924"')
    plat = _plat(text, plat=two)
    assert len(plat.corners) == 24
    assert plat.corners["plat"].value_counts().to_dict() == {"1889": 12, "1924": 12}
    assert plat.corners["corner_id"].iloc[0] == "1889:0.00,0.00"


def test_a_corner_on_a_neighbours_side_belongs_to_both():
    plat = _plat(PATTERNS["g sizes differ back to back"])
    sizes = dict(zip(plat.lots["lot_id"], np.diff(plat.lot_rings[1]), strict=True))
    # Lot 1 spans y 0 to 16 on the line x = 12 where lots 6, 7 meet at 12; lot 7 spans 12 to 24 and has 16 on it.
    assert sizes["G-1"] == 5
    assert sizes["G-7"] == 5
    xy = plat.corners_plat_xy
    index, offsets = plat.lot_rings
    assert [12.0, 12.0] in xy[index[offsets[0] : offsets[1]]].tolist()


def test_turned_lots_share_corners_on_sides_too():
    # Two lots back to back with differing fronts, all turned 30 degrees clockwise: the slow path of the search.
    angle = np.radians(30)
    east, north = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
    at = [0 * east, 10 * north, 12 * east]
    plat = _plat(
        FILE,
        _table(
            lot=["1", "2", "3"], x=[str(p[0]) for p in at], y=[str(p[1]) for p in at], width=["12", "12", "12"],
            depth=["10", "10", "20"], turn=["30"] * 3, spaces=["2", "2", "5"],
        ),
    )  # fmt: skip
    assert np.diff(plat.lot_rings[1]).tolist() == [4, 4, 5]
    lots, spaces = _polygons(plat, plat.corners_plat_xy + np.random.default_rng(1).normal(0, 0.5, (8, 2)))
    assert sum(shape.area for shape in spaces) == pytest.approx(sum(shape.area for shape in lots), abs=1e-9)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_gap_and_no_overlap_when_every_corner_moves(name, seed):
    plat = _plat(PATTERNS[name])
    rng = np.random.default_rng(seed)
    shift = rng.normal(0, 0.25, (len(plat.corners), 2))
    angle, scale = 0.3, 1.002
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    grid = (plat.corners_plat_xy + shift) @ turn.T + [2023700.0, 449300.0]
    before, after = _polygons(plat), _polygons(plat, grid)
    lots, spaces = (part.to_numpy() for part in after)
    assert shapely.is_valid(spaces).all()
    whole = lots if len(lots) else spaces
    singles = spaces[plat.spaces["lot_id"].isna().to_numpy()]
    land = np.concatenate([lots, singles]) if len(lots) else singles
    # Nothing lies over anything else: the area of the union is the sum of the areas.
    assert shapely.union_all(land, grid_size=1e-6).area == pytest.approx(shapely.area(land).sum(), rel=1e-7)
    assert shapely.area(spaces).sum() == pytest.approx(shapely.area(land).sum(), rel=1e-10)
    if len(lots):
        index = plat.spaces["lot_index"].to_numpy()
        own = index >= 0
        total = np.bincount(index[own], shapely.area(spaces[own]), minlength=len(lots))
        assert np.allclose(total, shapely.area(lots), rtol=1e-9)

    # What touched still touches: the union has as many holes and pieces as before.
    def pieces(shapes):
        union = shapely.union_all(shapes, grid_size=1e-6)
        parts = getattr(union, "geoms", [union])
        # A hole smaller than a fingernail is the arithmetic of the union.
        return [sum(shapely.Polygon(hole).area > 1e-4 for hole in part.interiors) for part in parts]

    first = before[0].to_numpy() if len(lots) else before[1].to_numpy()
    assert sorted(pieces(first)) == sorted(pieces(whole))


_FEET = st.integers(4, 30)


@st.composite
def _blocks(draw):
    """Two or three blocks of one row side by side, with any sizes, divisions and ways of counting."""
    text, x = '[[section]]\nname = "A"\n', 0
    for _ in range(draw(st.integers(2, 3))):
        fronts = draw(st.lists(_FEET, min_size=1, max_size=5))
        depth = draw(_FEET)
        text += f"""
[[section.rows]]
at = ["{x} ft", "{draw(st.integers(-6, 6))} ft"]
run = "north"
step = "east"
lots = {len(fronts)}
frontage = {[f"{front} ft" for front in fronts]}
depth = "{depth} ft"
spaces = {draw(st.integers(1, 5))}
tiers = {draw(st.integers(1, 3))}
facing = "{draw(st.sampled_from(["north", "south", "east", "west"]))}"
from = "{draw(st.sampled_from(["left", "right"]))}"
"""
        x += depth
    return text


@given(_blocks(), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_any_blocks_side_by_side_are_filled_without_gap_or_overlap(text, seed):
    plat = _plat(text)
    rng = np.random.default_rng(seed)
    lots, spaces = _polygons(plat, plat.corners_plat_xy + rng.uniform(-0.2, 0.2, (len(plat.corners), 2)))
    area = shapely.area(spaces.to_numpy())
    own = np.bincount(plat.spaces["lot_index"], area, minlength=len(lots))
    assert np.allclose(own, shapely.area(lots.to_numpy()), rtol=1e-9)
    assert shapely.union_all(lots.to_numpy(), grid_size=1e-7).area == pytest.approx(area.sum(), rel=1e-7)
    # Lots that share a stretch of side in the plat share it still.
    drawn, _ = _polygons(plat)
    a, b = np.triu_indices(len(lots), 1)
    before = shapely.length(shapely.intersection(drawn.to_numpy()[a], drawn.to_numpy()[b]))
    gap = shapely.distance(lots.to_numpy()[a], lots.to_numpy()[b])
    assert (gap[before > 0.02] < 1e-9).all()
    # Numbers are the same and each once, however the lot is divided.
    for lot_id, numbers in plat.spaces.groupby("lot_id")["space"]:
        assert sorted(numbers, key=int) == [str(n) for n in range(1, len(numbers) + 1)], lot_id


def test_weights_reproduce_the_plat():
    for text in PATTERNS.values():
        plat = _plat(text)
        assert np.allclose(np.asarray(plat.weights.sum(axis=1)).ravel(), 1, atol=1e-12)
        assert np.allclose(np.asarray(plat.centre_weights.sum(axis=1)).ravel(), 1, atol=1e-12)
        _, spaces = _polygons(plat)
        centroid = shapely.get_coordinates(shapely.centroid(spaces.to_numpy()))
        assert np.allclose(plat.centre_weights @ plat.corners_plat_xy, centroid, atol=1e-9)
        # A centre moves with the corners exactly as the weights say: an affine change carries it along.
        change = np.array([[1.1, 0.2], [-0.1, 0.9]])
        assert np.allclose(plat.centre_weights @ (plat.corners_plat_xy @ change), centroid @ change, atol=1e-9)


def test_a_cut_at_a_neighbours_corner_is_that_corner():
    # 16 ft lots with four spaces back to back with 8 ft lots: the corner at 8 ft is the cut between spaces 2 and 3.
    text = ROWS.replace("rows = 2", "rows = 1") + "spaces = 4\n" + ROWS.split("\n", 3)[3].replace(
        '["0 ft", "0 ft"]', '["12 ft", "0 ft"]').replace("rows = 2", "rows = 1").replace("16 ft", "8 ft")  # fmt: skip
    plat = _plat(text)
    corner = int(np.flatnonzero((plat.corners_plat_xy == [12, 8]).all(axis=1))[0])
    index, offsets = plat.space_rings
    rings = {name: set(index[offsets[i] : offsets[i + 1]]) for i, name in enumerate(plat.spaces["space_id"])}
    # Facing east from the left: 1 is north, so 2 and 3 meet at y = 8.
    assert corner in rings["A-1-2"]
    assert corner in rings["A-1-3"]
    assert corner not in rings["A-1-1"]
    assert all(len(ring) == 4 for ring in rings.values())


# ---- labels ----------------------------------------------------------------------------------------------------------


def test_labels_match_however_they_are_written():
    plat = _plat(PATTERNS["c numbers skip"])
    for text in ("C-12A", "c 12a", "C12A", " c--012a "):
        assert match_label(text, None, plat).lot_id == "C-12A"
    assert match_label("12A", "C", plat).lot_id == "C-12A"
    assert match_label("C-13", None, plat) == match_label("C-7", None, plat)
    assert match_label("C-13", None, plat).site is None
    assert match_label(None, None, plat).candidates == ()


def test_a_bare_number_in_two_sections_is_open():
    plat = _plat(ROWS + ROWS.replace('"A"', '"B"').replace('["0 ft"', '["50 ft"'))
    found = match_label("2", None, plat)
    assert found.site is None
    assert found.candidates == ("A-2", "B-2")
    assert match_label("2", "B", plat).lot_id == "B-2"
    assert match_label("A-2", "B", plat).lot_id == "A-2"


def test_rows_that_restart_need_the_row():
    plat = _plat(PATTERNS["b numbers restart"])
    assert match_label("B-b-3", None, plat).lot_id == "B-b-3"
    assert match_label("c-3", "B", plat).lot_id == "B-c-3"
    # In section B, "b 3" may be row b or the section itself.
    assert match_label("b 3", "B", plat).candidates == ("B-a-3", "B-b-3", "B-c-3")
    found = match_label("B-3", None, plat)
    assert found.site is None
    assert found.candidates == ("B-a-3", "B-b-3", "B-c-3")


def test_labels_by_the_grounds_own_pattern():
    plat = _plat(ROWS, head=HEAD + 'marker_label = "Lot {lot} Sec. {section}"\n')
    assert plat.sites["label"].iloc[0] == "Lot 1 Sec. A"
    assert match_label("LOT 1 SEC A", None, plat).lot_id == "A-1"
    assert match_label("A-1", None, plat).lot_id == "A-1"
    by_row = _plat(PATTERNS["b numbers restart"], head=HEAD + 'marker_label = "{section}{row}/{lot}"\n')
    assert by_row.sites["label"].iloc[5] == "Bb/2"


# ---- two plats over one another --------------------------------------------------------------------------------------


def _sections(*rows):
    names, plats, dates, shapes = zip(*rows, strict=True)
    return gpd.GeoDataFrame(
        {"section": names, "plat": plats, "plat_date": dates}, geometry=list(shapes), crs="EPSG:6549"
    )


def test_overlapping_plats_are_found_the_earlier_first():
    table = _sections(
        ("B", "1924", "1924-08-12", shapely.box(0, 0, 100, 100)),
        ("A", "1889", "1889", shapely.box(90, 0, 200, 50)),
        ("C", "1889", "1889", shapely.box(50, 40, 80, 60)),
        ("D", "1958", "1958", shapely.box(200.2, 0, 300, 50)),
    )
    found = overlaps(table, least=0.5, unit=FOOT)
    assert [item.subject for item in found] == ["A and B", "C and B"]
    assert "share 500 sq ft, up to 10.00 ft wide" in found[0].reason
    assert found[0].at == (95.0, 25.0)
    assert overlaps(table.iloc[[1, 3]], least=0.5, unit=FOOT) == []


def test_overlapping_outlines_without_lots_there_are_none():
    table = _sections(("A", "1", "1889", shapely.box(0, 0, 10, 10)), ("B", "2", "1924", shapely.box(5, 0, 15, 10)))
    lots = gpd.GeoDataFrame({"section": ["A", "B"]}, geometry=[shapely.box(0, 0, 4, 10), shapely.box(6, 0, 15, 10)])
    assert len(overlaps(table, least=0.1, unit=FOOT)) == 1
    assert overlaps(table, lots, least=0.1, unit=FOOT) == []


# ---- size ------------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_hundred_thousand_spaces_take_a_second_or_so():
    text = ROWS.replace("rows = 2", 'rows = 250\nbetween_rows = ["0 ft", "8 ft"]').replace("lots = 3", "lots = 100")
    start = time.perf_counter()
    plat = _plat(text + "spaces = 4\n")
    assert len(plat.spaces) == 100_000
    assert time.perf_counter() - start < 8  # about 0.6 s on an idle core; a loop over lots takes far longer


# ---- pictures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PATTERNS)
def test_a_picture_of_each_pattern(name, tmp_path):
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    plat = _plat(PATTERNS[name])
    lots, spaces = _polygons(plat)
    figure, axes = plt.subplots(figsize=(7, 7))
    for shape, space_id in zip(spaces, spaces.index, strict=True):
        axes.plot(*shape.exterior.xy, color="#999999", lw=0.6)
        axes.annotate(space_id.rsplit("-", 1)[1], shape.representative_point().coords[0], fontsize=5, ha="center")
    for shape, lot_id in zip(lots, lots.index, strict=True):
        axes.plot(*shape.exterior.xy, color="#333333", lw=1.2)
        axes.annotate(lot_id, shape.centroid.coords[0], fontsize=7, ha="center", color="#1b4965")
    axes.plot(plat.sites["plat_x"], plat.sites["plat_y"], "s", ms=3, color="#b3261e")
    axes.set_title(f"{name}: plat frame, feet, plat north up")
    axes.set_aspect("equal")
    path = tmp_path / f"{name}.png"
    figure.savefig(path, dpi=80)
    plt.close(figure)
    assert path.stat().st_size > 5000


def test_a_label_that_names_its_section_is_not_a_row_of_another():
    text = LEAST_TWO_SECTIONS
    plat = make_plat(parse_ground(text, Path()))
    assert match_label("A-1", None, plat).lot_id == "A-1"
    # in a file of section C the same text may be row a, lot 1: nobody can tell
    assert match_label("A-1", "C", plat).site is None
    assert match_label("a-1", "C", plat).candidates == ("A-1", "C-a-1")


LEAST_TWO_SECTIONS = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889"
[[section]]
name = "A"
markers = "southwest"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 1
lots = 3
frontage = "16 ft"
depth = "12 ft"
[[section]]
name = "C"
markers = "southwest"
[[section.rows]]
at = ["100 ft", "0 ft"]
run = "north"
step = "east"
rows = 2
row_names = ["a", "b"]
lots = 3
frontage = "16 ft"
depth = "12 ft"
numbering = "restart"
"""
