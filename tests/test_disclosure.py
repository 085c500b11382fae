"""What may become public: only published columns, only of the dead, only where nothing speaks against it."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from cemgis import disclosure, schema
from cemgis.disclosure import disclose, public_text, read_wishes
from cemgis.errors import InputError
from cemgis.ground import parse_ground
from cemgis.layers import LAYERS

GROUND = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889"
"""
ROWS = (
    '[[section.rows]]\nat = ["0 ft", "0 ft"]\nrun = "north"\nstep = "west"\n'
    'lots = 2\nfrontage = "16 ft"\ndepth = "12 ft"'
)
SECTIONS = {
    "A": "",
    "G": 'public = "generalise"\npublic_reason = "the Tarn family asked, 2019"',
    "O": 'public = "omit"\npublic_reason = "the board, 2020"',
    "P": 'protected = "unmarked burials"',
}
LEFT = {"A": 2_000_000.0, "G": 2_000_100.0, "O": 2_000_200.0, "P": 2_000_300.0}
DAY = "2025-06-01"


def ground(more="", sections=SECTIONS):
    text = more + "\n".join(f'[[section]]\nname = "{name}"\n{said}\n{ROWS}\n' for name, said in sections.items())
    return parse_ground(GROUND.replace("[[plat]]", "[[plat]]", 1) + text, Path())


def _text(layer, column, row):
    return f"canary-{layer}-{column}-{row}"


def planted(layer, rows):
    """Fill a layer, an own string in every text that is not given."""
    declared = LAYERS[layer]
    table = pd.DataFrame(rows)
    for column in declared.columns:
        if column.name not in table and column.type == "text" and not column.published:
            table[column.name] = [_text(layer, column.name, row) for row in range(len(table))]
        if column.name not in table and column.type == "date" and not column.published:
            table[column.name] = "1777-07-07"
    return schema.restore(table, declared, "EPSG:6549")


def box(section, at, size=4.0):
    return shapely.box(LEFT[section] + at, 400_000.0, LEFT[section] + at + size, 400_012.0)


def tables(people=(), events=(), **more):
    places = [(section, lot) for section in LEFT for lot in ("1", "2")]
    spaces = [(section, lot, space) for section, lot in places for space in ("1", "2")]
    made = {
        "sections": planted("sections", {
            "section": list(LEFT), "title": [f"Title {name}" for name in LEFT],
            "geometry": [shapely.MultiPolygon([box(name, 0.0, 40.0)]) for name in LEFT]}),
        "lots": planted("lots", {
            "lot_id": [f"{section}-{lot}" for section, lot in places], "section": [section for section, _ in places],
            "lot": [lot for _, lot in places],
            "geometry": [box(section, 16.0 * int(lot), 16.0) for section, lot in places]}),
        "spaces": planted("spaces", {
            "space_id": ["-".join(item) for item in spaces], "section": [item[0] for item in spaces],
            "lot_id": ["-".join(item[:2]) for item in spaces], "space": [item[2] for item in spaces], "kind": "full",
            "state": "vacant", "heads": "west",
            "geometry": [box(item[0], 16.0 * int(item[1]) + 4.0 * int(item[2])) for item in spaces]}),
        "niches": planted("niches", {
            "space_id": ["A-N-1-1", "O-N-1-1"], "section": ["A", "O"], "building": "N", "face": "east", "row": 1,
            "column": 1}),
        "people": planted("people", {
            "person_id": pd.array([], dtype="string")} if not people else [
                {"relation": None, "relative": None, "born": None, "died": None, **row} for row in people]),
        "events": planted("events", {"event_id": pd.array([], dtype="string")} if not events else [
            {"event_id": f"canary-event-{number}", "kind": "interment", "date": None,
             "lot_id": str(row["space_id"]).rpartition("-")[0] or None, **row} for number, row in enumerate(events)]),
    }  # fmt: skip
    return made | more


def one(person, event, day=DAY, more="", **further):
    """Disclose a ground with one person buried in A-1-1, unless it says otherwise."""
    people = [{"person_id": "canary-id", "given": "Ada", "surname": "Penn", **person}]
    events = [{"person_id": "canary-id", "space_id": "A-1-1", **event}] if isinstance(event, dict) else list(event)
    return disclose(tables(people, events, **further), ground(more), day)


def everything(public):
    """All that a public ground says, as one text."""
    parts = []
    for item in fields(public):
        value = getattr(public, item.name)
        if isinstance(value, pd.DataFrame):
            parts.append(value.to_csv())
            parts += list(value.columns)
        else:
            parts.append(str(value))
    return "\n".join(parts)


