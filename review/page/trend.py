"""Over time: what changed since the drills began, a picture a measure, model swings and plan."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.evidence.plan import Stage, Standing
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SessionChange, SwingRow
from analysis.evidence.told import NotYet
from library.answer import Answer, Said, answer_of_session
from library.catalogue import Library
from library.errors import NoSuchError
from library.evidence import Evidence
from library.guard import quicker_with
from library.over_time import OverTime, main_kind, over_time
from library.past_full import is_past_full
from library.players import Player
from library.rows import GroupRow, Summary
from library.since_baseline import TREND_MEASURES
from library.telling import look_of
from review import formatting as fmt
from review.answers import change_beside, change_would_show, changed_line
from review.page.answers import Step, next_step
from review.page.app import WAIT_S, Page, RefusedForm, checked_id, page_of
from review.page.cache import NOT_READY
from review.page.evidence_cache import Failed, safely
from review.page.forms import posted
from review.page.links import SwingLinks, session_url, trend_url
from review.page.model_swings import candidates_of, offered
from review.page.setting_edits import STAGES, _plan, _reference, _sound
from review.page.trend_counts import KINDS, Shown, shares_of
from review.page.trend_pictures import balls_of, pictures_of
from words import over_time as say_over_time
from words.glossary import OUTCOMES, SETS

SHOWN: Final = 40
"""Sessions in the pictures; more can be asked for."""

MOST_SHOWN: Final = 200

MEASURES: Final = ("backswing_ms", "turn_deg", "peak_rate_dps", "swing_ms")


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    return [
        Route("/player/{player}/trend", _trend),
        Route("/player/{player}/trend/told", _told),
        Route("/player/{player}/reference", posted(_reference), methods=["POST"]),
        Route("/player/{player}/plan", posted(_plan), methods=["POST"]),
        Route("/player/{player}/sound", posted(_sound), methods=["POST"]),
    ]


def _setting(
    page: Page, library: Library, player: Player, query: Mapping[str, Any]
) -> tuple[list[GroupRow], GroupRow | None]:
    """Return a player's clubs and mounts, and the one that is asked for."""
    groups = page.evidence.settings(library, player.id)
    if "club" not in query and "mount" not in query:
        return groups, groups[0] if groups else None
    club, mount = query.get("club") or None, query.get("mount") or None
    for group in groups:
        if (group.club, group.mount) == (club, mount):
            return groups, group
    raise NoSuchError(f"{player.name} has no full swings with this club and mount")


def _trend(request: Request) -> Response:
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    query = request.query_params
    with page.library() as library:
        player = library.player(who)
        groups, group = _setting(page, library, player, query)
        if group is None:
            return page.render(
                request, "trend.html", here="players", player=player, groups=[], group=None
            )
        wait_s = None if query.get("whole") is not None else WAIT_S
        n = _last(query)
        kept = page.kept(request)
        if kept.form:
            # With what was typed in it: nothing to be kept for others.
            told = page.worker.do(tell_part, who, group, *_by(page, query), kept)
        else:
            told = told_of(page, who, group, query, wait_s)
        shown, total = shown_sessions(library, who, group, n)
        return page.render(
            request,
            "trend.html",
            here="players",
            player=player,
            groups=groups,
            group=group,
            table=table_of(shown),
            measures=MEASURES,
            told=told,
            ready=NOT_READY,
            n=n,
            total=total,
            latest=shown[-1] if shown else None,
            asked={"kind": _asked(query) or None, "last": None if n == SHOWN else n},
            trend_url=trend_url,
            session_url=session_url,
        )


def _last(query: Mapping[str, Any]) -> int:
    """How many sessions are asked for."""
    text = str(query.get("last", ""))
    return min(int(text), MOST_SHOWN) if text.isdecimal() and len(text) < 5 and int(text) else SHOWN


def _asked(query: Mapping[str, Any]) -> str:
    """Kind of swing that is set against itself earlier; empty: what there is more of."""
    kind = query.get("kind", "")
    return kind if kind in KINDS else ""


def _by(page: Page, query: Mapping[str, Any]) -> tuple[str, int, date, fmt.Units, str]:
    """What a screen's part goes by besides the player's swings."""
    with page.library() as library:
        approver = library.last_approver() or ""
    return _asked(query), _last(query), page.today(), page.units, approver


# -- sessions ----------------------------------------------------------------------------------


