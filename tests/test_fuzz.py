"""Spoiled copies of real and invented files, for a bounded time; `scripts/fuzz.py` does the same for an hour."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "fuzz.py"
SECONDS = 45.0 if os.environ.get("CI") == "true" else 6.0


@pytest.mark.skipif(os.name == "nt", reason="it bounds memory and time as POSIX does")
def test_no_spoiled_file_breaks_a_reader_or_a_run() -> None:
    seed = os.environ.get("FUZZ_SEED", time.strftime("%Y-%j"))  # other cases every day, the same ones all day
    sys.stdout.write(f"seed {seed}: python scripts/fuzz.py {SECONDS:.0f} --seed {seed}\n")
    done = subprocess.run(
        [sys.executable, SCRIPT, f"{SECONDS}", "--seed", seed], capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, f"seed {seed}\n{done.stdout[-6000:]}\n{done.stderr[-4000:]}"
    (cases,) = re.findall(r"^(\d+) cases, 0 kinds of failure", done.stdout, re.MULTILINE)
    assert int(cases) > 5
    kinds = {line.split()[0] for line in done.stdout.splitlines() if re.match(r"\w[\w ]* +\d+ +\d+ +[\d.]+ s", line)}
    assert kinds
