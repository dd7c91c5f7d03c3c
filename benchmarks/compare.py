"""How often a comparison is right, on simulated swings whose true difference is known.

Pairs: the same movement recorded twice (equal in truth; what differs is sway, noise, sampling and,
for half of them, the sensor), and two swings of one player (a true difference that is known). Sets:
swings of one player split in two at random (equal in truth), and of a player with two habits.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from analysis import Swing, SwingFinder, to_seconds
from analysis.evidence.compare import COMPARED, Comparison, Side, compare_sets, compare_swings
from benchmarks.report import table
from simulation.motion.action import MODELS, MOUNTS, Action, Model, Mount, SwingTruth
from simulation.motion.draw import random_swing
from simulation.motion.habit import Habit, Player
from simulation.sessions import grid_rate_hz, simulate_swing

__all__ = ["run", "tables"]

SEEDS = 940_000
"""First seed: these are never looked at while developing."""

QUICK_SEEDS = 995_000
RATES_HZ = (200.0, 400.0)
SET_SIZES = ((3, 3), (5, 5), (5, 8), (10, 10))
SPLITS = 25
"""Random sets taken from the swings of one player."""

Pair = tuple[Swing, SwingTruth]

# A difference counts as "what can be told" from there to a little more.
TELLABLE_BAND = (1.0, 1.3)

ALONE = 1.96 + 0.84
"""Of the standard uncertainty of a difference: what one measure, judged alone, can tell 80 % of the
time, were the uncertainty known exactly and the error normal."""


def true_value(truth: SwingTruth, measure: str) -> float | None:
    """The true number of a measure."""
    if measure == "backswing_ms":
        return 1e3 * (truth.top_s - truth.takeaway_s)
    if measure in ("swing_ms", "downswing_ms", "tempo_ratio"):
        if truth.impact_s is None:
            return None
        down = truth.impact_s - truth.top_s
        return {
            "swing_ms": 1e3 * (truth.impact_s - truth.takeaway_s),
            "downswing_ms": 1e3 * down,
            "tempo_ratio": (truth.top_s - truth.takeaway_s) / down,
        }[measure]
    value: float | None = getattr(truth, measure)
    return value


def measured(
    rng: np.random.Generator,
    action: Action,
    *,
    model: Model,
    mount: Mount,
    rate_hz: float,
    scale_error: bool,
) -> Pair | None:
    """Record a movement and measure it; None where not exactly one swing is found."""
    made = simulate_swing(
        rng, model=model, mount=mount, rate_hz=rate_hz, scale_error=scale_error, action=action
    )
    finder = SwingFinder(
        rate_hz=made.nominal_rate_hz,
        mount=made.mount,
        gyr_range_dps=made.gyr_range_dps,
        acc_range_g=made.acc_range_g,
        gyr_delay_s=made.gyr_delay_s,
        acc_delay_s=made.acc_delay_s,
    )
    found = finder.feed(made.seq, made.acc_m_s2, made.gyr_dps) + finder.flush()
    if len(found) != 1 or len(made.truth) != 1:
        return None
    swing = to_seconds(
        found[0],
        lambda seq: seq / made.true_rate_hz,
        index=1,
        period_s=1.0 / made.true_rate_hz,
        period_u_s=0.0,
        nominal_rate_hz=made.nominal_rate_hz,
    )
    return swing, made.truth[0]


def _side(pairs: Sequence[Pair], recording: str, mount: Mount) -> Side:
    return Side(swings=tuple(swing for swing, _ in pairs), recording=recording, mount=mount)


class _Tally:
    """Counts of one kind of comparison."""

    def __init__(self) -> None:
        self.comparisons = self.any_wrong = self.any_wrong_alone = 0
        self.null: dict[str, list[int]] = {name: [0, 0, 0] for name in COMPARED}
        self.power: dict[str, list[int]] = {name: [0, 0, 0] for name in COMPARED}
        self.held: dict[str, list[int]] = {name: [0, 0] for name in COMPARED}
        self.alone_wrong: dict[str, list[int]] = {name: [0, 0] for name in COMPARED}
        self.alone_told: dict[str, list[int]] = {name: [0, 0] for name in COMPARED}

    def equal(self, result: Comparison) -> None:
        """Take a comparison of what is equal in truth."""
        self.comparisons += 1
        judged = [row for row in result.rows if row.outcome is not None]
        self.any_wrong += any(row.outcome == "different" for row in judged)
        self.any_wrong_alone += any(row.p is not None and row.p <= 0.05 for row in judged)
        for row in judged:
            counts = self.null[row.measure]
            counts[0] += 1
            counts[1] += row.outcome == "different"
            counts[2] += row.outcome == "same"
            assert row.low is not None
            assert row.high is not None
            held = self.held[row.measure]
            held[0] += 1
            held[1] += row.low <= 0.0 <= row.high
            alone = self.alone_wrong[row.measure]
            alone[0] += 1
            alone[1] += row.p is not None and row.p <= 0.05

    def differs(self, result: Comparison, true: dict[str, float]) -> None:
        """Take a comparison whose true differences are known."""
        for row in result.rows:
            if row.outcome is None or row.measure not in true:
                continue
            assert row.low is not None
            assert row.high is not None
            assert row.detectable is not None
            assert row.difference is not None
            assert row.u is not None
            assert row.p is not None
            if TELLABLE_BAND[0] <= abs(true[row.measure]) / (ALONE * row.u) <= TELLABLE_BAND[1]:
                alone = self.alone_told[row.measure]
                alone[0] += 1
                alone[1] += row.p <= 0.05
            size = abs(true[row.measure]) / row.detectable
            if TELLABLE_BAND[0] <= size <= TELLABLE_BAND[1]:
                right = row.difference * true[row.measure] > 0.0
                counts = self.power[row.measure]
                counts[0] += 1
                counts[1] += row.outcome == "different" and right
                counts[2] += row.outcome == "different" and not right

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers."""
        told = [sum(counts[k] for counts in self.power.values()) for k in range(3)]
        return {
            "comparisons": self.comparisons,
            "any_wrong": self.any_wrong,
            "any_wrong_alone": self.any_wrong_alone,
            "null": self.null,
            "held": self.held,
            "power": self.power,
            "alone_wrong": self.alone_wrong,
            "alone_told": self.alone_told,
            "told": told,
        }


