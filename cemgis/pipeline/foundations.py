"""Foundations of monuments: set out from ties, recorded when they are set and when they are inspected."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cemgis import edits, sheets
from cemgis.dates import say_date
from cemgis.errors import Gather, InputError
from cemgis.files.whole import input_error, write_bytes
from cemgis.foundation import foundation_size, plan_foundation
from cemgis.opening import Plan, say
from cemgis.pipeline.closing import lot_of
from cemgis.pipeline.compute import compute
from cemgis.pipeline.opening_records import FOUNDATION_KIND
from cemgis.pipeline.opening_site import find_space, site_of, tie_numbers
from cemgis.pipeline.openings import context_of
from cemgis.pipeline.recording import at_place, enter, now, read_day, today
from cemgis.units import parse_length

if TYPE_CHECKING:
    from cemgis.ground import FoundationRule
    from cemgis.pipeline.run import Run

__all__ = ["FOUNDATION_STATES", "SetOut", "record_foundation", "say_foundation", "set_out_foundation"]

FOUNDATION_STATES = ("set out", "set", "passed", "failed")
"""How far a foundation is; one that failed is set again."""

_LOG = "openings"
_DONE = {"passed": "inspected", "failed": "inspected"}
_AFTER = {"set": ("set out", "failed"), "passed": ("set",), "failed": ("set",)}


@dataclass
class SetOut:
    """A foundation laid out, and the sheets made of it.

    Parameters
    ----------
    plan : Plan
    run : Run
    spaces : tuple of str
    made : list of Path
    """

    plan: Plan
    run: Run
    spaces: tuple[str, ...]
    made: list[Path] = field(default_factory=list)

    def words(self) -> str:
        """Say the size, the verdict and its reasons."""
        unit = self.run.ground.unit
        lines = [
            f"{', '.join(self.spaces)}: foundation {say(self.plan.dig.width, unit)} by "
            f"{say(self.plan.dig.length, unit)}: {self.plan.verdict}"
        ]
        lines += [f"  {reason.verdict}: {reason.text}." for reason in self.plan.reasons]
        lines += [f"  {path}" for path in self.made]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "spaces": list(self.spaces),
            "verdict": self.plan.verdict,
            "reasons": [{"verdict": reason.verdict, "text": reason.text} for reason in self.plan.reasons],
            "size": [self.plan.dig.width, self.plan.dig.length],
            "corners": self.plan.dig.corners.round(4).tolist(),
            "made": [str(path) for path in self.made],
        }


def set_out_foundation(
    folder: Path, space: str, *, size: str | None = None, beside: str | None = None, title: str = "",
    authorised_by: str | None = None, out: Path | None = None, paper: str = "both", run: Run | None = None,
) -> SetOut:  # fmt: skip
    """Lay out a foundation and write its sheets.

    Parameters
    ----------
    folder : Path
    space : str
    size : str, optional
        ``3 ft by 1 ft 2 in``: across the space, and along it; the largest the section allows when left out.
    beside : str, optional
        The second space under a companion stone.
    title : str
        What is set, in words.
    authorised_by : str, optional
    out : Path, optional
        Folder for the sheets; ``sheets/<space>`` of the ground when left out.
    paper : str
        ``letter``, ``A4`` or ``both``.
    run : Run, optional

    Raises
    ------
    InputError
        For spaces that do not exist or do not lie beside one another, a size that is none.
    """
    run = compute(folder) if run is None else run
    ground = run.ground
    names = [find_space(run, one) for one in (space, beside) if one is not None]
    table = run.tables["spaces"].set_index("space_id")
    shapes = [table.geometry[name] for name in names]
    if len(names) == 2 and (names[0] == names[1] or shapely.distance(*shapes) > 0.1 * _foot(run)):
        raise InputError.of("with", f"{names[1]} does not lie beside {names[0]}", "Name the space next to it.")
    site = site_of(run, names[0], machine=False)
    rule = _rule(run, site.section)
    asked = None if size is None else _size(size, run)
    made = plan_foundation(
        site, shapes, foundation_size(rule, asked, companion=len(names) == 2), rule, rules=ground.rules,
        unit=ground.unit, tie_numbers=tie_numbers(ground), authorised_by=authorised_by,
    )  # fmt: skip
    done = SetOut(made, run, tuple(names))
    target = out if out is not None else folder / "sheets" / names[0]
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    context = context_of(run, made)
    for name in ("letter", "A4") if paper == "both" else (paper,):
        path = target / f"foundation-{name.lower()}.pdf"
        said = _rule_words(rule, run, len(names))
        write_bytes(path, sheets.foundation_sheet(made, context, name, size=said, title=title, spaces=tuple(names)))
        done.made.append(path)
    return done


def _foot(run: Run) -> float:
    return 1.0 if run.ground.unit.is_foot else 0.3048


def _rule(run: Run, section: str) -> FoundationRule | None:
    return next((one.foundation for one in run.ground.sections if one.name == section), None)


def _rule_words(rule: FoundationRule | None, run: Run, count: int) -> str:
    if rule is None:
        return "no rule for its size is declared for this section"
    unit = run.ground.unit
    width = rule.width if count == 1 else rule.companion_width
    wide = "no rule for its width" if width is None else f"at most {say(width, unit)}"
    return f"{wide} by {say(rule.depth, unit)} ({rule.source})"


def _size(text: str, run: Run) -> tuple[float, float]:
    parts = re.split(r"\s+by\s+|\s*[x×]\s*", text.strip(), maxsplit=1)
    if len(parts) != 2:
        raise InputError.of("size", f"{text[:60]!r} is no size", 'Write "3 ft by 1 ft 2 in".')
    gather, found = Gather(), []
    for part in parts:
        try:
            found.append(parse_length(part, run.ground.unit, "size"))
        except InputError as error:
            gather.take(error)
            continue
        if not 0.0 < found[-1] < 40.0 * _foot(run):
            gather.add("size", f"{part!r} is no size of a foundation", 'Write "3 ft by 1 ft 2 in".')
    gather.raise_if_any()
    return found[0], found[1]


def _standing(records: Iterable[Mapping[str, Any]], space_id: str) -> Mapping[str, Any] | None:
    found = [
        one for one in edits.standing(records)
        if one.get("kind") == FOUNDATION_KIND and space_id in one.get("spaces", [one.get("space_id")])
    ]  # fmt: skip
    return found[-1] if found else None


def record_foundation(
    folder: Path, space: str, *, state: str, who: str, why: str = "", day: str | None = None, note: str | None = None,
    done: SetOut | None = None, run: Run | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Record that a foundation was set out, set, or inspected. All or nothing.

    Parameters
    ----------
    folder : Path
    space : str
    state : str
        One of `FOUNDATION_STATES`.
    who, why : str
    day : str, optional
        ISO day, ``today``, or EDTF where it is not known to the day. Only a layout that is made now does without.
    note : str, optional
    done : SetOut, optional
        The layout, needed for ``set out``.
    run : Run, optional

    Raises
    ------
    InputError
        With everything that cannot be; nothing is recorded then.
    """
    run = done.run if done is not None else compute(folder) if run is None else run
    gather = Gather()
    space_id = find_space(run, space)
    before = _standing(run.records, space_id)
    if state not in FOUNDATION_STATES:
        gather.add("state", f"{state!r} is none", f"One of: {', '.join(FOUNDATION_STATES)}.")
    elif state == "set out":
        if before is not None and before["state"] in ("set out", "set"):
            gather.add(space_id, f"the foundation {before['foundation_id']} is {before['state']}", "Finish that first.")
        if done is None:
            gather.add(space_id, "there is no layout to record", "Lay it out in the same go.")
        before = None
    elif before is None or before["state"] not in _AFTER[state]:
        how = "nothing was set out there" if before is None else f"it is {before['state']}"
        gather.add(space_id, how, f"Record first that it is {' or '.join(_AFTER[state])}.")
    done_on = read_day(day, gather, before)
    if day is None and state == "set out":
        done_on = today()  # the layout is made now
    elif day is None:
        gather.add(
            "date",
            f"nobody said which day it was {_DONE.get(state, state)}",
            "Give --date, such as 2026-05-04 or today.",
        )
    gather.raise_if_any()
    body = {k: v for k, v in (before or {}).items() if k not in ("id", "schema_version", "replaces", "why", "note")}
    if done is not None and state == "set out":
        count = len({one.get("foundation_id") for one in run.records if one.get("kind") == FOUNDATION_KIND
                     and one.get("space_id") == space_id})  # fmt: skip
        plan = done.plan
        body |= {
            "kind": FOUNDATION_KIND, "foundation_id": f"F {space_id}/{count + 1}", "space_id": space_id,
            "spaces": list(done.spaces), "section": plan.site.section, "lot_id": lot_of(run, space_id),
            "size": [plan.dig.width, plan.dig.length], "verdict": plan.verdict,
            "authorised_by": plan.order.authorised_by, "crs": run.ground.crs.name,
            "shape": shapely.to_wkt(shapely.Polygon(np.round(plan.dig.corners, 4)), rounding_precision=4),
            "sigma": None if plan.ties is None else round(plan.ties.corner_radius / 2.4477, 4),
        }  # fmt: skip
    body |= {"state": state, "date": done_on, "who": who, "when": now(), "why": why or f"{state} by {who}",
             "note": note}  # fmt: skip
    if before is not None:
        body["replaces"] = [before["id"], *(before.get("replaces") or ())]
    return enter(folder, _LOG, body, known=run.records, about=at_place(*body.get("spaces", (space_id,))))


def say_foundation(record: Mapping[str, Any]) -> str:
    """Say a record of a foundation in words."""
    done = {"set out": "It stands in the next plans once it is set.", "failed": "Set it again, and record that."}
    more = done.get(str(record["state"]), "The next build carries it.")
    return f"Recorded: {record['foundation_id']} is {record['state']}, {say_date(record['date'])}.\n  {more}"
