"""From what was measured and what people said to the library's rows: no files, no database."""

from __future__ import annotations

import json
import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from analysis.evidence.own_range import own_u
from analysis.evidence.summary import HELD, MEASURES, spread_of
from analysis.swing.results import RATE_BOUND
from analysis.swing.uncertainty import SCALE
from library.analyzed import AS_THEY_ARE, GONE, Analyzed, MeasuredSwing, Row
from library.players import Player
from library.tables import APPENDED, MEASURED, NUMBERS
from sensor.recording.annotations import Annotations
from sensor.recording.vocabulary import COUNTS, EVENTS, FELT, NOBODY, RESULT_FIELDS

HAND_U_S: Final = 0.01
"""Standard uncertainty of an event that was set by hand on a curve: two samples at 200 Hz, as one
sees them on a screen. (Assumed.)"""

SUMMARISED: Final = (*MEASURES, "peak_transverse_dps", "peak_to_impact_ms")

SIMULATED: Final = "simulated"
"""Tag of a session that was tried out live with a simulated sensor."""


Remeasure = Callable[[str, Mapping[str, Any]], tuple[float, float] | None]
"""(path of the recording, swing with its events moved) -> turn in deg and its uncertainty."""

Who = Callable[[str], Player | None]
"""A name as recorded -> the player; None if what was recorded under it isn't kept."""


def corrected(
    swing: MeasuredSwing,
    events: Mapping[str, float],
    period_s: float,
    turn: Callable[[Mapping[str, Any]], tuple[float, float] | None],
) -> dict[str, Any]:
    """Return a swing's values with events as they were set by hand.

    Times follow from the events. The turn is measured anew between the new takeaway and top where
    the samples can be read, and is absent otherwise.

    Parameters
    ----------
    swing : MeasuredSwing
    events : mapping of str to float
        Sample numbers by `EVENTS`.
    period_s : float
    turn : callable
        Turn and its uncertainty of a swing with these events.
    """
    values = dict(swing.values)
    notes = list(values["notes"])
    budget = dict(values.get("budget") or {})
    moved = [name.removesuffix("_seq") for name in EVENTS if name in events]
    for name in moved:
        values[f"{name}_s"] = swing.at_s + (events[f"{name}_seq"] - swing.at_seq) * period_s
        values[f"{name}_s_u"] = HAND_U_S
    words = ", ".join(moved)
    notes.append({"code": "by_hand", "text": f"set by hand: {words}"})

    def put(name: str, value: float | None, u: float | None) -> None:
        values[name], values[f"{name}_u"] = value, u
        budget.pop(name, None)

    def span(name: str, first: str, last: str) -> None:
        if not {first, last} & set(moved):
            return
        a, b = values[f"{first}_s"], values[f"{last}_s"]
        if a is None or b is None or b <= a:
            put(name, None, None)
            return
        u = math.hypot(values[f"{first}_s_u"], values[f"{last}_s_u"])
        put(name, 1e3 * (b - a), 1e3 * u)

    span("backswing_ms", "takeaway", "top")
    span("downswing_ms", "top", "impact")
    span("swing_ms", "takeaway", "impact")
    if {"takeaway", "top", "impact"} & set(moved):
        back, down = values["backswing_ms"], values["downswing_ms"]
        if back is None or down is None:
            put("tempo_ratio", None, None)
        else:
            ratio = back / down
            # As in the analysis: the two durations share the top (JCGM 100, 5.1.2).
            u_s = math.sqrt(
                values["takeaway_s_u"] ** 2
                + ((1.0 + ratio) * values["top_s_u"]) ** 2
                + (ratio * values["impact_s_u"]) ** 2
            )
            put("tempo_ratio", ratio, 1e3 * u_s / down)
    if {"takeaway", "top"} & set(moved):
        found = turn(values)
        if found is None:
            put("turn_deg", None, None)
            notes.append(
                {"code": "turn_not_anew", "text": "the turn between these events isn't known"}
            )
        else:
            put("turn_deg", *found)
    for name in ("top_dwell_ms", "transition_ms") if "top" in moved else ():
        put(name, None, None)
    if "impact" in moved:
        before, was = values["peak_to_impact_ms"], swing.values["impact_s"]
        if before is None or was is None:
            put("peak_to_impact_ms", None, None)
        else:
            put("peak_to_impact_ms", before + 1e3 * (values["impact_s"] - was), 1e3 * HAND_U_S)
    values["notes"] = notes
    values["budget"] = budget
    return values


