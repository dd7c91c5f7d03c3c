"""How evidence is said on the command line: headings, numbers, swings, commands to copy."""

from __future__ import annotations

import dataclasses
import math
import shlex
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from unhurried.app.command_text import drill_command
from unhurried.app.text import WIDTH, one_line, ranges, wrapped
from words.glossary import MOUNTS, WORN
from words.units import said

if TYPE_CHECKING:
    from analysis.evidence.plan import NextDrill
    from analysis.evidence.spread import Interval
    from library.evidence import Evidence


Command = TypeVar("Command", bound=Callable[..., Any])


def setting_options(command: Command) -> Command:
    """Add --club and --mount: which of a player's settings is meant."""
    command = click.option(
        "--mount", type=click.Choice(MOUNTS), help="Where the sensor was.  [default: most swings]"
    )(command)
    return click.option("--club", help="With which club.  [default: most swings]")(command)


def heading(evidence: Evidence) -> str:
    """Say who, with what, and where the sensor was."""
    club = evidence.club or "club not said"
    return one_line(f"{evidence.player.name}, {club}, {WORN[evidence.mount]}")


def number(value: float) -> str:
    """Write a number to the digits that are worth it: whole from 10 on, else a tenth."""
    text = f"{value:.{0 if abs(value) >= 10 else 2 if abs(value) < 1 else 1}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "\N{MINUS SIGN}")


def interval_words(interval: Interval, unit: str = "") -> str:
    """Write a number and its interval: 58 (42 to 75) ms."""
    text = f"{number(interval.middle)} ({number(interval.low)} to {number(interval.high)})"
    return f"{text}{said(unit)}"


def short_swing(swing_id: str) -> str:
    """Name a swing as the command line takes it: the session's first characters and its number."""
    session, _, at = swing_id.rpartition("#")
    return f"{session[:8]}#{at}"


def swing_words(swing_ids: Sequence[str]) -> str:
    """Name many swings shortly: 065c223d#6-10, 15; 290468fd#1-3."""
    by_session: dict[str, list[int]] = {}
    for swing_id in swing_ids:
        session, _, at = swing_id.rpartition("#")
        by_session.setdefault(session, []).append(int(at))
    return "; ".join(
        f"{session[:8]}{ranges(sorted(set(numbers))).replace(', #', ', ')}"
        for session, numbers in by_session.items()
    )


def command_lines(command: str, indent: str = "  ", width: int = WIDTH) -> list[str]:
    """Break a command into lines that can be copied into a shell as they are."""
    words = [shlex.quote(word) for word in shlex.split(command)]
    # An option stays beside its value.
    parts: list[str] = []
    for word in words:
        if parts and not word.startswith("--") and parts[-1].startswith("--"):
            parts[-1] += f" {word}"
        elif len(parts) == 1 and len(parts[0].split()) == 1:
            # The name of the program and of its command.
            parts[0] += f" {word}"
        else:
            parts.append(word)
    lines: list[str] = []
    line = indent
    for part in parts:
        space = "" if line.strip() == "" else " "
        if line.strip() and len(line) + len(part) + 3 > width:
            lines.append(f"{line} \\")
            line, space = f"{indent}    ", ""
        line += space + part
    return [*lines, line]


def plain(value: Any) -> Any:
    """Turn dataclasses and what they hold into values for JSON; no number is ever NaN."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        out = {name: plain(getattr(value, name)) for name in getattr(value, "IN_WORDS", ())}
        for f in dataclasses.fields(value):
            found = getattr(value, f.name)
            if not f.metadata.get("inner"):
                name = f.metadata.get("document", f.name)
                out[name] = plain(dict(found) if f.metadata.get("pairs") else found)
        return out
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (set, frozenset)):
        return sorted(plain(one) for one in value)
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def drill_document(drill: NextDrill | None) -> dict[str, Any] | None:
    """Return a plan's next drill for JSON, with its command."""
    return None if drill is None else {**plain(drill), "command": drill_command(drill)}


def labelled(label: str, text: str, width: int = 8) -> list[str]:
    """A paragraph with a word before it."""
    return wrapped(one_line(text), f"{label:<{width}}", " " * width)
