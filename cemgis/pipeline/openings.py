"""Openings of a ground: everything known around a space, its plan and sheets, and the records of how it was closed."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from cemgis import edits, schema
from cemgis.errors import Gather, InputError
from cemgis.files import records as record_files
from cemgis.files.whole import input_error, write_bytes, write_text
from cemgis.findings import Finding, find
from cemgis.holdings import holders_now
from cemgis.layers import LAYERS, OPENING_STATES
from cemgis.opening import VERDICTS, Order, Plan, Site, Thing, parse_order, place_dig, plan_opening, say
from cemgis.places import label_key
from cemgis.route import Way, find_way
from cemgis.ties import CORNERS, Anchors, AsBuilt, TieNumbers, as_built, dig_corners
from cemgis.units import compass_word, parse_length, say_length

if TYPE_CHECKING:
    from cemgis.ground import Container, Ground
    from cemgis.pipeline.run import Run

__all__ = [
    "OPENING_KIND",
    "Planned",
    "close_opening",
    "list_openings",
    "open_grave",
    "openings_from_records",
    "order_opening",
    "plan",
    "say_opening",
    "site_of",
    "tie_numbers",
]

log = logging.getLogger("cemgis")
Floats = NDArray[np.float64]

OPENING_KIND = "opening"
"""Kind of the records that say how far an opening is; each says all of it and names the one it replaces."""

_NEAR = 25.0  # feet around a space in which things are named
_MOST_ANCHORS = 40
_MOST_STONES = 8
_WEAK = ("broken", "tilted", "loose")
_UNKNOWN_SIGMA = 0.25  # feet, for measured things whose file says no sigma; no source
_LOG = "openings"


@dataclass
class Planned:
    """A planned opening and the files made of it.

    Parameters
    ----------
    plan : Plan
    run : Run
    made : list of Path
    record : dict or None
    """

    plan: Plan
    run: Run
    made: list[Path] = field(default_factory=list)
    record: dict[str, Any] | None = None

    def words(self) -> str:
        """Say the verdict and its reasons."""
        unit = self.run.ground.unit
        lines = [f"{self.plan.site.space_id}: {self.plan.verdict.upper()}"]
        if self.plan.verdict == VERDICTS[2]:
            lines.append("  Probe before you dig. A person signs.")
        lines += [f"  {reason.verdict}: {reason.text}." for reason in self.plan.reasons]
        strike_words = f"{100 * self.plan.strike.any:.1f} %"
        lines.append(f"  chance of striking a neighbour {strike_words}; earth left {say(self.plan.earth_left, unit)}")
        if self.plan.ties is not None:
            lines.append(
                f"  as taped, the dig lies within {say_length(self.plan.ties.radius, unit)} of its place in the space "
                "(95 %)"
            )
        lines += [f"  {path}" for path in self.made]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "space": self.plan.site.space_id,
            "verdict": self.plan.verdict,
            "reasons": [{"verdict": reason.verdict, "text": reason.text} for reason in self.plan.reasons],
            "strike": self.plan.strike.any,
            "earth_left": self.plan.earth_left,
            "radius_95": None if self.plan.ties is None else self.plan.ties.radius,
            "corners": self.plan.dig.corners.round(4).tolist(),
            "made": [str(path) for path in self.made],
        }


# ---- what is known around a space -----------------------------------------------------------------------------------


def tie_numbers(ground: Ground) -> TieNumbers:
    """Return what taping can do on this ground."""
    rules = ground.rules
    half_inch = 1.0 / 24.0 if ground.unit.is_foot else 0.01
    return TieNumbers(
        rules["tie.sigma"], rules["tie.share"], ground.equipment.tape or rules["tie.reach"], rules["tie.least_angle"],
        rules["tie.check_chance"], half_inch,
    )  # fmt: skip


def find_space(run: Run, name: str) -> str:
    """Return the id of the space a person means.

    Raises
    ------
    InputError
        When there is none, with the nearest ids; when it is a niche.
    """
    spaces = run.tables["spaces"]
    ids = spaces["space_id"].astype(str)
    key = label_key(name)
    hit = ids[[label_key(one) == key for one in ids]]
    if len(hit) == 1:
        return str(hit.iloc[0])
    niches = run.tables["niches"]
    if any(label_key(one) == key for one in niches["space_id"].astype(str)):
        raise InputError.of("space", f"{name} is a niche", "There is nothing to dig.")
    import difflib

    near = difflib.get_close_matches(key, [label_key(one) for one in ids], n=3, cutoff=0.6)
    remedy = f"Did you mean {', '.join(near)}?" if near else "`cemgis spaces` lists them."
    raise InputError.of("space", f"there is no space {name[:60]!r}", remedy)


def site_of(run: Run, space_id: str, *, machine: bool = True, day: date | None = None) -> Site:
    """Gather everything known around one space.

    Parameters
    ----------
    run : Run
        Computed to its end.
    space_id : str
    machine : bool
        Whether to look for a way for the machine.
    day : date, optional
        Day of the opening, for what counts as fresh.
    """
    return _SiteMaker(run, space_id, day).make(machine=machine)


class _SiteMaker:
    def __init__(self, run: Run, space_id: str, day: date | None) -> None:
        if run.plat is None or run.corners is None or run.corners.joint is None:
            raise InputError.of("opening", "the ground was not computed far enough", "Run it to its end.")
        self.run, self.ground, self.plat, self.corners = run, run.ground, run.plat, run.corners
        self.rules, self.unit = run.ground.rules, run.ground.unit
        self.foot = 1.0 if self.unit.is_foot else 0.3048
        self.spaces = run.tables["spaces"]
        self.ids = self.spaces["space_id"].astype(str)
        self.row = int(np.flatnonzero((self.ids == space_id).to_numpy())[0])
        self.space = self.spaces.iloc[self.row]
        self.space_id = space_id
        self.shape = self.spaces.geometry.iloc[self.row]
        self.middle = shapely.get_coordinates(shapely.centroid(self.shape))[0]
        self.day = day or run.as_of.date()
        self.names = self._names()
        self.convergence = self._convergence()

    def _convergence(self) -> float:
        from cemgis.reference import convergence

        return float(convergence(self.middle[None], self.ground.crs)[0])

    def _names(self) -> pd.DataFrame:
        """Last burial of each space: who, when, in what."""
        events, people = self.run.tables["events"], self.run.tables["people"]
        if not len(events):
            return pd.DataFrame(columns=["space_id", "name", "date", "container", "full", "urns"]).set_index("space_id")
        kind = events["kind"].astype(str)
        step = kind.map({"interment": 1, "urn placed": 1, "disinterment": -1, "urn removed": -1}).fillna(0)
        is_urn = kind.isin(["urn placed", "urn removed"])
        names = people.set_index("person_id")["name"] if len(people) else pd.Series(dtype=object)
        table = pd.DataFrame(
            {"space_id": events["space_id"].astype(object), "name": events["person_id"].astype(object).map(names),
             "date": events["date"].astype(object), "container": events["container"].astype(object),
             "full": np.where(is_urn, 0, step), "urns": np.where(is_urn, step, 0), "in": step > 0}
        ).dropna(subset=["space_id"])  # fmt: skip
        counts = table.groupby("space_id")[["full", "urns"]].sum().clip(lower=0)
        last = table[table["in"]].sort_values("date", kind="stable", na_position="first").groupby("space_id").last()
        return counts.join(last[["name", "date", "container"]])

    # ---- things --------------------------------------------------------------------------------------------------

    def _near(self, table: gpd.GeoDataFrame, reach: float) -> gpd.GeoDataFrame:
        if not len(table):
            return table
        shapes = table.geometry.to_numpy()
        good = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
        far = np.full(len(table), np.inf)
        far[good] = shapely.distance(shapes[good], self.shape)
        return table[far <= reach]

    def _who(self, space_id: object) -> str:
        key = None if pd.isna(space_id) else str(space_id)
        if key is None or key not in self.names.index:
            return "" if key is None else key
        one = self.names.loc[key]
        said = "" if pd.isna(one["name"]) else str(one["name"])
        year = "" if pd.isna(one["date"]) else str(one["date"])[:4]
        return " ".join(part for part in (said, year, f"({key})") if part)

    def _fresh(self, space_id: object) -> bool:
        if pd.isna(space_id) or str(space_id) not in self.names.index:
            return False
        said = self.names.loc[str(space_id), "date"]
        try:
            gone = self.day - date.fromisoformat(str(said)[:10])
        except ValueError:
            return False
        return 0 <= gone.days <= 7 * self.rules["route.fresh"]

    def _vaulted(self, space_id: object) -> bool:
        if pd.isna(space_id) or str(space_id) not in self.names.index:
            return False
        said = str(self.names.loc[str(space_id), "container"]).lower()
        return "vault" in said or "liner" in said

    def things(self) -> tuple[list[Thing], list[int], Floats]:
        """Things around, the row of the space each hangs on (or -1), and what of their error is their own."""
        reach = _NEAR * self.foot
        tables = self.run.tables
        out: list[Thing] = []
        hangs: list[int] = []
        own: list[float] = []

        def sigma(row: Any) -> float:
            value = row.sigma
            return _UNKNOWN_SIGMA * self.foot if pd.isna(value) else float(value)

        with_vault = set()
        for row in self._near(tables["vaults"], reach).itertuples():
            space_id = self._space_at(row)
            with_vault.add(space_id)
            top = None if pd.isna(row.top_depth) else float(row.top_depth)
            words = self._who(space_id) or str(row.vault_id)
            out.append(Thing(str(row.vault_id), "vault", f"vault of {words}", row.geometry, space_id, None, top,
                             fresh=self._fresh(space_id), unvaulted=False))  # fmt: skip
            hangs.append(-1)
            own.append(sigma(row))
        for row in self._near(tables["probable_graves"], reach).itertuples():
            why = "" if pd.isna(row.reason) else f": {row.reason}"
            space_id = None if pd.isna(row.space_id) else str(row.space_id)
            out.append(
                Thing(
                    str(row.grave_id), "probable grave", f"probable grave {row.grave_id}{why}", row.geometry, space_id
                )
            )
            hangs.append(-1)
            own.append(sigma(row))
        near = self._near(self.spaces, reach)
        for row in near.itertuples():
            space_id = str(row.space_id)
            recorded = space_id in self.names.index and (self.names.loc[space_id, ["full", "urns"]] > 0).any()
            doubtful = str(row.state) == "in doubt"
            if space_id in with_vault or not (recorded or doubtful):
                continue
            shape = self._burial(row)
            if shape is None:
                continue
            said = self._who(space_id)
            words = f"burial of {said}" if recorded else f"perhaps a burial in {space_id}: {row.state_why}"
            out.append(Thing(f"burial in {space_id}", "burial", words, shape, space_id, fresh=self._fresh(space_id),
                             unvaulted=not self._vaulted(space_id)))  # fmt: skip
            hangs.append(int(np.flatnonzero((self.ids == space_id).to_numpy())[0]))
            own.append(self.rules["dig.burial_scatter"])
        openings = tables["openings"]
        under_way = openings[openings["state"].isin(["ordered", "waiting", "opened"]).to_numpy(dtype=bool)]
        for row in self._near(under_way, reach).itertuples():
            if str(row.space_id) == self.space_id:
                continue
            out.append(
                Thing(
                    f"opening {row.opening_id}",
                    "burial",
                    f"the grave {row.state} in {row.space_id}",
                    row.geometry,
                    str(row.space_id),
                    fresh=True,
                )
            )
            hangs.append(int(np.flatnonzero((self.ids == str(row.space_id)).to_numpy())[0]))
            own.append(self.rules["dig.burial_scatter"])
        for row in self._near(tables["monuments"], reach).itertuples():
            height = None if pd.isna(row.height) else float(row.height)
            condition = "" if pd.isna(row.condition) else str(row.condition)
            kind = "stone" if pd.isna(row.kind) else str(row.kind)
            of = self._who(row.space_id)
            words = f"{kind} {f'of {of}' if of else row.monument_id}"
            words += f", {say(height, self.unit)} high" if height is not None else ""
            words += f", {condition}" if condition and condition != "standing" else ""
            out.append(Thing(str(row.monument_id), "monument", words, row.geometry,
                             None if pd.isna(row.space_id) else str(row.space_id), height,
                             leaning="lean" in condition.lower() or "loose" in condition.lower()))  # fmt: skip
            hangs.append(-1)
            own.append(sigma(row))
        for row in self._near(tables["obstacles"], reach).itertuples():
            kind = "obstacle" if pd.isna(row.kind) else str(row.kind)
            out.append(Thing(str(row.obstacle_id), "obstacle", f"{kind} {row.obstacle_id}", row.geometry))
            hangs.append(-1)
            own.append(sigma(row))
        return out, hangs, np.array(own, dtype=float)

    def _space_at(self, row: Any) -> str | None:
        if not pd.isna(row.space_id):
            return str(row.space_id)
        shapes = self.spaces.geometry.to_numpy()
        inside = np.flatnonzero(shapely.contains(shapes, shapely.centroid(row.geometry)))
        return str(self.ids.iloc[inside[0]]) if len(inside) else None

    def _burial(self, row: Any) -> Any:
        """Where a burial that nobody measured is taken to lie."""
        azimuth = self._azimuth_of(row)
        sides = sorted(float(value) for value in (row.width, row.length))
        width = min(self.rules["dig.burial_width"], 0.9 * sides[0])
        length = min(self.rules["dig.burial_length"], 0.95 * sides[1])
        if row.kind == "cremation":
            width = length = min(self.rules["urn.reach"], 0.9 * sides[0])
        strip = self.rules["dig.head_strip"] + self.rules["dig.working_room"]
        spare = max(sides[1] - length, 0.0)
        made = place_dig(row.geometry, azimuth, (width, length), room=0.0, head_strip=min(strip, spare))
        return made.polygon

    def _azimuth_of(self, row: Any) -> float:
        from cemgis.geometry import long_axis

        if not pd.isna(row.heads_azimuth):
            return (float(row.heads_azimuth) - self.convergence) % 360.0
        return float(long_axis(np.array([row.geometry], dtype=object))[0][0])

    # ---- anchors ---------------------------------------------------------------------------------------------------

    def anchors(self, reach: float) -> tuple[list[str], list[str], Floats, list[int], Floats, int | None]:
        """Ids, words, places, row of the corner each stands for (or -1), own covariance, and which is the lot's own."""
        markers = self.run.tables["markers"]
        ids: list[str] = []
        words: list[str] = []
        xy: list[Any] = []
        corner: list[int] = []
        cov: list[Floats] = []
        own: int | None = None
        corner_ids = {str(name): k for k, name in enumerate(self.plat.corners["corner_id"])}
        site_lot = self._own_sites()
        near = self._near(markers, reach)
        good = near[
            near["trusted"].fillna(value=False).to_numpy(dtype=bool)
            & near["holds"].fillna(value=False).to_numpy(dtype=bool)
            & (near["state"] == "used in the fit").to_numpy(dtype=bool)
            & ~near["condition"].astype(object).isin(_WEAK).to_numpy(dtype=bool)
        ]
        for row in good.itertuples():
            at = corner_ids.get(str(row.corner_id), -1)
            holds = (
                at >= 0 and str(self.corners.marker_id[at]) == str(row.marker_id) and self.corners.state[at] == "found"
            )
            if str(row.corner_id) in site_lot and own is None:
                own = len(ids)
            ids.append(str(row.marker_id))
            kind = "" if pd.isna(row.kind) else f"{row.kind} "
            deep = "" if pd.isna(row.depth) or row.depth <= 0 else f", {say(float(row.depth), self.unit)} under the sod"
            words.append(f"{kind}{row.label}{deep}")
            xy.append(shapely.get_coordinates(row.geometry)[0])
            corner.append(at if holds else -1)
            cov.append(np.array([[row.cov_ee, row.cov_en], [row.cov_en, row.cov_nn]], dtype=float))
        if len(ids) < _MOST_ANCHORS:
            self._stones(ids, words, xy, corner, cov, few=len(ids) < 4, reach=reach)
        places = np.array(xy, dtype=float).reshape(-1, 2)
        order = np.argsort(np.hypot(*(places - self.middle).T), kind="stable")[:_MOST_ANCHORS]
        own = None if own is None or own not in order else int(np.flatnonzero(order == own)[0])
        return (
            [ids[k] for k in order], [words[k] for k in order], places[order], [corner[k] for k in order],
            np.array(cov, dtype=float).reshape(-1, 2, 2)[order], own,
        )  # fmt: skip

    def _own_sites(self) -> set[str]:
        """Corners that the marker of the space's own lot stands at."""
        sites = self.plat.sites
        lot = self.space["lot_id"]
        mine = sites["space_id"] == self.space_id if pd.isna(lot) else sites["lot_id"] == lot
        rows = sites["corner_index"][mine.fillna(value=False).to_numpy(dtype=bool)]
        return {str(self.plat.corners["corner_id"].iloc[int(row)]) for row in rows}

    def _stones(
        self, ids: list[str], words: list[str], xy: list[Any], corner: list[int], cov: list[Floats], *, few: bool,
        reach: float,
    ) -> None:  # fmt: skip
        """Corners of standing stones near by, when too few markers are trusted."""
        if not few:
            return
        near = self._near(self.run.tables["monuments"], reach)
        if not len(near):
            return
        far = shapely.distance(near.geometry.to_numpy(), self.shape)
        taken = 0
        for at in np.argsort(far, kind="stable"):
            row = near.iloc[at]
            condition = "" if pd.isna(row["condition"]) else str(row["condition"])
            if "standing" not in condition or pd.isna(row["sigma"]) or taken >= _MOST_STONES:
                continue
            taken += 1
            middle = shapely.get_coordinates(shapely.centroid(row.geometry))[0]
            ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(row.geometry))[:-1]
            best = ring[np.argmax(np.hypot(*(ring - self.middle).T))]
            side = compass_word(float(np.degrees(np.arctan2(*(best - middle)))) + self.convergence)
            place = _said(row["space_id"]) or str(row["monument_id"])
            ids.append(f"stone {place} {side}")
            of = self._who(row["space_id"])
            words.append(f"{side} corner of the stone {f'of {of}' if of else row['monument_id']}, at the ground")
            xy.append(best)
            corner.append(-1)
            cov.append(np.eye(2) * float(row["sigma"]) ** 2)

    # ---- putting it together -----------------------------------------------------------------------------------------

    def make(self, *, machine: bool) -> Site:
        things, hangs, own_sigma = self.things()
        numbers = tie_numbers(self.ground)
        ids, words, places, corner_of, own_cov, own_marker = self.anchors(numbers.reach)
        n = len(ids)
        rows = [*[("corner", k) for k in corner_of], ("space", self.row), *[("space", k) for k in hangs]]
        weights = self.plat.centre_weights
        space_index = self._plat_space_rows()
        parts: list[tuple[NDArray[np.int64], Floats]] = []
        for kind, k in rows:
            if k < 0:
                parts.append((np.empty(0, dtype=np.int64), np.empty(0)))
            elif kind == "corner":
                parts.append((np.array([k]), np.ones(1)))
            else:
                line = weights[space_index[k]]
                parts.append((line.indices.astype(np.int64), np.asarray(line.data, dtype=float)))
        wanted = np.unique(np.concatenate([index for index, _ in parts]))
        joint_corners = (
            self.corners.joint(wanted) if self.corners.joint is not None else np.zeros((2 * len(wanted),) * 2)
        )
        spread = np.zeros((len(rows), len(wanted)))
        for k, (index, share) in enumerate(parts):
            spread[k, np.searchsorted(wanted, index)] = share
        design = np.kron(spread, np.eye(2))
        joint = design @ joint_corners @ design.T
        for k, at in enumerate(corner_of):
            if at < 0:
                joint[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] += own_cov[k]
        for k, one in enumerate(own_sigma):
            at = 2 * (n + 1 + k)
            joint[at : at + 2, at : at + 2] += np.eye(2) * one**2
        freedom = self._dof(parts[n:])
        anchors = Anchors(tuple(ids), places, joint[: 2 * n + 2, : 2 * n + 2], float(freedom[0]))
        way, way_words = self._way() if machine else (None, ())
        space = self.space
        lot = self._lot_ring()
        here = self.names.loc[self.space_id] if self.space_id in self.names.index else None
        rights = self.run.tables["rights"]
        now, _ = holders_now(rights[rights["space_id"] == self.space_id])
        deeds = rights.set_index("right_id")["instrument"]
        held = [(str(row.holder), _said(deeds[row.right_id])) for row in now.itertuples()]
        section = next((one for one in self.ground.sections if one.name == str(space["section"])), None)
        return Site(
            space_id=self.space_id,
            section=_said(space["section"]),
            kind=_said(space["kind"]),
            state=_said(space["state"]),
            state_why=_said(space["state_why"]),
            shape=self.shape,
            radius_95=float(space["radius_95"]),
            position_by=_said(space["position_by"]),
            heads_azimuth=None if pd.isna(space["heads_azimuth"]) else float(space["heads_azimuth"]),
            heads_words=_said(space["heads"]),
            heads_by=_said(space["heads_by"]),
            heads_seen=_said(space["heads_seen"]),
            convergence=self.convergence,
            protected=section.protected if section else None,
            things=tuple(things),
            anchors=anchors,
            joint=joint,
            anchor_words=tuple(words),
            lot=lot,
            own_marker=own_marker,
            full=0 if here is None else int(here["full"]),
            urns=0 if here is None else int(here["urns"]),
            held=tuple(held),
            doubts=self._doubts(),
            factor=self.run.factor,
            position_checked=self._checked(),
            way=way,
            way_words=way_words,
            head_ends=self._head_ends(),
            dof=freedom,
        )

    def _dof(self, parts: Sequence[tuple[NDArray[np.int64], Floats]]) -> Floats:
        """Degrees of freedom of the places of spaces, as weighted means of corners; infinite for what hangs on none."""
        out = np.full(len(parts), np.inf)
        for k, (index, share) in enumerate(parts):
            if len(index):
                out[k] = self.corners.mean(index[None], share[None])[2][0]
        return np.where(np.isnan(out), np.inf, out)

    def _plat_space_rows(self) -> NDArray[np.int64]:
        """Row of the plat's spaces for each row of the layer."""
        index = pd.Index(self.plat.spaces["space_id"].astype(object))
        return np.asarray(index.get_indexer(pd.Index(self.ids.astype(object))), dtype=np.int64)

    def _lot_ring(self) -> Floats | None:
        lots = self.run.tables["lots"]
        lot = self.space["lot_id"]
        if pd.isna(lot):
            return np.asarray(shapely.get_coordinates(self.shape)[:-1])
        hit = lots[(lots["lot_id"] == lot).fillna(value=False)]
        return None if not len(hit) else np.asarray(shapely.get_coordinates(hit.geometry.iloc[0])[:-1])

    def _doubts(self) -> tuple[tuple[str, str], ...]:
        """Say what is wrong with the position: markers of the lot in doubt, dangers that name the lot or the space."""
        out: list[tuple[str, str]] = []
        line = self.plat.centre_weights[self._plat_space_rows()[self.row]]
        markers = self.run.tables["markers"].set_index("marker_id")
        for corner, share in zip(line.indices, line.data, strict=True):
            if self.corners.state[corner] not in ("doubtful", "disturbed") or share <= 0:
                continue
            name = self.corners.marker_id[corner]
            miss = markers["miss"].get(name) if name is not None else None
            if self.corners.state[corner] == "disturbed":
                out.append((VERDICTS[1], f"The marker {name} at a corner of its lot is disturbed"))
            elif miss is None or pd.isna(miss):
                out.append((VERDICTS[1], f"The marker {name} at a corner of its lot is in doubt"))
            elif float(miss) > self.rules["tie.disagree"]:
                out.append(
                    (
                        VERDICTS[0],
                        f"Two independent ways to find it disagree: the marker {name} and the other markers of "
                        f"its plat differ by {say(float(miss), self.unit)}",
                    )
                )
            else:
                out.append((VERDICTS[1], f"The marker {name} is in doubt: it misses by {say(float(miss), self.unit)}"))
        named = {label_key(str(self.space_id)), label_key(_said(self.space["lot_id"]))}
        for item in self.run.findings:
            subjects = {label_key(part) for part in item.subject.split(",")}
            if item.kind == "heads disagree" and label_key(item.subject) == label_key(_said(self.space["section"])):
                out.append(
                    (VERDICTS[1], f"Which way the heads lie is in doubt in section {item.subject}: {item.reason}")
                )
            if item.severity == "danger" and subjects & named:
                out.append((VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}, {item.subject}: {item.reason}"))
        rights = self.run.tables["rights"]
        for item in holders_now(rights[rights["space_id"] == self.space_id])[1]:
            out.append((VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}: {item.reason}"))
        lot = _said(self.space["lot_id"])
        whole = self.run.tables["events"]
        if lot and len(whole):
            loose = whole[(whole["lot_id"] == lot).fillna(value=False) & whole["space_id"].isna()]
            if len(loose):
                out.append((VERDICTS[1], f"{len(loose)} burial(s) are recorded in lot {lot} without a space"))
        return tuple(dict.fromkeys(out))

    def _checked(self) -> str:
        control = self.run.tables["control"]
        states = control["state"].astype(str).tolist() if len(control) else []
        if "misses" in states:
            return "ABSOLUTE POSITION IN DOUBT: control is missed. Ties are sound, staking coordinates are not"
        if "agrees" in states:
            row = control[control["state"] == "agrees"].iloc[0]
            miss = say_length(float(row["miss"]), self.unit)
            return f"absolute position checked: control {row['control_id']} agrees to {miss}"
        return "ABSOLUTE POSITION UNCHECKED: ties are sound, staking coordinates are not"

    def _head_ends(self) -> tuple[float, ...]:
        """Distance from the head line to the head end of each measured vault in this row, near by."""
        if self.run.rows is None:
            return ()
        rows = self.run.rows
        mine = rows.iloc[self.row]
        vaults = self._near(self.run.tables["vaults"], 60.0 * self.foot)
        out = []
        for row in vaults.itertuples():
            name = self._space_at(row)
            hit = np.flatnonzero((self.ids == name).to_numpy() if name else np.zeros(0, dtype=bool))
            if not len(hit) or name == self.space_id:
                continue
            other = self.spaces.iloc[int(hit[0])]
            if other["section"] != self.space["section"] or rows.iloc[int(hit[0])] != mine:
                continue
            turn = np.radians(self._azimuth_of(other))
            ahead = np.array([np.sin(turn), np.cos(turn)])
            own = np.radians(self._azimuth_of(self.space))
            if ahead @ [np.sin(own), np.cos(own)] < 0.9:
                continue
            line = float((shapely.get_coordinates(other.geometry) @ ahead).max())
            out.append(line - float((shapely.get_coordinates(row.geometry) @ ahead).max()))
        return tuple(out[:8])

    def _way(self) -> tuple[Way | None, tuple[str, ...]]:
        """Look for a way of the machine, with its names of what stands in it."""
        equipment, rules = self.ground.equipment, self.rules
        drives = self.run.tables["drives"]
        if equipment.machine_width is None or not len(drives):
            return None, ("no drive is recorded",) if not len(drives) else ()
        reach = rules["route.search"]
        tables = self.run.tables
        shapes: list[Any] = []
        words: list[str] = []
        tall: list[Any] = []
        boom = equipment.boom_clear if equipment.boom_clear is not None else rules["route.boom_clear"]
        for row in self._near(tables["monuments"], reach).itertuples():
            shapes.append(row.geometry)
            words.append(f"stone {self._who(row.space_id) or row.monument_id}")
            if pd.isna(row.height) or float(row.height) > boom:
                tall.append(row.geometry)
        for row in self._near(tables["obstacles"], reach).itertuples():
            shapes.append(row.geometry)
            words.append(f"{'obstacle' if pd.isna(row.kind) else row.kind} {row.obstacle_id}")
            tall.append(row.geometry)
        for row in self._near(tables["probable_graves"], reach).itertuples():
            shapes.append(row.geometry)
            words.append(f"probable grave {row.grave_id}")
        covered = set(tables["vaults"]["space_id"].dropna().astype(str))
        for row in self._near(self.spaces, reach).itertuples():
            space_id = str(row.space_id)
            if space_id == self.space_id or space_id not in self.names.index:
                continue
            one = self.names.loc[space_id]
            if one["full"] <= 0 and one["urns"] <= 0:
                continue
            if (space_id in covered or self._vaulted(space_id)) and not self._fresh(space_id):
                continue
            shapes.append(self._burial(row))
            words.append(f"{'fresh' if self._fresh(space_id) else 'unvaulted'} grave {self._who(space_id)}")
        stand = self._stand(shapes, tall)
        if stand is None:
            near = sorted(range(len(shapes)), key=lambda k: float(shapely.distance(shapes[k], self.shape)))[:4]
            return Way(None, float("inf"), tuple(near)), tuple(words[k] for k in near)
        try:
            way = find_way(
                stand,
                list(drives.geometry),
                shapes,
                width=equipment.machine_width,
                margin=rules["route.margin"],
                within=reach,
            )
        except InputError as error:
            return Way(None, float("inf"), ()), (error.problems[0].what,)
        return way, tuple(words[k] for k in way.in_the_way)

    def _stand(self, shapes: Sequence[Any], tall: Sequence[Any]) -> Any:
        """Where the middle of the machine may stand: within reach, off everything, nothing tall under the boom."""
        rules, width = self.rules, float(self.ground.equipment.machine_width or 0.0)
        middle = shapely.Point(self.middle)
        near = width / 2.0 + rules["osha.spoil_back"]
        far = max(rules["route.boom_reach"], near + self.foot)
        ring = shapely.difference(shapely.buffer(self.shape, far), shapely.buffer(middle, near + 2.0 * self.foot))
        low, left, high, right = (float(value) for value in shapely.bounds(ring))
        xs, ys = np.meshgrid(np.arange(low, high, self.foot), np.arange(left, right, self.foot))
        points = shapely.points(xs.ravel(), ys.ravel())
        points = points[shapely.contains(ring, points)]
        if len(shapes) and len(points):
            tree = shapely.STRtree(np.asarray(shapes, dtype=object))
            hit = tree.query(
                points, predicate="dwithin", distance=width / 2.0 + rules["route.margin"] + 0.02 * self.foot
            )
            points = points[np.setdiff1d(np.arange(len(points)), hit[0])]
        if len(tall) and len(points):
            at = shapely.get_coordinates(points)
            booms = shapely.linestrings(np.stack([at, np.broadcast_to(self.middle, at.shape)], axis=1))
            hit = shapely.STRtree(np.asarray(tall, dtype=object)).query(booms, predicate="intersects")
            points = points[np.setdiff1d(np.arange(len(points)), hit[0])]
        return shapely.multipoints(points) if len(points) else None


def _said(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


# ---- planning -------------------------------------------------------------------------------------------------------


def plan(run: Run, order: Order, container: Container) -> Plan:
    """Plan one opening on a computed ground.

    Raises
    ------
    InputError
        For a space that does not exist.
    """
    ground = run.ground
    space_id = find_space(run, order.space)
    day = date.fromisoformat(order.date) if order.date else None
    site = site_of(run, space_id, machine=container.kind != "urn", day=day)
    return plan_opening(
        site, order, container, ground.equipment, rules=ground.rules, unit=ground.unit, tie_numbers=tie_numbers(ground)
    )  # fmt: skip


def open_grave(
    folder: Path, space: str, *, order: Path, container: str, out: Path | None = None, paper: str = "both",
    run: Run | None = None,
) -> Planned:  # fmt: skip
    """Plan an opening and write its sheets: the opening sheet, the checker's sheet, the phone page.

    Parameters
    ----------
    folder : Path
    space : str
    order : Path
        TOML file with the order.
    container : str
        Name in ``ground.toml``.
    out : Path, optional
        Folder for the sheets; ``sheets/<space>`` of the ground when left out.
    paper : str
        ``letter``, ``A4`` or ``both``.
    run : Run, optional
        Computed already.

    Raises
    ------
    InputError
        For an unknown space, container or order; when something cannot be written. Nothing is recorded here.
    """
    from cemgis.pipeline.compute import compute
    from cemgis.pipeline.evidence import read_ground

    ground = read_ground(folder) if run is None else run.ground
    gather = Gather()
    ordered: Order | None = None
    box: Container | None = None
    try:
        ordered = parse_order(_read(order), ground.unit, order.name)
    except InputError as error:
        gather.take(error)
    try:
        box = ground.container(container)
    except InputError as error:
        gather.take(error)
    gather.raise_if_any()
    if ordered is None or box is None:  # each of them is a problem noted above
        raise InputError.of("open", "no order or no container", "Give both.")
    run = compute(folder) if run is None else run
    space_id = find_space(run, space)
    site = site_of(
        run, space_id, machine=box.kind != "urn", day=date.fromisoformat(ordered.date) if ordered.date else None
    )  # fmt: skip
    made = plan_opening(
        site, ordered, box, ground.equipment, rules=ground.rules, unit=ground.unit, tie_numbers=tie_numbers(ground)
    )  # fmt: skip
    planned = Planned(made, run)
    planned.made += _write_sheets(folder, planned, out, paper)
    return planned


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.of(str(path), f"it cannot be read ({error})", "Name a TOML file with the order.") from None


def _write_sheets(folder: Path, planned: Planned, out: Path | None, paper: str) -> list[Path]:
    from cemgis import sheets
    from cemgis.pipeline.products import _facts

    run = planned.run
    target = out if out is not None else folder / "sheets" / planned.plan.site.space_id
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    facts = _facts(run.ground.crs, run.tables["run"])
    context = sheets.Context(
        facts, run.ground.equipment, run.ground.call, run.ground.rules,
        around=_around(run, planned.plan),
    )  # fmt: skip
    papers = ("letter", "A4") if paper == "both" else (paper,)
    made = []
    for name in papers:
        for kind, maker in (("opening", sheets.opening_sheet), ("checker", sheets.checker_sheet)):
            path = target / f"{kind}-{name.lower()}.pdf"
            write_bytes(path, maker(planned.plan, context, name))
            made.append(path)
    path = target / "phone.html"
    write_text(path, sheets.phone_page(planned.plan, context))
    made.append(path)
    return made


def _around(run: Run, made: Plan) -> dict[str, Any]:
    """Return what the drawings show besides the plan: spaces and lots around, drives, all markers."""
    tables = run.tables
    middle = made.dig.corners.mean(axis=0)
    foot = 1.0 if run.ground.unit.is_foot else 0.3048
    window = shapely.Point(middle).buffer(160.0 * foot)
    out: dict[str, Any] = {}
    for name, key in (("spaces", "space_id"), ("lots", "lot_id"), ("drives", "drive_id")):
        table = tables[name]
        shapes = table.geometry.to_numpy()
        near = np.flatnonzero(shapely.intersects(shapes, window)) if len(table) else np.empty(0, dtype=int)
        out[name] = [(str(table[key].iloc[k]), shapes[k]) for k in near]
    states = tables["spaces"].set_index("space_id")["state"]
    out["states"] = {name: _said(states.get(name)) for name, _ in out["spaces"]}
    out["sides"] = _sides(run, made, out["spaces"])
    from cemgis.reference import to_lonlat

    out["lonlat"] = [round(float(value), 5) for value in to_lonlat(middle[None], run.ground.crs)[0]]
    section = tables["sections"]
    hit = section[(section["section"] == made.site.section).fillna(value=False)]
    out["section_title"] = _said(hit["title"].iloc[0]) if len(hit) else ""
    return out


def _sides(run: Run, made: Plan, spaces: Sequence[tuple[str, Any]]) -> dict[str, tuple[str, str, str]]:
    """Return what lies left, right, beyond the head and beyond the foot: space, register, stone."""
    turn = np.radians(made.dig.heads_azimuth)
    ahead = np.array([np.sin(turn), np.cos(turn)])
    right = np.array([ahead[1], -ahead[0]])
    middle = shapely.get_coordinates(shapely.centroid(made.site.shape))[0]
    reach = shapely.get_coordinates(made.site.shape) - middle
    half_width, half_length = float((reach @ right).max()), float((reach @ ahead).max())
    step = 1.0 if run.ground.unit.is_foot else 0.3
    states = run.tables["spaces"].set_index("space_id")["state"]
    out = {}
    for name, way, half in (("left", -right, half_width), ("right", right, half_width),
                            ("head", ahead, half_length), ("foot", -ahead, half_length)):  # fmt: skip
        for far in (1.0, 6.0, 12.0):
            point = shapely.Point(middle + way * (half + far * step))
            hit = [one for one, shape in spaces if one != made.site.space_id and shapely.contains(shape, point)]
            if hit:
                break
        if not hit:
            out[name] = ("", "no space", "")
            continue
        things = [thing for thing in made.site.things if thing.space_id == hit[0]]
        burial = "; ".join(thing.words for thing in things if thing.kind in ("vault", "burial", "probable grave"))
        stone = "; ".join(thing.words for thing in things if thing.kind == "monument")
        out[name] = (hit[0], burial or _said(states.get(hit[0])), stone or "none recorded")
    return out


# ---- records --------------------------------------------------------------------------------------------------------


def openings_from_records(
    ground: Ground, records: Iterable[Mapping[str, Any]]
) -> tuple[gpd.GeoDataFrame, dict[str, pd.DataFrame], list[Finding]]:
    """Make the layer ``openings`` from the records, and what it adds to other layers.

    Parameters
    ----------
    ground : Ground
    records : iterable of dict

    Returns
    -------
    openings : GeoDataFrame
        One row an opening, as its last record leaves it.
    more : dict of str to DataFrame
        Rows for ``vaults``, ``events`` and ``people`` from openings that were closed.
    findings : list of Finding
        ``opening off its plan``, ``opening not closed``, ``record not usable``.
    """
    rows: list[dict[str, Any]] = []
    vaults: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    people: list[dict[str, Any]] = []
    findings: list[Finding] = []
    crs = ground.crs.crs
    columns = LAYERS["openings"].names
    for record in edits.standing(records):
        if record.get("kind") != OPENING_KIND:
            continue
        name = str(record.get("opening_id", ""))
        if record.get("crs", ground.crs.name) != ground.crs.name:
            findings.append(
                find("record not usable", name, f"made in {record['crs']}, the ground is in {ground.crs.name}")
            )
            continue
        try:
            shape = None if record.get("shape") is None else shapely.from_wkt(record["shape"])
        except (shapely.errors.ShapelyError, TypeError):
            findings.append(find("record not usable", name, "its shape cannot be read"))
            continue
        if not name or record.get("state") not in OPENING_STATES or not record.get("space_id"):
            findings.append(
                find("record not usable", name or str(record.get("id")), "it lacks its opening, space or state")
            )
            continue
        row = {key: record.get(key) for key in columns}
        row |= {"date": str(record.get("date") or record["when"])[:10], "record": record.get("id"), "geometry": shape}
        rows.append(row)
        if record["state"] == "opened":
            findings.append(find("opening not closed", name, f"opened {row['date']}", section=record.get("section")))
        if record["state"] not in ("closed", "settled"):
            continue
        off = record.get("off_plan")
        if off is not None and off > ground.rules["close.agree"]:
            at = None if shape is None else (float(shape.centroid.x), float(shape.centroid.y))
            findings.append(
                find("opening off its plan", name, f"what lies there is {say(float(off), ground.unit)} from its plan",
                     section=record.get("section"), at=at)
            )  # fmt: skip
        source = f"records, opening {name}"
        is_urn = record.get("container_kind") == "urn"
        if shape is not None and not is_urn:
            vaults.append(
                {
                    "vault_id": f"V {name}",
                    "section": record.get("section"),
                    "lot_id": record.get("lot_id"),
                    "space_id": record["space_id"],
                    "container": record.get("container"),
                    "heads": record.get("heads"),
                    "top_depth": record.get("top_depth"),
                    "sigma": record.get("sigma"),
                    "seen": row["date"],
                    "source": source,
                    "note": record.get("note"),
                    "geometry": shape,
                }
            )
        buried = str(record.get("buried") or record.get("date") or record["when"])[:10]
        people.append({"person_id": source, "name": record.get("person"), "source": source})
        events.append(
            {"event_id": source, "kind": "urn placed" if is_urn else "interment", "date": buried, "person_id": source,
             "place": record["space_id"], "lot_id": record.get("lot_id"), "space_id": record["space_id"],
             "resolved_by": "recorded", "container": record.get("container"), "source": source}
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=[*columns, "geometry"])
    openings = gpd.GeoDataFrame(schema.restore(table, LAYERS["openings"], crs), geometry="geometry", crs=crs)
    more = {
        "vaults": schema.restore(
            pd.DataFrame(vaults, columns=[*LAYERS["vaults"].names, "geometry"]), LAYERS["vaults"], crs
        ),
        "events": schema.restore(pd.DataFrame(events, columns=list(LAYERS["events"].names)), LAYERS["events"]),
        "people": schema.restore(pd.DataFrame(people, columns=list(LAYERS["people"].names)), LAYERS["people"]),
    }
    return openings, more, findings


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _latest(records: Iterable[Mapping[str, Any]], space_id: str) -> Mapping[str, Any] | None:
    """Last standing record of the space's latest opening."""
    found = [
        record for record in edits.standing(records)
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    ]  # fmt: skip
    return found[-1] if found else None


def _count(records: Iterable[Mapping[str, Any]], space_id: str) -> int:
    names = {
        record.get("opening_id")
        for record in records
        if record.get("kind") == OPENING_KIND and record.get("space_id") == space_id
    }
    return len(names)


def order_opening(folder: Path, planned: Planned, *, who: str, why: str = "ordered") -> dict[str, Any]:
    """Record that an opening was ordered, with its plan.

    Raises
    ------
    InputError
        When one is under way in that space already, or the record cannot be written.
    """
    made, run = planned.plan, planned.run
    kept = run.records
    before = _latest(kept, made.site.space_id)
    if before is not None and before["state"] in ("ordered", "waiting", "opened"):
        raise InputError.of(
            made.site.space_id, f"the opening {before['opening_id']} is {before['state']}",
            "Close or abandon it with `cemgis close` first.",
        )  # fmt: skip
    order = made.order
    box = made.container
    inside = dig_corners(made.dig.corners.mean(axis=0), made.dig.heads_azimuth, box.width, box.length)
    lot = run.tables["spaces"].set_index("space_id")["lot_id"].get(made.site.space_id)
    body = {
        "kind": OPENING_KIND, "opening_id": f"{made.site.space_id}/{_count(kept, made.site.space_id) + 1}",
        "space_id": made.site.space_id, "section": made.site.section, "lot_id": None if pd.isna(lot) else str(lot),
        "state": "ordered", "service": order.date, "person": order.person, "ordered_by": order.ordered_by,
        "authorised_by": order.authorised_by, "right": order.right, "permit": order.permit, "container": box.name,
        "container_kind": box.kind, "size": [box.width, box.length, box.height], "heads": made.site.heads_words or None,
        "bottom_depth": _finite(made.depth.bottom), "verdict": made.verdict,
        "shape": shapely.to_wkt(shapely.Polygon(inside), rounding_precision=4),
        "plan": np.round(inside, 4).tolist(), "crs": run.ground.crs.name, "who": who, "when": _now(), "why": why,
    }  # fmt: skip
    (written,) = record_files.append(folder / "records", _LOG, [{k: v for k, v in body.items() if v is not None}])
    planned.record = written
    return written


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def close_opening(
    folder: Path, space: str, *, state: str, who: str, why: str = "", day: str | None = None, taped: Sequence[str] = (),
    container: str | None = None, person: str | None = None, top: str | None = None, water: str | None = None,
    soil: str | None = None, photo: str | None = None, note: str | None = None, run: Run | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Record how far an opening is, and what lies where when it is closed. All or nothing.

    Parameters
    ----------
    folder : Path
    space : str
    state : str
        ``waiting``, ``opened``, ``closed``, ``settled`` or ``abandoned``.
    who, why : str
    day : str, optional
        ISO day; today when left out.
    taped : sequence of str
        ``MARKER, corner, length`` with the corner one of `cemgis.ties.CORNERS`: taped to the container as it lies. At
        least four make the as-built rectangle.
    container, person : str, optional
        When no order was recorded, or something else was set.
    top : str, optional
        Depth to its top.
    water, soil, photo, note : str, optional
    run : Run, optional

    Raises
    ------
    InputError
        With everything that cannot be; nothing is recorded then.
    """
    from cemgis.pipeline.compute import compute

    run = compute(folder) if run is None else run
    ground = run.ground
    gather = Gather()
    space_id = find_space(run, space)
    before = _latest(run.records, space_id)
    if state not in OPENING_STATES or state == "ordered":
        gather.add("state", f"{state!r} is none", f"One of: {', '.join(OPENING_STATES[1:])}.")
    order = OPENING_STATES.index(state) if state in OPENING_STATES else 0
    if before is not None and before["state"] in ("settled", "abandoned"):
        if state == "settled":
            gather.add(
                space_id, f"the opening {before['opening_id']} is {before['state']}", "There is nothing to settle."
            )
        before = None
    if before is not None and state != "abandoned" and OPENING_STATES.index(before["state"]) > order:
        gather.add(space_id, f"it is {before['state']} already", "Withdraw that record if it is wrong.")
    depth = None
    if top is not None:
        try:
            depth = parse_length(top, ground.unit, "top")
            if depth < 0:
                gather.add("top", f"{top!r} is negative", "Write the depth under the sod.")
        except InputError as error:
            gather.take(error)
    if day is not None:
        try:
            date.fromisoformat(day)
        except ValueError:
            gather.add("date", f"{day!r} is no date", 'Write "2026-05-04".')
    box: Container | None = None
    name = container or (before or {}).get("container")
    if name is not None:
        try:
            box = ground.container(str(name))
        except InputError as error:
            gather.take(error)
    if state == "closed" and box is None and not gather:
        gather.add("container", "nobody said what was set", "Name it with --container.")
    gather.raise_if_any()
    body: dict[str, Any] = {
        k: v for k, v in (before or {}).items() if k not in ("id", "schema_version", "replaces", "why")
    }
    site = site_of(run, space_id, machine=False)
    if before is None:
        lot = run.tables["spaces"].set_index("space_id")["lot_id"].get(space_id)
        body |= {
            "kind": OPENING_KIND, "opening_id": f"{space_id}/{_count(run.records, space_id) + 1}", "space_id": space_id,
            "section": site.section, "lot_id": None if pd.isna(lot) else str(lot), "heads": site.heads_words or None,
        }  # fmt: skip
    if box is not None:
        body |= {"container": box.name, "container_kind": box.kind, "size": [box.width, box.length, box.height]}
    if taped and box is not None:
        built = _built(run, site, box, body.get("plan"), taped)
        body["shape"] = shapely.to_wkt(shapely.Polygon(built.corners), rounding_precision=4)
        body["sigma"] = round(max(built.sigma, 0.001), 4)
        body["residuals"] = np.round(built.residuals, 4).tolist()
        body["taped"] = list(taped)
        if body.get("plan") is not None:
            body["off_plan"] = round(float(np.hypot(*(built.corners - np.array(body["plan"])).T).max()), 4)
    elif state == "closed" and "sigma" not in body:
        # nobody measured: it is taken to lie where it was planned, and is no better than any burial nobody measured
        body.pop("shape", None)
    told = {"top_depth": depth, "water": water, "soil": soil, "photo": photo, "note": note, "person": person}
    body |= {key: value for key, value in told.items() if value is not None}
    if state == "closed":
        body["buried"] = day or _now()[:10]
    body |= {
        "state": state, "date": day or _now()[:10], "who": who, "when": _now(), "why": why or f"{state} by {who}",
        "crs": ground.crs.name,
    }  # fmt: skip
    if before is not None:
        body["replaces"] = [before["id"]]
    (written,) = record_files.append(folder / "records", _LOG, [{k: v for k, v in body.items() if v is not None}])
    return written


def _built(run: Run, site: Site, box: Container, planned: Any, taped: Sequence[str]) -> AsBuilt:
    """As-built rectangle from what was taped to the container."""
    gather = Gather()
    keys = {label_key(name): k for k, name in enumerate(site.anchors.ids)}
    anchor, corner, distance = [], [], []
    for said in taped:
        parts = [part.strip() for part in said.split(",")]
        where = f"taped {said!r}"
        if len(parts) != 3:
            gather.add(where, "not three parts", 'Write "B-63, head left, 31 ft 4 1/2 in".')
            continue
        if label_key(parts[0]) not in keys:
            gather.add(
                where, f"no trusted marker {parts[0]} within a tape", f"One of: {', '.join(site.anchors.ids[:12])}."
            )
        if parts[1].lower() not in CORNERS:
            gather.add(where, f"there is no corner {parts[1]}", f"One of: {', '.join(CORNERS)}, seen from the foot.")
        try:
            length = parse_length(parts[2], run.ground.unit, where)
        except InputError as error:
            gather.take(error)
            continue
        if label_key(parts[0]) in keys and parts[1].lower() in CORNERS:
            anchor.append(keys[label_key(parts[0])])
            corner.append(CORNERS.index(parts[1].lower()))
            distance.append(length)
    gather.raise_if_any()
    if planned is None:
        azimuth = 0.0 if site.heads_azimuth is None else site.heads_azimuth - site.convergence
        rules = run.ground.rules
        made = place_dig(
            site.shape,
            azimuth,
            (box.width, box.length),
            room=rules["dig.working_room"],
            head_strip=rules["dig.head_strip"],
        )
        planned = dig_corners(made.corners.mean(axis=0), azimuth, box.width, box.length)
    found = as_built(
        anchor,
        corner,
        distance,
        anchors=site.anchors,
        start=np.array(planned, dtype=float),
        size=(box.width, box.length),
        numbers=tie_numbers(run.ground),
        factor=run.factor,
    )
    middle = shapely.Point(found.corners.mean(axis=0))
    far = float(shapely.distance(middle, site.shape))
    if far > site.radius_95 + (1.0 if run.ground.unit.is_foot else 0.3):
        raise InputError.of(
            "as built", f"its middle would lie {say(far, run.ground.unit)} outside of {site.space_id}",
            "Check the markers, the side of the line and the space; record it under the space it lies in.",
        )  # fmt: skip
    return found


def list_openings(run: Run, today: date) -> list[str]:
    """List what is open and not closed, what is due to be looked at for settling, and what is off its plan."""
    openings = run.tables["openings"]
    unit, rules = run.ground.unit, run.ground.rules
    lines = []
    for row in openings.itertuples():
        head = f"{row.opening_id}: {row.state} {row.date}"
        if row.state in ("ordered", "waiting", "opened"):
            lines.append(f"{head}; not closed" + (f"; service {row.service}" if _said(row.service) else ""))
        elif row.state == "closed":
            gone = (today - date.fromisoformat(str(row.date)[:10])).days
            due = gone >= 7 * rules["close.settle_weeks"]
            lines.append(f"{head}; {'LOOK FOR SETTLING' if due else 'not yet settled'}, {gone // 7} weeks ago")
        if not pd.isna(row.off_plan) and row.off_plan > rules["close.agree"]:
            lines.append(f"{row.opening_id}: lies {say(float(row.off_plan), unit)} from its plan")
    return lines


def say_opening(record: Mapping[str, Any]) -> str:
    """Say a record of an opening in words."""
    lines = [f"Recorded: {record['opening_id']} is {record['state']}, {record['date']}."]
    if "sigma" in record:
        off = "" if "off_plan" not in record else f", at most {record['off_plan']:.2f} from its plan"
        lines.append(
            f"  As built from {len(record.get('taped', ()))} taped distances, sure to {record['sigma']:.2f}{off}."
        )
    elif record["state"] == "closed":
        lines.append("  Nothing was measured: the next opening beside it will not know where it lies.")
    lines.append("  The next build carries it.")
    return "\n".join(lines)
