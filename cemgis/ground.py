"""What ``ground.toml`` says, as one checked object."""

from __future__ import annotations

import codecs
import datetime
import difflib
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from string import Formatter
from typing import Any, TypeVar

from cemgis.errors import Gather, InputError
from cemgis.reference import GroundCRS, Reference, ground_crs, parse_angle, parse_reference, say_stakes
from cemgis.rules import Rules
from cemgis.units import FOOT, METRE, Unit, compass_azimuth, compass_word, parse_length

__all__ = [
    "CORNERS",
    "HEADS_DEFAULT",
    "MODELS",
    "SCHEMA_VERSION",
    "SIDES",
    "Break",
    "Container",
    "ControlPoint",
    "CrosswalkEntry",
    "Equipment",
    "FeaturesEntry",
    "Ground",
    "Heads",
    "HeadsException",
    "NicheBlock",
    "PlatEntry",
    "ProbesEntry",
    "ReadingsEntry",
    "RegisterEntry",
    "Rows",
    "ScanEntry",
    "Section",
    "Size",
    "TapedEntry",
    "parse_ground",
]

SCHEMA_VERSION = 1
"""Version of ``ground.toml`` this package reads; a newer one is refused."""

SIDES = ("north", "south", "east", "west")
CORNERS = ("southwest", "southeast", "northwest", "northeast")
MODELS = ("shift", "rigid", "conformal", "affine")
SCAN_MODELS = ("similarity", "affine", "second order", "thin plate")
FORMATS = ("nmea", "csv", "gpx", "vector")
_FIXES = ("fixed", "float", "differential", "autonomous")
NUMBERINGS = ("run on", "restart", "back and forth")
ROW_KINDS = ("full", "cremation", "infant")
MARKERS_AT = ("row ends", "spaces")
CONTAINER_KINDS = ("vault", "liner", "none", "urn")
FEATURE_LAYERS = ("vaults", "monuments", "probable_graves", "obstacles", "drives")
HEADS_DEFAULT = "west"
"""Side the heads lie on where nothing is said: common practice, no source."""

_ENDINGS = {".nmea": "nmea", ".log": "nmea", ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".gpx": "gpx"}
_MOST_CHARACTERS = 4_000_000  # a description of one ground; no source
_MOST_PLACES = 10_000_000  # places of one block; beyond it a number was mistyped; no source
_MOST_TEXT = 500
_STAKES_YEAR = 2026.0  # of the words that say what is at stake; a year changes them by a few centimetres
_ASK = "Ask whoever made the file which correction service or base it was made with, and what that delivers."
_YEARS = (1980.0, 2100.0)  # epochs of satellite positions: GPS began in 1978


@dataclass(frozen=True, slots=True)
class ReadingsEntry:
    """One file of readings and what its coordinates refer to.

    Parameters
    ----------
    where : str
        Key path, for messages.
    file : str
        Relative to the ground's folder, forward slashes.
    format : str
        ``nmea``, ``csv``, ``gpx`` or ``vector``.
    visit : str
    receiver : str or None
    corrections : str
        Correction service or base.
    reference : Reference
    epoch : float, ``"observed"`` or None
        Decimal year of the coordinates; ``"observed"``: each reading's own time.
    occupations : str or None
        File with the list of occupations.
    label : str or None
        One label for the whole file.
    section : str or None
        Section of labels that carry none.
    antenna_height_m : float or None
        Metres.
    columns : mapping of str to str
        Our name to theirs.
    order : str or None
        Order of the columns where there is no header.
    delimiter, encoding : str or None
    fix : str or None
        Kind of solution of readings that do not say theirs.
    sigma : float or None
        Standard deviation of each horizontal coordinate of readings that do not say theirs, in the ground's unit.
    """

    where: str
    file: str
    format: str
    visit: str
    receiver: str | None
    corrections: str
    reference: Reference
    epoch: float | str | None
    occupations: str | None = None
    label: str | None = None
    section: str | None = None
    antenna_height_m: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    order: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    fix: str | None = None
    sigma: float | None = None


@dataclass(frozen=True, slots=True)
class TapedEntry:
    """One file of taped distances: ground distances, level tape."""

    where: str
    file: str
    delimiter: str | None = None
    encoding: str | None = None


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """A point whose coordinates someone else published.

    Parameters
    ----------
    where, name : str
    label : str
        Label it is read under.
    reference : Reference
    x, y : float
        Easting and northing in the reference's own unit, or longitude and latitude in degrees.
    epoch : float or None
    source : str
        Who published it.
    """

    where: str
    name: str
    label: str
    reference: Reference
    x: float
    y: float
    epoch: float | None
    source: str


@dataclass(frozen=True, slots=True)
class PlatEntry:
    """A plat: its name, date, the model by which it is placed, and whether a local signal is sought beside it."""

    where: str
    name: str
    date: str
    model: str = "conformal"
    source: str | None = None
    local: bool = True


@dataclass(frozen=True, slots=True)
class Break:
    """A cross walk within the rows of a block, after a place counted from 1."""

    after: int
    width: float


@dataclass(frozen=True, slots=True)
class Size:
    """The size of one lot that differs; None where it does not."""

    frontage: float | None
    depth: float | None


