"""Capacity: how many spaces and niches there are, by section, kind and state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from cemgis.layers import SPACE_KINDS, SPACE_STATES

__all__ = ["NOT_STATED", "Capacity", "capacity"]

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
