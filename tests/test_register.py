import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis import schema
from cemgis.errors import InputError
from cemgis.layers import LAYERS
from cemgis.register import TABLES, read_crosswalk, read_register
from cemgis.rules import Rules
from cemgis.states import space_states
from cemgis.units import FOOT

RULES = Rules(FOOT)


def a_plat():
    """Lots of four in A, rows that start again in B, single graves in C, one space in a lot in D, niches in N."""
    spaces, lots = [], []

    def lot(section, row, number, n):
        lot_id = "-".join(part for part in (section, row, number) if part)
        lots.append({"lot_id": lot_id, "section": section, "row": row, "lot": number})
        for space in range(1, n + 1):
            spaces.append(
                {"space_id": f"{lot_id}-{space}", "section": section, "lot_id": lot_id, "row": row, "space": str(space)}
            )

    for number in ("11", "12", "12A"):
        lot("A", None, number, 4)
    for row in ("1", "2"):
        lot("B", row, "7", 2)
    lot("D", None, "5", 1)
    lot("Old Ground", None, "3", 2)
    for row in ("1", "2"):
        for number in range(1, 4):
            name = str(number + (0 if row == "1" else 2))
            spaces.append({"space_id": f"C-{row}-{name}", "section": "C", "lot_id": None, "row": row, "space": name})
    niches = pd.DataFrame(
        [
            {
                "space_id": f"N-east-{row}-{column}",
                "section": "N",
                "building": "N",
                "face": "east",
                "row": row,
                "column": column,
            }
            for row in (1, 2)
            for column in (1, 2, 3)
        ]
    )  # fmt: skip
    return pd.DataFrame(spaces).assign(kind="full"), pd.DataFrame(lots), niches


def read(rows, **more):
    spaces, lots, niches = a_plat()
    table = pd.DataFrame(rows)
    table["line"] = np.arange(2, len(table) + 2)
    more = {"source": "ledger.csv", "spaces": spaces, "lots": lots, "niches": niches, **more}
    return read_register(table, **more)


def resolve(place, **more):
    register = read([{"kind": "interment", "place": place}], **more)
    row = register.events.iloc[0]
    return (None if pd.isna(row["space_id"]) else row["space_id"]), register


# ---- places --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "space"),
    [
        ("A-12-3", "A-12-3"),
        ("A lot 12 sp 3", "A-12-3"),
        ("a  LOT 012, space 3", "A-12-3"),
        ("Sec. A, Lot 12, Grave 3", "A-12-3"),
        ("A12-3", "A-12-3"),
        ("A–12—3", "A-12-3"),
        ("A-12A-3", "A-12A-3"),
        ("A lot 12 A gr. 3", "A-12A-3"),
        ("B row 2 lot 7 sp 1", "B-2-7-1"),
        ("C-1-2", "C-1-2"),
        ("C row 2 no. 5", "C-2-5"),
        ("C-5", "C-2-5"),  # the only grave 5 of the section
        ("Old Ground lot 3 space 2", "Old Ground-3-2"),
        ("N-east-2-3", "N-east-2-3"),
        ("N, east, 2, 3", "N-east-2-3"),
        ("D lot 5", "D-5-1"),  # a lot with one space leaves no choice
        ("Lot 11, gr. 3", "A-11-3"),  # the only lot 11 of the ground
        ("Lot 12, sec. A, space 3", "A-12-3"),  # not lot 12A
        ("grave 3 lot 12 section A", "A-12-3"),
        ("B lot 7 row 2 sp 1", "B-2-7-1"),
        ("space 2, lot 3, section Old Ground", "Old Ground-3-2"),
    ],
)
def test_places_as_people_write_them(place, space):
    got, register = resolve(place)
    assert got == space
    assert register.findings == []
    assert register.events["resolved_by"].notna().all()
    assert register.events["place"].tolist() == [place]


@pytest.mark.parametrize(
    ("place", "lot", "subject", "said"),
    [
        ("A-12", "A-12", "A-12", "no space given"),
        ("Lot 12 sec A", "A-12", "A-12", "no space given"),
        ("B lot 7 sp 1", None, "B-7-1", "could be B-1-7-1, B-2-7-1"),
        ("C-3", None, "C-3", "could be C-1-3, C-2-3"),
        ("C", None, "C", "section only"),
        ("Old Ground", None, "OLD-GROUND", "section only"),
    ],
)
def test_open_places_stay_open(place, lot, subject, said):
    got, register = resolve(place)
    assert got is None
    (finding,) = register.findings
    assert (finding.kind, finding.subject, finding.severity) == ("place open", subject, "note")
    assert said in finding.reason
    assert register.events["lot_id"].isna().item() == (lot is None)


@pytest.mark.parametrize(
    ("place", "subject", "said"),
    [
        ("A lot 999 sp 1", "A-999-1", "section A has no 999-1"),
        ("A-12-7", "A-12-7", "lot A-12 has no space 7, it has A-12-1, A-12-2, A-12-3, A-12-4"),
        ("Z-1-1", "Z-1-1", "no section Z"),
        ("N-east-3-1", "N-EAST-3-1", "section N has no EAST-3-1"),
        ("???", "???", "no place written"),
    ],
)
def test_impossible_places_are_findings(place, subject, said):
    got, register = resolve(place)
    assert got is None
    (finding,) = register.findings
    assert finding.subject == subject
    assert finding.kind == ("place open" if place == "???" else "place unknown")
    assert said in finding.reason
    assert "ledger.csv, line 2" in finding.reason
    assert register.events["place"].item() == place