@dataclass(frozen=True, slots=True)
class Rows:
    """A block of rows of lots, or of single graves; lengths in the ground's unit, directions in the plat frame.

    Parameters
    ----------
    where : str
    at : (float, float)
        Plat x, y of the outer corner of the first place.
    run, step : str
        One of `SIDES`: the way lots follow one another in a row, and rows one another.
    rows : int
    row_names : tuple of str
        One a row; empty when they are to be counted on from the section's earlier blocks.
    lots : tuple of int
        Places in each row.
    singles : bool
        Whether the places are single graves without lots.
    frontage : tuple of float
        Size along the run of each place, as many as the longest row has.
    depth : tuple of float
        Size along the step of each row.
    between_rows : tuple of float
        Gap after each row but the last.
    breaks : tuple of Break
    numbering : str
        ``run on``, ``restart`` or ``back and forth``.
    first : int or None
        First number; None: goes on from the section's earlier block, else 1.
    skip : tuple of int
        Numbers never used; no land is lost.
    empty : tuple of str
        Numbers whose land holds no lot; ``row-number`` for that row alone.
    blank : tuple of (int, int)
        Row and place, counted from 1 within the block, without lot and without number.
    extra : mapping of str to tuple of str
        After this lot come these.
    sizes : mapping of str to Size
        Lots of another size.
    spaces : int
        Spaces side by side in each lot.
    facing : str
        Spaces are counted facing this side.
    counted_from : str
        ``left`` or ``right``; the key ``from``.
    tiers : int
        Rows of spaces behind one another in each lot, nearest first; each holds `spaces` spaces.
    kind : str
        One of ``full``, ``cremation``, ``infant``.
    markers_at : str
        For single graves: ``row ends`` or ``spaces``.
    """

    where: str
    at: tuple[float, float]
    run: str
    step: str
    rows: int
    row_names: tuple[str, ...]
    lots: tuple[int, ...]
    singles: bool
    frontage: tuple[float, ...]
    depth: tuple[float, ...]
    between_rows: tuple[float, ...] = ()
    breaks: tuple[Break, ...] = ()
    numbering: str = "run on"
    first: int | None = None
    skip: tuple[int, ...] = ()
    empty: tuple[str, ...] = ()
    blank: tuple[tuple[int, int], ...] = ()
    extra: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    sizes: Mapping[str, Size] = field(default_factory=dict)
    spaces: int = 1
    facing: str = "east"
    counted_from: str = "left"
    tiers: int = 1
    kind: str = "full"
    markers_at: str = "row ends"


@dataclass(frozen=True, slots=True)
class NicheBlock:
    """One face of a building or wall with niches; no place on the ground."""

    where: str
    building: str
    face: str
    rows: int
    columns: int


@dataclass(frozen=True, slots=True)
class Heads:
    """A section's rule for the side the heads lie on.

    Parameters
    ----------
    kind : str
        ``side``, ``axis`` or ``as last laid``.
    side : str or None
        Compass word: the heads' side, or with an axis the end of it that is meant.
    axis : str or None
        ``rows``: bodies lie along the rows; ``lots``: along the long side of the lots' spaces.
    given : bool
        False where nothing was said and common practice stands in.
    """

    kind: str
    side: str | None
    axis: str | None
    given: bool

    @property
    def words(self) -> str:
        """The rule as one says it.

        Examples
        --------
        >>> Heads("axis", "west", "rows", True).words
        'along the rows, heads to the west'
        """
        if self.kind == "as last laid":
            return "as last laid"
        if self.kind == "axis":
            return f"along the {self.axis}, heads to the {self.side}"
        return f"heads {self.side}" + ("" if self.given else " (common practice)")


