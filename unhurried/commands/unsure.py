"""What `analyze` isn't sure of: what nearly passed for a swing, and whether swings met a ball."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from unhurried.app.text import wrapped
from words.plain import clock, count

if TYPE_CHECKING:
    from unhurried.app.measuring import Analysis


AGAINST = {
    "tempo": "its way down took unusually long or short beside the way back",
    "gain": "it came down hardly faster than it went back, or much faster",
    "peaked": "its rotation rose too evenly or too suddenly",
    "turn": "it turned unusually far or little",
    "peak": "its fastest rotation was unusual",
    "backswing": "its way back took unusually long or short",
    "radius": "its pull didn't go with its rotation as about a hub",
    "before": "there was no rest before it",
    "left": "it didn't come back to where it began",
    "through": "it didn't go on through, or very far",
    "upright": "its plane was steep or level as hardly a swing's is",
    "hang": "it pulled another way at its fastest than it hung at the start",
    "hub_up": "its hub wasn't above it",
    "across": "it pulled along its axis instead of across",
    "bent_back": "it didn't go back in one sweep",
    "bent_down": "it didn't come down in one sweep",
    "opposed": "it didn't come back the way it went",
    "quiet": "it began out of another movement, or after a long rest",
    "fall": "it stopped too suddenly or too slowly",
    "peak_place": "it was fastest elsewhere than near the ball",
    "acc_sd": "the sensor was shaken before it",
    "top_tilt": "it lay unusually at the top",
    "end_tilt": "it lay unusually at the end",
    "returned": "it lay otherwise on coming back than at the start",
    "back_place": "it was fastest very early or late on the way back",
    "least_acc": "it was in free fall",
    "hands": "it is unlike this player's other swings",
}
"""What speaks against a candidate, by its code."""


def why_lines(analysis: Analysis) -> Iterator[str]:
    """Give the lines that tell what nearly passed for a swing."""
    if not analysis.candidates:
        yield "Nothing else nearly passed for a swing."
        return
    yield "Nearly a swing (was it one?):"
    for one in analysis.candidates:
        reasons = "; ".join(AGAINST[code] for code in one.why if code in AGAINST)
        text = f"{clock(one.at_s)}, {100.0 * one.swing_p:.0f} %: {reasons or 'a little of each'}"
        yield from wrapped(text, "  ", "    ")


def unsaid(path: Path, analysis: Analysis) -> list[int]:
    """Numbers of the swings that are unclear, and of which nobody said what they were."""
    from analysis.evidence.summary import kind_of
    from sensor.errors import SensorError
    from sensor.recording.annotations import read_annotations
    from sensor.recording.opening import open_recording
    from unhurried.app.spans import span_of

    unclear = [swing for swing in analysis.swings if kind_of(swing) == "unclear"]
    if not unclear or not path.is_dir():
        return []
    try:
        said = read_annotations(path)
    except SensorError:
        # What was said is broken: whoever asks for it is told.
        return []
    if not said.swing_keys():
        return [swing.index for swing in unclear]
    out = []
    with open_recording(path) as recording:
        for swing in unclear:
            where = span_of(swing, recording)
            if where is not None:
                key = said.key_of(where[0], rate_hz=recording.rate_hz)
                if said.get("swing", key, "kind") in (None, "unclear"):
                    out.append(swing.index)
    return out


def question_lines(analysis: Analysis, path: Path) -> Iterator[str]:
    """Ask once, where most swings are unclear, and give the command that answers for all."""
    open_ = unsaid(path, analysis)
    if 2 * len(open_) <= len(analysis.swings):
        return
    yield ""
    yield from wrapped(
        f"Were these shots? {count(len(open_), 'swing')} of {len(analysis.swings)} are unclear. "
        "One command says it of all of them (practice swings: 'rehearsal' at its end):"
    )
    yield f"  unhurried kind {shlex.quote(str(path))} strike"
