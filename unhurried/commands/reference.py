"""`unhurried reference`: a player's full, unhurried swing, which all else is read against."""

from __future__ import annotations

import json
import math
import re
import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from unhurried.app.errors import CommandError, OptionsError
from unhurried.app.home import opened
from unhurried.app.text import lined_up, one_line, wrapped
from unhurried.commands.options import home_option, json_option
from unhurried.commands.spoken import (
    command_lines,
    heading,
    number,
    plain,
    setting_options,
    swing_words,
)
from words.glossary import KINDS, measure_word
from words.plain import count
from words.units import said, unit_of

if TYPE_CHECKING:
    from analysis.evidence.reading import Reference
    from analysis.evidence.spread import SwingRow
    from library.catalogue import Library
    from library.evidence import Evidence

BOUNDED: Final = ("turn_deg", "backswing_ms", "swing_ms", "downswing_ms", "peak_rate_dps")
POSSIBLE: Final = {
    "turn_deg": (10.0, 400.0),
    "backswing_ms": (100.0, 5000.0),
    "swing_ms": (200.0, 10000.0),
    "downswing_ms": (50.0, 5000.0),
    "peak_rate_dps": (50.0, 6000.0),
}
"""Between what a bound can be meant: far wider than any swing, so that only slips of the hand are
asked about. Common sense, no source."""


@click.command("reference")
@click.argument("player")
@setting_options
@click.option(
    "--approve",
    multiple=True,
    metavar="SESSION#1-8,10",
    help="Coach: make it of these swings. May be repeated.",
)
@click.option("--by", metavar="NAME", help="With --approve: who approved them.")
@click.option(
    "--lower",
    multiple=True,
    metavar="NAME=VALUE",
    help="Lower end of the own range, such as turn_deg=120; NAME= takes both away.",
)
@click.option(
    "--upper",
    multiple=True,
    metavar="NAME=VALUE",
    help="Its upper end: a turn over it is past full; NAME= takes both away.",
)
@click.option("--remove", is_flag=True, help="Remove approved swings and both ends.")
@json_option
@home_option
def command(
    player: str,
    club: str | None,
    mount: str | None,
    approve: tuple[str, ...],
    by: str | None,
    lower: tuple[str, ...],
    upper: tuple[str, ...],
    remove: bool,
    as_json: bool,
    home: Path | None,
) -> None:
    """Show the model swings and the own range of PLAYER with a club, or set them.

    Model swings are those that the coach approves, best practice swings of one day. Until then
    free practice swings take their place. The own range has an upper end too: more is not always
    better.

    \b
    Examples:
      unhurried reference Ida
      unhurried reference Ida --approve SESSION#1-5,11-14 --by "Jo"
      unhurried reference Ida --upper turn_deg=150 --lower turn_deg=125
    """
    from library.evidence import evidence_of

    if remove and (approve or lower or upper):
        raise click.UsageError("--remove goes alone")
    if by is not None and not approve:
        raise click.UsageError("--by goes with --approve")
    with opened(home) as library:
        evidence = evidence_of(library, player, club=club, mount=mount)
        if remove:
            _remove(evidence)
        elif approve or lower or upper:
            _set(evidence, approve, by, lower, upper)
        if remove or approve or lower or upper:
            evidence = evidence_of(library, player, club=evidence.club, mount=evidence.mount)
        if as_json:
            click.echo(json.dumps(_document(evidence), indent=2, ensure_ascii=False))
            return
        for line in reference_lines(evidence):
            click.echo(line)


# -- what is set -----------------------------------------------------------------------------------


def _remove(evidence: Evidence) -> None:
    club, mount = evidence.club, evidence.mount
    if evidence.player.reference(club, mount) is None:
        raise CommandError(
            f"{heading(evidence)}: nothing was approved or set, so nothing is removed"
        )
    evidence.library.change_player(
        evidence.player.id, lambda one: one.without_reference(club, mount)
    )


