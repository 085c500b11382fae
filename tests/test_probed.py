"""Probe lists of a ground: what they become, and what is said of those that cannot be."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from cemgis.errors import InputError
from cemgis.files.tables import Table
from cemgis.geometry import long_axis
from cemgis.ground import parse_ground
from cemgis.pipeline.compute import compute
from cemgis.pipeline.probed import fit_probes
from cemgis.ties import dig_corners

DEMO = Path(__file__).parents[1] / "data" / "demo"
SIZE = (2.5, 7.25)
TOML = """
[[container]]
name = "small vault"
length = "87 in"
width = "30 in"
height = "30 in"
[[probes]]
file = "survey/probes.csv"
reference = "EPSG:6549"
container = "small vault"
"""


def hits(name, space, middle, azimuth, width=SIZE[0]):
    turn = np.radians(azimuth)
    ahead, right = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
    spots = np.array([(0.7, -1), (-0.6, -1), (1, 0.2), (-1, -0.3), (0.1, 1), (-0.4, 1)])
    at = middle + spots[:, :1] * ahead * SIZE[1] / 2 + spots[:, 1:] * right * width / 2
    depth = 1.5 - spots[:, 0] * 0.1
    return [f"{name},{space},edge,{x:.4f},{y:.4f},{d:.3f}" for (x, y), d in zip(at, depth, strict=True)]


@pytest.fixture(scope="module")
def probed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("probed") / "ground"
    shutil.copytree(DEMO, folder)
    plain = compute(folder, until="spaces").tables["spaces"]
    chosen = plain[(plain["section"] == "B") & (plain["state"] == "vacant")].iloc[10]
    azimuth = float(long_axis([chosen.geometry])[0][0])
    middle = np.array(chosen.geometry.centroid.coords[0])
    turn = np.radians(azimuth)
    placed = middle + 0.6 * np.array([np.cos(turn), -np.sin(turn)])
    lines = ["vault,space,kind,x,y,depth", *hits("P1", chosen["space_id"], placed, azimuth + 5.0)]
    lines += hits("P2", chosen["space_id"], placed + 30.0, azimuth, width=4.0)
    lines += [f"P3,{chosen['space_id']},edge,{placed[0]},{placed[1]},1.0", "P4,,lid,1,2,", ",,edge,1,2,"]
    (folder / "survey" / "probes.csv").write_text("\n".join(lines) + "\n")
    (folder / "ground.toml").write_text((folder / "ground.toml").read_text() + TOML)
    return compute(folder), chosen["space_id"], placed, azimuth + 5.0


@pytest.mark.parametrize("depth", ["1e308", "nan"])
def test_a_depth_that_is_none_is_left_out_and_told(tmp_path, depth):
    folder = Path(shutil.copytree(DEMO, tmp_path / "ground"))
    lines = ["vault,space,kind,x,y,depth", *hits("P1", "B-10-2", np.array([2023705.0, 449465.0]), 270.0)]
    lines[1] = f"{lines[1].rsplit(',', 1)[0]},{depth}"
    (folder / "survey" / "probes.csv").write_text("\n".join(lines) + "\n")
    (folder / "ground.toml").write_text((folder / "ground.toml").read_text() + TOML)
    run = compute(folder)
    assert f"its depth '{depth}' is no length of anything here" in "".join(item.reason for item in run.findings)
    assert run.tables["vaults"].set_index("vault_id").loc["P1", "probes"] == 5


def test_hits_become_a_vault_that_counts(probed):
    run, space, placed, azimuth = probed
    row = run.tables["vaults"].set_index("vault_id").loc["P1"]
    true = shapely.polygons(dig_corners(placed, azimuth, *SIZE))
    assert shapely.hausdorff_distance(row.geometry, true) < 0.002
    assert row["space_id"] == space
    assert row["probes"] == 6
    assert abs(row["crooked"]) == pytest.approx(5.0, abs=0.1)
    assert abs(row["off_across"]) == pytest.approx(0.6, abs=0.01)
    # the lid falls 0.1 of depth in half its length, and heads lie west or east of the feet
    assert abs(row["fall"]) == pytest.approx(0.2, abs=0.01)
    assert 0.03 < row["sigma"] < 0.12
    state = run.tables["spaces"].set_index("space_id").loc[space, "state"]
    assert state in ("occupied", "probably occupied")
    pairs = run.tables["clearances"]
    assert ((pairs["a_id"] == "P1") | (pairs["b_id"] == "P1")).any()


def test_lists_that_cannot_be_are_findings(probed):
    run = probed[0]
    found = run.findings_table
    mine = found[found["kind"] == "vault not placed"].set_index("subject")
    assert set(mine.index) == {"P2", "P3"}
    assert "no rectangle of" in mine.loc["P2", "reason"]
    assert "Probe two places" in mine.loc["P3", "todo"]
    unread = found[(found["kind"] == "lines not understood") & (found["subject"] == "survey/probes.csv")]
    assert "2 probe hits left out" in unread["reason"].iloc[0]


def table(**columns):
    rows = pd.DataFrame(columns, dtype=object)
    return Table(rows, np.arange(2, 2 + len(rows)), (), 0, "utf-8", ",")


HEAD = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889"
[[section]]
name = "A"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
lots = 2
frontage = "16 ft"
depth = "12 ft"
"""


