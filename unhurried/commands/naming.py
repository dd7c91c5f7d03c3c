"""How a session, a swing or a player is named on the command line."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sensor.errors import SensorError
from unhurried.app.errors import CommandError
from unhurried.commands.options import ParamType

if TYPE_CHECKING:
    from library.catalogue import Library
    from sensor.recording.annotations import Annotations, SwingSpan


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


@dataclass(frozen=True, slots=True)
class Located:
    """A recording's folder and id, and whether the library knows it."""

    path: Path
    id: str
    known: bool


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


def spans_of(library: Library, found: Located) -> tuple[list[tuple[int, SwingSpan]], float]:
    """Return number and place of each swing of a recording, and its rate in Hz.

    A recording that the library doesn't know is measured for it.
    """
    from unhurried.app.ingest import analyze_one

    if found.known:
        table = library.swings(session=found.id, columns=("seq", "number"), excluded=True)
        rate_hz = library.session(found.id).rate_hz
        pairs = zip(table["number"].tolist(), table["seq"].tolist(), strict=True)
        return [(number, library.span(found.id, seq)[0]) for number, seq in pairs], rate_hz
    analyzed = analyze_one(found.path, library.home)
    return [(int(s.values["index"]), s.span) for s in analyzed.swings], analyzed.rate_hz


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


@contextlib.contextmanager
def saying(library: Library, found: Located) -> Iterator[Annotations]:
    """Give a recording's annotations to change; then the library knows them too.

    What cannot be taken in is refused before anything is kept.

    Raises
    ------
    CommandError
        What was said is kept, but the library could not read it.
    AnnotationError, ChoiceError, SensorError, LibraryError
        Nothing was kept.
    """
    from library.errors import LibraryError
    from review.errors import ReviewError
    from sensor.recording.annotations import change_annotations

    with change_annotations(found.path) as said:
        yield said
        if found.known:
            library.check_names(found.id, said)
    if found.known:
        try:
            library.refresh(found.id)
        except (LibraryError, ReviewError, SensorError) as error:
            raise CommandError(
                f"{found.path}: this is kept, but the library could not read it yet: "
                f"'unhurried library update' does ({error})"
            ) from error
