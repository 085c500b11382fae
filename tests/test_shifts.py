"""Files with a shift of their own: planted ones are named, and only they."""

import numpy as np
import pandas as pd
import pytest
from test_fit import ORIGIN, fit_of, lots, turn

from cemgis.fit import fit_plat
from cemgis.invent.truth import smooth
from cemgis.shifts import file_shifts
from cemgis.signal import Prior
from cemgis.units import US_SURVEY_FOOT

PRIOR = Prior(0.2, 4.0, 0.7, 150.0, 0.8, 0.2)


def occupied(seed, shifts, shares, n=90, setting=0.15, bad=8, twice=0.1):
    rng = np.random.default_rng(seed)
    plat = rng.permutation(lots())[:n]
    true = plat @ turn(17.0).T + ORIGIN + rng.normal(0, setting, plat.shape)
    true[:bad] += rng.uniform(-80, 80, (bad, 2))
    first = rng.choice(len(shifts), n, p=shares)
    again = np.flatnonzero(rng.random(n) < twice)
    row = np.concatenate([np.arange(n), again])
    file = np.concatenate([first, (first[again] + 1) % len(shifts)])
    xy = true[row] + np.array(shifts, dtype=float)[file] + rng.normal(0, 0.05, (len(row), 2))
    names = np.array(["april.nmea", "june.csv", "may.gpx"])
    table = pd.DataFrame({"file": names[file], "plat": "1889", "row": row, "e": xy[:, 0], "n": xy[:, 1],
                          "cov_ee": 0.0025, "cov_en": 0.0, "cov_nn": 0.0025})  # fmt: skip
    read = table.groupby("row")[["e", "n"]].mean().to_numpy()
    return {"1889": fit_of(plat, read)}, table


def shifts_of(fits, table, **more):
    return file_shifts(fits, table, alpha=0.001, least=0.15, unit=US_SURVEY_FOOT, **more)


@pytest.mark.parametrize("shares", [(0.4, 0.3, 0.3), (0.3, 0.45, 0.25), (0.2, 0.6, 0.2)])
@pytest.mark.parametrize("shift", [(2.8, -3.1), (0.4, 0.3), (0.0, 40.0)])
def test_shifted_file_is_named_with_its_size(shares, shift):
    found = shifts_of(*occupied(41, [(0, 0), shift, (0, 0)], shares))
    assert found["state"].to_dict() == {"april.nmea": "agrees", "june.csv": "shifted", "may.gpx": "agrees"}
    line = found.loc["june.csv"]
    assert np.hypot(line["shift_e"] - shift[0], line["shift_n"] - shift[1]) < 4 * line["sigma"]
    assert line["against"] == "april.nmea, may.gpx"
    assert line["words"].startswith("the markers of june.csv miss by ")


def test_of_two_files_none_can_be_called_the_shifted_one():
    fits, table = occupied(42, [(0, 0), (2.8, -3.1)], (0.6, 0.4))
    found = shifts_of(fits, table)
    assert found["state"].tolist() == ["undecided", "undecided"]
    assert "which of them is shifted cannot be told" in found["words"].iloc[0]
    assert np.hypot(found["shift_e"].diff().iloc[1] - 2.8, found["shift_n"].diff().iloc[1] + 3.1) < 0.2
    # a reading on control by either file settles it, also if that file is the one that is off
    spread = {"cov_ee": 0.0025, "cov_en": 0.0, "cov_nn": 0.0025}
    good = pd.DataFrame({"file": ["april.nmea"], "miss_e": [0.03], "miss_n": [-0.02], **spread})
    off = pd.DataFrame({"file": ["june.csv"], "miss_e": [2.83], "miss_n": [-3.08], **spread})
    for control in (good, off):
        assert shifts_of(fits, table, control=control)["state"].to_dict() == {
            "april.nmea": "agrees",
            "june.csv": "shifted",
        }


def test_files_without_shift_agree():
    wrong = 0
    for seed in range(60):
        found = shifts_of(*occupied([43, seed], [(0, 0)] * 3, (0.4, 0.3, 0.3), n=40, setting=0.05 + 0.005 * seed))
        wrong += int((found["state"] != "agrees").sum())
    assert wrong <= 2  # 180 tests at 0.001
    alone = shifts_of(*occupied(44, [(0, 0)], (1.0,)))
    assert alone["state"].tolist() == ["alone"]


