"""Invented grounds: what is planted is there, and nothing else is wrong."""

import io
import itertools
import json
import math
import re
import tomllib
import xml.etree.ElementTree as ET
from functools import reduce
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS, Transformer

from cemgis import invent
from cemgis.findings import FINDINGS
from cemgis.invent import crew, grounds, millrace
from cemgis.invent import drawing as invent_drawing
from cemgis.invent import parcel as invent_parcel
from cemgis.units import US_SURVEY_FOOT, parse_length

DEMO = Path(__file__).parents[1] / "data" / "demo"
FOOT_M = 1200 / 3937


@pytest.fixture(scope="module")
def demo():
    return invent.demo()


@pytest.fixture(scope="module")
def truth(demo):
    return json.loads(demo.files["truth.json"])


@pytest.fixture(scope="module")
def markers(truth):
    """Where each label read in the field really stands; the control point too."""
    places = {marker["label"]: np.array(marker["at"]) for marker in truth["markers"]}
    return places | {"TF3": np.array(truth["control"]["Tansy Fork 3"])}


def features(demo, name):
    table = json.loads(demo.files[f"survey/{name}.geojson"])["features"]
    shapes = [shapely.geometry.shape(feature["geometry"]) for feature in table]
    return pd.DataFrame([feature["properties"] for feature in table]).assign(shape=shapes)


@pytest.fixture(scope="module")
def spaces():
    """The true outlines of the demo's spaces by id."""
    made = millrace._demo_ground(np.random.default_rng(invent.DEMO_SEED))
    indices, offsets = made.plat.space_rings
    rings = [made.vertices[np.asarray(indices)[a:b]] for a, b in itertools.pairwise(offsets)]
    return made.plat.spaces.assign(shape=[shapely.Polygon(ring) for ring in rings]).set_index("space_id")


# ---- geodesy by hand: an independent way from ITRF2014 to NAD 83(2011) ----------------------------------------------

A, F = 6378137.0, 1 / 298.257222101  # GRS 80
E2 = F * (2 - F)


def geocentric(lon, lat, height):
    lon, lat = np.radians(lon), np.radians(lat)
    nu = A / np.sqrt(1 - E2 * np.sin(lat) ** 2)
    return np.stack(
        [
            (nu + height) * np.cos(lat) * np.cos(lon),
            (nu + height) * np.cos(lat) * np.sin(lon),
            (nu * (1 - E2) + height) * np.sin(lat),
        ]
    )


def itrf2014_to_nad83(lon, lat, height, epoch):
    """Longitude and latitude in NAD 83(2011); parameters of EPSG operation 8970 as in EPSG's tables."""
    years = epoch - 2010.0
    shift = np.array([1.0053, -1.90921, -0.54157]) + years * np.array([0.00079, -0.0006, -0.00144])
    turn = np.array([26.78138, -0.42027, 10.93206]) + years * np.array([0.06667, -0.75744, -0.05133])
    rx, ry, rz = turn * 1e-3 * math.pi / 180 / 3600
    scale = 1 + (0.36891 - 0.07201 * years) * 1e-9
    # Coordinate frame rotation.
    matrix = np.array([[1, rz, -ry], [-rz, 1, rx], [ry, -rx, 1]])
    x, y, z = shift[:, None] + scale * matrix @ geocentric(lon, lat, height)
    p = np.hypot(x, y)
    phi = np.arctan2(z, p * (1 - E2))
    for _ in range(6):
        nu = A / np.sqrt(1 - E2 * np.sin(phi) ** 2)
        phi = np.arctan2(z + E2 * nu * np.sin(phi), p)
    return np.degrees(np.arctan2(y, x)), np.degrees(phi)


def grid(lon, lat):
    return np.column_stack(Transformer.from_crs("EPSG:6318", "EPSG:6549", always_xy=True).transform(lon, lat))


def wild(label, text):
    """Labels in the order of the file, one array of two columns each."""
    return np.array([label[name] for name in text])


# ---- the files --------------------------------------------------------------------------------------------------


