"""Surveyed things: features as a field crew brought them, put into the grid and into their layer's shape."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis import geometry, schema
from cemgis.errors import Gather, InputError
from cemgis.findings import Finding, find
from cemgis.layers import LAYERS
from cemgis.reference import to_grid

if TYPE_CHECKING:
    from cemgis.files.vector import Features
    from cemgis.ground import FeaturesEntry, Ground
    from cemgis.reference import Reference
    from cemgis.schema import Layer

__all__ = ["SURVEYED", "check_declared", "own_reference", "surveyed"]

SURVEYED = ("vaults", "monuments", "probable_graves", "obstacles", "drives", "gates")
_POINT, _POLYGON = 0, 3  # types of geometry as shapely numbers them


def surveyed(
    ground: Ground, features: Iterable[tuple[FeaturesEntry, Features]]
) -> tuple[dict[str, gpd.GeoDataFrame], list[Finding]]:
    """Put surveyed features into the grid and their layers.

    Parameters
    ----------
    ground : Ground
    features : iterable of (entry, features)

    Returns
    -------
    tables : dict of str to GeoDataFrame
        One a layer of `SURVEYED`, empty where nothing was brought.
    findings : list of Finding
        ``feature broken`` for features that cannot be of their layer.

    Raises
    ------
    InputError
        For a column that is not there, a value that cannot be read, a key twice.
    """
    gather = Gather()
    parts: dict[str, list[gpd.GeoDataFrame]] = {name: [] for name in SURVEYED}
    findings: list[Finding] = []
    for entry, found in features:
        try:
            table, broken = _one(ground, entry, found)
            schema.check(table, LAYERS[entry.layer])
        except InputError as error:
            for problem in error.problems:
                named = problem.where.startswith((entry.file, entry.where))
                where = problem.where if named else f"{entry.file}: {problem.where}"
                gather.add(where, problem.what, problem.remedy)
            continue
        parts[entry.layer].append(table)
        findings += broken
    tables = {}
    for name, pieces in parts.items():
        layer = LAYERS[name]
        table = pd.concat(pieces, ignore_index=True) if pieces else schema.empty(layer, ground.crs.crs)
        tables[name] = gpd.GeoDataFrame(table, geometry="geometry", crs=ground.crs.crs)
        try:
            schema.check(tables[name], layer)
        except InputError as error:
            gather.take(error)
    gather.raise_if_any()
    return tables, findings


_LONGEST_M = 20_000.0
"""No stone, vault, tree, wall or drive of a ground is longer. Assumption, no source."""


def _one(ground: Ground, entry: FeaturesEntry, found: Features) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    layer = LAYERS[entry.layer]
    table = found.table
    number = table["feature"].to_numpy()
    check_declared(found, entry.reference, ground, f"{entry.where}.reference", entry.file)
    shapes = _to_grid(ground, entry, table.geometry.to_numpy())
    if entry.radius is not None and layer.geometry == "Polygon":
        kind = shapely.get_type_id(shapes)
        points, lines = kind == 0, np.isin(kind, (1, 5))
        shapes[points] = geometry.circles(shapely.get_coordinates(shapes[points]), entry.radius)
        shapes[lines] = geometry.strips(shapes[lines], entry.radius)
    single = (shapely.get_type_id(shapes) == 6) & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    is_point = layer.geometry == "Point"
    box = shapely.bounds(shapes)
    huge = (box[:, 2:] - box[:, :2]).max(axis=1) * ground.unit.metres > _LONGEST_M
    good = ~huge & (shapely.get_type_id(shapes) == (_POINT if is_point else _POLYGON)) & shapely.is_valid(shapes)
    findings = []
    if found.unnamed:
        findings.append(find("assumed of a file", entry.file, f"{found.unnamed}: read as {entry.reference.name}"))
    if not good.all():
        wrong = np.flatnonzero(~good)
        kinds = ["longer than any ground" if huge[at] else shapes[at].geom_type if shapes[at] is not None else "nothing"
                 for at in wrong[:3]]  # fmt: skip
        said = "; ".join(f"feature {number[at]}: {kind}" for at, kind in zip(wrong[:3], kinds, strict=True))
        reason = f"{len(wrong)} of {len(shapes)} are no single {'point' if is_point else 'outline'} ({said})"
        todo = "Mark each by one point." if is_point else "Give a radius for points and lines; split what has parts."
        findings.append(find("feature broken", entry.file, reason, todo=todo))
    columns = _columns(entry, layer, table)
    data = pd.DataFrame({ours: table[theirs].to_numpy() for ours, theirs in columns.items()})
    if layer.key not in data:
        data[layer.key] = pd.array([f"{entry.file}#{at}" for at in number], dtype="string")
    data[layer.key] = data[layer.key].astype("string")
    lacking = data[layer.key].isna()
    data.loc[lacking, layer.key] = [f"{entry.file}#{at}" for at in number[lacking.to_numpy()]]
    if "sigma" not in data and entry.sigma is not None:
        data["sigma"] = entry.sigma
    if "source" in layer.names:
        data["source"] = [f"{entry.file}, feature {at}" for at in number]
    data["geometry"] = shapes
    try:
        made = schema.restore(data[good], layer, ground.crs.crs)
    except (ValueError, TypeError) as error:
        raise _unreadable(data[good], layer, entry.file, number[good], str(error)) from None
    return gpd.GeoDataFrame(made).reset_index(drop=True), findings


def own_reference(ground: Ground) -> str:
    """Return what to write for the ground's own system: its code where it has one."""
    code = ground.crs.crs.to_authority()
    return ":".join(code) if code else ground.crs.name


