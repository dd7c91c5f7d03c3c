"""How many turns were full, session by session."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

from analysis.evidence.felt import wilson
from analysis.evidence.reading import Reference
from library.catalogue import Library
from library.evidence import Evidence
from library.rows import GroupRow, Summary, SwingTable
from review import formatting as fmt
from review.page.links import session_url
from review.svg import Kind, Line, Mark, marks_chart

KINDS: Final[tuple[Kind, ...]] = ("rehearsal", "strike")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A session in the charts: its summaries by kind and measure."""

    session: str
    start: str
    start_s: float
    day: str
    simulated: int
    by: Mapping[str, Mapping[str, Summary]]

    @property
    def at(self) -> float:
        """Day number, with the time of the day."""
        return date.fromisoformat(self.day).toordinal() + (self.start_s / 86400.0) % 1.0


def _axis(shown: Sequence[Shown]) -> dict[str, Any]:
    """Ticks of the time axis: some of the sessions' days."""
    days = sorted({int(s.at) for s in shown})
    if len(days) > 6:
        step = (len(days) - 1) / 5.0
        days = [days[round(k * step)] for k in range(6)]
    years = len({date.fromordinal(d).year for d in days}) > 1

    def text(value: float) -> str:
        at = date.fromordinal(int(value))
        return f"{at.day} {at:%b}" + (f" {at:%y}" if years else "")

    kept: list[int] = []
    width = max(days[-1] - days[0], 1) / 8.0
    for day in days:
        # Labels that would lie on each other are left out.
        if not kept or day - kept[-1] >= width:
            kept.append(day)
    return {"x_ticks": [d + 0.5 for d in kept], "x_text": text}


def _turns(table: SwingTable, group: GroupRow) -> dict[tuple[str, str], list[float]]:
    """Return the turns of a setting's swings by session and kind."""
    out: dict[tuple[str, str], list[float]] = {}
    for row in table.rows():
        mine = (row["club"], row["mount"]) == (group.club, group.mount)
        if mine and row["turn_deg"] is not None:
            out.setdefault((row["session"], row["kind"]), []).append(row["turn_deg"])
    return out


def shares_of(
    library: Library,
    player: str,
    group: GroupRow,
    shown: Sequence[Shown],
    reference: Reference,
) -> dict[str, Any] | None:
    """Count full turns by session: those over the share of the reference that the plan asks for."""
    known = reference.values.get("turn_deg")
    if known is None or not shown:
        return None
    share = Evidence(library, library.player(player), club=group.club, mount=group.mount)
    needed = share.rules.turn_share * known.middle
    table = library.swings(
        player=player,
        club=group.club,
        mount=group.mount,
        part=False,
        since_s=shown[0].start_s,
        simulated=library.simulated_limit(player),
        columns=("session", "club", "mount", "kind", "turn_deg"),
    )
    counts = _turns(table, group)
    marks, lines, rows = [], [], []
    span = shown[-1].at - shown[0].at
    for k, kind in enumerate(KINDS):
        points = []
        for one in shown:
            turns = counts.get((one.session, kind), [])
            if not turns:
                continue
            full = sum(turn >= needed for turn in turns)
            beyond = 0 if known.upper is None else sum(turn > known.upper for turn in turns)
            interval = wilson(full, len(turns))
            x = one.at + (k - 0.5) * max(span, 1.0) / 90.0
            points.append((x, 100.0 * full / len(turns)))
            ends = ((x, 100.0 * interval.low), (x, 100.0 * interval.high))
            lines.append(Line(points=ends, kind="unclear"))
            swings = fmt.count(len(turns), fmt.kind_word(kind))
            label = f"{fmt.day_words(one.start)}: {full} of {swings} full"
            marks.append(
                Mark(
                    x=x,
                    y=points[-1][1],
                    kind=kind,
                    size=0.3,
                    href=session_url(one.session),
                    label=label,
                )
            )
            rows.append(
                {
                    "session": one,
                    "kind": kind,
                    "full": full,
                    "beyond": beyond,
                    "n": len(turns),
                    "low": interval.low,
                    "high": interval.high,
                }
            )
        lines.insert(0, Line(points=tuple(points), kind=kind))
    return {
        "svg": marks_chart(
            marks,
            title="Share of full turns by session",
            x_label="session",
            y_label="full turns, %",
            lines=lines,
            least_x=2.0,
            y_span=(-5.0, 105.0),
            height=300.0,
            **_axis(shown),
        ),
        "rows": sorted(rows, key=lambda r: -r["session"].start_s),
        "needed": needed,
        "upper": known.upper,
    }
