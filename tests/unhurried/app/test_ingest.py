"""Recordings measured by others than this process: by any executor, and by a cluster of Dask's."""

from __future__ import annotations

import concurrent.futures
import dataclasses
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from patience import PATIENCE_S

from library.analyzed import Analyzed
from library.catalogue import Library
from sensor.recording.calibration import Calibration, save_calibration
from unhurried.app import ingest
from unhurried.app.ingest import Workers, analyze_many, analyze_one
from unhurried.cli import run

ROOT = Path(__file__).parents[3]
DEMO = ("monday-wrist", "thursday-glove", "tuesday-club")


class Clerk(concurrent.futures.Executor):
    """Does each job at once, with a look at what it is."""

    def __init__(self) -> None:
        self.jobs: list[tuple[Any, ...]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **options: Any) -> Any:
        self.jobs.append(args)
        future: concurrent.futures.Future[Any] = concurrent.futures.Future()
        future.set_running_or_notify_cancel()
        try:
            future.set_result(fn(*args, **options))
        except BaseException as error:
            future.set_exception(error)
        return future


def change_session(folder: Path, **fields: Any) -> None:
    file = folder / "session.json"
    file.chmod(0o644)
    file.write_text(json.dumps({**json.loads(file.read_text()), **fields}), encoding="utf-8")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    home = tmp_path / "home"
    home.mkdir()
    return home


@pytest.fixture
def recordings(tmp_path: Path) -> list[Path]:
    paths = []
    for name in DEMO:
        paths.append(tmp_path / "recordings" / name)
        shutil.copytree(ROOT / "recordings" / name, paths[-1])
    return paths


def test_any_executor_gives_what_one_machine_gives(home: Path, recordings: list[Path]) -> None:
    alone = {path: analyze_one(path, home) for path in recordings}
    clerk = Clerk()
    assert dict(analyze_many(recordings, home, workers=Workers(executor=clerk))) == alone
    assert len(clerk.jobs) == len(recordings)
    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        assert dict(analyze_many(recordings, home, workers=Workers(executor=pool))) == alone


def test_a_calibration_goes_along_as_a_value(home: Path, recordings: list[Path]) -> None:
    path = recordings[0]
    change_session(path, sensor={"name": "sensor", "serial": "sim-0001"})
    save_calibration(
        home,
        Calibration(
            key="sim-0001",
            made_at="2026-01-01T10:00:00+01:00",
            gyr_matrix=((1.01, 0.0, 0.0), (0.0, 1.01, 0.0), (0.0, 0.0, 1.01)),
            gyr_scale_u=0.002,
        ),
    )
    alone = analyze_one(path, home)
    assert alone.calibration.startswith("sim-0001")
    clerk = Clerk()
    found = dict(analyze_many([path], home, workers=Workers(executor=clerk)))
    assert found == {path: alone}
    (job, _) = clerk.jobs[0]
    assert job.calibration is not None
    assert str(home) not in repr(job)
    plain = analyze_one(path, home / "another")
    assert plain.swings[0].values["turn_deg"] != alone.swings[0].values["turn_deg"]


def test_workers_see_the_files_under_another_name(
    home: Path, recordings: list[Path], tmp_path: Path
) -> None:
    there = tmp_path / "mnt"
    (tmp_path / "recordings").rename(there)
    (tmp_path / "recordings").symlink_to(there)
    alone = [analyze_one(path, home) for path in recordings]
    there_root = tmp_path / "elsewhere"
    there.rename(there_root)
    (tmp_path / "mnt").mkdir()
    for path in recordings:
        # What has to be known to make a job, and no samples.
        (tmp_path / "mnt" / path.name).mkdir()
        shutil.copy(there_root / path.name / "session.json", tmp_path / "mnt" / path.name)
    root = tmp_path / "recordings"
    by = Workers(executor=Clerk(), root=root, root_there=str(there_root))
    assert [found for _, found in sorted(analyze_many(recordings, home, workers=by))] == alone
    # What can't be measured there is told by its name here.
    shutil.rmtree(there_root / recordings[0].name)
    found = dict(analyze_many(recordings[:1], home, workers=by))[recordings[0]]
    assert isinstance(found, str)
    assert found.startswith(str(recordings[0].resolve()))
    assert "elsewhere" not in found


def test_what_workers_cannot_see_is_measured_here(
    home: Path, recordings: list[Path], tmp_path: Path
) -> None:
    (tmp_path / "root").mkdir()
    clerk = Clerk()
    by = Workers(executor=clerk, root=tmp_path / "root", root_there="/mnt")
    ((_, found),) = analyze_many(recordings[:1], home, workers=by)
    assert found == analyze_one(recordings[0], home)
    assert clerk.jobs == []


