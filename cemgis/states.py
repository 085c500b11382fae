"""What the register and the ground make of each space: vacant, right held, occupied, disturbed, lost, in doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.dates import bounds, say_date
from cemgis.findings import Finding, find
from cemgis.places import column_of, few

__all__ = ["STATE_COLUMNS", "space_states"]

STATE_COLUMNS = ("state", "state_why", "burials")
"""Columns of the layers ``spaces`` and ``niches`` that this module fills."""

_STONES = ("headstone", "shared stone")
_ENDS = ("buy-back", "reclamation")

_Objects = npt.NDArray[np.object_]
_Ints = npt.NDArray[np.int64]
_Flags = npt.NDArray[np.bool_]


def space_states(
    spaces: pd.DataFrame,
    events: pd.DataFrame,
    rights: pd.DataFrame | None = None,
    *,
    rules: Mapping[str, float],
    probable_graves: gpd.GeoDataFrame | None = None,
    vaults: gpd.GeoDataFrame | None = None,
    monuments: gpd.GeoDataFrame | None = None,
    lost: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Say what is known of the use of each space or niche, from its history and what lies there.

    Events count in the order of their dates, then of their rows; an undated burial comes first and an undated removal
    last. An urn alone occupies a space. A space whose last burial was removed is "disturbed, empty", never vacant. A
    burial recorded in a lot without its space puts all free spaces of the lot in doubt, and so does a headstone on a
    space of which nothing is recorded: ledgers have gaps, and nobody sets a stone on a space nobody has a right to.

    Parameters
    ----------
    spaces : DataFrame
        Layer ``spaces`` or ``niches``; without ``kind`` all are niches.
    events, rights : DataFrame
        Layers of those names, events in the order of their rows.
    rules : mapping of str to float
        ``space.full_burials``, ``space.urns``, ``space.grave_share``.
    probable_graves, vaults : GeoDataFrame, optional
        A grave counts for the space it names and for every space that holds ``space.grave_share`` of it; so does a
        vault.
    monuments : GeoDataFrame, optional
        Headstones and shared stones count likewise.
    lost : DataFrame, optional
        From `cemgis.clearance.lost_spaces`, on the index of `spaces`.

    Returns
    -------
    table : DataFrame
        `STATE_COLUMNS` on the index of `spaces`.
    findings : list of Finding
        ``space overfull``, ``removal without burial``, ``stone without record`` (one a section).

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = pd.DataFrame({"space_id": ["A-1-1", "A-1-2"], "section": "A", "kind": "full"})
    >>> events = pd.DataFrame({"kind": ["interment", "disinterment"], "date": ["1901", "1950-06"],
    ...                        "space_id": ["A-1-2", "A-1-2"], "source": ["ledger.csv, line 2", "ledger.csv, line 9"]})
    >>> space_states(spaces, events, rules=Rules(FOOT))[0]["state"].tolist()
    ['vacant', 'disturbed, empty']
    """
    n = len(spaces)
    ids = pd.Index(np.asarray(spaces["space_id"].astype(object), dtype=object))
    urns_only = (
        spaces["kind"].isin(["cremation", "niche"]).to_numpy(dtype=bool) if "kind" in spaces else np.ones(n, dtype=bool)
    )
    history = _history(events, ids, urns_only)
    full, urns, unmatched = _counts(history, n)
    burials = full + urns
    removed = np.bincount(history.space[history.removal], minlength=n) > 0
    moved = np.bincount(history.space[history.moved], minlength=n) > 0
    graves = _lying(spaces, ids, probable_graves, "grave_id", rules["space.grave_share"])
    vault = _lying(spaces, ids, vaults, "vault_id", rules["space.grave_share"])
    grave_there, vault_there = ~pd.isna(graves), ~pd.isna(vault)
    upright = None if monuments is None else monuments[monuments["kind"].isin(_STONES)]
    stone = _lying(spaces, ids, upright, "monument_id", rules["space.grave_share"])
    right = _last_right(rights, ids)
    open_lot = _open_lots(spaces, events)
    lost_to = np.full(n, None, dtype=object)
    if lost is not None:
        frame = lost.reindex(spaces.index)
        gone = frame["lost"].fillna(value=False).to_numpy(dtype=bool)
        lost_to[gone] = np.asarray(frame["lost_to"].astype(object), dtype=object)[gone]

    occupied = burials > 0
    torn = ~occupied & ((unmatched > 0) | moved | (removed & (grave_there | vault_there)))
    conditions = [
        (occupied, "occupied"),
        (torn, "in doubt"),
        (removed, "disturbed, empty"),
        (grave_there | vault_there, "probably occupied"),
        (~pd.isna(open_lot), "in doubt"),
        (~pd.isna(lost_to), "lost"),
        (~pd.isna(right), "right held"),
        (~pd.isna(stone), "in doubt"),
    ]
    state = np.full(n, "vacant", dtype=object)
    for condition, name in reversed(conditions):
        state[condition] = name

    bare = ~pd.isna(stone) & np.all([~condition for condition, _ in conditions[:-1]], axis=0)
    why = _why(
        (_count_words(full, urns), occupied),
        (_last_of(history, ~history.removal & ~history.moved, n), occupied),
        (_last_of(history, history.removal, n), removed),
        ("a removal is recorded without a burial", (unmatched > 0)),
        ("a move is recorded that does not say whether here or from here", moved),
        (_prefixed("probable grave ", graves), grave_there),
        (_prefixed("vault ", vault), vault_there & ~occupied),
        (open_lot, ~pd.isna(open_lot) & ~occupied),
        (_prefixed("taken by ", lost_to), ~pd.isna(lost_to)),
        (right, ~pd.isna(right)),
        (_prefixed("the register names nobody here, yet there stands stone ", stone), bare),
        n=n,
    )
    table = pd.DataFrame(
        {"state": pd.array(state, dtype="string"), "state_why": pd.array(why, dtype="string"),
         "burials": pd.array(burials, dtype="Int64")},
        index=spaces.index,
    )  # fmt: skip
    findings = _state_findings(spaces, ids, history, full, urns, unmatched, urns_only, rules)
    return table, [*findings, *_bare_stones(spaces, ids, bare)]


