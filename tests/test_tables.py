import csv
import io
import time
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cemgis.errors import InputError
from cemgis.files import tables
from cemgis.files.tables import decode, existing_file, read_table

QUIET = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def write(tmp_path, content, encoding="utf-8"):
    path = tmp_path / "list.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


def cells(table):
    return table.rows.to_numpy().tolist()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_every_encoding_line_end_and_delimiter(tmp_path, encoding, end, delimiter):
    text = end.join(delimiter.join(row) for row in (["label", "x", "note"], ["A-1", "1.5", "Größe"], ["A-2", "2", ""]))
    table = read_table(write(tmp_path, text + end, encoding))
    assert list(table.rows.columns) == ["label", "x", "note"]
    assert cells(table) == [["A-1", "1.5", "Größe"], ["A-2", "2", ""]]
    assert table.lines.tolist() == [2, 3]
    assert table.delimiter == delimiter
    assert table.n_broken == 0
    assert table.notes == ()


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252"])
def test_western_european_is_read_and_said(tmp_path, encoding):
    table = read_table(write(tmp_path, "label,note\nA,Größe\n", encoding))
    assert cells(table) == [["A", "Größe"]]
    assert "not UTF-8" in table.notes[0]
    # 0x81 is in Latin-1 only, 0x96 is a dash in Windows-1252
    assert "latin-1" in read_table(write(tmp_path, b"label,note\nA,\x81\xe9\n")).notes[0]
    assert cells(read_table(write(tmp_path, b"label,note\nA,3\x964\n"))) == [["A", "3–4"]]


def test_encoding_told(tmp_path):
    path = write(tmp_path, "label,note\nA,Łódź\n", "cp1250")
    assert cells(read_table(path, encoding="cp1250")) == [["A", "Łódź"]]
    table = read_table(path, encoding="utf-8")
    assert "not valid utf-8" in table.notes[0]
    for wrong in ("klingon", "hex", "undefined", "rot13"):
        with pytest.raises(InputError, match="no text encoding"):
            read_table(path, encoding=wrong)


def test_nul_bytes_are_left_out_and_said(tmp_path):
    table = read_table(write(tmp_path, b"label,x\nA-1,1\nA\x00-2,2\n" + b"\0" * 5000))
    assert cells(table) == [["A-1", "1"], ["A-2", "2"]]
    assert table.notes == ("5001 NUL bytes left out, the first in line 3",)


def test_ragged_lines_are_counted_and_named(tmp_path):
    text = "label,x,y\nA,1,2\nB,1\nC,1,2,3\nD,1,2,,\n\n , ,\nE,5,6\n"
    table = read_table(write(tmp_path, text))
    assert cells(table) == [["A", "1", "2"], ["D", "1", "2"], ["E", "5", "6"]]
    assert table.lines.tolist() == [2, 5, 8]
    assert [(item.line, item.why) for item in table.broken] == [
        (3, "2 cells where the header has 3"),
        (4, "4 cells where the header has 3"),
    ]
    many = read_table(write(tmp_path, "label,x\n" + "A\n" * 500 + "B,1\n"))
    assert many.n_broken == 500
    assert len(many.broken) == 20


def test_quotation_marks(tmp_path):
    text = 'label,note\n"A-1","says ""here""\nand there, too"\nB,31\' 11"\nC,"x" y\nD,"last"\n'
    table = read_table(write(tmp_path, text))
    assert cells(table) == [
        ["A-1", 'says "here"\nand there, too'],
        ["B", "31' 11\""],
        ["C", "x y"],
        ["D", "last"],
    ]
    assert table.lines.tolist() == [2, 4, 5, 6]


def test_quotation_mark_never_closed_costs_its_own_line_only(tmp_path):
    rows = "".join(f"B-{number},{number}\n" for number in range(100))
    table = read_table(write(tmp_path, 'label,x\n"A,1\n' + rows))
    assert len(table.rows) == 100
    assert [(item.line, item.why) for item in table.broken] == [(2, "a quotation mark is opened and not closed")]
    table = read_table(write(tmp_path, "label,x\n" + rows + '"A,1'))
    assert len(table.rows) == 100
    assert table.n_broken == 1


@pytest.mark.parametrize("short_of", [5, 15, 30, 45])
def test_quoted_cell_over_a_block_boundary(tmp_path, short_of):
    # the quoted cell of 20 lines, 49 bytes long, starts so many bytes before the file is cut
    header, line = "label,note\n", "y,".ljust(99, "z") + "\n"
    count = (tables._BLOCK_BYTES - len(header) - short_of) // len(line)
    pad = "p," + "z" * (tables._BLOCK_BYTES - len(header) - short_of - count * len(line) - 3) + "\n"
    text = header + line * count + pad + '"end","' + "a\n" * 20 + '"\n' + line * 10
    table = read_table(write(tmp_path, text))
    assert len(table.rows) == count + 12
    assert table.n_broken == 0
    assert table.rows["note"].iloc[count + 1] == "a\n" * 19 + "a"
    assert table.lines[-1] == 1 + count + 1 + 21 + 10


def test_title_lines_and_repeated_or_missing_names(tmp_path):
    table = read_table(write(tmp_path, "Found markers 2025\n\nlabel,x,x,\nA,1,2\nB,3,4\nC,5,6\n"))
    assert list(table.rows.columns) == ["label", "x", "x (2)"]
    assert table.lines.tolist() == [4, 5, 6]
    assert "above the header" in table.notes[0]


def test_line_that_names_the_delimiter(tmp_path):
    table = read_table(write(tmp_path, "sep=;\nlabel;x\nA;1\nB;2\n"))
    assert cells(table) == [["A", "1"], ["B", "2"]]


