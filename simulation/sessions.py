"""Simulated recordings with exact truth: one swing in memory, or a whole session in a folder."""

from __future__ import annotations

import math
import os
import uuid
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sensor.recording.layout import AXES, COUNTS_DTYPE
from sensor.recording.session import Session
from simulation.chip import (
    Chip,
    ChipParams,
    LinkParams,
    deliver,
    draw_unit,
    low_pass_delay_s,
    samples_a_packet,
)
from simulation.film import Film, Stretch
from simulation.folder import write_with_truth
from simulation.motion.action import MOUNTS, Action, Handedness, Kind, Model, Mount, SwingTruth
from simulation.motion.activities import LYING_KINDS, activity_kinds, random_activity
from simulation.motion.body import Body, BodyParams
from simulation.motion.draw import random_swing
from simulation.motion.habit import Habit, Player

Floats = NDArray[np.float64]

GYR_RANGES_DPS: Final = (500.0, 1000.0, 2000.0, 4000.0)
_GRID_HZ: Final = 3200.0


def grid_rate_hz(rate_hz: float) -> float:
    """Rate of the fine grid: the multiple of the sensor's rate that is nearest to 3200 Hz."""
    return rate_hz * max(4, round(_GRID_HZ / rate_hz))


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSwing:
    """A short recording of one movement, as a sensor would have given it.

    Attributes
    ----------
    seq
        (n,) sample numbers; a step over 1 is a loss.
    acc_m_s2, gyr_dps
        (n, 3): the counts in units. The chip's delays are in them.
    packets
        As in a recording, for the time base.
    nominal_rate_hz, true_rate_hz
        What the sensor says, and samples a true second. Sample `seq` is at seq / true rate.
    gyr_range_dps, acc_range_g, gyr_delay_s, acc_delay_s
        As the sensor reports them.
    truth
        Swings of the movement, in true seconds from sample 0.
    mount, handedness, model
        What was simulated.
    """

    seq: NDArray[np.int64]
    acc_m_s2: Floats
    gyr_dps: Floats
    packets: NDArray[np.void]
    nominal_rate_hz: float
    true_rate_hz: float
    gyr_range_dps: float
    acc_range_g: float
    gyr_delay_s: float
    acc_delay_s: float
    truth: tuple[SwingTruth, ...]
    mount: Mount
    handedness: Handedness
    model: Model

    def seq_of(self, time_s: float) -> float:
        """Place among the samples, with fraction, of a true time."""
        return time_s * self.true_rate_hz


