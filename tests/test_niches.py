"""A ground of which only niches are described: nothing is measured or drawn, all else works."""

from __future__ import annotations

import json

import pytest

from cemgis import cli
from cemgis.errors import InputError
from cemgis.pipeline import compute

TOML = """\
schema_version = 1
name = "The wall"
crs = "EPSG:6549"
[[section]]
name = "N"
[[section.niches]]
building = "N"
face = "east"
rows = 3
columns = 4
[[register]]
file = "list.csv"
"""
LIST = """\
kind,date,name,place
urn placed,1999-05-04,Ada Fenn,N-east-1-2
urn placed,2001-05-04,Bo Fenn,N-east-9-9
right,1998-01-01,Cy Fenn,N-east-1-3
"""


@pytest.fixture
def wall(tmp_path):
    folder = tmp_path / "wall"
    folder.mkdir()
    (folder / "ground.toml").write_text(TOML)
    (folder / "list.csv").write_text(LIST)
    return folder


def test_niches_alone_build_and_are_found_and_change_hands(wall, capsys):
    assert cli.main(["build", str(wall), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "Nothing is measured: only niches are described." in said
    assert "Only niches are described: there is no place to draw, so no map was made." in said
    assert "12 niches, 10 vacant, 1 right held, 1 occupied" in said
    assert "N-EAST-9-9: section N has no EAST-9-9 (list.csv, line 3)" in said
    assert cli.main(["find", "fenn", str(wall), "--json"]) == 0
    assert [hit["space_id"] for hit in json.loads(capsys.readouterr().out)] == ["N-east-1-2"]
    assert cli.main(["move", str(wall), "N-east-1-2", "--kind", "urn removed", "--who", "E. Tarn", "--date",
                     "2026-05-01"]) == 0  # fmt: skip
    capsys.readouterr()
    assert cli.main(["capacity", str(wall)]) == 0
    assert "12 niches, 10 vacant, 1 right held, 1 disturbed" in capsys.readouterr().out


def test_lots_without_readings_are_still_refused(wall):
    (wall / "ground.toml").write_text(
        TOML
        + '[[plat]]\nname = "1889"\ndate = "1889"\n[[section]]\nname = "A"\nplat = "1889"\nheads = "west"\n'
        + '[[section.rows]]\nat = ["0 ft", "0 ft"]\nrun = "north"\nstep = "west"\nrows = 1\nlots = 4\n'
        + 'frontage = "16 ft"\ndepth = "12 ft"\nspaces = 4\nfacing = "east"\nfrom = "left"\n'
    )
    with pytest.raises(InputError, match=r"readings: there are none\. Name at least one file of readings"):
        compute(wall)
