"""The search for unfound markers: which teach most, ties to them, the walk, and the files made of the plan."""

from __future__ import annotations

import itertools
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pypdfium2
import pytest
import shapely

from cemgis import pipeline
from cemgis.adjust import radius_95
from cemgis.cli import main
from cemgis.errors import InputError
from cemgis.files.readings import parse_gpx
from cemgis.findings import FINDINGS, GROUND_WORK, find
from cemgis.pipeline import seeking
from cemgis.reference import parse_reference, to_grid
from cemgis.seek import point_ties, teach_most, walk_length, walk_order
from cemgis.ties import TieNumbers

DEMO = Path(__file__).parents[1] / "data" / "demo"
NUMBERS = TieNumbers(0.03, 0.0005, 100.0, 30.0, 0.01, 1 / 24)
READ = 0.04**2 * np.eye(2)


# ---- what teaches most ----------------------------------------------------------------------------------------------


class Ground:
    """A plat of rows of lots whose corners lie off by trend, smooth signal and setting; covariances known."""

    def __init__(self, seed):
        rng = np.random.default_rng(seed)
        x, y = np.meshgrid(np.arange(13) * 16.0, np.arange(9) * 24.0, indexing="ij")
        self.xy = np.column_stack([x.ravel(), y.ravel()])
        far = np.hypot(*(self.xy[:, None] - self.xy[None]).transpose(2, 0, 1))
        self.signal = 0.5**2 * np.exp(-far / 60.0) + 1.0 * np.ones_like(far)  # an unknown shift of a foot besides
        self.corner = self.signal + 0.15**2 * np.eye(len(far))
        # markers are found where people dug: in one quarter, mostly
        chance = np.exp(-np.hypot(*(self.xy - rng.uniform(0, 190, 2)).T) / 50.0)
        self.found = rng.choice(len(self.xy), 10, replace=False, p=chance / chance.sum())
        self.left = np.setdiff1d(np.arange(len(self.xy)), self.found)
        grid = np.arange(len(self.xy)).reshape(13, 9)
        quads = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=-1).reshape(-1, 4)
        self.w = np.zeros((len(quads), len(self.xy)))
        np.put_along_axis(self.w, quads, 0.25, axis=1)
        self.now = self.after(self.found)

    def after(self, rows):
        c = self.corner
        return c - c[:, rows] @ np.linalg.solve(c[np.ix_(rows, rows)] + READ[0, 0] * np.eye(len(rows)), c[rows])

    def spaces(self, rows):
        return np.diag(self.w @ self.after(np.concatenate([self.found, rows]).astype(int)) @ self.w.T)

    def worst(self, rows):
        return radius_95(self.spaces(rows)[:, None, None] * np.eye(2)).max()

    def teach(self, count, aim="worst"):
        both = np.kron(self.now, np.eye(2)).reshape(len(self.xy), 2, len(self.xy), 2)
        cross = np.einsum("sa,axby->sxby", self.w, both)
        own = np.einsum("sxby,sb->sxy", cross, self.w)
        among = both[self.left][:, :, self.left].reshape(2 * len(self.left), -1)
        found = teach_most(own, cross[:, :, self.left].reshape(len(own), 2, -1), among, READ, count, aim=aim)
        return self.left[found.chosen], found

    def gaps(self, count):
        """The marker farthest from all found ones, again and again."""
        have, out = list(self.found), []
        for _ in range(count):
            far = np.hypot(*(self.xy[self.left][:, None] - self.xy[have][None]).transpose(2, 0, 1)).min(axis=1)
            out.append(self.left[int(np.argmax(far))])
            have.append(out[-1])
        return np.array(out)


def test_what_is_said_to_be_learned_is_what_a_new_adjustment_gives():
    ground = Ground(0)
    rows, found = ground.teach(4)
    for k in range(5):
        assert found.worst[k] == pytest.approx(ground.worst(rows[:k]), rel=1e-9)
        assert found.total[k] == pytest.approx(2.0 * ground.spaces(rows[:k]).sum(), rel=1e-9)
    assert (np.diff(found.total) < 0).all()


def test_first_choice_is_the_best_of_all_by_trying_them():
    ground = Ground(1)
    rows, _ = ground.teach(1, aim="sum")
    tried = [ground.spaces([row]).sum() for row in ground.left]
    assert ground.spaces(rows).sum() == pytest.approx(min(tried), rel=1e-12)


