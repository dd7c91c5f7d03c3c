"""What changed over time, as an answer: since the drills began, or since the first sessions.

What is told, and when, is decided by `Evidence.held` and the rule for looks; here it is put into
the words that every screen has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.evidence.looks import FIRST_LOOK
from analysis.evidence.outcome import Outcome, Retention
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SessionChange, sessions_of
from library.answer import DIFFERENT, Said
from library.drill_outcome import kept_by_block, outcome_at
from library.errors import LibraryError
from library.evidence import Evidence
from library.since_baseline import FIRST, Held

_WORDS: Final[Mapping[str, tuple[Said, Said]]] = {
    "backswing_ms": (Said.SHORTER, Said.LONGER),
    "turn_deg": (Said.SMALLER, Said.BIGGER),
    "peak_rate_dps": (Said.SLOWER, Said.FASTER),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How one measure changed.

    Attributes
    ----------
    measure : str
    said : Said
    difference : float or None
        After minus before, in the measure's unit, as it was decided on.
    before, after : float or None
        Middles.
    own : float or None
        Middle of the player's own range, or of what was before where there is none: rotation is
        shown in per cent of it.
    low, high : float or None
        Ends of the difference, at the level that it was decided at.
    detectable : float or None
        The change that would show.
    """

    measure: str
    said: Said
    difference: float | None = None
    before: float | None = None
    after: float | None = None
    own: float | None = None
    low: float | None = None
    high: float | None = None
    detectable: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OverTime:
    """What changed of a player's swings with one club and one place of the sensor.

    Attributes
    ----------
    shots : bool
        Shots were compared, else practice swings; only those without sound.
    drilled : bool
        There was a drill: what was before the first one is the beginning.
    before, after : int
        Sessions of the beginning, and those since that were decided on.
    have, need : int or None
        Sessions there are, and how many are needed, where there are too few.
    changes : tuple of Change
    kept : bool or None
        Whether what changed was there without sound. None where nothing was drilled.
    """

    shots: bool
    drilled: bool
    before: int
    after: int
    have: int | None
    need: int | None
    changes: tuple[Change, ...]
    kept: bool | None

    @property
    def told(self) -> bool:
        """Whether anything surely changed."""
        return any(one.said in DIFFERENT for one in self.changes)


def main_kind(evidence: Evidence) -> str:
    """Return the kind of swing that more sessions have; shots where both have as many."""
    shots, practice = (
        {row.session_id for row in evidence.rows if row.kind == kind}
        for kind in ("strike", "rehearsal")
    )
    return "strike" if len(shots) >= len(practice) else "rehearsal"


def over_time(evidence: Evidence, kind: str | None = None) -> OverTime:
    """Say what changed of a kind of swing.

    Parameters
    ----------
    evidence : Evidence
    kind : {"strike", "rehearsal"}, optional
        By default that which more sessions have.
    """
    kind = kind or main_kind(evidence)
    first, since = evidence.before_and_after(kind)
    drilled = any(row.cued for row in evidence.rows)
    have = need = None
    if not first or len(since) < FIRST_LOOK:
        have, need = len(since), FIRST_LOOK
        if not drilled:
            have, need = have + len(first), need + FIRST
    held = evidence.held(kind)
    sides = [one.change for one in held if isinstance(one.change, SessionChange)]
    return OverTime(
        shots=kind == "strike",
        drilled=drilled,
        before=len(first),
        after=max((len(one.after) for one in sides), default=0),
        have=have,
        need=need,
        changes=tuple(_change(evidence, one) for one in held),
        kept=_kept(evidence) if drilled else None,
    )


def _change(evidence: Evidence, held: Held) -> Change:
    known = evidence.reference
    value = known.values.get(held.measure) if isinstance(known, Reference) else None
    found = held.change
    if not isinstance(found, SessionChange):
        own = None if value is None else value.middle
        return Change(measure=held.measure, said=Said.CANT_TELL, own=own)
    rows = [
        row
        for row in evidence.rows
        if row.kind == held.kind and not row.cued and row.session_id in found.before
    ]
    # As the change itself has it: the mean of the sessions' middles.
    middles = [
        one.cell.location
        for one in sessions_of(rows, held.measure)
        if len(one.values) >= evidence.params.least_set
    ]
    before = sum(middles) / len(middles)
    difference = found.decision.difference
    said = Said.CANT_TELL
    if found.outcome is Outcome.SAME:
        said = Said.AS_USUAL
    elif found.outcome is Outcome.DIFFERENT:
        said = _WORDS[held.measure][difference > 0.0]
    return Change(
        measure=held.measure,
        said=said,
        difference=difference,
        before=before,
        after=before + difference,
        own=before if value is None else value.middle,
        low=found.decision.low,
        high=found.decision.high,
        detectable=found.detectable,
    )


def _kept(evidence: Evidence) -> bool:
    """Tell whether what was drilled stays without sound.

    What changed is told from swings without sound alone, so it is there without it, unless the
    newest drill's own sets say that less was there without sound than with it.
    """
    drilled = [row.session_id for row in evidence.rows if row.cued]
    try:
        drill = outcome_at(evidence.library.path_of(drilled[-1]))
    except LibraryError:
        # The recording isn't where it was.
        return True
    told = [] if drill is None else kept_by_block(drill)
    return all(word is not Retention.NOT_RETAINED for _, _, word, _ in told)
