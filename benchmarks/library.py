"""The library: its questions with 40,000 and a million swings, and how fast recordings go in."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import sqlite3
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from analysis.swing.results import ANALYSIS_VERSION, Swing
from benchmarks.report import table
from benchmarks.speed import RATE_HZ, the_hour
from library.analyzed import Analyzed, MeasuredSwing
from library.catalogue import Library
from sensor.recording.annotations import Annotations, SwingSpan
from sensor.recording.layout import COUNTS_DTYPE, PACKET_DTYPE
from sensor.recording.session import Session
from sensor.recording.writer import RecordingWriter
from unhurried.app.ingest import analyze_one

__all__ = ["clone", "fill", "run", "tables"]

SEED = 961_000
OVERALL = """SELECT count(*), avg(swing_ms), avg(backswing_ms), avg(turn_deg), min(turn_deg),
    max(turn_deg), avg(peak_rate_dps) FROM swings WHERE excluded IS NULL GROUP BY set_key, kind"""
PLAYERS = 8
CLUBS = ("7 iron", "driver")
TARGETS = {"question_ms": 50.0, "million_s": 2.0, "add_x": 200.0, "grown_x": 1.5}


def _values(k: int, rng: np.random.Generator) -> dict[str, Any]:
    back, down = float(rng.normal(0.9, 0.04)), float(rng.normal(0.28, 0.01))
    at = 20.0 * k
    values: dict[str, Any] = {item.name: None for item in dataclasses.fields(Swing)}
    values.pop("budget", None)
    values.update(
        index=k,
        takeaway_s=at,
        top_s=at + back,
        impact_s=at + back + down,
        finish_s=at + back + down + 0.4,
        strike=k % 2 == 0,
        impact_basis="shock" if k % 2 == 0 else "least_turn",
        backswing_ms=1e3 * back,
        downswing_ms=1e3 * down,
        swing_ms=1e3 * (back + down),
        tempo_ratio=back / down,
        turn_deg=float(rng.normal(130.0, 3.0)),
        peak_rate_dps=float(rng.normal(1000.0, 25.0)),
        peak_to_impact_ms=float(rng.normal(20.0, 3.0)),
        top_dwell_ms=float(rng.uniform(20.0, 60.0)),
        gap_ms=0.0,
        clipped=[],
        notes=[{"code": "axis", "text": "one sensor can't tell the forearm's long axis"}],
    )
    for name, value in list(values.items()):
        if f"{name}_u" in values and value is not None:
            values[f"{name}_u"] = 0.004 * abs(value) + 0.001
    return values


def _session(number: int, swings: int, rng: np.random.Generator) -> Analyzed:
    """An invented session of one of a few players; no recording is behind it."""
    name = f"Player {number % PLAYERS}"
    club = CLUBS[number // PLAYERS % len(CLUBS)]
    made = []
    for k in range(1, swings + 1):
        values = _values(k, rng)
        at_s = values["impact_s"]
        made.append(
            MeasuredSwing(
                values=values,
                span=SwingSpan(
                    seq=round(200 * at_s),
                    first_seq=200 * values["takeaway_s"],
                    last_seq=200 * values["finish_s"],
                ),
                at_seq=200 * at_s,
                at_s=at_s,
            )
        )
    day = time.strftime("%Y-%m-%d", time.gmtime(1.6e9 + 86400 * (number // PLAYERS)))
    fields = {"player": name, "handedness": "right", "club": club, "intent": "full"}
    return Analyzed(
        id=str(uuid.UUID(int=(number << 64) + SEED, version=4)),
        path=f"/nowhere/{number}",
        start=f"{day}T18:00:00+01:00",
        mount="wrist",
        sensor={"name": "W1"},
        sensor_key=None,
        rate_hz=200.0,
        period_s=0.005,
        duration_s=20.0 * swings,
        lost_samples=0,
        short_strokes=0,
        analysis_version=ANALYSIS_VERSION,
        program_version="0",
        files="-",
        segments=((0, 0.0, fields),),
        swings=tuple(made),
    )


def _said(one: Analyzed, rng: np.random.Generator) -> Annotations:
    """Some words about a session: felt answers and ball results of its strikes."""
    said = Annotations(one.id)
    for swing in one.swings:
        if swing.values["strike"] and rng.random() < 0.5:
            seq = swing.span.seq
            said.set("swing", seq, "felt", value={"time": ("rushed", "slow")[rng.integers(2)]})
            said.set("swing", seq, "result", value={"carry_m": float(rng.normal(150, 8))})
    said.history.clear()
    return said


def fill(library: Library, sessions: int, swings: int) -> None:
    """Put invented sessions in, past the files: only the database is measured."""
    rng = np.random.default_rng(SEED)
    players = {f"Player {k}": library.people.add(f"Player {k}") for k in range(PLAYERS)}
    for start in range(0, sessions, 100):
        with library.store.writing():
            for number in range(start, min(start + 100, sessions)):
                one = _session(number, swings, rng)
                words = _said(one, rng) if number % 4 == 0 else Annotations(one.id)
                library._put(one, words, "", players)


def clone(library: Library, times: int) -> None:
    """Put every session in again as later ones, so that a million swings take no hour to make."""
    store = library.store
    with store.writing():
        run = store._connection().execute
        top = run("SELECT max(key) FROM sessions").fetchone()[0]
        for k in range(1, times):
            for name in ("sessions", "segments", "swings", "measured", "results", "summaries"):
                columns = [row[1] for row in run(f"PRAGMA table_info({name})")]
                new = {
                    "key": f"key + {k * top}",
                    "session_key": f"session_key + {k * top}",
                    "id": f"id || '-{k}'",
                    "start_s": f"start_s + {k * 3e7}",
                    "at_s": f"at_s + {k * 3e7}",
                }
                if name != "sessions":
                    new.pop("start_s")
                values = ", ".join(new.get(column, column) for column in columns)
                where = "key" if name == "sessions" else "session_key"
                run(f"INSERT INTO {name} SELECT {values} FROM {name} WHERE {where} <= {top}")


def _questions(library: Library) -> dict[str, Callable[[], object]]:
    who = library.players()[0].id
    session = library.sessions(player=who)[0]
    begin_s, end_s = 1.6e9, 1.6e9 + 86400 * 20
    numbers = ("seq", "at_s", "kind", "swing_ms", "backswing_ms", "turn_deg", "peak_rate_dps")
    return {
        "players": library.players,
        "groups of all": library.groups,
        "sessions of a player": lambda: library.sessions(player=who),
        "newest 50 sessions": lambda: library.sessions(limit=50),
        "one session": lambda: library.session(session.id),
        "swings of a session, all numbers": lambda: library.swings(session=session.id),
        "one swing": lambda: library.swing(session.id, number=7),
        "a player's swings with a club": lambda: library.swings(
            player=who, club=CLUBS[0], columns=numbers
        ),
        "... with all numbers, 20 days": lambda: library.swings(
            player=who, since_s=begin_s, until_s=end_s
        ),
        "trend of a player": lambda: library.summaries(player=who),
        "trend of a club": lambda: library.summaries(player=who, club=CLUBS[0], kind="strike"),
        "felt beside measured": lambda: library.felt(player=who, club=CLUBS[0]),
        "ball results": lambda: library.results(player=who, club=CLUBS[0]),
        "swings a week": lambda: library.volume(who),
        "totals": library.totals,
    }


def _time_ms(what: Callable[[], object], times: int = 9) -> float:
    what()
    took = []
    for _ in range(times):
        start = time.perf_counter()
        what()
        took.append(1e3 * (time.perf_counter() - start))
    return statistics.median(took)


def _ask(sessions: int, swings: int, times: int = 1) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as place, Library(Path(place) / "home") as library:
        start = time.perf_counter()
        fill(library, sessions, swings)
        clone(library, times)
        sessions *= times
        filled_s = time.perf_counter() - start
        asked = {name: _time_ms(what) for name, what in _questions(library).items()}
        start = time.perf_counter()
        with contextlib.closing(sqlite3.connect(Path(place) / "home" / "library.db")) as database:
            rows = database.execute(OVERALL).fetchall()
        overall_s = time.perf_counter() - start
        assert sum(row[0] for row in rows) == sessions * swings
        size = sum(path.stat().st_size for path in Path(place, "home").glob("library.db*"))
        return {
            "sessions": sessions,
            "swings": sessions * swings,
            "fill_s": filled_s,
            "questions_ms": asked,
            "overall_s": overall_s,
            "size_mb": size / 1e6,
        }


def _add(quick: bool) -> dict[str, float]:
    """Take in an hour at 400 Hz with 120 swings: real time over CPU time of one process."""
    hour = the_hour()
    if quick:
        hour = hour[: len(hour) // 6]
    packets = np.zeros(len(hour) // 8, PACKET_DTYPE)
    packets["first_seq"] = np.arange(len(packets)) * 8
    packets["count"] = 8
    packets["arrival_ns"] = ((packets["first_seq"] + 8) / RATE_HZ * 1e9).astype(np.int64)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "hour"
        session = Session.new(
            nominal_rate_hz=RATE_HZ,
            mount="wrist",
            player="Ida",
            gyr_range_dps=2000.0,
            acc_range_g=16.0,
            gyr_dps_per_count=2000.0 / 32768,
            acc_m_s2_per_count=16.0 * 9.80665 / 32768,
        )
        with RecordingWriter(folder, session) as writer:
            writer.append(packets, hour)
        with Library(Path(place) / "home") as library:
            best = float("inf")
            for _ in range(1 if quick else 3):
                start = time.process_time()
                one = analyze_one(folder, library.home)
                library.put(one)
                best = min(best, time.process_time() - start)
            found = len(library.swings())
    return {
        "recorded_s": len(hour) / RATE_HZ,
        "cpu_s": best,
        "x": len(hour) / RATE_HZ / best,
        "swings": found,
    }


def _grown(quick: bool) -> dict[str, float]:
    """Take in small recordings where 10,000 are known already, over the same where none is."""
    known, more = 10_000, 10 if quick else 40
    rng = np.random.default_rng(SEED)
    rows = np.zeros(200, COUNTS_DTYPE)
    rows["seq"] = np.arange(200)
    took = []
    for before in (0, known):
        with tempfile.TemporaryDirectory() as place, Library(Path(place) / "home") as library:
            player = library.people.add("Ida")
            lines = (
                json.dumps({"recording": str(uuid.uuid4()), "name": "Ida", "player": player.id})
                for _ in range(before)
            )
            library.home.joinpath("identities.jsonl").write_text("".join(f"{x}\n" for x in lines))
            made = []
            for k in range(more + 1):
                folder = Path(place) / str(k)
                one = _session(k, 1, rng)
                session = Session.new(
                    nominal_rate_hz=RATE_HZ,
                    id=one.id,
                    gyr_dps_per_count=0.07,
                    acc_m_s2_per_count=0.005,
                )
                with RecordingWriter(folder, session) as writer:
                    writer.append(None, rows)
                made.append(dataclasses.replace(one, path=str(folder)))
            # What is read once isn't asked after here.
            library.put(made.pop())
            start = time.process_time()
            for one in made:
                library.put(one)
            took.append((time.process_time() - start) / more)
    return {
        "known": known,
        "alone_ms": 1e3 * took[0],
        "known_ms": 1e3 * took[1],
        "x": took[1] / took[0],
    }


def run(*, quick: bool, shift: int = 0) -> dict[str, Any]:
    """Measure. `shift` changes nothing: times don't hang on the seed."""
    del shift
    return {
        "small": _ask(80 if quick else 400, 100),
        "large": _ask(100 if quick else 400, 100, 10 if quick else 25),
        "add": _add(quick),
        "grown": _grown(quick),
    }