def simulate_swing(
    seed: int | np.random.Generator,
    *,
    mount: Mount = "wrist",
    model: Model = "pendulum",
    kind: Kind = "full",
    strike: bool | None = None,
    handedness: Handedness = "right",
    rate_hz: float = 200.0,
    rate_error: float = 0.0,
    loss: float = 0.0,
    packet_samples: int | None = None,
    tremor_factor: float = 1.0,
    sway_factor: float = 1.0,
    gyr_range_dps: float | None = None,
    acc_range_g: float = 16.0,
    clip_gyr: bool = False,
    scale_error: bool = False,
    mount_quat_wxyz: tuple[float, float, float, float] | None = None,
    action: Action | None = None,
) -> SimulatedSwing:
    """Simulate one swing: 2-4 s at address, the swing, about 2 s after it.

    Parameters
    ----------
    seed
        Seed or generator; the same seed and options give the same recording, bit for bit.
    mount, model, kind, strike, handedness
        As in `random_swing`.
    rate_hz, rate_error
        Nominal rate, and true rate over nominal rate minus 1.
    loss, packet_samples
        Share of packets lost, and samples a packet (None: 4, 8 or 16, by rate).
    tremor_factor
        3 for the hard cases.
    sway_factor
        More than 1: a person who is never still.
    gyr_range_dps
        None: the smallest range sold that the swing fits into, with some room.
    acc_range_g
        Range of the accelerometer; 8 is exceeded in most full swings.
    clip_gyr
        True: a range of 0.8 of the swing's peak (500 deg/s at least), whatever `gyr_range_dps`
        says. Whether and for how long an axis is clipped depends on the mounting attitude.
    scale_error
        Scale and cross-axis errors of the chip on or off.
    mount_quat_wxyz
        Attitude of the chip in its mount; None: any.
    action
        A movement of your own, instead of a drawn swing; everything is then computed on its grid,
        which should be four times as fine as the sensor's rate or finer.

    Returns
    -------
    SimulatedSwing
    """
    rng = np.random.default_rng(seed)
    swing_rng, body_rng, chip_rng, link_rng, noise_rng = rng.spawn(5)
    grid_hz = grid_rate_hz(rate_hz) if action is None else action.rate_hz
    if action is None:
        action = random_swing(
            swing_rng,
            model=model,
            mount=mount,
            kind=kind,
            strike=strike,
            handedness=handedness,
            grid_hz=grid_hz,
        )
    peak = max((t.peak_rate_dps or t.backswing_peak_dps for t in action.swings), default=0.0)
    if clip_gyr:
        gyr_range_dps = max(GYR_RANGES_DPS[0], 0.8 * float(peak))
    elif gyr_range_dps is None:
        over = [r for r in GYR_RANGES_DPS if r > 1.15 * peak]
        gyr_range_dps = over[0] if over else GYR_RANGES_DPS[-1]
    params = ChipParams(
        nominal_rate_hz=rate_hz,
        rate_error=rate_error,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        scale_error=scale_error,
        mount_quat_wxyz=mount_quat_wxyz,
    )
    chip = Chip(params, grid_hz=grid_hz, unit=draw_unit(params, chip_rng), rng=noise_rng)
    unrest = BodyParams(tremor_factor=tremor_factor, sway_factor=sway_factor)
    body = Body(unrest, mount=mount, grid_hz=grid_hz, rng=body_rng)
    film = Film(chip, body, grid_hz=grid_hz, quat_wxyz=action.quat_wxyz[0], pos_m=action.pos_m[0])
    film.rest(float(swing_rng.uniform(2.0, 4.0)))
    film.play(action)
    film.rest(float(swing_rng.uniform(1.6, 2.4)))
    counts = film.counts()
    link = LinkParams(
        packet_samples=packet_samples or samples_a_packet(rate_hz), loss=loss, stalls_per_minute=0.0
    )
    delivery = deliver(len(counts), true_rate_hz=params.true_rate_hz, params=link, rng=link_rng)
    kept = counts[delivery.kept]
    return SimulatedSwing(
        seq=np.flatnonzero(delivery.kept).astype(np.int64),
        acc_m_s2=kept[:, :3].astype(np.float64) * params.acc_m_s2_per_count,
        gyr_dps=kept[:, 3:].astype(np.float64) * params.gyr_dps_per_count,
        packets=delivery.packets,
        nominal_rate_hz=rate_hz,
        true_rate_hz=params.true_rate_hz,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        gyr_delay_s=low_pass_delay_s(params.gyr_cutoff_hz, grid_hz),
        acc_delay_s=low_pass_delay_s(params.acc_cutoff_hz, grid_hz),
        truth=tuple(film.swings),
        mount=mount,
        handedness=handedness,
        model=model,
    )


