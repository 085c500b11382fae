"""A fitted plat: parameters, covariance, tests, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis.fit.models import MODELS, design_of
from cemgis.signal import Local

__all__ = ["Fit"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Fit:
    """A plat placed on the grid, and what it says of every marker.

    Parameters
    ----------
    model : str
        A key of `MODELS`.
    plat_xy, grid_xy : (n, 2) arrays
        Where each marker belongs by the plat, and where it was read.
    reading_cov : (n, 2, 2) array
        Covariance of the readings.
    plat_centre : (2,) array
    spread : float
        Root mean square distance of the used markers from that centre; parameters are lengths at this distance.
    linear : (2, 2) array
        Grid units a plat unit.
    offset : (2,) array
        Grid coordinates of `plat_centre`.
    cov : (p, p) array
        Covariance of the centred parameters, setting error and readings included.
    gain : (n, p, 2) array
        How the error of each marker goes into the parameters; zero for markers that are not used.
    gain_square : (p, p) array
        Sum of gain times its transpose: what a unit of setting variance does to the parameters.
    setting_sigma : float
        How far markers of this plat were set from their places, each coordinate, as estimated.
    dof : float
        How many misses that estimate is worth, the first guess included; for the t factor of `radius_95`.
    sigma0 : float
        Root mean square of the used misses against readings and the *first guess* of the setting error; above 1 when
        the markers of this plat miss by more than the rule expects. NaN without redundancy.
    global_chance : float
        Chance of a `sigma0` so large under that first guess.
    condition : float
        Of the weighted, scaled design.
    used : (n,) array of bool
    checked : bool
        Whether anything is left over to check the fit with.
    unresolved : (n,) array of bool
        Used markers that fail the test but cannot be set aside, as nothing would then check the rest.
    misses : (n, 2) array
        Found minus fitted.
    w : (n,) array
        Root of the statistic of both coordinates under the first guess of the setting error (Baarda).
    tau, tau_limit : (n,) arrays
        The same under the estimated setting error (Pope), as if the marker were in the fit, and its critical value.
    redundancy : (n,) array
        Share of the marker that the others check; 1 for markers not used.
    smallest_detectable : (n,) array
        Least miss of this marker that the test would notice with the given power.
    leave_one_out : (n, 2) array
        Found minus predicted from all other used markers.
    local : cemgis.signal.Local, optional
        Signal beside the model. Then `misses`, `tau`, `tau_limit`, `redundancy`, `smallest_detectable`,
        `leave_one_out`, `unresolved` and `used` come from both together; everything else is the model's alone.
    local_row : (n,) array of int, optional
        Row of each marker in it, -1 for those that take no part.
    bad_chance : (n,) array, optional
        Chance that a marker is bad, where there are so few that every choice was weighed.
    """

    model: str
    plat_xy: Floats
    grid_xy: Floats
    reading_cov: Floats
    plat_centre: Floats
    spread: float
    linear: Floats
    offset: Floats
    cov: Floats
    gain: Floats
    gain_square: Floats
    setting_sigma: float
    dof: float
    sigma0: float
    global_chance: float
    condition: float
    used: Flags
    checked: bool
    unresolved: Flags
    misses: Floats
    w: Floats
    tau: Floats
    tau_limit: Floats
    redundancy: Floats
    smallest_detectable: Floats
    leave_one_out: Floats
    local: Local | None = None
    local_row: Ints | None = None
    bad_chance: Floats | None = None

    def transform(self, plat_xy: npt.ArrayLike) -> Floats:
        """Grid coordinates (m, 2) of plat coordinates (m, 2) by the model alone."""
        out: Floats = (np.asarray(plat_xy, dtype=float) - self.plat_centre) @ self.linear.T + self.offset
        return out

    def place(self, plat_xy: npt.ArrayLike) -> Floats:
        """Likeliest grid coordinates (m, 2) of plat coordinates (m, 2): the model, and the signal if there is one."""
        plat = np.asarray(plat_xy, dtype=float).reshape(-1, 2)
        if self.local is None:
            return self.transform(plat)
        return self.transform(plat) + self.local.predicted(plat, self.jacobian(plat))[0]

    def turn(self, plat_vectors: npt.ArrayLike) -> Floats:
        """Grid vectors (m, 2) of plat vectors (m, 2): an inset, a side, a direction."""
        out: Floats = np.asarray(plat_vectors, dtype=float) @ self.linear.T
        return out

    def inverse(self, grid_xy: npt.ArrayLike) -> Floats:
        """Plat coordinates (m, 2) of grid coordinates (m, 2)."""
        out: Floats = (np.asarray(grid_xy, dtype=float) - self.offset) @ np.linalg.inv(self.linear).T + self.plat_centre
        return out

    def jacobian(self, plat_xy: npt.ArrayLike) -> Floats:
        """Return derivatives (m, 2, p) of the grid coordinates by the centred parameters."""
        u = (np.asarray(plat_xy, dtype=float) - self.plat_centre) / self.spread
        return design_of(self.model, u, self.linear * self.spread)

    def covariance_at(self, plat_xy: npt.ArrayLike, *, setting: bool = True) -> Floats:
        """Covariance (m, 2, 2) of `place`; with the setting error of what stands there unless told otherwise."""
        jacobian = self.jacobian(plat_xy)
        if self.local is not None:
            plat = np.asarray(plat_xy, dtype=float).reshape(-1, 2)
            apart = self.local.predicted(plat, jacobian)[1]
            groups = np.arange(len(plat))[:, None]
            known: Floats = self.local.joint(plat, jacobian, groups, np.full(len(plat), -1), apart)[0]
            known = known.reshape(-1, 2, 2)
            return known + self.local.setting_variance * np.eye(2) if setting else known
        out: Floats = jacobian @ self.cov @ jacobian.transpose(0, 2, 1)
        return out + self.setting_sigma**2 * np.eye(2) if setting else out

    @property
    def set_to(self) -> float:
        """How far markers were set from their places, the signal apart if there is one."""
        return self.setting_sigma if self.local is None else self.local.likely.setting

    @property
    def parameters(self) -> pd.DataFrame:
        """Parameters about the plat's own origin: value and sigma by name.

        ``E = a x - b y + te``, ``N = b x + a y + tn`` for conformal; ``E = a x + b y + te``, ``N = c x + d y + tn``
        for affine; ``rotation`` in degrees, counter-clockwise from plat to grid, for rigid.
        """
        origin = np.zeros((1, 2))
        move = self.transform(origin)[0]
        lead = {"shift": 0, "rigid": 1, "conformal": 2, "affine": 4}[self.model]
        p = MODELS[self.model]
        rows = np.zeros((lead + 2, p))
        rows[lead:] = self.jacobian(origin)[0]
        if self.model == "rigid":
            names, values = ["rotation"], [self.rotation_deg]
            rows[0, 0] = np.degrees(1.0 / self.spread)
        elif self.model == "conformal":
            names, values = ["a", "b"], [self.linear[0, 0], self.linear[1, 0]]
            rows[0, 0] = rows[1, 1] = 1.0 / self.spread
        elif self.model == "affine":
            names, values = ["a", "b", "c", "d"], list(self.linear.ravel())
            rows[[0, 1, 2, 3], [0, 1, 3, 4]] = 1.0 / self.spread
        else:
            names, values = [], []
        sigma = np.sqrt(np.einsum("ip,pq,iq->i", rows, self.cov, rows))
        return pd.DataFrame({"value": [*values, *move], "sigma": sigma}, index=[*names, "te", "tn"])

    @property
    def scale(self) -> float:
        """Grid length of a plat length, the mean of both axes."""
        return float(np.sqrt(abs(np.linalg.det(self.linear))))

    @property
    def axis_scales(self) -> tuple[float, float]:
        """Scale along the plat's x and along its y."""
        return float(np.linalg.norm(self.linear[:, 0])), float(np.linalg.norm(self.linear[:, 1]))

    @property
    def skew_deg(self) -> float:
        """By how much the angle from the plat's x to its y falls short of 90 degrees."""
        x, y = self.linear[:, 0], self.linear[:, 1]
        return float(90.0 - np.degrees(np.arctan2(x[0] * y[1] - x[1] * y[0], x @ y)))

    @property
    def rotation_deg(self) -> float:
        """Counter-clockwise turn from plat to grid, degrees, -180 to 180."""
        return float(
            np.degrees(np.arctan2(self.linear[1, 0] - self.linear[0, 1], self.linear[0, 0] + self.linear[1, 1]))
        )

    @property
    def azimuth_of_plat_north(self) -> float:
        """Grid azimuth of the plat's y axis, degrees clockwise."""
        return float(np.degrees(np.arctan2(self.linear[0, 1], self.linear[1, 1])) % 360.0)

    @property
    def redundancy_total(self) -> int:
        """Observations left over."""
        return 2 * int(self.used.sum()) - MODELS[self.model]
