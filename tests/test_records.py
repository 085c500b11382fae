"""The log of what people enter: nothing is lost, nothing counts twice, half a line is known as such."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.files import records
from cemgis.files.lock import hold
from cemgis.files.records import SCHEMA_VERSION, append, parse, read


def record(number: int = 1, **more: object) -> dict[str, object]:
    return {
        "kind": "edit",
        "layer": "monuments",
        "key": f"M-{number}",
        "values": {"note": "Zoë\nLund   \u2028 'x' \"y\""},
        "who": "E. Tarn",
        "when": f"2025-06-01T12:00:{number:02d}Z",
        "why": "read again",
        **more,
    }


def test_what_is_appended_is_read(tmp_path: Path) -> None:
    folder = tmp_path / "records"
    made = append(folder, "edits", [record(1), record(2)]) + append(folder, "edits", [record(3)])
    found = read(folder)
    assert found.findings == []
    assert found.records == made
    assert [item["key"] for item in found.records] == ["M-1", "M-2", "M-3"]
    lines = (folder / "edits.jsonl").read_bytes().split(b"\n")
    assert lines[-1] == b""
    assert [json.loads(line)["schema_version"] for line in lines[:-1]] == [SCHEMA_VERSION] * 3
    assert sorted(item.name for item in folder.iterdir()) == ["edits.jsonl", "writer.lock"]


def test_appending_never_changes_what_is_there(tmp_path: Path) -> None:
    append(tmp_path, "edits", [record(1)])
    before = (tmp_path / "edits.jsonl").read_bytes()
    append(tmp_path, "edits", [record(2)])
    assert (tmp_path / "edits.jsonl").read_bytes().startswith(before)


@given(cut=st.integers(min_value=1, max_value=10_000))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_line_cut_anywhere_is_known_and_kept(tmp_path: Path, cut: int) -> None:
    folder = tmp_path / f"{cut}"
    if folder.exists():
        return
    first = append(folder, "edits", [record(1)])
    path = folder / "edits.jsonl"
    start = path.stat().st_size
    (second,) = append(folder, "edits", [record(2)])
    content = path.read_bytes()
    end = start + 1 + cut % (len(content) - start - 1)  # at least one byte of it, at most all but the line's end
    path.write_bytes(content[:end])

    whole = end == len(content) - 1
    found = read(folder)
    assert found.records == ([*first, second] if whole else first)
    assert len(found.findings) == (0 if whole else 1)

    third = append(folder, "edits", [record(3)])
    again = read(folder)
    assert again.records == ([*first, second, *third] if whole else [*first, *third])
    aside = folder / "edits.set-aside.txt"
    assert aside.exists() is not whole
    if not whole:
        assert aside.read_bytes() == content[start:end] + b"\n"
        assert [item.subject for item in again.findings] == ["edits.set-aside.txt"]


@pytest.mark.skipif(os.name == "nt", reason="POSIX only")
def test_a_killed_writer_loses_nothing_that_was_confirmed(tmp_path: Path) -> None:
    code = """
import os, signal, sys
from pathlib import Path
import test_records
from cemgis.files import records
folder = Path(sys.argv[1])
records.append(folder, "edits", [test_records.record(1)])
print("confirmed", flush=True)
real = os.fsync
def die(descriptor):
    os.ftruncate(descriptor, os.fstat(descriptor).st_size - 20)  # what a crash of the machine may leave
    os.kill(os.getpid(), signal.SIGKILL)
os.fsync = die
records.append(folder, "edits", [test_records.record(2)])
"""
    where = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], check=False, capture_output=True, text=True, env=where
    )
    assert done.stdout == "confirmed\n", done.stderr
    found = read(tmp_path)
    assert [item["key"] for item in found.records] == ["M-1"]
    assert [item.kind for item in found.findings] == ["record not usable"]
    append(tmp_path, "edits", [record(3)])
    assert [item["key"] for item in read(tmp_path).records] == ["M-1", "M-3"]


@pytest.mark.skipif(os.name == "nt", reason="POSIX only")
def test_a_full_disk_writes_none_of_the_lines(tmp_path: Path) -> None:
    append(tmp_path, "edits", [record(1)])
    before = (tmp_path / "edits.jsonl").read_bytes()
    code = """
import resource, sys
from pathlib import Path
import test_records
from cemgis.errors import InputError
from cemgis.files import records
size = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
try:
    records.append(Path(sys.argv[1]), "edits", [test_records.record(n) for n in range(2, 9)])
except InputError as error:
    print(error)
"""
    where = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    limit = str(len(before) + 700)  # room for two of the seven and a half
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), limit], check=True, capture_output=True, text=True, env=where
    )
    assert "Make room and run it again." in done.stdout, done.stderr
    assert (tmp_path / "edits.jsonl").read_bytes() == before


def test_every_problem_of_every_record_at_once_and_nothing_written(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        append(
            tmp_path,
            "edits",
            [record(1), record(2, who=" "), record(3, when="2025-06-01 12:00"), record(4, values={"a": float("nan")})],
        )
    assert [problem.where for problem in caught.value.problems] == [
        "record 2 (edit)",
        "record 3 (edit)",
        "record 4 (edit)",
    ]
    assert "'2025-06-01 12:00' is no time with its zone" in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_two_writers_do_not_mix(tmp_path: Path) -> None:
    with hold(tmp_path / "writer.lock"), pytest.raises(InputError, match="another program is writing here"):
        append(tmp_path, "edits", [record(1)], wait_s=0.1)
    assert read(tmp_path).records == []


def test_many_writers_in_turn_lose_nothing(tmp_path: Path) -> None:
    code = """
