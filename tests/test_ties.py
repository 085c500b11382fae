"""Ties set a dig where they say, as surely as they say, and a wrong one is noticed."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.ties import (
    CORNERS,
    Anchors,
    Shot,
    TieNumbers,
    as_built,
    circles_cross,
    dig_corners,
    lot_offsets,
    plan_ties,
    rigid_jacobian,
    say_taped,
    slope_correction,
    tie_jacobian,
)
from cemgis.units import FOOT, METRE, feet_and_inches

NUMBERS = TieNumbers(0.03, 0.0003, 100.0, 30.0, 0.01, 1 / 24)
MARKERS = np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 40.0], [36.0, 44.0]])


def anchors(sigma=0.03, target=0.0, xy=MARKERS):
    cov = np.full((len(xy), 2, 2), np.eye(2) * sigma**2)
    return Anchors.of([f"A-{k}" for k in range(len(xy))], xy, cov, np.eye(2) * target**2)


@given(
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
)
@settings(max_examples=60, deadline=None)
def test_circles_through_a_point_cross_at_that_point(a, b, p):
    a, b, p = np.array(a), np.array(b), np.array(p)
    side = (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
    if np.hypot(*(b - a)) < 1.0 or abs(side) < 1.0:
        return
    found = circles_cross(a, b, np.hypot(*(p - a)), np.hypot(*(p - b)))
    assert np.allclose(found[0 if side > 0 else 1], p, rtol=0, atol=1e-5)


def test_circles_cross_where_shapely_says_their_rings_cross():
    found = circles_cross([3.0, 1.0], [20.0, 9.0], 14.0, 11.0)
    rings = [shapely.Point(x, y).buffer(r, quad_segs=4000).exterior for x, y, r in ((3, 1, 14), (20, 9, 11))]
    both = shapely.get_coordinates(shapely.intersection(*rings))
    assert np.hypot(*(found[:, None] - both[None]).transpose(2, 0, 1)).min(axis=1).max() < 1e-3


def test_circles_that_do_not_meet_cross_nowhere():
    assert np.isnan(circles_cross([0, 0], [10, 0], 3, 3)).all()


def test_jacobians_are_the_derivatives():
    a, p, eps = np.array([[1.0, 2.0], [21.0, -3.0]]), np.array([12.0, 14.0]), 1e-6
    by_anchors, by_tapes = tie_jacobian(a, p)
    d = np.hypot(*(p - a).T)

    def at(places, lengths):
        return circles_cross(*places, *lengths)[0]

    for k in range(2):
        longer = d + eps * np.eye(2)[k]
        assert np.allclose((at(a, longer) - at(a, d)) / eps, by_tapes[:, k], atol=1e-5)
        for y in range(2):
            moved = a.copy()
            moved[k, y] += eps
            assert np.allclose((at(moved, d) - at(a, d)) / eps, by_anchors[:, k, y], atol=1e-5)


def test_a_rigid_dig_turns_about_its_head_side():
    corners = dig_corners([5.0, 5.0], 30.0, 4.0, 8.0)
    turn = 1e-6
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle = corners[:2].mean(axis=0)
    moved = (corners - middle) @ rotation.T + middle - corners
    assert np.allclose(rigid_jacobian(corners) @ moved[:2].ravel(), moved.ravel(), rtol=0, atol=1e-10)


def test_the_worked_dig_has_the_worked_diagonal():
    # 46 by 102 in: 9 ft 3 7/8 in
    corners = dig_corners([0.0, 0.0], 270.0, 46 / 12, 102 / 12)
    assert feet_and_inches(float(np.hypot(*(corners[0] - corners[2]))), 8) == "9 ft 3 7/8 in"


def test_the_worked_lot_starts_the_dig_at_12_ft_1_in():
    # lot 16 by 12 ft, marker southwest, space 1 the northmost, 46-in dig in its middle
    lot = [[0, 0], [12, 0], [12, 8], [12, 16], [0, 16], [0, 8]]  # with points in the middle of its sides
    found = lot_offsets(dig_corners([6.25, 14.0], 270.0, 46 / 12, 102 / 12), [0.0, 0.0], lot)
    assert feet_and_inches(found.along[0]) == "12 ft 1 in"
    assert found.along_azimuth == pytest.approx(0.0)
    assert found.across[0] == pytest.approx(2.0)


def test_distances_are_ground_distances():
    made = plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), anchors(), NUMBERS, factor=0.9999)
    plain = np.hypot(*(made.corners[:2, None] - MARKERS[list(made.pair)][None]).transpose(2, 0, 1))
    assert np.allclose(made.distances, plain / 0.9999, rtol=0, atol=1e-12)


def simulate(made, place, rng, n, *, wrong=None):
    """Dig by the sheet: (corners less plan less the space's own error, check tie less what the sheet says)."""
    root = np.linalg.cholesky(place.joint + 1e-18 * np.eye(len(place.joint)))
    error = rng.standard_normal((n, len(root))) @ root.T
    count = len(place.ids)
    true = place.xy[None] - error[:, :-2].reshape(n, count, 2)
    if wrong is not None:
        true[:, made.pair[wrong[0]]] += wrong[1]
    tape = made.distances[None] + rng.standard_normal((n, 2, 2)) * np.sqrt(NUMBERS.variance(made.distances))
    side = 0 if made.side == "left" else 1
    a, b = true[:, made.pair[0]], true[:, made.pair[1]]
    head = np.stack([circles_cross(a, b, tape[:, c, 0], tape[:, c, 1])[:, side] for c in (0, 1)], axis=1)
    middle, across = head.mean(axis=1), head[:, 1] - head[:, 0]
    across /= np.hypot(*across.T)[:, None]
    up = np.stack([-across[:, 1], across[:, 0]], axis=1)
    w, h = np.hypot(*(made.corners[1] - made.corners[0])), np.hypot(*(made.corners[3] - made.corners[0]))
    dug = np.stack([middle - across * w / 2, middle + across * w / 2, middle + across * w / 2 - up * h,
                    middle - across * w / 2 - up * h], axis=1)  # fmt: skip
    check = np.hypot(*(dug[:, made.check.corner] - true[:, made.check.anchor]).T)
    check += rng.standard_normal(n) * np.sqrt(NUMBERS.variance(made.check.distance)) - made.check.distance
    return dug - made.corners + error[:, None, -2:], check


def test_the_covariance_and_the_check_are_those_of_diggers():
    place = anchors(target=0.08)
    made = plan_ties(dig_corners([15.0, 14.0], 20.0, 3.8, 8.5), place, NUMBERS)
    off, check = simulate(made, place, np.random.default_rng(4), 40_000)
    found = np.cov(off.reshape(-1, 8).T)
    assert np.allclose(np.sqrt(np.diag(found)), np.sqrt(np.diag(made.covariance)), rtol=0.02, atol=0)
    assert np.abs(found - made.covariance).max() < 0.03 * np.abs(made.covariance).max()
    inside = np.hypot(*off.mean(axis=1).T) <= made.radius
    assert inside.mean() == pytest.approx(0.95, abs=0.005)
    assert (np.abs(check) > made.check.tolerance).mean() <= 0.011  # 1 %, the tolerance rounded up


def test_the_check_sees_a_wrong_marker():
    place = anchors()
    made = plan_ties(dig_corners([15.0, 14.0], 20.0, 3.8, 8.5), place, NUMBERS)
    for k in (0, 1):
        ray = made.corners[:2].mean(axis=0) - place.xy[made.pair[k]]
        push = 2.0 * ray / np.hypot(*ray)
        _, check = simulate(made, place, np.random.default_rng(5), 2_000, wrong=(k, push))
        assert (np.abs(check) > made.check.tolerance).mean() > 0.99


def test_what_dig_and_space_share_cancels():
    place = anchors(sigma=1e-4)
    joint = place.joint.copy().reshape(5, 2, 5, 2)
    for k in range(5):
        for j in range(5):
            joint[k, :, j, :] += np.eye(2)  # everything together may lie a foot off
    shifted = Anchors(place.ids, place.xy, joint.reshape(10, 10))
    corners = dig_corners([15.0, 14.0], 20.0, 3.8, 8.5)
    alone, both = plan_ties(corners, place, NUMBERS), plan_ties(corners, shifted, NUMBERS)
    assert both.radius == pytest.approx(alone.radius, abs=1e-3)


def test_no_pair_within_a_tape_makes_no_ties():
    far = dig_corners([300.0, 300.0], 0.0, 4.0, 8.0)
    assert plan_ties(far, anchors(), NUMBERS) is None
    assert plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), anchors(xy=MARKERS[:1]), NUMBERS) is None


