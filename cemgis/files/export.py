"""A built ground handed on in other formats: shapefiles, a file geodatabase, GeoJSON, CSV; each says what it loses."""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.errors
import pyproj
import shapely

from cemgis.errors import InputError
from cemgis.files.whole import input_error, try_room, whole_folder
from cemgis.layers import LAYERS
from cemgis.schema import Layer
from cemgis.units import Unit

__all__ = ["FORMATS", "NOTICE", "Exported", "csv_text", "export", "plain_text", "short_names", "staff_notice"]

NOTICE = "STAFF-ONLY.txt"
"""File in every exported folder that says what of it is not for the public."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # the wide ones of East Asian writing too
_SHORT = 10  # characters of a field's name in a dBASE table, its format's limit
_DBF_TEXT = 254  # and of a text in it
_GDB = ".gdb"  # a folder without this ending is taken for no file geodatabase, by GDAL and by others
# Words a file geodatabase keeps for its own language, and would rename without saying so; from memory.
_RESERVED = {
    "add", "alter", "and", "between", "by", "column", "create", "delete", "drop", "exists", "for", "from",
    "group", "in", "insert", "into", "is", "like", "not", "null", "objectid", "or", "order", "select", "set",
    "shape", "table", "update", "values", "where",
}  # fmt: skip
_ERRORS = (
    pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError, pyogrio.errors.GeometryError, RuntimeError, ValueError,
)  # fmt: skip


@dataclass
class Exported:
    """What was written.

    Parameters
    ----------
    path : Path
    layers : dict of str to int
        Rows of each layer written.
    names : DataFrame
        ``layer, column, field, meaning``: what each column is called there.
    notes : list of str
        What the format cannot hold, and what was done instead.
    """

    path: Path
    layers: dict[str, int] = field(default_factory=dict)
    names: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["layer", "column", "field", "meaning"]))
    notes: list[str] = field(default_factory=list)


# ---- names and values ------------------------------------------------------------------------------------------------


def short_names(names: Sequence[str], most: int = _SHORT) -> dict[str, str]:
    """Shorten names to `most` characters so that each stays apart and can be recognised.

    Vowels inside words go first, from the longest word on, then ends of words; names that then meet are numbered.

    Examples
    --------
    >>> short_names(["radius_95_ft", "heads_azimuth", "state"])
    {'radius_95_ft': 'rds_95_ft', 'heads_azimuth': 'hds_azmth', 'state': 'state'}
    >>> short_names(["markers_found_a", "markers_found_b"], 8)
    {'markers_found_a': 'mr_fnd_a', 'markers_found_b': 'mr_fnd_b'}
    """
    out: dict[str, str] = {}
    taken: set[str] = {name.lower() for name in names if len(name) <= most}
    for name in names:
        if len(name) <= most:
            out[name] = name
            continue
        words = name.split("_")
        lengths = [len(word) for word in words]
        for rank in np.argsort([-length for length in lengths], kind="stable"):
            if len("_".join(words)) > most:
                words[rank] = words[rank][:1] + re.sub("[aeiou]", "", words[rank][1:])
        while len("_".join(words)) > most and max(map(len, words)) > 1:
            longest = int(np.argmax([len(word) for word in words]))
            words[longest] = words[longest][:-1]
        short = base = "_".join(words)[:most]
        number = 2
        while short.lower() in taken:
            short = f"{base[: most - len(str(number))]}{number}"
            number += 1
        taken.add(short.lower())
        out[name] = short
    return out


def plain_text(value: Any) -> Any:
    """Return text that a spreadsheet does not take for a formula: an apostrophe stands before it then.

    Examples
    --------
    >>> plain_text("=1+1"), plain_text("A-1"), plain_text(-2)
    ("'=1+1", 'A-1', -2)
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def csv_text(table: pd.DataFrame) -> str:
    r"""Return a table as CSV, no text of it a formula.

    Examples
    --------
    >>> csv_text(pd.DataFrame({"name": ["=1+1", "Ada"], "n": [1.5, None]}))
    "name,n\n'=1+1,1.5\nAda,\n"
    """
    safe = pd.DataFrame({name: [plain_text(value) for value in table[name]] for name in table.columns})
    return str(safe.to_csv(index=False, lineterminator="\n"))


