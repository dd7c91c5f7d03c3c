"""Small invented sessions for tests of the library: real recordings' folders, invented numbers."""

from __future__ import annotations

import dataclasses
import shutil
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from analysis.swing.results import ANALYSIS_VERSION, Swing
from library.analyzed import Analyzed, MeasuredSwing
from library.sources import fingerprint
from sensor.recording.annotations import SwingSpan
from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.session import Session, read_session
from sensor.recording.writer import RecordingWriter

RATE_HZ = 200.0
EVERY_S = 10.0


def session_id(number: int) -> str:
    """An id that is the same each time."""
    return str(uuid.UUID(int=(number << 112) + 0x5EED, version=4))


def make_recording(
    folder: Path,
    number: int = 1,
    *,
    player: str | None = "Ida",
    club: str | None = "7 iron",
    mount: str | None = "wrist",
    start: str = "2026-05-01T18:30:00+02:00",
    markers: Sequence[dict[str, Any]] = (),
) -> Path:
    """Write a short recording of a sensor at rest."""
    session = Session.new(
        nominal_rate_hz=RATE_HZ,
        id=session_id(number),
        start=start,
        mount=mount,
        player=player,
        club=club,
        handedness="right",
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        gyr_dps_per_count=0.07,
        acc_m_s2_per_count=0.005,
        sensor={"name": "W1", "serial": "A7-31"},
    )
    rows = np.zeros(400, COUNTS_DTYPE)
    rows["seq"] = np.arange(400)
    rows["az"] = 1962
    packets = np.zeros(40, PACKET_DTYPE)
    packets["first_seq"] = np.arange(0, 400, 10)
    packets["count"] = 10
    packets["arrival_ns"] = (packets["first_seq"] / RATE_HZ * 1e9).astype(np.int64)
    with RecordingWriter(folder, session) as writer:
        writer.append(packets, rows)
        for marker in markers:
            writer.mark(**marker)
    return folder


def swing_values(k: int, rng: np.random.Generator, **given: Any) -> dict[str, Any]:
    """Numbers of a swing as ``analyze --json`` has them; the k-th, from 1, of a session."""
    takeaway_s = EVERY_S * k
    back, down = float(rng.normal(0.9, 0.03)), float(rng.normal(0.28, 0.01))
    values: dict[str, Any] = {item.name: None for item in dataclasses.fields(Swing)}
    for inner in ("budget", "scale_growth"):
        values.pop(inner, None)
    values.update(
        index=k,
        takeaway_s=takeaway_s,
        top_s=takeaway_s + back,
        impact_s=takeaway_s + back + down,
        finish_s=takeaway_s + back + down + 0.4,
        strike=k % 2 == 0,
        impact_basis="shock" if k % 2 == 0 else "least_turn",
        backswing_ms=1e3 * back,
        downswing_ms=1e3 * down,
        swing_ms=1e3 * (back + down),
        tempo_ratio=back / down,
        turn_deg=float(rng.normal(130.0, 3.0)),
        peak_rate_dps=float(rng.normal(1000.0, 20.0)),
        top_dwell_ms=float(rng.uniform(20, 60)),
        gap_ms=0.0,
        pause_ms=0.0,
        transition_ms=float(rng.uniform(60, 90)),
        clipped=[],
        bounds=[],
        zero_dps=[0.5, -1.0, 0.25],
        notes=[{"code": "axis", "text": "the long axis can't be told here"}],
    )
    for name, value in list(values.items()):
        if f"{name}_u" in values and value is not None:
            values[f"{name}_u"] = abs(float(value)) * 0.004 + 0.001
    values.update(given)
    return values


def analyzed(
    folder: Path, n: int = 6, *, seed: int = 0, swings: Sequence[dict[str, Any]] = (), **given: Any
) -> Analyzed:
    """What an analysis of a recording could have given: n swings, every other one at a ball."""
    rng = np.random.default_rng(seed)
    session = read_session(folder)
    values = list(swings) or [swing_values(k, rng) for k in range(1, n + 1)]
    made = []
    for one in values:
        at_s = one["impact_s"] if one["impact_s"] is not None else one["top_s"]
        known = [one[f"{e}_s"] for e in ("takeaway", "top", "impact", "finish")]
        known = [at for at in known if at is not None]
        made.append(
            MeasuredSwing(
                values=one,
                span=SwingSpan(
                    seq=round(at_s * RATE_HZ),
                    first_seq=min(known) * RATE_HZ,
                    last_seq=max(known) * RATE_HZ,
                ),
                at_seq=at_s * RATE_HZ,
                at_s=at_s,
            )
        )
    first = {
        "player": session.player,
        "handedness": session.handedness,
        "club": session.club,
        "intent": None,
        "ball": None,
        "block": None,
    }
    fields: dict[str, Any] = {
        "id": session.id,
        "path": str(folder),
        "start": session.start,
        "mount": session.mount,
        "sensor": dict(session.sensor),
        "sensor_key": "a7-31",
        "rate_hz": RATE_HZ,
        "period_s": 1.0 / RATE_HZ,
        "duration_s": EVERY_S * (len(made) + 2),
        "lost_samples": 0,
        "short_strokes": 0,
        "analysis_version": ANALYSIS_VERSION,
        "program_version": session.program_version,
        "files": fingerprint(folder),
        "segments": ((0, 0.0, first),),
        "swings": tuple(made),
        **given,
    }
    return Analyzed(**fields)


def copy_recording(source: Path, target: Path) -> Path:
    """Copy a recording as a person would."""
    return Path(shutil.copytree(source, target))
