"""`unhurried latency`: messages and what is kept; measuring is tested in tests/feedback."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from feedback.latency import Delay, save_delay
from unhurried.cli import run
from unhurried.commands.cue import delays


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def kept(home: Path, name: str) -> None:
    save_delay(
        home / "outputs",
        Delay(
            output=name,
            delay_s=0.18,
            delay_u_s=0.012,
            method="tapping",
            n=12,
            made_at="2026-01-02T03:04:05+01:00",
        ),
    )


def test_what_is_kept_is_shown(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["latency", "--show"]) == 0
    said = capsys.readouterr()
    assert said.out == ""
    assert "no output has been measured" in said.err
    kept(home, "bluez headset")
    assert run(["latency", "--show"]) == 0
    assert "bluez headset, wireless: 180 ± 12 ms late" in capsys.readouterr().out
    assert run(["latency", "--show", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["delay_ms"] == 180.0


def test_cue_and_drill_use_it(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept(home, "bluez headset")
    look_up = delays(home)
    assert look_up("bluez headset") == 0.18
    assert look_up("USB") is None
    (home / "outputs" / "usb.json").write_text("{")
    assert look_up("USB") is None
    assert "unhurried latency" in capsys.readouterr().err


def test_silence_has_no_delay(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["latency", "--output", "silent"]) == 1
    assert "silent" in capsys.readouterr().err
