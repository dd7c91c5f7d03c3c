"""The onset of an impact: where six channels stop being predictable.

Before impact the motion is smooth: a parabola through the last few samples says where the next one
will lie. A shock, with its ringing and its sudden loss of rate, breaks that at once. Comparing each
sample with its prediction finds the first one touched, whatever the downswing's own size, and also
when the accelerometer has been against its stop all the way down (its channels then say nothing and
the gyroscope's speak alone).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from analysis.swing.uncertainty import GAP, NOISE, RULE, SAMPLING

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_STRENGTH = 1.6
"""Surprise over the greatest in the 45 ms before, noise added: under it the motion is smooth."""

CONTACT_S = 0.0005
"""How long a ball and a club touch (from memory)."""
ONSET_SAMPLES = 0.27
"""Standard uncertainty of an onset. Anywhere between two samples would be 1/sqrt(12) = 0.29 (JCGM
100, 4.3.7, rectangular distribution); the size of the first sample touched tells a little more."""
WEAK_U_S = 0.007
"""The same for a weak shock, over its strength. This and the next two were fitted on simulated
knocks of all mounts (seeds 240000-345000)."""
WEAK_LATE = 0.35
"""Samples by which a weak shock's first touched sample is passed over on average."""
PARTLY_U_S = 0.012
"""Where a knock is plain only on some channels."""

