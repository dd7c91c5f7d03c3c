"""What the program starts runs its own code, whatever lies in the folder that it is used in."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from review.process import OwnProcess, python

ROOT = Path(__file__).resolve().parents[2]
HOSTILE = (
    "numpy",
    "pickle",
    "runpy",
    "json",
    "av",
    "multiprocessing",
    "unhurried",
    "review",
    "sitecustomize",
)


@pytest.fixture
def trap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in whose files say that they were run; returns where."""
    folder, said = tmp_path / "sent by others", tmp_path / "run"
    folder.mkdir()
    said.mkdir()
    for name in HOSTILE:
        text = f"open({str(said / name)!r}, 'w').close()\nraise SystemExit(3)\n"
        (folder / f"{name}.py").write_text(text)
    monkeypatch.chdir(folder)
    # As it is where the program is installed: the rooms are found by an absolute path.
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    # Left by a test before this one that started workers.
    monkeypatch.delenv("PYTHONSAFEPATH", raising=False)
    return said


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def run_installed(folder: Path, code: str) -> subprocess.CompletedProcess[str]:
    """Run code as the installed command runs: as a script that lies elsewhere."""
    script = folder / "bin" / "command"
    script.parent.mkdir()
    inside = "\n".join(f"    {line}" for line in code.splitlines())
    script.write_text(f"if __name__ == '__main__':\n{inside}\n")
    return subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=120, check=False
    )


def test_the_trap_is_sprung_by_what_looks_into_the_folder(trap: Path) -> None:
    subprocess.run([sys.executable, "-c", "import numpy"], capture_output=True, check=False)
    assert "numpy" in names(trap)


def test_the_pages_helper_runs_none_of_it(trap: Path, tmp_path: Path) -> None:
    done = run_installed(
        tmp_path,
        "from review.page.worker import Worker\n"
        "from unhurried.app.page_tools import command\n"
        "from pathlib import Path\n"
        f"one = Worker(None, command(Path({str(tmp_path / 'home')!r})))\n"
        "one.start()\n"
        # What it does with its page here it would do with None.
        "print(one.do(type).__name__)\n"
        "one.close()\n",
    )
    assert names(trap) == [], done.stderr
    assert done.stdout == "Page\n", done.stderr


def test_workers_run_none_of_it(trap: Path, tmp_path: Path) -> None:
    paths = [str(ROOT / "recordings" / name) for name in ("monday-wrist", "tuesday-club")]
    done = run_installed(
        tmp_path,
        "from pathlib import Path\n"
        "from unhurried.app.ingest import analyze_many\n"
        f"paths = [Path(p) for p in {paths!r}]\n"
        f"for _, found in analyze_many(paths, Path({str(tmp_path / 'home')!r}), workers=2):\n"
        "    print(type(found).__name__)\n",
    )
    assert names(trap) == [], done.stderr
    assert done.stdout == "Analyzed\nAnalyzed\n", done.stderr


def test_a_process_has_an_empty_folder_that_goes_with_it(tmp_path: Path) -> None:
    code = "import os; print(os.getcwd(), os.listdir('.'), flush=True); input()"
    one = OwnProcess((sys.executable, "-P", "-c", code))
    folder, _, inside = one.told.readline().decode().strip().partition(" ")
    assert inside == "[]"
    assert Path(folder).is_dir()
    assert Path(folder) != Path.cwd()
    one.end()
    assert not Path(folder).exists()
    before = len(list(Path(folder).parent.glob("unhurried-*")))
    with pytest.raises(OSError, match="nothing"):
        OwnProcess((str(tmp_path / "nothing"),))
    assert len(list(Path(folder).parent.glob("unhurried-*"))) <= before


def test_a_module_is_run_with_its_arguments(tmp_path: Path) -> None:
    one = OwnProcess(python("base64", "-t"))
    assert b"Aladdin" in one.told.read()
    one.end()


def test_whatever_starts_a_process_goes_through_one_place() -> None:
    starts = {
        "subprocess": {"Popen", "run", "call", "check_call", "check_output", "getoutput"},
        "multiprocessing": {"Process", "Pool", "Manager", "get_context"},
        "os": {"system", "popen", "execv", "execve", "execvp", "spawnv", "startfile", "fork"},
        "asyncio": {"create_subprocess_exec", "create_subprocess_shell"},
    }
    wrong = []
    for room in ("sensor", "simulation", "analysis", "feedback", "library", "review", "unhurried"):
        for path in sorted((ROOT / room).rglob("*.py")):
            if path == ROOT / "review" / "process.py":
                continue
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                    base, name = ast.unparse(node.func.value), node.func.attr
                    if name in starts.get(base, ()):
                        wrong.append(f"{path.relative_to(ROOT)}: {base}.{name}")
                    pool = name == "ProcessPoolExecutor"
                    if pool and "spawning()" not in ast.unparse(node):
                        wrong.append(f"{path.relative_to(ROOT)}: a pool")
                if isinstance(node, ast.ImportFrom) and node.module in starts:
                    names = {alias.name for alias in node.names} & starts[node.module]
                    wrong += [f"{path.relative_to(ROOT)}: {name}" for name in names]
    assert wrong == []
