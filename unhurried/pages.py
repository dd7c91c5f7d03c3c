"""Recordings and drills on the page: what a browser at the mat sees of them and may ask of them.

A recording never waits for the page. What happens is put into a `LiveHub` in passing; what is
tapped comes in over the recording's own event loop, is marked in the recording first, and written
beside it (``annotations.json``) by another thread. If the page dies, nothing of that is disturbed.
"""

from __future__ import annotations

import asyncio
import collections
import concurrent.futures
import contextlib
import logging
import secrets
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from unhurried.errors import describe, show
from unhurried.options import clock

if TYPE_CHECKING:
    from analysis.results import FoundSwing, Swing
    from feedback.drill import Action, Judged
    from review.page.livehub import DrillState, LiveError, LiveHub, LiveState, Near, Wanted
    from sensor.annotations import SwingSpan
    from sensor.live import LinkEvent, LinkStatus
    from sensor.source import Source
    from unhurried.commands.drill import DrillRun
    from unhurried.commands.record import Screen
    from unhurried.live import LiveSession
    from unhurried.serve import Served

__all__ = ["LivePage", "PageDesk", "PageStarter", "live_hub", "live_page", "page_options"]

_log = logging.getLogger(__name__)
Command = TypeVar("Command", bound=Callable[..., Any])

TICK_S: Final = 0.25
"""How often the words on the link are brought up to date: they say seconds."""

ASK_S: Final = 5.0
"""A tap is answered within milliseconds; by then the recording is stuck or over."""

LOOK_S: Final = 6.0
"""A look around: sensors advertise a few times a second, and those with little charge less often
(from memory)."""

END_S: Final = 20.0
"""A recording ends within seconds; a sensor that doesn't answer is let go of before that."""