import sys
from pathlib import Path
import test_records
from cemgis.files import records
for number in range(10):
    records.append(Path(sys.argv[1]), "edits", [test_records.record(number, who=sys.argv[2])], wait_s=30)
"""
    where = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    others = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), who], env=where) for who in ("Ash", "Birch", "Elm")
    ]
    assert [other.wait() for other in others] == [0, 0, 0]
    found = read(tmp_path)
    assert found.findings == []
    assert sorted((item["who"], item["key"]) for item in found.records) == [
        (who, f"M-{number}") for who in ("Ash", "Birch", "Elm") for number in range(10)
    ]


def test_lines_that_are_no_records_are_each_named() -> None:
    good = json.dumps(record(1)).encode()
    altered = json.loads(records._lines([record(2)])[0])
    altered["why"] = "something else"
    content = b"\n".join(
        [
            b"\xef\xbb\xbf" + good,
            b"",
            b"hello",
            b"[1, 2]",
            json.dumps(altered).encode(),
            b'{"kind": "edit", "when": "yesterday"}',
            b"\xff\xfe",
            b'{"kind": "edit", "when": "2025-06-01T12:00:00Z", "x": NaN}',
            b'{"kind": "edit", "when": "2025-06-01T12:00:00Z", "schema_version": "one"}',
            b"[" * 100_000,
            b'{"kind": "edit", "when": "2025-06-01T12:00:00Z", "x": "\\ud800"}',
            b"",
        ]
    )
    found = parse(content, "edits.jsonl")
    assert [item["key"] for item in found.records] == ["M-1"]
    assert [item.subject for item in found.findings] == [f"edits.jsonl line {number}" for number in range(3, 12)]
    assert "altered after it was written" in found.findings[2].reason


def test_a_newer_form_is_refused_with_every_line_named(tmp_path: Path) -> None:
    newer = json.dumps(record(1, schema_version=SCHEMA_VERSION + 1)).encode()
    (tmp_path / "edits.jsonl").write_bytes(newer + b"\n" + newer + b"\n")
    with pytest.raises(InputError, match="newer version") as caught:
        read(tmp_path)
    assert len(caught.value.problems) == 2


def test_a_copy_made_by_a_synchronising_program_counts_once(tmp_path: Path) -> None:
    append(tmp_path, "edits", [record(1)])
    copy = tmp_path / "edits (copy of office-2).jsonl"
    copy.write_bytes((tmp_path / "edits.jsonl").read_bytes())
    append(tmp_path, "edits", [record(3)])
    append(tmp_path, copy.stem, [record(2)])
    assert [item["key"] for item in read(tmp_path).records] == ["M-1", "M-2", "M-3"]


def test_order_is_that_of_time_whatever_the_zone(tmp_path: Path) -> None:
    append(tmp_path, "b", [record(1, when="2025-06-01T09:00:00-04:00")])  # 13:00 UTC
    append(tmp_path, "a", [record(2, when="2025-06-01T13:30:00Z"), record(3, when="2025-06-01T12:00:00+00:00")])
    assert [item["key"] for item in read(tmp_path).records] == ["M-3", "M-1", "M-2"]


def test_no_folder_is_no_records_and_a_folder_for_a_log_is_told(tmp_path: Path) -> None:
    assert read(tmp_path / "none").records == []
    (tmp_path / "edits.jsonl").mkdir()
    with pytest.raises(InputError, match=r"edits\.jsonl"):
        read(tmp_path)
    with pytest.raises(InputError, match="plain name"):
        append(tmp_path, "../edits", [record(1)])


def test_a_nul_in_a_record_is_seen_and_the_record_still_counts(tmp_path: Path) -> None:
    with pytest.raises(
        InputError, match=r"record 1 \(edit\): it holds a NUL character, which cuts a text off\. Take it"
    ):
        append(tmp_path, "edits", [record(1, who="E.\0Tarn")])
    assert not (tmp_path / "edits.jsonl").exists()
    body = record(2, who="E.\0Tarn", values={"no\0te": ["a\0"], "plain": "\\u0000"})
    (tmp_path / "edits.jsonl").write_text(json.dumps(body) + "\n")
    found = read(tmp_path)
    (one,) = found.records
    assert (one["who"], one["values"]) == ("E.\\x00Tarn", {"no\\x00te": ["a\\x00"], "plain": "\\u0000"})
    assert one["id"] == records._id(body)
    (item,) = found.findings
    assert (item.kind, item.subject) == ("assumed of a file", "edits.jsonl line 1")
    assert item.reason == "it holds a NUL character, which reads as \\x00"
    assert one["id"] in item.todo


@pytest.mark.skipif(os.name == "nt", reason="POSIX only")
def test_a_pipe_in_place_of_a_log_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "edits.jsonl")
    with pytest.raises(InputError, match=r"it is no ordinary file\. Copy what it holds into a file\."):
        read(tmp_path)
    with pytest.raises(InputError, match=r"it is no ordinary file\. Move it away\."):
        append(tmp_path, "edits", [record(1)])


@pytest.mark.skipif(os.name == "nt", reason="POSIX only")
def test_a_log_whose_name_is_no_text_is_refused(tmp_path: Path) -> None:
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/e\xff.jsonl")).write_bytes(b"")
    with pytest.raises(InputError, match=r"its name is no UTF-8\. Give it a plain name\."):
        read(tmp_path)
