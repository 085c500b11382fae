"""Every command and script does what its help says, and ends with the exit code it promises."""

from __future__ import annotations

import csv
import json
import re
import runpy
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from cemgis import cli, pipeline
from cemgis.ground import parse_ground
from cemgis.opening import parse_order

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data" / "demo"


def commands() -> dict[str, object]:
    top = cli.parser()
    action = next(action for action in top._actions if action.dest == "command")
    return dict(action.choices)


@pytest.fixture
def own(small_ground, tmp_path) -> Path:
    """Make a copy of the small ground to change."""
    return Path(shutil.copytree(small_ground, tmp_path / "own"))


@pytest.mark.parametrize("name", sorted(commands()))
def test_a_command_and_its_options_have_help_and_stand_in_the_readme(name):
    parser = commands()[name]
    assert parser.description
    for action in parser._actions:
        assert action.help, f"{name} {action.dest}"
    assert f"cemgis {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_help_does_not_wait_for_heavy_imports():
    code = "import sys; from cemgis import cli; cli.parser().format_help(); "
    code += "print([name for name in ('pandas', 'numpy') if name in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_demo_says_what_it_found_and_where_to_look(demo_ground):
    said = demo_ground.with_name("said.txt").read_text(encoding="utf-8")
    assert "label misread" in said
    assert "read upside down" in said
    assert "ground.gpkg" in said
    assert "staff.html" in said
    for name in ("ground.gpkg", "maps/staff/ground.pdf", "maps/staff/ground.png", "maps/staff/staff.html"):
        assert (demo_ground / name).stat().st_size > 1000


def test_building_again_gives_the_same_bytes(demo_ground, own, tmp_path):
    again = Path(shutil.copytree(demo_ground, tmp_path / "again"))
    (again / "ground.gpkg").unlink()
    assert cli.main(["build", str(again), "--no-maps"]) == 0
    assert (again / "ground.gpkg").read_bytes() == (demo_ground / "ground.gpkg").read_bytes()
    # the maps too; drawing those of the demo twice would take longer than all else here
    assert cli.main(["build", str(own)]) == 0
    made = [
        path for path in own.rglob("*") if path.is_file() and (path.parent.name == "staff" or path.suffix == ".gpkg")
    ]
    assert {"ground.gpkg", "ground.pdf", "ground.png", "staff.html"} <= {path.name for path in made}
    before = {path: path.read_bytes() for path in made}
    assert cli.main(["build", str(own)]) == 0
    for path in made:
        assert path.read_bytes() == before[path], path


def test_demo_leaves_the_folder_of_another_ground_alone(own, capsys):
    before = sorted(own.rglob("*"))
    assert cli.main(["demo", str(own)]) == 2
    assert "it holds another ground" in capsys.readouterr().err
    assert sorted(own.rglob("*")) == before


def test_nothing_that_is_printed_steers_the_terminal_or_floods_it(demo_ground, capsys):
    steering = "\x1b[31m\x07\x9b2J\x7f\u202e\u2066\u200f"
    assert cli.main(["history", str(demo_ground), steering]) == 2
    said = capsys.readouterr().err
    assert not set(steering) - set("[31m2J") & set(said)
    assert r"\x1b[31m\x07\x9b2J\x7f\u202e\u2066\u200f" in said
    assert cli.main(["history", str(demo_ground), "Orr " * 250_000]) == 2
    assert len(capsys.readouterr().err) < 3_000
    cli._print_json({"name": steering, "long": "x" * 5_000})  # JSON stays whole
    said = capsys.readouterr().out
    assert not set(steering) - set("[31m2J") & set(said)
    assert json.loads(said) == {"name": steering, "long": "x" * 5_000}


