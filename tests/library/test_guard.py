"""The guard from the library's swings: told to the coach, and the sound is left out by one word."""

from __future__ import annotations

from pathlib import Path

import pytest
from evidence_data import Block, add_session
from range_site import range_site

from analysis.evidence.guard import SoundEffect
from library.catalogue import Library
from library.evidence import evidence_of
from library.guard import guard_of, quicker_with
from unhurried.cli import run

USUAL = (
    Block(n=3, strike=False, block="silent", change_ms=90.0),
    Block(n=4, strike=False, block="rise rehearsal", change_ms=90.0),
    Block(n=5, strike=False, block="bell rehearsal", change_ms=60.0),
    Block(n=3, strike=True, block="silent", change_ms=70.0),
)
"""A player who hurries where the bell rings."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("guard")
    with Library(root / "home") as made:
        for number in range(1, 6):
            add_session(made, root, number, USUAL, day=f"2026-05-{number:02d}")
    return root / "home"


def test_what_the_bell_does_is_told_and_can_be_left_out(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Library(home) as library:
        ida = evidence_of(library, "Ida")
        found = guard_of(ida)
        bell = found["bell"]
        assert isinstance(bell, SoundEffect)
        # With a ball there is no bell in the swing: those swings aren't set beside it.
        assert (bell.n, bell.without, bell.sessions) == (25, 15, 5)
        assert bell.decision.difference == pytest.approx(-30.0, abs=4.0)
        assert list(quicker_with(ida)) == ["bell"]
    assert run(["plan", "Ida", "--home", str(home)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "The change of direction is quicker by 3" in out
    assert "unhurried library player Ida --without bell" in out


def test_the_coach_leaves_it_out_on_the_page_and_takes_that_back(home: Path) -> None:
    with range_site(home) as site:
        with Library(home, read_only=True) as library:
            ida = library.player("Ida")
        told = site.http.get(f"/player/{ida.id}/trend/told?club=7+iron&mount=wrist").text
        assert "is quicker by" in told
        assert f'action="/player/{ida.id}/sound"' in told
        site.post(f"/player/{ida.id}/sound", sound="gong")
        site.post(f"/player/{ida.id}/sound", sound="bell", club="7 iron", mount="wrist")
        with Library(home, read_only=True) as library:
            assert library.player("Ida").limits.without == ("bell",)
            assert quicker_with(evidence_of(library, "Ida")) == {}
        site.post(f"/player/{ida.id}/edit", undo="1")
        with Library(home, read_only=True) as library:
            assert library.player("Ida").limits.without == ()
