"""Why a marker does not agree: planted misreadings and moves are named."""

import numpy as np
import pandas as pd
import pytest
from test_fit import ORIGIN, lots

from cemgis.doubt import explain, label_edits
from cemgis.findings import FINDINGS
from cemgis.units import US_SURVEY_FOOT


def two_sections():
    """Sections A and B, 20 by 10 lots each: labels, true places."""
    plat = np.vstack([lots(), lots() - np.array([0.0, 150.0])])
    labels = [f"{section}-{number}" for section in "AB" for number in range(1, 201)]
    place = dict(zip(labels, plat + ORIGIN, strict=True))
    return labels, place


def explained(planted, found=(), shift=None):
    """Explain markers read at planted places, with sites known to 0.2 ft."""
    labels, place = two_sections()
    spread = {"cov_ee": 0.04, "cov_en": 0.0, "cov_nn": 0.04}
    xy = np.array([place[label] for label in labels])
    sites = pd.DataFrame({"label": labels, "section": [label[0] for label in labels], "e": xy[:, 0], "n": xy[:, 1],
                          "agrees": [label in found for label in labels], **spread})  # fmt: skip
    ends = {"southeast": (16, 0), "northeast": (16, 12), "northwest": (0, 12)}
    corners = pd.concat(
        [sites.assign(corner=name, e=sites["e"] + x, n=sites["n"] + y) for name, (x, y) in ends.items()]
    ).reset_index(drop=True)
    at = np.array([place_of + np.array(off) for _, place_of, off in planted])
    aside = pd.DataFrame(
        {"label": [label for label, *_ in planted], "section": [label[0] for label, *_ in planted], "e": at[:, 0],
         "n": at[:, 1], "cov_ee": 0.0025, "cov_en": 0.0, "cov_nn": 0.0025},
        index=[f"m{number}" for number in range(len(planted))],
    )  # fmt: skip
    if shift is not None:
        aside = aside.assign(file="june.csv", shift_e=shift[0], shift_n=shift[1])
    return explain(aside, sites, corners, moved_sigma=2.0, alpha=0.001, unit=US_SURVEY_FOOT)


@pytest.mark.parametrize(
    ("read", "true", "words"),
    [
        ("B-61", "B-19", "lies 0.2 ft from where B-19 belongs; read upside down 61 is 19"),
        ("A-21", "A-12", "lies 0.2 ft from where A-12 belongs; two digits swapped: 21 read for 12"),
        ("A-66", "A-166", "lies 0.2 ft from where A-166 belongs; a digit missing: 66 read for 166"),
        ("A-144", "A-14", "lies 0.2 ft from where A-14 belongs; a digit too many: 144 read for 14"),
        ("A-73", "A-78", "lies 0.2 ft from where A-78 belongs; one digit misread: 73 read for 78"),
        ("A-77", "B-77", "lies 0.2 ft from where B-77 belongs; the same number in another section"),
        ("A-999", "A-99", "lies 0.2 ft from where A-99 belongs; a digit too many: 999 read for 99"),
    ],
)
def test_misread_label_is_named(read, true, words):
    place = two_sections()[1]
    line = explained([(read, place[true], (0.2, 0.0))]).loc["m0"]
    assert line["kind"] == "label misread"
    assert line["other"] == true
    assert line["detail"] == words
    assert line["odds"] > 10
    # not if that label's own marker stands where it belongs
    taken = explained([(read, place[true], (0.2, 0.0))], found=[true]).loc["m0"]
    assert taken["kind"] != "label misread"
    assert pd.isna(taken["other"])


def test_other_causes_are_named():
    place = two_sections()[1]
    found = explained(
        [
            ("B-5", place["B-5"], (3.0, -2.0)),
            ("B-105", place["B-105"], (16.1, 11.9)),
            ("A-7", place["A-7"], (40.0, 33.0)),
            ("A-500", place["A-7"], (40.0, 33.0)),
        ],
        found=["B-126"],  # whose marker would stand at the same corner as the northeast of B-105
    )
    assert found["kind"].tolist() == [
        "marker moved or set there", "marker at another corner", "marker unexplained", "marker unexplained",
    ]  # fmt: skip
    assert found["detail"].tolist() == [
        "stands 3.6 ft from its place; moved since, or set there",
        "lies 0.1 ft from the northeast corner of its own lot",
        "lies 51.9 ft from its place and no single cause explains it",
        "no lot has this label and no other marker belongs here",
    ]
    assert found["other"].isna().all()
    assert set(found["kind"]) <= set(FINDINGS)
    assert found.index.tolist() == ["m0", "m1", "m2", "m3"]


