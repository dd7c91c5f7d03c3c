"""Numbers and names as the page writes them: to the same digits as the command line."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache, lru_cache
from typing import Any, Final

from analysis.plan import Drill
from analysis.results import Swing

__all__ = [
    "BASIS_WORDS",
    "FELT_WORDS",
    "KIND_PLURAL",
    "MEASURE_WORDS",
    "TURN_WORDS",
    "UNITS",
    "Units",
    "clock",
    "count",
    "day_words",
    "decimals_of",
    "digits",
    "drill_words",
    "join",
    "measure_word",
    "on_page",
    "signed",
    "since",
    "size",
    "swing_digits",
    "turn_word",
    "unit_of",
    "with_u",
]

MEASURE_WORDS: Final[Mapping[str, str]] = {
    "swing_ms": "swing time",
    "backswing_ms": "backswing",
    "downswing_ms": "downswing",
    "tempo_ratio": "ratio",
    "turn_deg": "turn",
    "peak_rate_dps": "peak rate",
    "club_speed_m_s": "head speed",
    "ball_speed_m_s": "ball speed",
    "carry_m": "carry",
    "total_m": "total",
    "offline_m": "offline",
    "attack_deg": "angle of attack",
    "strike_toe_mm": "strike towards the toe",
    "strike_high_mm": "strike above the middle",
}
UNITS: Final = (
    ("_m_s", "m/s"),
    ("_ms", "ms"),
    ("_mm", "mm"),
    ("_deg", "deg"),
    ("_dps", "deg/s"),
    ("_s", "s"),
    ("_m", "m"),
)
IMPERIAL: Final[Mapping[str, tuple[str, float]]] = {"m/s": ("mph", 0.44704), "m": ("yd", 0.9144)}
TURN_WORDS: Final[Mapping[str | None, str]] = {
    "wrist": "forearm turn",
    "glove": "hand turn",
    "club": "club turn",
    "trunk": "trunk turn",
}
MOUNT_WORDS: Final[Mapping[str | None, str]] = {
    "wrist": "lead wrist",
    "glove": "back of the lead hand",
    "club": "club shaft",
    "trunk": "upper back",
}
KIND_PLURAL: Final[Mapping[str, str]] = {
    "rehearsal": "rehearsals",
    "strike": "strikes",
    "unclear": "unclear",
}
BASIS_WORDS: Final[Mapping[str | None, str]] = {
    "shock": "told by the shock",
    "least_turn": "told by the least turn",
    "own_strikes": "told by the player's own strikes",
}
FELT_WORDS: Final[Mapping[str, Mapping[str, str]]] = {
    "time": {"rushed": "rushed", "in-time": "in time", "slow": "slow"},
    "turn": {"full": "full turn", "short": "short turn"},
    "strike": {"well": "struck well", "not": "not struck well"},
}

_TENTHS: Final = frozenset({"tempo_ratio", "club_speed_m_s", "ball_speed_m_s", "attack_deg"})
"""Quantities that are shown with one decimal."""

_MEASURE: Final = re.compile(rf"\b(?:{'|'.join(sorted(MEASURE_WORDS, key=len, reverse=True))})\b")


@cache
def unit_of(measure: str) -> str:
    """Return the unit of a quantity by its name."""
    return next((unit for end, unit in UNITS if measure.endswith(end)), "")


def measure_word(measure: str, mount: str | None = None) -> str:
    """Name a quantity; a turn by what turns."""
    return turn_word(mount) if measure == "turn_deg" else MEASURE_WORDS.get(measure, measure)


@dataclass(frozen=True, slots=True)
class Units:
    """Units that speeds and distances are shown and typed in.

    Attributes
    ----------
    imperial : bool
        Miles an hour and yards instead of m/s and m. Exact: NIST SP 811, B.8.
    """

    imperial: bool = False

    def _of(self, measure: str) -> tuple[str, float]:
        unit = unit_of(measure)
        return IMPERIAL.get(unit, (unit, 1.0)) if self.imperial else (unit, 1.0)

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


def turn_word(mount: str | None) -> str:
    """Say what turns: the forearm's turn isn't the club's."""
    return TURN_WORDS.get(mount, "turn")


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
    bound = measure == "peak_rate_dps" and any(n.code == "rate_lower_bound" for n in swing.notes)
    return ("≥ " if bound and value is not None else "") + digits(measure, value)


def decimals_of(u: float) -> int:
    """Decimals that show two significant digits of an uncertainty (JCGM 100, 7.2.6)."""
    return min(4, max(0, 1 - math.floor(math.log10(u)))) if u > 0.0 else 2


def with_u(value: float | None, u: float | None) -> tuple[str, str] | None:
    """Write a number and its uncertainty to the digits that the uncertainty leaves."""
    if value is None or u is None:
        return None
    places = decimals_of(u)
    return f"{value:.{places}f}".replace("-", "−"), f"{u:.{places}f}"


def clock(time_s: float | None) -> str:
    """Write a time in a session as m:ss or h:mm:ss, whole seconds that have passed."""
    if time_s is None:
        return "–"
    minutes, seconds = divmod(int(max(time_s, 0.0)), 60)
    hours, rest = divmod(minutes, 60)
    return f"{hours}:{rest:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def count(n: int, word: str, plural: str | None = None) -> str:
    """Say how many: no swings, 1 swing, 2 swings."""
    many = plural or f"{word}s"
    return {0: f"no {many}", 1: f"1 {word}"}.get(n, f"{n:,} {many}")


def size(n_bytes: int) -> str:
    """Say how large a file is, in MB (1 MB is 10^6 bytes, IEC 80000-13)."""
    return f"{n_bytes / 1e6:,.1f} MB"


def join(words: Iterable[str]) -> str:
    """Join words as in a sentence."""
    there = list(words)
    return there[0] if len(there) == 1 else ", ".join(there[:-1]) + f" and {there[-1]}"


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


def drill_words(drill: Drill) -> str:
    """Say a drill in a plain sentence."""
    made = "swings at a ball" if drill.ball else "rehearsals"
    block = {
        "rehearsal": "rehearsals by ear",
        "ball": "swings at a ball by ear",
        "silent": f"{made} without cue or tone",
        "retention": f"{made} without cue or tone, to see what was kept",
    }[drill.block]
    text = f"{drill.repeats} {block}"
    if drill.backswing_ms is not None:
        text += f", backswing of {drill.backswing_ms} ms"
    if drill.turn_target_deg is not None:
        text += f", tone from {drill.turn_target_deg:.0f} deg on"
    text += f", {drill.rest_s} s of rest after each"
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


def without_command(text: str) -> str:
    """Return what a sentence says before the command of the next drill."""
    return text.partition(" Next: unhurried ")[0]


def on_page(text: str) -> str:
    """Return what the program says of a sensor as it is done on the page."""
    return text.replace("try the program with --simulated", "choose the simulated sensor")


def day_of(number: int) -> str:
    """Write a day number as a day."""
    at = date.fromordinal(number)
    return f"{at.day} {at:%B} {at.year}"


def short(text: str, most: int = 40) -> str:
    """Return a name for a heading or a menu, cut where it is very long; the whole is its title."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
