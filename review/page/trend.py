"""Over time: middles and spreads by session, what changed, what was kept, reference and plan."""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from analysis.felt import wilson
from analysis.outcome import Outcome
from analysis.plan import CoachWord, Stage
from analysis.reading import Reference, make_reference
from analysis.spread import NotYet, SessionChange, SwingRow
from review.evidence import TREND_MEASURES, Evidence
from review.liberrors import NoSuchError
from review.library import GroupRow, Library, Summary
from review.page import words
from review.page.app import WAIT_S, FormError, Kept, Page, checked_id, page_of
from review.page.forms import Form, field, number, posted
from review.page.known import Failed, safely
from review.page.links import SwingLinks, block_kind, session_url, swing_url, trend_url
from review.page.players import change_player
from review.page.session import region_of
from review.page.shelf import NOT_READY
from review.people import PlanRecord, Player
from review.people import Reference as KeptReference
from review.svg import Kind, Line, Mark, Region, marks_chart
from sensor.annotations import RESULT_FIELDS

__all__ = ["routes"]

SHOWN: Final = 40
"""Sessions in the charts; more can be asked for."""

MOST_SHOWN: Final = 200
MOST_CANDIDATES: Final = 80
"""Swings to choose a reference from: the latest."""

MEASURES: Final = ("swing_ms", "backswing_ms", "turn_deg", "peak_rate_dps")
LEAST: Final = {
    "swing_ms": 150.0,
    "backswing_ms": 150.0,
    "turn_deg": 20.0,
    "peak_rate_dps": 150.0,
}
KINDS: Final[tuple[Kind, ...]] = ("rehearsal", "strike")
LONGEST_SAID: Final = 300

OUTCOMES: Final = {
    Outcome.DIFFERENT: "different",
    Outcome.SAME: "the same, for what matters",
    Outcome.UNCLEAR: "not to be told",
}
STAGES: Final = (
    Stage.BASELINE,
    Stage.REFERENCE,
    Stage.FULL_TURN,
    Stage.BRISKER,
    Stage.BALL,
    Stage.KEEP,
    Stage.NOT_LONGER,
)


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    return [
        Route("/player/{player}/trend", _trend),
        Route("/player/{player}/trend/told", _told),
        Route("/player/{player}/trend/charts", _charts),
        Route("/player/{player}/reference", posted(_reference), methods=["POST"]),
        Route("/player/{player}/plan", posted(_plan), methods=["POST"]),
    ]


def _setting(
    page: Page, library: Library, player: Player, query: Mapping[str, Any]
) -> tuple[list[GroupRow], GroupRow | None]:
    """Return a player's clubs and mounts, and the one that is asked for."""
    groups = page.known.settings(library, player.id)
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
        whole = query.get("whole") is not None
        wait_s = None if whole else WAIT_S
        n = _last(query)
        kept = page.kept(request)
        if kept.form:
            # With what was typed in it: nothing to be kept for others.
            undo = page.undo_of_player.get(who, [])[-1:]
            told = page.apart.do(tell_part, who, group, _asked(query), page.today(), undo, kept)
        else:
            told = told_of(page, who, group, _asked(query), wait_s)
        reference = told["reference"] if told is not NOT_READY else None
        shown, total = shown_sessions(library, who, group, n)
        return page.render(
            request,
            "trend.html",
            here="players",
            player=player,
            groups=groups,
            group=group,
            charts=charts_of(shown, reference, group.mount),
            table=table_of(shown),
            measures=MEASURES,
            balls=balls_of(library, who, group, shown, page.units),
            told=told,
            ready=NOT_READY,
            n=n,
            total=total,
            latest=shown[-1] if shown else None,
            asked=_asked(query),
            trend_url=trend_url,
            session_url=session_url,
        )


def _last(query: Mapping[str, Any]) -> int:
    """How many sessions are asked for."""
    text = str(query.get("last", ""))
    return min(int(text), MOST_SHOWN) if text.isdecimal() and len(text) < 5 and int(text) else SHOWN


