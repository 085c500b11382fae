"""Finding anyone: people, and for staff holders, by names however they are spelt, years, sections and kin."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

from cemgis.dates import say_date, years
from cemgis.names import folded, soundex_codes, words
from cemgis.places import label_key

__all__ = ["DATED", "Finder", "Hit", "entries", "public_entries"]

ENTRY_COLUMNS = (
    "ground", "kind", "id", "name", "title", "given", "middle", "surname", "maiden", "also", "relative", "kin", "born",
    "died", "date", "section", "lot_id", "space_id", "suffix",
)  # fmt: skip
"""Columns of the table a `Finder` is made of; ``kind`` is person, stone, holder, reserved or memory."""

# What a match in each part of a name is worth against one in the surname, and how ways to match compare: assumptions,
# no source; scripts/bench_find.py reports what they find.
_ROLES: Mapping[str, float] = {
    "surname": 1.0, "given": 0.97, "maiden": 0.95, "also": 0.9, "middle": 0.9, "relative": 0.7, "kin": 0.6,
    "title": 0.3, "suffix": 0.3,
}  # fmt: skip
_PREFIX, _LONGER, _SOUND, _SPELT = 0.86, 0.12, 0.70, 0.92
_BOTH = 0.06
_SOME = 0.75  # for whoever answers some words of the question and not all
_NO_DATES, _NEAR_YEAR, _WRONG_YEAR = 0.75, 0.65, 0.5
_LEAST = 0.25
_NOISE = 0.55
_A_DECADE = 10
_REMEMBERED = 2  # years by which one that stands in the question may be off
_NEVER = 99_999
_SHORT = 3  # letters of a particle that may be written on to the next word
_SOUGHT = re.compile(r"(?<![0-9])(1[5-9][0-9]{2}|20[0-9]{2})(?:\s*[-\u2013]\s*(1[5-9][0-9]{2}|20[0-9]{2}))?(?![0-9])")


DATED = {"person": "buried", "holder": "right of", "reserved": "reserved", "memory": "told", "stone": "dated"}
"""What the date of an entry is of, by its kind."""


class Hit(NamedTuple):
    """One that was found.

    Parameters
    ----------
    score : float
        1 is every word found as it is written.
    ground, kind, id, name : str
    born, died, buried : str or None
        Values of the Extended Date/Time Format.
    section, lot_id, space_id : str or None
    reasons : tuple of str
        Why it was found, one for each word and condition.
    """

    score: float
    ground: str
    kind: str
    id: str
    name: str
    born: str | None
    died: str | None
    buried: str | None
    section: str | None
    lot_id: str | None
    space_id: str | None
    reasons: tuple[str, ...]


def entries(ground: str, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Make the table of all that staff can find on one ground.

    Parameters
    ----------
    ground : str
        Its name.
    tables : mapping of str to DataFrame
        Layers ``people``, ``events``, ``spaces``, ``lots``, ``niches``; and ``kin``, ``inscriptions``, ``rights``,
        ``memories``.

    Returns
    -------
    DataFrame
        `ENTRY_COLUMNS`: everybody in the register, whether living or dead, stones of nobody in it, holders, people a
        space is reserved for, and who is remembered.
    """
    people, events = tables["people"], tables["events"]
    burials = events[events["person_id"].notna() & ~events["kind"].isin(["disinterment", "urn removed"])]
    burials = burials.drop_duplicates("person_id", keep="last").set_index("person_id")
    made = people.rename(columns={"person_id": "id"}).assign(kind="person")
    for name in ("date", "lot_id", "space_id"):
        made[name] = made["id"].map(burials[name])
    made["kin"] = made["id"].map(_kin_words(tables.get("kin")))
    parts = [made]
    for layer, key, name, kind in (
        ("inscriptions", "inscription_id", "name", "stone"), ("rights", "right_id", "holder", "holder"),
        ("rights", "right_id", "reserved_for", "reserved"), ("memories", "memory_id", "about", "memory"),
    ):  # fmt: skip
        table = tables.get(layer)
        if table is not None and len(table):
            alone = table["person_id"].isna() if "person_id" in table and layer != "rights" else True
            parts.append(_loose(table[table[name].notna() & alone], key, name, kind))
    places = [tables[name].set_index(key)["section"] for name, key in
              (("spaces", "space_id"), ("niches", "space_id"), ("lots", "lot_id")) if name in tables]  # fmt: skip
    sections = pd.concat(places)
    return _table(ground, parts, sections[~sections.index.duplicated()])


