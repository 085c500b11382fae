"""Accuracy in words and by the national standard: published cases."""

import numpy as np
import pytest

from cemgis.accuracy import leave_one_out_words, nssda, plain_words
from cemgis.errors import InputError
from cemgis.rules import RULES
from cemgis.units import METRE, US_SURVEY_FOOT

# ASPRS Positional Accuracy Standards (2014), Annex D, from memory; every printed result reproduced from these inputs
ASPRS_E = [-0.140, -0.100, 0.017, -0.070, 0.130]
ASPRS_N = [-0.070, -0.100, -0.070, 0.150, 0.120]


def test_asprs_example():
    found = nssda(ASPRS_E, ASPRS_N, METRE, points=20)
    assert (round(found.mean_e, 3), round(found.mean_n, 3)) == (-0.033, 0.006)
    assert (round(found.sd_e, 3), round(found.sd_n, 3)) == (0.108, 0.119)
    assert (round(found.rmse_e, 3), round(found.rmse_n, 3), round(found.rmse_r, 3)) == (0.102, 0.106, 0.147)
    assert round(found.accuracy_95, 3) == 0.255
    assert found.statement is None
    assert found.caveats[0] == "only 5 independent points; a statement needs 20"


def spread_points(n):
    """Points that meet the standard: a fifth in each quadrant, a tenth of the diagonal apart."""
    x, y = np.meshgrid(np.arange(5) * 100.0, np.arange(n // 5) * 100.0)
    return np.column_stack([x.ravel(), y.ravel()])


def test_nssda_statement():
    # RMSE 0.10 and 0.08: 2.4477 x 0.5 x 0.18 = 0.22029 (FGDC-STD-007.3-1998, App. 3-A)
    sign = np.tile([1.0, -1.0], 15)
    found = nssda(0.10 * sign, 0.08 * sign, US_SURVEY_FOOT, points=20, places=spread_points(30))
    assert found.accuracy_95 == pytest.approx(0.22029, abs=1e-5)
    assert found.statement == "Tested 0.22 feet horizontal accuracy at 95% confidence level"
    equal = nssda(0.1 * sign, 0.1 * sign, US_SURVEY_FOOT, points=20)
    assert equal.accuracy_95 == pytest.approx(1.7308 * equal.rmse_r, abs=1e-5)
    points = RULES["accuracy.nssda_points"].value
    assert nssda(0.1 * sign[:19], 0.1 * sign[:19], US_SURVEY_FOOT, points=points).statement is None


def test_plain_words_go_up_to_what_a_tape_shows():
    # 20 misses of 1 to 20 mm: half lie within 11 mm, 2 cm on the tape; 95 in 100 within 20 mm
    size = np.arange(1, 21) / 1000.0
    found = plain_words(np.column_stack([size, 0 * size]), METRE)
    assert found == "half of these markers lay within 2 cm of where they were predicted, 19 of 20 within 2 cm"
    assert plain_words(np.ones((19, 2)), METRE) == ""


def test_nssda_caveats():
    sign = np.tile([1.0, -1.0], 15)
    lopsided = spread_points(30)
    lopsided[:27] = lopsided[:27] * 0.1
    found = nssda(0.1 * sign, 0.1 * sign, US_SURVEY_FOOT, points=20, places=lopsided)
    assert any("quadrant" in words for words in found.caveats)
    assert any("tenth of the diagonal" in words for words in found.caveats)
    uneven = nssda(0.1 * sign, 0.05 * sign, US_SURVEY_FOOT, points=20)
    assert uneven.statement is None
    assert np.isnan(uneven.accuracy_95)
    with pytest.raises(InputError, match="not numbers"):
        nssda([0.1, np.nan], [0.1, 0.1], US_SURVEY_FOOT, points=20)


def test_leave_one_out_words():
    misses = np.column_stack([np.arange(1, 22) / 20.0, np.zeros(21)])
    assert leave_one_out_words(misses, US_SURVEY_FOOT) == (
        "of 21 markers left out in turn, the prediction missed by 0.55 ft in the median and 1.00 ft at the 95th "
        "percentile"
    )
    assert "nothing would check" in leave_one_out_words(np.full((2, 2), np.nan), US_SURVEY_FOOT)