# ---- who -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("person", "event", "shown"),
    [
        ({}, {"date": "1871"}, True),  # a ledger row of a burial, nothing of a death
        ({"died": "1950"}, {}, True),
        ({"born": "1948"}, {}, False),  # a name entered ahead
        ({"born": "1948", "died": "19XX"}, {}, False),  # as on a stone carved ahead
        ({"born": "1948", "died": "20XX"}, {"date": "20XX"}, False),
        ({"born": "1914"}, {}, True),  # 111 years ago
        ({"born": "1915"}, {}, False),  # 110: not over 110
        ({"born": "1912~"}, {}, False),  # about 1912 may be 1917
        ({"born": "1900", "died": "2031"}, {}, False),  # a record that cannot be right
        ({"born": "1950", "died": "2031"}, {"date": "2031-02-01"}, False),  # still to come
        ({}, {}, False),  # undated, nothing known
        ({}, {"date": "2025-05-20"}, False),  # 12 days
        ({}, {"date": "2025-05-02"}, False),  # 30 days
        ({}, {"date": "2025-05-01"}, True),  # 31 days
        ({}, {"date": "2025"}, False),  # may be within the days
        ({"died": "2025-05-20"}, {}, False),
        ({"born": "1880", "died": "1931"}, {"date": "2025-05-20"}, False),  # an urn kept for long, placed now
    ],
)
def test_who_is_public(person, event, shown):
    public = one(person, event)
    assert len(public.graves) == shown
    assert ("Penn" in everything(public)) == shown
    assert public.withheld["rows"].sum() >= (not shown)


def test_the_rule_of_days_and_years_can_be_set():
    person, event = {"born": "1912"}, {"date": "2025-05-20"}
    rules = '[rules]\n"public.burial_days" = { value = 5, source = "board" }\n'
    assert len(one(person, event, more=rules).graves) == 1
    rules = '[rules]\n"people.oldest" = { value = 120, source = "board" }\n'
    assert len(one({"born": "1912"}, {}, more=rules).graves) == 0


def test_a_removal_ends_it_and_a_later_burial_stands():
    buried = {"person_id": "canary-id", "space_id": "A-1-1", "date": "1900-05-01"}
    out = {"person_id": "canary-id", "space_id": "A-1-1", "kind": "disinterment", "date": "1920"}
    there = {"person_id": "canary-id", "space_id": "A-2-1", "date": "1920"}
    assert one({}, [buried, out]).graves.empty
    assert one({}, [buried, out, there]).graves["space_id"].tolist() == ["A-2-1"]
    again = {**buried, "date": "1921"}
    assert one({}, [buried, out, again]).graves["buried"].tolist() == ["1921"]
    # a removal without a date, or from a place nobody recorded, may be any
    assert one({}, [buried, {**out, "date": None}]).graves.empty
    assert one({}, [buried, {**out, "space_id": "A-2-2"}]).graves.empty
    # a move does not say whether here or from here
    assert one({}, [buried, {**out, "kind": "move", "space_id": "A-2-2"}]).graves.empty


def test_only_who_has_a_place_on_the_map_is_there():
    assert one({}, {"date": "1900", "space_id": None, "lot_id": "A-1"}).graves["lot_id"].tolist() == ["A-1"]
    assert one({}, {"date": "1900", "space_id": None}).graves.empty
    assert one({}, {"date": "1900", "space_id": "Z-1-1"}).graves.empty
    assert one({}, {"date": "1900", "space_id": "A-N-1-1"}).graves["section"].tolist() == ["A"]


# ---- names -----------------------------------------------------------------------------------------------------------


def test_a_name_is_put_together_from_its_parts():
    public = one(
        {"name": "Mrs. Ada 'Dot' Penn drowned", "title": "Mrs.", "maiden": "Vosk", "suffix": "III", "also": "Dot"},
        {"date": "1871"},
    )
    assert public.graves["name"].tolist() == ["Mrs. Ada Penn III (born Vosk)"]
    assert "drowned" not in everything(public)


@pytest.mark.parametrize(("year", "shown"), [("1914", True), ("1915", False), ("2019", False)])
def test_a_relative_in_a_name_may_be_living(year, shown):
    person = {"given": None, "surname": None, "relation": "infant of", "relative": "Silas Wyburn"}
    public = one(person, {"date": year})
    assert public.graves["name"].tolist() == ["Infant of Silas Wyburn" if shown else "Infant"]
    assert ("Wyburn" in everything(public)) == shown