def _bare_stones(spaces: pd.DataFrame, ids: pd.Index, bare: _Flags) -> list[Finding]:
    """One finding a section for its spaces with a stone and no record."""
    named = pd.Series(np.asarray(ids)[bare], dtype=object)
    section = pd.Series(np.asarray(spaces["section"].astype(object))[bare], dtype=object)
    return [
        find(
            "stone without record", name,
            f"{len(rows)} space{'s have' if len(rows) > 1 else ' has'} a headstone and nothing on record: {few(rows)}",
            section=str(name),
        )
        for name, rows in named.groupby(section)
    ]  # fmt: skip


@dataclass(frozen=True)
class _History:
    """Events of known spaces, in order: by space, then date, then row."""

    space: _Ints
    urn: _Flags
    removal: _Flags
    moved: _Flags
    words: _Objects
    source: _Objects


def _history(events: pd.DataFrame, ids: pd.Index, urns_only: _Flags) -> _History:
    space = np.asarray(ids.get_indexer(pd.Index(np.asarray(events["space_id"].astype(object)), dtype=object)))
    known = np.flatnonzero((space >= 0) & (events["kind"].astype(object) != "scattering").to_numpy(dtype=bool))
    space = space[known]
    events = events.iloc[known]
    kind = np.asarray(events["kind"].astype(object), dtype=object)
    date = events["date"].astype(object).where(events["date"].notna(), "")
    removal = np.isin(kind.astype(str), ["disinterment", "urn removed"])
    urn = np.isin(kind.astype(str), ["urn placed", "urn removed"]) | urns_only[space]
    # A date known to the year or month stands for the whole of it: a burial may be its first day, a removal its last.
    # "~" comes after every digit.
    span = bounds(events["date"])
    first = span["earliest"].astype(object).where(span["earliest"].notna(), "").to_numpy()
    last = span["latest"].astype(object).where(span["latest"].notna(), "~")
    last = last.where((last == span["earliest"].astype(object)).to_numpy(dtype=bool), last + "~").to_numpy()
    order = pd.DataFrame({"space": space, "when": np.where(removal, last, first), "row": np.arange(len(space))})
    rows = order.sort_values(["space", "when", "row"], kind="stable").index.to_numpy()
    words = kind.astype(object) + " " + date.map(say_date).where(date != "", "undated").to_numpy()
    source = np.asarray(events["source"].astype(object), dtype=object)
    words = words + np.where(pd.isna(source), "", " (" + pd.Series(source, dtype=object).fillna("").to_numpy() + ")")
    return _History(space[rows], urn[rows], removal[rows], (kind == "move")[rows], words[rows], source[rows])


