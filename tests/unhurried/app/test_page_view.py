"""What a recording that runs says of a swing is what its screen says afterwards."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.evidence.summary import kind_of
from library.answer import MEASURES, answer_of_swing, practice_of
from library.evidence import Evidence
from unhurried.app.ingest import analyze_one, open_library
from unhurried.app.measuring import analyze
from unhurried.app.page_view import OwnFigures, own_figures

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize("name", ["monday-wrist", "tuesday-club", "thursday-glove"])
def test_a_swing_has_the_same_words_live_and_on_its_screen(tmp_path: Path, name: str) -> None:
    path = ROOT / "recordings" / name
    swings = analyze(path).swings
    home = tmp_path / "home"
    asked = 0
    with open_library(home) as library:
        library.put(analyze_one(path, home))
        session = library.sessions()[0]
        for group in library.groups():
            if group.part or group.player is None:
                continue
            player = library.player(group.player)
            evidence = Evidence(library, player, club=group.club, mount=group.mount)
            live: OwnFigures = own_figures(home, (player.name, group.club, group.mount), {})
            mine = [s for s in swings if (s.player, s.club) == (player.name, group.club)]
            for swing in mine:
                live.add(swing, kind_of(swing))
            practice = practice_of(evidence.rows)
            for swing in mine:
                shown = answer_of_swing(evidence, session.id, swing.index)
                if shown is None or shown.own is None:
                    continue
                beside = live.beside(swing, kind_of(swing))
                for strip in shown.strips:
                    measure = MEASURES[strip.aspect]
                    if measure in beside:
                        word = beside[measure][1].partition("; ")[0]
                        assert word == strip.said.value, (swing.index, measure, len(practice))
                        asked += 1
    assert asked > 15


def test_what_somebody_said_a_swing_was_counts_in_the_range_of_today() -> None:
    swings = analyze(ROOT / "recordings" / "monday-wrist").swings
    practice = [s for s in swings if kind_of(s) == "rehearsal" and s.backswing_ms is not None]
    shot = next(s for s in swings if kind_of(s) == "strike")
    live = OwnFigures()
    for swing in practice[:5]:
        live.add(swing, "rehearsal")
    known = live.beside(shot, "strike")
    assert known
    # Four are too few, and a shot that was a practice swing makes five again.
    assert live.now(practice[0], "strike") == "strike"
    assert live.beside(shot, "strike") == {}
    assert live.now(practice[0], None) == "rehearsal"
    assert live.beside(shot, "strike") == known
    assert live.beside(replace(shot, intent="part"), "strike") == {}


def test_a_range_below_nothing_tells_nothing() -> None:
    """Three swings alike and two in slow motion are no range that a shot is 'as usual' in."""
    swings = analyze(ROOT / "recordings" / "monday-wrist").swings
    practice = [s for s in swings if kind_of(s) == "rehearsal" and s.backswing_ms is not None]
    shot = next(s for s in swings if kind_of(s) == "strike")
    live = OwnFigures()
    for k, swing in enumerate(practice[:5]):
        assert swing.backswing_ms is not None
        times = 1.0 if k < 3 else 3.0
        live.add(replace(swing, backswing_ms=times * swing.backswing_ms), "rehearsal")
    assert "backswing_ms" not in live.beside(shot, "strike")
    assert "turn_deg" in live.beside(shot, "strike")
