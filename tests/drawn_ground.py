"""A small invented ground as tables, for what draws: five sections, every layer, known places."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.affinity

from cemgis import drawing, findings, schema
from cemgis.layers import LAYERS, SPACE_STATES
from cemgis.reference import ground_crs

CRS = "EPSG:6549"
ORIGIN = np.array([1_893_000.0, 402_000.0])


def facts(code=CRS, **more):
    given = {
        "name": "Millrace Hill Burying Ground",
        "crs": ground_crs(code),
        "date": "2025-05-20",
        "evidence_hash": "6b1f0c2e9d4a7788aa10",
        "accuracy": "Half of the spaces lie within 0.31 ft of where they are drawn, the worst within 0.92 ft (95 %).",
        "convergence_deg": 0.31,
        "declination_deg": -8.1,
        "place": "near Tansy Fork, Ohio (invented)",
    }
    return drawing.Facts(**(given | more))


def _turned(xy, degrees, about=(0.0, 0.0)):
    turn = np.radians(degrees)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return (xy - about) @ matrix.T + about


def _rectangles(x, y, w, h, place):
    ring = np.stack([np.stack([x, y], -1), np.stack([x + w, y], -1), np.stack([x + w, y + h], -1),
                     np.stack([x, y + h], -1)], axis=1)  # fmt: skip
    return shapely.polygons(place(ring.reshape(-1, 2)).reshape(-1, 4, 2))


def _outline(shape, reach):
    wide = shapely.union_all(shapely.buffer(shape, reach, join_style="mitre"))
    return shapely.MultiPolygon([wide.buffer(-reach, join_style="mitre")])


SECTIONS = (
    # name, title, corner, turn, rows, lots a row, frontage, depth, spaces, heads
    ("A", "Old ground", (40, 40), 3.0, 6, 15, 16.0, 12.0, 4, "west"),
    ("B", "Schoolhouse side", (190, 30), 3.0, 8, 16, 16.0, 12.0, 4, "west"),
    ("C", "New ground", (390, 60), -1.0, 7, 14, 16.0, 12.0, 4, "east"),
    ("D", "Oak row", (60, 330), 8.0, 5, 9, 20.0, 16.0, 4, "west"),
    ("E", "Infants", (330, 345), 1.5, 5, 12, 8.0, 6.0, 2, "west"),
)


def tables(seed=7, origin=ORIGIN, crs=CRS, scale=1.0):
    """Every layer, restored from its declaration."""
    rng = np.random.default_rng(seed)
    lots, spaces, corners, markers, sections = [], [], [], [], []
    for name, title, corner, turn, rows, across, frontage, depth, per_lot, heads in SECTIONS:

        def place(xy, corner=corner, turn=turn):
            return (_turned(xy, turn) + corner) * scale + origin

        row, spot = (item.ravel() for item in np.meshgrid(np.arange(rows), np.arange(across), indexing="ij"))
        x = row * depth + row // 2 * 10.0
        y = spot * frontage
        number = row * across + spot + 1
        shape = _rectangles(x, y, depth, frontage, place)
        lot_ids = [f"{name}-{n}" for n in number]
        state = rng.choice(["found", "unfound", "unfound", "unfound"], len(row)).astype(object)
        state[[3, 17]] = "doubtful"
        lots.append(gpd.GeoDataFrame({"lot_id": lot_ids, "section": name, "row": (row + 1).astype(str),
                                      "lot": number.astype(str), "spaces": per_lot, "marker_corner": "southwest",
                                      "marker_state": state, "radius_95_worst": rng.uniform(0.2, 0.9, len(row))},
                                     geometry=shape))  # fmt: skip
        lot = np.repeat(np.arange(len(row)), per_lot)
        k = np.tile(np.arange(per_lot), len(row))
        height = frontage / per_lot
        shape = _rectangles(x[lot], y[lot] + frontage - (k + 1) * height, depth, height, place)
        azimuth = (270.0 if heads == "west" else 90.0) + turn
        count = len(lot)
        spaces.append(gpd.GeoDataFrame(
            {"space_id": [f"{lot_ids[i]}-{j + 1}" for i, j in zip(lot, k, strict=True)], "section": name,
             "lot_id": np.array(lot_ids)[lot], "space": (k + 1).astype(str),
             "kind": "infant" if name == "E" else "full",
             "state": rng.choice(SPACE_STATES, count, p=[0.35, 0.15, 0.35, 0.06, 0.03, 0.03, 0.03]),
             "state_why": "ledger 2, page 14", "burials": rng.integers(0, 2, count), "heads": heads,
             "heads_azimuth": azimuth, "heads_by": "section rule", "heads_seen": "not seen", "width": height,
             "length": depth, "cov_ee": 0.01, "cov_en": 0.001, "cov_nn": 0.012,
             "radius_95": rng.uniform(0.2, 0.9, count), "position_by": "3 found corners"}, geometry=shape))  # fmt: skip
        at = place(np.column_stack([x, y]).astype(float))
        corner_ids = [f"1889:{a:.2f},{b:.2f}" for a, b in zip(x + corner[0], y + corner[1], strict=True)]
        corners.append(gpd.GeoDataFrame(
            {"corner_id": corner_ids, "plat": "1889", "section": name, "plat_x": x + corner[0],
             "plat_y": y + corner[1], "state": state, "marker_id": lot_ids, "cov_ee": 0.01, "cov_en": 0.0,
             "cov_nn": 0.01, "radius_95": 0.25}, geometry=shapely.points(at)))  # fmt: skip
        seen = np.isin(state, ["found", "doubtful"])
        shift = np.where((state == "doubtful")[:, None], [1.4, -0.6], 0.0)
        markers.append(gpd.GeoDataFrame(
            {"marker_id": np.array(lot_ids)[seen], "label": np.array(lot_ids)[seen], "section": name,
             "lot_id": np.array(lot_ids)[seen], "corner_id": np.array(corner_ids)[seen],
             "state": np.where(state == "found", "used in the fit", "set aside")[seen],
             "holds": (state == "found")[seen], "trusted": False, "kind": "disc", "condition": "whole",
             "depth": 0.4, "n_occupations": 1, "first_seen": pd.Timestamp("2025-05-06T14:00Z"),
             "last_seen": pd.Timestamp("2025-05-06T14:10Z"), "cov_ee": 0.002, "cov_en": 0.0, "cov_nn": 0.002,
             "radius_95": 0.12}, geometry=shapely.points((at + shift)[seen])))  # fmt: skip
        mine = spaces[-1]
        sections.append({"section": name, "plat": "1889", "plat_date": "1889-05-01", "title": title, "heads": heads,
                         "heads_rule": heads, "lots": len(row), "spaces": count,
                         "vacant": int((mine["state"] == "vacant").sum()), "markers_found": int(seen.sum()),
                         "markers_unfound": int((~seen).sum()), "radius_95_median": 0.4, "radius_95_worst": 0.9,
                         "protected": "unmarked burials" if name == "D" else None,
                         "geometry": _outline(shape, 5.2 * scale)})  # fmt: skip
    lots, spaces = pd.concat(lots, ignore_index=True), pd.concat(spaces, ignore_index=True)
    corners, markers = pd.concat(corners, ignore_index=True), pd.concat(markers, ignore_index=True)

    def free(x, y, w, h):
        return shapely.affinity.translate(shapely.box(0, 0, w * scale, h * scale), *(np.array([x, y]) * scale + origin))

    middle = shapely.centroid(spaces.geometry.to_numpy())
    taken = np.flatnonzero((spaces["state"] == "occupied").to_numpy())
    vault = taken[::7]
    stone = taken[::2]
    head = np.where(spaces["heads"].to_numpy() == "west", -4.9, 4.9)[stone] * scale
    stone_xy = shapely.get_coordinates(middle[stone]) + np.column_stack([head, np.zeros(len(stone))])
    grave = rng.choice(np.flatnonzero((spaces["state"] == "probably occupied").to_numpy()), 6, replace=False)
    road = shapely.LineString(np.array([[20, 20], [20, 318], [300, 325], [575, 318], [580, 20]]) * scale + origin)
    people = pd.DataFrame({"person_id": [f"ledger:{n}" for n in range(len(taken))],
                           "name": [f"Tansy {word} Hollowell" for word in rng.choice(
                               ["Orpha", "Zadok", "Perlina", "Thurlow", "Mehitable"], len(taken))],
                           "born": "1851", "died": "1902-03-01", "source": "ledger.csv"})  # fmt: skip
    events = pd.DataFrame({"event_id": [f"ledger:{n}" for n in range(len(taken))], "kind": "interment",
                           "date": "1902-03-04", "person_id": people["person_id"],
                           "place": spaces["space_id"].to_numpy()[taken],
                           "space_id": spaces["space_id"].to_numpy()[taken], "resolved_by": "section, lot, space",
                           "source": "ledger.csv", "as_written": "Lot as written"})  # fmt: skip
    held = spaces["space_id"].to_numpy()[(spaces["state"] == "right held").to_numpy()]
    rights = pd.DataFrame({"right_id": [f"deeds:{n}" for n in range(len(held))], "holder": "Absalom Quillfeather",
                           "date": "1921", "instrument": "book 3, page 9", "place": held, "space_id": held,
                           "source": "deeds.csv"})  # fmt: skip
    niches = pd.DataFrame({"space_id": [f"N-east-{r}-{c}" for r in range(1, 5) for c in range(1, 7)], "section": "N",
                           "building": "N", "face": "east", "row": np.repeat(range(1, 5), 6),
                           "column": np.tile(range(1, 7), 4), "state": "vacant", "burials": 0})  # fmt: skip
    doubtful = markers[markers["state"] == "set aside"].geometry
    found = findings.tabulate(
        [
            findings.find("label misread", "B-16", "lies where 91 belongs, 14.2 ft off", section="B",
                          at=tuple(shapely.get_coordinates(doubtful.iloc[2])[0])),
            findings.find("marker moved or set there", "A-4", "misses by 1.52 ft, w = 8.1", section="A",
                          at=tuple(shapely.get_coordinates(doubtful.iloc[0])[0])),
            findings.find("marker damaged", "A-4", "tilted", section="A",
                          at=tuple(shapely.get_coordinates(doubtful.iloc[0])[0])),
            findings.find("clearance short", "V12 and V13", "0.31 ft apart, the rule asks 0.67 ft", section="C",
                          at=tuple(shapely.get_coordinates(middle[vault[9]])[0])),
            findings.find("heads disagree", "C row 3", "9 stones show the heads at the west end", section="C",
                          at=tuple(shapely.get_coordinates(middle[900])[0])),
            findings.find("place unknown", "Z-14", "ledger.csv line 88 names a lot that does not exist"),
            findings.find("markers not trusted", "A", "12 markers have a single occupation"),
        ], crs=crs)  # fmt: skip
    raw = {
        "sections": gpd.GeoDataFrame(pd.DataFrame(sections), geometry="geometry"),
        "lots": lots, "spaces": spaces, "corners": corners, "markers": markers,
        "drives": gpd.GeoDataFrame({"drive_id": ["main"], "name": ["Mill drive"], "surface": ["gravel"]},
                                   geometry=[road.buffer(5 * scale, cap_style="flat")]),
        "obstacles": gpd.GeoDataFrame({"obstacle_id": ["oak", "shed"], "kind": ["tree", "building"]},
                                      geometry=[free(300, 370, 0.1, 0.1).buffer(9 * scale), free(480, 345, 24, 16)]),
        "vaults": gpd.GeoDataFrame({"vault_id": [f"V{n}" for n in range(len(vault))],
                                    "space_id": spaces["space_id"].to_numpy()[vault]},
                                   geometry=[shapely.affinity.scale(item, 0.6, 0.62)
                                                  for item in spaces.geometry.iloc[vault]]),
        "monuments": gpd.GeoDataFrame({"monument_id": [f"M{n}" for n in range(len(stone))], "kind": "headstone"},
                                      geometry=[shapely.box(x - 0.5 * scale, y - 1.1 * scale, x + 0.5 * scale,
                                                            y + 1.1 * scale) for x, y in stone_xy]),
        "probable_graves": gpd.GeoDataFrame({"grave_id": [f"P{n}" for n in range(6)], "reason": "probe"},
                                            geometry=[shapely.affinity.scale(item, 0.5, 0.5)
                                                      for item in spaces.geometry.iloc[grave]]),
        "control": gpd.GeoDataFrame({"control_id": ["MH 1"], "source": ["county engineer"], "state": ["agrees"],
                                     "miss": [0.05]},
                                    geometry=shapely.points([np.array([315.0, 305.0]) * scale + origin])),
        "clearances": gpd.GeoDataFrame({"clearance_id": ["V9|V10"], "pair": ["vault to vault"], "a_id": ["V9"],
                                        "b_id": ["V10"], "section": ["C"], "gap": [0.31], "required": [0.67],
                                        "shortfall": [0.36]},
                                       geometry=[shapely.LineString(
                                           [(middle[vault[9]].x, middle[vault[9]].y),
                                            (middle[vault[9]].x, middle[vault[9]].y + 0.31 * scale)])]),
        "readings": gpd.GeoDataFrame({"reading_id": [f"spring.nmea:{n}" for n in range(20)], "file": "spring.nmea",
                                      "line": range(20), "label": "A-1", "fix": "fixed", "used": True,
                                      "time": pd.Timestamp("2025-05-06T14:00:00Z")},
                                     geometry=shapely.points(rng.normal(0, 0.05, (20, 2)) + origin + 40)),
        "occupations": gpd.GeoDataFrame({"occupation_id": ["A-1 1"], "label": ["A-1"], "file": ["spring.nmea"]},
                                        geometry=shapely.points([origin + 40])),
        "people": people, "events": events, "rights": rights, "niches": niches,
        "run": pd.DataFrame({"name": ["version"], "group": ["version"], "value": ["0"], "source": [""]}),
    }  # fmt: skip
    out = {name: schema.restore(table, LAYERS[name], crs) for name, table in raw.items()}
    out["findings"] = found
    for name, table in out.items():
        schema.check(table, LAYERS[name])
    return out
