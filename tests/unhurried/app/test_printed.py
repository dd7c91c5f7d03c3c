"""A terminal that goes away, stands still or was never there decides nothing of what is kept."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sensor.recording.opening import open_recording
from simulation.sessions import SessionSpec, simulate_session
from unhurried.app.ingest import open_library

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="descriptors as POSIX has them")

ROOT = Path(__file__).resolve().parents[3]
RECORD = "record --simulated --out one"
DRILL = (
    "drill --simulated --seed 3 --output silent --backswing-ms 900 --rest-s 1 --out one "
    "--block rehearsal"
)
SHORT = f"{RECORD} --speed 0 --seconds 20"
FULL = pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's full device")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def shell(words: str, redirected: str, timeout_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """Run a command as a shell does, with what stands behind it."""
    return subprocess.run(
        ["sh", "-c", f'"$0" -m unhurried {words} {redirected}', sys.executable],
        capture_output=True,
        text=True,
        timeout=timeout_s,
    )


def started(words: str, **options: Any) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "unhurried", *words.split()], **options)


def wait_for(true: Callable[[], bool], timeout_s: float = 30.0) -> None:
    end = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def assert_kept(folder: Path, home: Path, *, least: int = 1) -> list[dict[str, Any]]:
    """The recording is closed, whole and in the library; gives its markers."""
    assert not (folder / ".lock").exists()
    assert not (folder / "imu.npy").stat().st_mode & 0o222
    with open_recording(folder) as recording:
        assert recording.warnings == [] or all("died" not in one for one in recording.warnings)
        assert recording.n_samples >= least
        assert len(np.load(folder / "imu.npy")) == recording.n_samples
        own = recording.session.id
    with open_library(home) as library:
        assert Path(library.session(own).path) == folder.resolve()
    text = (folder / "markers.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


# -- nobody to print to ----------------------------------------------------------------------------


@FULL
@pytest.mark.parametrize(
    ("redirected", "code"),
    [
        ("2>/dev/full", 0),
        ("<&- >&- 2>&-", 0),
        ("--json >/dev/full", 1),
        (">/dev/full 2>/dev/full", 1),
    ],
)
def test_a_recording_takes_no_harm(redirected: str, code: int, tmp_path: Path, home: Path) -> None:
    done = shell(SHORT, redirected)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert_kept(tmp_path / "one", home, least=3900)
    if redirected == "--json >/dev/full":
        assert done.stderr.splitlines()[-1] == (
            "unhurried: the output cannot be written: No space left on device"
        )
        assert "in the library as" in done.stderr
    if "/dev/full" in redirected:
        log = (home / "log" / "unhurried.log").read_text(encoding="utf-8")
        assert log.count("nothing more is shown there: No space left on device") == (
            redirected.count("/dev/full")
        )


@FULL
def test_a_drill_takes_no_harm(tmp_path: Path, home: Path) -> None:
    done = shell(f"{DRILL} --speed 30 --repeats 2", "2>/dev/full")
    assert done.returncode == 0, done.stderr
    markers = assert_kept(tmp_path / "one", home)
    (outcome,) = [one for one in markers if one["kind"] == "drill_outcome"]
    assert outcome["swings"] == 2


def test_no_data_file_gets_a_closed_descriptor(tmp_path: Path) -> None:
    """What a library complains of on descriptor 2 would be written into the recording."""
    process = subprocess.Popen(
        ["sh", "-c", f'exec "$0" -m unhurried {RECORD} <&- >&- 2>&-', sys.executable]
    )
    try:
        imu = tmp_path / "one" / "imu.npy"
        wait_for(lambda: imu.exists() and imu.stat().st_size > 1000)
        open_ones = {
            str(Path(f"/proc/{process.pid}/fd/{number}").readlink()) for number in (0, 1, 2)
        }
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
    finally:
        process.kill()
        process.wait()
    assert open_ones == {os.devnull}


@pytest.mark.parametrize(
    ("words", "redirected", "code"),
    [
        ("--help", ">&-", 0),
        ("info nowhere", ">&-", 2),
        ("library list", "2>&-", 0),
        ("--version", "<&- >&- 2>&-", 0),
    ],
)
def test_closed_descriptors_are_no_error(words: str, redirected: str, code: int) -> None:
    done = shell(words, redirected)
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == (1 if code and "2>&-" not in redirected else 0)


@FULL
@pytest.mark.parametrize("words", ["--help", "analyze one --json", "export one -"])
def test_data_that_cannot_be_written_is_one_line(words: str, tmp_path: Path) -> None:
    simulate_session(SessionSpec(minutes=0.5), seed=3).write(tmp_path / "one")
    done = shell(words, ">/dev/full")
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == (
        "unhurried: the output cannot be written: No space left on device"
    )
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("words", ["export one -", "--help"])
def test_a_reader_who_has_enough_is_no_failure(words: str, tmp_path: Path) -> None:
    simulate_session(SessionSpec(minutes=1.0), seed=3).write(tmp_path / "one")
    code = tmp_path / "code"
    ran = subprocess.run(
        [
            "sh",
            "-c",
            f'("$0" -m unhurried {words}; echo $? > {code}) | head -c 10 | wc -c',
            sys.executable,
        ],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ran.stdout.strip() == "10"
    assert code.read_text().strip() == "0"
    assert "Traceback" not in ran.stderr
    assert "cannot be written" not in ran.stderr


def test_a_reader_who_leaves_ends_the_recording_well(tmp_path: Path, home: Path) -> None:
    process = started(f"{RECORD} --speed 30 --json", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    try:
        first = json.loads(process.stdout.readline())
        process.stdout.close()
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
    assert first["index"] == 1
    assert process.stderr is not None
    words = process.stderr.read().decode()
    process.stderr.close()
    assert "in the library as" in words
    assert "Traceback" not in words
    assert_kept(tmp_path / "one", home)


# -- a terminal that is closed ---------------------------------------------------------------------


class Terminal:
    """A terminal of a command's own."""

    def __init__(self, words: str, *, read: bool = True, **options: Any) -> None:
        import pty

        self.parent, self.child = pty.openpty()
        self.seen = bytearray()
        self.process = started(
            words,
            stdin=self.child,
            stdout=self.child,
            stderr=self.child,
            env={**os.environ, "TERM": "xterm"},
            start_new_session=True,
            preexec_fn=_own_terminal,
            **options,
        )
        self._open = True
        self._reader = threading.Thread(target=self._read, daemon=True)
        if read:
            os.close(self.child)
            self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self.parent, 4096)
            except OSError:
                return
            if not data:
                return
            self.seen += data

    def type(self, text: str) -> None:
        os.write(self.parent, text.encode())

    def shows(self, words: str) -> None:
        wait_for(lambda: words.encode() in self.seen)

    def close(self) -> None:
        """As closing the window does: the system sends SIGHUP, and nothing can be written."""
        if self._open:
            self._open = False
            os.close(self.parent)


