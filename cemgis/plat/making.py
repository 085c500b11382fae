"""A plat made of all sections of a ground: joined at their corners, divided, checked."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import sparse

from cemgis.errors import Gather
from cemgis.findings import Finding, find
from cemgis.geometry import (
    drop_vertices,
    insert_in_rings,
    join_points,
    long_axis,
    next_in_ring,
    points_on_edges,
    polygons_from_rings,
    start_where,
    take_rings,
    turns,
)
from cemgis.ground import SIDES, Ground, Section
from cemgis.plat.faces import AZIMUTH, FEW, LEFT, RIGHT, Faces, join_faces
from cemgis.plat.listed import listed_faces
from cemgis.plat.model import TOLERANCE, Plat, empty_plat, label_keys
from cemgis.plat.rows import row_faces
from cemgis.plat.sites import insets, marker_entries, other_ends
from cemgis.plat.strips import Strips, divide, piece_strips, whole_faces
from cemgis.schema import repeated
from cemgis.units import Unit, say_length

__all__ = ["make_plat"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]
Rings = tuple[Integers, Integers]
_MOST_ALIKE = 2000  # ids compared letter by letter before giving up on a spelling


def _section_faces(
    section: Section, tables: Mapping[str, pd.DataFrame], unit: Unit, group: int, gather: Gather
) -> tuple[list[Faces], bool]:
    """Return faces of one section and whether its lots are told apart by row."""
    if section.lots is not None:
        table = tables.get(section.name)
        if table is None:
            gather.add(f"{section.where}.lots", f"{section.lots} was not read", "Check that the file is there.")
            return [], False
        faces = listed_faces(section, table, unit, group, gather)
        if faces is None:
            return [], False
        lots = faces.table[["row", "lot"]]
        rows = lots.drop_duplicates().groupby("lot", dropna=False)["row"].nunique()
        return [faces], bool((rows > 1).any() or faces.table["single"].any())
    by_row = any(block.singles or block.numbering == "restart" for block in section.rows)
    found = []
    next_number: dict[bool, int] = {}
    row_count = 0
    for block in section.rows:
        names = block.row_names or tuple(str(row_count + number) for number in range(1, block.rows + 1))
        row_count += block.rows
        going_on = block.numbering != "restart"
        first = block.first
        if first is None:
            first = next_number.get(block.singles, 1) if going_on else 1
        faces, after = row_faces(section, block, names, first, group, gather)
        group += block.rows
        if going_on:
            next_number[block.singles] = after
        if faces is not None:
            found.append(faces)
    return found, by_row


def _twice(table: pd.DataFrame, ids: Objects, gather: Gather, what: str, keys: Objects | None = None) -> None:
    """Note ids that are there more than once, and ids that read the same (by `keys`, when given)."""
    series = pd.Series(ids, dtype=object)
    repeated = series.duplicated(keep=False)
    for value, rows in list(series[repeated].groupby(series[repeated], sort=False))[:FEW]:
        places = sorted({str(table["where"].iloc[row]) for row in rows.index})
        gather.add(f"{what} {value}", f"there {len(rows)} times: {', '.join(places[:4])}", "Renumber one.")
    more = int(series[repeated].nunique()) - FEW
    if more > 0:
        gather.add(what, f"{more} more are there more than once", "Renumber them.")
    if keys is None or repeated.any():
        return
    alike = pd.Series(keys).duplicated(keep=False)
    for _, rows in list(series[alike].groupby(keys[alike], sort=False))[:FEW]:
        gather.add(f"{what} {rows.iloc[0]}", f"reads like {', '.join(rows.iloc[1:])}", "Renumber one.")


def _raise_if_any(gather: Gather) -> None:
    """Raise what was noted; a key's path gets the name of its file."""
    for number, problem in enumerate(gather.problems):
        if problem.where.startswith("section["):
            gather.problems[number] = replace(problem, where=f"ground.toml: {problem.where}")
    gather.raise_if_any()


