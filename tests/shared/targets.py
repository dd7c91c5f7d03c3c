"""What is tapped and read on a live screen: how large, and how far from the next."""

from __future__ import annotations

import itertools
from typing import Any, Final

LEAST_PX: Final = 64.0
APART_PX: Final = 12.0
CAPITALS_PX: Final = 50.0
"""Of a word that is read from three metres, on a phone of 390 px (this screen's own target)."""

_BOXES: Final = """(where) => [...document.querySelectorAll(where)]
  .filter((one) => one.checkVisibility())
  .map((one) => [one.textContent.trim(), one.getBoundingClientRect().toJSON()])"""

_CAPITALS: Final = """(where) => [...document.querySelectorAll(where)].map((one) => {
  const canvas = document.createElement("canvas").getContext("2d");
  const { fontWeight, fontSize, fontFamily } = getComputedStyle(one);
  canvas.font = `${fontWeight} ${fontSize} ${fontFamily}`;
  return canvas.measureText("H").actualBoundingBoxAscent;
})"""


def targets(window: Any, where: str) -> list[tuple[str, dict[str, float]]]:
    """Return what can be tapped, with its words and its box."""
    return [(str(text), box) for text, box in window.evaluate(_BOXES, where)]


def too_small(found: list[tuple[str, dict[str, float]]]) -> list[str]:
    """Return the words of those that are smaller than a thumb finds without looking."""
    return [text for text, b in found if min(b["width"], b["height"]) < LEAST_PX - 0.01]


def too_near(found: list[tuple[str, dict[str, float]]]) -> list[tuple[str, str]]:
    """Return the words of any two that lie too near to each other."""
    out = []
    for (one, a), (two, b) in itertools.combinations(found, 2):
        across = max(b["left"] - a["right"], a["left"] - b["right"])
        down = max(b["top"] - a["bottom"], a["top"] - b["bottom"])
        if max(across, down) < APART_PX - 0.01:
            out.append((one, two))
    return out


def capitals(window: Any, where: str) -> list[float]:
    """Return how tall the capitals of words are, in px, in the font that the browser has."""
    return [float(px) for px in window.evaluate(_CAPITALS, where)]
