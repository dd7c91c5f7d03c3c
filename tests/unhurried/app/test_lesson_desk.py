"""A lesson as it goes on: chips, waggles and half swings are only counted, whoever swings."""

from __future__ import annotations

import json
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from library.evidence import evidence_in
from library.lesson import PART_SWING, lesson_of
from review.page.livehub import LiveHub, Person
from review.page.requests import LessonRequest
from sensor.link.replay import ReplaySource
from simulation.motion.action import Action
from simulation.motion.draw import random_swing
from simulation.sessions import SessionSpec, TrueSwing, _Director
from unhurried.app.ingest import open_library
from unhurried.app.lesson_desk import LessonDesk
from unhurried.app.lesson_drill import LessonDrill
from unhurried.app.live import LiveSession
from unhurried.app.page_desk import PageDesk
from unhurried.app.page_start import _quiet_screen
from unhurried.app.recording import run_sessions
from unhurried.app.shutdown import Shutdown

SEED = 11
GRID_HZ = 800.0
CHIPS, WAGGLES, HALVES, FULLS = 20, 10, 10, 10
CHIP_DEG = 62.0


class Lesson(_Director):
    """Everything that a pupil does in a lesson, in any order."""

    def __init__(self) -> None:
        spec = SessionSpec(mount="wrist", minutes=1.0, loss=0.0, grid_hz=GRID_HZ, varied=False)
        super().__init__(spec, SEED, None)
        self.full_seqs: list[float] = []
        rng = np.random.default_rng(SEED)
        self._mark_segment(0)
        whats = ["chip"] * CHIPS + ["waggle"] * WAGGLES + ["half"] * HALVES + ["full"] * FULLS
        for what in rng.permutation(whats):
            if what == "waggle":
                self._do("waggle")
            elif what == "full":
                before = len(self._truth)
                self._swing("full", strike=bool(rng.random() < 0.5))
                rate = self._chip_params.true_rate_hz
                self.full_seqs += [float(t.truth.top_s) * rate for t in self._truth[before:]]
            else:
                self._play(self._small(rng, chip=what == "chip"))

    def _small(self, rng: np.random.Generator, *, chip: bool) -> Action:
        """A chip turns by less than a third of a full turn, a half swing by more."""
        while True:
            kind = "short" if chip and rng.random() < 0.5 else "part"
            action = random_swing(rng, model="pendulum", mount="wrist", kind=kind, grid_hz=GRID_HZ)
            if kind == "short" or (action.swings[0].turn_deg < CHIP_DEG) is chip:
                return action

    def _play(self, action: Action) -> None:
        one = self._spec.players[0]
        self._truth += [
            TrueSwing(truth=truth, player=one.name, handedness=one.handedness, club=one.club)
            for truth in self._film.play(action, wait_s=0.8)
        ]
        self._film.rest(0.8)

    def _over(self) -> bool:
        return True


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, LiveHub, list[float]]:
    """A lesson that was recorded live, its hub, and where its full swings are."""
    root = tmp_path_factory.mktemp("lesson")
    director = Lesson()
    director.session().write(root / "sent")
    home = root / "home"
    hub = LiveHub()
    desk = PageDesk(hub, home, "recording", lesson=LessonRequest())
    on_swing, on_event = desk.listening(0, lambda _swing: None, lambda _event: None)
    session = LiveSession(
        ReplaySource(root / "sent", speed=0),
        home / "recordings" / "lesson",
        on_swing=on_swing,
        on_event=on_event,
        home=home,
    )
    (home / "recordings").mkdir(parents=True)
    end = Shutdown()
    end.run(run_sessions([session], _quiet_screen(), ending=end, page=desk, keys=False))
    desk.keep()
    return home, hub, director.full_seqs


def test_only_the_full_swings_of_a_lesson_count(
    played: tuple[Path, LiveHub, list[float]],
) -> None:
    home, hub, full_seqs = played
    state = hub.state
    assert state.phase == "kept", state.outcome
    assert state.lesson is not None
    full = sum(state.lesson.counts["first"])
    # The finder may miss one of the full ones; what it finds counts.
    assert FULLS - 1 <= full <= FULLS
    # Waggles and the shortest chips are no swings at all; of the rest all are only counted.
    assert state.lesson.part_swings >= HALVES
    assert state.count == full + state.lesson.part_swings
    with open_library(home) as library:
        (evidence,) = evidence_in(library, str(state.session))
        found = lesson_of(evidence, str(state.session))
        table = library.swings(
            session=str(state.session), columns=("seq", "excluded"), excluded=True
        )
        rows = list(table.rows())
        averaged = evidence.rows_of(str(state.session))
    assert found is not None
    assert (found.first, found.last) == (full, 0)
    assert found.part_swings == state.lesson.part_swings
    assert len(averaged) == full
    # And they are those that were made in full.
    counted = [row["seq"] for row in rows if row["excluded"] is None]
    assert {row["excluded"] for row in rows} == {None, PART_SWING}
    assert all(min(abs(seq - top) for top in full_seqs) < 150.0 for seq in counted)


