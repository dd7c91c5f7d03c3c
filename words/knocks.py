"""Whether a ball's knock can be seen with a sensor: what is said of it, once."""

from __future__ import annotations

from typing import Final

HIDDEN_BELOW: Final = 0.8
"""Where fewer than four balls in five show, people should know before they wonder."""


def ahead(share: float) -> str | None:
    """Say what the sensor's ranges, rate and filter let one expect; None where all is well.

    Parameters
    ----------
    share : float
        Of full swings, in which a ball would be seen.
    """
    if share >= HIDDEN_BELOW:
        return None
    return (
        f"with these ranges, this rate and this filter a ball shows in about {_tens(share)} of "
        "full swings: whether it was a shot or a practice swing will often be unclear unless it is "
        "said"
    )


def seen(share: float) -> str | None:
    """Say in how many swings of a recording a ball would have been seen; None where in most.

    Parameters
    ----------
    share : float
    """
    if share >= HIDDEN_BELOW:
        return None
    return (
        f"with this sensor a ball would have been seen in about {_tens(share)} of these swings: "
        "the others are unclear unless it is said"
    )


def _tens(share: float) -> str:
    return f"{round(10.0 * share)} in ten" if share >= 0.05 else "hardly any"
