import pytest
from hypothesis import given
from hypothesis import strategies as st

from cemgis.places import carries_section, label_key


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
