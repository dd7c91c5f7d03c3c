"""The fuzzer finds what it is there to find, and a short run of it finds nothing."""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchmarks import hostile
from benchmarks.hostile import mutate
from benchmarks.hostile.children import Ran, faults_of, in_child

ROOT = Path(__file__).resolve().parents[1]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="children are forked")


def ran(**given: object) -> Ran:
    values: dict[str, object] = {
        "words": ("info",),
        "code": 0,
        "out": "",
        "err": "",
        "seconds": 0.1,
        "megabytes": 100.0,
    }
    return Ran(**{**values, **given})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("given", "fault"),
    [
        ({"code": 1, "err": "unhurried: internal error: KeyError: 'x'"}, "internal error"),
        ({"code": 1, "err": "Traceback (most recent call last):\n"}, "traceback"),
        ({"err": "x.py:3: RuntimeWarning: overflow\n"}, "raw warning"),
        ({"out": "Ida \x1b]52;c;x\x07"}, "unclean"),
        ({"out": "Ida \u202egnp"}, "unclean"),
        ({"code": 1, "err": "no name before it"}, "without a word"),
        ({"code": 1, "err": f"unhurried: {'x' * 5_000}"}, "over 4000"),
        ({"code": -11}, "ended with -11"),
        ({"code": 1, "err": "unhurried: there is not enough memory for this"}, "out of memory"),
        ({"megabytes": 1_001.0}, "1001 MB"),
    ],
)
def test_what_a_command_must_not_do_is_seen(given: dict[str, object], fault: str) -> None:
    assert any(fault in found for found in faults_of(ran(**given)))


def test_a_clean_refusal_is_no_fault() -> None:
    assert faults_of(ran(code=1, err="unhurried: a.csv: has no columns: give it some\n")) == []
    assert faults_of(ran(out="player  Ida\tÉva – 3°\n")) == []


def _raises() -> int:
    raise KeyError("x")


def _hangs() -> int:
    time.sleep(30.0)
    return 0


def _hoards() -> int:
    assert np.ones(170_000_000).any()
    return 0


@pytest.mark.parametrize(
    ("work", "fault"), [(_raises, "traceback"), (_hangs, "over"), (_hoards, " MB")]
)
def test_a_child_is_measured(tmp_path: Path, work: Callable[[], int], fault: str) -> None:
    limit_s = 0.5 if work is _hangs else 60.0
    found = in_child(work, tmp_path, words=("x",), most_s=limit_s)
    assert any(fault in one for one in faults_of(found)), found


def test_what_a_child_prints_is_kept(tmp_path: Path) -> None:
    def says() -> int:
        print("said")
        print("unhurried: no", file=sys.stderr)
        return 1

    found = in_child(says, tmp_path, words=("x",))
    assert (found.code, found.out, found.err) == (1, "said\n", "unhurried: no\n")
    assert faults_of(found) == []


def test_the_same_seed_makes_the_same_mutation() -> None:
    text = json.dumps({"id": "x", "start": "2026-01-15T18:30:00+01:00", "rate": 200.0})
    made = [mutate.json_text(random.Random(7), text) for _ in range(2)]
    assert made[0] == made[1]
    many = {mutate.json_text(random.Random(seed), text)[0] for seed in range(60)}
    assert len(many) > 40
    assert any(b"1e999" in one or b"0" * 400 in one for one in many)


def test_numbers_that_python_has_none_for_are_written() -> None:
    written = mutate.dumped({"a": mutate.HUGE[0], "b": ["\ud800", mutate.HUGE[2]]})
    assert re.fullmatch(r'\{"a": 1e999, "b": \["\\ud800", 10{400}\]\}', written)


def test_kinds_make_two_thousand() -> None:
    assert sum(hostile.SHARES.values()) == 2000


def test_a_short_run_finds_nothing() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.hostile", "--cases", "40", "--seed", "930000"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "| requests | 6 | 0 |" in done.stdout
