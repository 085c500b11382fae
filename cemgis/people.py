"""People across lists: one burial told by several sources, removals and their people, kin recorded and suggested."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis import schema
from cemgis.dates import bounds, say_date, years
from cemgis.findings import Finding, find
from cemgis.holdings import joined_rights
from cemgis.layers import LAYERS
from cemgis.names import folded, parse_name
from cemgis.register import TABLES, Register

__all__ = ["count_as_dead", "joined_sources", "suggested_kin", "with_kin"]

_BURIALS = ("interment", "urn placed", "scattering")
_REMOVALS = ("disinterment", "urn removed")
_FILLED = (
    "born", "died", "born_written", "died_written", "born_by", "age", "inscription", "photo", "page", "certainty",
    "note", "title", "maiden", "also", "suffix", "middle",
)  # fmt: skip
_COMPARED = ("born", "died")
_SPOUSE_YEARS = 15
_YEARS = re.compile(r"[0-9X]{4,}")


def name_keys(people: pd.DataFrame) -> pd.Series:
    """Return what two spellings of one name share: given name, surname and suffix, folded; empty for the unnamed.

    Examples
    --------
    >>> people = pd.DataFrame({"given": ["José", None], "surname": ["O'Hara", None], "suffix": ["Jr.", None]})
    >>> name_keys(people).tolist()
    ['jose ohara jr', '']
    """
    parts = [people[name].fillna("").astype(object).map(_folded) for name in ("given", "surname", "suffix")]
    given = parts[0].str.partition(" ")[0] if len(people) else parts[0]
    key = given + " " + parts[1] + " " + parts[2]
    return key.str.strip().where((given != "") & (parts[1] != ""), "")


def _folded(text: object) -> str:
    return folded(str(text))


def joined_sources(parts: Sequence[Register], about: float) -> Register:
    """Join what several lists say into one register: a burial told by several of them is there once.

    Two rows of different lists are one burial when the name is the same, the kind is, the space is (or the lot, where
    one of them names no space), and the dates can be. The list that comes first counts; the others fill what it leaves
    open, and where they say something else that is a finding. A removal belongs to the person buried there under the
    same name.

    Parameters
    ----------
    parts : sequence of Register
        In the order of precedence.
    about : float
        Years within which approximate dates are taken to agree.

    Returns
    -------
    Register
    """
    tables = {}
    for name in TABLES:
        pieces = [getattr(part, name) for part in parts if len(getattr(part, name))]
        joined = pd.concat(pieces, ignore_index=True) if pieces else schema.empty(LAYERS[name])
        tables[name] = schema.restore(joined, LAYERS[name])
    findings = [item for part in parts for item in part.findings]
    if len(parts) > 1:
        source = np.repeat(np.arange(len(parts)), [len(part.events) for part in parts])
        tables, more = _merged(tables, source, about)
        findings += more
        tables["rights"] = joined_rights(
            tables["rights"], np.repeat(np.arange(len(parts)), [len(part.rights) for part in parts]).tolist()
        )
    tables["events"], tables["people"] = _removed_people(tables["events"], tables["people"])
    tables["memories"] = _about_people(tables["memories"], "about", tables)
    tables["inscriptions"] = _about_people(tables["inscriptions"], "name", tables)
    return Register(**tables, findings=findings)


def _burials(tables: Mapping[str, pd.DataFrame], rank: Any, *, named: bool = True) -> pd.DataFrame:
    """Events of people at a place: row of each table, key of the name, place; only of the named unless told."""
    events, people = tables["events"], tables["people"]
    at = pd.Index(people["person_id"].astype(object)).get_indexer(pd.Index(events["person_id"].astype(object)))
    key = (
        np.where(at >= 0, name_keys(people).to_numpy(dtype=object)[at], "") if len(people) else np.full(len(events), "")
    )
    table = pd.DataFrame(
        {
            "event": np.arange(len(events)), "person": at, "rank": rank, "key": key,
            "kind": events["kind"].astype(object), "space": events["space_id"].astype(object),
            "lot": events["lot_id"].astype(object),
        }
    )  # fmt: skip
    placed = table["space"].notna() | table["lot"].notna()
    return table[placed & (table["person"] >= 0) & ((table["key"] != "") | (not named))]


def _merged(
    tables: dict[str, pd.DataFrame], rank: npt.NDArray[np.int64], about: float
) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    events, people = tables["events"], tables["people"]
    span = bounds(events["date"].fillna(""), about)
    rows = _burials(tables, rank)
    rows["first"] = span["earliest"].fillna("0000-01-01").to_numpy(dtype=object)[rows["event"]]
    rows["last"] = span["latest"].fillna("9999-12-31").to_numpy(dtype=object)[rows["event"]]
    rows["place"] = rows["lot"].where(rows["lot"].notna(), rows["space"])
    pairs = rows.merge(rows, on=["key", "kind", "place"], suffixes=("", "_2"))
    pairs = pairs[(pairs["rank"] < pairs["rank_2"]) & (pairs["first"] <= pairs["last_2"])]
    pairs = pairs[pairs["first_2"] <= pairs["last"]]
    pairs = pairs[(pairs["space"] == pairs["space_2"]) | pairs["space"].isna() | pairs["space_2"].isna()]
    # each row of a later list goes with one row of an earlier one, and the other way round
    pairs = pairs[~pairs.duplicated("event_2") & ~pairs.duplicated(["event", "rank_2"])]
    pairs = pairs[~pairs["event"].isin(pairs["event_2"])]
    if not len(pairs):
        return tables, []
    findings = _differences(people, events, pairs, about)
    said = ("date", "date_written", "space_id", "lot_id", "container", "page", "certainty")
    events = _fill(events, pairs["event"].to_numpy(), pairs["event_2"].to_numpy(), said)
    people = _fill(people, pairs["person"].to_numpy(), pairs["person_2"].to_numpy(), _FILLED)
    served = people["veteran"].astype("boolean").to_numpy(dtype=object, na_value=None).copy()
    for first, second in zip(pairs["person"], pairs["person_2"], strict=True):
        served[first] = served[second] if served[first] is None else served[first]
    people = people.assign(veteran=pd.array(served, dtype="boolean"))
    gone = people["person_id"].to_numpy(dtype=object)[pairs["person_2"]]
    stays = dict(zip(gone, people["person_id"].to_numpy(dtype=object)[pairs["person"]], strict=True))
    tables = dict(tables)
    tables["events"] = events.drop(index=events.index[pairs["event_2"]]).reset_index(drop=True)
    tables["people"] = people[~people["person_id"].isin(gone)].reset_index(drop=True)
    kin = tables["kin"].copy()
    kin["person_id"] = kin["person_id"].replace(stays)
    kin = kin[~kin.duplicated(["person_id", "relation", "other_name"])].reset_index(drop=True)
    tables["kin"] = kin
    return tables, findings


def _fill(table: pd.DataFrame, first: Any, second: Any, columns: Sequence[str]) -> pd.DataFrame:
    """Fill what rows leave open from the rows that say the same, and note where those stood."""
    table = table.copy()
    for name in columns:
        values = table[name].to_numpy(dtype=object, copy=True)
        for a, b in ((first[rows], second[rows]) for rows in _by_turns(first)):
            need = pd.isna(values[a]) & ~pd.isna(values[b])
            values[a[need]] = values[b[need]]
        table[name] = pd.array(values, dtype="string")
    also, source = table["also_in"].to_numpy(dtype=object, copy=True), table["source"].to_numpy(dtype=object)
    for a, b in zip(first, second, strict=True):
        said = [also[a], source[b], also[b]]
        also[a] = "; ".join(str(text) for text in said if not pd.isna(text))
    table["also_in"] = pd.array(also, dtype="string")
    return table


def _by_turns(first: Any) -> list[Any]:
    """Cut pairs into groups in which every first row is there once: lists fill one after the other."""
    turn = pd.Series(first).groupby(first).cumcount().to_numpy()
    return [turn == number for number in range(int(turn.max(initial=-1)) + 1)]


def _differences(people: pd.DataFrame, events: pd.DataFrame, pairs: pd.DataFrame, about: float) -> list[Finding]:
    findings = []
    one, two = pairs["person"].to_numpy(), pairs["person_2"].to_numpy()
    said: dict[int, list[str]] = {}
    for table, columns, first, second in (
        (people, _COMPARED, one, two), (events, ("date",), pairs["event"].to_numpy(), pairs["event_2"].to_numpy()),
    ):  # fmt: skip
        for name in columns:
            span = bounds(table[name].fillna(""), about)
            low, high = span["earliest"].to_numpy(dtype=object), span["latest"].to_numpy(dtype=object)
            known = ~(pd.isna(low[first]) | pd.isna(high[first]) | pd.isna(low[second]) | pd.isna(high[second]))
            values = table[name].to_numpy(dtype=object)
            for row in np.flatnonzero(known).tolist():
                a, b = first[row], second[row]
                if low[a] > high[b] or low[b] > high[a]:
                    word = "buried" if name == "date" else name
                    said.setdefault(row, []).append(f"{word} {say_date(values[a])} and {say_date(values[b])}")
    names, sources = people["name"].to_numpy(dtype=object), people["source"].to_numpy(dtype=object)
    ids = people["person_id"].to_numpy(dtype=object)
    for row, words in said.items():
        reason = f"{names[one[row]]}: {'; '.join(words)} ({sources[one[row]]}; {sources[two[row]]})"
        findings.append(find("sources disagree", ids[one[row]], reason))
    return findings


def _removed_people(events: pd.DataFrame, people: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let a removal be of the person who was buried there under the same name, where there is one."""
    rows = _burials({"events": events, "people": people}, 0)
    removal = rows[rows["kind"].isin(_REMOVALS) & rows["space"].notna()]
    burial = rows[rows["kind"].isin(_BURIALS) & rows["space"].notna()]
    if not len(removal) or not len(burial):
        return events, people
    pairs = removal.merge(burial, on=["key", "space"], suffixes=("", "_of"))
    pairs = pairs[~pairs.duplicated("event", keep=False) & (pairs["person"] != pairs["person_of"])]
    if not len(pairs):
        return events, people
    ids = people["person_id"].to_numpy(dtype=object)
    person = events["person_id"].astype(object).to_numpy(copy=True)
    person[pairs["event"]] = ids[pairs["person_of"]]
    events = events.assign(person_id=pd.array(person, dtype="string"))
    people = people[~people["person_id"].isin(ids[pairs["person"]])].reset_index(drop=True)
    return events, people


