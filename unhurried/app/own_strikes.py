"""Read around swings what own strikes need, and have rehearsals timed by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from analysis.swing.own_strikes import (
    LEAST_STRIKES,
    LONGEST_S,
    OwnStrikes,
    own_strikes,
    remaining_turn,
    retimed,
    time_back,
)
from analysis.swing.results import FoundSwing
from words.plain import count

if TYPE_CHECKING:
    from sensor.recording.reader import Recording

Array = npt.NDArray[np.float64]
Key = tuple[str | None, str | None, str | None]
# Turn left at impact, deg, and time from top to impact, s.
Strike = tuple[float, float]

# Missing samples are filled by straight lines; a longer hole between top and impact isn't.
LONGEST_HOLE_S = 0.02
BEFORE_S = 0.1


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What is needed of one swing: samples from shortly before takeaway on.

    Positions of the finder are those of the motion; in the samples they are later by `shift`.
    """

    shift: float
    there: npt.NDArray[np.bool_]
    gyr_dps: Array
    remaining_deg: Array


def key_of(recording: Recording, found: FoundSwing) -> Key:
    """Whose swing it is, with what, and how meant: only strikes of the same are compared with."""
    at = found.anchor_seq if found.takeaway_seq is None else found.takeaway_seq
    segment = recording.segment_at(at)
    return segment.player, segment.club, segment.intent


def _is(recording: Recording, swing: FoundSwing, *, strike: bool) -> bool:
    """Whether it is a strike, or a rehearsal: as the shock says, unless there was no ball."""
    at = swing.anchor_seq if swing.takeaway_seq is None else swing.takeaway_seq
    ball = recording.segment_at(at).ball
    if ball is not False and swing.strike is not None:
        return swing.strike is strike
    return ball is strike


def strikes_in(recording: Recording, found: Sequence[FoundSwing]) -> dict[Key, list[Strike]]:
    """Return what every strike says, by whose it is."""
    out: dict[Key, list[Strike]] = {}
    for swing in found:
        if swing.impact_basis != "shock" or swing.impact_seq is None:
            continue
        if not _is(recording, swing, strike=True):
            continue
        stretch = _stretch(recording, swing)
        if stretch is None:
            continue
        at = swing.impact_seq + stretch.shift
        if not 0 <= at <= len(stretch.remaining_deg) - 1 or _hole(recording, stretch, swing, at):
            continue
        left = float(np.interp(at, np.arange(len(stretch.remaining_deg)), stretch.remaining_deg))
        assert swing.top_seq is not None
        down_s = (swing.impact_seq - swing.top_seq) * recording.period_s
        out.setdefault(key_of(recording, swing), []).append((left, down_s))
    return out


def time_rehearsals(
    recording: Recording,
    found: Sequence[FoundSwing],
    strikes: dict[Key, list[Strike]],
) -> tuple[list[FoundSwing], list[str]]:
    """Time the rehearsals whose player's strikes are known.

    Parameters
    ----------
    recording : Recording
    found : sequence of FoundSwing
        Of this recording.
    strikes : dict
        From `strikes_in`, of this and other recordings with the same mount.

    Returns
    -------
    swings : list of FoundSwing
    remarks : list of str
        Why rehearsals are timed as before.
    """
    references = {key: own_strikes(values) for key, values in strikes.items()}
    out = []
    few: dict[Key, int] = {}
    not_back = 0
    for swing in found:
        if swing.impact_basis != "least_turn" or not _is(recording, swing, strike=False):
            out.append(swing)
            continue
        key = key_of(recording, swing)
        reference = references.get(key)
        if reference is None:
            few[key] = few.get(key, 0) + 1
            out.append(swing)
            continue
        timed = _time(recording, swing, reference)
        not_back += timed is None
        out.append(swing if timed is None else timed)
    remarks = [
        f"{count(n, 'rehearsal')} of {_who(key)} timed by the least turn: "
        f"{count(len(strikes.get(key, [])), 'strike')} with known impact, "
        f"{LEAST_STRIKES} are needed"
        for key, n in few.items()
    ]
    if not_back:
        remarks.append(
            f"{count(not_back, 'rehearsal')} timed by the least turn: the turn doesn't come back "
            "to where it is at the strikes' impact, or samples are missing there"
        )
    return out, remarks


