"""What the public may see of a ground: published columns of the dead, and how many rows were withheld and why."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from cemgis.reference import GroundCRS

__all__ = ["PublicGround"]


@dataclass(frozen=True)
class PublicGround:
    """A ground as public products may carry it. Nothing else enters them.

    Attributes
    ----------
    name, place : str
    crs : GroundCRS
    as_of : str
        Day of the evidence, ISO.
    sections, lots, spaces : GeoDataFrame
        Published columns of those layers, in the ground's CRS. A space does not say whether it is used.
    niches : DataFrame
        Published columns; niches have no place on the ground.
    graves : DataFrame
        One row for each person at a place. ``grave`` is a number from 1 that means nothing outside one product;
        ``name, title, given, middle, surname, maiden, suffix`` as published; ``born, died, buried`` in EDTF or missing;
        ``section`` and, as far as they are known and not generalised, ``lot_id``, ``space_id`` (of a space or niche);
        ``veteran`` (bool).
    monuments, drives, obstacles : GeoDataFrame
        Published columns of those layers.
    gates : GeoDataFrame
        ``gate_id``, ``name`` and a point each.
    withheld : DataFrame
        ``what`` (people, sections, stones ...), ``reason``, ``rows``.
    """

    name: str
    place: str
    crs: GroundCRS
    as_of: str
    sections: pd.DataFrame
    lots: pd.DataFrame
    spaces: pd.DataFrame
    niches: pd.DataFrame
    graves: pd.DataFrame
    monuments: pd.DataFrame
    drives: pd.DataFrame
    obstacles: pd.DataFrame
    gates: pd.DataFrame
    withheld: pd.DataFrame
