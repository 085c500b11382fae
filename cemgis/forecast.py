"""When a ground is full: the plain division, then the range that the yearly counts allow, checked by looking back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special, stats

__all__ = [
    "BURIALS",
    "JEFFREYS",
    "POOLS",
    "Forecast",
    "Gamma",
    "PoolForecast",
    "Rate",
    "backtest",
    "chance_full",
    "dispersion",
    "fit_rate",
    "forecast",
    "full_time",
    "plain_years",
    "takings",
    "yearly",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

POOLS: Mapping[str, str] = {
    "full": "spaces for full burials",
    "infant": "spaces for infants",
    "cremation": "spaces for cremated remains",
    "niche": "niches",
}
"""Kinds of space, each of which fills up by itself."""

BURIALS = ("casket", "urn", "infant")
"""Kinds of burial, each with its own yearly counts."""

_TAKEN_BY: Mapping[str, tuple[str, ...]] = {
    "full": ("casket", "urn"),
    "infant": ("infant",),
    "cremation": ("urn",),
    "niche": ("urn",),
}
_FIFTH = 0.2
_ADULTS = ["burials of adults a year", "trend of burials", "share of cremation"]


# ---- closed forms ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Gamma:
    """What is known of a yearly rate: a gamma distribution.

    Parameters
    ----------
    shape : float
    rate : float
        In years; zero only for a prior that says nothing.
    """

    shape: float
    rate: float

    @property
    def mean(self) -> float:
        """Expected rate a year."""
        return self.shape / self.rate

    def update(self, counts: npt.ArrayLike, years: float | None = None) -> Gamma:
        """Learn from yearly counts: the conjugate of the Poisson distribution.

        Examples
        --------
        >>> Gamma(10.0, 2.0).update([6, 2, 2, 1])
        Gamma(shape=21.0, rate=6.0)
        """
        values = np.asarray(counts, dtype=float)
        return Gamma(self.shape + float(values.sum()), self.rate + (values.size if years is None else years))

    def predictive(self, years: float) -> Any:
        """Distribution of the count in so many years to come: negative binomial.

        Examples
        --------
        >>> float(round(Gamma(67.0, 3.0).predictive(1).var(), 3))
        29.778
        """
        return stats.nbinom(self.shape, self.rate / (self.rate + years))


JEFFREYS = Gamma(0.5, 0.0)
"""Jeffreys' prior of a Poisson rate: it says nothing beforehand."""


def plain_years(left: float, counts: npt.ArrayLike) -> float:
    """Years that `left` spaces last at the mean of the yearly counts: the division every board knows.

    Infinite where nothing is used.

    Examples
    --------
    >>> round(plain_years(400, [11, 13, 9, 13, 21]), 2)
    29.85
    """
    mean = float(np.mean(np.asarray(counts, dtype=float)))
    return left / mean if mean > 0 else math.inf


def chance_full(rate: Gamma, left: int, years: npt.ArrayLike) -> Floats:
    """Chance that at least `left` spaces are asked for within so many years, by the closed form.

    Examples
    --------
    >>> chance_full(Gamma(67.5, 5.0), 400, [20, 25, 30, 35]).round(4).tolist()
    [0.0008, 0.0889, 0.5251, 0.8866]
    """
    t = np.asarray(years, dtype=float)
    return np.asarray(stats.nbinom.sf(left - 1, rate.shape, rate.rate / (rate.rate + t)), dtype=float)


def full_time(rate: Gamma, left: int) -> Any:
    """Distribution of the time in years until `left` spaces are gone: a beta prime scaled by the gamma's rate.

    The time of the n-th event of a Poisson process of rate r is Gamma(n)/r; with r gamma distributed the quotient is
    beta prime distributed.

    Examples
    --------
    >>> float(full_time(Gamma(67.5, 5.0), 400).cdf(30.0).round(4))
    0.5251
    """
    return stats.betaprime(left, rate.shape, scale=rate.rate)


def dispersion(counts: npt.ArrayLike, means: npt.ArrayLike | None = None, fitted: int = 1) -> tuple[float, float]:
    """Pearson's dispersion of counts, and the chance of one so large if they were Poisson.

    Parameters
    ----------
    counts : array_like of int, shape (n,)
    means : array_like, optional
        Expected counts; their mean when left out.
    fitted : int
        Parameters fitted in the means.

    Examples
    --------
    >>> phi, chance = dispersion([11, 13, 9, 13, 21])
    >>> round(phi, 3), chance > 0.05
    (1.552, True)
    """
    values = np.asarray(counts, dtype=float)
    mean = np.full_like(values, values.mean()) if means is None else np.asarray(means, dtype=float)
    dof = values.size - fitted
    if dof < 1 or not (mean > 0).all():
        return 1.0, 1.0
    pearson = float(((values - mean) ** 2 / mean).sum())
    return pearson / dof, float(stats.chi2.sf(pearson, dof))


