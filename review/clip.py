"""Line up a phone's clip with a recording by the sound of impact.

The clip's sound is searched for sudden broad-band knocks, and the recording says when the player's
own impacts were. The offset that explains most of them, weighed by how loud the knocks are among
those of this clip, is taken; whether another offset explains them nearly as well is said. A range
is full of other players' impacts, and a neighbour may be as near to the phone as its player is: so
a single impact is often in doubt, while several in a known rhythm hardly are.

Clips stay where they are: they are read here, never written or copied.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from review.errors import ReviewError

Array = npt.NDArray[np.float64]

__all__ = [
    "ClipError",
    "ClipFacts",
    "ClipMatch",
    "ClipParams",
    "Knocks",
    "align_clip",
    "find_knocks",
    "read_clip",
    "sound_energy",
]


class ClipError(ReviewError):
    """A clip cannot be used; ``str(error)`` says why and what to do."""

    def __init__(self, path: str | os.PathLike[str], problem: str) -> None:
        self.path = Path(path)
        self.problem = problem
        super().__init__(f"{self.path.name}: {problem}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipParams:
    """How knocks are found and matched.

    Attributes
    ----------
    hop_s : float
        Step at which sound energy is looked at.
    least_rise_db : float
        A knock rises at least this much above the 20 ms before it.
    apart_s : float
        Knocks nearer than this are one (its echo from a net or a bay's wall).
    fit_s : float
        Standard deviation of a matched knock about its impact: the onset in the sensor and in the
        sound, and what the player moves between two balls.
    hit_share : float
        Share of a player's impacts that are heard in a clip (others are talked over).
    speed_of_sound_m_s : float
        343 m/s in air at 20 deg C (ISO 9613-1 gives 343.2).
    most_s : float
        Longest clip that is read.
    clock_u_s : float
        How far a phone's and a sensor's clock may be apart where the clip's own date is used.
    wrong_date_share : float
        Share of clips whose date says nothing (sent by a messenger, a clock never set).
    backswing_s, finish_s : float
        A clip that shows a swing shows it from takeaway on, about 1.0 s before impact, into the
        finish, about 0.7 s after it (common practice, no source).
    cut_ratio : float
        How likely an instant is to be that swing's impact where the clip's ends would cut the
        swing, against any other instant: filming may begin late, so it isn't ruled out (from
        memory).
    sure : float
        Posterior share of the best offset from which it is called sure.
    """

    hop_s: float = 0.0005
    least_rise_db: float = 8.0
    apart_s: float = 0.06
    fit_s: float = 0.004
    hit_share: float = 0.9
    speed_of_sound_m_s: float = 343.2
    most_s: float = 1800.0
    clock_u_s: float = 2.0
    wrong_date_share: float = 0.1
    backswing_s: float = 1.0
    finish_s: float = 0.7
    cut_ratio: float = 0.05
    sure: float = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """What a clip file says of itself.

    Attributes
    ----------
    duration_s : float
    frame_rate_hz : float or None
        Of the picture; None where there is none.
    created : str or None
        Date that the phone wrote, as it stands.
    hop_s : float
    energy : (n,) array
        Sound energy above about 1 kHz by hop, from the clip's zero on; empty without sound.
    """

    duration_s: float
    frame_rate_hz: float | None
    created: str | None
    hop_s: float
    energy: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Knocks:
    """Sudden sounds of a clip.

    Attributes
    ----------
    time_s : (k,) array
        Onsets on the clip's clock.
    rise_db : (k,) array
        Rise above the sound just before.
    loudness_db : (k,) array
        Energy of the knock, relative to the clip's loudest.
    """

    time_s: Array
    rise_db: Array
    loudness_db: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipMatch:
    """Where a clip lies on a recording's clock.

    Attributes
    ----------
    offset_s : float or None
        Recording time of the clip's zero. None where nothing matches.
    offset_u_s : float or None
        Its standard uncertainty, if the right knocks were matched.
    sure : bool
    why : str
        One plain sentence: how many impacts were heard, or what the doubt is.
    heard, expected : int
        Impacts matched, and those that fall into the clip.
    others_s : tuple of float
        Other offsets that are nearly as good, best first.
    """

    offset_s: float | None
    offset_u_s: float | None
    sure: bool
    why: str
    heard: int
    expected: int
    others_s: tuple[float, ...] = ()


def sound_energy(sound: Array, *, rate_hz: float, hop_s: float) -> Array:
    """Energy of the high part of a sound, by hop.

    A knock of club on ball is broad-band, while wind, traffic and most of speech are low: a first
    difference, which rises with frequency, is enough to part them.

    Parameters
    ----------
    sound : (n,) array
    rate_hz, hop_s : float

    Returns
    -------
    (k,) array
        One a whole hop.
    """
    n = math.floor(len(sound) / (rate_hz * hop_s) + 1e-9)
    if n == 0:
        return np.zeros(0)
    # Hops begin at the sample nearest to their time: at 44.1 kHz half a millisecond isn't a whole
    # number of samples, and rounding it once would stretch the clip.
    begins = np.round(np.arange(n) * hop_s * rate_hz).astype(np.int64)
    end = round(n * hop_s * rate_hz)
    power = np.square(np.diff(sound[:end], prepend=sound[:1]))
    return np.asarray(np.add.reduceat(power, begins))


def read_clip(path: str | os.PathLike[str], *, params: ClipParams | None = None) -> ClipFacts:
    """Read what is needed of a clip: its length, frame rate, date and sound energy.

    Parameters
    ----------
    path : path
    params : ClipParams, optional

    Returns
    -------
    ClipFacts

    Raises
    ------
    ClipError
        Not a clip, damaged, or too long.
    """
    import av

    p = params or ClipParams()
    path = Path(path)
    if not path.is_file():
        raise ClipError(path, "is not there: was the clip moved?")
    try:
        with av.open(str(path)) as container:
            return _facts(container, path, p)
    except (av.FFmpegError, ValueError, EOFError) as error:
        raise ClipError(
            path,
            "cannot be read as a video or sound file: copy the phone's original file once more, "
            "and wait until that is done",
        ) from error


def _facts(container: Any, path: Path, p: ClipParams) -> ClipFacts:
    video = next(iter(container.streams.video), None)
    audio = next(iter(container.streams.audio), None)
    if video is None and audio is None:
        raise ClipError(path, "holds neither picture nor sound")
    duration_s = float(container.duration or 0) / 1e6
    if duration_s > p.most_s:
        raise ClipError(
            path,
            f"lasts {duration_s / 60:.0f} min: cut it to at most {p.most_s / 60:.0f} min first",
        )
    # The clip's zero is that of its picture, so that frames and trace line up.
    zero_s = 0.0
    if video is not None and video.start_time is not None:
        zero_s = float(video.start_time * video.time_base)
    frame_rate_hz = None
    if video is not None and video.average_rate:
        frame_rate_hz = float(video.average_rate)
    created = container.metadata.get("creation_time") or None
    energy = np.zeros(0)
    if audio is not None:
        energy = _audio_energy(container, audio, zero_s, p)
    return ClipFacts(
        duration_s=max(duration_s, len(energy) * p.hop_s if video is None else 0.0),
        frame_rate_hz=frame_rate_hz,
        created=created,
        hop_s=p.hop_s,
        energy=energy,
    )


def clip_date(path: str | os.PathLike[str]) -> str | None:
    """Return the date that a phone wrote into a film, as it stands; None where there is none.

    Only the file's head is looked at, and what can't be read has no date.
    """
    import av

    try:
        with av.open(os.fspath(path), metadata_errors="replace") as container:
            return container.metadata.get("creation_time") or None
    except (av.FFmpegError, OSError, ValueError, EOFError):
        return None


def _audio_energy(container: Any, audio: Any, zero_s: float, p: ClipParams) -> Array:
    """Energy by hop from the clip's zero on, each frame put where its time stamp says."""
    rate_hz = float(audio.rate)
    most = round(p.most_s * rate_hz)
    pieces: list[tuple[int, Array]] = []
    expected = None
    for frame in container.decode(audio):
        sound = frame.to_ndarray()
        scale = 1.0 if np.issubdtype(sound.dtype, np.floating) else float(np.iinfo(sound.dtype).max)
        if not frame.format.is_planar:
            sound = sound.reshape(-1, len(frame.layout.channels)).T
        mono = sound.astype(float).mean(axis=0) / scale
        at = expected
        if frame.pts is not None:
            stamped = round((float(frame.pts * frame.time_base) - zero_s) * rate_hz)
            # Stamps are rounded to the container's clock: only a real jump counts.
            if expected is None or abs(stamped - expected) > 0.005 * rate_hz:
                at = stamped
        at = 0 if at is None else at
        expected = at + len(mono)
        if expected > most:
            break
        pieces.append((at, mono))
    if not pieces:
        return np.zeros(0)
    whole = np.zeros(max(0, max(at + len(x) for at, x in pieces)), dtype=np.float32)
    for at, x in pieces:
        skip = max(0, -at)
        if skip < len(x):
            whole[at + skip : at + len(x)] = x[skip:]
    return sound_energy(whole.astype(float), rate_hz=rate_hz, hop_s=p.hop_s)