def _about_people(table: pd.DataFrame, column: str, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Find the person a stone or a memory is of: the only one of that name in that space, else in that lot."""
    if not len(table) or not len(tables["people"]):
        return table
    parsed = [parse_name(None if pd.isna(text) else str(text)) for text in table[column]]
    frame = pd.DataFrame(parsed, columns=list(parsed[0]._fields), index=table.index).replace("", None)
    rows = _burials(tables, 0)
    ids = tables["people"]["person_id"].to_numpy(dtype=object)
    asked = pd.DataFrame({"row": np.arange(len(table)), "key": name_keys(frame).to_numpy(dtype=object)})
    asked["space"], asked["lot"] = table["space_id"].to_numpy(dtype=object), table["lot_id"].to_numpy(dtype=object)
    found = table["person_id"].astype(object).to_numpy(copy=True)
    for place in ("space", "lot"):
        open_rows = asked[pd.isna(found) & (asked["key"] != "").to_numpy() & asked[place].notna().to_numpy()]
        pairs = open_rows.merge(rows[["key", place, "person"]].drop_duplicates(), on=["key", place])
        pairs = pairs[~pairs.duplicated("row", keep=False)]
        found[pairs["row"]] = ids[pairs["person"]]
    return table.assign(person_id=pd.array(found, dtype="string"))


def _has_been(dates: pd.Series, day: str, oldest: float, about: float = 0.0) -> pd.Series:
    """Say which dates surely lie in the past: known to a year, begun by that day.

    A year left open, 19XX or 197X, is what a stone carved ahead or a form printed ahead says; it counts only where
    nobody living could have been meant.
    """
    text = dates.astype("string").fillna("")
    span = bounds(text, about)
    begun = (span["earliest"] <= day).fillna(value=False) | (span["earliest"].isna() & (span["latest"] <= day))
    blank = text.map(lambda said: any("X" in year for year in _YEARS.findall(said))).astype(bool)
    gone = (span["latest"].str[:4].astype("Int64") + round(oldest) < int(day[:4])).fillna(value=False)
    return (begun.fillna(value=False) & span["latest"].notna() & (~blank | gone)).astype(bool)


def count_as_dead(
    people: pd.DataFrame, events: pd.DataFrame, day: str, oldest: float, about: float = 0.0
) -> pd.Series:  # fmt: skip
    """Say who counts as dead: buried here, died by the record, or born too long ago to be living.

    Parameters
    ----------
    people, events : DataFrame
        Layers of those names.
    day : str
        The day it is asked on, ISO; what is dated later has not happened.
    oldest : float
        Years nobody is taken to live beyond.
    about : float
        Years by which an approximate birth may be later than it says.

    Returns
    -------
    Series of bool, on the index of `people`
        A name carved or reserved ahead, with a birth alone, does not count, nor do burials and deaths that are undated,
        of a day to come, or of a year left open as on a stone carved ahead (19XX).

    Examples
    --------
    >>> people = pd.DataFrame({"person_id": ["a", "b", "c"], "born": ["1900", "1960", None], "died": None})
    >>> events = pd.DataFrame({"person_id": ["c"], "kind": ["interment"], "date": ["1871"]})
    >>> count_as_dead(people, events, "2025-06-01", 110).tolist()
    [True, False, True]
    """
    happened = events["kind"].isin([*_BURIALS, *_REMOVALS, "move"]) & _has_been(events["date"], day, oldest)
    last = bounds(people["born"].astype("string").fillna(""), about)["latest"].str[:4].astype("Int64")
    old = (int(day[:4]) - last > oldest).fillna(value=False).astype(bool)
    return people["person_id"].isin(events.loc[happened, "person_id"]) | _has_been(people["died"], day, oldest) | old


# ---- kin ---------------------------------------------------------------------------------------------------------


def with_kin(register: Register, rules: Mapping[str, float]) -> Register:
    """Return the register with recorded relatives found among its people, and kin suggested beside them."""
    recorded = _found_relatives(register)
    kin = pd.concat([recorded, suggested_kin(register._replace(kin=recorded), rules)], ignore_index=True)
    return register._replace(kin=schema.restore(kin, LAYERS["kin"]))


def _found_relatives(register: Register) -> pd.DataFrame:
    """Fill in who the relatives are: the only person of that name in the same lot."""
    kin = register.kin
    if not len(kin) or not len(register.people):
        return kin
    parsed = [parse_name(str(text)) for text in kin["other_name"]]
    frame = pd.DataFrame(parsed, columns=list(parsed[0]._fields), index=kin.index).replace("", None)
    own = register.people.set_index("person_id")["surname"]
    surname = frame["surname"].where(frame["surname"].notna() & frame["given"].notna())
    lone = frame["given"].isna() & frame["surname"].notna()
    frame["given"] = frame["given"].where(~lone, frame["surname"])
    frame["surname"] = surname.where(surname.notna(), kin["person_id"].map(own).astype(object))
    rows = _burials({"events": register.events, "people": register.people}, 0, named=False)
    ids = register.people["person_id"].to_numpy(dtype=object)
    lots = pd.DataFrame(
        {"person_id": ids[rows["person"]], "lot": rows["lot"].to_numpy(dtype=object), "key": rows["key"]}
    )
    lots = lots.dropna(subset="lot").drop_duplicates()
    asked = pd.DataFrame({"row": np.arange(len(kin)), "person_id": kin["person_id"].to_numpy(dtype=object)})
    asked["key"] = name_keys(frame).to_numpy(dtype=object)
    here = asked[asked["key"] != ""].merge(lots[["person_id", "lot"]], on="person_id")
    pairs = here.merge(lots.rename(columns={"person_id": "other"}), on=["lot", "key"])
    pairs = pairs[pairs["other"] != pairs["person_id"]].drop_duplicates(["row", "other"])
    pairs = pairs[~pairs.duplicated("row", keep=False)]
    other = kin["other_id"].astype(object).to_numpy(copy=True)
    other[pairs["row"]] = pairs["other"]
    return kin.assign(other_id=pd.array(other, dtype="string"))


def suggested_kin(register: Register, rules: Mapping[str, float]) -> pd.DataFrame:
    """Suggest kin from names, lots and dates: people of one surname in one lot, by the years between their births.

    Parameters
    ----------
    register : Register
    rules : mapping of str to float
        ``kin.generation_least``, ``kin.generation_most``.

    Returns
    -------
    DataFrame
        Layer ``kin``; all rows ``suggested``. Nobody whose relation to the other is recorded is among them.
    """
    people = register.people
    rows = _burials({"events": register.events, "people": people}, 0)
    rows = rows[rows["kind"].isin(_BURIALS) & rows["lot"].notna()].drop_duplicates("person")
    if len(rows) < 2:
        return schema.empty(LAYERS["kin"])
    surname = people["surname"].fillna("").astype(object).map(_folded).to_numpy(dtype=object)
    born = years(people["born"])
    low = born["earliest"].to_numpy(dtype=float, na_value=np.nan)
    high = born["latest"].to_numpy(dtype=float, na_value=np.nan)
    table = pd.DataFrame({"person": rows["person"].to_numpy(), "lot": rows["lot"].to_numpy(dtype=object)})
    table["surname"] = surname[table["person"]]
    table["middle"] = ((low + high) / 2)[table["person"]]
    pairs = table.merge(table, on=["lot", "surname"], suffixes=("", "_2"))
    gap = pairs["middle"] - pairs["middle_2"]
    child = (gap >= rules["kin.generation_least"]) & (gap <= rules["kin.generation_most"])
    peer = (gap.abs() <= _SPOUSE_YEARS) & (pairs["person"] < pairs["person_2"])
    pairs = pairs.assign(
        relation=np.where(child, "perhaps child of", np.where(peer, "perhaps spouse, brother or sister of", "")),
        gap=gap,
    )
    pairs = pairs[(pairs["relation"] != "") & (pairs["person"] != pairs["person_2"])]
    ids, names = people["person_id"].to_numpy(dtype=object), people["name"].to_numpy(dtype=object)
    one, two = ids[pairs["person"]], ids[pairs["person_2"]]
    known = set(zip(register.kin["person_id"], register.kin["other_id"], strict=True)) if len(register.kin) else set()
    fresh = np.array([(a, b) not in known and (b, a) not in known for a, b in zip(one, two, strict=True)], dtype=bool)
    pairs, one, two = pairs[fresh], one[fresh], two[fresh]
    why = (
        "same surname in lot "
        + pairs["lot"].astype(str)
        + ", born "
        + pairs["gap"].abs().round().astype(int).astype(str)
    )
    made = pd.DataFrame(
        {
            "kin_id": one + ", " + pairs["relation"].to_numpy(dtype=object) + " " + two, "person_id": one,
            "relation": pairs["relation"].to_numpy(dtype=object), "other_id": two,
            "other_name": names[pairs["person_2"]], "by": "suggested",
            "why": (why + " years apart").to_numpy(dtype=object),
        }
    )  # fmt: skip
    return schema.restore(made, LAYERS["kin"])
