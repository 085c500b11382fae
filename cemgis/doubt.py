"""Why a marker does not agree: hypotheses on its place and its label together, with their odds."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from cemgis.adjust import chi2_limit, inverse_blocks, quadratics, table_covariances
from cemgis.units import Unit, say_length

__all__ = ["MOVED_OR_SET", "explain", "label_edits", "say_odds", "set_there"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOVED_OR_SET = "moved since, or set there"
"""Said of a marker off its place while nothing tells which."""
_AROUND = 4
"""Other lots with stones or vaults needed before one is compared with them. Assumption, no source."""
_SUREST = 7.0
"""Odds are said up to e to this power, about 1000 to 1: graves were not taped that well."""
_EXPLAINED_BY = 20.0
"""Ratio of odds below which the second explanation is named too. Assumption, no source."""
_UPSIDE_DOWN = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6"}
_EDITS: Mapping[str, float] = {
    "read upside down": 0.25,
    "two digits swapped": 0.25,
    "one digit misread": 0.15,
    "a digit missing": 0.10,
    "a digit too many": 0.10,
    "another section's": 0.10,
    "labels unlike": 0.05,
}
"""Share of misread labels by what was misread. Assumption, no source."""
_CAUSES: Mapping[str, float] = {
    "label misread": 0.40,
    "marker moved or set there": 0.35,
    "marker at another corner": 0.20,
    "marker unexplained": 0.05,
    "file shifted": 1.00,
}
"""Share of markers that do not agree by cause, before looking; a shift once found is certain. Assumption, no source."""


def label_edits(label: str, section: str = "") -> dict[str, str]:
    """Labels that `label` could be a misreading of, each with what was misread, likeliest first.

    Digits of the part after the section are swapped, dropped, doubled, inserted, replaced, or turned upside down
    (6 and 9 change, 8, 0, 1 stay, and the order is reversed).

    Parameters
    ----------
    label : str
        As read.
    section : str
        Leading part that belongs to the section's name.

    Examples
    --------
    >>> edits = label_edits("B-61", "B")
    >>> edits["B-19"], edits["B-16"], edits["B-6"], edits["B-161"], edits["B-67"]
    ('read upside down', 'two digits swapped', 'a digit too many', 'a digit missing', 'one digit misread')
    """
    head = label[: len(section)] if section and label.upper().startswith(section.upper()) else ""
    found: dict[str, str] = {}
    for run in re.finditer(r"\d+", label[len(head) :]):
        first, last = len(head) + run.start(), len(head) + run.end()
        digits, before, after = run.group(), label[:first], label[last:]
        n = len(digits)
        ways: dict[str, list[str]] = {
            "read upside down": ["".join(_UPSIDE_DOWN.get(d, "?") for d in reversed(digits))],
            "two digits swapped": [digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :] for i in range(n - 1)],
            "a digit too many": [digits[:i] + digits[i + 1 :] for i in range(n) if n > 1],
            "a digit missing": [digits[:i] + d + digits[i:] for i in range(n + 1) for d in "0123456789"],
            "one digit misread": [digits[:i] + d + digits[i + 1 :] for i in range(n) for d in "0123456789"],
        }  # fmt: skip
        for way, texts in ways.items():
            for text in texts:
                other = before + text + after
                if "?" not in text and text.lstrip("0") == text and other != label:
                    found.setdefault(other, way)
    return found


def _number_said(label: str, section: str) -> str:
    return label[len(section) :].lstrip(" -/.") if section and label.upper().startswith(section.upper()) else label


@dataclass(frozen=True, slots=True)
class _Guess:
    """One explanation and how much speaks for it."""

    weight: float
    kind: str
    detail: str
    site: int = -1
    corner: int = -1


def _density(gap: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Squared Mahalanobis distance and normal density of (k, 2) gaps."""
    inverse = inverse_blocks(cov)
    square = quadratics(gap, inverse)
    return square, np.exp(-0.5 * square) * np.sqrt(np.linalg.det(inverse)) / (2.0 * np.pi)


