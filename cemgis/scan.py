"""A scanned drawing: transformations from its pixels to the grid, and what is wrong with them or their points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cemgis.adjust import adjust
from cemgis.errors import Gather, InputError
from cemgis.units import Unit, say_length

__all__ = ["MODELS", "Rectification", "bad_point", "look_at", "pixel_xy", "rectify", "say_points", "swapped_points"]

Floats = NDArray[np.float64]

MODELS: Mapping[str, int] = {"similarity": 2, "affine": 3, "second order": 6, "thin plate": 4}
"""Models by name with the least number of control points each takes."""

_PARAMETERS = {"similarity": 4, "affine": 6, "second order": 12}
_LATTICE = 33
_STEPS = 40
_STILL = 1e-6
_SWAP_GAIN = 4.0  # by which exchanging two points must lower the misses to be named. Assumption, no source
_ALONE = 5.0  # times the middle of the others' misses, for one point to be named. Assumption, no source
_MOST_PAIRS = 60
_EXACT = 1e-9


def pixel_xy(pixel: ArrayLike) -> Floats:
    """Coordinates of pixels as a drawing has them: x to the right, y up, from column and row counted down.

    Examples
    --------
    >>> pixel_xy([[10.0, 4.0]]).tolist()
    [[10.0, -4.0]]
    """
    return np.asarray(pixel, dtype=float).reshape(-1, 2) * [1.0, -1.0]


# ---- transformations ------------------------------------------------------------------------------------------------


def _basis(model: str, u: Floats, centres: Floats | None) -> Floats:
    x, y = u[:, 0], u[:, 1]
    columns = [np.ones_like(x), x, y]
    if model == "second order":
        columns += [x * y, x * x, y * y]
    out = np.column_stack(columns)
    if centres is not None:
        out = np.column_stack([_kernel(u, centres), out])
    return out


def _kernel(u: Floats, centres: Floats) -> Floats:
    """``r**2 log r`` of the thin plate (Duchon 1977, from memory)."""
    square = ((u[:, None] - centres[None]) ** 2).sum(axis=2)
    return np.asarray(0.5 * square * np.log(np.where(square > 0, square, 1.0)))


@dataclass(frozen=True)
class Rectification:
    """A transformation from a drawing's x, y to the grid.

    Parameters
    ----------
    model : str
        A key of `MODELS`.
    xy, grid : (n, 2) arrays
        Control points.
    labels : tuple of n str
    residuals : (n, 2) array
        Transformed minus given; zero for a thin plate, which passes through its points.
    leave_one_out : (n, 2) array
        The same when the point takes no part; NaN where the others are too few.
    dof : int
        Redundancy; 0 when nothing checks the transformation.
    sigma0 : float
        Standard deviation of one coordinate; NaN without redundancy.
    """

    model: str
    xy: Floats
    grid: Floats
    labels: tuple[str, ...]
    residuals: Floats
    leave_one_out: Floats
    dof: int
    sigma0: float
    centre: Floats
    spread: float
    origin: Floats
    weights: Floats
    centres: Floats | None

    def transform(self, xy: ArrayLike) -> Floats:
        """Grid coordinates (m, 2) of places (m, 2) of the drawing."""
        u = (np.asarray(xy, dtype=float).reshape(-1, 2) - self.centre) / self.spread
        return _basis(self.model, u, self.centres) @ self.weights + self.origin

    def jacobian(self, xy: ArrayLike) -> Floats:
        """Change (m, 2, 2) of the grid coordinates (rows) with x and y (columns)."""
        at = np.asarray(xy, dtype=float).reshape(-1, 2)
        h = 1e-4 * self.spread
        sides = [(self.transform(at + step) - self.transform(at - step)) / (2.0 * h) for step in np.eye(2) * h]
        return np.stack(sides, axis=2)

    def inverse(self, grid: ArrayLike, start: ArrayLike | None = None) -> Floats:
        """Places of the drawing (m, 2) for grid coordinates, by Newton's method; NaN where it finds none."""
        target = np.asarray(grid, dtype=float).reshape(-1, 2)
        if start is None:
            flat = np.linalg.lstsq(
                np.column_stack([np.ones(len(self.grid)), self.grid - self.origin]), self.xy, rcond=None
            )[0]
            at = np.column_stack([np.ones(len(target)), target - self.origin]) @ flat
        else:
            at = np.array(start, dtype=float).reshape(-1, 2)
        step = np.full_like(at, np.inf)
        for _ in range(_STEPS):
            slope = self.jacobian(at)
            off = self.transform(at) - target
            size = slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0]
            size = np.where(np.abs(size) > 0, size, np.nan)
            step = (
                np.column_stack(
                    [
                        slope[:, 1, 1] * off[:, 0] - slope[:, 0, 1] * off[:, 1],
                        slope[:, 0, 0] * off[:, 1] - slope[:, 1, 0] * off[:, 0],
                    ]
                )
                / size[:, None]
            )
            at = at - step
            if np.nanmax(np.abs(step), initial=0.0) < _STILL * max(self.spread, 1.0) * 1e-3:
                break
        at[~(np.abs(step).max(axis=1) < 1e-3 * self.spread)] = np.nan
        return np.asarray(at)

    @property
    def rms(self) -> float:
        """Root mean square length of the residuals."""
        return float(np.sqrt((self.residuals**2).sum(axis=1).mean()))

    @property
    def scale(self) -> float:
        """Grid units a pixel in the middle of the control points."""
        return float(np.sqrt(abs(np.linalg.det(self.jacobian(self.centre[None])[0]))))


