"""The whole ground on one sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
import shapely
from matplotlib.figure import Figure

from cemgis import drawing
from cemgis.drawing import Facts, Underlay
from cemgis.errors import InputError
from cemgis.maps.border import draw_frame
from cemgis.maps.flags import draw_flags, flag_findings
from cemgis.maps.land import draw_ground, draw_sections, draw_underlay
from cemgis.maps.numbers import draw_labels, plan_labels
from cemgis.maps.panel import draw_panel
from cemgis.maps.surface import blank_sheet, placed_rows, shapes_of, words_of

__all__ = ["bounds", "whole_ground"]


def bounds(tables: Mapping[str, pd.DataFrame]) -> tuple[float, float, float, float]:
    """Bounds of what makes the ground: land first, points only when there is none.

    Raises
    ------
    InputError
        When nothing has a place.
    """
    for names in (("sections", "lots", "spaces", "drives", "obstacles", "monuments", "vaults"), ("corners", "markers")):
        boxes = [
            shapely.total_bounds(shapes_of(table)) for name in names if (table := placed_rows(tables, name)) is not None
        ]
        if boxes:
            every = np.array(boxes)
            low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
            if not (np.isfinite(low).all() and np.isfinite(high).all()):
                break
            reach = np.maximum(high - low, 1.0)
            middle = (low + high) / 2
            low, high = middle - reach / 2, middle + reach / 2
            return float(low[0]), float(low[1]), float(high[0]), float(high[1])
    where = "map"
    raise InputError.of(where, "no layer has a place to draw", "Build the ground first.")


def _legible(tables: Mapping[str, pd.DataFrame]) -> float | None:
    """Ground units to the point at which the lots, or else the spaces, can just be numbered."""
    for name, word, across, along in (("lots", "lot", 0.6, 0.84), ("spaces", "space", 0.68, 0.36)):
        table = placed_rows(tables, name)
        if table is None:
            continue
        shapes = shapes_of(table)
        middle = shapely.get_coordinates(shapely.centroid(shapes)).mean(axis=0)
        shapes = np.asarray(shapely.transform(shapes, lambda xy, at=middle: xy - at), dtype=object)
        plan = drawing.lettering(
            shapes, words_of(table, word), most_pt=math.inf, least_pt=0.0, across=across, along=along
        )
        if plan.size_pt > 0:
            return plan.size_pt / 5.0
    return None


def whole_ground(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    *,
    paper: str | None = None,
    scale: float | None = None,
    page: tuple[int, int] = (1, 1),
    sheets: Mapping[str, str] | None = None,
    underlay: Underlay | None = None,
) -> Figure:
    """Draw the whole ground on one sheet, for staff.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Layers by name, shaped by their declarations; what is missing is not drawn.
    facts : Facts
    paper : str, optional
        A key of `drawing.PAPERS`; without it the smallest sheet on which the lot numbers can be read.
    scale : float, optional
        Feet to the inch, or the number after 1 : for a ground in metres; without it the largest that fits.
    page : tuple of int
        Number of this page and of all.
    sheets : mapping of section to str, optional
        Pages of the sections' own sheets, as they are written.
    underlay : Underlay, optional
        A picture to draw the map on.

    Returns
    -------
    Figure
        Nothing is saved; see `save`.

    Raises
    ------
    InputError
        When nothing has a place, there is no such sheet, or the ground does not fit.

    Examples
    --------
    >>> from cemgis import schema
    >>> from cemgis.layers import LAYERS
    >>> from cemgis.reference import ground_crs
    >>> crs = ground_crs("EPSG:6549")
    >>> rows = {"lot_id": ["A-1"], "section": "A", "lot": "1",
    ...         "geometry": shapely.box([2e6], [4e5], [2e6 + 16], [4e5 + 12])}
    >>> lots = schema.restore(pd.DataFrame(rows), LAYERS["lots"], crs.crs)
    >>> facts = Facts("Hill", crs, "2025-05-20", "6b1f", "Half lie within 0.3 ft.", 0.1)
    >>> whole_ground({"lots": lots}, facts).get_size_inches().tolist()
    [11.0, 8.5]
    """
    frame = drawing.choose_frame(
        bounds(tables), facts.unit, paper=paper, scale=scale, legible=_legible(tables) if paper is None else None
    )
    sheet = blank_sheet(frame)
    if underlay is not None:
        draw_underlay(sheet, underlay)
    labels = plan_labels(sheet, tables, facts.convergence_deg)
    if underlay is not None:
        labels.remarks.append(underlay.words)
    flags, placed = flag_findings(tables)
    draw_ground(sheet, tables, labels, facts.convergence_deg)
    draw_labels(sheet, labels)
    draw_sections(sheet, tables, labels, facts.convergence_deg, sheets or {})
    draw_flags(sheet, placed, labels)
    draw_frame(sheet, facts, labels)
    draw_panel(sheet, tables, facts, labels, flags, page, sheets or {})
    return sheet.figure