def test_committed_demo_is_what_the_seed_makes(demo):
    on_disk = {path.relative_to(DEMO).as_posix() for path in DEMO.rglob("*") if path.is_file()}
    files = {**demo.files, **invent_parcel.parcel(), **invent_drawing.drawing()}
    assert on_disk == set(files)
    different = [name for name, content in files.items() if (DEMO / name).read_bytes() != content]
    assert different == []


def test_demo_is_of_the_size_promised(demo, truth):
    assert sum(map(len, demo.files.values())) < 2_000_000
    lots = {name.rsplit("-", 1)[0] for name in truth["spaces"] if name[0] in "ABCD"}
    assert len(lots) >= 400
    assert len(truth["spaces"]) >= 1500
    assert {name[0] for name in truth["spaces"]} == set("ABCDE")
    ledger = pd.read_csv(io.BytesIO(demo.files["register/ledger.csv"]), dtype=str, keep_default_na=False)
    assert 400 <= ledger["name"].replace("", np.nan).nunique() <= 999


def test_another_seed_makes_another_ground(truth):
    other = invent.demo(7)
    assert other.truth["spaces"] != truth["spaces"]
    assert other.files["readings/spring.nmea"] != invent.demo(8).files["readings/spring.nmea"]
    assert invent.demo(7).files == other.files


def test_truth_names_real_kinds_of_grave_findings(truth):
    pairs = [tuple(pair) for pair in truth["expected_findings"]]
    assert len(set(pairs)) == len(pairs) >= 10
    assert {FINDINGS[kind].severity for kind, _ in pairs} == {"danger", "warning"}


# ---- what lies where ----------------------------------------------------------------------------------------------


def test_corners_scatter_about_their_plat_as_stated(truth):
    for plat, placed in truth["plats"].items():
        names = [name for name in truth["corners"] if name.startswith(f"{plat}:")]
        xy = np.array([[float(part) for part in name.split(":")[1].split(",")] for name in names])
        a, b, e0, n0 = (placed[key] for key in ("a", "b", "e0", "n0"))
        ideal = np.column_stack([a * xy[:, 0] - b * xy[:, 1] + e0, b * xy[:, 0] + a * xy[:, 1] + n0])
        off = np.array([truth["corners"][name] for name in names]) - ideal
        # Squared length of a circular normal error cut off at r0 = 2.4 deviations: an exponential variable of mean 2
        # cut off at r0**2, whose mean is 2 - r0**2 / (exp(r0**2 / 2) - 1); its deviation is below 2.
        square = (off**2).sum(axis=1) / placed["setting_sigma"] ** 2
        assert square.max() < 2.4**2 + 0.1
        expected = 2 - 2.4**2 / math.expm1(2.4**2 / 2)
        assert abs(square.mean() - expected) < 4 * 2 / math.sqrt(len(names))
        assert abs(off.mean(axis=0)).max() < 4 * placed["setting_sigma"] / math.sqrt(len(names))
        assert math.hypot(a, b) == pytest.approx(placed["scale"])


def test_spaces_do_not_overlap_and_hold_their_centres(spaces, truth):
    shapes = spaces["shape"].to_numpy()
    tree = shapely.STRtree(shapes)
    a, b = tree.query(shapes, predicate="intersects")
    assert shapely.area(shapely.intersection(shapes[a[a < b]], shapes[b[a < b]])).max() < 0.01
    centres = shapely.points([truth["spaces"][name] for name in spaces.index])
    assert shapely.contains(shapes, centres).all()


def test_drives_and_trees_leave_the_spaces_alone(demo, spaces):
    shapes = spaces["shape"].to_numpy()
    every = shapely.union_all(shapes)
    assert shapely.distance(features(demo, "drives")["shape"].to_numpy(), every).min() > 1.5
    assert shapely.distance(features(demo, "trees")["shape"].to_numpy(), every).min() > 2.0 + 1.0


def test_gates_stand_at_ends_of_drives(demo):
    gates, drives = features(demo, "gates")["shape"], features(demo, "drives")["shape"]
    assert len(gates) == 2
    for gate in gates:
        assert shapely.distance(shapely.union_all(shapely.boundary(drives.to_numpy())), gate) == 0.0