def _true_differences(a: Sequence[Pair], b: Sequence[Pair]) -> dict[str, float]:
    """Differences of the true means, of measures that all swings have."""
    out = {}
    for measure in COMPARED:
        values = [[true_value(truth, measure) for _, truth in side] for side in (a, b)]
        if all(x is not None for side in values for x in side):
            one, other = (np.mean([x for x in side if x is not None]) for side in values)
            out[measure] = float(other - one)
    return out


def _cells() -> Iterator[tuple[Model, Mount, bool]]:
    return itertools.product(MODELS, MOUNTS, (True, False))


def _pairs(rng: np.random.Generator, times: int) -> dict[str, Any]:
    """Compare the same movement with itself, recorded anew."""
    tally = {
        kind: _Tally() for kind in ("strike", "rehearsal", "same sensor", "two sensors", "all")
    }
    for (model, mount, strike), number in itertools.product(_cells(), range(times)):
        rate_hz = float(rng.choice(RATES_HZ))
        apart = bool(number % 2)
        action = random_swing(
            rng, model=model, mount=mount, strike=strike, grid_hz=grid_rate_hz(rate_hz)
        )
        both = [
            measured(rng, action, model=model, mount=mount, rate_hz=rate_hz, scale_error=apart)
            for _ in range(2)
        ]
        if both[0] is None or both[1] is None:
            continue
        # Without scale errors the two are as if from one sensor: an error that both have in full
        # is as good as none.
        a, b = (_side([one], "ab"[k * apart], mount) for k, one in enumerate(both) if one)
        result = compare_swings(a, b)
        for kind in ("strike" if strike else "rehearsal", "all"):
            tally[kind].equal(result)
        tally["two sensors" if apart else "same sensor"].equal(result)
    return {kind: one.as_dict() for kind, one in tally.items()}


def _player_swings(
    seed: int, n: int, *, model: Model, mount: Mount, habit: Habit, rate_hz: float, draws: int
) -> list[Pair]:
    """Swings of one player, all at a ball; the same seed is the same player whatever the habit."""
    player = Player(
        np.random.default_rng(seed), model=model, mount=mount, handedness="right", habit=habit
    )
    rng = np.random.default_rng([seed, draws])
    out = []
    for _ in range(n):
        action = player.swing(rng, kind="full", strike=True, grid_hz=grid_rate_hz(rate_hz))
        one = measured(rng, action, model=model, mount=mount, rate_hz=rate_hz, scale_error=False)
        if one is not None:
            out.append(one)
    return out


