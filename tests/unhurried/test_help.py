"""What the help names is there: paths in its examples exist, or say what to put in."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from unhurried.cli import cli
from unhurried.commands.naming import SessionName
from unhurried.commands.options import ExistingPath

ROOT = Path(__file__).parents[2]
PLACEHOLDER = re.compile(r"[A-Z][A-Z0-9-]*\*?(\.[a-z0-9]+|/truth\.json)?")


def commands(
    name: str = "unhurried", command: click.Command = cli
) -> Iterator[tuple[str, click.Command]]:
    """Give every command with its name, those of groups too."""
    yield name, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for inner in command.list_commands(context):
            found = command.get_command(context, inner)
            assert found is not None
            yield from commands(f"{name} {inner}", found)


def examples() -> Iterator[list[str]]:
    """Give the words of every line of help that is a command; what it is for stands apart."""
    for _, command in commands():
        text = re.sub(r"\\\n\s*", "", f"{command.help or ''}\n{command.epilog or ''}")
        for line in map(str.strip, text.splitlines()):
            if line.startswith("unhurried "):
                yield shlex.split(line.split("  ")[0].split(" > ")[0])


def read_of(words: list[str]) -> Iterator[str]:
    """Give what a command reads: its raw values of parameters that name what is there already."""
    command: click.Command = cli
    words = words[1:]
    while isinstance(command, click.Group):
        found = command.get_command(click.Context(command), words[0])
        assert found is not None, words
        command, words = found, words[1:]
    context = click.Context(command)
    values, _, _ = command.make_parser(context).parse_args(args=list(words))
    for param in command.params:
        value: Any = values.get(str(param.name))
        given = value if isinstance(value, list | tuple) else [value]
        texts = [text for text in given if isinstance(text, str)]
        by_kind = isinstance(param.type, ExistingPath | SessionName)
        makes = isinstance(param.type, click.Path)
        yield from (text for text in texts if by_kind or ("/" in text and not makes))


def test_paths_in_help_exist_or_are_placeholders_in_capitals() -> None:
    named = [(text, words) for words in examples() for text in read_of(words)]
    assert len(named) > 20
    wrong = [
        f"{text}, in '{' '.join(words)}'"
        for text, words in named
        if not (ROOT / text.partition("#")[0]).exists()
        and not PLACEHOLDER.fullmatch(text.partition("#")[0])
    ]
    assert wrong == []


def test_a_path_that_is_not_there_would_be_seen() -> None:
    assert list(read_of(shlex.split("unhurried analyze recordings/evening#3 --plot x.png"))) == [
        "recordings/evening#3"
    ]
    assert list(read_of(shlex.split("unhurried compare a#3 b --measures turn"))) == ["a#3", "b"]
    assert not PLACEHOLDER.fullmatch("recordings/evening")
    assert PLACEHOLDER.fullmatch("SESSION")


def test_paths_in_readme_and_manual_that_are_the_checkouts_exist() -> None:
    for page in (ROOT / "README.md", *ROOT.glob("docs/**/*.md")):
        text = page.read_text(encoding="utf-8")
        for place in set(re.findall(r"recordings/[\w-]+", text)):
            assert (ROOT / place).exists() or (ROOT / f"{place}.md").exists(), place
