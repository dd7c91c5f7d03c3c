"""From the library to the evidence: one player with one club and one mount.

The statistics live in `analysis` and know no library; here swings are fetched for them, the
player's reference and plan are read from the player's file, and each question has one function, so
that the command line, the page and the report give the same answers.
"""

from __future__ import annotations

import dataclasses
import json
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final

from analysis.association import Association, associate
from analysis.contrast import CONTRAST_MEASURES, BallEffect, what_the_ball_does
from analysis.felt import FEELINGS, FeltReport, felt_against_measured
from analysis.headspeed import HeadSpeedLine, calibrate_head_speed
from analysis.outcome import Outcome
from analysis.plan import (
    CoachWord,
    Drill,
    PlanRules,
    Standing,
    Volume,
    standing,
    volume,
    word_from_dict,
)
from analysis.reading import Reading, Reference, make_reference, read
from analysis.spread import (
    Interval,
    NotYet,
    PlayerSpread,
    SessionChange,
    SessionData,
    SwingRow,
    change_between,
    player_spread,
    sessions_of,
    unit_of,
)
from analysis.story import (
    MEASURE_WORDS,
    MOST_SENTENCES,
    Example,
    Number,
    Sentence,
    could,
    counts_same,
    examples,
    felt_sentence,
    story,
)
from review.liberrors import NoSuchError
from review.library import GroupRow, Library
from review.people import PlanRecord, Player
from sensor.annotations import MATCH_S, RESULT_FIELDS

__all__ = [
    "DRILL_BLOCKS",
    "Evidence",
    "Held",
    "approved_swings",
    "day_number",
    "drill_block",
    "evidence_in",
    "evidence_of",
    "felt_words",
    "held_words",
    "main_setting",
    "settings_of",
]

DRILL_BLOCKS: Final = ("rehearsal", "ball", "silent", "retention")
"""Kinds of a drill's blocks; a block of anything else is free."""

VALUES: Final = (
    "backswing_ms",
    "downswing_ms",
    "swing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
)
TREND_MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps")
"""What is followed over sessions: measures that don't hang on how impact is told."""

_COLUMNS: Final = (
    "session",
    "day",
    "number",
    "club",
    "mount",
    "handedness",
    "sensor_key",
    "kind",
    "block",
    "own_u",
    *VALUES,
    "felt_time",
    "felt_turn",
    "felt_strike",
    *RESULT_FIELDS,
)

_NUMBERS: Final = (*VALUES, *RESULT_FIELDS)

# Kinds of swing whose results are told apart: a strike differs from a rehearsal in many ways.
_ASSOCIATED: Final = ("peak_rate_dps", "club_speed_m_s", "carry_m", "ball_speed_m_s")
MOST_FIRST: Final = 3
"""Sessions before the drills that are looked at together, at most: the last ones."""
LATEST: Final = 2
"""Latest sessions that are looked at together: one alone may have been a good day."""

MOST_PASTS: Final = 8
"""Earlier states that are kept at hand: each has its own list of swings."""

LEAST_ASSOCIATED: Final = 12
"""Swings with a result before it is asked what goes with it: with fewer, nothing is ever told."""


def _day_words(day: int) -> str:
    """Write a day number as a date."""
    return date.fromordinal(day).isoformat()


def day_number(day: str) -> int:
    """Return a number that counts days, for ``2026-05-01``."""
    return date.fromisoformat(day).toordinal()


def settings_of(library: Library, player_id: str) -> list[GroupRow]:
    """Return the clubs and mounts of a player's full swings that count, most swings first."""
    limit = library.simulated_limit(player_id)
    return [group for group in library.groups(player_id, simulated=limit) if not group.part]


