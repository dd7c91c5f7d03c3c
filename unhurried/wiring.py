"""Where the rooms meet: a recording of `sensor` through the swing finder of `analysis`."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from analysis import ANALYSIS_VERSION, FoundSwing, Note, Swing, SwingFinder, to_seconds
from analysis.attitude import turn_vector

if TYPE_CHECKING:
    from review.plot import Trace
    from sensor.recording import Recording

Array = npt.NDArray[np.float64]

SCHEMA = 1

# Around a swing, in a plot.
BEFORE_TAKEAWAY_S = 0.4
AFTER_FINISH_S = 0.4
# A swing without one of these events is shown as far as a long swing would reach (from memory:
# full swings take 0.8 to 1.5 s from takeaway to impact).
LONGEST_SWING_S = 2.5
LONGEST_FINISH_S = 0.8
# Without a takeaway: how long before its top or impact a motion is shown.
BEFORE_TOP_S = 1.3
BEFORE_IMPACT_S = 1.7

# Where the gyroscope's zero is looked for, and what counts as still: a person at address sways by
# a few degrees a second (as the finder has it), to and fro, so that many windows average it out.
STILL_SEARCH_S = 30.0
STILL_S = 0.5
STILL_SPREAD_DPS = 6.0
STILL_MEAN_DPS = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """The swings of a recording and what has to be known of the recording to read them.

    Attributes
    ----------
    id, start : str
        Of the recording.
    mount : str or None
    rate_hz : float
        Nominal sample rate.
    duration_s : float
    lost_samples : int
    short_strokes : int
        Strokes of under 30 deg: counted, not measured.
    analysis_version : str
    swings : tuple of Swing
        In the order of time, numbered from 1.
    """

    id: str
    start: str
    mount: str | None
    rate_hz: float
    duration_s: float
    lost_samples: int
    short_strokes: int
    analysis_version: str
    swings: tuple[Swing, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the document of ``unhurried analyze --json``."""
        names = [item.name for item in dataclasses.fields(self) if item.name != "swings"]
        return {
            "schema": SCHEMA,
            "recording": {name: getattr(self, name) for name in names},
            "swings": [swing.as_dict() for swing in self.swings],
        }


def analyze_recording(
    recording: Recording,
    *,
    progress: Callable[[int], None] | None = None,
    own_strikes: bool = False,
    strikes_of: Sequence[Recording] = (),
    remark: Callable[[str], None] = lambda _: None,
) -> Analysis:
    """Find and measure the swings of a recording, in bounded memory.

    Parameters
    ----------
    recording : Recording
    progress : callable, optional
        Told how many more samples are done.
    own_strikes : bool
        Time rehearsals by the player's own strikes, see `analysis.own_strikes`.
    strikes_of : sequence of Recording
        Take strikes from these as well, where the mount is the same.
    remark : callable
        Told why rehearsals are not timed so.

    Returns
    -------
    Analysis

    Raises
    ------
    AnalysisError
        The finder cannot work with this recording.
    SensorError
        A file of the recording cannot be read.
    """
    session = recording.session
    finder, found = _found(recording, progress)
    if own_strikes or strikes_of:
        found = _by_own_strikes(recording, found, strikes_of, remark)
    return Analysis(
        id=session.id,
        start=session.start,
        mount=session.mount,
        rate_hz=recording.rate_hz,
        duration_s=recording.duration_s,
        lost_samples=recording.lost_samples,
        short_strokes=finder.short_strokes,
        analysis_version=ANALYSIS_VERSION,
        swings=tuple(_swing(recording, swing, k) for k, swing in enumerate(found, start=1)),
    )


def _found(
    recording: Recording, progress: Callable[[int], None] | None = None
) -> tuple[SwingFinder, list[FoundSwing]]:
    """Run the finder over a recording."""
    session = recording.session
    finder = SwingFinder(
        rate_hz=recording.rate_hz,
        mount=session.mount,
        gyr_range_dps=recording.gyr_limit_dps,
        acc_range_g=recording.acc_limit_g,
        gyr_delay_s=session.gyr_delay_ms / 1e3,
        acc_delay_s=session.acc_delay_ms / 1e3,
        gyr_scale_u=recording.gyr_scale_u,
    )
    found: list[FoundSwing] = []
    for block in recording.blocks():
        found += finder.feed(block.seq, block.acc_m_s2, block.gyr_dps)
        if progress is not None:
            progress(len(block.seq))
    found += finder.flush()
    return finder, found


def _by_own_strikes(
    recording: Recording,
    found: list[FoundSwing],
    others: Sequence[Recording],
    remark: Callable[[str], None],
) -> list[FoundSwing]:
    """Time the rehearsals by the strikes of this recording and of others."""
    from unhurried.own_strikes import strikes_in, time_rehearsals

    strikes = strikes_in(recording, found)
    for other in others:
        if other.session.id == recording.session.id:
            continue
        if other.session.mount != recording.session.mount:
            remark(
                f"{other.path}: its sensor was on another place, so its strikes say nothing here"
            )
            continue
        for key, values in strikes_in(other, _found(other)[1]).items():
            strikes.setdefault(key, []).extend(values)
    timed, remarks = time_rehearsals(recording, found, strikes)
    for text in remarks:
        remark(text)
    return timed


def swings_of(recording: Recording) -> tuple[Swing, ...]:
    """Return the swings of a recording, numbered as everywhere else."""
    return analyze_recording(recording).swings