# ---- a rate with a trend --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rate:
    """A yearly rate that may rise or fall: exact gamma distributions on a grid of slopes.

    Parameters
    ----------
    counts : ndarray of int, shape (n,)
        What it was learnt from, the last year last.
    slope : ndarray, shape (m,)
        Change of the logarithm of the rate in a year.
    weight : ndarray, shape (m,)
        Probability of each slope.
    shape : float
    rate : ndarray, shape (m,)
        Of the gamma distribution of the rate at the end of the last year, given the slope.
    phi : float
        Variance of a year's count over its mean; 1 when the counts do not show more.
    chance_poisson : float
        Chance of counts so uneven if they were Poisson.
    """

    counts: Ints
    slope: Floats
    weight: Floats
    shape: float
    rate: Floats
    phi: float
    chance_poisson: float

    @property
    def mean_slope(self) -> float:
        """Expected slope."""
        return float(self.weight @ self.slope)

    @property
    def sd_slope(self) -> float:
        """Standard deviation of the slope."""
        return math.sqrt(max(float(self.weight @ (self.slope - self.mean_slope) ** 2), 0.0))

    @property
    def mean(self) -> float:
        """Expected rate at the end of the last year."""
        return float(self.weight @ (self.shape / self.rate))

    def draw(self, rng: np.random.Generator, paths: int) -> tuple[Floats, Floats]:
        """Draw rates at the end of the last year, and their slopes."""
        at = rng.choice(self.slope.size, size=paths, p=self.weight)
        return rng.gamma(self.shape, 1.0, paths) / self.rate[at], self.slope[at]


def fit_rate(
    counts: npt.ArrayLike, *, share_known: float = 1.0, slope_sd: float = 0.0, alpha: float = 0.05,
    prior: Gamma = JEFFREYS,
) -> Rate:  # fmt: skip
    """Learn a yearly rate and its trend from counts.

    With the rate ``r exp(s t)`` the rate r is gamma distributed for every slope s, so that only s needs a grid. Where
    the counts are more uneven than Poisson at the level `alpha`, all of them weigh less by the dispersion found.

    Parameters
    ----------
    counts : array_like of int, shape (n,)
        One a year, the last year last.
    share_known : float
        Share of events that could be counted at all.
    slope_sd : float
        Standard deviation of the slope before looking; zero for no trend.
    alpha : float
    prior : Gamma

    Examples
    --------
    >>> rate = fit_rate([11, 13, 9, 13, 21])
    >>> rate.shape, rate.rate.tolist(), rate.phi
    (67.5, [5.0], 1.0)
    """
    values = np.asarray(counts, dtype=np.int64)
    t = np.arange(values.size) - values.size + 0.5  # middle of each year, from the end of the last one
    if slope_sd > 0:
        slope = np.linspace(-6.0 * slope_sd, 6.0 * slope_sd, 241)
        prior_log = -0.5 * (slope / slope_sd) ** 2
    else:
        slope, prior_log = np.zeros(1), np.zeros(1)

    def posterior(phi: float) -> tuple[Floats, float, Floats]:
        exposure = share_known * np.exp(slope[:, None] * t).sum(axis=1)
        shape, rate = prior.shape + float(values.sum()) / phi, prior.rate + exposure / phi
        log = prior_log + slope * float(values @ t) / phi - shape * np.log(rate)
        weight = np.exp(log - log.max())
        return weight / weight.sum(), shape, rate

    weight, shape, rate = posterior(1.0)
    best = int(np.argmax(weight))
    means = share_known * shape / rate[best] * np.exp(slope[best] * t)
    found, chance = dispersion(values, means, min(slope.size, 2))
    phi = found if found > 1 and chance < alpha else 1.0
    if phi > 1:
        weight, shape, rate = posterior(phi)
    return Rate(values, slope, weight, shape, rate, phi, chance)


@dataclass(frozen=True)
class _Share:
    """Share of urns among burials of adults: logistic in time, on a grid."""

    level: Floats
    slope: Floats
    weight: Floats

    def draw(self, rng: np.random.Generator, paths: int) -> tuple[Floats, Floats]:
        at = rng.choice(self.weight.size, size=paths, p=self.weight)
        return self.level[at], self.slope[at]


def _fit_share(urns: Ints, all_: Ints, slope_sd: float) -> _Share:
    """Posterior of a logistic share; the level has the logistic prior, which is flat in the share."""
    t = np.arange(urns.size) - urns.size + 0.5
    slopes = np.linspace(-5.0 * slope_sd, 5.0 * slope_sd, 61) if slope_sd > 0 else np.zeros(1)
    total, some = float(all_.sum()), float(urns.sum())
    centre = math.log((some + 0.5) / (total - some + 0.5))
    level = centre + np.linspace(-1.0, 1.0, 161) * (2.0 + 6.0 * slope_sd * urns.size / 2)
    z = level[:, None, None] + slopes[None, :, None] * t
    log = (urns * -np.logaddexp(0.0, -z) + (all_ - urns) * -np.logaddexp(0.0, z)).sum(axis=2)
    log += (-np.logaddexp(0.0, -level) - np.logaddexp(0.0, level))[:, None]
    if slope_sd > 0:
        log += -0.5 * (slopes / slope_sd)[None, :] ** 2
    weight = np.exp(log - log.max())
    grid = np.broadcast_arrays(level[:, None], slopes[None, :])
    return _Share(grid[0].ravel(), grid[1].ravel(), (weight / weight.sum()).ravel())


