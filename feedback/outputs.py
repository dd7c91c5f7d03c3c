"""Where sound goes: a live device, a WAV file, or nowhere. Thin: what is heard is the mixer's.

All three have the same face: `play` a sound at a frame or at once, `frame_now` for the clock,
`heard_ns` for when a frame reaches the ear. Spacing is by frame, never by sleeping.
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import io
import math
import secrets
import statistics
import sys
import threading
import wave
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from feedback.errors import (
    NoDeviceError,
    NoSoundLibraryError,
    OutputError,
    OutputFailedError,
    OutputTakenError,
    RateRefusedError,
    TrackError,
)
from feedback.mixer import LEVEL, Mixer, Voice
from feedback.quiet import Quiet, quiet
from feedback.tones import Sound
from sensor.link.source import host_clock_ns

RATE_HZ = 48_000
STREAM_LATENCY_S = 0.02
"""Asked of the sound system; shorter underflows under load, longer is later (measured)."""
ASSUMED_DELAY_S = 0.028
"""From `play` to sound where nothing was calibrated: the median measured here on one system."""
LOST_S = 4.0
"""A device that has asked for nothing for so long is taken for gone; after an underflow some take
more than a second to go on."""
START_S = 4.0
"""How long a device may take until it plays steadily; a sleeping one takes about a second."""
STEADY_BLOCKS = 40
SWITCH_S = 0.0005
"""How long another thread keeps the interpreter while the device waits for its samples. Python's
own 5 ms, a quarter of the latency, makes 25 times as many underflows under load (measured)."""
ENDING_S = 0.25
"""How long the next block of a device that goes may take to come."""
CLOSE_S = 1.0
"""How long closing a device may take before it is left behind."""

# PortAudio's error codes (portaudio.h).
_INVALID_SAMPLE_RATE = -9997
_INVALID_DEVICE = -9996
_DEVICE_UNAVAILABLE = -9985

_WIRELESS = ("bluetooth", "bluez", "wireless", "a2dp", "hands-free", "handsfree")


def is_wireless(name: str) -> bool:
    """Whether an output's name says that it is wireless; a name that says nothing may be, too."""
    low = name.casefold()
    return any(word in low for word in _WIRELESS)


class Output(Protocol):
    """What a drill asks of an output."""

    mixer: Mixer
    name: str
    delay_s: float

    @property
    def rate_hz(self) -> int:
        """Frames a second."""

    @property
    def silent(self) -> bool:
        """Whether nothing is heard."""

    @property
    def underflows(self) -> int:
        """How often the device had nothing to play: then what follows came late."""

    @property
    def lost(self) -> bool:
        """Whether the device has gone."""

    def start(self) -> None:
        """Begin."""

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        """Play a sound at a frame, or as soon as can be with a steady delay."""

    def frame_now(self) -> int:
        """The frame that is being handed to the device now."""

    def heard_ns(self, frame: int) -> int:
        """When a frame reaches the ear, by `sensor.link.source.host_clock_ns`."""

    def close(self) -> None:
        """End at once; may be called again."""


