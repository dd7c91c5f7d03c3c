"""Clips: a phone's film beside the curves of the sensor, moved by one slider, nudged by eye.

A film is attached from a folder of this computer that the page looks into, or at a terminal from
anywhere. The page knows films and clips by ids only: no path of a request is ever opened, and no
film leaves this computer.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from library.catalogue import Library
from library.clips import (
    CLIP_FOLDER,
    MEDIA_TYPES,
    Clip,
    clip_of,
    clips_of,
    detach,
    media_file,
    media_type,
    shift,
)
from library.errors import LibraryError, NoSuchError
from library.rows import SwingDetail
from review import formatting as fmt
from review.errors import ReviewError
from review.lining_up import MOST_FILMS, attach, films_for, hear_again
from review.page.app import FormError, Page, page_of
from review.page.forms import Form, edit_session, field, number, posted
from review.page.links import pair_url, session_url, swing_url
from review.page.pair import ALIGNED, named
from review.plot import Trace
from review.svg import Curve, traces_chart
from sensor.errors import SensorError
from sensor.recording.annotations import read_annotations

_CLIP: Final = re.compile(r"[0-9a-f]{16}")
BEFORE_S: Final = 0.4
AFTER_S: Final = 0.6
"""Shown before takeaway and after impact."""
MOST_FRAMES: Final = 600
"""Frames that a clip is moved by at once."""


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/session/{session}/clips", _clips),
        Route("/session/{session}/clips", posted(_attach), methods=["POST"]),
        Route("/session/{session}/clips/{clip}", _clip),
        Route("/session/{session}/clips/{clip}", posted(_change), methods=["POST"]),
        Route("/clips/pair", _pair),
        Route("/clips/media/{clip}", _media),
    ]


def _checked(text: str) -> str:
    if not _CLIP.fullmatch(text):
        raise NoSuchError("there is nothing under this address")
    return text


def clip_url(session: str, clip: str, swing: int | None = None) -> str:
    """Address of a clip."""
    return f"/session/{session}/clips/{clip}" + ("" if swing is None else f"?swing={swing}")


def _media(request: Request) -> Response:
    """Give a clip's file, or the part of it that the browser asks for."""
    page = page_of(request)
    path = media_file(page.home, _checked(request.path_params["clip"]))
    return FileResponse(
        path, media_type=media_type(path), headers={"cache-control": "private, no-cache"}
    )


# -- the list --------------------------------------------------------------------------------------


def _inside(library: Library, clip: Clip) -> list[tuple[int, str]]:
    """Numbers and kinds of the swings whose impact a clip shows."""
    return [(n, kind) for n, kind, at_s in _swings(library, clip.session) if clip.shows(at_s)]


def _swings(library: Library, session: str) -> list[tuple[int, str, float]]:
    """Number, kind and impact of every swing of a session that has one."""
    table = library.swings(session=session, excluded=True, columns=("number", "kind", "impact_s"))
    return [
        (int(row["number"]), str(row["kind"]), float(row["impact_s"]))
        for row in table.rows()
        if row["impact_s"] is not None
    ]


def _clips(request: Request) -> Response:
    """Show which clips lie beside a session."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        clips = clips_of(library, session.id)
        shown = [{"clip": clip, "swings": _inside(library, clip)} for clip in clips]
        films = films_for(library, session.id, [film_folder(page)])
        changed = _last_change(library, session.id)
        numbers = [n for n, kind, _ in _swings(library, session.id) if kind == "strike"]
    return page.render(
        request,
        "clips.html",
        here="players",
        session=session,
        clips=shown,
        films=films[:MOST_FILMS],
        n_films=len(films),
        numbers=numbers,
        folder=page.here(request, film_folder(page)),
        folder_is_there=film_folder(page).is_dir(),
        kinds_of_file=fmt.join(MEDIA_TYPES),
        command=page.command(request, f"unhurried clip {session.id[:8]}") + " FILE",
        command_swing=page.command(request, f"unhurried clip {session.id[:8]}#7") + " FILE",
        undo=changed,
        clip_url=clip_url,
    )


def film_folder(page: Page) -> Path:
    """Return the folder that films are to be put into."""
    chosen = str(page.tools.settings.get("clip_folder", ""))
    return Path(chosen) if chosen else page.home / CLIP_FOLDER


def _attach(request: Request, form: Form) -> Response:
    """Lay a film beside a session, or beside one of its swings."""
    page = page_of(request)
    key, swing = field(form, "film", most=16), field(form, "swing", most=6)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        films = {film.key: film for film in films_for(library, session.id, [film_folder(page)])}
        seq = None
        if swing.isdecimal():
            seq = library.swing(session.id, number=int(swing)).seq
    listed = f"/session/{session.id}/clips"
    if key not in films:
        text = "This film isn't there any more, or was changed: choose once more."
        return page.back(listed, text, wrong=True)
    distance_m = float(page.tools.settings.get("phone_distance_m", 3.0))
    made: list[Clip] = []
    try:
        edit_session(
            page,
            session.id,
            lambda library: made.append(
                attach(library, session.id, films[key].path, seq=seq, distance_m=distance_m)
            ),
        )
    except (LibraryError, ReviewError) as error:
        return page.back(listed, f"{fmt.line_of(error)}.", wrong=True)
    where = clip_url(session.id, made[0].id, int(swing) if seq is not None else None)
    return page.back(where, f"Attached; the film stays where it is. {_how(made[0])}")


def _how(clip: Clip) -> str:
    """Say how well a clip is lined up now, with what to do where it isn't."""
    if clip.offset_s is None:
        return f"It isn't lined up: {clip.why}."
    if not clip.sure:
        return "Not sure that it lies right: say below which swing it shows, or check it by eye."
    return "Lined up by its sound."


