"""The recording: what is written is read, however it came and however it ended."""

from __future__ import annotations

import errno
import itertools
import json
import os
import resource
import select
import shutil
import signal
import stat
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from patience import PATIENCE_S

from sensor.errors import (
    NewerFormatError,
    RateTooLowError,
    RecordingError,
    RecordingExistsError,
    RecordingLockedError,
)
from sensor.recording import npyfile
from sensor.recording.layout import COUNTS_DTYPE, FLOAT_DTYPE, PACKET_DTYPE
from sensor.recording.lock import lock_state
from sensor.recording.npyfile import npy_header
from sensor.recording.opening import open_recording
from sensor.recording.reader import Recording
from sensor.recording.session import Session
from sensor.recording.soundrows import PIECE
from sensor.recording.writer import RecordingWriter

RATE_HZ = 200.0
GYR_SCALE = 0.07
ACC_SCALE = 0.005
BATCH = 8
HEADER = len(npy_header(COUNTS_DTYPE, 0))


def session(**fields: Any) -> Session:
    given: dict[str, Any] = {
        "nominal_rate_hz": RATE_HZ,
        "mount": "wrist",
        "gyr_range_dps": 2000.0,
        "acc_range_g": 16.0,
        "gyr_dps_per_count": GYR_SCALE,
        "acc_m_s2_per_count": ACC_SCALE,
    }
    return Session.new(**{**given, **fields})


def samples_of(seq: Any, seed: int = 0) -> np.ndarray:
    seq = np.asarray(seq, np.int64)
    rows = np.zeros(len(seq), COUNTS_DTYPE)
    rows["seq"] = seq
    rng = np.random.default_rng(seed)
    for axis in COUNTS_DTYPE.names[1:]:
        rows[axis] = rng.integers(-32768, 32768, len(seq))
    return rows


def packets_of(seq: Any, connection: int = 0, offset_s: float = 5.0) -> np.ndarray:
    """One packet for each BATCH samples, 2 ms after its last sample, on a host clock."""
    first = np.asarray(seq, np.int64)[::BATCH]
    rows = np.zeros(len(first), PACKET_DTYPE)
    rows["first_seq"] = first
    rows["count"] = BATCH
    rows["arrival_ns"] = ((first + BATCH - 1) / RATE_HZ + offset_s + 0.002) * 1e9
    rows["ticks"] = -1
    rows["connection"] = connection
    return rows


def write(folder: Path, seq: Any, *, seed: int = 0, **fields: Any) -> np.ndarray:
    rows = samples_of(seq, seed)
    with RecordingWriter(folder, session(**fields)) as out:
        out.append(packets_of(seq), rows)
    return rows


def read_all(recording: Recording, size: int = PIECE) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    blocks = list(recording.blocks(size))
    assert all(0 < len(block.seq) <= size for block in blocks)
    if not blocks:
        return np.zeros(0, np.int64), np.zeros((0, 3)), np.zeros((0, 3))
    return (
        np.concatenate([block.seq for block in blocks]),
        np.concatenate([block.acc_m_s2 for block in blocks]),
        np.concatenate([block.gyr_dps for block in blocks]),
    )


def assert_same(recording: Recording, rows: np.ndarray) -> None:
    seq, acc, gyr = read_all(recording)
    np.testing.assert_array_equal(seq, rows["seq"])
    np.testing.assert_array_equal(
        acc, np.stack([rows[a] for a in ("ax", "ay", "az")], 1) * ACC_SCALE
    )
    np.testing.assert_array_equal(
        gyr, np.stack([rows[a] for a in ("gx", "gy", "gz")], 1) * GYR_SCALE
    )


# -- writing and reading -----------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(
    steps=hnp.arrays(np.int64, st.integers(0, 60), elements=st.sampled_from([1, 1, 1, 2, 7])),
    cuts=st.lists(st.integers(0, 60), max_size=6),
    size=st.integers(1, 70),
)
def test_what_is_written_is_read_for_any_chunking(
    tmp_path_factory: pytest.TempPathFactory, steps: np.ndarray, cuts: list[int], size: int
) -> None:
    rows = samples_of(np.cumsum(steps))
    folder = tmp_path_factory.mktemp("r") / "rec"
    with RecordingWriter(folder, session()) as out:
        for part in np.split(rows, sorted(cut for cut in cuts if cut <= len(rows))):
            out.append(None, part)
    with open_recording(folder) as recording:
        assert_same(recording, rows)
        np.testing.assert_array_equal(read_all(recording, size)[0], rows["seq"])
        assert recording.n_samples == len(rows)
        missing = np.diff(rows["seq"])[np.diff(rows["seq"]) > 1] - 1
        assert [gap.missing for gap in recording.gaps] == missing.tolist()
        assert recording.lost_samples == missing.sum()
    np.testing.assert_array_equal(np.load(folder / "imu.npy"), rows)


