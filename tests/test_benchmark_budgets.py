"""What the command that holds budgets makes of what was measured."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from benchmarks import budgets


def results(**changed: Any) -> dict[str, Any]:
    return {
        "cpu": {"ratio": 1.6, "analyze_s": 0.8, "imports_s": 0.5},
        "page_kb": {"session": 71.0},
        "tests_s": {"others": 310.0},
        **changed,
    }


def test_only_a_clear_breach_fails() -> None:
    assert budgets.breaches(results()) == []
    near = {"ratio": 2.2, "analyze_s": 1.1, "imports_s": 0.5}
    assert budgets.breaches(results(cpu=near)) == []
    far = {"ratio": 2.7, "analyze_s": 1.35, "imports_s": 0.5}
    (line,) = budgets.breaches(results(cpu=far))
    assert "2.70 x" in line
    assert "2 x" in line
    assert len(budgets.breaches(results(page_kb={"session": 271.0}))) == 1
    assert budgets.breaches(results(tests_s={"others": 890.0})) == []
    assert len(budgets.breaches(results(tests_s={"others": 910.0}))) == 1
    assert "1.03" in budgets.tables(results())


def test_the_parts_are_those_that_make_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(budgets, "PARTS_FILE", tmp_path / "parts")
    assert budgets._parts() == {}
    (tmp_path / "parts").write_text("others 12\nlive 3\n", encoding="utf-8")
    assert budgets._parts() == {"others": 12.0, "live": 3.0}
    made = (Path(__file__).parents[1] / "Makefile").read_text(encoding="utf-8")
    for name in budgets.TESTS_BUDGET_S:
        assert f'"{name} $(' in made


def test_what_make_test_fast_names_is_there() -> None:
    root = Path(__file__).parents[1]
    # (`make test` itself may be running this, and says so to every make below it.)
    plain = {name: text for name, text in os.environ.items() if not name.startswith("MAKE")}
    done = subprocess.run(
        ["make", "-n", "--no-print-directory", "test-fast"],
        cwd=root,
        env=plain,
        capture_output=True,
        text=True,
        check=True,
    )
    line = done.stdout.splitlines()[-1]
    left_out = re.findall(r"--ignore=(\S+)", line)
    assert len(left_out) > 10
    assert [name for name in left_out if not (root / name).exists()] == []
    taken = [word for word in line.split() if word.startswith("tests/")]
    assert [name for name in taken if not (root / name).exists()] == []
