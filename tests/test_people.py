"""People across lists: one burial told twice is one, differences are named, kin is found and suggested."""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd
import pytest

from cemgis import schema
from cemgis.conflicts import conflicts, still_to_come, twice
from cemgis.layers import LAYERS
from cemgis.people import count_as_dead, joined_sources, with_kin
from cemgis.register import TABLES, read_register
from cemgis.rules import Rules
from cemgis.units import FOOT

RULES = Rules(FOOT)


def ground(lots=30):
    return pd.DataFrame(
        [{"space_id": f"A-{lot}-{space}", "section": "A", "lot_id": f"A-{lot}", "space": str(space)}
         for lot in range(1, lots + 1) for space in range(1, 5)]
    )  # fmt: skip


def register(*lists, lots=30):
    spaces = ground(lots)
    plain = spaces[["lot_id", "section"]].drop_duplicates().assign(row=None)
    plain["lot"] = plain["lot_id"].str[2:]
    parts = []
    for number, rows in enumerate(lists):
        table = pd.DataFrame(rows)
        table["line"] = np.arange(2, len(table) + 2)
        parts.append(read_register(table, source=f"list{number}.csv", spaces=spaces, lots=plain, kind="interment"))
    return joined_sources(parts, RULES["register.about"])


def row(name, place, **more):
    return {"name": name, "place": place, **more}


def test_one_burial_told_by_two_lists_is_there_once_and_gaps_are_filled():
    found = register(
        [row("Penn, Ada", "A-1-2", date="1901")],
        [
            row("Ada Penn", "A-1-2", date="1901-05-03", born="1850", container="oak"),
            row("Bo Lark", "A-2-1", date="1902"),
        ],
    )
    assert found.findings == []
    assert found.people["name"].tolist() == ["Penn, Ada", "Bo Lark"]
    first = found.events.iloc[0]
    assert (first["date"], first["container"], first["also_in"]) == ("1901", "oak", "list1.csv, line 2")
    assert found.people["born"].iloc[0] == "1850"
    for name in TABLES:
        schema.check(getattr(found, name), LAYERS[name])


def test_the_list_named_first_counts_and_the_difference_is_a_finding():
    found = register(
        [row("Ada Penn", "A-1-2", date="1901-05-03", died="1901-05-01", born="1850")],
        [row("Ada Penn", "A-1-2", date="1901", died="1901-04-30", born="1861")],
    )
    (finding,) = found.findings
    assert finding.kind == "sources disagree"
    assert (
        finding.reason
        == "Ada Penn: born 1850 and 1861; died 1 May 1901 and 30 April 1901 (list0.csv, line 2; list1.csv, line 2)"
    )
    assert found.people["died"].tolist() == ["1901-05-01"]


@pytest.mark.parametrize(
    "other",
    [row("Ada Penn", "A-1-3", date="1901"), row("Ida Penn", "A-1-2", date="1901"), row("Ada Penn",
     "A-1-2", date="1931"),
     row("Ada Penn", "A-1-2", date="1901", kind="disinterment"), row("Ada Penn", "A-1-2 ", date="1901", suffix="Jr.")],
)  # fmt: skip
def test_other_burials_stay_two(other):
    found = register([row("Ada Penn", "A-1-2", date="1901-05-03")], [other])
    assert len(found.events) == 2


def test_two_rows_of_one_list_are_never_joined():
    found = register([row("Ada Penn", "A-1-2", date="1901")] * 2, [row("Ada Penn", "A-1-2", date="1901")])
    assert len(found.events) == 2


def test_three_lists_fill_in_their_order():
    found = register(
        [row("Ada Penn", "A-1-2")],
        [row("Ada Penn", "A-1-2", born="1850")],
        [row("Ada Penn", "A-1", born="1851", died="1901")],
    )
    assert len(found.events) == 1
    assert found.people[["born", "died"]].iloc[0].tolist() == ["1850", "1901"]
    assert found.people["also_in"].iloc[0] == "list1.csv, line 2; list2.csv, line 2"


def test_a_removal_is_of_the_person_who_was_buried_there():
    found = register(
        [row("Ada Penn", "A-1-2", date="1901"), row("Penn, Ada", "A-1-2", date="1950", kind="disinterment")]
    )
    assert len(found.people) == 1
    assert found.events["person_id"].tolist() == ["list0.csv:2"] * 2


def test_stones_and_memories_find_their_person():
    found = register(
        [row("Ada Penn", "A-1-2", date="1901", died="1901-05-01", born="1850"), row("Bo Penn", "A-1-3", date="1911")],
        [row("Ada Penn", "A-1-2", kind="stone", died="1902", born="1850"), row("Bo Penn",
         "A-1", kind="memory", note="drowned"),
         row("Cy Penn", "A-1", kind="stone", born="1890")],
    )  # fmt: skip
    assert found.inscriptions["person_id"].fillna("").tolist() == ["list0.csv:2", ""]
    assert found.memories["person_id"].tolist() == ["list0.csv:3"]
    (finding,) = conflicts(found, RULES)
    assert finding.kind == "stone disagrees"
    assert "died 1902 on the stone, 1 May 1901 in the register" in finding.reason


