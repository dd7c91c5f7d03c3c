"""What a coach says on the screen over time: model swings, their range, and the plan."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from analysis.evidence.plan import CoachWord, Stage
from analysis.evidence.reading import Reference, make_reference
from analysis.evidence.told import NotYet
from analysis.swing.results import ANALYSIS_VERSION
from library.catalogue import Library
from library.errors import NoSuchError
from library.evidence import Evidence
from library.limits import left_out_too
from library.players import PlanRecord, Player, ReferenceRecord
from review import formatting as fmt
from review.page.app import FormError, Page, checked_id, page_of
from review.page.forms import Form, field, number
from review.page.links import trend_url
from review.page.players import change_player
from words import answer as say
from words import over_time as say_over_time
from words.guard import NAMES

STAGES: Final = (
    Stage.BASELINE,
    Stage.REFERENCE,
    Stage.FULL_TURN,
    Stage.BRISKER,
    Stage.BALL,
    Stage.KEEP,
    Stage.NOT_LONGER,
)

LONGEST_SAID: Final = 300

_RANGES: Final = {"backswing_ms": "", "turn_deg": "turn ", "peak_rate_dps": "rotation "}
"""Whose own range is said when model swings were chosen, and how it is called there."""


def _evidence(page: Page, library: Library, who: str, form: Form) -> Evidence:
    club, mount = field(form, "club") or None, field(form, "mount") or None
    known = [(g.club, g.mount) for g in page.evidence.settings(library, who)]
    if (club, mount) not in known:
        raise NoSuchError("there are no full swings with this club and mount")
    return page.evidence.setting(library, who, club, mount)


def _reference(request: Request, form: Form) -> Response:
    """Approve model swings, or take the approval away."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        library.player(who)
        evidence = _evidence(page, library, who, form)
        url = trend_url(who, evidence.club, evidence.mount) + "#approve"
        setting = (evidence.club, evidence.mount)
        if field(form, "do") == "none":
            change_player(
                page, who, "the model swings", lambda one: one.without_reference(*setting)
            )
            return page.back(url, "No model swings any more.")
        try:
            reference = _new_reference(library, evidence, form)
            left = _not_models(evidence, form)
        except FormError as error:
            return page.back(url, fmt.line_of(error), wrong=True, form=("reference", form))
        change_player(
            page,
            who,
            "the model swings",
            lambda player: _with_event(player.with_reference(reference), setting, left),
        )
        now = page.evidence.setting(library, who, *setting)
        return page.back(url, _followed(now, page.today().toordinal()))


def _followed(evidence: Evidence, today: int) -> str:
    """Say what follows from new model swings: the player's own range, and the next drill."""
    known = evidence.reference
    if not isinstance(known, Reference):
        return f"{known}."
    ranges = []
    for measure, name in _RANGES.items():
        value = known.values.get(measure)
        if value is not None and value.lower is not None and value.upper is not None:
            low, high = (say.rounded(measure, v, value.middle) for v in (value.lower, value.upper))
            ranges.append(f"{name}{low.partition(' ')[0].rstrip('°')} to {high}")
    drill = evidence.standing(today).drill
    return say_over_time.model_swings(
        n=len(known.swing_ids),
        ranges=ranges,
        next_drill=None if drill is None else fmt.drill_words(drill),
    )


def _not_models(evidence: Evidence, form: Form) -> dict[str, object] | None:
    """Return what is kept of swings that were offered and unticked; None where nothing is said."""
    why = " ".join(field(form, "why", most=LONGEST_SAID).split())
    ids = {row.swing_id for row in evidence.rows}
    ticked = set(form.get("swing", []))
    left = [one for one in form.get("offered", []) if one in ids and one not in ticked]
    if not why or not left:
        return None
    return {"not_models": left, "text": why}


def _with_event(
    player: Player, setting: tuple[str | None, str | None], event: Mapping[str, object] | None
) -> Player:
    """Return the player with something more that was said of a plan."""
    if event is None:
        return player
    before = player.plan(*setting)
    record = PlanRecord(
        club=setting[0], mount=setting[1], state={} if before is None else before.state
    )
    history = () if before is None else before.history
    return player.with_plan(
        dataclasses.replace(record, history=(*history, {"at": record.at, **event}))
    )


def _new_reference(library: Library, evidence: Evidence, form: Form) -> ReferenceRecord:
    by = field(form, "approved_by", most=200)
    if not by:
        raise FormError("Say who approves: type a name.")
    ids = {row.swing_id for row in evidence.rows}
    chosen = [one for one in dict.fromkeys(form.get("swing", [])) if one in ids]
    lower: dict[str, float] = {}
    upper: dict[str, float] = {}
    for measure in ("backswing_ms", "turn_deg"):
        for ends, end in ((lower, "lower"), (upper, "upper")):
            word = f"the {end} end of {fmt.MEASURE_WORDS[measure]}"
            value = number(form, f"{measure}_{end}", word)
            if value is not None:
                ends[measure] = value
    try:
        found = make_reference(evidence.rows, chosen or ["-"], lower=lower, upper=upper)
    except ValueError as error:
        problem = fmt.number_name(fmt.line_of(error)).replace("bound", "end")
        raise FormError(f"{problem[:1].upper()}{problem[1:]}: type them anew.") from error
    if isinstance(found, NotYet):
        raise FormError(f"Too few swings are ticked: {found.have} of {found.need} model swings.")
    keys = []
    for one in chosen:
        session, _, n = one.rpartition("#")
        keys.append((session, library.swing(session, number=int(n)).seq))
    return ReferenceRecord(
        club=evidence.club,
        mount=evidence.mount,
        swings=tuple(keys),
        bounds={
            name: (value.lower, value.upper)
            for name, value in found.values.items()
            if value.lower is not None and value.upper is not None
        },
        approved_by=by,
        version=ANALYSIS_VERSION,
    )


def _sound(request: Request, form: Form) -> Response:
    """Leave a sound out for a player: the change of direction is quicker with it."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    sound = field(form, "sound")
    url = trend_url(who, field(form, "club") or None, field(form, "mount") or None) + "#plan"
    if sound not in NAMES:
        return page.back(url, "There is no such sound.", wrong=True)
    change_player(
        page,
        who,
        f"{NAMES[sound]}, left out",
        lambda player: dataclasses.replace(player, limits=left_out_too(player.limits, sound)),
    )
    return page.back(url, f"From the next drill on without {NAMES[sound]}.")


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
            return page.back(there, fmt.line_of(error), wrong=True, form=("plan", form))
        setting = (evidence.club, evidence.mount)
        change_player(
            page,
            who,
            "the word on the plan",
            lambda player: _with_event(player, setting, word.as_dict()),
        )
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
