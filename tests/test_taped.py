"""Somebody with nothing but the printed sheet, a tape and the markers in the ground comes to the right space.

The sheets are read as text; arcs are swung by arithmetic of this file alone, from where the markers of the invented
ground truly stand, and the place reached is compared with where its spaces truly lie.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from cemgis import pipeline
from cemgis.pipeline.compute import compute

ROOT = Path(__file__).parents[1]
LENGTH = r"(?:\d+ ft(?: \d+)?(?: \d+/\d+)?(?: in)?|\d+(?: \d+/\d+)? in)"
NAME = r"((?:stone )?[A-Z]-\S+?(?: (?:north|south)?(?:east|west)?)?)"
SPACES = ("A-13-2", "B-10-2", "B-44-1", "B-103-1", "C-q-16-3", "C-t-7-2", "D-8-3", "D-58-4")


def feet(text):
    """Read a printed length with fractions: 62 ft 4 1/2 in."""
    whole, _, rest = text.partition(" ft")
    if not _:
        whole, rest = "0", text
    inches = sum(Fraction(part) for part in rest.replace("in", "").split())
    return int(whole) + float(inches) / 12.0


def swing(one, two, far_one, far_two, side):
    """Where two arcs meet, on the left or right of somebody who stands at the first centre and faces the second."""
    base = two - one
    long = math.hypot(*base)
    along = (far_one**2 - far_two**2 + long**2) / (2.0 * long)
    across = math.sqrt(far_one**2 - along**2)
    left = np.array([-base[1], base[0]]) / long
    return one + base / long * along + left * (across if side == "LEFT" else -across)


def corners_of(stone):
    """Corners of a stone as somebody who stands before it names them: by the two sides that meet there."""
    ring = np.array(stone["geometry"]["coordinates"][0][:-1])
    middle = ring.mean(axis=0)
    faces = [(ring[k] + ring[(k + 1) % 4]) / 2.0 - middle for k in range(4)]
    bearing = [math.degrees(math.atan2(*face)) % 360.0 for face in faces]
    words = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
    name = stone["properties"]["monument_id"].removeprefix("M-")
    named = {}
    for k in range(4):
        one, other = np.radians([bearing[k - 1], bearing[k]])
        between = math.degrees(math.atan2(math.sin(one) + math.sin(other), math.cos(one) + math.cos(other)))
        named[f"stone {name} {words[round(between % 360.0 / 45.0) % 8]}".casefold()] = ring[k]
    assert len(named) == 4
    return named


def tape_out(text, truth):
    """Lay out the dig from a page's text: its corners, and how far its checks are off and may be."""
    table = text[text.index("from, tape level") :]
    rows = re.findall(rf"^([12]) {NAME}(?: .*?)?? ({LENGTH}) ({LENGTH})$", table, flags=re.M)
    assert [row[0] for row in rows] == ["1", "2"], table[:400]
    page = " ".join(table.split())
    checks = re.findall(
        rf"[234] {NAME} CHECK (?:(?!CHECK).)*?to (HEAD|FOOT) (LEFT|RIGHT) ({LENGTH}) off by more than ({LENGTH}): STOP",
        page,
    )
    stand, face, side = re.search(
        rf"Stand at {NAME}, face {NAME}: the head side lies on your (LEFT|RIGHT)", page
    ).groups()
    assert (stand, face) == (rows[0][1], rows[1][1])
    at = [truth[name.casefold()] for name in (stand, face)]
    head = [swing(*at, feet(rows[0][k]), feet(rows[1][k]), side) for k in (2, 3)]
    wide, long = (feet(part) for part in re.search(rf"Dig ({LENGTH}) by ({LENGTH})", " ".join(text.split())).groups())
    assert math.hypot(*(head[1] - head[0])) == pytest.approx(wide, abs=0.3)
    # heads up: left is A, right is B, so the foot lies to the right of who walks from A to B
    step = (head[1] - head[0]) / math.hypot(*(head[1] - head[0]))
    down = np.array([step[1], -step[0]]) * long
    corners = {"HEAD LEFT": head[0], "HEAD RIGHT": head[1], "FOOT RIGHT": head[1] + down, "FOOT LEFT": head[0] + down}
    off = [
        (abs(math.hypot(*(corners[f"{end} {hand}"] - truth[name.casefold()])) - feet(said)), feet(most))
        for name, end, hand, said, most in checks
    ]
    azimuth = float(re.search(r"HEADS \w+ \((\d+\.\d)°", text).group(1))
    ahead = -down / long
    turned = math.degrees(math.atan2(*ahead)) % 360.0
    return np.array(list(corners.values())), off, abs((turned - azimuth + 180.0) % 360.0 - 180.0)


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    """Plan several openings; return the text of their sheets, the true places of markers and of spaces."""
    folder = tmp_path_factory.mktemp("taped") / "hill"
    shutil.copytree(ROOT / "data" / "demo", folder)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    run = compute(folder)
    order = (folder / "orders" / "B-10-2.toml").read_text(encoding="utf-8")
    pages = {}
    for space in SPACES:
        (folder / "order.toml").write_text(order.replace("B-10-2", space), encoding="utf-8")
        made = pipeline.open_grave(
            folder, space, order=folder / "order.toml", container="concrete vault", out=folder / "sheets" / space,
            paper="letter", run=run,
        )  # fmt: skip
        pages[space] = {
            path.name.split("-")[0]: PdfReader(path).pages[0].extract_text()
            for path in made.made if path.suffix == ".pdf"
        }  # fmt: skip
    markers = {one["label"].casefold(): np.array(one["at"]) for one in truth["markers"]}
    stones = json.loads((folder / "survey" / "monuments.geojson").read_text(encoding="utf-8"))["features"]
    for stone in stones:
        markers |= corners_of(stone)
    return pages, markers, {name: np.array(at) for name, at in truth["spaces"].items()}


@pytest.mark.parametrize("space", SPACES)
def test_the_sheet_alone_leads_to_the_right_space(sheets, space):
    pages, markers, spaces = sheets
    opening = pages[space]["opening"]
    assert "DO NOT OPEN" not in opening
    corners, off, turned = tape_out(opening, markers)
    # the project's own foot and grid agree with a plain tape to 0.01 ft in 100
    assert off or "NO CHECK TIE" in opening
    assert all(miss <= most for miss, most in off)
    assert turned < 3.0
    names = list(spaces)
    far = np.hypot(*(np.array([spaces[name] for name in names]) - corners.mean(axis=0)).T)
    assert names[int(far.argmin())] == space
    assert far.min() < 2.0  # the dig stands nearer to the head than the middle, by at most a foot and a half


@pytest.mark.parametrize("space", SPACES)
def test_the_checker_comes_to_the_same_place_by_other_markers(sheets, space):
    pages, markers, _ = sheets
    mine = pages[space]["checker"]
    if "There are not enough other markers" in " ".join(mine.split()):
        assert "tape the check tie of the opening sheet again yourself" in " ".join(mine.split())
        return
    dig = re.search(rf"Dig {LENGTH} by {LENGTH}", " ".join(pages[space]["opening"].split())).group(0)
    heads = re.search(r"HEADS \w+ \(\d+\.\d°", mine).group(0)
    other, _, _ = tape_out(mine[mine.index("5. Tie it") :] + f"\n{dig}\n{heads}", markers)
    corners, _, _ = tape_out(pages[space]["opening"], markers)
    used = [set(re.findall(r"^[12] (\S+-\S+)", text, flags=re.M)) for text in (pages[space]["opening"], mine)]
    assert not used[0] & used[1]
    assert np.hypot(*(other - corners).T).max() < 1.0
