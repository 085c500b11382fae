"""Capacity: how many spaces and niches there are, what each is still good for, and what the lost ones are lost to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.layers import SPACE_KINDS, SPACE_STATES

__all__ = [
    "LOST_TO",
    "LOST_USES",
    "NOT_STATED",
    "USES",
    "Capacity",
    "capacity",
    "still_possible",
    "sum_lost",
    "sum_possible",
    "too_steep",
    "under_stones",
]

NOT_STATED = "not stated"
"""Column of the spaces whose state is missing: they are counted, and as nothing else."""

_MEANT_FOR = {
    "full": "for full burials",
    "cremation": "for cremated remains",
    "infant": "for infants",
    "niche": "niches",
}


@dataclass(frozen=True)
class Capacity:
    """Counts of spaces and niches that add up.

    Parameters
    ----------
    counts : DataFrame
        One row a section and kind (``section``, ``kind``), one integer column a state, then ``total``.
    by_section, by_kind : DataFrame
        The same summed; the index is the section or the kind.
    total : Series
        The same summed over everything.
    words : tuple of str
        One line a section, and one for the ground.
    """

    counts: pd.DataFrame
    by_section: pd.DataFrame
    by_kind: pd.DataFrame
    total: pd.Series
    words: tuple[str, ...]


def capacity(spaces: pd.DataFrame, niches: pd.DataFrame | None = None) -> Capacity:
    """Count spaces and niches by section, kind and state.

    Parameters
    ----------
    spaces, niches : DataFrame
        Layers of those names. A space without a state is counted under `NOT_STATED`.

    Returns
    -------
    Capacity

    Raises
    ------
    ValueError
        For a kind or state that is not declared.

    Examples
    --------
    >>> spaces = pd.DataFrame({"section": ["A", "A", "B"], "kind": ["full", "full", "infant"],
    ...                        "state": ["vacant", "occupied", "lost"]})
    >>> for line in capacity(spaces).words:
    ...     print(line)
    Section A: 2 spaces for full burials, 1 vacant, 1 occupied.
    Section B: 1 space for infants, 0 vacant, 1 lost.
    The ground: 3 spaces, 1 vacant, 1 occupied, 1 lost.
    """
    columns = ["section", "kind", "state"]
    tables = [spaces[columns].astype(object)]
    if niches is not None and len(niches):
        tables.append(niches.assign(kind="niche")[columns].astype(object))
    every = pd.concat(tables, ignore_index=True)
    every["state"] = every["state"].where(every["state"].notna(), NOT_STATED)
    states = [*SPACE_STATES, NOT_STATED]
    for name, known in (("state", states), ("kind", SPACE_KINDS)):
        strange = sorted(set(every[name].astype(str)) - set(known))
        if strange:
            msg = f"no such {name} of a space: {', '.join(strange)}"
            raise ValueError(msg)
    every["kind"] = pd.Categorical(every["kind"], list(SPACE_KINDS), ordered=True)
    groups = every.groupby(["section", "kind"], sort=True, observed=True)
    counts = groups.size().index.to_frame(index=False).astype({"kind": object})
    # Cell (group, state) of each space, counted.
    cell = groups.ngroup().to_numpy() * len(states) + pd.Index(states).get_indexer(every["state"])
    table = np.bincount(cell, minlength=len(counts) * len(states)).reshape(len(counts), len(states))
    counts[states] = table.astype(np.int64)
    counts["total"] = counts[states].sum(axis=1)
    numbers = [*states, "total"]
    by_section = counts.groupby("section", sort=True)[numbers].sum()
    by_kind = counts.groupby("kind", sort=False)[numbers].sum()
    by_kind = by_kind.loc[[kind for kind in SPACE_KINDS if kind in by_kind.index]]
    total = counts[numbers].sum()
    return Capacity(counts, by_section, by_kind, total, _words(counts, by_section, total, states))


def _words(counts: pd.DataFrame, by_section: pd.DataFrame, total: pd.Series, states: list[str]) -> tuple[str, ...]:
    lines = []
    for section, row in by_section.iterrows():
        kinds = counts[counts["section"] == section]
        said = " and ".join(
            _count(int(number), str(kind)) for kind, number in zip(kinds["kind"], kinds["total"], strict=True)
        )
        lines.append(f"Section {section}: {said}, {_states(row, states)}.")
    niches = int(counts.loc[counts["kind"] == "niche", "total"].sum())
    spaces = int(total["total"]) - niches
    said = f"{spaces} space" + ("" if spaces == 1 else "s")
    if niches:
        said += f" and {niches} niche" + ("" if niches == 1 else "s")
    lines.append(f"The ground: {said}, {_states(total, states)}.")
    return tuple(lines)


def _count(number: int, kind: str) -> str:
    if kind == "niche":
        return f"{number} niche" + ("" if number == 1 else "s")
    return f"{number} space{'' if number == 1 else 's'} {_MEANT_FOR.get(kind, kind)}"


def _states(row: pd.Series, states: list[str]) -> str:
    """Say the states that occur; the vacant ones always, that is what is asked."""
    return ", ".join(f"{int(row[state])} {state}" for state in states if row[state] or state == "vacant")


# ---- burials still possible -----------------------------------------------------------------------------------------

USES = (
    "free", "free, in a lot in use", "right held", "room for one more", "used, urns may follow", "used", "lost",
    "too little clearance", "not before it is settled",
)  # fmt: skip
"""What a space is good for; every space is one of these."""

LOST_USES = ("lost", "too little clearance", "not before it is settled")
"""Uses of spaces that nobody uses and nobody can be buried in."""

LOST_TO = (
    "trees", "drives", "walls and other obstacles", "stones", "crooked vaults", "too little clearance", "slope",
    "probable graves", "doubt", "earlier digging",
)  # fmt: skip
"""What a space may be lost to; every space of `LOST_USES` is lost to one of these."""

_TAKEN = re.compile(r"(?:^|; )taken by (\w+)")
_OBSTACLES = {"tree": "trees", "drive": "drives"}

_UNSETTLED = ("probably occupied", "in doubt", "disturbed, empty", NOT_STATED)


def still_possible(
    spaces: pd.DataFrame,
    niches: pd.DataFrame | None = None,
    *,
    rules: Mapping[str, float],
    events: pd.DataFrame | None = None,
    clearances: pd.DataFrame | None = None,
    stones: pd.Series | None = None,
    steep: pd.Series | None = None,
    unit: str = "",
) -> pd.DataFrame:
    """Say of each space what it is still good for under the rules, and of each one that is lost why.

    Parameters
    ----------
    spaces, niches : DataFrame
        Layers of those names.
    rules : mapping of str to float
        ``space.full_burials``, ``space.urns``, ``space.second_urns``, ``clearance.sure``.
    events : DataFrame, optional
        Layer; without it every burial of a full space counts as a full one.
    clearances : DataFrame, optional
        Layer: a free space is not counted when something that lies in it or reaches into it leaves surely less than
        the rule asks.
    stones, steep : Series of str, optional
        By space id: why the land is no good, from `under_stones` and `too_steep`.
    unit : str
        Written after lengths.

    Returns
    -------
    DataFrame
        ``space_id``, ``section``, ``kind``, ``state``, ``use`` (one of `USES`), ``why`` (for all but free ones),
        ``lost_to`` (one of `LOST_TO` for the uses in `LOST_USES`, else empty); ``full`` and ``urns``: burials still
        possible now without anyone else's right; ``full_held`` and ``urns_held``: those that belong to holders of
        rights.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = pd.DataFrame({"space_id": ["A-1", "A-2", "A-3"], "section": "A", "kind": "full", "lot_id": None,
    ...                        "state": ["vacant", "occupied", "lost"], "burials": [0, 1, 0],
    ...                        "state_why": [None, "interment 1901", "taken by tree T1"]})
    >>> still_possible(spaces, rules=Rules(FOOT))[["use", "full", "why"]].values.tolist()
    [['free', 1, ''], ['used, urns may follow', 0, 'interment 1901'], ['lost', 0, 'taken by tree T1']]
    """
    names = ["space_id", "section", "kind", "lot_id", "state", "state_why", "burials"]
    tables = [pd.DataFrame(spaces).reindex(columns=names).astype(object)]
    if niches is not None and len(niches):
        tables.append(pd.DataFrame(niches).assign(kind="niche").reindex(columns=names).astype(object))
    every = pd.concat(tables, ignore_index=True)
    state = every["state"].where(every["state"].notna(), NOT_STATED).to_numpy(dtype=object)
    kind = every["kind"].to_numpy(dtype=object)
    for_urns = np.isin(kind.astype(str), ["cremation", "niche"])
    burials = pd.to_numeric(every["burials"], errors="coerce").fillna(0).to_numpy(dtype=np.int64)
    urns = np.where(for_urns, burials, _urns_in(every["space_id"], events))
    urns = np.minimum(urns, burials)
    full = np.where(for_urns, 0, burials - urns)
    room_full = np.where(for_urns, 0, int(rules["space.full_burials"]) - full).clip(min=0)
    most_urns = np.where(for_urns, int(rules["space.urns"]), int(rules["space.second_urns"]))
    room_urns = (most_urns - urns).clip(min=0)
    # An urn alone in a space for a full burial: whether a casket may follow is the family's matter, not counted.
    room_full = np.where((urns > 0) & ~for_urns, 0, room_full)

    tight, gap = _too_tight(every["space_id"], clearances, rules["clearance.sure"], unit)
    by = np.where(pd.isna(tight), "", np.where(gap < 0, "crooked vaults", "too little clearance")).astype(object)
    for given, name in ((stones, "stones"), (steep, "slope")):
        if given is not None:
            words = every["space_id"].map(given).to_numpy(dtype=object)
            more = pd.isna(tight) & ~pd.isna(words)
            tight, by = np.where(more, words, tight), np.where(more, name, by)
    in_use = every["lot_id"].notna() & every["lot_id"].isin(set(every["lot_id"][np.isin(state, ["occupied"])].dropna()))
    conditions = [
        (state == "lost", "lost"),
        (np.isin(state, _UNSETTLED), "not before it is settled"),
        (np.isin(state, ["vacant", "right held"]) & np.isin(by, ["stones", "slope"]), "lost"),
        (np.isin(state, ["vacant", "right held"]) & ~pd.isna(tight), "too little clearance"),
        (state == "right held", "right held"),
        ((state == "vacant") & in_use.to_numpy(dtype=bool), "free, in a lot in use"),
        (state == "vacant", "free"),
        ((state == "occupied") & (room_full + np.where(for_urns, room_urns, 0) > 0), "room for one more"),
        ((state == "occupied") & (room_urns > 0), "used, urns may follow"),
    ]
    use = np.full(len(every), "used", dtype=object)
    for condition, name in reversed(conditions):
        use[condition] = name
    free = np.isin(use, ["free", "free, in a lot in use"])
    more, held = np.isin(use, ["room for one more", "used, urns may follow"]), use == "right held"
    # A second burial in a space belongs to whoever holds the first.
    said = every["state_why"].to_numpy(dtype=object)
    gone = (use == "too little clearance") | ((use == "lost") & (state != "lost"))
    why = np.where(gone, tight, said)
    why = np.where(free | pd.isna(why), "", why)
    lost_to = np.where(gone, by, _lost_to(state, said))
    lost_to = np.where(np.isin(use, LOST_USES), lost_to, "")
    return pd.DataFrame(
        {
            "space_id": every["space_id"],
            "section": every["section"],
            "kind": kind,
            "state": state,
            "use": use,
            "why": why,
            "lost_to": lost_to,
            "full": np.where(free, room_full, 0),
            "urns": np.where(free, room_urns, 0),
            "full_held": np.where(held | more, room_full, 0),
            "urns_held": np.where(held | more, room_urns, 0),
        }
    )


def _urns_in(ids: pd.Series, events: pd.DataFrame | None) -> np.ndarray:
    """Urns left in each space by its events."""
    if events is None or not len(events):
        return np.zeros(len(ids), dtype=np.int64)
    step = events["kind"].map({"urn placed": 1, "urn removed": -1}).fillna(0)
    left = step.groupby(events["space_id"].astype(object)).sum()
    return np.asarray(ids.map(left).fillna(0).clip(lower=0), dtype=np.int64)


def _too_tight(
    ids: pd.Series, clearances: pd.DataFrame | None, sure: float, unit: str
) -> tuple[np.ndarray, np.ndarray]:
    """Why a space is short of clearance by something that is not its own, or None; and the gap."""
    result, gap = np.full(len(ids), None, dtype=object), np.full(len(ids), np.nan)
    if clearances is None or not len(clearances):
        return result, gap
    short = clearances[(clearances["chance_short"].astype(float) >= sure).to_numpy()]
    short = short.sort_values("gap", kind="stable").drop_duplicates("b_id").set_index("b_id")
    least = short["gap"].astype(float)
    length = least.abs().round(2).astype(str) + (f" {unit}" if unit else "")
    thing = short["a_id"].astype(str)
    said = (thing + " reaches " + length + " into it").where(least < 0, "only " + length + " from " + thing)
    found = ids.map(said).to_numpy(dtype=object)
    result[~pd.isna(found)] = found[~pd.isna(found)]
    return result, ids.map(least).to_numpy(dtype=float)


def _lost_to(state: np.ndarray, why: np.ndarray) -> np.ndarray:
    """Name what spaces of a state are lost to; the words of their state begin with what takes them."""
    taken = pd.Series(why, dtype="string").str.extract(_TAKEN)[0]
    thing = taken.map(_OBSTACLES).fillna("walls and other obstacles").to_numpy(dtype=object)
    named = {"lost": thing, "probably occupied": "probable graves", "disturbed, empty": "earlier digging"}
    out = np.full(len(state), "doubt", dtype=object)
    for name, what in named.items():
        out = np.where(state == name, what, out)
    return out


def under_stones(spaces: gpd.GeoDataFrame, monuments: gpd.GeoDataFrame | None, rules: Mapping[str, float]) -> pd.Series:
    """Say which spaces a stone stands on so much that no grave can be dug there.

    Parameters
    ----------
    spaces, monuments : GeoDataFrame
        Layers of those names.
    rules : mapping of str to float
        ``space.stone_share``: of the space's area.

    Returns
    -------
    Series of str
        Words by space id, only those.

    Examples
    --------
    >>> spaces = gpd.GeoDataFrame({"space_id": ["A-1-1", "A-1-2"]}, geometry=shapely.box([0, 4], 0, [4, 8], 12))
    >>> stone = gpd.GeoDataFrame({"monument_id": ["M1"]}, geometry=[shapely.box(3, 2, 8, 8)])
    >>> under_stones(spaces, stone, {"space.stone_share": 0.25}).to_dict()
    {'A-1-2': 'stone M1 stands on 50 % of it'}
    """
    if monuments is None or not len(monuments) or not len(spaces):
        return pd.Series([], index=[], dtype=object)
    own, shapes = (np.asarray(table.geometry, dtype=object) for table in (spaces, monuments))
    stone, space = shapely.STRtree(own).query(shapes, predicate="intersects")
    part = shapely.area(shapely.intersection(shapes[stone], own[space])) / shapely.area(own[space])
    found = pd.DataFrame(
        {
            "space": np.asarray(spaces["space_id"].astype(object), dtype=object)[space],
            "stone": np.asarray(monuments["monument_id"].astype(object), dtype=object)[stone],
            "part": part,
        }
    )
    found = found[found["part"] >= rules["space.stone_share"]].sort_values("part", ascending=False, kind="stable")
    found = found.drop_duplicates("space")
    words = [f"stone {row.stone} stands on {100 * row.part:.0f} % of it" for row in found.itertuples()]
    return pd.Series(words, index=found["space"].to_numpy(dtype=object), dtype=object)


def too_steep(ids: pd.Series, slope: npt.NDArray[np.float64], rules: Mapping[str, float]) -> pd.Series:
    """Say which spaces lie on land steeper than ``land.slope``.

    Parameters
    ----------
    ids : Series
        Space ids.
    slope : ndarray
        Percent under each of them, NaN where no height is known.
    rules : mapping of str to float

    Returns
    -------
    Series of str
        Words by space id, only those.

    Examples
    --------
    >>> too_steep(pd.Series(["A-1", "A-2"]), np.array([4.0, 31.2]), {"land.slope": 15.0}).to_dict()
    {'A-2': 'slope 31 %, more than 15 %'}
    """
    steep = np.nan_to_num(slope) > rules["land.slope"]
    words = [f"slope {value:.0f} %, more than {rules['land.slope']:g} %" for value in slope[steep]]
    return pd.Series(words, index=ids.to_numpy(dtype=object)[steep], dtype=object)


def sum_lost(possible: pd.DataFrame) -> pd.DataFrame:
    """Count the lost spaces of `still_possible` by section and by what they are lost to, with their total.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = pd.DataFrame({"space_id": ["A-1", "A-2"], "section": "A", "kind": "full", "state": ["vacant", "lost"],
    ...                        "state_why": [None, "taken by tree T1"]})
    >>> sum_lost(still_possible(spaces, rules=Rules(FOOT)))[["section", "trees", "slope", "total"]]
      section  trees  slope  total
    0       A      1      0      1
    """
    lost = possible[possible["use"].isin(LOST_USES).to_numpy()]
    table = pd.crosstab(lost["section"], lost["lost_to"]).reindex(columns=list(LOST_TO), fill_value=0)
    table["total"] = table.sum(axis=1)
    table = table.reset_index()
    table.columns.name = None
    return table


def sum_possible(possible: pd.DataFrame) -> pd.DataFrame:
    """Sum `still_possible` by section and kind: spaces by use, their total, burials still possible.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = pd.DataFrame({"space_id": ["A-1", "A-2"], "section": "A", "kind": "full", "state": ["vacant", "lost"]})
    >>> sum_possible(still_possible(spaces, rules=Rules(FOOT)))[["section", "free", "lost", "total", "full"]]
      section  free  lost  total  full
    0       A     1     1      2     1
    """
    keys = [possible["section"], possible["kind"]]
    counts = pd.crosstab(keys, possible["use"]).reindex(columns=list(USES), fill_value=0)
    counts["total"] = counts.sum(axis=1)
    sums = possible.groupby(["section", "kind"])[["full", "urns", "full_held", "urns_held"]].sum()
    table = counts.join(sums).reset_index()
    table.columns.name = None
    table["kind"] = pd.Categorical(table["kind"], list(SPACE_KINDS), ordered=True)
    return table.sort_values(["section", "kind"], ignore_index=True).astype({"kind": object})
