"""What a layer is: its columns, their types and units, and everything that follows from declaring them once."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from cemgis.errors import Gather

if TYPE_CHECKING:
    from cemgis.units import Unit

__all__ = [
    "GEOMETRIES",
    "TYPES",
    "Column",
    "Layer",
    "Symbol",
    "check",
    "empty",
    "order",
    "published",
    "repeated",
    "restore",
]

TYPES: Mapping[str, str] = {
    "text": "string",
    "integer": "Int64",
    "real": "Float64",
    "flag": "boolean",
    "time": "datetime64[ms, UTC]",
    "date": "string",
}
"""Type of a declared column to the dtype it has in a table. A date is ISO text, as long as it is known."""

GEOMETRIES = (None, "Point", "LineString", "Polygon", "MultiPolygon", "MultiPoint")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a layer.

    Parameters
    ----------
    name : str
        As in a table. A length gets its unit's suffix only when it is written.
    type : str
        A key of `TYPES`.
    doc : str
        One line of meaning.
    unit : str, optional
        ``length`` (the ground's unit), ``length2`` (its square, for a covariance), ``degrees``, ``metres`` or
        another word.
    choices : tuple of str
        The values allowed, if they are listed.
    low, high : float, optional
        Range allowed, ends included.
    required : bool
        Whether a missing value is a problem.
    published : bool
        Whether public products may carry it.
    """

    name: str
    type: str
    doc: str
    unit: str = ""
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    required: bool = False
    published: bool = False

    def written(self, unit: Unit) -> str:
        """Name of the column in a file: a length says its unit.

        Examples
        --------
        >>> from cemgis.units import FOOT
        >>> Column("radius_95", "real", "...", unit="length").written(FOOT)
        'radius_95_ft'
        """
        if self.unit == "length":
            return f"{self.name}_{unit.suffix}"
        if self.unit == "length2":
            return f"{self.name}_{unit.suffix}2"
        return self.name