def _written(table: pd.DataFrame, layer: Layer, unit: Unit) -> pd.DataFrame:
    """Table under its columns' written names, without geometry."""
    out = pd.DataFrame(table[[column.name for column in layer.columns]])
    return out.rename(columns={column.name: column.written(unit) for column in layer.columns})


def _said(values: pd.Series) -> pd.Series:
    """Say times as ISO text and flags as yes and no; other values stay."""
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        said = values.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str.slice(0, 23) + "Z"
        return said.where(values.notna(), None).astype("string")
    if pd.api.types.is_bool_dtype(values.dtype):
        return values.map({True: "yes", False: "no"}).astype("string")
    return values


def _loose(values: pd.Series) -> pd.Series:
    """Values in the types a driver takes: numbers with NaN for what is missing, text with None."""
    if pd.api.types.is_integer_dtype(values.dtype):
        number = values.to_numpy(dtype=float, na_value=np.nan)
        small = np.nanmax(np.abs(number), initial=0.0) < 2**31
        return values.astype("Int32") if small else pd.Series(number, index=values.index)
    if pd.api.types.is_float_dtype(values.dtype):
        return pd.Series(values.to_numpy(dtype=float, na_value=np.nan), index=values.index)
    return values.astype(object).where(values.notna(), None)


# ---- writing ---------------------------------------------------------------------------------------------------------


def export(
    tables: Mapping[str, pd.DataFrame], target: Path, kind: str, *, unit: Unit, crs: pyproj.CRS
) -> Exported:  # fmt: skip
    """Write every layer of a ground that has rows, all or nothing.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        By layer name, shaped by their declarations.
    target : Path
        Folder to write; what was exported there before is replaced, anything else is refused. A file geodatabase is
        known by the ending ``.gdb`` of its folder: it gets that ending when it has another, see `Exported.path`.
    kind : str
        A key of `FORMATS`.
    unit : Unit
    crs : pyproj.CRS
        Of the ground; coordinates are not changed.

    Returns
    -------
    Exported

    Raises
    ------
    InputError
        When there is no such format, the target holds something else, or it cannot be written.
    """
    if kind not in FORMATS:
        raise InputError.of("to", f"there is no format {kind!r}", f"One of: {', '.join(FORMATS)}.")
    target = Path(target)
    if kind == "filegdb" and target.suffix.lower() != _GDB:
        target = target.with_name(target.name + _GDB)
    if target.exists() and not _ours(target, kind):
        raise InputError.of(str(target), "it holds something else", "Name a new folder.")
    if kind == "filegdb" and pyogrio.list_drivers(write=True).get("OpenFileGDB") is None:
        what = f"the GDAL {pyogrio.__gdal_version_string__} that is installed writes no file geodatabase"
        raise InputError.of("to", what, "Install pyogrio 0.11 or later from the Python Package Index.")
    done = Exported(target)
    shaped = {name: tables[name] for name in LAYERS if name in tables and len(tables[name])}
    left = [name for name in tables if name in LAYERS and not len(tables[name])]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_folder(target) as made:
            if kind != "filegdb":
                made.mkdir()
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter(
                        "error", RuntimeWarning
                    )  # a driver that changes a name or value says so there
                    FORMATS[kind](shaped, made, unit, crs, done)
                notice = staff_notice(shaped)
                (made / NOTICE).write_text(notice, encoding="utf-8")
                done.notes.insert(0, notice.splitlines()[0])
            except (*_ERRORS, RuntimeWarning):
                try_room(made.parent, 4 * sum(int(table.memory_usage().sum()) for table in shaped.values()))
                raise
            if left:
                done.notes.append(f"No rows and so not written: {', '.join(left)}.")
    except OSError as error:
        raise input_error(target, error) from error
    except (*_ERRORS, RuntimeWarning) as error:
        said = " ".join(str(error).split())[:300]
        raise InputError.of(str(target), f"not written ({said})", "Mend that and run it again.") from error
    done.layers = {name: len(table) for name, table in shaped.items()}
    return done


