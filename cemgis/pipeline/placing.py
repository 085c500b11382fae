"""From readings to placed corners: control, shifted files, fits, markers set aside, and who holds which corner."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from cemgis import edits, schema
from cemgis.accuracy import leave_one_out_words, nssda, plain_words, row_lengths, row_words
from cemgis.doubt import explain, say_odds
from cemgis.errors import Gather, InputError, Problem
from cemgis.files.readings import RawReadings, parse_taped
from cemgis.findings import FINDINGS, Finding, find
from cemgis.fit import Fit, fit_plat, locate
from cemgis.layers import LAYERS
from cemgis.occupations import ReadingNumbers, make_markers, make_occupations, settle_occupations
from cemgis.pipeline.judgements import Judgements, apply_judgements
from cemgis.pipeline.surveyed import own_reference
from cemgis.places import label_key
from cemgis.plat import TOLERANCE, Plat, match_label
from cemgis.reference import combined_factor, decimal_year, explain_shift, to_grid, to_lonlat
from cemgis.shifts import file_shifts
from cemgis.signal import Prior
from cemgis.spaces import Placed, lot_corners, lot_sanity
from cemgis.spaces import place as put_together
from cemgis.units import Unit, say_length
from cemgis.written import other_ways, say_ways

if TYPE_CHECKING:
    from cemgis.ground import Ground, ReadingsEntry
    from cemgis.pipeline.evidence import Evidence

__all__ = ["Ingested", "Placing", "ingest", "place"]

log = logging.getLogger("cemgis")
Floats = npt.NDArray[np.float64]

_EXTRAS = ("section", "occupation", "speed", "kind", "condition", "depth", "base", "canopy", "note")
_SQUARE = 0.005
"""A right angle off by less, in degrees, is said as one."""
_MANY, _ROW_SHARE, _SECTION_SHARE = 3, 0.5, 1.0 / 3.0
"""So many markers, and more than such a share of those found in a row or section, put the plat itself in doubt.
Assumption, no source."""


# ---- readings to occupations ----------------------------------------------------------------------------------------


@dataclass
class Ingested:
    """Readings in the grid, gathered into occupations, with the control among them set apart.

    Parameters
    ----------
    readings, occupations : GeoDataFrame
    control : GeoDataFrame
        The layer ``control``.
    control_misses : DataFrame
        One row an occupation of control: ``file, miss_e, miss_n, cov_ee, cov_en, cov_nn``.
    taped : DataFrame
        ``from, to, distance``.
    factor : float
        Grid distance over ground distance.
    numbers : ReadingNumbers
    findings : list of Finding
    """

    readings: gpd.GeoDataFrame
    occupations: gpd.GeoDataFrame
    control: gpd.GeoDataFrame
    control_misses: pd.DataFrame
    taped: pd.DataFrame
    factor: float
    numbers: ReadingNumbers
    findings: list[Finding] = field(default_factory=list)


def ingest(ground: Ground, evidence: Evidence) -> Ingested:
    """Put all readings into the grid, gather them into occupations, and check those of control.

    What was read is taken out of `evidence`: nobody needs it as it came any more, and a million readings are large.

    Raises
    ------
    InputError
        For readings whose reference is not what the file holds, and for what `reference.to_grid` refuses.
    """
    gather = Gather()
    tables: list[pd.DataFrame] = []
    evidence.readings.reverse()
    while evidence.readings:
        entry, raw = evidence.readings.pop()
        try:
            tables.append(_in_grid(ground, entry, raw))
        except InputError as error:
            gather.take(error)
        del raw
    control_xy = _control_grid(ground, gather)
    taped, findings = _taped(ground, evidence, gather)
    gather.raise_if_any()
    if not tables and _niches_only(ground):
        return _nothing_read(ground, control_xy, taped, findings)
    if not tables:
        raise InputError.of("ground.toml readings", "there are none", "Name at least one file of readings.")
    table = pd.concat(tables, ignore_index=True) if len(tables) > 1 else tables[0]
    tables.clear()
    layer = LAYERS["readings"]
    crs = ground.crs.crs
    readings = gpd.GeoDataFrame(schema.restore(table, layer, crs), geometry="geometry", crs=crs)
    numbers = ReadingNumbers.of(ground.rules, ground.unit.metres)
    extras = pd.DataFrame(table[[name for name in _EXTRAS if name in table]])
    wide = readings.join(extras)
    out, occupations, moved = make_occupations(wide, numbers)
    del wide, extras, table
    readings = gpd.GeoDataFrame(schema.restore(out, layer, crs), geometry="geometry", crs=crs)
    used = readings["used"].fillna(value=False).to_numpy(dtype=bool)
    if not used.any():
        why = readings["why_not"].value_counts()
        said = "; ".join(f"{count} {reason}" for reason, count in why.head(3).items())
        raise InputError.of("readings", f"none of {len(readings)} can be used ({said})", "Check the files.")
    xy = shapely.get_coordinates(readings.geometry.to_numpy()[used])
    middle = np.median(xy, axis=0)[None]
    heights = readings["height"].to_numpy(dtype=float, na_value=np.nan)[used]
    height = float(np.nanmedian(heights)) if np.isfinite(heights).any() else 0.0
    factor = float(combined_factor(middle, ground.crs, height)[0])
    control, misses, control_keys, more = _check_control(ground, control_xy, occupations)
    occupations = occupations[~occupations["key"].isin(control_keys)].reset_index(drop=True)
    told = [*findings, *_not_told(readings, ground), *moved, *more]
    return Ingested(readings, occupations, control, misses, taped, factor, numbers, told)


def _niches_only(ground: Ground) -> bool:
    drawn = any(section.rows or section.lots for section in ground.sections)
    return not drawn and any(section.niches for section in ground.sections)


def _nothing_read(ground: Ground, control_xy: Floats, taped: pd.DataFrame, findings: list[Finding]) -> Ingested:
    """Give the ground of which only niches are described, which nothing needs to be measured for."""
    crs, extras = ground.crs.crs, pd.DataFrame(columns=list(_EXTRAS), dtype=object)
    bare = gpd.GeoDataFrame(schema.restore(pd.DataFrame(), LAYERS["readings"], crs), geometry="geometry", crs=crs)
    numbers = ReadingNumbers.of(ground.rules, ground.unit.metres)
    out, occupations, _ = make_occupations(bare.join(extras), numbers)
    readings = gpd.GeoDataFrame(schema.restore(out, LAYERS["readings"], crs), geometry="geometry", crs=crs)
    control, misses, _, _ = _check_control(ground, control_xy, occupations)
    return Ingested(readings, occupations, control, misses, taped, 1.0, numbers, findings)


def _not_told(readings: gpd.GeoDataFrame, ground: Ground) -> list[Finding]:
    """One finding a file whose readings say nothing of their own precision: they count as made without corrections."""
    used = readings["used"].fillna(value=False).to_numpy(dtype=bool)
    ruled = readings["sigma_from"].astype("string").str.startswith("rule").fillna(value=False).to_numpy(dtype=bool)
    silent = used & ruled & (readings["fix"].astype("string").fillna("unknown") == "unknown").to_numpy(dtype=bool)
    found = []
    for file, rows in readings[silent].groupby("file", sort=False, observed=True):
        many, of = len(rows), int((used & (readings["file"] == file).to_numpy(dtype=bool)).sum())
        size = say_length(float(rows["sigma"].astype(float).median()), ground.unit)
        reason = (
            f"{many} of the {of} readings used say neither kind of solution nor precision: they count as made without "
            f"corrections, {size} each way"
        )
        found.append(find("precision not told", str(file), reason))
    return found


def _in_grid(ground: Ground, entry: ReadingsEntry, raw: RawReadings) -> pd.DataFrame:
    reference, table = entry.reference, raw.table
    if raw.geographic is not None and raw.geographic == reference.projected:
        is_, says = ("degrees", "eastings and northings") if raw.geographic else ("eastings and northings", "degrees")
        remedy = (
            "Name their frame, as NAD83(2011)."
            if reference.projected
            else f'Name the system they are in: reference = "{own_reference(ground)}" if it is the ground\'s own.'
        )
        raise InputError.of(
            f"{entry.file} reference", f"the file holds {is_}, {reference.name} would be {says}", remedy
        )
    observed = np.asarray(decimal_year(table["time"]), dtype=float)
    epoch: Any = observed if entry.epoch == "observed" else entry.epoch
    grid = to_grid(table[["x", "y"]].to_numpy(), reference, ground.crs, epoch, table["height"].to_numpy(), entry.file)
    sigma_m = np.sqrt((table["sigma_e"].to_numpy(dtype=float) ** 2 + table["sigma_n"].to_numpy(dtype=float) ** 2) / 2)
    sigma = pd.Series(sigma_m / ground.unit.metres, index=table.index)
    sigma_from, fix = table["sigma_from"], table["fix"]
    if entry.sigma is not None:
        sigma_from = sigma_from.mask(sigma.isna(), "ground.toml")
        sigma = sigma.fillna(entry.sigma)
    if entry.fix is not None:
        fix = fix.mask(fix.isna() | (fix == "unknown"), entry.fix)
    shapes = np.full(len(table), None, dtype=object)
    good = np.isfinite(grid).all(axis=1)
    shapes[good] = shapely.points(grid[good])
    again = table.groupby("line").cumcount().to_numpy()
    ids = [
        f"{entry.file}#{line}{f'.{count + 1}' if count else ''}"
        for line, count in zip(table["line"], again, strict=True)
    ]
    epochs = observed if entry.epoch == "observed" else np.full(len(table), np.nan if epoch is None else float(epoch))
    section = table["section"] if entry.section is None else table["section"].fillna(entry.section)
    return table.assign(
        reading_id=ids, file=entry.file, visit=entry.visit, receiver=entry.receiver, section=section,
        sigma=sigma, sigma_from=sigma_from, fix=fix, reference=reference.name, epoch=epochs, geometry=shapes,
        base=table["base"].fillna(entry.corrections),
    )  # fmt: skip


def _control_grid(ground: Ground, gather: Gather) -> Floats:
    places = np.full((len(ground.control), 2), np.nan)
    for at, point in enumerate(ground.control):
        try:
            places[at] = to_grid([[point.x, point.y]], point.reference, ground.crs, point.epoch, where=point.where)[0]
        except InputError as error:
            gather.take(error)
    return places


def _taped(ground: Ground, evidence: Evidence, gather: Gather) -> tuple[pd.DataFrame, list[Finding]]:
    parts, findings = [], []
    for entry, table in evidence.taped:
        try:
            found = parse_taped(table, ground.unit, entry.file)
        except InputError as error:
            gather.take(error)
            continue
        parts.append(found)
        if found.attrs["n_broken"]:
            named = "; ".join(f"line {line}: {why}" for line, _, why in found.attrs["broken"][:3])
            many = found.attrs["n_broken"]
            findings.append(find("lines not understood", entry.file, f"{many} distances left out ({named})"))
    empty = pd.DataFrame(columns=["from", "to", "distance"])
    return (pd.concat(parts, ignore_index=True) if parts else empty), findings


def _check_control(
    ground: Ground, places: Floats, occupations: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, set[str], list[Finding]]:
    rows, misses, findings = [], [], []
    keys = {label_key(point.label) for point in ground.control}
    crs = ground.crs.crs
    xy = shapely.get_coordinates(occupations.geometry.to_numpy()) if len(occupations) else np.empty((0, 2))
    found_at = np.full((len(occupations), 2), np.nan)
    found_at[(~occupations.geometry.isna()).to_numpy()] = xy
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool)
    short = occupations["label"].map(label_key).to_numpy(dtype=object)
    for point, at in zip(ground.control, places, strict=True):
        mine = np.flatnonzero((short == label_key(point.label)) & used)
        gone = found_at[mine] - at
        for row, (miss_e, miss_n) in zip(mine, gone, strict=True):
            one = occupations.iloc[row]
            misses.append(
                {"control": point.name, "file": one["file"], "miss_e": miss_e, "miss_n": miss_n,
                 **{name: float(one[name]) for name in ("cov_ee", "cov_en", "cov_nn")}}
            )  # fmt: skip
        worst = gone[np.argmax(np.hypot(*gone.T))] if len(mine) else np.array([np.nan, np.nan])
        size = float(np.hypot(*worst))
        state = "not read" if not len(mine) else ("agrees" if size <= ground.rules["control.agree"] else "misses")
        if state == "misses":
            files = sorted({str(occupations["file"].iloc[row]) for row, gap in zip(mine, gone, strict=True)
                            if np.hypot(*gap) > ground.rules["control.agree"]})  # fmt: skip
            reason = f"read in {', '.join(files)}, it misses the published place by {say_length(size, ground.unit)}"
            findings.append(find("control missed", point.name, reason, at=(float(at[0]), float(at[1]))))
        rows.append(
            {"control_id": point.name, "source": point.source, "reading_label": point.label, "state": state,
             "miss_e": worst[0], "miss_n": worst[1], "miss": size, "geometry": shapely.Point(at)}
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=[*LAYERS["control"].names, "geometry"])
    control = gpd.GeoDataFrame(schema.restore(table, LAYERS["control"], crs), geometry="geometry", crs=crs)
    read = (control["state"] != "not read").any() if len(control) else False
    if not read:
        what = "no control is declared" if not ground.control else "no declared control was read"
        findings.append(find("position unchecked", ground.name, what))
    if not misses:
        misses_table = pd.DataFrame(columns=["control", "file", "miss_e", "miss_n", "cov_ee", "cov_en", "cov_nn"])
    else:
        misses_table = pd.DataFrame(misses)
    full = set(occupations["key"][[label in keys for label in short]].astype(str))
    return control, misses_table, full, findings


# ---- placing --------------------------------------------------------------------------------------------------------


@dataclass
class Placing:
    """Every corner placed, every marker judged.

    Parameters
    ----------
    readings, occupations, markers : GeoDataFrame
        Layers.
    fits : dict of str to Fit
        By plat; a plat that could not be placed is not there.
    corners : cemgis.spaces.Placed
    accuracy : str
        One sentence.
    facts : dict
    said : list of str
    findings : list of Finding
    bends : dict of str to str
        By plat, what is said of its local distortion.
    """

    readings: gpd.GeoDataFrame
    occupations: gpd.GeoDataFrame
    markers: gpd.GeoDataFrame
    fits: dict[str, Fit]
    corners: Placed
    accuracy: str
    facts: dict[str, Any]
    said: list[str]
    findings: list[Finding]
    bends: dict[str, str]


def place(ground: Ground, plat: Plat, taken: Ingested, records: Iterable[Mapping[str, Any]]) -> Placing:
    """Fit every plat to the markers, set aside and explain what does not agree, and place every corner.

    Raises
    ------
    InputError
        When no plat at all can be placed, with what to find next.
    """
    occupations, readings, findings = taken.occupations, taken.readings, []
    sites, records = plat.sites, list(records)
    disturbed = _disturbed(plat, records)
    shifted, more, shift_facts = _shifts(ground, plat, taken, disturbed)
    findings += more
    occupations, readings = _leave_out(occupations, readings, shifted)

    settled, more = settle_occupations(occupations, taken.numbers)
    findings += more
    markers, more = make_markers(settled, taken.numbers, taken.taped, combined_factor=taken.factor)
    findings += more
    alone = _markers_of_shifted(occupations, markers, taken.numbers)
    again = (markers.geometry.isna() & markers["marker_id"].isin(alone["marker_id"])).to_numpy(dtype=bool)
    markers = markers[~again].reset_index(drop=True)
    match = [match_label(label, _or_none(section), plat) for label, section in _labels(markers)]
    decided = apply_judgements(plat, markers, match, records)
    findings += decided.findings
    match, site = decided.match, decided.site
    disturbed = disturbed | decided.disturbed
    # a marker somebody recorded as disturbed says nothing about the plat any more
    released = _released(sites, site, disturbed)

    at = _points(markers)
    cov = _covariances(markers)
    fits: dict[str, Fit] = {}
    row_in_fit = np.full(len(markers), -1, dtype=np.int64)
    problems, causes = Gather(), dict[str, str]()
    for entry in ground.plats:
        here = (sites["plat"] == entry.name).to_numpy()
        if not here.any():
            continue
        known = (site >= 0) & here[site] & np.isfinite(at).all(axis=1)
        rows = np.flatnonzero(known & ~released)
        missing = np.setdiff1d(np.flatnonzero(here), site[known])
        try:
            fits[entry.name] = _fit(
                ground, entry.name, sites, site[rows], at[rows], cov[rows], markers, rows, missing, local=entry.local
            )
        except InputError as error:
            why = _written_wrongly(ground, plat, entry.name, markers, site)
            error = InputError(*(replace(one, what=f"{one.what}{why}") for one in error.problems))
            problems.take(error)
            sections = ", ".join(
                sorted(plat.corners["section"][(plat.corners["plat"] == entry.name)].dropna().unique())
            )
            reason = "; ".join(problem.what for problem in error.problems)
            todo = " ".join(problem.remedy for problem in error.problems)
            what = f"{reason}; section {sections} is not built"
            findings.append(find("plat without fit", entry.name, what, todo=todo))
            continue
        for number, item in enumerate(_fit_findings(ground, entry.name, fits[entry.name])):
            doubt = number == 0 and item.kind in ("scale implausible", "fit loose")
            if doubt:
                causes[entry.name] = _written_wrongly(ground, plat, entry.name, markers, site)
            findings.append(replace(item, reason=f"{item.reason}{causes[entry.name]}") if doubt else item)
        row_in_fit[rows] = np.arange(len(rows))
    if not fits and not _niches_only(ground):
        _tell_strange(markers, site, sites, problems)
        # what was left out because its file is shifted comes first: without it nothing is left to fit
        gather = Gather([
            Problem(item.subject, item.reason, f"{FINDINGS[item.kind].todo} Or read control again.")
            for item in findings if item.subject in shifted and item.kind == "file shifted"
        ])  # fmt: skip
        gather.problems += problems.problems
        gather.raise_if_any()
        raise InputError.of("plat", "no section has a marker", 'Write markers = "southwest" or where they stand.')

    judged = _judge(ground, plat, fits, markers, site, row_in_fit, released, decided, causes)
    findings += judged.findings
    corners, holding, more = _hold(ground, plat, fits, judged, row_in_fit, records, alone, decided, disturbed)
    findings += more
    table = judged.markers.assign(holds=holding)
    table = pd.concat([table, alone], ignore_index=True) if len(alone) else table
    accuracy, facts, said = _tell(ground, fits, judged.markers, site, sites, taken, len(alone))
    facts.update(shift_facts, set_aside=judged.causes)
    return Placing(
        readings, _layer(settled, "occupations", ground), _layer(table, "markers", ground), fits, corners, accuracy,
        facts, said, findings,
        {name: _bend_said(fit, ground.unit, asked=ground.plat(name).local) for name, fit in fits.items()},
    )  # fmt: skip


def _tell_strange(markers: pd.DataFrame, site: npt.NDArray[np.int64], sites: pd.DataFrame, problems: Gather) -> None:
    """Name the labels no plat has: where nothing fits they are the likeliest reason."""
    strange = markers["label"][site < 0].astype(str).tolist()
    if not strange or not len(sites):
        return
    has = ", ".join(sites["label"].astype(str).iloc[:3])
    what = f"{len(strange)} of {len(markers)} labels are on no plat ({', '.join(strange[:4])}); the plats have {has}"
    remedy = "Mend the labels, give the readings' section, or say in marker_label how a label is built."
    problems.add("readings", what, remedy)


def _disturbed(plat: Plat, records: list[Mapping[str, Any]]) -> npt.NDArray[np.bool_]:
    """Corners somebody recorded as disturbed."""
    said = edits.latest(records, "corners", "state")
    return np.isin(plat.corners["corner_id"].astype(str), said.index[said == "disturbed"].astype(str))


def _released(
    sites: pd.DataFrame, site: npt.NDArray[np.int64], disturbed: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which of these sites stand at a disturbed corner; -1 stands nowhere."""
    if not len(sites):
        return np.zeros(len(site), dtype=bool)
    there: npt.NDArray[np.bool_] = disturbed[sites["corner_index"].to_numpy(dtype=np.int64)[site]]
    return (site >= 0) & there