def test_three_markers_in_line_give_no_check():
    line = np.array([[0.0, 0.0], [30.0, 0.0], [60.0, 0.0]])
    made = plan_ties(dig_corners([20.0, 18.0], 0.0, 4.0, 8.0), anchors(xy=line), NUMBERS)
    assert made.check is None
    assert "one line" in made.why_no_check


def test_the_checker_gets_other_markers():
    made = plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), anchors(), NUMBERS)
    other = plan_ties(made.corners, anchors(), NUMBERS, leave=[anchors().ids[k] for k in made.pair])
    assert not set(other.pair) & set(made.pair)


def test_slope_is_the_hypotenuse():
    assert slope_correction(40.0, 9.0) == pytest.approx(1.0)  # 9, 40, 41


def test_a_length_is_said_as_the_tape_reads():
    assert say_taped(10.25, METRE, "metres") == "10.25 m"
    assert say_taped(3.048, METRE, "inches") == "10 ft"
    assert say_taped(10.26, FOOT, "tenths") == "10.26 ft"


TIES = [(0, 0), (1, 0), (0, 1), (1, 1), (2, 3), (3, 2)]


def built(error=(), ties=TIES, **more):
    place, true = anchors(sigma=1e-4), dig_corners([15.3, 13.8], 2.5, 3.0, 7.5)
    taped = np.array([np.hypot(*(true[c] - place.xy[a])) for a, c in ties])
    for row, off in error:
        taped[row] += off
    given = {
        "anchors": place,
        "start": dig_corners([15.0, 14.0], 0.0, 3.0, 7.5),
        "size": (3.0, 7.5),
        "numbers": NUMBERS,
    }
    return true, as_built(*zip(*ties, strict=True), taped, **(given | more))


