"""Kills, full disks, locks and races, a few of each; `scripts/survive.py` does hundreds."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from cemgis import cli

SCRIPT = Path(__file__).parents[1] / "scripts" / "survive.py"


def test_every_command_is_killed_or_known_to_write_nothing() -> None:
    spec = importlib.util.spec_from_file_location("survive", SCRIPT)
    survive = sys.modules["survive"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(survive)
    (commands,) = (part.choices for part in cli.parser()._actions if part.dest == "command")
    killed = {command.name.split(",")[0].split()[0] for command in survive.COMMANDS} - {"append"}
    assert killed <= set(commands)
    assert set(commands) == killed | set(survive.READ_ONLY) | set(survive.LIKE)
    assert set(survive.LIKE.values()) <= killed


@pytest.mark.skipif(os.name == "nt", reason="it forks")
def test_nothing_is_lost_or_torn() -> None:
    done = subprocess.run([sys.executable, SCRIPT, "--quick"], capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in done.stdout.splitlines() if line[:1] == "|"][
        2:
    ]
    assert all(int(lost) == 0 for *_, lost in rows)
    kinds = {what.split(":")[0] for what, *_ in rows}
    assert {"SIGKILL", "folders read-only", "held", "at once"} <= kinds
    (kills,) = re.findall(r"(\d+) of them kills", done.stdout)
    assert int(kills) >= 10
