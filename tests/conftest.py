"""Shared by all tests: in continuous integration nothing may be skipped."""

from __future__ import annotations

import itertools
import os
from collections.abc import Generator
from pathlib import Path

import pytest

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
