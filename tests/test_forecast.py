import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from cemgis.capacity import capacity
from cemgis.forecast import (
    JEFFREYS,
    Gamma,
    backtest,
    chance_full,
    dispersion,
    fit_rate,
    forecast,
    full_time,
    plain_years,
    takings,
    yearly,
)
from cemgis.rules import Rules
from cemgis.units import FOOT

RULES = Rules(FOOT)


def rules(**more):
    given = {f"forecast.{name}": {"value": value, "source": "this test"} for name, value in more.items()}
    return Rules(FOOT, given)


# ---- published ------------------------------------------------------------------------------------------------------


def test_gamma_poisson_of_a_lecture():
    # Lecture compendium (fliphtml5 phdiz/lzwp): prior 1/theta, counts 20, 24, 23: Gamma(20,1), (44,2), (67,3).
    state = Gamma(0.0, 0.0)
    seen = []
    for count in (20, 24, 23):
        state = state.update([count])
        seen.append((state.shape, state.rate, round(state.mean, 2)))
    assert seen == [(20, 1, 20.0), (44, 2, 22.0), (67, 3, 22.33)]


def test_gamma_poisson_of_bayes_rules():
    # Bayes Rules! club notes: Gamma(10,2) and counts 6, 2, 2, 1 give Gamma(21,6).
    assert Gamma(10, 2).update([6, 2, 2, 1]) == Gamma(21, 6)


def test_predictive_is_the_gamma_mixture_of_poissons():
    for rate in (Gamma(67, 3), Gamma(21, 6)):
        got = rate.predictive(1)
        for count in (0, 3, 15, 22, 30):
            mixed = stats.gamma(rate.shape, scale=1 / rate.rate).expect(lambda r, n=count: stats.poisson.pmf(n, r))
            assert got.pmf(count) == pytest.approx(mixed, rel=1e-6, abs=1e-12)
    # computed with scipy in the list of check values
    assert Gamma(67, 3).predictive(1).mean() == pytest.approx(22.333, abs=5e-4)
    assert Gamma(67, 3).predictive(1).cdf(15) == pytest.approx(0.098302, abs=5e-7)
    assert Gamma(21, 6).predictive(1).pmf([0, 1, 2, 3]) == pytest.approx(
        [0.039275, 0.117825, 0.185154, 0.202788], abs=5e-7
    )


WOKINGHAM = [4 + 7, 2 + 11, 3 + 6, 4 + 9, 9 + 12]  # Wokingham BC, answer under the FOI Act: new graves 2016 to 2020


def test_wokingham():
    # about 400 spaces left; rate 13.4 and 29.85 years by division
    assert np.mean(WOKINGHAM) == 13.4
    assert plain_years(400, WOKINGHAM) == pytest.approx(29.85, abs=0.005)
    rate = JEFFREYS.update(WOKINGHAM)
    assert rate == Gamma(67.5, 5.0)
    table = {20: (270, 212, 333, 0.00080), 25: (337.5, 267, 415, 0.0889), 30: (405, 321, 496, 0.5251),
             35: (472.5, 376, 578, 0.8866)}  # fmt: skip
    for years, (mean, low, high, chance) in table.items():
        demand = rate.predictive(years)
        assert demand.mean() == pytest.approx(mean)
        assert (demand.ppf(0.05), demand.ppf(0.95)) == (low, high)
        assert float(chance_full(rate, 400, years)) == pytest.approx(chance, abs=5e-5)
    assert np.var(WOKINGHAM, ddof=1) == pytest.approx(20.8)
    phi, chance = dispersion(WOKINGHAM)
    assert phi == pytest.approx(20.8 / 13.4)
    assert chance > 0.05  # a hint, no more: such counts are not called uneven


@pytest.mark.parametrize(
    ("left", "a_year", "published", "tolerance"),
    [
        (800, 235, 3.40, 0.005),  # Pleasanton CA staff report: "up to 235" a year, 3 1/2 years
        (1200, 235, 5.1, 0.05),  # the same with half of them double: about 5 years
        (66 + 225 * 2 + 27 * 3 + 16 * 4, 22 * 0.4, 75, 0.5),  # Amherst NH: 661 spaces, 40 % of 22 a year
    ],
)
def test_plain_division_of_public_bodies(left, a_year, published, tolerance):
    assert plain_years(left, [a_year]) == pytest.approx(published, abs=tolerance)


