"""A grave that was closed seven inches off its plan changes the plan beside it, and how."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import shapely

from cemgis import pipeline
from cemgis.opening import VERDICTS, parse_order
from cemgis.pipeline.compute import compute
from cemgis.pipeline.openings import plan
from cemgis.ties import dig_corners

ROOT = Path(__file__).parents[1]
OFF = 7 / 12


def asked(run, folder, space):
    """Plan an opening for the one who holds the right of a space."""
    right = run.tables["rights"].set_index("space_id").loc[space]
    order = (folder / "orders" / "B-10-2.toml").read_text(encoding="utf-8").replace("B-10-2", space)
    order = order.replace("Hanh Aldanczyk", right["holder"]).replace("deed 4/39", right["instrument"])
    return plan(run, parse_order(order, run.ground.unit), run.ground.container("concrete vault"))


def test_the_plan_beside_a_closed_grave_follows_what_was_measured(tmp_path):
    folder = tmp_path / "hill"
    shutil.copytree(ROOT / "data" / "demo", folder)
    run = compute(folder)
    before = asked(run, folder, "B-100-2")
    assert before.dig.shift == 0.0
    assert before.strike.any < 0.01
    # the vault of B-100-1, to the right as one faces the heads, is set seven inches to the left of its plan
    first = asked(run, folder, "B-100-1")
    turn = np.radians(first.dig.heads_azimuth)
    left = -np.array([np.cos(turn), -np.sin(turn)]) * OFF
    box = first.container
    true = dig_corners(first.dig.corners.mean(axis=0) + left, first.dig.heads_azimuth, box.width, box.length)
    shots = [f"{name}, {x:.3f}, {y:.3f}" for name, (x, y) in
             zip(("head left", "head right", "foot right", "foot left"), true, strict=True)]  # fmt: skip
    closed = pipeline.close_opening(
        folder, "B-100-1", state="closed", who="E. Tarn", day="2026-05-04", shots=shots, container="concrete vault",
        person="Ilse Zelberry", top="1 ft 7 in", without_order="a copy of a plan, for a test", run=run,
    )  # fmt: skip
    assert shapely.hausdorff_distance(shapely.from_wkt(closed["shape"]), shapely.Polygon(true)) < 0.01
    after = asked(compute(folder), folder, "B-100-2")
    there = [thing for thing in after.site.things if thing.space_id == "B-100-1" and thing.kind == "vault"]
    assert len(there) == 1
    assert shapely.hausdorff_distance(there[0].shape, shapely.Polygon(true)) < 0.01
    # laid square it would leave an inch: vaults 14 in apart by their spaces, less 7 in, less the room of 6 in
    square = shapely.Polygon(before.dig.corners)
    assert shapely.distance(square, there[0].shape) == pytest.approx(1 / 12, abs=0.07)
    # the rule asks for 4 in: it goes as much to the left as it must, in steps of half an inch, and no farther
    assert after.dig.shift == pytest.approx(-3 / 12, abs=0.09)
    assert shapely.distance(after.dig.polygon, there[0].shape) >= 4 / 12 - 0.05
    assert after.strike.any > before.strike.any
    assert after.verdict == VERDICTS[1]
    said = " | ".join(reason.text for reason in after.reasons)
    assert "The chance of striking a neighbour" in said
    assert "into B-100-3" in said
