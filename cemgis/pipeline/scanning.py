"""Scanned drawings of a ground: control points tied to it, the rectified picture, and the page to collect points."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from cemgis import drawing
from cemgis.errors import Gather, InputError
from cemgis.files.scans import Scan, read_scan, small_copy, write_rectified
from cemgis.files.tables import read_table
from cemgis.files.whole import input_error, write_text
from cemgis.ground import CORNERS
from cemgis.pipeline.compute import compute
from cemgis.pipeline.evidence import read_ground
from cemgis.places import label_key
from cemgis.plat import Plat, match_label
from cemgis.reference import Reference, parse_reference, to_grid
from cemgis.scan import Rectification, bad_point, look_at, pixel_xy, rectify, say_points, swapped_points
from cemgis.units import parse_length, say_length
from cemgis.web.clicker import clicker_page

if TYPE_CHECKING:
    from cemgis.files.tables import Table
    from cemgis.ground import Ground, ScanEntry
    from cemgis.pipeline.run import Run

__all__ = ["Rectified", "rectify_scans", "scan_pages"]

log = logging.getLogger("cemgis")
Floats = npt.NDArray[np.float64]

_MOST_ON_PAGE = 3000
_COLUMNS = ("label", "corner", "plat_x", "plat_y", "easting", "northing", "column", "row", "name")


@dataclass
class Rectified:
    """One drawing, rectified.

    Parameters
    ----------
    entry : ScanEntry
    made : Rectification
    warnings : list of str
        What is wrong with it, in words; empty when nothing is.
    size : (int, int)
    resolution : float
    path : Path
    left_out : list of str
        Points that could not be tied to the ground, and why.
    """

    entry: ScanEntry
    made: Rectification
    warnings: list[str]
    size: tuple[int, int] = (0, 0)
    resolution: float = 0.0
    path: Path = field(default_factory=Path)
    left_out: list[str] = field(default_factory=list)

    def words(self, ground: Ground) -> str:
        """Say how it went."""
        unit = ground.unit
        alone = np.hypot(*self.made.leave_one_out.T)
        alone = alone[np.isfinite(alone)]
        checked = (
            f"each point left out in turn is missed by {say_length(float(np.median(alone)), unit)} in the median and "
            f"{say_length(float(alone.max()), unit)} at worst"
            if len(alone)
            else "nothing checks it: add control points"
        )
        lines = [
            f"{self.entry.file}: {self.entry.model}, {len(self.made.labels)} control points; {checked}.",
            *(f"  WARNING it {words}." for words in self.warnings),
            *(f"  left out: {words}" for words in self.left_out),
            *(f"  {words}" for words in say_points(self.made, unit)),
            f"  {self.path}: {self.size[0]:,} by {self.size[1]:,} pixels of {self.resolution:.3f} {unit.suffix}",
            f"  draw the maps on it: cemgis maps {ground.folder} --underlay {self.path}",
        ]
        return "\n".join(lines)

    def summary(self) -> dict[str, Any]:
        """Everything it has to say, as plain values."""
        made = self.made
        return {
            "file": self.entry.file, "model": self.entry.model, "warnings": self.warnings, "left_out": self.left_out,
            "path": str(self.path), "resolution": round(self.resolution, 6),
            "points": [
                {"label": label, "residual": [round(float(x), 4) for x in miss],
                 "left_out": None if np.isnan(alone).any() else [round(float(x), 4) for x in alone]}
                for label, miss, alone in zip(made.labels, made.residuals, made.leave_one_out, strict=True)
            ],
        }  # fmt: skip


def _entries(ground: Ground) -> tuple[ScanEntry, ...]:
    if not ground.scans:
        raise InputError.of(
            "ground.toml scan",
            "no drawing is named",
            'Write [[scan]] with file = "plat/drawing.png", then collect points.',
        )
    return ground.scans


def scan_pages(folder: Path, out: Path | None = None) -> list[Path]:
    """Write the page to collect points on, one a drawing, beside the maps for staff.

    Raises
    ------
    InputError
        When no drawing is named or one cannot be read.
    """
    ground = read_ground(Path(folder))
    target = Path(folder) / "maps" / "staff" if out is None else Path(out)
    made = []
    for entry in _entries(ground):
        scan = read_scan(ground.folder / entry.file, entry.file)
        jpeg, _ = small_copy(scan.path, _MOST_ON_PAGE, entry.file)
        stem = Path(entry.file).stem
        save = Path(entry.points).name if entry.points else f"{stem}_points.csv"
        page = clicker_page(jpeg, (scan.width, scan.height), Path(entry.file).name, ground=ground.name, save=save)
        _make(target)
        made.append(target / f"{stem}_points.html")
        write_text(made[-1], page)
    return made


def rectify_scans(folder: Path, out: Path | None = None) -> tuple[Run, list[Rectified]]:
    """Rectify every drawing of a ground into a tiled GeoTIFF under the maps for staff.

    Raises
    ------
    InputError
        For a drawing, its points or its transformation that cannot be used.
    """
    ground = read_ground(Path(folder))
    entries = _entries(ground)
    pictures = [read_scan(ground.folder / entry.file, entry.file) for entry in entries]
    run = compute(Path(folder), until="spaces")
    target = Path(folder) / "maps" / "staff" if out is None else Path(out)
    gather = Gather()
    done = []
    for entry, scan in zip(entries, pictures, strict=True):
        try:
            found = _one(run, entry, scan)
        except InputError as error:
            gather.take(error)
            continue
        _make(target)
        found.path = target / f"{Path(entry.file).stem}.tif"
        words = (
            f"{ground.name}: {entry.file}, {entry.model}, {len(found.made.labels)} control points. No boundary survey."
        )
        width, height, found.resolution = write_rectified(
            scan, found.made, found.path, ground.crs.crs, words=drawing.printable(words, 250)
        )
        found.size = (width, height)
        done.append(found)
    gather.raise_if_any()
    return run, done


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise input_error(folder, error) from error


def _one(run: Run, entry: ScanEntry, scan: Scan) -> Rectified:
    ground, rules = run.ground, run.ground.rules
    left_out: list[str] = []
    if entry.points is None:
        pixel, grid, labels = _own_points(ground, entry, scan)
    else:
        table = read_table(
            ground.folder / entry.points, delimiter=entry.delimiter, encoding=entry.encoding, where=entry.points
        )
        pixel, grid, labels, left_out = _points(run, entry, scan, table)
    xy = pixel_xy(pixel)
    made = rectify(xy, grid, model=entry.model, labels=labels, where=entry.points or entry.file)
    said = []
    swapped = swapped_points(xy, grid)
    if swapped is not None:
        said.append(f"fits far better with {labels[swapped[0]]} and {labels[swapped[1]]} exchanged: look at these two")
    else:
        worst = bad_point(made)
        if worst is not None:
            size = float(np.hypot(*made.leave_one_out[worst]))
            said.append(
                f"misses {labels[worst]} by {say_length(size, ground.unit)} without it, and no other by nearly as much"
            )
    said += look_at(
        made, (scan.width, scan.height), shear=rules["scan.shear"], stretch=rules["scan.stretch"], unit=ground.unit
    )
    return Rectified(entry, made, said, left_out=left_out)


def _own_points(ground: Ground, entry: ScanEntry, scan: Scan) -> tuple[Floats, Floats, list[str]]:
    if scan.crs is None or not len(scan.pixel):
        raise InputError.of(
            f"{entry.where}.points", f"{entry.file} carries no control points and none are named",
            f"Collect them with `cemgis scan {ground.folder} --page`, then write points = a file.",
        )  # fmt: skip
    reference = entry.reference or _reference(scan, entry, ground)
    grid = to_grid(scan.places, reference, ground.crs, entry.epoch, where=entry.file)
    return scan.pixel, grid, [f"point {row + 1}" for row in range(len(grid))]


def _reference(scan: Scan, entry: ScanEntry, ground: Ground) -> Reference:
    crs = scan.crs
    code = None if crs is None else crs.to_authority()
    if code is None:
        raise InputError.of(f"{entry.where}.reference", f"{entry.file} does not name its own", "Write it.")
    return parse_reference(":".join(code), f"{entry.where}.reference", ground=ground.crs)


def _points(
    run: Run, entry: ScanEntry, scan: Scan, table: Table
) -> tuple[Floats, Floats, list[str], list[str]]:  # fmt: skip
    """Control points of a file: pixel, place on the ground, name; and what was left out."""
    where = str(entry.points)
    present = {str(name).strip().lower(): str(name) for name in table.rows.columns}
    has = ", ".join(map(str, table.rows.columns[:20]))
    missing = [name for name in ("column", "row") if name not in present]
    if missing:
        raise InputError.of(where, f"no column {', '.join(missing)} among: {has}", "Give pixel column and row.")
    text = {
        name: table.rows[present[name]].astype(object).tolist() if name in present else [""] * len(table.rows)
        for name in _COLUMNS
    }
    pixel = np.column_stack([pd.to_numeric(pd.Series(text[name]), errors="coerce") for name in ("column", "row")])
    pixel = np.asarray(pixel, dtype=float).reshape(-1, 2)
    coordinates = _projected(run, entry, text)
    grid, why, names = np.full(pixel.shape, np.nan), [], []
    for row in range(len(pixel)):
        told = {name: str(text[name][row]).strip() for name in _COLUMNS}
        names.append(
            told["name"]
            or " ".join(word for word in (told["label"], told["corner"]) if word)
            or f"line {table.lines[row]}"
        )
        reason = ""
        if not np.isfinite(pixel[row]).all():
            reason = "its column or row is no number"
        elif not (0 <= pixel[row, 0] <= scan.width and 0 <= pixel[row, 1] <= scan.height):
            reason = f"column {pixel[row, 0]:g}, row {pixel[row, 1]:g} lies outside the picture"
        elif told["label"]:
            grid[row], reason = _labelled(run, entry, told["label"], told["corner"].lower())
        elif told["plat_x"] and told["plat_y"]:
            grid[row], reason = _platted(run, entry, told["plat_x"], told["plat_y"])
        elif np.isfinite(coordinates[row]).all():
            grid[row] = coordinates[row]
        else:
            reason = "it names no place of the ground"
        why.append(reason)
    good = np.array([not reason for reason in why], dtype=bool)
    left_out = [
        f"line {line}: {name}: {reason}" for line, name, reason in zip(table.lines, names, why, strict=True) if reason
    ]
    left_out += [f"line {line}: {reason}" for line, _, reason in table.broken]
    if not good.any():
        raise InputError.of(where, f"no control point can be used ({'; '.join(left_out[:3])})", f"It has: {has}.")
    log.info("%s: %d control points", where, good.sum())
    return pixel[good], grid[good], [name for name, keep in zip(names, good, strict=True) if keep], left_out


def _projected(run: Run, entry: ScanEntry, text: dict[str, list[Any]]) -> Floats:
    xy = np.column_stack([pd.to_numeric(pd.Series(text[name]), errors="coerce") for name in ("easting", "northing")])
    xy = np.asarray(xy, dtype=float).reshape(-1, 2)
    if not np.isfinite(xy).all(axis=1).any():
        return xy
    if entry.reference is None:
        what = "missing, and points are given by easting and northing"
        raise InputError.of(f"{entry.where}.reference", what, f"Say what they are in, as {run.ground.crs.name!r}.")
    return np.asarray(to_grid(xy, entry.reference, run.ground.crs, entry.epoch, where=str(entry.points)))


def _labelled(run: Run, entry: ScanEntry, label: str, word: str) -> tuple[Floats, str]:
    """Place of a marker, or of a corner of the lot it names."""
    plat, nowhere = _plat(run), np.full(2, np.nan)
    sections = plat.corners.loc[plat.corners["plat"] == entry.plat, "section"].dropna().unique() if entry.plat else []
    match = match_label(label, str(sections[0]) if len(sections) == 1 else None, plat)
    if word and word not in CORNERS:
        return nowhere, f"{word[:20]!r} is no corner ({', '.join(CORNERS)})"
    if word:
        key = label_key(match.lot_id or label)
        rows = [row for row, lot in enumerate(plat.lots["lot_id"]) if label_key(lot) == key]
        if not rows:
            return nowhere, f"there is no lot {label[:30]!r}"
        return _corner(run, plat, rows[0], word)
    if match.site is None:
        return nowhere, f"no marker is labelled {label[:30]!r}" + _candidates(match.candidates)
    site = plat.sites.iloc[match.site]
    at = run.corners.grid_xy[int(site["corner_index"])] if run.corners is not None else nowhere
    fit = run.fits.get(str(site["plat"]))
    if fit is None or not np.isfinite(at).all():
        return nowhere, "its plat is not placed"
    return at + fit.turn(np.array([[site["inset_x"], site["inset_y"]]], dtype=float))[0], ""


def _candidates(names: Any) -> str:
    return f" (perhaps {', '.join(map(str, list(names)[:3]))})" if names else ""


def _plat(run: Run) -> Plat:
    if run.plat is None or run.corners is None:
        raise InputError.of("scan", "the plats are not placed", "Run it to the stage 'spaces' at least.")
    return run.plat


def _corner(run: Run, plat: Plat, lot: int, word: str) -> tuple[Floats, str]:
    rings, starts = plat.lot_rings
    ring = rings[starts[lot] : starts[lot + 1]]
    side = np.array([1.0 if "east" in word else -1.0, 1.0 if "north" in word else -1.0])
    row = int(ring[int(np.argmax(plat.corners_plat_xy[ring] @ side))])
    at = run.corners.grid_xy[row] if run.corners is not None else np.full(2, np.nan)
    return at, "" if np.isfinite(at).all() else "its plat is not placed"


def _platted(run: Run, entry: ScanEntry, x: str, y: str) -> tuple[Floats, str]:
    nowhere = np.full(2, np.nan)
    if entry.plat is None:
        return nowhere, "plat coordinates, and the scan names no plat"
    fit = run.fits.get(entry.plat)
    if fit is None:
        return nowhere, f"plat {entry.plat} is not placed"
    try:
        at = [_length(word, run) for word in (x, y)]
    except InputError as error:
        return nowhere, error.problems[0].what
    return np.asarray(fit.place(np.array([at]))[0]), ""


def _length(word: str, run: Run) -> float:
    try:
        return float(word)
    except ValueError:
        return parse_length(word, run.ground.unit, "plat coordinate")
