"""The packaged program: the wheel holds all rooms and works from elsewhere."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_wheel_analyses_a_demo_session(tmp_path: Path) -> None:
    wheels, site = tmp_path / "wheels", tmp_path / "site"
    for words in (
        ["build", "--wheel", "--no-isolation", "--outdir", str(wheels), str(ROOT)],
        ["pip", "install", "--quiet", "--no-deps", "--target", str(site), str(wheels)],
    ):
        if words[0] == "pip":
            words[-1] = str(next(wheels.glob("*.whl")))
        subprocess.run([sys.executable, "-m", *words], check=True, capture_output=True)
    done = subprocess.run(
        [sys.executable, "-m", "unhurried", "analyze", str(ROOT / "recordings" / "thursday-glove")],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site), "PYTHONSAFEPATH": "1"},
        check=True,
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert "Ameyo" in done.stdout
    where = subprocess.run(
        [
            sys.executable,
            "-c",
            "import unhurried, sensor; print(unhurried.__file__, sensor.__file__)",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site)},
        check=True,
        capture_output=True,
        text=True,
    )
    assert where.stdout.count(str(site)) == 2
