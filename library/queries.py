"""What the library is asked: sessions, swings, and what many have in common."""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal, Unpack

from analysis.swing.results import Note, Swing
from analysis.swing.uncertainty import Part
from library.derive import SUMMARISED
from library.errors import ChoiceError, NoSuchError, damaged, json_cell
from library.players import Player, Registry
from library.rows import (
    GroupRow,
    PlayerRow,
    SessionRow,
    Summary,
    SwingDetail,
    SwingFilters,
    SwingTable,
    VolumeRow,
)
from library.sources import is_recording
from library.store import COLUMNS, Store
from library.tables import NUMBERS
from sensor.errors import SensorError
from sensor.recording.session import read_session
from sensor.recording.vocabulary import RESULT_FIELDS
from words.plain import count

SIMULATED_WORDS: Final = "simulated: not a person's swings"

STANDARD_COLUMNS: Final = (
    "session",
    "start_s",
    "week",
    "seq",
    "number",
    "at_s",
    "club",
    "mount",
    "part",
    "kind",
    "impact_basis",
    "block",
    "backswing_ms",
    "backswing_ms_u",
    "downswing_ms",
    "downswing_ms_u",
    "swing_ms",
    "swing_ms_u",
    "turn_deg",
    "turn_deg_u",
    "peak_rate_dps",
    "peak_rate_dps_u",
    "felt_time",
    "felt_turn",
    "felt_strike",
)
"""What a table of swings has unless other columns are asked for."""


