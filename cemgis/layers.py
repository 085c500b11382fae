"""Every layer of a ground, declared once: names, types, units, choices, meaning, looks, and what may be published."""

from __future__ import annotations

from collections.abc import Mapping

from cemgis.schema import Column, Layer, Symbol

__all__ = [
    "ABANDONED",
    "CONDITIONS",
    "CORNER_STATES",
    "EVENT_KINDS",
    "FIXES",
    "FORMAT_VERSION",
    "LAYERS",
    "MARKER_KINDS",
    "MARKER_STATES",
    "MONUMENT_KINDS",
    "OPENING_STATES",
    "RIGHT_KINDS",
    "SEVERITIES",
    "SPACE_KINDS",
    "SPACE_STATES",
    "layer",
]

FORMAT_VERSION = 1
"""Version of what these declarations say together; a file of a newer one is refused."""

FIXES = ("fixed", "float", "differential", "autonomous", "estimated", "simulated", "manual", "none", "unknown")
MARKER_KINDS = ("disc", "clay", "stone", "pin", "other")
CONDITIONS = ("whole", "broken", "tilted", "loose", "unknown")
MARKER_STATES = ("used in the fit", "set aside", "not on the plat", "plat without fit", "no position")
CORNER_STATES = ("found", "doubtful", "unfound", "fitted", "disturbed")
MONUMENT_KINDS = ("headstone", "footstone", "shared stone", "flush stone", "foundation", "other")
SPACE_KINDS = ("full", "cremation", "infant", "niche")
SPACE_STATES = ("vacant", "right held", "occupied", "probably occupied", "disturbed, empty", "lost", "in doubt")
OPENING_STATES = ("ordered", "waiting", "opened", "closed", "settled", "abandoned")
ABANDONED = ("remains found", "water", "rock", "other")
EVENT_KINDS = ("interment", "disinterment", "urn placed", "urn removed", "move", "scattering")
RIGHT_KINDS = ("right", "sale", "inheritance", "assignment", "buy-back", "reclamation", "reserved")
SEVERITIES = ("danger", "warning", "note")

_RADIUS_DOC = "radius of the circle that holds the true place with 95 % probability"


def _key(name: str, doc: str, *, published: bool = False) -> Column:
    return Column(name, "text", doc, required=True, published=published)


def _text(name: str, doc: str, choices: tuple[str, ...] = (), *, required: bool = False, out: bool = False) -> Column:
    return Column(name, "text", doc, choices=choices, required=required, published=out)


def _length(name: str, doc: str, *, low: float | None = None, out: bool = False) -> Column:
    return Column(name, "real", doc, unit="length", low=low, published=out)


def _real(name: str, doc: str, unit: str = "", *, low: float | None = None, high: float | None = None) -> Column:
    return Column(name, "real", doc, unit=unit, low=low, high=high)


def _count(name: str, doc: str) -> Column:
    return Column(name, "integer", doc, low=0)


def _flag(name: str, doc: str) -> Column:
    return Column(name, "flag", doc)


def _covariance() -> tuple[Column, ...]:
    return (
        Column("cov_ee", "real", "variance of the easting", unit="length2", low=0),
        Column("cov_en", "real", "covariance of easting and northing", unit="length2"),
        Column("cov_nn", "real", "variance of the northing", unit="length2", low=0),
        _length("radius_95", _RADIUS_DOC, low=0),
    )


_PLACE = (
    _text("section", "section it belongs to"),
    _text("lot_id", "lot it belongs to"),
    _text("space_id", "space it belongs to"),
)

