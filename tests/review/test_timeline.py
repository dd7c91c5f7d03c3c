"""Pictures over time: places, words that don't lie on each other, what is said without seeing."""

from __future__ import annotations

import dataclasses
import itertools
import re
from collections.abc import Mapping

import pytest

from review.timeline import LEFT, RIGHT, Day, Middle, Upright, timeline


def day(at: float, by: Mapping[str, float], *, drill: bool = False) -> Day:
    return Day(
        at=at,
        short=f"{at:.0f} Mar",
        name=f"{at:.0f} March",
        href=f"/session/{at:.0f}",
        drill=drill,
        by={kind: Middle(value=value, spread=0.02, n=8) for kind, value in by.items()},
    )


def seconds(value: float) -> str:
    return f"{value:.2f} s"


DAYS = [
    day(1, {"rehearsal": 0.90, "strike": 0.75}),
    day(3, {"rehearsal": 0.91, "strike": 0.76}, drill=True),
    day(11, {"strike": 0.88}, drill=True),
]


def drawn(days: list[Day], **more: object) -> str:
    found = timeline(days, title="Backswing", written=seconds, **more)  # type: ignore[arg-type]
    assert found is not None
    return found.plot


def test_days_stand_as_far_apart_as_they_are() -> None:
    shots = re.findall(r'<svg x="([\d.]+)%" y="[\d.]+" overflow="visible"><polygon', drawn(DAYS))
    first, second, last = map(float, shots)
    assert (first, last) == (LEFT, RIGHT)
    assert (second - first) / (last - first) == pytest.approx(0.2, abs=0.001)


def test_higher_is_more_and_the_own_range_is_whole() -> None:
    text = drawn(DAYS, own=(0.85, 1.10))
    places = [float(y) for y in re.findall(r'y="([\d.]+)" overflow="visible"><polygon', text)]
    assert places[0] > places[1] > places[2]
    band = re.search(r'class="own" width="100%" y="([\d.]+)" height="([\d.]+)"', text)
    plot = re.search(r'class="plot" width="100%" y="([\d.]+)" height="([\d.]+)"', text)
    assert band is not None
    assert plot is not None
    assert float(band[1]) >= float(plot[1])
    assert float(band[1]) + float(band[2]) <= float(plot[1]) + float(plot[2])


def test_like_days_are_not_blown_up() -> None:
    found = timeline(
        [day(k, {"strike": 0.900 + 0.0001 * k}) for k in range(4)], title="x", written=seconds
    )
    assert found is not None
    numbers = [float(one) for one in re.findall(r">([\d.]+) s</text>", found.scale)]
    assert max(numbers) - min(numbers) >= 0.09
    assert len(set(numbers)) == len(numbers)


def test_words_of_steps_lie_on_no_other_on_a_phone() -> None:
    uprights = [Upright(at=float(k), word=f"shorter backswing {k}") for k in range(1, 12)]
    days = [day(k, {"strike": 0.8}) for k in range(1, 12)]
    text = drawn(days, uprights=uprights, words=True)
    # Every step has its line, and its word when it is pointed at.
    assert text.count('class="event"') == 11
    rows: dict[str, list[tuple[float, float]]] = {}
    for x, y, anchor, word in re.findall(
        r'class="event-name" x="([\d.]+)%" dx="-?\d+" y="([\d.]+)" text-anchor="(\w+)">([^<]*)<',
        text,
    ):
        # A letter is 7 px wide at most, the picture 290 px on a phone.
        wide = 100.0 * 7.0 * len(word) / 290.0
        a = float(x) if anchor == "start" else float(x) - wide
        rows.setdefault(y, []).append((a, a + wide))
    assert 1 <= len(rows) <= 3
    for spans in rows.values():
        assert all(b <= c + 0.5 for (_, b), (c, _) in itertools.pairwise(sorted(spans)))
    assert "shorter backswing 11" in text


@pytest.mark.parametrize(("narrow", "wide_px"), [(True, 290.0), (False, 416.0)])
def test_names_of_days_lie_on_no_other(narrow: bool, wide_px: float) -> None:
    days = [
        dataclasses.replace(day(4.0 * k + k % 3, {"strike": 0.8}), short=f"{1 + k % 28} Nov 25")
        for k in range(60)
    ]
    spans = []
    for css, x, anchor, word in re.findall(
        r'<text class="(tick[^"]*)" x="([\d.]+)%" y="[\d.]+" text-anchor="(\w+)">([^<]*)<',
        drawn(days),
    ):
        if narrow and "spare" in css:
            continue
        # A letter of 12 px is 7.3 px wide at most.
        wide = 7.3 * len(word)
        at = float(x) / 100.0 * wide_px
        a = at - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
        spans.append((a, a + wide))
    assert len(spans) >= 3
    assert all(b <= c for (_, b), (c, _) in itertools.pairwise(sorted(spans)))


def test_without_seeing_it_each_day_says_what_it_is() -> None:
    text = drawn(DAYS)
    assert 'aria-label="3 March: practice 0.91 s (8), shots 0.76 s (8)"' in text
    assert 'href="/session/11"' in text
    assert text.count('class="drill-tick"') == 2


def test_names_of_the_last_marks_are_both_to_be_read() -> None:
    found = timeline([day(1, {"rehearsal": 0.9, "strike": 0.9})], title="x", written=seconds)
    assert found is not None
    a, b = (float(y) for y in re.findall(r'<text class="of-\w+" x="8" y="([\d.]+)"', found.ends))
    assert abs(a - b) >= 14.0


def test_one_session_or_none() -> None:
    assert timeline([day(1, {})], title="x", written=seconds) is None
    assert "50.50%" in drawn([day(1, {"strike": 0.8})])
    same_day = [day(1, {"strike": 0.8}), day(1, {"strike": 0.9})]
    assert drawn(same_day).count("<polygon") == 2
