"""Weighted least squares on plain arrays: covariance, blunder tests, error ellipses and 95 % circles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from cemgis.errors import InputError

__all__ = [
    "Adjustment",
    "GlobalTest",
    "adjust",
    "chi2_chance",
    "chi2_limit",
    "error_ellipse",
    "inverse_blocks",
    "noncentrality",
    "quadratics",
    "radius_95",
    "table_covariances",
    "tau_critical",
    "w_critical",
]

Floats = npt.NDArray[np.float64]

_WHERE = "adjustment"

_RANK = 1e-10
"""Columns whose scaled singular values spread wider than this are not told apart: about 1e6 roundings."""
_CHECKED = 1e-9
"""An observation with a smaller redundancy number is not checked by any other: it has no statistic."""


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """The chi-squared test of a whole adjustment against the covariance it was given.

    Parameters
    ----------
    statistic : float
        Weighted sum of squared residuals.
    dof : int
        Redundancy.
    critical : float
        Upper quantile; a greater statistic fails.
    chance : float
        Probability of a statistic this large if the covariance is right.
    """

    statistic: float
    dof: int
    critical: float
    chance: float

    @property
    def passed(self) -> bool:
        """Whether the residuals are no larger than their covariance allows."""
        return self.statistic <= self.critical


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A weighted least-squares adjustment of n observations in m blocks of k for p parameters.

    Parameters
    ----------
    parameters : (p,) array
    covariance : (p, p) array
        Of the parameters, if the covariance of the observations is right (not multiplied by ``sigma0**2``).
    residuals : (n,) array
        Adjusted minus observed.
    residual_covariance : (m, k, k) array
        Blocks of the residuals' covariance.
    redundancy : (n,) array
        Share of each observation that the others check; sums to ``dof``.
    w : (n,) array
        Baarda's statistic, signed like the residual; NaN where nothing checks the observation.
    block_statistic : (m,) array
        The same for all k observations of a block together: chi-squared with k degrees of freedom if the block is good.
    dof : int
        Redundancy n - p.
    vtpv : float
        Weighted sum of squared residuals.
    sigma0 : float
        Standard deviation of unit weight; NaN without redundancy.
    condition : float
        Condition number of the weighted design, its columns scaled to length one.
    whitened_precision : (m, k, k) array
        Blocks of ``P Qvv P``, what a blunder is weighed with.
    """

    parameters: Floats
    covariance: Floats
    residuals: Floats
    residual_covariance: Floats
    redundancy: Floats
    w: Floats
    block_statistic: Floats
    dof: int
    vtpv: float
    sigma0: float
    condition: float
    whitened_precision: Floats

    @property
    def tau(self) -> Floats:
        """Pope's statistic: `w` with the adjustment's own `sigma0`."""
        return self.w / self.sigma0

    def global_test(self, alpha: float) -> GlobalTest:
        """Test whether the residuals are larger than the given covariance allows.

        Raises
        ------
        InputError
            Without redundancy.
        """
        if self.dof < 1:
            raise InputError.of(_WHERE, "nothing is left over to test it with", "Add an observation.")
        return GlobalTest(
            self.vtpv,
            self.dof,
            float(chi2_limit(alpha, self.dof)),
            float(chi2_chance(self.vtpv, self.dof)),
        )

    def smallest_detectable(self, alpha: float, power: float) -> Floats:
        """Least blunder (n,) of each observation that a `w` test at `alpha` notices with chance `power`.

        Infinite where nothing checks the observation. Source: Baarda 1968, from memory.
        """
        precision = np.diagonal(self.whitened_precision, axis1=1, axis2=2).reshape(-1)
        return noncentrality(alpha, power) / np.sqrt(np.where(self.redundancy > _CHECKED, precision, 0.0) + 1e-300)

    def block_smallest_detectable(self, alpha: float, power: float) -> Floats:
        """Least blunder (m,) of a whole block, in the direction it hides best, noticed with chance `power`."""
        size = self.whitened_precision.shape[1]
        least = np.linalg.eigvalsh(self.whitened_precision)[:, 0]
        checked = self.redundancy.reshape(-1, size).min(axis=1) > _CHECKED
        out: Floats = noncentrality(alpha, power, size) / np.sqrt(np.where(checked, least, 0.0) + 1e-300)
        return out


