"""`unhurried plan`: where a player stands, why, and what comes next."""

from __future__ import annotations

import dataclasses
import json
import math
import shlex
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from unhurried.app.command_text import drill_command, own_full_command, plan_command
from unhurried.app.errors import CommandError, OptionsError
from unhurried.app.home import opened
from unhurried.app.text import lined_up, one_line, wrapped
from unhurried.commands.options import home_option, json_option
from unhurried.commands.spoken import (
    command_lines,
    drill_document,
    heading,
    labelled,
    number,
    plain,
    setting_options,
    swing_words,
)
from words import cautions
from words.glossary import SETS, measure_word
from words.over_time import step_word
from words.plain import count, day_words
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.evidence.plan import CoachWord, Standing
    from library.evidence import Evidence

STAGES: Final = {
    "baseline": "baseline",
    "reference": "reference",
    "full-turn": "full turn with time",
    "brisker": "brisker backswing",
    "ball": "at a ball",
    "keep": "keep it",
}
LONGEST_TEXT: Final = 500


@click.command("plan")
@click.argument("player")
@setting_options
@click.option("--stop", is_flag=True, help="Coach: stop the plan.")
@click.option("--resume", is_flag=True, help="Coach: go on where it stopped.")
@click.option("--discomfort", is_flag=True, help="Player: it hurts or pulls; the plan stops.")
@click.option(
    "--move-to", type=click.Choice(tuple(STAGES)), help="Coach: put the player to this stage."
)
@click.option("--step", type=click.IntRange(1, 9), help="With --move-to brisker: which step.")
@click.option("--say", metavar="TEXT", help="Why, in your words; kept with it.")
@click.option(
    "--rule",
    "rules",
    multiple=True,
    metavar="NAME=VALUE",
    help="Change a rule of this plan; NAME= puts the default back. May be repeated.",
)
@click.option("--rules", "show_rules", is_flag=True, help="Show the rules.")
@json_option
@home_option
def command(
    player: str,
    club: str | None,
    mount: str | None,
    stop: bool,
    resume: bool,
    discomfort: bool,
    move_to: str | None,
    step: int | None,
    say: str | None,
    rules: tuple[str, ...],
    show_rules: bool,
    as_json: bool,
    home: Path | None,
) -> None:
    """Say where PLAYER stands, why with the numbers, and the next drill as a ready command.

    The plan follows from the swings, from the rules (--rules), and from what coach and player
    say here. Pain or discomfort stops it; only the coach starts it again.

    \b
    Examples:
      unhurried plan Ida
      unhurried plan Ida --discomfort --say "left hip"
      unhurried plan Ida --move-to ball --say "ready, by eye"
      unhurried plan Ida --rule silent_days=3
    """
    from library.evidence import evidence_of
    from library.telling import tell

    if stop + resume + discomfort + (move_to is not None) > 1:
        raise click.UsageError(
            "say one thing at a time: --stop, --resume, --discomfort or --move-to"
        )
    said = stop or resume or discomfort or move_to is not None
    if say is not None and not said:
        raise click.UsageError("--say goes with --stop, --resume, --discomfort, --move-to")
    if step is not None and move_to != "brisker":
        raise click.UsageError("--step goes with --move-to brisker")
    today = date.today().toordinal()
    with opened(home) as library:
        evidence = evidence_of(library, player, club=club, mount=mount)
        if rules:
            _change_rules(evidence, rules)
        if said:
            word = _word(today, stop, resume, discomfort, move_to, step, say)
            _check_word(evidence, word, today)
            _keep(evidence, event=word.as_dict())
        if rules or said:
            evidence = evidence_of(library, player, club=evidence.club, mount=evidence.mount)
        if show_rules:
            shown = plain(evidence.rules)
            click.echo(json.dumps(shown, indent=2) if as_json else "\n".join(_rules(evidence)))
            return
        standing = evidence.standing(today)
        if as_json:
            document = {
                "schema": 1,
                "player": evidence.player.name,
                "player_id": evidence.player.id,
                "club": evidence.club,
                "mount": evidence.mount,
                **plain(standing),
                "drill": drill_document(standing.drill),
                "path": [
                    {"day": day_words(day), "stage": stage.value, "step": at, "why": why.text}
                    for day, stage, at, why in standing.path
                ],
                "notes": evidence.notes(),
                "rules": plain(evidence.rules),
                "words": [word.as_dict() for word in evidence.words],
            }
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
        else:
            for line in plan_lines(evidence, standing):
                click.echo(line)
        tell(evidence)