def _charts(request: Request) -> Response:
    """The charts once more, with the reference shaded."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        player = library.player(who)
        _, group = _setting(page, library, player, request.query_params)
        if group is None:
            raise NoSuchError(f"{player.name} has no full swings yet")
        reference = told_of(page, who, group, _asked(request.query_params), None)["reference"]
        shown, _ = shown_sessions(library, who, group, _last(request.query_params))
        charts = charts_of(shown, reference, group.mount)
    return page.render(request, "trend_charts.html", charts=charts)


def _asked(query: Mapping[str, Any]) -> str:
    """Kind of swing that is set against itself earlier; empty: what there is more of."""
    kind = query.get("kind", "")
    return kind if kind in KINDS else ""


# -- charts ------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A session in the charts: its summaries by kind and measure."""

    session: str
    start: str
    start_s: float
    day: str
    simulated: int
    by: Mapping[str, Mapping[str, Summary]]

    @property
    def at(self) -> float:
        """Day number, with the time of the day."""
        return date.fromisoformat(self.day).toordinal() + (self.start_s / 86400.0) % 1.0


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


def _axis(shown: Sequence[Shown]) -> dict[str, Any]:
    """Ticks of the time axis: some of the sessions' days."""
    days = sorted({int(s.at) for s in shown})
    if len(days) > 6:
        step = (len(days) - 1) / 5.0
        days = [days[round(k * step)] for k in range(6)]
    years = len({date.fromordinal(d).year for d in days}) > 1

    def text(value: float) -> str:
        at = date.fromordinal(int(value))
        return f"{at.day} {at:%b}" + (f" {at:%y}" if years else "")

    kept: list[int] = []
    width = max(days[-1] - days[0], 1) / 8.0
    for day in days:
        # Labels that would lie on each other are left out.
        if not kept or day - kept[-1] >= width:
            kept.append(day)
    return {"x_ticks": [d + 0.5 for d in kept], "x_text": text}


def charts_of(shown: Sequence[Shown], reference: Any, mount: str | None) -> list[tuple[str, str]]:
    """Draw the middle and spread of each measure by session."""
    out = []
    for measure in MEASURES:
        marks, lines = [], []
        span = (shown[-1].at - shown[0].at) if shown else 0.0
        for k, kind in enumerate(KINDS):
            points = []
            for one in shown:
                row = one.by.get(kind, {}).get(measure)
                if row is None or row.median is None:
                    continue
                x = one.at + (k - 0.5) * max(span, 1.0) / 90.0
                points.append((x, row.median))
                spread = (
                    "" if row.spread is None else f", spread {words.digits(measure, row.spread)}"
                )
                marks.append(
                    Mark(
                        x=x,
                        y=row.median,
                        y_u=row.spread,
                        kind=kind,
                        size=0.3,
                        href=session_url(one.session),
                        label=f"{words.day_words(one.start)}, {words.count(row.n, kind)}: "
                        f"{words.measure_word(measure, mount)} "
                        f"{words.digits(measure, row.median)} {words.unit_of(measure)}{spread}",
                    )
                )
            lines.append(Line(points=tuple(points), kind=kind))
        region = None
        if isinstance(reference, Reference):
            found = region_of(reference, "", measure)
            region = found if found is None else Region(y=found.y, label=found.label)
        word = words.measure_word(measure, mount)
        svg = marks_chart(
            marks,
            title=f"{word.capitalize()} by session",
            x_label="session",
            y_label=f"{word}, {words.unit_of(measure)}",
            region=region,
            lines=lines,
            least_x=2.0,
            least_y=LEAST[measure],
            height=300.0,
            **(_axis(shown) if shown else {}),
        )
        if svg:
            out.append((word, svg))
    return out


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