_READINGS = Layer(
    "readings", "Point", "reading_id", "Every observation by a receiver, used or not, as it came from the field.",
    (
        _key("reading_id", "file and line"),
        _text("file", "file it came from, under the ground's folder", required=True),
        Column("line", "integer", "line, row or feature number in that file", required=True, low=0),
        _text("visit", "one day's work with one set-up"),
        _text("receiver", "the receiver used"),
        _text("label", "label as it was read off the marker"),
        Column("time", "time", "time of the observation, UTC"),
        _text("fix", "kind of solution", FIXES),
        _real("hdop", "horizontal dilution of precision", low=0),
        _count("satellites", "satellites in the solution"),
        _length("sigma", "standard deviation of each horizontal coordinate", low=0),
        _text("sigma_from", "where that came from: the receiver, a column of the file, or a rule"),
        _real("height", "ellipsoidal height of the mark", "metres"),
        _real("antenna_height", "antenna above the mark", "metres", low=0),
        _text("reference", "reference system the file's coordinates are in, as declared"),
        _real("epoch", "epoch of the coordinates as they came, decimal year"),
        _text("occupation_id", "the occupation it counts in"),
        _flag("used", "whether it counts"),
        _text("why_not", "why it does not count"),
    ),
    placeless=True,
)  # fmt: skip

_OCCUPATIONS = Layer(
    "occupations", "Point", "occupation_id", "All readings of one marker in one go, as one position.",
    (
        _key("occupation_id", "label, file and number of the go"),
        _text("label", "label as it was read off the marker", required=True),
        _text("file", "file it came from", required=True),
        _text("visit", "one day's work with one set-up"),
        _text("receiver", "the receiver used"),
        Column("start", "time", "first reading, UTC"),
        Column("end", "time", "last reading, UTC"),
        _text("fix", "worst kind of solution that counts", FIXES),
        _count("n_readings", "readings taken"),
        _count("n_used", "readings that count"),
        _text("kind", "what the marker is made as", MARKER_KINDS),
        _text("condition", "how it was found", CONDITIONS),
        _length("depth", "depth of the marker under the sod", low=0),
        _text("base", "correction service or base station"),
        _text("canopy", "cover of trees overhead"),
        _text("note", "what the field crew wrote"),
        *_covariance(),
        _flag("used", "whether it counts for its marker"),
        _text("why_not", "why it does not count"),
    ),
    placeless=True,
)  # fmt: skip

_MARKERS = Layer(
    "markers", "Point", "marker_id", "Found markers: one position each, how sure, and what the fit says of them.",
    (
        _key("marker_id", "label, numbered if it was read at two places"),
        _text("label", "label as it was read off the marker", required=True),
        _text("section", "section of the lot it names"),
        _text("lot_id", "lot it names"),
        _text("corner_id", "corner it was set at, by the plat"),
        _text("state", "what became of it", MARKER_STATES, required=True),
        _flag("holds", "whether its lot's corner stands on it: also on one set aside from the fit, until a person "
              "says it was disturbed"),
        _flag("trusted", "two occupations hours apart, or one and a taped check"),
        _text("trusted_why", "why it is trusted, or what is missing"),
        _text("kind", "what it is made as", MARKER_KINDS),
        _text("condition", "how it was found", CONDITIONS),
        _length("depth", "depth under the sod", low=0),
        _count("n_occupations", "occupations that count"),
        Column("first_seen", "time", "first occupation, UTC"),
        Column("last_seen", "time", "last occupation, UTC"),
        *_covariance(),
        _length("miss_e", "found minus fitted, east"),
        _length("miss_n", "found minus fitted, north"),
        _length("miss", "distance between found and fitted", low=0),
        _real("redundancy", "share of the marker that is checked by others, 0 to 1", low=0, high=1.000001),
        _real("w", "largest normalised miss, if it were good: w statistic", low=0),
        _real("tau", "the same with the fit's own standard deviation: tau statistic", low=0),
        _text("explanation", "the likeliest cause of a miss"),
    ),
    symbol_by="state",
    symbols={
        "used in the fit": Symbol("found marker", fill="#1b4965", line="#1b4965", mark="square", size_pt=4.0),
        "set aside": Symbol("found marker, doubtful", fill="#ffffff", line="#b3261e", mark="diamond", size_pt=6.5),
        "not on the plat": Symbol("marker with no lot", fill="#ffffff", line="#b3261e", mark="cross", size_pt=6.0),
        "plat without fit": Symbol("marker of a plat not placed", fill="#ffffff", line="#1b4965", mark="square",
                                   size_pt=4.0),
        "no position": Symbol("marker without position", line="#777777", mark="ring"),
    },
    placeless=True,
)  # fmt: skip

