"""What people do between swings, as movements of the sensor's segment.

Angles, times and speeds are everyday movement, assumed by watching and trying, with wide ranges;
the strength of shocks is from memory. None of it is fitted to what a swing finder can or cannot
tell apart.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sensor.rotation import quat_exp, quat_multiply
from simulation.motion.action import Action, Handedness, Mount, Shock
from simulation.motion.score import KEY_STEPS, PELVIS_M, Score, fill_in, minimum_jerk, play

Floats = NDArray[np.float64]
Generator = np.random.Generator

_HANDLING_RAD_S = np.radians(650.0)
"""Greatest rate of a sensor turned over in the hand: 633 deg/s in 49 s of a real recording of hand
motion (reference file physics-and-checks.md, scikit-kinematics data)."""

LYING_KINDS = frozenset({"handle"})
"""Activities in which nobody wears or holds the sensor all the time: no sway, no tremor."""


def _hang(s: Score) -> None:
    """Stand with the arm hanging."""
    s.start(
        z=PELVIS_M,
        bend=s.draw(0, 8),
        flex=s.draw(-5, 12),
        abd=s.draw(3, 14),
        elbow=s.draw(5, 30),
        pron=s.draw(-30, 30),
        grip=s.draw(60, 110),
        spin=s.draw(-180, 180),
        sway=s.draw(-15, 15),
    )


def _address(s: Score) -> None:
    """Stand over a ball, club behind it."""
    s.start(
        z=PELVIS_M - 0.06,
        bend=s.draw(25, 40),
        flex=s.draw(28, 45),
        abd=s.draw(-12, 0),
        elbow=s.draw(2, 12),
        pron=s.draw(-15, 15),
        grip=s.draw(35, 55),
        spin=s.draw(-20, 20),
    )


def _footfall(s: Score, time_s: float, strength: float = 1.0) -> None:
    """The heel comes down: a low soft knock (2-10 m/s2 at the trunk, from memory)."""
    s.shock(
        time_s,
        "foot",
        acc=(1.0 * strength, 8.0 * strength),
        rate=(1.0, 15.0),
        ring_hz=(12, 35),
        decay_s=(0.015, 0.05),
    )


def _steps(s: Score, length_s: float, *, arm: float, strength: float = 1.0) -> None:
    """Walk for a while from now on; `arm` is the size of the arm swing in degrees."""
    start, end = s.now, s.now + length_s
    step_hz = s.draw(1.5, 2.15)
    stride_hz = step_hz / 2.0
    phase = s.draw(0.0, 360.0)
    s.wave("flex", start, end, stride_hz, arm, phase)
    s.wave("flex", start, end, step_hz, arm * s.draw(0.0, 0.12), s.draw(0, 360))
    s.wave("elbow", start, end, stride_hz, arm * s.draw(0.1, 0.6), phase + s.draw(-60, 20))
    s.wave("abd", start, end, step_hz, s.draw(0.3, 2.0), s.draw(0, 360))
    s.wave("pron", start, end, stride_hz, arm * s.draw(0.05, 0.4), s.draw(0, 360))
    s.wave("yaw", start, end, stride_hz, s.draw(2, 8), phase + s.draw(-30, 30))
    s.wave("lean", start, end, stride_hz, s.draw(0.5, 3), s.draw(0, 360))
    s.wave("bend", start, end, step_hz, s.draw(0.5, 2.5), s.draw(0, 360))
    s.wave("x", start, end, stride_hz, s.draw(0.01, 0.03), s.draw(0, 360))
    lift = s.draw(0, 360)
    s.wave("z", start, end, step_hz, s.draw(0.012, 0.03) * strength, lift)
    s.wave("z", start, end, 2.0 * step_hz, s.draw(0.001, 0.004) * strength, s.draw(0, 360))
    s.to(start, length_s, y=s.at("y") + s.draw(0.7, 1.6) * length_s)
    for k in range(1, int(length_s * step_hz)):
        _footfall(s, start + k / step_hz + s.draw(-0.02, 0.02), strength)
    if s.chance(0.5):  # turn a corner
        s.to(start + s.draw(0.2, 0.6) * length_s, s.draw(0.8, 2.5), yaw=s.draw(-170, 170))
    s.now = end


def _walk(s: Score) -> None:
    """Walk with the arm swinging freely, or the hand in a pocket."""
    _hang(s)
    arm = s.draw(1, 4) if s.chance(0.15) else s.draw(8, 32)
    _steps(s, s.draw(4, 18), arm=arm)


def _walk_with_club(s: Score) -> None:
    """Walk with a club in the hand: pointing down, held by the neck, or over the shoulder."""
    _hang(s)
    way = s.rng.integers(3)
    if way == 0:
        s.start(grip=s.draw(70, 110), elbow=s.draw(5, 30))
    elif way == 1:
        s.start(grip=s.draw(100, 150), elbow=s.draw(10, 40))
    else:
        s.start(grip=s.draw(80, 120), elbow=s.draw(110, 140), flex=s.draw(10, 40))
    _steps(s, s.draw(4, 16), arm=s.draw(3, 12) if way == 2 else s.draw(6, 26))


def _carry_bag(s: Score) -> None:
    """Pick a bag up, carry it on the shoulder with a hand at the strap, set it down."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    s.then(s.draw(0.8, 1.4), bend=s.draw(40, 75), flex=s.draw(35, 70), z=s.draw(0.75, 0.9))
    s.wait(s.draw(0.1, 0.5))
    s.then(
        s.draw(0.7, 1.3),
        bend=s.draw(5, 20),
        elbow=s.draw(80, 120),
        z=PELVIS_M,
        flex=s.draw(15, 40),
        lean=s.draw(-10, 10),
        pron=s.draw(-70, 70),
    )
    _steps(s, s.draw(4, 14), arm=s.draw(0.5, 4), strength=s.draw(1.2, 2.0))
    s.wait(0.2)
    s.then(s.draw(0.8, 1.5), bend=s.draw(30, 60), elbow=s.draw(10, 40), flex=s.draw(30, 60))
    s.shock(s.now, "bag", acc=(5, 40), rate=(5, 60), ring_hz=(25, 90), decay_s=(0.01, 0.04))
    s.wait(0.3)
    s.then(s.draw(0.7, 1.3), bend=5.0, flex=5.0, lean=0.0)


