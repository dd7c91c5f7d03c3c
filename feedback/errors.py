"""Errors of the feedback room."""

from __future__ import annotations


class FeedbackError(Exception):
    """Root of the feedback room's errors; ``str(error)`` is one line for people."""


class OutputError(FeedbackError):
    """There is no sound output that works; a drill can go on in silence."""


class NoSoundLibraryError(OutputError):
    """PortAudio, which talks to the sound card, is not installed, or Python's way to it isn't.

    Parameters
    ----------
    package : bool
        It is Python's package that is missing.
    """

    def __init__(self, *, package: bool = False) -> None:
        what = (
            "Python's package sounddevice is missing (pip install sounddevice, where unhurried is)"
            if package
            else "the PortAudio library is missing (Debian, Ubuntu: "
            "sudo apt install libportaudio2 libasound2-plugins)"
        )
        super().__init__(f"no sound: {what}")


class NoDeviceError(OutputError):
    """No such output device.

    Attributes
    ----------
    wanted : str or None
        What was asked for; None is the system's default.
    names : tuple of str
        Outputs that there are.
    """

    def __init__(self, wanted: str | None, names: tuple[str, ...] = ()) -> None:
        self.wanted, self.names = wanted, names
        what = "no sound output was found" if wanted is None else f"no sound output '{wanted}'"
        there = f": there are {', '.join(names)}" if names else ""
        super().__init__(f"{what}{there} (plug in a speaker or headphones and try again)")


class RateRefusedError(OutputError):
    """The device plays neither at the wanted rate nor at its own."""

    def __init__(self, name: str, rate_hz: float) -> None:
        self.name, self.rate_hz = name, rate_hz
        super().__init__(
            f"{name}: refuses {rate_hz:g} samples a second (choose another output with --output)"
        )


class OutputTakenError(OutputError):
    """Another program holds the device."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(
            f"{name}: is used by another program (close that, or choose another with --output)"
        )


class OutputFailedError(OutputError):
    """The device could not be opened for a reason of its own."""

    def __init__(self, name: str, reason: str) -> None:
        self.name, self.reason = name, reason
        super().__init__(f"{name}: cannot be opened: {reason} (choose another with --output)")


class TrackError(FeedbackError):
    """A cue track cannot be made or written."""


class DrillError(FeedbackError):
    """What was asked of a drill doesn't go together."""
