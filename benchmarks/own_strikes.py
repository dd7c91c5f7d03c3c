"""Impact of rehearsals, timed by the least turn and by the player's own strikes, beside truth.

Truth is when the motion model passes the ball's place, which the simulation knows of rehearsals
too. Simulated players have habits of their own; they rehearse with less force than they strike.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.report import table
from sensor.recording.opening import open_recording
from simulation.motion.action import Model, Mount
from simulation.motion.habit import Habit
from simulation.sessions import PlayerSpec, SessionSpec, SimulatedSession, simulate_session
from unhurried.app.measuring import analyze

__all__ = ["errors", "run", "tables"]

SEEDS = 985_000
MOUNTS: tuple[Mount, ...] = ("wrist", "glove", "club", "trunk")
MODELS: tuple[Model, ...] = ("pendulum", "chain")
MATCH_S = 0.2
SWINGS = 30


def _sessions(
    mount: Mount, model: Model, seed: int, habit: Habit, rate_hz: float
) -> SimulatedSession:
    spec = SessionSpec(
        mount=mount,
        players=(PlayerSpec(habit=habit),),
        model=model,
        minutes=None,
        swings=SWINGS,
        rate_hz=rate_hz,
        varied=False,
        activity=0.0,
        gyr_range_dps=4000.0,
    )
    made = simulate_session(spec, seed=seed)
    if mount != "trunk":
        return made
    # A ball is hardly felt at the upper back: there the player says, by markers, what is what.
    first = made.markers[0]
    said = tuple(
        {
            **first,
            "seq": max(0, round((swing.truth.takeaway_s - 0.5) * made.true_rate_hz)),
            "ball": swing.truth.strike,
        }
        for swing in made.truth
    )
    return replace(made, markers=(first, *said))


def errors(
    mount: Mount,
    model: Model,
    seed: int,
    *,
    habit: Habit | None = None,
    rate_hz: float = 200.0,
) -> Iterator[dict[str, float]]:
    """Give for each rehearsal of a session its errors and uncertainty in ms.

    Parameters
    ----------
    mount, model : str
    seed : int
    habit : Habit, optional
    rate_hz : float
    """
    made = _sessions(mount, model, seed, habit or Habit(), rate_hz)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "session"
        made.write(folder)
        with open_recording(folder) as recording:
            stretch = recording.period_s * made.true_rate_hz
            plain = analyze(recording).swings
            timed = analyze(recording, own_strikes=True).swings
    for a, b in zip(plain, timed, strict=True):
        if b.impact_basis != "own_strikes":
            continue
        assert a.impact_s is not None
        assert b.impact_s is not None
        assert b.impact_s_u is not None
        for swing in made.truth:
            passed = swing.truth.pass_s
            if passed is None or swing.truth.strike:
                continue
            if abs(passed * stretch - a.impact_s) < MATCH_S:
                yield {
                    "least_turn_ms": 1e3 * (a.impact_s / stretch - passed),
                    "error_ms": 1e3 * (b.impact_s / stretch - passed),
                    "u_ms": 1e3 * b.impact_s_u,
                }
                break


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure on players of both models and all mounts."""
    players = 1 if quick else 8
    out = {}
    for m, mount in enumerate(MOUNTS):
        for k, model in enumerate(MODELS):
            rows = [
                row
                for player in range(players)
                for row in errors(mount, model, SEEDS + shift + 1000 * m + 500 * k + player)
            ]
            if not rows:
                continue
            error, u, least = (
                np.array([row[name] for row in rows])
                for name in ("error_ms", "u_ms", "least_turn_ms")
            )
            rms = float(np.sqrt(np.mean(error**2)))
            out[f"{mount} {model}"] = {
                "n": len(rows),
                "least_turn_rms_ms": float(np.sqrt(np.mean(least**2))),
                "rms_ms": rms,
                "mean_ms": float(error.mean()),
                "median_u_ms": float(np.median(u)),
                "inside_95": float((np.abs(error) < 1.96 * u).mean()),
            }
    return {"cells": out}


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = [
        [
            name,
            str(cell["n"]),
            f"{cell['least_turn_rms_ms']:.1f} ms",
            f"{cell['rms_ms']:.1f} ms",
            f"{cell['median_u_ms']:.1f} ms",
            f"{100 * cell['inside_95']:.0f} %",
        ]
        for name, cell in result["cells"].items()
    ]
    head = ["rehearsals", "n", "least turn (rms)", "own strikes (rms)", "stated u", "95 % hold"]
    return "\n\n".join(["### Impact of rehearsals by own strikes", table(head, lines)])
