"""The whole live path: a software Bluetooth sensor at one end, recorded sound at the other.

Between the two are the program as a user starts it, bleak, D-Bus and a real sound server.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from listening import RATE_HZ, ROOT, TRIES, SoundServer, onsets_s, pitch_hz, read_raw

from analysis import SwingFinder
from sensor.recording.opening import open_recording
from simulation.sessions import SimulatedSwing, simulate_swing

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="BlueZ and its message bus are Linux's"),
    pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed"),
]

SENSOR_HZ = 208.0


def counts_of(swing: SimulatedSwing) -> np.ndarray:
    scale = np.repeat([16.0 * 9.80665 / 32768, 2000.0 / 32768], 3)
    values = np.concatenate([swing.acc_m_s2, swing.gyr_dps], axis=1) / scale
    return np.clip(np.round(values), -32768, 32767).astype(np.int16)


def soft() -> Any:
    """The peripheral; only where its bus can run is it imported."""
    import software_bluez

    return software_bluez


async def practise(
    server: SoundServer, swing: SimulatedSwing, turn_deg: float, out: Path, heard: Path
) -> dict[str, Any]:
    """Drill one swing that comes by Bluetooth; gives the outcome as the program prints it."""
    bluez = soft()
    sensor = bluez.SoftSensor(rate_hz=SENSOR_HZ)
    command = [sys.executable, "-m", "unhurried", "drill", "--mount", "wrist", "--hand", "right"]
    command += [
        "--no-cue",
        "--feedback",
        "every",
        "--full-turn-deg",
        f"{turn_deg:.1f}",
        "--backswing-ms",
        "5000",
    ]
    command += ["--repeats", "1", "--rest-s", "1", "--json", "--out", str(out)]
    folder = Path(server.env["HOME"])
    with bluez.private_bus(folder) as bus:
        async with bluez.software_bluez(sensor) as service:
            with server.recording(heard):
                child = await asyncio.create_subprocess_exec(
                    *command,
                    env={**server.env, "DBUS_SYSTEM_BUS_ADDRESS": bus},
                    cwd=ROOT,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.PIPE,
                )
                ending = asyncio.ensure_future(child.communicate())
                player = bluez.Player(service, sensor, counts_of(swing), gap_s=0.0)
                async with asyncio.timeout(40.0):
                    while not sensor.live and not ending.done():
                        await asyncio.sleep(0.05)
                    # Address and swing, and some standing about after it, at the sensor's pace.
                    start = time.monotonic()
                    while not ending.done() and player.place < len(swing.seq) + 200:
                        await player.send(1)
                        due = start + player.place / SENSOR_HZ
                        await asyncio.sleep(max(0.0, due - time.monotonic()))
                    said, err = await ending
    assert child.returncode == 0, err.decode()
    outcome: dict[str, Any] = json.loads(said)
    return outcome


def pitches_of(heard: Path) -> list[float]:
    """Pitch of each sound that was recorded, from its onset on."""
    x = read_raw(heard)
    starts = [round(onset * RATE_HZ) for onset in onsets_s(x)]
    return [pitch_hz(x[k : k + round(0.055 * RATE_HZ)]) for k in starts]


async def test_from_the_sensor_to_the_ear(server: SoundServer, tmp_path: Path) -> None:
    swing = simulate_swing(
        443_000, mount="wrist", rate_hz=SENSOR_HZ, gyr_range_dps=2000.0, strike=True
    )
    finder = SwingFinder(rate_hz=SENSOR_HZ, mount="wrist")
    found = [*finder.feed(swing.seq, swing.acc_m_s2, swing.gyr_dps), *finder.flush()][0]
    assert found.turn_deg is not None
    for number in range(TRIES):
        out, heard = tmp_path / f"d{number}", tmp_path / "raw"
        outcome = await practise(server, swing, found.turn_deg, out, heard)
        pitches = pitches_of(heard)
        # Where a starved sound server interrupted it, what was heard may be whole all the same.
        if not outcome["sound_interrupted"] or len(pitches) in (4, 5):
            break
    else:
        pytest.fail(f"the sound was interrupted in each of {TRIES} tries")
    # What the program says ...
    assert outcome["swings"] == 1
    block = outcome["blocks"][0]
    assert block["confirmed_live"] == 1
    assert (block["turn_full"], block["time_enough"]) == (1, 0)
    assert block["turn_deg"]["mean"] == pytest.approx(found.turn_deg, abs=1.0)
    # ... what it has written down ...
    with open_recording(out) as recording:
        assert recording.lost_samples == 0
        assert recording.n_samples > (found.finish_seq or 0)
    lines = [json.loads(x) for x in (out / "markers.jsonl").read_text().splitlines()]
    tone = next(x for x in lines if x["kind"] == "tone")
    assert tone["name"] == "full"
    assert tone["at_seq"] < (found.top_seq or 0)
    # ... and what was heard: ready (E5), full (C6) while going back, then time short (two C5) and
    # turn full (E6).
    c5, e5, c6, e6 = (440.0 * 2 ** (steps / 12) for steps in (3, 7, 15, 19))
    # The swing may come before the ready beep is due.
    assert len(pitches) in (4, 5)
    assert pitches[-4:] == pytest.approx([c6, c5, c5, e6], abs=4.0), pitches
    assert pitches[:-4] == pytest.approx([e5] * (len(pitches) - 4), abs=3.0), pitches
