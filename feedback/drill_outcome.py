"""A swing beside the reference, and what came of a block."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from analysis.evidence.own_range import own_u_of, word_in_range
from analysis.evidence.reading import Word
from feedback.drill_limits import PROVISIONAL_SWINGS
from feedback.drill_plan import Block, DrillReference
from feedback.stage import INTERRUPTED, SILENT

WITH_CUE_S = 1.0
"""A takeaway further than this from the cue's was not made to it."""


class SwingLike(Protocol):
    """What is read of a swing; `analysis.Swing` has it."""

    @property
    def index(self) -> int: ...
    @property
    def backswing_ms(self) -> float | None: ...
    @property
    def backswing_ms_u(self) -> float | None: ...
    @property
    def swing_ms(self) -> float | None: ...
    @property
    def turn_deg(self) -> float | None: ...
    @property
    def turn_deg_u(self) -> float | None: ...
    @property
    def peak_rate_dps(self) -> float | None: ...
    @property
    def strike(self) -> bool | None: ...
    @property
    def budget(self) -> Mapping[str, Sequence[Any]]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class CueFollowed:
    """How a swing went with its cue.

    Attributes
    ----------
    cued : bool
        The cue was heard.
    followed : bool
    why_not : str or None
        Why that can't be told.
    at_takeaway_ms, at_top_ms : float or None
        How late it was.
    """

    cued: bool = False
    followed: bool = False
    why_not: str | None = None
    at_takeaway_ms: float | None = None
    at_top_ms: float | None = None

    def fields(self) -> dict[str, float]:
        """For a marker."""
        late = {"late_at_takeaway_ms": self.at_takeaway_ms, "late_at_top_ms": self.at_top_ms}
        return {name: round(ms, 1) for name, ms in late.items() if ms is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A swing beside the reference.

    Attributes
    ----------
    time : {"enough", "short"} or None
    turn : {"full", "short", "bigger", "beyond"} or None
        None where there is no number or no reference. Bigger: above an own range that no coach set
        or approved.
    backswing_ms, turn_deg, swing_ms, peak_rate_dps : float or None
    reference : DrillReference
    index : int or None
        Number of the swing in the recording.
    struck : bool
        Whether something was hit.
    cue : CueFollowed or None
        How it went with its cue; None where there was none.
    """

    time: str | None
    turn: str | None
    backswing_ms: float | None
    turn_deg: float | None
    swing_ms: float | None
    peak_rate_dps: float | None
    reference: DrillReference
    index: int | None = None
    struck: bool = False
    cue: CueFollowed | None = None

    @property
    def outside(self) -> bool:
        """Whether something that was judged lies outside its window."""
        return self.time == "short" or self.turn in ("short", *ABOVE)

    @property
    def sounding(self) -> str | None:
        """The turn's word that has a sound: bigger than what nobody approved has none."""
        return None if self.turn == "bigger" else self.turn

    @property
    def kept(self) -> bool | None:
        """Whether time and turn were there, which is what is shown, sounds and is counted.

        None where neither could be judged.
        """
        return None if self.time is None and self.turn is None else not self.outside


ABOVE: Final = ("bigger", "beyond")
"""Turns above the own range."""

_TIMES: Final = {Word.SHORTER: "short"}
_TURNS: Final = {Word.LESS_FULL: "short", Word.FULLER: "bigger", Word.BEYOND: "beyond"}


def judge(swing: SwingLike, reference: DrillReference) -> Judged:
    """Set a swing beside the reference: by the rule of all screens, so that it has one word."""
    r = reference
    time = turn = None
    if swing.backswing_ms is not None and r.backswing_ms is not None:
        least = r.least_backswing_ms
        low = r.time_share * r.backswing_ms if least is None else least
        u = own_u_of(swing.backswing_ms_u, swing.budget, "backswing_ms") or 0.0
        word = word_in_range("time", swing.backswing_ms, u, low, None, full_end=False)
        time = _TIMES.get(word, "enough")
    if swing.turn_deg is not None and r.full_turn_deg is not None:
        low, high = r.share * r.full_turn_deg, r.upper_turn_deg
        u = own_u_of(swing.turn_deg_u, swing.budget, "turn_deg") or 0.0
        word = word_in_range("turn", swing.turn_deg, u, low, high, full_end=r.full_end)
        turn = _TURNS.get(word, "full")
    return Judged(
        time=time,
        turn=turn,
        backswing_ms=swing.backswing_ms,
        turn_deg=swing.turn_deg,
        swing_ms=swing.swing_ms,
        peak_rate_dps=swing.peak_rate_dps,
        reference=r,
        index=swing.index,
        struck=swing.strike is True,
    )


def learnt_from(judged: Sequence[Judged], reference: DrillReference) -> dict[str, Any]:
    """Return the medians of the first swings for what has no reference yet; empty at all others."""
    if len(judged) != PROVISIONAL_SWINGS:
        return {}
    out: dict[str, Any] = {}
    for name, own in (("full_turn_deg", "turn_deg"), ("backswing_ms", "backswing_ms")):
        values = [v for j in judged if (v := getattr(j, own)) is not None]
        if getattr(reference, name) is None and values:
            out[name] = float(statistics.median(values))
    return out


@dataclass(frozen=True, slots=True)
class Spread:
    """Number, mean and standard deviation (n - 1); None where there are too few."""

    n: int
    mean: float | None
    sd: float | None

    def as_dict(self) -> dict[str, float | int | None]:
        """For a marker."""
        return {"n": self.n, "mean": _rounded(self.mean), "sd": _rounded(self.sd)}


def spread(values: Sequence[float]) -> Spread:
    """Number, mean and standard deviation of values."""
    n = len(values)
    return Spread(
        n,
        statistics.fmean(values) if n else None,
        statistics.stdev(values) if n > 1 else None,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


@dataclass(frozen=True, slots=True)
class HeardCue:
    """A cue: the samples at which takeaway and top were heard, and which were not, and why."""

    takeaway_seq: float | None
    top_seq: float | None
    not_heard: Mapping[str, str]


def nearest_cue(heard: Sequence[HeardCue], takeaway_seq: float | None) -> HeardCue:
    """Of the cues since the last swing, the one that a swing went with, if with any."""
    near = [cue for cue in heard if cue.takeaway_seq is not None]
    if takeaway_seq is None or not near:
        return heard[-1] if heard else HeardCue(None, None, {})
    return min(near, key=lambda cue: abs((cue.takeaway_seq or 0.0) - takeaway_seq))


def follow(
    swing: SwingLike,
    heard: Sequence[HeardCue],
    takeaway_seq: float | None,
    rate_hz: float,
    *,
    joined: bool,
) -> CueFollowed:
    """Say how far takeaway and top were from the cue's.

    Parameters
    ----------
    swing : SwingLike
    heard : sequence of HeardCue
        Since the last swing.
    takeaway_seq : float or None
    rate_hz : float
    joined : bool
        The cue joins the player's takeaway.
    """
    cue = nearest_cue(heard, takeaway_seq)
    at_takeaway, at_top = cue.takeaway_seq, cue.top_seq
    why = cue.not_heard.get("top" if joined else "takeaway")
    if why is None and (takeaway_seq is None or rate_hz <= 0.0):
        why = "the takeaway was not seen"
    elif why is None and (at_top if joined else at_takeaway) is None:
        why = "there were no samples while the cue was heard"
    elif why not in (None, INTERRUPTED, SILENT):
        # Called off, since the swing came before it or long after.
        return CueFollowed(cued=True)
    if why is not None:
        return CueFollowed(why_not=why)
    assert takeaway_seq is not None
    late_ms = None
    if not joined and at_takeaway is not None:
        late_ms = (takeaway_seq - at_takeaway) / rate_hz * 1e3
        if abs(late_ms) > WITH_CUE_S * 1e3:
            return CueFollowed(cued=True)
    # Where the cue joined the player's own takeaway, that one says nothing.
    top_ms = None
    if swing.backswing_ms is not None and at_top is not None and "top" not in cue.not_heard:
        top_seq = takeaway_seq + swing.backswing_ms * 1e-3 * rate_hz
        top_ms = (top_seq - at_top) / rate_hz * 1e3
    return CueFollowed(cued=True, followed=True, at_takeaway_ms=late_ms, at_top_ms=top_ms)


@dataclass(slots=True)
class Tally:
    """What came of one block."""

    block: Block
    number: int
    judged: list[Judged] = field(default_factory=list)
    shown: int = 0
    confirmed: int = 0
    unsound: bool = False

    @property
    def cues(self) -> list[CueFollowed]:
        """How those swings went with it that had a cue."""
        return [one.cue for one in self.judged if one.cue is not None]

    def outcome(self) -> dict[str, Any]:
        """What came of it, for a marker."""
        judged = self.judged

        def of(name: str) -> dict[str, float | int | None]:
            values = [getattr(j, name) for j in judged]
            return spread([v for v in values if v is not None]).as_dict()

        return {
            "block": self.number,
            "block_kind": self.block.kind,
            "swings": len(judged),
            "of": self.block.repeats,
            "strikes": sum(j.struck for j in judged),
            "time_enough": sum(j.time == "enough" for j in judged),
            "time_judged": sum(j.time is not None for j in judged),
            "turn_full": sum(j.turn == "full" for j in judged),
            "turn_judged": sum(j.turn is not None for j in judged),
            "feedback_given": self.shown,
            "confirmed_live": self.confirmed,
            "backswing_ms": of("backswing_ms"),
            "turn_deg": of("turn_deg"),
            "peak_rate_dps": of("peak_rate_dps"),
            **followed_cues([self]),
            "sound_interrupted": self.unsound,
        }


def followed_cues(tallies: Sequence[Tally]) -> dict[str, Any]:
    """How the cue was followed, for an outcome."""
    cues = [cue for tally in tallies for cue in tally.cues]
    takeaways = [cue.at_takeaway_ms for cue in cues if cue.at_takeaway_ms is not None]
    tops = [cue.at_top_ms for cue in cues if cue.at_top_ms is not None]
    return {
        "cued_swings": sum(cue.cued for cue in cues),
        "followed_cue": sum(cue.followed for cue in cues),
        "cue_left_out": dict(Counter(cue.why_not for cue in cues if cue.why_not is not None)),
        "asynchrony_takeaway_ms": spread(takeaways).as_dict(),
        "asynchrony_top_ms": spread(tops).as_dict(),
    }


def asynchrony_lines(outcome: Mapping[str, Any]) -> list[str]:
    """Say how the cue was followed: by how many, how far off, and what is left out and why.

    Parameters
    ----------
    outcome : mapping
        Of a drill or of a block (`Drill.outcome`, the markers ``drill_outcome`` and
        ``block_outcome``).

    Returns
    -------
    list of str
        Empty where no swing had a cue.
    """
    cued, followed = outcome.get("cued_swings", 0), outcome.get("followed_cue", 0)
    left_out: Mapping[str, int] = outcome.get("cue_left_out", {})
    out: list[str] = []
    if cued:
        out.append(
            f"the cue: {followed} of {cued} swing{'' if cued == 1 else 's'} went with it "
            f"(takeaway within {WITH_CUE_S:g} s)"
        )
    for why, n in left_out.items():
        out.append(f"the cue: {n} swing{'' if n == 1 else 's'} left out: {why}")
    if not cued:
        return out
    for name in ("takeaway", "top"):
        found = outcome[f"asynchrony_{name}_ms"]
        if name == "takeaway" and outcome.get("cue_on") == "takeaway":
            out.append("takeaway: the cue joined it, so it cannot be set beside the cue")
        elif found["sd"] is None:
            few = "no swing" if not found["n"] else "only one swing"
            out.append(f"{name}: no mean and scatter: {few} could be set beside the cue")
        else:
            side = "after" if found["mean"] >= 0 else "before"
            out.append(
                f"{name}: {abs(found['mean']):.0f} ms {side} the cue on average, "
                f"scatter {found['sd']:.0f} ms (n {found['n']})"
            )
    return out