MEASURES: Final = (
    "swing_ms",
    "backswing_ms",
    "downswing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
)
BESIDE: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""Of these the player's own is told, whatever the swing: all else ends at impact, which is timed
by different rules in rehearsals, of which a reference may be, and in strikes."""

FELT_TEXT: Final = {
    "rushed": "rushed",
    "in-time": "in time",
    "slow": "slow",
    "full": "a full turn",
    "short": "a short turn",
    "well": "struck well",
    "not": "not struck well",
}
NO_NUMBERS: Final = "no numbers for this swing (yet)"
NO_NUMBERS_IN_BLOCK: Final = "no numbers in this block"
FELT_KEYS: Final = {"rushed": "1", "in-time": "2", "slow": "3"}


def page_options(command: Command, *, share: str = "--share") -> Command:
    """Add --page, --port and --share, for `live_page`.

    Parameters
    ----------
    command
    share : str
        What --share is called where that means something else.
    """
    options = (
        click.option(
            "--page", is_flag=True, help="Show it in a browser as well, and take taps from there."
        ),
        click.option(
            "--port",
            type=click.IntRange(0, 65535),
            metavar="N",
            help="Port of the page; 0 is any that is free.  [default: 8737, or any]",
        ),
        click.option(
            share,
            "share_page",
            is_flag=True,
            help="The page also for a phone on the same network: whoever scans the code is let in.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


# -- one that runs ---------------------------------------------------------------------------------


@dataclass(slots=True)
class _Kept:
    """A swing and what was said of it."""

    key: str
    session: LiveSession
    number: int
    span: SwingSpan
    rate_hz: float
    said: dict[str, str]
    result: dict[str, float]


@dataclass(frozen=True, slots=True)
class _Tap:
    """Something that can be taken back."""

    number: int
    words: str
    take_back: Callable[[], None]


class PageDesk:
    """A recording or drill at the disposal of the page.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    kind : {"recording", "drill"}
    run : DrillRun, optional
        Of a drill.
    more_codes : callable, optional
        Shows a code for one more visitor on the terminal.
    known_as : mapping of str to str, optional
        Names and the ids of the players they were picked as.
    to_library : bool
        Whether the library takes it in at its end.

    Attributes
    ----------
    stopped_here : bool
        It was ended from the page.
    sessions : sequence of LiveSession
    """

    def __init__(
        self,
        hub: LiveHub,
        home: Path,
        kind: str,
        run: DrillRun | None = None,
        *,
        more_codes: Callable[[], None] | None = None,
        known_as: Mapping[str, str] | None = None,
        to_library: bool = True,
    ) -> None:
        self.hub = hub
        self.home = home
        self.kind = kind
        self.run = run
        self.more_codes = more_codes
        self.known_as = dict(known_as or {})
        self.to_library = to_library
        self.sessions: Sequence[LiveSession] = ()
        self.stopped_here = False
        # So that a tap which comes late, for another recording, finds nothing here.
        self._id = secrets.token_hex(4)
        self._labels: dict[int, str] = {}
        self._end: Callable[[], None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over = False
        self._guard = threading.RLock()
        self._writer = concurrent.futures.ThreadPoolExecutor(1, thread_name_prefix="said")
        self._swings: dict[str, _Kept] = {}
        self._drilled: dict[int, str] = {}
        self._left_out: list[str] = []
        self._taps: list[_Tap] = []
        self._tap_number = 0
        self._taken: collections.OrderedDict[str, str] = collections.OrderedDict()
        self._own: Mapping[str, tuple[float | None, float | None]] = {}
        self._own_word = "your own"
        self._kept_ids: list[str] = []
        if run is not None:
            run.watcher = lambda action: self._safely(self._on_action, action)

    # -- what happens ----------------------------------------------------------------------------

    def listening(
        self,
        number: int,
        on_swing: Callable[[Swing], None],
        on_event: Callable[[LinkEvent], None],
        *,
        label: str = "",
    ) -> tuple[Callable[[Swing], None], Callable[[LinkEvent], None]]:
        """Return listeners for a session that tell the page first, and then those given.

        Parameters
        ----------
        number : int
            Which of the sessions, from 0.
        on_swing, on_event : callable
        label : str
            Which sensor, where there are several.
        """
        self._labels[number] = label

        def swing(one: Swing) -> None:
            self._safely(self._on_swing, number, one)
            on_swing(one)

        def event(one: LinkEvent) -> None:
            self._safely(self._on_event, number, one)
            on_event(one)

        return swing, event

    def _safely(self, work: Callable[..., None], *given: Any) -> None:
        """Do something for the page; if that fails the recording must not notice."""
        try:
            work(*given)
        except Exception:
            _log.exception("for the page")

    @contextlib.asynccontextmanager
    async def attending(
        self, sessions: Sequence[LiveSession], end: Callable[[], None]
    ) -> AsyncIterator[None]:
        """Be at the page's disposal while sessions run in this event loop.

        Parameters
        ----------
        sessions : sequence of LiveSession
        end : callable
            Ends them.
        """
        self.sessions, self._end = sessions, end
        self._loop = asyncio.get_running_loop()
        one = sessions[0]
        self.hub.desk = self
        self.hub.update(
            phase="starting",
            kind=self.kind,
            folder=one.folder.name,
            simulated=False,
            session=None,
            player=one.segment.player,
            club=one.segment.club,
            hand=one.segment.handedness,
            mount=one.mount,
            ball=one.segment.ball,
            link={},
            count=0,
            swings=(),
            drill=None,
            lines=(),
            undo=None,
            outcome="",
        )
        if self.run is not None:
            for text in self.run.remarks:
                self.hub.say(text, warning=True)
        self._find_own()
        ticking = asyncio.ensure_future(self._ticks())
        try:
            yield
        finally:
            ticking.cancel()
            await asyncio.gather(ticking, return_exceptions=True)
            self._over = True
            self._safely(self._tick)
            self.hub.update(phase="ending")

    async def _ticks(self) -> None:
        while True:
            self._safely(self._tick)
            await asyncio.sleep(TICK_S)

    def _tick(self) -> None:
        one = self.sessions[0]
        words = link_words(one.status)
        changes: dict[str, Any] = {}
        state = self.hub.state
        if words != state.link:
            changes["link"] = words
        if state.phase == "starting" and one.status.received:
            info = one.recording.info
            changes |= {
                "phase": "going",
                "mount": one.mount,
                "simulated": info is not None and info.simulated,
            }
        if self.run is not None:
            drill = self._drill_state(self.run)
            if drill != state.drill:
                changes["drill"] = drill
        segment = one.segment
        for name, value in (
            ("player", segment.player),
            ("club", segment.club),
            ("hand", segment.handedness),
            ("ball", segment.ball),
        ):
            # Also what was changed on the terminal.
            if getattr(state, name) != value:
                changes[name] = value
        if changes:
            self.hub.update(**changes)
        if {"player", "club", "mount"} & set(changes):
            self._find_own()

    def _on_event(self, number: int, event: LinkEvent) -> None:
        if event.kind != "connecting":
            label = self._labels.get(number, "")
            text = self._plain(event.text)
            self.hub.say(f"{label}: {text}" if label else text, warning=event.warning)

    def _plain(self, text: str) -> str:
        """Leave out where folders are: that is nobody's business who only looks at the page."""
        for one in self.sessions:
            text = text.replace(str(one.folder), one.folder.name)
        return text

    def _on_swing(self, number: int, swing: Swing) -> None:
        from analysis.summary import kind_of
        from review.page.livehub import LiveSwing
        from review.page.words import swing_digits

        session = self.sessions[number]
        found = session.last_found
        assert found is not None
        key = f"{self._id}-{number}-{swing.index}"
        self._swings[key] = _Kept(
            key=key,
            session=session,
            number=swing.index,
            span=_span(found),
            rate_hz=session.rate_hz or 0.0,
            said={},
            result={},
        )
        at = next(
            (t for t in (swing.takeaway_s, swing.top_s, swing.impact_s) if t is not None), None
        )
        beside: Mapping[str, tuple[str, str]] = {}
        hidden = None
        if self.run is None:
            beside = self._beside(swing)
        elif self.run.drill.state not in ("before", "done"):
            # What is told of it, and when, is the drill's to say.
            drill = self.run.drill
            self._drilled[sum(len(tally.judged) for tally in drill.tallies)] = key
            hidden = NO_NUMBERS
        self.hub.add_swing(
            LiveSwing(
                key=key,
                number=swing.index,
                label=self._labels.get(number, ""),
                mount=session.mount,
                kind=kind_of(swing),
                at=clock(at),
                digits={name: swing_digits(swing, name) for name in MEASURES},
                beside=beside,
                who=", ".join(word for word in (swing.player, swing.club) if word),
                about=any(note.code == "period_unknown" for note in swing.notes),
                hidden=hidden,
            )
        )

    # -- the player's own ------------------------------------------------------------------------

    def _find_own(self) -> None:
        """Look up the player's reference, in a thread: the library may take its time."""
        if self.run is not None:
            return
        one = self.sessions[0]
        who = (one.segment.player, one.segment.club, one.mount)
        self._own = {}
        if one.segment.player is not None and one.mount is not None:
            self._writer.submit(self._safely, self._look_up, who)

    def _look_up(self, who: tuple[str, str | None, str | None]) -> None:
        own, provisional = own_bounds(self.home, who, self.known_as)
        one = self.sessions[0]
        if who == (one.segment.player, one.segment.club, one.mount):
            self._own_word = "your provisional own" if provisional else "your own"
            self._own = own

    def _beside(self, swing: Swing) -> dict[str, tuple[str, str]]:
        """Say where a swing lies against the player's own."""
        from review.page.words import digits

        out = {}
        for measure, (low, high) in self._own.items():
            value = getattr(swing, measure)
            if value is None or (low is None and high is None):
                continue
            bounds = (
                f"{digits(measure, low)} to {digits(measure, high)}"
                if low is not None and high is not None
                else f"from {digits(measure, low)} on"
                if low is not None
                else f"up to {digits(measure, high)}"
            )
            sign, word = "=", "within"
            if low is not None and value < low:
                sign, word = "◂", "below"
            elif high is not None and value > high:
                sign, word = "▸", "above"
            out[measure] = (sign, f"{word} {self._own_word}, {bounds}")
        return out

    # -- a drill ---------------------------------------------------------------------------------

    def _on_action(self, action: Action) -> None:
        from feedback.drill import QUIET, Done, Line, Mark, Show

        run = self.run
        assert run is not None
        told = [judged for tally in run.drill.tallies for judged in tally.judged]
        if isinstance(action, Show):
            for number, judged in enumerate(told):
                if judged is action.judged:
                    self._reveal(number, judged)
        elif isinstance(action, Mark) and action.kind == "drill_swing":
            # Now it is known of which block the swing is: an answer may have come in between.
            if action.fields["block_kind"] in QUIET and len(told) - 1 in self._drilled:
                self.hub.change_swing(self._drilled[len(told) - 1], hidden=NO_NUMBERS_IN_BLOCK)
        elif isinstance(action, Mark) and action.kind == "drill_swing_left_out":
            # It was of a block without sounds, so its numbers wait for the end as well.
            left_out = self._drilled.pop(len(told), None)
            if left_out is not None:
                self._left_out.append(left_out)
                self.hub.change_swing(left_out, hidden=NO_NUMBERS_IN_BLOCK)
        elif isinstance(action, Line):
            self.hub.say(action.text)
        elif isinstance(action, Done):
            # Afterwards there is nothing to be held back any more.
            for number, judged in enumerate(told):
                self._reveal(number, judged)
            for number, key in self._drilled.items():
                if number >= len(told):
                    self.hub.change_swing(key, hidden=None)
            for key in self._left_out:
                self.hub.change_swing(key, hidden=None)
        self.hub.update(drill=self._drill_state(run))

    def _reveal(self, number: int, judged: Judged) -> None:
        key = self._drilled.get(number)
        if key is not None:
            self.hub.change_swing(key, hidden=None, beside=judged_words(judged))

    def _drill_state(self, run: DrillRun) -> DrillState:
        from review.page.livehub import DrillState

        drill = run.drill
        block = min(
            (k for k, tally in enumerate(drill.tallies) if len(tally.judged) < tally.block.repeats),
            default=len(drill.tallies) - 1,
        )
        tally = drill.tallies[block]
        return DrillState(
            block=tally.number,
            blocks=len(drill.plan.blocks),
            block_kind=tally.block.kind,
            done=len(tally.judged),
            of=tally.block.repeats,
            all_done=drill.done,
            all_of=drill.plan.repeats,
            state=drill.state,
            sound="none, the screen only" if run.sound.silent else run.sound.name,
        )

    # -- what is asked ---------------------------------------------------------------------------

    def ask(self, name: str, fields: Mapping[str, Any]) -> str:
        """Do what was asked on the page; see `review.page.livehub.Desk`."""
        from review.page.livehub import LiveError

        tap = str(fields.get("tap", ""))
        with self._guard:
            if tap and tap in self._taken:
                return self._taken[tap]
        done = self._in_loop(name, {k: v for k, v in fields.items() if k != "tap"})
        if isinstance(done, LiveError):
            raise done
        if tap:
            with self._guard:
                self._taken[tap] = done
                while len(self._taken) > 500:
                    self._taken.popitem(last=False)
        return done

    def _in_loop(self, name: str, fields: Mapping[str, Any]) -> str | LiveError:
        """Do it where the recording is, so that nothing there happens at the same time."""
        from review.page.livehub import LiveError

        loop = self._loop
        if loop is None or self._over:
            return self._try(name, fields)
        answer: concurrent.futures.Future[str | LiveError] = concurrent.futures.Future()

        def work() -> None:
            if answer.set_running_or_notify_cancel():
                answer.set_result(self._try(name, fields))

        try:
            loop.call_soon_threadsafe(work)
        except RuntimeError:
            return self._try(name, fields)
        try:
            return answer.result(ASK_S)
        except TimeoutError:
            if answer.cancel():
                if self._over:
                    return self._try(name, fields)
                return LiveError("the recording doesn't answer: it may just have ended; try again")
            return answer.result()

    def _try(self, name: str, fields: Mapping[str, Any]) -> str | LiveError:
        """Do it; what can't be done is given back as the error."""
        from review.page.livehub import LiveError

        try:
            with self._guard:
                return str(getattr(self, f"_ask_{name}")(**fields))
        except LiveError as error:
            return error
        except Exception as error:
            _log.exception("asked from the page: %s", name)
            return LiveError(f"not done: {self._plain(describe(error)[0])}")

    def _only_while_going(self) -> None:
        from review.page.livehub import LiveError

        if self._over:
            raise LiveError(
                "the recording has ended: on the session's screen that can be put right afterwards"
            )

    def _ask_stop(self) -> str:
        self._only_while_going()
        assert self._end is not None
        self.stopped_here = True
        self._end()
        return "Stopped."

    def _ask_go(self) -> str:
        self._only_while_going()
        if self.run is not None:
            self.run.press(" ")
        return "Going on."

    def _ask_note(self, text: str) -> str:
        self._only_while_going()
        for session in self.sessions:
            session.mark("note", text=text)
        return "Noted."

    def _ask_who(
        self,
        player: str | None = None,
        player_id: str | None = None,
        club: str | None = None,
        hand: str | None = None,
    ) -> str:
        from review.page.livehub import LiveError

        self._only_while_going()
        if self.run is not None:
            raise LiveError("a drill has one player and one club: end it first")
        given = {"player": player, "club": club, "handedness": hand}
        changes: dict[str, str | None] = {
            name: value for name, value in given.items() if value is not None
        }
        if player is not None and player != self.sessions[0].segment.player and hand is None:
            # The one before may have been left-handed.
            changes["handedness"] = None
        if player is not None and player_id is not None:
            self.known_as[player] = player_id
        if not changes:
            raise LiveError("nothing was changed: pick a player or type a club first")
        said = ", ".join(str(value) for value in changes.values() if value is not None)
        self._segment(changes, f"from here on {said}")
        return f"From here on: {said}."

    def _ask_ball(self, ball: bool | None) -> str:
        self._only_while_going()
        words = {True: "at balls", False: "rehearsals", None: "either"}[ball]
        self._segment({"ball": ball}, f"from here on {words}")
        return f"From here on: {words}."

    def _segment(self, changes: Mapping[str, Any], words: str) -> None:
        before: list[dict[str, Any]] = [
            {name: getattr(session.segment, name) for name in changes} for session in self.sessions
        ]

        def take_back() -> None:
            self._only_while_going()
            for session, was in zip(self.sessions, before, strict=True):
                session.change(**was)
            self._tick()

        for session in self.sessions:
            session.change(**changes)
        self._remember(words, take_back)
        self._tick()

    def _swing(self, key: str) -> _Kept:
        from review.page.livehub import LiveError

        if not self._swings:
            raise LiveError("there is no swing yet to say that of")
        kept = self._swings.get(key) if key else next(reversed(self._swings.values()))
        if kept is None:
            raise LiveError("that swing isn't of this recording: load the screen again")
        return kept

    def _ask_felt(self, question: str, word: str, swing: str = "") -> str:
        kept = self._swing(swing)
        run = self.run
        if (
            run is not None
            and not self._over
            and question == "time"
            and run.drill.state == "asking"
            and kept.key == next(reversed(self._swings))
        ):
            # The drill goes on with the answer; what was said is kept as for any swing.
            run.press(FELT_KEYS[word], mark=False)
        felt = {q: w for q, w in kept.said.items() if q != "kind"}
        new = {q: w for q, w in felt.items() if q != question}
        if felt.get(question) != word:
            new[question] = word
            words = f"swing {kept.number} felt {FELT_TEXT[word]}"
        else:
            words = f"swing {kept.number}: no word on its {question}"
        self._say(kept, "felt", felt, new, words)
        return f"{words[0].upper()}{words[1:]}."

    def _ask_kind(self, kind: str, swing: str = "") -> str:
        kept = self._swing(swing)
        word = {"strike": "at a ball", "rehearsal": "a rehearsal"}.get(kind, kind)
        words = f"swing {kept.number} was {word}"
        self._say(kept, "kind", kept.said.get("kind"), kind, words)
        return f"{words[0].upper()}{words[1:]}."

    def _ask_result(self, result: Mapping[str, float], swing: str = "") -> str:
        kept = self._swing(swing)
        words = f"ball result of swing {kept.number}"
        self._say(kept, "result", dict(kept.result), {**kept.result, **result}, words)
        return f"Kept: {words}."

    def _say(self, kept: _Kept, field: str, before: Any, after: Any, words: str) -> None:
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

    def _put(self, kept: _Kept, field: str, value: Any) -> None:
        if field == "felt":
            kind = kept.said.get("kind")
            kept.said = dict(value) | ({} if kind is None else {"kind": kind})
        elif field == "kind":
            kept.said = {q: w for q, w in kept.said.items() if q != "kind"}
            if value is not None:
                kept.said["kind"] = value
        else:
            kept.result = dict(value)
        self.hub.change_swing(kept.key, said=dict(kept.said), result=dict(kept.result))
        written = value or None
        if field == "result" and written:
            written = {**written, "source": "typed at the range"}
        self._writer.submit(self._annotate, kept, field, written)

    def _annotate(self, kept: _Kept, field: str, value: Any) -> None:
        from sensor.annotations import change_annotations

        try:
            with change_annotations(kept.session.folder) as said:
                said.set_swing(kept.span, rate_hz=kept.rate_hz, **{field: value})
            recording = kept.session.session
            if recording is not None and recording.id in self._kept_ids:
                from unhurried.ingest import open_library

                with open_library(self.home) as library:
                    library.refresh(recording.id)
        except Exception as error:
            _log.exception("what was said of a swing")
            self.hub.say(
                "what was tapped is marked in the recording, but could not be written beside it: "
                + self._plain(describe(error)[0]),
                warning=True,
            )

    def _mark(self, session: LiveSession, **fields: Any) -> None:
        # Once the recording is closed there are no markers any more; the annotation says it.
        with contextlib.suppress(ValueError):
            session.mark("tap", **fields)

    def _remember(self, words: str, take_back: Callable[[], None]) -> int:
        self._tap_number += 1
        self._taps.append(_Tap(self._tap_number, words, take_back))
        self.hub.update(undo=words)
        return self._tap_number

    def _ask_undo(self) -> str:
        from review.page.livehub import LiveError

        if not self._taps:
            raise LiveError("there is nothing to take back")
        tap = self._taps[-1]
        tap.take_back()
        self._taps.pop()
        for session in self.sessions:
            self._mark(session, taken_back=tap.number)
        self.hub.update(undo=self._taps[-1].words if self._taps else None)
        return f"Taken back: {tap.words}."

    # -- afterwards ------------------------------------------------------------------------------

    @property
    def kept(self) -> list[str]:
        """Ids of what the library has taken in."""
        return list(self._kept_ids)

    def keep(self, error: Exception | None = None, *, stays: bool = True) -> None:
        """Take what was recorded into the library, and say on the page what it came to.

        Parameters
        ----------
        error : Exception, optional
            Why it ended, if it wasn't wanted.
        stays : bool
            Whether the page is there afterwards.
        """
        self.hub.update(stays=stays)
        self._writer.submit(lambda: None).result()
        why = "" if error is None else self._plain(describe(error)[0])
        there = [one for one in self.sessions if one.status.received]
        if not there:
            outcome = why or "nothing was recorded: no sample came from the sensor"
            self.hub.update(phase="failed", outcome=outcome)
            return
        first = there[0]
        swings = len(first.swings)
        words = (
            f"{swings} swing{'' if swings == 1 else 's'} in {clock(first.status.recorded_s)} min"
        )
        for one in there if self.to_library else ():
            try:
                info = one.recording.info
                if info is not None and info.simulated:
                    mark_simulated(one.folder)
                taken = take_in(self.home, one.folder, self.known_as)
                assert taken is not None
                self._kept_ids.append(taken)
            except Exception as trouble:
                _log.exception("into the library")
                line = self._plain(describe(trouble)[0])
                self.hub.say(
                    f"the recording {one.folder.name} is safe, but not in the library yet: {line}",
                    warning=True,
                )
        session = self._kept_ids[0] if self._kept_ids else None
        if error is None:
            self.hub.update(phase="kept", session=session, outcome=words)
        else:
            self.hub.update(
                phase="failed", session=session, outcome=f"{why} (kept and safe: {words})"
            )


