"""A picture under a page's map: fewer pixels where there are many, and nothing of the file it came from but them."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image

from cemgis.drawing import Underlay

__all__ = ["webp"]

_MOST_PIXELS = 2000  # a side of a picture under the map: half a foot a pixel on a ground of 1,000 ft


def webp(underlay: Underlay) -> tuple[bytes, npt.NDArray[np.float64]]:
    """Return a picture as WebP, and where its outer upper left, upper right and lower left corner lie on the grid.

    Parameters
    ----------
    underlay : Underlay

    Returns
    -------
    bytes
        Made from the pixels alone: remarks, places and names that a camera or scanner writes into a file stay behind.
    (3, 2) array
        Grid coordinates.

    Examples
    --------
    >>> square = Underlay(np.zeros((4, 6, 4), dtype=np.uint8), np.array([[2.0, 0, 100], [0, -2.0, 500]]), "heights")
    >>> data, corners = webp(square)
    >>> data[:4], corners.tolist()
    (b'RIFF', [[100.0, 500.0], [112.0, 500.0], [100.0, 492.0]])
    """
    rows, columns = underlay.image.shape[:2]
    image = Image.fromarray(underlay.image)
    image.thumbnail((_MOST_PIXELS, _MOST_PIXELS))
    kept = io.BytesIO()
    image.save(kept, format="WEBP", quality=80, method=4)
    pixels = np.array([[0.0, 0.0], [columns, 0.0], [0.0, rows]])
    return kept.getvalue(), pixels @ underlay.matrix[:, :2].T + underlay.matrix[:, 2]
