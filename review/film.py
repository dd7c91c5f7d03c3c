"""Films are read in a process of their own, in pieces, with bounded memory and time.

A film comes from somebody's phone, or from anywhere: a small file may claim hours, samples by the
million, or the names of other files to read. So it isn't opened where recordings are made and
screens are shown, but by a process that has just this to do, may take so much memory and so long,
and is ended otherwise. Only plain containers are opened: what can name other files or addresses
(playlists, lists of parts) is refused, whatever the file is called.

As a module that is run (see `review.process.python`) this is that process: requests come in as
lines of JSON, and answers go out as one, with the sound's energy behind it as 64-bit floats.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from review.process import OwnProcess, python

Array = npt.NDArray[np.float64]


CONTAINERS: Final = "mov,matroska,ogg,avi,mpegts,wav,flac"
"""What phones, cameras and browsers write, by FFmpeg's names. Each of them holds all that it shows;
none names another file that would be read."""

PIECE_S: Final = 1.0
"""Sound is taken in pieces of about this length."""

LONGEST_DATE: Final = 64
LONGEST_LINE: Final = 10_000
WATCH_S: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmLimits:
    """What reading films may take.

    Attributes
    ----------
    read_s : float
        Longest to read a film and all its sound; half an hour of it takes some ten seconds.
    dates_s : float
        Longest to look for the dates of many films: a few ms each.
    date_s : float
        Longest for the date of one of them.
    memory_bytes : int
        Memory beside what the process has from its beginning: the pictures that a decoder keeps of
        a film of 4096 x 2160, at most sixteen (ITU-T H.265, A.4.2), take 450 MB.
    """

    read_s: float = 120.0
    dates_s: float = 10.0
    date_s: float = 3.0
    memory_bytes: int = 640 * 1024 * 1024


class FilmError(Exception):
    """A film cannot be read; ``str(error)`` says why and what to do, without its name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmFacts:
    """What a film says of itself.

    Attributes
    ----------
    duration_s : float
    frame_rate_hz : float or None
        None where it holds no picture.
    created : str or None
        The date in it, as it stands.
    energy : (n,) array
        See `HopEnergy`.
    """

    duration_s: float
    frame_rate_hz: float | None
    created: str | None
    energy: Array


class HopEnergy:
    """Energy of the high part of a sound by hop, of a sound that comes in pieces.

    A knock of club on ball is broad-band, while wind, traffic and most of speech are low: a first
    difference, which rises with frequency, is enough to part them. What is missing between pieces
    is silence.

    Parameters
    ----------
    rate_hz, hop_s : float
    most_s : float
        What comes later is left out.
    """

    def __init__(self, rate_hz: float, hop_s: float, most_s: float) -> None:
        self._step = rate_hz * hop_s
        self._most = round(most_s * rate_hz)
        # Zeros take no memory until they are written to.
        self._energy = np.zeros(math.ceil(self._most / self._step) + 2)
        self._end = 0
        self._last = 0.0

    @property
    def full(self) -> bool:
        """Whether what comes from here on is left out."""
        return self._end >= self._most

    def feed(self, at: int, sound: Array) -> None:
        """Take a piece.

        Parameters
        ----------
        at : int
            Number of its first sample; what is earlier than the end of the last piece is left out.
        sound : (n,) array
        """
        skip = max(0, self._end - at)
        at, sound = at + skip, sound[skip : max(skip, self._most - at)]
        if not len(sound):
            return
        before = float(sound[0]) if at == 0 else self._last
        if at > self._end:
            self._add(self._end, np.asarray([self._last**2]))
            before = 0.0
        self._add(at, np.square(np.diff(sound, prepend=before)))
        self._end = at + len(sound)
        self._last = float(sound[-1])

    def _add(self, at: int, power: Array) -> None:
        # Hops begin at the sample nearest to their time: at 44.1 kHz half a millisecond isn't a
        # whole number of samples, and rounding it once would stretch the clip.
        first = max(0, math.floor(at / self._step) - 1)
        hops = np.arange(first, math.ceil((at + len(power)) / self._step) + 2)
        begins = np.round(hops * self._step)
        which = np.searchsorted(begins, np.arange(at, at + len(power)), side="right") - 1
        sums = np.bincount(which, weights=power)
        self._energy[first : first + len(sums)] += sums

    def taken(self) -> Array:
        """Return the energy of each whole hop."""
        return self._energy[: math.floor(self._end / self._step + 1e-9)]


# -- asking the process ----------------------------------------------------------------------------

_running: set[OwnProcess] = set()
_guard = threading.Lock()

_ENVIRONMENT: Final = {
    # One thread each: more would only take memory.
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}


def end_all() -> None:
    """End all processes that read a film; whoever waits for one is told that it can't be read."""
    with _guard:
        for child in _running:
            child.kill()


