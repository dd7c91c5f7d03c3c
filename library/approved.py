"""Approved swings, found again as the library numbers them now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sensor.recording.annotations import MATCH_S

if TYPE_CHECKING:
    from library.catalogue import Library


def approved_swings(library: Library, keys: Sequence[tuple[str, int]]) -> list[str]:
    """Return approved swings by recording and `seq` as the ids that rows have, ``SESSION#N``.

    A better analysis may have moved an impact a little; the swing is found all the same. Swings
    that were excluded since, or aren't found any more, are left out.
    """
    out = []
    for session in dict.fromkeys(recording for recording, _ in keys):
        table = library.swings(session=session, columns=("seq", "number"))
        if not len(table):
            continue
        there = dict(zip(table["seq"].tolist(), table["number"].tolist(), strict=True))
        reach = MATCH_S * library.session(session).rate_hz
        for recording, seq in keys:
            if recording != session:
                continue
            nearest = min(there, key=lambda one, at=seq: abs(one - at))  # type: ignore[misc]
            if abs(nearest - seq) <= reach:
                out.append(f"{session}#{int(there[nearest])}")
    return list(dict.fromkeys(out))
