"""Two swings, moved by one slider: where each is on its way at any instant, and what differs."""

from __future__ import annotations

import contextlib
import math
import re
from typing import Any, Final

import numpy as np
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from review.liberrors import NoSuchError
from review.library import Library, SessionRow, SwingDetail
from review.page import words
from review.page.app import FormError, Page, checked_id, page_of
from review.page.links import pair_url, session_url, swing_url
from review.page.swing import curves_of, since_takeaway_ms
from review.page.tools import PairWords
from review.plot import Trace
from review.svg import Curve, traces_chart
from sensor.errors import SensorError

__all__ = ["PairData", "pair_of", "routes"]

ALIGNED: Final = ("takeaway", "top", "impact")
BEFORE_MS: Final = 250.0
AFTER_MS: Final = 350.0
RADIUS: Final = 80.0
_SWING: Final = re.compile(r"([0-9a-f-]{36}(?:-\d{1,6})?)~(\d{1,6})")
MOST_SESSIONS: Final = 400
"""Sessions to choose the other swing from."""


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    return [Route("/pair", _pair)]


def named(text: str) -> tuple[str, int]:
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


def pair_of(page: Page, details: tuple[SwingDetail, SwingDetail]) -> PairData:
    """Return the curves of two swings and what differs, kept until the library changes.

    Raises
    ------
    SensorError, ReviewError
        A recording cannot be read, or the two cannot be compared.
    """

    def work() -> PairData:
        with contextlib.ExitStack() as files:
            opened = {}
            for detail in details:
                if detail.path not in opened:
                    recording = page.tools.open_recording(detail.path)
                    opened[detail.path] = files.enter_context(recording)
            recordings = [opened[detail.path] for detail in details]
            traces = [
                page.tools.trace_of(recording, detail.swing)
                for recording, detail in zip(recordings, details, strict=True)
            ]
            return traces, page.tools.compare_pair(recordings, [d.swing for d in details])

    key = ("pair", *((d.session, d.seq) for d in details))
    found: PairData = page.shelf.get(key, work, quick=True)
    return found


def arc_path(turn_deg: float, *, left: bool) -> str:
    """Return an arc from straight down by a turn: away from the target, seen from the front."""
    turn = math.radians(min(max(turn_deg, 0.0), 359.0))
    sign = 1.0 if left else -1.0
    x, y = sign * RADIUS * math.sin(turn), RADIUS * math.cos(turn)
    large, sweep = int(turn > math.pi), int(not left)
    return f"M0 {RADIUS:g}A{RADIUS:g} {RADIUS:g} 0 {large} {sweep} {x:.2f} {y:.2f}"


def _pair(request: Request) -> Response:
    page = page_of(request)
    query = request.query_params
    align = query.get("align", "takeaway")
    if align not in ALIGNED:
        align = "takeaway"
    if "a" not in query:
        raise NoSuchError("there is nothing under this address")
    a = named(query["a"])
    if "other" in query:
        # The form that chooses the other swing: session and number apart.
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
            text = str(error)
            url = pair_url(a, named(query["b"]) if "b" in query else a, align)
            typed = {"other": [other], "number": [number[:6]]}
            return page.back(
                f"{url}#other-h",
                f"{text[:1].upper()}{text[1:]}.",
                wrong=True,
                form=("other", typed),
            )
        return RedirectResponse(pair_url(a, (other, int(number)), align), status_code=303)
    b = named(query["b"]) if "b" in query else a
    with page.library() as library:
        sessions = [page.session(library, one[0]) for one in (a, b)]
        details = (library.swing(a[0], number=a[1]), library.swing(b[0], number=b[1]))
        context = _choices(library, sessions, details)
        context.update(a=a, b=b, align=align, sessions=sessions, details=details)
        problem = None
        if a == b:
            problem = "Both are the same swing: choose another one below."
        elif sessions[0].mount != sessions[1].mount:
            problem = (
                "They were measured at different places "
                f"({', '.join(words.MOUNT_WORDS.get(s.mount, 'not said') for s in sessions)}): "
                "such turns are different things and never compared. Choose another one below."
            )
        shown: dict[str, Any] = {}
        if problem is None:
            try:
                shown = shown_pair(page, sessions, details, align)
            except SensorError as error:
                problem = str(error)
    return page.render(
        request,
        "pair.html",
        here="players",
        problem=problem,
        shown=shown,
        pair_url=pair_url,
        swing_url=swing_url,
        session_url=session_url,
        **context,
    )


