"""One swing in full, and what its uncertainties are made of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from unhurried.app.text import one_line, wrapped
from words.glossary import KINDS, MEMBERS, REMARKS, measure_word, note_words
from words.plain import clock, decimals_of
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from unhurried.app.measuring import Analysis


BASIS_WORDS = {
    "shock": "the onset of the knock",
    "least_turn": "the turn back at its least",
    "own_strikes": "as at the player's own shots",
}

# Marks of errors that swings have in common.
_SHARED_MARKS = {"sensor": "*", "recording": "+"}

WIDTH = 79

LABEL = 19
"""Columns of the longest name."""

EVENTS = ("takeaway_s", "top_s", "impact_s", "finish_s")
_SPANS = ("backswing_ms", "downswing_ms", "swing_ms")
NUMBERS = (*EVENTS, *_SPANS, *(name for name in REMARKS if name not in _SPANS))
"""Fields of `Swing`, as they are listed."""

# Names that fit the column; across the axis is part of the peak rate above it.
_NARROW = {"peak_transverse_dps": "  across axis", "top_dwell_ms": "time at top"}
_REMARKS = {
    **REMARKS,
    "peak_rate_dps": "",
    "peak_transverse_dps": "without its roll",
}


def _label(name: str, mount: str | None) -> str:
    if name in EVENTS:
        return name.removesuffix("_s")
    return _NARROW.get(name) or measure_word(name, mount)


def detail_lines(analysis: Analysis, swing: Swing, title: str) -> Iterator[str]:
    """Give all that is known of one swing, each number with its standard uncertainty."""
    from analysis.evidence.summary import kind_of

    who = [
        one_line(swing.player) if swing.player else None,
        f"{swing.handedness}-handed" if swing.handedness else None,
        one_line(swing.club) if swing.club else None,
        f"{swing.intent} swing" if swing.intent else None,
        KINDS[kind_of(swing)],
    ]
    yield from wrapped(
        f"{title}: swing {swing.index} of {len(analysis.swings)} at {clock(_place_s(swing))}"
    )
    yield from wrapped(", ".join(word for word in who if word))
    yield ""
    yield "Details"
    remarks = dict.fromkeys(EVENTS, "") | _REMARKS
    remarks["impact_s"] = BASIS_WORDS.get(swing.impact_basis or "", "")
    if swing.takeaway_s is None:
        remarks["turn_deg"] = "start of the motion to top"
    remarks |= dict.fromkeys(swing.bounds, "at least: see below")
    for name in NUMBERS:
        number = _with_u(getattr(swing, name), getattr(swing, f"{name}_u"))
        unit = said(unit_of(name)).strip() if number.strip() != "-" else ""
        line = f"  {_label(name, analysis.mount):<{LABEL}} {number:>20} {unit:<6}"
        yield f"{line} {remarks[name]}".rstrip()
    gap = f"{swing.gap_ms:.0f} ms of the swing" if swing.gap_ms > 0 else "nothing"
    yield f"  {'missing':<{LABEL}} {gap}"
    limits = ", ".join(map(_channel, swing.clipped)) or "no"
    yield from wrapped(limits, "  sensor at its limit: ", " " * 4)
    if swing.notes:
        yield ""
        for note in swing.notes:
            yield from wrapped(f"{note_words(note.text)}.", "  - ", "    ")
    yield ""
    yield from wrapped(
        "± is one standard uncertainty (k = 1): two times in three it holds the truth. "
        "Times run from the recording's first sample."
    )
    yield from wrapped(_honesty(analysis.mount))


def budget_lines(analysis: Analysis, swing: Swing, title: str) -> Iterator[str]:
    """Give each number with its uncertainty and the sources that it is made of."""
    yield from wrapped(
        f"{title}: swing {swing.index} of {len(analysis.swings)} at {clock(_place_s(swing))}: "
        "what each uncertainty is made of"
    )
    yield ""
    yield f"  {'':<{LABEL}} {'value ± uncertainty':>20} {'':<6}{'of which':<20}  {'±':>9}"
    absent = []
    for name in NUMBERS:
        word = _label(name, analysis.mount).strip()
        value, u = getattr(swing, name), getattr(swing, f"{name}_u")
        if value is None or u is None:
            absent.append(word)
            continue
        first = f"  {word:<{LABEL}} {_with_u(value, u):>20} {said(unit_of(name)).strip():<6}"
        decimals = decimals_of(u) + 1
        # The greatest first; what wouldn't show beside the sum is left out.
        parts = sorted(swing.budget.get(name, ()), key=lambda part: -part.u)
        for part in parts:
            if round(part.u, decimals) == 0.0 and part is not parts[0]:
                continue
            mark = _SHARED_MARKS.get(part.shared or "", " ")
            yield f"{first}{part.source:<20}{mark} {part.u:>9.{decimals}f}"
            first = " " * len(first)
    if absent:
        yield from wrapped(f"Absent: {', '.join(absent)}.", "  ", "    ")
    yield ""
    yield from wrapped(
        "± is one standard uncertainty (k = 1), in the unit of its number; the root of the sum of "
        "the squares of the parts is the whole. Backswing, downswing, swing time and ratio share "
        "their events, and their parts are carried through together."
    )
    yield from wrapped(
        "* is the same for all swings of this sensor, + for all of this recording: it doesn't tell "
        "two of them apart."
    )


def _channel(name: str) -> str:
    """Say "gyro x" for gyr_x."""
    kind, _, axis = name.partition("_")
    return f"{'gyro' if kind == 'gyr' else kind} {axis}".strip()


def _with_u(value: float | None, u: float | None) -> str:
    """Write a number and its uncertainty to the digits that the uncertainty leaves."""
    if value is None or u is None:
        return "-" + " " * 9
    decimals = decimals_of(u)
    return f"{value:.{decimals}f} ± {f'{u:.{decimals}f}':<7}"


def _place_s(swing: Swing) -> float | None:
    """Time under which a swing is listed: its takeaway, or the first event that is known."""
    events = (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
    return next((at for at in events if at is not None), None)


def _honesty(mount: str | None) -> str:
    what = f"{MEMBERS[mount]} with the sensor on it" if mount else "part that carries the sensor"
    return (
        f"Turn and rotation are those of the {what}, not of the whole body. "
        "Numbers that change together need not cause one another."
    )
