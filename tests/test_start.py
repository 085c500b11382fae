"""The set-up script: readable by an old Python, never fooled by a half-made environment."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[1] / "scripts" / "start.py"


@pytest.fixture
def start(monkeypatch, tmp_path):
    spec = importlib.util.spec_from_file_location("start", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    venv = tmp_path / ".venv"
    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "VENV", venv)
    monkeypatch.setattr(module, "PYTHON", venv / "bin" / "python")
    return module


def test_an_old_python_can_read_it():
    ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 6))


def test_it_needs_nothing_but_the_standard_library():
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert names <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("version", [(3, 9, 2), (3, 14, 0)])
def test_another_python_is_told_which_is_needed(start, monkeypatch, capsys, version):
    monkeypatch.setattr(start.sys, "version_info", version)
    monkeypatch.setattr(start.shutil, "which", lambda _: None)
    with pytest.raises(SystemExit) as stopped:
        start.right_python()
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert "Python 3.11, 3.12 or 3.13" in said
    assert f"this is Python {version[0]}.{version[1]}" in said


def test_a_python_on_the_path_that_will_do_is_used(start, monkeypatch):
    calls = []
    monkeypatch.setattr(start.sys, "version_info", (3, 9, 2))
    monkeypatch.setattr(start.shutil, "which", lambda name: "/opt/" + name if name == "python3.12" else None)
    monkeypatch.setattr(start, "run", lambda command, **_: calls.append([str(word) for word in command]) or 0)
    with pytest.raises(SystemExit) as stopped:
        start.right_python()
    assert stopped.value.code == 0
    assert calls[-1][0] == "/opt/python3.12"


def test_a_half_made_environment_is_made_again(start):
    (start.VENV / "bin").mkdir(parents=True)
    (start.ROOT / ".venv.tmp").mkdir()
    start.make_environment()
    assert start.PYTHON.exists()
    assert not (start.ROOT / ".venv.tmp").exists()
    before = start.PYTHON.lstat().st_mtime_ns
    start.make_environment()
    assert start.PYTHON.lstat().st_mtime_ns == before


def test_who_may_not_install_is_told_the_line(start, monkeypatch, capsys):
    monkeypatch.setattr(start.shutil, "which", lambda name: "/usr/bin/" + name)
    monkeypatch.setattr(start.os, "geteuid", lambda: 1000)
    monkeypatch.setattr(start, "run", lambda *_, **__: pytest.fail("ran something"))
    assert start.apt_install(["chromium"]) is False
    assert "sudo apt-get install -y chromium" in capsys.readouterr().err


def test_a_venv_module_that_is_incomplete_is_not_half_used(start, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    monkeypatch.setattr(start, "apt_install", lambda _: False)
    with pytest.raises(SystemExit) as stopped:
        start.make_environment()
    assert stopped.value.code == 2
    assert not start.VENV.exists()
    assert "incomplete" in capsys.readouterr().err


def test_a_wrong_word_gives_the_usage(start, monkeypatch, capsys):
    monkeypatch.setattr(start.sys, "argv", ["start.py", "dmeo"])
    with pytest.raises(SystemExit) as stopped:
        start.main()
    assert stopped.value.code == 2
    assert "demo|test" in capsys.readouterr().err
