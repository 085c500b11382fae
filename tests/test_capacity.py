import numpy as np
import pandas as pd
import pytest

from cemgis.capacity import NOT_STATED, USES, capacity, still_possible, sum_possible
from cemgis.layers import SPACE_KINDS, SPACE_STATES
from cemgis.rules import Rules
from cemgis.units import FOOT


def a_ground(n, seed):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "section": rng.choice(["A", "B", "C", "Old Ground"], n),
            "kind": rng.choice(SPACE_KINDS[:3], n),
            "state": rng.choice([*SPACE_STATES, None], n),
        }
    )


def test_counts_add_up_and_agree_with_counting_by_hand():
    spaces, niches = a_ground(5000, 1), a_ground(300, 2).drop(columns="kind")
    got = capacity(spaces, niches)
    numbers = [*SPACE_STATES, NOT_STATED]
    assert (got.counts[numbers].sum(axis=1) == got.counts["total"]).all()
    for sums in (got.by_section, got.by_kind):
        assert (sums.sum() == got.total).all()
    assert got.total["total"] == 5300
    for _, row in got.counts.iterrows():
        table = niches if row["kind"] == "niche" else spaces[spaces["kind"] == row["kind"]]
        table = table[table["section"] == row["section"]]
        for state in SPACE_STATES:
            assert row[state] == sum(value == state for value in table["state"])
        assert row[NOT_STATED] == sum(value is None or value != value for value in table["state"])


def test_kinds_come_in_their_own_order():
    got = capacity(a_ground(500, 3), a_ground(50, 4).drop(columns="kind"))
    assert list(got.counts.loc[got.counts["section"] == "A", "kind"]) == list(SPACE_KINDS)
    assert list(got.by_kind.index) == list(SPACE_KINDS)


def test_words_say_every_state_that_occurs():
    spaces = pd.DataFrame(
        {
            "section": ["A"] * 4,
            "kind": ["full", "full", "full", "cremation"],
            "state": ["right held", "lost", None, "disturbed, empty"],
        }
    )
    niches = pd.DataFrame({"section": ["N"], "state": ["vacant"]})
    assert capacity(spaces, niches).words == (
        "Section A: 3 spaces for full burials and 1 space for cremated remains, 0 vacant, 1 right held, "
        "1 disturbed, empty, 1 lost, 1 not stated.",
        "Section N: 1 niche, 1 vacant.",
        "The ground: 4 spaces and 1 niche, 1 vacant, 1 right held, 1 disturbed, empty, 1 lost, 1 not stated.",
    )


def test_a_disinterred_space_is_not_vacant():
    spaces = pd.DataFrame({"section": ["A"], "kind": ["full"], "state": ["disturbed, empty"]})
    assert capacity(spaces).total["vacant"] == 0


def test_no_spaces_at_all():
    got = capacity(pd.DataFrame({"section": [], "kind": [], "state": []}))
    assert len(got.counts) == 0
    assert got.total["total"] == 0
    assert got.words == ("The ground: 0 spaces, 0 vacant.",)


@pytest.mark.parametrize(("column", "value"), [("state", "sold"), ("kind", "double")])
def test_what_is_not_declared_is_refused(column, value):
    row = {"section": "A", "kind": "full", "state": "vacant", column: value}
    with pytest.raises(ValueError, match=f"no such {column} of a space: {value}"):
        capacity(pd.DataFrame([row]))


def test_declared_dtypes_are_accepted():
    spaces = a_ground(20, 5).astype("string")
    assert capacity(spaces).total["total"] == 20


# ---- burials still possible ------------------------------------------------------------------------------------------

RULES = Rules(FOOT)


def rules(**more):
    return Rules(FOOT, {f"space.{name}": {"value": value, "source": "this test"} for name, value in more.items()})


