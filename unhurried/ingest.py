"""From recordings to what the library takes in, in worker processes where that pays."""

from __future__ import annotations

import concurrent.futures
import dataclasses
import multiprocessing
import multiprocessing.connection
import os
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from review.derive import HAND_U_S, Analyzed, MeasuredSwing
from review.library import Library, calibration_label, fingerprint, swing_from_values
from sensor.annotations import FELT, SwingSpan
from sensor.calibration import CalibrationError, calibration_for, sensor_key
from sensor.errors import RecordingError, SensorError
from sensor.layout import IMU_FILE
from sensor.recording import NO_SAMPLES, Recording, open_recording
from sensor.session import read_session
from unhurried.wiring import analyze_recording, trace_of

if TYPE_CHECKING:
    from analysis import Swing

__all__ = ["analyze_many", "analyze_one", "open_library", "span_of"]

# Worker processes take about a second to start: less data than this is done before that. One
# second of CPU analyses some 40 MB (from memory; see benchmarks).
WORTH_WORKERS_BYTES = 60_000_000


def open_with_calibration(path: Path, home: Path) -> tuple[Recording, list[str]]:
    """Open a recording with the calibration that applies by itself.

    Returns
    -------
    recording : Recording
    warnings : list of str
        Also those about the calibration.
    """
    session = read_session(path)
    told = []
    chosen = None
    try:
        chosen = calibration_for(
            home,
            session.sensor,
            session.start,
            gyr_range_dps=session.gyr_range_dps,
            acc_range_g=session.acc_range_g,
        )
    except CalibrationError as error:
        told.append(f"no calibration applied: {error}")
    recording = open_recording(path, calibration=chosen)
    return recording, [*recording.warnings, *told]


def span_of(swing: Swing, recording: Recording) -> tuple[SwingSpan, float, float] | None:
    """Say where a swing is among the samples; None if none of its events is known.

    Returns
    -------
    span : SwingSpan
    at_seq, at_s : float
        The instant that it is known by: impact, else the event nearest to it.
    """
    by_weight = (swing.impact_s, swing.top_s, swing.finish_s, swing.takeaway_s)
    at_s = next((at for at in by_weight if at is not None), None)
    if at_s is None:
        return None
    known = [at for at in by_weight if at is not None]
    at_seq = recording.seq_of_time(at_s)
    span = SwingSpan(
        seq=max(0, round(at_seq)),
        first_seq=recording.seq_of_time(min(known)),
        last_seq=recording.seq_of_time(max(known)),
    )
    return span, at_seq, at_s


def _values(swing: Swing) -> dict[str, Any]:
    out = dict(swing.as_dict())
    budget = getattr(swing, "budget", None)
    if budget is not None:
        out["budget"] = {
            name: [[part.source, part.u, part.shared] for part in parts]
            for name, parts in budget.items()
        }
    return out


def _said(fields: Mapping[str, Any]) -> dict[str, str]:
    """Answers of a marker in the words that are kept."""
    out = {}
    for question, answers in FELT.items():
        value = fields.get(question)
        if isinstance(value, bool):
            value = {"strike": ("not", "well"), "turn": ("short", "full")}.get(question, ("", ""))[
                value
            ]
        word = str(value).strip().lower().replace(" ", "-")
        if word in answers:
            out[question] = word
    return out


def analyze_one(path: Path | str, home: Path | str) -> Analyzed:
    """Measure a recording for the library.

    Raises
    ------
    SensorError, AnalysisError
    """
    path, home = Path(path).resolve(), Path(home)
    if not path.is_dir():
        raise RecordingError(path, "is not a recording: make one of it with 'unhurried import'")
    files = fingerprint(path)
    recording, warnings = open_with_calibration(path, home)
    with recording:
        if recording.n_samples == 0:
            reasons = "; ".join(w for w in warnings if w != NO_SAMPLES)
            raise RecordingError(path, f"holds no samples{': ' if reasons else ''}{reasons}")
        found = analyze_recording(recording)
        session = recording.session
        swings = []
        for swing in found.swings:
            where = span_of(swing, recording)
            if where is None:
                warnings.append(f"swing {swing.index} has no event that could be placed")
                continue
            span, at_seq, at_s = where
            swings.append(MeasuredSwing(values=_values(swing), span=span, at_seq=at_seq, at_s=at_s))
        starts = sorted({m.seq for m in recording.markers if m.kind == "segment"})
        if not starts or starts[0] > recording.first_seq:
            starts.insert(0, min(recording.first_seq, *starts) if starts else recording.first_seq)
        return Analyzed(
            id=session.id,
            path=str(path),
            start=session.start,
            mount=session.mount,
            sensor=dict(session.sensor),
            sensor_key=sensor_key(session.sensor),
            rate_hz=recording.rate_hz,
            period_s=recording.period_s,
            duration_s=found.duration_s,
            lost_samples=found.lost_samples,
            short_strokes=found.short_strokes,
            analysis_version=found.analysis_version,
            program_version=session.program_version,
            files=files,
            calibration=calibration_label(home, session),
            warnings=tuple(warnings),
            segments=tuple(
                (
                    int(seq),
                    max(0.0, recording.time_of_seq(seq)),
                    dataclasses.asdict(recording.segment_at(seq)),
                )
                for seq in starts
            ),
            felt=tuple(
                (m.seq, said)
                for m in recording.markers
                if m.kind == "felt" and (said := _said(m.fields))
            ),
            notes=tuple(
                (m.seq, str(m.fields["text"]))
                for m in recording.markers
                if m.kind == "note" and m.fields.get("text")
            ),
            swings=tuple(swings),
        )


