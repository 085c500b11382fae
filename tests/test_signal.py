"""Trend and signal: a worked case, scikit-learn as oracle, zero signal, neighbours against dense, simulated truth."""

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.spatial.distance import cdist
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern
from test_fit import ORIGIN, circles, fit_of, lots, turn
from threadpoolctl import threadpool_limits

from cemgis import signal
from cemgis.accuracy import row_lengths
from cemgis.adjust import adjust, radius_95
from cemgis.errors import InputError
from cemgis.fit import LocatedLocally, fit_plat, locate
from cemgis.ground import parse_ground
from cemgis.signal import FAMILIES, Collocation, Covariance, Local, Neighbours, Prior, learn

PRIOR = Prior(0.2, 4.0, 0.7, 150.0, 0.8, 0.2)


@pytest.fixture(autouse=True)
def _one_thread():
    # matrices this small are slower on several threads, and much slower where others want the processor
    with threadpool_limits(limits=1):
        yield


def nothing(n):
    return np.zeros((n, 2, 0))


def plane(xy):
    """Design of a conformal trend about the middle."""
    x, y = ((xy - xy.mean(axis=0)) / 100.0).T
    one, none = np.ones(len(xy)), np.zeros(len(xy))
    return np.stack([np.stack([x, -y, one, none], axis=1), np.stack([y, x, none, one], axis=1)], axis=1)


def bent(rng, xy, sigma, length, family="matern32"):
    """A signal of this covariance."""
    matrix = Covariance(sigma, length, 0.0, family).at(cdist(xy, xy)) + 1e-9 * np.eye(len(xy))
    return np.linalg.cholesky(matrix) @ rng.standard_normal((len(xy), 2))


# ---- one covariance --------------------------------------------------------------------------------------------------


def test_worked_case():
    # computed independently: x = 0, 10, 20; l = 1.0, 0.0, -0.5; C(d) = exp(-(d/10)^2), noise variance 0.01
    line = np.column_stack([[0.0, 10.0, 20.0], np.zeros(3)])
    seen = np.column_stack([[1.0, 0.0, -0.5], np.zeros(3)])
    at = Collocation(line, nothing(3), seen, np.zeros((3, 2, 2)), Covariance(1.0, 10.0, 0.1, "gaussian"))
    places = np.column_stack([[0.0, 5.0, 10.0, 25.0], np.zeros(4)])
    np.testing.assert_allclose(
        at.predicted(places, nothing(4))[:, 0], [0.989149, 0.613473, 0.002395, -0.356075], rtol=0, atol=6e-7
    )
    cov, _ = at.joint(places, nothing(4), np.arange(4)[:, None], np.full(4, -1))
    np.testing.assert_allclose(np.sqrt(cov[:, 0, 0, 0, 0]), [0.099417, 0.323747, 0.099328, 0.599023], rtol=0, atol=6e-7)


@pytest.mark.parametrize("family", FAMILIES)
def test_scikit_learn_agrees(family):
    rng = np.random.default_rng(1)
    xy, places = rng.uniform(0, 400, (40, 2)), rng.uniform(0, 400, (7, 2))
    observed, noise = rng.standard_normal((40, 2)), rng.uniform(0.01, 0.2, 40)
    ours = Collocation(xy, nothing(40), observed, noise[:, None, None] * np.eye(2), Covariance(0.8, 90.0, 0.3, family))
    kernel = {
        "gaussian": RBF(90.0 / np.sqrt(2.0)), "matern32": Matern(90.0, nu=1.5), "matern52": Matern(90.0, nu=2.5),
        "exponential": Matern(90.0, nu=0.5),
    }[family]  # fmt: skip
    theirs = GaussianProcessRegressor(ConstantKernel(0.64) * kernel, alpha=noise + 0.09, optimizer=None)
    theirs.fit(xy, observed)
    mean, cov = theirs.predict(places, return_cov=True)
    np.testing.assert_allclose(ours.predicted(places, nothing(7)), mean, rtol=0, atol=1e-9)
    joint, _ = ours.joint(places, nothing(7), np.arange(7)[None], np.full(7, -1))
    for axis in (0, 1):
        np.testing.assert_allclose(joint[0, :, axis, :, axis], cov[..., axis], rtol=0, atol=1e-9)
    np.testing.assert_allclose(joint[0, :, 0, :, 1], 0.0, rtol=0, atol=1e-12)


