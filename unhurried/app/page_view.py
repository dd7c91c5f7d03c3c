"""What the page shows of a recording: its link, a drill, and a player's own figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from words.battery import battery_words
from words.plain import clock, count

if TYPE_CHECKING:
    from analysis.swing.results import FoundSwing, Swing
    from feedback.drill_actions import Action
    from feedback.drill_outcome import Judged
    from review.page.livehub import DrillState, FoundLive, LiveHub, LiveSensor, Person
    from sensor.link.status import LinkStatus
    from sensor.recording.annotations import SwingSpan
    from unhurried.app.drill_run import DrillRun
    from unhurried.app.live import LiveSession


NO_NUMBERS: Final = "no numbers for this swing (yet)"
CALL_FIRST: Final = "say first how it felt"
NO_NUMBERS_IN_BLOCK: Final = "no numbers in this set"

SIGNS: Final = {
    "shorter": "◂",
    "smaller": "◂",
    "slower": "◂",
    "longer": "▸",
    "bigger": "▸",
    "past full": "▸",
    "faster": "▸",
    "as usual": "=",
}
"""On which side of the player's own range a swing lies."""


class OwnFigures:
    """A player's own range with a club and a mount, as a recording goes on.

    Shots are set against the practice swings of the same recording as soon as there are enough,
    as they are afterwards (`library.answer`); until then against what is known of other days.

    Attributes
    ----------
    known : mapping of str to (float or None, float or None)
        By measure.
    full_end : bool
        The turn's upper end is where full ends, as a coach set or approved it.
    """

    def __init__(self) -> None:
        self.known: Mapping[str, tuple[float | None, float | None]] = {}
        self.full_end = False
        self._practice: list[Swing] = []
        self._left_out: list[Swing] = []

    @property
    def full_deg(self) -> float | None:
        """The own full turn, in deg; None where it isn't known."""
        from analysis.evidence.reading import TURN

        low, high = self.known.get(TURN, (None, None))
        return None if low is None or high is None else 0.5 * (low + high)

    def add(self, swing: Swing, kind: str) -> bool:
        """Take a swing in; whether the range for shots is another one now."""
        from library.answer import LEAST_TODAY

        if kind != "rehearsal" or swing.intent == "part":
            return False
        self._practice.append(swing)
        return len(self._practice) >= LEAST_TODAY

    def now(self, swing: Swing, kind: str | None) -> str:
        """Take a swing for what somebody said that it was, or (None) as it was found."""
        from analysis.evidence.summary import kind_of

        kind = kind or kind_of(swing)
        self._practice = [one for one in self._practice if one is not swing]
        self.add(swing, kind)
        return kind

    def follow(self, older: OwnFigures) -> None:
        """Go on with the practice swings that were seen before this was looked up."""
        self._practice, self._left_out = older._practice, older._left_out

    def count(self, swing: Swing, counts: bool) -> None:
        """Have a practice swing count, or not."""
        if counts:
            self._left_out = [one for one in self._left_out if one is not swing]
        else:
            self._left_out.append(swing)

    def beside(self, swing: Swing, kind: str) -> dict[str, tuple[str, str]]:
        """Say where a swing lies: by measure a sign, and words; nothing of a part swing."""
        from analysis.evidence.own_range import word_in_range
        from analysis.swing.results import is_bound
        from library.answer import MEASURES, SAID
        from words.answer import rounded

        out: dict[str, tuple[str, str]] = {}
        if swing.intent == "part":
            return out
        own = self._today() if kind == "strike" else {}
        for aspect, measure in MEASURES.items():
            low, high = own.get(measure) or self.known.get(measure, (None, None))
            value, u = getattr(swing, measure), _own_u(swing, measure)
            if value is None or u is None or is_bound(swing, measure):
                continue
            if low is None or high is None or low <= 0.0:  # as `library.answer` has it
                continue
            word = word_in_range(aspect, value, u, low, high, full_end=self.full_end)
            said = SAID[word].value
            middle = 0.5 * (low + high)
            ends = f"{rounded(measure, low, middle)} to {rounded(measure, high, middle)}"
            out[measure] = (SIGNS[said], said if measure.endswith("_dps") else f"{said}; {ends}")
        return out

    def _today(self) -> dict[str, tuple[float, float]]:
        """Return the range of this recording's own practice swings; empty while they are few."""
        from analysis.evidence.cells import cell_of
        from analysis.evidence.own_range import range_of_day
        from analysis.evidence.reading import TURN
        from library.answer import LEAST_TODAY, MEASURES

        out = {}
        for measure in MEASURES.values():
            values = [
                v
                for s in self._practice
                if (v := getattr(s, measure)) is not None
                and not any(s is one for one in self._left_out)
            ]
            cell = None
            if len(values) >= LEAST_TODAY:
                cell = cell_of(values, session="", kind="rehearsal")
            if cell is not None:
                out[measure] = range_of_day(cell)
        full = self.known.get(TURN, (None, None))[1]
        if TURN in out and self.full_end and full is not None:
            out[TURN] = (out[TURN][0], max(full, out[TURN][1]))
        return out


