"""Grounds with hardly anything to place them by."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from cemgis import pipeline
from cemgis.errors import InputError


def keep(folder: Path, many: int) -> None:
    """Leave the readings of so many markers only, the first and the last ones found."""
    path = folder / "readings" / "readings.csv"
    lines = path.read_text().splitlines()
    labels = [row["label"] for row in csv.DictReader(lines)]
    found = list(dict.fromkeys(labels))
    kept = {*found[:1], *found[len(found) - many + 1 :]}
    path.write_text(
        "\n".join([lines[0], *(line for line, label in zip(lines[1:], labels, strict=True) if label in kept)])
    )


@pytest.fixture
def ground(small_ground: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(small_ground, tmp_path / "ground"))


def test_two_markers_place_a_plat_only_when_asked_and_say_that_nothing_checks_them(ground: Path) -> None:
    keep(ground, 2)
    with pytest.raises(InputError, match="2 found markers cannot place it by a conformal fit that anything checks"):
        pipeline.compute(ground)
    toml = ground / "ground.toml"
    toml.write_text(toml.read_text().replace("[[plat]]", "[[plat]]\nallow_unchecked = true"))
    run = pipeline.compute(ground)
    told = [item for item in run.findings if item.kind == "fit without check"]
    assert [(item.subject, item.reason) for item in told] == [
        ("1870", "2 markers place it and nothing checks them: one misread label moves it all")
    ]
    assert "nothing would check the rest" in run.words()
    radius = run.tables["spaces"]["radius_95"].to_numpy(dtype=float)
    assert (radius > 0.2).all()  # no surer than the guess of how far markers are set from their place


def test_a_checked_plat_is_not_called_unchecked(ground: Path) -> None:
    toml = ground / "ground.toml"
    toml.write_text(toml.read_text().replace("[[plat]]", "[[plat]]\nallow_unchecked = true"))
    assert "fit without check" not in {item.kind for item in pipeline.compute(ground).findings}


def test_one_marker_is_never_enough(ground: Path) -> None:
    keep(ground, 1)
    toml = ground / "ground.toml"
    toml.write_text(toml.read_text().replace("[[plat]]", "[[plat]]\nallow_unchecked = true"))
    with pytest.raises(InputError, match="1 found marker cannot place it"):
        pipeline.compute(ground)