def find_knocks(energy: Array, *, hop_s: float, params: ClipParams | None = None) -> Knocks:
    """Find sudden knocks in the energy of a sound.

    Parameters
    ----------
    energy : (n,) array
        See `sound_energy`.
    hop_s : float
    params : ClipParams, optional

    Returns
    -------
    Knocks
        Empty where nothing is sudden.
    """
    p = params or ClipParams()
    n = len(energy)
    before, gap, after = (max(1, round(s / hop_s)) for s in (0.020, 0.001, 0.003))
    nothing = np.zeros(0)
    if n < before + gap + after + 2:
        return Knocks(time_s=nothing, rise_db=nothing, loudness_db=nothing)
    total = np.concatenate([[0.0], np.cumsum(energy)])
    positive = energy[energy > 0]
    # Digital silence has no level: a knock out of it is compared with a hundredth of the middle.
    floor = float(np.median(positive)) * 0.01 if len(positive) else 1.0
    k = np.arange(before + gap, n - after)
    level_before = (total[k - gap] - total[k - gap - before]) / before + floor
    level_after = (total[k + after] - total[k]) / after + floor
    rise = 10.0 * np.log10(level_after / level_before)
    apart = max(1, round(p.apart_s / hop_s))
    times: list[float] = []
    rises: list[float] = []
    loud: list[float] = []
    order = np.argsort(rise)[::-1]
    taken = np.zeros(len(rise), dtype=bool)
    for j in order:
        if rise[j] < p.least_rise_db:
            break
        if taken[j]:
            continue
        lo, hi = max(0, j - apart), min(len(rise), j + apart)
        taken[lo:hi] = True
        at = int(k[j])
        times.append(_onset(energy, at, before, after, hop_s))
        rises.append(float(rise[j]))
        loud.append(float(10 * np.log10(level_after[j])))
    sort = np.argsort(times)
    loudness = np.asarray(loud)[sort]
    return Knocks(
        time_s=np.asarray(times)[sort],
        rise_db=np.asarray(rises)[sort],
        loudness_db=loudness - (loudness.max() if len(loudness) else 0.0),
    )