def _last_change(library: Library, session_id: str) -> dict[str, str]:
    """Ids and names of the clips that a session's last change was about; empty if about none."""
    said = read_annotations(library.path_of(session_id), recording=session_id)
    if not said.history or said.history[-1].key != ("session", "clips"):
        return {}
    before, after = (said.history[-1].before or {}), (said.history[-1].after or {})
    return {
        key: (after.get(key) or before[key])["name"]
        for key in {**before, **after}
        if before.get(key) != after.get(key)
    }


# -- one clip --------------------------------------------------------------------------------------


def _clip(request: Request) -> Response:
    """Show a clip with the curves of a swing in it."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
        clip = clip_of(library, session.id, _checked(request.path_params["clip"]))
        every = _swings(library, session.id)
        inside = [(n, kind) for n, kind, at_s in every if clip.shows(at_s)]
        chosen = _chosen(request, library, clip, [n for n, _ in inside])
        detail = None if chosen is None else library.swing(session.id, number=chosen)
        undo = clip.id in _last_change(library, session.id)
        meant = _number_of(library, clip)
    side = None
    problem = None
    if detail is not None:
        try:
            side = _side(page, clip, detail, "impact", "")
        except SensorError as error:
            problem = fmt.line_of(error)
    charts, low, high = _charts([side] if side is not None else [], "impact", session.mount)
    return page.render(
        request,
        "clip.html",
        here="players",
        session=session,
        clip=clip,
        inside=inside,
        every=every,
        meant=meant,
        detail=detail,
        problem=problem,
        charts=charts,
        low=low,
        high=high,
        data=_data([side] if side is not None else [_bare(clip)], clip.frame_s),
        undo=undo,
        clip_url=clip_url,
        swing_url=swing_url,
    )


def _chosen(request: Request, library: Library, clip: Clip, inside: Sequence[int]) -> int | None:
    """Which swing is looked at: the one asked for, the one attached to, or the first inside."""
    text = request.query_params.get("swing", "")
    if text.isdecimal() and len(text) <= 6 and int(text) in inside:
        return int(text)
    mine = _number_of(library, clip)
    return mine if mine in inside else inside[0] if inside else None


def _number_of(library: Library, clip: Clip) -> int | None:
    """Return the number of the swing that a clip was said to show."""
    if clip.seq is None:
        return None
    try:
        return int(library.swing(clip.session, seq=clip.seq).swing.index)
    except NoSuchError:
        return None


def _side(page: Page, clip: Clip, detail: SwingDetail, align: str, name: str) -> dict[str, Any]:
    """What the slider needs of one film and its swing."""
    swing = detail.swing
    zero_s = {"takeaway": swing.takeaway_s, "top": swing.top_s, "impact": swing.impact_s}[align]
    if zero_s is None or clip.offset_s is None:
        raise SensorError(f"the {align} of swing {swing.index} isn't known")
    trace: Trace = page.cache.get(
        ("trace", detail.session, detail.seq), lambda: page.tools.trace(detail), quick=True
    )
    return {
        "clip": clip,
        "detail": detail,
        "name": name or f"swing {swing.index}",
        "zero_s": zero_s,
        "trace": trace,
    }


def _bare(clip: Clip) -> dict[str, Any]:
    """A film that isn't lined up with any swing."""
    return {"clip": clip, "detail": None, "name": clip.name, "zero_s": clip.offset_s, "trace": None}