_CORNERS = Layer(
    "corners", "Point", "corner_id", "Points of the plat where lots meet: one corner, one position.",
    (
        _key("corner_id", "plat and plat coordinates"),
        _text("plat", "plat it is drawn on", required=True),
        _text("section", "section it lies in; the first by name where sections meet"),
        Column("plat_x", "real", "x in the plat's frame", unit="length", required=True),
        Column("plat_y", "real", "y in the plat's frame", unit="length", required=True),
        _text("state", "how its position is known", CORNER_STATES, required=True),
        _text("marker_id", "the marker that holds it, or would"),
        *_covariance(),
        _length("bend", "how far the plat bends here beside its straight fit", low=0),
        _length("sigma_plat", "standard deviation of each coordinate by straight fit and bend", low=0),
        _length("sigma_own", "the same of its own: how it was set if unfound, how it was read if found", low=0),
        _text("by_hand", "what of it was settled by hand, by whom, when and why"),
    ),
    symbol_by="state",
    symbols={
        "found": Symbol("corner, marker found", fill="#1b4965", line="#1b4965", mark="square", size_pt=3.0),
        "doubtful": Symbol("corner, marker in doubt", fill="#ffffff", line="#b3261e", mark="diamond", size_pt=4.5),
        "unfound": Symbol("corner, marker not found yet", line="#1b4965", mark="ring", size_pt=4.0),
        "fitted": Symbol("corner, computed", line="#8a8a8a", mark="cross", size_pt=2.0),
        "disturbed": Symbol("corner, marker disturbed", line="#b3261e", mark="cross", size_pt=4.0),
    },
    evidence_edit=True,
)  # fmt: skip

_SECTIONS = Layer(
    "sections", "MultiPolygon", "section", "Sections: one plat and one rule for the heads each.",
    (
        _key("section", "name", published=True),
        _text("plat", "plat it is drawn on"),
        Column("plat_date", "date", "date of that plat", published=True),
        _text("title", "name people use", out=True),
        _text("heads", "side the heads lie on, by rule", out=True),
        _text("heads_rule", "the rule as written"),
        _count("lots", "lots"),
        _count("spaces", "spaces"),
        _count("vacant", "spaces vacant"),
        _count("markers_found", "corners whose marker was found"),
        _count("markers_unfound", "corners whose marker nobody has found yet"),
        _length("radius_95_median", "middle value of its spaces' 95 % radius", low=0),
        _length("radius_95_worst", "largest of its spaces' 95 % radius", low=0),
        _text("protected", "why nothing is to be dug or probed here without settling it first"),
        _text("parcel", "tax parcel it lies in, as the county numbers it"),
        _text("plat_source", "where that plat is recorded: book and page"),
        _text("by_hand", "what of it was settled by hand, by whom, when and why"),
    ),
    symbols={"": Symbol("section", line="#4a3f35")},
    published=True,
    evidence_edit=True,
    placeless=True,
)  # fmt: skip

_LOTS = Layer(
    "lots", "Polygon", "lot_id", "Lots: faces between corners, so that there are neither gaps nor overlaps.",
    (
        _key("lot_id", "section and number", published=True),
        _text("section", "section it lies in", required=True, out=True),
        _text("row", "row of the section", out=True),
        _text("lot", "number or letter", out=True),
        _count("spaces", "spaces in it"),
        _text("marker_corner", "corner its marker was set at"),
        _text("marker_state", "whether its own marker was found there; its other corners may stand on a neighbour's",
              CORNER_STATES),
        _text("facing", "spaces are counted facing this way", out=True),
        _text("counted_from", "and from this hand", out=True),
        _text("first_space_side", "compass side on which space 1 lies", out=True),
        _length("radius_95_worst", "largest 95 % radius of its corners", low=0),
    ),
    symbols={"": Symbol("lot", line="#4a3f35")},
    published=True,
    evidence_edit=True,
)  # fmt: skip

