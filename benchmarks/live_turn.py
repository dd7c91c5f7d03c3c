"""Is what goes back a backswing? Fits what the live turn goes by until a player is known.

``python -m benchmarks.recognition --fit live`` plays wide and usual swings, and other motion
(`benchmarks.populations`), to the live turn, takes down what there is to know when a tone would
have to be sent for full turns of all sizes, shares and leads, fits a score (`benchmarks.fitting`)
and writes `analysis/swing/live_tables.py`. ``python -m benchmarks --only live_turn`` prints what
the live turn then confirms on other seeds.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.swing.live_params import TurnEvent, TurnTarget
from analysis.swing.live_score import LIVE_FIGURES, live_figures
from analysis.swing.live_turn import LiveTurn
from analysis.swing.score import Table
from benchmarks import populations
from benchmarks.boosting import BoostParams
from benchmarks.fitting import Fit, calibrate, fit_table, scores
from benchmarks.intervals import upper_bound
from benchmarks.report import table
from benchmarks.sound import FULL_DEG
from benchmarks.table_module import table_lines
from simulation.motion.action import MODELS, MOUNTS, Kind, Model, Mount
from simulation.motion.wide import GENERATORS
from simulation.sessions import SessionSpec, SimulatedSwing, simulate_session, simulate_swing

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.void]

__all__ = ["fit", "run", "tables"]

MODULE = Path(__file__).resolve().parents[1] / "analysis" / "swing" / "live_tables.py"
FIT = populations.FIT + 300_000
TEST = populations.TEST + 300_000
"""First seeds of what is fitted on, and of what it is judged on."""

KINDS: dict[Kind, int] = {"full": 140, "rushed": 20, "slow": 20}
"""Wide swings for one model and mount."""
USUAL_KINDS: tuple[Kind, ...] = ("full", "full", "full", "rushed", "slow")
USUAL = 100
"""Usual swings for one model and mount."""
RATES_HZ = (100.0, 200.0, 100.0, 400.0)
OTHER_RATES_HZ = (100.0, 200.0)
OTHER_HOURS = 6.0
SESSION_HOURS = 4.0 / 3.0
"""Of whole sessions, whose swings are left out: what players do to get to the ball is in no other
motion."""
TARGETS = 4
"""So many full turns are waited for in the same motion."""
OWN_TURN = (0.88, 1.04)
"""The full turn that is waited for, as shares of the swing's own: players vary by some per cent."""
USUAL_SHARE = 0.95
OTHER_SHARES = (0.7, 1.0)
"""What of it is to be reached (`TurnTarget.share`): mostly the former, in three of ten a draw."""
LEADS_S = (0.0, 0.2)
LEAST_TURN_DEG = 45.0
FALSE_AN_HOUR = {"wrist": 0.75, "glove": 0.75, "club": 0.25, "trunk": 0.75, "unknown": 0.75}
"""What the threshold lets through of other motion, an hour of not knowing the player: a session has
a minute of that at most (`LiveTurnParams.plain_for_s`). Clubs are twirled, and hardly a swing of
theirs is lost for letting less through."""
RIDGE = 30.0
GROWN = BoostParams(trees=200, questions=4, rate=0.2)
"""With 150-300 trees of 4-6 questions all did about the same, on swings and motion left out in
turn; with swings shown wider than drawn, much worse."""
FOLDS = 3

ROW = np.dtype(
    [
        ("source", "U12"),
        ("kind", "U12"),
        ("piece", "i8"),
        ("judged", "?"),  # False: a swing that wasn't looked at in time
        ("figures", "f8", (len(LIVE_FIGURES),)),
    ]
)


