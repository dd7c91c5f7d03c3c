"""What two swings answer: a sentence, both on one scale of turn at one moment, and a plain table.

The practice swing stands left and the shot right, whichever way round they were asked for; of two
of a kind the earlier stands left. The moment is the shot's impact: where the other was then is what
"rushed" looks like. Where a swing is on its way has one definition, `analysis.evidence.way`, for
the sentence, the picture at every moment of it, and the table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast

import numpy as np

from analysis.evidence.compare import Comparison, Row
from analysis.evidence.outcome import Outcome
from analysis.evidence.way import way_at
from analysis.swing.results import Swing
from library.rows import SessionRow, SwingDetail
from review.page.links import session_url, swing_url
from review.page.tools import PairWords
from review.plot import Trace
from review.svg import Kind
from words import pair as said

EVENTS: Final = ("takeaway", "top", "impact")
ORDER: Final = {"rehearsal": 0, "unclear": 1, "strike": 2}
"""What stands left of what."""

BEFORE_MS: Final = 250.0
AFTER_MS: Final = 250.0
"""Shown before the first takeaway and after the last impact."""

SNAP_MS: Final = 0.01
"""Times of the picture are rounded to so much; what is as near to an event is at it."""

STEP_MS: Final = 5.0
"""Between two places of the picture; in between it is drawn straight."""

TICK_DEG: Final = 30.0
MOST_TICKS: Final = 7

SHOWN: Final = ("backswing_ms", "downswing_ms", "turn_deg", "peak_rate_dps")
"""Rows of the plain table."""

CLOSEST_PERCENT: Final = 14.0
"""Two names of events on a lane are at least so far apart, or only the top is named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSwing:
    """One of two swings that are set side by side.

    Attributes
    ----------
    session : str or None
        Id of its session in the library; None while it is still being recorded.
    key : str
        Names it, also before it is in the library.
    start : str
        When its recording began, as `SessionRow` has it.
    path : Path
        Of the recording.
    mount : str or None
    kind : {"strike", "rehearsal", "unclear"}
    swing : Swing
    simulated : bool
    called : str
        What it is called in a sentence, and over its lane, where its kind isn't enough.
    label : str
    """

    session: str | None
    key: str
    start: str
    path: Path
    mount: str | None
    kind: Kind
    swing: Swing
    simulated: bool = False
    called: str = ""
    label: str = ""

    @classmethod
    def of(cls, session: SessionRow, detail: SwingDetail) -> PairSwing:
        """Return a swing of the library."""
        return cls(
            session=session.id,
            key=f"{session.id}~{detail.seq}",
            start=session.start,
            path=detail.path,
            mount=session.mount,
            kind=cast(Kind, detail.kind),
            swing=detail.swing,
            simulated=bool(session.simulated),
        )

    def at_s(self, event: str) -> float | None:
        """Return when an event was; None where it isn't known."""
        at: float | None = getattr(self.swing, f"{event}_s")
        return at


Pair = tuple[PairSwing, PairSwing]


def ordered(one: PairSwing, other: PairSwing) -> Pair:
    """Return the two as they stand: practice swing left, shot right; of a kind, by their time."""

    def place(side: PairSwing) -> tuple[int, str, int]:
        # Times of two recordings may have different offsets.
        start = datetime.fromisoformat(side.start).timestamp()
        return ORDER[side.kind], f"{start:020.6f}", side.swing.index

    return (one, other) if place(one) <= place(other) else (other, one)


def names_of(pair: Pair) -> tuple[str, str]:
    """Return what each is called in a sentence: by its kind, else by its number, then its day."""
    if pair[0].called and pair[1].called:
        return pair[0].called, pair[1].called
    kinds = [said.KIND_NAMES[side.kind] for side in pair]
    if kinds[0] != kinds[1]:
        return f"the {kinds[0]}", f"the {kinds[1]}"
    names = [f"{kind} {side.swing.index}" for kind, side in zip(kinds, pair, strict=True)]
    if pair[0].session != pair[1].session:
        days = [datetime.fromisoformat(side.start) for side in pair]
        text = [f"{at.day} {at:%B}" for at in days]
        if text[0] == text[1]:
            text = [f"{one}, {at:%H:%M}" for one, at in zip(text, days, strict=True)]
        names = [f"{name} of {day}" for name, day in zip(names, text, strict=True)]
    return names[0], names[1]


def alone(name: str) -> str:
    """Return what a swing is called where it stands alone, as over a column."""
    short = name.removeprefix("the ")
    return f"{short[:1].upper()}{short[1:]}"


def moment_side(pair: Pair) -> int:
    """Say at whose impact the picture opens: the shot's; of two of a kind, the quicker one's."""
    if pair[0].kind != pair[1].kind:
        return 1
    times = [side.swing.swing_ms for side in pair]
    if times[0] is None or times[1] is None:
        return 1
    return int(times[1] <= times[0])


# -- words -----------------------------------------------------------------------------------------


