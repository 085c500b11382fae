"""How the columns of a layer are kept in the file, and what all that read or write it share."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.errors
import pyogrio.raw

__all__ = ["ARROW", "AWAY", "BATCH_ROWS", "GDAL_ERRORS", "PANDAS", "SHAPE", "is_sqlite"]

SHAPE = "geom"
ARROW: Mapping[str, Any] = {
    "text": pa.large_string(),
    "date": pa.large_string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "flag": pa.bool_(),
    "time": pa.timestamp("ms", tz="UTC"),
}
PANDAS: Mapping[Any, Any] = {
    pa.large_string(): pd.StringDtype(),
    pa.int64(): pd.Int64Dtype(),
    pa.float64(): pd.Float64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
}
BATCH_ROWS = 65_536
_MAGIC = b"SQLite format 3\0"
GDAL_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
    RuntimeError,
)
AWAY = "Move it away, look at what it still holds, and build again."


def is_sqlite(path: Path) -> bool:
    """Whether a file begins as a database of SQLite does."""
    with path.open("rb") as stream:
        return stream.read(len(_MAGIC)) == _MAGIC
