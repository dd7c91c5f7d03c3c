"""What a drill starts from: its reference and its plan, of what is asked and what is known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from unhurried.app.drill_checks import known_player, plan_remarks, retention_remark
from unhurried.app.drill_sets import allowed_today, sets_of, turns_past_full
from unhurried.app.errors import OptionsError
from unhurried.app.references import middle, no_reference, own_reference

if TYPE_CHECKING:
    from analysis.evidence.plan import PlanRules
    from feedback.drill_plan import DrillPlan
    from library.allowed import Allowed
    from library.players import ReferenceRecord
    from review.page.requests import DrillRequest, SessionRequest
    from unhurried.app.drill_run import DrillRun


@dataclass(frozen=True, slots=True)
class ReadyDrill:
    """A drill that can begin.

    Attributes
    ----------
    asked : SessionRequest
    plan : DrillPlan
    remarks : tuple of str
        What the player's plan has against it.
    told : tuple of str
        What there is to say of its reference.
    """

    asked: SessionRequest
    plan: DrillPlan
    remarks: tuple[str, ...]
    told: tuple[str, ...]

    def run(
        self, home: Path, *, output: str | None, level: float
    ) -> tuple[DrillRun, bool, str | None]:
        """Open the sound and set the drill up.

        Returns
        -------
        DrillRun
        bool
            The output's delay was measured.
        str or None
            Why it is silent, where that wasn't asked for.
        """
        from feedback.drill import Drill
        from feedback.outputs import open_output
        from unhurried.app.drill_run import DrillRun
        from unhurried.app.sound import delays, late_words, too_soft

        measured: list[str] = []
        sound, why = open_output(output, level=level, delay_of=delays(home, measured))
        asked = self.asked.drill
        assert asked is not None
        drill = Drill(replace(self.plan, check=asked.check))
        drill.too_soft = too_soft(level)
        run = DrillRun(drill, sound, mount=self.asked.mount, hand=self.asked.hand, ball=asked.ball)
        late = late_words(sound, measured=sound.name in measured)
        drill.fast = late is None
        run.remarks = (*self.remarks, *([] if late is None else [late]))
        return run, sound.name in measured, why


def ready_drill(home: Path, asked: SessionRequest, *, made: int = 0) -> ReadyDrill:
    """Make a drill of what is asked for and what the library knows of the player.

    Parameters
    ----------
    home : Path
    asked : SessionRequest
        Its `player_id` says whom the library is asked about.
    made : int
        Swings of today that the library doesn't know yet.

    Raises
    ------
    CommandError
        The player's plan is stopped, or it isn't clear which reference is meant.
    OptionsError
        What is asked for doesn't go together.
    ReviewError
        The library cannot be used.
    """
    from feedback.drill_plan import ENDS_BEYOND, DrillPlan
    from feedback.errors import DrillError

    drill = asked.drill
    assert drill is not None
    who = known_player(home, asked.player_id) if asked.player_id else None
    # A plan that is stopped refuses here, before anything is made.
    remarks = [] if who is None else plan_remarks(home, who, asked.club, asked.mount)
    if (remark := retention_remark(home, who, drill.blocks)) is not None:
        remarks.append(remark)
    known = None if who is None else allowed_today(home, who.id, made)
    past_full = (
        who is not None and drill.usual and turns_past_full(home, who.id, asked.club, asked.mount)
    )
    sets, told = sets_of(drill, who, known, past_full=past_full)
    own = rules = None
    if who is not None:
        own = own_reference(home, who.id, asked.club, asked.mount)
        rules = _rules(home, who.id, asked, own)
        if own is None and (drill.backswing_ms is None or drill.full_turn_deg is None):
            told.append(
                f"{no_reference(home, who.id, asked.club, asked.mount)}: what isn't given comes "
                "from the first three swings"
            )
        elif own is not None and own.provisional:
            told.append(
                "no coach has approved model swings yet: free practice swings take their place"
            )
    options: dict[str, Any] = {"schedule": drill.schedule, "cue_on": drill.cue_on}
    if known is not None and known.limits.any:
        told.append(f"the coach's limits: {known.limits.words}")
    try:
        plan = DrillPlan(
            blocks=sets,
            reference=_reference(drill, own, rules, known),
            rest_s=drill.rest_s,
            felt_every=_felt_every(drill),
            backswings_ms=drill.backswings_ms,
            ends_beyond=ENDS_BEYOND,
            without=frozenset() if known is None else frozenset(known.limits.without),
            **options,
        )
    except DrillError as error:
        raise OptionsError(str(error)) from error
    return ReadyDrill(asked, plan, tuple(remarks), tuple(told))


def _felt_every(drill: DrillRequest) -> int:
    if drill.felt is not None:
        return int(drill.felt)
    return 3 if drill.schedule == "bell" else 0


def _rules(
    home: Path, player: str, asked: SessionRequest, own: ReferenceRecord | None
) -> PlanRules:
    """Return the rules of the plan that a drill belongs to; the usual ones where it has none."""
    from library.plan_rules import rules_of
    from library.players import Registry

    club, mount = (asked.club, asked.mount) if own is None else (own.club, own.mount)
    fitting = [
        plan
        for plan in Registry(home).find(player).plans
        if club in (None, plan.club) and mount in (None, plan.mount)
    ]
    return rules_of(fitting[0] if len(fitting) == 1 else None)


def _reference(
    drill: DrillRequest,
    own: ReferenceRecord | None,
    rules: PlanRules | None,
    known: Allowed | None,
) -> Any:
    """Put together what is asked for and what the player's own reference says."""
    from feedback.drill_plan import DrillReference

    full, upper, share = drill.full_turn_deg, drill.upper_turn_deg, drill.share
    bounds = None if own is None else own.bounds.get("turn_deg")
    # A limit is a share of the player's own full turn, where that is known.
    base = middle(own, "turn_deg") or full
    if full is None and bounds is not None:
        full = 0.5 * (bounds[0] + bounds[1])
        upper = bounds[1] if upper is None else upper
        # The coach's lower bound is where a turn begins to be full.
        share = bounds[0] / full if share is None else share
    if known is not None and full is not None:
        most, past = known.turn(base, upper)
        full, upper = min(full, most or full), past
    own_ms = middle(own, "backswing_ms")
    times = None
    if own is not None and drill.backswing_ms is None:
        times = own.bounds.get("backswing_ms")
    # Whoever gives the upper end, or limits it, has said where full ends.
    full_end = own is None or not own.provisional or bounds is None or upper != bounds[1]
    return DrillReference(
        backswing_ms=own_ms if drill.backswing_ms is None else drill.backswing_ms,
        full_turn_deg=full,
        upper_turn_deg=upper,
        swing_ms=middle(own, "swing_ms"),
        peak_rate_dps=middle(own, "peak_rate_dps"),
        least_backswing_ms=None if times is None else times[0],
        full_end=full_end,
        **({} if share is None else {"share": max(0.3, share)}),
        **({} if rules is None else {"time_share": rules.time_share}),
    )
