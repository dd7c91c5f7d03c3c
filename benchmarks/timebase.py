"""Time base: how well the sample period is known, and whether its stated uncertainty holds.

The jitter model, which every figure depends on: a packet is ready with its last sample and goes
out at a connection event, every 30 ms, at most four an event; each try fails with 10 %; now and
then (four times a minute) nothing gets through for 0.4 s. The host stamps 2 ms later, and an
exponential 0.5 ms on average. Packets keep their order. The chip is 1.5 % fast, the computer's
clock exact.
"""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.report import table
from sensor.recording.layout import PACKET_DTYPE
from sensor.recording.timebase import CRYSTAL_U, LiveTimeBase, fit_packets

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

SEEDS = 930_000
RATE_HZ = 200.0
RATE_ERROR = 0.015
INTERVAL_S = 0.030
AN_EVENT = 4
RETRY = 0.10
STALLS_A_MINUTE = 4.0
STALL_S = 0.4
HOST_S, HOST_MEAN_S = 0.002, 0.0005
DURATIONS_S = (2.5, 5.0, 10.0, 60.0)
# rms error in ppm; at 8 samples a packet.
TARGETS_PPM = {10.0: 250.0, 60.0: 25.0}
BATCHES = (4, 8, 19)
TICK_DURATION_S = 1.0
# Of the sensor's crystal: drawn, one standard deviation.
SENSOR_CRYSTAL = 30e-6


def arrivals_s(rng: np.random.Generator, *, batch: int, duration_s: float) -> Array:
    """Arrival times of packets over the link described above."""
    rate_hz = RATE_HZ * (1.0 + RATE_ERROR)
    n = int(duration_s * rate_hz / batch)
    ready = np.arange(1, n + 1) * batch / rate_hz + rng.uniform(0.0, INTERVAL_S)
    stalls = rng.uniform(0.0, duration_s, rng.poisson(duration_s * STALLS_A_MINUTE / 60.0))
    arrival = np.empty(n)
    event = packet = 0
    while packet < n:
        event = max(event, math.ceil(ready[packet] / INTERVAL_S))
        now = event * INTERVAL_S
        event += 1
        if np.any((now >= stalls) & (now < stalls + STALL_S)):
            continue
        for _ in range(AN_EVENT):
            if packet == n or ready[packet] > now or rng.random() < RETRY:
                break
            arrival[packet] = now + HOST_S + rng.exponential(HOST_MEAN_S)
            packet += 1
    return np.maximum.accumulate(arrival)


def _rows(arrival_s: Array, batch: int) -> npt.NDArray[np.void]:
    rows = np.zeros(len(arrival_s), PACKET_DTYPE)
    rows["first_seq"] = batch * np.arange(len(arrival_s))
    rows["count"] = batch
    rows["arrival_ns"] = np.rint(arrival_s * 1e9)
    rows["ticks"] = -1
    return rows


def _one(seed: int, batch: int, duration_s: float) -> tuple[float, float, float]:
    """Relative error, stated uncertainty (without the computer's crystal), least squares' error."""
    rng = np.random.default_rng([seed, batch, round(duration_s * 10)])
    arrival = arrivals_s(rng, batch=batch, duration_s=duration_s)
    rows = _rows(arrival, batch)
    base = fit_packets([rows], nominal_rate_hz=RATE_HZ, first_seq=0)
    assert base is not None
    true_hz = RATE_HZ * (1.0 + RATE_ERROR)
    u = base.period_u_s / base.period_s
    slope = np.polyfit(rows["first_seq"].astype(float), arrival, 1)[0]
    return (
        base.period_s * true_hz - 1.0,
        math.sqrt(max(0.0, u**2 - CRYSTAL_U**2)),
        float(slope) * true_hz - 1.0,
    )


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _summary(error: Array, u: Array) -> dict[str, float]:
    return {
        "rms_ppm": 1e6 * _rms(error),
        "stated_ppm": 1e6 * _rms(u),
        "stated_over_rms": _rms(u) / _rms(error),
        "within_1u": float(np.mean(np.abs(error) <= u)),
        "within_2u": float(np.mean(np.abs(error) <= 2.0 * u)),
    }


