"""Few markers: which are bad and how the plat bends, weighed together; against refits by hand and simulated grounds."""

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from test_fit import circles, lots
from test_signal import PRIOR, bent, plane
from threadpoolctl import threadpool_limits

from cemgis import suspects
from cemgis.adjust import radius_95
from cemgis.signal import Covariance
from cemgis.suspects import weigh

AREA = 60_000.0


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(limits=1):
        yield


def of(xy, observed, start=None, least=3, noise=0.05):
    n = len(xy)
    good = np.ones(n, dtype=bool) if start is None else start
    return weigh(xy, plane(xy), observed, circles(noise, n), PRIOR, moved_sigma=2.0, area=AREA, least=least, start=good)


def test_evidence_is_that_of_the_good_ones_times_the_density_of_the_bad():
    rng = np.random.default_rng(1)
    xy = rng.uniform(0, 300, (7, 2))
    observed, design, noise = rng.normal(0, 0.5, (7, 2)), plane(xy), circles(0.05, 7)
    made = [Covariance(0.6, 90.0, 0.2), Covariance(0.0, 1.0, 0.3)]
    evidence = suspects._Evidence(xy, design, observed, noise, made, 2.0, AREA)
    for bad in ((2,), (0, 5), (1, 3, 6)):
        good = np.setdiff1d(np.arange(7), bad)
        rest = suspects._Evidence(xy[good], design[good], observed[good], noise[good], made, 2.0, AREA).of(())
        for number, one in enumerate(made):
            # each bad marker about what universal kriging from the good ones predicts
            away = np.linalg.norm(xy[:, None] - xy[None], axis=-1)
            signal = one.at(away) if one.sigma else np.zeros((7, 7))
            full = np.kron(signal, np.eye(2)) + np.kron(np.diag(np.full(7, 0.05**2 + one.setting**2)), np.eye(2))
            flat, seen = design.reshape(14, -1), observed.reshape(14)
            rows = (2 * good[:, None] + [0, 1]).reshape(-1)
            inverse = np.linalg.inv(full[np.ix_(rows, rows)])
            normal = np.linalg.inv(flat[rows].T @ inverse @ flat[rows])
            trend = normal @ flat[rows].T @ inverse @ seen[rows]
            # a restricted likelihood leaves its power of 2 pi out: two less an observation for each bad marker
            expected = rest[number] + len(bad) * np.log(2.0 * np.pi)
            for marker in bad:
                mine = 2 * marker + np.arange(2)
                reach = full[np.ix_(mine, rows)] @ inverse
                mean = flat[mine] @ trend + reach @ (seen[rows] - flat[rows] @ trend)
                lever = flat[mine] - reach @ flat[rows]
                cov = full[np.ix_(mine, mine)] - reach @ full[np.ix_(rows, mine)] + lever @ normal @ lever.T
                moved = multivariate_normal(mean, cov + 4.0 * np.eye(2)).pdf(seen[mine])
                expected += np.log(0.5 * moved + 0.5 / AREA)
            assert evidence.of(bad)[number] == pytest.approx(expected, abs=1e-6)


def test_the_search_finds_what_trying_every_choice_finds(monkeypatch):
    rng = np.random.default_rng(2)
    xy = rng.uniform(0, 300, (7, 2))
    observed = rng.normal(0, 0.2, (7, 2))
    observed[4] += [3.0, -2.0]
    found = of(xy, observed).bad
    made, logs = suspects._covariances(PRIOR)
    evidence = suspects._Evidence(xy, plane(xy), observed, circles(0.05, 7), made, 2.0, AREA)
    chance, total = np.zeros(7), 0.0
    for k in range(5):
        for bad in combinations(range(7), k):
            prior = suspects.betaln(1.0 + k, 5.0 + 7 - k) - suspects.betaln(1.0, 5.0)
            weight = float(np.exp(evidence.of(bad) + logs + prior).sum())
            chance[list(bad)] += weight
            total += weight
    np.testing.assert_allclose(found, chance / total, rtol=0, atol=0.01)
    assert found[4] > 0.9
    assert np.delete(found, 4).max() < 0.3


def test_chances_sum_to_one_and_parts_stand_for_them():
    found = of(np.random.default_rng(3).uniform(0, 300, (6, 2)), np.random.default_rng(4).normal(0, 0.4, (6, 2)))
    assert found.weights.sum() == pytest.approx(1.0)
    assert 0.0 < found.chance < 1.0
    signal = sum(w for w, (_, one) in zip(found.weights, found.choices, strict=True) if one.sigma)
    assert signal == pytest.approx(found.chance, abs=0.15)  # 32 draws


def test_order_changes_nothing():
    rng = np.random.default_rng(5)
    xy, observed = rng.uniform(0, 300, (8, 2)), rng.normal(0, 0.3, (8, 2))
    order = rng.permutation(8)
    shift = plane(xy)
    one = of(xy, observed)
    two = weigh(xy[order], shift[order], observed[order], circles(0.05, 8), PRIOR,
                moved_sigma=2.0, area=AREA, least=3, start=np.ones(8, dtype=bool))  # fmt: skip
    np.testing.assert_allclose(two.bad, one.bad[order], rtol=0, atol=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.2])
def test_radii_hold_95_percent_with_seven_markers_some_of_them_bad(share):
    corner = np.arange(144).reshape(12, 12)
    quads = np.stack([corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]], axis=-1).reshape(-1, 4)
    xy, held = lots(12, 12, 16.0, 20.0), []
    for seed in range(40):
        rng = np.random.default_rng([6, seed])
        true = rng.normal(0, np.sqrt(4.0 * 0.04 / rng.chisquare(4)), xy.shape)
        if rng.random() > PRIOR.none:
            true = true + bent(rng, xy, abs(rng.normal(0, 0.7)) + 1e-9, np.exp(rng.normal(np.log(150.0), 0.8)))
        rows = rng.choice(144, 7, replace=False)
        read = true[rows] + rng.normal(0, 0.05, (7, 2))
        bad = rng.random(7) < share
        read[bad] += rng.normal(0, 2.0, (int(bad.sum()), 2))
        every = plane(np.vstack([xy[rows], xy]))
        given = xy[rows], every[:7], read, circles(0.05, 7)
        found = weigh(*given, PRIOR, moved_sigma=2.0, area=AREA, least=3, start=np.ones(7, dtype=bool))
        local = found.local(*given)
        free = quads[~np.isin(quads, rows).any(axis=1)]
        mean, apart = local.predicted(xy, every[7:])
        joint, _ = local.joint(xy, every[7:], free, np.full(144, -1), apart)
        cov = joint.mean(axis=(1, 3)) + local.setting_variance / 4.0 * np.eye(2)
        miss = np.hypot(*(mean - true)[free].mean(axis=1).T)
        dof = local.tail_dof(xy[free[:, 0]], every[7:][free[:, 0]], 0.25)
        held.append((miss <= radius_95(cov, dof)).mean())
    error = np.std(held) / np.sqrt(len(held))
    assert abs(np.mean(held) - 0.95) < 3.0 * error + 0.01, (np.mean(held), error)
