"""Answers made ready to be shown, on screens and in the report: headline, strips, what is next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from analysis.evidence.felt import difference_of_shares
from analysis.evidence.plan import Stage, Standing
from library.answer import DIFFERENT, LEAST_TODAY, Answer, Said, Strip
from library.drill_end import DrillEnd
from library.over_time import Change, OverTime
from library.past_full import is_past_full
from review.formatting import Units, drill_words
from review.strips import spark_svg, strip_svg
from words import answer as say
from words import over_time as say_over_time

PAST_FULL: Final = "Stop at your own full"
PAST_FULL_DRILL: Final = "Three easy practice swings, no bell."
START_DRILL: Final = "Start today's drill"
STOPPED: Final = "Stopped"
SEE_OVER_TIME: Final = "See it over time"
"""Presses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownStrip:
    """A strip as it is shown."""

    name: str
    said: str
    value: str
    own: str
    svg: Markup
    strip: Strip
    spark: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownAnswer:
    """An answer as it is shown.

    Attributes
    ----------
    headline : str
    more : str
        What would show, where something can't be told yet.
    against : str
        What was set against what.
    beside : str
        The same before a number.
    own_name : str
        The same of the band.
    strips : tuple of ShownStrip
    marks : tuple of str
        Which marks the strips have, for their key: "practice", "shot", "own", "last".
    """

    headline: str
    more: str
    against: str
    beside: str
    own_name: str
    strips: tuple[ShownStrip, ...]
    marks: tuple[str, ...]


def shown_answer(answer: Answer, units: Units, *, titles: bool = True) -> ShownAnswer:
    """Make an answer ready; see `strip_svg` for the titles."""
    own = answer.own.value if answer.own is not None else ""
    strips = tuple(_shown_strip(strip, units, titles) for strip in answer.strips)
    marks = [
        name
        for name, there in (
            ("practice", any(not dot.shot for s in answer.strips for dot in s.dots)),
            ("shot", any(dot.shot for s in answer.strips for dot in s.dots)),
            ("own", any(s.middle is not None for s in answer.strips)),
            ("last", any(s.last is not None for s in answer.strips)),
        )
        if there
    ]
    against = ""
    if answer.own is not None:
        against = say.against(n=answer.n, shots=answer.shots, own=own, own_n=answer.own_n)
    return ShownAnswer(
        headline=headline_of(answer),
        more=_would_show(answer),
        against=against,
        beside=say.BESIDE_WORDS.get(own, ""),
        own_name=say.RANGE_WORDS.get(own, ""),
        strips=strips,
        marks=tuple(marks),
    )


def headline_of(answer: Answer) -> str:
    """Say an answer in one line."""
    if answer.own is None:
        dots = answer.strips[0].dots
        shots = sum(dot.shot for dot in dots)
        return say.nothing_yet(shots=shots, practice=len(dots) - shots, least=LEAST_TODAY)
    first, own = answer.first, answer.own.value
    if first is not None:
        return say.headline(
            aspect=first.aspect,
            measure=first.measure,
            said=first.said.value,
            counted=first.count,
            n=answer.n,
            shots=answer.shots,
            own=own,
            by=""
            if first.here is None or first.middle is None
            else say.difference(first.measure, first.here - first.middle, first.middle),
        )
    words = [(say.aspect_word(s.aspect, s.measure), s.said.value) for s in answer.strips]
    return say.no_difference(words=words, n=answer.n, shots=answer.shots, own=own)


def _would_show(answer: Answer) -> str:
    parts = [
        f"{say.difference(s.measure, s.detectable, s.middle)} in "
        f"{say.aspect_word(s.aspect, s.measure)}"
        for s in answer.strips
        if s.said is Said.CANT_TELL and s.detectable is not None
    ]
    return say.would_show(parts) if parts and answer.first is None else ""


