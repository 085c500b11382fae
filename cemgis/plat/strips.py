"""Lots divided into spaces, as weights of their corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import sparse

from cemgis.geometry import (
    drop_vertices,
    insert_in_rings,
    join_points,
    mean_value_weights,
    next_in_ring,
    points_on_edges,
    take_rings,
)
from cemgis.ground import SIDES
from cemgis.plat.faces import WAY
from cemgis.plat.model import TOLERANCE

__all__ = ["Strips", "divide", "piece_strips", "whole_faces"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]
Rings = tuple[Integers, Integers]


@dataclass
class Strips:
    """Collects spaces: rings of vertices, and the vertices as weights of corners."""

    corners: int
    face: list[Integers] = field(default_factory=list)
    number: list[Objects] = field(default_factory=list)
    kind: list[Objects] = field(default_factory=list)
    ring: list[Integers] = field(default_factory=list)
    size: list[Integers] = field(default_factory=list)
    centre: list[Any] = field(default_factory=list)
    entries: list[tuple[Integers, Integers, Floats]] = field(default_factory=list)
    vertices: int = 0

    def __post_init__(self) -> None:
        own = np.arange(self.corners)
        self.entries.append((own, own, np.ones(self.corners)))
        self.vertices = self.corners

    def new_vertices(self, count: int) -> Integers:
        """Numbers for that many vertices."""
        numbers = self.vertices + np.arange(count)
        self.vertices += count
        return numbers


def whole_faces(strips: Strips, faces: Integers, ring: Rings, true: Flags, xy: Floats, table: pd.DataFrame) -> None:
    """Faces that are one space each: their own ring."""
    if not len(faces):
        return
    indices, offsets = take_rings(ring[0], ring[1], faces)
    marks, _ = take_rings(true.astype(np.int64), ring[1], faces)
    size = np.diff(offsets)
    owner = np.repeat(np.arange(len(faces)), size)
    corners = np.bincount(owner, weights=marks, minlength=len(faces))
    quad = corners == 4
    entry = quad[owner] & (marks > 0)
    rows, columns, values = [owner[entry]], [indices[entry]], [np.full(int(entry.sum()), 0.25)]
    # Any other shape: the weights of its centroid.
    for count in np.unique(size[~quad]):
        some = np.flatnonzero(~quad & (size == count))
        corner = indices[offsets[some][:, None] + np.arange(count)]
        middle = shapely.get_coordinates(shapely.centroid(shapely.polygons(xy[corner])))
        weight = mean_value_weights(xy[corner], middle)
        rows.append(np.repeat(some, count))
        columns.append(corner.ravel())
        values.append(weight.ravel())
    centre = sparse.coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(len(faces), strips.corners)
    )
    strips.face.append(faces)
    single = table["single"].to_numpy()[faces]
    strips.number.append(np.where(single, table["lot"].to_numpy(dtype=object)[faces], "1"))
    strips.kind.append(table["kind"].to_numpy(dtype=object)[faces])
    strips.ring.append(indices)
    strips.size.append(size)
    strips.centre.append(centre.tocsr())


def divide(
    strips: Strips, faces: Integers, wide: int, deep: int, ring: Rings, true: Flags, xy: Floats, table: pd.DataFrame
) -> None:
    """Divide four-cornered lots into `wide` strips by `deep` tiers, by proportion between their corners.

    Along a side the proportion runs over whatever corners lie on it, so the strips of a lot fill it wherever the
    corners of its neighbours go.
    """
    count = len(faces)
    indices, offsets = take_rings(ring[0], ring[1], faces)
    marks = take_rings(true.astype(np.int64), ring[1], faces)[0] > 0
    following = next_in_ring(offsets)
    owner = np.repeat(np.arange(count), np.diff(offsets))
    corner_at = np.flatnonzero(marks).reshape(count, 4)
    corner = xy[indices[corner_at]]
    sides = np.roll(corner, -1, axis=1) - corner
    length = np.sqrt(sides[..., 0] ** 2 + sides[..., 1] ** 2)
    facing = table["facing"].to_numpy(dtype=object)[faces]
    way = np.array([WAY[side] for side in SIDES])[pd.Index(SIDES).get_indexer(facing)]
    # outward is a quarter turn clockwise from the side
    towards = np.round((sides[..., 1] / length) * way[:, :1] - (sides[..., 0] / length) * way[:, 1:], 6)
    far = towards.argmax(axis=1)  # side of the ring one faces; then come the left side, the near one, the right one
    side = np.cumsum(marks) - 1 - 4 * owner
    along = np.zeros(len(indices))
    between = np.flatnonzero(~marks)
    own, which = owner[between], side[between]
    along[between] = ((xy[indices[between]] - corner[own, which]) * sides[own, which]).sum(axis=1)
    along[between] /= length[own, which] ** 2
    key = 2.0 * (4 * owner + side) + along
    end = np.where(marks[following], 1.0, along[following])
    used = np.zeros(len(indices), dtype=bool)

    def cut(face: Integers, which: int, share: Floats) -> tuple[Integers, Integers, Floats]:
        """Corners before and after a point of a side, and the weight of the second."""
        own = (far[face] + which) % 4
        at = np.searchsorted(key, 2.0 * (4 * face + own) + share + 1e-12, side="right") - 1
        span = end[at] - along[at]
        part = np.clip((share - along[at]) / span, 0.0, 1.0)
        snap = TOLERANCE / (span * length[face, own])
        low, high = (part <= snap) & (part <= 0.5), (1 - part <= snap) & (part > 0.5)
        part = np.where(low, 0.0, np.where(high, 1.0, part))
        used[at[low]] = True
        used[following[at[high]]] = True
        return indices[at], indices[following[at]], part

    vertex = np.empty((count, wide + 1, deep + 1), dtype=np.int64)

    def place(face: Integers, i: int, j: int, parts: Sequence[tuple[Integers, Integers, Floats, float]]) -> None:
        """Set grid vertices; one that is a corner is that corner, any other is new."""
        first, second, part, _ = parts[0]
        numbers = np.where(part == 0.0, first, second)
        fresh = np.ones(len(face), dtype=bool) if len(parts) > 1 else (part > 0.0) & (part < 1.0)
        numbers[fresh] = strips.new_vertices(int(fresh.sum()))
        vertex[face, i, j] = numbers
        for before, after, weight, share in parts:
            strips.entries.append((numbers[fresh], before[fresh], share * (1 - weight[fresh])))
            strips.entries.append((numbers[fresh], after[fresh], share * weight[fresh]))

    every = np.arange(count)
    for i in range(wide + 1):
        u = np.full(count, i / wide)
        near_cut, far_cut = cut(every, 2, u), cut(every, 0, 1.0 - u)
        place(every, i, 0, [(*near_cut, 1.0)])
        place(every, i, deep, [(*far_cut, 1.0)])
        for j in range(1, deep):
            t = np.full(count, j / deep)
            if i in (0, wide):
                place(every, i, j, [(*(cut(every, 1, 1.0 - t) if i == 0 else cut(every, 3, t)), 1.0)])
            else:
                place(every, i, j, [(*near_cut, 1.0 - j / deep), (*far_cut, j / deep)])
    quads = np.empty((count, deep, wide, 4), dtype=np.int64)  # face, tier, strip from the left, corner
    for at, some in enumerate((vertex[:, :-1, :-1], vertex[:, 1:, :-1], vertex[:, 1:, 1:], vertex[:, :-1, 1:])):
        quads[..., at] = some.transpose(0, 2, 1)
    right = table["counted_from"].to_numpy(dtype=object)[faces] == "right"
    if right.any():
        quads[right] = quads[right][:, :, ::-1]
    base = quads.reshape(-1, 4)
    # Corners of neighbours on the sides of the lot go into the ring of the strip they lie beside.
    extra = np.flatnonzero(~marks & ~used)
    which = (side[extra] - far[owner[extra]]) % 4
    share = along[extra]
    u = np.select([which == 0, which == 1, which == 2], [1 - share, 0.0, share], 1.0) * wide
    t = np.select([which == 0, which == 1, which == 2], [1.0, 1 - share, 0.0], share) * deep
    i = np.clip(np.floor(u), 0, wide - 1).astype(np.int64)
    j = np.clip(np.floor(t), 0, deep - 1).astype(np.int64)
    edge = np.select([which == 2, which == 3, which == 0], [0, 1, 2], 3)
    part = np.select([which == 2, which == 3, which == 0], [u - i, t - j, 1 - (u - i)], 1 - (t - j))
    i = np.where(right[owner[extra]], wide - 1 - i, i)
    space = owner[extra] * (wide * deep) + j * wide + i
    flat, starts, _ = insert_in_rings(
        base.ravel(), np.arange(0, base.size + 1, 4), space * 4 + edge, indices[extra], part, np.ones(base.size, bool)
    )
    strips.face.append(np.repeat(faces, wide * deep))
    names = np.array([str(number) for number in range(1, wide * deep + 1)], dtype=object)
    strips.number.append(np.tile(names, count))
    strips.kind.append(np.repeat(table["kind"].to_numpy(dtype=object)[faces], wide * deep))
    strips.ring.append(flat)
    strips.size.append(np.diff(starts))
    strips.centre.append(base)


def piece_strips(strips: Strips, pieces: gpd.GeoDataFrame, ring: Rings, xy: Floats) -> None:
    """Spaces drawn as polygons inside their lots: their vertices become weights of the lot's corners."""
    outline = np.asarray(pieces.geometry.to_numpy(), dtype=object)
    coords, piece = shapely.get_coordinates(shapely.get_exterior_ring(outline), return_index=True)
    last = np.append(np.diff(piece) > 0, [True])
    coords, piece = coords[~last], piece[~last]
    face = pieces["face"].to_numpy()[piece]
    cluster, _ = join_points(coords, TOLERANCE)
    # One point a lot and place; a place on the ring of the lot that is a corner is that corner.
    key, member, node = np.unique(face * (int(cluster.max()) + 1) + cluster, return_index=True, return_inverse=True)
    node_xy, node_face = coords[member], face[member]
    sizes = np.diff(ring[1])[node_face]
    numbers = strips.new_vertices(len(key))
    for count in np.unique(sizes):
        some = np.flatnonzero(sizes == count)
        corner = ring[0][ring[1][node_face[some]][:, None] + np.arange(count)]
        # A point within tolerance of the lot's own outline lies on it.
        outer = shapely.linearrings(xy[corner])
        here = shapely.points(node_xy[some])
        close = np.flatnonzero(shapely.distance(outer, here) <= 2 * TOLERANCE)
        if len(close):
            reach = shapely.line_locate_point(outer[close], here[close])
            node_xy[some[close]] = shapely.get_coordinates(shapely.line_interpolate_point(outer[close], reach))
            away = np.linalg.norm(xy[corner[close]] - node_xy[some[close]][:, None, :], axis=2)
            best = away.argmin(axis=1)
            at = away[np.arange(len(close)), best] <= 2 * TOLERANCE
            node_xy[some[close[at]]] = xy[corner[close[at], best[at]]]
        weight = mean_value_weights(xy[corner], node_xy[some])
        strips.entries.append((np.repeat(numbers[some], count), corner.ravel(), weight.ravel()))
    offsets = np.concatenate([[0], np.cumsum(np.bincount(piece, minlength=len(pieces)))])
    repeated = node == node[next_in_ring(offsets)]
    indices, offsets = drop_vertices(node, offsets, ~repeated)
    # Corners of the lot that lie on an edge of a space, and vertices of one space on an edge of another.
    owners = np.unique(node_face)
    lot_rings = take_rings(ring[0], ring[1], owners)
    lot_face = np.repeat(owners, np.diff(lot_rings[1]))
    points = np.concatenate([node_xy, xy[lot_rings[0]]])
    owner = np.concatenate([node_face, lot_face])
    vertex = np.concatenate([numbers, lot_rings[0]])
    everything = np.concatenate([indices, len(node_xy) + np.arange(len(lot_face))])
    starts = np.concatenate([offsets, offsets[-1] + lot_rings[1][1:]])
    edge, point, share = points_on_edges(points, everything, starts, TOLERANCE, owner)
    mine = edge < len(indices)
    edge, point, share = edge[mine], point[mine], share[mine]
    # A corner of the lot under a vertex of a space is not inserted twice.
    _, first = np.unique(edge * len(points) + join_points(points, TOLERANCE)[0][point], return_index=True)
    indices, offsets, _ = insert_in_rings(
        indices, offsets, edge[first], point[first], share[first], np.ones(len(indices), bool)
    )
    middle = shapely.get_coordinates(shapely.centroid(outline))
    piece_face = pieces["face"].to_numpy()
    size = np.diff(ring[1])[piece_face]
    rows: list[Integers] = []
    columns: list[Integers] = []
    values: list[Floats] = []
    for count in np.unique(size):
        some = np.flatnonzero(size == count)
        corner = ring[0][ring[1][piece_face[some]][:, None] + np.arange(count)]
        rows.append(np.repeat(some, count))
        columns.append(corner.ravel())
        values.append(mean_value_weights(xy[corner], middle[some]).ravel())
    strips.centre.append(
        sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(len(pieces), strips.corners),
        ).tocsr()
    )
    strips.face.append(piece_face)
    strips.number.append(pieces["space"].to_numpy(dtype=object))
    strips.kind.append(pieces["kind"].to_numpy(dtype=object))
    strips.ring.append(vertex[indices])
    strips.size.append(np.diff(offsets))
