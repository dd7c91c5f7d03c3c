"""How a live recording goes, and what happens to it, in words and numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """Something worth a line: ``kind`` for programs, ``text`` for people.

    Kinds: connecting, connected, profile, retry, lost, back, restarted, battery, disk, loss,
    flood, malformed, silent, slept, ended, trouble; of `unhurried.app.live` also guide and wearing.
    `seq` is the last sample before it (-1: none yet).
    """

    kind: str
    text: str
    seq: int
    fields: Mapping[str, Any] = field(default_factory=dict)

    @property
    def warning(self) -> bool:
        """Whether somebody should do something about it."""
        return self.kind in _WARNINGS


_WARNINGS: Final = frozenset(
    {
        "retry",
        "lost",
        "restarted",
        "battery",
        "disk",
        "loss",
        "flood",
        "malformed",
        "silent",
        "slept",
        "trouble",
        "wearing",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkStatus:
    """How the recording goes, for a line on a screen.

    Attributes
    ----------
    state : {"connecting", "streaming", "waiting", "ended", "stopped"}
    rate_hz : float or None
        Samples a second that came over the last seconds.
    received, lost : int
        Samples; lost ones are missing within a connection.
    gap_samples : int
        Samples missing between connections, as well as the arrival times tell.
    duplicate, late, malformed, oversized : int
        Packets that were kept out of the data.
    loss : float or None
        Share of samples lost over the last seconds, 0 to 1.
    signal_dbm, battery_percent : int or None
    disk_left_bytes : int or None
    recorded_s : float
        Time since the first sample.
    reconnects : int
    battery_left_min : float or None
        If it falls as it did in this recording; None while too little was seen of that.
    """

    state: str
    rate_hz: float | None
    received: int
    lost: int
    gap_samples: int
    duplicate: int
    late: int
    malformed: int
    oversized: int
    loss: float | None
    signal_dbm: int | None
    battery_percent: int | None
    disk_left_bytes: int | None
    recorded_s: float
    reconnects: int
    battery_left_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveReport:
    """What a recording came to.

    Attributes
    ----------
    folder : Path or None
        None if there never was a connection, so that nothing was recorded.
    status : LinkStatus
        At its end.
    """

    folder: Path | None
    status: LinkStatus
