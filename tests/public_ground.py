"""A small invented ground as the public may see it: the drawn ground's places, graves with known names and dates."""

from dataclasses import replace

import browsing
import drawn_ground
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from cemgis.disclosure import PublicGround

HOSTILE = (
    "{{7*7}}", "{% for x in ().__class__.__base__.__subclasses__() %}{{x}}{% endfor %}",
    "</script><script>window.pwned=1</script>", "${window.pwned=2}", "`;window.pwned=3;//",
    "<img src=x onerror=window.pwned=4>", '"><svg onload=window.pwned=5>', "<!--<script>",
    "javascript:window.pwned=6", "\u202egnirts\u2066", "a\x00b\nc\x1b[31m", "=cmd|' /C calc'!A0", "__proto__",
    "constructor", "\ud800broken", "x" * 1_000_000, "\U0001f480 \u00e9",
)  # fmt: skip

SURNAMES = ("Hollowell", "Müller", "van Deusen", "O'Brien", "Quillfeather", "Ó Súilleabháin", "Smythe", "Łukaszewicz")
GIVEN = ("Orpha", "Zadok", "Perlina", "Thurlow", "Mehitable", "Jürgen")


def graves(spaces, count=300):
    """One grave in every third space, by turns of the names; five kinds of dates."""
    rng = np.random.default_rng(7)
    rows = np.arange(0, 3 * count, 3)[: len(spaces) // 3]
    n = len(rows)
    table = pd.DataFrame(
        {
            "grave": np.arange(1, n + 1), "title": None, "given": [GIVEN[k % len(GIVEN)] for k in range(n)],
            "middle": None, "surname": [SURNAMES[(k // 4) % len(SURNAMES)] for k in range(n)], "maiden": None,
            "suffix": None, "born": [str(year) for year in rng.integers(1790, 1890, n)],
            "died": [f"{year}-{month:02d}-{day:02d}" for year, month, day in
                     zip(rng.integers(1891, 1950, n), rng.integers(1, 13, n), rng.integers(1, 29, n), strict=True)],
            "buried": None, "section": spaces["section"].astype(object).to_numpy()[rows],
            "lot_id": spaces["lot_id"].astype(object).to_numpy()[rows],
            "space_id": spaces["space_id"].astype(object).to_numpy()[rows], "veteran": np.arange(n) % 10 == 0,
        }
    ).astype({"title": object, "maiden": object, "buried": object})  # fmt: skip
    table["name"] = table["given"] + " " + table["surname"]
    table.loc[1, ["died", "buried"]] = ["1902-02-27", "1902-03-02"]
    table.loc[2, ["born", "died", "buried"]] = ["1850/1860", "[1888-03-04,1888-04-03]", "1888-04"]
    table.loc[3, ["born", "maiden", "title"]] = ["188X", "Ashcraft", "Mrs."]
    table.loc[4, ["given", "surname", "name"]] = [None, None, "Infant, unnamed"]
    table.loc[5, ["space_id"]] = None
    table.loc[6, ["space_id", "lot_id"]] = None
    table.loc[7, ["space_id", "lot_id", "section"]] = None
    table.loc[8, ["space_id", "lot_id", "section"]] = ["N-east-2-3", None, "N"]
    table.loc[9, "space_id"] = table.loc[10, "space_id"]
    table.loc[9, "lot_id"] = table.loc[10, "lot_id"]
    return table


def ground(**changes):
    tables = drawn_ground.tables()
    spaces = tables["spaces"]
    gate = shapely.Point(drawn_ground.ORIGIN + np.array([20.0, 20.0]))  # where the drive starts
    made = PublicGround(
        "Millrace Hill Burying Ground", "near Tansy Fork (invented)", drawn_ground.facts().crs, "2025-05-20",
        tables["sections"], tables["lots"], spaces, tables["niches"], graves(spaces), tables["monuments"],
        tables["drives"], tables["obstacles"],
        gpd.GeoDataFrame({"gate_id": ["1"], "name": ["Mill gate"]}, geometry=[gate], crs=spaces.crs),
        pd.DataFrame({"what": [], "reason": [], "rows": []}),
    )  # fmt: skip
    return replace(made, **changes)


def hostile_ground():
    """Every text of every table is hostile; keys stay different from one another."""
    made = ground(name=HOSTILE[2] + HOSTILE[0], place=HOSTILE[5], as_of=HOSTILE[3])
    tables = {}
    for name in ("sections", "lots", "spaces", "niches", "graves", "monuments", "drives", "obstacles", "gates"):
        table = getattr(made, name).copy()
        if name in ("spaces", "lots", "graves"):
            table = table.head(120).copy()
        for column in table.columns:
            if column == "geometry" or table[column].dtype.kind in "fiub" or str(table[column].dtype) in (
                "boolean", "Int32", "Int64"
            ):  # fmt: skip
                continue
            values = [HOSTILE[row % len(HOSTILE)] for row in range(len(table))]
            if column in ("space_id", "lot_id", "section"):
                values = [f"{HOSTILE[row % 9]} {old}" for row, old in enumerate(table[column].astype(str))]
            table[column] = pd.Series(values, dtype=object, index=table.index)
        tables[name] = table
    return replace(made, **tables)


class Visit(browsing.Visit):
    """The public's page, opened."""

    def settled(self):
        """Wait until the map stands still: on a busy machine its way to a place takes longer."""
        was, still = None, 0
        for _ in range(60):
            now = self.page.evaluate(
                "[...document.querySelectorAll('#map_ground .leaflet-proxy, #map_ground .leaflet-map-pane')]"
                ".map((one) => one.getAttribute('style')).join()"
            )
            was, still = now, still + 1 if now == was else 0
            if still == 5:
                return
            self.page.wait_for_timeout(200)
        msg = "the map does not come to rest"
        raise AssertionError(msg)

    def ask(self, words):
        self.page.fill("#find-box", words)
        self.page.wait_for_timeout(400)  # a busy machine answers late; a stale answer would be read otherwise
        return self.page.locator("#results .name").all_inner_texts()

    def open(self, words, number=0):
        self.ask(words)
        self.page.click(f"#results a >> nth={number}")
        self.page.wait_for_timeout(300)
        return self.page.locator("#body-place").inner_text()
