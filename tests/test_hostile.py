"""One hostile string in every field of every input, four commands; `scripts/hostile.py` tries many, and all of them."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "hostile.py"


def script():
    spec = importlib.util.spec_from_file_location("hostile", SCRIPT)
    module = sys.modules["hostile"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no wait4")
def test_nothing_runs_nothing_escapes_and_memory_is_bounded():
    done = subprocess.run(
        [sys.executable, SCRIPT, "--quick", "--tell"], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr[-3000:]
    row = [cell.strip() for cell in done.stdout.splitlines()[-1].split("|")[1:-1]]
    _, taken, refused, rows, commands, files, megabytes, _, wrong = row
    assert int(taken) > 100
    assert int(refused) > 300
    assert int(rows) > 80
    assert commands == "4, 0", done.stderr
    assert int(files) >= 40
    assert int(megabytes.replace(",", "")) < 1500
    assert wrong == "0"


def test_what_it_looks_for_is_seen(tmp_path):
    hostile = script()
    markup = hostile.STRINGS["markup"]
    for content, ending, what in (
        (f"<html><body><p>{markup}</p>", "html", "<img onerror=...>"),
        (f'<html><a title="{markup}">x</a>', "html", "<svg onload=...>"),
        (f"<script>var a = '{hostile.TOKEN}'</script>", "html", "a script that holds"),
        (f'<a href="{hostile.STRINGS["address"]}">x</a>', "html", "<a href=javascript"),
        ('<iframe src="x"></iframe>', "html", "<iframe>"),
        ("name\n=1+1\n", "csv", "a cell begins '=1+1'"),
        ("name\n＝1+1\n", "csv", "a cell begins"),
        (f"seven is {hostile.WORKED_OUT}", "txt", "somebody worked"),
    ):
        path = tmp_path / f"a.{ending}"
        path.write_text(content, encoding="utf-8")
        assert any(one.startswith(what) for one in hostile.look_at(path)), (content, hostile.look_at(path))
    for content, ending in (
        ('<script type="application/json">{"a": "hx7q"}</script><p>&lt;img onerror=hx7q()&gt;</p>', "html"),
        ("name,x\n'=1+1,-2.5\n", "csv"),
    ):
        path = tmp_path / f"b.{ending}"
        path.write_text(content, encoding="utf-8")
        assert hostile.look_at(path) == []
