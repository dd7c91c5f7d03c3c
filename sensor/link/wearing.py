"""Is the sensor on, streaming, firm and able to follow a swing; and does it stay where it is?

At the start a look of ten seconds: hold still, then one waggle. Later only gravity is looked at:
its direction in the sensor's frame, in the moments at address before each swing. The player comes
back to much the same pose, so a direction that creeps away is a strap that slips, and one that
leaps and stays away is a sensor put on anew. A turn of the sensor about the vertical can't be seen
this way.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from words.glossary import PLACES
from words.units import G_N_M_S2

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


_PLACES: Final = {**PLACES, "club": "club"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WearingParams:
    """Limits, each with its reason."""

    guidance_s: float = 10.0
    """Length of the look at the start: long enough to stand still and waggle once."""

    bin_s: float = 0.1
    """Step in which the stream is looked at."""

    still_s: float = 1.0
    """A second of rest: averages tremor."""

    still_gyr_dps: float = 6.0
    """A person standing sways by a degree or two a second (as the swing finder has it)."""

    still_acc_m_s2: float = 0.6
    """As the swing finder has it."""

    gravity_tolerance: float = 0.05
    """Data sheets allow an offset of 20-80 mg (from memory); 5 % is 50 mg on one axis."""

    waggle_dps: float = 60.0
    """A waggle is well above sway and tremor. (Chosen here.)"""

    waggle_bins: int = 3

    knock_m_s2: float = 8.0
    """Second difference of the acceleration between samples. A smooth waggle of 3 Hz and 20 m/s2
    makes 0.2 m/s2 of it at 200 Hz and 0.7 at 100 Hz; a loose sensor knocks. (Chosen here.)"""

    address_s: float = 0.5
    """The moment before takeaway over which gravity is read."""

    address_acc_spread_m_s2: float = 1.0
    """An address less still than that isn't compared."""

    address_peak_dps: float = 25.0
    """Nor one in which the sensor turned faster: sway, tremor and a chip's bias stay below (as the
    swing finder has it)."""

    apart_s: float = 6.0
    """Swings that follow one another more closely are made to and fro, without an address."""

    reference_swings: int = 4
    """First swings of a segment whose median is the reference."""

    recent_swings: int = 3
    """So many in a row must agree before a word is said: a single odd address isn't a slip."""

    slip_deg: float = 10.0
    """Drift that is told. The address of one player with one club scatters by a few degrees
    (simulated: see tests/sensor/link/test_wearing.py; from memory for real players)."""

    jump_deg: float = 20.0
    """A change from one swing to the next that stays: put on anew. (Chosen here.)"""


@dataclass(frozen=True, slots=True)
class WearingNote:
    """One thing found.

    Attributes
    ----------
    code : str
        streaming, gravity, gravity_off, not_still, waggle, no_waggle, knock, range, slipped,
        restrapped.
    text : str
        For people.
    ok : bool
        Nothing has to be done.
    fields : dict
        For a marker.
    """

    code: str
    text: str
    ok: bool
    fields: dict[str, Any] = field(default_factory=dict)


# Range wanted at each place, from full swings simulated by both models (24 at each place: `seed`
# 4000 on, `simulate_swing`): greatest rates 710-1340 deg/s at the forearm, 1080-2030 at the hand,
# 1120-2100 at the club, 320-800 at the upper back; greatest pull before impact 6-19, 8-23, 16-51
# and 1-2 g. The next larger range that is sold (from memory) is wanted; fast players exceed these
# figures. Impact itself exceeds every common range for some samples.
_GYR_WANTED_DPS: Final = {"wrist": 2000.0, "glove": 2000.0, "club": 4000.0, "trunk": 1000.0}
_ACC_WANTED_G: Final = {"wrist": 16.0, "glove": 32.0, "club": 64.0, "trunk": 8.0}


def range_notes(
    mount: str | None, gyr_range_dps: float | None, acc_range_g: float | None
) -> tuple[WearingNote, ...]:
    """Say whether the ranges are too small for the mount."""
    out = []
    place = _PLACES.get(mount or "", "")
    wanted = _GYR_WANTED_DPS.get(mount or "")
    if wanted is not None and gyr_range_dps is not None and gyr_range_dps < 0.99 * wanted:
        out.append(
            WearingNote(
                "range",
                f"a gyro of ±{gyr_range_dps:g} deg/s clips in fast swings on the {place}: peak "
                f"rates will then be 'at least' (≥); set ±{wanted:g} if the sensor can",
                False,
                {"gyr_range_dps": gyr_range_dps, "wanted_dps": wanted},
            )
        )
    wanted = _ACC_WANTED_G.get(mount or "")
    if wanted is not None and acc_range_g is not None and acc_range_g < 0.99 * wanted:
        out.append(
            WearingNote(
                "range",
                f"an accelerometer of ±{acc_range_g:g} g clips in fast swings on the {place}; set "
                f"±{wanted:g} g if the sensor can",
                False,
                {"acc_range_g": acc_range_g, "wanted_g": wanted},
            )
        )
    return tuple(out)