def _own_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def terminal() -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def make(words: str, **options: Any) -> Terminal:
        made.append(Terminal(words, **options))
        return made[-1]

    yield make
    for one in made:
        one.process.kill()
        one.process.wait()
        one.close()


def test_closing_the_terminal_keeps_all(
    terminal: Callable[..., Terminal], tmp_path: Path, home: Path
) -> None:
    one = terminal(f"{RECORD} --speed 30")
    one.shows("streaming")
    one.shows("shot")
    one.type("nhalf a no")
    one.shows("note: half a no_")
    one.close()
    one.process.wait(60)
    markers = assert_kept(tmp_path / "one", home)
    assert [m["text"] for m in markers if m["kind"] == "note"] == ["half a no"]


def test_closing_the_terminal_keeps_a_drill(
    terminal: Callable[..., Terminal], tmp_path: Path, home: Path
) -> None:
    one = terminal(f"{DRILL} --speed 30")
    one.shows("swing 1 of 5")
    one.close()
    one.process.wait(60)
    markers = assert_kept(tmp_path / "one", home)
    (outcome,) = [m for m in markers if m["kind"] == "drill_outcome"]
    assert 1 <= outcome["swings"] < 5


@pytest.mark.parametrize("words", [f"{RECORD} --speed 30", f"{DRILL} --speed 30 --repeats 50"])
def test_however_often_it_is_asked_to_end(words: str, tmp_path: Path, home: Path) -> None:
    """A closed window sends SIGHUP twice, from shell and system; a shutdown adds SIGTERM."""
    process = started(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        imu = tmp_path / "one" / "imu.npy"
        wait_for(lambda: imu.exists() and imu.stat().st_size > 100_000)
        end = time.monotonic() + 60
        while process.poll() is None:
            assert time.monotonic() < end
            process.send_signal(signal.SIGHUP)
            process.send_signal(signal.SIGTERM)
            time.sleep(0.01)
    finally:
        process.kill()
        process.wait()
    assert_kept(tmp_path / "one", home)


def test_nohup_goes_on(tmp_path: Path, home: Path) -> None:
    process = started(
        f"{RECORD} --speed 30",
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN),
    )
    try:
        imu = tmp_path / "one" / "imu.npy"
        wait_for(lambda: imu.exists() and imu.stat().st_size > 100_000)
        process.send_signal(signal.SIGHUP)
        before = imu.stat().st_size
        wait_for(lambda: imu.stat().st_size > before + 100_000)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
    assert_kept(tmp_path / "one", home)