def shares_of(
    library: Library,
    player: str,
    group: GroupRow,
    shown: Sequence[Shown],
    reference: Reference,
) -> dict[str, Any] | None:
    """Count full turns by session: those over the share of the reference that the plan asks for."""
    known = reference.values.get("turn_deg")
    if known is None or not shown:
        return None
    share = Evidence(library, library.player(player), club=group.club, mount=group.mount)
    needed = share.rules.turn_share * known.middle
    table = library.swings(
        player=player,
        club=group.club,
        mount=group.mount,
        part=False,
        since_s=shown[0].start_s,
        simulated=library.simulated_limit(player),
        columns=("session", "club", "mount", "kind", "turn_deg"),
    )
    counts: dict[tuple[str, str], list[float]] = {}
    for row in table.rows():
        mine = (row["club"], row["mount"]) == (group.club, group.mount)
        if mine and row["turn_deg"] is not None:
            counts.setdefault((row["session"], row["kind"]), []).append(row["turn_deg"])
    marks, lines, rows = [], [], []
    span = shown[-1].at - shown[0].at
    for k, kind in enumerate(KINDS):
        points = []
        for one in shown:
            turns = counts.get((one.session, kind), [])
            if not turns:
                continue
            full = sum(turn >= needed for turn in turns)
            beyond = 0 if known.upper is None else sum(turn > known.upper for turn in turns)
            interval = wilson(full, len(turns))
            x = one.at + (k - 0.5) * max(span, 1.0) / 90.0
            points.append((x, 100.0 * full / len(turns)))
            ends = ((x, 100.0 * interval.low), (x, 100.0 * interval.high))
            lines.append(Line(points=ends, kind="unclear"))
            label = f"{words.day_words(one.start)}: {full} of {words.count(len(turns), kind)} full"
            marks.append(
                Mark(
                    x=x,
                    y=points[-1][1],
                    kind=kind,
                    size=0.3,
                    href=session_url(one.session),
                    label=label,
                )
            )
            rows.append(
                {
                    "session": one,
                    "kind": kind,
                    "full": full,
                    "beyond": beyond,
                    "n": len(turns),
                    "low": interval.low,
                    "high": interval.high,
                }
            )
        lines.insert(0, Line(points=tuple(points), kind=kind))
    return {
        "svg": marks_chart(
            marks,
            title="Share of full turns by session",
            x_label="session",
            y_label="full turns, %",
            lines=lines,
            least_x=2.0,
            y_span=(-5.0, 105.0),
            height=300.0,
            **_axis(shown),
        ),
        "rows": sorted(rows, key=lambda r: -r["session"].start_s),
        "needed": needed,
        "upper": known.upper,
    }


def balls_of(
    library: Library, player: str, group: GroupRow, shown: Sequence[Shown], units: words.Units
) -> list[dict[str, Any]]:
    """Return ball results by session, with their spread."""
    if not shown:
        return []
    table = library.swings(
        player=player,
        club=group.club,
        mount=group.mount,
        part=False,
        since_s=shown[0].start_s,
        simulated=library.simulated_limit(player),
        with_result=True,
        columns=("session", "club", "mount", *RESULT_FIELDS),
    )
    out = []
    rows = [r for r in table.rows() if (r["club"], r["mount"]) == (group.club, group.mount)]
    for name in RESULT_FIELDS:
        values: dict[str, list[float]] = {}
        for row in rows:
            if row[name] is not None:
                values.setdefault(row["session"], []).append(units.shown(name, row[name]))
        marks, lines, listed = [], [], []
        for one in shown:
            mine = values.get(one.session)
            if not mine:
                continue
            middle = statistics.fmean(mine)
            sd = statistics.stdev(mine) if len(mine) > 1 else None
            lines.append((one.at, middle))
            text = f"{middle:.1f}".replace("-", "−")
            listed.append((one, len(mine), text, None if sd is None else f"{sd:.1f}"))
            marks.append(
                Mark(
                    x=one.at,
                    y=middle,
                    y_u=sd,
                    kind="strike",
                    size=0.3,
                    href=session_url(one.session),
                    label=f"{words.day_words(one.start)}, {words.count(len(mine), 'ball')}: {text} "
                    f"{units.unit(name)}",
                )
            )
        if marks:
            word = words.MEASURE_WORDS[name]
            out.append(
                {
                    "word": word,
                    "unit": units.unit(name),
                    "rows": listed[::-1],
                    "svg": marks_chart(
                        marks,
                        title=f"{word.capitalize()} by session",
                        x_label="session",
                        y_label=f"{word}, {units.unit(name)}",
                        lines=[Line(points=tuple(lines), kind="strike")],
                        least_x=2.0,
                        height=300.0,
                        **_axis(shown),
                    ),
                }
            )
    return out


