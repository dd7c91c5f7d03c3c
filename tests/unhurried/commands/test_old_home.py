"""A home that version 0.1 made is opened and brought up to date by every later one.

``home-0.1.zip`` was made by the first version that kept references and plans (of 25 November 2026),
with its own commands: a simulated session, ten rehearsals approved by Jo with an upper bound of the
turn, a swing that felt rushed, and a plan stopped for discomfort. Its recordings lay elsewhere.
"""

from __future__ import annotations

import json
import sqlite3
import zipfile
from pathlib import Path

import pytest

from analysis.evidence.reading import Reference
from library.catalogue import Library
from library.evidence import evidence_of
from library.tables import MIGRATIONS
from unhurried import cli

HERE = Path(__file__).parent
SESSION = "badc23f1-49f3-4aa0-abda-506e86f9b767"
# What version 0.1 said: kind, swing time and turn.
SAID = (
    ("rehearsal", 1041.5, 116.74),
    ("rehearsal", 1077.6, 121.61),
    ("strike", 1039.2, 117.05),
    ("rehearsal", 1053.1, 115.97),
    ("rehearsal", 1051.3, 124.26),
    ("strike", 1097.0, 117.44),
    ("rehearsal", 1027.0, 111.10),
    ("rehearsal", 1018.9, 116.56),
    ("rehearsal", 1045.6, 118.47),
    ("strike", 1083.7, 113.08),
    ("rehearsal", 1021.1, 118.35),
    ("rehearsal", 1052.5, 118.90),
    ("rehearsal", 1015.8, 115.36),
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with zipfile.ZipFile(HERE / "home-0.1.zip") as old:
        old.extractall(tmp_path)
    return tmp_path / "home"


def test_it_is_of_version_0_1(home: Path) -> None:
    database = sqlite3.connect(home / "library.db")
    assert database.execute("PRAGMA user_version").fetchone() == (1,)
    database.close()
    assert len(MIGRATIONS) > 1


def test_a_home_of_before_is_opened_and_updated_and_nothing_that_was_said_is_lost(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recordings = home.parent / "recordings"
    raw = {p.name: p.read_bytes() for p in (recordings / "monday").glob("*.npy")}
    # The recordings lie elsewhere now than the old home says.
    assert cli.run(["library", "add", str(recordings), "--home", str(home)]) == 0
    assert cli.run(["library", "update", "--home", str(home)]) == 0
    capsys.readouterr()
    assert cli.run(["library", "show", SESSION, "--json", "--home", str(home)]) == 0
    swings = json.loads(capsys.readouterr().out)["swings"]
    assert [one["kind"] for one in swings] == [kind for kind, _, _ in SAID]
    for one, (_, swing_ms, turn_deg) in zip(swings, SAID, strict=True):
        # By the truth of the simulation neither is right to the last bit.
        assert one["swing_ms"] == pytest.approx(swing_ms, abs=15.0)
        assert one["turn_deg"] == pytest.approx(turn_deg, abs=1.0)
    felt = [one["number"] for one in swings if one["felt_time"] == "rushed"]
    assert felt == [3]
    assert {p.name: p.read_bytes() for p in (recordings / "monday").glob("*.npy")} == raw
    database = sqlite3.connect(home / "library.db")
    assert database.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    database.close()


def test_reference_and_plan_of_before_count(home: Path) -> None:
    recordings = home.parent / "recordings"
    assert cli.run(["library", "add", str(recordings), "--home", str(home)]) == 0
    with Library(home) as library:
        ida = evidence_of(library, "Ida")
        kept = ida.kept_reference
        assert kept is not None
        # Nobody wrote down then which analysis the bounds are of.
        assert (kept.approved_by, len(kept.swings), kept.version) == ("Jo", 10, None)
        assert kept.bounds["turn_deg"][1] == 135.0
        reference = ida.reference
        assert isinstance(reference, Reference)
        assert len(reference.swing_ids) == 10
        assert reference.values["turn_deg"].upper == 135.0
        standing = ida.standing(ida.days[SESSION] + 400)
        assert standing.stage.value == "stopped"
        assert "left hip" in standing.why
