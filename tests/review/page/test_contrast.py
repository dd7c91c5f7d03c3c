"""Colours of the page against WCAG 2.2, computed from the stylesheet itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SHEET = Path(__file__).resolve().parents[3] / "review" / "page" / "static" / "page.css"

# What is written on what. 1.4.3 Contrast (Minimum): 4.5 : 1 for text. 1.4.11 Non-text Contrast:
# 3 : 1 for what is needed to see a control, its focus or a curve. https://www.w3.org/TR/WCAG22/
TEXT = [
    (ink, paper)
    for ink in ("ink", "quiet", "turn", "rate")
    for paper in ("paper", "sheet", "reference")
] + [
    ("on-turn", "turn"),
    ("on-sensor", "sensor-1"),
    ("on-sensor", "sensor-2"),
    ("ink", "warn-paper"),
]
SHAPES = [
    ("field", "paper"),
    ("field", "sheet"),
    ("focus", "paper"),
    ("focus", "sheet"),
    ("warn", "warn-paper"),
    ("turn", "sheet"),
    ("rate", "sheet"),
    ("sensor-1", "paper"),
    ("sensor-2", "paper"),
]


def schemes() -> dict[str, dict[str, str]]:
    """Colours by name, in light and in dark."""
    css = SHEET.read_text(encoding="utf-8")
    blocks = re.findall(r":root\s*\{(.*?)\}", css, re.DOTALL)
    found = [dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})\s*;", block)) for block in blocks]
    assert len(found) == 3, "light, dark and print"
    light, dark, _ = found
    assert set(light) == set(dark)
    return {"light": light, "dark": dark}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    """Contrast ratio, 1 to 21."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula() -> None:
    # WCAG 2.2's own ends of the scale, and #767676 on white, the known edge of 4.5 : 1.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read(scheme: str) -> None:
    colours = schemes()[scheme]
    poor = {
        f"{a} on {b}": round(contrast(colours[a], colours[b]), 2)
        for a, b in TEXT
        if contrast(colours[a], colours[b]) < 4.5
    }
    assert poor == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_shapes_can_be_seen(scheme: str) -> None:
    colours = schemes()[scheme]
    poor = {
        f"{a} on {b}": round(contrast(colours[a], colours[b]), 2)
        for a, b in SHAPES
        if contrast(colours[a], colours[b]) < 3.0
    }
    assert poor == {}
