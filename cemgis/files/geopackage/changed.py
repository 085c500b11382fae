"""What others changed in a ground since it was written, and a copy kept of it."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa

from cemgis import edits, schema
from cemgis.errors import InputError
from cemgis.files.geopackage.form import AWAY
from cemgis.files.geopackage.held import refuse_if_held
from cemgis.files.geopackage.reading import info, layer_hashes, opened, read_now, to_frame
from cemgis.files.geopackage.writing import digest
from cemgis.files.whole import whole
from cemgis.layers import LAYERS
from cemgis.schema import Layer

__all__ = ["Changes", "changes", "keep_copy"]


@dataclass(frozen=True)
class Changes:
    """What was changed in a file since it was written.

    Parameters
    ----------
    layers : mapping of str to Difference
        Changed layers only.
    lost : tuple of str
        Layers someone took away.
    own_tables : tuple of str
        Tables someone added. They are no change of ours, but a new file will not have them.
    own_columns : mapping of str to tuple of str
        The same for columns, by layer.
    """

    layers: Mapping[str, edits.Difference]
    lost: tuple[str, ...] = ()
    own_tables: tuple[str, ...] = ()
    own_columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.layers or self.lost)

    def lines(self, most: int = 20) -> list[str]:
        """Say the changes in words, one a line."""
        said = [f"{name}: the layer was taken away" for name in self.lost]
        for difference in self.layers.values():
            said += difference.lines(most)
        return said


def changes(path: Path | str) -> Changes:
    """Find what others changed in a file since it was written, whatever the evidence says now.

    Each layer's hash tells whether it changed; what was there is taken from the copy the file keeps. So the answer
    does not depend on evidence or records that changed in the meantime.

    Parameters
    ----------
    path : Path or str

    Raises
    ------
    InputError
        As `info`, or when the copy is damaged.
    """
    path = Path(path)
    about = info(path)
    differences: dict[str, edits.Difference] = {}
    own: dict[str, tuple[str, ...]] = {}
    known = [name for name in about.layers if name in LAYERS]
    hashes = layer_hashes(path)
    for name in known:
        if name not in about.tables:
            continue
        layer = LAYERS[name]
        try:
            now = read_now(path, layer, about.unit)
            if now.own:
                own[name] = now.own
            if not now.problems and digest(now.table) == hashes[name]:
                continue
            after = to_frame(now.table, layer, now.crs)
            after.index = pd.Index(now.fids, name="fid")
            found = edits.diff(_written(path, layer, now.crs), after, layer)
        except (pa.ArrowException, UnicodeError) as error:
            raise InputError.of(
                f"{path}: {name}", "a text in it is no UTF-8", "Type it again in the program it was typed in."
            ) from error
        if now.problems:
            unread = found.edited["column"].isin([item.where.split(".")[-1] for item in now.problems])
            found = replace(
                found, edited=found.edited[~unread].reset_index(drop=True), problems=(*now.problems, *found.problems),
                loose=len(now.problems) + found.loose,
            )  # fmt: skip
        if found:
            differences[name] = found
    lost = tuple(name for name in known if name not in about.tables)
    return Changes(differences, lost, tuple(name for name in about.tables if name not in known), own)


def keep_copy(path: Path | str) -> Path:
    """Keep a copy of a file beside it, named by its content: for tables and columns a new build will not have.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    Path
        ``ground.kept-1a2b3c4d.gpkg``. The same content is kept once, however often this is called.

    Raises
    ------
    InputError
        When the file is held by another program, or the copy cannot be written.
    """
    path = Path(path)
    info(path)
    refuse_if_held(path)
    with path.open("rb") as stream:
        name = hashlib.file_digest(stream, "sha256").hexdigest()[:8]
    kept = path.with_name(f"{path.stem}.kept-{name}{path.suffix}")
    if not kept.exists():
        with whole(kept) as beside:
            shutil.copyfile(path, beside)
    return kept


def _written(path: Path, layer: Layer, crs: Any) -> gpd.GeoDataFrame | pd.DataFrame:
    with opened(path) as connection:
        (content,) = connection.execute("SELECT content FROM cemgis_written WHERE layer = ?", [layer.name]).fetchone()
    try:
        with pa.ipc.open_stream(content) as reader:
            # restored, as the file may have been written when the layer had fewer columns
            return schema.restore(to_frame(reader.read_all(), layer, crs), layer, crs)
    except (pa.ArrowException, KeyError, OSError) as error:
        where = f"{path} {layer.name}"
        raise InputError.of(
            where, "the copy of what was written is damaged", AWAY
        ) from error  # fmt: skip
