"""Occupations told apart: which are of one marker, and which labels were read at two places."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from cemgis.adjust import chi2_limit
from cemgis.findings import Finding, find
from cemgis.occupations.numbers import ReadingNumbers, floats_of, millis_of, positions_of, texts_of
from cemgis.places import carries_section, label_key
from cemgis.units import Unit, say_length

__all__ = ["Agreement", "agreement_of", "marker_keys", "settle_occupations", "weighted_means"]


_ROUNDS = 20


def marker_keys(labels: pd.Series, sections: pd.Series | None = None) -> pd.Series:
    """Key under which labels of one marker meet; a bare lot number takes its file's section.

    Parameters
    ----------
    labels : Series of str, (n,)
    sections : Series of str, (n,), optional
        Section of labels that carry none.

    Returns
    -------
    Series of str, (n,)
        Empty where there is no label.

    Examples
    --------
    >>> marker_keys(pd.Series(["b 016", "16", None]), pd.Series(["C", "B", "B"])).tolist()
    ['B-16', 'B-16', '']
    """
    labels = labels.astype("string")
    if sections is None:
        known = {label: label_key(label) for label in labels.dropna().unique()}
        return labels.map(known).fillna("").astype("string")
    pairs = pd.DataFrame({"label": labels, "section": sections.astype("string")}).fillna("")
    distinct = pairs.drop_duplicates()
    keys = []
    for label, section in zip(distinct["label"], distinct["section"], strict=True):
        key = label_key(label)
        keys.append(label_key(f"{section}-{label}") if key and section and not carries_section(key) else key)
    return pairs.merge(distinct.assign(key=keys), how="left")["key"].set_axis(labels.index).astype("string")


def settle_occupations(
    occupations: gpd.GeoDataFrame, numbers: ReadingNumbers
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Say which marker each occupation belongs to, and which do not agree with the others of it.

    Occupations of one key lie at one place if they are nearer than the least distance of two markers and their own
    errors together. Of three or more that disagree, the one that fits the others least is left out, until the rest
    agree; of two both stay, and the marker is as unsure as they are far apart.

    Parameters
    ----------
    occupations : GeoDataFrame
        From `make_occupations`.
    numbers : ReadingNumbers

    Returns
    -------
    occupations : GeoDataFrame
        On the same index, with ``used``, ``why_not`` and ``marker_id``.
    findings : list of Finding
        ``marker at two places`` and ``occupations disagree``.
    """
    xy = positions_of(occupations)
    key = occupations["key"].to_numpy(dtype=object)
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool) & np.isfinite(xy).all(axis=1)
    sigma = np.sqrt(floats_of(occupations, "cov_ee"))
    rows = np.flatnonzero(used)
    place = np.full(len(occupations), -1, dtype=np.int64)
    place[rows] = _places(key[rows], xy[rows], sigma[rows], numbers)
    ids = _marker_ids(key, place, millis_of(occupations, "start"), xy)
    why = texts_of(occupations, "why_not").to_numpy(dtype=object, na_value=None)
    findings = _two_places(occupations, key, ids, xy, used, numbers.unit)

    left = used.copy()
    codes = pd.factorize(ids)[0]
    # each round leaves out at most one occupation a marker
    for _ in range(_ROUNDS):
        fit = agreement_of(codes, xy, sigma, left, numbers)
        drop = np.unique(fit.worst[fit.bad & (fit.n >= 3)])
        if not len(drop):
            break
        left[drop] = False
    fit = agreement_of(codes, xy, sigma, left, numbers)
    dropped = np.flatnonzero(used & ~left)
    why[dropped] = [
        f"differs by {numbers.say(miss)} from the other occupations of this marker" for miss in fit.miss[dropped]
    ]
    members_of = pd.DataFrame({"code": codes[used]}, index=np.flatnonzero(used)).groupby("code").groups
    names = texts_of(occupations, "occupation_id").to_numpy(dtype=object, na_value=None)
    for number in sorted({*codes[dropped].tolist(), *np.flatnonzero(fit.bad).tolist()}):
        members = np.asarray(members_of[number])
        reach = float(np.hypot(*np.ptp(xy[members], axis=0)))
        said = [
            f"{int(left[members].sum())} of {len(members)} occupations agree; they lie up to {numbers.say(reach)} apart"
        ]
        if fit.bad[number]:
            said = [f"its {int(left[members].sum())} occupations lie up to {numbers.say(reach)} apart"]
        said += [f"{names[row]} {why[row]}" for row in members[~left[members]][:3]]
        east, north = xy[members].mean(axis=0).tolist()
        findings.append(find("occupations disagree", ids[members[0]], "; ".join(said), at=(east, north)))
    out = occupations.copy()
    out["used"] = pd.Series(left, index=occupations.index, dtype="boolean")
    out["why_not"] = pd.Series(why, index=occupations.index, dtype="string")
    out["marker_id"] = pd.Series(ids, index=occupations.index, dtype="string")
    return out, findings