# -- what is said ----------------------------------------------------------------------------------


def _word(
    today: int,
    stop: bool,
    resume: bool,
    discomfort: bool,
    move_to: str | None,
    step: int | None,
    say: str | None,
) -> CoachWord:
    from analysis.evidence.plan import CoachWord, Stage

    text = " ".join(one_line(say or "").split())
    if len(text) > LONGEST_TEXT:
        raise OptionsError(f"--say is longer than {LONGEST_TEXT} characters: make it shorter")
    if move_to is not None:
        return CoachWord(
            day=today,
            word="move_to",
            stage=Stage(STAGES[move_to]),
            step=(step or 1) if move_to == "brisker" else 0,
            text=text,
        )
    return CoachWord(
        day=today, word="stop" if stop else "resume" if resume else "discomfort", text=text
    )


def _check_word(evidence: Evidence, word: CoachWord, today: int) -> None:
    """Refuse what would do nothing."""
    from analysis.evidence.plan import Stage

    now = evidence.standing(today)
    if word.word == "resume" and now.stage is not Stage.STOPPED:
        raise CommandError(f"the plan isn't stopped: it stands at '{now.stage.value}'")
    if word.stage is Stage.BRISKER and word.step > evidence.rules.brisker_steps:
        raise CommandError(
            f"there are {evidence.rules.brisker_steps} steps: --rule brisker_steps="
            f"{word.step} makes more"
        )


def _keep(
    evidence: Evidence,
    *,
    event: dict[str, Any],
    rules: dict[str, Any] | None = None,
) -> None:
    record = evidence.plan_record
    state = dict(record.state) if record is not None else {}
    if rules is not None:
        state["rules"] = rules
    evidence.library.save_plan(evidence.player.id, evidence.club, evidence.mount, state, event)


def _change_rules(evidence: Evidence, typed: Sequence[str]) -> None:
    """Check and keep changed rules, all of them or none."""
    from analysis.evidence.plan import PlanRules
    from library.plan_rules import names_of_rules

    record = evidence.plan_record
    kept = dict(record.state.get("rules", {})) if record is not None else {}
    defaults = {item.name: item.default for item in dataclasses.fields(PlanRules)}
    written, before = names_of_rules(), {old: name for name, old in names_of_rules().items()}
    changed: dict[str, Any] = {}
    for text in typed:
        name, mark, value = text.partition("=")
        name = before.get(name.strip(), name.strip())
        if not mark or name not in defaults:
            raise OptionsError(
                f"--rule '{text}' must be NAME=VALUE; the rules are {', '.join(defaults)}"
            )
        if not value.strip():
            kept.pop(written[name], None)
            changed[written[name]] = None
            continue
        kept[written[name]] = changed[written[name]] = _value(name, value.strip(), defaults[name])
    _keep(evidence, event={"rules": changed}, rules=kept)


def _value(name: str, text: str, default: object) -> bool | int | float:
    """Read a rule's value in the sort that its default has."""
    if isinstance(default, bool):
        if text.lower() not in ("yes", "no", "true", "false"):
            raise OptionsError(f"rule {name} is yes or no, not '{text}'")
        return text.lower() in ("yes", "true")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    low, high = _bounds(name)
    if isinstance(default, int):
        if not low <= value <= high or value != int(value):
            raise OptionsError(f"rule {name} is a whole number from {low:g} to {high:g}")
        return int(value)
    if not low <= value <= high:
        raise OptionsError(f"rule {name} is a number from {low:g} to {high:g}, not '{text}'")
    return value


def _bounds(name: str) -> tuple[float, float]:
    """Between what a rule makes sense."""
    known = {
        "turn_share": (0.5, 1.0),
        "time_share": (0.5, 1.0),
        "confidence": (0.5, 0.99),
        "fall_level": (0.5, 0.999),
        "brisker_by": (0.01, 0.2),
        "brisker_steps": (0.0, 9.0),
        "long_backswing_ms": (400.0, 5000.0),
        "silent_days": (1.0, 20.0),
        "silent_swings": (5.0, 100.0),
        "repeats": (1.0, 200.0),
        "silent_repeats": (1.0, 200.0),
        "rest_s": (1.0, 3600.0),
        "usual_factor": (1.0, 10.0),
        "most_swings_day": (1.0, 1000.0),
        "most_strikes_week": (1.0, 5000.0),
    }
    return known.get(name, (0.0, 1000.0))


