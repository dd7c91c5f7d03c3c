"""The rooms of the design that no import contract can hold: outside packages, and sizes.

Who may import whom is held by import-linter (``make lint``; the contracts are in
``pyproject.toml``).
"""

from __future__ import annotations

import ast
import functools
import gc
import json
import sys
from collections.abc import Iterator
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def parsed(path: Path) -> ast.Module:
    """Parse a file with the collector of garbage off.

    It may let a thread that an earlier test left parse something in between, and then Python 3.11
    says that its recursion depth doesn't match.
    """
    gc.disable()
    try:
        return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))
    finally:
        gc.enable()


ROOMS = ("words", "sensor", "simulation", "analysis", "feedback", "library", "review", "unhurried")

# Outside packages, by the design's table. Arrays are what the rooms hand each other, so numpy may
# be used by those that only draw or pass them on; Starlette brings uvicorn to run it.
OUTSIDE = {
    "words": set(),
    "sensor": {"numpy", "scipy", "pandas", "bleak", "msgspec"},
    "simulation": {"numpy", "scipy", "ezc3d"},
    "analysis": {"numpy", "scipy", "pandas"},
    "feedback": {"numpy", "sounddevice", "msgspec"},
    "library": {"numpy", "msgspec"},
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
    "unhurried": {
        "click",
        "numpy",
        "pandas",
        "platformdirs",
        "segno",
        "uvicorn",
        "msgspec",
        "matplotlib",
        "distributed",
    },
}
# pandas in `sensor` is the one departure from the table: it reads CSV files, and nothing else. In
# `unhurried` it is what the API's tables are made of, as matplotlib is what its plots are drawn in.
# click parses, and only commands do that. ezc3d reads motion captures, distributed is a cluster's
# client, and both are extras.
ONLY_IN = {
    ("simulation", "ezc3d"): ("simulation/capture/reading.py",),
    ("sensor", "pandas"): ("sensor/recording/csvlines.py",),
    ("unhurried", "click"): ("unhurried/cli.py", "unhurried/commands/"),
    ("unhurried", "pandas"): ("unhurried/app/",),
    ("unhurried", "matplotlib"): ("unhurried/plot.py",),
    ("unhurried", "distributed"): ("unhurried/app/cluster.py",),
}

SIZES = Path(__file__).parent / "sizes.json"
MOST_LINES_OF_A_FUNCTION = 80
MOST_LINES_OF_A_FILE = 600


def room_files(room: str) -> list[Path]:
    """Return the Python files of a room, without the firmware: that runs on the sensor."""
    return sorted(p for p in (ROOT / room).rglob("*.py") if "firmware" not in p.parts)


def imports_of(path: Path) -> set[str]:
    """Return the top-level names of every import in a file, wherever it stands."""
    names: set[str] = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            names.update(alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: imports are written whole"
            names.add((node.module or "").partition(".")[0])
        elif (
            isinstance(node, ast.Call)
            and ast.unparse(node.func) in ("import_module", "importlib.import_module", "__import__")
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            names.add(str(node.args[0].value).partition(".")[0])
    return names


@pytest.mark.parametrize("room", ROOMS)
def test_outside_packages_are_those_of_the_table(room: str) -> None:
    wrong = []
    for path in room_files(room):
        file = path.relative_to(ROOT).as_posix()
        for name in sorted(imports_of(path) - set(ROOMS)):
            if name in sys.stdlib_module_names:
                continue
            where = ONLY_IN.get((room, name), ("",))
            if name not in OUTSIDE[room] or not file.startswith(where):
                wrong.append(f"{file} imports {name}")
    assert wrong == []


def test_every_room_is_there() -> None:
    for room in ROOMS:
        assert room_files(room), f"no Python files in {room}"


def test_analysis_opens_no_files_and_reads_no_clock() -> None:
    banned = {"os", "pathlib", "io", "time", "datetime", "sqlite3", "socket", "asyncio"}
    wrong = []
    for path in room_files("analysis"):
        wrong += [f"{path.name} imports {name}" for name in sorted(imports_of(path) & banned)]
        calls = (n for n in ast.walk(parsed(path)) if isinstance(n, ast.Call))
        wrong += [f"{path.name} opens a file" for n in calls if ast.unparse(n.func) == "open"]
    assert wrong == []


def test_words_import_nothing_of_ours() -> None:
    wrong = {path.name: imports_of(path) & set(ROOMS) - {"words"} for path in room_files("words")}
    assert not any(wrong.values()), wrong


def test_the_imports_are_really_read(tmp_path: Path) -> None:
    file = tmp_path / "x.py"
    file.write_text(
        "import os.path\ndef f():\n    from unhurried.cli import main\n"
        "    importlib.import_module('bleak.backends')\n",
        encoding="utf-8",
    )
    assert imports_of(file) == {"os", "unhurried", "bleak"}


# -- sizes -----------------------------------------------------------------------------------------


def functions(node: ast.AST, within: str = "") -> Iterator[tuple[str, int]]:
    """Give every function with its name (of its class before it) and its lines."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            name = f"{within}{child.name}"
            if not isinstance(child, ast.ClassDef):
                yield name, (child.end_lineno or 0) - child.lineno + 1
            yield from functions(child, f"{name}.")
        else:
            yield from functions(child, within)


@functools.cache
def too_large() -> dict[str, int]:
    """Return the lines of what is over the limits: files, and functions as file:name."""
    out: dict[str, int] = {}
    for path in (path for room in ROOMS for path in room_files(room)):
        file, text = path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")
        if (lines := text.count("\n")) > MOST_LINES_OF_A_FILE:
            out[file] = lines
        for name, lines in functions(parsed(path)):
            if lines > MOST_LINES_OF_A_FUNCTION:
                out[f"{file}:{name}"] = lines
    return out


def test_nothing_grows_that_is_too_large_already() -> None:
    """`tests/sizes.json` names what is over 600 lines a file or 80 a function, each with its
    reason; it only shrinks."""
    kept, found = json.loads(SIZES.read_text(encoding="utf-8")), too_large()
    grown = {
        name: lines
        for name, lines in found.items()
        if lines > kept.get(name, {"lines": 0})["lines"]
    }
    assert not grown, f"too large, and not in {SIZES.name} with so many lines: {grown}"
    assert [name for name, one in kept.items() if len(one["why"]) < 10] == []


def test_what_has_shrunk_is_told_to_the_list() -> None:
    kept, found = json.loads(SIZES.read_text(encoding="utf-8")), too_large()
    gone = sorted(kept.keys() - found.keys())
    assert not gone, f"no longer too large: take out of {SIZES.name}: {gone}"


def test_what_is_imported_is_there() -> None:
    """Also inside functions, in tests and in benchmarks, which only run now and then."""
    missing = []
    for path in sorted(ROOT.rglob("*.py")):
        inside = path.relative_to(ROOT).parts
        if inside[0] not in {*ROOMS, "tests", "benchmarks", "recordings"} or "firmware" in inside:
            continue
        for node in ast.walk(parsed(path)):
            if not isinstance(node, ast.ImportFrom) or node.module is None:
                continue
            if node.module.partition(".")[0] in ROOMS:
                module = import_module(node.module)
                missing += [
                    f"{path.relative_to(ROOT)}:{node.lineno}: {node.module}.{alias.name}"
                    for alias in node.names
                    if not hasattr(module, alias.name)
                    and find_spec(f"{node.module}.{alias.name}") is None
                ]
    assert missing == []
