"""Graves, stones, vaults and people of the demo ground, and what the clerk wrote."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from cemgis.invent.millrace_plan import local
from cemgis.invent.truth import Set, apply, bounded, geojson, rectangles, turn_along

__all__ = [
    "ASTRAY",
    "ASTRAY_AND_SHORT",
    "NEAR_STONE",
    "NOWHERE",
    "buried_in_meadow",
    "retell",
    "survey_files",
    "use_graves",
    "write_ledger",
]

Ints = NDArray[np.int64]


# First names from many places; family names put together for this ground and borne, it is hoped, by nobody.
_GIVEN = (
    "Abel", "Adaeze", "Agnes", "Alma", "Amos", "Anneke", "Asa", "Beatriz", "Bogdan", "Caleb", "Cora", "Dalia",
    "Delphine", "Ebba", "Edith", "Elihu", "Emeka", "Ephraim", "Estela", "Ezra", "Fadia", "Flora", "Gideon",
    "Gunnar", "Hanh", "Hattie", "Henrike", "Hiram", "Ida", "Ignacy", "Ilse", "Isamu", "Ivo", "Jadwiga",
    "Jemima", "Josefa", "Jubal", "Kwame", "Lavinia", "Leocadia", "Levi", "Lin", "Lucinda", "Lupe", "Magdalena",
    "Marit", "Mehmet", "Micah", "Minh", "Mirela", "Moses", "Nadia", "Obadiah", "Olena", "Otto", "Pavel",
    "Phoebe", "Priya", "Rahel", "Ramon", "Rufus", "Ruth", "Sadie", "Samir", "Selma", "Silas", "Soledad", "Sven",
    "Tabitha", "Tadeusz", "Thaddeus", "Tomasz", "Ursula", "Vera", "Wanda", "Wilhelm", "Xenia", "Yusuf", "Zelda",
    "Zora",
)  # fmt: skip
_FAMILY_FIRST = (
    "Ald", "Barro", "Brun", "Cald", "Dorn", "Ekw", "Fenn", "Gar", "Hask", "Ilv", "Jar", "Kess", "Lov", "Marr",
    "Nak", "Ock", "Petr", "Quill", "Rost", "Sand", "Tall", "Ubr", "Vass", "Wend", "Yar", "Zel",
)  # fmt: skip
_FAMILY_LAST = (
    "aby", "anczyk", "arelo", "ashima", "berry", "eboe", "edahl", "enko", "erling", "escu", "iatta", "ingham",
    "isse", "ogawe", "olini", "ombe", "oughty", "quist", "rada", "strom", "uyen", "vardan", "wick", "yevski",
)  # fmt: skip


def _families(rng: np.random.Generator, count: int) -> NDArray[np.str_]:
    names = np.array([first + last for first in _FAMILY_FIRST for last in _FAMILY_LAST])
    return rng.choice(names, count)


@dataclass(frozen=True)
class _Graves:
    """Which spaces are in use, by row of the spaces table."""

    occupied: Ints
    stones: Ints
    vaults: Ints


_DEMO_USED = {"A": 0.62, "B": 0.56, "C": 0.46, "D": 0.42, "E": 0.34}
_DEMO_STONE_SHARE = {"A": 0.45, "B": 0.50, "C": 0.55, "D": 0.60, "E": 0.60}
_DEMO_VAULT_SHARE = {"A": 0.0, "B": 0.0, "C": 0.10, "D": 0.45, "E": 0.70}
# Spaces the planted troubles need: (space with the vault, neighbour).
ASTRAY_AND_SHORT = ("D-52-2", "D-52-3")
ASTRAY = ("E-4-20", "E-4-21")
NEAR_STONE = "D-66-2"
_HEAD_TO_STONE_FT, _STONE_DEEP_FT, _STONE_WIDE_FT = 0.9, 0.8, 2.0
_VAULT_LONG_FT, _VAULT_WIDE_FT, _VAULT_TO_FOOT_FT = 7.5, 2.5, 0.6


def use_graves(made: Set, rng: np.random.Generator) -> _Graves:
    """Choose which spaces are used, and which of them have a stone and a vault."""
    ids = made.spaces["space_id"].astype(str).to_numpy()
    sections = made.spaces["section"].astype(str).to_numpy()
    kinds = made.spaces["kind"].astype(str).to_numpy()
    must = np.isin(ids, [*ASTRAY_AND_SHORT, ASTRAY[0], NEAR_STONE, "E-2-17"])
    never = np.isin(ids, [ASTRAY[1], "E-4-19"])
    share = pd.Series(sections).map(_DEMO_USED).to_numpy(float)
    occupied = ((rng.random(len(ids)) < share) | must) & ~never
    full = kinds == "full"
    share = pd.Series(sections).map(_DEMO_STONE_SHARE).to_numpy(float)
    stones = occupied & full & ((rng.random(len(ids)) < share) | must)
    share = pd.Series(sections).map(_DEMO_VAULT_SHARE).to_numpy(float)
    vaults = occupied & full & ((rng.random(len(ids)) < share) | must) & ~np.isin(ids, ["E-2-17"])
    return _Graves(np.flatnonzero(occupied), np.flatnonzero(stones), np.flatnonzero(vaults))


def _toward(made: Set, row: int, neighbour: str) -> float:
    """Which hand of a space (its ``across``) another one lies on."""
    other = int(np.flatnonzero(made.spaces["space_id"].astype(str).to_numpy() == neighbour)[0])
    return float(np.sign((made.centres[other] - made.centres[row]) @ made.across[row]))


def survey_files(made: Set, graves: _Graves, rng: np.random.Generator) -> dict[str, bytes]:
    """Stones, vaults, probable graves, trees and drives as they were measured."""
    crs = made.ground.crs.crs.to_string()
    ids = made.spaces["space_id"].astype(str).to_numpy()
    sections = made.spaces["section"].astype(str).to_numpy()
    files = {}

    rows = graves.stones
    count = len(rows)
    away = made.half_length[rows] - _HEAD_TO_STONE_FT + bounded(rng, count, 0.08, 2.0)
    middle = made.centres[rows] + made.along[rows] * away[:, None]
    middle += made.across[rows] * bounded(rng, count, 0.1, 2.0)[:, None]
    turned = turn_along(made.across[rows], bounded(rng, count, 1.5, 2.0))
    table = pd.DataFrame(
        {
            "monument_id": [f"M-{name}" for name in ids[rows]],
            "section": sections[rows],
            "space_id": ids[rows],
            "kind": "headstone",
            "height": np.round(rng.uniform(1.0, 4.2, count), 1),
            "condition": rng.choice(["standing", "standing", "standing", "standing", "leaning"], count),
        }
    )
    files["survey/monuments.geojson"] = geojson(
        list(rectangles(middle, turned, _STONE_WIDE_FT, _STONE_DEEP_FT)), table, crs
    )

    rows = graves.vaults
    count = len(rows)
    to_head = np.full(count, -_VAULT_TO_FOOT_FT) + bounded(rng, count, 0.06, 2.0)
    aside = bounded(rng, count, 0.06, 2.0)
    turn = bounded(rng, count, 0.4, 2.0)
    names = list(ids[rows])
    for space, neighbour, by, degrees in ((*ASTRAY_AND_SHORT, 0.85, 7.0), (*ASTRAY, 0.75, 9.0)):
        place = names.index(space)
        aside[place], turn[place] = by * _toward(made, int(rows[place]), neighbour), degrees
    # Six hundredths of a foot from its stone, wherever that stands.
    near = int(rows[names.index(NEAR_STONE)])
    stone_face = away[list(graves.stones).index(near)] - _STONE_DEEP_FT / 2
    to_head[names.index(NEAR_STONE)] = stone_face - 0.06 - _VAULT_LONG_FT / 2
    aside[names.index(NEAR_STONE)] = turn[names.index(NEAR_STONE)] = 0.0
    middle = made.centres[rows] + made.along[rows] * to_head[:, None] + made.across[rows] * aside[:, None]
    table = pd.DataFrame(
        {
            "vault_id": [f"V-{name}" for name in names],
            "section": sections[rows],
            "space_id": names,
            "container": rng.choice(["concrete vault", "concrete vault", "concrete grave liner", "steel vault"], count),
            "heads": np.where(sections[rows] == "D", "east", "west"),
            "top_depth": np.round(rng.uniform(1.6, 2.6, count), 1),
            "seen": [f"{year}-{month:02d}-{day:02d}" for year, month, day in zip(
                rng.integers(2008, 2026, count), rng.integers(4, 11, count), rng.integers(1, 29, count), strict=True)],
        }
    )  # fmt: skip
    files["survey/vaults.geojson"] = geojson(
        list(rectangles(middle, turn_along(made.along[rows], turn), _VAULT_LONG_FT, _VAULT_WIDE_FT)), table, crs
    )

    free = np.setdiff1d(np.flatnonzero(np.isin(sections, ["A", "B"])), graves.occupied)
    rows = np.sort(rng.choice(free, 7, replace=False))
    table = pd.DataFrame(
        {
            "grave_id": [f"PG-{number}" for number in range(1, 8)],
            "section": sections[rows],
            "space_id": ids[rows],
            "reason": rng.choice(["sunken ground", "probe met resistance", "remembered by the sexton"], 7),
            "confidence": rng.choice(["likely", "very likely"], 7),
        }
    )
    files["survey/probable_graves.geojson"] = geojson(
        list(rectangles(made.centres[rows], made.along[rows], 6.5, 2.3)), table, crs
    )

    elms = apply(made.conformal["1924"], np.array([[102.0, 104.0], [102.0, 64.0], [102.0, 24.0]]))
    others = np.array([local(*place) for place in ((-12, 40), (-11, 180), (333, 40), (335, 95), (394, 60), (394, 200))])
    table = pd.DataFrame(
        {
            "obstacle_id": [f"T-{number}" for number in range(1, 10)],
            "kind": "tree",
            "note": ["elm"] * 3 + ["sugar maple", "sugar maple", "white oak", "pin oak", "spruce", "spruce"],
        }
    )
    files["survey/trees.geojson"] = geojson([[place] for place in np.vstack([elms, others])], table, crs, "Point")

    drives = (
        ("DR-1", "Gate drive", "asphalt", (134, -20, 146, 290)),
        ("DR-2", "Elm drive", "gravel", (146, 126, 377, 138)),
        ("DR-3", "Slope drive", "gravel", (377, -20, 389, 290)),
        ("DR-4", "Old cartway", "grass", (-34, -20, -22, 290)),
    )
    rings = [np.array([local(w, s), local(e, s), local(e, n), local(w, n), local(w, s)]) for *_, (w, s, e, n) in drives]
    table = pd.DataFrame([drive[:3] for drive in drives], columns=["drive_id", "name", "surface"])
    files["survey/drives.geojson"] = geojson(rings, table, crs)
    gates = pd.DataFrame({"gate_id": ["G-1", "G-2"], "name": ["Mill gate", "Hill gate"]})
    places = [np.array([local(140, -20)]), np.array([local(383, 290)])]
    files["survey/gates.geojson"] = geojson(places, gates, crs, "Point")
    return files


_YEARS = {"A": (1868, 1931), "B": (1889, 1972), "C": (1924, 2012), "D": (1958, 2025), "E": (1990, 2025)}
_DEMO_RECORDED = {"A": 0.42, "B": 0.55, "C": 0.60, "D": 0.72, "E": 0.90}
"""Share of the burials of a section that the ledger still knows."""
NOWHERE = ("B", "318", "2")
"""A place the ledger names and no plat has."""


def _day(rng: np.random.Generator, years: tuple[int, int]) -> str:
    """Draw a date as ledgers give it: mostly a day, sometimes a month or a year only."""
    year, month, day = int(rng.integers(years[0], years[1])), int(rng.integers(1, 13)), int(rng.integers(1, 29))
    part = rng.random()
    if part < 0.06:
        return f"{year}"
    return f"{year}-{month:02d}" if part < 0.1 else f"{year}-{month:02d}-{day:02d}"


def write_ledger(made: Set, graves: _Graves, rng: np.random.Generator) -> bytes:
    """Write the clerk's list: people, a few who were moved away, rights sold ahead, one impossible place."""
    columns = ("kind", "date", "name", "section", "lot", "space", "born", "died", "container", "holder", "instrument")
    spaces = made.spaces
    sections = spaces["section"].astype(str).to_numpy()
    kinds = spaces["kind"].astype(str).to_numpy()
    lots, numbers = _written_places(made)
    families = _families(rng, len(spaces))
    # One family to a lot, mostly.
    owner = pd.Series(families).groupby(pd.Series(sections) + "-" + pd.Series(lots)).transform("first").to_numpy(str)
    rows: list[dict[str, str]] = []

    def enter(kind: str, row: int, **more: str) -> dict[str, str]:
        entry = {"kind": kind, "section": sections[row], "lot": lots[row], "space": numbers[row], **more}
        rows.append(entry)
        return entry

    for row in graves.occupied:
        if rng.random() > _DEMO_RECORDED[sections[row]]:
            continue
        date = _day(rng, _YEARS[sections[row]])
        year = int(date[:4])
        age = int(rng.integers(0, 2)) if kinds[row] == "infant" else int(rng.integers(17, 94))
        own = str(owner[row]) if rng.random() < 0.85 else str(families[row])
        person = {
            "date": date, "name": f"{rng.choice(_GIVEN)} {own}", "born": str(year - age), "died": date,
        }  # fmt: skip
        if kinds[row] == "cremation":
            enter("urn placed", int(row), container="urn", **person)
            continue
        box = "" if year < 1930 else str(rng.choice(["concrete vault", "grave liner", "none", ""]))
        enter("interment", int(row), container=box, **person)
        if kinds[row] == "full" and year < 1990 and rng.random() < 0.02:
            enter("disinterment", int(row), date=f"{year + int(rng.integers(2, 30))}-06-14", name=person["name"])
    for row in rng.choice(np.setdiff1d(np.arange(len(spaces)), graves.occupied), 90, replace=False):
        year = int(rng.integers(_YEARS[sections[row]][0] + 5, 2025))
        enter(
            "right", int(row), date=f"{year}-05-01", holder=f"{rng.choice(_GIVEN)} {owner[row]}",
            instrument=f"deed {int(rng.integers(1, 30))}/{int(rng.integers(1, 400))}",
        )  # fmt: skip
    for number in range(12):
        # Only the lot was written down.
        row = int(rng.choice(np.flatnonzero((sections == "A") & (kinds == "full"))))
        date = _day(rng, (1870, 1900))
        enter("interment", row, date=date, name=f"{rng.choice(_GIVEN)} {owner[row]}", died=date)["space"] = ""
        rows[-1]["instrument"] = f"loose leaf {number + 1}"
    for face_row, column in ((1, 1), (1, 2), (1, 5), (2, 3), (2, 4), (3, 9), (4, 11), (5, 12)):
        date, who = _day(rng, (2004, 2025)), f"{rng.choice(_GIVEN)} {_families(rng, 1)[0]}"
        rows.append(
            {
                "kind": "urn placed", "date": date, "name": who, "section": "E", "lot": "N-east",
                "space": f"{face_row}-{column}", "born": str(int(date[:4]) - 71), "died": date, "container": "urn",
            }
        )  # fmt: skip
    date = "1943-11-02"
    rows.append(
        {
            "kind": "interment", "date": date, "name": f"Obadiah {_FAMILY_FIRST[5]}{_FAMILY_LAST[4]}",
            "section": NOWHERE[0], "lot": NOWHERE[1], "space": NOWHERE[2], "born": "1867", "died": date,
        }
    )  # fmt: skip
    table = pd.DataFrame(rows, columns=list(columns)).fillna("")
    table["veteran"] = np.where(_served(table), "yes", "")
    table = table.sort_values(["date", "kind", "name"], kind="stable")
    return str(table.to_csv(index=False, lineterminator="\n")).encode("utf-8")


