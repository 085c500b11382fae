"""Where the register cannot be right: dates out of order, one person twice, stones that disagree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from rapidfuzz.distance import JaroWinkler

from cemgis.dates import birth_range, bounds, parse_age, say_date
from cemgis.findings import Finding, find
from cemgis.names import folded, soundex_codes
from cemgis.register import Register

__all__ = ["conflicts", "still_to_come", "twice"]

_BURIALS = ("interment", "urn placed", "scattering")
_NEAR = 0.88  # Jaro-Winkler similarity from which two spellings may be one name: "Smyth" and "Smith" have 0.89
_MOST_BLOCK = 400
_NEVER = 9999.0  # stands for a year that is open at its end


def conflicts(register: Register, rules: Mapping[str, float]) -> list[Finding]:
    """Find what in the register cannot be right.

    Parameters
    ----------
    register : Register
    rules : mapping of str to float
        ``register.about`` and those of ``twice``.

    Returns
    -------
    list of Finding
        ``burial before death``, ``death before birth``, ``age disagrees``, ``stone disagrees``, ``person twice``. A
        date that is approximate or uncertain contradicts nothing within ``register.about`` years.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> from cemgis.people import joined_sources
    >>> from cemgis.register import read_register
    >>> spaces = pd.DataFrame({"space_id": ["A-1-1"], "section": "A", "lot_id": "A-1", "space": ["1"]})
    >>> table = pd.DataFrame({"line": [2], "kind": ["burial"], "date": ["1901-05-02"], "died": ["1901-05-04"],
    ...                       "name": ["Ada Penn"], "place": ["A-1-1"]})
    >>> register = joined_sources([read_register(table, source="ledger.csv", spaces=spaces)], 5)
    >>> [(item.kind, item.reason) for item in conflicts(register, Rules(FOOT))]
    [('burial before death', 'Ada Penn: buried 2 May 1901, died 4 May 1901 (ledger.csv, line 2)')]
    """
    about = rules["register.about"]
    return [
        *_dates_out_of_order(register, about),
        *_ages(register.people, about),
        *_stones(register, about),
        *_said_twice(register, rules),
    ]


def still_to_come(register: Register, today: date) -> list[Finding]:
    """Find births, deaths, burials and rights that are dated after a day.

    Parameters
    ----------
    register : Register
    today : date
        The day to count from; one more is allowed, for whoever writes east of it.

    Returns
    -------
    list of Finding
        ``date still to come``, one a row. A date that may be earlier ("202X") says nothing.
    """
    last = (today + timedelta(days=1)).isoformat()
    names = register.people.set_index("person_id")["name"]
    findings = []
    for table, columns in (
        (register.people, {"born": "born", "died": "died"}),
        (register.events, {"date": None}),
        (register.rights, {"date": None}),
    ):
        who = _object(table["person_id"].map(names)) if "person_id" in table else _object(table["holder"])
        key = _object(table.iloc[:, 0])
        for column, word in columns.items():
            earliest = bounds(table[column], 0.0)["earliest"].fillna("")
            for row in np.flatnonzero((earliest > last).to_numpy(dtype=bool)).tolist():
                name = "somebody without a name" if pd.isna(who[row]) else who[row]
                what = table["kind"].iloc[row] if word is None else word
                said = f"{name}: {what} {say_date(table[column].iloc[row])} ({table['source'].iloc[row]})"
                findings.append(find("date still to come", str(key[row]), said))
    return findings


def _object(values: pd.Series) -> npt.NDArray[np.object_]:
    return np.asarray(values.to_numpy(dtype=object))


def _dates_out_of_order(register: Register, about: float) -> list[Finding]:
    people, events = register.people, register.events
    findings = []
    born, died = bounds(people["born"], about), bounds(people["died"], about)
    ids, names, sources = _object(people["person_id"]), _object(people["name"]), _object(people["source"])
    first = born["earliest"].fillna("")
    wrong = (first != "") & died["latest"].notna() & (first > died["latest"].fillna("9999"))
    for row in np.flatnonzero(wrong.to_numpy(dtype=bool)).tolist():
        said = f"born {say_date(people['born'].iloc[row])}, died {say_date(people['died'].iloc[row])}"
        findings.append(find("death before birth", ids[row], f"{names[row]}: {said} ({sources[row]})"))
    at = pd.Index(ids).get_indexer(pd.Index(_object(events["person_id"])))
    burial = np.flatnonzero((at >= 0) & events["kind"].isin(_BURIALS).to_numpy(dtype=bool))
    last = bounds(events["date"], about)["latest"].fillna("9999-12-31").to_numpy(dtype=object)
    death = died["earliest"].fillna("").to_numpy(dtype=object)
    # A birth after the burial says the same of a person whose death is not written.
    birth = first.where(died["earliest"].isna(), "").to_numpy(dtype=object)
    for row in burial.tolist():
        person = at[row]
        word, day = ("died", death[person]) if death[person] else ("born", birth[person])
        if day and last[row] < day:
            said = f"buried {say_date(events['date'].iloc[row])}, {word} {say_date(people[word].iloc[person])}"
            source = events["source"].iloc[row]
            findings.append(find("burial before death", ids[person], f"{names[person]}: {said} ({source})"))
    return findings


def _ages(people: pd.DataFrame, about: float) -> list[Finding]:
    """Ages that do not fit a birth and a death that are both written."""
    rows = people[
        people["age"].notna() & people["died"].notna() & (people["born_by"] == "as written").fillna(value=False)
    ]
    if not len(rows):
        return []
    told = [birth_range(str(died), parse_age(str(age))) for died, age in zip(rows["died"], rows["age"], strict=True)]
    by_age = bounds(pd.Series(told, index=rows.index, dtype="string"), about)
    born = bounds(rows["born"], about)
    off = (born["earliest"] > by_age["latest"]) | (born["latest"] < by_age["earliest"])
    return [
        find(
            "age disagrees", row.person_id,
            f"{row.name_}: born {say_date(row.born)}, died {say_date(row.died)}, but aged {row.age} ({row.source})",
        )
        for row in rows[off.fillna(value=False).to_numpy(dtype=bool)].rename(columns={"name": "name_"}).itertuples()
    ]  # fmt: skip


def _stones(register: Register, about: float) -> list[Finding]:
    """Stones whose dates differ from the person's, and stones that name someone the register has elsewhere."""
    stones = register.inscriptions
    people = register.people
    findings = []
    at = pd.Index(_object(people["person_id"])).get_indexer(pd.Index(_object(stones["person_id"])))
    spans = {name: (bounds(stones[name], about), bounds(people[name], about)) for name in ("born", "died")}
    written = {name: (_object(stones[name]), _object(people[name])) for name in ("born", "died")}
    for row in np.flatnonzero(at >= 0).tolist():
        person = at[row]
        said = []
        for name, (stone, register_) in spans.items():
            ours, theirs = register_.iloc[person], stone.iloc[row]
            if pd.isna([*ours, *theirs]).any():
                continue
            if ours["latest"] < theirs["earliest"] or theirs["latest"] < ours["earliest"]:
                theirs_said, ours_said = say_date(written[name][0][row]), say_date(written[name][1][person])
                said.append(f"{name} {theirs_said} on the stone, {ours_said} in the register")
        if said:
            where = f"{stones['source'].iloc[row]}; {people['source'].iloc[person]}"
            findings.append(
                find(
                    "stone disagrees",
                    people["person_id"].iloc[person],
                    f"{stones['name'].iloc[row]}: {'; '.join(said)} ({where})",
                )
            )
    return findings