def _blocks(covariance: Floats, n: int) -> Floats:
    if covariance.shape == (n,):
        return covariance[:, None, None]
    if covariance.ndim == 2 and covariance.shape == (n, n):
        return covariance[None]
    if (
        covariance.ndim == 3
        and covariance.shape[1] == covariance.shape[2]
        and covariance.shape[0] * covariance.shape[1] == n
    ):
        return covariance
    raise InputError.of(
        _WHERE,
        f"a covariance of shape {covariance.shape} does not belong to {n} observations",
        "Give (n,) variances, (m, k, k) blocks or one (n, n) matrix.",
    )


def adjust(design: npt.ArrayLike, observed: npt.ArrayLike, covariance: npt.ArrayLike) -> Adjustment:
    """Adjust observations by weighted least squares, by QR of the whitened and scaled design.

    Centre coordinates before calling: the condition reported is that of what was given.

    Parameters
    ----------
    design : (n, p) array
    observed : (n,) array
        Observations less whatever is constant.
    covariance : array
        (n,) variances, (m, k, k) blocks of k neighbouring observations, or one (n, n) matrix. Positive definite.

    Returns
    -------
    Adjustment

    Raises
    ------
    InputError
        When shapes disagree, a number is not finite, a covariance is not positive definite, there are fewer
        observations than parameters, or the observations cannot tell the parameters apart.

    Notes
    -----
    With the Cholesky factor L of a block and the rows Q of the orthonormal factor that belong to it, the block of the
    residuals' covariance is ``L (I - Q Q') L'`` and its test statistic ``v' (I - Q Q')^-1 v`` with whitened v
    (Baarda 1968, Pope 1976, from memory).

    Examples
    --------
    >>> levels = adjust([[1.0], [1.0], [1.0]], [10.0, 10.2, 10.1], [0.01, 0.01, 0.01])
    >>> round(float(levels.parameters[0]), 3), levels.dof, round(levels.sigma0, 3)
    (10.1, 2, 1.0)
    """
    matrix = np.asarray(design, dtype=float)
    values = np.asarray(observed, dtype=float)
    if matrix.ndim != 2 or values.shape != matrix.shape[:1]:
        raise InputError.of(
            _WHERE,
            f"a design of shape {matrix.shape} does not belong to observations of shape {values.shape}",
            "One row of the design an observation.",
        )
    n, p = matrix.shape
    blocks = _blocks(np.asarray(covariance, dtype=float), n)
    if not (np.isfinite(matrix).all() and np.isfinite(values).all() and np.isfinite(blocks).all()):
        raise InputError.of(_WHERE, "some numbers are missing or not finite", "Leave those observations out.")
    if n < p or p == 0:
        raise InputError.of(_WHERE, f"{n} observations cannot give {p} parameters", "Add observations.")
    try:
        lower = np.linalg.cholesky(blocks)
    except np.linalg.LinAlgError:
        raise InputError.of(
            _WHERE,
            "a covariance is not positive definite",
            "Give every observation a standard deviation above 0.",
        ) from None
    m, k = blocks.shape[:2]
    white = np.linalg.solve(lower, matrix.reshape(m, k, p)).reshape(n, p)
    white_values = np.linalg.solve(lower, values.reshape(m, k, 1)).reshape(n)
    norm = np.linalg.norm(white, axis=0)
    q, r = np.linalg.qr(white / np.where(norm > 0, norm, 1.0))
    singular = np.linalg.svd(r, compute_uv=False)
    if (norm == 0).any() or singular[-1] < _RANK * singular[0]:
        raise InputError.of(
            _WHERE,
            "the observations cannot tell the parameters apart",
            "Add observations of another kind or place.",
        )
    r_inverse = np.linalg.solve(r, np.eye(p)) / norm[:, None]
    parameters = r_inverse @ (q.T @ white_values)
    white_residuals = (white @ parameters - white_values).reshape(m, k)
    rows = q.reshape(m, k, p)
    kept = np.eye(k) - rows @ rows.transpose(0, 2, 1)
    inverse = np.linalg.inv(lower)
    redundancy = np.einsum("mij,mjl,mli->mi", lower, kept, inverse).reshape(n)
    precision = inverse.transpose(0, 2, 1) @ kept @ inverse
    weighed = np.einsum("mji,mj->mi", inverse, white_residuals).reshape(n)
    diagonal = np.diagonal(precision, axis1=1, axis2=2).reshape(n)
    checked = redundancy > _CHECKED
    w = np.where(checked, weighed / np.sqrt(np.where(checked, diagonal, 1.0)), np.nan)
    values_kept, vectors = np.linalg.eigh(kept)
    along = np.einsum("mji,mj->mi", vectors, white_residuals)
    seen = values_kept > _CHECKED
    statistic = np.where(seen, along**2 / np.where(seen, values_kept, 1.0), 0.0).sum(axis=1)
    vtpv = float((white_residuals**2).sum())
    dof = n - p
    return Adjustment(
        parameters=parameters,
        covariance=r_inverse @ r_inverse.T,
        residuals=matrix @ parameters - values,
        residual_covariance=lower @ kept @ lower.transpose(0, 2, 1),
        redundancy=redundancy,
        w=w,
        block_statistic=np.where(seen.any(axis=1), statistic, np.nan),
        dof=dof,
        vtpv=vtpv,
        sigma0=float(np.sqrt(vtpv / dof)) if dof else float("nan"),
        condition=float(singular[0] / singular[-1]),
        whitened_precision=precision,
    )


