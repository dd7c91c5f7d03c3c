"""A score for a person's joints, and the motion of any segment that follows from it.

A person is a small chain: pelvis, trunk, upper arm, forearm, hand and, held in the hand, a club.
A score says what each joint does: overlapping minimum-jerk movements (a common description of
human reaching: Flash & Hogan 1985, J Neurosci 5:1688, from memory), steady waves (walking,
scratching), sudden stops (a hammer on a nail) and shocks. One score serves every mount: the
segment that carries the sensor is read off the same chain.

The chain has the lead arm of a right-handed golfer, the left one. A left-handed player is its
mirror image.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from sensor.rotation import mirror_quat, quat_normalize, quat_rotate
from simulation.motion.action import Action, Handedness, Mount, Shock

Floats = NDArray[np.float64]
Generator = np.random.Generator

KEY_STEPS = 4
"""The chain is computed on every fourth grid point (800 Hz at 3200 Hz) and a cubic spline fills
in: fast human movement ends below about 15 Hz, so nothing is lost."""

# Place of each joint from the one before, metres, in the frame of the segment before
# (average adult, from memory). In the chain's own frames limbs hang along -z.
_SHOULDER_M = np.array([-0.19, 0.0, 0.42])  # from the pelvis, along the trunk
_BACK_M = np.array([0.0, -0.10, 0.40])
_UPPER_ARM_M = 0.30
_FOREARM_M = 0.25
_WRIST_SITE_M = 0.21  # just above the joint
_GLOVE_SITE_M = 0.07  # back of the hand, from the joint
_GRIP_M = 0.08  # middle of the grip, from the joint
_CLUB_SITE_M = 0.30  # below the hands
PELVIS_M = 0.95

_DEGREES = (
    "yaw",  # whole body about the vertical, to the left
    "bend",  # trunk forwards
    "lean",  # trunk to the side
    "across",  # arm about the trunk's long axis, outwards
    "flex",  # arm forwards and up
    "abd",  # arm out to the side and up
    "axial",  # upper arm about itself
    "elbow",
    "pron",  # forearm about itself
    "wflex",  # wrist
    "wdev",
    "grip",  # club against the forearm's line: 0 straight on, 90 square
    "sway",  # club sideways in the hand
    "spin",  # club about its own shaft
)
_METRES = ("x", "y", "z")
_ARM = ("across", "flex", "abd", "axial", "elbow", "pron", "wflex", "wdev", "grip", "sway", "spin")


def minimum_jerk(u: Floats) -> Floats:
    """Share of a rest-to-rest movement done at the share `u` of its time, any shape."""
    u = np.clip(u, 0.0, 1.0)
    return np.asarray(u * u * u * (10.0 + u * (6.0 * u - 15.0)), dtype=float)


def minimum_jerk_rate(u: Floats) -> Floats:
    """Derivative of `minimum_jerk`; 1.875 at its greatest, in the middle."""
    u = np.clip(u, 0.0, 1.0)
    return np.asarray(30.0 * (u * (1.0 - u)) ** 2, dtype=float)


@dataclass(slots=True)
class Score:
    """What each joint does, and when. Degrees, metres, seconds."""

    rng: Generator
    pose: dict[str, float] = field(default_factory=dict)
    now: float = 0.0
    moves: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)
    waves: list[tuple[str, float, float, float, float, float]] = field(default_factory=list)
    stops: list[tuple[float, float, float, float]] = field(default_factory=list)
    shocks: list[tuple[float, str, float, float, float, float]] = field(default_factory=list)
    paths: list[tuple[str, float, Floats, Floats]] = field(default_factory=list)
    _at: dict[str, float] = field(default_factory=dict)

    def draw(self, low: float, high: float) -> float:
        """A number between the two."""
        return float(self.rng.uniform(low, high))

    def chance(self, probability: float) -> bool:
        """True so often."""
        return bool(self.rng.uniform() < probability)

    def start(self, **pose: float) -> None:
        """Pose at the beginning."""
        for joint, value in pose.items():
            self.pose[joint] = value
            self._at[joint] = value

    def at(self, joint: str) -> float:
        """Where a joint will be when all that is written so far is done."""
        return self._at.get(joint, 0.0)

    def move(self, start_s: float, length_s: float, **by: float) -> None:
        """Move joints by so much, from rest to rest. Movements may overlap; they add up."""
        for joint, delta in by.items():
            self.moves.setdefault(joint, []).append((start_s, length_s, delta))
            self._at[joint] = self.at(joint) + delta

    def to(self, start_s: float, length_s: float, **targets: float) -> None:
        """Move joints to so much."""
        self.move(start_s, length_s, **{j: v - self.at(j) for j, v in targets.items()})

    def then(self, length_s: float, **targets: float) -> None:
        """Move joints to so much, beginning now; now is then the end of it."""
        self.to(self.now, length_s, **targets)
        self.now += length_s

    def wait(self, length_s: float) -> None:
        """Let time go by."""
        self.now += length_s

    def wave(
        self, joint: str, start_s: float, end_s: float, hz: float, size: float, phase: float = 0.0
    ) -> None:
        """Let a joint go to and fro, fading in and out at the ends."""
        self.waves.append((joint, start_s, end_s, hz, size, phase))

    def blow(
        self,
        length_s: float,
        *,
        at: float = 0.6,
        keep: float = 0.0,
        stop_s: float = 0.008,
        **targets: float,
    ) -> float:
        """Move joints to so much and hit something there, at full speed.

        The movement is planned beyond what is hit: the hit comes at the share `at` of it, and
        within `stop_s` the arm loses all but the share `keep` of its rate, of which the rest of
        the plan is left. Returns the time of the hit; now is then the end of it all.
        """
        done = float(minimum_jerk(np.array(at)))
        hit = self.now + length_s
        whole = length_s / at
        for joint, target in targets.items():
            delta = target - self.at(joint)
            self.moves.setdefault(joint, []).append((self.now, whole, delta / done))
            self._at[joint] = target + keep * delta * (1.0 / done - 1.0)
        self.stops.append((hit, self.now + whole, keep, stop_s))
        self.now += whole
        return hit

    def shock(
        self,
        time_s: float,
        kind: str,
        *,
        acc: tuple[float, float],
        rate: tuple[float, float],
        ring_hz: tuple[float, float],
        decay_s: tuple[float, float],
    ) -> None:
        """Something hits, with strengths (m/s2, deg/s) drawn evenly in their logarithm."""

        def draw(low_high: tuple[float, float]) -> float:
            return float(np.exp(self.draw(np.log(low_high[0]), np.log(low_high[1]))))

        self.shocks.append((time_s, kind, draw(acc), draw(rate), draw(ring_hz), draw(decay_s)))

    def restless(self, size: float = 1.0) -> None:
        """Small slow unrest of every joint all along, as no one is ever a statue."""
        for joint in _DEGREES[:12]:
            scale = 0.25 if joint in ("yaw", "bend", "lean") else 1.0
            for _ in range(2):
                self.wave(
                    joint,
                    0.0,
                    self.now,
                    self.draw(0.15, 1.3),
                    size * scale * self.draw(0.1, 0.9),
                    self.draw(0.0, 360.0),
                )


def play(
    score: Score, *, mount: Mount, grid_hz: float, name: str, share: float, side: Handedness
) -> Action:
    """Motion of the segment that carries the sensor; `share` scales what the arm does."""
    key_hz = grid_hz / KEY_STEPS
    time = np.arange(int(np.ceil(score.now * key_hz)) + 1) / key_hz
    joints = {name: _track(score, name, time, share) for name in (*_DEGREES, *_METRES)}
    quat, pos = _chain(joints, mount, len(time))
    quat, pos = fill_in(quat, pos)
    if side == "left":
        quat, pos = mirror_quat(quat), pos * np.array([-1.0, 1.0, 1.0])
    return Action(
        rate_hz=grid_hz,
        quat_wxyz=quat,
        pos_m=pos,
        name=name,
        shocks=_shocks(score, mount, grid_hz, len(quat), share),
    )


def _track(score: Score, joint: str, time: Floats, share: float) -> Floats | float:
    """One joint over time: degrees or metres."""
    base = score.pose.get(joint, 0.0)
    moves = score.moves.get(joint, [])
    waves = [w for w in score.waves if w[0] == joint]
    paths = [p for p in score.paths if p[0] == joint]
    if not moves and not waves and not paths:
        return base
    step = time[1] - time[0]
    rate = np.zeros_like(time)
    for start, length, delta in moves:
        i, j = _range(time, start, start + length)
        rate[i:j] += delta / length * minimum_jerk_rate((time[i:j] - start) / length)
    if joint not in _METRES:
        for hit, end, keep, width in score.stops:
            # The gate closes at the hit and opens again when the plan it cuts short is over.
            i, j = _range(time, hit, end + 0.001)
            rate[i:j] *= 1.0 - (1.0 - keep) * minimum_jerk((time[i:j] - hit) / width)
    value = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) * step))
    for _, start, end, hz, size, phase in waves:
        i, j = _range(time, start, end)
        t = time[i:j]
        fade = min(0.45 * (end - start), 0.5 + 0.5 / hz)
        envelope = minimum_jerk((t - start) / fade) * minimum_jerk((end - t) / fade)
        value[i:j] += size * envelope * np.sin(2.0 * np.pi * hz * (t - start) + np.radians(phase))
    for _, start, at, by in paths:
        part = np.interp(time - start, at, by)
        # Leaving the ground and landing take some 10 ms, not nought.
        value += gaussian_filter1d(part, 0.012 / step, mode="nearest")
    return base + value * (share if joint in _ARM else 1.0)


def _range(time: Floats, start: float, end: float) -> tuple[int, int]:
    """Indices that cover the times from `start` to `end`."""
    rate = (len(time) - 1) / time[-1]
    i = max(0, int(np.floor(start * rate)))
    return i, max(i, min(len(time), int(np.ceil(end * rate)) + 1))


def _turn(q: Floats, axis: int, degrees: Floats | float) -> Floats:
    """Append a turn about an own axis (0 x, 1 y, 2 z) to quaternions (4, n)."""
    if isinstance(degrees, float) and degrees == 0.0:
        return q
    half = np.radians(degrees) * 0.5
    c, s = np.cos(half), np.sin(half)
    w, x, y, z = q
    if axis == 0:
        return np.stack((w * c - x * s, x * c + w * s, y * c + z * s, z * c - y * s))
    if axis == 1:
        return np.stack((w * c - y * s, x * c - z * s, y * c + w * s, z * c + x * s))
    return np.stack((w * c - z * s, x * c + y * s, y * c - x * s, z * c + w * s))


def _chain(joints: dict[str, Floats | float], mount: Mount, n: int) -> tuple[Floats, Floats]:
    """Attitude (n, 4) and place (n, 3) of the sensor's segment from the joints."""
    q = np.zeros((4, n))
    q[0] = 1.0
    pos = np.stack([np.broadcast_to(joints[m], (n,)) for m in _METRES], axis=1).astype(float)
    q = _turn(q, 2, joints["yaw"])
    q = _turn(q, 0, np.negative(joints["bend"]))
    q = _turn(q, 1, joints["lean"])
    if mount == "trunk":
        return _turn(q, 1, -90.0).T, pos + quat_rotate(q.T, _BACK_M)
    pos = pos + quat_rotate(q.T, _SHOULDER_M)
    for axis, joint in ((2, "across"), (0, "flex"), (1, "abd"), (2, "axial")):
        q = _turn(q, axis, joints[joint])
    pos = pos + quat_rotate(q.T, np.array([0.0, 0.0, -_UPPER_ARM_M]))
    q = _turn(q, 0, joints["elbow"])
    q = _turn(q, 2, joints["pron"])
    if mount == "wrist":
        return _turn(q, 1, 90.0).T, pos + quat_rotate(q.T, np.array([0.0, 0.0, -_WRIST_SITE_M]))
    pos = pos + quat_rotate(q.T, np.array([0.0, 0.0, -_FOREARM_M]))
    q = _turn(q, 0, joints["wflex"])
    q = _turn(q, 1, joints["wdev"])
    if mount == "glove":
        return _turn(q, 1, 90.0).T, pos + quat_rotate(q.T, np.array([0.0, 0.0, -_GLOVE_SITE_M]))
    pos = pos + quat_rotate(q.T, np.array([0.0, 0.0, -_GRIP_M]))
    for axis, joint in ((0, "grip"), (1, "sway"), (2, "spin")):
        q = _turn(q, axis, joints[joint])
    return _turn(q, 1, 90.0).T, pos + quat_rotate(q.T, np.array([0.0, 0.0, -_CLUB_SITE_M]))


