"""Where the sound goes, how late it is there, and what that means."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from unhurried.app.errors import show
from words.sound import FIX, LATE, LATE_WIRELESS

if TYPE_CHECKING:
    from feedback.outputs import Output

# How late: from memory.
WIRELESS = (
    "{name} is wireless: sound comes about 150 to 250 ms late. A cue is late as a "
    "whole, which does no harm; a tone for the turn comes too late to say where it was. Use a "
    "cable or a speaker, or run 'unhurried latency' with it first"
)


def late_words(output: Output, *, measured: bool) -> str | None:
    """Say that an output is too late for a bell while going back; None where it is fast enough."""
    from feedback.drill_limits import FAST_S
    from feedback.outputs import is_wireless

    if output.silent:
        return None
    if not measured and is_wireless(output.name):
        return LATE_WIRELESS
    return LATE.format(late_ms=1e3 * output.delay_s) if output.delay_s > FAST_S else None


def too_soft(level: float) -> bool:
    """Whether the sounds at a level aren't clear of a range's noise, by what is known of it."""
    from feedback.audible import is_clear
    from feedback.patterns import LEARNT, SOUNDS

    rate_hz = 48_000
    learnt = [one for one in SOUNDS if one.name in LEARNT]
    return not all(is_clear(one.make(rate_hz), rate_hz, level=level) for one in learnt)


def delays(home: Path, measured: list[str] | None = None) -> Callable[[str], float | None]:
    """Return a look-up of the calibrated delay of an output by its name.

    Parameters
    ----------
    home : Path
    measured : list of str, optional
        Gets the names of those whose delay was measured.
    """
    from feedback.errors import FeedbackError
    from feedback.latency import load_delay

    def delay_of(name: str) -> float | None:
        try:
            kept = load_delay(home / "outputs", name)
        except FeedbackError as error:
            show(str(error))
            return None
        if kept is None:
            return None
        if measured is not None:
            measured.append(name)
        return kept.delay_s

    return delay_of


def say_output(
    output: Output,
    why: str | None,
    *,
    measured: bool | None = None,
    say: Callable[[str], None] = show,
) -> None:
    """Say on stderr where the sound goes, and what that means.

    Parameters
    ----------
    output : Output
    why : str or None
        Why it is silent, where that was not asked for.
    measured : bool, optional
        Whether its delay was measured; None: the delay doesn't matter.
    say : callable
        Says a line.
    """
    from feedback.outputs import is_wireless

    if why is not None:
        say(f"! {why}; going on without sound. {FIX}")
        return
    if output.silent:
        return
    if measured is not None:
        how = "measured" if measured else "assumed: 'unhurried latency' measures it"
        say(f"sound: {output.name}, heard {1e3 * output.delay_s:.0f} ms after it is played ({how})")
    if is_wireless(output.name):
        say(WIRELESS.format(name=output.name))