def _swing(recording: Recording, found: FoundSwing, index: int) -> Swing:
    """Put a swing on the recording's clock and say whose it is."""
    swing = to_seconds(
        found,
        recording.time_of_seq,
        index=index,
        period_s=recording.period_s,
        period_u_s=recording.period_u_s,
        nominal_rate_hz=recording.rate_hz,
    )
    # The word at the takeaway counts: a new segment begins between swings.
    at = found.anchor_seq if found.takeaway_seq is None else found.takeaway_seq
    segment = recording.segment_at(at)
    swing = dataclasses.replace(
        swing,
        player=segment.player,
        handedness=segment.handedness,
        club=segment.club,
        intent=segment.intent,
    )
    return only_whole_pairs(with_ball(swing, segment.ball))


def with_ball(swing: Swing, ball: bool | None) -> Swing:
    """Note what was said of a ball where the sensor felt something else, or couldn't tell."""
    from analysis.summary import BALL_SAID, NO_BALL

    if ball is False and swing.strike is not False:
        text = (
            "a shock like a strike's, but it was said that there was no ball: it counts as a "
            "rehearsal"
            if swing.strike
            else "whether a ball was hit can't be told, but it was said that there was none: it "
            "counts as a rehearsal"
        )
        note = Note(NO_BALL, text)
    elif ball is True and swing.strike is None:
        note = Note(
            BALL_SAID,
            "whether a ball was hit can't be told, but it was said that there was one: it counts "
            "as a strike",
        )
    else:
        return swing
    return dataclasses.replace(swing, notes=(*swing.notes, note))


def only_whole_pairs(swing: Swing) -> Swing:
    """Make a number and its uncertainty null together where either is absent or not finite."""
    names = {item.name for item in dataclasses.fields(swing)}
    absent: dict[str, Any] = {}
    unusable = False
    for name in names:
        if name.endswith("_u") or f"{name}_u" not in names:
            continue
        pair = (getattr(swing, name), getattr(swing, f"{name}_u"))
        if all(value is not None and math.isfinite(value) for value in pair):
            continue
        absent[name] = absent[f"{name}_u"] = None
        unusable |= any(value is not None and not math.isfinite(value) for value in pair)
    notes = swing.notes
    if unusable:
        notes += (Note("not_finite", "the data are too poor for one of the numbers"),)
    return dataclasses.replace(swing, notes=notes, **absent)


def trace_of(recording: Recording, swing: Swing) -> Trace:
    """Return turn and rate over time around a swing, for a plot.

    The gyroscope's zero is read off the still moments before the swing, so the curve may differ
    from the measured turn by a degree or so where the finder knew the zero better.

    Parameters
    ----------
    recording : Recording
    swing : Swing
        One of this recording.

    Returns
    -------
    Trace
        NaN where samples are missing.
    """
    from review.plot import Trace

    start_s, end_s = _shown(swing)
    rate_hz = recording.rate_hz
    delay_s = recording.session.gyr_delay_ms / 1e3
    first = round(recording.seq_of_time(start_s + delay_s))
    last = round(recording.seq_of_time(end_s + delay_s))
    block = recording.read(first - round(STILL_SEARCH_S * rate_hz), last)
    if len(block.seq) < 2:
        nothing = np.zeros(0)
        return Trace(time_s=nothing, turn_deg=nothing, rate_dps=nothing)
    seq = np.arange(block.seq[0], block.seq[-1] + 1)
    gyr = np.column_stack([np.interp(seq, block.seq, axis) for axis in block.gyr_dps.T])
    there = np.isin(seq, block.seq, assume_unique=True)
    zero_from = int(np.searchsorted(seq, first))
    origin = zero_from
    if swing.takeaway_s is not None:
        at = recording.seq_of_time(swing.takeaway_s + delay_s) - seq[0]
        origin = int(np.clip(round(at), 0, len(seq) - 1))
    gyr -= zero_dps(gyr[: max(origin, 1)], rate_hz)
    gyr = gyr[zero_from:]
    vector, _, _ = turn_vector(gyr, rate_hz)
    stretch = recording.period_s * rate_hz
    turn = stretch * np.linalg.norm(vector - vector[origin - zero_from], axis=1)
    rate = np.linalg.norm(gyr, axis=1)
    missing = ~there[zero_from:]
    turn[missing] = rate[missing] = np.nan
    return Trace(
        time_s=recording.time_of_seq(seq[zero_from:]) - delay_s, turn_deg=turn, rate_dps=rate
    )


def _shown(swing: Swing) -> tuple[float, float]:
    """First and last second to show of a swing; at least one of its events is known."""
    known = [
        time_s
        for time_s in (swing.takeaway_s, swing.top_s, swing.impact_s, swing.finish_s)
        if time_s is not None
    ]
    if not known:
        return 0.0, 0.0
    if swing.takeaway_s is not None:
        start_s = swing.takeaway_s - BEFORE_TAKEAWAY_S
    elif swing.top_s is not None:
        start_s = swing.top_s - BEFORE_TOP_S
    elif swing.impact_s is not None:
        start_s = swing.impact_s - BEFORE_IMPACT_S
    else:
        start_s = known[-1] - LONGEST_SWING_S
    end_s = known[-1] + LONGEST_FINISH_S if swing.finish_s is None else swing.finish_s
    return start_s, end_s + AFTER_FINISH_S


def zero_dps(gyr_dps: Array, rate_hz: float) -> Array:
    """Median reading of the still moments; zero where there are none."""
    n = round(STILL_S * rate_hz)
    windows = gyr_dps[: len(gyr_dps) // n * n].reshape(-1, n, 3)
    mean = windows.mean(axis=1)
    still = np.sqrt(windows.var(axis=1).sum(axis=1)) < STILL_SPREAD_DPS
    still &= np.linalg.norm(mean, axis=1) < STILL_MEAN_DPS
    return np.median(mean[still], axis=0) if still.any() else np.zeros(3)