@dataclass(slots=True)
class _Bin:
    """A tenth of a second."""

    last_seq: int
    n: int
    acc: Array
    acc_sq: float
    gyr: Array
    gyr_sq: float
    peak_dps: float
    knock: float


class Wearing:
    """Look at how the sensor is worn while samples come in.

    Parameters
    ----------
    mount : str or None
    rate_hz : float
        Nominal sample rate.
    gyr_range_dps, acc_range_g : float, optional
    somebody : bool
        Somebody wears it now and can be asked to stand still and waggle; False for a simulation
        and a replay, of which what isn't seen isn't asked for.
    params : WearingParams, optional
    """

    def __init__(
        self,
        *,
        mount: str | None,
        rate_hz: float,
        gyr_range_dps: float | None = None,
        acc_range_g: float | None = None,
        somebody: bool = True,
        params: WearingParams | None = None,
    ) -> None:
        self.params = params or WearingParams()
        self.mount = mount
        self.rate_hz = rate_hz
        self.guiding = True
        self._somebody = somebody
        self._n_bin = max(2, round(self.params.bin_s * rate_hz))
        self._still_bins = max(2, round(self.params.still_s / self.params.bin_s))
        # Gravity before takeaway is asked for when the swing is over: some seconds later.
        self._bins: deque[_Bin] = deque(maxlen=round(8.0 / self.params.bin_s))
        self._part: list[tuple[Ints, Array, Array]] = []
        self._n_part = 0
        self._n_all = 0
        self._begun: list[WearingNote] = list(range_notes(mount, gyr_range_dps, acc_range_g))
        self._gravity: WearingNote | None = None
        self._moving = 0
        self._waggled = False
        self._knocked = False
        self._reference: list[Array] = []
        self._recent: deque[Array] = deque(maxlen=self.params.recent_swings)
        self._told = False
        self._last_takeaway_seq = -math.inf

    # -- the stream ------------------------------------------------------------------------------

    def feed(self, seq: Ints, acc_m_s2: Array, gyr_dps: Array) -> list[WearingNote]:
        """Take samples, any number at a time.

        Returns
        -------
        list of WearingNote
            What became clear with them; nothing after the guidance.
        """
        self._part.append((seq, acc_m_s2, gyr_dps))
        self._n_part += len(seq)
        if self._n_part < self._n_bin:
            return []
        seq = np.concatenate([part[0] for part in self._part])
        acc = np.concatenate([part[1] for part in self._part])
        gyr = np.concatenate([part[2] for part in self._part])
        self._part.clear()
        self._n_part = 0
        out: list[WearingNote] = []
        for start in range(0, len(seq), self._n_bin):
            part = slice(start, start + self._n_bin)
            self._bins.append(_bin(seq[part], acc[part], gyr[part]))
            self._n_all += len(seq[part])
            if self.guiding:
                out += self._guide()
        return out

    def _guide(self) -> list[WearingNote]:
        params, out = self.params, self._begun
        self._begun = []
        if self._n_all <= 2 * self._n_bin and not any(note.code == "streaming" for note in out):
            out = [WearingNote("streaming", "samples are coming", True), *out]
            self._n_all += 2 * self._n_bin  # said once
        now = self._bins[-1]
        if self._gravity is None:
            self._gravity = self._weigh()
            if self._gravity is not None:
                out.append(self._gravity)
        elif not self._waggled:
            self._moving = self._moving + 1 if now.peak_dps > params.waggle_dps else 0
            if self._moving >= params.waggle_bins:
                self._waggled = True
                out.append(WearingNote("waggle", "the waggle came through", True))
        if self._waggled and not self._knocked and now.knock > params.knock_m_s2:
            self._knocked = True
            out.append(
                WearingNote(
                    "knock",
                    "knocks were felt: if the club touched nothing, the sensor sits loose - "
                    "fasten it",
                    False,
                    {"knock_m_s2": round(now.knock, 1)},
                )
            )
        if self._n_all >= params.guidance_s * self.rate_hz:
            self.guiding = False
            if not self._somebody:
                pass
            elif self._gravity is None:
                out.append(
                    WearingNote(
                        "not_still",
                        "no still second was seen, so gravity couldn't be checked: stand still for "
                        "a moment now and then",
                        False,
                    )
                )
            elif not self._waggled:
                out.append(
                    WearingNote(
                        "no_waggle",
                        "no waggle was seen: is it this sensor that is being worn?",
                        False,
                    )
                )
        return out

    def _weigh(self) -> WearingNote | None:
        """Check gravity if the last second was still."""
        params = self.params
        if len(self._bins) < self._still_bins:
            return None
        bins = list(self._bins)[-self._still_bins :]
        acc, acc_spread, gyr_spread = _pooled(bins)
        if acc_spread > params.still_acc_m_s2 or gyr_spread > params.still_gyr_dps:
            return None
        size = float(np.linalg.norm(acc))
        off = size / G_N_M_S2 - 1.0
        values = {"gravity_m_s2": round(size, 3), "direction": _rounded(acc / max(size, 1e-9))}
        if abs(off) <= params.gravity_tolerance:
            return WearingNote(
                "gravity", f"still; gravity reads {size:.2f} m/s² (9.81 is right)", True, values
            )
        return WearingNote(
            "gravity_off",
            f"gravity reads {size:.2f} m/s² instead of 9.81 ({100 * off:+.0f} %): calibrate the "
            "sensor, and see that its range is what it says",
            False,
            values,
        )

    # -- from swing to swing ---------------------------------------------------------------------

    def new_segment(self) -> None:
        """Forget the reference: another player or club stands differently."""
        self._reference.clear()
        self._recent.clear()
        self._told = False

    def address(self, takeaway_seq: float) -> WearingNote | None:
        """Compare gravity before a swing with that before earlier ones.

        Parameters
        ----------
        takeaway_seq : float
            Sample at which the swing began.

        Returns
        -------
        WearingNote or None
            ``slipped`` or ``restrapped``, once for each time it happens.
        """
        params = self.params
        apart_s = (takeaway_seq - self._last_takeaway_seq) / self.rate_hz
        self._last_takeaway_seq = takeaway_seq
        direction = self._direction_before(takeaway_seq)
        if direction is None or apart_s < params.apart_s:
            return None
        if len(self._reference) < params.reference_swings:
            self._reference.append(direction)
            return None
        self._recent.append(direction)
        if len(self._recent) < params.recent_swings:
            return None
        reference = _middle(self._reference)
        now = _middle(list(self._recent))
        spread = max(_angle_deg(now, one) for one in self._recent)
        away = _angle_deg(reference, now)
        if spread > 0.5 * params.jump_deg or away < params.slip_deg:
            if away < 0.5 * params.slip_deg:
                self._told = False
            return None
        if self._told:
            return None
        jumped = away >= params.jump_deg
        values = {"away_deg": round(away, 1), "direction": _rounded(now)}
        if jumped:
            # From here on things are compared with how it is worn now.
            self._reference = list(self._recent)
            self._recent.clear()
            return WearingNote(
                "restrapped",
                f"gravity at address has leapt by {away:.0f} deg: the sensor sits otherwise than "
                "before (put on anew, or turned); compare swings across this with care",
                False,
                values,
            )
        self._told = True
        return WearingNote(
            "slipped",
            f"gravity at address has crept {away:.0f} deg away since the first swings: is the "
            "strap slipping?",
            False,
            values,
        )

    def _direction_before(self, takeaway_seq: float) -> Array | None:
        """Direction of the pull of gravity just before a sample, or None where it wasn't still."""
        params = self.params
        first = takeaway_seq - params.address_s * self.rate_hz
        bins = [
            one
            for one in self._bins
            if first <= one.last_seq - one.n + 1 and one.last_seq <= takeaway_seq
        ]
        if len(bins) < 2:
            return None
        acc, acc_spread, gyr_spread = _pooled(bins)
        size = float(np.linalg.norm(acc))
        if (
            acc_spread > params.address_acc_spread_m_s2
            or gyr_spread > params.still_gyr_dps
            or max(one.peak_dps for one in bins) > params.address_peak_dps
            or abs(size / G_N_M_S2 - 1.0) > 2.0 * params.gravity_tolerance
        ):
            # Swung on from another movement, say: not at address.
            return None
        return acc / size


