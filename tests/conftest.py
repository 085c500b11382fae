"""What all tests share: what may be skipped, and the count of what was."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

try:
    from playwright.sync_api import sync_playwright
except ImportError:
    sync_playwright = None

# CI tries the same cases for the same code; at a desk every run tries others
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

CHROMIUM = Path("/usr/bin/chromium")
SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"
_skips: list[tuple[str, str, bool]] = []


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of files that may not be committed; skips where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(f"needs {SHARED}")
    return SHARED


@pytest.fixture(scope="session")
def demo_ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the demo ground, built once for all workers with its maps; tests that change it copy it first.

    What the command printed lies beside the folder as ``said.txt``.
    """
    from cemgis import cli
    from cemgis.files.lock import hold

    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    folder, said = shared / "demo-ground", shared / "said.txt"
    with hold(shared / "demo.lock", wait_s=300.0):
        if not said.exists():
            printed = io.StringIO()
            with redirect_stdout(printed):
                code = cli.main(["demo", str(folder)])
            assert code == 0
            said.write_text(printed.getvalue(), encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def small_ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a small invented ground, not built; tests that change it copy it first."""
    from cemgis import invent

    folder = tmp_path_factory.mktemp("small") / "small"
    made = invent.ground(5, found=0.5, bad=0.0, sections=1, lots=24, pattern="rows with walks", crs="EPSG:6549")
    for name, content in made.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, as the system has it."""
    if sync_playwright is None:
        pytest.skip("needs playwright")
    if not CHROMIUM.exists():
        pytest.skip(f"needs {CHROMIUM}")
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield made
        made.close()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    outcome = yield
    report = outcome.get_result()
    if report.skipped:
        report.user_properties.append(("external", item.get_closest_marker("external") is not None))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        _skips.append((report.nodeid, reason, dict(report.user_properties).get("external", False)))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if hasattr(session.config, "workerinput"):
        return
    forbidden = [skip for skip in _skips if not skip[2]]
    if os.environ.get("CI") == "true" and forbidden and exitstatus == 0:
        session.exitstatus = 1


def pytest_terminal_summary(terminalreporter) -> None:
    if not _skips:
        return
    forbidden = [skip for skip in _skips if not skip[2]]
    terminalreporter.write_line(f"{len(_skips)} tests skipped, {len(_skips) - len(forbidden)} of them external")
    if os.environ.get("CI") == "true" and forbidden:
        for nodeid, reason, _ in forbidden:
            terminalreporter.write_line(f"  not allowed here: {nodeid}: {reason}")
