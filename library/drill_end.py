"""A drill's end: did it work today? The swings without sound, one by one, and beside last time.

What the drill itself judged counts, as its markers have it, so that a swing is the same here as
when it was swung. Sets that no drill judged (from an older file) are set against the player's own
range.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from analysis.evidence.blocks import CUED, QUIET
from library.answer import Said, own_range
from library.errors import LibraryError
from library.evidence import Evidence
from sensor.errors import SensorError
from sensor.recording.markers import Marker, read_markers

LEAST: Final = 3
"""Swings without sound before anything is said of them."""


@dataclass(slots=True, kw_only=True)
class Tally:
    """Swings of one drill.

    Attributes
    ----------
    quiet : list of bool
        Swings without sound in their order: whether time and turn were kept.
    numbers : list of int or None
        Which swings of the session those are; None where that isn't known.
    loud : list of bool
        The same with sound.
    called : list of bool
        Swings that the player called before seeing: whether the call was what was measured.
    """

    quiet: list[bool] = field(default_factory=list)
    numbers: list[int | None] = field(default_factory=list)
    loud: list[bool] = field(default_factory=list)
    called: list[bool] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillEnd:
    """How a drill ended.

    Attributes
    ----------
    now : Tally
    before : Tally or None
        The drill before, of the same club and place.
    """

    now: Tally
    before: Tally | None = None


def tally_of(markers: Iterable[Marker], without: Collection[int] = ()) -> Tally:
    """Count what a drill judged.

    Parameters
    ----------
    markers : iterable of Marker
        Of a recording, in their order; a lesson may have several drills.
    without : collection of int, optional
        Numbers of swings that aren't asked about: said not to count after the drill, or somebody
        else's.
    """
    out = Tally()
    drill = 0
    swings: list[_Drilled] = []
    left_out: dict[object, tuple[int, _Drilled]] = {}
    for marker in markers:
        fields = marker.fields
        number = fields.get("swing")
        if marker.kind == "drill":
            drill += 1
        elif marker.kind == "drill_swing":
            swings.append(_Drilled.of(fields, drill))
        elif marker.kind == "drill_swing_left_out":
            for place, one in enumerate(swings):
                if one.number is not None and one.number == number:
                    left_out[number] = (place, swings.pop(place))
                    break
        elif marker.kind == "drill_swing_counts" and number in left_out:
            place, one = left_out.pop(number)
            swings.insert(place, one)
        elif marker.kind in ("felt", "felt_called") and not fields.get("after_numbers"):
            at, word = fields.get("number"), fields.get("felt")
            mine = [one for one in swings if one.drill == drill]
            if isinstance(at, int) and 0 < at <= len(mine) and isinstance(word, str):
                mine[at - 1].felt = word
    first: dict[int, int] = {}
    for place, one in enumerate(swings):
        if one.sounded:
            first.setdefault(one.drill, place)
    for place, one in enumerate(swings):
        if one.number in without:
            continue
        if one.time is not None and one.felt is not None:
            out.called.append((one.felt == "rushed") == (one.time == "short"))
        if one.kept is None or place < first.get(one.drill, 0):
            # What was swung before any sound is where the day began, and nothing that was kept.
            continue
        if one.block in QUIET:
            out.quiet.append(one.kept)
            out.numbers.append(one.number if isinstance(one.number, int) else None)
        elif one.sounded:
            out.loud.append(one.kept)
    return out


@dataclass(slots=True)
class _Drilled:
    """A swing as a drill judged it; ``kept`` is None where nothing could be judged.

    ``sounded``: it was of a set with sound, and that could be heard.
    """

    drill: int
    number: object
    block: object
    time: str | None
    kept: bool | None
    sounded: bool = False
    felt: str | None = None

    @classmethod
    def of(cls, fields: Mapping[str, Any], drill: int) -> _Drilled:
        time, turn = fields.get("time"), fields.get("turn")
        kept = fields.get("kept")
        if not isinstance(kept, bool):
            # As older drills wrote it.
            kept = time in (None, "enough") and turn in (None, "full")
        return cls(
            drill=drill,
            number=fields.get("swing"),
            block=fields.get("block_kind"),
            time=time if isinstance(time, str) else None,
            kept=None if time is None and turn is None else kept,
            sounded=fields.get("block_kind") in CUED and fields.get("sound") != "none",
        )


def drill_end(evidence: Evidence, session_id: str) -> DrillEnd | None:
    """Return how a session's drill ended; None where there was none, or too little of it.

    Parameters
    ----------
    evidence : Evidence
    session_id : str
    """
    now = _tally(evidence, session_id)
    if len(now.quiet) < LEAST:
        return None
    earlier = evidence.sessions[: evidence.sessions.index(session_id)]
    for session in reversed(earlier):
        if any(row.block in QUIET for row in evidence.rows_of(session)):
            before = _tally(evidence, session)
            if len(before.quiet) >= LEAST:
                return DrillEnd(now=now, before=before)
    return DrillEnd(now=now)


def _tally(evidence: Evidence, session_id: str) -> Tally:
    markers: Sequence[Marker] = ()
    # Where the recording is away, what the library knows of its swings is here.
    with contextlib.suppress(LibraryError, SensorError, OSError):
        markers = read_markers(evidence.library.path_of(session_id))[0]
    if not any(one.kind == "drill_swing" for one in markers):
        return _from_rows(evidence, session_id)
    # Even where nothing is left to count: rows would have other swings, and other words for them.
    return tally_of(markers, _not_asked(evidence, session_id))


def _not_asked(evidence: Evidence, session_id: str) -> set[int]:
    """Return the numbers of a session's swings that are left out by now, or somebody else's."""
    columns = ("number", "player", "excluded")
    table = evidence.library.swings(session=session_id, columns=columns, excluded=True)
    return {
        int(row["number"])
        for row in table.rows()
        if row["excluded"] is not None or row["player"] != evidence.player.id
    }


def _from_rows(evidence: Evidence, session_id: str) -> Tally:
    """Set the sets of a session against the player's own range, where no drill judged them."""
    out = Tally()
    then = evidence.until(session_id)
    for row in then.rows_of(session_id):
        if row.block not in (*CUED, *QUIET):
            continue
        said = own_range(then, [row]).said(row)
        words = {said["time"], said["turn"]}
        if Said.CANT_TELL in words:
            continue
        kept = not words & {Said.SHORTER, Said.SMALLER, Said.BIGGER, Said.PAST_FULL}
        (out.quiet if row.block in QUIET else out.loud).append(kept)
        if row.block in QUIET:
            out.numbers.append(int(row.swing_id.rpartition("#")[2]))
    return out
