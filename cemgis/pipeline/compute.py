"""The whole computation, from a folder's evidence to tables and findings; nothing is written here."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from cemgis import __version__, edits, schema
from cemgis.adjust import radius_95
from cemgis.backing import seen_otherwise
from cemgis.capacity import capacity
from cemgis.clearance import clearances, lost_spaces
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.findings import Finding, find
from cemgis.fit import Fit
from cemgis.ground import HeadsException
from cemgis.layers import LAYERS
from cemgis.occupations import make_markers
from cemgis.orientation import orient
from cemgis.pipeline.around import weigh_set_there
from cemgis.pipeline.collecting import aside_findings
from cemgis.pipeline.evidence import Evidence, gather_evidence, read_ground
from cemgis.pipeline.idle import idle_records
from cemgis.pipeline.opening_records import dug_from_records, settling_due
from cemgis.pipeline.placing import Placing, ingest, place
from cemgis.pipeline.probed import fit_probes, probe_labels
from cemgis.pipeline.registering import (
    GROUND_FILE,
    REGISTER_FINDINGS,
    RegisterChanges,
    crosswalk_of,
    register_changes,
    take_in,
)
from cemgis.pipeline.run import STAGES, Run
from cemgis.pipeline.surveyed import SURVEYED, surveyed
from cemgis.places import label_key
from cemgis.plat import Plat, make_plat, overlaps
from cemgis.reference import convergence, declination, to_lonlat
from cemgis.register import TABLES, Register
from cemgis.spaces import build_corners, build_lots, build_sections, build_spaces
from cemgis.states import space_states
from cemgis.units import compass_azimuth, compass_word, say_azimuth, say_length
from cemgis.vaults import against_spaces

__all__ = ["compute", "register"]

log = logging.getLogger("cemgis")

_LIBRARIES = ("geopandas", "numpy", "pandas", "pyogrio", "pyproj", "scipy", "shapely")


def compute(folder: Path, until: str = STAGES[-1]) -> Run:
    """Compute a ground from its evidence and records.

    Parameters
    ----------
    folder : Path
    until : str
        Last stage, one of `STAGES`.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        When the input cannot be used, with all its problems.
    """
    ground = read_ground(Path(folder))
    evidence = gather_evidence(ground)
    run = Run(ground, records=evidence.records, findings=[*evidence.findings, *idle_records(evidence.records)])
    stage = STAGES.index(until)

    log.info("gathering occupations")
    taken = ingest(ground, evidence)
    run.findings += taken.findings
    run.tables.update(
        readings=taken.readings, occupations=_shaped(taken.occupations, "occupations"), control=taken.control
    )
    if stage == 0:
        markers, findings = make_markers(taken.occupations, taken.numbers, taken.taped, combined_factor=taken.factor)
        run.tables["markers"] = markers
        run.findings += findings
        return run

    labels = probe_labels(evidence.probes)
    hit = taken.occupations["label"].map(label_key).isin(labels).to_numpy(dtype=bool)
    probed = taken.occupations[hit]
    taken.occupations = taken.occupations[~hit].reset_index(drop=True)

    log.info("drawing the plats")
    plat = make_plat(ground, evidence.lots)
    single = plat.spaces["space_id"][plat.spaces["lot_id"].isna().to_numpy(dtype=bool)]
    run.findings += [*plat.findings, *seen_otherwise(ground.sections, plat.lots, set(single.astype(str)))]
    log.info("fitting")
    placed = place(ground, plat, taken, evidence.records)
    run.findings += placed.findings
    run.said += placed.said
    run.facts.update(placed.facts)
    every = _joined(placed.occupations, probed, "occupations", ground.crs.crs)
    run.tables.update(readings=placed.readings, occupations=every, markers=placed.markers)
    run.plat, run.corners, run.factor, run.fits = plat, placed.corners, taken.factor, placed.fits
    if stage == 1:
        return run

    log.info("building %s spaces", f"{len(plat.spaces):,}")
    _build(run, evidence, plat, placed)
    _settle(run, evidence, plat)
    weigh_set_there(run, plat, placed)
    if stage >= 3:
        log.info("heads")
        _heads(run, plat)
    if stage >= 4:
        log.info("clearances")
        run.tables["vaults"] = _against_spaces(run)
        names = ("vaults", "spaces", "monuments", "probable_graves", "obstacles", "drives")
        table, findings = clearances(*(run.tables[name] for name in names), rules=ground.rules, unit=ground.unit)
        run.tables["clearances"] = table
        run.findings += findings
    counts = capacity(run.tables["spaces"], run.tables["niches"])
    if stage >= 5:
        run.tables["capacity"] = counts.counts
        run.said += list(counts.words)
        run.facts["capacity"] = counts.counts.to_dict("records")
    run.tables["sections"] = _with_vacant(run.tables["sections"], counts.by_section)
    _carry(run, evidence, ("corners", "lots", "sections"))
    run.facts["spaces"] = len(run.tables["spaces"])
    run.facts["lots"] = len(run.tables["lots"])
    if stage == len(STAGES) - 1:
        run.findings += aside_findings(run.tables, evidence.records)
    run.tables["findings"] = run.findings_table
    run.tables["run"] = _run_table(run, evidence, placed)
    for name, layer in LAYERS.items():
        if name not in run.tables and stage == len(STAGES) - 1:
            run.tables[name] = schema.empty(layer, ground.crs.crs)
    return run


def _shaped(table: pd.DataFrame, name: str) -> gpd.GeoDataFrame | pd.DataFrame:
    return schema.restore(table, LAYERS[name], getattr(table, "crs", None))


def _build(run: Run, evidence: Evidence, plat: Plat, placed: Placing) -> None:
    """Corners, lots, spaces and sections, and where plats claim the same land."""
    ground, tables, crs = run.ground, run.tables, run.ground.crs.crs
    corners = placed.corners
    tables["corners"] = build_corners(plat, corners, crs)
    north = {name: _true_north_of_plat(run, fit) for name, fit in placed.fits.items()}
    tables["lots"] = build_lots(plat, corners, crs, north)
    for name, azimuth in north.items():
        off = (azimuth + 180.0) % 360.0 - 180.0
        if abs(off) > ground.rules["plat.north_off"]:
            reason = f"plat north points {say_azimuth(azimuth, 'true')}; compass words are turned to match the ground"
            run.findings.append(find("plat north is not north", name, reason))
    tables["spaces"] = spaces = build_spaces(plat, corners, crs)
    outlines = {}
    for name, shape in evidence.outlines.items():
        fit = placed.fits.get(ground.section(name).plat or "")
        if fit is not None:
            outlines[name] = shapely.transform(shape, fit.place)
    dates = {entry.name: entry.date for entry in ground.plats}
    sources = {entry.name: entry.source for entry in ground.plats}
    tables["sections"] = build_sections(
        plat, corners, ground.sections, dates, spaces, outlines, crs, gap=ground.rules["section.outline_gap"],
        plat_sources=sources,
    )  # fmt: skip
    tables["niches"] = schema.restore(plat.niches, LAYERS["niches"])
    by_space = plat.spaces.set_index("space_id")["row"]
    run.rows = pd.Series(by_space.reindex(spaces["space_id"].astype(object)).to_numpy(), index=spaces.index)
    least = (
        2.0 * float(np.nanmedian(spaces["radius_95"].to_numpy(dtype=float, na_value=np.nan))) if len(spaces) else 0.0
    )
    run.findings += _unsure(run)
    run.findings += overlaps(tables["sections"], tables["lots"], least=least, unit=ground.unit)


def _unsure(run: Run) -> list[Finding]:
    """One finding a section with spaces that may lie where their neighbour is thought to be."""
    spaces = run.tables["spaces"]
    radius = spaces["radius_95"].to_numpy(dtype=float, na_value=np.nan)
    share = radius / spaces["width"].to_numpy(dtype=float, na_value=np.nan)
    found = []
    markers = run.tables["markers"]
    for section, rows in spaces[share > run.ground.rules["space.unsure_share"]].groupby("section"):
        worst = rows.loc[rows["radius_95"].idxmax()]
        reason = (
            f"{len(rows)} of its spaces may lie half a space or more from where they are drawn, the least sure "
            f"{worst['space_id']} ({say_length(float(worst['radius_95']), run.ground.unit)} at 95 %)"
        )
        own = markers.loc[(markers["section"] == section).fillna(value=False), "radius_95"].astype(float).median()
        todo = None
        if own > float(rows["radius_95"].min()):
            reason += f"; the readings of its markers are themselves no better than {say_length(own, run.ground.unit)}"
            todo = "Read its markers again with corrections, or say in ground.toml how good the readings are."
        at = worst.geometry.centroid
        found.append(find("places unsure", section, reason, section=str(section), at=(at.x, at.y), todo=todo))
    return found


def _true_north_of_plat(run: Run, fit: Fit) -> float:
    """Return the true azimuth of the plat's y axis where its markers are."""
    turn = float(convergence(fit.offset[None], run.ground.crs)[0])
    return (fit.azimuth_of_plat_north + turn) % 360.0


