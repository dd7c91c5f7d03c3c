"""From recordings to what the library takes in, by workers where that pays.

A recording to measure is a `Job`: plain values, and its place below a root. Whoever measures it
needs that recording and this program, no home and no database, so any
`concurrent.futures.Executor` will do: processes of this machine, or a cluster's. What comes back is
the same as if it had been measured here.
"""

from __future__ import annotations

import concurrent.futures
import dataclasses
import logging
import multiprocessing
import multiprocessing.connection
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis import ANALYSIS_VERSION
from analysis.errors import AnalysisError
from library.analyzed import Analyzed, MeasuredSwing
from library.catalogue import Library, calibration_label
from library.derive import HAND_U_S
from library.queries import swing_from_values
from library.sources import fingerprint
from review.process import spawning
from sensor.errors import RecordingError, SensorError
from sensor.recording.calibration import (
    Calibration,
    CalibrationError,
    calibration_for,
    sensor_key,
)
from sensor.recording.layout import IMU_FILE
from sensor.recording.opening import open_recording
from sensor.recording.reader import NO_SAMPLES, Recording
from sensor.recording.session import Session, read_session
from sensor.recording.vocabulary import FELT
from unhurried.app.day_spreads import home_prior
from unhurried.app.errors import describe
from unhurried.app.measuring import analyze
from unhurried.app.spans import span_of
from unhurried.app.traces import trace_of

if TYPE_CHECKING:
    from analysis import Swing


_log = logging.getLogger(__name__)

# Worker processes take about a second to start: less data than this is done before that. One
# second of CPU analyses some 40 MB (from memory; see benchmarks).
WORTH_WORKERS_BYTES = 60_000_000

MOST_WAITING = 64
"""Jobs that are handed to workers and not yet taken back: enough for dozens of them, and few enough
that results don't heap up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Workers:
    """Who measures, where that isn't this process.

    Attributes
    ----------
    executor : concurrent.futures.Executor
        Closed by whoever made it.
    root : Path, optional
        The folder that workers see as `root_there`; recordings outside of it are measured here.
        Left out: workers see the same files under the same names.
    root_there : str, optional
    """

    executor: concurrent.futures.Executor
    root: Path | None = None
    root_there: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One recording to measure, as values.

    Attributes
    ----------
    path : str
        Of the recording, as the library has it.
    within : str
        The same, from the root on.
    calibration : Calibration or None
        To be applied.
    label : str
        How the library names it.
    told : tuple of str
        What has to be said of it.
    """

    path: str
    within: str
    calibration: Calibration | None
    label: str
    told: tuple[str, ...]


def job_of(path: Path | str, home: Path | str, root: Path | None = None) -> Job:
    """Say what measuring a recording takes.

    Parameters
    ----------
    path, home : path
    root : Path, optional
        Above the recording; that of the file system by default.

    Raises
    ------
    SensorError
        It is no recording, or its session.json cannot be read.
    ValueError
        It isn't below the root.
    """
    path, home = Path(path).resolve(), Path(home)
    if not path.is_dir():
        raise RecordingError(path, "is not a recording: make one of it with 'unhurried import'")
    within = path.relative_to(root.resolve() if root is not None else path.anchor).as_posix()
    session = read_session(path)
    chosen, told = _calibration_of(session, home)
    return Job(
        path=str(path),
        within=within,
        calibration=chosen,
        label=calibration_label(home, session),
        told=tuple(told),
    )


def _calibration_of(session: Session, home: Path) -> tuple[Calibration | None, list[str]]:
    """Return the calibration that applies to a recording by itself, and what to say of it."""
    try:
        chosen = calibration_for(
            home,
            session.sensor,
            session.start,
            gyr_range_dps=session.gyr_range_dps,
            acc_range_g=session.acc_range_g,
        )
    except CalibrationError as error:
        return None, [f"no calibration applied: {error}"]
    return chosen, []


def open_with_calibration(path: Path, home: Path) -> tuple[Recording, list[str]]:
    """Open a recording with the calibration that applies by itself.

    Returns
    -------
    recording : Recording
    warnings : list of str
        Also those about the calibration.
    """
    chosen, told = _calibration_of(read_session(path), home)
    recording = open_recording(path, calibration=chosen)
    return recording, [*recording.warnings, *told]


def _values(swing: Swing) -> dict[str, Any]:
    out = dict(swing.as_dict())
    budget = getattr(swing, "budget", None)
    if budget is not None:
        out["budget"] = {
            name: [[part.source, part.u, part.shared] for part in parts]
            for name, parts in budget.items()
        }
    if swing.scale_growth:
        out["scale_growth"] = {name: list(axes) for name, axes in swing.scale_growth.items()}
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
    """Measure a recording for the library, here.

    Raises
    ------
    SensorError, AnalysisError
    """
    job = job_of(path, home)
    return _measured(job, Path(job.path))