def test_a_number_that_is_a_lot_and_a_single_grave_is_not_guessed():
    spaces = pd.DataFrame(
        {
            "space_id": ["E-12-1", "E-12-2", "E-x-12"],
            "section": "E",
            "lot_id": ["E-12", "E-12", None],
            "row": [None, None, "x"],
            "space": ["1", "2", "12"],
        }
    )
    lots = pd.DataFrame({"lot_id": ["E-12"], "section": ["E"], "row": [None], "lot": ["12"]})
    got, register = resolve("E-12", spaces=spaces, lots=lots)
    assert got is None
    assert [(item.kind, item.subject) for item in register.findings] == [("place open", "E-12")]
    assert resolve("E row x grave 12", spaces=spaces, lots=lots)[0] == "E-x-12"


def test_a_default_section_is_supplied_where_none_is_written():
    assert resolve("Lot 7, gr. 2", default_section="B")[0] is None  # in row 1 or 2
    assert resolve("row 1 Lot 7, gr. 2", default_section="B")[0] == "B-1-7-2"
    assert resolve("12-3", default_section="A")[0] == "A-12-3"
    assert resolve("C-1-2", default_section="A")[0] == "C-1-2"
    _, register = resolve("lot 99 gr 1", default_section="A")
    assert [(item.kind, item.subject) for item in register.findings] == [("place unknown", "A-99-1")]


def test_places_in_columns():
    rows = [
        {"section": "A", "lot": "12", "space": "3"},
        {"section": "a", "lot": "Lot 012", "space": "sp. 3"},
        {"section": "B", "row": "2", "lot": "7", "space": "1"},
        {"section": "C", "row": "1", "lot": "", "space": "2"},
        {"section": "A", "lot": "12", "space": ""},
        {"section": "A", "lot": "13", "space": "1"},
        {"section": "", "lot": "", "space": "", "place": "A-11-1"},
        {"section": "A", "lot": "", "space": "", "place": "11-2"},
        {"section": "", "lot": "", "space": ""},
    ]
    register = read([{"kind": "interment", **row} for row in rows])
    got = register.events["space_id"].astype(object).where(register.events["space_id"].notna(), None).tolist()
    assert got == ["A-12-3", "A-12-3", "B-2-7-1", "C-1-2", None, None, "A-11-1", "A-11-2", None]
    assert register.events["place"].tolist()[:1] == ["A-12-3"]
    assert [(item.kind, item.subject) for item in register.findings] == [
        ("place open", "A-12"),
        ("place unknown", "A-13-1"),
        ("place open", "ledger.csv: no place"),
    ]


def test_one_finding_for_a_place_however_often_it_is_named():
    places = ["Q-1", "q 01", "Q lot 1", "A-12-3"]
    register = read([{"kind": "interment", "place": place} for place in places])
    (finding,) = register.findings
    assert finding.subject == "Q-1"
    assert "lines 2, 3, 4" in finding.reason


# ---- rows ----------------------------------------------------------------------------------------------------------


def test_kinds_people_rights_and_rows_as_written():
    columns = ("Kind", "Date", "Name", "Place", "Born", "Died", "Container", "Holder", "Instrument")
    rows = [
        ("Interment", "1923-05-04", 'Ada "Penn"', "A-12-3", "1850", "1923-05-01", "pine/oak", "", ""),
        ("urn-placed", "1980-07", "Ole Röst", "N-east-1-1", "", "", "", "", ""),
        ("RIGHT", "1920", "", "A lot 11", "", "", "", "Penn family", "book 2, page 9"),
        ("right", "", "M. Vale", "A-12-1", "", "", "", "", ""),
        ("Disinterment", "1950-01-02", "", "A-12-3", "", "", "", "", ""),
    ]
    register = read([dict(zip(columns, row, strict=True)) for row in rows])
    assert register.findings == []
    events, people, rights = register.events, register.people, register.rights
    assert events["kind"].tolist() == ["interment", "urn placed", "disinterment"]
    assert events["event_id"].tolist() == ["ledger.csv:2", "ledger.csv:3", "ledger.csv:6"]
    assert people[["person_id", "name", "born", "died"]].iloc[0].tolist() == [
        "ledger.csv:2", 'Ada "Penn"', "1850", "1923-05-01",
    ]  # fmt: skip
    assert people["name"].tolist() == ['Ada "Penn"', "Ole Röst"]
    assert events["person_id"].isna().tolist() == [False, False, True]
    written = json.loads(events["as_written"].iloc[0])
    assert written["Name"] == 'Ada "Penn"'
    assert written["Container"] == "pine/oak"
    assert "line" not in written
    assert "Röst" in events["as_written"].iloc[1]
    # A right to a lot is a right to its four spaces.
    assert rights["space_id"].tolist() == ["A-12-1", "A-11-1", "A-11-2", "A-11-3", "A-11-4"]
    assert rights["holder"].tolist() == ["M. Vale", *["Penn family"] * 4]
    for table, name in ((events, "events"), (people, "people"), (rights, "rights")):
        schema.check(table, LAYERS[name])