def test_hits_may_name_labels_of_readings():
    ground = parse_ground(HEAD + '[[probes]]\nfile = "p.csv"\n', Path())
    corners = dig_corners([2_000_000.0, 450_000.0], 20.0, 2.5, 7.5)[[0, 1, 2]]
    occupations = gpd.GeoDataFrame(
        {"label": ["V1a", "V1b", "V 1c"], "used": True, "cov_ee": 0.001, "cov_en": 0.0, "cov_nn": 0.002},
        geometry=shapely.points(corners), crs=ground.crs.crs,
    )  # fmt: skip
    spaces = gpd.GeoDataFrame({"space_id": [], "section": [], "lot_id": []}, geometry=[], crs=ground.crs.crs)
    listed = table(vault=["V1"] * 3, kind=["corner"] * 3, label=["v1A", "V1b", "V1c"], width=["2.5 ft"] * 3,
                   length=["7 ft 6 in", "", ""])  # fmt: skip
    tables, findings = fit_probes(ground, [(ground.probes[0], listed)], occupations, spaces)
    assert findings == []
    both = [(ground.probes[0], listed), (replace(ground.probes[0], file="q.csv"), listed)]
    with pytest.raises(InputError, match=r"probes: in two lists: V1\. Give each vault its own name, or one list"):
        fit_probes(ground, both, occupations, spaces)
    listed.rows["space"] = ["A-1", "A-2", ""]
    _, findings = fit_probes(ground, [(ground.probes[0], listed)], occupations, spaces)
    assert findings[0].reason == "its hits name two spaces"
    made = tables["vaults"].iloc[0]
    np.testing.assert_allclose(made.geometry.centroid.coords[0], [2_000_000.0, 450_000.0], rtol=0, atol=1e-5)


def test_lists_without_what_they_need_are_refused():
    with pytest.raises(InputError, match="there is no container"):
        parse_ground(HEAD + '[[probes]]\nfile = "p.csv"\ncontainer = "oak"\n', Path())
    ground = parse_ground(HEAD + '[[probes]]\nfile = "p.csv"\n', Path())
    none = gpd.GeoDataFrame({"label": [], "used": [], "cov_ee": [], "cov_en": [], "cov_nn": []}, geometry=[])
    spaces = gpd.GeoDataFrame({"space_id": [], "section": [], "lot_id": []}, geometry=[])
    entry = ground.probes[0]
    with pytest.raises(InputError, match="no column vault"):
        fit_probes(ground, [(entry, table(what=["V1"], x=["1"], y=["2"]))], none, spaces)
    with pytest.raises(InputError, match="neither x and y nor label among: vault"):
        fit_probes(ground, [(entry, table(vault=["V1"], what=["1"]))], none, spaces)
    with pytest.raises(InputError, match=r"reference: missing\. Say what x and y are in, as 'NAD83"):
        fit_probes(ground, [(entry, table(vault=["V1"], x=["1"], y=["2"]))], none, spaces)
    _, findings = fit_probes(ground, [(entry, table(vault=["V1"], label=["9"]))], none, spaces)
    assert "its label was not read" in findings[0].reason
