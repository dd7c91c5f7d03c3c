"""The commands library, results, felt and bundle, on real (simulated) recordings."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from patience import PATIENCE_S

from library.catalogue import Library
from sensor.recording.annotations import change_annotations, read_annotations
from unhurried import cli
from unhurried.app.ingest import analyze_many, analyze_one, open_library

ROOT = Path(__file__).resolve().parents[3]
RECORDINGS = ROOT / "recordings"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run a command in this process with a home of its own; gives (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        capfd.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        sys.stdout.flush()
        out, err = capfd.readouterr()
        if "--json" not in arguments:
            # Paths are as long as they are.
            assert all(len(line) <= 80 or "/" in line for line in out.splitlines()), out
        return code, out, err

    return call


@pytest.fixture
def glove(tmp_path: Path) -> Path:
    """Ameyo's session: eleven swings."""
    return Path(shutil.copytree(RECORDINGS / "thursday-glove", tmp_path / "all" / "glove"))


@pytest.fixture
def club(tmp_path: Path) -> Path:
    """Tomas's session: fourteen swings."""
    return Path(shutil.copytree(RECORDINGS / "tuesday-club", tmp_path / "all" / "club"))


def content(home: Path) -> dict[str, Any]:
    with Library(home) as library:
        return library.content()


def raw_files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.name != "annotations.json"}


# -- library -------------------------------------------------------------------------------------


def test_recordings_are_added_once_and_never_changed(run: Run, glove: Path, club: Path) -> None:
    before = raw_files(glove)
    code, out, err = run("library", "add", "all")
    assert code == 0, err
    assert "2 sessions measured." in out
    assert "Ameyo" in out
    code, out, _ = run("library", "add", "all", glove)
    assert (code, out) == (0, "no sessions measured, 2 sessions known already.\n")
    assert raw_files(glove) == before
    assert {p.name for p in glove.iterdir()} == set(before)
    code, out, _ = run("library", "list")
    assert out.count("\n") == 7
    code, out, _ = run("library", "list", "Tomas")
    assert "5 iron, club: 14 swings in 1 session, 7 practice swings, 7 shots, 0 unclear" in out


