"""Numbers and names as the page writes them: to the same digits as the command line."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Final

from analysis.evidence.plan import NextDrill
from analysis.evidence.reading import Word
from analysis.swing.results import Swing, is_bound
from library.answer import SAID
from review.error_text import line_of, on_page, without_places
from words.answer import ASPECT_WORDS
from words.glossary import FELT, MEASURES, PLACES, measure_word, turn_word
from words.lesson import PART_NAMES
from words.plain import clock as plain_clock
from words.plain import count, decimals_of, join
from words.sound import FIX, HEARD, NO_OUTPUT, TOO_SOFT
from words.units import shown_in, unit_of

__all__ = [
    "BASIS_WORDS",
    "FELT_WORDS",
    "KIND_PLURAL",
    "MEASURE_WORDS",
    "Units",
    "clock",
    "count",
    "day_words",
    "decimals_of",
    "digits",
    "drill_words",
    "join",
    "line_of",
    "measure_word",
    "on_page",
    "signed",
    "since",
    "size",
    "swing_digits",
    "turn_word",
    "unit_of",
    "with_signs",
    "with_u",
    "without_places",
]

MEASURE_WORDS: Final = MEASURES
MOUNT_WORDS: Final[Mapping[str, str]] = PLACES
KIND_WORDS: Final[Mapping[str, str]] = {
    "rehearsal": "practice swing",
    "strike": "shot",
    "unclear": "unclear",
}
"""What a coach calls the kinds of swing."""

KIND_PLURAL: Final[Mapping[str, str]] = {
    "rehearsal": "practice swings",
    "strike": "shots",
    "unclear": "unclear",
}

BLOCK_WORDS: Final[Mapping[str, str]] = {
    "rehearsal": "with sound",
    "ball": "with sound",
    "silent": "without sound",
    "retention": "without sound",
}
"""How the sets of a drill are swung."""

SOUND_SAID: Final = {"ask": HEARD, "fix": FIX, "soft": TOO_SOFT, "none": NO_OUTPUT}
"""Before the first swing of a drill."""

SOUND_WORDS: Final[Mapping[str, str]] = {
    "rise": "with the rising tone",
    "bell": "with the full bell",
    "none": "without sound",
}
"""What sounds, where it is one thing at a time, or nothing."""
BASIS_WORDS: Final[Mapping[str | None, str]] = {
    "shock": "known by the shock",
    "least_turn": "known by the least turn",
    "own_strikes": "known by the player's own shots",
}
FELT_WORDS: Final = FELT

_TENTHS: Final = frozenset({"tempo_ratio", "club_speed_m_s", "ball_speed_m_s", "attack_deg"})
"""Quantities that are shown with one decimal."""

_MEASURE: Final = re.compile(rf"\b(?:{'|'.join(sorted(MEASURE_WORDS, key=len, reverse=True))})\b")


@dataclass(frozen=True, slots=True)
class Units:
    """Units that speeds and distances are shown and typed in.

    Attributes
    ----------
    imperial : bool
        Miles an hour and yards instead of m/s and m.
    """

    imperial: bool = False

    def _of(self, measure: str) -> tuple[str, float]:
        return shown_in(unit_of(measure), imperial=self.imperial)

    def unit(self, measure: str) -> str:
        """Return the unit a quantity is shown in."""
        return self._of(measure)[0]

    def shown(self, measure: str, value: float) -> float:
        """Return a value in the unit it is shown in."""
        return value / self._of(measure)[1]

    def kept(self, measure: str, value: float) -> float:
        """Return a value that was typed in the unit it is kept in."""
        return value * self._of(measure)[1]

    def digits(self, measure: str, value: float | None) -> str:
        """Write a value as `digits` does, in the unit it is shown in."""
        return digits(measure, None if value is None else self.shown(measure, value))

    def typed(self, measure: str, value: float | None) -> str:
        """Write a value into a field that it can be changed in."""
        return "" if value is None else f"{self.shown(measure, value):.6g}"


def digits(measure: str, value: float | None) -> str:
    """Write a number as in the tables of the command line: whole ms, deg, deg/s, tenths of ratio.

    Absent numbers are a dash.
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{1 if measure in _TENTHS else 0}f}"
    if not text.startswith("-"):
        return text
    return text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")


def swing_digits(swing: Swing, measure: str) -> str:
    """The same for a swing, with what is only known as "at least" marked."""
    value = getattr(swing, measure)
    bound = is_bound(swing, measure)
    return ("≥ " if bound and value is not None else "") + digits(measure, value)


def with_u(value: float | None, u: float | None) -> tuple[str, str] | None:
    """Write a number and its uncertainty to the digits that the uncertainty leaves."""
    if value is None or u is None:
        return None
    places = decimals_of(u)
    return f"{value:.{places}f}".replace("-", "−"), f"{u:.{places}f}"


def kind_word(kind: str) -> str:
    """Name a kind of swing as a coach does."""
    return KIND_WORDS.get(kind, kind)


def lesson_part(part: str) -> str:
    """Name a part of a lesson."""
    return PART_NAMES[part]


