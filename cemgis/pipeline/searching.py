"""Finding anyone on built grounds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from cemgis import schema
from cemgis.dates import say_date
from cemgis.disclosure import disclose
from cemgis.errors import Gather, InputError
from cemgis.files import geopackage
from cemgis.find import DATED, Finder, Hit, entries, public_entries
from cemgis.layers import LAYERS
from cemgis.pipeline.evidence import read_ground, with_wishes

__all__ = ["load_finder", "say_hits"]

GROUND_FILE = "ground.gpkg"
_ASKED = ("people", "events", "spaces", "niches", "lots")
_PUBLIC = ("sections",)
_STAFF = ("kin", "inscriptions", "rights", "memories")


def load_finder(folders: Sequence[Path], *, staff: bool = False, day: str | None = None) -> Finder:
    """Load the people of one or several built grounds.

    Parameters
    ----------
    folders : sequence of Path
    staff : bool
        Everybody and everything: holders, people who may be living, stones, names a space is reserved for. Without it
        nobody is found whom `cemgis.disclosure.disclose` would not publish today, by no other name than it shows.
    day : str, optional
        The day it is asked on, ISO; today unless given.

    Raises
    ------
    InputError
        For every folder that holds no built ground; without `staff` also for a wish to withhold that fits nobody.
    """
    gather = Gather()
    parts: list[pd.DataFrame] = []
    day = day or datetime.now(UTC).date().isoformat()
    for folder in folders:
        try:
            ground = read_ground(folder)
            path = folder / GROUND_FILE
            if not path.exists():
                raise InputError.of(str(path), "there is no such file", f"Build it first: cemgis build {folder}.")
            there = geopackage.info(path).tables  # a file built earlier may lack layers
            tables = {
                name: geopackage.read_layer(path, name) if name in there else schema.empty(LAYERS[name])
                for name in (*_ASKED, *(_STAFF if staff else _PUBLIC))
            }
            if staff:
                parts.append(entries(ground.name, tables))
            else:
                shown = disclose(tables, with_wishes(ground), day)
                parts.append(public_entries(shown.name, shown.graves))
        except InputError as error:
            gather.take(error)
    gather.raise_if_any()
    return Finder(pd.concat(parts, ignore_index=True))


def say_hits(hits: Sequence[Hit], finder: Finder, *, staff: bool = False) -> str:
    """Say hits in words: who, when, where, and why each was found."""
    if not hits:
        among = f"Nobody found among {len(finder):,}"
        return f"{among}." if staff else f"{among} who may be shown to anybody; --staff asks the whole register."
    grounds = len({hit.ground for hit in hits}) > 1
    lines = []
    for hit in hits:
        dates = [
            f"{word} {say_date(value)}"
            for word, value in (("born", hit.born), ("died", hit.died), (DATED.get(hit.kind, "dated"), hit.buried))
            if value
        ]
        place = hit.space_id or (f"lot {hit.lot_id}, space not known" if hit.lot_id else "place not known")
        kind = "" if hit.kind == "person" else f" [{hit.kind}]"
        where = f"{hit.ground}, {place}" if grounds else place
        lines.append(f"{hit.name}{kind}: {where}{'; ' if dates else ''}{', '.join(dates)}")
        lines.append(f"    {hit.score:.2f}  {'; '.join(hit.reasons)}{f'  [{hit.id}]' if hit.id else ''}")
    return "\n".join(lines)