# ---- what the register says -----------------------------------------------------------------------------------------


def takings(
    spaces: pd.DataFrame, events: pd.DataFrame, rights: pd.DataFrame | None = None, niches: pd.DataFrame | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """When each space was taken and by what, and every burial by its kind.

    A space is taken by the first of: a burial in it, a right to it. A right of the same year as the first burial or
    later was taken at need and counts as the burial.

    Parameters
    ----------
    spaces, events, rights, niches : DataFrame
        Layers of those names.

    Returns
    -------
    taken : DataFrame
        ``space_id``, ``section``, ``pool`` (a key of `POOLS`), ``year`` (NA where no date is known), ``by``:
        ``casket``, ``urn``, ``infant`` or ``sale``, and ``date`` as it is written.
    burials : DataFrame
        ``kind`` (one of `BURIALS`), ``pool`` (NA where the space is not known), ``year``.

    Examples
    --------
    >>> spaces = pd.DataFrame({"space_id": ["A-1", "A-2", "A-3"], "section": "A", "kind": "full"})
    >>> events = pd.DataFrame({"kind": ["interment", "interment"], "date": ["1990-05-01", "2001"],
    ...                        "space_id": ["A-1", "A-2"]})
    >>> rights = pd.DataFrame({"date": ["1985", "1999-03"], "space_id": ["A-1", "A-3"]})
    >>> takings(spaces, events, rights)[0][["space_id", "year", "by"]].values.tolist()
    [['A-1', 1985, 'sale'], ['A-2', 2001, 'casket'], ['A-3', 1999, 'sale']]
    """
    parts = [pd.DataFrame({name: spaces[name].astype(object) for name in ("space_id", "section", "kind")})]
    if niches is not None and len(niches):
        more = pd.DataFrame({name: niches[name].astype(object) for name in ("space_id", "section")})
        parts.append(more.assign(kind="niche"))
    places = pd.concat(parts, ignore_index=True).set_index("space_id")
    burial = events[events["kind"].isin(["interment", "urn placed"]).to_numpy()]
    pool = burial["space_id"].astype(object).map(places["kind"])
    urn = (burial["kind"] == "urn placed").to_numpy() | pool.isin(["cremation", "niche"]).to_numpy()
    kind = np.where(pool == "infant", "infant", np.where(urn, "urn", "casket"))
    burials = pd.DataFrame(
        {"kind": kind, "pool": pool.to_numpy(), "year": _year(burial["date"]).to_numpy()}, index=burial.index
    )
    first = pd.DataFrame(
        {"space_id": burial["space_id"].astype(object), "year": burials["year"], "by": kind, "date": burial["date"],
         "rank": 0}
    )  # fmt: skip
    if rights is not None and len(rights):
        sold = pd.DataFrame(
            {"space_id": rights["space_id"].astype(object), "year": _year(rights["date"]), "by": "sale",
             "date": rights["date"], "rank": 1}
        )  # fmt: skip
        first = pd.concat([first, sold], ignore_index=True)
    first = first[first["space_id"].isin(places.index)]
    first = first.sort_values(["space_id", "year", "rank"], kind="stable", na_position="first")
    first = first.drop_duplicates("space_id")
    taken = pd.DataFrame(
        {
            "space_id": first["space_id"].to_numpy(),
            "section": first["space_id"].map(places["section"]).to_numpy(),
            "pool": first["space_id"].map(places["kind"]).to_numpy(),
            "year": first["year"].to_numpy(),
            "by": first["by"].to_numpy(),
            "date": first["date"].to_numpy(dtype=object),
        }
    )
    return taken, burials.reset_index(drop=True)


def _year(dates: pd.Series) -> pd.Series:
    """Year of a date, of its end where it is a span; NA where none is known."""
    text = dates.astype("string").str.split("/").str[-1]
    return pd.to_numeric(text.str.extract(r"^(\d{4})")[0], errors="coerce").astype("Int64")


def yearly(years: pd.Series, first: int, last: int) -> Ints:
    """Count by year, from `first` to `last`, both in.

    Examples
    --------
    >>> yearly(pd.Series([2001, 2003, 2003, None]), 2001, 2004).tolist()
    [1, 0, 2, 0]
    """
    values = pd.to_numeric(years, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    kept = values[(values >= first) & (values <= last)].astype(np.int64)
    return np.bincount(kept - first, minlength=last - first + 1).astype(np.int64)


# ---- the forecast ---------------------------------------------------------------------------------------------------


_SECTION_COLUMNS = ("section", "left", "a_year", "plain", "low", "likely", "middle", "high", "lasts")


@dataclass(frozen=True)
class PoolForecast:
    """When one kind of space is full.

    Parameters
    ----------
    pool : str
    left : int
        Spaces free now.
    start : int
        Last year counted; the forecast starts after it.
    a_year : float
        Mean taken a year in the window.
    plain : float
        Years by plain division.
    low, likely, middle, high : float
        Year by which it is full: 5 %, the most likely one, 50 %, 95 %. Infinite beyond the horizon.
    lasts : Series
        Chance that something is left at the end of a year, by year.
    moves : DataFrame
        ``what``, ``low``, ``high``, ``years``: middle year when a quantity lies in its lowest and its highest fifth;
        ``lasts_low``, ``lasts_high``: chance then to last past the horizon.
    rates : dict of str to Rate
        What was learnt, by process.
    used : ndarray of int, shape (paths, years)
        Spaces taken until the end of each year, in every future drawn.
    pace : ndarray, shape (paths,)
        Spaces taken a year in the later years of each future.
    sections : DataFrame
        The same by section: ``section``, ``left``, ``a_year``, ``plain``, ``low``, ``likely``, ``middle``, ``high``,
        ``lasts`` (chance to last past the horizon). No rows when the sections were not given.
    aside : str
        Said beside what is left.
    unsaid : str
        Why nothing can be said of when it is full; empty where something can.
    """

    pool: str
    left: int
    start: int
    a_year: float
    plain: float
    low: float
    likely: float
    middle: float
    high: float
    lasts: pd.Series
    moves: pd.DataFrame
    rates: Mapping[str, Rate]
    used: Ints
    pace: Floats
    sections: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_SECTION_COLUMNS)))
    aside: str = ""
    unsaid: str = ""

    def buys(self, spaces: int) -> tuple[float, float, float]:
        """Years that so many more spaces put off the day when all are gone: 5, 50 and 95 %.

        Beyond the horizon every future goes on at the pace of its own later years.

        Parameters
        ----------
        spaces : int

        Returns
        -------
        low, middle, high : float
            Infinite in futures that take none.
        """
        now, then = self._gone(self.left), self._gone(self.left + spaces)
        with np.errstate(invalid="ignore"):
            bought = np.where(np.isinf(then), np.inf, then - now)
        low, middle, high = np.quantile(bought, [0.05, 0.5, 0.95], method="inverted_cdf")
        return float(low), float(middle), float(high)

    def _gone(self, spaces: int) -> Floats:
        """Years from the start until so many spaces are taken, in each future; within a year evenly."""
        horizon = self.used.shape[1]
        if spaces <= 0:
            return np.zeros(len(self.used))
        at = (self.used < spaces).sum(axis=1)
        here = np.minimum(at, horizon - 1)
        rows = np.arange(len(self.used))
        before = np.where(here > 0, self.used[rows, here - 1], 0)
        year = np.maximum(self.used[rows, here] - before, 1)
        with np.errstate(divide="ignore"):
            later = horizon + (spaces - self.used[:, -1]) / self.pace
        return np.asarray(np.where(at < horizon, here + (spaces - before) / year, later), dtype=np.float64)

    def chance_lasts(self, year: int) -> float:
        """Chance that something is left at the end of a year.

        Raises
        ------
        ValueError
            For a year beyond the horizon or in the past.
        """
        if year not in self.lasts.index:
            msg = f"{year} is not among {self.lasts.index[0]} to {self.lasts.index[-1]}"
            raise ValueError(msg)
        return float(self.lasts[year])

    def words(self) -> str:
        """Say it in one line."""
        name = POOLS[self.pool]
        name = f"{name[0].upper()}{name[1:]}"
        lasts = float(self.lasts.iloc[-1])
        named = (self.low, self.likely, self.middle, self.high)
        return _say(name, self.left, self.aside, self.unsaid, self.a_year, self.plain, named, lasts, self._span)

    @property
    def _span(self) -> tuple[int, int]:
        """Last year counted, and last year looked at."""
        return self.start, int(self.lasts.index[-1])

    def section_words(self) -> list[tuple[str, str]]:
        """Say it for each section: its name, and the words."""
        name = f"{POOLS[self.pool][0].upper()}{POOLS[self.pool][1:]}"
        said = []
        for row in self.sections.itertuples():
            named = (row.low, row.likely, row.middle, row.high)
            text = _say(name, row.left, "", self.unsaid, row.a_year, row.plain, named, row.lasts, self._span)
            said.append((str(row.section), text))
        return said


