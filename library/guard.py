"""Does a player's change of direction get quicker with a sound? From the library's swings."""

from __future__ import annotations

from analysis.evidence.blocks import block_sound
from analysis.evidence.guard import Sound, Sounded, SoundEffect, sound_effects
from analysis.evidence.told import NotYet
from library.evidence import Evidence
from words import guard as say


def guard_of(evidence: Evidence) -> dict[Sound, SoundEffect | NotYet]:
    """Compare a player's practice swings with each sound and without it.

    Parameters
    ----------
    evidence : Evidence
    """
    counted = {row.swing_id for row in evidence.rows}
    table = evidence.library.swings(
        player=evidence.player.id,
        club=evidence.club,
        mount=evidence.mount,
        part=False,
        columns=("session", "number", "kind", "block", "transition_ms"),
        until_s=evidence.until_s,
        simulated=evidence.simulated,
    )
    swings = [
        Sounded(
            session_id=row["session"],
            order=int(row["number"]),
            sound=block_sound(row["block"]),
            transition_ms=float(row["transition_ms"]),
        )
        for row in table.rows()
        if row["kind"] == "rehearsal"
        and row["transition_ms"] is not None
        and f"{row['session']}#{row['number']}" in counted
    ]
    return sound_effects(swings, prior=evidence.params.prior, mount=evidence.mount)


def quicker_with(evidence: Evidence) -> dict[Sound, str]:
    """Return the sounds with which the change of direction is quicker, and what to say of each.

    Those that are left out for the player already aren't among them.
    """
    return {
        sound: say.quicker(
            sound=sound,
            by_ms=-found.decision.difference,
            n=found.n + found.without,
            sessions=found.sessions,
        )
        for sound, found in guard_of(evidence).items()
        if isinstance(found, SoundEffect)
        and found.quicker
        and sound not in evidence.player.limits.without
    }