def test_close_explanations_are_both_named():
    # the southeast corner of lot A-11 is where the marker of A-12 belongs, and 12 is one digit from 11
    place = two_sections()[1]
    line = explained([("A-11", place["A-11"], (16.0, 0.0))]).loc["m0"]
    both = {line["kind"], line["second"].split(":")[0]}
    assert both == {"marker at another corner", "label misread"}
    assert "A-12" in f"{line['detail']} {line['second']}"
    assert line["odds"] * line["second_odds"] <= 1.0 + 1e-9
    # once the marker of A-12 is found where it belongs, only the corner is left
    alone = explained([("A-11", place["A-11"], (16.0, 0.0))], found=["A-12"]).loc["m0"]
    assert alone["kind"] == "marker at another corner"
    assert pd.isna(alone["second"])


def test_marker_of_a_shifted_file_is_explained_by_it():
    place = two_sections()[1]
    line = explained([("A-55", place["A-55"], (2.9, -3.0))], shift=(2.8, -3.1)).loc["m0"]
    assert line["kind"] == "file shifted"
    assert line["detail"] == "misses by 4.2 ft, as all of june.csv does"
    assert set(FINDINGS) >= {"file shifted", "label misread", "marker at another corner", "marker unexplained"}


def test_section_is_read_off_a_label_no_lot_has():
    labels, place = two_sections()
    spread = {"cov_ee": 0.04, "cov_en": 0.0, "cov_nn": 0.04}
    xy = np.array([place[label] for label in labels])
    sites = pd.DataFrame({"label": labels, "section": [label[0] for label in labels], "e": xy[:, 0], "n": xy[:, 1],
                          "agrees": False, **spread})  # fmt: skip
    e, n = place["B-180"]
    aside = pd.DataFrame({"label": ["B-810"], "section": [None], "e": [e], "n": [n], **spread})
    line = explain(aside, sites, moved_sigma=2.0, alpha=0.001, unit=US_SURVEY_FOOT).loc[0]
    assert (line["other"], sites["label"][line["site"]]) == ("B-180", "B-180")
    assert line["detail"].endswith("two digits swapped: 810 read for 180")


def test_labels_without_section_are_told_apart_by_it():
    spread = {"cov_ee": 0.04, "cov_en": 0.0, "cov_nn": 0.04}
    sites = pd.DataFrame({"label": ["19", "61"] * 2, "section": ["A", "A", "B", "B"], "e": [0.0, 200.0, 0.0, 200.0],
                          "n": [0.0, 0.0, 300.0, 300.0], "agrees": False, **spread})  # fmt: skip
    aside = pd.DataFrame({"label": ["61", "61"], "section": ["B", "B"], "e": [0.0, 200.0], "n": [300.0, 0.0], **spread})
    found = explain(aside, sites, moved_sigma=2.0, alpha=0.001, unit=US_SURVEY_FOOT)
    assert found["site"].tolist() == [2, 1]
    assert found["other"].tolist() == ["19 of section B", "61 of section A"]
    assert found["detail"][1].endswith("the same number in another section")


def test_nothing_to_explain():
    labels, place = two_sections()
    xy = np.array(list(place.values()))
    sites = pd.DataFrame({"label": labels, "section": "A", "e": xy[:, 0], "n": xy[:, 1], "agrees": False,
                          "cov_ee": 0.04, "cov_en": 0.0, "cov_nn": 0.04})  # fmt: skip
    assert explain(pd.DataFrame(), sites, moved_sigma=2.0, alpha=0.001, unit=US_SURVEY_FOOT).empty


def test_label_edits_keep_the_section_and_leave_no_leading_zero():
    edits = label_edits("C2-106", "C2")
    assert edits["C2-901"] == "read upside down"
    assert edits["C2-160"] == "two digits swapped"
    assert edits["C2-10"] == "a digit too many"
    assert edits["C2-1066"] == "a digit missing"
    assert all(text.startswith("C2-") for text in edits)
    assert "C2-016" not in edits
    assert "C2-106" not in edits
    assert label_edits("C2-35", "C2").get("C2-53") == "two digits swapped"
    assert "read upside down" not in label_edits("C2-35", "C2").values()
    assert label_edits("12A")["21A"] == "two digits swapped"
