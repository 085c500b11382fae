"""What is written wrongly of a plat is named by its markers: every mistake is planted, and a right plat names none."""

import re

import numpy as np
import pytest
from test_main_job import compute

from cemgis.errors import InputError

HEAD = """schema_version = 1
name = "Elder Knoll"
crs = "EPSG:6549"
[[readings]]
file = "readings/spring.csv"
corrections = "state network, delivers NAD83(2011)"
reference = "EPSG:6549"
columns = { label = "Point", x = "Easting", y = "Northing", fix = "Fix", sigma_e = "Sigma", sigma_n = "Sigma" }
[[plat]]
name = "1890"
date = "1890"
"""
FRONT, DEEP, WALK, ROWS, LOTS = 16.0, 12.0, 6.0, 4, 10
FOUND = (1, 4, 6, 10, 11, 13, 14, 18, 20, 21, 24, 27, 30, 31, 35, 38, 40)


def block(*, name="A", at='["0 ft", "0 ft"]', lots="10", more="", **said):
    keys = {"run": "north", "step": "east", "numbering": "run on"} | said
    keys = "".join(f'{key} = "{value}"\n' for key, value in keys.items() if key != "markers")
    return f"""[[section]]
name = "{name}"
plat = "1890"
markers = "{said.get("markers", "southwest")}"
[[section.rows]]
at = {at}
rows = {ROWS}
lots = {lots}
frontage = "{FRONT:g} ft"
depth = "{DEEP:g} ft"
between_rows = "{WALK:g} ft"
spaces = 4
{keys}{more}
"""


def cell(lot, lots=LOTS):
    return divmod(lot - 1, lots)


def lying(places, seed=3):
    """Lay plat places of labels on the ground, turned by 12 degrees, set to 0.1 ft."""
    rng, turn = np.random.default_rng(seed), np.radians(12.0)
    lines = ["Point,Easting,Northing,Fix,Sigma"]
    for label, (x, y) in places.items():
        east, north = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        east, north = (east, north) + rng.normal(0.0, 0.1, 2)
        lines.append(f"{label},{2e6 + east:.3f},{45e4 + north:.3f},fixed,0.03")
    return "\n".join(lines) + "\n"


def east_of(row):
    return row * (DEEP + WALK)


RIGHT = {lot: (east_of(cell(lot)[0]), FRONT * cell(lot)[1]) for lot in FOUND}
FORTH = {lot: (x, FRONT * (9 - cell(lot)[1]) if cell(lot)[0] % 2 else y) for lot, (x, y) in RIGHT.items()}
WEST = {lot: (-x, y) for lot, (x, y) in RIGHT.items()}
BACK = {lot: (x, FRONT * 9 - y) for lot, (x, y) in RIGHT.items()}
ELEVEN = {lot: (east_of(cell(lot, 11)[0]), FRONT * cell(lot, 11)[1]) for lot in FOUND}
SKIPPED = {lot: RIGHT[lot] if lot < 13 else (east_of(cell(lot - 1)[0]), FRONT * cell(lot - 1)[1]) for lot in FOUND
           if lot != 13}  # fmt: skip