# ---- one person twice --------------------------------------------------------------------------------------------


def twice(register: Register, rules: Mapping[str, float]) -> pd.DataFrame:
    """Compare people who sound alike and whose dates can be the same: the odds that two rows are one person.

    The odds are those of Fellegi and Sunter (A Theory for Record Linkage, 1969): a prior, times, for each thing
    compared, the chance of what is seen if they are one person over that if they are two. If they are two, a name
    agrees as often as it is borne, a day as one of the years that are spanned, a space as one of all: in the lists the
    two rows stand in, so that a list which has nothing to do with them changes nothing. A date that one of the rows
    lacks says nothing, and without one on both sides the odds stay below a bound.

    Returns
    -------
    DataFrame
        ``one``, ``two`` (person ids), ``odds`` and ``why``, the likeliest first.
    """
    people, events = register.people, register.events
    none = pd.DataFrame({"one": [], "two": [], "odds": [], "why": []})
    at = pd.Index(_object(people["person_id"])).get_indexer(pd.Index(_object(events["person_id"])))
    burial = (at >= 0) & events["kind"].isin(_BURIALS).to_numpy(dtype=bool)
    removed = np.zeros(len(people), dtype=bool)
    removed[at[(at >= 0) & ~burial]] = True
    rows = pd.DataFrame({"person": at[burial], "event": np.flatnonzero(burial)}).drop_duplicates("person")
    given = people["given"].fillna("").map(folded).astype(object).to_numpy()
    surname = people["surname"].fillna("").map(folded).astype(object).to_numpy()
    suffix = people["suffix"].fillna("").map(folded).astype(object).to_numpy()
    person = rows["person"].to_numpy()
    # Someone moved to another grave is rightly there twice; a child without a name cannot be told from another.
    keep = (given[person] != "") & (surname[person] != "") & ~removed[person]
    rows = rows[keep]
    if len(rows) < 2:
        return none
    person, event = rows["person"].to_numpy(), rows["event"].to_numpy()
    when = bounds(events["date"], 0.0).iloc[event]
    died = bounds(people["died"], 0.0).iloc[person]
    first = died["earliest"].fillna(when["earliest"].set_axis(died.index)).to_numpy(dtype=object)
    last = died["latest"].fillna(when["latest"].set_axis(died.index)).to_numpy(dtype=object)
    table = pd.DataFrame({"person": person, "event": event, "given": given[person], "surname": surname[person],
                          "suffix": suffix[person]})  # fmt: skip
    table["low"] = pd.Series(first, dtype="string").str[:4].astype("Float64").fillna(0.0).astype(float).to_numpy()
    table["high"] = pd.Series(last, dtype="string").str[:4].astype("Float64").fillna(_NEVER).astype(float).to_numpy()
    table["first"], table["last"] = first, last
    table["space"], table["lot"] = _object(events["space_id"])[event], _object(events["lot_id"])[event]
    born = bounds(people["born"], rules["register.about"]).iloc[person]
    table["born_first"], table["born_last"] = _object(born["earliest"]), _object(born["latest"])
    pairs = _alike(table)
    if not len(pairs):
        return none
    found = [_weighed(*group, rules, people) for group in _by_lists(table, pairs, _object(people["source"]))]
    return pd.concat(found).sort_values("odds", ascending=False, kind="stable", ignore_index=True)


