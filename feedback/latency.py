"""How late an output is: measured with a microphone, or by tapping along; kept per output.

What the sound system says of itself is not to be trusted (20 ms told, 28 measured). The delay is
that from a frame's turn by the clock (`feedback.outputs.Output.frame_now`) to the ear, so it is
just what `heard_ns` needs.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import secrets
import statistics
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from feedback.errors import FeedbackError, NoDeviceError
from feedback.outputs import ENDING_S, LiveOutput, Output, is_wireless, sound_library
from feedback.quiet import quiet
from feedback.tones import Sound, note_hz, tone
from sensor.link.source import host_clock_ns
from sensor.recording.schema import (
    LONGEST_TEXT,
    Count,
    Word,
    check_version,
    convert,
    parse_json,
    plain_reading,
    read_small,
)

VERSION = 1
MOST_BYTES = 100_000
TAP_EARLY_S = 0.035
TAP_EARLY_U_S = 0.010
"""People tap 20 to 50 ms before a steady beat, without noticing (from memory)."""
LEAST_TAPS = 6
LEAST_BEATS = 8
"""Beats that must be left without an interruption of the sound; of fewer asked for, all."""
LOOK_S = 0.05
NEAR_S = 0.45
"""A tap or an onset later than this belongs to no beat."""


class LatencyError(FeedbackError):
    """The delay could not be measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """An output's delay.

    Attributes
    ----------
    output : str
        The device's name.
    delay_s, delay_u_s : float
        And its standard uncertainty.
    method : {"microphone", "tapping"}
    n : int
        Beats that were used.
    made_at : str
        ISO 8601 with offset.
    """

    output: str
    delay_s: float
    delay_u_s: float
    method: str
    n: int
    made_at: str

    @property
    def wireless(self) -> bool:
        """Whether its name says that it is wireless."""
        return is_wireless(self.output)


def beat_sound(rate_hz: int) -> Sound:
    """The beep to be listened to or tapped to."""
    return tone(note_hz("A5"), 0.060, rate_hz)


class BeatTimes:
    """When each beat had its turn, without those that an interruption of the sound came near.

    An interruption moves all that comes after it; so a beat is set beside the output's clock as it
    was then, shortly after its turn.

    Parameters
    ----------
    output : Output
    frames : sequence of int
        Of the beats, which are played already.
    """

    AFTER_S = 0.25
    """So long after its turn a beat is looked at; shorter than the time between beats."""
    BEFORE_S = 0.10

    def __init__(self, output: Output, frames: Sequence[int]) -> None:
        self._output = output
        self._frames = list(frames)
        self._underflows = output.underflows
        self._interrupted_s: list[float] = []
        self.turns_s: list[float | None] = []
        """So far; None for a beat that is left out."""

    def look(self) -> None:
        """See what has happened; to be called some twenty times a second."""
        output, now = self._output, host_clock_ns() * 1e-9
        if output.underflows != self._underflows:
            self._underflows = output.underflows
            self._interrupted_s.append(now)
        while len(self.turns_s) < len(self._frames):
            frame = self._frames[len(self.turns_s)]
            turn = output.heard_ns(frame) * 1e-9 - output.delay_s
            if now < turn + self.AFTER_S:
                return
            hit = any(at > turn - self.BEFORE_S for at in self._interrupted_s)
            self.turns_s.append(None if hit else turn)

    @property
    def left(self) -> int:
        """Beats that can be used."""
        return sum(turn is not None for turn in self.turns_s)

    def check(self) -> None:
        """See that enough are left.

        Raises
        ------
        LatencyError
        """
        if self.left < min(LEAST_BEATS, len(self._frames)):
            raise LatencyError(
                f"the sound was interrupted while measuring: only {self.left} of "
                f"{len(self._frames)} beeps came undisturbed; close other programs"
            )


def find_onsets(
    heard: npt.NDArray[np.float64],
    sound: npt.NDArray[np.float64],
    expected: Sequence[int],
    near: int,
) -> list[tuple[int, float]]:
    """Find a known sound in a recording, once after each expected place.

    Parameters
    ----------
    heard : (n,) array
    sound : (m,) array
    expected : sequence of int
        Earliest sample of each.
    near : int
        How many samples later it may be.

    Returns
    -------
    list of (sample, clearness)
        Clearness is the correlation coefficient, 0 to 1; only those that could be looked for.
    """
    out: list[tuple[int, float]] = []
    m = len(sound)
    energy = float(np.sqrt(sound @ sound))
    for place in expected:
        part = heard[max(0, place) : place + near + m]
        if place < 0 or len(part) < near + m:
            continue
        match = np.correlate(part, sound, mode="valid")
        sums = np.concatenate([[0.0], np.cumsum(part * part)])
        size = np.sqrt(np.maximum(sums[m:] - sums[:-m], 1e-20))
        r = match / (size * energy)
        # A loud place counts more than a faint one that happens to fit.
        k = int(np.argmax(np.abs(match)))
        out.append((place + k, float(abs(r[k]))))
    return out