class Queries:
    """Questions to the library of one home; nothing is written.

    Parameters
    ----------
    store : Store
    people : Registry
    """

    def __init__(self, store: Store, people: Registry) -> None:
        self.people = people
        self.store = store

    # -- players ---------------------------------------------------------------------------

    def player(self, text: str) -> Player:
        """Return a player's file by id, beginning of an id, or unique name.

        Raises
        ------
        NoSuchError, ChoiceError
        """
        return self.people.find(text)

    def last_approver(self) -> str | None:
        """Return who approved swings last, whoever's they are; None where nobody did."""
        return self.store.last_approver()

    def players(self) -> list[PlayerRow]:
        """Return every player, by name."""
        return [
            PlayerRow(
                id=row["id"],
                name=row["name"],
                handedness=row["handedness"],
                note=row["note"],
                child=bool(row["child"]),
                consent=row["consent"],
                sessions=row["sessions"],
                swings=row["swings"],
                last_start_s=row["last_s"],
            )
            for row in self.store.players()
        ]

    def clubs(self, player_id: str) -> list[str]:
        """Return the clubs that a player swung, the one with most swings first."""
        return list(dict.fromkeys(g.club for g in self.groups(player_id) if g.club))

    # -- sessions --------------------------------------------------------------------------

    def sessions(
        self,
        *,
        player: str | None = None,
        club: str | None = None,
        mount: str | None = None,
        since_s: float | None = None,
        until_s: float | None = None,
        newest_first: bool = True,
        limit: int | None = None,
        offset: int = 0,
    ) -> list[SessionRow]:
        """Return sessions, newest first; of a player (id), a club, a mount, a time (UTC, s)."""
        where = {"player": player, "club": club, "mount": mount, "since_s": since_s}
        where = {k: v for k, v in {**where, "until_s": until_s}.items() if v is not None}
        rows = self.store.sessions(where, newest_first=newest_first, limit=limit, offset=offset)
        with self.store.reading_rows():
            return [_session_row(row) for row in rows]

    def session(self, text: str) -> SessionRow:
        """Return a session by id or the beginning of one (six characters or more).

        Raises
        ------
        NoSuchError, ChoiceError
        """
        wanted = text.strip().lower()
        ids = self.store.session_ids(wanted) if len(wanted) >= 6 else []
        if len(ids) > 1:
            raise ChoiceError(f"'{text}' could be several sessions", ids)
        if not ids:
            raise NoSuchError(
                f"there is no session '{text}' in the library: 'unhurried library list' shows them"
            )
        return self._one(self.store.sessions({"session": ids[0]})[0])

    def session_at(self, path: Path) -> SessionRow | None:
        """Return the session of a recording's folder, None if the library doesn't know it."""
        try:
            found = read_session(Path(path)).id
        except SensorError:
            return None
        rows = self.store.sessions({"session": found})
        return self._one(rows[0]) if rows else None

    def _one(self, row: Mapping[str, Any]) -> SessionRow:
        with self.store.reading_rows():
            return _session_row(row)

    def path_of(self, session_id: str) -> Path:
        """Return the folder of a session's recording.

        Raises
        ------
        NoSuchError
            It isn't where it was.
        """
        row = self.session(session_id)
        if not is_recording(row.path, row.id):
            raise NoSuchError(
                f"{row.path}: the recording isn't there any more: if it was moved, "
                "'unhurried library add' with its new place finds it again"
            )
        return row.path

    def segments(self, session_id: str) -> list[dict[str, Any]]:
        """Return who swung what, with corrections: seq, start_s, player_id, player, club ..."""
        rows = self.store.segments(session_id)
        for row in rows:
            row["ball"] = None if row["ball"] is None else bool(row["ball"])
            row["corrected"] = bool(row["corrected"])
        return rows

    def session_notes(self, session_id: str) -> list[dict[str, Any]]:
        """Return the notes: seq (None: on the session), text, origin (recorded, later)."""
        return self.store.notes(session_id)

    def tags(self) -> dict[str, int]:
        """Return every tag and how many swings have it."""
        return {row["tag"]: row["n"] for row in self.store.tags()}

    def swing_tags(self, session_id: str) -> dict[int, list[str]]:
        """Return the tags of a session's swings by `seq`; swings without any aren't in it."""
        out: dict[int, list[str]] = {}
        for row in self.store.tags(session_id):
            out.setdefault(row["seq"], []).append(row["tag"])
        return out

    # -- swings ----------------------------------------------------------------------------

    def swings(
        self,
        *,
        tag: str | None = None,
        with_result: bool = False,
        with_felt: bool = False,
        excluded: bool = False,
        columns: Sequence[str] = STANDARD_COLUMNS,
        limit: int | None = None,
        newest_first: bool = False,
        **where: Unpack[SwingFilters],
    ) -> SwingTable:
        """Return swings as columns, in the order of time.

        Parameters
        ----------
        tag : str, optional
        with_result : bool
            Only swings with a ball result.
        with_felt : bool
            Only swings of which the player said how they felt.
        excluded : bool
            Also those that people excluded.
        columns : sequence of str
            From `library.store.COLUMNS`: ``session seq number at_s player club mount part kind
            excluded felt_time ...``, every number of a swing and its ``_u``, every ball result.
        limit : int, optional
        newest_first : bool
        **where
            Which swings, see `SwingFilters`.

        Returns
        -------
        SwingTable
        """
        unknown = [name for name in columns if name not in COLUMNS]
        if unknown:
            raise ValueError(f"there is no column '{unknown[0]}'")
        if strange := where.keys() - SwingFilters.__annotations__.keys():
            raise TypeError(f"swings are not asked for by '{min(strange)}'")
        return SwingTable(
            self.store.swings(
                columns,
                where,
                excluded=excluded,
                tag=tag,
                with_result=with_result,
                with_felt=with_felt,
                limit=limit,
                newest_first=newest_first,
            )
        )

    def felt(self, **filters: Any) -> SwingTable:
        """Return the swings of which the player said how they felt, with what was measured.

        Parameters
        ----------
        **filters
            As `swings`.
        """
        return self.swings(with_felt=True, **filters)

    def results(self, **filters: Any) -> SwingTable:
        """Return the swings that have ball results, with these and what was measured."""
        columns = (*STANDARD_COLUMNS, *RESULT_FIELDS, "other", "result_source")
        return self.swings(with_result=True, columns=columns, **filters)

    def swing(
        self, session_id: str, *, number: int | None = None, seq: int | None = None
    ) -> SwingDetail:
        """Return one swing by its number in the session (from 1) or by its key.

        Raises
        ------
        NoSuchError
        """
        row = self.store.swing(session_id, seq=seq, number=number)
        if not row:
            what = f"at {seq}" if seq is not None else f"#{number}"
            raise NoSuchError(f"there is no swing {what} in session {session_id[:8]}")
        document = self.store.measured(session_id, row["seq"])
        if document is None:
            raise damaged(self.store.path, "a row of it is missing")
        with self.store.reading_rows():
            return self._detail(session_id, row, document)

    def _detail(
        self, session_id: str, row: Mapping[str, Any], document: Mapping[str, Any]
    ) -> SwingDetail:
        values = document["values"]
        now = {
            **values,
            **{name: row[name] for name in NUMBERS},
            "player": row["player_name"],
            "club": row["club"],
            "handedness": row["handedness"],
            "notes": json_cell(row["notes"], list),
        }
        corrected = tuple(json_cell(row["corrected"], list))
        if corrected and "budget" in now:
            now["budget"] = {
                name: parts
                for name, parts in values["budget"].items()
                if values.get(name) == row.get(name)
            }
        result = {name: row[name] for name in RESULT_FIELDS if row[name] is not None}
        if row["other"] is not None:
            other = json_cell(row["other"], dict)
            result.update({"other": other} if other else {})
            result.update({"source": row["result_source"]} if row["result_source"] else {})
        felt = {q: row[f"felt_{q}"] for q in ("time", "turn", "strike")}
        tags = self.store.tags(session_id)
        notes = self.store.notes(session_id)
        return SwingDetail(
            session=row["session"],
            path=self.session(session_id).path,
            seq=row["seq"],
            swing=swing_from_values(now),
            measured=swing_from_values(values),
            player=row["player"],
            kind=row["kind"],
            part=bool(row["part"]),
            corrected=corrected,
            excluded=row["excluded"],
            felt={question: said for question, said in felt.items() if said is not None},
            result=result or None,
            tags=tuple(item["tag"] for item in tags if item["seq"] == row["seq"]),
            notes=tuple(item["text"] for item in notes if item["seq"] == row["seq"]),
        )

    # -- what many have in common ----------------------------------------------------------

    def simulated_limit(self, player_id: str) -> int | None:
        """Return up to which mark of simulation a player's sessions count; None: all do.

        What was simulated is no player's swing. It is read only of a player who has nothing else,
        as the demo's players and whoever tries the page out.
        """
        return self.store.simulated_limit(player_id)

    def set_aside(self, session: SessionRow, player_id: str) -> str | None:
        """Say why a session tells nothing of a player, because it is simulated; None: it does."""
        limit = self.simulated_limit(player_id) if session.simulated else None
        if limit is None or session.simulated <= limit:
            return None
        return f"{SIMULATED_WORDS}, so it is left out of what is told of the player"

    def groups(
        self, player_id: str | None = None, *, simulated: int | None = None
    ) -> list[GroupRow]:
        """Return what was swung with which club and mount, most swings first a player."""
        return [
            GroupRow(**{**row, "part": bool(row["part"])})
            for row in self.store.groups(player_id, simulated)
        ]

    def summaries(
        self,
        *,
        measures: Sequence[str] = ("swing_ms", "backswing_ms", "turn_deg", "peak_rate_dps"),
        **where: Unpack[SwingFilters],
    ) -> list[Summary]:
        """Return middle and spread of measures by session, in the order of time: a trend.

        They are kept ready, so this is quick however many swings there are.
        """
        unknown = [name for name in measures if name not in SUMMARISED]
        if unknown:
            raise ValueError(f"there is no summary of '{unknown[0]}'")
        return [
            Summary(**{**row, "part": bool(row["part"])})
            for row in self.store.summaries(where, measures)
        ]

    def session_counts(
        self, player_id: str, *, since_s: float | None = None
    ) -> list[dict[str, Any]]:
        """Return how many swings of a player are in which session, in the order of time.

        One row for each session, club, mount and kind: session, start, start_s, day, week, club,
        mount, part, kind, n, simulated. Excluded swings aren't counted. Kept ready, as `summaries`.
        """
        where = {"player": player_id, "since_s": since_s}
        return self.store.summaries(where, ("swings",))

    def volume(self, player_id: str, *, by: Literal["week", "day"] = "week") -> list[VolumeRow]:
        """Return how many swings a player made a week or a day; periods without are left out."""
        return [VolumeRow(**row) for row in self.store.volume(player_id, by=by)]

    def mixed_hands(self, player_id: str | None = None) -> list[str]:
        """Say where right- and left-handed swings of one player, club and mount lie together.

        One sentence each. What is told of such a setting takes them together.
        """
        return [
            f"{row['name']}, {row['club'] or 'club not said'}, "
            f"{row['mount'] or 'mount not said'}: {count(row['right_n'], 'right-handed swing')} "
            f"and {count(row['left_n'], 'left-handed swing')} are taken together, so what is "
            "told of them holds for neither side: 'unhurried library add SESSION --as "
            "NAME=PLAYER' with a new player's name takes the sessions of one side apart"
            for row in self.store.mixed_hands(player_id)
        ]

    def totals(self) -> dict[str, float]:
        """Return how many players, sessions, swings, missing recordings, and seconds in all."""
        return dict(self.store.totals())

    def player_versions(self) -> dict[str, Hashable]:
        """Return by player what stays the same as long as nothing is written about that player.

        The player's file but for what was told, and the player's sessions with what was measured
        and said in them.
        """
        marks: dict[str, list[tuple[Any, ...]]] = {}
        for row in self.store.marks():
            marks.setdefault(row["player"], []).append(tuple(row.values()))
        out: dict[str, Hashable] = {}
        for player, mine in marks.items():
            out[player] = (self.people.stamp(player), hash(tuple(mine)))
        return out

    def is_swinging(self, player_id: str) -> bool:
        """Tell whether any swing or any stretch of a session is a player's."""
        return self.store.is_swinging(player_id)

    def content(self) -> dict[str, list[list[Any]]]:
        """Return all that is kept, in a fixed order: two libraries can be compared."""
        return self.store.content()


