"""Making public products: what the public may see, written as one folder, all or nothing; and a report for staff."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from cemgis.disclosure import PublicGround, disclose
from cemgis.errors import Gather, InputError
from cemgis.files import geopackage
from cemgis.files.public import PUBLIC_FILES, public_data
from cemgis.files.underlay import read_underlay
from cemgis.files.whole import input_error, whole_folder, write_text
from cemgis.ground import Chosen, Ground
from cemgis.names import folded
from cemgis.pipeline.evidence import read_ground, with_wishes
from cemgis.pipeline.facts import map_facts
from cemgis.sheets.public import board_sheet, leaflet_sheet
from cemgis.web.picture import webp
from cemgis.web.public import BaseImage, public_page

__all__ = ["Published", "publish"]

log = logging.getLogger("cemgis")

GROUND_FILE = "ground.gpkg"
PUBLIC_FOLDER = Path("maps") / "public"
REPORT = Path("maps") / "staff" / "withheld.txt"
_PAGE, _BOARD, _LEAFLET, _DATA = "map.html", "board.pdf", "leaflet.pdf", "data"


@dataclass
class Published:
    """What was published, and what was not.

    Parameters
    ----------
    ground : str
    as_of : str
    people : int
        Named in public products.
    withheld : DataFrame
        ``what, reason, rows``; for staff.
    made : list of Path
    """

    ground: str
    as_of: str
    people: int
    withheld: pd.DataFrame
    made: list[Path] = field(default_factory=list)

    def summary(self) -> dict[str, Any]:
        """Return all of it as plain values."""
        return {
            "ground": self.ground, "as_of": self.as_of, "people": self.people,
            "withheld": self.withheld.to_dict("records"), "made": [str(path) for path in self.made],
        }  # fmt: skip

    def words(self) -> str:
        """Say it in words, for staff."""
        lines = [self.ground, f"Published as of {self.as_of}: {self.people:,} people.", *_said(self.withheld)]
        return "\n".join([*lines, "", "Made:", *(f"  {path}" for path in self.made)])


def _said(withheld: pd.DataFrame) -> list[str]:
    if not len(withheld):
        return ["Nothing was withheld."]
    rows = [f"  {row.rows:7,} {row.what}: {row.reason}" for row in withheld.itertuples()]
    return ["Withheld (this list is for staff, not for publication):", *rows]


def publish(
    folder: Path, *, day: str | None = None, board: str = "auto", leaflet: str = "auto", underlay: Path | None = None,
    attribution: str | None = None,
) -> Published:  # fmt: skip
    """Write ``maps/public`` from a built ground: page, board, leaflet and data, or nothing at all.

    Parameters
    ----------
    folder : Path
    day : str, optional
        The day of publication, ISO, to which ages and days since a burial are counted; today when left out.
    board, leaflet : str
        A sheet's name, or ``auto``.
    underlay : Path, optional
        A raster file to lay under the page's map. All that can be seen on it is published.
    attribution : str, optional
        Whose picture that is and under which terms it may be shown; shown with it, and needed with it.

    Returns
    -------
    Published

    Raises
    ------
    InputError
        When nothing is built, what is built is not what the evidence says now or was changed by hand since, no licence
        is given, a picture comes without its attribution, a wish to withhold or somebody to point out fits nobody, or
        something cannot be written. What was published before stays as it was then.
    """
    folder = Path(folder)
    ground = with_wishes(read_ground(folder))
    as_of = _day(day)
    tables = _tables(folder, ground)
    target = folder / PUBLIC_FOLDER
    _refuse_strangers(target)
    public = disclose(tables, ground, as_of)
    licence, contact = ground.public.licence or "", ground.public.contact or ""
    chosen = _chosen(public, ground.public.chosen)
    turn = map_facts(ground.crs, tables["run"]).convergence_deg
    sheets = ("tabloid", "letter") if ground.unit.is_foot else ("A3", "A4")
    log.info("publishing %s people", f"{len(public.graves):,}")
    files = {
        _PAGE: public_page(public, licence=licence, contact=contact,
                           base_image=_picture(ground, public, underlay, attribution)).encode("utf-8"),
        _BOARD: board_sheet(public, licence=licence, contact=contact, convergence_deg=turn,
                            paper=sheets[0] if board == "auto" else board),
        _LEAFLET: leaflet_sheet(public, licence=licence, contact=contact, convergence_deg=turn, chosen=chosen,
                                paper=sheets[1] if leaflet == "auto" else leaflet),
    }  # fmt: skip
    data = public_data(public, licence=licence, contact=contact)
    files |= {f"{_DATA}/{name}": content for name, content in data.items()}
    report = folder / REPORT
    try:
        report.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(report.parent, error) from error
    write_text(report, _report(public, ground))
    _put(target, files)
    made = [*(target / name for name in files), report]
    return Published(ground.name, public.as_of, len(public.graves), public.withheld, made)


def _picture(ground: Ground, public: PublicGround, file: Path | None, attribution: str | None) -> BaseImage | None:
    """Read the picture under the page's map; nothing of its file is published but what can be seen and whose it is."""
    whose = (attribution or "").strip()
    if file is None:
        if whose:
            raise InputError.of("attribution", "there is no picture", "Name the picture with --underlay.")
        return None
    if not whose:
        raise InputError.of(
            str(file), "nothing says whose picture it is", "Say who made it and under which terms it may be shown."
        )
    layers = (public.sections, public.lots, public.spaces, public.drives)
    boxes = np.array([table.total_bounds for table in layers if len(table) and table.geometry.notna().any()])
    if not len(boxes):
        raise InputError.of(str(file), "nothing that is published has a place to lay it under", "Leave it out.")
    around = [*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0)]
    data, corners = webp(read_underlay(file, ground.crs, around))
    return BaseImage(data, corners, whose)


