"""A home as one file, and back: all of it or nothing, on a home without anything."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from library.backup import MANIFEST, bring_back, make_backup
from library.catalogue import Library
from library.errors import BundleError
from sensor.recording.annotations import change_annotations
from unhurried.app.ingest import analyze_one

GLOVE = Path(__file__).resolve().parents[2] / "recordings" / "thursday-glove"


@pytest.fixture(scope="module")
def backup(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of a home with one recording, a word on it, a second player and a setting."""
    folder = tmp_path_factory.mktemp("home")
    home, place = folder / "home", folder / "thursday"
    shutil.copytree(GLOVE, place)
    with Library(home) as library:
        library.put(analyze_one(place, home))
        (session,) = library.sessions()
        with change_annotations(place) as said:
            said.set("session", "note", value="kept with it")
        library.refresh(session.id)
        library.save_player(library.people.add("Ida", child=True, consent="her mother, today"))
        (home / "settings.json").write_text('{"version": 1, "settings": {"units": "imperial"}}')
        (home / "library.db-not-this").write_text("x")
        told: list[str] = []
        out = folder / "backup.zip"
        kept = make_backup(library, out, lambda what, _: told.append(what))
        assert (kept.recordings, kept.players, kept.missing) == (1, 2, ())
        assert told == [f"keeping {session.day}"]
        with pytest.raises(Exception, match="exists"):
            make_backup(library, out)
    return out


def test_it_comes_back_whole_on_another_home(backup: Path, tmp_path: Path) -> None:
    home = tmp_path / "new"
    with Library(home) as library:
        recordings, players = bring_back(library, backup)
        assert players == 2
        for folder in recordings:
            assert folder.parent == home / "recordings"
            library.put(analyze_one(folder, home))
        ida = library.player("Ida")
        assert (ida.child, ida.consent) == (True, "her mother, today")
        (session,) = library.sessions()
        assert session.note == "kept with it"
        assert session.swings > 5
        for name in ("imu.npy", "session.json", "markers.jsonl"):
            assert (recordings[0] / name).read_bytes() == (GLOVE / name).read_bytes()
        with pytest.raises(BundleError, match="already"):
            bring_back(library, backup)
    assert json.loads((home / "settings.json").read_text())["settings"] == {"units": "imperial"}
    assert not list(home.glob(".back-*"))
    assert not (home / "library.db-not-this").exists()


def doctored(source: Path, target: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    with zipfile.ZipFile(source) as archive:
        inside = {name: archive.read(name) for name in archive.namelist()}
    change(inside)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in inside.items():
            archive.writestr(name, data)
    return target


def _flip(inside: dict[str, bytes]) -> None:
    name = next(one for one in inside if one.endswith("imu.npy"))
    inside[name] = inside[name][:-1] + bytes([inside[name][-1] ^ 1])


def _more(inside: dict[str, bytes]) -> None:
    inside["home/players/x.json"] = b"{}"


def _elsewhere(inside: dict[str, bytes]) -> None:
    document = json.loads(inside[MANIFEST])
    document["files"]["home/library.db"] = {"size": 1, "sha256": "0" * 64}
    inside["home/library.db"] = b"x"
    inside[MANIFEST] = json.dumps(document).encode()


def _newer(inside: dict[str, bytes]) -> None:
    inside[MANIFEST] = inside[MANIFEST].replace(b'"version": 1', b'"version": 99')


def _other(inside: dict[str, bytes]) -> None:
    inside[MANIFEST] = inside[MANIFEST].replace(b"unhurried-backup", b"another thing")


def _none(inside: dict[str, bytes]) -> None:
    del inside[MANIFEST]


@pytest.mark.parametrize("change", [_flip, _more, _elsewhere, _newer, _other, _none])
def test_what_was_changed_is_refused_and_nothing_is_kept(
    backup: Path, tmp_path: Path, change: Callable[[dict[str, bytes]], None]
) -> None:
    home = tmp_path / "new"
    with Library(home) as library:
        before = sorted(one.name for one in home.iterdir())
        with pytest.raises(BundleError):
            bring_back(library, doctored(backup, tmp_path / "x.zip", change))
        assert sorted(one.name for one in home.iterdir()) == before
        assert library.people.all() == []
