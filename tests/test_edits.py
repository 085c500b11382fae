"""What people change becomes records, and records are carried into layers: later ones over earlier, nothing erased."""

from __future__ import annotations

import itertools
import json
import re
from datetime import UTC, datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis import edits, schema
from cemgis.errors import InputError
from cemgis.layers import LAYERS

WHEN = datetime(2025, 6, 1, 8, 30, tzinfo=UTC)
SAID: dict[str, Any] = {"who": "E. Tarn", "when": WHEN, "why": "seen on the ground", "crs": "EPSG:6549"}
MONUMENTS = LAYERS["monuments"]
CORNERS = LAYERS["corners"]


def monuments(n: int = 3) -> gpd.GeoDataFrame:
    east = 2_000_000.0 + 10.0 * np.arange(n)
    return schema.restore(
        gpd.GeoDataFrame(
            {
                "monument_id": [f"M{number}" for number in range(n)],
                "kind": "headstone",
                "height": 2.5,
                "note": None,
            },
            geometry=shapely.box(east, 700_000.0, east + 2.0, 700_001.0),
            crs="EPSG:6549",
        ),
        MONUMENTS,
    )


def corners(n: int = 3) -> gpd.GeoDataFrame:
    names = [f"1889:{number}.00,0.00" for number in range(n)]
    return schema.restore(
        gpd.GeoDataFrame(
            {"corner_id": names, "plat": "1889", "plat_x": 0.0, "plat_y": 0.0, "state": "fitted"},
            geometry=shapely.points(2_000_000.1 + np.arange(n), 700_000.7),
            crs="EPSG:6549",
        ),
        CORNERS,
    )


def change(table: gpd.GeoDataFrame, key: str, **values: object) -> gpd.GeoDataFrame:
    """Return the table with one row changed."""
    found = table.copy()
    layer = MONUMENTS if "monument_id" in table else CORNERS
    row = found.index[found[layer.key].eq(key)][0]
    for name, value in values.items():
        if name == "geometry":
            shapes = np.array(found.geometry, dtype=object)
            shapes[row] = value
            found = found.set_geometry(gpd.GeoSeries(shapes, crs=table.crs))
        else:
            found.loc[row, name] = value
    return found