def test_rows_that_are_not_understood_are_named_by_line():
    kinds = ["interment", "reburial", "", "reburial"]
    register = read([{"kind": kind, "place": "A-12-3"} for kind in kinds] + [{"kind": "", "place": ""}])
    (finding,) = register.findings
    assert (finding.kind, finding.subject) == ("rows not understood", "ledger.csv")
    assert finding.reason == "3 rows: kind 'reburial' (lines 3, 5); no kind (line 4)"
    assert len(register.events) == 1


def test_columns_by_their_names():
    table = [{"Was": "interment", "Wo": "A-12-3", "Datum": "1901"}]
    register = read(table, columns={"kind": "Was", "place": "Wo", "date": "Datum"})
    assert register.events[["space_id", "date"]].iloc[0].tolist() == ["A-12-3", "1901"]
    with pytest.raises(InputError) as caught:
        read(table, columns={"kind": "Wass", "plaec": "Wo"})
    text = str(caught.value)
    assert "the file has no column 'Wass'. Did you mean 'Was'?" in text
    assert "Did you mean place?" in text
    assert "no column says where" in text
    with pytest.raises(InputError, match="no such kind of row"):
        read([{"place": "A-12-3"}], kind="reburial")
    with pytest.raises(InputError, match="no column says what happened"):
        read([{"place": "A-12-3"}])
    columns = pd.DataFrame([["interment", "A-12-3", "x", 2]], columns=["kind", "place", "kind", "line"])
    with pytest.raises(InputError, match="there more than once"):
        read_register(columns, source="ledger.csv", spaces=a_plat()[0])


def test_text_that_would_break_a_careless_reader():
    strange = ["A-12-3\x00", "=cmd()", "{{ 7*7 }}", "A" * 5000, "١٢-٣", "Å-1", "--", "\u2028", "A-½-1"]
    register = read([{"kind": "interment", "place": place, "date": "9" * 400, "name": place} for place in strange])
    assert len(register.events) == len(strange)
    assert register.events["as_written"].map(json.loads).map(lambda row: row["name"]).tolist() == strange
    kinds = {item.kind for item in register.findings}
    assert kinds == {"place unknown", "place open", "dates open"}


def test_an_empty_register():
    table = pd.DataFrame({"line": [], "kind": [], "place": []}, dtype=object)
    register = read_register(table, source="ledger.csv", spaces=a_plat()[0])
    assert [len(part) for part in register] == [0] * 7
    events, rights = register.events, register.rights
    spaces = a_plat()[0]
    states, findings = space_states(spaces, events, rights, rules=RULES)
    assert set(states["state"]) == {"vacant"}
    assert findings == []


def test_no_spaces_and_no_lots_at_all():
    empty = schema.empty(LAYERS["spaces"])
    table = pd.DataFrame({"line": [2], "kind": ["interment"], "place": ["A-1-1"]})
    register = read_register(table, source="ledger.csv", spaces=empty, lots=schema.empty(LAYERS["lots"]))
    assert [item.kind for item in register.findings] == ["place unknown"]
    states, _ = space_states(empty, register.events, rules=RULES)
    assert len(states) == 0


# ---- dates ---------------------------------------------------------------------------------------------------------


def test_dates_left_open_are_counted_and_shown():
    dates = ["1901", "3/17/1888", "17 Mar 1888", "", "the year of the flood"]
    register = read([{"kind": "interment", "place": "A-12-3", "date": date, "died": "n.d."} for date in dates])
    (finding,) = register.findings
    assert finding.kind == "dates open"
    assert finding.reason == "date: 1 ('the year of the flood'; line 6)"
    assert register.events["date"].fillna("").tolist() == ["1901", "1888-03-17", "1888-03-17", "", ""]
    assert register.events["date_written"].fillna("").tolist() == dates
    assert json.loads(register.events["as_written"].iloc[1])["date"] == "3/17/1888"
    assert register.people["died_written"].tolist() == []  # nobody is named


def test_the_order_of_day_and_month_is_that_of_the_whole_column():
    rows = [{"kind": "interment", "place": "A-12-3", "date": date} for date in ("3/4/1888", "17/3/1888")]
    assert read(rows).events["date"].tolist() == ["1888-04-03", "1888-03-17"]
    register = read(rows[:1])
    assert register.events["date"].tolist() == ["[1888-03-04,1888-04-03]"]
    assert [item.kind for item in register.findings] == ["day and month open"]


# ---- states --------------------------------------------------------------------------------------------------------


def spaces_of(n, kind="full", section="A"):
    x = 4.0 * np.arange(n)
    return gpd.GeoDataFrame(
        {"space_id": [f"S{i}" for i in range(1, n + 1)], "section": section, "lot_id": "A-1", "kind": kind},
        geometry=list(shapely.box(x, 0, x + 4, 12)),
        index=np.arange(50, 50 + n),
    )