def judged_words(judged: Judged) -> dict[str, tuple[str, str]]:
    """Say in a drill's words where a swing lies: a sign and words by measure."""
    r = judged.reference
    out: dict[str, tuple[str, str]] = {}
    if judged.time is not None:
        sign = "=" if judged.time == "enough" else "◂"
        out["backswing_ms"] = (sign, f"{judged.time}; your own {r.backswing_ms:.0f}")
    if judged.turn is not None:
        sign = {"full": "=", "short": "◂", "beyond": "▸"}[judged.turn]
        bound = r.upper_turn_deg if judged.turn == "beyond" else r.full_turn_deg
        whose = "your upper bound" if judged.turn == "beyond" else "your own"
        out["turn_deg"] = (sign, f"{judged.turn}; {whose} {bound:.0f}")
    if r.peak_rate_dps is not None and judged.peak_rate_dps is not None:
        out["peak_rate_dps"] = ("·", f"your own {r.peak_rate_dps:.0f}")
    return out


def link_words(status: LinkStatus) -> dict[str, str]:
    """Say how the link is, in words for the screen."""
    out = {"time": clock(status.recorded_s)}
    if status.state in ("connecting", "waiting") and status.received:
        out["state"] = "no link to the sensor: connecting again"
    if status.rate_hz is not None:
        # To the nearest ten: the screen isn't to change all the time.
        out["rate"] = f"{10 * round(status.rate_hz / 10)} Hz"
    out["lost"] = f"{status.lost} samples lost"
    if status.signal_dbm is not None:
        out["signal"] = f"signal {5 * round(status.signal_dbm / 5)} dBm".replace("-", "−")
    if status.battery_percent is not None:
        out["battery"] = f"battery {status.battery_percent} %"
    if status.disk_left_bytes is not None and status.disk_left_bytes < 10e9:
        out["disk"] = f"disk {status.disk_left_bytes / 1e9:.1f} GB free"
    return out