def test_veterans_are_told():
    assert one({"veteran": True}, {"date": "1871"}).graves["veteran"].tolist() == [True]
    assert one({}, {"date": "1871"}).graves["veteran"].tolist() == [False]


@pytest.mark.parametrize(
    "wish",
    ['person = "canary-id"', 'person = "canary-id"\nname = "Penn"',
     'name = "PENN, Ada"', 'name = "penn"', 'place = "A-1-1"', 'place = "A-1"',
     'name = "Ada Penn"\nplace = "A-1"'],
)  # fmt: skip
def test_a_name_is_withheld_on_request(wish):
    more = f'[[withhold]]\n{wish}\nreason = "canary-reason"\n'
    public = one({}, {"date": "1871"}, more=more)
    assert public.graves.empty
    assert "Penn" not in everything(public)
    assert "canary" not in everything(public)
    assert public.withheld.to_numpy().tolist()[-1] == ["people", "withheld on request", 1]
    assert len(one({}, {"date": "1871"}).graves) == 1


def test_a_wish_that_fits_nobody_is_refused():
    for wish in (
        'name = "Ada Pen"',
        'name = "Ada Penn"\nplace = "A-2"',
        'person = "x:no. 1"',
        'person = "canary-id"\nname = "Bo"',
        'place = "Q-9"',
    ):
        with pytest.raises(InputError, match="nobody buried here fits"):
            one({}, {"date": "1871"}, more=f'[[withhold]]\n{wish}\nreason = "asked"\n')


def test_a_withheld_name_does_not_stand_in_anothers_either():
    people = [
        {"person_id": "1", "given": "Silas", "surname": "Wyburn"},
        {"person_id": "2", "given": None, "surname": None, "relation": "infant of", "relative": "Silas Wyburn"},
        {"person_id": "3", "given": "silas", "surname": "WYBURN"},
    ]
    events = [{"person_id": str(number), "space_id": f"A-1-{1 + number % 2}", "date": "1901"} for number in (1, 2, 3)]
    for wish in ('name = "Silas Wyburn"', 'person = "1"'):
        public = disclose(tables(people, events), ground(f'[[withhold]]\n{wish}\nreason = "asked"\n'), DAY)
        assert public.graves["name"].tolist() == ["Infant"]  # the third row is the same name in the same lot


def test_a_wish_must_say_whom_and_why():
    for wish in ('reason = "x"', 'name = "Ada"', 'person = "a"\nplace = "b"\nreason = "x"', 'nam = "a"\nreason = "x"'):
        with pytest.raises(InputError):
            ground(f"[[withhold]]\n{wish}\n")


# ---- where -----------------------------------------------------------------------------------------------------------


def test_sections_are_omitted_and_generalised():
    people = [{"person_id": name, "given": f"Given{name}", "surname": "Penn"} for name in LEFT]
    events = [{"person_id": name, "space_id": f"{name}-1-1", "date": "1900"} for name in LEFT]
    public = disclose(tables(people, events), ground(), DAY)
    assert public.sections["section"].tolist() == ["A", "G"]
    assert public.lots["section"].unique().tolist() == ["A"]
    assert public.spaces["section"].unique().tolist() == ["A"]
    assert public.niches["section"].unique().tolist() == ["A"]
    assert public.graves[["given", "section"]].to_numpy().tolist() == [["GivenA", "A"], ["GivenG", "G"]]
    assert public.graves["lot_id"].isna().tolist() == [False, True]
    assert public.graves["space_id"].isna().tolist() == [False, True]
    text = everything(public)
    for hidden in ("GivenO", "GivenP", "Title O", "Title P", "G-1", "O-1", "P-1", "Tarn", "board", "unmarked"):
        assert hidden not in text
    assert str(int(LEFT["O"])) not in text
    assert str(int(LEFT["P"])) not in text


def test_a_protected_section_is_shown_when_it_says_so_with_a_reason():
    shown = ground(sections={**SECTIONS, "P": SECTIONS["P"] + '\npublic = "all"\npublic_reason = "descendants, 2024"'})
    assert "P" in disclose(tables(), shown, DAY).sections["section"].tolist()
    for said in ('public = "omit"', 'protected = "x"\npublic = "all"', 'public = "hidden"\npublic_reason = "x"'):
        with pytest.raises(InputError):
            ground(sections={"A": said})


