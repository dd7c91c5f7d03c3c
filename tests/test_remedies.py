"""What is told below the command line may name a command, and it is one that there is."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from unhurried.cli import cli

ROOT = Path(__file__).resolve().parents[1]
BELOW = ("words", "sensor", "simulation", "analysis", "feedback", "library", "review")
# What follows the program's name, or the plain word, in a sentence.
PROSE = "swing|practice|is|has|or|reads"
MENTION = re.compile(
    rf"\bunhurried (?!(?:{PROSE})\b)([a-z][a-z-]*)((?: (?:[a-z]+|--[a-z-]+|[A-Z]+))*)"
)


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """Give the texts of a file: strings and what is around the braces of formatted ones."""
    if path.suffix == ".html":
        yield from enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    prose = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in prose:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


def unknown(text: str) -> list[str]:
    """Return the commands and options in a text that there are not."""
    out = []
    for name, rest in MENTION.findall(text):
        context = click.Context(cli)
        command = cli.get_command(context, name)
        words = rest.split()
        if isinstance(command, click.Group) and words:
            command = command.get_command(context, words[0])
        options = {} if command is None else {o for p in command.params for o in p.opts}
        known = {*options, "--home"}
        if command is None or any(w.startswith("--") and w not in known for w in words):
            out.append(f"unhurried {name}{rest}")
    return out


@pytest.mark.parametrize("room", BELOW)
def test_a_command_that_is_named_is_there(room: str) -> None:
    wrong = []
    files = [p for kind in ("*.py", "*.html") for p in (ROOT / room).rglob(kind)]
    # The manual, where it was built, is held by tests/test_manual.py.
    files = [p for p in files if not p.is_relative_to(ROOT / "review" / "manual")]
    for path in files:
        for line, text in texts(path):
            wrong += [f"{path.relative_to(ROOT)}:{line}: {one}" for one in unknown(text)]
    assert not wrong


def test_the_mentions_are_really_read() -> None:
    assert unknown("use 'unhurried drill --page'") == []
    assert unknown("unhurried library add FOLDER") == []
    assert unknown("unhurried putt") == ["unhurried putt"]
    assert unknown("unhurried drill --pages") == ["unhurried drill --pages"]
    assert unknown("unhurried library fetch") == ["unhurried library fetch"]


def test_no_command_is_put_together_or_read_below_the_command_line() -> None:
    """Only the page's own hint quotes a folder for whoever sits at this computer."""
    found = [
        path.relative_to(ROOT).as_posix()
        for room in BELOW
        for path in (ROOT / room).rglob("*.py")
        if re.search(r"^import shlex|\bimport_module\(.shlex", path.read_text("utf-8"), re.M)
    ]
    assert found == ["review/page/app.py"]