def _span(found: FoundSwing) -> SwingSpan:
    """Say where a swing is among the samples, as the library does after the recording."""
    from sensor.annotations import SwingSpan

    by_weight = (found.impact_seq, found.top_seq, found.finish_seq, found.takeaway_seq)
    known = [seq for seq in by_weight if seq is not None] or [float(found.anchor_seq)]
    return SwingSpan(seq=max(0, round(known[0])), first_seq=min(known), last_seq=max(known))


def own_bounds(
    home: Path, who: tuple[str, str | None, str | None], known_as: Mapping[str, str]
) -> tuple[dict[str, tuple[float | None, float | None]], bool]:
    """Return a player's own bounds with a club and a mount, and whether they are provisional."""
    from analysis.reading import Reference
    from review.errors import ReviewError
    from review.evidence import evidence_of
    from unhurried.ingest import open_library

    player, club, mount = who
    try:
        with open_library(home) as library:
            evidence = evidence_of(library, known_as.get(player, player), club=club, mount=mount)
            found = evidence.reference
    except ReviewError:
        # A new player, or nothing swung with this club yet.
        return {}, False
    if not isinstance(found, Reference) or (club, mount) != (evidence.club, evidence.mount):
        return {}, False
    return {
        name: (value.lower, value.upper) for name, value in found.values.items() if name in BESIDE
    }, found.provisional


