"""One visit of an invented person, simulated: the recording, and what a device says of balls."""

from __future__ import annotations

import csv
import io
import uuid
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np

from sensor.recording.layout import AXES, COUNTS_DTYPE
from sensor.recording.session import Session
from simulation.chip import Chip, ChipParams, LinkParams, deliver, draw_unit, low_pass_delay_s
from simulation.film import Film
from simulation.motion.action import SwingTruth
from simulation.motion.activities import random_activity
from simulation.motion.body import Body, BodyParams
from simulation.motion.habit import Player
from simulation.sessions import SimulatedSession, TrueSwing, grid_rate_hz
from unhurried.app.invented_people import Person

RATE_HZ: Final = 200.0


def make_session(person: Person, number: int) -> SimulatedSession:
    """Simulate a visit: the same person with the same sensor, strapped on anew."""
    grid_hz = grid_rate_hz(RATE_HZ)
    today, swing_rng, body_rng, link_rng, noise_rng = np.random.default_rng(
        [person.seed, number]
    ).spawn(5)
    params = ChipParams(
        nominal_rate_hz=RATE_HZ,
        rate_error=0.008 + 0.0005 * float(today.standard_normal()),
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        scale_error=True,
    )
    # The player and the sensor's own errors are the same in each visit, its attitude isn't.
    sold = draw_unit(params, np.random.default_rng([person.seed, 7]))
    fresh = draw_unit(params, today)
    unit = replace(
        fresh,
        gyr_matrix=sold.gyr_matrix @ sold.mount.T @ fresh.mount,
        acc_matrix=sold.acc_matrix @ sold.mount.T @ fresh.mount,
    )
    first = random_activity(
        today, mount=person.mount, grid_hz=grid_hz, kind="stand", handedness=person.handedness
    )
    film = Film(
        Chip(params, grid_hz=grid_hz, unit=unit, rng=noise_rng),
        Body(BodyParams(), mount=person.mount, grid_hz=grid_hz, rng=body_rng),
        grid_hz=grid_hz,
        quat_wxyz=first.quat_wxyz[0],
        pos_m=first.pos_m[0],
    )
    film.play(first)
    markers, truth = _played(person, number, film, params, today, swing_rng)
    film.rest(1.5)
    counts = film.counts()
    delivery = deliver(
        len(counts),
        true_rate_hz=params.true_rate_hz,
        params=LinkParams(packet_samples=8, loss=0.001),
        rng=link_rng,
    )
    seq = np.flatnonzero(delivery.kept)
    samples = np.zeros(len(seq), dtype=COUNTS_DTYPE)
    samples["seq"] = seq
    for column, axis in enumerate(AXES):
        samples[axis] = counts[seq, column]
    return SimulatedSession(
        session=_session(person, number, params),
        samples=samples,
        packets=delivery.packets,
        markers=tuple(markers),
        truth=tuple(truth),
        stretches=tuple(film.stretches),
        true_rate_hz=params.true_rate_hz,
        seed=person.seed + number,
    )


def _played(
    person: Person,
    number: int,
    film: Film,
    params: ChipParams,
    today: np.random.Generator,
    swing_rng: np.random.Generator,
) -> tuple[list[dict[str, Any]], list[TrueSwing]]:
    """Swing through a visit's blocks; return what is marked, and the truth of each swing."""
    visit = person.visits[number]
    grid_hz = grid_rate_hz(RATE_HZ)
    player = Player(
        np.random.default_rng([person.seed, 1]),
        model=person.model,
        mount=person.mount,
        handedness=person.handedness,
        habit=person.own,
    ).with_habit(visit.habit)
    markers: list[dict[str, Any]] = []
    truth: list[TrueSwing] = []
    usual = _usual(player, person.seed, grid_hz)

    def now() -> int:
        return int(np.ceil(film.now_s * params.true_rate_hz))

    for block, (kind, swings, ball) in enumerate(visit.blocks, start=1):
        markers.append(
            {
                "kind": "segment",
                "seq": now() if markers else 0,
                "player": person.name,
                "handedness": person.handedness,
                "club": person.club,
                "intent": "full",
                "ball": ball,
                "block": None if kind is None else f"{block} {kind}",
            }
        )
        for _ in range(swings):
            action = player.swing(swing_rng, kind="full", strike=ball, grid_hz=grid_hz)
            wait_s = float(np.clip(today.lognormal(np.log(0.9), 0.5), 0.3, 3.0))
            played = film.play(action, slowness=float(today.uniform(0.7, 1.2)), wait_s=wait_s)
            truth += [
                TrueSwing(
                    truth=one,
                    player=person.name,
                    handedness=person.handedness,
                    club=person.club,
                )
                for one in played
            ]
            film.rest(float(today.uniform(0.8, 1.8)))
            if ball and today.random() < person.taps:
                felt = _feel(person, played[-1], usual, today)
                markers.append({"kind": "felt", "seq": now(), **felt})
    return markers, truth


