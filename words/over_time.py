"""What changed over time, in words: one line, and how the plan's steps are called on a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from words.answer import AS_USUAL, CANT_TELL
from words.plain import count, join

NAMES: Final[Mapping[str, str]] = {
    "backswing_ms": "backswing",
    "turn_deg": "turn",
    "peak_rate_dps": "rotation",
}
"""What is followed over time."""

STEPS: Final[Mapping[str, str]] = {
    "baseline": "first sessions",
    "reference": "model swings",
    "full turn with time": "full turn",
    "brisker backswing": "shorter backswing",
    "at a ball": "at a ball",
    "keep it": "keep it",
    "not sent longer": "nothing longer",
    "stopped": "stopped",
}
"""The plan's steps, short."""

FIRST_DRILL: Final = "first drill"


def step_word(stage: str, step: int) -> str:
    """Name a step of the plan on a picture.

    Examples
    --------
    >>> step_word("brisker backswing", 2)
    'shorter backswing 2'
    """
    return f"{STEPS.get(stage, stage)} {step}" if step else STEPS.get(stage, stage)


def since_when(*, drilled: bool, first: int) -> str:
    """Say since when something changed."""
    return "the drills began" if drilled else f"the first {count(first, 'session')}"


def changed(
    *, since: str, parts: Sequence[tuple[str, str, str]], kept: bool | None, anything: bool = True
) -> str:
    """Say what changed, as the top of the screen over time does.

    Parameters
    ----------
    since : str
        From `since_when`.
    parts : sequence of (str, str, str)
        Name, word and size of each measure, such as ``("turn", "bigger", "13°")``.
    kept : bool or None
        Whether it was there without sound; None where nothing is said of it.
    anything : bool
        Something was told apart, so that it can have been kept.

    Examples
    --------
    >>> changed(since="the drills began", kept=True, parts=[
    ...     ("backswing", "longer", "0.10 s"), ("rotation", "as usual", "")])
    'Since the drills began: backswing 0.10 s longer, rotation as usual; kept without sound.'
    """
    usual = [name for name, said, _ in parts if said == AS_USUAL]
    open_ones = [name for name, said, _ in parts if said == CANT_TELL]
    told = [
        " ".join(filter(None, (name, size, said)))
        for name, said, size in parts
        if said not in (AS_USUAL, CANT_TELL)
    ]
    if not usual and not told:
        return f"Can't tell yet whether anything changed since {since}."
    if usual:
        told.append(f"{join(usual)} {AS_USUAL}")
    text = f"Since {since}: {', '.join(told)}"
    if kept is not None and anything:
        text += "; kept without sound" if kept else "; last time not kept without sound"
    if open_ones:
        return f"{text}. {join(open_ones).capitalize()}: {CANT_TELL}."
    return f"{text}."


def too_few_sessions(*, have: int, need: int, least: int, shots: bool, drilled: bool) -> str:
    """There are too few sessions to set beside each other, and what is missing."""
    what = "shots" if shots else "practice swings"
    since = " since the first drill" if drilled else ""
    each = f"{have} of {need} sessions with {least} {what} each"
    return f"Can't tell yet whether it changed: {each}{since}."


def nothing_before(*, least: int, shots: bool) -> str:
    """The first session had a drill already."""
    what = "shots" if shots else "practice swings"
    return f"Can't tell: no session before the first drill has {least} {what} without sound."


def beside(*, before: int, after: int, drilled: bool, shots: bool) -> str:
    """Say what was set beside what."""
    what = "shots" if shots else "practice swings"
    first = f"{before} before the drills" if drilled else f"the first {before}"
    return f"{count(after, 'session')} beside {first}; {what} without sound"


def model_swings(*, n: int, ranges: Sequence[str], next_drill: str | None) -> str:
    """Say what followed when model swings were chosen."""
    text = f"Model swings: {n}. Your own range is now {join(ranges)}."
    return text if next_drill is None else f"{text} Next: {next_drill}"


def not_models(n: int) -> str:
    """Say that swings were offered as model swings and not taken."""
    return f"{count(n, 'swing')} not taken as model swings"
