"""How a session, a swing or a player is named on the command line."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.errors import CommandError
from unhurried.app.located import Located, spans_of
from unhurried.commands.options import ParamType

if TYPE_CHECKING:
    from library.catalogue import Library
    from sensor.recording.annotations import SwingSpan


@dataclass(frozen=True, slots=True)
class SwingName:
    """What was typed: a path or a session's id, and with ``#N`` the number of a swing."""

    text: str
    number: int | None

    def __str__(self) -> str:
        return self.text if self.number is None else f"{self.text}#{self.number}"


class SessionName(ParamType):
    """``SESSION`` or ``SESSION#N``: a path, or an id of the library.

    Parameters
    ----------
    swing : bool or None
        Whether a swing's number must be there (True), must not (False), or may.
    """

    name = "session"

    def __init__(self, *, swing: bool | None = None) -> None:
        self._swing = swing

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> SwingName:
        if isinstance(value, SwingName):
            return value
        text = str(value)
        match = re.fullmatch(r"(.+)#(\d+)", text)
        found = SwingName(text, None)
        if match is not None and not Path(text).exists():
            found = SwingName(match[1], int(match[2]))
            if found.number == 0:
                self.fail("swings are counted from 1, so there is no #0", param, ctx)
        if self._swing and found.number is None:
            self.fail(f"say which swing: '{text}#3' is its third", param, ctx)
        if self._swing is False and found.number is not None:
            self.fail(f"give '{found.text}' alone, without #{found.number}", param, ctx)
        return found


def locate(library: Library, name: SwingName) -> Located:
    """Find the recording that a name means: a path that is there, or a session's id.

    Raises
    ------
    click.UsageError
        It is neither.
    ChoiceError, NoSuchError, SensorError
    """
    from library.errors import NoSuchError
    from sensor.recording.session import read_session

    path = Path(name.text)
    if path.is_dir():
        found = read_session(path).id
        return Located(path.resolve(), found, library.session_at(path) is not None)
    if path.exists():
        raise CommandError(
            f"{path}: is not a recording: make one of it with 'unhurried import' first"
        )
    try:
        session = library.session(name.text)
    except NoSuchError as error:
        raise click.UsageError(
            f"'{name.text}' does not exist, nor is it a session of the library"
        ) from error
    return Located(library.path_of(session.id), session.id, True)


def span_at(library: Library, found: Located, name: SwingName) -> tuple[SwingSpan, float]:
    """Return where the named swing is, and the rate in Hz.

    Raises
    ------
    CommandError
        There is no such swing.
    """
    spans, rate_hz = spans_of(library, found)
    for number, span in spans:
        if number == name.number:
            return span, rate_hz
    there = f"it has {len(spans)}" if spans else "none was found in it"
    raise CommandError(f"{found.path}: there is no swing #{name.number}: {there}")
