"""What a sheet says about the ground it shows: name, reference system, date, accuracy, evidence."""

from __future__ import annotations

import pandas as pd

from cemgis.drawing import Facts
from cemgis.reference import GroundCRS

__all__ = ["map_facts"]


def map_facts(crs: GroundCRS, run: pd.DataFrame) -> Facts:
    """Take the facts of a sheet out of the layer ``run``."""
    said = {str(row.name_): row.value for row in run.rename(columns={"name": "name_"}).itertuples()}

    def number(name: str) -> float | None:
        value = said.get(name)
        return None if value is None or pd.isna(value) else float(value)

    return Facts(
        name=str(said["ground"]),
        crs=crs,
        date=str(said["as of"])[:10],
        evidence_hash=str(said["evidence hash"]),
        accuracy=str(said["accuracy"]),
        convergence_deg=number("convergence") or 0.0,
        declination_deg=number("declination"),
        place="" if pd.isna(said.get("place")) else str(said["place"]),
    )