def through_json(made: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return json.loads(json.dumps(made, allow_nan=False))


def same(one: pd.DataFrame, two: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(two))


# ---- differences ----------------------------------------------------------------------------------------------------


def test_no_change_is_no_difference() -> None:
    found = edits.diff(monuments(), monuments().iloc[::-1], MONUMENTS)
    assert not found
    assert edits.records(found, **SAID) == []


def test_values_rows_and_shapes_are_told_apart() -> None:
    was = monuments(4)
    now = change(was, "M1", kind="footstone", height=None)
    now = change(now, "M2", geometry=shapely.affinity.translate(was.geometry[2], 3.0, 4.0))
    now = now[now["monument_id"] != "M0"]
    new = schema.restore(
        gpd.GeoDataFrame({"monument_id": ["M9"], "note": ["new"]}, geometry=[was.geometry[0]], crs=was.crs), MONUMENTS
    )
    found = edits.diff(was, pd.concat([now, new], ignore_index=True), MONUMENTS)
    assert (found.added, found.removed, found.problems) == (("M9",), ("M0",), ())
    rows = {(row.key, row.column): (row.was, row.now) for row in found.edited.itertuples() if row.column != "geometry"}
    assert rows == {("M1", "kind"): ("headstone", "footstone"), ("M1", "height"): (2.5, None)}
    moved = found.edited[found.edited["column"] == "geometry"]
    # 3-4-5
    assert moved["key"].tolist() == ["M2"]
    assert moved["moved"].tolist() == pytest.approx([5.0], rel=0, abs=1e-9)
    assert [item["kind"] for item in edits.records(found, **SAID)] == ["edit", "move", "add", "remove"]


def test_what_a_program_does_on_its_own_is_no_change() -> None:
    was = monuments()
    ring = np.asarray(was.geometry[1].exterior.coords)[:-1]
    turned = shapely.Polygon(np.roll(ring[::-1], 2, axis=0) + 1e-8)
    now = change(change(was, "M1", geometry=turned), "M2", note="")
    assert not edits.diff(was, now, MONUMENTS)
    real = change(was, "M1", geometry=shapely.Polygon(ring + np.array([0.001, 0.0])))
    assert edits.diff(was, real, MONUMENTS).edited["key"].tolist() == ["M1"]


def test_a_value_not_allowed_cannot_become_a_record() -> None:
    found = edits.diff(monuments(), change(monuments(), "M1", kind="obelisk", height=-1.0), MONUMENTS)
    with pytest.raises(InputError) as caught:
        edits.records(found, **SAID)
    assert [problem.where for problem in caught.value.problems] == ["monuments.kind [M1]", "monuments.height [M1]"]


def test_rows_without_a_key_are_few_and_the_rest_counted() -> None:
    was = monuments(30)
    found = edits.diff(was, was.assign(monument_id=pd.array([""] * 30, dtype="string")), MONUMENTS)
    assert len(found.problems) == 21
    assert found.problems[-1].what == "10 more rows without monument_id"


def test_lines_are_few_and_count_the_rest() -> None:
    was = monuments(60)
    now = was.assign(note=pd.array(["mossy"] * 60, dtype="string"))
    said = edits.diff(was, now, MONUMENTS).lines(most=10)
    assert len(said) == 11
    assert said[0] == "monuments.note [M0]: missing is now 'mossy'"
    assert said[-1].startswith("monuments: and 50 more")


# ---- what may be kept -----------------------------------------------------------------------------------------------


def test_layers_made_from_evidence_only_are_refused() -> None:
    people = LAYERS["people"]
    was = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fenn"]}), people)
    now = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fern"]}), people)
    with pytest.raises(InputError, match=r"built from evidence only\. Enter it in a list of the register"):
        edits.records(edits.diff(was, now, people), **SAID)


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("register/ledger.csv, line 12", r"Correct it in register/ledger\.csv, line 12"),
        ("records, opening B-1-2/1", r"entered through the tool \(records, opening B-1-2/1\): take the record back"),
        (None, "Enter it in a list of the register"),
    ],
)
def test_a_refused_change_says_where_it_belongs(source, said) -> None:
    people = LAYERS["people"]
    was = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fenn"], "source": [source]}), people)
    for now in (was.assign(name=pd.array(["Ada Fern"], dtype="string")), was.iloc[:0]):
        kept, (one,) = edits.sift(edits.diff(was, now, people))
        assert not kept
        assert re.search(said, one.remedy)
        assert one.problem.where.endswith("[a]")
    markers = LAYERS["markers"]
    found = schema.restore(pd.DataFrame({"marker_id": ["m"], "label": ["B-1"], "geometry": [None]}), markers)
    _, (one,) = edits.sift(edits.diff(found, found.assign(label=pd.array(["B-2"], dtype="string")), markers))
    assert "cemgis judge" in one.remedy


def test_spaces_are_settled_by_their_corners() -> None:
    layer = LAYERS["spaces"]
    rows = pd.DataFrame({"space_id": ["A-1-1"], "section": ["A"], "lot_id": ["A-1"], "space": ["1"], "kind": ["full"],
                         "state": ["vacant"], "geometry": [shapely.box(0, 0, 1, 2)]})  # fmt: skip
    was = schema.restore(rows, layer)
    now = was.set_geometry(gpd.GeoSeries([shapely.box(0, 0, 1, 3)], crs=was.crs))
    _, (one,) = edits.sift(edits.diff(was, now, layer))
    assert str(one.problem) == "spaces [A-1-1]: moved by 1.000, but its shape hangs on corners. Move its corners."
    _, (one,) = edits.sift(edits.diff(was, was.iloc[:0], layer))
    assert str(one.problem) == "spaces [A-1-1]: removed, but its rows follow from the plat. Change the plat."


def test_good_changes_are_parted_from_those_a_problem_spoils() -> None:
    was = monuments(4)
    now = change(change(change(was, "M1", kind="statuette"), "M1", note="mossy"), "M2", note="mossy")
    now = pd.concat([now, now[now["monument_id"] == "M3"].assign(note="twice")], ignore_index=True)
    kept, refused = edits.sift(edits.diff(was, now, MONUMENTS))
    assert kept.edited[["key", "column"]].to_numpy().tolist() == [["M2", "note"]]
    assert len(edits.records(kept, **SAID)) == 1
    said = sorted(str(item.problem) for item in refused)
    assert len(said) == 3
    assert said[0].startswith("monuments [M3]: there 2 times")
    assert said[1].startswith("monuments.kind [M1]: 'headstone' is now 'statuette', but")
    assert "is none of its values" in said[1]
    assert said[2].startswith("monuments.note [M1]: missing is now 'mossy', but its row cannot be used: monuments.kind")
    # nothing of it is lost: a record keeps each, and knows it again
    made = through_json([item.record(**{**SAID, "when": "2025-06-01T12:00:00Z"}) for item in refused])
    assert all(edits.is_set_aside(item, edits.set_aside(made)) for item in refused)
    assert [edits.refused_of(item) for item in made] == refused
    _, more = edits.sift(edits.diff(was, change(now.iloc[:4], "M1", kind="statue of Ada"), MONUMENTS))
    assert [item.column for item in more if not edits.is_set_aside(item, made)] == ["kind"]


