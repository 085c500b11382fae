"""The layers corners, lots, spaces and sections, from a plat and where its corners lie on the grid."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from cemgis.adjust import radius_95
from cemgis.geometry import long_axis, polygons_from_rings, ring_areas
from cemgis.ground import Section
from cemgis.layers import CORNER_STATES, LAYERS
from cemgis.plat import Plat
from cemgis.schema import restore
from cemgis.units import compass_azimuth, compass_word

__all__ = [
    "LocatedCorners",
    "Placed",
    "build_corners",
    "build_lots",
    "build_sections",
    "build_spaces",
    "lot_corners",
    "lot_sanity",
    "place",
]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Objects = NDArray[np.object_]
Mean = Callable[[ArrayLike, ArrayLike], tuple[Floats, Floats, Floats]]

_CHUNK = 100_000
_SEEN = ("found", "doubtful", "disturbed")
"""States of a corner whose marker somebody has seen."""


class LocatedCorners(Protocol):
    """What is needed of the corners of one plat, located: `cemgis.fit.Located` has it."""

    @property
    def grid_xy(self) -> Floats:
        """Grid coordinates (m, 2)."""

    @property
    def cov(self) -> Floats:
        """Covariance (m, 2, 2) of each."""

    @property
    def dof(self) -> Floats:
        """Degrees of freedom (m,) of each covariance."""

    @property
    def own(self) -> Floats:
        """Part (m, 2, 2) of the covariance that a corner shares with no other."""

    @property
    def bend(self) -> Floats:
        """Vectors (m, 2) by which the local signal moves what stands there."""

    def mean(self, index: ArrayLike, weights: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Position, covariance and degrees of freedom of weighted means of corners."""

    def joint(self, index: ArrayLike) -> Floats:
        """Joint covariance (k, 2 j, 2 j) of k groups of j corners."""


@dataclass(frozen=True)
class Placed:
    """Corners of all plats on the grid, in the order of `Plat.corners`; NaN where a plat could not be placed.

    Parameters
    ----------
    grid_xy : (n, 2) array
    cov : (n, 2, 2) array
    dof : (n,) array
    state : (n,) array of str
        One of `cemgis.layers.CORNER_STATES`.
    marker_id : (n,) array of str or None
    mean : callable
        ``mean(index (k, j), weights (k, j))`` gives position, covariance and degrees of freedom of weighted means of
        corners, the correlation between them included.
    joint : callable, optional
        ``joint(index (m,))`` gives the covariance (2 m, 2 m) of corners together; plats are independent of one another.
    own : (n, 2, 2) array, optional
        Part of `cov` that a corner shares with no other.
    bend : (n, 2) array, optional
        By how much the local signal moves what stands there, beside the straight fit.
    """

    grid_xy: Floats
    cov: Floats
    dof: Floats
    state: Objects
    marker_id: Objects
    mean: Mean
    joint: Callable[[ArrayLike], Floats] | None = None
    own: Floats | None = None
    bend: Floats | None = None

    @property
    def known(self) -> Flags:
        """Whether a corner has a place."""
        return np.asarray(np.isfinite(self.grid_xy).all(axis=1))


