"""What a comparison of two swings or two sets of swings is made of, and how it is told."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from unhurried.errors import CommandError
from unhurried.words import MEMBERS, lined_up, one_line, ranges, unit_of, wrapped

if TYPE_CHECKING:
    from analysis.compare import Comparison, Margin, Row, Side, WayDown
    from analysis.results import Swing
    from sensor.recording import Recording
    from unhurried.wiring import Analysis

__all__ = [
    "KIND_NAMES",
    "WORDS",
    "Part",
    "Report",
    "amount",
    "compared",
    "digits",
    "margin_words",
    "place_of",
    "place_words",
    "sentence",
    "side_names",
    "signed",
]

SCHEMA = 1

KIND_NAMES = {"rehearsal": "rehearsals", "strike": "strikes", "unclear": "unclear swings"}
WORDS = {
    "swing_ms": "swing time",
    "backswing_ms": "backswing",
    "downswing_ms": "downswing",
    "turn_deg": "turn",
    "peak_rate_dps": "peak",
    "peak_to_impact_ms": "peak to impact",
    "tempo_ratio": "ratio",
}


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
    def side(self) -> Side:
        """The same for the analysis."""
        from analysis.compare import Side
        from sensor.calibration import sensor_key

        return Side(
            swings=self.swings,
            recording=self.analysis.id,
            sensor=sensor_key(self.recording.session.sensor),
            mount=self.analysis.mount,
        )

    @property
    def kind(self) -> str | None:
        """Kind of all its swings, None if they differ."""
        from analysis.summary import kind_of

        kinds = {kind_of(swing) for swing in self.swings}
        return kinds.pop() if len(kinds) == 1 else None

    def common(self, name: str) -> str | None:
        """Player, club, hand of all its swings; None if unknown or not one."""
        values = {getattr(swing, name) for swing in self.swings}
        return values.pop() if len(values) == 1 else None


def compared(
    sides: tuple[Part, Part], measures: Sequence[str], margins: Mapping[str, Margin]
) -> Comparison:
    """Compare two swings where each side is one, else two sets.

    Raises
    ------
    CommandError
        The sensor was not at the same place, or nobody said where.
    """
    from analysis.compare import MountsError, compare_sets, compare_swings

    single = all(len(part.swings) == 1 for part in sides)
    compare = compare_swings if single else compare_sets
    try:
        return compare(sides[0].side, sides[1].side, measures=measures, margins=margins)
    except MountsError as error:
        if None in error.mounts:
            raise CommandError(
                "where the sensor was is known of one side only: say it with --mount"
            ) from error
        one, other = (MEMBERS[str(mount)] for mount in error.mounts)
        raise CommandError(
            f"A was measured at the {one} and B at the {other}: {one} turn and {other} turn are "
            "different things and never compared"
        ) from error


def place_of(sides: tuple[Part, Part], result: Comparison) -> tuple[int, WayDown] | None:
    """Say where the longer swing was when the shorter met the ball: its side (0, 1) and place."""
    from analysis.compare import way_down
    from unhurried.wiring import trace_of

    swings = [part.swings[0] for part in sides]
    times = [swing.swing_ms for swing in swings]
    us = [swing.swing_ms_u for swing in swings]
    if times[0] is None or times[1] is None or us[0] is None or us[1] is None:
        return None
    longer = int(times[1] > times[0])
    shorter = 1 - longer
    # The shorter one's time has to be to the ball, or both to the same thing.
    if result.rules[shorter] != "ball" and result.rules[0] != result.rules[1]:
        return None
    if abs(times[1] - times[0]) < 2.0 * math.hypot(us[0], us[1]):
        return None
    trace = trace_of(sides[longer].recording, swings[longer])
    takeaway_u_ms = 1e3 * (swings[longer].takeaway_s_u or 0.0)
    place = way_down(
        trace.time_s,
        trace.turn_deg,
        trace.rate_dps,
        swings[longer],
        after_ms=float(times[shorter] or 0.0),
        after_u_ms=math.hypot(float(us[shorter] or 0.0), takeaway_u_ms),
    )
    return None if place is None else (longer, place)


# -- words -----------------------------------------------------------------------------------------


def side_names(sides: tuple[Part, Part]) -> tuple[str, str]:
    """Say in a word what tells the sides apart: their kind, their player, or A and B."""
    one, other = sides
    if one.kind is not None and other.kind is not None and one.kind != other.kind:
        names = []
        for part in sides:
            kind = str(part.kind)
            single = "unclear swing" if kind == "unclear" else kind
            names.append(f"the {single if len(part.swings) == 1 else KIND_NAMES[kind]}")
        return names[0], names[1]
    players = [part.common("player") for part in sides]
    if players[0] and players[1] and players[0] != players[1]:
        return one_line(players[0]), one_line(players[1])
    return "A", "B"


def _side_words(letter: str, part: Part) -> str:
    """Say what a side is made of."""
    indices = [swing.index for swing in part.swings]
    who = [part.common("player"), part.common("club")]
    words = [f"{one_line(part.path.resolve().name)} {ranges(indices)}"]
    words += [one_line(word) for word in who if word]
    if len(part.swings) == 1:
        words.append("unclear swing" if part.kind == "unclear" else str(part.kind))
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
            unclear=f"{_in_which(names)} {member} turned further can't be told",
            absent=f"how far {member} turned can't be compared",
        ),
        _clause(
            result.row("peak_rate_dps"),
            names,
            more=f"{member} rotated faster {_in(names)}, by {{size}} at its peak",
            same=f"{member} rotated equally fast at its peak",
            unclear=f"{_in_which(names)} {member} rotated faster can't be told",
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
            unclear="which took longer can't be told",
            absent="",
        )
    back = result.row("backswing_ms")
    if back is not None and back.reason is None:
        return _clause(
            back,
            names,
            more=f"the backswing took longer {_in(names)}, by {{size}}",
            same="the backswings took equally long",
            unclear="which backswing took longer can't be told",
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
        text = more.format(
            name=names[int(row.difference > 0.0)],
            size=amount(row.measure, abs(row.difference), row.u),
        )
        return f"{text} (surely less than {margin_words(row)})" if row.within_margin else text
    if row.outcome == "same":
        return f"{same} (within {margin_words(row)})"
    return unclear


def amount(measure: str, value: float, u: float | None = None) -> str:
    """Write a number and its unit, to the digits that make sense."""
    return f"{digits(measure, value, u)} {unit_of(measure)}".strip()


def digits(measure: str, value: float, u: float | None = None) -> str:
    """Write a number of a measure: whole ms and deg/s, tenths of degrees, hundredths of a ratio."""
    decimals = {"turn_deg": 1, "tempo_ratio": 2}.get(measure, 0)
    if u is not None and decimals == 0 and u < 0.5:
        decimals = 1
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def margin_words(row: Row) -> str:
    """Say a margin as it counts for this row."""
    assert row.margin is not None
    decimals = 2 if row.measure == "tempo_ratio" else 1
    text = f"{row.margin:.{decimals}f}".rstrip("0").rstrip(".")
    return f"{text} {unit_of(row.measure)}".strip()


def place_words(
    place: tuple[int, WayDown], names: tuple[str, str], rules: tuple[str | None, str | None]
) -> str:
    """Say where the longer swing was when the shorter was at its impact."""
    longer, at = place
    met = "met the ball" if rules[1 - longer] == "ball" else "was back at its least turn"
    start = (
        f"When {names[1 - longer]} {met}, {at.after_ms:.0f} ms after takeaway, {names[longer]}, "
        "started at the same moment,"
    )
    share, low, high = (round(100.0 * x) for x in (at.share, at.low, at.high))
    about = f" ({low} to {high} %)" if high > low else ""
    if at.going_back:
        return f"{start} was still going back: {share} % of its turn{about}."
    end = "the ball" if rules[longer] == "ball" else "its least turn"
    return f"{start} had come {share} % of its way down to {end}{about}."


OUTCOME_WORDS = {"different": "different", "same": "the same", "not_told": "not to be told"}
REASON_WORDS = {
    "absent": "not measured",
    "bound": "only at least",
    "rules": "not compared",
    "few": "too few",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything that is shown of a comparison."""

    sides: tuple[Part, Part]
    comparison: Comparison
    margins: Mapping[str, Margin]
    place: tuple[int, WayDown] | None

    @property
    def mount(self) -> str | None:
        """Where the sensor was, of both."""
        return self.sides[0].analysis.mount

    @property
    def sentences(self) -> list[str]:
        """What is said first."""
        names = side_names(self.sides)
        out = [sentence(self.comparison, self.mount, names)]
        if self.place is not None:
            out.append(place_words(self.place, names, self.comparison.rules))
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return the document of ``--json``."""
        result = self.comparison
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "what": "sets" if result.sets else "pair",
            "mount": self.mount,
        }
        for name, part, rule in zip("ab", self.sides, result.rules, strict=True):
            out[name] = {
                "recording": part.analysis.id,
                "swings": [swing.index for swing in part.swings],
                "player": part.common("player"),
                "handedness": part.common("handedness"),
                "club": part.common("club"),
                "kind": part.kind,
                "impact_timed_by": rule,
            }
        out["sentences"] = self.sentences
        out["judged"] = result.judged
        out["shared_clock"] = result.shared_clock
        out["shared_sensor"] = result.shared_sensor
        out["measures"] = [dataclasses.asdict(row) for row in result.rows]
        out["longer_at_shorter_impact"] = None
        if self.place is not None:
            out["longer_at_shorter_impact"] = {
                "longer": "ab"[self.place[0]],
                **dataclasses.asdict(self.place[1]),
            }
        out["notes"] = self.notes()
        return out

    # -- lines -------------------------------------------------------------------------------------

    def lines(self) -> Iterator[str]:
        """Give the readable form, none wider than 80 columns."""
        for letter, part in zip("AB", self.sides, strict=True):
            yield from wrapped(_side_words(letter, part), "", "   ")
        yield ""
        for text in self.sentences:
            yield from wrapped(text)
        yield ""
        yield from self._table()
        yield ""
        for text in self.notes():
            yield from wrapped(text, "", "  ")

    def _table(self) -> list[str]:
        result = self.comparison
        head = ["", "A", "B", "B - A", "95 % interval", ""]
        right = [False, True, True, True, True, False]
        if result.sets:
            head = ["", "A", "spread", "B", "spread", "B - A", "95 % interval", ""]
            right = [False, *[True] * 6, False]
        rows = [head]
        for row in result.rows:
            word = WORDS[row.measure]
            if row.measure == "turn_deg" and self.mount:
                word = f"{MEMBERS[self.mount]} turn"
            ends = [row.low, row.high]
            interval = (
                " to ".join(signed(row, end) for end in ends if end is not None)
                if None not in ends
                else "-"
            )
            cells = [f"{word} {unit_of(row.measure)}".strip()]
            for value, spread in ((row.a, row.spread_a), (row.b, row.spread_b)):
                cells.append("-" if value is None else digits(row.measure, value))
                if result.sets:
                    cells.append("-" if spread is None else _spread_digits(row, spread))
            cells.append("-" if row.difference is None else signed(row, row.difference))
            rows.append([*cells, interval, self.outcome(row)])
        return lined_up(rows, right)

    def outcome(self, row: Row) -> str:
        """Say in a word how a line of the table came out."""
        if row.outcome is None:
            return REASON_WORDS[str(row.reason)]
        word = OUTCOME_WORDS[row.outcome]
        return f"{word} *" if row.outcome == "different" and row.within_margin else word

    # -- what stands below -------------------------------------------------------------------------

    def notes(self) -> list[str]:
        """Say what the words mean and what is to be kept in mind, as far as it applies."""
        result = self.comparison
        rows = result.rows
        out: list[str] = []
        if result.judged:
            out += self._outcome_notes()
        if any(row.reason == "rules" for row in rows):
            out.append(_rules_note(result))
        swings = [swing for part in self.sides for swing in part.swings]
        if any(swing.impact_basis == "own_strikes" for swing in swings):
            out.append(
                "Rehearsals end where the turn is as at the player's own strikes; how far off that "
                "may be is in the intervals."
            )
        if any(row.reason == "bound" for row in rows):
            out.append(self._bound_note())
        if any(row.reason == "absent" for row in rows):
            out.append("Not measured: 'unhurried analyze' on the swing or recording says why.")
        out += self._number_notes()
        out += self._side_notes()
        if result.sets:
            out.append(
                "Sets that were hit at different times also differ in tiredness, warming up and "
                "much else. The figures say what went together, not what caused it."
            )
        else:
            out.append(
                "This is about these two swings, not about what the player usually does: for "
                "that, compare sets. The figures say what went together, not what caused it."
            )
        return out

    def _outcome_notes(self) -> list[str]:
        result = self.comparison
        judged = [row for row in result.rows if row.outcome is not None]
        out = [
            "95 % interval: the true difference lies in it 95 times in 100, each line by itself.",
        ]
        if any(row.outcome == "different" for row in judged):
            n = result.judged
            start = f"{n} are judged together: of" if n > 1 else "Of"
            out.append(
                f"different: which of the two is larger is sure. {start} twenty comparisons "
                "of equals, at most one has a wrong 'different' in it."
            )
        if any(row.outcome == "different" and row.within_margin for row in judged):
            out.append("*: sure, yet surely less than the margin that matters.")
        if any(row.outcome == "same" for row in judged):
            out.append(
                "the same: less apart than the margin that matters; the whole 95 % interval lies "
                "inside it."
            )
        if any(row.outcome == "not_told" for row in judged):
            out.append(
                "not to be told: these figures can't say whether there is a difference; that is "
                "not the same as 'no difference'."
                + (" More swings on both sides would narrow it." if result.sets else "")
            )
        if any(
            row.outcome != "different" and row.low is not None and row.low * (row.high or 0.0) > 0.0
            for row in judged
        ):
            out.append(
                "An interval may miss zero by chance once in twenty lines; alone that is not "
                "called different."
            )
        tellable = ", ".join(
            f"{WORDS[row.measure]} {amount(row.measure, row.tellable, row.u)}"
            for row in judged
            if row.tellable is not None
        )
        out.append(f"A difference would be told, four times in five, from: {tellable}.")
        margins = ", ".join(f"{WORDS[row.measure]} {margin_words(row)}" for row in judged)
        out.append(f"Margins that matter (a choice, set by --margin): {margins}.")
        return out

    def _bound_note(self) -> str:
        text = "Only at least: the gyroscope was at its limit, so a true peak may be higher"
        row = self.comparison.row("peak_rate_dps")
        if row is None or not self.comparison.sets:
            return f"{text}."
        sizes = [len(part.swings) for part in self.sides]
        return (
            f"{text}, in {row.bounds_a} of {sizes[0]} swings of A and {row.bounds_b} of "
            f"{sizes[1]} of B. Those are the fast ones: without them a mean would be too small, so "
            "peaks aren't judged."
        )

    def _number_notes(self) -> list[str]:
        if not self.comparison.sets:
            return []
        from analysis.summary import LEAST_SWINGS

        sizes = [len(part.swings) for part in self.sides]
        few = [
            f"{WORDS[row.measure]} {row.n_a} of {sizes[0]} in A, {row.n_b} of {sizes[1]} in B"
            for row in self.comparison.rows
            if (row.n_a + row.bounds_a, row.n_b + row.bounds_b) != tuple(sizes)
        ]
        out = ["Values are means; spread is the standard deviation from swing to swing."]
        if few:
            out.append(f"Not measured in every swing: {'; '.join(few)}.")
        if any(row.reason == "few" for row in self.comparison.rows):
            out.append(
                f"too few: nothing is judged with fewer than {LEAST_SWINGS} swings on a side; "
                f"A has {sizes[0]}, B {sizes[1]}."
            )
        return out

    def _side_notes(self) -> list[str]:
        """Say what else differs between the sides."""
        out = []
        for name, text in (
            ("player", "Two players: their bodies differ too."),
            ("club", "Different clubs: A {}, B {}. Clubs of other length swing differently."),
            ("handedness", "A is {}-handed, B {}-handed: sizes of turn and rate compare alike."),
        ):
            one, other = (part.common(name) for part in self.sides)
            if one and other and one != other:
                out.append(text.format(one_line(one), one_line(other)))
        part = {swing.intent == "part" for side in self.sides for swing in side.swings}
        if len(part) > 1:
            out.append("Part swings are compared with full ones.")
        if not self.comparison.shared_sensor and any(
            row.measure in ("turn_deg", "peak_rate_dps") and row.outcome
            for row in self.comparison.rows
        ):
            out.append(
                "It isn't known that both were measured by the same sensor, so the gyroscope's "
                "scale may differ; that is in the intervals."
            )
        return out


def signed(row: Row, value: float) -> str:
    """Write a difference with its sign, to the digits of `digits`; nothing gets none."""
    text = digits(row.measure, abs(value), row.u)
    if float(text) == 0.0:
        return text
    return f"{'+' if value > 0 else '-'}{text}"


def _spread_digits(row: Row, spread: float) -> str:
    if row.measure == "tempo_ratio":
        return f"{spread:.2f}"
    return f"{spread:.1f}" if spread < 9.95 else f"{spread:.0f}"


def _rules_note(result: Comparison) -> str:
    if None in result.rules:
        return (
            "Not compared: what ends at impact, since one side mixes impacts told by the shock "
            "with impacts told by the turn, which can be some hundredths of a second apart."
        )
    return (
        "Not compared: what ends at impact. A rehearsal ends where the turn is back at its least, "
        "a strike at the shock, which can be some hundredths of a second apart (--own-strikes "
        "times rehearsals by strikes)."
    )
