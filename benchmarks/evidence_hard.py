"""Evidence on hard cases: unchanged players, seasons, effects that differ by day, odd swings.

All at the level of swing numbers, for simulated players (`benchmarks.evidence.Habit`); what is
drawn is from memory. Beside each half-width stands that of an oracle who knows the variances.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from analysis.evidence.compare import Side, compare_sets
from analysis.evidence.contrast import ball_effects
from analysis.evidence.looks import CHANGE_LEVEL, last_look
from analysis.evidence.outcome import Outcome, decide_together
from analysis.evidence.plan import PlanRules, Stage
from analysis.evidence.plan_standing import standing
from analysis.evidence.reading import Reference, make_reference, read
from analysis.evidence.spread import SessionData, SwingRow, ask_change
from analysis.evidence.told import NotYet
from analysis.evidence.variance import inflation
from analysis.swing.results import Swing
from analysis.swing.uncertainty import SCALE, Part
from benchmarks.evidence import PLAYER, deviations, percent, rows_of
from benchmarks.report import table

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
BETWEEN: Final[Mapping[str, float]] = {
    "backswing_ms": 15.0,
    "turn_deg": 4.0,
    "peak_rate_dps": 24.0,
}
"""Standard deviation between days as it is stated (`prior.DAY_SPREADS`); the truth is drawn at
two thirds of it, as the simulated players have it, unless a case says else."""
OWN: Final = 2.0 / 3.0
SCALE_U: Final = 0.017
LEAN: Final = (0.85, 0.5, 0.17)
"""Share of the turn about each axis of the sensor, for one way of wearing it."""


# -- two sets --------------------------------------------------------------------------------------


_EMPTY: Final = {
    item.name: None
    for item in dataclasses.fields(Swing)
    if item.name not in ("notes", "budget", "scale_growth")
}


def _swing(index: int, values: Mapping[str, float], strike: bool, lean: Sequence[float]) -> Swing:
    fixed: dict[str, Any] = {
        **_EMPTY,
        "index": index,
        "gap_ms": 0.0,
        "clipped": (),
        "strike": strike,
        "impact_basis": "shock" if strike else "least_turn",
    }
    budget = {}
    growth = {}
    for name, value in values.items():
        own = 4.0 if name == "backswing_ms" else 0.007 * value
        parts = [Part("noise", own)]
        if name != "backswing_ms":
            parts.append(Part(SCALE, SCALE_U * value, "sensor"))
            growth[name] = tuple(value * share for share in lean)
        budget[name] = tuple(parts)
        fixed[name] = value
        fixed[f"{name}_u"] = float(np.sqrt(sum(part.u**2 for part in parts)))
    return Swing(**{**fixed, "budget": budget, "scale_growth": growth})


def _numbers(
    rng: np.random.Generator,
    pattern: npt.NDArray[np.intp],
    errors: Array,
    lean: Sequence[float],
) -> list[Swing]:
    """Swings of one session; ``errors`` are those of the scale of each axis."""
    n = len(pattern)
    values = {}
    for name in MEASURES:
        day = OWN * BETWEEN[name] * rng.standard_normal()
        x = PLAYER.middle[name] + day + PLAYER.within[name] * deviations(rng, (1, n))[0]
        if name != "backswing_ms":
            x = x * (1.0 + float(np.dot(np.square(lean), errors)))
        values[name] = x
    return [
        _swing(k + 1, {name: float(v[k]) for name, v in values.items()}, bool(pattern[k]), lean)
        for k in range(n)
    ]


def _sides(rng: np.random.Generator, case: str, n: int) -> tuple[Side, Side]:
    """Two sets of one player that are the same in truth."""
    errors = rng.uniform(-0.03, 0.03, 3)
    if case in ("blocks of five", "rehearsals first", "taking turns"):
        pattern = {
            "blocks of five": np.tile(np.repeat([0, 1], 5), n // 5)[: 2 * n],
            "rehearsals first": np.repeat([0, 1], n),
            "taking turns": np.tile([0, 1], n),
        }[case]
        swings = _numbers(rng, pattern, errors, LEAN)
        sides = [[s for s in swings if s.strike is kind] for kind in (False, True)]
        return (
            Side(swings=tuple(sides[0]), recording="a", sensor="s", mount="wrist"),
            Side(swings=tuple(sides[1]), recording="a", sensor="s", mount="wrist"),
        )
    other, sensor = LEAN, "s"
    if case == "sensor turned round":
        other = (LEAN[2], LEAN[1], LEAN[0])
    after = errors
    if case == "sensor replaced":
        sensor, after = "t", rng.uniform(-0.03, 0.03, 3)
    ones = np.ones(n, dtype=np.intp)
    return (
        Side(
            swings=tuple(_numbers(rng, ones, errors, LEAN)),
            recording="a",
            sensor="s",
            mount="wrist",
        ),
        Side(
            swings=tuple(_numbers(rng, ones, after, other)),
            recording="b",
            sensor=sensor,
            mount="wrist",
        ),
    )


UNCHANGED: Final = (
    "taking turns",
    "blocks of five",
    "rehearsals first",
    "two recordings",
    "sensor replaced",
    "sensor turned round",
)
SIZES: Final = (10, 20, 40)


def unchanged(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Any wrong "different" between two sets that are equal in truth, three measures together."""
    out = {}
    for case in UNCHANGED:
        for n in SIZES:
            wrong = 0
            for _ in range(runs):
                result = compare_sets(*_sides(rng, case, n), measures=MEASURES)
                wrong += any(row.outcome is Outcome.DIFFERENT for row in result.rows)
            out[f"{case}, {n} + {n}"] = wrong / runs
    return out


