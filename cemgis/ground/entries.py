"""What a ground is described by: one frozen object for each kind of table in ``ground.toml``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from cemgis.errors import InputError
from cemgis.ground.words import show
from cemgis.reference import GroundCRS, Reference
from cemgis.rules import Rules
from cemgis.units import Unit

__all__ = [
    "CONTAINER_KINDS",
    "CORNERS",
    "FEATURE_LAYERS",
    "FORMATS",
    "HEADS_DEFAULT",
    "MARKERS_AT",
    "MODELS",
    "NUMBERINGS",
    "ROW_KINDS",
    "SCAN_MODELS",
    "SCHEMA_VERSION",
    "SHOWN",
    "SIDES",
    "Break",
    "Chosen",
    "Container",
    "ControlPoint",
    "CrosswalkEntry",
    "Equipment",
    "FeaturesEntry",
    "FoundationRule",
    "Ground",
    "Heads",
    "HeadsException",
    "LotSeen",
    "NicheBlock",
    "PlatEntry",
    "ProbesEntry",
    "Publication",
    "ReadingsEntry",
    "RegisterEntry",
    "Rows",
    "ScanEntry",
    "Section",
    "Size",
    "TapedEntry",
    "TerrainEntry",
    "Withheld",
]

SCHEMA_VERSION = 1
"""Version of ``ground.toml`` this package reads; a newer one is refused."""

SIDES = ("north", "south", "east", "west")
CORNERS = ("southwest", "southeast", "northwest", "northeast")
MODELS = ("shift", "rigid", "conformal", "affine")
SCAN_MODELS = ("similarity", "affine", "second order", "thin plate")
FORMATS = ("nmea", "csv", "gpx", "vector")
NUMBERINGS = ("run on", "restart", "back and forth")
ROW_KINDS = ("full", "cremation", "infant")
MARKERS_AT = ("row ends", "spaces")
CONTAINER_KINDS = ("vault", "liner", "none", "urn")
FEATURE_LAYERS = ("vaults", "monuments", "probable_graves", "obstacles", "drives", "gates")
SHOWN = ("all", "generalise", "omit")
"""What the public may see of a section: all of it, that someone lies in it but not where, nothing."""
HEADS_DEFAULT = "west"
"""Side the heads lie on where nothing is said: common practice, no source."""


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
class TerrainEntry:
    """Heights of the ground.

    Parameters
    ----------
    where, file : str
    heights : str
        Unit of the heights.
    """

    where: str
    file: str
    heights: str


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
    """A plat: its name, date, model, whether it may bend, and whether it may be placed with nothing to check it.

    Parameters
    ----------
    design : bool
        Its markers are still to be set: what stands for their readings are coordinates of a layout, no measurements.
    """

    where: str
    name: str
    date: str
    model: str = "conformal"
    source: str | None = None
    local: bool = True
    allow_unchecked: bool = False
    design: bool = False


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
    """One face of a building or wall with niches; no place on the ground. What a niche holds, as far as it is known."""

    where: str
    building: str
    face: str
    rows: int
    columns: int
    width: float | None = None
    height: float | None = None
    depth: float | None = None


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
class FoundationRule:
    """The largest foundation a section allows on one space, and where it goes. Lengths in the ground's unit.

    Parameters
    ----------
    where : str
    width, depth : float
        Across the space, and along it.
    companion_width : float or None
        Across two spaces under one stone.
    setback : float
        From the head line to its head side.
    deep : float or None
        How deep it is poured.
    source : str
    """

    where: str
    width: float
    depth: float
    companion_width: float | None
    setback: float
    deep: float | None
    source: str


@dataclass(frozen=True, slots=True)
class LotSeen:
    """One lot of a section that somebody looked at on the ground, against what the plat is said to be.

    Parameters
    ----------
    where, lot : str
        ``lot`` may be a single grave.
    corner : str or None
        Corner of the lot where its marker stands, one of `CORNERS`.
    space_1 : str or None
        Side on which its space 1 lies, one of `SIDES`; a stone with a name tells.
    by, date : str
    """

    where: str
    lot: str
    corner: str | None
    space_1: str | None
    by: str
    date: str


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
    public : str
        One of `SHOWN`; a protected section is omitted unless it says otherwise.
    public_reason : str or None
        Whose wish that is, and why; not published.
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
    foundation : FoundationRule or None
    seen : LotSeen or None
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
    public: str = "all"
    public_reason: str | None = None
    foundation: FoundationRule | None = None
    seen: LotSeen | None = None


@dataclass(frozen=True, slots=True)
class FeaturesEntry:
    """A file of vaults, monuments, probable graves, obstacles, drives or gates."""

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
class Withheld:
    """A wish that somebody is not named in public: a row of the register, a name, a place, or a name at a place.

    Parameters
    ----------
    where : str
    person : str or None
        Id of a row of the register, as `cemgis find` prints it; with a name where the id is a line of a list.
    name : str or None
        Given name and surname, however written; everyone of that name at the place, or anywhere without one.
    place : str or None
        A space or a lot; without a name everyone there.
    reason : str
        Who asked and when; not published.
    until : str or None
        The last day it holds, ISO; for good without one.
    """

    where: str
    person: str | None
    name: str | None
    place: str | None
    reason: str
    until: str | None = None

    @property
    def by_line_alone(self) -> bool:
        """Whether nothing but the line of a list says who: a row put in before it would publish one and hide another.

        Examples
        --------
        >>> Withheld("", "register/ledger.csv:12", None, None, "asked").by_line_alone
        True
        >>> Withheld("", "register/ledger.csv:no. 12", None, None, "asked").by_line_alone
        False
        """
        return self.person is not None and self.name is None and re.search(r":[0-9]+$", self.person) is not None


@dataclass(frozen=True, slots=True)
class Chosen:
    """Somebody the leaflet points out: a name, a place where several bear it, and a line the board publishes."""

    where: str
    name: str
    place: str | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Publication:
    """What public products say of themselves.

    Parameters
    ----------
    where : str
    licence : str or None
        Terms the data may be used under; nothing is published without.
    contact : str or None
        Where corrections go.
    chosen : tuple of Chosen
        Whom the leaflet points out; without any it lists the veterans.
    withheld : str or None
        A list of wishes not to be named, beside those of ``[[withhold]]``.
    """

    where: str = "public"
    licence: str | None = None
    contact: str | None = None
    chosen: tuple[Chosen, ...] = ()
    withheld: str | None = None


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
    public : Publication
    withhold : tuple of Withheld
    terrain : TerrainEntry or None
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
    public: Publication = field(default_factory=Publication)
    withhold: tuple[Withheld, ...] = ()
    terrain: TerrainEntry | None = None

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
            "container", f"there is no container {show(name)}", f"[[container]] in ground.toml: {there}."
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
        named += [self.terrain.file] if self.terrain is not None else []
        named += [self.public.withheld]
        named += [name for section in self.sections for name in (section.outline, section.lots)]
        return tuple(sorted({name for name in named if name}))