def test_a_bad_recording_and_a_lost_worker_keep_none_of_the_others_out(
    home: Path, recordings: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    (recordings[0] / "session.json").write_text("{", encoding="utf-8")
    (recordings[1] / "imu.npy").unlink()
    found = dict(analyze_many(recordings, home, workers=Workers(executor=Clerk())))
    assert isinstance(found[recordings[2]], Analyzed)
    for path in recordings[:2]:
        line = found[path]
        assert isinstance(line, str)
        assert line.startswith(str(path))
        assert "\n" not in line

    def lost(*_: object) -> None:
        raise concurrent.futures.BrokenExecutor

    monkeypatch.setattr(ingest, "_done", lost)
    ((_, line),) = analyze_many(recordings[2:], home, workers=Workers(executor=Clerk()))
    assert line == f"{recordings[2]}: the process that measured it was ended: try again"


def test_a_worker_with_another_analysis_is_not_believed(
    home: Path, recordings: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    old = dataclasses.replace(analyze_one(recordings[1], home), analysis_version="2")
    monkeypatch.setattr(ingest, "_measured", lambda *_: old)
    ((_, line),) = analyze_many(recordings[1:2], home, workers=Workers(executor=Clerk()))
    assert isinstance(line, str)
    assert "version 2" in line
    assert "install the same unhurried there" in line


def test_no_more_wait_than_are_worth_it(
    home: Path, recordings: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest, "MOST_WAITING", 1)
    clerk = Clerk()
    found = analyze_many(recordings, home, workers=Workers(executor=clerk))
    next(found)
    assert len(clerk.jobs) == 1
    assert len(list(found)) == 2


# -- a cluster -------------------------------------------------------------------------------------


def started(*words: str, cwd: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", *words],
        cwd=cwd,
        # Workers have no home of their own to look into.
        env={**os.environ, "PYTHONPATH": str(ROOT), "UNHURRIED_HOME": str(cwd / "nobody's")},
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """A scheduler and two workers, each a process of its own, as one starts them by hand."""
    distributed = pytest.importorskip("distributed")
    plain = ("--no-dashboard", "--host", "127.0.0.1")
    scheduler = started("distributed.cli.dask_scheduler", *plain, "--port", "0", cwd=tmp_path)
    processes = [scheduler]
    try:
        assert scheduler.stderr is not None
        address = next(
            found[0]
            for line in scheduler.stderr
            if (found := re.search(r"tcp://127\.0\.0\.1:\d+", line))
        )
        for _ in range(2):
            processes.append(
                started(
                    "distributed.cli.dask_worker",
                    address,
                    *("--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1"),
                    cwd=tmp_path,
                )
            )
        with distributed.Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=PATIENCE_S)
        yield address, processes[1:]
    finally:
        for process in processes:
            process.kill()
            process.wait(PATIENCE_S)
            assert process.stderr is not None
            process.stderr.close()


@pytest.mark.slow
def test_a_cluster_loses_nothing_when_a_worker_is_killed(
    cluster: tuple[str, list[subprocess.Popen[str]]], home: Path, tmp_path: Path
) -> None:
    from unhurried.app.cluster import cluster_of

    address, workers = cluster
    paths = []
    for k in range(8):
        paths.append(tmp_path / "recordings" / str(k))
        shutil.copytree(ROOT / "recordings" / "thursday-glove", paths[-1])
        change_session(paths[-1], id=f"00000000-0000-4000-8000-{k:012d}")
    alone = dict(analyze_many(paths, home, workers=1))
    found = {}
    with cluster_of(address) as by:
        client = by.executor._client  # type: ignore[attr-defined]
        for number, (path, one) in enumerate(analyze_many(paths, home, workers=by)):
            found[path] = one
            if number == 0:
                assert len(client.processing()) == 2
                assert all(client.processing().values())
                workers[0].send_signal(signal.SIGKILL)
    assert workers[0].wait(PATIENCE_S) == -signal.SIGKILL
    assert found == alone
    # The command, on the worker that is left.
    with Library(home) as library:
        library.remember([tmp_path / "recordings"])
    assert run(["library", "update", "--home", str(home), "--cluster", address]) == 0
    with Library(home) as library:
        assert len(library.sessions()) == len(paths)


def test_a_cluster_that_is_not_there_is_said(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("unhurried.app.cluster.ANSWER_S", 0.2)
    words = ["library", "update", "--home", str(home), "--cluster"]
    assert run([*words, "tcp://127.0.0.1:9"]) == 1
    assert "no Dask scheduler answers there" in capsys.readouterr().err
    assert run([*words, "tcp://127.0.0.1:9", "--workers", "2"]) == 2
    assert run(["library", "update", "--cluster-root", "a=b"]) == 2
    assert run([*words, "tcp://127.0.0.1:9", "--cluster-root", "a"]) == 2
