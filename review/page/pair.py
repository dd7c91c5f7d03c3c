"""Two swings side by side: where each is on its way at any instant, and what differs."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from library.catalogue import Library
from library.clips import clips_of
from library.errors import NoSuchError
from library.rows import SessionRow
from library.typical import typical_practice_swing
from review import formatting as fmt
from review.page.app import FormError, Page, checked_id, page_of
from review.page.links import pair_url, swing_url, wall_url
from review.page.pair_answer import (
    EVENTS,
    Lined,
    Pair,
    PairSwing,
    alone,
    headline,
    lined_up,
    names_of,
    ordered,
    picture,
    table,
)
from review.page.tools import PairWords
from review.plot import Trace
from review.svg import Curve, traces_chart
from sensor.errors import SensorError
from words.pair import KIND_NAMES

Named = tuple[str, int]
"""A swing as addresses have it: its session and number."""

ALIGNED: Final = EVENTS
_SWING: Final = re.compile(r"([0-9a-f-]{36}(?:-\d{1,6})?)~(\d{1,6})")
MOST_SESSIONS: Final = 400
"""Sessions to choose the other swing from."""


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    return [
        Route("/pair", _pair),
        Route("/session/{session}/swing/{number:int}/beside", _beside),
    ]


def named(text: str) -> Named:
    """Return session and number of a swing as addresses have them.

    Raises
    ------
    NoSuchError
    """
    found = _SWING.fullmatch(text)
    if found is None:
        raise NoSuchError("there is nothing under this address")
    return checked_id(found[1]), int(found[2])


PairData = tuple[list[Trace], PairWords]


def pair_of(page: Page, pair: Pair) -> PairData:
    """Return the curves of two swings and what differs, kept until the library changes.

    Raises
    ------
    SensorError, ReviewError
        A recording cannot be read, or the two cannot be compared.
    """

    def work() -> PairData:
        with contextlib.ExitStack() as files:
            opened = {}
            for side in pair:
                if side.path not in opened:
                    recording = page.tools.open_recording(side.path)
                    opened[side.path] = files.enter_context(recording)
            recordings = [opened[side.path] for side in pair]
            traces = [
                page.tools.trace_of(recording, side.swing)
                for recording, side in zip(recordings, pair, strict=True)
            ]
            return traces, page.tools.compare_pair(recordings, [side.swing for side in pair])

    key = ("pair", *(side.key for side in pair))
    found: PairData = page.cache.get(key, work, quick=True)
    return found


def two_of(library: Library, page: Page, a: Named, b: Named) -> tuple[list[SessionRow], Pair]:
    """Return two swings by their addresses, the practice swing left and the shot right.

    Raises
    ------
    NoSuchError
    """
    sessions = [page.session(library, one[0]) for one in (a, b)]
    sides = [
        PairSwing.of(session, library.swing(session.id, number=one[1]))
        for session, one in zip(sessions, (a, b), strict=True)
    ]
    return sessions, ordered(sides[0], sides[1])


def apart(pair: Pair) -> str | None:
    """Say why two swings can't be set side by side; None where they can."""
    if pair[0].key == pair[1].key:
        return "Both are the same swing: choose another one below."
    if pair[0].mount != pair[1].mount:
        places = [fmt.MOUNT_WORDS.get(side.mount or "", "not said") for side in pair]
        return (
            f"They were measured at different places ({', '.join(places)}). "
            "Such turns are different things and never compared: choose another one below."
        )
    return None


def _pair(request: Request) -> Response:
    page = page_of(request)
    query = request.query_params
    align = query.get("align", "")
    if align not in ALIGNED:
        align = "takeaway"
    if "a" not in query:
        raise NoSuchError("there is nothing under this address")
    a = named(query["a"])
    if "other" in query:
        return _chosen(request, a, align)
    b = named(query["b"]) if "b" in query else a
    with page.library() as library:
        sessions, pair = two_of(library, page, a, b)
        context = _choices(library, sessions, library.swing(a[0], number=a[1]).player)
        filmed = any(_filmed(library, one.id) for one in sessions)
    problem = apart(pair)
    shown: dict[str, Any] = {}
    if problem is None:
        try:
            shown = shown_pair(page, pair, align)
        except SensorError as error:
            problem = fmt.line_of(error)
    return page.render(
        request,
        "pair.html",
        here="players",
        a=a,
        b=b,
        align=align,
        pair=pair,
        filmed=filmed,
        simulated=any(side.simulated for side in pair),
        problem=problem,
        shown=shown,
        pair_url=pair_url,
        swing_url=swing_url,
        wall_url=wall_url,
        first=_first(pair, a),
        **context,
    )


def _filmed(library: Library, session: str) -> bool:
    """Tell whether films lie beside a session; none do where the recording is gone."""
    try:
        return bool(clips_of(library, session))
    except (NoSuchError, SensorError):
        return False


def _first(pair: Pair, a: Named) -> str:
    """Return what the swing that the address names first is called."""
    mine = next(s for s in pair if (s.session, s.swing.index) == a)
    return f"{KIND_NAMES[mine.kind]} {mine.swing.index}"