def _lot_overlaps(
    faces: pd.DataFrame, xy: Floats, rings: Rings, plat: str, unit: Unit, gather: Gather
) -> list[Finding]:
    """Lots of one plat that lie over one another: a problem within a section, a finding between two."""
    group = faces["group"].to_numpy()
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.append([True], np.diff(group[order]) > 0))
    ring, offsets = rings
    low, high = (
        [at.reduceat(at.reduceat(xy[:, axis][ring], offsets[:-1])[order], starts) for axis in (0, 1)]
        for at in (np.minimum, np.maximum)
    )
    boxes = shapely.box(*(side + TOLERANCE for side in low), *(side - TOLERANCE for side in high))
    first, second = shapely.STRtree(boxes).query(boxes)
    touched = np.unique(first[first != second])
    if not len(touched):
        return []
    rank = np.cumsum(np.append([0], np.diff(group[order]) > 0))
    some = order[np.isin(rank, touched)]
    index, begin = take_rings(ring, offsets, some)
    polygons = polygons_from_rings(xy[index], begin)
    tree = shapely.STRtree(polygons)
    a, b = tree.query(polygons, predicate="intersects")
    a, b = a[a < b], b[a < b]
    _, width, _ = long_axis(shapely.intersection(polygons[a], polygons[b]))
    deep = np.nan_to_num(width) > 2 * TOLERANCE
    a, b, width = some[a[deep]], some[b[deep]], width[deep]
    a, b = np.minimum(a, b), np.maximum(a, b)
    section, name = faces["section"].to_numpy(), faces["id"].to_numpy()
    findings = []
    pairs = pd.DataFrame({"a": section[a], "b": section[b], "i": a, "j": b, "width": width}).sort_values(["i", "j"])
    for (one, two), rows in pairs.groupby(["a", "b"], sort=False):
        some_rows = zip(*(rows[column].tolist()[:4] for column in ("i", "j", "width")), strict=True)
        shown = [f"{name[i]} and {name[j]} by {say_length(w, unit)}" for i, j, w in some_rows]
        said = "; ".join(shown) + (f" and {len(rows) - 4} more" if len(rows) > 4 else "")
        if one == two:
            gather.add(f"section {one}", f"lots lie over one another: {said}", "Mend their places or sizes.")
        else:
            reason = f"plat {plat} draws both sections over one another: {said}"
            findings.append(find("sections overlap", f"{one} and {two}", reason, section=str(one)))
    return findings