# -- what can be told --------------------------------------------------------------------------


def told_of(
    page: Page,
    player: str,
    group: GroupRow,
    asked: str,
    wait_s: float | None,
) -> Any:
    """Return changes, retention, reference and plan of a setting, or `NOT_READY`."""
    today = page.today()
    undo = page.undo_of_player.get(player, [])[-1:]
    work = partial(page.apart.do, tell_part, player, group, asked, today, undo)
    key = ("trend", player, group.club, group.mount, asked, today)
    return page.shelf.get(key, work, wait_s=wait_s, player=player)


def tell_part(
    page: Page,
    player: str,
    group: GroupRow,
    asked: str,
    today: date,
    undo: Sequence[tuple[str, Player]],
    kept: Kept | None = None,
) -> dict[str, Any]:
    """Return the reference of a setting, and what can be told as a part of the screen. A job."""
    with page.library() as library:
        evidence = page.known.evidence(library, player, group.club, group.mount)
        told = safely(lambda: tell(library, evidence, asked, today))
        if isinstance(told, Failed):
            part = page.part("failed.html", text=told.text)
            return {"reference": NotYet(told.text), "part": part}
        reference = told["reference"]
        shares = None
        if isinstance(reference, Reference):
            shown, _ = shown_sessions(library, player, group, SHOWN)
            shares = shares_of(library, player, group, shown, reference)
        part = page.part(
            "trend_told.html",
            told=told,
            player=evidence.player,
            group=group,
            stages=STAGES,
            undo=undo,
            outcomes=OUTCOMES,
            shares=shares,
            trend_url=trend_url,
            kept=kept or Kept(),
        )
        return {"reference": reference, "part": part}


def tell(library: Library, evidence: Evidence, asked: str, today: date) -> dict[str, Any]:
    """Work out what can be told of a setting over its sessions."""
    kind = asked
    if not kind:
        strikes = {r.session_id for r in evidence.rows if r.kind == "strike"}
        rehearsals = {r.session_id for r in evidence.rows if r.kind == "rehearsal"}
        kind = "strike" if len(strikes) >= len(rehearsals) else "rehearsal"
    links = SwingLinks(library, None, evidence.days)
    changes = []
    for held in evidence.held(kind):
        change = held.change
        changes.append(
            {
                "word": words.measure_word(held.measure, evidence.mount),
                "unit": words.unit_of(held.measure),
                "change": change if isinstance(change, SessionChange) else None,
                "why": str(change) if isinstance(change, NotYet) else None,
                "before": [(links.day(s), session_url(s)) for s in change.before]
                if isinstance(change, SessionChange)
                else [],
                "after": [(links.day(s), session_url(s)) for s in change.after]
                if isinstance(change, SessionChange)
                else [],
            }
        )
    record = evidence.plan_record
    standing = evidence.standing(today.toordinal())
    return {
        "kind": kind,
        "changes": changes,
        "kept": kept_of(evidence, links),
        "reference": evidence.reference,
        "approved": evidence.player.reference(evidence.club, evidence.mount),
        "reference_swings": links.groups(evidence.reference.swing_ids)
        if isinstance(evidence.reference, Reference)
        else [],
        "candidates": candidates_of(evidence, links),
        "standing": standing,
        "findings": [
            {"finding": f, "swings": links.groups(f.swing_ids)} for f in standing.findings
        ],
        "path": [
            (words.day_of(day), stage.value, step, why)
            for day, stage, step, why in reversed(standing.path)
        ],
        "said": [] if record is None else [_said_words(event) for event in record.history[::-1]],
        "trend_measures": TREND_MEASURES,
    }