def _onset(energy: Array, at: int, before: int, after: int, hop_s: float) -> float:
    """First hop near ``at`` that stands clear of the sound before it."""
    lo, hi = max(0, at - before), min(len(energy), at + 2 * after + 1)
    quiet = energy[lo : max(lo + 1, at - after)]
    peak = float(energy[at - 1 : hi].max())
    clear = max(0.1 * peak, 4.0 * float(quiet.max()) if len(quiet) else 0.0)
    clear = min(clear, 0.5 * peak)
    part = np.flatnonzero(energy[max(0, at - after) : hi] >= clear)
    first = max(0, at - after) + (int(part[0]) if len(part) else after)
    return first * hop_s


def align_clip(
    knocks: Knocks,
    impact_s: Sequence[float],
    *,
    clip_s: float,
    shows_s: float | None = None,
    guesses_s: Sequence[float] = (),
    distance_m: float = 3.0,
    params: ClipParams | None = None,
) -> ClipMatch:
    """Find where a clip lies on a recording's clock.

    Each offset that puts some knock on some impact is weighed: for every impact that then falls
    into the clip, how much more likely the knock nearest to it is as that impact than as one of the
    clip's other knocks (louder ones are rarer), or that it was not heard. A swing that the clip is
    known to show is hardly cut by its ends, and the clip's date may speak for an offset.

    Parameters
    ----------
    knocks : Knocks
    impact_s : sequence of float
        Impacts of strikes on the recording's clock.
    clip_s : float
        Length of the clip.
    shows_s : float, optional
        One of the impacts, which the clip is known to show (it was attached to that swing).
    guesses_s : sequence of float
        Where the clip's zero should be, by its date. Some phones write when a clip began and
        others when it ended, so there may be two; a date may also be plainly wrong.
    distance_m : float
        From the ball to the phone: sound takes 2.9 ms a metre.
    params : ClipParams, optional

    Returns
    -------
    ClipMatch
    """
    p = params or ClipParams()
    impacts = np.sort(np.asarray([t for t in impact_s if math.isfinite(t)], dtype=float))
    late_s = distance_m / p.speed_of_sound_m_s
    heard_s = knocks.time_s - late_s
    if not len(impacts):
        return _nothing("no strike was found in the recording: line it up by eye")
    if not len(heard_s):
        return _nothing("no knock is to be heard in the clip: line it up by eye")
    candidates = (impacts[:, None] - heard_s[None, :]).ravel()
    if shows_s is not None:
        at_s = shows_s - candidates
        candidates = candidates[(at_s > 0.0) & (at_s < clip_s)]
        if not len(candidates):
            return _nothing("no knock in the clip can be that swing's: line it up by eye")
    rare = _rarity(knocks, clip_s)
    best: list[tuple[float, float]] = []
    for start in _apart(candidates, p.fit_s):
        offset, score = _weigh(start, impacts, heard_s, rare, clip_s, p)
        score += _by_date(offset, guesses_s, p) + _by_swing(offset, shows_s, clip_s, p)
        best.append((score, offset))
    best.sort(reverse=True)
    top, offset = best[0]
    # Neighbouring starts end at one offset: that is no rival.
    rivals = [(s, o) for s, o in best[1:] if abs(o - offset) > 4 * p.fit_s]
    share = 1.0 / (1.0 + sum(math.exp(min(0.0, s - top)) for s, _ in _merged(rivals, p)))
    inside, _, residual = _matches(offset, impacts, heard_s, clip_s, p)
    heard, expected = len(residual), len(inside)
    spread = p.fit_s
    u_s = math.hypot(spread / math.sqrt(max(1, heard)), 0.0005, 0.5 / p.speed_of_sound_m_s)
    others = tuple(o for s, o in _merged(rivals, p)[:5] if s > top - 5.0)
    sure = share >= p.sure and heard >= 1 and heard >= 0.5 * expected and top > 2.0
    if sure:
        why = f"{heard} of {expected} impacts heard where they should be"
    elif heard == 0 or top <= 2.0:
        why = "what is heard does not stand out from the other sounds: check it by eye"
    elif others:
        why = (
            f"{heard} of {expected} impacts heard, but {len(others)} other "
            f"{'place fits' if len(others) == 1 else 'places fit'} nearly as well: check it by eye"
        )
    elif heard < expected:
        why = f"only {heard} of {expected} impacts heard: check it by eye"
    else:
        why = (
            f"{heard} of {expected} impacts heard, but other places can't be ruled out: check it "
            "by eye"
        )
    return ClipMatch(
        offset_s=offset,
        offset_u_s=u_s,
        sure=sure,
        why=why,
        heard=heard,
        expected=expected,
        others_s=others,
    )


