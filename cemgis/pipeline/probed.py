"""Probe hits: points felt with a rod or shot at corners, made into vaults and foundations as they really lie."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import schema
from cemgis.adjust import radius_95
from cemgis.errors import Gather, InputError
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.places import label_key
from cemgis.reference import convergence, to_grid
from cemgis.units import compass_azimuth, parse_length
from cemgis.vaults import KINDS, SIDES, Rectangle, fall_along, fit_rectangle

if TYPE_CHECKING:
    from cemgis.files.tables import Table
    from cemgis.ground import Ground, ProbesEntry

__all__ = ["fit_probes", "probe_labels"]

Floats = npt.NDArray[np.float64]
Probes = list[tuple["ProbesEntry", "Table"]]

_FARTHEST_M = 1000.0
"""No depth, side or precision of a hit is more. Assumption, no source."""
_COLUMNS = (
    "vault", "space", "container", "kind", "x", "y", "label", "side", "depth", "sigma", "width", "length", "heads",
    "seen", "note",
)  # fmt: skip
_IDS = ("vault", "monument", "id")
_KEY = {"vaults": "vault_id", "monuments": "monument_id"}


def probe_labels(probes: Iterable[tuple[ProbesEntry, Table]]) -> set[str]:
    """Labels of readings that are probe hits, as `cemgis.places.label_key` writes them: no markers."""
    found: set[str] = set()
    for entry, table in probes:
        column = _columns(entry, table).get("label")
        if column is not None:
            found |= {label_key(text) for text in table.rows[column] if text}
    return found


def fit_probes(
    ground: Ground, probes: Probes, occupations: gpd.GeoDataFrame, spaces: gpd.GeoDataFrame
) -> tuple[dict[str, gpd.GeoDataFrame], list[Finding]]:
    """Make vaults and foundations of probe hits.

    Parameters
    ----------
    ground : Ground
    probes : list of (entry, table)
    occupations : GeoDataFrame
        Layer ``occupations``, those of probe hits among them.
    spaces : GeoDataFrame
        Layer ``spaces``.

    Returns
    -------
    tables : dict of str to GeoDataFrame
        Rows of ``vaults`` and ``monuments``, with their covariance; empty where there are none.
    findings : list of Finding
        ``vault not placed`` for hits that cannot be one; ``lines not understood``.

    Raises
    ------
    InputError
        For a list without the columns it needs, a container that is not declared, a reference that is missing.
    """
    gather = Gather()
    findings: list[Finding] = []
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in _KEY}
    for entry, table in probes:
        try:
            hits = _hits(ground, entry, table, occupations)
        except InputError as error:
            gather.take(error)
            continue
        broken = hits[hits["why"] != ""]
        if len(broken):
            said = "; ".join(f"line {row.line}: {row.why}" for row in broken.head(3).itertuples())
            findings.append(find("lines not understood", entry.file, f"{len(broken)} probe hits left out ({said})"))
        for name, group in hits[hits["why"] == ""].groupby("vault", sort=True):
            try:
                rows[entry.layer].append(_one(ground, entry, str(name), group, spaces))
            except InputError as error:
                reason = "; ".join(problem.what for problem in error.problems)
                todo = " ".join(problem.remedy for problem in error.problems)
                at = group[["e", "n"]].mean()
                section = _section(spaces, _first(group, "space"))
                where = (float(at["e"]), float(at["n"]))
                findings.append(find("vault not placed", str(name), reason, section=section, at=where, todo=todo))
    gather.raise_if_any()
    tables = {}
    for layer, made in rows.items():
        names = [row[_KEY[layer]] for row in made]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            gather.add("probes", f"in two lists: {', '.join(twice[:5])}", "Give each vault its own name, or one list.")
        frame = pd.DataFrame(made, columns=[*LAYERS[layer].names, "geometry"])
        shaped = schema.restore(frame, LAYERS[layer], ground.crs.crs)
        tables[layer] = gpd.GeoDataFrame(shaped, geometry="geometry", crs=ground.crs.crs)
    gather.raise_if_any()
    return tables, findings


def _columns(entry: ProbesEntry, table: Table) -> dict[str, str]:
    present = {str(name).strip().lower(): str(name) for name in table.rows.columns}
    gather = Gather()
    found: dict[str, str] = {}
    for ours, theirs in entry.columns.items():
        if ours not in _COLUMNS:
            gather.add(f"{entry.where}.columns.{ours}", "there is no such column", f"One of: {', '.join(_COLUMNS)}.")
        elif theirs not in table.rows.columns:
            has = ", ".join(map(str, table.rows.columns[:20]))
            gather.add(f"{entry.where}.columns.{ours}", f"{entry.file} has no column {theirs!r}", f"It has: {has}.")
        else:
            found[ours] = theirs
    gather.raise_if_any()
    for name in _COLUMNS:
        for word in _IDS if name == "vault" else (name,):
            if name not in found and word in present:
                found[name] = present[word]
    return found


def _hits(ground: Ground, entry: ProbesEntry, table: Table, occupations: gpd.GeoDataFrame) -> pd.DataFrame:
    """Probe hits in the grid: place, covariance, and why one cannot be used."""
    columns = _columns(entry, table)
    has = ", ".join(map(str, table.rows.columns[:20]))
    gather = Gather()
    if "vault" not in columns:
        gather.add(entry.file, f"no column vault among: {has}", "Say which vault each hit is on.")
    by_place, by_label = {"x", "y"} <= set(columns), "label" in columns
    if not by_place and not by_label:
        gather.add(entry.file, f"neither x and y nor label among: {has}", "Give coordinates or labels of readings.")
    if by_place and entry.reference is None and not by_label:
        gather.add(f"{entry.where}.reference", "missing", f"Say what x and y are in, as {ground.crs.name!r}.")
    gather.raise_if_any()
    size = len(table.rows)
    text = {
        name: table.rows[columns[name]].astype(object).to_numpy() if name in columns else np.full(size, "", object)
        for name in _COLUMNS
    }
    out = pd.DataFrame({name: text[name] for name in ("vault", "space", "container", "heads", "seen", "note")})
    out["line"] = table.lines
    why = np.full(size, "", dtype=object)
    kind = np.array([word.strip().lower() or "edge" for word in text["kind"]], dtype=object)
    side = np.array([word.strip().lower() or None for word in text["side"]], dtype=object)
    why[~np.isin(kind, KINDS)] = f"its kind is none of {', '.join(KINDS)}"
    why[[word is not None and word not in SIDES for word in side]] = f"its side is none of {', '.join(SIDES)}"
    why[out["vault"].to_numpy() == ""] = "it names no vault"
    numbers = {name: _lengths(ground, text[name], why, name) for name in ("depth", "sigma", "width", "length")}
    at, cov = np.full((size, 2), np.nan), np.zeros((size, 2, 2))
    if by_place and entry.reference is not None:
        xy = np.column_stack([pd.to_numeric(pd.Series(text[name]), errors="coerce") for name in ("x", "y")])
        at = to_grid(xy, entry.reference, ground.crs, entry.epoch, where=entry.file)
    if by_label:
        _read_places(text["label"], occupations, at, cov)
    lacking = ~np.isfinite(at).all(axis=1)
    words = "its label was not read, or has no position" if by_label else "its x or y is no place"
    why[lacking & (why == "")] = words
    default = ground.rules["probe.sigma"] if entry.sigma is None else entry.sigma
    sigma = np.where(np.isfinite(numbers["sigma"]), numbers["sigma"], default)
    cov = cov + (sigma**2)[:, None, None] * np.eye(2)
    return out.assign(
        kind=kind, side=side, why=why, e=at[:, 0], n=at[:, 1], ee=cov[:, 0, 0], en=cov[:, 0, 1], nn=cov[:, 1, 1],
        depth=numbers["depth"], width=numbers["width"], length=numbers["length"],
    )  # fmt: skip


def _lengths(ground: Ground, texts: Any, why: Any, name: str) -> Floats:
    out = np.full(len(texts), np.nan)
    for row, word in enumerate(texts):
        if word:
            try:
                out[row] = _length(word, ground, name)
            except InputError:
                why[row] = why[row] or f"its {name} {word[:20]!r} is no length"
                continue
            if not abs(out[row]) * ground.unit.metres <= _FARTHEST_M:
                why[row], out[row] = why[row] or f"its {name} {word[:20]!r} is no length of anything here", np.nan
            elif out[row] < 0 or (out[row] == 0 and name != "depth"):
                why[row] = why[row] or f"its {name} is not above 0"
    return out


def _length(word: str, ground: Ground, name: str) -> float:
    """Read a length; a bare number is in the ground's unit."""
    try:
        return float(word)
    except ValueError:
        return parse_length(word, ground.unit, name)


