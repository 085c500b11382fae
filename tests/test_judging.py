"""What a person decides about a marker in doubt: planted harm of the demo ground, accepted and rejected."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from cemgis import cli, pipeline
from cemgis.errors import InputError

DEMO = Path(__file__).resolve().parents[1] / "data" / "demo"
DOUBTFUL = {"B-16", "B-57", "D-31", "D-74"}


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Demo ground as it came, and one in which three markers were judged."""
    base = tmp_path_factory.mktemp("judged")
    plain, judged = base / "plain", base / "judged"
    for folder in (plain, judged):
        shutil.copytree(DEMO, folder)
    for marker, way in (("B-16", "--accept"), ("B-57", "--accept"), ("D-31", "--accept"), ("D-74", "--reject")):
        assert cli.main(["judge", str(judged), marker, way, "--who", "E. Tarn", "--why", "seen on the ground"]) == 0
    return plain, judged


@pytest.fixture(scope="module")
def runs(folders):
    return [pipeline.compute(folder, until="spaces") for folder in folders]


def corner_of(run, marker):
    rows = run.tables["corners"].set_index("marker_id")
    return rows.loc[marker]


def test_what_is_in_doubt_before_and_after(runs):
    plain, judged = runs
    assert set(plain.facts["set_aside"]) == DOUBTFUL
    assert judged.facts["set_aside"] == {}
    named = {item.subject for item in judged.findings if item.kind.startswith(("marker ", "label "))}
    assert not named & DOUBTFUL


def test_an_accepted_misreading_holds_the_corner_it_names(runs):
    plain, judged = (run.tables["markers"].set_index("marker_id").loc["B-16"] for run in runs)
    assert (plain["state"], bool(plain["holds"])) == ("set aside", False)
    assert (judged["state"], bool(judged["holds"]), judged["lot_id"]) == ("used in the fit", True, "B-91")
    assert judged["label"] == "B-16"  # as it was read
    corner = corner_of(runs[1], "B-16")
    assert corner["state"] == "found"
    assert corner["corner_id"] == judged["corner_id"]
    assert corner.geometry.distance(judged.geometry) < 1e-6


def test_an_accepted_disturbance_moves_its_own_corner_and_no_found_one(runs):
    plain, judged = (run.tables["corners"].set_index("corner_id") for run in runs)
    mine = runs[0].tables["markers"].set_index("marker_id").loc["B-57", "corner_id"]
    assert plain.loc[mine, "state"] == "doubtful"
    assert judged.loc[mine, "state"] == "disturbed"
    # it stood 1.8 ft off; the corner now lies where the others say
    assert 1.0 < plain.loc[mine].geometry.distance(judged.loc[mine].geometry) < 2.5
    found = plain.index[(plain["state"] == "found") & (judged["state"].reindex(plain.index) == "found")]
    assert len(found) > 100
    moved = [plain.loc[one].geometry.distance(judged.loc[one].geometry) for one in found]
    np.testing.assert_allclose(moved, 0.0, rtol=0, atol=1e-6)


def test_a_marker_accepted_at_another_corner_holds_that_one(runs):
    marker = runs[1].tables["markers"].set_index("marker_id").loc["D-31"]
    corner = corner_of(runs[1], "D-31")
    assert corner["state"] == "found"
    assert corner["corner_id"] != marker["corner_id"]
    assert corner.geometry.distance(marker.geometry) < 1e-6


def test_a_rejected_explanation_never_folds_a_lot(runs):
    # D-74 stands 36 ft from the corner of its label: right as it was read or not, no lot can follow it
    marker = runs[1].tables["markers"].set_index("marker_id").loc["D-74"]
    assert "right as it was read" in marker["explanation"]
    assert not marker["holds"]
    said = [item for item in runs[1].findings if item.kind == "lot out of shape"]
    assert any(item.subject == "D-74" and "does not follow that marker" in item.reason for item in said)
    lots = runs[1].tables["lots"]
    assert lots.geometry.is_valid.all()


def test_evidence_stays_and_nonsense_is_refused(folders):
    plain, judged = folders
    for path in sorted(plain.rglob("*")):
        if path.is_file():
            assert path.read_bytes() == (judged / path.relative_to(plain)).read_bytes()
    with pytest.raises(InputError, match="nothing about it is in doubt"):
        pipeline.judge(plain, "A-28", accept=True, who="E. Tarn", why="seen")
    with pytest.raises(InputError, match="there is no such marker"):
        pipeline.judge(plain, "Z-1", accept=True, who="E. Tarn", why="seen")
    assert not (plain / "records").exists()
