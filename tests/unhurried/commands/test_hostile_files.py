"""Nothing in a file can stop the library, fool it or speak to the terminal."""

from __future__ import annotations

import os
import re
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path

import hostile_files
import pytest
from hostile_files import HARMLESS_HOMES, HOMES, PASSED_OVER, REFUSED
from library_data import make_recording, session_id

from library.catalogue import Library
from unhurried import cli

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    (tmp_path / "all").mkdir()
    return tmp_path / "home"


@pytest.fixture
def run(home: Path, capfd: pytest.CaptureFixture[str]) -> Run:
    del home

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        capfd.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        sys.stdout.flush()
        out, err = capfd.readouterr()
        assert "internal error" not in err
        assert "Traceback" not in err
        return code, out, err

    return call


def lines_about(err: str, folder: Path) -> list[str]:
    return [line for line in err.splitlines() if str(folder) in line]


def test_bad_recordings_are_one_line_each_and_all_others_are_taken_in(
    run: Run, tmp_path: Path
) -> None:
    bad, warned = {}, {}
    for number, (what, change) in enumerate([*REFUSED.items(), *PASSED_OVER.items()], start=10):
        folder = make_recording(tmp_path / "all" / f"m{number:03d}", number)
        change(folder)
        (bad if number < 10 + len(REFUSED) else warned)[what] = folder
    # The first and the last of the alphabet.
    good = [make_recording(tmp_path / "all" / f"{c}-good", k) for k, c in enumerate("az", 1)]
    for command in (("library", "add", "all"), ("library", "update"), ("library", "rebuild")):
        code, _, err = run(*command)
        assert code == 1
        for what, folder in bad.items():
            told = lines_about(err, folder)
            assert len(told) == 1, (what, told)
            assert len(told[0]) < 600, what
        assert f"{len(bad)} recordings could not be taken in" in err
        with Library(tmp_path / "home") as library:
            there = {session.path for session in library.sessions()}
        assert there == {*good, *warned.values()}
    for what, folder in warned.items():
        assert any("passed over" in line for line in lines_about(err, folder)), what


@pytest.mark.parametrize("what", HOMES)
def test_a_broken_file_of_the_home_is_one_line_with_what_to_do(
    run: Run, home: Path, tmp_path: Path, what: str
) -> None:
    name, text = HOMES[what]
    make_recording(tmp_path / "all" / "good", 1)
    run("library", "add", "all")
    hostile_files.whole(name, text)(home)
    command = ("settings",) if name == "settings.json" else ("library", "rebuild")
    code, _, err = run(*command)
    assert code == 1
    (line,) = lines_about(err, home / name)
    assert re.search("copy|move|remove|update", line), line


def test_folders_without_a_word_on_their_samples_are_named(run: Run, tmp_path: Path) -> None:
    for name in ("good", "lost", "folder"):
        make_recording(tmp_path / "all" / name, len(name))
    for name in ("lost", "folder"):
        (tmp_path / "all" / name / "session.json").unlink()
    (tmp_path / "all" / "folder" / "session.json").mkdir()
    code, _, err = run("library", "add", "all")
    assert code == 1
    for name in ("lost", "folder"):
        (line,) = lines_about(err, tmp_path / "all" / name)
        assert "session.json" in line


def test_damaged_lines_on_who_is_who_are_told_by_check(
    run: Run, home: Path, tmp_path: Path
) -> None:
    make_recording(tmp_path / "all" / "good", 1)
    run("library", "add", "all")
    with (home / "identities.jsonl").open("a") as file:
        file.write("[[[[\n")
    assert "identities.jsonl: 1 line can't be read" in " ".join(
        "".join(run("library", "check")[1:]).split()
    )


def test_a_broken_player_s_file_stops_nobody_else(run: Run, home: Path, tmp_path: Path) -> None:
    for number, name in enumerate(("Ida", "Runa"), start=1):
        make_recording(tmp_path / "all" / name, number, player=name)
    assert run("library", "add", "all")[0] == 0
    with Library(home) as library:
        (broken,) = (one for one in library.people.all() if one.name == "Ida")
    file = home / "players" / f"{broken.id}.json"
    whole = file.read_bytes()
    hostile_files.whole(f"players/{broken.id}.json", hostile_files.DEEP)(home)
    # Others are found, their recordings are taken in, what was known of hers stays, and her new
    # one waits: nobody else gets her swings.
    assert run("library", "player", "Runa")[0] == 0
    make_recording(tmp_path / "all" / "new", 3, player="Mirela")
    make_recording(tmp_path / "all" / "hers", 4, player="Ida")
    code, _, err = run("library", "rebuild")
    assert code == 1
    assert len(lines_about(err, file)) >= 1
    with Library(home) as library:
        there = {session.path.name for session in library.sessions()}
        assert {one.name for one in library.people.all()} == {"Runa", "Mirela"}
    assert there == {"Ida", "Runa", "new"}
    # With the file back, all of it is as it was.
    file.write_bytes(whole)
    assert run("library", "rebuild")[0] == 0
    with Library(home) as library:
        assert {session.path.name for session in library.sessions()} == {
            "Ida",
            "Runa",
            "new",
            "hers",
        }
        assert [one.id for one in library.people.all() if one.name == "Ida"] == [broken.id]