def place(plat: Plat, located: Mapping[str, LocatedCorners], state: ArrayLike, marker_id: ArrayLike) -> Placed:
    """Put the corners of all plats together.

    Parameters
    ----------
    plat : Plat
    located : mapping of plat name to located corners
        Each in the order of that plat's rows of `Plat.corners`. A plat that is not there has no place.
    state : (n,) array of str
    marker_id : (n,) array of str or None

    Raises
    ------
    ValueError
        When a state is not one of `cemgis.layers.CORNER_STATES` or a plat has another number of corners.
    """
    states = np.asarray(state, dtype=object)
    if len(states) != len(plat.corners) or not np.isin(states.astype(str), CORNER_STATES).all():
        msg = "every corner needs one of the states of the layer corners"
        raise ValueError(msg)
    names = plat.corners["plat"].astype(str).to_numpy()
    size = len(names)
    grid_xy, cov, dof = np.full((size, 2), np.nan), np.full((size, 2, 2), np.nan), np.full(size, np.nan)
    apart, bend = np.full((size, 2, 2), np.nan), np.full((size, 2), np.nan)
    which, local = np.full(size, -1), np.zeros(size, dtype=np.int64)
    parts = list(located.values())
    for number, (name, part) in enumerate(located.items()):
        rows = np.flatnonzero(names == name)
        if len(rows) != len(part.grid_xy):
            msg = f"plat {name} has {len(rows)} corners, {len(part.grid_xy)} were located"
            raise ValueError(msg)
        grid_xy[rows], cov[rows], dof[rows] = part.grid_xy, part.cov, part.dof
        apart[rows], bend[rows] = part.own, part.bend
        which[rows], local[rows] = number, np.arange(len(rows))

    def mean(index: ArrayLike, weights: ArrayLike) -> tuple[Floats, Floats, Floats]:
        rows, share = np.asarray(index, dtype=np.int64), np.asarray(weights, dtype=float)
        xy, spread, freedom = (
            np.full((len(rows), 2), np.nan),
            np.full((len(rows), 2, 2), np.nan),
            np.full(len(rows), np.nan),
        )
        for number, part in enumerate(parts):
            mine = np.flatnonzero(which[rows[:, 0]] == number)
            if len(mine):
                xy[mine], spread[mine], freedom[mine] = part.mean(local[rows[mine]], share[mine])
        return xy, spread, freedom

    def joint(index: ArrayLike) -> Floats:
        rows = np.asarray(index, dtype=np.int64)
        out = np.zeros((len(rows), 2, len(rows), 2))
        for number, part in enumerate(parts):
            mine = np.flatnonzero(which[rows] == number)
            if not len(mine):
                continue
            block = part.joint(local[rows[mine]][None])[0].reshape(len(mine), 2, len(mine), 2)
            axes = np.arange(2)
            out[np.ix_(mine, axes, mine, axes)] = block
        size = 2 * len(rows)
        return out.reshape(size, size)

    return Placed(grid_xy, cov, dof, states, np.asarray(marker_id, dtype=object), mean, joint, apart, bend)


def _covariance(cov: Floats, dof: Floats) -> dict[str, Floats]:
    return {
        "cov_ee": cov[:, 0, 0],
        "cov_en": cov[:, 0, 1],
        "cov_nn": cov[:, 1, 1],
        "radius_95": radius_95(cov, dof) if len(cov) else np.empty(0),
    }


def _layer(name: str, data: Mapping[str, Any], shapes: ArrayLike, crs: Any) -> gpd.GeoDataFrame:
    table = pd.DataFrame(data, copy=False)
    table["geometry"] = gpd.GeoSeries(np.asarray(shapes, dtype=object), index=table.index, crs=crs)
    return restore(gpd.GeoDataFrame(table, crs=crs), LAYERS[name], crs)


def build_corners(plat: Plat, placed: Placed, crs: Any = None) -> gpd.GeoDataFrame:
    """Make the layer ``corners``; corners of a plat that could not be placed are left out."""
    at = np.flatnonzero(placed.known)
    own = plat.corners.iloc[at]
    data = {
        **{name: own[name].array for name in ("corner_id", "plat", "section", "plat_x", "plat_y")},
        "state": placed.state[at],
        "marker_id": placed.marker_id[at],
        **_covariance(placed.cov[at], placed.dof[at]),
    }
    if placed.own is not None and placed.bend is not None:
        alone = np.trace(placed.own[at], axis1=1, axis2=2)
        shared = np.maximum(np.trace(placed.cov[at], axis1=1, axis2=2) - alone, 0.0)
        size = np.hypot(placed.bend[at, 0], placed.bend[at, 1])
        data |= {"bend": size, "sigma_plat": np.sqrt(shared / 2.0), "sigma_own": np.sqrt(alone / 2.0)}
    return _layer("corners", data, shapely.points(placed.grid_xy[at]), crs)