def test_stones_stand_at_the_end_their_section_has_the_heads(demo, spaces, truth):
    stones = features(demo, "monuments")
    assert len(stones) > 200
    space = spaces.loc[stones["space_id"]]
    middle = np.array([[shape.centroid.x, shape.centroid.y] for shape in stones["shape"]])
    off = middle - np.array([truth["spaces"][name] for name in stones["space_id"]])
    assert shapely.contains(space["shape"].to_numpy(), stones["shape"].to_numpy()).all()
    east = off[:, 0] > 0
    assert (np.abs(off[:, 0]) > 4.0).all()
    at_the_east = (stones["section"] == "D") | (stones["space_id"] == "E-2-17")
    assert (east == at_the_east.to_numpy()).all()
    assert (stones["section"] == "D").sum() > 40


def test_only_the_planted_vaults_lie_badly(demo, spaces):
    vaults = features(demo, "vaults").set_index("space_id")
    shapes = vaults["shape"].to_numpy()
    assert len(vaults) > 100
    stones = features(demo, "monuments").set_index("space_id")["shape"]
    trees = features(demo, "trees")["shape"].to_numpy()
    # Rules: 8 in between vaults, 6 in to a monument, 3 ft to a tree, none to another space. Well clear, or well short.
    near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=8 / 12 + 0.35)
    pairs = {tuple(sorted(vaults.index[[i, j]])) for i, j in near.T if i < j}
    assert pairs == {("D-52-2", "D-52-3")}
    assert vaults["shape"]["D-52-2"].distance(vaults["shape"]["D-52-3"]) < 8 / 12 - 0.25
    stone_shapes = stones.to_numpy()
    v, s = shapely.STRtree(stone_shapes).query(shapes, predicate="dwithin", distance=0.5 + 0.35)
    assert [(vaults.index[i], stones.index[j]) for i, j in zip(v, s, strict=True)] == [("D-66-2", "D-66-2")]
    assert vaults["shape"]["D-66-2"].distance(stones["D-66-2"]) < 0.5 - 0.3
    assert shapely.distance(shapes, shapely.union_all(trees)).min() > 3 + 2 + 1
    outlines = spaces["shape"].to_numpy()
    v, s = shapely.STRtree(outlines).query(shapes, predicate="dwithin", distance=0.35)
    foreign = {
        (vaults.index[i], spaces.index[j]) for i, j in zip(v, s, strict=True) if vaults.index[i] != spaces.index[j]
    }
    assert foreign == {("D-52-2", "D-52-3"), ("E-4-20", "E-4-21")}
    for own, other in foreign:
        line = vaults["shape"][own].intersection(spaces["shape"][other])
        low, high = shapely.bounds(line)[[1, 3]]
        assert high - low > 0.45
    assert "E-4-21" not in vaults.index
    graves = features(demo, "probable_graves")["shape"].to_numpy()
    assert shapely.distance(shapely.union_all(graves), shapely.union_all(shapes)) > 4


# ---- what was done to the markers ---------------------------------------------------------------------------------


def test_planted_markers_are_what_the_story_says(truth):
    by_site = {marker["site"]: marker for marker in truth["markers"]}
    done = {site: marker for site, marker in by_site.items() if marker["done"] != "none"}
    assert set(done) == {"B-91", "D-47", "B-57", "D-31", "A-29"}
    labels = [marker["label"] for marker in truth["markers"]]
    assert len(set(labels)) == len(labels)
    # 91 upside down reads 16: a half turn keeps 1, and makes 9 of 6.
    assert by_site["B-91"]["label"] == "B-" + "91"[::-1].replace("9", "6")
    assert by_site["D-47"]["label"] == "D-" + "47"[::-1]
    corner = np.array(truth["corners"][by_site["B-57"]["corner_id"]])
    assert np.hypot(*(np.array(by_site["B-57"]["at"]) - corner)) == pytest.approx(1.8, abs=0.003)
    corner = np.array(truth["corners"][by_site["D-31"]["corner_id"]])
    assert np.hypot(*(np.array(by_site["D-31"]["at"]) - corner)) == pytest.approx(12.0, abs=1.0)
    # Nobody else's marker stands near enough to be taken for it.
    others = [np.array(m["at"]) for m in truth["markers"] if m["site"] != "D-31"]
    assert min(np.hypot(*(np.array(by_site["D-31"]["at"]) - other)) for other in others) > 3
    assert by_site["A-29"]["condition"] == "broken"
    assert {m["condition"] for m in truth["markers"] if m["site"] != "A-29"} == {"whole"}