def shown_sessions(
    library: Library, player: str, group: GroupRow, n: int
) -> tuple[list[Shown], int]:
    """Return the latest ``n`` sessions of a setting, oldest first, and how many there are."""
    found = library.sessions(player=player, club=group.club, mount=group.mount, limit=n)
    if not found:
        return [], 0
    rows = library.summaries(
        player=player,
        club=group.club,
        mount=group.mount,
        part=False,
        since_s=min(s.start_s for s in found),
        simulated=library.simulated_limit(player),
        measures=MEASURES,
    )
    by: dict[str, list[Summary]] = {}
    for row in rows:
        if (row.club, row.mount) == (group.club, group.mount):
            by.setdefault(row.session, []).append(row)
    out = []
    for mine in by.values():
        kinds: dict[str, dict[str, Summary]] = {}
        for row in mine:
            kinds.setdefault(row.kind, {})[row.measure] = row
        out.append(
            Shown(
                session=mine[0].session,
                start=mine[0].start,
                start_s=mine[0].start_s,
                day=mine[0].day,
                simulated=mine[0].simulated,
                by=kinds,
            )
        )
    return sorted(out, key=lambda s: s.start_s)[-n:], group.sessions


def table_of(shown: Sequence[Shown]) -> list[dict[str, Any]]:
    """Return the numbers of the charts."""
    out = []
    for one in reversed(shown):
        for kind in KINDS:
            mine = one.by.get(kind)
            if mine:
                n = max(row.n for row in mine.values())
                out.append({"session": one, "kind": kind, "n": n, "by": mine})
    return out


# -- what can be told --------------------------------------------------------------------------


def told_of(
    page: Page, player: str, group: GroupRow, query: Mapping[str, Any], wait_s: float | None
) -> Any:
    """Return the answer, the pictures and all below them of a setting, or `NOT_READY`."""
    by = _by(page, query)
    work = partial(page.worker.do, tell_part, player, group, *by)
    key = ("trend", player, group.club, group.mount, *by)
    found = page.cache.get(key, work, wait_s=wait_s, player=player)
    if found is not NOT_READY:
        page.keep_told(player, found["look"])
    return found


def tell_part(
    page: Page,
    player: str,
    group: GroupRow,
    asked: str,
    last: int,
    today: date,
    units: fmt.Units,
    approver: str,
    kept: RefusedForm | None = None,
) -> dict[str, Any]:
    """Return what can be told as a part of the screen. A job."""
    with page.library() as library:
        evidence = page.evidence.setting(library, player, group.club, group.mount)
        told = safely(lambda: tell(library, evidence, group, asked, last, today, units))
        if isinstance(told, Failed):
            return {"part": page.part("failed.html", text=told.text), "look": None}
        part = page.part(
            "trend_told.html",
            told=told,
            player=evidence.player,
            group=group,
            stages=STAGES,
            outcomes=OUTCOMES,
            trend_url=trend_url,
            session_url=session_url,
            step_word=say_over_time.step_word,
            past_full=is_past_full,
            approver=approver,
            kept=kept or RefusedForm(),
        )
        return {"part": part, "look": told["look"]}


def tell(
    library: Library,
    evidence: Evidence,
    group: GroupRow,
    asked: str,
    last: int,
    today: date,
    units: fmt.Units,
) -> dict[str, Any]:
    """Work out what can be told of a setting over its sessions."""
    kind = asked or main_kind(evidence)
    found = over_time(evidence, kind)
    standing = evidence.standing(today.toordinal())
    links = SwingLinks(library, None, evidence.days)
    shown, _ = shown_sessions(library, evidence.player.id, group, last)
    chosen = offered(library, evidence, links)
    reference = evidence.reference if isinstance(evidence.reference, Reference) else None
    first_ball, balls, balls_table = balls_of(evidence, shown, units)
    record = evidence.plan_record
    return {
        "kind": kind,
        "headline": changed_line(found),
        "more": change_would_show(found),
        "beside": change_beside(found),
        "step": step_of(found, standing, evidence),
        "past_full": _past_full(evidence),
        "pictures": [*pictures_of(evidence, shown, found, standing), *first_ball],
        "balls": balls,
        "balls_table": balls_table,
        "marks": [kind for kind in KINDS if any(kind in one.by for one in shown)],
        "drilled": found.drilled,
        "shares": None
        if reference is None
        else shares_of(library, evidence.player.id, group, shown, reference),
        "changes": _changes(evidence, kind, links),
        "apart": evidence.day_spread_words(),
        "kept": kept_of(evidence, links),
        "reference": evidence.reference,
        "approved": evidence.player.reference(evidence.club, evidence.mount),
        "reference_swings": [] if reference is None else links.groups(reference.swing_ids),
        "choosing": standing.stage is Stage.REFERENCE,
        "offered": chosen,
        "least": evidence.params.least_reference,
        "candidates": candidates_of(library, evidence, chosen, links),
        "standing": standing,
        "quicker": quicker_with(evidence),
        "findings": [
            {
                "finding": f,
                "what": SETS.get(f.what, f.what),
                "swings": links.groups(f.swing_ids),
            }
            for f in standing.findings
        ],
        "path": [
            (fmt.day_of(day), stage.value, step, why.text)
            for day, stage, step, why in reversed(standing.path)
        ],
        "said": [] if record is None else [_said_words(event) for event in record.history[::-1]],
        "trend_measures": TREND_MEASURES,
        "look": look_of(evidence),
    }


