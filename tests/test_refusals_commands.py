"""What the commands refuse on a computed ground: each is provoked, says these words, and records nothing."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from refusing import BLOCK, GROUND, SECTION, refused

from cemgis import pipeline
from cemgis.files.scans import Scan
from cemgis.files.vector import Features
from cemgis.ground import parse_ground
from cemgis.invent import parcel as invent_parcel
from cemgis.pipeline import boarding, expanding, picturing, products, scanning, seeking
from cemgis.pipeline.boarding import foresee
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import gather_evidence, read_ground
from cemgis.pipeline.opening_site import find_space, site_of
from cemgis.pipeline.surveyed import surveyed
from cemgis.ties import CORNERS, dig_corners

DEMO = Path(__file__).parents[1] / "data" / "demo"
WHOLE = GROUND + SECTION + BLOCK


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Compute the demo ground once; its run holds no records."""
    return compute(shutil.copytree(DEMO, tmp_path_factory.mktemp("commands") / "hill"))


@pytest.fixture
def early(run, tmp_path):
    """A run that was not computed to its end."""
    return pipeline.Run(run.ground)


def lay(folder, files):
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


# ---- openings and foundations ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"taped": ["B-74, head left"]}, "taped 'B-74, head left': not three parts"),
        ({"taped": ["Z-1, head left, 9 ft"]}, "no trusted marker Z-1 within a tape"),
        ({"taped": ["B-74, roof, 9 ft"]}, "there is no corner roof"),
        ({"shots": ["head left, 5"]}, "shot 'head left, 5': not three or four parts"),
        ({"shots": ["head left, 1, 2"]}, "Write easting, northing in NAD83(2011)"),
        ({"container": None, "state": "settled"}, "nothing was closed there"),
        ({"container": None, "state": "abandoned", "because": "rock", "taped": ["B-74, head left, 9 ft"]},
         "measured: of no container. Name it with --container."),
    ],
)  # fmt: skip
def test_what_was_measured(run, tmp_path, given, words):
    whole = {"state": "closed", "who": "E. Tarn", "day": "2026-05-04", "container": "concrete vault"} | given
    whole.setdefault("without_order", "word of mouth")
    refused(words, pipeline.close_opening, tmp_path, "B-10-2", run=run, **whole)
    assert not list(tmp_path.iterdir())


def test_a_vault_that_lies_elsewhere(run, tmp_path):
    site = site_of(run, "B-10-2", machine=False)
    heads = site.heads_azimuth - site.convergence
    across = np.array([np.cos(np.radians(heads)), -np.sin(np.radians(heads))])
    middle = shapely.get_coordinates(shapely.centroid(site.shape))[0]
    # each corner is near enough to the space, but together they lie beside it
    corners = dig_corners(middle + 4.2 * across, heads, 34 / 12, 7.5)
    shots = [f"{name}, {x:.3f}, {y:.3f}" for name, (x, y) in zip(CORNERS, corners, strict=True)]
    given = {"state": "closed", "who": "E. Tarn", "day": "2026-05-04", "container": "concrete vault", "shots": shots,
             "without_order": "word of mouth"}  # fmt: skip
    refused("outside of B-10-2. Check the markers, the side of the line", pipeline.close_opening, tmp_path, "B-10-2",
            run=run, **given)  # fmt: skip
    assert not list(tmp_path.iterdir())


def test_openings_that_follow_one_another(run, tmp_path):
    kept = list(run.records)
    given = {"who": "E. Tarn", "run": run, "container": "concrete vault"}

    def close(state, day, **more):
        run.records.append(pipeline.close_opening(tmp_path, "B-10-2", state=state, day=day, **(given | more)))

    try:
        close("opened", "2026-05-03", without_order="word of mouth")
        refused("it is opened. Record first how it was closed.", close, "settled", "2026-05-04")
        close("closed", "2026-05-04")
        refused("it is closed already. Withdraw that record, ", close, "opened", "2026-05-05")
        refused("it is closed already. Withdraw that record, ", close, "abandoned", "2026-05-05", because="rock")
        close("settled", "2026-07-04")
        close("settled", "2026-07-05")  # what was done since is added
        close("opened", "2026-08-01", without_order="word of mouth")
        order = tmp_path / "order.toml"
        order.write_text('space = "B-10-2"\n', encoding="utf-8")
        planned = pipeline.open_grave(run.ground.folder, "B-10-2", order=order, container="concrete vault", run=run,
                                      out=tmp_path / "sheets")  # fmt: skip
        refused("the opening B-10-2/2 is opened. Close or abandon it with", pipeline.order_opening, tmp_path, planned,
                who="E. Tarn")  # fmt: skip
        lay(tmp_path, {"order.toml": "space = 5\n"})
        refused("there is no container", pipeline.open_grave, run.ground.folder, "B-10-2", order=order, container="tin",
                run=run)  # fmt: skip
    finally:
        run.records[:] = kept


