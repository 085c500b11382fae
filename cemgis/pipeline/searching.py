"""Finding anyone on built grounds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from cemgis import schema
from cemgis.errors import Gather, InputError
from cemgis.files import geopackage
from cemgis.find import Finder, Hit, entries
from cemgis.layers import LAYERS
from cemgis.people import count_as_dead
from cemgis.pipeline.evidence import read_ground

__all__ = ["load_finder", "say_hits"]

GROUND_FILE = "ground.gpkg"
_ASKED = ("people", "events", "kin", "inscriptions", "rights", "memories", "spaces", "niches", "lots")


def load_finder(folders: Sequence[Path], *, staff: bool = False) -> Finder:
    """Load the people of one or several built grounds.

    Parameters
    ----------
    folders : sequence of Path
    staff : bool
        Also holders, people who may be living, and names a space is reserved for.

    Raises
    ------
    InputError
        For every folder that holds no built ground.
    """
    gather = Gather()
    parts: list[pd.DataFrame] = []
    day = datetime.now(UTC).date().isoformat()
    for folder in folders:
        try:
            ground = read_ground(folder)
            path = folder / GROUND_FILE
            if not path.exists():
                raise InputError.of(str(path), "there is no such file", f"Build it first: cemgis build {folder}.")
            there = geopackage.info(path).tables  # a file built earlier may lack layers
            tables = {
                name: geopackage.read_layer(path, name) if name in there else schema.empty(LAYERS[name])
                for name in _ASKED
            }
            oldest, about = ground.rules["people.oldest"], ground.rules["register.about"]
            dead = count_as_dead(tables["people"], tables["events"], day, oldest, about)
            parts.append(entries(ground.name, tables, dead, staff=staff))
        except InputError as error:
            gather.take(error)
    gather.raise_if_any()
    return Finder(pd.concat(parts, ignore_index=True))


def say_hits(hits: Sequence[Hit], finder: Finder) -> str:
    """Say hits in words: who, when, where, and why each was found."""
    if not hits:
        return f"Nobody found among {len(finder):,}."
    grounds = len({hit.ground for hit in hits}) > 1
    lines = []
    for hit in hits:
        dates = [
            f"{word} {value}"
            for word, value in (("born", hit.born), ("died", hit.died), ("buried", hit.buried))
            if value
        ]
        place = hit.space_id or (f"lot {hit.lot_id}, space not known" if hit.lot_id else "place not known")
        kind = "" if hit.kind == "person" else f" [{hit.kind}]"
        where = f"{hit.ground}, {place}" if grounds else place
        lines.append(f"{hit.name}{kind}: {where}{'; ' if dates else ''}{', '.join(dates)}")
        lines.append(f"    {hit.score:.2f}  {'; '.join(hit.reasons)}  [{hit.id}]")
    return "\n".join(lines)
