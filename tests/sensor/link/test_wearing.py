"""What is said about how a sensor is worn, and when nothing is said."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from sensor.link.wearing import Wearing, WearingNote, range_notes
from simulation.sessions import SessionSpec, SimulatedSession, simulate_session
from words.cautions import wearing

G = 9.80665
RATE = 200.0
Samples = tuple[np.ndarray, np.ndarray, np.ndarray]


def still(seconds: float, size: float = G) -> tuple[np.ndarray, np.ndarray]:
    n = round(seconds * RATE)
    rng = np.random.default_rng(1)
    acc = np.tile([0.6 * size, 0.0, 0.8 * size], (n, 1)) + rng.normal(0, 0.03, (n, 3))
    return acc, rng.normal(0, 0.5, (n, 3))


def waggle(seconds: float, knock_m_s2: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    acc, gyr = still(seconds)
    t = np.arange(len(acc)) / RATE
    # 3 Hz to and fro, 200 deg/s: about 11 deg.
    gyr[:, 1] += 200.0 * np.cos(2 * np.pi * 3.0 * t)
    acc[:, 0] += 10.0 * np.sin(2 * np.pi * 3.0 * t)
    acc[len(acc) // 2, 2] += knock_m_s2
    return acc, gyr


def feed(
    wearing: Wearing, *parts: tuple[np.ndarray, np.ndarray], size: int = 8
) -> list[WearingNote]:
    acc = np.concatenate([part[0] for part in parts])
    gyr = np.concatenate([part[1] for part in parts])
    seq = np.arange(len(acc))
    out: list[WearingNote] = []
    for start in range(0, len(seq), size):
        part = slice(start, start + size)
        out += wearing.feed(seq[part], acc[part], gyr[part])
    return out


def worn(mount: str = "wrist", gyr: float = 2000.0, acc: float = 16.0) -> Wearing:
    return Wearing(mount=mount, rate_hz=RATE, gyr_range_dps=gyr, acc_range_g=acc)


@settings(max_examples=15, deadline=None)
@given(size=st.integers(1, 500))
def test_all_is_well(size: int) -> None:
    wearing = worn()
    notes = feed(wearing, still(3), waggle(1.5), still(7), size=size)
    assert [note.code for note in notes] == ["streaming", "gravity", "waggle"]
    assert all(note.ok for note in notes)
    assert not wearing.guiding
    gravity = notes[1].fields
    assert gravity["gravity_m_s2"] == pytest.approx(G, rel=0.01)
    np.testing.assert_allclose(gravity["direction"], [0.6, 0.0, 0.8], atol=0.01)


@pytest.mark.parametrize(("factor", "code"), [(0.96, "gravity"), (1.08, "gravity_off")])
def test_gravity(factor: float, code: str) -> None:
    notes = feed(worn(), still(2, factor * G))
    assert notes[1].code == code
    assert notes[1].ok == (code == "gravity")
    if code == "gravity_off":
        assert "(+8 %): calibrate the sensor" in notes[1].text


def test_a_loose_mount_knocks() -> None:
    notes = feed(worn(), still(3), waggle(1.5, knock_m_s2=15.0), still(7))
    assert [note.code for note in notes] == ["streaming", "gravity", "waggle", "knock"]
    assert "sits loose" in notes[-1].text


def test_nobody_moves_and_nobody_stands_still() -> None:
    assert feed(worn(), still(11))[-1].code == "no_waggle"
    notes = feed(worn(), waggle(11))
    assert notes[-1].code == "not_still"
    assert len(notes) == 2
    # Nobody is asked for anything by a simulation or a replay.
    for samples in (still(11), waggle(11)):
        notes = feed(Wearing(mount="wrist", rate_hz=200.0, somebody=False), samples)
        assert not {"no_waggle", "not_still"} & {note.code for note in notes}


@pytest.mark.parametrize(
    ("mount", "gyr", "acc", "words"),
    [
        ("club", 2000.0, 64.0, ["±2000 deg/s clips in fast swings on the club"]),
        ("club", 2000.0, 16.0, ["±2000 deg/s", "±16 g"]),
        ("club", 4000.0, 64.0, []),
        ("glove", 2000.0, 16.0, ["±16 g clips in fast swings on the back of the lead hand"]),
        ("wrist", 2000.0, 16.0, []),
        ("wrist", 1000.0, 16.0, ["±1000 deg/s clips in fast swings on the lead wrist"]),
        ("trunk", 1000.0, 8.0, []),
        (None, 250.0, 2.0, []),
    ],
)
def test_ranges(mount: str | None, gyr: float, acc: float, words: list[str]) -> None:
    notes = range_notes(mount, gyr, acc)
    assert len(notes) == len(words)
    for note, word in zip(notes, words, strict=True):
        assert word in note.text
        assert not note.ok


def test_cautions() -> None:
    assert "fixed and tethered" in wearing("club")[0]
    assert "Nobody within reach" in wearing("club")[1]
    assert "not tight" in wearing("wrist")[0]
    assert wearing(None) == ()


# -- from swing to swing -----------------------------------------------------------------------


def session(mount: str, seed: int, minutes: float = 5.0) -> tuple[SimulatedSession, Samples]:
    made = simulate_session(
        SessionSpec(mount=mount, minutes=minutes, loss=0.0),  # type: ignore[arg-type]
        seed=seed,
    )
    values = made.samples.view("<i2").reshape(len(made.samples), 10)[:, 4:]
    facts = made.session
    assert facts.acc_m_s2_per_count is not None
    assert facts.gyr_dps_per_count is not None
    return made, (
        made.samples["seq"].astype(np.int64),
        values[:, :3] * facts.acc_m_s2_per_count,
        values[:, 3:] * facts.gyr_dps_per_count,
    )


def addresses(made: SimulatedSession, samples: Samples, mount: str) -> list[WearingNote]:
    """Feed a session, asking at each true takeaway, some seconds later, as the finder would."""
    seq, acc, gyr = samples
    wearing = Wearing(mount=mount, rate_hz=200.0, gyr_range_dps=4000.0, acc_range_g=32.0)
    out: list[WearingNote] = []
    asks = [t.truth.takeaway_s * made.true_rate_hz for t in made.truth if t.truth.counts_as_swing]
    place = 0
    for ask in asks:
        until = min(len(seq), int(ask) + 600)
        if until > place:
            wearing.feed(seq[place:until], acc[place:until], gyr[place:until])
            place = until
        note = wearing.address(ask)
        if note is not None:
            out.append(note)
    return out


@pytest.mark.parametrize("mount", ["wrist", "glove", "club", "trunk"])
def test_a_player_who_moves_about_is_not_a_strap_that_slips(mount: str) -> None:
    made, samples = session(mount, 1501)
    assert addresses(made, samples, mount) == []


def turned(samples: Samples, angle_deg: np.ndarray) -> Samples:
    """The same motion felt by a sensor that turns in its strap about a skew axis."""
    seq, acc, gyr = samples
    axis = np.array([1.0, 2.0, -1.0]) / np.sqrt(6.0)
    turn = Rotation.from_rotvec(np.radians(angle_deg)[:, None] * axis)
    return seq, turn.apply(acc), turn.apply(gyr)


def test_a_strap_that_slips_is_told_once() -> None:
    made, samples = session("wrist", 1503, minutes=8.0)
    n = len(samples[0])
    creep = np.clip(np.linspace(-10.0, 45.0, n), 0.0, 32.0)
    notes = addresses(made, turned(samples, creep), "wrist")
    assert [note.code for note in notes][:1] == ["slipped"]
    assert notes[0].fields["away_deg"] >= 10.0
    assert len(notes) <= 2


def test_a_sensor_put_on_anew_is_told_once() -> None:
    made, samples = session("wrist", 1504, minutes=8.0)
    n = len(samples[0])
    leap = np.where(np.arange(n) < n // 2, 0.0, 70.0)
    notes = addresses(made, turned(samples, leap), "wrist")
    assert [note.code for note in notes] == ["restrapped"]
    assert 20.0 < notes[0].fields["away_deg"] < 75.0