def test_a_foundation_is_finished_first(run, tmp_path):
    kept = list(run.records)
    run.records.append({"id": "x", "kind": "foundation", "foundation_id": "F B-10-2/1", "space_id": "B-10-2",
                        "state": "set", "date": "2026-05-01"})  # fmt: skip
    try:
        refused("the foundation F B-10-2/1 is set. Finish that first.", pipeline.record_foundation, tmp_path, "B-10-2",
                state="set out", who="E. Tarn", run=run)  # fmt: skip
    finally:
        run.records[:] = kept


def test_places_that_are_none(run, early, monkeypatch):
    niche = str(run.tables["niches"]["space_id"].iloc[0])
    refused(f"{niche} is a niche", find_space, run, niche)
    refused("is a niche. There is nothing to dig.", find_space, run, niche)
    monkeypatch.setattr(
        run, "crosswalk", pd.DataFrame({"old": ["B 977"], "new": ["B 66"], "last_until": ["1924-05-01"]})
    )
    refused("'B-977-1' is a number nobody uses now. Until 1 May 1924 it was", find_space, run, "B-977-1")
    refused("the ground was not computed far enough", site_of, early, "B-10-2", machine=False)


# ---- seeking, scans, maps -------------------------------------------------------------------------------------------


def test_seeking(run, early, tmp_path, monkeypatch):
    refused("the plats are not placed. Run it to the stage", seeking.lessons, early, ["A"], 3, "worst")
    monkeypatch.setattr(seeking, "compute", lambda *_, **__: run)
    monkeypatch.setattr(seeking, "search_table", lambda *_: run.tables["searches"].head(0))
    refused("no marker of section A is left to find. Nothing is to be done.", pipeline.seek, run.ground.folder,
            section="A", out=tmp_path)  # fmt: skip


def test_scans(run, early, tmp_path, monkeypatch):
    refused("the plats are not placed. Run it to the stage", scanning._plat, early)
    text = (DEMO / "ground.toml").read_text(encoding="utf-8")
    folder = shutil.copytree(DEMO, tmp_path / "hill")
    monkeypatch.setattr(scanning, "compute", lambda *_, **__: replace(run, ground=read_ground(folder)))
    points = folder / "plat" / "plat_1889_points.csv"
    points.write_text("label,corner,column,row\nZ-99,,10,10\n", encoding="utf-8")
    refused("no control point can be used (", pipeline.rectify_scans, folder)
    points.write_text("easting,northing,column,row\n2023000,449000,10,10\n", encoding="utf-8")
    refused("missing, and points are given by easting and northing", pipeline.rectify_scans, folder)
    (folder / "ground.toml").write_text(text.replace('points = "plat/plat_1889_points.csv"\n', ""), encoding="utf-8")
    refused("carries no control points and none are named. Collect them with", pipeline.rectify_scans, folder)


def test_a_picture_without_a_code(run):
    crs = pyproj.CRS("+proj=lcc +lat_1=40 +lat_2=42 +lon_0=-82 +datum=NAD83")
    scan = Scan(Path("plan.tif"), 10, 10, np.zeros((4, 2)), np.zeros((4, 2)), crs)
    entry = replace(run.ground.scans[0], reference=None, points=None)
    refused("does not name its own. Write it.", scanning._own_points, run.ground, entry, scan)


def test_maps_and_the_demo(run, tmp_path, monkeypatch):
    refused("'1:250' is no scale for a ground in ft", picturing._scale, run.ground, "1:250")
    monkeypatch.setattr(products, "_demo_source", lambda: tmp_path / "nowhere")
    refused("the demo's evidence is not there. Install the package again.", pipeline.demo, tmp_path / "hill")


# ---- new ground -----------------------------------------------------------------------------------------------------


def test_new_ground(run, tmp_path, monkeypatch):
    refused("no parcel is described there. Name the parcel's .toml.", expanding._only_parcel, tmp_path)
    lay(tmp_path, {"expansion/a.toml": "", "expansion/b.toml": ""})
    refused("2 parcels are described there. Name the parcel's .toml.", expanding._only_parcel, tmp_path)
    files = {Path(name).name: content for name, content in invent_parcel.parcel().items()}
    lay(tmp_path, files)
    path = tmp_path / "meadow.toml"
    refused("the parcel has no 'pyramids'", expanding.plan_parcel, run.ground, path, modules=["pyramids"])
    outline = json.loads(files["meadow.geojson"])
    twice = outline | {"features": outline["features"] * 2}
    lay(tmp_path, {"meadow.geojson": json.dumps(twice)})
    refused("it holds 2 areas. Give one parcel.", expanding.plan_parcel, run.ground, path)
    broken = outline | {"features": [*outline["features"], outline["features"][0] | {"geometry": None}]}
    lay(tmp_path, {"meadow.geojson": json.dumps(broken)})
    refused("Mend it where it was drawn.", expanding.plan_parcel, run.ground, path)


