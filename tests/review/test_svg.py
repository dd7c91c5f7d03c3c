"""Charts as SVG: well formed whatever they are given, and drawn where the numbers are."""

from __future__ import annotations

import itertools
import math
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.svg import SMALLEST, TOUCH, Curve, Line, Mark, marks_chart, traces_chart
from review.svg_frame import EM, LETTER, SOME_EM, WIDTH, Region, ticks

SVG = "{http://www.w3.org/2000/svg}"
numbers = st.floats(-1e5, 1e5, allow_nan=False)


def parse(markup: str) -> ET.Element:
    return ET.fromstring(f"<div>{markup}</div>")


@given(low=st.floats(-1e6, 1e6), width=st.floats(1e-3, 1e6), most=st.integers(2, 12))
def test_ticks_are_round_inside_and_few(low: float, width: float, most: int) -> None:
    found = ticks(low, low + width, most)
    assert len(found) <= most + 1
    slack = 1e-6 * width + 1e-9 * abs(low)
    assert all(low - slack <= t <= low + width + slack for t in found)
    if len(found) > 1:
        step = found[1] - found[0]
        mantissa = step / 10 ** math.floor(math.log10(step) + 1e-6)
        assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-4


@given(
    points=st.lists(st.tuples(numbers, numbers), min_size=1, max_size=20),
    label=st.text(
        st.characters(blacklist_categories=["Cs", "Cc"], blacklist_characters="\ufffe\uffff"),
        max_size=30,
    ),
)
def test_any_swings_and_names_give_well_formed_svg(
    points: list[tuple[float, float]], label: str
) -> None:
    marks = [
        Mark(x=x, y=y, y_u=1.0, kind=kind, label=label, href=label)
        for (x, y), kind in zip(points, ["rehearsal", "strike", "unclear"] * 7, strict=False)
    ]
    root = parse(marks_chart(marks, title=label, x_label=label, y_label=label))
    assert [a.get("href") for a in root.iter(f"{SVG}a")] == [label] * len(marks)
    assert not any(tag.tag.endswith("script") for tag in root.iter())
    for element in root.iter():
        assert "style" not in element.attrib, "the page's policy allows no inline style"
        assert not any(name.startswith("on") for name in element.attrib)


def test_a_name_cannot_break_out() -> None:
    evil = '"><script>alert(1)</script>'
    markup = marks_chart(
        [Mark(x=1, y=2, label=evil, href=evil)], title=evil, x_label=evil, y_label=evil
    )
    assert "<script" not in markup
    assert evil in str(parse(markup).find(f".//{SVG}title").text)  # type: ignore[union-attr]


def test_marks_lie_where_their_numbers_are() -> None:
    marks = [Mark(x=x, y=y, kind="rehearsal") for x, y in ((900, 1000), (1000, 1200), (1100, 1100))]
    root = parse(marks_chart(marks, title="t", x_label="x", y_label="y"))
    circles = [c for c in root.iter(f"{SVG}circle") if c.get("class") == "rehearsal"][:3]
    x = [float(str(c.get("cx"))) for c in circles]
    y = [float(str(c.get("cy"))) for c in circles]
    assert x[1] - x[0] == pytest.approx(x[2] - x[1], abs=0.2)
    assert y[1] < y[2] < y[0], "up is more"
    assert (y[0] - y[2]) == pytest.approx(y[2] - y[1], abs=0.2)
    # and the axis says the same: the tick of 1000 stands under the swing of 1000
    tick = next(t for t in root.iter(f"{SVG}text") if t.text == "1000" and t.get("y") != t.get("x"))
    assert float(str(tick.get("x"))) == pytest.approx(x[1], abs=0.2)


def test_the_reference_is_shown_even_when_all_swings_are_beside_it() -> None:
    region = Region(x=(1200.0, 1300.0), y=(900.0, 1000.0), label="full turn")
    markup = marks_chart(
        [Mark(x=800, y=500, kind="strike")],
        title="t",
        x_label="x",
        y_label="y",
        region=region,
        lines=[Line(points=((800, 500), (801, 501)))],
        size_label="turn",
    )
    root = parse(markup)
    box = next(r for r in root.iter(f"{SVG}rect") if r.get("class") == "region")
    assert float(str(box.get("width"))) > 5
    assert float(str(box.get("height"))) > 5
    assert "full turn" in markup


def test_nothing_to_draw_is_nothing() -> None:
    assert marks_chart([], title="t", x_label="x", y_label="y") == ""
    nothing = Curve(x=[0, 1], y=[math.nan, math.nan], name="a")
    assert traces_chart([nothing], title="t", x_label="x", y_label="y", css="turn") == ""


