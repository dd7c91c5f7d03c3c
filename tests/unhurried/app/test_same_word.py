"""A swing has one word: live on Range, on its screen, in the session, the report and the sound."""

from __future__ import annotations

import collections
import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import evidence_data
import pytest
from evidence_data import DAYS, DRILLED, FEW, FREE, LONG, SHORT, Block, add_session, approve

from analysis.evidence.reading import Aspect
from analysis.swing.results import Note, Swing
from feedback.drill import Drill
from feedback.drill_actions import Mark, Play
from library.analyzed import Analyzed
from library.answer import MEASURES, Answer, Said, answer_of_session, answer_of_swing
from library.errors import NoSuchError
from library.evidence import Evidence
from review.page.requests import DrillRequest, SessionRequest
from review.report import section_of
from unhurried.app.drill_start import ready_drill
from unhurried.app.ingest import open_library
from unhurried.app.page_view import OwnFigures, judged_words, own_figures

TURNS = (False, True, False, True)
CLUB, MOUNT = "7 iron", "wrist"


def turns(n: int, **shots: float) -> tuple[Block, ...]:
    """Practice swings and shots by turns; of the shots, what differs."""
    return tuple(Block(n=n, strike=one, **(shots if one else {})) for one in TURNS)  # type: ignore[arg-type]


def drilled(**moved: float) -> tuple[Block, ...]:
    """A drill's sets whose swings differ so."""
    return tuple(dataclasses.replace(one, **moved) for one in DRILLED)  # type: ignore[arg-type]


PLAYERS: dict[str, Sequence[tuple[Block, ...]]] = {
    "first lesson": [SHORT],
    "first lesson, near": [turns(10, time=0.95, turn=0.95, rate=0.95)],
    "few": [FEW, (Block(n=4, strike=False), Block(n=4, strike=True, turn=0.9))],
    "shots alone": [(Block(n=9, strike=True),), (Block(n=9, strike=True, turn=0.9),)],
    "part swings": [FREE, (*FREE, Block(n=6, strike=False, turn=0.5, part=True))],
    "nobody approved": [FREE, FREE, SHORT, LONG],
    "near": [FREE, FREE, turns(12, time=0.94, turn=1.06, rate=0.94), SHORT],
    "drills, nobody approved": [FREE, FREE, DRILLED, drilled(turn=1.06)],
    "model swings": [FREE, SHORT, LONG, turns(12, time=0.93, turn=1.07)],
    "model swings, drills": [FREE, DRILLED, drilled(turn=1.06, time=0.94), drilled(turn=0.95)],
    "past full": [FREE, (Block(n=8, strike=False), Block(n=8, strike=True, turn=1.3)), LONG],
}
APPROVED = ("model swings", "model swings, drills", "past full")


def swings_of(made: Analyzed, blocks: Sequence[Block]) -> list[Swing]:
    """The swings as a recording that runs has them."""
    names = {one.name for one in dataclasses.fields(Swing)}
    out = []
    for one, block in zip(made.swings, blocks, strict=True):
        values = {name: value for name, value in one.values.items() if name in names}
        for name in ("clipped", "bounds", "zero_dps"):
            values[name] = tuple(values[name])
        values["notes"] = tuple(Note(**note) for note in values["notes"])
        out.append(Swing(**values | {"intent": "part" if block.part else None}))
    return out


def said_live(own: OwnFigures, swing: Swing, strike: bool) -> dict[Aspect, Said]:
    """What Range says of a swing in large letters."""
    beside = own.beside(swing, "strike" if strike else "rehearsal")
    return {
        aspect: Said(beside[measure][1].partition("; ")[0]) if measure in beside else Said.CANT_TELL
        for aspect, measure in MEASURES.items()
    }


def live_words(
    own: OwnFigures, swings: Sequence[Swing], blocks: Sequence[Block]
) -> dict[int, dict[Aspect, Said]]:
    """What Range says of each swing at the end of a recording: shots are said anew."""
    out = {}
    for swing, block in zip(swings, blocks, strict=True):
        out[swing.index] = said_live(own, swing, block.strike)
        own.add(swing, "strike" if block.strike else "rehearsal")
    for swing, block in zip(swings, blocks, strict=True):
        if block.strike:
            out[swing.index] = said_live(own, swing, True)
    return out


def drill_of(home: Path, player: str, swings: int) -> Drill:
    """A drill of a player as the page starts it, of one long set with the bell."""
    with open_library(home) as library:
        who = library.player(player).id
    asked = DrillRequest(blocks=("rehearsal",), repeats=swings, cue_on=None, felt=0, check=False)
    request = SessionRequest(player=player, player_id=who, club=CLUB, mount=MOUNT, drill=asked)
    # Turns past full don't end it here: each swing is to have its word.
    return Drill(dataclasses.replace(ready_drill(home, request).plan, ends_beyond=0))


