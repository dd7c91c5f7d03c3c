"""A recording that was named: where it is, whether the library knows it, and words kept on it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sensor.errors import SensorError
from unhurried.app.errors import CommandError

if TYPE_CHECKING:
    from library.catalogue import Library
    from sensor.recording.annotations import Annotations, SwingSpan


@dataclass(frozen=True, slots=True)
class Located:
    """A recording's folder and id, and whether the library knows it."""

    path: Path
    id: str
    known: bool


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
