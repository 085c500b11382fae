"""What no marker can tell: the corner it stands at and the end spaces are counted from, looked at on the ground."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from refusing import BLOCK, GROUND, SECTION, refused

from cemgis.backing import row_backing, seen_otherwise
from cemgis.ground import parse_ground
from cemgis.plat import make_plat

SEEN = 'seen = { lot = "A-1", corner = "southwest", space_1 = "north", by = "E. Tarn", date = "2025-05-06" }\n'


def ground(seen, block=BLOCK):
    return parse_ground(GROUND + SECTION + seen + block, Path())


def said(seen):
    made = ground(seen)
    plat = make_plat(made, {})
    return [(item.kind, item.severity, item.subject, item.reason)
            for item in seen_otherwise(made.sections, plat.lots, set())]  # fmt: skip


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ('seen = "yes"\n', "section[1].seen: 'yes' is not understood"),
        ('seen = { by = "E. Tarn", date = "2025-05-06", corner = "southwest" }\n', "Name the lot that was looked at"),
        ('seen = { lot = "A-1", date = "2025-05-06", corner = "southwest" }\n', "Write who looked"),
        ('seen = { lot = "A-1", by = "E. Tarn", corner = "southwest" }\n', "Write when"),
        (SEEN.replace("2025-05-06", "in May"), "'in May' is no date"),
        ('seen = { lot = "A-1", by = "E. Tarn", date = "2025-05-06" }\n', "nothing was seen"),
        (SEEN.replace("southwest", "middle"), "'middle'"),
        (SEEN.replace('"north"', '"up"'), "'up'"),
    ],
)
def test_what_was_seen_is_written_whole(seen, words):
    refused(words, ground, seen)


def test_a_lot_that_is_not_there_was_not_looked_at():
    refused("section A has no lot 'A-99'", said, SEEN.replace("A-1", "A-99"))


def test_what_was_seen_otherwise_than_written_is_a_danger():
    # four strips across a lot that is faced to the east: counted from the left hand, the first lies north
    assert said("") == []
    assert said(SEEN) == []
    ((kind, severity, subject, reason),) = said(SEEN.replace("southwest", "southeast"))
    assert (kind, severity, subject) == ("corner contradicted", "danger", "A")
    assert reason == (
        "E. Tarn saw at A-1 on 2025-05-06 that its marker stands at the southeast corner; by the plat as it is written "
        "it is the southwest"
    )
    ((_, _, _, reason),) = said(SEEN.replace('"north"', '"south"'))
    assert "its space 1 lies at the south end; by the plat as it is written it is the north" in reason
    assert len(said(SEEN.replace('"north"', '"south"').replace("southwest", "southeast"))) == 2


def test_only_a_marker_that_would_lie_elsewhere_in_a_mirrored_row_confirms_it():
    sites = pd.DataFrame(
        {"label": [f"A-{k}" for k in range(1, 6)], "section": "A", "row": "1", "plat_x": [16.0 * k for k in range(5)],
         "plat_y": 0.0, "short_side": 12.0}
    )  # fmt: skip
    assert row_backing(sites, {"A-3"}, "A", "1", (0.0, 0.0)).by == ()  # the middle one stays where it is
    for name in ("A-1", "A-2", "A-4", "A-5"):
        assert row_backing(sites, {name}, "A", "1", (0.0, 0.0)).by == (name,)
    assert row_backing(sites, {"A-1"}, "B", "1", (0.0, 0.0)).by == ()
