"""Where the change of direction gets quicker with a sound: what the coach is told."""

from __future__ import annotations

from typing import Final

NAMES: Final = {"bell": "the full bell", "top": "the sound at the top"}


def quicker(*, sound: str, by_ms: float, n: int, sessions: int) -> str:
    """The change of direction is quicker with a sound."""
    return (
        f"The change of direction is quicker by {by_ms:.0f} ms with {NAMES[sound]}, in {n} "
        f"practice swings of {sessions} sessions. It can be left out."
    )


def left_out(sounds: tuple[str, ...]) -> str:
    """Which sounds are left out for a player."""
    return f"without {' and '.join(NAMES[sound] for sound in sounds)}"
