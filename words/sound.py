"""Whether the sounds are heard: what is asked, and what helps where they aren't."""

from __future__ import annotations

from typing import Final

HEARD: Final = "Four soft sounds: did you hear them where you stand?"
"""Asked before the first swing."""

FIX: Final = (
    "No sound: turn the computer's volume up, see that it isn't muted, and choose its speaker."
)
"""What helps."""

NO_OUTPUT: Final = (
    "No sound: this computer has no loudspeaker that works. Plug one in and begin the drill again, "
    "or go on without sound."
)
"""Where there is nothing to play on."""

FAR: Final = "Nearer is better: two metres from the speaker."

TOO_SOFT: Final = "The level is set too low to be heard at a range: raise it, or stand nearer."

LATE: Final = "This output is late by {late_ms:.0f} ms: the full bell comes after the swing."
"""Where a bell while going back would come too late."""

LATE_WIRELESS: Final = "A wireless output is late: the full bell comes after the swing."
