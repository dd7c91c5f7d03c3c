"""What is tapped on the page while a recording goes on, and afterwards: said, kept, taken back."""

from __future__ import annotations

import collections
import concurrent.futures
import contextlib
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from review.page.livehub import GUEST, HELD, NOT_THAT, LiveError, LiveHub, Person
from review.page.requests import (
    Again,
    Ball,
    BallResult,
    Felt,
    Film,
    FullOnly,
    GoOn,
    Heard,
    Hold,
    Kind,
    LessonPart,
    Next,
    Note,
    NotThat,
    Numbers,
    Sore,
    Stop,
    Tap,
    Undo,
    Who,
    Whose,
)
from unhurried.app.errors import describe
from unhurried.app.lesson_desk import LessonDesk
from unhurried.app.page_films import FilmOf, Films
from unhurried.app.page_view import CALL_FIRST, aim_of, span_of

if TYPE_CHECKING:
    from analysis.swing.results import Swing
    from review.page.requests import LessonRequest
    from sensor.recording.annotations import SwingSpan
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.lesson_drill import LessonDrill
    from unhurried.app.live import LiveSession


_log = logging.getLogger(__name__)

FELT_TEXT: Final = {
    "rushed": "rushed",
    "in-time": "in time",
    "slow": "slow",
    "full": "a full turn",
    "short": "a short turn",
    "well": "struck well",
    "not": "not struck well",
}
FELT_KEYS: Final = {"rushed": "1", "in-time": "2", "slow": "3"}
ENDED: Final = "the recording has ended: on the session's screen that can be put right afterwards"
MOST_TAPS: Final = 500
"""Answers that are kept, for taps that come twice."""


_ONLY_LIVE: Final = (
    *(Stop, Sore, Hold, NotThat, Again, GoOn, Heard, Note, Who, Next, Ball),
    *(LessonPart, FullOnly),
)


@dataclass(slots=True)
class SaidSwing:
    """A swing and what was said of it."""

    key: str
    session: LiveSession
    number: int
    span: SwingSpan
    rate_hz: float
    said: dict[str, str]
    result: dict[str, float]
    left_out: str | None = None
    whose: Person | None = None


@dataclass(frozen=True, slots=True)
class _Done:
    """A tap that can be taken back."""

    number: int
    words: str
    take_back: Callable[[], None]


