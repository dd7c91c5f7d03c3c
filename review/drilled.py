"""What came of a drill, read from its recording's markers: blocks, the cue, and what held.

A drill writes down what it asked and what came of it (`feedback.drill`); here that is read again,
for whoever looks at the recording afterwards. Numbers are those of the drill, measured as the
swings came.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeGuard

from analysis.compare import MARGINS
from analysis.felt import wilson
from analysis.intervals import effective_dof, t_quantile
from analysis.summary import LEAST_SWINGS
from sensor.errors import SensorError
from sensor.recording import Marker, read_markers

__all__ = [
    "DrillBlock",
    "Drilled",
    "Values",
    "drilled",
    "drilled_at",
    "drilled_lines",
    "held_words",
]

CUED: Final = ("rehearsal", "ball")
QUIET: Final = ("silent", "retention")
LEVEL: Final = 0.95
"""Of the intervals, by convention."""
MEASURES: Final = {"backswing_ms": ("backswing", "ms"), "turn_deg": ("turn", "deg")}
"""What a drill is about, and what a block without sounds has to hold."""


@dataclass(frozen=True, slots=True)
class Values:
    """How many, their mean, and their standard deviation where there are two or more."""

    n: int
    mean: float
    sd: float | None


@dataclass(slots=True, kw_only=True)
class DrillBlock:
    """One block of a drill.

    Attributes
    ----------
    number : int
    kind : {"rehearsal", "ball", "silent", "retention"}
    swings, planned : int
    strikes : int
        Swings that met something, as the sensor felt it.
    time_enough, time_judged, turn_full, turn_judged : int
    values : dict of str to Values
        By measure: ``backswing_ms``, ``turn_deg``, ``peak_rate_dps``, and by event how far it was
        from its beat as heard: ``takeaway``, ``top`` (ms, positive is late).
    cued, followed : int
        Swings that had a cue which was heard, and those of them that went with it.
    left_out : dict of str to int
        Swings that can't be set beside the cue, by the reason.
    interruptions : int
        How often the sound was interrupted in it.
    """

    number: int
    kind: str
    swings: int = 0
    planned: int = 0
    strikes: int = 0
    time_enough: int = 0
    time_judged: int = 0
    turn_full: int = 0
    turn_judged: int = 0
    values: dict[str, Values] = field(default_factory=dict)
    cued: int = 0
    followed: int = 0
    left_out: dict[str, int] = field(default_factory=dict)
    interruptions: int = 0

    @property
    def name(self) -> str:
        """Number and kind, as a block is named elsewhere."""
        return f"{self.number} {self.kind}"


@dataclass(slots=True, kw_only=True)
class Drilled:
    """A drill as it was done."""

    schedule: str | None = None
    cue_on: str | None = None
    rest_s: float | None = None
    blocks: list[DrillBlock] = field(default_factory=list)
    outside: int = 0
    """Interruptions of the sound outside the blocks."""
    ended: bool = False
    """Whether it came to its outcome; else the recording ended before."""

    @property
    def interruptions(self) -> int:
        """How often the sound was interrupted in all."""
        return self.outside + sum(block.interruptions for block in self.blocks)

    @property
    def held(self) -> list[str]:
        """A sentence for each block without sounds: whether it held."""
        return [
            held_words(block, before_of(block, self.blocks))
            for block in self.blocks
            if block.kind in QUIET and block.swings
        ]

    def as_dict(self) -> dict[str, Any]:
        """For a document."""

        def values(one: Values) -> dict[str, Any]:
            return {"n": one.n, "mean": one.mean, "sd": one.sd}

        return {
            "schedule": self.schedule,
            "cue_on": self.cue_on,
            "rest_s": self.rest_s,
            "ended": self.ended,
            "interruptions": self.interruptions,
            "blocks": [
                {
                    "block": one.number,
                    "block_kind": one.kind,
                    "swings": one.swings,
                    "of": one.planned,
                    "strikes": one.strikes,
                    "time_enough": one.time_enough,
                    "time_judged": one.time_judged,
                    "turn_full": one.turn_full,
                    "turn_judged": one.turn_judged,
                    **{
                        name: values(one.values[name])
                        for name in (*MEASURES, "peak_rate_dps")
                        if name in one.values
                    },
                    **{
                        f"asynchrony_{name}_ms": values(one.values[name])
                        for name in ("takeaway", "top")
                        if name in one.values
                    },
                    "cued_swings": one.cued,
                    "followed_cue": one.followed,
                    "cue_left_out": dict(one.left_out),
                    "interruptions": one.interruptions,
                }
                for one in self.blocks
            ],
            "held": self.held,
        }


def drilled_at(path: Path) -> Drilled | None:
    """Read what came of a drill from a recording's folder; None where it isn't one, or isn't there.

    Parameters
    ----------
    path : Path
    """
    try:
        return drilled(read_markers(path)[0])
    except (SensorError, OSError):
        return None


# -- from markers ----------------------------------------------------------------------------------


def drilled(markers: Iterable[Marker]) -> Drilled | None:
    """Read what came of a drill; None where the recording isn't one.

    A drill that was cut short has what its swings say. Markers that make no sense are passed over.

    Parameters
    ----------
    markers : iterable of Marker
        In their order.
    """
    out: Drilled | None = None
    block: DrillBlock | None = None
    underflows = 0
    for marker in markers:
        fields = marker.fields
        if marker.kind == "drill":
            out, block, underflows = _begun(fields), None, 0
        if out is None and marker.kind in ("block", "block_outcome"):
            # Its beginning is damaged.
            out = Drilled()
        if out is None:
            continue
        if marker.kind == "block":
            block = _block(out, fields)
        elif marker.kind == "drill_swing":
            of = _block(out, fields)
            if of is not None:
                _count(of, fields)
        elif marker.kind == "block_outcome":
            of = _block(out, fields)
            if of is not None:
                _fill(of, fields)
        elif marker.kind == "drill_outcome":
            out.ended = True
            told = fields.get("blocks")
            for one in told if isinstance(told, list) else ():
                of = _block(out, one) if isinstance(one, Mapping) else None
                if of is not None:
                    _fill(of, one)
        elif marker.kind == "sound":
            now = _whole(fields.get("underflows"))
            if block is None:
                out.outside += max(0, now - underflows)
            else:
                block.interruptions += max(0, now - underflows)
            underflows = 0 if fields.get("lost") is True else now
    return out


def _begun(fields: Mapping[str, Any]) -> Drilled:
    schedule, cue_on = fields.get("schedule"), fields.get("cue_on")
    rest = fields.get("rest_s")
    return Drilled(
        schedule=schedule if isinstance(schedule, str) else None,
        cue_on=cue_on if isinstance(cue_on, str) else None,
        rest_s=float(rest) if _is_number(rest) else None,
    )


def _block(drill: Drilled, fields: Mapping[str, Any]) -> DrillBlock | None:
    """Return the block that a marker is about, a new one where it is the first word of it."""
    number, kind = fields.get("block"), fields.get("block_kind")
    if not isinstance(number, int) or isinstance(number, bool) or kind not in (*CUED, *QUIET):
        return None
    for one in drill.blocks:
        if (one.number, one.kind) == (number, kind):
            break
    else:
        one = DrillBlock(number=number, kind=str(kind))
        drill.blocks.append(one)
    one.planned = max(one.planned, _whole(fields.get("repeats")), _whole(fields.get("of")))
    return one


def _count(block: DrillBlock, fields: Mapping[str, Any]) -> None:
    block.swings += 1
    block.time_judged += fields.get("time") is not None
    block.time_enough += fields.get("time") == "enough"
    block.turn_judged += fields.get("turn") is not None
    block.turn_full += fields.get("turn") == "full"


def _fill(block: DrillBlock, fields: Mapping[str, Any]) -> None:
    """Take over what the drill itself summed up."""
    names = ("swings", "strikes", "time_enough", "time_judged", "turn_full", "turn_judged")
    for name in names:
        if name in fields:
            setattr(block, name, _whole(fields[name]))
    for name, key in (("cued", "cued_swings"), ("followed", "followed_cue")):
        if key in fields:
            setattr(block, name, _whole(fields[key]))
    left_out = fields.get("cue_left_out")
    if isinstance(left_out, Mapping):
        block.left_out = {str(why): n for why, n in left_out.items() if _whole(n)}
    # Of more than there are, nothing could be said.
    block.time_enough = min(block.time_enough, block.time_judged)
    block.turn_full = min(block.turn_full, block.turn_judged)
    for name in (*MEASURES, "peak_rate_dps"):
        _take(block, name, fields.get(name))
    for name in ("takeaway", "top"):
        _take(block, name, fields.get(f"asynchrony_{name}_ms"))


def _take(block: DrillBlock, name: str, found: object) -> None:
    if not isinstance(found, Mapping):
        return
    n, mean, sd = (found.get(key) for key in ("n", "mean", "sd"))
    if isinstance(n, int) and n > 0 and _is_number(mean):
        block.values[name] = Values(n, float(mean), float(sd) if _is_number(sd) else None)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _whole(value: object) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) and value > 0 else 0


# -- whether a block without sounds held -----------------------------------------------------------


def before_of(block: DrillBlock, blocks: Sequence[DrillBlock]) -> DrillBlock | None:
    """Return the last block with cue or tones before one without them."""
    before = [b for b in blocks if b.kind in CUED and b.swings and b.number < block.number]
    return before[-1] if before else None


def held_words(block: DrillBlock, before: DrillBlock | None) -> str:
    """Say whether a block without sounds held what was done with them, with the numbers.

    It held where time and turn are no less than before by what matters, surely; it didn't where
    one of them is surely less, and by more than that can't be ruled out; else it can't be told.

    Parameters
    ----------
    block : DrillBlock
        Silent or retention.
    before : DrillBlock or None
        The last one with cue or tones.
    """
    start = f"Block {block.name}"
    counts = _counts(block, before)
    if before is None:
        return (
            f"{start}: can't tell from this drill whether it held, there was no block with cue or "
            f"tones before it{counts}."
        )
    told: list[str] = []
    words: list[str] = []
    for name, (word, unit) in MEASURES.items():
        outcome, text = _against(block, before, name)
        words.append(outcome)
        told.append(f"{word} {text.format(unit=unit)}")
    if "not held" in words:
        verdict = "not held"
    elif words.count("held") == len(words):
        verdict = "held"
    else:
        verdict = "can't tell whether it held"
    return f"{start}, against block {before.name}: {verdict}; {'; '.join(told)}{counts}."


def _against(block: DrillBlock, before: DrillBlock, name: str) -> tuple[str, str]:
    """Set one measure beside what it was: held, not held or unclear, and the words for it."""
    a, b = before.values.get(name), block.values.get(name)
    if a is None or b is None or a.sd is None or b.sd is None or min(a.n, b.n) < LEAST_SWINGS:
        there = min(0 if a is None else a.n, 0 if b is None else b.n)
        return "unclear", f"too few swings to set beside each other ({there} of {LEAST_SWINGS})"
    difference = b.mean - a.mean
    parts = [(one.sd / math.sqrt(one.n), one.n - 1.0) for one in (a, b) if one.sd is not None]
    u = math.sqrt(math.fsum(part**2 for part, _ in parts))
    half = t_quantile(0.5 + LEVEL / 2, effective_dof(parts)) * u if u > 0.0 else 0.0
    low, high, margin = difference - half, difference + half, MARGINS[name].of(a.mean, b.mean)
    text = (
        f"{_signed(difference)} {{unit}} ({_signed(low)} to {_signed(high)}; less by up to "
        f"{margin:.0f} counts as the same)"
    )
    if low >= -margin:
        return "held", text
    return ("not held" if high < 0.0 else "unclear"), text


def _signed(value: float) -> str:
    text = f"{value:+.0f}"
    return "0" if text in ("+0", "-0") else text.replace("-", "\N{MINUS SIGN}")


def _counts(block: DrillBlock, before: DrillBlock | None) -> str:
    """How many were long enough and full, with Wilson's interval, and how many were before."""
    out = ""
    for word, count, judged in (
        ("time enough", "time_enough", "time_judged"),
        ("full turn", "turn_full", "turn_judged"),
    ):
        if getattr(block, judged):
            out += f"; {word} {_share(getattr(block, count), getattr(block, judged))}"
            if before is not None and getattr(before, judged):
                out += f", before {_share(getattr(before, count), getattr(before, judged))}"
    return out