def _served(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Two in three of those on the veterans' slope who were grown in a war."""
    born = pd.to_numeric(table["born"], errors="coerce").to_numpy(float)
    fitting = ((born > 1880) & (born < 1931)) & (table["section"] == "D") & (table["kind"] == "interment")
    return np.asarray(fitting & (born % 3 != 0))


def buried_in_meadow(ledger: bytes) -> tuple[str, str]:
    """Name and space of the second burial in a single grave of the meadow."""
    rows = csv.DictReader(io.StringIO(ledger.decode("utf-8")))
    row = [row for row in rows if (row["kind"], row["section"]) == ("interment", "E") and row["space"]][1]
    return row["name"], "-".join(row[part] for part in ("section", "lot", "space"))


_RENUMBERED = "1924-05-01"
"""When lots of section B got the numbers they have."""


@dataclass(frozen=True)
class _Told:
    """Further lists beside the ledger, the findings they must lead to, and what they add.

    Parameters
    ----------
    files : dict of str to bytes
    expected : list of (kind, subject, story)
    burials : list of str
        Spaces in which they record a burial the ledger does not have.
    """

    files: dict[str, bytes]
    expected: list[tuple[str, str, str]]
    burials: list[str]
    events: int


def retell(ledger: bytes, made: Set, graves: _Graves) -> _Told:
    """Write the sexton's book, a list of stones, what was told, and the former numbers of two lots."""
    rows = list(csv.DictReader(io.StringIO(ledger.decode("utf-8"))))
    line = {id(row): number for number, row in enumerate(rows, 2)}
    used = [f"{row['section']}-{row['lot']}-{row['space']}" for row in rows]
    known = [
        row for row, place in zip(rows, used, strict=True)
        if row["section"] == "B" and row["space"] and len(row["date"]) == 10 and used.count(place) == 1
        and row["kind"] == "interment" and int(row["lot"]) < 129 and row["name"].count(" ") == 1
    ][::9]  # fmt: skip
    ids, kinds = made.spaces["space_id"].astype(str).to_numpy(), made.spaces["kind"].astype(str).to_numpy()
    taken = {*(str(name) for name in ids[graves.occupied]), *used}
    free = [
        str(name) for name, kind in zip(ids, kinds, strict=True)
        if name.startswith("B-") and kind == "full" and name not in taken and int(name.split("-")[1]) >= 60
    ][::5]  # fmt: skip

    def place(space: str) -> str:
        section, lot, number = space.split("-")
        return f"{section} lot {lot}, gr. {number}"

    def own(row: dict[str, str]) -> str:
        return place(f"{row['section']}-{row['lot']}-{row['space']}")

    def turned(row: dict[str, str], change: str = "") -> str:
        given, surname = row["name"].split(" ")
        return f"{surname}{change}, {given}"

    def ledger_id(row: dict[str, str]) -> str:
        return f"register/ledger.csv:{line[id(row)]}"

    # A lot that had another number before 1924, and the lot that bears that number now.
    lot_now, number = free[3].split("-")[1:]
    bears = next(name for name in free[4:] if name.split("-")[2] == number and name.split("-")[1] != lot_now)
    former = f"B {bears.split('-')[1]}"
    sexton = [
        ("1", turned(known[0]), known[0]["date"], "", "", own(known[0])),
        ("2", turned(known[1]), f"abt {known[1]['date'][:4]}", "", f"abt {int(known[1]['born']) - 31}", own(known[1])),
        ("3", turned(known[2]), f"{int(known[2]['date'][:4]) - 1} or {known[2]['date'][:4]}", "", "", own(known[2])),
        ("4", "Marrenby, Mrs. Ottilie (Vosk)", "3 March 1931", "5 March 1931", "1860", place(free[0])),
        ("5", "Quennick, Thaddeus", "9 Oct. 1919", "1919", "1921", place(free[1])),
        ("6", turned(known[3], "e"), known[3]["date"], known[3]["died"], "", place(free[2])),
        ("8", "Ellery, Rosamund", "Spring 1944", "", "between 1850 and 1860", own(known[4])),
        ("9", "Infant of Silas Wyburn", "14 June 1909", "", "", f"{former}, gr. {number}"),
        ("10", "Hobbarth, Linus", "1924", "", "18--", f"{former}, gr. {number}"),
        ("11", "Fenwold, Oriel", "Autumn 1999", "", "1911", "ashes scattered under the elms"),
    ]  # fmt: skip
    stones = [
        (known[5]["name"], known[5]["born"], known[5]["died"][:4], own(known[5]), "At rest"),
        (known[6]["name"], known[6]["born"], str(int(known[6]["died"][:4]) + 7), own(known[6]), "Gone home"),
        # carved ahead on a shared stone: she may be living
        (f"Calla {known[5]['name'].split(' ')[1]}", "1948", "", own(known[5]), "Together"),
    ]
    told = [
        ("Linus Hobbarth", f"{former}", "he lies by the wall, the marker was taken up", "R. Marrenby", "1988"),
        ("", place(free[5]).rpartition(",")[0], "two children of the fever were laid here", "A. Wyburn", "2003-06"),
    ]
    walk = [(former, f"B {lot_now}", _RENUMBERED)]
    heads = {
        "register/sexton.csv": (("No.", "Whom", "Buried", "Died", "Born", "Where"), sexton),
        "register/stones.csv": (("name", "born", "died", "place", "inscription"), stones),
        "register/told.csv": (("name", "place", "note", "told_by", "date"), told),
        "register/old_numbers.csv": (("old", "new", "until"), walk),
    }
    files = {
        name: str(pd.DataFrame(table, columns=list(head)).to_csv(index=False, lineterminator="\n")).encode("utf-8")
        for name, (head, table) in heads.items()
    }
    overfull = f"B-{known[4]['lot']}-{known[4]['space']}"
    unclear = f"{former}, gr. {number}".replace(", gr. ", "-").replace(" ", "-")
    expected = [
        ("place reads two ways", unclear,
         f"The sexton's book names it in the year the lots were numbered anew; before, it was {free[3]}."),
        ("space overfull", overfull, "The sexton's book lays someone else into a grave the ledger has filled."),
        ("burial before death", "register/sexton.csv:no. 4", "Buried two days before she died."),
        ("death before birth", "register/sexton.csv:no. 5", "Died two years before he was born."),
        ("person twice", f"{ledger_id(known[3])}, register/sexton.csv:no. 6",
         "One letter more in the name, the same day of death, another lot."),
        ("stone disagrees", ledger_id(known[6]), "The stone gives a death seven years later."),
        ("sources disagree", ledger_id(known[1]), "The sexton makes the birth thirty-one years earlier."),
    ]  # fmt: skip
    return _Told(files, expected, [free[0], free[1], free[2], free[3]], 7)


def _written_places(made: Set) -> tuple[NDArray[np.str_], NDArray[np.str_]]:
    """Lot and space as the ledger writes them; a single grave is written as its row and number."""
    spaces = made.spaces
    ids = spaces["space_id"].astype(str).to_numpy()
    sections = spaces["section"].astype(str).to_numpy()
    rest = [name[len(section) + 1 :] for name, section in zip(ids, sections, strict=True)]
    parts = [text.rsplit("-", 1) for text in rest]
    return np.array([part[0] for part in parts]), np.array([part[1] for part in parts])