def _counts(history: _History, n: int) -> tuple[_Ints, _Ints, _Ints]:
    """Full burials and urns left in each space, and removals that had nothing to remove."""
    step = np.where(history.moved, 0, np.where(history.removal, -1, 1))
    group = history.space * 2 + history.urn
    running = pd.Series(step).groupby(group).cumsum()
    # A count cannot fall below zero: what would have been below is taken off again (the reflection of the walk).
    below = np.minimum(running.groupby(group).cummin(), 0)
    left = (running - below).groupby(group).last()
    missing = (-below).groupby(group).last()
    result = np.zeros((2, 2 * n), dtype=np.int64)
    result[0, left.index.to_numpy(dtype=np.int64)] = left.to_numpy(dtype=np.int64)
    result[1, missing.index.to_numpy(dtype=np.int64)] = missing.to_numpy(dtype=np.int64)
    return result[0, 0::2], result[0, 1::2], result[1, 0::2] + result[1, 1::2]


def _last_of(history: _History, which: _Flags, n: int) -> _Objects:
    """Words of the last event of each space among those chosen."""
    words = np.full(n, None, dtype=object)
    words[history.space[which]] = history.words[which]  # the last written stays
    return words


def _lying(spaces: pd.DataFrame, ids: pd.Index, things: gpd.GeoDataFrame | None, key: str, share: float) -> _Objects:
    """Id of a thing that lies in each space: one that names it, or of which it holds at least that share."""
    result = np.full(len(ids), None, dtype=object)
    if things is None or not len(things):
        return result
    names = np.asarray(things[key].astype(object), dtype=object)
    if isinstance(spaces, gpd.GeoDataFrame):
        shapes, own = np.asarray(things.geometry, dtype=object), np.asarray(spaces.geometry, dtype=object)
        thing, space = shapely.STRtree(own).query(shapes, predicate="intersects")
        part = shapely.area(shapely.intersection(shapes[thing], own[space]))
        held = part >= share * shapely.area(shapes[thing])
        result[space[held]] = names[thing[held]]
    if "space_id" in things:
        named = ids.get_indexer(pd.Index(np.asarray(things["space_id"].astype(object)), dtype=object))
        result[named[named >= 0]] = names[named >= 0]
    return result


def _last_right(rights: pd.DataFrame | None, ids: pd.Index) -> _Objects:
    result = np.full(len(ids), None, dtype=object)
    if rights is None or not len(rights):
        return result
    space = ids.get_indexer(pd.Index(np.asarray(rights["space_id"].astype(object)), dtype=object))
    since = bounds(rights["date"])["earliest"].astype(object)
    order = pd.DataFrame({"since": since.where(since.notna(), "").to_numpy()})
    order = order.sort_values("since", kind="stable").index.to_numpy()
    order = order[space[order] >= 0]
    part = column_of(rights, "part")
    dated = rights["date"].astype(object).map(say_date, na_action="ignore").fillna("undated")
    words = "right " + dated + " (" + rights["source"].fillna("").astype(object) + ")"
    words = words + (" to the " + part + " of its lot").where(part.notna(), "")
    # A right that was bought back or reclaimed is the ground's again, until it is sold once more.
    ended = column_of(rights, "kind").isin(_ENDS)
    result[space[order]] = words.mask(ended, None).to_numpy(dtype=object)[order]
    return result


