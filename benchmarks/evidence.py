"""Evidence: are the intervals, words and moves right as often as they say?

Simulated players at the level of swing numbers: a session's own level (day and strapping on), a
drift through the session, neighbouring swings alike, heavy tails and odd swings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from analysis.evidence.association import association
from analysis.evidence.contrast import ball_effects
from analysis.evidence.head_speed import calibrate_head_speed, head_speed
from analysis.evidence.outcome import Outcome
from analysis.evidence.plan import PlanRules, Stage
from analysis.evidence.plan_standing import standing
from analysis.evidence.reading import ASPECTS, Reference, Word, make_reference, read
from analysis.evidence.spread import SessionData, SwingRow, ask_change
from analysis.evidence.told import NotYet
from benchmarks.report import table

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

SEEDS: Final = 985_000
QUICK_SEEDS: Final = 885_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """How a player's swings differ of themselves; all from memory, so only for this simulation."""

    middle: Mapping[str, float]
    within: Mapping[str, float]
    between: Mapping[str, float]
    rho: float = 0.2
    drift: float = 0.5
    """Standard deviation of half the change through a session, in spreads."""
    tail_df: float = 4.0
    odd: float = 0.02
    """Share of swings that are six spreads off."""


PLAYER: Final = Habit(
    middle={"swing_ms": 950.0, "backswing_ms": 700.0, "turn_deg": 140.0, "peak_rate_dps": 950.0},
    within={"swing_ms": 35.0, "backswing_ms": 30.0, "turn_deg": 5.0, "peak_rate_dps": 35.0},
    between={"swing_ms": 12.0, "backswing_ms": 10.0, "turn_deg": 2.5, "peak_rate_dps": 12.0},
)


HARD: Final = replace(PLAYER, rho=0.35, drift=0.8, odd=0.03)
"""Neighbouring swings more alike, twice the drift, more odd swings."""


def deviations(rng: np.random.Generator, shape: tuple[int, int], habit: Habit = PLAYER) -> Array:
    """Draw deviations in spreads, shape (series, swings), without the session's own level."""
    series, n = shape
    tail = habit.tail_df
    shock = rng.standard_t(tail, (series, n + 20)) / np.sqrt(tail / (tail - 2.0))
    alike: Array = lfilter([np.sqrt(1.0 - habit.rho**2)], [1.0, -habit.rho], shock)[:, 20:]
    drift = habit.drift * rng.standard_normal((series, 1)) * np.linspace(-1.0, 1.0, n)
    odd = (rng.random((series, n)) < habit.odd) * rng.choice([-6.0, 6.0], (series, n))
    out: Array = alike + drift + odd
    return out


def numbers(
    rng: np.random.Generator, n: int, shift: Mapping[str, Array | float] | None = None
) -> dict[str, Array]:
    """Draw a session's numbers."""
    names = tuple(PLAYER.middle)
    dev = deviations(rng, (len(names), n))
    return {
        name: PLAYER.middle[name]
        + (shift or {}).get(name, 0.0)
        + PLAYER.between[name] * rng.standard_normal()
        + PLAYER.within[name] * dev[k]
        for k, name in enumerate(names)
    }


def rows_of(
    session: str,
    values: Mapping[str, Array],
    kinds: Sequence[str],
    blocks: Sequence[str | None] | None = None,
) -> list[SwingRow]:
    """Make rows of a session's numbers."""
    return [
        SwingRow(
            swing_id=f"{session}#{k + 1}",
            session_id=session,
            order=k,
            player="Simulated",
            club="driver",
            mount="wrist",
            sensor="a",
            kind=kind,  # type: ignore[arg-type]
            block=None if blocks is None else blocks[k],
            values={name: float(v[k]) for name, v in values.items()},
        )
        for k, kind in enumerate(kinds)
    ]


