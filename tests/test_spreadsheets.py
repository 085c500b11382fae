"""Spreadsheets read as text: typed dates, numbers, titles above the header, and files that are none."""

from __future__ import annotations

import datetime as dt

import openpyxl
import pytest

from cemgis.errors import InputError
from cemgis.files.spreadsheets import read_spreadsheet


@pytest.fixture
def book(tmp_path):
    def make(*sheets, name="list.xlsx"):
        made = openpyxl.Workbook()
        made.remove(made.active)
        for title, rows in sheets:
            sheet = made.create_sheet(title)
            for row in rows:
                sheet.append(row)
        path = tmp_path / name
        made.save(path)
        return path

    return make


def test_cells_as_they_are_meant(book):
    rows = [
        ["Register of the hill"], [], ["Name", "Date", "Lot", "Age", None],
        ["Ada Penn", dt.datetime(1923, 5, 4), 14, 3.5, None], [None, None, None, None, None],
        ["=1+1", "abt 1887", "012", True, None], ["  Bo Lark ", dt.date(1990, 1, 2), 14.0, 1e20, None],
    ]  # fmt: skip
    table = read_spreadsheet(book(("Burials", rows)))
    assert list(table.rows.columns) == ["Name", "Date", "Lot", "Age"]
    assert table.lines.tolist() == [4, 6, 7]
    assert table.rows.iloc[0].tolist() == ["Ada Penn", "1923-05-04", "14", "3.5"]
    assert table.rows.iloc[1].tolist()[1:] == ["abt 1887", "012", "True"]
    assert table.rows.iloc[2].tolist()[:3] == ["Bo Lark", "1990-01-02", "14"]
    assert any("above the header" in note for note in table.notes)


def test_the_sheet_that_is_named_or_the_first_that_holds_something(book):
    path = book(("Empty", []), ("One", [["kind", "place"], ["burial", "A 1"]]), ("Two", [["kind"], ["x"]]))
    table = read_spreadsheet(path)
    assert table.rows.to_numpy().tolist() == [["burial", "A 1"]]
    assert "sheet 'One' was read" in table.notes[0]
    assert read_spreadsheet(path, sheet="Two").rows.to_numpy().tolist() == [["x"]]
    with pytest.raises(InputError, match="It has: 'Empty', 'One', 'Two'"):
        read_spreadsheet(path, sheet="Three")
    with pytest.raises(InputError, match="there is nothing in it"):
        read_spreadsheet(path, sheet="Empty")


def test_the_same_heading_twice(book):
    table = read_spreadsheet(book(("s", [["lot", "lot", None, "x"], ["1", "2", "3", "4"]])))
    assert list(table.rows.columns) == ["lot", "lot (2)", "column 3", "x"]


@pytest.mark.parametrize("data", [b"", b"kind,place\n", b"PK\x03\x04 and nothing more", b"\xd0\xcf\x11\xe0 old"])
def test_what_is_no_spreadsheet_is_refused_with_a_remedy(tmp_path, data):
    path = tmp_path / "list.xlsx"
    path.write_bytes(data)
    with pytest.raises(InputError):
        read_spreadsheet(path)
    with pytest.raises(InputError, match="no such file"):
        read_spreadsheet(tmp_path / "none.xlsx")


def test_a_damaged_spreadsheet_is_refused(book):
    path = book(("s", [["a", "b"], ["1", "2"]]))
    data = bytearray(path.read_bytes())
    for at in range(60, len(data), 97):
        data[at] ^= 0xFF
    path.write_bytes(bytes(data))
    with pytest.raises(InputError):
        read_spreadsheet(path)
