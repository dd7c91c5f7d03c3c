"""The rooms of the design: who may import whom, and which outside packages each may use."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("sensor", "analysis", "feedback", "review", "unhurried")

# Rooms that each room may use beside itself.
MAY_USE = {
    "sensor": set(),
    "analysis": set(),
    "feedback": {"sensor", "analysis"},
    "review": {"sensor", "analysis"},
    "unhurried": {"sensor", "analysis", "feedback", "review"},
}
# Outside packages, by the design's table. Arrays are what the rooms hand each other, so numpy may
# be used by those that only draw or pass them on; Starlette brings uvicorn to run it.
OUTSIDE = {
    "sensor": {"numpy", "scipy", "pandas", "bleak"},
    "analysis": {"numpy", "scipy", "pandas"},
    "feedback": {"numpy", "sounddevice"},
    "review": {
        "numpy",
        "matplotlib",
        "starlette",
        "jinja2",
        "uvicorn",
        "multipart",
        "python_multipart",
        "markupsafe",
        "av",
        "segno",
    },
    "unhurried": {"click", "numpy", "platformdirs", "segno", "uvicorn"},
}
# pandas in `sensor` is the one departure from the table: it reads CSV files, and nothing else.
ONLY_IN = {("sensor", "pandas"): {"csvfile.py"}}


def room_files(room: str) -> list[Path]:
    """Return the Python files of a room, without the firmware: that runs on the sensor."""
    return sorted(p for p in (ROOT / room).rglob("*.py") if "firmware" not in p.parts)


def imports_of(path: Path) -> set[str]:
    """Return the top-level names of every import in a file, wherever it stands."""
    tree = ast.parse(path.read_text(encoding="utf-8"), filename=str(path))
    room = path.relative_to(ROOT).parts[0]
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names.update(alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            if node.level and node.level >= len(path.relative_to(ROOT).parts):
                raise AssertionError(f"{path} imports from outside its room")
            names.add(room if node.level else (node.module or "").partition(".")[0])
        elif (
            isinstance(node, ast.Call)
            and ast.unparse(node.func) in ("import_module", "importlib.import_module", "__import__")
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            names.add(str(node.args[0].value).partition(".")[0])
    return names


@pytest.mark.parametrize("room", ROOMS)
def test_rooms_keep_to_their_own(room: str) -> None:
    allowed = MAY_USE[room] | {room}
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in room_files(room)
        for name in sorted(imports_of(path))
        if name in ROOMS and name not in allowed
    ]
    assert wrong == []


@pytest.mark.parametrize("room", ROOMS)
def test_outside_packages_are_those_of_the_table(room: str) -> None:
    wrong = []
    for path in room_files(room):
        for name in sorted(imports_of(path) - set(ROOMS)):
            if name in sys.stdlib_module_names:
                continue
            where = ONLY_IN.get((room, name))
            if name not in OUTSIDE[room] or (where is not None and path.name not in where):
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert wrong == []


def test_the_rooms_that_there_must_be_are_there() -> None:
    for room in ("sensor", "analysis", "unhurried"):
        assert room_files(room), f"no Python files in {room}"


def test_analysis_opens_no_files_and_reads_no_clock() -> None:
    banned = {"os", "pathlib", "io", "time", "datetime", "sqlite3", "socket", "asyncio"}
    wrong = []
    for path in room_files("analysis"):
        wrong += [f"{path.name} imports {name}" for name in sorted(imports_of(path) & banned)]
        calls = (n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call))
        wrong += [f"{path.name} opens a file" for n in calls if ast.unparse(n.func) == "open"]
    assert wrong == []


def test_the_imports_are_really_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    file = tmp_path / "review" / "x.py"
    file.parent.mkdir()
    file.write_text(
        "import os.path\nfrom . import y\ndef f():\n    from unhurried.cli import main\n"
        "    importlib.import_module('bleak.backends')\n",
        encoding="utf-8",
    )
    assert imports_of(file) == {"os", "review", "unhurried", "bleak"}
