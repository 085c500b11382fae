"""What speaks against an opening, worst first; and that nothing is said to be good when something is missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.stats import chi2, norm
from scipy.stats import t as student

from cemgis.errors import InputError
from cemgis.ground import Container, Equipment
from cemgis.opening import (
    VERDICTS,
    Dig,
    Order,
    Site,
    Thing,
    contacts,
    depth_window,
    excavation,
    parse_order,
    place_dig,
    plan_opening,
    room_for,
    strike,
)
from cemgis.route import Way
from cemgis.rules import Rules
from cemgis.ties import Anchors, TieNumbers, dig_corners
from cemgis.units import FOOT, US_SURVEY_FOOT

RULES = Rules(FOOT)
NUMBERS = TieNumbers(1e-4, 0.0, 100.0, 30.0, 0.01, 1 / 24)
VAULT = Container("container[1]", "vault", "vault", 7.5, 3.0, 3.0)
URN = Container("container[2]", "urn vault", "urn", 14 / 12, 14 / 12, 1.0)
GEAR = Equipment(straps=8.0, machine_width=5.5)
GOOD = Order(
    "B-1-2",
    "Ada Fenn",
    "Ferris",
    "Ada Fenn",
    "deed 4/39",
    "P-1",
    "E. Tarn",
    "2026-05-04",
    "10:30",
    "ticket 1",
    soil="B",
)
ANCHORS = np.array([[-10.0, -20.0], [24.0, -18.0], [-8.0, 30.0], [30.0, 28.0], [41.0, 3.0]])


def neighbour(space, south, **more):
    """A 36-in vault in the middle of a 4-ft space whose south side is given; heads west, 2.5 ft from the head line."""
    given = {"kind": "vault", "words": f"vault in {space}", "space_id": space, "unvaulted": False}
    return Thing(f"V-{space}", shape=shapely.box(2.5, south + 0.5, 10.0, south + 3.5), **(given | more))


def site(radius=0.15, things=None, **more):
    """Make a space 4 by 12 ft in a row; the error of the ties is one shift of all markers, with this 95 % radius."""
    things = (neighbour("B-1-1", 4.0), neighbour("B-1-3", -4.0)) if things is None else tuple(things)
    n, m = len(ANCHORS), len(things)
    sigma = radius / 2.4477
    joint = np.zeros((2 * (n + 1 + m),) * 2)
    joint[: 2 * n, : 2 * n] = np.kron(np.ones((n, n)), np.eye(2)) * sigma**2
    given = {
        "space_id": "B-1-2",
        "section": "B",
        "kind": "full",
        "state": "right held",
        "state_why": "",
        "shape": shapely.box(0, 0, 12, 4),
        "radius_95": radius,
        "position_by": "4 found corners",
        "heads_azimuth": 270.0,
        "heads_words": "west",
        "heads_by": "section rule",
        "heads_seen": "agrees",
        "convergence": 0.0,
        "protected": None,
        "things": things,
        "joint": joint,
        "anchors": Anchors(tuple("KLMNO"), ANCHORS, joint[: 2 * n + 2, : 2 * n + 2]),
        "anchor_words": tuple("KLMNO"),
        "lot": None,
        "own_marker": None,
        "full": 0,
        "urns": 0,
        "held": (("Ada Fenn", "deed 4/39"),),
        "way": Way(shapely.LineString([(40, 2), (20, 2)]), 20.0, ()),
    }
    return Site(**(given | more))


def plan(where=None, order=GOOD, container=VAULT, gear=GEAR, rules=RULES):
    return plan_opening(where or site(), order, container, gear, rules=rules, unit=FOOT, tie_numbers=NUMBERS)


def words(made):
    return " | ".join(reason.text for reason in made.reasons)


@pytest.mark.parametrize(("radius", "verdict", "chance"), [(0.15, 2, 0.0), (0.6, 1, 0.041), (1.9, 0, 0.52)])
def test_the_worked_case(radius, verdict, chance):
    # 4-ft spaces, 36-in vaults in their middles, 6 in of room: dig 48 in, 0.50 ft of earth on each side
    made = plan(site(radius))
    assert made.dig.width == pytest.approx(4.0)
    assert made.earth_left == pytest.approx(0.5)
    assert made.ties.radius == pytest.approx(radius, rel=1e-3)
    assert made.strike.any == pytest.approx(chance, abs=0.002)
    assert made.verdict == VERDICTS[verdict], words(made)


def test_the_chance_of_either_is_two_tails_when_both_neighbours_share_the_error():
    sigma = 0.6 / 2.4477
    cov = sigma**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    assert strike([0.5, 0.5], cov).any == pytest.approx(2 * norm.sf(0.5 / sigma), abs=1e-6)
    # apart from one another: 1 - (1 - p)^2
    p = norm.sf(0.5 / sigma)
    assert strike([0.5, 0.5], sigma**2 * np.eye(2)).any == pytest.approx(1 - (1 - p) ** 2, abs=1e-6)


def test_the_chance_agrees_with_monte_carlo():
    rng = np.random.default_rng(3)
    root = rng.normal(0, 0.2, (4, 5))
    gap = np.array([0.5, 0.4, 0.7, 0.9])
    drawn = gap + rng.standard_normal((400_000, 5)) @ root.T
    assert strike(gap, root @ root.T).any == pytest.approx((drawn < 0).any(axis=1).mean(), abs=0.002)


@pytest.mark.parametrize("dof", [1.0, 4.0, 30.0])
def test_a_variance_that_few_misses_tell_is_students(dof):
    # one gap: the tail of t; two that share the error: both tails; very many misses: the normal's
    assert strike([0.5], [[0.04]], [dof]).any == pytest.approx(student.sf(2.5, dof), rel=1e-9)
    both = strike([0.5, 0.5], 0.04 * np.array([[1.0, -1.0], [-1.0, 1.0]]), [dof, dof])
    assert both.any == pytest.approx(2 * student.sf(2.5, dof), rel=1e-6)
    assert strike([0.5, 0.5], 0.04 * np.eye(2), [1e6, 1e6]).any == pytest.approx(1 - norm.cdf(2.5) ** 2, abs=2e-5)


@pytest.mark.parametrize("dof", [(4.0, 4.0), (3.0, 9.0), (5.0, 6.0, 5.0, np.inf)])
def test_the_mixture_agrees_with_monte_carlo(dof):
    rng = np.random.default_rng(8)
    root = rng.normal(0, 0.2, (len(dof), 5))
    gap = np.array([0.6, 0.5, 0.8, 0.9])[: len(dof)]
    u = rng.random(600_000)
    scale = np.stack([np.ones(len(u)) if np.isinf(one) else np.sqrt(one / chi2.ppf(u, one)) for one in dof], axis=1)
    drawn = gap + rng.standard_normal((len(u), 5)) @ root.T * scale
    assert strike(gap, root @ root.T, dof).any == pytest.approx((drawn < 0).any(axis=1).mean(), abs=0.0015)


def test_the_radius_of_a_dig_counts_how_few_misses_its_space_rests_on():
    # the error of the space's own place, alone, with four degrees of freedom: sqrt(2 F(0.95; 2, 4)) = 3.727
    joint = np.zeros((2 * (len(ANCHORS) + 1 + 2),) * 2)
    at = 2 * len(ANCHORS)
    joint[at : at + 2, at : at + 2] = 0.04 * np.eye(2)
    sure, few = (
        site(joint=joint, anchors=Anchors(tuple("KLMNO"), ANCHORS, joint[: at + 2, : at + 2], dof))
        for dof in (np.inf, 4.0)
    )
    assert plan(sure).ties.radius == pytest.approx(0.2 * 2.4477, rel=1e-3)
    assert plan(few).ties.radius == pytest.approx(0.2 * 3.727, rel=1e-3)


def test_no_neighbours_cannot_be_struck():
    assert strike([], np.empty((0, 0))).any == 0.0
    assert strike([0.5], [[0.0]]).any == 0.0
    assert strike([-0.1], [[0.0]]).any == 1.0


def test_the_strike_of_a_plan_agrees_with_monte_carlo():
    made = plan(site(0.8))
    rng = np.random.default_rng(6)
    off = rng.normal(0, 0.8 / 2.4477, (200_000, 2))
    # a dig moved north by more than 0.5 ft meets one, moved south the other
    assert made.strike.any == pytest.approx((np.abs(off[:, 1]) > 0.5).mean(), abs=0.003)


@pytest.mark.parametrize(
    "missing",
    ["person", "ordered_by", "authorised_by", "permit", "confirmed_by", "date", "utilities"],
)
def test_whatever_the_order_leaves_out_is_to_be_settled_first(missing):
    assert plan().verdict == VERDICTS[2]
    assert plan(order=replace(GOOD, **{missing: None})).verdict == VERDICTS[1]


@pytest.mark.parametrize(
    ("changed", "verdict", "said"),
    [
        ({"full": 1, "state": "occupied"}, 0, "1 lies there"),
        ({"state": "probably occupied"}, 0, "probably occupied"),
        ({"state": "in doubt"}, 1, "in doubt"),
        ({"heads_azimuth": None}, 1, "heads"),
        ({"heads_seen": "disagrees"}, 1, "other end"),
        ({"protected": "unmarked burials"}, 1, "protected"),
        ({"held": ()}, 1, "No right"),
        ({"held": (("Joe Pell", "deed 9/1"),)}, 1, "not the holder"),
        ({"way": Way(None, np.inf, ()), "way_words": ("elm 3",)}, 1, "elm 3"),
        ({"way": None}, 1, "No way"),
        ({"urns": 1}, 0, "dug out"),
        ({"head_ends": (4.5, 4.5)}, 1, "head line"),
        ({"doubts": ((VERDICTS[0], "Two independent ways to find it disagree"),)}, 0, "disagree"),
        ({"radius_95": np.nan, "anchors": Anchors((), np.empty((0, 2)), np.zeros((2, 2))), "joint": np.zeros((6, 6))},
         0, "not known"),
    ],
)  # fmt: skip
def test_what_is_known_of_a_space_speaks_against_it(changed, verdict, said):
    made = plan(site(**changed))
    assert made.verdict == VERDICTS[verdict], words(made)
    assert said in words(made)
    order = [VERDICTS.index(reason.verdict) for reason in made.reasons]
    assert order == sorted(order)


def test_a_successor_who_says_of_whom_may_authorise():
    where = site(held=(("Joe Pell", "deed 9/1"),))
    assert plan(where, replace(GOOD, right="successor of Joe Pell, probate 88")).verdict == VERDICTS[2]
    # the number of a deed can be copied by anyone
    assert plan(where, replace(GOOD, right="deed 9/1")).verdict == VERDICTS[1]


def test_a_holder_who_is_not_the_one_buried_is_nothing():
    assert plan(order=replace(GOOD, person="Zoe Fenn")).verdict == VERDICTS[2]


def test_a_vault_or_probable_grave_in_the_dig_is_never_opened():
    inside = shapely.box(2.0, 0.5, 9.0, 3.5)
    for kind, said in (
        ("vault", "measured vault"),
        ("probable grave", "probable grave"),
        ("burial", "recorded burial"),
    ):
        made = plan(site(things=[Thing("X", kind, "it", inside)]))
        assert made.verdict == VERDICTS[0]
        assert said in words(made)


def test_a_leaning_stone_is_settled_first():
    stone = Thing("M", "monument", "headstone of Ida", shapely.box(0.0, 5.0, 1.0, 7.0), height=3.0, leaning=True)
    made = plan(site(things=[stone]))
    assert made.verdict == VERDICTS[1]
    assert "headstone of Ida" in words(made)
    assert plan(site(things=[replace(stone, leaning=False)])).verdict == VERDICTS[2]


def test_missing_equipment_is_settled_first():
    assert "straps" in words(plan(gear=Equipment(machine_width=5.5)))
    assert "machine" in words(plan(gear=Equipment(straps=8.0)))


def test_no_markers_or_markers_in_line_are_settled_first():
    none = site(anchors=Anchors((), np.empty((0, 2)), np.zeros((2, 2))), joint=np.zeros((6, 6)))
    assert "another marker" in words(plan(none))
    assert plan(none).ties is None
    line = np.array([[-10.0, -15.0], [6.0, -15.0], [22.0, -15.0]])
    three = Anchors.of("KLM", line, np.zeros((3, 2, 2)))
    made = plan(site(anchors=three, joint=np.zeros((12, 12))))
    assert made.verdict == VERDICTS[1]
    assert "line" in words(made)


def test_a_container_larger_than_its_space_is_never_set():
    made = plan(container=replace(VAULT, width=4.2))
    assert made.verdict == VERDICTS[0]
    assert "larger than its space" in words(made)


def test_the_order_for_another_space_is_never_carried_out_here():
    assert plan(order=replace(GOOD, space="B-2-1")).verdict == VERDICTS[0]


def test_the_dig_moves_away_from_a_crooked_neighbour_as_little_as_will_do():
    crooked = [shapely.box(2.5, -3.0, 10, -0.1), shapely.box(2.5, 4.8, 10, 7.8)]
    dig = place_dig(
        shapely.box(0, 0, 12, 4),
        270.0,
        (3.0, 7.5),
        room=0.5,
        head_strip=2.0,
        things=crooked,
        needed=[0.3, 0.3],
        step=0.05,
    )
    # heads west: right is north; 0.1 ft of earth is 0.2 short
    assert dig.shift == pytest.approx(0.2)
    assert dig.gaps.tolist() == pytest.approx([0.3, 0.6])
    assert dig.outside == pytest.approx(0.2)


def test_it_moves_to_the_middle_when_neither_side_has_enough():
    tight = [shapely.box(2.5, -3.0, 10, -0.0), shapely.box(2.5, 4.1, 10, 7.1)]
    dig = place_dig(
        shapely.box(0, 0, 12, 4),
        270.0,
        (3.0, 7.5),
        room=0.5,
        head_strip=2.0,
        things=tight,
        needed=[0.3, 0.3],
        step=0.01,
    )
    assert dig.gaps.tolist() == pytest.approx([0.05, 0.05], abs=1e-6)


@pytest.mark.parametrize("heads", [0.0, 90.0, 180.0, 270.0])
def test_the_head_side_lies_behind_the_foundation_strip_whichever_way_the_heads_lie(heads):
    space = shapely.box(-2, -6, 2, 6) if heads in (0.0, 180.0) else shapely.box(-6, -2, 6, 2)
    dig = place_dig(space, heads, (34 / 12, 90 / 12), room=0.5, head_strip=2.0)
    way = np.array([np.sin(np.radians(heads)), np.cos(np.radians(heads))])
    assert (dig.corners[:2] @ way) == pytest.approx(np.full(2, 4.0))
    assert dig.outside == 0.0


def test_common_practice_of_depth():
    # practice to check against, no source: a dig of 4.5 to 5 ft, a vault 3 ft tall, about 1.5 ft of cover
    window = depth_window(3.0, 1.5, [("straps", 8.0)])
    assert 4.5 <= window.bottom <= 5.0
    assert window.top == pytest.approx(1.5)


def test_an_empty_depth_window_gives_its_numbers():
    made = plan(order=replace(GOOD, water=4.0))
    assert made.verdict == VERDICTS[0]
    assert "4 ft 6 in" in words(made)
    assert "water" in words(made)
    assert "6 in too deep" in words(made)


def test_an_urn_over_a_vault_18_in_down_is_6_in_too_deep():
    own = neighbour("B-1-2", 0.0, top_depth=1.5)
    made = plan(site(things=[own], full=1, state="occupied"), container=URN)
    assert made.verdict == VERDICTS[0]
    assert "6 in too deep" in words(made)
    deeper = plan(site(things=[replace(own, top_depth=2.2)], full=1, state="occupied"), container=URN)
    assert deeper.verdict == VERDICTS[2], words(deeper)
    unknown = plan(site(things=[replace(own, top_depth=None)], full=1, state="occupied"), container=URN)
    assert unknown.verdict == VERDICTS[1]


def test_an_infant_never_goes_through_what_lies_there():
    """The vault there ends 2 ft before the foot and starts 2 ft 6 in behind the head line."""
    own, order = neighbour("B-1-2", 0.0, top_depth=1.5), replace(GOOD, infant=True)
    box = Container("container[3]", "infant casket", "none", 2.5, 1.2, 1.0)

    def made(length, things=(), **more):
        return plan(
            site(things=[replace(own, **more), *things], full=1, state="occupied"), order, replace(box, length=length)
        )

    long = made(2.5)  # 3 ft 6 in to dig: it reaches over the vault, and would come to 2 ft 6 in
    assert long.verdict == VERDICTS[0]
    assert "1 ft 6 in too deep" in words(long)
    assert long.place_words == "second right: infant at the foot, over what lies there"
    assert "Nobody measured how deep the top" in words(made(2.5, top_depth=None))
    low = made(2.5, top_depth=3.2)
    assert (low.verdict, low.depth.bottom) == (VERDICTS[2], pytest.approx(2.5))
    foot = made(0.6)  # 1 ft 7 in to dig of 2 ft
    assert (foot.verdict, foot.place_words) == (VERDICTS[2], "second right: infant at the foot"), words(foot)
    assert foot.depth.deep == pytest.approx(8.0)  # nothing lies under it
    head = made(1.0)  # with 4 in of earth to the vault, 2 ft do not fit at the foot
    assert (head.verdict, head.place_words) == (VERDICTS[2], "second right: infant at the head"), words(head)
    assert head.dig.polygon.bounds == pytest.approx((0.0, 0.9, 2.0, 3.1))
    stone = Thing("M-1", "monument", "headstone", shapely.box(0.3, 1.0, 0.8, 3.0), "B-1-2", 2.0)
    crowded = made(0.8, [stone])
    assert (crowded.verdict, crowded.place_words) == (VERDICTS[1], "second right: infant at the foot")
    assert "Only 2 1/2 in of earth is left to vault in B-1-2" in words(crowded)


def test_an_opening_under_way_for_somebody_else_is_settled_first():
    ordered = (("The opening B-1-2/1 is ordered, 1 May 2026", "Bo Fenn"),)
    other = plan(site(under_way=ordered))
    assert other.verdict == VERDICTS[1]
    assert "The opening B-1-2/1 is ordered, 1 May 2026, for Bo Fenn: it is to be closed or abandoned" in words(other)
    assert plan(site(under_way=ordered), replace(GOOD, person="Bo  FENN")).verdict == VERDICTS[2]  # its own sheet again
    assert plan(site(under_way=((ordered[0][0], ""),))).verdict == VERDICTS[1]


def test_more_over_one_another_than_the_rule_allows_is_settled_first():
    asked = plan(order=replace(GOOD, levels=2))
    assert asked.verdict == VERDICTS[1]
    assert "The order asks for room for 2 over one another, the rule allows 1" in words(asked)
    rules = Rules(FOOT, {"space.full_burials": {"value": 2, "source": "board, 2001"}})
    both = plan(order=replace(GOOD, levels=2), rules=rules)
    assert (both.verdict, both.place_words) == (VERDICTS[2], "alone in its space, lowest of 2"), words(both)
    assert both.depth.bottom == pytest.approx(1.5 + 3.0 + 0.5 + 3.0)
    assert plan(rules=rules).place_words == "alone in its space, no room kept for another over it"
    # the second of the two needs no room for a third, though its order says two again
    own = neighbour("B-1-2", 0.0, top_depth=5.0)
    second = plan(site(things=[own], full=1, state="occupied"), replace(GOOD, levels=2), rules=rules)
    assert (second.verdict, second.depth.bottom) == (VERDICTS[2], pytest.approx(4.5)), words(second)


def test_an_urn_lies_in_the_middle_of_its_own_space_and_not_on_the_line_at_the_foot_of_another():
    small = {"kind": "cremation", "shape": shapely.box(0, 0, 3, 3.1), "heads_azimuth": None, "things": ()}
    alone = plan(site(**small), container=URN)
    assert alone.dig.polygon.bounds == pytest.approx((1.5 - 7 / 12, 1.55 - 7 / 12, 1.5 + 7 / 12, 1.55 + 7 / 12))
    assert alone.dig.heads_azimuth == pytest.approx(0.0)  # no heads: the side towards north
    over = plan(site(things=[neighbour("B-1-2", 0.0, top_depth=2.2)], full=1, state="occupied"), container=URN)
    assert over.dig.polygon.bounds[2] == pytest.approx(12.0 - 0.5)


def test_negative_cover_is_refused():
    with pytest.raises(InputError, match="cover"):
        depth_window(3.0, -0.1, [])


def test_room_in_a_space_by_the_rules():
    double = Rules(FOOT, {"space.full_burials": {"value": 2, "source": "board, 2001"}})
    assert room_for("full", 1, 0, "vault", infant=False, rules=double)[0]
    assert not room_for("full", 1, 0, "vault", infant=False, rules=RULES)[0]
    assert room_for("full", 1, 0, "none", infant=True, rules=RULES) == (True, "second right: infant at the foot")
    assert not room_for("full", 1, 2, "urn", infant=False, rules=RULES)[0]
    assert not room_for("cremation", 0, 0, "vault", infant=False, rules=RULES)[0]
    assert room_for("cremation", 0, 1, "urn", infant=False, rules=RULES)[0]


TRENCH = Dig(dig_corners([0, 0], 0.0, 3.0, 8.0), 0.0, 3.0, 8.0, 0.0, 0.0, 0.0, np.empty(0))


@pytest.mark.parametrize(("soil", "top"), [("A", 13.5), ("B", 17.0), ("C", 24.0), ("rock", 3.0)])
def test_sloping_by_table_b_1(soil, top):
    # computed from OSHA 29 CFR 1926 Subpart P, Table B-1: 7 ft deep, 3 ft wide at the bottom
    cut = excavation(TRENCH, 7.0, soil, disturbed=False, container_volume=0.0, stones=(), rules=RULES)
    assert cut.sloped[0] == pytest.approx(top)


def test_disturbed_soil_is_never_type_a():
    cut = excavation(TRENCH, 7.0, "A", disturbed=True, container_volume=0.0, stones=(), rules=RULES)
    assert cut.soil == "B"


def test_protection_from_5_ft_and_a_ladder_from_4_ft():
    for bottom, protect, egress in ((3.9, False, False), (4.0, False, True), (4.9, False, True), (5.0, True, True)):
        cut = excavation(TRENCH, bottom, "C", disturbed=True, container_volume=0.0, stones=(), rules=RULES)
        assert (cut.protect, cut.egress) == (protect, egress)


def test_spoil_swells_and_the_container_is_hauled():
    assert Rules(FOOT)["soil.swell"] == pytest.approx(1 / 0.80 - 1)  # the same table, loose to bank: 0.80, from memory
    cut = excavation(TRENCH, 5.0, "C", disturbed=True, container_volume=40.0, stones=(), rules=RULES)
    assert cut.spoil == pytest.approx(3 * 8 * 5 * 1.25)
    assert cut.haul == pytest.approx(50.0)


def test_stones_inside_the_line_of_influence_are_named():
    near = Thing("M1", "monument", "headstone of Ida", shapely.box(5.0, 0, 6.0, 1))
    far = Thing("M2", "monument", "headstone of Oda", shapely.box(9.1, 0, 10.0, 1))
    cut = excavation(TRENCH, 5.0, "C", disturbed=True, container_volume=0.0, stones=(near, far), rules=RULES)
    assert cut.stones == ("headstone of Ida",)  # 7.5 ft from the edge at 1.5 ft


def test_the_spoil_keeps_2_ft_back_and_off_graves():
    made = plan()
    assert shapely.distance(made.spoil_at, made.dig.polygon) >= 2.0 - 1e-9
    assert not any(shapely.intersects(made.spoil_at, thing.shape) for thing in made.site.things)


def test_an_order_tells_all_its_problems_at_once():
    text = 'space = "B-1-2"\ndate = "soon"\nwater = "-2 ft"\nsoil = "D"\nlevels = 0\ninfant = "no"\nperso = "x"'
    with pytest.raises(InputError) as caught:
        parse_order(text, US_SURVEY_FOOT)
    assert len(caught.value.problems) == 6
    with pytest.raises(InputError, match="space: missing"):
        parse_order("", US_SURVEY_FOOT)
    with pytest.raises(InputError, match="not TOML"):
        parse_order("space = ", US_SURVEY_FOOT)


def test_both_ends_of_a_long_side_may_close():
    # the dig is 8.5 ft long and only its two ties err, each by its own: what they turn, its foot end feels most
    made = plan(site(0.15))
    near = contacts(made.dig, made.ties, made.site.joint, made.site.things, made.struck, made.site.dof)
    assert near.owner.tolist() == [0, 0, 1, 1]
    assert near.gap == pytest.approx([0.5] * 4)
    rng = np.random.default_rng(12)
    tape = 0.09**2
    ties = replace(made.ties, tape_cov=made.ties.tape_cov * tape / 1e-8)
    near = contacts(made.dig, ties, made.site.joint, made.site.things, made.struck, made.site.dof)
    root = np.linalg.cholesky(ties.covariance + 1e-12 * np.eye(8))
    vaults = shapely.union_all([thing.shape for thing in made.site.things])
    moved = made.dig.corners[None] + (rng.standard_normal((40_000, 8)) @ root.T).reshape(-1, 4, 2)
    hit = shapely.intersects(shapely.polygons(moved), vaults).mean()
    both = strike(near.gap, near.covariance, near.dof, near.owner)
    first = [0, 2]
    one = strike(near.gap[first], near.covariance[np.ix_(first, first)], near.dof[first]).any
    assert hit > 0.02
    assert both.any == pytest.approx(hit, rel=0.06)
    assert one < 0.85 * hit  # looking at one end of each side misses a part of it
    assert both.each.max() <= both.any <= both.each.sum()


def test_a_dig_is_turned_beside_a_crooked_neighbour_where_a_shift_is_not_enough():
    # both neighbours turned alike by 4 degrees: between them a dig that is turned likewise has more room
    crooked = [shapely.affinity.rotate(shapely.box(2.5, y, 10.0, y + 3.0), -4.0) for y in (-3.5, 4.5)]
    given = {"room": 0.5, "head_strip": 2.0, "things": crooked, "needed": [0.8, 0.8]}
    square = place_dig(shapely.box(0, 0, 12, 4), 270.0, (2.4, 7.5), **given)
    turned = place_dig(shapely.box(0, 0, 12, 4), 270.0, (2.4, 7.5), turn=5.0, **given)
    assert square.turn == 0.0
    assert square.gaps.min() < 0.8
    assert 0.5 <= turned.turn <= 5.0  # clockwise, as they lie
    assert turned.gaps.min() > square.gaps.min() + 1 / 48
    # no finer layout does better than it by more than a step: brute force over turns and shifts
    best = 0.0
    for degrees in np.arange(-5.0, 5.01, 0.25):
        for shift in np.arange(-0.8, 0.81, 0.02):
            middle = square.corners.mean(axis=0) + np.array([0.0, shift - square.shift])
            inner = shapely.Polygon(dig_corners(middle, 270.0 + degrees, 2.4, 7.5))
            if shapely.covers(shapely.box(-1e-6, -1e-6, 12, 4 + 1e-6), inner):
                ring = shapely.Polygon(dig_corners(middle, 270.0 + degrees, 3.4, 8.5))
                best = max(best, min(float(shapely.distance(ring, one)) for one in crooked))
    assert turned.gaps.min() > min(best, 0.8) - 0.05


def test_a_dig_with_room_enough_is_not_turned():
    row = [shapely.box(2.5, -3.5, 10, -0.5), shapely.box(2.5, 4.5, 10, 7.5)]
    given = {"room": 0.5, "head_strip": 2.0, "things": row, "needed": [0.3, 0.3], "turn": 5.0}
    made = place_dig(shapely.box(0, 0, 12, 4), 270.0, (3.0, 7.5), **given)
    assert (made.turn, made.shift) == (0.0, 0.0)


def test_a_number_that_once_meant_another_place_is_settled_first():
    where = site(meant=("B-9-1 until 1924-05-01",))
    assert "once meant another place: B-9-1 until 1924-05-01" in words(plan(where))
    assert plan(where, order=replace(GOOD, numbering="today")).verdict == VERDICTS[2]
    made = plan(where, order=replace(GOOD, numbering="former"))
    assert made.verdict == VERDICTS[0]
    assert "in the former numbering that was B-9-1" in words(made)
    with pytest.raises(InputError, match="'new' is none"):
        parse_order('space = "B-1-2"\nnumbering = "new"', FOOT)


def test_a_dig_that_reaches_into_the_next_space_is_settled_first_unless_the_rule_allows_it():
    # 46 in of vault and 6 in of room a side make 58 in; its space has 48: 5 in a side
    beside = (("B-1-1", "vacant", shapely.box(0, 4, 12, 8)), ("B-1-3", "occupied", shapely.box(0, -4, 12, 0)))
    wide = replace(VAULT, width=46 / 12)
    made = plan(site(things=(), beside=beside), container=wide)
    assert "The dig reaches 5 in into B-1-1 (vacant): whoever sells or plans that space has to know" in words(made)
    assert "The dig reaches 5 in into B-1-3 (occupied)" in words(made)
    assert made.verdict == VERDICTS[1]
    allowed = {**{name: RULES[name] for name in RULES}, "dig.beyond_space": 0.5}
    assert "into B-1-1" not in words(plan(site(things=(), beside=beside), container=wide, rules=allowed))
    assert "into B-1-1" not in words(plan(site(things=(), beside=beside)))