def forget_invented(source: Source) -> None:
    """Leave out whom a simulation has made up: the library would get a player of that name."""
    source.facts = {k: v for k, v in source.facts.items() if k not in ("player", "club")}


def mark_simulated(folder: Path) -> None:
    """Tag a recording of a simulated sensor, so that nobody takes it for a player's swings.

    It is nobody's word that could be taken back.
    """
    from review.derive import SIMULATED
    from sensor.annotations import change_annotations

    with change_annotations(folder) as said:
        tags = said.session().get("tags", [])
        if SIMULATED not in tags:
            said.set("session", "tags", value=[*tags, SIMULATED])
            said.history.pop()


def take_in(
    home: Path, folder: Path, known_as: Mapping[str, str], *, empty: bool = True
) -> str | None:
    """Measure a recording and put it into the library; return its id.

    Parameters
    ----------
    home, folder : Path
    known_as : mapping of str to str
    empty : bool
        Also one without a swing; otherwise None is returned for it.

    Raises
    ------
    SensorError, AnalysisError, ReviewError
    """
    from unhurried.ingest import analyze_one, open_library

    analyzed = analyze_one(folder, home)
    if not analyzed.swings and not empty:
        return None
    with open_library(home) as library:
        sources = library.sources()
        where = folder.resolve()
        if not {where, *where.parents} & set(sources):
            library.remember([folder])
        library.put(analyzed, known_as=known_as)
    return analyzed.id