def _stand(s: Score) -> None:
    """Stand about: shift weight, look round, move the arm now and then."""
    _hang(s)
    end = s.draw(3, 18)
    while s.now < end:
        length = s.draw(0.5, 1.6)
        s.to(
            s.now,
            length * 1.4,
            yaw=s.at("yaw") * 0.5 + s.draw(-20, 20),
            lean=s.draw(-5, 5),
            bend=s.draw(0, 12),
            x=s.draw(-0.05, 0.05),
            y=s.draw(-0.04, 0.04),
        )
        if s.chance(0.6):
            s.to(
                s.now + s.draw(0, 0.4),
                length,
                flex=s.draw(-10, 35),
                elbow=s.draw(5, 95),
                pron=s.draw(-50, 50),
                abd=s.draw(2, 25),
                wflex=s.draw(-20, 20),
                grip=s.at("grip") + s.draw(-10, 10),
            )
        s.wait(length + s.draw(0.3, 3.0))


def _tee_up(s: Score) -> None:
    """Bend down, set a ball on its tee, fiddle with it, rise."""
    _hang(s)
    s.now = s.draw(0.1, 0.8)
    down = s.draw(0.9, 1.9)
    s.to(
        s.now + down * s.draw(0.1, 0.4),
        down,
        flex=s.draw(60, 100),
        elbow=s.draw(5, 35),
        pron=s.draw(-60, 40),
        abd=s.draw(0, 15),
        grip=s.draw(40, 120),
    )
    s.then(down, bend=s.draw(55, 95), z=s.draw(0.55, 0.85), yaw=s.at("yaw") + s.draw(-20, 20))
    s.wait(0.3)
    fiddle = s.draw(0.6, 2.8)
    s.wave("pron", s.now, s.now + fiddle, s.draw(1.0, 3.0), s.draw(2, 12), s.draw(0, 360))
    s.wave("wflex", s.now, s.now + fiddle, s.draw(0.8, 3.0), s.draw(2, 10), s.draw(0, 360))
    s.wait(fiddle)
    if s.chance(0.6):
        s.shock(s.now, "tap", acc=(2, 25), rate=(3, 40), ring_hz=(60, 250), decay_s=(0.004, 0.015))
    up = s.draw(0.8, 1.7)
    s.to(
        s.now + up * s.draw(0.0, 0.3),
        up,
        flex=s.draw(0, 15),
        elbow=s.draw(5, 30),
        pron=0.0,
        abd=8.0,
        grip=s.draw(60, 110),
    )
    s.then(up, bend=s.draw(0, 10), z=PELVIS_M)
    s.wait(0.4)


def _pick_up_balls(s: Score) -> None:
    """Pick up several balls, rising fully or half-way in between."""
    _hang(s)
    s.now = s.draw(0.1, 0.6)
    for _ in range(s.rng.integers(2, 6)):
        down = s.draw(0.6, 1.5)
        s.to(
            s.now,
            down * s.draw(0.8, 1.2),
            flex=s.draw(50, 105),
            elbow=s.draw(3, 30),
            abd=s.draw(-5, 25),
            pron=s.draw(-60, 60),
        )
        s.then(down, bend=s.draw(50, 95), z=s.draw(0.55, 0.9), lean=s.draw(-12, 12))
        s.then(s.draw(0.15, 0.5), wflex=s.draw(10, 40))
        up = s.draw(0.6, 1.4)
        high = s.draw(0.0, 1.0) if s.chance(0.5) else 0.0
        s.to(s.now, up, flex=s.draw(5, 30) + 40 * high, elbow=s.draw(10, 110), wflex=0.0)
        s.then(up, bend=5 + 50 * high, z=PELVIS_M - 0.2 * high, lean=0.0)
        if s.chance(0.4):
            _steps(s, s.draw(1.0, 3.0), arm=s.draw(2, 15))
        s.wait(s.draw(0.0, 0.5))
    s.then(1.0, bend=5.0, z=PELVIS_M, flex=5.0, elbow=15.0, abd=8.0, pron=0.0)


def _twirl(s: Score) -> None:
    """Spin the club in the fingers, or flip it over like a baton."""
    _hang(s)
    s.now = s.draw(0.2, 0.8)
    s.then(s.draw(0.5, 1.0), flex=s.draw(15, 45), elbow=s.draw(40, 95), grip=s.draw(60, 110))
    for _ in range(s.rng.integers(1, 7)):
        turns = s.draw(0.5, 2.5) * (1 if s.chance(0.5) else -1)
        length = abs(turns) * s.draw(0.3, 0.8)
        if s.chance(0.65):
            s.move(s.now, length, spin=360 * turns)
        else:
            length = s.draw(0.5, 1.1)
            s.move(s.now, length, grip=360.0 * np.sign(turns))
        s.wave("pron", s.now, s.now + length, s.draw(1.5, 3.5), s.draw(4, 25), s.draw(0, 360))
        s.wave("wdev", s.now, s.now + length, s.draw(1.5, 3.5), s.draw(2, 14), s.draw(0, 360))
        s.wait(length + s.draw(0.0, 0.9))
    s.then(0.9, flex=5.0, elbow=15.0)


