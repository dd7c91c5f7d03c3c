"""What comes next on a screen: one press, or a line."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.evidence.plan import Stage, Standing
from library.answer import Answer
from review.answers import PAST_FULL, SEE_OVER_TIME, next_words
from review.page.links import trend_url


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What comes next: a press, or a line where there is none.

    Attributes
    ----------
    label : str
        On the button; or, without an address, said beside the answer.
    url : str or None
    note : str
        What it is, in a few words.
    """

    label: str
    url: str | None = None
    note: str = ""


def next_step(
    standing: Standing,
    player: str,
    club: str | None,
    mount: str | None,
    answer: Answer | None = None,
) -> Step:
    """Say what a player does next with a club and a place of the sensor: one press, or a line."""
    return step_of(next_words(standing, answer), standing, player, club, mount)


def step_of(
    said: tuple[str, str], standing: Standing, player: str, club: str | None, mount: str | None
) -> Step:
    """Make what is said of the next step a press, or a line; see `next_words`."""
    label, note = said
    trend = trend_url(player, club, mount)
    if standing.volume.rest or standing.stage is Stage.STOPPED:
        url = None
    elif label == SEE_OVER_TIME:
        url = trend
    elif label == PAST_FULL:
        url = f"/range/drill?player={player}&sets=own"
    elif standing.stage is Stage.REFERENCE:
        url = f"{trend}#approve"
    else:
        url = trend if standing.drill is None else f"/range/drill?player={player}"
    return Step(label=label, url=url, note=note)
