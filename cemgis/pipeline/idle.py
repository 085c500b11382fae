"""Records that change nothing: of a kind or a layer nobody knows, or about a record that is not there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from cemgis import edits
from cemgis.findings import Finding, find
from cemgis.pipeline import judgements
from cemgis.pipeline.opening_records import EVENT_KIND, FOUNDATION_KIND, OPENING_KIND
from cemgis.pipeline.surveyed import SURVEYED

__all__ = ["idle_records"]

_SETTLED = (*edits.BY_PLAT, *SURVEYED)
_OTHERS = (edits.REFUSED_KIND, *judgements.KINDS, OPENING_KIND, EVENT_KIND, FOUNDATION_KIND)
_SHOWN = 40


def idle_records(records: Iterable[Mapping[str, Any]]) -> list[Finding]:
    """Say of each record that counts and changes nothing why that is; it is kept, and nobody should think it acts.

    Parameters
    ----------
    records : iterable of dict

    Examples
    --------
    >>> said = {"id": "3f", "kind": "edti", "layer": "spaces", "key": "A-1-1", "who": "E. Tarn"}
    >>> [(item.subject, item.reason) for item in idle_records([said])]
    [('record 3f', "there is no kind of record 'edti', so it changes nothing; E. Tarn wrote it, about A-1-1")]
    """
    given = list(records)
    there = {str(record.get("id")) for record in given}
    found = []
    for record in edits.standing(given):
        why = _why(record, there)
        if why:
            about = record.get("key") or record.get("space_id") or record.get("opening_id")
            said = f"; {record.get('who') or 'nobody says who'} wrote it{f', about {about}' if about else ''}"
            found.append(find("record not usable", f"record {record.get('id')}", f"{why}{said}"))
    return found


def _why(record: Mapping[str, Any], there: set[str]) -> str:
    kind, layer = str(record.get("kind")), record.get("layer")
    gone = [str(name)[:_SHOWN] for name in record.get("replaces") or () if str(name) not in there]
    if gone:
        return f"it replaces record {', '.join(gone)}, which is not there"
    if kind not in (*edits.KINDS, *_OTHERS):
        return f"there is no kind of record {kind[:_SHOWN]!r}, so it changes nothing"
    if kind in edits.KINDS[:4] and layer not in _SETTLED:
        return f"nothing of the layer {str(layer)[:_SHOWN]!r} is settled by hand, so it changes nothing"
    if kind == "edit" and not record.get("values") and "shape" not in record:
        return "it gives no values, so it changes nothing"
    return ""
