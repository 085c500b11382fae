"""Delimited text of any origin as a table of strings: encoding, delimiter, ragged and broken lines."""

from __future__ import annotations

import codecs
import csv
import io
import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from cemgis.errors import InputError

__all__ = ["BrokenLine", "Table", "decode", "existing_file", "read_table", "shown", "sniff_encoding"]

NAMED = 20
"""Broken lines kept with their text; all are counted."""

_BLOCK_BYTES = 1 << 20
_LONGEST_LINE = 1 << 20
_MOST_LINES = 30  # a quoted cell over more lines than this is a stray quotation mark
_SAMPLE = 200
_TRIED = ("\t", ";", "|", ",")
_NAMED_DELIMITERS = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "space": " ", "blank": " "}
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NOT_TEXT = (
    (b"PK\x03\x04", "a spreadsheet or another packed file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet"),
    (b"SQLite format 3\x00", "a database"),
    (b"%PDF", "a PDF"),
    (b"\x1f\x8b", "a compressed file"),
)


class BrokenLine(NamedTuple):
    """A line that could not be used: its number in the file, how it starts, and why."""

    line: int
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table as it stood in a file.

    Parameters
    ----------
    rows : DataFrame
        Every cell as text without blanks around it; an empty cell is ``""``.
    lines : array of int, (n,)
        Line of the file each row starts on, from 1.
    broken : tuple of BrokenLine
        The first lines that were left out.
    n_broken : int
        How many were left out.
    encoding, delimiter : str
        As given or found.
    notes : tuple of str
        What was assumed and must be said aloud.
    """

    rows: pd.DataFrame
    lines: np.ndarray[Any, np.dtype[np.int64]]
    broken: tuple[BrokenLine, ...]
    n_broken: int
    encoding: str
    delimiter: str
    notes: tuple[str, ...] = ()


def shown(text: object, most: int = 80) -> str:
    """Shorten text to one printable line.

    Examples
    --------
    >>> shown("two words" + "c" * 90, 16)
    'two wordsccc ...'
    """
    start = str(text)[: most + 1]
    clean = "".join(c if c.isprintable() else " " for c in start).strip()
    return clean if len(str(text)) <= most else clean[: most - 4] + " ..."


def existing_file(path: Path, where: str | None = None) -> Path:
    """Return the path of a file that is there, is a file and is not empty.

    Raises
    ------
    InputError
        With the way out, for a missing file, a directory, a device, an empty file or one that may not be read.
    """
    place = where or path.name or str(path)
    try:
        if not path.exists():
            near = [item.name for item in sorted(path.parent.iterdir())] if path.parent.is_dir() else []
            twin = [name for name in near if name.lower() == path.name.lower()]
            tail = f" There is {twin[0]!r}: mind the capitals." if twin else ""
            raise InputError.of(place, "there is no such file", f"Put it there or mend the name.{tail}")
        if path.is_dir():
            raise InputError.of(place, "this is a folder, not a file", "Name the file inside it.")
        if not path.is_file():
            raise InputError.of(place, "this is not an ordinary file", "Copy its content into a file.")
        if path.stat().st_size == 0:
            raise InputError.of(place, "the file is empty", "Copy it again from the receiver or take it out.")
        with path.open("rb") as handle:
            handle.read(1)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or error
        raise InputError.of(place, f"it cannot be read ({reason})", "Check its name and permissions.") from None
    return path


def sniff_encoding(head: bytes) -> str | None:
    """Tell the encoding of a text from its first bytes where they show it; None where they do not.

    Examples
    --------
    >>> sniff_encoding("label".encode("utf-8-sig")), sniff_encoding("label".encode("utf-16-le")), sniff_encoding(b"a")
    ('utf-8-sig', 'utf-16-le', None)
    """
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name
    first = np.frombuffer(head[: len(head) // 2 * 2], dtype=np.uint8).reshape(-1, 2) == 0
    if len(first):
        even, odd = first.mean(axis=0)
        # plain text in two-byte units has a zero in nearly every second byte; a tail of NULs has them in both
        if odd > 0.4 and even < 0.1 * odd:
            return "utf-16-le"
        if even > 0.4 and odd < 0.1 * even:
            return "utf-16-be"
    return None


def _is_valid(blocks: Iterator[bytes], encoding: str) -> bool:
    decoder = codecs.getincrementaldecoder(encoding)("strict")
    try:
        for block in blocks:
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeError:
        return False
    return True


def _byte_blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as handle:
        while block := handle.read(_BLOCK_BYTES):
            yield block


def _known_encoding(encoding: str, place: str) -> str:
    try:
        b"label".decode(encoding, "replace")
        codecs.getincrementaldecoder(encoding)("replace").decode(b"label")
    except (LookupError, ValueError, TypeError, AttributeError):
        what = f"there is no text encoding {encoding!r}"
        raise InputError.of(place, what, 'Write one such as "utf-8", "utf-16" or "cp1252", or leave it out.') from None
    return encoding


def _choose_encoding(path: Path, given: str | None, place: str) -> tuple[str, list[str]]:
    if given:
        return _known_encoding(given, place), []
    with path.open("rb") as handle:
        head = handle.read(1 << 14)
    found = sniff_encoding(head)
    if found:
        return found, []
    if _is_valid(_byte_blocks(path), "utf-8"):
        return "utf-8", []
    latin = next(name for name in ("cp1252", "latin-1") if _is_valid(_byte_blocks(path), name))
    return latin, [f"not UTF-8: read as {latin} (Western European); write encoding = ... if letters come out wrong"]


def decode(data: bytes, encoding: str | None = None, where: str = "text") -> tuple[str, list[str]]:
    """Turn the bytes of a whole text file into text, NUL bytes left out, and say what was assumed.

    Raises
    ------
    InputError
        When the encoding named is not one.

    Examples
    --------
    >>> decode("Größe".encode("latin-1"))[0]
    'Größe'
    """
    if encoding:
        name, notes = _known_encoding(encoding, where), []
    else:
        sniffed = sniff_encoding(data[: 1 << 14])
        tried = [sniffed] if sniffed else [n for n in ("utf-8", "cp1252", "latin-1") if _is_valid(iter((data,)), n)][:1]
        name = tried[0]
        notes = [] if sniffed or name == "utf-8" else [f"not UTF-8: read as {name} (Western European)"]
    text = data.decode(name, "replace")
    if "\0" in text:
        notes.append(_said_of_nul(text.count("\0"), text.count("\n", 0, text.index("\0")) + 1))
        text = text.replace("\0", "")
    return text, notes


def _said_of_nul(count: int, line: int) -> str:
    return f"{count} NUL bytes left out, the first in line {line}"


def _line_blocks(path: Path, encoding: str, counts: Counter[str]) -> Iterator[tuple[int, list[str]]]:
    """Yield (number of the first line, lines) with bounded memory; a line beyond all measure is cut."""
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    newlines = io.IncrementalNewlineDecoder(decoder, translate=True)
    rest, number, dropping = "", 1, False

    def texts() -> Iterator[str]:
        for block in _byte_blocks(path):
            yield newlines.decode(block)
        try:
            yield newlines.decode(b"", final=True)
        except UnicodeError:
            yield "�"

    for text in texts():
        if "\0" in text:
            counts["nul_line"] = counts["nul_line"] or number + text.count("\n", 0, text.index("\0"))
            counts["nul"] += text.count("\0")
        counts["replaced"] += text.count("�")
        lines = text.replace("\0", "").split("\n")
        if dropping:
            if len(lines) == 1:
                continue
            lines[0], dropping = rest, False
        else:
            lines[0] = rest + lines[0]
        rest = lines.pop()
        if len(rest) > _LONGEST_LINE:
            rest, dropping = rest[: _LONGEST_LINE + 1], True
        if lines:
            yield number, lines
            number += len(lines)
    if rest:
        yield number, [rest]


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def _sniff_delimiter(sample: Sequence[str]) -> str:
    """Find the delimiter that cuts most lines into the same number of cells, the first line among them."""
    best, best_score = ",", (0.0, 0)
    for candidate in _TRIED:
        counts = [len(_fields(line, candidate)) for line in sample]
        usual, times = Counter(counts).most_common(1)[0]
        if usual < 2:
            continue
        score = (times + 0.5 * (counts[0] == usual)) / len(counts)
        if score > best_score[0] + 1e-9:
            best, best_score = candidate, (score, usual)
    if best_score[0] == 0.0:
        counts = [len(line.split()) for line in sample]
        usual, times = Counter(counts).most_common(1)[0]
        if usual >= 3 and times > 0.6 * len(counts):
            return " "
    return best


class _Cells(NamedTuple):
    lines: list[int]
    rows: list[list[str]]
    broken: list[BrokenLine]


def _record(lines: list[str], start: int, delimiter: str) -> tuple[list[str] | None, int, str]:
    """Read the record that starts at a line with a quotation mark: (cells or None, lines taken, why not)."""
    sentinel = "\x1f\n"

    def is_open(part: list[str]) -> bool:
        return len(list(csv.reader([*part, sentinel], delimiter=delimiter, skipinitialspace=True))) == 1

    part = [lines[start] + "\n"]
    if not is_open(part):
        return next(csv.reader(part, delimiter=delimiter, skipinitialspace=True), []), 1, ""
    for count in range(1, min(_MOST_LINES, len(lines) - start)):
        part.append(lines[start + count] + "\n")
        if '"' in lines[start + count] and not is_open(part):
            try:
                cells = next(csv.reader(part, delimiter=delimiter, skipinitialspace=True, strict=True))
            except csv.Error:
                return None, 1, "a quotation mark is opened and not closed"
            return cells, count + 1, ""
    return None, 1, "a quotation mark is opened and not closed"


def _slow_cells(first: int, lines: list[str], delimiter: str, *, last: bool) -> tuple[_Cells, int]:
    """Read lines one record at a time; what starts too near the end of the block is left for the next one."""
    cells = _Cells([], [], [])
    at = 0
    while at < len(lines):
        text = lines[at]
        if len(text) > _LONGEST_LINE:
            cells.broken.append(BrokenLine(first + at, shown(text), f"longer than {_LONGEST_LINE} characters"))
            at += 1
            continue
        try:
            if '"' not in text:
                row, taken, why = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), []), 1, ""
            else:
                row_or_none, taken, why = _record(lines, at, delimiter)
                if row_or_none is None and not last and len(lines) - at < _MOST_LINES:
                    return cells, at
                row = row_or_none if row_or_none is not None else []
        except csv.Error as error:
            row, taken, why = [], 1, str(error)
        if why:
            cells.broken.append(BrokenLine(first + at, shown(text), why))
        else:
            cells.lines.append(first + at)
            cells.rows.append(row)
        at += taken
    return cells, at


def _cells(blocks: Iterator[tuple[int, list[str]]], delimiter: str) -> Iterator[_Cells]:
    """Cut blocks of lines into cells; a block without anything odd in it is cut in one go."""
    carried: list[str] = []
    ahead = next(blocks, None)
    while ahead is not None:
        first, lines = ahead
        first -= len(carried)
        lines = [*carried, *lines]
        carried = []
        ahead = next(blocks, None)
        if delimiter == " ":
            lines = [" ".join(line.split()) for line in lines]
        quoted = any('"' in line for line in lines)
        try:
            rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=quoted))
            plain = len(rows) == len(lines) and not any(len(line) > _LONGEST_LINE for line in lines)
        except csv.Error:
            plain = False
        if plain:
            yield _Cells(list(range(first, first + len(lines))), rows, [])
            continue
        cells, taken = _slow_cells(first, lines, delimiter, last=ahead is None)
        carried = lines[taken:]
        yield cells


def _column_names(cells: Sequence[str]) -> list[str]:
    names: list[str] = []
    seen: Counter[str] = Counter()
    for number, cell in enumerate(cells, 1):
        name = cell.strip() or f"column {number}"
        seen[name] += 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return names


def _even(cells: _Cells, width: int, header: bool) -> _Cells:
    """Bring rows to one width.

    Empty cells beyond it do not count. In a file without a header short rows are filled, and a text with delimiters
    in it at the end of a row is put together again.
    """
    if all(len(row) == width for row in cells.rows):
        return cells
    even = _Cells([], [], cells.broken)
    for line, row in zip(cells.lines, cells.rows, strict=True):
        if len(row) != width:
            if not any(cell.strip() for cell in row):
                continue
            if len(row) > width and not any(cell.strip() for cell in row[width:]):
                row = row[:width]
            elif not header and len(row) < width:
                row = row + [""] * (width - len(row))
            elif not header:
                row = [*row[: width - 1], ",".join(row[width - 1 :])]
            else:
                why = f"{len(row)} cells where the header has {width}"
                cells.broken.append(BrokenLine(line, shown(",".join(row)), why))
                continue
        even.lines.append(line)
        even.rows.append(row)
    return even


def _arrow(cells: Sequence[str]) -> pa.Array:
    try:
        array = pa.array(cells, type=pa.large_string())
    except (UnicodeEncodeError, pa.ArrowException):
        clean = [cell.encode("utf-8", "replace").decode("utf-8") for cell in cells]
        array = pa.array(clean, type=pa.large_string())
    return pc.utf8_trim_whitespace(array)


def read_table(
    path: Path | str,
    *,
    delimiter: str | None = None,
    encoding: str | None = None,
    header: bool = True,
    names: Sequence[str] | None = None,
    where: str | None = None,
) -> Table:
    """Read delimited text whatever its encoding and delimiter; what is broken is left out, counted and named.

    Lines of a title above the header, blank lines and rows of empty cells are passed over. A cell in quotation marks
    may run over several lines. A quotation mark inside a cell (``31' 11"``) is text.

    Parameters
    ----------
    path : Path
    delimiter : str, optional
        One character, or ``"tab"`` or ``"space"`` (any run of blanks). Found out when left out.
    encoding : str, optional
        From the byte order mark, else UTF-16 or UTF-8 by their pattern, else Windows-1252 or Latin-1, which is
        said in the notes.
    header : bool
        Whether the first row names the columns.
    names : sequence of str, optional
        Names of the columns of a file without a header.
    where : str, optional
        What the file is called in messages; its name when left out.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        When there is no such file, it is a folder, empty, not text, or the encoding or delimiter does not exist.
    """
    path = Path(path)
    place = where or path.name
    existing_file(path, place)
    with path.open("rb") as handle:
        head = handle.read(16)
    for start, what in _NOT_TEXT:
        if head.startswith(start):
            raise InputError.of(place, f"this is {what}, not a text table", "Save it as CSV and name that.")
    chosen, notes = _choose_encoding(path, encoding, place)
    mark = _NAMED_DELIMITERS.get((delimiter or "").lower(), delimiter) if delimiter else None
    if mark is not None and (len(mark) != 1 or mark in '"\r\n\0'):
        raise InputError.of(place, f"{delimiter!r} cannot be a delimiter", 'Write one character, "tab" or "space".')
    counts: Counter[str] = Counter()
    try:
        table = _read(path, place, chosen, mark, header, names, counts)
    except OSError as error:
        what = f"it cannot be read ({error.strerror or error})"
        raise InputError.of(place, what, "Copy it again or check the disk.") from None
    if counts["nul"]:
        notes.append(_said_of_nul(counts["nul"], counts["nul_line"]))
    if counts["replaced"]:
        notes.append(f"{counts['replaced']} characters are not valid {chosen}")
    return Table(table.rows, table.lines, table.broken, table.n_broken, chosen, table.delimiter, (*notes, *table.notes))


def _read(
    path: Path,
    place: str,
    encoding: str,
    mark: str | None,
    header: bool,
    names: Sequence[str] | None,
    counts: Counter[str],
) -> Table:
    blocks = _line_blocks(path, encoding, counts)
    ahead = list(itertools.islice(blocks, 1))
    sample = [line[:4096] for _, lines in ahead for line in itertools.islice(lines, 20 * _SAMPLE) if line.strip()]
    sample = sample[:_SAMPLE]
    if not sample:
        ahead += list(itertools.islice(blocks, 1))
        sample = [line[:4096] for _, lines in ahead for line in lines if line.strip()][:_SAMPLE]
    if not sample:
        raise InputError.of(place, "there is nothing in it but blank lines", "Copy it again or take it out.")
    delimiter = mark or _sniff_delimiter(sample)
    usual = Counter(
        len(line.split()) if delimiter == " " else len(_fields(line, delimiter)) for line in sample
    ).most_common(1)[0][0]
    columns = list(names) if names is not None and not header else None
    if columns is None and not header:
        columns = [f"column {number}" for number in range(1, usual + 1)]
    parts: list[list[pa.Array]] = [[] for _ in columns or ()]
    line_parts: list[np.ndarray[Any, np.dtype[np.int64]]] = []
    broken: list[BrokenLine] = []
    n_broken, notes = 0, []
    for cells in _cells(itertools.chain(ahead, blocks), delimiter):
        if columns is None:
            start = 0
            while start < len(cells.rows):
                row = cells.rows[start]
                cells_filled = sum(1 for cell in row if cell.strip())
                if cells_filled > 1 or (cells_filled == 1 and usual == 1):
                    break
                start += 1
            titles = [line for line, row in zip(cells.lines[:start], cells.rows[:start], strict=True) if any(row)]
            if titles:
                notes.append(f"{len(titles)} lines above the header passed over")
            if start == len(cells.rows):
                n_broken += len(cells.broken)
                broken += cells.broken[: max(0, NAMED - len(broken))]
                continue
            row = list(cells.rows[start])
            while len(row) > 1 and not row[-1].strip():
                row.pop()
            columns = _column_names(row)
            parts = [[] for _ in columns]
            cells = _Cells(cells.lines[start + 1 :], cells.rows[start + 1 :], cells.broken)
        even = _even(cells, len(columns), header)
        n_broken += len(even.broken)
        broken += sorted(even.broken)[: max(0, NAMED - len(broken))]
        if not even.rows:
            continue
        arrays = [_arrow(cells_of) for cells_of in zip(*even.rows, strict=True)]
        filled = pc.equal(arrays[0], "")
        for array in arrays[1:]:
            filled = pc.and_(filled, pc.equal(array, ""))
        keep = pc.invert(filled)
        line_parts.append(np.asarray(even.lines, dtype=np.int64)[keep.to_numpy(zero_copy_only=False)])
        for part, array in zip(parts, arrays, strict=True):
            part.append(array.filter(keep))
    if columns is None:
        raise InputError.of(place, "no header was found in it", "Give the columns names in the first line.")
    dtype = pd.StringDtype("pyarrow")
    data = {
        name: pd.Series(dtype.__from_arrow__(pa.chunked_array(part, type=pa.large_string())))
        for name, part in zip(columns, parts, strict=True)
    }
    lines = np.concatenate(line_parts) if line_parts else np.empty(0, dtype=np.int64)
    rows = pd.DataFrame(data, columns=pd.Index(columns), index=pd.RangeIndex(len(lines)))
    return Table(rows, lines, tuple(broken), n_broken, encoding, delimiter, tuple(notes))
