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

from analysis.evidence.blocks import BLOCKS, CUED, QUIET
from analysis.evidence.cells import Cell, cell_of_summary
from analysis.evidence.felt import wilson
from analysis.evidence.margins import MARGINS
from analysis.evidence.outcome import LEVEL, Decision, Retention, decide_together, retention
from analysis.evidence.parts import budget
from analysis.evidence.summary import LEAST_SWINGS
from analysis.evidence.variance import variances_of
from sensor.errors import SensorError
from sensor.recording.markers import Marker, read_markers
from words.glossary import SET_NAMES, measure_word
from words.units import said, unit_of

MEASURES: Final = ("backswing_ms", "turn_deg")
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
    sounded : bool
        False: of a kind with sound, but from its beginning nobody heard any.
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
    sounded: bool = True

    @property
    def name(self) -> str:
        """Number and kind, as a block is named elsewhere."""
        return f"{self.number} {self.kind}" if self.sounded else f"{self.number} none {self.kind}"


@dataclass(slots=True, kw_only=True)
class DrillOutcome:
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
        """A sentence for each block without sounds that can be asked: whether it held.

        Where sounds come later, what was swung before them had nothing to hold; and where one of
        them has swings enough, those with too few aren't asked.
        """
        quiet = [block for block in self.blocks if block.kind in QUIET and block.swings]
        sounds = any(one.kind in CUED and one.sounded and one.swings for one in self.blocks)
        asked = [one for one in quiet if not sounds or before_of(one, self.blocks) is not None]
        enough = [one for one in asked if one.swings >= LEAST_SWINGS]
        return [held_words(one, before_of(one, self.blocks)) for one in enough or asked or quiet]

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


def outcome_at(path: Path) -> DrillOutcome | None:
    """Read what came of a drill from a recording's folder; None where it isn't one, or isn't there.

    Parameters
    ----------
    path : Path
    """
    try:
        return outcome_from(read_markers(path)[0])
    except (SensorError, OSError):
        return None


# -- from markers ----------------------------------------------------------------------------------


def outcome_from(markers: Iterable[Marker]) -> DrillOutcome | None:
    """Read what came of a drill; None where the recording isn't one.

    A drill that was cut short has what its swings say. Markers that make no sense are passed over.

    Parameters
    ----------
    markers : iterable of Marker
        In their order.
    """
    out: DrillOutcome | None = None
    block: DrillBlock | None = None
    underflows = 0
    counted: dict[object, Mapping[str, Any]] = {}
    for marker in markers:
        fields = marker.fields
        if marker.kind == "drill":
            out, block, underflows = _begun(fields), None, 0
        if out is None and marker.kind in ("block", "block_outcome"):
            # Its beginning is damaged.
            out = DrillOutcome()
        if out is None:
            continue
        if marker.kind == "block":
            block = _block(out, fields)
            if block is not None and block.kind in CUED and not block.swings:
                block.sounded = fields.get("sound") != "none"
        elif marker.kind == "drill_swing":
            of = _block(out, fields)
            if of is not None:
                _count(of, fields)
                counted[fields.get("swing")] = fields
        elif marker.kind in ("drill_swing_left_out", "drill_swing_counts"):
            swing = counted.get(fields.get("swing"))
            of = None if swing is None else _block(out, swing)
            if of is not None and swing is not None:
                _count(of, swing, 1 if marker.kind == "drill_swing_counts" else -1)
        elif marker.kind == "block_outcome":
            of = _block(out, fields)
            if of is not None:
                _fill(of, fields)
        elif marker.kind == "drill_outcome":
            out.ended = True
            entered = fields.get("blocks")
            for one in entered if isinstance(entered, list) else ():
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


def _begun(fields: Mapping[str, Any]) -> DrillOutcome:
    schedule, cue_on = fields.get("schedule"), fields.get("cue_on")
    rest = fields.get("rest_s")
    return DrillOutcome(
        schedule=schedule if isinstance(schedule, str) else None,
        cue_on=cue_on if isinstance(cue_on, str) else None,
        rest_s=float(rest) if _is_number(rest) else None,
    )


def _block(drill: DrillOutcome, fields: Mapping[str, Any]) -> DrillBlock | None:
    """Return the block that a marker is about, a new one where it is the first word of it."""
    number, kind = fields.get("block"), fields.get("block_kind")
    if not isinstance(number, int) or isinstance(number, bool) or kind not in BLOCKS:
        return None
    for one in drill.blocks:
        if (one.number, one.kind) == (number, kind):
            break
    else:
        one = DrillBlock(number=number, kind=str(kind))
        drill.blocks.append(one)
    one.planned = max(one.planned, _whole(fields.get("repeats")), _whole(fields.get("of")))
    return one


def _count(block: DrillBlock, fields: Mapping[str, Any], by: int = 1) -> None:
    """Count a swing in, or out again (-1)."""
    block.swings += by
    block.time_judged += by * (fields.get("time") is not None)
    block.time_enough += by * (fields.get("time") == "enough")
    block.turn_judged += by * (fields.get("turn") is not None)
    block.turn_full += by * (fields.get("turn") == "full")


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
    """Return the last block with cue or tones before one without them, with swings enough."""
    sounded = [b for b in blocks if b.kind in CUED and b.sounded and b.swings]
    before = [b for b in sounded if b.number < block.number]
    enough = [b for b in before if b.swings >= LEAST_SWINGS]
    found = enough or before
    return found[-1] if found else None