class _Reader:
    """A process that reads films."""

    def __init__(self, limits: FilmLimits) -> None:
        try:
            self._child = OwnProcess(
                python("review.film", str(limits.memory_bytes), str(math.ceil(limits.read_s))),
                environment=_ENVIRONMENT,
            )
        except OSError as error:
            raise FilmError(
                f"cannot be read now ({error.strerror or error}): close other programs and try "
                "again"
            ) from error
        with _guard:
            _running.add(self._child)

    def ask(self, limit_s: float, **request: Any) -> tuple[dict[str, Any], Array]:
        """Ask for something, and end the process if that takes too long."""
        late = threading.Event()

        def stop() -> None:
            late.set()
            self._child.kill()

        timer = threading.Timer(limit_s, stop)
        timer.daemon = True
        timer.start()
        try:
            self._child.asked.write(json.dumps(request).encode() + b"\n")
            self._child.asked.flush()
            answer = json.loads(self._child.told.readline(LONGEST_LINE))
            n = int(answer.get("n", 0))
            data = self._child.told.read(8 * n) if 0 < n < 2**24 else b""
            energy = np.frombuffer(data, dtype="<f8")
            if len(energy) != n:
                raise EOFError
        except (OSError, EOFError, ValueError, AttributeError, TypeError) as error:
            if late.is_set():
                raise FilmError(
                    f"takes longer than {limit_s:.0f} s to read: cut it to the part with the swing "
                    "first"
                ) from error
            raise FilmError(DAMAGED) from error
        finally:
            timer.cancel()
        return answer, energy

    def end(self) -> None:
        """End the process."""
        with _guard:
            _running.discard(self._child)
        self._child.end()


DAMAGED: Final = (
    "cannot be read as a video or sound file: copy the phone's original file once more, and wait "
    "until that is done"
)


def read_film(
    path: Path, *, hop_s: float, most_s: float, limits: FilmLimits | None = None
) -> FilmFacts:
    """Read a film's length, frame rate, date and sound.

    Parameters
    ----------
    path : Path
    hop_s : float
        See `HopEnergy`.
    most_s : float
        Longest that is read.
    limits : FilmLimits, optional

    Raises
    ------
    FilmError
    """
    limits = limits or FilmLimits()
    reader = _Reader(limits)
    try:
        answer, energy = reader.ask(
            limits.read_s, do="read", path=str(path.absolute()), hop_s=hop_s, most_s=most_s
        )
    finally:
        reader.end()
    if "problem" in answer:
        raise FilmError(str(answer["problem"])[:LONGEST_LINE])
    rate_hz = answer.get("frame_rate_hz")
    return FilmFacts(
        duration_s=float(answer["duration_s"]),
        frame_rate_hz=None if rate_hz is None else float(rate_hz),
        created=_date_text(answer.get("created")),
        energy=energy.astype(float),
    )


def film_dates(paths: Sequence[Path], *, limits: FilmLimits | None = None) -> list[str | None]:
    """Return the dates that phones wrote into films, as they stand; None where there is none.

    Only the films' heads are looked at, and what can't be read has no date.

    Parameters
    ----------
    paths : sequence of Path
    limits : FilmLimits, optional
    """
    limits = limits or FilmLimits()
    until_s = time.monotonic() + limits.dates_s
    out: list[str | None] = []
    reader: _Reader | None = None
    try:
        for path in paths:
            left_s = until_s - time.monotonic()
            if left_s <= 0.0:
                break
            try:
                reader = reader or _Reader(limits)
                answer, _ = reader.ask(
                    min(limits.date_s, left_s), do="date", path=str(path.absolute())
                )
                out.append(_date_text(answer.get("created")))
            except FilmError:
                # The next one gets a new process.
                out.append(None)
                if reader is not None:
                    reader.end()
                    reader = None
    finally:
        if reader is not None:
            reader.end()
    return out + [None] * (len(paths) - len(out))


def _date_text(said: object) -> str | None:
    return said[:LONGEST_DATE] if isinstance(said, str) and said else None


# -- in the process --------------------------------------------------------------------------------


def _open(file: BinaryIO) -> Any:
    import av

    # What is given is the file itself, not its name: a name may be taken for an address.
    return av.open(
        file,
        metadata_errors="replace",
        container_options={"format_whitelist": CONTAINERS, "protocol_whitelist": "none"},
    )


