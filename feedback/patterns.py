"""What the sounds mean: one table of all of them.

Each meaning has a pattern of its own, told apart by more than pitch: by how many tones there are,
how they rise or fall, how long they are, and by what they seem to be played on. Plain tones (one
sine) are about time, bells (two pitches struck together) about the turn, reeds (two pitches held,
low) say that something is not as it should be or that something else begins. After a swing and for
the turn, one is good, two is short, three is beyond.

Four are to be learnt: ready, rise, top and full. They are strongest between 500 and 1500 Hz and 150
ms or longer, so that they are heard in a range's noise and by older ears (`feedback.audible`). The
others are for those who switch them on, and for trouble.

Nothing is played for what could not be measured. Pitches are equal-tempered from A4 = 440 Hz (ISO
16:1975). The glide goes from E5 to B5 (659 to 988 Hz); the bell of the full turn, which comes near
its end, has its pitches above, the reeds of the upper bound theirs on both sides of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from feedback.audible import CLEAR_DB
from feedback.cue import Cue
from feedback.tones import Sound, chime, join, note_hz, silence, tone

PAUSE_S = 0.06
BETWEEN_S = 0.30
"""Between sounds that follow each other: time, turn, next block."""
SHOWN_MS = 800.0
"""Backswing of the cue that is played when the sounds are explained."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """A sound and what it says.

    Attributes
    ----------
    name : str
    meaning : str
        What it says, in plain words.
    heard : str
        What is heard.
    make : callable
        From frames a second to the sound, float32, of size 1 at most.
    """

    name: str
    meaning: str
    heard: str
    make: Callable[[int], Sound]


def _row(parts: list[Sound], rate_hz: int, pause_s: float = PAUSE_S) -> Sound:
    """Tones in a row, with pauses."""
    out: list[Sound] = []
    for part in parts:
        if out:
            out.append(silence(pause_s, rate_hz))
        out.append(part)
    return join(*out)


def _plain(rate_hz: int, *notes: tuple[str, float], pause_s: float = PAUSE_S) -> Sound:
    return _row([tone(note_hz(n), s, rate_hz) for n, s in notes], rate_hz, pause_s)


def _bells(rate_hz: int, *notes: tuple[str, str, float]) -> Sound:
    parts = [
        chime(note_hz(low), note_hz(high), s, rate_hz, ring_s=0.5 * s) for low, high, s in notes
    ]
    return _row(parts, rate_hz)


def _reeds(rate_hz: int, *notes: tuple[str, str, float], pause_s: float = PAUSE_S) -> Sound:
    parts = [chime(note_hz(low), note_hz(high), s, rate_hz) for low, high, s in notes]
    return _row(parts, rate_hz, pause_s)


def _ready(rate_hz: int) -> Sound:
    return Cue(SHOWN_MS, rate_hz).ready_sound


def _rise(rate_hz: int) -> Sound:
    return Cue(SHOWN_MS, rate_hz, ready=False).parts()[0].sound


def _top(rate_hz: int) -> Sound:
    return Cue(SHOWN_MS, rate_hz, ready=False).parts()[1].sound


def _full(rate_hz: int) -> Sound:
    # It rings longer than others, and its lower pitch is stronger: that one is to be heard.
    return chime(note_hz("C6"), note_hz("G6"), 0.240, rate_hz, ring_s=0.6, share=0.74)


def _over(rate_hz: int) -> Sound:
    return _reeds(
        rate_hz, ("A4", "E6", 0.045), ("A4", "E6", 0.045), ("A4", "E6", 0.045), pause_s=0.035
    )


def _time_enough(rate_hz: int) -> Sound:
    return _plain(rate_hz, ("C6", 0.450))


def _time_short(rate_hz: int) -> Sound:
    return _plain(rate_hz, ("C5", 0.070), ("C5", 0.070))


def _turn_full(rate_hz: int) -> Sound:
    return _bells(rate_hz, ("E6", "B6", 0.400))


def _turn_short(rate_hz: int) -> Sound:
    return _bells(rate_hz, ("A5", "E6", 0.160), ("D5", "A5", 0.160))


def _turn_beyond(rate_hz: int) -> Sound:
    return _bells(rate_hz, ("A5", "E6", 0.120), ("D6", "A6", 0.120), ("G6", "D7", 0.120))


def _block(rate_hz: int) -> Sound:
    low, high = ("D5", "D6", 0.090), ("G5", "G6", 0.090)
    return _reeds(rate_hz, low, high, low, high, pause_s=0.035)


def _lost(rate_hz: int) -> Sound:
    return _reeds(rate_hz, ("A5", "A6", 0.180), ("E5", "E6", 0.180), ("A4", "A5", 0.300))


def _back(rate_hz: int) -> Sound:
    return _reeds(rate_hz, ("A4", "A5", 0.180), ("A5", "A6", 0.300))


SOUNDS: tuple[Meaning, ...] = (
    Meaning("ready", "Soon: take the club back when you like.", "one low, plain tone", _ready),
    Meaning(
        "rise",
        "Go back for as long as it rises.",
        "one long, plain tone that glides up",
        _rise,
    ),
    Meaning("top", "Be at the top now.", "one short, high, plain tone", _top),
    Meaning(
        "full",
        "Your turn is full. After a swing: time and turn were there.",
        "one bell, high and short",
        _full,
    ),
    Meaning(
        "over",
        "Your turn is past full, while you go back.",
        "three quick, low reeds",
        _over,
    ),
    Meaning("time enough", "The backswing had time enough.", "one long plain tone", _time_enough),
    Meaning(
        "time short", "The backswing was short of time.", "two short, low, plain tones", _time_short
    ),
    Meaning("turn full", "The turn was full.", "one long bell that rings down", _turn_full),
    Meaning("turn short", "The turn was short.", "two bells, falling", _turn_short),
    Meaning("turn beyond", "The turn was past full.", "three bells, rising", _turn_beyond),
    Meaning("block", "The next set begins.", "four quick reeds: low, high, low, high", _block),
    Meaning("lost", "The sensor is lost: the drill waits.", "three long reeds, falling", _lost),
    Meaning("back", "The sensor is back: the drill goes on.", "two long reeds, rising", _back),
)
"""All sounds, in the order in which they are explained."""

LEARNT: Final = ("ready", "rise", "top", "full")
"""Those that a drill has unless more are switched on."""

_BY_NAME = {one.name: one for one in SOUNDS}


@cache
def seconds(name: str, time: str | None = None, turn: str | None = None) -> float:
    """How long a sound of `Sounds` lasts; ``"result"`` is what `Sounds.after_swing` gives."""
    rate_hz = 8000
    if name == "check":
        return sum(seconds(one) for one in LEARNT) + BETWEEN_S * (len(LEARNT) - 1)
    if name == "kept":
        return seconds("full")
    if name != "result":
        return len(_BY_NAME[name].make(rate_hz)) / rate_hz
    parts = [f"{kind} {word}" for kind, word in (("time", time), ("turn", turn)) if word]
    return sum(seconds(part) for part in parts) + BETWEEN_S * max(0, len(parts) - 1)


class Sounds:
    """The sounds of a drill at one sample rate.

    Parameters
    ----------
    rate_hz : int
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self._made = {name: one.make(rate_hz) for name, one in _BY_NAME.items()}
        self.full = self._made["full"]
        self.kept = self.full
        """After a swing: time and turn were there."""
        self.check = self._check()
        self.over = self._made["over"]
        self.ready = self._made["ready"]
        self.block = self._made["block"]
        self.lost = self._made["lost"]
        self.back = self._made["back"]

    def _check(self) -> Sound:
        """The four to learn, one after the other, as much softer as they are to be clear.

        Who hears them hears a drill's with that to spare. What masks them there is the noise,
        and in it older ears need hardly more than young ones (`feedback.audible.extra_db`).

        Returns
        -------
        (n,) float32 array
        """
        softer = np.float32(10.0 ** (-CLEAR_DB / 20.0))
        soft = [self._made[name] * softer for name in LEARNT]
        return _row(soft, self.rate_hz, BETWEEN_S)

    def after_swing(self, time: str | None, turn: str | None) -> Sound | None:
        """The pattern for a swing's time (enough, short) and turn (full, short, beyond).

        Returns
        -------
        (n,) float32 array or None
            None where neither is known.
        """
        parts: list[Sound] = []
        if time is not None:
            parts.append(self._made[f"time {time}"])
        if turn is not None:
            parts.append(self._made[f"turn {turn}"])
        return _row(parts, self.rate_hz, BETWEEN_S) if parts else None
