"""The sound libraries keep quiet while an output is open; Python's own words are never lost."""

from __future__ import annotations

import fcntl
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from listening import ROOT, SoundServer
from patience import PATIENCE_S

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="descriptors as POSIX has them")

# What libraries write goes past Python: to the descriptor.
RAW = "import os, sys; raw = lambda text: os.write(2, text.encode() + b'\\n'); "


def ran(script: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", RAW + script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )


def test_only_what_goes_past_python_is_kept_off() -> None:
    done = ran(
        "from feedback.quiet import Quiet, quiet\n"
        "raw('before')\n"
        "with quiet():\n"
        "    raw('hidden'); print('said', file=sys.stderr)\n"
        "    with quiet():\n"
        "        raw('hidden')\n"
        "    raw('hidden')\n"
        "raw('after')\n"
        "one, two = Quiet(), Quiet()\n"
        "one.begin(); one.begin(); two.begin(); one.end(); raw('hidden'); two.end(); two.end()\n"
        "raw('last')\n"
        "assert sys.stderr is sys.__stderr__\n"
    )
    assert done.stderr.splitlines() == ["before", "said", "after", "last"]
    assert done.returncode == 0


@pytest.mark.parametrize("where", ["main", "thread"])
def test_tracebacks_are_not_swallowed(where: str) -> None:
    fail = "def fail():\n    raise RuntimeError('seen')\n"
    run = "fail()" if where == "main" else "t = threading.Thread(target=fail); t.start(); t.join()"
    done = ran(
        f"import threading\nfrom feedback.quiet import Quiet\n{fail}Quiet().begin()\n"
        f"raw('hidden')\n{run}\n"
    )
    assert "RuntimeError: seen" in done.stderr
    assert "Traceback" in done.stderr
    assert "hidden" not in done.stderr
    assert done.returncode == (1 if where == "main" else 0)


def test_an_output_keeps_them_quiet_until_it_is_closed(server: SoundServer) -> None:
    done = server.run(
        RAW + "from feedback.outputs import LiveOutput\n"
        "output = LiveOutput()\noutput.start()\nraw('hidden')\n"
        "print('said', file=sys.stderr)\noutput.close()\nraw('after')\n"
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines() == ["said", "after"]


def test_the_screen_stays_clean_when_the_server_dies_in_mid_drill(
    server: SoundServer, tmp_path: Path
) -> None:
    import pty
    import termios

    parent, child = pty.openpty()
    fcntl.ioctl(child, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    command = [sys.executable, "-m", "unhurried", "drill", "--simulated", "--speed", "4"]
    command += ["--repeats", "5", "--rest-s", "1", "--backswing-ms", "900", "--seed", "3"]
    process = subprocess.Popen(
        [*command, "--out", str(tmp_path / "d")],
        env={**server.env, "TERM": "xterm"},
        cwd=ROOT,
        stdin=child,
        stdout=child,
        stderr=child,
        start_new_session=True,
    )
    os.close(child)
    seen = bytearray()

    def read() -> None:
        while True:
            try:
                data = os.read(parent, 4096)
            except OSError:
                return
            if not data:
                return
            seen.extend(data)

    reader = threading.Thread(target=read)
    reader.start()

    def shown(words: bytes) -> None:
        end = time.monotonic() + PATIENCE_S
        while words not in b" ".join(seen.split()):
            assert time.monotonic() < end, seen
            assert process.poll() is None, seen
            time.sleep(0.05)

    try:
        shown(b"samples are coming")
        server.process.kill()
        shown(b"or go on without sound")
        # It waits for a key, and goes on; whatever the libraries complain of has come by then.
        os.write(parent, b"g")
        shown(b"swing 1 of 5")
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0, seen
    finally:
        process.kill()
        process.wait()
        reader.join(5)
        os.close(parent)
    text = seen.decode("utf-8", "replace")
    for raw in ("ALSA lib", "Expression", "PaAlsa", "pcm.c", "Traceback"):
        assert raw not in text
    joined = " ".join(text.split())
    assert joined.count("the sound output is gone") == 1
    assert joined.count("from here on it is only counted") <= 1
    # Where the sound goes, and how late it is, was said at the start.
    assert "ms after it is played (assumed" in joined
    assert "of 5 swings" in joined
    # Cautions come before the keys.
    assert joined.index("Warm up first") < joined.index("keys: 1 rushed")
    assert "in the library as" in joined
