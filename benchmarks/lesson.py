"""A lesson: does its end say a word where there is one, and none of pupils who only tire?

Simulated pupils at the level of swing numbers, as in `benchmarks.evidence`. *Tired* ones change by
nothing but what a lesson brings by itself: a drift, neighbours alike, odd swings, and on top of it
turn and rotation that sink and times that shrink steadily, by `TIRING` scatters from the first
swing to the last; once with the usual habit, once with the hard one. *New* pupils have three
practice swings and three shots, first and last, with nothing before; their last are longer by
100 ms and bigger by 12 deg.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from analysis.evidence.felt import wilson
from analysis.evidence.lesson import first_against_last
from analysis.evidence.reading import Word
from analysis.evidence.spread import SwingRow
from benchmarks.evidence import HARD, PLAYER, Array, Habit, deviations, rows_of
from benchmarks.report import table

__all__ = ["run", "tables"]

SEEDS: Final = 997_000

TIRING: Final = 0.7
"""Scatters by which a tired pupil's swings get shorter, smaller and slower through a lesson."""

APART: Final[Mapping[str, float]] = {"backswing_ms": 100.0, "turn_deg": 12.0}
"""What a new pupil's last swings differ by."""

PRACTISED: Final = dataclasses.replace(
    PLAYER,
    within={"swing_ms": 21.0, "backswing_ms": 17.5, "turn_deg": 3.5, "peak_rate_dps": 28.0},
    rho=0.0,
    drift=0.0,
    odd=0.0,
    tail_df=200.0,
)
"""Scatter as that of the simulated players (`simulation.motion.habit`): 2.5 to 3 %, and nothing
else."""

SWING_U: Final = {"backswing_ms": 3.0, "turn_deg": 0.5, "peak_rate_dps": 3.0}

SAID: Final = frozenset(
    {Word.LONGER, Word.SHORTER, Word.FULLER, Word.LESS_FULL, Word.FASTER, Word.SLOWER}
)


def _session(
    rng: np.random.Generator,
    name: str,
    kinds: Sequence[str],
    habit: Habit,
    *,
    tiring: float = 0.0,
    moved: Mapping[str, Array] | None = None,
) -> list[SwingRow]:
    """One lesson's or session's swings; drift and tiring go through all of it."""
    n = len(kinds)
    dev = deviations(rng, (len(habit.middle), n), habit)
    values = {}
    for k, (measure, middle) in enumerate(habit.middle.items()):
        within = habit.within[measure]
        ball = 0.5 * within * np.array([kind == "strike" for kind in kinds])
        values[measure] = (
            middle
            + habit.between[measure] * rng.standard_normal()
            + ball
            + within * (dev[k] - tiring * np.linspace(0.0, 1.0, n))
            + (0.0 if moved is None else moved.get(measure, 0.0))
        )
    return [dataclasses.replace(row, u=SWING_U) for row in rows_of(name, values, kinds)]


def _kinds(each: int, between: int) -> list[str]:
    """Practice swings and shots: first, those in between, last."""
    part = ["rehearsal"] * each + ["strike"] * each
    return part + ["rehearsal", "strike"] * (between // 2) + part


def _words(
    rng: np.random.Generator, each: int, between: int, earlier: int, habit: Habit, **more: Any
) -> dict[str, Word]:
    kinds = _kinds(each, between)
    before = [
        _session(rng, f"before-{k}", ["rehearsal", "strike"] * 10, habit) for k in range(earlier)
    ]
    now = _session(rng, "now", kinds, habit, **more)
    side = 2 * each
    found = first_against_last(now[:side], now[-side:], now, before)
    return {aspect: one.word for aspect, one in found.items()}


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure."""
    runs = 200 if quick else 1000
    rng = np.random.default_rng(SEEDS + shift)
    out: dict[str, Any] = {"runs": runs, "tired": {}, "new": {}}
    for name, each, between, earlier in (
        ("3 and 3, nothing between, new", 3, 0, 0),
        ("3 and 3, 30 between, new", 3, 30, 0),
        ("5 and 5, 30 between, new", 5, 30, 0),
        ("5 and 5, 30 between, 4 before", 5, 30, 4),
    ):
        out["tired"][name] = [
            sum(
                bool(SAID & set(_words(rng, each, between, earlier, one, tiring=TIRING).values()))
                for _ in range(runs)
            )
            for one in (PLAYER, HARD)
        ]
    for name, habit in (("as the simulated players", PRACTISED), ("the usual habit", PLAYER)):
        both = one = wrong = 0
        last = np.repeat([0.0, 1.0], 6)
        for _ in range(runs):
            moved = {measure: by * last for measure, by in APART.items()}
            words = _words(rng, 3, 0, 0, habit, moved=moved)
            both += words.get("time") is Word.LONGER and words.get("turn") is Word.FULLER
            one += words.get("time") is Word.LONGER or words.get("turn") is Word.FULLER
            wrong += bool({Word.SHORTER, Word.LESS_FULL} & set(words.values()))
        out["new"][name] = {"both": both, "one": one, "wrong": wrong}
    return out


def tables(results: dict[str, Any]) -> str:
    """Make the tables of the report."""
    runs = results["runs"]

    def share(count: int) -> str:
        between = wilson(count, runs)
        low, high = 100.0 * between.low, 100.0 * between.high
        return f"{100.0 * count / runs:.1f} % ({low:.1f} to {high:.1f})"

    tired = table(
        ["pupils who only tire and drift", "any word, usual habit", "hard habit"],
        [[name, *map(share, counts)] for name, counts in results["tired"].items()],
    )
    new = table(
        [
            "new pupils, 100 ms and 12 deg apart; scatter",
            "both true words",
            "at least one",
            "a wrong one",
        ],
        [
            [name, *(share(one[k]) for k in ("both", "one", "wrong"))]
            for name, one in results["new"].items()
        ],
    )
    return f"{tired}\n\n{new}"
