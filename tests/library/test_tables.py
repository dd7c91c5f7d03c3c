"""The migrations: none that has been shipped is ever another one."""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3

import pytest

from library.tables import APPENDED, MIGRATIONS, NUMBERS
from sensor.recording.vocabulary import RESULT_FIELDS


def columns(version: int) -> dict[str, list[list[object]]]:
    """Return what SQLite says of each table's columns once so many migrations have run."""
    with contextlib.closing(sqlite3.connect(":memory:")) as database:
        for statements in MIGRATIONS[:version]:
            for statement in statements:
                database.execute(statement)
        names = database.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name"
        ).fetchall()
        return {
            name: [list(row) for row in database.execute(f"PRAGMA table_info({name})")]
            for (name,) in names
        }


@pytest.mark.parametrize(
    ("version", "of_swings", "digest"),
    [
        (1, 46, "b19a1a3ad4d2874bda85b38eab63685b5b2dd5b4fe74ea8e19ed8df9a0883c42"),
        (2, 46, "a7906126fa8eaa537a65269aa60152f631cc34096127570609c6e87540d9e339"),
        (3, 56, "c4cb0a3c061a92de3df1b639e734d44cc2efd9555f960c7442615a6d02bc9a90"),
    ],
)
def test_a_version_keeps_its_columns(version: int, of_swings: int, digest: str) -> None:
    found = columns(version)
    assert len(found["swings"]) == of_swings
    assert hashlib.sha256(json.dumps(found).encode()).hexdigest() == digest


def test_every_name_in_use_has_a_column() -> None:
    found = columns(len(MIGRATIONS))
    assert {*NUMBERS, *APPENDED} <= {row[1] for row in found["swings"]}
    assert set(RESULT_FIELDS) <= {row[1] for row in found["results"]}
    assert {row[1]: row[2] for row in found["swings"] if row[1] in APPENDED} == APPENDED