def _said_words(event: Mapping[str, Any]) -> dict[str, str]:
    """What coach or player said of a plan, in words."""
    names = {"stop": "stopped", "resume": "goes on", "discomfort": "discomfort: stopped"}
    what = names.get(str(event.get("word")), "")
    if event.get("word") == "move_to":
        step = f", step {event['step']}" if event.get("step") else ""
        what = f"put to '{event.get('stage')}'{step}"
    if "rules" in event:
        what = "rules changed"
    return {
        "at": str(event.get("at", ""))[:10],
        "what": what or "noted",
        "text": str(event.get("text", "")),
    }


def kept_of(evidence: Evidence, links: SwingLinks) -> list[dict[str, Any]]:
    """Return silent and retention blocks by session: what was there without cue or tone."""
    by: dict[tuple[str, str, str], list[SwingRow]] = {}
    for row in evidence.rows:
        kind = block_kind(row.block)
        if kind in ("silent", "retention"):
            by.setdefault((row.session_id, kind, row.kind), []).append(row)
    out = []
    for (session, block, kind), rows in reversed(by.items()):
        middles = {}
        for measure in TREND_MEASURES:
            values = [row.values[measure] for row in rows if measure in row.values]
            middles[measure] = words.digits(measure, statistics.median(values) if values else None)
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


def candidates_of(evidence: Evidence, links: SwingLinks) -> list[dict[str, Any]]:
    """Return swings that a reference can be made from, latest first; approved ones always."""
    reference = evidence.reference
    chosen = set(reference.swing_ids) if isinstance(reference, Reference) else set()
    free = [
        row
        for row in reversed(evidence.rows)
        if block_kind(row.block) in (None, "silent", "retention")
    ]
    shown = free[:MOST_CANDIDATES]
    shown += [row for row in free[MOST_CANDIDATES:] if row.swing_id in chosen][:MOST_CANDIDATES]
    return [
        {
            "id": row.swing_id,
            "day": links.day(row.session_id),
            "number": int(row.swing_id.rpartition("#")[2]),
            "url": swing_url(row.session_id, int(row.swing_id.rpartition("#")[2])),
            "kind": row.kind,
            "chosen": row.swing_id in chosen,
            "numbers": [
                words.digits(m, row.values.get(m))
                for m in ("backswing_ms", "turn_deg", "peak_rate_dps")
            ],
        }
        for row in shown
    ]


def _told(request: Request) -> Response:
    """What can be told, as a part of the screen."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        player = library.player(who)
        _, group = _setting(page, library, player, request.query_params)
        if group is None:
            raise NoSuchError(f"{player.name} has no full swings yet")
        told = told_of(page, who, group, _asked(request.query_params), None)
    return HTMLResponse(told["part"])


# -- changes -----------------------------------------------------------------------------------


def _evidence(page: Page, library: Library, who: str, form: Form) -> Evidence:
    club, mount = field(form, "club") or None, field(form, "mount") or None
    known = [(g.club, g.mount) for g in page.known.settings(library, who)]
    if (club, mount) not in known:
        raise NoSuchError("there are no full swings with this club and mount")
    return page.known.evidence(library, who, club, mount)


def _reference(request: Request, form: Form) -> Response:
    """Approve swings as the reference, or take the approval away."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        library.player(who)
        evidence = _evidence(page, library, who, form)
        url = trend_url(who, evidence.club, evidence.mount) + "#reference"
        setting = (evidence.club, evidence.mount)
        if field(form, "do") == "none":

            def without(player: Player) -> Player:
                kept = [r for r in player.references if (r.club, r.mount) != setting]
                return dataclasses.replace(player, references=tuple(kept))

            change_player(page, who, "the approved reference", without)
            return page.back(url, "No reference is approved any more.")
        try:
            reference = _new_reference(library, evidence, form)
        except FormError as error:
            there = url.replace("#reference", "#approve")
            return page.back(there, str(error), wrong=True, form=("reference", form))
        change_player(page, who, "the reference", lambda player: player.with_reference(reference))
    return page.back(url, f"Approved: {words.count(len(reference.swings), 'swing')}.")