_SPACES = Layer(
    "spaces", "Polygon", "space_id", "Spaces: each takes one full burial, or what its kind takes.",
    (
        _key("space_id", "section, lot and number", published=True),
        _text("section", "section it lies in", required=True, out=True),
        _text("lot_id", "lot it lies in", out=True),
        _text("space", "number in its lot or row", required=True, out=True),
        _text("kind", "what it is meant for", SPACE_KINDS, required=True, out=True),
        _text("state", "what is known of its use", SPACE_STATES),
        _text("state_why", "the record behind the state"),
        _count("burials", "burials recorded in it"),
        _text("heads", "side the heads lie on, compass word", out=True),
        Column("heads_azimuth", "real", "direction from feet to heads, from true north", unit="degrees", low=0,
               high=360, published=True),
        _text("heads_by", "what decided that: section rule, default, as last laid, exception"),
        _text("heads_reason", "reason of an exception"),
        _text("heads_seen", "end at which stones or vaults show the heads", ("agrees", "disagrees", "not seen")),
        _length("width", "least side", low=0),
        _length("length", "longest side", low=0),
        *_covariance(),
        _text("position_by", "found corners its place rests on, its lot's or a neighbour's, and computed ones"),
    ),
    symbol_by="state",
    symbols={
        "vacant": Symbol("vacant", fill="#ffffff", line="#6b6257"),
        "right held": Symbol("right held, unused", fill="#f3e3b3", line="#6b6257", pattern="dots"),
        "occupied": Symbol("occupied", fill="#a9bccd", line="#44525f"),
        "probably occupied": Symbol("probably occupied", fill="#d7dfe6", line="#44525f", pattern="diagonal"),
        "disturbed, empty": Symbol("disturbed, empty", fill="#efe6ef", line="#6b5570", pattern="level"),
        "lost": Symbol("lost to a tree, drive or wall", fill="#d9d4cc", line="#6b6257", pattern="upright"),
        "in doubt": Symbol("in doubt", fill="#f6d9d5", line="#b3261e", pattern="crossed"),
    },
    published=True,
    evidence_edit=True,
)  # fmt: skip

_NICHES = Layer(
    "niches", None, "space_id", "Niches: building, face, row and column; they have no place on the ground.",
    (
        _key("space_id", "section, building, face, row and column", published=True),
        _text("section", "section it belongs to", required=True, out=True),
        _text("building", "building or wall", required=True, out=True),
        _text("face", "face of the building", out=True),
        Column("row", "integer", "row, counted from the bottom", required=True, low=1, published=True),
        Column("column", "integer", "column, counted from the left", required=True, low=1, published=True),
        _text("state", "what is known of its use", SPACE_STATES),
        _text("state_why", "the record behind the state"),
        _count("burials", "urns recorded in it"),
    ),
    published=True,
)  # fmt: skip

_SURVEYED = (
    _length("sigma", "standard deviation of each coordinate of its outline", low=0),
    Column("seen", "date", "day it was measured"),
    _text("source", "file it came from"),
    _text("note", "what was noted"),
)

_VAULTS = Layer(
    "vaults",
    "Polygon",
    "vault_id",
    "Vaults as they really lie.",
    (
        _key("vault_id", "number or name"),
        *_PLACE,
        _text("container", "what it is"),
        _text("heads", "compass side of its head end, if seen"),
        _length("top_depth", "depth to its top"),
        *_SURVEYED,
        _real("crooked", "turned clockwise against its space", "degrees"),
        _real("crooked_sigma", "standard deviation of that", "degrees", low=0),
        _length("off_across", "its middle right of the space's middle, seen from the feet"),
        _length("off_along", "its middle toward the heads from the space's middle"),
        _length("off_sigma", "standard deviation of both", low=0),
        _length("reach", "how far it reaches into a neighbouring space", low=0),
        _text("reach_into", "that space"),
        _length("fall", "how much deeper its foot end lies under the sod than its head end"),
        _length("fall_sigma", "standard deviation of that", low=0),
        _count("probes", "probe hits it was fitted to"),
        _real(
            "probes_chance", "probability of misses as large as theirs, if they are as good as they say", low=0, high=1
        ),
        *_covariance(),
        _length("cov_et", "covariance of the easting of its middle and its turn in radians"),
        _length("cov_nt", "covariance of the northing of its middle and its turn in radians"),
        _real("cov_tt", "variance of its turn", "radians squared", low=0),
    ),
    symbols={"": Symbol("vault as measured", fill="", line="#2b2b2b")},
    evidence_edit=True,
)