def main_setting(library: Library, player_id: str) -> GroupRow | None:
    """Return the club and mount that a player swung most; None without any full swing."""
    return next(iter(settings_of(library, player_id)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A change of one measure over sessions.

    Attributes
    ----------
    measure : str
    kind : str
        Of the swings that were compared.
    change : SessionChange or NotYet
        Latest sessions against the first ones.
    swing_ids : tuple of str
        Swings of both sides.
    """

    measure: str
    kind: str
    change: SessionChange | NotYet
    swing_ids: tuple[str, ...] = ()


class Evidence:
    """What can be told of one player with one club and mount.

    Parameters
    ----------
    library : Library
    player : Player
    club, mount : str or None
    until_s : float, optional
        Only sessions that began up to then (seconds since 1970, UTC).
    """

    def __init__(
        self,
        library: Library,
        player: Player,
        *,
        club: str | None,
        mount: str | None,
        until_s: float | None = None,
    ) -> None:
        self.library = library
        self.player = player
        self.club = club
        self.mount = mount
        self.until_s = until_s
        self.days: dict[str, int] = {}
        self.hands: dict[str, set[str]] = {}
        self.last_day: int | None = None
        self._pasts: dict[str, Evidence] = {}

    # -- the swings ------------------------------------------------------------------------

    @cached_property
    def simulated(self) -> int | None:
        """Up to which mark of simulation sessions count; None: all do."""
        return self.library.simulated_limit(self.player.id)

    @cached_property
    def rows(self) -> list[SwingRow]:
        """Every full swing of this setting, in the order of time, excluded ones left out."""
        table = self.library.swings(
            player=self.player.id,
            club=self.club,
            mount=self.mount,
            part=False,
            columns=_COLUMNS,
            until_s=self.until_s,
            simulated=self.simulated,
        )
        out = []
        order: dict[str, int] = {}
        for row in table.rows():
            if (row["club"], row["mount"]) != (self.club, self.mount):
                # None asks for any.
                continue
            session = row["session"]
            self.days.setdefault(session, day_number(row["day"]))
            if row["handedness"] is not None:
                self.hands.setdefault(session, set()).add(row["handedness"])
            order[session] = order.get(session, -1) + 1
            out.append(self._row(row, order[session]))
        return out

    def _row(self, row: Mapping[str, Any], order: int) -> SwingRow:
        values = {name: float(row[name]) for name in _NUMBERS if row[name] is not None}
        return SwingRow(
            swing_id=f"{row['session']}#{row['number']}",
            session_id=row["session"],
            order=order,
            player=self.player.id,
            club=self.club,
            mount=self.mount,
            intent="full",
            sensor=row["sensor_key"],
            kind=row["kind"],
            block=drill_block(row["block"]),
            values=values,
            # Only what other swings of the same sensor and recording don't share.
            u={name: u for name, u in json.loads(row["own_u"]).items() if name in values},
            felt_time=row["felt_time"],
            felt_turn=row["felt_turn"],
            felt_strike=row["felt_strike"],
        )

    @cached_property
    def sessions(self) -> list[str]:
        """Ids of the sessions with such swings, oldest first."""
        return list(dict.fromkeys(row.session_id for row in self.rows))

    def rows_of(self, session_id: str) -> list[SwingRow]:
        """Return the swings of one session."""
        return [row for row in self.rows if row.session_id == session_id]

    # -- the reference ---------------------------------------------------------------------

    @cached_property
    def reference(self) -> Reference | NotYet:
        """The player's full, unhurried swing: approved, or provisional from free rehearsals."""
        kept = self.player.reference(self.club, self.mount)
        approved: list[str] = []
        lower: dict[str, float] = {}
        upper: dict[str, float] = {}
        if kept is not None:
            approved = approved_swings(self.library, kept.swings)
            lower = {name: low for name, (low, _) in kept.bounds.items()}
            upper = {name: high for name, (_, high) in kept.bounds.items()}
        found = make_reference(self.rows, approved or None, lower=lower, upper=upper)
        if isinstance(found, Reference) and kept is not None and kept.provisional:
            return dataclasses.replace(found, provisional=True)
        return found

    @cached_property
    def spreads(self) -> dict[str, PlayerSpread | NotYet]:
        """How much this player's swings differ of themselves, by measure.

        From swings without cue or feedback. Sessions of three sorts are taken to differ only by
        chance: rehearsals, strikes before the first drill, and strikes since. What the ball or the
        drills changed is no spread, and which session is of which sort is fixed beforehand.
        """
        free = [row for row in self.rows if row.block in _FREE]
        started = self._drilled_from()
        place = {session: k for k, session in enumerate(self.sessions)}
        sorts: list[list[SwingRow]] = [[], [], []]
        for row in free:
            if row.kind == "rehearsal":
                sorts[0].append(row)
            elif row.kind == "strike":
                drilled = started is not None and place[row.session_id] >= started
                sorts[2 if drilled else 1].append(row)
        return {
            measure: player_spread([sessions_of(rows, measure) for rows in sorts])
            for measure in (*VALUES, "club_speed_m_s")
        }

    def _drilled_from(self) -> int | None:
        """Place of the first session with a cued swing; None without any."""
        cued = {row.session_id for row in self.rows if row.block in _CUED}
        return next((k for k, session in enumerate(self.sessions) if session in cued), None)

    def notes(self, session_id: str | None = None) -> list[str]:
        """Say what anybody should know who reads these numbers; empty where there is nothing.

        Parameters
        ----------
        session_id : str, optional
            Only swings of this session; all by default.
        """
        out = []
        rows = self.rows if session_id is None else self.rows_of(session_id)
        by_hand: dict[str, list[str]] = {}
        for session in self.sessions:
            for hand in sorted(self.hands.get(session, ())):
                by_hand.setdefault(hand, []).append(session)
        if len(by_hand) > 1:
            parts = " and ".join(
                f"{len(found)} {hand}-handed {'session' if len(found) == 1 else 'sessions'}"
                for hand, found in sorted(by_hand.items())
            )
            fewer = min(by_hand.values(), key=len)
            named = ", ".join(session[:8] for session in fewer[:6])
            out.append(
                f"{parts} are taken together here, as one player's swings. Where that is wrong, "
                f"correct the hand or leave these out, on their screens of the page: {named}."
            )
        unclear = sum(row.kind == "unclear" for row in rows)
        if unclear:
            whole = "1 swing is" if unclear == 1 else f"{unclear} of {len(rows)} swings are"
            out.append(
                f"{whole} of unclear kind, and count neither as rehearsals nor as strikes. What "
                "they were can be said on the page, in the session's list ('They are'), and "
                "beforehand while recording, by marking 'rehearsal' or 'ball'."
            )
        return out

    def read(self, rows: Sequence[SwingRow]) -> Reading:
        """Read swings of one session against the reference, in three words."""
        return read(rows, self.reference, spreads=self.spreads)

    # -- the questions ---------------------------------------------------------------------

    def ball(self, session_id: str | None = None) -> dict[str, BallEffect | NotYet]:
        """Set strikes beside rehearsals, in one session or all."""
        rows = self.rows if session_id is None else self.rows_of(session_id)
        free = [row for row in rows if row.block != "rehearsal"]
        return {
            measure: what_the_ball_does(free, measure, comparisons=len(CONTRAST_MEASURES))
            for measure in CONTRAST_MEASURES
        }

    def felt(self) -> dict[str, FeltReport | NotYet]:
        """Set each feeling beside what was measured.

        Against the reference where there is one: "shorter" then means shorter than a full,
        unhurried swing, and not than others that were hurried too. How many of the swings that
        didn't feel so were shorter is always told as well, since the ball may shorten all alike.
        """
        known = self.reference if isinstance(self.reference, Reference) else None
        strikes = [row for row in self.rows if row.kind == "strike"]
        rows = strikes or self.rows
        return {feeling: felt_against_measured(rows, feeling, known) for feeling in FEELINGS}

    def together(self) -> list[tuple[str, str, tuple[str, ...], Association | NotYet]]:
        """Say what goes with what, in strikes; worked out once, since it takes long."""
        return self._together

    @cached_property
    def _together(self) -> list[tuple[str, str, tuple[str, ...], Association | NotYet]]:
        strikes = [row for row in self.rows if row.kind == "strike"]
        results = [
            name
            for name in _ASSOCIATED
            if sum(name in row.values for row in strikes) >= LEAST_ASSOCIATED
        ]
        return associate(strikes, results) if results else []

    def before_and_after(self, kind: str = "strike") -> tuple[list[str], list[str]]:
        """Return the sessions that `held` sets against each other, first and latest ones.

        First are those before the first cued swing, `MOST_FIRST` at most; where nothing was ever
        drilled, the first `LATEST` of all. Which ones they are is fixed before anything is seen.
        """
        tried = list(
            dict.fromkeys(r.session_id for r in self.rows if r.kind == kind and r.block in _FREE)
        )
        order = {session: k for k, session in enumerate(self.sessions)}
        start = self._drilled_from()
        if start is None:
            first = tried[:LATEST]
        else:
            first = [session for session in tried if order[session] < start][-MOST_FIRST:]
        return first, [s for s in tried if s not in first][-LATEST:]

    def held(self, kind: str = "strike") -> list[Held]:
        """Compare the latest sessions with those before the drills, measure by measure.

        Only swings without cue or feedback count.
        """
        first, latest = self.before_and_after(kind)
        mine = [row for row in self.rows if row.kind == kind and row.block in _FREE]
        out = []
        for measure in TREND_MEASURES:
            data = {one.session_id: one for one in sessions_of(mine, measure)}
            before, after = ([data[s] for s in side if s in data] for side in (first, latest))
            change = _change(
                before,
                after,
                [one for name, one in data.items() if name not in {*first, *latest}],
                measure,
            )
            ids = tuple(x for one in (*before, *after) for x in one.swing_ids)
            out.append(Held(measure=measure, kind=kind, change=change, swing_ids=ids))
        return out

    def head_speed(self) -> HeadSpeedLine | NotYet:
        """Fit the head's speed to the sensor's rate, where speeds were entered."""
        return calibrate_head_speed([row for row in self.rows if row.kind == "strike"])

    # -- the plan --------------------------------------------------------------------------

    @property
    def plan_record(self) -> PlanRecord | None:
        """What the player's file keeps of the plan."""
        return self.player.plan(self.club, self.mount)

    @property
    def words(self) -> list[CoachWord]:
        """What coach and player said about the plan, oldest first."""
        record = self.plan_record
        if record is None:
            return []
        words = [word_from_dict(event) for event in record.history if "word" in event]
        return [word for word in words if self.last_day is None or word.day <= self.last_day]

    @property
    def rules(self) -> PlanRules:
        """The plan's rules, with what the coach changed."""
        record = self.plan_record
        changed = record.state.get("rules", {}) if record is not None else {}
        names = {item.name for item in dataclasses.fields(PlanRules)}
        fitting: dict[str, Any] = {
            name: value
            for name, value in dict(changed).items()
            if name in names and isinstance(value, (bool, int, float))
        }
        return PlanRules(**fitting)

    def standing(self, today: int) -> Standing:
        """Say where the player stands, why, and the next drill.

        Swings with other clubs count for the day's and the week's volume.
        """
        rules = self.rules
        found = standing(
            self.rows,
            self.days,
            self.reference,
            self.words,
            today=today,
            rules=rules,
            day_words=_day_words,
        )
        everything = self.library.swings(
            player=self.player.id,
            columns=("day", "kind"),
            excluded=True,
            until_s=self.until_s,
            simulated=self.simulated,
        )
        total = volume(
            [day_number(day) for day in everything["day"]],
            [kind == "strike" for kind in everything["kind"]],
            today,
            rules,
        )
        drill = None if total.rest else found.drill
        why = found.why
        if total.rest and not found.volume.rest:
            why = f"{why} Rest first: {' '.join(total.cautions)}"
        if drill is not None:
            drill = dataclasses.replace(drill, command=self._command(drill))
        return dataclasses.replace(found, volume=total, drill=drill, why=why)

    def stood(self, day: int) -> Standing:
        """Say where the player stood when a day had ended, with nothing to do now.

        The drill that came next then, and how much had been swung, are nothing to go by today.
        """
        quiet = Volume(today=0, week=0, strikes_week=0, usual_week=None, cautions=(), rest=False)
        found = standing(
            self.rows,
            self.days,
            self.reference,
            self.words,
            today=day,
            swung=quiet,
            rules=self.rules,
            day_words=_day_words,
        )
        return dataclasses.replace(found, drill=None)

    def is_latest(self, session_id: str) -> bool:
        """Tell whether a session is this setting's newest."""
        return bool(self.sessions) and session_id == self.sessions[-1]

    def standing_at(self, session_id: str, today: int | None) -> Standing:
        """Say where the player stands: today's stand for the latest session, else as it was."""
        if self.is_latest(session_id) and today is not None:
            return self.standing(today)
        then = self.until(session_id)
        return then.stood(then.days[session_id])

    @property
    def typed_name(self) -> str:
        """What means this player on the command line: the name, or the id where others share it."""
        namesakes = [p for p in self.library.players() if p.name == self.player.name]
        return self.player.name if len(namesakes) == 1 else self.player.id

    def _command(self, drill: Drill) -> str:
        """A drill's command, ready to run: who, with what, and the turn that the tone goes by."""
        words = [w for w in shlex.split(drill.command) if w not in ("--ball", "--no-ball")]
        words = [self.typed_name if word == self.player.id else word for word in words]
        at = words.index("--player") + 2 if "--player" in words else 2
        facts = [("--club", self.club), ("--mount", self.mount), ("--hand", self.player.handedness)]
        words[at:at] = [w for name, value in facts if value is not None for w in (name, value)]
        if isinstance(self.reference, Reference) and "turn_deg" in self.reference.values:
            turn = self.reference.values["turn_deg"]
            words += ["--full-turn-deg", f"{turn.middle:.0f}"]
            if turn.upper is not None:
                words += ["--upper-turn-deg", f"{turn.upper:.0f}"]
        return shlex.join(words)

    # -- the story -------------------------------------------------------------------------

    def until(self, session_id: str) -> Evidence:
        """Return what was known when a session had ended.

        Raises
        ------
        NoSuchError
            It has no full swings of this setting.
        """
        if session_id not in self.sessions:
            raise NoSuchError(
                f"session {session_id[:8]} has no full swings of {self.player.name} with this "
                "club and mount"
            )
        if session_id == self.sessions[-1]:
            return self
        if session_id in self._pasts:
            return self._pasts[session_id]
        seen = set(self.sessions[: self.sessions.index(session_id) + 1])
        past = Evidence(self.library, self.player, club=self.club, mount=self.mount)
        past.rows = [row for row in self.rows if row.session_id in seen]
        past.days = {name: day for name, day in self.days.items() if name in seen}
        past.hands = {name: hands for name, hands in self.hands.items() if name in seen}
        past.reference = self.reference
        past.last_day = self.days[session_id]
        if len(self._pasts) >= MOST_PASTS:
            self._pasts.clear()
        self._pasts[session_id] = past
        return past

    def story(self, session_id: str, *, today: int | None = None) -> list[Sentence]:
        """Tell a session in five sentences at most, as it stood when it had ended.

        Parameters
        ----------
        session_id : str
        today : int, optional
            Today. For the latest session the last sentence is then what the plan says today, with
            the next drill; for an earlier one, or without it, it is where the player stood on that
            day.

        Raises
        ------
        NoSuchError
        """
        then = self.until(session_id)
        current = self.is_latest(session_id) and today is not None
        told = story(
            then.rows_of(session_id),
            then.reference,
            spreads=then.spreads,
            now=self.standing_at(session_id, today),
            past_day=None if current else _day_words(then.days[session_id]),
            together=[found for *_, found in then.together()],
        )
        changed = then.held_sentence(session_id)
        if changed is not None:
            # It says more than that day's test alone.
            told = [one for one in told if one.about != "held"]
            at = 1 + max((k for k, one in enumerate(told) if one.about == "ball"), default=0)
            told.insert(at, changed)
        rushed = then.felt()["rushed"]
        if isinstance(rushed, FeltReport):
            at = 1 + max(
                (k for k, one in enumerate(told) if one.about in ("ball", "held")), default=0
            )
            told.insert(at, felt_sentence(rushed))
        return [*told[: MOST_SENTENCES - 1], told[-1]] if len(told) > MOST_SENTENCES else told

    def held_sentence(self, session_id: str | None = None) -> Sentence | None:
        """Say what changed since the first sessions; None where nothing can be told yet.

        Parameters
        ----------
        session_id : str, optional
            None also where this session isn't among the latest ones.
        """
        first, latest = self.before_and_after()
        if session_id is not None and session_id not in latest:
            return None
        told = [one for one in self.held() if isinstance(one.change, SessionChange)]
        if not told:
            return None
        drilled = any(row.block in _CUED for row in self.rows)
        since = "before the drills" if drilled else "at the beginning"
        head = (
            f"Strikes without cue or feedback in the latest {len(latest)} sessions, against the "
            f"{len(first)} {since}"
            if len(first) != 1
            else f"Strikes without cue or feedback in the latest {len(latest)} sessions, against "
            f"the one {since}"
        )
        text = "; ".join(held_words(one) for one in told)
        numbers = tuple(
            Number(
                name=f"{one.measure}: latest minus first sessions",
                unit=unit_of(one.measure),
                interval=one.change.change,
                swing_ids=tuple(x for x in one.swing_ids if x.partition("#")[0] in latest),
                against_ids=tuple(x for x in one.swing_ids if x.partition("#")[0] not in latest),
                margin=one.change.margin,
                detectable=one.change.detectable,
            )
            for one in told
            if isinstance(one.change, SessionChange)
        )
        ids = tuple(dict.fromkeys(x for one in told for x in one.swing_ids))
        return Sentence(about="held", text=f"{head}: {text}.", numbers=numbers, swing_ids=ids)

    def examples(self, session_id: str) -> list[Example]:
        """Choose the swings nearest the medians of a session, by kind; cued ones are left out."""
        rows = [row for row in self.rows_of(session_id) if row.block not in _CUED]
        return examples(rows or self.rows_of(session_id), self.reference)


_FREE: Final = (None, "silent", "retention")
_CUED: Final = ("rehearsal", "ball")


def _change(
    before: Sequence[SessionData],
    after: Sequence[SessionData],
    between: Sequence[SessionData],
    measure: str,
) -> SessionChange | NotYet:
    if not before or not after:
        return NotYet("there are no sessions to set the latest ones against")
    return change_between(before, after, between, measure=measure, comparisons=len(TREND_MEASURES))


def _by(interval: Interval, unit: str) -> str:
    """Write a difference; its sign too where the interval holds zero."""

    def short(value: float, *, plus: bool = False) -> str:
        text = f"{value:{'+' if plus else ''}.{0 if abs(value) >= 10 else 1}f}"
        return (text.lstrip("+-") if float(text) == 0.0 else text).replace("-", "\N{MINUS SIGN}")

    if interval.low <= 0 <= interval.high:
        return f"{short(interval.low)} to {short(interval.high, plus=True)} {unit}"
    low, high = sorted((abs(interval.low), abs(interval.high)))
    return f"by {short(low)} to {short(high)} {unit}"


def held_words(held: Held) -> str:
    """Say in words how a measure changed."""
    name = MEASURE_WORDS.get(held.measure, held.measure)
    if isinstance(held.change, NotYet):
        return f"{name}: {held.change.reason}"
    unit = unit_of(held.measure)
    numbers = _by(held.change.change, unit)
    if held.change.outcome is Outcome.UNCLEAR:
        return f"{name} can't be told ({numbers}{could(held.change.detectable, unit)})"
    if held.change.outcome is Outcome.SAME:
        return f"{name} about the same ({numbers}{counts_same(held.change.margin, unit)})"
    up = held.change.change.middle > 0
    words = {"backswing_ms": ("longer", "shorter"), "turn_deg": ("fuller", "shorter")}
    more, less = words.get(held.measure, ("faster", "slower"))
    return f"{name} {more if up else less} {numbers}"


def felt_words(report: FeltReport) -> str:
    """Say in a sentence what was felt against what was measured, and how the others were."""
    return report.sentence()


def drill_block(text: str | None) -> str | None:
    """Return the kind of a drill's block, as in ``2 silent``; None where swings were free."""
    words = (text or "").split()
    return words[-1] if words and words[-1] in DRILL_BLOCKS else None


def approved_swings(library: Library, keys: Sequence[tuple[str, int]]) -> list[str]:
    """Return approved swings by recording and `seq` as the ids that rows have, ``SESSION#N``.

    A better analysis may have moved an impact a little; the swing is found all the same. Swings
    that were excluded since, or aren't found any more, are left out.
    """
    out = []
    for session in dict.fromkeys(recording for recording, _ in keys):
        table = library.swings(session=session, columns=("seq", "number"))
        if not len(table):
            continue
        there = dict(zip(table["seq"].tolist(), table["number"].tolist(), strict=True))
        reach = MATCH_S * library.session(session).rate_hz
        for recording, seq in keys:
            if recording != session:
                continue
            nearest = min(there, key=lambda one, at=seq: abs(one - at))  # type: ignore[misc]
            if abs(nearest - seq) <= reach:
                out.append(f"{session}#{int(there[nearest])}")
    return list(dict.fromkeys(out))


def evidence_of(
    library: Library,
    player: str,
    *,
    club: str | None = None,
    mount: str | None = None,
    until_s: float | None = None,
) -> Evidence:
    """Return the evidence of a player, with the club and mount that were swung most by default.

    Raises
    ------
    NoSuchError
        There is no such player, or no full swing with this club and mount.
    ChoiceError
        The name fits several players.
    """
    who = library.player(player)
    groups = [
        g
        for g in settings_of(library, who.id)
        if (club is None or g.club == club) and (mount is None or g.mount == mount)
    ]
    if not groups:
        known = ", ".join(
            f"{g.club or 'no club named'} at the {g.mount or 'unknown mount'}"
            for g in settings_of(library, who.id)
        )
        raise NoSuchError(
            f"{who.name} has no full swings "
            + ("in the library yet" if not known else f"like that; there are: {known}")
        )
    best = groups[0]
    return Evidence(library, who, club=best.club, mount=best.mount, until_s=until_s)


def evidence_in(
    library: Library,
    session_id: str,
    *,
    player: str | None = None,
    club: str | None = None,
    mount: str | None = None,
) -> list[Evidence]:
    """Return the evidence of each player, club and mount with full swings in a session.

    Parameters
    ----------
    library : Library
    session_id : str
    player, club, mount : str, optional
        Only this player (id), club or mount.

    Raises
    ------
    NoSuchError
        There are none.
    """
    rows = library.swings(session=session_id, columns=("player", "club", "mount", "part"))
    found: dict[tuple[str, str | None, str | None], None] = {}
    for row in rows.rows():
        fits = all(
            wanted in (None, row[name])
            for name, wanted in (("player", player), ("club", club), ("mount", mount))
        )
        if row["player"] is not None and not row["part"] and fits:
            found[row["player"], row["club"], row["mount"]] = None
    if not found:
        raise NoSuchError(
            f"session {session_id[:8]} has no full swings of a known player like that"
        )
    one = library.session(session_id)
    why = {who: library.set_aside(one, who) for who in {who for who, _, _ in found}}
    found = {key: None for key in found if why[key[0]] is None}
    if not found:
        raise NoSuchError(f"session {session_id[:8]}: {next(filter(None, why.values()))}")
    people = {who: library.player(who) for who in dict.fromkeys(who for who, _, _ in found)}
    return [
        Evidence(library, people[who], club=with_club, mount=at) for who, with_club, at in found
    ]