def _by_date(offset: float, guesses_s: Sequence[float], p: ClipParams) -> float:
    """How much the clip's date speaks for an offset (log); wrong dates cannot rule one out."""
    if not guesses_s:
        return 0.0
    away = (offset - np.asarray(guesses_s, dtype=float)) / p.clock_u_s
    dense = float(np.exp(-0.5 * away**2).mean()) / (p.clock_u_s * math.sqrt(2 * math.pi))
    return math.log((1 - p.wrong_date_share) * dense + p.wrong_date_share / p.most_s)


def _nothing(why: str) -> ClipMatch:
    return ClipMatch(offset_s=None, offset_u_s=None, sure=False, why=why, heard=0, expected=0)


def _by_swing(offset: float, shows_s: float | None, clip_s: float, p: ClipParams) -> float:
    """How much less likely an offset is for cutting the swing that the clip shows (log).

    Who films a swing films its backswing and finish. A clip too short for both cuts every swing.
    """
    if shows_s is None or clip_s < p.backswing_s + p.finish_s:
        return 0.0
    whole = p.backswing_s <= shows_s - offset <= clip_s - p.finish_s
    return 0.0 if whole else math.log(p.cut_ratio)


def _rarity(knocks: Knocks, clip_s: float) -> Array:
    """Knocks a second that could stand in for each one: the louder, the fewer.

    Sound pressure falls with distance, and neighbours stand in a row, as many to each metre of it:
    so at each level (in dB) they are heard in proportion to 1 / pressure, while how far the phone
    is from its player, and so how loud the player's own impacts are, isn't known. A phone's gain,
    the same for all knocks, falls out.
    """
    pressure = 10.0 ** (knocks.loudness_db / 20.0)
    return np.asarray(pressure.sum() / pressure / max(clip_s, 1.0))