def _clap(s: Score) -> None:
    """Clap."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    inner = s.draw(-35, -20)
    s.then(
        s.draw(0.5, 1.0),
        flex=s.draw(25, 50),
        elbow=s.draw(80, 115),
        axial=s.draw(10, 30),
        pron=s.draw(-20, 40),
        across=inner + 12,
    )
    period = s.draw(0.2, 0.5)
    for _ in range(s.rng.integers(3, 14)):
        s.to(s.now, period * 0.5, across=inner + s.draw(8, 24))
        s.now += period * 0.42
        hit = s.blow(period * 0.5, at=0.7, across=inner, stop_s=0.006)
        s.now = hit + 0.03
        s.shock(
            hit, "clap", acc=(15, 150), rate=(20, 250), ring_hz=(50, 300), decay_s=(0.004, 0.015)
        )
    s.wait(0.3)
    s.then(0.9, flex=5.0, elbow=15.0, axial=0.0, across=0.0, pron=0.0)


def _throw_overhand(s: Score) -> None:
    """Throw a ball overarm."""
    _hang(s)
    s.now = s.draw(0.2, 0.8)
    speed = s.draw(0.7, 1.3)
    s.to(
        s.now,
        0.9 / speed,
        yaw=s.draw(30, 80),
        abd=s.draw(70, 100),
        elbow=s.draw(80, 120),
        axial=s.draw(40, 80),
        across=s.draw(5, 25),
        flex=s.draw(0, 15),
    )
    s.now += 0.9 / speed + s.draw(0.0, 0.5)
    s.to(s.now, 0.42 / speed, yaw=s.draw(-40, -10), bend=s.draw(15, 40))
    s.to(s.now + 0.14 / speed, 0.26 / speed, elbow=s.draw(5, 25), across=s.draw(-40, -10))
    s.to(s.now + 0.16 / speed, 0.24 / speed, axial=s.draw(-70, -30), wflex=s.draw(20, 45))
    s.to(s.now + 0.22 / speed, 0.45 / speed, abd=s.draw(15, 45), flex=s.draw(10, 35))
    s.now += 0.8 / speed
    s.wait(s.draw(0.0, 0.6))
    s.then(
        s.draw(0.8, 1.4),
        yaw=0.0,
        bend=5.0,
        elbow=15.0,
        across=0.0,
        axial=0.0,
        abd=8.0,
        flex=5.0,
        wflex=0.0,
    )


def _throw_underhand(s: Score) -> None:
    """Toss a ball underarm: from in front of the body, back past the leg, forwards and up."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    for _ in range(s.rng.integers(1, 4)):
        s.then(s.draw(0.5, 0.9), flex=s.draw(15, 50), elbow=s.draw(15, 85), bend=s.draw(0, 15))
        s.wait(s.draw(0.0, 1.0))
        back = s.draw(0.4, 0.8)
        s.to(
            s.now,
            back,
            flex=s.draw(-60, -20),
            elbow=s.draw(3, 25),
            bend=s.draw(10, 40),
            yaw=s.at("yaw") + s.draw(5, 30),
        )
        s.now += back * s.draw(0.85, 1.1)
        forth = s.draw(0.32, 0.7)
        s.to(s.now, forth, flex=s.draw(45, 125), elbow=s.draw(5, 60), bend=s.draw(0, 20), yaw=0.0)
        s.to(s.now + forth * 0.4, forth * 0.6, wflex=s.draw(5, 40), pron=s.draw(-40, 40))
        s.now += forth
        s.wait(s.draw(0.0, 0.5))
        s.then(s.draw(0.6, 1.2), flex=5.0, elbow=15.0, bend=5.0, wflex=0.0, pron=0.0)


