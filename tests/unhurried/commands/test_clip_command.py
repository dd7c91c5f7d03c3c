"""The command clip: what it says of how a clip is lined up, and what adding one again does."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from clip_data import make_clip, needs_ffmpeg
from saying import said

from library.catalogue import Library
from library.clips import clips_of
from unhurried import cli

ROOT = Path(__file__).resolve().parents[3]

pytestmark = needs_ffmpeg


def _strikes(home: Path) -> dict[int, float]:
    with Library(home) as library:
        table = library.swings(kind="strike", columns=("number", "impact_s"))
        return dict(zip(table["number"].tolist(), table["impact_s"].tolist(), strict=True))


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Ameyo's session in a library."""
    shutil.copytree(ROOT / "recordings" / "thursday-glove", tmp_path / "glove")
    assert (
        cli.run(["library", "add", str(tmp_path / "glove"), "--home", str(tmp_path / "home")]) == 0
    )
    return tmp_path / "home"


def test_a_clip_added_again_stays_lined_up(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    number, impact_s = list(_strikes(home).items())[1]
    film = make_clip(tmp_path / "one.mp4", [2.0], duration_s=4.0)
    session = tmp_path / "glove"
    # One knock could be any strike, unless it is said which.
    out = said(capsys, "clip", f"{session}#{number}", film, "--home", home)
    assert "DOUBTFUL" not in out
    said(capsys, "clip", session, film, "--home", home)
    with Library(home) as library:
        (clip,) = clips_of(library, library.sessions()[0].id)
    assert clip.sure
    assert clip.offset_s == pytest.approx(impact_s - 2.0, abs=0.05)
    # By eye counts more than a sound that is in doubt, too.
    said(capsys, "clip", session, film, "--at-s", str(impact_s - 1.5), "--home", home)
    said(capsys, "clip", session, film, "--home", home)
    assert cli.run(["clip", str(session), str(film), "--home", str(home)]) == 0
    assert "stays as it was lined up" in capsys.readouterr().err
    with Library(home) as library:
        (clip,) = clips_of(library, library.sessions()[0].id)
    assert clip.sure


def test_doubt_and_wrong_swing_and_missing_sound_are_said(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = make_clip(tmp_path / "one.mp4", [2.0], duration_s=4.0)
    session = tmp_path / "glove"
    out = said(capsys, "clip", session, film, "--home", home)
    assert "DOUBTFUL" in out
    assert "if that is the right knock, within about" in " ".join(out.split())
    with Library(home) as library:
        first = library.swings(kind="rehearsal", columns=("number",))["number"].tolist()[0]
    at_s = list(_strikes(home).values())[-1]
    other = make_clip(tmp_path / "two.mp4", [2.0], duration_s=4.0)
    out = said(capsys, "clip", f"{session}#{first}", other, "--at-s", str(at_s - 2), "--home", home)
    assert f"laid beside #{first}, which it doesn't show" in " ".join(out.split())
    mute = make_clip(tmp_path / "mute.mp4", [], duration_s=2.0, sound=False)
    assert "the clip has no sound" in said(capsys, "clip", session, mute, "--home", home)
