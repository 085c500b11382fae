"""A niche to be opened: put together from a run's tables, planned from its order, with its sheet."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from cemgis import sheets
from cemgis.dates import say_date, say_years
from cemgis.files.whole import input_error, write_bytes
from cemgis.holdings import holders_now
from cemgis.niche import Niche, NichePlan, plan_niche
from cemgis.opening import VERDICTS
from cemgis.pipeline.facts import map_facts
from cemgis.pipeline.opening_site import openings_under_way, say_value
from cemgis.places import former_numbers, label_key

if TYPE_CHECKING:
    from cemgis.ground import Container
    from cemgis.opening import Order
    from cemgis.pipeline.run import Run

__all__ = ["PlannedNiche", "is_niche", "lying_in", "niche_of", "open_niche"]


@dataclass
class PlannedNiche:
    """A planned opening of a niche and the files made of it; parameters as of `cemgis.pipeline.openings.Planned`."""

    plan: NichePlan
    run: Run
    made: list[Path] = field(default_factory=list)
    record: dict[str, Any] | None = None
    remarks: tuple[str, ...] = ()

    def words(self) -> str:
        """Say the verdict and its reasons."""
        niche = self.plan.niche
        lines = [f"{niche.space_id}: {self.plan.verdict.upper()}", f"  {niche.place}"]
        if self.plan.verdict == VERDICTS[2]:
            lines.append("  Read the fronts around it before it is opened. A person signs.")
        lines += [f"  {reason.verdict}: {reason.text}." for reason in self.plan.reasons]
        lines += [f"  {remark}" for remark in self.remarks]
        if niche.who:
            lines.append(f"  in it: {niche.who}")
        for name, at in niche.beside.items():
            lines.append(f"  {name}: {'no niche' if at is None else niche.fronts.get(at) or 'nobody on record'}")
        lines += [f"  {path}" for path in self.made]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "space": self.plan.niche.space_id, "place": self.plan.niche.place, "verdict": self.plan.verdict,
            "reasons": [{"verdict": reason.verdict, "text": reason.text} for reason in self.plan.reasons],
            "remarks": list(self.remarks), "container": self.plan.container.name,
            "made": [str(path) for path in self.made],
        }  # fmt: skip


def is_niche(run: Run, space_id: str) -> bool:
    """Whether a place is a niche."""
    return bool((run.tables["niches"]["space_id"] == space_id).fillna(value=False).any())


def lying_in(run: Run, space_id: str) -> pd.DataFrame:
    """Who lies in a place now, by the register and the records: person, name, date, whether an urn."""
    events, people = run.tables["events"], run.tables["people"]
    mine = events[(events["space_id"] == space_id).fillna(value=False).to_numpy(dtype=bool)]
    names = people.set_index("person_id")["name"]
    here: list[dict[str, Any]] = []
    for row in mine.sort_values("date", kind="stable", na_position="first").itertuples():
        urn = row.kind in ("urn placed", "urn removed")
        if row.kind in ("interment", "urn placed"):
            person = None if pd.isna(row.person_id) else str(row.person_id)
            name = "" if person is None or pd.isna(names.get(person)) else str(names[person])
            here.append({"person_id": person, "name": name, "date": say_value(row.date), "urn": urn})
        elif row.kind in ("disinterment", "urn removed", "move"):
            gone = None if pd.isna(row.person_id) else str(row.person_id)
            match = [one for one in here if one["person_id"] == gone and gone is not None] or [
                one for one in here if one["urn"] == urn
            ]
            if match:
                here.remove(match[0])
    return pd.DataFrame(here, columns=["person_id", "name", "date", "urn"])


def _who(run: Run, space_id: str) -> tuple[int, str]:
    """How many urns are in a niche by the records, and whose."""
    there = lying_in(run, space_id)
    said = [" ".join(part for part in (row.name_ or "somebody without a name", say_years(row.date) if row.date else "")
                     if part) for row in there.rename(columns={"name": "name_"}).itertuples()]  # fmt: skip
    return len(there), "; ".join(said)


def niche_of(run: Run, space_id: str) -> Niche:
    """Gather everything known about one niche."""
    table = run.tables["niches"]
    row = table[(table["space_id"] == space_id).fillna(value=False)].iloc[0]
    face = say_value(row["face"])
    same = (
        (table["section"] == row["section"]) & (table["building"] == row["building"])
        & (table["face"].fillna("") == face)
    )  # fmt: skip
    on_face = table[same.fillna(value=False).to_numpy(dtype=bool)]
    section = next((one for one in run.ground.sections if one.name == say_value(row["section"])), None)
    block = None if section is None else next(
        (one for one in section.niches if one.building == say_value(row["building"]) and one.face == face), None
    )  # fmt: skip
    taken = set(run.tables["events"]["space_id"].dropna().astype(str))
    fronts = {(int(one.row), int(one.column)): _who(run, str(one.space_id))[1] for one in on_face.itertuples()
              if str(one.space_id) in taken}  # fmt: skip
    urns, who = _who(run, space_id)
    rights = run.tables["rights"]
    now, conflicts = holders_now(rights[(rights["space_id"] == space_id).fillna(value=False)])
    deeds = rights.set_index("right_id")["instrument"]
    doubts = [(VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}: {item.reason}") for item in conflicts]
    for item in run.findings:
        if item.severity == "danger" and label_key(space_id) in {label_key(part) for part in item.subject.split(",")}:
            doubts.append((VERDICTS[1], f"{item.kind[0].upper()}{item.kind[1:]}, {item.subject}: {item.reason}"))
    openings = run.tables["openings"]
    for one in openings[(openings["space_id"] == space_id).fillna(value=False)].itertuples():
        if one.state == "abandoned":
            doubts.append((VERDICTS[1], f"An opening here was abandoned on {say_date(one.date)}: {one.because}"))
    return Niche(
        space_id, say_value(row["section"]), say_value(row["building"]), face, int(row["row"]), int(row["column"]),
        int(on_face["row"].max()), int(on_face["column"].max()),
        (None, None, None) if block is None else (block.width, block.height, block.depth),
        say_value(row["state"]), say_value(row["state_why"]), urns, who,
        tuple((str(one.holder), say_value(deeds[one.right_id])) for one in now.itertuples()),
        tuple(dict.fromkeys(doubts)),
        tuple(f"{name} until {say_date(until)}" for name, until in former_numbers(space_id, run.crosswalk)[1]),
        section.protected if section else None, fronts, openings_under_way(run, space_id),
    )  # fmt: skip


def open_niche(
    folder: Path, run: Run, space_id: str, order: Order, container: Container, *, out: Path | None, paper: str,
    remarks: tuple[str, ...],
) -> PlannedNiche:  # fmt: skip
    """Plan the opening of a niche and write its sheet.

    Raises
    ------
    InputError
        When something cannot be written.
    """
    made = plan_niche(niche_of(run, space_id), order, container, rules=run.ground.rules, unit=run.ground.unit)
    planned = PlannedNiche(made, run, remarks=remarks)
    target = out if out is not None else folder / "sheets" / space_id
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    ground = run.ground
    title = next((one.title for one in ground.sections if one.name == made.niche.section), "")
    context = sheets.Context(map_facts(ground.crs, run.tables["run"]), ground.equipment, ground.call, ground.rules,
                             around={"section_title": title or ""}, remarks=remarks)  # fmt: skip
    for name in ("letter", "A4") if paper == "both" else (paper,):
        path = target / f"niche-{name.lower()}.pdf"
        write_bytes(path, sheets.niche_sheet(made, context, name))
        planned.made.append(path)
    return planned