def test_recorded_kin_are_found_in_their_lot_and_others_suggested_and_marked():
    found = with_kin(
        register(
            [row("John Penn", "A-1-1", born="1840", date="1900"), row("Mary, wife of John Penn",
             "A-1-2", born="1845", date="1901"),
             row("Cy Penn", "A-1-3", born="1868", date="1930"), row("Dee Penn", "A-2-1", born="1868", date="1930"),
             row("Ed Vale", "A-1-4", born="1866", date="1931", spouse="Cy Penn")]
        ),
        RULES,
    )  # fmt: skip
    kin = found.kin.set_index("kin_id")
    recorded = kin[kin["by"] == "as recorded"]
    assert recorded["other_id"].tolist() == ["list0.csv:2", "list0.csv:4"]
    suggested = kin[kin["by"] == "suggested"]
    assert suggested[["person_id", "relation", "other_id"]].to_numpy().tolist() == [
        ["list0.csv:4", "perhaps child of", "list0.csv:2"]
    ]
    assert suggested["why"].iloc[0] == "same surname in lot A-1, born 28 years apart"


def test_who_counts_as_dead():
    people = pd.DataFrame({"person_id": list("abcdef"), "born": ["1914", "1916", None, None, "1990", "19XX"],
                           "died": [None, None, None, "1950", None, None]})  # fmt: skip
    events = pd.DataFrame(
        {"person_id": ["c", "e", "f"], "kind": ["interment", "interment", "interment"], "date": ["1871", None, None]}
    )
    # an undated burial is none to rely on: a space may be entered before it is used
    assert count_as_dead(people, events, "2025-06-01", 110).tolist() == [True, False, True, True, False, False]


@pytest.mark.parametrize(
    ("died", "dead"),
    [("19XX", False), ("197X", False), ("20XX", False), ("XXXX", False), ("18XX", True), ("1971", True),
     ("1971-XX-XX", True), ("1971?", True), ("2025", True), ("2026", False), ("2041-05-01", False), ("[1991..]", False),
     ("[..1985]", True), ("[..2031]", False), ("", False)],
)  # fmt: skip
def test_a_death_carved_ahead_or_still_to_come_is_none(died, dead):
    # stones are carved ahead with the century, 19--, and the one they are for may have outlived it
    people = pd.DataFrame({"person_id": ["a"], "born": ["1948"], "died": [died]})
    events = pd.DataFrame({"person_id": ["a"], "kind": ["interment"], "date": [None]})
    assert count_as_dead(people, events, "2025-06-01", 110).tolist() == [dead]
    # the same words as the day of a burial
    people, events = people.assign(died=None), events.assign(date=[died])
    assert count_as_dead(people, events, "2025-06-01", 110).tolist() == [dead]


def test_an_approximate_birth_is_widened():
    people = pd.DataFrame({"person_id": ["a", "b"], "born": ["1912~", "1912"], "died": None})
    none = pd.DataFrame({"person_id": [], "kind": [], "date": []}, dtype=object)
    assert count_as_dead(people, none, "2025-06-01", 110, 5.0).tolist() == [False, True]


# ---- conflicts -------------------------------------------------------------------------------------------------------


def kinds(*rows):
    return [(item.kind, item.subject) for item in conflicts(register(list(rows)), RULES)]


def test_dates_out_of_order():
    assert kinds(row("Ada Penn", "A-1-1", date="1901-05-01", died="1901-05-02")) == [
        ("burial before death", "list0.csv:2")
    ]
    assert kinds(row("Ada Penn", "A-1-1", date="1901-05-02", died="1901-05-02")) == []
    assert kinds(row("Ada Penn", "A-1-1", date="1901", died="1901-05-02")) == []  # that year, later
    assert kinds(row("Ada Penn", "A-1-1", died="1850", born="1851")) == [("death before birth", "list0.csv:2")]
    assert kinds(row("Ada Penn", "A-1-1", date="1850", born="1851")) == [("burial before death", "list0.csv:2")]
    # about and before are not so exact as to be contradicted
    assert kinds(row("Ada Penn", "A-1-1", date="1901-05-01", died="abt 1903")) == []
    assert kinds(row("Ada Penn", "A-1-1", date="1901-05-01", died="abt 1907")) == [
        ("burial before death", "list0.csv:2")
    ]
    assert kinds(row("Ada Penn", "A-1-1", date="1901-05-01", died="before 1910")) == []