@dataclass(frozen=True, slots=True)
class Symbol:
    """How one class of a layer is drawn, on paper, on a screen and in a desktop GIS.

    Parameters
    ----------
    word : str
        What the legend says.
    fill, line : str
        ``#rrggbb``; an empty fill is none.
    pattern : str
        ``""``, ``diagonal``, ``crossed``, ``dots``, ``level`` or ``upright``: what tells it apart without colour.
    mark : str
        For points: ``circle``, ``square``, ``triangle``, ``diamond``, ``cross`` or ``ring``.
    size_pt : float
    """

    word: str
    fill: str = ""
    line: str = "#333333"
    pattern: str = ""
    mark: str = "circle"
    size_pt: float = 4.0


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer or table of a ground.

    Parameters
    ----------
    name : str
    geometry : str or None
        One of `GEOMETRIES`; None for a table without geometry.
    key : str
        The column that names a row; unique and never missing.
    doc : str
    columns : tuple of Column
    symbol_by : str
        The column whose value chooses the symbol; empty for one symbol for all (its class is ``""``).
    symbols : mapping of str to Symbol
        In legend order.
    published : bool
        Whether public products may carry the layer at all.
    evidence_edit : bool
        Whether an edit made in a desktop GIS can be collected into records.
    placeless : bool
        Whether a row may lack a geometry.
    """

    name: str
    geometry: str | None
    key: str
    doc: str
    columns: tuple[Column, ...]
    symbol_by: str = ""
    symbols: Mapping[str, Symbol] = field(default_factory=dict)
    published: bool = False
    evidence_edit: bool = False
    placeless: bool = False

    def __post_init__(self) -> None:
        names = self.names
        if len(set(names)) != len(names) or self.key not in names:
            msg = f"layer {self.name}: a column is there twice or the key is missing"
            raise ValueError(msg)
        for column in self.columns:
            if column.type not in TYPES:
                msg = f"layer {self.name}: {column.name} has no type {column.type}"
                raise ValueError(msg)
        if self.geometry not in GEOMETRIES:
            msg = f"layer {self.name}: no geometry {self.geometry}"
            raise ValueError(msg)

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order, geometry left out."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the column of that name; `KeyError` if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def _typed(values: Any, column: Column, index: pd.Index) -> pd.Series:
    series = pd.Series(values, index=index)
    dtype = TYPES[column.type]
    if column.type == "time":
        return pd.to_datetime(series, utc=True).astype(dtype)
    if column.type in ("text", "date"):
        if isinstance(series.dtype, pd.StringDtype):
            return series.astype(dtype)
        if series.dtype in (object, float):  # a column that is not there comes as missing floats
            with contextlib.suppress(pa.ArrowException, UnicodeError):  # text alone goes straight into its array
                text = pa.array(series, type=pa.large_string(), from_pandas=True)
                return pd.Series(pd.array(text, dtype=dtype), index=index)
        missing = series.isna()
        series = series.astype(object).where(~missing, None)
        series = series.map(lambda value: value if value is None or isinstance(value, str) else str(value))
        return series.astype(dtype)
    if column.type in ("real", "integer"):
        series = pd.to_numeric(series)
        if column.type == "real":
            numbers = series.to_numpy(dtype=float, na_value=np.nan)
            return pd.Series(pd.arrays.FloatingArray(numbers.copy(), np.isnan(numbers)), index=index)
    return series.astype(dtype)


def restore(table: pd.DataFrame, layer: Layer, crs: Any = None) -> gpd.GeoDataFrame | pd.DataFrame:
    """Return a table with the layer's columns, in order, with their declared dtypes; what is missing is added empty.

    Columns the layer does not declare are dropped. A layer with a geometry comes back as a GeoDataFrame.

    Parameters
    ----------
    table : DataFrame or GeoDataFrame
    layer : Layer
    crs : optional
        Set when the table has none of its own.

    Raises
    ------
    ValueError, TypeError
        When a value cannot be of its column's type.
    """
    data = {column.name: _typed(table.get(column.name), column, table.index) for column in layer.columns}
    frame = pd.DataFrame(data, index=table.index, copy=False)
    if layer.geometry is None:
        return frame
    shapes = table.get("geometry")
    own = getattr(table, "crs", None) if isinstance(table, gpd.GeoDataFrame) else None
    if own is not None and isinstance(shapes, gpd.GeoSeries) and shapes.crs == own:
        frame["geometry"] = shapes  # looked at once when it was made
        return gpd.GeoDataFrame(frame)
    values = np.full(len(table), None, dtype=object) if shapes is None else np.asarray(shapes, dtype=object)
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(values, index=table.index, crs=own or crs))


def empty(layer: Layer, crs: Any = None) -> gpd.GeoDataFrame | pd.DataFrame:
    """Return the layer with no rows.

    Examples
    --------
    >>> layer = Layer("things", None, "thing_id", "things", (Column("thing_id", "text", "id", required=True),))
    >>> list(empty(layer).dtypes.astype(str))
    ['string']
    """
    return restore(pd.DataFrame(index=pd.RangeIndex(0)), layer, crs)


def order(table: pd.DataFrame, layer: Layer) -> pd.DataFrame:
    """Return the table sorted by its key, with a fresh index: the order in which it is written."""
    return table.sort_values(layer.key, kind="stable").reset_index(drop=True)


def check(table: pd.DataFrame, layer: Layer) -> None:
    """Check a table against its declaration.

    Raises
    ------
    InputError
        With every problem: a missing column, key or required value, a key twice, a value outside its choices or
        range, an infinite number, a geometry of another type.

    Examples
    --------
    >>> layer = Layer("things", None, "thing_id", "things",
    ...               (Column("thing_id", "text", "id", required=True), Column("size", "real", "size", low=0)))
    >>> check(restore(pd.DataFrame({"thing_id": ["a", "a"], "size": [1.0, -2.0]}), layer), layer)
    Traceback (most recent call last):
    ...
    cemgis.errors.InputError: 2 problems:
      1. things.thing_id: there more than once: a. Give each row its own.
      2. things.size [a]: below 0. Mend the value.
    """
    gather = Gather()
    missing = [name for name in layer.names if name not in table]
    if missing:
        gather.add(layer.name, f"no column {', '.join(missing)}", "Restore the table from its declaration first.")
        gather.raise_if_any()
    keys = table[layer.key]
    twice = keys[repeated(keys)].unique()
    if len(twice):
        gather.add(f"{layer.name}.{layer.key}", f"there more than once: {_few(twice)}", "Give each row its own.")
    for column in layer.columns:
        values = table[column.name]
        place = f"{layer.name}.{column.name}"
        absent = values.isna()
        if (column.required or column.name == layer.key) and absent.any():
            gather.add(f"{place} [{_few(keys[absent])}]", "missing", "Fill it in.")
        if column.choices:
            wrong = ~values.isin(column.choices) & ~absent
            if wrong.any():
                said = _few(values[wrong].unique())
                gather.add(
                    f"{place} [{_few(keys[wrong])}]",
                    f"{said} is none of its values",
                    f"One of: {', '.join(column.choices)}.",
                )
        if column.low is not None and (low := (values < column.low).fillna(value=False)).any():
            gather.add(f"{place} [{_few(keys[low])}]", f"below {column.low:g}", "Mend the value.")
        if column.high is not None and (high := (values > column.high).fillna(value=False)).any():
            gather.add(f"{place} [{_few(keys[high])}]", f"above {column.high:g}", "Mend the value.")
        if column.type == "real" and (endless := np.isinf(values.to_numpy(dtype=float, na_value=np.nan))).any():
            gather.add(f"{place} [{_few(keys[endless])}]", "an infinite number", "Leave out what is not known.")
    if layer.geometry is not None and isinstance(table, gpd.GeoDataFrame):
        kinds = table.geometry.geom_type
        wrong = ~kinds.isin([layer.geometry])
        if layer.placeless:
            wrong &= kinds.notna()
        if wrong.any():
            gather.add(
                f"{layer.name} [{_few(keys[wrong])}]",
                f"geometry is {_few(kinds[wrong].fillna('missing').unique())}",
                f"It must be {layer.geometry}.",
            )
    gather.raise_if_any()


def repeated(keys: pd.Series) -> NDArray[np.bool_]:
    """Say which keys were there before; what is missing repeats nothing.

    What is made in order is nearly sorted, and then sorting beats hashing.

    Examples
    --------
    >>> repeated(pd.Series(["b", "a", None, "b", None], dtype="string")).tolist()
    [False, False, False, True, False]
    """
    if not isinstance(keys.dtype, pd.StringDtype):
        return np.asarray(keys.duplicated() & keys.notna(), dtype=bool)
    text = pa.array(keys, type=pa.large_string())
    rows = np.asarray(pc.sort_indices(text))  # stable: of equal ones the first comes first
    text = text.take(pa.array(rows))
    out = np.zeros(len(rows), dtype=bool)
    out[rows[1:]] = np.asarray(pc.fill_null(pc.equal(text[1:], text[:-1]), fill_value=False), dtype=bool)
    return out


def published(table: pd.DataFrame, layer: Layer) -> pd.DataFrame:
    """Return only what public products may carry: published columns of a published layer.

    Raises
    ------
    PermissionError
        When the layer is not published at all.
    """
    if not layer.published:
        msg = f"layer {layer.name} is not published"
        raise PermissionError(msg)
    names = [column.name for column in layer.columns if column.published]
    return table[[*names, *(["geometry"] if layer.geometry else [])]]


def _few(values: Iterable[object], most: int = 5) -> str:
    found: Sequence[str] = [str(value)[:60] for value in values]
    tail = f" and {len(found) - most} more" if len(found) > most else ""
    return ", ".join(found[:most]) + tail
