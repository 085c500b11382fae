"""Refusals in words, small and direct: descriptions, orders, lengths, statistics."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cemgis.adjust import noncentrality, tau_critical
from cemgis.errors import InputError
from cemgis.fit import fit_plat
from cemgis.ground import parse_ground
from cemgis.opening import parse_order
from cemgis.reference import parse_angle, suggest
from cemgis.units import FOOT, parse_length

HEAD = 'schema_version = 1\nname = "Hill"\ncrs = "EPSG:6549"\n'
PLAT = '[[plat]]\nname = "p"\ndate = "1889"\n'
SECTION = '[[section]]\nname = "A"\nplat = "p"\nmarkers = "southwest"\n'
ROWS = (
    '[[section.rows]]\nat = ["0 ft", "0 ft"]\nrun = "north"\nstep = "west"\nrows = 2\nlots = 4\nfrontage = "16 ft"\n'
    'depth = "12 ft"\nspaces = 4\nfacing = "east"\nfrom = "left"\n'
)
WHOLE = HEAD + PLAT + SECTION + ROWS


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "p"', 'name = "p:1"', "holds a colon"),
        ('name = "A"', f'name = "{"x" * 61}"', "is longer than 60 letters"),
        ("rows = 2", "rows = 200000", "rows are too many"),
        ("rows = 2", 'rows = 2\nrow_names = ["a", "a"]', "one name is there twice"),
        ("rows = 2", 'rows = 2\nbreaks = [{ after = 2, width = "5 ft" }, { after = 2, width = "6 ft" }]',
         "two walks after one place"),
        (PLAT + SECTION, PLAT + PLAT.replace('"p"', '"q"') + SECTION.replace('plat = "p"\n', ""),
         "Name the plat its lots are drawn on, and declare it with [[plat]]."),
        (ROWS, "", "Write [[section.rows]], lots = a file, or [[section.niches]]."),
        (ROWS, ROWS + '[[section.niches]]\nbuilding = "N"\nface = "east"\nrows = 100000\ncolumns = 100000\n',
         "niches are too many"),
        (ROWS, ROWS + '[[container]]\nname = "v"\nlength = "30 in"\nwidth = "80 in"\nheight = "20 in"\n',
         "wider than long"),
        ("rows = 2", "rows = 2\nskip = 3", "is not a list"),
    ],
)  # fmt: skip
def test_descriptions(old: str, new: str, said: str, tmp_path: Path) -> None:
    parse_ground(WHOLE, tmp_path)  # whole before it is spoiled
    assert old in WHOLE
    with pytest.raises(InputError) as caught:
        parse_ground(WHOLE.replace(old, new), tmp_path)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('person = ""', "is no short text"),
        (f'note = "{"x" * 301}"', "is no short text"),
        ('frost = "-3 in"', "is negative"),
        ("infant = 1", "is neither true nor false"),
        ("levels = 9", "is no number from 1 to 4"),
        ('soil = "cheese"', "is none"),
        ('colour = "red"', "there is no such key"),
    ],
)
def test_orders(line: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_order(f'space = "A-1-1"\n{line}', FOOT)
    assert said in str(caught.value)
    with pytest.raises(InputError, match="Write the space as the order names it"):
        parse_order(line, FOOT)


def test_numbers() -> None:
    with pytest.raises(InputError, match="divides by zero"):
        parse_length("1/0 in", FOOT)
    with pytest.raises(InputError, match="is not an angle"):
        parse_angle("north", "latitude", axis="lat")
    with pytest.raises(InputError, match="is not a place on Earth"):
        suggest(91.0, 0.0)
    with pytest.raises(InputError, match="tau test: a redundancy of"):
        tau_critical(0, 0.001)
    with pytest.raises(InputError, match="blunder test with alpha"):
        noncentrality(0.9, 0.5)


def test_fits() -> None:
    plat = np.array([[0, 0], [100, 0], [100, 80], [0, 80]], dtype=float)
    cov = np.zeros((4, 2, 2))
    said = {"setting_sigma": 0.2, "setting_dof": 4, "alpha": 0.001, "power": 0.8}
    fit_plat(plat, plat + 7.0, cov, **said)
    for change, words in (({"power": 0.0001}, "and power"), ({"setting_sigma": 0.0}, "setting error 0 worth"),
                          ({"model": "elastic"}, "there is no model 'elastic'")):  # fmt: skip
        with pytest.raises(InputError, match=words):
            fit_plat(plat, plat + 7.0, cov, **{**said, **change})
    with pytest.raises(InputError, match="the covariance of marker 1"):
        fit_plat(plat, plat + 7.0, cov - 1.0, **said)