def test_sums_of_public_bodies():
    assert pytest.approx(234) == 600 * 0.60 * 0.65  # Pleasanton: "up to 235"
    assert 66 + 225 * 2 + 27 * 3 + 16 * 4 == 661  # Amherst NH
    assert math.isinf(plain_years(10, [0, 0]))


def test_moray():
    # Moray Council, answer under the FOI Act, 26 Jan 2021: 10,717 lairs left, full in 2069. The yearly number is not
    # published: 48 years imply about 223.
    a_year = 10_717 / (2069 - 2021)
    assert 2021 + plain_years(10_717, [223] * 5) == pytest.approx(2069, abs=0.1)
    # five years of such counts: the closed form holds their year, and is not wider than the counts allow
    rate = JEFFREYS.update([round(a_year)] * 5)
    low, middle, high = full_time(rate, 10_717).ppf([0.05, 0.5, 0.95])
    assert 2021 + low < 2069 < 2021 + high
    assert middle == pytest.approx(48, abs=0.2)
    # to first order the relative variance of the time is 1/left + 1/events counted
    assert (high - low) / 2 == pytest.approx(1.645 * 48 * math.sqrt(1 / 10_717 + 1 / rate.shape), rel=0.02)


def test_hastings():
    # Hastings BC, answer under the FOI Act, Jan 2020: about 90 full and 90 cremation spaces a year, about 30 years.
    # What is left is not published: 30 years imply 2,700 of each kind; each fills up by itself.
    assert plain_years(2700, [90] * 5) == 30
    both = Gamma(0.5, 0.0).update([180] * 5)
    assert full_time(both, 5400).median() == pytest.approx(30, abs=0.1)
    taken = pd.DataFrame({"space_id": np.arange(4500), "section": "A", "pool": ["full", "cremation"] * 2250,
                          "year": np.repeat(np.arange(1995, 2020), 180), "by": ["casket", "urn"] * 2250})  # fmt: skip
    burials = taken.rename(columns={"by": "kind"})[["kind", "pool", "year"]]
    made = forecast(taken, burials, {"full": 2700, "cremation": 2700}, last_year=2019, rules=RULES, paths=2000)
    for pool in ("full", "cremation"):
        item = made.pools[pool]
        assert item.plain == 30
        assert item.low < 2049 < item.high
        assert item.middle == pytest.approx(2049, abs=2)


def test_chigwell():
    # Chigwell burial space assessment, 2016: 24 to 53 years, 38.5 adopted, which is their midpoint.
    assert (24 + 53) / 2 == 38.5
    # The division at the mean of the two rates gives less: years are averaged as their inverses.
    assert plain_years(1000, [1000 / 24, 1000 / 53]) == pytest.approx(2 * 24 * 53 / (24 + 53))
    assert plain_years(1000, [1000 / 24, 1000 / 53]) == pytest.approx(33.04, abs=0.005)


def test_cornwall():
    # Cornwall Council audit (BBC, 2015): 11,719 + 18,873 + 3,262 = 33,854 plots left, 20 years at worst.
    parts = {"A": 11_719, "B": 18_873, "C": 3_262}
    spaces = pd.DataFrame({"section": np.repeat(list(parts), list(parts.values())), "kind": "full", "state": "vacant"})
    counted = capacity(spaces)
    assert counted.by_section["vacant"].to_dict() == parts
    assert counted.total["vacant"] == 33_854
    # the rate that worst case implies, 1,693 a year, gives it back; nine in ten futures at it lie within half a year
    rate = JEFFREYS.update([1693] * 5)
    assert plain_years(33_854, [1693] * 5) == pytest.approx(20, abs=0.005)
    assert full_time(rate, 33_854).ppf([0.05, 0.95]) == pytest.approx([20, 20], abs=0.5)


# ---- algebra and oracles --------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 300), st.floats(0.5, 60), st.integers(1, 800), st.floats(0.1, 120))
def test_time_until_full_and_count_until_then_say_the_same(shape, rate, left, years):
    by_time = full_time(Gamma(shape, rate), left).cdf(years)
    assert by_time == pytest.approx(float(chance_full(Gamma(shape, rate), left, years)), rel=1e-6, abs=1e-9)