_CONFUSED = (
    ("metres", "feet", 1 / 0.3048), ("feet", "metres", 0.3048), ("links", "feet", 0.66), ("feet", "links", 1 / 0.66),
    ("yards", "feet", 3.0), ("feet", "yards", 1 / 3), ("rods", "feet", 16.5), ("inches", "feet", 1 / 12),
)  # fmt: skip
"""Unit a plat was drawn in, unit it was read in, and the scale a fit finds then; by the definitions of the units."""


def _fit_findings(ground: Ground, name: str, fit: Fit) -> list[Finding]:
    """Say so when a plat fits only at a scale no tape or chain makes, or its markers miss by too much."""
    most, loose = ground.rules["fit.scale_off"], ground.rules["fit.loose"]
    findings = []
    if not fit.checked:
        many = int(fit.used.sum())
        reason = (
            f"{many} marker{'s' if many > 1 else ''} place it and nothing checks them: one misread label moves it all"
        )
        findings.append(find("fit without check", name, reason))
    if not 1 - most <= fit.scale <= 1 + most:
        meant = [f"; {drawn} read as {read}?" for drawn, read, scale in _CONFUSED if abs(fit.scale / scale - 1) <= most]
        reason = f"it fits at scale {fit.scale:.4f}, not within {1 - most:g} to {1 + most:g}{''.join(meant[:1])}"
        findings.append(find("scale implausible", name, reason))
    if fit.setting_sigma > loose:
        said, rule = say_length(fit.setting_sigma, ground.unit), say_length(loose, ground.unit)
        reason = f"its markers miss by {said} (standard deviation of each coordinate), more than {rule}"
        findings.append(find("fit loose", name, reason))
    return findings