class _Asked(LiveTurn):
    """Takes down what there is to know when each of several full turns has to be told."""

    def __init__(
        self, *, rate_hz: float, mount: str, handedness: str | None, targets: list[TurnTarget]
    ) -> None:
        super().__init__(
            rate_hz=rate_hz, mount=mount, handedness=handedness, target=next(iter(targets), None)
        )
        self.targets = targets
        self.told: list[tuple[int, float, list[float]]] = []
        self._reached: set[int] = set()

    def _compare(
        self, rise: Any, turn: float, rate: float, target: TurnTarget, events: list[TurnEvent]
    ) -> None:
        if not rise.judged:
            rise.judged = True
            self._reached.clear()
        for k, one in enumerate(self.targets):
            ahead = turn + self._to_come(rate, one.lead_s)
            if k in self._reached or ahead < one.threshold_deg:
                continue
            self._reached.add(k)
            shape = self._shape(rise)
            if shape.in_finish:
                continue
            values = live_figures(
                shape,
                self._course(rise),
                side=self._likeness.side(shape),
                rate_dps=rate,
                target=one,
            )
            if values is None:
                continue
            at_s = (self._base + self._used - 1) / self.rate_hz
            self.told.append((k, at_s, [values[name] for name in LIVE_FIGURES]))


def _targets(rng: np.random.Generator, full_turns_deg: Iterable[float]) -> list[TurnTarget]:
    """Draw what is waited for: shares and leads."""
    return [
        TurnTarget(
            full_turn_deg=full,
            share=USUAL_SHARE if rng.random() < 0.7 else float(rng.uniform(*OTHER_SHARES)),
            lead_s=float(rng.uniform(*LEADS_S)),
        )
        for full in full_turns_deg
    ]


def _swing_rows(
    made: SimulatedSwing, source: str, kind: str, piece: int
) -> tuple[list[tuple[Any, ...]], float | None]:
    """Give a row for each full turn that is waited for in a swing, and the swing's own."""
    rng = np.random.default_rng([piece, 5])
    truth = made.truth[0]
    own = truth.turn_deg
    if own < LEAST_TURN_DEG:
        return [], None
    targets = _targets(rng, own * rng.uniform(*OWN_TURN, TARGETS))
    live = _Asked(
        rate_hz=made.nominal_rate_hz,
        mount=made.mount,
        handedness=made.handedness,
        targets=targets,
    )
    live.feed(made.seq, made.acc_m_s2, made.gyr_dps)
    rows: list[tuple[Any, ...]] = []
    for k, target in enumerate(targets):
        if target.threshold_deg > 0.995 * own:
            continue
        mine = [
            values
            for which, at_s, values in live.told
            if which == k and truth.takeaway_s - 0.1 < at_s < truth.top_s + 0.3
        ]
        none = [math.nan] * len(LIVE_FIGURES)
        rows.append((source, kind, piece, bool(mine), mine[-1] if mine else none))
    return rows, own


def _swings(mount: Mount, base: int) -> dict[str, Any]:
    """Rows of wide and usual swings, and the full turns that were seen."""
    rows: list[tuple[Any, ...]] = []
    turns: list[float] = []
    seed = base

    def take(made: SimulatedSwing, source: str, kind: str) -> None:
        more, own = _swing_rows(made, source, kind, seed)
        rows.extend(more)
        if own is not None:
            turns.append(own)

    for model in GENERATORS:
        for kind, count in KINDS.items():
            for k in range(count):
                seed += 1
                take(_wide(seed, model, mount, kind, k), model, kind)
    for model in MODELS:
        for k in range(USUAL):
            seed += 1
            kind = USUAL_KINDS[k % len(USUAL_KINDS)]
            made = simulate_swing(
                seed,
                mount=mount,
                model=model,
                kind=kind,
                strike=kind != "slow" and k % 2 == 0,
                handedness="left" if k % 7 == 0 else "right",
                rate_hz=RATES_HZ[k % len(RATES_HZ)],
            )
            take(made, "usual", kind)
    return {"rows": np.array(rows, dtype=ROW), "turns": np.array(turns)}


def _wide(seed: int, model: Model, mount: Mount, kind: Kind, k: int) -> SimulatedSwing:
    rate_hz = RATES_HZ[k % len(RATES_HZ)]
    made, _ = populations.wide_recording(
        seed, model=model, mount=mount, kind=kind, rate_hz=rate_hz, grid_hz=4.0 * rate_hz
    )
    return made


