"""Orientation: which end of each space the heads are at, by rule, and what stones and vaults say about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.errors import Gather, InputError
from cemgis.findings import Finding, find
from cemgis.geometry import long_axis
from cemgis.ground import Heads, HeadsException
from cemgis.units import compass_azimuth, compass_word

__all__ = ["HEADS_COLUMNS", "orient"]

HEADS_COLUMNS = ("heads", "heads_azimuth", "heads_by", "heads_reason", "heads_seen")
"""Columns of the layer ``spaces`` that this module fills."""

_STONES = ("headstone", "shared stone")
"""What stands at the heads. A footstone does not, and a flush stone lies at either end: neither is evidence."""

_Floats = npt.NDArray[np.float64]
_Ints = npt.NDArray[np.int64]
_Flags = npt.NDArray[np.bool_]
_Objects = npt.NDArray[np.object_]


@dataclass(frozen=True)
class _Lie:
    """How spaces lie: centre, long way, and a forward end that is the same for all spaces of a section."""

    centre: _Floats
    azimuth_grid: _Floats
    azimuth_true: _Floats
    length: _Floats
    oblong: _Flags
    section: _Ints
    sections: _Objects
    section_azimuth_true: _Floats


@dataclass(frozen=True)
class _Evidence:
    """What is seen: rows of (space, end) with +1 for the forward end, -1 for the other."""

    space: _Ints
    end: _Ints
    vault: _Flags
    name: _Objects

    def at(self, rows: Any) -> _Evidence:
        return _Evidence(self.space[rows], self.end[rows], self.vault[rows], self.name[rows])


def _turn(degrees: Any) -> _Floats:
    """Angle in -180 to 180 degrees."""
    return np.asarray((np.asarray(degrees, dtype=float) + 180.0) % 360.0 - 180.0)


def _objects(series: pd.Series) -> _Objects:
    values = series.astype(object)
    return np.asarray(values.where(values.notna(), None), dtype=object)


def _axis_of_groups(azimuth: _Floats, weight: _Floats, group: _Ints, n: int) -> _Floats:
    """Mean direction of axes a group, degrees: angles doubled, so that an axis and its reverse are one."""
    doubled = np.radians(2 * azimuth)
    east = np.bincount(group, weight * np.sin(doubled), minlength=n)
    north = np.bincount(group, weight * np.cos(doubled), minlength=n)
    mean = np.degrees(np.arctan2(east, north)) / 2
    return np.where(np.hypot(east, north) > 0, mean % 180.0, np.nan)


def _lie(spaces: gpd.GeoDataFrame, convergence_deg: Any, square: float) -> _Lie:
    shapes = np.asarray(spaces.geometry, dtype=object)
    azimuth, width, length = long_axis(shapes)
    with np.errstate(invalid="ignore"):
        oblong = np.isfinite(azimuth) & (width <= square * length)
    section, sections = pd.factorize(spaces["section"].astype(object), use_na_sentinel=False)
    convergence = np.broadcast_to(np.asarray(convergence_deg, dtype=float), azimuth.shape)
    weight = oblong.astype(float)
    mean = _axis_of_groups(np.nan_to_num(azimuth + convergence), weight, section, len(sections))
    # One forward end for a whole section: otherwise azimuths either side of north would point opposite ways.
    backward = np.abs(_turn(azimuth + convergence - mean[section])) > 90.0
    azimuth = azimuth + 180.0 * backward
    centre = shapely.get_coordinates(shapely.centroid(shapes)) if len(shapes) else np.empty((0, 2))
    there = np.isfinite(length)
    centre = np.full((len(shapes), 2), np.nan)
    centre[there] = shapely.get_coordinates(shapely.centroid(shapes[there]))
    return _Lie(
        centre,
        azimuth % 360.0,
        (azimuth + convergence) % 360.0,
        length,
        oblong,
        np.asarray(section, dtype=np.int64),
        np.asarray(sections, dtype=object),
        mean,
    )


# ---- what is seen ------------------------------------------------------------------------------------------------


def _usable(table: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame | None:
    if table is None or not len(table):
        return None
    shapes = np.asarray(table.geometry, dtype=object)
    table = table[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    return table if len(table) else None


def _recorded(table: pd.DataFrame, space_ids: pd.Index) -> _Ints:
    """Position of the space each row names, -1 for none."""
    if "space_id" not in table:
        return np.full(len(table), -1, dtype=np.int64)
    return np.asarray(space_ids.get_indexer(pd.Index(_objects(table["space_id"]), dtype=object)), dtype=np.int64)


def _largest_share(shapes: _Objects, space_shapes: _Objects) -> _Ints:
    """Position of the space that holds most of each shape, -1 for none."""
    result = np.full(len(shapes), -1, dtype=np.int64)
    one, space = shapely.STRtree(space_shapes).query(shapes, predicate="intersects")
    area = shapely.area(shapely.intersection(shapes[one], space_shapes[space]))
    order = np.lexsort((area, one))
    order = order[area[order] > 0]
    result[one[order]] = space[order]  # the last written, the largest, stays
    return result


def _vault_evidence(
    vaults: gpd.GeoDataFrame | None,
    spaces: gpd.GeoDataFrame,
    lie: _Lie,
    convergence: _Floats,
    limit: float,
    square: float,
) -> tuple[_Evidence, list[Finding]]:
    vaults = _usable(vaults)
    if vaults is None or "heads" not in vaults:
        return _no_evidence(), []
    vaults = vaults[vaults["heads"].notna()]
    findings: list[Finding] = []
    azimuth_of: dict[str, float] = {}
    for word in pd.unique(vaults["heads"].astype(object)):
        try:
            azimuth_of[word] = compass_azimuth(word)
        except InputError:
            named = list(vaults.loc[vaults["heads"] == word, "vault_id"].astype(str))
            shown = ", ".join(named[:5]) + (f" and {len(named) - 5} more" if len(named) > 5 else "")
            reason = f"its heads {str(word)[:40]!r} is not a compass direction"
            findings.append(find("feature broken", f"vaults: {shown}", reason))
    vaults = vaults[vaults["heads"].isin(list(azimuth_of))]
    if not len(vaults):
        return _no_evidence(), findings
    shapes = np.asarray(vaults.geometry, dtype=object)
    space = _recorded(vaults, pd.Index(_objects(spaces["space_id"]), dtype=object))
    lacking = np.flatnonzero(space < 0)
    space[lacking] = _largest_share(shapes[lacking], np.asarray(spaces.geometry, dtype=object))
    told = space >= 0
    shapes, space, vaults = shapes[told], space[told], vaults[told]
    said = vaults["heads"].map(azimuth_of).to_numpy(dtype=float)
    # The word is a side of the compass; the head end is the end of the vault itself that lies nearest to it.
    own, width, length = long_axis(shapes)
    own = own + convergence[space]
    own = np.where(np.abs(_turn(own - said)) <= 90.0, own, own + 180.0)
    head = np.where(width <= square * length, own, said)
    off = np.abs(_turn(head - lie.azimuth_true[space]))
    end = np.where(off <= limit, 1, np.where(off >= 180.0 - limit, -1, 0))
    seen = _Evidence(space, end.astype(np.int64), np.ones(len(space), dtype=bool), _objects(vaults["vault_id"]))
    return seen.at((seen.end != 0) & lie.oblong[space]), findings


def _no_evidence() -> _Evidence:
    none = np.empty(0, dtype=np.int64)
    return _Evidence(none, none, np.empty(0, dtype=bool), np.empty(0, dtype=object))


def _stone_evidence(
    monuments: gpd.GeoDataFrame | None, spaces: gpd.GeoDataFrame, lie: _Lie, rules: Mapping[str, float]
) -> _Evidence:
    monuments = _usable(monuments)
    if monuments is None or "kind" not in monuments:
        return _no_evidence()
    monuments = monuments[monuments["kind"].isin(_STONES)]
    if not len(monuments):
        return _no_evidence()
    shapes = np.asarray(monuments.geometry, dtype=object)
    space_shapes = np.asarray(spaces.geometry, dtype=object)
    shared = (monuments["kind"] == "shared stone").to_numpy(dtype=bool)
    recorded = _recorded(monuments, pd.Index(_objects(spaces["space_id"]), dtype=object))
    where = shapely.get_coordinates(shapely.centroid(shapes))

    # Pairs of a stone and a space with the share of the stone that the space holds.
    tree = shapely.STRtree(space_shapes)
    asked = np.flatnonzero(shared | (recorded < 0))
    stone, space = tree.query(shapes[asked], predicate="intersects")
    stone = asked[stone]
    weight = shapely.area(shapely.intersection(shapes[stone], space_shapes[space]))
    # A stone outside every space counts for the nearest, by nearness.
    held = np.zeros(len(shapes), dtype=bool)
    held[stone[weight > 0]] = True
    outside = asked[~held[asked]]
    reach = rules["heads.stone_reach"]
    out, near = tree.query(shapes[outside], predicate="dwithin", distance=reach)
    out = outside[out]
    distance = shapely.distance(shapes[out], space_shapes[near])
    stone = np.concatenate([stone, out])
    space = np.concatenate([space, near])
    weight = np.concatenate([weight, 1.0 / np.maximum(distance, 1e-3 * max(reach, 1e-3))])
    keep = (weight > 0) & lie.oblong[space]
    stone, space, weight = stone[keep], space[keep], weight[keep]
    weight = weight / np.bincount(stone, weight, minlength=len(shapes))[stone]

    end = _end_of(where[stone], space, lie, rules["heads.middle"])
    least = rules["heads.stone_share"]
    forward = np.bincount(stone, weight * (end > 0), minlength=len(shapes))
    rearward = np.bincount(stone, weight * (end < 0), minlength=len(shapes))
    # On the line between the heads of one row and the feet of the next a stone could be either's.
    unclear = (forward >= least) & (rearward >= least)
    winner = np.where(forward > rearward, 1, -1)
    largest = np.zeros(len(shapes))
    np.maximum.at(largest, stone, weight)
    share = np.where(shared[stone], weight >= least, weight >= largest[stone])
    counts = ~unclear[stone] & (end == winner[stone]) & share & ~(~shared[stone] & (recorded[stone] >= 0))
    # A stone that names its space speaks for it.
    named = np.flatnonzero(recorded >= 0)
    named = named[lie.oblong[recorded[named]]]
    named_end = _end_of(where[named], recorded[named], lie, rules["heads.middle"])
    named, named_end = named[named_end != 0], named_end[named_end != 0]
    # A shared stone that names one space counts for the others only at the same end.
    end_named = np.zeros(len(shapes), dtype=np.int64)
    end_named[named] = named_end
    counts &= (end_named[stone] == 0) | ((end == end_named[stone]) & (space != recorded[stone]))
    stone = np.concatenate([stone[counts], named])
    space = np.concatenate([space[counts], recorded[named]])
    end = np.concatenate([end[counts], named_end])
    return _Evidence(space, end, np.zeros(len(stone), dtype=bool), _objects(monuments["monument_id"])[stone])


def _end_of(points: _Floats, space: _Ints, lie: _Lie, middle: float) -> _Ints:
    """End of its space each point is nearer: +1 forward, -1 the other, 0 about the middle."""
    angle = np.radians(lie.azimuth_grid[space])
    away = points - lie.centre[space]
    along = (away[:, 0] * np.sin(angle) + away[:, 1] * np.cos(angle)) / (lie.length[space] / 2)
    return np.where(np.abs(along) <= middle, 0, np.sign(along)).astype(np.int64)


# ---- the rules ---------------------------------------------------------------------------------------------------


def _row_azimuths(lie: _Lie, row: _Ints, n_rows: int, convergence: _Floats) -> _Floats:
    """Direction of the row of each space from true north, 0 to 180 degrees; from how its spaces' centres are spread.

    A row too short to have a direction of its own, or one that lies across all others, takes its section's.
    """
    known = (row >= 0) & np.isfinite(lie.centre[:, 0])
    group, centre = row[known], lie.centre[known]
    count = np.bincount(group, minlength=n_rows)
    total = np.column_stack([np.bincount(group, centre[:, axis], minlength=n_rows) for axis in (0, 1)])
    off = centre - total[group] / count[group, None]
    ee, en, nn = (np.bincount(group, off[:, i] * off[:, j], minlength=n_rows) for i, j in ((0, 0), (0, 1), (1, 1)))
    # Principal axis of the scatter; its strength is the difference of the two principal sums of squares.
    own = np.degrees(np.arctan2(2 * en, nn - ee)) / 2
    strength = np.hypot(nn - ee, 2 * en)
    section_of_row = np.zeros(n_rows, dtype=np.int64)
    section_of_row[group] = lie.section[known]
    convergence_of_row = np.bincount(group, convergence[known], minlength=n_rows) / np.maximum(count, 1)
    own = own + convergence_of_row
    general = _axis_of_groups(own, strength, section_of_row, len(lie.sections))[section_of_row]
    across = np.abs(_turn(2 * (own - general))) > 90.0  # more than 45 degrees, angles doubled
    direction = np.where(across | (strength <= 0), general, own)
    result = np.full(len(row), np.nan)
    result[known] = direction[group] % 180.0
    return result


def _nearest_end(axis: _Floats, side: _Floats, limit: float) -> _Ints:
    """+1 where the axis points to the side, -1 where its reverse does, 0 where neither does clearly."""
    off = np.abs(_turn(axis - side))
    with np.errstate(invalid="ignore"):
        return np.where(off <= limit, 1, np.where(off >= 180.0 - limit, -1, 0)).astype(np.int64)


def _last_laid(
    lie: _Lie, row: _Ints, n_rows: int, evidence: _Evidence, laid: _Objects
) -> tuple[_Ints, _Ints, _Objects]:
    """End of the latest burials: a row's own, else the nearest row's; per row, with how it was got and its section.

    Returns
    -------
    end : int array (n_rows,)
        0 where nothing tells.
    how : int array (n_rows,)
        0 own, 1 the nearest row's, 2 the latest burials of the row disagree.
    """
    end = np.zeros(n_rows, dtype=np.int64)
    how = np.zeros(n_rows, dtype=np.int64)
    centre = np.full((n_rows, 2), np.nan)
    section = np.full(n_rows, -1, dtype=np.int64)
    known = np.flatnonzero((row >= 0) & np.isfinite(lie.centre[:, 0]))
    count = np.bincount(row[known], minlength=n_rows)
    total = [np.bincount(row[known], lie.centre[known, axis], minlength=n_rows) for axis in (0, 1)]
    centre[count > 0] = np.column_stack(total)[count > 0] / count[count > 0, None]
    section[row[known]] = lie.section[known]
    seen = pd.DataFrame(
        {
            "row": row[evidence.space],
            "date": laid[evidence.space],
            "vault": evidence.vault,
            "end": evidence.end,
        }
    )
    seen = seen[seen["row"] >= 0]
    if len(seen):
        latest = seen.groupby("row")["date"].transform("max")
        seen = seen[seen["date"] == latest]
        seen = seen[seen["vault"] == seen.groupby("row")["vault"].transform("max")]
        ends = seen.groupby("row")["end"].agg(["min", "max"])
        agreed = (ends["min"] == ends["max"]).to_numpy()
        rows = ends.index.to_numpy()
        end[rows[agreed]] = ends["max"].to_numpy()[agreed]
        how[rows[~agreed]] = 2
    for one in np.unique(section[section >= 0]):
        told = np.flatnonzero((section == one) & (end != 0))
        open_rows = np.flatnonzero((section == one) & (end == 0) & (how == 0))
        if len(told) and len(open_rows):
            apart = np.hypot(*(centre[open_rows, None] - centre[None, told]).transpose(2, 0, 1))
            end[open_rows] = end[told[apart.argmin(axis=1)]]
            how[open_rows] = 1
    return end, how, section.astype(object)


def _latest_interment(events: pd.DataFrame | None, space_ids: pd.Index) -> _Objects:
    """Date of the latest interment in each space as text; empty where none is dated."""
    laid = np.full(len(space_ids), "", dtype=object)
    if events is None or not len(events):
        return laid
    events = events[(events["kind"] == "interment") & events["date"].notna()]
    where = space_ids.get_indexer(pd.Index(_objects(events["space_id"]), dtype=object))
    dates = np.asarray(events["date"].astype(object), dtype=object)[where >= 0]
    latest = pd.Series(dates, dtype=object).groupby(where[where >= 0]).max()
    laid[latest.index.to_numpy()] = latest.to_numpy()
    return laid


def orient(
    spaces: gpd.GeoDataFrame,
    heads: Mapping[str, Heads],
    *,
    rules: Mapping[str, float],
    convergence_deg: float | npt.ArrayLike = 0.0,
    rows: pd.Series | None = None,
    monuments: gpd.GeoDataFrame | None = None,
    vaults: gpd.GeoDataFrame | None = None,
    events: pd.DataFrame | None = None,
    exceptions: Iterable[HeadsException] = (),
) -> tuple[pd.DataFrame, list[Finding]]:
    """Say at which end of each space the heads are, and where stones or vaults say otherwise.

    Heads lie along the long way of a space, at the end nearer to the side of the rule: a compass side (true), an end
    of the rows (``axis = "rows"``) or of the spaces' common long way (``axis = "lots"``), or the way of the latest
    burials in the row, else in the nearest row. Which *end* is all that counts; skew never does. Where the rule's side
    is farther off the long way than ``heads.skew_limit``, or nothing tells, the heads stay open. A space about as wide
    as long has no long way, and its heads are not stated.

    Evidence: the recorded head end of a vault, and headstones by the end they stand at. A headstone counts for the
    space it names, else for the one that holds most of it; a shared stone for every space that holds a good part of
    it. Footstones and flush stones are no evidence, nor is a stone about the middle or between heads and feet. Under
    "as last laid" an older burial that lies the other way is stated in ``heads_seen`` and is no finding.

    Parameters
    ----------
    spaces : GeoDataFrame
        ``space_id``, ``section`` and polygons in grid coordinates.
    heads : mapping of section to `cemgis.ground.Heads`
        A section that is not there follows common practice, west.
    rules : mapping of str to float
        ``heads.*``.
    convergence_deg : float or array (n,)
        True azimuth = grid azimuth + convergence.
    rows : Series, optional
        Row of each space on the index of `spaces`; missing where there is none. Default: its column ``row``.
    monuments, vaults, events : tables, optional
        Layers of those names.
    exceptions : HeadsException

    Returns
    -------
    table : DataFrame
        `HEADS_COLUMNS` on the index of `spaces`; ``heads_azimuth`` from feet to heads, from true north.
    findings : list of Finding
        ``heads disagree`` once for a section most of whose evidence is against the rule, else a space;
        ``heads unknown`` a section.

    Raises
    ------
    InputError
        When an exception names a space that does not exist.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> spaces = gpd.GeoDataFrame({"space_id": ["A-1-1", "A-1-2"], "section": "A"},
    ...                           geometry=shapely.box(0, [0, 4], 12, [4, 8]))
    >>> stone = gpd.GeoDataFrame({"monument_id": ["M1"], "kind": ["headstone"]}, geometry=[shapely.box(10, 1, 11, 3)])
    >>> table, findings = orient(spaces, {}, rules=Rules(FOOT), convergence_deg=-0.5, monuments=stone)
    >>> table["heads"].tolist(), table["heads_azimuth"].tolist(), table["heads_seen"].tolist()
    (['west', 'west'], [269.5, 269.5], ['disagrees', 'not seen'])
    >>> print(findings[0].reason)
    stone M1 stands at the east end; the rule says west
    """
    limit, square = rules["heads.skew_limit"], rules["heads.square"]
    n = len(spaces)
    lie = _lie(spaces, convergence_deg, square)
    convergence = np.broadcast_to(np.asarray(convergence_deg, dtype=float), (n,))
    space_ids = pd.Index(_objects(spaces["space_id"]), dtype=object)
    row_names = spaces.get("row") if rows is None else rows
    row, n_rows = _row_numbers(row_names, spaces, lie)

    from_vaults, findings = _vault_evidence(vaults, spaces, lie, convergence, limit, square)
    from_stones = _stone_evidence(monuments, spaces, lie, rules)
    evidence = _Evidence(
        *(np.concatenate([getattr(from_vaults, name), getattr(from_stones, name)])
          for name in ("space", "end", "vault", "name"))
    )  # fmt: skip

    # ---- by rule: end of each space (+1 forward, -1 the other, 0 open), and the side in words
    end = np.zeros(n, dtype=np.int64)
    side = np.full(n, None, dtype=object)
    by = np.full(n, None, dtype=object)
    reason = np.full(n, None, dtype=object)
    unknown: dict[int, list[str]] = {}
    last_laid = np.zeros(n, dtype=bool)
    row_azimuth: _Floats | None = None
    for number, name in enumerate(lie.sections):
        rule = heads.get(name) or Heads("side", "west", None, given=False)
        here = np.flatnonzero((lie.section == number) & lie.oblong)
        by[here] = "section rule" if rule.given else "default"
        if not len(here):
            continue
        if rule.kind == "as last laid":
            last_laid[here] = True
            by[here] = "as last laid"
            continue
        word = str(rule.side)
        towards = np.full(len(here), compass_azimuth(word))
        if rule.axis == "lots":
            mean = np.full(len(here), lie.section_azimuth_true[number])
            end[here] = _nearest_end(mean, towards, limit)
        elif rule.axis == "rows":
            if row_azimuth is None:
                row_azimuth = _row_azimuths(lie, row, n_rows, convergence)
            along = row_azimuth[here]
            row_end = _nearest_end(along, towards, limit)
            end[here] = row_end * _nearest_end(lie.azimuth_true[here], along, limit)
            if np.isnan(along).any():
                unknown.setdefault(number, []).append(f"no row is known for {int(np.isnan(along).sum())} of its spaces")
        else:
            end[here] = _nearest_end(lie.azimuth_true[here], towards, limit)
        side[here[end[here] != 0]] = word
        lying = here[end[here] == 0]
        if len(lying) and number not in unknown:
            way = compass_word(float(lie.azimuth_true[lying[0]]) % 180.0)
            back = compass_word(float(lie.azimuth_true[lying[0]]) % 180.0 + 180.0)
            ids = ", ".join(space_ids[lying[:3]]) + (" ..." if len(lying) > 3 else "")
            unknown[number] = [
                f"{len(lying)} of {len(here)} spaces lie {way} to {back}, the rule says {rule.words} ({ids})"
            ]
    if last_laid.any():
        _lay_last(lie, row, n_rows, evidence, last_laid, _latest_interment(events, space_ids), end, side, unknown)

    # ---- exceptions
    excepted = _exceptions(exceptions, space_ids, lie, limit, end, side, by, reason)

    # ---- what is seen against it
    forward = np.where(end[evidence.space] == 0, 0, evidence.end * end[evidence.space])
    against = np.zeros(n, dtype=bool)
    agree = np.zeros(n, dtype=bool)
    against[evidence.space[forward < 0]] = True
    agree[evidence.space[forward > 0]] = True
    seen = np.where(against, "disagrees", np.where(agree, "agrees", "not seen"))

    azimuth = np.where(end == 0, np.nan, (lie.azimuth_true + np.where(end < 0, 180.0, 0.0)) % 360.0)
    table = pd.DataFrame(
        {
            "heads": pd.array(side, dtype="string"),
            "heads_azimuth": pd.Series(pd.array(azimuth, dtype="Float64")).mask(np.isnan(azimuth)).array,
            "heads_by": pd.Series(by).where(~pd.isna(side), None).astype("string").array,
            "heads_reason": pd.array(reason, dtype="string"),
            "heads_seen": pd.array(seen, dtype="string"),
        },
        index=spaces.index,
    )
    findings += [
        find("heads unknown", lie.sections[number], "; ".join(reasons), section=lie.sections[number])
        for number, reasons in unknown.items()
    ]
    findings += _disagreements(lie, space_ids, evidence.at(forward < 0), against, agree, excepted, last_laid, side)
    return table, findings


def _row_numbers(names: pd.Series | None, spaces: gpd.GeoDataFrame, lie: _Lie) -> tuple[_Ints, int]:
    """Give each space the number of its row, counted over all sections; -1 where no row is known."""
    if names is None:
        return np.full(len(spaces), -1, dtype=np.int64), 0
    values = _objects(names.reindex(spaces.index))
    code, found = pd.factorize(pd.Series(values, dtype=object))
    number = np.where(code < 0, -1, lie.section * max(len(found), 1) + code)
    row, kept = pd.factorize(pd.Series(number).where(number >= 0))
    return np.asarray(row, dtype=np.int64), len(kept)


def _lay_last(
    lie: _Lie, row: _Ints, n_rows: int, evidence: _Evidence, asked: _Flags, laid: _Objects,
    end: _Ints, side: _Objects, unknown: dict[int, list[str]],
) -> None:  # fmt: skip
    """Fill end and side of the spaces asked for with the way of the latest burials in their row."""
    # Where a section has no rows it is one row itself.
    lone = (row < 0) & asked
    number = np.where(lone, n_rows + lie.section, row)
    row_end, how, _ = _last_laid(lie, number, n_rows + len(lie.sections), evidence, laid)
    here = np.flatnonzero(asked)
    end[here] = row_end[number[here]]
    azimuth = lie.section_azimuth_true[lie.section] + np.where(end < 0, 180.0, 0.0)
    told = here[end[here] != 0]
    words = {
        (section, sign): compass_word(float(azimuth[told[np.flatnonzero((lie.section[told] == section)
                                                                       & (end[told] == sign))[0]]]))
        for section, sign in set(zip(lie.section[told].tolist(), end[told].tolist(), strict=True))
    }  # fmt: skip
    side[told] = [words[key] for key in zip(lie.section[told].tolist(), end[told].tolist(), strict=True)]
    for section in np.unique(lie.section[here[end[here] == 0]]):
        mine = here[(lie.section[here] == section) & (end[here] == 0)]
        torn = int((how[number[mine]] == 2).sum())
        reasons = [f"as last laid: no burial shows the way for {len(mine) - torn} spaces"] if torn < len(mine) else []
        if torn:
            reasons.append(f"as last laid: the latest burials in the row disagree, {torn} spaces")
        unknown.setdefault(int(section), []).extend(reasons)


def _exceptions(
    exceptions: Iterable[HeadsException], space_ids: pd.Index, lie: _Lie, limit: float,
    end: _Ints, side: _Objects, by: _Objects, reason: _Objects,
) -> _Flags:  # fmt: skip
    """Fill in the spaces with a rule of their own; return which they are."""
    excepted = np.zeros(len(space_ids), dtype=bool)
    gather = Gather()
    for item in exceptions:
        place = space_ids.get_indexer(pd.Index([item.space], dtype=object))[0]
        if place < 0:
            gather.add(item.where, f"there is no space {item.space!r}", "Write its id as in the layer spaces.")
            continue
        azimuth = compass_azimuth(item.heads, item.where)
        if lie.oblong[place]:
            end[place] = _nearest_end(lie.azimuth_true[[place]], np.array([azimuth]), limit)[0]
            if end[place] == 0:
                lies = compass_word(float(lie.azimuth_true[place]))
                gather.add(
                    item.where,
                    f"space {item.space} lies to the {lies}, neither end of it is the {item.heads} end",
                    "Write the side of one of its ends.",
                )
        side[place], by[place], reason[place] = item.heads, "exception", item.reason
        excepted[place] = True
    gather.raise_if_any()
    return excepted


def _disagreements(
    lie: _Lie, space_ids: pd.Index, contrary: _Evidence, against: _Flags, agree: _Flags,
    excepted: _Flags, last_laid: _Flags, side: _Objects,
) -> list[Finding]:  # fmt: skip
    """One finding for a section that is mostly laid the other way, else one for each space."""
    counted = (against | agree) & ~excepted & ~last_laid
    n_against = np.bincount(lie.section[counted & against], minlength=len(lie.sections))
    n_seen = np.bincount(lie.section[counted], minlength=len(lie.sections))
    # A single stone does not speak for a section, not even one shared by two spaces.
    things = pd.DataFrame({"section": lie.section[contrary.space], "vault": contrary.vault, "name": contrary.name})
    things = things[(counted & against)[contrary.space]].drop_duplicates()
    n_things = np.bincount(things["section"], minlength=len(lie.sections))
    turned = (n_things >= 2) & (2 * n_against > n_seen)
    findings = []
    for number in np.flatnonzero(turned):
        mine = np.flatnonzero(counted & against & (lie.section == number))
        at = lie.centre[mine].mean(axis=0)
        word = side[mine[0]]
        name = lie.sections[number]
        findings.append(
            find(
                "heads disagree",
                name,
                f"{n_against[number]} of {n_seen[number]} spaces with stones or vaults have the heads at the "
                f"{_opposite(word)} end; the rule says {word}",
                section=name,
                at=(float(at[0]), float(at[1])),
            )
        )
    single = against & ~last_laid & (excepted | ~turned[lie.section])
    single |= against & last_laid & excepted
    for row in np.flatnonzero(single[contrary.space]):
        place = contrary.space[row]
        what = (
            f"vault {contrary.name[row]} has its head" if contrary.vault[row] else f"stone {contrary.name[row]} stands"
        )
        whose = "exception" if excepted[place] else "rule"
        findings.append(
            find(
                "heads disagree",
                space_ids[place],
                f"{what} at the {_opposite(side[place])} end; the {whose} says {side[place]}",
                section=lie.sections[lie.section[place]],
                at=(float(lie.centre[place, 0]), float(lie.centre[place, 1])),
            )
        )
    return findings


def _opposite(word: str) -> str:
    return compass_word(compass_azimuth(word) + 180.0, 16)