def _settle(run: Run, evidence: Evidence, plat: Plat) -> None:
    """Surveyed things, the register, and what is known of each space's use."""
    ground, tables = run.ground, run.tables
    # places of a plat that could not be placed are places all the same: the ledger may name them
    spaces = _drawn(tables["spaces"], plat.spaces, "space_id")
    lots = _drawn(tables["lots"], plat.lots, "lot_id")
    found, findings = surveyed(ground, evidence.features)
    run.findings += findings
    dug = dug_from_records(ground, evidence.records)
    run.findings += dug.findings
    dug_in = ~dug.openings["space_id"].isin(tables["niches"]["space_id"]).to_numpy(dtype=bool)
    run.findings += settling_due(dug.openings[dug_in], ground.rules["close.settle_weeks"], _as_of(run).date())
    tables.update(found, openings=dug.openings)
    for name in ("vaults", "probable_graves", "monuments"):
        tables[name] = _joined(found[name], dug.rows[name], name, ground.crs.crs)
    probed, findings = fit_probes(ground, evidence.probes, tables["occupations"], tables["spaces"])
    run.findings += findings
    for name, rows in probed.items():
        tables[name] = _joined(tables[name], rows, name, ground.crs.crs)
        schema.check(tables[name], LAYERS[name])
    tables["vaults"] = dug.without_taken(tables["vaults"])
    _carry(run, evidence, SURVEYED)
    run.crosswalk = crosswalk_of(evidence)
    register = take_in(
        evidence,
        ground.rules,
        spaces=spaces,
        niches=tables["niches"],
        lots=lots,
        shapes=tables["spaces"],
        entered=dug.rows,
        today=datetime.now(UTC).date(),
        titles={section.name: section.title for section in ground.sections if section.title},
    )
    tables.update({name: getattr(register, name) for name in TABLES})
    run.findings += register.findings
    rules = ground.rules
    lost = lost_spaces(tables["spaces"], tables["obstacles"], tables["drives"], rules=rules)
    kinds = tables["spaces"]["space_id"].astype(object).map(edits.latest(run.records, "spaces", "kind"))
    meant = tables["spaces"].assign(kind=tables["spaces"]["kind"].mask(kinds.notna(), kinds.astype("string")))
    states, findings = space_states(
        meant, tables["events"], tables["rights"], rules=rules,
        probable_graves=tables["probable_graves"], vaults=tables["vaults"], monuments=tables["monuments"], lost=lost,
    )  # fmt: skip
    run.findings += findings
    tables["spaces"] = _assigned(tables["spaces"], states)
    niches, findings = space_states(tables["niches"], tables["events"], tables["rights"], rules=rules)
    run.findings += findings
    tables["niches"] = _assigned(tables["niches"], niches)
    _carry(run, evidence, ("spaces",))


