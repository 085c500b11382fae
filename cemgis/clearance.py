"""Clearances: the least distance between two things that must not touch, how sure it is, and what it takes away."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.special import ndtr, ndtri

from cemgis import schema
from cemgis.findings import Finding, find
from cemgis.geometry import least_gap
from cemgis.layers import LAYERS
from cemgis.units import Unit, feet_and_inches, say_length
from cemgis.vaults import POSE, pose_covariance

__all__ = ["Gaps", "Neighbours", "clearances", "gaps", "lost_spaces", "neighbours"]

_CHUNK = 50_000
_THREADS = 2  # more gains nothing on two cores
_TOUCH = 1e-3  # length given to the line between things that just touch: a line needs two points

_Floats = npt.NDArray[np.float64]
_Ints = npt.NDArray[np.int64]
_Shapes = npt.NDArray[np.object_]


class Neighbours(NamedTuple):
    """Pairs of shapes that lie near one another.

    Parameters
    ----------
    a, b : int array (k,)
        Positions in the first and in the second array.
    gap : float array (k,)
        Distance; zero where they touch or overlap.
    """

    a: _Ints
    b: _Ints
    gap: _Floats


class Gaps(NamedTuple):
    """Least gaps of pairs.

    Parameters
    ----------
    gap : float array (k,)
        Below zero by how far one would have to be moved to part the two.
    line : LineString array (k,)
        Between the nearest points; where they overlap, along the way out, as long as that.
    normal : float array (k, 2)
        Unit vector along that line, either way: the direction in which the gap is measured.
    """

    gap: _Floats
    line: _Shapes
    normal: _Floats


def neighbours(polygons: Any, within: float, others: Any = None, *, chunk: int = _CHUNK) -> Neighbours:
    """Find all pairs of shapes not farther apart than `within`.

    The tree is asked with boxes widened by the distance, and distances are computed for what it returns, in chunks on
    two threads; so two million spaces need neither a loop nor all candidates in memory.

    Parameters
    ----------
    polygons : array of n shapes
    within : float
    others : array of m shapes, optional
        Left out: pairs within `polygons`, each once, ``a < b``.
    chunk : int
        Shapes asked for at once.

    Returns
    -------
    Neighbours
        Sorted by ``a``, then ``b``. Missing and empty shapes have no neighbours.

    Examples
    --------
    >>> row = shapely.box([0, 4, 8], 0, [4, 8, 12], 12)
    >>> found = neighbours(row, 1.0)
    >>> list(zip(found.a.tolist(), found.b.tolist(), found.gap.tolist()))
    [(0, 1, 0.0), (1, 2, 0.0)]
    """
    first = np.asarray(polygons, dtype=object)
    second = first if others is None else np.asarray(others, dtype=object)
    tree = shapely.STRtree(second)
    bounds = shapely.bounds(first) + np.array([-within, -within, within, within])

    def ask(start: int) -> tuple[_Ints, _Ints, _Floats]:
        part = bounds[start : start + chunk]
        asked = np.flatnonzero(np.isfinite(part).all(axis=1))
        boxes = shapely.box(*part[asked].T)
        hit, b = tree.query(boxes)
        a = asked[hit] + start
        if others is None:
            keep = a < b
            a, b = a[keep], b[keep]
        gap = shapely.distance(first[a], second[b])
        keep = gap <= within
        a, b, gap = a[keep], b[keep], gap[keep]
        order = np.lexsort((b, a))
        return a[order], b[order], gap[order]

    starts = range(0, len(first), chunk)
    if len(starts) == 0 or len(second) == 0:
        return Neighbours(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0))
    with ThreadPoolExecutor(_THREADS) as pool:
        parts = list(pool.map(ask, starts))
    a, b, gap = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Neighbours(a, b, gap)


def gaps(a: Any, b: Any) -> Gaps:
    """Measure the least gap of each pair of polygons, and the direction it is measured in.

    Parameters
    ----------
    a, b : arrays of k polygons
        Pairs, position by position.

    Returns
    -------
    Gaps

    Examples
    --------
    >>> found = gaps(shapely.box([0, 0], 0, [3, 3], 8), shapely.box([4, 2.5], [0, 1], [7, 5.5], [8, 9]))
    >>> found.gap.tolist(), abs(found.normal[:, 0]).tolist()
    ([1.0, -0.5], [1.0, 1.0])
    """
    a, b = np.asarray(a, dtype=object), np.asarray(b, dtype=object)
    gap, line = least_gap(a, b)
    ends = shapely.get_coordinates(line).reshape(-1, 2, 2)
    way = ends[:, 1] - ends[:, 0]
    size = np.hypot(*way.T)
    touch = np.flatnonzero(size < _TOUCH)
    if len(touch):  # no direction to be had from the line: the one between the middles
        middles = [shapely.get_coordinates(shapely.centroid(shapes[touch])) for shapes in (a, b)]
        between = middles[1] - middles[0]
        far = np.hypot(*between.T)
        way[touch] = np.where(far[:, None] > 0, between / np.where(far > 0, far, 1.0)[:, None], [0.0, 1.0]) * _TOUCH
        size[touch] = _TOUCH
        middle = ends[touch].mean(axis=1)
        halves = np.stack([middle - way[touch] / 2, middle + way[touch] / 2], axis=1)
        line[touch] = shapely.linestrings(halves)
    return Gaps(gap, line, way / size[:, None])


@dataclass(frozen=True)
class _Side:
    """One table as one side of a pair: shapes, ids, sections and covariance of its outline.

    A fitted rectangle has the covariance of its middle and turn besides; NaN where a thing has none.
    """

    word: str
    table: gpd.GeoDataFrame
    shapes: _Shapes
    ids: _Shapes
    section: _Shapes
    covariance: _Floats
    pose: _Floats

    def covariance_at(self, rows: _Ints, points: _Floats) -> _Floats:
        """Covariance (k, 2, 2) of points of the outlines of some rows."""
        out = self.covariance[rows]
        fitted = np.flatnonzero(np.isfinite(self.pose[rows]).all(axis=(1, 2)))
        if len(fitted):
            middle = shapely.get_coordinates(shapely.centroid(self.shapes[rows[fitted]]))
            out[fitted] = pose_covariance(middle, self.pose[rows[fitted]], points[fitted])
        return out


def _side(word: str, table: gpd.GeoDataFrame | None, key: str) -> _Side | None:
    if table is None or not len(table):
        return None
    shapes = np.asarray(table.geometry, dtype=object)
    table = table[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    if not len(table):
        return None
    covariance = np.full((len(table), 2, 2), np.nan)
    if "sigma" in table:
        variance = _floats(table["sigma"]) ** 2
        covariance[:] = variance[:, None, None] * np.eye(2)
    elif "cov_ee" in table:
        ee, en, nn = (_floats(table[name]) for name in ("cov_ee", "cov_en", "cov_nn"))
        covariance = np.stack([np.stack([ee, en], axis=1), np.stack([en, nn], axis=1)], axis=1)
    section = _objects(table["section"]) if "section" in table else np.full(len(table), None, dtype=object)
    shapes = np.asarray(table.geometry, dtype=object)
    pose = np.full((len(table), 3, 3), np.nan)
    if set(POSE) <= set(table.columns):
        ee, en, nn, et, nt, tt = (_floats(table[name]) for name in POSE)
        pose = np.stack([np.stack(row, axis=1) for row in ((ee, en, et), (en, nn, nt), (et, nt, tt))], axis=1)
        fitted = np.isfinite(pose).all(axis=(1, 2))
        # only for how far to look; along a line the covariance at its end counts
        lacking = fitted & np.isnan(covariance).any(axis=(1, 2))
        covariance[lacking] = pose[lacking, :2, :2]
    return _Side(word, table, shapes, _objects(table[key]), section, covariance, pose)


def _floats(series: pd.Series) -> _Floats:
    return np.asarray(series.to_numpy(dtype=float, na_value=np.nan), dtype=float)


def _objects(series: pd.Series) -> _Shapes:
    values = series.astype(object)
    return np.asarray(values.where(values.notna(), None), dtype=object)


def _measure(first: _Side, second: _Side, a: _Ints, b: _Ints, rule: str, required: float) -> pd.DataFrame:
    """Rows of the layer for pairs (a, b), without what is not declared in it but for the two positions."""
    found = gaps(first.shapes[a], second.shapes[b])
    ends = shapely.get_coordinates(found.line).reshape(-1, 2, 2)
    variance = sum(np.einsum("ki,kij,kj->k", found.normal, side.covariance_at(rows, ends[:, end]), found.normal)
                   for end, (side, rows) in enumerate(((first, a), (second, b))))  # fmt: skip
    sigma = np.sqrt(np.maximum(variance, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = np.where(sigma > 0, ndtr((required - found.gap) / sigma), (found.gap < required).astype(float))
    chance = np.where(np.isnan(sigma), np.nan, chance)
    pair = f"{first.word} and {second.word}"
    ids_a, ids_b = pd.Series(first.ids[a], dtype=object), pd.Series(second.ids[b], dtype=object)
    section = pd.Series(first.section[a], dtype=object)
    return pd.DataFrame(
        {
            "clearance_id": f"{pair}: " + ids_a.astype(str) + ", " + ids_b.astype(str),
            "pair": pair,
            "a_id": ids_a,
            "b_id": ids_b,
            "section": section.where(section.notna(), pd.Series(second.section[b], dtype=object)),
            "gap": found.gap,
            "required": required,
            "shortfall": np.maximum(required - found.gap, 0.0),
            "gap_sigma": sigma,
            "chance_short": chance,
            "rule": rule,
            "geometry": found.line,
            "a": a,
            "b": b,
        }
    )


def _real(rows: pd.DataFrame, sure: float) -> npt.NDArray[np.bool_]:
    """Where a shortfall is more than the survey's own uncertainty; where that is unknown, any shortfall is."""
    short = rows["shortfall"].to_numpy() > 0
    chance = rows["chance_short"].to_numpy()
    return np.asarray(short & (np.isnan(chance) | (chance >= sure)))


