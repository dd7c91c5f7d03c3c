"""The kinds of a drill's blocks."""

from __future__ import annotations

from typing import Final, Literal

BlockKind = Literal["rehearsal", "ball", "silent", "retention"]

CUED: Final = ("rehearsal", "ball")
"""Blocks with a cue or feedback."""

QUIET: Final = ("silent", "retention")
"""Blocks without: no sounds and no numbers."""

BLOCKS: Final[tuple[BlockKind, ...]] = (*CUED, *QUIET)


def drill_block(text: str | None) -> str | None:
    """Return the kind of a drill's block, as in ``2 silent``; None where swings were free."""
    words = (text or "").split()
    return words[-1] if words and words[-1] in BLOCKS else None