def history(*rows):
    table = pd.DataFrame(rows, columns=["space_id", "kind", "date"])
    table["source"] = [f"ledger.csv, line {line}" for line in range(2, len(rows) + 2)]
    return table


def state_of(*rows, kind="full", **more):
    table = history(*[("S1", *row) for row in rows])
    states, findings = space_states(spaces_of(2, kind), table, rules=RULES, **more)
    assert states["state"].iloc[1] == "vacant"
    first = states.iloc[0]
    return first["state"], int(first["burials"]), first["state_why"], [item.kind for item in findings]


def test_a_burial_occupies_its_space():
    state, burials, why, findings = state_of(("interment", "1901-02-03"))
    assert (state, burials, findings) == ("occupied", 1, [])
    assert why == "interment 3 February 1901 (ledger.csv, line 2)"


def test_a_disinterred_space_is_disturbed_and_never_vacant():
    state, burials, why, findings = state_of(("interment", "1901"), ("disinterment", "1950-06-01"))
    assert (state, burials, findings) == ("disturbed, empty", 0, [])
    assert why == "disinterment 1 June 1950 (ledger.csv, line 3)"


@pytest.mark.parametrize(
    "rows",
    [
        [("disinterment", "1950-06-01"), ("interment", "1901")],  # the ledger's order is not the order of events
        [("disinterment", "1950"), ("interment", "1950-03-02")],  # a removal of that year, later
        [("interment", "1950"), ("disinterment", "1950-01-02")],
        [("disinterment", None), ("interment", "1950-03-02")],
        [("interment", None), ("disinterment", "1950")],
        [("interment", "1964/1970"), ("disinterment", "1966")],
    ],
)
def test_the_order_is_that_of_the_dates(rows):
    assert state_of(*rows)[:2] == ("disturbed, empty", 0)
    assert state_of(*rows)[3] == []


def test_a_burial_after_a_removal_occupies_again():
    rows = [("interment", "1901"), ("disinterment", "1950"), ("interment", "1960")]
    state, burials, why, findings = state_of(*rows)
    assert (state, burials, findings) == ("occupied", 1, [])
    assert why == "interment 1960 (ledger.csv, line 4); disinterment 1950 (ledger.csv, line 3)"


def test_a_removal_before_any_burial_is_a_finding_and_takes_nothing_away():
    # On one day the rows' own order counts.
    for rows in (
        [("disinterment", "1940"), ("interment", "1960")],
        [("disinterment", "1950-06-01"), ("interment", "1950-06-01")],
    ):
        state, burials, _, findings = state_of(*rows)
        assert (state, burials, findings) == ("occupied", 1, ["removal without burial"])


def test_a_removal_alone_leaves_the_space_in_doubt():
    state, burials, why, findings = state_of(("disinterment", "1940"))
    assert (state, burials, findings) == ("in doubt", 0, ["removal without burial"])
    assert "a removal is recorded without a burial" in why


def test_more_burials_than_the_rule_allows():
    state, burials, why, findings = state_of(("interment", "1901"), ("interment", "1931"))
    assert (state, burials, findings) == ("occupied", 2, ["space overfull"])
    assert why.startswith("2 burials; interment 1931")
    two = Rules(FOOT, {"space.full_burials": {"value": 2, "source": "a test"}})
    table = history(("S1", "interment", "1901"), ("S1", "interment", "1931"))
    assert space_states(spaces_of(1), table, rules=two)[1] == []


def test_an_urn_alone_occupies_a_space_and_says_so():
    state, burials, why, findings = state_of(("urn placed", "2001"))
    assert (state, burials, findings) == ("occupied", 1, [])
    assert why.startswith("1 urn, no full burial")
    assert state_of(("urn placed", "2001"), ("urn removed", "2005"))[0] == "disturbed, empty"
    # An urn that is removed does not empty the grave under it, nor does an urn make it overfull.
    assert state_of(("interment", "1990"), ("urn placed", "2001"), ("urn removed", "2005"))[:2] == ("occupied", 1)
    assert state_of(("interment", "1990"), ("urn removed", "2005"))[3] == ["removal without burial"]
    assert state_of(("interment", "1990"), ("urn placed", "2001"))[3] == []


def test_spaces_for_urns_and_niches_count_urns():
    three = [("urn placed", "2001"), ("urn placed", "2002"), ("interment", "2003")]
    state, burials, _, findings = state_of(*three, kind="cremation")
    assert (state, burials, findings) == ("occupied", 3, ["space overfull"])
    assert state_of(*three[:2], kind="cremation")[3] == []
    niches = pd.DataFrame({"space_id": ["N-1", "N-2"], "section": "N"})
    table = history(("N-1", "urn placed", "2001"), ("N-1", "urn removed", "2002"), ("S9", "interment", "1900"))
    states, findings = space_states(niches, table, rules=RULES)
    assert states["state"].tolist() == ["disturbed, empty", "vacant"]
    assert findings == []