WALK_2 = {lot: (x + 14.0 * (cell(lot)[0] > 1), y) for lot, (x, y) in RIGHT.items()}
WALKS = {lot: (x + 4.0 * cell(lot)[0], y) for lot, (x, y) in RIGHT.items()}
FRONTS = {lot: (x, 1.25 * y) for lot, (x, y) in RIGHT.items()}
SECOND_WALK = {lot: (x + 10.0 * ((cell(lot)[0] + 1) // 2), y) for lot, (x, y) in RIGHT.items()}
CROSSED = {lot: (x, y + 12.0 * (cell(lot)[1] >= 4)) for lot, (x, y) in RIGHT.items()}
THIRD = {lot: (x, FRONT * 9 - y if cell(lot)[0] == 2 else y) for lot, (x, y) in RIGHT.items()}
SWAPPED = {lot: (cell(lot)[0] * (FRONT + WALK), DEEP * cell(lot)[1]) for lot in FOUND}
YARDS = {lot: (3 * x, 3 * y) for lot, (x, y) in RIGHT.items()}
OTHER = {f"B-{lot}": (x, y + 200.0) for lot, (x, y) in RIGHT.items()}
SECOND = block(name="B", at='["0 ft", "200 ft"]')


def told(tmp_path, places, second="", **written):
    """Return what is said of a plat in doubt, by its finding or by the refusal to build."""
    if isinstance(next(iter(places)), int):
        places = {f"A-{lot}": at for lot, at in places.items()}
    files = {"ground.toml": HEAD + block(**written) + second,
             "readings/spring.csv": lying(places | (OTHER if second else {}))}  # fmt: skip
    try:
        run = compute(tmp_path / "knoll", files, until="fit")
    except InputError as error:
        return str(error)
    kinds = ("plat contradicted", "plat without fit", "scale implausible", "fit loose")
    return "; ".join(item.reason for item in run.findings if item.kind in kinds)


@pytest.mark.parametrize(
    ("places", "cause"),
    [
        (FORTH, 'if numbering were "back and forth"'),
        (ELEVEN, "if lots were 11"),
        (SKIPPED, r"if skip named (a number between \d+ and \d+|13)"),
        (WALK_2, "if the walk after row 2 were 20 ft"),
        (SECOND_WALK, "if the walk after every second row, from row 1 on, were 16 ft"),
        (FRONTS, "if frontage were 20 ft"),
        (CROSSED, "if the walk after place 4 of each row were 12 ft"),
        (THIRD, "if row 3 alone were begun at its other end"),
        (SWAPPED, "if frontage and depth were exchanged"),
        ({f"A-{cell(lot)[0] + 1}-{cell(lot)[1] + 1}": at for lot, at in RIGHT.items()}, 'if numbering were "restart"'),
    ],
    ids=[
        "numbering",
        "lots",
        "skip",
        "walk after a row",
        "every second walk",
        "frontage",
        "cross walk",
        "one row",
        "exchanged",
        "restart",
    ],
)
def test_a_mistake_in_the_rows_is_named_and_only_it(tmp_path, places, cause):
    said = told(tmp_path, places)
    assert re.search(cause + r"(;|\. |$)", said), said
    assert re.search(rf"{len(places)} of {len(places)} would, within 0\.[12]\d ft, if ", said), said


def test_a_walk_between_all_rows_and_a_deeper_lot_put_markers_alike(tmp_path):
    said = told(tmp_path, WALKS)
    assert "if between_rows were 10 ft, or if depth were 16 ft; look where A-" in said


def test_two_changes_with_the_same_lots_are_both_said_with_the_space_that_tells(tmp_path):
    said = told(tmp_path, WEST)
    assert 'if run were "south", or if step were "west"; look where A-' in said
    # With run south the marker stands at the corner across: lots lie one lot farther along and across, and their first
    # space is at the other end (12 ft on of 16): sqrt((16 + 12) ** 2 + 12 ** 2) = 30 ft.
    assert "they put it 30 ft apart" in said


@pytest.mark.parametrize(
    ("places", "written", "cause"),
    [
        # the first lot then lies west of where the rows start, and its southwest corner with it
        ({lot: (x - DEEP, y) for lot, (x, y) in WEST.items()}, {}, 'if step were "west"'),
        (BACK, {}, "if rows were begun at their other ends"),
        ({lot + 2: at for lot, at in RIGHT.items() if lot < 39}, {}, "if first were 3"),
        ({lot: (x + DEEP, y + FRONT) for lot, (x, y) in RIGHT.items()}, {}, 'if markers were "northeast"'),
        (YARDS, {}, "if its lengths were yards, not feet"),
    ],
    ids=["step", "run", "first", "corner", "unit"],
)
def test_beside_another_section_of_the_plat_a_mistake_is_named_alone(tmp_path, places, written, cause):
    if places is YARDS:  # as large as it is it would lie over B: that stands farther north
        far = {f"B-{lot}": (x, y + 600.0) for lot, (x, y) in RIGHT.items()}
        files = {"ground.toml": HEAD + block() + block(name="B", at='["0 ft", "600 ft"]'),
                 "readings/spring.csv": lying({f"A-{lot}": at for lot, at in YARDS.items()} | far)}  # fmt: skip
        run = compute(tmp_path / "knoll", files, until="fit")
        said = "; ".join(item.reason for item in run.findings if item.severity == "danger")
    else:
        said = told(tmp_path, places, SECOND, **written)
    assert cause in said, said
    assert not re.search(cause + ", or if", said), said


def test_a_right_plat_names_nothing_and_a_thorough_mistake_says_so(tmp_path):
    assert told(tmp_path, RIGHT) == ""
    rng = np.random.default_rng(8)
    # half of them anywhere: no change of what is written makes those agree
    lots = list(RIGHT)
    anywhere = {lot: tuple(rng.uniform(0.0, 150.0, 2)) if lot in lots[1::2] else RIGHT[lot] for lot in lots}
    assert "no single change of what is written of it explains that" in told(tmp_path, anywhere)


def test_lots_that_stand_in_a_list_are_taken_otherwise_too(tmp_path):
    rows = "\n".join(f"{lot},{cell(lot)[0] * 18 + 200 * (lot > 20)},{16 * cell(lot)[1]},12,16" for lot in range(1, 41))
    written = f'{HEAD}[[section]]\nname = "A"\nplat = "1890"\nmarkers = "southwest"\nlots = "plat/a.csv"\n'
    # y of the list was measured down from the north edge
    places = {f"A-{lot}": (cell(lot)[0] * 18 + 200 * (lot > 20), -16.0 * cell(lot)[1]) for lot in FOUND}
    files = {"ground.toml": written, "plat/a.csv": "lot,x,y,width,depth\n" + rows + "\n",
             "readings/spring.csv": lying(places)}  # fmt: skip
    with pytest.raises(
        InputError, match=r"17 of 17 would, within 0\.\d+ ft, if x and y were exchanged or x were counted the "
    ):
        compute(tmp_path / "knoll", files, until="fit")


KNOLL = (
    HEAD
    + """[[section]]
name = "A"
plat = "1890"
markers = "southwest"
[[section.rows]]
at = ["0 ft", "0 ft"]
run = "north"
step = "east"
rows = 3
lots = 10
frontage = "16 ft"
depth = "12 ft"
between_rows = "6 ft"
numbering = "back and forth"
spaces = 4
facing = "east"
from = "left"
"""
)


@pytest.mark.parametrize(
    ("written", "wrongly", "said", "cause"),
    [
        (
            "back and forth",
            "run on",
            "5 of 5 in row 2",
            '13 of 13 would, within 0.00 ft, if numbering were "back and forth"',
        ),
        (
            'step = "east"',
            'step = "west"',
            "in the section",
            'or if step were "east"; look where A-4-1 lies, they put it 30 ft apart',
        ),
        ('frontage = "16 ft"', 'frontage = "16 m"', "in the section", "if frontage were 16 ft"),
        ("rows = 3", "skip = [12]\nrows = 3", "in the section", "if skip did not name 12"),
        (
            'depth = "12 ft"',
            'depth = ["12 ft", "60 ft", "40 ft"]',
            "4 of 4 in row 3",
            "no single change of what is written of it explains that",
        ),
        ("", "", None, None),
    ],
)
def test_a_plat_written_wrongly_is_told_by_its_markers_and_why(tmp_path, written, wrongly, said, cause):
    turn = np.radians(12.0)
    lines = ["Point,Easting,Northing,Fix,Sigma"]
    lots = [1, 4, 7, 10, 11, 13, 15, 18, 20, 21, 24, 27, 30]
    for lot in lots if "step" not in written else [1, 5, 10, 11, 15, 20, 21, 30]:
        row, place = divmod(lot - 1, 10)
        x, y = row * 18.0, 16.0 * (9 - place if row == 1 else place)
        east, north = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        lines.append(f"A-{lot},{2e6 + east:.3f},{45e4 + north:.3f},fixed,0.03")
    files = {"ground.toml": KNOLL.replace(written, wrongly, 1), "readings/spring.csv": "\n".join(lines) + "\n"}
    run = compute(tmp_path / "knoll", files, until="fit")
    found = [item for item in run.findings if item.kind == "plat contradicted"]
    if said is None:
        assert not found
        assert not [item for item in run.findings if item.severity == "danger"]
    else:
        (one,) = found
        assert (one.subject, one.severity) == ("A", "danger")
        assert said in one.reason
        assert one.reason.endswith(cause), one.reason


def test_a_plat_that_cannot_be_fitted_says_what_may_be_written_wrongly(tmp_path):
    lines = ["Point,Easting,Northing,Fix,Sigma"]
    for lot in (1, 4, 7, 10, 11, 13, 15, 18, 20, 21, 24, 27, 30):
        row, place = divmod(lot - 1, 10)
        y = 16.0 * (9 - place if row == 1 else place)
        lines.append(f"A-{lot},{2e6 + 18.0 * row:.3f},{45e4 + y:.3f},fixed,0.03")
    files = {"ground.toml": KNOLL.replace("lots = 10", "lots = 11"), "readings/spring.csv": "\n".join(lines) + "\n"}
    with pytest.raises(InputError) as error:
        compute(tmp_path / "knoll", files, until="fit")
    said = str(error.value)
    assert "markers agree with one another; section A: as it is written 4 of 13 agree; 13 of 13 would" in said
    assert "if lots were 10. Check labels" in said