# -- the answer --------------------------------------------------------------------------------


def step_of(found: OverTime, standing: Standing, evidence: Evidence) -> Step:
    """Say what comes next on this screen."""
    player, club, mount = evidence.player.id, evidence.club, evidence.mount
    step = next_step(standing, player, club, mount, _last_answer(evidence))
    if step.url != trend_url(player, club, mount):
        return step
    if found.have is not None:
        return Step(label="Record a session", url="/range")
    report = trend_url(player, club, mount).replace("/trend?", "/report?")
    return Step(label="Make a report", url=report, note="One page to send or to print.")


def _past_full(evidence: Evidence) -> bool:
    """Tell whether the turn was past full last time."""
    answer = _last_answer(evidence)
    return answer is not None and any(one.said is Said.PAST_FULL for one in answer.strips)


def _last_answer(evidence: Evidence) -> Answer | None:
    return answer_of_session(evidence, evidence.sessions[-1]) if evidence.sessions else None


# -- below it ----------------------------------------------------------------------------------


def _changes(evidence: Evidence, kind: str, links: SwingLinks) -> list[dict[str, Any]]:
    """Return the rows of the table of changes."""
    out = []
    for held in evidence.held(kind):
        change = held.change
        told = change if isinstance(change, SessionChange) else None
        sides = ((), ()) if told is None else (told.before, told.after)
        before, after = ([(links.day(s), session_url(s)) for s in side] for side in sides)
        out.append(
            {
                "word": fmt.measure_word(held.measure, evidence.mount),
                "unit": fmt.signed_unit(held.measure),
                "change": told,
                "now": held.now.change if isinstance(held.now, SessionChange) else None,
                "why": str(change) if isinstance(change, NotYet) else None,
                "before": before,
                "after": after,
            }
        )
    return out


def _said_words(event: Mapping[str, Any]) -> dict[str, str]:
    """What coach or player said of a plan, in words."""
    names = {"stop": "stopped", "resume": "goes on", "discomfort": "discomfort: stopped"}
    what = names.get(str(event.get("word")), "")
    if event.get("word") == "move_to":
        step = f", step {event['step']}" if event.get("step") else ""
        what = f"put to '{event.get('stage')}'{step}"
    if "rules" in event:
        what = "rules changed"
    left = event.get("not_models")
    if isinstance(left, (list, tuple)):
        what = say_over_time.not_models(len(left))
    return {
        "at": str(event.get("at", ""))[:10],
        "what": what or "noted",
        "text": str(event.get("text", "")),
    }


def kept_of(evidence: Evidence, links: SwingLinks) -> list[dict[str, Any]]:
    """Return silent and retention blocks by session: what was there without cue or tone."""
    by: dict[tuple[str, str, str], list[SwingRow]] = {}
    for row in evidence.rows:
        kind = row.block
        if kind in ("silent", "retention"):
            by.setdefault((row.session_id, kind, row.kind), []).append(row)
    out = []
    for (session, block, kind), rows in reversed(by.items()):
        middles = {}
        for measure in TREND_MEASURES:
            values = [row.values[measure] for row in rows if measure in row.values]
            middles[measure] = fmt.digits(measure, statistics.median(values) if values else None)
        out.append(
            {
                "day": links.day(session),
                "url": session_url(session),
                "block": block,
                "kind": kind,
                "n": len(rows),
                "middles": middles,
            }
        )
    return out


def _told(request: Request) -> Response:
    """What can be told, as a part of the screen."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        player = library.player(who)
        _, group = _setting(page, library, player, request.query_params)
        if group is None:
            raise NoSuchError(f"{player.name} has no full swings yet")
        told = told_of(page, who, group, request.query_params, None)
    return HTMLResponse(told["part"])
