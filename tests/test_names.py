"""Names: their parts, published Soundex codes, and that no letter of a name is lost."""

from __future__ import annotations

import csv
import unicodedata
from collections import Counter
from pathlib import Path

import jellyfish
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cemgis.names import PARTS, Name, folded, parse_name, read_names, soundex_codes, words

DATA = Path(__file__).resolve().parents[2] / "shared" / "data" / "names"

# National Archives, The Soundex Indexing System (30 May 2007), and its older guide.
SOUNDEX = {
    "Washington": "W252", "Lee": "L000", "Gutierrez": "G362", "Pfister": "P236", "Jackson": "J250", "Tymczak": "T522",
    "Ashcraft": "A261", "Kuhne": "K500", "Ebell": "E140", "Ebelson": "E142", "Kelly": "K400", "Buerck": "B620",
    "Lloyd": "L300", "Schaefer": "S160", "Smith": "S530", "Smyth": "S530",
}  # fmt: skip


@pytest.mark.parametrize(("name", "code"), SOUNDEX.items())
def test_published_soundex_codes(name, code):
    assert soundex_codes(name) == (code,)
    assert soundex_codes(name.upper()) == (code,)


def test_prefixed_names_are_coded_both_ways_and_mc_is_no_prefix():
    for name in ("VanDeusen", "Van Deusen", "van Deusen"):
        assert soundex_codes(name) == ("V532", "D250")  # the guide's example, from memory
    assert soundex_codes("D'Amico") == soundex_codes("D\u2019Amico")
    assert len(soundex_codes("D'Amico")) == 2
    assert len(soundex_codes("McDonald")) == len(soundex_codes("MacDonald")) == 1
    # an apostrophe, an accent or another script is no error: the letters that have a code count
    assert soundex_codes("O'Hara") == soundex_codes("Ohara")
    assert soundex_codes("Müller") == soundex_codes("Muller")
    assert soundex_codes("山田") == ()
    assert soundex_codes("") == ()
    assert soundex_codes("Чехов") == soundex_codes("Chekhov")


@pytest.mark.external
@pytest.mark.skipif(not DATA.is_dir(), reason="the vectors may not be committed")
def test_soundex_vectors_of_others():
    with (DATA / "soundex.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(handle))
    assert len(rows) >= 9
    for name, code in rows:
        # one row is a whole phrase: coded as one word, as the vectors' own library does
        assert code in soundex_codes(name) or jellyfish.soundex(name) == code


PARSED = [
    ("John Smith", {"given": "John", "surname": "Smith"}),
    ("Smith, John", {"given": "John", "surname": "Smith"}),
    ("SMITH, JOHN A.", {"given": "JOHN", "middle": "A.", "surname": "SMITH"}),
    ("Smith, John, Jr.", {"given": "John", "surname": "Smith", "suffix": "Jr."}),
    ("Dr. John A. Smith III", {"title": "Dr.", "given": "John", "middle": "A.", "surname": "Smith", "suffix": "III"}),
    ("Smith, Mrs. John", {"title": "Mrs.", "given": "John", "surname": "Smith"}),
    ("Mrs. Smith", {"title": "Mrs.", "surname": "Smith"}),
    ("Smith", {"surname": "Smith"}),
    ("Mary Smith née Brown", {"given": "Mary", "surname": "Smith", "maiden": "Brown"}),
    ("Mary Smith (nee O'Brien)", {"given": "Mary", "surname": "Smith", "maiden": "O'Brien"}),
    ("Mrs. Mary (Brown) Smith", {"title": "Mrs.", "given": "Mary", "surname": "Smith", "maiden": "Brown"}),
    ("Mary (Brown) Smith", {"given": "Mary", "surname": "Smith", "also": "Brown"}),  # a maiden name or a nickname
    ('John "Jack" Smith', {"given": "John", "surname": "Smith", "also": "Jack"}),
    ("Ludwig van Beethoven", {"given": "Ludwig", "surname": "van Beethoven"}),
    ("Maria de la Cruz y Vega", {"given": "Maria", "surname": "de la Cruz y Vega"}),
    ("Van Morrison", {"given": "Van", "surname": "Morrison"}),
    ("d'Artagnan, Charles", {"given": "Charles", "surname": "d'Artagnan"}),
    ("St. John, Peter", {"given": "Peter", "surname": "St. John"}),
    ("Infant of John & Mary Smith", {"relation": "infant of", "relative": "John & Mary Smith"}),
    ("Infant son of J. Smith", {"relation": "infant of", "relative": "J. Smith"}),
    ("Baby Boy Penn", {"relation": "infant of", "surname": "Penn"}),
    ("Smith, infant", {"relation": "infant of", "surname": "Smith"}),
    ("Smith, infant son", {"relation": "infant of", "surname": "Smith"}),
    ("Sgt. Wm. Pell, USA", {"title": "Sgt.", "given": "Wm.", "surname": "Pell", "suffix": "USA"}),
    ("Wife of John Smith", {"relation": "wife of", "relative": "John Smith"}),
    ("Mary, wife of John Smith", {"given": "Mary", "relation": "wife of", "relative": "John Smith"}),
    ("Mary (wife of John Smith)", {"given": "Mary", "relation": "wife of", "relative": "John Smith"}),
    (
        "Mary Brown w/o John Smith",
        {"given": "Mary", "surname": "Brown", "relation": "wife of", "relative": "John Smith"},
    ),
    ("Ann relict of Wm. Penn", {"given": "Ann", "relation": "widow of", "relative": "Wm. Penn"}),
    ("Unknown", {"unknown": True, "rest": "Unknown"}),
    ("Unknown man", {"unknown": True, "rest": "Unknown man"}),
    ("Unknown Smith", {"unknown": True, "surname": "Smith", "rest": "Unknown"}),
    ("Smith, Unknown", {"unknown": True, "surname": "Smith", "rest": "Unknown"}),
    ("?", {"unknown": True, "rest": "?"}),
    ("山田 太郎", {"surname": "山田", "given": "太郎"}),
    ("Мария Чехова", {"given": "Мария", "surname": "Чехова"}),
    ("Ó Súilleabháin, Seán", {"given": "Seán", "surname": "Ó Súilleabháin"}),
    ("", {}),
]


@pytest.mark.parametrize(("text", "parts"), PARSED)
def test_parts_of_names(text, parts):
    assert parse_name(text) == Name(**parts)


def letters(text: str) -> Counter[str]:
    return Counter(c for c in unicodedata.normalize("NFC", text).casefold() if c.isalnum())


PIECES = st.sampled_from(
    ["John", "Smith", ",", "Mrs.", "Jr.", "van", "(Brown)", "née", "Infant", "of", "wife", "unknown", "?", "'",
     "Ó", "山田",
     "\"Jack\"", "y", "III", "&", "-", "[", "w/o", "\x00", "the", "son"]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=50), st.lists(PIECES, max_size=8).map(" ".join)))
