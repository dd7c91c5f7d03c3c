"""The benchmark of a lesson reads what tests have recorded, also of one that failed."""

from __future__ import annotations

import json
from pathlib import Path
from xml.sax.saxutils import quoteattr

from lesson_numbers import NAME, number

from benchmarks import live_lesson


def test_it_reads_every_number_and_says_how_many_failed(tmp_path: Path) -> None:
    kept: list[tuple[str, object]] = []
    number(lambda name, value: kept.append((name, value)), "swings < 3", 0, "0")
    number(lambda name, value: kept.append((name, value)), "capitals, px", 54.55, "at least 50")
    assert live_lesson.NAME == NAME
    assert [json.loads(str(value))[1] for _, value in kept] == [0, 54.55]
    words = "".join(f"<property name={quoteattr(n)} value={quoteattr(str(v))}/>" for n, v in kept)
    report = tmp_path / "report.xml"
    report.write_text(
        f"<testsuites><testsuite><testcase name='a'><properties>{words}"
        "<property name='other' value='1'/></properties></testcase>"
        "<testcase name='b'><failure/></testcase><testcase name='c'><skipped/></testcase>"
        "<testcase name='d'><error/></testcase></testsuite></testsuites>"
    )
    result = live_lesson.read(report)
    assert (result["tests"], result["failed"], result["skipped"]) == (4, 2, 1)
    assert [row[0] for row in result["rows"]] == ["capitals, px", "swings < 3"]
    text = live_lesson.tables(result)
    assert "4 tests, 2 failed, 1 skipped" in text
    assert "54.55 | at least 50 |" in text


def test_the_tests_that_it_runs_are_there() -> None:
    for name in live_lesson.TESTS:
        assert "lesson_numbers" in (live_lesson.ROOT / name).read_text(encoding="utf-8"), name
