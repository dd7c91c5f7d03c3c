"""``python docs/write.py``: write the pages of the manual that the program itself knows.

Commands with every option, the Python API, settings and sounds are taken from the code, so that the
manual can't say something else; so are the tables of accuracy, from ``docs/accuracy.json``
(``docs/figures.py``). ``tests/test_manual.py`` compares. The pages are kept in the
repository: a wheel is built where the program isn't installed (hatch_build.py).
"""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import click

HERE: Final = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

import figures  # noqa: E402

import unhurried  # noqa: E402
from feedback.patterns import SOUNDS  # noqa: E402
from unhurried.app.settings import SETTINGS  # noqa: E402
from unhurried.cli import GROUPS, cli  # noqa: E402

WRITTEN: Final = "<!-- Written by docs/write.py: change the program, not this page. -->"


def cell(text: str) -> str:
    """Return text for a paragraph or a cell of a table, as it stands; code stays code."""
    parts = re.split(r"(`[^`]+`)", " ".join(text.split()))
    parts[::2] = [re.sub(r"([\\|*_\[\]<>`])", r"\\\1", part) for part in parts[::2]]
    return "".join(parts)


def paragraphs(text: str) -> Iterator[str]:
    """Give the paragraphs of a help text as Markdown; lines after ``\\b`` stand as they are."""
    for one in inspect.cleandoc(text).split("\n\n"):
        if one.startswith("\b"):
            yield "```text\n" + one.removeprefix("\b").strip("\n") + "\n```"
        else:
            yield cell(one)


def option_rows(command: click.Command, context: click.Context) -> Iterator[str]:
    """Give a row for each argument and option that people see."""
    for param in command.params:
        if isinstance(param, click.Argument) or param.name == "verbose":
            continue
        record = param.get_help_record(context)
        if record is not None:
            spelled = record[0].replace("|", "\\|")
            yield f"| `{spelled}` | {cell(record[1])} |"


def command_part(name: str, command: click.Command, parent: click.Context | None) -> list[str]:
    """Return a command's part of the page, and those of the commands inside it."""
    context = click.Context(command, info_name=name, parent=parent)
    usage = " ".join(command.collect_usage_pieces(context))
    depth = "###" if parent is not None and parent.parent is None else "####"
    lines = [
        f"{depth} {context.command_path}",
        "",
        f"```text\nUsage: {context.command_path} {usage}\n```",
    ]
    for text in paragraphs(command.help or ""):
        lines += ["", text]
    rows = list(option_rows(command, context))
    if rows:
        lines += ["", "| option | what it does |", "|---|---|", *rows]
    lines.append("")
    if isinstance(command, click.Group):
        for inner in command.list_commands(context):
            found = command.get_command(context, inner)
            assert found is not None
            lines += command_part(inner, found, context)
    return lines


def commands() -> str:
    """Return the page of all commands."""
    lines = ["# Commands", "", WRITTEN, ""]
    lines += [
        "Results go to stdout, messages to stderr. Exit codes: 0 done, 1 failed, 2 bad option"
    ]
    lines += ["or missing path, 130 stopped with Ctrl-C. `--verbose`, before or after a command's"]
    lines += ["name, logs to stderr and shows where an error came from.", ""]
    context = click.Context(cli, info_name="unhurried")
    for title, names in GROUPS.items():
        lines += [f"## {title.capitalize()}", ""]
        for name in names:
            found = cli.get_command(context, name)
            assert found is not None
            lines += command_part(name, found, context)
    return "\n".join(lines)


def explained(depth: str, name: str, of: Any) -> list[str]:
    """Return a heading, how it is called if it is, and its docstring as it stands (numpydoc)."""
    text = inspect.getdoc(of) or ""
    if inspect.isfunction(of):
        shown = re.sub(r"\b(?:[a-z_]+\.)+(?=[A-Z])", "", str(inspect.signature(of)))
        # A default that is a function says no more than that.
        shown = re.sub(r"<function .*? at 0x[0-9a-f]+>", "...", shown).replace("'", "")
        text = f"{name}{shown}\n\n{text}"
    return [f"{depth} {name}", "", "```text", text, "```", ""]


def members(of: type) -> Iterator[tuple[str, Any]]:
    """Give a class's own public methods and properties, in their order."""
    for name, value in vars(of).items():
        if not name.startswith("_") and (inspect.isfunction(value) or isinstance(value, property)):
            yield name, value


def python() -> str:
    """Return the page of the public API: what stands in ``unhurried.__all__``."""
    lines = ["# Python", "", WRITTEN, ""]
    lines += ["What stands here is the public API; all else may change. `help(unhurried)` says the"]
    lines += ["same. `examples/` has three notebooks.", ""]
    for name in unhurried.__all__:
        if name == "__version__":
            continue
        found = getattr(unhurried, name)
        lines += explained("##", name, found)
        if inspect.isclass(found) and not issubclass(found, Exception):
            for inner, value in members(found):
                lines += explained("###", f"{name}.{inner}", value)
        if inspect.ismodule(found):
            for inner, value in vars(found).items():
                here = getattr(value, "__module__", "") == found.__name__
                if inspect.isfunction(value) and here and not inner.startswith("_"):
                    lines += explained("###", f"{name}.{inner}", value)
    return "\n".join(lines)


def settings() -> str:
    """Return the page of settings."""
    lines = ["# Settings", "", WRITTEN, ""]
    lines += ["A setting is a default that you change once. `unhurried settings` shows them,"]
    lines += [
        "`unhurried settings units=imperial` changes one, and `unhurried settings units=` puts"
    ]
    lines += ["the default back. They are kept in `settings.json` of the home. An option on the"]
    lines += [
        "command line counts more.",
        "",
        "| setting | default | what it is |",
        "|---|---|---|",
    ]
    lines += [f"| `{one.name}` | {one.shown(one.default)} | {one.help} |" for one in SETTINGS]
    return "\n".join(lines) + "\n"


def sounds() -> str:
    """Return the page of sounds."""
    lines = ["# Sounds", "", WRITTEN, ""]
    lines += ["`unhurried sounds` plays each and says what it means; `unhurried sounds full` plays"]
    lines += ["one. `--out` writes them all into a file for a phone. Plain tones are about time,"]
    lines += ["bells about the turn, and reeds say that something else is to be minded.", ""]
    lines += ["| sound | what it says | what is heard |", "|---|---|---|"]
    lines += [f"| {one.name} | {one.meaning} | {one.heard} |" for one in SOUNDS]
    return "\n".join(lines) + "\n"


PAGES: Final[dict[str, Callable[[], str]]] = {
    "commands.md": commands,
    "python.md": python,
    "settings.md": settings,
    "sounds.md": sounds,
}


def main() -> None:
    """Write them all."""
    for name, page in PAGES.items():
        (HERE / "look-up" / name).write_text(page(), encoding="utf-8")
    for path, text in figures.pages().items():
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