def _listed(rows: pd.DataFrame, sure: float) -> pd.DataFrame:
    """Pairs with a space: only what reaches in, or may for all the survey says."""
    chance = rows["chance_short"].to_numpy()
    keep = (rows["shortfall"].to_numpy() > 0) | (chance > 1.0 - sure)
    return rows[keep].reset_index(drop=True)


def _search_spaces(first: _Side, spaces: _Side, required: float, rules: Mapping[str, float]) -> float:
    """How far to look for pairs with a space so that none that may be short is missed."""
    largest = [np.nanmax(np.trace(side.covariance, axis1=1, axis2=2), initial=0.0) for side in (first, spaces)]
    z = max(float(ndtri(rules["clearance.sure"])), 0.0)
    return required + min(z * float(np.sqrt(sum(largest))), rules["clearance.search"])


def _own_spaces(vaults: _Side, spaces: _Side) -> _Ints:
    """Position of each vault's own space: the one recorded, else the one that holds most of it; -1 for none."""
    recorded = _objects(vaults.table["space_id"]) if "space_id" in vaults.table else np.full(len(vaults.ids), None)
    own = pd.Index(spaces.ids).get_indexer(pd.Index(recorded, dtype=object))
    lacking = np.flatnonzero(pd.isna(recorded))
    if len(lacking):
        near = neighbours(vaults.shapes[lacking], 0.0, spaces.shapes)
        area = shapely.area(shapely.intersection(vaults.shapes[lacking[near.a]], spaces.shapes[near.b]))
        order = np.lexsort((area, near.a))
        order = order[area[order] > 0]
        own[lacking[near.a[order]]] = near.b[order]  # the last written, the largest, stays
    return np.asarray(own, dtype=np.int64)