def _own_u(swing: Swing, measure: str) -> float | None:
    """Return the part of a number's uncertainty that the player's other swings don't share."""
    from analysis.evidence.own_range import own_u_of

    return own_u_of(getattr(swing, f"{measure}_u"), swing.budget, measure)


def own_figures(
    home: Path, who: tuple[str, str | None, str | None], known_as: Mapping[str, str]
) -> OwnFigures:
    """Look up a player's own figures; none for a new player, or with a club not swung yet."""
    from analysis.evidence.reading import Reference
    from library.answer import MEASURES
    from library.errors import LibraryError
    from library.evidence import evidence_of
    from review.errors import ReviewError
    from unhurried.app.ingest import open_library

    out = OwnFigures()
    player, club, mount = who
    try:
        with open_library(home) as library:
            evidence = evidence_of(library, known_as.get(player, player), club=club, mount=mount)
            found = evidence.reference
    except (LibraryError, ReviewError):
        return out
    if isinstance(found, Reference) and (club, mount) == (evidence.club, evidence.mount):
        out.known = {
            name: (value.lower, value.upper)
            for name, value in found.values.items()
            if name in MEASURES.values()
        }
        out.full_end = not found.provisional
    return out


def aim_of(home: Path, player: str, known_as: Mapping[str, str]) -> str:
    """Look up what a player works on, as it was agreed at the last lesson; empty if nothing."""
    from library.errors import LibraryError
    from library.lesson import last_lesson
    from review.errors import ReviewError
    from unhurried.app.ingest import open_library

    try:
        with open_library(home) as library:
            record = last_lesson(library.player(known_as.get(player, player)).lessons)
    except (LibraryError, ReviewError):
        return ""
    return "" if record is None else record.aim or ""


MOST_PEOPLE: Final = 8
"""Names in a row: more of them are slower to find than to type. (Chosen here.)"""


def people_of(home: Path) -> tuple[Person, ...]:
    """Return who may swing next, who swung last first; of two with one name the note tells them.

    Children of whom nobody's consent is noted aren't among them.
    """
    from review.page.livehub import Person
    from unhurried.app.ingest import open_library

    with open_library(home) as library:
        rows = sorted(library.players(), key=lambda row: -(row.last_start_s or 0.0))
    names = [row.name for row in rows]
    return tuple(
        Person(
            key=row.id,
            name=row.name
            if names.count(row.name) == 1
            else f"{row.name} ({row.note or row.id[:8]})"[:200],
            player_id=row.id,
            hand=row.handedness,
        )
        for row in rows
        if row.consent or not row.child
    )[:MOST_PEOPLE]


class DrillView:
    """A drill as the page shows it: what is told of a swing, and when, is the drill's to say.

    Parameters
    ----------
    hub : LiveHub
    run : DrillRun
    """

    def __init__(self, hub: LiveHub, run: DrillRun) -> None:
        self.hub = hub
        self.run = run
        self._drilled: dict[int, str] = {}
        """Keys of the swings that are the drill's, by their number in the recording."""
        self._called: set[int] = set()
        """Which of the swings that count, from 1, somebody said the feel of."""

    def hidden(self, index: int, key: str) -> str | None:
        """Take a swing in that has just ended, and say why its numbers aren't shown yet."""
        if self.run.drill.state in ("before", "done"):
            return None
        self._drilled[index] = key
        return NO_NUMBERS

    def follow(self, action: Action) -> None:
        """Show what the drill wants, and no numbers before their time."""
        from analysis.evidence.blocks import QUIET
        from feedback.drill_actions import Done, Line, Mark, Show

        if isinstance(action, Show):
            self._reveal(action.judged)
        elif isinstance(action, Mark) and action.kind == "drill_swing":
            # Now it is known of which block the swing is: an answer may have come in between.
            key = self._drilled.get(action.fields["swing"])
            if action.fields["block_kind"] in QUIET and key is not None:
                self.hub.change_swing(key, hidden=NO_NUMBERS_IN_BLOCK)
        elif isinstance(action, Mark) and action.kind == "drill_swing_left_out":
            # Of a block without sounds its numbers wait for the end as well.
            key = self._drilled.get(action.fields["swing"])
            if key is not None:
                why = NO_NUMBERS_IN_BLOCK if self.run.drill.quiet else None
                self.hub.change_swing(key, hidden=why)
        elif isinstance(action, Line):
            self.hub.say(action.text.removeprefix("! "), warning=action.text.startswith("! "))
        elif isinstance(action, Mark) and action.kind in ("felt", "felt_called"):
            self._called.add(action.fields["number"])
        elif isinstance(action, Done):
            self._reveal_all()
        self.hub.update(drill=self.state())

    def _reveal_all(self) -> None:
        """Hold nothing back any more but what is to be called first and wasn't."""
        for key in self._drilled.values():
            self.hub.change_swing(key, hidden=None)
        number = 0
        for tally in self.run.drill.tallies:
            for judged in tally.judged:
                number += 1
                self._reveal(judged)
                mine = self._drilled.get(-1 if judged.index is None else judged.index)
                if tally.block.called and mine is not None and not self._is_called(number, mine):
                    self.hub.change_swing(mine, hidden=CALL_FIRST)

    def _is_called(self, number: int, key: str) -> bool:
        said = next((one.said for one in self.hub.state.swings if one.key == key), {})
        return number in self._called or "time" in said

    def _reveal(self, judged: Judged) -> None:
        key = self._drilled.get(-1 if judged.index is None else judged.index)
        if key is not None:
            self.hub.change_swing(key, hidden=None, beside=judged_words(judged))

    def state(self) -> DrillState:
        """How the drill stands."""
        from review.page.livehub import DrillState

        drill, sound = self.run.drill, self.run.sound
        block = min(
            (k for k, tally in enumerate(drill.tallies) if len(tally.judged) < tally.block.repeats),
            default=len(drill.tallies) - 1,
        )
        tally = drill.tallies[block]
        return DrillState(
            block=tally.number,
            blocks=len(drill.plan.blocks),
            block_kind=tally.block.kind,
            what=tally.block.words,
            too_soft=drill.too_soft,
            no_output=drill.no_output,
            done=len(tally.judged),
            of=tally.block.repeats,
            all_done=drill.done,
            all_of=drill.plan.repeats,
            state=drill.state,
            sound="none, the screen only" if sound.silent else sound.name,
        )