# scipy.special has the same numbers as scipy.stats and is fetched a quarter of a second sooner, at every start.


def chi2_limit(alpha: npt.ArrayLike, dof: npt.ArrayLike) -> Any:
    """Value that a chi-squared deviate exceeds with chance `alpha`.

    Examples
    --------
    >>> round(float(chi2_limit(0.05, 2)), 4)
    5.9915
    """
    return special.chdtri(dof, alpha)


def chi2_chance(value: npt.ArrayLike, dof: npt.ArrayLike) -> Any:
    """Chance with which a chi-squared deviate exceeds `value`.

    Examples
    --------
    >>> round(float(chi2_chance(5.9915, 2)), 4)
    0.05
    """
    return special.chdtrc(dof, value)


def w_critical(alpha: float, size: int = 1) -> float:
    """Critical value of the w test; of the root of the statistic of `size` observations together.

    Source: Baarda 1968, from memory (0.001 gives 3.29).

    Examples
    --------
    >>> round(w_critical(0.001), 5)
    3.29053
    """
    return float(np.sqrt(chi2_limit(alpha, size)))


def tau_critical(redundancy: float, alpha: float, size: int = 1) -> float:
    """Critical value of the tau test, where the standard deviation comes from the same residuals.

    Parameters
    ----------
    redundancy : float
        Degrees of freedom of that standard deviation, the tested observation included.
    alpha : float
    size : int
        Observations tested together; 2 for the two coordinates of a point.

    Raises
    ------
    InputError
        When the redundancy is not greater than `size`: no test is possible.

    Notes
    -----
    ``tau**2 / r`` follows a beta distribution with ``size/2`` and ``(r - size)/2``; for one observation that is
    Pope's (1976) ``t sqrt(r) / sqrt(r - 1 + t**2)``.

    Examples
    --------
    >>> round(tau_critical(10, 0.001), 4)
    2.6786
    """
    if redundancy <= size:
        raise InputError.of(
            _WHERE,
            f"tau test: a redundancy of {redundancy:g} cannot test {size} at once",
            "Add observations that check them.",
        )
    return float(np.sqrt(redundancy * special.betainccinv(size / 2.0, (redundancy - size) / 2.0, alpha)))