def test_floats_come_back_as_they_are(tmp_path: Path) -> None:
    rows = np.zeros(300, FLOAT_DTYPE)
    rows["seq"] = np.arange(300)
    rows["time_s"] = np.arange(300) / 100.0
    rng = np.random.default_rng(1)
    for axis in FLOAT_DTYPE.names[2:]:
        rows[axis] = rng.normal(0.0, 10.0, 300)
    floats = Session.new(nominal_rate_hz=100.0, sample_kind="float")
    with RecordingWriter(tmp_path / "rec", floats) as out:
        out.append(None, rows)
    with open_recording(tmp_path / "rec") as recording:
        block = recording.read()
        np.testing.assert_array_equal(block.acc_m_s2[:, 1].astype(np.float32), rows["ay"])
        np.testing.assert_array_equal(block.gyr_dps[:, 2].astype(np.float32), rows["gz"])
        np.testing.assert_allclose(block.time_s, rows["time_s"], atol=1e-9)


def test_read_gives_a_range_with_both_ends(tmp_path: Path) -> None:
    seq = np.concatenate([np.arange(10, 60), np.arange(70, 100)])
    rows = write(tmp_path / "rec", seq)
    with open_recording(tmp_path / "rec") as recording:
        block = recording.read(55, 72)
        np.testing.assert_array_equal(block.seq, [55, 56, 57, 58, 59, 70, 71, 72])
        np.testing.assert_array_equal(block.acc_m_s2[0, 0], rows["ax"][45] * ACC_SCALE)
        assert len(recording.read(60, 69).seq) == 0
        assert len(recording.read(200, 300).seq) == 0
        np.testing.assert_array_equal(recording.read().seq, seq)


def test_read_finds_a_range_beyond_the_first_piece(tmp_path: Path) -> None:
    seq = np.arange(5, 2 * PIECE + 100)
    write(tmp_path / "rec", seq)
    with open_recording(tmp_path / "rec") as recording:
        for first in (PIECE, PIECE + 4, PIECE + 5, PIECE + 6, 2 * PIECE + 3):
            np.testing.assert_array_equal(
                recording.read(first, first + 3).seq, np.arange(first, first + 4)
            )


def test_numpy_alone_opens_a_closed_recording(tmp_path: Path) -> None:
    rows = write(tmp_path / "rec", np.arange(16))
    np.testing.assert_array_equal(np.load(tmp_path / "rec" / "imu.npy"), rows)
    assert np.load(tmp_path / "rec" / "packets.npy").dtype == PACKET_DTYPE


def test_a_closed_recording_is_read_only_and_unlocked(tmp_path: Path) -> None:
    folder = tmp_path / "rec"
    write(folder, np.arange(16))
    for file in folder.iterdir():
        assert not file.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH), file.name
    names = {file.name for file in folder.iterdir()}
    assert names == {"session.json", "imu.npy", "packets.npy", "markers.jsonl"}
    assert lock_state(folder) == "free"


def test_the_session_is_there_from_the_first_moment(tmp_path: Path) -> None:
    out = RecordingWriter(tmp_path / "rec", session(player="Ida"))
    try:
        with open_recording(tmp_path / "rec") as recording:
            assert recording.session.player == "Ida"
            assert recording.n_samples == 0
            assert any("being recorded" in text for text in recording.warnings)
    finally:
        out.close()


def test_each_append_and_marker_is_on_file_at_once(tmp_path: Path) -> None:
    out = RecordingWriter(tmp_path / "rec", session(), fsync_interval_s=60.0)
    try:
        for count in (1, 2, 3):
            out.append(None, samples_of([count]))
            out.mark("beat", seq=count)
            with open_recording(tmp_path / "rec") as recording:
                assert recording.n_samples == count
                assert len(recording.markers) == count
    finally:
        out.close()


