"""A marker off its place: moved since, or set there in the first place, as the stones of its lot have it."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import shapely

from cemgis.pipeline.compute import compute

DEMO = Path(__file__).parents[1] / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


def demo_with_stones(folder, shift):
    """Copy the demo and give three graves of B-57 a headstone, where those of its section stand, moved by `shift`."""
    shutil.copytree(DEMO, folder)
    path = folder / "survey" / "monuments.geojson"
    whole = json.loads(path.read_text(encoding="utf-8"))
    places = TRUTH["spaces"]
    of_section = [one for one in whole["features"] if str(one["properties"].get("space_id", "")).startswith("B-")]
    centres = [shapely.geometry.shape(one["geometry"]).centroid for one in of_section]
    off = [np.array([at.x, at.y]) - places[one["properties"]["space_id"]]
           for at, one in zip(centres, of_section, strict=True)]  # fmt: skip
    for number in (1, 2, 3):
        x, y = np.array(places[f"B-57-{number}"]) + np.median(off, axis=0) + shift
        shape = shapely.geometry.mapping(shapely.box(x - 0.5, y - 1.0, x + 0.5, y + 1.0))
        more = {**of_section[0]["properties"], "monument_id": f"new {number}", "space_id": f"B-57-{number}"}
        whole["features"].append({"type": "Feature", "properties": more, "geometry": shape})
    path.write_text(json.dumps(whole), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "moved since: the 3 stones of its lot lie where the plat has them"),
        (1.0, "set there: the 3 stones of its lot lie off with it, by 1.8"),
        (0.5, "moved since, or set there: the 3 stones of its lot do not tell which"),
        (None, "moved since, or set there: no stone or vault of its lot tells which"),
    ],
)
def test_the_stones_of_a_lot_tell_a_marker_moved_from_one_set_there(tmp_path, share, said):
    marker = next(one for one in TRUTH["markers"] if one["site"] == "B-57")
    miss = np.array(marker["at"]) - TRUTH["corners"][marker["corner_id"]]
    folder = DEMO if share is None else demo_with_stones(tmp_path / "ground", share * miss)
    run = compute(folder, until="spaces")
    (found,) = [item for item in run.findings if item.kind == "marker moved or set there"]
    assert found.subject == "B-57"
    assert said in found.reason
    markers = run.tables["markers"].set_index("marker_id")
    assert said in markers.loc["B-57", "explanation"]