def _session(person: Person, number: int, params: ChipParams) -> Session:
    """Say what is known of a visit's recording."""
    own = np.random.default_rng([person.seed, number, 1])
    return Session(
        id=str(uuid.UUID(bytes=own.bytes(16), version=4)),
        start=person.visits[number].start,
        sensor={
            "name": "simulated sensor",
            "model": "simulated",
            "serial": f"SIM-{person.seed}",
            "firmware": "1",
            "battery_percent": int(own.integers(35, 100)),
            "simulated": True,
        },
        mount=person.mount,
        nominal_rate_hz=RATE_HZ,
        gyr_range_dps=params.gyr_range_dps,
        acc_range_g=params.acc_range_g,
        gyr_dps_per_count=params.gyr_dps_per_count,
        acc_m_s2_per_count=params.acc_m_s2_per_count,
        gyr_delay_ms=1000.0 * low_pass_delay_s(params.gyr_cutoff_hz, grid_rate_hz(RATE_HZ)),
        acc_delay_ms=1000.0 * low_pass_delay_s(params.acc_cutoff_hz, grid_rate_hz(RATE_HZ)),
        handedness=person.handedness,
        player=person.name,
        club=person.club,
    )


def _usual(player: Player, seed: int, grid_hz: float) -> tuple[float, float]:
    """Time of the backswing in s, and turn in deg, of a player's own rehearsals."""
    rng = np.random.default_rng([seed, 5])
    swings = [player.swing(rng, kind="full", strike=False, grid_hz=grid_hz) for _ in range(5)]
    truths = [truth for action in swings for truth in action.swings]
    return (
        float(np.median([_backswing_s(truth) for truth in truths])),
        float(np.median([truth.turn_deg for truth in truths if truth.turn_deg is not None])),
    )


def _backswing_s(truth: SwingTruth) -> float:
    return truth.top_s - truth.takeaway_s


def _feel(
    person: Person, truth: SwingTruth, usual: tuple[float, float], rng: np.random.Generator
) -> dict[str, str]:
    """What a player says of a strike: of this swing as it was, or anything."""
    time = _backswing_s(truth) / usual[0]
    turn = usual[1] if truth.turn_deg is None else truth.turn_deg / usual[1]
    time, turn = (x + 0.015 * float(rng.standard_normal()) for x in (time, turn))
    said_time = "rushed" if time < 0.93 else "slow" if time > 1.07 else "in-time"
    said_turn = "short" if turn < 0.94 else "full"
    if rng.random() > person.true_feel:
        said_time = ("rushed", "in-time", "slow")[int(rng.integers(3))]
        said_turn = ("full", "short")[int(rng.integers(2))]
    well = rng.random() < (0.45 if time < 0.93 else 0.6)
    return {"time": said_time, "turn": said_turn, "strike": "well" if well else "not"}


def results_csv(person: Person, made: SimulatedSession, number: int) -> str:
    """Return what an invented device says of the balls, in mph and yards, by its own clock."""
    rng = np.random.default_rng([person.seed, number, 2])
    ahead_s = 74.0 + 3.0 * number
    begin = datetime.fromisoformat(made.session.start)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["Clock", "Head speed (mph)", "Ball speed (mph)", "Carry (yd)", "Side (yd)"])
    for swing in made.truth:
        truth = swing.truth
        if not truth.strike or truth.impact_s is None or truth.peak_rate_dps is None:
            continue
        if rng.random() < 0.06:
            # Devices miss a shot now and then.
            continue
        club = person.lever_m * np.radians(truth.peak_rate_dps) * (1.0 + 0.02 * rng.normal())
        ball = club * (1.33 + 0.03 * rng.normal())
        carry = 2.9 * ball + 4.0 * rng.normal() - 12.0
        at = begin + timedelta(seconds=truth.impact_s + ahead_s + rng.uniform(0.2, 0.9))
        writer.writerow(
            [
                f"{at:%H:%M:%S}",
                f"{club / 0.44704:.1f}",
                f"{ball / 0.44704:.1f}",
                f"{carry / 0.9144:.0f}",
                f"{8.0 * rng.normal():.0f}",
            ]
        )
    return text.getvalue()


RESULTS_MAP: Final = (
    "time=Clock, club-speed=Head speed (mph):mph, ball-speed=Ball speed (mph):mph, "
    "carry=Carry (yd):yd, offline=Side (yd):yd"
)
