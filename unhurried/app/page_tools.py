"""What the page asks of the other rooms: recordings opened, swings compared, traces drawn."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from review.process import python
from unhurried.app.errors import CommandError
from unhurried.app.page_services import PageServices
from unhurried.app.pair_sentence import Part, digits
from unhurried.app.pair_words import WORDS, Report, compared, place_of, signed
from words.glossary import turn_word
from words.units import unit_of

if TYPE_CHECKING:
    from analysis.evidence.compare import Row
    from analysis.swing.results import Swing
    from library.catalogue import Library
    from review.page.tools import PairWords, Tools
    from sensor.recording.reader import Recording


def compare_pair(recordings: Sequence[Recording], swings: Sequence[Swing]) -> PairWords:
    """Compare two swings as ``unhurried compare`` does, in its words.

    Parameters
    ----------
    recordings : sequence of Recording
        One a swing.
    swings : sequence of Swing

    Returns
    -------
    PairWords

    Raises
    ------
    ReviewError
        They cannot be compared.
    """
    from analysis import ANALYSIS_VERSION
    from analysis.evidence.compare import COMPARED
    from analysis.evidence.margins import MARGINS
    from review.errors import ReviewError
    from review.page.tools import PairWords
    from unhurried.app.measuring import Analysis

    parts = []
    for recording, swing in zip(recordings, swings, strict=True):
        session = recording.session
        parts.append(
            Part(
                path=recording.path,
                recording=recording,
                analysis=Analysis(
                    id=session.id,
                    start=session.start,
                    mount=session.mount,
                    rate_hz=recording.rate_hz,
                    duration_s=recording.duration_s,
                    lost_samples=recording.lost_samples,
                    short_strokes=0,
                    analysis_version=ANALYSIS_VERSION,
                    swings=(swing,),
                ),
                swings=(swing,),
            )
        )
    sides = (parts[0], parts[1])
    try:
        result = compared(sides, COMPARED, MARGINS)
    except CommandError as error:
        # The page knows the errors of its own room.
        raise ReviewError(str(error)) from error
    report = Report(sides=sides, comparison=result, margins=MARGINS, place=place_of(sides, result))
    return PairWords(
        sentences=tuple(report.sentences),
        rows=tuple(_cells(row, report) for row in result.rows),
        notes=tuple(report.notes()),
        comparison=result,
        place=report.place,
    )


def _cells(row: Row, report: Report) -> tuple[str, ...]:
    """Return a line of the table: measure, A, B, B minus A, 95 % interval, outcome."""
    word = WORDS[row.measure]
    if row.measure == "turn_deg" and report.mount:
        word = turn_word(report.mount)
    interval = "–"
    if row.low is not None and row.high is not None:
        interval = f"{signed(row, row.low)} to {signed(row, row.high)}"
    return (
        f"{word}, {unit_of(row.measure)}".removesuffix(", "),
        *("–" if x is None else digits(row.measure, x) for x in (row.a, row.b)),
        "–" if row.difference is None else signed(row, row.difference),
        interval,
        report.outcome(row),
    )


def _homework(backswing_ms: float, swings: int) -> bytes:
    """Make the sound file of a day's homework."""
    from feedback.homework import homework_wav

    return homework_wav(backswing_ms, swings)


def page_tools(
    home: Path,
    *,
    settings: Mapping[str, Any] | None = None,
    more: Mapping[str, Callable[..., Any]] | None = None,
    services: PageServices | None = None,
) -> Tools:
    """Return what the page can do with the recordings of a home."""
    from review.page.tools import Tools
    from unhurried.app.home import home_folder
    from unhurried.app.ingest import open_library, open_with_calibration
    from unhurried.app.measuring import placed
    from unhurried.app.settings import load_settings
    from unhurried.app.traces import trace_of

    def library(folder: Path) -> Library:
        return open_library(folder)

    def recording(path: Path) -> Recording:
        return open_with_calibration(path, home)[0]

    # A broken usual home is no trouble for whoever named another.
    usual = None
    with contextlib.suppress(CommandError):
        usual = home_folder()
    return Tools(
        open_library=library,
        open_recording=recording,
        trace_of=trace_of,
        compare_pair=compare_pair,
        placed=placed,
        homework=_homework,
        settings=load_settings(home) if settings is None else settings,
        more=more or {},
        helper=command(home),
        usual_home=usual,
        services=PageServices(home) if services is None else services,
    )


def command(home: Path) -> tuple[str, ...]:
    """Return what starts the helper for a home."""
    return python("unhurried.app.page_worker", str(Path(home).absolute()))