class _Sites:
    """All marker sites, to be asked which of them explains a marker."""

    def __init__(self, table: pd.DataFrame) -> None:
        self.label = table["label"].astype(str).to_numpy()
        self.section = table["section"].fillna("").astype(str).to_numpy()
        self.xy, self.cov = table[["e", "n"]].to_numpy(dtype=float), table_covariances(table)
        self.agrees = table["agrees"].to_numpy(dtype=bool)
        self.at: dict[tuple[str, str], int] = {}
        self.sections: dict[str, list[int]] = {}
        for site, (label, section) in enumerate(zip(self.label, self.section, strict=True)):
            self.at[section, label] = site
            self.sections.setdefault(_number_said(label, section), []).append(site)
        self.tree = cKDTree(self.xy) if len(self.xy) else None
        self.widest = float(np.linalg.eigvalsh(self.cov)[:, -1].max()) if len(self.xy) else 0.0

    def own(self, label: str, section: str) -> int:
        """Row of the site with this label, -1 if there is none; the section may be missing."""
        if section:
            return self.at.get((section, label), -1)
        rows = np.flatnonzero(self.label == label)
        return int(rows[0]) if len(rows) == 1 else -1

    def section_of(self, label: str) -> str:
        """Return the section a label begins with, "" if it begins with none."""
        head = [
            name for name in set(self.section.tolist())
            if name and label.upper().startswith(name.upper()) and not label[len(name) : len(name) + 1].isalnum()
        ]  # fmt: skip
        return max(head, key=len, default="")

    def near(self, xy: Floats, cov: Floats, limit: float) -> Ints:
        """Sites that could have a marker at this place, as far as distance alone tells."""
        if self.tree is None:
            return np.zeros(0, dtype=np.int64)
        reach = np.sqrt(limit * (self.widest + np.linalg.eigvalsh(cov)[-1]))
        return np.array(sorted(self.tree.query_ball_point(xy, reach)), dtype=np.int64)

    def misreadings(self, label: str, section: str) -> dict[int, str]:
        """Sites whose label could have been read as this one, with what was misread."""
        ways = {
            self.at[section, text]: way
            for text, way in label_edits(label, section).items()
            if (section, text) in self.at
        }
        for site in self.sections.get(_number_said(label, section), []):
            if self.section[site] != section:
                ways.setdefault(site, "another section's")
        return ways

    def named(self, site: int) -> str:
        """Label, with the section where that is not in it."""
        label, section = str(self.label[site]), str(self.section[site])
        return label if not section or label.upper().startswith(section.upper()) else f"{label} of section {section}"