def test_a_hole_breaks_the_line_and_thinning_keeps_the_peak() -> None:
    n = 5000
    y = [math.sin(k / 300) for k in range(n)]
    y[2468] = 7.0
    y[1000:1010] = [math.nan] * 10
    curve = Curve(x=list(range(n)), y=y, name="a", events=[(2468, "top"), (1e9, "impact")])
    root = parse(traces_chart([curve], title="t", x_label="x", y_label="y", css="turn"))
    lines = list(root.iter(f"{SVG}polyline"))
    assert len(lines) == 2
    points = [p.split(",") for line in lines for p in str(line.get("points")).split()]
    assert len(points) < 1000
    at_peak = min(points, key=lambda p: float(p[1]))
    events = [e for e in root.iter(f"{SVG}line") if str(e.get("class")).startswith("event")]
    assert len(events) == 1, "an event outside the picture isn't drawn"
    assert float(at_peak[0]) == pytest.approx(float(str(events[0].get("x1"))), abs=0.2)


@given(
    events=st.lists(
        st.tuples(st.floats(0, 1000), st.sampled_from(["takeaway", "top", "impact", "finish"])),
        max_size=6,
    ),
    second=st.lists(
        st.tuples(st.floats(0, 1000), st.sampled_from(["takeaway", "top", "impact"])), max_size=4
    ),
)
def test_names_of_events_never_touch_and_are_never_cut(
    events: list[tuple[float, str]], second: list[tuple[float, str]]
) -> None:
    curves = [
        Curve(x=[0, 1000], y=[0, 1], name="a", events=events),
        Curve(x=[0, 1000], y=[0, 1], name="b", style=1, events=second),
    ]
    root = parse(traces_chart(curves, title="t", x_label="x", y_label="y", css="turn"))
    rows: dict[str, list[tuple[float, float]]] = {}
    for text in root.iter(f"{SVG}text"):
        if "event-name" in str(text.get("class")):
            width = LETTER * EM * len(str(text.text))
            anchor = {"start": 0.0, "middle": 0.5, "end": 1.0}[str(text.get("text-anchor"))]
            left = float(str(text.get("x"))) - anchor * width
            assert left >= -0.1
            assert left + width <= WIDTH + 0.1
            rows.setdefault(str(text.get("dy")), []).append((left, left + width))
    for row in rows.values():
        for (_, end), (begin, _) in itertools.pairwise(sorted(row)):
            assert begin >= end
    # One name for an event that both share, and a dotted line for each.
    assert sum(map(len, rows.values())) <= len(events) + len(second)
    lines = [e for e in root.iter(f"{SVG}line") if str(e.get("class")).startswith("event")]
    assert len(lines) == len(events) + len(second)


def test_of_two_swings_events_are_named_by_letter() -> None:
    curves = [
        Curve(x=[0, 1000], y=[0, 1], name="a", events=[(0, "takeaway"), (500, "top")]),
        Curve(x=[0, 1000], y=[0, 1], name="b", style=1, events=[(0, "takeaway"), (800, "top")]),
    ]
    root = parse(traces_chart(curves, title="t", x_label="x", y_label="y", css="turn"))
    names = [t.text for t in root.iter(f"{SVG}text") if "event-name" in str(t.get("class"))]
    assert names == ["takeaway A, B", "top A", "top B"]
    alone = traces_chart(curves[:1], title="t", x_label="x", y_label="y", css="turn")
    assert ">takeaway</text>" in alone


@given(
    points=st.lists(
        st.tuples(st.floats(0, 1000), st.floats(0, 1000)), min_size=1, max_size=30, unique=True
    )
)
def test_what_is_touched_is_as_large_as_its_neighbours_allow(
    points: list[tuple[float, float]],
) -> None:
    marks = [Mark(x=x, y=y, size=0.0, href="#") for x, y in points]
    root = parse(marks_chart(marks, title="t", x_label="x", y_label="y"))
    places = [
        tuple(float(str(c.get(name))) for name in ("cx", "cy", "r"))
        for c in root.iter(f"{SVG}circle")
        if c.get("class") == "touch"
    ]
    for k, (x, y, r) in enumerate(places):
        others = [math.hypot(x - a, y - b) for j, (a, b, _) in enumerate(places) if j != k]
        half = 0.5 * min(others, default=1e9)
        assert r == pytest.approx(max(min(TOUCH, half), SMALLEST), abs=0.2)


def test_numbers_of_the_axes_never_touch() -> None:
    # Dates close to each other, as sessions may be.
    marks = [Mark(x=x, y=2.0 * x, y_u=3.0) for x in (0, 1, 2, 30, 31, 60)]
    markup = marks_chart(
        marks,
        title="t",
        x_label="day",
        y_label="y",
        height=210.0,
        x_text=lambda v: f"{int(v)} Sept",
        x_ticks=[m.x for m in marks],
    )
    ticks_at = [
        (float(str(t.get("x"))), str(t.text), "spare" in str(t.get("class")))
        for t in parse(markup).iter(f"{SVG}text")
        if str(t.get("class")).startswith("tick") and t.get("text-anchor") == "middle"
    ]
    for em, shown in ((SOME_EM, ticks_at), (EM, [t for t in ticks_at if not t[2]])):
        assert len(shown) >= 2
        for (a, left, _), (b, right, _) in itertools.pairwise(sorted(shown)):
            assert b - a >= 0.5 * LETTER * em * (len(left) + len(right))
