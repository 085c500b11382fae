"""Markers that are not as they should be, through the whole of a ground: each is told, with what to do."""

import re

import numpy as np
import pytest
from test_main_job import compute, shifted_readings, small, to_act_on, twice

from cemgis.errors import InputError
from cemgis.findings import FINDINGS

READINGS = "readings/readings.csv"


def found(run, kind):
    return {item.subject: item for item in run.findings if item.kind == kind}


def moved(text, labels, east, north, keep=True):
    """Read some labels once more (or only) so far off."""
    out = []
    for line in text.splitlines():
        label, x, y, *rest = line.split(",")
        if label in labels:
            away = ",".join([label, f"{float(x) + east:.4f}", f"{float(y) + north:.4f}", *rest])
            out += [line, away.replace("T08:", "T09:")] if keep else [away]
        else:
            out.append(line)
    return "\n".join(out) + "\n"


def test_two_markers_with_one_label(tmp_path):
    files, _ = small()
    text = moved(files[READINGS], {"A-1"}, 40.0, -25.0)
    run = compute(tmp_path / "hill", files | {READINGS: text}, "fit")
    said = found(run, "marker at two places")["A-1"]
    assert "Read both again" in FINDINGS[said.kind].todo
    assert re.search(r"47\.\d+ ft apart", said.reason)  # the root of 40 and 25 squared, and the readings' scatter
    markers = run.tables["markers"].set_index("marker_id")
    # the one that stands where the others say A-1 is holds the corner; both are told
    assert markers.loc["A-1 (1)", "holds"]
    assert not markers.loc["A-1 (2)", "holds"]
    assert "47.2 ft from its place" in found(run, "marker unexplained")["A-1 (2)"].reason


def test_a_marker_far_outside_the_plat_and_one_no_plat_has(tmp_path):
    files, _ = small()
    text = moved(files[READINGS], {"A-1"}, 900.0, 700.0, keep=False)
    first = next(line for line in text.splitlines() if line.startswith("A-20,"))
    text += first.replace("A-20,", "Q-7,").replace("T08:", "T13:") + "\n"
    run = compute(tmp_path / "hill", files | {READINGS: text}, "fit")
    far = found(run, "marker unexplained")["A-1"]
    assert "1140.2 ft from its place" in far.reason  # the root of 900 and 700 squared
    strange = [item for item in run.findings if item.subject == "Q-7"]
    assert [item.kind for item in strange] == ["label not on plat"]
    assert "A-20 was read at the same place" in strange[0].reason
    markers = run.tables["markers"].set_index("marker_id")
    assert not markers.loc[["A-1", "Q-7"], "holds"].any()


def test_a_label_without_its_section_that_misses_says_what_it_was_taken_for(tmp_path):
    files, _ = small()
    text = moved(files[READINGS], {"A-1"}, 90.0, 70.0, keep=False).replace("A-1,", "1,")
    run = compute(tmp_path / "hill", files | {READINGS: text}, "fit")
    said = [item.reason for item in run.findings if item.subject == "1"]
    assert said
    assert said[0].startswith("taken for A-1, it ")


@pytest.mark.parametrize(
    ("keep", "what", "todo"),
    [(lambda xy: xy[:, 0] < xy[:, 0].min() + 1.0, "lie on one line", "off that line"),
     (lambda xy: np.hypot(*(xy - xy[0]).T) < 18.0, "cannot place it", "as far from")],
)  # fmt: skip
def test_markers_on_a_line_or_in_one_corner(tmp_path, keep, what, todo):
    files, truth = small(found=1.0)
    files["ground.toml"] = files["ground.toml"].replace('name = "1870"\n', 'name = "1870"\nmodel = "affine"\n', 1)
    by_label = {marker["label"]: marker["corner_id"] for marker in truth["markers"]}
    labels = list(by_label)
    xy = np.array([[float(part) for part in by_label[label].split(":")[1].split(",")] for label in labels])
    kept = {label for label, good in zip(labels, keep(xy), strict=True) if good}
    assert len(kept) >= 2
    lines = files[READINGS].splitlines()
    text = "\n".join([lines[0], *(line for line in lines[1:] if line.split(",")[0] in kept)]) + "\n"
    with pytest.raises(InputError) as told:
        compute(tmp_path / "hill", files | {READINGS: text}, "fit")
    words = str(told.value)
    assert todo in words
    assert "plat 1870" in words
    assert what in words


def test_a_section_without_a_marker_lies_by_those_of_its_plat_and_its_places_are_unsure(tmp_path):
    files, _ = small()
    two = twice(files)
    # B is drawn on the plat of A, 900 ft away on it, and nobody found a marker there
    text = two["ground.toml"]
    head, tail = text[: text.index('name = "B"')], text[text.index('name = "B"') :]
    at = re.search(r'at = \["([\d.]+) ft"', tail)
    tail = tail.replace('plat = "1920"', 'plat = "1870"').replace(at[0], f'at = ["{float(at[1]) + 900:g} ft"')
    text = re.sub(r'\[\[plat\]\]\nname = "1920"\ndate = "1920"\n', "", head + tail)
    run = compute(tmp_path / "hill", files | {"ground.toml": text}, "spaces")
    assert ("places unsure", "B") in to_act_on(run.findings_table)
    spaces = run.tables["spaces"]
    radius = spaces.groupby("section")["radius_95"].median().astype(float)
    assert radius["B"] > 2.0 * radius["A"]
    assert "`cemgis seek` says which" in FINDINGS["places unsure"].todo
    assert "of its spaces may lie half a space or more" in found(run, "places unsure")["B"].reason
    assert (run.tables["sections"].set_index("section").loc["B", "markers_found"]) == 0
    # on a plat of its own it cannot be placed at all
    run = compute(tmp_path / "own", two | {READINGS: shifted_readings(files[READINGS], "B", 0.0, set())}, "spaces")
    assert "section B is not built" in found(run, "plat without fit")["1920"].reason