def _niche_table(ground: Ground) -> pd.DataFrame:
    """Niches of all sections."""
    parts = []
    for section in ground.sections:
        for block in section.niches:
            row = np.repeat(np.arange(1, block.rows + 1), block.columns)
            column = np.tile(np.arange(1, block.columns + 1), block.rows)
            stem = "-".join(
                part
                for part in (section.name, block.building if block.building != section.name else "", block.face)
                if part
            )
            parts.append(
                pd.DataFrame(
                    {
                        "space_id": [f"{stem}-{r}-{c}" for r, c in zip(row.tolist(), column.tolist(), strict=True)],
                        "section": section.name,
                        "building": block.building,
                        "face": block.face or None,
                        "row": row,
                        "column": column,
                        "where": block.where,
                    }
                )
            )
    columns = ["space_id", "section", "building", "face", "row", "column", "where"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _label(pattern: str, section: Objects, row: Objects, name: Objects, lot: Objects) -> Objects:
    """Text of each marker by the ground's pattern, built by columns."""
    if "{row}" not in pattern:
        lot = name
    text = np.full(len(section), "", dtype=object)
    rest = pattern
    while rest:
        at = min((rest.find(key) for key in ("{section}", "{row}", "{lot}") if key in rest), default=len(rest))
        text = text + rest[:at]
        rest = rest[at:]
        for key, values in (("{section}", section), ("{row}", row), ("{lot}", lot)):
            if rest.startswith(key):
                text = text + values
                rest = rest[len(key) :]
    return text


def make_plat(ground: Ground, lot_tables: Mapping[str, pd.DataFrame] | None = None) -> Plat:
    """Draw the plats of a ground: every corner once, lots as faces between corners, spaces by proportion in them.

    Parameters
    ----------
    ground : Ground
    lot_tables : mapping of section name to DataFrame or GeoDataFrame, optional
        Content of each section's file of lots: rectangles (``lot, x, y, width, depth`` and more) or polygons.

    Returns
    -------
    Plat

    Raises
    ------
    InputError
        With every problem: a number twice, lots over one another, a size for a lot that is not there, and so on.

    Notes
    -----
    Lots are told apart by section and number, or by section, row and number where numbers restart in each row or
    where the section has single graves. Compass words are those of the plat's frame.

    Examples
    --------
    >>> from pathlib import Path
    >>> from cemgis.ground import parse_ground
    >>> ground = parse_ground('''
    ... schema_version = 1
    ... name = "Tansy Hill"
    ... crs = "EPSG:6549"
    ... [[plat]]
    ... name = "1889"
    ... date = "1889"
    ... [[section]]
    ... name = "A"
    ... [[section.rows]]
    ... at = ["0 ft", "0 ft"]
    ... run = "north"
    ... step = "east"
    ... rows = 2
    ... lots = 3
    ... frontage = "16 ft"
    ... depth = "12 ft"
    ... spaces = 4
    ... ''', Path("."))
    >>> plat = make_plat(ground)
    >>> len(plat.corners), len(plat.lots), len(plat.spaces), plat.lots["first_space_side"].iat[0]
    (12, 6, 24, 'north')
    """
    gather = Gather()
    findings: list[Finding] = []
    tables = lot_tables or {}
    parts: list[Faces] = []
    by_row: dict[str, bool] = {}
    group = 0
    for section in ground.sections:
        faces, rowed = _section_faces(section, tables, ground.unit, group, gather)
        by_row[section.name] = rowed
        parts += faces
        if faces and section.plat is None:
            gather.add(f"{section.where}.plat", "its lots are on no plat", "Name the plat they are drawn on.")
        if faces:
            group = int(max(part.table["group"].max() for part in faces)) + 1
    niches = _niche_table(ground)
    _twice(niches, niches["space_id"].to_numpy(dtype=object), gather, "niche")
    if not parts:
        _raise_if_any(gather)
        return empty_plat(ground, niches.drop(columns="where"))
    joined = join_faces(parts)
    faces = joined.table
    plat_of = {section.name: section.plat or "" for section in ground.sections}
    section_code, section_names = pd.factorize(faces["section"])
    names = np.asarray(section_names, dtype=object)
    section_of = names[section_code]
    plat_name = np.array([plat_of[name] for name in names], dtype=object)[section_code]
    rowed_face = np.array([by_row[name] for name in names])[section_code]
    row = faces["row"].to_numpy(dtype=object)
    row_text = np.where(faces["row"].isna(), "", row)
    lot = faces["lot"].to_numpy(dtype=object)
    has_row = rowed_face & (row_text != "")
    name = np.where(has_row, row_text + "-" + lot, lot)
    face_id = section_of + "-" + name
    faces = faces.assign(id=face_id, plat=plat_name)
    key = label_keys(section_of) + "-" + np.where(has_row, label_keys(row_text) + "-", "") + label_keys(lot)
    _twice(faces, face_id, gather, "lot", key)

    # Corners: one a point of a plat.
    ring_plat = np.repeat(pd.factorize(plat_name)[0], np.diff(joined.offsets))
    ring = np.empty(len(joined.xy), dtype=np.int64)
    corner_xy: list[Floats] = []
    corner_plat: list[Objects] = []
    total = 0
    for code, plat_label in enumerate(pd.factorize(plat_name)[1]):
        mine = np.flatnonzero(ring_plat == code)
        cluster, member = join_points(joined.xy[mine], TOLERANCE)
        ring[mine] = total + cluster
        corner_xy.append(joined.xy[mine][member])
        corner_plat.append(np.full(len(member), plat_label, dtype=object))
        total += len(member)
    xy = np.concatenate(corner_xy) + 0.0
    offsets = joined.offsets
    same = ring == ring[next_in_ring(offsets)]
    ring, offsets = drop_vertices(ring, offsets, ~same)
    thin = np.flatnonzero(np.diff(offsets) < 3)
    for number in thin[:FEW]:
        gather.add(f"lot {face_id[number]}", "too small to draw", f"See {faces['where'].iloc[number]}.")
    if len(thin):
        _raise_if_any(gather)
    true = turns(xy, ring, offsets, TOLERANCE)
    ring, true = start_where(ring, offsets, true)
    for plat_label in pd.unique(plat_name):
        mine = np.flatnonzero(plat_name == plat_label)
        drawn = take_rings(ring, offsets, mine)
        findings += _lot_overlaps(faces.iloc[mine], xy, drawn, str(plat_label), ground.unit, gather)
    single = faces["single"].to_numpy(dtype=bool)
    divided = (faces["spaces"] * faces["tiers"] > 1).to_numpy(dtype=bool) & ~single
    if joined.pieces is not None:
        divided[joined.pieces["face"].to_numpy()] = False
    four = np.add.reduceat(true.astype(np.int64), offsets[:-1])
    odd = np.flatnonzero(divided & (four != 4))
    for number in odd[:FEW]:
        gather.add(
            f"lot {face_id[number]}",
            f"it has {four[number]} corners and cannot be divided into strips",
            "Draw each of its spaces as a polygon with the attribute space.",
        )
    _raise_if_any(gather)

    # Corners of one lot on a side of another go into that side, so that no gap opens when they move.
    for code in range(len(corner_xy)):
        first = int(sum(len(part) for part in corner_xy[:code]))
        inside = np.flatnonzero((ring[offsets[:-1]] >= first) & (ring[offsets[:-1]] < first + len(corner_xy[code])))
        some, starts = take_rings(ring, offsets, inside)
        edge, point, share = points_on_edges(xy, some, starts, TOLERANCE)
        if len(edge):
            place = take_rings(np.arange(len(ring)), offsets, inside)[0]
            ring, offsets, true = insert_in_rings(ring, offsets, place[edge], point, share, true)
    return _assemble(ground, faces, joined.pieces, xy, np.concatenate(corner_plat), (ring, offsets), true, niches,
                     row_text, name, divided, findings)  # fmt: skip


def _assemble(
    ground: Ground, faces: pd.DataFrame, pieces: gpd.GeoDataFrame | None, xy: Floats, corner_plat: Objects,
    rings: Rings, true: Flags, niches: pd.DataFrame, row_text: Objects, name: Objects, divided: Flags,
    findings: list[Finding],
) -> Plat:  # fmt: skip
    """Tables of the plat from its faces."""
    gather = Gather()
    ring, offsets = rings
    count = len(faces)
    single = faces["single"].to_numpy(dtype=bool)
    section = faces["section"].to_numpy(dtype=object)
    plat = faces["plat"].to_numpy(dtype=object)
    lot = faces["lot"].to_numpy(dtype=object)
    row = row_text.copy()
    row[row_text == ""] = None
    azimuth = np.array([AZIMUTH.get(side, np.nan) for side in ("", *SIDES)])[
        pd.Index(["", *SIDES]).get_indexer(faces["run"])
    ]
    label = _label(ground.marker_label, section, row_text, name, lot)

    # Spaces.
    strips = Strips(len(xy))
    own_pieces = np.zeros(count, dtype=bool)
    if pieces is not None:
        own_pieces[pieces["face"].to_numpy()] = True
    whole_faces(strips, np.flatnonzero(~divided & ~own_pieces), rings, true, xy, faces)
    shape = faces[["spaces", "tiers"]].to_numpy(dtype=np.int64)
    for wide, deep in np.unique(shape[divided], axis=0) if divided.any() else []:
        chosen = np.flatnonzero(divided & (shape == (wide, deep)).all(axis=1))
        divide(strips, chosen, int(wide), int(deep), rings, true, xy, faces)
    if pieces is not None:
        piece_strips(strips, pieces, rings, xy)
    rows, columns, values = (np.concatenate([entry[part] for entry in strips.entries]) for part in range(3))
    weights = sparse.coo_matrix((values, (rows, columns)), shape=(strips.vertices, len(xy))).tocsr()
    weights.eliminate_zeros()
    centre = sparse.vstack([_centre(part, weights) for part in strips.centre], format="csr")
    face = np.concatenate(strips.face)
    order = np.argsort(face, kind="stable")
    if len(strips.face) > 1:
        face, centre = face[order], centre[order]
    number = np.concatenate(strips.number)[order]
    starts = np.concatenate([[0], np.cumsum(np.concatenate(strips.size))])
    space_rings = take_rings(np.concatenate(strips.ring), starts, order)
    lot_index = np.where(single, -1, np.cumsum(~single) - 1)
    face_id = faces["id"].to_numpy(dtype=object)
    # Text is spread from lots to spaces in the form the table keeps it in; from objects it takes ten times as long.
    lone = single[face]
    stem, of_space = pd.Series(face_id).take(face), pd.Series(number)
    joined = stem.reset_index(drop=True) + "-" + of_space
    space_id = joined.where(~lone, stem.array) if lone.any() else joined
    spaces = pd.DataFrame(
        {
            "space_id": space_id.array,
            "section": _spread(section, face),
            "plat": _spread(plat, face),
            "lot_id": _spread(np.where(single, None, face_id), face),
            "lot_index": lot_index[face],
            "row": _spread(row, face),
            "space": of_space.array,
            "kind": np.concatenate(strips.kind)[order],
            "facing": _spread(faces["facing"], face),
            "run_azimuth_plat": azimuth[face],
        }
    )
    every = pd.concat([space_id.astype("string"), niches["space_id"].astype("string")], ignore_index=True)
    if repeated(every).any():
        origin = np.concatenate([faces["where"].to_numpy(dtype=object)[face], niches["where"].to_numpy(dtype=object)])
        _twice(pd.DataFrame({"where": origin}), every.to_numpy(dtype=object), gather, "space")
    known = set(every) if any(item.exceptions for item in ground.sections) else set()
    for item in ground.sections:
        for exception in item.exceptions:
            if exception.space not in known:
                stem = exception.space.rpartition("-")[0]
                alike = sorted(text for text in known if text.startswith(stem)) if stem else []
                near = difflib.get_close_matches(exception.space, alike[:_MOST_ALIKE], n=1)
                remedy = f"Did you mean {near[0]!r}?" if near else "Write its id as in the layer spaces."
                gather.add(f"{exception.where}.space", f"there is no space {exception.space!r}", remedy)

    # Markers.
    entry = marker_entries(faces, xy, rings, true)
    inset = np.array([ground.section(item).marker_inset for item in pd.unique(section)])[pd.factorize(section)[0]]
    at = np.flatnonzero(entry >= 0)
    shift = insets(xy, rings, true, entry[at]) * inset[at, None]
    short = faces["short_side"].to_numpy(dtype=float)
    deep_set = at[(inset[at] > 0) & (inset[at] >= 0.5 * short[at])]
    if len(deep_set):
        gather.add(
            f"{ground.section(section[deep_set[0]]).where}.marker_inset",
            f"reaches past the middle of lot {face_id[deep_set[0]]}",
            "Write a smaller inset.",
        )
    _raise_if_any(gather)
    corner = ring[entry[at]]
    sites = pd.DataFrame(
        {
            "label": label[at],
            "lot_id": np.where(single[at], None, face_id[at]),
            "space_id": np.where(single[at], face_id[at], None),
            "section": section[at],
            "plat": plat[at],
            "row": row[at],
            "lot": lot[at],
            "corner_index": corner,
            "plat_x": xy[corner, 0] + shift[:, 0],
            "plat_y": xy[corner, 1] + shift[:, 1],
            "inset_x": shift[:, 0],
            "inset_y": shift[:, 1],
            "short_side": short[at],
        }
    )
    # A row of one single grave has a marker at both ends; the second end is found at the same face.
    sites = other_ends(sites, faces, at, xy, rings, true, inset)

    # Lots.
    lots_at = np.flatnonzero(~single)
    facing = faces["facing"].to_numpy(dtype=object)
    hand = faces["counted_from"].to_numpy(dtype=object)
    left = np.array([LEFT[side] for side in SIDES], dtype=object)[pd.Index(SIDES).get_indexer(facing)]
    right = np.array([RIGHT[side] for side in SIDES], dtype=object)[pd.Index(SIDES).get_indexer(facing)]
    counted = np.where(divided, True, False)
    n_spaces = np.bincount(face, minlength=count)
    marker_index = np.where(entry >= 0, ring[entry], -1)
    lots = pd.DataFrame(
        {
            "lot_id": face_id,
            "section": section,
            "plat": plat,
            "row": row,
            "lot": lot,
            "label": label,
            "spaces": n_spaces,
            "tiers": faces["tiers"].to_numpy(),
            "kind": faces["kind"].to_numpy(dtype=object),
            "marker_corner": np.where(entry >= 0, faces["markers"].to_numpy(dtype=object), None),
            "marker_index": marker_index,
            "facing": np.where(counted, facing, None),
            "counted_from": np.where(counted, hand, None),
            "first_space_side": np.where(counted, np.where(hand == "left", left, right), None),
            "short_side": short,
            "run_azimuth_plat": azimuth,
        }
    ).iloc[lots_at].reset_index(drop=True)  # fmt: skip
    lot_rings = take_rings(ring, offsets, lots_at)

    # Corners; where sections meet, the first by name.
    alphabet, section_names = pd.factorize(section, sort=True)
    owner = np.repeat(alphabet, np.diff(offsets))
    first = np.full(len(xy), len(section_names), dtype=np.int64)
    np.minimum.at(first, ring, owner)
    marked = np.zeros(len(xy), dtype=bool)
    marked[sites["corner_index"].to_numpy(dtype=np.int64)] = True
    corners = pd.DataFrame(
        {
            "corner_id": corner_plat + ":" + _two_decimals(xy[:, 0]) + "," + _two_decimals(xy[:, 1]),
            "plat": corner_plat,
            "section": np.asarray(section_names, dtype=object)[first],
            "plat_x": xy[:, 0],
            "plat_y": xy[:, 1],
            "has_marker": marked,
        }
    )
    return Plat(
        corners, lots, lot_rings, sites, spaces, space_rings, weights, centre, niches.drop(columns="where"),
        ground.marker_label, findings,
    )  # fmt: skip


def _two_decimals(values: Floats) -> Objects:
    """Numbers as text; a plat has far fewer columns and rows of corners than corners."""
    code, distinct = pd.factorize(np.round(values, 2) + 0.0)
    return np.asarray(np.array([f"{value:.2f}" for value in distinct], dtype=object)[code])


def _spread(values: Any, owner: Integers) -> Any:
    """Values of lots for each of their spaces."""
    return pd.Series(np.asarray(values, dtype=object)).take(owner).array


def _centre(part: Any, weights: Any) -> Any:
    """Weights of centres: as given, or the mean of four vertices."""
    if sparse.issparse(part):
        return part
    count = len(part)
    mean = sparse.csr_matrix(
        (np.full(4 * count, 0.25), part.ravel(), np.arange(0, 4 * count + 1, 4)), shape=(count, weights.shape[0])
    )
    return (mean @ weights).tocsr()