def _joined(first: Any, second: Any, name: str, crs: Any) -> Any:
    """Return a layer with rows added to it."""
    if not len(second):
        return first
    both = pd.concat([first, second], ignore_index=True) if len(first) else second
    return gpd.GeoDataFrame(schema.restore(both, LAYERS[name], crs), geometry="geometry", crs=crs)


def register(folder: Path) -> RegisterChanges:
    """Read the register of a ground and compare it with what ``ground.gpkg`` holds; nothing is written.

    Raises
    ------
    InputError
        When the input cannot be used.
    """
    run = compute(folder, until="spaces")
    path = Path(folder) / GROUND_FILE
    built = geopackage.read_ground(path) if path.exists() else None
    findings = [item for item in run.findings if item.kind in REGISTER_FINDINGS]
    now = Register(**{name: run.tables[name] for name in TABLES}, findings=findings)
    return register_changes(run.ground.name, now, built)


def _drawn(built: pd.DataFrame, drawn: pd.DataFrame, key: str) -> pd.DataFrame:
    """Rows that were built, and those of the plat that were not."""
    plain = pd.DataFrame(built.drop(columns="geometry", errors="ignore"))
    rest = drawn[~drawn[key].isin(plain[key])]
    names = [name for name in plain.columns if name in rest]
    return pd.concat([plain, rest[names].astype(plain[names].dtypes)], ignore_index=True) if len(rest) else plain


