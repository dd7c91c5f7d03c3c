"""`analyze --json` of the demo recordings, byte for byte: moving code moves no number.

The files in ``tests/golden`` were written by `unhurried analyze RECORDING --json`. They change only
with the analysis version, and the changelog's section on numbers says why.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from unhurried import cli

ROOT = Path(__file__).resolve().parents[3]
GOLDEN = ROOT / "tests" / "golden"


@pytest.mark.parametrize("name", sorted(path.stem for path in GOLDEN.glob("*.json")))
def test_the_demo_recordings_give_the_same_bytes(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["analyze", str(ROOT / "recordings" / name), "--json"]) == 0
    assert capsys.readouterr().out == (GOLDEN / f"{name}.json").read_text(encoding="utf-8")


def test_there_is_one_for_each_demo_recording() -> None:
    demo = {path.parent.name for path in (ROOT / "recordings").glob("*/session.json")}
    assert demo == {path.stem for path in GOLDEN.glob("*.json")}