def test_slope_agrees_with_a_regression():
    rng = np.random.default_rng(5)
    t = np.arange(30)
    counts = rng.poisson(12 * np.exp(0.03 * (t - 29.5 + 0.5)))
    rate = fit_rate(counts, slope_sd=0.06, alpha=0.0)  # a prior so wide that it hardly counts
    fit = sm.GLM(counts, sm.add_constant(t - 29.5), family=sm.families.Poisson()).fit()
    assert rate.mean_slope == pytest.approx(fit.params[1], abs=0.15 * fit.bse[1])
    assert rate.sd_slope == pytest.approx(fit.bse[1], rel=0.08)
    assert rate.mean == pytest.approx(np.exp(fit.params[0]), rel=0.05)


def test_dispersion_is_pearsons_of_a_regression():
    rng = np.random.default_rng(6)
    t = np.arange(40) - 39.5
    counts = rng.negative_binomial(3, 3 / (3 + 10 * np.exp(0.01 * t)))
    fit = sm.GLM(counts, sm.add_constant(t), family=sm.families.Poisson()).fit()
    phi, chance = dispersion(counts, fit.mu, 2)
    assert phi == pytest.approx(fit.pearson_chi2 / fit.df_resid)
    assert chance < 0.05
    assert fit_rate(counts, slope_sd=0.2).phi == pytest.approx(phi, rel=0.05)


def test_poisson_counts_are_called_uneven_as_rarely_as_the_rule_says():
    rng = np.random.default_rng(7)
    called = sum(fit_rate(rng.poisson(8.0, 25), alpha=0.05).phi > 1 for _ in range(400))
    assert stats.binomtest(called, 400, 0.05).pvalue > 0.001


def burials_of(counts, last, kind="casket", pool="full"):
    years = np.repeat(np.arange(last - len(counts) + 1, last + 1), counts)
    return pd.DataFrame({"kind": kind, "pool": pool, "year": years})


def test_without_trend_the_forecast_is_the_closed_form():
    # infants: every burial takes a free space, nothing is sold; the beta share and the sales stay small
    counts = [9, 12, 11, 8, 10] * 5
    burials = burials_of(counts, 2020, "infant", "infant")
    taken = burials.assign(by="infant", space_id=[f"i{n}" for n in range(len(burials))], section="I")
    made = forecast(taken, burials, {"infant": 200}, last_year=2020, rules=rules(slope_sd=0, window=25), paths=20000)
    got = made.pools["infant"]
    # a burial takes a free space with Beta(251, 1), whose mean is 251/252; sales are Gamma(1/2, 25) a year
    rate = Gamma(250.5, 25.0)
    draw = np.random.default_rng(1)
    r = draw.gamma(250.5, 1 / 25.0, 400000) * draw.beta(251, 1, 400000) + draw.gamma(0.5, 1 / 25.0, 400000)
    years = np.arange(10, 31)
    exact = np.array([stats.poisson.sf(199, r * t).mean() for t in years])
    seen = np.array([1 - got.chance_lasts(2020 + int(t)) for t in years])
    assert np.abs(seen - exact).max() < 4 * 0.5 / math.sqrt(20000) + 0.002
    assert abs(got.middle - (2020 + full_time(rate, 200).median())) < 1.5
    assert got.plain == pytest.approx(200 / 10)


def test_ranges_hold_as_often_as_they_say():
    # many invented grounds with a known rate: the year it is truly full lies inside 9 times in 10
    rng = np.random.default_rng(8)
    inside = 0
    n = 80
    for _ in range(n):
        truth = rng.uniform(3, 12)
        burials = burials_of(rng.poisson(truth, 25), 2000)
        taken = burials.assign(by="casket", space_id=np.arange(len(burials)), section="A")
        got = forecast(taken, burials, {"full": 150}, last_year=2000, rules=rules(slope_sd=0), paths=800).pools["full"]
        filled = 2001 + int(np.argmax(np.cumsum(rng.poisson(truth, 150)) >= 150))
        inside += got.low <= filled <= got.high
    assert stats.binomtest(inside, n, 0.9).pvalue > 0.001
    assert inside / n > 0.8