@pytest.mark.parametrize("words", [f"{RECORD} --speed 30", f"{DRILL} --speed 30 --repeats 50"])
def test_a_terminal_that_stands_still_holds_nothing_up(
    words: str, terminal: Callable[..., Terminal], tmp_path: Path, home: Path
) -> None:
    """Ctrl-S, or a line that is dead without anybody knowing."""
    import termios

    one = terminal(words, read=False)
    imu = tmp_path / "one" / "imu.npy"
    wait_for(lambda: imu.exists() and imu.stat().st_size > 20_000)
    termios.tcflow(one.child, termios.TCOOFF)
    before = imu.stat().st_size
    # Some seconds of status lines and swings.
    wait_for(lambda: imu.stat().st_size > before + 200_000)
    os.kill(one.process.pid, signal.SIGTERM)
    assert one.process.wait(60) == 0
    os.close(one.child)
    assert_kept(tmp_path / "one", home)


def test_what_a_terminal_missed_it_shows_afterwards(
    terminal: Callable[..., Terminal], tmp_path: Path
) -> None:
    import termios

    one = terminal(f"{SHORT} --seconds 60", read=False)
    imu = tmp_path / "one" / "imu.npy"
    wait_for(lambda: imu.exists())
    termios.tcflow(one.child, termios.TCOOFF)
    wait_for(lambda: (tmp_path / "home" / "library.db").exists())
    time.sleep(0.5)
    assert one.process.poll() is None
    termios.tcflow(one.child, termios.TCOON)
    os.close(one.child)
    one._reader.start()
    assert one.process.wait(60) == 0
    one._reader.join(5)
    shown = one.seen.decode()
    assert "in the library as" in shown
    assert "next: unhurried analyze one" in shown


# -- the page --------------------------------------------------------------------------------------


def _recording_from_the_page(tmp_path: Path) -> tuple[subprocess.Popen[bytes], Path]:
    """Start `review`, and on its page a recording of a simulated sensor."""
    process = started(
        "review --no-browser --port 0", stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    address = process.stdout.readline().decode().strip()
    with urllib.request.urlopen(f"{address}range", timeout=30) as answer:
        form = answer.read().decode()
    action = re.search(r'action="(/range/start[^"]*)"', form)
    assert action is not None, form
    data = urllib.parse.urlencode({"sensor": "simulated", "mount": "wrist"}).encode()
    request = urllib.request.Request(
        f"{address.rstrip('/')}{action[1]}", data, {"Origin": address.rstrip("/")}
    )
    urllib.request.urlopen(request, timeout=30).close()
    recordings = tmp_path / "home" / "recordings"
    wait_for(lambda: any(recordings.glob("*/imu.npy")))
    (imu,) = recordings.glob("*/imu.npy")
    wait_for(lambda: imu.stat().st_size > 4_000)
    return process, imu.parent


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT])
def test_a_recording_from_the_page_is_kept(
    number: signal.Signals, tmp_path: Path, home: Path
) -> None:
    process, folder = _recording_from_the_page(tmp_path)
    try:
        for _ in range(3):
            process.send_signal(number)
            time.sleep(0.05)
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
    assert_kept(folder, home, least=200)