def test_a_section_nobody_described_is_not_shown():
    public = disclose(tables(), ground(sections={"A": ""}), DAY)
    assert public.sections["section"].tolist() == ["A"]
    for name in ("lots", "spaces", "niches"):
        assert getattr(public, name)["section"].unique().tolist() == ["A"]


def test_things_of_hidden_sections_and_theft_targets_are_not_shown():
    kinds = ["headstone", "flush stone", "other", None, "headstone", "headstone", "headstone"]
    stones = planted("monuments", {
        "monument_id": [f"canary-stone-{number}" for number in range(7)], "kind": kinds,
        "section": ["A"] * 4 + [None, None, "O"],
        "geometry": [box("A", 2.0 * number, 1.0) for number in range(4)]
        + [box("O", 5.0, 1.0), box("G", 39.5, 1.0), box("A", 20.0, 1.0)]})  # fmt: skip
    things = planted("obstacles", {
        "obstacle_id": ["canary-1", "canary-2", "canary-3", "canary-4"],
        "kind": ["Tree", "bronze urn", "fence", "tree"],
        "geometry": [*(box("A", 2.0 * number, 1.0) for number in range(3)), box("P", 5.0, 1.0)]})  # fmt: skip
    public = disclose(tables(monuments=stones, obstacles=things), ground(), DAY)
    assert public.monuments[["monument_id", "kind"]].to_numpy().tolist() == [["1", "headstone"]]
    assert public.obstacles[["obstacle_id", "kind"]].to_numpy().tolist() == [["1", "Tree"]]
    assert "canary" not in everything(public)
    told = public.withheld[public.withheld["what"].isin(["stones", "landmarks"])]
    assert told["rows"].tolist() == [3, 3, 2, 1]


# ---- by construction -------------------------------------------------------------------------------------------------


def whole():
    people = [
        {"person_id": f"canary-{number}", "given": f"Given{number}", "surname": "Penn", "born": "1840", "died": "1871"}
        for number in range(4)
    ]
    events = [
        {"person_id": f"canary-{number}", "space_id": f"A-{1 + number % 2}-1", "date": "1871"} for number in range(4)
    ]
    made = tables(people, events)
    point = shapely.Point(LEFT["A"], 399_000.0)
    for name, layer in LAYERS.items():
        if name in made or name in ("monuments", "obstacles", "drives", "gates"):
            continue
        keys = {column.name: [_text(name, column.name, 0)] for column in layer.columns if column.type == "text"}
        shape = {None: None, "Point": point, "Polygon": box("A", 30.0), "LineString": shapely.LineString(
            [point, (LEFT["A"] + 1, 4e5)])}[layer.geometry]  # fmt: skip
        made[name] = schema.restore(pd.DataFrame(keys).assign(geometry=[shape]), layer, "EPSG:6549")
    for name, kind in (("monuments", "headstone"), ("obstacles", "tree"), ("drives", None), ("gates", None)):
        layer = LAYERS[name]
        rows = {layer.key: ["canary-key"], "geometry": [point if name == "gates" else box("A", 8.0)]}
        if kind:
            rows["kind"] = [kind]
        if name == "monuments":
            rows["section"] = ["A"]
        made[name] = planted(name, rows)
    return made


def test_no_unpublished_column_and_no_unpublished_layer_gets_out():
    made = whole()
    n = sum(
        made[name][column.name].astype(object).astype(str).str.contains("canary|1777", regex=True).any()
        for name, layer in LAYERS.items()
        for column in layer.columns
    )
    assert n > 150  # planted all over
    public = disclose(made, ground(), DAY)
    assert len(public.graves) == 4
    assert len(public.monuments) == len(public.obstacles) == len(public.drives) == len(public.gates) == 1
    text = everything(public)
    assert "canary" not in text
    assert "1777" not in text
    for name in ("state", "occupied", "vacant"):
        assert name not in text
    for name in disclosure._SHOWN_LAYERS:
        layer = LAYERS[name]
        allowed = {column.name for column in layer.columns if column.published} | {"geometry"}
        assert set(getattr(public, name).columns) <= allowed


def test_an_unpublished_column_cannot_be_asked_for():
    people = whole()["people"]
    with pytest.raises(PermissionError, match=r"people\.note is not published"):
        disclosure._columns(people, LAYERS["people"], ["note"])
    with pytest.raises(PermissionError, match="vaults is not published"):
        disclosure._open(whole()["vaults"], [True], "vaults")


