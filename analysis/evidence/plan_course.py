"""A player's course through a plan: the numbers of the swings so far, and where they have led."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from analysis.evidence.intervals import t_quantile
from analysis.evidence.parts import total
from analysis.evidence.plan import INTERVAL_LEVEL, TIME, TURN, Finding, PlanRules, Stage
from analysis.evidence.reading import Reference, ReferenceValue, difference_from
from analysis.evidence.spread import (
    EvidenceParams,
    Matters,
    SessionData,
    SwingRow,
    player_spread,
    sessions_of,
)
from analysis.evidence.told import NotYet, Statement
from analysis.evidence.variance import Variances

MOST_FOR_SPREAD: Final = 30
"""Sessions that the spread is told from, at most: the latest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Why a player isn't sent longer, and in which session it showed first.

    "reference": it lies in the reference itself. "strikes", "rehearsals": their turn was over the
    upper bound. "enough": strikes had the reference's turn and time already. `gone` counts the
    sessions running that no longer showed it.
    """

    kind: Literal["reference", "strikes", "rehearsals", "enough"]
    session: str
    seen: float = 0.0
    gone: int = 0


@dataclass(slots=True)
class State:
    """Where the sessions so far have led."""

    stage: Stage
    step: int = 0
    since: int = 0
    """Sessions from this index on count for the step."""
    why: Statement = field(default_factory=lambda: Statement.of("progression_begins"))
    findings: tuple[Finding, ...] = ()
    path: list[tuple[int, Stage, int, Statement]] = field(default_factory=list)
    base: tuple[str, ...] = ()
    """Sessions whose silent swings carried the last move: falls are seen from them."""
    before_stop: tuple[Stage, int] | None = None
    overridden: bool = False
    """The coach took it on: the plan no longer leaves by itself."""
    left: Left | None = None
    """What a player who isn't sent longer was left for; looked at again in later sessions."""

    def move(self, day: int, stage: Stage, step: int, since: int, why: Statement) -> None:
        self.stage, self.step, self.since, self.why = stage, step, since, why
        self.path.append((day, stage, step, why))


