"""The tables of the library's database: how they are made, version by version."""

from __future__ import annotations

import contextlib
import functools
import itertools
import sqlite3
from collections.abc import Mapping
from typing import Final

APPLICATION_ID: Final = 0x756E_6875
"""Marks the file as ours: the letters "unhu"."""

MEASURED: Final = (
    "takeaway_s",
    "top_s",
    "impact_s",
    "finish_s",
    "backswing_ms",
    "downswing_ms",
    "swing_ms",
    "tempo_ratio",
    "turn_deg",
    "peak_rate_dps",
    "peak_transverse_dps",
    "peak_to_impact_ms",
    "top_dwell_ms",
)
"""Numbers of a swing that have an uncertainty, named as in `Swing`, since the first version: every
document that is kept has them. A measure that is added, and its ``_u``, go to `APPENDED` and into a
migration of their own at the end of `MIGRATIONS`: those there are stay as they are."""

NUMBERS: Final = (*(f"{name}{end}" for name in MEASURED for end in ("", "_u")), "gap_ms")

APPENDED: Final = {
    "swing_p": "REAL",
    "strike_p": "REAL",
    "pause_ms": "REAL",
    "pause_ms_u": "REAL",
    "transition_ms": "REAL",
    "transition_ms_u": "REAL",
    "bounds": "TEXT",
    "zero_dps": "TEXT",
    "scale_growth": "TEXT",
    "scale_u": "REAL",
}
"""What later versions of the analysis add to a swing: column and type. Texts are JSON: names of
measures known only as "at least"; the gyroscope's zero by axis; by measure, how it grows with an
error of each axis' scale, whose relative standard uncertainty is `scale_u`. Null: the version that
measured the swing had none of it."""

_FIRST_NUMBERS: Final = (
    "takeaway_s",
    "takeaway_s_u",
    "top_s",
    "top_s_u",
    "impact_s",
    "impact_s_u",
    "finish_s",
    "finish_s_u",
    "backswing_ms",
    "backswing_ms_u",
    "downswing_ms",
    "downswing_ms_u",
    "swing_ms",
    "swing_ms_u",
    "tempo_ratio",
    "tempo_ratio_u",
    "turn_deg",
    "turn_deg_u",
    "peak_rate_dps",
    "peak_rate_dps_u",
    "peak_transverse_dps",
    "peak_transverse_dps_u",
    "peak_to_impact_ms",
    "peak_to_impact_ms_u",
    "top_dwell_ms",
    "top_dwell_ms_u",
    "gap_ms",
)
"""Numbers of a swing in the first version."""

_FIRST_RESULTS: Final = (
    "club_speed_m_s",
    "ball_speed_m_s",
    "carry_m",
    "total_m",
    "offline_m",
    "attack_deg",
    "strike_toe_mm",
    "strike_high_mm",
)
"""Ball results in the first version."""