def test_trend_and_uneven_readings_are_generalised_least_squares():
    # parameters, their covariance and predictions by the normal equations of the whole (2 n, 2 n) matrix
    rng = np.random.default_rng(2)
    xy, places = rng.uniform(0, 300, (25, 2)), rng.uniform(0, 300, (3, 2))
    root = rng.uniform(-0.2, 0.2, (25, 2, 2))
    noise = root @ root.transpose(0, 2, 1) + 0.01 * np.eye(2)
    design, observed = plane(xy), rng.standard_normal((25, 2))
    covariance = Covariance(0.6, 80.0, 0.2)
    ours = Collocation(xy, design, observed, noise, covariance)
    full = np.kron(covariance.at(cdist(xy, xy)), np.eye(2))
    for row in range(25):
        full[2 * row : 2 * row + 2, 2 * row : 2 * row + 2] += noise[row] + 0.04 * np.eye(2)
    plain = adjust(design.reshape(50, 4), observed.reshape(50), full)
    np.testing.assert_allclose(ours.trend, plain.parameters, rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.trend_cov, plain.covariance, rtol=0, atol=1e-9)
    reach = np.kron(covariance.at(cdist(places, xy)), np.eye(2))
    at = plane(np.vstack([xy, places]))[25:]
    weights = reach @ np.linalg.inv(full)
    lever = at.reshape(6, 4) - weights @ design.reshape(50, 4)
    weights = weights + lever @ plain.covariance @ design.reshape(50, 4).T @ np.linalg.inv(full)
    np.testing.assert_allclose(ours.predicted(places, at).reshape(6), weights @ observed.reshape(50), rtol=0, atol=1e-9)
    prior = np.kron(covariance.at(cdist(places, places)), np.eye(2))
    error = prior - reach @ np.linalg.inv(full) @ reach.T + lever @ plain.covariance @ lever.T
    rows = np.array([4, -1, 9])
    joint, pull = ours.joint(places, at, np.array([[0, 1, 2]]), rows)
    np.testing.assert_allclose(joint.reshape(6, 6), error, rtol=0, atol=1e-9)
    for other, row in ((0, 4), (2, 9)):
        taken = weights[:, 2 * row : 2 * row + 2].reshape(3, 2, 2)
        np.testing.assert_allclose(pull[0, :, other], taken, rtol=0, atol=1e-9)
    assert not pull[0, :, 1].any()


def test_left_out_is_the_prediction_without_it():
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 300, (12, 2))
    design, observed, noise = plane(xy), rng.standard_normal((12, 2)), circles(0.05, 12)
    covariance = Covariance(0.6, 80.0, 0.2)
    miss, cov = Collocation(xy, design, observed, noise, covariance).left_out(observed)
    for out in range(12):
        keep = np.arange(12) != out
        rest = Collocation(xy[keep], design[keep], observed[keep], noise[keep], covariance)
        predicted = rest.predicted(xy[[out]], design[[out]])[0]
        spread = rest.joint(xy[[out]], design[[out]], np.array([[0]]), np.array([-1]))[0].reshape(2, 2)
        np.testing.assert_allclose(miss[out], observed[out] - predicted, rtol=0, atol=1e-9)
        np.testing.assert_allclose(cov[out], spread + noise[out] + 0.04 * np.eye(2), rtol=0, atol=1e-9)


