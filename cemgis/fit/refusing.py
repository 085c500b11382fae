"""Markers that cannot place a plat are refused, with what to find next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cemgis.errors import Gather, InputError
from cemgis.fit.models import MODELS, SHAPE_LIMIT

__all__ = ["AGREE_SHARE", "Ask", "check_markers", "count_apart", "least_sites"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
AGREE_SHARE = 1.0 / 3.0
"""A plat that fewer of its markers agree with is not placed. Assumption, no source."""


def few_names(labels: Sequence[str], rows: Sequence[int] | Ints) -> str:
    """Write the first labels of some rows, and how many more there are."""
    shown = [str(labels[int(row)]) for row in rows[:3]]
    more = f" and {len(rows) - 3} more" if len(rows) > 3 else ""
    return ", ".join(shown) + more


def least_sites(model: str) -> tuple[int, int]:
    """Different markers that give the model, and that also check it."""
    return (MODELS[model] + 1) // 2, MODELS[model] // 2 + 1


def count_apart(u: Floats) -> int:
    """How many different places there are."""
    return len(np.unique(np.round(u, 9), axis=0))


class Ask:
    """Refuses markers that cannot place a plat, and says what to find next."""

    def __init__(
        self,
        model: str,
        plat: Floats,
        names: Sequence[str],
        unfound: tuple[Sequence[str], npt.ArrayLike] | None,
        where: str,
    ) -> None:
        self.model, self.plat, self.names, self.where = model, plat, names, where
        self.unfound = [] if unfound is None else [str(name) for name in unfound[0]]
        self.places = np.zeros((0, 2)) if unfound is None else np.asarray(unfound[1], dtype=float).reshape(-1, 2)

    def suggest(self, rows: Ints, count: int, *, off_line: bool) -> str:
        """Name the unfound markers farthest from all that is known, one after another."""
        known = self.plat[rows]
        chosen: list[str] = []
        for _ in range(min(count, len(self.places))):
            if off_line and len(known) > 1:
                middle = known.mean(axis=0)
                distance = np.abs((self.places - middle) @ np.linalg.svd(known - middle, full_matrices=True)[2][1])
            else:
                start = known if len(known) else self.places.mean(axis=0)[None]
                distance = cKDTree(start).query(self.places)[0]
            best = int(np.argmax(distance))
            chosen.append(self.unfound[best])
            known = np.vstack([known, self.places[best]])
        return f" {' and '.join(chosen)} would do best." if chosen else ""

    def refuse_few(self, rows: Ints, *, allow_unchecked: bool) -> None:
        """Raise when there are too few different markers."""
        sites = count_apart(self.plat[rows])
        least, checked = least_sites(self.model)
        missing = (least if allow_unchecked else checked) - sites
        if missing <= 0:
            return
        what = f"{sites} found marker{'' if sites == 1 else 's'} cannot place it by a {self.model} fit"
        if sites >= least:
            what += " that anything checks"
        far = f"{few_names(self.names, rows)} and from one another" if len(rows) else "one another"
        more = f"{missing} more marker{'' if missing == 1 else 's'}"
        advice = self.suggest(rows, missing, off_line=False)
        remedy = f"Find {more}, as far from {far} as possible.{advice}"
        if sites >= least:
            remedy += " Or write allow_unchecked = true for this plat: then nothing tells a misread marker."
        raise InputError.of(self.where, what, remedy)

    def refuse_narrow(self, rows: Ints, width: float, sigma: float) -> None:
        """Raise when markers so wide apart and so well known do not give direction and scale."""
        if self.model == "shift" or sigma < SHAPE_LIMIT * width:
            return
        line = self.model == "affine" and count_apart(self.plat[rows]) > 1
        what = "lie on one line" if line else "lie too close together to give it a direction"
        far = "off that line, as far from" if line else "as far from"
        raise InputError.of(
            self.where,
            f"its markers ({few_names(self.names, rows)}) {what}",
            f"Find 1 more marker, {far} {self.names[int(rows[0])]} as possible." + self.suggest(rows, 1, off_line=line),
        )

    def refuse_disagreement(self, agree: int, as_mirror: int, total: int) -> None:
        """Raise because too few markers agree; say whether more would with the plat's mirror image."""
        remedy = "Check labels, section and the readings' reference."
        if as_mirror >= 2 * agree and as_mirror >= AGREE_SHARE * total:
            remedy = f"With x of the plat turned round {as_mirror} agree: mend its axes."
        what = (
            f"only {agree} of its {total} found markers agree" if agree else f"its {total} found markers do not agree"
        )
        raise InputError.of(self.where, f"{what} with one another", remedy)


def check_markers(
    plat: Floats,
    grid: Floats,
    reading: Floats,
    names: Sequence[str],
    model: str,
    prior: tuple[float, float],
    alpha: float,
    power: float,
    where: str,
) -> Flags:
    """Refuse what is no input; return which markers have a position."""
    gather = Gather()
    n = len(plat)
    if model not in MODELS:
        gather.add(where, f"there is no model {model!r}", f"Write one of {', '.join(MODELS)}.")
    if plat.shape != (n, 2) or grid.shape != (n, 2) or reading.shape != (n, 2, 2) or len(names) != n:
        gather.add(where, "plat, grid, covariance and labels differ in length", "Give one of each a marker.")
    if not (prior[0] > 0 and prior[1] >= 0):
        gather.add(where, f"setting error {prior[0]:g} worth {prior[1]:g} misses", "Give more than 0, and 0 or more.")
    if not 0 < alpha < power < 1:
        gather.add(where, f"alpha {alpha:g} and power {power:g}", "Give 0 < alpha < power < 1.")
    gather.raise_if_any()
    located: Flags = np.isfinite(np.concatenate([plat, grid], axis=1)).all(axis=1)
    east, north, both = reading[:, 0, 0], reading[:, 1, 1], reading[:, 0, 1]
    sound = (
        np.isfinite(reading).all(axis=(1, 2))
        & (east >= 0)
        & (north >= 0)
        & (np.abs(both - reading[:, 1, 0]) <= 1e-9 * (east + north))
    )
    broken = np.flatnonzero(located & ~(sound & (both**2 <= east * north * (1.0 + 1e-9))))
    if len(broken):
        raise InputError.of(
            where, f"the covariance of {few_names(names, broken)} is none", "Give variances of 0 or more."
        )
    return located