def swing_from_values(values: Mapping[str, Any]) -> Swing:
    """Make a `Swing` of the values that ``analyze --json`` has."""
    names = {item.name for item in dataclasses.fields(Swing)}
    known = {name: value for name, value in values.items() if name in names}
    known["clipped"] = tuple(known["clipped"])
    known["notes"] = tuple(Note(note["code"], note["text"]) for note in known["notes"])
    if "budget" in known:
        known["budget"] = {
            name: tuple(Part(*one) for one in parts) for name, parts in known["budget"].items()
        }
    known["bounds"] = tuple(known.get("bounds") or ())
    if known.get("zero_dps") is not None:
        known["zero_dps"] = tuple(known["zero_dps"])
    known["scale_growth"] = {
        name: tuple(axes) for name, axes in (known.get("scale_growth") or {}).items()
    }
    return Swing(**known)


def _session_row(row: Mapping[str, Any]) -> SessionRow:
    def words(text: str) -> tuple[str, ...]:
        return tuple(sorted(filter(None, json_cell(text, list))))

    # What a damaged cell holds is no time.
    datetime.fromisoformat(row["start"])
    return SessionRow(
        **{
            **row,
            "path": Path(row["path"]),
            "missing": bool(row["missing"]),
            "sensor": json_cell(row["sensor"], dict),
            "warnings": tuple(json_cell(row["warnings"], list)),
            "lost_words": tuple(json_cell(row["lost_words"], list)),
            "players": words(row["players"]),
            "clubs": words(row["clubs"]),
        }
    )
