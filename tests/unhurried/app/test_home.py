"""The home: where it is, and its log, which must never stop a command."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from unhurried.app.errors import CommandError
from unhurried.app.home import (
    HOME_VARIABLE,
    LOG_BYTES,
    LOG_FILE,
    LOG_FOLDER,
    LOG_KEPT,
    home_folder,
    home_log,
)
from unhurried.app.home_parts import make_folder
from unhurried.commands.options import home_option


def test_option_before_environment_before_platform(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(HOME_VARIABLE, str(tmp_path / "env"))
    assert home_folder(tmp_path / "option") == tmp_path / "option"
    assert home_folder() == tmp_path / "env"
    monkeypatch.setenv(HOME_VARIABLE, "  ")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    if sys.platform == "linux":
        # XDG Base Directory Specification: data of the user go under $XDG_DATA_HOME.
        assert home_folder() == tmp_path / "data" / "unhurried"
    monkeypatch.delenv(HOME_VARIABLE)
    assert home_folder().name == "unhurried"
    assert list(tmp_path.iterdir()) == []  # asking makes nothing


def test_tilde_is_the_users_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert home_folder(Path("~/golf")) == tmp_path / "golf"


def test_a_file_is_no_home(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(CommandError, match="not a folder"):
        home_folder(file)
    with pytest.raises(CommandError, match="cannot be made"):
        make_folder(file, "sensors")
    assert make_folder(tmp_path / "new", "a", "b").is_dir()


def test_the_option_gives_a_path() -> None:
    @click.command()
    @home_option
    def command(home: Path | None) -> None:
        click.echo(repr(home))

    runner = CliRunner()
    assert runner.invoke(command, []).output == "None\n"
    assert "golf" in runner.invoke(command, ["--home", "golf"]).output


def lines_of(home: Path) -> list[str]:
    return (home / LOG_FOLDER / LOG_FILE).read_text(encoding="utf-8").splitlines()


def test_log_holds_what_happened_inside(tmp_path: Path) -> None:
    log = logging.getLogger("sensor.something")
    before = logging.getLogger("sensor").level
    log.info("before")
    with home_log(tmp_path):
        log.info("inside ü")
        log.debug("too small")
        logging.getLogger("asyncio").info("not ours")
    log.info("after")
    assert logging.getLogger("sensor").level == before
    assert [line.split(" ", 2)[2] for line in lines_of(tmp_path)] == [
        "INFO sensor.something: inside ü"
    ]


def test_what_libraries_warn_of_is_logged_and_not_shown(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """As where nothing else listens: Python then writes it to the terminal."""
    code = (
        "import logging, sys\n"
        "from pathlib import Path\n"
        "from unhurried.app.errors import set_verbose\n"
        "from unhurried.app.home import home_log\n"
        "set_verbose(False)\n"
        "log = logging.getLogger('uvicorn.error')\n"
        "log.warning('before')\n"
        "with home_log(Path(sys.argv[1])):\n"
        "    for k in range(10_000):\n"
        "        log.warning('Invalid HTTP request received.')\n"
        "        try:\n"
        "            1 / 0\n"
        "        except ZeroDivisionError:\n"
        "            log.exception('from number %d', k)\n"
        "    logging.getLogger('sensor').warning('seen')\n"
        "    logging.getLogger('sensor').warning('seen')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    lines = lines_of(tmp_path)
    assert [line.partition(",")[2].partition(" ")[2] for line in lines if line[:2] == "20"] == [
        "WARNING uvicorn.error: Invalid HTTP request received.",
        "ERROR uvicorn.error: from number 0",
        "WARNING sensor: seen",
        "WARNING sensor: seen",
    ]
    assert capfd.readouterr() == ("", "")


def test_log_tells_an_error_that_ends_the_command(tmp_path: Path) -> None:
    with pytest.raises(CommandError), home_log(tmp_path):
        raise CommandError("the battery is empty: charge it")
    with pytest.raises(click.UsageError), home_log(tmp_path):
        raise click.UsageError("not for the log")
    with pytest.raises(KeyboardInterrupt), home_log(tmp_path):
        raise KeyboardInterrupt
    text = [line.split(" ", 2)[2] for line in lines_of(tmp_path)]
    assert text == [
        "ERROR unhurried.app.home: the battery is empty: charge it",
        "INFO unhurried.app.home: stopped",
    ]


def test_log_rotates(tmp_path: Path) -> None:
    log = logging.getLogger("unhurried.test")
    with home_log(tmp_path):
        for number in range(8):
            for _ in range(round(LOG_BYTES / 10_000 / 1.2)):
                log.info("%s %s", number, "x" * 10_000)
    folder = tmp_path / LOG_FOLDER
    names = sorted(path.name for path in folder.iterdir())
    assert names == [LOG_FILE, *(f"{LOG_FILE}.{k}" for k in range(1, LOG_KEPT + 1))]
    assert all(path.stat().st_size <= LOG_BYTES for path in folder.iterdir())


def test_no_log_where_it_cannot_be(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / LOG_FOLDER).write_text("a file in its place")
    with home_log(tmp_path):
        logging.getLogger("sensor").info("lost")
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's always-full device")
def test_a_full_disk_stops_the_log_only(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / LOG_FOLDER
    folder.mkdir()
    (folder / LOG_FILE).symlink_to("/dev/full")
    with home_log(tmp_path):
        logging.getLogger("sensor").info("lost")
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(os.name == "nt", reason="permissions are those of POSIX")
def test_a_read_only_home_is_no_obstacle_to_the_log() -> None:
    """In a process of its own, without the rights of root where tests run as root."""
    code = (
        "import logging, os, sys\n"
        "from pathlib import Path\n"
        "from unhurried.app.home import home_log\n"
        "import logging.handlers\n"
        "if os.geteuid() == 0:\n"
        "    os.seteuid(65534)\n"
        "with home_log(Path(sys.argv[1])):\n"
        "    logging.getLogger('sensor').info('lost')\n"
        "print('went on')\n"
    )
    # pytest's own folders are for their owner only: the other user has to get there.
    with tempfile.TemporaryDirectory() as temporary:
        Path(temporary).chmod(0o755)
        home = Path(temporary) / "home"
        home.mkdir()
        home.chmod(0o555)
        try:
            done = subprocess.run(
                [sys.executable, "-c", code, str(home)], capture_output=True, text=True, check=False
            )
            made = list(home.iterdir())
        finally:
            home.chmod(0o755)
    assert (done.returncode, done.stdout, done.stderr) == (0, "went on\n", "")
    assert made == []
