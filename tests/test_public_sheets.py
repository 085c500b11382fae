"""The board for the gate and the leaflet: squares that hold their graves, one sheet, nothing cut off."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pypdfium2
import pytest
import shapely
from planted_ground import EAST, NORTH, TOML, tables

from cemgis.disclosure import disclose
from cemgis.errors import InputError
from cemgis.ground import parse_ground
from cemgis.sheets.public import board_sheet, grid_squares, leaflet_sheet, years_said


@pytest.fixture(scope="module")
def public():
    return disclose(tables(), parse_ground(TOML, Path()), "2025-06-01")


def words(pdf):
    """Text of each page, and how far it reaches over the page's edges at most, in points."""
    texts, over = [], 0.0
    with closing(pypdfium2.PdfDocument(pdf)) as document:
        for page in document:
            text = page.get_textpage()
            texts.append(text.get_text_bounded())
            width, height = page.get_size()
            for at in range(text.count_chars()):
                left, bottom, right, top = text.get_charbox(at)
                if right > left and not text.get_text_range(at, 1).isspace():
                    over = max(over, -left, -bottom, right - width, top - height)
    return texts, over


def test_a_square_holds_its_place(public):
    x0, y0, x1, y1 = public.sections.total_bounds
    corners = [[x0 + 0.1, y1 - 0.1], [x1 - 0.1, y0 + 0.1], [np.nan, np.nan]]
    first, last, none = grid_squares(public, corners)
    assert none == ""
    assert first[0] in "AB"  # the drive lies to the west of the sections
    assert int(first[1:]) <= int(last[1:])
    assert first[0] < last[0]
    # a square is 20 ft here: places farther apart than its diagonal never share one
    rng = np.random.default_rng(5)
    places = rng.uniform([x0, y0], [x1, y1], (200, 2))
    squares = np.array(grid_squares(public, places))
    for name in set(squares):
        inside = places[squares == name]
        assert np.ptp(inside, axis=0).max() <= 20.0 + 1e-6


@pytest.mark.parametrize(
    ("born", "died", "buried", "said"),
    [("1850", "1918-09-12", "1918", "1850 – 1918"), ("1850~", None, "1900", "about 1850 – 1900"),
     (None, "1901?", None, "died 1901?"), (None, None, "[1887,1888]", "buried 1887 or 1888"),
     ("188X", None, None, "born 1880s"), (None, None, None, ""), (None, "1850/1860", None, "died 1850 to 1860"),
     (None, "[..1899]", None, "died 1899 or before"), ("1790", "18XX", None, "1790 – 1800 to 1899")],
)  # fmt: skip
def test_years_are_said_as_far_as_they_are_known(born, died, buried, said):
    assert years_said(born, died, buried) == said


def test_the_leaflet_is_one_sheet_and_nothing_runs_over_its_edge(public):
    texts, over = words(leaflet_sheet(public, licence="CC BY 4.0", contact="the office"))
    assert len(texts) == 2
    assert over <= 0.0
    for word in ("Publicone", "How to read the map", "Please mind", "CC BY 4.0", "the office", "not for digging"):
        assert word in "\n".join(texts)


def test_the_leaflet_stays_one_sheet_with_long_lists_and_many_sections(public):
    graves = pd.concat([public.graves] * 40, ignore_index=True)
    graves = graves.assign(grave=np.arange(1, len(graves) + 1), veteran=True, surname="Longsurname" * 3)
    high = public.lots.assign(geometry=shapely.affinity.scale(public.lots.geometry.iloc[0], 1, 20))
    many = pd.concat([public.sections] * 40, ignore_index=True).assign(title="A very long title of a section " * 2)
    for ground in (replace(public, graves=graves), replace(public, sections=many, graves=graves, lots=high)):
        texts, over = words(leaflet_sheet(ground, licence="CC BY 4.0", contact="x " * 200))
        assert len(texts) == 2
        assert over <= 0.0
        assert " more" in "\n".join(texts)


def test_the_board_lists_everyone_with_a_square(public):
    texts, over = words(board_sheet(public, licence="CC BY 4.0", convergence_deg=0.3))
    text = "\n".join(texts)
    assert over <= 0.0
    for name in ("Publicone, Plain", "Publictwo, Old", "Publicthree, General", "Publicfour, Niche", "Infant"):
        assert name in text
    square = grid_squares(public, [[EAST + 22.0, NORTH + 6.0]])[0]  # the middle of A-1-1
    line = next(line for line in text.splitlines() if "Publicone" in line)
    assert "A-1-1" in line
    assert line.split()[-1] == square
    assert "section G" in next(line for line in text.splitlines() if "Publicthree" in line)


def test_papers_and_empty_grounds_are_refused_with_words(public):
    with pytest.raises(InputError, match="there is no sheet 'letter'"):
        board_sheet(public, licence="x", paper="letter")
    none = {name: getattr(public, name).iloc[:0] for name in ("sections", "lots", "spaces", "drives", "gates")}
    with pytest.raises(InputError, match="nothing of the ground is on the map"):
        leaflet_sheet(replace(public, **none), licence="x")