def explain(
    aside: pd.DataFrame,
    sites: pd.DataFrame,
    corners: pd.DataFrame | None = None,
    *,
    moved_sigma: float,
    alpha: float,
    unit: Unit,
) -> pd.DataFrame:
    """Say why each marker that was set aside does not agree.

    Parameters
    ----------
    aside : DataFrame
        One row a marker: ``label`` (spelled as the sites are), ``section``, ``e``, ``n``, ``cov_ee``, ``cov_en``,
        ``cov_nn``; optionally ``file``, ``shift_e``, ``shift_n`` where its file was found shifted.
    sites : DataFrame
        Every marker site of every fitted plat: ``label``, ``section``, ``e``, ``n`` (by the fit) and their covariance,
        setting error included; ``agrees``, whether a marker of that label was found there.
    corners : DataFrame, optional
        The other corners of the lots: ``label`` and ``section`` of the lot's marker, ``corner`` (in words, such as
        "northeast"), ``e``, ``n`` and their covariance.
    moved_sigma : float
        How far markers are moved, each coordinate (rule ``marker.moved_sigma``).
    alpha : float
        Another place is named only if a marker of it would lie so far off with more than this chance.
    unit : Unit

    Returns
    -------
    DataFrame
        On the index of `aside`: ``kind`` (a kind of finding), ``detail``, ``other`` (the label that explains it) and
        ``site`` (its row in `sites`), ``corner`` (the row in `corners` that explains it), ``odds`` (of this explanation
        against all others together, at most a million); ``second`` and ``second_odds``, the next explanation in words,
        where the first is not twenty times likelier.

    Notes
    -----
    Posterior odds. A cause has a share beforehand (assumption), spread over its candidates, and a density at the place
    read: normal about another site or corner, with both covariances; normal with `moved_sigma` about its own site;
    even over all the ground. A label whose own marker was found in agreement elsewhere is no candidate.

    Examples
    --------
    >>> from cemgis.units import US_SURVEY_FOOT
    >>> spread = {"cov_ee": 0.04, "cov_en": 0.0, "cov_nn": 0.04}
    >>> sites = pd.DataFrame({"label": ["B-19", "B-61"], "section": "B", "e": [0.0, 90.0], "n": [0.0, 48.0],
    ...                       "agrees": False, **spread})
    >>> read = pd.DataFrame({"label": ["B-61"], "section": "B", "e": [0.2], "n": [0.0], **spread})
    >>> explain(read, sites, moved_sigma=2.0, alpha=0.001, unit=US_SURVEY_FOOT)["detail"][0]
    'lies 0.2 ft from where B-19 belongs; read upside down 61 is 19'
    """
    names = ["kind", "detail", "other", "site", "corner", "odds", "second", "second_odds"]
    types = {"kind": "string", "detail": "string", "other": "string", "site": "Int64", "corner": "Int64", "odds": float,
             "second": "string", "second_odds": float}  # fmt: skip
    if not len(aside):
        return pd.DataFrame(columns=names, index=aside.index).astype(types)
    known = _Sites(sites)
    place, place_cov = aside[["e", "n"]].to_numpy(dtype=float), table_covariances(aside)
    span = np.ptp(np.vstack([known.xy, place]), axis=0)
    anywhere = 1.0 / max(float(span[0] * span[1]), (10.0 * moved_sigma) ** 2)
    limit = float(chi2_limit(alpha, 2))
    beside: Mapping[tuple[str, str], Ints] = {}
    corner_xy, corner_cov, corner_word = np.zeros((0, 2)), np.zeros((0, 2, 2)), np.array([], dtype=object)
    if corners is not None and len(corners):
        beside = corners.assign(section=corners["section"].fillna("")).groupby(["section", "label"]).indices
        corner_xy, corner_cov = corners[["e", "n"]].to_numpy(dtype=float), table_covariances(corners)
        corner_word = corners["corner"].astype(str).to_numpy()
    shift = (
        aside[["shift_e", "shift_n"]].to_numpy(dtype=float) if "shift_e" in aside else np.full((len(aside), 2), np.nan)
    )
    files = aside["file"].astype(str).to_numpy() if "file" in aside else np.full(len(aside), "its file", dtype=object)
    rows: list[tuple[str, str, str | None, int | None, int | None, float, str | None, float]] = []
    for at, (label, given) in enumerate(zip(aside["label"].astype(str), aside["section"].fillna(""), strict=True)):
        own = known.own(label, str(given))
        section = str(given) or (str(known.section[own]) if own >= 0 else known.section_of(label))
        number = _number_said(label, section)
        guesses: list[_Guess] = []

        near = known.near(place[at], place_cov[at], limit)
        near = near[~known.agrees[near] & (near != own)]
        square, density = _density(place[at] - known.xy[near], known.cov[near] + place_cov[at])
        ways = known.misreadings(label, section)
        several = Counter(ways.values())
        for site, thick in zip(near[square <= limit].tolist(), density[square <= limit].tolist(), strict=True):
            way = ways.get(site, "labels unlike")
            share = _CAUSES["label misread"] * _EDITS[way] / several.get(way, len(known.label))
            far = say_length(float(np.linalg.norm(place[at] - known.xy[site])), unit, 1)
            said = _way_said(way, number, _number_said(str(known.label[site]), str(known.section[site])))
            words = f"lies {far} from where {known.named(site)} belongs; {said}"
            guesses.append(_Guess(share * thick, "label misread", words, site))

        ends = beside.get((section, label), np.zeros(0, dtype=np.int64))
        square, density = _density(place[at] - corner_xy[ends], corner_cov[ends] + place_cov[at])
        for end, thick in zip(ends[square <= limit].tolist(), density[square <= limit].tolist(), strict=True):
            far = say_length(float(np.linalg.norm(place[at] - corner_xy[end])), unit, 1)
            words = f"lies {far} from the {corner_word[end]} corner of its own lot"
            share = _CAUSES["marker at another corner"] / len(ends)
            guesses.append(_Guess(share * thick, "marker at another corner", words, corner=end))

        lost = "no lot has this label and no other marker belongs here"
        if own >= 0:
            gap, cov = (place[at] - known.xy[own])[None], known.cov[own][None] + place_cov[at]
            far = say_length(float(np.linalg.norm(gap)), unit, 1)
            thick = float(_density(gap, cov + moved_sigma**2 * np.eye(2))[1][0])
            words = f"stands {far} from its place; {MOVED_OR_SET}"
            guesses.append(_Guess(_CAUSES["marker moved or set there"] * thick, "marker moved or set there", words))
            if np.isfinite(shift[at]).all():
                square, density = _density(gap - shift[at], cov)
                if square[0] <= limit:
                    words = f"misses by {far}, as all of {files[at]} does"
                    guesses.append(_Guess(_CAUSES["file shifted"] * float(density[0]), "file shifted", words))
            lost = f"lies {far} from its place and no single cause explains it"
        guesses.append(_Guess(_CAUSES["marker unexplained"] * anywhere, "marker unexplained", lost))

        guesses.sort(key=lambda guess: -guess.weight)
        total = sum(guess.weight for guess in guesses)
        first = guesses[0]
        close = len(guesses) > 1 and first.weight < _EXPLAINED_BY * guesses[1].weight
        second = guesses[1] if close else None
        rows.append((
            first.kind, first.detail,
            known.named(first.site) if first.site >= 0 else None, first.site if first.site >= 0 else None,
            first.corner if first.corner >= 0 else None,
            min(first.weight / max(total - first.weight, 1e-300), 1e6),
            f"{second.kind}: {second.detail}" if second else None,
            second.weight / max(total - second.weight, 1e-300) if second else float("nan"),
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=names, index=aside.index).astype(types)


def _way_said(way: str, read: str, other: str) -> str:
    if way == "read upside down":
        return f"read upside down {read} is {other}"
    if way == "another section's":
        return "the same number in another section"
    if way == "labels unlike":
        return "the two labels have little in common"
    return f"{way}: {read} read for {other}"


def say_odds(odds: float) -> str:
    """Say odds.

    Examples
    --------
    >>> say_odds(5000.0), say_odds(42.0), say_odds(0.25)
    ('over 1000 to 1', '42 to 1', '1 to 4')
    """
    return "over 1000 to 1" if odds > 1000 else f"{odds:.0f} to 1" if odds >= 1 else f"1 to {1 / max(odds, 1e-3):.0f}"


def set_there(miss: Floats, own: Floats, others: Floats, least: float) -> float:
    """How much likelier the graves of a marker's lot make it that it was set where it stands than that it moved since.

    A lot laid out from a marker that was set off its place has its stones and vaults off by as much; one whose marker
    moved later has them where the plat has them, as the lots around do.

    Parameters
    ----------
    miss : (2,) array
        From the place the fit gives the marker to where it stands.
    own : (2,) array
        From the middle the fit gives a space to the thing that stands or lies in it, median of the lot.
    others : (m, 2) array
        The same of each other lot of the section. What lots have in common (a stone stands at the head) cancels.
    least : float
        Lots are taken to differ by no less, each coordinate.

    Returns
    -------
    float
        Odds; 1 when there is nothing to tell by.

    Examples
    --------
    >>> around = np.array([[0.1, 3.0], [-0.2, 2.9], [0.0, 3.2], [0.2, 3.1]])
    >>> round(set_there(np.array([1.8, 0.0]), np.array([1.7, 3.0]), around, 0.3))
    1097
    >>> round(1.0 / set_there(np.array([1.8, 0.0]), np.array([0.1, 3.0]), around, 0.3))
    1097
    >>> round(set_there(np.array([1.8, 0.0]), np.array([0.95, 3.0]), around, 0.3), 1)
    1.0
    """
    if len(others) < _AROUND:
        return 1.0
    middle = np.median(others, axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(others - middle), axis=0), least)
    variance = spread**2 * (1.0 + 1.0 / len(others))
    off = own - middle
    power = float(((off**2 - (off - miss) ** 2) / (2.0 * variance)).sum())
    return float(np.exp(np.clip(power, -_SUREST, _SUREST)))
