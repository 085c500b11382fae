"""Descriptions in TOML that are far too large, nested without end, or no text: refused in bounded memory."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from cemgis.description import load_description
from cemgis.errors import InputError
from cemgis.files.descriptions import read_description
from cemgis.opening import parse_order
from cemgis.units import FOOT

MEASURE = """
import resource, sys
from pathlib import Path
from cemgis.errors import InputError
from cemgis.files.descriptions import read_description
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    read_description(Path(sys.argv[1]), "ground.toml")
except InputError as error:
    print(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def test_a_description_of_a_hundred_megabytes_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "ground.toml"
    path.write_bytes(
        b"# a line that says nothing, a million times over, and then again, and again, and again, and\n" * 1_100_000
    )
    done = subprocess.run([sys.executable, "-c", MEASURE, str(path)], capture_output=True, text=True, check=True)
    said, grown = done.stdout.splitlines()
    assert "bytes long, more than any description" in said
    assert int(grown) < 10_000 * (1 if sys.platform != "darwin" else 1024)  # kB; reading it takes ten times as much
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 1 << 30


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "not TOML: "),
        ("a = " + "{b = " * 3000 + "1" + "}" * 3000, "not TOML: "),
        ("a = " + "9" * 5000, "not TOML: "),
        ("a = 1\na = 2", "last line: not TOML: Cannot overwrite a value"),
        ("x" * 4_000_001, "4,000,001 characters long, more than 4,000,000"),
    ],
)
def test_what_is_no_description_is_refused_whatever_it_describes(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        load_description(text, "ground.toml")
    with pytest.raises(InputError, match=said):
        parse_order(text, FOOT)


def test_files_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "order.toml"
    with pytest.raises(InputError, match="it cannot be read"):
        read_description(path, "order.toml")
    path.write_bytes(b'a = "b"\nc = "\xff"\n')
    with pytest.raises(InputError, match=r"order\.toml line 2: its text is not UTF-8"):
        read_description(path, "order.toml")


@pytest.mark.parametrize(("key", "said"), [("date", "2026-02-30"), ("time", "25:00")])
def test_days_and_times_that_do_not_exist(key: str, said: str) -> None:
    with pytest.raises(InputError, match=f"is no {key}"):
        parse_order(f'space = "A-1-1"\n{key} = "{said}"', FOOT)