def _segments(analyzed: Analyzed, said: Annotations) -> list[tuple[int, float, Row, bool]]:
    """Segments as recorded, with the corrections over them; one holds until the next begins."""
    corrections = dict(said.segments())
    recorded = {seq: (at, dict(fields)) for seq, at, fields in analyzed.segments}
    origin = min(recorded, default=0)
    out: list[tuple[int, float, Row, bool]] = []
    current: Row = {}
    for seq in sorted({*recorded, *corrections}):
        if seq in recorded:
            at, current = recorded[seq]
        else:
            at = max(0.0, (seq - origin) * analyzed.period_s)
        words = {**current, **corrections.get(seq, {})}
        out.append((seq, at, words, seq in corrections))
    return out


def rows_of(
    analyzed: Analyzed,
    said: Annotations,
    *,
    who: Who,
    player_key: Callable[[Player], int],
    set_key: Callable[[int | None, str | None, str | None, bool], int],
    remeasure: Remeasure | None,
    annotated: str,
) -> tuple[Row, dict[str, list[Row]]]:
    """Make a session's row and the rows of its tables.

    Parameters
    ----------
    analyzed : Analyzed
    said : Annotations
    who : callable
        The player of a recorded name.
    player_key, set_key : callable
        Rows of players and of sets.
    remeasure : callable or None
        Measures the turn anew between events that were set by hand.
    annotated : str
        Fingerprint of the annotations.

    Returns
    -------
    session : dict
    tables : dict of str to list of dict
    """
    start = datetime.fromisoformat(analyzed.start)
    session_words = said.session()
    words, lost = said.of_swings([s.span for s in analyzed.swings], rate_hz=analyzed.rate_hz)
    segments = _segments(analyzed, said)
    felt = _felt(analyzed)
    tables: dict[str, list[Row]] = {
        name: []
        for name in ("segments", "swings", "measured", "results", "tags", "notes", "summaries")
    }
    tables["segments"] = _segment_rows(segments, who, player_key)
    for k, (swing, mine) in enumerate(zip(analyzed.swings, words, strict=True)):
        segment = next((s for q, _, s, _ in reversed(segments) if q <= swing.span.first_seq), {})
        row = _swing_row(swing, mine, segment, felt[k], analyzed, start, session_words, remeasure)
        name = mine.get("player", segment.get("player"))
        name = None if name == NOBODY else name
        player = who(name) if name else None
        if (player is None) and (name or GONE in segment):
            continue
        club = mine.get("club", segment.get("club"))
        part = mine.get("intent", segment.get("intent")) == "part"
        row["set_key"] = set_key(
            None if player is None else player_key(player), club, analyzed.mount, part
        )
        row["handedness"] = mine.get("handedness", segment.get("handedness")) or (
            None if player is None else player.handedness
        )
        tables["swings"].append(row)
        seq = row["seq"]
        tables["measured"].append({"seq": seq, "document": _document(swing)})
        tables["tags"] += [{"seq": seq, "tag": tag} for tag in sorted(set(mine.get("tags", ())))]
        if "note" in mine:
            tables["notes"].append({"seq": seq, "text": mine["note"], "origin": "later"})
        if "result" in mine:
            tables["results"].append(_result_row(seq, mine["result"]))
    forgotten = {
        seq
        for seq, _, fields in analyzed.segments
        if GONE in fields or (fields.get("player") and who(fields["player"]) is None)
    }
    recorded = analyzed.recorded(forgotten)
    for seq, text in json.loads(recorded)["notes"]:
        tables["notes"].append({"seq": seq, "text": text, "origin": "recorded"})
    tables["summaries"] = _summaries(tables["swings"])
    session = _session_row(analyzed, start, session_words)
    session |= {"annotated": annotated, "recorded": recorded, "lost_words": json.dumps(lost)}
    return session, tables


