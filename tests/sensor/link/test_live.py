"""Recording whatever the link does, with time that a test can run as fast as it likes."""

from __future__ import annotations

import asyncio
import errno
import json
import os
import selectors
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Callable, Coroutine, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pytest

from sensor.errors import RecordingError, RecordingExistsError
from sensor.link.decode import encode
from sensor.link.live import LiveBlock, LiveParams, LiveRecording
from sensor.link.profile import load_profile
from sensor.link.source import ConnectError, PacketCallback, RawPacket, SensorInfo, info_of_session
from sensor.link.status import LinkEvent, LiveReport
from sensor.recording.opening import open_recording
from sensor.recording.recover import recover
from simulation.sessions import SessionSpec, SimulatedSession, simulate_session
from unhurried.app.measuring import analyze

resource = pytest.importorskip("resource", reason="full disks need a POSIX system")

PROFILE = load_profile("unhurried-stream")
T = TypeVar("T")


# -- time --------------------------------------------------------------------------------------


class _LeapingSelector(selectors.DefaultSelector):
    """Instead of waiting, has the loop's clock leap."""

    leap: Callable[[float], None]

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is not None and timeout > 0.0:
            self.leap(timeout)
            timeout = 0.0
        return super().select(timeout)


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose time passes as soon as nothing else is to be done."""

    def __init__(self) -> None:
        selector = _LeapingSelector()
        self._now = 1000.0
        selector.leap = self._leap
        super().__init__(selector)

    def _leap(self, seconds: float) -> None:
        self._now += seconds

    def time(self) -> float:
        return self._now


def virtually(work: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run in virtual time."""
    loop = VirtualLoop()
    asyncio.set_event_loop(loop)
    try:
        return loop.run_until_complete(work())
    finally:
        loop.close()
        asyncio.set_event_loop(None)


# -- a sensor that does as it is told ------------------------------------------------------------

Change = Callable[[int, bytes], list[tuple[float, bytes]]]