def test_neighbours_agree_with_dense():
    # the aim: within 0.02 ft and 2 % of the deviation
    rng = np.random.default_rng(4)
    grid = lots(50, 40)
    xy = rng.permutation(grid)[:700]
    observed = bent(rng, xy, 0.5, 130.0) + rng.normal(0, 0.15, xy.shape)
    places = rng.permutation(grid)[:60]
    every = plane(np.vstack([xy, places]))
    design, at, noise = every[:700], every[700:], circles(0.05, 700)
    covariance = Covariance(0.5, 130.0, 0.15)
    dense, near = (made(xy, design, observed, noise, covariance) for made in (Collocation, Neighbours))
    assert np.abs(dense.predicted(places, at) - near.predicted(places, at)).max() < 0.02
    groups, rows = np.arange(60)[:, None], np.full(60, -1)
    one, other = dense.joint(places, at, groups, rows)[0], near.joint(places, at, groups, rows)[0]
    setting = 0.15**2
    np.testing.assert_allclose(
        np.sqrt(other[:, 0, 0, 0, 0] + setting), np.sqrt(one[:, 0, 0, 0, 0] + setting), rtol=0.02
    )
    lot = np.array([[0, 1, 51, 50]]) + rng.integers(0, 40, (30, 1)) + 50 * rng.integers(0, 38, (30, 1))
    held = np.full(len(grid), -1)
    held[[int(np.flatnonzero((grid == place).all(axis=1))[0]) for place in xy]] = np.arange(700)
    both = plane(np.vstack([xy, grid]))
    dense, near = (made(xy, both[:700], observed, noise, covariance) for made in (Collocation, Neighbours))
    one, pulled = dense.joint(grid, both[700:], lot, held)
    other, also = near.joint(grid, both[700:], lot, held)
    np.testing.assert_allclose(other, one, rtol=0, atol=0.02 * float(one[:, 0, 0, 0, 0].max()) + 4e-4)
    np.testing.assert_allclose(also, pulled, rtol=0, atol=0.01)
    missed, spread = near.left_out(observed)
    exact, true_spread = dense.left_out(observed)
    assert np.abs(missed - exact).max() < 0.02
    np.testing.assert_allclose(np.sqrt(spread[:, 0, 0]), np.sqrt(true_spread[:, 0, 0]), rtol=0.02)


def test_more_markers_than_the_trend_takes_agree_with_dense():
    # what a plat of thousands gets: the trend from well-spread markers, the signal from the nearest; aim as above
    rng = np.random.default_rng(6)
    grid = rng.permutation(lots(70, 60))
    n = 3 * signal._TREND // 2
    # up to 60 ft beyond the markers, where the trend weighs more; at 500 ft it is off by 0.05 ft (spread 0.6)
    edge = grid[n:][np.argsort(-grid[n:, 0])[:150]]
    xy, places = grid[:n], np.vstack([edge, edge + [60.0, 0.0]])
    observed = bent(rng, xy, 0.5, 130.0) + rng.normal(0, 0.158, xy.shape)
    every, noise = plane(np.vstack([xy, places])), circles(0.05, n)
    dense, near = (
        made(xy, every[:n], observed, noise, Covariance(0.5, 130.0, 0.15)) for made in (Collocation, Neighbours)
    )
    assert np.abs(dense.predicted(places, every[n:]) - near.predicted(places, every[n:])).max() < 0.02
    one, other = (
        made.joint(places, every[n:], np.arange(300)[:, None], np.full(300, -1))[0][:, 0, 0, 0, 0] + 0.15**2
        for made in (dense, near)
    )
    np.testing.assert_allclose(np.sqrt(other), np.sqrt(one), rtol=0.02)


# ---- what the covariance is ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", FAMILIES)
def test_gradient_is_the_derivative(family):
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 300, (30, 2))
    prior = Prior(0.2, 4.0, 0.7, 150.0, 0.8, 0.2, family)
    target = signal._Restricted(xy, plane(xy), rng.standard_normal((30, 2)), circles(0.05, 30), prior)
    for at in (np.log([0.3, 0.5, 90.0]), np.log([0.2])):
        slope = approx_fprime(at, lambda point: target(point)[0], 1e-6)
        np.testing.assert_allclose(target(at)[1], slope, rtol=1e-4, atol=1e-3)


def test_covariance_comes_back():
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, 1200, (400, 2))
    observed = bent(rng, xy, 0.6, 100.0) + rng.normal(0, 0.15, xy.shape) + rng.normal(0, 0.05, xy.shape)
    local = learn(xy, plane(xy), observed, circles(0.05, 400), PRIOR)
    assert local.chance > 0.999
    # within three of the deviations the curvature of the likelihood gives: 9 %, 20 %, 12 % here
    assert local.likely.sigma == pytest.approx(0.6, rel=0.3)
    assert local.likely.length == pytest.approx(100.0, rel=0.5)
    assert local.likely.setting == pytest.approx(0.15, rel=0.36)


def test_no_signal_is_said_when_there_is_none():
    rng = np.random.default_rng(7)
    xy = rng.uniform(0, 1200, (150, 2))
    chances = []
    for n in (150, 150, 150):
        found = learn(xy[:n], plane(xy[:n]), rng.normal(0, 0.2, (n, 2)), circles(0.0, n), PRIOR)
        chances.append(0.0 if found is None else found.chance)
    assert max(chances) < 0.5