def _share(n: int, of: int) -> str:
    interval = wilson(n, of, LEVEL)
    return f"{n} of {of} ({100 * interval.low:.0f} to {100 * interval.high:.0f} %)"


# -- for a terminal --------------------------------------------------------------------------------


def drilled_lines(drill: Drilled) -> list[str]:
    """Say in lines what came of a drill; long ones are sentences, to be wrapped."""
    head = "drill"
    if drill.schedule is not None:
        head += f", feedback {drill.schedule}"
        head += ", no cue" if drill.cue_on is None else f", cue on {drill.cue_on}"
    out = [head + ("" if drill.ended else "; cut short")]
    for one in drill.blocks:
        words = [f"{one.swings} of {one.planned or one.swings} swings"]
        words += [
            f"{word} {n} of {of}" if of else f"{word} not judged"
            for word, n, of in (
                ("time enough", one.time_enough, one.time_judged),
                ("full turn", one.turn_full, one.turn_judged),
            )
        ]
        if one.kind not in ("ball", *QUIET) and one.strikes:
            words.append(f"{one.strikes} met something (no ball was there)")
        if one.cued:
            words.append(f"{one.followed} of {one.cued} went with the cue")
        for name in ("takeaway", "top"):
            values = one.values.get(name)
            if values is not None:
                words.append(f"{name} {beat_words(values, one.cued or one.swings)}")
        words += [f"{n} not set beside the cue: {why}" for why, n in one.left_out.items()]
        if one.interruptions:
            words.append(f"sound interrupted {one.interruptions} x")
        out.append(f"block {one.name}: {', '.join(words)}")
    return [*out, *drill.held]


def beat_words(values: Values, swings: int) -> str:
    """Say how far an event was from its beat: mean, spread, and for how many of the swings."""
    side = "after" if values.mean >= 0.0 else "before"
    sd = "" if values.sd is None else f" (sd {values.sd:.0f})"
    return f"{abs(values.mean):.0f} ms{sd} {side} its beat, {values.n} of {max(swings, values.n)}"
