"""Which lot a marker's label names."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from cemgis.places import label_key
from cemgis.plat.model import Plat

__all__ = ["Match", "match_label"]


@dataclass(frozen=True, slots=True)
class Match:
    """What a label as read may name.

    Parameters
    ----------
    site : int or None
        Row of `Plat.sites`; None when nothing or more than one thing fits.
    lot_id : str or None
        The lot (or single grave) it names.
    candidates : tuple of str
        Labels of the sites that fit.
    """

    site: int | None
    lot_id: str | None
    candidates: tuple[str, ...]


def match_label(text: object, default_section: str | None, plat: Plat) -> Match:
    """Find the marker of the plat that a label as read names.

    A label without its section counts for `default_section` alone if there is one, else for every section.

    Parameters
    ----------
    text : str
    default_section : str or None
    plat : Plat

    Returns
    -------
    Match
        Without a site when nothing fits or several things do; these are its candidates.
    """
    key = label_key(text)
    if not key:
        return Match(None, None, ())
    named, bare = plat._label_index
    sites = set(named.get(key, ()))
    # a label that names its section is taken at its word, unless the file has a section of its own
    loose = bare.get(key, ()) if default_section is not None or not sites else ()
    if default_section is not None and loose:
        loose = [number for number in loose if plat.site_words["section"][number] == default_section]
    sites.update(loose)
    labels = tuple(str(plat.site_words["label"][number]) for number in sorted(sites))
    if len(sites) != 1:
        return Match(None, None, labels)
    site = sites.pop()
    lot_id, space_id = (plat.site_words[name][site] for name in ("lot_id", "space_id"))
    return Match(site, str(space_id if pd.isna(lot_id) else lot_id), labels)