# -- started from the page -------------------------------------------------------------------------


class PageStarter:
    """Start recordings and drills from the page, in threads of this process.

    They run by the same code as ``unhurried record`` and ``unhurried drill``, each in an event loop
    of its own, and go on whatever becomes of the page.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    speed : float
        Of simulated sensors.
    output : str, optional
        Where a drill's sound goes; the system's output by default.
    """

    def __init__(
        self, hub: LiveHub, home: Path, *, speed: float = 1.0, output: str | None = None
    ) -> None:
        from feedback.drill import CAUTIONS
        from unhurried.commands.cue import LEVEL_CAUTION

        self.cautions: tuple[str, ...] = tuple(dict.fromkeys((*CAUTIONS, LEVEL_CAUTION)))
        self._hub = hub
        self._home = home
        self._speed = speed
        self._output = output
        self._guard = threading.Lock()
        self._thread: threading.Thread | None = None

    def start(self, wanted: Wanted) -> None:
        """Start what is wanted; see `review.page.livehub.Starter`."""
        from review.page.livehub import LiveError

        with self._guard:
            if self._hub.state.running or (self._thread is not None and self._thread.is_alive()):
                raise LiveError("a recording runs already: stop it first, then start the next")
            try:
                work = self._prepare(wanted)
            except click.ClickException as error:
                raise LiveError(error.format_message()) from error
            except Exception as error:
                _log.info("could not start: %r", error)
                raise LiveError(describe(error)[0]) from error
            self._hub.update(
                phase="starting", kind="recording" if wanted.drill is None else "drill", swings=()
            )
            self._thread = threading.Thread(target=work, name="recording")
            self._thread.start()

    def _prepare(self, wanted: Wanted) -> Callable[[], None]:
        from unhurried.live import LiveSession, open_source

        source = open_source(
            sensor=wanted.sensor,
            simulated=wanted.simulated,
            speed=self._speed,
            # Another player each time, but for whoever gives the same number twice.
            seed=secrets.randbelow(100_000),
            mount=wanted.mount,
            hand=wanted.hand,
            player=wanted.player,
            club=wanted.club,
        )
        if wanted.simulated and wanted.player is None:
            forget_invented(source)
        run = None if wanted.drill is None else self._drill(wanted)
        known = {wanted.player: wanted.player_id} if wanted.player and wanted.player_id else {}
        desk = PageDesk(
            self._hub, self._home, "recording" if run is None else "drill", run, known_as=known
        )
        on_swing, on_event = desk.listening(
            0,
            (lambda _swing: None) if run is None else run.on_swing,
            (lambda _event: None) if run is None else run.on_event,
        )
        session = LiveSession(
            source,
            fresh_folder(self._home),
            player=wanted.player,
            club=wanted.club,
            mount=wanted.mount,
            hand=wanted.hand,
            on_swing=on_swing,
            on_block=None if run is None else run.on_block,
            on_event=on_event,
            home=self._home,
        )
        return lambda: self._work(desk, session, run)

    def _drill(self, wanted: Wanted) -> DrillRun:
        from feedback.drill import Drill
        from feedback.outputs import open_output
        from unhurried.commands.cue import delays
        from unhurried.commands.drill import DrillRun, plan_of, reference_of
        from unhurried.drilling import known_player, plan_remarks, retention_remark
        from unhurried.settings import load_settings

        asked = wanted.drill
        assert asked is not None
        who = known_player(self._home, wanted.player_id) if wanted.player_id else None
        # A plan that is stopped refuses here.
        remarks = [] if who is None else plan_remarks(self._home, who, wanted.club, wanted.mount)
        remark = retention_remark(self._home, who, asked.blocks)
        remarks += [] if remark is None else [remark]
        reference = reference_of(
            self._home if who is not None else None,
            (None if who is None else who.id, wanted.club, wanted.mount),
            backswing_ms=asked.backswing_ms,
            full_turn_deg=asked.full_turn_deg,
            share=asked.share,
            upper_turn_deg=asked.upper_turn_deg,
            say=remarks.append,
        )
        plan = plan_of(
            asked.blocks,
            asked.repeats,
            reference,
            schedule=asked.schedule,
            cue_on=asked.cue_on,
            rest_s=asked.rest_s,
            felt=asked.felt,
        )
        level = float(load_settings(self._home)["tone_level"])
        sound, why = open_output(self._output, level=level, delay_of=delays(self._home))
        run = DrillRun(Drill(plan), sound, mount=wanted.mount, hand=wanted.hand)
        run.on_terminal = False
        run.remarks = tuple(remarks)
        run.say = lambda text: _log.info("%s", text)
        if why is not None:
            _log.info("%s", why)
        return run

    def _work(self, desk: PageDesk, session: LiveSession, run: DrillRun | None) -> None:
        """Record; in a thread of its own."""
        from unhurried.commands.record import run_sessions

        failed: Exception | None = None
        try:
            if run is None:
                asyncio.run(run_sessions([session], _quiet_screen(), page=desk, keys=False))
            else:
                asyncio.run(run.run(session, page=desk))
        except Exception as error:
            _log.warning("the recording ended: %s", describe(error)[0])
            failed = error
        finally:
            if run is not None:
                run.close()
            try:
                desk.keep(failed)
            except Exception as error:
                _log.exception("after the recording")
                self._hub.update(phase="failed", outcome=describe(error)[0])

    def look(self) -> None:
        """Look for sensors; see `review.page.livehub.Starter`."""
        from review.page.livehub import LiveError, Near
        from sensor.errors import SensorError
        from sensor.radio import scan

        if self._hub.state.running:
            raise LiveError("a recording runs: stop it first, then look for sensors")
        self._hub.update(looking=True)
        try:
            seen = asyncio.run(scan(LOOK_S))
        except SensorError as error:
            raise LiveError(str(error)) from error
        finally:
            self._hub.update(looking=False)
        near: list[Near] = [
            Near(one.name, one.address, one.signal_dbm, one.battery_percent, one.profile)
            for one in seen
        ]
        self._hub.update(near=tuple(near))

    def close(self) -> None:
        """End what runs, cleanly, and wait until it is kept."""
        from review.page.livehub import LiveError

        thread = self._thread
        if thread is None or not thread.is_alive():
            return
        with contextlib.suppress(LiveError):
            self._hub.ask("stop", {})
        thread.join(END_S)