_FIRST: Final = (
    """CREATE TABLE players (
        key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, name TEXT NOT NULL, handedness TEXT,
        note TEXT, child INTEGER NOT NULL, consent TEXT, document TEXT NOT NULL) STRICT""",
    """CREATE TABLE sets (
        key INTEGER PRIMARY KEY, player_key INTEGER REFERENCES players (key), club TEXT,
        mount TEXT, part INTEGER NOT NULL) STRICT""",
    """CREATE UNIQUE INDEX sets_by_words
        ON sets (coalesce(player_key, 0), coalesce(club, ''), coalesce(mount, ''), part)""",
    """CREATE TABLE sessions (
        key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, path TEXT NOT NULL,
        missing INTEGER NOT NULL, start TEXT NOT NULL, start_s REAL NOT NULL, day TEXT NOT NULL,
        week TEXT NOT NULL, mount TEXT, sensor TEXT NOT NULL, sensor_key TEXT,
        rate_hz REAL NOT NULL, period_s REAL NOT NULL, duration_s REAL NOT NULL,
        lost_samples INTEGER NOT NULL, short_strokes INTEGER NOT NULL,
        analysis_version TEXT NOT NULL, program_version TEXT NOT NULL, files TEXT NOT NULL,
        calibration TEXT NOT NULL, annotated TEXT NOT NULL, warnings TEXT NOT NULL,
        recorded TEXT NOT NULL, note TEXT,
        excluded TEXT, drill TEXT, lost_words TEXT NOT NULL) STRICT""",
    "CREATE INDEX sessions_by_start ON sessions (start_s)",
    """CREATE TABLE segments (
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER NOT NULL, start_s REAL NOT NULL, player_key INTEGER REFERENCES players (key),
        player TEXT, handedness TEXT, club TEXT, intent TEXT, ball INTEGER, block TEXT,
        corrected INTEGER NOT NULL, PRIMARY KEY (session_key, seq)) STRICT""",
    f"""CREATE TABLE swings (
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER NOT NULL, number INTEGER NOT NULL,
        set_key INTEGER NOT NULL REFERENCES sets (key), at_s REAL NOT NULL, kind TEXT NOT NULL,
        strike INTEGER, impact_basis TEXT, handedness TEXT, ball INTEGER, block TEXT,
        {", ".join(f"{name} REAL" for name in _FIRST_NUMBERS)},
        own_u TEXT NOT NULL, clipped TEXT NOT NULL, notes TEXT NOT NULL,
        corrected TEXT NOT NULL, excluded TEXT, felt_time TEXT, felt_turn TEXT, felt_strike TEXT,
        PRIMARY KEY (session_key, seq)) STRICT""",
    "CREATE INDEX swings_by_set ON swings (set_key, at_s)",
    """CREATE TABLE measured (
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER NOT NULL, document TEXT NOT NULL,
        PRIMARY KEY (session_key, seq)) STRICT, WITHOUT ROWID""",
    f"""CREATE TABLE results (
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER NOT NULL, {", ".join(f"{name} REAL" for name in _FIRST_RESULTS)},
        other TEXT NOT NULL, source TEXT, PRIMARY KEY (session_key, seq)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE tags (
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER NOT NULL, tag TEXT NOT NULL,
        PRIMARY KEY (tag, session_key, seq)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX tags_by_session ON tags (session_key)",
    """CREATE TABLE notes (
        key INTEGER PRIMARY KEY,
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        seq INTEGER, text TEXT NOT NULL, origin TEXT NOT NULL) STRICT""",
    "CREATE INDEX notes_by_session ON notes (session_key)",
    """CREATE TABLE summaries (
        set_key INTEGER NOT NULL REFERENCES sets (key),
        session_key INTEGER NOT NULL REFERENCES sessions (key) ON DELETE CASCADE,
        kind TEXT NOT NULL, measure TEXT NOT NULL, n INTEGER NOT NULL, median REAL, spread REAL,
        mean REAL, sd REAL,
        PRIMARY KEY (set_key, measure, session_key, kind)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX summaries_by_session ON summaries (session_key)",
    """CREATE TABLE refs (
        player_key INTEGER NOT NULL REFERENCES players (key) ON DELETE CASCADE, club TEXT,
        mount TEXT, at TEXT NOT NULL, document TEXT NOT NULL) STRICT""",
    "CREATE INDEX refs_by_player ON refs (player_key)",
    """CREATE TABLE plans (
        player_key INTEGER NOT NULL REFERENCES players (key) ON DELETE CASCADE, club TEXT,
        mount TEXT, at TEXT NOT NULL, document TEXT NOT NULL) STRICT""",
    "CREATE INDEX plans_by_player ON plans (player_key)",
)

_SIMULATED: Final = (
    # How far from a person's swings a session is, see `library.derive.simulated_of`.
    "ALTER TABLE sessions ADD COLUMN simulated INTEGER NOT NULL DEFAULT 0",
    # What was said of these is read once more: the tag is among it.
    """UPDATE sessions SET simulated = 1, annotated = ''
        WHERE json_extract(sensor, '$.simulated')""",
)

_VERSION_3: Final = (
    "ALTER TABLE swings ADD COLUMN swing_p REAL",
    "ALTER TABLE swings ADD COLUMN strike_p REAL",
    "ALTER TABLE swings ADD COLUMN pause_ms REAL",
    "ALTER TABLE swings ADD COLUMN pause_ms_u REAL",
    "ALTER TABLE swings ADD COLUMN transition_ms REAL",
    "ALTER TABLE swings ADD COLUMN transition_ms_u REAL",
    "ALTER TABLE swings ADD COLUMN bounds TEXT",
    "ALTER TABLE swings ADD COLUMN zero_dps TEXT",
    "ALTER TABLE swings ADD COLUMN scale_growth TEXT",
    "ALTER TABLE swings ADD COLUMN scale_u REAL",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _SIMULATED, _VERSION_3)
"""Statements that take a library from each version to the next; never changed, only added to."""

JSON_COLUMNS: Final[Mapping[str, tuple[str, ...]]] = {
    "players": ("document",),
    "sessions": ("sensor", "warnings", "recorded", "lost_words"),
    "swings": ("own_u", "clipped", "notes", "corrected"),
    "measured": ("document",),
    "results": ("other",),
    "refs": ("document",),
    "plans": ("document",),
}
"""Columns that hold JSON, by table."""


def tables_of(connection: sqlite3.Connection) -> set[str]:
    """Columns of all tables, and all indices, by name."""
    columns = connection.execute(
        """SELECT m.name || '.' || c.name FROM sqlite_schema m, pragma_table_info(m.name) c
        WHERE m.type = 'table' UNION ALL SELECT name FROM sqlite_schema WHERE type = 'index'"""
    )
    return {str(row[0]) for row in columns}


@functools.cache
def all_tables() -> frozenset[str]:
    """What a library of this version has."""
    with contextlib.closing(sqlite3.connect(":memory:")) as connection:
        for statement in itertools.chain.from_iterable(MIGRATIONS):
            connection.execute(statement)
        return frozenset(tables_of(connection))


def is_like_ours(connection: sqlite3.Connection) -> bool:
    found = {name.partition(".")[0] for name in tables_of(connection)}
    return {"players", "sessions", "swings", "measured"} <= found