def _say(
    name: str, left: int, aside: str, unsaid: str, a_year: float, plain: float,
    named: tuple[float, float, float, float], lasts: float, span: tuple[int, int],
) -> str:  # fmt: skip
    """Say what is left, the division and the range."""
    low, likely, middle, high = named
    start, horizon = span
    beside = f" ({aside})" if aside else ""
    if left == 0:
        return f"{name}: none left{beside}."
    if unsaid:
        return f"{name}: {left:,} left{beside}; until when cannot be said: {unsaid}."
    years = horizon - start
    division = "never" if math.isinf(plain) else f"more than {years}" if plain > years else f"{plain:,.0f}"
    division += "" if math.isinf(plain) else " years"
    first = f"{name}: {left:,} left{beside}, {a_year:.1f} taken a year, by division {division}"
    if math.isinf(low):
        return f"{first}; not full before {horizon} (19 in 20)."
    if math.isinf(high):
        said = "" if math.isinf(middle) else f", as likely before as after {middle:.0f}"
        return f"{first}; full not before {low:.0f} (19 in 20){said}; {100 * lasts:.0f} % to last past {horizon}."
    return f"{first}; full between {low:.0f} and {high:.0f} (9 in 10), most likely {likely:.0f}."


@dataclass(frozen=True)
class Forecast:
    """Forecast of all kinds of space, with what it rests on.

    Parameters
    ----------
    pools : dict of str to PoolForecast
    backtest : DataFrame
        See `backtest`.
    counts : DataFrame
        Yearly counts in the window: ``year``, burials by kind, takings as ``pool by``.
    assumptions : tuple of str
    """

    pools: Mapping[str, PoolForecast]
    backtest: pd.DataFrame
    counts: pd.DataFrame
    assumptions: tuple[str, ...] = field(default=())

    def words(self) -> tuple[str, ...]:
        """Say it, a line a kind of space, then what moves it most and how the method did before."""
        lines = [item.words() for item in self.pools.values()]
        for pool, item in self.pools.items():
            if not len(item.moves) or not item.left or item.unsaid:
                continue
            row = item.moves.iloc[0]
            said = f"What moves the {POOLS[pool]} most: {row['what']}; "
            if math.isfinite(row["years"]) and row["years"] >= 1:
                lines.append(f"{said}{row['years']:.0f} years between its lowest and its highest fifth.")
            elif abs(row["lasts_low"] - row["lasts_high"]) >= 0.02:
                low, high = 100 * row["lasts_low"], 100 * row["lasts_high"]
                lines.append(
                    f"{said}to last past {item.lasts.index[-1]} has a chance of {low:.0f} % in its lowest fifth and "
                    f"{high:.0f} % in its highest."
                )
        if len(self.backtest):
            hit, n = int(self.backtest["inside"].sum()), len(self.backtest)
            lines.append(f"Looking back: what happened lay inside the range said (9 in 10) {hit} times of {n}.")
        return tuple(lines)

    def section_words(self) -> list[tuple[str, str]]:
        """Say it for each section and kind of space: the section's name, and the words."""
        said = [pair for item in self.pools.values() for pair in item.section_words()]
        return sorted(said, key=lambda pair: pair[0])

    def sections(self) -> pd.DataFrame:
        """Give every section's answer as one table, ``kind`` after ``section``; a year beyond the horizon is NaN."""
        parts = [item.sections.assign(kind=pool) for pool, item in self.pools.items() if len(item.sections)]
        if not parts:
            return pd.DataFrame(columns=["section", "kind", *_SECTION_COLUMNS[1:]])
        table = pd.concat(parts, ignore_index=True)[["section", "kind", *_SECTION_COLUMNS[1:]]]
        unsaid = table["kind"].map({pool: bool(item.unsaid) for pool, item in self.pools.items()}).to_numpy(dtype=bool)
        table.loc[unsaid, ["a_year", "plain", "low", "likely", "middle", "high", "lasts"]] = np.nan
        table = table.replace([np.inf, -np.inf], np.nan)
        return table.sort_values(["section"], kind="stable", ignore_index=True)


