"""Impact: the onset of the shock; without one, the instant at which the turn is back at its least.

It says as well whether it was a strike (see `analysis.swing.strike`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.swing.measured import INTERPOLATION, Measured, per_dps
from analysis.swing.naming import (
    Naming,
    Place,
    SensorLimits,
    at_full_rate,
    look,
    name_strike,
)
from analysis.swing.results import Note
from analysis.swing.samples import Array, Bools, Samples, norm, within
from analysis.swing.shock import Shock, find_collapse, past_samples
from analysis.swing.strike import StrikeParams, doubtful, touched
from analysis.swing.top import Top
from analysis.swing.turn import Turn, TurnParams, bridged
from analysis.swing.uncertainty import (
    BIAS,
    CLIPPING,
    GAP,
    NOISE,
    RULE,
    SAMPLING,
    SCALE,
    SWAY,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpactParams:
    """What the impact is read with. "Fitted" is explained in `analysis.swing.measure`."""

    come_down: float = 0.85
    """A knock is looked for once the turn is back under this share of the top's: in mid-downswing
    there is no ball."""
    after_s: float = 0.15
    """... until so long after the least turn (or the peak rate)."""
    least_half_s: float = 0.05
    """The least turn lies so near to the outline's."""
    least_dps: float = 0.5
    """What the turn rate at the least turn can't be told to (fitted)."""
    unfelt_u_s: float = 0.05
    """At the upper back a ball may go unfelt; it is met some hundredths of a second after the turn
    is least there (25-110 ms in the simulation)."""
    doubt_share: float = 0.4
    """Share of the way between knock and least turn, where the knock may be none one time in five:
    the root of 0.2 x 0.8 (fitted)."""
    ball_s: tuple[float, float] = (0.12, 0.06)
    """From so long before the least turn until so long after it a ball's knock may be, and a hole
    may hide it."""
    dark_s: float = 0.02
    dark_samples: float = 4.0
    """A shock with more before it unseen than both together may have begun anywhere."""
    least_thinned_hz: float = 90.0
    """On a coarser grid than this, that no knock was felt says nothing."""
    lost_s: float = 0.1
    """A longer hole on the way down is half of it, and may hide a ball wherever it is."""
    strike: StrikeParams = field(default_factory=StrikeParams)


@dataclass(frozen=True, slots=True, kw_only=True)
class Impact:
    """The impact. Positions are in the swing's samples.

    Attributes
    ----------
    at : Measured
        In samples.
    basis : {"shock", "least_turn"} or None
    strike : bool or None
    named : Naming
        What the strike is said from.
    end : int
        One past the last sample that is the motion before it.
    """

    at: Measured
    basis: str | None
    strike: bool | None
    named: Naming
    end: int

    @property
    def stop_at(self) -> float:
        """Where what is to be measured before the impact ends."""
        return self.at.value if self.at.value is not None else float(self.end)


@dataclass(frozen=True, slots=True)
class _Knock:
    """What was felt between top and follow-through; looked for on every n-th sample."""

    shock: Shock | None
    named: Naming
    basis: str
    collapsed: bool
    grid: tuple[int, int]


