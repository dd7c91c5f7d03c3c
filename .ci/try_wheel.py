"""``python .ci/try_wheel.py``: build the wheel, install it in a clean environment, and use it.

What a new user meets: the version, a demo recording in a table, one kept in a library, the manual,
and every screen of the page. It needs the package index (or what pip has kept) for the libraries.
It stops at the first thing that isn't as it should be.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SESSION = ROOT / "recordings" / "monday-wrist"


def told(*words: str | Path, cwd: Path) -> str:
    """Run a command away from the repository, and return what it printed; say it as well."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env={**clean, "UNHURRIED_HOME": str(cwd / "home")},
        text=True,
        encoding="utf-8",
        capture_output=True,
    )
    if done.returncode:
        sys.exit(f"{' '.join(map(str, words))}\n{done.stdout}{done.stderr}")
    return done.stdout


def holds(what: str, true: bool) -> None:
    """Say that something is so, or stop."""
    if not true:
        sys.exit(f"not so: {what}")
    print(f"- {what}", flush=True)


def main() -> None:
    """Do it all in a folder that goes away."""
    version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        told(sys.executable, "-m", "build", "--wheel", "--outdir", place, ROOT, cwd=place)
        (wheel,) = place.glob("*.whl")
        holds(f"the wheel is built: {wheel.name}", wheel.name.startswith(f"unhurried-{version}-"))
        venv.create(place / "env", with_pip=True)
        scripts = place / "env" / ("Scripts" if os.name == "nt" else "bin")
        told(scripts / "python", "-m", "pip", "install", "--quiet", wheel, cwd=place)
        program = scripts / "unhurried"
        holds("it says its version", version in told(program, "--version", cwd=place))
        table = told(program, "analyze", SESSION, cwd=place)
        holds("a demo recording is a table", "6 practice swings" in table and "Details" in table)
        told(program, "library", "add", SESSION, cwd=place)
        holds("it is in a library", "Solveig" in told(program, "library", "list", cwd=place))
        start = Path(told(program, "help", "--no-browser", cwd=place).strip())
        holds("the manual is there", "The unhurried manual" in start.read_text(encoding="utf-8"))
        told(program, "review", "--check", "--port", "0", cwd=place)
        holds("every screen of the page comes", True)


if __name__ == "__main__":
    main()