def _sets(seed: int, players: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """Compare sets of one player, and pairs of his swings."""
    by_size = {f"{a} and {b}": _Tally() for a, b in SET_SIZES}
    pairs = _Tally()
    rng = np.random.default_rng([seed, 7])
    n = 2 * max(max(sizes) for sizes in SET_SIZES)
    for model, mount in itertools.product(MODELS, MOUNTS):
        for _ in range(players):
            seed += 1
            same = Habit(strike_effort=1.0)
            # What a habit may do to the other set: a tenth shorter in time, a tenth less turn.
            changed = Habit(
                strike_effort=1.0,
                strike_time=float(rng.uniform(0.88, 1.0)),
                strike_turn=float(rng.uniform(0.88, 1.0)),
            )
            options: dict[str, Any] = {
                "model": model,
                "mount": mount,
                "rate_hz": float(rng.choice(RATES_HZ)),
            }
            try:
                one = _player_swings(seed, n, habit=same, draws=1, **options)
                other = _player_swings(seed, n, habit=changed, draws=2, **options)
            except RuntimeError:
                # No such player with this habit.
                continue
            true = _true_differences(one, other)
            for (n_a, n_b), _split in itertools.product(SET_SIZES, range(SPLITS)):
                name = f"{n_a} and {n_b}"
                if len(one) >= n_a + n_b:
                    order = rng.permutation(len(one))
                    a = [one[k] for k in order[:n_a]]
                    b = [one[k] for k in order[n_a : n_a + n_b]]
                    by_size[name].equal(compare_sets(_side(a, "a", mount), _side(b, "a", mount)))
                if len(one) >= n_a and len(other) >= n_b:
                    a = [one[k] for k in rng.permutation(len(one))[:n_a]]
                    b = [other[k] for k in rng.permutation(len(other))[:n_b]]
                    result = compare_sets(_side(a, "a", mount), _side(b, "a", mount))
                    by_size[name].differs(result, true)
            for first, second in itertools.combinations(one, 2):
                result = compare_swings(_side([first], "a", mount), _side([second], "a", mount))
                pairs.differs(result, _true_differences([first], [second]))
    return {name: one_size.as_dict() for name, one_size in by_size.items()}, pairs.as_dict()


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure how often "different" is wrong, and how often a tellable difference is told.

    Parameters
    ----------
    quick : bool
        A fraction of the cases.
    shift : int
        Added to the seeds: for looking at cases while developing.
    """
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    equal = _pairs(np.random.default_rng([seed, 3]), 6 if quick else 100)
    sets, pairs = _sets(seed, 1 if quick else 8)
    return {"pairs": equal, "pair_power": pairs, "sets": sets}


# --- tables ---------------------------------------------------------------------------------------


def _percent(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.1f} %" if whole else "-"


def tables(result: dict[str, Any]) -> str:
    """Markdown: wrong words and power, then by measure."""
    lines = []
    for name, one in result["pairs"].items():
        told = result["pair_power"]["told"] if name == "all" else (0, 0, 0)
        lines.append(_line(f"two swings, {name}", one, told))
    for name, one in result["sets"].items():
        lines.append(_line(f"sets of {name}", one, one["told"]))
    head = [
        "equal in truth",
        "comparisons",
        'any wrong "different" (target 5 %)',
        "each at 5 % alone",
        "wrong a measure",
        "tellable differences",
        "told (target 80 %)",
        "told the wrong way",
    ]
    first = table(head, lines)
    lines = []
    for measure in COMPARED:
        n, wrong, same = result["pairs"]["all"]["null"][measure]
        held = result["pairs"]["all"]["held"][measure]
        power = result["pair_power"]["power"][measure]
        lines.append(
            [
                measure,
                str(n),
                _percent(wrong, n),
                _percent(same, n),
                _percent(held[1], held[0]),
                str(power[0]),
                _percent(power[1], power[0]),
                _percent(*result["pairs"]["all"]["alone_wrong"][measure][::-1]),
                _percent(*result["pair_power"]["alone_told"][measure][::-1]),
            ]
        )
    head = ["two swings", "equal", "different", "the same", "95 % interval holds", "tellable"]
    return "\n\n".join(
        [
            "### Comparing",
            first,
            "### Comparing two swings, by measure",
            table([*head, "told", "asked alone: wrong", "told at 2.8 u"], lines),
        ]
    )


def _line(name: str, one: dict[str, Any], told: Sequence[int]) -> list[str]:
    n = one["comparisons"]
    judged = sum(counts[0] for counts in one["null"].values())
    wrong = sum(counts[1] for counts in one["null"].values())
    return [
        name,
        str(n),
        _percent(one["any_wrong"], n),
        _percent(one["any_wrong_alone"], n),
        _percent(wrong, judged),
        str(told[0]),
        _percent(told[1], told[0]),
        _percent(told[2], told[0]),
    ]