def measure_impact(
    s: Samples,
    turn: Turn,
    top: Top,
    turn_parts: dict[str, float],
    p: ImpactParams,
    turn_params: TurnParams,
    *,
    rally: bool,
) -> Impact:
    """Measure the impact and name it.

    Parameters
    ----------
    s : Samples
    turn : Turn
    top : Top
    turn_parts : dict
        Parts of the turn's uncertainty, deg.
    p : ImpactParams
    turn_params : TurnParams
    rally : bool
        Back-and-forth rehearsals.
    """
    fs, mount = s.rate_hz, s.conditions.mount
    least, slope = _least(turn.deg, top.sample, s.least - turn.first, fs, p.least_half_s)
    least_at = least + turn.first
    knock = _felt(s, turn, top, least_at, p, rally=rally)
    shock, strike = knock.shock, knock.named.strike
    basis: str | None = knock.basis
    by_shock = basis == "shock" and shock is not None
    out = Measured(None)
    if basis == "shock" and shock is not None:
        out.value, out.parts = shock.onset, dict(shock.parts)
    else:
        basis = "least_turn"
        out.value = least_at
        out.parts = _least_parts(s, turn, least, slope, turn_parts, p, turn_params)
        if strike is not False:
            # A ball, felt or not, was met some hundredths of a second later.
            out.parts[RULE] = float(np.hypot(out.parts[RULE], p.unfelt_u_s * fs))
        if least_at >= len(s.gyr_dps) - 2:
            out.value = basis = None
            out.notes.append(
                Note(
                    "no_impact",
                    "the turn was not back at its least when the motion went on or ended",
                )
            )
    doubt = shock is not None and (knock.collapsed or doubtful(shock, mount, fs, p.strike))
    if shock is not None and doubt and not rally and strike is not True:
        # Knock or none: the impact is at one of two places.
        away = abs(shock.onset - least - turn.first)
        out.parts[RULE] = float(np.hypot(out.parts.get(RULE, 0.0), p.doubt_share * away))
    unfelt = strike is False or (strike is None and knock.named.code == "hole" and not by_shock)
    if unfelt and not rally and _may_hide_a_ball(s, turn, top, least_at, knock, p):
        strike = out.value = basis = None
        out.notes.append(
            Note("gap_impact", "samples are missing where a ball's knock may have been")
        )
    elif strike is None:
        out.notes.append(_unclear(knock))
    if out.value is not None:
        dark = shock.unseen if basis == "shock" and shock is not None else 0
        at_hole = basis != "shock" and s.hole_at(out.value - 1.5, out.value + 1.5)
        if dark > p.dark_s * fs + p.dark_samples or at_hole:
            out.value = None
            out.notes.append(Note("gap_impact", "samples are missing at impact"))
    end = int(np.ceil(least_at)) + 1
    if by_shock and shock is not None:
        end = max(shock.first - shock.unseen, top.sample + turn.first + 2)
    return Impact(at=out, basis=basis, strike=strike, named=knock.named, end=end)


