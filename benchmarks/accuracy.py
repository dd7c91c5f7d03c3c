"""Accuracy on simulated swings with exact truth, easy and hard, beside a plain baseline."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from analysis import ANALYSIS_VERSION, to_seconds
from benchmarks.baseline import plain_swings
from benchmarks.drawing import HARD, REHEARSALS, STRIKES, Case, draw_case, found_in
from benchmarks.report import table
from benchmarks.scoring import MEASURES, Found, match, score, summarize
from simulation.motion.action import MODELS, MOUNTS, Kind, SwingTruth
from simulation.sessions import SimulatedSwing

__all__ = ["cases", "run", "tables"]

SEEDS = 900_000
"""First seed of the benchmark: these are never looked at while developing."""

QUICK_SEEDS = 990_000
"""`--quick` is run while developing, so it has seeds of its own."""

KINDS_USED: tuple[tuple[Kind, bool], ...] = (
    *((kind, True) for kind in STRIKES),
    *((kind, False) for kind in REHEARSALS),
)
LONG = {
    "100 Hz": "100 Hz",
    "losses": "3 % of packets lost, rate 2 % off",
    "tremor": "tremor x 3",
    "clipped": "gyroscope and accelerometer clipped",
}


def cases(*, quick: bool = False, shift: int = 0) -> Iterator[Case]:
    """Every model, mount and kind equally often; the rate and the hand drawn."""
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    groups = {"easy": (1 if quick else 9), **dict.fromkeys(HARD, 1 if quick else 3)}
    for group, times in groups.items():
        cells = itertools.product(MODELS, MOUNTS, KINDS_USED, range(times))
        for number, (model, mount, (kind, strike), _) in enumerate(cells):
            seed += 1
            if quick and group != "easy" and number % 2:
                continue
            hard = None if group == "easy" else group
            yield draw_case(seed, 1, hard=hard, model=model, mount=mount, kind=kind, strike=strike)


def our_swings(swing: SimulatedSwing) -> list[Found]:
    """Run the swing finder, and put what it found on the true clock.

    With a rate error the recording's time base would do that, from the packets' arrival; here it
    is taken as exact, so that a swing's error is the finder's and not the clock's.
    """
    rate_hz = swing.true_rate_hz
    out = []
    for one in found_in(swing):
        timed = to_seconds(
            one,
            lambda seq: seq / rate_hz,
            index=1,
            period_s=1.0 / rate_hz,
            period_u_s=0.0,
            nominal_rate_hz=swing.nominal_rate_hz,
        )
        out.append(
            Found(
                anchor_s=one.anchor_seq / rate_hz,
                takeaway_s=timed.takeaway_s,
                top_s=timed.top_s,
                top_u_s=timed.top_s_u,
                impact_s=timed.impact_s,
                turn_deg=timed.turn_deg,
                peak_rate_dps=timed.peak_rate_dps,
                strike=timed.strike,
            )
        )
    return out


def gyro_clipped(swing: SimulatedSwing, truth: SwingTruth) -> bool:
    """Tell from the data whether an axis was at its stop between top and impact."""
    end_s = truth.impact_s or truth.finish_s or truth.top_s
    part = slice(*np.searchsorted(swing.seq, [swing.seq_of(truth.top_s), swing.seq_of(end_s)]))
    size = np.abs(swing.gyr_dps[part])
    return bool(size.size and size.max() >= 0.999 * swing.gyr_range_dps)


FINDERS: dict[str, Callable[[SimulatedSwing], list[Found]]] = {
    "unhurried": our_swings,
    "plain": lambda s: plain_swings(s.seq, s.acc_m_s2, s.gyr_dps, rate_hz=s.true_rate_hz),
}


def score_case(case: Case) -> dict[str, list[dict[str, Any]]]:
    """Simulate a case, run both finders, and give a row for each true or invented swing."""
    swing = case.simulate()
    truths = [truth for truth in swing.truth if truth.counts_as_swing]
    tags = {
        "seed": case.seed,
        "group": case.hard or "easy",
        "model": case.model,
        "mount": case.mount,
        "kind": case.kind,
        "strike": case.strike,
        "rate_hz": swing.nominal_rate_hz,
    }
    out = {}
    for name, finder in FINDERS.items():
        found = finder(swing)
        pairs, missed, invented = match(found, truths)
        rows = [
            {
                **tags,
                "what": "found",
                **score(one, truth, mount=case.mount, clipped=gyro_clipped(swing, truth)),
            }
            for one, truth in pairs
        ]
        rows += [
            {
                **tags,
                "what": "missed",
                # Found, but with its impact over 100 ms away.
                "misplaced": any(
                    truth.takeaway_s - 0.2 <= one.anchor_s <= (truth.finish_s or truth.top_s + 1.0)
                    for one in invented
                ),
            }
            for truth in missed
        ]
        rows += [{**tags, "what": "invented"} for _ in invented]
        out[name] = rows
    return out


def _sum(rows: list[dict[str, Any]]) -> dict[str, Any]:
    found = [row for row in rows if row["what"] == "found"]
    missed = [row for row in rows if row["what"] == "missed"]
    out = summarize(
        found, missed=len(missed), invented=sum(row["what"] == "invented" for row in rows)
    )
    out["misplaced"] = sum(row["misplaced"] for row in missed)
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Score everything.

    Parameters
    ----------
    quick : bool
        A fraction of the cases.
    shift : int
        Added to the seeds: for looking at cases while developing, since those of the benchmark
        proper aren't looked at (and so aren't named in its results either).

    Returns
    -------
    dict
        By finder: by class, and the same for full-speed swings, by subclass, mount, kind, ...
    """
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in FINDERS}
    recordings = 0
    for case in cases(quick=quick, shift=shift):
        recordings += 1
        for name, new in score_case(case).items():
            rows[name] += new
    out: dict[str, Any] = {
        "recordings": recordings,
        "first_seed": (QUICK_SEEDS if quick else SEEDS) + shift,
        "analysis_version": ANALYSIS_VERSION,
    }
    for name, mine in rows.items():
        easy = [row for row in mine if row["group"] == "easy"]
        hard = [row for row in mine if row["group"] != "easy"]

        def by(part: list[dict[str, Any]], key: str) -> dict[str, Any]:
            values = list(dict.fromkeys(row[key] for row in part))
            return {str(value): _sum([r for r in part if r[key] == value]) for value in values}

        out[name] = {
            label: {
                "all": _sum(part),
                "full speed": _sum([row for row in part if row["kind"] != "slow"]),
                "strikes": _sum([row for row in part if row["strike"]]),
                "slow": _sum([row for row in part if row["kind"] == "slow"]),
                "by mount": by(part, "mount"),
                "by kind": by([{**row, "kind": _kind_name(row)} for row in part], "kind"),
                "by model": by(part, "model"),
                "by rate": by(part, "rate_hz"),
                "by group": by(part, "group"),
            }
            for label, part in (("easy", easy), ("hard", hard))
        }
        out[name]["odd"] = [
            {key: value for key, value in row.items() if key != "seed" or quick or shift}
            for row in mine
            if row["what"] != "found"
        ][:60]
    return out