def test_every_other_marker_stands_where_it_was_set(truth):
    for marker in truth["markers"]:
        if marker["done"] == "none" and marker["site"][0] in "ABD":
            assert np.hypot(*(np.array(marker["at"]) - truth["corners"][marker["corner_id"]])) < 0.003
        elif marker["site"].startswith("C"):  # six inches inside, both ways
            apart = np.hypot(*(np.array(marker["at"]) - truth["corners"][marker["corner_id"]]))
            assert apart == pytest.approx(0.5 * math.sqrt(2), abs=0.003)


def test_a_minority_was_found_and_enough_by_good_files(truth, spaces):
    for section in "ABCD":
        lots = {name.rsplit("-", 1)[0] for name in spaces.index if name.startswith(section)}
        found = [marker["label"] for marker in truth["markers"] if marker["site"].startswith(section)]
        assert 0.2 <= len(found) / len(lots) <= 0.3
    good = set(truth["read"]["readings/spring.nmea"]) | set(truth["read"]["readings/summer.csv"])
    assert sum(name.startswith("E") for name in good) >= 10
    both = set(truth["read"]["readings/spring.nmea"]) & set(truth["read"]["readings/summer.csv"])
    assert len(both) > 15
    assert "TF3" in both
    shifted = truth["read"]["readings/autumn.gpx"]
    assert len(set(shifted) & good) > 15
    harmed = {marker["label"] for marker in truth["markers"] if marker["done"] != "none"}
    assert harmed <= good
    assert not harmed & set(shifted)


# ---- the readings -------------------------------------------------------------------------------------------------


def test_log_has_valid_checksums_but_for_two_lines(demo):
    # The classic sentence of RTK fixed position, whose checksum is published with it.
    body = "GNGGA,092750.000,5321.6802,N,00630.3372,W,4,8,1.03,61.7,M,55.2,M,1.5,0000"
    assert crew._sentence(body) == f"${body}*47"
    bad = []
    for number, line in enumerate(demo.files["readings/spring.nmea"].decode("ascii").splitlines(), 1):
        found = re.fullmatch(r"\$([^*]+)\*([0-9A-F]{2})", line)
        if not found or reduce(lambda total, char: total ^ ord(char), found[1], 0) != int(found[2], 16):
            bad.append(number)
    assert len(bad) == 2


def test_log_puts_markers_where_they_are(demo, markers):
    lines = [line.split("*")[0].split(",") for line in demo.files["readings/spring.nmea"].decode().splitlines()]
    fixes = pd.DataFrame(
        [
            (part[1], int(part[2][:2]) + float(part[2][2:]) / 60, -int(part[4][:3]) - float(part[4][3:]) / 60, part[6])
            for part in lines
            if part[0] == "$GNGGA" and len(part) == 15
        ],
        columns=["clock", "lat", "lon", "fix"],
    )
    assert set(fixes["fix"]) == {"4", "5"}
    assert 0.0 < (fixes["fix"] == "5").mean() < 0.1
    fixes = fixes[fixes["fix"] == "4"].reset_index(drop=True)
    occupations = pd.read_csv(io.BytesIO(demo.files["readings/spring_occupations.csv"]))
    at = grid(fixes["lon"], fixes["lat"])
    clock = pd.to_datetime("2025-05-06 " + fixes["clock"], format="%Y-%m-%d %H%M%S.%f", utc=True)
    off = []
    for stop in occupations.itertuples():
        mine = ((clock >= pd.Timestamp(stop[2])) & (clock <= pd.Timestamp(stop.to))).to_numpy()
        assert 10 <= mine.sum() <= 16
        off.append((at[mine].mean(axis=0) - markers[stop.label]) * FOOT_M)
    off = np.array(off)
    # 8 mm a coordinate, cut off at 2.5 deviations, and the mean of the epochs' own scatter.
    assert np.abs(off).max() < 2.5 * 0.008 + 0.004
    assert 0.006 < off.std() < 0.010
    assert np.abs(off.mean(axis=0)).max() < 4 * 0.008 / math.sqrt(len(off))


