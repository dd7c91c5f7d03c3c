"""Invented players' sessions whose differences are known, in a real library."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from library_data import EVERY_S, RATE_HZ, analyzed, make_recording, swing_values

from library.catalogue import Library

BACK_MS = 900.0
TURN_DEG = 130.0
RATE_DPS = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Swings of one kind: how many, in which block of a drill, and their share of the usual.

    ``change_ms``: the change of direction, where that is to be known. ``part``: part swings.
    """

    n: int
    strike: bool
    block: str | None = None
    time: float = 1.0
    turn: float = 1.0
    rate: float = 1.0
    felt: str | None = None
    head_m_s: float | None = None
    change_ms: float | None = None
    part: bool = False


FREE = (Block(n=8, strike=False), Block(n=8, strike=True))
SHORT = (
    Block(n=5, strike=False),
    Block(n=5, strike=True, time=0.86, turn=0.88, rate=0.9, felt="rushed"),
    Block(n=5, strike=False),
    Block(n=5, strike=True, time=0.86, turn=0.88, rate=0.9, felt="rushed"),
)
DRILLED = (
    Block(n=6, strike=True, block="1 retention", rate=1.05, felt="in-time"),
    Block(n=6, strike=False, block="2 rehearsal"),
    Block(n=8, strike=False, block="3 silent"),
    Block(n=8, strike=True, block="4 silent", rate=1.05, felt="in-time"),
)
LONG = (
    Block(n=5, strike=False),
    Block(n=5, strike=True, time=1.13, turn=1.1, rate=1.06),
    Block(n=5, strike=False),
    Block(n=5, strike=True, time=1.13, turn=1.1, rate=1.06),
)
FEW = (Block(n=3, strike=False), Block(n=3, strike=True))


def add_session(
    library: Library,
    folder: Path,
    number: int,
    blocks: Sequence[Block],
    *,
    player: str = "Ida",
    club: str = "7 iron",
    mount: str = "wrist",
    day: str = "2026-05-01",
    seed: int = 11,
    scatter: float = 0.02,
) -> str:
    """Add a session; return its id."""
    start = f"{day}T18:30:00+02:00"
    path = make_recording(
        folder / f"session-{number}", number, player=player, club=club, mount=mount, start=start
    )
    rng = np.random.default_rng([seed, number])
    # Days differ a little: strapping on the sensor is never quite the same.
    today = 1.0 + 0.008 * rng.standard_normal(3)
    swings, segments, felt, results = [], [], [], []
    k = 0
    for one in blocks:
        fields = {
            "player": player,
            "handedness": "right",
            "club": club,
            "intent": "part" if one.part else None,
            "ball": one.strike,
            "block": one.block,
        }
        at_s = EVERY_S * (k + 1) - 3.0 if k else 0.0
        segments.append((round(at_s * RATE_HZ), at_s, fields))
        for _ in range(one.n):
            k += 1
            time, turn, rate = today * (1.0 + scatter * rng.standard_normal(3))
            back_ms = BACK_MS * one.time * time
            down_ms = 280.0 * (1.0 + 0.02 * rng.standard_normal())
            takeaway_s = EVERY_S * k
            change: dict[str, float] = {}
            if one.change_ms is not None:
                own = np.random.default_rng([seed, number, k]).standard_normal()
                change["transition_ms"] = float(one.change_ms + 4.0 * own)
            values = swing_values(
                k,
                rng,
                strike=one.strike,
                impact_basis="shock" if one.strike else "least_turn",
                top_s=takeaway_s + back_ms / 1e3,
                impact_s=takeaway_s + (back_ms + down_ms) / 1e3,
                finish_s=takeaway_s + (back_ms + down_ms) / 1e3 + 0.4,
                backswing_ms=back_ms,
                downswing_ms=down_ms,
                swing_ms=back_ms + down_ms,
                tempo_ratio=back_ms / down_ms,
                turn_deg=TURN_DEG * one.turn * turn,
                peak_rate_dps=RATE_DPS * one.rate * rate,
                **change,
            )
            swings.append(values)
            if one.felt is not None:
                after = round((values["impact_s"] + 2.0) * RATE_HZ)
                felt.append((after, {"time": one.felt}))
            if one.head_m_s is not None:
                results.append((k, one.head_m_s * rate + 0.1 * rng.standard_normal()))
    made = analyzed(path, swings=swings, segments=tuple(segments), felt=tuple(felt))
    library.put(made)
    for number_of, speed in results:
        seq = library.swing(made.id, number=number_of).seq
        library.annotate(made.id, seq, result={"club_speed_m_s": float(speed)})
    return made.id


DAYS = ("2026-05-01", "2026-05-05", "2026-05-09", "2026-05-13", "2026-05-17", "2026-05-21")


def learner(library: Library, folder: Path, *, player: str = "Ida", first: int = 1) -> list[str]:
    """Two sessions short of time, turn and speed at a ball; four with drills, near the usual."""
    plans = (SHORT, SHORT, DRILLED, DRILLED, DRILLED, DRILLED)
    return [
        add_session(library, folder, first + k, blocks, player=player, day=day)
        for k, (blocks, day) in enumerate(zip(plans, DAYS, strict=True))
    ]


def long_one(library: Library, folder: Path, *, player: str = "Otto", first: int = 20) -> list[str]:
    """Four sessions longer in time and beyond the full turn at a ball."""
    return [
        add_session(library, folder, first + k, LONG, player=player, day=day)
        for k, day in enumerate(DAYS[:4])
    ]


def approve(library: Library, player: str, sessions: Sequence[str], **options: object) -> None:
    """Approve the rehearsals of some sessions as the coach would."""
    from library.players import ReferenceRecord

    who = library.player(player)
    keys = []
    for session in sessions:
        table = library.swings(session=session, kind="rehearsal")
        keys += [(session, int(seq)) for seq in table["seq"].tolist()]
    library.set_reference(
        who.id,
        ReferenceRecord(
            club="7 iron", mount="wrist", swings=tuple(keys), approved_by="Jo", **options
        ),  # type: ignore[arg-type]
    )


def home_of_two(root: Path) -> Path:
    """Make a home with a learner (Ida) and one who swings long (Otto), both with references."""
    with Library(root / "home") as library:
        approve(library, "Ida", learner(library, root)[:1])
        approve(library, "Otto", long_one(library, root)[:1])
    return root / "home"
