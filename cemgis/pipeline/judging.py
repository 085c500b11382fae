"""A person's decision about a marker, as a record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cemgis.errors import InputError
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.judgements import KINDS
from cemgis.pipeline.recording import enter, now

__all__ = ["judge"]


def judge(folder: Path, marker: str, *, accept: bool, who: str, why: str) -> dict[str, Any]:
    """Record that a person accepts the explanation of a marker, or finds the marker right as it was read.

    Parameters
    ----------
    folder : Path
    marker : str
        Its ``marker_id``.
    accept : bool
        Accepted: a misread marker holds the corner of the lot it names, one at another corner holds that one, any other
        is disturbed and releases the corner of its own lot. Rejected: it holds its own corner, without doubt.
    who, why : str

    Returns
    -------
    dict
        The record as written; the next build carries it.

    Raises
    ------
    InputError
        When there is no such marker or nothing about it is in doubt.
    """
    read_ground(folder)
    run = compute(folder, until="fit")
    doubtful: dict[str, dict[str, Any]] = run.facts["set_aside"]
    if marker not in doubtful:
        known = run.tables["markers"]["marker_id"].astype(str).tolist()
        what = "nothing about it is in doubt" if marker in known else "there is no such marker"
        those = f"In doubt are {', '.join(doubtful)}." if doubtful else "No marker is in doubt."
        raise InputError.of(f"marker {marker}", what, those)
    found = doubtful[marker]
    record = {
        "kind": KINDS[0] if accept else KINDS[1], "layer": "markers", "key": marker, "explanation": found["kind"],
        "detail": found["detail"], "who": who, "why": why, "crs": run.ground.crs.name,
        "when": now(),
    }  # fmt: skip
    if found["corner_id"] is not None:
        record["corner_id"] = found["corner_id"]
    return enter(
        folder, "judgements", record, known=run.records,
        about=lambda one: one.get("layer") == "markers" and one.get("key") == marker,
    )  # fmt: skip
