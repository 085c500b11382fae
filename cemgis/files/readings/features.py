"""Points of a vector file as readings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis.files.readings.cells import strings
from cemgis.files.readings.columns import choose_columns
from cemgis.files.readings.points import points_of_text
from cemgis.files.readings.table import RawReadings, nothing_usable
from cemgis.files.tables import NAMED, BrokenLine, Table

__all__ = ["parse_features"]


def parse_features(
    features: gpd.GeoDataFrame,
    broken: Sequence[BrokenLine] = (),
    n_broken: int = 0,
    *,
    columns: Mapping[str, str] | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
    unnamed: str = "",
) -> RawReadings:
    """Take readings from point features, as `cemgis.files.vector.read_features` gives them.

    Parameters
    ----------
    features : GeoDataFrame
        With a column ``feature``, its number in the file.
    broken, n_broken
        What was already left out.
    columns, label, section, antenna_height_m, day, where
        As in `parse_points`.
    unnamed : str
        Why the features have no CRS although their numbers cannot be degrees.

    Raises
    ------
    InputError
        When no label is recognised or no feature is a point.
    """
    shapes = np.array(features.geometry.to_numpy())
    kinds = shapely.get_type_id(shapes)
    single = (kinds == 4) & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    points = np.isin(kinds, [0]) | single
    numbers = features["feature"].to_numpy(dtype=np.int64)
    left = list(broken)
    for at in np.flatnonzero(~points)[:NAMED]:
        kind = shapely.GeometryType(int(kinds[at])).name.lower() if kinds[at] >= 0 else "nothing"
        left.append(BrokenLine(int(numbers[at]), "", f"it is a {kind}, not a point"))
    xy = np.column_stack([shapely.get_x(shapes[points]), shapely.get_y(shapes[points])])
    attributes = features.drop(columns=["geometry", "feature"], errors="ignore").loc[points]
    rows = pd.DataFrame(
        {str(name): strings(_texts_of(attributes[name])) for name in attributes.columns},
        index=pd.RangeIndex(int(points.sum())),
    )
    count = n_broken + int((~points).sum())
    table = Table(rows, numbers[points], tuple(left), count, "", "")
    if not points.any():
        raise nothing_usable(where, left, count)
    chosen = choose_columns([str(name) for name in rows.columns], columns, where)
    crs = features.crs
    geographic = (False if unnamed else None) if crs is None else bool(crs.is_geographic)
    raw = points_of_text(table, chosen, columns or {}, label, section, antenna_height_m, day, where, xy, geographic)
    notes = (*raw.notes, f"{unnamed}: read as the reference declared") if unnamed else raw.notes
    return replace(raw, file_crs=None if crs is None else str(crs.name), notes=notes)


def _texts_of(values: pd.Series) -> list[str]:
    missing = values.isna().to_numpy(dtype=bool)
    return ["" if lost else str(value) for value, lost in zip(values.tolist(), missing, strict=True)]