def _assigned(table: Any, columns: pd.DataFrame) -> Any:
    return table.assign(**{name: columns[name] for name in columns.columns if name in table})


def _heads(run: Run, plat: Plat) -> None:
    ground, tables = run.ground, run.tables
    spaces = tables["spaces"]
    middle = shapely.get_coordinates(shapely.centroid(spaces.geometry.to_numpy()))
    grid_to_true = convergence(middle, ground.crs) if len(middle) else 0.0
    columns, findings = orient(
        spaces, {section.name: section.heads for section in ground.sections}, rules=ground.rules,
        convergence_deg=grid_to_true, rows=run.rows, monuments=tables["monuments"], vaults=tables["vaults"],
        events=tables["events"], exceptions=_exceptions(run, plat),
    )  # fmt: skip
    run.findings += findings
    tables["spaces"] = _assigned(spaces, columns)


def _against_spaces(run: Run) -> Any:
    """Vaults with how they lie in their spaces."""
    vaults, spaces = run.tables["vaults"], run.tables["spaces"]
    middle = shapely.get_coordinates(shapely.centroid(spaces.geometry.to_numpy()))
    turn = convergence(middle, run.ground.crs) if len(middle) else 0.0
    heads = spaces["heads_azimuth"].to_numpy(dtype=float, na_value=np.nan) - turn
    found = _assigned(vaults, against_spaces(vaults, spaces, heads))
    # A vault that was taped or surveyed has one spread for both coordinates; a probed one has its own covariance.
    of_sigma = float(radius_95(np.eye(2))) * found["sigma"].astype(float)
    found["radius_95"] = found["radius_95"].astype(float).fillna(of_sigma)
    return schema.restore(found, LAYERS["vaults"], vaults.crs)


def _exceptions(run: Run, plat: Plat) -> list[HeadsException]:
    """Spaces with a rule of their own: what a person settled by hand goes before what ``ground.toml`` says."""
    built = set(run.tables["spaces"]["space_id"].astype(object))
    unbuilt = set(plat.spaces["space_id"].astype(object)) - built
    written = {item.space: item for section in run.ground.sections for item in section.exceptions}
    heads = edits.latest(run.records, "spaces", "heads").dropna()
    reasons = edits.latest(run.records, "spaces", "heads_reason").dropna()
    by = edits.credits_by_column(run.records, "spaces")
    for space, said in heads.items():
        if space in built:  # the others are told as records to look at again
            where = f"records spaces.heads [{space}]"
            side = compass_word(compass_azimuth(said, where), 16)
            told = by.get(str(space), {}).get("heads", "nobody says who")
            reason = f"{reasons[space]}; by hand: {told}" if space in reasons else f"by hand: {told}"
            written[str(space)] = HeadsException(where, str(space), side, str(reason))
    for space, reason in reasons.items():
        if space in written and space not in heads:
            written[str(space)] = replace(written[str(space)], reason=str(reason))
    return [item for space, item in written.items() if space not in unbuilt]


