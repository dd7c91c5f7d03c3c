"""Which swings are offered as model swings: those that are ticked before anybody looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from analysis.evidence.outliers import outliers
from analysis.evidence.reading import Reference
from analysis.evidence.spread import SwingRow
from library.catalogue import Library
from library.evidence import Evidence
from review import formatting as fmt
from review.page.links import SwingLinks, swing_url

MOST_CANDIDATES: Final = 80
"""Swings to choose from: those that are ticked, and the latest."""

WATCHED: Final = "watched"
"""The tag of swings that somebody looked at and took for full and unhurried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """Swings that are ticked, and why these.

    Attributes
    ----------
    swing_ids : tuple of str
    why : {"approved", "watched", "day", "days", "few"}
    days : tuple of str
        Of which days they are.
    """

    swing_ids: tuple[str, ...]
    why: str
    days: tuple[str, ...] = ()


def offered(library: Library, evidence: Evidence, links: SwingLinks) -> Offered:
    """Choose the swings that are ticked: approved ones, else watched ones, else a day's.

    A day's are all its practice swings without sound, but those far from the others; where no day
    has enough, those of the newest days together.
    """
    least = evidence.params.least_reference
    known = evidence.reference
    if isinstance(known, Reference) and not known.provisional:
        return Offered(swing_ids=tuple(known.swing_ids), why="approved")
    free = [row for row in evidence.rows if not row.cued]
    watched = _watched(library, evidence)
    there = [row for row in free if row.swing_id in watched]
    if len(there) >= least:
        return _of(there, "watched", links)
    by_day: dict[int, list[SwingRow]] = {}
    for row in reversed(free):
        if row.kind == "rehearsal":
            by_day.setdefault(evidence.days[row.session_id], []).append(row)
    for rows in by_day.values():
        near = _near(rows)
        if len(near) >= least:
            return _of(near, "day", links)
    together: list[SwingRow] = []
    for rows in by_day.values():
        together += rows
        near = _near(together)
        if len(near) >= least:
            return _of(near, "days", links)
    return Offered(swing_ids=tuple(row.swing_id for row in together), why="few")


def _of(rows: Sequence[SwingRow], why: str, links: SwingLinks) -> Offered:
    days = dict.fromkeys(links.day(row.session_id) for row in rows)
    return Offered(swing_ids=tuple(row.swing_id for row in rows), why=why, days=tuple(days))


def _near(rows: Sequence[SwingRow]) -> list[SwingRow]:
    far = outliers(rows)
    return [row for row in rows if row.swing_id not in far]


def _watched(library: Library, evidence: Evidence) -> set[str]:
    table = library.swings(
        tag=WATCHED,
        player=evidence.player.id,
        club=evidence.club,
        mount=evidence.mount,
        part=False,
        columns=("session", "number"),
    )
    return {f"{row['session']}#{row['number']}" for row in table.rows()}


def candidates_of(
    library: Library, evidence: Evidence, chosen: Offered, links: SwingLinks
) -> list[dict[str, Any]]:
    """Return swings that model swings can be chosen from: ticked ones first, then the latest."""
    ticked = set(chosen.swing_ids)
    watched = _watched(library, evidence)
    there = list(reversed(evidence.rows))
    shown = [row for row in there if row.swing_id in ticked]
    shown += [row for row in there if row.swing_id not in ticked and not row.cued]
    shown = shown[: max(MOST_CANDIDATES, len(ticked))]
    return [
        {
            "id": row.swing_id,
            "day": links.day(row.session_id),
            "number": int(row.swing_id.rpartition("#")[2]),
            "url": swing_url(row.session_id, int(row.swing_id.rpartition("#")[2])),
            "kind": row.kind,
            "ticked": row.swing_id in ticked,
            "watched": row.swing_id in watched,
            "numbers": (
                ("backswing_ms", fmt.seconds(row.values.get("backswing_ms"))),
                ("turn_deg", fmt.digits("turn_deg", row.values.get("turn_deg"))),
                ("peak_rate_dps", fmt.digits("peak_rate_dps", row.values.get("peak_rate_dps"))),
            ),
            "values": row.values,
        }
        for row in shown
    ]