def held_words(block: DrillBlock, before: DrillBlock | None) -> str:
    """Say whether a block without sounds kept what was done with them, with the numbers.

    *Kept*: time and turn are at most so much less than before as counts as the same. *Not kept*:
    one of them is less by more than that. Else it can't be told yet. All of it is about today: the
    two blocks are of one session, one after the other, so what drifts through a session is in the
    interval.

    Parameters
    ----------
    block : DrillBlock
        Silent or retention.
    before : DrillBlock or None
        The last one with cue or tones.
    """
    start = _set_words(block).capitalize()
    counts = _counts(block, before)
    if before is None:
        return (
            f"{start}: can't tell from this drill whether it was kept, there was no set with sound "
            f"before it{counts}."
        )
    found = _against(block, before)
    clauses: list[str] = []
    words: list[Retention] = []
    for name in MEASURES:
        word, unit = measure_word(name), said(unit_of(name))
        decision = found.get(name)
        if decision is None:
            there = min(one.values[name].n if name in one.values else 0 for one in (before, block))
            words.append(Retention.INCONCLUSIVE)
            clauses.append(
                f"{word} too few swings to set beside each other ({there} of {LEAST_SWINGS})"
                if there < LEAST_SWINGS
                else f"{word} with nothing to say how the swings differ"
            )
            continue
        words.append(retention(decision))
        clauses.append(
            f"{word} {_signed(decision.difference)}{unit} ({_signed(decision.low)} to "
            f"{_signed(decision.high)}; less by up to {decision.margin:.0f} counts as the same)"
        )
    verdict = Retention.INCONCLUSIVE
    if Retention.NOT_RETAINED in words:
        verdict = Retention.NOT_RETAINED
    elif all(word is Retention.RETAINED for word in words):
        verdict = Retention.RETAINED
    return f"{start} beside {_set_words(before)}, today: {verdict}; {'; '.join(clauses)}{counts}."


def _set_words(block: DrillBlock) -> str:
    """Name a set by its number and what it was."""
    name = SET_NAMES.get(block.kind, block.kind)
    return f"set {block.number} ({name}{'' if block.sounded else ' without sound'})"


def kept_by_block(drill: DrillOutcome) -> list[tuple[str, str, Retention, Decision | None]]:
    """Return block, measure, whether it was kept, and its decision, of each silent block."""
    out: list[tuple[str, str, Retention, Decision | None]] = []
    for block in drill.blocks:
        before = before_of(block, drill.blocks) if block.kind in QUIET and block.swings else None
        found = {} if before is None else _against(block, before)
        for name in MEASURES if before is not None else ():
            one = found.get(name)
            out.append(
                (block.name, name, Retention.INCONCLUSIVE if one is None else retention(one), one)
            )
    return out


def _against(block: DrillBlock, before: DrillBlock) -> dict[str, Decision]:
    """Set a block beside the one before, time and turn decided together."""
    asked = {}
    for name in MEASURES:
        cells: list[Cell] = []
        at = 0
        for one in (before, block):
            values = one.values.get(name)
            if values is None or values.sd is None or values.n < LEAST_SWINGS:
                break
            cells.append(
                cell_of_summary(
                    values.n,
                    values.mean,
                    values.sd,
                    session="drill",
                    kind=one.kind,
                    first_place=float(at),
                    run=len(cells),
                )
            )
            at += max(one.swings, values.n)
        if len(cells) < 2:
            continue
        known = variances_of([[cell] for cell in cells], name)
        parts = budget([(cells[0], -1.0), (cells[1], 1.0)], known, "today")
        if parts:
            margin = MARGINS[name].of(cells[0].location, cells[1].location)
            asked[name] = (cells[1].location - cells[0].location, parts, margin)
    return dict(zip(asked, decide_together(list(asked.values())), strict=True))


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


def outcome_sentences(drill: DrillOutcome) -> list[str]:
    """Say in lines what came of a drill; long ones are sentences, to be wrapped."""
    head = "drill"
    if drill.schedule is not None:
        head += f", sounds and numbers {drill.schedule}"
        head += ", no rising tone" if drill.cue_on is None else f", rising tone on {drill.cue_on}"
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
            words.append(f"{one.followed} of {one.cued} went with the rising tone")
        for name in ("takeaway", "top"):
            values = one.values.get(name)
            if values is not None:
                words.append(f"{name} {beat_words(values, one.cued or one.swings)}")
        words += [f"{n} not set beside the tone: {why}" for why, n in one.left_out.items()]
        if one.interruptions:
            words.append(f"sound interrupted {one.interruptions} x")
        out.append(f"{_set_words(one)}: {', '.join(words)}")
    return [*out, *drill.held]


def beat_words(values: Values, swings: int) -> str:
    """Say how far an event was from its beat: mean, spread, and for how many of the swings."""
    side = "after" if values.mean >= 0.0 else "before"
    sd = "" if values.sd is None else f" (sd {values.sd:.0f})"
    return f"{abs(values.mean):.0f} ms{sd} {side} its beat, {values.n} of {max(swings, values.n)}"