def test_rights_graves_vaults_and_losses_in_their_order():
    spaces = spaces_of(7)
    table = history(("S1", "interment", "1901"))
    rights = pd.DataFrame(
        {"space_id": ["S1", "S2", "S3", "S2"], "date": ["1899", None, "1950", "1930"], "source": ["b, line 1"] * 4}
    )
    graves = gpd.GeoDataFrame({"grave_id": ["G1", "G2"], "space_id": ["S3", None]},
                              geometry=[shapely.box(8, 2, 10, 9), shapely.box(15, 2, 17, 9)])  # fmt: skip
    lost = pd.DataFrame(
        {"lost": [False] * 5 + [True, False], "lost_to": [None] * 5 + ["oak T1", None]}, index=spaces.index
    )
    vault = gpd.GeoDataFrame({"vault_id": ["V1"], "space_id": ["S7"]}, geometry=[shapely.box(24.5, 1, 27.5, 9)])
    states, findings = space_states(spaces, table, rights, rules=RULES, probable_graves=graves, lost=lost, vaults=vault)
    assert states["state"].tolist() == [
        "occupied", "right held", "probably occupied", "probably occupied", "probably occupied", "lost",
        "probably occupied",
    ]  # fmt: skip
    assert states.index.equals(spaces.index)
    assert states["state_why"].tolist() == [
        "interment 1901 (ledger.csv, line 2); right 1899 (b, line 1)",
        "right 1930 (b, line 1)",
        "probable grave G1; right 1950 (b, line 1)",
        "probable grave G2",  # half of it here, half in the next space
        "probable grave G2",
        "taken by oak T1",
        "vault V1",
    ]
    assert findings == []


def test_a_removal_where_a_vault_or_grave_still_lies_is_in_doubt():
    vault = gpd.GeoDataFrame({"vault_id": ["V1"], "space_id": ["S1"]}, geometry=[shapely.box(0.5, 1, 3.5, 9)])
    state, _, why, findings = state_of(("interment", "1901"), ("disinterment", "1950"), vaults=vault)
    assert (state, findings) == ("in doubt", [])
    assert "vault V1" in why


def test_a_move_that_does_not_say_whether_here_or_from_here_is_in_doubt():
    assert state_of(("move", "1950"))[0] == "in doubt"
    assert state_of(("interment", "1901"), ("move", "1950"))[:2] == ("occupied", 1)


def test_a_burial_in_a_lot_whose_space_is_not_known_puts_its_free_spaces_in_doubt():
    register = read([{"kind": "interment", "place": place} for place in ("A-12", "A-12-2", "A-11-1")])
    spaces = a_plat()[0]
    states, _ = space_states(spaces, register.events, register.rights, rules=RULES)
    of_lot = states[spaces["lot_id"] == "A-12"]
    assert of_lot["state"].tolist() == ["in doubt", "occupied", "in doubt", "in doubt"]
    assert "1 recorded in lot A-12, space not known" in of_lot["state_why"].iloc[0]
    assert set(states.loc[spaces["lot_id"] == "A-11", "state"]) == {"occupied", "vacant"}


def test_states_agree_with_walking_through_every_history():
    """Random histories against a plain walk, one event after another."""
    rng = np.random.default_rng(5)
    n, m = 40, 400
    kinds = ["interment", "disinterment", "urn placed", "urn removed"]
    days = pd.date_range("1900-01-01", periods=3000).strftime("%Y-%m-%d").to_numpy()
    rows = [
        (f"S{rng.integers(1, n + 1)}", rng.choice(kinds, p=[0.4, 0.25, 0.2, 0.15]), rng.choice(days)) for _ in range(m)
    ]
    table = history(*rows)
    states, findings = space_states(spaces_of(n), table, rules=RULES)
    left = {f"S{i}": {"full": 0, "urn": 0} for i in range(1, n + 1)}
    wrong, touched = set(), set()
    for space, kind, _ in sorted(rows, key=lambda row: row[2]):
        which = "urn" if "urn" in kind else "full"
        if kind in ("interment", "urn placed"):
            left[space][which] += 1
        elif left[space][which]:
            left[space][which] -= 1
            touched.add(space)
        else:
            wrong.add(space)
    assert states["burials"].tolist() == [sum(counts.values()) for counts in left.values()]
    got = {kind: {item.subject for item in findings if item.kind == kind} for kind in {item.kind for item in findings}}
    assert got["removal without burial"] == wrong
    assert got["space overfull"] == {space for space, counts in left.items() if counts["full"] > 1}
    for (space, counts), state in zip(left.items(), states["state"], strict=True):
        if sum(counts.values()):
            assert state == "occupied"
        elif space in wrong:
            assert state == "in doubt"
        else:
            assert state == ("disturbed, empty" if space in touched else "vacant")


def test_declared_tables_are_taken():
    spaces = schema.restore(spaces_of(3).assign(space=["1", "2", "3"]), LAYERS["spaces"])
    register = read_register(
        pd.DataFrame({"line": [2, 3], "kind": ["interment", "right"], "place": ["S1", "S-2"], "date": ["1901", ""]}),
        source="ledger.csv",
        spaces=spaces,
        lots=schema.empty(LAYERS["lots"]),
        niches=schema.empty(LAYERS["niches"]),
    )
    states, _ = space_states(
        spaces, register.events, register.rights, rules=RULES,
        probable_graves=schema.empty(LAYERS["probable_graves"]), vaults=schema.empty(LAYERS["vaults"]),
    )  # fmt: skip
    assert states["state"].tolist() == ["occupied", "right held", "vacant"]
    full = schema.restore(spaces.assign(**states), LAYERS["spaces"])
    schema.check(full, LAYERS["spaces"])


