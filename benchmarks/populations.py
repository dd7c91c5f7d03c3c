"""What recognition is fitted and judged on: figures of all that looks like a swing for a moment.

A *candidate* is an outline around a peak of rotation (`analysis.swing.outline`). Here simulated
swings of three models, other motion and real recordings are played to the finder, and every
candidate is kept with its figures and with what it truly was. Seeds of fit, choice and test are
disjoint: `FIT` from 2 000 000 on, those that a way of fitting was chosen by from 2 300 000 on,
`TEST` from 2 500 000 on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.swing.finder import SwingFinder
from analysis.swing.outline import Outline, OutlineParams
from analysis.swing.recognise import Verdict
from analysis.swing.score import FIGURES, figures, impossible
from sensor.recording.layout import AXES
from simulation.motion.action import MODELS, MOUNTS, Handedness, Kind, Model, Mount, SwingTruth
from simulation.motion.wide import GENERATORS, wide_swing
from simulation.sessions import (
    PlayerSpec,
    SessionSpec,
    SimulatedSession,
    SimulatedSwing,
    grid_rate_hz,
    simulate_session,
    simulate_swing,
)
from words.units import G_N_M_S2

__all__ = ["FIT", "TEST", "Size", "candidates", "other_motion", "real_motion", "sessions", "swings"]

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.void]

FIT = 2_000_000
TEST = 2_500_000
CACHE = Path(__file__).resolve().parents[1] / ".cache" / "bench"
RATE_HZ = 200.0
"""Of what is fitted on; figures are made of 20 ms means, whatever the rate."""

ROW = np.dtype(
    [
        ("source", "U24"),
        ("mount", "U8"),
        ("kind", "U16"),
        ("piece", "i8"),
        ("swing", "i4"),  # which true swing of the piece; -1: none
        ("rally", "?"),
        ("impossible", "U12"),
        ("turn_deg", "f8"),
        ("at_s", "f8"),
        ("figures", "f8", (len(FIGURES),)),
        ("frame", "f8", (9,)),  # up, axis back, axis down in the sensor's frame
    ]
)

NEAR_TOP_S = 0.12
"""So near to the true top (or its pause) a candidate's top is the swing's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How much of each: pieces for one model and mount, hours for a mount."""

    kinds: dict[Kind, int]
    other_hours: float
    sessions: int = 0
    usual: int = 0


FIT_SIZE = Size(
    kinds={
        "full": 140,
        "part": 110,
        "rushed": 20,
        "slow": 20,
        "brushed": 8,
        "continuous": 25,
        "aborted": 20,
        "short": 25,
    },
    other_hours=8.0,
    sessions=2,
    usual=70,
)


class _Looker:
    """Sits where the finder's recogniser does, keeps all candidates and lets the true ones pass."""

    def __init__(self, truths: list[tuple[float, float, float]], block_s: float) -> None:
        self.truths = truths
        self.block_s = block_s
        self.rows: list[tuple[int, bool, Outline, float]] = []
        self.finder: SwingFinder | None = None

    def judge(self, o: Outline, *, first_block: int, rally: bool) -> Verdict:
        end_s = (first_block + o.top) * self.block_s
        begin_s = end_s - o.pause_s
        peak_s = (first_block + o.peak) * self.block_s
        which = -1
        for k, (top_s, until_s, impact_s) in enumerate(self.truths):
            near = begin_s - NEAR_TOP_S < until_s and end_s + NEAR_TOP_S > top_s
            if near and peak_s < impact_s + 2.0 * NEAR_TOP_S:
                which = k
        self.rows.append((which, rally, o, peak_s))
        if which >= 0 and self.finder is not None:
            self.finder.passed(first_block + max(o.least, o.peak))
        return Verdict(what="no", p=0.0, z=0.0)


