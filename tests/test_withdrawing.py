"""Records that are taken back."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from cemgis import cli, edits, pipeline
from cemgis.errors import InputError
from cemgis.files import records as record_files

SAID = {"who": "E. Tarn", "why": "seen", "crs": "NAD83(2011) / Ohio North (ftUS)"}


@pytest.fixture(scope="module")
def ground(small_ground: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(shutil.copytree(small_ground, tmp_path_factory.mktemp("withdrawn") / "ground"))
    record_files.append(
        folder / "records", "edits",
        [{"kind": "edit", "layer": "spaces", "key": "A-1-1", "values": {"note": note}, "was": {},
          "when": f"2025-06-01T12:00:0{at}Z", **SAID} for at, note in enumerate(("first", "second"))],
    )  # fmt: skip
    return folder


def test_a_withdrawn_record_no_longer_counts_and_its_withdrawal_can_be_withdrawn(ground: Path, capsys) -> None:
    first, second = pipeline.list_records(ground)
    before = (ground / "records" / "edits.jsonl").read_bytes()
    assert cli.main(["withdraw", str(ground), second["id"][:6], "--who", "A. Roe", "--why", "wrong stone"]) == 0
    assert f"Withdrawn: {second['id']}" in capsys.readouterr().out
    assert (ground / "records" / "edits.jsonl").read_bytes().startswith(before)  # the log is only added to
    left = pipeline.list_records(ground)
    assert [one["id"] for one in left][:1] == [first["id"]]
    assert [one["kind"] for one in left] == ["edit", "withdraw"]
    assert cli.main(["withdraw", str(ground)]) == 0
    listed = capsys.readouterr().out
    assert second["id"] not in listed.splitlines()[0]
    assert "edit spaces A-1-1, by E. Tarn, because seen" in listed
    with pytest.raises(InputError, match="it does not count any more since"):
        pipeline.withdraw(ground, second["id"], who="A. Roe", why="again")
    pipeline.withdraw(ground, left[-1]["id"], who="A. Roe", why="it was right")
    assert {first["id"], second["id"]} <= {one["id"] for one in pipeline.list_records(ground)}


def test_taking_back_what_was_settled_anew_since_says_so(ground: Path, capsys) -> None:
    first, second = pipeline.list_records(ground)[:2]
    assert cli.main(["withdraw", str(ground), first["id"], "--who", "A. Roe", "--why", "the other lot"]) == 0
    said = f"What it said was settled since, and still: note by record {second['id']}."
    assert said in capsys.readouterr().out
    made = pipeline.withdraw(ground, second["id"], who="A. Roe", why="the other lot")
    assert "note" not in made
    for _ in range(2):  # both count again
        last = pipeline.list_records(ground)[-1]
        pipeline.withdraw(ground, last["id"], who="A. Roe", why="it was right")


def test_records_that_cannot_be_withdrawn(ground: Path, tmp_path: Path, capsys) -> None:
    with pytest.raises(InputError, match="there is no such record"):
        pipeline.withdraw(ground, "0000", who="A. Roe", why="x")
    with pytest.raises(InputError, match="there is no such record"):
        pipeline.withdraw(ground, "", who="A. Roe", why="x")  # nothing begins every id
    some = pipeline.list_records(ground)[0]["id"]
    assert cli.main(["withdraw", str(ground), some]) == 2
    said = capsys.readouterr().err
    assert "who is not said" in said
    assert "why is not said" in said
    with pytest.raises(InputError, match="no such folder"):
        pipeline.list_records(tmp_path / "none")


def test_ids_that_begin_alike(tmp_path: Path, small_ground: Path) -> None:
    folder = Path(shutil.copytree(small_ground, tmp_path / "ground"))
    # 16 hexadecimal digits: among 600 records some two begin with the same four
    made = record_files.append(
        folder / "records", "edits",
        [{"kind": "edit", "layer": "spaces", "key": f"A-{at}", "when": "2025-06-01T12:00:00Z", **SAID}
         for at in range(600)],
    )  # fmt: skip
    starts = [one["id"][:4] for one in made]
    double = next(start for start in starts if starts.count(start) > 1)
    with pytest.raises(InputError, match="records begin so"):
        pipeline.withdraw(folder, double, who="A. Roe", why="x")


def test_a_withdrawal_counts_in_what_is_carried() -> None:
    log = [{"id": "a", "kind": "edit"}, {"id": "b", "kind": "withdraw", "replaces": ["a"]}]
    assert [one["id"] for one in edits.standing(log)] == ["b"]
