"""Sizes of text and gaps are steps of one scale, said once in page.css."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

STATIC = Path(__file__).resolve().parents[3] / "review" / "page" / "static"
SHEETS = tuple(sorted(one.name for one in STATIC.glob("*.css")))
FAR_REM = 3.0
GAPS = re.compile(r"(?<![\w-])(?:margin|padding|gap)(?:-\w+)?:\s*([^;}]+)")


def steps(kind: str) -> set[float]:
    """Sizes of the scale, rem."""
    css = (STATIC / "page.css").read_text(encoding="utf-8")
    return {float(size) for size in re.findall(rf"--{kind}-\w+: ([\d.]+)rem;", css)}


def without_steps(css: str) -> tuple[list[str], list[str]]:
    """Sizes of text that are no step by name, and gaps that are no step by size."""
    # What is read from three metres has a size of its own.
    text = [
        one[0] for one in re.findall(r"(font-size:\s*([\d.]+)rem)", css) if float(one[1]) < FAR_REM
    ]
    space = steps("space")
    gaps = [
        size
        for value in GAPS.findall(css)
        for size in re.findall(r"(?<![\w.-])([\d.]+)rem", value)
        if float(size) not in space
    ]
    return text, gaps


@pytest.mark.parametrize("name", SHEETS)
def test_sizes_are_steps_of_the_scale(name: str) -> None:
    assert without_steps((STATIC / name).read_text(encoding="utf-8")) == ([], [])


def test_the_scale_is_short_and_another_size_is_seen() -> None:
    assert len(steps("type")) <= 7
    assert len(steps("space")) <= 11
    found = without_steps("p { font-size: 1.07rem; margin: -1rem 1rem 0.33rem; row-gap: 0.5rem; }")
    assert found == (["font-size: 1.07rem"], ["0.33"])
