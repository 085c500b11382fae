"""Bytes of shapes: the same as shapely's own, of whatever an array holds."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cemgis.files.wkb import to_wkb

MAKERS = {
    "point": lambda x, y: shapely.Point(x, y),
    "point with a height": lambda x, y: shapely.Point(x, y, 7.0),
    "empty point": lambda _x, _y: shapely.Point(),
    "quadrangle": lambda x, y: shapely.box(x, y, x + 4, y + 12),
    "quadrangle with heights": lambda x, y: shapely.force_3d(shapely.box(x, y, x + 4, y + 12), 3.0),
    "six corners": lambda x, y: shapely.segmentize(shapely.box(x, y, x + 4, y + 12), 6.0),
    "hole": lambda x, y: shapely.box(x, y, x + 4, y + 12).difference(shapely.box(x + 1, y + 1, x + 2, y + 2)),
    "empty polygon": lambda _x, _y: shapely.Polygon(),
    "many": lambda x, y: shapely.MultiPolygon([shapely.box(x, y, x + 1, y + 1), shapely.box(x + 2, y, x + 3, y + 1)]),
    "line": lambda x, y: shapely.LineString([(x, y), (x + 1, y)]),
    "missing": lambda _x, _y: None,
}


def made(names: list[str], seed: int) -> np.ndarray:
    places = 2_000_000.0 + np.random.default_rng(seed).normal(0, 1e3, (len(names), 2))
    out = np.empty(len(names), dtype=object)
    out[:] = [MAKERS[name](*place) for name, place in zip(names, places, strict=True)]
    return out


def same(shapes: np.ndarray) -> bool:
    ours, theirs = to_wkb(shapes), pa.array(shapely.to_wkb(shapes, output_dimension=2), type=pa.large_binary())
    ours.validate(full=True)
    return ours.equals(theirs)


@pytest.mark.parametrize("name", MAKERS)
@pytest.mark.parametrize("count", [1, 120])
def test_alike(name: str, count: int) -> None:
    assert same(made([name] * count, 1))


def test_nothing() -> None:
    assert to_wkb(np.empty(0, dtype=object)).to_pylist() == []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(list(MAKERS)), min_size=1, max_size=5), st.integers(0, 10_000), st.integers(1, 400))
def test_mixed(names: list[str], seed: int, count: int) -> None:
    which = np.random.default_rng(seed).integers(0, len(names), count)
    assert same(made([names[number] for number in which], seed))
