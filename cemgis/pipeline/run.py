"""What one run made and found, and how it is said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from cemgis.findings import Finding, settled_first, tabulate, with_places
from cemgis.layers import LAYERS, SEVERITIES

if TYPE_CHECKING:
    from pathlib import Path

    from cemgis.ground import Ground
    from cemgis.plat import Plat
    from cemgis.spaces import Placed

__all__ = ["STAGES", "Run"]

STAGES = ("readings", "fit", "spaces", "heads", "clearances", "capacity")
"""Stages of a run, from above."""

_MOST_FINDINGS = 12  # below a table more of them are only counted, but for the dangers
_MOST_SHOWN = 12
_SHOWN: Mapping[str, tuple[str, ...]] = {
    "markers": ("marker_id", "state", "n_occupations", "trusted", "radius_95", "miss", "explanation"),
    "spaces": ("space_id", "kind", "state", "radius_95", "position_by"),
    "sections": ("section", "heads", "heads_rule", "spaces", "vacant", "radius_95_median", "radius_95_worst"),
    "clearances": ("clearance_id", "pair", "gap", "required", "shortfall", "chance_short"),
}
"""Columns of a table that are printed; all of them go into a CSV."""


@dataclass
class Run:
    """One run over a ground.

    Parameters
    ----------
    ground : Ground
    tables : dict of str to DataFrame
        Layers by name.
    findings : list of Finding
    facts : dict
        What was read, fitted and built, for the summary.
    said : list of str
        The same in words, in order.
    made : list of Path
        Files written.
    records : list of dict
        What people entered, which the run carries.
    rows : Series, optional
        Row of each space, on the index of ``tables["spaces"]``.
    as_of : datetime
        Latest moment the evidence or the records speak of.
    plat : Plat, optional
    corners : Placed, optional
        Where the plat's corners lie, with what they share.
    factor : float
        Grid distance over ground distance.
    fits : dict
        By plat.
    crosswalk : DataFrame, optional
        Former numbering, from `cemgis.register.read_crosswalk`.
    """

    ground: Ground
    tables: dict[str, Any] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    made: list[Path] = field(default_factory=list)
    records: list[dict[str, Any]] = field(default_factory=list)
    rows: pd.Series | None = None
    as_of: datetime = datetime(1970, 1, 1, tzinfo=UTC)
    plat: Plat | None = None
    corners: Placed | None = None
    factor: float = 1.0
    fits: dict[str, Any] = field(default_factory=dict)
    crosswalk: pd.DataFrame | None = None

    @property
    def findings_table(self) -> gpd.GeoDataFrame:
        """The findings as their layer, worst first, each at the place of what it is about."""
        table = with_places(tabulate(self.findings, self.ground.crs.crs), self.tables)
        sections = self.ground.sections
        plats = {one.plat: [other.name for other in sections if other.plat == one.plat] for one in sections if one.plat}
        return settled_first(table, {one.name: one.protected for one in sections if one.protected}, plats)

    def to_act_on(self) -> list[Finding]:
        """Return the findings of severity warning and danger."""
        return [item for item in self.findings if item.severity != "note"]

    def table(self, name: str) -> pd.DataFrame:
        """Return a table of the run by name; ``capacity`` and ``findings`` are there as well as the layers."""
        if name == "findings":
            return self.findings_table
        found: pd.DataFrame = self.tables[name]
        return found

    def summary(self, name: str | None = None) -> dict[str, Any]:
        """Everything the run has to say, as plain values; with the rows of one table if it is named."""
        findings = self.findings_table
        out: dict[str, Any] = {
            "ground": self.ground.name,
            "unit": self.ground.unit.name,
            **self.facts,
            "findings": findings.drop(columns="geometry")
            .astype(object)
            .where(findings.notna(), None)
            .to_dict("records"),
            "made": [str(path) for path in self.made],
        }
        if name is not None:
            out[name] = plain(self.table(name)).to_dict("records")
        return out

    def words(self, name: str | None = None) -> str:
        """Say the run in words, findings worst first; with a table that is named only the dangers, in short."""
        lines = [self.ground.name, *self.said]
        table = None if name is None else self.table(name)
        if table is not None:
            lines += ["", _say_table(table, str(name), self.ground.unit.suffix)]
        lines += ["", *self._say_findings(whole=table is None)]
        if self.made:
            lines += ["", "Made:", *(f"  {path}" for path in self.made)]
        return "\n".join(lines)

    def _say_findings(self, *, whole: bool = True) -> list[str]:
        found = self.findings_table
        if found.empty:
            return ["No findings."]
        counts = found["severity"].value_counts()
        many = ", ".join(
            f"{counts[word]} {word}{'s' if counts[word] > 1 else ''}" for word in SEVERITIES if word in counts
        )
        if not whole and len(found) > _MOST_FINDINGS:
            dangers = found[found["severity"] == "danger"]
            said = [
                f"  DANGER  {kind}: {', '.join(rows['subject'])}" for kind, rows in dangers.groupby("kind", sort=False)
            ]
            return [f"Findings: {many}; cemgis check says them all.", *said]
        lines = [f"Findings: {many}. Worst first:"]
        for severity, kind in dict.fromkeys(zip(found["severity"], found["kind"], strict=True)):
            rows = found[found["kind"] == kind]
            lines.append(f"  {severity.upper()}  {kind}")
            lines += [f"    {row.subject}: {row.reason}" for row in rows.head(_MOST_SHOWN).itertuples()]
            if len(rows) > _MOST_SHOWN:
                lines.append(f"    ... and {len(rows) - _MOST_SHOWN} more in the layer 'findings'")
            lines += [f"      -> {todo}" for todo in dict.fromkeys(rows["todo"])]
        return lines


def plain(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table without geometry, missing values as None, numbers to 4 decimals."""
    out = pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
    for column in out.columns:
        if pd.api.types.is_float_dtype(out[column].dtype):
            out[column] = out[column].round(4)
    return out.astype(object).where(out.notna(), None)


def _say_table(table: pd.DataFrame, name: str, suffix: str) -> str:
    columns = [column for column in _SHOWN.get(name, tuple(table.columns)) if column in table and column != "geometry"]
    shown = pd.DataFrame(table[columns])
    layer = LAYERS.get(name)
    text = pd.DataFrame(index=shown.index)
    for column in columns:
        values = shown[column]
        head = column
        if layer is not None and layer.column(column).unit == "length":
            head = f"{column} ({suffix})"
        if pd.api.types.is_float_dtype(values.dtype):
            numbers = values.to_numpy(dtype=float, na_value=np.nan)
            text[head] = [f"{number:.2f}" if np.isfinite(number) else "" for number in numbers]
        else:
            text[head] = ["" if pd.isna(value) else str(value) for value in values]
    return str(text.to_string(index=False)) if len(text) else f"no {name}"
