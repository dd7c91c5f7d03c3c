"""Numbers of a lesson that tests find; ``python -m benchmarks --only live_lesson`` prints them."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Final

NAME: Final = "lesson"


def number(record: Callable[[str, object], None], what: str, value: float, aim: str) -> None:
    """Keep a number beside what it is to be.

    Parameters
    ----------
    record : callable
        pytest's ``record_property``.
    what : str
    value : float
    aim : str
        In words, such as ``at most 2``.
    """
    record(NAME, json.dumps([what, value, aim]))
