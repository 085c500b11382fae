"""Whatever a log of records, a description or an order holds is read or refused with words; nothing vanishes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from refusing import tried

from cemgis import edits
from cemgis.errors import InputError
from cemgis.files import records as record_files
from cemgis.ground import parse_ground
from cemgis.opening import parse_order
from cemgis.units import FOOT

QUIET = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=20)
)
WITHOUT_NUL = st.characters(exclude_characters="\0", exclude_categories=["Cs"])  # a NUL is refused: see test_records
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
)
KINDS = ("edit", "add", "move", "remove", "withdraw", "opening", "foundation", "accept", "reject", "moved", "anything")


def lines(content: bytes) -> int:
    return sum(1 for line in content.removeprefix(b"\xef\xbb\xbf").split(b"\n") if line.strip())


@QUIET
@given(
    kind=st.sampled_from(KINDS),
    more=st.dictionaries(st.text(WITHOUT_NUL, max_size=8), VALUES, max_size=5),
    cut=st.integers(1, 60),
)
def test_every_kind_of_record_comes_back_as_it_was_written(kind, more, cut, tmp_path: Path) -> None:
    log = tmp_path / "edits.jsonl"
    log.unlink(missing_ok=True)
    assume("\\u0000" not in json.dumps(more))
    said = {**more, "kind": kind, "who": "E. Tarn", "why": "seen", "when": "2025-06-01T12:00:00Z"}
    made = record_files.append(tmp_path, "edits", [said])
    content = log.read_bytes()
    assert record_files.parse(content, "edits.jsonl").records == made
    torn = record_files.parse(content[:-1] + content[:-cut], "edits.jsonl")  # a second one that a crash cut off
    assert [one["id"] for one in torn.records] in ([made[0]["id"]], [])
    assert len(torn.records) + len(torn.findings) == 1


JSON_LINES = st.lists(VALUES, max_size=5).map(lambda some: "\n".join(map(json.dumps, some)).encode())


@QUIET
@given(st.binary(max_size=300) | JSON_LINES)
def test_no_bytes_break_a_log_and_every_line_is_told(content: bytes) -> None:
    found = tried(lambda: record_files.parse(content, "edits.jsonl"))
    if found is None:  # a line of a newer form
        assert b"schema_version" in content
        return
    assert len(found.records) + len(found.findings) == lines(content)
    edits.standing(found.records)


GROUND = """schema_version = 1
name = "Hill"
crs = "EPSG:6549"
[[plat]]
name = "p"
date = "1889"
[[section]]
name = "A"
plat = "p"
markers = "southwest"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
rows = 2
lots = 4
frontage = "16 ft"
depth = "12 ft"
spaces = 4
facing = "east"
from = "left"
"""
LITERAL = st.one_of(
    st.integers().map(str), st.floats().map(repr), st.text(max_size=12).map(json.dumps),
    st.sampled_from(["true", "false"]),
    st.sampled_from(['"-1 ft"', '"1e300 ft"', "[]", "{}", "[[]]", '["1 ft"]', "1979-05-27", "07:32:00",
                     "9" * 20]),
)  # fmt: skip


@QUIET
@given(at=st.integers(0, 30), literal=LITERAL, extra=st.text(max_size=6))
def test_no_value_breaks_a_description(at: int, literal: str, extra: str, tmp_path: Path) -> None:
    rows = GROUND.splitlines()
    at %= len(rows)
    rows[at] = f"{rows[at].partition('=')[0]}= {literal}" if "=" in rows[at] else rows[at] + extra
    made = tried(lambda: parse_ground("\n".join(rows), tmp_path))
    assert made is None or len(made.sections) == 1


@QUIET
@given(
    key=st.sampled_from(["space", "date", "time", "frost", "water", "infant", "levels", "soil", "x"]), literal=LITERAL
)
def test_no_value_breaks_an_order(key: str, literal: str) -> None:
    found = tried(lambda: parse_order(f"{key} = {literal}", FOOT))
    if found is not None:
        assert key == "space"
        assert found.space == json.loads(literal).strip()


def test_these_can_fail() -> None:
    parse_ground(GROUND, Path())
    with pytest.raises(InputError):
        parse_ground(GROUND.replace('"16 ft"', "16"), Path())
