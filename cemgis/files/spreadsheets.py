"""Spreadsheets (XLSX) as tables of strings: what a cell shows, with typed dates as ISO days."""

from __future__ import annotations

import datetime as dt
import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.tables import Table, existing_file

__all__ = ["SUFFIXES", "read_spreadsheet"]

SUFFIXES = (".xlsx", ".xlsm")

_MOST_CELLS = 20_000_000
_MOST_BYTES = 1 << 30  # unpacked: a small file may hold gigabytes of nothing


def read_spreadsheet(path: Path | str, *, sheet: str | None = None, where: str | None = None) -> Table:
    """Read one sheet of a spreadsheet as text; values only, formulas are not computed.

    Rows of a title above the header and empty rows are passed over. A cell that is a date is read as ISO; a number
    without a fraction loses its ``.0``; a formula shows the value it was saved with.

    Parameters
    ----------
    path : Path
    sheet : str, optional
        Its name; the only one, or the first one that is not hidden and not empty, when left out.
    where : str, optional
        What the file is called in messages.

    Returns
    -------
    Table
        ``lines`` are row numbers of the sheet.

    Raises
    ------
    InputError
        When there is no such file or sheet, or it is no spreadsheet of this kind.
    """
    import openpyxl  # here: most registers are no spreadsheets
    from openpyxl.utils.exceptions import InvalidFileException

    path = Path(path)
    place = where or path.name
    existing_file(path, place)
    remedy = "Save it again as XLSX, or as CSV."
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(item.file_size for item in packed.infolist()) > _MOST_BYTES:
                raise InputError.of(place, "it unpacks to more than 1 GB", remedy)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions that carry no values
            book = openpyxl.load_workbook(path, read_only=True, data_only=True)
            try:
                return _sheet(book, sheet, place)
            finally:
                book.close()
    except InputError:
        raise
    except (zipfile.BadZipFile, InvalidFileException) as error:
        raise InputError.of(place, f"this is no XLSX spreadsheet ({_first_line(error)})", remedy) from None
    except Exception as error:  # the parser lets through whatever a damaged file makes it do
        raise InputError.of(place, f"the spreadsheet is damaged ({_first_line(error)})", remedy) from None


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:80]


def _sheet(book: Any, name: str | None, place: str) -> Table:
    sheets = [item for item in book.worksheets if item.sheet_state == "visible"]
    notes: list[str] = []
    if name is not None:
        named = [item for item in book.worksheets if item.title == name]
        if not named:
            titles = ", ".join(repr(item.title) for item in book.worksheets[:10])
            raise InputError.of(place, f"there is no sheet {name!r}", f"It has: {titles}.")
        sheets = named
    for found in sheets:
        table = _table(found, place)
        if table is not None:
            if name is None and len(sheets) > 1:
                notes.append(f"sheet {found.title!r} was read; write sheet = ... for another")
            return Table(table.rows, table.lines, (), 0, "XLSX", "", (*notes, *table.notes))
    raise InputError.of(place, "there is nothing in it", "Name another sheet or take it out.")


def _table(sheet: Any, place: str) -> Table | None:
    rows: list[list[str]] = []
    lines: list[int] = []
    cells = 0
    for number, row in enumerate(sheet.iter_rows(values_only=True), 1):
        cells += len(row)
        if cells > _MOST_CELLS:
            raise InputError.of(place, f"sheet {sheet.title!r} has too many cells", "Take out what is not the list.")
        text = [_text(value) for value in row]
        if any(text):
            rows.append(text)
            lines.append(number)
    if not rows:
        return None
    usual = sorted(sum(1 for cell in row if cell) for row in rows)[len(rows) // 2]
    start = next((at for at, row in enumerate(rows) if sum(1 for cell in row if cell) >= max(1, min(2, usual))), 0)
    header = rows[start]
    width = max(at for at, cell in enumerate(header) if cell) + 1
    names: list[str] = []
    for at in range(max(width, *(len(row) for row in rows))):
        cell = header[at] if at < len(header) else ""
        base = cell or f"column {at + 1}"
        names.append(base if base not in names else f"{base} ({at + 1})")
    body = [row + [""] * (len(names) - len(row)) for row in rows[start + 1 :]]
    frame = pd.DataFrame(body, columns=pd.Index(names), dtype="string")
    empty = [name for at, name in enumerate(names) if at >= width and (frame[name] == "").all()]
    notes = (f"{start} rows above the header passed over",) if start else ()
    return Table(
        frame.drop(columns=empty), np.asarray(lines[start + 1 :], dtype=np.int64), (), 0, "XLSX", "", notes
    )  # fmt: skip


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep="T", timespec="seconds")
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).replace("\0", "\\x00").strip()  # XLSX can write a NUL as _x0000_