def _open_lots(spaces: pd.DataFrame, events: pd.DataFrame) -> _Objects:
    """Say for each space whether a burial is recorded in its lot that no space is known for."""
    result = np.full(len(spaces), None, dtype=object)
    if "lot_id" not in spaces or "lot_id" not in events:
        return result
    burial = events["kind"].isin(["interment", "urn placed"]) & events["space_id"].isna() & events["lot_id"].notna()
    if not burial.any():
        return result
    count = events.loc[burial, "lot_id"].astype(object).value_counts()
    here = spaces["lot_id"].astype(object).map(count).fillna(0).to_numpy(dtype=np.int64)
    some = here > 0
    lot = spaces["lot_id"].astype(object).to_numpy()[some]
    result[some] = here[some].astype(str).astype(object) + " recorded in lot " + lot + ", space not known"
    return result


def _prefixed(prefix: str, names: _Objects) -> _Objects:
    there = ~pd.isna(names)
    result = np.full(len(names), None, dtype=object)
    result[there] = prefix + names[there]
    return result


def _count_words(full: _Ints, urns: _Ints) -> _Objects:
    """Say the number of burials and urns, only where there is more than one burial or an urn."""
    words = np.full(len(full), None, dtype=object)
    for burials, n_urns in np.unique(np.column_stack([full, urns]), axis=0):
        said = []
        if burials > 1:
            said.append(f"{burials} burials")
        if n_urns:
            said.append(f"{n_urns} urn" + ("s" if n_urns > 1 else "") + ("" if burials else ", no full burial"))
        if said:
            words[(full == burials) & (urns == n_urns)] = ", ".join(said)
    return words


def _why(*parts: tuple[_Objects | str, _Flags], n: int) -> _Objects:
    """Join what applies to each space by semicolons."""
    result = np.full(n, "", dtype=object)
    for words, applies in parts:
        text = np.full(n, words, dtype=object) if isinstance(words, str) else words
        rows = applies & ~pd.isna(text)
        result[rows] = np.where(result[rows] == "", "", result[rows] + "; ") + text[rows]
    result[result == ""] = None
    return result


def _state_findings(
    spaces: pd.DataFrame, ids: pd.Index, history: _History, full: _Ints, urns: _Ints, unmatched: _Ints,
    urns_only: _Flags, rules: Mapping[str, float],
) -> list[Finding]:  # fmt: skip
    findings: list[Finding] = []
    section = np.asarray(column_of(spaces, "section"), dtype=object)

    def told(place: int, which: _Flags) -> str:
        first, last = np.searchsorted(history.space, [place, place + 1])
        return few(list(history.words[first:last][which[first:last]]))

    over = np.where(urns_only, urns > rules["space.urns"], full > rules["space.full_burials"])
    for place in np.flatnonzero(over).tolist():
        if urns_only[place]:
            reason = f"{urns[place]} urns recorded, {rules['space.urns']:g} allowed"
        else:
            reason = f"{full[place]} burials recorded, {rules['space.full_burials']:g} allowed"
        reason += f": {told(place, ~history.removal)}"
        findings.append(find("space overfull", ids[place], reason, section=section[place]))
    for place in np.flatnonzero(unmatched > 0).tolist():
        reason = f"{unmatched[place]} removed with nobody recorded there: {told(place, history.removal)}"
        findings.append(find("removal without burial", ids[place], reason, section=section[place]))
    return findings
