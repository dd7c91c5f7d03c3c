"""The packaged program: the wheel holds all rooms, works from elsewhere, and is typed."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]


VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
SESSION = ROOT / "recordings" / "thursday-glove"

API = """
import unhurried
analysis = unhurried.analyze({session!r})
frame = analysis.to_frame()
samples, truth = unhurried.simulate(1, swings=1)
print(len(analysis.swings), len(frame), frame.attrs["recording"]["mount"], len(truth))
print(unhurried.compare(analysis.select(index=[1]), analysis.select(index=[2])).judged)
print(len(unhurried.plot.session(analysis).axes), unhurried.__version__)
"""

TYPED = """
import unhurried
turn: float | None = unhurried.analyze("session").swings[0].turn_deg
wrong: str = unhurried.analyze("session").swings[0].index
"""


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
        [sys.executable, "-m", "unhurried", "analyze", str(SESSION)],
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
    done = subprocess.run(
        [sys.executable, "-c", API.format(session=str(SESSION))],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site), "PYTHONSAFEPATH": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["11", "11", "glove", "1", "7", "3", VERSION]
    # The manual comes with it.
    manual = site / "review" / "manual"
    assert "The unhurried manual" in (manual / "index.html").read_text(encoding="utf-8")
    assert (manual / "searchindex.js").is_file()
    packages = [p for p in site.iterdir() if (p / "__init__.py").is_file()]
    assert {p.name for p in packages if (p / "py.typed").is_file()} == {p.name for p in packages}
    # Whoever uses it has its types: one mistake in the file, and mypy says which.
    (tmp_path / "use.py").write_text(TYPED, encoding="utf-8")
    typed = subprocess.run(
        [
            *(sys.executable, "-m", "mypy", "--strict", "--follow-imports=silent"),
            # Of others' packages nothing is asked here, and their types take a minute to read.
            *("--no-site-packages", "--ignore-missing-imports", "use.py"),
        ],
        cwd=tmp_path,
        env={**os.environ, "MYPYPATH": str(site), "PYTHONPATH": ""},
        capture_output=True,
        text=True,
    )
    assert [line for line in typed.stdout.splitlines() if "error" in line][:-1] == [
        'use.py:4: error: Incompatible types in assignment (expression has type "int", variable '
        'has type "str")  [assignment]'
    ], typed.stdout