def rung(drill: Drill, swings: Sequence[Swing]) -> dict[int, tuple[bool, dict[str, str]]]:
    """Whether the bell rang after each swing, and the drill's words on Range."""
    out = {}
    now_s = 0.0
    drill.begin(now_s)
    for swing in swings:
        now_s += 60.0
        drill.tick(now_s)
        actions = [*drill.swing(swing, now_s), *drill.tick(now_s + 10.0)]
        assert any(isinstance(one, Mark) and one.kind == "drill_swing" for one in actions)
        judged = drill.tallies[0].judged[-1]
        words = {name: said for name, (_, said) in judged_words(judged).items()}
        out[swing.index] = (Play("kept") in actions, words)
    return out


def differs(answer: Answer, bell: bool, words: dict[str, str]) -> str:
    """Say where a drill's sound or words are against a swing's screen; empty where they aren't."""
    said = {strip.aspect: strip.said for strip in answer.strips}
    short = {Said.SHORTER, Said.SMALLER, Said.BIGGER, Said.PAST_FULL} & {said["time"], said["turn"]}
    if Said.CANT_TELL in (said["time"], said["turn"]) or bell is bool(short):
        return "bell"
    time, turn = (words[MEASURES[name]].partition(";")[0] for name in ("time", "turn"))
    if (time == "not kept") is not (said["time"] is Said.SHORTER):
        return "time"
    if said["turn"] in (Said.BIGGER, Said.PAST_FULL):
        return "" if turn == said["turn"].value else "turn"
    return "" if (turn == "not kept") is (said["turn"] is Said.SMALLER) else "turn"


def test_a_swing_has_one_word_on_range_session_swing_report_and_sound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: dict[str, Analyzed] = {}
    real = evidence_data.analyzed

    def kept(path: Path, **options: Any) -> Analyzed:
        one = real(path, **options)
        return made.setdefault(one.id, one)

    monkeypatch.setattr(evidence_data, "analyzed", kept)
    found: list[tuple[Any, ...]] = []
    asked: collections.Counter[str] = collections.Counter()
    number = 0
    for place, (player, sessions) in enumerate(PLAYERS.items()):
        home = tmp_path / f"home-{place}"
        for visit, blocks in enumerate(sessions):
            number += 1
            # Live comes first: it knows what was there before.
            live = own_figures(home, (player, CLUB, MOUNT), {}) if visit else OwnFigures()
            drill = drill_of(home, player, 100) if visit else None
            with open_library(home) as library:
                session = add_session(
                    library, tmp_path, number, blocks, player=player, day=DAYS[visit], scatter=0.03
                )
                each = [one for one in blocks for _ in range(one.n)]
                swings = swings_of(made[session], each)
                in_drill = any(one.block for one in blocks)
                words = {} if in_drill else live_words(live, swings, each)
                bells = rung(drill, swings) if drill is not None and in_drill else {}
                evidence = Evidence(library, library.player(player), club=CLUB, mount=MOUNT)
                answer = answer_of_session(evidence, session)
                counts: collections.Counter[tuple[Aspect, bool, Said]] = collections.Counter()
                for swing, block in zip(swings, each, strict=True):
                    asked["swings"] += 1
                    shown = answer_of_swing(evidence, session, swing.index)
                    if block.part:
                        # It has no screen's answer, and no word.
                        assert shown is None
                        continue
                    assert shown is not None
                    said = {strip.aspect: strip.said for strip in shown.strips}
                    for aspect, one in said.items():
                        sound_led = block.block is not None and "rehearsal" in block.block
                        counts[aspect, block.strike and not sound_led, one] += 1
                    if words:
                        asked["Range"] += 1
                        if words[swing.index] != said:
                            found.append((player, visit, swing.index, words[swing.index], said))
                    if swing.index in bells:
                        asked["sound"] += 1
                        if where := differs(shown, *bells[swing.index]):
                            found.append((player, visit, swing.index, where, bells[swing.index]))
                if answer.shots and answer.own is not None:
                    for strip in answer.strips:
                        asked["sets"] += 1
                        if strip.count != counts[strip.aspect, True, strip.said]:
                            found.append((player, visit, "session", strip.aspect, strip.said))
                section = section_of(evidence, session)
                assert [one.said for one in section.answer.strips] == [
                    strip.said.value for strip in answer.strips
                ]
                if player in APPROVED and visit == 0:
                    approve(library, player, [session], at=f"{DAYS[0]}T20:00:00+00:00")
    assert found == []
    assert asked["swings"] >= 500
    assert asked["Range"] >= 350
    assert asked["sound"] >= 100
    assert asked["sets"] >= 30


def test_a_first_drill_has_no_word_of_a_range_that_is_not_there(tmp_path: Path) -> None:
    with open_library(tmp_path / "home") as library:
        session = add_session(library, tmp_path, 1, DRILLED)
        evidence = Evidence(library, library.player("Ida"), club=CLUB, mount=MOUNT)
        shown = answer_of_swing(evidence, session, 28)
        assert shown is not None
        assert {strip.said for strip in shown.strips} == {Said.CANT_TELL}
        with pytest.raises(NoSuchError):
            answer_of_session(evidence, "not-there")
