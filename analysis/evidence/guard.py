"""Does the change of direction get quicker where a sound is heard?

A sound is to confirm a turn, not to start the way down. Whether it does is asked player by player:
practice swings with it against those without, of the same sessions, by the parts of
`analysis.evidence.parts`. What drifts through a session and what lies between its sets is in the
interval. Two sounds are asked about, the bell and the beep at the top, and decided together.

It is an association within one player's swings. A sound that is left out is left out to be careful.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.evidence.cells import Cell, cell_of
from analysis.evidence.outcome import LEVEL, Decided, Decision, decide_together
from analysis.evidence.parts import Part, budget, total
from analysis.evidence.prior import Prior
from analysis.evidence.told import NotYet
from analysis.evidence.variance import variances_of

MEASURE: Final = "transition_ms"

Sound = Literal["bell", "top"]

WITH: Final[dict[Sound, str]] = {"bell": "bell", "top": "rise"}
"""In which blocks a sound is heard in the swing (`analysis.evidence.blocks.block_sound`)."""

LEAST: Final = 3
"""Practice swings in a session, with the sound and without; common practice, no source."""

LEAST_SESSIONS: Final = 2
"""Sessions before anything is said: one day's drift passes easily for a sound's doing."""

MARGIN_MS: Final = 5.0
"""A difference that doesn't matter: a sample or two of a sensor (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounded:
    """A practice swing, and what was heard in it.

    Attributes
    ----------
    session_id : str
    order : int
        Its number in the session.
    sound : str or None
        "bell", "rise", "none", or None: more than one thing.
    transition_ms : float
    """

    session_id: str
    order: int
    sound: str | None
    transition_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundEffect(Decided):
    """With a sound minus without.

    Attributes
    ----------
    sound : {"bell", "top"}
    decision : Decision
        In ms; below zero: quicker.
    sessions : int
    n, without : int
        Practice swings with it, and without.
    """

    sound: Sound
    decision: Decision
    sessions: int
    n: int
    without: int

    @property
    def quicker(self) -> bool:
        """Whether it is quicker with the sound beyond chance, and by more than doesn't matter."""
        return self.decision.high < 0.0 and self.decision.difference < -MARGIN_MS


def sound_effects(
    swings: Sequence[Sounded], *, prior: Prior | None = None, mount: str | None = None
) -> dict[Sound, SoundEffect | NotYet]:
    """Compare practice swings with a sound and without, of the same sessions.

    Parameters
    ----------
    swings : sequence of Sounded
        Of one player, club and place of the sensor, sessions in order of time.
    prior : Prior, optional
    mount : str, optional

    Returns
    -------
    dict of {"bell", "top"} to SoundEffect or NotYet
    """
    asked = {sound: _ask(swings, sound, prior or Prior(), mount) for sound in WITH}
    there = {sound: one for sound, one in asked.items() if isinstance(one, _Asked)}
    decided = decide_together(
        [(one.difference, one.parts, MARGIN_MS) for one in there.values()], level=LEVEL
    )
    out: dict[Sound, SoundEffect | NotYet] = {
        sound: one for sound, one in asked.items() if isinstance(one, NotYet)
    }
    for (sound, one), decision in zip(there.items(), decided, strict=True):
        out[sound] = SoundEffect(
            sound=sound,
            decision=decision,
            sessions=one.sessions,
            n=one.n,
            without=one.without,
        )
    return {sound: out[sound] for sound in WITH}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    difference: float
    parts: tuple[Part, ...]
    sessions: int
    n: int
    without: int


def _ask(
    swings: Sequence[Sounded], sound: Sound, prior: Prior, mount: str | None
) -> _Asked | NotYet:
    pairs: list[tuple[Cell, Cell]] = []
    best = 0
    for place, session in enumerate(dict.fromkeys(one.session_id for one in swings)):
        here = [one for one in swings if one.session_id == session]
        sides = [[s for s in here if s.sound == which] for which in ("none", WITH[sound])]
        best = max(best, min(len(side) for side in sides))
        if min(len(side) for side in sides) < LEAST:
            continue
        span = (float(min(s.order for s in here)), float(max(s.order for s in here)))
        cells = [_cell(side, session, float(place), span) for side in sides]
        pairs.append((cells[0], cells[1]))
    if not pairs:
        return NotYet.count(best, LEAST, "sounded")
    if len(pairs) < LEAST_SESSIONS:
        return NotYet.count(len(pairs), LEAST_SESSIONS, "sounded_sessions")
    known = variances_of(
        [[one for one, _ in pairs], [other for _, other in pairs]],
        MEASURE,
        prior=prior,
        mount=mount,
    )
    sure = [total(budget([(a, -1.0), (b, 1.0)], known, "days"))[0] for a, b in pairs]
    if not all(u > 0.0 for u in sure):
        return NotYet.of("no_spread")
    weights = np.array(sure) ** -2.0
    weights /= weights.sum()
    contrast = [
        (cell, sign * float(weight))
        for pair, weight in zip(pairs, weights, strict=True)
        for cell, sign in zip(pair, (-1.0, 1.0), strict=True)
    ]
    return _Asked(
        difference=sum(
            float(w) * (b.location - a.location) for (a, b), w in zip(pairs, weights, strict=True)
        ),
        parts=budget(contrast, known, "days"),
        sessions=len(pairs),
        n=sum(b.n for _, b in pairs),
        without=sum(a.n for a, _ in pairs),
    )


def _cell(side: Sequence[Sounded], session: str, place: float, span: tuple[float, float]) -> Cell:
    ordered = sorted(side, key=lambda one: one.order)
    made = cell_of(
        [one.transition_ms for one in ordered],
        session=session,
        kind="rehearsal",
        places=[one.order for one in ordered],
        span=span,
        sessions_place=place,
    )
    assert made is not None
    return made
