"""A foundation lies at its head line, in the middle, no larger than the section allows, and off what stands there."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from cemgis.errors import InputError
from cemgis.foundation import foundation_size, plan_foundation
from cemgis.ground import FoundationRule
from cemgis.opening import VERDICTS, Site, Thing
from cemgis.rules import Rules
from cemgis.ties import Anchors, TieNumbers
from cemgis.units import FOOT

RULE = FoundationRule("section[1].foundation", 3.0, 1.25, 6.0, 0.25, 2.5, "board rules")
NUMBERS = TieNumbers(1e-4, 0.0, 100.0, 30.0, 0.01, 1 / 24)
ANCHORS = np.array([[-10.0, -20.0], [24.0, -18.0], [-8.0, 30.0], [30.0, 28.0]])
SPACE, NEXT = shapely.box(0, 0, 12, 4), shapely.box(0, 4, 12, 8)


def site(things=(), sigma=0.01, **more):
    """Return a space 4 by 12 ft, heads west; the error of all markers is one shift."""
    n, m = len(ANCHORS), len(things)
    joint = np.zeros((2 * (n + 1 + m),) * 2)
    joint[: 2 * n, : 2 * n] = np.kron(np.ones((n, n)), np.eye(2)) * sigma**2
    given = {
        "space_id": "B-1-2", "section": "B", "kind": "full", "state": "occupied", "state_why": "", "shape": SPACE,
        "radius_95": 0.1, "position_by": "4 found corners", "heads_azimuth": 270.0, "heads_words": "west",
        "heads_by": "section rule", "heads_seen": "agrees", "convergence": 0.0, "protected": None,
        "things": tuple(things), "anchors": Anchors(tuple("KLMN"), ANCHORS, joint[: 2 * n + 2, : 2 * n + 2]),
        "joint": joint, "anchor_words": tuple("KLMN"), "lot": None, "own_marker": None, "full": 1, "urns": 0,
        "held": (),
    }  # fmt: skip
    return Site(**(given | more))


def plan(where=None, size=(3.0, 1.25), rule=RULE, shapes=(SPACE,), **more):
    given = {"rules": Rules(FOOT), "unit": FOOT, "tie_numbers": NUMBERS, "authorised_by": "Ada Fenn"} | more
    return plan_foundation(where or site(), shapes, size, rule, **given)


def words(made):
    return " | ".join(reason.text for reason in made.reasons)


def test_it_lies_at_the_head_line_in_the_middle_across():
    made = plan()
    assert np.allclose(made.dig.corners, [[0.25, 0.5], [0.25, 3.5], [1.5, 3.5], [1.5, 0.5]], rtol=0, atol=1e-9)
    assert made.verdict == VERDICTS[2], words(made)
    assert made.depth.bottom == 2.5
    assert made.ties is not None
    for corner in (0, 1):
        for column, k in enumerate(made.ties.pair):
            assert made.ties.distances[corner, column] == pytest.approx(
                float(np.hypot(*(made.dig.corners[corner] - ANCHORS[k])))
            )


def test_a_companion_stone_lies_in_the_middle_of_both():
    made = plan(size=(6.0, 1.25), shapes=(SPACE, NEXT))
    assert made.dig.corners.mean(axis=0).tolist() == pytest.approx([0.875, 4.0])
    assert made.verdict == VERDICTS[2], words(made)


def test_a_head_line_that_runs_askew_keeps_it_inside():
    askew = shapely.Polygon([(0.0, 0.0), (12.0, 0.0), (12.0, 4.0), (0.4, 4.0)])
    made = plan(site(shape=askew), shapes=(askew,))
    assert made.dig.outside == 0.0
    # the head line is x = 0.1 y; at the farther corner, y = 3.5, it is 0.35, and the setback is 0.25
    assert made.dig.corners[:2, 0].tolist() == pytest.approx([0.6, 0.6], abs=0.02)


@pytest.mark.parametrize(
    ("given", "verdict", "said"),
    [
        ({"size": (3.5, 1.25)}, 0, "3 ft 6 in wide, the section allows 3 ft"),
        ({"size": (3.0, 1.5)}, 0, "1 ft 6 in deep, the section allows 1 ft 3 in"),
        ({"size": (5.0, 1.25)}, 0, "6 in out of its space"),
        ({"rule": None}, 1, "no rule for the size of a foundation"),
        ({"authorised_by": None}, 1, "Nobody is named who authorised"),
        ({"rule": FoundationRule("x", 3.0, 1.25, None, 1.0, None, "y")}, 1, "beyond the strip"),
        ({"where": site(heads_azimuth=None)}, 1, "Which way the heads lie is not known"),
        ({"where": site(heads_seen="disagrees")}, 1, "at the other end"),
        ({"where": site(protected="unmarked burials")}, 1, "protected: unmarked burials"),
        ({"where": site([Thing("M-1", "monument", "headstone M-1", shapely.box(0.2, 1, 1, 3))])}, 0, "stands there"),
        ({"where": site([Thing("V", "vault", "vault of Ada", shapely.box(1, 1, 8, 3), top_depth=1.5)])}, 1,
         "Over vault of Ada, top 1 ft 6 in down"),
        ({"where": site([Thing("b", "burial", "burial of Ada", shapely.box(1, 1, 8, 3))])}, 1, "nobody measured"),
        ({"where": site(anchors=Anchors((), np.empty((0, 2)), np.zeros((2, 2))))}, 1, "No two trusted markers"),
    ],
)  # fmt: skip
def test_what_speaks_against_it(given, verdict, said):
    made = plan(**given)
    assert said in words(made)
    assert made.verdict == VERDICTS[verdict]


def test_the_chance_to_reach_out_is_two_tails():
    # half a foot on either side; the markers' shift, 0.25 ft, is all the error there is
    made = plan(site(sigma=0.25))
    assert made.strike.any == pytest.approx(2 * norm.sf(0.5 / 0.25), abs=0.002)
    assert "really reaches out of its space is 5 %" in words(made)


def test_the_size_is_asked_or_the_largest_allowed():
    with pytest.raises(InputError, match="nobody said how large"):
        foundation_size(None, None, companion=False)
    with pytest.raises(InputError, match="no rule for it"):
        foundation_size(FoundationRule("x", 3.0, 1.25, None, 0.0, None, "y"), None, companion=True)
    assert foundation_size(None, (2.0, 1.0), companion=False) == (2.0, 1.0)