def forecast(
    taken: pd.DataFrame,
    burials: pd.DataFrame,
    left: Mapping[str, int],
    *,
    last_year: int,
    rules: Mapping[str, float],
    paths: int = 6000,
    seed: int = 20,
    by_section: pd.DataFrame | None = None,
    aside: Mapping[str, str] | None = None,
) -> Forecast:
    """Say when each kind of space is full, from what was taken in the years before.

    Burials of adults are gamma-Poisson with a trend; the share of urns among them is logistic in time; a burial takes
    a free space with the share it did before; sales ahead of need are a gamma-Poisson process of their own. Everything
    uncertain is drawn, so the range holds the uncertainty of rates, trends and shares and the chance of each year.

    Parameters
    ----------
    taken, burials : DataFrame
        From `takings`.
    left : mapping of str to int
        Spaces free now, by pool.
    last_year : int
        Last whole year of the register.
    rules : mapping of str to float
        ``forecast.*``.
    paths, seed : int
        Futures drawn; the same seed gives the same answer.
    by_section : DataFrame, optional
        ``section``, ``pool``, ``left``: what is free in each section. Their sum by pool must be `left`.
    aside : mapping of str to str, optional
        By pool, what is said beside what is left.

    Returns
    -------
    Forecast

    Raises
    ------
    ValueError
        When the sections do not add up to what is left.
    """
    window, horizon = int(rules["forecast.window"]), int(rules["forecast.horizon"])
    first = last_year - window + 1
    slope_sd, alpha, hold = rules["forecast.slope_sd"], rules["forecast.alpha"], rules["forecast.trend_years"]
    rng = np.random.default_rng(seed)
    counts = pd.DataFrame({"year": np.arange(first, last_year + 1)})
    by_kind = {kind: yearly(burials.loc[burials["kind"] == kind, "year"], first, last_year) for kind in BURIALS}
    counts = counts.assign(**by_kind)
    years = np.arange(last_year + 1, last_year + horizon + 1)
    ahead = np.minimum(np.arange(horizon) + 0.5, hold)

    dated = burials["year"].notna().to_numpy()
    known = (float(dated.mean()) if len(burials) else 1.0) or 1.0
    inputs: dict[str, Floats] = {}
    made: dict[str, Ints] = {}
    rates: dict[str, Rate] = {}
    adults = by_kind["casket"] + by_kind["urn"]
    rates["burials of adults"] = rate = fit_rate(adults, share_known=known, slope_sd=slope_sd, alpha=alpha)
    level, slope = rate.draw(rng, paths)
    inputs["burials of adults a year"], inputs["trend of burials"] = level, slope
    total = _draw_counts(rng, level[:, None] * np.exp(slope[:, None] * ahead), rate.phi)
    share = _fit_share(by_kind["urn"], adults, rules["forecast.share_sd"])
    z0, z1 = share.draw(rng, paths)
    urn_share = special.expit(z0[:, None] + z1[:, None] * ahead)
    inputs["share of cremation"] = special.expit(z0 + z1 * hold)
    made["urn"] = rng.binomial(total, urn_share)
    made["casket"] = total - made["urn"]
    rates["burials of infants"] = rate = fit_rate(by_kind["infant"], share_known=known, slope_sd=slope_sd, alpha=alpha)
    level, slope = rate.draw(rng, paths)
    inputs["burials of infants a year"] = level
    made["infant"] = _draw_counts(rng, level[:, None] * np.exp(slope[:, None] * ahead), rate.phi)

    pools: dict[str, PoolForecast] = {}
    for pool, name in POOLS.items():
        if pool not in left:
            continue
        own = taken[(taken["pool"] == pool).to_numpy()]
        relevant = ["burials of infants a year"] if pool == "infant" else _ADULTS
        drawn = {what: inputs[what] for what in relevant}
        used = np.zeros((paths, horizon), dtype=np.int64)
        for kind in _TAKEN_BY[pool]:
            by = yearly(own.loc[(own["by"] == kind).to_numpy(), "year"], first, last_year)
            counts[f"{pool} by {kind}"] = by
            of = int(by_kind[kind].sum())
            took = min(int(by.sum()), of)
            # Share of such burials that take a free space of this kind, uniform before looking.
            part = rng.beta(1.0 + took, 1.0 + of - took, paths)
            used += rng.binomial(made[kind], part[:, None])
            drawn[f"share of {kind} burials that take a free space"] = part
        sold = yearly(own.loc[(own["by"] == "sale").to_numpy(), "year"], first, last_year)
        counts[f"{pool} by sale"] = sold
        rate = fit_rate(sold, slope_sd=slope_sd, alpha=alpha)
        level, slope = rate.draw(rng, paths)
        drawn["sales ahead of need a year"], drawn["trend of sales"] = level, slope
        used += _draw_counts(rng, level[:, None] * np.exp(slope[:, None] * ahead), rate.phi)
        both = sold + sum(counts[f"{pool} by {kind}"].to_numpy() for kind in _TAKEN_BY[pool])
        every_rate = {**rates, f"sales of {name}": rate}
        made_of = _pool(pool, int(left[pool]), both, used, years, drawn, every_rate, round(hold))
        if by_section is not None:
            mine = by_section[(by_section["pool"] == pool).to_numpy()]
            made_of = replace(made_of, sections=_sections(mine, own, made_of, (first, last_year), seed))
        said_beside = (aside or {}).get(pool, "")
        pools[pool] = replace(made_of, aside=said_beside, unsaid=_unsaid(own, first, last_year))
    rows = [
        backtest(burials.loc[(burials["kind"] != "infant").to_numpy(), "year"], last_year, rules=rules).assign(
            what="burials of adults"
        ),
        *(
            backtest(taken.loc[(taken["pool"] == pool).to_numpy(), "year"], last_year, rules=rules).assign(
                what=f"{POOLS[pool]} taken"
            )
            for pool in pools
            if pool == "full"
        ),
    ]
    said = [
        f"Counted: {first} to {last_year}; {100 * known:.0f} % of burials have a year.",
        f"Before looking a rate may change by {100 * slope_sd:.1f} % a year (one standard deviation); a trend goes on "
        f"for {hold:.0f} years and then stays level.",
        "Rights ahead of need are never given back; all free spaces can be used.",
    ]
    if by_section is not None:
        said.append(
            f"Each section goes on being taken at its share of {first} to {last_year}; when one is full, the others "
            "take what it would have taken, by their own shares."
        )
    uneven = [f"{what} ({rate.phi:.1f} times)" for what, rate in rates.items() if rate.phi > 1]
    said.append(
        f"More uneven than chance alone: {', '.join(uneven)}." if uneven else "The counts vary no more than by chance."
    )
    return Forecast(pools, pd.concat(rows, ignore_index=True), counts, tuple(said))


