"""Files that are added: recordings in a zip, broken ones mended, a folder that is watched."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import zipfile
from collections.abc import Iterable
from pathlib import Path

import LnkParse3
import pytest

from library.catalogue import Library
from library.errors import BundleError
from sensor.recording.layout import ANNOTATIONS_FILE
from unhurried.app import shortcut
from unhurried.app.adding import add_recordings
from unhurried.app.arrivals import Arrivals, plain_name
from unhurried.app.errors import CommandError
from unhurried.app.file_kinds import look_at
from unhurried.app.ingest import open_library
from unhurried.app.running import RUNNING_FILE, running_page, told_running
from unhurried.app.settings import change_settings
from unhurried.app.shortcut import make_shortcut
from unhurried.app.watching import Watch
from unhurried.app.windows_link import windows_link

GLOVE = Path(__file__).resolve().parents[3] / "recordings" / "thursday-glove"


def quiet(_what: str, _share: float | None) -> None:
    """Say nothing."""


def zipped(path: Path, folder: Path, places: Iterable[str] = ("a walk/thursday",)) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for place in places:
            for file in sorted(folder.iterdir()):
                archive.write(file, f"{place}/{file.name}".lstrip("/"))
        archive.writestr("__MACOSX/._imu.npy.txt", b"a system's own")
    return path


@pytest.mark.parametrize("place", ["a walk/thursday", ""])
def test_a_zip_with_a_recording_is_found_and_taken_in(tmp_path: Path, place: str) -> None:
    path = zipped(tmp_path / "x.zip", GLOVE, [place])
    assert look_at(path).kind == "recordings"
    with open_library(tmp_path / "home") as library:
        done = add_recordings(library, path, quiet)
        (session,) = library.sessions()
        assert done.text == f"1 session added, with {session.swings} swings."
        assert done.url == f"/session/{session.id}"
        assert Path(session.path).parent == tmp_path / "home" / "recordings"
        again = add_recordings(library, path, quiet)
        assert again.text == "1 session was here already."
        assert len(library.sessions()) == 1
    assert [p.name for p in (tmp_path / "home" / "recordings").iterdir()] == [
        Path(session.path).name
    ]


def test_a_broken_recording_is_mended_by_itself_and_said(tmp_path: Path) -> None:
    broken = tmp_path / "broken"
    shutil.copytree(GLOVE, broken)
    for file in broken.iterdir():
        file.chmod(0o644)
    data = bytearray((broken / "imu.npy").read_bytes())
    # Its beginning, which says what the rest is, and a piece in the middle.
    data[:40] = bytes(40)
    data[len(data) // 2 : len(data) // 2 + 4096] = bytes(4096)
    (broken / "imu.npy").write_bytes(data)
    with open_library(tmp_path / "home") as library:
        done = add_recordings(library, zipped(tmp_path / "x.zip", broken), quiet)
        (session,) = library.sessions()
        assert session.swings > 3
    assert "1 session added" in done.text
    assert "was broken" in done.lines[0]
    assert "is mended" in done.lines[0]
    assert str(tmp_path) not in " ".join(done.lines)


def test_what_leads_elsewhere_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../imu.npy", b"1")
    with open_library(tmp_path / "home") as library, pytest.raises(BundleError):
        add_recordings(library, path, quiet)
    assert list((tmp_path / "home" / "recordings").iterdir()) == []


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"", "nothing"),
        (b"PK\x03\x04broken", "nothing"),
        (b"\x00\x00\x00\x18ftypmp42", "film"),
        (b"\x89PNG\r\n\x1a\n", "nothing"),
        (b"Clock,Head speed (mph),Carry (yd)\n18:00:01,77,140\n", "balls"),
        (b"t,ax,ay,az,gx,gy,gz\n0,0,0,1,0,0,0\n", "table"),
        (b"just words\n", "nothing"),
        (b"\xff\xfe\x00", "nothing"),
        (b"<!doctype html><p>", "nothing"),
        (b'"a\n' * 3, "nothing"),
    ],
)
def test_what_a_file_is_is_found_by_looking(tmp_path: Path, data: bytes, kind: str) -> None:
    path = tmp_path / "whatever.xyz"
    path.write_bytes(data)
    looked = look_at(path)
    assert looked.kind == kind
    assert "unhurried" not in looked.text


def test_the_names_of_files_lead_nowhere(tmp_path: Path) -> None:
    for name, plain in (
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\x\\swing 1.csv", "swing 1.csv"),
        ("..", "file"),
        ("", "file"),
        ("a\x00b\n.csv", "a_b_.csv"),
        ("x" * 500 + ".csv", "x" * 90 + ".csv"),
    ):
        assert plain_name(name) == plain
    arrivals = Arrivals(tmp_path)
    for token in ("../..", "0" * 15, "", "g" * 16):
        with pytest.raises(CommandError, match="isn't here"):
            arrivals.path(token)
    with (GLOVE / "session.json").open("rb") as source:
        token = arrivals.keep("../x.csv", source)
    assert arrivals.path(token).parent.parent == tmp_path / "arriving"
    arrivals.drop("../..")
    arrivals.drop(token)
    assert list((tmp_path / "arriving").iterdir()) == []


def test_a_watched_folder_brings_in_what_it_can_and_offers_the_rest(tmp_path: Path) -> None:
    home, folder = tmp_path / "home", tmp_path / "drop here"
    folder.mkdir()
    home.mkdir()
    watch = Watch(home)
    assert watch.look() == []
    change_settings(home, {"watched_folder": str(folder)})
    zipped(folder / "thursday.zip", GLOVE)
    (folder / "balls.csv").write_text("Carry (yd)\n140\n", encoding="utf-8")
    (folder / "words.txt").write_text("nothing of ours", encoding="utf-8")
    # It may still be on its way: not at the first look.
    assert watch.look() == []
    (told,) = watch.look()
    assert told.startswith("thursday.zip: 1 session added")
    assert watch.look() == []
    ((_, path),) = watch.waiting()
    assert path.name == "balls.csv"
    watch.taken(path)
    assert watch.waiting() == []
    # And it is known when the program is started again.
    again = Watch(home)
    assert (again.look(), again.look(), again.waiting()) == ([], [], [])
    with Library(home) as library:
        assert len(library.sessions()) == 1
    assert (folder / "thursday.zip").exists()


def test_a_shortcut_of_linux_starts_the_program(tmp_path: Path) -> None:
    (tmp_path / "Desktop").mkdir()
    odd = tmp_path / 'a "home" $of 100%'
    made = make_shortcut(odd, system="linux", environment={"HOME": str(tmp_path)})
    assert {one.parent.name for one in made} == {"applications", "Desktop"}
    text = made[0].read_text(encoding="utf-8")
    line = next(one for one in text.splitlines() if one.startswith("Exec="))
    # As the Desktop Entry Specification has it: first the key file's own escapes, then quotes.
    words = shlex.split(
        line.removeprefix("Exec=").replace("\\\\", "\\").replace("%%", "%").replace("\\$", "$")
    )
    assert words[-3:] == ["review", "--home", str(odd.absolute())]
    done = subprocess.run(
        [*words[:-3], "--version"], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.stdout.startswith("unhurried ")


def test_a_shortcut_of_windows_is_read_back_by_anothers_parser(tmp_path: Path) -> None:
    """By LnkParse3, which follows [MS-SHLLINK] as well, and shares nothing with us."""
    program = "C:\\Users\\Åsa Öst\\unhurried\\Scripts\\unhurried.exe"
    words = 'review --home "C:\\my home"'
    file = tmp_path / "x.lnk"
    file.write_bytes(windows_link(program, words, about="Measure golf swings"))
    with file.open("rb") as source:
        found = LnkParse3.lnk_file(source).get_json()
    assert found["header"]["windowstyle"] == "SW_SHOWMINNOACTIVE"
    items = found["target"]["items"]
    assert [one["class"] for one in items[:2]] == ["Root Folder", "Volume Item"]
    assert items[1]["volume_name"] == "C:\\"
    names = [one["primary_name"] for one in items[2:]]
    assert names == ["Users", "?sa ?st", "unhurried", "Scripts", "unhurried.exe"]
    assert [one["flags"] for one in items[2:]] == ["Is directory"] * 4 + ["Is file"]
    assert found["link_info"]["local_base_path_unicode"] == program
    assert found["link_info"]["location_info"]["drive_type"] == "DRIVE_FIXED"
    assert found["data"]["working_directory"] == program.rpartition("\\")[0]
    assert found["data"]["command_line_arguments"] == words
    # Nothing stands after what the format has.
    assert file.read_bytes()[-4:] == bytes(4)
    for elsewhere in ("unhurried.exe", "\\\\box\\share\\unhurried.exe", "C:unhurried.exe"):
        with pytest.raises(ValueError, match="isn't on a drive"):
            windows_link(elsewhere, "", about="")


def test_a_shortcut_of_windows_lies_on_the_desktop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shortcut, "program", lambda _home: ["C:\\env\\unhurried.exe", "review"])
    (made,) = make_shortcut(None, system="win32", environment={"USERPROFILE": str(tmp_path)})
    assert made == tmp_path / "Desktop" / "unhurried.lnk"
    assert made.read_bytes()[:4] == b"L\0\0\0"


def test_a_shortcut_of_a_mac_is_a_script(tmp_path: Path) -> None:
    odd = tmp_path / "an 'odd' $home"
    (made,) = make_shortcut(odd, system="darwin", environment={"HOME": str(tmp_path)})
    last = made.read_text(encoding="utf-8").splitlines()[-1]
    assert shlex.split(last)[-3:] == ["review", "--home", str(odd.absolute())]
    assert subprocess.run(["sh", "-n", str(made)], check=False, timeout=60).returncode == 0
    (made,) = make_shortcut(None, system="darwin", environment={"HOME": str(tmp_path)})
    assert made == tmp_path / "Desktop" / "unhurried.command"
    assert made.stat().st_mode & 0o111
    assert made.read_text(encoding="utf-8").splitlines()[-1].endswith(" review")


def test_whoever_starts_the_program_again_sees_the_page_that_is_up(tmp_path: Path) -> None:
    assert running_page(tmp_path) is None
    import socket

    with socket.create_server(("127.0.0.1", 0)) as door:
        port = door.getsockname()[1]
        with told_running(tmp_path, port):
            assert running_page(tmp_path) == f"http://127.0.0.1:{port}/"
        assert not (tmp_path / RUNNING_FILE).exists()
        for text in ("", "{}", '{"port": 1}', '{"port": 1e99, "process": 0}', "[]"):
            (tmp_path / RUNNING_FILE).write_text(text, encoding="utf-8")
            assert running_page(tmp_path) is None
    with told_running(tmp_path, port):
        # Its process is there, and its door is not.
        assert running_page(tmp_path) is None


def test_what_was_said_comes_with_a_recording(tmp_path: Path) -> None:
    folder = tmp_path / "said"
    shutil.copytree(GLOVE, folder)
    from sensor.recording.annotations import change_annotations

    with change_annotations(folder) as said:
        said.set("session", "note", value="windy")
    assert (folder / ANNOTATIONS_FILE).exists()
    with open_library(tmp_path / "home") as library:
        add_recordings(library, zipped(tmp_path / "x.zip", folder), quiet)
        assert library.sessions()[0].note == "windy"