def test_it_beats_random_choices_and_the_largest_gaps():
    rng = np.random.default_rng(5)
    taught, random, gap, real = [], [], [], []
    for seed in range(8):
        ground = Ground(seed)
        rows, _ = ground.teach(5)
        taught.append(ground.worst(rows))
        choices = [rng.choice(ground.left, 5, replace=False) for _ in range(20)]
        random.append(np.mean([ground.worst(choice) for choice in choices]))
        gap.append(ground.worst(ground.gaps(5)))
        assert taught[-1] < min(ground.worst(choice) for choice in choices)
        # and with errors drawn, not only on paper: true misses of the spaces after the chosen ones are read
        errors = np.linalg.cholesky(ground.corner) @ rng.standard_normal((len(ground.xy), 40))
        for chosen in (rows, choices[0]):
            have = np.concatenate([ground.found, chosen])
            read = errors[have] + np.sqrt(READ[0, 0]) * rng.standard_normal((len(have), 40))
            inner = ground.corner[np.ix_(have, have)] + READ[0, 0] * np.eye(len(have))
            miss = ground.w @ (errors - ground.corner[:, have] @ np.linalg.solve(inner, read))
            real.append(np.sqrt((miss**2).mean(axis=1)).max())
    taught, random, gap, real = (np.array(part) for part in (taught, random, gap, real))
    assert (taught / random).mean() < 0.85
    assert (taught / gap).mean() < 0.97
    assert (taught <= gap * 1.001).all()
    assert real[::2].mean() < 0.92 * real[1::2].mean()


def test_edges_of_the_choice():
    ground = Ground(2)
    rows, found = ground.teach(0)
    assert not len(rows)
    assert len(found.worst) == 1
    assert len(set(ground.teach(500)[0])) == len(ground.left)
    with pytest.raises(InputError, match="worst, sum"):
        ground.teach(1, aim="best")


# ---- ties and the walk ----------------------------------------------------------------------------------------------


def test_taped_radius_against_simulated_taping():
    rng = np.random.default_rng(11)
    anchors = np.array([[0.0, 0.0], [40.0, 5.0], [-10.0, 60.0]])
    place = np.array([22.0, 34.0])
    half = rng.normal(0, 0.15, (8, 8))
    joint = half @ half.T + 0.02 * np.eye(8)

    def some(rows):
        index = np.concatenate([[0, 1], *[[2 * row + 2, 2 * row + 3] for row in rows]])
        return joint[np.ix_(index, index)]

    found = point_ties(place, anchors, some, NUMBERS, factor=0.9999)
    a, b = found.anchors[:2]
    np.testing.assert_allclose(found.distances[0] * 0.9999, np.hypot(*(place - anchors[a])), rtol=0, atol=1e-9)
    n = 20_000
    error = rng.multivariate_normal(np.zeros(8), joint, n)
    true_place = place - error[:, :2]
    true = [anchors[k] - error[:, 2 * k + 2 : 2 * k + 4] for k in (a, b)]
    taped = [np.hypot(*(place - anchors[k])) + rng.normal(0, np.sqrt(NUMBERS.variance(found.distances[at])) * 0.9999, n)
             for at, k in enumerate((a, b))]  # fmt: skip
    line = true[1] - true[0]
    long = np.hypot(*line.T)
    along = (taped[0] ** 2 - taped[1] ** 2 + long**2) / (2 * long)
    up = np.sqrt(taped[0] ** 2 - along**2) * (1.0 if found.side == "left" else -1.0)
    unit = line / long[:, None]
    point = true[0] + along[:, None] * unit + up[:, None] * np.column_stack([-unit[:, 1], unit[:, 0]])
    inside = (np.hypot(*(point - true_place).T) <= found.radius_95).mean()
    assert inside == pytest.approx(0.95, abs=0.008)
    assert point_ties(place, anchors[:1], some, NUMBERS) is None
    assert point_ties(place, anchors + 500.0, some, NUMBERS) is None
    flat = np.array([[0.0, 34.0], [44.5, 34.1]])  # both look along one line
    assert point_ties(place, flat, some, NUMBERS) is None


@pytest.mark.parametrize("seed", range(8))
def test_walk_against_all_walks(seed):
    xy = np.random.default_rng(seed).uniform(0, 100, (7, 2))
    order = walk_order(xy, 2)
    assert order[0] == 2
    assert sorted(order) == list(range(7))
    rest = [row for row in range(7) if row != 2]
    best = min(walk_length(xy, [2, *each]) for each in itertools.permutations(rest))
    assert walk_length(xy, order) <= 1.15 * best + 1e-9


def test_walk_does_not_cross_itself_and_is_quick():
    xy = np.random.default_rng(3).uniform(0, 300, (150, 2))
    order = walk_order(xy)
    assert shapely.is_simple(shapely.linestrings(xy[order]))
    assert walk_length(xy, order) < 0.3 * walk_length(xy, np.arange(150))
    assert walk_order(xy[:1]).tolist() == [0]
    assert walk_order(np.empty((0, 2))).tolist() == []


# ---- the plan of a ground -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sought(tmp_path_factory):
    folder = tmp_path_factory.mktemp("seek") / "ground"
    shutil.copytree(DEMO, folder)
    text = (folder / "ground.toml").read_text()
    marked = text.replace('title = "Elm walk"', 'title = "Elm walk"\nprotected = "unmarked burials"')
    assert marked != text
    (folder / "ground.toml").write_text(marked)
    return pipeline.seek(folder, section="C", best=4), folder


