"""The site of an opening, put together from a run's tables: what it is taped from, what it could strike."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from datetime import date, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from cemgis.backing import Backing, not_seen, row_backing
from cemgis.dates import bounds, say_date, say_years
from cemgis.errors import InputError
from cemgis.geometry import long_axis
from cemgis.holdings import holders_now
from cemgis.opening import VERDICTS, Site, Thing, place_dig, say
from cemgis.places import former_numbers, label_key
from cemgis.reference import convergence
from cemgis.route import Way, find_way
from cemgis.ties import Anchors, TieNumbers, corner_word
from cemgis.units import compass_word, say_length

if TYPE_CHECKING:
    from cemgis.ground import Ground, Section
    from cemgis.pipeline.run import Run

__all__ = ["find_place", "find_space", "openings_under_way", "say_value", "site_of", "tie_numbers"]

Floats = NDArray[np.float64]

_NEAR = 25.0  # feet around a space in which things are named
_MOST_ANCHORS = 40
_MOST_STONES = 8
_WEAK = ("broken", "tilted", "loose")
_UNKNOWN_SIGMA = 0.25  # feet, for measured things whose file says no sigma; no source


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
    niches = [label_key(one) for one in run.tables["niches"]["space_id"].astype(str)]
    if key in niches:
        raise InputError.of("space", f"{name} is a niche", "There is nothing to dig.")
    was = _was(run, name)
    if was:
        raise InputError.of(
            "space", f"{name[:60]!r} is a number nobody uses now", f"Until {say_date(was[0][1])} it was {was[0][0]}, perhaps."
        )  # fmt: skip
    near = difflib.get_close_matches(key, [*(label_key(one) for one in ids), *niches], n=3, cutoff=0.6)
    remedy = f"Did you mean {', '.join(near)}?" if near else "`cemgis spaces` lists them."
    raise InputError.of("space", f"there is no space {name[:60]!r}", remedy)


def _was(run: Run, name: str) -> list[tuple[str, str]]:
    """Places of today that a number once meant."""
    return former_numbers(name, run.crosswalk)[1]


def openings_under_way(run: Run, space_id: str) -> tuple[tuple[str, str], ...]:
    """Return the openings of a place that are ordered, waiting or open: in words, and for whom."""
    table = run.tables["openings"]
    mine = (table["space_id"] == space_id) & table["state"].isin(["ordered", "waiting", "opened"])
    return tuple(
        (f"The opening {row.opening_id} is {row.state}, {say_date(row.date)}", say_value(row.person))
        for row in table[mine.fillna(value=False).to_numpy(dtype=bool)].itertuples()
    )


def find_place(run: Run, name: str) -> str:
    """Return the id of the space or niche a person means.

    Raises
    ------
    InputError
        When there is none.
    """
    for one in run.tables["niches"]["space_id"].astype(str):
        if label_key(one) == label_key(name):
            return str(one)
    return find_space(run, name)


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
        return float(convergence(self.middle[None], self.ground.crs)[0])

    def _names(self) -> pd.DataFrame:
        """Last burial of each space: who, when, in what."""
        events, people = self.run.tables["events"], self.run.tables["people"]
        if not len(events):
            return pd.DataFrame(columns=["space_id", "name", "date", "container", "full", "urns", "fresh"]).set_index(
                "space_id"
            )
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
        put = table[table["in"]]
        span = bounds(put["date"]).fillna("").astype(str)  # a burial "in May" is as new as the last of May
        since = (self.day - timedelta(weeks=self.rules["route.fresh"])).isoformat()
        put = put.assign(
            first=span["earliest"], fresh=(span["latest"] >= since) & (span["earliest"] <= self.day.isoformat())
        )
        last = put.sort_values("first", kind="stable").groupby("space_id").tail(1).set_index("space_id")
        fresh = put.groupby("space_id")["fresh"].any()
        return counts.join(last[["name", "date", "container"]]).assign(
            fresh=fresh.reindex(counts.index, fill_value=False)
        )

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
        year = "" if pd.isna(one["date"]) else say_years(str(one["date"]))
        return " ".join(part for part in (said, year, f"({key})") if part)

    def _fresh(self, space_id: object) -> bool:
        """Whether somebody may have been buried there within the weeks for which no wheel goes over it."""
        known = not pd.isna(space_id) and str(space_id) in self.names.index
        return known and bool(self.names.loc[str(space_id), "fresh"])

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

    @cached_property
    def _backing(self) -> Backing | None:
        """Return what confirms the row of this space; None where it is in no row."""
        row = None if self.run.rows is None else self.run.rows.iloc[self.row]
        if row is None or pd.isna(row):
            return None
        markers = self.run.tables["markers"]
        used = markers[(markers["state"] == "used in the fit").to_numpy(dtype=bool)]
        keys = {(label_key(one.label), say_value(one.section)) for one in used.itertuples()}
        sites = self.plat.sites
        named = zip(sites["label"], sites["section"], strict=True)
        found = [label for label, section in named if (label_key(label), section) in keys]
        vertices = self.plat.centre_weights[self._plat_space_rows()[self.row]]
        corners = self.plat.corners[["plat_x", "plat_y"]].to_numpy(dtype=float)
        return row_backing(sites, found, say_value(self.space["section"]), str(row), (vertices @ corners)[0])

    def _unseen(self, section: Section) -> str | None:
        """Return what nobody looked at on the ground, of what tells where this space lies in its lot."""
        sites, lots = self.plat.sites, self.plat.lots.set_index("lot_id")["spaces"]
        lot = say_value(self.space["lot_id"])
        return not_seen(section.seen, markers=bool((sites["section"] == section.name).any()),
                        several=lot in lots.index and int(lots[lot]) > 1)  # fmt: skip

    def _on_the_ground(self, lot: str, side: str) -> str:
        """Say where that end really lies, where the plat is turned so far that its word is another."""
        mine = self.spaces[(self.spaces["lot_id"] == lot).fillna(value=False).to_numpy(dtype=bool)]
        middles = shapely.get_coordinates(shapely.centroid(mine.geometry.to_numpy()))
        first = (mine["space"].astype(str) == "1").to_numpy(dtype=bool)
        if len(mine) < 2 or first.sum() != 1:
            return ""
        way = middles[first][0] - middles[~first].mean(axis=0)
        seen = compass_word(float(np.degrees(np.arctan2(*way))) + self.convergence)
        return "" if seen == side else f" ({seen} on the ground)"

    def _backing_words(self) -> str:
        """Say what is the plat's word alone about where this space lies, and what confirms it."""
        backing = self._backing
        if backing is None:
            return ""
        row = self.run.rows.iloc[self.row] if self.run.rows is not None else ""
        lots = self.plat.lots.set_index("lot_id")
        lot = say_value(self.space["lot_id"])
        said = ""
        if lot in lots.index:
            corner, side = say_value(lots.loc[lot, "marker_corner"]), say_value(lots.loc[lot, "first_space_side"])
            told = [(f"markers stand at the {corner} corner of their lots" if corner else "", "corner"),
                    (f"space 1 lies at the {side} end of lot {lot}{self._on_the_ground(lot, side)}" if side else "",
                     "space_1")]  # fmt: skip
            seen = next((one.seen for one in self.ground.sections if one.name == self.space["section"]), None)
            by: dict[str, list[str]] = {}  # one look may have told the one and not the other
            for part, what in told:
                looked = seen is not None and getattr(seen, what) is not None
                how = (
                    f"{seen.by} saw it at {seen.lot}, {say_date(seen.date)}"
                    if seen is not None and looked
                    else ("compare a name on a stone")
                )
                by.setdefault(how, []).extend([part] if part else [])
            said = "".join(f"By the plat {' and '.join(parts)}: {how}. " for how, parts in by.items() if parts)
        if backing.by:
            return f"{said}Row {row} is confirmed by {', '.join(backing.by[:3])}."
        first = [f"marker {name}" for name in backing.unread[:2]]
        read = ", ".join([*first, "or names on stones of this row"])
        return f"ROW {row} IS THE PLAT'S WORD ALONE: no marker found in it agrees. Read {read}, first. {said}".strip()

    def _beside(self) -> tuple[tuple[str, str, Any], ...]:
        """Spaces a dig could reach into."""
        near = self._near(self.spaces, self.rules["dig.working_room"] + self.foot)
        rows = zip(near["space_id"].astype(str), near["state"].map(say_value), near.geometry, strict=True)
        return tuple(row for row in rows if row[0] != self.space_id)

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
        where = None if row.kind == "cremation" else min(strip, max(sides[1] - length, 0.0))
        made = place_dig(row.geometry, azimuth, (width, length), room=0.0, head_strip=where)
        return made.polygon

    def _azimuth_of(self, row: Any) -> float:
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
            ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(row.geometry))[:-1]
            if len(ring) != 4:
                continue  # no stone of any width
            outer = int(np.argmax(np.hypot(*(ring - self.middle).T)))
            best, side = ring[outer], corner_word(ring, outer, self.convergence)
            place = say_value(row["space_id"]) or str(row["monument_id"])
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
        held = [(str(row.holder), say_value(deeds[row.right_id])) for row in now.itertuples()]
        former = former_numbers(self.space_id, self.run.crosswalk)
        section = next((one for one in self.ground.sections if one.name == str(space["section"])), None)
        return Site(
            space_id=self.space_id,
            section=say_value(space["section"]),
            kind=say_value(space["kind"]),
            state=say_value(space["state"]),
            state_why=say_value(space["state_why"]),
            shape=self.shape,
            radius_95=float(space["radius_95"]),
            position_by=say_value(space["position_by"]),
            heads_azimuth=None if pd.isna(space["heads_azimuth"]) else float(space["heads_azimuth"]),
            heads_words=say_value(space["heads"]),
            heads_by=say_value(space["heads_by"]),
            heads_seen=say_value(space["heads_seen"]),
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
            beside=self._beside(),
            backing=self._backing_words(),
            under_way=openings_under_way(self.run, self.space_id),
            factor=self.run.factor,
            position_checked=self._checked(),
            way=way,
            way_words=way_words,
            head_ends=self._head_ends(),
            dof=freedom,
            former=tuple(f"{name} until {say_date(until)}" for name, until in former[0]),
            meant=tuple(f"{name} until {say_date(until)}" for name, until in former[1]),
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
        named = {label_key(str(self.space_id)), label_key(say_value(self.space["lot_id"]))}
        place = say_value(self.space["section"])
        for item in self.run.findings:
            subjects = {label_key(part) for part in item.subject.split(",")}
            if item.kind == "heads disagree" and label_key(item.subject) == label_key(say_value(self.space["section"])):
                out.append(
                    (VERDICTS[1], f"Which way the heads lie is in doubt in section {item.subject}: {item.reason}")
                )
            of_plat = next((one.plat for one in self.ground.sections if one.name == place), "")
            if (item.kind, item.subject) in {("plat contradicted", place), ("corner contradicted", place),
                                             ("scale implausible", of_plat)}:  # fmt: skip
                out.append((VERDICTS[1], f"What is written of the plat may be wrong, {item.subject}: {item.reason}"))
            if item.severity == "danger" and subjects & named:
                out.append((VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}, {item.subject}: {item.reason}"))
        section = next((one for one in self.ground.sections if one.name == place), None)
        if section is not None and (unseen := self._unseen(section)) is not None:
            out.append(
                (VERDICTS[1], f"Nobody has looked on the ground {unseen} in section {place}: see it at one lot beside a "
                 "named stone, and write it in ground.toml (seen)")
            )  # fmt: skip
        backing = self._backing
        if backing is not None and not backing.by and len(backing.others) < 2:
            row = self.run.rows.iloc[self.row] if self.run.rows is not None else ""
            stand = (
                f"the markers found in section {place} stand in row {backing.others[0]} alone" if backing.others
                else f"no marker found in section {place} agrees"
            )  # fmt: skip
            read = f". Read {' or '.join(backing.unread[:2])} first" if backing.unread else ""
            out.append((VERDICTS[1], f"On which side row {row} lies is only the plat's word: {stand}{read}"))
        rights = self.run.tables["rights"]
        for item in holders_now(rights[rights["space_id"] == self.space_id])[1]:
            out.append((VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}: {item.reason}"))
        openings = self.run.tables["openings"]
        for row in openings[(openings["space_id"] == self.space_id).fillna(value=False)].itertuples():
            if row.state == "abandoned":
                out.append(
                    (VERDICTS[1], f"An opening here was abandoned on {say_date(row.date)}: {say_value(row.because)}")
                )
        lot = say_value(self.space["lot_id"])
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


def say_value(value: Any) -> str:
    """Return a value of a table as text, empty where nothing is said."""
    return "" if value is None or pd.isna(value) else str(value)
