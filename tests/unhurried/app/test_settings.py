"""The one table of settings: kept, used, and described in the manual."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click
import pytest
from saying import said

from unhurried.app.day_spreads import DAY_SETTINGS
from unhurried.app.settings import SETTINGS, SETTINGS_FILE, load_settings
from unhurried.cli import COMMANDS, cli

PAGE = Path(__file__).resolve().parents[3] / "docs" / "look-up" / "settings.md"


def test_the_manual_documents_each_setting_with_its_default() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for one in SETTINGS:
        row = re.search(rf"^\| `{one.name}` \| ([^|]+) \| ([^|]+) \|$", text, re.MULTILINE)
        assert row is not None, f"the manual has no row for the setting {one.name}"
        assert row[1].strip() == one.shown(one.default)
        assert row[2].strip() == one.help


def test_every_default_fits_its_own_setting() -> None:
    for one in SETTINGS:
        assert one.read(str(one.default)) == one.default
        assert one.choices or one.folder or one.low < one.high


def test_settings_are_shown_changed_and_put_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, "settings", "--home", tmp_path)
    assert max(map(len, text.splitlines())) <= 80
    assert all(one.name in text for one in SETTINGS)
    assert not (tmp_path / SETTINGS_FILE).exists()
    said(capsys, "settings", "units=imperial", "tone_level=0.2", "--home", tmp_path)
    assert load_settings(tmp_path) == {
        **{one.name: one.default for one in SETTINGS},
        "units": "imperial",
        "tone_level": 0.2,
    }
    document = json.loads(said(capsys, "settings", "--json", "units=", "--home", tmp_path))
    assert document["units"] == "metric"
    assert document["tone_level"] == 0.2


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("odd=1", "there is no setting 'odd'"),
        ("units=furlongs", "one of metric, imperial"),
        ("tone_level=3", "from 0.01 to 0.9"),
        ("rest_s=nan", "from 1 to 3600"),
        ("clip_folder=/not/there", "there is no"),
    ],
)
def test_what_doesnt_fit_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], typed: str, told: str
) -> None:
    said(capsys, "settings", "rest_s=20", "--home", tmp_path)
    before = (tmp_path / SETTINGS_FILE).read_bytes()
    assert told in said(capsys, "settings", "tone_level=0.1", typed, "--home", tmp_path, code=1)
    assert (tmp_path / SETTINGS_FILE).read_bytes() == before
    assert "NAME=VALUE" in said(capsys, "settings", "units", "--home", tmp_path, code=2)


@pytest.mark.parametrize(
    "text", ["", "[]", '{"settings": 3}', '{"version": 9, "settings": {}}', "\ufffd{"]
)
def test_a_broken_file_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    (tmp_path / SETTINGS_FILE).write_text(text, encoding="utf-8")
    assert SETTINGS_FILE in said(capsys, "settings", "--home", tmp_path, code=1)


def test_a_setting_is_the_default_of_its_option_and_the_option_counts_more(
    tmp_path: Path,
) -> None:
    (tmp_path / SETTINGS_FILE).write_text(
        '{"version": 1, "settings": {"rest_s": 42, "tone_level": 0.11}}', encoding="utf-8"
    )
    command = cli.get_command(None, "drill")  # type: ignore[arg-type]
    assert command is not None
    for words in (["--home", str(tmp_path)], ["--repeats", "3", "--home", str(tmp_path)]):
        params = command.make_context("drill", list(words)).params
        assert (params["rest_s"], params["level"]) == (42.0, 0.11)
    typed = command.make_context("drill", ["--rest-s", "7", "--home", str(tmp_path)])
    assert typed.params["rest_s"] == 7.0


def test_each_setting_belongs_to_a_real_option_or_is_read_by_name() -> None:
    used = {"units", "clip_folder", "watched_folder", "phone_may", *DAY_SETTINGS}
    for one in SETTINGS:
        for name, parameter in one.options:
            assert name in COMMANDS
            command = cli.get_command(None, name)  # type: ignore[arg-type]
            assert command is not None
            option = next(p for p in command.params if p.name == parameter)
            assert isinstance(option, click.Option)
            used.add(one.name)
    assert used == {one.name for one in SETTINGS}
