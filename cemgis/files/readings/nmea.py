"""NMEA 0183 logs."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from cemgis.files.readings.cells import DAY_MS
from cemgis.files.readings.notebook import assign_occupations
from cemgis.files.readings.table import WORST_SIGMA, RawReadings, nothing_usable, raw_table
from cemgis.files.tables import NAMED, BrokenLine, shown, sniff_encoding

__all__ = ["parse_nmea"]

_KNOT = 1852.0 / 3600.0  # metres a second, exact by definition

_QUALITY = {
    0: "none", 1: "autonomous", 2: "differential", 3: "autonomous", 4: "fixed", 5: "float", 6: "estimated",
    7: "manual", 8: "simulated",
}  # fmt: skip
_MODE = {
    "R": "fixed", "F": "float", "D": "differential", "P": "autonomous", "A": "autonomous", "E": "estimated",
    "M": "manual", "S": "simulated", "N": "none",
}  # fmt: skip


_SENTENCE = re.compile(rb"[$!]([^*$!\r\n]{1,400})\*([0-9A-Fa-f]{2})")
_UNCHECKED = re.compile(rb"\$([A-Z]{2}(?:GGA|GNS|GST|RMC|ZDA|DTM),[^*$!\r\n]{1,400})")
_TYPES = ("GGA", "GNS", "GST", "RMC", "ZDA", "DTM")


def _checksums(data: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Exclusive or of the bytes ``data[start:end]`` of each sentence, (m,)."""
    if not len(starts):
        return np.empty(0, dtype=np.uint8)
    bounds = np.empty(2 * len(starts), dtype=np.int64)
    bounds[0::2], bounds[1::2] = starts, ends
    sums: np.ndarray = np.bitwise_xor.reduceat(data, bounds)[0::2]
    return sums


@dataclass(frozen=True, slots=True)
class _Sentences:
    """Sentences of one type: the line each stands on, and its cells as columns of text."""

    lines: np.ndarray
    cells: list[pd.Series]

    def __len__(self) -> int:
        return len(self.lines)

    def cell(self, number: int) -> pd.Series:
        """Cells of that place; blank where a sentence is too short."""
        return self.cells[number]

    def said(self, row: int) -> str:
        """One sentence, shortened."""
        return shown(",".join(str(cell.iloc[row]) for cell in self.cells).rstrip(","))


def _table_of(bodies: list[bytes], lines: np.ndarray, width: int) -> _Sentences:
    """Cut sentences at their commas into `width` cells each."""
    if not bodies:
        return _Sentences(lines, [pd.Series([], dtype="string")] * width)
    even = [
        body + b"," * (width - 1 - commas)
        if (commas := body.count(b",")) < width
        else b",".join(body.split(b",")[:width])
        for body in bodies
    ]
    joined = b"\n".join(even)
    if not joined.isascii():
        joined = joined.decode("latin-1").encode("utf-8")
    names = [str(number) for number in range(width)]
    table = pacsv.read_csv(
        pa.BufferReader(joined),
        pacsv.ReadOptions(column_names=names, use_threads=False),
        pacsv.ParseOptions(quote_char=False, double_quote=False),
        pacsv.ConvertOptions(column_types=dict.fromkeys(names, pa.large_string()), strings_can_be_null=False),
    )
    dtype = pd.StringDtype("pyarrow")
    return _Sentences(lines, [pd.Series(dtype.__from_arrow__(column)) for column in table.columns])


def _clock_ms(text: pd.Series) -> np.ndarray:
    """Milliseconds of the day of ``hhmmss.sss``, -1 when it is none."""
    good = text.str.fullmatch(r"\d{6}(?:\.\d{0,9})?").to_numpy(dtype=bool)
    values = pd.to_numeric(text.where(good, "0")).to_numpy(dtype=float)
    whole = np.floor(values)
    hours, minutes, seconds = whole // 10000, whole // 100 % 100, values - np.floor(values / 100) * 100
    good &= (hours < 24) & (minutes < 60) & (seconds < 61)
    return np.where(good, np.round((hours * 3600 + minutes * 60 + seconds) * 1000), -1).astype(np.int64)


def _degrees(text: pd.Series, side: pd.Series, letters: str, most: float) -> np.ndarray:
    """Degrees of ``dddmm.mmmm`` and its hemisphere letter; NaN when they are none."""
    good = text.str.fullmatch(r"\d{3,5}(?:\.\d{0,12})?").to_numpy(dtype=bool) & side.isin(list(letters)).to_numpy()
    values = pd.to_numeric(text.where(good, "0")).to_numpy(dtype=float)
    degrees = np.floor(values / 100.0)
    minutes = values - degrees * 100.0
    angle = degrees + minutes / 60.0
    good &= (minutes < 60.0) & (angle <= most)
    return np.where(good, np.where((side == letters[1]).to_numpy(dtype=bool), -angle, angle), np.nan)


