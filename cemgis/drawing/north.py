"""Which way north is on a sheet, and whether a head end may be drawn as a fact."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis.units import compass_azimuth, compass_word

__all__ = ["heads_settled", "north_words", "say_unsettled", "true_north_on_page", "unsettled_heads"]


def true_north_on_page(convergence_deg: float) -> float:
    """Direction of true north on a sheet whose top is grid north, degrees clockwise from the top.

    True azimuth = grid azimuth + convergence, so true north (true azimuth 0) has the grid azimuth -convergence: east
    of the central meridian in the northern hemisphere, where convergence is positive, it leans to the left.

    Examples
    --------
    >>> true_north_on_page(1.5)
    -1.5
    """
    return -convergence_deg


def north_words(convergence_deg: float, declination_deg: float | None = None) -> list[str]:
    """Say where grid north and magnetic north lie, seen from true north.

    Examples
    --------
    >>> north_words(0.2433)
    ['grid north lies 0°14′36″ east of true north']
    >>> north_words(-0.5, -8.25)[1]
    'magnetic north lies 8.2° west of true north'
    """
    seconds = round(abs(convergence_deg) * 3600)
    side = "east" if convergence_deg > 0 else "west"
    if seconds == 0:
        lines = ["grid north and true north agree here"]
    else:
        angle = f"{seconds // 3600}°{seconds // 60 % 60:02d}′{seconds % 60:02d}″"
        lines = [f"grid north lies {angle} {side} of true north"]
    if declination_deg is not None and math.isfinite(declination_deg):
        side = "east" if declination_deg > 0 else "west"
        lines.append(f"magnetic north lies {abs(declination_deg):.1f}° {side} of true north")
    return lines


def say_unsettled(rule: str, seen: str) -> str:
    """Say that the heads of a section are not settled.

    Examples
    --------
    >>> say_unsettled("west", "east")
    'heads west by rule – stones show EAST: settle first'
    """
    return f"heads {rule} by rule – stones show {seen.upper()}: settle first"


def unsettled_heads(tables: Mapping[str, pd.DataFrame]) -> dict[str, tuple[str, str]]:
    """Find sections where stones or vaults show the heads at the other end than the rule: its word and theirs.

    Examples
    --------
    >>> spaces = pd.DataFrame({"section": "D", "heads": "west", "heads_seen": ["disagrees", "not seen"]})
    >>> unsettled_heads({"spaces": spaces})
    {'D': ('west', 'east')}
    """
    spaces, findings = tables.get("spaces"), tables.get("findings")
    if spaces is None or "heads_seen" not in spaces:
        return {}
    known = spaces[spaces["heads_seen"].isin(["agrees", "disagrees"]) & spaces["heads"].notna()]
    named: set[str] = set()
    if findings is not None and len(findings):
        said = findings[findings["kind"].eq("heads disagree").fillna(value=False)]
        named = {str(subject) for subject in said["subject"].dropna()}
    out = {}
    for name, rows in known.groupby("section"):
        against = rows[rows["heads_seen"] == "disagrees"]
        if len(against) and (str(name) in named or 2 * len(against) > len(rows)):
            word = str(against["heads"].mode().iloc[0])
            out[str(name)] = (word, compass_word(compass_azimuth(word) + 180.0, 16))
    return out


def heads_settled(tables: Mapping[str, pd.DataFrame], spaces: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Whether the head end of each space may be drawn as a fact: nothing seen on the ground speaks against it."""
    agrees = spaces["heads_seen"].eq("agrees").fillna(value=False).to_numpy(dtype=bool)
    against = spaces["heads_seen"].eq("disagrees").fillna(value=False).to_numpy(dtype=bool)
    doubted = spaces["section"].isin(list(unsettled_heads(tables))).to_numpy(dtype=bool)
    return np.asarray(agrees | ~(doubted | against))