@dataclass(slots=True)
class Course:
    """The numbers: sets of swings against the reference and against earlier ones."""

    rows: Sequence[SwingRow]
    order: Sequence[str]
    reference: Reference | NotYet
    rules: PlanRules
    matters: Matters
    p: EvidenceParams
    days: Mapping[str, int]
    day_words: Callable[[int], str]
    place: dict[str, int] = field(init=False)
    sets: dict[tuple[bool, bool, str], list[SessionData]] = field(init=False, default_factory=dict)
    """Sessions by kind, whether only silent blocks, and measure: worked out once."""

    spreads: dict[tuple[int, bool, str], Variances | NotYet] = field(
        init=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        self.place = {s: k for k, s in enumerate(self.order)}

    def on(self, *sessions: str) -> str:
        """Write the days of some sessions."""
        days = dict.fromkeys(self.days[s] for s in sorted(sessions, key=lambda s: self.place[s]))
        return " and ".join(self.day_words(day) for day in days)

    def cued(self, i: int) -> bool:
        """Tell whether a session has cued swings."""
        return any(row.cued for row in self.rows if row.session_id == self.order[i])

    def has_reference(self) -> bool:
        """Tell whether there are a turn and a time to work at."""
        return self.value(TURN) is not None and self.value(TIME) is not None

    def before_progression(self, i: int | None = None) -> tuple[Stage, Statement]:
        """Baseline and reference: what is still missing after session ``i``."""
        q = self.rules
        last = len(self.order) if i is None else i + 1
        seen = set(self.order[:last])
        free = [row for row in self.rows if row.session_id in seen and not row.cued]
        counts = {k: sum(row.kind == k for row in free) for k in ("rehearsal", "strike")}
        lacking = tuple(
            NotYet.count(counts[kind], need, f"{kind}_baseline")
            for kind, need in (
                ("rehearsal", q.baseline_rehearsals),
                ("strike", q.baseline_strikes),
            )
            if counts[kind] < need
        )
        if lacking:
            return Stage.BASELINE, Statement.of("baseline_open", lacking=lacking)
        if isinstance(self.reference, NotYet):
            return Stage.REFERENCE, Statement.of("reference_open", why=self.reference)
        if TURN not in self.reference.values or TIME not in self.reference.values:
            return Stage.REFERENCE, Statement.of("reference_lacks")
        if self.reference.provisional and q.needs_approval:
            return Stage.REFERENCE, Statement.of("reference_provisional")
        return Stage.FULL_TURN, Statement.of("progression_begins")

    def value(self, measure: str) -> ReferenceValue | None:
        """Return the reference's value of a measure."""
        if isinstance(self.reference, NotYet):
            return None
        return self.reference.values.get(measure)

    def sessions(
        self, i: int, *, strikes: bool, silent_only: bool, measure: str
    ) -> list[SessionData]:
        """Uncued swings of one kind in the sessions up to ``i``, in order of time.

        Silent swings before a session's first cued ones are free swings, not a test of the drill.
        """
        key = (strikes, silent_only, measure)
        if key not in self.sets:
            first_cue: dict[str, int] = {}
            for row in self.rows:
                if row.cued:
                    at = min(row.order, first_cue.get(row.session_id, row.order))
                    first_cue[row.session_id] = at
            chosen = [
                row
                for row in self.rows
                if (row.kind == "strike") == strikes
                and not row.cued
                and (
                    not silent_only
                    or row.block == "retention"
                    or (row.block == "silent" and row.order >= first_cue.get(row.session_id, 0))
                )
            ]
            chosen.sort(key=lambda row: self.place[row.session_id])
            self.sets[key] = [
                s for s in sessions_of(chosen, measure) if len(s.values) >= self.p.least_set
            ]
        return [s for s in self.sets[key] if self.place[s.session_id] <= i]

    def spread(self, i: int, *, strikes: bool, measure: str) -> Variances | NotYet:
        """Spread of the player's uncued swings so far, of this kind and, beside it, the other."""
        key = (i, strikes, measure)
        if key not in self.spreads:
            groups = [
                self.sessions(i, strikes=kind, silent_only=False, measure=measure)[
                    -MOST_FOR_SPREAD:
                ]
                for kind in (strikes, not strikes)
            ]
            mount = self.rows[0].mount if self.rows else None
            self.spreads[key] = player_spread(groups, measure, self.p, mount=mount, moving=True)
        return self.spreads[key]

    def against(
        self, i: int, measure: str, used: Sequence[SessionData], needed: float, *, strikes: bool
    ) -> Finding | NotYet:
        """Does a measure lie over what is needed, by as much as the rule asks?"""
        value = self.value(measure)
        if value is None:
            return NotYet.of("not_in_reference")
        spread = self.spread(i, strikes=strikes, measure=measure)
        if isinstance(spread, NotYet):
            return spread
        delta, parts, _ = difference_from(value, used, spread)
        se, df = total(parts)
        seen = value.middle + delta
        sure = t_quantile(self.rules.confidence, df) * se
        half = half_width(se, df)
        return Finding(
            measure=measure,
            what=f"silent {'strikes' if strikes else 'rehearsals'}",
            value=seen,
            needed=needed,
            low=seen - half,
            high=seen + half,
            holds=seen - sure >= needed,
            swing_ids=tuple(x for s in used for x in s.swing_ids),
        )

    def target_ms(self, state: State) -> float | None:
        """Length of the backswing that the step works at."""
        value = self.value(TIME)
        if value is None:
            return None
        steps = state.step if state.stage is Stage.BRISKER else 0
        if state.stage in (Stage.BALL, Stage.KEEP):
            steps = self.rules.brisker_steps
        target = value.middle * (1.0 - self.rules.brisker_by * steps)
        top = self.rules.long_backswing_ms
        return min(target, top if value.upper is None else min(top, value.upper))


def half_width(se: float, df: float) -> float:
    """Half the width of an interval as it is shown."""
    return t_quantile(0.5 + INTERVAL_LEVEL / 2.0, df) * se