def _set(
    evidence: Evidence,
    approve: Sequence[str],
    by: str | None,
    lower: Sequence[str],
    upper: Sequence[str],
) -> None:
    """Keep approved swings and bounds: all that was said, or nothing."""
    from analysis.evidence.reading import make_reference
    from analysis.evidence.told import NotYet
    from library.approved import approved_swings
    from library.players import ReferenceRecord

    kept = evidence.player.reference(evidence.club, evidence.mount)
    bounds = _bounds(evidence, dict(kept.bounds) if kept is not None else {}, lower, upper)
    keys = list(kept.swings) if kept is not None else []
    provisional = kept.provisional if kept is not None else True
    approved_by = kept.approved_by if kept is not None else None
    if approve:
        keys = _approved(evidence, approve)
        provisional, approved_by = False, by
    try:
        new = ReferenceRecord(
            club=evidence.club,
            mount=evidence.mount,
            swings=tuple(keys),
            bounds=bounds,
            provisional=provisional,
            approved_by=approved_by,
        )
        found = make_reference(
            evidence.rows,
            approved_swings(evidence.library, keys) or None,
            lower={name: low for name, (low, _) in bounds.items()},
            upper={name: high for name, (_, high) in bounds.items()},
        )
    except ValueError as error:
        raise CommandError(f"{error}; nothing was changed") from error
    if approve and isinstance(found, NotYet):
        raise CommandError(f"{found}: approve more; nothing was changed")
    evidence.library.set_reference(evidence.player.id, new)


def _bounds(
    evidence: Evidence,
    kept: dict[str, tuple[float, float]],
    lower: Sequence[str],
    upper: Sequence[str],
) -> dict[str, tuple[float, float]]:
    """Change bounds as was typed; where only one side was given, the other stays where it is."""
    from analysis.evidence.reading import Reference

    found = evidence.reference
    typed: dict[str, dict[str, float | None]] = {}
    for option, texts in (("lower", lower), ("upper", upper)):
        for text in texts:
            name, value = _bound(text, f"--{option}")
            typed.setdefault(name, {})[option] = value
    for name, sides in typed.items():
        if None in sides.values():
            kept.pop(name, None)
            continue
        now = found.values.get(name) if isinstance(found, Reference) else None
        low = sides.get("lower", None if now is None else now.lower)
        high = sides.get("upper", None if now is None else now.upper)
        if low is None or high is None:
            raise CommandError(
                f"there are no model swings yet that {name}'s other end could follow from: give "
                "both --lower and --upper; nothing was changed"
            )
        kept[name] = (low, high)
    return kept


def _bound(text: str, option: str) -> tuple[str, float | None]:
    name, mark, value = text.partition("=")
    name = name.strip()
    if not mark or name not in BOUNDED:
        raise OptionsError(
            f"{option} '{text}' must be NAME=VALUE, with one of {', '.join(BOUNDED)}"
        )
    if not value.strip():
        return name, None
    try:
        bound = float(value)
    except ValueError:
        bound = math.nan
    low, high = POSSIBLE[name]
    if not low <= bound <= high:
        raise OptionsError(
            f"{option} {name} must be a number from {low:g} to {high:g}, not '{value}'"
        )
    return name, bound


def _approved(evidence: Evidence, typed: Sequence[str]) -> list[tuple[str, int]]:
    """Find the swings that were named, each of this player, club and mount."""
    library = evidence.library
    mine = {row.swing_id: row for row in evidence.rows}
    chosen: list[tuple[str, int]] = []
    kinds: set[str] = set()
    for text in typed:
        match = re.fullmatch(r"(.+)#([\d,\- #]+)", text)
        if match is None:
            raise OptionsError(f"--approve '{text}' must be SESSION#1-8, or SESSION#1-5,11")
        session = _session_of(library, match[1])
        table = library.swings(session=session, columns=("seq", "number"), excluded=True)
        seqs = dict(zip(table["number"].tolist(), table["seq"].tolist(), strict=True))
        for n in _numbers(match[2], text):
            row = mine.get(f"{session}#{n}")
            if row is None:
                why = (
                    "isn't there"
                    if n not in seqs
                    else "is excluded, or of another player, club, mount, or a part swing"
                )
                raise CommandError(f"{match[1]}#{n} {why}; nothing was changed")
            kinds.add(row.kind)
            chosen.append((session, int(seqs[n])))
    if len(kinds) > 1:
        raise CommandError(
            f"these are of different kinds ({', '.join(KINDS[one] for one in sorted(kinds))}): "
            "approve practice swings or shots, not both; nothing was changed"
        )
    return list(dict.fromkeys(chosen))


def _session_of(library: Library, text: str) -> str:
    path = Path(text)
    if path.is_dir():
        found = library.session_at(path)
        if found is not None:
            return found.id
    return library.session(text).id


def _numbers(text: str, whole: str) -> list[int]:
    out: list[int] = []
    for part in text.replace("#", "").split(","):
        match = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", part)
        if match is None:
            raise OptionsError(f"--approve '{whole}' must be SESSION#1-8, or SESSION#1-5,11")
        first = int(match[1])
        last = int(match[2] or first)
        if not 1 <= first <= last or last - first > 1000:
            raise OptionsError(f"--approve '{whole}': there are no swings {part.strip()}")
        out += range(first, last + 1)
    return out