class Scripted:
    """A source that sends a simulated session, with faults.

    Its sensor goes on measuring while the link is down, as a real one does.

    Parameters
    ----------
    made : SimulatedSession
    outages : sequence of (start_s, length_s)
        When the link is dead, by the sensor's own time.
    change : callable
        Given number and bytes of a packet; returns (delay_s, bytes) of what is sent instead.
    first_counter : int
        Where the sensor's counter starts.
    reset_at_s : float
        The sensor's counter and clock begin anew there.
    """

    def __init__(
        self,
        made: SimulatedSession,
        *,
        outages: tuple[tuple[float, float], ...] = (),
        change: Change | None = None,
        first_counter: int = 0,
        reset_at_s: float = np.inf,
        clock: Callable[[], int],
    ) -> None:
        self.name = "scripted"
        self.lost = asyncio.Event()
        self.ended = False
        self.signal_dbm: int | None = None
        self.facts: Mapping[str, str] = {}
        self.made, self.outages, self.change = made, outages, change
        self.first_counter, self.reset_at_s, self.clock = first_counter, reset_at_s, clock
        self.counts = made.samples.view("<i2").reshape(len(made.samples), 10)[:, 4:]
        self.begun: float | None = None
        self.next_packet = 0
        self.battery_percent: int | None = 60
        self.arrived: dict[int, np.ndarray] = {}
        self.overtaken = 0
        self.tasks: list[asyncio.Task[None]] = []

    def _now(self) -> float:
        loop = asyncio.get_running_loop()
        if self.begun is None:
            self.begun = loop.time()
        return loop.time() - self.begun

    def _outage(self) -> float:
        """Seconds until the link can be had again."""
        now = self._now()
        return max((s + n - now for s, n in self.outages if s <= now < s + n), default=0.0)

    async def connect(self) -> SensorInfo:
        self.lost = asyncio.Event()
        if self._outage() > 0.0:
            await asyncio.sleep(min(0.5, self._outage() / 2))
            if self._outage() > 0.0:
                raise ConnectError("connecting to scripted failed: it is out of reach")
        info = info_of_session(self.made.session, PROFILE, name=self.name, packet_samples=8)
        return replace(info, battery_percent=self.battery_percent)

    async def start(self, on_packet: PacketCallback) -> None:
        self.tasks.append(asyncio.ensure_future(self._send(on_packet, self.lost)))

    async def _send(self, on_packet: PacketCallback, lost: asyncio.Event) -> None:
        made = self.made
        loop = asyncio.get_running_loop()
        zero_ns = int(made.packets["arrival_ns"][0]) - 50_000_000
        while self.next_packet < len(made.packets):
            packet = made.packets[self.next_packet]
            first, count = int(packet["first_seq"]), int(packet["count"])
            due = (int(packet["arrival_ns"]) - zero_ns) / 1e9
            await asyncio.sleep(max(0.0, due - self._now()))
            if self._outage() > 0.0:
                # What was measured meanwhile is gone.
                lost.set()
                return
            if due + 0.05 < self._now():
                self.next_packet += 1
                continue
            start = 0.0 if first / made.true_rate_hz < self.reset_at_s else self.reset_at_s
            counter = first - round(start * made.true_rate_hz)
            part = self.counts[first : first + count]
            payload = encode(
                PROFILE,
                part,
                counter=counter + self.first_counter,
                ticks=round(counter / made.true_rate_hz * 1e6),
            )
            sent = (
                [(0.0, payload)] if self.change is None else self.change(self.next_packet, payload)
            )
            for delay, one in sent:
                intact = (first, part) if one == payload else None
                if delay:
                    loop.call_later(delay, self._deliver, on_packet, one, intact)
                else:
                    self._deliver(on_packet, one, intact)
            self.next_packet += 1
        await asyncio.sleep(0.3)
        self.ended = True
        lost.set()

    def _deliver(
        self, on_packet: PacketCallback, payload: bytes, intact: tuple[int, np.ndarray] | None
    ) -> None:
        if intact is not None:
            first, part = intact
            # What is overtaken can't be written in order any more.
            if first > max(self.arrived, default=-1):
                self.arrived[first] = part
            elif first not in self.arrived:
                self.overtaken += 1
        on_packet(RawPacket(self.clock(), payload))

    async def stop(self) -> None:
        for task in self.tasks:
            task.cancel()
        await asyncio.gather(*self.tasks, return_exceptions=True)
        self.tasks.clear()

    async def disconnect(self) -> None:
        await self.stop()

    async def battery(self) -> int | None:
        return self.battery_percent


def loop_clock() -> int:
    return int(asyncio.get_running_loop().time() * 1e9)


class Run:
    """One recording, run to the end of its source."""

    def __init__(self, folder: Path, made: SimulatedSession, **faults: Any) -> None:
        self.folder = folder
        self.events: list[LinkEvent] = []
        self.blocks: list[LiveBlock] = []
        self.clock: Callable[[], int] = faults.pop("clock", loop_clock)
        self.params: LiveParams | None = faults.pop("params", None)
        self.during: Callable[[Run], Coroutine[Any, Any, None]] | None = faults.pop("during", None)
        self.made, self.faults = made, faults
        self.source: Scripted
        self.recording: LiveRecording

    def go(self) -> LiveReport:
        return virtually(self._go)

    async def _go(self) -> LiveReport:
        self.source = Scripted(self.made, clock=self.clock, **self.faults)
        self.recording = LiveRecording(
            self.source,
            self.folder,
            mount="wrist",
            player="Ida",
            on_block=self.blocks.append,
            on_event=self.events.append,
            clock=self.clock,
            params=self.params,
        )
        stop = asyncio.Event()
        beside = asyncio.ensure_future(self.during(self)) if self.during else None
        report = await self.recording.run(stop)
        if beside is not None:
            await beside
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert not left
        return report

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


def check_file(run: Run) -> np.ndarray:
    """Every sample that arrived intact is in the file once, in order, and was handed on."""
    rows = np.load(run.folder / "imu.npy")
    packets = np.load(run.folder / "packets.npy")
    assert np.all(np.diff(rows["seq"]) > 0)
    expected = np.concatenate([run.source.arrived[k] for k in sorted(run.source.arrived)])
    values = rows.view("<i2").reshape(len(rows), 10)[:, 4:]
    np.testing.assert_array_equal(values, expected)
    assert int(packets["count"].sum()) == len(rows)
    np.testing.assert_array_equal(np.concatenate([b.seq for b in run.blocks]), rows["seq"])
    gyr = np.concatenate([b.gyr_dps for b in run.blocks])
    np.testing.assert_allclose(gyr, values[:, 3:] * (2000.0 / 32768.0), rtol=1e-12)
    with open_recording(run.folder) as recording:
        assert recording.n_samples == len(rows)
        # `analyze` works on it.
        analyze(recording)
    return packets