def test_the_as_built_rectangle_is_found_again():
    true, found = built()
    assert np.allclose(found.corners, true, rtol=0, atol=1e-6)
    assert found.heads_azimuth == pytest.approx(2.5, abs=1e-6)
    assert found.dof == 3


def test_the_as_built_covariance_is_that_of_tapings():
    rng = np.random.default_rng(8)
    off = []
    for _ in range(400):
        noise = [(row, float(rng.normal(0, 0.03))) for row in range(len(TIES))]
        true, found = built(noise, blunder=9.0)
        off.append((found.corners - true).ravel())
    spread = np.sqrt(np.var(np.array(off), axis=0))
    assert np.allclose(spread, np.sqrt(np.diag(found.covariance)), rtol=0.15)


def test_a_tape_reading_that_cannot_be_is_named():
    with pytest.raises(InputError, match=rf"{CORNERS[3]} from A-2.*cannot be"):
        built([(4, 1.0)])
    with pytest.raises(InputError, match="no distance"):
        built([(0, -100.0)])
    with pytest.raises(InputError, match="at least four"):
        built(ties=TIES[:3])
    with pytest.raises(InputError, match="do not tell"):
        built(ties=[(0, 0)] * 4)


def side_point(true, side, share):
    """Return a point on a side of a rectangle, from its left (or head) end."""
    ends = {"head": (0, 1), "right": (1, 2), "foot": (3, 2), "left": (0, 3)}[side]
    return tuple(true[ends[0]] + share * (true[ends[1]] - true[ends[0]]))


@pytest.mark.parametrize("kind", ["corners", "sides", "all"])
def test_corner_shots_and_probed_sides_tell_where_it_lies(kind):
    true = dig_corners([15.3, 13.8], 2.5, 3.0, 7.5)
    corners = [Shot(CORNERS[k], tuple(true[k]), 0.05) for k in (0, 2)]
    sides = [Shot(side, side_point(true, side, share), 0.1) for side, share in
             (("left", 0.2), ("left", 0.8), ("right", 0.5), ("head", 0.4))]  # fmt: skip
    ties = TIES[:2] if kind == "all" else []
    given = {"corners": corners, "sides": sides, "all": corners[:1] + sides}[kind]
    place = anchors(sigma=1e-4)
    found = as_built(
        [a for a, _ in ties], [c for _, c in ties], [np.hypot(*(true[c] - place.xy[a])) for a, c in ties],
        anchors=place, start=dig_corners([15.0, 14.0], 0.0, 3.0, 7.5), size=(3.0, 7.5), numbers=NUMBERS, shots=given,
    )  # fmt: skip
    assert np.allclose(found.corners, true, rtol=0, atol=1e-6)
    assert found.dof == {"corners": 1, "sides": 1, "all": 5}[kind]
    assert np.abs(found.residuals).max() < 1e-6


def test_a_shot_that_cannot_be_is_named():
    true = dig_corners([15.3, 13.8], 2.5, 3.0, 7.5)
    given = {"anchors": anchors(), "start": true, "size": (3.0, 7.5), "numbers": NUMBERS}
    shots = [Shot(name, tuple(at), 0.05) for name, at in zip(CORNERS, true, strict=True)]
    wrong = [*shots[:3], Shot(CORNERS[3], tuple(true[3] + 2.0), 0.05)]
    with pytest.raises(InputError, match=f"shot {CORNERS[3]}: it cannot be"):
        as_built([], [], [], shots=wrong, **given)
    with pytest.raises(InputError, match="there is no roof"):
        as_built([], [], [], shots=[*shots, Shot("roof", (0.0, 0.0), 0.05)], **given)
    with pytest.raises(InputError, match="2 measurements"):
        as_built([], [], [], shots=shots[:1], **given)


def test_a_second_check_comes_from_a_fourth_marker():
    made = plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), anchors(xy=MARKERS), NUMBERS)
    used = [*made.pair, *(check.anchor for check in made.checks)]
    assert sorted(used) == [0, 1, 2, 3]
    assert made.second.corner != made.check.corner
    for check in made.checks:
        reach = np.hypot(*(made.corners[check.corner] - MARKERS[check.anchor]))
        assert check.distance == pytest.approx(float(reach))
    three = plan_ties(dig_corners([15.0, 14.0], 0.0, 4.0, 8.0), anchors(xy=MARKERS[:3]), NUMBERS)
    assert three.second is None
    assert three.check is not None