def test_a_headstone_where_nothing_is_recorded_puts_the_space_in_doubt():
    spaces = gpd.GeoDataFrame(
        {"space_id": ["A-1-1", "A-1-2", "A-1-3", "A-1-4"], "section": "A", "kind": "full"},
        geometry=shapely.box(0, [0, 4, 8, 12], 12, [4, 8, 12, 16]),
    )
    stones = gpd.GeoDataFrame(
        {"monument_id": ["M1", "M2", "M3", "M4"], "kind": ["headstone", "headstone", "headstone", "footstone"]},
        geometry=shapely.box(10, [1, 5, 9, 13], 11, [3, 7, 11, 15]),
    )
    events = pd.DataFrame({"kind": ["interment"], "date": ["1901"], "space_id": ["A-1-1"], "source": ["l, line 2"]})
    rights = pd.DataFrame(
        {
            "right_id": ["r"],
            "space_id": ["A-1-2"],
            "date": ["1920"],
            "source": ["l, line 3"],
            "kind": ["sale"],
            "part": None,
        }
    )
    table, findings = space_states(spaces, events, rights, rules=RULES, monuments=stones)
    # a burial explains its stone, a right one set ahead of need; a footstone alone says nothing
    assert table["state"].tolist() == ["occupied", "right held", "in doubt", "vacant"]
    assert "M3" in table["state_why"].iloc[2]
    assert [(item.kind, item.subject, item.severity) for item in findings] == [("stone without record", "A", "note")]
    assert "A-1-3" in findings[0].reason


# ---- names, rights, kin, what is told ------------------------------------------------------------------------------


def test_people_have_parts_and_their_birth_from_their_age():
    rows = [
        {
            "kind": "burial",
            "place": "A-12-1",
            "name": "Smith, Mrs. Mary (Brown)",
            "died": "5 Oct 1918",
            "age": "3 y 4 m",
        },
        {"kind": "burial", "place": "A-12-2", "name": "Infant of John Smith", "date": "1918-10-05", "age": "70"},
        {"kind": "burial", "place": "A-12-3", "name": "Unknown man", "born": "abt 1850", "age": "70"},
    ]
    people = read(rows).people
    assert people["given"].fillna("").tolist() == ["Mary", "", ""]
    assert people["maiden"].fillna("").tolist() == ["Brown", "", ""]
    assert people["relation"].fillna("").tolist() == ["", "infant of", ""]
    assert people["unknown"].tolist() == [False, False, True]
    assert people["born"].tolist() == ["[1915-05-06..1915-06-05]", "1847~/1848~", "1850~"]
    assert people["born_by"].tolist() == ["age at death", "age at burial", "as written"]
    assert people["name"].tolist() == [row["name"] for row in rows]


def test_a_list_without_kinds_and_with_headings_of_its_own():
    rows = [
        {
            "Last Name": "Penn",
            "First name": "Ada",
            "DOD": "3 May 1901",
            "Sec.": "x",
            "Lot": "12",
            "Grave": "3",
            "Section": "A",
        }
    ]
    register = read(rows, kind="interment")
    assert register.people[["name", "given", "surname", "died"]].iloc[0].tolist() == [
        "Penn, Ada",
        "Ada",
        "Penn",
        "1901-05-03",
    ]
    assert register.events[["kind", "space_id"]].iloc[0].tolist() == ["interment", "A-12-3"]


def test_rows_keep_their_id_by_the_clerks_own_number_and_gaps_are_found():
    rows = [{"kind": "burial", "place": "A-12-1", "number": str(number)} for number in (1, 2, 3, 6, 7, 7)]
    register = read(rows)
    assert register.events["event_id"].tolist() == [
        "ledger.csv:no. 1",
        "ledger.csv:no. 2",
        "ledger.csv:no. 3",
        "ledger.csv:no. 6",
        "ledger.csv:6",
        "ledger.csv:7",
    ]
    (finding,) = register.findings
    assert (finding.kind, finding.reason) == ("gap in the ledger", "2 missing of 1 to 7: 4 to 5")


def test_rights_with_shares_instruments_and_several_spaces():
    rows = [
        {"kind": "deed", "date": "1 May 1920", "holder": "Ada Penn", "share": "1/3", "book": "4", "page": "31",
         "place": "A lot 12, graves 1-2"},
        {"kind": "inherited", "date": "1950", "holder": "Bo Penn", "from_holder": "Ada Penn",
         "place": "A lot 12, graves 1-2"},
        {"kind": "reserved", "holder": "Bo Penn", "reserved_for": "Cy Penn", "place": "A-12-3"},
        {"kind": "bought back", "date": "1960", "holder": "Bo Penn", "place": "A-12-1"},
    ]  # fmt: skip
    register = read(rows)
    rights = register.rights
    assert rights["kind"].tolist() == ["right", "right", "inheritance", "inheritance", "reserved", "buy-back"]
    assert rights["space_id"].tolist() == ["A-12-1", "A-12-2", "A-12-1", "A-12-2", "A-12-3", "A-12-1"]
    assert rights["right_id"].is_unique
    assert rights[["share", "book", "page"]].iloc[0].tolist() == ["1/3", "4", "31"]
    assert register.findings == []
    states, _ = space_states(a_plat()[0], register.events, rights, rules=RULES)
    of_lot = states[(a_plat()[0]["lot_id"] == "A-12").to_numpy()]
    assert of_lot["state"].tolist() == ["vacant", "right held", "right held", "vacant"]  # 1 was bought back
    assert "right 1950" in of_lot["state_why"].iloc[1]


