"""Who holds a space now: shares, successions, two lists that tell one right, and entries that clash."""

from __future__ import annotations

from fractions import Fraction
from itertools import permutations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cemgis import schema
from cemgis.holdings import holders_now, joined_rights, parse_share
from cemgis.layers import LAYERS


def _rights(*rows: tuple[str, str, str | None, str | None, str | None], space: str = "A-1-1") -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["kind", "holder", "from_holder", "share", "date"])
    table["right_id"] = [f"r{row}" for row in range(len(rows))]
    table["space_id"], table["place"] = space, space
    table["source"] = [f"deeds.csv, line {row + 2}" for row in range(len(rows))]
    return schema.restore(table, LAYERS["rights"])


def _now(*rows: tuple[str, str, str | None, str | None, str | None]) -> tuple[dict[str, float], list[str]]:
    table, findings = holders_now(_rights(*rows))
    return dict(zip(table["holder"], table["share"], strict=True)), [item.kind for item in findings]


@pytest.mark.parametrize(
    ("text", "share"),
    [
        ("1/2", Fraction(1, 2)), ("an undivided half", Fraction(1, 2)), ("½", Fraction(1, 2)),
        ("1 of 3", Fraction(1, 3)),
        ("two thirds", Fraction(2, 3)), ("33.3 %", Fraction(333, 1000)), ("0.25", Fraction(1, 4)),
        ("0,25", Fraction(1, 4)), ("whole", Fraction(1)), ("one-fourth interest", Fraction(1, 4)),
        ("3/2", None), ("0", None), ("1/0", None), ("some", None), ("", None), ("seven halves", None),
    ],
)  # fmt: skip
def test_shares_as_deeds_write_them(text: str, share: Fraction | None) -> None:
    assert parse_share(text) == share


@given(st.text(max_size=40))
def test_no_text_is_a_share_beyond_the_whole(text: str) -> None:
    share = parse_share(text)
    assert share is None or 0 < share <= 1


def test_a_right_passes_from_one_to_the_next() -> None:
    assert _now(
        ("sale", "Ada Penn", None, None, "1901"), ("inheritance", "Ivo Penn", "Ada Penn", None, "1930"),
        ("assignment", "Una Marlow", "IVO PENN", None, "1951-04-02"),
    ) == ({"Una Marlow": 1.0}, [])  # fmt: skip


def test_heirs_share_and_what_is_not_passed_on_stays() -> None:
    one = ("sale", "Ada Penn", None, None, "1901")
    assert _now(one, ("inheritance", "Ivo Penn", "Ada Penn", "1/3", "1930")) == (
        {"Ada Penn": pytest.approx(2 / 3), "Ivo Penn": pytest.approx(1 / 3)}, [],
    )  # fmt: skip
    thirds = [("inheritance", f"Heir {k}", "Ada Penn", "0.33", "1930") for k in (1, 2, 3)]
    now, kinds = _now(one, *thirds)
    assert set(now) >= {"Heir 1", "Heir 2", "Heir 3"}
    assert kinds == []


def test_shares_that_are_more_or_less_than_the_whole() -> None:
    assert _now(("sale", "A B", None, "1/2", "1901"), ("sale", "C D", None, "2/3", "1901"))[1] == [
        "shares do not add up"
    ]
    assert _now(("sale", "A B", None, "1/2", "1901"))[1] == ["shares do not add up"]
    assert _now(("sale", "A B", None, "1/2", "1901"), ("sale", "C D", None, "half", "1901"))[1] == []


def test_two_deeds_for_one_space() -> None:
    now, kinds = _now(("sale", "Ada Penn", None, None, "1901"), ("sale", "Olin Sorrel", None, None, "1923"))
    assert set(now) == {"Ada Penn", "Olin Sorrel"}
    assert kinds == ["right given twice"]
    # bought back in between, it is the ground's to sell again
    assert _now(
        ("sale", "Ada Penn", None, None, "1901"), ("buy-back", "", "Ada Penn", None, "1911"),
        ("sale", "Olin Sorrel", None, None, "1923"),
    ) == ({"Olin Sorrel": 1.0}, [])  # fmt: skip
    # the same deed written once more is no second right
    assert _now(("sale", "Ada Penn", None, None, "1901"), ("right", "ADA  PENN", None, None, "1902"))[1] == []


def test_nobody_passes_on_what_another_holds() -> None:
    now, kinds = _now(
        ("sale", "Ada Penn", None, None, "1901"), ("assignment", "Una Marlow", "Olin Sorrel", None, "1930")
    )
    assert now == {"Ada Penn": 1.0}
    assert kinds == ["right passed on by another"]


def test_a_whole_lot_is_told_once() -> None:
    parts = [
        _rights(("sale", "A B", None, "1/2", "1901"), space=f"A-1-{number}").assign(right_id=f"r:{number}")
        for number in (1, 2, 3)
    ]
    _, findings = holders_now(pd.concat(parts, ignore_index=True))
    assert [item.subject for item in findings] == ["A-1-1"]
    assert findings[0].reason.endswith("the same for 2 more of its spaces")


def test_a_reservation_is_no_holding_and_nothing_is_nobody() -> None:
    assert _now(("reserved", "", None, None, "1901")) == ({}, [])
    empty, findings = holders_now(schema.empty(LAYERS["rights"]))
    assert len(empty) == 0
    assert findings == []


@given(st.permutations(range(4)))
def test_the_order_of_the_rows_does_not_matter_where_dates_tell(order: list[int]) -> None:
    rows = [
        ("sale", "Ada Penn", None, None, "1901"), ("inheritance", "Ivo Penn", "Ada Penn", None, "1930"),
        ("assignment", "Una Marlow", "Ivo Penn", "1/2", "1951"), ("assignment", "Bo Marlow", "Ivo Penn", None, "1952"),
    ]  # fmt: skip
    now, kinds = _now(*(rows[k] for k in order))
    assert now == {"Una Marlow": 0.5, "Bo Marlow": 0.5}
    assert kinds == []


def test_two_lists_tell_one_right() -> None:
    first = _rights(("sale", "Ada Penn", None, None, "1901"))
    second = _rights(("sale", "Ada Penn", None, None, "1901-05-02"), ("sale", "Olin Sorrel", None, None, "1901"))
    second = second.assign(
        right_id=["b", "c"], instrument=["deed 4", None], source=["two.csv, line 2", "two.csv, line 3"]
    )
    both = joined_rights(pd.concat([first, second], ignore_index=True), [0, 1, 1])
    assert both["right_id"].tolist() == ["r0", "c"]
    assert both.iloc[0][["date", "instrument", "also_in"]].tolist() == ["1901-05-02", "deed 4", "two.csv, line 2"]
    # dates that cannot be the same are two entries, and so are two rows of one list
    late = second.assign(date="1950")
    assert len(joined_rights(pd.concat([first, late], ignore_index=True), [0, 1, 1])) == 3
    assert len(joined_rights(pd.concat([first, first], ignore_index=True), [0, 0])) == 2


def test_three_lists_in_any_order_join_to_one() -> None:
    rows = [_rights(("sale", "Ada Penn", None, None, "1901")).assign(right_id=name, source=name) for name in "abc"]
    for order in permutations(rows):
        both = joined_rights(pd.concat(order, ignore_index=True), [0, 1, 2])
        assert len(both) == 1
        assert set(both["also_in"].iloc[0].split("; ")) | {both["source"].iloc[0]} == {"a", "b", "c"}