def _carry(run: Run, evidence: Evidence, names: Iterable[str]) -> None:
    """Carry what people changed by hand into layers, and say which of it to look at again."""
    for name in names:
        layer, table = LAYERS[name], run.tables[name]
        known = table.drop(columns="heads") if name == "spaces" else table  # which way they lie is found later
        run.findings += [
            find("record to look at again", f"{layer.name} {doubt.record.get('key')}", doubt.why)
            for doubt in edits.doubts(known, layer, evidence.records)
        ]
        carried = edits.apply(table, layer, evidence.records, crs=run.ground.crs.name)
        run.tables[name] = edits.credit(carried, layer, evidence.records)


def _with_vacant(sections: Any, by_section: pd.DataFrame) -> Any:
    vacant = sections["section"].map(by_section["vacant"]) if "vacant" in by_section else pd.NA
    return sections.assign(vacant=pd.Series(vacant, index=sections.index).astype("Int64"))


# ---- what it was made from ------------------------------------------------------------------------------------------


def _as_of(run: Run) -> datetime:
    """Latest moment the evidence or the records speak of: the file's date is theirs, not the clock's."""
    times = list(run.tables["readings"]["time"].dropna())
    said = [pd.Timestamp(str(record["when"])) for record in run.records if record.get("when")]
    latest = max([*times, *said], default=pd.Timestamp("1970-01-01", tz="UTC"))
    return datetime.fromtimestamp(pd.Timestamp(latest).timestamp(), UTC)


def _run_table(run: Run, evidence: Evidence, placed: Placing) -> pd.DataFrame:
    ground = run.ground
    xy = placed.corners.grid_xy[np.isfinite(placed.corners.grid_xy).all(axis=1)]
    run.as_of = _as_of(run)
    year = run.as_of.year + (run.as_of.timetuple().tm_yday - 1) / 365.25
    rows: list[tuple[str, str, object, str | None]] = [
        ("ground", "ground", ground.name, None),
        ("place", "ground", ground.place, None),
        ("crs", "ground", ground.crs.name, None),
        ("unit", "ground", ground.unit.name, ground.unit.source),
        ("cemgis", "version", __version__, None),
        ("PROJ", "version", pyproj.proj_version_str, None),
        ("GDAL", "version", pyogrio.__gdal_version_string__, None),
        *((name, "version", metadata.version(name), None) for name in _LIBRARIES),
        *((name, "evidence", digest, "SHA-256") for name, digest in evidence.hashes.items()),
        *(
            (name, "rule", rule.said, f"{rule.kind}: {rule.source}")
            for name, rule in ((name, ground.rules.rule(name)) for name in ground.rules)
        ),
        ("as of", "result", run.as_of.isoformat(timespec="seconds"), "latest reading or record"),
        ("evidence hash", "result", evidence.hash[:12], "SHA-256 of the evidence named here"),
        ("accuracy", "result", placed.accuracy, "each marker predicted from the others"),
        *(
            (f"local distortion, plat {name}", "result", said, "as the markers tell it")
            for name, said in placed.bends.items()
        ),
    ]
    if len(xy):  # where only niches are described nobody knows where on the ground they are
        middle = xy.mean(axis=0)
        turn = float(convergence(middle[None], ground.crs)[0])
        says = "degrees; true azimuth = grid azimuth + convergence, at the middle"
        rows.append(("convergence", "result", f"{turn:.6f}", says))
        lon, lat = to_lonlat(middle[None], ground.crs)[0]
        try:
            east = float(declination(float(lon), float(lat), year))
            rows.append(("declination", "result", f"{east:.2f}", "degrees east of true north, IGRF-14, at that date"))
        except InputError:
            log.warning("no declination for %.1f", year)
    run.facts.update(as_of=run.as_of.isoformat(timespec="seconds"), evidence_hash=evidence.hash[:12])
    table = pd.DataFrame(rows, columns=["name", "group", "value", "source"])
    return schema.restore(table, LAYERS["run"])
