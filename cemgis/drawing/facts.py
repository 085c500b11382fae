"""What a sheet says about the ground it shows, and the picture it may lie on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from cemgis.units import Unit

if TYPE_CHECKING:
    from cemgis.reference import GroundCRS

__all__ = ["Facts", "Underlay"]


Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Facts:
    """What every map and page says about the ground besides its layers.

    Parameters
    ----------
    name : str
    crs : GroundCRS
        The ground's reference system, with its name and unit.
    date : str
        ISO date printed on the face and written into the file.
    evidence_hash : str
        Hash of what it was made from.
    accuracy : str
        A sentence.
    convergence_deg : float
        At the middle of the ground; true azimuth = grid azimuth + convergence.
    declination_deg : float, optional
        East of true north, at the date.
    place : str
    """

    name: str
    crs: GroundCRS
    date: str
    evidence_hash: str
    accuracy: str
    convergence_deg: float
    declination_deg: float | None = None
    place: str = ""

    @property
    def unit(self) -> Unit:
        """The ground's unit of length."""
        unit: Unit = self.crs.unit
        return unit


@dataclass(frozen=True, slots=True)
class Underlay:
    """A picture to draw a map on: an aerial photograph, a rectified drawing, a shaded relief.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 4)
        Red, green, blue, opacity; the first row at the top.
    matrix : ndarray, shape (2, 3)
        Column and row, counted from the picture's upper left corner, to grid coordinates.
    words : str
        What it is, for the notes.
    """

    image: npt.NDArray[np.uint8]
    matrix: Floats
    words: str
