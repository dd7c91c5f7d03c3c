"""Nothing that is printed can play with the terminal that it is shown on."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hostile_files import OSC_52
from library_data import make_recording

from unhurried import cli
from unhurried.app.plain_text import plain_streams, plain_text

TITLE = "\x1b]0;mine\x07"
CLEAR = "\x1b[2J"
EIGHT_BIT = "\x9d52;c;aGk=\x9c"


@pytest.mark.parametrize("text", [OSC_52, TITLE, CLEAR, EIGHT_BIT, "\x1bc", "\x08", "\x7f", "a\rb"])
def test_what_a_terminal_obeys_is_taken_out(text: str) -> None:
    for status in (False, True):
        left = plain_text(f"a{text}b", status=status)
        assert not {"\x1b", "\x07", "\x08", "\x7f", "\x9d", "\x9c"} & set(left)
        assert left[0] == "a"
    assert "\r" not in plain_text(text)


def test_words_stay_as_they_are() -> None:
    for text in ("Zoë, 山田, 👩‍👧, مريم", "two\nlines\tand a tab", '{"a": "\\u001b"}'):
        assert plain_text(text) == text


def test_status_lines_of_our_own_go_through() -> None:
    for text in (
        "\x1b[H",
        "\x1b[0m",
        "\r\x1b[K",
        "\x1b[3F\x1b[J",
        "\x1b[2A",
        "\r\x1b[?25l",
        "\x1b[?25h\n",
    ):
        assert plain_text(text, status=True) == text


def test_everything_printed_goes_through_it(capfd: pytest.CaptureFixture[str]) -> None:
    import click

    with plain_streams():
        click.echo(f"one{TITLE}")
        click.echo(f"two{TITLE}", err=True)
        print(f"three{CLEAR}")
        sys.stdout.writelines([f"four{CLEAR}"])
    out, err = capfd.readouterr()
    assert "\x1b" not in out + err
    assert "one" in out
    assert "three" in out
    assert "four" in out
    assert "two" in err


def _sensor(folder: Path) -> None:
    path = folder / "session.json"
    document = json.loads(path.read_text("utf-8"))
    document["sensor"] = {"name": f"W1{OSC_52}", "model": TITLE, "firmware": EIGHT_BIT}
    path.chmod(0o600)
    path.write_text(json.dumps(document), "utf-8")


@pytest.mark.parametrize(
    "command",
    [
        ("info", "{}"),
        ("analyze", "{}"),
        ("story", "{}"),
        ("library", "add", "{}"),
        ("library", "list"),
        ("library", "show", "{}"),
        ("library", "check"),
    ],
)
@pytest.mark.parametrize("change", [_sensor, lambda _: None])
def test_names_of_sensors_and_folders_reach_no_terminal(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    command: tuple[str, ...],
    change: Callable[[Path], None],
) -> None:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    folder = tmp_path / f"evening{OSC_52}"
    markers = [{"kind": "note", "seq": 3, "text": f"heavy{TITLE}"}]
    make_recording(folder, markers=markers)
    change(folder)
    cli.run(["library", "add", str(folder)])
    capfd.readouterr()
    cli.run([str(folder) if word == "{}" else word for word in command])
    out, err = capfd.readouterr()
    assert out + err
    assert not {"\x1b", "\x07", "\x9d", "\x9c"} & set(out + err)