def _segment_rows(
    segments: Sequence[tuple[int, float, Mapping[str, Any], bool]],
    who: Who,
    player_key: Callable[[Player], int],
) -> list[Row]:
    """Make a row of each stretch, but for those of people who aren't to be kept."""
    out: list[Row] = []
    for seq, at_s, segment, by_hand in segments:
        name = segment.get("player")
        player = who(name) if name else None
        if (name and player is None) or GONE in segment:
            continue
        out.append(
            {
                "seq": seq,
                "start_s": at_s,
                "player_key": None if player is None else player_key(player),
                "player": name,
                **{key: segment.get(key) for key in ("handedness", "club", "intent")},
                "ball": _flag(segment.get("ball")),
                "block": None if segment.get("block") is None else str(segment["block"]),
                "corrected": int(by_hand),
            }
        )
    return out


def _result_row(seq: int, result: Mapping[str, Any]) -> Row:
    return {
        "seq": seq,
        **{name: result.get(name) for name in RESULT_FIELDS},
        "other": json.dumps(result.get("other", {}), ensure_ascii=False),
        "source": result.get("source"),
    }


def _session_row(analyzed: Analyzed, start: datetime, session_words: Mapping[str, Any]) -> Row:
    """Make a session's row, but for what hangs on its swings."""
    year, week, _ = start.isocalendar()
    return {
        **{name: getattr(analyzed, name) for name in AS_THEY_ARE},
        "missing": 0,
        "start_s": start.timestamp(),
        "day": start.date().isoformat(),
        "week": f"{year}-W{week:02d}",
        "sensor": json.dumps(dict(analyzed.sensor), ensure_ascii=False, sort_keys=True),
        "warnings": json.dumps(list(analyzed.warnings), ensure_ascii=False),
        "note": session_words.get("note"),
        "excluded": session_words.get("excluded"),
        "drill": session_words.get("drill"),
        "simulated": simulated_of(analyzed.sensor, session_words),
    }


def simulated_of(sensor: Mapping[str, Any], session_words: Mapping[str, Any]) -> int:
    """Say how far from a person's swings a session is.

    Returns
    -------
    int
        0: a person's, as far as anybody knows. 1: recorded from a simulated sensor, as the
        players of the demo are. 2: tagged `SIMULATED`, as what was tried out live with a
        simulated sensor under a player's name.
    """
    if SIMULATED in (session_words.get("tags") or ()):
        return 2
    return 1 if sensor.get("simulated") else 0


def _document(swing: MeasuredSwing) -> str:
    return json.dumps(
        {
            "values": dict(swing.values),
            "span": {
                "seq": swing.span.seq,
                "first_seq": swing.span.first_seq,
                "last_seq": swing.span.last_seq,
            },
            "at_seq": swing.at_seq,
            "at_s": swing.at_s,
        },
        ensure_ascii=False,
        allow_nan=False,
        sort_keys=True,
    )


def _flag(value: object) -> int | None:
    return int(value) if isinstance(value, bool) else None


def _felt(analyzed: Analyzed) -> list[Row]:
    """What was said while recording, by swing: about the last one whose impact was before."""
    out: list[Row] = [{} for _ in analyzed.swings]
    for seq, said in analyzed.felt:
        before = [k for k, swing in enumerate(analyzed.swings) if swing.span.seq <= seq]
        if before:
            out[before[-1]].update({q: a for q, a in said.items() if a in FELT.get(q, ())})
    return out


def _kind(swing: Mapping[str, Any], mine: Mapping[str, Any], ball: object) -> str:
    """What a swing was: people's word first, then whether there was a ball, then the shock."""
    if "kind" in mine:
        return str(mine["kind"])
    if ball is False:
        # Whatever was hit, a mat for instance, was no ball.
        return "rehearsal"
    if swing["strike"] is None:
        return "strike" if ball is True else "unclear"
    return "strike" if swing["strike"] else "rehearsal"