def candidates(
    seq: npt.NDArray[np.int64],
    acc_m_s2: Array,
    gyr_dps: Array,
    *,
    rate_hz: float,
    mount: str | None,
    truths: list[tuple[float, float, float]],
    source: str,
    kind: str,
    piece: int,
    **known: Any,
) -> Rows:
    """Return all candidates of a recording.

    Parameters
    ----------
    seq, acc_m_s2, gyr_dps
        As for `SwingFinder.feed`.
    rate_hz, mount, known
        As for `SwingFinder`.
    truths : list of (float, float, float)
        Of each true swing: the top's (or its pause's) begin and end, and the impact, in s at the
        nominal rate.
    source, kind : str
    piece : int
    """
    looker = _Looker(truths, max(1, round(rate_hz * 0.02)) / rate_hz)
    finder = SwingFinder(rate_hz=rate_hz, mount=mount, recogniser=looker, **known)
    looker.finder = finder
    finder.feed(seq, acc_m_s2, gyr_dps)
    finder.flush()
    rows = np.zeros(len(looker.rows), dtype=ROW)
    for row, (which, rally, o, peak_s) in zip(rows, looker.rows, strict=True):
        values = figures(o)
        row["source"], row["mount"], row["kind"], row["piece"] = source, mount, kind, piece
        row["swing"], row["rally"], row["at_s"] = which, rally, peak_s
        row["impossible"] = impossible(o, OutlineParams()) or ""
        row["turn_deg"] = o.turn_deg
        row["figures"] = [values[name] for name in FIGURES]
        row["frame"] = np.concatenate((o.up, o.axis_back, o.axis_down))
    return rows


def _truths(
    truths: tuple[SwingTruth, ...], stretch: float = 1.0
) -> list[tuple[float, float, float]]:
    out = []
    for one in truths:
        if one.counts_as_swing and one.impact_s is not None:
            top = (one.hold_start_s or one.top_s, one.hold_end_s or one.top_s)
            out.append((top[0] * stretch, top[1] * stretch, one.impact_s * stretch))
    return out


def _chip(rng: np.random.Generator, mount: Mount) -> dict[str, Any]:
    """Ranges that may be too small, hands that may not be still."""
    options: dict[str, Any] = {
        "tremor_factor": float(np.exp(rng.uniform(math.log(0.5), math.log(3.0)))),
        "acc_range_g": float(rng.choice([8.0, 16.0, 16.0, 32.0, 64.0])),
    }
    if rng.random() < 0.3:
        options["sway_factor"] = float(rng.uniform(2.0, 8.0))
    if rng.random() < 0.25:
        least = {"trunk": (500.0,), "wrist": (1000.0,)}.get(mount, (1000.0, 2000.0))
        options["gyr_range_dps"] = float(rng.choice(least))
    return options


def wide_recording(
    seed: int,
    *,
    model: Model,
    mount: Mount,
    kind: Kind,
    rate_hz: float = RATE_HZ,
    grid_hz: float | None = None,
) -> tuple[SimulatedSwing, int]:
    """Simulate a wide swing by an ordinary or too small a sensor; also the draws that it took."""
    rng = np.random.default_rng(seed)
    strike = kind in ("full", "part", "rushed") and bool(rng.random() < 0.5)
    handedness: Handedness = "right" if rng.random() < 0.8 else "left"
    drawn = wide_swing(
        rng,
        generator=model,
        mount=mount,
        kind=kind,
        strike=strike,
        grid_hz=grid_hz or grid_rate_hz(rate_hz),
        handedness=handedness,
    )
    made = simulate_swing(
        rng,
        mount=mount,
        model=model,
        handedness=handedness,
        action=drawn.action,
        rate_hz=rate_hz,
        **_chip(rng, mount),
    )
    return made, drawn.tries


PIECE = np.dtype(
    [
        ("source", "U24"),
        ("mount", "U8"),
        ("kind", "U16"),
        ("piece", "i8"),
        ("first", "i8"),
        ("count", "i8"),
        ("acc_range", "f8"),
        ("tops", "f8", (8, 3)),
        ("draws", "i4"),
    ]
)
"""A recording as it is kept: its 20 ms means are rows ``first`` on of one array."""

BLOCK_S = 0.02


def means(acc_m_s2: Array, gyr_dps: Array, rate_hz: float, acc_range_g: float | None) -> Array:
    """Means of 20 ms, (n, 6); a channel that was at its stop within one is at its stop."""
    size = max(1, round(rate_hz * BLOCK_S))
    n = len(gyr_dps) // size
    values = np.concatenate((acc_m_s2, gyr_dps), axis=1)[: n * size].reshape(n, size, 6)
    out = values.mean(axis=1)
    if acc_range_g is not None:
        limit = acc_range_g * G_N_M_S2
        stop = np.abs(values[:, :, :3]).max(axis=1) >= 0.998 * limit
        out[:, :3] = np.where(stop, np.sign(out[:, :3]) * limit, out[:, :3])
    return np.asarray(out, dtype=np.float32)


def _kept(
    blocks: list[Array],
    *,
    source: str,
    mount: str,
    kind: str,
    piece: int,
    acc_range: float,
    truths: list[tuple[float, float, float]],
    draws: int = 0,
) -> Rows:
    row = np.zeros((), dtype=PIECE)
    row["source"], row["mount"], row["kind"], row["piece"] = source, mount, kind, piece
    row["count"], row["acc_range"], row["draws"] = len(blocks[-1]), acc_range, draws
    row["first"] = sum(map(len, blocks[:-1]))
    row["tops"] = np.nan
    for k, truth in enumerate(truths[:8]):
        row["tops"][k] = truth
    return row