def _layer(table: pd.DataFrame, name: str, ground: Ground) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        schema.restore(table, LAYERS[name], ground.crs.crs), geometry="geometry", crs=ground.crs.crs
    )


def _or_none(value: Any) -> str | None:
    return None if pd.isna(value) else str(value)


def _labels(table: pd.DataFrame) -> list[tuple[Any, Any]]:
    return list(zip(table["label"], table["section"], strict=True))


def _points(table: gpd.GeoDataFrame) -> Floats:
    out = np.full((len(table), 2), np.nan)
    there = (~table.geometry.isna()).to_numpy()
    out[there] = shapely.get_coordinates(table.geometry.to_numpy()[there])
    return out


def _covariances(table: pd.DataFrame) -> Floats:
    parts = [table[name].to_numpy(dtype=float, na_value=np.nan) for name in ("cov_ee", "cov_en", "cov_en", "cov_nn")]
    return np.stack(parts, axis=1).reshape(-1, 2, 2)


def _expected(ground: Ground) -> Prior:
    """Gather what is expected of how a plat bends and how its markers were set."""
    rules = ground.rules
    return Prior(
        rules["fit.setting_sigma"], rules["fit.setting_dof"], rules["fit.signal_sigma"], rules["fit.signal_length"],
        rules["fit.signal_spread"], rules["fit.signal_none"],
    )  # fmt: skip


