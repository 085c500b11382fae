"""Names as registers write them: their parts, the codes they sound alike by, and the form they are searched in."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import jellyfish
import pandas as pd

__all__ = ["PARTS", "Name", "folded", "letter_tables", "parse_name", "read_names", "soundex_codes", "words"]


class Name(NamedTuple):
    """The parts of a name, each spelt as it is written; empty where there is none.

    Parameters
    ----------
    given, middle, surname : str
        A name of one word is a surname. Names in Han, Kana or Hangul begin with the surname.
    maiden : str
        Said to be one: after née, or in brackets behind Mrs or in "wife of".
    also : str
        Other names in brackets or quotation marks: nicknames, names at birth, other spellings.
    suffix, title : str
    relation : str
        ``infant of``, ``child of``, ``wife of``, ``widow of``, ``husband of`` ... where the name says so.
    relative : str
        Who that is, as written.
    unknown : bool
        The register says that the name is not known.
    rest : str
        Words that are no name, as in "unknown man, drowned".
    """

    given: str = ""
    middle: str = ""
    surname: str = ""
    maiden: str = ""
    also: str = ""
    suffix: str = ""
    title: str = ""
    relation: str = ""
    relative: str = ""
    unknown: bool = False
    rest: str = ""


PARTS = Name._fields
"""Columns made by `read_names`."""


def _listed(text: str) -> frozenset[str]:
    return frozenset(text.split())


_TITLES = _listed(
    "mr mrs miss ms mme mlle dr rev revd reverend capt captain col colonel sgt sergeant pvt private maj major gen "
    "general lt lieut lieutenant cpl corporal hon judge prof professor sir lady lord fr father sister bro brother "
    "elder deacon dea herr frau don dona señor señora squire"
)
_SUFFIXES = _listed(
    "jr sr jun junr sen senr junior senior ii iii iv esq md dd phd dds usa usn usmc usaf csa 2nd 3rd 2d 3d"
)
_PARTICLES = _listed("van von vander vanden vom de del della di du la le st mac mc dos da san santa")
_SMALL_PARTICLES = _listed(
    "zu zur zum delle dello der den des dal dalla do das les lo ter te ten tot af av al el bin ibn ben bint abu y"
)
"""Particles only where they are written small: Ben, Al and Y. are given names as well."""

_SOUNDEX_PREFIXES = ("van", "con", "de", "di", "la", "le", "d")
"""Prefixes with which a name is coded both ways; Mc and Mac are none (National Archives, the Soundex system)."""

_RELATIONS = {
    "infant": "infant of", "inf": "infant of", "baby": "infant of", "babe": "infant of", "newborn": "infant of",
    "stillborn": "infant of", "child": "child of", "ch": "child of", "children": "child of",
    "son": "son of", "daughter": "daughter of", "dau": "daughter of", "daug": "daughter of", "s/o": "son of",
    "d/o": "daughter of", "c/o": "child of", "w/o": "wife of", "wife": "wife of", "widow": "widow of",
    "wid": "widow of",
    "relict": "widow of", "consort": "wife of", "husband": "husband of", "h/o": "husband of", "mother": "mother of",
    "father": "father of", "sister": "sister of", "brother": "brother of", "twin": "twin of", "twins": "twin of",
    "grandson": "grandson of", "granddaughter": "granddaughter of", "grandchild": "grandchild of",
}  # fmt: skip
_UNKNOWN = _listed("unknown unk unkn unidentified nameless unnamed ? ?? ???")
_KINDS_OF_PERSON = _listed(
    "man woman male female boy girl person adult soldier sailor body remains traveler traveller child infant baby"
)
_BRACKETS = re.compile(
    r"\(([^()]{0,80})\)|\[([^\[\]]{0,80})\]|[\"\u201c\u201d\u201e\u00ab]([^\"\u201c\u201d\u201e\u00ab\u00bb]{1,60})[\"\u201c\u201d\u00bb]"
)
_NEE = re.compile(r"\b(?:n\u00e9e|nee|geb\.?|geborene)\s+(\S[^,;]*)", re.IGNORECASE)
_OF = re.compile(
    r"(?P<before>.*?)(?:^|[\s,;(]+)(?:the\s+|an?\s+|infant\s+|inf\.?\s+|only\s+|young\s+|stillborn\s+)*"
    r"(?P<word>infant|inf|baby|babe|newborn|stillborn|child|ch|children|son|daughter|dau|daug|wife|widow|wid|relict|"
    r"consort|husband|mother|father|sister|brother|twins?|grandson|granddaughter|grandchild)\.?\s+"
    r"(?:(?:child|son|dau(?:ghter|g)?|boy|girl)\.?\s+)?of\s+(?P<who>.+)",
    re.IGNORECASE | re.DOTALL,
)
_SLASHED = re.compile(r"(?P<before>.*?)(?:^|[\s,;]+)(?P<word>[swdch]/o)\s+(?P<who>.+)", re.IGNORECASE | re.DOTALL)
_INFANT = re.compile(
    r"(?:the\s+)?(infant|inf\.?|baby|babe|newborn|stillborn)\s+(?:(?:child|son|daughter|boy|girl)\s+)?(?!of\b)(.*)",
    re.IGNORECASE,
)
_INFANT_WORDS = _listed("infant baby babe newborn stillborn")
_SPACES = re.compile(r"\s+")


def _bare(word: str) -> str:
    return word.casefold().strip(".,;:")


def _clean(text: str) -> str:
    return _SPACES.sub(" ", text).strip(" ,;")


@lru_cache(maxsize=1 << 17)
def parse_name(text: str | None) -> Name:
    """Cut a name into its parts; every word of it is in one of them, spelt as it was.

    Parameters
    ----------
    text : str or None

    Examples
    --------
    >>> parse_name("van der Berg, Mrs. Anna Maria (née O'Brien)")[:4]
    ('Anna', 'Maria', 'van der Berg', "O'Brien")
    >>> name = parse_name("Infant of John & Mary Smith")
    >>> name.relation, name.relative, name.surname
    ('infant of', 'John & Mary Smith', '')
    >>> parse_name("Unknown man").unknown, parse_name("山田 太郎").surname
    (True, '山田')
    """
    if text is None:
        return Name()
    left = _clean(text)
    if not left:
        return Name()
    if len(left) > 300:
        return Name(rest=left)
    if _bare(left) in _INFANT_WORDS:
        return Name(relation="infant of", unknown=True, rest=left)
    relation, relative, left = _relation(left)
    also: list[str] = []
    maiden = ""
    found = _NEE.search(left)
    if found is not None and "(" not in found[1]:
        maiden = _clean(found[1].strip(")]"))
        left = _clean(left[: found.start()].rstrip("([ ") + " " + left[found.end() :].lstrip(")] "))
    for match in _BRACKETS.finditer(left):
        inside = _clean(next((part for part in match.groups() if part is not None), ""))
        if inside:
            also.append(inside)
    left = _clean(_BRACKETS.sub(" ", left))
    name = _parts(left)
    if relation and relative and name.surname and not name.given and not name.title and " " not in left:
        name = name._replace(given=name.surname, surname="")  # Mary, wife of John Smith
    married = relation in ("wife of", "widow of") or _bare(name.title).split()[:1] in (["mrs"], ["mme"], ["frau"])
    if not maiden and married and len(also) == 1 and "?" not in also[0] and " " not in also[0]:
        maiden, also = also[0], []
    return name._replace(
        maiden=maiden, also="; ".join(also), relation=relation, relative=relative
    )  # fmt: skip


def _relation(text: str) -> tuple[str, str, str]:
    """Relation, relative, and what is left of the name."""
    found = _OF.fullmatch(text) or _SLASHED.fullmatch(text)
    if found is not None:
        before = found["before"]
        opened = before.count("(") > before.count(")")
        who = found["who"]
        if text[found.end("before") : found.start("word")].count("(") or opened:
            before, who = before.replace("(", " ") if opened else before, who.rstrip(") ")
        said = _RELATIONS[found["word"].casefold()]
        if re.search(r"\b(?:infant|inf|baby|stillborn|newborn)\b", text[: found.start("who")], re.IGNORECASE):
            said = "infant of"
        return said, _clean(who), _clean(before)
    found = _INFANT.fullmatch(text)
    if found is not None:
        # "Infant Smith", "Baby Boy Penn": a child without a name of its own
        return "infant of", "", _clean(found[2])
    head, comma, tail = text.rpartition(",")
    last = re.fullmatch(
        r"(infant|inf|baby|stillborn|child)(?:\.?\s+(?:child|son|dau|daughter|boy|girl))?", _bare(tail.strip())
    )
    if comma and last is not None:
        return ("child of" if last[1] == "child" else "infant of"), "", _clean(head)
    return "", "", text


def _parts(text: str) -> Name:
    if not text:
        return Name()
    pieces = [_clean(piece) for piece in text.split(",")]
    pieces = [piece for piece in pieces if piece]
    titles: list[str] = []
    suffixes: list[str] = []
    kept: list[list[str]] = []
    for place, piece in enumerate(pieces):
        tokens = piece.split()
        while tokens and _bare(tokens[0]) in _TITLES and (len(tokens) > 1 or place):
            titles.append(tokens.pop(0))
        while tokens and _is_suffix(tokens[-1]) and (len(tokens) > 1 or place):
            suffixes.insert(0, tokens.pop())
        if tokens:
            kept.append(tokens)
    if not kept:
        return Name(title=" ".join(titles), suffix=" ".join(suffixes))
    title, suffix = " ".join(titles), " ".join(suffixes)
    everything = [token for tokens in kept for token in tokens]
    if _bare(everything[0]) in _UNKNOWN or text.strip("?. ") == "":
        others = everything[1:]
        if all(_bare(token) in _KINDS_OF_PERSON | _UNKNOWN for token in others):
            return Name(title=title, suffix=suffix, unknown=True, rest=" ".join(everything))
        if len(kept) == 1 and len(others) == 1:
            return Name(surname=others[0], title=title, suffix=suffix, unknown=True, rest=everything[0])
        if len(kept) > 1 and len(kept[0]) == 1:
            return _given(kept[1], "", title, suffix)._replace(
                unknown=True, rest=" ".join([kept[0][0], *(token for more in kept[2:] for token in more)])
            )
        return Name(title=title, suffix=suffix, unknown=True, rest=" ".join(everything))
    if len(kept) > 1:  # Surname, given
        surname, given = " ".join(kept[0]), kept[1]
        rest = " ".join(token for tokens in kept[2:] for token in tokens)
        if _bare(given[0]) in _UNKNOWN and len(given) == 1:
            return Name(
                surname=surname, title=title, suffix=suffix, unknown=True, rest=" ".join([*given, *rest.split()])
            )
        return _given(given, surname, title, suffix)._replace(rest=rest)
    tokens = kept[0]
    if len(tokens) == 1:
        return Name(surname=tokens[0], title=title, suffix=suffix)
    if all(_family_first(token) for token in tokens):
        return _given(tokens[1:], tokens[0], title, suffix)
    start = len(tokens) - 1
    while start > 1 and _is_particle(tokens[start - 1]):
        start -= 2 if tokens[start - 1] == "y" and start > 2 else 1
    return _given(tokens[:start], " ".join(tokens[start:]), title, suffix)


def _given(tokens: list[str], surname: str, title: str, suffix: str) -> Name:
    return Name(given=tokens[0], middle=" ".join(tokens[1:]), surname=surname, title=title, suffix=suffix)


def _is_particle(token: str) -> bool:
    return _bare(token) in _PARTICLES or token in _SMALL_PARTICLES


def _is_suffix(token: str) -> bool:
    return token.casefold().replace(".", "").strip(",;:") in _SUFFIXES


def _family_first(token: str) -> bool:
    """Whether a word is written in Han, Kana or Hangul, where the family's name comes first."""
    return all(
        "\u3040" <= c <= "\u30ff" or "\u3400" <= c <= "\u9fff" or "\uac00" <= c <= "\ud7af" or c == "々" for c in token
    )