def noncentrality(alpha: float, power: float, size: int = 1) -> float:
    """Root of the non-centrality at which a test at `alpha` notices with chance `power`.

    Source: Baarda 1968, from memory (0.001 and 0.80 give 4.13); for one observation the sum of the two normal
    quantiles, else from the non-central chi-squared distribution.

    Examples
    --------
    >>> round(noncentrality(0.001, 0.80), 5)
    4.13215
    """
    if not (0.0 < alpha < power < 1.0):
        raise InputError.of(
            _WHERE, f"blunder test with alpha {alpha:g} and power {power:g}", "Give 0 < alpha < power < 1."
        )
    if size == 1:
        return float(special.ndtri(power) - special.ndtri(alpha / 2.0))
    critical = chi2_limit(alpha, size)
    root: float = optimize.brentq(lambda square: 1.0 - special.chndtr(critical, size, square) - power, 1e-6, 1e4)
    return float(np.sqrt(root))


def inverse_blocks(blocks: Floats) -> Floats:
    """Inverse of (n, 2, 2) symmetric blocks, in closed form."""
    a, b, d = blocks[:, 0, 0], blocks[:, 0, 1], blocks[:, 1, 1]
    determinant = a * d - b * b
    out = np.empty_like(blocks)
    out[:, 0, 0], out[:, 1, 1] = d / determinant, a / determinant
    out[:, 0, 1] = out[:, 1, 0] = -b / determinant
    return out


def quadratics(vectors: Floats, blocks: Floats) -> Floats:
    """Quadratic forms (n,) of (n, k) vectors with (n, k, k) blocks."""
    out: Floats = np.einsum("ni,nij,nj->n", vectors, blocks, vectors)
    return out


def table_covariances(table: pd.DataFrame) -> Floats:
    """Covariances (n, 2, 2) from the columns ``cov_ee``, ``cov_en`` and ``cov_nn``; NaN where missing."""
    names = ("cov_ee", "cov_en", "cov_en", "cov_nn")
    return np.stack([table[name].to_numpy(dtype=float, na_value=np.nan) for name in names], axis=1).reshape(-1, 2, 2)


def error_ellipse(cov: npt.ArrayLike) -> tuple[Any, Any, Any]:
    """Semi-axes and azimuth of the standard error ellipse (39 % inside).

    Parameters
    ----------
    cov : (..., 2, 2) array
        Order east, north.

    Returns
    -------
    semi_major, semi_minor, azimuth : arrays
        The azimuth of the major axis in degrees clockwise from the north of the axes, 0 to 180.

    Examples
    --------
    >>> major, minor, azimuth = error_ellipse([[4.0, 0.0], [0.0, 1.0]])
    >>> float(major), float(minor), float(azimuth)
    (2.0, 1.0, 90.0)
    """
    matrix = np.asarray(cov, dtype=float)
    east, north, both = matrix[..., 0, 0], matrix[..., 1, 1], matrix[..., 0, 1]
    middle = (east + north) / 2.0
    half = np.hypot((east - north) / 2.0, both)
    azimuth = np.degrees(0.5 * np.arctan2(2.0 * both, north - east)) % 180.0
    return np.sqrt(middle + half), np.sqrt(np.maximum(middle - half, 0.0)), azimuth


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
_COS2 = np.cos((_NODES + 1.0) * np.pi / 4.0) ** 2


def _outside(radius: Floats, ratio: Floats, inverse_dof: Floats) -> Floats:
    """Probability of lying outside a circle, for semi-axes 1 and `ratio`; mean over the direction of the deviate."""
    reach = radius[..., None] ** 2 / (_COS2 + ratio[..., None] ** 2 * (1.0 - _COS2))
    h = inverse_dof[..., None]
    small = h < 1e-9
    tail = np.where(small, np.exp(-reach / 2.0), np.exp(-np.log1p(reach * h) / np.where(small, 1.0, 2.0 * h)))
    out: Floats = tail @ _WEIGHTS / 2.0
    return out


