"""Figures as PDF and PNG, the same bytes each time."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

import matplotlib as mpl
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from cemgis import __version__
from cemgis.drawing import Facts, printable
from cemgis.errors import InputError
from cemgis.maps.surface import STAFF

__all__ = ["Printed", "save", "save_all"]


@dataclass(frozen=True, slots=True)
class Printed:
    """A figure as bytes, to be written all or nothing.

    Parameters
    ----------
    pdf, png : bytes
    """

    pdf: bytes
    png: bytes


def save(figure: Figure, facts: Facts, *, dpi: int = 200) -> Printed:
    """Turn a figure into a vector PDF, text as text, and a PNG; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    facts : Facts
        Its date is the only date in the files.
    dpi : int
        Of the PNG.

    Raises
    ------
    InputError
        When the date is not an ISO date.

    Examples
    --------
    >>> from cemgis.reference import ground_crs
    >>> facts = Facts("Hill", ground_crs("EPSG:6549"), "2025-05-20", "6b1f", "Half lie within 0.3 ft.", 0.1)
    >>> printed = save(Figure(figsize=(2, 1)), facts, dpi=20)
    >>> printed.pdf[:4], printed.png[1:4]
    (b'%PDF', b'PNG')
    """
    pdf, (png,) = save_all([figure], facts, dpi=dpi)
    return Printed(pdf, png)


def save_all(figures: Iterable[Figure], facts: Facts, *, dpi: int = 200) -> tuple[bytes, list[bytes]]:
    """Turn figures into one PDF, a page each, and a PNG each; see `save`.

    Parameters
    ----------
    figures : iterable of Figure
        Taken one by one: a generator need not hold them all.
    facts : Facts
    dpi : int
        Of the PNG, and of a picture under the map in the PDF.

    Raises
    ------
    InputError
        When the date is not an ISO date.
    """
    try:
        stamp = datetime.fromisoformat(facts.date)
    except ValueError:
        where, what = "map.date", f"{facts.date[:40]!r} is not a date"
        raise InputError.of(where, what, "Write it as 2025-05-20.") from None
    stamp = stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp
    title = printable(facts.name)
    told = {
        "Title": title,
        "Subject": STAFF,
        "Creator": f"cemgis {__version__}",
        "Producer": f"matplotlib {mpl.__version__}",
        "CreationDate": stamp,
        "ModDate": stamp,
    }
    pdf, pictures = io.BytesIO(), []
    with (
        mpl.rc_context({"pdf.fonttype": 42, "pdf.compression": 6, "path.simplify": False}),
        PdfPages(pdf, metadata=told) as pages,
    ):
        for figure in figures:
            figure.savefig(pages, format="pdf", dpi=dpi)
            png = io.BytesIO()
            figure.savefig(png, format="png", dpi=dpi, metadata={"Title": title, "Software": told["Creator"]})
            pictures.append(png.getvalue())
    return pdf.getvalue(), pictures
