"""Lines of code of the packages, today and at an earlier commit.

A line counts where it holds a part of a statement: blank lines, comments, docstrings (also those of
attributes) and imports don't.
"""

from __future__ import annotations

import ast
import io
import subprocess
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchmarks.report import table

__all__ = ["code_lines", "run", "tables"]

START = "8610aba"
"""Where the tidying of the house began."""
ROOMS = ("words", "sensor", "simulation", "analysis", "feedback", "library", "review", "unhurried")
ROOT = Path(__file__).resolve().parents[1]
_NOT_CODE = (
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENCODING,
    tokenize.ENDMARKER,
)


def code_lines(text: str) -> int:
    """Count the lines of code of a module.

    Parameters
    ----------
    text : str
        The module.
    """
    counted: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in _NOT_CODE:
            counted.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(text)):
        said = (
            isinstance(node, ast.Expr)
            and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str)
        )
        if said or isinstance(node, ast.Import | ast.ImportFrom):
            counted.difference_update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return len(counted)


def _today() -> Iterator[tuple[str, str]]:
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            yield room, path.read_text(encoding="utf-8")


def _at(commit: str) -> Iterator[tuple[str, str]]:
    """Give room and text of every module at a commit.

    Raises
    ------
    OSError, subprocess.CalledProcessError
        This is no checkout, or has no such commit.
    """

    def git(*words: str) -> str:
        done = subprocess.run(
            ["git", *words], cwd=ROOT, check=True, capture_output=True, encoding="utf-8"
        )
        return done.stdout

    for path in git("ls-tree", "-r", "--name-only", commit, *ROOMS).splitlines():
        if path.endswith(".py"):
            yield path.partition("/")[0], git("show", f"{commit}:{path}")


def _count(modules: Iterator[tuple[str, str]]) -> dict[str, int]:
    out = dict.fromkeys(ROOMS, 0)
    for room, text in modules:
        out[room] += code_lines(text)
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Count. Neither `quick` nor `shift` changes anything."""
    del quick, shift
    try:
        before: dict[str, int] | None = _count(_at(START))
    except (OSError, subprocess.CalledProcessError):
        before = None
    return {"start": START, "before": before, "today": _count(_today())}


def tables(results: dict[str, Any]) -> str:
    """Make the table of the report."""
    before, today = results["before"], results["today"]
    rows = []
    for room in [*today, "all"]:
        now = sum(today.values()) if room == "all" else today[room]
        if before is None:
            rows.append([room, "not here", f"{now:,}", ""])
            continue
        then = sum(before.values()) if room == "all" else before[room]
        rows.append([room, f"{then:,}", f"{now:,}", f"{now - then:+,}"])
    return table(["lines of code", f"at {results['start']}", "today", "difference"], rows)


if __name__ == "__main__":
    print(tables(run()))