def test_the_library_has_the_numbers_of_analyze_to_the_last_digit(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    _, out, _ = run("analyze", glove, "--json")
    expected = json.loads(out)["swings"]
    with open_library(Path("home")) as library:
        session = library.sessions()[0]
        found = [library.swing(session.id, number=s["index"]) for s in expected]
        assert [json.loads(json.dumps(d.swing.as_dict())) for d in found] == expected
        # With where each uncertainty comes from.
        assert all(d.swing.budget for d in found)
    _code, out, _ = run("library", "show", glove, "--json")
    shown = json.loads(out)["swings"]
    assert [s["turn_deg"] for s in shown] == [s["turn_deg"] for s in expected]


def test_a_rebuild_gives_the_same_also_from_nothing(run: Run, glove: Path, club: Path) -> None:
    home = Path("home").resolve()
    run("library", "add", "all")
    assert run("felt", f"{glove}#3", "--time", "rushed", "--strike", "well")[0] == 0
    assert run("results", "add", f"{club}#2", "--carry-yd", "150", "--other", "ball=old")[0] == 0
    before = content(home)
    code, out, _ = run("library", "rebuild")
    assert (code, content(home)) == (0, before)
    for name in ("library.db", "library.db-wal", "library.db-shm"):
        (home / name).unlink(missing_ok=True)
    code, out, err = run("library", "rebuild")
    assert code == 0, err
    assert "2 sessions measured." in out
    assert content(home) == before


def test_workers_measure_the_same(run: Run, glove: Path, club: Path) -> None:
    home = Path("home").resolve()
    home.mkdir()
    alone = dict(analyze_many([glove, club], home, workers=1))
    shared = dict(analyze_many([glove, club], home, workers=2))
    assert alone == shared
    assert all(not isinstance(one, str) for one in alone.values())


def test_a_new_version_of_the_analysis_measures_anew(
    run: Run, glove: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("library", "add", glove)
    with Library(Path("home"), analysis_version="next") as library:
        assert len(library.outdated()) == 1
        (candidate,) = library.candidates([glove])
        assert candidate.state == "changed"
    # As if it had been measured by an earlier one.
    with Library(Path("home")) as library:
        import dataclasses

        one = library.analyzed(library.sessions()[0].id)
        library.put(dataclasses.replace(one, analysis_version="0", swings=one.swings[:3]))
    _, out, _ = run("library", "list")
    assert "measured by another version of the analysis" in out
    code, out, _ = run("library", "update")
    assert (code, out.splitlines()[-1]) == (0, "1 session measured.")
    with Library(Path("home")) as library:
        assert library.sessions()[0].swings == 11
        assert library.outdated() == []


def test_words_of_an_earlier_analysis_are_listed_once(run: Run, tmp_path: Path) -> None:
    import dataclasses

    for day in (12, 13):
        copy = Path(shutil.copytree(RECORDINGS / "monday-wrist", tmp_path / "all" / str(day)))
        document = json.loads((copy / "session.json").read_text(encoding="utf-8"))
        document["id"] = f"00000000-0000-4000-8000-0000000000{day}"
        document["start"] = f"2026-01-{day}{document['start'][10:]}"
        (copy / "session.json").write_text(json.dumps(document), encoding="utf-8")
    run("library", "add", "all")

    def told() -> list[str]:
        with open_library(Path("home")) as library:
            return [one.version for one in library.player("Solveig").told]

    with open_library(Path("home")) as library:
        for session in library.sessions():
            one = library.analyzed(session.id)
            swings = tuple(
                dataclasses.replace(s, values={**s.values, "turn_deg": 1.3 * s.values["turn_deg"]})
                for s in one.swings
                if s.values["turn_deg"] is not None
            )
            library.put(dataclasses.replace(one, analysis_version="1", swings=swings))
    for _ in range(2):
        assert run("story", "Solveig")[0] == 0
        assert told() == ["1"]
    # Also where some of it cannot be taken in.
    (tmp_path / "all" / "broken").mkdir()
    (tmp_path / "all" / "broken" / "session.json").write_text("{")
    code, out, _ = run("library", "update")
    assert code == 1
    flat = " ".join(out.split())
    assert flat.count("Today's analysis (version") == 1
    assert "- Solveig, 7 iron, " in flat
    assert "Then (told " in flat
    assert "analysis version 1): " in flat
    assert "model swings' turn" in flat
    for words in (("library", "update"), ("library", "rebuild")):
        assert "Today's analysis" not in run(*words)[1]
    assert told() == ["1", "3"]
    story = " ".join(run("story", "Solveig")[1].split())
    assert "Told before Then (told " in story
    (document,) = json.loads(run("story", "Solveig", "--json")[1])["stories"]
    assert document["told_before"]["code"] == "moved"
    assert told() == ["1", "3"]


def test_a_plan_is_told_too(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    assert run("plan", "Ameyo")[0] == 0
    (path,) = Path("home/players").glob("*.json")
    (one,) = json.loads(path.read_text(encoding="utf-8"))["told"]
    assert one["words"][0] == {
        "about": "stage", "word": "baseline", "measure": None, "of": None, "value": None,
        "margin": None,
    }  # fmt: skip


def test_old_results_stay_when_a_recording_cannot_be_measured(
    run: Run, glove: Path, club: Path
) -> None:
    run("library", "add", "all")
    before = content(Path("home"))
    (glove / "imu.npy").chmod(0o644)
    (glove / "imu.npy").write_bytes(b"broken")
    code, _out, err = run("library", "rebuild")
    assert code == 1
    assert "imu.npy" in err
    assert "1 recording could not be taken in" in err
    assert "Traceback" not in err
    assert content(Path("home"))["swings"] == before["swings"]


def test_a_moved_recording_is_told_by_check_and_found(run: Run, glove: Path, club: Path) -> None:
    run("library", "add", "all")
    assert run("library", "check")[1].endswith("all is well.\n")
    glove.rename(glove.with_name("renamed"))
    code, out, _ = run("library", "check")
    assert (code, "was moved, and found again at" in " ".join(out.split())) == (0, True)
    shutil.move(club, "elsewhere")
    code, out, _err = run("library", "check")
    assert code == 1
    assert "its numbers are kept" in " ".join(out.split())
    code, out, _ = run("library", "add", "elsewhere")
    assert (code, out) == (0, "no sessions measured, 1 session read anew.\n")
    assert run("library", "check")[0] == 0


def test_what_was_said_elsewhere_is_read_by_update(run: Run, glove: Path) -> None:
    run("library", "add", "all")
    with change_annotations(glove) as said:
        said.set("session", "note", value="into the wind")
    assert "more was said about it" in " ".join(run("library", "check")[1].split())
    code, out, _ = run("library", "update")
    assert (code, out) == (0, "no sessions measured, 1 session read anew.\n")
    assert "note: into the wind" in run("library", "show", glove)[1]


def test_namesakes_are_refused_with_what_to_do_and_told_with_as(run: Run, glove: Path) -> None:
    run("library", "player", "Ameyo", "--new", "--note", "from the club")
    run("library", "player", "Ameyo", "--new", "--note", "from work")
    code, _, err = run("library", "add", glove)
    assert code == 1
    assert "several players are called 'Ameyo'" in err
    assert "--as 'Ameyo=ID'" in err
    assert "from work" in err
    code, _, err = run("library", "player", "Ameyo")
    assert code == 1
    assert "could be several players" in err
    code, out, _ = run("library", "add", glove, "--as", "Ameyo=Ameyo Sato")
    assert (code, "Ameyo Sato" in out) == (0, True)
    assert len(read_annotations(glove).identities()) == 1
    assert run("library", "add", glove, "--as", "Ameyo")[0] == 2


def test_a_later_namesake_changes_nothing(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    run("library", "player", "Ameyo", "--new")
    code, out, err = run("felt", f"{glove}#3", "--time", "rushed")
    assert (code, out, err) == (0, "glove#3: time rushed\n", "")
    assert "rushed" in run("felt", glove)[1]
    for command in ("update", "rebuild"):
        code, _, err = run("library", command)
        assert (code, err) == (0, "")
    for file in Path("home").glob("library.db*"):
        file.unlink()
    code, out, err = run("library", "rebuild")
    assert (code, "1 session measured" in out, err) == (0, True, "")
    assert "rushed" in run("felt", glove)[1]


def test_what_is_kept_but_cannot_be_read_is_told_as_kept(
    run: Run, glove: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from library.errors import BusyLibraryError

    run("library", "add", glove)

    def busy(self: Library, session_id: str) -> None:
        raise BusyLibraryError(self.home / "library.db", "is busy")

    monkeypatch.setattr(Library, "refresh", busy)
    code, _, err = run("felt", f"{glove}#3", "--time", "rushed")
    assert code == 1
    assert "this is kept, but" in err
    assert "library update" in err
    monkeypatch.undo()
    assert read_annotations(glove).swing_keys() != []


def test_left_and_right_sessions_of_one_setting_are_remarked(
    run: Run, glove: Path, tmp_path: Path
) -> None:
    run("library", "add", glove)
    other = Path(shutil.copytree(glove, tmp_path / "all" / "other"))
    document = json.loads((other / "session.json").read_text())
    document["id"] = "7d1f4c1e-52a5-4b8e-9f0a-0f3f5b1c2d3e"
    assert document["handedness"] == "right"
    document["handedness"] = "left"
    (other / "session.json").write_text(json.dumps(document))
    markers = other / "markers.jsonl"
    markers.write_text(markers.read_text().replace('"right"', '"left"'))
    code, _, err = run("library", "add", other)
    assert (code, "right-handed swings and" in err, "taken together" in err) == (0, True, True)
    assert "taken together" in " ".join(run("library", "list", "Ameyo")[1].split())
    assert "taken together" in " ".join(run("library", "check")[1].split())
    # What it says to do takes them apart.
    assert run("library", "add", other, "--as", "Ameyo=Ameyo left")[0] == 0
    assert "taken together" not in run("library", "list", "Ameyo")[1]


def test_as_with_a_name_that_nobody_has_is_told(run: Run, glove: Path) -> None:
    code, out, err = run("library", "add", glove, "--as", "Nemo=Ida Berg")
    assert (code, "1 session measured" in out) == (1, True)
    assert "nobody is called 'Nemo'" in err
    assert "'Ameyo'" in err
    assert "Ida Berg" not in run("library", "list")[1]


def test_a_file_is_refused_and_not_remembered_and_a_folder_can_be_forgotten(
    run: Run, glove: Path, tmp_path: Path
) -> None:
    (tmp_path / "x.csv").write_text("a")
    assert run("library", "add", "x.csv")[0] == 1
    assert run("library", "rebuild", "x.csv")[0] == 1
    assert run("library", "check")[0] == 0
    (tmp_path / "away").mkdir()
    run("library", "add", "away")
    (tmp_path / "away").rmdir()
    code, out, _ = run("library", "check")
    assert (code, "library forget" in " ".join(out.split())) == (1, True)
    assert "library forget" in run("library", "update")[2]
    assert run("library", "forget", "away")[0] == 0
    assert run("library", "check")[0] == 0
    assert run("library", "forget", "away")[0] == 1


@pytest.mark.skipif(sys.platform == "win32", reason="terminals are made by POSIX means")
def test_at_a_terminal_it_is_asked_who_is_meant_and_whether_to_delete(
    run: Run, glove: Path
) -> None:
    for note in ("from the club", "from work"):
        run("library", "player", "Ameyo", "--new", "--note", note)

    def at_terminal(answer: bytes, *words: str) -> tuple[int, str, str]:
        import pty

        master, slave = pty.openpty()
        try:
            process = subprocess.Popen(
                [sys.executable, "-m", "unhurried", *words],
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=slave,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            os.write(master, answer)
            out, err = process.communicate(timeout=PATIENCE_S)
        finally:
            os.close(master)
            os.close(slave)
        return process.returncode, out, err

    code, out, err = at_terminal(b"2\n", "library", "add", str(glove))
    assert code == 0, err
    assert "who is 'Ameyo'?" in err
    with Library(Path("home")) as library:
        chosen = library.player(next(iter(read_annotations(glove).identities().values())))
        second = next(line for line in err.splitlines() if line.strip().startswith("2 "))
        assert str(chosen.note) in second
        assert library.sessions(player=chosen.id) != []
    code, out, err = at_terminal(b"n\n", "library", "delete", chosen.id)
    assert (code, "nothing was deleted" in err) == (1, True)
    code, out, err = at_terminal(b"y\n", "library", "delete", chosen.id)
    # Some versions of click leave the blank after the question to the reader of the answer.
    assert (code, out.lstrip()) == (0, "Ameyo is deleted: 11 swings.\n")


def test_children_need_consent_and_check_says_so(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    code, _, err = run("library", "player", "Ameyo", "--child")
    assert (code, "only with the consent" in err) == (0, True)
    assert "nobody's consent is noted" in run("library", "check")[1]
    run("library", "player", "Ameyo", "--consent", "her father, 1 May 2026")
    assert run("library", "check")[1].endswith("all is well.\n")


def test_deleting_asks_names_the_folders_and_keeps_the_recording(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    before = raw_files(glove)
    code, _, err = run("library", "delete", "Ameyo")
    assert code == 1
    assert f"{glove}: stays" in err
    assert "give --yes" in err
    assert run("library", "export", "Ameyo", "ameyo.zip")[0] == 0
    code, out, _ = run("library", "delete", "Ameyo", "--yes")
    # Some versions of click leave the blank after the question to the reader of the answer.
    assert (code, out.lstrip()) == (0, "Ameyo is deleted: 11 swings.\n")
    assert raw_files(glove) == before
    code, out, _ = run("library", "rebuild")
    assert "deleted players passed over" in out
    assert content(Path("home"))["players"] == []
    # Unless somebody says so: then it is another player.
    assert run("library", "add", glove, "--as", "Ameyo=Ameyo")[0] == 0
    assert len(content(Path("home"))["swings"]) == 11
    code, _, err = run("library", "delete", "Ameyo", "--yes", "--raw")
    assert (code, glove.exists()) == (0, False)


def test_what_is_no_recording_is_one_line(run: Run, tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("a")
    (tmp_path / "empty").mkdir()
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "session.json").write_text("{")
    assert run("library", "add", "nowhere")[0] == 2
    code, _, err = run("library", "add", "x.csv")
    assert (code, "make a recording of a file with 'import'" in err) == (1, True)
    code, out, _ = run("library", "add", "empty")
    assert (code, "No recordings were found there." in out) == (0, True)
    code, _, err = run("library", "add", "bad")
    assert (code, "is broken" in err) == (1, True)
    code, _, err = run("library", "show", "nothing-like-it")
    assert (code, "nor is it a session of the library" in err) == (2, True)
    code, _, err = run("library", "list", "Nobody")
    assert (code, "no player 'Nobody'" in err) == (1, True)


def test_an_empty_library_says_how_to_begin(run: Run) -> None:
    code, out, _ = run("library", "list")
    assert (code, "unhurried library add" in out) == (0, True)


def test_kill_9_in_a_rebuild_loses_nothing(run: Run, glove: Path, club: Path) -> None:
    run("library", "add", "all")
    run("felt", f"{glove}#3", "--time", "rushed")
    before = content(Path("home"))
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    # At the start, while measuring, and around where rows are written.
    for wait_s in (0.4, 0.7, 0.9, 1.1, 1.3):
        process = subprocess.Popen(
            [sys.executable, "-m", "unhurried", "library", "rebuild", "--workers", "2"],
            env={**environment, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        time.sleep(wait_s)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        assert content(Path("home")) == before
    assert run("library", "rebuild")[0] == 0
    assert content(Path("home")) == before
    assert run("library", "check")[1].endswith("all is well.\n")


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
def test_workers_end_with_the_process_that_was_killed(tmp_path: Path) -> None:
    code = (
        "import concurrent.futures, multiprocessing, os, time\n"
        "from unhurried.app.ingest import end_with_parent\n"
        "if __name__ == '__main__':\n"
        "    context = multiprocessing.get_context('spawn')\n"
        "    pool = concurrent.futures.ProcessPoolExecutor(\n"
        "        2, mp_context=context, initializer=end_with_parent)\n"
        "    pids = {pool.submit(os.getpid).result() for _ in range(2)}\n"
        "    jobs = [pool.submit(time.sleep, 60) for _ in range(2)]\n"
        "    print(*(pids | set(pool._processes)), flush=True)\n"
        "    time.sleep(60)\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    process = subprocess.Popen(
        [sys.executable, str(script)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    pids = [int(word) for word in process.stdout.readline().split()]
    assert len(pids) == 2
    process.kill()
    process.communicate()
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and any(_runs(pid) for pid in pids):
        time.sleep(0.05)
    assert not any(_runs(pid) for pid in pids)


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


# -- corrections by hand, with the real samples --------------------------------------------------


def test_the_turn_between_corrected_events_is_measured_from_the_samples(
    run: Run, glove: Path
) -> None:
    run("library", "add", glove)
    with open_library(Path("home")) as library:
        session = library.sessions()[0]
        one = analyze_one(glove, Path("home"))
        swing = next(s for s in one.swings if s.values["backswing_ms"] is not None)
        at = swing.values["takeaway_s"]
        # Set where it was: about the same turn. Later: less of it.
        turns = []
        for later_s in (0.0, 0.4):
            seq = swing.at_seq + (at + later_s - swing.at_s) / one.period_s
            library.annotate(session.id, swing.span.seq, events={"takeaway_seq": seq})
            turns.append(library.swing(session.id, seq=swing.span.seq).swing.turn_deg)
        assert turns[0] == pytest.approx(swing.values["turn_deg"], abs=1.5)
        assert turns[1] is not None
        assert turns[0] is not None
        assert turns[1] < turns[0] - 3.0


# -- results, felt, bundle -----------------------------------------------------------------------


def test_results_are_typed_shown_corrected_and_removed(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    session = Library(Path("home")).sessions()[0].id
    code, out, _ = run("results", "add", f"{session[:8]}#2", "--carry-m", "180")
    assert (code, out) == (0, "glove#2: carry 180.0 m\n")
    code, out, _ = run("results", "add", f"{glove}#2", "--ball-speed-mph", "120", "--other", "x=1")
    assert "ball 53.6 m/s, carry 180.0 m, x 1.0" in out
    code, out, _ = run("results", "list", glove)
    assert "180.0" in out
    assert json.loads(run("results", "list", glove, "--json")[1])[0]["other"] == {"x": 1.0}
    assert run("results", "add", f"{glove}#2", "--remove")[0] == 0
    assert "no ball results" in run("results", "list", glove)[1]
    assert run("results", "add", f"{glove}#99", "--carry-m", "1")[0] == 1
    assert run("results", "add", glove, "--carry-m", "1")[0] == 2
    assert run("results", "add", f"{glove}#2")[0] == 2
    assert run("results", "add", f"{glove}#2", "--carry-m", "1", "--carry-yd", "1")[0] == 2


def test_a_speed_in_another_unit_is_asked_about(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    code, _, err = run("results", "add", f"{glove}#2", "--club-speed-m-s", "105")
    assert code == 1
    assert "another unit" in err
    assert "--sure" in err
    assert not (glove / "annotations.json").exists()
    assert run("results", "add", f"{glove}#2", "--club-speed-m-s", "105", "--sure")[0] == 0


def test_results_are_listed_in_the_units_of_the_setting_with_all_else(
    run: Run, glove: Path
) -> None:
    run("library", "add", glove)
    run("results", "add", f"{glove}#2", "--carry-yd", "160", "--other", "ball=old")
    run("settings", "units=imperial")
    out = run("results", "list", glove)[1]
    assert out.splitlines()[0].split()[-3:] == ["carry", "yd", "other"]
    assert out.splitlines()[1].split()[-3:] == ["160.0", "ball", "old"]
    assert "carry 170.0 yd" in run("results", "add", f"{glove}#2", "--carry-yd", "170")[1]
    assert "ball, yd" in run("library", "show", glove)[1]
    # What doesn't fit is named.
    options = ("--ball-speed-mph", "--club-speed-mph", "--total-yd", "--offline-yd")
    more = [word for option, value in zip(options, ("120", "88", "180", "3"), strict=True)
            for word in (option, value)]  # fmt: skip
    run("results", "add", f"{glove}#2", *more, "--attack-deg", "2", "--strike-toe-mm", "3")
    out = run("results", "list", glove)[1]
    assert "club mph" in out
    assert "Not shown for want of room: offline yd, attack °, toe mm" in " ".join(out.split())
    assert "ball old" in out


def test_the_result_of_a_rehearsal_is_remarked(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    with Library(Path("home")) as library:
        table = library.swings(columns=("number", "kind"))
    kinds = dict(zip(table["kind"].tolist(), table["number"].tolist(), strict=True))
    code, _, err = run("results", "add", f"{glove}#{kinds['rehearsal']}", "--carry-m", "150")
    assert (code, f"#{kinds['rehearsal']}: a practice swing as far as is known" in err) == (0, True)
    assert run("results", "add", f"{glove}#{kinds['strike']}", "--carry-m", "150")[2] == ""


def test_an_import_in_a_wrong_unit_is_asked_about(run: Run, glove: Path, tmp_path: Path) -> None:
    run("library", "add", glove)
    lines = [
        ",".join([line.split(",")[0], str(88 + k)]) for k, line in enumerate(shots(glove, 9.0))
    ]
    file = tmp_path / "shots.csv"
    file.write_text("\n".join(["Clock,Head speed (mph)", *lines]) + "\n")
    code, _, err = run("results", "import", glove, file)
    assert (code, '--map "time=Clock, club-speed=Head speed (mph):mph"' in err) == (1, True)
    for bad, says in (("Clock", "must be NAME=COLUMN:UNIT"), ("carry=Way:m", "no column 'Way'")):
        code, _, err = run("results", "import", glove, file, "--map", bad)
        assert (code, f"--map: {'' if 'Way' not in bad else 'there is '}" in err) == (2, True)
        assert says in err
    wrong = "time=Clock, club-speed=Head speed (mph):km/h"
    code, _, err = run("results", "import", glove, file, "--map", wrong, "--keep")
    assert (code, "says mph itself" in err) == (1, True)
    assert not (glove / "annotations.json").exists()
    right = "club-speed=Head speed (mph):mph, time=Clock"
    assert run("results", "import", glove, file, "--map", right, "--keep")[0] == 0
    # The map in use is said, and so is one that takes its place; the words are kept all the same.
    code, _, err = run("results", "import", glove, file)
    assert (code, f'as the last time: --map "{right}"' in err) == (0, True)
    code, _, err = run("results", "import", glove, file, "--map", wrong, "--keep")
    assert (code, "kept of the same swings is" in err) == (1, True)
    poorer = "club-speed=#2:mph"
    code, _, err = run("results", "import", glove, file, "--map", poorer, "--keep")
    assert (code, f'before it was: --map "{right}"' in err) == (0, True)


def test_an_import_is_held_against_the_player_s_other_sessions(
    run: Run, glove: Path, tmp_path: Path
) -> None:
    run("library", "add", glove)
    lines = [f"{88 + k}" for k in range(len(shots(glove, 0.0)))]
    file = tmp_path / "shots.csv"
    file.write_text("\n".join(["Speed", *lines]) + "\n")
    assert run("results", "import", glove, file, "--map", "club-speed=Speed:mph", "--keep")[0] == 0
    other = Path(shutil.copytree(glove, tmp_path / "all" / "other"))
    (other / "annotations.json").unlink()
    document = json.loads((other / "session.json").read_text())
    document["id"] = "7d1f4c1e-52a5-4b8e-9f0a-0f3f5b1c2d3e"
    (other / "session.json").write_text(json.dumps(document))
    run("library", "add", other)
    code, _, err = run("results", "import", other, file, "--map", "club-speed=Speed:km/h", "--keep")
    assert (code, "of this player's other sessions" in err) == (1, True)
    assert not (other / "annotations.json").exists()


def test_numbers_given_twice_are_named(run: Run, glove: Path, tmp_path: Path) -> None:
    run("library", "add", glove)
    file = tmp_path / "shots.csv"
    file.write_text("Carry (m)\n150\n")
    options = ("--map", "carry=Carry (m):m", "--by", "order", "--swings", "1-5,2,4")
    code, _, err = run("results", "import", glove, file, *options)
    assert (code, "--swings names 2, 4 more than once" in err) == (2, True)


def test_words_can_be_kept_of_a_recording_that_is_not_in_the_library(run: Run, glove: Path) -> None:
    assert run("felt", f"{glove}#1", "--time", "slow")[0] == 0
    assert run("results", "add", f"{glove}#1", "--carry-m", "150")[0] == 0
    run("library", "add", glove)
    assert "slow" in run("felt", glove)[1]
    assert "150" in run("results", "list", glove)[1]


def shots(glove: Path, offset_s: float) -> list[str]:
    from datetime import datetime, timedelta

    with Library(Path("home")) as library:
        table = library.swings(columns=("at_s", "number"), kind="strike")
        zone = datetime.fromisoformat(library.sessions()[0].start).tzinfo
    return [
        f"{datetime.fromtimestamp(at, zone) + timedelta(seconds=offset_s):%H:%M:%S},"
        f"{100 + k},{150 + k}"
        for k, at in enumerate(table["at_s"].tolist())
    ]


def test_a_file_of_results_is_shown_before_it_is_kept_and_its_map_remembered(
    run: Run, glove: Path, tmp_path: Path
) -> None:
    run("library", "add", glove)
    lines = shots(glove, 95.0)
    file = tmp_path / "shots.csv"
    file.write_text("\n".join(["When,Club Speed (mph),Carry (yd)", *lines]) + "\n")
    code, _, err = run("results", "import", glove, file)
    assert code == 1
    assert '--map "club-speed=Club Speed (mph):mph, carry=Carry (yd):yd, time=When"' in err
    mapped = "club-speed=Club Speed (mph):mph, carry=Carry (yd):yd, time=When"
    code, out, err = run("results", "import", glove, file, "--map", mapped)
    assert code == 0, err
    assert "ahead of the recording's" in " ".join(out.split())
    assert "Nothing is kept yet" in out
    assert not (glove / "annotations.json").exists()
    code, out, _ = run("results", "import", glove, file, "--map", mapped, "--keep")
    assert f"{len(lines)} results kept." in out
    # The next file with this header needs no map.
    code, out, _ = run("results", "import", glove, file, "--by", "order", "--keep")
    assert code == 0
    _, out, _ = run("results", "list", glove, "--json")
    kept = json.loads(out)
    assert [r["club_speed_m_s"] for r in kept] == pytest.approx(
        [(100 + k) * 0.44704 for k in range(len(lines))]
    )
    # One line less can no longer be matched one after the other.
    file.write_text("\n".join(["When,Club Speed (mph),Carry (yd)", *lines[1:]]) + "\n")
    code, _, err = run("results", "import", glove, file, "--by", "order")
    assert code == 1
    assert "say which swings they belong to with --swings" in err
    assert run("results", "import", glove, file, "--by", "order", "--swings", "x")[0] == 2


def test_formulas_in_a_file_stay_words_in_what_is_exported(
    run: Run, glove: Path, tmp_path: Path
) -> None:
    run("library", "add", glove)
    file = tmp_path / "shots.csv"
    file.write_text('Carry,Ball\n150,"=HYPERLINK(""x"")"\n')
    number = next(
        int(line.split()[0])
        for line in run("library", "show", glove)[1].splitlines()
        if " shot " in line
    )
    mapped = ("--map", "carry=Carry:m, other=Ball", "--swings", str(number), "--keep")
    assert run("results", "import", glove, file, *mapped)[0] == 0
    with change_annotations(glove) as said:
        said.set("session", "note", value="=1+1")
    assert run("results", "export", glove, "out.csv")[0] == 0
    import csv

    with Path("out.csv").open(encoding="utf-8", newline="") as table:
        cells = [cell for row in csv.reader(table) for cell in row]
    assert any("HYPERLINK" in cell for cell in cells)
    assert not any(cell.startswith(("=", "+", "@")) for cell in cells)
    assert run("results", "export", glove, "out.csv")[0] == 1


def test_a_bundle_goes_to_a_coach_and_back(
    run: Run, glove: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("library", "add", glove)
    code, out, err = run(
        "bundle", "make", "there.zip", glove, "--message", "how was #3?", "--drill", "ten slow ones"
    )
    assert code == 0, err
    monkeypatch.setenv("UNHURRIED_HOME", str(Path("coach").resolve()))
    code, out, err = run("bundle", "open", "there.zip")
    assert code == 0, err
    assert "message: how was #3?" in out
    assert "drill: ten slow ones" in out
    session = Library(Path("coach")).sessions()[0]
    assert session.drill == "ten slow ones"
    assert run("felt", f"{session.id[:8]}#3", "--time", "rushed")[0] == 0
    assert run("bundle", "make", "back.zip", session.id[:8])[0] == 0
    monkeypatch.setenv("UNHURRIED_HOME", str(Path("home").resolve()))
    code, out, _ = run("bundle", "open", "back.zip")
    assert (code, "there already, 1 newer word taken over" in out) == (0, True)
    assert "rushed" in run("felt", glove)[1]
    Path("cut.zip").write_bytes(Path("back.zip").read_bytes()[:5000])
    code, _, err = run("bundle", "open", "cut.zip")
    assert code == 1
    assert err.count("\n") == 1


def test_felt_is_shown_beside_what_was_measured(run: Run, glove: Path) -> None:
    run("library", "add", glove)
    assert "Nothing was said" in run("felt", glove)[1]
    run("felt", f"{glove}#3", "--time", "rushed", "--turn", "short")
    _code, out, _ = run("felt", glove)
    assert [line.split()[-6:-4] for line in out.splitlines()[1:]] == [["rushed", "short"]]
    assert json.loads(run("felt", glove, "--json")[1])[0]["felt_time"] == "rushed"
    run("felt", f"{glove}#3", "--remove")
    assert "Nothing was said" in run("felt", glove)[1]
    assert run("felt", glove, "--time", "rushed")[0] == 2