def _whole(values: Flags, rings: tuple[Integers, Integers]) -> Flags:
    """Whether all vertices of each ring are flagged."""
    index, offsets = rings
    if len(offsets) < 2:
        return np.empty(0, dtype=bool)
    return np.asarray(np.logical_and.reduceat(values[index], offsets[:-1]))


def _polygons(xy: Floats, rings: tuple[Integers, Integers], rows: Integers) -> Objects:
    """Polygons of some of the rings, a chunk at a time."""
    index, offsets = rings
    shapes = np.empty(len(rows), dtype=object)
    for start in range(0, len(rows), _CHUNK):
        some = rows[start : start + _CHUNK]
        sizes = np.diff(offsets)[some]
        begin = np.concatenate([[0], np.cumsum(sizes)])
        take = np.repeat(offsets[some] - begin[:-1], sizes) + np.arange(begin[-1])
        shapes[start : start + len(some)] = polygons_from_rings(xy[index[take]], begin)
    return shapes


def build_lots(
    plat: Plat, placed: Placed, crs: Any = None, north: Mapping[str, float] | None = None
) -> gpd.GeoDataFrame:
    """Make the layer ``lots``: faces between their corners; those of a plat that could not be placed are left out.

    Parameters
    ----------
    plat : Plat
    placed : Placed
    crs : optional
    north : mapping of plat name to float, optional
        True azimuth of plat north, degrees. Compass words are turned by it, so that on the ground they are true; left
        out, they stay those of the plat's frame.
    """
    at = np.flatnonzero(_whole(placed.known, plat.lot_rings))
    own = plat.lots.iloc[at]
    index, offsets = plat.lot_rings
    radius = _covariance(placed.cov, placed.dof)["radius_95"]
    worst = np.maximum.reduceat(radius[index], offsets[:-1])[at] if len(at) else np.empty(0)
    marker = own["marker_index"].to_numpy(dtype=np.int64)
    names = ("lot_id", "section", "row", "lot", "spaces", "marker_corner", "facing", "counted_from", "first_space_side")
    data = {
        **{name: own[name].array for name in names},
        "marker_state": np.where(marker >= 0, placed.state[marker], None) if len(at) else [],
        "radius_95_worst": worst,
    }
    if north is not None:
        turn = own["plat"].astype(object).map(dict(north)).to_numpy(dtype=float)
        for name in ("marker_corner", "facing", "first_space_side"):
            data[name] = _turned_words(own[name].to_numpy(dtype=object), turn)
    return _layer("lots", data, _polygons(placed.grid_xy, plat.lot_rings, at), crs)


def _turned_words(words: Objects, turn_deg: Floats) -> Objects:
    """Compass words of a plat's frame as they are on the ground; what is no compass word stays."""
    out = words.copy()
    pairs = pd.DataFrame({"word": words, "turn": turn_deg}).dropna()
    for (word, turn), rows in pairs.groupby(["word", "turn"]).groups.items():
        if word:
            out[rows] = compass_word(compass_azimuth(str(word)) + float(turn))
    return out


