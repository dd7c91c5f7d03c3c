"""The kinds of a drill's blocks."""

from __future__ import annotations

from typing import Final, Literal

BlockKind = Literal["rehearsal", "ball", "silent", "retention"]

CUED: Final = ("rehearsal", "ball")
"""Blocks with a cue or feedback."""

QUIET: Final = ("silent", "retention")
"""Blocks without: no sounds and no numbers."""

BLOCKS: Final[tuple[BlockKind, ...]] = (*CUED, *QUIET)


SOUNDS: Final = ("rise", "bell", "none")
"""What sounds in a block where one thing sounds at a time, or nothing does."""


def block_sound(text: str | None) -> str | None:
    """Return what sounds in a block: "rise", "bell", or "none"; None where that isn't one thing.

    As in ``bell rehearsal``, or ``none rehearsal`` where nobody heard it. Swings that are free, or
    of a block without sound, have none.
    """
    words = (text or "").split()
    if drill_block(text) not in CUED:
        return "none"
    return words[0] if words[0] in SOUNDS else None


def drill_block(text: str | None) -> str | None:
    """Return the kind of a drill's block, as in ``2 silent``; None where swings were free."""
    words = (text or "").split()
    return words[-1] if words and words[-1] in BLOCKS else None