def test_more_left_lasts_longer_and_sales_shorten_it():
    burials = burials_of([6] * 25, 2020)
    taken = burials.assign(by="casket", space_id=np.arange(len(burials)), section="A")
    sold = pd.DataFrame({"pool": "full", "year": np.repeat(np.arange(1996, 2021), 3), "by": "sale", "section": "A"})
    few = forecast(taken, burials, {"full": 60}, last_year=2020, rules=RULES, paths=1500).pools["full"]
    many = forecast(taken, burials, {"full": 300}, last_year=2020, rules=RULES, paths=1500).pools["full"]
    with_sales = forecast(pd.concat([taken, sold]), burials, {"full": 300}, last_year=2020, rules=RULES, paths=1500)
    assert few.high < many.middle
    assert with_sales.pools["full"].middle < many.middle - 5
    assert with_sales.pools["full"].plain == pytest.approx(300 / 9)
    assert (many.lasts.diff().dropna() <= 0).all()
    assert many.low <= many.likely <= many.high


def test_cremation_rising_spares_the_spaces_for_full_burials():
    casket, urn = burials_of([10] * 25, 2020), burials_of([10] * 25, 2020, "urn", "cremation")
    rising = burials_of(list(range(1, 26)), 2020, "urn", "cremation")
    falling = burials_of(list(range(26, 1, -1)), 2020)
    taken = casket.assign(by="casket", space_id=np.arange(len(casket)), section="A")
    steady = forecast(taken, pd.concat([casket, urn]), {"full": 250}, last_year=2020, rules=RULES, paths=1500)
    other = falling.assign(by="casket", space_id=np.arange(len(falling)), section="A")
    moved = forecast(other, pd.concat([falling, rising]), {"full": 250}, last_year=2020, rules=RULES, paths=1500)
    assert moved.pools["full"].middle > steady.pools["full"].middle + 10
    assert "share of cremation" in set(moved.pools["full"].moves["what"])


def test_nothing_left_is_said():
    burials = burials_of([6] * 25, 2020)
    taken = burials.assign(by="casket", space_id=np.arange(len(burials)), section="A")
    got = forecast(taken, burials, {"full": 0}, last_year=2020, rules=RULES, paths=200)
    assert got.pools["full"].middle == 2020
    assert got.words()[0] == "Spaces for full burials: none left."


# ---- from the register ----------------------------------------------------------------------------------------------


def test_takings_and_years():
    spaces = pd.DataFrame({"space_id": list("abcde"), "section": "A", "kind": ["full"] * 3 + ["infant", "cremation"]})
    events = pd.DataFrame(
        {
            "kind": ["interment", "urn placed", "interment", "interment", "interment", "disinterment"],
            "date": ["1990", "1999-04", "2000-01-02", None, "2004", "2004"],
            "space_id": ["a", "a", "d", "b", "e", "a"],
        }
    )
    rights = pd.DataFrame({"date": ["1990-02", "1980"], "space_id": ["a", "c"]})
    taken, burials = takings(spaces, events, rights, pd.DataFrame({"space_id": ["n1"], "section": ["N"]}))
    got = {row.space_id: (row.pool, None if pd.isna(row.year) else row.year, row.by) for row in taken.itertuples()}
    assert got == {
        "a": ("full", 1990, "casket"),  # the right of the same year came with the burial
        "b": ("full", None, "casket"),
        "c": ("full", 1980, "sale"),
        "d": ("infant", 2000, "infant"),
        "e": ("cremation", 2004, "urn"),
    }
    assert burials["kind"].value_counts().to_dict() == {"casket": 2, "urn": 2, "infant": 1}
    assert yearly(burials["year"], 1999, 2001).tolist() == [1, 1, 0]


def test_looking_back_counts_what_came():
    rng = np.random.default_rng(9)
    years = pd.Series(np.repeat(np.arange(1900, 2021), rng.poisson(7, 121)))
    table = backtest(years, 2020, rules=RULES)
    assert list(table["stand"]) == [1930, 1940, 1950, 1960, 1970, 1980, 1990, 2000, 2010]
    for row in table.itertuples():
        assert row.happened == int(((years > row.stand) & (years <= row.until)).sum())
        assert row.inside == (row.low <= row.happened <= row.high)
    assert table["inside"].mean() >= 7 / 9