# --- whole sessions ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerSpec:
    """A player in a session.

    Attributes
    ----------
    name, handedness, club
        As in a segment marker.
    habit
        What a ball changes, and how much swings scatter.
    model
        Motion model; None: the session's.
    """

    name: str = "Ida"
    handedness: Handedness = "right"
    club: str = "7 iron"
    habit: Habit = field(default_factory=Habit)
    model: Model | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSpec:
    """What is to happen in a session. Frequencies and waits are assumed, for variety."""

    mount: Mount = "wrist"
    players: tuple[PlayerSpec, ...] = (PlayerSpec(),)
    """More than one: they take turns with the sensor."""

    model: Model | None = None
    """None: the players get the two models in turn, which first by the seed."""

    minutes: float | None = 3.0
    """Goes on for so long (and until what was begun is over) ..."""

    swings: int | None = None
    """... or until there are so many swings, if given. 0 with `minutes`: only other things."""

    rate_hz: float = 200.0
    rate_error: float | None = None
    """True rate over nominal rate minus 1; None: drawn, sd 1.2 %, within 3 %."""

    gyr_range_dps: float = 2000.0
    acc_range_g: float = 16.0
    scale_error: bool = True
    tremor_factor: float = 1.0
    loss: float = 0.001
    """Share of packets lost."""

    packet_samples: int | None = None
    """None: 4, 8 or 16, by rate."""

    activity: float = 0.7
    """How much else happens between swings: 0 nothing, 1 takes more time than the swings."""

    varied: bool = True
    """Also slow, part, continuous, brushed, given-up and short swings, not only full ones."""

    balls: bool = True  # False: nobody has a ball, and all are practice swings
    rehearsals_per_ball: float = 1.3
    balls_a_turn: tuple[int, int] = (3, 6)
    """When the sensor is shared: balls before it is handed on."""

    grid_hz: float | None = None
    """Rate of the fine grid, a multiple of the sensor's; None: about 3200 Hz. A coarser one is
    quicker, and blurs shocks."""

    start: str = "2026-01-15T18:30:00+01:00"
    """Begin of the session; fixed, so that a seed gives the same files."""

    def made_hard(self) -> SessionSpec:
        """The same under hard conditions: losses, rate error, tremor, ranges that clip."""
        return replace(
            self,
            loss=0.03,
            packet_samples=self.packet_samples or (4 if self.rate_hz <= 400.0 else None),
            rate_error=0.02,
            tremor_factor=3.0,
            gyr_range_dps=500.0 if self.mount == "trunk" else 1000.0,
            acc_range_g=8.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSwing:
    """A swing of a session: its truth, in true seconds from sample 0, and whose it is."""

    truth: SwingTruth
    player: str
    handedness: Handedness
    club: str

    def to_dict(self, true_rate_hz: float) -> dict[str, Any]:
        """Everything by name, and the events also as places among the samples (`_seq`)."""
        out: dict[str, Any] = {
            "player": self.player,
            "handedness": self.handedness,
            "club": self.club,
            **asdict(self.truth),
        }
        for event in ("takeaway", "top", "impact", "finish"):
            time_s = out[f"{event}_s"]
            out[f"{event}_seq"] = None if time_s is None else time_s * true_rate_hz
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedSession:
    """A session in memory, as a recording holds it, and the truth.

    Attributes
    ----------
    session
        What `session.json` says.
    samples, packets
        `COUNTS_DTYPE` and `PACKET_DTYPE`.
    markers
        One for each line of `markers.jsonl`.
    truth
        The swings, in order.
    stretches
        Every movement that was played, by name.
    true_rate_hz
        Samples a true second: sample `seq` is at seq / true rate.
    seed
        What it was made from.
    """

    session: Session
    samples: NDArray[np.void]
    packets: NDArray[np.void]
    markers: tuple[dict[str, Any], ...]
    truth: tuple[TrueSwing, ...]
    stretches: tuple[Stretch, ...]
    true_rate_hz: float
    seed: int

    def truth_document(self) -> dict[str, Any]:
        """What `truth.json` says."""
        return {
            "format": 1,
            "simulated": True,
            "seed": self.seed,
            "nominal_rate_hz": self.session.nominal_rate_hz,
            "true_rate_hz": self.true_rate_hz,
            "swings": [swing.to_dict(self.true_rate_hz) for swing in self.truth],
            "stretches": [asdict(stretch) for stretch in self.stretches],
        }

    def write(self, folder: str | os.PathLike[str], *, overwrite: bool = False) -> None:
        """Write a recording's folder with `truth.json` in it, whole or not at all.

        Raises
        ------
        RecordingExistsError
            There is something already, and it may not be replaced.
        RecordingError
            The operating system refused, for instance because the disk is full.
        """
        write_with_truth(
            folder,
            self.session,
            samples=self.samples,
            packets=self.packets,
            markers=self.markers,
            truth=self.truth_document(),
            overwrite=overwrite,
        )


_REHEARSALS: Final[tuple[tuple[Kind, float], ...]] = (
    ("full", 0.62),
    ("part", 0.10),
    ("slow", 0.07),
    ("continuous", 0.07),
    ("brushed", 0.06),
    ("aborted", 0.05),
    ("short", 0.03),
)
_STRIKES: Final[tuple[tuple[Kind, float], ...]] = (("full", 0.85), ("part", 0.11), ("short", 0.04))
_BEFORE_BALL: Final = ("tee_up", "rake")
_AFTER_BALL: Final = ("stand", "aim", "twirl", "walk_with_club", "lean_on_club", "wipe_club")
_BEFORE_SWING: Final = ("waggle", "stand", "aim", "twirl")


def simulate_session(
    spec: SessionSpec, *, seed: int, progress: Callable[[float], None] | None = None
) -> SimulatedSession:
    """Simulate a whole session.

    Parameters
    ----------
    spec
        What is to happen.
    seed
        The same seed and spec give the same session, bit for bit.
    progress
        Called now and then with the share that is done, 0-1.

    Returns
    -------
    SimulatedSession

    Raises
    ------
    ValueError
        If the spec has neither minutes nor swings, no players, or an impossible rate.
    """
    return _Director(spec, seed, progress).session()


class _Director:
    """Decides what happens next, and has it played."""

    def __init__(
        self, spec: SessionSpec, seed: int, progress: Callable[[float], None] | None
    ) -> None:
        if spec.minutes is None and not spec.swings:
            raise ValueError("give minutes or a number of swings")
        if spec.minutes is not None and not 0.0 < spec.minutes < math.inf:
            raise ValueError("minutes must be more than 0")
        if spec.swings is not None and spec.swings < 0:
            raise ValueError("swings can't be fewer than 0")
        if spec.mount not in MOUNTS:
            raise ValueError(f"mount must be one of {', '.join(MOUNTS)}")
        if not spec.players:
            raise ValueError("give at least one player")
        if not 50.0 <= spec.rate_hz <= 1000.0:
            raise ValueError("rate_hz must be 50-1000 Hz")
        self._spec = spec
        self._seed = seed
        self._progress = progress
        self._grid_hz = spec.grid_hz or grid_rate_hz(spec.rate_hz)
        plan, swing, body, chip, link, noise = np.random.default_rng(seed).spawn(6)
        self._rng = plan
        self._swing_rng = swing
        self._link_rng = link
        error = spec.rate_error
        if error is None:
            error = 0.012 * float(np.clip(chip.standard_normal(), -2.5, 2.5))
        self._chip_params = ChipParams(
            nominal_rate_hz=spec.rate_hz,
            rate_error=error,
            gyr_range_dps=spec.gyr_range_dps,
            acc_range_g=spec.acc_range_g,
            scale_error=spec.scale_error,
        )
        self._players = [
            Player(
                swing,
                model=one.model or spec.model or ("pendulum", "chain")[(k + seed) % 2],
                mount=spec.mount,
                handedness=one.handedness,
                habit=one.habit,
            )
            for k, one in enumerate(spec.players)
        ]
        first = random_activity(
            plan,
            mount=spec.mount,
            grid_hz=self._grid_hz,
            kind="stand",
            handedness=spec.players[0].handedness,
        )
        self._film = Film(
            Chip(
                self._chip_params,
                grid_hz=self._grid_hz,
                unit=draw_unit(self._chip_params, chip),
                rng=noise,
            ),
            Body(
                BodyParams(tremor_factor=spec.tremor_factor),
                mount=spec.mount,
                grid_hz=self._grid_hz,
                rng=body,
            ),
            grid_hz=self._grid_hz,
            quat_wxyz=first.quat_wxyz[0],
            pos_m=first.pos_m[0],
        )
        self._film.play(first)
        self._at = 0
        self._markers: list[dict[str, Any]] = []
        self._truth: list[TrueSwing] = []
        self._counted = 0

    def session(self) -> SimulatedSession:
        """Play it all."""
        spec = self._spec
        if spec.swings == 0:
            self._mark_segment(0)
            while not self._over():
                self._do(None)
        else:
            while not self._over():
                self._turn()
        self._film.rest(1.5)
        counts = self._film.counts()
        rate = self._chip_params.true_rate_hz
        delivery = deliver(
            len(counts),
            true_rate_hz=rate,
            params=LinkParams(
                packet_samples=spec.packet_samples or samples_a_packet(spec.rate_hz),
                loss=spec.loss,
            ),
            rng=self._link_rng,
        )
        seq = np.flatnonzero(delivery.kept)
        samples = np.zeros(len(seq), dtype=COUNTS_DTYPE)
        samples["seq"] = seq
        for column, axis in enumerate(AXES):
            samples[axis] = counts[seq, column]
        return SimulatedSession(
            session=self._facts(),
            samples=samples,
            packets=delivery.packets,
            markers=tuple(self._markers),
            truth=tuple(self._truth),
            stretches=tuple(self._film.stretches),
            true_rate_hz=rate,
            seed=self._seed,
        )

    def _facts(self) -> Session:
        """What the recording says of itself."""
        params, spec, one = self._chip_params, self._spec, self._spec.players[0]
        own = np.random.default_rng([self._seed, 1])
        return Session(
            id=str(uuid.UUID(bytes=own.bytes(16), version=4)),
            start=spec.start,
            sensor={
                "name": "simulated sensor",
                "model": "simulated",
                "firmware": "1",
                "battery_percent": int(own.integers(35, 100)),
                "simulated": True,
            },
            mount=spec.mount,
            nominal_rate_hz=spec.rate_hz,
            gyr_range_dps=params.gyr_range_dps,
            acc_range_g=params.acc_range_g,
            gyr_dps_per_count=params.gyr_dps_per_count,
            acc_m_s2_per_count=params.acc_m_s2_per_count,
            gyr_delay_ms=1000.0 * low_pass_delay_s(params.gyr_cutoff_hz, self._grid_hz),
            acc_delay_ms=1000.0 * low_pass_delay_s(params.acc_cutoff_hz, self._grid_hz),
            handedness=one.handedness,
            player=one.name,
            club=one.club,
        )

    def _over(self) -> bool:
        """Whether it is time to go home."""
        spec = self._spec
        if spec.swings:
            done = self._counted / spec.swings
        else:
            done = self._film.now_s / (60.0 * (spec.minutes or 1.0))
        if self._progress is not None:
            self._progress(min(1.0, done))
        return done >= 1.0

    def _chance(self, probability: float) -> bool:
        return bool(self._rng.uniform() < probability)

    def _pick(self, weights: tuple[tuple[Kind, float], ...]) -> Kind:
        if not self._spec.varied:
            return "full"
        shares = np.array([share for _, share in weights])
        return weights[int(self._rng.choice(len(weights), p=shares / shares.sum()))][0]

    def _mark_segment(self, seq: int) -> None:
        """From here on it is the player at hand."""
        one = self._spec.players[self._at]
        self._markers.append(
            {
                "kind": "segment",
                "seq": seq,
                "player": one.name,
                "handedness": one.handedness,
                "club": one.club,
                "intent": None if self._spec.varied else "full",
                "ball": None,
                "block": None,
            }
        )

    def _turn(self) -> None:
        """One player's turn with the sensor."""
        spec = self._spec
        shared = len(spec.players) > 1
        if self._markers and shared:
            # Taken off by the one, put on by the other.
            self._do("handle")
            self._at = (self._at + 1) % len(spec.players)
        if shared or not self._markers:
            at = math.ceil(self._film.now_s * self._chip_params.true_rate_hz)
            self._mark_segment(at if self._markers else 0)
        low, high = spec.balls_a_turn
        for _ in range(int(self._rng.integers(low, high + 1))):
            self._ball()
            if self._over():
                return

    def _ball(self) -> None:
        """One ball: put it down, rehearse, strike, and what comes after."""
        spec, rng = self._spec, self._rng
        if self._chance(0.7 * spec.activity):
            self._do(_BEFORE_BALL[int(rng.integers(len(_BEFORE_BALL)))])
        for _ in range(min(4, int(rng.poisson(spec.rehearsals_per_ball)))):
            if self._chance(0.2 * spec.activity):
                self._do(_BEFORE_SWING[int(rng.integers(len(_BEFORE_SWING)))])
            self._swing(self._pick(_REHEARSALS), strike=False)
            if self._over():
                return
        self._swing(self._pick(_STRIKES), strike=spec.balls)
        if self._chance(0.5 * spec.activity):
            self._do(_AFTER_BALL[int(rng.integers(len(_AFTER_BALL)))])
        if self._chance(0.25 * spec.activity):
            self._do(None)

    def _swing(self, kind: Kind, *, strike: bool) -> None:
        one = self._spec.players[self._at]
        action = self._players[self._at].swing(
            self._swing_rng, kind=kind, strike=strike, grid_hz=self._grid_hz
        )
        # How long people stand over the ball: from hardly at all to some seconds (assumed).
        wait_s = float(np.clip(self._rng.lognormal(np.log(0.9), 0.7), 0.15, 5.0))
        for truth in self._film.play(action, slowness=self._slowness(), wait_s=wait_s):
            self._truth.append(
                TrueSwing(truth=truth, player=one.name, handedness=one.handedness, club=one.club)
            )
            self._counted += truth.counts_as_swing
        self._film.rest(float(self._rng.uniform(0.1, 1.2)))

    def _do(self, kind: str | None) -> None:
        """Something else."""
        spec = self._spec
        if kind is None:
            kinds = activity_kinds(spec.mount)
            # Nobody takes the sensor off in the middle, unless only other things happen.
            kinds = kinds if spec.swings == 0 else tuple(k for k in kinds if k != "handle")
            kind = kinds[int(self._rng.integers(len(kinds)))]
        action = random_activity(
            self._rng,
            mount=spec.mount,
            grid_hz=self._grid_hz,
            kind=kind,
            handedness=spec.players[self._at].handedness,
        )
        if kind in LYING_KINDS:
            self._film.calm(action.duration_s + 1.0)
        self._film.play(action, slowness=self._slowness())
        if self._chance(0.6):
            self._film.rest(float(self._rng.uniform(0.05, 1.5)))

    def _slowness(self) -> float:
        return float(self._rng.uniform(0.7, 1.5))
