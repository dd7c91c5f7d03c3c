"""Figures so large that they are read from three metres, made of characters.

A sign is readable when it is about a two-hundredth of the distance high (from memory): 15 mm at
three metres. Five lines of an ordinary terminal are 20 to 30 mm, and so are three of one that shows
half as many columns on the same screen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from feedback.drill_outcome import ABOVE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from feedback.drill_outcome import Judged


ROWS = 5
SAME_SHARE: Final = 0.05
"""Swing time and peak rate within this share of the reference are "as" it: a player's own repeats
lie within about 3 % of each other (common practice, no source)."""

_GLYPHS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "-": ("   ", "   ", "###", "   ", "   "),
    "=": ("   ", "###", "   ", "###", "   "),
    "<": ("  #", " # ", "#  ", " # ", "  #"),
    ">": ("#  ", " # ", "  #", " # ", "#  "),
    ".": (" ", " ", " ", " ", "#"),
    " ": (" ", " ", " ", " ", " "),
    "B": ("## ", "# #", "## ", "# #", "## "),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "G": ("###", "#  ", "# #", "# #", "###"),
    "H": ("# #", "# #", "###", "# #", "# #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "R": ("## ", "# #", "## ", "# #", "# #"),
    "S": ("###", "#  ", "###", "  #", "###"),
    "T": ("###", " # ", " # ", " # ", " # "),
    "U": ("# #", "# #", "# #", "# #", "###"),
    "Y": ("# #", "# #", " # ", " # ", " # "),
}
_HALVES = {(True, True): "█", (True, False): "▀", (False, True): "▄", (False, False): " "}

_SIGNS = {
    "enough": "=",
    "full": "=",
    "as": "=",
    "short": "<",
    "below": "<",
    "bigger": ">",
    "beyond": ">",
    "above": ">",
}


def big(text: str, *, ink: str = "█", low: bool = False) -> list[str]:
    """Write digits, the signs ``- = < > .`` and the words of a drill large.

    Parameters
    ----------
    text : str
    ink : str
        Character that the signs are made of.
    low : bool
        Three lines instead of five, of half blocks.

    Returns
    -------
    list of str
        Lines of equal length.

    Raises
    ------
    KeyError
        For a character that there is no large sign for.
    """
    lines = [" ".join(_GLYPHS[char][row] for char in text) for row in range(ROWS)]
    if not low:
        return [line.replace("#", ink) for line in lines]
    lines.append(" " * len(lines[0]))
    return [
        "".join(_HALVES[a == "#", b == "#"] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(lines[::2], lines[1::2], strict=True)
    ]


def panels(parts: Sequence[Sequence[str]], width: int, gap: int = 3) -> list[str]:
    """Set blocks of lines side by side where they fit, else one under the other.

    Parameters
    ----------
    parts : sequence of sequence of str
    width : int
        In characters. A block that is wider by itself has a line of its own.
    gap : int
        Between blocks.
    """
    out: list[str] = []
    row: list[Sequence[str]] = []

    def flush() -> None:
        widths = [max(map(len, part), default=0) for part in row]
        for k in range(max(map(len, row), default=0)):
            cells = (part[k] if k < len(part) else "" for part in row)
            line = "".join(cell.ljust(wide + gap) for cell, wide in zip(cells, widths, strict=True))
            out.append(line.rstrip())
        row.clear()

    used = 0
    for part in parts:
        wide = max(map(len, part), default=0)
        if row and used + gap + wide > width:
            flush()
        used = wide if not row else used + gap + wide
        row.append(part)
    flush()
    return out


def beside(value: float | None, own: float | None) -> str | None:
    """Say where a value lies against the reference: as, below or above; None where not known."""
    if value is None or own is None:
        return None
    if abs(value - own) <= SAME_SHARE * abs(own):
        return "as"
    return "below" if value < own else "above"


def screen(
    judged: Judged, *, ink: str = "█", width: int = 80, height: int | None = None
) -> list[str]:
    """Whether there was time and the turn was full, and the three figures, all large.

    Each has its sign and its word beside the reference: ``=`` is enough, full or as the reference,
    ``<`` short or below, ``>`` beyond or above. No colour is needed.

    Parameters
    ----------
    judged : Judged
    ink : str
        Character that the signs are made of; other than a block also no half blocks are used.
    width, height : int
        Of the terminal; where lines are few, the signs are lower. No height: as many as it takes.
    """
    tall = _laid_out(judged, ink, width, low=False)
    if height is None or len(tall) <= height or ink != "█":
        return tall
    return _laid_out(judged, ink, width, low=True)


def _laid_out(judged: Judged, ink: str, width: int, *, low: bool) -> list[str]:
    j, r = judged, judged.reference

    def large(text: str) -> list[str]:
        return big(text, ink=ink, low=low)

    def word(name: str, said: str | None, value: float | None, more: str = "") -> list[str]:
        if said is None:
            why = "not measured" if value is None else "no model swings yet"
            return [f"{name}: {why}{more}", *large("-")]
        return [f"{name}, {said.upper()}{more}", *large(f"{_SIGNS[said]} {said.upper()}")]

    def number(
        names: tuple[str, str],
        unit: str,
        value: float | None,
        own: float | None,
        said: str | None,
        words: str = "your own",
    ) -> list[str]:
        sign = "" if said is None else f" {_SIGNS[said]}"
        lines = large("-" if value is None else f"{value:.0f}{sign}")
        if low:
            beside = unit if said is None else f"{said.upper()} {own:.0f}"
            return [f"{names[1]}, {beside}", *lines]
        if own is None:
            return [f"{names[0]}, {unit}", *lines, ""]
        told = "" if said is None else f"{said.upper()}, " if said == "full" else f"{said.upper()} "
        return [f"{names[0]}, {unit}", *lines, f"{told}{words} {own:.0f}"]

    back = ""
    if j.backswing_ms is not None:
        unit, own = ("", "own") if low or width < 60 else (" ms", "your own")
        back = f": back {j.backswing_ms:.0f}{unit}"
        if r.backswing_ms is not None:
            back += f", {own} {r.backswing_ms:.0f}"
    beyond = j.turn in ABOVE
    gap = 2 if low else 3
    words = panels(
        [word("TIME", j.time, j.backswing_ms, back), word("TURN", j.turn, j.turn_deg)],
        width,
        gap,
    )
    figures = panels(
        [
            number(
                ("SWING TIME", "SWING"),
                "ms",
                j.swing_ms,
                r.swing_ms,
                beside(j.swing_ms, r.swing_ms),
            ),
            number(
                ("TURN", "TURN"),
                "deg",
                j.turn_deg,
                r.upper_turn_deg if beyond else r.full_turn_deg,
                j.turn,
                "your range" if beyond else "of your own" if j.turn == "short" else "your own",
            ),
            number(
                ("ROTATION", "PEAK"),
                "deg/s",
                j.peak_rate_dps,
                r.peak_rate_dps,
                beside(j.peak_rate_dps, r.peak_rate_dps),
            ),
        ],
        width,
        gap,
    )
    return [*words, *([] if low else [""]), *figures]
