"""Who sounds when: one at a time, and what is left of a sound is called off when it's out of place.

The mixer adds up whatever it is given. Here sounds are given places so that they follow each other:
the tones after a swing one after the other, a cue after those, a tone for the turn instead of what
is left of the glide. And it is kept which beats of a cue were heard as they were meant.
"""

from __future__ import annotations

from dataclasses import dataclass

from feedback.cue import Cue
from feedback.mixer import Voice
from feedback.outputs import Output
from feedback.patterns import BETWEEN_S, Sounds
from feedback.tones import Sound

SILENT = "no sound"
INTERRUPTED = "the sound was interrupted"
CALLED_OFF = "called off"

SOON_S = 0.020
"""From now to the first sound of a cue: there is time to lay it out."""
AT_ONCE_S = 0.010
"""From now to a tone that takes the place of another: a block of the device."""
LEAST_BELL_S = 0.040
"""A tone for the turn that would be cut shorter than this by the beep at the top comes after it."""
NEVER = -(10**9)
"""A frame before all others."""
NOTICED_S = 0.10
"""So long after an interruption at most it has been noticed (`Stage.look`, every 20 ms)."""


@dataclass(frozen=True, slots=True)
class HeardBeat:
    """A beat of a cue as it was heard.

    Attributes
    ----------
    name : str
        As `feedback.cue.Beat` has it.
    heard_ns : int
        When it reached the ear, or was to reach it, by `sensor.link.source.host_clock_ns`.
    why_not : str or None
        Why it wasn't heard, or not then; None where it was.
    """

    name: str
    heard_ns: int
    why_not: str | None


@dataclass(slots=True)
class _Placed:
    """A sound of the cue that has its place."""

    voice: Voice
    frame: int
    end: int


