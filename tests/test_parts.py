"""A section too large for one sheet comes in parts: every number is on one of them, and they tell of one another."""

from __future__ import annotations

import drawn_ground
import numpy as np
import pandas as pd
import pytest
import shapely

from cemgis import drawing, maps, schema
from cemgis.errors import InputError
from cemgis.layers import LAYERS
from cemgis.maps.parts import section_parts

WIDE, DEEP = 4.0, 12.0


def ground_of(rows, lots, turn_deg=0.0):
    """One section of rows of lots of four spaces, turned about its corner."""
    row, lot, number = (each.ravel() for each in np.mgrid[0:rows, 0:lots, 0:4])
    x, y = row * (DEEP + 4.0), (lot * 4 + number) * WIDE
    ids = row * lots + lot + 1
    crs = drawn_ground.facts().crs.crs

    def placed(left, bottom, right, top):
        corners = np.stack([[left, bottom], [right, bottom], [right, top], [left, top]]).transpose(2, 0, 1)
        t = np.radians(turn_deg)
        turned = corners @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
        return shapely.polygons(turned + drawn_ground.ORIGIN)

    spaces = pd.DataFrame({
        "space_id": [f"A-{i}-{k + 1}" for i, k in zip(ids, number, strict=True)], "section": "A",
        "lot_id": [f"A-{i}" for i in ids], "space": (number + 1).astype(str), "kind": "full", "state": "vacant",
        "geometry": placed(x, y, x + DEEP, y + WIDE),
    })  # fmt: skip
    first = number == 0
    lot_table = pd.DataFrame({
        "lot_id": [f"A-{i}" for i in ids[first]], "section": "A", "lot": ids[first].astype(str),
        "geometry": placed(x[first], y[first], x[first] + DEEP, y[first] + 4 * WIDE),
    })  # fmt: skip
    outline = placed(*(np.array([v]) for v in (0.0, 0.0, x.max() + DEEP, y.max() + WIDE)))
    section = pd.DataFrame({
        "section": ["A"], "title": "Long meadow", "lots": rows * lots, "spaces": len(spaces),
        "geometry": [shapely.multipolygons([outline[0]])],
    })  # fmt: skip
    made = {"spaces": spaces, "lots": lot_table, "sections": section}
    return {name: schema.restore(table, LAYERS[name], crs) for name, table in made.items()}


def texts_of(figure):
    return [item.get_text() for item in figure.axes[0].texts]


@pytest.fixture(scope="module")
def large():
    return ground_of(12, 100, 17.0)


@pytest.fixture(scope="module")
def facts():
    return drawn_ground.facts()


@pytest.fixture(scope="module")
def sheets(large, facts):
    return dict(maps.pages(large, facts, section_paper="letter"))


def test_every_lot_of_a_large_section_is_numbered_on_one_of_its_parts(large, sheets):
    said = [set(texts_of(figure)) for name, figure in sheets.items() if name]
    assert len(said) > 1
    lots = set(large["lots"]["lot"])
    assert lots <= set().union(*said)
    assert all(len(lots & words) < len(lots) for words in said)


def test_numbers_of_spaces_can_be_read_and_lie_in_the_map(large, facts, sheets):
    parts = section_parts(large, facts, "A", paper="letter")
    for part, figure in zip(parts, list(sheets.values())[1:], strict=True):
        left, bottom, right, top = part.frame.map_pt
        mine = [
            item
            for item in figure.axes[0].texts
            if item.get_text() in {"1", "2", "3", "4"} and item.get_zorder() == 8.0
        ]
        assert mine
        for item in mine:
            x, y = item.get_position()
            assert left < x < right
            assert bottom < y < top
            assert item.get_fontsize() >= 5.0


def test_parts_tell_where_the_section_goes_on(large, facts, sheets):
    parts = section_parts(large, facts, "A", paper="letter")
    other = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
    for part in parts:
        words = texts_of(sheets[f"A-{part.number}"])
        assert any(f"part {part.number} of {part.count}" in word for word in words)
        assert part.beside
        for side, number in part.beside.items():
            assert parts[number - 1].beside[other[side]] == part.number
            assert f"part {number}" in words
    assert f"2–{len(parts) + 1}" in texts_of(sheets[""])


def test_parts_cover_the_section_once(large, facts):
    parts = section_parts(large, facts, "A", paper="letter")
    top = parts[0].frame.top_deg
    assert abs(top) == pytest.approx(17.0, abs=0.01)
    outline = shapely.transform(large["sections"].geometry.iloc[0], lambda xy: drawing.along_sheet(xy, top))
    cores = shapely.box(*parts[0].cores.T)
    assert shapely.union_all(cores).area == pytest.approx(outline.area, rel=1e-6)
    assert shapely.area(cores).sum() == pytest.approx(outline.area, rel=1e-6)


def test_a_section_that_can_be_read_stays_on_one_sheet(facts):
    small = ground_of(2, 8)
    (part,) = section_parts(small, facts, "A", paper="letter")
    assert (part.number, part.count, part.frame.top_deg) == (1, 1, 0.0)
    assert [name for name, _ in maps.pages(small, facts, section_paper="letter")] == ["", "A"]


def test_a_scale_at_which_it_does_not_fit_makes_parts(facts):
    small = ground_of(2, 8)
    parts = section_parts(small, facts, "A", paper="letter", scale=5)
    assert len(parts) > 1
    assert {part.frame.scale for part in parts} == {5}
    with pytest.raises(InputError, match="do not fit on letter"):
        maps.section_sheet(small, facts, "A", paper="letter", scale=5)


def rows_named(table, lots_a_row):
    """The same ground with the lots numbered again in each row, so that the rows need names."""
    lots = table["lots"].copy()
    number = np.arange(len(lots))
    lots["row"] = pd.Series((number // lots_a_row + 1).astype(str), dtype=lots["row"].dtype)
    lots["lot"] = pd.Series((number % lots_a_row + 1).astype(str), dtype=lots["lot"].dtype)
    return table | {"lots": lots}


def test_every_part_names_the_rows_on_it_inside_its_map(large, facts):
    given = rows_named(large, 100)
    parts = section_parts(given, facts, "A", paper="letter")
    assert len(parts) > 2
    for part in parts:
        figure = maps.section_sheet(given, facts, "A", part=part)
        left, bottom, right, top = part.frame.map_pt
        window = shapely.box(left, bottom, right, top)
        for row, lots in given["lots"].groupby("row"):
            here = part.frame.shapes(lots["geometry"].to_numpy())
            if shapely.area(shapely.intersection(here, window)).sum() < 0.2 * shapely.area(here[0]):
                continue
            said = [item for item in figure.axes[0].texts if item.get_text() == f"row {row}"]
            assert said, (part.number, row)
            for item in said:
                x, y = item.get_position()
                assert left < x < right
                assert bottom < y < top


def test_row_names_leave_a_drive_free_where_the_other_end_is_free(facts):
    given = rows_named(ground_of(3, 20), 20)
    x, y = drawn_ground.ORIGIN
    crs = facts.crs.crs
    road = shapely.box(x - 50, y - 40, x + 100, y - 1)  # along the lower ends of all rows
    drives = schema.restore(pd.DataFrame({"drive_id": ["low"], "geometry": [road]}), LAYERS["drives"], crs)
    for more, each in (({}, 2), ({"drives": drives}, 1)):
        figure = maps.section_sheet(given | more, facts, "A", paper="tabloid")
        said = [item for item in figure.axes[0].texts if item.get_text() == "row 1"]
        assert len(said) == each