def _read_places(labels: Any, occupations: gpd.GeoDataFrame, at: Floats, cov: Floats) -> None:
    """Fill in the places of hits that were read under a label: the surest occupation that counts."""
    good = occupations["used"].fillna(value=False).to_numpy(dtype=bool) & (~occupations.geometry.isna()).to_numpy()
    some = occupations[good]
    spread = some["cov_ee"] + some["cov_nn"]
    some = some.assign(short=some["label"].map(label_key)).iloc[np.argsort(spread.to_numpy(dtype=float))]
    first = some.drop_duplicates("short").set_index("short")
    keys = pd.Index([label_key(word) if word else "" for word in labels])
    which = first.index.get_indexer(keys)
    rows = np.flatnonzero((which >= 0) & (keys != "") & ~np.isfinite(at).all(axis=1))
    taken = first.iloc[which[rows]]
    at[rows] = shapely.get_coordinates(taken.geometry.to_numpy())
    ee, en, nn = (taken[name].to_numpy(dtype=float, na_value=0.0) for name in ("cov_ee", "cov_en", "cov_nn"))
    cov[rows] = np.stack([np.stack([ee, en], axis=1), np.stack([en, nn], axis=1)], axis=1)


def _first(group: pd.DataFrame, name: str) -> str | None:
    said = [str(word) for word in group[name] if word]
    return said[0] if said else None


