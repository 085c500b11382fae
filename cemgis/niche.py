"""One niche to be opened: which it is on its face, what speaks against it, whether the urn goes in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from cemgis.ground import Container
from cemgis.opening import VERDICTS, Order, Reason, records_against, room_for, say
from cemgis.units import Unit

__all__ = ["Niche", "NichePlan", "plan_niche"]


@dataclass(frozen=True, slots=True)
class Niche:
    """Everything known about one niche.

    Parameters
    ----------
    space_id, section, building, face : str
    row, column : int
        Counted from the bottom and from the left, as one stands before the face.
    rows, columns : int
        Of that face.
    size : (float or None, float or None, float or None)
        Width, height and depth inside.
    state, state_why : str
    urns : int
        In it now, by the records.
    who : str
        Who lies in it.
    held, doubts, meant, under_way : tuples
        As of a `cemgis.opening.Site`.
    protected : str or None
    fronts : mapping
        Row and column of a niche of the face to what is on record there; empty words where nobody lies.
    """

    space_id: str
    section: str
    building: str
    face: str
    row: int
    column: int
    rows: int
    columns: int
    size: tuple[float | None, float | None, float | None]
    state: str
    state_why: str
    urns: int
    who: str
    held: tuple[tuple[str, str], ...]
    doubts: tuple[tuple[str, str], ...]
    meant: tuple[str, ...]
    protected: str | None
    fronts: Mapping[tuple[int, int], str]
    under_way: tuple[tuple[str, str], ...] = ()

    @property
    def place(self) -> str:
        """Which it is, in words."""
        face = f", {self.face} face" if self.face else ""
        return (
            f"{self.building}{face}: row {self.row} of {self.rows} from the bottom, "
            f"column {self.column} of {self.columns} from the left"
        )

    @property
    def beside(self) -> dict[str, tuple[int, int] | None]:
        """Row and column of the niches left, right, above and below; None beyond the face."""
        around = {
            "left": (self.row, self.column - 1), "right": (self.row, self.column + 1),
            "above": (self.row + 1, self.column), "below": (self.row - 1, self.column),
        }  # fmt: skip
        return {
            name: at if 1 <= at[0] <= self.rows and 1 <= at[1] <= self.columns else None for name, at in around.items()
        }


@dataclass(frozen=True, slots=True)
class NichePlan:
    """A niche to be opened, and what speaks against it, worst first."""

    niche: Niche
    order: Order
    container: Container
    verdict: str
    reasons: tuple[Reason, ...]
    place_words: str


def plan_niche(
    niche: Niche, order: Order, container: Container, *, rules: Mapping[str, float], unit: Unit
) -> NichePlan:
    """Say what speaks against opening a niche, worst first.

    Parameters
    ----------
    niche : Niche
    order : Order
    container : Container
    rules : mapping of str to float
    unit : Unit

    Returns
    -------
    NichePlan
        With no reason it is *nothing on record against it*: the names on the fronts beside it are read before it is
        opened, and a person signs.
    """
    found = records_against(niche, order, is_urn=True, digging=False)

    def add(verdict: int, text: str) -> None:
        found.append(Reason(VERDICTS[verdict], text))

    words = ""
    if container.kind != "urn":
        add(0, f"A niche takes an urn; {container.name} is none")
    else:
        allowed, words = room_for("cremation", 0, niche.urns, "urn", infant=False, rules=rules)
        if not allowed:
            add(0, f"{words[0].upper()}{words[1:]}")
        if allowed and niche.urns:
            add(1, f"{niche.urns} lies in it already: see that there is room beside it")
        _fits(niche, container, unit, add)
    if niche.protected:
        add(1, f"The section is protected: {niche.protected}")
    if not any(niche.fronts.get(at) for at in niche.beside.values() if at is not None) and not niche.who:
        add(
            1,
            "No name is on record in it or beside it: count rows and columns twice, from a front with a name on record",
        )
    found = sorted(dict.fromkeys(found), key=lambda reason: VERDICTS.index(reason.verdict))
    verdict = found[0].verdict if found else VERDICTS[2]
    return NichePlan(niche, order, container, verdict, tuple(found), words)


def _fits(niche: Niche, container: Container, unit: Unit, add: Callable[[int, str], None]) -> None:
    """Say whether the urn goes through the front and in, upright; it may be turned."""
    width, height, depth = niche.size
    if width is None or height is None or depth is None:
        add(1, "How large its niches are inside is not written: width, height and depth of [[section.niches]]")
        return
    floor = sorted((container.width, container.length))
    if container.height > height or floor[0] > min(width, depth) or floor[1] > max(width, depth):
        add(0, f"The urn ({say(container.width, unit)} by {say(container.length, unit)}, "
               f"{say(container.height, unit)} high) is larger than the niche ({say(width, unit)} wide, "
               f"{say(depth, unit)} deep, {say(height, unit)} high)")  # fmt: skip
