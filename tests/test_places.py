import unicodedata

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cemgis.places import carries_section, label_key, make_places, place_key, place_keys, read_place, resolve


@pytest.mark.parametrize(
    "text",
    [
        "B-16",
        "b-16",
        "B 16",
        " B - 016 ",
        "B–16",
        "B—16",
        "B−16",
        "B‐16",
        "B_16",
        "B.16",
        "B/16",
        "B16",
        "Ｂ１６",
        "B-٠١٦",
    ],
)
def test_ways_to_write_one_label(text):
    assert label_key(text) == "B-16"


@pytest.mark.parametrize(
    ("one", "other"),
    [("B-16", "B-61"), ("B-12", "B-12A"), ("B-12A", "B-12-A"), ("B-116", "B-1-16"), ("16½", "16-12"), ("16", "160"),
     ("C-3-12", "C-31-2"), ("16²", "162")],
)  # fmt: skip
def test_different_labels_stay_different(one, other):
    assert label_key(one) != label_key(other)


def test_fraction_is_written_either_way():
    assert label_key("16½") == label_key("16 1/2") == "16-1-2"


@pytest.mark.parametrize("nothing", [None, float("nan"), "", "  ", "--", "\u200b", 16])
def test_what_is_not_written_has_no_key(nothing):
    assert label_key(nothing) == ""


def test_zero_is_a_label():
    assert label_key("000") == "0"
    assert label_key("B-0") == "B-0"


@given(st.text(max_size=30))
def test_key_of_a_key_is_itself(text):
    key = label_key(text)
    assert label_key(key) == key
    assert not key.startswith("-")
    assert "--" not in key


@given(st.text(alphabet="abXY", min_size=1, max_size=3), st.integers(0, 10**6), st.integers(0, 4))
def test_leading_zeros_and_case_never_matter(section, lot, zeros):
    assert label_key(f"{section}-{'0' * zeros}{lot}") == label_key(f"{section.swapcase()} {lot}")


def test_long_numbers_do_not_fail():
    assert label_key("1" * 6000) == "1" * 6000


def test_section():
    assert carries_section(label_key("B16"))
    assert not carries_section(label_key("016a"))


# ---- texts of places, and former numbering -------------------------------------------------------------------------

TEXTS = [
    ("B 14 N 1/2", ("B 14", "north 1/2", (), False)),
    ("B 14, N½", ("B 14", "north 1/2", (), False)),
    ("lot 14 (east half)", ("lot 14", "east 1/2", (), False)),
    ("N 1/2 lot 14", ("lot 14", "north 1/2", (), False)),
    ("W 1/2 of lot 14", ("lot 14", "west 1/2", (), False)),
    ("1/2 of lot 14", ("lot 14", "1/2", (), False)),
    ("Lot 14, graves 1-3", ("Lot 14", "", ("1", "2", "3"), False)),
    ("Lot 14 gr. 3 & 4", ("Lot 14", "", ("3", "4"), False)),
    ("Lot 14 spaces 1, 2 and 4", ("Lot 14", "", ("1", "2", "4"), False)),
    ("Lot 14 graves 4-1", ("Lot 14 graves 4-1", "", (), False)),  # nobody counts that way: kept as it is
    ("Lot 14, gr. 3", ("Lot 14, gr. 3", "", (), False)),
    ("14-3", ("14-3", "", (), False)),
    ("lot 14½", ("lot 14½", "", (), False)),  # a number of its own, no half of lot 14
    ("E 3-2", ("E 3-2", "", (), False)),
    ("ashes scattered in D", ("ashes scattered in D", "", (), True)),
    ("", ("", "", (), False)),
]


@pytest.mark.parametrize(("text", "read"), TEXTS)
def test_what_a_place_says_besides_its_numbers(text, read):
    assert tuple(read_place(text)) == read


@given(st.text(max_size=60))
def test_any_text_of_a_place_is_read_without_an_error(text):
    found = read_place(text)
    kept = found.text + found.part + "".join(found.numbers)
    digits = {c for c in unicodedata.normalize("NFKC", text) if c.isascii() and c.isdigit()}
    assert digits <= set(unicodedata.normalize("NFKC", kept)) | set("1234") or found.numbers
    assert isinstance(place_key(text), str)


def a_ground():
    spaces = pd.DataFrame(
        [{"space_id": f"{section}-{lot}-{space}", "section": section, "lot_id": f"{section}-{lot}", "space": str(space)}
         for section in "AB" for lot in (14, 20) for space in (1, 2)]
    )  # fmt: skip
    lots = spaces[["lot_id", "section"]].drop_duplicates().assign(row=None)
    return make_places(spaces, None, lots.assign(lot=lots["lot_id"].str[2:]))


def walked(texts, days, old="A 14", new="B 20", first="1924-05-01", last="1924-05-01"):
    walk = pd.DataFrame(
        {"old": [old], "new": [new], "first_until": [first], "last_until": [last], "source": ["old.csv, line 2"]}
    )
    key = place_keys(pd.Series(texts))
    day = pd.Series(days, dtype="string")
    return resolve(key, key, pd.Series("", index=key.index), a_ground(), walk, day, day)


def test_a_place_in_a_former_numbering_is_what_it_was_then():
    found = walked(
        ["A 14 gr 2", "A 14 gr 2", "A 14 gr 2", "A 20 gr 1"], ["1901-01-01", "1950-01-01", None, "1901-01-01"]
    )
    assert found["outcome"].tolist() == ["space", "space", "two ways", "space"]
    assert found["space_id"].tolist()[:2] == ["B-20-2", "A-14-2"]
    assert found["resolved_by"].iloc[0].startswith("former numbering until 1924-05-01 (old.csv, line 2)")
    assert "A-14-2 by today's numbering or B-20-2 by the former" in found["resolved_by"].iloc[2]
    assert pd.isna(found["space_id"].iloc[2])
    assert found["space_id"].iloc[3] == "A-20-1"


def test_where_only_one_numbering_has_the_place_it_is_that_one():
    found = walked(["C 5 gr 1", "C 5 gr 1"], [None, "1950-01-01"], old="C 5", new="A 20")
    assert found["space_id"].iloc[0] == "A-20-1"
    assert found["outcome"].iloc[1] == "nowhere"  # that numbering had ended
    assert walked(["A 14 gr 1"], [None], new="A 14")["space_id"].tolist() == ["A-14-1"]  # both say the same


def test_a_year_in_which_the_numbering_changed_reads_two_ways():
    walk = pd.DataFrame({"old": ["A 14"], "new": ["B 20"], "first_until": ["1924-05-01"], "last_until": ["1924-05-01"],
                         "source": ["old.csv, line 2"]})  # fmt: skip
    key = place_keys(pd.Series(["A 14 gr 1"]))
    none = pd.Series([""])
    found = resolve(key, key, none, a_ground(), walk, pd.Series(["1924-01-01"]), pd.Series(["1924-12-31"]))
    assert found["outcome"].tolist() == ["two ways"]


def test_a_niche_is_read_as_it_is_said():
    for text in ("Columbarium N, east face, row 1, no. 3", "Niche N east 1-3",
                 "building N, east face, row 1 from the bottom, column 3 from the left"):  # fmt: skip
        assert place_key(read_place(text).text) == "N-EAST-1-3", text
    for text in ("Niche 12", "lot 12 niche 3"):  # a number of its own is not taken out of its word
        assert read_place(text).text == text