COLLAPSE_S = 0.02
COLLAPSE_SHARE = 0.21
"""A club's rate that falls by more than this share of its peak within `COLLAPSE_S` was stopped by
something: arms brake it by 0.18 at most, balls by 0.24 at least (simulated sessions of both models,
seeds 40-60)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shock:
    """A shock: its onset and its size.

    ``onset`` is a fractional sample number, ``parts`` those of its standard uncertainty by source
    (`analysis.swing.uncertainty`), ``first`` the first sample touched. ``strength`` is
    the greatest residual over the level that the motion itself shows before it; ``gyr_dps`` and
    ``acc_m_s2`` are the greatest residuals in physical units, ``length_s`` how long they last and
    ``sharpness`` the share of the greatest that the first 4 ms reach. ``unseen`` samples right
    before it prove nothing, since some of them are missing.
    """

    onset: float
    parts: dict[str, float]
    first: int
    strength: float
    gyr_dps: float
    acc_m_s2: float
    length_s: float
    sharpness: float
    unseen: int


@lru_cache
def predictor(n_past: int, degree: int = 2) -> Array:
    """Weights that extrapolate a least-squares polynomial of the last samples by one.

    Parameters
    ----------
    n_past : int
        Samples used, more than ``degree``.
    degree : int

    Returns
    -------
    (n_past,) array
        Weights, oldest sample first; they sum to 1.
    """
    t = np.arange(-n_past, 0.0)
    basis = np.vander(t, degree + 1, increasing=True)
    # Value of the fitted polynomial at t = 0.
    return np.asarray(np.linalg.pinv(basis)[0])


def past_samples(rate_hz: float) -> int:
    """Samples before each that its prediction rests on."""
    return int(np.clip(round(0.010 * rate_hz), 4, 8))


def residual(
    x: Array,
    missing: Bools,
    kinked: Bools,
    n_past: int,
    look: int,
    degree: int = 2,
    *,
    out: Bools | None = None,
) -> Array:
    """Distance of each sample from its prediction by the samples before it.

    Parameters
    ----------
    x : (n, 3) array
    missing : (n,) array of bool
        Samples that were filled in; predictions that touch one are left out.
    kinked : (n, 3) array of bool
        Where a channel enters or leaves its stop. The kink that this makes in a smooth motion is
        at most a few of its steps; so much is taken off.
    n_past, degree : int
        As `predictor`.
    out : (n, 3) array of bool, optional
        Channels left out altogether where they, or what their prediction rests on, are marked.
    look : int
        Samples before, over which a channel's greatest step is taken.

    Returns
    -------
    (n,) array
        Zero for the first ``n_past`` samples.
    """
    size = np.zeros(len(x))
    if len(x) <= n_past:
        return size
    error = x[n_past:].copy()
    touched = kinked[n_past:].copy()
    lost = missing[n_past:].copy()
    left = None if out is None else out[n_past:].copy()
    for j, weight in enumerate(predictor(n_past, degree)):
        error -= weight * x[j : len(x) - n_past + j]
        touched |= kinked[j : len(x) - n_past + j]
        lost |= missing[j : len(x) - n_past + j]
        if out is not None and left is not None:
            left |= out[j : len(x) - n_past + j]
    if touched.any():
        step = np.abs(np.diff(x, axis=0, prepend=x[:1]))
        for c in np.flatnonzero(touched.any(axis=0)):
            allowed = 5.0 * _before(step[:, c], look, n_past)[n_past:]
            less = np.sign(error[:, c]) * np.maximum(np.abs(error[:, c]) - allowed, 0.0)
            error[:, c] = np.where(touched[:, c], less, error[:, c])
    error[lost] = 0.0
    if left is not None:
        error[left] = 0.0
    size[n_past:] = np.sqrt(np.einsum("ij,ij->i", error, error))
    return size


def _before(e: Array, length: int, lag: int) -> Array:
    """Greatest value among the ``length`` entries that end ``lag`` before each entry."""
    out = np.zeros_like(e)
    for j in range(lag, lag + length):
        out[j:] = np.maximum(out[j:], e[: len(e) - j])
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Residuals:
    """How far six channels were from predicted, over a stretch; made by `look_for_residuals`.

    ``eg`` and ``ea`` are residuals in deg/s and m/s2, ``level_g`` and ``level_a`` what the motion
    itself had shown before (noise added), ``z`` the greater of both ratios. The ``clear`` ones do
    without the channels that have just met or left their stop. ``lost`` marks samples whose
    prediction touches a missing one.
    """

    rate_hz: float
    cut: int
    past: int
    look: int
    eg: Array
    ea: Array
    level_g: Array
    level_a: Array
    z: Array
    clear_g: Array
    clear_a: Array
    clear_level_g: Array
    clear_level_a: Array
    lost: Bools


def look_for_residuals(
    gyr_dps: Array,
    acc_m_s2: Array,
    missing: Bools,
    kinked_gyr: Bools,
    kinked_acc: Bools,
    *,
    rate_hz: float,
    lo: int,
    hi: int,
    gyr_noise_dps: float,
    acc_noise_m_s2: float,
) -> Residuals:
    """Compare each sample about a stretch with what the ones before it predict.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
    missing, kinked_gyr, kinked_acc : (n,) and (n, 3) arrays of bool
        As `residual`.
    rate_hz : float
    lo, hi : int
        Where to look.
    gyr_noise_dps, acc_noise_m_s2 : float
        White noise a sample.
    """
    past, degree = past_samples(rate_hz), 2
    gain = float(np.sqrt(1.0 + np.sum(predictor(past, degree) ** 2)))
    look = max(4, round(0.045 * rate_hz))
    # Only what the looking back from ``lo`` and the ringing after ``hi`` need.
    cut = max(0, lo - 2 * look - 3 * past - round(0.03 * rate_hz))
    stop = min(len(gyr_dps), hi + round(0.1 * rate_hz) + past)
    part = slice(cut, stop)
    gyr_dps, acc_m_s2, missing = gyr_dps[part], acc_m_s2[part], missing[part]
    kinked_gyr, kinked_acc = kinked_gyr[part], kinked_acc[part]
    eg = residual(gyr_dps, missing, kinked_gyr, past, look, degree)
    ea = residual(acc_m_s2, missing, kinked_acc, past, look, degree)
    floor_g = 4.0 * gain * gyr_noise_dps + 1.0
    floor_a = 4.0 * gain * acc_noise_m_s2 + 0.3
    level_g = _before(eg, look, 2) + floor_g
    level_a = _before(ea, look, 2) + floor_a
    # The same without the channels that have just met or left their stop: what they show may be the
    # stop. A shock is told from the others, if they show one, and then followed back through all.
    clear_g = residual(
        gyr_dps, missing, np.zeros_like(kinked_gyr), past, look, degree, out=kinked_gyr
    )
    clear_a = residual(
        acc_m_s2, missing, np.zeros_like(kinked_acc), past, look, degree, out=kinked_acc
    )
    return Residuals(
        rate_hz=rate_hz,
        cut=cut,
        past=past,
        look=look,
        eg=eg,
        ea=ea,
        level_g=level_g,
        level_a=level_a,
        z=np.maximum(eg / level_g, ea / level_a),
        clear_g=clear_g,
        clear_a=clear_a,
        clear_level_g=_before(clear_g, look, 2) + floor_g,
        clear_level_a=_before(clear_a, look, 2) + floor_a,
        lost=np.convolve(missing, np.ones(past + 1))[: len(eg)] > 0.5,
    )


def find_shock(around: Residuals, *, lo: int, hi: int) -> Shock | None:
    """Find the strongest shock with its onset between samples ``lo`` and ``hi``.

    Parameters
    ----------
    around : Residuals
    lo, hi : int
        Where to look, as they were given to `look_for_residuals`, or within.

    Returns
    -------
    Shock or None
        None where nothing breaks the smoothness.
    """
    rate_hz, cut, past, look = around.rate_hz, around.cut, around.past, around.look
    eg, ea, z = around.eg, around.ea, around.z
    clear = np.maximum(around.clear_g / around.clear_level_g, around.clear_a / around.clear_level_a)
    lo, hi = lo - cut, hi - cut
    lo = max(lo, past + 1)
    hi = min(hi, len(z))
    if hi - lo < 2:
        return None
    sure = float(clear[lo:hi].max())
    if sure >= 2.0 * LEAST_STRENGTH:
        # The first of the strong ones: the ringing that follows can break the smoothness more.
        k = lo + int(np.argmax(clear[lo:hi] >= max(LEAST_STRENGTH, 0.3 * sure)))
        back = max(lo, k - round(0.025 * rate_hz))
        if float(z[back : k + 1].max()) > 1.5 * float(clear[k]):
            k = back + int(np.argmax(z[back : k + 1]))
    else:
        peak = float(z[lo:hi].max())
        if peak < LEAST_STRENGTH:
            return None
        k = lo + int(np.argmax(z[lo:hi] >= max(LEAST_STRENGTH, 0.3 * peak)))
    peak = float(z[k])
    # Back to the first sample touched: the shock is one run of residuals.
    size = np.hypot(eg / 30.0, ea / 15.0)
    quiet = float(np.median(size[max(0, k - look) : max(1, k - 2)]))
    limit = max(0.06 * float(size[k : k + 3].max()), 3.0 * quiet)
    first = k
    while first - 1 >= lo - 1 and k - first < max(3, round(0.012 * rate_hz)):
        if size[first - 1] > limit and z[first - 1] > 0.9:
            first -= 1
        else:
            break
    end = min(len(z), first + max(3, round(0.06 * rate_hz)))
    run = np.flatnonzero(size[first:end] > 0.25 * float(size[first:end].max()))
    after = size[first : min(len(size), first + 3)]
    # Share of the step between the last sample untouched and the first touched: the later the
    # onset lies in the step, the less of the shock the chip's filter has let through by then.
    share = float(after[0] / max(after.max(), 1e-9))
    # (The line follows the step response of such filters between its toe and its knee; fitted.)
    # Steps shorter than the ball's contact see the blow itself rise.
    ahead = 1.75 * share - 0.14 - max(0.0, CONTACT_S * rate_hz - 0.2)
    onset = first - min(max(ahead, 0.05), 0.75)
    # Samples right before it that proved nothing, because a missing one touches their prediction:
    # the onset may lie in any of them.
    begin = first
    while begin - 1 > 0 and around.lost[begin - 1]:
        begin -= 1
    unseen = first - begin
    if unseen:
        onset = 0.5 * (begin - 1 + first)
    # A weak shock shows late, up to a quarter of a period of its ringing (about 50 Hz) after it.
    weak = min(max((10.0 - peak) / 6.0, 0.0), 1.0)
    if not unseen:
        onset -= WEAK_LATE * weak
    # A knock that is plain only without the channels that have met their stop: its first sample may
    # have been passed over.
    partly = peak < 2.0
    parts = {
        SAMPLING: ONSET_SAMPLES,
        NOISE: WEAK_U_S * rate_hz / max(peak, 2.0) * (weak > 0.0),
        RULE: PARTLY_U_S * rate_hz if partly and sure >= 2.0 * LEAST_STRENGTH else 0.0,
        GAP: float((unseen + 1) / np.sqrt(12.0)) if unseen else 0.0,
    }
    whole = float(size[first:end].max())
    quick = float(size[first : first + max(2, round(0.004 * rate_hz))].max())
    return Shock(
        onset=float(onset + cut),
        parts=parts,
        first=first + cut,
        strength=peak,
        gyr_dps=float(eg[first:end].max()),
        acc_m_s2=float(ea[first:end].max()),
        length_s=float((run[-1] + 1) / rate_hz) if len(run) else 0.0,
        unseen=unseen,
        sharpness=quick / max(whole, 1e-9),
    )


def find_collapse(
    gyr_dps: Array, missing: Bools, *, rate_hz: float, lo: int, hi: int
) -> Shock | None:
    """Find where the rate falls too suddenly for arms to have braked it.

    That is all that is left of a ball where accelerometer and gyroscope are at their stops: the
    kink at the stop hides the step, but not that the rate is gone a moment later.

    Parameters
    ----------
    gyr_dps : (n, 3) array
    missing : (n,) array of bool
    rate_hz : float
    lo, hi : int
        Where to look, in samples.

    Returns
    -------
    Shock or None
        None where the rate dies down as in a swing without a ball, or where samples are missing.
    """
    size = np.sqrt(np.einsum("ij,ij->i", gyr_dps[lo:hi], gyr_dps[lo:hi]))
    step = max(1, round(COLLAPSE_S * rate_hz))
    if len(size) <= step:
        return None
    drop = size[:-step] - size[step:]
    k = int(np.argmax(drop))
    fall = float(drop[k])
    if fall < COLLAPSE_SHARE * float(size.max()) or missing[lo + k : lo + k + step + 1].any():
        return None
    first = k + 1 + int(np.argmax(size[k + 1 : k + step + 1] < size[k] - 0.15 * fall))
    return Shock(
        onset=lo + first - 0.5,
        # Within the step, and a sample's worth for where the fall begins.
        parts={SAMPLING: ONSET_SAMPLES, NOISE: 0.0, RULE: 1.0, GAP: 0.0},
        first=lo + first,
        strength=LEAST_STRENGTH,
        gyr_dps=fall,
        acc_m_s2=0.0,
        length_s=step / rate_hz,
        sharpness=1.0,
        unseen=0,
    )
