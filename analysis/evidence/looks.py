"""When it is decided: looks are a function of the data, never of who opens a page.

Whoever looks again after each session finds a "change" sooner or later where there is none: at 5 %
a look, in twenty sessions, every third player. So a look is a session added, and few of them count.

*Change since the baseline* is decided when 2, 4, 8, 16 (and so on) qualifying sessions have
followed it, from all of them together, at 2.5 %. In between the last word stands, dated, and the
interval is shown. *Step back* and *beyond full* need two sessions running, each at 2.5 % one-sided,
Holm over the measures.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from analysis.evidence.outcome import Decision, Outcome

FIRST_LOOK: Final = 2
"""Sessions since the baseline at the first look; each further one comes at twice as many."""

CHANGE_LEVEL: Final = 0.975
"""Two-sided, of all measures together at one look. Measured on simulated players who don't change:
of twenty sessions, one in twenty or fewer has any wrong word (``benchmarks/evidence.py``)."""

RUNNING: Final = 2
"""Sessions running that must show it; common practice, no source."""


def last_look(sessions: int) -> int | None:
    """How many sessions the last look had, after so many; None before the first one.

    Examples
    --------
    >>> [last_look(n) for n in (1, 2, 3, 4, 7, 8, 20)]
    [None, 2, 2, 4, 4, 8, 16]
    """
    if sessions < FIRST_LOOK:
        return None
    look = FIRST_LOOK
    while 2 * look <= sessions:
        look *= 2
    return look


def lost(decision: Decision) -> bool:
    """Whether a measure fell, and by more than what surely doesn't matter."""
    return decision.outcome is Outcome.DIFFERENT and decision.difference < 0.0


def running(shown: Sequence[bool]) -> bool:
    """Whether the last sessions running all showed it."""
    return len(shown) >= RUNNING and all(shown[-RUNNING:])
