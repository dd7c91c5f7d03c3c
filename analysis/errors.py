"""Errors of the analysis room."""

from __future__ import annotations


class AnalysisError(Exception):
    """Root of the analysis room's errors; ``str(error)`` is one line for people."""


class InputError(AnalysisError, ValueError):
    """What was handed in isn't what is taken: another type, another shape, no such choice."""


class SwingNumberError(InputError, KeyError):
    """There is no swing of such a number.

    Attributes
    ----------
    number, n : int
        What was asked for, and how many swings there are.
    """

    def __init__(self, number: int, n: int) -> None:
        self.number, self.n = number, n
        super().__init__(f"there is no swing #{number} among {n}")

    def __str__(self) -> str:
        return str(self.args[0])  # a KeyError's own would put it into quotes


class RateError(AnalysisError):
    """The sample rate is outside what swings can be measured at.

    Attributes
    ----------
    rate_hz : float
    """

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        super().__init__(
            f"the sample rate is {rate_hz:g} Hz; swings need at least 50 Hz "
            "(set the sensor to 100 Hz or more and record again)"
        )


class SequenceError(AnalysisError):
    """Sample numbers went backwards or repeated.

    Attributes
    ----------
    seq : int
        The first sample number that is not greater than the one before it.
    """

    def __init__(self, seq: int) -> None:
        self.seq = seq
        super().__init__(f"sample numbers must rise, but {seq} came after a number as large")
