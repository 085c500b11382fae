"""The ``[[section]]`` tables of ``ground.toml``: heads, rows of lots, niches."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from typing import TypeVar

from cemgis.ground.entries import (
    CORNERS,
    HEADS_DEFAULT,
    MARKERS_AT,
    NUMBERINGS,
    ROW_KINDS,
    SHOWN,
    Break,
    FoundationRule,
    Heads,
    HeadsException,
    LotSeen,
    NicheBlock,
    Rows,
    Section,
    Size,
)
from cemgis.ground.keys import Keys
from cemgis.ground.words import nearest, show

__all__ = ["section_entry"]


T = TypeVar("T")
_MOST_PLACES = 10_000_000  # places of one block; beyond it a number was mistyped; no source


def _heads(keys: Keys) -> Heads:
    value = keys.get("heads")
    default = Heads("side", HEADS_DEFAULT, None, given=False)
    if value is None:
        return default
    if isinstance(value, str):
        if value.strip().lower() == "as last laid":
            return Heads("as last laid", None, None, given=True)
        side = keys.as_compass(value, keys.at("heads"))
        return default if side is None else Heads("side", side, None, given=True)
    if isinstance(value, Mapping):
        inner = Keys(value, keys.at("heads"), keys.gather, keys.unit)
        axis = inner.choice("axis", ("rows", "lots"), None, required='Write axis = "rows" or "lots".')
        facing = inner.compass("facing", required='Write the end the heads are at, facing = "west".')
        inner.close()
        return default if axis is None or facing is None else Heads("axis", facing, axis, given=True)
    keys.wrong("heads", f"{show(value)} is not understood",
               'Write "west", { axis = "rows", facing = "west" } or "as last laid".')  # fmt: skip
    return default


def _exception(keys: Keys) -> HeadsException | None:
    space = keys.text("space", required='Write the space, space = "A-12-3".')
    heads = keys.compass("heads", required='Write the side, heads = "east".')
    reason = keys.text("reason", required="Write why; it is not published.")
    keys.close()
    if space is None or heads is None or reason is None:
        return None
    return HeadsException(keys.path, space, heads, reason)


def _foundation(keys: Keys) -> FoundationRule | None:
    """Read the size rule for monument foundations; None when there is none."""
    value = keys.get("foundation")
    if value is None:
        return None
    if not isinstance(value, Mapping):
        keys.wrong("foundation", f"{show(value)} is not understood",
                   'Write { width = "3 ft", depth = "1 ft 2 in", source = "board rules of 2019" }.')  # fmt: skip
        return None
    inner = Keys(value, keys.at("foundation"), keys.gather, keys.unit)
    width = inner.size("width", required='Write how wide it may be, width = "3 ft".')
    depth = inner.size("depth", required='Write how deep along the space, depth = "1 ft 2 in".')
    companion = inner.size("companion_width")
    setback = inner.length("setback", low=0.0) or 0.0
    deep = inner.size("deep")
    source = inner.text("source", required="Write where the rule stands.")
    inner.close()
    if width is None or depth is None or source is None:
        return None
    return FoundationRule(inner.path, width, depth, companion, setback, deep, source)


def _seen(keys: Keys) -> LotSeen | None:
    """Read which lot somebody looked at on the ground; None when nobody did."""
    value = keys.get("seen")
    if value is None:
        return None
    example = '{ lot = "A-1", corner = "southwest", space_1 = "north", by = "E. Tarn", date = "2025-05-06" }'
    if not isinstance(value, Mapping):
        keys.wrong("seen", f"{show(value)} is not understood", f"Write {example}.")
        return None
    inner = Keys(value, keys.at("seen"), keys.gather, keys.unit)
    lot = inner.text("lot", required="Name the lot that was looked at.")
    corner = inner.choice("corner", CORNERS, None)
    space_1 = inner.side("space_1")
    by = inner.text("by", required="Write who looked.")
    date = inner.text("date", required='Write when, date = "2025-05-06".')
    if date is not None:
        try:
            datetime.date.fromisoformat(date)
        except ValueError:
            inner.wrong("date", f"{show(date)} is no date", 'Write date = "2025-05-06".')
            date = None
    if not {"corner", "space_1"} & set(inner.raw):
        inner.wrong("corner", "nothing was seen", f"Write {example}.")
    inner.close()
    if lot is None or by is None or date is None:
        return None
    return LotSeen(inner.path, lot, corner, space_1, by, date)


def _niches(keys: Keys) -> NicheBlock | None:
    building = keys.name("building", 'Write the building or wall, building = "N".')
    face = keys.text("face") or ""
    rows = keys.count("rows", required="Write how many rows of niches it has.")
    columns = keys.count("columns", required="Write how many columns of niches it has.")
    width, height, depth = (keys.length(key, low=0.0) for key in ("width", "height", "depth"))
    keys.close()
    if rows is not None and columns is not None and rows * columns > _MOST_PLACES:
        keys.wrong("rows", f"{rows} by {columns} niches are too many", "Mend the numbers.")
        return None
    if building is None or rows is None or columns is None:
        return None
    return NicheBlock(keys.path, building, face, rows, columns, width, height, depth)


def _per(
    keys: Keys, key: str, reader: Callable[[object, str], T | None], count: int | None, of_what: str, required: str
) -> tuple[T, ...] | None:
    """One value for all, or a list with one for each of `count`."""
    value = keys.get(key, required=required)
    if value is None:
        return None
    if not isinstance(value, list):
        one = reader(value, keys.at(key))
        return None if one is None else (one,) * (count or 1)
    found = [reader(item, f"{keys.at(key)}[{number}]") for number, item in enumerate(value, 1)]
    if count is not None and len(found) != count:
        keys.wrong(key, f"{len(found)} values for {count} {of_what}", f"Write one for all, or {count} of them.")
        return None
    kept = [item for item in found if item is not None]
    return tuple(kept) if len(kept) == len(found) else None


def _texts(keys: Keys, key: str) -> tuple[str, ...]:
    """Names out of a list of numbers or texts."""
    found = []
    for number, item in enumerate(keys.listed(key) or [], 1):
        text = _lot_name(keys, item, f"{keys.at(key)}[{number}]")
        if text is not None:
            found.append(text)
    return tuple(found)


def _lot_name(keys: Keys, item: object, where: str) -> str | None:
    if isinstance(item, int) and not isinstance(item, bool) and abs(item) < 10**9:
        return str(item)
    text = keys.as_text(item, where)
    if text is not None and len(text) > 40:
        keys.gather.add(where, f"{show(text)} is too long for a number", "Shorten it.")
        return None
    return text


def _rows(keys: Keys) -> Rows | None:
    at: list[float | None] = []
    corner = keys.get("at", required='Write plat x and y of the outer corner of its first lot, at = ["0 ft", "0 ft"].')
    if corner is not None:
        if isinstance(corner, list) and len(corner) == 2:
            at = [keys.as_length(item, f"{keys.at('at')}[{number}]") for number, item in enumerate(corner, 1)]
        else:
            keys.wrong("at", f"{show(corner)} is not a pair of lengths", 'Write at = ["120 ft", "48 ft"].')
    run = keys.side("run", required="Write which way lots follow one another in a row: north, south, east or west.")
    step = keys.side("step", required="Write which way the next row lies.")
    if run and step and (run in ("north", "south")) == (step in ("north", "south")):
        keys.wrong("step", f"rows that run {run} cannot follow one another {step}", "Write a side across the run.")
    rows = keys.count("rows", 1)
    if rows is not None and rows > 100_000:
        keys.wrong("rows", f"{rows} rows are too many", "Mend the number.")
        rows = None
    singles = "singles" in keys.raw
    if singles and "lots" in keys.raw:
        keys.wrong("singles", "given beside lots", "A block holds lots or single graves; make two blocks.")
    which = "singles" if singles else "lots"
    keys.asked += ["singles", "lots"]
    lots = _per(keys, which, keys.as_count, rows, "rows", "Write how many lots a row has (or singles, without lots).")
    if lots is not None and sum(lots) > _MOST_PLACES:
        keys.wrong(which, f"{sum(lots)} places are too many", "Mend the numbers.")
        lots = None
    longest = max(lots) if lots else None

    def size(value: object, where: str) -> float | None:
        return keys.as_length(value, where, above=0.0)

    def gap(value: object, where: str) -> float | None:
        return keys.as_length(value, where, low=0.0)

    frontage = _per(keys, "frontage", size, longest, "places", 'Write the size along the row, frontage = "16 ft".')
    depth = _per(keys, "depth", size, rows, "rows", 'Write the size across the row, depth = "12 ft".')
    given = keys.get("between_rows")
    between: tuple[float, ...] = ()
    if rows is not None:
        items = given if isinstance(given, list) else ["0 ft" if given is None else given]
        if not items:
            keys.wrong("between_rows", "an empty list", "Write a length or take the key out.")
            items = ["0 ft"]
        gaps = [gap(item, f"{keys.at('between_rows')}[{number}]") for number, item in enumerate(items, 1)]
        between = tuple(gaps[number % len(gaps)] or 0.0 for number in range(rows - 1))
    breaks = []
    for path, raw in keys.tables("breaks"):
        inner = Keys(raw, path, keys.gather, keys.unit)
        after = inner.count("after", required="Write after which place the walk lies.")
        width = inner.size("width", required='Write its width, width = "10 ft".')
        inner.close()
        if after is not None and longest is not None and after >= longest:
            inner.wrong("after", f"no place follows place {after}", f"A row has {longest} places.")
        if after is not None and width is not None:
            breaks.append(Break(after, width))
    if len({item.after for item in breaks}) != len(breaks):
        keys.wrong("breaks", "two walks after one place", "Make them one.")
    names = _texts(keys, "row_names")
    if names and rows is not None and len(names) != rows:
        keys.wrong("row_names", f"{len(names)} names for {rows} rows", "Write one a row.")
    if len(set(names)) != len(names):
        keys.wrong("row_names", "one name is there twice", "Give each row its own.")
    skip = tuple(
        number
        for place, item in enumerate(keys.listed("skip") or [], 1)
        if (number := keys.as_count(item, f"{keys.at('skip')}[{place}]", low=0, high=10**9)) is not None
    )
    blank = []
    for place, item in enumerate(keys.listed("blank") or [], 1):
        where = f"{keys.at('blank')}[{place}]"
        if not isinstance(item, list) or len(item) != 2:
            keys.gather.add(where, f"{show(item)} is not a row and a place", "Write [[2, 5]].")
            continue
        row, spot = (keys.as_count(part, where) for part in item)
        if row is None or spot is None or lots is None:
            continue
        if row > len(lots) or spot > lots[row - 1]:
            keys.gather.add(where, f"there is no place {spot} in a row {row} of this block", "Count from 1.")
            continue
        blank.append((row, spot))
    extra = {}
    for key, value in keys.mapping("extra").items():
        where = keys.at(f"extra.{key}")
        items = value if isinstance(value, list) else [value]
        texts = [_lot_name(keys, item, where) for item in items]
        extra[key.strip()] = tuple(text for text in texts if text is not None)
    sizes = {}
    for key, value in keys.mapping("sizes").items():
        inner = Keys(value, keys.at(f"sizes.{key}"), keys.gather, keys.unit)
        sizes[key.strip()] = Size(inner.size("frontage"), inner.size("depth"))
        inner.close()
    for key, twice in (("skip", skip), ("empty", empty := _texts(keys, "empty")), ("blank", tuple(blank))):
        if len(set(twice)) != len(twice):
            keys.wrong(key, "the same is there twice", "Once is enough.")
    spaces = keys.count("spaces", 1)
    tiers = keys.count("tiers", 1)
    if spaces is not None and tiers is not None and spaces * tiers > 1000:
        keys.wrong("spaces", f"{spaces * tiers} spaces in one lot are too many", "Mend the number.")
    if lots and spaces and tiers and sum(lots) * spaces * tiers > _MOST_PLACES:
        keys.wrong("spaces", f"{sum(lots) * spaces * tiers} spaces are too many", "Mend the numbers.")
    if singles and ("spaces" in keys.raw or "tiers" in keys.raw):
        keys.wrong("spaces", "given for single graves", "A single grave is one space; take spaces and tiers out.")
    numbering = keys.choice("numbering", NUMBERINGS, "run on")
    first = keys.count("first", None, low=0)
    facing = keys.side("facing", "east")
    counted_from = keys.choice("from", ("left", "right"), "left")
    kind = keys.choice("kind", ROW_KINDS, "full")
    markers_at = keys.choice("markers_at", MARKERS_AT, "row ends")
    if "markers_at" in keys.raw and not singles:
        keys.wrong("markers_at", "of no use with lots", "Take it out: a lot's marker stands at its corner.")
    keys.close()
    if (
        len(at) != 2 or at[0] is None or at[1] is None or run is None or step is None or rows is None or lots is None
        or frontage is None or depth is None or numbering is None or spaces is None or tiers is None or facing is None
        or counted_from is None or kind is None or markers_at is None
    ):  # fmt: skip
        return None
    return Rows(
        keys.path, (at[0], at[1]), run, step, rows, names, lots, singles, frontage, depth, between, tuple(breaks),
        numbering, first, skip, empty, tuple(blank), extra, sizes, spaces, facing, counted_from, tiers, kind,
        markers_at,
    )  # fmt: skip


def section_entry(keys: Keys, plats: tuple[str, ...]) -> Section | None:
    """Read a ``[[section]]`` table with all that is in it."""
    name = keys.name("name", 'Write its name, name = "A".')
    plat = keys.text("plat")
    if plat is None and len(plats) == 1:
        plat = plats[0]
    elif plat is not None and plat not in plats:
        near = nearest(plat, plats)
        keys.wrong("plat", f"there is no plat {show(plat)}",
                   f'Did you mean "{near}"?' if near else "Declare it with [[plat]].")  # fmt: skip
        plat = None
    elif plat is None and ("rows" in keys.raw or "lots" in keys.raw) and "plat" not in keys.raw:
        keys.wrong("plat", "missing", "Name the plat its lots are drawn on, and declare it with [[plat]].")
    title = keys.text("title")
    heads = _heads(keys)
    protected = keys.text("protected")
    parcel = keys.text("parcel")
    public = keys.choice("public", SHOWN, "omit" if "protected" in keys.raw else "all") or "omit"
    asked = "public" in keys.raw and (public != "all" or "protected" in keys.raw)
    needed = "Write whose wish it is, and why; it is not published." if asked else ""
    public_reason = keys.text("public_reason", required=needed)
    markers = keys.text("markers", blank=True)
    if markers is None:
        markers = "southwest"
    elif markers:
        markers = keys.as_choice(markers, CORNERS, keys.at("markers")) or "southwest"
    inset = keys.length("marker_inset", low=0.0) or 0.0
    outline = keys.file("outline")
    lots = keys.file("lots")
    exceptions = [_exception(Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("exceptions")]
    foundation, seen = _foundation(keys), _seen(keys)
    rows = [_rows(Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("rows")]
    niches = [_niches(Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("niches")]
    if lots is not None and rows:
        keys.wrong("lots", "given beside rows", "A section has a file of lots or rows; make two sections.")
    if not {"lots", "rows", "niches"} & set(keys.raw):
        keys.wrong("rows", "no lots", "Write [[section.rows]], lots = a file, or [[section.niches]].")
    keys.close()
    if name is None:
        return None
    return Section(
        keys.path, name, title, plat, heads, protected, parcel, markers, inset, outline, lots,
        tuple(item for item in exceptions if item is not None), tuple(item for item in rows if item is not None),
        tuple(item for item in niches if item is not None), public, public_reason, foundation,
        seen,
    )  # fmt: skip
