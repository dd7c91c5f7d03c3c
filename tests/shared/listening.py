"""Ears of the tests: they share nothing with the mixer.

Onsets are where the Hilbert envelope rises above a tenth of its peak; pitch is the parabola through
the highest bins of a zero-padded Fourier transform.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from patience import PATIENCE_S
from scipy.signal import hilbert

Array = npt.NDArray[np.float64]

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 48_000
TRIES = 8
"""A machine with much else to do may starve the sound server; what is tested is what happens when
it doesn't."""


def onsets_s(x: Array, rate_hz: float = RATE_HZ, *, quiet_s: float = 0.03) -> list[float]:
    """Begin of each sound, as far as ``quiet_s`` of silence came before it."""
    size = np.abs(hilbert(x))
    above = size > 0.1 * size.max()
    out: list[float] = []
    last = -np.inf
    for k in np.flatnonzero(above):
        if k - last > quiet_s * rate_hz:
            out.append(k / rate_hz)
        last = k
    return out


def pitch_hz(x: Array, rate_hz: float = RATE_HZ) -> float:
    """Strongest pitch."""
    n = 1 << 18
    spectrum = np.log(np.abs(np.fft.rfft(x * np.hanning(len(x)), n)) + 1e-12)
    k = int(np.argmax(spectrum))
    a, b, c = spectrum[k - 1 : k + 2]
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * rate_hz / n)


@contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    """A real sound server with a sink that nobody hears, recorded at its monitor."""
    for program in ("pulseaudio", "parec", "pactl"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is not installed (apt: pulseaudio pulseaudio-utils)")
    # A socket's path must be short.
    folder.chmod(0o700)
    env = {k: v for k, v in os.environ.items() if not k.startswith("PULSE_")}
    env |= {
        "PULSE_RUNTIME_PATH": str(folder),
        "XDG_RUNTIME_DIR": str(folder),
        "HOME": str(folder),
        "UNHURRIED_HOME": str(folder / "home"),
    }
    socket = folder / "native"
    command = ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"]
    command += ["-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket}"]
    command += ["-L", f"module-null-sink sink_name=cue rate={RATE_HZ} channels=2"]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(command, env=env, stdout=log, stderr=log)
    env |= {"PULSE_SERVER": f"unix:{socket}", "PULSE_SOURCE": "cue.monitor"}
    try:
        end = time.monotonic() + PATIENCE_S
        while subprocess.run(["pactl", "info"], env=env, capture_output=True).returncode:
            if time.monotonic() > end or server.poll() is not None:
                pytest.fail(f"the sound server does not start: {(folder / 'log').read_text()}")
            time.sleep(0.1)
        yield SoundServer(server, env)
    finally:
        server.kill()
        server.wait()


class SoundServer:
    """The server, and the environment of programs that are to use it."""

    def __init__(self, process: subprocess.Popen[bytes], env: dict[str, str]) -> None:
        self.process = process
        self.env = env

    def unplug(self) -> None:
        """Take the device away."""
        subprocess.run(["pactl", "unload-module", "module-null-sink"], env=self.env, check=True)

    def run(self, script: str, *, timeout: float = 30.0) -> subprocess.CompletedProcess[str]:
        """Run a Python script in a process of its own."""
        return subprocess.run(
            [sys.executable, "-c", script],
            env=self.env,
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=timeout,
        )

    @contextmanager
    def recording(self, file: Path) -> Iterator[None]:
        """Record what would be heard."""
        command = ["parec", "-d", "cue.monitor", "--raw", f"--rate={RATE_HZ}", "--channels=1"]
        with file.open("wb") as out:
            recorder = subprocess.Popen(
                [*command, "--format=s16le", "--latency-msec=10"], env=self.env, stdout=out
            )
        try:
            end = time.monotonic() + PATIENCE_S
            while file.stat().st_size == 0 and time.monotonic() < end:
                time.sleep(0.02)
            yield
            time.sleep(0.2)
        finally:
            recorder.send_signal(signal.SIGTERM)
            recorder.wait(5.0)


def read_raw(file: Path) -> Array:
    """What `SoundServer.recording` has written, in shares of full scale."""
    return np.fromfile(file, "<i2").astype(float) / 32768.0
