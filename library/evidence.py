"""From the library to the evidence: one player with one club and one mount.

The statistics live in `analysis` and know no library; here swings are fetched for them, the
player's reference and plan are read from the player's file, and each question has one function, so
that the command line, the page and the report give the same answers.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import cached_property
from typing import Any, Final

from analysis.evidence.association import Association, associate
from analysis.evidence.contrast import BallEffect, ball_effects
from analysis.evidence.felt import FEELINGS, FeltReport, felt_against_measured
from analysis.evidence.head_speed import HeadSpeedLine, calibrate_head_speed
from analysis.evidence.plan import (
    CoachWord,
    NextDrill,
    PlanRules,
    Standing,
    Volume,
    volume,
)
from analysis.evidence.plan_standing import standing
from analysis.evidence.reading import Reading, Reference, make_reference, read
from analysis.evidence.spread import EvidenceParams, SwingRow, player_spread, sessions_of
from analysis.evidence.story import Example, Sentence, examples, story
from analysis.evidence.told import NotYet, Statement
from analysis.evidence.variance import Variances
from library.approved import approved_swings
from library.catalogue import Library
from library.errors import NoSuchError
from library.limits import capped
from library.plan_rules import rules_of, words_of
from library.players import PlanRecord, Player, ReferenceRecord, utc
from library.rows import GroupRow
from library.since_baseline import (
    TREND_MEASURES,
    Held,
    before_and_after,
    drilled_from,
    held_sentence,
    held_since,
    sessions_in,
)
from library.swing_rows import COLUMNS, VALUES, day_number, swing_row
from words.plain import day_words

# Kinds of swing whose results are told apart: a strike differs from a rehearsal in many ways.
_ASSOCIATED: Final = ("peak_rate_dps", "club_speed_m_s", "carry_m", "ball_speed_m_s")
MOST_PASTS: Final = 8
"""Earlier states that are kept at hand: each has its own list of swings."""

LEAST_ASSOCIATED: Final = 12
"""Swings with a result before it is asked what goes with it: with fewer, nothing is ever told."""


def settings_of(library: Library, player_id: str) -> list[GroupRow]:
    """Return the clubs and mounts of a player's full swings that count, most swings first."""
    limit = library.simulated_limit(player_id)
    return [group for group in library.groups(player_id, simulated=limit) if not group.part]