def test_nothing_is_there_without_tables_and_the_order_tells_nothing():
    public = disclose({}, ground(), DAY)
    assert public.graves.empty
    assert public.withheld.empty
    made = whole()
    one_way, other = disclose(made, ground(), DAY), disclose(
        {**made, "people": made["people"].iloc[::-1], "events": made["events"].iloc[::-1]}, ground(), DAY
    )  # fmt: skip
    pd.testing.assert_frame_equal(one_way.graves, other.graves)
    assert one_way.graves["grave"].tolist() == [1, 2, 3, 4]


def test_nothing_given_is_changed():
    made = whole()
    before = {name: table.copy() for name, table in made.items()}
    disclose(made, ground(), DAY)
    for name, table in before.items():
        pd.testing.assert_frame_equal(pd.DataFrame(made[name]), pd.DataFrame(table))


# ---- hostile strings -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["{{7*7}}", "${7*7}", "<script>alert(1)</script>", "=cmd|' /C calc'!A0", "\u202egnp.exe", "a\x00b\x1bc\x85",
             "x" * 1_000_000, "\u2066\u2067", "שלום", "李小龙"],
)  # fmt: skip
def test_hostile_names_pass_as_text_without_control_signs(text):
    public = one({"given": text, "surname": text}, {"date": "1871"})
    shown = public.graves["name"].iloc[0]
    assert len(shown) <= 160
    assert not any(ord(sign) < 32 or 0x7F <= ord(sign) < 0xA0 or 0x202A <= ord(sign) <= 0x202E
                   or 0x2066 <= ord(sign) <= 0x2069 or 0xD800 <= ord(sign) <= 0xDFFF for sign in shown)  # fmt: skip
    shown.encode("utf-8")


def test_text_is_kept_as_it_is_otherwise():
    for text in ("O’Hara–Smith", "de la Cruz", "Ōkubo 大久保", "{{7*7}}"):
        assert public_text(text) == text
    assert public_text("\ud800 half") == "\ufffd half"


def test_names_of_the_ground_are_cleaned_too():
    public = disclose({}, replace(ground(), name="Hill\u202e", place="a\x07b"), DAY)
    assert (public.name, public.place) == ("Hill", "a b")


def test_twenty_thousand_people_take_no_time():
    import time

    n = 20_000
    people = pd.DataFrame({"person_id": np.arange(n).astype(str), "given": "Ada", "surname": "Penn", "died": "1900"})
    events = pd.DataFrame({"event_id": np.arange(n).astype(str), "person_id": np.arange(n).astype(str),
                           "kind": "interment", "date": "1900", "space_id": "A-1-1", "lot_id": "A-1"})  # fmt: skip
    made = tables() | {
        "people": schema.restore(people, LAYERS["people"]),
        "events": schema.restore(events, LAYERS["events"]),
    }
    start = time.perf_counter()
    assert len(disclose(made, ground(), DAY).graves) == n
    assert time.perf_counter() - start < 5.0


def test_geometry_is_in_the_grounds_crs():
    public = disclose(whole(), ground(), DAY)
    for name in ("sections", "lots", "spaces", "monuments", "drives", "obstacles", "gates"):
        table = getattr(public, name)
        assert isinstance(table, gpd.GeoDataFrame)
        assert table.crs == ground().crs.crs


def test_a_list_of_wishes_is_read_whole_or_not_at_all():
    table = pd.DataFrame({"line": [2, 3, 4], "Name": ["Ada Penn", "", " "], "SPACE": ["A-1-2", "B-3", ""],
                          "until": ["", "2030", ""], "reason": ["a niece, 2024", "the family", ""]})  # fmt: skip
    one, two = read_wishes(table, "wishes.csv")
    assert (one.name, one.place, one.until, one.reason) == ("Ada Penn", "A-1-2", None, "a niece, 2024")
    assert (two.name, two.place, two.until, two.where) == (None, "B-3", "2030-12-31", "wishes.csv line 3")
    bad = pd.DataFrame({"line": [2, 3, 4, 5, 6], "name": ["Ada Penn", "Bo", "", "Cy", ""], "surname": "Q",
                        "person": ["", "x:2", "", "", "x:7"], "place": ["", "A-1", "", "", ""],
                        "until": ["soon", "", "1999", "", ""], "reason": ["r", "r", "r", "", "r"]})  # fmt: skip
    with pytest.raises(InputError) as refused:
        read_wishes(bad, "wishes.csv")
    for words in ("column 'surname' is not understood", "until 'soon' is no day", "it names nobody",
                  "no reason is given", "a person's id is given beside a place",
                  "is a line of a list, and rows put in before it would make it another person"):  # fmt: skip
        assert words in str(refused.value), words