class Taps:
    """Do what is tapped; to be called where the recording is.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    run : DrillRun or None
        Of a drill.
    plain : callable
        Takes places out of a line.

    Attributes
    ----------
    sessions : sequence of LiveSession
    over : bool
        The recording has ended.
    ended_here : bool
        It was ended by a tap.
    lesson : LessonDesk or None
        Where it is a lesson.
    known_as : dict of str to str
        Names and the ids of the players they were picked as.
    kept_ids : list of str
        Sessions that the library has.
    apart : bool
        Each sensor has a player of its own.
    """

    def __init__(
        self, hub: LiveHub, home: Path, run: DrillRun | None, plain: Callable[[str], str]
    ) -> None:
        self.hub = hub
        self.home = home
        self.run = run
        self.sessions: Sequence[LiveSession] = ()
        self.over = False
        self.ended_here = False
        self.lesson: LessonDesk | None = None
        self.known_as: dict[str, str] = {}
        self.kept_ids: list[str] = []
        self.apart = False
        self.end: Callable[[], None] | None = None
        self.changed: Callable[[], None] = lambda: None
        """Called when who swings, or with what, was changed."""
        self.counted: Callable[[str, bool], None] = lambda _key, _counts: None
        """Called when a swing was left out, or counts again."""
        self.named: Callable[[str, str | None], None] = lambda _key, _kind: None
        """Called when somebody said what a swing was, or (None) as it was found."""
        self.moved: Callable[[str, Person | None], None] = lambda _key, _whose: None
        """Called when a swing was said to be somebody else's, or (None) as it was recorded."""
        self.writer = concurrent.futures.ThreadPoolExecutor(1, thread_name_prefix="said")
        self._plain = plain
        self.films = Films(hub, home, self.writer, self.kept_ids, plain)
        self._swings: dict[str, SaidSwing] = {}
        self._done: list[_Done] = []
        self._number = 0
        self._answers: collections.OrderedDict[str, str] = collections.OrderedDict()

    def add(
        self, key: str, session: LiveSession, swing: Swing, *, left_out: str | None = None
    ) -> None:
        """Take in a swing that something can be said of."""
        found = session.last_found
        assert found is not None
        self._swings[key] = SaidSwing(
            key=key,
            session=session,
            number=swing.index,
            span=span_of(found),
            rate_hz=session.rate_hz or 0.0,
            said={},
            result={},
            left_out=left_out,
        )

    def teach(self, asked: LessonRequest, drill: LessonDrill) -> None:
        """Make it a lesson."""
        self.lesson = LessonDesk(
            self.hub,
            asked,
            sessions=lambda: self.sessions,
            leave_out=self.leave_out,
            ask_aim=lambda name: self.writer.submit(aim_of, self.home, name, self.known_as),
            drill=drill,
        )

    def do(self, tap: Tap, key: str = "") -> str:
        """Do what was tapped, once for each key, and say so.

        Raises
        ------
        LiveError
        """
        if key and key in self._answers:
            return self._answers[key]
        if self.over and isinstance(tap, _ONLY_LIVE):
            raise LiveError(ENDED)
        answer = self._answer(tap)
        if key:
            self._answers[key] = answer
            while len(self._answers) > MOST_TAPS:
                self._answers.popitem(last=False)
        return answer

    def _answer(self, tap: Tap) -> str:
        match tap:
            case Stop():
                return self._stop()
            case Sore(sensor):
                return self._sore(sensor)
            case Hold():
                return self._hold(tap)
            case NotThat():
                return self._not_that(tap)
            case Again():
                return self._again()
            case GoOn():
                return self._go_on()
            case Heard(word):
                return self._heard(word)
            case Note(text):
                for session in self.sessions:
                    session.mark("note", text=text)
                return "Noted."
            case Who():
                return self._who(tap)
            case Next():
                return self._next(self._person(tap.who), tap.sensor)
            case Whose():
                return self._whose(self._person(tap.who), self._swing(tap.swing))
            case Ball(ball):
                words = {True: "at balls", False: "practice swings", None: "either"}[ball]
                self._segment({"ball": ball}, f"from here on {words}")
                return f"From here on: {words}."
            case Felt():
                return self._felt(tap)
            case Kind():
                return self._kind(tap)
            case Film():
                return self._film(tap)
            case BallResult():
                return self._result(tap)
            case Undo():
                return self._undo()
            case LessonPart(part):
                return self._lesson.go_to(part)
            case Numbers(shown):
                return self._lesson.show(shown)
            case FullOnly(on):
                return self._lesson.only_full(on)

    @property
    def _lesson(self) -> LessonDesk:
        if self.lesson is None:
            raise LiveError("this recording is no lesson: start one first")
        return self.lesson

    def _stop(self) -> str:
        assert self.end is not None
        self.ended_here = True
        self.end()
        return "Stopped."

    def _sore(self, sensor: int) -> str:
        whose = self._of_sensor(sensor) if sensor else self.sessions
        assert self.end is not None
        # Nothing comes before silence.
        if self.run is not None:
            self.run.fall_silent()
        if self.lesson is not None:
            self.lesson.drill.fall_silent()
        self.hub.update(sore=True)
        for session in whose:
            self._mark(session, kind="sore")
        self.ended_here = True
        self.end()
        return "Stopped: sore. Only the coach starts again."

    def _hold(self, tap: Hold) -> str:
        held = not self.hub.state.held if tap.held is None else tap.held
        there = [session for session in self.sessions if session.status.received]
        if not there:
            raise LiveError("there is nothing to hold yet: the sensor hasn't sent a sample")
        if self.run is not None:
            self.run.hold(held)
        # One that comes later is held as it comes.
        for session in there:
            session.hold(held)
        self.hub.update(held=held)
        return "Hold: nothing counts." if held else "Going on: swings count."

    def _not_that(self, tap: NotThat) -> str:
        kept = self._swing(tap.swing)
        if kept.left_out == HELD:
            raise LiveError("that swing is left out already: it was made during Hold")
        out = kept.left_out is None
        words = f"{self._called(kept)} {'left out' if out else 'counts'}"
        self._say(kept, "excluded", kept.left_out, NOT_THAT if out else None, words)
        return f"{words[0].upper()}{words[1:]}."

    def _again(self) -> str:
        if self._last is None:
            raise LiveError("there is no swing yet to show again")
        self.hub.update(again=self.hub.state.again + 1)
        return "Once more, beside the typical practice swing."

    def _go_on(self) -> str:
        if self.hub.state.held:
            raise LiveError("nothing counts now: press Hold once more to go on")
        if self.run is not None:
            self.run.press(" ")
        return "Going on."

    def _heard(self, word: str) -> str:
        if self.run is None:
            raise LiveError("a recording has no sounds to be heard")
        self.run.heard(word)
        words = {"heard": "Heard: the drill begins.", "none": "No sound.", "again": "Once more."}
        return words.get(word, "Going on without sound.")

    def _not_in_drill(self) -> None:
        if self.run is not None:
            last = "press Last shots" if self.lesson is not None else "end it"
            raise LiveError(f"a drill has one player and one club: {last} first")

    def _who(self, tap: Who) -> str:
        self._not_in_drill()
        given = {"player": tap.player, "club": tap.club, "handedness": tap.hand}
        changes: dict[str, str | None] = {
            name: value for name, value in given.items() if value is not None
        }
        whose = self._of_sensor(tap.sensor) if tap.sensor else self.sessions
        if self.apart and not tap.sensor and (tap.player or tap.hand):
            raise LiveError("say which sensor that is for: each has its own player")
        if tap.player is not None:
            self._only_there(tap.player, whose)
        if tap.player not in (None, whose[0].segment.player) and tap.hand is None:
            # The one before may have been left-handed.
            changes["handedness"] = None
        if tap.player is not None and tap.player_id is not None:
            self.known_as[tap.player] = tap.player_id
        if not changes:
            raise LiveError("nothing was changed: pick a player or type a club first")
        said = ", ".join(str(value) for value in changes.values() if value is not None)
        on = f"sensor {tap.sensor}: " if tap.sensor else ""
        self._segment(changes, f"{on}from here on {said}", whose)
        return f"{on.capitalize()}from here on {said}." if on else f"From here on: {said}."

    def _person(self, key: str) -> Person:
        found = next((one for one in (*self.hub.state.people, GUEST) if one.key == key), None)
        if found is None:
            raise LiveError("that name isn't of this recording: load the screen again")
        return found

    def _of_sensor(self, number: int) -> Sequence[LiveSession]:
        if not self.apart or not 1 <= number <= len(self.sessions):
            raise LiveError("there is no such sensor here: load the screen again")
        return self.sessions[number - 1 : number]

    def _only_there(self, name: str, whose: Sequence[LiveSession]) -> None:
        """Nobody has two sensors at once: a swing of one is never another one's player's.

        Raises
        ------
        LiveError
        """
        for number, session in enumerate(self.sessions, 1):
            if self.apart and session not in whose and session.segment.player == name:
                raise LiveError(f"{name} is next on sensor {number}: choose somebody else there")

    def _next(self, person: Person, sensor: int) -> str:
        self._not_in_drill()
        if self.apart and not sensor:
            raise LiveError("say which sensor that is for: each has its own player")
        whose = self._of_sensor(sensor) if sensor else self.sessions
        if person.name is not None:
            self._only_there(person.name, whose)
        if person.name is not None and person.player_id is not None:
            self.known_as[person.name] = person.player_id
        name = person.name or "a guest"
        changes = {"player": person.name, "handedness": person.hand}
        on = f"sensor {sensor}: " if sensor else ""
        self._segment(changes, f"{on}from here on {name}", whose)
        return f"Next on sensor {sensor}: {name}." if sensor else f"Next: {name}."

    def _whose(self, person: Person, kept: SaidSwing) -> str:
        if person.name is not None:
            self._only_there(person.name, [kept.session])
        if person.name is not None and person.player_id is not None:
            self.known_as[person.name] = person.player_id
        words = f"{self._called(kept)} was of {person.name or 'a guest'}"
        before = kept.whose
        number = self._remember(words, lambda: self._move(kept, before))
        said = {"player": person.name}
        self._mark(kept.session, tap=number, swing=kept.number, swing_seq=kept.span.seq, said=said)
        self._move(kept, person)
        return f"{words[0].upper()}{words[1:]}."

    def _move(self, kept: SaidSwing, whose: Person | None) -> None:
        kept.whose = whose
        self.moved(kept.key, whose)
        if self.lesson is not None:
            self.lesson.moved(kept.key, whose)
        self.writer.submit(self._annotate, kept, "player", whose)

    def _called(self, kept: SaidSwing) -> str:
        """Name a swing, with its sensor where each counts its own."""
        if not self.apart:
            return f"swing {kept.number}"
        return f"swing {kept.number} of sensor {self.sessions.index(kept.session) + 1}"

    def _segment(
        self, changes: Mapping[str, Any], words: str, whose: Sequence[LiveSession] | None = None
    ) -> None:
        changed = self.sessions if whose is None else whose
        before: list[dict[str, Any]] = [
            {name: getattr(session.segment, name) for name in changes} for session in changed
        ]

        def take_back() -> None:
            if self.over:
                raise LiveError(ENDED)
            if self.lesson is not None:
                self._not_in_drill()
            for was in before:
                if was.get("player") is not None:
                    self._only_there(was["player"], changed)
            for session, was in zip(changed, before, strict=True):
                session.change(**was)
            self.changed()

        for session in changed:
            session.change(**changes)
        self._remember(words, take_back)
        self.changed()

    @property
    def _last(self) -> SaidSwing | None:
        """The last swing that wasn't held."""
        return next((s for s in reversed(self._swings.values()) if s.left_out != HELD), None)

    def _swing(self, key: str) -> SaidSwing:
        if self._last is None and not (key and self._swings):
            raise LiveError("there is no swing yet to say that of")
        kept = self._swings.get(key) if key else self._last
        if kept is None:
            raise LiveError("that swing isn't of this recording: load the screen again")
        return kept

    def _felt(self, tap: Felt) -> str:
        kept, question, word = self._swing(tap.swing), tap.question, tap.word
        run = self.run
        if (
            run is not None
            and not self.over
            and question == "time"
            and run.drill.state == "asking"
            and kept is self._last
        ):
            # The drill goes on with the answer; what was said is kept as for any swing.
            run.press(FELT_KEYS[word], mark=False)
        felt = {q: w for q, w in kept.said.items() if q != "kind"}
        new = {q: w for q, w in felt.items() if q != question}
        if felt.get(question) != word:
            new[question] = word
            words = f"{self._called(kept)} felt {FELT_TEXT[word]}"
        else:
            words = f"{self._called(kept)}: no word on its {question}"
        self._say(kept, "felt", felt, new, words)
        return f"{words[0].upper()}{words[1:]}."

    def _kind(self, tap: Kind) -> str:
        kept, kind = self._swing(tap.swing), tap.kind
        word = {"strike": "at a ball", "rehearsal": "a practice swing"}.get(kind, kind)
        words = f"{self._called(kept)} was {word}"
        self._say(kept, "kind", kept.said.get("kind"), kind, words)
        return f"{words[0].upper()}{words[1:]}."

    def _film(self, tap: Film) -> str:
        kept = self._swing(tap.swing)

        def session() -> str | None:
            described = kept.session.session
            return None if described is None else described.id

        film = FilmOf(tap.path, self._called(kept), kept.span.seq, session)
        self._remember(f"film of {film.called}", lambda: self.films.take_back(film))
        self.films.add(film)
        when = "" if self.over else " once the recording has ended"
        return f"The film of {film.called} is here. It is laid beside it{when}."

    def _result(self, tap: BallResult) -> str:
        kept = self._swing(tap.swing)
        words = f"ball result of {self._called(kept)}"
        self._say(kept, "result", dict(kept.result), {**kept.result, **tap.result}, words)
        return f"Kept: {words}."

    def _say(self, kept: SaidSwing, field: str, before: Any, after: Any, words: str) -> None:
        """Keep what was said of a swing: a marker at once, then the word beside the recording."""
        number = self._remember(words, lambda: self._put(kept, field, before))
        self._mark(
            kept.session,
            tap=number,
            swing=kept.number,
            swing_seq=kept.span.seq,
            said={field: after},
        )
        self._put(kept, field, after)

    def leave_out(self, key: str, why: str | None) -> None:
        """Leave a swing out, or have it count again, without a tap that could be taken back."""
        self._put(self._swings[key], "excluded", why)

    def _put(self, kept: SaidSwing, field: str, value: Any) -> None:
        if field == "excluded":
            self._count(kept, value)
        elif field == "felt":
            kind = kept.said.get("kind")
            kept.said = dict(value) | ({} if kind is None else {"kind": kind})
        elif field == "kind":
            kept.said = {q: w for q, w in kept.said.items() if q != "kind"}
            if value is not None:
                kept.said["kind"] = value
            if self.lesson is not None:
                self.lesson.was(kept.key, value)
            self.named(kept.key, value)
        else:
            kept.result = dict(value)
        waits = any(s.key == kept.key and s.hidden == CALL_FIRST for s in self.hub.state.swings)
        called: dict[str, Any] = {"hidden": None} if waits and "time" in kept.said else {}
        said, result = dict(kept.said), dict(kept.result)
        self.hub.change_swing(kept.key, said=said, result=result, left_out=kept.left_out, **called)
        written = value or None
        if field == "result" and written:
            written = {**written, "source": "typed at the range"}
        self.writer.submit(self._annotate, kept, field, written)

    def _count(self, kept: SaidSwing, left_out: str | None) -> None:
        """Leave a swing out, or have it count again, also in the drill."""
        kept.left_out = left_out
        if self.lesson is not None:
            self.lesson.said(kept.key, left_out)
        self.counted(kept.key, left_out is None)
        if self.run is None or self.over:
            return
        if left_out is None:
            self.run.count_again(kept.number)
        else:
            self.run.leave_out(kept.number)

    def _annotate(self, kept: SaidSwing, field: str, value: Any) -> None:
        from sensor.recording.annotations import change_annotations
        from sensor.recording.vocabulary import NOBODY

        values = {field: value}
        if field == "player":
            # Their own hand, too: the swing was recorded under somebody else's.
            name, hand = (None, None) if value is None else (value.name or NOBODY, value.hand)
            values = {"player": name, "handedness": hand}
        try:
            with change_annotations(kept.session.folder) as said:
                said.set_swing(kept.span, rate_hz=kept.rate_hz, **values)
            recording = kept.session.session
            if recording is not None and recording.id in self.kept_ids:
                from unhurried.app.ingest import open_library

                with open_library(self.home) as library:
                    library.refresh(recording.id)
        except Exception as error:
            _log.exception("what was said of a swing")
            text = "what was tapped is marked in the recording, but could not be written beside it"
            self.hub.say(f"{text}: {self._plain(describe(error)[0])}", warning=True)

    def _mark(self, session: LiveSession, *, kind: str = "tap", **fields: Any) -> None:
        # Once the recording is closed there are no markers any more; the annotation says it.
        with contextlib.suppress(ValueError):
            session.mark(kind, **fields)

    def _remember(self, words: str, take_back: Callable[[], None]) -> int:
        self._number += 1
        self._done.append(_Done(self._number, words, take_back))
        self.hub.update(undo=words)
        return self._number

    def _undo(self) -> str:
        if not self._done:
            raise LiveError("there is nothing to take back")
        tap = self._done[-1]
        tap.take_back()
        self._done.pop()
        for session in self.sessions:
            self._mark(session, taken_back=tap.number)
        self.hub.update(undo=self._done[-1].words if self._done else None)
        return f"Taken back: {tap.words}."
