"""Ball or not: a decision with a probability, from all that the sensor could still feel.

What there is to tell a ball by is taken down as figures (`look`): how far the samples about the
ball's place were from predicted, how suddenly the rate fell, what the sensor could have shown at
all, with its ranges, the rate at which samples truly came, and its filter. Two fitted scores
(`strike_tables`, by ``python -m benchmarks.naming --fit``) make two probabilities of them: that it
was a ball, at even odds beforehand, and that a ball would have been seen. *Strike* and *rehearsal*
are said where the first is sure, *rehearsal* only where the second is high; else it is unclear,
with what hides the ball.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.swing.shock import (
    COLLAPSE_SHARE,
    LEAST_STRENGTH,
    Residuals,
    Shock,
    find_shock,
    look_for_residuals,
)
from analysis.swing.strike_tables import AHEAD, SEEN, STRIKE
from analysis.swing.trees import Trees
from analysis.swing.uncertainty import GAP

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


CERTAIN_P = 0.92
"""From here on it is called a strike, below its complement a rehearsal. At even odds the latter
says that eleven balls in twelve would have left other traces with this sensor. Of what was left out
of the fit in turn, 0.7 % was then called wrongly, for most lie far beyond; at 0.90 it is 0.9 %, at
0.95 0.5 % with a third more unclear (``python -m benchmarks --only naming`` has the test)."""
SEEN_P = 0.5
"""Whatever its traces, it is called a rehearsal only where most balls would be called strikes."""
PLAIN_P = 0.9
"""From here on nothing hides a ball."""
RALLY_ODDS = 9.0
"""Back and forth without a stop no ball is hit: odds against one beforehand (own choice)."""
EARLIEST = 0.2
"""No ball is met earlier before the least turn than this share of the way down. Of simulated balls
under a gyroscope that kept within its range none came earlier than 0.18 (`simulation.motion.wide`,
seeds 7 000 000 on); a knock in mid-downswing is somebody else's."""
OWN_CUTOFF = 0.38
"""Cut-off of a chip's own filter as a share of its rate, where its delay isn't told (from memory,
0.32-0.45)."""
GOOD_RATE_HZ = 400.0
LEAST_GAIN = 0.03
"""A cause that hides fewer balls than this is none."""
THIN_U_S = 0.006
"""What thinning leaves of an onset beside the grid's own step (own choice)."""
MOST_STEP = 4
EVEN_SHARE = 0.85
"""So many of the samples are there at a step that is called even."""
STEP_S = (0.008, 0.02)
"""Stretches over which a sudden change of the rate is looked for: the contact is over at once, and
a filter of 20 Hz smears it over 20 ms."""
LEAST_SAMPLES = 3
MET_S = 0.08
"""Most balls are met by so long after the least turn: what isn't on record until then says nothing
(`simulation.motion.wide`: nine in ten)."""
BEFORE_S = 0.02
NEAR_S = (0.05, 0.08)
"""About the least turn: where most balls are met."""

STRIKE_FIGURES = (
    "kick_gyr",
    "kick_acc",
    "kick",
    "size_gyr",
    "size_acc",
    "sharp",
    "length",
    "place",
    "fall",
    "step_8",
    "step_20",
    "stop_place",
    "level_gyr",
    "level_acc",
    "open_gyr",
    "open_acc",
    "lost",
    "rate",
    "cutoff",
    "told",
)
"""Names of what `look` notes, in the order of the score of a strike."""

SEEN_FIGURES = (
    "level_gyr",
    "level_acc",
    "open_gyr",
    "open_acc",
    "lost",
    "rate",
    "cutoff",
    "told",
)
"""Those that say what could have been seen, whatever there was to see."""