_MONUMENTS = Layer(
    "monuments", "Polygon", "monument_id", "Stones above ground, with their foundations.",
    (
        _key("monument_id", "number or name", published=True),
        *_PLACE,
        _text("kind", "what stands there", MONUMENT_KINDS, out=True),
        _length("height", "height above ground", low=0),
        _text("condition", "standing, leaning, fallen"),
        *_SURVEYED,
    ),
    symbols={"": Symbol("monument", fill="#5b5148", line="#2b2b2b")},
    published=True,
    evidence_edit=True,
)  # fmt: skip

_PROBABLE = Layer(
    "probable_graves", "Polygon", "grave_id", "Unrecorded burials that someone has reason to believe in.",
    (
        _key("grave_id", "number or name"),
        *_PLACE,
        _text("reason", "probe, sunken ground, ledger or memory"),
        _text("confidence", "in words"),
        *_SURVEYED,
    ),
    symbols={"": Symbol("probable grave", fill="#f6e7c8", line="#8a5a00", pattern="diagonal")},
    evidence_edit=True,
)  # fmt: skip

_OBSTACLES = Layer(
    "obstacles", "Polygon", "obstacle_id", "Trees, walls, pipes and whatever else stands in the way.",
    (
        _key("obstacle_id", "number or name", published=True),
        _text("kind", "tree, wall, fence, pipe, building", out=True),
        *_SURVEYED,
    ),
    symbol_by="",
    symbols={"": Symbol("tree, wall or building", fill="#cfd8c3", line="#4d5f3a", pattern="dots")},
    published=True,
    evidence_edit=True,
)  # fmt: skip

_DRIVES = Layer(
    "drives", "Polygon", "drive_id", "Drives and walks.",
    (
        _key("drive_id", "number or name", published=True),
        _text("name", "name people use", out=True),
        _text("surface", "gravel, asphalt, grass", out=True),
        *_SURVEYED,
    ),
    symbols={"": Symbol("drive", fill="#e9e2d6", line="#b9ad9a")},
    published=True,
    evidence_edit=True,
)  # fmt: skip

_GATES = Layer(
    "gates", "Point", "gate_id", "Gates: where one comes in.",
    (
        _key("gate_id", "number or name", published=True),
        _text("name", "name people use", out=True),
        *_SURVEYED,
    ),
    symbols={"": Symbol("gate", fill="#ffffff", line="#4a3f35", mark="diamond", size_pt=7.0)},
    published=True,
    evidence_edit=True,
)  # fmt: skip

_CONTROL = Layer(
    "control", "Point", "control_id", "Points whose coordinates someone else published: used to check, not to fit.",
    (
        _key("control_id", "name"),
        _text("source", "who published it", required=True),
        _text("reading_label", "label it was read under"),
        _text("state", "what became of the check", ("agrees", "misses", "not read"), required=True),
        _length("miss_e", "read minus published, east"),
        _length("miss_n", "read minus published, north"),
        _length("miss", "distance between read and published", low=0),
    ),
    symbols={"": Symbol("control", fill="#ffffff", line="#1b4965", mark="triangle", size_pt=7.0)},
)  # fmt: skip