def _may_hide_a_ball(
    s: Samples, turn: Turn, top: Top, least_at: float, knock: _Knock, p: ImpactParams
) -> bool:
    """Whether samples are missing where a ball's knock may have been."""
    fs, (every, phase) = s.rate_hz, knock.grid
    a, b = int(least_at - p.ball_s[0] * fs), int(least_at + p.ball_s[1] * fs)
    top_at = top.at + turn.first
    for x, y in s.long_gaps if every == 1 else ():
        # A long one on the way down leaves open where the turn is least, too.
        if (a < y and x < b) or (y - x > p.lost_s * fs and top_at < y and x < b):
            return True
    whole = s.whole[phase::every]
    past = past_samples(fs / every)
    if fs / every < p.least_thinned_hz < fs:
        return True
    most = max(s.hole / every, 2.0) + past
    return _longest_dark(whole, past, a // every, b // every) > most


def _felt(
    s: Samples, turn: Turn, top: Top, least_at: float, p: ImpactParams, *, rally: bool
) -> _Knock:
    """Look for a knock where a ball may be, and name it."""
    fs, c = s.rate_hz, s.conditions
    falling = np.flatnonzero(turn.deg[top.sample :] < p.come_down * top.turn_deg)
    lo = top.sample + (int(falling[0]) if len(falling) else 1) + turn.first
    hi = min(len(s.gyr_dps), max(s.least, s.peak) + round(p.after_s * fs))
    evidence = look(
        s.gyr_dps,
        s.acc_m_s2,
        whole=s.whole,
        clip_gyr=s.clip_gyr,
        clip_acc=s.clip_acc,
        place=Place(lo=lo, hi=hi, top=top.at + turn.first, least=least_at),
        limits=SensorLimits(rate_hz=fs, gyr_delay_s=c.gyr_delay_s, acc_delay_s=c.acc_delay_s),
        gyr_noise_dps=s.noise_dps,
        acc_noise_m_s2=s.noise_m_s2,
    )
    named = name_strike(evidence, c.mount, rally=rally)
    shock, grid = evidence.shock, evidence.grid
    hit = shock is not None and (
        named.strike is True or touched(shock, c.mount, fs / grid[0], p.strike, rally=rally)
    )
    unsure = named.strike is not False and not hit
    if unsure and c.mount == "club" and not rally and s.clip_acc[lo:hi].any():
        # An accelerometer at its stop hardly feels a knock, but the rate is gone a moment later.
        every, phase = grid
        collapse = find_collapse(
            s.gyr_dps[phase::every],
            ~s.whole[phase::every],
            rate_hz=fs / every,
            lo=-(-(lo - phase) // every),
            hi=(hi - phase) // every,
        )
        if collapse is not None:
            collapse = at_full_rate(collapse, grid, fs)
            return _Knock(collapse, named=named, basis="shock", collapsed=True, grid=grid)
    basis = "shock" if hit else "least_turn"
    return _Knock(shock, named=named, basis=basis, collapsed=False, grid=grid)


def _longest_dark(whole: Bools, past: int, a: int, b: int) -> int:
    """Longest run of samples from a to b that a missing one keeps from telling a knock."""
    dark = np.convolve(~whole, np.ones(past + 1))[: len(whole)] > 0.5
    most = run = 0
    for there in dark[max(0, a) : max(0, b)].tolist():
        run = run + 1 if there else 0
        most = max(most, run)
    return most


_HIDDEN = {
    "range": "whether a ball was hit can't be told: the sensor was at the end of its range where "
    "it would have been felt",
    "rate": "whether a ball was hit can't be told: too few samples came to show its knock",
    "filter": "whether a ball was hit can't be told: the sensor's filter lets too little of its "
    "knock through",
    "untold": "whether a ball was hit can't be told: the sensor's filter isn't known, and may let "
    "too little of its knock through",
    "hole": "whether a ball was hit can't be told: samples are missing where its knock may have "
    "been",
    "short": "whether a ball was hit can't be told: the motion isn't on record where it would have "
    "been met",
    "mount": "whether a ball was hit can't be told: the upper back hardly feels one",
    "light": "there was a knock, too weak to say whether it was a ball",
    "none": "no knock was felt, and yet it may have been a ball",
}


def _unclear(knock: _Knock) -> Note:
    """Why it can't be told whether it was a ball."""
    text = _HIDDEN[knock.named.code or "light"]
    if knock.collapsed:
        text = "the sensor was at its limit, and the rate fell suddenly: it may have been a ball"
    return Note("unclear_strike", text)


def _least_parts(
    s: Samples,
    turn: Turn,
    least: float,
    slope: float,
    turn_parts: dict[str, float],
    p: ImpactParams,
    turn_params: TurnParams,
) -> dict[str, float]:
    """Parts of the instant of least turn, in samples."""
    fs = s.rate_hz
    k = int(within(round(least), 0, len(turn.deg) - 1))
    per = per_dps(slope, p.least_half_s * fs)
    # Little of the turn is left there, so that an error across it turns it about, and with it the
    # instant at which it is least.
    per_deg = per * float(norm(turn.fixed_dps[k : k + 1])[0]) / max(float(turn.deg[k]), 1.0)
    since_s = max(0.0, least - (turn.origin - turn.first)) / fs
    hole, stop = bridged(s, int(turn.origin), round(least + turn.first), turn_params)
    growth = turn.growth.rate_at(k, turn.vector_deg, turn.fixed_dps)
    return {
        SWAY: per_deg * turn_parts[SWAY],
        NOISE: s.noise_dps * float(np.hypot(per, per_deg * np.sqrt(since_s / fs))),
        BIAS: s.zero_u_dps * float(np.hypot(per, per_deg * since_s)),
        SCALE: s.conditions.gyr_scale_u * growth * per,
        SAMPLING: INTERPOLATION,
        GAP: per_deg * hole,
        CLIPPING: per_deg * stop,
        RULE: p.least_dps * per,
    }


def _least(turn: Array, top: int, guess: int, fs: float, half_s: float) -> tuple[float, float]:
    """Instant of least turn on the way down, in samples, and the slope of the turn rate there.

    The slope is in deg/s a sample.
    """
    half = max(3, round(half_s * fs))
    a, b = max(top + 1, guess - half), min(len(turn), guess + half + 1)
    if b - a < 3:
        return float(guess), 0.0
    k = a + int(np.argmin(turn[a:b]))
    if not 0 < k < len(turn) - 1:
        return float(k), 0.0
    p, m, s = (float(v) for v in turn[k - 1 : k + 2])
    bend = p - 2 * m + s
    # (At the edge of where it is looked for, it may be no least at all.)
    at = k + (within(0.5 * (p - s) / bend, -1.0, 1.0) if bend > 0 else 0.0)
    return at, max(bend, 0.0) * fs