def read_names(texts: pd.Series) -> pd.DataFrame:
    """Cut a column of names into parts.

    Returns
    -------
    DataFrame
        `PARTS` on the index of `texts`; text is missing where a part is empty, ``unknown`` is a flag.

    Examples
    --------
    >>> read_names(pd.Series(["Penn, Ada", "Bo Lark Jr."]))[["given", "surname", "suffix"]].values.tolist()
    [['Ada', 'Penn', <NA>], ['Bo', 'Lark', 'Jr.']]
    """
    code, unique = pd.factorize(texts.astype(object))
    read = [parse_name(str(text)) for text in unique]
    made = {}
    for place, part in enumerate(PARTS):
        if part == "unknown":
            values = pd.array([name.unknown for name in read], dtype="boolean")
        else:
            values = pd.array([name[place] or None for name in read], dtype="string")
        made[part] = pd.Series(values.take(code, allow_fill=True), index=texts.index)
    return pd.DataFrame(made, index=texts.index)


# ---- searching ---------------------------------------------------------------------------------------------------

_LETTERS = {
    "ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i", "ħ": "h", "ŋ": "n",
    "ĸ": "k", "ŧ": "t", "ſ": "s", "ə": "e",
}  # fmt: skip
_GREEK = dict(
    zip("αβγδεζηθικλμνξοπρσςτυφχψω",
        ("a", "v", "g", "d", "e", "z", "i", "th", "i", "k", "l", "m", "n", "x", "o", "p", "r", "s", "s", "t", "y", "f",
         "ch", "ps", "o"), strict=True)
)  # fmt: skip
_CYRILLIC = {
    **dict(zip("абвгдезийклмнопрстуфыэ", "abvgdeziyklmnoprstufye", strict=True)),
    "ё": "yo", "ж": "zh", "х": "kh", "ц": "ts", "ч": "ch", "ш": "sh", "щ": "shch", "ъ": "", "ь": "", "ю": "yu",
    "я": "ya", "є": "ye", "і": "i", "ї": "yi", "ґ": "g", "ў": "u", "ђ": "dj", "ј": "j", "љ": "lj", "њ": "nj",
    "ћ": "c", "џ": "dz", "ѓ": "gj", "ќ": "kj", "ѕ": "dz",
}  # fmt: skip
_UMLAUTS = {"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"}
_PLAIN = str.maketrans({**_LETTERS, **_GREEK, **_CYRILLIC})
_SPELT_OUT = str.maketrans(_UMLAUTS)