def test_looking_back_sees_a_break():
    years = pd.Series(np.repeat(np.arange(1950, 2011), [4] * 41 + [14] * 20))
    table = backtest(years, 2010, rules=RULES).set_index("stand")
    assert not table.loc[1990, "inside"]
    assert table.loc[1980, "inside"]


# ---- years bought ----------------------------------------------------------------------------------------------------


def only_sales(counts, left, **more):
    n = int(np.sum(counts))
    years = np.repeat(np.arange(2021 - len(counts), 2021), counts)
    taken = pd.DataFrame({"space_id": np.arange(n), "section": "A", "pool": "full", "year": years, "by": "sale"})
    none = pd.DataFrame({"kind": pd.Series(dtype=object), "pool": pd.Series(dtype=object),
                         "year": pd.Series(dtype="Int64")})  # fmt: skip
    given = {"slope_sd": 0.0, "window": len(counts), "alpha": 0.0} | more
    return forecast(taken, none, {"full": left}, last_year=2020, rules=rules(**given)).pools["full"]


@pytest.mark.parametrize(("spaces", "left"), [(120, 50), (400, 50), (400, 0), (6000, 50)])
def test_years_bought_are_the_time_of_so_many_more_events(spaces, left):
    # given the rate, the time of the next n events does not depend on those before: beta prime, as for the first n
    counts = [11, 13, 9, 13, 21, 12, 14, 10, 15, 13]
    item = only_sales(counts, left)
    closed = full_time(JEFFREYS.update(counts), spaces).ppf([0.05, 0.5, 0.95])
    assert item.buys(spaces) == pytest.approx(closed, rel=0.04, abs=1.0)  # 6,000 draws; far beyond the horizon too
    assert item.buys(spaces)[0] < spaces / item.a_year < item.buys(spaces)[2]


def test_more_land_buys_more_years_and_a_trend_widens_them():
    item = only_sales([12] * 25, 100)
    bought = [item.buys(n)[1] for n in (50, 100, 400, 2500)]
    assert bought == sorted(bought)
    assert item.buys(0) == (0.0, 0.0, 0.0)
    trend = only_sales([12] * 25, 100, slope_sd=0.02)
    low, _, high = item.buys(400)
    low2, _, high2 = trend.buys(400)
    assert high2 - low2 > 1.3 * (high - low)


def test_what_nobody_takes_lasts_for_ever():
    item = only_sales([0] * 25, 10)
    assert math.isinf(item.buys(500)[2])


# ---- by section -----------------------------------------------------------------------------------------------------


def sold(counts, years, first=2000):
    """Sales spread evenly over years: so many in each section every year."""
    rows = [(name, first + year) for name, a_year in counts.items() for year in range(years) for _ in range(a_year)]
    table = pd.DataFrame(rows, columns=["section", "year"])
    return table.assign(space_id=np.arange(len(table)).astype(str), pool="full", by="sale")


def by_section(left):
    return pd.DataFrame({"section": list(left), "pool": "full", "left": list(left.values())})


NOBODY = pd.DataFrame({"kind": [], "pool": [], "year": []})


def test_a_section_is_full_when_algebra_says():
    # Sales only, 25 years, no trend: rates of sections are independent Gammas of shape (count + 1/2 shared out) and
    # rate 25, so the time until a section is full is beta prime distributed, as long as none before it is full.
    rules = {**RULES, "forecast.slope_sd": 0.0}
    taken = sold({"A": 9, "B": 3}, 25)
    left = {"A": 180, "B": 400}
    made = forecast(taken, NOBODY, {"full": 580}, last_year=2024, rules=rules, by_section=by_section(left))
    table = made.sections().set_index("section")
    assert table["a_year"].to_dict() == {"A": 9.0, "B": 3.0}
    assert table["plain"].to_dict() == {"A": 20.0, "B": pytest.approx(400 / 3)}
    low, middle, high = full_time(Gamma(9 * 25 + 0.25, 25.0), 180).ppf([0.05, 0.5, 0.95])
    # a year is the end of the one in which the last is taken; a burial of nobody adds a little
    assert table.loc["A", ["low", "middle", "high"]].tolist() == pytest.approx(
        [2024 + math.ceil(value) for value in (low, middle, high)], abs=1
    )
    # B is full last, together with the ground: what A cannot take goes to it
    ground = made.pools["full"]
    assert table.loc["B", ["low", "middle", "high"]].tolist() == [ground.low, ground.middle, ground.high]
    # mean field: A takes 9 a year for 20 years and B 60 of its 400, then B takes all 12: full after 20 + 340 / 12
    assert table.loc["B", "middle"] == pytest.approx(2024 + 20 + 340 / 12, abs=2)