def block_words(text: str | None) -> str:
    """Say how a set of a drill was swung: ``2 silent`` is *set 2, without sound*.

    Where one thing sounded, which: ``rise rehearsal`` is *with the rising tone*.
    """
    words = (text or "").split()
    how = BLOCK_WORDS.get(words[-1] if words else "", text or "")
    if len(words) > 1:
        how = next((SOUND_WORDS[one] for one in words[:-1] if one in SOUND_WORDS), how)
    return f"set {words[0]}, {how}" if len(words) > 1 and words[0] not in SOUND_WORDS else how


def seconds(ms: float | None) -> str:
    """Write a time of some hundred milliseconds in seconds, to a hundredth."""
    return "–" if ms is None or not math.isfinite(ms) else f"{ms / 1e3:.2f}"


def in_signs(unit: str) -> str:
    """Write a unit as it stands on the screens."""
    return unit.replace("deg", "°")


def signed_unit(measure: str) -> str:
    """Return the unit of a full figure as it stands on the screens."""
    return in_signs(unit_of(measure))


def said_of(word: Word) -> str:
    """Say a reading's word as all screens do."""
    return SAID[word].value


def aspect_name(aspect: str) -> str:
    """Name what a word is about."""
    return ASPECT_WORDS[aspect]


def far_unit(measure: str) -> str:
    """Return the unit in which a number stands on the screens: seconds, °, °/s."""
    return {"ms": "s", "deg": "°", "deg/s": "°/s"}.get(unit_of(measure), unit_of(measure))


def far_digits(measure: str, digits: str) -> str:
    """Write a number in that unit, from its digits as the command line has them."""
    number = digits.removeprefix("≥ ")
    if not measure.endswith("_ms") or not number.isdecimal():
        return digits
    return digits.removesuffix(number) + seconds(float(number))


def clock(time_s: float | None) -> str:
    """Write a time in a session as m:ss or h:mm:ss, whole seconds that have passed."""
    return plain_clock(time_s, "–")


def size(n_bytes: int) -> str:
    """Say how large a file is, in MB (1 MB is 10^6 bytes, IEC 80000-13)."""
    return f"{n_bytes / 1e6:,.1f} MB"


@lru_cache(4096)
def day_words(start: str) -> str:
    """Write a day as people do: Wed 8 April 2026."""
    at = datetime.fromisoformat(start)
    return f"{at:%a} {at.day} {at:%B} {at.year}"


def time_words(start: str) -> str:
    """Write the time of a day in the session's own offset."""
    return f"{datetime.fromisoformat(start):%H:%M}"


def since(day: str, today: date) -> str:
    """Say how long ago a day was."""
    days = (today - date.fromisoformat(day)).days
    if days < 0:
        return "in the future by this computer's clock"
    if days < 2:
        return ("today", "yesterday")[days]
    if days < 14:
        return f"{days} days ago"
    return f"{days // 7} weeks ago" if days < 70 else f"{round(days / 30.4)} months ago"


def plain(row: Mapping[str, Any], name: str) -> Any:
    """Value of a row, None where NaN."""
    value = row.get(name)
    return None if isinstance(value, float) and value != value else value


def signed(value: float) -> str:
    """Write a difference with its sign: whole from 10 on, else a tenth."""
    text = f"{value:+.{0 if abs(value) >= 10 else 1}f}"
    return text[1:] if float(text) == 0.0 else text.replace("-", "−")


def drill_words(drill: NextDrill) -> str:
    """Say a drill in a plain sentence."""
    cued = drill.block in ("rehearsal", "ball")
    text = "The usual sets"
    if not cued:
        text = f"{count(drill.repeats, 'shot' if drill.ball else 'practice swing')} without sound"
    if drill.backswing_ms is not None:
        text += f", backswing {drill.backswing_ms / 1e3:.2f} s"
    if drill.turn_target_deg is not None:
        text += f", full bell from {drill.turn_target_deg:.0f}°"
    if not cued:
        text += f", {drill.rest_s} s rest after each"
    if drill.another_day:
        text += ", on another day"
    return f"{text}."


def felt_said(row: Mapping[str, Any]) -> str:
    """Say how a swing felt, as far as the player said; empty where nothing was."""
    said = (FELT_WORDS[q].get(row[f"felt_{q}"] or "", "") for q in FELT_WORDS)
    return ", ".join(filter(None, said))


def percent(share: float) -> str:
    """Write a share in per cent."""
    return f"{100.0 * share:.0f} %"


def number_name(name: str) -> str:
    """Write the name of a sentence's number, or what is wrong with one: measures in words."""
    return _MEASURE.sub(lambda found: MEASURE_WORDS[found[0]], name)


def with_signs(text: str) -> str:
    """Write units as the page does."""
    return text.replace(" deg/s", " °/s").replace(" deg", "°").replace("m/s2", "m/s²")


def day_of(number: int) -> str:
    """Write a day number as a day."""
    at = date.fromordinal(number)
    return f"{at.day} {at:%B} {at.year}"


def short(text: str, most: int = 40) -> str:
    """Return a name for a heading or a menu, cut where it is very long; the whole is its title."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