def staff_notice(tables: Mapping[str, pd.DataFrame]) -> str:
    """Say of layers that are handed on what the public may not have; the first line says it in short.

    Examples
    --------
    >>> print(staff_notice({"rights": pd.DataFrame(), "gates": pd.DataFrame()}).splitlines()[0])
    FOR STAFF ONLY, not for publication: rights whole, and columns of gates. `cemgis publish` makes what is public.
    """
    whole, parts, rows = [], [], []
    for name in tables:
        layer = LAYERS[name]
        hidden = [column.name for column in layer.columns if not (layer.published and column.published)]
        shown = [column.name for column in layer.columns if column.name not in hidden]
        # a key alone tells who the row is about, and people are published one by one
        if not shown or shown == [layer.key] or name in _PERSONS:
            whole.append(name)
            rows.append(f"{name}: all of it")
        elif hidden:
            parts.append(name)
            rows.append(f"{name}: {', '.join(hidden)}")
    told = [f"{', '.join(whole)} whole" if whole else "", f"columns of {', '.join(parts)}" if parts else ""]
    first = f"FOR STAFF ONLY, not for publication: {', and '.join(part for part in told if part) or 'nothing'}. "
    return "\n".join(
        [
            f"{first}`cemgis publish` makes what is public.",
            "",
            "This folder holds what ground.gpkg holds: who holds rights, who may be living, what families told, what",
            "the crew saw. Not one file of it is what `cemgis publish` would show: that leaves out, row by row, people",
            "who may be living, who asked to be left out, and sections that are not shown. Whoever gets this folder",
            "needs a reason to have all of it. What is never public, layer by layer:",
            "",
            *(f"- {row}" for row in rows),
            "",
        ]
    )


_PERSONS = ("people", "events", "rights", "kin", "memories", "inscriptions", "openings", "findings")


_MARK = {"shapefile": "fields.csv", "geojson": "*.geojson", "csv": "fields.csv", "filegdb": "gdb"}


def _ours(target: Path, kind: str) -> bool:
    """Whether a folder is one that an export made, or empty."""
    if not target.is_dir():
        return False
    return not any(target.iterdir()) or any(target.glob(_MARK[kind]))


def _note_names(done: Exported, layer: Layer, unit: Unit, names: Mapping[str, str]) -> None:
    rows = pd.DataFrame(
        [(layer.name, column.written(unit), names[column.written(unit)], column.doc) for column in layer.columns],
        columns=["layer", "column", "field", "meaning"],
    )
    done.names = pd.concat([done.names, rows], ignore_index=True)


def _fields_table(done: Exported, folder: Path) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(done.names.columns)
    writer.writerows(done.names.itertuples(index=False, name=None))
    (folder / "fields.csv").write_text(text.getvalue(), encoding="utf-8")


def _write(
    table: pd.DataFrame, shapes: Any, path: Path, driver: str, declared: Layer, crs: pyproj.CRS, **more: Any
) -> None:  # fmt: skip
    loose = pd.DataFrame({name: _loose(table[name]) for name in table.columns})
    if declared.geometry is None:
        pyogrio.write_dataframe(loose, path, driver=driver, **more)
        return
    frame = gpd.GeoDataFrame(loose, geometry=gpd.GeoSeries(shapes, index=loose.index, crs=crs))
    pyogrio.write_dataframe(frame, path, driver=driver, geometry_type=declared.geometry, **more)


def _shapes(table: pd.DataFrame, layer: Layer) -> Any:
    return None if layer.geometry is None else np.asarray(table["geometry"], dtype=object)


def _shapefile(tables: Mapping[str, pd.DataFrame], made: Path, unit: Unit, crs: pyproj.CRS, done: Exported) -> None:
    cut: list[str] = []
    for name, table in tables.items():
        layer = LAYERS[name]
        out = _written(table, layer, unit)
        for column in out.columns:
            out[column] = _said(out[column])
            if out[column].dtype == "string":
                size = out[column].map(lambda text: len(text.encode("utf-8")), na_action="ignore")
                long = size.gt(_DBF_TEXT).fillna(value=False).to_numpy(dtype=bool)
                if long.any():
                    cut.append(f"{name}.{column} ({int(long.sum())})")
                    out[column] = out[column].map(_cut, na_action="ignore").astype("string")
        names = short_names(list(out.columns))
        _note_names(done, layer, unit, names)
        _write(out.rename(columns=names), _shapes(table, layer), made / f"{name}.shp", "ESRI Shapefile", layer, crs,
               encoding="UTF-8")  # fmt: skip
    _fields_table(done, made)
    done.notes.append("Names of fields are cut to 10 characters: fields.csv says which is which.")
    done.notes.append(
        "Times are text in UTC, flags are yes and no; an empty text and a missing one are the same there."
    )
    if cut:
        done.notes.append(f"Texts longer than {_DBF_TEXT} bytes are cut: {', '.join(cut)}.")


