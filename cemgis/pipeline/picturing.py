"""The maps of a ground: which sheets are drawn, how, and where they are put."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from cemgis import maps
from cemgis.drawing import PAPERS, Facts, Underlay
from cemgis.errors import InputError
from cemgis.files import geopackage
from cemgis.files.underlay import read_underlay
from cemgis.files.whole import input_error, write_bytes
from cemgis.findings import worst_first
from cemgis.ground import Ground
from cemgis.pipeline.evidence import read_ground
from cemgis.pipeline.facts import map_facts
from cemgis.web import staff

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Look", "draw", "put", "render"]

log = logging.getLogger("cemgis")

GROUND_FILE = "ground.gpkg"
STAFF_FOLDER = Path("maps") / "staff"
_PNG_DPI = 160  # a number of 7 points is 11 pixels high
_FEET_TO_INCH = re.compile(r"^1\s*in(?:ch)?\s*=\s*(\d+(?:\.\d+)?)\s*(?:ft|feet)$")
_RATIO = re.compile(r"^1\s*:\s*(\d+(?:\.\d+)?)$")


def render(
    folder: Path,
    *,
    paper: str = "auto",
    scale: str = "auto",
    section_paper: str = "auto",
    section_scale: str = "auto",
    underlay: Path | None = None,
) -> list[Path]:
    """Draw the maps from a built ``ground.gpkg``.

    Parameters
    ----------
    folder : Path
    paper, section_paper : str
        A sheet's name or ``auto``, for the whole ground and for each section.
    scale, section_scale : str
        ``1 in = 20 ft``, ``1:250`` or ``auto``.
    underlay : Path, optional
        A raster file to draw the maps on: a photograph, a rectified drawing, heights.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        When there is no built file, for a sheet or scale that does not exist, or when the ground does not fit.
    """
    ground = read_ground(folder)
    path = folder / GROUND_FILE
    if not path.exists():
        raise InputError.of(str(path), "there is no such file", f"Build it first: cemgis build {folder}.")
    tables = geopackage.read_ground(path)
    tables["findings"] = worst_first(tables["findings"])  # the file keeps them by key
    look = Look(
        _paper(paper), _scale(ground, scale), _paper(section_paper), _scale(ground, section_scale),
        None if underlay is None else read_underlay(underlay, ground.crs, maps.bounds(tables)),
    )  # fmt: skip
    return put(draw(folder, tables, map_facts(ground.crs, tables["run"]), look))


def _paper(said: str) -> str | None:
    if said == "auto":
        return None
    for name in PAPERS:
        if name.lower() == said.lower():
            return name
    raise InputError.of("paper", f"there is no sheet {said!r}", f"One of: {', '.join(PAPERS)}, auto.")


def _scale(ground: Ground, said: str) -> float | None:
    if said == "auto":
        return None
    match = (_FEET_TO_INCH if ground.unit.is_foot else _RATIO).match(said.strip().lower())
    if not match or float(match[1]) <= 0:
        example = "1 in = 20 ft" if ground.unit.is_foot else "1:250"
        raise InputError.of(
            "scale", f"{said!r} is no scale for a ground in {ground.unit.suffix}", f'Write "{example}".'
        )
    return float(match[1])


@dataclass(frozen=True)
class Look:
    """How the sheets are to look; None for what is chosen by the ground's size."""

    paper: str | None = None
    scale: float | None = None
    section_paper: str | None = None
    section_scale: float | None = None
    underlay: Underlay | None = None
    sections: bool = True


def draw(folder: Path, tables: Mapping[str, pd.DataFrame], facts: Facts, look: Look | None = None) -> dict[Path, bytes]:
    """Draw the maps; nothing but their folder is made yet.

    Parameters
    ----------
    folder : Path
        The ground's.
    tables : mapping of str to DataFrame
        Its layers.
    facts : Facts
    look : Look, optional

    Returns
    -------
    dict of Path to bytes
        For ``put``.

    Raises
    ------
    InputError
        When a sheet does not fit, or the folder cannot be made.
    """
    look = look or Look()
    log.info("drawing the maps")
    target = folder / STAFF_FOLDER
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(target, error) from error
    names: list[str] = []

    def drawn() -> Iterator[Figure]:
        for name, figure in maps.pages(
            tables, facts, paper=look.paper, scale=look.scale, section_paper=look.section_paper,
            section_scale=look.section_scale, underlay=look.underlay, with_sections=look.sections,
        ):  # fmt: skip
            names.append(name)
            yield figure

    pdf, pictures = maps.save_all(drawn(), facts, dpi=_PNG_DPI)
    page = staff.staff_page(tables, facts, underlay=look.underlay)
    files = ["ground.png", *_picture_names(names[1:])]
    contents = [pdf, *pictures, page.encode()]
    return {
        target / name: content for name, content in zip(("ground.pdf", *files, "staff.html"), contents, strict=True)
    }


def put(drawings: Mapping[Path, bytes]) -> list[Path]:
    """Write drawn maps, and take away those of sections there are no longer; return what was written.

    Raises
    ------
    InputError
        When one cannot be written.
    """
    for path, content in drawings.items():
        write_bytes(path, content)
    for target in {path.parent for path in drawings}:
        for old in target.glob("section-*.png"):
            if old not in drawings:
                old.unlink()
    return list(drawings)


def _picture_names(sections: Sequence[str]) -> list[str]:
    """Return file names for sections: letters and digits only, no two the same on any file system.

    Examples
    --------
    >>> _picture_names(["A", "a", "../x"])
    ['section-A.png', 'section-a-2.png', 'section-x.png']
    """
    taken: set[str] = set()
    out = []
    for number, name in enumerate(sections, 1):
        plain = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:40] or str(number)
        if plain.lower() in taken:
            plain = f"{plain}-{number}"
        taken.add(plain.lower())
        out.append(f"section-{plain}.png")
    return out