def test_rows_of_the_plat_and_computed_values_are_refused_all_at_once() -> None:
    was = corners(3)
    now = change(change(was, "1889:1.00,0.00", plat_x=5.0), "1889:2.00,0.00", state="disturbed")
    now = now[now["corner_id"] != "1889:0.00,0.00"]
    with pytest.raises(InputError) as caught:
        edits.records(edits.diff(was, now, CORNERS), **SAID)
    assert [problem.where for problem in caught.value.problems] == [
        "corners [1889:0.00,0.00]",
        "corners.plat_x [1889:1.00,0.00]",
    ]


def test_the_columns_that_may_be_settled_exist() -> None:
    for name, columns in edits.BY_PLAT.items():
        assert LAYERS[name].evidence_edit
        assert set(columns) <= set(LAYERS[name].names)


def test_a_record_must_say_who_and_why_and_when() -> None:
    found = edits.diff(monuments(), change(monuments(), "M1", note="x"), MONUMENTS)
    with pytest.raises(InputError) as caught:
        edits.records(found, **{**SAID, "who": " ", "why": ""})
    assert len(caught.value.problems) == 2
    assert "not said. Every record says who made it, when and why." in str(caught.value)
    with pytest.raises(InputError, match="no time zone"):
        edits.records(found, **{**SAID, "when": datetime(2025, 6, 1)})


# ---- carried --------------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    notes=st.lists(st.sampled_from([None, "mossy", "Zoë “Lund”"]), min_size=4, max_size=4),
    heights=st.lists(st.sampled_from([None, 0.0, 1 / 3, 2.5]), min_size=4, max_size=4),
    shifts=st.lists(st.sampled_from([0.0, 0.1, 1 / 3]), min_size=4, max_size=4),
    gone=st.sets(st.integers(0, 3), max_size=3),
    fresh=st.integers(0, 2),
)
def test_records_of_a_difference_turn_the_one_table_into_the_other(
    notes: list[str | None], heights: list[float | None], shifts: list[float], gone: set[int], fresh: int
) -> None:
    was = monuments(4)
    now = was.assign(
        note=pd.array(notes, dtype="string"), height=pd.array([pd.NA if h is None else h for h in heights], "Float64")
    ).set_geometry(gpd.GeoSeries([shapely.affinity.translate(s, d) for s, d in zip(was.geometry, shifts, strict=True)],
                                 crs=was.crs))  # fmt: skip
    now = now[~now.index.isin(gone)]
    more = monuments(4 + fresh).iloc[4:].assign(note="added")
    now = pd.concat([now, schema.restore(more, MONUMENTS)], ignore_index=True)

    found = edits.diff(was, now, MONUMENTS)
    made = through_json(edits.records(found, **SAID))
    carried = edits.apply(was, MONUMENTS, made, crs="EPSG:6549")
    same(carried.drop(columns="geometry").reset_index(drop=True), now.drop(columns="geometry"))
    assert shapely.equals_identical(np.asarray(carried.geometry), np.asarray(now.geometry)).all()
    assert carried.crs == was.crs
    assert not edits.diff(carried, now, MONUMENTS)
    assert not edits.remaining(found, made)
    same(was, monuments(4))


def test_later_records_supersede_and_a_withdrawn_one_gives_way() -> None:
    def note(text: str, number: int) -> dict[str, Any]:
        return {"kind": "edit", "layer": "monuments", "key": "M1", "values": {"note": text}, "id": f"{number}"}

    given_records = [note("first", 1), note("second", 2)]
    assert edits.apply(monuments(), MONUMENTS, given_records)["note"][1] == "second"
    back = {**edits.withdraw(["2"], who="E. Tarn", when=WHEN, why="wrong stone"), "id": "3"}
    assert edits.apply(monuments(), MONUMENTS, [*given_records, back])["note"][1] == "first"
    again = {**edits.withdraw(["3"], who="E. Tarn", when=WHEN, why="right after all"), "id": "4"}
    assert edits.apply(monuments(), MONUMENTS, [*given_records, back, again])["note"][1] == "second"
    assert edits.latest([*given_records, back], "monuments", "note").to_dict() == {"M1": "first"}


