"""Every number that came from somewhere, with where it came from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from cemgis.errors import Gather, InputError
from cemgis.units import Unit, parse_length

__all__ = ["KINDS", "RULES", "Rule", "Rules"]

KINDS = ("law", "standard", "site rule", "common practice", "assumption")
_NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Rule:
    """One number the work depends on.

    Parameters
    ----------
    name : str
        Dotted, such as ``clearance.vault_to_vault``.
    value : str or float
        A length is text with its unit; anything else is a number.
    unit : str
        ``length``, ``hours``, ``count``, ``ratio``, ``degrees`` or ``probability``.
    kind : str
        One of `KINDS`.
    source : str
    note : str
        What the number does, in one line.
    """

    name: str
    value: str | float
    unit: str
    kind: str
    source: str
    note: str

    @property
    def said(self) -> str:
        """Its value in words, with the unit.

        Examples
        --------
        >>> RULES["occupation.gap"].said, RULES["fit.hold_share"].said, RULES["fit.loose"].said
        ('0.05 hours', '0.25 (ratio)', '0.6 ft')
        """
        if self.unit == "length" or isinstance(self.value, str):
            return str(self.value)
        return f"{self.value:g} {self.unit}" if self.unit in ("hours", "degrees") else f"{self.value:g} ({self.unit})"


def _rule(name: str, value: str | float, unit: str, kind: str, source: str, note: str) -> tuple[str, Rule]:
    return name, Rule(name, value, unit, kind, source, note)


_RT = "after the classes of the NGS User Guidelines for Single Base Real Time GNSS Positioning (2011), from memory"

_OSHA = "OSHA, 29 CFR 1926 Subpart P, second hand: "

_EA = "Environment Agency (England), from 1 Apr 2022, as a consultant's review quotes it: "

RULES: Mapping[str, Rule] = dict(
    [
        # ---- readings ------------------------------------------------------------------------------------------
        _rule("reading.sigma_fixed", "0.015 m", "length", "assumption", _RT,
              "standard deviation of each horizontal coordinate, carrier-phase solution with integers fixed"),
        _rule("reading.sigma_float", "0.30 m", "length", "assumption", "from memory, no source",
              "the same, carrier-phase solution with integers not fixed"),
        _rule("reading.sigma_differential", "0.70 m", "length", "assumption", "from memory, no source",
              "the same for one unit of HDOP, code differential or satellite-based augmentation"),
        _rule("reading.sigma_autonomous", "2.5 m", "length", "assumption",
              "form: error = HDOP x range error (US National Park Service, What is EPE); size from memory",
              "the same for one unit of HDOP, no corrections"),
        _rule("occupation.floor_fixed", "0.012 m", "length", "assumption", _RT,
              "one occupation is never better than this, however many epochs: epochs of one go are correlated"),
        _rule("occupation.floor_float", "0.20 m", "length", "assumption", "from memory, no source",
              "the same, integers not fixed"),
        _rule("occupation.floor_differential", "0.50 m", "length", "assumption", "from memory, no source",
              "the same, code differential"),
        _rule("occupation.floor_autonomous", "1.5 m", "length", "assumption", "from memory, no source",
              "the same, no corrections"),
        _rule("occupation.gap", 0.05, "hours", "assumption", "a pause of three minutes is another occupation",
              "readings of one label farther apart in time than this are two occupations"),
        _rule("occupation.still", 4.0, "ratio", "assumption", "no source",
              "epochs farther from the middle than this many robust deviations are not used"),
        _rule("occupation.moving", "0.25 m", "length", "assumption", "no source",
              "a fixed-solution receiver whose epochs wander more than this is not standing still"),
        _rule("occupation.speed", "0.20 m", "length", "assumption", "no source",
              "a receiver whose own middle speed is above this a second is not standing still"),
        _rule("occupation.away", 0.25, "ratio", "assumption", "no source",
              "with more than this share of its epochs away from the middle an occupation was not still"),
        _rule("occupation.correlation", 0.05, "hours", "assumption", "from memory: reflections change over minutes",
              "epochs of one occupation nearer in time than this count as one"),
        _rule("marker.trusted_gap", 4.0, "hours", "standard", _RT,
              "two occupations this far apart, each freshly initialised, make a marker trusted"),
        _rule("marker.trusted_agree", "0.15 ft", "length", "assumption", "no source",
              "two occupations, or a reading and a tape, that differ by more do not confirm each other"),
        _rule("marker.two_places", "2 ft", "length", "assumption", "no source; markers stand at least a space apart",
              "readings of one label farther apart than this and their errors together are two markers"),
        # ---- fit -----------------------------------------------------------------------------------------------
        _rule("fit.alpha", 0.001, "probability", "standard", "Baarda 1968, from memory: k = 3.29",
              "chance of setting aside one good marker in a single test"),
        _rule("fit.power", 0.80, "probability", "standard", "Baarda 1968, from memory: non-centrality 4.13",
              "power of that test, for the least miss that would be noticed"),
        _rule("fit.setting_sigma", "0.20 ft", "length", "assumption", "no source; replaced by the plat's own misses",
              "first guess of how far a marker was set from its place, each coordinate"),
        _rule("fit.setting_dof", 4.0, "count", "assumption", "no source",
              "how many misses that first guess is worth"),
        _rule("fit.signal_sigma", "0.7 ft", "length", "assumption",
              "no source; tenths of feet are usual, a foot and more is met; replaced by the plat's own misses",
              "first guess of how far a plat bends away from a straight fit, each coordinate"),
        _rule("fit.signal_length", "150 ft", "length", "assumption", "no source; about ten lots in a row",
              "first guess of the distance over which that bend changes"),
        _rule("fit.signal_spread", 0.8, "ratio", "assumption", "no source; two in three within a factor of 2.2",
              "how open that distance is: standard deviation of its natural logarithm"),
        _rule("fit.signal_none", 0.2, "ratio", "assumption", "no source; plats were laid by hand, lot from lot",
              "chance, before looking, that a plat does not bend at all"),
        _rule("fit.weighed_markers", 24.0, "count", "assumption", "no source; more take too long and gain little",
              "up to so many markers on a plat, every likely choice of bad ones is weighed"),
        _rule("fit.hold_share", 0.25, "ratio", "assumption", "no source",
              "a marker that misses by more than this share of its lot's short side does not hold its corner"),
        _rule("fit.loose", "0.6 ft", "length", "assumption", "no source; three times the first guess",
              "a plat whose markers miss by more than this standard deviation is a finding"),
        _rule("fit.scale_off", 0.03, "ratio", "assumption", "no source; chains and tapes do better",
              "a plat whose fitted scale differs from 1 by more than this is a finding"),
        _rule("marker.moved_sigma", "2 ft", "length", "assumption", "no source",
              "how far a marker that was knocked about lies from its place, each coordinate"),
        _rule("accuracy.nssda_points", 20.0, "count", "standard", "FGDC-STD-007.3-1998, 3.2.2",
              "independent points needed before an accuracy statement is made"),
        _rule("accuracy.file_shift", "0.15 ft", "length", "assumption", "no source",
              "a shift of one file against the others smaller than this is not worth a finding"),
        _rule("control.agree", "0.20 ft", "length", "assumption", "no source",
              "a reading on control that misses by more is a finding"),
        # ---- lots and spaces -------------------------------------------------------------------------------------
        _rule("space.unsure_share", 0.5, "ratio", "assumption", "by geometry: half a space over is the next one",
              "a space whose 95 % radius is more than this share of its width is a finding of its section"),
        _rule("lot.area_change", 0.25, "ratio", "assumption", "no source",
              "a lot whose area would change by more than this share does not follow its doubtful markers"),
        _rule("section.outline_gap", "24 ft", "length", "assumption", "no source: two drives' width",
              "walks between rows up to this wide lie inside a section's outline, wider land does not"),
        _rule("plat.north_off", 45.0, "degrees", "assumption", "no source",
              "a plat whose north lies farther off true north than this is a finding: its words mislead on the ground"),
        _rule("space.width", "4 ft", "length", "common practice", _NO_SOURCE, "width of a space"),
        _rule("space.length", "12 ft", "length", "common practice", _NO_SOURCE, "length of a space, heads to feet"),
        _rule("drive.width", "10 ft", "length", "common practice", _NO_SOURCE, "width of a drive"),
        _rule("heads.skew_limit", 60.0, "degrees", "assumption", "no source: only which end counts, never mere skew",
              "stones or vaults turned farther than this from the rule say nothing about which end the heads are at"),
        _rule("heads.square", 0.85, "ratio", "assumption", "no source",
              "a space whose width is more than this share of its length has no long way for heads to lie along"),
        _rule("heads.middle", 0.25, "ratio", "assumption", "no source",
              "a stone nearer the middle than this share of half the space's length stands at neither end"),
        _rule("heads.stone_share", 0.25, "ratio", "assumption", "no source",
              "a stone counts for spaces holding this share of it; with this much at both a head and a foot, for none"),
        _rule("heads.stone_reach", "3 ft", "length", "assumption", "no source",
              "a stone farther outside every space than this is not evidence for any"),
        # ---- clearances ------------------------------------------------------------------------------------------
        _rule("clearance.search", "4 ft", "length", "assumption", "no source", "pairs farther apart are not listed"),
        _rule("clearance.vault_to_vault", "8 in", "length", "common practice", _NO_SOURCE + " (8 in to 1 ft)",
              "earth left between two vaults"),
        _rule("clearance.vault_to_monument", "6 in", "length", "assumption", "no source",
              "earth left between a vault and a monument's foundation"),
        _rule("clearance.vault_to_grave", "8 in", "length", "assumption", "no source; as between vaults",
              "earth left between a vault and a probable grave"),
        _rule("clearance.vault_to_obstacle", "3 ft", "length", "assumption", "no source",
              "between a vault and a tree, a wall or a pipe"),
        _rule("clearance.vault_to_space", "0 ft", "length", "common practice", _NO_SOURCE,
              "between a vault and a space that is not its own"),
        _rule("clearance.obstacle_to_space", "0 ft", "length", "assumption", "no source",
              "a tree, wall or pipe nearer than this takes the space"),
        _rule("clearance.sure", 0.95, "ratio", "assumption", "no source",
              "a clearance is reported as short when the probability of that is at least this"),
        # ---- capacity --------------------------------------------------------------------------------------------
        _rule("space.full_burials", 1.0, "count", "common practice", _NO_SOURCE,
              "full burials in one space, one over another"),
        _rule("space.urns", 2.0, "count", "common practice", _NO_SOURCE, "urns in one space for cremated remains"),
        _rule("space.grave_share", 0.25, "ratio", "assumption", "no source",
              "a probable grave or a vault counts for every space that holds at least this share of it"),
        _rule("space.stone_share", 0.25, "ratio", "assumption", "no source",
              "no grave is dug where a stone stands on at least this share of the space"),
        # ---- register --------------------------------------------------------------------------------------------
        _rule("people.oldest", 110.0, "count", "common practice", _NO_SOURCE,
              "years after their birth people without a recorded death or burial are no longer taken to be living"),
        _rule("public.burial_days", 30.0, "count", "assumption", "no source; the family reads it elsewhere first",
              "days after a burial before public products name it"),
        _rule("register.about", 5.0, "count", "assumption", "no source",
              "years on either side within which an approximate or uncertain date is taken to be right"),
        _rule("twice.share", 0.01, "ratio", "assumption", "no source",
              "share of people expected to be recorded twice, before anything is compared"),
        _rule("twice.name_kept", 0.85, "ratio", "assumption", "no source",
              "chance that a name is spelt the same in two records of one person"),
        _rule("twice.date_kept", 0.80, "ratio", "assumption", "no source",
              "chance that a date is the same in two records of one person"),
        _rule("twice.place_kept", 0.80, "ratio", "assumption", "no source",
              "chance that the space is the same in two records of one person"),
        _rule("twice.odds", 20.0, "ratio", "assumption", "no source",
              "odds from which two rows are reported as one person"),
        _rule("twice.years", 200.0, "count", "assumption", "no source",
              "years that the deaths of one ground are taken to span, at most, when a day agrees by chance"),
        _rule("twice.undated_most", 100.0, "ratio", "assumption", "no source",
              "odds that two rows are one person, at most, where one of them has no date"),
        _rule("kin.generation_least", 16.0, "count", "assumption", "no source",
              "years between a parent's birth and a child's, at least, for a suggestion"),
        _rule("kin.generation_most", 50.0, "count", "assumption", "no source",
              "the same, at most"),
        # ---- opening a grave ---------------------------------------------------------------------------------------
        _rule("dig.working_room", "6 in", "length", "common practice", _NO_SOURCE + " (about 6 in a side)",
              "earth cut beyond the container on every side"),
        _rule("dig.beyond_space", "1 in", "length", "assumption", "no source; less is a space that is not quite square",
              "a dig that reaches farther than this into the next space is settled first"),
        _rule("dig.head_strip", "2 ft", "length", "assumption", "no source; room for a monument's foundation",
              "strip at the head end of a space that is left for the foundation"),
        _rule("dig.earth_left", "4 in", "length", "assumption", "no source; of 8 in to 1 ft the dig takes 6 in",
              "earth that must be left between a dig and a neighbour's vault"),
        _rule("dig.turn", 5.0, "degrees", "assumption", "no source; heads of a row are to lie in one line",
              "by how much a dig may be turned beside a crooked neighbour, where a shift is not enough"),
        _rule("dig.strike_chance", 0.01, "ratio", "assumption", "no source",
              "chance of striking any neighbour above which an opening is to be settled first"),
        _rule("dig.burial_scatter", "0.10 ft", "length", "assumption", "no source",
              "how far a burial that nobody measured lies from the middle of its space, each coordinate"),
        _rule("dig.burial_width", "34 in", "length", "assumption", "outside about 34 to 36 in, from memory",
              "width of a burial that nobody measured"),
        _rule("dig.burial_length", "90 in", "length", "assumption", "outside about 90 in, from memory",
              "length of a burial that nobody measured"),
        _rule("dig.cover", "18 in", "length", "common practice", _NO_SOURCE + "; the same in some local law",
              "earth over the container, so that a probe finds it the next time"),
        _rule("dig.urn_cover", "12 in", "length", "assumption", "no source", "earth over an urn"),
        _rule("dig.between", "6 in", "length", "assumption", "no source; 6 in between coffins in England, second hand",
              "earth between two containers of which one lies over the other"),
        _rule("dig.deepest", "8 ft", "length", "assumption", "no source", "deepest dig without a special plan"),
        _rule("dig.over_water", "0 ft", "length", "assumption", "no source; a local code may ask for 3 ft and more",
              "height of a dig's bottom above water that is known of"),
        _rule("dig.head_agree", "1 ft", "length", "assumption", "no source",
              "a head end that differs by more from the measured vaults beside it is to be settled first"),
        _rule("dig.clear_of_stone", "6 in", "length", "assumption", "no source",
              "earth left between a dig and a stone"),
        _rule("dig.clear_of_obstacle", "2 ft", "length", "assumption", "no source",
              "between a dig and a tree, a wall or a pipe"),
        _rule("urn.reach", "1 ft", "length", "assumption", "no source", "side of the hole for an urn"),
        _rule("space.second_urns", 2.0, "count", "common practice", _NO_SOURCE,
              "urns that a space with a full burial takes besides (second right)"),
        _rule("space.second_infants", 1.0, "count", "assumption", "no source",
              "infants that a space with a full burial takes besides, at its foot"),
        _rule("tie.sigma", "0.03 ft", "length", "assumption", "no source: reading to 1/2 in, pull, plumbing",
              "standard deviation of one taped tie"),
        _rule("tie.share", 0.0005, "ratio", "assumption", "no source: sag and alignment of a tape in the grass",
              "and this share of its length besides"),
        _rule("tie.reach", "100 ft", "length", "common practice", _NO_SOURCE, "longest tie, unless a tape is declared"),
        _rule("tie.least_angle", 30.0, "degrees", "common practice", _NO_SOURCE,
              "sharpest angle at which two ties make a corner"),
        _rule("tie.check_chance", 0.01, "ratio", "assumption", "no source",
              "chance that a good check tie is farther off than its tolerance"),
        _rule("tie.disagree", "6 in", "length", "assumption", "no source",
              "two ways to find a space that differ by more are not two witnesses of one place"),
        _rule("route.boom_clear", "2 ft", "length", "common practice", _NO_SOURCE,
              "a boom may pass over what is lower than this; wheels never"),
        _rule("route.boom_reach", "12 ft", "length", "assumption", "no source; a small backhoe",
              "how far from the dig's edge the middle of the machine may stand"),
        _rule("route.search", "150 ft", "length", "assumption", "no source", "how far a way is looked for"),
        _rule("route.fresh", 26.0, "count", "assumption", "no source",
              "weeks for which no wheel goes over a new grave"),
        _rule("route.margin", "6 in", "length", "assumption", "no source", "kept clear on both sides of the machine"),
        _rule("close.settle_weeks", 8.0, "count", "assumption", "no source", "weeks after which to look for settling"),
        _rule("close.agree", "0.5 ft", "length", "assumption", "no source",
              "an as-built that differs by more from its plan is a finding"),
        _rule("close.shot_sigma", "0.05 ft", "length", "assumption", "no source; a fixed solution on a rod held plumb",
              "standard deviation of each coordinate of a shot corner; a probed side has probe.sigma besides"),
        _rule("foundation.deep", "2 ft", "length", "assumption", "no source; below the frost, as the local code says",
              "how deep a monument's foundation is poured, where its section does not say"),
        _rule("frost.thaw", "1 in", "length", "common practice", _NO_SOURCE + " (about 1 inch an hour)",
              "frost that a ground heater thaws in an hour"),
        _rule("soil.swell", 0.25, "ratio", "assumption",
              "FM 5-434, Earthmoving Operations (2000), table 1-1: 1.25 of loose common earth from 1 in bank "
              "(sand 1.11, clay 1.43); from memory, the page was not looked up",
              "by how much dug earth grows; in clay it is more: write it as a site rule"),
        # ---- what lies underground -------------------------------------------------------------------------------
        _rule("probe.sigma", "0.10 ft", "length", "assumption", "no source: rod not plumb, edge felt to an inch",
              "standard deviation of each coordinate of a probe hit, on top of its reading's"),
        _rule("probe.depth_sigma", "0.05 ft", "length", "assumption", "no source: rod read to half an inch",
              "standard deviation of a depth read off the probe"),
        _rule("probe.alpha", 0.001, "probability", "standard", "as for the fit: Baarda 1968, from memory",
              "chance of refusing a vault whose probe hits are good"),
        _rule("scan.shear", 0.5, "degrees", "assumption", "no source: paper and a good scanner shear by less",
              "a drawing whose right angles the control points change by more is said to be sheared"),
        _rule("scan.stretch", 0.01, "ratio", "assumption", "no source: paper shrinks by up to about a hundredth",
              "a drawing whose scales differ by more along and across is said to be stretched"),
        # ---- excavations: 29 CFR 1926 Subpart P ------------------------------------------------------------------
        _rule("osha.protect_depth", "5 ft", "length", "law", _OSHA + "652(a)(1)",
              "from this depth a protective system is required; below it unless the competent person finds no danger"),
        _rule("osha.egress_depth", "4 ft", "length", "law", _OSHA + "651(c)(2)",
              "from this depth a ladder or ramp within 25 ft of travel"),
        _rule("osha.egress_travel", "25 ft", "length", "law", _OSHA + "651(c)(2)", "farthest way to it"),
        _rule("osha.ladder_above", "3 ft", "length", "law", "29 CFR 1926.1053, second hand", "ladder above the edge"),
        _rule("osha.spoil_back", "2 ft", "length", "law", _OSHA + "651(j)(2)", "spoil and machine from the edge"),
        _rule("osha.slope_a", 0.75, "ratio", "law", _OSHA + "Table B-1", "run for one of rise, type A: 53 degrees"),
        _rule("osha.slope_b", 1.0, "ratio", "law", _OSHA + "Table B-1", "run for one of rise, type B: 45 degrees"),
        _rule("osha.slope_c", 1.5, "ratio", "law", _OSHA + "Table B-1", "run for one of rise, type C: 34 degrees"),
        # ---- forecast ----------------------------------------------------------------------------------------------
        _rule("forecast.window", 25.0, "count", "assumption", "no source", "years before now that are counted"),
        _rule("forecast.horizon", 150.0, "count", "assumption", "no source", "years that are looked ahead"),
        _rule("forecast.slope_sd", 0.01, "ratio", "assumption", "no source",
              "by how much of itself a yearly rate may change in a year, one standard deviation, before looking"),
        _rule("forecast.share_sd", 0.04, "ratio", "assumption", "no source",
              "how fast the share of cremation may change, logit a year, one standard deviation, before looking"),
        _rule("forecast.trend_years", 20.0, "count", "assumption", "no source",
              "a trend goes on for so many years and stays level then"),
        _rule("forecast.alpha", 0.05, "probability", "assumption", "no source",
              "counts are called more uneven than chance below this probability"),
        _rule("forecast.back_years", 10.0, "count", "assumption", "no source", "years predicted in each look back"),
        # ---- new land ----------------------------------------------------------------------------------------------
        _rule("setback.drinking_water", "250 m", "length", "standard", _EA + "well or spring for people or food",
              "no grave nearer to it"),
        _rule("setback.well", "50 m", "length", "standard", _EA + "any well or spring",
              "no grave nearer to it"),
        _rule("setback.watercourse", "30 m", "length", "standard", _EA + "watercourse, surface water",
              "no grave nearer to it, also where it is dry at times"),
        _rule("setback.drain", "10 m", "length", "standard", _EA + "land or field drain", "no grave nearer to it"),
        _rule("setback.building", "30 ft", "length", "assumption", "no source; the zoning code decides",
              "no grave nearer to it"),
        _rule("setback.road", "7 m", "length", "standard", "Irish layout rules (front wall), at second hand",
              "no grave nearer to it"),
        _rule("setback.boundary", "1 m", "length", "standard", "Irish layout rules (margin in the wall), second hand",
              "no grave nearer to the parcel's boundary"),
        _rule("setback.tree", "10 ft", "length", "assumption", "no source", "no grave nearer to its stem"),
        _rule("land.slope", 15.0, "ratio", "assumption", "no source: no published limit for graves was found",
              "land steeper than this many percent takes no grave"),
        _rule("land.hollow", "0.5 ft", "length", "assumption", "no source",
              "a hollow at least this deep is wet and not laid out"),
        _rule("land.smooth", "6 ft", "length", "assumption", "no source",
              "steep and wet patches, and gaps between them, narrower than this are not followed"),
        _rule("drive.slope", 20.0, "ratio", "assumption", "no source",
              "land steeper than this many percent takes no drive"),
        _rule("drive.keep_off", "5 ft", "length", "assumption", "no source",
              "a drive stays this far from wells, streams, buildings and trees"),
        _rule("drive.dead_end", "150 ft", "length", "standard", "International Fire Code 503.2.5, from memory",
              "no drive ends blindly farther than this from a crossing, but with a turning circle"),
        _rule("drive.inner_radius", "10 ft", "length", "assumption", "no source; the hearse decides",
              "inner radius wherever a drive turns"),
        _rule("layout.resolution", "0.5 ft", "length", "assumption", "no source",
              "step at which rows and columns are tried"),
        _rule("layout.reach", "60 ft", "length", "assumption", "no source; how far a casket is carried",
              "no space lies farther from a drive, across the rows"),
        _rule("layout.heads_off", 22.5, "degrees", "assumption",
              "arithmetic: half the angle between two of eight compass words, so that the word stays true",
              "heads of a layout may lie so far off the side that the parcel declares"),
    ]
)  # fmt: skip


class Rules(Mapping[str, float]):
    """The rules in force on one ground: numbers by name, lengths in the ground's unit.

    Parameters
    ----------
    unit : Unit
    overrides : mapping, optional
        Name to ``{"value": ..., "source": ...}``, as in ``ground.toml``.

    Raises
    ------
    InputError
        For an unknown rule, a value that is not of the rule's unit, or an override without a source.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> rules = Rules(US_SURVEY_FOOT, {"clearance.vault_to_vault": {"value": "1 ft", "source": "board, 3 May 2019"}})
    >>> rules["clearance.vault_to_vault"], rules.rule("clearance.vault_to_vault").kind
    (1.0, 'site rule')
    """

    def __init__(self, unit: Unit, overrides: Mapping[str, object] | None = None, where: str = "rules") -> None:
        self.unit = unit
        self._rules = dict(RULES)
        gather = Gather()
        for name, given in (overrides or {}).items():
            place = f"{where}.{name}"
            if name not in RULES:
                gather.add(place, "there is no such rule", "`cemgis explain rules` lists them.")
                continue
            if not isinstance(given, Mapping) or set(given) != {"value", "source"} or not str(given["source"]).strip():
                gather.add(place, f"{given!r} lacks its value or its source", '{ value = ..., source = "..." }.')
                continue
            value = given["value"]
            if not isinstance(value, (str, int, float)) or isinstance(value, bool):
                gather.add(place, f"{value!r} is neither a number nor a length", "Write one.")
                continue
            rule = replace(RULES[name], value=value, kind="site rule", source=str(given["source"]))
            try:
                number = self._number(rule, place)
                if number < 0:
                    gather.add(place, f"{value!r} is negative", "Write zero or more.")
            except InputError as error:
                gather.take(error)
            self._rules[name] = rule
        gather.raise_if_any()
        self._values = {name: self._number(rule, name) for name, rule in self._rules.items()}

    def _number(self, rule: Rule, where: str) -> float:
        if rule.unit == "length":
            return parse_length(rule.value, self.unit, where)
        if isinstance(rule.value, str):
            raise InputError.of(where, f"{rule.value!r} is not a number", f"Write a number ({rule.unit}).")
        return float(rule.value)

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def rule(self, name: str) -> Rule:
        """Return the rule in force, with its kind and source."""
        return self._rules[name]