def _places(key: np.ndarray, xy: np.ndarray, sigma: np.ndarray, numbers: ReadingNumbers) -> np.ndarray:
    """Return the number of the place of each occupation: those of one key near enough to be one marker share it."""
    if not len(key):
        return np.empty(0, dtype=np.int64)
    codes = pd.factorize(key)[0]
    reach = float(np.sqrt(chi2_limit(numbers.alpha, 2)))
    sharp = reach * np.sqrt(2.0) * sigma <= numbers.two_places
    has_sharp = np.zeros(codes.max() + 1, dtype=bool)
    has_sharp[codes[sharp]] = True
    # a coarse occupation must not bridge two places that sharp ones tell apart: it joins the nearer of them
    core = sharp | ~has_sharp[codes]
    widest = np.zeros(codes.max() + 1)
    np.maximum.at(widest, codes[core], reach * np.sqrt(2.0) * sigma[core])
    within = (widest + numbers.two_places)[codes]
    place = np.full(len(key), -1, dtype=np.int64)
    place[core] = _linked(codes[core], xy[core], within[core])
    rest = np.flatnonzero(~core)
    if len(rest):
        # keys lie in layers farther apart than any two points of one ground
        layer = 1e9
        tree = cKDTree(np.column_stack([xy[core], codes[core] * layer]))
        distance, nearest = tree.query(np.column_stack([xy[rest], codes[rest] * layer]))
        other = sigma[core][nearest]
        joins = distance <= numbers.two_places + reach * np.hypot(sigma[rest], other)
        place[rest[joins]] = place[core][nearest[joins]]
        alone = rest[~joins]
        if len(alone):
            own = _linked(codes[alone], xy[alone], numbers.two_places + reach * np.sqrt(2.0) * sigma[alone])
            place[alone] = place.max() + 1 + own
    return place


def _linked(codes: np.ndarray, xy: np.ndarray, within: np.ndarray) -> np.ndarray:
    """Single linkage within each code: components of points nearer to one another than `within`.

    Points are gathered in cells whose diagonal is `within` first, so that many readings of one spot cost no pairs.
    """
    order = np.argsort(codes, kind="stable")
    _, first = np.unique(codes[order], return_index=True)
    origin = np.zeros((codes.max() + 1, 2))
    origin[codes[order][first]] = xy[order][first]
    scale = np.zeros(codes.max() + 1)
    np.maximum.at(scale, codes, within)
    scaled = (xy - origin[codes]) / scale[codes, None]
    cells = np.floor(scaled * np.sqrt(2.0)).astype(np.int64)
    frame = pd.DataFrame({"code": codes, "cx": cells[:, 0], "cy": cells[:, 1], "x": scaled[:, 0], "y": scaled[:, 1]})
    by = frame.groupby(["code", "cx", "cy"])
    cell = by.ngroup().to_numpy()
    middle = by[["x", "y"]].mean().reset_index()
    tree = cKDTree(np.column_stack([middle["x"], middle["y"], middle["code"] * 1e9]))
    pairs = tree.query_pairs(1.0, output_type="ndarray")
    n = len(middle)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    parts = connected_components(graph, directed=False)[1]
    place: np.ndarray = parts[cell].astype(np.int64)
    return place