_PEOPLE = Layer(
    "people", None, "person_id", "People named in the register, as they are written there and as they are understood.",
    (
        _key("person_id", "source and row"),
        _text("name", "name as written; may hold more than a name"),
        _text("title", "title", out=True),
        _text("given", "given name", out=True),
        _text("middle", "further given names", out=True),
        _text("surname", "surname with its particles", out=True),
        _text("maiden", "surname at birth, where it is said to be one", out=True),
        _text("also", "other names in brackets or quotation marks"),
        _text("suffix", "Jr., III and the like", out=True),
        _text("relation", "what a name says of another: infant of, wife of", out=True),
        _text("relative", "who that other is, as written; shown to the public only where nobody living can be meant",
              out=True),
        _flag("unknown", "the register says that the name is not known"),
        Column("born", "date", "date of birth, as far as it is known", published=True),
        _text("born_written", "the same as written"),
        _text("born_by", "where the date of birth comes from", ("as written", "age at death", "age at burial")),
        Column("died", "date", "date of death, as far as it is known", published=True),
        _text("died_written", "the same as written"),
        _text("age", "age as written"),
        Column("veteran", "flag", "served in the armed forces, as the list says", published=True),
        _text("inscription", "what the stone says; may name the living"),
        _text("photo", "file name of a photograph"),
        _text("page", "page of the ledger"),
        _text("certainty", "how sure the clerk was, as written"),
        _text("note", "remarks, as written"),
        _text("source", "file and row"),
        _text("also_in", "rows of other sources that say the same"),
    ),
)  # fmt: skip

_EVENTS = Layer(
    "events", None, "event_id", "Interments, disinterments, moves, urns placed or removed: a space has a history.",
    (
        _key("event_id", "source and row"),
        _text("kind", "what happened", EVENT_KINDS, required=True, out=True),
        Column("date", "date", "when, as far as it is known", published=True),
        _text("date_written", "the same as written"),
        _text("person_id", "who"),
        _text("place", "place as written", required=True),
        _text("lot_id", "lot it resolves to", out=True),
        _text("space_id", "space it resolves to", out=True),
        _text("resolved_by", "how the place was resolved, or why not"),
        _text("container", "container as written"),
        _text("page", "page of the ledger"),
        _text("certainty", "how sure the clerk was, as written"),
        _text("source", "file and row", required=True),
        _text("also_in", "rows of other sources that say the same"),
        _text("as_written", "the row as it stood"),
    ),
)  # fmt: skip

_RIGHTS = Layer(
    "rights", None, "right_id", "Rights of interment as recorded, one row for each space.",
    (
        _key("right_id", "source and row, and the space where a row names several"),
        _text("kind", "how the right came about or ended", RIGHT_KINDS),
        _text("holder", "who holds it"),
        _text("from_holder", "who held it before"),
        _text("share", "share of it, as written"),
        _text("reserved_for", "the person the space is kept for"),
        Column("date", "date", "since when"),
        _text("date_written", "the same as written"),
        _text("instrument", "deed or other instrument"),
        _text("book", "book it is recorded in"),
        _text("page", "page of that book"),
        _text("place", "place as written", required=True),
        _text("part", "part of the lot, where the right is to a part"),
        _text("lot_id", "lot it resolves to"),
        _text("space_id", "space it resolves to"),
        _text("resolved_by", "how the place was resolved, or why not"),
        _text("note", "remarks, as written"),
        _text("source", "file and row", required=True),
        _text("also_in", "rows of other sources that say the same"),
        _text("as_written", "the row as it stood"),
    ),
)  # fmt: skip

_KIN = Layer(
    "kin", None, "kin_id", "Who is related to whom: as a record says, or suggested and marked so.",
    (
        _key("kin_id", "the two people and their relation"),
        _text("person_id", "who", required=True),
        _text("relation", "what that person is to the other", required=True),
        _text("other_id", "the other, where the register has one of that name"),
        _text("other_name", "the other, as written", required=True),
        _text("by", "as recorded, or suggested from names, lots and dates", ("as recorded", "suggested"),
              required=True),
        _text("why", "the words or the reasons"),
        _text("source", "file and row"),
    ),
)  # fmt: skip