@lru_cache(maxsize=1 << 17)
def folded(text: str) -> str:
    """Return the form a name is compared in: small letters without accents, apostrophes left out.

    Greek and Cyrillic are spelt in Latin letters (simple tables of common practice); other scripts stay.

    Examples
    --------
    >>> folded("Ó Súilleabháin"), folded("O\u2019Brien"), folded("Łukasz"), folded("Чехов")
    ('o suilleabhain', 'obrien', 'lukasz', 'chekhov')
    """
    low = unicodedata.normalize("NFC", unicodedata.normalize("NFKC", text).casefold())
    if low.isascii():
        made = low
    else:
        made = low.translate(_PLAIN)
        made = "".join(c for c in unicodedata.normalize("NFKD", made) if not unicodedata.combining(c)).translate(_PLAIN)
    made = re.sub(r"['\u2018\u2019\u02bc`\u00b4.]", "", made)
    return " ".join("".join(c if c.isalnum() else " " for c in made).split())


_JOINING = _PARTICLES | _SMALL_PARTICLES
_LONGEST = 300  # letters of a name; no source
# Where a small letter is followed by a capital, two words are written as one.
_GROWN_ON = re.compile(r"(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-ÖØ-Þ])|(?<=^[DdLl])['\u2019]")


def letter_tables() -> dict[str, dict[str, str] | list[str]]:
    """Return what `folded`, `words` and `soundex_codes` go by, for a page that does the same in a browser.

    Returns
    -------
    dict
        ``plain`` and ``spelt`` (a letter to the letters it is compared as), ``joining`` (particles written with the
        next word as well), ``prefixes`` (words a surname is coded with and without).

    Examples
    --------
    >>> letter_tables()["spelt"]["ü"]
    'ue'
    """
    return {
        "plain": {**_LETTERS, **_GREEK, **_CYRILLIC},
        "spelt": dict(_UMLAUTS),
        "joining": sorted(_JOINING),
        "prefixes": sorted(_PREFIX_WORDS),
    }