def swings(model: Model, mount: Mount, kind: Kind, count: int, seed: int) -> dict[str, Any]:
    """Recordings of wide swings."""
    blocks: list[Array] = []
    pieces = []
    for k in range(count):
        made, tries = wide_recording(
            seed + k, model=model, mount=mount, kind=kind, grid_hz=4.0 * RATE_HZ
        )
        blocks.append(means(made.acc_m_s2, made.gyr_dps, RATE_HZ, made.acc_range_g))
        pieces.append(
            _kept(
                blocks,
                source=model,
                mount=mount,
                kind=kind,
                piece=seed + k,
                acc_range=made.acc_range_g,
                truths=_truths(made.truth),
                draws=tries,
            )
        )
    return {"blocks": np.concatenate(blocks), "pieces": np.asarray(pieces, dtype=PIECE)}


def rows_of(data: dict[str, Any]) -> Rows:
    """Candidates of all recordings of a kind, as a finder at 50 Hz sees their 20 ms means."""
    out = []
    for one in data["pieces"]:
        part = data["blocks"][one["first"] : one["first"] + one["count"]].astype(np.float64)
        truths = [tuple(top) for top in one["tops"].tolist() if not math.isnan(top[0])]
        out.append(
            candidates(
                np.arange(len(part)),
                part[:, :3],
                part[:, 3:],
                rate_hz=1.0 / BLOCK_S,
                mount=str(one["mount"]),
                truths=truths,
                source=str(one["source"]),
                kind=str(one["kind"]),
                piece=int(one["piece"]),
                acc_range_g=float(one["acc_range"]) or None,
            )
        )
    return np.concatenate(out)


def usual_swings(model: Model, mount: Mount, count: int, seed: int) -> dict[str, Any]:
    """Recordings of swings as most players make them (`simulation.motion.draw`)."""
    kinds: tuple[Kind, ...] = ("full", "full", "full", "part", "rushed", "slow", "brushed")
    blocks: list[Array] = []
    pieces = []
    for k in range(count):
        kind = kinds[k % len(kinds)]
        made = simulate_swing(
            seed + k,
            mount=mount,
            model=model,
            kind=kind,
            strike=kind in ("full", "part", "rushed") and k % 2 == 0,
            handedness="left" if k % 5 == 0 else "right",
            rate_hz=RATE_HZ,
        )
        blocks.append(means(made.acc_m_s2, made.gyr_dps, RATE_HZ, made.acc_range_g))
        pieces.append(
            _kept(
                blocks,
                source="usual",
                mount=mount,
                kind=model,
                piece=seed + k,
                acc_range=made.acc_range_g,
                truths=_truths(made.truth),
            )
        )
    return {"blocks": np.concatenate(blocks), "pieces": np.asarray(pieces, dtype=PIECE)}


def _session(
    spec: SessionSpec, seed: int, source: str, blocks: list[Array], pieces: list[Any]
) -> None:
    made = simulate_session(spec, seed=seed)
    session = made.session
    _, acc, gyr = values_of(made)
    stretch = made.true_rate_hz / session.nominal_rate_hz
    truths = _truths(tuple(one.truth for one in made.truth), stretch)
    # in lengths of eight swings at most
    cuts = [0.0, *(0.5 * (truths[k - 1][2] + truths[k][0]) for k in range(8, len(truths), 8))]
    cuts.append(len(gyr) / session.nominal_rate_hz)
    for number, (a, b) in enumerate(pairwise(cuts)):
        part = slice(round(a * session.nominal_rate_hz), round(b * session.nominal_rate_hz))
        blocks.append(means(acc[part], gyr[part], session.nominal_rate_hz, session.acc_range_g))
        inside = [tuple(t - a for t in truth) for truth in truths if a <= truth[0] < b]
        pieces.append(
            _kept(
                blocks,
                source=source,
                mount=spec.mount,
                kind=source,
                piece=101 * seed + number,
                acc_range=session.acc_range_g or 0.0,
                truths=inside,  # type: ignore[arg-type]
            )
        )


def values_of(made: SimulatedSession) -> tuple[npt.NDArray[np.int64], Array, Array]:
    """Samples of a session in units."""
    session, samples = made.session, made.samples
    counts = np.stack([samples[axis] for axis in AXES], axis=1).astype(np.float64)
    acc = counts[:, :3] * (session.acc_m_s2_per_count or 1.0)
    return samples["seq"], acc, counts[:, 3:] * (session.gyr_dps_per_count or 1.0)


