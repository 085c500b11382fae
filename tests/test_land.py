import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.land import KEEP_AWAY, check_parcel, usable_land
from cemgis.rules import RULES, Rules
from cemgis.terrain import Dem
from cemgis.units import FOOT, METRE, US_SURVEY_FOOT

METRES, FEET = Rules(METRE), Rules(US_SURVEY_FOOT)
GEOMETRY = Path(__file__).parent / "data" / "geometry"


def things(*rows):
    return pd.DataFrame({"kind": [kind for kind, _ in rows], "geometry": [shape for _, shape in rows]})


NOTHING = things()


def adds_up(land):
    parts = land.pieces["geometry"].tolist()
    assert land.pieces["area"].sum() == pytest.approx(land.parcel.area, rel=1e-9)
    assert land.pieces["share"].sum() == pytest.approx(1.0)
    assert shapely.union_all(parts).symmetric_difference(land.parcel).area < 1e-4 * land.parcel.area**0.5
    a, b = np.triu_indices(len(parts), 1)
    shapes = np.array(parts, dtype=object)
    assert shapely.area(shapely.intersection(shapes[a], shapes[b])).max(initial=0.0) < 1e-4


def test_setbacks_are_the_published_ones():
    # Environment Agency (England) from 1 Apr 2022: 250 m drinking water, 50 m any well, 30 m watercourse, 10 m drain
    for rule, metres in {"drinking_water": 250, "well": 50, "watercourse": 30, "drain": 10}.items():
        assert METRES[f"setback.{rule}"] == metres
        assert FEET[f"setback.{rule}"] == pytest.approx(metres * 3937 / 1200)
        assert "Environment Agency" in RULES[f"setback.{rule}"].source
    # Irish layout rules: 7 m from the road, 1 m inside the wall
    assert (METRES["setback.road"], METRES["setback.boundary"]) == (7, 1)
    assert all(rule == "" or rule in RULES for rule, _, _ in KEEP_AWAY.values())


def test_zones_are_as_wide_as_their_rule_and_the_first_reason_takes_the_land():
    parcel = shapely.box(1000, 2000, 1400, 2300)
    stream, drain = shapely.LineString([(1100, 1900), (1100, 2400)]), shapely.LineString([(1140, 1900), (1140, 2400)])
    land = usable_land(parcel, things(("drain", drain), ("watercourse", stream)), METRES, unit=METRE)
    adds_up(land)
    area = dict(zip(land.pieces["reason"], land.pieces["area"], strict=True))
    # watercourse 1070 to 1130; drain 1130 to 1150 of its 1130 to 1150; then 1 m of boundary on what is left
    assert area["within 30.00 m of watercourse"] == pytest.approx(60 * 300)
    assert area["within 10.00 m of drain"] == pytest.approx(20 * 300)
    left = 400 - 80
    assert area["within 1.00 m of the boundary"] == pytest.approx(2 * left + 2 * 298)
    assert area["usable"] == pytest.approx((left - 2) * 298)
    # a drive may cross the zone but keeps 5 ft off the stream itself; it may cross the drain
    assert land.drivable.area == pytest.approx((400 - 2 * 5 * 0.3048) * 300)


def test_a_well_takes_a_circle():
    parcel = shapely.box(0, 0, 300, 300)
    land = usable_land(parcel, things(("well", shapely.Point(150, 150))), METRES, unit=METRE)
    adds_up(land)
    assert land.pieces["area"][0] == pytest.approx(np.pi * 50**2, rel=1e-3)
    assert land.pieces["rule"][0] == "setback.well"
    far = usable_land(parcel, things(("drinking water", shapely.Point(-240, 150))), METRES, unit=METRE)
    assert 0 < far.pieces["area"][0] < 1500


