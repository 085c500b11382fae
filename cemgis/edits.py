"""What people changed in a layer, as records; and layers with those records carried."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis import schema
from cemgis.dates import say_date
from cemgis.errors import Gather, InputError, Problem
from cemgis.schema import Layer
from cemgis.units import compass_azimuth

__all__ = [
    "BY_PLAT",
    "KINDS",
    "REFUSED_KIND",
    "Difference",
    "Doubt",
    "Refused",
    "apply",
    "as_json",
    "credit",
    "credits_by_column",
    "diff",
    "doubts",
    "is_set_aside",
    "latest",
    "moved_corners",
    "records",
    "refused_of",
    "remaining",
    "set_aside",
    "sift",
    "standing",
    "withdraw",
]

Record = Mapping[str, Any]

REFUSED_KIND = "refused edit"
"""Kind of the records that keep a change nothing can be made of: it is set aside, not lost."""

KINDS = ("edit", "add", "remove", "move", "withdraw")
"""Kinds of record this module makes and reads; others pass through it unseen."""

BY_PLAT: Mapping[str, tuple[str, ...]] = {
    "corners": ("state",),
    "sections": ("title", "protected"),
    "lots": (),
    "spaces": ("kind", "state", "state_why", "heads", "heads_reason"),
}
"""Layers whose rows follow from the plat, and the columns a person may settle by hand; the rest is computed."""

_WHY: Mapping[tuple[str, str], str] = {
    ("spaces", "state"): "state_why", ("spaces", "kind"): "state_why", ("spaces", "state_why"): "state_why",
}  # fmt: skip
_OWN_WORDS = ("source", "by_hand", "heads_reason", "state_why")
"""Columns that say where the others are from; what people settle is told in them."""
_NOT_SEEN_THEN = 0.005  # of the unit: a shape of the evidence that lies farther off was not the one that was moved

_SAME_PLACE = 1e-6  # of the unit: what a program may round when it stores a shape again, nothing a hand can do
_GEOMETRY = "geometry"
_EDITED = ("key", "column", "was", "now", "moved")


@dataclass(frozen=True)
class Difference:
    """What differs between a layer as it was written and as it is now.

    Parameters
    ----------
    layer : Layer
    before : DataFrame
        Rows as written that were changed or removed; index: key.
    after : DataFrame
        Rows as they are now that were changed or added; index: key.
    added, removed : tuple of str
        Keys.
    edited : DataFrame
        One row a changed value: ``key, column, was, now`` and, where the column is ``geometry``, ``moved``, how far
        in the ground's unit.
    problems : tuple of Problem
        What nothing can be made of: a row without a key, a key twice, a value that is not allowed.
    loose : int
        How many of the problems, the first ones, are about no single row: keys missing or twice, unreadable columns.
    spoiled : mapping of str to tuple of Problem
        Keys of the rows the others are about, and what is wrong with each.
    """

    layer: Layer
    before: pd.DataFrame
    after: pd.DataFrame
    added: tuple[str, ...]
    removed: tuple[str, ...]
    edited: pd.DataFrame
    problems: tuple[Problem, ...] = ()
    loose: int = 0
    spoiled: Mapping[str, tuple[Problem, ...]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.added or self.removed or len(self.edited) or self.problems)

    def lines(self, most: int = 20) -> list[str]:
        """Say the changes in words, one a line."""
        name, key = self.layer.name, self.layer.key
        said = [str(problem) for problem in self.problems]
        said += [f"{name} [{found}]: added" for found in self.added]
        said += [f"{name} [{found}]: removed" for found in self.removed]
        for row in self.edited.head(most + 1).itertuples(index=False):
            if row.column == _GEOMETRY:
                said.append(f"{name} [{row.key}]: moved by {row.moved:.3f}")
            else:
                dated = row.column in self.layer.names and self.layer.column(row.column).type == "date"
                was, now = (say_date(value) if dated and isinstance(value, str) else _say(value)
                            for value in (row.was, row.now))  # fmt: skip
                said.append(f"{name}.{row.column} [{row.key}]: {was} is now {now}")
        count = len(self.problems) + len(self.added) + len(self.removed) + len(self.edited)
        if count > most:
            said = [*said[:most], f"{name}: and {count - most} more, by {key}"]
        return said


@dataclass(frozen=True, slots=True)
class Refused:
    """A change that cannot be kept as a record of its layer.

    Parameters
    ----------
    layer : str
    key : str
        Of the row; empty where it has none.
    column : str
        ``geometry`` for a shape, empty for a whole row.
    what : str
        What was changed, in words.
    why : str
        Why it cannot be kept.
    remedy : str
        Where it belongs instead.
    was, now : object
        Values as JSON carries them; a shape as WKT, a whole row as a mapping.
    """

    layer: str
    key: str
    column: str
    what: str
    why: str
    remedy: str
    was: Any = None
    now: Any = None

    @property
    def problem(self) -> Problem:
        """The same as a problem of the input."""
        if not self.key and not self.column:
            return Problem(self.what, self.why, self.remedy)
        place = self.layer + (f".{self.column}" if self.column not in ("", _GEOMETRY) else "")
        where = f"{place} [{self.key}]" if self.key else place
        return Problem(where, f"{self.what}, {self.why}", self.remedy)

    @property
    def identity(self) -> tuple[str, str, str, str]:
        """What makes it the same change when it is met again."""
        return self.layer, self.key, self.column, json.dumps([self.now, self.what], sort_keys=True, default=str)

    def record(self, **said: Any) -> dict[str, Any]:
        """Make the record that keeps it: ``who``, ``when``, ``why`` and ``crs`` are given."""
        told = {"layer": self.layer, "key": self.key, "column": self.column, "what": self.what,
                "refused_because": self.why, "advice": self.remedy, "was": self.was, "now": self.now}  # fmt: skip
        return {
            "kind": REFUSED_KIND,
            **{name: value for name, value in told.items() if value not in (None, "")},
            **said,
        }


@dataclass(frozen=True, slots=True)
class Doubt:
    """A record that a person should look at again.

    Parameters
    ----------
    record : mapping
    why : str
    """

    record: Record
    why: str


# ---- differences ----------------------------------------------------------------------------------------------------


def diff(before: pd.DataFrame, after: pd.DataFrame, layer: Layer) -> Difference:
    """Compare a layer as it was written with the same layer as it is now.

    Empty text counts as missing: a form that was opened and closed again writes it. A shape counts as moved when a
    vertex lies farther than a millionth of the unit from where it was, however the ring is turned.

    Parameters
    ----------
    before, after : DataFrame or GeoDataFrame
        Shaped by `schema.restore`. An index of ``after`` named ``fid`` is used to name rows without a key.
    layer : Layer

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> people = LAYERS["people"]
    >>> was = schema.restore(pd.DataFrame({"person_id": ["a", "b"], "name": ["Ada Fenn", "Bo Lark"]}), people)
    >>> now = schema.restore(pd.DataFrame({"person_id": ["a", "c"], "name": ["Ada Fenne", "Cy Wren"]}), people)
    >>> found = diff(was, now, people)
    >>> found.added, found.removed
    (('c',), ('b',))
    >>> found.lines()[-1]
    "people.name [a]: 'Ada Fenn' is now 'Ada Fenne'"
    """
    gather = Gather()
    lost = after[after[layer.key].fillna("").eq("")]
    for fid in list(lost.index)[:20]:
        gather.add(f"{layer.name} [feature {fid}]", f"no {layer.key}", "Give it one of its own.")
    if len(lost) > 20:
        gather.add(layer.name, f"{len(lost) - 20} more rows without {layer.key}", "Give each one of its own.")
    after = after[after[layer.key].fillna("").ne("")]
    twice = after[layer.key].duplicated(keep=False)
    for key, rows in list(after[twice].groupby(layer.key).groups.items())[:20]:
        where = ", ".join(str(fid) for fid in list(rows)[:5])
        gather.add(f"{layer.name} [{key}]", f"there {len(rows)} times (features {where})", "Give each its own.")
    spoiled: dict[str, tuple[Problem, ...]] = {str(key): () for key in after.loc[twice, layer.key]}
    loose = len(gather.problems)
    after = after[~after[layer.key].duplicated()]

    old, new = before.set_index(layer.key, drop=False), after.set_index(layer.key, drop=False)
    added = tuple(str(key) for key in new.index.difference(old.index, sort=True))
    removed = tuple(str(key) for key in old.index.difference(new.index, sort=True))
    both = old.index.intersection(new.index, sort=False)
    one, two = old.loc[both], new.loc[both]
    parts = [_values(one, two, column.name) for column in layer.columns if column.name != layer.key]
    if layer.geometry is not None:
        parts.append(_moves(one, two))
    parts = [part for part in parts if len(part)]
    edited = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(_EDITED))
    edited = edited.sort_values("key", kind="stable", ignore_index=True)

    changed = sorted(set(edited["key"]))
    now = new.loc[[*changed, *added]]
    if len(now):
        try:
            schema.check(now.reset_index(drop=True), layer)
        except InputError as error:
            gather.take(error)
            spoiled |= _spoiled(now, layer)
    return Difference(
        layer, old.loc[[*changed, *removed]], now, added, removed, edited, tuple(gather.problems), loose, spoiled
    )  # fmt: skip


def _spoiled(now: pd.DataFrame, layer: Layer) -> dict[str, tuple[Problem, ...]]:
    """Keys of the rows that are not as their layer is declared, and what is wrong with each."""
    found = {}
    for row in range(len(now)):
        try:
            schema.check(now.iloc[[row]].reset_index(drop=True), layer)
        except InputError as error:
            found[str(now[layer.key].iloc[row])] = tuple(error.problems)
    return found


def _values(one: pd.DataFrame, two: pd.DataFrame, column: str) -> pd.DataFrame:
    was, now = _plain(one[column]), _plain(two[column])
    gone, none = was.isna().to_numpy(), now.isna().to_numpy()
    other = (was.reset_index(drop=True) != now.reset_index(drop=True)).fillna(value=False).to_numpy(dtype=bool)
    rows = np.flatnonzero(np.where(gone | none, gone != none, other))
    return pd.DataFrame(
        {
            "key": one.index[rows].astype(object),
            "column": column,
            "was": pd.Series([_bare(value) for value in was.iloc[rows]], dtype=object),
            "now": pd.Series([_bare(value) for value in now.iloc[rows]], dtype=object),
            "moved": np.nan,
        }
    )


def _plain(values: pd.Series) -> pd.Series:
    return values.mask(values == "") if values.dtype == "string" else values


def _moves(one: pd.DataFrame, two: pd.DataFrame) -> pd.DataFrame:
    was, now = np.asarray(one[_GEOMETRY], dtype=object), np.asarray(two[_GEOMETRY], dtype=object)
    rows = np.flatnonzero(~_same_shape(was, now))
    was, now = was[rows], now[rows]
    far = np.asarray(shapely.hausdorff_distance(was, now), dtype=float)
    return pd.DataFrame(
        {
            "key": one.index[rows].astype(object),
            "column": _GEOMETRY,
            "was": pd.Series(_wkt(was), dtype=object),
            "now": pd.Series(_wkt(now), dtype=object),
            "moved": far,
        }
    )


def _same_shape(was: np.ndarray, now: np.ndarray) -> np.ndarray:
    none = shapely.is_missing(was) & shapely.is_missing(now)
    same: np.ndarray = np.asarray(shapely.equals_exact(was, now, tolerance=_SAME_PLACE), dtype=bool) | none
    rest = np.flatnonzero(~same)
    if len(rest):  # a ring stored again may start at another vertex or run the other way
        turned = shapely.equals_exact(shapely.normalize(was[rest]), shapely.normalize(now[rest]), _SAME_PLACE)
        same[rest] = np.asarray(turned, dtype=bool)
    return same


def remaining(difference: Difference, given: Iterable[Record]) -> Difference:
    """Return the part of a difference that no record carries yet: what a build would lose.

    Parameters
    ----------
    difference : Difference
    given : iterable of records, in the order in which they were made

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> people = LAYERS["people"]
    >>> was = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fenn"]}), people)
    >>> found = diff(was, was.assign(name=was["name"] + "e"), people)
    >>> edit = {"kind": "edit", "layer": "people", "key": "a", "values": {"name": "Ada Fenne"}}
    >>> bool(remaining(found, [])), bool(remaining(found, [edit]))
    (True, False)
    """
    layer = difference.layer
    before = difference.before.reset_index(drop=True)
    carried = apply(before, layer, given)
    keep = carried[layer.key].isin([*difference.before.index, *difference.after.index])
    rest = diff(carried[keep].reset_index(drop=True), difference.after.reset_index(drop=True), layer)
    # A row made by a record and not in the file is no change of the file.
    shown = set(difference.removed)
    removed = tuple(key for key in rest.removed if key in shown)
    return replace(
        rest, removed=removed, problems=difference.problems, loose=difference.loose, spoiled=difference.spoiled
    )


# ---- records --------------------------------------------------------------------------------------------------------


def records(difference: Difference, *, who: str, when: datetime, why: str, crs: str) -> list[dict[str, Any]]:
    """Make records of a difference: moved corners, edited values, things added and removed.

    Each names the layer, the key, the new values, what they replace, who, when and why. Lengths and shapes are in the
    unit and the grid of `crs`, which the record names.

    Raises
    ------
    InputError
        For the difference's own problems, and for a change that cannot be kept: of a computed value, of a row that
        follows from the plat, or in a layer that is built from evidence only.

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> layer = LAYERS["obstacles"]
    >>> was = schema.restore(pd.DataFrame({"obstacle_id": ["t1"], "kind": ["tree"],
    ...                                    "geometry": [shapely.Point(0, 0).buffer(2)]}), layer)
    >>> found = diff(was, was.assign(kind=was["kind"].replace("tree", "wall")), layer)
    >>> made = records(found, who="E. Tarn", when=datetime(2025, 6, 1, tzinfo=UTC), why="it is a wall", crs="EPSG:6549")
    >>> made[0]["kind"], made[0]["values"], made[0]["was"]
    ('edit', {'kind': 'wall'}, {'kind': 'tree'})
    """
    layer = difference.layer
    gather = Gather()
    for name, said in (("who", who), ("why", why)):
        if not said.strip():
            gather.add(f"{layer.name}: {name}", "not said", "Every record says who made it, when and why.")
    gather.problems += [item.problem for item in sift(difference)[1]]
    gather.raise_if_any()

    stamp = _utc(when, layer.name)
    common = {"layer": layer.name, "who": who.strip(), "when": stamp, "why": why.strip(), "crs": crs}
    made: list[dict[str, Any]] = []
    values = difference.edited[difference.edited["column"] != _GEOMETRY]
    for key, rows in values.groupby("key", sort=True):
        now = {row.column: _json(row.now) for row in rows.itertuples()}
        was = {row.column: _json(row.was) for row in rows.itertuples()}
        made.append({"kind": "edit", "key": key, "values": now, "was": was, **common})
    moves = difference.edited[difference.edited["column"] == _GEOMETRY]
    for row in moves.itertuples():
        moved = None if np.isnan(row.moved) else round(float(row.moved), 4)
        made.append({"kind": "move", "key": row.key, "shape": row.now, "was_shape": row.was, "moved": moved, **common})
    for key in difference.added:
        made.append({"kind": "add", "key": key, **_row(difference.after, key, layer, "values", "shape"), **common})
    for key in difference.removed:
        made.append({"kind": "remove", "key": key, **_row(difference.before, key, layer, "was", "was_shape"), **common})
    return made


def sift(difference: Difference) -> tuple[Difference, list[Refused]]:
    """Part a difference into what can be kept as records, and every change that cannot, with where it belongs.

    Refused are what a row's problems spoil, computed values, rows that follow from the plat, and everything in a layer
    that is built from evidence only.

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> people = LAYERS["people"]
    >>> was = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fenn"], "source": ["ledger.csv, line 2"]}),
    ...                      people)
    >>> kept, (one,) = sift(diff(was, was.assign(name=was["name"] + "e"), people))
    >>> bool(kept), one.why, one.remedy
    (False, 'built from evidence only', 'Correct it in ledger.csv, line 2.')
    """
    layer, edited = difference.layer, difference.edited
    first = difference.problems[: difference.loose]
    refused = [Refused(layer.name, "", "", item.where, item.what, item.remedy) for item in first]
    spoiled = difference.spoiled
    free, fixed = BY_PLAT.get(layer.name), not layer.evidence_edit
    added, removed = [], []
    for key in difference.added:
        if key in spoiled or fixed or free is not None:
            refused.append(_refused_row(difference, key, "added"))
        else:
            added.append(key)
    nameless = any(item.what == f"no {layer.key}" for item in first)
    for key in difference.removed:
        if nameless and not fixed and free is None:  # it may be one of those, with its key rubbed out
            row = _row(difference.before, key, layer, "was", "was_shape")
            why = f"but there are rows without {layer.key}: perhaps it is one of them"
            refused.append(Refused(layer.name, key, "", "removed", why, "Give that one its key back.", was=row))
        elif fixed or free is not None:
            refused.append(_refused_row(difference, key, "removed"))
        else:
            removed.append(key)
    good = np.ones(len(edited), dtype=bool)
    for at, row in enumerate(edited.itertuples()):
        found = _refused_value(difference, row, free, fixed=fixed)
        if found is not None:
            good[at] = False
            refused.append(found)
    kept = replace(
        difference, edited=edited[good].reset_index(drop=True), added=tuple(added), removed=tuple(removed), problems=(),
        loose=0, spoiled={},
    )  # fmt: skip
    return kept, refused


def _refused_value(
    difference: Difference, row: Any, free: Sequence[str] | None, *, fixed: bool
) -> Refused | None:  # fmt: skip
    """Return why a changed value or shape cannot be kept; None where it can."""
    layer, shape = difference.layer, row.column == _GEOMETRY
    what = f"moved by {row.moved:.3f}" if shape else f"{_say(row.was)} is now {_say(row.now)}"

    def no(why: str, remedy: str) -> Refused:
        return Refused(layer.name, str(row.key), str(row.column), what, why, remedy, _json(row.was), _json(row.now))

    if fixed:
        return no("built from evidence only", _where_it_belongs(difference, str(row.key)))
    if row.key in difference.spoiled:
        return no(*_what_spoils(difference, str(row.key), str(row.column)))
    if free is None or (shape and layer.name == "corners"):
        return None
    if shape:
        return no("but its shape hangs on corners", "Move its corners.")
    if row.column == "heads" and row.now is not None:
        try:
            compass_azimuth(str(row.now), f"{layer.name}.{row.column} [{row.key}]")
        except InputError as error:
            return no(f"but {error.problems[0].what}", error.problems[0].remedy)
    if row.column in free:
        return None
    may = f"Only {', '.join(free)} can be settled here" if free else "Nothing here can be settled by hand"
    return no("but it is computed", f"{may}; change the plat, a corner or ground.toml.")


def _what_spoils(difference: Difference, key: str, column: str) -> tuple[str, str]:
    """Say what is wrong with a row, and what to do: what is wrong with the column itself, if that is it."""
    place = f"{difference.layer.name}.{column} ["
    every = difference.spoiled[key]
    if not every:
        return "but its key is there more than once", "Give each row its own."
    own = next((item for item in every if item.where.startswith(place)), None)
    if own is not None:
        return f"but {own.what}", own.remedy
    return f"but its row cannot be used: {every[0].where}: {every[0].what}", every[0].remedy


def _refused_row(difference: Difference, key: str, what: str) -> Refused:
    """Return why a row that was added or removed cannot be kept."""
    layer = difference.layer
    table, values, shape = (difference.after, "values", "shape") if what == "added" else (
        difference.before, "was", "was_shape")  # fmt: skip
    whole = _row(table, key, layer, values, shape)
    why, remedy = "but its rows follow from the plat", "Change the plat."
    if not layer.evidence_edit:
        why, remedy = "built from evidence only", _where_it_belongs(difference, key)
    elif key in difference.spoiled and what == "added":
        why, remedy = _what_spoils(difference, key, "")
    was, now = (None, whole) if what == "added" else (whole, None)
    return Refused(layer.name, key, "", what, why, remedy, was, now)


_BELONGS: Mapping[str, str] = {
    "markers": "Read the marker again; what a doubtful one stands for is decided with `cemgis judge`.",
    "occupations": "Correct the readings, or their list of occupations.",
    "readings": "Correct the file of readings.",
    "control": "Correct it under [[control]] in ground.toml.",
    "niches": "Correct it under [[section.niches]] in ground.toml; what lies in a niche, in the register.",
    "openings": "Take the record back (`cemgis withdraw`) and enter it again with `cemgis open` or `cemgis close`.",
}
_LISTED = ("people", "events", "rights", "kin", "memories", "inscriptions")


def _where_it_belongs(difference: Difference, key: str) -> str:
    """Say where a change of a layer that is built from evidence only is to be made."""
    name = difference.layer.name
    if name not in _LISTED:
        return _BELONGS.get(name, "It is computed: correct what it is computed from.")
    source = difference.before["source"].get(key) if "source" in difference.before else None
    if source is None or pd.isna(source):
        return "Enter it in a list of the register."
    if str(source).startswith("records, "):
        return (f"It was entered through the tool ({source}): take the record back (`cemgis withdraw`) and enter it "
                "again.")  # fmt: skip
    return f"Correct it in {source}."


def set_aside(given: Iterable[Record]) -> list[Record]:
    """Return the standing records that keep refused changes."""
    return [record for record in standing(given) if record.get("kind") == REFUSED_KIND]


def refused_of(record: Record) -> Refused:
    """Return the refused change that a record keeps."""
    text = {name: str(record.get(name) or "") for name in ("layer", "key", "column", "what")}
    return Refused(
        **text, why=str(record.get("refused_because")), remedy=str(record.get("advice")), was=record.get("was"),
        now=record.get("now"),
    )  # fmt: skip


def is_set_aside(item: Refused, kept: Iterable[Record]) -> bool:
    """Whether a refused change is kept already by one of the records from `set_aside`."""
    return any(item.identity == refused_of(record).identity for record in kept)


def _row(table: pd.DataFrame, key: str, layer: Layer, values: str, shape: str) -> dict[str, Any]:
    row = table.loc[key]
    found = {name: _json(_bare(row[name])) for name in layer.names if name != layer.key}
    made: dict[str, Any] = {values: {name: value for name, value in found.items() if value is not None}}
    if layer.geometry is not None:
        made[shape] = _wkt(np.array([row[_GEOMETRY]], dtype=object))[0]
    return made


def withdraw(ids: Sequence[str], *, who: str, when: datetime, why: str) -> dict[str, Any]:
    """Make the record that takes other records back; they stay in the log and no longer count.

    Examples
    --------
    >>> withdraw(["3f"], who="E. Tarn", when=datetime(2025, 6, 1, tzinfo=UTC), why="wrong stone")["replaces"]
    ['3f']
    """
    return {"kind": "withdraw", "replaces": list(ids), "who": who, "when": _utc(when, "withdraw"), "why": why}


def standing(given: Iterable[Record]) -> list[Record]:
    """Return the records that still count: those that no record which counts ``replaces``.

    What a record that was itself taken back had replaced counts again. Which record replaces which is told by their
    ids, not by their times: the clock of another machine may be behind.

    Examples
    --------
    >>> [item["id"] for item in standing([{"id": "a"}, {"id": "b", "replaces": ["a"]}])]
    ['b']
    >>> [item["id"] for item in standing([{"id": "b", "replaces": ["a"]}, {"id": "a"}])]
    ['b']
    """
    found = list(given)
    by: dict[str, list[int]] = {}
    for row, record in enumerate(found):
        for name in record.get("replaces") or ():
            by.setdefault(str(name), []).append(row)
    counts: dict[int, bool] = {}
    for first in range(len(found)):
        todo = [first]
        while todo:
            row = todo[-1]
            name = found[row].get("id")
            others = () if name is None else by.get(str(name), ())
            open_ones = [other for other in others if other not in counts and other not in todo]
            if open_ones and not any(counts.get(other, False) for other in others):
                todo.append(open_ones[0])
                continue
            counts.setdefault(row, not any(counts.get(other, False) for other in others))
            todo.pop()
    return [record for row, record in enumerate(found) if counts[row]]


def _of_layer(given: Iterable[Record], layer: str, kinds: Sequence[str] = KINDS) -> list[Record]:
    return [item for item in standing(given) if item.get("layer") == layer and item.get("kind") in kinds]


def apply(table: pd.DataFrame, layer: Layer, given: Iterable[Record], *, crs: str | None = None) -> pd.DataFrame:
    """Return a layer with what people entered carried into it; a later record supersedes an earlier one.

    A record whose row is not there changes nothing: `doubts` lists those.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        Shaped by `schema.restore`.
    layer : Layer
    given : iterable of records, in the order in which they were made
    crs : str, optional
        Name of the table's reference system. Records made in another are refused.

    Returns
    -------
    DataFrame or GeoDataFrame
        A new table, the input's rows first, added rows after them in the order of their records.

    Raises
    ------
    InputError
        When a record names a column the layer has not got, a value of the wrong type, a shape that cannot be read,
        or another reference system.

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> people = LAYERS["people"]
    >>> was = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fenn"]}), people)
    >>> edit = {"kind": "edit", "layer": "people", "key": "a", "values": {"name": "Ada Fenne"}}
    >>> apply(was, people, [edit])["name"].tolist()
    ['Ada Fenne']
    """
    gather = Gather()
    present = dict.fromkeys(str(key) for key in table[layer.key])
    values: dict[str, dict[str, Any]] = {}
    shapes: dict[str, Any] = {}
    removed: set[str] = set()
    added: dict[str, None] = {}
    for record in _of_layer(given, layer.name, KINDS[:4]):
        key, kind = str(record.get("key")), record["kind"]
        where = f"records {record.get('id', '')} {layer.name} [{key}]"
        if crs is not None and record.get("crs", crs) != crs:
            gather.add(where, f"made in {record['crs']}, the ground is in {crs}", "Enter it again in the ground's CRS.")
            continue
        if kind == "remove":
            removed.add(key)
            added.pop(key, None)
            values.pop(key, None)
            shapes.pop(key, None)
            continue
        if kind == "add":
            removed.discard(key)
            values[key] = {name: None for name in layer.names if name != layer.key}
            if key not in present:
                added[key] = None
        elif key in removed or (key not in present and key not in added):
            continue
        unknown = [name for name in record.get("values") or {} if name not in layer.names or name == layer.key]
        if unknown:
            gather.add(where, f"there is no column {', '.join(unknown)} to settle", "Withdraw the record.")
        else:
            values.setdefault(key, {}).update(record.get("values") or {})
        if layer.geometry is not None and (kind == "add" or "shape" in record):
            try:
                shapes[key] = None if record.get("shape") is None else shapely.from_wkt(record["shape"])
            except (shapely.errors.ShapelyError, TypeError) as error:
                gather.add(where, f"its shape cannot be read ({error})", "Withdraw the record.")
    gather.raise_if_any()

    result = table[~table[layer.key].isin(list(removed))].copy()
    if added:
        extra = pd.DataFrame({layer.key: list(added)})
        rows = schema.restore(extra, layer, getattr(table, "crs", None))
        result = pd.concat([result, rows], ignore_index=True) if len(result) else rows
    places = pd.Series(np.arange(len(result)), index=result[layer.key].astype(object))
    for column in layer.columns:
        changed = {key: row[column.name] for key, row in values.items() if column.name in row and key in places.index}
        if changed:
            try:
                _settle(result, column.name, places[list(changed)].to_numpy(), list(changed.values()))
            except (TypeError, ValueError) as error:
                gather.add(f"records {layer.name}.{column.name}", str(error), "Withdraw the record or mend its value.")
    gather.raise_if_any()
    shapes = {key: shape for key, shape in shapes.items() if key in places.index}
    if layer.geometry is not None and shapes:
        column_values = np.array(result[_GEOMETRY], dtype=object)
        for key, shape in shapes.items():
            column_values[places[key]] = shape
        result = gpd.GeoDataFrame(
            result.drop(columns=_GEOMETRY),
            geometry=gpd.GeoSeries(column_values, index=result.index, crs=getattr(table, "crs", None)),
        )[list(table.columns)]
    return result


def credits_by_column(given: Iterable[Record], layer: str) -> dict[str, dict[str, str]]:
    """Say who settled what by hand, when and why: by key and column, the last who did.

    A shape is the column ``geometry``; a row that was added as a whole has the column ``""``.

    Examples
    --------
    >>> edit = {"kind": "edit", "layer": "people", "key": "a", "values": {"name": "Ada Fenne"}, "who": "E. Tarn",
    ...         "when": "2025-06-01T12:00:00Z", "why": "stone read again", "id": "3f9a20c1"}
    >>> credits_by_column([edit], "people")
    {'a': {'name': 'E. Tarn, 2025-06-01: stone read again (record 3f9a20c1)'}}
    """
    found: dict[str, dict[str, str]] = {}
    for record in _of_layer(given, layer, KINDS[:4]):
        key = str(record.get("key"))
        if record["kind"] == "remove":
            found.pop(key, None)
            continue
        mark = f" (record {record['id']})" if record.get("id") else ""
        said = f"{record.get('who')}, {str(record.get('when'))[:10]}: {record.get('why')}{mark}"
        if record["kind"] == "add":
            found[key] = {"": said}
            continue
        names = [*(record.get("values") or {}), *([_GEOMETRY] if "shape" in record else [])]
        found.setdefault(key, {}).update(dict.fromkeys(names, said))
    return found


def credit(table: pd.DataFrame, layer: Layer, given: Iterable[Record]) -> pd.DataFrame:
    """Return a layer that says, row by row, what of it was settled by hand, by whom, when and why.

    It stands in the column that says where a row is from (``source``), why a space has its state, else ``by_hand``.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
        With the records carried, from `apply`.
    layer : Layer
    given : iterable of records

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> layer = LAYERS["obstacles"]
    >>> was = schema.restore(pd.DataFrame({"obstacle_id": ["t1"], "source": ["trees.csv"], "geometry": [None]}), layer)
    >>> edit = {"kind": "edit", "layer": "obstacles", "key": "t1", "values": {"kind": "wall"}, "who": "E. Tarn",
    ...         "when": "2025-06-01T12:00:00Z", "why": "it is a wall"}
    >>> credit(was, layer, [edit])["source"].tolist()
    ['trees.csv; by hand: kind by E. Tarn, 2025-06-01: it is a wall']
    """
    settled = credits_by_column(given, layer.name)
    rest = next((name for name in ("source", "by_hand") if name in layer.names), None)
    told: dict[str, dict[str, str]] = {}
    for key, columns in settled.items():
        parts: dict[str, dict[str, list[str]]] = {}
        for column, said in columns.items():
            target = _WHY.get((layer.name, column), rest)
            if target is not None and target in layer.names and (column not in _OWN_WORDS or column == "state_why"):
                words = {"": "all of it", _GEOMETRY: "its place"}.get(column, column)
                parts.setdefault(target, {}).setdefault(said, []).append(words)
        for target, by in parts.items():
            said = "; ".join(f"{', '.join(sorted(names))} by {who}" for who, names in by.items())
            told.setdefault(target, {})[key] = f"by hand: {said}"
    result = table
    for target, by_key in told.items():
        keys = result[layer.key].astype(object)
        rows = np.flatnonzero(keys.isin(list(by_key)).to_numpy(dtype=bool))
        texts = []
        for row in rows:
            key = str(keys.iloc[row])
            before = _bare(result[target].iloc[row])
            if target == "state_why" and "state" in settled[key] and "state_why" not in settled[key]:
                before = None  # what spoke for the state the evidence gives
            texts.append(by_key[key] if not before else f"{before}; {by_key[key]}")
        result = result.copy()
        _settle(result, target, rows, texts)
    return result


def _settle(table: pd.DataFrame, column: str, rows: np.ndarray, values: list[Any]) -> None:
    found = table[column].copy()
    new = pd.Series(values, dtype=object)
    if isinstance(found.dtype, pd.DatetimeTZDtype):
        found.iloc[rows] = pd.to_datetime(new, utc=True).astype(found.dtype).to_numpy()
    else:
        found.iloc[rows] = pd.array([pd.NA if value is None else value for value in values], dtype=found.dtype)
    table[column] = found


def doubts(table: pd.DataFrame, layer: Layer, given: Iterable[Record]) -> list[Doubt]:
    """List the records a person should look at again, against the layer as the evidence alone makes it.

    They are those whose row is not there (nothing happens), and those that replace a value or a shape the evidence no
    longer gives: the record still stands, but was made when something else was known.

    Examples
    --------
    >>> from cemgis.layers import LAYERS
    >>> people = LAYERS["people"]
    >>> table = schema.restore(pd.DataFrame({"person_id": ["a"], "name": ["Ada Fern"]}), people)
    >>> edit = {"kind": "edit", "layer": "people", "key": "a", "values": {"name": "Ada Fenne"},
    ...         "was": {"name": "Ada Fenn"}}
    >>> doubts(table, people, [edit])[0].why
    "name was 'Ada Fenn' when it was settled as 'Ada Fenne'; the evidence now says 'Ada Fern'"
    """
    rows = {str(key): place for place, key in enumerate(table[layer.key])}
    added: set[str] = set()
    settled: set[tuple[str, str]] = set()
    found: list[Doubt] = []
    for record in _of_layer(given, layer.name, KINDS[:4]):
        key, kind = str(record.get("key")), record["kind"]
        if kind == "add":
            if key in rows:
                found.append(Doubt(record, f"{layer.key} {key} was added by hand, but the evidence has it too"))
            added.add(key)
            continue
        if key in added:
            if kind == "remove":
                added.discard(key)
            continue
        if key not in rows:
            found.append(Doubt(record, f"there is no {layer.key} {key}, so it changes nothing"))
            continue
        for name, was in (record.get("was") or {}).items() if kind == "edit" else ():
            if (key, name) in settled or name not in table or name in _OWN_WORDS:
                continue  # it replaces an earlier record, not the evidence; or only tells of one
            settled.add((key, name))
            now, new = _json(_bare(table[name].iloc[rows[key]])), (record.get("values") or {}).get(name)
            if now not in (was, new):
                found.append(
                    Doubt(
                        record,
                        f"{name} was {_say(was)} when it was settled as {_say(new)}; the evidence now says {_say(now)}",
                    )
                )
        if kind == "move" and layer.name not in BY_PLAT and (key, _GEOMETRY) not in settled:
            settled.add((key, _GEOMETRY))
            far = _how_far(table[_GEOMETRY].iloc[rows[key]], record)
            if far > _NOT_SEEN_THEN:
                found.append(
                    Doubt(record, f"it was moved by hand, but the evidence has it {far:.2f} from where it was then")
                )
    return found


def _how_far(shape: Any, record: Record) -> float:
    """How far a shape of the evidence lies from what a record moved away, and from where it moved it: the less."""
    far = []
    for text in (record.get("was_shape"), record.get("shape")):
        try:
            then = None if text is None else shapely.from_wkt(text)
        except (shapely.errors.ShapelyError, TypeError):
            continue
        if then is None or shape is None:
            far.append(0.0 if then is shape else np.inf)
        else:
            far.append(float(shapely.hausdorff_distance(then, shape)))
    return min(far, default=0.0)


def latest(given: Iterable[Record], layer: str, column: str) -> pd.Series:
    """Return what people settled last for one column: value by key, for steps that need it before the layer is built.

    Examples
    --------
    >>> edit = {"kind": "edit", "layer": "corners", "key": "1889:0.00,0.00", "values": {"state": "disturbed"}}
    >>> latest([edit], "corners", "state").to_dict()
    {'1889:0.00,0.00': 'disturbed'}
    """
    found: dict[str, Any] = {}
    for record in _of_layer(given, layer, KINDS[:4]):
        key = str(record.get("key"))
        if record["kind"] == "remove":
            found.pop(key, None)
        elif column in (record.get("values") or {}):
            found[key] = record["values"][column]
    return pd.Series(found, name=column, dtype=object)


def moved_corners(given: Iterable[Record], *, crs: str | None = None) -> pd.DataFrame:
    """Return the corners that people moved by hand, so that they are in place before spaces are derived.

    Parameters
    ----------
    given : iterable of records, in the order in which they were made; a later move supersedes an earlier one
    crs : str, optional
        Name of the ground's reference system. Records made in another are refused.

    Returns
    -------
    DataFrame
        Index: ``corner_id``. Columns: ``easting``, ``northing`` (grid, the ground's unit), ``who``, ``when``, ``why``,
        ``record_id``.

    Raises
    ------
    InputError
        When a record's shape is not a point, or it was made in another reference system.

    Examples
    --------
    >>> move = {"kind": "move", "layer": "corners", "key": "1889:0.00,0.00", "shape": "POINT (1000.5 2000)",
    ...         "who": "E. Tarn", "when": "2025-06-01T00:00:00Z", "why": "pin found"}
    >>> moved_corners([move]).loc["1889:0.00,0.00", ["easting", "northing"]].tolist()
    [1000.5, 2000.0]
    """
    gather = Gather()
    rows: dict[str, dict[str, Any]] = {}
    for record in _of_layer(given, "corners", ("move",)):
        key = str(record.get("key"))
        where = f"records {record.get('id', '')} corners [{key}]"
        if crs is not None and record.get("crs", crs) != crs:
            gather.add(where, f"made in {record['crs']}, the ground is in {crs}", "Enter it again in the ground's CRS.")
            continue
        try:
            shape = shapely.from_wkt(record.get("shape"))
        except (shapely.errors.ShapelyError, TypeError):
            shape = None
        if shape is None or shape.geom_type != "Point" or shape.is_empty:
            gather.add(where, f"{str(record.get('shape'))[:60]!r} is not a point", "Withdraw the record.")
            continue
        said = {name: record.get(name) for name in ("who", "when", "why")}
        rows[key] = {"easting": shape.x, "northing": shape.y, **said, "record_id": record.get("id")}
    gather.raise_if_any()
    columns = ["easting", "northing", "who", "when", "why", "record_id"]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=columns)
    table.index.name = "corner_id"
    return table.astype({"easting": float, "northing": float})


# ---- values ---------------------------------------------------------------------------------------------------------


def _utc(when: datetime, where: str) -> str:
    if when.tzinfo is None:
        raise InputError.of(where, f"{when} has no time zone", "Give the time with its zone.")
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _bare(value: Any) -> Any:
    """Return a value of a table as plain Python; missing is None."""
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def as_json(value: Any) -> Any:
    """Return a value of a table as JSON carries it; a missing one is None."""
    return _json(_bare(value))


def _json(value: Any) -> Any:
    """Return a value as JSON can carry it; a time in UTC, a missing one as None."""
    if isinstance(value, (pd.Timestamp, datetime)):
        return value.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return value


def _wkt(shapes: np.ndarray) -> list[str | None]:
    """Return shapes as text that reads back to the same bits."""
    return [None if text is None else str(text) for text in shapely.to_wkt(shapes, rounding_precision=-1, trim=True)]


def _say(value: Any) -> str:
    if value is None:
        return "missing"
    return repr(_json(value)) if isinstance(_json(value), str) else str(value)
