"""All pages of a ground's maps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd
from matplotlib.figure import Figure

from cemgis.drawing import Facts, Underlay
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
    """Draw every page: the whole ground with an index, then each section on a sheet of its own.

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
        Name of the section (empty for the whole ground) and its page, one at a time.

    Raises
    ------
    InputError
        As `whole_ground` and `section_sheet`.
    """
    sections = placed_rows(tables, "sections")
    names = [] if sections is None or not with_sections else [str(name) for name in sections["section"]]
    sheets = {name: number for number, name in enumerate(names, 2)}
    count = 1 + len(names)
    yield "", whole_ground(tables, facts, paper=paper, scale=scale, page=(1, count), sheets=sheets, underlay=underlay)
    for name, number in sheets.items():
        yield (
            name,
            section_sheet(
                tables, facts, name, paper=section_paper, scale=section_scale, page=(number, count), underlay=underlay
            ),
        )
