"""What the tones of a drill mean. Number and order carry the meaning, so pitch isn't needed.

========================  =====================================================
full turn reached         one high tone, while still going back
beyond the upper bound    one low, longer tone, while still going back
after a swing, time       one tone: enough; two short low ones: short
then, turn                one tone: full; two short low ones: short; three: beyond
link to the sensor lost   three falling tones; back again: two rising ones
next block                two equal tones
========================  =====================================================

Nothing is played for what could not be measured.
"""

from __future__ import annotations

from feedback.tones import Sound, join, note_hz, silence, tone

__all__ = ["Sounds"]

PAUSE_S = 0.06
BETWEEN_S = 0.30


class Sounds:
    """The sounds of a drill at one sample rate.

    Parameters
    ----------
    rate_hz : int
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.full = self._tones(("A5", 0.080))
        self.over = self._tones(("E5", 0.160))
        self.ready = self._tones(("E5", 0.080), size=0.4)
        self.block = self._tones(("A5", 0.080), ("A5", 0.080))
        self.lost = self._tones(("A5", 0.100), ("E5", 0.100), ("A4", 0.160))
        self.back = self._tones(("E5", 0.100), ("A5", 0.100))
        self._good_time = self._tones(("A5", 0.100))
        self._good_turn = self._tones(("E6", 0.100))
        self._short = self._tones(("E5", 0.070), ("E5", 0.070))
        self._beyond = self._tones(("E5", 0.070), ("E5", 0.070), ("E5", 0.070))

    def _tones(self, *notes: tuple[str, float], size: float = 1.0) -> Sound:
        parts: list[Sound] = []
        for note, seconds in notes:
            if parts:
                parts.append(silence(PAUSE_S, self.rate_hz))
            parts.append(tone(note_hz(note), seconds, self.rate_hz, size=size))
        return join(*parts)

    def after_swing(self, time: str | None, turn: str | None) -> Sound | None:
        """The pattern for a swing's time (enough, short) and turn (full, short, beyond).

        Returns
        -------
        (n,) float32 array or None
            None where neither is known.
        """
        parts: list[Sound] = []
        if time is not None:
            parts.append(self._good_time if time == "enough" else self._short)
        if turn is not None:
            if parts:
                parts.append(silence(BETWEEN_S, self.rate_hz))
            parts.append({"full": self._good_turn, "short": self._short}.get(turn, self._beyond))
        return join(*parts) if parts else None