def test_a_removed_row_can_be_added_again() -> None:
    was = monuments()
    gone = edits.records(edits.diff(was, was.iloc[1:], MONUMENTS), **SAID)
    back = edits.records(edits.diff(was.iloc[1:], was, MONUMENTS), **SAID)
    assert edits.apply(was, MONUMENTS, gone)["monument_id"].tolist() == ["M1", "M2"]
    again = edits.apply(was, MONUMENTS, [*gone, *back])
    assert sorted(again["monument_id"]) == ["M0", "M1", "M2"]
    assert edits.apply(was, MONUMENTS, [*gone, *back, *gone])["monument_id"].tolist() == ["M1", "M2"]
    assert gone[0]["was"]["kind"] == "headstone"  # what was removed stays in the log, whole
    assert gone[0]["was_shape"].startswith("POLYGON")


def test_an_old_record_does_not_hide_a_new_change() -> None:
    was, now = monuments(), change(monuments(), "M1", note="mossy")
    there = edits.records(edits.diff(was, now, MONUMENTS), **SAID)
    back = edits.records(edits.diff(now, was, MONUMENTS), **SAID)
    third = edits.diff(was, now, MONUMENTS)
    assert not edits.remaining(third, there)
    assert edits.remaining(third, [*there, *back]).edited["key"].tolist() == ["M1"]


def test_what_cannot_be_carried_is_refused_with_all_problems() -> None:
    wrong = [
        {"kind": "edit", "layer": "monuments", "key": "M1", "values": {"colour": "grey"}, "id": "a"},
        {"kind": "move", "layer": "monuments", "key": "M1", "shape": "BLOB (1 2)", "id": "b"},
        {"kind": "edit", "layer": "monuments", "key": "M2", "values": {"note": "x"}, "crs": "EPSG:6550", "id": "c"},
    ]
    with pytest.raises(InputError) as caught:
        edits.apply(monuments(), MONUMENTS, wrong, crs="EPSG:6549")
    assert [problem.where.split()[1] for problem in caught.value.problems] == ["a", "b", "c"]
    assert "there is no column colour to settle" in str(caught.value)
    assert "made in EPSG:6550, the ground is in EPSG:6549" in str(caught.value)
    typed = [{"kind": "edit", "layer": "monuments", "key": "M1", "values": {"height": "tall"}}]
    with pytest.raises(InputError, match=r"monuments\.height.*Withdraw the record or mend its value"):
        edits.apply(monuments(), MONUMENTS, typed)


def test_other_kinds_and_layers_pass_by() -> None:
    given_records = [
        {"kind": "opening", "layer": "monuments", "key": "M1", "values": {"note": "x"}},
        {"kind": "edit", "layer": "vaults", "key": "M1", "values": {"note": "x"}},
        {"kind": "edit", "layer": "monuments", "key": "gone", "values": {"note": "x"}},
    ]
    same(edits.apply(monuments(), MONUMENTS, given_records), monuments())


def test_doubts_name_rows_that_are_gone_and_evidence_that_changed() -> None:
    was = monuments()
    made = edits.records(edits.diff(was, change(was, "M1", kind="footstone"), MONUMENTS), **SAID)
    assert edits.doubts(was, MONUMENTS, made) == []
    assert edits.doubts(change(was, "M1", kind="footstone"), MONUMENTS, made) == []
    (one,) = edits.doubts(change(was, "M1", kind="flush stone"), MONUMENTS, made)
    assert "the evidence now says 'flush stone'" in one.why
    (two,) = edits.doubts(was[was["monument_id"] != "M1"], MONUMENTS, made)
    assert two.why == "there is no monument_id M1, so it changes nothing"