def public_entries(ground: str, graves: pd.DataFrame) -> pd.DataFrame:
    """Make the table of all that anybody may find on one ground.

    Parameters
    ----------
    ground : str
        Its name.
    graves : DataFrame
        The graves of a `cemgis.disclosure.PublicGround`, and nothing else: who is not among them is not found.

    Returns
    -------
    DataFrame
        `ENTRY_COLUMNS`; ``id`` is empty, as the public's numbers mean nothing elsewhere.
    """
    made = graves.rename(columns={"buried": "date"}).assign(kind="person", id="")
    columns = ("title", "given", "middle", "surname", "maiden", "suffix")
    parts = [" ".join(row) for row in zip(*(graves[name].fillna("").astype(str) for name in columns), strict=True)]
    # "infant of ...", "wife of ...": where the parts do not say all of it, a name is found as it is shown as well
    made["also"] = [
        name if set(words(str(name))) - set(words(told)) - {"born"} else None
        for name, told in zip(graves["name"], parts, strict=True)
    ]
    return _table(ground, [made], None)


def _table(ground: str, parts: Sequence[pd.DataFrame], sections: pd.Series | None) -> pd.DataFrame:
    """One table of entries of several kinds."""
    shaped = [part.reindex(columns=list(ENTRY_COLUMNS)).astype(object) for part in parts if len(part)]
    if not shaped:
        return pd.DataFrame(columns=list(ENTRY_COLUMNS), dtype=object)
    table = pd.concat(shaped, ignore_index=True)
    table["ground"] = ground
    if sections is not None:
        table["section"] = table["space_id"].map(sections).fillna(table["lot_id"].map(sections))
    return table


def _loose(table: pd.DataFrame, key: str, name: str, kind: str) -> pd.DataFrame:
    """Entries of names that are not cut into parts: all their words count as a surname's."""
    renamed = table.rename(columns={key: "id"}).drop(columns="name", errors="ignore")
    renamed = renamed.assign(name=table[name], surname=table[name], kind=kind)
    # A right has a row for each space it is to; its holder is there once.
    once = ["id"] if kind != "holder" else ["source", "name"] if "source" in renamed else ["name"]
    renamed = renamed[~renamed.duplicated(once)]
    return renamed.drop(columns="kin", errors="ignore")


def _kin_words(kin: pd.DataFrame | None) -> dict[str, str]:
    if kin is None or not len(kin):
        return {}
    own = kin[kin["by"] == "as recorded"]
    said = own["relation"] + " " + own["other_name"]
    return dict(said.groupby(own["person_id"]).agg("; ".join))


def _most_off(token: str) -> int:
    """Letters that may be wrong in a word of that length."""
    return 0 if len(token) < 3 else 1 if len(token) < 6 else 2 if len(token) < 9 else 3


class _When(NamedTuple):
    """The years asked for, and by how many they may be off."""

    low: int
    high: int
    within: int


class _Matches(NamedTuple):
    """Words of the index that answer one word of the question: which, how well, and how."""

    word: npt.NDArray[np.int64]
    score: npt.NDArray[np.float32]