def _cut(text: str) -> str:
    return text.encode("utf-8")[:_DBF_TEXT].decode("utf-8", "ignore")


def _filegdb(tables: Mapping[str, pd.DataFrame], made: Path, unit: Unit, crs: pyproj.CRS, done: Exported) -> None:
    for name, table in tables.items():
        layer = LAYERS[name]
        out = _written(table, layer, unit)
        for column in out.columns:
            out[column] = _said(out[column])
        names = {column: f"{column}_" if column.lower() in _RESERVED else column for column in out.columns}
        _note_names(done, layer, unit, names)
        more: dict[str, Any] = {"layer": name, "append": False}
        _write(out.rename(columns=names), _shapes(table, layer), made, "OpenFileGDB", layer, crs, **more)
    changed = done.names[done.names["column"] != done.names["field"]]
    if len(changed):
        said = ", ".join(f"{row.layer}.{row.column} is {row.field}" for row in changed.itertuples())
        done.notes.append(f"Names kept for the format's own language: {said}.")
    done.notes.append("Times are text in UTC, flags are yes and no. Value lists and styles stay in ground.gpkg.")


def _geojson(tables: Mapping[str, pd.DataFrame], made: Path, unit: Unit, crs: pyproj.CRS, done: Exported) -> None:
    tell = []
    for name, table in tables.items():
        layer = LAYERS[name]
        if layer.geometry is None:
            tell.append(name)
            continue
        out = _written(table, layer, unit)
        for column in out.columns:
            out[column] = _said(out[column]) if isinstance(out[column].dtype, pd.DatetimeTZDtype) else out[column]
        _note_names(done, layer, unit, {column: column for column in out.columns})
        flags = [column.written(unit) for column in layer.columns if column.type == "flag"]
        for column in flags:
            out[column] = _said(out[column])
        _write(out, _shapes(table, layer), made / f"{name}.geojson", "GeoJSON", layer, crs, COORDINATE_PRECISION=4)
    done.notes.append(
        "Coordinates are the ground's own, named in each file's member crs (the form of 2008). The form of 2016 wants "
        "WGS 84 and names no realization: that would move the ground by more than a metre without a word."
    )
    if tell:
        done.notes.append(f"Without a place and so not written: {', '.join(tell)}. Take CSV for them.")


def _csv(tables: Mapping[str, pd.DataFrame], made: Path, unit: Unit, crs: pyproj.CRS, done: Exported) -> None:
    changed = 0
    for name, table in tables.items():
        layer = LAYERS[name]
        out = _written(table, layer, unit)
        for column in out.columns:
            out[column] = _said(out[column])
        out = out.astype(object).where(out.notna(), None)
        if layer.geometry is not None:
            shapes = _shapes(table, layer)
            out["wkt"] = shapely.to_wkt(shapes, rounding_precision=4)
        for column in out.columns:
            safe = out[column].map(plain_text, na_action="ignore")
            changed += int((safe.notna() & (safe != out[column])).sum())
            out[column] = safe
        _note_names(done, layer, unit, {column: column for column in out.columns})
        text = out.to_csv(index=False, lineterminator="\n")
        (made / f"{name}.csv").write_text(text, encoding="utf-8")
    _fields_table(done, made)
    done.notes.append(f"Coordinates, in column wkt, are in {crs.name}.")
    if changed:
        done.notes.append(
            f"{changed} texts that a spreadsheet would take for a formula have an apostrophe before them."
        )


FORMATS: Mapping[str, Callable[[Mapping[str, pd.DataFrame], Path, Unit, pyproj.CRS, Exported], None]] = {
    "shapefile": _shapefile,
    "filegdb": _filegdb,
    "geojson": _geojson,
    "csv": _csv,
}
"""Formats by name."""