def test_one_section_is_the_ground_and_equal_ones_are_alike():
    whole = forecast(sold({"A": 8}, 25), NOBODY, {"full": 160}, last_year=2024, rules=RULES,
                     by_section=by_section({"A": 160}))  # fmt: skip
    only, ground = whole.sections().iloc[0], whole.pools["full"]
    assert [only["low"], only["middle"], only["high"]] == [ground.low, ground.middle, ground.high]
    halves = forecast(sold({"A": 4, "B": 4}, 25), NOBODY, {"full": 160}, last_year=2024, rules=RULES,
                      by_section=by_section({"A": 80, "B": 80}))  # fmt: skip
    a, b = (halves.sections().set_index("section").loc[name] for name in "AB")
    assert a["middle"] == pytest.approx(b["middle"], abs=1)
    assert a["plain"] == b["plain"] == 20
    assert halves.pools["full"].middle == ground.middle  # sharing out takes nothing away


def test_a_full_section_and_one_nobody_buys_in():
    left = {"A": 0, "B": 60, "C": 40}
    made = forecast(sold({"A": 2, "B": 4}, 25), NOBODY, {"full": 100}, last_year=2024, rules=RULES,
                    by_section=by_section(left))  # fmt: skip
    words = dict(made.section_words())
    assert words["A"] == "Spaces for full burials: none left."
    assert "by division never" in words["C"]
    table = made.sections().set_index("section")
    assert table.loc["B", "middle"] < table.loc["C", "middle"]  # then C takes what B cannot
    assert table.loc["C", "high"] == made.pools["full"].high
    with pytest.raises(ValueError, match="the sections have 99 left, the ground 100"):
        forecast(sold({"A": 1}, 5), NOBODY, {"full": 100}, last_year=2024, rules=RULES,
                 by_section=by_section({"A": 99}))  # fmt: skip


@pytest.mark.parametrize(
    ("dates", "words"),
    [
        (["2001-05-01"] * 120, "all 120 burials and sales of 2000 to 2024 are recorded with one date, 2001-05-01"),
        ([*["2001-05-01"] * 95, *["2010-02-03"] * 5], "95 of 100 burials and sales of 2000 to 2024"),
        ([f"2001-{month:02d}-01" for month in range(1, 13)] * 4, "are of one year, 2001"),
        ([f"{year}-05-01" for year in range(2000, 2025)], ""),
        (["2001-05-01"] * 4, ""),  # four sales may be of one day
    ],
)
def test_a_list_copied_on_one_day_says_nothing_of_a_year(dates, words):
    spaces = pd.DataFrame({"space_id": np.arange(len(dates)).astype(str), "section": "A", "kind": "full"})
    rights = pd.DataFrame({"space_id": spaces["space_id"], "date": dates})
    events = pd.DataFrame({"kind": [], "date": [], "space_id": []})
    taken, burials = takings(spaces, events, rights)
    made = forecast(taken, burials, {"full": 50}, last_year=2024, rules=RULES, paths=300,
                    by_section=by_section({"A": 50}))  # fmt: skip
    item = made.pools["full"]
    assert words in item.unsaid
    assert bool(words) == bool(item.unsaid) == ("cannot be said" in item.words()) == ("a year" not in item.words())
    assert ("cannot be said" in made.section_words()[0][1]) == bool(words)
    assert made.sections()["plain"].isna().all() == bool(words)


def test_a_division_beyond_the_horizon_is_not_said_to_the_year():
    made = forecast(sold({"A": 1}, 25), NOBODY, {"full": 12_174}, last_year=2024, rules=RULES, paths=300)
    said = made.pools["full"].words()
    assert "by division more than 150 years" in said
    assert "12,174 left" in said