def test_runs_of_blanks(tmp_path):
    table = read_table(write(tmp_path, "1   2000.5  300\n22  2001.5  301\n"), header=False)
    assert cells(table) == [["1", "2000.5", "300"], ["22", "2001.5", "301"]]
    assert table.delimiter == " "


def test_decimal_commas_do_not_hide_the_delimiter(tmp_path):
    table = read_table(write(tmp_path, "label;x;y\nA;1,5;2,5\nB;3,5;4,5\n"))
    assert table.delimiter == ";"
    assert cells(table)[0] == ["A", "1,5", "2,5"]


def test_without_header(tmp_path):
    table = read_table(write(tmp_path, "A,1,2\nB,3\nC,4,5,oak, large\n"), header=False, names=["P", "N", "D"])
    assert cells(table) == [["A", "1", "2"], ["B", "3", ""], ["C", "4", "5,oak,large"]]


def test_one_column(tmp_path):
    assert cells(read_table(write(tmp_path, "label\nA\nB\n"))) == [["A"], ["B"]]


@pytest.mark.parametrize("delimiter", ["tab", "\\t", "\t"])
def test_delimiter_told(tmp_path, delimiter):
    assert cells(read_table(write(tmp_path, "label\tx,y\nA\t1,2\n"), delimiter=delimiter)) == [["A", "1,2"]]


def test_wrong_delimiter(tmp_path):
    with pytest.raises(InputError, match="cannot be a delimiter"):
        read_table(write(tmp_path, "a,b\n"), delimiter="::")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"\n\n  \n", "nothing in it but blank lines"),
        (b"\0" * 100, "nothing in it but blank lines"),
        (b"PK\x03\x04rest", "spreadsheet"),
        (b"SQLite format 3\x00", "database"),
        (b",,,\n,,\n", "no header"),
    ],
)
def test_what_is_no_table(tmp_path, content, said):
    with pytest.raises(InputError, match=said):
        read_table(write(tmp_path, content))


def test_missing_folder_and_capitals(tmp_path):
    write(tmp_path, "a,b\n")
    with pytest.raises(InputError, match="mind the capitals"):
        read_table(tmp_path / "LIST.csv")
    with pytest.raises(InputError, match="folder"):
        read_table(tmp_path)
    with pytest.raises(InputError, match="cannot be read"):
        existing_file(tmp_path / ("x" * 5000))
    with pytest.raises(InputError, match=r"no such file|cannot be read"):
        existing_file(tmp_path / "a\0b")


def test_a_line_beyond_all_measure_is_left_out(tmp_path):
    table = read_table(write(tmp_path, "label,x\nA,1\n" + "z" * 9_000_000 + "\nB,2\n"))
    assert cells(table) == [["A", "1"], ["B", "2"]]
    assert table.n_broken == 1
    assert table.broken[0].line == 3
    assert table.lines.tolist() == [2, 4]


def test_decode_says_what_it_assumed():
    assert decode("é".encode()) == ("é", [])
    text, notes = decode("é".encode("latin-1"))
    assert text == "é"
    assert "not UTF-8" in notes[0]


PLAIN = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12).map(str.strip)


@QUIET
@given(rows=st.lists(st.lists(PLAIN, min_size=3, max_size=3), min_size=1, max_size=8), mark=st.sampled_from(",;\t|"))
def test_what_the_csv_module_writes_comes_back(rows, mark, tmp_path):
    rows = [[f"k{number}", *row[1:]] for number, row in enumerate(rows)]
    out = io.StringIO()
    csv.writer(out, delimiter=mark).writerows([["label", "x", "note"], *rows])
    table = read_table(write(tmp_path, out.getvalue()), delimiter=mark, encoding="utf-8")
    assert cells(table) == rows
    assert table.n_broken == 0


@QUIET
@given(data=st.binary(min_size=1, max_size=300))
def test_no_bytes_break_it(data, tmp_path):
    try:
        table = read_table(write(tmp_path, data))
    except InputError:
        return
    assert len(table.rows) == len(table.lines)


@QUIET
@given(text=st.text(alphabet="ab\",;\n\r\t |\x1f\x00'", min_size=1, max_size=120), header=st.booleans())
def test_no_marks_break_it(text, header, tmp_path):
    try:
        table = read_table(write(tmp_path, text), header=header)
    except InputError:
        return
    assert len(table.rows) == len(table.lines)
    assert (table.lines[1:] > table.lines[:-1]).all()


def test_many_lines_in_bounded_time_and_memory(tmp_path):
    path = tmp_path / "many.csv"
    line = 'B-{0},2000000.{0:06d},700000.{0:06d},"fixed, good",0.9\n'
    path.write_text("label,x,y,fix,hdop\n" + "".join(line.format(number) for number in range(200_000)))
    started = time.perf_counter()
    table = read_table(path)
    seconds = time.perf_counter() - started
    assert len(table.rows) == 200_000
    assert table.rows.iloc[-1].tolist() == ["B-199999", "2000000.199999", "700000.199999", "fixed, good", "0.9"]
    # a loop over cells takes many times as long; the two cores are shared
    assert seconds < 8


def test_memory_does_not_grow_with_the_file_twice_over(tmp_path):
    path = tmp_path / "many.csv"
    path.write_text("label,x\n" + "B-1,2000000.5\n" * 400_000)
    tracemalloc.start()
    table = read_table(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(table.rows) == 400_000
    # cells of one block as Python objects, never of the whole file (more than 100 MB here)
    assert peak < 60e6