def _quiet_screen() -> Screen:
    from unhurried.commands.record import Screen

    class Quiet(Screen):
        """Nobody looks at the terminal: what is said goes into the log."""

        def data(self, text: str) -> None:
            _log.debug("%s", text)

        def message(self, text: str) -> None:
            _log.debug("%s", text)

        def plain(self, text: str) -> None:
            _log.debug("%s", text)

        def status(self, text: str) -> None:
            del text

    return Quiet()


def fresh_folder(home: Path) -> Path:
    """Return where the next recording from the page goes; its parent is made.

    Raises
    ------
    CommandError
    """
    from unhurried.home import make_folder

    parent = make_folder(home, "recordings")
    stem = datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    target, number = parent / stem, 2
    while target.exists():
        target, number = parent / f"{stem}-{number}", number + 1
    return target


# -- served by record, drill and review ------------------------------------------------------------


@contextlib.contextmanager
def live_hub(home: Path, *, hub: LiveHub | None = None, **options: Any) -> Iterator[LiveHub]:
    """Give the hub of a process that serves the page; what still runs at the end is ended.

    Parameters
    ----------
    home : Path
    hub : LiveHub, optional
        A new one by default.
    **options
        Of `PageStarter`.
    """
    from review.page.livehub import LiveHub

    hub = LiveHub() if hub is None else hub
    starter = PageStarter(hub, home, **options)
    hub.starter = starter
    try:
        yield hub
    finally:
        starter.close()
        hub.close()