def _fit(
    ground: Ground, name: str, sites: pd.DataFrame, site: npt.NDArray[np.int64], at: Floats, cov: Floats,
    markers: pd.DataFrame, rows: npt.NDArray[np.int64], missing: npt.NDArray[np.int64], *, local: bool = False,
) -> Fit:  # fmt: skip
    rules = ground.rules
    expected = _expected(ground)
    places = sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
    return fit_plat(
        places[site], at, cov,
        setting_sigma=rules["fit.setting_sigma"], setting_dof=rules["fit.setting_dof"], alpha=rules["fit.alpha"],
        power=rules["fit.power"], model=ground.plat(name).model,
        labels=markers["marker_id"].iloc[rows].astype(str).tolist(),
        unfound=(sites["label"].iloc[missing].astype(str).tolist(), places[missing]), where=f"plat {name}",
        local=expected if local else None, local_few=int(rules["fit.weighed_markers"]),
        moved_sigma=rules["marker.moved_sigma"], allow_unchecked=ground.plat(name).allow_unchecked,
    )  # fmt: skip


# ---- files that are shifted -----------------------------------------------------------------------------------------


def _shifts(
    ground: Ground, plat: Plat, taken: Ingested, disturbed: npt.NDArray[np.bool_]
) -> tuple[dict[str, str], list[Finding], dict[str, Any]]:
    """Files whose readings are all off by one shift: file to the words that say so."""
    occupations, sites, rules = taken.occupations, plat.sites, ground.rules
    at, cov = _points(occupations), _covariances(occupations)
    used = occupations["used"].fillna(value=False).to_numpy(dtype=bool) & np.isfinite(at).all(axis=1)
    site = np.array(
        [-1 if (found := match_label(label, _or_none(section), plat)).site is None else found.site
         for label, section in _labels(occupations)], dtype=np.int64,
    )  # fmt: skip
    used &= ~_released(sites, site, disturbed)
    plats = (
        np.where(site >= 0, sites["plat"].to_numpy(dtype=object)[site], None)
        if len(sites)
        else np.full(len(site), None)
    )
    fits: dict[str, Fit] = {}
    row = np.full(len(occupations), -1, dtype=np.int64)
    named, nobody = occupations.assign(marker_id=occupations["label"]), np.empty(0, dtype=np.int64)
    for name in dict.fromkeys(plats[used & (site >= 0)]):
        rows = np.flatnonzero(used & (plats == name))
        try:
            fits[name] = _fit(ground, name, sites, site[rows], at[rows], cov[rows], named, rows, nobody)
        except InputError:
            continue  # told when the plat is fitted for good
        first = {number: place for place, number in reversed(list(enumerate(site[rows])))}
        row[rows] = [first[number] for number in site[rows]]
    frame = pd.DataFrame(
        {"file": occupations["file"].astype(str), "plat": plats, "row": row, "e": at[:, 0], "n": at[:, 1],
         "cov_ee": cov[:, 0, 0], "cov_en": cov[:, 0, 1], "cov_nn": cov[:, 1, 1]}
    )[used & (row >= 0)]  # fmt: skip
    control = taken.control_misses if len(taken.control_misses) else None
    if not fits:
        return {}, [], {"files": {}}
    table = file_shifts(
        fits, frame, alpha=rules["fit.alpha"], least=rules["accuracy.file_shift"], unit=ground.unit, control=control,
        expected={entry.name: _expected(ground) for entry in ground.plats if entry.local},
    )  # fmt: skip
    shifted: dict[str, str] = {}
    findings: list[Finding] = []
    for file, found in table.iterrows():
        if found["state"] not in ("shifted", "undecided"):
            continue
        words = str(found["words"])
        cause = _cause(ground, taken, str(file), found)
        reason = words if cause is None else f"{words}; as {cause}"
        findings.append(find("file shifted", file, reason))
        if found["state"] == "shifted":
            shifted[str(file)] = words
    facts = {"files": {str(file): str(found["state"]) for file, found in table.iterrows()}}
    return shifted, findings, facts


def _cause(ground: Ground, taken: Ingested, file: str, found: pd.Series) -> str | None:
    readings = taken.readings[(taken.readings["file"] == file) & taken.readings["used"].fillna(value=False)]
    if readings.empty or not np.isfinite(found["shift_e"]):
        return None
    middle = np.median(shapely.get_coordinates(readings.geometry.to_numpy()), axis=0)
    lon, lat = to_lonlat(middle[None], ground.crs)[0]
    years = np.asarray(decimal_year(readings["time"]), dtype=float)
    epoch = float(np.nanmedian(years)) if np.isfinite(years).any() else float(readings["epoch"].median() or np.nan)
    if not np.isfinite(epoch):
        return None
    tolerance = max(3.0 * float(found["sigma"]), ground.rules["accuracy.file_shift"])
    return explain_shift(
        float(found["shift_e"]), float(found["shift_n"]), float(lon), float(lat), epoch, ground.crs, tolerance
    )