def _hammer(s: Score) -> None:
    """Drive a nail or a peg: at bench height, overhead, or a heavy one into the ground."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    way = s.rng.integers(3)
    if way == 0:
        low = {"flex": s.draw(10, 35), "elbow": s.draw(60, 95), "bend": s.draw(5, 25)}
        rise = {"flex": s.draw(5, 30), "elbow": s.draw(15, 45)}
    elif way == 1:
        low = {"flex": s.draw(90, 125), "elbow": s.draw(30, 70), "bend": s.draw(-5, 5)}
        rise = {"flex": s.draw(5, 25), "elbow": s.draw(20, 50)}
    else:
        low = {"flex": s.draw(45, 70), "elbow": s.draw(5, 30), "bend": s.draw(35, 60)}
        rise = {"flex": s.draw(40, 90), "elbow": s.draw(30, 70)}
    low["wdev"], rise["wdev"] = s.draw(-10, 10), s.draw(10, 30)
    s.then(s.draw(0.6, 1.2), **low)
    s.wait(s.draw(0.2, 0.8))
    high = {joint: low[joint] + by for joint, by in rise.items()}
    hits = {joint: low[joint] for joint in rise}
    slow = 1.6 if way == 2 else 1.0
    for _ in range(s.rng.integers(3, 10)):
        s.then(s.draw(0.25, 0.55) * slow, **high)
        s.wait(s.draw(0.0, 0.15))
        hit = s.blow(
            s.draw(0.14, 0.28) * slow, at=s.draw(0.5, 0.65), stop_s=s.draw(0.008, 0.02), **hits
        )
        s.shock(
            hit, "hammer", acc=(100, 900), rate=(100, 900), ring_hz=(60, 300), decay_s=(0.004, 0.02)
        )
        s.now = hit + 0.02
        bounce = s.draw(0.03, 0.12)
        s.move(s.now, 0.12, **{joint: bounce * by for joint, by in rise.items()})
        s.wait(s.draw(0.1, 0.35))
    s.wait(0.3)
    s.then(1.0, flex=5.0, elbow=15.0, bend=5.0, wdev=0.0)


def _ball_on_strings(s: Score, hit: float) -> None:
    """A ball meets a racket (its frame rings at 100-200 Hz, from memory)."""
    s.shock(hit, "racket", acc=(80, 700), rate=(60, 700), ring_hz=(90, 220), decay_s=(0.006, 0.03))


def _racket_forehand(s: Score) -> None:
    """Forehand strokes: takeback, level swing through, follow-through across the body."""
    _racket_ground(s, side=1.0)


def _racket_backhand(s: Score) -> None:
    """Backhand strokes."""
    _racket_ground(s, side=-1.0)


def _racket_ground(s: Score, *, side: float) -> None:
    """Ground strokes; `side` +1 for the forehand of the left hand."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    ready = {
        "flex": s.draw(30, 50),
        "elbow": s.draw(60, 95),
        "across": -10.0,
        "yaw": 0.0,
        "abd": s.draw(5, 20),
        "bend": s.draw(5, 25),
        "pron": 0.0,
    }
    s.then(s.draw(0.6, 1.0), **ready)
    for _ in range(s.rng.integers(1, 5)):
        s.wait(s.draw(0.3, 1.5))
        length = s.draw(0.5, 0.95)
        back = 35.0 if side > 0 else 20.0
        s.to(
            s.now,
            length,
            yaw=side * s.draw(40, 85),
            across=side * s.draw(0.6 * back, 1.6 * back),
            elbow=s.draw(25, 75),
            flex=s.draw(25, 60),
            pron=side * s.draw(-20, 30),
        )
        s.now += length + s.draw(-0.05, 0.25)
        down = s.draw(0.16, 0.32)
        struck = s.chance(0.7)
        hit = s.blow(
            down,
            at=s.draw(0.5, 0.65),
            keep=s.draw(0.6, 0.92) if struck else 1.0,
            stop_s=0.006,
            yaw=side * s.draw(-5, 25),
            across=side * s.draw(-30, -5),
            elbow=s.draw(15, 50),
            flex=s.draw(40, 70),
            pron=side * s.draw(-30, 10),
        )
        if struck:
            _ball_on_strings(s, hit)
        # carried on over the other shoulder while the stroke is still going
        s.now = hit + s.draw(0.02, 0.06)
        s.to(
            s.now,
            s.draw(0.35, 0.6),
            yaw=side * s.draw(-50, -20),
            across=side * s.draw(-60, -30),
            elbow=s.draw(60, 125),
            flex=s.draw(60, 95),
            pron=side * s.draw(-60, -10),
        )
        s.wait(s.draw(0.5, 0.9))
        s.then(s.draw(0.6, 1.2), **ready)


