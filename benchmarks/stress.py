"""What a body and a sensor do to the numbers: the same swings, perturbed one way at a time.

There is no target: it shows. The same swings run through every perturbation, and the first line has
none, so a line is read against that one. Each perturbation is a small pure function on the motion
that the sensor feels (before the chip) or on its samples (after it), with its reason or source
beside it. The truth stays that of the segment: what a strap adds is an error.

Told of each: how many of the swings were found, what else was taken for one, how many were named
rightly (strike or rehearsal) and called unclear, where the finder fell over (a fault of its own,
which no input excuses), median absolute errors, and how many of the 95 %
intervals still hold the truth.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter, lfilter_zi

from benchmarks.accuracy import our_swings
from benchmarks.calibration import rows_of, summary
from benchmarks.drawing import Case
from benchmarks.report import table
from benchmarks.scoring import match, score
from sensor.recording.session import UNKNOWN_DELAY_MS, UNKNOWN_DELAY_U_MS
from sensor.rotation import quat_about, quat_conjugate, quat_rotate
from simulation.chip import Chip, ChipParams, draw_unit, low_pass_delay_s
from simulation.film import Film
from simulation.motion.action import MODELS, Mount, SwingTruth, shock_signal
from simulation.motion.body import Body, BodyParams
from simulation.motion.draw import random_swing
from simulation.motion.score import minimum_jerk, minimum_jerk_rate
from simulation.motion.shock import Blow, draw_blow, make_shock
from simulation.sessions import GYR_RANGES_DPS, SimulatedSwing
from words.units import G_N_M_S2

__all__ = [
    "STRESSES",
    "Felt",
    "Stress",
    "drifting_zero",
    "felt",
    "g_sensitive",
    "knock",
    "run",
    "sensed",
    "slip",
    "slow_recovery",
    "soft_tissue",
    "tables",
]

Floats = NDArray[np.float64]

SEEDS = 960_000
QUICK_SEEDS = 997_000
GRID_HZ = 3200.0
RATE_HZ = 400.0
MOUNTS: tuple[Mount, ...] = ("wrist", "club")
"""The forearm has the soft tissue, the club the high rates."""
ACC_RANGE_G = {"wrist": 32.0, "club": 64.0}
"""Wide enough for a ball, so that a stop is a perturbation of its own."""
TURF = 3.0
"""A divot over a mat that is brushed, which gives 0.08-0.35 of a ball's amplitude (assumed)."""
HELD = ("takeaway", "top", "impact", "backswing", "downswing", "turn", "peak rate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Felt:
    """What the place of the sensor goes through in one recording, on the fine grid.

    Attributes
    ----------
    omega_rad_s, force_m_s2 : Floats
        (n, 3), in the segment's frame.
    truth : SwingTruth
        In seconds from the first grid point.
    case : Case
        What was simulated; its seed is also that of what a perturbation draws.
    """

    omega_rad_s: Floats
    force_m_s2: Floats
    truth: SwingTruth
    case: Case

    @property
    def time_s(self) -> Floats:
        """(n,) of the grid."""
        return np.arange(len(self.omega_rad_s)) / GRID_HZ

    def rng(self) -> np.random.Generator:
        """Draws of a perturbation, the same for every one."""
        return np.random.default_rng([self.case.seed, 7])


class _Tap:
    """In a chip's place: keeps what it is fed with."""

    def __init__(self) -> None:
        self.omega: list[Floats] = []
        self.force: list[Floats] = []

    def feed(self, omega: Floats, force: Floats) -> NDArray[np.int16]:
        self.omega.append(omega)
        self.force.append(force)
        return np.empty((0, 6), dtype=np.int16)


def felt(case: Case, body: BodyParams | None = None) -> Felt:
    """Simulate one swing up to the chip: rest, swing, rest, with sway and tremor.

    Parameters
    ----------
    case : Case
    body : BodyParams, optional
        Another unrest than that of the other benchmarks.
    """
    swing_rng, body_rng = np.random.default_rng(case.seed).spawn(2)
    action = random_swing(
        swing_rng,
        model=case.model,
        mount=case.mount,
        kind=case.kind,
        strike=case.strike,
        grid_hz=GRID_HZ,
    )
    tap = _Tap()
    film = Film(
        tap,  # type: ignore[arg-type]
        Body(body or BodyParams(), mount=case.mount, grid_hz=GRID_HZ, rng=body_rng),
        grid_hz=GRID_HZ,
        quat_wxyz=action.quat_wxyz[0],
        pos_m=action.pos_m[0],
    )
    film.rest(3.0)
    film.play(action)
    film.rest(2.0)
    return Felt(
        omega_rad_s=np.concatenate(tap.omega),
        force_m_s2=np.concatenate(tap.force),
        truth=film.swings[0],
        case=case,
    )


# --- on the motion -------------------------------------------------------------------------------


def soft_tissue(one: Felt, *, resonance_hz: float, damping: float = 0.3) -> Felt:
    """A sensor that sits on a spring and a damper, as a strap on skin and muscle.

    It follows its base as a mass on a spring does: (2 d w s + w^2) / (s^2 + 2 d w s + w^2), the
    transmissibility of base excitation (any textbook of vibration). Skin-mounted sensors
    resonate at 10-30 Hz, tightly strapped ones higher, with a damping of 0.2-0.5 (from memory).
    """
    w = 2.0 * np.pi * resonance_hz
    b, a = bilinear([2.0 * damping * w, w**2], [1.0, 2.0 * damping * w, w**2], fs=GRID_HZ)
    start = lfilter_zi(b, a)

    def through(values: Floats) -> Floats:
        out, _ = lfilter(b, a, values, axis=0, zi=start[:, None] * values[0])
        return np.asarray(out)

    return replace(one, omega_rad_s=through(one.omega_rad_s), force_m_s2=through(one.force_m_s2))


def slip(
    one: Felt, *, angle_deg: float, when: Literal["back", "top", "ball"], lasts_s: float = 0.08
) -> Felt:
    """A strap that turns about the segment's long axis, once, and stays there.

    A band has least hold about the long axis; it gives where the pull is great or changes: in the
    middle of the backswing, at the top, or so that it is over 20 ms before the ball. Sizes of a
    loose strap: assumed.
    """
    truth = one.truth
    end_s = truth.top_s if truth.impact_s is None else truth.impact_s
    start_s = {
        "back": 0.5 * (truth.takeaway_s + truth.top_s),
        "top": truth.top_s - 0.5 * lasts_s,
        "ball": end_s - 0.02 - lasts_s,
    }[when]
    share = np.clip((one.time_s - start_s) / lasts_s, 0.0, 1.0)
    angle = np.radians(angle_deg)
    back = quat_conjugate(quat_about((1.0, 0.0, 0.0), angle * minimum_jerk(share)))
    omega = quat_rotate(back, one.omega_rad_s)
    omega[:, 0] += angle * minimum_jerk_rate(share) / lasts_s
    return replace(one, omega_rad_s=omega, force_m_s2=quat_rotate(back, one.force_m_s2))


def g_sensitive(one: Felt, *, dps_per_g: float) -> Felt:
    """A gyroscope that reads acceleration: each axis by what its own accelerometer reads.

    Data sheets of small chips: 0.1 deg/s/g typical, up to 0.5 (from memory). At address it is
    part of the zero, and what gravity turns into is an error.
    """
    more = np.radians(dps_per_g) * one.force_m_s2 / G_N_M_S2
    return replace(one, omega_rad_s=one.omega_rad_s + more)


def drifting_zero(one: Felt, *, dps_per_s: float) -> Felt:
    """A gyroscope whose zero drifts along a line, in a direction of its own.

    A chip that warms up by a kelvin in a minute drifts 0.001 deg/s each second; the sizes here are
    of one that goes from a pocket into the cold, or is worn out (assumed).
    """
    direction = one.rng().standard_normal(3)
    direction /= np.linalg.norm(direction)
    more = np.radians(dps_per_s) * one.time_s[:, None] * direction
    return replace(one, omega_rad_s=one.omega_rad_s + more)


def _with_blow(one: Felt, blow: Blow, at_s: float) -> Felt:
    """Add the ringing of a blow from an instant on."""
    n = len(one.omega_rad_s)
    index = int(np.clip(round(at_s * GRID_HZ), 8, n - 9))
    still = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    shock = make_shock(
        blow, index=index, quat_wxyz=still, pos_m=np.zeros((n, 3)), rate_hz=GRID_HZ, left=False
    )
    rate_dps, acc = shock_signal(shock, rate_hz=GRID_HZ, n=n)
    return replace(
        one,
        omega_rad_s=one.omega_rad_s + np.radians(rate_dps),
        force_m_s2=one.force_m_s2 + acc,
    )


def turf(one: Felt, *, before_s: float) -> Felt:
    """The ground is hit before the ball, as a fat shot does; what has no ball stays as it is.

    6 cm behind the ball at 30 m/s are 2 ms, 10 cm at 20 m/s are 5 ms (arithmetic).
    """
    impact_s = one.truth.impact_s
    if impact_s is None or not one.truth.strike:
        return one
    blow = draw_blow(one.rng(), kind="mat", mount=one.case.mount, strength=TURF)
    return _with_blow(one, blow, impact_s - before_s)


def knock(one: Felt, *, before_s: float, share: float = 0.1) -> Felt:
    """A knock that isn't the player's: a neighbour's ball, a dropped bucket, felt by the ground.

    A ball's ringing at a share of its size (assumed), so long before the impact.
    """
    blow = draw_blow(one.rng(), kind="ball", mount=one.case.mount, strength=share)
    impact_s = one.truth.impact_s
    return one if impact_s is None else _with_blow(one, blow, impact_s - before_s)


# --- on the samples ------------------------------------------------------------------------------


def slow_recovery(
    values: Floats, *, limit: float, rate_hz: float, tau_s: float, share: float = 0.3
) -> Floats:
    """A channel that was at its stop comes back late: what is left of the stop dies away.

    Amplifiers that saturate need time to settle; some ms to tens of ms (from memory). An
    exponential tail of `share` of the limit is added after each stay at the stop, held at the
    limit.

    Parameters
    ----------
    values : Floats
        (n, 3), units of `limit`.
    """
    at_stop = np.abs(values) >= 0.999 * limit
    number = np.arange(len(values))[:, None]
    last = np.maximum.accumulate(np.where(at_stop, number, -1), axis=0)
    ago_s = (number - last) / rate_hz
    side = np.sign(np.take_along_axis(values, np.maximum(last, 0), axis=0))
    left = np.where(last < 0, 0.0, share * limit * side * np.exp(-ago_s / tau_s))
    return np.asarray(np.where(at_stop, values, np.clip(values + left, -limit, limit)))


# --- the list ------------------------------------------------------------------------------------


def _same(one: Felt) -> Felt:
    return one


@dataclass(frozen=True, slots=True, kw_only=True)
class Stress:
    """One perturbation at one size.

    Attributes
    ----------
    name, size : str
    motion : callable
        On what is felt.
    body : BodyParams or None
        Another unrest of the player.
    chip : dict
        Fields of `ChipParams`.
    clip : bool
        Both sensors stop early: 0.8 of the peak, 8 g.
    recovery_s : float or None
        Of `slow_recovery`, for both.
    told : bool
        The finder knows the filters' delays.
    """

    name: str
    size: str
    motion: Callable[[Felt], Felt] = _same
    body: BodyParams | None = None
    chip: dict[str, Any] = field(default_factory=dict)
    clip: bool = False
    recovery_s: float | None = None
    told: bool = True


def _never_still(dps: float) -> BodyParams:
    """Unrest at address: slow turning to and fro at 0.5-3 Hz, until the takeaway.

    Public captures show 2-6 deg/s (means over 0.17 s) at a skilled player's address, up to 35 in
    the last second; the band is assumed.
    """
    return BodyParams(tremor_hz=(0.5, 3.0), tremor_rms_dps=(dps, dps, dps, dps))


def _filters(cutoff_hz: float) -> dict[str, Any]:
    return {"gyr_bandwidth_hz": cutoff_hz, "acc_bandwidth_hz": cutoff_hz}


STRESSES: tuple[Stress, ...] = (
    Stress(name="none", size=""),
    *(
        Stress(
            name="soft tissue",
            size=f"{hz:g} Hz",
            motion=lambda one, hz=hz: soft_tissue(one, resonance_hz=hz),
        )
        for hz in (25.0, 15.0, 10.0)
    ),
    *(
        Stress(
            name="slip",
            size=f"{deg:g} deg, {words}",
            motion=lambda one, deg=deg, when=when: slip(one, angle_deg=deg, when=when),
        )
        for deg, when, words in (
            (5.0, "back", "backswing"),
            (5.0, "top", "top"),
            (8.0, "ball", "before the ball"),
        )
    ),
    *(
        Stress(name="never still", size=f"{dps:g} deg/s", body=_never_still(dps))
        for dps in (3.0, 8.0)
    ),
    *(
        Stress(
            name="g-sensitivity",
            size=f"{size:g} deg/s/g",
            motion=lambda one, size=size: g_sensitive(one, dps_per_g=size),
        )
        for size in (0.1, 0.5)
    ),
    *(
        Stress(
            name="drifting zero",
            size=f"{size:g} deg/s each s",
            motion=lambda one, size=size: drifting_zero(one, dps_per_s=size),
        )
        for size in (0.05, 0.3)
    ),
    Stress(
        name="scale",
        size="3 %, cross-axis 2 %",
        # MPU-6050 data sheet: sensitivity +-3 %, cross-axis +-2 %
        chip={"scale_error": True, "gyr_scale_sd": 0.03, "cross_axis_sd": 0.02},
    ),
    *(
        Stress(
            name="turf before the ball",
            size=f"{ms:g} ms",
            motion=lambda one, ms=ms: turf(one, before_s=1e-3 * ms),
        )
        for ms in (2.0, 5.0)
    ),
    *(
        Stress(
            name="a neighbour's knock",
            size=words,
            motion=lambda one, s=s: knock(one, before_s=s),
        )
        for s, words in ((2.0, "at address"), (0.3, "at the top"), (0.06, "60 ms before the ball"))
    ),
    Stress(name="stops early", size="0.8 of the peak, 8 g", clip=True),
    *(
        Stress(name="... and recovers late", size=f"{ms:g} ms", clip=True, recovery_s=1e-3 * ms)
        for ms in (5.0, 20.0)
    ),
    *(
        Stress(name="low-pass", size=f"{hz:g} Hz", chip=_filters(hz))
        for hz in (250.0, 92.0, 42.0, 20.0)
    ),
    *(
        Stress(name="rate", size=f"{hz:g} Hz", chip={"nominal_rate_hz": hz})
        for hz in (50.0, 100.0, 200.0, 800.0, 1600.0)
    ),
    *(
        Stress(name="delay not told", size=f"{hz:g} Hz", chip={"nominal_rate_hz": hz}, told=False)
        for hz in (400.0, 200.0, 100.0)
    ),
    *(
        Stress(
            name="low-pass of the gyroscope, delay not told",
            size=f"{hz:g} Hz",
            chip={"gyr_bandwidth_hz": hz},
            told=False,
        )
        for hz in (250.0, 92.0, 42.0, 20.0)
    ),
)


def sensed(one: Felt, stress: Stress) -> SimulatedSwing:
    """Samples of a chip that feels it, perturbed."""
    case = one.case
    unit_rng, noise_rng = np.random.default_rng([case.seed, 8]).spawn(2)
    peak = one.truth.peak_rate_dps or one.truth.backswing_peak_dps
    fits = [r for r in GYR_RANGES_DPS if r > 1.15 * peak] or [GYR_RANGES_DPS[-1]]
    params = ChipParams(
        **{
            "nominal_rate_hz": RATE_HZ,
            "gyr_range_dps": max(500.0, 0.8 * peak) if stress.clip else fits[0],
            "acc_range_g": 8.0 if stress.clip else ACC_RANGE_G[case.mount],
            "scale_error": False,
            **stress.chip,
        }
    )
    chip = Chip(params, grid_hz=GRID_HZ, unit=draw_unit(params, unit_rng), rng=noise_rng)
    shaken = stress.motion(one)
    counts = chip.feed(shaken.omega_rad_s, shaken.force_m_s2).astype(float)
    acc = counts[:, :3] * params.acc_m_s2_per_count
    gyr = counts[:, 3:] * params.gyr_dps_per_count
    if stress.recovery_s is not None:
        rest = {"rate_hz": params.nominal_rate_hz, "tau_s": stress.recovery_s}
        acc = slow_recovery(acc, limit=params.acc_range_g * G_N_M_S2, **rest)
        gyr = slow_recovery(gyr, limit=params.gyr_range_dps, **rest)
    delays = [low_pass_delay_s(hz, GRID_HZ) for hz in (params.gyr_cutoff_hz, params.acc_cutoff_hz)]
    if not stress.told:
        # As for any recording that doesn't say it.
        delays = [UNKNOWN_DELAY_MS / 1e3, 0.0]
    return SimulatedSwing(
        seq=np.arange(len(counts), dtype=np.int64),
        acc_m_s2=acc,
        gyr_dps=gyr,
        packets=np.empty(0),
        nominal_rate_hz=params.nominal_rate_hz,
        true_rate_hz=params.true_rate_hz,
        gyr_range_dps=params.gyr_range_dps,
        acc_range_g=params.acc_range_g,
        gyr_delay_s=delays[0],
        acc_delay_s=delays[1],
        truth=(one.truth,),
        mount=case.mount,
        handedness="right",
        model=case.model,
    )


# --- run -----------------------------------------------------------------------------------------


def cases(*, quick: bool = False, shift: int = 0) -> Iterator[Case]:
    """Wrist and club, both models, strikes and rehearsals, full and part."""
    seed = (QUICK_SEEDS if quick else SEEDS) + shift
    kinds = (("full", True), ("part", True), ("full", False))
    times = 1 if quick else 5
    for mount, model, (kind, strike), _ in itertools.product(MOUNTS, MODELS, kinds, range(times)):
        seed += 1
        yield Case(
            seed=seed,
            hard=None,
            model=model,
            mount=mount,
            kind=kind,  # type: ignore[arg-type]
            strike=strike,
        )


def score_one(one: Felt, stress: Stress) -> dict[str, list[dict[str, Any]]]:
    """Rows of one swing: found, errors, and intervals."""
    swing = sensed(one, stress)
    try:
        found_here = our_swings(swing)
        unknown_s = 0.0 if stress.told else UNKNOWN_DELAY_U_MS / 1e3
        intervals = rows_of(one.case, swing, unknown_s)
    except Exception as error:
        # Not even a perturbed swing may stop the finder: it is counted, and shown.
        said = f"{type(error).__name__}: {error}"
        told = {"seed": one.case.seed, "stress": f"{stress.name} {stress.size}", "said": said}
        return {"found": [], "missed": [{}], "invented": [], "intervals": [], "fell": [told]}
    pairs, missed, invented = match(found_here, [one.truth])
    return {
        "found": [
            score(found, truth, mount=one.case.mount, clipped=False) for found, truth in pairs
        ],
        "missed": [{}] * len(missed),
        "invented": [{}] * len(invented),
        "intervals": intervals,
        "fell": [],
    }


def sum_up(rows: Sequence[dict[str, list[dict[str, Any]]]]) -> dict[str, Any]:
    """Sum up a perturbation over all swings."""
    found = [row for one in rows for row in one["found"]]
    intervals = [row for one in rows for row in one["intervals"]]
    named = np.array([row["right"] for row in found if "right" in row])
    out: dict[str, Any] = {
        "swings": len(rows),
        "found": len(found),
        "invented": sum(len(one["invented"]) for one in rows),
        "named_right": int(np.nansum(named)),
        "unclear": int(np.isnan(named).sum()),
        "fell": [told for one in rows for told in one["fell"]],
    }
    for name in ("takeaway_ms", "top_ms", "impact_ms", "turn_deg", "peak_percent"):
        sizes = np.abs([row[name] for row in found if not np.isnan(row.get(name, np.nan))])
        out[name] = float(np.median(sizes)) if len(sizes) else None
    out["held"] = {
        name: None if (s := summary(intervals, name)) is None else s["percent"] for name in HELD
    }
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Run every swing through every perturbation.

    Parameters
    ----------
    quick : bool
        A fifth of the swings.
    shift : int
        Added to the seeds, while developing.
    """
    rows: list[list[dict[str, list[dict[str, Any]]]]] = [[] for _ in STRESSES]
    for case in cases(quick=quick, shift=shift):
        usual = felt(case)
        for mine, stress in zip(rows, STRESSES, strict=True):
            one = usual if stress.body is None else felt(case, stress.body)
            mine.append(score_one(one, stress))
    return {
        "rate_hz": RATE_HZ,
        "lines": [
            {"name": stress.name, "size": stress.size, **sum_up(mine)}
            for stress, mine in zip(STRESSES, rows, strict=True)
        ],
    }


def _shown(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}g}" if value < 99.5 else f"{value:.0f}"


def tables(result: dict[str, Any]) -> str:
    """Markdown: what was found and its errors, and what the intervals still hold."""
    errors, held = [], []
    for line in result["lines"]:
        head = f"{line['name']} {line['size']}".strip()
        errors.append(
            [
                head,
                f"{line['found']} of {line['swings']}",
                str(line["invented"]),
                f"{line['named_right']} of {line['found']}",
                str(line["unclear"]),
                str(len(line["fell"])),
                *(
                    _shown(line[name])
                    for name in ("takeaway_ms", "top_ms", "impact_ms", "turn_deg", "peak_percent")
                ),
            ]
        )
        held.append([head, *(_shown(line["held"][name], 3) for name in HELD)])
    return "\n\n".join(
        [
            f"### Stress: wrist and club, {result['rate_hz']:g} Hz where nothing else is said "
            "(no target)",
            table(
                ["", "found", "invented", "named rightly", "unclear", "fell over"]
                + [f"{x}, median error" for x in ("takeaway ms", "top ms", "impact ms (strikes)")]
                + ["turn deg", "peak %"],
                errors,
            ),
            "### Stress: 95 % intervals that hold the truth, %",
            table(["", *HELD], held),
        ]
    )