def _others(mount: Mount, turns: Array, base: int) -> dict[str, Any]:
    """Rows of other motion that turns as far as somebody's full turn."""
    rows: list[tuple[Any, ...]] = []
    for seed in range(base, base + round(3.0 * OTHER_HOURS)):
        rng = np.random.default_rng([seed, 5])
        rate_hz = OTHER_RATES_HZ[seed % len(OTHER_RATES_HZ)]
        spec = replace(populations.other_spec(mount), rate_hz=rate_hz, grid_hz=4.0 * rate_hz)
        made = simulate_session(spec, seed=seed)
        session = made.session
        live = _Asked(
            rate_hz=session.nominal_rate_hz,
            mount=mount,
            handedness=session.handedness,
            targets=_targets(rng, rng.choice(turns, TARGETS).tolist()),
        )
        live.feed(*populations.values_of(made))
        rows += [("other", "", seed, True, values) for _, _, values in live.told]
    return {"rows": np.array(rows, dtype=ROW)}


def _between(mount: Mount, turns: Array, base: int) -> dict[str, Any]:
    """Rows of what players do between their swings."""
    rows: list[tuple[Any, ...]] = []
    for seed in range(base, base + round(3.0 * SESSION_HOURS)):
        rng = np.random.default_rng([seed, 5])
        rate_hz = OTHER_RATES_HZ[seed % len(OTHER_RATES_HZ)]
        spec = SessionSpec(mount=mount, minutes=20.0, rate_hz=rate_hz, grid_hz=4.0 * rate_hz)
        made = simulate_session(spec, seed=seed)
        live = _Asked(
            rate_hz=made.session.nominal_rate_hz,
            mount=mount,
            handedness=made.session.handedness,
            targets=_targets(rng, rng.choice(turns, TARGETS).tolist()),
        )
        live.feed(*populations.values_of(made))
        stretch = made.session.nominal_rate_hz / made.true_rate_hz
        swung = [
            (one.truth.takeaway_s - 0.1, (one.truth.finish_s or one.truth.top_s + 1.0) + 0.5)
            for one in made.truth
        ]
        rows += [
            ("other", "", seed, True, values)
            for _, at_s, values in live.told
            if not any(a < at_s * stretch < b for a, b in swung)
        ]
    return {"rows": np.array(rows, dtype=ROW)}


# -- fit ------------------------------------------------------------------------------------------


def _fit(sets: list[Rows], others: Rows) -> Fit:
    return fit_table(
        LIVE_FIGURES,
        [one["figures"][one["judged"]] for one in sets],
        others["figures"],
        ridge=RIDGE,
        pull=[],
        seed=5,
        widen=False,
        of_trees=0.5,
        grow=GROWN,
    )


def fitted(sets: list[Rows], others: Rows, hours: float, rate: float) -> tuple[Fit, float, Array]:
    """Fit, and set the threshold by recordings that weren't fitted on.

    Parameters
    ----------
    sets : list of (n,) arrays of `ROW`
        Swings, one a model; each counts alike.
    others : (m,) array of `ROW`
    hours : float
        Length of the other motion, as often as it was waited in.
    rate : float
        What may be let through, an hour.

    Returns
    -------
    Fit, float, (m,) array
        The scores are those of what wasn't fitted on.
    """
    z = np.empty(len(others))
    for k in range(FOLDS):
        out = others["piece"] % FOLDS == k
        z[out] = scores(_fit(sets, others[~out]), others["figures"][out])
    allowed = math.floor(rate * hours)
    return _fit(sets, others), float(np.sort(z)[::-1][allowed]), z


def confirmed(one: Fit, threshold: float, rows: Rows) -> float:
    """Share of swings that would be confirmed; one that wasn't looked at is not."""
    return float((rows["judged"] & (scores(one, rows["figures"]) >= threshold)).mean())


