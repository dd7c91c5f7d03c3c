"""An output's delay: by ear, by hand, and kept."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from listening import ROOT, TRIES, SoundServer
from patience import PATIENCE_S

from feedback.latency import (
    Delay,
    LatencyError,
    beat_sound,
    delay_of_taps,
    find_onsets,
    load_delay,
    output_key,
    save_delay,
)

MADE_AT = "2026-01-02T03:04:05+01:00"


def made(**changes: object) -> Delay:
    values: dict[str, object] = {
        "output": "USB Audio: Speaker",
        "delay_s": 0.031,
        "delay_u_s": 0.004,
        "method": "microphone",
        "n": 10,
        "made_at": MADE_AT,
    }
    return Delay(**{**values, **changes})  # type: ignore[arg-type]


def test_beeps_are_found_in_noise_to_the_sample() -> None:
    rng = np.random.default_rng(5)
    sound = beat_sound(48_000).astype(float)
    heard = 0.05 * rng.standard_normal(200_000)
    places = [20_000, 60_123, 110_001]
    for place in places:
        heard[place : place + len(sound)] += 0.1 * sound
    found = find_onsets(heard, sound, [p - 5000 for p in places], 20_000)
    assert [place for place, _ in found] == pytest.approx(places, abs=2)
    assert all(clearness > 0.5 for _, clearness in found)


def test_noise_alone_is_not_clear() -> None:
    rng = np.random.default_rng(6)
    sound = beat_sound(48_000).astype(float)
    found = find_onsets(rng.standard_normal(100_000), sound, [1000, 40_000], 20_000)
    assert all(clearness < 0.3 for _, clearness in found)


def test_tapping_is_set_right_for_tapping_early() -> None:
    rng = np.random.default_rng(7)
    beats = [0.75 * k for k in range(13)]
    late = 0.150 - 0.035 + 0.02 * rng.standard_normal(13)
    taps = [b + x for b, x in zip(beats, late, strict=True)]
    taps[4] += 0.2
    delay = delay_of_taps(beats, [*taps, 99.0], output="x", made_at=MADE_AT)
    assert delay.delay_s == pytest.approx(0.150, abs=0.02)
    # 20 ms over root 12, and 10 ms of what people differ by.
    assert delay.delay_u_s == pytest.approx(0.0115, abs=0.003)
    assert delay.method == "tapping"
    assert delay.n == 12


def test_few_or_wild_taps_tell_nothing() -> None:
    beats = [0.75 * k for k in range(13)]
    with pytest.raises(LatencyError, match="only 2 taps"):
        delay_of_taps(beats, [0.1, 0.9], output="x", made_at=MADE_AT)
    wild = [b + (0.4 if k % 2 else -0.2) for k, b in enumerate(beats)]
    with pytest.raises(LatencyError, match="scatter"):
        delay_of_taps(beats, wild, output="x", made_at=MADE_AT)


def test_it_is_kept_per_output(tmp_path: Path) -> None:
    folder = tmp_path / "outputs"
    assert load_delay(folder, "USB Audio: Speaker") is None
    path = save_delay(folder, made())
    assert path.name == "usb-audio-speaker.json"
    assert load_delay(folder, "USB Audio: Speaker") == made()
    assert load_delay(folder, "HDMI") is None
    save_delay(folder, made(delay_s=0.2))
    again = load_delay(folder, "USB Audio: Speaker")
    assert again is not None
    assert again.delay_s == 0.2
    assert [p.name for p in folder.iterdir()] == [path.name]


@pytest.mark.parametrize("name", ["", "///", "Lautsprecher (Küche)", "a" * 300])
def test_any_name_makes_a_file(name: str, tmp_path: Path) -> None:
    assert (tmp_path / f"{output_key(name)}.json").parent == tmp_path
    save_delay(tmp_path, made(output=name))
    assert load_delay(tmp_path, name) is not None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "is not JSON; delete it and run"),
        ("{}", "'version' is missing"),
        ('{"version": 99}', "has version 99.*update unhurried"),
        ("[" * 200_000, "is larger than 0.1 MB"),
        ("[" * 1000, "nested more than"),
        (
            '{"version": 1, "output": "x", "delay_s": -1, "delay_s_u": 0, "method": "", "n": 1, '
            '"made_at": ""}',
            "'delay_s' must be a number from 0 to 2",
        ),
    ],
)
def test_a_broken_file_is_told(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(LatencyError, match=words):
        load_delay(tmp_path, "x")


def test_a_microphone_hears_the_output(server: SoundServer) -> None:
    # The monitor of the sink is the microphone here, so nothing but the sound system lies between.
    arguments = ["latency", "--json", "--beats", "5"]
    script = f"from unhurried.cli import run; raise SystemExit(run({arguments}))"
    for _ in range(TRIES):
        done = server.run(script)
        if "interrupted" not in done.stderr:
            break
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["method"] == "microphone"
    assert said["n"] >= 4
    assert 0.0 <= said["delay_ms"] < 80.0
    assert said["delay_ms_u"] < 20.0
    kept = list((Path(server.env["UNHURRIED_HOME"]) / "outputs").iterdir())
    assert len(kept) == 1
    script = "from unhurried.cli import run; raise SystemExit(run(['latency', '--show']))"
    assert "ms late" in server.run(script).stdout


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_tapping_at_a_terminal(server: SoundServer) -> None:
    for _ in range(TRIES):
        code, out, err = tap(server)
        # The robot's hand is only as steady as the machine is free.
        if "interrupted" not in err and "scatter" not in err:
            break
    assert code == 0, err
    said = json.loads(out)
    assert said["method"] == "tapping"
    assert said["n"] >= 8
    assert said["delay_ms"] == pytest.approx(135.0, abs=70.0)
    assert "20 to 50 ms" in err


def tap(server: SoundServer) -> tuple[int, str, str]:
    """A robot at a real terminal that taps every 0.5 s, at its own phase."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "unhurried", "latency", "--tap", "--json"]
    child = subprocess.Popen(
        [*command, "--beats", "9", "--every-s", "0.5"],
        env=server.env,
        cwd=ROOT,
        stdin=slave,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(slave)
    try:
        assert child.stderr is not None
        while "tap the space bar" not in child.stderr.readline():
            assert child.poll() is None
        # The first beep has its turn 1.5 s from here; tapped 0.1 s after it.
        start = time.monotonic() + 1.5 + 0.1
        for k in range(12):
            time.sleep(max(0.0, start + 0.5 * k - time.monotonic()))
            os.write(master, b" ")
        out, err = child.communicate(timeout=PATIENCE_S)
    finally:
        child.kill()
        os.close(master)
    return child.returncode, out, err


def test_without_a_terminal_there_is_no_tapping(server: SoundServer) -> None:
    script = "from unhurried.cli import run; raise SystemExit(run(['latency', '--tap']))"
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=server.env,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert "needs a terminal" in done.stderr
