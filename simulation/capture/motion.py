"""A captured segment as a smooth motion, its swings, and their truth with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import (
    quat_conjugate,
    quat_continuous,
    quat_exp,
    quat_log,
    quat_multiply,
    quat_normalize,
    quat_rotate,
)
from simulation.capture.smoothing import Smoother, SmoothParams, Spline, cutoffs_hz
from simulation.motion.action import SwingTruth
from simulation.motion.truth import NoSwingError, SwingSpan, swing_truths
from words.units import G_N_M_S2

Floats = NDArray[np.float64]

GRID_HZ: Final = 3200.0
"""Of the grid that truth is taken from, as for simulated swings; impacts are set on it."""
_COARSE_HZ: Final = 400.0

MEASURES: Final = ("takeaway_s", "top_s", "impact_s", "finish_s", "turn_deg", "peak_rate_dps")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureParams:
    """Choices of what is made of a capture."""

    cutoff_hz: float | None = None
    """None: by cross-validation, for attitude and place apart."""

    first_cutoff_hz: float = 15.0
    """With which swings are looked for, before a cut-off is chosen (own choice)."""

    draws: int = 24
    """Noisy captures drawn for the uncertainty: it is known to 15 % then."""

    higher: float = 1.5
    """Cut-off over the one chosen, to see what smoothing flattens: 1.5 to the 6th power is 11."""

    least_turn_deg: float = 30.0
    """A shorter stroke is no swing (as the definitions have it)."""

    before_s: float = 4.0
    """A backswing and what leads to it are looked for so long before the top (slow
    ones last 2 s)."""

    down_s: float = 2.5
    """A downswing lasts no longer (slow motion: three times 0.35 s, and a wide margin)."""

    through_s: float = 1.5
    """A follow-through is over by then, if the rate doesn't say so earlier."""

    other_share: float = 0.4
    """A swing that nobody labelled peaks at this share of the capture's fastest or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Poses:
    """Measured poses of the sensor's place, from the segment's frame to one with z up.

    Attributes
    ----------
    quat_wxyz, pos_m : Floats
        (n, 4) and (n, 3), NaN where not known; the first and last frames are.
    rate_hz : float
    turn_noise_rad : float or None
        Root mean square of an attitude's error, by how well the markers fit each other.
    """

    quat_wxyz: Floats
    pos_m: Floats
    rate_hz: float
    turn_noise_rad: float | None = None

    @property
    def seen(self) -> NDArray[np.bool_]:
        """(n,): which frames have a pose."""
        return np.isfinite(self.quat_wxyz[:, 0])

    @property
    def duration_s(self) -> float:
        """From the first frame to the last."""
        return (len(self.quat_wxyz) - 1) / self.rate_hz


@dataclass(frozen=True, slots=True)
class Motion:
    """A smooth motion: attitude and place at any time of the capture.

    Attributes
    ----------
    attitude, place : Spline
        Of the quaternion (not of length 1) and of the sensor's place.
    attitude_hz, place_hz : float
        Cut-offs.
    holes_s : tuple of (float, float)
        Between the poses about each stretch that is too long to be bridged.
    turn_sd_rad : float
        Root mean square of the noise of a measured attitude.
    """

    attitude: Spline
    place: Spline
    attitude_hz: float
    place_hz: float
    holes_s: tuple[tuple[float, float], ...]
    turn_sd_rad: float

    def quat_wxyz(self, time_s: Floats) -> Floats:
        """Attitude (n, 4)."""
        return quat_normalize(self.attitude.at(time_s))

    def rates_rad_s(self, time_s: Floats) -> Floats:
        """Angular velocity (n, 3) in the segment's frame, of the smoothed quaternions."""
        raw = self.attitude.at(time_s)
        slope = self.attitude.at(time_s, 1)
        squared = np.sum(raw**2, axis=1, keepdims=True)
        # the part of the slope along the quaternion only changes its length
        return np.asarray(2.0 * quat_multiply(quat_conjugate(raw), slope)[:, 1:] / squared)

    def force_m_s2(self, time_s: Floats) -> Floats:
        """Specific force (n, 3) in the segment's frame: at rest +g upwards."""
        acc = self.place.at(time_s, 2)
        acc[:, 2] += G_N_M_S2
        return quat_rotate(quat_conjugate(self.quat_wxyz(time_s)), acc)


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedSwing:
    """The truth of a captured swing: None for what can't be told.

    Attributes
    ----------
    truth : dict
        As `SwingTruth`, seconds from the first frame.
    u : dict
        Standard uncertainties of `MEASURES` by the capture's own noise and smoothing.
    notes : tuple of str
        Why something is absent.
    """

    truth: dict[str, Any]
    u: dict[str, float | None]
    notes: tuple[str, ...]