def test_csv_in_another_frame_puts_markers_where_they_are(demo, markers):
    table = pd.read_csv(io.BytesIO(demo.files["readings/summer.csv"]), sep=";")
    lon, lat = itrf2014_to_nad83(table["Longitude"], table["Latitude"], table["Ell height [m]"], 2025.46)
    off = (grid(lon, lat) - wild(markers, table["Name"])) * FOOT_M
    assert np.abs(off).max() < 2.5 * (0.008 + 0.004) + 0.001
    assert np.abs(off.mean(axis=0)).max() < 0.005


def test_gpx_is_shifted_by_the_frame_and_nothing_else(demo, markers):
    points = ET.fromstring(demo.files["readings/autumn.gpx"]).findall("{*}wpt")
    names = [point.findtext("{*}name") for point in points]
    lon, lat = (np.array([float(point.get(key)) for point in points]) for key in ("lon", "lat"))
    height = np.array([float(point.findtext("{*}ele")) for point in points])
    true = wild(markers, names)
    as_declared = ((grid(lon, lat) - true) * FOOT_M).mean(axis=0)
    # 1.28 m towards 138.6 degrees at 2026.4, near 40.9 N 82.3 W, is the way from ITRF2014 to NAD 83(2011); half a
    # year earlier and the grid's convergence make little of a difference.
    assert np.hypot(*as_declared) == pytest.approx(1.28, abs=0.03)
    assert math.degrees(math.atan2(-as_declared[0], -as_declared[1])) == pytest.approx(138.6, abs=1.5)
    lon, lat = itrf2014_to_nad83(lon, lat, height, 2025.69)
    assert np.abs((grid(lon, lat) - true) * FOOT_M).max() < 2.5 * 0.008 + 0.001


def test_tapes_agree_with_the_markers(demo, markers):
    table = pd.read_csv(io.BytesIO(demo.files["readings/taped.csv"]))
    assert len(table) >= 10
    taped = np.array([parse_length(text, US_SURVEY_FOOT) for text in table["distance"]])
    apart = np.hypot(*(wild(markers, table["from"]) - wild(markers, table["to"])).T)
    # Two deviations of 0.02 ft, half of a quarter inch, and the grid's 1 in 10,000 at most.
    assert (np.abs(taped - apart) < 2 * 0.02 + 0.25 / 24 + taped * 1e-4 + 0.001).all()


# ---- the ledger ---------------------------------------------------------------------------------------------------


def test_ledger_names_one_place_that_is_not(demo, spaces):
    ledger = pd.read_csv(io.BytesIO(demo.files["register/ledger.csv"]), dtype=str, keep_default_na=False)
    whole = ledger[ledger["space"] != ""]
    place = whole["section"] + "-" + whole["lot"] + "-" + whole["space"]
    niche = whole["lot"].str.startswith("N-")
    unknown = place[~niche & ~place.isin(spaces.index)]
    assert list(unknown) == ["B-318-2"]
    numbers = whole.loc[niche, "space"].str.split("-", expand=True).astype(int)
    assert (numbers.to_numpy() <= [5, 12]).all()
    burials = whole[whole["kind"] == "interment"]
    assert not burials.duplicated(["section", "lot", "space"]).any()
    moved = whole[whole["kind"] == "disinterment"].merge(burials, on=["name", "section", "lot", "space"])
    assert len(moved) == (whole["kind"] == "disinterment").sum() > 0
    assert (moved["date_x"] > moved["date_y"]).all()
    buried = set(place[whole["kind"].isin(["interment", "urn placed"])])
    assert not buried & set(place[whole["kind"] == "right"])


# ---- other grounds ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pattern", list(grounds._PATTERNS))
@pytest.mark.parametrize("crs", list(grounds._PLACES))
def test_ground_of_any_pattern_anywhere(pattern, crs):
    made = invent.ground(5, pattern=pattern, crs=crs, lots=60, sections=2, setting_sigma=0.2)
    text = tomllib.loads(made.files["ground.toml"].decode())
    assert text["crs"] == made.truth["crs"] == crs
    foot = 0.3048 if made.truth["unit"] == "metre" else 1.0
    count = len(made.truth["spaces"])
    assert count >= 2 * 20
    # Everything lies within the CRS's area and the neighbourhood of its place.
    lon, lat = grounds._PLACES[crs]
    system = CRS.from_user_input(crs)
    middle = Transformer.from_crs(system, system.geodetic_crs, always_xy=True).transform(
        *np.array(list(made.truth["spaces"].values())).mean(axis=0)
    )
    assert middle == pytest.approx((lon, lat), abs=0.03)
    off = corner_errors(made) / foot
    assert off.std() == pytest.approx(0.2, rel=0.25)


