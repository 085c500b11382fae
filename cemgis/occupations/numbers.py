"""The numbers readings are weighed with, and columns of tables as plain arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis.units import Unit, say_length, unit_of_factor

__all__ = [
    "CLASSES", "HOUR_MS", "NOTHING", "R95", "ReadingNumbers", "floats_of", "millis_of", "points_of", "positions_of",
    "texts_of",
]  # fmt: skip


CLASSES = ("fixed", "float", "differential", "autonomous", "unknown")  # the best first
R95 = float(np.sqrt(-2.0 * np.log(0.05)))  # 2.4477 standard deviations of a circular normal hold 95 %
HOUR_MS = 3_600_000.0
NOTHING = np.array(None, dtype=object)


@dataclass(frozen=True, slots=True)
class ReadingNumbers:
    """The rules that turn readings into markers, lengths in the ground's unit.

    Parameters
    ----------
    sigma : mapping of str to float
        Standard deviation of each coordinate by kind of solution; for one unit of HDOP where that scales it.
    floor : mapping of str to float
        No occupation is better than this, by kind of solution.
    gap_hours, correlation_hours, trusted_gap_hours : float
    still, away : float
        Ratios.
    moving, speed, agree, two_places : float
        Lengths; the speed is one a second.
    alpha : float
        Chance of calling good occupations bad.
    unit : Unit
        The ground's unit.
    """

    sigma: Mapping[str, float]
    floor: Mapping[str, float]
    gap_hours: float
    correlation_hours: float
    still: float
    away: float
    moving: float
    speed: float
    trusted_gap_hours: float
    agree: float
    two_places: float
    alpha: float
    unit: Unit

    @property
    def metres(self) -> float:
        """Length of the ground's unit in metres."""
        return self.unit.metres

    def say(self, length: float) -> str:
        """Say a length with its unit."""
        return say_length(length, self.unit)

    @classmethod
    def of(cls, rules: Mapping[str, float], unit: Unit | float) -> ReadingNumbers:
        """Take them from the rules in force, whose lengths are in units of `unit` (or of its length in metres).

        Examples
        --------
        >>> from cemgis.rules import Rules
        >>> from cemgis.units import METRE
        >>> ReadingNumbers.of(Rules(METRE), METRE).sigma["fixed"]
        0.015
        """
        classes = CLASSES[:4]
        return cls(
            sigma={name: rules[f"reading.sigma_{name}"] for name in classes},
            floor={name: rules[f"occupation.floor_{name}"] for name in classes},
            gap_hours=rules["occupation.gap"],
            correlation_hours=rules["occupation.correlation"],
            still=rules["occupation.still"],
            away=rules["occupation.away"],
            moving=rules["occupation.moving"],
            speed=rules["occupation.speed"],
            trusted_gap_hours=rules["marker.trusted_gap"],
            agree=rules["marker.trusted_agree"],
            two_places=rules["marker.two_places"],
            alpha=rules["fit.alpha"],
            unit=unit if isinstance(unit, Unit) else unit_of_factor(unit),
        )


def floats_of(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return a column as numbers, missing where it or its values are."""
    if name not in table:
        return np.full(len(table), np.nan)
    return np.array(pd.to_numeric(table[name]).to_numpy(dtype=float, na_value=np.nan))


def texts_of(table: pd.DataFrame, name: str) -> pd.Series:
    """Return a column as text, missing where it or its values are."""
    if name not in table:
        return pd.Series(pd.NA, index=table.index, dtype="string")
    return table[name].astype("string")


def words_of(texts: pd.Series) -> np.ndarray:
    """Give texts, none missing, as objects: what is alike is one object, and among a million readings few differ."""
    codes, distinct = pd.factorize(texts)
    words: np.ndarray = np.asarray(distinct, dtype=object)[codes]
    return words


def millis_of(table: pd.DataFrame, name: str) -> np.ndarray:
    """Milliseconds since 1970; NaN where there is no time."""
    if name not in table:
        return np.full(len(table), np.nan)
    stamps = pd.to_datetime(table[name], utc=True).dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype(np.int64).astype(float))


def positions_of(table: gpd.GeoDataFrame) -> np.ndarray:
    """Return the places of a table as an array."""
    shapes = np.asarray(table.geometry.to_numpy(), dtype=object)
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)]).astype(float)


def points_of(xy: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Make points where they are known, nothing elsewhere."""
    shapes = np.full(len(xy), None, dtype=object)
    shapes[known] = shapely.points(xy[known])
    return shapes