def _day(day: str | None) -> str:
    if day is None:
        return datetime.now(UTC).date().isoformat()
    try:
        return date.fromisoformat(day).isoformat()
    except ValueError:
        raise InputError.of("as of", f"{day!r} is no day", 'Write it as "2026-05-01".') from None


def _tables(folder: Path, ground: Ground) -> dict[str, Any]:
    """Tables of the built file, which must say what the evidence says now."""
    path = folder / GROUND_FILE
    again = f"cemgis build {folder}"
    if not path.exists():
        raise InputError.of(str(path), "there is no such file", f"Build it first: {again}.")
    gather = Gather()
    if not ground.public.licence:
        what = "missing: nobody would know what they may do with the data"
        gather.add("ground.toml: public.licence", what, '[public], licence = "..."; the board decides it.')
    found = geopackage.changes(path)
    if any(difference for difference in found.layers.values()) or found.lost:
        remedy = f"Keep the changes with `cemgis collect`, or delete the file; then {again}."
        gather.add(str(path), "it was changed by hand since it was built", remedy)
    tables = geopackage.read_ground(path)
    run = tables["run"]
    evidence = run[run["group"] == "evidence"]
    was = dict(zip(evidence["name"].astype(object), evidence["value"].astype(object), strict=True))
    logs = sorted((folder / "records").glob("*.jsonl"))
    now = {}
    for name in ("ground.toml", *ground.evidence, *(f"records/{log_file.name}" for log_file in logs)):
        file = folder / name
        now[name] = hashlib.sha256(file.read_bytes()).hexdigest() if file.is_file() else ""
    changed = sorted(name for name in set(was) | set(now) if was.get(name) != now.get(name))
    if changed:
        more = f" and {len(changed) - 5} more" if len(changed) > 5 else ""
        what = f"it is older than what it was made from: {', '.join(changed[:5])}{more}"
        gather.add(str(path), what, f"Build it again: {again}.")
    gather.raise_if_any()
    return dict(tables)


def _chosen(public: PublicGround, wanted: tuple[Chosen, ...]) -> list[tuple[int, str]]:
    """Numbers of the graves of those to be pointed out; each must be one that is public anyway."""
    gather = Gather()
    out = []
    graves = public.graves
    words = [frozenset(folded(str(name)).split()) for name in graves["name"]]
    for item in wanted:
        asked = frozenset(folded(item.name).split())
        hit = pd.Series([bool(asked) and asked <= there for there in words], index=graves.index, dtype=bool)
        if item.place is not None:
            hit &= ((graves["space_id"] == item.place) | (graves["lot_id"] == item.place)).fillna(value=False)
        if hit.sum() != 1:
            what = f"{hit.sum()} of those who are public fit {item.name}" + (f" at {item.place}" if item.place else "")
            gather.add(f"ground.toml: {item.where}", what, "Name one person: the whole name, and the space or lot.")
            continue
        out.append((int(graves.loc[hit, "grave"].iloc[0]), item.note or ""))
    gather.raise_if_any()
    return out


def _report(public: PublicGround, ground: Ground) -> str:
    lines = [
        "STAFF - NOT FOR PUBLICATION",
        f"What was withheld from the public products of {ground.name}, {public.as_of}",
    ]
    lines += ["", *_said(public.withheld)]
    sections = [section for section in ground.sections if section.public != "all" or section.protected]
    if sections:
        lines += ["", "Sections:"]
        for section in sections:
            why = section.public_reason or section.protected or "no reason given"
            lines.append(f"  {section.name}: {section.public}, because: {why}")
    if ground.withhold:
        lines += ["", "Wishes:"]
        for wish in ground.withhold:
            whom = " at ".join(said for said in (wish.person or wish.name, wish.place) if said)
            over = ", which is over" if wish.until and wish.until < public.as_of else ""
            lines.append(f"  {whom}: {wish.reason}" + (f" (until {wish.until}{over})" if wish.until else ""))
    rules = [
        f"  {name} = {ground.rules[name]:g} ({ground.rules.rule(name).kind}: {ground.rules.rule(name).source})"
        for name in ("people.oldest", "public.burial_days", "register.about")
    ]
    return "\n".join([*lines, "", "Rules:", *rules, "", "A request to see records stays the clerk's decision.", ""])


# ---- the folder ------------------------------------------------------------------------------------------------------


def _known(name: str) -> bool:
    return name in (_PAGE, _BOARD, _LEAFLET) or name in {f"{_DATA}/{file}" for file in PUBLIC_FILES}


def _refuse_strangers(target: Path) -> None:
    """Refuse a folder with anything in it that publishing did not write: it would be handed out with the rest."""
    if not target.exists():
        return
    if not target.is_dir() or target.is_symlink():
        raise InputError.of(str(target), "it is no folder", "Move it away.")
    strange = sorted(
        path.relative_to(target).as_posix()
        for path in target.rglob("*")
        if not path.is_dir() and not _known(path.relative_to(target).as_posix())
    )
    if strange:
        what = f"it holds what publishing did not write: {', '.join(strange[:5])}"
        raise InputError.of(str(target), what, "Move that away: everything in this folder is meant for the public.")


def _put(target: Path, files: dict[str, bytes]) -> None:
    """Put the whole folder in the old one's place."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    with whole_folder(target) as made:
        for name, content in files.items():
            path = made / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
