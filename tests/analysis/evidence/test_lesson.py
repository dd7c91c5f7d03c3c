"""First swings against last of one lesson: a word where there is one, none for a mere drift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from analysis.evidence.full_swings import LEAST_DEG, full_floor
from analysis.evidence.lesson import first_against_last
from analysis.evidence.outcome import Outcome
from analysis.evidence.reading import Word
from analysis.evidence.spread import SwingRow

MIDDLE = {"backswing_ms": 800.0, "turn_deg": 130.0, "peak_rate_dps": 1000.0}
SCATTER = 0.025
KINDS = ("rehearsal",) * 3 + ("strike",) * 3


def swings(
    rng: np.random.Generator,
    kinds: Sequence[str],
    *,
    first_order: int = 0,
    session: str = "now",
    block: str | None = None,
    **by: float,
) -> list[SwingRow]:
    out = []
    for k, kind in enumerate(kinds):
        values = {
            name: middle * (1.0 + SCATTER * rng.standard_normal()) + by.get(name, 0.0)
            for name, middle in MIDDLE.items()
        }
        out.append(
            SwingRow(
                swing_id=f"{session}#{first_order + k + 1}",
                session_id=session,
                order=first_order + k,
                player="Ida",
                mount="wrist",
                kind=kind,  # type: ignore[arg-type]
                block=block,
                values=values,
            )
        )
    return out


def lesson(rng: np.random.Generator, **by: float) -> tuple[list[SwingRow], list[SwingRow]]:
    return swings(rng, KINDS), swings(rng, KINDS, first_order=6, **by)


def test_a_new_pupil_gets_two_true_words_without_model_swings() -> None:
    both = held = 0
    for seed in range(12):
        first, last = lesson(np.random.default_rng(seed), backswing_ms=100.0, turn_deg=12.0)
        found = first_against_last(first, last, [*first, *last])
        words = [found[aspect].word for aspect in ("time", "turn")]
        # What is said is true; of each pupil one word at least, and of most both.
        assert set(words) <= {Word.LONGER, Word.FULLER, Word.CANNOT_TELL}
        assert set(words) != {Word.CANNOT_TELL}
        both += words == [Word.LONGER, Word.FULLER]
        for one, true in ((found["time"], 100.0), (found["turn"], 12.0)):
            held += one.decision.low <= true <= one.decision.high
            assert one.last - one.first == pytest.approx(one.decision.difference)
    assert both >= 8
    assert held >= 22


def test_nothing_is_said_of_swings_that_only_scatter() -> None:
    rng = np.random.default_rng(4)
    said = 0
    for _ in range(120):
        first, last = lesson(rng)
        found = first_against_last(first, last, [*first, *last])
        said += any(one.decision.outcome is Outcome.DIFFERENT for one in found.values())
    # At most one in twenty by the rule, and fewer where there is no drift at all.
    assert said <= 6


def test_each_kind_is_set_against_its_own() -> None:
    """A ball changes a lot, and stands in neither: first practice mostly, last shots mostly."""
    rng = np.random.default_rng(5)
    first = [
        *swings(rng, ("rehearsal",) * 8),
        *swings(rng, ("strike",) * 3, first_order=8, turn_deg=-30.0),
    ]
    last = [
        *swings(rng, ("rehearsal",) * 3, first_order=11),
        *swings(rng, ("strike",) * 8, first_order=14, turn_deg=-30.0),
    ]
    found = first_against_last(first, last, [*first, *last])
    assert abs(found["turn"].decision.difference) < 6.0
    assert found["turn"].word is not Word.LESS_FULL
    # Without a kind that both have there is nothing to compare.
    assert first_against_last(first[:8], last[3:], first + last) == {}
    assert first_against_last(first[:2], last[:2], first + last) == {}


def test_a_longer_lesson_leaves_more_room_for_a_drift() -> None:
    first, last = lesson(np.random.default_rng(6))
    near = first_against_last(first, last, [*first, *last])["turn"].decision.u
    late = swings(np.random.default_rng(6), KINDS, first_order=60)
    late = [
        SwingRow(
            swing_id=row.swing_id,
            session_id="now",
            order=row.order,
            player="Ida",
            mount="wrist",
            kind=row.kind,
            values=old.values,
        )
        for row, old in zip(late, last, strict=True)
    ]
    drill = swings(np.random.default_rng(7), ("rehearsal",) * 54, first_order=6, block="rehearsal")
    far = first_against_last(first, late, [*first, *drill, *late])["turn"].decision.u
    assert far > 1.2 * near


def test_days_before_tell_how_much_swings_scatter() -> None:
    rng = np.random.default_rng(8)
    before = [swings(rng, ("rehearsal", "strike") * 8, session=f"before-{k}") for k in range(3)]
    first, last = lesson(rng)
    new = first_against_last(first, last, [*first, *last])["turn"].decision
    known = first_against_last(first, last, [*first, *last], before)["turn"].decision
    assert known.dof > new.dof


# -- which swings are full ones ------------------------------------------------------------------


def test_the_own_full_turn_says_what_is_full() -> None:
    assert full_floor([20.0, 300.0], mount="wrist", own_deg=160.0) == 120.0


@pytest.mark.parametrize("mount", [*LEAST_DEG, None])
def test_of_somebody_unknown_the_largest_say_it(mount: str | None) -> None:
    least = LEAST_DEG.get(mount or "", 40.0)
    assert full_floor([], mount=mount, own_deg=None) == least
    assert full_floor([least + 1.0], mount=mount, own_deg=None) == least
    # One or two that went wild say nothing.
    wild = full_floor([200.0, 202.0, 201.0, 400.0, 399.0], mount=mount, own_deg=None)
    assert wild == 0.75 * 202.0