def _fitted(model: str, u: Floats, to: Floats) -> tuple[Floats, Floats | None]:
    """Weights of the basis for the two grid coordinates."""
    if model == "similarity":
        n = len(u)
        design = np.zeros((n, 2, 4))
        design[:, 0] = np.column_stack([u[:, 0], -u[:, 1], np.ones(n), np.zeros(n)])
        design[:, 1] = np.column_stack([u[:, 1], u[:, 0], np.zeros(n), np.ones(n)])
        a, b, e, north = adjust(design.reshape(-1, 4), to.reshape(-1), np.ones(2 * n)).parameters
        return np.array([[e, north], [a, b], [-b, a]]), None
    if model == "thin plate":
        flat = _basis("affine", u, None)
        n, p = flat.shape
        full = np.block([[_kernel(u, u), flat], [flat.T, np.zeros((p, p))]])
        return np.linalg.solve(full, np.concatenate([to, np.zeros((p, 2))])), u
    basis = _basis(model, u, None)
    both = [adjust(basis, to[:, side], np.ones(len(u))).parameters for side in (0, 1)]
    return np.column_stack(both), None


def rectify(
    xy: ArrayLike, grid: ArrayLike, *, model: str, labels: Sequence[str] | None = None, where: str = "scan"
) -> Rectification:
    """Fit a transformation from a drawing to the grid.

    Parameters
    ----------
    xy : (n, 2) array
        Control points on the drawing, x to the right and y up (`pixel_xy`).
    grid : (n, 2) array
    model : str
        ``similarity``: moved, turned, scaled; ``affine``: also sheared; ``second order``: bent; ``thin plate``: through
        every point, as a thin sheet of metal would bend.
    labels : sequence of n str, optional
    where : str
        Named in the error.

    Raises
    ------
    InputError
        For an unknown model, too few points, two at one place, or all on one line.

    Examples
    --------
    >>> made = rectify([[0, 0], [10, 0], [10, 10], [0, 10]], [[5, 5], [25, 5], [25, 25], [5, 25]], model="similarity")
    >>> made.transform([[5, 5]]).round(9).tolist(), round(made.scale, 9), made.dof
    ([[15.0, 15.0]], 2.0, 4)
    """
    at, to = np.asarray(xy, dtype=float).reshape(-1, 2), np.asarray(grid, dtype=float).reshape(-1, 2)
    n = len(at)
    names = tuple(f"point {row + 1}" for row in range(n)) if labels is None else tuple(str(one) for one in labels)
    gather = Gather()
    if model not in MODELS:
        raise InputError.of(where, f"there is no model {model!r}", f"One of: {', '.join(MODELS)}.")
    if not (np.isfinite(at).all() and np.isfinite(to).all()):
        gather.add(where, "a control point has no place", "Leave it out.")
        gather.raise_if_any()
    if n < MODELS[model]:
        few = f"{n} control points, a {model} transformation takes {MODELS[model]} at least"
        raise InputError.of(where, few, "Add points, spread over the drawing, or use a simpler model.")
    for first, second in combinations(range(n), 2) if n <= 500 else ():
        if np.hypot(*(at[first] - at[second])) < _EXACT:
            gather.add(where, f"{names[first]} and {names[second]} are at one pixel", "Click one of them again.")
        elif np.hypot(*(to[first] - to[second])) < _EXACT:
            gather.add(where, f"{names[first]} and {names[second]} are at one place of the ground", "Mend a label.")
    gather.raise_if_any()
    centre, origin = at.mean(axis=0), to.mean(axis=0)
    axes = np.linalg.svd(at - centre, full_matrices=False)[1]
    if axes[0] == 0 or (model != "similarity" and axes[-1] < 1e-3 * axes[0]):
        raise InputError.of(where, "all control points lie on one line", "Add one well off it.")
    spread = float(np.sqrt((axes**2).sum() / n))
    u, local = (at - centre) / spread, to - origin
    try:
        weights, centres = _fitted(model, u, local)
    except (InputError, np.linalg.LinAlgError):
        what = f"the control points do not determine a {model} transformation"
        raise InputError.of(where, what, "Spread them over the drawing, or use a simpler model.") from None
    residuals = _basis(model, u, centres) @ weights - local
    left_out = np.full((n, 2), np.nan)
    if n > MODELS[model]:
        for row in range(n):
            rest = np.arange(n) != row
            try:
                other, its = _fitted(model, u[rest], local[rest])
            except (InputError, np.linalg.LinAlgError):
                continue  # without this point the others are on one line
            left_out[row] = (_basis(model, u[row : row + 1], its) @ other - local[row])[0]
    dof = 0 if model == "thin plate" else 2 * n - _PARAMETERS[model]
    sigma0 = float(np.sqrt((residuals**2).sum() / dof)) if dof else float("nan")
    return Rectification(
        model, at, to, names, residuals, left_out, dof, sigma0, centre, spread, origin, weights, centres
    )


