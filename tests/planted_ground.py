"""A ground with strings of their own in everything that is not public, in every layer, row and input."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

import pandas as pd
import shapely

from cemgis import schema
from cemgis.files import geopackage
from cemgis.layers import LAYERS
from cemgis.reference import ground_crs

CRS = ground_crs("EPSG:6549")
EAST, NORTH = 2_000_000.0, 400_000.0
FAR = 7_654_321.0  # what numbers that are not public begin with
ROWS = """[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "west"
lots = 2
frontage = "16 ft"
depth = "12 ft"
"""
TOML = f"""
schema_version = 1
name = "Tansy Hill"
place = "Ohio"
crs = "EPSG:6549"
call = "canary-call"
[rules]
"people.oldest" = {{ value = 110, source = "canary-rule" }}
[public]
licence = "CC BY 4.0"
withheld = "register/canary-wishes.csv"
[[register]]
file = "register/canary-ledger.csv"
[[withhold]]
name = "Wished Canarywish"
reason = "canary-wish-reason"
[[plat]]
name = "1889"
date = "1889"
source = "canary-plat"
[[section]]
name = "A"
parcel = "canary-parcel"
{ROWS}
[[section]]
name = "G"
public = "generalise"
public_reason = "canary-generalise-reason"
{ROWS}
[[section]]
name = "O"
title = "canary-omitted-title"
public = "omit"
public_reason = "canary-omit-reason"
{ROWS}
[[section]]
name = "P"
protected = "canary-protected-reason"
{ROWS}
"""
LEFT = {"A": EAST, "G": EAST + 111.125, "O": EAST + 222.375, "P": EAST + 333.625}


def box(section, at, size=4.0, south=0.0):
    return shapely.box(LEFT[section] + at, NORTH + south, LEFT[section] + at + size, NORTH + south + 12.0)


def planted(name, rows):
    """Give a layer a string or number of its own in every column that is not public and not given."""
    layer = LAYERS[name]
    table = pd.DataFrame(rows)
    for number, column in enumerate(layer.columns):
        if column.name in table or column.published:
            continue
        if column.choices:
            table[column.name] = column.choices[-1]
        elif column.type == "text":
            table[column.name] = [f"canary-{name}-{column.name}-{row}" for row in range(len(table))]
        elif column.type == "date":
            table[column.name] = "canary-1777"
        elif column.type == "real":
            high = column.high
            table[column.name] = [FAR + number + row / 8 if high is None else high for row in range(len(table))]
        elif column.type == "integer":
            table[column.name] = int(FAR) + number
        elif column.type == "flag":
            table[column.name] = True
        else:
            table[column.name] = pd.Timestamp("1977-07-07", tz="UTC")
    made = schema.restore(table, layer, CRS.crs)
    schema.check(made, layer)
    return made


WISHES = ("Listed Canarylisted,A-2-2,", "Until Canaryuntil,,2025-06-01", "Plain Publicone,,2025-05-31")
"""A list beside the description: a wish for good, one that ends on the day of publication, one that is over."""
PEOPLE = {
    # who is public, with names that a search must find
    "plain": ("Plain", "Publicone", {"died": "1901", "veteran": True}, "A-1-1", "1901-05-01"),
    "old": ("Old", "Publictwo", {"born": "1850"}, "A-1-2", None),
    "general": ("General", "Publicthree", {"died": "1902"}, "G-1-1", "1902"),
    "niche": ("Niche", "Publicfour", {"died": "1990"}, "A-N-1-1", "1990"),
    # and who is not
    "living": ("Living", "Canaryliving", {"born": "1960"}, "A-2-1", None),
    "ahead": ("Ahead", "Canaryahead", {"born": "1948", "died": "19XX"}, "A-2-1", None),
    "planned": ("Planned", "Canaryplanned", {"born": "1950"}, "A-2-1", "2031-01-01"),
    "recent": ("Recent", "Canaryrecent", {"died": "2025-05-10"}, "A-2-2", "2025-05-14"),
    "wished": ("Wished", "Canarywish", {"died": "1950"}, "A-2-2", "1950"),
    "listed": ("Listed", "Canarylisted", {"died": "1950"}, "A-2-2", "1950"),
    "until": ("Until", "Canaryuntil", {"died": "1950"}, "A-2-2", "1950"),
    "omitted": ("Omitted", "Canaryomitted", {"died": "1900"}, "O-1-1", "1900"),
    "protected": ("Protected", "Canaryprotected", {"died": "1900"}, "P-1-1", "1900"),
    "nowhere": ("Nowhere", "Canarynowhere", {"died": "1900"}, None, "1900"),
    "removed": ("Removed", "Canaryremoved", {"died": "1900"}, "A-1-1", "1900"),
    "baby": (None, None, {"died": "2001", "relation": "infant of", "relative": "Canaryfather"}, "A-1-2", "2001"),
}


def tables():
    places = [(section, lot) for section in LEFT for lot in ("1", "2")]
    spaces = [(section, lot, space) for section, lot in places for space in ("1", "2")]
    far = shapely.box(EAST + 4_321.125, NORTH + 1.0, EAST + 4_330.125, NORTH + 9.0)
    made = {
        "sections": planted("sections", {
            "section": list(LEFT), "title": ["Old ground", "Descendants", "canary-omitted", "canary-protected"],
            "geometry": [shapely.MultiPolygon([box(name, 0.0, 60.0)]) for name in LEFT]}),
        "lots": planted("lots", {
            "lot_id": ["-".join(item) for item in places], "section": [item[0] for item in places],
            "lot": [item[1] for item in places],
            "geometry": [box(item[0], 16.0 * int(item[1]), 16.0) for item in places]}),
        "spaces": planted("spaces", {
            "space_id": ["-".join(item) for item in spaces], "section": [item[0] for item in spaces],
            "lot_id": ["-".join(item[:2]) for item in spaces], "space": [item[2] for item in spaces], "kind": "full",
            "heads": "west", "geometry": [box(item[0], 16.0 * int(item[1]) + 4.0 * int(item[2])) for item in spaces]}),
        "niches": planted("niches", {
            "space_id": ["A-N-1-1", "O-canary-1-1"], "section": ["A", "O"], "building": ["N", "canary-building"],
            "face": "east", "row": 1, "column": 1}),
        "people": planted("people", [
            {"person_id": f"canary-{key}", "given": given, "surname": surname, "born": None, "died": None,
             "veteran": None, "relation": None, "relative": None, **more}
            for key, (given, surname, more, _, _) in PEOPLE.items()]),
        "events": planted("events", [
            {"event_id": f"canary-event-{key}", "person_id": f"canary-{key}", "kind": "interment", "date": day,
             "space_id": place, "lot_id": None if place is None else place.rpartition("-")[0]}
            for key, (_, _, _, place, day) in PEOPLE.items()] + [
            {"event_id": "canary-event-out", "person_id": "canary-removed", "kind": "disinterment", "date": "1910",
             "space_id": "A-1-1", "lot_id": "A-1"}]),
        "monuments": planted("monuments", {
            "monument_id": [f"canary-stone-{number}" for number in range(4)],
            "kind": ["headstone", "flush stone", "headstone", "headstone"], "section": ["A", "A", "O", None],
            "geometry": [box("A", 17.0, 1.0), shapely.box(EAST + 41.0625, NORTH, EAST + 41.5625, NORTH + 1.0),
                         box("O", 18.0625, 1.0), box("P", 18.0625, 1.0)]}),
        "obstacles": planted("obstacles", {
            "obstacle_id": [f"canary-thing-{number}" for number in range(3)],
            "kind": ["tree", "canary bronze urn", "tree"],
            "geometry": [box("A", 50.0, 2.0), shapely.box(EAST + 44.0625, NORTH, EAST + 44.5625, NORTH + 1.0),
                         box("O", 30.0625, 1.0)]}),
        "drives": planted("drives", {"drive_id": ["canary-drive"], "name": ["Gate drive"],
                                     "geometry": [shapely.box(EAST - 20.0, NORTH, EAST - 8.0, NORTH + 40.0)]}),
        "gates": planted("gates", {"gate_id": ["canary-gate"], "name": ["Mill gate"],
                                   "geometry": [shapely.Point(EAST - 14.0, NORTH)]}),
    }  # fmt: skip
    shapes = {None: None, "Point": far.centroid, "Polygon": far, "LineString": shapely.LineString(
        [far.centroid, shapely.Point(EAST + 4_321.125, NORTH + 2.0)])}  # fmt: skip
    for name, layer in LAYERS.items():
        if name in made or name == "run":
            continue
        keys = {column.name: [f"canary-{name}-{column.name}"] for column in layer.columns if column.type == "text"
                and not column.choices}  # fmt: skip
        if layer.geometry is not None:
            keys["geometry"] = [shapes[layer.geometry]]
        made[name] = planted(name, keys)
    return made


def make(folder, toml=TOML, made=None):
    """Write the ground's inputs, and a built file of them."""
    (folder / "ground.toml").write_text(toml, encoding="utf-8")
    (folder / "register").mkdir(exist_ok=True)
    listed = WISHES if made is None else ()
    wishes = "Name,space,until,reason\n" + "".join(f"{row},canary-list-reason\n" for row in listed)
    (folder / "register" / "canary-wishes.csv").write_text(wishes, encoding="utf-8")
    ledger = "kind,name,lot\ninterment,Canary,A-1\n"
    (folder / "register" / "canary-ledger.csv").write_text(ledger, encoding="utf-8")
    build(folder, made)
    return folder


def build(folder, made=None):
    """Write a built file with strings of its own everywhere, which says that it is of the evidence there."""
    digests = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
               for name in ("ground.toml", "register/canary-ledger.csv", "register/canary-wishes.csv")}  # fmt: skip
    said = [("ground", "ground", "Tansy Hill", None), ("as of", "result", "2025-05-30T00:00:00+00:00", "canary-run"),
            ("evidence hash", "result", "canary-hash", None), ("accuracy", "result", "canary-accuracy", None),
            ("convergence", "result", "0.1", None), ("place", "ground", "canary-run-place", None)]  # fmt: skip
    said += [(name, "evidence", digest, "SHA-256") for name, digest in digests.items()]
    run = pd.DataFrame(said, columns=["name", "group", "value", "source"])
    geopackage.write_ground(
        folder / "ground.gpkg", {**(tables() if made is None else made), "run": schema.restore(run, LAYERS["run"])},
        unit=CRS.unit, crs=CRS.crs, stamp=datetime(2025, 5, 30, tzinfo=UTC), title="canary-title",
    )  # fmt: skip