def _leave_out(
    occupations: gpd.GeoDataFrame, readings: gpd.GeoDataFrame, shifted: Mapping[str, str]
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Mark what came from a shifted file as not counting."""
    occupations, readings = occupations.copy(), readings.copy()
    for table in (occupations, readings):
        off = (table["file"].isin(list(shifted)) & table["used"].fillna(value=False)).to_numpy(dtype=bool)
        table.loc[off, "used"] = False
        table.loc[off, "why_not"] = "its file is shifted"
    return occupations, readings


def _markers_of_shifted(
    occupations: gpd.GeoDataFrame, markers: gpd.GeoDataFrame, numbers: ReadingNumbers
) -> gpd.GeoDataFrame:
    """Markers that only a shifted file holds: where they were read, and that it does not count."""
    known = {label_key(label) for label in markers["label"][~markers.geometry.isna()]}
    off = occupations[(occupations["why_not"] == "its file is shifted").fillna(value=False).to_numpy(dtype=bool)]
    off = off[[label_key(label) not in known for label in off["label"]]]
    if off.empty:
        return markers.iloc[:0]
    settled, _ = settle_occupations(off.assign(used=True), numbers)
    alone, _ = make_markers(settled, numbers)
    files = off.groupby("label")["file"].first()
    said = [f"read only in {files.get(label, 'a file')}, which is shifted" for label in alone["label"]]
    return alone.assign(
        state="set aside", holds=False, trusted=False, trusted_why="its file is shifted", explanation=said,
        radius_95=pd.NA, cov_ee=pd.NA, cov_en=pd.NA, cov_nn=pd.NA,
    )  # fmt: skip


# ---- judging markers ------------------------------------------------------------------------------------------------


@dataclass
class _Judged:
    markers: gpd.GeoDataFrame
    holds: npt.NDArray[np.bool_]
    doubtful: npt.NDArray[np.bool_]
    findings: list[Finding]
    causes: dict[str, dict[str, Any]]


def _judge(
    ground: Ground, plat: Plat, fits: Mapping[str, Fit], markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64],
    row_in_fit: npt.NDArray[np.int64], released: npt.NDArray[np.bool_], decided: Judgements, written: dict[str, str],
) -> _Judged:  # fmt: skip
    """Say of every marker what became of it, and whether it holds its corner."""
    rules, sites, n, match = ground.rules, plat.sites, len(markers), decided.match
    at, cov = _points(markers), _covariances(markers)
    plats = np.where(site >= 0, sites["plat"].to_numpy(dtype=object)[site], None)
    used, unresolved = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    miss = np.full((n, 2), np.nan)
    numbers = {name: np.full(n, np.nan) for name in ("redundancy", "w", "tau")}
    for name, fit in fits.items():
        mine = np.flatnonzero(np.equal(plats, name) & (row_in_fit >= 0))
        rows = row_in_fit[mine]
        used[mine], unresolved[mine], miss[mine] = fit.used[rows], fit.unresolved[rows], fit.misses[rows]
        for column, values in numbers.items():
            values[mine] = getattr(fit, column)[rows]
    fitted = np.array([name in fits for name in plats], dtype=bool)
    there = np.isfinite(at).all(axis=1)
    state = np.full(n, "set aside", dtype=object)
    state[used] = "used in the fit"
    state[site < 0] = "not on the plat"
    state[~there] = "no position"
    # a plat that could not be placed says nothing against its markers
    state[there & (site >= 0) & ~fitted] = "plat without fit"

    aside = np.flatnonzero(there & ~used & ~released & ((site < 0) | fitted))
    why = _explained(ground, plat, fits, markers, site, used, aside)
    explanation = np.full(n, None, dtype=object)
    explanation[released] = "its corner is recorded as disturbed"
    for judged_row, words in decided.said.items():
        explanation[judged_row] = words
    elsewhere = decided.stands >= 0
    sure = (decided.right & (site >= 0) | elsewhere) & there & fitted
    holds, doubtful = used | sure, unresolved & used & ~sure
    findings: list[Finding] = []
    causes: dict[str, dict[str, Any]] = {}
    corner_ids = plat.corners["corner_id"].to_numpy(dtype=object)
    short = sites["short_side"].to_numpy(dtype=float)
    for row in np.flatnonzero(unresolved & ~sure):
        where = (float(at[row, 0]), float(at[row, 1]))
        chance = fits[str(plats[row])].bad_chance
        share = "" if chance is None else f" (chance {chance[row_in_fit[row]]:.0%} that it is this one)"
        reason = f"misses by {_length(ground, miss[row])}, and too few markers are left to tell which is wrong{share}"
        findings.append(find("marker unexplained", markers["marker_id"].iloc[row], reason, at=where))
        causes[str(markers["marker_id"].iloc[row])] = {
            "kind": "marker unexplained",
            "detail": reason,
            "corner_id": None,
        }
    for row in aside:
        found = why.loc[row]
        label, where = str(markers["marker_id"].iloc[row]), (float(at[row, 0]), float(at[row, 1]))
        if sure[row]:
            continue
        kind, detail = str(found["kind"]), str(found["detail"])
        section = (
            _or_none(sites["section"].iloc[site[row]]) if site[row] >= 0 else _or_none(markers["section"].iloc[row])
        )
        if pd.notna(found["second"]):
            detail += f"; or {found['second']}"
        elif kind != "marker unexplained":
            detail += f" (odds {say_odds(float(found['odds']))})"
        if site[row] < 0 and kind != "label misread":
            kind = "label not on plat"
            candidates = match[row].candidates
            if candidates:
                detail = f"it could be {', '.join(candidates[:4])}"
        if site[row] >= 0:
            read, meant = str(markers["label"].iloc[row]), str(sites["label"].iloc[site[row]])
            given = _or_none(markers["section"].iloc[row])
            if label_key(meant) not in {label_key(read), label_key(f"{given}-{read}")}:
                detail = f"taken for {meant}, it {detail}"
        twin = _same_place(ground, at, cov, int(row))
        if len(twin):
            named = ", ".join(markers["marker_id"].astype(str).iloc[twin[:3]])
            detail += f"; {named} was read at the same place: one marker under two labels?"
        explanation[row] = f"{kind}: {detail}"
        explained = None if pd.isna(found["corner_index"]) else str(corner_ids[int(found["corner_index"])])
        causes[label] = {"kind": kind, "detail": detail, "corner_id": explained}
        findings.append(find(kind, label, detail, section=section, at=where))
        # Past graves were taped from a marker that moved or was set there, so its lot stays on it, with its miss in
        # the covariance; one whose label is in doubt, or that misses by much of a lot, holds nothing.
        near = np.hypot(*miss[row]) <= rules["fit.hold_share"] * short[site[row]] if site[row] >= 0 else False
        if kind == "marker moved or set there" and near:
            holds[row] = doubtful[row] = True
    against = np.isin(np.arange(n), aside) & ~holds & (site >= 0)
    findings += _contradicted(ground, plat, markers, site, there & (site >= 0) & fitted, against, written)
    of_site = pd.Series(np.where(site >= 0, sites["section"].to_numpy(dtype=object)[site], None), index=markers.index)
    table = markers.assign(
        section=of_site.where(of_site.notna(), markers["section"].astype(object)),
        lot_id=[found.lot_id for found in match],
        corner_id=np.where(site >= 0, corner_ids[sites["corner_index"].to_numpy(dtype=np.int64)[site]], None),
        state=state, holds=holds, explanation=explanation,
        miss_e=miss[:, 0], miss_n=miss[:, 1], miss=np.hypot(miss[:, 0], miss[:, 1]), **numbers,
    )  # fmt: skip
    return _Judged(table, holds, doubtful, findings, causes)


def _written_wrongly(
    ground: Ground, plat: Plat, name: str, markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64],
    first: Sequence[str] = (),
) -> str:  # fmt: skip
    """Say what else may be written of a section of a plat, if a change explains its markers; some are tried first."""
    there = (~markers.geometry.isna()).to_numpy(dtype=bool)
    labels, at = _labels(markers[there]), _points(markers)[there]
    on_it = [one.name for one in ground.sections if one.plat == name and (plat.sites["section"] == one.name).any()]
    told: list[tuple[int, str]] = []
    for section in sorted(on_it, key=lambda one: one not in first):
        now, ways = other_ways(ground, plat, section, labels, at, site[there])
        if ways:
            many = ways[0].agreement.own + ways[0].agreement.others
            told.append((many, f"; section {section}: {say_ways(now, ways, ground.unit)}"))
            if section in first:
                break
    most = max((many for many, _ in told), default=0)
    return "".join(words for many, words in told if many == most)


def _contradicted(
    ground: Ground, plat: Plat, markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64], found: npt.NDArray[np.bool_],
    against: npt.NDArray[np.bool_], causes: dict[str, str],
) -> list[Finding]:  # fmt: skip
    """Rows and sections in which so many markers stand against the plat that it may be written wrongly itself.

    `causes` are what is known already of a plat (`_written_wrongly`); it takes what is found here.
    """
    sites = plat.sites.iloc[site[found]]
    table = pd.DataFrame({
        "section": sites["section"].to_numpy(dtype=object), "against": against[found],
        "row": sites["row"].to_numpy(dtype=object), "label": sites["label"].to_numpy(dtype=object),
    })  # fmt: skip
    begins = [(f"{label_key(name)}-", name) for name in pd.unique(plat.sites["section"])]
    strange = markers[(~markers.geometry.isna()).to_numpy(dtype=bool) & (site < 0)]
    lost = pd.Series([
        next((name for start, name in begins if name == _or_none(given) or label_key(label).startswith(start)), None)
        for label, given in _labels(strange)
    ], dtype=object).value_counts()  # fmt: skip
    reasons: dict[str, str] = {}
    for name, part in table.groupby("section", sort=True):
        said = []
        for row, few in part.groupby("row", sort=True):
            if few["against"].sum() >= _MANY and few["against"].mean() > _ROW_SHARE:
                said.append(f"{few['against'].sum()} of {len(few)} in row {row}")
        if part["against"].sum() >= _MANY and part["against"].mean() > _SECTION_SHARE:
            said.insert(0, f"{part['against'].sum()} of {len(part)} in the section")
        nowhere = int(lost.get(name, 0))
        many = len(part) + nowhere
        if said:
            wrong = part.loc[part["against"], "label"].astype(str).tolist()
            more = f" and {len(wrong) - 6} more" if len(wrong) > 6 else ""
            reasons[str(name)] = (
                f"{', '.join(said)} of the markers found lie where other lots belong: {', '.join(wrong[:6])}{more}"
            )
        elif nowhere >= _MANY and nowhere > _SECTION_SHARE * many:
            reasons[str(name)] = f"{nowhere} of the {many} markers found in the section bear numbers that no lot has"
    findings = []
    plat_of = {one.name: str(one.plat) for one in ground.sections}
    for name, reason in reasons.items():
        on = plat_of[name]
        if on not in causes:
            doubted = [one for one in reasons if plat_of[one] == on]
            causes[on] = _written_wrongly(ground, plat, on, markers, site, doubted)
        why = causes[on] or "; no single change of what is written of it explains that"
        findings.append(find("plat contradicted", name, f"{reason}{why}", section=name))
    return findings


def _same_place(ground: Ground, at: Floats, cov: Floats, row: int) -> npt.NDArray[np.int64]:
    """Other markers that were read where this one was."""
    far = np.hypot(*(at - at[row]).T)
    spread = np.sqrt(np.trace(cov, axis1=1, axis2=2) + np.trace(cov[row]))
    near = far <= np.maximum(ground.rules["marker.trusted_agree"], 3.0 * spread)
    near[row] = False
    return np.flatnonzero(near)


def _length(ground: Ground, vector: Floats) -> str:
    return say_length(float(np.hypot(vector[0], vector[1])), ground.unit)


def _explained(
    ground: Ground, plat: Plat, fits: Mapping[str, Fit], markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64],
    used: npt.NDArray[np.bool_], aside: npt.NDArray[np.int64],
) -> pd.DataFrame:  # fmt: skip
    """Likeliest cause of each marker set aside, from all sites of all fitted plats, and the corner it names."""
    sites = plat.sites
    places = sites[["plat_x", "plat_y"]].to_numpy(dtype=float)
    grid, spread = np.full((len(sites), 2), np.nan), np.full((len(sites), 2, 2), np.nan)
    for name, fit in fits.items():
        here = (sites["plat"] == name).to_numpy()
        grid[here], spread[here] = fit.place(places[here]), fit.covariance_at(places[here])
    agrees = np.zeros(len(sites), dtype=bool)
    agrees[site[used & (site >= 0)]] = True
    known = np.isfinite(grid).all(axis=1)
    table = _spots(sites["label"], sites["section"], grid, spread).assign(agrees=agrees)[known]
    chosen = markers.iloc[aside]
    at, cov = _points(chosen), _covariances(chosen)
    labels = [
        str(sites["label"].iloc[s]) if s >= 0 else str(own) for s, own in zip(site[aside], chosen["label"], strict=True)
    ]
    sections = [
        sites["section"].iloc[s] if s >= 0 else own for s, own in zip(site[aside], chosen["section"], strict=True)
    ]
    frame = _spots(labels, sections, at, cov)
    frame.index = pd.Index(aside)
    corners = _other_corners(plat, fits, sorted({int(s) for s in site[aside] if s >= 0}))
    moved, alpha = ground.rules["marker.moved_sigma"], ground.rules["fit.alpha"]
    why = explain(frame, table, corners, moved_sigma=moved, alpha=alpha, unit=ground.unit)
    of_site = sites["corner_index"][known].astype("Int64").to_numpy(dtype=object)
    corner = pd.Series(pd.NA, index=why.index, dtype="Int64")
    for row, found in why.iterrows():
        if pd.notna(found["site"]):
            corner[row] = of_site[int(found["site"])]
        elif corners is not None and pd.notna(found["corner"]):
            corner[row] = int(corners["corner_index"].iloc[int(found["corner"])])
    return why.assign(corner_index=corner)


def _spots(labels: Any, sections: Any, at: Floats, cov: Floats) -> pd.DataFrame:
    return pd.DataFrame(
        {"label": np.asarray(labels, dtype=object), "section": np.asarray(sections, dtype=object), "e": at[:, 0],
         "n": at[:, 1], "cov_ee": cov[:, 0, 0], "cov_en": cov[:, 0, 1], "cov_nn": cov[:, 1, 1]}
    )  # fmt: skip


def _other_corners(plat: Plat, fits: Mapping[str, Fit], chosen: list[int]) -> pd.DataFrame | None:
    """Where the markers of these sites would stand at the other corners of their lots, set in by as much."""
    sites, rings, starts = plat.sites, *plat.lot_rings
    lots = {str(lot): row for row, lot in enumerate(plat.lots["lot_id"])}
    xy = plat.corners_plat_xy
    parts = []
    for number in chosen:
        one = sites.iloc[number]
        lot = lots.get(str(one["lot_id"]))
        if lot is None or one["plat"] not in fits:
            continue
        ring = rings[starts[lot] : starts[lot + 1]]
        middle = (xy[ring].min(axis=0) + xy[ring].max(axis=0)) / 2
        reach = np.abs(xy[ring] - middle) >= 0.99 * np.abs(xy[ring] - middle).max(axis=0)
        true = ring[reach.all(axis=1) & (ring != one["corner_index"])]
        if not len(true):
            continue
        side = np.sign(xy[true] - middle)
        inset = np.abs([one["inset_x"], one["inset_y"]])
        at = xy[true] - side * inset
        fit = fits[one["plat"]]
        words = [f"{'north' if n > 0 else 'south'}{'east' if e > 0 else 'west'}" for e, n in side]
        spots = _spots([one["label"]] * len(true), [one["section"]] * len(true), fit.place(at), fit.covariance_at(at))
        parts.append(spots.assign(corner=words, corner_index=true))
    return pd.concat(parts, ignore_index=True) if parts else None


# ---- who holds which corner -----------------------------------------------------------------------------------------


def _hold(
    ground: Ground, plat: Plat, fits: Mapping[str, Fit], judged: _Judged, row_in_fit: npt.NDArray[np.int64],
    records: Iterable[Mapping[str, Any]], alone: gpd.GeoDataFrame, decided: Judgements,
    disturbed: npt.NDArray[np.bool_],
) -> tuple[Placed, npt.NDArray[np.bool_], list[Finding]]:  # fmt: skip
    """Place every corner on its marker where one holds it, else by the fit; release what would fold a lot."""
    sites, corners, records = plat.sites, plat.corners, list(records)
    m = len(corners)
    site, stands = decided.site, decided.stands
    corner_of = np.where(site >= 0, sites["corner_index"].to_numpy()[site], -1)
    inset = sites[["inset_x", "inset_y"]].to_numpy(dtype=float)[site]
    # at another corner a marker is set in from the other sides
    across = np.abs(plat.corners_plat_xy[stands] - plat.corners_plat_xy[corner_of]) > TOLERANCE
    inset = np.where((stands >= 0)[:, None] & across, -inset, inset)
    corner_of = np.where(stands >= 0, stands, corner_of)
    names = pd.Index(corners["corner_id"].astype(str))
    by_hand = edits.moved_corners(records, crs=ground.crs.name).reindex(names)
    hand_xy = by_hand[["easting", "northing"]].to_numpy(dtype=float)
    moved = np.isfinite(hand_xy).all(axis=1)
    at, cov = _points(judged.markers), _covariances(judged.markers)
    plat_of = sites["plat"].astype(str).to_numpy()[site]  # of no meaning where site is -1, and nothing holds there
    in_fit = np.where(judged.markers["state"].eq("used in the fit").to_numpy(dtype=bool), row_in_fit, -1)
    rows_of = {name: np.flatnonzero((corners["plat"] == name).to_numpy()) for name in fits}
    fitted = np.full((m, 2), np.nan)
    for name, rows in rows_of.items():
        fitted[rows] = fits[name].place(plat.corners_plat_xy[rows])

    holding = _one_each(corner_of, judged.holds & (corner_of >= 0) & ~disturbed[corner_of] & ~moved[corner_of], cov)
    findings: list[Finding] = []
    while True:
        located = {}
        grid = fitted.copy()
        for name, rows in rows_of.items():
            own = np.full(m, -1, dtype=np.int64)
            own[rows] = np.arange(len(rows))
            mine = np.flatnonzero(holding & np.equal(plat_of, name))
            hand = rows[moved[rows]]
            # a corner somebody put in place is as sure as the best single occupation would make it
            hand_cov = np.broadcast_to(np.eye(2) * ground.rules["occupation.floor_fixed"] ** 2, (len(hand), 2, 2))
            located[name] = locate(
                fits[name], plat.corners_plat_xy[rows],
                np.concatenate([own[corner_of[mine]], own[hand]]),
                np.concatenate([at[mine] - fits[name].turn(inset[mine]), hand_xy[hand]]),
                np.concatenate([cov[mine], hand_cov]),
                np.concatenate([in_fit[mine], np.full(len(hand), -1)]),
                np.concatenate([judged.doubtful[mine], np.zeros(len(hand), dtype=bool)]),
            )  # fmt: skip
            grid[rows] = located[name].grid_xy
        bad = lot_sanity(plat, grid, fitted, area_share=ground.rules["lot.area_change"])
        around = np.isin(corner_of, lot_corners(plat, bad["lot_id"])) if len(bad) else np.zeros(len(site), dtype=bool)
        release = np.flatnonzero(holding & (judged.doubtful | decided.right) & around)
        if not len(release):
            break
        holding[release] = False
        findings += [
            find(
                "lot out of shape", judged.markers["lot_id"].iloc[row], "with its doubtful marker "
                f"{judged.markers['marker_id'].iloc[row]}; it does not follow that marker",
                section=_or_none(judged.markers["section"].iloc[row]), at=(float(at[row, 0]), float(at[row, 1])),
            )
            for row in release
        ]  # fmt: skip
    findings += [find("lot out of shape", row.lot_id, row.reason, section=row.section) for row in bad.itertuples()]

    ids = judged.markers["marker_id"].to_numpy(dtype=object)
    marker_id = np.full(m, None, dtype=object)
    state = np.where(corners["has_marker"].to_numpy(dtype=bool), "unfound", "fitted").astype(object)
    # a marker only a shifted file holds was found, but where it is cannot be said
    apart = [(match_label(label, _or_none(section), plat).site, name)
             for (label, section), name in zip(_labels(alone), alone["marker_id"], strict=True)]  # fmt: skip
    for found, name in apart:
        if found is not None:
            corner = int(sites["corner_index"].iloc[found])
            state[corner], marker_id[corner] = "doubtful", name
    every = np.flatnonzero(corner_of >= 0)
    state[corner_of[every]], marker_id[corner_of[every]] = "doubtful", ids[every]
    sure = np.flatnonzero(holding)
    state[corner_of[sure]] = np.where(judged.doubtful[sure], "doubtful", "found")
    marker_id[corner_of[sure]] = ids[sure]
    state[disturbed] = "disturbed"
    return put_together(plat, located, state, marker_id), holding, findings


def _one_each(corner: npt.NDArray[np.int64], holds: npt.NDArray[np.bool_], cov: Floats) -> npt.NDArray[np.bool_]:
    """Of several markers that hold one corner only the surest does."""
    out = np.zeros(len(corner), dtype=bool)
    rows = np.flatnonzero(holds)
    order = rows[np.lexsort((np.trace(cov[rows], axis1=1, axis2=2), corner[rows]))]
    first = np.concatenate([[True], np.diff(corner[order]) != 0]) if len(order) else np.empty(0, dtype=bool)
    out[order[first]] = True
    return out


# ---- what the fit says ----------------------------------------------------------------------------------------------


def _tell(
    ground: Ground, fits: Mapping[str, Fit], markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64],
    sites: pd.DataFrame, taken: Ingested, n_alone: int,
) -> tuple[str, dict[str, Any], list[str]]:  # fmt: skip
    unit = ground.unit
    # coordinates of a design agree with themselves: they say nothing of accuracy
    measured_fits = [fit for name, fit in fits.items() if not ground.plat(name).design]
    none = np.empty((0, 2))
    every = np.concatenate([none, *(fit.leave_one_out[fit.used] for fit in measured_fits)])
    places = np.concatenate([none, *(fit.grid_xy[fit.used] for fit in measured_fits)])
    good = np.isfinite(every).all(axis=1)
    sentence = leave_one_out_words(every, unit)
    accuracy = sentence[0].upper() + sentence[1:] + "."
    statement = None
    if good.any():
        standard = nssda(
            every[good, 0], every[good, 1], unit, points=ground.rules["accuracy.nssda_points"], places=places[good]
        )
        statement = standard.statement
        if statement:
            named = "; ".join(["FGDC-STD-007.3-1998", *standard.caveats])
            accuracy += f" {statement}, predicted places of markers against the markers found ({named})."
    said, facts = [], {}
    used, files = taken.readings["used"].fillna(value=False).sum(), taken.readings["file"].nunique()
    said.append(
        f"Read {len(taken.readings):,} readings from {files} file{'s' if files > 1 else ''}, {used:,} of them used: "
        f"{len(taken.occupations)} occupations of {len(markers) + n_alone} markers, "
        f"{int(markers['trusted'].fillna(value=False).sum())} trusted."
    )
    for name, fit in fits.items():
        total = int((sites["plat"] == name).sum())
        said.append(
            f"Plat {name}: {len(fit.used)} of {total} markers found, {_agree_said(fit)}. They were set about "
            f"{say_length(fit.set_to, unit)} off their places, each way; "
            f"{_bend_said(fit, unit, asked=ground.plat(name).local)}. ({fit.model.capitalize()} fit, scale "
            f"{_scale_said(fit)}, plat north at grid azimuth {fit.azimuth_of_plat_north:.2f}°.)"
            + (" By design, not surveyed: it does not count in the accuracy." if ground.plat(name).design else "")
        )
        facts[name] = {
            "model": fit.model, "found": len(fit.used), "of": total, "used": int(fit.used.sum()),
            "scale": round(fit.scale, 8), "grid_azimuth_of_plat_north": round(fit.azimuth_of_plat_north, 5),
            "setting_sigma": round(fit.set_to, 4), "bend": _bend(fit), "sigma0": _plain(fit.sigma0),
            "checked": bool(fit.checked), "redundancy": fit.redundancy_total,
            "axis_scales": [round(one, 8) for one in fit.axis_scales], "skew_deg": round(fit.skew_deg, 5),
        }  # fmt: skip
    if not fits:
        accuracy = "Nothing is measured: only niches are described."
        return accuracy, {"plats": facts, "accuracy": accuracy, "nssda": statement, "rows": []}, [accuracy]
    said.append(accuracy)
    plain = plain_words(every, unit)
    if plain:
        said.append(f"On the tape: {plain}.")
    rows = _rows(fits, markers, site, sites, taken.factor)
    said += row_words(rows, unit)
    control = taken.control
    for row in control.itertuples():
        if row.state == "agrees":
            said.append(f"Control {row.control_id} agrees to {say_length(float(row.miss), unit)}.")
    if not len(control) or (control["state"] == "not read").all():
        said.append("Absolute position unchecked: ties are sound, staking coordinates are not.")
    measured = rows.round(4).to_dict("records")
    return accuracy, {"plats": facts, "accuracy": accuracy, "nssda": statement, "rows": measured}, said


def _bend(fit: Fit) -> dict[str, float] | None:
    """How the plat bends beside its fit, for the record."""
    if fit.local is None:
        return None
    likely = fit.local.likely
    return {
        "sigma": round(likely.sigma, 4), "length": round(likely.length, 1), "chance": round(fit.local.chance, 4),
    }  # fmt: skip


def _bend_said(fit: Fit, unit: Unit, *, asked: bool) -> str:
    if fit.local is None:
        return "they show no bend of the plat" if asked else "no bend of the plat was looked for"
    likely = fit.local.likely
    if fit.local.chance < 0.95:
        return (
            f"whether the plat bends from place to place they cannot tell yet (chance {fit.local.chance:.0%}), and the "
            "radius of every space allows for both"
        )
    size, over = say_length(likely.sigma, unit, 1), say_length(likely.length, unit, 0)
    return f"the plat bends by about {size} within {over}, and places follow the bend"


def _scale_said(fit: Fit) -> str:
    """Say the scale; of an affine fit that of either axis, and by how much its right angles are off."""
    if fit.model != "affine":
        return f"{fit.scale:.6f}"
    x, y = fit.axis_scales
    off = "" if abs(fit.skew_deg) < _SQUARE else f", its right angles {90.0 - fit.skew_deg:.2f}° on the ground"
    return f"{x:.6f} along its x and {y:.6f} along its y{off}"


def _agree_said(fit: Fit) -> str:
    good, off = int(fit.used.sum()), int((~fit.used).sum())
    if not off:
        return "and all agree"
    return f"{good} agree with one another and {off} {'does' if off == 1 else 'do'} not"


def _rows(
    fits: Mapping[str, Fit], markers: gpd.GeoDataFrame, site: npt.NDArray[np.int64], sites: pd.DataFrame, factor: float
) -> pd.DataFrame:
    """Rows of lots measured between the markers that agree, in lengths on the ground."""
    good = markers["state"].eq("used in the fit").to_numpy(dtype=bool)
    place = np.full((len(sites), 2), np.nan)
    place[site[good]] = _points(markers)[good] / factor
    setting = sites["plat"].map({name: fit.set_to for name, fit in fits.items()}).to_numpy(dtype=float)
    return row_lengths(sites, place, setting)


def _plain(value: float) -> float | None:
    return None if not np.isfinite(value) else round(float(value), 4)