def test_a_reader_that_knows_no_lesson_reads_it_all_the_same(
    played: tuple[Path, LiveHub, list[float]],
) -> None:
    home, _, _ = played
    lines = (home / "recordings" / "lesson" / "markers.jsonl").read_text().splitlines()
    kinds = [json.loads(line)["kind"] for line in lines]
    assert kinds.count("lesson") == 1
    assert "segment" in kinds


# -- the rule, swing by swing ------------------------------------------------------------------


class Bench:
    """A lesson's desk with swings of a given turn."""

    def __init__(self) -> None:
        self.hub = LiveHub()
        self.left_out: dict[str, str | None] = {}
        self.desk = LessonDesk(
            self.hub,
            LessonRequest(aim="longer"),
            sessions=lambda: self.sessions,
            leave_out=self.left_out.__setitem__,
            ask_aim=self.ask_aim,
            drill=LessonDrill(None, lambda: self.sessions, {}, lambda _run: None),
        )
        self.known: dict[str, Any] = {"player": "Ida", "backswing_ms": 800.0}
        self.n = 0
        self.at_s = 0.0
        self.sessions: Any = ()
        self.asked: list[str] = []

    def ask_aim(self, name: str) -> Future[str]:
        self.asked.append(name)
        found: Future[str] = Future()
        found.set_result({"Bo": "full turn"}.get(name, ""))
        return found

    def next(self, name: str) -> None:
        self.known = {**self.known, "player": name}
        self.sessions = (SimpleNamespace(segment=SimpleNamespace(player=name)),)
        self.desk.follow()

    def swing(
        self, turn_deg: float | None, *, own_deg: float | None = None, after_s: float = 20.0
    ) -> str:
        self.n += 1
        self.at_s = at = self.at_s + after_s
        key = str(self.n)
        seen = {"turn_deg": turn_deg, "takeaway_s": at, "impact_s": at + 1.1}
        one: Any = type("Turned", (), {**self.known, **seen})
        why = self.desk.take(key, one, kind="strike", mount="wrist", own_deg=own_deg, held=False)
        self.left_out[key] = why
        self.desk.taken(key, one)
        return key


def test_what_is_known_later_leaves_out_what_came_before() -> None:
    bench = Bench()
    half = [bench.swing(80.0) for _ in range(4)]
    # Of somebody unknown the first swings are full for all that is known.
    assert [bench.left_out[key] for key in half] == [None] * 4
    fulls = [bench.swing(140.0) for _ in range(3)]
    assert [bench.left_out[key] for key in half] == [PART_SWING] * 4
    assert [bench.left_out[key] for key in fulls] == [None] * 3
    assert bench.desk.state().part_swings == 4
    # One that went wild, or one that wasn't measured, changes nothing.
    bench.swing(400.0)
    bench.swing(None)
    assert [bench.left_out[key] for key in fulls] == [None] * 3


def test_swinging_back_and_forth_is_warming_up() -> None:
    bench = Bench()
    fulls = [bench.swing(140.0) for _ in range(3)]
    # Each begins at the finish of the one before, and turns from there: twice as far.
    warm = [bench.swing(260.0, after_s=1.2) for _ in range(5)]
    fulls += [bench.swing(140.0) for _ in range(3)]
    assert [bench.left_out[key] for key in warm] == [PART_SWING] * 5
    assert [bench.left_out[key] for key in fulls] == [None] * 6


def test_the_coachs_word_stays() -> None:
    bench = Bench()
    key = bench.swing(80.0, own_deg=140.0)
    assert bench.left_out[key] == PART_SWING
    bench.desk.said(key, None)
    bench.swing(140.0, own_deg=140.0)
    assert bench.desk.state().part_swings == 0
    bench.desk.only_full(True)
    assert bench.desk.state().part_swings == 0


def test_all_swings_count_where_the_coach_wants_it() -> None:
    bench = Bench()
    key = bench.swing(80.0, own_deg=140.0)
    assert bench.desk.only_full(False) == "All swings count."
    assert bench.left_out[key] is None
    assert bench.left_out[bench.swing(40.0, own_deg=140.0)] is None
    bench.desk.only_full(True)
    assert bench.desk.state().part_swings == 2


def test_counts_and_aim_are_of_whoever_swings_next() -> None:
    bench = Bench()
    bench.next("Ida")
    keys = [bench.swing(140.0) for _ in range(3)]
    assert (bench.desk.state().counts["first"], bench.desk.state().aim) == ((0, 3), "longer")
    bench.next("Bo")
    told = bench.hub.state.lesson
    assert told is not None
    assert (told.counts["first"], told.aim) == ((0, 0), "full turn")
    bench.swing(140.0)
    assert bench.desk.state().counts["first"] == (0, 1)
    # A swing that was somebody else's moves with its count, and back.
    bench.desk.moved(keys[2], Person(key="b", name="Bo"))
    assert bench.desk.state().counts["first"] == (0, 2)
    bench.desk.moved(keys[2], None)
    bench.next("Cleo")
    assert (bench.desk.state().counts["first"], bench.desk.state().aim) == ((0, 0), "")
    bench.next("Ida")
    assert (bench.desk.state().counts["first"], bench.desk.state().aim) == ((0, 3), "longer")
    # Each is looked up once.
    assert bench.asked == ["Bo", "Cleo"]