def _shown_strip(strip: Strip, units: Units, titles: bool) -> ShownStrip:
    def written(value: float | None) -> str:
        if value is None:
            return ""
        return say.rounded(strip.measure, value, strip.middle, imperial=units.imperial)

    relative = strip.measure.endswith("_dps")
    return ShownStrip(
        name=say.aspect_word(strip.aspect, strip.measure).capitalize(),
        said=strip.said.value,
        value="" if relative and strip.middle is None else written(strip.here),
        own="" if relative else written(strip.middle),
        svg=Markup(strip_svg(strip, imperial=units.imperial, titles=titles)),
        strip=strip,
        # Where there is no room for more: on a card.
        spark=Markup(
            "" if titles or strip.here is None else spark_svg((*strip.before, strip.here))
        ),
    )


def next_words(standing: Standing, answer: Answer | None = None) -> tuple[str, str]:
    """Say what a player does next with a club and a place of the sensor, and what that is.

    Where a player turns past full, that comes before any other drill.
    """
    if standing.stage is Stage.STOPPED:
        return STOPPED, "The coach says when to go on."
    if standing.volume.rest:
        return "Rest today", "Enough swings for now."
    if is_past_full(standing, answer):
        return PAST_FULL, PAST_FULL_DRILL
    if standing.stage is Stage.REFERENCE:
        return "Choose model swings", "At least 8, full and unhurried, chosen by eye."
    if standing.drill is not None:
        return START_DRILL, drill_words(standing.drill)
    return SEE_OVER_TIME, ""


# -- over time -------------------------------------------------------------------------------------


def changed_line(found: OverTime) -> str:
    """Say what changed over time in one line, or what is missing."""
    if found.have is not None and found.need is not None:
        if found.drilled and not found.before:
            return say_over_time.nothing_before(least=LEAST_TODAY, shots=found.shots)
        return say_over_time.too_few_sessions(
            have=found.have,
            need=found.need,
            least=LEAST_TODAY,
            shots=found.shots,
            drilled=found.drilled,
        )
    return say_over_time.changed(
        since=say_over_time.since_when(drilled=found.drilled, first=found.before),
        parts=[
            (say_over_time.NAMES[one.measure], one.said.value, change_size(one))
            for one in found.changes
        ],
        kept=found.kept,
        anything=found.told,
    )


def change_would_show(found: OverTime) -> str:
    """Say which change would show; empty where something did."""
    parts = [
        f"{say.difference(one.measure, one.detectable, one.own)} in "
        f"{say_over_time.NAMES[one.measure]}"
        for one in found.changes
        if one.said is Said.CANT_TELL and one.detectable is not None
    ]
    return say.would_show(parts) if parts and not found.told else ""


def change_beside(found: OverTime) -> str:
    """Say what was set beside what; empty where nothing was."""
    if not found.after:
        return ""
    return say_over_time.beside(
        before=found.before, after=found.after, drilled=found.drilled, shots=found.shots
    )


def change_size(change: Change) -> str:
    """Write how large a change is; empty where nothing was told apart."""
    if change.difference is None or change.said not in DIFFERENT:
        return ""
    # By how much of what it was: not in points of the player's own.
    return say.difference(change.measure, change.difference, change.before)


# -- a drill's end ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownDrill:
    """A drill's end as it is shown; ``swings``: each without sound, its number and whether kept."""

    headline: str
    last_time: str
    rest: str
    swings: tuple[tuple[int | None, bool], ...]


def shown_drill(end: DrillEnd | None) -> ShownDrill | None:
    """Make a drill's end ready."""
    if end is None:
        return None
    now = end.now
    last = ""
    if end.before is not None:
        before = end.before.quiet
        apart = difference_of_shares(sum(now.quiet), len(now.quiet), sum(before), len(before))
        last = say.drill_last_time(sum(before), len(before), alike=0.0 in apart)
    return ShownDrill(
        headline=say.drill_headline(sum(now.quiet), len(now.quiet)),
        last_time=last,
        rest=say.drill_rest((sum(now.loud), len(now.loud)), (sum(now.called), len(now.called))),
        swings=tuple(zip(now.numbers, now.quiet, strict=True)),
    )
