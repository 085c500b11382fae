import numpy as np
import pandas as pd
import pytest

from cemgis.capacity import NOT_STATED, capacity
from cemgis.layers import SPACE_KINDS, SPACE_STATES


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