@pytest.fixture(scope="module")
def made() -> SimulatedSession:
    """Six swings, about a minute."""
    return simulate_session(
        SessionSpec(swings=6, loss=0.0, activity=0.0, varied=False, rehearsals_per_ball=0.6),
        seed=77,
    )


def takeaways(folder: Path) -> list[float]:
    with open_recording(folder) as recording:
        swings = analyze(recording).swings
    return [s.takeaway_s for s in swings if s.takeaway_s is not None and s.swing_ms is not None]


# -- the faults ----------------------------------------------------------------------------------


def test_a_whole_session_comes_through(made: SimulatedSession, tmp_path: Path) -> None:
    run = Run(tmp_path / "rec", made)
    report = run.go()
    check_file(run)
    status = report.status
    assert (status.lost, status.reconnects, status.gap_samples) == (0, 0, 0)
    assert status.received == len(made.samples)
    assert status.state == "ended"
    assert status.battery_percent == 60
    assert status.disk_left_bytes is not None
    assert not (tmp_path / "rec" / ".lock").exists()
    assert run.kinds() == ["connecting", "connected", "ended"]
    truth = [t.truth.takeaway_s for t in made.truth]
    np.testing.assert_allclose(takeaways(tmp_path / "rec"), truth, atol=0.1)


@pytest.mark.parametrize("outage_s", [0.2, 2.0, 20.0])
def test_link_lost_in_mid_swing_and_back(
    made: SimulatedSession, tmp_path: Path, outage_s: float
) -> None:
    middle = made.truth[1].truth
    at = middle.takeaway_s + 0.4 * (middle.top_s - middle.takeaway_s)
    run = Run(tmp_path / "rec", made, outages=((at, outage_s),))
    report = run.go()
    packets = check_file(run)
    assert report.status.reconnects == 1
    # Each connection has a clock of its own, and the hole between them is marked.
    assert sorted(set(packets["connection"])) == [0, 1]
    with open_recording(tmp_path / "rec") as recording:
        gaps = [m for m in recording.markers if m.kind == "gap"]
    assert len(gaps) == 1
    first = sorted(run.source.arrived)
    jump = np.diff(first)
    true_missing = int(jump.max()) - 8
    assert report.status.gap_samples == gaps[0].fields["missing"]
    # As well as arrivals tell: an interval or two of the link.
    # And 3 % for the rate, which nobody knows while nothing comes.
    assert abs(report.status.gap_samples - true_missing) < 0.12 * 200 + 0.03 * true_missing
    assert outage_s - 0.1 < true_missing / made.true_rate_hz < outage_s + 5.0
    # The swings that came whole are there, at their time; none is made up.
    heard = np.array(first) / made.true_rate_hz
    hole = int(np.argmax(np.diff(heard)))
    whole = [
        t.truth.takeaway_s
        for t in made.truth
        if t.truth.finish_s + 0.5 < heard[hole] or t.truth.takeaway_s - 1.5 > heard[hole + 1]
    ]
    assert whole
    np.testing.assert_allclose(takeaways(tmp_path / "rec"), whole, atol=0.15)
    assert [kind for kind in run.kinds() if kind in ("lost", "back")] == ["lost", "back"]


def test_the_counter_wraps_and_resets(made: SimulatedSession, tmp_path: Path) -> None:
    run = Run(tmp_path / "rec", made, first_counter=65_536 - 1000, reset_at_s=15.0)
    report = run.go()
    packets = check_file(run)
    assert report.status.received == len(made.samples)
    assert report.status.reconnects == 0
    # The sensor restarted: another clock, so another connection for the time base.
    assert sorted(set(packets["connection"])) == [0, 1]
    assert np.any(np.diff(packets["raw_counter"]) < -60_000)
    # Nothing was missing; the numbers leave out at most what arrivals leave open.
    assert report.status.gap_samples < 20
    assert run.kinds().count("restarted") == 1
    assert len(takeaways(tmp_path / "rec")) == 6