def test_check_lists_findings_writes_nothing_and_exits_1(own, capsys):
    before = {path: path.stat().st_mtime_ns for path in own.rglob("*")}
    assert cli.main(["check", str(own), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert [row["kind"] for row in found["findings"]] == ["position unchecked", "markers not trusted"]
    assert {path: path.stat().st_mtime_ns for path in own.rglob("*")} == before


@pytest.mark.parametrize("name", sorted(cli.STEPS))
def test_a_step_prints_its_table_and_writes_it_as_csv(name, demo_ground, small_ground, tmp_path, capsys):
    out = tmp_path / "table.csv"
    ground = demo_ground if name == "clearances" else small_ground  # nothing lies close in the small one
    assert cli.main([name, str(ground), "--csv", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    table = said[cli.STEPS[name][1]]
    with out.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == len(table) > 0
    assert cli.main([name, str(small_ground)]) == 0
    assert capsys.readouterr().out.startswith("Invented ground")


def test_a_step_says_the_dangers_shortly_and_counts_the_rest(demo_ground, capsys):
    assert cli.main(["capacity", str(demo_ground)]) == 0
    said = capsys.readouterr().out
    assert "Findings: 3 dangers, 16 warnings, 19 notes; cemgis check says them all." in said
    # the three that are planted: two labels read wrongly, one file shifted
    assert "DANGER  label misread: B-16, D-74" in said
    assert "DANGER  file shifted: readings/autumn.gpx" in said
    assert "stone without record" not in said
    assert "->" not in said


def test_maps_can_be_drawn_again_at_a_given_scale(own, capsys):
    assert cli.main(["maps", str(own)]) == 2
    assert "Build it first" in capsys.readouterr().err
    assert cli.main(["build", str(own), "--no-maps"]) == 0
    assert not (own / "maps").exists()
    assert cli.main(["maps", str(own), "--paper", "a3", "--scale", "1 in = 30 ft"]) == 0
    assert (own / "maps" / "staff" / "ground.pdf").exists()
    assert cli.main(["maps", str(own), "--scale", "1:250"]) == 2
    assert "1 in = 20 ft" in capsys.readouterr().err


def test_crs_suggests_the_state_plane_zone(capsys):
    assert cli.main(["crs", "40.9", "--json", "--", "-82.3"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert any("6549" in str(row) for row in rows)
    assert cli.main(["crs", "40 53 12.3 N", "82 18 0 W"]) == 0
    assert cli.main(["crs", "140.9", "10"]) == 2


@pytest.mark.parametrize("topic", ["layers", "rules", "findings", "spaces", "run"])
def test_explain_prints_what_is_declared(topic, capsys):
    assert cli.main(["explain", topic]) == 0
    assert len(capsys.readouterr().out) > 300


def test_explain_says_the_names_a_file_has(capsys):
    cli.main(["explain", "spaces"])
    said = capsys.readouterr().out
    assert "radius_95_ft or radius_95_m" in said
    assert "cov_ee_ft2 or cov_ee_m2" in said
    assert "space_id_" not in said


def test_explain_of_nothing_names_what_there_is(capsys):
    assert cli.main(["explain", "graves"]) == 2
    assert "spaces" in capsys.readouterr().err


def test_a_new_ground_can_be_read_and_says_what_is_missing(tmp_path, capsys):
    folder = tmp_path / "hill"
    assert cli.main(["new", str(folder)]) == 0
    assert cli.main(["build", str(folder)]) == 2
    assert "section" in capsys.readouterr().err
    assert cli.main(["new", str(folder)]) == 2
    assert "not empty" in capsys.readouterr().err


def test_a_new_ground_that_was_only_begun_is_begun_again_and_anything_else_is_left(tmp_path, capsys):
    hill = tmp_path / "hill"
    (hill / "plat").mkdir(parents=True)
    (hill / ".ground.toml.building-k1ll3d").mkdir()
    (hill / ".ground.toml.building-k1ll3d" / "ground.toml").write_text("half")
    (hill / ".ground.toml.building-k1ll3d" / "lock").touch()  # nobody holds it any more
    assert cli.main(["new", str(hill)]) == 0
    assert (hill / "ground.toml").read_text().startswith("# A ground is this folder")
    assert not list(hill.glob(".ground.toml*"))
    for kept in ("ground.toml", "plat/lots.csv", "notes.txt"):
        other = tmp_path / kept.replace("/", "-")
        (other / kept).parent.mkdir(parents=True)
        (other / kept).write_text("mine")
        assert cli.main(["new", str(other)]) == 2
        assert "it is not empty. Name an empty or new folder." in capsys.readouterr().err
        assert (other / kept).read_text() == "mine"


def test_the_examples_of_a_new_ground_can_be_used(tmp_path):
    pipeline.new_ground(tmp_path / "hill", "EPSG:6549")
    text = (tmp_path / "hill" / "ground.toml").read_text(encoding="utf-8")
    ground = parse_ground(re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text), tmp_path / "hill")
    assert {item.kind for item in ground.containers} == {"vault", "urn"}
    assert [item.layer for item in ground.features] == ["drives"]
    told = ground.equipment
    # what every opening asks for is named, so that the first one does not ask again and again
    assert None not in (told.straps, told.machine_width, told.shoring, told.pump, told.boards, ground.call)
    order = parse_order("\n".join(re.findall(r"(?m)^#     (\w+ = .*)$", text)), ground.unit)
    assert ground.container(order.container)
    assert None not in (order.person, order.date, order.permit, order.right, order.confirmed_by, order.utilities)


def test_usage_errors_exit_2(capsys, tmp_path):
    with pytest.raises(SystemExit) as stopped:
        cli.main(["bulid"])
    assert stopped.value.code == 2
    assert cli.main(["build", "/nowhere/at/all"]) == 2
    assert "no such folder" in capsys.readouterr().err
    (tmp_path / "ground.toml").write_text("")
    (tmp_path / "meadow.toml").write_text("")
    for name in ("ground.toml", "meadow.toml"):
        for command in ("build", "expand"):
            assert cli.main([command, str(tmp_path / name)]) == 2
            said = capsys.readouterr().err
            assert "it is a file, not a ground's folder" in said
            assert str(tmp_path) in said
            assert ("cemgis expand FOLDER PARCEL.toml" in said) == (name == "meadow.toml")


SCRIPTS = sorted(path.name for path in (ROOT / "scripts").glob("*.py"))
LONG = re.compile(r"start|invent|bench|study|fuzz|survive|hostile|redraw")
"""Scripts that run for minutes or need no ground: their own tests run them small."""


@pytest.mark.parametrize("name", [name for name in SCRIPTS if not LONG.search(name)])
def test_a_script_runs_on_a_ground(name, own, monkeypatch, capsys):
    if name == "render_maps.py":
        assert cli.main(["build", str(own), "--no-maps"]) == 0
        capsys.readouterr()
    script = str(ROOT / "scripts" / name)
    monkeypatch.setattr(sys, "argv", [script, str(own)])
    runpy.run_path(script, run_name="__main__")
    said = capsys.readouterr().out
    assert said.startswith(str(own) if name == "render_maps.py" else "Invented ground")


def test_what_the_system_refuses_is_told_in_words(own, monkeypatch, capsys):
    def refuse(*_args, **_more):
        raise PermissionError(13, "Permission denied", str(own / "ground.toml"))

    monkeypatch.setattr("cemgis.pipeline.compute", refuse)
    assert cli.main(["check", str(own)]) == 2
    said = capsys.readouterr().err
    assert (
        said == f"{own / 'ground.toml'}: not to be read or written (Permission denied). Mend that and run it again.\n"
    )


def test_a_script_runs_by_itself(own):
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "ingest_readings.py"), str(own)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Invented ground")


def test_no_script_holds_functions_unless_it_may():
    may = re.compile(r"start|bench|study|fuzz|survive|hostile|redraw")
    for name in SCRIPTS:
        text = (ROOT / "scripts" / name).read_text(encoding="utf-8")
        assert may.search(name) or not re.search(r"^def ", text, re.MULTILINE), name


@pytest.mark.slow
def test_an_installed_wheel_runs_the_demo_in_an_empty_folder(tmp_path):
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q"]
    wheels, site, empty = tmp_path / "wheels", tmp_path / "site", tmp_path / "empty"
    empty.mkdir()
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(wheels), str(ROOT)], check=True)
    (wheel,) = wheels.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert "cemgis/py.typed" in names
    assert "cemgis/data/demo/ground.toml" in names
    subprocess.run([*pip, "install", "--no-deps", "--target", str(site), str(wheel)], check=True)
    code = f"import sys; sys.path.insert(0, {str(site)!r}); import cemgis; assert {str(site)!r} in cemgis.__file__; "
    code += "from cemgis.cli import main; sys.exit(main(['demo']))"
    done = subprocess.run([sys.executable, "-c", code], cwd=empty, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (empty / "demo-ground" / "ground.gpkg").exists()
    assert [path.name for path in empty.iterdir()] == ["demo-ground"]


def test_everything_the_pipeline_offers_is_there_when_it_is_asked_for() -> None:
    asked = "from cemgis import pipeline; print([name for name in pipeline.__all__ if not hasattr(pipeline, name)])"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_search_does_not_import_what_draws() -> None:
    asked = "from cemgis import pipeline; import sys; pipeline.load_finder; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_build_without_maps_imports_nothing_that_draws() -> None:
    heavy = ("matplotlib", "folium", "rasterio", "networkx", "openpyxl", "scipy.stats")
    asked = "import sys, cemgis.pipeline.products; print([name for name in sys.argv[1:] if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", asked, *heavy], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