# -- what is shown ---------------------------------------------------------------------------------


def reference_lines(evidence: Evidence) -> Iterator[str]:
    """Say what the reference is, or what could be approved."""
    from analysis.evidence.reading import Reference

    found = evidence.reference
    kept = evidence.player.reference(evidence.club, evidence.mount)
    if not isinstance(found, Reference):
        yield from wrapped(f"{heading(evidence)}: no model swings yet, {found}.")
    else:
        if found.provisional:
            state = "no model swings approved yet, free practice swings take their place"
        else:
            by = f" by {kept.approved_by}" if kept is not None and kept.approved_by else ""
            when = f" on {kept.at[:10]}" if kept is not None else ""
            state = f"model swings, approved{by}{when}"
        kinds = " and ".join(f"{KINDS[kind]}s" for kind in sorted(found.kinds))
        yield from wrapped(one_line(f"{heading(evidence)}: {state}"))
        yield ""
        rows = [["own range", "from", "middle", "to", "", "swings"]]
        for name in (*POSSIBLE, "club_speed_m_s"):
            value = found.values.get(name)
            if value is None:
                continue
            given = kept is not None and name in kept.bounds
            rows.append(
                [
                    measure_word(name),
                    _side(value.lower, given=given),
                    number(value.middle),
                    _side(value.upper, given=given),
                    said(unit_of(name)).strip(),
                    str(value.n),
                ]
            )
        yield from lined_up(rows, [False, True, True, True, False, True])
        yield ""
        yield from wrapped(
            f"From {count(len(found.swing_ids), 'swing')} ({kinds}): {swing_words(found.swing_ids)}"
        )
        if any("*" in cell for row in rows for cell in row):
            yield "* set by hand; else it takes in 19 of 20 like swings, and 5 % each way at least."
        else:
            yield "It takes in 19 of 20 like swings of another day, and 5 % each way at least."
        yield from _outlier_lines(found)
    for text in evidence.notes():
        yield ""
        yield from wrapped(text)
    if not isinstance(found, Reference) or found.provisional:
        free = [r for r in evidence.rows if r.kind == "rehearsal" and r.block in (None, "silent")]
        yield from _proposal(evidence, free)


def _outlier_lines(found: Reference) -> Iterator[str]:
    """Name swings that lie far from the others: a coach should look before they count."""
    if not found.outlier_ids:
        return
    far = "far from the others in turn, time or rotation, such as slow-motion or part swings"
    named = swing_words(found.outlier_ids)
    yield ""
    if found.provisional:
        yield from wrapped(f"Left out, being {far}: {named}")
    else:
        yield from wrapped(f"Approved, but {far}: {named}. Look at them again.")


def _side(value: float | None, *, given: bool) -> str:
    return "-" if value is None else f"{number(value)}{'*' if given else ''}"


def _proposal(evidence: Evidence, free: Sequence[SwingRow]) -> Iterator[str]:
    """Name the free rehearsals of the first day that has enough of them, for the coach to look."""
    by_session: dict[str, list[SwingRow]] = {}
    for row in free:
        by_session.setdefault(row.session_id, []).append(row)
    enough = [rows for rows in by_session.values() if len(rows) >= 8] or [list(free)]
    if len(enough[0]) < 8:
        return
    from analysis.evidence.outliers import outliers

    out = outliers(enough[0])
    words = swing_words([r.swing_id for r in enough[0] if r.swing_id not in out]).split("; ")
    options = " ".join(f"--approve {shlex.quote(w.replace(', ', ','))}" for w in words)
    yield ""
    yield from wrapped("Free practice swings that a coach can look at, and approve with")
    yield from command_lines(f"unhurried reference {shlex.quote(evidence.typed_name)} {options}")


def _document(evidence: Evidence) -> dict[str, Any]:
    from analysis.evidence.reading import Reference

    kept = evidence.player.reference(evidence.club, evidence.mount)
    found = evidence.reference
    return {
        "schema": 1,
        "player": evidence.player.name,
        "player_id": evidence.player.id,
        "club": evidence.club,
        "mount": evidence.mount,
        "approved_by": kept.approved_by if kept is not None else None,
        "bounds": plain(kept.bounds) if kept is not None else {},
        "notes": evidence.notes(),
        "reference": plain(found) if isinstance(found, Reference) else None,
        "reason": None if isinstance(found, Reference) else str(found),
    }