def simulated(seed, n):
    """A ground drawn from the prior: corners, misses of found ones, and the truth."""
    rng = np.random.default_rng([8, seed, n])
    xy = lots(12, 12, 16.0, 20.0)
    setting = np.sqrt(4.0 * 0.04 / rng.chisquare(4))
    true = np.zeros_like(xy)
    if rng.random() > PRIOR.none:
        true = bent(rng, xy, abs(rng.normal(0, 0.7)) + 1e-9, np.exp(rng.normal(np.log(150.0), 0.8)))
    true = true + rng.normal(0, setting, xy.shape)
    found = rng.choice(len(xy), n, replace=False)
    return xy, true, found, true[found] + rng.normal(0, 0.05, (n, 2))


@pytest.mark.parametrize("n", [7, 30])
def test_radii_hold_95_percent_of_grounds_drawn_from_the_prior(n):
    corner = np.arange(144).reshape(12, 12)
    quads = np.stack([corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]], axis=-1).reshape(-1, 4)
    shares = []
    for seed in range(36):
        xy, true, found, read = simulated(seed, n)
        every = plane(np.vstack([xy[found], xy]))
        local = learn(xy[found], every[:n], read, circles(0.05, n), PRIOR)
        if local is None:
            continue
        free = quads[~np.isin(quads, found).any(axis=1)]
        mean, apart = local.predicted(xy, every[n:])
        joint, _ = local.joint(xy, every[n:], free, np.full(144, -1), apart)
        cov = joint.mean(axis=(1, 3)) + local.setting_variance / 4.0 * np.eye(2)
        miss = np.hypot(*(mean - true)[free].mean(axis=1).T)
        dof = local.tail_dof(xy[free[:, 0]], every[n:][free[:, 0]], 0.25)
        shares.append((miss <= radius_95(cov, dof)).mean())
    error = np.std(shares) / np.sqrt(len(shares))
    assert len(shares) > 20
    assert abs(np.mean(shares) - 0.95) < 3.0 * error + 0.01


# ---- in the fit ------------------------------------------------------------------------------------------------------


def test_zero_signal_is_the_plain_fit():
    rng = np.random.default_rng(9)
    plat = rng.permutation(lots())[:40]
    fit = fit_of(plat, plat @ turn(20.0).T + ORIGIN + rng.uniform(-0.3, 0.3, plat.shape))
    assert fit.used.all()
    places = rng.uniform(-20, 300, (9, 2))
    part = Collocation(plat, fit.jacobian(plat), fit.misses, fit.reading_cov, Covariance(0.0, 1.0, fit.setting_sigma))
    local = Local((part,), np.ones(1), part.covariance, 0.0, np.inf)
    mean, apart = local.predicted(places, fit.jacobian(places))
    np.testing.assert_allclose(fit.transform(places) + mean, fit.transform(places), rtol=0, atol=1e-7)
    cov, _ = local.joint(places, fit.jacobian(places), np.arange(9)[:, None], np.full(9, -1), apart)
    np.testing.assert_allclose(cov.reshape(-1, 2, 2), fit.covariance_at(places, setting=False), rtol=0, atol=1e-9)
    np.testing.assert_allclose(local.left_out(fit.misses)[0], fit.leave_one_out, rtol=0, atol=1e-7)
    held = np.arange(5)
    object.__setattr__(fit, "local", local)
    object.__setattr__(fit, "local_row", np.arange(40))
    bent_way = locate(fit, plat, held, fit.grid_xy[held], circles(0.05, 5), held)
    assert isinstance(bent_way, LocatedLocally)
    object.__setattr__(fit, "local", None)
    straight = locate(fit, plat, held, fit.grid_xy[held], circles(0.05, 5), held)
    index = np.array([[0, 1, 20, 21], [30, 31, 32, 4]])
    np.testing.assert_allclose(bent_way.joint(index), straight.joint(index), rtol=0, atol=1e-9)
    np.testing.assert_allclose(bent_way.grid_xy, straight.grid_xy, rtol=0, atol=1e-7)


def test_nothing_speaks_for_a_signal_then_the_plain_fit_is_returned():
    rng = np.random.default_rng(10)
    plat = rng.permutation(lots(40, 30))[:300]
    grid = plat + ORIGIN + rng.normal(0, 0.2, plat.shape)
    prior = Prior(0.2, 4.0, 0.7, 150.0, 0.8, 0.9)
    plain, asked = fit_of(plat, grid), fit_of(plat, grid, local=prior)
    assert asked.local is None
    np.testing.assert_array_equal(asked.used, plain.used)
    np.testing.assert_array_equal(asked.transform(plat), plain.transform(plat))


