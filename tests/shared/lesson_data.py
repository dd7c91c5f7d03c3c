"""A lesson in a library: swings whose differences are known, with a lesson's parts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from evidence_data import Block, add_session
from library_data import EVERY_S, RATE_HZ

from library.catalogue import Library
from library.lesson_record import LessonRecord
from library.players import now_utc

LESSON = (
    Block(n=4, strike=False),
    Block(n=4, strike=True),
    Block(n=6, strike=False),
    Block(n=4, strike=False, time=1.2, turn=1.15),
    Block(n=4, strike=True, time=1.2, turn=1.15),
)
BEGINS = {"first": 0, "drill": 8, "last": 14}
"""Swings before each part."""


def add_lesson(library: Library, folder: Path, number: int = 1, **options: Any) -> str:
    """Add a lesson; return its id."""
    session = add_session(library, folder, number, LESSON, **options)
    path = folder / f"session-{number}" / "markers.jsonl"
    lines = [
        {"kind": "lesson", "seq": round((EVERY_S * (n + 1) - 2.0) * RATE_HZ) if n else 0, "part": p}
        for p, n in BEGINS.items()
    ]
    path.parent.chmod(0o755)
    with path.open("a", encoding="utf-8") as file:
        file.writelines(json.dumps(line) + "\n" for line in lines)
    return session


def record(session: str, **more: Any) -> LessonRecord:
    """What is agreed at its end."""
    known = {"start": "2026-05-01T18:30:00+02:00", "club": "7 iron", "mount": "wrist"}
    return LessonRecord(session=session, **{**known, "at": now_utc(), **more})