def _kind_name(row: dict[str, Any]) -> str:
    return f"{row['kind']}, {'ball' if row['strike'] else 'no ball'}"


# --- tables --------------------------------------------------------------------------------------

LINES = (
    ("takeaway, mean absolute error", "takeaway_ms", "ms", 1.5, 5.0),
    ("top", "top_ms", "ms", 0.5, 1.5),
    ("top inside a pause of over 40 ms", "in_pause", "%", 100.0, 100.0),
    ("... from its middle", "pause_ms", "ms", 5.0, 10.0),
    ("impact, strikes", "impact_ms", "ms", 1.5, 4.0),
    ("turn", "turn_deg", "deg", 0.7, 2.0),
    ("peak rate, unclipped", "peak_percent", "%", 1.0, 2.0),
)


def _number(x: float | None, unit: str = "") -> str:
    return "-" if x is None else f"{x:.2f} {unit}".strip() if x < 9.995 else f"{x:.1f} {unit}"


def _main(result: dict[str, Any], part: str) -> str:
    lines = []
    for label, name, unit, *targets in LINES:
        line = [label]
        for group, target in zip(("easy", "hard"), targets, strict=True):
            what = "percent" if unit == "%" and name != "peak_percent" else "mean_abs"
            line += [
                f"{target:g} {unit}",
                *(
                    _number(result[f][group][part][name][what], unit)
                    for f in ("unhurried", "plain")
                ),
            ]
        lines.append(line)
    lines.append(
        ["swings missed"]
        + [
            text
            for group, target in (("easy", "0"), ("hard", "1 %"))
            for text in (
                target,
                *(
                    f"{s['missed']} ({s['missed_percent']:.2g} %)"
                    for s in (result[f][group][part] for f in ("unhurried", "plain"))
                ),
            )
        ]
    )
    lines.append(
        ["swings invented"]
        + [
            text
            for group in ("easy", "hard")
            for text in (
                "0",
                *(str(result[f][group][part]["invented"]) for f in ("unhurried", "plain")),
            )
        ]
    )
    for label, name, shown in (
        ("strike or rehearsal right", "right", ("99 %", "97 %")),
        ("nulls (most in one measure)", "nulls", ("2 %", "5 %")),
    ):
        line = [label]
        for group, text in zip(("easy", "hard"), shown, strict=True):
            line.append(text)
            for f in ("unhurried", "plain"):
                s = result[f][group][part]
                if name == "right":
                    line.append(_number(s["right"]["percent"], "%"))
                else:
                    worst = s["nulls_worst"]
                    line.append(f"{s['nulls_percent']:.2g} % ({worst[1]:.2g} %)" if worst else "-")
        lines.append(line)
    easy, hard = (result["unhurried"][g][part]["swings"] for g in ("easy", "hard"))
    head = ["", "target", f"{easy} swings, 200 Hz and more", "plain", "target"]
    return table([*head, f"{hard} swings, hard", "plain"], lines)