def fill_in(quat: Floats, pos: Floats) -> tuple[Floats, Floats]:
    """Cubic splines through every fourth grid point, read on the whole grid."""
    n = len(quat)
    spline = CubicSpline(
        np.arange(n, dtype=float), np.concatenate((quat, pos), axis=1), bc_type="clamped"
    )
    part = np.arange(KEY_STEPS) / KEY_STEPS
    powers = np.stack([part**3, part**2, part, np.ones(KEY_STEPS)], axis=1)
    fine = np.einsum("sp,pnk->nsk", powers, spline.c).reshape(-1, 7)
    fine = np.concatenate((fine, spline(float(n - 1))[None, :]))
    return quat_normalize(fine[:, :4]), fine[:, 4:]


def _shocks(score: Score, mount: Mount, grid_hz: float, n: int, share: float) -> tuple[Shock, ...]:
    """The shocks as the sensor on this mount feels them."""
    rng = score.rng
    out = []
    for time_s, kind, acc, rate, ring_hz, decay_s in score.shocks:
        index = round(time_s * grid_hz)
        way = rng.standard_normal((2, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        spread = float(rng.uniform(0.1, 0.3))
        if not 0 < index < n - 1:
            continue
        if kind in ("foot", "landing"):
            # Comes from below: strongest at the trunk, less along the arm and the club.
            felt = 1.0 if mount == "trunk" else 0.4
        elif mount == "trunk":
            felt = spread * 0.3
            decay_s = max(decay_s, 0.012)
            ring_hz = min(ring_hz, 60.0)
        else:
            felt = share if share == 1.0 else 0.2 * share
        out.append(
            Shock(
                index=index,
                kind=kind,
                rate_dps=way[0] * rate * felt,
                acc_m_s2=way[1] * acc * felt,
                ring_hz=ring_hz,
                decay_s=decay_s,
            )
        )
    return tuple(out)
