"""Where a swing is among a recording's samples, and what people said that it was."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Final

from analysis.evidence.summary import BALL_SAID, NO_BALL, UNCLEAR_SAID, kind_of
from analysis.swing.results import Note, Swing
from sensor.errors import SensorError
from sensor.recording.annotations import SwingSpan, read_annotations

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sensor.recording.reader import Recording

_SAID: Final = {
    "rehearsal": Note(NO_BALL, "it was said afterwards that it is a practice swing"),
    "strike": Note(BALL_SAID, "it was said afterwards that it is a shot"),
    "unclear": Note(UNCLEAR_SAID, "it was said afterwards that nobody knows what it was"),
}
"""What is noted of a swing, by the kind that was said."""


def span_of(swing: Swing, recording: Recording) -> tuple[SwingSpan, float, float] | None:
    """Say where a swing is among the samples; None if none of its events is known.

    Returns
    -------
    span : SwingSpan
    at_seq, at_s : float
        The instant that it is known by: impact, else the event nearest to it.
    """
    by_weight = (swing.impact_s, swing.top_s, swing.finish_s, swing.takeaway_s)
    at_s = next((at for at in by_weight if at is not None), None)
    if at_s is None:
        return None
    known = [at for at in by_weight if at is not None]
    at_seq = recording.seq_of_time(at_s)
    span = SwingSpan(
        seq=max(0, round(at_seq)),
        first_seq=recording.seq_of_time(min(known)),
        last_seq=recording.seq_of_time(max(known)),
    )
    return span, at_seq, at_s


def with_said_kinds(swings: Sequence[Swing], recording: Recording) -> tuple[Swing, ...]:
    """Let what people said afterwards that swings were count, as it does in the library.

    What was measured (`strike`, `strike_p`) stays; a note says what counts, where that is something
    else. Annotations that can't be read change nothing: whoever asks for them is told.
    """
    if not recording.path.is_dir():
        return tuple(swings)
    try:
        said = read_annotations(recording.path)
    except SensorError:
        return tuple(swings)
    if not said.swing_keys():
        return tuple(swings)
    placed = [(k, where[0]) for k, one in enumerate(swings) if (where := span_of(one, recording))]
    fields, _ = said.of_swings([span for _, span in placed], rate_hz=recording.rate_hz)
    out = list(swings)
    for (k, _), mine in zip(placed, fields, strict=True):
        if mine.get("kind") in _SAID:
            out[k] = _as(out[k], str(mine["kind"]))
    return tuple(out)


def _as(swing: Swing, kind: str) -> Swing:
    """Note what a swing was said to be, in place of what was said while recording."""
    codes = {note.code for note in _SAID.values()}
    plain = dataclasses.replace(swing, notes=tuple(n for n in swing.notes if n.code not in codes))
    if kind_of(plain) == kind:
        return plain
    return dataclasses.replace(plain, notes=(*plain.notes, _SAID[kind]))
