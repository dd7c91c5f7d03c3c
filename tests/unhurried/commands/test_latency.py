"""`unhurried latency`: messages and what is kept; measuring is tested in tests/feedback."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from feedback.latency import BeatTimes, Delay, LatencyError, save_delay
from feedback.outputs import SilentOutput
from unhurried.app.sound import delays
from unhurried.cli import run


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


class Interrupted(SilentOutput):
    """An output whose clock stands still for a moment when it is interrupted."""

    silent = False

    def __init__(self, late_s: dict[float, float]) -> None:
        self.now_s = 0.0
        self.late_s = late_s
        super().__init__(clock_ns=lambda: round(self.now_s * 1e9))

    @property
    def underflows(self) -> int:  # type: ignore[override]
        return sum(at <= self.now_s for at in self.late_s)

    def heard_ns(self, frame: int) -> int:
        late = sum(s for at, s in self.late_s.items() if at <= self.now_s)
        return round((frame / self.rate_hz + late) * 1e9)


def watched(late_s: dict[float, float], monkeypatch: pytest.MonkeyPatch, n: int = 12) -> BeatTimes:
    output = Interrupted(late_s)
    frames = [round((1.0 + 0.75 * k) * output.rate_hz) for k in range(n)]
    times = BeatTimes(output, frames)
    monkeypatch.setattr("feedback.latency.host_clock_ns", lambda: round(output.now_s * 1e9))
    while output.now_s < 1.0 + 0.75 * n + 3.0:
        output.now_s += 0.05
        times.look()
    return times


def test_beats_near_an_interruption_are_left_out_and_later_ones_are_where_they_were_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert watched({}, monkeypatch).turns_s == pytest.approx([1.0 + 0.75 * k for k in range(12)])
    # 40 ms are lost just after the third beat (2.5 s), 30 ms between the sixth and the seventh.
    times = watched({2.55: 0.04, 5.10: 0.03}, monkeypatch)
    times.check()
    expected: list[float | None] = [1.0 + 0.75 * k for k in range(12)]
    for k in range(12):
        late = (0.04 if k > 2 else 0.0) + (0.03 if k > 5 else 0.0)
        expected[k] = 1.0 + 0.75 * k + late
    expected[2] = None
    assert times.turns_s[2] is None
    assert [t for t in times.turns_s if t is not None] == pytest.approx(
        [t for t in expected if t is not None]
    )
    assert times.left == 11


def test_fewer_than_eight_are_too_few(monkeypatch: pytest.MonkeyPatch) -> None:
    often = {1.02 + 0.75 * k: 0.001 for k in range(4)}
    watched(often, monkeypatch).check()
    often = {1.02 + 0.75 * k: 0.001 for k in range(5)}
    with pytest.raises(LatencyError, match="only 7 of 12 beeps"):
        watched(often, monkeypatch).check()