def delay_of_taps(
    beats_s: Sequence[float], taps_s: Sequence[float], *, output: str, made_at: str
) -> Delay:
    """Delay from tapping along: tap minus beat, and what people tap early added.

    Parameters
    ----------
    beats_s : sequence of float
        When each beat had its turn.
    taps_s : sequence of float
        When a key went down.
    output, made_at : str

    Raises
    ------
    LatencyError
        Too few taps belong to a beat, or they scatter too much.
    """
    late: list[float] = []
    for beat in beats_s:
        near = [tap - beat for tap in taps_s if -0.25 < tap - beat < NEAR_S]
        if near:
            late.append(min(near, key=abs))
    if len(late) < LEAST_TAPS:
        raise LatencyError(
            f"only {len(late)} taps went with a beep: tap a key with each of them, and start again"
        )
    middle = statistics.median(late)
    # A slip or two is thrown out: ordinary tapping scatters by 20 to 40 ms (from memory).
    kept = [one for one in late if abs(one - middle) < 0.12]
    if len(kept) < max(LEAST_TAPS, 2 * len(late) / 3):
        raise LatencyError("the taps scatter too much to tell a delay: start again")
    scatter = statistics.stdev(kept) / math.sqrt(len(kept))
    return Delay(
        output=output,
        delay_s=max(0.0, statistics.fmean(kept) + TAP_EARLY_S),
        delay_u_s=math.hypot(scatter, TAP_EARLY_U_S),
        method="tapping",
        n=len(kept),
        made_at=made_at,
    )


class _Ear:
    """What a microphone hears, on the host's clock."""

    def __init__(self, sd: Any, rate_hz: int) -> None:
        self.over, self.ended = threading.Event(), threading.Event()
        self._sd, self._rate_hz = sd, rate_hz
        self._chunks: list[npt.NDArray[np.float32]] = []
        self._origins_s: list[float] = []
        self._frames = 0
        self._guard = threading.Lock()

    def _hear(self, data: Any, frames: int, _time: Any, _status: Any) -> None:
        if self.over.is_set():
            raise self._sd.CallbackAbort
        now = host_clock_ns() * 1e-9
        with self._guard:
            self._chunks.append(data[:, 0].copy())
            self._frames += frames
            self._origins_s.append(now - self._frames / self._rate_hz)

    def listening(self, microphone: str | None) -> Any:
        """Start to listen.

        Raises
        ------
        LatencyError
            There is no microphone.
        """
        try:
            with quiet():
                device = None if microphone is None else _microphone(self._sd, microphone)
                stream = self._sd.InputStream(
                    samplerate=self._rate_hz,
                    device=device,
                    channels=1,
                    dtype="float32",
                    latency=0.02,
                    callback=self._hear,
                    finished_callback=self.ended.set,
                )
                stream.start()
        except (self._sd.PortAudioError, ValueError) as error:
            raise LatencyError(
                f"there is no microphone to listen with ({error}): plug one in, or give --tap"
            ) from error
        return stream

    def heard(self) -> tuple[npt.NDArray[np.float64], float]:
        """Return the samples so far, and when the first was heard, s."""
        with self._guard:
            if not self._chunks:
                return np.zeros(0), 0.0
            samples = np.concatenate(self._chunks).astype(np.float64)
            return samples, statistics.median(self._origins_s)


