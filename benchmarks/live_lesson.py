"""A lesson in numbers: what the tests of the live screens find, in Chromium and by script.

Each comes from a test that holds it to its aim (`tests/shared/lesson_numbers.py`). Here they are
run together, and all are printed, whether or not they are as they should be.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from benchmarks.report import table

__all__ = ["run", "tables"]

ROOT: Final = Path(__file__).resolve().parents[1]
NAME: Final = "lesson"
QUICK: Final = ("tests/review/page/test_live_targets.py",)
TESTS: Final = (
    *QUICK,
    "tests/feedback/test_stillness.py",
    "tests/review/page/test_bar.py",
    "tests/review/page/test_lesson.py",
    "tests/review/page/test_next.py",
    "tests/review/page/test_share.py",
    "tests/review/page/test_speaker.py",
    "tests/review/page/test_two_sensors.py",
    "tests/unhurried/app/test_hold_five_minutes.py",
)
LONGEST_S: Final = 1800.0


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Run the tests and gather what they found.

    Parameters
    ----------
    quick : bool
        Only how large things are on the screen.
    shift : int
        Has no part here: the simulated players are those of the tests.

    Returns
    -------
    dict
        ``rows``: what, value and aim of each number; ``tests``, ``failed``, ``skipped``: how many.
    """
    del shift
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider"]
        subprocess.run(
            [*command, f"--junitxml={report}", *(QUICK if quick else TESTS)],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            timeout=LONGEST_S,
            check=False,
        )
        return read(report)


def read(report: Path) -> dict[str, Any]:
    """Read the numbers out of a report of pytest's."""
    cases = list(ElementTree.parse(report).iter("testcase"))
    rows = [
        json.loads(str(one.get("value")))
        for case in cases
        for one in case.iter("property")
        if one.get("name") == NAME
    ]
    return {
        "rows": sorted(rows, key=lambda row: str(row[0])),
        "tests": len(cases),
        "failed": sum(case.find("failure") is not None for case in cases)
        + sum(case.find("error") is not None for case in cases),
        "skipped": sum(case.find("skipped") is not None for case in cases),
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    rows = [[str(what), f"{value:g}", str(aim)] for what, value, aim in result["rows"]]
    return (
        f"Simulated players, a simulated sensor, Chromium as a phone; {result['tests']} tests, "
        f"{result['failed']} failed, {result['skipped']} skipped.\n\n"
        + table(["what", "found", "is to be"], rows)
    )
