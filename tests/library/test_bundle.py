"""Bundles: from a player to a coach and back, and never more than a recording's own files."""

from __future__ import annotations

import csv
import io
import json
import stat
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hostile_files
import pytest
from library_data import RATE_HZ, analyzed, make_recording, session_id

from library.bundle import MANIFEST, make_bundle, open_bundle
from library.catalogue import Library
from library.deletion import remove_player
from library.errors import BundleError, ChoiceError
from library.export import export_player
from library.players import ReferenceRecord
from sensor.errors import RecordingExistsError
from sensor.recording.annotations import read_annotations
from sensor.recording.csv_cells import safe, table_text


@pytest.fixture
def player(tmp_path: Path) -> Iterator[Library]:
    """The player's library: two sessions of Ida's."""
    with Library(tmp_path / "player") as library:
        for k in (1, 2):
            library.put(analyzed(make_recording(tmp_path / f"mine{k}", k)))
        yield library


@pytest.fixture
def coach(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "coach") as library:
        yield library


def send(library: Library, out: Path, *numbers: int, **options: Any) -> Path:
    sessions = [(session_id(k), library.path_of(session_id(k))) for k in numbers]
    make_bundle(library, sessions, out, **options)
    return out


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.name != "annotations.json"}


def test_a_session_goes_to_the_coach_and_the_words_come_back(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    first = analyzed(tmp_path / "mine1").swings[0].span.seq
    second = analyzed(tmp_path / "mine1").swings[1].span.seq
    player.annotate(session_id(1), first, note="felt quick")
    player.change_player(
        player.player("Ida").id,
        lambda p: p.with_reference(
            ReferenceRecord(club=None, mount="wrist", swings=(), bounds={"turn_deg": (1.0, 2.0)})
        ),
    )
    there = send(player, tmp_path / "there.zip", 1, message="please look", drill={"text": "slow"})
    done = open_bundle(coach, there, tmp_path / "inbox")
    assert (done.bundle.message, done.bundle.drill) == ("please look", {"text": "slow"})
    (folder,) = done.new
    assert files_of(folder) == files_of(tmp_path / "mine1")
    assert not any((folder / name).stat().st_mode & stat.S_IWUSR for name in files_of(folder))
    coach.put(analyzed(folder))
    assert coach.player("Ida").id == player.player("Ida").id
    assert len(coach.player("Ida").references) == 1
    assert coach.swing(session_id(1), seq=first).notes == ("felt quick",)
    # Both go on talking, also about the same swing; of each word the newer one counts.
    player.annotate(session_id(1), second, tags=["mine"])
    coach.annotate(session_id(1), first, note="it was quick", tags=["watch"])
    back = send(coach, tmp_path / "back.zip", 1)
    done = open_bundle(player, back, tmp_path / "nowhere")
    assert done.new == ()
    assert done.merged == {session_id(1): 2}
    player.refresh(session_id(1))
    detail = player.swing(session_id(1), seq=first)
    assert (detail.notes, detail.tags) == (("it was quick",), ("watch",))
    assert player.swing(session_id(1), seq=second).tags == ("mine",)
    # Once more changes nothing.
    assert open_bundle(player, back, tmp_path / "nowhere").merged == {session_id(1): 0}


def test_what_is_the_coach_s_own_stays_there(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    import dataclasses

    mine = player.player("Ida")
    player.change_player(mine.id, lambda p: dataclasses.replace(p, note="private", consent="mum"))
    send(player, tmp_path / "b.zip", 1)
    assert b"private" not in zipfile.ZipFile(tmp_path / "b.zip").read("manifest.json")
    coach.save_player(dataclasses.replace(mine, note="the coach's", consent="father"))
    open_bundle(coach, tmp_path / "b.zip", tmp_path / "inbox")
    assert (coach.player("Ida").note, coach.player("Ida").consent) == ("the coach's", "father")


def test_a_namesake_there_is_the_one_meant_or_not_as_told(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    theirs = player.player("Ida")
    here = coach.people.add("Ida", note="another Ida")
    there = send(player, tmp_path / "b.zip", 1)
    done = open_bundle(coach, there, tmp_path / "one", known_as=lambda _one, _here: None)
    assert [p.id for p in done.players] == [theirs.id]
    coach.put(analyzed(done.new[0]))
    assert [s.id for s in coach.sessions(player=theirs.id)] == [session_id(1)]
    assert coach.sessions(player=here.id) == []
    there = send(player, tmp_path / "c.zip", 2)
    coach.people.remove(theirs.id)
    done = open_bundle(coach, there, tmp_path / "one", known_as=lambda _one, names: names[0])
    coach.put(analyzed(done.new[0]))
    assert [s.id for s in coach.sessions(player=here.id)] == [session_id(2)]


def test_several_namesakes_are_asked_about_and_nothing_is_changed(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    coach.people.add("Ida", note="one")
    coach.people.add("Ida", note="two")
    there = send(player, tmp_path / "b.zip", 1)
    with pytest.raises(BundleError, match="several players here are called 'Ida'"):
        open_bundle(coach, there, tmp_path / "inbox")
    assert not (tmp_path / "inbox").exists()


def recordings_in(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as archive:
        recordings: list[str] = json.loads(archive.read(MANIFEST))["recordings"]
    return recordings


def test_a_bundle_is_not_written_over(player: Library, tmp_path: Path) -> None:
    send(player, tmp_path / "b.zip", 1)
    with pytest.raises(RecordingExistsError):
        send(player, tmp_path / "b.zip", 2)
    assert recordings_in(tmp_path / "b.zip") == [session_id(1)]
    send(player, tmp_path / "b.zip", 2, overwrite=True)
    assert recordings_in(tmp_path / "b.zip") == [session_id(2)]


# -- hostile and damaged ones --------------------------------------------------------------------

Files = dict[str, bytes]


def unzipped(path: Path) -> Files:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def manifest_of(files: Files, change: Callable[[dict[str, Any]], None]) -> None:
    document = json.loads(files["manifest.json"])
    change(document)
    files["manifest.json"] = json.dumps(document).encode()


def listed(files: Files, name: str, data: bytes) -> None:
    """Add a file, and to the list too."""
    import hashlib

    files[name] = data
    entry = {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    manifest_of(files, lambda d: d["files"].__setitem__(name, entry))


def renamed_recording(document: dict[str, Any]) -> None:
    document["recordings"] = ["../../outside"]


INSIDE = f"recordings/{session_id(1)}"
HOSTILE: dict[str, tuple[Callable[[Files], None], str]] = {
    "a path upwards": (lambda f: listed(f, "../outside.txt", b"x"), "against its own list"),
    "an absolute path": (lambda f: listed(f, "/tmp/outside.txt", b"x"), "against its own list"),
    "a path inside upwards": (
        lambda f: listed(f, f"{INSIDE}/../../../outside.txt", b"x"), "against its own list"
    ),
    "a backslash path": (lambda f: listed(f, "..\\outside.txt", b"x"), "against its own list"),
    "another file": (lambda f: listed(f, f"{INSIDE}/run.sh", b"x"), "against its own list"),
    "a file that isn't listed": (lambda f: f.update({"more.txt": b"x"}), "against its own list"),
    "a file that is missing": (lambda f: f.pop(f"{INSIDE}/markers.jsonl"), "against its own list"),
    "an id that is a path": (
        lambda f: manifest_of(f, renamed_recording), "must be a recording's id"
    ),
    "one byte changed": (
        lambda f: f.update({f"{INSIDE}/imu.npy": f[f"{INSIDE}/imu.npy"][:-1] + b"\x01"}),
        "damaged on its way",
    ),
    "more bytes than it says": (
        lambda f: f.update({f"{INSIDE}/imu.npy": f[f"{INSIDE}/imu.npy"] + b"\0" * 100}),
        "damaged on its way",
    ),
    "a bomb": (
        lambda f: listed(f, f"{INSIDE}/truth.json", b"\0" * 50_000_000), "over 100 times its size"
    ),
    "sizes without end": (
        lambda f: manifest_of(
            f, lambda d: d["files"][f"{INSIDE}/imu.npy"].update(size=10**15)
        ),
        "larger than 4 GB",
    ),
    "no manifest": (lambda f: f.pop("manifest.json"), "has no manifest.json"),
    "a manifest that is no JSON": (lambda f: f.update({"manifest.json": b"{"}), "is not JSON"),
    "a manifest of something else": (
        lambda f: manifest_of(f, lambda d: d.update(format="other")), "must be 'unhurried bundle'"
    ),
    "a later version": (
        lambda f: manifest_of(f, lambda d: d.update(version=2)), "version 2.*update unhurried"
    ),
    "another recording's session": (
        lambda f: listed(
            f,
            f"{INSIDE}/session.json",
            f[f"{INSIDE}/session.json"].replace(session_id(1).encode(), session_id(9).encode()),
        ),
        "has another's id",
    ),
    "samples that are none": (
        lambda f: listed(f, f"{INSIDE}/imu.npy", b"not numpy" * 100), "cannot be used"
    ),
    "words that are broken": (
        lambda f: listed(f, f"{INSIDE}/annotations.json", b'{"version": 1'), "cannot be used"
    ),
    "a recording twice": (
        lambda f: manifest_of(f, lambda d: d.update(recordings=d["recordings"] * 2)), "twice"
    ),
    "a message of 9 MB": (
        lambda f: manifest_of(f, lambda d: d.update(message="x" * 9_000_000)), "'manifest.json.mess"
    ),
    "a manifest nested without end": (
        lambda f: f.update({"manifest.json": hostile_files.DEEP.encode()}), "nested more than"
    ),
    "a drill nested too deep": (
        lambda f: manifest_of(f, lambda d: d.update(drill={"a": json.loads("[" * 40 + "]" * 40)})),
        "nested more than",
    ),
    "a player of a blank name": (
        lambda f: manifest_of(f, lambda d: d["players"][0].update(name=" ")), "players.0..name"
    ),
    "a player at the end of time": (
        lambda f: manifest_of(f, lambda d: d["players"][0].update(at=hostile_files.LATEST)),
        "players.0..at' must be of the years",
    ),
    "a plan that is a list": (
        lambda f: manifest_of(f, lambda d: d["players"][0].update(plans=[[]])), "plans.0"
    ),
    "no samples": (
        lambda f: listed(f, f"{INSIDE}/imu.npy", f[f"{INSIDE}/imu.npy"][:128]), "no samples"
    ),
    "a player who is a path": (
        lambda f: manifest_of(f, lambda d: d["players"][0].update(id="../../x")), "broken"
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_or_damaged_bundle_is_refused_in_one_line(
    player: Library, coach: Library, tmp_path: Path, what: str
) -> None:
    change, told = HOSTILE[what]
    files = unzipped(send(player, tmp_path / "good.zip", 1))
    change(files)
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(bad, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    before = coach.content()
    with pytest.raises(BundleError, match=told) as caught:
        open_bundle(coach, bad, tmp_path / "inbox" / "deep")
    assert "\n" not in str(caught.value)
    assert coach.content() == before
    assert not (tmp_path / "inbox").exists()
    assert not (tmp_path / "outside.txt").exists()
    assert not Path("/tmp/outside.txt").exists()


@pytest.mark.parametrize("what", hostile_files.REFUSED)
def test_a_recording_that_could_not_be_taken_in_later_is_refused_now(
    player: Library, coach: Library, tmp_path: Path, what: str
) -> None:
    files = unzipped(send(player, tmp_path / "good.zip", 1))
    folder = tmp_path / "changed"
    folder.mkdir()
    for name, data in files.items():
        if name.startswith(INSIDE):
            (folder / name.removeprefix(f"{INSIDE}/")).write_bytes(data)
    hostile_files.REFUSED[what](folder)
    for path in folder.iterdir():
        listed(files, f"{INSIDE}/{path.name}", path.read_bytes())
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    with pytest.raises(BundleError) as caught:
        open_bundle(coach, tmp_path / "bad.zip", tmp_path / "inbox")
    assert len(str(caught.value)) < 600
    assert not (tmp_path / "inbox").exists()
    assert coach.people.all() == []


def changed_player(path: Path, out: Path, **values: Any) -> Path:
    """A bundle in which its one player is another."""
    files = unzipped(path)
    manifest_of(files, lambda d: d["players"][0].update(values))
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out


LATER = "2027-01-01T00:00:00.000000+00:00"


def test_a_newer_name_in_a_bundle_changes_nobody_unless_it_is_asked_for(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    there = send(player, tmp_path / "b.zip", 1)
    open_bundle(coach, there, tmp_path / "one")
    mine = coach.player("Ida")
    again = changed_player(there, tmp_path / "c.zip", name="Bo", handedness="left", at=LATER)
    done = open_bundle(coach, again, tmp_path / "one")
    assert len(done.refused) == 2
    assert "'Ida' would be called 'Bo'" in done.refused[0]
    assert "left-handed" in done.refused[1]
    now = coach.people.get(mine.id)
    assert now is not None
    assert (now.name, now.handedness) == ("Ida", mine.handedness)
    assert now.known_as("Bo")
    done = open_bundle(coach, again, tmp_path / "one", take_names=True)
    assert done.refused == ()
    assert coach.player("Bo").id == mine.id
    assert coach.player("Bo").handedness == "left"


def test_an_alias_in_a_bundle_makes_nobody_here_ambiguous(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    mine = coach.people.add("Nils")
    there = changed_player(
        send(player, tmp_path / "b.zip", 1), tmp_path / "c.zip", aliases=["Nils", "Isa"]
    )
    done = open_bundle(coach, there, tmp_path / "one")
    assert len(done.refused) == 1
    assert "'Ida' would also be called 'Nils'" in done.refused[0]
    assert coach.player("Nils") == mine
    assert coach.player("Ida").aliases == ("Isa",)
    # In the bundle's own recording the name is who it was there.
    assert read_annotations(done.new[0]).identities()["Nils"] == coach.player("Ida").id
    open_bundle(coach, there, tmp_path / "one", take_names=True)
    with pytest.raises(ChoiceError):
        coach.player("Nils")


def test_a_player_who_was_deleted_does_not_come_back_in_a_bundle(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    there = send(player, tmp_path / "b.zip", 1)
    done = open_bundle(coach, there, tmp_path / "one")
    coach.put(analyzed(done.new[0]))
    remove_player(coach, coach.player("Ida").id, raw=True)
    done = open_bundle(coach, there, tmp_path / "one")
    assert "'Ida' was deleted here" in done.refused[0]
    assert coach.put(analyzed(done.new[0])) == "forgotten"
    assert coach.people.all() == []


def test_a_link_in_a_bundle_is_refused(player: Library, coach: Library, tmp_path: Path) -> None:
    files = unzipped(send(player, tmp_path / "good.zip", 1))
    name = f"{INSIDE}/truth.json"
    listed(files, name, b"/etc/passwd")
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        for one, data in files.items():
            info = zipfile.ZipInfo(one)
            if one == name:
                info.external_attr = (stat.S_IFLNK | 0o777) << 16
            archive.writestr(info, data)
    with pytest.raises(BundleError, match="is a link"):
        open_bundle(coach, tmp_path / "bad.zip", tmp_path / "inbox")


@pytest.mark.parametrize("share", [0.1, 0.5, 0.97])
def test_a_bundle_that_is_cut_short_is_refused(
    player: Library, coach: Library, tmp_path: Path, share: float
) -> None:
    data = send(player, tmp_path / "good.zip", 1).read_bytes()
    (tmp_path / "cut.zip").write_bytes(data[: int(share * len(data))])
    with pytest.raises(BundleError, match="have it sent once more"):
        open_bundle(coach, tmp_path / "cut.zip", tmp_path / "inbox")


def test_something_that_is_no_zip_is_refused(coach: Library, tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_bytes(b"hello")
    with pytest.raises(BundleError, match="is not a whole bundle"):
        open_bundle(coach, tmp_path / "x.zip", tmp_path / "inbox")


def test_an_encrypted_bundle_is_refused(player: Library, coach: Library, tmp_path: Path) -> None:
    data = bytearray(send(player, tmp_path / "b.zip", 1).read_bytes())
    # The first bit of the flags, in each local and central header (PKWARE's APPNOTE, 4.4.4).
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 4)
    (tmp_path / "locked.zip").write_bytes(data)
    with pytest.raises(BundleError, match="is encrypted"):
        open_bundle(coach, tmp_path / "locked.zip", tmp_path / "inbox")


def test_a_full_disk_while_unpacking_is_one_line(
    player: Library, coach: Library, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    from library import bundle

    there = send(player, tmp_path / "b.zip", 1)
    write = bundle._write

    def to_full(target: Any, piece: bytes) -> None:
        del target
        with Path("/dev/full").open("wb") as full:
            write(full, piece)

    monkeypatch.setattr(bundle, "_write", to_full)
    with pytest.raises(BundleError, match="the disk is full"):
        open_bundle(coach, there, tmp_path / "inbox")
    assert not (tmp_path / "inbox").exists()


# -- one player's data ---------------------------------------------------------------------------


def test_a_player_s_data_is_exported_whole_and_only_theirs(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        library.put(analyzed(make_recording(tmp_path / "own", 1)))
        shared = make_recording(tmp_path / "shared", 2)
        ida, nils = {"player": "Ida"}, {"player": "Nils"}
        both = analyzed(shared, 6, segments=((0, 0.0, ida), (round(45 * RATE_HZ), 45.0, nils)))
        library.put(both)
        library.annotate(session_id(2), both.swings[5].span.seq, note="secret of Nils")
        library.annotate(session_id(2), both.swings[0].span.seq, note="=of Ida")
        words = export_player(library, library.player("Ida"), tmp_path / "ida.zip")
    assert "4 swings cut out of 1 recordings with others" in words
    with zipfile.ZipFile(tmp_path / "ida.zip") as archive:
        names = archive.namelist()
        everything = b"".join(archive.read(name) for name in names)
        rows = list(csv.DictReader(io.StringIO(archive.read("swings.csv").decode())))
        said = archive.read(f"shared/shared-{session_id(2)[:8]}/words.json").decode()
    assert b"secret of Nils" not in everything
    assert f"recordings/own-{session_id(1)[:8]}/imu.npy" in names
    assert not any(name.startswith("recordings/shared") for name in names)
    assert len([n for n in names if n.startswith("shared/") and n.endswith(".csv")]) == 4
    assert len(rows) == 10
    assert "=of Ida" in said


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "  =1", "\n=1", "＝1"])
def test_no_cell_of_words_begins_a_formula(text: str) -> None:
    assert safe(text) == f"'{text}"


@pytest.mark.parametrize("text", ["a\r=1+1", "\r=1+1", "a\r\n=1+1", 'a"\r=1+1'])
def test_no_line_end_in_a_cell_begins_a_line_with_a_formula(text: str) -> None:
    written = table_text(["note"], [[text]])
    assert "\r" not in written
    # As a spreadsheet reads it.
    assert len(list(csv.reader(io.StringIO(written, newline="")))) == 2


def test_numbers_and_other_words_stay_as_they_are() -> None:
    assert [safe(v) for v in (-1.5, 3, None, "7 iron", "a=b")] == [-1.5, 3, None, "7 iron", "a=b"]


def test_words_beside_a_recording_from_a_bundle_carry_no_history(
    player: Library, coach: Library, tmp_path: Path
) -> None:
    first = analyzed(tmp_path / "mine1").swings[0].span.seq
    player.annotate(session_id(1), first, note="a slip")
    player.annotate(session_id(1), first, note=None)
    done = open_bundle(coach, send(player, tmp_path / "b.zip", 1), tmp_path / "inbox")
    assert "a slip" not in (done.new[0] / "annotations.json").read_text(encoding="utf-8")
    assert read_annotations(done.new[0]).history == []