def test_an_age_that_does_not_fit():
    assert kinds(row("Ada Penn", "A-1-1", born="1850", died="1901", age="70")) == [("age disagrees", "list0.csv:2")]
    assert kinds(row("Ada Penn", "A-1-1", born="1850", died="1901", age="50")) == []
    assert kinds(row("Ada Penn", "A-1-1", died="1901", age="50")) == []


def people_of_a_ground(rng, n):
    given, surnames = ["Ada", "Bo", "Cy", "Dee", "Ed", "Flo", "Gus", "Hal"], [f"{a}{b}" for a in ("Pen", "Lark",
     "Val", "Wren", "Tar")
                                                                              for b in ("ner", "dell", "ton",
                                                                               "sey", "by")]  # fmt: skip
    return [
        row(f"{rng.choice(given)} {rng.choice(surnames)}", f"A-{number // 4 + 1}-{number % 4 + 1}",
            died=f"{1860 + rng.integers(120)}-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d}")
        for number in range(n)
    ]  # fmt: skip


def test_one_person_twice_is_found_and_namesakes_are_not():
    rng = np.random.default_rng(4)
    rows = people_of_a_ground(rng, 400)
    planted = {
        7: dict(rows[7], place="A-120-1"),
        31: dict(rows[31], name=rows[31]["name"][:-1] + "ie", place="A-8-1"),
    }
    found = register(rows + list(planted.values()), lots=130)
    said = [item for item in conflicts(found, RULES) if item.kind == "person twice"]
    assert {item.subject for item in said} == {"list0.csv:9, list0.csv:402", "list0.csv:33, list0.csv:403"}
    assert all("odds" in item.reason for item in said)


def test_odds_are_those_of_the_formula():
    """Two rows, one name, one day, one space: every factor by hand."""
    found = register([row("Ada Penn", "A-1-1", died="1901-05-01"), row("Ada Penn", "A-1-1", died="1901-05-01")])
    odds = twice(found, RULES)["odds"].iloc[0]
    # prior 2 x 0.01 / 1; each name is borne by all; a day of the one year seen; one space of one
    assert odds == pytest.approx(0.02 * 0.85 * 0.85 * (0.80 * 365.25 * 1) * 1.0 * (0.80 * 1), rel=1e-12)


def test_odds_of_dates_that_can_be_the_same_and_of_none():
    ten = [row(f"{given} Penn", f"A-{at + 1}-1", died=str(1900 + 10 * at))
           for at, given in enumerate(("Ada", "Bo", "Cy", "Di", "Eve", "Flo", "Gus", "Hal"))]  # fmt: skip
    year = register([*ten, row("Ike Penn", "A-9-1", died="1950"), row("Ike Penn", "A-9-1", died="1950")])
    odds = twice(year, RULES)["odds"].iloc[0]
    # prior 2 x 0.01 / 9; ten bear the surname, two the given name; 71 years, two dates of a year each; 9 spaces
    assert odds == pytest.approx(0.02 / 9 * 0.85 * (0.85 * 5) * (0.80 * 71) * (0.80 * 9), rel=1e-12)
    # one without a date: the date says nothing, and the odds stay below their bound
    bare = register([*ten, row("Ike Penn", "A-9-1", died="1950"), row("Ike Penn", "A-9-1")])
    table = twice(bare, RULES)
    assert table["odds"].iloc[0] == pytest.approx(min(100.0, 0.02 / 9 * 0.85 * (0.85 * 5) * (0.80 * 9)), rel=1e-12)
    assert "not both dated" in table["why"].iloc[0]
    many = register([row(f"{chr(65 + at % 26)}{at} Q{at}", f"A-{at % 60 + 1}-1", died="1900") for at in range(900)]
                    + [row("Ike Penn", "A-61-1", died="1950"), row("Ike Penn", "A-61-1")], lots=130)  # fmt: skip
    table = twice(many, RULES)
    assert table.loc[table["why"].str.contains("not both dated"), "odds"].max() == RULES["twice.undated_most"]
    # wider dates say less than narrow ones, and a year that cannot be does not stretch the years that are spanned
    wide = register([*ten, row("Ike Penn", "A-9-1", died="194X"), row("Ike Penn", "A-9-1", died="1945/1955")])
    assert twice(wide, RULES)["odds"].iloc[0] < odds
    far = register([*ten, row("Ike Penn", "A-9-1", died="1950"), row("Ike Penn", "A-9-1", died="1950"),
                    row("Jo Rook", "A-10-1", died="2999")])  # fmt: skip
    assert twice(far, RULES)["odds"].iloc[0] < odds * RULES["twice.years"] / 71 * 2


