"""What all tests share: what may be skipped, and the count of what was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"
_skips: list[tuple[str, str, bool]] = []


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of files that may not be committed; skips where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(f"needs {SHARED}")
    return SHARED


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