# -- smoothing -------------------------------------------------------------------------------------


def _choose(
    values: Floats,
    seen: NDArray[np.bool_],
    judged: NDArray[np.bool_],
    rate_hz: float,
    breaks_s: Sequence[float],
) -> float:
    """Cut-off of least generalised cross-validation over the judged frames."""
    best, chosen = np.inf, 0.0
    on = judged[seen]
    for cutoff_hz in cutoffs_hz(rate_hz, SmoothParams()):
        smoother = Smoother(
            len(seen), seen, rate_hz=rate_hz, cutoff_hz=float(cutoff_hz), breaks_s=breaks_s
        )
        _, residual = smoother.fit(values)
        score = float(np.mean(residual[on] ** 2)) / (1.0 - smoother.share) ** 2
        if score < best:
            best, chosen = score, float(cutoff_hz)
    return chosen


def smooth_motion(
    poses: Poses,
    *,
    breaks_s: Sequence[float] = (),
    attitude_hz: float,
    place_hz: float,
) -> tuple[Motion, Smoother]:
    """Smooth poses with given cut-offs; returns the attitude's smoother as well."""
    seen = poses.seen
    common: dict[str, Any] = {"rate_hz": poses.rate_hz, "breaks_s": breaks_s}
    smoother = Smoother(len(seen), seen, cutoff_hz=attitude_hz, **common)
    attitude, _ = smoother.fit(poses.quat_wxyz[seen])
    place, _ = Smoother(len(seen), seen, cutoff_hz=place_hz, **common).fit(poses.pos_m[seen])
    at_s = np.flatnonzero(seen) / poses.rate_hz
    turned = quat_log(
        quat_multiply(quat_conjugate(quat_normalize(attitude.at(at_s))), poses.quat_wxyz[seen])
    )
    left = float(np.mean(np.sum(turned**2, axis=1)) / (1.0 - smoother.share))
    # Where hardly anything is smoothed residuals tell little: the markers' misfit bounds it below.
    sd = max(np.sqrt(left), poses.turn_noise_rad or 0.0)
    # Half a wave of the cut-off is what smoothing looks over in any case.
    longest_s = 0.5 / attitude_hz
    ends = at_s[1:][np.diff(at_s) > longest_s + 1.0 / poses.rate_hz]
    starts = at_s[:-1][np.diff(at_s) > longest_s + 1.0 / poses.rate_hz]
    holes = tuple((float(a), float(b)) for a, b in zip(starts, ends, strict=True))
    return Motion(attitude, place, attitude_hz, place_hz, holes, float(sd)), smoother


# -- where the swings lie --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Course:
    """Rate and turn of a motion on a coarse grid, in deg and s."""

    speed: Floats
    angle: Floats


def _course(motion: Motion, duration_s: float) -> _Course:
    time_s = np.arange(int(duration_s * _COARSE_HZ) + 1) / _COARSE_HZ
    rates = motion.rates_rad_s(time_s)
    world = np.degrees(quat_rotate(motion.quat_wxyz(time_s), rates))
    return _Course(np.linalg.norm(world, axis=1), np.cumsum(world, axis=0) / _COARSE_HZ)