def invite_of(up: Served) -> Callable[[], tuple[str, str]] | None:
    """Return what makes a link and its code for one more visitor; None where nothing is shared."""
    if up.visitors is None:
        return None

    def invite() -> tuple[str, str]:
        import segno

        link = up.link()
        assert link is not None
        return link, segno.make(link, micro=False).svg_data_uri(scale=6, border=4)

    return invite


@dataclass(frozen=True, slots=True)
class LivePage:
    """A page that is up beside a recording or drill of this process."""

    hub: LiveHub
    home: Path
    up: Served

    def desk(
        self,
        kind: str,
        run: DrillRun | None = None,
        *,
        known_as: Mapping[str, str] | None = None,
        to_library: bool = True,
    ) -> PageDesk:
        """Return what puts a recording or drill at the page's disposal; see `PageDesk`."""
        return PageDesk(
            self.hub,
            self.home,
            kind,
            run,
            more_codes=None if self.up.visitors is None else self.show_code,
            known_as=known_as,
            to_library=to_library,
        )

    def show_code(self) -> None:
        """Show a code for one more visitor on the terminal."""
        from unhurried.commands.review import show_code

        link = self.up.link()
        if link is not None:
            show_code(link)
            if self.hub.state.running:
                show("a code shown before that nobody used yet no longer works")

    def _stays(self, desk: PageDesk, *, by_itself: bool) -> bool:
        return desk.stopped_here or (by_itself and sys.stderr.isatty())

    def take_in(self, desk: PageDesk, *, by_itself: bool) -> list[str]:
        """Take a recording in, if the library is to have it, and say so on page and terminal.

        Parameters
        ----------
        desk : PageDesk
        by_itself : bool
            It came to its end. Without a terminal the page then ends, too.

        Returns
        -------
        list of str
            Ids of what the library has now.
        """
        desk.keep(stays=self._stays(desk, by_itself=by_itself))
        for one in desk.kept:
            show(f"in the library as {one[:8]} ({self.home})")
        there = sum(bool(one.status.received) for one in desk.sessions)
        if desk.to_library and len(desk.kept) < there:
            show("the recording is safe, but not in the library yet: the page says why")
        return desk.kept

    def stay(self, desk: PageDesk, *, by_itself: bool) -> None:
        """Leave the page up to look at what was recorded, unless Ctrl-C ended it."""
        from unhurried.commands.review import until_stopped

        if not self._stays(desk, by_itself=by_itself):
            return
        show("the page stays up to look at it; Ctrl-C ends it")
        with until_stopped() as stopped:
            while not stopped.wait(0.5):
                pass


@contextlib.contextmanager
def live_page(
    home: Path, *, page: bool, port: int | None, share: bool
) -> Iterator[LivePage | None]:
    """Serve the page beside a recording of this process, if it was asked for.

    Parameters
    ----------
    home : Path
    page, port, share
        Of `page_options`.

    Yields
    ------
    LivePage or None

    Raises
    ------
    click.UsageError
        --port or --share without --page.
    CommandError
        The port cannot be used, or there is no network to share the page on.
    """
    if not page:
        for name, given in (("--port", port is not None), ("sharing it", share)):
            if given:
                raise click.UsageError(
                    f"{name} is for the page: give --page as well",
                    click.get_current_context(silent=True),
                )
        yield None
        return
    from unhurried.serve import serving

    with (
        live_hub(home) as hub,
        serving(home, port=port, share=share, live=hub) as up,
        contextlib.closing(hub),
    ):
        hub.invite = invite_of(up)
        found = LivePage(hub, home, up)
        show(f"the page is up: {up.url}range")
        if share:
            found.show_code()
        try:
            yield found
        except Exception as error:
            _tell_end(hub, error)
            raise


def _tell_end(hub: LiveHub, error: Exception) -> None:
    """Say on the page why it is over, before the page goes."""
    state: LiveState = hub.state
    if state.running and not isinstance(error, click.Abort):
        desk = hub.desk
        if isinstance(desk, PageDesk):
            with contextlib.suppress(Exception):
                desk.keep(error, stays=False)
    hub.close()