def changes(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """False alarms between sessions and blocks of sessions, where nothing changed."""
    out = {}
    # (sessions before, after, of history), measures looked at together
    for name, sides, together in (
        ("one session and another, 5 before", (1, 1, 5), 1),
        ("one session and another, 3 before", (1, 1, 3), 1),
        ("two blocks of three sessions", (3, 3, 0), 1),
        ("four measures together, 5 before", (1, 1, 5), 4),
    ):
        alarms, told = 0, 0.0
        for _ in range(runs):
            false, power = 0, 0.0
            for _ in range(together):
                data = []
                for k in range(sum(sides)):
                    n = int(rng.integers(8, 31))
                    x = 950.0 + 12.0 * rng.standard_normal() + 35.0 * deviations(rng, (1, n))[0]
                    data.append(SessionData(session_id=str(k), values=x))
                a, b, _ = sides
                before, after, history = data[:a], data[a : a + b], data[a + b :]
                level = 1.0 - 0.05 / together
                asked = ask_change(before, after, history, measure="swing_ms")
                assert not isinstance(asked, NotYet)
                change = asked.decide(level)
                false += change.outcome is Outcome.DIFFERENT
                power += change.low + change.detectable > max(
                    0.0, change.margin - (change.high - change.low)
                )
            alarms += false > 0
            told += power / together
        out[name] = {"alarms": alarms / runs, "told": told / runs}
    return out


PATTERNS: Final = {
    "in blocks of five": np.repeat([0, 1, 0, 1], 5),
    "in twos": np.tile([0, 0, 1, 1], 5),
    "all rehearsals first": np.repeat([0, 1], 10),
}


def balls(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Coverage of strikes minus rehearsals at 10 + 10."""
    out = {}
    cases = [(name, pattern, PLAYER) for name, pattern in PATTERNS.items()]
    cases.append(("in blocks of five, a harder player", PATTERNS["in blocks of five"], HARD))
    for name, pattern, habit in cases:
        held = 0
        widths = []
        for _ in range(runs):
            truth = rng.uniform(-60.0, 60.0)
            x = 700.0 + 10.0 * rng.standard_normal() + 30.0 * deviations(rng, (1, 20), habit)[0]
            values = {"backswing_ms": x + truth * pattern}
            kinds = ["strike" if k else "rehearsal" for k in pattern]
            effect = ball_effects(rows_of("s", values, kinds), ("backswing_ms",))["backswing_ms"]
            assert not isinstance(effect, NotYet)
            held += truth in effect.difference
            widths.append(effect.difference.high - effect.difference.middle)
        out[name] = {"held": held / runs, "half_width_ms": float(np.median(widths))}
    return out


WORDS: Final = {
    ("time", 1): Word.LONGER,
    ("time", -1): Word.SHORTER,
    ("turn", 1): Word.FULLER,
    ("turn", -1): Word.LESS_FULL,
    ("speed", 1): Word.FASTER,
    ("speed", -1): Word.SLOWER,
}


def readings(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Words at a true difference of one and two detectable changes."""
    right: dict[tuple[str, int], int] = {}
    wrong: dict[tuple[str, int], int] = {}
    for run_number in range(runs):
        history = [
            row for k in range(5) for row in rows_of(f"h{k}", numbers(rng, 10), ["rehearsal"] * 10)
        ]
        reference = make_reference(history[:10], upper={"turn_deg": 1e6})
        plain = numbers(rng, 10)
        first = read(rows_of("new", plain, ["rehearsal"] * 10), reference, history)
        sign = 1 if run_number % 2 else -1
        for size in (1, 2):
            moved = dict(plain)
            for aspect in ASPECTS:
                word = getattr(first, aspect)
                moved[word.measure] = plain[word.measure] + sign * size * word.detectable
            now = read(rows_of("new", moved, ["rehearsal"] * 10), reference, history)
            for aspect in ASPECTS:
                word = getattr(now, aspect).word
                right[aspect, size] = right.get((aspect, size), 0) + (word is WORDS[aspect, sign])
                wrong[aspect, size] = wrong.get((aspect, size), 0) + (word is WORDS[aspect, -sign])
    return {
        aspect: {
            "one": right[aspect, 1] / runs,
            "two": right[aspect, 2] / runs,
            "wrong": (wrong[aspect, 1] + wrong[aspect, 2]) / (2 * runs),
        }
        for aspect in ASPECTS
    }


def related(rng: np.random.Generator, sessions: int, n: int) -> list[SwingRow]:
    """Draw time, turn and a rate that goes with both, differently from day to day."""
    out = []
    for k in range(sessions):
        dev = deviations(rng, (3, n))
        level = rng.standard_normal(3)
        turn = 140.0 + 2.5 * level[0] + 5.0 * dev[0]
        # Time goes with turn: a correlation of 0.6.
        time = 950.0 + 12.0 * level[1] + 0.6 * 7.0 * (turn - 140.0) + 0.8 * 35.0 * dev[1]
        own = 0.3 * (1.0 + 0.2 * rng.standard_normal())
        rate = 950.0 + 15.0 * level[2] + own * (time - 950.0) + 1.5 * (turn - 140.0)
        values = {"swing_ms": time, "turn_deg": turn, "peak_rate_dps": rate + 25.0 * dev[2]}
        out += rows_of(f"s{k}", values, ["strike"] * n)
    return out


def relations(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Coverage of slopes, alone and given another; and ranges found where there is nothing."""
    out = {}
    for sessions, n in ((1, 30), (4, 20), (8, 20)):
        held = {"rate with turn": 0, "rate with time, given turn": 0}
        for _ in range(runs):
            rows = related(rng, sessions, n)
            alone = association(rows, "peak_rate_dps", "turn_deg")
            given = association(rows, "peak_rate_dps", "swing_ms", ("turn_deg",))
            assert not isinstance(alone, NotYet)
            assert not isinstance(given, NotYet)
            held["rate with turn"] += 1.5 + 0.3 * 0.6 * 7.0 in alone.slope
            held["rate with time, given turn"] += 0.3 in given.slope
        for name, count in held.items():
            out[f"{name}: {sessions} x {n}"] = {"held": count / runs}
    return out


def speeds(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Coverage of calibrated head speeds on swings of a new session, and how often given."""
    held = given = asked = 0
    errors = []
    for _ in range(runs):
        rows = []
        truth = []
        for k in range(5):
            dev = deviations(rng, (1, 12))[0]
            rate = 950.0 + 60.0 * dev
            head = 42.0 + 0.04 * (rate - 950.0) + 0.5 * rng.standard_normal()
            head = head + 0.8 * rng.standard_normal(12)
            rows += rows_of(
                f"s{k}", {"peak_rate_dps": rate, "club_speed_m_s": head}, ["strike"] * 12
            )
            truth += head.tolist()
        line = calibrate_head_speed(rows[:48])
        for row, head in zip(rows[48:], truth[48:], strict=True):
            asked += 1
            said = head_speed(row, line)
            if not isinstance(said, NotYet):
                given += 1
                held += head in said
                errors.append(abs(said.middle - head))
    return {
        "held": held / given,
        "given": given / asked,
        "mean_error_m_s": float(np.mean(errors)),
    }


def _day(
    rng: np.random.Generator,
    session: str,
    parts: Sequence[tuple[str | None, str, float, float]],
) -> list[SwingRow]:
    """A session of ten swings a part: block, kind, share of time, share of turn."""
    n = 10 * len(parts)
    times = np.repeat([part[2] for part in parts], 10)
    turns = np.repeat([part[3] for part in parts], 10)
    shift = {
        "backswing_ms": (times - 1.0) * PLAYER.middle["backswing_ms"],
        "turn_deg": (turns - 1.0) * PLAYER.middle["turn_deg"],
    }
    return rows_of(
        session,
        numbers(rng, n, shift),
        [part[1] for part in parts for _ in range(10)],
        [part[0] for part in parts for _ in range(10)],
    )


def _course(
    rng: np.random.Generator,
    levels: Sequence[tuple[float, float]],
    *,
    strike: tuple[float, float],
    approved: float = 1.0,
    upper_deg: float | None = 160.0,
) -> tuple[list[SwingRow], dict[str, int], Reference]:
    """A course of sessions: baseline with a lesson, then retention, drill and silent test."""
    rows = _day(
        rng,
        "d0",
        [
            (None, "rehearsal", *levels[0]),
            ("rehearsal", "rehearsal", approved, approved),
            (None, "strike", *strike),
        ],
    )
    bounds = None if upper_deg is None else {"turn_deg": upper_deg}
    reference = make_reference(rows, [row.swing_id for row in rows[10:20]], upper=bounds)
    assert isinstance(reference, Reference)
    days = {"d0": 0}
    for k, level in enumerate(levels[1:], start=1):
        parts: list[tuple[str | None, str, float, float]] = []
        if k > 1:
            parts.append(("retention", "rehearsal", *level))
        parts += [("rehearsal", "rehearsal", *level), ("silent", "rehearsal", *level)]
        rows += _day(rng, f"d{k}", parts)
        days[f"d{k}"] = 2 * k
    return rows, days, reference


def _left_first_step(
    rows: Sequence[SwingRow], days: Mapping[str, int], reference: Reference
) -> int | None:
    """Session at which the plan moved a player on from its first step."""
    path = standing(rows, days, reference, today=max(days.values()), rules=PlanRules()).path
    return next((day // 2 for day, stage, _, _ in path if stage is Stage.BRISKER), None)


def plans(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Learners, those who are not ready, and overswingers."""
    moved = early = 0
    for _ in range(runs):
        ready = int(rng.integers(2, 7))
        start = rng.uniform(0.86, 0.92)
        levels = [(start + (1.0 - start) * min(k / ready, 1.0),) * 2 for k in range(ready + 4)]
        rows, days, reference = _course(rng, levels, strike=(0.9, 0.9))
        at = _left_first_step(rows, days, reference)
        moved += at is not None
        # Early: while still over half of the tenth short.
        early += at is not None and levels[at][0] < 0.95
    stayed = 0
    for _ in range(runs):
        which = int(rng.integers(3))
        level = (1.0 if which == 1 else 0.9, 1.0 if which == 0 else 0.9)
        rows, days, reference = _course(rng, [level] * 13, strike=(0.9, 0.9))
        stayed += _left_first_step(rows, days, reference) is None
    further = told = left = 0
    overs = max(10, runs // 5)
    for run_number in range(overs):
        over = float(rng.uniform(1.08, 1.25))
        # A bound that the coach set, or the one that the approved swings give.
        upper = 150.0 if run_number % 2 else None
        approved = float(rng.uniform(0.95, 1.06))
        rows, days, reference = _course(
            rng, [(1.0, over)] * 5, strike=(1.0, over), approved=approved, upper_deg=upper
        )
        order = list(days)
        stage = None
        for k in range(len(order)):
            seen = set(order[: k + 1])
            now = standing(
                [row for row in rows if row.session_id in seen],
                days,
                reference,
                today=days[order[k]],
            )
            stage = now.stage
            if now.drill is not None and now.drill.turn_target_deg is not None:
                told += 1
                further += now.drill.turn_target_deg > over * PLAYER.middle["turn_deg"]
        left += stage is Stage.NOT_LONGER
    return {
        "moved_within_3": moved / runs,
        "moved_early": early / runs,
        "stayed": stayed / runs,
        "told_further": further,
        "overswinger_drills": told,
        "overswinger_left": left / overs,
    }


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure everything; about two minutes, or a tenth of it for a quick look."""
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    runs = 120 if quick else 1200

    def rng(k: int) -> np.random.Generator:
        return np.random.default_rng(seed + k)

    from benchmarks import evidence_hard

    return {
        "runs": runs,
        "hard": evidence_hard.run(seed, runs // 2),
        "changes": changes(rng(0), runs),
        "balls": balls(rng(1), runs),
        "readings": readings(rng(2), runs // 2),
        "relations": relations(rng(3), runs // 2),
        "speeds": speeds(rng(4), runs // 4),
        "plans": plans(rng(5), runs // 4),
    }


def percent(value: float, low: float, high: float) -> str:
    """A share in per cent, bold where it misses its target."""
    text = f"{100.0 * value:.1f} %"
    return text if low <= value <= high else f"**{text}**"


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = []
    for name, got in result["changes"].items():
        lines.append([f"false alarms: {name}", "5 %", percent(got["alarms"], 0.0, 0.05)])
    told = [got["told"] for got in result["changes"].values()]
    lines.append(
        ["the stated detectable change, told (least)", "80 %", percent(min(told), 0.8, 1.0)]
    )
    for name, got in result["balls"].items():
        lines.append(
            [
                f"ball against none, 10 + 10 {name}: truth inside",
                "90 % and more",
                f"{percent(got['held'], 0.9, 1.0)} (± {got['half_width_ms']:.0f} ms)",
            ]
        )
    for aspect, got in result["readings"].items():
        lines += [
            [
                f"{aspect}: right word at one detectable change",
                "80 %",
                percent(got["one"], 0.8, 1),
            ],
            [f"{aspect}: ... at two", "97 %", percent(got["two"], 0.97, 1)],
            [f"{aspect}: wrong sign", "1 %", percent(got["wrong"], 0, 0.01)],
        ]
    for name, got in result["relations"].items():
        if "held" in got:
            lines.append([f"{name}: truth inside", "92-98 %", percent(got["held"], 0.92, 0.98)])
        else:
            lines.append([name, "5 %", percent(got["found"], 0, 0.05)])
    head = result["speeds"]
    lines.append(
        [
            "head speed of a new session: truth inside",
            "92-98 %",
            f"{percent(head['held'], 0.92, 0.98)} (given for {100 * head['given']:.0f} %)",
        ]
    )
    plan = result["plans"]
    lines += [
        [
            "plan: a learner moved on within 3 sessions of being ready",
            "90 %",
            percent(plan["moved_within_3"], 0.9, 1),
        ],
        ["plan: ... before 95 % of time and turn", "", f"{100 * plan['moved_early']:.1f} %"],
        [
            "plan: a tenth short in time, turn or both: never past step 1 in 12 sessions",
            "95 %",
            percent(plan["stayed"], 0.95, 1),
        ],
        [
            "plan: overswinger told to turn further",
            "0",
            f"{plan['told_further']} of {plan['overswinger_drills']} drills",
        ],
        ["plan: overswinger not sent longer", "", f"{100 * plan['overswinger_left']:.0f} %"],
    ]
    parts = ["### Evidence", table(["", "target", "measured"], lines)]
    if "hard" in result:
        from benchmarks import evidence_hard

        parts.append(evidence_hard.tables(result["hard"]))
    return "\n\n".join(parts)
