"""Swings invented in hours without any: real recordings, and simulated other motion."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import resample_poly

from analysis import SwingFinder
from benchmarks.baseline import plain_swings
from benchmarks.report import table
from sensor.recording.layout import AXES
from simulation.motion.action import MODELS, MOUNTS, Kind
from simulation.sessions import SessionSpec, simulate_session, simulate_swing

Array = npt.NDArray[np.float64]

__all__ = ["run", "tables"]

SEEDS = 950_000
QUICK_SEEDS = 995_000
PIECE_MINUTES = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """A stretch without swings."""

    name: str
    mount: str | None
    rate_hz: float
    seq: npt.NDArray[np.int64]
    acc_m_s2: Array
    gyr_dps: Array
    known: dict[str, Any]
    doing: tuple[tuple[float, str], ...] = ()
    """When each simulated movement began, and what it was."""

    def at(self, seq: int) -> str:
        """Say where in the piece a sample is, and during what."""
        time_s = seq / self.rate_hz
        during = [name for start_s, name in self.doing if start_s <= time_s]
        return f"{self.name} at {time_s:.1f} s" + (f" ({during[-1]})" if during else "")


def _real(*, quick: bool) -> Iterator[tuple[str, _Piece]]:
    """Yield the real recordings, which are fetched with pip when they are first needed."""
    from tests.shared import real_data

    def piece(one: real_data.RealRecording, mount: str | None, rate_hz: int) -> _Piece:
        share = Fraction(rate_hz, round(one.rate_hz))
        acc, gyr = one.acc_m_s2, one.gyr_dps
        if share != 1:
            acc, gyr = (
                resample_poly(x, share.numerator, share.denominator, axis=0, padtype="line")
                for x in (acc, gyr)
            )
        return _Piece(
            name=one.name,
            mount=mount,
            rate_hz=float(rate_hz),
            seq=np.arange(len(gyr)),
            acc_m_s2=acc,
            gyr_dps=gyr,
            known={},
        )

    exercises = real_data.shoulder_exercises()[:: 10 if quick else 1]
    for rate_hz in (50, 200):
        for mount in ("wrist", None):
            label = f"shoulder exercises (seglearn), {rate_hz} Hz, mount {mount or 'not told'}"
            for one in exercises:
                yield label, piece(one, mount, rate_hz)
    for one in real_data.walking_and_hand():
        for mount in (*MOUNTS, None):
            label = f"{one.name} (scikit-kinematics), every mount"
            yield label, piece(one, mount, round(one.rate_hz))


def _simulated(*, quick: bool, shift: int) -> Iterator[tuple[str, _Piece]]:
    """Yield two hours of walking, teeing up, throwing, hammering, ... shared among the mounts."""
    pieces = 1 if quick else 6
    for k, mount in enumerate(m for m in MOUNTS for _ in range(pieces)):
        minutes = 1.0 if quick else PIECE_MINUTES
        made = simulate_session(
            SessionSpec(mount=mount, minutes=minutes, swings=0, rate_hz=200.0),
            seed=(QUICK_SEEDS if quick else SEEDS) + shift + k,
        )
        session, samples = made.session, made.samples
        counts = np.stack([samples[axis] for axis in AXES], axis=1).astype(np.float64)
        yield (
            f"simulated other motion, {mount}",
            _Piece(
                # The benchmark's own seeds aren't looked at while developing.
                name=f"seed {made.seed}" if quick or shift else f"piece {k + 1}",
                doing=tuple(
                    (one.start_s * made.true_rate_hz / session.nominal_rate_hz, one.name)
                    for one in made.stretches
                ),
                mount=mount,
                rate_hz=200.0,
                seq=samples["seq"],
                acc_m_s2=counts[:, :3] * (session.acc_m_s2_per_count or 1.0),
                gyr_dps=counts[:, 3:] * (session.gyr_dps_per_count or 1.0),
                known={
                    "gyr_range_dps": session.gyr_range_dps,
                    "acc_range_g": session.acc_range_g,
                    "gyr_delay_s": session.gyr_delay_s,
                    "acc_delay_s": session.acc_delay_ms / 1e3,
                },
            ),
        )
    kinds: tuple[Kind, ...] = ("aborted", "short")
    for kind in kinds:
        seed = (QUICK_SEEDS if quick else SEEDS) + shift + 1000 * (1 + kinds.index(kind))
        for model in MODELS:
            for mount in MOUNTS:
                for _ in range(1 if quick else 8):
                    seed += 1
                    swing = simulate_swing(seed, model=model, mount=mount, kind=kind, strike=False)
                    if any(truth.counts_as_swing for truth in swing.truth):
                        continue
                    yield (
                        "swings given up" if kind == "aborted" else "strokes under 30 deg",
                        _Piece(
                            name=f"{model}" + (f", seed {seed}" if quick or shift else ""),
                            mount=mount,
                            rate_hz=swing.nominal_rate_hz,
                            seq=swing.seq,
                            acc_m_s2=swing.acc_m_s2,
                            gyr_dps=swing.gyr_dps,
                            known={
                                "gyr_range_dps": swing.gyr_range_dps,
                                "acc_range_g": swing.acc_range_g,
                                "gyr_delay_s": swing.gyr_delay_s,
                                "acc_delay_s": swing.acc_delay_s,
                            },
                        ),
                    )


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Count the swings found where there are none.

    Parameters
    ----------
    quick : bool
        A fraction of the recordings.
    shift : int
        Added to the seeds, as in `benchmarks.accuracy.run`.

    Returns
    -------
    dict
        ``rows``: for each source pieces, minutes and swings invented by either finder, and where;
        ``unavailable``: why the real recordings could not be had, or None.
    """
    from _pytest.outcomes import OutcomeException

    rows: dict[str, dict[str, Any]] = {}

    def count(label: str, piece: _Piece) -> None:
        row = rows.setdefault(
            label, {"pieces": 0, "minutes": 0.0, "unhurried": 0, "plain": 0, "where": []}
        )
        finder = SwingFinder(rate_hz=piece.rate_hz, mount=piece.mount, **piece.known)
        found = finder.feed(piece.seq, piece.acc_m_s2, piece.gyr_dps) + finder.flush()
        row["pieces"] += 1
        row["minutes"] += len(piece.seq) / piece.rate_hz / 60.0
        row["unhurried"] += len(found)
        row["where"] += [f"{piece.at(one.anchor_seq)}, as {piece.mount}" for one in found]
        row["plain"] += len(
            plain_swings(piece.seq, piece.acc_m_s2, piece.gyr_dps, rate_hz=piece.rate_hz)
        )

    unavailable = None
    try:
        for label, piece in _real(quick=quick):
            count(label, piece)
    except OutcomeException as error:
        unavailable = str(error)
    for label, piece in _simulated(quick=quick, shift=shift):
        count(label, piece)
    return {"rows": rows, "unavailable": unavailable}


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    lines = [
        [
            name,
            *(str(row["pieces"]), f"{row['minutes']:.1f}"),
            *("0", str(row["unhurried"]), str(row["plain"])),
        ]
        for name, row in result["rows"].items()
    ]
    head = ["swings invented in", "pieces", "minutes", "target", "unhurried", "plain"]
    parts = ["### Invented swings", table(head, lines)]
    if result["unavailable"]:
        parts.append(f"Left out: {result['unavailable']}")
    where = [f"- {name}: {w}" for name, row in result["rows"].items() for w in row["where"]]
    if where:
        parts.append("\n".join(["Invented:", *where[:20]]))
    return "\n\n".join(parts)
