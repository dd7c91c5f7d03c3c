"""A cluster of Dask's on this machine: what it costs a recording, and what a second worker brings.

Wall-clock time, from the first recording handed out to the last taken back; workers are started and
warm before. Whether one machine is enough is answered from the same figures.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.report import table
from benchmarks.speed import RATE_HZ, the_hour
from sensor.recording.layout import PACKET_DTYPE
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter
from unhurried.app.cluster import cluster_of
from unhurried.app.ingest import Workers, analyze_many
from words.units import G_N_M_S2

__all__ = ["run", "tables"]

RECORDINGS = 12
ROOT = Path(__file__).resolve().parents[1]

ACADEMY = {"players": 40, "sessions_a_week": 3, "weeks": 45, "hours": 1.0}
"""An academy, as large as one is taken to be here (assumed): 5,400 hours a year."""


def _write(folder: Path, number: int, samples: Any) -> Path:
    """Write a recording of some minutes, each with an id of its own."""
    packets = np.zeros(len(samples) // 8, PACKET_DTYPE)
    packets["first_seq"] = np.arange(len(packets)) * 8
    packets["count"] = 8
    packets["arrival_ns"] = ((packets["first_seq"] + 8) / RATE_HZ * 1e9).astype(np.int64)
    session = Session.new(
        nominal_rate_hz=RATE_HZ,
        id=f"00000000-0000-4000-8000-{number:012d}",
        mount="wrist",
        player="Ida",
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        gyr_dps_per_count=2000.0 / 32768,
        acc_m_s2_per_count=16.0 * G_N_M_S2 / 32768,
    )
    path = folder / str(number)
    with RecordingWriter(path, session) as writer:
        writer.append(packets, samples)
    return path


def _start(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", *words], cwd=ROOT, stderr=subprocess.PIPE, text=True
    )


@contextmanager
def _cluster(workers: int) -> Iterator[Workers]:
    """Give a scheduler and its workers, each a process."""
    plain = ("--no-dashboard", "--host", "127.0.0.1")
    processes = [_start("distributed.cli.dask_scheduler", *plain, "--port", "0")]
    try:
        said = processes[0].stderr
        assert said is not None
        found = (re.search(r"tcp://127\.0\.0\.1:\d+", line) for line in said)
        address = next(one[0] for one in found if one)
        alone = ("--nthreads", "1", "--no-nanny", *plain)
        for _ in range(workers):
            processes.append(_start("distributed.cli.dask_worker", address, *alone))
        from distributed import Client

        make: Any = Client
        with make(address, set_as_default=False) as client:
            client.wait_for_workers(workers)
        with cluster_of(address) as by:
            yield by
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait(30)
            if process.stderr is not None:
                process.stderr.close()


def _took(what: Callable[[], object]) -> float:
    start = time.perf_counter()
    what()
    return time.perf_counter() - start


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure. `shift` changes nothing: times don't hang on the seed."""
    del shift
    hour = the_hour()
    samples = hour[: len(hour) // (12 if quick else 4)]
    number = 4 if quick else RECORDINGS
    with tempfile.TemporaryDirectory() as place:
        folder, home = Path(place) / "recordings", Path(place) / "home"
        folder.mkdir()
        home.mkdir()
        paths = [_write(folder, k, samples) for k in range(number)]

        def measure(workers: int | Workers) -> dict[Path, Any]:
            return dict(analyze_many(paths, home, workers=workers))

        due = measure(1)
        here_s = _took(lambda: measure(1))
        took = {}
        for workers in (1, 2):
            with _cluster(workers) as by:
                # What a worker imports once isn't asked after here.
                assert measure(by) == due
                took[workers] = _took(lambda by=by: measure(by))  # type: ignore[misc]
    recorded_s = number * len(samples) / RATE_HZ
    return {
        "recordings": number,
        "minutes": len(samples) / RATE_HZ / 60.0,
        "here_s": here_s,
        "one_s": took[1],
        "two_s": took[2],
        "overhead_ms": 1e3 * (took[1] - here_s) / number,
        "speed_up_1": here_s / took[1],
        "speed_up_2": here_s / took[2],
        "x": recorded_s / here_s,
    }


def tables(results: dict[str, Any]) -> str:
    """Make the table of the report."""
    hours = 1.0
    for factor in ACADEMY.values():
        hours *= factor
    first = table(
        [f"{results['recordings']} recordings of {results['minutes']:.0f} min", "time", "speed-up"],
        [
            ["this process", f"{results['here_s']:.1f} s", "1"],
            ["a cluster's one worker", f"{results['one_s']:.1f} s", f"{results['speed_up_1']:.2f}"],
            ["... two", f"{results['two_s']:.1f} s", f"{results['speed_up_2']:.2f}"],
        ],
    )
    return (
        f"{first}\n\nOverhead: {results['overhead_ms']:.0f} ms a recording. One core measures "
        f"{results['x']:.0f} times as fast as it was recorded: {hours:,.0f} hours, an academy's "
        f"year, take {hours / results['x']:.1f} core-hours."
    )