def corner_errors(made):
    names = list(made.truth["corners"])
    xy = np.array([[float(part) for part in name.split(":")[1].split(",")] for name in names])
    parameters = np.array(
        [[made.truth["plats"][name.split(":")[0]][key] for key in ("a", "b", "e0", "n0")] for name in names]
    )
    a, b, e0, n0 = parameters.T
    ideal = np.column_stack([a * xy[:, 0] - b * xy[:, 1] + e0, b * xy[:, 0] + a * xy[:, 1] + n0])
    return np.array(list(made.truth["corners"].values())) - ideal


def test_options_are_obeyed():
    made = invent.ground(
        11, found=0.5, bad=0.0, sections=3, lots=150, setting_sigma=0.0, pattern="restart", crs="EPSG:6549"
    )
    assert np.abs(corner_errors(made)).max() < 0.01  # plat coordinates in an id are rounded to hundredths
    assert {marker["done"] for marker in made.truth["markers"]} == {"none"}
    lots = {name.rsplit("-", 1)[0] for name in made.truth["spaces"]}
    assert 150 <= len(lots) <= 190
    assert len(made.truth["markers"]) / len(lots) == pytest.approx(0.5, abs=0.02)
    assert {name[0] for name in made.truth["spaces"]} == set("ABC")
    spoiled = invent.ground(11, found=0.5, bad=0.2, lots=150)
    share = np.mean([marker["done"] != "none" for marker in spoiled.truth["markers"]])
    assert share == pytest.approx(0.2, abs=0.02)


def test_readings_of_a_ground_err_as_stated():
    made = invent.ground(4, lots=400, found=1.0, bad=0.0, crs="EPSG:6346")
    table = pd.read_csv(io.BytesIO(made.files["readings/readings.csv"]))
    true = {marker["label"]: marker["at"] for marker in made.truth["markers"]}
    table["go"] = pd.to_datetime(table["time"]).dt.hour >= 13
    for axis, name in enumerate("xy"):
        table[name] -= [true[label][axis] for label in table["label"]]
    means = table.groupby(["label", "go"])[["x", "y"]].mean().to_numpy()
    # 12 mm of the occupation and 15 mm of three readings.
    assert means.std() == pytest.approx(math.hypot(0.012, 0.015 / math.sqrt(3)), rel=0.1)


def test_unknown_pattern_or_place_is_refused():
    with pytest.raises(ValueError, match="no pattern 'spiral'"):
        invent.ground(1, pattern="spiral")
    with pytest.raises(ValueError, match="no place 'EPSG:4326'"):
        invent.ground(1, crs="EPSG:4326")


def test_a_distortion_is_as_large_as_asked_and_smooth():
    plain = invent.ground(11, lots=200, sections=1, setting_sigma=0.0, crs="EPSG:6549")
    sizes, steps = [], []
    for seed in range(11, 17):
        made = invent.ground(
            seed, lots=200, sections=1, setting_sigma=0.0, crs="EPSG:6549", distortion=0.8, distortion_length=100.0
        )
        bent = corner_errors(made)
        xy = np.array([[float(part) for part in name.split(":")[1].split(",")] for name in made.truth["corners"]])
        near = np.argsort(np.linalg.norm(xy - xy[0], axis=1))[1]
        sizes.append((bent**2).mean())
        steps.append(np.linalg.norm(bent[near] - bent[0]))
    assert np.sqrt(np.mean(sizes)) == pytest.approx(0.8, rel=0.35)  # a few hundred feet hold few waves
    assert max(steps) < 0.8
    assert np.abs(corner_errors(plain)).max() < 0.01
    with pytest.raises(ValueError, match="cannot be"):
        invent.ground(1, distortion=-0.1)