def _racket_serve(s: Score) -> None:
    """Serves: toss, arm up and back, over the top and down."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    for _ in range(s.rng.integers(1, 3)):
        s.then(s.draw(0.7, 1.1), flex=s.draw(30, 60), elbow=s.draw(30, 70), abd=s.draw(0, 15))
        s.wait(s.draw(0.4, 2.0))
        down = s.draw(0.4, 0.8)
        s.to(s.now, down, flex=s.draw(-40, 0), elbow=s.draw(5, 30), yaw=s.draw(20, 60))
        s.to(
            s.now + down * 0.8,
            s.draw(0.5, 0.8),
            abd=s.draw(80, 110),
            flex=s.draw(0, 20),
            elbow=s.draw(90, 130),
            axial=s.draw(40, 80),
            bend=s.draw(-20, -5),
        )
        s.now += down * 0.8 + s.draw(0.6, 0.9)
        struck = s.chance(0.7)
        hit = s.blow(
            s.draw(0.16, 0.28),
            at=0.6,
            keep=s.draw(0.65, 0.92) if struck else 1.0,
            stop_s=0.006,
            abd=s.draw(130, 160),
            elbow=s.draw(5, 25),
            axial=s.draw(-30, 10),
            yaw=s.draw(-10, 15),
            bend=s.draw(5, 20),
            wflex=s.draw(5, 25),
            pron=s.draw(-50, 10),
        )
        if struck:
            _ball_on_strings(s, hit)
        s.now = hit + 0.03
        s.to(
            s.now,
            s.draw(0.4, 0.7),
            abd=s.draw(20, 50),
            flex=s.draw(20, 60),
            yaw=s.draw(-45, -15),
            bend=s.draw(25, 50),
            axial=s.draw(-60, -20),
            across=s.draw(-40, -10),
        )
        s.wait(s.draw(0.7, 1.2))
        s.then(
            s.draw(0.8, 1.3),
            flex=5.0,
            elbow=15.0,
            abd=8.0,
            axial=0.0,
            yaw=0.0,
            bend=5.0,
            across=0.0,
            wflex=0.0,
            pron=0.0,
        )


def _waggle(s: Score) -> None:
    """Stand over the ball and waggle: the club moves by less than 26 deg in all, and stops."""
    _address(s)
    s.now = s.draw(0.3, 1.5)
    hz = s.draw(0.6, 1.6)
    length = s.rng.integers(2, 7) / hz
    total = s.draw(3, 12)
    wrist = s.draw(0.3, 0.9)
    s.wave("wdev", s.now, s.now + length, hz, total * wrist, 0.0)
    s.wave("across", s.now, s.now + length, hz, total * (1 - wrist) * 0.7, s.draw(-40, 40))
    s.wave("yaw", s.now, s.now + length, hz, total * (1 - wrist) * 0.2, s.draw(-40, 40))
    s.wait(length)
    if s.chance(0.4):
        s.then(s.draw(0.4, 0.8), x=s.at("x") + s.draw(-0.05, 0.05), yaw=s.draw(-4, 4))
    s.wait(s.draw(0.3, 2.0))
    if s.chance(0.5):  # steps away after all
        s.then(s.draw(0.8, 1.5), bend=5.0, flex=s.draw(5, 40), elbow=s.draw(10, 60), z=PELVIS_M)


def _scratch(s: Score) -> None:
    """Scratch the head, wipe the brow, set the cap straight."""
    _hang(s)
    s.now = s.draw(0.1, 0.6)
    s.then(
        s.draw(0.6, 1.3),
        elbow=s.draw(115, 148),
        flex=s.draw(45, 110),
        axial=s.draw(-20, 30),
        abd=s.draw(0, 30),
        pron=s.draw(-60, 30),
    )
    length = s.draw(0.4, 2.2)
    s.wave("wflex", s.now, s.now + length, s.draw(2.5, 6.0), s.draw(2, 12), 0.0)
    s.wave("elbow", s.now, s.now + length, s.draw(2.5, 6.0), s.draw(0.5, 5), 90.0)
    s.wait(length)
    s.then(s.draw(0.6, 1.2), elbow=15.0, flex=5.0, axial=0.0, abd=8.0, pron=0.0)


def _phone(s: Score) -> None:
    """Take a phone (or a scorecard) out, look at it, put it away."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    s.then(s.draw(0.5, 1.0), flex=s.draw(-30, -5), elbow=s.draw(45, 90), pron=s.draw(-40, 20))
    s.wait(s.draw(0.1, 0.5))
    s.then(
        s.draw(0.6, 1.1),
        flex=s.draw(15, 45),
        elbow=s.draw(85, 120),
        pron=s.draw(40, 90),
        axial=s.draw(0, 30),
        bend=s.draw(5, 20),
    )
    look = s.draw(2, 9)
    for _ in range(int(look)):
        s.to(s.now + s.draw(0, look), s.draw(0.2, 0.5), wflex=s.draw(-8, 8), pron=s.draw(45, 85))
    s.wait(look + 0.5)
    s.then(s.draw(0.6, 1.1), flex=s.draw(-30, -5), elbow=s.draw(45, 90), pron=0.0, axial=0.0)
    s.then(s.draw(0.5, 0.9), flex=5.0, elbow=15.0, bend=5.0)


def _drink(s: Score) -> None:
    """Lift a bottle, drink, put it down."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    s.then(s.draw(0.7, 1.3), elbow=s.draw(110, 140), flex=s.draw(30, 60), pron=s.draw(-10, 30))
    s.then(s.draw(0.5, 1.0), flex=s.draw(60, 90), abd=s.draw(10, 40), bend=s.draw(-12, 0))
    s.wait(s.draw(1.0, 4.0))
    s.then(s.draw(0.5, 1.0), flex=s.draw(30, 60), abd=8.0, bend=5.0)
    s.then(s.draw(0.7, 1.2), elbow=15.0, flex=5.0, pron=0.0)
    s.shock(s.now, "tap", acc=(1, 12), rate=(2, 20), ring_hz=(60, 200), decay_s=(0.005, 0.02))
    s.wait(0.3)


def _bag(s: Score) -> None:
    """Lift the club head up, lower the grip into the bag, let it drop; or take one out."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    s.then(
        s.draw(0.7, 1.4),
        flex=s.draw(60, 110),
        elbow=s.draw(60, 110),
        grip=s.draw(90, 140),
        pron=s.draw(-80, 20),
    )
    s.wait(s.draw(0.1, 0.7))
    s.wave("wflex", s.now - 0.1, s.now + 0.9, s.draw(1, 3), s.draw(2, 8), s.draw(0, 360))
    s.then(s.draw(0.5, 1.1), flex=s.draw(25, 55), elbow=s.draw(40, 90))
    s.shock(s.now, "bag", acc=(10, 150), rate=(10, 250), ring_hz=(40, 250), decay_s=(0.005, 0.02))
    s.wait(s.draw(0.3, 1.2))
    if s.chance(0.6):
        s.then(s.draw(0.5, 1.0), flex=s.draw(70, 115), elbow=s.draw(50, 100))
    s.then(s.draw(0.8, 1.4), flex=5.0, elbow=15.0, grip=s.draw(60, 110), pron=0.0)