def test_a_parcel_too_narrow_for_a_lot(run, tmp_path):
    files = {Path(name).name: content for name, content in invent_parcel.parcel().items()}
    strip = shapely.box(2_023_500, 449_700, 2_024_100, 449_709)
    system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6549"}}
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(strip)}
    whole = {"type": "FeatureCollection", "crs": system, "features": [feature]}
    text = 'name = "Strip"\noutline = "meadow.geojson"\ngates = [[2023500, 449705]]\n[[module]]\nname = "lots"\n'
    lay(tmp_path, files | {"meadow.geojson": json.dumps(whole), "strip.toml": text})
    refused("not one lot fits (square ft: ", expanding.plan_parcel, run.ground, tmp_path / "strip.toml")


def test_choices_and_names_of_new_ground(run, tmp_path, monkeypatch):
    choice = object()
    found = expanding.Expansion(run.ground, None, None, None, None, choices=[choice])
    outlook = type("Outlook", (), {"run": run})()
    monkeypatch.setattr(expanding, "foresee", lambda *_, **__: outlook)
    monkeypatch.setattr(expanding, "plan_parcel", lambda *_, **__: found)
    path = tmp_path / "meadow.toml"
    refused("there is no choice 2. There are 1.", pipeline.expand, run.ground.folder, path, choice=2)
    refused(
        "'A' is taken or no name. Letters and digits; a new one.", pipeline.expand, run.ground.folder, path, section="A"
    )


# ---- evidence -------------------------------------------------------------------------------------------------------

FEATURE = {"type": "Feature", "properties": {"lot": "1"}, "geometry": None}


def test_files_of_lots_must_be_whole(tmp_path):
    text = GROUND + SECTION + 'lots = "lots.csv"\n'
    lay(tmp_path, {"ground.toml": text})
    rows = "lot,x,y,width,depth\n1,0,0,12,16\n2,12,0,12,16,7,7,7,7\n"
    lay(tmp_path, {"lots.csv": rows})
    refused("Mend the line: a file of lots must be whole.", gather_evidence, parse_ground(text, tmp_path))
    square = shapely.geometry.mapping(shapely.box(0, 0, 12, 16))
    lots = {"type": "FeatureCollection", "features": [FEATURE, FEATURE | {"geometry": square}]}
    lay(tmp_path, {"lots.geojson": json.dumps(lots)})
    refused("Mend it: a file of lots must be whole.", gather_evidence,
            parse_ground(text.replace("lots.csv", "lots.geojson"), tmp_path))  # fmt: skip


def test_a_ground_without_a_marker(tmp_path):
    text = WHOLE.replace('"southwest"', '""') + (
        '[[control]]\nname = "MH 1"\nreference = "EPSG:6549"\nx = 2023900\ny = 449400\nsource = "county"\n'
        '[[readings]]\nfile = "r.csv"\nreference = "EPSG:6549"\ncorrections = "state network"\n'
    )
    lay(tmp_path, {"ground.toml": text, "r.csv": "label,x,y,time\nMH 1,2023900,449400,2025-05-06T10:00:00Z\n"})
    refused("no section has a marker. Write markers", compute, tmp_path)


def test_attributes_of_surveyed_things(tmp_path):
    entry = '[[features]]\nlayer = "vaults"\nfile = "v.geojson"\nreference = "EPSG:6549"\ncolumns = {}\n'

    def brought(columns, **attributes):
        ground = parse_ground(WHOLE + entry.replace("{}", columns), tmp_path)
        table = gpd.GeoDataFrame({"feature": [1], **attributes}, geometry=[shapely.box(2e6, 7e5, 2e6 + 3, 7e5 + 7)])
        return surveyed(ground, [(ground.features[0], Features(table))])

    refused("vaults has no such column", brought, '{ vault = "id" }', id=["V1"])
    refused("v.geojson has no attribute 'id'. It has: name.", brought, '{ vault_id = "id" }', name=["V1"])
    refused("Mend it where it came from.", brought, "{}", sigma=["a foot"])


# ---- the board ------------------------------------------------------------------------------------------------------


def test_a_forecast_needs_years_and_heights_that_lie_here(run, monkeypatch, tmp_path):
    monkeypatch.setattr(boarding, "compute", lambda *_: run)
    bare = np.full(len(run.tables["spaces"]), np.nan)
    monkeypatch.setattr(boarding, "slope_under", lambda *_: bare)
    refused("not one space lies on it. Check its reference", foresee, run.ground.folder)
    monkeypatch.setattr(boarding, "_slopes", lambda *_: (None, ()))
    monkeypatch.setattr(boarding, "takings", lambda *_: (run.tables["events"].head(0).assign(year=0),) * 2)
    refused("no burial and no right has a year", foresee, run.ground.folder)
