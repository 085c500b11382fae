"""The one table every reader of readings returns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cemgis.errors import InputError
from cemgis.files.tables import BrokenLine

__all__ = ["RawReadings", "nothing_usable", "raw_table"]


@dataclass(frozen=True, slots=True)
class RawReadings:
    """Readings as they came, in the file's own reference system.

    Parameters
    ----------
    table : DataFrame
        ``line, label, section, time`` (UTC), ``x, y`` (longitude, latitude in degrees or easting, northing in the
        reference's unit; NaN where the receiver had none), ``height`` (m, ellipsoidal, of the mark), ``fix, hdop,
        satellites, sigma_e, sigma_n`` (m), ``sigma_from, antenna_height`` (m), ``speed`` (m/s), ``kind, condition,
        depth`` (m), ``base, canopy, note, occupation``.
    broken : tuple of BrokenLine
        The first lines that could not be used.
    n_broken : int
        How many could not be used.
    notes : tuple of str
        What was assumed or left out and must be said aloud.
    geographic : bool or None
        Whether x and y are degrees, as far as the file tells.
    xy_unit : str or None
        Unit the file's own header gives for x and y.
    file_crs : str or None
        Reference system the file itself names.
    """

    table: pd.DataFrame
    broken: tuple[BrokenLine, ...] = ()
    n_broken: int = 0
    notes: tuple[str, ...] = ()
    geographic: bool | None = None
    xy_unit: str | None = None
    file_crs: str | None = None


WORST_SIGMA = 1e6
"""Metres; a receiver that says more of itself than this says that it knows nothing, and squares stay finite."""
_TEXTS = ("label", "section", "fix", "sigma_from", "kind", "condition", "base", "canopy", "note")
_REALS = ("x", "y", "height", "hdop", "sigma_e", "sigma_n", "antenna_height", "speed", "depth")
_ORDERED = (
    "line", "label", "section", "time", "x", "y", "height", "fix", "hdop", "satellites", "sigma_e", "sigma_n",
    "sigma_from", "antenna_height", "speed", "kind", "condition", "depth", "base", "canopy", "note", "occupation",
)  # fmt: skip


def raw_table(n: int, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Bring columns to the shape of `RawReadings.table`; a text that is empty is missing."""
    data: dict[str, Any] = {}
    for name in _ORDERED:
        values = columns.get(name)
        if name in _TEXTS:
            own = pd.NA if values is None else values.array if isinstance(values, pd.Series) else values
            text = pd.Series(own, index=range(n), dtype="string")
            data[name] = text.mask(text == "")
        elif name in _REALS:
            data[name] = np.full(n, np.nan) if values is None else np.broadcast_to(np.asarray(values, float), (n,))
        elif name == "time":
            stamps = np.full(n, "NaT", dtype="datetime64[ms]") if values is None else np.asarray(values)
            data[name] = pd.Series(stamps.astype("datetime64[ms]")).dt.tz_localize("UTC")
        elif name in ("satellites", "occupation"):
            whole = np.full(n, np.nan) if values is None else np.asarray(values, dtype=float)
            whole = np.where(np.isfinite(whole) & (np.abs(whole) < 1e9), np.floor(whole), np.nan)
            data[name] = pd.Series(pd.array(whole, dtype="Float64")).astype("Int64")
        else:
            data[name] = np.asarray(values, dtype=np.int64)
    return pd.DataFrame(data, index=pd.RangeIndex(n))


def nothing_usable(where: str, broken: Sequence[BrokenLine], n_broken: int) -> InputError:
    """Return the error of a file without one usable line."""
    said = "; ".join(f"line {line}: {why}" for line, _, why in sorted(broken)[:3])
    return InputError.of(
        where,
        "not one line in it can be used" + (f" ({n_broken} lines left out: {said})" if n_broken else ""),
        "Check that it is the right file and the right format.",
    )