@pytest.mark.parametrize("share", [0.1, 0.5])
def test_losses(made: SimulatedSession, tmp_path: Path, share: float) -> None:
    rng = np.random.default_rng(5)
    last = len(made.packets) - 1

    def change(number: int, payload: bytes) -> list[tuple[float, bytes]]:
        return [] if 0 < number < last and rng.uniform() < share else [(0.0, payload)]

    run = Run(tmp_path / "rec", made, change=change)
    report = run.go()
    check_file(run)
    lost = len(made.samples) - report.status.received
    # The counter tells exactly how many.
    assert report.status.lost == lost > 0.7 * share * len(made.samples)
    assert [e.text.split(" of")[0].split()[1] for e in run.events if e.kind == "loss"] == ["%"]
    rows = np.load(tmp_path / "rec" / "imu.npy")
    expected = np.concatenate([k + np.arange(8) for k in sorted(run.source.arrived)])
    np.testing.assert_array_equal(rows["seq"], expected[: len(rows)])


def test_duplicates_and_late_ones(made: SimulatedSession, tmp_path: Path) -> None:
    def change(number: int, payload: bytes) -> list[tuple[float, bytes]]:
        if number % 10 == 3:
            return [(0.0, payload), (0.0, payload)]
        if number % 10 == 7:
            # Overtaken by the next one or two: too late to be written in order.
            return [(0.12, payload)]
        return [(0.0, payload)]

    run = Run(tmp_path / "rec", made, change=change)
    report = run.go()
    check_file(run)
    assert report.status.duplicate > 0.05 * len(made.packets)
    assert report.status.late == run.source.overtaken > 0.05 * len(made.packets)
    assert report.status.lost == 8 * run.source.overtaken


def test_any_rubbish(made: SimulatedSession, tmp_path: Path) -> None:
    rng = np.random.default_rng(6)

    def change(number: int, payload: bytes) -> list[tuple[float, bytes]]:
        if rng.uniform() < 0.5:
            return [(0.0, payload)]
        # Cut or lengthened: never a whole packet. (A byte that is wrong in a whole packet can't be
        # told; the radio's own checksum keeps it out.)
        cut = payload[: int(rng.integers(0, len(payload) - 3))]
        return [(0.0, cut + rng.bytes(int(rng.integers(1, 3)))), (0.0, payload)]

    run = Run(tmp_path / "rec", made, change=change)
    report = run.go()
    check_file(run)
    assert report.status.malformed > 0.3 * len(made.packets)
    assert run.kinds().count("malformed") == 1


def test_the_computer_sleeps(made: SimulatedSession, tmp_path: Path) -> None:
    asleep_s = 0.0

    def clock() -> int:
        return loop_clock() + int(asleep_s * 1e9)

    async def during(run: Run) -> None:
        nonlocal asleep_s
        await asyncio.sleep(12.0)
        asleep_s = 600.0

    run = Run(tmp_path / "rec", made, clock=clock, during=during)
    report = run.go()
    packets = check_file(run)
    assert "slept" in run.kinds()
    assert report.status.reconnects == 1
    assert sorted(set(packets["connection"])) == [0, 1]
    assert abs(report.status.gap_samples / 200.0 - 600.0) < 2.0
    with open_recording(tmp_path / "rec") as recording:
        assert [m.fields["seconds"] for m in recording.markers if m.kind == "slept"] == [600.0]
        assert recording.duration_s > 600.0
    # Packets that came at once on waking up, before the sleep was noticed, don't hide it.
    back = [e.text for e in run.events if e.kind == "back"]
    assert len(back) == 1
    assert 599.0 < float(back[0].split()[3]) < 603.0