def _real(text: pd.Series) -> np.ndarray:
    said = text.where(text.str.fullmatch(r"[-+]?\d{1,12}(?:\.\d{0,12})?"), "")
    values: np.ndarray = pd.to_numeric(said, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    return values


def _anchors(rmc: _Sentences, zda: _Sentences) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sentences that carry a date: (line, day in ms, clock in ms), in the order of the file.

    A receiver that has no position yet may give any date, so its RMC counts only when there is none better.
    """
    days, clocks, lines = [], [], []
    if len(rmc):
        text = rmc.cell(9)
        year = pd.to_numeric(text.str[4:6], errors="coerce").fillna(0)
        century = np.where(year >= 80, "19", "20")
        said = pd.Series(century, dtype="string") + text.str[4:6] + text.str[2:4] + text.str[0:2]
        said = said.where(text.str.fullmatch(r"\d{6}"), "").astype(object)
        day = pd.to_datetime(said, format="%Y%m%d", errors="coerce").to_numpy().astype("datetime64[ms]")
        clock = _clock_ms(rmc.cell(1))
        known = ~np.isnat(day) & (clock >= 0)
        valid = known & (rmc.cell(2) == "A").to_numpy(dtype=bool)
        use = valid if valid.any() or len(zda) else known
        days.append(day[use])
        clocks.append(clock[use])
        lines.append(rmc.lines[use])
    if len(zda) and not any(len(part) for part in days):
        said = (zda.cell(4).str.zfill(4) + zda.cell(3).str.zfill(2) + zda.cell(2).str.zfill(2)).astype(object)
        day = pd.to_datetime(said, format="%Y%m%d", errors="coerce").to_numpy().astype("datetime64[ms]")
        clock = _clock_ms(zda.cell(1))
        use = ~np.isnat(day) & (clock >= 0)
        days.append(day[use])
        clocks.append(clock[use])
        lines.append(zda.lines[use])
    if not days:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64)
    line = np.concatenate(lines)
    return line, np.concatenate(days).astype(np.int64), np.concatenate(clocks)


def _stamps(lines: np.ndarray, clock: np.ndarray, anchors: tuple[np.ndarray, np.ndarray, np.ndarray]) -> np.ndarray:
    """Milliseconds since 1970 of clocks, their day taken from the nearest dated sentence; the day turns at midnight."""
    at, day, time = anchors
    if not len(at):
        return clock
    after = np.clip(np.searchsorted(at, lines, side="left"), 0, len(at) - 1)
    before = np.clip(np.searchsorted(at, lines, side="right") - 1, 0, len(at) - 1)
    near = np.where((time[after] == clock) | (lines < at[before]), after, before)
    stamp: np.ndarray = day[near] + clock
    away = stamp - (day[near] + time[near])
    turned: np.ndarray = stamp - np.round(away / DAY_MS).astype(np.int64) * DAY_MS
    return turned


def _rolled(clock: np.ndarray) -> np.ndarray:
    """Clocks of a log without any date, made to run on over midnight."""
    good = np.flatnonzero(clock >= 0)
    turned = np.zeros(len(clock), dtype=np.int64)
    if len(good) > 1:
        steps = np.diff(clock[good])
        turned[good[1:]] = np.cumsum((steps < -DAY_MS // 2).astype(np.int64) - (steps > DAY_MS // 2))
    return clock + turned * DAY_MS


def _mode_fix(modes: pd.Series) -> pd.Series:
    """Fix class of a GNS mode such as ``RRN``: the best system's; any that is not measured spoils it."""

    def of(mode: str) -> str:
        for letter in "EMSRFDPA":
            if letter in mode:
                return _MODE[letter]
        return "none"

    return modes.map({mode: of(mode) for mode in modes.unique()}).astype("string")


def parse_nmea(
    data: bytes | str,
    *,
    occupations: pd.DataFrame | None = None,
    label: str | None = None,
    section: str | None = None,
    antenna_height_m: float | None = None,
    day: dt.date | None = None,
    where: str = "readings",
) -> RawReadings:
    """Take readings from an NMEA 0183 log: GGA (else GNS) with the GST, RMC, ZDA and DTM around it.

    Any talker counts. A sentence whose checksum is wrong is a broken line; one without a checksum counts only in a
    log that has none at all. The date comes from RMC, else ZDA, else `day`; it turns at midnight. The height is the
    altitude plus the geoid separation, less the antenna height.

    Parameters
    ----------
    data : bytes or str
    occupations : DataFrame, optional
        From `parse_occupations`; readings outside all of them stay without a label.
    label, section : str, optional
    antenna_height_m : float, optional
    day : date, optional
        Day of a log without a date.
    where : str

    Raises
    ------
    InputError
        When there is not one position in it.

    Examples
    --------
    >>> raw = parse_nmea("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", label="A-1")
    >>> [*map(float, raw.table.loc[0, ["y", "x", "height"]].astype(float).round(7)), raw.table.loc[0, "fix"]]
    [48.1173, 11.5166667, 592.3, 'autonomous']
    """
    raw = data.encode("latin-1", "replace") if isinstance(data, str) else data
    sniffed = sniff_encoding(raw[: 1 << 14])
    if sniffed and sniffed != "utf-8-sig":
        raw = raw.decode(sniffed, "replace").encode("latin-1", "replace")
    found = [(m.start(), m.start(2) - 1, m.group(1), m.group(2)) for m in _SENTENCE.finditer(raw)]
    buffer = np.frombuffer(raw, dtype=np.uint8)
    starts = np.array([item[0] for item in found], dtype=np.int64)
    stars = np.array([item[1] for item in found], dtype=np.int64)
    stated = np.array([int(item[3], 16) for item in found], dtype=np.uint8)
    computed = _checksums(buffer, starts + 1, stars)
    checked = computed == stated
    notes: list[str] = []
    bodies = [item[2] for item in found]
    if not len(found):
        plain = list(_UNCHECKED.finditer(raw))
        if plain:
            notes.append("no sentence of the log carries a checksum: errors of the line cannot be seen")
        bodies = [m.group(1).rstrip() for m in plain]
        starts = np.array([m.start() for m in plain], dtype=np.int64)
        computed = stated = np.zeros(len(plain), dtype=np.uint8)
        checked = np.ones(len(plain), dtype=bool)
    # a lone carriage return ends a line, too; one before a line feed does not end another
    returns = np.flatnonzero(buffer == 13)
    lone = returns[(returns + 1 == len(buffer)) | (buffer[np.minimum(returns + 1, len(buffer) - 1)] != 10)]
    ends = np.sort(np.concatenate([np.flatnonzero(buffer == 10), lone]))
    line_of = np.searchsorted(ends, starts) + 1
    broken, n_broken = _odd_lines(raw, ends, line_of, checked, computed, stated)

    kept: dict[str, list[bytes]] = {kind: [] for kind in _TYPES}
    kept_lines: dict[str, list[int]] = {kind: [] for kind in _TYPES}
    for body, line, good in zip(bodies, line_of.tolist(), checked.tolist(), strict=True):
        if good and body[5:6] == b"," and (kind := body[2:5].decode("latin-1")) in kept:
            kept[kind].append(body)
            kept_lines[kind].append(line)
    widths = {"GGA": 15, "GNS": 14, "GST": 9, "RMC": 14, "ZDA": 7, "DTM": 9}
    tables = {kind: _table_of(kept[kind], np.array(kept_lines[kind], dtype=np.int64), widths[kind]) for kind in _TYPES}
    parts = []
    for kind in ("GGA", "GNS"):
        part = _epochs(tables[kind], kind)
        bad = np.flatnonzero((part["why"] != "").to_numpy(dtype=bool))
        broken += [
            BrokenLine(int(part["line"].iloc[at]), tables[kind].said(at), part["why"].iloc[at]) for at in bad[:NAMED]
        ]
        n_broken += len(bad)
        parts.append(part.drop(index=bad))
    epochs = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    epochs = epochs.sort_values("line", kind="stable").reset_index(drop=True)
    if not len(epochs) or not np.isfinite(epochs["x"].to_numpy(dtype=float)).any():
        raise nothing_usable(where, broken, n_broken)

    anchors = _anchors(tables["RMC"], tables["ZDA"])
    dated = len(anchors[0]) > 0
    lines, clock = epochs["line"].to_numpy(), epochs["clock"].to_numpy()
    side_tables = {kind: tables[kind] for kind in ("GST", "RMC")}
    all_lines = np.concatenate([lines, *(side.lines for side in side_tables.values())])
    all_clocks = np.concatenate(
        [clock, *(_clock_ms(side.cell(1)) if len(side) else np.empty(0, np.int64) for side in side_tables.values())]
    )
    if dated:
        stamps = np.where(all_clocks >= 0, _stamps(all_lines, np.maximum(all_clocks, 0), anchors), -1)
    else:
        sort = np.argsort(all_lines, kind="stable")
        stamps = np.empty(len(all_clocks), dtype=np.int64)
        stamps[sort] = np.where(all_clocks[sort] >= 0, _rolled(all_clocks[sort]), -1)
    cuts = np.cumsum([len(lines), len(side_tables["GST"])])
    own, gst_stamps, rmc_stamps = np.split(stamps, cuts)

    # a GNS beside a GGA of the same moment is the same reading
    is_gga = (epochs["type"] == "GGA").to_numpy(dtype=bool)
    again = ~is_gga & (own >= 0) & np.isin(own, own[is_gga])
    epochs, own = epochs[~again].reset_index(drop=True), own[~again]
    n = len(epochs)

    def beside(side_stamps: np.ndarray, values: np.ndarray, fill: Any) -> np.ndarray:
        """Values of the sentences of the same moment."""
        order = np.argsort(side_stamps, kind="stable")
        sorted_stamps = side_stamps[order]
        place = np.clip(np.searchsorted(sorted_stamps, own), 0, max(len(order) - 1, 0))
        if not len(order):
            return np.full(n, fill, dtype=values.dtype)
        same = (sorted_stamps[place] == own) & (own >= 0)
        picked: np.ndarray = np.where(same, values[order][place], fill)
        return picked

    gst, rmc = tables["GST"], tables["RMC"]
    sigma_n = beside(gst_stamps, _real(gst.cell(6)), np.nan)
    sigma_e = beside(gst_stamps, _real(gst.cell(7)), np.nan)
    speed = beside(rmc_stamps, _real(rmc.cell(7)) * _KNOT, np.nan)
    mode = beside(rmc_stamps, rmc.cell(12).to_numpy(dtype=object), "")
    with np.errstate(invalid="ignore"):
        given = (sigma_e > 0) & (sigma_n > 0)
    fix = epochs["fix"].to_numpy(dtype=object)
    # RMC may admit dead reckoning, a simulator or typed-in positions that the quality of GGA hides
    fix = np.where(np.isin(mode, ["E", "M", "S", "N"]), pd.Series(mode).map(_MODE).to_numpy(dtype=object), fix)
    if dated:
        times = np.where(own >= 0, own, np.iinfo(np.int64).min).astype("datetime64[ms]")
    else:
        if day is None and occupations is not None and not np.isnat(occupations["start"].to_numpy()).all():
            day = pd.Timestamp(np.nanmin(occupations["start"].to_numpy())).date()
            notes.append(f"the log carries no date: {day} is taken from the list of occupations")
        elif day is not None:
            notes.append(f"the log carries no date: {day} is taken from its visit")
        else:
            notes.append('the log carries no date, its times are left out: write visit = "2025-05-06" (its day, UTC)')
        base = np.datetime64("NaT", "ms") if day is None else np.datetime64(day, "ms")
        times = np.where(own >= 0, base + np.maximum(own, 0).astype("timedelta64[ms]"), np.datetime64("NaT", "ms"))
    notes += _datum_notes(tables["DTM"])
    if dated and day is not None:
        apart = abs((times[~np.isnat(times)][:1] - np.datetime64(day, "ms")).astype(float)) / DAY_MS
        if apart.size and apart[0] > 3:
            weeks = " (1024 weeks: the receiver counts its weeks wrong)" if abs(apart[0] % 7168 - 3584) > 3581 else ""
            notes.append(f"the log's dates lie {apart[0]:.0f} days from its visit{weeks}")
    height = epochs["height"].to_numpy(dtype=float) - (antenna_height_m or 0.0)
    table = raw_table(
        n,
        {
            "line": epochs["line"].to_numpy(),
            "label": label,
            "section": section,
            "time": times,
            "x": epochs["x"].to_numpy(dtype=float),
            "y": epochs["y"].to_numpy(dtype=float),
            "height": height,
            "fix": fix,
            "hdop": epochs["hdop"].to_numpy(dtype=float),
            "satellites": epochs["satellites"].to_numpy(dtype=float),
            "sigma_e": np.where(given, np.minimum(sigma_e, WORST_SIGMA), np.nan),
            "sigma_n": np.where(given, np.minimum(sigma_n, WORST_SIGMA), np.nan),
            "sigma_from": np.where(given, "the receiver", ""),
            "antenna_height": antenna_height_m if antenna_height_m is not None else np.nan,
            "speed": speed,
        },
    )
    if occupations is not None:
        table, said = assign_occupations(table, occupations)
        notes += said
    return RawReadings(table, tuple(sorted(broken)[:NAMED]), n_broken, tuple(notes), geographic=True)


def _odd_lines(
    raw: bytes,
    ends: np.ndarray,
    line_of: np.ndarray,
    checked: np.ndarray,
    computed: np.ndarray,
    stated: np.ndarray,
) -> tuple[list[BrokenLine], int]:
    """Lines without a good sentence that are neither blank nor a comment, and sentences that fail their checksum."""
    bounds = np.concatenate([[-1], ends, [len(raw)]])
    total = len(bounds) - 1
    good = np.zeros(total + 1, dtype=bool)
    good[line_of[checked]] = True
    failed: dict[int, int] = {}
    for at in np.flatnonzero(~checked).tolist():
        failed.setdefault(int(line_of[at]), at)
    empty = np.diff(bounds) <= 1
    buffer = np.frombuffer(raw, dtype=np.uint8)
    first = buffer[np.minimum(bounds[:-1] + 1, max(len(raw) - 1, 0))] if len(raw) else np.zeros(total, np.uint8)
    # 10, 13 and 0: the rest of a line end or of a disk block; 35 is "#"
    passed = empty | np.isin(first, [10, 13, 35]) | good[1:]
    odd = np.flatnonzero(~passed)
    broken: list[BrokenLine] = []
    n_broken = 0
    texts = (
        (int(at) + 1, raw[bounds[at] + 1 : min(bounds[at + 1], bounds[at] + 401)].replace(b"\0", b"").strip())
        for at in sorted({*odd.tolist(), *(line - 1 for line in failed)})
    )
    for line, text in texts:
        if not text:
            continue
        n_broken += 1
        if len(broken) < NAMED:
            why = "no whole sentence"
            if line in failed:
                why = f"its checksum is {computed[failed[line]]:02X}, it says {stated[failed[line]]:02X}"
            broken.append(BrokenLine(line, shown(text.decode("latin-1")), why))
    return broken, n_broken


def _epochs(part: _Sentences, kind: str) -> pd.DataFrame:
    """Positions of GGA or GNS sentences; `why` tells what is wrong with one."""
    columns = ["line", "type", "clock", "x", "y", "height", "fix", "hdop", "satellites", "why"]
    if not len(part):
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    lat = _degrees(part.cell(2), part.cell(3), "NS", 90.0)
    lon = _degrees(part.cell(4), part.cell(5), "EW", 180.0)
    if kind == "GGA":
        quality = _real(part.cell(6))
        fix = pd.Series(quality).map(_QUALITY).fillna("unknown").to_numpy(dtype=object)
        satellites, hdop, altitude, separation = (_real(part.cell(number)) for number in (7, 8, 9, 11))
        unnamed = np.isnan(quality)
    else:
        fix = _mode_fix(part.cell(6)).to_numpy(dtype=object)
        satellites, hdop, altitude, separation = (_real(part.cell(number)) for number in (7, 8, 9, 10))
        unnamed = (part.cell(6) == "").to_numpy(dtype=bool)
    clock = _clock_ms(part.cell(1))
    lost = np.isnan(lat) | np.isnan(lon)
    bare = np.logical_and.reduce([(part.cell(number) == "").to_numpy(dtype=bool) for number in (2, 4)])
    why = np.full(len(part), "", dtype=object)
    why[(clock < 0) & (part.cell(1) != "").to_numpy(dtype=bool)] = "its time is none"
    why[lost & ~bare] = "its latitude or longitude is none"
    why[unnamed & ~bare] = "it does not say what kind of solution it is"
    why[lost & bare & ~np.isin(fix, ["none", "unknown"])] = "it claims a solution and gives no position"
    nowhere = (lat == 0.0) & (lon == 0.0)
    fix = np.where(bare | nowhere, "none", fix)
    return pd.DataFrame(
        {
            "line": part.lines,
            "type": kind,
            "clock": clock,
            "x": np.where(lost | nowhere, np.nan, lon),
            "y": np.where(lost | nowhere, np.nan, lat),
            "height": altitude + separation,
            "fix": fix,
            "hdop": np.where(hdop > 0, hdop, np.nan),
            "satellites": satellites,
            "why": why,
        },
        columns=columns,
    )


def _datum_notes(part: _Sentences) -> list[str]:
    if not len(part):
        return []
    said = []
    offsets = (_real(part.cell(3)), _real(part.cell(5)))
    pairs = zip(part.cell(1), part.cell(8), *offsets, strict=True)
    for code, base, north, east in dict.fromkeys((c, b, round(n, 6), round(e, 6)) for c, b, n, e in pairs):
        off = f", offset {north:g}' and {east:g}' from {base}" if north or east else ""
        said.append(f"the log names its datum {code or '?'}{off} (DTM): compare it with the reference declared")
    return said[:5]