def test_a_list_that_has_nothing_to_do_with_two_rows_leaves_their_odds_alone():
    """Adding lists of others, with other names, years and places, must not make two rows likelier one person."""
    rng = np.random.default_rng(8)
    own = [*people_of_a_ground(rng, 60), row("Yusuf Aldisse", "A-3-1", died="1933-04-04"),
           row("Yusuf Aldissee", "A-3-1", died="1933-04-04")]  # fmt: skip
    alone = twice(register(own), RULES)
    for many in (1, 9, 300):
        other = [row(f"Zz{at} Qq{at}", f"A-{at % 130 + 1}-2", died=str(1700 + at)) for at in range(many)]
        both = twice(register(own, other, lots=130), RULES)
        ours = both[both["one"].str.startswith("list0") & both["two"].str.startswith("list0")]
        pd.testing.assert_frame_equal(ours.reset_index(drop=True), alone)
    assert alone["odds"].iloc[0] > RULES["twice.odds"]


def test_somebody_undated_elsewhere_is_not_the_same_person():
    rng = np.random.default_rng(8)
    rows = [*people_of_a_ground(rng, 600), row("Mary Smith", "A-14-1", born="1820", died="1887-03-04")]
    found = register(rows, [row("Smith, Mary (Jones)", "A-1-1")], lots=130)
    assert not [item for item in conflicts(found, RULES) if item.kind == "person twice" and "list1" in item.subject]


@pytest.mark.parametrize(
    ("one", "two"),
    [
        (row("Ada Penn", "A-1-1", died="1901-05-01"), row("Ada Penn", "A-9-1", died="1931-05-01")),
        (row("Hal Penn, Sr.", "A-1-1", died="1901-05-01"), row("Hal Penn, Jr.", "A-1-2", died="1901-05-01")),
        (row("Unknown", "A-1-1", died="1901-05-01"), row("Unknown", "A-1-1", died="1901-05-01")),
        (row("Infant of Ada Penn", "A-1-1", died="1901-05-01"), row("Infant of Ada Penn", "A-1-1", died="1901-05-01")),
    ],
)
def test_others_are_not_one_person(one, two):
    rng = np.random.default_rng(4)
    found = register([*people_of_a_ground(rng, 100), one, two])
    assert not [
        item for item in conflicts(found, RULES) if item.kind == "person twice" and "list0.csv:103" in item.subject
    ]


def test_someone_moved_to_another_grave_is_rightly_there_twice():
    rows = [row("Ada Penn", "A-1-1", date="1901-05-01", died="1901-04-30"), row("Ada Penn",
     "A-1-1", date="1950", kind="disinterment"),
            row("Ada Penn", "A-9-1", date="1950", died="1901-04-30")]  # fmt: skip
    assert kinds(*rows) == []


def test_days_that_have_not_come_are_told_and_those_that_may_have_are_not():
    found = register(
        [row("Ada Penn", "A-1-2", date="2999-01-01", died="1950"), row("Bo Penn", "A-1-3", date="2026-05-05"),
         row("Cy Penn", "A-1-4", date="202X", born="2027-01-01"), row("Di Penn", "A-1-5", date="1901")]
    )  # fmt: skip
    said = still_to_come(found, datetime.date(2026, 5, 4))
    assert {(item.kind, item.subject.split(":")[0]) for item in said} == {("date still to come", "list0.csv")}
    assert sorted(item.reason for item in said) == [
        "Ada Penn: interment 1 January 2999 (list0.csv, line 2)", "Cy Penn: born 1 January 2027 (list0.csv, line 4)"
    ]  # fmt: skip
    assert still_to_come(found, datetime.date(3000, 1, 1)) == []


def test_an_empty_register_has_no_conflicts():
    found = with_kin(joined_sources([], 5.0), RULES)
    assert [len(getattr(found, name)) for name in TABLES] == [0] * 6
    assert conflicts(found, RULES) == []


def test_who_served_is_told_by_a_column_of_its_own():
    said = ["yes", "X", "Civil War, 15th O.V.I.", "no", "N", "none", "?", "unknown", "", "Non"]
    people = register(
        [row("Ada Penn", f"A-{at + 1}-1", date="1901", veteran=text) for at, text in enumerate(said)]
    ).people
    told = [None if pd.isna(value) else bool(value) for value in people["veteran"]]
    assert told == [True, True, True, False, False, False, None, None, None, False]


def test_a_later_list_fills_in_who_served():
    first = [row("Ada Penn", "A-1-1", date="1901"), row("Bo Lark", "A-2-1", date="1901", veteran="no")]
    second = [row("Ada Penn", "A-1-1", date="1901", veteran="yes"), row("Bo Lark", "A-2-1", date="1901", veteran="yes")]
    people = register(first, second).people
    assert people["veteran"].tolist() == [True, False]  # where lists differ the first one counts