@example("of of of")
@example("((((")
@example("née née née")
@example("Mrs.")
@example("infant infant of of")
@example("\u0130")
def test_no_letter_of_a_name_is_lost(text):
    name = parse_name(text)
    kept = letters(" ".join(part for part in name if isinstance(part, str)))
    # words that say how two people are related become the relation; "née" and "the" say what the rest is
    said = letters("née nee geb geborene the a an infant inf baby babe child ch son daughter dau daug wife widow wid "
                   "relict consort husband mother father sister brother twins grandson granddaughter grandchild of "
                   "only young stillborn newborn boy girl children w/o s/o d/o c/o h/o")  # fmt: skip
    missing = letters(text) - kept
    assert not missing or name.relation or name.maiden or not (missing - said)
    assert set(missing) <= set(said)
    assert all(isinstance(code, str) and len(code) == 4 for code in soundex_codes(text))
    assert folded(folded(text)) == folded(text)
    assert all(word == folded(word) for word in words(text))


def test_a_column_of_names_keeps_its_index():
    found = read_names(pd.Series(["Penn, Ada", None, "Unknown"], index=[7, 3, 5]))
    assert list(found.columns) == list(PARTS)
    assert list(found.index) == [7, 3, 5]
    assert found.loc[3].isna().all()
    assert bool(found.loc[5, "unknown"]) is True


FOLDED = [
    ("Ó Súilleabháin", "o suilleabhain"), ("O'Brien", "obrien"), ("O\u2019Brien", "obrien"), ("Łukasz", "lukasz"),
    ("Straße", "strasse"), ("Ørsted", "orsted"), ("Þórr", "thorr"), ("Чехов", "chekhov"), ("Παπαδόπουλος",
    "papadopoylos"),
    ("Smith-Jones", "smith jones"), ("ﬁnch", "finch"), ("山田", "山田"), ("İnce", "ince"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "form"), FOLDED)
def test_the_form_names_are_searched_in(name, form):
    assert folded(name) == form


def test_umlauts_are_found_both_ways():
    assert set(words("Müller")) == {"muller", "mueller"}
    assert "vandeusen" in words("van Deusen")
