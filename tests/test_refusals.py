"""What rules, plats, systems, parcels, scans and tapes refuse: each is provoked, and says these words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from refusing import BLOCK, GROUND, SECTION, refused

from cemgis import reference, schema
from cemgis.drawing import choose_frame
from cemgis.ground import Heads, HeadsException, parse_ground
from cemgis.land import check_parcel, usable_land
from cemgis.layers import LAYERS
from cemgis.layout import Module
from cemgis.opening import depth_window
from cemgis.orientation import orient
from cemgis.parcel import parse_parcel
from cemgis.plat import make_plat
from cemgis.register import read_register
from cemgis.route import find_way
from cemgis.rules import Rules
from cemgis.scan import rectify
from cemgis.ties import CORNERS, Anchors, Shot, TieNumbers, as_built, dig_corners
from cemgis.units import FOOT
from cemgis.vaults import fit_rectangle

RULES = Rules(FOOT)
SQUARE = shapely.box(2_000_000, 700_000, 2_000_090, 700_090)


# ---- land and parcels -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parcel", "gates", "words"),
    [
        (None, [], "it is no area"),
        (shapely.Point(0, 0), [], "it is no area"),
        (SQUARE, [], "there is no gate"),
        (shapely.MultiPolygon([SQUARE, shapely.box(2_000_200, 700_000, 2_000_290, 700_090)]), [(2_000_045, 700_000)],
         "it has 2 parts. Plan one part at a time."),
        (shapely.box(2_000_000, 700_000, 2_000_010, 700_010), [(2_000_005, 700_000)],
         "100 square ft, a lot and its drive take 400"),
    ],
)  # fmt: skip
def test_parcels(parcel, gates, words):
    refused(words, check_parcel, parcel, gates, least=400, drive=12, unit=FOOT, where="field")


def test_things_to_keep_away_from():
    things = pd.DataFrame({"kind": ["dragon"], "geometry": [shapely.Point(0, 0)]})
    refused("there is no kind 'dragon'", usable_land, SQUARE, things, RULES, unit=FOOT)


PARCEL = 'name = "Meadow"\noutline = "meadow.geojson"\ngates = [[2000000.0, 700000.0]]\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (PARCEL.replace('name = "Meadow"', ""), "name: it is missing. Write it."),
        (PARCEL.replace('"Meadow"', "5"), "name: 5 is no text. Write it."),
        (PARCEL + "keep_away = 5\n", "keep_away: it is no list of tables. Write [[keep_away]]."),
        (PARCEL + '[[keep_away]]\nkind = "dragon"\nfile = "a.geojson"\n', "[1].kind: there is no kind 'dragon'"),
        (PARCEL.replace("[[2000000.0, 700000.0]]", '[["a", 1]]'), "gates: ['a', 1] is no point"),
        (PARCEL.replace("[[2000000.0, 700000.0]]", "[]"), "gates: there is no gate. Write gates = [[easting,"),
        (PARCEL + "module = []\n", "module: there is no module. Write at least one."),
        (PARCEL + "[[module]]\nrows = 0\n", "module[1].rows: 0 is no count. Write a whole number from 1."),
        (PARCEL + '[[module]]\nkind = "royal"\n', "module[1].kind: there is no kind 'royal'"),
    ],
)  # fmt: skip
def test_descriptions_of_parcels(text, words):
    ground = parse_ground(GROUND + SECTION + BLOCK, Path())
    assert parse_parcel(PARCEL, ground, "meadow.toml").name == "Meadow"
    refused(words, parse_parcel, text, ground, "meadow.toml")


def test_modules_and_depths():
    refused("its walk is wider than its drive", Module(16, 12, 4, 2, walk=20, drive=12).check, 0.5, FOOT)
    refused("depth: cover is -1. Write zero or more.", depth_window, 3.0, -1.0, [])


# ---- the plat -------------------------------------------------------------------------------------------------------

LISTED = SECTION + 'lots = "lots.csv"\n'
LOT = {"lot": "1", "x": "0", "y": "0", "width": "12", "depth": "16"}


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([], "lots.csv: no lots. Fill it in."),
        ([LOT | {"section": "B"}], "no row of section 'A'"),
        ([LOT | {"facng": "east"}], "column 'facng': not a column of lots. Did you mean 'facing'?"),
        ([LOT | {"lot": str(n), "x": "?"} for n in range(60)], "the same in "),
        ([LOT | {"x": None}], "line 1: no x. Fill it in."),
        ([LOT | {"width": "0.001", "depth": "0.001"}], "lot A-1: too small to draw"),
    ],
)
def test_lists_of_lots(rows, words):
    ground = parse_ground(GROUND + LISTED, Path())
    table = pd.DataFrame(rows, columns=None if rows else list(LOT))
    refused(words, make_plat, ground, {"A": table})
    if words == "the same in ":
        refused("more lines. Write 16", make_plat, ground, {"A": table})


def test_blocks_and_sections_without_land():
    ground = parse_ground(GROUND + SECTION + BLOCK, Path())
    assert len(make_plat(ground, {}).lots) == 1
    nowhere = replace(ground, sections=(replace(ground.sections[0], plat=None),))
    refused("section[1].plat: its lots are on no plat", make_plat, nowhere, {})
    refused(
        "no lot is left in this block", make_plat, parse_ground(GROUND + SECTION + BLOCK + "empty = [1]\n", Path()), {}
    )


# ---- reference systems ----------------------------------------------------------------------------------------------


def test_systems():
    refused("no projected system with a realization is known here for", reference.suggest, -75.0, 10.0)
    refused(
        "epoch 1912 is not a decimal year between 1980 and 2100", reference.to_grid, [[-82.3, 40.9]],
        reference.parse_reference("ITRF2014"), reference.ground_crs("EPSG:6549"), 1912.0,
    )  # fmt: skip
    refused("cannot carry a ground: it is made for pictures", reference.ground_crs, "EPSG:3857")
    refused("cannot carry a ground: its axes point south and west", reference.ground_crs, "EPSG:2065")
    refused("does not say which realization of NAD 83 its coordinates are in", reference.ground_crs, "EPSG:3734")
    refused("which has no realization '1776'; known are", reference.ground_crs, "EPSG:3734", "1776")
    refused(
        "EPSG:5703 (NAVD88 height) is vertical. Give longitude and latitude or grid coordinates, and name their "
        "geographic or projected system.", reference.parse_reference, "EPSG:5703",
    )  # fmt: skip


# ---- rules, layers, register ----------------------------------------------------------------------------------------


def test_rules_and_tables():
    odd = {"clearance.vault_to_vault": {"value": True, "source": "board"}}
    refused("True is neither a number nor a length", Rules, FOOT, odd)
    layer = LAYERS["control"]
    made = schema.empty(layer, "EPSG:6549")
    row = dict.fromkeys(layer.names) | {"control_id": "MH 1", "geometry": shapely.Point(1, 2)}
    table = schema.restore(pd.concat([pd.DataFrame(made), pd.DataFrame([row])]), layer, "EPSG:6549")
    real = next(column.name for column in layer.columns if column.type == "real" and column.high is None)
    refused("an infinite number. Leave out what is not known.", schema.check, table.assign(**{real: np.inf}), layer)
    refused("missing. Fill it in.", schema.check, table.assign(**{layer.key: pd.NA}), layer)
    square = table.set_geometry(gpd.GeoSeries([SQUARE], index=table.index, crs="EPSG:6549"))
    refused("geometry is Polygon. It must be Point.", schema.check, square, layer)


def test_columns_of_a_register():
    table = pd.DataFrame({"what": ["interment"], "when": ["1901-02-03"]})
    refused("knd: no such column of a register. Did you mean kind?", read_register, table, columns={"knd": "what"},
            source="ledger.csv", spaces=pd.DataFrame())  # fmt: skip


def test_heads_to_a_side_where_no_end_lies():
    spaces = gpd.GeoDataFrame(
        {"space_id": ["A-1", "A-2"], "section": "A", "row": "1"},
        geometry=[shapely.box(2e6, 7e5, 2e6 + 12, 7e5 + 4), shapely.box(2e6, 7e5 + 4, 2e6 + 12, 7e5 + 8)],
    )
    west = Heads("side", "west", None, given=True)
    odd = HeadsException("section[1].exceptions[1]", "A-1", "north", "family wish")
    refused("lies to the east, neither end of it is the north end. Write the side", orient, spaces, {"A": west},
            rules=RULES, exceptions=[odd])  # fmt: skip


# ---- scans, ways, tapes, probes -------------------------------------------------------------------------------------

CLICKS = [[0, 0], [10, 0], [10, 10], [0, 10]]


def test_control_points():
    refused("a control point has no place", rectify, CLICKS, [[0, 0], [1, np.nan], [1, 1], [0, 1]], model="affine")
    refused(
        "2 control points, a affine transformation takes 3 at least", rectify, CLICKS[:2], CLICKS[:2], model="affine"
    )
    circle = np.column_stack([np.cos(np.arange(6.0)), np.sin(np.arange(6.0))])  # a conic through all of them
    refused("the control points do not determine a second order transformation", rectify, circle, circle * 3.0,
            model="second order")  # fmt: skip


def test_ways_for_a_machine():
    dig = shapely.Point(10, 0).buffer(0.1)
    refused("0 is no width. Write the machine's width.", find_way, dig, [], [], width=0.0, within=50)
    refused("there is no place for the machine to stand. Give the dig.", find_way, None, [], [], width=2.0, within=50)


def test_what_was_taped_of_a_rectangle():
    numbers = TieNumbers(0.03, 0.0003, 100.0, 30.0, 0.01, 1 / 24)
    xy = np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 40.0], [36.0, 44.0]])
    anchors = Anchors.of([f"A-{k}" for k in range(4)], xy, np.full((4, 2, 2), np.eye(2) * 0.0009), np.zeros((2, 2)))
    true = dig_corners([15.3, 13.8], 2.5, 3.0, 7.5)
    given = {"anchors": anchors, "start": true, "size": (3.0, 7.5), "numbers": numbers}
    refused("900.0 is longer than two tapes", as_built, [0, 1, 2, 3], [0, 0, 1, 1], [900.0, 20.0, 30.0, 40.0], **given)
    shots = [Shot(name, tuple(at), 0.05) for name, at in zip(CORNERS, true, strict=True)]
    refused("no place, or no error. Write both coordinates.", as_built, [], [], [],
            shots=[*shots, Shot(CORNERS[0], (np.nan, 1.0), 0.05)], **given)  # fmt: skip


def test_points_of_no_rectangle():
    numbers = TieNumbers(0.03, 0.0003, 100.0, 30.0, 0.01, 1 / 24)
    anchors = Anchors.of(["A-1"], [[0.0, 0.0]], np.full((1, 2, 2), np.eye(2) * 0.0009), np.zeros((2, 2)))
    true = dig_corners([15.3, 13.8], 2.5, 3.0, 7.5)
    shots = [Shot(name, tuple(at), 0.05) for name, at in zip(CORNERS, true[[2, 3, 0, 1]], strict=True)]
    shots += [Shot("head", (33.0, -50.0), 0.01), Shot("left", (3.0, 50.0), 0.01)]
    refused("the points cannot lie on one rectangle. Shoot", as_built, [], [], [], anchors=anchors, start=true,
            size=(3.0, 7.5), numbers=numbers, shots=shots)  # fmt: skip


def test_hits_that_fit_two_places():
    middle = np.array([2_023_850.4, 449_265.8])
    hits = middle + np.array([[-1.25, 2.6], [-1.25, -2.6], [0.0, 3.75]])
    refused("apart or turned. Probe the opposite side or an end as well", fit_rectangle, hits, ["edge"] * 3,
            np.tile(np.eye(2) * 0.0025, (3, 1, 1)), 2.5, 7.5, unit=FOOT)  # fmt: skip


def test_a_map_of_nothing_that_fits():
    refused("nothing fits. Choose a larger sheet.", choose_frame, (0, 0, 120, 60), FOOT, layouts=())