def _bin(seq: Ints, acc: Array, gyr: Array) -> _Bin:
    rates = np.sqrt((gyr * gyr).sum(axis=1))
    knock = 0.0
    # Only between neighbours: across a hole any difference is large.
    if len(acc) > 2 and int(seq[-1] - seq[0]) == len(seq) - 1:
        bend = np.diff(acc, 2, axis=0)
        knock = float(np.sqrt((bend * bend).sum(axis=1)).max())
    return _Bin(
        last_seq=int(seq[-1]),
        n=len(seq),
        acc=acc.sum(axis=0),
        acc_sq=float((acc * acc).sum()),
        gyr=gyr.sum(axis=0),
        gyr_sq=float((gyr * gyr).sum()),
        peak_dps=float(rates.max()),
        knock=knock,
    )


def _pooled(bins: Sequence[_Bin]) -> tuple[Array, float, float]:
    """Mean acceleration of bins, and the rms spread of acceleration and rate about their means."""
    n = sum(one.n for one in bins)
    acc = np.sum([one.acc for one in bins], axis=0) / n
    gyr = np.sum([one.gyr for one in bins], axis=0) / n
    acc_sq = sum(one.acc_sq for one in bins) / n - float(acc @ acc)
    gyr_sq = sum(one.gyr_sq for one in bins) / n - float(gyr @ gyr)
    return np.asarray(acc), math.sqrt(max(0.0, acc_sq)), math.sqrt(max(0.0, gyr_sq))


def _middle(directions: Sequence[Array]) -> Array:
    """Direction of the median of unit vectors."""
    median = np.median(np.stack(directions), axis=0)
    return np.asarray(median / max(float(np.linalg.norm(median)), 1e-9))


def _angle_deg(a: Array, b: Array) -> float:
    return math.degrees(math.acos(float(np.clip(a @ b, -1.0, 1.0))))


def _rounded(vector: Array) -> list[float]:
    return [round(float(value), 3) for value in vector]
