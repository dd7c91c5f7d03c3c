"""Answers: does a screen's headline name what differs most, and nothing where nothing does?

Simulated players at the level of swing numbers, as in `benchmarks.evidence`: a session of practice
swings and shots in turns of five, of which one has three earlier ones and one has none. Where a
session is changed, one aspect of the shots is moved by most, in the player's own scatter, and the
two others by less.
"""

from __future__ import annotations

import dataclasses
import uuid
from types import SimpleNamespace
from typing import Any, Final

import numpy as np

from analysis.evidence.felt import wilson
from analysis.evidence.spread import EvidenceParams, SwingRow
from benchmarks.evidence import PLAYER, numbers, rows_of
from benchmarks.report import table
from library.answer import MEASURES, answer_of_session
from library.evidence import Evidence
from library.players import Player

__all__ = ["run", "tables"]

SEEDS: Final = 995_000
PATTERN: Final = np.repeat([0, 1, 0, 1], 5)
"""Practice swings and shots in turns of five: ten of each."""

SWING_U: Final = {"backswing_ms": 3.0, "turn_deg": 0.5, "peak_rate_dps": 3.0}

MOST: Final = 3.5
"""Scatters by which the shots differ in the aspect that differs most: 0.10 s, 17 deg, 120 deg/s."""
OTHERS: Final = (0.0, 1.5)
"""From where to where the others differ, in scatters."""


class _NoLibrary:
    """What is asked of a library here: when a session was."""

    def session(self, _session_id: str) -> SimpleNamespace:
        return SimpleNamespace(start="2026-05-01T18:30:00+02:00")


class Bare(Evidence):
    """Evidence of swings that are in no library."""

    def __init__(self, rows: list[SwingRow]) -> None:
        super().__init__(
            _NoLibrary(),  # type: ignore[arg-type]
            Player(id=str(uuid.UUID(int=0)), name="Simulated"),
            club="driver",
            mount="wrist",
            params=EvidenceParams(),
        )
        self.__dict__["rows"] = rows
        self.days = {
            name: 700_000 + k
            for k, name in enumerate(dict.fromkeys(row.session_id for row in rows))
        }


def _session(rng: np.random.Generator, name: str, moved: dict[str, float]) -> list[SwingRow]:
    kinds = ["strike" if one else "rehearsal" for one in PATTERN]
    values = numbers(rng, len(PATTERN))
    for measure, by in moved.items():
        values[measure] = values[measure] + by * PLAYER.within[measure] * PATTERN
    return [dataclasses.replace(row, u=SWING_U) for row in rows_of(name, values, kinds)]


def _one(rng: np.random.Generator, earlier: int, changed: bool) -> tuple[str, str | None]:
    """Return what differs most in truth, and what the headline names."""
    names = list(MEASURES)
    first = names[int(rng.integers(len(names)))]
    moved = {}
    if changed:
        for name in names:
            size = MOST if name == first else rng.uniform(*OTHERS)
            moved[MEASURES[name]] = size * rng.choice([-1.0, 1.0])
    rows = [row for k in range(earlier) for row in _session(rng, f"before-{k}", moved)]
    rows += _session(rng, "now", moved)
    answer = answer_of_session(Bare(rows), "now")
    said = answer.first
    return first, None if said is None else said.aspect


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure."""
    runs = 60 if quick else 400
    rng = np.random.default_rng(SEEDS + shift)
    out: dict[str, Any] = {"runs": runs}
    for earlier in (0, 3):
        right = sum(a == b for a, b in (_one(rng, earlier, True) for _ in range(runs)))
        quiet = sum(b is None for _, b in (_one(rng, earlier, False) for _ in range(runs)))
        out[str(earlier)] = {"right": right, "quiet": quiet}
    return out


def tables(results: dict[str, Any]) -> str:
    """Make the table of the report."""
    runs = results["runs"]

    def share(count: int) -> str:
        between = wilson(count, runs)
        low, high = 100.0 * between.low, 100.0 * between.high
        return f"{100.0 * count / runs:.1f} % ({low:.1f} to {high:.1f})"

    lines = [
        [name, share(results[key]["right"]), share(results[key]["quiet"])]
        for key, name in (("0", "a first session"), ("3", "with three before"))
    ]
    head = [
        "ten practice swings, ten shots",
        "changed: names what differs most",
        "unchanged: names nothing",
    ]
    return table(head, lines)