def test_the_header_is_brought_up_to_date_while_recording(tmp_path: Path) -> None:
    ticks = itertools.count(step=2)  # each look at the clock is two seconds later
    out = RecordingWriter(
        tmp_path / "rec", session(), fsync_interval_s=0.01, clock=lambda: float(next(ticks))
    )
    try:
        out.append(None, samples_of(range(5)))
        until = time.monotonic() + PATIENCE_S
        while len(np.load(tmp_path / "rec" / "imu.npy")) < 5:
            assert time.monotonic() < until
            time.sleep(0.01)
    finally:
        out.close()


def test_syncing_never_holds_up_the_caller(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    entered, go = threading.Event(), threading.Event()

    def slow(_descriptor: int) -> None:
        entered.set()
        go.wait(10.0)

    monkeypatch.setattr(npyfile, "sync_file", slow)
    out = RecordingWriter(tmp_path / "rec", session(), fsync_interval_s=0.01)
    try:
        assert entered.wait(5.0)
        for seq in range(100):
            out.append(None, samples_of([seq]))
        assert not go.is_set()
        with open_recording(tmp_path / "rec") as recording:
            assert recording.n_samples == 100
    finally:
        go.set()
        out.close()


def test_a_power_cut_loses_half_a_second_at_most(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The model: only what a whole sync had asked the disk for outlives a cut at any moment."""
    real_sync = npyfile.sync_file
    safe: dict[int, list[tuple[float, int]]] = {}

    def watched(descriptor: int) -> None:
        before = os.fstat(descriptor)
        real_sync(descriptor)
        safe.setdefault(before.st_ino, []).append((time.monotonic(), before.st_size))

    monkeypatch.setattr(npyfile, "sync_file", watched)
    folder = tmp_path / "rec"
    rows = samples_of(np.arange(1600))
    written: list[tuple[float, int]] = []
    with RecordingWriter(folder, session()) as out:
        start = time.monotonic()
        for k in range(0, len(rows), BATCH):
            time.sleep(max(0.0, start + k / 800.0 - time.monotonic()))
            out.append(None, rows[k : k + BATCH])
            written.append((time.monotonic(), k + BATCH))
        synced = list(safe[(folder / "imu.npy").stat().st_ino])
        whole = (folder / "imu.npy").read_bytes()
    lost_s = []
    for cut_s in np.linspace(start + 0.6, written[-1][0], 200):
        size = max((size for at, size in synced if at <= cut_s), default=HEADER)
        kept = (size - HEADER) // COUNTS_DTYPE.itemsize
        first_lost = next((at for at, n in written if n > kept and at <= cut_s), cut_s)
        lost_s.append(cut_s - first_lost)
    # Half a second; more only where the machine kept the syncing thread itself waiting for longer.
    waits = np.diff([start, *(at for at, _ in synced)])
    assert max(lost_s) <= max(0.5, 1.2 * float(waits.max()))
    assert max(lost_s) > 0.05, "the model must see that something is lost"
    # What is left is a recording that can be read.
    after = tmp_path / "after"
    after.mkdir()
    shutil.copy(folder / "session.json", after / "session.json")
    size = synced[len(synced) // 2][1]
    (after / "imu.npy").write_bytes(whole[:size])
    with open_recording(after) as recording:
        assert recording.n_samples == (size - HEADER) // COUNTS_DTYPE.itemsize > 0


@pytest.mark.parametrize("seq", [[3, 3], [4, 3], [-1, 5]])
def test_numbers_must_increase(tmp_path: Path, seq: list[int]) -> None:
    with RecordingWriter(tmp_path / "rec", session()) as out:
        out.append(None, samples_of([0, 1]))
        with pytest.raises(ValueError, match="increase"):
            out.append(None, samples_of(seq))
        out.append(None, samples_of([2]))
    with open_recording(tmp_path / "rec") as recording:
        assert recording.n_samples == 3


def test_rows_of_another_kind_are_refused(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "rec", session()) as out:
        with pytest.raises(ValueError, match="samples must be"):
            out.append(None, np.zeros(1, FLOAT_DTYPE))
        with pytest.raises(ValueError, match="packets must be"):
            out.append(np.zeros(1, FLOAT_DTYPE), samples_of([0]))
    with pytest.raises(ValueError, match="closed"):
        out.append(None, samples_of([5]))


def test_an_error_while_recording_keeps_what_is_there(tmp_path: Path) -> None:
    with pytest.raises(KeyError), RecordingWriter(tmp_path / "rec", session()) as out:  # noqa: PT012
        out.append(None, samples_of([0, 1]))
        raise KeyError
    with open_recording(tmp_path / "rec") as recording:
        assert recording.n_samples == 2


def test_an_atomic_recording_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "rec", session(), atomic=True) as out:
        out.append(None, samples_of([0, 1]))
        assert not (tmp_path / "rec").exists()
    assert open_recording(tmp_path / "rec").n_samples == 2
    with (  # noqa: PT012
        pytest.raises(KeyError),
        RecordingWriter(tmp_path / "other", session(), atomic=True) as out,
    ):
        out.append(None, samples_of([0, 1]))
        raise KeyError
    assert [path.name for path in tmp_path.iterdir()] == ["rec"]


# -- replacing ---------------------------------------------------------------------------------


def test_an_existing_recording_is_refused_and_replaced_only_on_demand(tmp_path: Path) -> None:
    rows = write(tmp_path / "rec", range(8))
    # A recorder has no --overwrite to offer.
    with pytest.raises(RecordingExistsError, match="never written over: name another folder"):
        RecordingWriter(tmp_path / "rec", session())
    with pytest.raises(RecordingExistsError, match="--overwrite"):
        RecordingWriter(tmp_path / "rec", session(), atomic=True)
    with RecordingWriter(tmp_path / "rec", session(), overwrite=True) as out:
        out.append(None, samples_of(range(3)))
        with open_recording(tmp_path / "rec") as recording:
            assert_same(recording, rows)
    assert open_recording(tmp_path / "rec").n_samples == 3
    assert [path.name for path in tmp_path.iterdir()] == ["rec"]


def test_a_failed_replacement_leaves_the_old_one(tmp_path: Path) -> None:
    rows = write(tmp_path / "rec", range(8))
    with (  # noqa: PT012
        pytest.raises(KeyError),
        RecordingWriter(tmp_path / "rec", session(), overwrite=True) as out,
    ):
        out.append(None, samples_of(range(3)))
        raise KeyError
    with open_recording(tmp_path / "rec") as recording:
        assert_same(recording, rows)
    assert [path.name for path in tmp_path.iterdir()] == ["rec"]


def test_a_failed_swap_puts_the_old_one_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = write(tmp_path / "rec", range(8))
    out = RecordingWriter(tmp_path / "rec", session(), overwrite=True)
    rename = Path.rename

    def fail(self: Path, target: Path) -> Path:
        if ".part-" in self.name:
            raise OSError(errno.EIO, "input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fail)
    with pytest.raises(RecordingError, match="input/output error"):
        out.close()
    monkeypatch.undo()
    with open_recording(tmp_path / "rec") as recording:
        assert_same(recording, rows)
    assert [path.name for path in tmp_path.iterdir()] == ["rec"]


def test_only_recordings_are_ever_replaced(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(8))
    (tmp_path / "rec" / "diary.txt").write_text("mine")
    with pytest.raises(RecordingExistsError, match=r"diary\.txt"):
        RecordingWriter(tmp_path / "rec", session(), overwrite=True)
    (tmp_path / "file").write_text("mine")
    with pytest.raises(RecordingExistsError, match="not a folder"):
        RecordingWriter(tmp_path / "file", session(), overwrite=True)
    (tmp_path / "home" / "sub").mkdir(parents=True)
    with pytest.raises(RecordingExistsError, match="'sub'"):
        RecordingWriter(tmp_path / "home", session(), overwrite=True)
    with pytest.raises(RecordingError, match="does not exist"):
        RecordingWriter(tmp_path / "no" / "where", session())
    assert (tmp_path / "rec" / "diary.txt").read_text() == "mine"


def test_a_recording_being_written_is_not_replaced(tmp_path: Path) -> None:
    with (
        RecordingWriter(tmp_path / "rec", session()),
        pytest.raises(RecordingLockedError, match="being recorded"),
    ):
        RecordingWriter(tmp_path / "rec", session(), overwrite=True)


# -- crashes -----------------------------------------------------------------------------------


def test_a_recording_cut_at_any_byte_is_read_to_its_last_whole_row(tmp_path: Path) -> None:
    folder = tmp_path / "rec"
    rows = write(folder, [0, 1, 2, 5, 6, 7, 8, 9])
    data = (folder / "imu.npy").read_bytes()
    assert len(data) == HEADER + 8 * COUNTS_DTYPE.itemsize
    for cut in range(len(data) + 1):
        (folder / "imu.npy").unlink()
        (folder / "imu.npy").write_bytes(data[:cut])
        whole = max(0, cut - HEADER) // COUNTS_DTYPE.itemsize
        with open_recording(folder) as recording:
            assert_same(recording, rows[:whole])
            # Without a single byte lost there is nothing to tell; otherwise there is.
            assert any("cut short" in text for text in recording.warnings) == (cut < len(data))


@settings(max_examples=20, deadline=None)
@given(cut=st.integers(0, 10**6), name=st.sampled_from(["packets.npy", "markers.jsonl"]))
def test_cut_packets_and_markers_cost_only_themselves(
    tmp_path_factory: pytest.TempPathFactory, cut: int, name: str
) -> None:
    folder = tmp_path_factory.mktemp("r") / "rec"
    rows = samples_of(range(800))
    with RecordingWriter(folder, session()) as out:
        out.append(packets_of(range(800)), rows)
        for seq in (0, 100, 200):
            out.mark("note", seq=seq, text="früh")
    data = (folder / name).read_bytes()
    cut %= len(data)
    (folder / name).unlink()
    (folder / name).write_bytes(data[:cut])
    with open_recording(folder) as recording:
        assert_same(recording, rows)
        if name == "markers.jsonl":
            whole = data[:cut].count(b"\n")
            # A last line that only lacks its line end is whole as well.
            assert len(recording.markers) in (whole, whole + 1)
            assert [m.seq for m in recording.markers] == [0, 100, 200][: len(recording.markers)]


def test_a_killed_writer_loses_nothing(tmp_path: Path) -> None:
    for moment in range(4):
        folder = tmp_path / f"rec{moment}"
        read_end, write_end = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # fork beside threads
            child = os.fork()
        if child == 0:
            try:
                out = RecordingWriter(folder, session(), fsync_interval_s=0.02)
                for first in range(0, 10**6, BATCH):
                    seq = np.arange(first, first + BATCH)
                    out.append(packets_of(seq), samples_of(seq, seed=first))
                    os.write(write_end, first.to_bytes(4, "little"))
            finally:
                os._exit(1)
        os.close(write_end)
        assert select.select([read_end], [], [], 10.0)[0], "the child wrote nothing"
        time.sleep(0.03 * moment)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(read_end, "rb") as pipe:
            told = pipe.read()
        last = int.from_bytes(told[len(told) // 4 * 4 - 4 : len(told) // 4 * 4], "little")
        assert lock_state(folder) == "stale"
        with open_recording(folder) as recording:
            assert recording.n_samples >= last + BATCH
            assert recording.lost_samples == 0
            assert any("its recorder died" in text for text in recording.warnings)
            np.testing.assert_array_equal(
                recording.read(last, last + BATCH - 1).acc_m_s2[:, 0],
                samples_of(np.arange(last, last + BATCH), seed=last)["ax"] * ACC_SCALE,
            )


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """Make the system refuse to let any file grow beyond a size, as a full disk does."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_write_in_part_is_taken_back_and_recording_can_go_on(tmp_path: Path) -> None:
    rows = samples_of(range(100))
    with RecordingWriter(tmp_path / "rec", session()) as out:
        out.append(None, rows[:50])
        # Room for 20 rows and a half.
        with (
            largest_file(HEADER + 50 * 20 + 410),
            pytest.raises(RecordingError, match="largest size") as caught,
        ):
            out.append(None, rows[50:])
        assert "\n" not in str(caught.value)
        with open_recording(tmp_path / "rec") as recording:
            assert_same(recording, rows[:50])
        out.append(None, rows[50:])
        with largest_file(4), pytest.raises(RecordingError, match="largest size"):
            out.mark("note", seq=3, text="lost")
        out.mark("note", seq=4, text="kept")
    with open_recording(tmp_path / "rec") as recording:
        assert_same(recording, rows)
        assert [marker.seq for marker in recording.markers] == [4]


def test_a_full_disk_is_one_clear_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = RecordingWriter(tmp_path / "rec", session())
    out.append(None, samples_of(range(5)))

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(npyfile.GrowingNpy, "_write_all", full)
    with pytest.raises(RecordingError, match=r"rec: cannot be written: the disk is full"):
        out.append(None, samples_of(range(5, 9)))
    monkeypatch.undo()
    out.close()
    assert open_recording(tmp_path / "rec").n_samples == 5


@pytest.mark.parametrize("name", ["imu.npy", "packets.npy"])
@pytest.mark.parametrize("kind", ["pipe", "device", "folder"])
def test_what_is_no_plain_file_is_refused_at_once(tmp_path: Path, name: str, kind: str) -> None:
    with RecordingWriter(tmp_path / "rec", session()) as out:
        out.append(None, samples_of(range(5)))
    path = tmp_path / "rec" / name
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        path.mkdir()
    if name == "imu.npy":
        with pytest.raises(RecordingError, match="is no plain file"):
            open_recording(tmp_path / "rec")
    else:
        # Without arrivals the samples are read all the same.
        with open_recording(tmp_path / "rec") as recording:
            assert any("is no plain file" in text for text in recording.warnings)


def wait_for(condition: Callable[[], bool]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until
        time.sleep(0.005)


def test_a_disk_that_fills_up_behind_the_caller_is_told_at_the_next_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failed = threading.Event()

    def full(_descriptor: int) -> None:
        failed.set()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(npyfile, "sync_file", full)
    out = RecordingWriter(tmp_path / "rec", session(), fsync_interval_s=0.01)
    out.append(None, samples_of([0]))
    assert failed.wait(5.0)
    wait_for(lambda: out._failure is not None)
    with pytest.raises(RecordingError, match="disk is full"):
        out.append(None, samples_of([1]))
    wait_for(lambda: out._failure is not None)
    monkeypatch.undo()
    # Data that could not be synced once may be lost although a later sync went well.
    with pytest.raises(RecordingError, match="disk is full"):
        out.close()
    assert open_recording(tmp_path / "rec").n_samples == 1


def test_no_folder_is_left_when_a_recording_cannot_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(npyfile.GrowingNpy, "_write_all", full)
    with pytest.raises(RecordingError, match="disk is full"):
        RecordingWriter(tmp_path / "rec", session())
    assert list(tmp_path.iterdir()) == []


def test_errors_name_the_folder_that_was_asked_for(tmp_path: Path) -> None:
    with largest_file(100), pytest.raises(RecordingError) as caught:
        RecordingWriter(tmp_path / "rec", session(), atomic=True)
    assert caught.value.path == tmp_path / "rec"
    assert list(tmp_path.iterdir()) == []


def test_zeroed_holes_are_passed_over_and_told(tmp_path: Path) -> None:
    folder = tmp_path / "rec"
    rows = write(folder, range(1, 101))
    data = bytearray((folder / "imu.npy").read_bytes())
    for first, end in ((10, 15), (40, 41), (95, 100)):
        data[HEADER + 20 * first : HEADER + 20 * end] = bytes(20 * (end - first))
    (folder / "imu.npy").unlink()
    (folder / "imu.npy").write_bytes(data)
    good = np.ones(100, bool)
    good[10:15] = good[40] = good[95:] = False
    with open_recording(folder) as recording:
        assert_same(recording, rows[good])
        assert any("11 damaged rows" in text for text in recording.warnings)
        assert [(gap.after_seq, gap.missing) for gap in recording.gaps] == [(10, 5), (40, 1)]


@pytest.mark.parametrize("hole", [(0, 2), (0, 30), (PIECE - 3, PIECE + 4), (PIECE, 2 * PIECE)])
def test_holes_at_the_start_and_across_pieces(tmp_path: Path, hole: tuple[int, int]) -> None:
    folder = tmp_path / "rec"
    rows = write(folder, np.arange(2 * PIECE + 50))
    damaged = np.load(folder / "imu.npy")
    damaged[hole[0] : hole[1]] = np.zeros((), COUNTS_DTYPE)
    (folder / "imu.npy").unlink()
    np.save(folder / "imu.npy", damaged)
    good = np.ones(len(rows), bool)
    good[hole[0] : hole[1]] = False
    with open_recording(folder) as recording:
        assert_same(recording, rows[good])
        last = int(rows["seq"][-1])
        np.testing.assert_array_equal(
            recording.read(last - 2, last).seq, [last - 2, last - 1, last]
        )


# -- facts that go with it ---------------------------------------------------------------------


def test_markers_and_segments(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "rec", session(player="Ada", club="driver")) as out:
        out.append(None, samples_of(range(100)))
        out.mark(
            "segment",
            seq=50,
            player="Ida",
            handedness="left",
            club="7 iron",
            intent="full",
            ball=True,
            block=None,
        )
        out.mark("beat", seq=60)
        out.mark("segment", seq=80, player="Bo", handedness="right", club="putter")
    with open_recording(tmp_path / "rec") as recording:
        assert [marker.kind for marker in recording.markers] == ["segment", "beat", "segment"]
        assert recording.segment_at(49.9).player == "Ada"
        assert recording.segment_at(49.9).club == "driver"
        ida = recording.segment_at(50)
        assert (ida.player, ida.handedness, ida.club) == ("Ida", "left", "7 iron")
        assert (ida.intent, ida.ball) == ("full", True)
        assert recording.segment_at(1000).player == "Bo"
    with open_recording(tmp_path / "rec", hand="right") as recording:
        assert recording.segment_at(50).handedness == "right"


def test_damaged_marker_lines_are_passed_over(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(8))
    (tmp_path / "rec" / "markers.jsonl").unlink()
    (tmp_path / "rec" / "markers.jsonl").write_bytes(
        b'{"kind": "note", "seq": 1}\n\0\0\0\0\n[1]\n{"kind": "note"}\n{"kind": "note", "seq": 2}\n'
    )
    with open_recording(tmp_path / "rec") as recording:
        assert [marker.seq for marker in recording.markers] == [1, 2]
        assert any("3 damaged lines" in text for text in recording.warnings)


def test_annotations(tmp_path: Path) -> None:
    folder = tmp_path / "rec"
    write(folder, range(8))
    assert open_recording(folder).annotations == {}
    file = folder / "annotations.json"
    swings = {"5": {"note": {"value": "heavy", "at": "2026-05-01T18:30:00.000000+00:00"}}}
    mine = {"version": 1, "recording": open_recording(folder).session.id, "swings": swings}
    file.write_text(json.dumps(mine))
    assert open_recording(folder).annotations["swings"] == swings
    file.write_text(json.dumps({**mine, "recording": "another"}))
    assert open_recording(folder).annotations == {}
    assert any("another recording" in text for text in open_recording(folder).warnings)
    file.write_text('{"version"')
    assert any("annotations.json is broken" in text for text in open_recording(folder).warnings)
    file.write_text(json.dumps({**mine, "version": 2}))
    with pytest.raises(NewerFormatError, match="version 2"):
        open_recording(folder)


def test_options_override_the_file(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(8), mount=None)
    with open_recording(
        tmp_path / "rec", mount="club", hand="left", gyr_range_dps=500.0, acc_range_g=8.0
    ) as recording:
        got = recording.session
        assert (got.mount, got.handedness) == ("club", "left")
        assert (got.gyr_range_dps, got.acc_range_g) == (500.0, 8.0)
    with pytest.raises(ValueError, match="mount"):
        open_recording(tmp_path / "rec", mount="foot")
    with pytest.raises(ValueError, match="hand"):
        open_recording(tmp_path / "rec", hand="both")


@pytest.mark.parametrize("rate_hz", [49.9, 20.0])
def test_a_slow_recording_is_refused_with_the_reason(tmp_path: Path, rate_hz: float) -> None:
    write(tmp_path / "rec", range(8), nominal_rate_hz=rate_hz)
    with pytest.raises(RateTooLowError, match=r"too few to time a swing.*50 Hz"):
        open_recording(tmp_path / "rec")


def test_fifty_hertz_is_enough(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(8), nominal_rate_hz=50.0)
    assert open_recording(tmp_path / "rec").rate_hz == 50.0


def test_foreign_files_are_told(tmp_path: Path) -> None:
    folder = tmp_path / "rec"
    write(folder, range(8))
    file = folder / "imu.npy"
    file.unlink()
    with pytest.raises(RecordingError, match=r"has no imu\.npy"):
        open_recording(folder)
    for data, says in (
        (b"hello" * 100, "not a numpy file"),
        (b"\x93NUMPY\x09\x00" + bytes(200), "not a numpy file"),
        (b"\x93NUMPY\x01\x00\x76\x00" + b"x" * 200, "not a numpy file"),
    ):
        file.write_bytes(data)
        with pytest.raises(RecordingError, match=says):
            open_recording(folder)
    np.save(file, np.zeros((30, 3)))
    with pytest.raises(RecordingError, match="not from a recording"):
        open_recording(folder)
    np.save(file, np.zeros(30, FLOAT_DTYPE))
    with pytest.raises(RecordingError, match="time_s"):
        open_recording(folder)


def test_wrong_kinds_of_path(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(8))
    with pytest.raises(RecordingError, match="does not exist"):
        open_recording(tmp_path / "no")
    with pytest.raises(RecordingError, match="name its folder"):
        open_recording(tmp_path / "rec" / "imu.npy")
    with pytest.raises(RecordingError, match="for CSV files"):
        open_recording(tmp_path / "rec", column_map="time_s=t")
    shutil.copy(tmp_path / "rec" / "imu.npy", tmp_path / "alone.npy")
    with pytest.raises(RecordingError, match="numpy file"):
        open_recording(tmp_path / "alone.npy")


def test_without_packets_the_nominal_rate_is_used_and_told(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "rec", session()) as out:
        out.append(None, samples_of(range(400)))
    with open_recording(tmp_path / "rec") as recording:
        assert recording.period_s == 1.0 / RATE_HZ
        assert recording.period_u_s == pytest.approx(0.02 / RATE_HZ)
        assert any("nominal 200 Hz" in text for text in recording.warnings)
    (tmp_path / "rec" / "packets.npy").unlink()
    assert open_recording(tmp_path / "rec").period_s == 1.0 / RATE_HZ


def test_time_is_that_of_the_arrivals(tmp_path: Path) -> None:
    seq = np.concatenate([np.arange(100, 900), np.arange(1000, 2000)])
    write(tmp_path / "rec", seq, nominal_rate_hz=190.0)
    with open_recording(tmp_path / "rec") as recording:
        assert 1.0 / recording.period_s == pytest.approx(RATE_HZ, rel=1e-6)
        assert recording.time_of_seq(100) == pytest.approx(0.0, abs=1e-9)
        assert recording.duration_s == pytest.approx(1899 / RATE_HZ, rel=1e-6)
        assert recording.time_of_seq(200.5) == pytest.approx(100.5 / RATE_HZ, rel=1e-6)
        assert isinstance(recording.time_of_seq(5), float)
        several = recording.time_of_seq(np.array([150.0, 1500.25]))
        np.testing.assert_allclose(recording.seq_of_time(several), [150.0, 1500.25])
        (gap,) = recording.gaps
        assert (gap.after_seq, gap.missing) == (899, 100)
        assert gap.start_s == pytest.approx(799 / RATE_HZ, rel=1e-6)
        assert gap.duration_s == pytest.approx(101 / RATE_HZ, rel=1e-6)
        block = next(recording.blocks(7))
        np.testing.assert_allclose(block.time_s, np.arange(7) / RATE_HZ, atol=1e-8)


def test_the_file_is_closed_with_the_recording(tmp_path: Path) -> None:
    write(tmp_path / "rec", range(80))
    files = Path("/proc/self/fd")
    if not files.exists():  # elsewhere than on Linux the files cannot be counted
        files = tmp_path
    before = len(list(files.iterdir()))
    recording = open_recording(tmp_path / "rec")
    next(recording.blocks())
    recording.close()
    assert len(list(files.iterdir())) == before
    with pytest.raises(ValueError, match="closed file"):
        next(recording.blocks())


# -- imported times that cannot be -------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "says"),
    [
        (lambda n: np.ones(len(n)), "do not go on"),
        (lambda n: -n / 200.0, "do not go on"),
        (lambda n: np.where(n < 1000, 0.0, n / 200.0), "a rate that changes"),
        (lambda n: n * 1e-9, "say 1e\\+09 samples a second"),
        (lambda n: n % 2 * 1e6, "the motion fits neither"),
        (lambda n: np.full(len(n), np.nan), None),
        (lambda n: np.where(n > 1000, np.inf, n / 200.0), None),
        (lambda n: np.where(n > 1000, 1e300, n / 200.0), None),
        (lambda n: n / 200.0 + np.where(n > 1000, 1e12, 0.0), None),
    ],
)
def test_impossible_times_are_refused_or_passed_over(
    tmp_path: Path, times: Any, says: str | None
) -> None:
    n = np.arange(2000)
    rows = np.zeros(2000, FLOAT_DTYPE)
    rows["seq"] = n
    rows["time_s"] = times(n)
    for axis in FLOAT_DTYPE.names[2:]:
        rows[axis] = np.random.default_rng(0).normal(size=2000)
    session = Session.new(nominal_rate_hz=200.0, sample_kind="float")
    with RecordingWriter(tmp_path / "rec", session) as out:
        out.append(None, rows)
    if says is not None:
        with pytest.raises(RecordingError, match=says):
            open_recording(tmp_path / "rec")
        return
    with open_recording(tmp_path / "rec") as recording:
        sound = int(np.sum(np.abs(rows["time_s"]) < 1e8))
        assert recording.n_samples == sound
        assert any(f"{2000 - sound} damaged rows" in text for text in recording.warnings)