def _ticks(seeds: range) -> dict[str, float]:
    """A sensor that stamps its packets, up to a sample period late, by a crystal of its own."""
    error, stated = [], []
    true_hz = RATE_HZ * (1.0 + RATE_ERROR)
    for seed in seeds:
        rng = np.random.default_rng([seed, 1])
        rows = _rows(arrivals_s(rng, batch=8, duration_s=TICK_DURATION_S), 8)
        crystal = 1.0 + SENSOR_CRYSTAL * rng.standard_normal()
        taken_s = (rows["first_seq"] + rng.uniform(0.0, 1.0, len(rows))) / true_hz
        rows["ticks"] = np.rint(taken_s * crystal * 1e6).astype(np.int64) * 1000
        base = fit_packets([rows], nominal_rate_hz=RATE_HZ, first_seq=0)
        assert base is not None
        error.append(base.period_s * true_hz - 1.0)
        stated.append(base.period_u_s / base.period_s)
    return _summary(np.array(error), np.array(stated))


def _live(seeds: range) -> dict[str, float]:
    """When the live time base says that the period is known, and what it costs a packet."""
    known, off, took = [], [], []
    true_hz = RATE_HZ * (1.0 + RATE_ERROR)
    for seed in seeds:
        rng = np.random.default_rng([seed, 2])
        arrival = arrivals_s(rng, batch=8, duration_s=20.0)
        base = LiveTimeBase(RATE_HZ)
        for i, at in enumerate(np.rint(arrival * 1e9).astype(int).tolist()):
            begin = time.process_time()
            base.feed(8 * i, 8, at)
            is_known = base.known
            took.append(time.process_time() - begin)
            if is_known:
                known.append(arrival[i] - arrival[0])
                off.append(base.period_s * true_hz - 1.0)
                break
    return {
        "known_median_s": float(np.median(known)),
        "known_latest_s": float(np.max(known)),
        "never_known": len(seeds) - len(known),
        "rms_then_ppm": 1e6 * _rms(np.array(off)),
        "us_a_packet": 1e6 * float(np.mean(took)),
    }


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure the period's error and its stated uncertainty over many seeded links."""
    seeds = range(SEEDS + shift, SEEDS + shift + (40 if quick else 500))
    fits: dict[str, Any] = {}
    for batch in BATCHES:
        for duration_s in DURATIONS_S:
            found = np.array([_one(seed, batch, duration_s) for seed in seeds])
            fits[f"{batch}/{duration_s:g}"] = {
                **_summary(found[:, 0], found[:, 1]),
                "least_squares_ppm": 1e6 * _rms(found[:, 2]),
                "worst_ppm": 1e6 * float(np.abs(found[:, 0]).max()),
            }
    return {
        "seeds": len(seeds),
        "fits": fits,
        "ticks": _ticks(seeds),
        "live": _live(seeds[: 20 if quick else 100]),
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = []
    for batch in BATCHES:
        for duration_s in DURATIONS_S:
            one = result["fits"][f"{batch}/{duration_s:g}"]
            target = TARGETS_PPM.get(duration_s) if batch == 8 else None
            lines.append(
                [
                    f"{batch}",
                    f"{duration_s:g} s",
                    "" if target is None else f"{target:g} ppm",
                    f"{one['rms_ppm']:.0f} ppm",
                    f"{one['stated_over_rms']:.2f}",
                    f"{100 * one['within_1u']:.0f} / {100 * one['within_2u']:.0f} %",
                    f"{one['least_squares_ppm']:.0f} ppm",
                ]
            )
    ticks, live = result["ticks"], result["live"]
    return "\n\n".join(
        [
            f"### Sample period by arrivals alone ({result['seeds']} seeds; jitter model in "
            "`benchmarks/timebase.py`)",
            table(
                [
                    "samples a packet",
                    "after",
                    "target (rms)",
                    "rms error",
                    "stated / rms",
                    "within 1 / 2 u",
                    "least squares",
                ],
                lines,
            ),
            f"With the sensor's own stamps (up to a period late, crystal {1e6 * SENSOR_CRYSTAL:g} "
            f"ppm), after {TICK_DURATION_S:g} s: {ticks['rms_ppm']:.0f} ppm rms, stated "
            f"{ticks['stated_ppm']:.0f}. Live, without them, the period counts as known after "
            f"{live['known_median_s']:.1f} s (median; {live['known_latest_s']:.1f} s at the "
            f"latest), off by {live['rms_then_ppm']:.0f} ppm rms then.",
        ]
    )