def _swing_row(
    swing: MeasuredSwing,
    mine: Mapping[str, Any],
    segment: Mapping[str, Any],
    felt: Mapping[str, str],
    analyzed: Analyzed,
    start: datetime,
    session_words: Mapping[str, Any],
    remeasure: Remeasure | None,
) -> Row:
    values = swing.values
    events = mine.get("events", {})
    if events:

        def turn(moved: Mapping[str, Any]) -> tuple[float, float] | None:
            return None if remeasure is None else remeasure(analyzed.path, moved)

        values = corrected(swing, events, analyzed.period_s, turn)
    said = {**felt, **mine.get("felt", {})}
    return {
        "seq": swing.span.seq,
        "number": values["index"],
        "set_key": None,
        "at_s": start.timestamp() + swing.at_s,
        "kind": _kind(values, mine, segment.get("ball")),
        "strike": _flag(values["strike"]),
        "impact_basis": values["impact_basis"],
        "handedness": None,
        "ball": _flag(segment.get("ball")),
        "block": None if segment.get("block") is None else str(segment["block"]),
        **{name: values[name] for name in NUMBERS},
        **{name: _appended(values.get(name)) for name in APPENDED},
        "scale_u": _scale_u(values),
        "own_u": json.dumps(_own_u(values), sort_keys=True),
        "clipped": json.dumps(list(values["clipped"])),
        "notes": json.dumps(list(values["notes"]), ensure_ascii=False),
        "corrected": json.dumps(sorted(events)),
        "excluded": _left_out(values, mine, session_words),
        **{f"felt_{question}": said.get(question) for question in FELT},
    }


def _left_out(
    values: Mapping[str, Any], mine: Mapping[str, Any], session_words: Mapping[str, Any]
) -> str | None:
    """Say why a swing doesn't count: people's word first, which may be that it does."""
    if mine.get("excluded") == COUNTS:
        return None
    if mine.get("excluded") is not None:
        return str(mine["excluded"])
    if any(note["code"] == HELD for note in values["notes"]):
        return HELD
    return session_words.get("excluded")


def _appended(value: object) -> object:
    """A number as it is, what has several as JSON; None where that version measured none."""
    if value is None or isinstance(value, (int, float)):
        return value
    return json.dumps(value, sort_keys=True)


def _scale_u(values: Mapping[str, Any]) -> float | None:
    """Relative standard uncertainty of each axis' scale, from the part that it has in the turn."""
    growth = (values.get("scale_growth") or {}).get("turn_deg")
    parts = (values.get("budget") or {}).get("turn_deg") or ()
    size = 0.0 if growth is None else math.sqrt(sum(x * x for x in growth))
    u = math.sqrt(sum(one[1] ** 2 for one in parts if one[0] == SCALE))
    return u / size if size > 0.0 and u > 0.0 else None


def _own_u(values: Mapping[str, Any]) -> dict[str, float]:
    """Return the part of each uncertainty that other swings don't share, by measure.

    See `own_u`.
    """
    budget = values.get("budget") or {}
    return {
        name: own_u(u, budget.get(name) or ())
        for name in SUMMARISED
        if (u := values.get(f"{name}_u")) is not None
    }


def _at_least(row: Row, measure: str) -> bool:
    """Whether a swing's number is only known as "at least"."""
    return measure in ("peak_rate_dps", "peak_transverse_dps") and RATE_BOUND in row["notes"]


def _summaries(swings: Sequence[Row]) -> list[Row]:
    """Middle and spread of each measure by set and kind, of swings that count."""
    groups: dict[tuple[int, str], list[Row]] = {}
    for row in swings:
        groups.setdefault((row["set_key"], row["kind"]), []).append(row)
    out = []
    for (key, kind), rows in sorted(groups.items()):
        counted = [row for row in rows if row["excluded"] is None]
        empty = {"median": None, "spread": None, "mean": None, "sd": None}
        head = {"set_key": key, "kind": kind}
        out.append({**head, "measure": "all", "n": len(rows), **empty})
        if counted:
            out.append({**head, "measure": "swings", "n": len(counted), **empty})
        for measure in SUMMARISED:
            there = [row for row in counted if row[measure] is not None]
            values = [row[measure] for row in there if not _at_least(row, measure)]
            spread = spread_of(values, [row[measure] for row in there if _at_least(row, measure)])
            if spread is None:
                continue
            if spread.at_least:
                # The fast ones are missing: whatever stood here would be too small.
                out.append({**head, "measure": measure, "n": spread.n, **empty})
                continue
            whole = len(values) == len(there)
            out.append(
                {
                    **head,
                    "measure": measure,
                    "n": spread.n,
                    "median": spread.median,
                    "spread": spread.spread,
                    "mean": statistics.fmean(values) if whole else None,
                    "sd": statistics.stdev(values) if whole and len(values) > 1 else None,
                }
            )
    return out


assert set(SUMMARISED) <= set(MEASURED)