def _data(sides: Sequence[Mapping[str, Any]], frame_s: float) -> dict[str, Any]:
    """What the script reads: where on each film the slider's zero is."""
    return {
        "frame_s": frame_s,
        "films": [
            {
                "zero_s": None
                if side["zero_s"] is None or side["clip"].offset_s is None
                else round(side["zero_s"] - side["clip"].offset_s, 4)
            }
            for side in sides
        ],
    }


def _charts(
    sides: Sequence[Mapping[str, Any]], align: str, mount: str | None
) -> tuple[list[str], int, int]:
    """Turn and rate of the swings beside the films, and the slider's ends in ms."""
    if not sides:
        return [], 0, 0
    lows, highs = [], []
    curves: dict[str, list[Curve]] = {"turn": [], "rate": []}
    for k, side in enumerate(sides):
        swing, trace, zero = side["detail"].swing, side["trace"], side["zero_s"]
        start = swing.takeaway_s if swing.takeaway_s is not None else zero - 1.2
        end = swing.impact_s if swing.impact_s is not None else zero + 0.4
        lows.append(start - zero - BEFORE_S)
        highs.append(end - zero + AFTER_S)
        inside = (trace.time_s >= start - BEFORE_S) & (trace.time_s <= end + AFTER_S)
        events = [
            (1e3 * (at - zero), name)
            for name, at in (
                ("takeaway", swing.takeaway_s),
                ("top", swing.top_s),
                ("impact", swing.impact_s),
            )
            if at is not None
        ]
        for what, values in (("turn", trace.turn_deg), ("rate", trace.rate_dps)):
            curves[what].append(
                Curve(
                    x=(1e3 * (trace.time_s[inside] - zero)).tolist(),
                    y=values[inside].tolist(),
                    name=side["name"] if len(sides) > 1 else "",
                    style=k,
                    events=events,
                )
            )
    turn = fmt.turn_word(mount)
    charts = [
        traces_chart(
            curves[what],
            title=f"{title} over time",
            x_label=f"ms from {align}",
            y_label=label,
            css=what,
            height=200.0,
            cursor=True,
        )
        for what, title, label in (
            ("turn", turn, f"{turn}, °"),
            ("rate", "rotation", "rotation, °/s"),
        )
    ]
    return [c for c in charts if c], round(1e3 * min(lows)), round(1e3 * max(highs))


# -- changes ---------------------------------------------------------------------------------------


def _change(request: Request, form: Form) -> Response:
    """Line a clip up by eye or anew by its sound, take it away, or take a change back."""
    page = page_of(request)
    with page.library() as library:
        session = page.session(library, request.path_params["session"])
    clip_id = _checked(request.path_params["clip"])
    listed = f"/session/{session.id}/clips"
    swing = field(form, "swing", most=6)
    here = clip_url(session.id, clip_id, int(swing) if swing.isdecimal() else None)
    if "undo" in form:
        with page.changing() as library:
            changed = _last_change(library, session.id)
            if not changed or ("listed" not in form and clip_id not in changed):
                return page.back(listed, "There is nothing to take back here.", wrong=True)
            library.undo(session.id)
            there = any(clip.id == clip_id for clip in clips_of(library, session.id))
        text = f"Taken back: the last change of {fmt.join(changed.values())}."
        return page.back(here if there and "listed" not in form else listed, text)
    if "remove" in form:
        edit_session(
            page, session.id, lambda library: _ignore(detach(library, session.id, clip_id))
        )
        return page.back(listed, "Taken away; the file stays where it is.")
    if "again" in form:
        distance_m = float(page.tools.settings.get("phone_distance_m", 3.0))
        shows = field(form, "shows", most=6)
        seq = None
        if shows.isdecimal():
            with page.library() as library:
                seq = library.swing(session.id, number=int(shows)).seq
        heard: list[Clip] = []
        edit_session(
            page,
            session.id,
            lambda library: heard.append(
                hear_again(library, session.id, clip_id, seq=seq, distance_m=distance_m)
            ),
        )
        here = clip_url(session.id, clip_id, int(shows) if seq is not None else None)
        return page.back(here, _how(heard[0]), wrong=not heard[0].sure)
    with page.library() as library:
        clip = clip_of(library, session.id, clip_id)
        try:
            offset_s = _offset(library, clip, form)
        except FormError as error:
            text = fmt.line_of(error)
            return page.back(
                here, f"{text[:1].upper()}{text[1:]}.", wrong=True, form=("clip", form)
            )
    edit_session(
        page, session.id, lambda library: _ignore(shift(library, session.id, clip_id, offset_s))
    )
    return page.back(here, "Kept: lined up by eye.")


def _ignore(_value: object) -> None:
    """Nothing to give back."""