def listen(
    output: LiveOutput, *, made_at: str, beats: int = 10, microphone: str | None = None
) -> Delay:
    """Play beeps and find them in what a microphone hears.

    Parameters
    ----------
    output : LiveOutput
        Started.
    made_at : str
    beats : int
    microphone : str, optional
        Name or part of it; the system's default otherwise.

    Raises
    ------
    LatencyError
        There is no microphone, or it didn't hear the beeps.
    """
    sd = sound_library()
    rate = output.rate_hz
    ear = _Ear(sd, rate)
    stream = ear.listening(microphone)
    try:
        told_s = float(stream.latency)
        sound = beat_sound(rate)
        waiting = threading.Event()
        waiting.wait(0.5)
        # Uneven, so that an echo of one beat is not taken for the next.
        first = output.frame_now() + round(0.3 * rate)
        steps = np.cumsum([0.70 + 0.05 * (k % 3) for k in range(beats)])
        frames = [first + round(float(s) * rate) for s in steps]
        for frame in frames:
            output.play(sound, frame)
        times = BeatTimes(output, frames)
        # An interruption makes all later, so the beats are waited for and not the time; but no
        # longer than twice that.
        rest = 2 * round((float(steps[-1]) + 0.3) / LOOK_S)
        while len(times.turns_s) < len(frames) and rest > 0:
            waiting.wait(LOOK_S)
            times.look()
            rest -= 1
        waiting.wait(NEAR_S + 0.8)
    finally:
        # Aborted only where it doesn't answer, see LiveOutput.close.
        ear.over.set()
        if ear.ended.wait(ENDING_S):
            stream.stop(ignore_errors=True)
        else:
            stream.abort(ignore_errors=True)
        stream.close(ignore_errors=True)
    times.check()
    turn_s = [turn for turn in times.turns_s if turn is not None]
    heard, origin = ear.heard()
    delays = _delays_s(heard, sound.astype(np.float64), turn_s, rate=rate, origin_s=origin)
    scatter = statistics.stdev(delays) / math.sqrt(len(delays))
    return Delay(
        output=output.name,
        delay_s=max(0.0, statistics.median(delays) - 0.5 * told_s),
        # The microphone's own delay: between none and what the system says of it (JCGM 100, 4.3.7).
        delay_u_s=math.hypot(scatter, told_s / math.sqrt(12.0)),
        method="microphone",
        n=len(delays),
        made_at=made_at,
    )


def _delays_s(
    heard: npt.NDArray[np.float64],
    sound: npt.NDArray[np.float64],
    turn_s: Sequence[float],
    *,
    rate: int,
    origin_s: float,
) -> list[float]:
    """Say how long after its turn each beep was heard, of those that are clear.

    Raises
    ------
    LatencyError
        Too few are.
    """
    expected = [round((t - origin_s) * rate) for t in turn_s]
    found = find_onsets(heard, sound, expected, round(NEAR_S * rate))
    clear = [place for place, clearness in found if clearness > 0.5]
    if len(clear) < max(3, len(turn_s) // 2):
        raise LatencyError(
            "the microphone did not hear the beeps: turn the sound up a little or bring them "
            "closer together, or give --tap"
        )
    return [
        origin_s + place / rate - t
        for (place, clearness), t in zip(found, turn_s[: len(found)], strict=True)
        if clearness > 0.5
    ]


def _microphone(sd: Any, wanted: str) -> int:
    inputs = [one for one in sd.query_devices() if one["max_input_channels"] > 0]
    for one in inputs:
        if wanted.casefold() in str(one["name"]).casefold():
            return int(one["index"])
    raise NoDeviceError(wanted, tuple(str(one["name"]) for one in inputs))


# -- kept per output --------------------------------------------------------------------------


def output_key(name: str) -> str:
    """A file's name for an output."""
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "output"


def save_delay(folder: Path, delay: Delay) -> Path:
    """Keep an output's delay in a folder, in the place of an earlier one.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LatencyError
        It cannot be written.
    """
    path = folder / f"{output_key(delay.output)}.json"
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    values = {
        "version": VERSION,
        "output": delay.output,
        "delay_s": round(delay.delay_s, 5),
        "delay_s_u": round(delay.delay_u_s, 5),
        "method": delay.method,
        "n": delay.n,
        "made_at": delay.made_at,
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part.write_text(json.dumps(values, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise LatencyError(f"{path}: cannot be written: {error.strerror or error}") from error
    return path


def load_delay(folder: Path, name: str) -> Delay | None:
    """The kept delay of an output; None where it was never measured.

    Raises
    ------
    LatencyError
        The file is there but is none of ours.
    """
    path = folder / f"{output_key(name)}.json"
    remedy = "delete it and run 'unhurried latency' again"
    try:
        with plain_reading(path, _cannot, remedy=remedy):
            values = parse_json(read_small(path, most=MOST_BYTES), dict[str, Any])
            check_version(values, VERSION)
            kept = convert(values, _Kept)
    except FileNotFoundError:
        return None
    return Delay(
        output=kept.output,
        delay_s=kept.delay_s,
        delay_u_s=kept.delay_s_u,
        method=kept.method,
        n=kept.n,
        made_at=kept.made_at,
    )


class _Kept(msgspec.Struct):
    output: Annotated[str, Meta(max_length=LONGEST_TEXT, description="a name")]
    delay_s: Annotated[float, Meta(ge=0, lt=2)]
    delay_s_u: Annotated[float, Meta(ge=0, le=10)]
    method: Word
    n: Count
    made_at: Word


def _cannot(path: Path, problem: str) -> LatencyError:
    return LatencyError(f"{path}: {problem}")
