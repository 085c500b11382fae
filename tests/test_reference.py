"""Reference systems against published coordinates, closed formulas and planted confusions."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.network import is_network_enabled

from cemgis import reference as ref
from cemgis.errors import InputError
from cemgis.reference import ways
from cemgis.units import FOOT, METRE, US_SURVEY_FOOT

DATA = Path(__file__).parent / "data"
SHARED = Path(__file__).parents[2] / "shared" / "data"
OHIO = (-82.3, 40.9)


def external(path: str) -> Path:
    found = SHARED / path
    if not found.exists():
        pytest.skip(f"{path} is not beside the repository: it may not be committed")
    return found


def lonlat_to_grid(
    lon: float, lat: float, frame: str, crs: str, epoch: float | None = None, realization: str | None = None
) -> np.ndarray:
    ground = ref.ground_crs(crs, realization)
    return ref.to_grid([[lon, lat]], ref.parse_reference(frame), ground, epoch=epoch)[0]


# ---- closed formulas, written out here as the independent check ----------------------------------------------------

_A, _F = 6378137.0, 1.0 / 298.257222101
_E2 = _F * (2.0 - _F)


def to_ecef(lon: float, lat: float, h: float) -> np.ndarray:
    lam, phi = math.radians(lon), math.radians(lat)
    n = _A / math.sqrt(1.0 - _E2 * math.sin(phi) ** 2)
    return np.array(
        [
            (n + h) * math.cos(phi) * math.cos(lam),
            (n + h) * math.cos(phi) * math.sin(lam),
            (n * (1.0 - _E2) + h) * math.sin(phi),
        ]
    )


def from_ecef(xyz: np.ndarray) -> tuple[float, float, float]:
    x, y, z = xyz
    p = math.hypot(x, y)
    phi = math.atan2(z, p * (1.0 - _E2))
    for _ in range(20):
        n = _A / math.sqrt(1.0 - _E2 * math.sin(phi) ** 2)
        phi = math.atan2(z + _E2 * n * math.sin(phi), p)
    return math.degrees(math.atan2(y, x)), math.degrees(phi), p / math.cos(phi) - n


# EPSG register, read in PROJ's tables: translations m, rotations mas, scale ppb, and their rates a year.
HELMERT = {
    "ITRF2008": (1997.0, (0.99343, -1.90331, -0.52655), (25.91467, 9.42645, 11.59935), 1.71504,
                 (0.00079, -0.0006, -0.00134), (0.06667, -0.75744, -0.05133), -0.10201),
    "ITRF2014": (2010.0, (1.0053, -1.90921, -0.54157), (26.78138, -0.42027, 10.93206), 0.36891,
                 (0.00079, -0.0006, -0.00144), (0.06667, -0.75744, -0.05133), -0.07201),
    "ITRF2020": (2010.0, (1.0039, -1.90961, -0.54117), (26.78138, -0.42027, 10.93206), -0.05109,
                 (0.00079, -0.0007, -0.00124), (0.06667, -0.75744, -0.05133), -0.07201),
}  # fmt: skip


def helmert(frame: str, xyz: np.ndarray, year: float) -> np.ndarray:
    """Time-dependent coordinate-frame rotation to NAD83(2011), small angles."""
    t0, shift, turn, scale, d_shift, d_turn, d_scale = HELMERT[frame]
    dt = year - t0
    t = np.array(shift) + dt * np.array(d_shift)
    rx, ry, rz = np.radians((np.array(turn) + dt * np.array(d_turn)) / 3.6e6)
    s = (scale + dt * d_scale) * 1e-9
    rotation = np.array([[1.0, rz, -ry], [-rz, 1.0, rx], [ry, -rx, 1.0]])
    return t + (1.0 + s) * rotation @ xyz


# ---- projections ---------------------------------------------------------------------------------------------------


def test_lambert_example_of_guidance_note() -> None:
    # IOGP/EPSG Guidance Note 7-2, Lambert Conic Conformal (2SP), NAD27 / Texas South Central.
    ground = ref.ground_crs("EPSG:32040")
    grid = ref.to_grid([[-96.0, 28.5]], ref.parse_reference("EPSG:4267"), ground)
    assert ground.unit == US_SURVEY_FOOT
    np.testing.assert_allclose(grid, [[2963503.91, 254759.80]], rtol=0, atol=0.01)
    # theta = .02565177 rad and the scale as computed from the note's own n, r and m.
    theta, n, r, k0 = 0.02565177, 0.48991263, 37565039.86, 0.99996856
    np.testing.assert_allclose(ref.convergence(grid, ground), [math.degrees(theta)], rtol=0, atol=1e-6)
    e2 = 2.0 / 294.9786982 - (1.0 / 294.9786982) ** 2  # Clarke 1866
    phi = math.radians(28.5)
    m = math.cos(phi) / math.sqrt(1.0 - e2 * math.sin(phi) ** 2)
    a_ft = 20925832.16  # the semi-major axis in US survey feet that the note prints for this example (from memory)
    assert n * r / (a_ft * m) == pytest.approx(k0, abs=2e-8)
    np.testing.assert_allclose(ref.scale_factor(grid, ground), [k0], rtol=0, atol=2e-8)


def test_michigan_lambert_example() -> None:
    # PROJ's test files: Lambert Conic Conformal (2SP Michigan), EPSG method 1051, ellipsoid scale 1.0000382.
    code = next(
        info.code
        for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])
        if info.name == "NAD27 / Michigan Central"
    )
    grid = lonlat_to_grid(-(83 + 10 / 60), 43.75, "EPSG:4267", f"EPSG:{code}")
    np.testing.assert_allclose(grid, [2308335.75, 160210.48], rtol=0, atol=0.01)


def test_transverse_mercator_examples_on_airy() -> None:
    # IOGP/EPSG Guidance Note 7-2, Transverse Mercator, British National Grid; PROJ differs by 6 and 8 mm.
    grid = lonlat_to_grid(0.5, 50.5, "EPSG:4277", "EPSG:27700")
    np.testing.assert_allclose(grid, [577274.99, 69740.50], rtol=0, atol=0.02)
    # Ordnance Survey, A guide to coordinate systems in Great Britain, annex C.
    ground = ref.ground_crs("EPSG:27700")
    lat, lon = ref.parse_angle("52°39'27.2531\"N"), ref.parse_angle("1°43'4.5177\"E")
    grid = ref.to_grid([[lon, lat]], ref.parse_reference("EPSG:4277"), ground)
    np.testing.assert_allclose(grid, [[651409.903, 313177.270]], rtol=0, atol=0.001)
    np.testing.assert_allclose(ref.to_lonlat(grid, ground), [[lon, lat]], rtol=0, atol=1e-11)


@pytest.mark.parametrize(
    ("code", "east", "north", "convergence", "scale", "combined"),
    [
        ("EPSG:6341", 439180.244, 4458812.428, -0.46252222, 0.99964553, 0.99942885),
        ("EPSG:6619", 481681.033, 2215872.800, -0.13798889, 0.99992860, 0.99971186),
    ],
)
def test_opus_report_utah(
    code: str, east: float, north: float, convergence: float, scale: float, combined: float
) -> None:
    # NGS OPUS report, Utah: UTM 12 and state plane 4302, with convergence, point scale and combined factor.
    ground = ref.ground_crs(code)
    lat, lon = ref.parse_angle("40 16 39.29837 N"), ref.parse_angle("111 42 55.48882 W")
    grid = ref.to_grid([[lon, lat]], ref.parse_reference("NAD83(2011)"), ground)
    np.testing.assert_allclose(grid, [[east, north]], rtol=0, atol=0.001)
    np.testing.assert_allclose(ref.convergence(grid, ground), [convergence], rtol=0, atol=2e-6)
    np.testing.assert_allclose(ref.scale_factor(grid, ground), [scale], rtol=0, atol=1e-8)
    np.testing.assert_allclose(ref.combined_factor(grid, ground, 1382.045), [combined], rtol=0, atol=1.1e-8)


@pytest.mark.parametrize(
    ("code", "lon", "lat"), [("EPSG:6549", -81.0, 41.5), ("EPSG:6549", -84.2, 40.4), ("EPSG:6341", -113.2, 38.0)]
)
def test_convergence_and_scale_by_definition(code: str, lon: float, lat: float) -> None:
    # A step along the meridian: its grid azimuth is minus the convergence, its length the scale.
    ground, nad = ref.ground_crs(code), ref.parse_reference("NAD83(2011)")
    ends = [Geod(ellps="GRS80").fwd(lon, lat, azimuth, 50.0)[:2] for azimuth in (180.0, 0.0)]
    a, middle, b = ref.to_grid([ends[0], [lon, lat], ends[1]], nad, ground)
    step = (b - a) * ground.unit.metres
    assert ref.convergence([middle], ground)[0] == pytest.approx(-math.degrees(math.atan2(*step)), abs=1e-6)
    assert ref.scale_factor([middle], ground)[0] == pytest.approx(math.hypot(*step) / 100.0, abs=1e-9)


def test_convergence_has_the_sign_of_the_side() -> None:
    ground, nad = ref.ground_crs("EPSG:6549"), ref.parse_reference("NAD83(2011)")
    west, centre, east = ref.convergence(
        ref.to_grid([[-84.0, 41.0], [-82.5, 41.0], [-81.0, 41.0]], nad, ground), ground
    )
    assert west < -0.9 < 0.9 < east
    assert centre == pytest.approx(0.0, abs=1e-9)  # the central meridian of the zone is 82 deg 30 min W


def test_combined_factor_is_one_over_itself_in_height() -> None:
    ground = ref.ground_crs("EPSG:6549")
    grid = lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6549")
    phi = math.radians(OHIO[1])
    meridian = _A * (1.0 - _E2) / (1.0 - _E2 * math.sin(phi) ** 2) ** 1.5
    vertical = _A / math.sqrt(1.0 - _E2 * math.sin(phi) ** 2)
    low, high = ref.combined_factor([grid, grid], ground, [0.0, math.sqrt(meridian * vertical)])
    assert high == pytest.approx(low / 2.0, rel=1e-12)
    assert low == ref.scale_factor([grid], ground)[0]
    # NGS OPUS report, Utah: elevation factor 0.999783 at 1382.045 m.
    at = ref.combined_factor([grid], ground, 1382.045)[0] / low
    assert at == pytest.approx(0.999783, abs=5e-7)
    assert np.isnan(ref.combined_factor([grid], ground, np.nan)[0])


# ---- the 225 points of NGS program L176 ------------------------------------------------------------------------------

STATES = {
    "AK": "Alaska", "AL": "Alabama", "AR": "Arkansas", "AZ": "Arizona", "CA": "California", "CO": "Colorado",
    "CT": "Connecticut", "DE": "Delaware", "FL": "Florida", "GA": "Georgia", "HI": "Hawaii", "IA": "Iowa",
    "ID": "Idaho", "IL": "Illinois", "IN": "Indiana", "KS": "Kansas", "KY": "Kentucky", "LA": "Louisiana",
    "MA": "Massachusetts", "MD": "Maryland", "ME": "Maine", "MI": "Michigan", "MN": "Minnesota", "MO": "Missouri",
    "MS": "Mississippi", "MT": "Montana", "NC": "North Carolina", "ND": "North Dakota", "NE": "Nebraska",
    "NH": "New Hampshire", "NJ": "New Jersey", "NM": "New Mexico", "NV": "Nevada", "NY": "New York", "OH": "Ohio",
    "OK": "Oklahoma", "OR": "Oregon", "PA": "Pennsylvania", "PR": "Puerto Rico & Virgin Is.", "RI": "Rhode Island",
    "SC": "South Carolina", "SD": "South Dakota", "TN": "Tennessee", "TX": "Texas", "UT": "Utah", "VA": "Virginia",
    "VI": "Puerto Rico & Virgin Is.", "VT": "Vermont", "WA": "Washington", "WI": "Wisconsin", "WV": "West Virginia",
    "WY": "Wyoming",
}  # fmt: skip
ONE_ZONE = ("PR", "VI", "SC", "NE", "MT")  # one zone each since 1983, listed there by the old ones
SIDES = {"N": "North", "S": "South", "E": "East", "W": "West", "C": "Central", "M": "Mainland", "L": "Long Island",
         "EC": "East Central"}  # fmt: skip


def zone_name(label: str) -> str:
    state, side = label[:2], label[2:].strip()
    if state in ONE_ZONE or not side:
        return f"NAD83 / {STATES[state]}"
    if side.isdigit():
        # California lost its zone 7 in 1983; the list runs that point through zone 6.
        return f"NAD83 / {STATES[state]} zone {'6' if (state, side) == ('CA', '7') else side}"
    return f"NAD83 / {STATES[state]} {SIDES[side]}"


def control_points() -> pd.DataFrame:
    rows = []
    for line in (DATA / "control" / "pj_out83.dist").read_text().splitlines():
        lon, lat, _, _, east, north, *label = line.split()
        rows.append((lon, lat, float(east), float(north), " ".join(label[:-1])))
    return pd.DataFrame(rows, columns=["lon", "lat", "east", "north", "label"])


def test_all_points_of_program_l176() -> None:
    # PROJ test/cli/test83: coordinates by NGS program L176, US survey feet, 87 zones by its numbers.
    points = control_points()
    assert len(points) == 225
    lonlat = np.column_stack([ref.parse_angles(points["lon"], "lon"), ref.parse_angles(points["lat"], "lat")])
    codes = {info.name: int(info.code) for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])}
    nad = ref.parse_reference("NAD83(2011)")
    misses = []
    for name, rows in points.groupby(points["label"].map(zone_name)).groups.items():
        # Some points lie outside their zone: the same definition without its area of use takes them too.
        bare = CRS.from_epsg(codes[name]).to_json_dict()
        for key in ("area", "bbox", "id"):
            bare.pop(key)
        ground = ref.ground_crs(json.dumps(bare), "2011")
        feet = ref.to_grid(lonlat[rows], nad, ground) * ground.unit.metres / US_SURVEY_FOOT.metres
        misses.append(feet - points.loc[rows, ["east", "north"]].to_numpy())
    misses = np.concatenate(misses)
    assert misses.shape == (225, 2)
    np.testing.assert_allclose(misses, 0.0, rtol=0, atol=0.003)


def test_point_outside_its_zone_is_refused() -> None:
    # AK 2 GP1 of the same list, five degrees south of the zone.
    with pytest.raises(InputError, match="outside the area of use of NAD83 / Alaska zone 2"):
        lonlat_to_grid(-142.0, 56.5083333, "NAD83(2011)", "EPSG:26932", realization="2011")


@pytest.mark.external
def test_australian_points() -> None:
    # GeodePy: 128 points on GDA2020 with MGA2020 coordinates; its angles are packed DDD.MMSSsss.
    geo = pd.read_csv(external("control/Test_Conversion_Geo.csv"), header=None, names=["name", "lat", "lon"], dtype=str)
    grid = pd.read_csv(
        external("control/Test_Conversion_Grid.csv"), header=None, names=["name", "zone", "east", "north"]
    )
    merged = geo.merge(grid, on="name", suffixes=("", "_grid"))
    assert len(merged) == 128

    def unpack(text: pd.Series) -> pd.Series:
        part = text.str.extract(r"^(-?)(\d+)\.(\d\d)(\d\d)(\d+)$")
        return part[0] + part[1] + " " + part[2] + " " + part[3] + "." + part[4]

    lonlat = np.column_stack(
        [ref.parse_angles(unpack(merged["lon"]), "lon"), ref.parse_angles(unpack(merged["lat"]), "lat")]
    )
    gda = ref.parse_reference("GDA2020")
    for zone, rows in merged.groupby("zone").groups.items():
        ground = ref.ground_crs(f"EPSG:{7800 + int(zone)}")
        found = ref.to_grid(lonlat[rows], gda, ground)
        np.testing.assert_allclose(found, merged.loc[rows, ["east", "north"]].to_numpy(), rtol=0, atol=0.002)


# ---- frames --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("frame", list(HELMERT))
@pytest.mark.parametrize("year", [2005.0, 2010.0, 2026.4])
@pytest.mark.parametrize(
    ("lon", "lat", "h", "code"),
    [(-82.3, 40.9, 0.0, "EPSG:6549"), (-111.7, 40.3, 1400.0, "EPSG:6619"), (-66.4, 18.3, 50.0, "EPSG:6566")],
)
def test_shift_against_closed_formula(frame: str, year: float, lon: float, lat: float, h: float, code: str) -> None:
    ground = ref.ground_crs(code)
    grid = ref.to_grid([[lon, lat]], ref.parse_reference(frame), ground, epoch=year, height=[h])
    found = ref.to_lonlat(grid, ground)[0]
    lon2, lat2, _ = from_ecef(helmert(frame, to_ecef(lon, lat, h), year))
    _, _, metres = Geod(ellps="GRS80").inv(found[0], found[1], lon2, lat2)
    assert metres < 1e-4
    # and the shift is really there: a foot at least, on an island that moves another way too
    assert Geod(ellps="GRS80").inv(found[0], found[1], lon, lat)[2] > 0.3


@pytest.mark.parametrize(
    ("frame", "epoch", "before", "after", "code"),
    [
        # NGS OPUS reports, Earth-centred coordinates of one antenna in both frames.
        ("IGS08", 2012.4407, (-1380904.391, -4687186.144, 4089011.067), (-1380903.608, -4687187.453, 4089011.143),
         "EPSG:6342"),
        ("ITRF2014", 2020.0005, (-6100260.193, -996502.600, -1567977.234), (-6100258.791, -996506.160, -1567978.831),
         "EPSG:6636"),
    ],
)  # fmt: skip
def test_opus_pairs(frame: str, epoch: float, before: tuple[float, ...], after: tuple[float, ...], code: str) -> None:
    ground = ref.ground_crs(code)
    lon, lat, h = from_ecef(np.array(before))
    grid = ref.to_grid([[lon, lat]], ref.parse_reference(frame), ground, epoch=epoch, height=[h])
    lon2, lat2, _ = from_ecef(np.array(after))
    published = ref.to_grid([[lon2, lat2]], ref.parse_reference(ground.realization), ground)
    # The report's NAD 83 is brought to 2010.0 with the motion of the site, the operation is not: 2 to 3 cm.
    np.testing.assert_allclose(grid, published, rtol=0, atol=0.03)
    raw = ref.to_grid([[lon, lat]], ref.parse_reference(ground.realization), ground)
    assert np.hypot(*(raw - published)[0]) > 1.2


def test_opus_pair_new_jersey() -> None:
    # NGS OPUS report, ITRF2014 at 2021.4756; of the NAD 83(2011) side X = 1284957.769 and h = 5.209 are known.
    ground = ref.ground_crs("EPSG:6347")
    lon, lat, h = from_ecef(np.array([1284956.833, -4733672.836, 4063328.175]))
    grid = ref.to_grid([[lon, lat]], ref.parse_reference("ITRF2014"), ground, epoch=2021.4756, height=[h])
    x = to_ecef(*ref.to_lonlat(grid, ground)[0], 5.209)[0]
    assert x == pytest.approx(1284957.769, abs=0.03)


def test_one_metre_twenty_eight_in_northern_ohio() -> None:
    # Measured with PROJ before the first line of code: 40.9 N, 82.3 W, 2026.4: 1.28 m, azimuth 138.6.
    found = {name: (metres, azimuth) for name, metres, azimuth in ref.stakes(*OHIO, 2026.4)}
    for name in ("ITRF2014", "ITRF2020", "WGS84(G2139)"):
        metres, azimuth = found[name]
        assert metres == pytest.approx(1.28, abs=0.005)
        assert azimuth == pytest.approx(138.6, abs=0.2)
    ground = ref.ground_crs("EPSG:6549")
    moved = ref.to_grid([OHIO], ref.parse_reference("WGS84(G2139)"), ground, epoch=2026.4)
    same = ref.to_grid([OHIO], ref.parse_reference("NAD83(2011)"), ground)
    assert np.hypot(*(moved - same)[0]) == pytest.approx(1.28 / US_SURVEY_FOOT.metres, abs=0.02)


def test_plain_names_would_make_the_shift_zero() -> None:
    # The trap itself, with the library alone: a plain name gives nothing and says nothing.
    plain = Transformer.from_crs("EPSG:4326", "EPSG:6318", always_xy=True).transform(*OHIO, errcheck=True)
    assert plain == pytest.approx(OHIO, abs=1e-12)
    ballpark = Transformer.from_crs("EPSG:7912", "EPSG:4269", always_xy=True).transform(*OHIO, 0.0, 2026.4)
    assert ballpark[:2] == pytest.approx(OHIO, abs=1e-12)
    # Here a plain system with its realization gives the shift as the one that says it does.
    a = lonlat_to_grid(*OHIO, "ITRF2014", "EPSG:3734", 2026.4, "2011")
    b = lonlat_to_grid(*OHIO, "ITRF2014", "EPSG:6549", 2026.4)
    np.testing.assert_allclose(a, b, rtol=0, atol=1e-6)


def test_samoa_between_two_nad83s() -> None:
    # NGS OPUS report, American Samoa: 4.1 m between ITRF2014 and NAD83(PA11) (+3.739 E, -1.748 N, computed).
    found = {name: (metres, azimuth) for name, metres, azimuth in ref.stakes(-170.7, -14.3, 2020.0005)}
    metres, azimuth = found["ITRF2014"]
    assert metres == pytest.approx(math.hypot(3.739, 1.748), abs=0.05)
    assert azimuth == pytest.approx(math.degrees(math.atan2(3.739, -1.748)), abs=0.5)
    assert "NAD83(2011)" not in found  # it is not made for the Pacific plate south of Hawaii


def test_stakes_are_those_of_the_ground_asked_for() -> None:
    on_itrf = ref.ground_crs("EPSG:32617", "G2139")
    there = {name: (m, az) for name, m, az in ref.stakes(*OHIO, 2026.4, on_itrf)}
    metres, azimuth = there["NAD83(2011)"]
    assert metres == pytest.approx(1.28, abs=0.005)
    assert azimuth == pytest.approx(138.6 + 180.0, abs=0.2)
    assert there["ITRF2014"][0] < 0.01


def test_no_epoch_for_what_stands_still() -> None:
    ground = ref.ground_crs("EPSG:6549")
    nad = ref.parse_reference("NAD83(2011)")
    assert not nad.moving
    np.testing.assert_array_equal(ref.to_grid([OHIO], nad, ground), ref.to_grid([OHIO], nad, ground, epoch=1999.0))


@pytest.mark.parametrize(
    ("epoch", "words"),
    [(None, "no epoch is given"), ([2025.0, np.nan], "1 of 2 readings have no time"), (25.35, "epoch 25.35 is not")],
)
def test_moving_frames_need_their_time(epoch: object, words: str) -> None:
    ground = ref.ground_crs("EPSG:6549")
    with pytest.raises(InputError, match=words) as caught:
        ref.to_grid([OHIO, OHIO], ref.parse_reference("ITRF2014"), ground, epoch=epoch, where="readings/may.csv")
    assert "readings/may.csv" in str(caught.value)
    assert "2025.35" in str(caught.value)


def test_each_reading_has_its_own_time() -> None:
    ground, itrf = ref.ground_crs("EPSG:6549"), ref.parse_reference("ITRF2014")
    both = ref.to_grid([OHIO, OHIO], itrf, ground, epoch=[2015.0, 2025.0])
    for row, year in zip(both, (2015.0, 2025.0), strict=True):
        np.testing.assert_array_equal(row, ref.to_grid([OHIO], itrf, ground, epoch=year)[0])
    assert 0.5 < np.hypot(*(both[1] - both[0])) < 1.0  # ten years of 2 cm, in feet


def test_two_realizations_joined_through_a_moving_frame_need_a_time() -> None:
    ground = ref.ground_crs("EPSG:6633")
    mainland = ref.parse_reference("NAD83(2011)")
    with pytest.raises(InputError, match="no epoch is given"):
        ref.to_grid([[-157.8, 21.3]], mainland, ground)
    moved = ref.to_grid([[-157.8, 21.3]], mainland, ground, epoch=2025.0)
    stay = ref.to_grid([[-157.8, 21.3]], ref.parse_reference("NAD83(PA11)"), ground)
    stakes = {name: metres for name, metres, _ in ref.stakes(-157.8, 21.3, 2025.0)}
    gap = np.hypot(*(moved - stay)[0]) * ground.unit.metres
    assert gap == pytest.approx(stakes["NAD83(2011)"], rel=2e-4)
    assert gap > 2.0


@pytest.mark.parametrize("frame", ["NAD83(HARN)", "NAD83(NSRS2007)", "EPSG:4267", "NAD83(PA11)"])
def test_ballpark_and_grid_file_operations_are_refused(frame: str) -> None:
    ground = ref.ground_crs("EPSG:6549")
    with pytest.raises(InputError, match="nothing leads from") as caught:
        ref.to_grid([OHIO], ref.parse_reference(frame), ground, epoch=2025.0)
    assert "correction service or base" in str(caught.value)
    assert "1.26 m" in str(caught.value)
    assert ref.say_operation(ref.parse_reference(frame), ground, *OHIO) == ""


def test_coarse_operations_are_refused() -> None:
    # ETRS89 to the British grid without its grid file is a seven-parameter shift of metres.
    with pytest.raises(InputError, match="nothing leads from ETRS89"):
        lonlat_to_grid(-1.5, 52.5, "ETRS89", "EPSG:27700")
    # and the family ETRS89 is within its stated decimetre
    assert lonlat_to_grid(8.0, 50.0, "ITRF2014", "EPSG:25832", 2025.0).shape == (2,)


def test_network_stays_off() -> None:
    code = (
        "from pyproj.network import is_network_enabled as on, set_network_enabled; set_network_enabled(True)\n"
        "assert on()\n"
        "from cemgis import reference as r\n"
        "r.to_grid([[-82.3, 40.9]], r.parse_reference('ITRF2014'), r.ground_crs('EPSG:6549'), epoch=2025.0)\n"
        "print(on())"
    )
    env = {**os.environ, "PROJ_NETWORK": "ON", "PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True)
    assert done.stdout.strip() == "False"
    assert not is_network_enabled()


def test_import_is_light() -> None:
    code = "import sys, cemgis.reference; print([m for m in ('pandas', 'ppigrf', 'geopandas') if m in sys.modules])"
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True)
    assert done.stdout.strip() == "[]"


def test_operation_is_always_the_same_one() -> None:
    ground, itrf = ref.ground_crs("EPSG:6549"), ref.parse_reference("ITRF2014")
    first = ref.say_operation(itrf, ground, *OHIO)
    assert first.startswith("ITRF2014 to NAD83(2011) (1), with time")
    ways._operation.cache_clear()
    assert ref.say_operation(itrf, ground, *OHIO) == first


def test_height_matters_little() -> None:
    ground, itrf = ref.ground_crs("EPSG:6549"), ref.parse_reference("ITRF2014")
    low, high, missing = ref.to_grid([OHIO] * 3, itrf, ground, epoch=2025.0, height=[0.0, 1000.0, np.nan])
    assert 0.0 < np.hypot(*(high - low)) * ground.unit.metres < 0.0004
    np.testing.assert_array_equal(missing, low)


# ---- what cannot be a ground, what says too little ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "unit", "realization"),
    [
        ("EPSG:6549", US_SURVEY_FOOT, "NAD83(2011)"),
        ("EPSG:6548", METRE, "NAD83(2011)"),
        ("EPSG:6636", METRE, "NAD83(PA11)"),
        ("EPSG:7855", METRE, "GDA2020"),
        ("EPSG:2193", METRE, "New Zealand Geodetic Datum 2000"),
    ],
)
def test_grounds_that_say_their_realization(code: str, unit: object, realization: str) -> None:
    ground = ref.ground_crs(code)
    assert (ground.unit, ground.realization, ground.code) == (unit, realization, code)
    assert not ground.moving


def test_foot_comes_from_the_axis() -> None:
    foot = next(
        info
        for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])
        if info.name == "NAD83(2011) / Michigan South (ft)"
    )
    assert ref.ground_crs(f"EPSG:{foot.code}").unit == FOOT
    grid = lonlat_to_grid(-84.3, 42.3, "NAD83(2011)", f"EPSG:{foot.code}")
    metres = lonlat_to_grid(-84.3, 42.3, "NAD83(2011)", "EPSG:6498")
    # The register rounds the false easting of 4,000,000 m to 13,123,359.58 ft.
    np.testing.assert_allclose(grid * 0.3048, metres, rtol=0, atol=1e-4)


def test_feet_of_the_federal_register() -> None:
    # 85 FR 62698: foot 0.3048 m, US survey foot 1200/3937 m; 2,000,000 ft differ by 4.000008 ft, 1.2192024 m.
    assert FOOT.metres == 0.3048
    assert US_SURVEY_FOOT.metres == pytest.approx(0.3048006096012192, rel=1e-16)
    assert 2e6 * (US_SURVEY_FOOT.metres - FOOT.metres) == pytest.approx(1.2192024, abs=1e-7)
    assert 2e6 * (US_SURVEY_FOOT.metres / FOOT.metres - 1.0) == pytest.approx(4.000008, abs=1e-6)


def test_survey_foot_numbers_of_metre_zone() -> None:
    feet = lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6549")
    metres = lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6548")
    np.testing.assert_allclose(feet, metres * 3937.0 / 1200.0, rtol=0, atol=1e-6)
    wrong = metres / 0.3048
    assert (wrong - feet)[0] == pytest.approx(feet[0] * 2.000004e-6, abs=1e-5)


@pytest.mark.parametrize("given_name", ["2011", "NAD83(2011)", "nad 83 (2011)"])
def test_plain_system_with_its_realization(given_name: str) -> None:
    assert ref.ground_crs("EPSG:3734", given_name).realization == "NAD83(2011)"
    assert ref.ground_crs("EPSG:6549", given_name).realization == "NAD83(2011)"


@pytest.mark.parametrize(
    ("code", "realization", "words"),
    [
        ("EPSG:3734", None, ["which realization of NAD 83", "1.27 m (4.2 ft)", 'crs = "EPSG:6549"',
                             'realization = "2011"']),
        ("EPSG:3734", "2012", ["no realization '2012'", "NAD83(2011)", "EPSG:6549"]),
        ("EPSG:6549", "PA11", ["stands on NAD83(2011), but realization = 'PA11'"]),
        ("EPSG:32617", None, ["which realization of WGS 84", 'crs = "EPSG:6346"', 'realization = "G2139"']),
        ("EPSG:32617", "2011", ["no realization '2011'", "WGS84(G2139)"]),
        ("EPSG:4326", None, ["is geographic, not projected", "EPSG:6549", "cemgis crs"]),
        ("EPSG:4978", None, ["is geocentric, not projected"]),
        ("EPSG:5703", None, ["is vertical, not projected"]),
        ("EPSG:6549+5703", None, ["is compound", 'crs = "EPSG:6549"', "cemgis crs"]),
        ("EPSG:6350", None, ["is not conformal"]),
        ("EPSG:3857", "G2139", ["made for pictures"]),
        ("EPSG:5513", None, ["axes point south and west"]),
        ("EPSG:27572", None, ["counted from Paris"]),
        ("EPSG:2222000", None, ["not a reference system that is known here"]),
        ("+proj=tmerc +lon_0=-82 +ellps=GRS80 +units=us-ft", None, ["its datum is unknown"]),
        ("+proj=tmerc +lon_0=-82 +datum=NAD83 +units=us-ft", None, ["which realization of NAD 83"]),
        ("+proj=tmerc +lon_0=-82 +ellps=GRS80 +towgs84=0,0,0", None, ["is bound", "towgs84"]),
        ("", None, ["is not a reference system"]),
        (6549, None, ["6549 is not a reference system", "EPSG:6549"]),
        (None, None, ["None is not a reference system"]),
    ],
)  # fmt: skip
def test_what_cannot_be_a_ground(code: object, realization: str | None, words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        ref.ground_crs(code, realization, "ground.toml: crs")
    for word in ["ground.toml: crs", *words]:
        assert word in str(caught.value)


def test_a_links_grid_is_refused() -> None:
    # Trinidad 1903 / Trinidad Grid is in Clarke's links.
    with pytest.raises(InputError, match="neither metre, foot nor US survey foot"):
        ref.ground_crs("EPSG:30200")


def test_own_low_distortion_projection_on_a_named_datum() -> None:
    wkt = CRS.from_epsg(6549).to_json_dict()
    wkt.pop("id")
    wkt["name"] = "County grid"
    ground = ref.ground_crs(json.dumps(wkt))
    assert (ground.realization, ground.unit) == ("NAD83(2011)", US_SURVEY_FOOT)
    esri = ref.ground_crs(CRS.from_epsg(6549).to_wkt("WKT1_ESRI"))
    assert (esri.realization, esri.unit) == ("NAD83(2011)", US_SURVEY_FOOT)


def test_a_moving_ground_says_so() -> None:
    ground = ref.ground_crs("EPSG:32617", "G2139")
    assert ground.moving
    with pytest.raises(InputError, match="no epoch is given"):
        ref.to_grid([OHIO], ref.parse_reference("NAD83(2011)"), ground)


@pytest.mark.parametrize(
    ("text", "name", "moving", "projected"),
    [
        ("NAD83(2011)", "NAD83(2011)", False, False),
        ("nad 83 (2011)", "NAD83(2011)", False, False),
        ("NAD83(2011), epoch 2010.00", "NAD83(2011)", False, False),
        ("NAD83(PA11)", "NAD83(PA11)", False, False),
        ("ITRF 2014", "ITRF2014", True, False),
        ("igs14", "IGS14", True, False),
        ("EPSG:9019", "EPSG:9019", True, False),
        ("WGS 84 (G2139)", "WGS84(G2139)", True, False),
        ("EPSG:9755", "EPSG:9755", True, False),
        ("epsg:6549", "EPSG:6549", False, True),
        ("EPSG:6318", "EPSG:6318", False, False),
        ("ETRS89", "ETRS89", False, False),
    ],
)
def test_references_that_say_enough(text: str, name: str, moving: bool, projected: bool) -> None:
    found = ref.parse_reference(text)
    assert (found.name, found.moving, found.projected) == (name, moving, projected)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("WGS 84", ["plain WGS 84", "correction service or base", "1.27 m (4.2 ft)", '"NAD83(2011)"']),
        ("WGS84", ["plain WGS 84"]),
        ("EPSG:4326", ["EPSG:4326 (WGS 84) is plain WGS 84", "1.27 m"]),
        ("EPSG:4979", ["plain WGS 84"]),
        ("NAD83", ["plain NAD 83"]),
        ("EPSG:4269", ["plain NAD 83"]),
        ("EPSG:3734", ["plain NAD 83", '"EPSG:6549"']),
        ("EPSG:32617", ["plain WGS 84", '"EPSG:6346"']),
        ("ITRF14", ["not a reference known here", "Did you mean ITRF2014"]),
        ("ITRF2014 (epoch 2020.0)", ["holds an epoch", "epoch = 2025.35"]),
        ("EPSG:7789", ["is geocentric"]),
        ("EPSG:5703", ["is vertical"]),
        ("EPSG:5513", ["south and west"]),
        ("EPSG:999999", ["not a reference system that is known here"]),
        ("", ["says nothing"]),
        (None, ["says nothing"]),
        (2011, ["says nothing"]),
    ],
)
def test_references_that_say_too_little(text: object, words: list[str]) -> None:
    ground = ref.ground_crs("EPSG:6549")
    with pytest.raises(InputError) as caught:
        ref.parse_reference(text, "readings[2].reference", ground=ground)
    for word in ["readings[2].reference", *words]:
        assert word in str(caught.value)


def test_the_stakes_are_told_for_the_place() -> None:
    with pytest.raises(InputError, match=r"At 21\.3° N, 157\.8° W.*3\.8\d m \(12\.\d ft\).*2\.5\d m") as caught:
        ref.parse_reference("WGS 84", at=(-157.8, 21.3), epoch=2024.8)
    assert '"NAD83(PA11)"' in str(caught.value)
    with pytest.raises(InputError, match=r"For instance, at 40\.9° N, 82\.3° W"):
        ref.parse_reference("WGS 84")


def test_the_grounds_own_plain_code_takes_its_realization() -> None:
    ground = ref.ground_crs("EPSG:3734", "2011")
    found = ref.parse_reference("EPSG:3734", ground=ground)
    assert found.realization == "NAD83(2011)"
    np.testing.assert_allclose(
        ref.to_grid([[2023786.0, 449394.0]], found, ground), [[2023786.0, 449394.0]], rtol=0, atol=1e-6
    )


# ---- rows, places, slips ---------------------------------------------------------------------------------------------


def test_rows_stay_rows() -> None:
    ground, nad = ref.ground_crs("EPSG:6549"), ref.parse_reference("NAD83(2011)")
    rows = [[np.nan, 40.9], OHIO, [400.0, 40.9], [-82.3, 91.0], [-82.3, np.inf], OHIO]
    grid = ref.to_grid(rows, nad, ground)
    assert np.isnan(grid).all(axis=1).tolist() == [True, False, True, True, True, False]
    np.testing.assert_array_equal(grid[1], grid[5])
    assert ref.to_grid(np.empty((0, 2)), nad, ground).shape == (0, 2)
    assert np.isnan(ref.to_grid([[np.nan, np.nan]], nad, ground)).all()
    with pytest.raises(ValueError, match=r"\(n, 2\)"):
        ref.to_grid([1.0, 2.0, 3.0], nad, ground)


def test_input_is_left_alone() -> None:
    ground = ref.ground_crs("EPSG:6549")
    rows = np.array([OHIO, [500.0, 0.0]])
    before = rows.copy()
    ref.to_grid(rows, ref.parse_reference("NAD83(2011)"), ground)
    np.testing.assert_array_equal(rows, before)


@pytest.mark.parametrize(
    ("row", "reference", "words"),
    [
        ([40.9, -82.3], "NAD83(2011)", "two columns look exchanged"),
        ([82.3, 40.9], "NAD83(2011)", "West longitudes need a minus sign"),
        ([40.9, 82.3], "NAD83(2011)", "exchanged and lack the sign of west"),
        ([0.0, 0.0], "NAD83(2011)", "0° N, 0° E, outside the area of use"),
        ([500.0, 500.0], "NAD83(2011)", "no row is a place on Earth"),
        ([616850.0, 136970.0], "EPSG:6549", "look like coordinates in metre"),
        ([2023786.0, 449394.0], "EPSG:6548", "look like coordinates in US survey foot"),
        ([449394.0, 2023786.0], "EPSG:6549", "two columns look exchanged"),
    ],
)
def test_likely_slips_are_named(row: list[float], reference: str, words: str) -> None:
    ground = ref.ground_crs("EPSG:6549")
    with pytest.raises(InputError) as caught:
        ref.to_grid([row], ref.parse_reference(reference), ground, where="readings/may.csv")
    assert words in str(caught.value)
    assert "readings/may.csv" in str(caught.value)
    assert reference in str(caught.value)


def test_a_stray_row_does_not_stop_a_file() -> None:
    ground, nad = ref.ground_crs("EPSG:6549"), ref.parse_reference("NAD83(2011)")
    grid = ref.to_grid([OHIO, OHIO, [0.0, 0.0]], nad, ground)
    np.testing.assert_allclose(grid[0], ref.to_grid([OHIO], nad, ground)[0], rtol=0, atol=0)
    assert ref.in_area([OHIO, [0.0, 0.0], [np.nan, 1.0]], ground).tolist() == [True, False, False]


def test_a_grid_that_stretches_lengths_is_refused() -> None:
    # Mercator's scale is 1 / cos(latitude), about 1.32 here.
    with pytest.raises(InputError, match=r"\+32 % off"):
        lonlat_to_grid(*OHIO, "ITRF2014", "EPSG:3395", 2025.0, "G2139")


def test_area_across_the_antimeridian() -> None:
    # Alaska zone 10 runs from 172 E to 164 W.
    ground = ref.ground_crs("EPSG:6403") if "zone 10" in CRS.from_epsg(6403).name else ref.ground_crs("EPSG:6402")
    assert ground.name == "NAD83(2011) / Alaska zone 10"
    assert ref.in_area([[173.0, 52.5], [-176.0, 52.0], [-187.0, 52.5], [-150.0, 52.0]], ground).tolist() == [
        True,
        True,
        True,
        False,
    ]


@settings(max_examples=60, deadline=None)
@given(st.floats(-84.7, -80.6), st.floats(40.2, 42.2), st.sampled_from(["EPSG:6549", "EPSG:6548"]))
def test_there_and_back(lon: float, lat: float, code: str) -> None:
    ground, nad = ref.ground_crs(code), ref.parse_reference("NAD83(2011)")
    back = ref.to_lonlat(ref.to_grid([[lon, lat]], nad, ground), ground)[0]
    assert Geod(ellps="GRS80").inv(lon, lat, *back)[2] < 1e-6


def test_from_grid_to_grid() -> None:
    ground = ref.ground_crs("EPSG:6549")
    utm = lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6346")
    np.testing.assert_allclose(
        ref.to_grid([utm], ref.parse_reference("EPSG:6346"), ground)[0],
        lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6549"),
        rtol=0,
        atol=1e-5,
    )


# ---- confusions ------------------------------------------------------------------------------------------------------

PLACES = [(-82.3, 40.9, "EPSG:6549"), (-111.7, 40.3, "EPSG:6625"), (-157.8, 21.3, "EPSG:6633")]


@pytest.mark.parametrize(("lon", "lat", "code"), PLACES)
@pytest.mark.parametrize(
    ("actual", "declared"),
    [("ITRF2014", "home"), ("home", "ITRF2014"), ("WGS84(G2139)", "home"), ("home", "ITRF2020")],
)
def test_planted_frame_confusions(lon: float, lat: float, code: str, actual: str, declared: str) -> None:
    ground, year = ref.ground_crs(code), 2025.4
    home = ground.realization
    actual, declared = actual.replace("home", home), declared.replace("home", home)
    truth = ref.to_grid([[lon, lat]], ref.parse_reference(actual), ground, epoch=year)[0]
    placed = ref.to_grid([[lon, lat]], ref.parse_reference(declared), ground, epoch=year)[0]
    east, north = placed - truth + np.array([0.04, -0.03])
    said = ref.explain_shift(east, north, lon, lat, year, ground, 0.15)
    assert said is not None
    before, after = said.split(" coordinates declared as ")
    assert actual in before
    assert actual not in after.split(":")[0]
    assert declared in after
    azimuth = math.degrees(math.atan2(east, north)) % 360.0
    assert int(said.split("toward ")[1].split("°")[0]) == pytest.approx(azimuth, abs=2.0)
    # a shift turned by a right angle is none of these
    assert "declared as" not in (ref.explain_shift(-north, east, lon, lat, year, ground, 0.15) or "")


def test_names_the_shift_with_its_size() -> None:
    ground = ref.ground_crs("EPSG:6549")
    truth = ref.to_grid([OHIO], ref.parse_reference("ITRF2014"), ground, epoch=2026.4)[0]
    placed = ref.to_grid([OHIO], ref.parse_reference("NAD83(2011)"), ground)[0]
    said = ref.explain_shift(*(placed - truth), *OHIO, 2026.4, ground, 0.1)
    assert said is not None
    # 1.28 m is 4.20 ft; from true north 138.6 + 180, less the convergence of 0.13 degrees
    found = re.fullmatch(
        r".*ITRF2014.* coordinates declared as NAD83\(2011\): (\S+) ft toward (\d+)° from grid north", said
    )
    assert found is not None
    assert float(found[1]) == pytest.approx(1.28 / US_SURVEY_FOOT.metres, abs=0.02)
    assert float(found[2]) == pytest.approx(318.6 - 0.13, abs=0.7)
    assert "wrong way round" in (ref.explain_shift(*(2.0 * (placed - truth)), *OHIO, 2026.4, ground, 0.1) or "")


def test_planted_confusion_of_the_two_nad83s() -> None:
    ground, lon, lat = ref.ground_crs("EPSG:6633"), -157.8, 21.3
    truth = ref.to_grid([[lon, lat]], ref.parse_reference("NAD83(2011)"), ground, epoch=2025.0)[0]
    placed = ref.to_grid([[lon, lat]], ref.parse_reference("NAD83(PA11)"), ground)[0]
    said = ref.explain_shift(*(placed - truth), lon, lat, 2025.0, ground, 0.15)
    assert said is not None
    assert said.startswith("NAD83(2011) coordinates declared as NAD83(PA11): ")


def test_planted_epoch_confusion() -> None:
    ground, itrf = ref.ground_crs("EPSG:6549"), ref.parse_reference("ITRF2014")
    truth = ref.to_grid([OHIO], itrf, ground, epoch=2025.4)[0]
    placed = ref.to_grid([OHIO], itrf, ground, epoch=2010.0)[0]
    said = ref.explain_shift(*(placed - truth), *OHIO, 2025.4, ground, 0.1)
    assert said is not None
    assert "ITRF2014" in said
    assert "of 2025.4 declared with epoch 2010.0" in said


@pytest.mark.parametrize(("lon", "lat", "code"), PLACES[:2])
def test_planted_foot_confusions(lon: float, lat: float, code: str) -> None:
    ground = ref.ground_crs(code)
    grid = ref.to_grid([[lon, lat]], ref.parse_reference("NAD83(2011)"), ground)[0]
    metres = grid * 1200.0 / 3937.0
    said = ref.explain_shift(*(metres / 0.3048 - grid), lon, lat, 2025.0, ground, 0.2)
    assert said is not None
    assert said.startswith("coordinates in feet (0.3048 m) read as US survey feet")
    read_as_foot = grid * 0.3048 * 3937.0 / 1200.0
    said = ref.explain_shift(*(read_as_foot - grid), lon, lat, 2025.0, ground, 0.2)
    assert said is not None
    assert said.startswith("coordinates in US survey feet read as feet (0.3048 m)")


def test_planted_false_easting() -> None:
    # Ohio North: 600,000 m = 1,968,500 US survey feet (NOAA Manual NOS NGS 5, by PROJ's register).
    ground = ref.ground_crs("EPSG:6549")
    said = ref.explain_shift(1968500.0 * (0.3048 * 3937.0 / 1200.0 - 1.0), 0.0, *OHIO, 2025.0, ground, 0.2)
    assert said is not None
    assert said.startswith("a false easting of 1,968,500 US survey feet taken as feet (0.3048 m): 3.94 ft toward 270°")


def test_international_foot_ground_has_the_other_sign() -> None:
    foot = next(
        info
        for info in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS])
        if info.name == "NAD83(2011) / Michigan South (ft)"
    )
    ground = ref.ground_crs(f"EPSG:{foot.code}")
    lon, lat = -84.3, 42.3
    grid = ref.to_grid([[lon, lat]], ref.parse_reference("NAD83(2011)"), ground)[0]
    easting = 4_000_000.0 / 0.3048  # of the zone, by PROJ's register
    said = ref.explain_shift(easting * 2.000004e-6, 0.0, lon, lat, 2025.0, ground, 0.2)
    assert said is not None
    assert said.startswith("a false easting of 13,123,360 feet (0.3048 m) taken as US survey feet")
    survey = grid * 0.3048 * 3937.0 / 1200.0
    said = ref.explain_shift(*(survey - grid), lon, lat, 2025.0, ground, 0.2)
    assert said is not None
    assert said.startswith("coordinates in US survey feet read as feet (0.3048 m)")


@pytest.mark.parametrize(
    ("east", "north"), [(0.0, 0.0), (0.05, -0.05), (1.3, 1.3), (0.0, 16.0), (12.0, 0.0), (np.nan, 1.0)]
)
def test_ordinary_shifts_stay_unexplained(east: float, north: float) -> None:
    # One lot over, a slip of a tape and no shift at all are no confusion of references.
    assert ref.explain_shift(east, north, *OHIO, 2025.0, ref.ground_crs("EPSG:6549"), 0.15) is None


# ---- declination -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("year", "lat", "lon", "expected"),
    [
        # NOAA NCEI, WMM2025 test values, and the WMM2020 row of its README; altitudes 6 to 69 km.
        (2025.0, 43.0, 93.0, 0.50),
        (2025.0, 0.0, 21.0, 1.29),
        (2025.5, 38.0, -144.0, 12.93),
        (2025.5, 33.0, -118.0, 11.10),
        (2020.5, -36.0, -137.0, 20.16),
    ],
)
def test_declination_against_the_other_world_model(year: float, lat: float, lon: float, expected: float) -> None:
    # IGRF and WMM are two models: they differ by up to 0.3 degrees where the field is strong.
    assert float(ref.declination(lon, lat, year)) == pytest.approx(expected, abs=0.3)


@pytest.mark.external
@pytest.mark.parametrize("edition", ["2020", "2025"])
def test_declination_against_all_test_values(edition: str) -> None:
    path = external(f"declination/WMM{edition}_TEST_VALUES.txt")
    rows = np.loadtxt(path, comments="#", usecols=(0, 1, 2, 3, 4, 6))
    # Below 50 km: the model here is at the ellipsoid. Where the field is strong: nearer the poles a compass is no use.
    year, _, lat, lon, expected, horizontal = rows[(rows[:, 5] > 20000.0) & (rows[:, 1] < 50.0)].T
    assert len(year) > 20
    found = np.array([float(ref.declination(*point)) for point in zip(lon, lat, year, strict=True)])
    assert np.abs(found - expected).max() < 0.5
    # Error model of WMM2025: sqrt(0.26^2 + (5417 / H)^2) degrees, one standard deviation.
    assert np.sqrt(np.mean((found - expected) ** 2)) < np.sqrt(0.26**2 + (5417.0 / horizontal) ** 2).min()


def test_declination_turns_west_in_ohio_over_a_century() -> None:
    # The agonic line lay in Ohio about 1900 and has moved to the west since (isogonic charts, from memory).
    then, now = (float(ref.declination(*OHIO, year)) for year in (1900.0, 2025.0))
    assert abs(then) < 2.0
    assert -9.0 < now < -7.0


def test_declination_takes_arrays() -> None:
    found = ref.declination([OHIO[0], np.nan, -118.0], [OHIO[1], 1.0, 33.0], 2025.5)
    assert found.shape == (3,)
    assert np.isnan(found[1])
    assert found[2] == pytest.approx(float(ref.declination(-118.0, 33.0, 2025.5)), abs=1e-12)
    assert np.isfinite(ref.declination(*OHIO, 2030.0))


@pytest.mark.parametrize("year", [1889.0, 2030.5, math.nan])
def test_declination_outside_the_model_is_refused(year: float) -> None:
    with pytest.raises(InputError, match=r"plats\[0\].*1900 to 2030.*noted on the plat"):
        ref.declination(*OHIO, year, where="plats[0]")


# ---- suggestions -----------------------------------------------------------------------------------------------------


def test_suggestions_in_ohio() -> None:
    table = ref.suggest(40.9, -82.3)
    assert list(table.columns) == ["crs", "name", "unit", "scale", "ppm", "convergence_deg", "note"]
    assert table["crs"].tolist()[:2] == ["EPSG:6549", "EPSG:6548"]
    assert "EPSG:6346" in table["crs"].tolist()
    assert "EPSG:6350" not in table["crs"].tolist()  # equal-area: lengths depend on the direction
    assert not table["name"].str.startswith(("NAD83 /", "WGS 84", "NAD27")).any()
    assert table["ppm"].abs().is_monotonic_increasing
    assert table["note"].str.contains("least distortion").tolist() == [True, True, *[False] * (len(table) - 2)]
    ground = ref.ground_crs("EPSG:6346")
    grid = [lonlat_to_grid(*OHIO, "NAD83(2011)", "EPSG:6346")]
    utm = table.set_index("crs").loc["EPSG:6346"]
    assert utm["scale"] == pytest.approx(ref.scale_factor(grid, ground)[0], abs=1e-9)
    assert utm["convergence_deg"] == pytest.approx(ref.convergence(grid, ground)[0], abs=1e-6)
    assert utm["ppm"] == pytest.approx((utm["scale"] - 1.0) * 1e6, abs=1e-6)
    for code in table["crs"]:
        ref.ground_crs(code)  # every one can carry a ground


def test_height_changes_which_is_best() -> None:
    # County systems are made for the height of the county: 220 m take 34.5 ppm off (h / R, R = 6,372 to 6,375 km).
    low, high = ref.suggest(40.0, -86.0), ref.suggest(40.0, -86.0, height_m=220.0)
    assert "Indiana East" in low.loc[0, "name"]
    assert "InGCS" in high.loc[0, "name"]
    drop = low.set_index("crs")["ppm"] - high.set_index("crs")["ppm"]
    np.testing.assert_allclose(drop, 34.5, rtol=0, atol=0.05)


@pytest.mark.parametrize(
    ("lat", "lon", "code"), [(-14.3, -170.7, "EPSG:6636"), (50.0, 8.0, "EPSG:25832"), (-33.0, 151.2, "EPSG:7856")]
)
def test_suggestions_elsewhere(lat: float, lon: float, code: str) -> None:
    assert ref.suggest(lat, lon).loc[0, "crs"] == code


@pytest.mark.parametrize(("lat", "lon"), [(-82.3, 400.0), (95.0, 10.0), (math.nan, 0.0), (0.0, -30.0)])
def test_no_suggestions(lat: float, lon: float) -> None:
    with pytest.raises(InputError, match="place"):
        ref.suggest(lat, lon)


# ---- angles and times --------------------------------------------------------------------------------

ANGLES = [
    ("40 53 12.3 N", 40 + 53 / 60 + 12.3 / 3600),
    ("40°53'12.3\"N", 40 + 53 / 60 + 12.3 / 3600),
    ("40° 53′ 12.3″ N", 40 + 53 / 60 + 12.3 / 3600),
    ("40d53'12.3", 40 + 53 / 60 + 12.3 / 3600),
    ("N 40:53:12.3", 40 + 53 / 60 + 12.3 / 3600),
    ("40-53-12.3 n", 40 + 53 / 60 + 12.3 / 3600),
    ("40 53.205 N", 40 + 53.205 / 60),
    ("40°53.205' N", 40 + 53.205 / 60),
    ("82.3 W", -82.3),
    ("W82.3", -82.3),
    ("-82.3", -82.3),
    ("−82.3", -82.3),
    ("+82.3°", 82.3),
    ("-82d18'00", -82.3),
    ("0 30 S", -0.5),
    ("-0 30 00", -0.5),
    ("82", 82.0),
    ("40.5312", 40.5312),
    ("111 42 55.48882 W", -(111 + 42 / 60 + 55.48882 / 3600)),
]
NOT_ANGLES = [
    "", " ", "north", "405312.3 N", "4053.205 N", "40 61 00 N", "40 00 60 N", "40.5 30 N", "40 53.2 12 N", "-40 N",
    "N 40 N", "91 N", "361", "40 -82", "40,8868", "40 53 12.3 X", "40 53 12 7", "nan", "1e3", "12" * 40,
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), ANGLES)
def test_angles(text: str, expected: float) -> None:
    assert ref.parse_angle(text) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("text", [*NOT_ANGLES, None, True, [40.0]])
def test_not_angles(text: object) -> None:
    with pytest.raises(InputError, match=r"readings\.csv, line 7"):
        ref.parse_angle(text, "readings.csv, line 7")


def test_angles_of_a_kind() -> None:
    assert ref.parse_angle("278 W") == -278.0
    assert ref.parse_angle("278", axis="lon") == -82.0
    for text, axis in (("40 N", "lon"), ("82 W", "lat"), ("90.1", "lat"), ("100", "lat")):
        with pytest.raises(InputError):
            ref.parse_angle(text, axis=axis)
        assert np.isnan(ref.parse_angles([text], axis)).all()
    assert ref.parse_angle(40.9) == 40.9
    assert ref.parse_angle(-82) == -82.0
    assert ref.parse_angle(1e-7) == pytest.approx(1e-7)
    with pytest.raises(InputError):
        ref.parse_angle(math.nan)


def test_many_angles_as_one() -> None:
    texts = [text for text, _ in ANGLES] + NOT_ANGLES + [None, np.nan]
    found = ref.parse_angles(texts)
    np.testing.assert_allclose(found[: len(ANGLES)], [value for _, value in ANGLES], rtol=0, atol=1e-12)
    assert np.isnan(found[len(ANGLES) :]).all()
    assert ref.parse_angles([]).shape == (0,)
    assert ref.parse_angles(pd.Series(["278"], index=[9]), "lon").tolist() == [-82.0]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 89), st.integers(0, 59), st.floats(0.0, 59.99).map(lambda s: round(s, 4)), st.sampled_from("NS"))
def test_angles_come_back(degrees: int, minutes: int, seconds: float, side: str) -> None:
    text = f"{degrees} {minutes:02d} {seconds:.4f} {side}"
    expected = (degrees + minutes / 60 + seconds / 3600) * (1 if side == "N" else -1)
    assert ref.parse_angle(text, axis="lat") == pytest.approx(expected, abs=1e-12)
    assert ref.parse_angles([text], "lat")[0] == pytest.approx(expected, abs=1e-12)


def test_decimal_years() -> None:
    # 2024 has 366 days: noon of 2 July is day 183.5 of it, and midnight after 1 July is its half.
    times = pd.Series(
        pd.to_datetime(["2024-07-02", "2025-07-02 12:00", None, "2025-12-31 23:59:59"], format="mixed", utc=True)
    )
    found = ref.decimal_year(times)
    np.testing.assert_allclose(found[:2], [2024.5, 2025.5], rtol=0, atol=1e-12)
    assert np.isnan(found[2])
    assert 2026.0 - found[3] == pytest.approx(1.0 / (365 * 86400), rel=1e-3)
    np.testing.assert_array_equal(ref.decimal_year(times.dt.tz_localize(None)), found)
    np.testing.assert_array_equal(ref.decimal_year(pd.DatetimeIndex(times)), found)
    np.testing.assert_array_equal(ref.decimal_year(np.array(["2024-07-02"], dtype="datetime64[s]")), found[:1])
    assert ref.decimal_year("2024-07-01T20:00:00-04:00").tolist() == [2024.5]
    assert ref.decimal_year([]).shape == (0,)
    assert ref.decimal_year([None]).tolist() == pytest.approx([math.nan], nan_ok=True)
    with pytest.raises(InputError, match=r"may.csv: 'yesterday' is not a time \(1 of 2\)"):
        ref.decimal_year(["2024-07-02", "yesterday"], "may.csv")