def _apart(values: Array, step: float) -> list[float]:
    """Values without near-repeats."""
    out: list[float] = []
    for value in np.sort(values):
        if not out or value - out[-1] > step:
            out.append(float(value))
    return out


def _weigh(
    offset: float, impacts: Array, heard_s: Array, rare: Array, clip_s: float, p: ClipParams
) -> tuple[float, float]:
    """Improve an offset by its matches, and say how much better than chance it is (log)."""
    for _ in range(2):
        _, matched, residual = _matches(offset, impacts, heard_s, clip_s, p)
        if len(residual):
            offset += float(np.mean(residual))
    inside, matched, residual = _matches(offset, impacts, heard_s, clip_s, p)
    dense = np.exp(-0.5 * (residual / p.fit_s) ** 2) / (p.fit_s * math.sqrt(2 * math.pi))
    ratio = p.hit_share * dense / rare[matched] + (1 - p.hit_share)
    missed = len(inside) - len(residual)
    return offset, float(np.log(ratio).sum()) + missed * math.log(1 - p.hit_share)


def _matches(
    offset: float, impacts: Array, heard_s: Array, clip_s: float, p: ClipParams
) -> tuple[Array, npt.NDArray[np.intp], Array]:
    """Impacts inside the clip, the knock nearest to each that has one, and how far it is off."""
    expected = impacts - offset
    inside = expected[(expected > 0.03) & (expected < clip_s - 0.01)]
    if not len(inside):
        return inside, np.zeros(0, dtype=np.intp), np.zeros(0)
    right = np.clip(np.searchsorted(heard_s, inside), 1, max(1, len(heard_s) - 1))
    left = right - 1
    right = np.minimum(right, len(heard_s) - 1)
    nearest = np.where(
        np.abs(heard_s[left] - inside) <= np.abs(heard_s[right] - inside), left, right
    )
    residual = inside - heard_s[nearest]
    close = np.abs(residual) < 4 * p.fit_s
    return inside, nearest[close], residual[close]


def _merged(scored: list[tuple[float, float]], p: ClipParams) -> list[tuple[float, float]]:
    """Of offsets that are the same within the fit, the best; best first."""
    out: list[tuple[float, float]] = []
    for score, offset in scored:
        if all(abs(offset - other) > 4 * p.fit_s for _, other in out):
            out.append((score, offset))
    return out