def _shoulder(s: Score) -> None:
    """Shoulder exercises: raises to the front or side, turns in and out, circles, rows."""
    _hang(s)
    s.now = s.draw(0.2, 0.8)
    period = s.draw(1.2, 4.0)
    reps = int(s.rng.integers(4, 10))
    way = s.rng.integers(6)
    if way == 4:  # arm circles
        s.then(1.2, abd=s.draw(70, 90), elbow=5.0)
        s.wave("abd", s.now, s.now + reps * period / 2, 2 / period, s.draw(8, 30), 0.0)
        s.wave("flex", s.now, s.now + reps * period / 2, 2 / period, s.draw(8, 30), 90.0)
        s.wait(reps * period / 2)
    elif way == 5:  # letting the arm dangle
        s.then(1.2, bend=s.draw(50, 85), flex=s.draw(50, 85), elbow=5.0)
        s.wave("flex", s.now, s.now + reps * period / 2, s.draw(0.5, 0.9), s.draw(8, 35), 0.0)
        s.wave("across", s.now, s.now + reps * period / 2, s.draw(0.5, 0.9), s.draw(4, 25), 90.0)
        s.wait(reps * period / 2)
    else:
        if way == 2:
            s.then(1.0, elbow=s.draw(80, 95))
        for _ in range(reps):
            up, down = period * s.draw(0.35, 0.55), period * s.draw(0.35, 0.55)
            targets: dict[str, float]
            if way == 0:
                targets = {"flex": s.draw(70, 165), "elbow": s.draw(0, 12)}
                rest = {"flex": s.draw(0, 10)}
            elif way == 1:
                targets = {"abd": s.draw(70, 160), "elbow": s.draw(0, 12)}
                rest = {"abd": s.draw(4, 14)}
            elif way == 2:
                targets = {"axial": s.draw(35, 70)}
                rest = {"axial": s.draw(-50, -20)}
            else:
                targets = {"flex": s.draw(-45, -20), "elbow": s.draw(85, 115)}
                rest = {"flex": s.draw(40, 70), "elbow": s.draw(10, 30)}
            s.then(up, **targets)
            s.wait(s.draw(0.0, 0.6))
            s.then(down, **rest)
            s.wait(s.draw(0.0, 0.4))
    s.then(1.2, flex=5.0, abd=8.0, axial=0.0, elbow=15.0, across=0.0, bend=5.0)


def _trunk_stretch(s: Score) -> None:
    """Hold a club across the shoulders and turn to and fro, or bend to the sides."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    s.then(
        s.draw(0.9, 1.5),
        abd=s.draw(60, 85),
        elbow=s.draw(100, 130),
        axial=s.draw(30, 70),
        grip=s.draw(70, 110),
    )
    side = 1.0 if s.chance(0.5) else -1.0
    sideways = s.chance(0.35)
    for _ in range(s.rng.integers(2, 6)):
        size = s.draw(20, 40) if sideways else s.draw(25, 80)
        s.then(s.draw(0.9, 2.2), **{"lean" if sideways else "yaw": side * size})
        s.wait(s.draw(0.0, 1.5))
        side = -side
    s.then(s.draw(0.8, 1.5), yaw=0.0, lean=0.0)
    s.then(s.draw(0.8, 1.4), abd=8.0, elbow=15.0, axial=0.0)


def _jump(s: Score) -> None:
    """Jump, once or several times: push off, free fall, landing."""
    _hang(s)
    s.now = s.draw(0.2, 0.6)
    for _ in range(s.rng.integers(1, 5)):
        dip = s.draw(0.10, 0.28)
        s.to(s.now, 0.4, flex=s.draw(-45, -10), elbow=s.draw(20, 50), bend=s.draw(10, 35))
        s.then(0.4, z=PELVIS_M - dip)
        # Half-sine push to the speed v over the dip, flight of 2 v / g, half-sine landing.
        flight_s = 2.0 * np.sqrt(2.0 * s.draw(0.06, 0.35) / 9.81)
        v = 9.81 * flight_s / 2.0
        push_s, land_s = 2.0 * dip / v, s.draw(1.0, 1.6) * 2.0 * dip / v
        sink = v * land_s / 2.0
        t = np.array([0.0])
        z = np.array([0.0])
        for length, height in ((push_s, "push"), (flight_s, "flight"), (land_s, "land")):
            u = np.linspace(0.0, 1.0, 60)[1:]
            if height == "push":
                piece = v * push_s / 2.0 * (u - np.sin(np.pi * u) / np.pi)
            elif height == "flight":
                piece = v * length * u - 4.905 * (length * u) ** 2
            else:
                piece = -sink * (u + np.sin(np.pi * u) / np.pi)
            t = np.concatenate((t, t[-1] + length * u))
            z = np.concatenate((z, z[-1] + piece))
        s.paths.append(("z", s.now, t, z))
        # the path ends `dip - sink` away from where the dip had taken the pelvis to
        s._at["z"] = s.at("z") + float(z[-1])
        s.to(s.now, max(push_s + 0.1, 0.35), flex=s.draw(30, 120), elbow=s.draw(20, 90))
        s.now += push_s + flight_s
        s.shock(
            s.now, "landing", acc=(10, 60), rate=(5, 60), ring_hz=(15, 45), decay_s=(0.02, 0.05)
        )
        s.now += land_s
        s.then(s.draw(0.35, 0.7), z=PELVIS_M, flex=5.0, elbow=15.0, bend=5.0)
        s.wait(s.draw(0.0, 1.0))


def _wipe_club(s: Score) -> None:
    """Rub the club head with a towel."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    s.then(s.draw(0.6, 1.1), flex=s.draw(15, 45), elbow=s.draw(65, 105), grip=s.draw(60, 130))
    end = s.now + s.draw(1.5, 5.0)
    hz = s.draw(1.2, 3.2)
    s.wave("elbow", s.now, end, hz, s.draw(3, 12), 0.0)
    s.wave("wflex", s.now, end, hz, s.draw(3, 15), s.draw(0, 360))
    s.wave("spin", s.now, end, s.draw(0.4, 1.0), s.draw(10, 60), 0.0)
    s.wave("grip", s.now, end, hz, s.draw(1, 5), s.draw(0, 360))
    s.now = end
    s.then(s.draw(0.6, 1.1), flex=5.0, elbow=15.0)


