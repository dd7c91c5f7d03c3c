"""A comparison of two in one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from unhurried.app.text import one_line, ranges
from words.glossary import MEMBERS
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.evidence.compare import Comparison, Row
    from analysis.swing.results import Swing
    from sensor.recording.reader import Recording
    from unhurried.app.measuring import Analysis


KIND_NAMES = {"rehearsal": "practice swings", "strike": "shots", "unclear": "unclear swings"}


def _side_words(letter: str, part: Part) -> str:
    """Say what a side is made of."""
    indices = [swing.index for swing in part.swings]
    who = [part.common("player"), part.common("club")]
    words = [f"{one_line(part.path.resolve().name)} {ranges(indices)}"]
    words += [one_line(word) for word in who if word]
    if len(part.swings) == 1:
        words.append(KIND_NAMES[str(part.kind)].removesuffix("s"))
    elif part.kind is None:
        words.append(f"{len(part.swings)} swings of more than one kind")
    else:
        n = len(part.swings)
        word = KIND_NAMES[part.kind]
        words.append(f"{n} {word.removesuffix('s') if n == 1 else word}")
    words += part.left_out
    return f"{letter}: {', '.join(words)}"


def sentence(result: Comparison, mount: str | None, names: tuple[str, str]) -> str:
    """Say in one plain sentence which took longer, turned further and rotated faster.

    Parameters
    ----------
    result : Comparison
    mount : str or None
        Says what turns.
    names : tuple of str
        What each side is called.
    """
    if result.judged == 0 and any(row.reason == "few" for row in result.rows):
        return "Nothing is judged: there are too few swings."
    member = f"the {MEMBERS[mount]}" if mount else "the part with the sensor"
    clauses = [
        _time_clause(result, names),
        _clause(
            result.row("turn_deg"),
            names,
            more=f"{member} turned further {_in(names)}, by {{size}}",
            same=f"{member} turned equally far",
            unclear=f"can't tell yet {_in_which(names)} {member} turned further",
            absent=f"how far {member} turned can't be compared",
        ),
        _clause(
            result.row("peak_rate_dps"),
            names,
            more=f"{member} rotated faster {_in(names)}, by {{size}}",
            same=f"{member} rotated equally fast",
            unclear=f"can't tell yet {_in_which(names)} {member} rotated faster",
            absent=f"how fast {member} rotated can't be compared",
        ),
    ]
    text = "; ".join(clause for clause in clauses if clause)
    if not text:
        return "See the table."
    return f"{text[0].upper()}{text[1:]}."


def _in(names: tuple[str, str]) -> str:
    """Leave a place for the name of the side that has more."""
    return "in {name}" if names[0].startswith("the ") or names == ("A", "B") else "with {name}"


def _in_which(names: tuple[str, str]) -> str:
    return "in which" if names[0].startswith("the ") or names == ("A", "B") else "with whom"


def _time_clause(result: Comparison, names: tuple[str, str]) -> str:
    row = result.row("swing_ms")
    if row is not None and row.reason is None:
        return _clause(
            row,
            names,
            more="{name} took longer, by {size}",
            same="both took equally long",
            unclear="can't tell yet which took longer",
            absent="",
        )
    back = result.row("backswing_ms")
    if back is not None and back.reason is None:
        return _clause(
            back,
            names,
            more=f"the backswing took longer {_in(names)}, by {{size}}",
            same="the backswings took equally long",
            unclear="can't tell yet which backswing took longer",
            absent="",
        )
    return "" if row is None else "how long they took can't be compared"


def _clause(
    row: Row | None,
    names: tuple[str, str],
    *,
    more: str,
    same: str,
    unclear: str,
    absent: str,
) -> str:
    if row is None:
        return ""
    if row.outcome is None:
        return absent
    assert row.difference is not None
    if row.outcome == "different":
        return more.format(
            name=names[int(row.difference > 0.0)],
            size=amount(row.measure, abs(row.difference), row.u),
        )
    if row.outcome == "same":
        return f"{same} (within {margin_words(row)})"
    return unclear


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One side: swings of one recording."""

    path: Path
    recording: Recording
    analysis: Analysis
    swings: tuple[Swing, ...]
    left_out: tuple[str, ...] = ()
    """What was passed over, in words."""

    @property
    def kind(self) -> str | None:
        """Kind of all its swings, None if they differ."""
        from analysis.evidence.summary import kind_of

        kinds = {kind_of(swing) for swing in self.swings}
        return kinds.pop() if len(kinds) == 1 else None

    def common(self, name: str) -> str | None:
        """Player, club, hand of all its swings; None if unknown or not one."""
        values = {getattr(swing, name) for swing in self.swings}
        return values.pop() if len(values) == 1 else None


def amount(measure: str, value: float, u: float | None = None) -> str:
    """Write a number and its unit, to the digits that make sense."""
    return f"{digits(measure, value, u)}{said(unit_of(measure))}"


def margin_words(row: Row) -> str:
    """Say a margin as it counts for this row."""
    assert row.margin is not None
    decimals = 2 if row.measure == "tempo_ratio" else 1
    text = f"{row.margin:.{decimals}f}".rstrip("0").rstrip(".")
    return f"{text}{said(unit_of(row.measure))}"


def digits(measure: str, value: float, u: float | None = None) -> str:
    """Write a number of a measure: whole ms and °/s, tenths of degrees, hundredths of a ratio."""
    decimals = {"turn_deg": 1, "tempo_ratio": 2}.get(measure, 0)
    if u is not None and decimals == 0 and u < 0.5:
        decimals = 1
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