class Evidence:
    """What can be told of one player with one club and mount.

    Parameters
    ----------
    library : Library
    player : Player
    club, mount : str or None
    until_s : float, optional
        Only sessions that began up to then (seconds since 1970, UTC).
    params : EvidenceParams, optional
        By default with what the library takes for how far days lie apart.
    """

    def __init__(
        self,
        library: Library,
        player: Player,
        *,
        club: str | None,
        mount: str | None,
        until_s: float | None = None,
        params: EvidenceParams | None = None,
    ) -> None:
        self.params = params or EvidenceParams(prior=library.prior)
        self.library = library
        self.player = player
        self.club = club
        self.mount = mount
        self.until_s = until_s
        self.days: dict[str, int] = {}
        self.hands: dict[str, set[str]] = {}
        self.last_day: int | None = None
        self.before: str | None = None
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
            columns=COLUMNS,
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
            out.append(swing_row(row, self.player.id, order[session]))
        return out

    @cached_property
    def sessions(self) -> list[str]:
        """Ids of the sessions with such swings, oldest first."""
        return sessions_in(self.rows)

    def rows_of(self, session_id: str) -> list[SwingRow]:
        """Return the swings of one session."""
        return [row for row in self.rows if row.session_id == session_id]

    # -- the reference ---------------------------------------------------------------------

    @property
    def kept_reference(self) -> ReferenceRecord | None:
        """What coach and player decided about the reference: today's, or what was in force then.

        An earlier session is judged by what was approved before the next one began: so its words
        stay those that were told when it was the latest.
        """
        if self.before is None:
            return self.player.reference(self.club, self.mount)
        return self.player.reference_before(self.club, self.mount, self.before)

    @cached_property
    def reference(self) -> Reference | NotYet:
        """The player's full, unhurried swing: approved, or provisional from free rehearsals."""
        stored = self.kept_reference
        approved: list[str] = []
        lower: dict[str, float] = {}
        upper: dict[str, float] = {}
        if stored is not None:
            approved = approved_swings(self.library, stored.swings)
            lower = {name: low for name, (low, _) in stored.bounds.items()}
            upper = {name: high for name, (_, high) in stored.bounds.items()}
        by: dict[str, Any] = {"spreads": self.spreads, "params": self.params}
        found = make_reference(self.rows, approved or None, lower=lower, upper=upper, **by)
        if isinstance(found, Reference) and stored is not None and stored.provisional:
            return dataclasses.replace(found, provisional=True)
        return found

    @cached_property
    def spreads(self) -> dict[str, Variances | NotYet]:
        """How much this player's swings differ of themselves, by measure.

        From swings without cue or feedback. Sessions of three sorts are taken to differ only by
        chance: rehearsals, strikes before the first drill, and strikes since. What the ball or the
        drills changed is no spread, and which session is of which sort is fixed beforehand.
        """
        free = [row for row in self.rows if not row.cued]
        started = drilled_from(self.rows)
        place = {session: k for k, session in enumerate(self.sessions)}
        sorts: list[list[SwingRow]] = [[], [], []]
        for row in free:
            if row.kind == "rehearsal":
                sorts[0].append(row)
            elif row.kind == "strike":
                drilled = started is not None and place[row.session_id] >= started
                sorts[2 if drilled else 1].append(row)
        return {
            measure: player_spread(
                [sessions_of(rows, measure) for rows in sorts],
                measure,
                self.params,
                mount=self.mount,
            )
            for measure in (*VALUES, "club_speed_m_s")
        }

    def day_spread_words(self) -> str | None:
        """Say what is taken for how far this player's days lie apart; None without any swings.

        What is said from day to day rests on it.
        """
        spreads = []
        sessions = 0
        for measure in TREND_MEASURES:
            spread = self.spreads[measure]
            if isinstance(spread, NotYet):
                continue
            sessions = max(sessions, spread.sessions)
            now = spread.session**0.5
            assumed = spread.day_spread
            spreads.append(Statement.of("day_spread", measure=measure, now=now, assumed=assumed))
        if not spreads:
            return None
        prior = self.params.prior
        changed = any(prior.source(measure) == "set" for measure in TREND_MEASURES)
        about = {"sessions": sessions, "players": prior.players, "changed": changed}
        return Statement.of("day_spreads", spreads=tuple(spreads), **about).text

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
                f"change the hand or leave these out, on their screens of the page: {named}."
            )
        unclear = sum(row.kind == "unclear" for row in rows)
        if unclear:
            whole = "1 swing is" if unclear == 1 else f"{unclear} of {len(rows)} swings are"
            out.append(
                f"{whole} of unclear kind, and count neither as practice swings nor as shots. What "
                "they were can be said on the page, in the session's list ('They are'), and "
                "beforehand while recording, by marking 'rehearsal' or 'ball'."
            )
        return out

    def read(self, rows: Sequence[SwingRow]) -> Reading:
        """Read swings of one session against the reference, in three words."""
        return read(rows, self.reference_for(rows), spreads=self.spreads, params=self.params)

    def reference_for(self, rows: Sequence[SwingRow]) -> Reference | NotYet:
        """Return the reference that swings are read against.

        A provisional one is made of free rehearsals: a set is read against those of other
        sessions, or a change would be judged by itself. Strikes of a session without any other
        are read against its own rehearsals, and so for today.
        """
        known = self.reference
        if not isinstance(known, Reference) or not known.provisional or len(rows) < 2:
            return known
        here = rows[0].session_id
        if here not in {one.partition("#")[0] for one in known.swing_ids}:
            return known
        stored = self.kept_reference
        if stored is not None and stored.swings:
            return known
        bounds = {} if stored is None else stored.bounds
        others = make_reference(
            self.rows,
            lower={name: low for name, (low, _) in bounds.items()},
            upper={name: high for name, (_, high) in bounds.items()},
            spreads=self.spreads,
            left_out=here,
            params=self.params,
        )
        judges_itself = bool({row.swing_id for row in rows} & set(known.swing_ids))
        return known if isinstance(others, NotYet) and not judges_itself else others

    # -- the questions ---------------------------------------------------------------------

    def ball(self, session_id: str | None = None) -> dict[str, BallEffect | NotYet]:
        """Set strikes beside rehearsals, in one session or all."""
        rows = self.rows if session_id is None else self.rows_of(session_id)
        free = [row for row in rows if row.block != "rehearsal"]
        return ball_effects(free, params=self.params)

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
        """Return the sessions of the baseline, and those that followed it."""
        return before_and_after(self.rows, kind)

    def held(self, kind: str = "strike") -> list[Held]:
        """Compare the latest sessions with those before the drills, measure by measure."""
        return held_since(self.rows, kind, mount=self.mount, params=self.params)

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
        words = words_of(self.player, self.club, self.mount)
        return [word for word in words if self.last_day is None or word.day <= self.last_day]

    @property
    def rules(self) -> PlanRules:
        """The plan's rules, with what the coach changed, and no more swings than are allowed."""
        rules, most = rules_of(self.plan_record), self.player.limits.swings_day
        if most is None or most >= rules.most_swings_day:
            return rules
        return dataclasses.replace(rules, most_swings_day=most)

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
            params=self.params,
            day_words=day_words,
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
        reasons = found.reasons
        if total.rest and not found.volume.rest:
            reasons = (*reasons, Statement.of("rest_first", cautions=total.over))
        if drill is not None:
            drill = self._set_up(drill)
        return dataclasses.replace(found, volume=total, drill=drill, reasons=reasons)

    def stood(self, day: int) -> Standing:
        """Say where the player stood when a day had ended, with nothing to do now.

        The drill that came next then, and how much had been swung, are nothing to go by today.
        """
        quiet = Volume(today=0, week=0, strikes_week=0, usual_week=None, over=(), rest=False)
        found = standing(
            self.rows,
            self.days,
            self.reference,
            self.words,
            today=day,
            swung=quiet,
            rules=self.rules,
            params=self.params,
            day_words=day_words,
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

    def _set_up(self, drill: NextDrill) -> NextDrill:
        """Add who swings, with what, and the turn that the tone goes by."""
        known = self.reference
        turn = known.values.get("turn_deg") if isinstance(known, Reference) else None
        full, upper = (None, None) if turn is None else (turn.middle, turn.upper)
        full, upper = capped(full, upper, self.player.limits)
        target = drill.turn_target_deg
        if target is not None and full is not None and drill.share is not None:
            target = min(target, drill.share * full)
        return dataclasses.replace(
            drill,
            player=self.typed_name,
            club=self.club,
            mount=self.mount,
            hand=self.player.handedness,
            turn_target_deg=target,
            full_turn_deg=full,
            upper_turn_deg=upper,
        )

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
        past = Evidence(
            self.library, self.player, club=self.club, mount=self.mount, params=self.params
        )
        past.rows = [row for row in self.rows if row.session_id in seen]
        past.days = {name: day for name, day in self.days.items() if name in seen}
        past.hands = {name: hands for name, hands in self.hands.items() if name in seen}
        later = self.sessions[self.sessions.index(session_id) + 1]
        past.before = utc(self.library.session(later).start)
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
        return story(
            then.rows_of(session_id),
            then.reference,
            params=self.params,
            spreads=then.spreads,
            reference_for=then.reference_for,
            now=self.standing_at(session_id, today),
            past_day=None if current else day_words(then.days[session_id]),
            felt=then.felt()["rushed"],
            changed=then.held_sentence(session_id),
            together=[found for *_, found in then.together()],
        )

    def held_sentence(self, session_id: str | None = None) -> Sentence | None:
        """Say what changed since the first sessions; None where nothing can be told yet.

        Parameters
        ----------
        session_id : str, optional
            None also where this session isn't among the latest ones.
        """
        if session_id is not None and session_id not in self.before_and_after()[1]:
            return None
        return held_sentence(self.held(), self.rows, self.days)

    def examples(self, session_id: str) -> list[Example]:
        """Choose the swings nearest the medians of a session, by kind; cued ones are left out."""
        rows = [row for row in self.rows_of(session_id) if not row.cued]
        return examples(rows or self.rows_of(session_id), self.reference)


def felt_words(report: FeltReport) -> str:
    """Say in a sentence what was felt against what was measured, and how the others were."""
    return report.statement.text


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
        There is no such player, or no full swing with this club and place.
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