class Finder:
    """An index of people over one ground or several; made once, asked often.

    Parameters
    ----------
    table : DataFrame
        From `entries`; several grounds one under the other.

    Examples
    --------
    >>> table = pd.DataFrame({"ground": "Hill", "kind": "person", "id": ["a", "b"], "name": ["Ada Smythe", "Bo Lark"],
    ...                       "given": ["Ada", "Bo"], "surname": ["Smythe", "Lark"], "died": ["1887", "[1900,1901]"]})
    >>> hit, = Finder(table).find("smith 1888", within=2)
    >>> hit.name, hit.reasons
    ('Ada Smythe', ('smith: sounds like Smythe (S530), surname', 'died 1887, within 2 years of 1888'))
    """

    def __init__(self, table: pd.DataFrame) -> None:
        table = table.reindex(columns=list(ENTRY_COLUMNS)).astype(object)
        table = table.where(table.notna(), None)
        # Hits of the same score come in the order of their names.
        names = table["name"].map(lambda text: folded(str(text or "")))
        order = pd.DataFrame({"name": names, "id": table["id"].astype(str)}).sort_values(["name", "id"], kind="stable")
        self.table = table.loc[order.index].reset_index(drop=True)
        self._values = {name: self.table[name].to_numpy(dtype=object) for name in ENTRY_COLUMNS}
        self._index_words()
        self._index_dates()
        self.sections = self.table["section"].map(lambda text: label_key(text)).to_numpy(dtype=object)
        self._places: dict[str, list[int]] = {}
        for column in ("space_id", "lot_id"):
            for row, text in enumerate(self.table[column]):
                if text:
                    self._places.setdefault(label_key(text), []).append(row)

    def __len__(self) -> int:
        return len(self.table)

    def _index_words(self) -> None:
        pieces: list[pd.DataFrame] = []
        for role in _ROLES:
            code, unique = pd.factorize(self.table[role])
            found = [words(str(text)) for text in unique]
            many = np.array([len(item) for item in found], dtype=np.int64)
            rows = np.flatnonzero(code >= 0)
            times = many[code[rows]]
            flat = np.array([word for item in found for word in item], dtype=object)
            start = np.cumsum(many) - many
            at = np.arange(int(times.sum())) - np.repeat(np.cumsum(times) - times, times)
            chosen = np.repeat(start[code[rows]], times) + at
            pieces.append(
                pd.DataFrame({"word": flat[chosen], "row": np.repeat(rows, times), "role": list(_ROLES).index(role)})
            )
        posted = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame({"word": [], "row": [], "role": []})
        posted = posted[posted["word"] != ""].drop_duplicates()
        code, vocabulary = pd.factorize(posted["word"].astype(object), sort=True)
        order = np.argsort(code, kind="stable")
        self.vocabulary: list[str] = list(vocabulary)
        self._word = np.asarray(self.vocabulary, dtype=str) if len(vocabulary) else np.empty(0, dtype="U1")
        self._row = posted["row"].to_numpy(dtype=np.int64)[order]
        self._role = posted["role"].to_numpy(dtype=np.int64)[order]
        self._starts = np.searchsorted(code[order], np.arange(len(vocabulary) + 1))
        self._at = {word: place for place, word in enumerate(self.vocabulary)}
        sounds: dict[str, list[int]] = {}
        for place, word in enumerate(self.vocabulary):
            for sound in soundex_codes(word):
                sounds.setdefault(sound, []).append(place)
        self._sounds = {sound: np.asarray(places, dtype=np.int64) for sound, places in sounds.items()}
        self._length = np.array([len(word) for word in self.vocabulary], dtype=np.int64)
        lengths = np.unique(self._length).tolist()
        self._by_length = {number: np.flatnonzero(self._length == number) for number in lengths}
        self._words_of = {
            number: [self.vocabulary[place] for place in places] for number, places in self._by_length.items()
        }
        self._weights = np.fromiter(_ROLES.values(), dtype=np.float32)

    def _index_dates(self) -> None:
        def span(name: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
            found = years(self.table[name])
            low = found["earliest"].to_numpy(dtype=float, na_value=np.nan)
            high = found["latest"].to_numpy(dtype=float, na_value=np.nan)
            known = np.isfinite(low) | np.isfinite(high)
            low = np.where(known, np.where(np.isfinite(low), low, -_NEVER), _NEVER)
            high = np.where(known, np.where(np.isfinite(high), high, _NEVER), -_NEVER)
            return low.astype(np.int64), high.astype(np.int64)

        self._spans = {name: span(name) for name in ("born", "died", "date")}

    # ---- asking ------------------------------------------------------------------------------------------------

    def find(
        self,
        text: str = "",
        *,
        year: int | None = None,
        within: int | None = None,
        section: str | None = None,
        limit: int = 20,
    ) -> list[Hit]:
        """Find people by the words of their names, best first.

        A word that fits nobody and a year that is wrong put a hit further down; they do not rule it out.

        Parameters
        ----------
        text : str
            Words of a name in any order, however spelt; a number of four digits is a year, two joined by a dash are
            the first and the last; a place finds who is there.
        year : int, optional
            Of birth, death or burial.
        within : int, optional
            Years by which that may be off: none, or two where the year stands in the text.
        section : str, optional
        limit : int

        Returns
        -------
        list of Hit
        """  # fmt: skip
        asked = text[:200]
        here = self._place(text)
        when = None if year is None else _When(year, year, within or 0)
        found = _SOUGHT.search(asked)
        if when is None and found is not None and not here:
            ends = sorted((int(found[1]), int(found[2] or found[1])))
            loose = within if within is not None else 0 if found[2] else _REMEMBERED
            when, asked = _When(ends[0], ends[1], loose), asked[: found.start()] + " " + asked[found.end() :]
        allowed, factor = self._allowed(when, section)
        if here:
            rows = np.array([row for row in here if allowed[row]], dtype=np.int64)[:limit]
            return [self._hit(row, 1.0, (f"lies in {self._lies(row)}",), when, section) for row in rows.tolist()]
        tokens = [forms for forms in (words(piece) for piece in asked.split()) if forms][:8]
        tokens = list(dict.fromkeys(tokens))
        if not tokens:
            if when is None and section is None:
                return []
            rows = np.flatnonzero(allowed & (factor == 1.0))[:limit]
            return [self._hit(row, 1.0, (), when, section) for row in rows.tolist()]
        total = np.zeros(len(self.table), dtype=np.float32)
        answered = np.zeros(len(self.table), dtype=np.int8)
        matched = self._matches(tokens)
        for matches in matched:
            best = self._best(matches)
            total += best
            answered += best > 0
        score = total * factor * allowed / len(tokens)
        # Whoever answers every word comes before anyone who answers some.
        score *= np.where(answered == len(tokens), 1.0, _SOME).astype(np.float32)
        # What fits far worse than the best is noise beside it.
        good = np.flatnonzero(score > max(_LEAST, _NOISE * float(score.max(initial=0.0))))
        if len(good) > limit:
            edge = np.partition(score[good], len(good) - limit)[len(good) - limit]
            good = good[score[good] >= edge]
        good = good[np.argsort(-score[good], kind="stable")][:limit]
        return [
            self._hit(row, float(score[row]), self._reasons(row, tokens, matched), when, section)
            for row in good.tolist()
        ]

    def _place(self, text: str) -> list[int]:
        key = label_key(text)
        return self._places.get(key, []) if any(c.isdigit() for c in key) else []

    def _lies(self, row: int) -> str:
        return str(self._values["space_id"][row] or self._values["lot_id"][row])

    def _allowed(
        self, when: _When | None, section: str | None
    ) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float32]]:  # fmt: skip
        """Who is in the section, and what another year or none takes off."""
        allowed = np.ones(len(self.table), dtype=bool)
        factor = np.ones(len(self.table), dtype=np.float32)
        if when is not None:
            off = self._years_off(when)
            factor[off > 0] = _NEAR_YEAR
            factor[off > _A_DECADE] = _WRONG_YEAR
            factor[off == _NEVER] = _NO_DATES
        if section is not None:
            allowed &= self.sections == label_key(section)
        return allowed, factor

    def _years_off(self, when: _When) -> npt.NDArray[np.int64]:
        """Years between what is asked for and the nearest date of each entry; `_NEVER` for one without a date."""
        off = np.full(len(self.table), _NEVER, dtype=np.int64)
        for low, high in self._spans.values():
            far = np.maximum(0, np.maximum(low - when.high, when.low - high) - when.within)
            off = np.where(high >= low, np.minimum(off, far), off)
        return off

    def _matches(self, tokens: Sequence[tuple[str, ...]]) -> list[_Matches]:
        """Words of the index that each word of the question may mean."""
        scores = [self._match(forms) for forms in tokens]
        for place, (one, other) in enumerate(pairwise(tokens)):
            # "O Brien" and "van Deusen" may be written as one word.
            if len(one[0]) <= _SHORT:
                both = self._match((one[0] + other[0],), spelling=False)
                for score in scores[place : place + 2]:
                    np.maximum(score, both, out=score)
        return [_Matches(word, score[word]) for score in scores for word in [np.flatnonzero(score)]]

    def _match(self, forms: Sequence[str], *, spelling: bool = True) -> npt.NDArray[np.float32]:
        """How well each word of the index fits a word that may be written in several forms."""
        score = np.zeros(len(self.vocabulary), dtype=np.float32)
        for token in forms:
            np.maximum(score, self._fit(token, spelling=spelling), out=score)
        return score

    def _fit(self, token: str, *, spelling: bool) -> npt.NDArray[np.float32]:
        score = np.zeros(len(self.vocabulary), dtype=np.float32)
        low = int(np.searchsorted(self._word, token))
        high = int(np.searchsorted(self._word, token + "\U0010ffff"))
        score[low:high] = _PREFIX + _LONGER * len(token) / self._length[low:high]
        for code in soundex_codes(token) if len(token) > 2 else ():
            heard = self._sounds.get(code)
            if heard is not None:
                score[heard] = np.maximum(score[heard], _SOUND)
        most = _most_off(token) if spelling else 0
        for length in range(len(token) - most, len(token) + most + 1) if most else ():
            if length not in self._words_of:
                continue
            distance = cdist([token], self._words_of[length], scorer=OSA.distance, score_cutoff=most, dtype=np.uint8)[0]
            near = np.flatnonzero((distance <= most) & (distance > 0))
            place = self._by_length[length][near]
            alike = _SPELT * (1.0 - distance[near] / np.float32(max(len(token), length)))
            # A word that is spelt nearly the same and sounds the same is likelier than either alone.
            alike += _BOTH * (score[place] >= _SOUND)
            score[place] = np.maximum(score[place], alike)
        exact = self._at.get(token)
        if exact is not None:
            score[exact] = 1.0
        return score

    def _best(self, matches: _Matches) -> npt.NDArray[np.float32]:
        """Best score of each entry for one word."""
        best = np.zeros(len(self.table), dtype=np.float32)
        if not len(matches.word):
            return best
        start, end = self._starts[matches.word], self._starts[matches.word + 1]
        times = end - start
        at = np.repeat(start - (np.cumsum(times) - times), times) + np.arange(int(times.sum()))
        np.maximum.at(best, self._row[at], np.repeat(matches.score, times) * self._weights[self._role[at]])
        return best

    # ---- saying why --------------------------------------------------------------------------------------------

    def _reasons(self, row: int, tokens: Sequence[tuple[str, ...]], matched: Sequence[_Matches]) -> tuple[str, ...]:
        said: list[str] = []
        own: list[tuple[int, str, str]] = []
        for role in _ROLES:
            text = self._values[role][row]
            for piece in re.split(r"[\s;]+", str(text)) if text else ():
                own += [(self._at[word], role, piece) for word in words(piece) if word in self._at]
            if text:
                own += [(self._at[word], role, str(text)) for word in words(str(text)) if word in self._at]
        for forms, matches in zip(tokens, matched, strict=True):
            token = forms[0]
            score = dict(zip(matches.word.tolist(), matches.score.tolist(), strict=True))
            ways = [(score[place] * _ROLES[role], place, role, piece) for place, role, piece in own if place in score]
            if not ways:
                said.append(f"{token}: not found in the name")
                continue
            _, place, role, piece = max(ways, key=lambda way: way[0])
            how = min((self._how(form, self.vocabulary[place], piece) for form in forms), key=len)
            said.append(f"{token}: {how}, {role}")
        return tuple(said)

    def _how(self, token: str, word: str, piece: str) -> str:
        if token == word:
            return "as written" if folded(piece) == word else f"as in {piece}"
        if word.startswith(token):
            return f"begins {piece}"
        off = int(OSA.distance(token, word))
        shared = [code for code in soundex_codes(token) if code in soundex_codes(word)]
        most = _most_off(token)
        letters = f"{off} letter{'s' if off > 1 else ''} off {piece}"
        if shared and off <= most:
            return (
                f"sounds like {piece} ({shared[0]})" if off == most else f"{letters} and sounds like it ({shared[0]})"
            )
        return f"sounds like {piece} ({shared[0]})" if shared else letters

    def _hit(self, row: int, score: float, reasons: tuple[str, ...], when: _When | None, section: str | None) -> Hit:
        item: dict[str, Any] = {name: self._values[name][row] for name in ENTRY_COLUMNS}
        said = list(reasons)
        if when is not None:
            said.append(self._when(row, item, when))
        if section is not None:
            said.append(f"section {item['section']}")
        kin = item["kin"]
        if kin:
            said.append(f"kin: {kin}")
        return Hit(
            round(score, 3), str(item["ground"] or ""), str(item["kind"] or ""), str(item["id"] or ""),
            str(item["name"] or "name not known"), item["born"], item["died"], item["date"], item["section"],
            item["lot_id"], item["space_id"], tuple(said),
        )  # fmt: skip

    def _when(self, row: int, item: Mapping[str, Any], when: _When) -> str:
        """Say how the dates of an entry stand to the years asked for."""
        asked = str(when.low) if when.low == when.high else f"{when.low} to {when.high}"
        own = DATED.get(str(item["kind"]), "dated")
        dated = [(name, word) for name, word in (("born", "born"), ("died", "died"), ("date", own))
                 if self._spans[name][1][row] >= self._spans[name][0][row]]  # fmt: skip
        for name, word in dated:
            low, high = (ends[row] for ends in self._spans[name])
            if low <= when.high + when.within and high >= when.low - when.within:
                near = f", within {when.within} years of {asked}" if when.within else f", may be {asked}"
                return f"{word} {say_date(item[name])}{near if str(item[name]) != asked else ''}"
        if not dated:
            return "no date to compare"
        return f"not {asked}: " + ", ".join(f"{word} {say_date(item[name])}" for name, word in dated)