@lru_cache(maxsize=1 << 17)
def words(text: str) -> tuple[str, ...]:
    """Return the words a name is found by, folded; with ä as ae and so on as well.

    Examples
    --------
    >>> words("Jürgen Müller-Böhm"), words("van Deusen")
    (('jurgen', 'muller', 'bohm', 'juergen', 'mueller', 'boehm'), ('van', 'deusen', 'vandeusen'))
    >>> words("VanDeusen"), words("D'Angelo")
    (('vandeusen', 'deusen'), ('dangelo', 'angelo'))
    """
    found = folded(text).split()
    low = unicodedata.normalize("NFC", text.casefold())
    spelt = low.translate(_SPELT_OUT)
    if spelt != low:
        found += folded(spelt).split()
    joined = [a + b for a, b in pairwise(found) if a in _JOINING and b not in _JOINING]
    # A surname with a prefix grown on is found without it as well.
    for piece in re.split(r"[\s-]+", text[:_LONGEST]):
        parts = _GROWN_ON.split(piece)
        if len(parts) > 1 and folded(parts[0]) in _PREFIX_WORDS:
            joined.append(folded("".join(parts[1:])).replace(" ", ""))
    return tuple(dict.fromkeys(word for word in [*found, *joined] if word))


def _soundex(letters: str) -> str:
    plain = "".join(c for c in letters.upper() if "A" <= c <= "Z")
    return jellyfish.soundex(plain) if plain else ""


