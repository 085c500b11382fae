"""The way from a gate along the drives in words, as it stands in the leaflet."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import public_ground
import pytest
import shapely

from cemgis.sheets.public import say_ways
from cemgis.walk import drive_ways, legs_to

EAST, NORTH = 2_000_000.0, 500_000.0


def at(*box):
    return shapely.affinity.translate(shapely.box(*box), EAST, NORTH)


@pytest.fixture
def ground():
    """A drive 12 ft wide 300 ft north from the gate, another 200 ft east from its end; four sections beside them."""
    made = public_ground.ground()
    crs = made.spaces.crs
    names = ["left", "ahead", "far", "back"]
    boxes = [at(-120, 100, -30, 200), at(100, 330, 180, 400), at(220, 330, 300, 400), at(-300, 100, -150, 200)]
    sections = made.sections.iloc[[0] * 4].reset_index(drop=True).assign(section=names)
    sections = gpd.GeoDataFrame(sections.drop(columns="geometry"), geometry=boxes, crs=crs)
    drives = gpd.GeoDataFrame({"drive_id": ["1", "2"], "name": ["Long drive", "Cross drive"]}, crs=crs,
                              geometry=[at(-6, 0, 6, 312), at(6, 300, 206, 312)])  # fmt: skip
    gates = gpd.GeoDataFrame({"gate_id": ["1"], "name": ["Mill gate"]}, crs=crs, geometry=[shapely.Point(EAST, NORTH)])
    return replace(made, sections=sections, drives=drives, gates=gates)


def test_the_way_to_each_section_is_said(ground):
    said = say_ways(ground)
    assert said["left"] == "From Mill gate: north on Long drive 150 ft; it lies on your left, 30 ft off."
    assert said["ahead"] == (
        "From Mill gate: north on Long drive 310 ft; right east on Cross drive 140 ft; it lies on your left, 20 ft off."
    )
    assert said["back"].endswith("150 ft off, beyond section left.")
    assert said["far"].startswith(
        "From Mill gate: north on Long drive 310 ft; right east on Cross drive 200 ft; it lies "
    )


def test_sides_are_those_of_true_north(ground):
    assert say_ways(ground, 90.0)["left"].startswith("From Mill gate: east on Long drive")


def test_no_way_is_said_where_none_is_known(ground):
    assert say_ways(replace(ground, gates=ground.gates.iloc[:0])) == {}
    assert say_ways(replace(ground, drives=ground.drives.iloc[:0])) == {}
    far = ground.gates.set_geometry([shapely.Point(EAST + 5_000, NORTH)])
    assert say_ways(replace(ground, gates=far)) == {}
    nameless = replace(ground, drives=ground.drives.assign(name=None), gates=ground.gates.assign(name=None))
    assert say_ways(nameless)["left"] == "From the gate: north on the drive 150 ft; it lies on your left, 30 ft off."


def test_legs_are_as_long_as_the_drives():
    ways = drive_ways([shapely.box(-6, 0, 6, 312), shapely.box(6, 300, 206, 312)], [[0.0, 0.0]], gap=1.0)
    gate, legs = legs_to(ways, shapely.box(100, 330, 180, 400), short=20.0)
    assert gate == 0
    assert sum(leg.length for leg in legs) == pytest.approx(306 + 140 + 24, abs=8.0)
    assert np.allclose(legs[-1].line[-1][1], 330.0)