def test_one_holder_and_five_relatives_buried_by_rule_is_no_finding():
    rows = [{"kind": "right", "holder": "Ada Penn", "date": "1901", "place": place} for place in ("A-11", "A-12-1")]
    rows += [{"kind": "burial", "name": f"{name} Penn", "date": f"19{year}-05-04", "place": place}
             for name, year, place in (("Bo", "10", "A-11-1"), ("Cy", "20", "A-11-2"), ("Di", "30", "A-11-3"),
                                       ("Ed", "40", "A-11-4"), ("Flo", "50", "A-12-1"))]  # fmt: skip
    register = read(rows)
    _, findings = space_states(a_plat()[0], register.events, register.rights, rules=RULES)
    assert register.findings == []
    assert findings == []


def halves(place, turn=0.0):
    spaces, lots, niches = a_plat()
    spaces = spaces[spaces["lot_id"] == "A-12"].reset_index(drop=True)
    boxes = [shapely.box(0, 4 * number, 12, 4 * number + 4) for number in range(4)]  # space 1 lies in the south
    shapes = gpd.GeoDataFrame(spaces, geometry=[shapely.affinity.rotate(box, turn, origin=(0, 0)) for box in boxes])
    rows = [{"kind": "right", "holder": "Ada Penn", "place": place}]
    register = read(rows, spaces=spaces, lots=lots, niches=niches, shapes=shapes)
    return register.rights


def test_a_half_of_a_lot_is_the_spaces_that_lie_there():
    assert halves("A 12 N 1/2")["space_id"].tolist() == ["A-12-3", "A-12-4"]
    assert halves("A 12 S 1/2")["space_id"].tolist() == ["A-12-1", "A-12-2"]
    assert halves("A 12, north half", turn=20)["space_id"].tolist() == ["A-12-3", "A-12-4"]
    across = halves("A 12 E 1/2")  # the line would cut through every space
    assert across["space_id"].tolist() == ["A-12-1", "A-12-2", "A-12-3", "A-12-4"]
    assert set(across["resolved_by"]) == {"the whole lot: which spaces are its east half is open"}
    assert set(across["part"]) == {"east 1/2"}


def test_a_burial_that_names_several_spaces_stays_open():
    register = read([{"kind": "burial", "place": "A lot 12 gr. 3 & 4"}])
    assert register.events["space_id"].isna().all()
    assert register.events["lot_id"].tolist() == ["A-12"]
    assert "spaces 3, 4 named" in register.findings[0].reason


def test_a_niche_is_no_list_of_graves():
    register = read([{"kind": "urn placed", "section": "N", "lot": "east", "space": "1-3"}])
    assert register.events["space_id"].tolist() == ["N-east-1-3"]


def test_scattered_ashes_have_no_space_and_are_no_finding():
    register = read([{"kind": "scattering", "place": "A-12-3", "name": "Ada Penn"},
                     {"kind": "burial", "place": "ashes scattered in A", "name": "Bo Penn"}])  # fmt: skip
    assert register.events["space_id"].isna().all()
    assert register.findings == []


def test_kin_as_recorded_memories_and_stones():
    rows = [
        {"kind": "burial", "place": "A-12-1", "name": "Mary, wife of John Penn", "father": "Amos Vale"},
        {"kind": "memory", "place": "A-12", "name": "Old Penn", "note": "lies under the oak", "told_by": "B. Vale",
         "date": "1999"},
        {"kind": "stone", "place": "A-12-1", "name": "Mary Penn", "died": "1871", "inscription": "MARY 1871",
         "date": "2020-05-01"},
    ]  # fmt: skip
    register = read(rows)
    assert register.kin[["relation", "other_name", "by"]].to_numpy().tolist() == [
        ["wife of", "John Penn", "as recorded"],
        ["child of", "Amos Vale", "as recorded"],
    ]
    memory = register.memories.iloc[0]
    assert (memory["text"], memory["told_by"], memory["told_on"], memory["lot_id"]) == (
        "lies under the oak",
        "B. Vale",
        "1999",
        "A-12",
    )
    stone = register.inscriptions.iloc[0]
    assert (stone["text"], stone["died"], stone["seen"], stone["space_id"]) == (
        "MARY 1871",
        "1871",
        "2020-05-01",
        "A-12-1",
    )
    assert len(register.people) == 1
    for name in TABLES:
        schema.check(getattr(register, name), LAYERS[name])


