"""What a tap or a form of the range asks for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from library.ball_results import POSSIBLE, doubts
from library.players import clean_name
from review.page.app import FormError, Page, checked_id
from review.page.forms import Form, field, number
from review.page.livehub import LiveSwing
from review.page.requests import (
    Ball,
    BallResult,
    Felt,
    Hold,
    Note,
    OtherSensor,
    Tap,
    Who,
)
from sensor.recording.schema import HANDS, LONGEST_NAME
from sensor.recording.vocabulary import FELT
from words.glossary import MOUNTS
from words.units import shown_in

LONGEST_CLUB: Final = 60

LONGEST_NOTE: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultField:
    """A ball result that can be typed.

    Attributes
    ----------
    name : str
        As in `sensor.recording.vocabulary.RESULT_FIELDS`.
    label, unit : str
    scale : float
        Of what is typed to the unit in the name.
    """

    name: str
    label: str
    unit: str
    scale: float

    @property
    def low(self) -> float:
        """Least that makes sense, in the unit in the name."""
        return POSSIBLE[self.name][0]

    @property
    def high(self) -> float:
        """Most that makes sense, in the unit in the name."""
        return POSSIBLE[self.name][1]


def result_fields(units: str) -> tuple[ResultField, ...]:
    """Return the results that can be typed, in m/s and m or in mph and yards."""
    imperial = units == "imperial"
    speed, per_speed = shown_in("m/s", imperial=imperial)
    length, per_length = shown_in("m", imperial=imperial)
    return (
        ResultField(name="carry_m", label="Carry", unit=length, scale=per_length),
        ResultField(name="offline_m", label="To the side, right +", unit=length, scale=per_length),
        ResultField(name="ball_speed_m_s", label="Ball speed", unit=speed, scale=per_speed),
        ResultField(name="club_speed_m_s", label="Club speed", unit=speed, scale=per_speed),
    )


def _word(form: Mapping[str, list[str]], name: str, choices: tuple[str, ...]) -> str:
    word = field(form, name, most=60)
    if word not in choices:
        raise FormError(f"'{name}' must be one of {', '.join(choices)}")
    return word


def _optional(form: Mapping[str, list[str]], name: str, choices: tuple[str, ...]) -> str | None:
    return _word(form, name, choices) if field(form, name, most=60) else None


def _one_line(form: Mapping[str, list[str]], name: str, most: int) -> str | None:
    text = clean_name(field(form, name, most=4 * most))
    if len(text) > most:
        raise FormError(f"'{name}' is longer than {most} characters: make it shorter")
    return text or None


def _sensor_of(form: Form) -> int:
    """Return which sensor a tap is for, from 1; 0 where it says none."""
    word = field(form, "sensor", most=2)
    if word and word not in ("1", "2"):
        raise FormError("'sensor' must be 1 or 2")
    return int(word or 0)


def _second(page: Page, form: Form, first: str) -> OtherSensor | None:
    """Return the second sensor that is asked for, with its player; None where there is none.

    Raises
    ------
    FormError
        The two can't be told from each other, or would have one player.
    """
    sensor = field(form, "second_sensor", most=200)
    if not sensor:
        return None
    if "simulated" not in (sensor, first) and (first in ("", "near") or first == sensor):
        raise FormError("choose two sensors by name: press 'Look for sensors' first")
    name, known = _who(page, form, "second_")
    if name is not None and (name, known) == _who(page, form):
        raise FormError("each sensor has a player of its own: choose another one for sensor 2")
    return OtherSensor(
        sensor=None if sensor == "simulated" else sensor,
        simulated=sensor == "simulated",
        player=name,
        player_id=known,
        mount=_optional(form, "second_mount", MOUNTS) or _optional(form, "mount", MOUNTS),
        hand=_optional(form, "second_hand", HANDS) or _known_hand(page, known),
    )


def _who(page: Page, form: Form, which: str = "") -> tuple[str | None, str | None]:
    """Return the name and, where picked from the library, the id of a player.

    Raises
    ------
    FormError
        A child of whom nobody's consent is noted.
    """
    new = _one_line(form, f"{which}new_player", LONGEST_NAME)
    picked = field(form, f"{which}player", most=60)
    if new is not None:
        return new, None
    if not picked:
        return None, None
    with page.library() as library:
        player = library.player(checked_id(picked))
    if player.child and not player.consent:
        raise FormError(
            f"{player.name} is a child and nobody's consent is noted: note on the player's screen "
            "who agreed, then record"
        )
    return player.name, player.id


def _known_hand(page: Page, player_id: str | None) -> str | None:
    """Return a player's handedness, where the library knows it."""
    if player_id is None:
        return None
    with page.library() as library:
        return library.player(player_id).handedness


def _felt(_page: Page, form: Form, swing: str) -> Tap:
    question = _word(form, "question", tuple(FELT))
    return Felt(question=question, word=_word(form, "word", FELT[question]), swing=swing)


def _ball(_page: Page, form: Form, _swing: str) -> Tap:
    word = _word(form, "ball", ("rehearsal", "ball", "either"))
    return Ball({"rehearsal": False, "ball": True, "either": None}[word])


def _hold(_page: Page, form: Form, _swing: str) -> Tap:
    word = _word(form, "held", ("yes", "no")) if "held" in form else ""
    return Hold({"yes": True, "no": False}.get(word))


def _who_tap(page: Page, form: Form, _swing: str) -> Tap:
    player, known = _who(page, form)
    club = _one_line(form, "club", LONGEST_CLUB)
    hand = _optional(form, "hand", HANDS) or _known_hand(page, known)
    return Who(player=player, player_id=known, club=club, hand=hand, sensor=_sensor_of(form))


def _note(_page: Page, form: Form, _swing: str) -> Tap:
    text = field(form, "text", most=LONGEST_NOTE)
    if not text:
        raise FormError("the note is empty: type it first")
    return Note(text)


def _result(page: Page, form: Form, swing: str) -> Tap:
    values: dict[str, float] = {}
    for one in result_fields(str(page.tools.settings.get("units", "metric"))):
        value = number(form, one.name, one.label)
        if value is None:
            continue
        metric = value * one.scale
        if not one.low <= metric <= one.high or not math.isfinite(metric):
            low, high = one.low / one.scale, one.high / one.scale
            raise FormError(
                f"{one.label} in {one.unit} must lie between {low:.0f} and {high:.0f}".replace(
                    " -", " −"
                )
            )
        values[one.name] = metric
    if not values:
        raise FormError("no result was typed: type at least one number")
    if "as_it_is" not in form and (asked := _doubts(page, values, swing)):
        raise FormError(f"{asked[0]} Nothing is kept yet: change it, or tick that it stays")
    return BallResult(result=values, swing=swing)


def _doubts(page: Page, values: Mapping[str, float], key: str) -> list[str]:
    """Ask about numbers that look like another unit, as the library does about files."""
    state = getattr(page.live, "state", None)
    swing = None if state is None else state.swing(key or None)
    mount, rate = (None, None) if swing is None else (swing.mount, _shown_rate(swing))
    return doubts([(values, rate)], mount)


def _shown_rate(swing: LiveSwing) -> float | None:
    """Return the peak rate as it is shown; None where it isn't a plain number."""
    try:
        return float(swing.digits["peak_rate_dps"])
    except (KeyError, ValueError):
        return None