def test_every_space_is_one_thing_and_the_numbers_add_up():
    spaces = a_ground(4000, 5)
    spaces["space_id"] = [f"s{n}" for n in range(4000)]
    spaces["lot_id"] = [f"lot{n // 4}" for n in range(4000)]
    spaces["burials"] = (spaces["state"] == "occupied").astype(int)
    niches = a_ground(200, 6).drop(columns="kind").assign(space_id=[f"n{n}" for n in range(200)], burials=0)
    got = still_possible(spaces, niches, rules=rules(urns_over_full=1))
    assert len(got) == 4200
    assert set(got["use"]) <= set(USES)
    table = sum_possible(got)
    assert table[list(USES)].to_numpy().sum() == table["total"].sum() == 4200
    counts = capacity(spaces, niches)
    merged = counts.counts.merge(table, on=["section", "kind"])
    assert (merged["total_x"] == merged["total_y"]).all()
    assert (merged["vacant"] == merged["free"] + merged["free, in a lot in use"]).all()
    assert (merged["lost_x"] == merged["lost_y"]).all()
    assert (merged["occupied"] == merged["used"] + merged["room for one more"]).all()
    # one burial in each free space for full burials, two urns in each for urns
    full = table[table["kind"].isin(["full", "infant"])]
    assert (full["full"] == full["free"] + full["free, in a lot in use"]).all()
    urns = table[table["kind"].isin(["cremation", "niche"])]
    assert (urns["urns"] == 2 * (urns["free"] + urns["free, in a lot in use"])).all()
    assert (urns["full"] == 0).all()


def one_lot(states, burials, **more):
    n = len(states)
    table = {"space_id": [f"A-1-{k + 1}" for k in range(n)], "section": "A", "lot_id": "A-1", "kind": "full"}
    return pd.DataFrame({**table, "state": states, "burials": burials, "state_why": None, **more})


def test_a_half_used_lot_double_depth_and_urns_over_a_casket():
    spaces = one_lot(["occupied", "occupied", "vacant", "right held"], [1, 2, 0, 0])
    events = pd.DataFrame({"kind": ["interment", "interment", "urn placed"], "space_id": ["A-1-1", "A-1-2", "A-1-2"]})
    got = still_possible(spaces, rules=RULES, events=events)
    assert list(got["use"]) == ["used", "used", "free, in a lot in use", "right held"]
    assert (got["full"].tolist(), got["full_held"].tolist()) == ([0, 0, 1, 0], [0, 0, 0, 1])
    deep = still_possible(spaces, rules=rules(full_burials=2, urns_over_full=2), events=events)
    assert list(deep["use"]) == ["room for one more", "room for one more", "free, in a lot in use", "right held"]
    assert deep["full"].tolist() == [0, 0, 2, 0]
    assert deep["full_held"].tolist() == [1, 0, 0, 2]  # the second holds an urn already: no casket over an urn
    assert deep["urns_held"].tolist() == [2, 1, 0, 2]


def test_a_lost_space_says_why():
    spaces = one_lot(["lost", "vacant", "in doubt", "probably occupied"], 0)
    spaces["state_why"] = ["taken by tree T4", None, "1 recorded in lot A-1, space not known", "probable grave G2"]
    short = pd.DataFrame(
        {"a_id": ["V9", "V9"], "b_id": ["A-1-2", "A-1-1"], "gap": [-0.41, -0.1], "chance_short": [0.99, 0.5]}
    )
    got = still_possible(spaces, rules=RULES, clearances=short)
    assert list(got["use"]) == ["lost", "too little clearance", "not before it is settled", "not before it is settled"]
    assert got["full"].sum() == 0
    assert list(got["why"]) == ["taken by tree T4", "only -0.41 from V9", *spaces["state_why"][2:]]
    steep = still_possible(spaces, rules=RULES, steep=pd.Series({"A-1-2": "slope 31 %"}))
    assert steep["why"][1] == "slope 31 %"
    unsure = short.assign(chance_short=0.6)
    assert still_possible(spaces, rules=RULES, clearances=unsure)["use"][1] == "free"
