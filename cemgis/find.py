"""Finding anyone: people, and for staff holders, by names however they are spelt, years, sections and kin."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

from cemgis.dates import years
from cemgis.names import folded, soundex_codes, words
from cemgis.places import label_key

__all__ = ["Finder", "Hit", "entries"]

ENTRY_COLUMNS = (
    "ground", "kind", "id", "name", "title", "given", "middle", "surname", "maiden", "also", "relative", "kin", "born",
    "died", "date", "section", "lot_id", "space_id",
)  # fmt: skip
"""Columns of the table a `Finder` is made of; ``kind`` is person, stone, holder, reserved or memory."""

# What a match in each part of a name is worth against one in the surname, and how ways to match compare: assumptions,
# no source; scripts/bench_find.py reports what they find.
_ROLES: Mapping[str, float] = {
    "surname": 1.0, "given": 0.97, "maiden": 0.95, "also": 0.9, "middle": 0.9, "relative": 0.7, "kin": 0.6,
    "title": 0.3,
}  # fmt: skip
_PREFIX, _SOUND, _SPELT = 0.86, 0.70, 0.92
_BOTH = 0.06
_NO_DATES = 0.75
_LEAST = 0.35
_NOISE = 0.55
_NEVER = 99_999


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


def entries(
    ground: str, tables: Mapping[str, pd.DataFrame], dead: pd.Series, *, staff: bool = False
) -> pd.DataFrame:  # fmt: skip
    """Make the table of all that can be found on one ground.

    Parameters
    ----------
    ground : str
        Its name.
    tables : mapping of str to DataFrame
        Layers ``people``, ``events``, ``spaces``, ``lots``, ``niches``; and ``kin``, ``inscriptions``, ``rights``,
        ``memories``.
    dead : Series of bool
        On the index of ``people``: who counts as dead. The others are found by staff only.
    staff : bool
        Also holders, people a space is reserved for, those who may be living, and who is remembered.

    Returns
    -------
    DataFrame
        `ENTRY_COLUMNS`.
    """
    people = tables["people"]
    shown = people if staff else people[dead.to_numpy(dtype=bool)]
    events = tables["events"]
    burials = events[events["person_id"].notna() & ~events["kind"].isin(["disinterment", "urn removed"])]
    burials = burials.drop_duplicates("person_id", keep="last").set_index("person_id")
    made = shown.rename(columns={"person_id": "id"}).assign(kind="person")
    for name in ("date", "lot_id", "space_id"):
        made[name] = made["id"].map(burials[name])
    made["kin"] = made["id"].map(_kin_words(tables.get("kin"), set(shown["person_id"]), staff=staff))
    if not staff:
        made["relative"] = None  # may be living
    parts = [made]
    stones = tables.get("inscriptions")
    if stones is not None and len(stones):
        alone = stones[stones["person_id"].isna() & (stones["died"].notna() | staff)]
        parts.append(_loose(alone, "inscription_id", "name", "stone"))
    if staff:
        rights, memories = tables.get("rights"), tables.get("memories")
        if rights is not None and len(rights):
            parts.append(_loose(rights[rights["holder"].notna()], "right_id", "holder", "holder"))
            parts.append(_loose(rights[rights["reserved_for"].notna()], "right_id", "reserved_for", "reserved"))
        if memories is not None and len(memories):
            about = memories[memories["about"].notna() & memories["person_id"].isna()]
            parts.append(_loose(about, "memory_id", "about", "memory"))
    parts = [part.reindex(columns=list(ENTRY_COLUMNS)).astype(object) for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=list(ENTRY_COLUMNS), dtype=object)
    table = pd.concat(parts, ignore_index=True)
    table["ground"] = ground
    sections = pd.concat(
        [tables[name].set_index(key)["section"] for name, key in
         (("spaces", "space_id"), ("niches", "space_id"), ("lots", "lot_id")) if name in tables]
    )  # fmt: skip
    sections = sections[~sections.index.duplicated()]
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


def _kin_words(kin: pd.DataFrame | None, shown: set[str], *, staff: bool) -> dict[str, str]:
    if kin is None or not len(kin):
        return {}
    own = kin[kin["by"] == "as recorded"]
    if not staff:
        own = own[own["other_id"].isin(shown)]
    said = own["relation"] + " " + own["other_name"]
    return dict(said.groupby(own["person_id"]).agg("; ".join))


def _most_off(token: str) -> int:
    """Letters that may be wrong in a word of that length."""
    return 0 if len(token) < 3 else 1 if len(token) < 6 else 2 if len(token) < 9 else 3


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
        self, text: str = "", *, year: int | None = None, within: int = 0, section: str | None = None, limit: int = 20
    ) -> list[Hit]:
        """Find people by the words of their names, best first.

        Parameters
        ----------
        text : str
            Words of a name in any order, however spelt; a number of four digits is a year, a place finds who is there.
        year : int, optional
            Of birth, death or burial.
        within : int
            Years by which that may be off.
        section : str, optional
        limit : int

        Returns
        -------
        list of Hit
        """
        asked = text[:200]
        if year is None:
            found = re.search(r"(?<!\d)(1[5-9]\d\d|20\d\d)(?!\d)", asked)
            if found is not None and not self._place(text):
                year, asked = int(found[0]), asked[: found.start()] + " " + asked[found.end() :]
        allowed, factor = self._allowed(year, within, section)
        here = self._place(text)
        if here:
            rows = np.array([row for row in here if allowed[row]], dtype=np.int64)[:limit]
            return [
                self._hit(row, 1.0, (f"lies in {self._lies(row)}",), year, within, section) for row in rows.tolist()
            ]
        tokens = tuple(dict.fromkeys(folded(asked).split()))[:8]
        if not tokens:
            if year is None and section is None:
                return []
            rows = np.flatnonzero(allowed & (factor == 1.0))[:limit]
            return [self._hit(row, 1.0, (), year, within, section) for row in rows.tolist()]
        total = np.zeros(len(self.table), dtype=np.float32)
        answered = np.zeros(len(self.table), dtype=np.int8)
        matched: list[_Matches] = []
        for token in tokens:
            matches = self._match(token)
            matched.append(matches)
            best = self._best(matches)
            total += best
            answered += best > 0
        score = total * factor * allowed / len(tokens)
        # Whoever answers every word comes before anyone who answers some.
        score *= np.where(answered == len(tokens), 1.0, 0.6).astype(np.float32)
        # What fits far worse than the best is noise beside it.
        good = np.flatnonzero(score > max(_LEAST, _NOISE * float(score.max(initial=0.0))))
        if len(good) > limit:
            edge = np.partition(score[good], len(good) - limit)[len(good) - limit]
            good = good[score[good] >= edge]
        good = good[np.argsort(-score[good], kind="stable")][:limit]
        return [
            self._hit(row, float(score[row]), self._reasons(row, tokens, matched), year, within, section)
            for row in good.tolist()
        ]

    def _place(self, text: str) -> list[int]:
        key = label_key(text)
        return self._places.get(key, []) if any(c.isdigit() for c in key) else []

    def _lies(self, row: int) -> str:
        return str(self._values["space_id"][row] or self._values["lot_id"][row])

    def _allowed(
        self, year: int | None, within: int, section: str | None
    ) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float32]]:
        """Who fits year and section, and what not knowing the year takes off."""
        allowed = np.ones(len(self.table), dtype=bool)
        factor = np.ones(len(self.table), dtype=np.float32)
        if year is not None:
            dated = np.zeros(len(self.table), dtype=bool)
            fits = np.zeros(len(self.table), dtype=bool)
            for low, high in self._spans.values():
                dated |= high >= low
                fits |= (low <= year + within) & (high >= year - within)
            allowed &= fits | ~dated
            factor[~fits] = _NO_DATES
        if section is not None:
            allowed &= self.sections == label_key(section)
        return allowed, factor

    def _match(self, token: str) -> _Matches:
        """Words of the index that a word may mean, with how well they fit."""
        score = np.zeros(len(self.vocabulary), dtype=np.float32)
        if len(token) >= 2:
            low = int(np.searchsorted(self._word, token))
            high = int(np.searchsorted(self._word, token + "\U0010ffff"))
            score[low:high] = _PREFIX + 0.12 * len(token) / self._length[low:high]
        for code in soundex_codes(token) if len(token) > 2 else ():
            heard = self._sounds.get(code)
            if heard is not None:
                score[heard] = np.maximum(score[heard], _SOUND)
        most = _most_off(token)
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
        word = np.flatnonzero(score)
        return _Matches(word, score[word])

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

    def _reasons(self, row: int, tokens: Sequence[str], matched: Sequence[_Matches]) -> tuple[str, ...]:
        said: list[str] = []
        own: list[tuple[int, str, str]] = []
        for role in _ROLES:
            text = self._values[role][row]
            for piece in re.split(r"[\s;]+", str(text)) if text else ():
                own += [(self._at[word], role, piece) for word in words(piece) if word in self._at]
            if text:
                own += [(self._at[word], role, str(text)) for word in words(str(text)) if word in self._at]
        for token, matches in zip(tokens, matched, strict=True):
            score = dict(zip(matches.word.tolist(), matches.score.tolist(), strict=True))
            ways = [(score[place] * _ROLES[role], place, role, piece) for place, role, piece in own if place in score]
            if not ways:
                said.append(f"{token}: not found in the name")
                continue
            _, place, role, piece = max(ways, key=lambda way: way[0])
            said.append(f"{token}: {self._how(token, self.vocabulary[place], piece)}, {role}")
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

    def _hit(
        self, row: int, score: float, reasons: tuple[str, ...], year: int | None, within: int, section: str | None
    ) -> Hit:
        item: dict[str, Any] = {name: self._values[name][row] for name in ENTRY_COLUMNS}
        said = list(reasons)
        if year is not None:
            near = f", within {within} years of {year}" if within else f", may be {year}"
            for name, word in (("born", "born"), ("died", "died"), ("date", "buried")):
                low, high = (ends[row] for ends in self._spans[name])
                if low <= year + within and high >= year - within:
                    said.append(f"{word} {item[name]}{near if str(item[name]) != str(year) else ''}")
                    break
            else:
                said.append("no date to compare")
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