def judged_words(judged: Judged) -> dict[str, tuple[str, str]]:
    """Say in a drill's words where a swing lies: a sign and words by measure."""
    from words.answer import rounded

    r = judged.reference
    out: dict[str, tuple[str, str]] = {}
    if judged.time is not None and r.backswing_ms is not None:
        enough = judged.time == "enough"
        aim_s = rounded("backswing_ms", r.backswing_ms)
        out["backswing_ms"] = ("=" if enough else "◂", f"{_kept(enough)}; aim {aim_s}")
    if judged.turn is not None:
        above = {"bigger": "bigger", "beyond": "past full"}.get(judged.turn)
        sign = "▸" if above else "=" if judged.turn == "full" else "◂"
        aim = r.upper_turn_deg if above else r.full_turn_deg
        word = above or _kept(judged.turn == "full")
        out["turn_deg"] = (sign, word if aim is None else f"{word}; aim {rounded('turn_deg', aim)}")
    return out


def _kept(there: bool) -> str:
    return "kept" if there else "not kept"


def sensors_of(sessions: Sequence[LiveSession]) -> tuple[LiveSensor, ...]:
    """Say of sensors that each have their own player how they stand."""
    from review.page.livehub import LiveSensor

    out = []
    for number, one in enumerate(sessions, 1):
        words = link_words(one.status)
        out.append(
            LiveSensor(
                number=number,
                player=one.segment.player,
                mount=one.mount,
                link=words.get("state", ""),
                battery=words.get("battery", ""),
            )
        )
    return tuple(out)


def found_live(
    key: str, session: LiveSession, swing: Swing, known_as: Mapping[str, str]
) -> FoundLive | None:
    """Say where the swing is that was found last: the wall draws it from what is written."""
    from review.page.livehub import FoundLive

    found, described = session.last_found, session.session
    if found is None or described is None:
        return None
    player = swing.player
    return FoundLive(
        key=key,
        path=session.folder,
        start=described.start,
        found=found,
        swing=swing,
        player=None if player is None else known_as.get(player, player),
        mount=session.mount,
    )


def span_of(found: FoundSwing) -> SwingSpan:
    """Say where a swing is among the samples, as the library does after the recording."""
    from sensor.recording.annotations import SwingSpan

    by_weight = (found.impact_seq, found.top_seq, found.finish_seq, found.takeaway_seq)
    known = [seq for seq in by_weight if seq is not None] or [float(found.anchor_seq)]
    return SwingSpan(seq=max(0, round(known[0])), first_seq=min(known), last_seq=max(known))


def recorded(session: LiveSession) -> str:
    """Say how much was recorded."""
    return f"{count(len(session.swings), 'swing')} in {clock(session.status.recorded_s)} min"


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
    if battery := battery_words(status.battery_percent, status.battery_left_min):
        out["battery"] = battery
    if status.disk_left_bytes is not None and status.disk_left_bytes < 10e9:
        out["disk"] = f"disk {status.disk_left_bytes / 1e9:.1f} GB free"
    return out