def test_a_moved_corner_keeps_its_place_to_the_bit_and_the_last_move_counts() -> None:
    was = corners()
    first = change(was, "1889:1.00,0.00", geometry=shapely.Point(2_000_001.1 + 1 / 3, 700_000.1))
    second = change(was, "1889:1.00,0.00", geometry=shapely.Point(2_000_001.1 + 2 / 3, 700_000.2))
    made = edits.records(edits.diff(was, first, CORNERS), **SAID)
    later = edits.records(edits.diff(first, second, CORNERS), **{**SAID, "who": "B. Lark"})
    found = edits.moved_corners(through_json([*made, *later]), crs="EPSG:6549")
    assert found.index.tolist() == ["1889:1.00,0.00"]
    assert found[["easting", "northing"]].iloc[0].tolist() == [2_000_001.1 + 2 / 3, 700_000.2]
    assert found["who"].tolist() == ["B. Lark"]
    assert found["when"].tolist() == ["2025-06-01T08:30:00Z"]
    # What it replaces is the corner as it was: 1/3 of a foot east of the plat's place and 0.6 ft south.
    assert made[0]["moved"] == pytest.approx(np.hypot(1 / 3, 0.6), rel=0, abs=5e-5)
    assert shapely.from_wkt(made[0]["was_shape"]).equals(was.geometry[1])


def test_moved_corners_refuse_another_system_and_no_point() -> None:
    good = {"kind": "move", "layer": "corners", "key": "a", "shape": "POINT (1 2)", "crs": "EPSG:6549"}
    assert len(edits.moved_corners([])) == 0
    with pytest.raises(InputError) as caught:
        edits.moved_corners(
            [{**good, "crs": "EPSG:6550"}, {**good, "shape": "POINT EMPTY"}, {**good, "shape": None}], crs="EPSG:6549"
        )
    assert len(caught.value.problems) == 3
    assert "made in EPSG:6550, the ground is in EPSG:6549" in str(caught.value)
    assert "'POINT EMPTY' is not a point. Withdraw the record." in str(caught.value)


def test_times_flags_and_whole_numbers_are_carried() -> None:
    layer = LAYERS["occupations"]
    table = schema.restore(
        gpd.GeoDataFrame(
            {"occupation_id": ["o1", "o2"], "label": "B-16", "file": "a.nmea", "n_used": [3, None]},
            geometry=shapely.points([2e6, 2e6], [7e5, 7e5]), crs="EPSG:6549",
        ), layer,
    )  # fmt: skip
    values = {"start": "2025-05-06T14:00:00.250Z", "used": False, "n_used": None}
    edit = {"kind": "edit", "layer": "occupations", "key": "o1", "values": values}
    found = edits.apply(table, layer, [edit])
    assert found["start"][0] == pd.Timestamp("2025-05-06T14:00:00.250Z")
    assert found["used"].tolist()[0] is False
    assert found["n_used"].isna().all()
    assert found.dtypes.equals(table.dtypes)


# ---- records about records ------------------------------------------------------------------------------------------


def standing_by_time(given: list) -> list:
    """Return what counts where every record is made after what it replaces: the last first, as one would by hand."""
    gone, kept = set(), []
    for record in reversed(given):
        if record["id"] not in gone:
            kept.append(record["id"])
            gone.update(record.get("replaces", ()))
    return kept[::-1]


def test_what_counts_does_not_hang_on_the_clocks_of_two_machines() -> None:
    random = np.random.default_rng(5)
    for _ in range(300):
        count = int(random.integers(1, 12))
        log = [
            {"id": f"r{at}", "replaces": [f"r{other}" for other in range(at) if random.random() < 0.25]}
            for at in range(count)
        ]
        expected = standing_by_time(log)
        mixed = [log[row] for row in random.permutation(count)]
        assert sorted(item["id"] for item in edits.standing(mixed)) == sorted(expected)
        assert [item["id"] for item in edits.standing(log)] == expected
    # a circle cannot be made by ids that prove what a line says; it does not hang here all the same
    circle = [{"id": "a", "replaces": ["b"]}, {"id": "b", "replaces": ["a"]}, {"kind": "edit"}, {"kind": "edit"}]
    assert len(edits.standing(circle)) >= 2


def chain() -> list:
    """Three edits of one value, each of what the one before it said."""
    values = ("headstone", "footstone", "flush stone", "ledger stone")
    made = []
    for at, (was, now) in enumerate(itertools.pairwise(values), 1):
        edit = {"kind": "edit", "layer": "monuments", "key": "M1", "values": {"kind": now}, "was": {"kind": was}}
        made.append(edit | {"id": f"e{at}", "who": "E. Tarn", "when": f"2025-06-0{at}T12:00:00Z", "why": f"look {at}"})
    return made