def test_battery_is_told_as_it_falls(made: SimulatedSession, tmp_path: Path) -> None:
    async def during(run: Run) -> None:
        for percent in (40, 14, 13, 9, 3):
            await asyncio.sleep(4.0)
            run.source.battery_percent = percent

    run = Run(tmp_path / "rec", made, during=during, params=LiveParams(battery_every_s=1.0))
    run.go()
    assert [e.fields["percent"] for e in run.events if e.kind == "battery"] == [14, 9, 3]


def test_a_low_disk_is_told_early(
    made: SimulatedSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=10_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    run = Run(tmp_path / "rec", made)
    report = run.go()
    assert report.status.disk_left_bytes == 10_000_000
    told = [e.text for e in run.events if e.kind == "disk"]
    assert len(told) == 1
    assert "room for only" in told[0]


@pytest.mark.parametrize("how", ["too large", "full"])
def test_a_full_disk(
    made: SimulatedSession, tmp_path: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that was written stays, and the error is one line."""
    run = Run(tmp_path / "rec", made)
    if how == "too large":
        # For this process files may not grow beyond: a real refusal by the system.
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, before[1]))
    else:
        write, left = os.write, [3000]

        from sensor.recording.npyfile import GrowingNpy

        original = GrowingNpy._write_all

        def full(self: GrowingNpy, data: bytes) -> None:
            left[0] -= 1
            if left[0] < 2500:
                raise OSError(errno.ENOSPC, "No space left on device")
            original(self, data)

        monkeypatch.setattr(GrowingNpy, "_write_all", full)
        del write
    try:
        with pytest.raises(RecordingError) as caught:
            run.go()
    finally:
        if how == "too large":
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
    text = str(caught.value)
    assert "\n" not in text
    assert ("largest size allowed" if how == "too large" else "the disk is full: free") in text
    rows = np.load(tmp_path / "rec" / "imu.npy")
    assert len(rows) > 1000
    values = rows.view("<i2").reshape(len(rows), 10)[:, 4:]
    np.testing.assert_array_equal(values, run.source.counts[: len(rows)])
    with open_recording(tmp_path / "rec") as recording:
        analyze(recording)
        assert recording.warnings == []


def test_a_listener_that_fails_does_not_stop_the_recording(
    made: SimulatedSession, tmp_path: Path
) -> None:
    run = Run(tmp_path / "rec", made)

    async def during(run: Run) -> None:
        def broken(_: LiveBlock) -> None:
            raise ZeroDivisionError("oh")

        await asyncio.sleep(3.0)
        run.recording._on_block = broken

    run.during = during
    report = run.go()
    assert report.status.received == len(made.samples)
    assert [e.text for e in run.events if e.kind == "trouble"] == [
        "the recording goes on, but its swings are no longer shown (oh): analyze it when it is done"
    ]


def test_markers_stand_where_they_were_made(made: SimulatedSession, tmp_path: Path) -> None:
    async def during(run: Run) -> None:
        run.recording.mark("note", text="before anything")
        await asyncio.sleep(10.0)
        run.recording.mark("note", text="later")
        assert run.recording.last_seq > 1500
        run.source.last = run.recording.last_seq  # type: ignore[attr-defined]

    run = Run(tmp_path / "rec", made, during=during)
    run.go()
    lines = [json.loads(x) for x in (tmp_path / "rec" / "markers.jsonl").read_text().splitlines()]
    notes = {line["text"]: line["seq"] for line in lines if line["kind"] == "note"}
    assert notes == {"before anything": 0, "later": run.source.last}  # type: ignore[attr-defined]
    with pytest.raises(ValueError, match="closed"):
        run.recording.mark("note", text="too late")


def test_a_folder_that_is_there_is_left_alone(made: SimulatedSession, tmp_path: Path) -> None:
    (tmp_path / "rec").mkdir()
    (tmp_path / "rec" / "letter.txt").write_text("dear")
    with pytest.raises(RecordingExistsError):
        Run(tmp_path / "rec", made).go()
    assert (tmp_path / "rec" / "letter.txt").read_text() == "dear"


# -- kill -9, and damaged files ------------------------------------------------------------------

KILLER = """
    import asyncio, os, random, signal, sys, time
    from pathlib import Path
    import numpy as np
    from sensor.link.live import LiveRecording
    from simulation.sessions import SessionSpec
    from simulation.live_sensor import SimulatedSource
    from sensor.recording.opening import open_recording
    from unhurried.app.measuring import analyze

    folder, times = Path(sys.argv[1]), int(sys.argv[2])
    source = SimulatedSource(SessionSpec(loss=0.0), seed=9, speed=0)
    asyncio.run(source.connect())
    made = source._made
    whole = made.samples.view("<i2").reshape(len(made.samples), 10)[:, 4:]
    random.seed(4)
    for number in range(times):
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            def written(block):
                os.write(writing, int(block.seq[-1] + 1).to_bytes(8, "little"))
            try:
                recording = LiveRecording(source, folder / str(number), on_block=written)
                asyncio.run(recording.run(asyncio.Event()))
            finally:
                os._exit(1)
        os.close(writing)
        os.read(reading, 8)
        time.sleep(random.uniform(0.0, 0.03))
        os.kill(child, signal.SIGKILL)
        assert os.waitpid(child, 0)[1] == signal.SIGKILL
        told = b""
        while part := os.read(reading, 65536):
            told += part
        os.close(reading)
        told_samples = int.from_bytes(told[-8:], "little") if told else 0
        with open_recording(folder / str(number)) as recording:
            values = np.concatenate(
                [np.concatenate([b.acc_m_s2, b.gyr_dps], axis=1) for b in recording.blocks()]
            )
            scale = recording.session.acc_m_s2_per_count, recording.session.gyr_dps_per_count
            counts = np.rint(values / np.repeat(scale, 3))
            # What was said to be written is there, and nothing else.
            assert len(counts) >= told_samples, (len(counts), told_samples)
            assert np.array_equal(counts, whole[: len(counts)])
            assert recording.lost_samples == 0
            analyze(recording)
            assert any("recorder died" in text for text in recording.warnings)
        print(len(counts), flush=True)
"""


def test_kill_9_at_100_random_moments(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(KILLER), str(tmp_path), "100"],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        cwd=Path(__file__).parents[3],
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lengths = [int(line) for line in done.stdout.split()]
    assert len(lengths) == 100
    # At moments of all kinds.
    assert len(set(lengths)) > 50
    _ = signal.SIGKILL


@pytest.fixture
def memory_path(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: waiting for a disk 200 times takes its time."""
    memory = Path("/dev/shm")
    if not memory.is_dir():
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory) as name:
        yield Path(name)


def test_files_cut_or_zeroed_at_200_random_places(memory_path: Path) -> None:
    tmp_path = memory_path
    short = simulate_session(SessionSpec(swings=1, loss=0.0, activity=0.0, varied=False), seed=78)
    run = Run(tmp_path / "rec", short, outages=((3.0, 0.5),))
    run.go()
    original = np.load(tmp_path / "rec" / "imu.npy")
    rng = np.random.default_rng(8)
    place = tmp_path / "damaged"
    for number in range(200):
        shutil.copytree(tmp_path / "rec", place)
        name = ("imu.npy", "packets.npy", "markers.jsonl")[number % 7 // 3]
        file = place / name
        data = bytearray(file.read_bytes())
        file.chmod(0o644)
        if number % 2:
            data = data[: int(rng.integers(0, len(data)))]
        else:
            at = int(rng.integers(0, len(data)))
            end = min(at + int(rng.choice([1, 20, 512, 4096])), len(data))
            data[at:end] = bytes(end - at)
        file.write_bytes(data)
        report = recover(place, tmp_path / f"out{number}")
        rows = np.load(tmp_path / f"out{number}" / "imu.npy")
        assert len(rows) == report.kept_samples
        assert np.all(np.diff(rows["seq"]) > 0)
        known = np.isin(rows["seq"], original["seq"])
        # Only rows that the damage itself touched may differ.
        same = rows[known] == original[np.searchsorted(original["seq"], rows["seq"][known])]
        assert np.count_nonzero(~same) + np.count_nonzero(~known) <= 4096 // 20 + 2
        if file.name != "imu.npy":
            assert len(rows) == len(original)
            assert np.all(same)
        with open_recording(tmp_path / f"out{number}") as recording:
            if recording.n_samples:
                analyze(recording)
        shutil.rmtree(place)
        shutil.rmtree(tmp_path / f"out{number}")
