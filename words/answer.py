"""The answer at the top of a screen, in words: short, the word that matters first.

Only the words of the glossary stand here; whose swings they are is *your*, as coach and player read
the same screen together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from words.glossary import MEASURES
from words.plain import count, join
from words.units import shown_in, unit_of

ASPECT_WORDS: Final[Mapping[str, str]] = {"time": "time", "turn": "turn", "speed": "rotation"}
"""What is read, by aspect; the club's own speed is *club speed*, where it was measured."""

OWN_WORDS: Final[Mapping[str, str]] = {
    "today": "your practice swings",
    "model": "your model swings",
    "earlier": "your earlier practice swings",
}
"""What swings are set against."""

RANGE_WORDS: Final[Mapping[str, str]] = {
    "today": "your own range, today",
    "model": "your own range, model swings",
    "earlier": "your own range, other days",
}
"""The same, of the band."""

BESIDE_WORDS: Final[Mapping[str, str]] = {
    "today": "practice",
    "model": "model",
    "earlier": "practice before",
}
"""The same, before a number."""

AS_USUAL: Final = "as usual"
CANT_TELL: Final = "can't tell yet"
PAST_FULL: Final = "past full"


def aspect_word(aspect: str, measure: str) -> str:
    """Name an aspect by what was measured of it."""
    return MEASURES[measure] if measure == "transition_ms" else ASPECT_WORDS[aspect]


def swings(n: int, *, shots: bool) -> str:
    """Say how many, of which kind."""
    return count(n, "shot" if shots else "practice swing")


def _many(*, shots: bool) -> str:
    return "shots" if shots else "practice swings"


def headline(
    *,
    aspect: str,
    measure: str,
    said: str,
    counted: int,
    n: int,
    shots: bool,
    own: str,
    by: str = "",
) -> str:
    """What differs most: as a count of swings where it is most of them, else by how much.

    Examples
    --------
    >>> headline(aspect="turn", measure="turn_deg", said="smaller", counted=9, n=12, shots=True,
    ...          own="today", by="14°")
    'Turn: 9 of 12 shots smaller than your practice swings.'
    >>> headline(aspect="turn", measure="turn_deg", said="smaller", counted=2, n=12, shots=True,
    ...          own="today", by="6°")
    'Turn: shots 6° smaller than your practice swings.'
    """
    name = aspect_word(aspect, measure).capitalize()
    than = "" if said == PAST_FULL else f" than {OWN_WORDS[own]}"
    if n == 1:
        return f"{name}: {said}{than}."
    who = _many(shots=shots)
    if 2 * counted >= n or (said == PAST_FULL and counted):
        return f"{name}: {counted} of {n} {who} {said}{than}."
    return f"{name}: {who} {by} {said}{than}.".replace("  ", " ")


def no_difference(*, words: Sequence[tuple[str, str]], n: int, shots: bool, own: str) -> str:
    """Nothing surely differs: what is as usual, and what can't be told yet.

    Parameters
    ----------
    words : sequence of (str, str)
        Aspect and its word.
    n : int
    shots : bool
    own : str
    """
    usual = [name for name, word in words if word == AS_USUAL]
    open_ones = [name for name, word in words if word == CANT_TELL]
    if not open_ones:
        return f"As usual: {join(usual)} like {OWN_WORDS[own]}."
    if not usual:
        what = ("this shot" if shots else "this swing") if n == 1 else f"these {_many(shots=shots)}"
        verb = "differs" if n == 1 else "differ"
        return f"Can't tell yet whether {what} {verb} from {OWN_WORDS[own]}."
    return f"{join(usual).capitalize()} as usual. {join(open_ones).capitalize()}: can't tell yet."


def nothing_yet(*, shots: int, practice: int, least: int) -> str:
    """There is nothing to set swings against yet, and what is missing.

    Examples
    --------
    >>> nothing_yet(shots=0, practice=9, least=5)
    "Can't tell yet: 0 of 5 shots so far."
    """
    parts = []
    if practice < least:
        parts.append(f"{practice} of {least} practice swings")
    if shots < least:
        parts.append(f"{shots} of {least} shots")
    if not parts:
        return "Can't tell yet: too little of these swings was measured."
    return f"Can't tell yet: {join(parts)} so far."


def would_show(parts: Sequence[str]) -> str:
    """What would be told apart with as many swings as there are."""
    return f"Would show: {join(parts)}."


def against(*, n: int, shots: bool, own: str, own_n: int) -> str:
    """What was set against what."""
    mine = "1 swing" if n == 1 else swings(n, shots=shots)
    beside = {
        "today": f"{own_n} practice swings of the same day",
        "model": f"{own_n} model swings",
        "earlier": f"{own_n} practice swings of other days",
    }[own]
    return f"{mine} beside {beside}; time: backswing"


def rounded(measure: str, value: float, own: float | None = None, *, imperial: bool = False) -> str:
    """Write a number as far as it means something to a player.

    Times in hundredths of a second, turns in degrees, rotation in per cent of the player's own.

    Examples
    --------
    >>> rounded("backswing_ms", 868.4), rounded("turn_deg", 137.6)
    ('0.87 s', '138°')
    >>> rounded("peak_rate_dps", 1200.0, 1333.0)
    '90 %'
    """
    if measure == "transition_ms":
        return f"{value:.0f} ms"
    if measure.endswith("_ms"):
        return f"{value / 1e3:.2f} s"
    if measure.endswith("_deg"):
        return f"{value:.0f}°".replace("-", "−")
    if measure.endswith("_dps"):
        return "–" if not own else f"{100.0 * value / own:.0f} %"
    unit, size = shown_in(unit_of(measure), imperial=imperial)
    return f"{value / size:.0f} {unit}"


def difference(measure: str, value: float, own: float | None = None) -> str:
    """Write how large a difference is, without its sign.

    Examples
    --------
    >>> difference("backswing_ms", -142.0), difference("peak_rate_dps", 40.0, 1333.0)
    ('0.14 s', '3 %')
    """
    return rounded(measure, abs(value), own)


def drill_headline(kept: int, n: int) -> str:
    """How many swings without sound kept time and turn."""
    return f"Without sound: {kept} of {n} kept time and turn."


def drill_last_time(kept: int, n: int, *, alike: bool) -> str:
    """The same of the drill before; never a word of change, which two drills can't tell."""
    text = f"Last time {kept} of {n}"
    return (
        f"{text}: too few to call it a change." if alike else f"{text}; a change takes more days."
    )


def drill_rest(loud: tuple[int, int], called: tuple[int, int]) -> str:
    """With sound, and how often the player's call was what was measured."""
    parts = []
    if loud[1]:
        parts.append(f"With sound {loud[0]} of {loud[1]}.")
    if called[1]:
        parts.append(f"You called {called[0]} of {called[1]}.")
    return " ".join(parts)