def _chosen(request: Request, a: Named, align: str) -> Response:
    """Lead to the swing that was chosen by session and number, to stand beside the first."""
    page, query = page_of(request), request.query_params
    number = query.get("number", "")
    other = checked_id(query["other"])
    try:
        if not number.isdecimal() or len(number) > 6:
            raise FormError("say which swing of that session: its number")
        with page.library() as library:
            session = page.session(library, other)
            there = library.swings(session=session.id, columns=("number",), excluded=True)
        if int(number) not in there["number"]:
            raise FormError(f"there is no swing {int(number)} in that session")
    except FormError as error:
        text = fmt.line_of(error)
        url = pair_url(a, named(query["b"]) if "b" in query else a, align)
        typed = {"other": [other], "number": [number[:6]]}
        return page.back(
            f"{url}#other-h",
            f"{text[:1].upper()}{text[1:]}.",
            wrong=True,
            form=("other", typed),
        )
    return RedirectResponse(pair_url(a, (other, int(number)), align), status_code=303)


def _beside(request: Request) -> Response:
    """Set a swing beside the player's typical practice swing."""
    page = page_of(request)
    number = request.path_params["number"]
    if not 0 < number < 10**6:
        raise NoSuchError("there is nothing under this address")
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        typical = typical_practice_swing(library, session.id, number)
    return RedirectResponse(pair_url((session.id, number), typical), status_code=303)


def _choices(library: Library, sessions: list[SessionRow], player: str | None) -> dict[str, Any]:
    """What may be put beside the first swing: any of the player, measured at the same place."""
    mount = sessions[0].mount
    there = [sessions[0]]
    if player is not None:
        there = library.sessions(player=player, mount=mount, limit=MOST_SESSIONS)
    other = sessions[1].id
    if other not in [s.id for s in there]:
        there = [sessions[1], *there]
    return {
        "choices": there,
        "player": None if player is None else library.player(player),
    }


def shown_pair(page: Page, pair: Pair, align: str) -> dict[str, Any]:
    """Return everything that is shown of two swings.

    Raises
    ------
    SensorError, ReviewError
        As for `pair_of`.
    """
    traces, told = pair_of(page, pair)
    lanes = lined_up(pair, traces, align)
    out: dict[str, Any] = {
        "told": told,
        "headline": headline(pair, told, align),
        "table": table(told.comparison),
        "names": [alone(name) for name in names_of(pair)],
        "missing": [
            name
            for name, side in zip(names_of(pair), pair, strict=True)
            if side.at_s(align) is None
        ],
        "turned": fmt.turn_word(pair[0].mount),
        "picture": None,
        "same": None,
        "charts": [],
        "rows": [],
    }
    if lanes is not None:
        drawn = picture(lanes)
        out["picture"] = drawn
        first, second = drawn["lanes"]
        places = [(one["session_url"], one["swing"].club) for one in (first, second)]
        # Said once, above both.
        out["same"] = first if first["session_url"] and places[0] == places[1] else None
        out["charts"] = _charts(lanes, out["names"], drawn["low"], drawn["high"], align)
        out["rows"] = _rows(lanes, drawn["low"], drawn["high"])
        if align == "takeaway":
            way = [lane["where"] for lane in drawn["lanes"]]
            out["table"].append((f"At {drawn['met']} impact", *way, ""))
    return out


def _charts(
    lanes: tuple[Lined, Lined], names: Sequence[str], low: float, high: float, align: str
) -> list[str]:
    """Draw turn and rotation of both swings over time."""
    curves: dict[str, list[Curve]] = {"turn": [], "rate": []}
    for k, (lane, name) in enumerate(zip(lanes, names, strict=True)):
        x = 1e3 * (lane.trace.time_s - lane.zero_s)
        inside = (x >= low) & (x <= high)
        events = [
            (lane.ms(at), event) for event in ALIGNED if (at := lane.side.at_s(event)) is not None
        ]
        for what, y in (("turn", lane.trace.turn_deg), ("rate", lane.trace.rate_dps)):
            curves[what].append(
                Curve(
                    x=x[inside].tolist(),
                    y=y[inside].tolist(),
                    name=f"{'AB'[k]}: {name[:1].lower()}{name[1:]}",
                    kind=lane.side.kind,
                    # Solid and dashed also where colours tell: a grey printer has none.
                    style=k,
                    events=events,
                )
            )
    turned = fmt.turn_word(lanes[0].side.mount)
    return [
        traces_chart(
            curves[what],
            title=f"{label.split(',')[0].capitalize()} of both swings over time",
            x_label=f"ms from {align}",
            y_label=label,
            css=what,
            cursor=True,
        )
        for what, label in (("turn", f"{turned}, °"), ("rate", "rotation, °/s"))
    ]


def _rows(lanes: tuple[Lined, Lined], low: float, high: float) -> list[list[str]]:
    """Return both swings as a table, every 100 ms."""
    out = []
    for at in np.arange(math.ceil(low / 100.0) * 100.0, high, 100.0):
        row = [f"{at:.0f}".replace("-", "−")]
        for measure, curve in (("turn_deg", "turn_deg"), ("peak_rate_dps", "rate_dps")):
            for lane in lanes:
                x = 1e3 * (lane.trace.time_s - lane.zero_s)
                k = int(np.argmin(np.abs(x - at)))
                near = abs(x[k] - at) < 50.0
                value = float(getattr(lane.trace, curve)[k])
                row.append(fmt.digits(measure, value) if near else "–")
        row += [lane.where(float(at)) for lane in lanes]
        out.append(row)
    return out