def test_the_plan_names_every_unfound_marker_of_the_section(sought):
    plan, folder = sought
    corners = plan.run.tables["corners"]
    unfound = corners[(corners["state"] == "unfound") & (corners["section"] == "C")]
    assert set(plan.table["corner_id"]) == set(unfound["corner_id"])
    assert plan.table["walk"].tolist() == list(range(1, len(plan.table) + 1))
    assert sorted(plan.table["teaches"].dropna()) == [1, 2, 3, 4]
    assert (plan.table["settle_first"] == "unmarked burials").all()
    assert "Settle first: unmarked burials" in plan.said[0]
    # markers of this section stand 6 in inside the northeast corner of their lot
    own = corners.set_index("corner_id").loc[plan.table["corner_id"]]
    off = shapely.distance(plan.table.geometry.to_numpy(), own.geometry.to_numpy())
    np.testing.assert_allclose(off, np.hypot(0.5, 0.5), rtol=0, atol=0.01)
    assert [path.suffix for path in plan.made] == [".pdf", ".gpx", ".csv", ".gpkg"]
    assert all(path.parent == folder / "sheets" for path in plan.made)


def test_a_finding_that_sends_someone_to_probe_in_a_protected_section_says_settle_first(sought):
    run = replace(sought[0].run, findings=[
        find("clearance short", "V-1, V-2", "0.4", section="C"), find("clearance short", "V-3, V-4", "", section="B"),
        find("vault not placed", "V-9", "six hits", section="C", todo="Probe its far end."),
        find("fit without check", "1924", "3 markers"), find("heads unknown", "C", "", section="C"),
    ])  # fmt: skip
    assert [one.plat for one in run.ground.sections if one.name == "C"] == ["1924"]
    todo = run.findings_table.set_index("subject")["todo"]
    first = "SETTLE FIRST, before any probe or spade (section C is protected: unmarked burials). "
    assert todo["V-9"] == first + "Probe its far end."
    assert todo["V-1, V-2"] == first + "Probe before digging beside either."
    assert todo["1924"] == first + "Find at least one more marker."
    assert not todo[["V-3, V-4", "C"]].str.contains("SETTLE").any()


def test_every_remedy_that_opens_the_ground_is_known_as_one():
    opens = re.compile(r"\bprob(e|ing)\b(?! list)|\bdig(?!ger)|markers? named|more markers?", re.IGNORECASE)
    assert {kind for kind, one in FINDINGS.items() if opens.search(one.todo)} == set(GROUND_WORK)


def test_gpx_comes_back_to_the_same_place_and_says_its_frame(sought):
    plan, _ = sought
    raw = plan.made[1].read_bytes()
    assert b"NAD83(2011), not WGS 84" in raw
    back = parse_gpx(raw).table
    reference = parse_reference("NAD83(2011)", "test")
    grid = to_grid(back[["x", "y"]].to_numpy(), reference, plan.run.ground.crs)
    np.testing.assert_allclose(grid, shapely.get_coordinates(plan.table.geometry.to_numpy()), rtol=0, atol=0.001)
    assert back["label"].tolist() == plan.table["search_id"].tolist()


def test_no_text_of_the_list_is_a_formula(sought):
    plan, _ = sought
    table = plan.table.copy()
    table["label"] = table["label"].astype(object)
    table.loc[table.index[0], "label"] = "=1+1"
    assert seeking._csv(plan.run, table).splitlines()[1].count("'=1+1") == 1


def test_csv_ties_and_sheet_agree_with_the_layer(sought):
    plan, _ = sought
    table = pd.read_csv(plan.made[2])
    assert {"easting_ft", "northing_ft", "radius_taped_ft", "tie_1_ft", "check_from"} <= set(table.columns)
    markers = plan.run.tables["markers"].set_index("marker_id")
    for row in table[table["tie_1_from"].notna()].itertuples():
        for name, distance in ((row.tie_1_from, row.tie_1_ft), (row.tie_2_from, row.tie_2_ft)):
            at = markers.geometry[name]
            far = np.hypot(row.easting_ft - at.x, row.northing_ft - at.y) / plan.run.factor
            assert far == pytest.approx(distance, abs=0.003)
    pages = pypdfium2.PdfDocument(plan.made[0])
    words = " ".join(page.get_textpage().get_text_bounded() for page in pages)
    assert all(label in words for label in table["label"])
    assert "SETTLE FIRST" in words
    assert "Find C-" in words


def test_words_for_what_cannot_be(sought, capsys):
    _, folder = sought
    assert main(["seek", str(folder), "--section", "Z"]) == 2
    assert "One of: A, B, C, D, E" in capsys.readouterr().err
    assert main(["seek", str(folder), "--best", "-1"]) == 2
    assert main(["seek", str(folder), "--aim", "most"]) == 2
    assert "worst, sum" in capsys.readouterr().err