AHEAD_FIGURES = ("gyr_range", "acc_range", "rate", "cutoff", "told")
"""What is known before the first swing (`ahead_figures`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorLimits:
    """What a sensor can show: its rate, and its filters by their delays; 0: not told."""

    rate_hz: float
    gyr_delay_s: float = 0.0
    acc_delay_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a ball may have been met, in samples.

    ``lo`` to ``hi`` is where to look, ``top`` and ``least`` those of the turn.
    """

    lo: int
    hi: int
    top: float
    least: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What there is to name a swing by.

    Attributes
    ----------
    figures : mapping
        By the names in `STRIKE_FIGURES`; NaN for what isn't there.
    shock : Shock or None
        In samples of the recording.
    grid : (int, int)
        Every so many samples came, from which on: the others are missing.
    short : bool
        The record ends before most balls would have been met.
    """

    figures: Mapping[str, float]
    shock: Shock | None
    grid: tuple[int, int] = (1, 0)
    short: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """What a swing is called.

    Attributes
    ----------
    strike : bool or None
        None: unclear.
    p : float
        Probability of a ball, at even odds beforehand.
    seen_p : float
        Probability that a ball would have been seen.
    code : str or None
        Of an unclear one, what hides the ball: ``"range"``, ``"rate"``, ``"filter"``,
        ``"untold"`` (a filter that isn't known), ``"hole"``, ``"mount"`` (the upper back),
        ``"short"`` (nothing on record there); ``"light"``: something was felt that may or may not
        have been one; ``"none"``: nothing was.
    """

    strike: bool | None
    p: float | None
    seen_p: float
    code: str | None


def even_step(whole: Bools) -> tuple[int, int]:
    """Return the finest step, and its first sample, at which the samples that came lie evenly.

    A link that thins data drops every second or third sample; what comes is then a recording at a
    lower rate. Where the holes are of no such kind, (1, 0).
    """
    for step in range(1, MOST_STEP + 1):
        share = [float(whole[k::step].mean()) for k in range(min(step, len(whole)))]
        if share and max(share) >= EVEN_SHARE:
            return step, int(np.argmax(share))
    return 1, 0


def look(
    gyr_dps: Array,
    acc_m_s2: Array,
    *,
    whole: Bools,
    clip_gyr: Bools,
    clip_acc: Bools,
    place: Place,
    limits: SensorLimits,
    gyr_noise_dps: float,
    acc_noise_m_s2: float,
) -> Evidence:
    """Take down what there is to tell a ball by.

    Parameters
    ----------
    gyr_dps, acc_m_s2 : (n, 3) arrays
        Holes filled.
    whole : (n,) array of bool
        False where a sample is missing.
    clip_gyr, clip_acc : (n, 3) arrays of bool
        Where a channel is at its stop.
    place : Place
    limits : SensorLimits
    gyr_noise_dps, acc_noise_m_s2 : float
        White noise a sample.
    """
    hi = min(place.hi, len(gyr_dps))
    lo = place.lo
    if not clip_gyr[round(place.top) : hi].any():
        # (at its stop the gyroscope misses some of the turn, so the least isn't where it seems)
        lo = max(lo, math.ceil(place.least - EARLIEST * (place.least - place.top)))
    if hi - lo < LEAST_SAMPLES:
        return Evidence(figures=dict.fromkeys(STRIKE_FIGURES, math.nan), shock=None, short=True)
    begin = max(0, lo - round(NEAR_S[0] * limits.rate_hz))
    step, first = even_step(whole[begin:hi])
    first = (begin + first) % step
    seen = slice(first, None, step)
    here = Place(
        lo=max(0, -((first - lo) // step)),
        hi=(hi - first) // step,
        top=(place.top - first) / step,
        least=(place.least - first) / step,
    )
    rate_hz = limits.rate_hz / step
    gyr, acc, there = gyr_dps[seen], acc_m_s2[seen], whole[seen]
    stop_gyr, stop_acc = clip_gyr[seen], clip_acc[seen]
    around = look_for_residuals(
        gyr,
        acc,
        ~there,
        _edges(stop_gyr),
        _edges(stop_acc),
        rate_hz=rate_hz,
        lo=here.lo,
        hi=here.hi,
        gyr_noise_dps=gyr_noise_dps,
        acc_noise_m_s2=acc_noise_m_s2,
    )
    shock = find_shock(around, lo=here.lo, hi=here.hi)
    figures = dict.fromkeys(STRIKE_FIGURES, math.nan)
    figures |= _limits(limits, rate_hz)
    figures |= _knock(around, here, stop_gyr, stop_acc)
    figures |= _steps(gyr, there, stop_gyr, here, rate_hz)
    if shock is not None:
        shock = at_full_rate(shock, (step, first), limits.rate_hz)
    short = hi - place.least < MET_S * limits.rate_hz or math.isnan(figures["kick"])
    return Evidence(figures=figures, shock=shock, grid=(step, first), short=short)


def at_full_rate(shock: Shock, grid: tuple[int, int], rate_hz: float) -> Shock:
    """Return a shock that was found on every n-th sample, in samples."""
    every, first = grid
    if every == 1:
        return shock
    parts = {source: every * u for source, u in shock.parts.items()}
    return replace(
        shock,
        onset=first + every * shock.onset,
        parts={**parts, GAP: math.hypot(parts.get(GAP, 0.0), THIN_U_S * rate_hz)},
        # What was filled in since the sample before it may be touched too.
        first=first + every * (shock.first - 1) + 1,
        unseen=every * shock.unseen,
    )


def _limits(limits: SensorLimits, rate_hz: float) -> dict[str, float]:
    """Figures of the rate and the filters."""
    stated = limits.acc_delay_s > 0.0 and limits.gyr_delay_s > 0.0
    cutoff = OWN_CUTOFF * limits.rate_hz
    if stated:
        # of a second-order low-pass by its delay
        slow_s = max(limits.gyr_delay_s, limits.acc_delay_s)
        cutoff = min(cutoff, math.sqrt(2.0) / (2.0 * math.pi * slow_s))
    return {"rate": math.log(rate_hz), "cutoff": math.log(cutoff), "told": float(stated)}


def _knock(around: Residuals, place: Place, stop_gyr: Bools, stop_acc: Bools) -> dict[str, float]:
    """Figures of the greatest residual, and of what it had to rise above."""
    rate_hz = around.rate_hz
    a, b = max(place.lo - around.cut, around.past + 1), min(place.hi - around.cut, len(around.eg))
    least = place.least - around.cut
    near = around.lost[
        max(0, round(least - NEAR_S[0] * rate_hz)) : max(0, round(least + NEAR_S[1] * rate_hz))
    ]
    out = {"lost": float(near.mean()) if len(near) else 1.0}
    if b - a < 3:
        return out
    kick_gyr = around.clear_g[a:b] / around.clear_level_g[a:b]
    kick_acc = around.clear_a[a:b] / around.clear_level_a[a:b]
    kick = np.maximum(kick_gyr, kick_acc)
    most = float(kick.max())
    # The first of the strong ones: the ringing that follows can be greater.
    k = int(np.argmax(kick >= max(LEAST_STRENGTH, 0.3 * most) if most > LEAST_STRENGTH else kick))
    k += a
    size = np.hypot(around.eg / 30.0, around.ea / 15.0)[k : k + max(3, round(0.06 * rate_hz))]
    whole = float(size.max()) + 1e-9
    quick = float(size[: max(2, round(0.004 * rate_hz))].max())
    before = max(a, min(k, round(least)))
    span = slice(
        max(0, before - max(2, round(BEFORE_S * rate_hz))) + around.cut, before + 1 + around.cut
    )
    return out | {
        "kick_gyr": math.log(float(kick_gyr.max()) + 0.1),
        "kick_acc": math.log(float(kick_acc.max()) + 0.1),
        "kick": math.log(float(around.z[a:b].max()) + 0.1),
        "size_gyr": math.log(float(around.clear_g[a:b].max()) + 1.0),
        "size_acc": math.log(float(around.clear_a[a:b].max()) + 0.1),
        "sharp": quick / whole,
        "length": math.log((1.0 + float(np.flatnonzero(size >= 0.25 * size.max())[-1])) / rate_hz),
        "place": min(max((k - least) / max(place.least - place.top, 1.0), -1.0), 1.0),
        "level_gyr": math.log(float(around.clear_level_g[before])),
        "level_acc": math.log(float(around.clear_level_a[before])),
        "open_gyr": 1.0 - float(stop_gyr[span].mean()),
        "open_acc": 1.0 - float(stop_acc[span].mean()),
    }


def _steps(gyr: Array, there: Bools, stop: Bools, place: Place, rate_hz: float) -> dict[str, float]:
    """Figures of how suddenly the rate changed, on channels that were not at their stop."""
    lo, hi = place.lo, place.hi
    w, stop, there = gyr[lo:hi], stop[lo:hi], there[lo:hi]
    size = np.sqrt(np.einsum("ij,ij->i", w, w))
    if len(size) < 4:
        return {}
    most = max(float(size.max()), 1.0)
    out = {}
    for name, seconds in zip(("step_8", "step_20"), STEP_S, strict=True):
        s = max(1, round(seconds * rate_hz))
        if len(w) > 3 * s:
            # what it changes over a stretch beyond what it had over the one before
            more = w[2 * s : -s] - 2.0 * w[s : -2 * s] + w[: -3 * s]
            bad = stop[2 * s : -s] | stop[s : -2 * s] | stop[: -3 * s]
            more = np.where(bad, 0.0, more)
            step = float(np.sqrt(np.einsum("ij,ij->i", more, more)).max())
            out[name] = math.log(step / most + 0.01)
    s = max(1, round(STEP_S[1] * rate_hz))
    if len(size) > s:
        good = there[:-s] & there[s:]
        if good.any():
            out["fall"] = float((size[:-s] - size[s:])[good].max()) / most
    at_stop = np.flatnonzero(stop.any(axis=1))
    if len(at_stop):
        centre = lo + 0.5 * float(at_stop[0] + at_stop[-1])
        out["stop_place"] = (centre - place.least) / max(place.least - place.top, 1.0)
    return out


def name_strike(evidence: Evidence, mount: str | None, *, rally: bool = False) -> Naming:
    """Name a swing by its evidence.

    Parameters
    ----------
    evidence : Evidence
    mount : str or None
    rally : bool
        It goes back and forth without a stop, where no ball is hit.
    """
    figures = evidence.figures
    # (Back and forth, the next pass begins before a ball would have been met; there is none.)
    if math.isnan(figures["kick"]) or (evidence.short and not rally):
        return Naming(strike=None, p=None, seen_p=0.0, code="short")
    which = mount if mount in STRIKE else "unknown"
    p = STRIKE[which].p(figures)
    if rally:
        p = p / (p + RALLY_ODDS * (1.0 - p))
    seen = SEEN[which].p(figures)
    if p >= CERTAIN_P:
        return Naming(strike=True, p=p, seen_p=seen, code=None)
    # An accelerometer at its stop hides a knock, but not that the rate is gone a moment later.
    gone = mount == "club" and figures["open_acc"] < 1.0 and figures["fall"] >= COLLAPSE_SHARE
    if p <= 1.0 - CERTAIN_P and (rally or (seen >= SEEN_P and not gone)):
        return Naming(strike=False, p=p, seen_p=seen, code=None)
    return Naming(strike=None, p=p, seen_p=seen, code=_hidden(evidence, mount, seen, SEEN[which]))


def _hidden(evidence: Evidence, mount: str | None, seen: float, table: Trees) -> str:
    """Code of what hides a ball most: without it, most of them would be seen."""
    figures = evidence.figures
    felt = "light" if evidence.shock is not None else "none"
    if seen >= PLAIN_P:
        return felt
    fast = max(figures["rate"], math.log(GOOD_RATE_HZ))
    open_filter = max(figures["cutoff"], figures["rate"] + math.log(OWN_CUTOFF))
    better: dict[str, dict[str, float]] = {}
    if min(figures["open_gyr"], figures["open_acc"]) < 1.0:
        better["range"] = {"open_gyr": 1.0, "open_acc": 1.0}
    if figures["lost"] > 0.0:
        better["hole"] = {"lost": 0.0}
    if not figures["told"] or figures["cutoff"] < open_filter:
        better["filter" if figures["told"] else "untold"] = {"cutoff": open_filter, "told": 1.0}
    if figures["rate"] < fast:
        better["rate"] = {
            "rate": fast,
            "cutoff": max(open_filter, fast + math.log(OWN_CUTOFF)),
        }
    gain = {code: table.p({**figures, **change}) - seen for code, change in better.items()}
    best = max(gain, key=lambda code: gain[code], default=felt)
    if gain.get(best, 0.0) > LEAST_GAIN:
        return best
    return "mount" if mount == "trunk" else felt


def ahead_figures(
    limits: SensorLimits, gyr_range_dps: float | None, acc_range_g: float | None
) -> dict[str, float]:
    """Figures of what is known of a sensor before the first swing; NaN for a range not told."""
    return {
        "gyr_range": math.nan if gyr_range_dps is None else math.log(gyr_range_dps),
        "acc_range": math.nan if acc_range_g is None else math.log(acc_range_g),
        **_limits(limits, limits.rate_hz),
    }


def ball_seen_ahead(
    limits: SensorLimits,
    *,
    mount: str | None,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
) -> float:
    """Probability that a full swing's ball will be seen, by what is known before the first.

    Parameters
    ----------
    limits : SensorLimits
    mount : str or None
    gyr_range_dps, acc_range_g : float or None
    """
    table = AHEAD[mount if mount in AHEAD else "unknown"]
    return table.p(ahead_figures(limits, gyr_range_dps, acc_range_g))


def _edges(clip: Bools) -> Bools:
    """Samples where a channel enters or leaves its stop: a kink there is not a shock."""
    out = np.zeros_like(clip)
    change = clip[1:] != clip[:-1]
    out[1:] |= change
    out[:-1] |= change
    return out