def clearances(
    vaults: gpd.GeoDataFrame,
    spaces: gpd.GeoDataFrame | None = None,
    monuments: gpd.GeoDataFrame | None = None,
    probable_graves: gpd.GeoDataFrame | None = None,
    obstacles: gpd.GeoDataFrame | None = None,
    drives: gpd.GeoDataFrame | None = None,
    *,
    rules: Mapping[str, float],
    unit: Unit,
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Measure what lies too near what: vaults, monuments, probable graves, obstacles and spaces.

    All pairs with a vault within ``clearance.search`` are listed. Pairs with a space are listed when the vault (of
    another space), obstacle or drive reaches into it, or may for all the survey says. The standard deviation of a gap
    is that of both outlines along the line between them; a space has its own covariance, anything measured its sigma.

    Parameters
    ----------
    vaults, spaces, monuments, probable_graves, obstacles, drives : GeoDataFrame
        Layers of those names, in grid coordinates.
    rules : mapping of str to float
        ``clearance.*``, lengths in the ground's unit.
    unit : Unit
        For the words of the findings.

    Returns
    -------
    table : GeoDataFrame
        The ``clearances`` layer.
    findings : list of Finding
        Only where the shortfall is more than the survey's own uncertainty (``clearance.sure``).

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> vaults = gpd.GeoDataFrame({"vault_id": ["V1", "V2"], "sigma": [0.1, 0.1]},
    ...                           geometry=shapely.box([0.5, 4.5], 2, [3.5, 7.5], 10))
    >>> table, findings = clearances(vaults, rules=Rules(FOOT), unit=FOOT)
    >>> table[["a_id", "b_id", "gap"]].values.tolist(), round(float(table["gap_sigma"][0]), 4), findings
    ([['V1', 'V2', 1.0]], 0.1414, [])
    """
    sure = rules["clearance.sure"]
    vault = _side("vault", vaults, "vault_id")
    space = _side("space", spaces, "space_id")
    tables: list[pd.DataFrame] = []
    findings: list[Finding] = []
    for other, rule in (
        (vault, "clearance.vault_to_vault"),
        (_side("monument", monuments, "monument_id"), "clearance.vault_to_monument"),
        (_side("probable grave", probable_graves, "grave_id"), "clearance.vault_to_grave"),
        (_side("obstacle", obstacles, "obstacle_id"), "clearance.vault_to_obstacle"),
    ):
        if vault is None or other is None:
            continue
        within = max(rules["clearance.search"], rules[rule])
        near = neighbours(vault.shapes, within, None if other is vault else other.shapes)
        rows = _measure(vault, other, near.a, near.b, rule, rules[rule])
        tables.append(rows)
        findings += _short(rows, _real(rows, sure), vault, other, unit)
    if vault is not None and space is not None:
        rule = "clearance.vault_to_space"
        near = neighbours(vault.shapes, _search_spaces(vault, space, rules[rule], rules), space.shapes)
        own = _own_spaces(vault, space)
        foreign = own[near.a] != near.b
        rows = _listed(_measure(vault, space, near.a[foreign], near.b[foreign], rule, rules[rule]), sure)
        tables.append(rows)
        findings += _astray(rows[_real(rows, sure)], space, own, unit)
    if space is not None:
        lost, rows = _obstructions(space, obstacles, drives, rules)
        tables.extend(rows)
        findings += _obstructed(space, lost)
    crs = next((table.crs for table in (vaults, spaces, obstacles, drives) if table is not None), None)
    if not tables:
        return schema.empty(LAYERS["clearances"], crs), findings
    table = pd.concat(tables, ignore_index=True) if len(tables) > 1 else tables[0]
    return schema.restore(table, LAYERS["clearances"], crs), findings


def lost_spaces(
    spaces: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame | None = None,
    drives: gpd.GeoDataFrame | None = None,
    *,
    rules: Mapping[str, float],
) -> pd.DataFrame:
    """Tell which spaces a tree, wall or drive takes, and how much of each.

    Parameters
    ----------
    spaces, obstacles, drives : GeoDataFrame
    rules : mapping of str to float
        ``clearance.obstacle_to_space``: what is nearer than this takes the space; ``clearance.sure``,
        ``clearance.search``.

    Returns
    -------
    DataFrame
        On the index of `spaces`: ``lost`` (bool), ``lost_share`` (of its area, 0 to 1), ``lost_to`` (words).

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = gpd.GeoDataFrame({"space_id": ["A-1-1", "A-1-2"]}, geometry=shapely.box([0, 4], 0, [4, 8], 12))
    >>> tree = gpd.GeoDataFrame({"obstacle_id": ["T1"], "kind": ["tree"]}, geometry=[shapely.box(-3, 0, 1, 12)])
    >>> lost_spaces(spaces, tree, rules=Rules(FOOT)).values.tolist()
    [[True, 0.25, 'tree T1'], [False, 0.0, None]]
    """
    result = pd.DataFrame({"lost": False, "lost_share": 0.0, "lost_to": None}, index=spaces.index).astype(
        {"lost": bool, "lost_share": float, "lost_to": object}
    )
    space = _side("space", spaces, "space_id")
    if space is None:
        return result
    lost, _ = _obstructions(space, obstacles, drives, rules)
    result.loc[lost.index] = lost
    return result


def _obstructions(
    space: _Side,
    obstacles: gpd.GeoDataFrame | None,
    drives: gpd.GeoDataFrame | None,
    rules: Mapping[str, float],
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Rows of `lost_spaces` for the spaces that are, and the clearances behind them."""
    rule = "clearance.obstacle_to_space"
    required, sure = rules[rule], rules["clearance.sure"]
    tables: list[pd.DataFrame] = []
    taken: list[pd.DataFrame] = []
    for other in (_side("obstacle", obstacles, "obstacle_id"), _side("drive", drives, "drive_id")):
        if other is None:
            continue
        near = neighbours(space.shapes, _search_spaces(other, space, required, rules), other.shapes)
        rows = _listed(_measure(other, space, near.b, near.a, rule, required), sure)
        rows["section"] = space.section[rows["b"].to_numpy()]
        tables.append(rows)
        rows = rows[_real(rows, sure)]
        a, b = rows["a"].to_numpy(), rows["b"].to_numpy()
        reach = shapely.buffer(other.shapes, required) if required > 0 else other.shapes
        kind = np.full(len(other.ids), other.word, dtype=object)
        if other.word == "obstacle" and "kind" in other.table:
            kind = _objects(other.table["kind"].fillna(other.word))
        words = pd.Series(kind[a], dtype=object) + " " + pd.Series(other.ids[a], dtype=object)
        taken.append(pd.DataFrame({"b": b, "part": shapely.intersection(space.shapes[b], reach[a]), "words": words}))
    if not taken:
        return pd.DataFrame({"lost": [], "lost_share": [], "lost_to": []}), tables
    all_taken = pd.concat(taken, ignore_index=True).sort_values(["b", "words"], kind="stable")
    first = np.flatnonzero(np.diff(all_taken["b"].to_numpy(), prepend=-1))
    b = all_taken["b"].to_numpy()[first]
    group = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(all_taken))))
    parts = np.asarray(all_taken["part"], dtype=object)
    area = np.bincount(group, shapely.area(parts), minlength=len(first))
    several = np.flatnonzero(np.bincount(group, minlength=len(first)) > 1)
    for one in several:  # the few spaces with two obstacles, whose parts may overlap
        area[one] = shapely.union_all(parts[group == one]).area
    lost = pd.DataFrame(
        {
            "lost": True,
            "lost_share": np.clip(area / shapely.area(space.shapes[b]), 0.0, 1.0),
            "lost_to": all_taken.groupby("b", sort=True)["words"].agg(", ".join).to_numpy(dtype=object),
        },
        index=space.table.index[b],
    )
    return lost, tables