def _bounds(course: _Course, at: int, params: CaptureParams) -> tuple[int, int, int] | None:
    """(start, top, end) of the swing whose downswing is under way at an index, roughly.

    Going back in time the turn grows up to the top and falls to under half of that in the
    backswing; farther back it grows, seen from the top, until the segment stood still or came
    from somewhere else. These only bound the searches of the definitions.
    """
    hz = int(_COARSE_HZ)
    first = max(0, at - int((params.down_s + params.before_s) * hz))
    back = np.linalg.norm(course.angle[first : at + 1] - course.angle[at], axis=1)[::-1]
    most = np.maximum.accumulate(back[: int(params.down_s * hz)])
    fell = np.flatnonzero((back[: len(most)] < 0.5 * most) & (most > params.least_turn_deg))
    reach = int(fell[0]) if fell.size else len(most)
    top_back = int(np.argmax(back[:reach]))
    turn = float(back[top_back])
    top = at - top_back
    if turn < params.least_turn_deg or course.speed[top] > 0.5 * course.speed[top : at + 1].max():
        return None
    before = np.linalg.norm(course.angle[first : top + 1] - course.angle[top], axis=1)[::-1]
    start = first
    for k in range(len(before)):
        later = before[k : k + hz // 2].max()
        if before[k] > 0.5 * turn and later - before[k] < 0.02 * turn:
            start = top - k
            break
    else:
        if before.max(initial=0.0) < 0.5 * turn:
            return None
    peak = float(course.speed[top : at + 1].max())
    last = min(len(course.speed) - 1, at + int(params.through_s * hz))
    slow = np.flatnonzero(course.speed[at : last + 1] < 0.1 * peak)
    return start, top, at + int(slow[0]) if slow.size else last


def _spans(
    course: _Course, impacts_s: Sequence[float], params: CaptureParams
) -> tuple[list[tuple[SwingSpan, bool]], list[float]]:
    """Spans, whether each is labelled, and the labelled impacts that no swing leads to."""
    out: list[tuple[SwingSpan, bool]] = []
    lost: list[float] = []
    free = np.ones(len(course.speed), dtype=bool)

    def add(at: int, at_s: float, labelled: bool) -> bool:
        bounds = _bounds(course, at, params)
        if bounds is None or not free[bounds[0] : bounds[2] + 1].all():
            return False
        start, _, end = bounds
        free[start : end + 1] = False
        span = SwingSpan(
            back_start_s=start / _COARSE_HZ,
            pass_s=at_s,
            through_end_s=end / _COARSE_HZ,
            blow=labelled,
            strike=labelled,
            # neither is known of a capture: both are replaced in what is told of it
            kind="full",
            model="chain",
        )
        out.append((span, labelled))
        return True

    for impact_s in impacts_s:
        if not add(min(len(free) - 1, round(impact_s * _COARSE_HZ)), impact_s, True):
            lost.append(impact_s)
    greatest = float(course.speed.max())
    while free.any():
        at = int(np.argmax(np.where(free, course.speed, -1.0)))
        if course.speed[at] < params.other_share * greatest:
            break
        if not add(at, at / _COARSE_HZ, False):
            half = int(0.25 * _COARSE_HZ)
            free[max(0, at - half) : at + half + 1] = False
    out.sort(key=lambda one: one[0].back_start_s)
    return out, lost


# -- truth -----------------------------------------------------------------------------------------


def _truth(
    motion: Motion, span: SwingSpan, duration_s: float, breaks_s: Sequence[float]
) -> SwingTruth:
    """Truth of one swing, in seconds from the first frame."""
    first = max(0, int((span.back_start_s - 1.0) * GRID_HZ))
    last = int(min(duration_s, span.through_end_s + 1.0) * GRID_HZ)
    quat = quat_continuous(motion.quat_wxyz(np.arange(first, last + 1) / GRID_HZ))
    offset_s = first / GRID_HZ
    moved = SwingSpan(
        back_start_s=span.back_start_s - offset_s,
        pass_s=None if span.pass_s is None else span.pass_s - offset_s,
        through_end_s=span.through_end_s - offset_s,
        blow=span.blow,
        strike=span.strike,
        kind=span.kind,
        model=span.model,
    )
    inside = [round(b * GRID_HZ) - first for b in breaks_s]
    breaks = [b for b in inside if 3 < b < len(quat) - 4]
    (truth,) = swing_truths(quat, rate_hz=GRID_HZ, spans=[moved], breaks=breaks)
    return truth.shifted(offset_s)


def _uncertainties(
    poses: Poses,
    motion: Motion,
    smoother: Smoother,
    spans: Sequence[tuple[SwingSpan, SwingTruth]],
    breaks_s: Sequence[float],
    params: CaptureParams,
    rng: np.random.Generator,
) -> list[dict[str, float | None]]:
    """What noise and smoothing leave unknown, by noisy captures drawn from the smooth motion.

    Each is smoothed once more and read by the same definitions (parametric bootstrap: Efron &
    Tibshirani 1993, chapter 6). Their scatter is what noise does, and how far their mean lies
    from the motion that they were drawn from what noise and smoothing shift. What smoothing has
    flattened already such draws can't show: the same capture with a higher cut-off does, at
    which an error that goes with the cut-off's -6th power has nearly gone.
    """
    seen = poses.seen
    at_s = np.flatnonzero(seen) / poses.rate_hz
    true = motion.quat_wxyz(at_s)
    measured = poses.quat_wxyz[seen]
    turned = quat_log(quat_multiply(quat_conjugate(true), measured))
    spread = np.cov(turned.T)
    spread *= motion.turn_sd_rad**2 / max(float(np.trace(spread)), 1e-30)
    half = np.linalg.cholesky(spread + 1e-18 * np.eye(3))
    drawn: list[list[SwingTruth]] = [[] for _ in spans]
    for _ in range(params.draws):
        noise = rng.standard_normal((len(true), 3)) @ half.T
        attitude, _ = smoother.fit(quat_continuous(quat_multiply(true, quat_exp(noise))))
        other = Motion(attitude, motion.place, motion.attitude_hz, motion.place_hz, (), 0.0)
        for k, (span, _) in enumerate(spans):
            try:
                drawn[k].append(_truth(other, span, poses.duration_s, breaks_s))
            except NoSwingError:
                continue
    higher_hz = min(params.higher * motion.attitude_hz, 0.5 * poses.rate_hz)
    less, _ = Smoother(
        len(seen), seen, rate_hz=poses.rate_hz, cutoff_hz=higher_hz, breaks_s=breaks_s
    ).fit(measured)
    rougher = Motion(less, motion.place, higher_hz, motion.place_hz, (), 0.0)
    out: list[dict[str, float | None]] = []
    for (span, truth), many in zip(spans, drawn, strict=True):
        try:
            other_truth = _truth(rougher, span, poses.duration_s, breaks_s)
        except NoSwingError:
            other_truth = truth
        u: dict[str, float | None] = {}
        for name in MEASURES:
            value = getattr(truth, name)
            found = [getattr(one, name) for one in many]
            told = np.array([x for x in found if x is not None], dtype=float)
            if value is None or len(told) < params.draws // 2:
                u[name] = None
                continue
            flattened = (getattr(other_truth, name) or value) - value
            u[name] = float(np.linalg.norm([told.std(ddof=1), told.mean() - value, flattened]))
        out.append(u)
    return out


_AFTER_IMPACT: Final = (
    "impact_s",
    "finish_s",
    "impact_basis",
    "peak_rate_dps",
    "peak_transverse_dps",
    "peak_to_impact_ms",
    "impact_turn_deg",
    "pass_s",
)


def _told(
    truth: SwingTruth,
    u: dict[str, float | None],
    *,
    labelled: bool,
    no_ball: bool,
    motion: Motion,
    frame_s: float,
) -> CapturedSwing:
    """Say what is known of a swing, and why the rest isn't."""
    values = asdict(truth)
    notes: list[str] = []
    values["kind"], values["model"] = None, "capture"
    # which way the segment's long axis points isn't known
    values["peak_transverse_dps"] = None
    if labelled:
        # a label stands at a frame, and is set on the grid
        u["impact_s"] = float(np.hypot(frame_s, 1.0 / GRID_HZ) / np.sqrt(12.0))
    elif not no_ball:
        values["strike"] = None
        values.update(dict.fromkeys(_AFTER_IMPACT))
        notes.append("no impact is labelled: --impact says when, --no-ball that there was none")
    near_s = 0.5 / motion.attitude_hz
    ends = {name: values[name] for name in ("takeaway_s", "top_s", "impact_s", "finish_s")}
    for hole in motion.holes_s:
        for name, at_s in ends.items():
            if at_s is not None and hole[0] - near_s <= at_s <= hole[1] + near_s:
                values[name] = None
                notes.append(f"{name} lies at a hole without markers")
        for name, (a, b) in {
            "turn_deg": ("takeaway_s", "top_s"),
            "peak_rate_dps": ("top_s", "impact_s"),
        }.items():
            low, high = ends[a], ends[b]
            if low is not None and high is not None and hole[0] < high and hole[1] > low:
                values[name] = None
                notes.append(f"{name}: markers are missing between {a[:-2]} and {b[:-2]}")
    for name in MEASURES:
        if values[name] is None:
            u[name] = None
    return CapturedSwing(truth=values, u=u, notes=tuple(dict.fromkeys(notes)))


def capture_swings(
    poses: Poses,
    *,
    impacts_s: Sequence[float] = (),
    no_ball: bool = False,
    params: CaptureParams | None = None,
    seed: int = 0,
) -> tuple[Motion, list[CapturedSwing], list[str]]:
    """Smooth a capture and say what swings are in it.

    Parameters
    ----------
    poses : Poses
    impacts_s : sequence of float
        Labelled impacts, from the first frame; they are set on a grid of `GRID_HZ`.
    no_ball : bool
        Swings without a labelled impact had no ball: their impact is the instant of least turn.
    params : CaptureParams, optional
    seed : int
        Of the noise drawn for the uncertainties.

    Returns
    -------
    motion : Motion
    swings : list of CapturedSwing
        In the order of time.
    left_out : list of str
        What looked like a swing, or was labelled one, and why it can't be told.
    """
    params = CaptureParams() if params is None else params
    breaks_s = tuple(round(at * GRID_HZ) / GRID_HZ for at in sorted(impacts_s))
    first_hz = min(params.first_cutoff_hz, SmoothParams().most_share * poses.rate_hz)
    motion, _ = smooth_motion(poses, breaks_s=breaks_s, attitude_hz=first_hz, place_hz=first_hz)
    spans, lost = _spans(_course(motion, poses.duration_s), breaks_s, params)
    left_out = [f"no swing leads to the impact at {at:.3f} s" for at in lost]
    seen = poses.seen
    time_s = np.arange(len(seen)) / poses.rate_hz
    judged = np.zeros(len(seen), dtype=bool)
    for span, _ in spans:
        judged |= (time_s > span.back_start_s - 0.3) & (time_s < span.through_end_s)
    if not (judged & seen).any():
        judged[:] = True
    if params.cutoff_hz is None:
        quat, place = poses.quat_wxyz[seen], poses.pos_m[seen]
        attitude_hz, place_hz = (
            _choose(values, seen, judged, poses.rate_hz, breaks_s) for values in (quat, place)
        )
    else:
        attitude_hz = place_hz = params.cutoff_hz
    motion, smoother = smooth_motion(
        poses, breaks_s=breaks_s, attitude_hz=attitude_hz, place_hz=place_hz
    )
    told: list[tuple[SwingSpan, SwingTruth]] = []
    labels: list[bool] = []
    for span, labelled in spans:
        try:
            told.append((span, _truth(motion, span, poses.duration_s, breaks_s)))
            labels.append(labelled)
        except NoSwingError as error:
            at_s = span.through_end_s if span.pass_s is None else span.pass_s
            left_out.append(f"the motion about {at_s:.2f} s: {error}")
    rng = np.random.default_rng(seed)
    us = _uncertainties(poses, motion, smoother, told, breaks_s, params, rng)
    swings = [
        _told(
            truth,
            u,
            labelled=labelled,
            no_ball=no_ball,
            motion=motion,
            frame_s=1.0 / poses.rate_hz,
        )
        for (_, truth), u, labelled in zip(told, us, labels, strict=True)
    ]
    return motion, swings, left_out