@pytest.mark.parametrize("what", HARMLESS_HOMES)
def test_a_broken_list_of_the_home_keeps_no_recording_out(
    run: Run, home: Path, tmp_path: Path, what: str
) -> None:
    name, text = HARMLESS_HOMES[what]
    make_recording(tmp_path / "all" / "good", 1)
    path = home / name
    path.parent.mkdir(parents=True, exist_ok=True)
    hostile_files.whole(name, text)(home)
    code, _, err = run("library", "add", "all")
    assert code == 0, err
    with Library(home) as library:
        assert [session.id for session in library.sessions()] == [session_id(1)]


def test_a_calibration_file_nested_without_end_is_one_line(run: Run, tmp_path: Path) -> None:
    make_recording(tmp_path / "good", 1)
    hostile_files.whole("deep.json", hostile_files.DEEP)(tmp_path)
    code, _, err = run("analyze", "good", "--calibration", "deep.json")
    assert code == 1
    assert "nested more than" in err


def test_an_import_with_a_name_of_300_characters_is_refused_at_the_entrance(
    run: Run, tmp_path: Path
) -> None:
    make_recording(tmp_path / "good", 1)
    run("export", "good", "good.csv")
    for name in ("x" * 300, "   ", f"Ida{hostile_files.OSC_52}"):
        code, _, err = run("import", "good.csv", "new", "--player", name)
        assert code in (1, 2)
        assert "a name of 1 to 200 characters" in err
        assert "\x1b" not in err
        assert not (tmp_path / "new").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_in_the_place_of_a_file_is_waited_for_by_nobody(run: Run, tmp_path: Path) -> None:
    names = ("annotations.json", "imu.npy", "markers.jsonl", "packets.npy", ".lock")
    for number, name in enumerate(names, start=10):
        folder = make_recording(tmp_path / "all" / f"m{number}", number)
        (folder / name).unlink(missing_ok=True)
        os.mkfifo(folder / name)
    make_recording(tmp_path / "all" / "good", 1)
    code, _, err = run("library", "add", "all")
    assert code == 1
    with Library(tmp_path / "home") as library:
        there = {session.path.name for session in library.sessions()}
    # Times of packets and a lock can be done without.
    assert there == {"good", "m13", "m14"}
    assert err.count("is no plain file") == 4


# -- the database --------------------------------------------------------------------------------

DAMAGE = {
    "a missing table": "DROP TABLE tags",
    "a missing column": "ALTER TABLE sessions DROP COLUMN drill",
    "a missing index": "DROP INDEX sets_by_words",
    "version 0": "PRAGMA user_version = 0",
    "version -1": "PRAGMA user_version = -1",
    "version 2^30": "PRAGMA user_version = 1073741824",
    "another owner": "PRAGMA application_id = 7",
    "no owner": "PRAGMA application_id = 0",
    "no JSON in a session": "UPDATE sessions SET warnings = '[\"'",
    "other JSON in a session": "UPDATE sessions SET sensor = '[]'",
    "a number in a session": "UPDATE sessions SET lost_words = '7'",
    "no JSON of what was recorded": "UPDATE sessions SET recorded = '{'",
    "other JSON of what was recorded": "UPDATE sessions SET recorded = '{}'",
    "no date": "UPDATE sessions SET start = 'yesterday'",
    "no JSON in a player": "UPDATE players SET document = '{'",
    "text that is none": "UPDATE sessions SET note = CAST(x'ff' AS TEXT)",
}


@pytest.mark.parametrize("what", DAMAGE)
def test_a_damaged_library_is_put_aside_by_rebuild(
    run: Run, home: Path, tmp_path: Path, what: str
) -> None:
    make_recording(tmp_path / "all" / "good", 1)
    run("library", "add", "all")
    with sqlite3.connect(home / "library.db") as database:
        database.execute(DAMAGE[what])
    database.close()
    for command in (("library", "list"), ("library", "check"), ("library", "update")):
        code, out, err = run(*command)
        if code:
            assert "rebuild" in out + err, out + err
    code, _, err = run("library", "rebuild")
    assert code == 0, err
    code, out, err = run("library", "list")
    assert (code, err) == (0, "")
    assert session_id(1)[:8] in out


def test_any_damaged_byte_is_read_over_or_one_line_and_rebuild_mends_it(
    run: Run, home: Path, tmp_path: Path
) -> None:
    import numpy as np

    make_recording(tmp_path / "all" / "good", 1)
    run("library", "add", "all")
    with sqlite3.connect(home / "library.db") as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    whole = (home / "library.db").read_bytes()
    rng = np.random.default_rng(12)
    for _ in range(12):
        data = bytearray(whole)
        for _ in range(64):
            data[int(rng.integers(len(data)))] = int(rng.integers(256))
        for old in home.glob("library.db*"):
            old.unlink()
        (home / "library.db").write_bytes(data)
        run("library", "list")
        code, _, err = run("library", "rebuild")
        assert code == 0, err
        code, out, err = run("library", "list")
        assert (code, err) == (0, "")
        assert session_id(1)[:8] in out
