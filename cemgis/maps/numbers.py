"""Numbers of lots and spaces: one size a sheet, upright, where they fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import drawing
from cemgis.drawing import SANS, Lettering
from cemgis.maps.surface import Sheet, placed_rows, shapes_of, words_of

__all__ = ["Labels", "draw_labels", "plain_kind", "plan_labels"]

Floats = npt.NDArray[np.float64]


@dataclass
class Labels:
    """Lettering of the map and what had to stay without."""

    lots: list[tuple[Lettering, list[str]]] = field(default_factory=list)
    spaces: list[tuple[Lettering, list[str]]] = field(default_factory=list)
    boxes: list[Any] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def plain_kind(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which spaces are full graves."""
    return np.asarray(table["kind"].isin(["full"]).fillna(value=False), dtype=bool)


def plan_labels(sheet: Sheet, tables: Mapping[str, pd.DataFrame], convergence_deg: float, share: float = 0.1) -> Labels:
    """Choose one size for space numbers and one for lot numbers, and where they stand."""
    labels = Labels()
    lots, spaces = placed_rows(tables, "lots"), placed_rows(tables, "spaces")
    lot_shapes = None if lots is None else sheet.frame.shapes(shapes_of(lots))
    small = np.zeros(0, dtype=bool)
    if lots is not None and lot_shapes is not None:
        whose = spaces[~plain_kind(spaces)] if spaces is not None else None
        small = (
            np.zeros(len(lots), dtype=bool) if whose is None else lots["lot_id"].isin(whose["lot_id"]).to_numpy(bool)
        )
    most_space = max(7.0, sheet.base)  # a large sheet hangs on a wall and is read from further off
    most, left_out = most_space * 1.3, 0
    if spaces is not None:
        shapes = sheet.frame.shapes(shapes_of(spaces))
        foot = np.asarray(spaces["heads_azimuth"].to_numpy(dtype=float, na_value=np.nan)) - convergence_deg + 180.0
        # Numbers stand clear of stones: where these are seen at the other end, so are the numbers.
        foot[~drawing.heads_settled(tables, spaces)] += 180.0
        full, in_lot = plain_kind(spaces), spaces["lot_id"].notna().to_numpy(dtype=bool)
        # One size for full spaces; the small ones have their own, or they would take the numbers off a sheet.
        for mine in (np.flatnonzero(full), np.flatnonzero(~full & ~in_lot), np.flatnonzero(~full & in_lot)):
            if not len(mine):
                continue
            words, lotted = words_of(spaces.iloc[mine], "space"), in_lot[mine]
            angle: Floats | None = None
            across: float = 0.68
            along, shift = np.where(lotted, 0.36, 0.62), np.where(lotted, 0.32, 0.0)
            toward = foot[mine]
            if lots is not None and lot_shapes is not None and lotted.all() and not full[mine].any():
                # An urn's space has no room beside the number of its lot: that stands above, this below.
                turn = pd.Series(drawing.upright(lot_shapes)[0], index=lots["lot_id"].astype(object))
                angle = spaces["lot_id"].iloc[mine].astype(object).map(turn).to_numpy(dtype=float)
                across, along, shift, toward = 0.42, np.full(len(mine), 0.8), np.full(len(mine), 0.25), 180.0 - angle
            plan = drawing.lettering(
                shapes[mine], words, most_pt=most_space, across=across, along=along, toward_deg=toward, shift=shift,
                angle_deg=angle, share=share,
            )  # fmt: skip
            if not plan.size_pt:
                left_out += len(mine)
                continue
            labels.spaces.append((plan, words))
            labels.boxes.extend(plan.boxes[plan.fits])
            left_out += int(np.count_nonzero(~plan.fits))
            if full[mine].any() and lotted.any():
                # The lot's number stays clear of the spaces': from the middle of a space to theirs, less half of each.
                middle = float(np.median(drawing.upright(shapes[mine])[1]))
                room = 2.0 * (0.32 * middle - 0.35 * plan.size_pt - 1.4) / 0.73
                most = min(max(room, plan.size_pt * 1.1), plan.size_pt * 1.5)
        if not labels.spaces:
            labels.remarks.append("Space numbers are too small to read at this scale: only lots are numbered.")
        elif left_out:
            labels.remarks.append(f"{left_out} small spaces carry no number at this scale.")
    if lots is not None and lot_shapes is not None:
        left_out = 0
        for mine in (np.flatnonzero(~small), np.flatnonzero(small)):
            if not len(mine):
                continue
            words = words_of(lots.iloc[mine], "lot")
            raised = bool(small[mine].any()) and bool(labels.spaces)
            angle_deg, long, wide = drawing.upright(lot_shapes[mine])
            plan = drawing.lettering(
                lot_shapes[mine], words, most_pt=most, across=0.42 if raised else 0.6, along=0.84,
                toward_deg=-angle_deg if raised else None, shift=0.25 * wide / long if raised else 0.0,
                share=min(share, 0.02),  # a number of three digits is not to be lost because most have two
            )  # fmt: skip
            if plan.size_pt:
                labels.lots.append((plan, words))
                labels.boxes.extend(plan.boxes[plan.fits])
                left_out += int(np.count_nonzero(~plan.fits))
            else:
                left_out += len(mine)
        if not labels.lots:
            labels.remarks.append("Lot numbers are too small to read at this scale: take a larger sheet.")
        elif left_out:
            labels.remarks.append(f"{left_out} small lots carry no number at this scale.")
    return labels


def draw_labels(sheet: Sheet, labels: Labels) -> None:
    """Set the numbers of lots and spaces."""
    sets = [(plan, words, "normal", 8.0) for plan, words in labels.spaces]
    sets += [(plan, words, "bold" if labels.spaces else "normal", 8.2) for plan, words in labels.lots]
    window = shapely.box(*sheet.frame.map_pt)
    for plan, words, weight, z in sets:
        for number in np.flatnonzero(plan.fits & shapely.covers(window, plan.boxes)):
            x, y = plan.xy[number]
            sheet.text(
                float(x), float(y), words[number], plan.size_pt, families=SANS, z=z, ha="center", va="center_baseline",
                rotation=float(plan.angle_deg[number]), rotation_mode="anchor", fontweight=weight,
            )  # fmt: skip