@lru_cache(maxsize=1 << 17)
def soundex_codes(surname: str) -> tuple[str, ...]:
    """Return the Soundex code of a surname, and that without its prefix where it has one.

    The rules are those of the National Archives (The Soundex Indexing System, 30 May 2007): prefixed names are coded
    both ways, Mc and Mac are no prefixes, letters that accents stand on count as the letters without. A prefix is seen
    where it is a word of its own, ends at an apostrophe or at a capital letter.

    Returns
    -------
    tuple of str
        Empty when there is no letter that has a code.

    Examples
    --------
    >>> soundex_codes("Ashcraft"), soundex_codes("VanDeusen"), soundex_codes("O'Brien"), soundex_codes("McAdam")
    (('A261',), ('V532', 'D250'), ('O165',), ('M235',))
    """
    whole = _soundex(folded(surname))
    if not whole:
        return ()
    codes = [whole]
    parts = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])|(?<=\bD)['\u2019]", " ", surname.strip()).split()
    start = 0
    while start < len(parts) - 1 and folded(parts[start]) in _PREFIX_WORDS:
        start += 1
        codes.append(_soundex(folded("".join(parts[start:]))))
    return tuple(dict.fromkeys(code for code in codes if code))


_PREFIX_WORDS = frozenset((*_SOUNDEX_PREFIXES, "von", "der", "den", "del", "dela", "della", "du", "des", "dos", "da"))
"""The Archives' list and the prefixes of other languages, coded the same way (common practice)."""
