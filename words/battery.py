"""A sensor's battery: how full, and how long it may last."""

from __future__ import annotations


def battery_words(
    percent: int | None, left_min: float | None, *, as_last_time: bool = False
) -> str:
    """Say how full a battery is, and how long it may last where its fall tells that.

    Parameters
    ----------
    percent : int or None
        None: the sensor doesn't say; then nothing is said.
    left_min : float or None
        None: too little was seen of how it falls.
    as_last_time : bool
        It was seen in an earlier recording.

    Examples
    --------
    >>> battery_words(62, 97.0)
    'battery 62 %, about 100 min left'
    """
    if percent is None:
        return ""
    if left_min is None:
        return f"battery {percent} %"
    if left_min < 10.0:
        left = "under 10 min left"
    elif left_min < 180.0:
        left = f"about {10 * round(left_min / 10.0)} min left"
    elif left_min < 600.0:
        left = f"about {round(left_min / 60.0)} h left"
    else:
        left = "over 10 h left"
    return f"battery {percent} %, {left}{' as last time' * as_last_time}"