_MEMORIES = Layer(
    "memories", None, "memory_id", "What someone remembers, with who told it and when: for staff only.",
    (
        _key("memory_id", "source and row"),
        _text("text", "what was told", required=True),
        _text("about", "the person it is about, as written"),
        _text("person_id", "that person, where the register has one of that name there"),
        _text("place", "place as written"),
        _text("lot_id", "lot it resolves to"),
        _text("space_id", "space it resolves to"),
        _text("resolved_by", "how the place was resolved, or why not"),
        _text("told_by", "who told it"),
        Column("told_on", "date", "when"),
        _text("source", "file and row", required=True),
        _text("as_written", "the row as it stood"),
    ),
)  # fmt: skip

_INSCRIPTIONS = Layer(
    "inscriptions", None, "inscription_id", "What stones say; names carved ahead may be of the living.",
    (
        _key("inscription_id", "source and row"),
        _text("name", "name on the stone"),
        Column("born", "date", "date of birth on the stone"),
        Column("died", "date", "date of death on the stone"),
        _text("text", "the inscription"),
        _text("person_id", "the person of the register it is taken to be"),
        _text("place", "place as written", required=True),
        _text("lot_id", "lot it resolves to"),
        _text("space_id", "space it resolves to"),
        _text("resolved_by", "how the place was resolved, or why not"),
        _text("photo", "file name of a photograph"),
        Column("seen", "date", "when it was read"),
        _text("certainty", "how well it can be read, as written"),
        _text("source", "file and row", required=True),
        _text("as_written", "the row as it stood"),
    ),
)  # fmt: skip

_CLEARANCES = Layer(
    "clearances", "LineString", "clearance_id", "Least distances between things that must not touch.",
    (
        _key("clearance_id", "the two things"),
        _text("pair", "what is compared", required=True),
        _text("a_id", "first thing", required=True),
        _text("b_id", "second thing", required=True),
        _text("section", "section of the first"),
        Column("gap", "real", "least distance; below zero by how far they overlap", unit="length", required=True),
        _length("required", "what the rule asks", low=0),
        _length("shortfall", "how much is missing", low=0),
        _length("gap_sigma", "standard deviation of the gap", low=0),
        _real("chance_short", "probability that the gap is less than the rule asks", low=0, high=1),
        _text("rule", "the rule used"),
    ),
    symbols={"": Symbol("clearance too small", line="#b3261e")},
)  # fmt: skip

_OPENINGS = Layer(
    "openings", "Polygon", "opening_id",
    "Graves ordered, opened and closed; one row a job, as the last record leaves it.",
    (
        _key("opening_id", "space and number"),
        _text("space_id", "space it is in", required=True),
        _text("section", "section it lies in"),
        _text("state", "how far it is", OPENING_STATES, required=True),
        Column("date", "date", "day of the last record"),
        Column("service", "date", "day of the service, as ordered"),
        _text("person", "who is to be buried, or is"),
        _text("ordered_by", "who ordered it"),
        _text("authorised_by", "who authorised it"),
        _text("right", "by what right"),
        _text("permit", "permit number"),
        _text("container", "container"),
        _text("heads", "compass side of the head end"),
        _length("top_depth", "depth to the top of what lies there", low=0),
        _length("bottom_depth", "depth of the dig", low=0),
        _length("off_plan", "how far what lies there is from where it was planned", low=0),
        _length("sigma", "standard deviation of each coordinate of its outline", low=0),
        _text("water", "water seen"),
        _text("soil", "soil seen"),
        _text("photo", "name of a photograph"),
        _text("stored", "where it waits"),
        _text("because", "why it was abandoned", ABANDONED),
        _text("without_order", "why there was no order"),
        _text("ordered_for", "who the order names, where it is not who was buried"),
        _text("stones", "stones moved, and those set again"),
        _text("former", "numbers of its place that nobody uses now"),
        _text("note", "what was noted"),
        _text("who", "who recorded it last"),
        _text("record", "id of the last record", required=True),
    ),
    symbol_by="state",
    symbols={
        "ordered": Symbol("opening ordered", line="#1b4965", pattern="dots"),
        "waiting": Symbol("opening waiting", line="#1b4965", pattern="dots"),
        "opened": Symbol("open", fill="#ffffff", line="#b3261e", pattern="crossed"),
        "closed": Symbol("closed, not yet settled", line="#1b4965", pattern="level"),
        "settled": Symbol("closed", line="#1b4965"),
        "abandoned": Symbol("opening abandoned", line="#b3261e", pattern="diagonal"),
    },
    placeless=True,
)  # fmt: skip

