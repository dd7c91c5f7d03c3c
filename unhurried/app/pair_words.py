"""What a comparison of two swings or two sets of swings is made of, and how it is told."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from unhurried.app.errors import CommandError
from unhurried.app.pair_sentence import (
    KIND_NAMES,
    Part,
    _side_words,
    amount,
    digits,
    margin_words,
    sentence,
)
from unhurried.app.text import lined_up, one_line, wrapped
from words.glossary import MEASURES, MEMBERS, OUTCOMES, turn_word
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.evidence.compare import Comparison, Row
    from analysis.evidence.margins import Margin
    from analysis.evidence.parts import Part as DifferencePart
    from analysis.evidence.prior import Prior
    from analysis.evidence.way import WayDown


SCHEMA = 1

WORDS = MEASURES


def compared(
    sides: tuple[Part, Part],
    measures: Sequence[str],
    margins: Mapping[str, Margin],
    prior: Prior | None = None,
) -> Comparison:
    """Compare two swings where each side is one, else two sets.

    Raises
    ------
    CommandError
        The sensor was not at the same place, or nobody said where.
    """
    from analysis.evidence.compare import MountsError
    from unhurried.app.comparing import compare

    a, b = (dataclasses.replace(part.analysis, swings=part.swings) for part in sides)
    try:
        return compare(a, b, measures=measures, margins=margins, prior=prior)
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
    from analysis.evidence.way import way_down
    from unhurried.app.traces import trace_of

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
            many = KIND_NAMES[kind]
            names.append(f"the {many.removesuffix('s') if len(part.swings) == 1 else many}")
        return names[0], names[1]
    players = [part.common("player") for part in sides]
    if players[0] and players[1] and players[0] != players[1]:
        return one_line(players[0]), one_line(players[1])
    return "A", "B"


def _finite(value: Any) -> Any:
    """Return plain values for JSON: null for infinitely many degrees of freedom."""
    if isinstance(value, dict):
        return {name: _finite(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _large(row: Row) -> list[DifferencePart]:
    """Return the parts that make up a quarter or more of a difference's variance."""
    whole = sum(part.variance for part in row.parts)
    return [part for part in row.parts if part.variance >= 0.25 * whole]


def _u_digits(measure: str, u: float) -> str:
    return f"{u:.2f}" if measure in ("turn_deg", "tempo_ratio") else f"{u:.1f}"


def _dof_digits(dof: float | None) -> str:
    return "-" if dof is None or dof > 999.0 else f"{dof:.0f}"


def _part_digits(measure: str, part: DifferencePart) -> list[str]:
    return [_u_digits(measure, part.u), _dof_digits(part.dof)]


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


