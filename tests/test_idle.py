"""Records of every kind with something wrong in them: told and kept, never a traceback, never silently idle."""

from __future__ import annotations

import contextlib
import json
import shutil

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cemgis import cli, invent
from cemgis.errors import InputError
from cemgis.files.records import parse
from cemgis.pipeline import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.idle import idle_records
from cemgis.pipeline.opening_records import dug_from_records
from cemgis.pipeline.withdrawing import list_records, say_record

SAID = {"who": "E. Tarn", "why": "seen", "when": "2025-06-02T12:00:00Z"}
SQUARE = "POLYGON ((2023900 449334,2023903 449334,2023903 449338,2023900 449334))"
OPENING = {"kind": "opening", "opening_id": "A-2-1/1", "space_id": "A-2-1", "lot_id": "A-2", "section": "A",
           "state": "closed", "date": "2025-06-01", "shape": SQUARE, "sigma": 0.1, "person": "Bo Fenn",
           "container_kind": "vault", "stones": ["x moved"], "off_plan": 0.4, "top_depth": 1.5,
           "plan": [[2023900.0, 449334.0], [2023903.0, 449334.0], [2023903.0, 449338.0]]}  # fmt: skip
EVERY = (
    {"kind": "edit", "layer": "spaces", "key": "A-1-1", "values": {"heads": "east", "heads_reason": "x"}, "was": {}},
    {"kind": "move", "layer": "corners", "key": "1870:0.00,0.00", "shape": "POINT (2023900 449334)"},
    {"kind": "add", "layer": "obstacles", "key": "t1", "values": {"kind": "tree"}, "shape": SQUARE},
    {"kind": "remove", "layer": "obstacles", "key": "t1", "was": {}},
    {"kind": "withdraw", "replaces": ["1a39897702cfa4a8"]},
    {"kind": "refused edit", "layer": "lots", "key": "A-3", "column": "label", "was": "x", "now": "y"},
    {"kind": "accept", "layer": "markers", "key": "A-1", "explanation": "label misread", "corner_id": "1870:0.00,0.00"},
    {"kind": "reject", "layer": "markers", "key": "A-1", "explanation": "label misread"},
    OPENING,
    {"kind": "burial event", "event": "move", "space_id": "A-1-3", "lot_id": "A-1", "section": "A",
     "date": "2025-06-01", "to": "A-1-4", "person": "Ada Fenn"},
    {"kind": "foundation", "foundation_id": "F A-1-2/1", "space_id": "A-1-2", "spaces": ["A-1-2"], "state": "set",
     "date": "2025-06-01", "shape": SQUARE, "sigma": 0.1},
)  # fmt: skip
ODD = st.sampled_from(
    (None, 0, -1, 1e308, True, "", "x", "a\0b", "0000-00-00", "9999-12-31", "2025-06-31", [], [1], ["x"], {},
     {"x": 1}, "POINT EMPTY", "POINT (nan nan)", "POLYGON ((0 0,1 1,0 1,1 0,0 0))", "A-99", "1e400", 10**400,
     "GEOMETRYCOLLECTION EMPTY", "\u202e<b>", "9999-12-31T23:59:59-14:00")
)  # fmt: skip


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    folder = tmp_path_factory.mktemp("idle")
    made = invent.ground(8, found=1.0, bad=0.0, sections=1, lots=3, pattern="rows with walks", crs="EPSG:6549")
    for name, data in made.files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / "records").mkdir()
    return folder


def told(folder, *records):
    (folder / "records" / "all.jsonl").write_text("".join(json.dumps({**SAID, **one}) + "\n" for one in records))
    return compute(folder).findings_table


@given(data=st.data())
@settings(max_examples=5, deadline=None, suppress_health_check=list(HealthCheck))
def test_a_record_of_any_kind_with_anything_in_it_is_taken_or_told(ground, data):
    records = []
    for one in data.draw(st.lists(st.sampled_from(EVERY), min_size=4, max_size=11, unique_by=lambda one: one["kind"])):
        name = data.draw(st.sampled_from(sorted(one)))
        records.append({**one, name: data.draw(ODD)})
    with contextlib.suppress(InputError):
        told(ground, *records)
    assert all(say_record(record) for record in list_records(ground))


def test_each_kind_as_it_should_be_is_of_use():
    assert [item.reason for item in idle_records({"id": f"{n}", **one} for n, one in enumerate(EVERY))] == [
        "it replaces record 1a39897702cfa4a8, which is not there; nobody says who wrote it"
    ]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"kind": "edti"}, "there is no kind of record 'edti', so it changes nothing; E. Tarn wrote it, about A-1-1"),
        ({"layer": "people"}, "nothing of the layer 'people' is settled by hand, so it changes nothing; E. Tarn"),
        ({"values": {}}, "it gives no values, so it changes nothing; E. Tarn wrote it, about A-1-1"),
        ({"replaces": ["77"]}, "it replaces record 77, which is not there; E. Tarn wrote it"),
    ],
)
def test_a_record_that_changes_nothing_is_told(change, said):
    (item,) = idle_records([{**SAID, **EVERY[0], **change, "id": "3f"}])
    assert item.reason.startswith(said)
    assert (item.kind, item.subject) == ("record not usable", "record 3f")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"values": [1]}, "its values is no mapping: [1]"),
        ({"layer": ["spaces"]}, "its layer is no text: ['spaces']"),
        ({"replaces": 5}, "its replaces is no list: 5"),
        ({"replaces": [5]}, "a list of it holds what is no text: 5"),
        ({"when": "9999-12-31T23:59:59-14:00"}, "its kind or its time is not said"),
    ],
)
def test_a_record_of_another_shape_is_told_with_its_line(change, said):
    found = parse(b"\n" + json.dumps({**SAID, **EVERY[0], **change}).encode(), "edits.jsonl")
    assert found.records == []
    assert [(item.subject, item.reason) for item in found.findings] == [("edits.jsonl line 2", said)]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"off_plan": "far"}, "its off_plan is no number: far"),
        ({"top_depth": 1e308}, "its top_depth is no number: 1e+308"),
        ({"plan": [[1.0, "x"]]}, "its plan is no list of numbers: [[1.0, 'x']]"),
        ({"size": 5}, "its size is no list of numbers: 5"),
    ],
)
def test_an_opening_whose_numbers_are_none_is_told(ground, change, said):
    dug = dug_from_records(read_ground(ground), [{**SAID, **OPENING, **change}])
    assert [(item.kind, item.reason) for item in dug.findings] == [("record not usable", said)]
    assert dug.openings.empty


def test_the_register_of_a_ground_without_lists_says_so(ground, tmp_path, capsys):
    folder = tmp_path / "ground"
    shutil.copytree(ground, folder)
    shutil.rmtree(folder / "records")
    idle = {**SAID, **EVERY[0], "kind": "edti"}
    (folder / "records").mkdir()
    (folder / "records" / "edits.jsonl").write_text(json.dumps(idle) + "\n")
    assert cli.main(["build", str(folder), "--no-maps", "--quiet"]) == 0
    assert "there is no kind of record 'edti', so it changes nothing" in capsys.readouterr().out
    assert cli.main(["register", str(folder)]) == 0
    assert "Nothing changed against ground.gpkg" in capsys.readouterr().out