def _section(spaces: gpd.GeoDataFrame, space: str | None) -> str | None:
    row = spaces.index[spaces["space_id"] == space] if space else []
    return str(spaces.loc[row[0], "section"]) if len(row) else None


def _one(
    ground: Ground, entry: ProbesEntry, name: str, group: pd.DataFrame, spaces: gpd.GeoDataFrame
) -> dict[str, Any]:
    """Make the row of one vault."""
    space = _first(group, "space")
    if len({word for word in group["space"] if word}) > 1:
        raise InputError.of(name, "its hits name two spaces", "Name one.")
    container = _first(group, "container") or entry.container
    width, length = (float(group[side].dropna().iloc[0]) if group[side].notna().any() else np.nan
                     for side in ("width", "length"))  # fmt: skip
    if container is not None and not (np.isfinite(width) and np.isfinite(length)):
        known = ground.container(container)
        width, length = known.width, known.length
    if not (np.isfinite(width) and np.isfinite(length)):
        remedy = "Name its container ([[container]] in ground.toml), or give width and length."
        raise InputError.of(name, "its outside size is not known", remedy)
    row = spaces.index[spaces["space_id"] == space] if space else []
    shape = spaces.geometry.loc[row[0]] if len(row) else None
    points = group[["e", "n"]].to_numpy(dtype=float)
    heads, told = _heads(ground, _first(group, "heads"), _section(spaces, space), points.mean(axis=0))
    found = fit_rectangle(
        points, group["kind"].tolist(), group[["ee", "en", "en", "nn"]].to_numpy(dtype=float).reshape(-1, 2, 2),
        width, length, sides=group["side"].tolist(), names=[f"line {line}" for line in group["line"]], space=shape,
        heads=heads, alpha=ground.rules["probe.alpha"], unit=ground.unit, where=name,
    )  # fmt: skip
    depth = group["depth"].to_numpy(dtype=float)
    known_heads = heads is not None
    fall, fall_sigma = fall_along(found, points, depth, ground.rules["probe.depth_sigma"])
    out = {
        _KEY[entry.layer]: name, "space_id": space if len(row) else None, "section": _section(spaces, space),
        "lot_id": spaces.loc[row[0], "lot_id"] if len(row) else None, "container": container,
        "heads": told, "top_depth": float(np.nanmean(depth)) if np.isfinite(depth).any() else None,
        "sigma": found.sigma, "seen": _first(group, "seen"), "note": _first(group, "note"),
        "source": f"{entry.file}, lines {', '.join(str(line) for line in group['line'])}",
        "fall": fall if known_heads else None, "fall_sigma": fall_sigma if known_heads else None,
        "probes": len(group), "probes_chance": found.chance, **_pose(found), "geometry": found.polygon,
    }  # fmt: skip
    if space is not None and not len(row):
        out["note"] = f"{out['note'] or ''} names space {space}, which is not there".strip()
    if entry.layer == "monuments":
        out["kind"] = "other"
    return out


def _heads(ground: Ground, said: str | None, section: str | None, at: Floats) -> tuple[float | None, str | None]:
    """Direction of the head end from grid north, from what was seen or the section's rule; and what was seen."""
    word = said
    if word is None and section is not None:
        word = ground.section(section).heads.side
    if word is None:
        return None, None
    true = compass_azimuth(word, "heads")
    return float(true - convergence(at[None], ground.crs)[0]) % 360.0, said


def _pose(found: Rectangle) -> dict[str, float]:
    cov = found.cov
    return {"cov_ee": cov[0, 0], "cov_en": cov[0, 1], "cov_nn": cov[1, 1], "cov_et": cov[0, 2], "cov_nt": cov[1, 2],
            "cov_tt": cov[2, 2], "radius_95": float(radius_95(cov[None, :2, :2])[0])}  # fmt: skip