def tables(results: dict[str, Any]) -> str:
    """Make the tables of the report."""
    small, large, add = results["small"], results["large"], results["add"]
    grown = results["grown"]
    rows = [
        [name, f"{ms:.1f} ms", f"{large['questions_ms'][name]:.1f} ms"]
        for name, ms in small["questions_ms"].items()
    ]
    worst = max(small["questions_ms"].values())
    first = table(
        [
            "question",
            f"{small['sessions']:,} sessions, {small['swings']:,} swings",
            f"{large['sessions']:,} sessions, {large['swings']:,} swings",
        ],
        rows,
    )
    second = table(
        ["", "target", "measured"],
        [
            [
                "any question at 40,000 swings",
                f"{TARGETS['question_ms']:.0f} ms",
                f"{worst:.1f} ms",
            ],
            [
                f"{large['swings']:,} swings summarised",
                f"{TARGETS['million_s']:.0f} s",
                f"{large['overall_s']:.2f} s",
            ],
            [
                f"`library add`, {RATE_HZ:.0f} Hz, {add['swings']} swings in "
                f"{add['recorded_s'] / 60:.0f} min, one core",
                f"{TARGETS['add_x']:.0f} x real time",
                f"{add['x']:.0f} x",
            ],
            [
                f"one more session where {grown['known']:,} are known, over where none is",
                f"{TARGETS['grown_x']:g} x",
                f"{grown['x']:.2f} x ({grown['known_ms']:.1f} ms)",
            ],
            ["size on disk", "", f"{large['size_mb'] / large['swings'] * 1e3:.1f} kB a swing"],
        ],
    )
    return f"{first}\n\n{second}"


if __name__ == "__main__":
    import argparse

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    found = run(quick=parser.parse_args().quick)
    print(tables(found))
    print(json.dumps(found, indent=1))
