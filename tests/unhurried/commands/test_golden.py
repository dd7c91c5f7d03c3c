"""`analyze --json` of the demo recordings: moving code moves no number.

The files in ``tests/golden`` were written by `unhurried analyze RECORDING --json`. They change only
with the analysis version, and the changelog's section on numbers says why. Where processors round
differently in numpy's sums, digits from the tenth on may differ; all else is the same.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from unhurried import cli

ROOT = Path(__file__).resolve().parents[3]
GOLDEN = ROOT / "tests" / "golden"


@pytest.mark.parametrize("name", sorted(path.stem for path in GOLDEN.glob("*.json")))
def test_the_demo_recordings_give_the_same_numbers(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["analyze", str(ROOT / "recordings" / name), "--json"]) == 0
    said = capsys.readouterr().out
    golden = (GOLDEN / f"{name}.json").read_text(encoding="utf-8")
    pattern = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
    assert pattern.sub("#", said) == pattern.sub("#", golden)
    numbers = [[float(one) for one in pattern.findall(text)] for text in (said, golden)]
    np.testing.assert_allclose(*numbers, rtol=1e-9, atol=1e-12)


def test_there_is_one_for_each_demo_recording() -> None:
    demo = {path.parent.name for path in (ROOT / "recordings").glob("*/session.json")}
    assert demo == {path.stem for path in GOLDEN.glob("*.json")}