class SilentOutput:
    """No device: only the clock goes on, so that all else runs as ever.

    Parameters
    ----------
    rate_hz : int
    clock_ns : callable
    """

    silent = True
    underflows = 0
    lost = False

    def __init__(
        self, *, rate_hz: int = RATE_HZ, clock_ns: Callable[[], int] = host_clock_ns
    ) -> None:
        self.mixer = Mixer(rate_hz)
        self.name = "silent"
        self.delay_s = 0.0
        self._clock_ns = clock_ns
        self._start_ns = clock_ns()

    @property
    def rate_hz(self) -> int:
        """Frames a second."""
        return self.mixer.rate_hz

    def start(self) -> None:
        """Set the clock to zero."""
        self._start_ns = self._clock_ns()

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        """Let the clock pass over a sound."""
        now = self.frame_now()
        return self.mixer.play(sound, now if frame is None else frame)

    def frame_now(self) -> int:
        """The frame of the clock; what lies before it is passed over."""
        now = int((self._clock_ns() - self._start_ns) * self.rate_hz // 1_000_000_000)
        while self.mixer.frame < now:
            self.mixer.render(min(now - self.mixer.frame, self.rate_hz))
        return now

    def heard_ns(self, frame: int) -> int:
        """When a frame would be heard."""
        return self._start_ns + round(frame / self.rate_hz * 1e9)

    def close(self) -> None:
        """Call off what is waiting."""
        self.mixer.call_off()


class LiveOutput:
    """A sound device, through PortAudio; while it is open the sound libraries are kept quiet.

    Parameters
    ----------
    device : str, optional
        Name or part of one; the system's default otherwise.
    rate_hz : int
        Wanted; where the device refuses it, its own rate is taken.
    level : float
    delay_s : float, optional
        From a frame's turn to the ear, as calibrated.
    latency_s : float
        Asked of the sound system.

    Raises
    ------
    OutputError
        There is no library or no device, or it is taken, or it refuses.
    """

    silent = False

    def __init__(
        self,
        device: str | None = None,
        *,
        rate_hz: int = RATE_HZ,
        level: float = LEVEL,
        delay_s: float | None = None,
        latency_s: float = STREAM_LATENCY_S,
    ) -> None:
        sd = self._sd = sound_library()
        self._quiet = Quiet()
        self._quiet.begin()
        try:
            self._open(sd, device, rate_hz, level, delay_s, latency_s)
        except BaseException:
            self._quiet.end()
            raise

    def _open(
        self,
        sd: Any,
        device: str | None,
        rate_hz: int,
        level: float,
        delay_s: float | None,
        latency_s: float,
    ) -> None:
        index, self.name, own_rate = _find(sd, device)
        self.delay_s = ASSUMED_DELAY_S if delay_s is None else delay_s
        self.underflows = 0
        self._closed = False
        self._switch_s: float | None = None
        self._ended = threading.Event()
        self._steady = threading.Event()
        self._blocks = 0
        self._anchors: deque[float] = deque(maxlen=32)
        self._last_ns = host_clock_ns()
        self._block = round(0.01 * rate_hz)
        rates = [rate_hz, *([own_rate] if own_rate not in (0, rate_hz) else [])]
        for k, rate in enumerate(rates):
            try:
                self.mixer = Mixer(rate, level=level)
                self._stream = sd.OutputStream(
                    samplerate=rate,
                    device=index,
                    channels=_channels(sd, index),
                    dtype="float32",
                    latency=latency_s,
                    callback=self._fill,
                    finished_callback=self._ended.set,
                )
            except sd.PortAudioError as error:
                code = error.args[1] if len(error.args) > 1 else None
                if code == _INVALID_SAMPLE_RATE and k + 1 < len(rates):
                    continue
                raise _told(error, self.name, rate) from error
            break

    @property
    def rate_hz(self) -> int:
        """Frames a second."""
        return self.mixer.rate_hz

    def _fill(self, out: Any, frames: int, _time: Any, status: Any) -> None:
        now = host_clock_ns()
        if status.output_underflow:
            self.underflows += 1
            # What was promised of the clock no longer holds.
            self._anchors.clear()
        self._anchors.append(now * 1e-9 - self.mixer.frame / self.mixer.rate_hz)
        self._block = frames
        self._last_ns = now
        self._blocks += 1
        if self._blocks == STEADY_BLOCKS:
            self._steady.set()
        if self._closed:
            raise self._sd.CallbackAbort
        out[:] = self.mixer.render(frames)[:, None]

    def start(self) -> None:
        """Begin to play.

        Raises
        ------
        OutputError
        """
        try:
            self._stream.start()
        except self._sd.PortAudioError as error:
            self.close()
            raise _told(error, self.name, self.rate_hz) from error
        switch_s = sys.getswitchinterval()
        if switch_s > SWITCH_S:
            self._switch_s = switch_s
            sys.setswitchinterval(SWITCH_S)
        # The first blocks only fill the device, which may then take its time.
        self._steady.wait(START_S)
        self._last_ns = host_clock_ns()

    @property
    def lost(self) -> bool:
        """Whether the device was unplugged or its server has gone."""
        if self._closed:
            return False
        return self._ended.is_set() or host_clock_ns() - self._last_ns > LOST_S * 1e9

    def _origin_s(self) -> float:
        """Host time of frame 0, steadied over the last blocks."""
        anchors = list(self._anchors)
        if not anchors:
            return self._last_ns * 1e-9 - self.mixer.frame / self.rate_hz
        return statistics.median(anchors)

    def frame_now(self) -> int:
        """The frame whose turn it is by the clock."""
        return int((host_clock_ns() * 1e-9 - self._origin_s()) * self.rate_hz)

    def heard_ns(self, frame: int) -> int:
        """When a frame reaches the ear: its turn by the clock, and the output's delay."""
        return round((self._origin_s() + frame / self.rate_hz + self.delay_s) * 1e9)

    def play(self, sound: Sound, frame: int | None = None) -> Voice:
        """Play a sound at a frame; without one, a block from now.

        A block from now instead of at once: it costs some milliseconds, and the delay is steady.
        """
        if frame is None:
            frame = max(self.mixer.frame, self.frame_now() + self._block)
        return self.mixer.play(sound, frame)

    def close(self) -> None:
        """End at once. A device that doesn't answer is left behind, so nothing ever hangs."""
        if self._closed:
            return
        self._closed = True
        if self._switch_s is not None:
            sys.setswitchinterval(self._switch_s)

        def end() -> None:
            with contextlib.suppress(self._sd.PortAudioError):
                # Aborting cancels the thread of the callback wherever it is, and if it is waiting
                # for the interpreter, that may stay locked for good (a hang that was seen once
                # looked like it). So the callback ends by itself first; where it doesn't come any
                # more, it is in the device's hands and can be cancelled.
                if self._ended.wait(ENDING_S):
                    self._stream.stop(ignore_errors=True)
                else:
                    self._stream.abort(ignore_errors=True)
                self._stream.close(ignore_errors=True)

        ender = threading.Thread(target=end, daemon=True)
        ender.start()
        ender.join(CLOSE_S)
        if ender.is_alive():
            # The library would wait for the same device once more when the program ends.
            atexit.unregister(self._sd._exit_handler)
        else:
            # Left behind, it may still write of it.
            self._quiet.end()


def sound_library() -> Any:
    """Return PortAudio's Python side; imported only when sound is wanted.

    Raises
    ------
    NoSoundLibraryError
    """
    try:
        import sounddevice  # type: ignore[import-untyped]
    except (ImportError, OSError) as error:
        # Without PortAudio the package is found, and its loading fails.
        raise NoSoundLibraryError(package=isinstance(error, ImportError)) from error
    return sounddevice


def _find(sd: Any, wanted: str | None) -> tuple[int, str, int]:
    """Index, name and own rate of the wanted output, or of the default one."""
    outputs = [one for one in sd.query_devices() if one["max_output_channels"] > 0]
    names = tuple(str(one["name"]) for one in outputs)
    if wanted is None:
        try:
            chosen = sd.query_devices(kind="output")
        except (sd.PortAudioError, ValueError) as error:
            raise NoDeviceError(None) from error
    else:
        near = [one for one in outputs if str(one["name"]) == wanted] or [
            one for one in outputs if wanted.casefold() in str(one["name"]).casefold()
        ]
        if not near:
            raise NoDeviceError(wanted, names)
        chosen = near[0]
    return int(chosen["index"]), str(chosen["name"]), round(float(chosen["default_samplerate"]))


def _channels(sd: Any, index: int) -> int:
    return min(2, int(sd.query_devices(index)["max_output_channels"]))


def _told(error: Any, name: str, rate_hz: float) -> OutputError:
    """Say a PortAudio error in our own words."""
    code = error.args[1] if len(error.args) > 1 else None
    if code == _INVALID_SAMPLE_RATE:
        return RateRefusedError(name, rate_hz)
    if code == _DEVICE_UNAVAILABLE:
        return OutputTakenError(name)
    if code == _INVALID_DEVICE:
        return NoDeviceError(name)
    return OutputFailedError(name, str(error.args[0] if error.args else error))


def open_output(
    name: str | None = None,
    *,
    level: float = LEVEL,
    delay_of: Callable[[str], float | None] | None = None,
) -> tuple[Output, str | None]:
    """Open and start a live output, or a silent one where there is none.

    Parameters
    ----------
    name : str, optional
        ``"silent"``, a device's name or part of it; the system's default otherwise.
    level : float
    delay_of : callable, optional
        Gives the calibrated delay of an output by its name.

    Returns
    -------
    output : Output
        Started.
    why : str or None
        Why it is silent, where that was not asked for.
    """
    if name == "silent":
        return SilentOutput(), None
    try:
        with quiet():
            output = LiveOutput(name, level=level)
            delay_s = None if delay_of is None else delay_of(output.name)
            if delay_s is not None:
                output.delay_s = delay_s
            output.start()
    except OutputError as error:
        if name is not None:
            raise
        return SilentOutput(), str(error)
    return output, None


def wav_bytes(sound: Iterable[Sound], rate_hz: int) -> bytes:
    """Return a mono WAV file, 16 bits a sample.

    Parameters
    ----------
    sound : iterable of float32 arrays
        One after the other, within plus and minus 1.
    rate_hz : int
    """
    made = io.BytesIO()
    with wave.open(made, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        for part in sound:
            file.writeframes(np.round(np.clip(part, -1.0, 1.0) * 32767.0).astype("<i2").tobytes())
    return made.getvalue()


def write_wav(path: Path, sound: Iterable[Sound], rate_hz: int, *, overwrite: bool = False) -> None:
    """Write a mono WAV file, 16 bits a sample, whole or not at all.

    Parameters
    ----------
    path : Path
    sound : iterable of float32 arrays
        One after the other, within plus and minus 1.
    rate_hz : int
    overwrite : bool

    Raises
    ------
    TrackError
        It is there already, or cannot be written.
    """
    if path.exists() and not overwrite:
        raise TrackError(f"{path}: is there already (give --overwrite to replace it)")
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as raw, wave.open(raw, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(rate_hz)
            for block in sound:
                if not math.isfinite(float(np.abs(block).max(initial=0.0))):
                    raise TrackError(f"{path}: not written: the sound is not finite")
                counts = np.round(np.clip(block, -1.0, 1.0) * 32767.0).astype("<i2")
                file.writeframes(counts.tobytes())
        part.replace(path)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        what = " (free some room, or choose another place)" if full else ""
        raise TrackError(f"{path}: cannot be written: {error.strerror or error}{what}") from error
    finally:
        # Gone where all went well.
        with contextlib.suppress(OSError):
            part.unlink()
