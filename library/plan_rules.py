"""The rules of a player's plan, as the coach changed them, and what was said of it."""

from __future__ import annotations

import dataclasses
from typing import Any

from analysis.evidence.plan import CoachWord, PlanRules, word_from_dict
from library.players import PlanRecord, Player


def names_of_rules() -> dict[str, str]:
    """Return the rules' names, and those that they are written under in the home and in JSON."""
    return {f.name: f.metadata.get("document", f.name) for f in dataclasses.fields(PlanRules)}


def rules_of(record: PlanRecord | None) -> PlanRules:
    """Return the rules of a plan, with what the coach changed."""
    changed = record.state.get("rules", {}) if record is not None else {}
    fitting: dict[str, Any] = {
        name: changed[written]
        for name, written in names_of_rules().items()
        if isinstance(changed.get(written), (bool, int, float))
    }
    return PlanRules(**fitting)


def words_of(player: Player, club: str | None, mount: str | None) -> list[CoachWord]:
    """Return what coach and player said of a plan, oldest first.

    Discomfort is the player's, not the club's: said of one plan it stops each, and where the coach
    starts one again, each goes on that was stopped by it.
    """
    said = sorted(
        (
            (str(event.get("at", "")), (plan.club, plan.mount) == (club, mount), event)
            for plan in player.plans
            for event in plan.history
            if "word" in event
        ),
        key=lambda one: one[0],
    )
    out: list[CoachWord] = []
    hurts = stopped = False
    for _, mine, event in said:
        word = word_from_dict(event)
        if mine:
            out.append(word)
            hurts = word.word == "discomfort" or (hurts and word.word == "stop")
            stopped = word.word == "stop" or (stopped and word.word == "discomfort")
        elif word.word == "discomfort":
            out.append(word)
            hurts = True
        elif hurts and word.word in ("resume", "move_to"):
            hurts = False
            out.append(CoachWord(day=word.day, word="resume", text=word.text))
            if stopped:
                # The coach has stopped this one for something else, too.
                out.append(CoachWord(day=word.day, word="stop"))
    return out