def test_shift_that_the_fit_swallowed_is_still_named():
    # 0.9 ft off, nearly half the markers: too little for any single marker to stand out
    fits, table = occupied(48, [(0, 0), (0.7, 0.6), (0, 0)], (0.3, 0.45, 0.25), setting=0.2)
    assert fits["1889"].used.sum() > 75
    found = shifts_of(fits, table)
    assert found["state"].to_dict() == {"april.nmea": "agrees", "june.csv": "shifted", "may.gpx": "agrees"}
    assert np.hypot(found.loc["june.csv", "shift_e"] - 0.7, found.loc["june.csv", "shift_n"] - 0.6) < 0.2


def test_shift_too_small_for_a_word_is_none():
    fits, table = occupied(49, [(0, 0), (0.10, 0.0), (0, 0)], (0.4, 0.3, 0.3), n=180, setting=0.05, twice=0.5)
    found = shifts_of(fits, table)
    assert found.loc["june.csv", "chance"] < 1e-4  # sure enough, but below the 0.15 ft of the rule
    assert (found["state"] == "agrees").all()
    smaller = file_shifts(fits, table, alpha=0.001, least=0.05, unit=US_SURVEY_FOOT)
    assert smaller.loc["june.csv", "state"] == "shifted"


def test_file_with_one_marker_is_too_little():
    fits, table = occupied(45, [(0, 0), (0, 0)], (0.5, 0.5), twice=0.0)
    keep = (table["file"] == "april.nmea") | (table["row"] == table.loc[table["file"] == "june.csv", "row"].max())
    found = shifts_of(fits, table[keep])
    assert found.loc["june.csv", "state"] == "too few"
    assert shifts_of(fits, table.iloc[:0]).empty


def test_shift_is_found_over_two_plats_with_no_common_marker():
    fits_a, table_a = occupied(46, [(0, 0), (3.0, 0.0), (0, 0)], (0.4, 0.3, 0.3), twice=0.0)
    fits_b, table_b = occupied(47, [(0, 0), (3.0, 0.0), (0, 0)], (0.5, 0.5, 0.0), twice=0.0)
    both = pd.concat([table_a, table_b.assign(plat="1922")], ignore_index=True)
    found = shifts_of({"1889": fits_a["1889"], "1922": fits_b["1889"]}, both)
    alone = shifts_of(fits_a, table_a)
    assert found.loc["june.csv", "state"] == "shifted"
    assert found.loc["june.csv", "sigma"] < alone.loc["june.csv", "sigma"]


def test_a_bend_is_no_shift_of_the_file_that_read_one_end():
    # three files read a third of a bent plat each and share no marker: without the bend most look shifted
    false, straight, true = 0, 0, 0
    for seed in range(5):
        rng = np.random.default_rng([9, seed])
        plat = np.array([[x, y] for x in range(0, 320, 16) for y in range(0, 144, 12)], dtype=float)
        plat = plat[rng.choice(len(plat), 60, replace=False)]
        off = smooth(rng, plat, 0.8, 150.0) + rng.normal(0.0, 0.15, plat.shape)
        thirds = np.digitize(plat[:, 0], [107.0, 213.0])
        mixed = rng.integers(0, 3, 60)

        def states(file, shift, bent, plat=plat, off=off):
            read = plat + [2e6, 7e5] + off + np.where((file == 1)[:, None], shift, 0.0)
            cov = np.tile(0.0025 * np.eye(2), (60, 1, 1))
            fit = fit_plat(plat, read, cov, setting_sigma=0.2, setting_dof=4, alpha=0.001, power=0.8)
            table = pd.DataFrame({
                "file": np.array(["a", "b", "c"])[file], "plat": "1889", "row": np.arange(60), "e": read[:, 0],
                "n": read[:, 1], "cov_ee": 0.0025, "cov_en": 0.0, "cov_nn": 0.0025,
            })  # fmt: skip
            found = file_shifts({"1889": fit}, table, alpha=0.001, least=0.15, unit=US_SURVEY_FOOT,
                                expected={"1889": PRIOR} if bent else None)  # fmt: skip
            return found["state"]

        straight += int(states(thirds, 0.0, bent=False).isin(["shifted", "undecided"]).any())
        false += int(states(thirds, 0.0, bent=True).isin(["shifted", "undecided"]).any())
        true += int(states(mixed, [0.7, -0.7], bent=True)["b"] == "shifted")
    assert straight >= 3
    assert false == 0
    assert true == 5