@pytest.mark.parametrize(
    ("taken", "expected"),
    [((), "ledger stone"), ((1,), "ledger stone"), ((2,), "ledger stone"), ((3,), "flush stone"),
     ((2, 3), "footstone"), ((1, 2, 3), "headstone")],
)  # fmt: skip
def test_an_edit_taken_back_leaves_the_ones_before_and_after_it(taken, expected) -> None:
    was = change(monuments(), "M1", kind="headstone")
    log = [*chain(), *({"kind": "withdraw", "id": f"w{at}", "replaces": [f"e{at}"]} for at in taken)]
    now = edits.apply(was, MONUMENTS, log).set_index("monument_id")
    assert now.loc["M1", "kind"] == expected
    # what is left first was made when something else was known: a person looks again
    doubts = [item.record["id"] for item in edits.doubts(was, MONUMENTS, log)]
    assert doubts == {(1,): ["e2"], (1, 2): ["e3"]}.get(taken, [])
    told = edits.credit(edits.apply(was, MONUMENTS, log), MONUMENTS, log).set_index("monument_id").loc["M1", "source"]
    last = max({1, 2, 3} - set(taken), default=0)
    assert (f"look {last}" in str(told)) == bool(last)


def test_rows_say_who_settled_what_when_and_why() -> None:
    was = monuments()
    now = change(change(was, "M1", condition="leaning"), "M1", geometry=shapely.Point(5, 5).buffer(1))
    made = [item | {"id": f"r{at}"} for at, item in enumerate(edits.records(edits.diff(was, now, MONUMENTS), **SAID))]
    told = edits.credit(edits.apply(was, MONUMENTS, made), MONUMENTS, made).set_index("monument_id")["source"]
    said = f"{SAID['who']}, 2025-06-01: {SAID['why']}"
    source = was.set_index("monument_id")["source"]["M1"]
    start = "" if pd.isna(source) else f"{source}; "
    assert told["M1"] == f"{start}by hand: condition by {said} (record r0); its place by {said} (record r1)"
    assert told["M2"] is pd.NA or told["M2"] == was.set_index("monument_id")["source"]["M2"]
    # what is compared with a file as it was written is without it
    assert not edits.remaining(edits.diff(was, now, MONUMENTS), made)
    assert edits.doubts(was, MONUMENTS, made) == []


def test_a_state_settled_by_hand_says_whose_word_it_is() -> None:
    layer = LAYERS["spaces"]
    rows = pd.DataFrame({"space_id": ["A-1-1", "A-1-2", "A-1-3"], "state": ["vacant", "occupied", "vacant"],
                         "state_why": [None, "ledger row 9", None], "geometry": [None] * 3})  # fmt: skip
    was = schema.restore(rows, layer)
    more = {
        "layer": "spaces",
        "who": "E. Tarn",
        "when": "2025-06-01T12:00:00Z",
        "why": "the sexton knows",
        "kind": "edit",
    }
    made = [
        {"key": "A-1-1", "values": {"state": "occupied"}, **more},
        {"key": "A-1-2", "values": {"kind": "infant"}, **more},
        {"key": "A-1-3", "values": {"state": "occupied", "state_why": "a bench"}, **more},
    ]
    told = edits.credit(edits.apply(was, layer, made), layer, made)["state_why"].tolist()
    who = "E. Tarn, 2025-06-01: the sexton knows"
    assert told == [
        f"by hand: state by {who}", f"ledger row 9; by hand: kind by {who}",
        f"a bench; by hand: state, state_why by {who}",
    ]  # fmt: skip


def test_a_shape_moved_by_hand_is_looked_at_again_when_the_evidence_moves() -> None:
    was = monuments()
    made = edits.records(edits.diff(was, change(was, "M1", geometry=shapely.Point(5, 5).buffer(1)), MONUMENTS), **SAID)
    shape = was.set_index("monument_id").geometry["M1"]
    for far, count in ((0.001, 0), (0.5, 1)):
        new = change(was, "M1", geometry=shapely.transform(shape, lambda at, far=far: at + [far, 0.0]))
        found = edits.doubts(new, MONUMENTS, made)
        assert len(found) == count
    assert "the evidence has it 0.50 from where it was then" in found[0].why
    assert edits.doubts(change(was, "M1", geometry=shapely.Point(5, 5).buffer(1)), MONUMENTS, made) == []