# ---- what may be wrong ----------------------------------------------------------------------------------------------


def _misses(model: str, u: Floats, to: Floats) -> float:
    try:
        weights, _ = _fitted(model, u, to)
    except (InputError, np.linalg.LinAlgError):
        return float("inf")
    return float(np.sqrt(((_basis(model, u, None) @ weights - to) ** 2).sum(axis=1).mean()))


def swapped_points(xy: ArrayLike, grid: ArrayLike) -> tuple[int, int] | None:
    """Find two control points whose places were exchanged.

    Every pair is exchanged in turn, with at most 60 points; named is the one that lowers the misses to a quarter or
    less, if no other pair does nearly as much. Needs five points: fewer cannot tell.

    Examples
    --------
    >>> plan = np.array([[0, 0], [10, 1], [9, 12], [1, 9], [5, 4], [3, 2.0]])
    >>> swapped_points(plan, plan[[0, 3, 2, 1, 4, 5]] * 3.0)
    (1, 3)
    """
    at, to = np.asarray(xy, dtype=float), np.asarray(grid, dtype=float)
    n = len(at)
    if not 5 <= n <= _MOST_PAIRS:
        return None
    model = "affine" if n >= 7 else "similarity"
    u = (at - at.mean(axis=0)) / np.sqrt(((at - at.mean(axis=0)) ** 2).sum() / n)
    local = to - to.mean(axis=0)
    found = []
    for first, second in combinations(range(n), 2):
        order = np.arange(n)
        order[[first, second]] = second, first
        found.append((_misses(model, u, local[order]), first, second))
    found.sort()
    now = _misses(model, u, local)
    floor = _EXACT * np.abs(local).max()
    if now <= floor or found[0][0] > now / _SWAP_GAIN or found[1][0] < 2.0 * found[0][0] + floor:
        return None
    return found[0][1], found[0][2]