def _new_reference(library: Library, evidence: Evidence, form: Form) -> KeptReference:
    by = field(form, "approved_by", most=200)
    if not by:
        raise FormError("Say who approves: type a name.")
    ids = {row.swing_id for row in evidence.rows}
    chosen = [one for one in dict.fromkeys(form.get("swing", [])) if one in ids]
    lower: dict[str, float] = {}
    upper: dict[str, float] = {}
    for measure in ("backswing_ms", "turn_deg"):
        for ends, end in ((lower, "lower"), (upper, "upper")):
            word = f"the {end} bound of {words.MEASURE_WORDS[measure]}"
            value = number(form, f"{measure}_{end}", word)
            if value is not None:
                ends[measure] = value
    try:
        found = make_reference(evidence.rows, chosen or ["-"], lower=lower, upper=upper)
    except ValueError as error:
        problem = words.number_name(str(error))
        raise FormError(f"{problem[:1].upper()}{problem[1:]}: type them anew.") from error
    if isinstance(found, NotYet):
        raise FormError(f"Too few swings are ticked for a reference: {found}.")
    keys = []
    for one in chosen:
        session, _, n = one.rpartition("#")
        keys.append((session, library.swing(session, number=int(n)).seq))
    return KeptReference(
        club=evidence.club,
        mount=evidence.mount,
        swings=tuple(keys),
        bounds={
            name: (value.lower, value.upper)
            for name, value in found.values.items()
            if value.lower is not None and value.upper is not None
        },
        approved_by=by,
    )


def _plan(request: Request, form: Form) -> Response:
    """Take down the coach's or the player's word on the plan."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        library.player(who)
        evidence = _evidence(page, library, who, form)
        url = trend_url(who, evidence.club, evidence.mount) + "#plan"
        try:
            word = _word(page, evidence, form)
        except FormError as error:
            there = url.replace("#plan", "#plan-word")
            return page.back(there, str(error), wrong=True, form=("plan", form))
        event = word.as_dict()

        def said(player: Player) -> Player:
            before = player.plan(evidence.club, evidence.mount)
            record = PlanRecord(
                club=evidence.club,
                mount=evidence.mount,
                state={} if before is None else before.state,
            )
            history = () if before is None else before.history
            return player.with_plan(
                dataclasses.replace(record, history=(*history, {"at": record.at, **event}))
            )

        change_player(page, who, "the word on the plan", said)
    return page.back(url, "Noted; the plan follows it.")


def _word(page: Page, evidence: Evidence, form: Form) -> CoachWord:
    today = page.today().toordinal()
    said = field(form, "word")
    text = " ".join(field(form, "text", most=LONGEST_SAID).split())
    now = evidence.standing(today)
    if said == "move_to":
        name = field(form, "stage")
        if name not in [s.value for s in STAGES]:
            raise FormError("Choose where the plan is to go on.")
        stage = Stage(name)
        step = 0
        if stage is Stage.BRISKER:
            typed = field(form, "step", most=3) or "1"
            if not typed.isdecimal() or not 1 <= int(typed) <= evidence.rules.brisker_steps:
                raise FormError(f"The steps are 1 to {evidence.rules.brisker_steps}.")
            step = int(typed)
        return CoachWord(day=today, word="move_to", stage=stage, step=step, text=text)
    if said == "resume" and now.stage is not Stage.STOPPED:
        raise FormError(f"The plan isn't stopped: it stands at '{now.stage.value}'.")
    for word in ("stop", "resume", "discomfort"):
        if said == word:
            return CoachWord(day=today, word=word, text=text)
    raise FormError("Choose what is to be noted.")