def _read(request: dict[str, Any]) -> tuple[dict[str, Any], Array]:
    hop_s, most_s = float(request["hop_s"]), float(request["most_s"])
    with Path(request["path"]).open("rb") as file, _open(file) as container:
        video = next(iter(container.streams.video), None)
        audio = next(iter(container.streams.audio), None)
        if video is None and audio is None:
            return {"problem": "holds neither picture nor sound"}, np.zeros(0)
        duration_s = max(0.0, float(container.duration or 0) / 1e6)
        if duration_s > most_s:
            text = f"lasts {duration_s / 60:.0f} min: cut it to at most {most_s / 60:.0f} min first"
            return {"problem": text}, np.zeros(0)
        # The clip's zero is that of its picture, so that frames and trace line up.
        zero_s = 0.0
        if video is not None and video.start_time is not None:
            zero_s = float(video.start_time * video.time_base)
        rate_hz = float(video.average_rate) if video is not None and video.average_rate else None
        created = container.metadata.get("creation_time") or None
        energy = np.zeros(0)
        if audio is not None:
            energy = _energy(container, audio, zero_s, hop_s, most_s)
    if video is None:
        duration_s = max(duration_s, len(energy) * hop_s)
    return {"duration_s": duration_s, "frame_rate_hz": rate_hz, "created": created}, energy


def _energy(container: Any, audio: Any, zero_s: float, hop_s: float, most_s: float) -> Array:
    """Energy by hop from the clip's zero on, each frame put where its time stamp says."""
    rate_hz = float(audio.rate or 0.0)
    if not 2.0 / hop_s <= rate_hz <= 1e6:
        # No knock is to be heard in less, and nobody records more.
        return np.zeros(0)
    for other in container.streams:
        if other is not audio:
            # Pictures needn't even be read; before PyAV has it they are read and left.
            with contextlib.suppress(AttributeError, TypeError, ValueError):
                other.discard = "all"
    audio.codec_context.thread_count = 1
    out = HopEnergy(rate_hz, hop_s, most_s)
    piece: list[Array] = []
    at = expected = 0
    for number, frame in enumerate(container.decode(audio)):
        if frame.pts is not None:
            stamped = round((float(frame.pts * frame.time_base) - zero_s) * rate_hz)
            # Stamps are rounded to the container's clock: only a real jump counts.
            if number == 0 or abs(stamped - expected) > 0.005 * rate_hz:
                if piece:
                    out.feed(at, np.concatenate(piece))
                piece, at, expected = [], stamped, stamped
        mono = _mono(frame)
        piece.append(mono)
        expected += len(mono)
        if expected - at >= PIECE_S * rate_hz:
            out.feed(at, np.concatenate(piece))
            piece, at = [], expected
            if out.full:
                break
    if piece:
        out.feed(at, np.concatenate(piece))
    return out.taken()


def _mono(frame: Any) -> Array:
    sound = frame.to_ndarray()
    kind = sound.dtype
    if not frame.format.is_planar:
        sound = sound.reshape(-1, len(frame.layout.channels)).T
    mono = sound.mean(axis=0, dtype=float)
    if not np.issubdtype(kind, np.floating):
        mono /= float(np.iinfo(kind).max)
    return np.asarray(np.nan_to_num(mono, nan=0.0, posinf=0.0, neginf=0.0))


def _date(request: dict[str, Any]) -> tuple[dict[str, Any], Array]:
    with Path(request["path"]).open("rb") as file, _open(file) as container:
        return {"created": container.metadata.get("creation_time") or None}, np.zeros(0)


def _answer(request: dict[str, Any]) -> tuple[dict[str, Any], Array]:
    import av

    work: Callable[[dict[str, Any]], tuple[dict[str, Any], Array]] = {"read": _read, "date": _date}[
        request["do"]
    ]
    try:
        return work(request)
    except MemoryError:
        problem = (
            "takes more memory to read than a film may: export it from the phone once more, at "
            "most in 4K"
        )
    except (av.FFmpegError, OSError, ValueError, EOFError, ArithmeticError):
        problem = DAMAGED
    return {"problem": problem}, np.zeros(0)


def _limit(memory_bytes: int, seconds: int) -> None:
    """Have the system end this process, or refuse it memory, before it is a burden."""
    try:
        import resource
    except ImportError:  # Windows: whoever asked ends it when it takes too long.
        return
    now = 0
    with contextlib.suppress(OSError, ValueError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        now = pages * resource.getpagesize()
    most = {resource.RLIMIT_CPU: seconds, resource.RLIMIT_CORE: 0, resource.RLIMIT_FSIZE: 0}
    if now:
        most[resource.RLIMIT_AS] = now + memory_bytes
    for what, value in most.items():
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(what, (value, value))
    if not now:
        threading.Thread(target=_watch, args=(memory_bytes,), daemon=True).start()


def _watch(memory_bytes: int) -> None:
    """End this process when it has taken too much, where the system doesn't hold it to that."""
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    while (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - start) * unit < memory_bytes:
        time.sleep(WATCH_S)
    os._exit(3)


def main(memory_bytes: int, seconds: int) -> None:
    """Answer on standard input and output until nobody asks any more."""
    import av

    # Whatever prints must not get between the answers.
    told = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    av.logging.set_level(None)
    _limit(memory_bytes, seconds)
    for line in sys.stdin.buffer:
        answer, energy = _answer(json.loads(line))
        told.write(json.dumps({**answer, "n": len(energy)}).encode() + b"\n")
        told.write(energy.astype("<f8").tobytes())
        told.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
