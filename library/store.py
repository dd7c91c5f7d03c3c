"""The library's database: every question and change in SQL of the program, in this one module.

Tables are STRICT, and made in `library.tables`; the file itself is `library.database`'s. Everything
here can be made anew from the recordings, their annotations and the players' files, so nothing in
it is the only copy.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from library.database import Database, Row
from library.errors import json_cell
from library.tables import APPENDED, JSON_COLUMNS, NUMBERS
from sensor.recording.vocabulary import RESULT_FIELDS

Array = npt.NDArray[Any]

_SESSION_COLUMNS: Final = (
    "id",
    "path",
    "missing",
    "start",
    "start_s",
    "day",
    "week",
    "mount",
    "sensor",
    "sensor_key",
    "rate_hz",
    "period_s",
    "duration_s",
    "lost_samples",
    "short_strokes",
    "analysis_version",
    "program_version",
    "files",
    "calibration",
    "annotated",
    "warnings",
    "recorded",
    "note",
    "excluded",
    "drill",
    "lost_words",
    "simulated",
)
_SESSION_TABLES: Final = (
    "segments",
    "swings",
    "measured",
    "results",
    "tags",
    "notes",
    "summaries",
)

# What a table of swings may be asked for, beside the numbers: name and SQL.
COLUMNS: Final[Mapping[str, str]] = {
    "session": "e.id",
    "start_s": "e.start_s",
    "day": "e.day",
    "week": "e.week",
    "sensor_key": "e.sensor_key",
    "calibration": "e.calibration",
    "seq": "s.seq",
    "number": "s.number",
    "at_s": "s.at_s",
    "player": "p.id",
    "player_name": "p.name",
    "club": "t.club",
    "mount": "t.mount",
    "part": "t.part",
    "kind": "s.kind",
    "strike": "s.strike",
    "impact_basis": "s.impact_basis",
    "handedness": "s.handedness",
    "ball": "s.ball",
    "block": "s.block",
    "own_u": "s.own_u",
    "clipped": "s.clipped",
    "notes": "s.notes",
    "corrected": "s.corrected",
    "excluded": "s.excluded",
    "felt_time": "s.felt_time",
    "felt_turn": "s.felt_turn",
    "felt_strike": "s.felt_strike",
    **{name: f"s.{name}" for name in (*NUMBERS, *APPENDED)},
    **{name: f"r.{name}" for name in RESULT_FIELDS},
    "other": "r.other",
    "result_source": "r.source",
}
_WHOLE: Final = {"seq", "number", "part"}


class Store(Database):
    """What is written to a home's database and read from it, by subject; see `Database`."""

    # -- players ---------------------------------------------------------------------------

    def put_player(self, document: Mapping[str, Any]) -> int:
        """Write a player's row and what its file decides; inside `writing`."""
        self._run(
            """INSERT INTO players (id, name, handedness, note, child, consent, document)
            VALUES (:id, :name, :handedness, :note, :child, :consent, :text)
            ON CONFLICT (id) DO UPDATE SET name = excluded.name,
            handedness = excluded.handedness, note = excluded.note, child = excluded.child,
            consent = excluded.consent, document = excluded.document""",
            {
                **{k: document[k] for k in ("id", "name", "handedness", "note", "consent")},
                "child": int(document["child"]),
                "text": _json(document),
            },
        )
        key = int(
            self._run("SELECT key FROM players WHERE id = ?", (document["id"],)).fetchone()[0]
        )
        for table, name in (("refs", "references"), ("plans", "plans")):
            self._run(f"DELETE FROM {table} WHERE player_key = ?", (key,))
            for item in document[name]:
                self._run(
                    f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?)",
                    (key, item["club"], item["mount"], item["at"], _json(item)),
                )
        return key

    def player_keys(self) -> dict[str, int]:
        """Return the row of every player by id."""
        return {row["id"]: row["key"] for row in self._rows("SELECT id, key FROM players")}

    def last_approver(self) -> str | None:
        """Return the name under the newest approval; None where there is none."""
        by = "json_extract(document, '$.approved_by')"
        row = self._row(f"SELECT {by} AS n FROM refs WHERE {by} IS NOT NULL ORDER BY at DESC", {})
        return None if row is None else str(row["n"])

    def players(self) -> list[Row]:
        """Return every player with how much there is of them, by name."""
        return self._rows(
            """SELECT p.id, p.name, p.handedness, p.note, p.child, p.consent,
            count(DISTINCT u.session_key) AS sessions, coalesce(sum(u.n), 0) AS swings,
            max(e.start_s) AS last_s
            FROM players p LEFT JOIN sets t ON t.player_key = p.key
            LEFT JOIN summaries u ON u.set_key = t.key AND u.measure = 'swings'
            LEFT JOIN sessions e ON e.key = u.session_key
            GROUP BY p.key ORDER BY p.name, p.id"""
        )

    def is_swinging(self, player_id: str) -> bool:
        """Tell whether any swing, counted or not, or any stretch of a session is a player's."""
        row = self._row(
            """SELECT EXISTS (SELECT 1 FROM swings s JOIN sets t ON t.key = s.set_key
            JOIN players p ON p.key = t.player_key WHERE p.id = :id)
            OR EXISTS (SELECT 1 FROM segments g JOIN players p ON p.key = g.player_key
            WHERE p.id = :id) AS there""",
            {"id": player_id},
        )
        assert row is not None
        return bool(row["there"])

    def remove_player(self, player_id: str) -> None:
        """Remove a player and all rows of theirs; inside `writing`."""
        keys = self.player_keys()
        if player_id not in keys:
            return
        key = keys[player_id]
        mine = "(SELECT key FROM sets WHERE player_key = :key)"
        values = {"key": key}
        for table in ("measured", "results", "tags", "notes"):
            self._run(
                f"""DELETE FROM {table} WHERE (session_key, seq) IN
                (SELECT session_key, seq FROM swings WHERE set_key IN {mine})""",
                values,
            )
        for table in ("swings", "summaries"):
            self._run(f"DELETE FROM {table} WHERE set_key IN {mine}", values)
        self._run("DELETE FROM segments WHERE player_key = :key", values)
        self._run("DELETE FROM sets WHERE player_key = :key", values)
        self._run("DELETE FROM players WHERE key = :key", values)

    @contextlib.contextmanager
    def wiping(self) -> Iterator[None]:
        """What is deleted inside is overwritten in the files too, not only marked as free."""
        with self._errors():
            self._run("PRAGMA secure_delete = ON")
        try:
            yield
        finally:
            with self._errors():
                self._run("PRAGMA secure_delete = OFF")
                # Copies of the old pages are in the log of writes until it is emptied.
                self._run("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    # -- sessions --------------------------------------------------------------------------

    def set_key(
        self, player_key: int | None, club: str | None, mount: str | None, part: bool
    ) -> int:
        """Return the row of what a player does with a club and a mount; inside `writing`."""
        words = (player_key, club, mount, int(part))
        self._run(
            "INSERT OR IGNORE INTO sets (player_key, club, mount, part) VALUES (?, ?, ?, ?)", words
        )
        found = self._run(
            """SELECT key FROM sets WHERE coalesce(player_key, 0) = coalesce(?, 0)
            AND coalesce(club, '') = coalesce(?, '') AND coalesce(mount, '') = coalesce(?, '')
            AND part = ?""",
            words,
        ).fetchone()
        return int(found[0])

    def put_session(self, session: Mapping[str, Any], tables: Mapping[str, Iterable[Row]]) -> None:
        """Replace everything of one session; inside `writing`.

        Parameters
        ----------
        session : mapping
            By the names of the columns.
        tables : mapping of str to rows
            segments, swings, measured, results, tags, notes, summaries, without `session_key`.
        """
        names = ", ".join(_SESSION_COLUMNS)
        self._run(
            f"""INSERT INTO sessions ({names}) VALUES ({_marks(_SESSION_COLUMNS)})
            ON CONFLICT (id) DO UPDATE SET
            {", ".join(f"{n} = excluded.{n}" for n in _SESSION_COLUMNS if n != "id")}""",
            session,
        )
        key = int(
            self._run("SELECT key FROM sessions WHERE id = ?", (session["id"],)).fetchone()[0]
        )
        for table in _SESSION_TABLES:
            self._run(f"DELETE FROM {table} WHERE session_key = ?", (key,))
            rows = [{"session_key": key, **row} for row in tables.get(table, ())]
            if rows:
                columns = tuple(rows[0])
                self._connection().executemany(
                    f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({_marks(columns)})", rows
                )

    def drop_unused_sets(self) -> None:
        """Remove sets that no swing belongs to any more; inside `writing`."""
        # By the index: a list of the sets in use would be read from all swings, each time.
        self._run(
            "DELETE FROM sets WHERE NOT EXISTS (SELECT 1 FROM swings WHERE set_key = sets.key)"
        )

    def remove_session(self, session_id: str) -> None:
        """Remove a session and all of its rows; inside `writing`."""
        self._run("DELETE FROM sessions WHERE id = ?", (session_id,))

    def set_path(self, session_id: str, path: str, *, missing: bool) -> None:
        """Say where a recording is now, or that it isn't there; inside `writing`."""
        self._run(
            "UPDATE sessions SET path = ?, missing = ? WHERE id = ?",
            (path, int(missing), session_id),
        )

    def known_sessions(self) -> dict[str, Row]:
        """Return by id what tells whether a session is up to date."""
        rows = self._rows(
            """SELECT id, path, missing, analysis_version, files, calibration, annotated
            FROM sessions"""
        )
        return {row["id"]: row for row in rows}

    def stored(self, session_id: str) -> tuple[Row, list[Row]] | None:
        """Return a session's row and its swings as they were measured."""
        session = self._row("SELECT * FROM sessions WHERE id = ?", (session_id,))
        if session is None:
            return None
        rows = self._rows(
            "SELECT document FROM measured WHERE session_key = ? ORDER BY seq", (session["key"],)
        )
        return session, [json_cell(row["document"], dict) for row in rows]

    def session_ids(self, beginning: str) -> list[str]:
        """Return the ids that begin so."""
        pattern = beginning.replace("\\", r"\\").replace("%", r"\%").replace("_", r"\_") + "%"
        rows = self._rows(
            r"SELECT id FROM sessions WHERE id LIKE ? ESCAPE '\' ORDER BY id LIMIT 12", (pattern,)
        )
        return [row["id"] for row in rows]

    def sessions(
        self,
        where: Mapping[str, Any],
        *,
        newest_first: bool = True,
        limit: int | None = None,
        offset: int = 0,
    ) -> list[Row]:
        """Return sessions with how many swings of each kind are in them (of that player...)."""
        sql, values = _where(where)
        of_some = bool(set(where) - {"session", "since_s", "until_s"})
        outer = "JOIN" if of_some else "LEFT JOIN"
        direction = "DESC" if newest_first else "ASC"
        source = "sessions"
        if not where and limit is not None:
            # Nothing is filtered: only these few need to be counted.
            source = f"""(SELECT * FROM sessions ORDER BY start_s {direction}, id
                LIMIT :limit OFFSET :offset)"""
            values["skip"] = 0
        else:
            values["skip"] = offset
        return self._rows(
            f"""SELECT e.id, e.path, e.missing, e.start, e.start_s, e.day, e.week, e.mount,
            e.sensor, e.sensor_key, e.rate_hz, e.duration_s, e.lost_samples, e.short_strokes,
            e.analysis_version, e.warnings, e.note, e.excluded, e.drill, e.lost_words,
            e.simulated, coalesce(sum(u.n), 0) AS swings,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'strike'), 0) AS strikes,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'rehearsal'), 0) AS rehearsals,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'unclear'), 0) AS unclear,
            json_group_array(DISTINCT p.name) AS players, json_group_array(DISTINCT t.club) AS clubs
            FROM {source} e {outer} summaries u
            ON u.session_key = e.key AND u.measure = 'swings'
            LEFT JOIN sets t ON t.key = u.set_key LEFT JOIN players p ON p.key = t.player_key
            {sql} GROUP BY e.key ORDER BY e.start_s {direction}, e.id
            LIMIT :limit OFFSET :skip""",
            {**values, "limit": -1 if limit is None else limit, "offset": offset},
        )

    def segments(self, session_id: str) -> list[Row]:
        """Return who swung what in a session, in order."""
        return self._rows(
            """SELECT g.seq, g.start_s, p.id AS player_id, g.player, g.handedness, g.club, g.intent,
            g.ball, g.block, g.corrected FROM segments g JOIN sessions e ON e.key = g.session_key
            LEFT JOIN players p ON p.key = g.player_key WHERE e.id = ? ORDER BY g.seq""",
            (session_id,),
        )

    def notes(self, session_id: str) -> list[Row]:
        """Return the notes on a session (seq None) and on its swings."""
        return self._rows(
            """SELECT n.seq, n.text, n.origin FROM notes n JOIN sessions e ON e.key = n.session_key
            WHERE e.id = ? ORDER BY n.seq, n.key""",
            (session_id,),
        )

    def tags(self, session_id: str | None = None) -> list[Row]:
        """Return the tags of a session's swings, or how often each tag is used."""
        if session_id is None:
            return self._rows("SELECT tag, count(*) AS n FROM tags GROUP BY tag ORDER BY tag")
        return self._rows(
            """SELECT g.seq, g.tag FROM tags g JOIN sessions e ON e.key = g.session_key
            WHERE e.id = ? ORDER BY g.seq, g.tag""",
            (session_id,),
        )

    # -- swings ----------------------------------------------------------------------------

    def swings(
        self,
        columns: Sequence[str],
        where: Mapping[str, Any],
        *,
        excluded: bool = False,
        tag: str | None = None,
        with_result: bool = False,
        with_felt: bool = False,
        limit: int | None = None,
        newest_first: bool = False,
    ) -> dict[str, Array]:
        """Return columns of swings as arrays, in the order of time.

        Parameters
        ----------
        columns : sequence of str
            From `COLUMNS`.
        where : mapping
            session, player, club, mount, part, kind, since_s, until_s, simulated (at most).
        excluded : bool
            Also those that were excluded.
        tag : str, optional
        with_result : bool
            Only those that have a ball result.
        with_felt : bool
            Only those of which the player said how they felt.
        limit : int, optional
            At most so many: the newest ones with `newest_first`.
        newest_first : bool
        """
        clauses, values = _swing_clauses(where)
        if not excluded:
            clauses.append("s.excluded IS NULL")
        if with_felt:
            clauses.append("coalesce(s.felt_time, s.felt_turn, s.felt_strike) IS NOT NULL")
        if tag is not None:
            clauses.append(
                "(s.session_key, s.seq) IN (SELECT session_key, seq FROM tags WHERE tag = :tag)"
            )
            values["tag"] = tag
        sql = f"WHERE {' AND '.join(clauses)}" if clauses else ""
        wants = {COLUMNS[name][:2] for name in columns}
        result = ""
        if with_result or "r." in wants:
            result = f"""{"JOIN" if with_result else "LEFT JOIN"} results r
                ON r.session_key = s.session_key AND r.seq = s.seq"""
        order = "DESC" if newest_first else "ASC"
        names = ", ".join(f"{COLUMNS[name]} AS {name}" for name in columns)
        with self._errors():
            cursor = self._connection().cursor()
            cursor.row_factory = None
            rows = cursor.execute(
                f"""SELECT {names} FROM swings s CROSS JOIN sessions e ON e.key = s.session_key
                CROSS JOIN sets t ON t.key = s.set_key LEFT JOIN players p ON p.key = t.player_key
                {result} {sql} ORDER BY s.at_s {order}, s.session_key, s.seq LIMIT :limit""",
                {**values, "limit": -1 if limit is None else limit},
            ).fetchall()
        parts = list(zip(*rows, strict=True)) if rows else [()] * len(columns)
        return {name: _array(name, part) for name, part in zip(columns, parts, strict=True)}

    def measured(self, session_id: str, seq: int) -> Row | None:
        """Return a swing as it was measured, before any correction."""
        row = self._row(
            """SELECT m.document FROM measured m JOIN sessions e ON e.key = m.session_key
            WHERE e.id = ? AND m.seq = ?""",
            (session_id, seq),
        )
        return None if row is None else json_cell(row["document"], dict)

    def swing(self, session_id: str, *, seq: int | None = None, number: int | None = None) -> Row:
        """Return one swing's row by `seq` or number, empty if there is none."""
        by = "seq" if seq is not None else "number"
        names = ", ".join(f"{sql} AS {name}" for name, sql in COLUMNS.items())
        return (
            self._row(
                f"""SELECT {names} FROM swings s JOIN sessions e ON e.key = s.session_key
                JOIN sets t ON t.key = s.set_key LEFT JOIN players p ON p.key = t.player_key
                LEFT JOIN results r ON r.session_key = s.session_key AND r.seq = s.seq
                WHERE e.id = ? AND s.{by} = ?""",
                (session_id, seq if seq is not None else number),
            )
            or {}
        )

    # -- what many have in common ----------------------------------------------------------

    def simulated_limit(self, player_id: str) -> int | None:
        """Return 0 where a player has both a person's and simulated sessions; else None."""
        row = self._row(
            """SELECT min(e.simulated) AS least, max(e.simulated) AS most
            FROM sets t JOIN players p ON p.key = t.player_key
            JOIN summaries u ON u.set_key = t.key AND u.measure = 'all'
            JOIN sessions e ON e.key = u.session_key WHERE p.id = ?""",
            (player_id,),
        )
        return 0 if row is not None and row["least"] == 0 and row["most"] else None

    def groups(self, player_id: str | None = None, simulated: int | None = None) -> list[Row]:
        """Return each player, club, mount and length with its sessions and swings by kind."""
        return self._rows(
            """SELECT p.id AS player, p.name AS player_name, t.club, t.mount, t.part,
            count(DISTINCT u.session_key) AS sessions, sum(u.n) AS swings,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'strike'), 0) AS strikes,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'rehearsal'), 0) AS rehearsals,
            coalesce(sum(u.n) FILTER (WHERE u.kind = 'unclear'), 0) AS unclear,
            min(e.start_s) AS first_s, max(e.start_s) AS last_s
            FROM sets t LEFT JOIN players p ON p.key = t.player_key
            JOIN summaries u ON u.set_key = t.key AND u.measure = 'swings'
            JOIN sessions e ON e.key = u.session_key
            WHERE (:player IS NULL OR p.id = :player)
            AND (:simulated IS NULL OR e.simulated <= :simulated)
            GROUP BY t.key ORDER BY p.name, p.id, swings DESC, t.key""",
            {"player": player_id, "simulated": simulated},
        )

    def mixed_hands(self, player_id: str | None = None) -> list[Row]:
        """Return each player, club and mount whose counted swings are of both hands."""
        return self._rows(
            """SELECT p.id AS player, p.name AS name, t.club, t.mount,
            count(*) FILTER (WHERE s.handedness = 'right') AS right_n,
            count(*) FILTER (WHERE s.handedness = 'left') AS left_n
            FROM swings s JOIN sets t ON t.key = s.set_key JOIN players p ON p.key = t.player_key
            WHERE s.excluded IS NULL AND (:player IS NULL OR p.id = :player)
            GROUP BY p.key, t.club, t.mount HAVING right_n > 0 AND left_n > 0
            ORDER BY p.name, p.id, t.club, t.mount""",
            {"player": player_id},
        )

    def summaries(self, where: Mapping[str, Any], measures: Sequence[str]) -> list[Row]:
        """Return middle and spread by session, set, kind and measure, in the order of time."""
        sql, values = _where(where)
        marks = ", ".join(f":measure{k}" for k in range(len(measures)))
        values.update({f"measure{k}": name for k, name in enumerate(measures)})
        return self._rows(
            f"""SELECT e.id AS session, e.start, e.start_s, e.day, e.week, p.id AS player,
            p.name AS player_name, t.club, t.mount, t.part, u.kind, u.measure, u.n, u.median,
            u.spread, u.mean, u.sd, e.simulated
            FROM summaries u JOIN sessions e ON e.key = u.session_key
            JOIN sets t ON t.key = u.set_key LEFT JOIN players p ON p.key = t.player_key
            {sql} {"AND" if sql else "WHERE"} u.measure IN ({marks})
            ORDER BY e.start_s, e.id, t.key, u.kind, u.measure""",
            values,
        )

    def volume(self, player_id: str, *, by: str = "week") -> list[Row]:
        """Return swings by day or ISO week of the sessions' own clock, also excluded ones."""
        column = {"week": "e.week", "day": "e.day"}[by]
        return self._rows(
            f"""SELECT {column} AS period, sum(u.n) AS swings,
            count(DISTINCT e.key) AS sessions
            FROM summaries u JOIN sets t ON t.key = u.set_key
            JOIN players p ON p.key = t.player_key JOIN sessions e ON e.key = u.session_key
            WHERE p.id = ? AND u.measure = 'all' GROUP BY {column} ORDER BY {column}""",
            (player_id,),
        )

    def totals(self) -> Row:
        """Count what there is."""
        row = self._row(
            """SELECT (SELECT count(*) FROM players) AS players,
            (SELECT count(*) FROM sessions) AS sessions,
            (SELECT coalesce(sum(n), 0) FROM summaries WHERE measure = 'all') AS swings,
            (SELECT count(*) FROM sessions WHERE missing) AS missing,
            (SELECT coalesce(sum(duration_s), 0) FROM sessions) AS duration_s"""
        )
        assert row is not None
        return row

    def marks(self) -> list[Row]:
        """Return whose swings are in which session, and what tells whether anything changed."""
        return self._rows(
            """SELECT DISTINCT p.id AS player, e.id AS session, e.analysis_version, e.files,
            e.calibration, e.annotated
            FROM players p JOIN sets t ON t.player_key = p.key
            JOIN summaries u ON u.set_key = t.key AND u.measure = 'all'
            JOIN sessions e ON e.key = u.session_key ORDER BY p.key, e.key"""
        )

    def tune(self) -> None:
        """Let SQLite look at how much there is of what, so that it asks in the best order."""
        with self._errors():
            # Some hundred entries of each index are enough, and take no time (SQLite's advice).
            self._run("PRAGMA analysis_limit = 400")
            self._run("ANALYZE")

    def outdated(self, version: str) -> list[str]:
        """Return the ids of sessions that another version of the analysis measured."""
        sql = "SELECT id FROM sessions WHERE analysis_version <> ? ORDER BY id"
        return [row["id"] for row in self._rows(sql, (version,))]

    def sound(self) -> list[str]:
        """Return what SQLite finds wrong with the file; nothing if all is well."""
        rows = self._rows("PRAGMA integrity_check(20)")
        found = [line for row in rows if (line := str(next(iter(row.values())))) != "ok"]
        for table, columns in JSON_COLUMNS.items():
            wrong = " OR ".join(f"NOT json_valid({column})" for column in columns)
            found += [
                f"{row['n']} broken rows in {table}"
                for row in self._rows(f"SELECT count(*) AS n FROM {table} WHERE {wrong}")
                if row["n"]
            ]
        return [f"{line}: 'unhurried library rebuild' makes it anew" for line in found]

    def content(self) -> dict[str, list[list[Any]]]:
        """Return all that is kept, without the rows' own numbers, in a fixed order.

        Two libraries with the same content say the same.
        """
        joins = {
            "players": ("SELECT x.* FROM players x", {"key"}),
            "sessions": ("SELECT x.* FROM sessions x", {"key"}),
        }
        for table in _SESSION_TABLES:
            more = names = ""
            if table in ("swings", "summaries"):
                names = ", p.id AS player_id, t.club AS set_club, t.mount AS set_mount, t.part"
                more = """ JOIN sets t ON t.key = x.set_key
                    LEFT JOIN players p ON p.key = t.player_key"""
            elif table == "segments":
                names = ", p.id AS player_id"
                more = " LEFT JOIN players p ON p.key = x.player_key"
            joins[table] = (
                f"SELECT x.*, e.id AS session_id{names} FROM {table} x "
                f"JOIN sessions e ON e.key = x.session_key{more}",
                {"key", "session_key", "set_key", "player_key"},
            )
        more = "JOIN players p ON p.key = x.player_key"
        for table in ("refs", "plans"):
            joins[table] = (f"SELECT x.*, p.id AS player_id FROM {table} x {more}", {"player_key"})
        out = {}
        for table, (sql, left_out) in joins.items():
            rows = [
                [value for name, value in row.items() if name not in left_out]
                for row in self._rows(sql)
            ]
            out[table] = sorted(rows, key=lambda row: json.dumps(row))
        return out


def _marks(names: Iterable[str]) -> str:
    return ", ".join(f":{name}" for name in names)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True)


