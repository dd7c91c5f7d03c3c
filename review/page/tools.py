"""What the page can do, handed in from outside: it reads no recording by itself.

`unhurried` knows how a recording is opened with its sensor's calibration, how a curve is made of
it, and how two swings are compared in words. The screens call these through `Tools`, so the room
of the coach's eye stays apart from the command line, and tests can put anything in their place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from analysis.evidence.compare import Comparison
    from analysis.evidence.way import WayDown
    from analysis.swing.results import FoundSwing, Swing
    from library.catalogue import Library
    from library.rows import SwingDetail
    from review.page.services import Services
    from review.plot import Trace
    from sensor.recording.reader import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class PairWords:
    """Two swings side by side, in the words of ``unhurried compare``.

    Attributes
    ----------
    sentences : tuple of str
    rows : tuple of tuple of str
        Measure, A, B, B minus A, 95 % interval, outcome.
    notes : tuple of str
    comparison : Comparison
    place : (int, WayDown) or None
        Which of the two took longer (0, 1), and where it was when the other, started with it, was
        at its impact; None where neither surely took longer.
    """

    sentences: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    comparison: Comparison
    place: tuple[int, WayDown] | None = None


class ComparePair(Protocol):
    """Compares two swings of open recordings."""

    def __call__(self, recordings: Sequence[Recording], swings: Sequence[Swing]) -> PairWords: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools:
    """Callables that the screens use.

    Attributes
    ----------
    open_library : callable
        (home) -> Library, able to measure again what people correct.
    open_recording : callable
        (path of a recording) -> Recording, with the calibration that applies; a context manager.
    trace_of : callable
        (Recording, Swing) -> Trace: turn and rate over time.
    compare_pair : callable
        See `ComparePair`.
    placed : callable or None
        (Recording, FoundSwing, number) -> Swing: a swing that was found while it was recorded, on
        the clock of the recording as far as it is written.
    homework : callable or None
        (backswing in ms, swings) -> bytes of a sound file that any phone plays.
    settings : mapping
        Values of settings by name.
    more : mapping of str to callable
        What single screens need beyond this, by name.
    helper : sequence of str
        Command that starts a helper process for heavy work, see `review.page.worker`.
    usual_home : Path or None
        Where commands look that are not told of a home.
    services : Services or None
        What the house does for the page, see `review.page.services`.
    """

    open_library: Callable[[Path], Library]
    open_recording: Callable[[Path], Recording]
    trace_of: Callable[[Recording, Swing], Trace]
    compare_pair: ComparePair
    placed: Callable[[Recording, FoundSwing, int], Swing] | None = None
    homework: Callable[[float, int], bytes] | None = None
    settings: Mapping[str, Any] = field(default_factory=dict)
    more: Mapping[str, Callable[..., Any]] = field(default_factory=dict)
    helper: Sequence[str] = ()
    usual_home: Path | None = None
    services: Services | None = None

    def trace(self, detail: SwingDetail) -> Trace:
        """Return the curves of a swing of the library."""
        with self.open_recording(detail.path) as recording:
            return self.trace_of(recording, detail.swing)