_ONE_DAY, _ENOUGH = 0.9, 5


def _unsaid(own: pd.DataFrame, first: int, last: int) -> str:
    """Why the counts of a pool say nothing of a year: lists copied at once bear one date."""
    year = own["year"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    here = own[(year >= first) & (year <= last)]
    n = len(here)
    if n < _ENOUGH:
        return ""
    if "date" in here.columns:
        dates = here["date"].astype("string").value_counts()
        if len(dates) and int(dates.iloc[0]) >= _ONE_DAY * n:
            what = "all" if int(dates.iloc[0]) == n else f"{int(dates.iloc[0]):,} of"
            return f"{what} {n:,} burials and sales of {first} to {last} are recorded with one date, {dates.index[0]}"
    if (here["year"] == here["year"].iloc[0]).all():
        return f"all {n:,} burials and sales of {first} to {last} are of one year, {int(here['year'].iloc[0])}"
    return ""


def _sections(
    mine: pd.DataFrame, own: pd.DataFrame, made: PoolForecast, span: tuple[int, int], seed: int
) -> pd.DataFrame:
    """When each section is full: the pool's futures shared out, and what a full section cannot take goes to others.

    The shares are Dirichlet distributed with a prior of weight one half in all, that of the pool's rate: without trend
    the rate of each section is then gamma distributed by its own count (Gamma times Dirichlet are independent Gammas).
    """
    names = mine["section"].astype(str).tolist()
    left = mine["left"].to_numpy(dtype=np.int64)
    if int(left.sum()) != made.left:
        msg = f"{made.pool}: the sections have {int(left.sum())} left, the ground {made.left}"
        raise ValueError(msg)
    year = own["year"].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    here = own[(year >= span[0]) & (year <= span[1])]
    counts = here["section"].astype(str).value_counts().reindex(names, fill_value=0).to_numpy(dtype=float)
    paths, horizon = made.used.shape
    rng = np.random.default_rng(seed + 1)
    share = rng.gamma(counts + 0.5 / max(len(names), 1), 1.0, (paths, len(names))) + 1e-300
    asked = np.diff(made.used, axis=1, prepend=0)
    full = np.full((paths, len(names)), np.inf)
    full[:, left == 0] = made.start
    rest = np.broadcast_to(left, (paths, len(names))).copy()
    for at in range(horizon if len(names) else 0):
        more = np.minimum(asked[:, at], rest.sum(axis=1))
        rows = np.flatnonzero(more)
        while rows.size:
            took = np.minimum(_share_out(rng, more[rows], np.where(rest[rows] > 0, share[rows], 0.0)), rest[rows])
            rest[rows] -= took
            more[rows] -= took.sum(axis=1)
            rows = rows[more[rows] > 0]
        full[(rest == 0) & np.isinf(full)] = made.start + 1 + at
        if not rest.any():
            break
    window = span[1] - span[0] + 1
    lines = []
    for k, name in enumerate(names):
        ordered = np.sort(full[:, k])
        low, middle, high = (float(ordered[min(int(q * paths), paths - 1)]) for q in (0.05, 0.50, 0.95))
        a_year = float(counts[k]) / window
        plain = int(left[k]) / a_year if a_year else math.inf
        likely, lasts = _mode(full[:, k], low, high), float(np.isinf(ordered).mean())
        lines.append((name, int(left[k]), a_year, plain, low, likely, middle, high, lasts))
    return pd.DataFrame(lines, columns=list(_SECTION_COLUMNS))


def _share_out(rng: np.random.Generator, more: Ints, weight: Floats) -> Ints:
    """Share counts out by weights: a multinomial, one binomial after another."""
    out = np.zeros(weight.shape, dtype=np.int64)
    after = np.cumsum(weight[:, ::-1], axis=1)[:, ::-1]
    for k in range(weight.shape[1]):
        chance = np.divide(weight[:, k], after[:, k], out=np.zeros(len(more)), where=after[:, k] > 0)
        out[:, k] = rng.binomial(more, np.clip(chance, 0.0, 1.0))
        more = more - out[:, k]
    return out


def _draw_counts(rng: np.random.Generator, mean: Floats, phi: float) -> Ints:
    if phi <= 1.0:
        return rng.poisson(mean)
    # Negative binomial of mean m and variance phi m.
    return rng.poisson(rng.gamma(mean / (phi - 1.0), phi - 1.0))


def _pool(
    pool: str, left: int, counts: Ints, used: Ints, years: Ints, drawn: Mapping[str, Floats],
    rates: Mapping[str, Rate], hold: int,
) -> PoolForecast:  # fmt: skip
    taken = np.cumsum(used, axis=1)
    gone = taken >= left
    steady = used[:, hold:] if hold < used.shape[1] else used
    lasts = pd.Series(1.0 - gone.mean(axis=0), index=pd.Index(years, name="year"), name="chance")
    start = int(years[0]) - 1
    full = np.where(gone.any(axis=1), years[np.argmax(gone, axis=1)].astype(float), np.inf)
    if left == 0:
        full[:] = start
    ordered = np.sort(full)
    low, middle, high = (float(ordered[min(int(q * full.size), full.size - 1)]) for q in (0.05, 0.50, 0.95))
    likely = _mode(full, low, high)
    columns = ["what", "low", "high", "years", "lasts_low", "lasts_high"]
    moves = pd.DataFrame([_move(what, values, full) for what, values in drawn.items()], columns=columns)
    by_years, by_chance = moves["years"].fillna(-1.0), (moves["lasts_low"] - moves["lasts_high"]).abs()
    order = moves.assign(y=by_years if math.isfinite(middle) else 0.0, c=by_chance).sort_values(
        ["y", "c"], ascending=False, kind="stable"
    )
    return PoolForecast(
        pool, left, start, float(counts.mean()), plain_years(left, counts), low, likely, middle, high, lasts,
        moves.loc[order.index].reset_index(drop=True), rates, taken, steady.mean(axis=1),
    )  # fmt: skip


def _mode(full: Floats, low: float, high: float) -> float:
    """Year with most paths around it; the width of the window shrinks with the number of paths as for a density."""
    finite = full[np.isfinite(full)]
    if finite.size < 2 or not math.isfinite(high):
        return math.inf if finite.size < full.size / 2 else float(np.median(finite))
    width = max(1, round(1.06 * (high - low) / 3.29 * finite.size**-0.2))
    first = int(finite.min())
    counts = np.bincount((finite - first).astype(np.int64))
    smooth = np.convolve(counts, np.ones(2 * width + 1), mode="same")
    return float(first + int(np.argmax(smooth)))


def _move(what: str, values: Floats, full: Floats) -> tuple[str, float, float, float, float, float]:
    if float(np.ptp(values)) == 0.0:
        return what, math.nan, math.nan, 0.0, math.nan, math.nan
    low, high = np.quantile(values, [_FIFTH, 1 - _FIFTH])

    def middle(which: npt.NDArray[np.bool_]) -> tuple[float, float]:
        ordered = np.sort(full[which])
        return float(ordered[ordered.size // 2]), float(np.isinf(ordered).mean())

    (a, lasts_a), (b, lasts_b) = middle(values <= low), middle(values >= high)
    return what, a, b, (abs(a - b) if math.isfinite(a) and math.isfinite(b) else math.nan), lasts_a, lasts_b


def backtest(
    years: pd.Series, last_year: int, *, rules: Mapping[str, float], stands: Sequence[int] | None = None
) -> pd.DataFrame:
    """Stand in earlier years, predict the count of the years after, and compare with what came.

    Parameters
    ----------
    years : Series
        Year of each event.
    last_year : int
    rules : mapping of str to float
        ``forecast.*``.
    stands : sequence of int, optional
        Years to stand in; every ``forecast.back_years`` back to the first that has a window before it, when left out.

    Returns
    -------
    DataFrame
        ``stand`` (last year known), ``until``, ``low``, ``middle``, ``high`` (5, 50, 95 %), ``happened``, ``inside``.

    Examples
    --------
    >>> from cemgis.rules import Rules
    >>> from cemgis.units import FOOT
    >>> table = backtest(pd.Series(np.repeat(np.arange(1960, 2021), 10)), 2020, rules=Rules(FOOT))
    >>> bool(table["inside"].all()), table["happened"].unique().tolist()
    (True, [100])
    """
    window, reach = int(rules["forecast.window"]), int(rules["forecast.back_years"])
    known = pd.to_numeric(years, errors="coerce").dropna()
    columns = ["stand", "until", "low", "middle", "high", "happened", "inside"]
    if known.empty:
        return pd.DataFrame(columns=columns)
    if stands is None:
        stands = range(last_year - reach, int(known.min()) + window - 2, -reach)
    rows = []
    ahead = np.minimum(np.arange(reach) + 0.5, rules["forecast.trend_years"])
    for stand in sorted(stands):
        counts = yearly(known, stand - window + 1, stand)
        rate = fit_rate(counts, slope_sd=rules["forecast.slope_sd"], alpha=rules["forecast.alpha"])
        rng = np.random.default_rng(stand)
        level, slope = rate.draw(rng, 4000)
        sums = _draw_counts(rng, level[:, None] * np.exp(slope[:, None] * ahead), rate.phi).sum(axis=1)
        low, middle, high = (float(v) for v in np.quantile(sums, [0.05, 0.5, 0.95], method="inverted_cdf"))
        happened = int(yearly(known, stand + 1, stand + reach).sum())
        rows.append((stand, stand + reach, low, middle, high, happened, low <= happened <= high))
    return pd.DataFrame(rows, columns=columns)
