"""Layers from a plat and its located corners: areas, covariances against the whole matrix, words, shapes that fold."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity

from cemgis import spaces as spaces_module
from cemgis.adjust import radius_95
from cemgis.ground import parse_ground
from cemgis.layers import LAYERS
from cemgis.plat import make_plat
from cemgis.schema import check
from cemgis.spaces import (
    build_corners,
    build_lots,
    build_sections,
    build_spaces,
    lot_corners,
    lot_sanity,
    place,
)

CRS = "EPSG:6549"
AT = np.array([2023700.0, 449300.0])

TEXT = """
schema_version = 1
name = "Tansy Hill"
crs = "EPSG:6549"
[[plat]]
name = "1889"
date = "1889-05-01"
[[plat]]
name = "1924"
date = "1924"
[[section]]
name = "A"
plat = "1889"
title = "Old ground"
protected = "unmarked burials"
parcel = "012-345-06"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
lots = 3
frontage = "16 ft"
depth = "12 ft"
spaces = 4
[[section.rows]]
at = ["12 ft", "0 ft"]
run = "north"
step = "east"
lots = 4
frontage = "12 ft"
depth = "14 ft"
spaces = 3
tiers = 2
[[section]]
name = "B"
plat = "1924"
heads = "as last laid"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "east"
step = "north"
singles = 5
frontage = "4 ft"
depth = "12 ft"
[[section]]
name = "N"
[[section.niches]]
building = "N"
face = "east"
rows = 2
columns = 2
"""


def mean_by_joint(grid_xy, joint, dof):
    """Make the means of corners from their joint covariance; the least degrees of freedom of the corners count."""

    def mean(index, weights):
        rows, share = np.asarray(index), np.asarray(weights, dtype=float)
        k, j = rows.shape
        blocks = joint(rows).reshape(k, j, 2, j, 2)
        cov = np.einsum("ka,kb,kaxby->kxy", share, share, blocks, optimize=True)
        return np.einsum("kj,kjx->kx", share, np.asarray(grid_xy)[rows]), cov, np.asarray(dof)[rows].min(axis=1)

    return mean


@dataclass
class Located:
    """Corners with one full covariance matrix, the plain way."""

    grid_xy: np.ndarray
    matrix: np.ndarray  # (2 m, 2 m)
    freedom: float

    @property
    def cov(self):
        m = len(self.grid_xy)
        return self.matrix.reshape(m, 2, m, 2)[np.arange(m), :, np.arange(m), :]

    @property
    def dof(self):
        return np.full(len(self.grid_xy), self.freedom)

    @property
    def own(self):
        return 0.25 * self.cov

    @property
    def bend(self):
        return np.tile([0.3, -0.4], (len(self.grid_xy), 1))

    def joint(self, index):
        rows = (2 * index[:, :, None] + np.arange(2)).reshape(len(index), -1)
        return self.matrix[rows[:, :, None], rows[:, None, :]]

    def mean(self, index, weights):
        return mean_by_joint(self.grid_xy, self.joint, self.dof)(index, weights)


@pytest.fixture(scope="module")
def ground():
    return parse_ground(TEXT, Path())


@pytest.fixture(scope="module")
def plat(ground):
    return make_plat(ground)


def _located(plat, name, seed, at=AT, freedom=8.0):
    rng = np.random.default_rng(seed)
    xy = plat.corners_plat_xy[(plat.corners["plat"] == name).to_numpy()]
    root = rng.normal(0, 0.05, (2 * len(xy), 2 * len(xy)))
    return Located(at + xy + rng.normal(0, 0.2, xy.shape), root @ root.T, freedom)


def _placed(plat, located, state="fitted"):
    states = np.full(len(plat.corners), state, dtype=object)
    return place(plat, located, states, np.full(len(plat.corners), None, dtype=object))


@pytest.fixture(scope="module")
def located(plat):
    return {"1889": _located(plat, "1889", 1), "1924": _located(plat, "1924", 2, AT + np.array([500, 0]), 5.0)}


def test_layers_keep_their_declarations(plat, ground, located):
    placed = _placed(plat, located)
    spaces = build_spaces(plat, placed, CRS)
    for name, table in (
        ("corners", build_corners(plat, placed, CRS)),
        ("lots", build_lots(plat, placed, CRS)),
        ("spaces", spaces),
        ("sections", build_sections(plat, placed, ground.sections, {"1889": "1889-05-01"}, spaces, None, CRS)),
    ):
        check(table, LAYERS[name])
        assert table.crs == CRS


def test_spaces_fill_their_lots_to_the_last_inch(plat, located):
    placed = _placed(plat, located)
    lots, spaces = build_lots(plat, placed, CRS), build_spaces(plat, placed, CRS)
    total = spaces.geometry.area.groupby(spaces["lot_id"].astype(object)).sum()
    assert np.allclose(total.loc[lots["lot_id"].astype(object)], lots.geometry.area, rtol=1e-9)
    singles = spaces[spaces["lot_id"].isna()]
    assert len(singles) == 5
    land = np.concatenate([lots.geometry.to_numpy(), singles.geometry.to_numpy()])
    assert shapely.union_all(land, grid_size=1e-6).area == pytest.approx(shapely.area(land).sum(), rel=1e-7)


def test_covariance_of_a_centre_is_that_of_the_whole_matrix(plat, located):
    spaces = build_spaces(plat, _placed(plat, located), CRS)
    for name, part in located.items():
        rows = np.flatnonzero((plat.spaces["plat"] == name).to_numpy())
        columns = np.flatnonzero((plat.corners["plat"] == name).to_numpy())
        weights = np.kron(plat.centre_weights[rows][:, columns].toarray(), np.eye(2))
        whole = weights @ part.matrix @ weights.T
        for number, row in enumerate(rows):
            block = whole[2 * number : 2 * number + 2, 2 * number : 2 * number + 2]
            said = spaces.iloc[row]
            assert [said["cov_ee"], said["cov_en"], said["cov_nn"]] == pytest.approx(
                [block[0, 0], block[0, 1], block[1, 1]], rel=1e-9
            )
            assert said["radius_95"] == pytest.approx(radius_95(block, part.freedom), rel=1e-9)


def test_the_state_of_this_radius_can_be_checked_by_throwing_dice(plat, located):
    # 20,000 throws of all corners together: 95 % of a centre's throws lie within its radius (normal, so dof infinite).
    part = Located(located["1889"].grid_xy, located["1889"].matrix, np.inf)
    placed = _placed(plat, {"1889": part})
    spaces = build_spaces(plat, placed, CRS)
    rng = np.random.default_rng(5)
    throws = rng.multivariate_normal(np.zeros(len(part.matrix)), part.matrix, 20_000, method="cholesky")
    columns = np.flatnonzero((plat.corners["plat"] == "1889").to_numpy())
    rows = np.flatnonzero((plat.spaces["plat"] == "1889").to_numpy())
    weights = plat.centre_weights[rows][:, columns].toarray()
    moved = np.einsum("sc,tcx->tsx", weights, throws.reshape(len(throws), -1, 2))
    inside = (np.hypot(*moved.transpose(2, 0, 1)) <= spaces["radius_95"].to_numpy(float)).mean(axis=0)
    assert np.abs(inside - 0.95).max() < 0.007  # 4.5 standard deviations of the share


def test_a_plat_without_a_place_is_left_out(plat, ground, located):
    placed = _placed(plat, {"1889": located["1889"]})
    spaces = build_spaces(plat, placed, CRS)
    assert set(spaces["section"]) == {"A"}
    corners = build_corners(plat, placed, CRS)
    assert set(corners["plat"]) == {"1889"}
    np.testing.assert_allclose(corners["bend"], 0.5, rtol=0, atol=1e-9)
    # the fake's own share is a quarter of the variance: half the deviation, and the plat's the rest of it
    np.testing.assert_allclose(corners["sigma_plat"] / corners["sigma_own"], np.sqrt(3.0), rtol=0, atol=1e-9)
    sections = build_sections(plat, placed, ground.sections, {}, spaces, None, CRS).set_index("section")
    assert sections.geometry.isna().tolist() == [False, True, True]
    nowhere = _placed(plat, {})
    assert len(build_spaces(plat, nowhere, CRS)) == len(build_lots(plat, nowhere, CRS)) == 0


def test_what_a_position_rests_on_in_words(plat, located):
    state = np.full(len(plat.corners), "fitted", dtype=object)
    index, offsets = plat.lot_rings
    ring = index[offsets[6] : offsets[7]]  # the last lot, A-7, with four corners and six spaces
    state[ring] = "found"
    state[ring[0]] = "doubtful"
    state[_corner(plat, 0, 0)] = "found"
    placed = place(plat, located, state, np.full(len(state), None, dtype=object))
    words = build_spaces(plat, placed, CRS).set_index("space_id")["position_by"]
    assert words["A-7-1"] == "3 found corners, 1 in doubt"
    # Space 2 reaches from 8 to 12 ft north; on the side where lots 4 and 5 meet at 12 ft it rests on that corner and
    # the one at 0, on the other side on both ends.
    assert words["A-1-2"] == "1 found corner, 3 computed"
    assert words["A-2-1"] == "computed from the fit"
    assert words["B-1-1"] == "computed from the fit"
    state[ring] = "unfound"
    state[ring[1]] = "found"
    placed = place(plat, located, state, np.full(len(state), None, dtype=object))
    assert build_spaces(plat, placed, CRS).set_index("space_id")["position_by"]["A-7-1"] == "1 found corner, 3 computed"
    state[ring] = "doubtful"
    placed = place(plat, located, state, np.full(len(state), None, dtype=object))
    assert build_spaces(plat, placed, CRS).set_index("space_id")["position_by"]["A-7-1"] == "4 corners in doubt"


def test_lots_say_their_marker_and_worst_corner(plat, located):
    state = np.full(len(plat.corners), "unfound", dtype=object)
    state[plat.lots["marker_index"].iloc[1]] = "found"
    placed = place(plat, located, state, np.full(len(state), None, dtype=object))
    lots = build_lots(plat, placed, CRS).set_index("lot_id")
    assert lots.loc["A-2", "marker_state"] == "found"
    assert lots.loc["A-1", "marker_state"] == "unfound"
    index, offsets = plat.lot_rings
    radius = radius_95(placed.cov, placed.dof)
    assert lots["radius_95_worst"].iloc[2] == pytest.approx(radius[index[offsets[2] : offsets[3]]].max())
    assert lots.loc["A-1", "first_space_side"] == "north"


def test_sections_count_and_keep_their_outlines(plat, ground, located):
    state = np.full(len(plat.corners), "unfound", dtype=object)
    marker = plat.sites["corner_index"].to_numpy()
    state[marker[:2]] = "found"
    state[marker[2]] = "doubtful"
    placed = place(plat, located, state, np.full(len(state), None, dtype=object))
    spaces = build_spaces(plat, placed, CRS)
    spaces.loc[spaces.index[:3], "state"] = "vacant"
    outline = shapely.box(*AT - 5, *AT + 60)
    sections = build_sections(plat, placed, ground.sections, {"1889": "1889-05-01", "1924": "1924"}, spaces,
                              {"A": outline}, CRS, plat_sources={"1889": "plat book 4, page 31"},
                              ).set_index("section")  # fmt: skip
    a, b, n = (sections.loc[name] for name in "ABN")
    assert (a["lots"], a["spaces"], a["vacant"], a["markers_found"], a["markers_unfound"]) == (7, 36, 3, 3, 4)
    assert (b["lots"], b["spaces"], b["markers_unfound"], b["heads_rule"]) == (0, 5, 2, "as last laid")
    assert pd.isna(b["vacant"])
    assert pd.isna(b["heads"])
    assert (a["heads"], a["plat_date"], a["protected"]) == ("west", "1889-05-01", "unmarked burials")
    assert (a["parcel"], a["plat_source"]) == ("012-345-06", "plat book 4, page 31")
    assert pd.isna(b["parcel"])
    assert pd.isna(b["plat_source"])
    assert a.geometry.equals(shapely.MultiPolygon([outline]))
    assert b.geometry.geom_type == "MultiPolygon"
    singles = spaces[spaces["section"] == "B"].geometry
    assert singles.within(b.geometry.buffer(1e-6)).all()
    assert n.geometry is None
    assert a["radius_95_worst"] == pytest.approx(spaces[spaces["section"] == "A"]["radius_95"].max())


def test_width_and_length_of_an_unmoved_space(plat):
    xy = plat.corners_plat_xy
    still = {
        name: Located(AT + xy[(plat.corners["plat"] == name).to_numpy()], np.eye(2 * n) * 0.01, np.inf)
        for name, n in plat.corners["plat"].value_counts().items()
    }
    spaces = build_spaces(plat, _placed(plat, still), CRS).set_index("space_id")
    assert spaces.loc["A-1-1", ["width", "length"]].tolist() == pytest.approx([4.0, 12.0], abs=1e-8)
    assert spaces.loc["A-4-1", ["width", "length"]].tolist() == pytest.approx([4.0, 7.0], abs=1e-8)
    # Independent corners of variance v: the mean of four of them has v / 4.
    assert spaces.loc["A-7-1", "cov_ee"] > 0.01 / 4
    assert spaces.loc["B-1-1", "cov_ee"] == pytest.approx(0.01 / 4)


def test_wrong_states_are_refused(plat, located):
    with pytest.raises(ValueError, match="states of the layer corners"):
        _placed(plat, located, "lost")
    with pytest.raises(ValueError, match="were located"):
        _placed(plat, {"1889": located["1924"]})


# ---- shapes ---------------------------------------------------------------------------------------------------------


def _corner(plat, x, y, name="1889"):
    xy = plat.corners_plat_xy
    return int(np.flatnonzero((xy == [x, y]).all(axis=1) & (plat.corners["plat"] == name).to_numpy())[0])


def test_small_misses_keep_every_lot(plat):
    fitted = AT + plat.corners_plat_xy
    moved = fitted + np.random.default_rng(3).normal(0, 0.2, fitted.shape)
    assert len(lot_sanity(plat, moved, fitted, area_share=0.25)) == 0


def test_a_corner_carried_across_its_lot_folds_it(plat):
    fitted = AT + plat.corners_plat_xy
    moved = fitted.copy()
    moved[_corner(plat, 26, 0)] += [-20, 0]  # southeast corner of lot A-4, 14 ft wide, goes past its west side
    found = lot_sanity(plat, moved, fitted, area_share=0.25)
    assert found["lot_id"].tolist() == ["A-4"]
    assert found["why"].tolist() == ["folds"]


def test_a_corner_far_out_makes_its_lots_too_large(plat):
    fitted = AT + plat.corners_plat_xy
    moved = fitted.copy()
    moved[_corner(plat, 26, 0)] += [0, -8]  # a triangle of 8 by 14 over 2 more: 56 of 168 sq ft
    found = lot_sanity(plat, moved, fitted, area_share=0.25)
    assert found["lot_id"].tolist() == ["A-4"]
    assert found["why"].tolist() == ["size"]
    assert found["area_ratio"].iloc[0] == pytest.approx(1 + 56 / 168, rel=1e-9)
    assert "33 % larger" in found["reason"].iloc[0]
    assert len(lot_sanity(plat, moved, fitted, area_share=0.34)) == 0


def test_single_graves_are_looked_at_too(plat):
    fitted = AT + plat.corners_plat_xy
    moved = fitted.copy()
    moved[_corner(plat, 0, 0, "1924")] += [6, 0]
    found = lot_sanity(plat, moved, fitted, area_share=0.25)
    assert found["lot_id"].tolist() == ["B-1-1"]
    assert _corner(plat, 0, 0, "1924") in lot_corners(plat, found["lot_id"])
    assert len(lot_corners(plat, ["B-1-1"])) == 4


def test_a_dart_whose_strips_fold_is_found(plat):
    # A corner pulled to inside the lot makes a dart: the lot is still a plain polygon, its strips may cross.
    fitted = AT + plat.corners_plat_xy
    moved = fitted.copy()
    moved[_corner(plat, 26, 0)] += [-11, 9]
    found = lot_sanity(plat, moved, fitted, area_share=0.25)
    assert found["lot_id"].tolist() == ["A-4"]


def test_corners_of_a_plat_without_a_place_are_no_folds(plat):
    fitted = AT + plat.corners_plat_xy
    fitted[(plat.corners["plat"] == "1924").to_numpy()] = np.nan
    assert len(lot_sanity(plat, fitted, fitted, area_share=0.25)) == 0
    assert set(lot_corners(plat, ["A-1"])) <= set(range(len(plat.corners)))
    assert len(lot_corners(plat, ["nothing"])) == 0


@pytest.mark.slow
def test_a_hundred_thousand_spaces(tmp_path):
    text = TEXT[: TEXT.index('[[section.rows]]\nat = ["12 ft"')].replace("lots = 3", "rows = 250\nlots = 100")
    plat = make_plat(parse_ground(text, Path()))
    xy = AT + plat.corners_plat_xy

    class Simple:
        grid_xy, cov, dof = xy, np.broadcast_to(np.eye(2) * 0.01, (len(xy), 2, 2)), np.full(len(xy), 20.0)
        own, bend = cov, np.zeros((len(xy), 2))
        joint = staticmethod(lambda index: np.broadcast_to(np.eye(8) * 0.01, (len(index), 8, 8)))

        def mean(self, index, weights):
            return mean_by_joint(xy, self.joint, self.dof)(index, weights)

    start = time.perf_counter()
    spaces = build_spaces(plat, _placed(plat, {"1889": Simple()}), CRS)
    assert len(spaces) == 100_000
    assert time.perf_counter() - start < 10  # about 1 s on an idle core


@pytest.mark.parametrize("turn", [0.0, 20.0])
def test_an_outline_follows_its_rows_and_claims_no_land_beyond_them(turn):
    # Five rows of 120 ft, walks of 2 ft; 10 ft on, two rows of 72 ft; 10 ft on, a block of 60 by 21 ft: no diagonal.
    boxes, rows = [], []
    for k in range(5):
        boxes += [shapely.box(14 * k, y, 14 * k + 12, y + 4) for y in range(0, 120, 4)]
        rows += [k] * 30
    for k in (5, 6):
        x = 78 + 7 * (k - 5)
        boxes += [shapely.box(x, y, x + 5, y + 3) for y in range(0, 72, 3)]
        rows += [k] * 24
    for k in range(4):
        boxes += [shapely.box(x, 6 * k, x + 6, 6 * k + 3) for x in range(100, 160, 6)]
        rows += [7 + k] * 10
    boxes = np.array([shapely.affinity.rotate(box, turn, origin=(0, 0)) for box in boxes], dtype=object)
    outline = spaces_module._outline(boxes, np.array(rows), 24.0)
    assert outline.geom_type == "Polygon"
    assert shapely.covers(outline.buffer(1e-6), boxes).all()
    # By hand: 68 by 120, the walk of 10 by 72 and 12 by 72, the walk of 10 by 21 and 60 by 21.
    assert outline.area == pytest.approx(68 * 120 + 10 * 72 + 12 * 72 + 10 * 21 + 60 * 21, rel=1e-6)
    apart = spaces_module._outline(boxes, np.array(rows), 9.0)
    assert apart.geom_type == "MultiPolygon"
    assert len(apart.geoms) == 3
