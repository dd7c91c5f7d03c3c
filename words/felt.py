"""What was felt against what was measured, in sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

_MEASURED: Final[Mapping[tuple[str, str], str]] = {
    ("time", "below"): "shorter in time",
    ("time", "above"): "longer in time",
    ("turn", "below"): "smaller in turn",
    ("turn", "above"): "past full",
    ("speed", "below"): "slower in rotation",
    ("speed", "above"): "faster in rotation",
}

_SHORTLY: Final[Mapping[tuple[str, str], str]] = {
    ("time", "below"): "shorter in time",
    ("time", "above"): "longer in time",
    ("turn", "below"): "smaller in turn",
    ("turn", "above"): "past full",
    ("speed", "below"): "slower",
    ("speed", "above"): "faster",
}

_OTHER: Final[Mapping[str, str]] = {"below": "above", "above": "below"}


def felt(*, feeling: str, n: int, against: str, counts: Sequence[Mapping[str, Any]]) -> str:
    """Of the swings that felt so, how many measured so; beside the others of the same sessions.

    Parameters
    ----------
    feeling : str
    n : int
    against : {"reference", "median"}
    counts : sequence of mapping
        ``aspect``, ``side``, ``count``, ``n``, ``opposite``, ``sessions``, ``within_count``,
        ``within_opposite``, ``within_n``, ``others_count``, ``others_opposite``, ``others_n``, and
        ``beside``: whether there are enough others to set them beside.
    """
    parts = []
    for k, c in enumerate(counts):
        of = "" if c["n"] == n else f" of {c['n']}"
        verb = "" if k else "was " if c["count"] == 1 else "were "
        text = f"{c['count']}{of} {verb}{_MEASURED[c['aspect'], c['side']]}"
        if c["opposite"] > c["count"]:
            text += f" and {c['opposite']} {_SHORTLY[c['aspect'], _OTHER[c['side']]]}"
        parts.append(text)
    than = (
        "outside the own range"
        if against == "reference"
        else "set against the middle of their session, below which half of all swings lie"
    )
    told = f"Of {n} swings that felt {feeling}, {', '.join(parts)}: {than}."
    beside = [c for c in counts if c["beside"]]
    if not beside:
        return (
            f"{told} Too few sessions have both such swings and others, so there is nothing of "
            "the same day to set this beside."
        )
    within = []
    for c in beside:
        turned = c["opposite"] > c["count"]
        within.append(
            f"{_SHORTLY[c['aspect'], _OTHER[c['side']] if turned else c['side']]} "
            f"{c['within_opposite'] if turned else c['within_count']} of {c['within_n']}, and "
            f"{c['others_opposite'] if turned else c['others_count']} of the {c['others_n']} that "
            f"didn't feel so"
        )
    both = beside[0]["sessions"]
    where = "the session that has" if both == 1 else f"the {both} sessions that have"
    return f"{told} Within {where} both: {'; '.join(within)}."


def felt_today(*, feeling: str, word: str, mine: tuple[int, int], others: tuple[int, int]) -> str:
    """How the swings of one session that felt so were in time, beside those that didn't.

    Examples
    --------
    >>> felt_today(feeling="rushed", word="shorter", mine=(2, 3), others=(1, 6))
    'Felt rushed today: 2 of 3 were shorter in time; of the others 1 of 6.'
    """
    text = f"Felt {feeling} today: {mine[0]} of {mine[1]} were {word} in time"
    return f"{text}; of the others {others[0]} of {others[1]}." if others[1] else f"{text}."


def felt_short(*, feeling: str, n: int, counts: Sequence[Mapping[str, Any]]) -> str:
    """The same in one short line, for the time alone: rushed is a word for time.

    Where the swings of the same sessions that felt otherwise are known, they stand beside it.
    """
    one = next((c for c in counts if c["aspect"] == "time"), None)
    if one is None:
        return ""
    word = "shorter" if one["side"] == "below" else "longer"
    text = f"Felt {feeling}, all sessions: {one['count']} of {one['n']} were {word} in time"
    if not one["beside"] or one["opposite"] > one["count"]:
        return f"{text}."
    return f"{text}; of the others {one['others_count']} of {one['others_n']}."


SENTENCES: Final[Mapping[str, Callable[..., str]]] = {"felt": felt}
