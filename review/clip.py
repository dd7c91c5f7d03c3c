"""Line up a phone's clip with a recording by the sound of impact.

The clip's sound is searched for sudden broad-band knocks, and the recording says when the player's
own impacts were. The offset that explains most of them, weighed by how loud the knocks are among
those of this clip, is taken; whether another offset explains them nearly as well is said. A range
is full of other players' impacts, and a neighbour may be as near to the phone as its player is: so
a single impact is often in doubt, while several in a known rhythm hardly are.

Clips stay where they are: they are read here, never written or copied.
"""

from __future__ import annotations

import bisect
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from library.clips import ClipMatch
from library.errors import ClipError
from review.film import FilmError, HopEnergy, read_film

Array = npt.NDArray[np.float64]


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
    most_knocks : int
        The most sudden ones that are looked at: in half an hour at a full range, three in two
        seconds. The player's own are among the most sudden.
    most_starts : int
        Offsets that are weighed exactly, those that a quick count finds likeliest; more than any
        clip of a few minutes has. Each takes about 0.1 ms.
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
    most_knocks: int = 3000
    most_starts: int = 3000


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


def sound_energy(sound: Array, *, rate_hz: float, hop_s: float) -> Array:
    """Energy of the high part of a sound, by hop: see `HopEnergy`.

    Parameters
    ----------
    sound : (n,) array
    rate_hz, hop_s : float

    Returns
    -------
    (k,) array
        One a whole hop.
    """
    taken = HopEnergy(rate_hz, hop_s, len(sound) / rate_hz)
    taken.feed(0, sound)
    return taken.taken()


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
    p = params or ClipParams()
    path = Path(path)
    if not path.is_file():
        raise ClipError(path, "is not there: was the clip moved?")
    try:
        facts = read_film(path, hop_s=p.hop_s, most_s=p.most_s)
    except FilmError as error:
        raise ClipError(path, str(error)) from error
    return ClipFacts(
        duration_s=facts.duration_s,
        frame_rate_hz=facts.frame_rate_hz,
        created=facts.created,
        hop_s=p.hop_s,
        energy=facts.energy,
    )


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
        if rise[j] < p.least_rise_db or len(times) >= p.most_knocks:
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
    starts = np.asarray(_apart(candidates, p.fit_s))
    if len(starts) > p.most_starts:
        quick = _quick(starts, impacts, heard_s, rare, clip_s, p)
        quick += _by_date(starts, guesses_s, p) + _by_swing(starts, shows_s, clip_s, p)
        starts = np.sort(starts[np.argsort(quick)[-p.most_starts :]])
    for start in starts.tolist():
        offset, score = _weigh(start, impacts, heard_s, rare, clip_s, p)
        at = np.asarray([offset])
        score += float((_by_date(at, guesses_s, p) + _by_swing(at, shows_s, clip_s, p))[0])
        best.append((score, offset))
    best.sort(reverse=True)
    return _judged(best, impacts, heard_s, clip_s, p)


def _judged(
    best: Sequence[tuple[float, float]],
    impacts: Array,
    heard_s: Array,
    clip_s: float,
    p: ClipParams,
) -> ClipMatch:
    """Say how sure the best of all offsets is, beside its rivals (score and offset, best first)."""
    top, offset = best[0]
    # Neighbouring starts end at one offset: that is no rival.
    rivals = [(s, o) for s, o in best[1:] if abs(o - offset) > 4 * p.fit_s]
    merged = _merged(rivals, p)
    share = 1.0 / (1.0 + sum(math.exp(min(0.0, s - top)) for s, _ in merged))
    inside, _, residual = _matches(offset, impacts, heard_s, clip_s, p)
    heard, expected = len(residual), len(inside)
    spread = p.fit_s
    u_s = math.hypot(spread / math.sqrt(max(1, heard)), 0.0005, 0.5 / p.speed_of_sound_m_s)
    others = tuple(o for s, o in merged[:5] if s > top - 5.0)
    sure = share >= p.sure and heard >= 1 and heard >= 0.5 * expected and top > 2.0
    return ClipMatch(
        offset_s=offset,
        offset_u_s=u_s,
        sure=sure,
        why=_why(sure, heard, expected, top, len(others)),
        heard=heard,
        expected=expected,
        others_s=others,
    )


def _why(sure: bool, heard: int, expected: int, top: float, others: int) -> str:
    """Say how a clip was lined up, or what the doubt is."""
    if sure:
        return f"{heard} of {expected} impacts heard where they should be"
    if heard == 0 or top <= 2.0:
        return "what is heard does not stand out from the other sounds: check it by eye"
    if others:
        return (
            f"{heard} of {expected} impacts heard, but {others} other "
            f"{'place fits' if others == 1 else 'places fit'} nearly as well: check it by eye"
        )
    if heard < expected:
        return f"only {heard} of {expected} impacts heard: check it by eye"
    return (
        f"{heard} of {expected} impacts heard, but other places can't be ruled out: check it by eye"
    )


def _by_date(offset: Array, guesses_s: Sequence[float], p: ClipParams) -> Array:
    """How much the clip's date speaks for offsets (log); wrong dates cannot rule one out."""
    if not guesses_s:
        return np.zeros(len(offset))
    away = (offset[:, None] - np.asarray(guesses_s, dtype=float)) / p.clock_u_s
    dense = np.exp(-0.5 * away**2).mean(axis=1) / (p.clock_u_s * math.sqrt(2 * math.pi))
    return np.asarray(np.log((1 - p.wrong_date_share) * dense + p.wrong_date_share / p.most_s))


def _nothing(why: str) -> ClipMatch:
    return ClipMatch(offset_s=None, offset_u_s=None, sure=False, why=why, heard=0, expected=0)


def _by_swing(offset: Array, shows_s: float | None, clip_s: float, p: ClipParams) -> Array:
    """How much less likely offsets are for cutting the swing that the clip shows (log).

    Who films a swing films its backswing and finish. A clip too short for both cuts every swing.
    """
    if shows_s is None or clip_s < p.backswing_s + p.finish_s:
        return np.zeros(len(offset))
    at_s = shows_s - offset
    whole = (p.backswing_s <= at_s) & (at_s <= clip_s - p.finish_s)
    return np.where(whole, 0.0, math.log(p.cut_ratio))


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


def _quick(
    starts: Array, impacts: Array, heard_s: Array, rare: Array, clip_s: float, p: ClipParams
) -> Array:
    """Score offsets as `_weigh` does, all at once and roughly: as if each match were exact."""
    pairs = (impacts[:, None] - heard_s[None, :]).ravel()
    exact = 1.0 / (p.fit_s * math.sqrt(2 * math.pi))
    worth = np.tile(np.log(p.hit_share * exact / rare + (1 - p.hit_share)), len(impacts))
    order = np.argsort(pairs)
    pairs, worth = pairs[order], np.concatenate([[0.0], np.cumsum(worth[order])])
    lo = np.searchsorted(pairs, starts - 2 * p.fit_s)
    hi = np.searchsorted(pairs, starts + 2 * p.fit_s, side="right")
    ends = np.searchsorted(impacts, starts + clip_s), np.searchsorted(impacts, starts)
    missed = np.maximum(0, (ends[0] - ends[1]) - (hi - lo))
    return np.asarray(worth[hi] - worth[lo] + missed * math.log(1 - p.hit_share))


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
    taken: list[float] = []
    for score, offset in scored:
        at = bisect.bisect(taken, offset)
        if all(abs(offset - other) > 4 * p.fit_s for other in taken[max(0, at - 1) : at + 1]):
            taken.insert(at, offset)
            out.append((score, offset))
    return out
