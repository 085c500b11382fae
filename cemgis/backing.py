"""What on the ground confirms the row a space is counted in, and what is the plat's word alone."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["Backing", "row_backing"]


@dataclass(frozen=True, slots=True)
class Backing:
    """What confirms a row.

    Parameters
    ----------
    by : tuple of str
        Labels of markers found in the row that would lie elsewhere if the row ran the other way, the nearest first.
    others : tuple of str
        Other rows of the section with a marker that was found and agrees.
    unread : tuple of str
        Labels of the row nobody has found, the nearest first.
    """

    by: tuple[str, ...]
    others: tuple[str, ...]
    unread: tuple[str, ...]


def row_backing(
    sites: pd.DataFrame, found: Collection[str], section: str, row: str, at: npt.ArrayLike
) -> Backing:  # fmt: skip
    """Say which markers confirm a row.

    A plat written wrongly (numbers run the other way, the next row on the other side) moves rows nobody found a marker
    in without any miss. A marker that was found and agrees confirms its own row: had the row been numbered from its
    other end, it would lie at the mirrored place. Only one in the middle of its row says nothing of that.

    Parameters
    ----------
    sites : DataFrame
        ``label, section, row, plat_x, plat_y, short_side`` of every marker's place by the plat.
    found : collection of str
        Labels of markers that were found and agree.
    section, row : str
    at : (2,) array_like
        Plat coordinates to count "nearest" from.

    Examples
    --------
    >>> sites = pd.DataFrame({"label": ["A-1", "A-2", "A-3", "A-4"], "section": "A", "row": ["1", "1", "1", "2"],
    ...                       "plat_x": [0.0, 16.0, 32.0, 0.0], "plat_y": [0.0, 0.0, 0.0, 12.0], "short_side": 12.0})
    >>> row_backing(sites, {"A-1"}, "A", "1", (30.0, 0.0))
    Backing(by=('A-1',), others=(), unread=('A-3', 'A-2'))
    >>> row_backing(sites, {"A-2"}, "A", "1", (30.0, 0.0)).by
    ()
    >>> row_backing(sites, {"A-2"}, "A", "2", (0.0, 0.0)).others
    ('1',)
    """
    mine = sites[(sites["section"] == section).to_numpy(dtype=bool)]
    seen = mine["label"].isin(list(found)).to_numpy(dtype=bool)
    rows = mine["row"].astype(str)
    here = (rows == str(row)).to_numpy(dtype=bool)
    others = tuple(dict.fromkeys(rows[seen & ~here]))
    table, seen = mine[here], seen[here]
    if not len(table):
        return Backing((), others, ())
    xy = table[["plat_x", "plat_y"]].to_numpy(dtype=float)
    far = np.hypot(*(xy - np.asarray(at, dtype=float)).T)
    order = np.argsort(far, kind="stable")
    mirrored = xy.max(axis=0) + xy.min(axis=0) - xy
    apart = np.hypot(*(xy - mirrored).T)
    tells = (apart > 0.5 * table["short_side"].to_numpy(dtype=float)) | (len(table) == 1)
    labels = table["label"].astype(str).to_numpy()
    return Backing(
        tuple(str(labels[k]) for k in order if seen[k] and tells[k]), others,
        tuple(str(labels[k]) for k in order if not seen[k]),
    )  # fmt: skip
