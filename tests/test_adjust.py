"""Least squares on arrays against published networks, closed forms, statsmodels and Monte Carlo."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cemgis.adjust import adjust, error_ellipse, noncentrality, radius_95, tau_critical, w_critical
from cemgis.errors import InputError

# Levelling network of the BME tutorial level_net.rst (Z. Siki, OSGeoLabBp/tutorials): from, to, height difference (m),
# length (km); point 4 is fixed at 101.345 m; standard deviation 0.7 mm/km times the length
LEVELS = [
    (1, 2, -0.749, 1.1),
    (1, 3, -1.274, 1.8),
    (1, 4, -2.890, 1.4),
    (2, 3, -0.530, 1.5),
    (2, 4, -2.141, 1.9),
    (3, 4, -1.614, 0.9),
]


def level_network():
    design = np.zeros((6, 3))
    observed = np.zeros(6)
    for row, (start, end, rise, _) in enumerate(LEVELS):
        observed[row] = rise * 1000.0
        for point, sign in ((start, -1.0), (end, 1.0)):
            if point == 4:
                observed[row] -= sign * 101345.0
            else:
                design[row, point - 1] = sign
    variance = np.array([(0.7 * length) ** 2 for *_, length in LEVELS])
    return adjust(design, observed, variance)


def test_level_network_as_published():
    # source: the tutorial's own listing; heights to 0.1 mm, m0 1.65, v'Pv 8.217, redundancy 3
    net = level_network()
    np.testing.assert_allclose(net.parameters / 1000.0, [104.2350, 103.4868, 102.9588], rtol=0, atol=6e-5)
    np.testing.assert_allclose(net.residuals, [0.811, -2.177, 0.003, 2.012, -0.808, 0.180], rtol=0, atol=6e-4)
    np.testing.assert_allclose(net.redundancy, [0.314, 0.686, 0.511, 0.547, 0.707, 0.234], rtol=0, atol=6e-4)
    np.testing.assert_allclose(net.w, [1.880, -2.085, 0.004, 2.592, -0.722, 0.590], rtol=0, atol=6e-4)
    np.testing.assert_allclose(net.tau, [1.136, -1.260, 0.003, 1.566, -0.436, 0.357], rtol=0, atol=6e-4)
    sigma = net.sigma0 * np.sqrt(np.diag(net.covariance))
    np.testing.assert_allclose(sigma, [1.13, 1.19, 0.91], rtol=0, atol=6e-3)
    assert net.vtpv == pytest.approx(8.217, abs=6e-4)
    assert net.sigma0 == pytest.approx(1.654998, abs=1e-6)
    assert net.dof == 3
    assert net.redundancy.sum() == pytest.approx(3.0, abs=1e-9)


def test_level_network_snooping():
    # computed with scipy: the global test fails at 5 %, no single w is over 3.29; least detectable (mm)
    net = level_network()
    whole = net.global_test(0.05)
    assert whole.critical == pytest.approx(7.815, abs=5e-4)
    assert not whole.passed
    assert np.abs(net.w).max() < w_critical(0.001)
    np.testing.assert_allclose(
        net.smallest_detectable(0.001, 0.80), [5.68, 6.28, 5.66, 5.87, 6.53, 5.38], rtol=0, atol=6e-3
    )


# Pope (1976), t from scipy, two decimals more than the printed tables
TAU = {
    0.05: [1.4099, 1.6454, 1.7567, 1.8143, 1.8481, 1.8848, 1.9039, 1.9261, 1.9358, 1.9447],
    0.01: [1.4140, 1.7147, 1.9175, 2.0509, 2.1421, 2.2562, 2.3236, 2.4113, 2.4539, 2.4956],
    0.001: [1.4142, 1.7303, 1.9823, 2.1781, 2.3292, 2.5407, 2.6786, 2.8735, 2.9749, 3.0785],
}


@pytest.mark.parametrize("alpha", TAU)
def test_tau_table(alpha):
    found = [tau_critical(r, alpha) for r in (2, 3, 4, 5, 6, 8, 10, 15, 20, 30)]
    np.testing.assert_allclose(found, TAU[alpha], rtol=0, atol=6e-5)


def test_tau_of_a_point_is_the_f_test_of_leaving_it_out():
    # both coordinates at once: T/2 over s^2 without the point is F with 2 and r - 2; T = r F2/(r - 2 + F2), F2 = 2 F
    for r in (4.0, 9.0, 40.0):
        twice = 2.0 * stats.f.isf(0.001, 2, r - 2)
        assert tau_critical(r, 0.001, 2) ** 2 == pytest.approx(r * twice / (r - 2 + twice), rel=1e-9)
    assert tau_critical(1e7, 0.001, 2) == pytest.approx(w_critical(0.001, 2), abs=1e-4)
    with pytest.raises(InputError, match="redundancy of 2"):
        tau_critical(2, 0.001, 2)


def test_baarda_constants():
    # Baarda 1968, from memory: k = 3.29, delta0 = 4.13 at 0.001 and 80 %; 2.8016 and 3.4175 at 5 % and 1 %
    assert w_critical(0.001) == pytest.approx(3.29053, abs=1e-5)
    assert noncentrality(0.001, 0.80) == pytest.approx(4.13215, abs=1e-5)
    assert noncentrality(0.05, 0.80) == pytest.approx(2.8016, abs=1e-4)
    assert noncentrality(0.01, 0.80) == pytest.approx(3.4175, abs=1e-4)
    root = noncentrality(0.001, 0.80, 2)
    assert stats.ncx2.sf(stats.chi2.isf(0.001, 2), 2, root**2) == pytest.approx(0.80, abs=1e-9)


def test_smallest_detectable_is_noticed_that_often():
    rng = np.random.default_rng(4)
    design = np.column_stack([np.ones(8), np.arange(8.0)])
    variance = np.linspace(0.5, 2.0, 8)
    size = adjust(design, np.zeros(8), variance).smallest_detectable(0.01, 0.80)[2]
    noise = rng.normal(size=(4000, 8)) * np.sqrt(variance)
    noise[:, 2] += size
    noticed = [abs(adjust(design, one, variance).w[2]) > w_critical(0.01) for one in noise]
    assert np.mean(noticed) == pytest.approx(0.80, abs=3 * 0.0063)


def test_statsmodels_agrees():
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(25), rng.normal(size=(25, 3))])
    variance = rng.uniform(0.5, 3.0, 25)
    observed = design @ [3.0, -1.0, 0.5, 2.0] + rng.normal(size=25) * np.sqrt(variance)
    ours = adjust(design, observed, variance)
    theirs = sm.WLS(observed, design, weights=1.0 / variance).fit()
    np.testing.assert_allclose(ours.parameters, theirs.params, rtol=0, atol=1e-10)
    np.testing.assert_allclose(ours.covariance * ours.sigma0**2, theirs.cov_params(), rtol=0, atol=1e-10)
    np.testing.assert_allclose(ours.residuals, -theirs.resid, rtol=0, atol=1e-10)
    root = np.sqrt(1.0 / variance)
    influence = sm.OLS(observed * root, design * root[:, None]).fit().get_influence()
    np.testing.assert_allclose(-ours.tau, influence.resid_studentized_internal, rtol=0, atol=1e-9)
    np.testing.assert_allclose(1.0 - ours.redundancy, influence.hat_matrix_diag, rtol=0, atol=1e-10)


def test_full_covariance_agrees_with_statsmodels_gls_and_with_blocks():
    rng = np.random.default_rng(9)
    root = rng.normal(size=(6, 2, 2))
    blocks = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(2)
    whole = np.zeros((12, 12))
    for at in range(6):
        whole[2 * at : 2 * at + 2, 2 * at : 2 * at + 2] = blocks[at]
    design = rng.normal(size=(12, 3))
    observed = rng.normal(size=12)
    by_block, by_matrix = adjust(design, observed, blocks), adjust(design, observed, whole)
    theirs = sm.GLS(observed, design, sigma=whole).fit()
    for ours in (by_block, by_matrix):
        np.testing.assert_allclose(ours.parameters, theirs.params, rtol=0, atol=1e-10)
        np.testing.assert_allclose(ours.covariance, theirs.normalized_cov_params, rtol=0, atol=1e-10)
    np.testing.assert_allclose(by_block.w, by_matrix.w, rtol=0, atol=1e-9)
    # the statistic of a block against its definition v' Qvv^-1 v
    residual = by_block.residuals.reshape(6, 2)
    direct = [v @ np.linalg.solve(q, v) for v, q in zip(residual, by_block.residual_covariance, strict=True)]
    np.testing.assert_allclose(by_block.block_statistic, direct, rtol=0, atol=1e-8)


def test_conformal_design_as_published():
    # Ghilani & Wolf, Adjustment Computations, Example 18.1; sigmas computed independently with numpy
    given = [(121.622, -128.066), (141.228, 187.718), (175.802, 135.728)]
    wanted = [1049422.40, 51089.20, 1049413.95, 49659.30, 1049244.95, 49884.95]
    design = np.array([row for x, y in given for row in ([x, -y, 1.0, 0.0], [y, x, 0.0, 1.0])])
    fit = adjust(design, wanted, np.ones(6))
    np.testing.assert_allclose(fit.parameters[:2], [-4.51249, -0.25371], rtol=0, atol=6e-6)
    np.testing.assert_allclose(fit.parameters[2:], [1050003.715, 50542.131], rtol=0, atol=6e-4)
    np.testing.assert_allclose(fit.residuals, [0.0038, -0.0291, 0.1009, -0.0767, -0.1047, 0.1059], rtol=0, atol=6e-5)
    assert fit.sigma0 == pytest.approx(0.13982, abs=6e-6)
    assert fit.dof == 2
    sigma = fit.sigma0 * np.sqrt(np.diag(fit.covariance))
    np.testing.assert_allclose(sigma, [0.000576, 0.000576, 0.1226, 0.1226], rtol=0, atol=6e-5)


def test_affine_fiducials():
    # Ghilani & Wolf, Example 18.2, inputs from memory, fit computed independently with numpy
    given = [(0.764, 5.960), (5.062, 10.541), (9.663, 6.243), (5.350, 1.654)]
    wanted = [-113.000, 0.003, 0.001, 112.993, 112.998, 0.003, 0.001, -112.999]
    design = np.array([row for x, y in given for row in ([x, y, 1.0, 0, 0, 0], [0, 0, 0, x, y, 1.0])])
    fit = adjust(design, wanted, np.ones(8))
    expected = [25.369705, 0.822135, -137.184428, -0.807876, 25.403314, -150.738683]
    np.testing.assert_allclose(fit.parameters, expected, rtol=0, atol=6e-7)
    assert fit.sigma0 == pytest.approx(0.15209, abs=6e-6)
    np.testing.assert_allclose(np.abs(fit.residuals[::2]), [0.0979, 0.0976, 0.0979, 0.0976], rtol=0, atol=4e-4)
    np.testing.assert_allclose(np.abs(fit.residuals[1::2]), 0.0448, rtol=0, atol=4e-4)
    sigma = fit.sigma0 * np.sqrt(np.diag(fit.covariance))
    np.testing.assert_allclose(sigma[[0, 1, 3, 4]], 0.0242, rtol=0, atol=6e-5)


def test_what_nothing_checks_has_no_statistic():
    design = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    fit = adjust(design, [1.0, 1.2, 5.0], [1.0, 1.0, 1.0])
    assert np.isnan(fit.w[2])
    assert np.isfinite(fit.w[:2]).all()
    assert fit.smallest_detectable(0.001, 0.8)[2] > 1e100


@pytest.mark.parametrize(
    ("design", "observed", "covariance", "words"),
    [
        ([[1.0], [1.0]], [1.0], [1.0, 1.0], "does not belong"),
        ([[1.0], [1.0]], [1.0, 2.0], [1.0, 1.0, 1.0], "covariance of shape"),
        ([[1.0], [1.0]], [1.0, np.nan], [1.0, 1.0], "not finite"),
        ([[1.0], [1.0]], [1.0, 2.0], [1.0, 0.0], "positive definite"),
        ([[1.0, 2.0]], [1.0], [1.0], "cannot give 2 parameters"),
        ([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], [1.0, 2.0, 3.0], [1.0, 1.0, 1.0], "tell the parameters apart"),
        ([[1.0, 0.0], [2.0, 0.0]], [1.0, 2.0], [1.0, 1.0], "tell the parameters apart"),
    ],
)
def test_bad_input_is_refused(design, observed, covariance, words):
    with pytest.raises(InputError, match=words):
        adjust(design, observed, covariance)


def test_no_test_without_redundancy():
    fit = adjust(np.eye(2), [1.0, 2.0], [1.0, 1.0])
    assert fit.dof == 0
    assert np.isnan(fit.sigma0)
    with pytest.raises(InputError, match="nothing is left over"):
        fit.global_test(0.05)
    with pytest.raises(InputError, match="0 < alpha"):
        noncentrality(0.5, 0.2)


# ---- ellipses and circles --------------------------------------------------------------------------------------------


def test_error_ellipse_as_published():
    # Ghilani, Adjustment Computations, ch. 19: cofactors from memory, ellipse computed independently with numpy
    cov = 0.136**2 * np.array([[1.198574, -1.160249], [-1.160249, 2.634937]])
    major, minor, azimuth = error_ellipse(cov)
    assert float(major) == pytest.approx(0.24636, abs=6e-6)
    assert float(minor) == pytest.approx(0.10106, abs=6e-6)
    assert float(azimuth) == pytest.approx(150.879, abs=6e-4)


def test_error_ellipse_axis_points_along_the_spread():
    for degrees in (10.0, 80.0, 100.0, 179.0):
        turn = np.radians(degrees)
        along, across = np.array([np.sin(turn), np.cos(turn)]), np.array([np.cos(turn), -np.sin(turn)])
        cov = 4.0 * np.outer(along, along) + np.outer(across, across)
        assert float(error_ellipse(cov)[2]) == pytest.approx(degrees, abs=1e-6)


def test_radius_95_of_circle_and_line():
    # sqrt(-2 ln 0.05) (FGDC-STD-007.3-1998) and the two-sided 95 % normal and t deviates
    assert float(radius_95(np.eye(2))) == pytest.approx(2.447747, abs=2e-5)
    assert float(radius_95([[0.0, 0.0], [0.0, 4.0]])) == pytest.approx(2 * 1.959964, abs=5e-5)
    line = np.array([[1.0, 1.0], [1.0, 1.0]])
    for dof in (1.0, 2.0, 5.0, 30.0):
        expected = np.sqrt(2.0) * stats.t.ppf(0.975, dof)
        assert float(radius_95(line, dof)) == pytest.approx(expected, rel=3e-5)


@pytest.mark.parametrize(("dof", "factor"), [(2, 6.164), (3, 4.371), (4, 3.727), (6, 3.207), (10, 2.865)])
def test_radius_95_of_t_is_the_ellipse_multiplier(dof, factor):
    # Ghilani ch. 19: sqrt(2 F(0.95, 2, dof))
    assert float(radius_95(np.eye(2), dof)) == pytest.approx(factor, abs=6e-4)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.01, 1.0), st.floats(0.0, 180.0), st.sampled_from([None, 3.0, 7.5, 40.0]), st.integers(0, 2**32 - 1))
def test_radius_95_holds_95_percent(ratio, azimuth, dof, seed):
    turn = np.radians(azimuth)
    axes = np.array([[np.sin(turn), np.cos(turn)], [np.cos(turn), -np.sin(turn)]])
    root = axes.T @ np.diag([1.0, ratio])
    rng = np.random.default_rng(seed)
    deviate = rng.normal(size=(40_000, 2)) @ root.T
    if dof is not None:
        deviate /= np.sqrt(rng.chisquare(dof, size=(40_000, 1)) / dof)
    inside = (np.hypot(*deviate.T) <= float(radius_95(root @ root.T, dof))).mean()
    assert inside == pytest.approx(0.95, abs=5 * np.sqrt(0.95 * 0.05 / 40_000))


def test_radius_95_is_vectorised_and_keeps_gaps():
    cov = np.stack([np.eye(2), 4.0 * np.eye(2), np.full((2, 2), np.nan)])
    out = radius_95(cov, [np.inf, 4.0, 4.0])
    np.testing.assert_allclose(out[:2], [2.447747, 2 * 3.7267], rtol=0, atol=2e-3)
    assert np.isnan(out[2])
    assert radius_95(np.zeros((3, 2, 2))).tolist() == [0.0, 0.0, 0.0]
    with pytest.raises(InputError, match="fewer than 1 degree"):
        radius_95(np.eye(2), 0.5)
