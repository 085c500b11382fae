"""Kills, full disks, locks and races, a few of each; `scripts/survive.py` does hundreds."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "survive.py"


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