def bad_point(made: Rectification) -> int | None:
    """Tell the control point that misses by far more than the others when it takes no part; None where none does."""
    size = np.hypot(made.leave_one_out[:, 0], made.leave_one_out[:, 1])
    if np.isfinite(size).sum() < 5:
        return None
    worst = int(np.nanargmax(size))
    others = np.nanmedian(np.delete(size, worst))
    reach = np.hypot(*np.ptp(made.grid, axis=0))
    return worst if size[worst] > max(_ALONE * others, 1e-6 * reach) else None


def look_at(made: Rectification, size: tuple[float, float], *, shear: float, stretch: float, unit: Unit) -> list[str]:
    """Say what a transformation does to a drawing that no careful scan does: folds, mirrors, shears, scales.

    Parameters
    ----------
    made : Rectification
    size : (float, float)
        Width and height of the picture, pixels.
    shear : float
        Degrees by which a right angle may change.
    stretch : float
        Share by which the scales may differ, along the two axes or from place to place.
    unit : Unit

    Returns
    -------
    list of str

    Examples
    --------
    >>> from cemgis.units import FOOT
    >>> square = np.array([[0, 0], [10, 0], [10, -10], [0, -10]])
    >>> made = rectify(square, square * [2.0, 2.2], model="affine")
    >>> look_at(made, (10, 10), shear=0.5, stretch=0.01, unit=FOOT)
    ['scales the drawing by 2.000 ft a pixel along its rows and 2.200 along its columns: 10.0 % apart']
    """
    x, y = np.meshgrid(np.linspace(0, size[0], _LATTICE), np.linspace(0, size[1], _LATTICE))
    at = pixel_xy(np.column_stack([x.ravel(), y.ravel()]))
    slope = made.jacobian(at)
    det = np.linalg.det(slope)
    said = []
    if np.median(det) < 0:
        return [
            "mirrors the drawing: the control points are numbered round the wrong way, or the scan is a mirror image"
        ]
    folded = det <= 0
    if folded.any():
        where = np.abs(at[folded]).mean(axis=0)
        said.append(f"folds over {folded.mean():.0%} of the picture, about column {where[0]:.0f}, row {where[1]:.0f}")
    good = slope[~folded]
    along, down = (np.hypot(good[:, 0, side], good[:, 1, side]) for side in (0, 1))
    cosine = np.einsum("nx,nx->n", good[:, :, 0], good[:, :, 1]) / (along * down)
    skew = np.degrees(np.arcsin(np.clip(cosine, -1.0, 1.0)))
    middle = float(np.median(skew))
    if abs(middle) > shear:
        said.append(f"shears the drawing: right angles become {90.0 - middle:.1f} degrees")
    a, d = float(np.median(along)), float(np.median(down))
    if max(a, d) / min(a, d) - 1.0 > stretch:
        said.append(
            f"scales the drawing by {a:.3f} {unit.suffix} a pixel along its rows and {d:.3f} along its columns: "
            f"{max(a, d) / min(a, d) - 1.0:.1%} apart".replace("%", " %")
        )
    scale = np.sqrt(np.linalg.det(good))
    low, high = np.percentile(scale, [1.0, 99.0])
    if made.model in ("second order", "thin plate") and high / low - 1.0 > 5.0 * stretch:
        said.append(f"scales the drawing unevenly: {low:.3f} to {high:.3f} {unit.suffix} a pixel")
    return said


def say_points(made: Rectification, unit: Unit) -> list[str]:
    """Say how far each control point misses, and how far without it."""
    rows = []
    for name, miss, alone in zip(made.labels, made.residuals, made.leave_one_out, strict=True):
        without = "not checked" if np.isnan(alone).any() else say_length(float(np.hypot(*alone)), unit)
        rows.append(f"{name}: {say_length(float(np.hypot(*miss)), unit)}, left out {without}")
    return rows