def _solve_radius(ratio: Floats, inverse_dof: Floats, share: float) -> Floats:
    """Radius that holds the share, by false position (Illinois) on the logarithm of what lies outside."""
    h = np.maximum(inverse_dof, 1e-12)
    # With equal axes (1 + r**2 h)**(-1/(2h)) lies outside, exactly; a second axis of nothing takes off less than half.
    last: Floats = np.sqrt(np.expm1(-2.0 * h * np.log(1.0 - share)) / h)
    first = last / 2.0

    def miss(radius: Floats) -> Floats:
        out: Floats = np.log(_outside(radius, ratio, inverse_dof) / (1.0 - share))
        return out

    at_first, at_last = miss(first), miss(last)
    for _ in range(40):
        slope = at_last - at_first
        moved = last - np.divide(at_last * (last - first), slope, out=np.zeros_like(last), where=slope != 0.0)
        at_moved = miss(moved)
        same = at_moved * at_last > 0.0
        first, at_first = np.where(same, first, last), np.where(same, at_first / 2.0, at_last)
        settled = np.abs(moved - last).max(initial=0.0) < 1e-12 * moved.max(initial=1.0)
        last, at_last = moved, at_moved
        if settled:
            break
    return last


@cache
def _radius_table() -> Any:
    """Log of the 95 % radius over the axis ratio and 1/dof (none to one degree of freedom)."""
    ratio = np.linspace(0.0, 1.0, 41)
    inverse_dof = np.linspace(0.0, 1.0, 61) ** 1.5
    first, second = np.meshgrid(ratio, inverse_dof, indexing="ij")
    from scipy import interpolate  # here: it takes a tenth of a second to fetch

    return interpolate.RectBivariateSpline(ratio, inverse_dof, np.log(_solve_radius(first, second, 0.95)), s=0)


def radius_95(cov: npt.ArrayLike, dof: npt.ArrayLike | None = None) -> Floats:
    """Radius of the circle that holds 95 % of a bivariate normal or t deviate with any covariance.

    Parameters
    ----------
    cov : (..., 2, 2) array
        Of the normal deviate; for t, its scale matrix.
    dof : float or array, optional
        Degrees of freedom of the t distribution, 1 or more; infinite or left out for the normal.

    Returns
    -------
    (...) array
        In the unit of the standard deviations; NaN where the covariance is.

    Raises
    ------
    InputError
        For degrees of freedom below 1.

    Notes
    -----
    With semi-axes a, b and a uniform direction u, the deviate stays inside R with probability
    ``1 - mean(exp(-R**2 / (2 s**2)))``, ``s**2 = (a cos u)**2 + (b sin u)**2``; for t the exponential becomes
    ``(1 + R**2/(dof s**2))**(-dof/2)``. Solved once on a grid and interpolated; relative error below 1e-5 (tested).

    Examples
    --------
    >>> round(float(radius_95([[1.0, 0.0], [0.0, 1.0]])), 4)
    2.4477
    >>> round(float(radius_95([[1.0, 0.0], [0.0, 0.0]])), 4)
    1.96
    """
    major, minor, _ = error_ellipse(cov)
    inverse_dof = np.zeros(()) if dof is None else 1.0 / np.asarray(dof, dtype=float)
    if np.any((inverse_dof > 1.0) | (inverse_dof < 0.0)):
        raise InputError.of(
            _WHERE, "95 % radius with fewer than 1 degree of freedom", "Find more markers that check one another."
        )
    ratio = np.divide(minor, major, out=np.zeros_like(np.asarray(major, dtype=float)), where=np.asarray(major) > 0)
    ratio, inverse_dof = np.broadcast_arrays(ratio, inverse_dof)
    out: Floats = major * np.exp(_radius_table().ev(np.nan_to_num(ratio), np.nan_to_num(inverse_dof)))
    return out
