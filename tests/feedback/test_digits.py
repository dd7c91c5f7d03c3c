"""Large digits and words: what a player reads from three metres away."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from feedback.digits import beside, big, panels, screen
from feedback.drill_outcome import judge
from feedback.drill_plan import DrillReference

OWN = DrillReference(
    backswing_ms=1800.0,
    full_turn_deg=120.0,
    upper_turn_deg=130.0,
    swing_ms=1100.0,
    peak_rate_dps=1000.0,
)


@dataclass(frozen=True)
class Swung:
    index: int = 1
    backswing_ms: float | None = 1810.0
    swing_ms: float | None = 1250.0
    turn_deg: float | None = 141.0
    peak_rate_dps: float | None = 1320.0
    strike: bool | None = False
    backswing_ms_u: float | None = 0.0
    turn_deg_u: float | None = 0.0
    budget: dict[str, tuple[object, ...]] = field(default_factory=dict)


def test_digits_are_five_lines_high_and_all_signs_differ() -> None:
    signs = "0123456789<>=-BDEFGHILNORSTUY"
    glyphs = {char: tuple(big(char)) for char in signs}
    assert all(len(rows) == 5 for rows in glyphs.values())
    assert all(len(set(map(len, rows))) == 1 for rows in glyphs.values())
    # 0 and O, 5 and S are read by what stands beside them.
    assert len(set(glyphs.values())) == len(signs) - 2
    low = {char: tuple(big(char, low=True)) for char in signs}
    assert all(len(rows) == 3 for rows in low.values())
    assert len(set(low.values())) == len(signs) - 2
    # The words of a drill fit the narrowest terminal.
    assert all(max(map(len, big(word))) < 40 for word in ("SILENT", "> BEYOND", "= ENOUGH"))


@pytest.mark.parametrize(
    ("swung", "time", "turn"),
    [
        (Swung(), "= ENOUGH", "> BEYOND"),
        (Swung(backswing_ms=702.0, turn_deg=100.0), "< SHORT", "< SHORT"),
        (Swung(turn_deg=121.0), "= ENOUGH", "= FULL"),
    ],
)
@pytest.mark.parametrize(("width", "height"), [(80, 20), (40, 16), (40, None)])
def test_time_turn_and_three_figures_are_large(
    swung: Swung, time: str, turn: str, width: int, height: int | None
) -> None:
    lines = screen(judge(swung, OWN), width=width, height=height)
    assert max(map(len, lines)) <= width
    if height is not None:
        assert len(lines) <= height
    low = height == 16
    shown = [time, turn]
    for value, own in (
        (swung.swing_ms, OWN.swing_ms),
        (swung.peak_rate_dps, OWN.peak_rate_dps),
    ):
        assert value is not None
        said = beside(value, own)
        shown.append(f"{value:.0f} {'=<>'[('as', 'below', 'above').index(said or 'as')]}")
    shown.append(f"{swung.turn_deg:.0f} {turn[0]}")
    for text in shown:
        rows = [row.rstrip() for row in big(text, low=low)]
        # All rows of a sign stand one below the other, at the same place.
        places = [
            (k, at)
            for k in range(len(lines) - len(rows) + 1)
            for at in range(len(lines[k]) + 1)
            if all(lines[k + n][at:].startswith(row) for n, row in enumerate(rows))
        ]
        assert places, text
    text = "\n".join(lines)
    assert "\x1b" not in text
    # In small print the same in words.
    for word in (time[2:], turn[2:], "ABOVE"):
        assert word in text


def test_ink_of_plain_characters_has_no_half_blocks() -> None:
    lines = screen(judge(Swung(), OWN), ink="#", width=40, height=10)
    assert all(line.isascii() for line in lines)


def test_what_is_not_known_is_said() -> None:
    text = "\n".join(screen(judge(Swung(), DrillReference())))
    assert text.count("no model swings yet") == 2
    assert "ENOUGH" not in text
    text = "\n".join(screen(judge(Swung(backswing_ms=None, turn_deg=None), OWN)))
    assert text.count("not measured") == 2


def test_beside_the_reference() -> None:
    assert [beside(v, 1000.0) for v in (950.0, 949.0, 1050.0, 1051.0)] == [
        "as",
        "below",
        "as",
        "above",
    ]
    assert beside(None, 1000.0) is None
    assert beside(1.0, None) is None


def test_panels_flow() -> None:
    parts = [["aaaa", "a"], ["bb"], ["cccc"]]
    assert panels(parts, 9, 3) == ["aaaa   bb", "a", "cccc"]
    assert panels(parts, 80, 1) == ["aaaa bb cccc", "a"]
