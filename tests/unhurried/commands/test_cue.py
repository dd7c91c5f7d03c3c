"""`unhurried cue`: options, references, messages; what is heard is tested in tests/feedback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from feedback.outputs import SilentOutput
from library.players import ReferenceRecord, Registry
from unhurried.app.sound import say_output
from unhurried.cli import run


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "how long the backswing"),
        (["--backswing-ms", "100"], "--backswing-ms"),
        (["--from-ms", "900", "--to-ms", "800"], "together"),
        (["--from-ms", "900", "--to-ms", "800", "--steps", "20", "--repeats", "3"], "20 repeats"),
        (
            ["--backswing-ms", "900", "--from-ms", "900", "--to-ms", "800", "--steps", "2"],
            "not both",
        ),
        (["--backswing-ms", "800", "--out", "track.mp3"], ".wav"),
        (["--backswing-ms", "800", "--level", "1.5"], "--level"),
        (["--backswing-ms", "800", "--rest-s", "0"], "--rest-s"),
        (["--backswing-ms", "800", "--level", "nan"], "'nan' is not a number"),
        (["--backswing-ms", "inf"], "--backswing-ms"),
        (["--player", "a\nb"], "control characters"),
    ],
)
def test_options_that_do_not_go_together(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["cue", *arguments]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert len(err.splitlines()) == 1


def test_an_unknown_player_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["cue", "--player", "Nobody"]) in (1, 2)
    assert "Nobody" in capsys.readouterr().err


def test_the_time_comes_from_the_players_own_reference(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    registry = Registry(home)
    player = registry.add("Ida")
    for club, low in (("driver", 840.0), ("7 iron", 790.0)):
        player = player.with_reference(
            ReferenceRecord(
                club=club,
                mount="wrist",
                swings=(),
                bounds={"backswing_ms": (low, low + 40.0), "turn_deg": (120.0, 140.0)},
            )
        )
    registry.save(player)
    out = str(tmp_path / "t.wav")
    arguments = ["cue", "--player", "Ida", "--repeats", "1", "--out", out]
    assert run(arguments) == 1
    assert "--club" in capsys.readouterr().err
    assert run([*arguments, "--club", "driver"]) == 0
    # 1 s of lead-in, 1.2 s from the ready beep, 860 ms, the beep, half a second.
    told = capsys.readouterr().out
    assert "1 cue, 4 s, backswing 860 ms from Ida's model swings with driver at the wrist" in told
    assert run([*arguments, "--club", "wedge", "--overwrite"]) == 1
    err = capsys.readouterr().err
    assert "--backswing-ms" in err
    # What there is instead.
    assert "no model swings with wedge yet" in err
    assert "(there is one for 7 iron at the wrist, driver at the wrist):" in err


def test_cautions_are_given_with_every_track(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["cue", "--backswing-ms", "800", "--repeats", "1", "--out"]
    assert run([*arguments, str(tmp_path / "t.wav")]) == 0
    said = capsys.readouterr()
    for word in ("children", "80 dB", "85 dB", "Warm up", "pain", "headphones", "clinician"):
        assert word in said.err
    assert str(tmp_path / "t.wav") in said.out
    assert "memory" not in said.err


@pytest.mark.skipif(sys.platform == "win32", reason="a limit on the size of files")
def test_a_full_disk_says_what_to_do(tmp_path: Path) -> None:
    import resource

    done = subprocess.run(
        [sys.executable, "-m", "unhurried", "cue", "--backswing-ms", "800", "--out", "t.wav"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000)),
    )
    assert done.returncode == 1
    assert "free some room, or choose another place" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.glob("*.wav*")) == []


def test_silent_output_runs_the_cue_and_ends() -> None:
    arguments = ["cue", "--backswing-ms", "300", "--repeats", "1", "--no-ready"]
    assert run([*arguments, "--rest-s", "0.5", "--output", "silent"]) == 0


@pytest.mark.parametrize("name", ["default", "Earbuds (Bluetooth)"])
def test_where_the_sound_goes_is_said_by_the_callers_voice(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    class Named(SilentOutput):
        silent = False

    output = Named()
    output.name = name
    told: list[str] = []
    say_output(output, None, measured=False, say=told.append)
    assert told[0].startswith(f"sound: {name}, heard ")
    assert len(told) == (1 if name == "default" else 2)
    assert capsys.readouterr().err == ""