def _who(key: Key) -> str:
    player, club, intent = key
    words = [player or "a player not said", club or "club not said"]
    return ", ".join([*words, f"{intent} swings"] if intent else words)


def _stretch(recording: Recording, swing: FoundSwing) -> _Stretch | None:
    if swing.takeaway_seq is None or swing.top_seq is None or swing.zero_dps is None:
        return None
    rate = recording.rate_hz
    delay = recording.gyr_delay_s * rate
    begin = round(swing.takeaway_seq + delay - BEFORE_S * rate)
    block = recording.read(begin, round(swing.top_seq + delay + LONGEST_S * rate))
    if len(block.seq) < 8 or block.seq[-1] <= swing.top_seq + delay:
        return None
    seq = np.arange(block.seq[0], block.seq[-1] + 1)
    gyr = np.column_stack([np.interp(seq, block.seq, axis) for axis in block.gyr_dps.T])
    there = np.isin(seq, block.seq, assume_unique=True)
    gyr -= swing.zero_dps
    shift = delay - float(seq[0])
    remaining = remaining_turn(
        gyr, rate, takeaway=swing.takeaway_seq + shift, top=swing.top_seq + shift
    )
    # The turn is an integral over true time.
    remaining = remaining * (recording.period_s * rate)
    return _Stretch(shift=shift, there=there, gyr_dps=gyr, remaining_deg=remaining)


def _hole(recording: Recording, stretch: _Stretch, swing: FoundSwing, at: float) -> bool:
    """Whether too many samples are missing between top and impact, or any right there."""
    assert swing.top_seq is not None
    first, last = int(swing.top_seq + stretch.shift), int(at)
    missing = ~stretch.there[max(0, first) : last + 3]
    return (
        int(missing.sum()) > LONGEST_HOLE_S * recording.rate_hz
        or not stretch.there[max(0, last - 1) : last + 3].all()
    )


def _time(recording: Recording, swing: FoundSwing, reference: OwnStrikes) -> FoundSwing | None:
    stretch = _stretch(recording, swing)
    if stretch is None or swing.top_seq is None:
        return None
    top = swing.top_seq + stretch.shift
    timed = time_back(
        stretch.remaining_deg,
        reference,
        recording.rate_hz,
        top=top,
        mount=recording.session.mount,
    )
    if timed is None:
        return None
    at, parts = timed
    if _hole(recording, stretch, swing, at):
        return None
    peak = _peak(swing, stretch, top, at)
    return retimed(swing, at - stretch.shift, parts, reference, peak=peak)


def _peak(
    swing: FoundSwing, stretch: _Stretch, top: float, impact: float
) -> tuple[float, float] | None:
    """Greatest rate from the top to the new impact, where it is another than the finder's."""
    if swing.peak_rate_dps is None or any(name.startswith("gyr") for name in swing.clipped):
        return None
    a, b = int(np.ceil(top)), int(np.floor(impact))
    size = np.sqrt((stretch.gyr_dps[a : b + 1] ** 2).sum(axis=1))
    if len(size) < 3:
        return None
    k = int(np.argmax(size))
    value, place = float(size[k]), float(k)
    if 0 < k < len(size) - 1:
        before, after = float(size[k - 1]), float(size[k + 1])
        bend = before - 2.0 * value + after
        if bend < 0.0:
            step = 0.5 * (before - after) / bend
            value, place = value - 0.25 * (before - after) * step, k + step
    if swing.peak_to_impact_samples is not None and swing.impact_seq is not None:
        old = swing.impact_seq - swing.peak_to_impact_samples
        if abs(a + place - stretch.shift - old) < 2.0:
            return None
    return value, a + place - stretch.shift