def _by_lists(
    table: pd.DataFrame, pairs: pd.DataFrame, source: npt.NDArray[np.object_]
) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """Pairs of the same one or two lists, each with the rows of those lists alone."""
    listed = pd.Series(source[table["person"].to_numpy()]).astype(str).str.rpartition(", line ")
    code, _ = pd.factorize(listed[0].where(listed[1] != "", listed[2]))
    one, two = code[pairs["row"].to_numpy()], code[pairs["row_2"].to_numpy()]
    low, high = np.minimum(one, two), np.maximum(one, two)
    for (first, last), group in pairs.assign(low=low, high=high).groupby(["low", "high"], sort=True):
        rows = np.flatnonzero((code == first) | (code == last))
        at = np.full(len(table), -1)
        at[rows] = np.arange(len(rows))
        own = group.assign(row=at[group["row"].to_numpy()], row_2=at[group["row_2"].to_numpy()])
        yield table.iloc[rows].reset_index(drop=True), own


def _alike(table: pd.DataFrame) -> pd.DataFrame:
    """Pairs worth comparing: surnames that sound alike, given names that begin alike, deaths that can be the same."""
    code, unique = pd.factorize(table["surname"])
    sound = np.array([(soundex_codes(name) or (name,))[0] for name in unique], dtype=object)
    keyed = pd.DataFrame(
        {"row": np.arange(len(table)), "block": sound[code] + table["given"].str[:1].to_numpy(dtype=object)}
    )
    # A name that half the ground bears says nothing by itself: there the year of death must be the same.
    size = keyed.groupby("block")["row"].transform("size").to_numpy()
    keyed["block"] = np.where(
        size > _MOST_BLOCK, keyed["block"] + table["low"].astype(str).to_numpy(dtype=object), keyed["block"]
    )
    pairs = keyed.merge(keyed, on="block", suffixes=("", "_2"))
    pairs = pairs[pairs["row"] < pairs["row_2"]]
    one, two = pairs["row"].to_numpy(), pairs["row_2"].to_numpy()
    low, high, suffix = table["low"].to_numpy(), table["high"].to_numpy(), table["suffix"].to_numpy(dtype=object)
    meet = (low[one] <= high[two] + 1) & (low[two] <= high[one] + 1) & (suffix[one] == suffix[two])
    return pairs[meet]