_FILTERS: Final[Mapping[str, str]] = {
    "session": "e.id = :session",
    "player": "p.id = :player",
    "club": "t.club = :club",
    "mount": "t.mount = :mount",
    "part": "t.part = :part",
    "kind": "{}.kind = :kind",
    "since_s": "e.start_s >= :since_s",
    "until_s": "e.start_s < :until_s",
    "simulated": "e.simulated <= :simulated",
}


def _where(filters: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """Write a WHERE clause; a filter that is None is left out."""
    given = {name: value for name, value in filters.items() if value is not None}
    clauses = [_FILTERS[name].format("u") for name in given]
    return (f"WHERE {' AND '.join(clauses)}" if clauses else ""), _bound(given)


def _bound(given: Mapping[str, Any]) -> dict[str, Any]:
    return {name: int(v) if isinstance(v, bool) else v for name, v in given.items()}


def _swing_clauses(filters: Mapping[str, Any]) -> tuple[list[str], dict[str, Any]]:
    """Write the same for swings, so that SQLite begins with their index and not with a scan."""
    given = {name: value for name, value in filters.items() if value is not None}
    clauses = []
    of_set = [_FILTERS[n] for n in given if n in ("player", "club", "mount", "part")]
    if of_set:
        clauses.append(
            f"""s.set_key IN (SELECT t.key FROM sets t LEFT JOIN players p ON p.key = t.player_key
            WHERE {" AND ".join(of_set)})"""
        )
    if "session" in given:
        clauses.append("s.session_key = (SELECT key FROM sessions WHERE id = :session)")
    of_session = [_FILTERS[n] for n in given if n in ("since_s", "until_s", "simulated")]
    if of_session:
        clauses.append(
            f"s.session_key IN (SELECT e.key FROM sessions e WHERE {' AND '.join(of_session)})"
        )
    if "kind" in given:
        clauses.append(_FILTERS["kind"].format("s"))
    return clauses, _bound(given)


def _array(name: str, values: Sequence[Any]) -> Array:
    """Make an array: floats (NaN where absent), whole numbers, or text (None where absent)."""
    if name in _WHOLE:
        return np.array(values, np.int64)
    if name in NUMBERS or name in RESULT_FIELDS or name in ("at_s", "start_s"):
        return np.array(values, np.float64)
    out = np.empty(len(values), object)
    out[:] = values
    return out