def fit_mount(
    sets: dict[str, Rows], others: Rows, hours: float, rate: float, *, leave_out: bool
) -> tuple[Table, str]:
    """Fit a mount's table; also what it confirms, of the models that it wasn't fitted on too."""
    whole, threshold, z = fitted(list(sets.values()), others, hours, rate)
    yes = np.concatenate([scores(whole, one["figures"][one["judged"]]) for one in sets.values()])
    weight = np.concatenate((np.full(len(yes), 1.0 / len(yes)), np.full(len(z), 1.0 / len(z))))
    truth = np.concatenate((np.ones(len(yes)), np.zeros(len(z))))
    calibration = calibrate(np.concatenate((yes, z)), truth, weight)
    told = ", ".join(
        f"{name} {100.0 * confirmed(whole, threshold, rows):.1f}" for name, rows in sets.items()
    )
    told = f"confirmed {told} %"
    if leave_out:
        shares = []
        for left in GENERATORS:
            rest = [rows for name, rows in sets.items() if name != left]
            one, limit, _ = fitted(rest, others, hours, rate)
            shares.append(f"{left} {100.0 * confirmed(one, limit, sets[left]):.1f}")
        told += f";\n    not fitted on: {', '.join(shares)} %"
    return whole.table(calibration, threshold), told


def fit() -> None:
    """Play the populations, fit, write."""
    found: dict[str, Table] = {}
    told: list[str] = []
    every: list[tuple[dict[str, Rows], Rows]] = []
    hours = TARGETS * (OTHER_HOURS + SESSION_HOURS)

    def put(name: str, sets: dict[str, Rows], others: Rows, of: float) -> None:
        rate = FALSE_AN_HOUR[name]
        found[name], text = fit_mount(sets, others, of, rate, leave_out=name != "unknown")
        count = sum(map(len, sets.values()))
        told.append(
            f"{name}: {count} full turns, {len(others)} other motions, {rate:g} an hour let "
            f"through;\n    {text}"
        )
        print(told[-1], flush=True)

    for k, mount in enumerate(MOUNTS):
        base = FIT + 10_000 * k
        data = populations.kept(f"live-swings-{mount}", partial(_swings, mount, base))
        rows = data["rows"]
        make: Callable[[], dict[str, Any]] = partial(_others, mount, data["turns"], base + 5_000)
        others = populations.kept(f"live-others-{mount}", make)["rows"]
        make = partial(_between, mount, data["turns"], base + 6_000)
        between = populations.kept(f"live-between-{mount}", make)["rows"]
        others = np.concatenate((others, between))
        sets = {name: rows[rows["source"] == name] for name in (*GENERATORS, "usual")}
        every.append((sets, others))
        put(mount, sets, others, hours)
    together = {
        name: np.concatenate([sets[name] for sets, _ in every]) for name in (*GENERATORS, "usual")
    }
    put(
        "unknown",
        together,
        np.concatenate([others for _, others in every]),
        hours * len(MOUNTS),
    )
    write_module(found, told)


def write_module(found: dict[str, Table], told: list[str]) -> None:
    """Write `live_tables.py` whole."""
    today = f"{datetime.datetime.now(tz=datetime.UTC):%Y-%m-%d}"
    lines = [
        '"""Tables of the live turn, fitted by ``python -m benchmarks.recognition --fit live``; '
        "don't edit.",
        "",
        f"Made on {today} from seeds {FIT} on (`benchmarks.live_turn`), for tones up to "
        f"{1e3 * LEADS_S[1]:.0f} ms ahead:",
        "",
        *told,
        '"""',
        "",
        *table_lines(
            {"live": found},
            named={LIVE_FIGURES: "LIVE_FIGURES"},
            imports=(
                "from analysis.swing.live_score import LIVE_FIGURES",
                "from analysis.swing.score import Table",
            ),
        ),
    ]
    MODULE.write_text("\n".join(lines) + "\n", encoding="utf-8")