def _likeness(names: npt.NDArray[np.object_], one: Any, two: Any) -> npt.NDArray[np.float64]:
    """Similarity of names, 0 to 1; an initial is near to every name it begins."""
    found = np.asarray(names[one] == names[two], dtype=float)
    for row in np.flatnonzero(found == 0.0).tolist():
        a, b = sorted((names[one[row]], names[two[row]]), key=len)
        found[row] = 0.95 if len(a) == 1 and b.startswith(a) else JaroWinkler.similarity(a, b)
    return found


class _Weights:
    """Odds of pairs, and the words behind them, as one thing after another is compared."""

    def __init__(self, odds: npt.NDArray[np.float64]) -> None:
        self.odds = odds
        self.words: list[list[str]] = []

    def compare(self, *cases: tuple[Any, Any, str], rest: float = 1.0, rest_word: str = "") -> None:
        """Multiply by the factor of the first case that holds."""
        holds = [np.asarray(case, dtype=bool) for case, _, _ in cases]
        factors = [np.broadcast_to(np.asarray(factor, dtype=float), self.odds.shape) for _, factor, _ in cases]
        self.odds = self.odds * np.select(holds, factors, rest)
        which = np.select(holds, list(range(len(cases))), len(cases))
        words = [*(word for _, _, word in cases), rest_word]
        self.words.append([words[case] for case in which.tolist()])

    def why(self) -> list[str]:
        return ["; ".join(part for part in parts if part) for parts in zip(*self.words, strict=True)]


