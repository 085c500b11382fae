"""What on the ground confirms the row and the corner a space is counted from, and what is the plat's word alone."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis.errors import Gather
from cemgis.findings import Finding, find
from cemgis.ground import LotSeen, Section
from cemgis.places import label_key

__all__ = ["Backing", "not_seen", "row_backing", "seen_otherwise"]


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


def seen_otherwise(sections: Sequence[Section], lots: pd.DataFrame, singles: Collection[str]) -> list[Finding]:
    """Find where what somebody saw at a lot is not what the plat is said to be.

    A corner that is written wrongly moves every lot of a section alike and leaves no miss at any marker: nothing but a
    look at one lot can tell.

    Parameters
    ----------
    sections : sequence of Section
    lots : DataFrame
        ``lot_id, section, marker_corner, first_space_side`` of the plats.
    singles : collection of str
        Single graves.

    Returns
    -------
    list of Finding
        ``corner contradicted``.

    Raises
    ------
    InputError
        When a lot that was looked at is not there.
    """
    gather = Gather()
    findings = []
    for section in sections:
        seen = section.seen
        if seen is None:
            continue
        mine = lots[(lots["section"] == section.name).to_numpy(dtype=bool)]
        hit = mine[[label_key(str(one)) == label_key(seen.lot) for one in mine["lot_id"]]]
        if not len(hit) and label_key(seen.lot) not in {label_key(one) for one in singles}:
            gather.add(f"{seen.where}.lot", f"section {section.name} has no lot {seen.lot[:60]!r}", "Write one it has.")
            continue
        corner = section.markers if not len(hit) else hit["marker_corner"].iloc[0]
        first = None if not len(hit) else hit["first_space_side"].iloc[0]
        for what, saw, said in (
            ("its marker stands at the {} corner", seen.corner, corner),
            ("its space 1 lies at the {} end", seen.space_1, first),
        ):
            if saw is not None and isinstance(said, str) and said and saw != said:
                findings.append(find(
                    "corner contradicted", section.name,
                    f"{seen.by} saw at {seen.lot} on {seen.date} that {what.format(saw)}; by the plat as it is written "
                    f"it is the {said}", section=section.name,
                ))  # fmt: skip
    gather.raise_if_any()
    return findings


def not_seen(seen: LotSeen | None, *, markers: bool, several: bool) -> str | None:
    """Say what nobody looked at on the ground; None when all that can be has been.

    Parameters
    ----------
    seen : LotSeen or None
    markers, several : bool
        Whether the section's lots have markers, and more than one space.

    Examples
    --------
    >>> not_seen(None, markers=True, several=True)
    'at which corner of its lot a marker stands and from which end spaces are counted'
    >>> seen = LotSeen("section 1.seen", "A-1", "southwest", None, "E. Tarn", "2025-05-06")
    >>> not_seen(seen, markers=True, several=False)
    """
    corner = markers and (seen is None or seen.corner is None)
    first = several and (seen is None or seen.space_1 is None)
    open_ = ["at which corner of its lot a marker stands"] * corner + ["from which end spaces are counted"] * first
    return " and ".join(open_) or None
