"""How a drill ended is told from what the drill itself judged."""

from __future__ import annotations

import json
from pathlib import Path

from evidence_data import FREE as FREE_ONES
from evidence_data import Block, add_session, approve
from library_data import EVERY_S, RATE_HZ

from library.catalogue import Library
from library.drill_end import DrillEnd, drill_end
from library.evidence import evidence_in

SETS = (
    Block(n=8, strike=False),
    Block(n=3, strike=False, block="1 silent"),
    Block(n=4, strike=False, block="2 rehearsal"),
    Block(n=4, strike=False, block="3 silent"),
)
FREE = SETS[0].n


def drilled(library: Library, folder: Path, kept: dict[int, bool]) -> str:
    """Add a session whose drill judged such swings; return its id."""
    before = add_session(library, folder, 2, FREE_ONES, day="2026-04-20")
    approve(library, "Ida", [before])
    session = add_session(library, folder, 1, SETS)
    blocks = [one.block for one in SETS if one.block for _ in range(one.n)]
    path = folder / "session-1" / "markers.jsonl"
    lines = [
        {
            "kind": "drill_swing",
            "seq": round((EVERY_S * number + 3.0) * RATE_HZ),
            "swing": number,
            "block_kind": str(blocks[number - FREE - 1]).split()[1],
            "time": "enough" if one else "short",
            "turn": "full",
            "kept": one,
        }
        for number, one in kept.items()
    ]
    path.parent.chmod(0o755)
    with path.open("a", encoding="utf-8") as file:
        file.writelines(json.dumps(line) + "\n" for line in lines)
    return session


def end_of(library: Library, session: str) -> DrillEnd | None:
    (evidence,) = evidence_in(library, session)
    return drill_end(evidence, session)


def test_a_drill_that_judged_swings_is_never_told_from_others(tmp_path: Path) -> None:
    """Stopped after its second set, nothing was swung without sound after a sound."""
    with Library(tmp_path / "home") as library:
        bare = drilled(library, tmp_path, {})
        known = end_of(library, bare)
        # An older file, without the drill's own word: its sets are set against the own range.
        assert known is not None
        assert len(known.now.quiet) == 7
    with Library(tmp_path / "other") as library:
        (tmp_path / "files").mkdir()
        stopped = dict.fromkeys(range(9, 16), True) | {9: False, 12: False, 13: False, 14: False}
        assert end_of(library, drilled(library, tmp_path / "files", stopped)) is None


def test_a_swing_that_was_said_not_to_count_since_is_left_out(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        whole = dict.fromkeys(range(9, 20), True) | {17: False, 12: False}
        session = drilled(library, tmp_path, whole)
        end = end_of(library, session)
        assert end is not None
        assert end.now.quiet == [True, False, True, True]
        assert end.now.loud == [False, True, True, True]
        library.annotate(session, library.swing(session, number=17).seq, excluded="not that")
        end = end_of(library, session)
        assert end is not None
        assert end.now.quiet == [True, True, True]