def _offset(library: Library, clip: Clip, form: Mapping[str, list[str]]) -> float:
    """Where a clip's beginning is to be, by what was pressed or typed."""
    if "frames" in form:
        frames = number(form, "frames", "the number of pictures")
        if frames is None or frames != int(frames) or abs(frames) > MOST_FRAMES:
            raise FormError(f"move it by 1 to {MOST_FRAMES} pictures")
        if clip.offset_s is None:
            raise FormError("it isn't lined up yet: say first which impact it shows")
        return clip.offset_s + frames * clip.frame_s
    shown_s = number(form, "shown_s", "the time in the clip")
    if shown_s is None:
        raise FormError("say at which time of the clip the impact is to be seen")
    if not 0.0 <= shown_s <= clip.duration_s:
        raise FormError(f"the clip is {clip.duration_s:.1f} s long")
    wanted = field(form, "of", most=6)
    for n, _, at_s in _swings(library, clip.session):
        if str(n) == wanted:
            return at_s - shown_s
    raise FormError("say of which swing it is the impact")


# -- two clips -------------------------------------------------------------------------------------


def _pair(request: Request) -> Response:
    """Show two clips side by side, moved by one slider."""
    page = page_of(request)
    query = request.query_params
    align = query.get("align", "impact")
    if align not in ALIGNED:
        align = "impact"
    a, b = named(query.get("a", "")), named(query.get("b", ""))
    sides, missing = [], []
    with page.library() as library:
        details = [library.swing(one[0], number=one[1]) for one in (a, b)]
        mounts = [library.session(one[0]).mount for one in (a, b)]
        every = [_films(library, detail) for detail in details]
        films = [
            next(
                (c for c in found if c.id == query.get(f"film_{side}")), found[0] if found else None
            )
            for side, found in zip("ab", every, strict=True)
        ]
    for name, detail, film in zip("AB", details, films, strict=True):
        if film is None:
            missing.append(f"swing {detail.swing.index} ({name}) has no clip that is lined up")
            continue
        try:
            sides.append(_side(page, film, detail, align, f"{name}, swing {detail.swing.index}"))
        except SensorError as error:
            missing.append(fmt.line_of(error))
    whole = len(sides) == 2
    charts: list[str] = []
    low = high = 0
    if whole:
        charts, low, high = _charts(sides, align, mounts[0])
        if mounts[0] != mounts[1]:
            # Turns of different places are different things.
            charts = []
    frame_s = min((side["clip"].frame_s for side in sides), default=1.0 / 30.0)
    return page.render(
        request,
        "clip_pair.html",
        here="players",
        sides=sides if whole else [],
        missing=missing,
        charts=charts,
        low=low,
        high=high,
        align=align,
        a=a,
        b=b,
        details=details,
        data=_data(sides, frame_s),
        film_query="".join(
            f"&film_{side}={clip.id}"
            for side, clip in zip("ab", films, strict=True)
            if clip is not None and query.get(f"film_{side}") == clip.id
        ),
        others=_others(every, films, a, b, align),
        pair_url=pair_url,
        session_url=session_url,
        swing_url=swing_url,
        clip_url=clip_url,
    )


def _films(library: Library, detail: SwingDetail) -> list[Clip]:
    """Return the clips that show a swing, best first.

    One that was lined up by its sound, and surely, comes before one that wasn't; of these the one
    that was attached to the swing.
    """
    at_s = detail.swing.impact_s
    if at_s is None:
        return []
    showing = [c for c in clips_of(library, detail.session) if c.here and c.shows(at_s)]
    return sorted(showing, key=lambda c: (not c.sure or c.by_hand, c.seq != detail.seq, not c.sure))


def _others(
    every: Sequence[Sequence[Clip]],
    films: Sequence[Clip | None],
    a: tuple[str, int],
    b: tuple[str, int],
    align: str,
) -> list[dict[str, Any]]:
    """Return the other clips that could be shown of each swing, with the address that does it."""
    chosen = [None if film is None else film.id for film in films]
    out = []
    for k, found in enumerate(every):
        for clip in found:
            if clip.id == chosen[k]:
                continue
            ids = [clip.id if k == side else chosen[side] for side in (0, 1)]
            query = {"a": f"{a[0]}~{a[1]}", "b": f"{b[0]}~{b[1]}", "align": align}
            query.update({f"film_{s}": one for s, one in zip("ab", ids, strict=True) if one})
            how = "by eye" if clip.by_hand else "by its sound" if clip.sure else "not surely"
            url = f"/clips/pair?{urlencode(query)}"
            out.append({"side": "AB"[k], "name": clip.name, "how": how, "url": url})
    return out