# -- what is shown ---------------------------------------------------------------------------------


def _rules(evidence: Evidence) -> list[str]:
    from analysis.evidence.plan import PlanRules

    now, usual = evidence.rules, PlanRules()
    rows = [["rule", "value", "default"]]
    for item in dataclasses.fields(PlanRules):
        rows.append([item.name, _short(getattr(now, item.name)), _short(getattr(usual, item.name))])
    return [*lined_up(rows, [False, True, True]), "", "Changed with --rule NAME=VALUE."]


def _short(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else f"{value:g}"


def _other_settings(evidence: Evidence) -> Iterator[str]:
    """Name what else the player swung: each club and mount has a plan of its own."""
    from library.evidence import settings_of

    others = [
        group
        for group in settings_of(evidence.library, evidence.player.id)
        if (group.club, group.mount) != (evidence.club, evidence.mount)
    ]
    for group in others[:4]:
        yield from labelled("Also", plan_command(evidence.typed_name, group.club, group.mount))


def plan_lines(evidence: Evidence, standing: Standing) -> Iterator[str]:
    """Say where a player stands."""
    from analysis.evidence.plan import Stage
    from library.guard import quicker_with
    from library.past_full import is_past_full
    from review.answers import PAST_FULL, PAST_FULL_DRILL

    yield from wrapped(f"{heading(evidence)}: {step_word(standing.stage.value, standing.step)}")
    yield ""
    yield from labelled("Why", standing.why)
    if standing.stage is Stage.NOT_LONGER:
        yield from labelled(
            "",
            "The plan gives no drill for more time or more turn. A coach can put it elsewhere with "
            "--move-to.",
        )
    if standing.provisional and standing.stage is not Stage.REFERENCE:
        yield from labelled("", "No coach has approved model swings yet.")
    if standing.findings:
        yield ""
        rows = [["", "seen", "likely between", "needed", "", "met"]]
        for one in standing.findings:
            rows.append(
                [
                    f"{measure_word(one.measure)}, {SETS.get(one.what, one.what)}",
                    number(one.value),
                    f"{number(one.low)} to {number(one.high)}",
                    f"{'was' if one.side == 'before' else one.side} {number(one.needed)}",
                    said(unit_of(one.measure)).strip(),
                    "yes" if one.holds else "no",
                ]
            )
        yield from lined_up(rows, [False, True, True, True, False, False])
        ids = tuple(dict.fromkeys(x for one in standing.findings for x in one.swing_ids))
        yield from wrapped(f"from {swing_words(ids)}")
    if standing.path:
        yield ""
        yield "So far"
        for day, at, step, why in standing.path:
            name = step_word(at.value, step)
            yield from wrapped(one_line(f"{name}: {why.text}"), f"  {day_words(day)}  ", " " * 14)
    yield ""
    if is_past_full(standing, None) and not standing.volume.rest:
        yield from labelled("Next", f"{PAST_FULL}: {PAST_FULL_DRILL}")
        yield from command_lines(
            own_full_command(evidence.typed_name, evidence.club, evidence.mount)
        )
    elif standing.drill is None:
        yield from labelled("Next", "No drill.")
    else:
        yield from labelled("Next", standing.drill.describe())
        yield from command_lines(drill_command(standing.drill))
    for sound, text in quicker_with(evidence).items():
        yield from labelled("Coach", text)
        name = shlex.quote(evidence.typed_name)
        yield from command_lines(f"unhurried library player {name} --without {sound}")
    if standing.stage is Stage.REFERENCE:
        # A namesake is told by the id.
        name = shlex.quote(evidence.typed_name)
        yield from labelled(
            "Coach",
            f"'unhurried reference {name}' shows the practice swings that a coach can approve.",
        )
    yield from _other_settings(evidence)
    for text in evidence.notes():
        yield from labelled("Note", text)
    yield ""
    volume = standing.volume
    usual = f", where {volume.usual_week:.0f} are usual" if volume.usual_week is not None else ""
    yield from labelled(
        "Swings",
        f"{count(volume.today, 'swing')} today, {volume.week} in seven days{usual}; "
        f"{volume.strikes_week} of these at a ball.",
    )
    for text in volume.cautions:
        yield from labelled("!", text)
    for text in cautions.PLAN:
        yield from labelled("!", text)