def _hand_over(s: Score) -> None:
    """Hand something to somebody, shake a hand, or meet a high hand."""
    _hang(s)
    s.now = s.draw(0.1, 0.5)
    if s.chance(0.4):
        s.then(s.draw(0.4, 0.8), flex=s.draw(80, 130), elbow=s.draw(70, 110))
        hit = s.blow(s.draw(0.12, 0.25), flex=s.draw(110, 150), elbow=s.draw(20, 50))
        s.shock(
            hit, "hand", acc=(20, 200), rate=(20, 250), ring_hz=(50, 250), decay_s=(0.004, 0.015)
        )
        s.wait(0.2)
    else:
        s.then(s.draw(0.5, 1.0), flex=s.draw(40, 75), elbow=s.draw(20, 60), pron=s.draw(-40, 40))
        shake = s.draw(0.4, 1.4)
        s.wave("elbow", s.now, s.now + shake, s.draw(2, 4), s.draw(1, 9), 0.0)
        s.wait(shake)
    s.then(s.draw(0.6, 1.1), flex=5.0, elbow=15.0, pron=0.0)


def _aim(s: Score) -> None:
    """Point the club at the target, hold it there, lower it."""
    _hang(s)
    s.now = s.draw(0.2, 0.8)
    s.then(
        s.draw(0.8, 1.6),
        flex=s.draw(60, 90),
        elbow=s.draw(5, 40),
        across=s.draw(-20, 50),
        grip=s.draw(0, 60),
    )
    s.wave("flex", s.now, s.now + 1.4, s.draw(0.5, 1.2), s.draw(0.5, 3), 0.0)
    s.wait(s.draw(1.5, 4.0))
    s.then(s.draw(0.8, 1.6), flex=5.0, elbow=15.0, across=0.0, grip=s.draw(60, 100))


def _lean_on_club(s: Score) -> None:
    """Lean on the club, its head on the ground, shifting now and then, tapping the ground."""
    _hang(s)
    s.start(elbow=s.draw(25, 60), flex=s.draw(5, 25), grip=s.draw(-50, -15))
    end = s.draw(3, 14)
    while s.now < end:
        s.to(
            s.now,
            s.draw(0.5, 1.4),
            grip=s.at("grip") + s.draw(-8, 8),
            sway=s.draw(-10, 10),
            lean=s.draw(-5, 5),
            flex=s.draw(5, 25),
            spin=s.at("spin") + s.draw(-25, 25),
        )
        if s.chance(0.3):
            s.shock(
                s.now + s.draw(0.2, 0.6),
                "tap",
                acc=(10, 150),
                rate=(10, 250),
                ring_hz=(100, 500),
                decay_s=(0.003, 0.012),
            )
        s.wait(s.draw(0.8, 3.5))
    s.wait(0.6)


def _knock_shoes(s: Score) -> None:
    """Knock mud off the shoes with the club: taps with shocks."""
    _hang(s)
    s.now = s.draw(0.1, 0.4)
    s.then(
        s.draw(0.6, 1.2),
        bend=s.draw(10, 35),
        flex=s.draw(15, 45),
        elbow=s.draw(10, 50),
        grip=s.draw(20, 70),
    )
    rest = s.at("sway")
    for _ in range(s.rng.integers(3, 10)):
        s.then(s.draw(0.15, 0.35), sway=rest + s.draw(8, 28), wdev=s.draw(2, 10))
        hit = s.blow(s.draw(0.08, 0.2), at=0.65, sway=rest, wdev=0.0)
        s.shock(
            hit, "tap", acc=(60, 800), rate=(60, 900), ring_hz=(100, 500), decay_s=(0.003, 0.012)
        )
        s.now = hit + s.draw(0.05, 0.3)
    s.wait(0.3)
    s.then(s.draw(0.6, 1.2), bend=5.0, flex=5.0, elbow=15.0)


def _rake(s: Score) -> None:
    """Rake a ball nearer with the club head: small sweeps of less than 26 deg, scraping."""
    _hang(s)
    s.start(bend=s.draw(10, 30), flex=s.draw(20, 45), elbow=s.draw(5, 30), grip=s.draw(25, 60))
    s.now = s.draw(0.2, 0.6)
    for _ in range(s.rng.integers(1, 6)):
        size = s.draw(4, 24)
        s.then(s.draw(0.35, 0.8), grip=s.at("grip") + 0.7 * size, elbow=s.at("elbow") - 0.3 * size)
        if s.chance(0.6):
            s.shock(
                s.now + 0.1,
                "mat",
                acc=(5, 60),
                rate=(5, 80),
                ring_hz=(60, 300),
                decay_s=(0.004, 0.02),
            )
        s.then(s.draw(0.35, 0.8), grip=s.at("grip") - 0.7 * size, elbow=s.at("elbow") + 0.3 * size)
        s.wait(s.draw(0.0, 0.8))
    s.then(s.draw(0.7, 1.2), bend=5.0, flex=5.0)