def distorted(seed, n=60, bad=15, sigma=0.8, length=120.0):
    """A plat bent by a sum of waves, with bad markers among the found."""
    rng = np.random.default_rng([11, seed])
    corners = lots()
    frequency, phase = rng.normal(0, np.sqrt(2.0) / length, (2, 200, 2)), rng.uniform(0, 2 * np.pi, (2, 200))
    waves = np.cos(np.einsum("ckd,nd->nck", frequency, corners) + phase).sum(axis=2) * sigma * np.sqrt(2.0 / 200.0)
    true = corners @ turn(17.0).T + ORIGIN + waves + rng.normal(0, 0.12, corners.shape)
    found = rng.permutation(len(corners))[:n]
    read = true[found] + rng.normal(0, 0.05, (n, 2))
    angle, far = rng.uniform(0, 2 * np.pi, bad), rng.uniform(3.0, 6.0, bad)
    far[: bad // 2] = rng.uniform(16.0, 300.0, bad // 2)
    read[:bad] += far[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return corners, true, found, read


def test_a_quarter_bad_in_a_bent_plat_are_set_aside_and_no_good_ones():
    missed = lost = 0
    local_square = plain_square = 0.0
    for seed in range(4):
        corners, true, found, read = distorted(seed)
        fit, plain = fit_of(corners[found], read, local=PRIOR), fit_of(corners[found], read)
        missed += int(fit.used[:15].sum())
        lost += int((~fit.used[15:]).sum())
        local_square += float(((fit.place(corners) - true) ** 2).sum())
        plain_square += float(((plain.place(corners) - true) ** 2).sum())
        assert fit.local.chance > 0.95
        good = fit.used[15:]
        expected = fit.misses[15:][good]
        assert np.sqrt((expected**2).mean()) < 0.25  # what is left once the bend is taken off
    assert missed <= 1  # of 60
    assert lost <= 2  # of 180
    assert local_square < 0.5 * plain_square


def test_order_of_markers_changes_nothing_locally():
    corners, _, found, read = distorted(3)
    order = np.random.default_rng(12).permutation(len(found))
    one, two = fit_of(corners[found], read, local=PRIOR), fit_of(corners[found][order], read[order], local=PRIOR)
    np.testing.assert_array_equal(two.used, one.used[order])
    np.testing.assert_allclose(two.place(corners), one.place(corners), rtol=0, atol=1e-6)
    np.testing.assert_allclose(two.leave_one_out, one.leave_one_out[order], rtol=0, atol=1e-6)


def test_found_markers_share_what_lies_between_them_evenly():
    # lots of 16 ft; 1 and 19 platted 288.0 ft apart, found 291.6 ft: the corner at half lies at half, 0.20 ft a lot
    row = np.column_stack([16.0 * np.arange(19), np.zeros(19)])
    read = np.array([[0.0, 0.0], [291.6, 0.0]]) + ORIGIN
    rule = {"setting_sigma": 0.2, "setting_dof": 4.0, "alpha": 0.001, "power": 0.8}
    fit = fit_plat(row[[0, 18]], read, circles(0.01, 2), allow_unchecked=True, local=PRIOR, **rule)
    located = locate(fit, row, [0, 18], read, circles(0.01, 2), [0, 1])
    np.testing.assert_allclose(np.diff(located.grid_xy[:, 0]), 16.2, rtol=0, atol=1e-6)
    # and in a row that is 3.6 ft too long in the midst of others that are not, by symmetry
    corners = lots(19, 5, 16.0, 40.0)
    found = np.flatnonzero((corners[:, 0] % 288.0 == 0.0) | (corners[:, 1] != 80.0))
    grid = corners + ORIGIN
    long = corners[:, 1] == 80.0
    grid[long, 0] += 3.6 * (corners[long, 0] / 288.0 - 0.5)
    part = Collocation(
        corners[found], plane(corners)[found], (grid - corners - ORIGIN)[found], circles(0.01, len(found)),
        Covariance(0.7, 150.0, 0.1),
    )  # fmt: skip
    half = np.flatnonzero(long & (corners[:, 0] == 144.0))
    np.testing.assert_allclose(part.predicted(corners[half], plane(corners)[half])[0, 0], 0.0, rtol=0, atol=1e-9)
    measured = row_lengths(_as_sites(row), np.where(np.isin(np.arange(19), [0, 18])[:, None], located.grid_xy, np.nan),
                           np.full(19, 0.2))  # fmt: skip
    np.testing.assert_allclose(measured["per_lot"], [0.20], rtol=0, atol=1e-6)


def _as_sites(row):
    import pandas as pd

    labels = [f"A-{number + 1}" for number in range(len(row))]
    return pd.DataFrame({"label": labels, "section": "A", "row": "1", "plat_x": row[:, 0], "plat_y": row[:, 1]})


def test_lots_do_not_fold_however_the_plat_bends():
    corner = np.arange(200).reshape(10, 20)
    quads = np.stack([corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]], axis=-1).reshape(-1, 4)
    for seed in range(3):
        corners, _, found, read = distorted(20 + seed, bad=0, sigma=1.2, length=60.0)
        fit = fit_of(corners[found], read, local=PRIOR)
        held = np.flatnonzero(fit.used)
        located = locate(fit, corners, found[held], read[held], circles(0.05, len(held)), held)
        x, y = np.moveaxis(located.grid_xy[quads] - ORIGIN, 2, 0)
        area = 0.5 * (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
        assert (area > 0.5 * 192.0).all()
        assert (area < 1.5 * 192.0).all()


def test_located_locally_joins_held_and_unfound_by_simulation():
    # weights of a known covariance applied to redrawn truth: held corners err by their reading, others as predicted
    rng = np.random.default_rng(13)
    corners = lots(5, 4)
    found = np.array([0, 3, 6, 9, 12, 15, 18])
    fit = fit_of(corners[found], corners[found] + ORIGIN, sigma=0.15)
    covariance = Covariance(0.5, 60.0, 0.2)
    given = corners[found], fit.jacobian(corners[found]), np.zeros((7, 2)), circles(0.15, 7)
    local = Local((Collocation(*given, covariance),), np.ones(1), covariance, 1.0, np.inf)
    object.__setattr__(fit, "local", local)
    object.__setattr__(fit, "local_row", np.arange(7))
    located = locate(fit, corners, found[:4], (corners + ORIGIN)[found[:4]], circles(0.15, 4), np.arange(4))
    index = np.array([0, 1, 6, 7])
    joint = located.joint(index[None])[0]
    n = 20_000
    matrix = covariance.at(cdist(corners, corners)) + 1e-12 * np.eye(20)
    stands = np.linalg.cholesky(matrix) @ rng.standard_normal((n, 20, 2)) + rng.normal(0, 0.2, (n, 20, 2))
    noise = rng.normal(0, 0.15, (n, 7, 2))
    steps = np.eye(14).reshape(14, 7, 2)
    weights = np.stack(
        [
            Collocation(*given[:2], step, given[3], covariance).predicted(corners, fit.jacobian(corners))
            for step in steps
        ]
    )
    predicted = np.einsum("nk,kmi->nmi", (stands[:, found] + noise).reshape(n, 14), weights)
    error = predicted - stands
    error[:, found[:4]] = noise[:, :4]
    np.testing.assert_allclose(joint, np.cov(error[:, index].reshape(n, 8).T), rtol=0, atol=0.006)
    xy, cov, _ = located.mean(index[None], [[0.25] * 4])
    mix = np.kron(np.full(4, 0.25), np.eye(2))
    np.testing.assert_allclose(cov[0], mix @ joint @ mix.T, rtol=0, atol=1e-12)
    np.testing.assert_allclose(xy[0], located.grid_xy[index].mean(axis=0), rtol=0, atol=1e-7)


def test_a_ground_says_whether_a_signal_is_sought():
    text = (
        'schema_version = 1\nname = "X"\ncrs = "EPSG:6549"\n[[plat]]\nname = "1889"\ndate = "1889"\n'
        '[[plat]]\nname = "1922"\ndate = "1922"\nlocal = false\n'
        '[[section]]\nname = "A"\nplat = "1889"\n[[section.rows]]\nat = ["0 ft", "0 ft"]\nrun = "north"\n'
        'step = "east"\nrows = 1\nlots = 2\nfrontage = "16 ft"\ndepth = "12 ft"\n'
    )
    ground = parse_ground(text, Path("x"))
    assert [entry.local for entry in ground.plats] == [True, False]
    with pytest.raises(InputError, match="neither true nor false"):
        parse_ground(text.replace("local = false", 'local = "no"'), Path("x"))