# -- what it does on other seeds ------------------------------------------------------------------

LEAD_S = 0.04
STARTS = 50
START_MIN = 1.2
"""A little over what goes by before anybody's backswing is no longer confirmed."""


def _says_full(made: SimulatedSwing) -> bool | None:
    """Whether a recording's swing is confirmed, by its own turn; None where it turns too little."""
    truth = made.truth[0]
    if truth.turn_deg < LEAST_TURN_DEG:
        return None
    live = LiveTurn(
        rate_hz=made.nominal_rate_hz,
        mount=made.mount,
        handedness=made.handedness,
        target=TurnTarget(full_turn_deg=truth.turn_deg, lead_s=LEAD_S),
    )
    return any(
        e.kind == "full" and truth.takeaway_s < e.seq / made.true_rate_hz < truth.top_s + 0.1
        for e in live.feed(made.seq, made.acc_m_s2, made.gyr_dps)
    )


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Play first swings and other motion, nothing of the player being known.

    Parameters
    ----------
    quick : bool
        A fraction of it, on seeds of its own.
    shift : int
        Added to the seeds.

    Returns
    -------
    dict
        ``swings``: by model, kind and mount how many were confirmed, and of how many; ``starts``:
        by mount in how many starts of other motion a tone was heard, and of how many.
    """
    base = TEST + shift + (1_000_000 if quick else 0)
    part = 10 if quick else 1
    swings: dict[str, list[int]] = {}

    def count(made: SimulatedSwing, *names: str) -> None:
        said = _says_full(made)
        if said is not None:
            for name in names:
                row = swings.setdefault(name, [0, 0])
                row[0] += said
                row[1] += 1

    for k, mount in enumerate(MOUNTS):
        seed = base + 10_000 * k
        for model in GENERATORS:
            for kind, number in (("full", 20), ("rushed", 10), ("slow", 10)):
                for n in range(number // part):
                    seed += 1
                    made = _wide(seed, model, mount, kind, n)  # type: ignore[arg-type]
                    count(made, f"wide, {kind}", f"wide, {kind}, {model}", f"wide, {kind}, {mount}")
        for model in MODELS:
            for n in range(50 // part):
                seed += 1
                kind_ = USUAL_KINDS[n % len(USUAL_KINDS)]
                made = simulate_swing(
                    seed,
                    mount=mount,
                    model=model,
                    kind=kind_,
                    strike=False,
                    rate_hz=RATES_HZ[n % len(RATES_HZ)],
                )
                count(made, f"usual, {kind_}")
    starts: dict[str, list[int]] = {}
    for k, mount in enumerate(MOUNTS):
        first = base + 10_000 * k + 5_000
        starts[mount] = [0, STARTS // part]
        for seed in range(first, first + STARTS // part):
            made_ = simulate_session(populations.other_spec(mount, START_MIN), seed=seed)
            live = LiveTurn(
                rate_hz=made_.session.nominal_rate_hz,
                mount=mount,
                handedness=made_.session.handedness,
                target=TurnTarget(full_turn_deg=FULL_DEG[mount], lead_s=LEAD_S),
            )
            starts[mount][0] += any(
                e.kind == "full" for e in live.feed(*populations.values_of(made_))
            )
    return {"swings": swings, "starts": starts}


def tables(result: dict[str, Any]) -> str:
    """Markdown."""
    lines = [
        [name, str(n), f"{100.0 * yes / max(n, 1):.1f} %"]
        for name, (yes, n) in sorted(result["swings"].items())
    ]
    parts = [
        "### The first swing confirmed, whoever swings",
        table(["first swings, own full turn", "n", "confirmed"], lines),
    ]
    lines = [
        [mount, str(n), str(heard), f"{100.0 * upper_bound(heard, n):.1f} %"]
        for mount, (heard, n) in result["starts"].items()
    ]
    head = ["minutes of other motion from a start on", "n", "with a tone", "95 % bound"]
    return "\n\n".join([*parts, table(head, lines)])