SCOPE_WORDS = {"today": "Today", "days": "From day to day"}
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
        told = sentence(self.comparison, self.mount, names)
        scope = self.comparison.scope
        if scope is not None and self.comparison.judged:
            told = f"{SCOPE_WORDS[scope]}: {told[0].lower()}{told[1:]}"
        out = [told]
        habit = self._habit(names)
        if habit is not None:
            out.append(habit)
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
        out["scope"] = result.scope
        out["spread_days"] = dict(result.spread_days)
        out["measures"] = [_finite(dataclasses.asdict(row)) for row in result.rows]
        out["longer_at_shorter_impact"] = None
        if self.place is not None:
            out["longer_at_shorter_impact"] = {
                "longer": "ab"[self.place[0]],
                **dataclasses.asdict(self.place[1]),
            }
        out["notes"] = self.notes()
        return out

    def _habit(self, names: tuple[str, str]) -> str | None:
        """Say what of a difference that was seen today would be seen on other days."""
        rows = [row for row in self.comparison.rows if row.days is not None]
        if not rows:
            return None
        different = [row for row in rows if row.days and row.days.outcome == "different"]
        if not different:
            return (
                "From one session nobody can tell whether that is so on other days as well: what a "
                "ball or another club changes differs from day to day."
            )
        told = ", ".join(WORDS[row.measure] for row in different)
        return (
            f"On other days as well, as far as one session can tell: {told} (how much that differs "
            "from day to day is assumed)."
        )

    # -- lines -------------------------------------------------------------------------------------

    def budget_lines(self) -> Iterator[str]:
        """Give the parts of each difference: source, standard uncertainty, degrees of freedom."""
        for row in self.comparison.rows:
            if row.outcome is None:
                continue
            yield f"{WORDS[row.measure]}, {said(unit_of(row.measure)).strip()}".removesuffix(", ")
            on_days = {} if row.days is None else {part.source: part for part in row.days.parts}
            now = {part.source: part for part in row.parts}
            lines = [["", "u", "df", *(["u, day to day", "df"] if on_days else [])]]
            for source in dict.fromkeys([*now, *on_days]):
                cells = [f"  {source}"]
                for known in (now, on_days) if on_days else (now,):
                    part = known.get(source)
                    cells += ["-", "-"] if part is None else _part_digits(row.measure, part)
                lines.append(cells)
            whole = ["  in all", _u_digits(row.measure, row.u or 0.0), _dof_digits(row.dof)]
            if row.days is not None:
                whole += [_u_digits(row.measure, row.days.u), _dof_digits(row.days.dof)]
            yield from lined_up([*lines, whole], [False, *[True] * (len(whole) - 1)])
            if row.measure in self.comparison.spread_days and (
                row.days is not None or self.comparison.scope == "days"
            ):
                yield f"  days taken to lie apart: {self._day_spread(row.measure)}"

    def lines(self) -> Iterator[str]:
        """Give the readable form, none wider than 80 columns."""
        for letter, part in zip("AB", self.sides, strict=True):
            yield from wrapped(_side_words(letter, part), "", "   ")
        yield ""
        for text in self.sentences:
            yield from wrapped(text)
        yield ""
        yield "Details"
        yield from self._table()
        yield ""
        for text in self.notes():
            yield from wrapped(text, "", "  ")

    def _table(self) -> list[str]:
        result = self.comparison
        head = ["", "A", "B", "B - A", "likely", ""]
        right = [False, True, True, True, True, False]
        if result.sets:
            head = ["", "A", "sd", "B", "sd", "B - A", "likely", ""]
            right = [False, *[True] * 6, False]
        rows = [head]
        for row in result.rows:
            word = WORDS[row.measure]
            if row.measure == "turn_deg" and self.mount:
                word = turn_word(self.mount)
            ends = [row.low, row.high]
            interval = (
                " to ".join(signed(row, end) for end in ends if end is not None)
                if None not in ends
                else "-"
            )
            cells = [f"{word} {said(unit_of(row.measure)).strip()}".strip()]
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
        return OUTCOMES[row.outcome]

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
                "Practice swings end where the turn is as at the player's own shots; how far off "
                "that may be is in the likely range."
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
        n = result.judged
        start = f"{n} measures are judged together, so" if n > 1 else "So"
        out = [
            f"Likely: the range by which its line was decided. {start} of twenty "
            "comparisons of equals, at most one has a wrong 'different' in it.",
        ]
        if any(row.outcome == "different" for row in judged):
            out.append("different: the likely range leaves out zero.")
        if any(row.outcome == "same" for row in judged):
            out.append(
                "about the same: less apart than the margin that matters; the whole range lies "
                "inside it."
            )
        if any(row.outcome == "not_told" for row in judged):
            out.append(
                "can't tell yet: these figures can't say whether there is a difference; that is "
                "not the same as 'no difference'."
            )
        out += self._scope_notes()
        detectable = ", ".join(
            f"{WORDS[row.measure]} {amount(row.measure, row.detectable, row.u)}"
            for row in judged
            if row.detectable is not None
        )
        out.append(f"A difference would show, four times in five, from: {detectable}.")
        margins = ", ".join(f"{WORDS[row.measure]} {margin_words(row)}" for row in judged)
        out.append(f"Margins that matter (a choice, set by --margin): {margins}.")
        return out

    def _scope_notes(self) -> list[str]:
        """Say for what the words hold: today only, or from day to day."""
        result = self.comparison
        if result.scope == "today":
            out = ["Today: about these swings and this session; another day may be otherwise."]
            if any(
                part.source == "drift in a session" for row in result.rows for part in _large(row)
            ):
                out.append(
                    "One set came before the other, so much of the width is what may drift through "
                    "a session. Taking turns would narrow it."
                )
            return out
        if result.scope is None:
            return []
        spreads = ", ".join(self._day_spread(name) for name in result.spread_days)
        return [
            "From day to day: the sensor was strapped on anew between the sets. How far one "
            f"player's days lie apart is assumed, as a standard deviation: {spreads}. "
            "More swings on these two days don't narrow that; more days do, in the library."
        ]

    def _day_spread(self, name: str) -> str:
        """Write what is taken for how far days lie apart in a measure, and where it is from."""
        value, prior = self.comparison.spread_days[name], self.comparison.prior
        source = "stated" if prior is None else prior.source(name)
        by = {
            "stated": "from memory",
            "set": "as set",
            "learnt": f"by {0 if prior is None else prior.players} players of this home",
        }[source]
        return f"{WORDS[name]} {amount(name, value, value)} ({by})"

    def _bound_note(self) -> str:
        text = "Only at least: a limit or a hole hides the rest, so it may have been faster"
        row = self.comparison.row("peak_rate_dps")
        if row is None or not self.comparison.sets:
            return f"{text}."
        sizes = [len(part.swings) for part in self.sides]
        return (
            f"{text}, in {row.bounds_a} of {sizes[0]} swings of A and {row.bounds_b} of "
            f"{sizes[1]} of B. Those are the fast ones: without them a mean would be too small, so "
            "rotation isn't judged."
        )

    def _number_notes(self) -> list[str]:
        if not self.comparison.sets:
            return []
        from analysis.evidence.summary import LEAST_SWINGS

        sizes = [len(part.swings) for part in self.sides]
        few = [
            f"{WORDS[row.measure]} {row.n_a} of {sizes[0]} in A, {row.n_b} of {sizes[1]} in B"
            for row in self.comparison.rows
            if (row.n_a + row.bounds_a, row.n_b + row.bounds_b) != tuple(sizes)
        ]
        out = [
            "Values are trimmed means (a fifth is left out at each end); sd is the standard "
            "deviation from swing to swing."
        ]
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
            (
                "handedness",
                "A is {}-handed, B {}-handed: turn and rotation compare alike.",
            ),
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
                "scale may differ; that is in the likely range."
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
            "Not compared: what ends at impact, since one side mixes impacts told by the knock "
            "with impacts told by the turn, which can be some hundredths of a second apart."
        )
    return (
        "Not compared: what ends at impact. A practice swing ends where the turn is back at its "
        "least, a shot at the knock, which can be some hundredths of a second apart "
        "(--own-strikes times practice swings by shots)."
    )
