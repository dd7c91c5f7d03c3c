"""Where a folder or file of the user's has the name of one of our packages, one line says so."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import unhurried

ROOT = Path(__file__).resolve().parents[2]


def ask(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONSAFEPATH", None)
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("name", ["analysis/__init__.py", "words.py"])
def test_what_hides_a_package_is_named_in_one_line(tmp_path: Path, name: str) -> None:
    hiding = tmp_path / name
    hiding.parent.mkdir(exist_ok=True)
    hiding.touch()
    started = ask(tmp_path, "-m", "unhurried", "--version")
    assert started.returncode == 1
    (line,) = started.stderr.splitlines()
    assert str(tmp_path / name.removesuffix("/__init__.py")) in line
    assert "another folder" in line
    imported = ask(tmp_path, "-c", "import unhurried")
    assert line.removeprefix("unhurried: ") in imported.stderr.splitlines()[-1]


def test_nothing_is_said_where_nothing_hides(tmp_path: Path) -> None:
    (tmp_path / "analysis").mkdir()  # without Python in it, it hides nothing
    assert ask(tmp_path, "-m", "unhurried", "--version").returncode == 0


def test_all_rooms_are_looked_for() -> None:
    rooms = {path.parent.name for path in ROOT.glob("*/__init__.py")}
    assert set(unhurried.ROOMS) == rooms - {"unhurried", "benchmarks"}