_SEARCHES = Layer(
    "searches", "Point", "search_id", "Markers nobody has found yet: where to look, how to tape there, in what order.",
    (
        _key("search_id", "label of the marker, numbered if two have it"),
        _text("label", "what the marker says", required=True),
        _text("section", "section it belongs to"),
        _text("lot_id", "lot it belongs to"),
        _text("corner_id", "corner it was set at, by the plat"),
        _count("walk", "place in the walk, section by section"),
        _count("teaches", "place among those of its section that would teach the most; empty for the others"),
        _text("settle_first", "why nothing is to be dug or probed here without settling it first"),
        *_covariance(),
        _text("tie_1_from", "found marker to tape from"),
        _length("tie_1", "level distance on the ground", low=0),
        _text("tie_2_from", "second marker to tape from"),
        _length("tie_2", "level distance on the ground", low=0),
        _text("side", "side of the line from the first to the second on which it lies", ("left", "right")),
        _text("check_from", "third marker, to check"),
        _length("check", "level distance on the ground", low=0),
        _length("radius_taped", "95 % radius round the taped place", low=0),
        _text("note", "what else to know"),
    ),
    symbol_by="",
    symbols={"": Symbol("marker to look for", line="#1b4965", mark="ring", size_pt=6.0)},
)  # fmt: skip

_FINDINGS = Layer(
    "findings", "Point", "finding_id", "What a person must look at.",
    (
        _key("finding_id", "kind and subject"),
        _text("severity", "danger, warning or note", SEVERITIES, required=True),
        _text("kind", "what it is", required=True),
        _text("subject", "what it is about", required=True),
        _text("section", "section it lies in"),
        _text("reason", "why it was found", required=True),
        _text("todo", "what to do about it", required=True),
    ),
    symbol_by="severity",
    symbols={
        "danger": Symbol("look first: could put a hole in the wrong place", fill="#b3261e", line="#7a1712",
                         mark="triangle", size_pt=9.0),
        "warning": Symbol("look before work nearby", fill="#e8a33d", line="#7a4d00", mark="triangle", size_pt=7.0),
        "note": Symbol("worth knowing", fill="#ffffff", line="#555555", mark="circle", size_pt=4.0),
    },
    placeless=True,
)  # fmt: skip

_RUN = Layer(
    "run", None, "name", "What this file was made from: versions, hashes of the evidence, rules with their sources.",
    (
        _key("name", "what is said"),
        _text("group", "ground, version, evidence, rule or result", required=True),
        _text("value", "value"),
        _text("source", "where it comes from"),
    ),
)  # fmt: skip

LAYERS: Mapping[str, Layer] = {
    item.name: item
    for item in (
        _SECTIONS, _DRIVES, _GATES, _OBSTACLES, _LOTS, _SPACES, _NICHES, _VAULTS, _MONUMENTS, _PROBABLE, _CORNERS,
        _MARKERS, _OCCUPATIONS, _READINGS, _CONTROL, _CLEARANCES, _SEARCHES, _OPENINGS, _EVENTS, _PEOPLE, _RIGHTS, _KIN,
        _MEMORIES, _INSCRIPTIONS, _FINDINGS, _RUN,
    )
}  # fmt: skip
"""Every layer by name, in the order a map draws them from below."""


def layer(name: str) -> Layer:
    """Return the declaration of a layer; `KeyError` when there is none.

    Examples
    --------
    >>> layer("spaces").key
    'space_id'
    """
    return LAYERS[name]