def _detail(result: dict[str, Any], group: str, key: str) -> str:
    head = ["", "swings", "takeaway ms", "top ms", "impact ms", "turn deg", "peak %"]
    lines = []
    for name, s in result["unhurried"][group][f"by {key}"].items():
        lines.append(
            [LONG.get(name, name), str(s["swings"])]
            + [_number(s[m]["mean_abs"]) for m in MEASURES]
            + [
                str(s["missed"]),
                str(s["invented"]),
                _number(s["right"]["percent"]),
                f"{s['nulls_percent']:.2g}",
            ]
        )
    return table([*head, "missed", "invented", "right %", "nulls %"], lines)


def _spread(result: dict[str, Any]) -> str:
    """Mean, median and 95th percentile: a few gross errors make most of a mean."""
    lines = []
    for label, name, part in (
        ("takeaway, strikes, ms", "takeaway_ms", "strikes"),
        ("takeaway, slow-motion rehearsals, ms", "takeaway_ms", "slow"),
        ("takeaway, all, ms", "takeaway_ms", "all"),
        ("top, ms", "top_ms", "all"),
        ("impact, strikes, ms", "impact_ms", "all"),
        ("impact, rehearsals (continuous left out), ms", "rehearsal_impact_ms", "all"),
        ("turn, deg", "turn_deg", "all"),
        ("peak rate, unclipped, %", "peak_percent", "all"),
        ("peak rate, clipped, %", "clipped_peak_percent", "all"),
    ):
        line = [label]
        for group in ("easy", "hard"):
            s = result["unhurried"][group][part][name]
            line += [_number(s[key]) for key in ("mean_abs", "median_abs", "p95_abs")]
        lines.append(line)
    head = ["absolute error", "easy: mean", "median", "95 %", "hard: mean", "median", "95 %"]
    return table(head, lines)


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md (the first two) and for whoever wants to know more."""
    parts = [
        "### Accuracy: all swings",
        _main(result, "all"),
        "### Accuracy: without slow-motion rehearsals",
        _main(result, "full speed"),
        "### Spread of the errors",
        _spread(result),
        "### Hard, by condition",
        _detail(result, "hard", "group"),
    ]
    for group, name in (("easy", "200 Hz and more"), ("hard", "hard")):
        for key in ("mount", "kind", "model", "rate"):
            parts += [f"### By {key}: {name}", _detail(result, group, key)]
    return "\n\n".join(parts)