# -- intervals -------------------------------------------------------------------------------------


def _days(
    rng: np.random.Generator,
    sides: tuple[int, int],
    *,
    n: int = 10,
    scatter: float = 1.0,
    odd: float = PLAYER.odd,
    day: float = OWN,
) -> tuple[float, float, float]:
    """Backswing of two blocks of sessions: error of the difference, half-width and the oracle's."""
    habit = dataclasses.replace(PLAYER, odd=odd)
    data = []
    for k in range(sum(sides)):
        spread = 30.0 * (scatter if k >= sides[0] else 1.0)
        x = 700.0 + day * 15.0 * rng.standard_normal() + spread * deviations(rng, (1, n), habit)[0]
        data.append(SessionData(session_id=str(k), values=x))
    asked = ask_change(data[: sides[0]], data[sides[0] :], measure="backswing_ms")
    assert not isinstance(asked, NotYet)
    decision = asked.decide()
    share = sum(
        ((day * 15.0) ** 2 + (30.0 * s) ** 2 * _swing_var(odd) * inflation(PLAYER.rho, n) / n) / k
        for k, s in zip(sides, (1.0, scatter), strict=True)
    )
    return decision.difference, decision.high - decision.difference, 1.96 * float(np.sqrt(share))


def _swing_var(odd: float) -> float:
    """Variance of one swing in spreads, with the odd ones: what an oracle's mean would have."""
    return 1.0 + 36.0 * odd