class Stage:
    """Give the sounds of a drill their places on an output.

    Parameters
    ----------
    output : Output
        Started.
    sounds : Sounds
        At the output's rate.
    """

    def __init__(self, output: Output, sounds: Sounds) -> None:
        self.output = output
        self._sounds = sounds
        self._underflows = output.underflows
        self._interrupted: list[int] = []
        self._cue: dict[str, _Placed] = {}
        self._beats_ns: dict[str, int] = {}
        self._placed_at = 0
        self._why_off = CALLED_OFF
        self._live: Voice | None = None
        self._after: list[Voice] = []
        self._after_end = NEVER

    def _frames(self, seconds: float) -> int:
        return round(seconds * self.output.rate_hz)

    def _now(self) -> int:
        """The next frame that can still be given a sound."""
        return max(self.output.mixer.frame, self.output.frame_now())

    def look(self) -> bool:
        """Note whether the sound was interrupted since the last look; to be asked often."""
        if self.output.underflows == self._underflows:
            return False
        self._underflows = self.output.underflows
        self._interrupted = [*self._interrupted[-20:], self._now()]
        return True

    def play(self, name: str, time: str | None = None, turn: str | None = None) -> None:
        """Play a sound of the drill where it belongs (see `feedback.drill.Play`).

        Those for the turn come at once, those of the link instead of all else, the others in a row.
        """
        sounds = self._sounds
        if name == "result":
            sound = sounds.after_swing(time, turn)
            if sound is not None:
                self.after(sound)
        elif name in ("full", "over"):
            self.turn(getattr(sounds, name))
        elif name in ("lost", "back"):
            self.instead(getattr(sounds, name))
        else:
            self.after(getattr(sounds, name))

    # -- the cue ---------------------------------------------------------------------------------

    def cue(self, cue: Cue, *, gone_s: float | None = None) -> None:
        """Lay out a cue; what was left of another is called off.

        Parameters
        ----------
        cue : Cue
        gone_s : float, optional
            To join a backswing that has begun: how much of it has gone by when that is heard which
            is played now.
        """
        self.stop_cue()
        now = self._now()
        soon = now + self._frames(SOON_S)
        skip = 0
        if gone_s is None:
            soon = max(soon, self._after_end + self._frames(BETWEEN_S))
            takeaway = soon + cue.lead_frames
        else:
            self.stop_after()
            skip = max(0, self._frames(gone_s + SOON_S))
            takeaway = soon - skip
        self._cue = {}
        for part in cue.parts(skip_frames=skip):
            frame = takeaway + part.frame
            voice = self.output.play(part.sound, frame)
            self._cue[part.name] = _Placed(voice, frame, frame + len(part.sound))
        self._placed_at = now
        self._beats_ns = {
            beat.name: self.output.heard_ns(beat.frame) for beat in cue.beats(takeaway)
        }

    def stop_cue(self, why: str = CALLED_OFF, *, unless_gliding: bool = False) -> bool:
        """Call off what is left of the cue.

        Parameters
        ----------
        why : str
            For the beats that are not heard then.
        unless_gliding : bool
            Leave it alone where its glide has begun: then it is followed.

        Returns
        -------
        bool
            Whether it was called off, or had ended.
        """
        glide = self._cue.get("takeaway")
        if unless_gliding and glide is not None and self._now() >= glide.frame:
            return False
        self._why_off = why
        for placed in self._cue.values():
            placed.voice.call_off()
        return True

    def beats(self) -> list[HeardBeat]:
        """The beats of the last cue, once; empty where they were told before.

        What has not begun by now counts as not heard.
        """
        now = self._now()
        self.look()
        out = []
        for name, ns in self._beats_ns.items():
            out.append(HeardBeat(name, ns, self._why_not(self._cue.get(name), now)))
        self._beats_ns = {}
        return out

    def _why_not(self, placed: _Placed | None, now: int) -> str | None:
        if self.output.silent:
            return SILENT
        if placed is None or placed.frame >= now or placed.voice.started is None:
            return self._why_off
        near = self._frames(NOTICED_S)
        late = placed.voice.started != placed.frame
        if late or any(
            self._placed_at <= at and at - near <= placed.end for at in self._interrupted
        ):
            return INTERRUPTED
        return None

    # -- the turn --------------------------------------------------------------------------------

    def turn(self, sound: Sound) -> None:
        """Play a tone for the turn now, in the place of what sounds.

        The glide has said enough by then and fades out; so does an earlier tone for the turn. The
        beep at the top keeps its place: a tone that reaches into it ends before it, and one that
        would begin just before or in it begins after.
        """
        mixer = self.output.mixer
        now = self._now()
        glide, top = self._cue.get("takeaway"), self._cue.get("top")
        others = [self._live, *self._after, None if glide is None else glide.voice]
        sounding = [voice for voice in others if voice is not None and _lasts(voice, now)]
        for voice in sounding:
            voice.call_off()
        self._after, self._after_end = [], NEVER
        at = now + self._frames(AT_ONCE_S) + (mixer.fade_frames if sounding else 0)
        frame = at if sounding else None
        keeps = top is not None and not top.voice.called_off
        least = self._frames(LEAST_BELL_S)
        if keeps and top is not None and now < top.end and at > top.frame - least:
            frame = top.end + mixer.fade_frames
        self._live = voice = self.output.play(sound, frame)
        if keeps and top is not None and voice.frame is not None and voice.frame < top.frame:
            voice.end_after(top.frame - voice.frame, mixer.fade_frames)

    # -- after a swing ---------------------------------------------------------------------------

    def after(self, *sounds: Sound) -> None:
        """Play sounds one after the other, after those that were asked for before."""
        now = self._now()
        self._after = [voice for voice in self._after if _lasts(voice, now)]
        for sound in sounds:
            at = now + self._frames(AT_ONCE_S)
            ends = [
                _end(v)
                for v in (self._live, *(p.voice for p in self._cue.values()))
                if v is not None and _lasts(v, now)
            ]
            at = max(at, max([*ends, self._after_end]) + self._frames(BETWEEN_S))
            self._after.append(self.output.play(sound, at))
            self._after_end = at + len(sound)

    def stop_after(self) -> None:
        """Drop the tones after a swing, also the one that sounds."""
        for voice in self._after:
            voice.call_off()
        self._after, self._after_end = [], NEVER

    def silence(self, why: str = CALLED_OFF) -> None:
        """Drop all that sounds or waits to: what sounds fades out within `Mixer.fade_frames`."""
        self.stop_cue(why)
        self.output.mixer.call_off()
        self._after, self._after_end, self._live = [], NEVER, None

    def instead(self, sound: Sound) -> None:
        """Play a sound in the place of all others."""
        self.stop_cue()
        self.stop_after()
        if self._live is not None:
            self._live.call_off()
        mixer = self.output.mixer
        at = self._now() + self._frames(AT_ONCE_S) + mixer.fade_frames
        self._after = [self.output.play(sound, at)]
        self._after_end = at + len(sound)


def _end(voice: Voice) -> int:
    return (voice.frame or 0) + len(voice.sound)


def _lasts(voice: Voice, now: int) -> bool:
    """Whether a sound has not ended and not been called off."""
    return not voice.called_off and (voice.frame is None or _end(voice) > now)
