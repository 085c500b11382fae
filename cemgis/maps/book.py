"""All pages of a ground's maps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd
from matplotlib.figure import Figure

from cemgis.drawing import Facts, Underlay
from cemgis.maps.parts import section_parts
from cemgis.maps.section import section_sheet
from cemgis.maps.surface import placed_rows
from cemgis.maps.whole import whole_ground

__all__ = ["pages"]


def pages(
    tables: Mapping[str, pd.DataFrame],
    facts: Facts,
    *,
    paper: str | None = None,
    scale: float | None = None,
    section_paper: str | None = None,
    section_scale: float | None = None,
    underlay: Underlay | None = None,
    with_sections: bool = True,
) -> Iterator[tuple[str, Figure]]:
    """Draw every page: the whole ground with an index, then each section on a sheet of its own, or in parts.

    Parameters
    ----------
    tables, facts, underlay
        As in `whole_ground`.
    paper, scale : optional
        Of the whole ground.
    section_paper, section_scale : optional
        Of the sections.
    with_sections : bool
        Without them there is the one page of the whole ground.

    Yields
    ------
    tuple of str and Figure
        Name of the section (empty for the whole ground; with the number of the part) and its page, one at a time.

    Raises
    ------
    InputError
        As `whole_ground` and `section_sheet`.
    """
    sections = placed_rows(tables, "sections")
    names = [] if sections is None or not with_sections else [str(name) for name in sections["section"]]
    parts = {name: section_parts(tables, facts, name, paper=section_paper, scale=section_scale) for name in names}
    count = 1 + sum(len(own) for own in parts.values())
    sheets: dict[str, str] = {}
    number = 2
    for name, own in parts.items():
        sheets[name] = str(number) if len(own) == 1 else f"{number}–{number + len(own) - 1}"
        number += len(own)
    yield "", whole_ground(tables, facts, paper=paper, scale=scale, page=(1, count), sheets=sheets, underlay=underlay)
    number = 1
    for name, own in parts.items():
        for part in own:
            number += 1
            figure = section_sheet(tables, facts, name, page=(number, count), underlay=underlay, part=part)
            yield (name if len(own) == 1 else f"{name}-{part.number}"), figure