@dataclass(frozen=True, slots=True)
class HeadsException:
    """One space whose heads lie on another side, and why."""

    where: str
    space: str
    heads: str
    reason: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the ground with one plat and one rule for the heads.

    Parameters
    ----------
    where, name : str
    title : str or None
    plat : str or None
        None only where the section holds nothing but niches.
    heads : Heads
    protected : str or None
        Why nothing is to be dug here without settling it first.
    parcel : str or None
        Tax parcel, as the county numbers it.
    markers : str
        Corner of the lot where its marker is set, one of `CORNERS`; empty for none.
    marker_inset : float
        Set inside the lot by this, along both sides.
    outline : str or None
    lots : str or None
        File of lots instead of rows.
    exceptions : tuple of HeadsException
    rows : tuple of Rows
    niches : tuple of NicheBlock
    """

    where: str
    name: str
    title: str | None
    plat: str | None
    heads: Heads
    protected: str | None
    parcel: str | None
    markers: str
    marker_inset: float
    outline: str | None
    lots: str | None
    exceptions: tuple[HeadsException, ...]
    rows: tuple[Rows, ...]
    niches: tuple[NicheBlock, ...]


@dataclass(frozen=True, slots=True)
class FeaturesEntry:
    """A file of vaults, monuments, probable graves, obstacles or drives."""

    where: str
    layer: str
    file: str
    reference: Reference
    epoch: float | None
    sigma: float | None
    columns: Mapping[str, str]
    radius: float | None


@dataclass(frozen=True, slots=True)
class ProbesEntry:
    """A list of probe hits or corner shots on things of a known size.

    Parameters
    ----------
    where, file : str
    layer : str
        ``vaults`` or ``monuments``.
    container : str or None
        Of rows that name none.
    reference : Reference or None
        Of coordinates in the list; None where it names labels of readings instead.
    epoch : float or None
    sigma : float or None
        Standard deviation of each coordinate of a hit, instead of the rule's.
    columns : mapping of str to str
    delimiter, encoding : str or None
    """

    where: str
    file: str
    layer: str
    container: str | None
    reference: Reference | None
    epoch: float | None
    sigma: float | None
    columns: Mapping[str, str]
    delimiter: str | None = None
    encoding: str | None = None


@dataclass(frozen=True, slots=True)
class ScanEntry:
    """A scanned drawing and the points that tie it to the ground.

    Parameters
    ----------
    where, file : str
    points : str or None
        File with control points; None where the picture carries its own.
    plat : str or None
        Plat of the points that are given in plat coordinates, and of labels that name no section.
    model : str
        ``similarity``, ``affine``, ``second order`` or ``thin plate``.
    reference : Reference or None
        Of points given by easting and northing.
    epoch : float or None
    delimiter, encoding : str or None
    """

    where: str
    file: str
    points: str | None
    plat: str | None
    model: str
    reference: Reference | None
    epoch: float | None
    delimiter: str | None = None
    encoding: str | None = None


@dataclass(frozen=True, slots=True)
class RegisterEntry:
    """A list the clerk keeps, or a list of what stones say; the first named counts where lists differ."""

    where: str
    file: str
    columns: Mapping[str, str]
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None
    kind: str | None = None
    section: str | None = None


@dataclass(frozen=True, slots=True)
class CrosswalkEntry:
    """A list of former numbers of places and what they are now."""

    where: str
    file: str
    delimiter: str | None = None
    encoding: str | None = None


@dataclass(frozen=True, slots=True)
class Container:
    """What is set into a grave, by its outside.

    Parameters
    ----------
    where, name : str
    kind : str
        ``vault``, ``liner``, ``none`` (a casket or shroud in the earth) or ``urn``.
    length, width, height : float
        Outside, in the ground's unit.
    """

    where: str
    name: str
    kind: str
    length: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Equipment:
    """What the crew digs and lowers with; None where nothing is declared. Lengths in the ground's unit.

    Parameters
    ----------
    where : str
    straps : float or None
        Deepest bottom of a container that the lowering straps or chains reach.
    machine : str or None
    machine_width : float or None
        With its outriggers in, as it drives.
    boom_clear : float or None
        The boom may pass over what is lower than this.
    tape : float or None
        Length of the tape.
    tape_reads : str
        ``inches``, ``tenths`` or ``metres``: how the crew's tape is divided.
    shoring, pump, boards : str or None
        What is there, in words.
    """

    where: str = "equipment"
    straps: float | None = None
    machine: str | None = None
    machine_width: float | None = None
    boom_clear: float | None = None
    tape: float | None = None
    tape_reads: str = "inches"
    shoring: str | None = None
    pump: str | None = None
    boards: str | None = None


@dataclass(frozen=True, slots=True)
class Ground:
    """One burial ground as ``ground.toml`` describes it; lengths in `unit`.

    Parameters
    ----------
    folder : Path
    name : str
    place : str or None
    crs : GroundCRS
    unit : Unit
        The unit of the CRS and of every length without another.
    rules : Rules
    marker_label : str
        How a marker's text is built: ``{section}``, ``{row}``, ``{lot}``.
    readings, taped, control, plats, sections, features, register : tuple
        The tables of the file; ``[[plat]]`` is `plats` and ``[[section]]`` is `sections`.
    containers : tuple of Container
    equipment : Equipment
    call : str or None
        Whom to call when bone, wood or a casket is met.
    crosswalk : tuple of CrosswalkEntry
        Lists of former numbers of places.
    probes : tuple of ProbesEntry
    scans : tuple of ScanEntry
    """

    folder: Path
    name: str
    place: str | None
    crs: GroundCRS
    unit: Unit
    rules: Rules
    marker_label: str
    readings: tuple[ReadingsEntry, ...]
    taped: tuple[TapedEntry, ...]
    control: tuple[ControlPoint, ...]
    plats: tuple[PlatEntry, ...]
    sections: tuple[Section, ...]
    features: tuple[FeaturesEntry, ...]
    register: tuple[RegisterEntry, ...]
    containers: tuple[Container, ...] = ()
    equipment: Equipment = field(default_factory=Equipment)
    call: str | None = None
    crosswalk: tuple[CrosswalkEntry, ...] = ()
    probes: tuple[ProbesEntry, ...] = ()
    scans: tuple[ScanEntry, ...] = ()

    def section(self, name: str) -> Section:
        """Return the section of that name; `KeyError` when there is none."""
        for section in self.sections:
            if section.name == name:
                return section
        raise KeyError(name)

    def plat(self, name: str) -> PlatEntry:
        """Return the plat of that name; `KeyError` when there is none."""
        for plat in self.plats:
            if plat.name == name:
                return plat
        raise KeyError(name)

    def container(self, name: str) -> Container:
        """Return the container of that name; `InputError` with the names there are when there is none."""
        for item in self.containers:
            if item.name.casefold() == name.strip().casefold():
                return item
        there = ", ".join(item.name for item in self.containers) or "none is declared"
        raise InputError.of(
            "container", f"there is no container {_shown(name)}", f"[[container]] in ground.toml: {there}."
        )

    @property
    def evidence(self) -> tuple[str, ...]:
        """Every file the description names, sorted."""
        named: list[str | None] = [name for entry in self.readings for name in (entry.file, entry.occupations)]
        named += [entry.file for entry in self.taped]
        named += [entry.file for entry in self.features]
        named += [entry.file for entry in self.register]
        named += [entry.file for entry in self.crosswalk]
        named += [entry.file for entry in self.probes]
        named += [name for scan in self.scans for name in (scan.file, scan.points)]
        named += [name for section in self.sections for name in (section.outline, section.lots)]
        return tuple(sorted({name for name in named if name}))


# ---- reading one table of the file ----------------------------------------------------------------------------------

T = TypeVar("T")


def _shown(value: object, most: int = 50) -> str:
    try:
        text = repr(value)
    except ValueError:  # an integer of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= most else text[: most - 3] + "..."


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    return close[0] if close else ""


class _Keys:
    """One table of the file: hands out checked values, notes problems, and knows which keys nobody asked for."""

    def __init__(self, raw: object, path: str, gather: Gather, unit: Unit, crs: GroundCRS | None = None) -> None:
        self.path = path
        self.crs = crs
        self.gather = gather
        self.unit = unit
        self.asked: list[str] = []
        self.raw: Mapping[str, Any] = raw if isinstance(raw, Mapping) else {}
        if not isinstance(raw, Mapping):
            gather.add(path, f"{_shown(raw)} is not a table", "Write it with keys, key = value.")

    def at(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def wrong(self, key: str, what: str, remedy: str) -> None:
        self.gather.add(self.at(key), what, remedy)

    def get(self, key: str, *, required: str = "") -> Any:
        """Value of a key or None; `required` says what to write when it is not there."""
        self.asked.append(key)
        value = self.raw.get(key)
        if value is None and required and isinstance(self.raw, Mapping):
            self.wrong(key, "missing", required)
        return value

    def text(self, key: str, *, required: str = "", blank: bool = False) -> str | None:
        value = self.get(key, required=required)
        if value is None:
            return None
        return self.as_text(value, self.at(key), blank=blank)

    def as_text(self, value: object, where: str, *, blank: bool = False) -> str | None:
        if not isinstance(value, str):
            self.gather.add(where, f"{_shown(value)} is not text", 'Write it in quotes, "...".')
            return None
        found = value.strip()
        if not found and not blank:
            self.gather.add(where, "empty", "Write something or take the key out.")
            return None
        if len(found) > _MOST_TEXT or any(ord(sign) < 32 for sign in found):
            self.gather.add(
                where, f"{_shown(found)} is too long or holds control characters", "Write plain short text."
            )
            return None
        return found

    def name(self, key: str, required: str) -> str | None:
        found = self.text(key, required=required)
        if found is not None and len(found) > 60:
            self.wrong(key, f"{_shown(found)} is longer than 60 letters", "Shorten it; a title may be long.")
            return None
        return found

    def flag(self, key: str, *, default: bool) -> bool:
        value = self.get(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.wrong(key, f"{_shown(value)} is neither true nor false", "Write true or false, without quotes.")
            return default
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None, *, required: str = "") -> str | None:
        value = self.text(key, required=required)
        if value is None:
            return default
        return self.as_choice(value, choices, self.at(key)) or default

    def as_choice(self, value: object, choices: tuple[str, ...], where: str) -> str | None:
        word = str(value).strip().lower() if isinstance(value, str) else None
        if word in choices:
            return word
        near = _nearest(word or "", choices)
        meant = f'Did you mean "{near}"? ' if near else ""
        self.gather.add(where, f"{_shown(value)} is not understood", f"{meant}One of: {', '.join(choices)}.")
        return None

    def side(self, key: str, default: str | None = None, *, required: str = "") -> str | None:
        return self.choice(key, SIDES, default, required=required)

    def compass(self, key: str, *, required: str = "") -> str | None:
        value = self.text(key, required=required)
        return None if value is None else self.as_compass(value, self.at(key))

    def as_compass(self, value: str, where: str) -> str | None:
        try:
            return compass_word(compass_azimuth(value, where), 16)
        except InputError as error:
            self.gather.take(error)
            return None

    def length(
        self, key: str, *, required: str = "", low: float | None = None, unit: Unit | None = None
    ) -> float | None:
        value = self.get(key, required=required)
        return None if value is None else self.as_length(value, self.at(key), low=low, unit=unit)

    def as_length(
        self,
        value: object,
        where: str,
        *,
        low: float | None = None,
        above: float | None = None,
        unit: Unit | None = None,
    ) -> float | None:
        try:
            found = parse_length(value, unit or self.unit, where)
        except InputError as error:
            self.gather.take(error)
            return None
        if not math.isfinite(found) or abs(found) > 1e6:
            self.gather.add(where, f"{_shown(value)} is absurd", "Mend the number.")
            return None
        if (low is not None and found < low) or (above is not None and found <= above):
            self.gather.add(
                where, f"{_shown(value)} is too small", "Write more." if above is not None else "Not below 0."
            )
            return None
        return found

    def size(self, key: str, *, required: str = "") -> float | None:
        value = self.get(key, required=required)
        return None if value is None else self.as_length(value, self.at(key), above=0.0)

    def number(self, key: str, low: float, high: float, *, required: str = "") -> float | None:
        value = self.get(key, required=required)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            self.wrong(key, f"{_shown(value)} is not a number from {low:g} to {high:g}", "Mend it.")
            return None
        return float(value)

    def count(self, key: str, default: int | None = None, *, low: int = 1, required: str = "") -> int | None:
        value = self.get(key, required=required)
        return default if value is None else self.as_count(value, self.at(key), low=low)

    def as_count(self, value: object, where: str, *, low: int = 1, high: int = 1_000_000) -> int | None:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.gather.add(where, f"{_shown(value)} is not a whole number from {low} to {high}", "Mend it.")
            return None
        return value

    def listed(self, key: str) -> list[Any] | None:
        value = self.get(key)
        if value is not None and not isinstance(value, list):
            self.wrong(key, f"{_shown(value)} is not a list", "Write it in brackets, [...].")
            return None
        return value

    def mapping(self, key: str) -> Mapping[str, Any]:
        value = self.get(key)
        if value is None:
            return {}
        if not isinstance(value, Mapping):
            self.wrong(key, f"{_shown(value)} is not a table", "Write { name = ... }.")
            return {}
        return value

    def columns(self) -> dict[str, str]:
        found = {}
        for ours, theirs in self.mapping("columns").items():
            text = self.as_text(theirs, self.at(f"columns.{ours}"))
            if text is not None:
                found[ours] = text
        return found

    def file(self, key: str, *, required: str = "") -> str | None:
        found = self.text(key, required=required)
        if found is None:
            return None
        remedy = "Name it from the ground's folder, forward slashes, as in readings/may.csv."
        path = PurePosixPath(found)
        if "\\" in found or path.is_absolute() or found.startswith("~") or re.match(r"^[A-Za-z]:", found):
            self.wrong(key, f"{_shown(found)} is not a path inside the ground's folder", remedy)
            return None
        if ".." in path.parts or not path.parts:
            self.wrong(key, f"{_shown(found)} leads out of the ground's folder", remedy)
            return None
        return str(path)

    def delimiter(self) -> str | None:
        found = self.get("delimiter")
        if found is None:
            return None
        if found == "tab":
            return "\t"
        if not isinstance(found, str) or len(found) != 1 or found in '"\n\r\0':
            self.wrong("delimiter", f"{_shown(found)} is not one character", 'Write ";", "," or "tab".')
            return None
        return found

    def encoding(self) -> str | None:
        found = self.text("encoding")
        if found is not None:
            try:
                codecs.lookup(found)
            except (LookupError, ValueError):
                self.wrong("encoding", f"{_shown(found)} is no encoding", 'Write "utf-8", "utf-16" or "cp1252".')
                return None
        return found

    def reference(self) -> Reference | None:
        found = self.text("reference")
        if found is None:
            if "reference" not in self.raw:
                area = None if self.crs is None else self.crs.crs.area_of_use
                stake = "" if area is None else " " + say_stakes(
                    (area.west + area.east) / 2, (area.south + area.north) / 2, _STAKES_YEAR, self.crs
                )  # fmt: skip
                self.wrong("reference", f"missing.{stake}", f'{_ASK} Then write it, such as "NAD83(2011)".')
            return None
        try:
            return parse_reference(found, self.at("reference"), ground=self.crs)
        except InputError as error:
            self.gather.take(error)
            return None

    def epoch(self, reference: Reference | None) -> float | None:
        found = self.number("epoch", *_YEARS)
        if found is None and reference is not None and reference.moving and "epoch" not in self.raw:
            self.wrong(
                "epoch", f"missing, and {reference.name} moves", "Write the decimal year, such as epoch = 2025.35."
            )
        return found

    def tables(self, key: str) -> list[tuple[str, object]]:
        """Return the tables of an array with their key paths, counted from 1."""
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list):
            self.wrong(key, "one table where a list of them belongs", f"Write [[{self.at(key)}]], in double brackets.")
            return []
        return [(f"{self.at(key)}[{number}]", item) for number, item in enumerate(value, 1)]

    def close(self) -> None:
        """Note the keys that nobody asked for."""
        for key in self.raw:
            if key not in self.asked:
                near = _nearest(key, self.asked)
                remedy = f'Did you mean "{near}"?' if near else f"Known here: {', '.join(sorted(self.asked))}."
                self.wrong(key, "there is no such key", remedy)


# ---- the tables -----------------------------------------------------------------------------------------------------


def _readings(keys: _Keys) -> ReadingsEntry | None:
    file = keys.file("file", required='Write the file, file = "readings/may.csv".')
    ending = PurePosixPath(file).suffix.lower() if file else ""
    form = keys.choice("format", FORMATS, _ENDINGS.get(ending, "vector"))
    reference = keys.reference()
    epoch: float | str | None
    if keys.raw.get("epoch") == "observed":
        keys.asked.append("epoch")
        epoch = "observed"
    else:
        epoch = keys.epoch(reference)
    corrections = keys.text(
        "corrections",
        required='Write the correction service or base it was made with, such as "state network, NAD83(2011)".',
    )
    columns = keys.columns()
    order = keys.text("order")
    occupations = keys.file("occupations")
    label = keys.text("label")
    visit = keys.text("visit") or (PurePosixPath(file).stem if file else "")
    receiver, section = keys.text("receiver"), keys.text("section")
    antenna = keys.length("antenna_height", low=0.0, unit=METRE)
    fix = keys.choice("fix", _FIXES, None)
    sigma = keys.length("sigma", low=0.0)
    delimiter, encoding = keys.delimiter(), keys.encoding()
    if form == "nmea" and occupations is None and label is None and not {"occupations", "label"} & set(keys.raw):
        keys.wrong(
            "occupations", "missing", "Name the list of occupations (label, from, to), or one label for the file."
        )
    if occupations is not None and label is not None:
        keys.wrong("label", "given beside a list of occupations", "Keep one of the two.")
    if occupations is not None and form != "nmea":
        keys.wrong("occupations", f"of no use with format {form}", "Take it out; only a receiver log needs it.")
    if columns and form == "nmea":
        keys.wrong("columns", "of no use with a receiver log", "Take it out.")
    if order is not None:
        order = order.upper()
        letters = order.replace("-", "")
        if form != "csv":
            keys.wrong("order", f"of no use with format {form}", "Take it out; it is for a CSV without a header.")
        elif columns:
            keys.wrong("order", "given beside columns", "Order is for a file without a header, columns for one with.")
        elif set(letters) - set("PNEZD") or len(set(letters)) != len(letters) or not set("PNE") <= set(letters):
            keys.wrong("order", f"{_shown(order)} is not understood", 'P, N, E, Z, D once each, "-" skips: "PNEZD".')
    keys.close()
    if file is None or form is None or reference is None or corrections is None:
        return None
    return ReadingsEntry(
        keys.path, file, form, visit, receiver, corrections, reference, epoch, occupations, label, section, antenna,
        columns, order, delimiter, encoding, fix, sigma,
    )  # fmt: skip


def _taped(keys: _Keys) -> TapedEntry | None:
    file = keys.file("file", required='Write the file, file = "readings/taped.csv".')
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    return None if file is None else TapedEntry(keys.path, file, delimiter, encoding)


def _register(keys: _Keys) -> RegisterEntry | None:
    file = keys.file("file", required='Write the file, file = "register/ledger.csv".')
    columns, delimiter, encoding = keys.columns(), keys.delimiter(), keys.encoding()
    sheet, kind, section = keys.text("sheet"), keys.text("kind"), keys.text("section")
    keys.close()
    if file is None:
        return None
    return RegisterEntry(keys.path, file, columns, delimiter, encoding, sheet, kind, section)


def _crosswalk(keys: _Keys) -> CrosswalkEntry | None:
    file = keys.file("file", required='Write the file, file = "register/old_numbers.csv".')
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    return None if file is None else CrosswalkEntry(keys.path, file, delimiter, encoding)


def _control(keys: _Keys) -> ControlPoint | None:
    name = keys.name("name", 'Write its name, name = "MH 1".')
    label = keys.text("label") or name
    reference = keys.reference()
    epoch = keys.epoch(reference)
    source = keys.text("source", required="Write who published it and where.")
    x = y = None
    if reference is not None and reference.projected:
        remedy = "Write easting x and northing y in the reference's own unit."
        x = keys.number("x", -1e8, 1e8, required=remedy)
        y = keys.number("y", -1e8, 1e8, required=remedy)
    elif reference is not None:
        y = _angle(keys, "lat", 90.0)
        x = _angle(keys, "lon", 180.0)
    else:
        keys.asked += ["x", "y", "lat", "lon"]
    keys.close()
    if name is None or label is None or reference is None or source is None or x is None or y is None:
        return None
    return ControlPoint(keys.path, name, label, reference, x, y, epoch, source)


def _angle(keys: _Keys, key: str, most: float) -> float | None:
    value = keys.get(key, required=f'Write {key} in decimal degrees or as "40 53 12.3 N".')
    if value is None:
        return None
    try:
        found = float(parse_angle(value, keys.at(key)))
    except InputError as error:
        keys.gather.take(error)
        return None
    if not abs(found) <= most:
        keys.wrong(key, f"{_shown(value)} is beyond {most:g} degrees", "Mend it.")
        return None
    return found


def _date(keys: _Keys, key: str) -> str | None:
    value = keys.get(key, required=f'Write {key} = "1889-05-01" or "1889".')
    if value is None:
        return None
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    match = re.fullmatch(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", text.strip()) if isinstance(text, str) else None
    if match:
        year, month, day = (int(part) if part else 1 for part in match.groups())
        try:
            datetime.date(year, month, day)
        except ValueError:
            match = None
    if match is None:
        keys.wrong(key, f"{_shown(value)} is not a date", 'Write "1889-05-01", "1889-05" or "1889".')
        return None
    return str(text).strip()


def _plat(keys: _Keys) -> PlatEntry | None:
    name = keys.name("name", 'Write its name, name = "1889".')
    if name is not None and ":" in name:
        keys.wrong("name", f"{_shown(name)} holds a colon", "Leave it out: it parts plat and corner in ids.")
    date = _date(keys, "date")
    model = keys.choice("model", MODELS, "conformal")
    source = keys.text("source")
    local = keys.flag("local", default=True)
    keys.close()
    if name is None or date is None or model is None:
        return None
    return PlatEntry(keys.path, name, date, model, source, local)


def _features(keys: _Keys) -> FeaturesEntry | None:
    layer = keys.choice("layer", FEATURE_LAYERS, None, required=f"One of: {', '.join(FEATURE_LAYERS)}.")
    file = keys.file("file", required='Write the file, file = "survey/vaults.geojson".')
    reference = keys.reference()
    epoch = keys.epoch(reference)
    sigma = keys.length("sigma", low=0.0)
    columns = keys.columns()
    radius = keys.size("radius")
    keys.close()
    if layer is None or file is None or reference is None:
        return None
    return FeaturesEntry(keys.path, layer, file, reference, epoch, sigma, columns, radius)


def _probes(keys: _Keys) -> ProbesEntry | None:
    file = keys.file("file", required='Write the file, file = "survey/probes.csv".')
    layer = keys.choice("layer", ("vaults", "monuments"), "vaults")
    container = keys.text("container")
    keys.asked.append("reference")
    reference = keys.reference() if "reference" in keys.raw else None
    epoch = keys.epoch(reference)
    sigma = keys.size("sigma")
    columns, delimiter, encoding = keys.columns(), keys.delimiter(), keys.encoding()
    keys.close()
    if file is None or layer is None:
        return None
    return ProbesEntry(keys.path, file, layer, container, reference, epoch, sigma, columns, delimiter, encoding)


def _scan(keys: _Keys) -> ScanEntry | None:
    file = keys.file("file", required='Write the file, file = "plat/plat_1889.png".')
    points = keys.file("points")
    plat = keys.text("plat")
    model = keys.choice("model", SCAN_MODELS, "affine")
    keys.asked.append("reference")
    reference = keys.reference() if "reference" in keys.raw else None
    epoch = keys.epoch(reference)
    delimiter, encoding = keys.delimiter(), keys.encoding()
    keys.close()
    if file is None or model is None:
        return None
    return ScanEntry(keys.path, file, points, plat, model, reference, epoch, delimiter, encoding)


def _container(keys: _Keys) -> Container | None:
    name = keys.name("name", 'Write its name, name = "concrete vault".')
    kind = keys.choice("kind", CONTAINER_KINDS, "vault")
    sizes = [
        keys.size(side, required=f'Write its outside {side}, {side} = "34 in".')
        for side in ("length", "width", "height")
    ]
    keys.close()
    length, width, height = sizes
    if name is None or kind is None or length is None or width is None or height is None:
        return None
    if width > length and kind != "urn":
        keys.wrong("width", "wider than long", "Swap length and width.")
    return Container(keys.path, name, kind, length, width, height)


def _equipment(raw: object, gather: Gather, unit: Unit) -> Equipment:
    keys = _Keys({} if raw is None else raw, "equipment", gather, unit)
    found = Equipment(
        "equipment", keys.size("straps"), keys.text("machine"), keys.size("machine_width"), keys.size("boom_clear"),
        keys.size("tape"), keys.choice("tape_reads", ("inches", "tenths", "metres"), None)
        or ("inches" if unit.is_foot else "metres"),
        keys.text("shoring"), keys.text("pump"), keys.text("boards"),
    )  # fmt: skip
    keys.close()
    return found


def _heads(keys: _Keys) -> Heads:
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
        inner = _Keys(value, keys.at("heads"), keys.gather, keys.unit)
        axis = inner.choice("axis", ("rows", "lots"), None, required='Write axis = "rows" or "lots".')
        facing = inner.compass("facing", required='Write the end the heads are at, facing = "west".')
        inner.close()
        return default if axis is None or facing is None else Heads("axis", facing, axis, given=True)
    keys.wrong("heads", f"{_shown(value)} is not understood",
               'Write "west", { axis = "rows", facing = "west" } or "as last laid".')  # fmt: skip
    return default


def _exception(keys: _Keys) -> HeadsException | None:
    space = keys.text("space", required='Write the space, space = "A-12-3".')
    heads = keys.compass("heads", required='Write the side, heads = "east".')
    reason = keys.text("reason", required="Write why; it is not published.")
    keys.close()
    if space is None or heads is None or reason is None:
        return None
    return HeadsException(keys.path, space, heads, reason)


def _niches(keys: _Keys) -> NicheBlock | None:
    building = keys.name("building", 'Write the building or wall, building = "N".')
    face = keys.text("face") or ""
    rows = keys.count("rows", required="Write how many rows of niches it has.")
    columns = keys.count("columns", required="Write how many columns of niches it has.")
    keys.close()
    if rows is not None and columns is not None and rows * columns > _MOST_PLACES:
        keys.wrong("rows", f"{rows} by {columns} niches are too many", "Mend the numbers.")
        return None
    if building is None or rows is None or columns is None:
        return None
    return NicheBlock(keys.path, building, face, rows, columns)


def _per(
    keys: _Keys, key: str, reader: Callable[[object, str], T | None], count: int | None, of_what: str, required: str
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


def _texts(keys: _Keys, key: str) -> tuple[str, ...]:
    """Names out of a list of numbers or texts."""
    found = []
    for number, item in enumerate(keys.listed(key) or [], 1):
        text = _lot_name(keys, item, f"{keys.at(key)}[{number}]")
        if text is not None:
            found.append(text)
    return tuple(found)


def _lot_name(keys: _Keys, item: object, where: str) -> str | None:
    if isinstance(item, int) and not isinstance(item, bool) and abs(item) < 10**9:
        return str(item)
    text = keys.as_text(item, where)
    if text is not None and len(text) > 40:
        keys.gather.add(where, f"{_shown(text)} is too long for a number", "Shorten it.")
        return None
    return text


def _rows(keys: _Keys) -> Rows | None:
    at: list[float | None] = []
    corner = keys.get("at", required='Write plat x and y of the outer corner of its first lot, at = ["0 ft", "0 ft"].')
    if corner is not None:
        if isinstance(corner, list) and len(corner) == 2:
            at = [keys.as_length(item, f"{keys.at('at')}[{number}]") for number, item in enumerate(corner, 1)]
        else:
            keys.wrong("at", f"{_shown(corner)} is not a pair of lengths", 'Write at = ["120 ft", "48 ft"].')
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
        inner = _Keys(raw, path, keys.gather, keys.unit)
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
            keys.gather.add(where, f"{_shown(item)} is not a row and a place", "Write [[2, 5]].")
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
        inner = _Keys(value, keys.at(f"sizes.{key}"), keys.gather, keys.unit)
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


def _section(keys: _Keys, plats: tuple[str, ...]) -> Section | None:
    name = keys.name("name", 'Write its name, name = "A".')
    plat = keys.text("plat")
    if plat is None and len(plats) == 1:
        plat = plats[0]
    elif plat is not None and plat not in plats:
        near = _nearest(plat, plats)
        keys.wrong("plat", f"there is no plat {_shown(plat)}",
                   f'Did you mean "{near}"?' if near else "Declare it with [[plat]].")  # fmt: skip
        plat = None
    elif plat is None and ("rows" in keys.raw or "lots" in keys.raw) and "plat" not in keys.raw:
        keys.wrong("plat", "missing", "Name the plat its lots are drawn on, and declare it with [[plat]].")
    title = keys.text("title")
    heads = _heads(keys)
    protected = keys.text("protected")
    parcel = keys.text("parcel")
    markers = keys.text("markers", blank=True)
    if markers is None:
        markers = "southwest"
    elif markers:
        markers = keys.as_choice(markers, CORNERS, keys.at("markers")) or "southwest"
    inset = keys.length("marker_inset", low=0.0) or 0.0
    outline = keys.file("outline")
    lots = keys.file("lots")
    exceptions = [_exception(_Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("exceptions")]
    rows = [_rows(_Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("rows")]
    niches = [_niches(_Keys(raw, path, keys.gather, keys.unit)) for path, raw in keys.tables("niches")]
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
        tuple(item for item in niches if item is not None),
    )  # fmt: skip


def _twice(gather: Gather, items: Iterable[tuple[str, str]], what: str, remedy: str) -> None:
    """Note every name that an earlier table of its kind has; letter case does not tell names apart."""
    seen: dict[str, str] = {}
    for where, name in items:
        first = seen.setdefault(name.casefold(), where)
        if first != where:
            gather.add(where, f"{what} {_shown(name)} is there already, {first}", remedy)


def _all(keys: _Keys, key: str, reader: Callable[[_Keys], T | None]) -> tuple[T, ...]:
    found = [reader(_Keys(raw, path, keys.gather, keys.unit, keys.crs)) for path, raw in keys.tables(key)]
    return tuple(item for item in found if item is not None)


def _flat_rules(raw: Mapping[str, Any], before: str = "") -> dict[str, object]:
    """Rules by dotted name, whether the name was written in quotes or as a path of keys."""
    found: dict[str, object] = {}
    for key, value in raw.items():
        name = before + key
        if isinstance(value, Mapping) and value and not {"value", "source"} & set(value):
            found |= _flat_rules(value, name + ".")
        else:
            found[name] = value
    return found


def _load(text: str, where: str) -> dict[str, Any]:
    if len(text) > _MOST_CHARACTERS:
        raise InputError.of(
            where,
            f"{len(text):,} characters long, more than {_MOST_CHARACTERS:,}",
            "Keep lots and readings in files of their own and name them here.",
        )
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        match = re.search(r"^(.*?)\s*\(at (?:line (\d+), column (\d+)|end of document)\)$", said, re.DOTALL)
        what = match[1] if match else said
        if match and match[2]:
            place = f"{where}, line {match[2]}, column {match[3]}"
            shown = text.splitlines()[int(match[2]) - 1 : int(match[2])]
            what += f": {_shown(shown[0].strip(), 80)}" if shown and shown[0].strip() else ""
        else:
            place = f"{where}, last line"
        raise InputError.of(place, f"not TOML: {what[:200]}", "Mend that line: key = value, text in quotes.") from None
    except (RecursionError, ValueError) as error:
        raise InputError.of(where, f"not TOML: {str(error)[:100]}", "Mend the brackets or the number.") from None


def parse_ground(text: str, folder: Path, where: str = "ground.toml") -> Ground:
    """Read what ``ground.toml`` says, all problems at once.

    Parameters
    ----------
    text : str
        The file's content.
    folder : Path
        The ground's folder; nothing in it is read.
    where : str
        The file's name, for messages.

    Returns
    -------
    Ground

    Raises
    ------
    InputError
        With every problem: the key's path (tables counted from 1), what was found, what to write.

    Examples
    --------
    >>> ground = parse_ground('''
    ... schema_version = 1
    ... name = "Tansy Hill"
    ... crs = "EPSG:6549"
    ... [[plat]]
    ... name = "1889"
    ... date = "1889"
    ... [[section]]
    ... name = "A"
    ... [[section.rows]]
    ... at = ["0 ft", "0 ft"]
    ... run = "north"
    ... step = "west"
    ... lots = 20
    ... frontage = "16 ft"
    ... depth = "12 ft"
    ... ''', Path("."))
    >>> ground.unit.name, ground.sections[0].rows[0].depth, ground.sections[0].heads.words
    ('US survey foot', (12.0,), 'heads west (common practice)')
    """
    raw = _load(text, where)
    gather = Gather()
    version = raw.get("schema_version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        said = "missing" if version is None else f"{_shown(version)} is no version"
        gather.add("schema_version", said, f"Write schema_version = {SCHEMA_VERSION}.")
    elif version > SCHEMA_VERSION:
        key = f"{where}: schema_version"
        raise InputError.of(
            key,
            f"{_shown(version)} is newer than this package knows ({SCHEMA_VERSION})",
            "Use a newer version of the package.",
        )
    head = _Keys(raw, "", gather, FOOT)
    head.get("schema_version")
    crs: GroundCRS | None = None
    realization = head.get("realization")
    if isinstance(realization, int) and not isinstance(realization, bool):
        realization = str(realization)
    elif realization is not None:
        realization = head.as_text(realization, "realization")
    code = head.text("crs", required='Write the projected CRS with its realization, such as crs = "EPSG:6549".')
    if code is not None:
        try:
            crs = ground_crs(code, realization, "crs")
        except InputError as error:
            gather.take(error)
    # Without a CRS the lengths are still checked, against some unit, so that one pass finds everything.
    unit = crs.unit if crs is not None else FOOT
    head.unit, head.crs = unit, crs
    name = head.text("name", required="Write the ground's name.")
    place = head.text("place")
    label = head.text("marker_label") or "{section}-{lot}"
    _check_label(head, label)
    rules: Rules | None = None
    try:
        rules = Rules(unit, _flat_rules(head.mapping("rules")))
    except InputError as error:
        gather.take(error)
    plats = _all(head, "plat", _plat)
    plat_tables = raw.get("plat")
    names = tuple(
        str(item["name"]).strip()
        for item in (plat_tables if isinstance(plat_tables, list) else [])
        if isinstance(item, Mapping) and isinstance(item.get("name"), str)
    )
    readings = _all(head, "readings", _readings)
    taped = _all(head, "taped", _taped)
    control = _all(head, "control", _control)
    sections = _all(head, "section", lambda keys: _section(keys, names))
    features = _all(head, "features", _features)
    register = _all(head, "register", _register)
    crosswalk = _all(head, "crosswalk", _crosswalk)
    containers = _all(head, "container", _container)
    probes = _all(head, "probes", _probes)
    scans = _all(head, "scan", _scan)
    equipment = _equipment(head.get("equipment"), gather, unit)
    call = head.text("call")
    head.close()
    if "section" not in raw:
        head.wrong("section", "missing", "Write at least one [[section]].")
    _twice(gather, ((item.where, item.name) for item in plats), "a plat", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in sections), "a section", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in control), "a control point", "Give it its own name.")
    _twice(gather, ((item.where, item.name) for item in containers), "a container", "Give it its own name.")
    _twice(gather, ((item.where, item.file) for item in readings), "file", "Name each file once: it would count twice.")
    _twice(gather, ((item.where, item.file) for item in taped), "file", "Name each file once: it would count twice.")
    listed = ((item.where, f"{item.file} {item.sheet or ''}".strip()) for item in register)
    _twice(gather, listed, "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in crosswalk), "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in probes), "file", "Name each file once.")
    _twice(gather, ((item.where, item.file) for item in scans), "file", "Name each file once.")
    for scan in scans:
        if scan.plat is not None and scan.plat not in names:
            near = _nearest(scan.plat, names)
            remedy = f'Did you mean "{near}"?' if near else "Declare it with [[plat]]."
            gather.add(f"{scan.where}.plat", f"there is no plat {_shown(scan.plat)}", remedy)
    sizes = {item.name.casefold() for item in containers}
    for probe in probes:
        if probe.container is not None and probe.container.casefold() not in sizes:
            remedy = "Declare it with [[container]] and its outside size."
            gather.add(f"{probe.where}.container", f"there is no container {_shown(probe.container)}", remedy)
    _twice(gather, ((item.where, f"{item.file} ({item.layer})") for item in features), "file", "Name each file once.")
    known = {item.name for item in sections}
    for entry in readings:
        if entry.section is not None and entry.section not in known:
            near = _nearest(entry.section, known)
            remedy = f'Did you mean "{near}"?' if near else "Declare it with [[section]]."
            gather.add(f"{entry.where}.section", f"there is no section {_shown(entry.section)}", remedy)
    if gather:
        prefixed = Gather()
        for problem in gather:
            prefixed.add(f"{where}: {problem.where}", problem.what, problem.remedy)
        prefixed.raise_if_any()
    if crs is None or name is None or rules is None:  # each of them is a problem noted above
        raise InputError.of(where, "cannot be used", "Give crs and name.")
    return Ground(
        folder, name, place, crs, unit, rules, label, readings, taped, control, plats, sections, features, register,
        containers, equipment, call, crosswalk, probes, scans,
    )  # fmt: skip


def _check_label(keys: _Keys, label: str) -> None:
    try:
        parts = [part for _, part, _, _ in Formatter().parse(label) if part is not None]
        plain = all(not form and not change for _, part, form, change in Formatter().parse(label) if part is not None)
    except ValueError:
        parts, plain = [], False
    if not plain or "lot" not in parts or set(parts) - {"section", "row", "lot"}:
        keys.wrong(
            "marker_label",
            f"{_shown(label)} is not understood",
            'Build it of {section}, {row} and {lot}: "{section}-{lot}".',
        )
