"""How long a drill waits for what, and what it takes for a swing."""

from __future__ import annotations

from feedback.cue import CueParams

COME_DOWN_S = 4.0
"""So long after a swing no takeaway counts as the next one, and the question stays: arms that come
down from a finish look like one too, 1 to 2 s after it in simulated sessions."""

PROVISIONAL_SWINGS = 3

FIRST_S = 10.0
"""From the sensor's first samples to the first ready beep: to walk to the ball."""

FELT_S = 30.0
"""The question isn't waited for any longer than this, nor beyond the next swing. To put a club down
and reach the keys takes a while; a key that comes later still counts, but isn't asked for."""

UNDER_WAY_S = 10.0
"""Longest that a backswing is taken to be under way; its end is told long before."""

SWING_S = 4.0
"""From the top of a swing until it has been measured, slow rehearsals included."""

AFTER_SWING_S = 1.0
"""After a swing nothing that calls for the next is heard for so long, whatever the rest is."""

WAGGLE_DEG = 20.0
"""Waggles at address go to 4 to 15 degrees and come back (see simulation/motion/README.md); what
has turned so far is under way. The live turn tells a takeaway at 12 degrees. To wait for 20 costs
45 to 60 ms (median by mount, simulated swings; 95 % within 95 ms). A cue that joins the takeaway
begins as much later, at the place where its glide would be by then, so that its top isn't moved."""

NO_SWING_SHARE = 0.5

NO_SWING_DEG = 60.0
"""What comes back before half of the full turn (or this, while that isn't known) was no swing."""

LATE_S = 0.75
"""A takeaway that is told so long after the cue's, about half a second after it was made, isn't led
by what is left of the cue any more: its top would hurry the player."""

SOUND_S = 0.5
"""Longest from the call that plays until a sound begins, a wireless output's delay included."""

UNANSWERED = 3
"""After so many cues without a swing, cueing waits for one (or a key)."""

LEAD_S = CueParams().ready_lead_s
"""From the ready beep to the cue's takeaway."""

AFTER_CUE_S = 5.0
"""So long after a cue's top a swing may still be going on and being measured."""

UNSEEN_S = 0.5
"""So long after its last samples a club is no longer known to be still."""

TELL_S = 3.0
"""So long past the finish what came of a swing is told: first the player's own feel. Numbers at
once are learnt from less than a little later (Swinnen et al. 1990, from memory)."""

FAST_S = 0.120
"""An output that is later than this has no bell while a player goes back: from 95 % of the turn to
the top it is about as long."""
