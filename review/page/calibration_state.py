"""How a calibration of the live sensor stands, as the page shows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationState:
    """How it stands at a moment. Never changed; each change makes a new one.

    Attributes
    ----------
    phase : {"connecting", "going", "measuring", "kept", "failed"}
    simulated : bool
    asked : str
        What is to be done next.
    still : bool
        The sensor lies still just now; nothing is taken while it moves.
    link : str
        What is wrong with the link just now; empty where nothing is.
    positions, turns : tuple of str
        What came of each that was taken.
    positions_wanted, turns_wanted : int
    remarks : tuple of str
        On what can't be used.
    outcome : str
        What it came to, or why it failed.
    lines : tuple of str
        The rest of it.
    """

    phase: Literal["connecting", "going", "measuring", "kept", "failed"] = "connecting"
    simulated: bool = False
    asked: str = ""
    still: bool = False
    link: str = ""
    positions: tuple[str, ...] = ()
    turns: tuple[str, ...] = ()
    positions_wanted: int = 6
    turns_wanted: int = 12
    remarks: tuple[str, ...] = ()
    outcome: str = ""
    lines: tuple[str, ...] = ()

    @property
    def running(self) -> bool:
        """Whether it goes on."""
        return self.phase in ("connecting", "going", "measuring")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCalibration:
    """What is kept of a sensor.

    Attributes
    ----------
    key : str
        The sensor's name in the home.
    made_at : str
        ISO 8601.
    lines : tuple of str
        What it corrects, and how well that is known.
    """

    key: str
    made_at: str
    lines: tuple[str, ...]
