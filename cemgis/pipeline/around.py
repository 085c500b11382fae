"""What stones and vaults of a lot say of its marker: moved since, or set there in the first place."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis.doubt import MOVED_OR_SET, say_odds, set_there
from cemgis.plat import Plat
from cemgis.units import say_length

if TYPE_CHECKING:
    from cemgis.pipeline.placing import Placing
    from cemgis.pipeline.run import Run

__all__ = ["weigh_set_there"]

Floats = npt.NDArray[np.float64]

_KIND = "marker moved or set there"
_TELLS = 10.0
"""Odds from which one of the two is named. Assumption, no source."""
_SPREAD_M = 0.12
"""Lots' stones and vaults differ by no less than this, each coordinate (five inches). Assumption, no source."""


def weigh_set_there(run: Run, plat: Plat, placed: Placing) -> None:
    """Add to each finding of a marker that moved or was set there which of the two its lot's graves speak for."""
    if not any(item.kind == _KIND for item in run.findings):
        return
    markers = run.tables["markers"].set_index(run.tables["markers"]["marker_id"].astype(str))
    things = _offsets(run, plat, placed)
    for at, item in enumerate(run.findings):
        if item.kind != _KIND or item.subject not in markers.index:
            continue
        row = markers.loc[item.subject]
        said = _said(
            run, str(row["lot_id"]), np.array([row["miss_e"], row["miss_n"]], dtype=float), item.section, things
        )
        if MOVED_OR_SET in item.reason:
            reason = item.reason.replace(MOVED_OR_SET, said, 1)
            run.findings[at] = replace(item, reason=reason)
            table = run.tables["markers"]
            mine = (table["marker_id"].astype(str) == item.subject).to_numpy(dtype=bool)
            words = table.loc[mine, "explanation"].astype(object)
            table.loc[mine, "explanation"] = words.str.replace(MOVED_OR_SET, said, n=1, regex=False)
            cause = run.facts.get("set_aside", {}).get(item.subject)
            if cause is not None:
                cause["detail"] = str(cause["detail"]).replace(MOVED_OR_SET, said, 1)


def _said(run: Run, lot: str, miss: Floats, section: str | None, things: dict[str, pd.DataFrame]) -> str:
    odds, told = 1.0, []
    for name, table in things.items():
        own = table[table["lot"] == lot]
        around = table[(table["section"] == section) & (table["lot"] != lot)]
        if len(own) and np.isfinite(miss).all():
            lots = around.groupby("lot")[["e", "n"]].median().to_numpy(dtype=float)
            here = own[["e", "n"]].median().to_numpy(dtype=float)
            odds *= set_there(miss, here, lots, _SPREAD_M / run.ground.unit.metres)
            told.append(f"{len(own)} {name if len(own) > 1 else name[:-1]}")
    if not told:
        return f"{MOVED_OR_SET}: no stone or vault of its lot tells which"
    whose = f"the {' and '.join(told)} of its lot"
    far = say_length(float(np.hypot(*miss)), run.ground.unit)
    if odds >= _TELLS:
        return f"set there: {whose} lie off with it, by {far} the same way, {say_odds(odds)} against having moved"
    if odds <= 1.0 / _TELLS:
        return f"moved since: {whose} lie where the plat has them, {say_odds(1.0 / odds)} against having been set there"
    return f"{MOVED_OR_SET}: {whose} do not tell which"


def _offsets(run: Run, plat: Plat, placed: Placing) -> dict[str, pd.DataFrame]:
    """By kind of thing: ``lot, section, e, n``, from the middle the fit alone gives its space to its own middle."""
    spaces = plat.spaces
    middles = np.asarray(plat.centre_weights @ plat.corners_plat_xy)
    plats = {section.name: section.plat for section in run.ground.sections}
    of_plat = spaces["section"].map(plats).to_numpy(dtype=object)
    grid = np.full((len(spaces), 2), np.nan)
    for name, fit in placed.fits.items():
        here = of_plat == name
        grid[here] = fit.place(middles[here])
    known = pd.DataFrame(
        {"lot": spaces["lot_id"].astype(str).to_numpy(), "section": spaces["section"].astype(str).to_numpy(),
         "at_e": grid[:, 0], "at_n": grid[:, 1]}, index=pd.Index(spaces["space_id"].astype(str)),
    )  # fmt: skip
    made = {}
    for layer, word in (("monuments", "stones"), ("vaults", "vaults")):
        table = run.tables[layer]
        if layer == "monuments":  # a shared stone or a footstone stands elsewhere in its space
            table = table[(table["kind"].astype(str) == "headstone").to_numpy(dtype=bool)]
        centres = shapely.get_coordinates(shapely.centroid(table.geometry.to_numpy()))
        of_space = known.reindex(table["space_id"].astype(str))
        off = of_space.assign(e=centres[:, 0] - of_space["at_e"], n=centres[:, 1] - of_space["at_n"])
        made[word] = off.dropna(subset=["e", "n"]).reset_index(drop=True)
    return made