def test_steep_land_and_hollows():
    rows, columns = 80, 100
    z = np.full((rows, columns), 100.0)
    z[:, 60:] += 0.2 * 5.0 * (np.arange(40) + 0.5)  # a fifth up, from easting 300 on, cells of 5
    z[20:30, 10:20] = 98.0  # 50 by 50, 2 deep, its sides steep
    dem = Dem(z, 0.0, 400.0, 5.0, 5.0)
    parcel = shapely.box(20, 20, 480, 380)
    rules = Rules(
        METRE, {"land.smooth": {"value": "0 m", "source": "test"}, "setback.boundary": {"value": "0 m", "source": "t"}}
    )
    land = usable_land(parcel, NOTHING, rules, unit=METRE, dem=dem)
    adds_up(land)
    area = dict(zip(land.pieces["reason"], land.pieces["area"], strict=True))
    steep = next(value for name, value in area.items() if name.startswith("steeper"))
    # Horn's slope first exceeds 15 % in the cells that begin at 300: rise of 2.5 + 5 ... over two cells
    ramp = 360 * 180
    assert ramp <= steep <= ramp + 360 * 5 + 4 * 60 * 10 + 400
    inner = next(value for name, value in area.items() if name.startswith("hollow"))
    assert 40 * 40 - 1 <= inner <= 50 * 50
    gentle = Rules(METRE, {"land.slope": {"value": 45.0, "source": "test"}})
    assert not any(
        "steeper" in reason for reason in usable_land(parcel, NOTHING, gentle, unit=METRE, dem=dem).pieces["reason"]
    )


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 100_000))
def test_areas_add_up_whatever_lies_there(seed):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(300, 700, (9, 1)) + [2_023_000, 449_000]
    parcel = shapely.Polygon(ring).buffer(0)
    parcel = max(
        shapely.get_parts(parcel.difference(shapely.Point(2_023_100, 449_050).buffer(40))), key=lambda p: p.area
    )
    kinds = rng.choice(["drain", "tree", "building", "road", "other", "rock"], 6)
    shapes = [
        shapely.Point(*xy)
        if kind == "tree"
        else shapely.LineString([xy, xy + rng.normal(0, 150, 2)]).buffer(
            8 if kind in ("building", "rock", "other") else 0.01
        )
        for kind, xy in zip(kinds, rng.normal([2_023_000, 449_000], 250, (6, 2)), strict=True)
    ]
    try:
        land = usable_land(parcel, things(*zip(kinds, shapes, strict=True)), FEET, unit=US_SURVEY_FOOT)
    except InputError as error:
        assert "leave nothing" in str(error)  # noqa: PT017
        return
    adds_up(land)
    assert shapely.covers(parcel.buffer(1e-6), land.usable)


def test_real_outlines_add_up():
    table = gpd.read_file(sorted(GEOMETRY.glob("liechtenstein*.geojson"))[0]).to_crs(2056)
    assert len(table) == 4
    for area in table.geometry:
        for part in shapely.get_parts(area):
            land = usable_land(part, things(("tree", part.centroid)), METRES, unit=METRE)
            adds_up(land)
            assert 0.3 < land.pieces["share"].iloc[-1] < 1.0
    assert json.loads(sorted(GEOMETRY.glob("liechtenstein*.geojson"))[0].read_text())["features"]


# ---- bad input ------------------------------------------------------------------------------------------------------


def test_what_is_no_parcel_is_refused():
    square = shapely.box(0, 0, 200, 200)

    def refused(parcel, gates=((100, 0),)):
        with pytest.raises(InputError) as caught:
            check_parcel(parcel, gates, least=400, drive=12, unit=FOOT, where="field")
        return str(caught.value)

    check_parcel(square, [(100, 0)], least=400, drive=12, unit=FOOT, where="field")
    assert "not sound" in refused(shapely.Polygon([(0, 0), (200, 200), (200, 0), (0, 200)]))
    assert "look like degrees" in refused(shapely.box(-82.31, 40.9, -82.30, 40.91))
    assert "a lot and its drive take 400" in refused(shapely.box(0, 0, 15, 15), [(5, 0)])
    assert "off the boundary" in refused(square, [(100, 50)])
    assert "no gate" in refused(square, [])
    assert "2 parts" in refused(shapely.MultiPolygon([shapely.box(0, 0, 9, 99), shapely.box(20, 0, 99, 99)]))
    assert "no area" in refused(shapely.Point(1, 1))


def test_rules_that_leave_nothing_and_heights_that_do_not_cover_say_so():
    parcel = shapely.box(0, 0, 100, 100)
    with pytest.raises(InputError, match=r"leave nothing to lay out .square m: .*drinking 10,000 .100 %"):
        usable_land(parcel, things(("drinking water", shapely.Point(50, 50))), METRES, unit=METRE)
    half = Dem(np.zeros((20, 10)), 0.0, 100.0, 5.0, 5.0)
    with pytest.raises(InputError, match=r"50\.0 % of the parcel bare, [\d,]+ square"):
        usable_land(parcel, NOTHING, METRES, unit=METRE, dem=half)
    with pytest.raises(InputError, match="no kind 'dragon'"):
        usable_land(parcel, things(("dragon", shapely.Point(50, 50))), METRES, unit=METRE)