def test_the_crosswalk_is_read_or_refused_with_every_problem():
    good = pd.DataFrame({"line": [2], "old": ["A 9"], "new": ["A 12"], "until": ["May 1924"]})
    walk = read_crosswalk(good, source="old.csv")
    rows = [{"kind": "burial", "place": "A 9 gr 2", "date": "1901"}]
    assert read(rows, crosswalk=walk).events["space_id"].tolist() == ["A-12-2"]
    bad = pd.DataFrame({"line": [2, 3], "old": ["", "A 9"], "new": ["A 12", "A 12"], "until": ["1924", "once"]})
    with pytest.raises(InputError) as caught:
        read_crosswalk(bad, source="old.csv")
    assert len(caught.value.problems) == 2
    with pytest.raises(InputError, match="no column until"):
        read_crosswalk(good[["old", "new"]], source="old.csv")


CELLS = st.one_of(
    st.sampled_from(["", "A-12-3", "Lot 12, gr. 3 & 4", "B 7 N 1/2", "3/4/1888", "abt 1887", "Unknown",
     "infant of", "12-", "1-3",
                     "aged 3 y", "'", "=1+1", "{{7*7}}", "\x00", "\u202e", "½", "scattered", "N east 1-3",
                     "graves 1-999"]),
    st.text(max_size=25),
)  # fmt: skip
ROW = st.fixed_dictionaries(
    {"kind": st.sampled_from(["burial", "deed", "stone", "memory", "scattering", "?", ""])}
    | dict.fromkeys(("name", "place", "section", "lot", "space", "date", "died", "age", "holder", "number"), CELLS)
)


@settings(max_examples=15, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=5))
def test_whatever_a_list_holds_every_row_is_kept_as_it_stood(rows):
    register = read(rows)
    known = {
        "burial": "events",
        "scattering": "events",
        "deed": "rights",
        "stone": "inscriptions",
        "memory": "memories",
    }
    for name, layer in (
        ("events", "events"),
        ("rights", "rights"),
        ("inscriptions", "inscriptions"),
        ("memories", "memories"),
    ):
        kept = [json.loads(text) for text in dict.fromkeys(getattr(register, layer)["as_written"])]
        wanted = [row for row in rows if known.get(row["kind"]) == name]
        assert all(row in kept for row in wanted)
        schema.check(getattr(register, layer), LAYERS[layer])
    strange = [row for row in rows if row["kind"] not in known and any(value.strip() for value in row.values())]
    assert bool(strange) == any(item.kind == "rows not understood" for item in register.findings)


@pytest.mark.parametrize("space", ["1-3", "7-9"])
def test_graves_listed_together_have_rights_of_their_own(space):
    spaces = pd.DataFrame({"space_id": ["A-12-1", "A-12-2"], "section": "A", "lot_id": "A-12", "space": ["1", "2"]})
    lots = pd.DataFrame({"lot_id": ["A-12"], "section": ["A"], "row": [None], "lot": ["12"]})
    table = pd.DataFrame({"line": [3], "kind": ["deed"], "lot": ["A-12-3"], "space": [space], "name": ["Ada Penn"]})
    rights = read_register(table, source="ledger.csv", spaces=spaces, lots=lots).rights
    assert rights["right_id"].is_unique


def test_a_day_no_calendar_has_is_a_finding_of_its_own():
    read = taken(("Ada Penn", "1931-02-30"), ("Bo Lark", "3/4/1931"), ("Cy Wren", "05/13/1950"))
    (finding,) = [item for item in read.findings if "day" in item.kind]
    assert finding.kind == "no such day"
    assert "'1931-02-30'" in finding.reason
    assert "line 2" in finding.reason
    assert read.events["date"].fillna("").tolist() == ["", "1931-03-04", "1950-05-13"]
    assert read.events["date_written"].iloc[0] == "1931-02-30"


def taken(*rows):
    table = pd.DataFrame([{"line": str(line), "kind": "interment", "name": name, "date": day,
                           "place": f"A-1-{line - 1}"} for line, (name, day) in enumerate(rows, 2)])  # fmt: skip
    spaces = pd.DataFrame({"space_id": [f"A-1-{k}" for k in range(1, 5)], "section": "A", "lot_id": "A-1",
                           "space": [str(k) for k in range(1, 5)]})  # fmt: skip
    return read_register(table, source="ledger.csv", spaces=spaces)


def test_a_section_may_be_written_as_it_is_called():
    titles = {"A": "Mill end", "B": "Elm walk", "C": "Elm walk", "D": "Section B"}

    def placed(place):
        space, register = resolve(place, titles=titles)
        assert register.events["place"].iloc[0] == place
        return space, register.events["resolved_by"].iloc[0]

    for place in ("Mill end lot 11 gr 2", "MILL END, 11-2", "the Mill  End - lot 11, grave 2"):
        assert placed(place) == ("A-11-2", "as written; the section by what it is called"), place
    assert placed("A lot 11 gr 2") == ("A-11-2", "as written")
    assert placed("Section B row 1 lot 7 gr 2") == ("B-1-7-2", "as written")  # a section's own name goes first
    for place in ("Elm walk row 1 lot 7 gr 2", "Mill ends lot 11 gr 2"):  # two are called so; none is
        assert placed(place)[0] is None, place
