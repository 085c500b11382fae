"""Blocks of rows laid out: numbers, gaps, breaks, places without a lot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cemgis.errors import Gather
from cemgis.ground import Rows, Section
from cemgis.plat.faces import WAY, Faces
from cemgis.plat.model import NONE

__all__ = ["row_faces"]

Integers = NDArray[np.int64]
Objects = NDArray[np.object_]


def _numbers(
    first: int, count: int, skip: Sequence[int], extra: Mapping[str, tuple[str, ...]]
) -> tuple[list[str], int]:
    """Names of `count` lots in order, and the number that comes next."""
    low = np.arange(first, first + count + len(skip))
    counted = low[~np.isin(low, skip)][:count]
    names = [str(number) for number in counted.tolist()]
    last = int(counted[-1]) if count else first - 1
    if extra:
        pending = dict(extra)
        progress = True
        while pending and progress:
            progress = False
            for key in [key for key in pending if key in names]:
                at = names.index(key) + 1
                names[at:at] = pending.pop(key)
                progress = True
        names = names[:count]
        own = set(names)
        last = max((number for number in counted.tolist() if str(number) in own), default=first - 1)
    while last + 1 in skip:
        last += 1
    return names, last + 1


def _resolve(
    tokens: Iterable[str], cells: Objects, rows: Objects, where: str, key: str, gather: Gather
) -> tuple[Integers, Objects]:
    """Cells that lot names (or ``row-name``) mean, with the token of each; a token that means none is a problem."""
    wanted = set(tokens)
    if not wanted:
        return NONE, np.empty(0, dtype=object)
    at = np.flatnonzero(pd.Index(cells).isin(wanted))
    said = cells[at]
    missing = wanted - set(said)
    if missing:
        full = np.char.add(np.char.add(rows.astype(str), "-"), cells.astype(str)).astype(object)
        more = np.flatnonzero(pd.Index(full).isin(missing))
        at, said = np.concatenate([at, more]), np.concatenate([said, full[more]])
        for token in sorted(missing - set(full[more])):
            gather.add(f"{where}.{key}", f"no lot {token!r} in this block", "Mend the number or take it out.")
    return at, said


def row_faces(
    section: Section, block: Rows, row_names: Sequence[str], first: int, group: int, gather: Gather
) -> tuple[Faces | None, int]:
    """Faces of one block of rows, and the number that comes after its last."""
    lots = np.asarray(block.lots)
    count, longest = block.rows, int(lots.max())
    exists = np.arange(longest)[None, :] < lots[:, None]
    named = exists.copy()
    if block.blank:
        row, place = np.array(block.blank).T - 1
        named[row, place] = False
    # Order of the numbers: along the run, in every second row against it where they go back and forth.
    columns = np.broadcast_to(np.arange(longest), (count, longest)).copy()
    if block.numbering == "back and forth":
        columns[1::2] = columns[1::2, ::-1]
    taken = np.take_along_axis(named, columns, axis=1)
    rank = np.empty((count, longest), dtype=np.int64)
    if block.numbering == "restart":
        running = np.cumsum(taken, axis=1) - 1
        names, after = _numbers(first, int(taken.sum(axis=1).max()), block.skip, block.extra)
        after = first
    else:
        running = (np.cumsum(taken) - 1).reshape(count, longest)
        names, after = _numbers(first, int(taken.sum()), block.skip, block.extra)
    np.put_along_axis(rank, columns, running, axis=1)
    own = set(names)
    for key, more in block.extra.items():
        lost = [name for name in (key, *more) if name not in own]
        if lost:
            gather.add(f"{block.where}.extra.{key}", f"no place for {', '.join(lost)}", "Add places or take it out.")
    cell_row, cell_place = np.nonzero(named)
    cells = np.array(names, dtype=object)[rank[cell_row, cell_place]] if len(cell_row) else np.empty(0, dtype=object)
    row_of = np.array(list(row_names), dtype=object)[cell_row]
    frontage = np.broadcast_to(np.asarray(block.frontage), (count, longest)).copy()
    depth = np.asarray(block.depth)
    cell_depth = depth[cell_row]
    at, said = _resolve(block.sizes, cells, row_of, block.where, "sizes", gather)
    for cell, token in zip(at.tolist(), said, strict=True):
        size = block.sizes[token]
        if size.frontage is not None:
            frontage[cell_row[cell], cell_place[cell]] = size.frontage
        if size.depth is not None:
            cell_depth[cell] = size.depth
    walks = np.zeros(longest)
    for walk in block.breaks:
        walks[walk.after - 1] = walk.width
    start = np.zeros((count, longest))
    start[:, 1:] = np.cumsum(frontage + walks, axis=1)[:, :-1]
    base = np.zeros(count)
    base[1:] = np.cumsum(depth[:-1] + np.asarray(block.between_rows))
    keep = np.ones(len(cells), dtype=bool)
    at, _ = _resolve(block.empty, cells, row_of, block.where, "empty", gather)
    keep[at] = False
    cells, row_of, cell_row, cell_place, cell_depth = (
        part[keep] for part in (cells, row_of, cell_row, cell_place, cell_depth)
    )
    if not len(cells):
        gather.add(block.where, "no lot is left in this block", "Take the block out or mend its blanks.")
        return None, after
    low = start[cell_row, cell_place]
    wide = frontage[cell_row, cell_place]
    near = base[cell_row]
    run, step = np.array(WAY[block.run]), np.array(WAY[block.step])
    along = np.stack([low, low + wide, low + wide, low], axis=1)
    across = np.stack([near, near, near + cell_depth, near + cell_depth], axis=1)
    if run[0] * step[1] - run[1] * step[0] < 0:  # keep the rings counterclockwise
        along, across = along[:, ::-1], across[:, ::-1]
    xy = np.array(block.at) + along[..., None] * run + across[..., None] * step
    # Ends of each row by place, for the markers of single graves.
    new_row = np.append([True], np.diff(cell_row) > 0)
    table = pd.DataFrame(
        {
            "section": section.name,
            "row": row_of,
            "lot": cells,
            "single": block.singles,
            "spaces": block.spaces,
            "tiers": block.tiers,
            "facing": block.facing,
            "counted_from": block.counted_from,
            "kind": block.kind,
            "markers": section.markers,
            "markers_at": block.markers_at if block.singles else "",
            "run": block.run,
            "group": group + cell_row,
            "first": new_row,
            "last": np.append(new_row[1:], [True]),
            "short_side": np.minimum(wide, cell_depth),
            "where": block.where,
        }
    )
    return Faces(table, xy.reshape(-1, 2), np.arange(0, 4 * len(cells) + 1, 4)), after