def _position_words(plat: Plat, state: Objects, rows: Integers) -> Objects:
    """Say what each space's place rests on."""
    pattern = plat.centre_weights[rows].copy()
    pattern.data = np.ones_like(pattern.data)
    found = np.asarray(pattern @ (state == "found").astype(float)).astype(np.int64)
    doubt = np.asarray(pattern @ (state == "doubtful").astype(float)).astype(np.int64)
    total = np.diff(pattern.indptr)
    most = int(total.max(initial=0)) + 1
    kinds, which = np.unique((found * most + doubt) * most + total, return_inverse=True)
    told = [(kind // most**2, kind // most % most, kind % most) for kind in kinds.tolist()]
    said = [_say_position(seen, open_, every - seen - open_) for seen, open_, every in told]
    return np.array(said, dtype=object)[which]


def _say_position(found: int, doubtful: int, computed: int) -> str:
    if not found and not doubtful:
        return "computed from the fit"
    parts = [(found, "found"), (doubtful, "in doubt"), (computed, "computed")]
    said = [f"{count} {word}" for count, word in parts if count]
    count, word = next((count, word) for count, word in parts if count)
    noun = "corner" if count == 1 else "corners"
    said[0] = f"{count} found {noun}" if word == "found" else f"{count} {noun} in doubt"
    return ", ".join(said)


def _centres(plat: Plat, placed: Placed, rows: Integers) -> tuple[Floats, Floats]:
    """Covariance and degrees of freedom of the centres of spaces, by the number of corners each rests on."""
    weights = plat.centre_weights[rows]
    size = np.diff(weights.indptr)
    cov, dof = np.full((len(rows), 2, 2), np.nan), np.full(len(rows), np.nan)
    for count in np.unique(size):
        some = np.flatnonzero(size == count)
        for start in range(0, len(some), _CHUNK):
            part = some[start : start + _CHUNK]
            take = weights.indptr[part][:, None] + np.arange(count)
            _, cov[part], dof[part] = placed.mean(weights.indices[take], weights.data[take])
    return cov, dof


def build_spaces(plat: Plat, placed: Placed, crs: Any = None) -> gpd.GeoDataFrame:
    """Make the layer ``spaces``: they fill their lots; state and heads are left for others to fill in.

    The covariance is that of the space's centre: its corners' weights in the centre, with the covariance of all these
    corners together.

    Returns
    -------
    GeoDataFrame
        In the order of `Plat.spaces`; spaces of a plat that could not be placed are left out.
    """
    lacking = plat.weights @ (~placed.known).astype(float)
    at = np.flatnonzero(_whole(np.asarray(lacking) == 0, plat.space_rings))
    own = plat.spaces.iloc[at]
    vertices = plat.weights @ np.nan_to_num(placed.grid_xy)
    shapes = _polygons(np.asarray(vertices), plat.space_rings, at)
    _, width, length = long_axis(shapes)
    cov, dof = _centres(plat, placed, at)
    data = {
        **{name: own[name].array for name in ("space_id", "section", "lot_id", "space", "kind")},
        "width": width,
        "length": length,
        **_covariance(cov, dof),
        "position_by": _position_words(plat, placed.state, at) if len(at) else [],
    }
    return _layer("spaces", data, shapes, crs)


def build_sections(
    plat: Plat,
    placed: Placed,
    sections: Iterable[Section],
    plat_dates: Mapping[str, str],
    spaces: gpd.GeoDataFrame,
    outlines: Mapping[str, Any] | None = None,
    crs: Any = None,
    *,
    gap: float = 0.0,
    plat_sources: Mapping[str, str | None] | None = None,
) -> gpd.GeoDataFrame:
    """Make the layer ``sections``.

    Parameters
    ----------
    plat : Plat
    placed : Placed
    sections : iterable of Section
        In the ground's order.
    plat_dates : mapping of plat name to date
    spaces : GeoDataFrame
        The layer, with its states if they are known; ``vacant`` is missing where none is.
    outlines : mapping of section name to Polygon or MultiPolygon, optional
        Surveyed outlines in grid coordinates; a section without one gets the hulls of its rows, walks between them
        closed, and one that has no place on the ground (niches alone, or a plat that could not be placed) no geometry.
    crs : optional
    gap : float
        Walks between rows up to this wide lie inside an outline.
    plat_sources : mapping of plat name to text, optional
        Where the plat is recorded.
    """
    given = dict(outlines or {})
    lots = plat.lots.groupby("section").size() if len(plat.lots) else pd.Series(dtype=int)
    seen, unseen = _markers(plat, placed.state, _SEEN), _markers(plat, placed.state, ("unfound",))
    rows, shapes = [], []
    code, names = pd.factorize(spaces["section"].astype(object))
    radii = spaces["radius_95"].to_numpy(dtype=float, na_value=np.nan)
    vacant = (spaces["state"] == "vacant").to_numpy(dtype=bool, na_value=False)
    stated = spaces["state"].notna().to_numpy(dtype=bool)
    ground_shapes = spaces.geometry.to_numpy()
    row_of = _row_codes(plat, spaces)
    for section in sections:
        own = np.flatnonzero(code == (list(names).index(section.name) if section.name in names else -2))
        radius = radii[own][np.isfinite(radii[own])]
        rows.append(
            {
                "section": section.name,
                "plat": section.plat,
                "plat_date": plat_dates.get(section.plat or ""),
                "title": section.title,
                "heads": section.heads.side,
                "heads_rule": section.heads.words,
                "lots": int(lots.get(section.name, 0)),
                "spaces": len(own),
                "vacant": int(vacant[own].sum()) if stated[own].any() else None,
                "markers_found": seen.get(section.name, 0),
                "markers_unfound": unseen.get(section.name, 0),
                "radius_95_median": float(np.median(radius)) if len(radius) else None,
                "radius_95_worst": float(radius.max()) if len(radius) else None,
                "protected": section.protected,
                "parcel": section.parcel,
                "plat_source": (plat_sources or {}).get(section.plat or ""),
            }
        )
        shape = given.get(section.name)
        if shape is None and len(own):
            shape = _outline(ground_shapes[own], row_of[own], gap)
        shapes.append(shapely.multipolygons([shape]) if shape is not None and shape.geom_type == "Polygon" else shape)
    return _layer("sections", pd.DataFrame(rows), _objects(shapes), crs)


def _row_codes(plat: Plat, spaces: pd.DataFrame) -> Integers:
    """Return the number of the row of each space; a lot without a row is one of its own."""
    row = spaces["space_id"].astype(object).map(plat.spaces.set_index("space_id")["row"]).astype(object)
    lot = spaces["lot_id"].astype(object)
    alone = lot.where(lot.notna(), spaces["space_id"].astype(object))
    named = "row " + row.astype(str)
    return np.asarray(pd.factorize(named.where(row.notna().to_numpy(), alone))[0], dtype=np.int64)


def _outline(shapes: Objects, row: Integers, gap: float) -> Any:
    """Outline of spaces: the hull of each row, and the walks between rows that are no wider than `gap`."""
    order = np.argsort(row, kind="stable")
    points, which = shapely.get_coordinates(shapes[order], return_index=True)
    # The hull of one line through all vertices is that of the vertices, and far quicker to make than of points.
    codes = np.unique(row[order][which], return_inverse=True)[1]
    hulls = shapely.convex_hull(shapely.linestrings(points, indices=codes))
    wide = shapely.union_all(shapely.buffer(hulls, gap / 2 + 0.01, join_style="mitre"))
    closed = shapely.buffer(wide, -gap / 2 - 0.01, join_style="mitre")
    # what growing and shrinking takes off a corner is put back: an outline holds all of its section
    return shapely.union_all([closed, *hulls])


def _objects(shapes: list[Any]) -> Objects:
    out = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out


def _markers(plat: Plat, state: Objects, states: tuple[str, ...]) -> dict[str, int]:
    """Count, by section, corners with a marker that are in one of the states."""
    sites = plat.sites[["section", "corner_index"]].drop_duplicates()
    if not len(sites):
        return {}
    has = np.isin(state[sites["corner_index"].to_numpy(dtype=np.int64)].astype(str), states)
    return {str(name): int(count) for name, count in sites["section"][has].value_counts().items()}


# ---- lots that would lose their shape --------------------------------------------------------------------------------


def lot_sanity(plat: Plat, grid_xy: ArrayLike, fitted_xy: ArrayLike, *, area_share: float) -> pd.DataFrame:
    """Find lots, and single graves, that would fold or change their size too much if they followed their markers.

    Parameters
    ----------
    plat : Plat
    grid_xy : (n, 2) array
        Corners as they would lie, found ones on their markers.
    fitted_xy : (n, 2) array
        The same corners as the fit alone puts them.
    area_share : float
        Change of area that is too much, as a share of the fitted area.

    Returns
    -------
    DataFrame
        ``lot_id`` (a single grave has its ``space_id`` there), ``section``, ``why`` (``folds`` or ``size``),
        ``area_ratio`` (area by the markers over area by the fit) and the sentence ``reason``.
    """
    now, fitted = np.asarray(grid_xy, dtype=float), np.asarray(fitted_xy, dtype=float)
    single = np.flatnonzero(plat.spaces["lot_index"].to_numpy(dtype=np.int64) < 0)
    weights = plat.weights
    ids, section, ratio, folds = [], [], [], []
    space_index, space_offsets = plat.space_rings
    for rings, xy_now, xy_fit, rows, table, key in (
        (plat.lot_rings, now, fitted, np.arange(len(plat.lots)), plat.lots, "lot_id"),
        ((space_index, space_offsets), weights @ now, weights @ fitted, single, plat.spaces, "space_id"),
    ):
        if not len(rows):
            continue
        area = ring_areas(xy_now[rings[0]], rings[1])[rows]
        before = ring_areas(xy_fit[rings[0]], rings[1])[rows]
        ids.append(table[key].to_numpy(dtype=object)[rows])
        section.append(table["section"].to_numpy(dtype=object)[rows])
        ratio.append(area / before)
        real = np.isfinite(ratio[-1])
        bad = np.zeros(len(rows), dtype=bool)
        bad[real] = ~shapely.is_valid(_polygons(np.asarray(xy_now), rings, rows[real])) | (ratio[-1][real] <= 0)
        if key == "lot_id":
            bad |= _folded_spaces(plat, np.asarray(weights @ now), len(rows))
        folds.append(bad)
    if not ids:
        return pd.DataFrame(columns=["lot_id", "section", "why", "area_ratio", "reason"])
    all_ratio, fold = np.concatenate(ratio), np.concatenate(folds)
    with np.errstate(invalid="ignore"):
        wrong = np.flatnonzero(fold | (np.abs(all_ratio - 1.0) > area_share))
    why = np.where(fold[wrong], "folds", "size")
    change = 100.0 * (all_ratio[wrong] - 1.0)
    reason = [
        "following its found markers it would fold over itself"
        if kind == "folds"
        else f"following its found markers it would be {abs(percent):.0f} % {'larger' if percent > 0 else 'smaller'}"
        for kind, percent in zip(why, change, strict=True)
    ]
    return pd.DataFrame(
        {
            "lot_id": np.concatenate(ids)[wrong],
            "section": np.concatenate(section)[wrong],
            "why": why,
            "area_ratio": all_ratio[wrong],
            "reason": reason,
        }
    )


def _folded_spaces(plat: Plat, vertices: Floats, n_lots: int) -> Flags:
    """Whether any space of each lot folds."""
    lot = plat.spaces["lot_index"].to_numpy(dtype=np.int64)
    index, offsets = plat.space_rings
    rows = np.flatnonzero((lot >= 0) & _whole(np.asarray(np.isfinite(vertices).all(axis=1)), plat.space_rings))
    area = ring_areas(vertices[index], offsets)[rows]
    bad = ~shapely.is_valid(_polygons(vertices, plat.space_rings, rows)) | (area <= 0)
    return np.bincount(lot[rows], bad, minlength=n_lots) > 0


def lot_corners(plat: Plat, lot_ids: Iterable[str]) -> Integers:
    """Rows of `Plat.corners` round the lots (or single graves) named, each once.

    Use it to find the doubtful corners that `lot_sanity` asks to be released.
    """
    wanted = set(lot_ids)
    found = []
    if len(plat.lots):
        rows = np.flatnonzero(plat.lots["lot_id"].isin(wanted).to_numpy())
        index, offsets = plat.lot_rings
        found += [index[offsets[row] : offsets[row + 1]] for row in rows]
    single = plat.spaces["space_id"].isin(wanted).to_numpy() & plat.spaces["lot_id"].isna().to_numpy()
    index, offsets = plat.space_rings
    vertices = [index[offsets[row] : offsets[row + 1]] for row in np.flatnonzero(single)]
    if vertices:
        found.append(plat.weights[np.concatenate(vertices)].indices.astype(np.int64))
    return np.unique(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)