def _say(value: float, unit: Unit) -> str:
    return feet_and_inches(value) if unit.is_foot else say_length(value, unit)


def _chance(value: float) -> str:
    if np.isnan(value):
        return "how sure is not known, a sigma is missing"
    return f"probability {min(value, 0.999):.1%}" if value < 0.999 else "probability over 99.9%"


def _middle(line: Any) -> tuple[float, float]:
    point = line.interpolate(0.5, normalized=True)
    return point.x, point.y


def _short(rows: pd.DataFrame, real: npt.NDArray[np.bool_], vault: _Side, other: _Side, unit: Unit) -> list[Finding]:
    """Make findings "clearance short"; not for two vaults one above the other in one space, which are meant so."""
    keep = real.copy()
    if other is vault and {"space_id", "top_depth"} <= set(vault.table):
        space, depth = _objects(vault.table["space_id"]), _floats(vault.table["top_depth"])
        a, b = rows["a"].to_numpy(), rows["b"].to_numpy()
        one_space = (space[a] == space[b]) & ~pd.isna(space[a])
        keep &= ~(one_space & (np.abs(depth[a] - depth[b]) > 0))
    findings = []
    for row in rows[keep].itertuples(index=False):
        how = f"they overlap by {_say(-row.gap, unit)}" if row.gap < 0 else f"{_say(row.gap, unit)} between them"
        reason = (
            f"{row.pair}: {how}, {_say(row.required, unit)} required, {_say(row.shortfall, unit)} short "
            f"({_chance(row.chance_short)}; rule {row.rule})"
        )
        findings.append(
            find("clearance short", f"{row.a_id}, {row.b_id}", reason, section=row.section, at=_middle(row.geometry))
        )
    return findings


def _astray(rows: pd.DataFrame, space: _Side, own: _Ints, unit: Unit) -> list[Finding]:
    """Make findings "vault astray", one a vault and space; those of one vault are joined when they are tabulated."""
    findings = []
    for row in rows.itertuples(index=False):
        mine = own[row.a]
        whose = f"its own is {space.ids[mine]}" if mine >= 0 else "it is recorded in no space of the plat"
        how = f"reaches {_say(-row.gap, unit)} into" if row.gap < 0 else f"lies {_say(row.gap, unit)} from"
        reason = f"{how} {row.b_id}; {whose} ({_chance(row.chance_short)})"
        findings.append(find("vault astray", row.a_id, reason, section=row.section, at=_middle(row.geometry)))
    return findings


def _obstructed(space: _Side, lost: pd.DataFrame) -> list[Finding]:
    where = space.table.index.get_indexer(lost.index)
    centre = shapely.get_coordinates(shapely.centroid(space.shapes[where]))
    return [
        find("space obstructed", space.ids[row], f"{what} takes {share:.0%} of it", section=space.section[row],
             at=(float(x), float(y)))
        for row, what, share, (x, y) in zip(where, lost["lost_to"], lost["lost_share"], centre, strict=True)
    ]  # fmt: skip