def _told(result: Comparison) -> list[Row]:
    """Rows in which the two differ, farthest apart in their uncertainty first; one of time."""
    rows = {row.measure: row for row in result.rows if row.outcome is Outcome.DIFFERENT}
    times = [rows[name] for name in ("backswing_ms", "swing_ms") if name in rows][:1]
    others = [rows[name] for name in ("turn_deg", "peak_rate_dps") if name in rows]

    def apart(row: Row) -> float:
        assert row.difference is not None
        return abs(row.difference) / row.u if row.u else math.inf

    return sorted([*times, *others], key=apart, reverse=True)


def headline(pair: Pair, told: PairWords, align: str, *, most: int = len(SHOWN)) -> tuple[str, str]:
    """Say in one sentence what differs most, and in a second one what would show.

    Parameters
    ----------
    pair : Pair
    told : PairWords
    align : {"takeaway", "top", "impact"}
        What is brought together: where one was at the other's impact is said of a common start.
    most : int
        Aspects that are said, those farthest apart.

    Returns
    -------
    sentence, hint : str
        The hint is empty where something differs.
    """
    names = names_of(pair)
    result = told.comparison
    different = _told(result)
    if different:
        met = moment_side(pair)
        place = told.place
        if (
            different[0].measure.endswith("_ms")
            and place is not None
            and place[0] != met
            and align == "takeaway"
        ):
            at = place[1]
            return said.moment_words(names[met], names[1 - met], at.going_back, at.share), ""
        apart = [(row.measure, row.difference or 0.0, row.a) for row in different[:most]]
        return said.apart_words(names, apart), ""
    rows = [row for name in SHOWN if (row := result.row(name)) is not None]
    judged = [row for row in rows if row.outcome is not None and row.measure != "downswing_ms"]
    if not judged:
        return "Can't tell yet: a takeaway or top is missing in one of them.", ""
    open_ = [row for row in judged if row.outcome is Outcome.INCONCLUSIVE and row.detectable]
    if not open_:
        return f"About the same: {_listed(judged)}.", ""
    least = [said.amount(row.measure, row.detectable or 0.0, row.a) for row in open_]
    text = f"{least[0]}" if len(least) == 1 else f"{', '.join(least[:-1])} or {least[-1]}"
    return (
        f"Can't tell them apart yet in {_listed(open_)}.",
        f"Between two single swings a difference shows from {text} on.",
    )


def _listed(rows: Sequence[Row]) -> str:
    names = [said.ASPECTS[row.measure][0] for row in rows]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def table(result: Comparison) -> list[tuple[str, str, str, str]]:
    """Return the plain table: what, left, right, and how the right one differs."""
    out = []
    for name in SHOWN:
        row = result.row(name)
        if row is None or row.reason == "rules":
            # One ends at the ball and one at its least turn: in the fold, with why.
            continue
        bound = row.reason == "bound"
        cells = [
            "–" if value is None or bound else said.amount(name, value, row.a)
            for value in (row.a, row.b)
        ]
        word = said.CANT_TELL
        if row.outcome is Outcome.DIFFERENT:
            word = said.differs(name, row.difference or 0.0, row.a)
        elif row.outcome is Outcome.SAME:
            word = said.SAME
        elif bound:
            word = f"{said.CANT_TELL}: past the sensor's limit"
        elif row.reason == "absent":
            word = f"{said.CANT_TELL}: not measured"
        label = said.ASPECTS[name][0]
        out.append((label[:1].upper() + label[1:], cells[0], cells[1], word))
    return out


# -- the picture -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lined:
    """A swing on the picture's time: its curves, and where its zero is."""

    side: PairSwing
    trace: Trace
    zero_s: float

    def ms(self, at_s: float) -> float:
        """Return an instant in ms of the picture."""
        return 1e3 * (at_s - self.zero_s)

    def at_s(self, ms: Any) -> Any:
        """Return instants of the picture as times of the recording, an event's own exactly."""
        asked = np.asarray(ms, dtype=np.float64)
        out = self.zero_s + asked / 1e3
        for event in EVENTS:
            at_s = self.side.at_s(event)
            if at_s is not None:
                out = np.where(np.abs(self.ms(at_s) - asked) <= SNAP_MS, at_s, out)
        return out

    def turns(self, ms: Any) -> Any:
        """Return the turn at instants; NaN where it wasn't measured."""
        trace = self.trace
        return np.interp(self.at_s(ms), trace.time_s, trace.turn_deg, left=math.nan, right=math.nan)

    def ways(self, ms: Any) -> Any:
        """Return how far it is on its way at instants, as `way_at` has it."""
        trace = self.trace
        curves = (trace.time_s, trace.turn_deg, trace.rate_dps)
        return way_at(*curves, self.side.swing, self.at_s(ms))

    def where(self, ms: float) -> str:
        """Say where it is at an instant."""
        swing = self.side.swing
        at_s = float(self.at_s(ms))
        if swing.takeaway_s is not None and at_s < swing.takeaway_s:
            return said.WAY["before"]
        if swing.impact_s is not None and at_s > swing.impact_s:
            return said.WAY["past"]
        way = float(self.ways(ms))
        if not math.isfinite(way):
            return said.WAY["unknown"]
        return said.way_words(way < 1.0, way if way < 1.0 else way - 1.0)


