"""Shared by all tests: in continuous integration nothing may be skipped."""

from __future__ import annotations

import itertools
import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A machine that is busy with other work makes and tries examples slowly, which is no defect:
# neither is timed. What else a health check looks at stays.
settings.register_profile("project", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("project")

_HOMES = itertools.count()


@pytest.fixture(autouse=True)
def _home_of_its_own(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Keep every test out of the home of whoever runs it."""
    folder: Path = tmp_path_factory.getbasetemp() / "homes" / str(next(_HOMES))
    monkeypatch.setenv("UNHURRIED_HOME", str(folder))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where ``CI`` is set: a missing part must not go unseen there."""
    report = yield
    if report.skipped and os.environ.get("CI"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which continuous integration does not allow: {report.longrepr}"
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Write down what failed, so that `make test` can tell it once all parts have run."""
    # With xdist both its workers and what hands out the work come by here.
    path = None if "PYTEST_XDIST_WORKER" in os.environ else os.environ.get("FAILURES")
    failed = [
        report.nodeid
        for outcome in ("failed", "error")
        for report in terminalreporter.stats.get(outcome, ())
    ]
    if path and failed:
        with Path(path).open("a", encoding="utf-8") as file:
            file.writelines(f"{name}\n" for name in failed)