_ANY: dict[str, Callable[[Score], None]] = {
    "walk": _walk,
    "walk_with_club": _walk_with_club,
    "carry_bag": _carry_bag,
    "stand": _stand,
    "tee_up": _tee_up,
    "pick_up_balls": _pick_up_balls,
    "twirl": _twirl,
    "waggle": _waggle,
    "bag": _bag,
    "wipe_club": _wipe_club,
    "hand_over": _hand_over,
    "aim": _aim,
    "trunk_stretch": _trunk_stretch,
    "lean_on_club": _lean_on_club,
    "knock_shoes": _knock_shoes,
    "rake": _rake,
}
_EMPTY_HANDED: dict[str, Callable[[Score], None]] = {
    "clap": _clap,
    "throw_overhand": _throw_overhand,
    "throw_underhand": _throw_underhand,
    "hammer": _hammer,
    "racket_forehand": _racket_forehand,
    "racket_backhand": _racket_backhand,
    "racket_serve": _racket_serve,
    "scratch": _scratch,
    "phone": _phone,
    "drink": _drink,
    "shoulder": _shoulder,
    "jump": _jump,
}
_EITHER_ARM = frozenset(
    {
        "throw_overhand",
        "throw_underhand",
        "hammer",
        "racket_forehand",
        "racket_backhand",
        "racket_serve",
        "scratch",
        "phone",
        "drink",
        "hand_over",
        "pick_up_balls",
        "tee_up",
    }
)


def activity_kinds(mount: Mount) -> tuple[str, ...]:
    """Names of the activities for a mount; nobody claps or throws with a club in the hand."""
    kinds = list(_ANY) if mount == "club" else [*_ANY, *_EMPTY_HANDED]
    return (*kinds, "handle")


def random_activity(
    rng: Generator,
    *,
    mount: Mount,
    grid_hz: float,
    kind: str | None = None,
    handedness: Handedness = "right",
) -> Action:
    """Draw something that people do between swings.

    Parameters
    ----------
    rng
        Source of everything drawn.
    mount
        Which segment carries the sensor.
    grid_hz
        Rate of the grid the motion is given on.
    kind
        One of `activity_kinds`; None: any of them.
    handedness
        The player's; a left-handed player is the mirror image.

    Returns
    -------
    Action
        From rest to rest, about 2-30 s long, without swings.

    Raises
    ------
    ValueError
        If there is no such activity for this mount.
    """
    kinds = activity_kinds(mount)
    if kind is None:
        kind = kinds[rng.integers(len(kinds))]
    if kind not in kinds:
        raise ValueError(f"no activity {kind!r} for a sensor on the {mount}")
    if kind == "handle":
        return _handle(rng, grid_hz=grid_hz)
    score = Score(rng=rng)
    {**_ANY, **_EMPTY_HANDED}[kind](score)
    score.now += 0.1
    score.restless(score.draw(0.4, 1.6))
    # Now and then the other arm does it and this one merely goes along.
    other = mount in ("wrist", "glove") and kind in _EITHER_ARM and score.chance(0.3)
    share = score.draw(0.1, 0.4) if other else 1.0
    return play(score, mount=mount, grid_hz=grid_hz, name=kind, share=share, side=handedness)


def _handle(rng: Generator, *, grid_hz: float) -> Action:
    """Take the sensor off or put it on: it lies, is picked up, turned over and laid down."""
    key_hz = grid_hz / KEY_STEPS
    moves: list[tuple[float, float, Floats, Floats]] = []
    shocks: list[tuple[float, float]] = []
    now = float(rng.uniform(0.3, 4.0))
    for _ in range(rng.integers(1, 4)):
        shift = rng.uniform(-0.25, 0.25, 3)
        lift = float(rng.uniform(0.1, 0.6))
        moves.append(
            (
                now,
                float(rng.uniform(0.4, 1.2)),
                rng.standard_normal(3) * 0.5,
                shift + np.array([0.0, 0.0, lift]),
            )
        )
        now += moves[-1][1] * float(rng.uniform(0.5, 1.1))
        for _ in range(rng.integers(1, 7)):
            turn = rng.standard_normal(3)
            angle = float(rng.uniform(0.2, 2.8))
            turn *= angle / np.linalg.norm(turn)
            length = max(float(rng.uniform(0.25, 1.1)), 1.875 * angle / _HANDLING_RAD_S)
            moves.append((now, length, turn, rng.uniform(-0.12, 0.12, 3)))
            now += length * float(rng.uniform(0.6, 1.6))
        length = float(rng.uniform(0.5, 1.2))
        moves.append(
            (now, length, rng.standard_normal(3) * 0.4, rng.uniform(-0.1, 0.1, 3) - [0, 0, lift])
        )
        now += length
        shocks.append((now, float(np.exp(rng.uniform(np.log(3.0), np.log(80.0))))))
        now += float(rng.uniform(0.5, 5.0))
    time = np.arange(int(np.ceil(now * key_hz)) + 1) / key_hz
    quat = np.tile(quat_exp(rng.standard_normal(3) * 1.5), (len(time), 1))
    pos = np.zeros((len(time), 3))
    for start, length, turn, shift in moves:
        done = minimum_jerk((time - start) / length)[:, None]
        quat = quat_multiply(quat, quat_exp(done * turn))
        pos += done * shift
    quat, pos = fill_in(quat, pos)
    return Action(
        rate_hz=grid_hz,
        quat_wxyz=quat,
        pos_m=pos,
        name="handle",
        shocks=tuple(
            Shock(
                index=round(at * grid_hz),
                kind="tap",
                rate_dps=rng.standard_normal(3) * acc,
                acc_m_s2=rng.standard_normal(3) * acc,
                ring_hz=float(rng.uniform(60, 400)),
                decay_s=float(rng.uniform(0.003, 0.015)),
            )
            for at, acc in shocks
        ),
    )