def _measured(job: Job, path: Path) -> Analyzed:
    """Measure the recording of a job, which lies here at `path`.

    Raises
    ------
    SensorError, AnalysisError
    """
    files = fingerprint(path)
    recording = open_recording(path, calibration=job.calibration)
    warnings = [*recording.warnings, *job.told]
    with recording:
        if recording.n_samples == 0:
            reasons = "; ".join(w for w in warnings if w != NO_SAMPLES)
            raise RecordingError(path, f"holds no samples{': ' if reasons else ''}{reasons}")
        # What was said afterwards is kept beside it, and counts in the library's own way.
        found = analyze(recording, said_kinds=False)
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
            path=job.path,
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
            calibration=job.label,
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
            sore=next((m.seq for m in recording.markers if m.kind == "sore"), None),
        )


def _done(job: Job, root: str | None) -> Analyzed | str:
    """Do a job, in a worker or here; what goes wrong comes back as its line.

    `root` is the job's root where this runs; None: that of the file system.
    """
    path = Path(job.path) if root is None else Path(root) / job.within
    try:
        return _measured(job, path)
    except (SensorError, AnalysisError) as error:
        line = str(error)
    except Exception as error:
        # One bad recording must not keep the good ones out.
        _log.exception("%s", path)
        line, _ = describe(error)
    # It may be known by another name where it was measured.
    line = line.replace(str(path), job.path)
    return line if line.startswith(job.path) else f"{job.path}: {line}"


def analyze_many(
    paths: Sequence[Path],
    home: Path,
    *,
    workers: int | Workers | None = None,
) -> Iterator[tuple[Path, Analyzed | str]]:
    """Measure recordings, each as it is done; a string is why one could not be measured.

    Parameters
    ----------
    paths : sequence of Path
    home : Path
    workers : int or Workers, optional
        Processes of this machine, 1 is this one; or whose executor is to be used. By default as
        many processes as there are processors, where it pays.
    """
    # The longest first, so that none is left for the end alone.
    sizes = {path: _size(path) for path in paths}
    if isinstance(workers, Workers):
        yield from _by_executor(sorted(paths, key=lambda path: -sizes[path]), home, workers)
        return
    if workers is None:
        workers = os.cpu_count() or 1
        if sum(sizes.values()) < WORTH_WORKERS_BYTES:
            workers = 1
    workers = min(workers, len(paths))
    if workers <= 1:
        for path in paths:
            yield path, _here(path, home)
        return
    pool = concurrent.futures.ProcessPoolExecutor(
        workers, mp_context=spawning(), initializer=end_with_parent
    )
    try:
        ordered = sorted(paths, key=lambda path: -sizes[path])
        yield from _by_executor(ordered, home, Workers(executor=pool))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _here(path: Path, home: Path) -> Analyzed | str:
    try:
        return _done(job_of(path, home), None)
    except SensorError as error:
        return str(error)


def _by_executor(
    paths: Iterable[Path], home: Path, workers: Workers
) -> Iterator[tuple[Path, Analyzed | str]]:
    todo = iter(paths)
    waiting: dict[concurrent.futures.Future[Analyzed | str], Path] = {}
    try:
        while True:
            for path in islice(todo, MOST_WAITING - len(waiting)):
                try:
                    job = job_of(path, home, workers.root)
                except SensorError as error:
                    yield path, str(error)
                except ValueError:
                    # Where the workers can't see it.
                    yield path, _here(path, home)
                else:
                    waiting[workers.executor.submit(_done, job, workers.root_there)] = path
            if not waiting:
                return
            done, _ = concurrent.futures.wait(
                waiting, return_when=concurrent.futures.FIRST_COMPLETED
            )
            for future in done:
                path = waiting.pop(future)
                yield path, _taken_back(path, future)
    finally:
        for future in waiting:
            future.cancel()


def _taken_back(path: Path, future: concurrent.futures.Future[Analyzed | str]) -> Analyzed | str:
    """Return what a worker made of a recording, or in a line why there is nothing."""
    try:
        found = future.result()
    except concurrent.futures.BrokenExecutor:
        return f"{path}: the process that measured it was ended: try again"
    except Exception as error:
        # Of the executor's own kind: a cluster that lost the worker again and again, for instance.
        _log.exception("%s", path)
        return f"{path}: no worker could measure it ({describe(error)[0]}): try again"
    if isinstance(found, Analyzed) and found.analysis_version != ANALYSIS_VERSION:
        return (
            f"{path}: the worker has version {found.analysis_version} of the analysis, and this is "
            f"{ANALYSIS_VERSION}: install the same unhurried there"
        )
    return found


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
    library = make(home, remeasure=_remeasure(home))
    library.prior = home_prior(home)
    return library