def _ball(
    rng: np.random.Generator,
    sessions: int,
    counts: tuple[int, int],
    *,
    scatter: float = 1.0,
    differs: float = 0.0,
    odd: float = PLAYER.odd,
) -> tuple[float, float, float]:
    """Backswing of strikes minus rehearsals; ``scatter`` is the strikes', in rehearsals'."""
    habit = dataclasses.replace(PLAYER, odd=odd)
    rows: list[SwingRow] = []
    truth = rng.uniform(-60.0, 60.0)
    n = sum(counts)
    var = 0.0
    for k in range(sessions):
        pattern = rng.permutation(np.repeat([0, 1], counts))
        if counts[0] == counts[1]:
            pattern = np.tile(np.repeat([0, 1], 5), n // 10 + 1)[:n]
        effect = truth + differs * 30.0 * rng.standard_normal()
        spread = np.where(pattern == 1, 30.0 * scatter, 30.0)
        x = 700.0 + 10.0 * rng.standard_normal() + spread * deviations(rng, (1, n), habit)[0]
        kinds = ["strike" if one else "rehearsal" for one in pattern]
        rows += rows_of(f"s{k}", {"backswing_ms": x + effect * pattern}, kinds)
        weights = np.where(pattern == 1, 1.0 / counts[1], -1.0 / counts[0]) * spread
        apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        place = np.linspace(-1.0, 1.0, n)
        var += (differs * 30.0) ** 2
        var += float(weights @ (PLAYER.rho**apart) @ weights) * _swing_var(odd)
        var += (PLAYER.drift * float(weights @ place)) ** 2
    effect_found = ball_effects(rows, ("backswing_ms",))["backswing_ms"]
    assert not isinstance(effect_found, NotYet)
    found = effect_found.days or effect_found.decision
    if not differs and effect_found.scope == "today":
        found = effect_found.decision
    oracle = 1.96 * float(np.sqrt(var)) / sessions
    return found.difference - truth, found.high - found.difference, oracle


CELLS: Final[Mapping[str, Callable[[np.random.Generator], tuple[float, float, float]]]] = {
    "two sessions": lambda r: _days(r, (1, 1)),
    "two sessions, days as far apart as stated": lambda r: _days(r, (1, 1), day=1.0),
    "2 + 2 sessions": lambda r: _days(r, (2, 2), day=1.0),
    "5 + 5 sessions": lambda r: _days(r, (5, 5), day=1.0),
    "5 + 5 sessions, the later ones with 3 x the scatter": lambda r: _days(
        r, (5, 5), scatter=3.0, day=1.0
    ),
    "2 + 2 sessions, one odd swing in ten": lambda r: _days(r, (2, 2), odd=0.1, day=1.0),
    "ball: 10 + 10 in blocks of five": lambda r: _ball(r, 1, (10, 10)),
    "ball: 10 + 10, one odd swing in ten": lambda r: _ball(r, 1, (10, 10), odd=0.1),
    "ball: 30 rehearsals, 5 strikes of 3 x the scatter": lambda r: _ball(
        r, 1, (30, 5), scatter=3.0
    ),
    "ball: 2 sessions, effects differ by half a scatter": lambda r: _ball(
        r, 2, (10, 10), differs=0.5
    ),
    "ball: 5 sessions, effects differ by half a scatter": lambda r: _ball(
        r, 5, (10, 10), differs=0.5
    ),
    "ball: 10 sessions, effects differ by half a scatter": lambda r: _ball(
        r, 10, (10, 10), differs=0.5
    ),
    "ball: 3 sessions, effects differ by three quarters": lambda r: _ball(
        r, 3, (10, 10), differs=0.75
    ),
    **{
        f"ball: {n} session{'s' * (n > 1)}, effects differ by a whole scatter": (
            lambda r, n=n: _ball(r, n, (10, 10), differs=1.0)
        )
        for n in (1, 2, 3, 5, 10)
    },
}


def coverage(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Share of 95 % intervals that hold the truth, and their half-widths beside an oracle's."""
    out = {}
    for name, draw in CELLS.items():
        found = np.array([draw(rng) for _ in range(runs)])
        out[name] = {
            "held": float(np.mean(np.abs(found[:, 0]) <= found[:, 1])),
            "half": float(np.median(found[:, 1])),
            "oracle": float(np.median(found[:, 2])),
            "ratio": float(np.median(found[:, 1] / found[:, 2])),
        }
    return out


# -- seasons ---------------------------------------------------------------------------------------


def _season(
    rng: np.random.Generator, sessions: int, alike: float, change: float, n: int = 10
) -> dict[str, list[SessionData]]:
    """Three baseline sessions and those that follow; ``change`` in spreads between days."""
    out = {}
    for name in MEASURES:
        level = rng.standard_normal()
        data = []
        for k in range(3 + sessions):
            if k:
                fresh = rng.standard_normal()
                level = alike * level + float(np.sqrt(1.0 - alike**2)) * fresh
            x = PLAYER.middle[name] + BETWEEN[name] * (level + change * (k >= 3))
            x = x + PLAYER.within[name] * deviations(rng, (1, n))[0]
            data.append(SessionData(session_id=str(k), values=x))
            # Their order in time, for sessions that are alike.
            object.__setattr__(
                data[-1],
                "cell",
                dataclasses.replace(data[-1].cell, sessions_place=float(k)),
            )
        out[name] = data
    return out


def _told(data: Mapping[str, list[SessionData]], look: int) -> dict[str, Outcome]:
    """Words at a look, all measures together."""
    asked = {}
    for name, sessions in data.items():
        one = ask_change(sessions[:3], sessions[3 : 3 + look], measure=name)
        assert not isinstance(one, NotYet)
        asked[name] = (one.difference, one.parts, one.margin)
    found = decide_together(list(asked.values()), level=CHANGE_LEVEL)
    return {name: one.outcome for name, one in zip(asked, found, strict=True)}


def seasons(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Wrong words in twenty sessions without a change, and when a change is told."""
    out: dict[str, Any] = {}
    looks = sorted({look for k in range(1, 21) if (look := last_look(k)) is not None})
    for alike in (0.0, 0.3, 0.6):
        ever = 0
        at_a_look = 0
        for _ in range(runs):
            data = _season(rng, 20, alike, 0.0)
            wrong = [Outcome.DIFFERENT in _told(data, look).values() for look in looks]
            ever += any(wrong)
            at_a_look = max(at_a_look, 0) + sum(wrong)
        out[f"alike {alike:g}"] = {"season": ever / runs, "look": at_a_look / runs / len(looks)}
    told = dict.fromkeys(MEASURES, 0)
    for _ in range(runs):
        data = _season(rng, 4, 0.0, 3.0)
        by_now = [_told(data, look) for look in (2, 4)]
        for name in MEASURES:
            told[name] += any(words[name] is Outcome.DIFFERENT for words in by_now)
    out["told by the fourth session"] = {name: told[name] / runs for name in MEASURES}
    return out


def words(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Any wrong word of the three, of sessions that are like the reference."""
    wrong = 0
    for _ in range(runs):
        rows = []
        for k in range(5):
            values = {}
            for name in MEASURES:
                day = OWN * BETWEEN[name] * rng.standard_normal()
                values[name] = (
                    PLAYER.middle[name] + day + PLAYER.within[name] * deviations(rng, (1, 10))[0]
                )
            rows += rows_of(f"h{k}", values, ["rehearsal"] * 10)
        reference = make_reference(rows[:20], [row.swing_id for row in rows[:20]])
        now = read(rows[40:], reference, rows[:40])
        found = [one.decision for one in (now.time, now.turn, now.speed)]
        wrong += any(one is not None and one.outcome is Outcome.DIFFERENT for one in found)
    return {"any_wrong": wrong / runs}


# -- the plan --------------------------------------------------------------------------------------


def _course(
    rng: np.random.Generator, levels: Sequence[tuple[float, float]], speed: float = 1.0
) -> tuple[list[SwingRow], dict[str, int], Reference]:
    """A baseline session and practice: levels of time and turn as shares of the reference."""
    rows: list[SwingRow] = []
    days = {}
    for k, (time, turn) in enumerate(levels):
        blocks = (
            [(None, "rehearsal"), (None, "strike")]
            if k == 0
            else [("rehearsal", "rehearsal"), ("silent", "rehearsal")]
        )
        n = 10 * len(blocks)
        values = {}
        for name, share in zip(MEASURES, (time, turn, speed), strict=True):
            day = OWN * BETWEEN[name] * rng.standard_normal()
            x = PLAYER.middle[name] * (1.0 if k == 0 else share) + day
            values[name] = x + PLAYER.within[name] * deviations(rng, (1, n))[0]
        kinds = [kind for _, kind in blocks for _ in range(10)]
        if k == 0:
            # At a ball it is short, so that there is something to do.
            values["backswing_ms"][10:] -= 70.0
            values["turn_deg"][10:] -= 14.0
        rows += rows_of(f"d{k}", values, kinds, [block for block, _ in blocks for _ in range(10)])
        days[f"d{k}"] = 2 * k
    reference = make_reference(rows, [row.swing_id for row in rows[:10]], upper={"turn_deg": 175.0})
    assert isinstance(reference, Reference)
    return rows, days, reference


def _path(course: tuple[list[SwingRow], dict[str, int], Reference]) -> list[tuple[int, Stage]]:
    rows, days, reference = course
    path = standing(rows, days, reference, today=max(days.values())).path
    return [(day // 2, stage) for day, stage, _, _ in path]


def plans(rng: np.random.Generator, runs: int) -> dict[str, Any]:
    """Moved on by how near the limit a player is, and stepped back without a loss."""
    out: dict[str, Any] = {}
    share = PlanRules().turn_share
    for level in (0.93, 0.96, 1.0, 1.04):
        at = share * level
        within_4 = within_12 = stopped = 0
        for _ in range(runs):
            path = _path(_course(rng, [(at, at)] * 13))
            moved = next((k for k, stage in path if stage is Stage.BRISKER), None)
            within_4 += moved is not None and moved <= 4
            within_12 += moved is not None
            stopped += any(stage is Stage.NOT_LONGER for _, stage in path)
        out[f"{level:g}"] = {
            "within_4": within_4 / runs,
            "within_12": within_12 / runs,
            "stopped": stopped / runs,
        }
    back = moved_on = 0
    for _ in range(runs):
        # Full in the first sessions; then 12 more at the same level, brisker by a step.
        levels = [(1.0, 1.0)] * 6 + [(0.95, 1.0)] * 12
        path = _path(_course(rng, levels))
        first = next((j for j, (_, stage) in enumerate(path) if stage is Stage.BRISKER), None)
        if first is None:
            continue
        moved_on += 1
        back += any(stage is Stage.FULL_TURN for _, stage in path[first + 1 :])
    out["stepped_back"] = back / max(moved_on, 1)
    return out


# -- all -------------------------------------------------------------------------------------------


def run(seed: int, runs: int) -> dict[str, Any]:
    """Measure all hard cases."""

    def rng(k: int) -> np.random.Generator:
        return np.random.default_rng([seed, 77, k])

    return {
        "unchanged": unchanged(rng(0), runs),
        "coverage": coverage(rng(1), runs),
        "seasons": seasons(rng(2), max(20, runs // 2)),
        "words": words(rng(3), runs),
        "plans": plans(rng(4), max(20, runs // 4)),
    }


def tables(result: Mapping[str, Any]) -> str:
    """Markdown: the hard table, in simulation."""
    lines = [
        [f"nothing different: {name}", "5 %", percent(got, 0.0, 0.05)]
        for name, got in result["unchanged"].items()
    ]
    lines.append(
        [
            "any wrong word of three about a session like the reference",
            "5 %",
            percent(result["words"]["any_wrong"], 0.0, 0.05),
        ]
    )
    for name, got in result["seasons"].items():
        if name.startswith("alike"):
            shown = (0.0, 1.0) if name.endswith("0.6") else (0.0, 0.1)
            lines.append(
                [
                    f"unchanged, sessions {name}: any wrong word at a look, in 20 sessions",
                    "5 %, 10 %" if shown[1] < 1.0 else "",
                    f"{percent(got['look'], 0.0, 0.05 if shown[1] < 1.0 else 1.0)}, "
                    f"{percent(got['season'], *shown)}",
                ]
            )
    for name, got in result["seasons"]["told by the fourth session"].items():
        lines.append(
            [f"a change of 3 spreads between days told by session 4: {name}", "67 %",
             percent(got, 2.0 / 3.0, 1.0)]
        )  # fmt: skip
    plan = result["plans"]
    for level in ("0.93", "0.96", "1", "1.04"):
        got = plan[level]
        lines.append(
            [
                f"plan: at {level} of what is asked, moved on within 4 and 12 sessions",
                {"0.93": "10 % in 12", "1.04": "80 % in 4"}.get(level, ""),
                f"{percent(got['within_4'], 0.8 if level == '1.04' else 0.0, 1.0)}, "
                f"{percent(got['within_12'], 0.0, 0.1 if level == '0.93' else 1.0)}",
            ]
        )
    lines.append(
        [
            "plan: a step back without a loss in 12 sessions",
            "10 %",
            percent(plan["stepped_back"], 0.0, 0.1),
        ]
    )
    held = [got["held"] for got in result["coverage"].values()]
    ratios = [got["ratio"] for got in result["coverage"].values()]
    cells = [
        [name, percent(got["held"], 0.9, 1.0), f"± {got['half']:.0f} ms",
         f"± {got['oracle']:.0f} ms", f"{got['ratio']:.2f}"]
        for name, got in result["coverage"].items()
    ]  # fmt: skip
    cells.append(
        ["mean over cells; median", percent(float(np.mean(held)), 0.94, 0.97), "", "",
         f"{float(np.median(ratios)):.2f}"]
    )  # fmt: skip
    return "\n\n".join(
        [
            "### Evidence, hard cases (in simulation)",
            table(["", "target", "measured"], lines),
            table(
                ["95 % intervals", "holds (no cell under 90 %)", "half", "oracle", "ratio"], cells
            ),
        ]
    )
