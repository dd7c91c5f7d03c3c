"""`unhurried scan`, against the software BlueZ and without any Bluetooth."""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from patience import PATIENCE_S

import sensor.link.profile
from sensor.link.radio import SeenSensor
from unhurried.cli import run as run_here
from unhurried.commands.scan import table


def test_the_table() -> None:
    seen = [
        SeenSensor(
            name="A sensor with a name far too long for a column \x1b[2J",
            address="C0:FF:EE:00:00:01",
            signal_dbm=-60,
            battery_percent=7,
            profile="unhurried-stream",
        ),
        SeenSensor(name="Lamp", address="L", signal_dbm=None, battery_percent=None, profile=None),
    ]
    lines = table(seen, everything=True)
    assert lines == [
        "name                      address             signal  battery  profile",
        "A sensor with a name far  C0:FF:EE:00:00:01  -60 dBm      7 %  unhurried-stream",
        "Lamp                      L                        -        -  unknown",
    ]
    assert max(map(len, lines)) <= 80
    assert len(table(seen, everything=False)) == 2
    assert table([], everything=True) == []
    assert "\x1b" not in "".join(table(seen, everything=True))


def run(*arguments: str, bus: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "unhurried", *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": bus},
        timeout=PATIENCE_S,
        check=False,
    )


@pytest.mark.skipif(sys.platform != "linux", reason="the system bus is Linux's")
def test_without_bluetooth(tmp_path: Path) -> None:
    done = run("scan", "--seconds", "0.5", bus=f"unix:path={tmp_path}/nothing")
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr == (
        "unhurried: this computer has no usable Bluetooth adapter (there is no system bus, so no "
        "Bluetooth service): plug one in, or try the program with --simulated\n"
    )


@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("dbus-daemon") is None,
    reason="needs dbus-daemon (Debian, Ubuntu: sudo apt install dbus)",
)
@pytest.mark.parametrize("near", [True, False])
def test_against_the_software_bluez(
    tmp_path: Path, near: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    from software_bluez import SoftSensor, private_bus, software_bluez

    async def with_service(bus: str) -> subprocess.CompletedProcess[str]:
        async with software_bluez(*([SoftSensor(battery=42)] if near else [])):
            return await asyncio.to_thread(run, "scan", "--seconds", "0.5", bus=bus)

    with private_bus(tmp_path) as bus:
        done = asyncio.run(with_service(bus))
    assert done.returncode == 0
    if near:
        assert done.stderr == ""
        row = done.stdout.splitlines()[1].split()
        assert row[:3] == ["Swing", "1", "C0:FF:EE:00:00:01"]
        assert row[4:] == ["dBm", "42", "%", "unhurried-stream"]
    else:
        assert done.stdout == ""
        assert "no sensor of a known kind is near: switch it on" in done.stderr


def test_a_profile_is_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shipped = Path(sensor.link.profile.__file__).parent / "profiles" / "thingy52.toml"
    assert run_here(["scan", "--check-profile", str(shipped)]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("thingy52: ")
    # Two bytes a channel, nine channels: the document that the profile names.
    assert "1 to 1 samples, 18 to 18 bytes" in said.out
    assert said.err == ""
    mine = tmp_path / "mine.toml"
    mine.write_text(shipped.read_text("utf-8").replace("[scale]", "[scael]"), "utf-8")
    assert run_here(["scan", "--check-profile", str(mine)]) == 1
    assert capsys.readouterr().err == (
        f"unhurried: {mine}: scael: is not known here: is scale meant?\n"
    )
    assert run_here(["scan", "--check-profile", str(tmp_path / "no.toml")]) == 2


@pytest.mark.parametrize("seconds", ["nan", "inf"])
def test_a_look_has_an_end(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_here(["scan", "--seconds", seconds]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_bad_options() -> None:
    from unhurried.commands.scan import command

    assert CliRunner().invoke(command, ["--seconds", "0"]).exit_code == 2