def _choices(
    library: Library, sessions: list[SessionRow], details: tuple[SwingDetail, SwingDetail]
) -> dict[str, Any]:
    """What may be put beside the first swing: any of the player, measured at the same place."""
    player = details[0].player
    mount = sessions[0].mount
    there = [sessions[0]]
    if player is not None:
        there = library.sessions(player=player, mount=mount, limit=MOST_SESSIONS)
    other = sessions[1].id
    if other not in [s.id for s in there]:
        there = [sessions[1], *there]
    table = library.swings(session=other, columns=("number", "kind"), excluded=True)
    return {
        "choices": there,
        "numbers": [int(n) for n in table["number"]],
        "player": None if player is None else library.player(player),
    }


def shown_pair(
    page: Page,
    sessions: list[SessionRow],
    details: tuple[SwingDetail, SwingDetail],
    align: str,
) -> dict[str, Any]:
    """Everything the screen shows of two swings."""
    traces, told = pair_of(page, details)
    swings = [detail.swing for detail in details]
    at = [getattr(swing, f"{align}_s") for swing in swings]
    missing = [k for k, value in enumerate(at) if value is None]
    out: dict[str, Any] = {
        "told": told,
        "aligned": not missing,
        "missing": ["AB"[k] for k in missing],
        "charts": [],
        "data": [],
        "sides": [],
    }
    if missing:
        return out
    mount = sessions[0].mount
    names = [
        f"{letter}: {detail.kind} {detail.swing.index}"
        for letter, detail in zip("AB", details, strict=True)
    ]
    drawn = []
    ends = []
    for k, (swing, trace) in enumerate(zip(swings, traces, strict=True)):
        shift = since_takeaway_ms(swing, at[k])
        found = curves_of(trace, swing, style=k, shift_ms=shift)
        if found is None:
            out["aligned"] = False
            return out
        drawn.append((shift, found))
        last = swing.impact_s if swing.impact_s is not None else at[k]
        ends.append((-shift, since_takeaway_ms(swing, last) - shift))
    low = min(e[0] for e in ends) - BEFORE_MS
    high = max(e[1] for e in ends) + AFTER_MS
    curves: dict[str, list[Curve]] = {"turn": [], "rate": []}
    for k, (shift, (x, turn, rate, style)) in enumerate(drawn):
        inside = (x >= low) & (x <= high)
        events = [
            (since_takeaway_ms(swings[k], value) - shift, name)
            for name in ("takeaway", "top", "impact")
            if (value := getattr(swings[k], f"{name}_s")) is not None
        ]
        for what, y in (("turn", turn), ("rate", rate)):
            curves[what].append(
                Curve(
                    x=x[inside].tolist(),
                    y=y[inside].tolist(),
                    name=names[k],
                    style=style,
                    events=events,
                )
            )
        left = swings[k].handedness == "left"
        top = swings[k].turn_deg
        out["sides"].append(
            {
                "name": names[k],
                "left": left,
                "hand": swings[k].handedness,
                "track": None if top is None else arc_path(top, left=left),
                "turn": words.digits("turn_deg", top),
                "u": swings[k].turn_deg_u,
            }
        )
        out["data"].append(_data(names[k], swings[k], x + shift, turn, shift, left))
    for what, label in (("turn", f"{words.turn_word(mount)}, deg"), ("rate", "rate, deg/s")):
        out["charts"].append(
            traces_chart(
                curves[what],
                title=f"{label.split(',')[0].capitalize()} of both swings over time",
                x_label=f"ms from {align}",
                y_label=label,
                css=what,
                cursor=True,
            )
        )
    out["rows"] = _rows(drawn, low, high)
    out["low"], out["high"] = round(low), round(high)
    return out


def _data(name: str, swing: Any, ms: Any, turn: Any, shift: float, left: bool) -> dict[str, Any]:
    """What the slider's script needs of a swing; times in ms since its takeaway."""
    events = {
        event: None if at is None else round(since_takeaway_ms(swing, at), 2)
        for event in ("takeaway", "top", "impact")
        for at in [getattr(swing, f"{event}_s")]
    }
    return {
        "name": name,
        "time_ms": [round(float(v), 1) for v in ms],
        "turn_deg": [None if not np.isfinite(v) else round(float(v), 1) for v in turn],
        "shift_ms": round(shift, 2),
        "events_ms": events,
        "left": left,
    }


def _rows(drawn: list[Any], low: float, high: float) -> list[list[str]]:
    """Return both swings as a table, every 100 ms."""
    out = []
    for at in np.arange(math.ceil(low / 100.0) * 100.0, high, 100.0):
        row = [f"{at:.0f}".replace("-", "−")]
        for index, measure in ((1, "turn_deg"), (2, "peak_rate_dps")):
            for _, found in drawn:
                x, y = found[0], found[index]
                k = int(np.argmin(np.abs(x - at)))
                near = abs(x[k] - at) < 50.0
                row.append(words.digits(measure, float(y[k])) if near else "–")
        out.append(row)
    return out
