"""The study of positions: its distortions are what they say, and one ground goes all the way by every method."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).resolve().parents[1] / "scripts" / "study_positions.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("study_positions", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["study_positions"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(("shape", "expected"), [("smooth", np.exp(-1.0)), ("rough", np.exp(-1.0))])
def test_distortion_has_the_deviation_and_correlation_it_says(study, shape, expected):
    # two places one length apart, over many draws
    xy = np.array([[0.0, 0.0], [60.0, 80.0]])
    drawn = np.stack([study.distortion(np.random.default_rng(seed), xy, shape, 0.7, 100.0) for seed in range(3000)])
    np.testing.assert_allclose(drawn.std(axis=0), 0.7, rtol=0, atol=0.04)
    for axis in (0, 1):
        assert np.corrcoef(drawn[:, :, axis].T)[0, 1] == pytest.approx(expected, abs=0.06)


def test_waves_have_the_deviation_they_say(study):
    xy = np.array([[10.0, -20.0]])
    drawn = np.stack([study.distortion(np.random.default_rng(seed), xy, "waves", 0.7, 100.0) for seed in range(3000)])
    np.testing.assert_allclose(drawn.std(axis=0), 0.7, rtol=0, atol=0.04)


def test_share_is_a_ratio_with_its_error_by_ground(study):
    # two grounds of ten, one of two plats, 8 and 10 inside: 0.9, and sqrt(2 (1^2 + 1^2))/20
    import pandas as pd

    table = pd.DataFrame({"found": 0, "bad": 0, "seed": [1, 1, 2], "inside": [5, 3, 10], "known": [5, 5, 10]})
    assert study.share(table, "inside", "known") == pytest.approx((0.9, 0.1))


def test_a_ground_goes_all_the_way(study):
    rows = study.studied((2, 1, 2))
    assert {row["method"] for row in rows} == {"local", "plain", "ransac"}
    of = {name: [row for row in rows if row["method"] == name] for name in ("local", "plain")}
    assert len(of["local"]) == rows[0]["plats"]  # one row a plat
    total = {key: sum(row[key] for row in of["local"]) for key in ("known", "spaces", "inside", "markers", "square")}
    assert sum(row["bad_markers"] for row in of["local"]) > 0
    assert total["known"] == total["spaces"] > 300
    assert 0.8 < total["inside"] / total["known"] <= 1.0
    assert total["square"] < 2.0 * sum(row["square"] for row in of["plain"])
    for row in of["local"]:
        assert row["bad_aside"] <= row["bad_markers"] <= row["markers"]
        assert row["wrong_silent"] <= row["wrong_unsaid"] <= row["wrong"]
        assert row["right_in_doubt"] <= row["right_flagged"]