def _marker_ids(key: np.ndarray, place: np.ndarray, start: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Id of the marker of each occupation: its key, numbered in the order found when there are several places."""
    frame = pd.DataFrame({"key": key, "place": place, "start": start, "x": xy[:, 0], "y": xy[:, 1]})
    real = frame[frame["place"] >= 0]
    places = real.groupby(["key", "place"], as_index=False)[["start", "x", "y"]].min()
    places = places.sort_values(["key", "start", "x", "y"], kind="stable")
    places["number"] = places.groupby("key").cumcount() + 1
    places["of"] = places.groupby("key")["place"].transform("size")
    places["id"] = places["key"].where(places["of"] == 1, places["key"] + " (" + places["number"].astype(str) + ")")
    joined = frame.merge(places[["key", "place", "id"]], how="left", on=["key", "place"])["id"]
    # an occupation without a position goes with the first place of its key
    first = places.drop_duplicates("key").set_index("key")["id"]
    again = frame["key"].map(first).to_numpy(dtype=object)
    own = joined.to_numpy(dtype=object)
    ids: np.ndarray = np.where(pd.notna(own), own, np.where(pd.notna(again), again, key))
    return ids


def _two_places(
    occupations: gpd.GeoDataFrame, key: np.ndarray, ids: np.ndarray, xy: np.ndarray, used: np.ndarray, unit: Unit
) -> list[Finding]:
    """Make the findings for keys read at several places."""
    frame = pd.DataFrame(
        {"key": key, "id": ids, "x": xy[:, 0], "y": xy[:, 1], "file": texts_of(occupations, "file")},
    )[used]
    counts = frame.groupby("key")["id"].transform("nunique")
    found = []
    for name, part in frame[(counts > 1).to_numpy(dtype=bool)].groupby("key"):
        middle = part.groupby("id")[["x", "y"]].mean()
        far = float(np.hypot(*(middle.max() - middle.min())))
        files = ", ".join(part["file"].astype(str).unique()[:3])
        said = f"read at {len(middle)} places up to {say_length(far, unit, 1)} apart ({files})"
        east, north = middle.iloc[0].tolist()
        found.append(find("marker at two places", name, said, at=(east, north)))
    return found


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the occupations of each marker agree, (n_markers,), and how far each misses the mean, (n,)."""

    n: np.ndarray
    bad: np.ndarray
    worst: np.ndarray
    miss: np.ndarray


def agreement_of(
    codes: np.ndarray, xy: np.ndarray, sigma: np.ndarray, use: np.ndarray, numbers: ReadingNumbers
) -> Agreement:
    """Return how well the occupations of each marker agree, and which of them does not."""
    n_markers = int(codes.max()) + 1 if len(codes) else 0
    n = np.bincount(codes[use], minlength=n_markers)
    mean, weight = weighted_means(codes, xy, np.where(use, sigma**-2.0, 0.0), n_markers)
    miss = np.hypot(*(xy - mean[codes]).T)
    square = np.where(use, (miss / sigma) ** 2, 0.0)
    total = np.bincount(codes, square, minlength=n_markers)
    with np.errstate(invalid="ignore", divide="ignore"):
        limit = chi2_limit(numbers.alpha, np.maximum(2 * (n - 1), 1))
        # residual over its own standard deviation: the mean leans on each occupation
        own = np.sqrt(np.maximum(sigma**2 - 1.0 / weight[codes], 0.0))
        score = np.where(use, miss / np.where(own > 0, own, np.inf), -1.0)
    reach = np.zeros(n_markers)
    np.maximum.at(reach, codes[use], miss[use])
    bad = (n > 1) & (total > limit) & (2.0 * reach > numbers.agree)
    order = np.lexsort((score, codes))
    last = np.flatnonzero(np.diff(codes[order], append=-1))
    worst = np.zeros(n_markers, dtype=np.int64)
    worst[codes[order][last]] = order[last]
    return Agreement(n, bad, worst, miss)


def weighted_means(
    codes: np.ndarray, xy: np.ndarray, weight: np.ndarray, n_markers: int
) -> tuple[np.ndarray, np.ndarray]:
    """Weighted means, computed about a point of each marker, and the sums of weights."""
    origin = np.full((n_markers, 2), np.nan)
    real = weight > 0
    origin[codes[real]] = xy[real]
    total = np.bincount(codes[real], weight[real], minlength=n_markers)
    mean = np.empty((n_markers, 2))
    for axis in (0, 1):
        off = weight[real] * (xy[real, axis] - origin[codes[real], axis])
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[:, axis] = origin[:, axis] + np.bincount(codes[real], off, minlength=n_markers) / total
    return mean, total