def _job(path: str, home: str) -> Analyzed | str:
    """One recording in a worker; what goes wrong comes back as its line."""
    from analysis.errors import AnalysisError

    try:
        return analyze_one(path, home)
    except (SensorError, AnalysisError) as error:
        line = str(error)
    except OSError as error:
        line = error.strerror or str(error)
    return line if line.startswith(str(path)) else f"{path}: {line}"


def analyze_many(
    paths: Sequence[Path], home: Path, *, workers: int | None = None
) -> Iterator[tuple[Path, Analyzed | str]]:
    """Measure recordings, each as it is done; a string is why one could not be measured.

    Parameters
    ----------
    paths : sequence of Path
    home : Path
    workers : int, optional
        Processes; 1 is this one. By default as many as there are processors, where it pays.
    """
    sizes = [_size(path) for path in paths]
    if workers is None:
        workers = os.cpu_count() or 1
        if sum(sizes) < WORTH_WORKERS_BYTES:
            workers = 1
    workers = min(workers, len(paths))
    if workers <= 1:
        for path in paths:
            yield path, _job(str(path), str(home))
        return
    context = multiprocessing.get_context("spawn")
    pool = concurrent.futures.ProcessPoolExecutor(
        workers, mp_context=context, initializer=end_with_parent
    )
    try:
        # The longest first, so that none is left for the end alone.
        order = sorted(zip(sizes, paths, strict=True), key=lambda one: -one[0])
        jobs = {pool.submit(_job, str(path), str(home)): path for _, path in order}
        for job in concurrent.futures.as_completed(jobs):
            try:
                yield jobs[job], job.result()
            except concurrent.futures.process.BrokenProcessPool:
                yield jobs[job], f"{jobs[job]}: the process that measured it was ended: try again"
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def end_with_parent() -> None:
    """End this worker when the process that started it is gone, also when that was killed."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=wait, name="end-with-parent", daemon=True).start()


def _size(path: Path) -> int:
    try:
        return (path / IMU_FILE).stat().st_size
    except OSError:
        return 0


def _remeasure(home: Path) -> Callable[[str, Mapping[str, Any]], tuple[float, float] | None]:
    """Measure the turn between events that were set by hand, from the samples."""

    def turn(path: str, values: Mapping[str, Any]) -> tuple[float, float] | None:
        swing = swing_from_values({**values, "budget": {}})
        if swing.takeaway_s is None or swing.top_s is None or swing.top_s <= swing.takeaway_s:
            return None
        try:
            recording, _ = open_with_calibration(Path(path), home)
        except SensorError:
            return None
        with recording:
            trace = trace_of(recording, swing)
        at = [swing.takeaway_s, swing.top_s]
        if len(trace.time_s) < 2 or at[0] < trace.time_s[0] or at[1] > trace.time_s[-1]:
            return None
        inside = (trace.time_s >= at[0]) & (trace.time_s <= at[1])
        if not np.all(np.isfinite(trace.turn_deg[inside])):
            # Samples are missing there.
            return None
        _, turned = np.interp(at, trace.time_s, trace.turn_deg)
        rates = np.interp(at, trace.time_s, trace.rate_dps)
        # What the zero of the gyroscope read off the still moments may be off, and what the turn
        # changes within the uncertainty of the two events.
        before = values.get("turn_deg_u")
        parts = (1.0 if before is None else before, *(HAND_U_S * rates))
        return float(turned), float(np.sqrt(np.sum(np.square(parts))))

    return turn


def open_library(home: Path, *, anew: bool = False) -> Library:
    """Open the library of a home, able to measure again what people correct.

    Parameters
    ----------
    home : Path
    anew : bool
        For a rebuild: a damaged database is put aside.
    """
    make = Library.anew if anew else Library
    return make(home, remeasure=_remeasure(home))