def lined_up(pair: Pair, traces: Sequence[Trace], align: str) -> tuple[Lined, Lined] | None:
    """Bring an event of both to one time; None where one hasn't got it."""
    zeros = [side.at_s(align) for side in pair]
    if zeros[0] is None or zeros[1] is None or not all(len(t.time_s) for t in traces):
        return None
    return Lined(pair[0], traces[0], zeros[0]), Lined(pair[1], traces[1], zeros[1])


def picture(lanes: tuple[Lined, Lined]) -> dict[str, Any]:
    """Return both swings on one scale of turn: as they stand at the moment, and all the way.

    Returns
    -------
    dict
        ``lanes``, ``ticks``, ``moment``, ``low``, ``high`` (ms), and ``data`` for the script.
    """
    pair = (lanes[0].side, lanes[1].side)
    met = moment_side(pair)
    impact_s = pair[met].at_s("impact")
    moment = 0.0 if impact_s is None else lanes[met].ms(impact_s)
    known = [
        lane.ms(at)
        for lane in lanes
        for event in EVENTS
        if (at := lane.side.at_s(event)) is not None
    ]
    low, high = min(known) - BEFORE_MS, max(known) + AFTER_MS
    grid = np.unique(np.round([*np.arange(low, high, STEP_MS), *known, moment], 2))
    turns = [lane.turns(grid) for lane in lanes]
    highest = max((float(v) for turn in turns for v in turn if v == v), default=TICK_DEG)
    step = TICK_DEG * max(1, math.ceil(1.05 * highest / TICK_DEG / MOST_TICKS))
    top = step * math.ceil(1.05 * highest / step)
    out: dict[str, Any] = {
        "met": said.whose(names_of(pair)[met]),
        "moment": round(moment, 2),
        "low": round(low),
        "high": round(high),
        "ticks": [(f"{deg:.0f}°", _percent(deg, top)) for deg in np.arange(0.0, top + 1.0, step)],
        "lanes": [_lane(lane, k, pair, moment, top) for k, lane in enumerate(lanes)],
    }
    # The impact that it opens at first, then the other's.
    stops = [
        (round(lanes[k].ms(at), 2), k)
        for k in (met, 1 - met)
        if (at := pair[k].at_s("impact")) is not None
    ]
    out["stands"] = stops[0][1] if stops else None
    out["data"] = {
        "stops": stops,
        "words": said.WAY,
        "full_deg": top,
        "moment_ms": out["moment"],
        "time_ms": [float(ms) for ms in grid],
        "swings": [_data(lane, grid, turn) for lane, turn in zip(lanes, turns, strict=True)],
    }
    return out


def _percent(turn_deg: float, full_deg: float) -> str | None:
    return (
        None if math.isnan(turn_deg) else f"{min(max(100.0 * turn_deg / full_deg, 0.0), 100.0):.2f}"
    )


def _lane(lane: Lined, number: int, pair: Pair, moment: float, full_deg: float) -> dict[str, Any]:
    """What is drawn of one swing, as it stands at the moment."""
    side = lane.side
    ticks: list[tuple[str, str, bool]] = []
    for event in ("top", "impact"):
        at_s = side.at_s(event)
        place = None if at_s is None else _percent(float(lane.turns(lane.ms(at_s))), full_deg)
        if place is not None:
            near = any(abs(float(place) - float(x)) < CLOSEST_PERCENT for _, x, _ in ticks)
            ticks.append((event, place, not near))
    # Once past its impact a swing turns on: its mark stays where the ball was.
    impact_s = lane.side.swing.impact_s
    until = moment if impact_s is None else min(moment, lane.ms(impact_s))
    turn = float(lane.turns(until))
    name = f"{said.KIND_NAMES[side.kind]} {side.swing.index}"
    return {
        "kind": side.kind,
        "name": name[:1].upper() + name[1:],
        # On a wall: as short as it may be.
        "label": side.label
        or (alone(said.KIND_NAMES[side.kind]) if pair[0].kind != pair[1].kind else alone(name)),
        # Of two of a kind one is drawn solid and one dashed.
        "style": number if pair[0].kind == pair[1].kind else 0,
        "side": side,
        "swing": side.swing,
        "url": None if side.session is None else swing_url(side.session, side.swing.index),
        "session_url": None if side.session is None else session_url(side.session),
        "ticks": ticks,
        "top": next((place for event, place, _ in ticks if event == "top"), None),
        "mark": _percent(turn, full_deg),
        "turn": "–" if math.isnan(turn) else f"{turn:.0f}°",
        "where": lane.where(moment),
    }


def _data(lane: Lined, grid: Any, turns: Any) -> dict[str, Any]:
    """What the script needs of one swing: turn, and share of the way, at each time of the grid."""
    ways = lane.ways(grid)
    ends = {
        event: None if at is None else round(lane.ms(at), 2)
        for event in EVENTS
        for at in [lane.side.at_s(event)]
    }
    return {
        "turn_deg": [None if math.isnan(v) else round(float(v), 2) for v in turns],
        "way": [None if math.isnan(way) else round(float(way), 4) for way in ways],
        "events_ms": ends,
    }