def other_spec(mount: Mount, minutes: float = 20.0) -> SessionSpec:
    """Nothing but other things."""
    return SessionSpec(
        mount=mount, minutes=minutes, swings=0, rate_hz=RATE_HZ, grid_hz=4.0 * RATE_HZ
    )


def other_motion(mount: Mount, hours: float, seed: int) -> dict[str, Any]:
    """Recordings of simulated motion without any swing, of 20 minutes each."""
    blocks: list[Array] = []
    pieces: list[Any] = []
    for k in range(max(1, round(hours * 3.0))):
        _session(other_spec(mount), seed + k, "other", blocks, pieces)
    return {"blocks": np.concatenate(blocks), "pieces": np.asarray(pieces, dtype=PIECE)}


def sessions(mount: Mount, count: int, seed: int) -> dict[str, Any]:
    """Recordings of whole sessions by players of the two models with their usual swings."""
    spec = SessionSpec(
        mount=mount,
        minutes=None,
        swings=30,
        rate_hz=RATE_HZ,
        grid_hz=4.0 * RATE_HZ,
        players=(PlayerSpec(), PlayerSpec(name="Bo")),
        balls_a_turn=(8, 12),
    )
    blocks: list[Array] = []
    pieces: list[Any] = []
    for k in range(count):
        _session(spec, seed + k, "session", blocks, pieces)
    return {"blocks": np.concatenate(blocks), "pieces": np.asarray(pieces, dtype=PIECE)}


def real_motion() -> Iterator[tuple[str, str, Rows]]:
    """Yield source, person and candidates of the real recordings, for every mount that they may be.

    Raises
    ------
    pytest.skip.Exception
        Where they can't be fetched.
    """
    from tests.shared import real_data

    def rows(one: Any, mount: str, source: str, person: str, number: int) -> Rows:
        return candidates(
            np.arange(len(one.gyr_dps)),
            one.acc_m_s2,
            one.gyr_dps,
            rate_hz=one.rate_hz,
            mount=mount,
            truths=[],
            source=source,
            kind=person,
            piece=number,
        )

    for number, one in enumerate(real_data.shoulder_exercises()):
        person = real_data.exercise_person(number)
        yield "seglearn", person, rows(one, "wrist", "seglearn", person, number)
    for number, one in enumerate(real_data.walking_and_hand()):
        for mount in MOUNTS:
            yield "kinematics", one.name, rows(one, mount, "kinematics", one.name, number)


def kept(label: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Take arrays from the cache, or make and keep them."""
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"recognition-{label}.npz"
    if not path.exists():
        part = path.with_name(path.stem + ".part.npz")
        np.savez_compressed(part, **make())
        part.replace(path)
    with np.load(path) as data:
        return {name: data[name] for name in data.files}


def collect(size: Size, base: int, name: str) -> dict[str, Any]:
    """Collect all simulated candidates of a population, or take them from the cache.

    Returns
    -------
    dict
        ``rows``, and ``draws``: of each model, mount and kind how many were kept and drawn.
    """
    rows: list[Rows] = []
    draws: dict[tuple[str, str, str], tuple[int, int]] = {}
    seed = base
    for model in GENERATORS:
        for mount in MOUNTS:
            for kind, count in size.kinds.items():
                make = partial(swings, model, mount, kind, count, seed)
                data = kept(f"{name}-{model}-{mount}-{kind}-{count}", make)
                rows.append(rows_of(data))
                draws[(model, mount, kind)] = (count, int(data["pieces"]["draws"].sum()))
                seed += count
    for k, mount in enumerate(MOUNTS):
        at = base + 200_000 + 1000 * k
        for j, model in enumerate(MODELS):
            if size.usual:
                start = base + 260_000 + 10_000 * j + 1000 * k
                label = f"{name}-usual-{model}-{mount}-{size.usual}"
                make = partial(usual_swings, model, mount, size.usual, start)
                rows.append(rows_of(kept(label, make)))
        label = f"{name}-other-{mount}-{size.other_hours:g}h"
        rows.append(rows_of(kept(label, partial(other_motion, mount, size.other_hours, at))))
        if size.sessions:
            label = f"{name}-session-{mount}-{size.sessions}"
            make = partial(sessions, mount, size.sessions, at + 10_000)
            rows.append(rows_of(kept(label, make)))
    return {"rows": np.concatenate(rows), "draws": draws}