def _weighed(
    table: pd.DataFrame, pairs: pd.DataFrame, rules: Mapping[str, float], people: pd.DataFrame
) -> pd.DataFrame:  # fmt: skip
    one, two = pairs["row"].to_numpy(), pairs["row_2"].to_numpy()
    n = len(table)
    name_kept, date_kept, place_kept = rules["twice.name_kept"], rules["twice.date_kept"], rules["twice.place_kept"]
    weights = _Weights(np.full(len(one), 2.0 * rules["twice.share"] / max(1, n - 1)))
    for name in ("surname", "given"):
        share = table[name].map(table[name].value_counts(normalize=True)).to_numpy(dtype=float)
        like = _likeness(table[name].to_numpy(dtype=object), one, two)
        near = like >= _NEAR
        # By chance two names are near one another about as often as the names that are near are borne.
        weights.compare(
            (like == 1.0, name_kept / share[one], f"same {name}"),
            (near, (1 - name_kept) / (share[one] + share[two]), f"{name} nearly the same"),
            rest=(1 - name_kept) / 10, rest_word=f"another {name}",
        )  # fmt: skip
    first, last = table["first"].to_numpy(dtype=object), table["last"].to_numpy(dtype=object)
    exact = _equal(first, last)
    low, high = table["low"].to_numpy(), table["high"].to_numpy()
    dated = (low > 0) & (high < _NEVER)
    # One wrong year among many must not stretch it.
    span = min(float(np.ptp(low[dated])) + 1.0, rules["twice.years"]) if dated.any() else 1.0
    both = exact[one] & exact[two]
    compared = dated[one] & dated[two]
    # The wider two dates are, the likelier they meet by chance.
    by_chance = np.minimum(1.0, (high[one] - low[one] + high[two] - low[two] + 1.0) / span)
    weights.compare(
        (both & _equal(first[one], first[two]), date_kept * 365.25 * span, "died the same day"),
        (both, (1 - date_kept) / 3, "died on other days"),
        (~compared, 1.0, "not both dated"),
        (_meet(first, last, one, two), np.maximum(1.0, date_kept / by_chance), "deaths can be the same"),
        rest=(1 - date_kept) / 4, rest_word="deaths differ",
    )  # fmt: skip
    born = _meet(table["born_first"].to_numpy(dtype=object), table["born_last"].to_numpy(dtype=object), one, two)
    weights.compare((born, 1.0, ""), rest=(1 - date_kept) / 4, rest_word="births differ")
    space, lot = table["space"].to_numpy(dtype=object), table["lot"].to_numpy(dtype=object)
    n_spaces, n_lots = max(1, pd.Series(space).nunique()), max(1, pd.Series(lot).nunique())
    same_lot, open_place = _equal(lot[one], lot[two]), pd.isna(space[one]) | pd.isna(space[two])
    weights.compare(
        (_equal(space[one], space[two]), place_kept * n_spaces, "same space"),
        (same_lot & open_place, place_kept * n_lots, "same lot"),
        (same_lot, (1 - place_kept) * n_lots / 2, "same lot, another space"),
        (open_place, 1.0, ""),
        rest=1 - place_kept, rest_word="another place",
    )  # fmt: skip
    ids = _object(people["person_id"])[table["person"].to_numpy()]
    odds = np.where(compared, weights.odds, np.minimum(weights.odds, rules["twice.undated_most"]))
    return pd.DataFrame({"one": ids[one], "two": ids[two], "odds": odds, "why": weights.why()})


def _equal(a: npt.NDArray[np.object_], b: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Whether values are there and the same."""
    gone = pd.isna(a) | pd.isna(b)
    same = np.asarray(np.where(gone, "", a) == np.where(gone, "", b), dtype=bool)
    return np.asarray(same & ~gone, dtype=bool)


def _meet(first: npt.NDArray[np.object_], last: npt.NDArray[np.object_], one: Any, two: Any) -> npt.NDArray[np.bool_]:
    """Whether two spans of days have a day in common; an open end has all."""
    low = np.where(pd.isna(first), "0000-00-00", first).astype(str)
    high = np.where(pd.isna(last), "9999-99-99", last).astype(str)
    return np.asarray((low[one] <= high[two]) & (low[two] <= high[one]), dtype=bool)


def _said_twice(register: Register, rules: Mapping[str, float]) -> list[Finding]:
    found = twice(register, rules)
    found = found[found["odds"] >= rules["twice.odds"]]
    by_id = register.people.set_index("person_id")
    findings = []
    for row in found.itertuples():
        odds = f"{row.odds:.0f} to 1" if row.odds < 1000 else "over 1000 to 1"
        one, two = by_id.loc[row.one], by_id.loc[row.two]
        reason = f"{one['name']} ({one['source']}) and {two['name']} ({two['source']}): {row.why}; odds {odds}"
        findings.append(find("person twice", f"{row.one}, {row.two}", reason))
    return findings