def check_declared(found: Features, declared: Reference, ground: Ground, where: str, file: str) -> None:
    """Refuse a file whose own reference system, or whose numbers, contradict what is declared of it.

    Raises
    ------
    InputError
        With the reference to write instead.
    """
    own = found.table.crs
    ours = f'reference = "{own_reference(ground)}"'
    if found.unnamed and not declared.projected:
        what = f"{file}: {found.unnamed}; declared is {declared.name}, which is in degrees"
        raise InputError.of(where, what, f"Write {ours} if they are in the ground's own system, or name theirs.")
    if own is not None and own.is_geographic and declared.projected:
        what = f"{file} is in degrees ({own.name}), declared is {declared.name}"
        raise InputError.of(where, what, "Write their frame, as NAD83(2011), or export it in the ground's system.")
    if own is not None and own.is_projected and not own.equals(declared.crs, ignore_axis_order=True):
        what = f"the file says {own.name}, the entry says {declared.name}"
        raise InputError.of(where, what, "Find out which is right and write that.")


def _unreadable(data: pd.DataFrame, layer: Layer, file: str, number: np.ndarray, said: str) -> InputError:
    """Name the features whose attributes cannot be of their column's type."""
    gather = Gather()

    def is_typed(part: pd.DataFrame) -> bool:
        try:
            schema.restore(part, layer)
        except (ValueError, TypeError):
            return False
        return True

    for name in (name for name in data.columns if name in layer.names and not is_typed(data[[name]])):
        wrong = [at for at in range(len(data)) if not is_typed(data[[name]].iloc[[at]])]
        where = f"{file} feature {', '.join(str(number[at]) for at in wrong[:3])}"
        shown = ", ".join(repr(data[name].iloc[at])[:40] for at in wrong[:3])
        gather.add(where, f"{name} is {shown}, not {layer.column(name).type}", "Mend it where it came from.")
    if not gather:
        gather.add(file, f"an attribute cannot be read ({said})", "Mend it where it came from.")
    return InputError(*gather)


def _columns(entry: FeaturesEntry, layer: Layer, table: gpd.GeoDataFrame) -> dict[str, str]:
    """Our column to theirs: as mapped, else of the same name whatever its case."""
    gather = Gather()
    present = [str(name) for name in table.columns if name not in ("geometry", "feature")]
    lower = {name.lower(): name for name in present}
    taken: dict[str, str] = {}
    for ours, theirs in entry.columns.items():
        where = f"{entry.where}.columns.{ours}"
        if ours not in layer.names:
            gather.add(where, f"{layer.name} has no such column", f"One of: {', '.join(layer.names)}.")
        elif theirs not in present:
            gather.add(where, f"{entry.file} has no attribute {theirs!r}", f"It has: {', '.join(present)}.")
        else:
            taken[ours] = theirs
    gather.raise_if_any()
    for name in layer.names:
        if name not in taken and name in lower:
            taken[name] = lower[name]
    return taken


def _to_grid(ground: Ground, entry: FeaturesEntry, shapes: Any) -> np.ndarray:
    """Move every vertex into the grid; a shape with one that has no place there becomes None."""
    values = np.array(shapes, dtype=object)
    coordinates, owner = shapely.get_coordinates(values, return_index=True)
    moved = to_grid(coordinates, entry.reference, ground.crs, entry.epoch, where=entry.file)
    known = np.isfinite(moved).all(axis=1)
    lost = np.unique(owner[~known])
    values[lost] = None
    out: np.ndarray = shapely.set_coordinates(shapely.force_2d(values), moved[~np.isin(owner, lost)])
    return out
