"""`unhurried info`: what a recording holds, and what is wrong with it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from unhurried.app.text import length, wrapped
from unhurried.commands.opening import open_with
from unhurried.commands.options import (
    ExistingPath,
    home_option,
    json_option,
    progress,
    recording_options,
)
from words import knocks

if TYPE_CHECKING:
    from library.drill_outcome import DrillOutcome
    from sensor.recording.reader import Recording
    from sensor.recording.summary import Summary

WIDTH = 79
GAPS_SHOWN = 5
# From this relative uncertainty on, the rate is a guess and not a measurement.
UNMEASURED = 0.01


@click.command("info")
@click.argument("path", type=ExistingPath())
@recording_options
@home_option
@json_option
def command(path: Path, as_json: bool, **options: Any) -> None:
    """Say what the recording PATH (a folder or a CSV file) holds.

    When and with what it was made, the sample rate as measured, gaps, how many samples are
    clipped, who played, what gravity reads at rest (9.8 m/s2 if all is well), and warnings.
    """
    from sensor.recording.summary import summarize

    with open_with(path, warn=False, **options) as recording:
        with progress(recording.n_samples, "Reading") as advance:
            summary = summarize(recording, progress=advance)
        if as_json:
            document = describe(recording, summary)
            click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))
        else:
            for line in lines(recording, summary):
                click.echo(line)


def describe(recording: Recording, summary: Summary) -> dict[str, Any]:
    """Return all facts as a JSON document."""
    session = recording.session
    rate_hz, rate_u_hz = _measured_rate(recording)
    return {
        "path": str(recording.path),
        "id": session.id,
        "start": session.start,
        "sensor": dict(session.sensor),
        "mount": session.mount,
        "program_version": session.program_version,
        "rate_hz": recording.rate_hz,
        "measured_rate_hz": rate_hz,
        "measured_rate_hz_u": rate_u_hz,
        "duration_s": recording.duration_s,
        "samples": recording.n_samples,
        "lost_samples": recording.lost_samples,
        "gaps": [dataclasses.asdict(gap) for gap in recording.gaps],
        "gyr_range_dps": session.gyr_range_dps,
        "acc_range_g": session.acc_range_g,
        "gyr_clipped_share": summary.gyr_clipped,
        "acc_clipped_share": summary.acc_clipped,
        "calibration": None if recording.calibration is None else recording.calibration.to_dict(),
        "gyr_scale_u": recording.gyr_scale_u,
        **_delay_fields(recording),
        "rest_s": summary.rest_s,
        "rest_acc_m_s2": summary.rest_acc_m_s2,
        "knock_visible": _knock_visible(recording),
        "segments": _segments(recording),
        "drill": None if (found := _drill(recording)) is None else found.as_dict(),
        "warnings": recording.warnings,
    }


def _measured_rate(recording: Recording) -> tuple[float | None, float | None]:
    if recording.period_u_s >= UNMEASURED * recording.period_s:
        return None, None
    return 1.0 / recording.period_s, recording.period_u_s / recording.period_s**2


def _segments(recording: Recording) -> list[dict[str, Any]]:
    starts = [marker.seq for marker in recording.markers if marker.kind == "segment"]
    if not starts or starts[0] > recording.first_seq:
        starts.insert(0, recording.first_seq)
    return [
        {
            "start_s": recording.time_of_seq(seq),
            **dataclasses.asdict(recording.segment_at(seq)),
        }
        for seq in starts
    ]


def lines(recording: Recording, summary: Summary) -> Iterator[str]:
    """Give the lines of the readable form, none wider than 80 columns."""
    session = recording.session
    yield from wrapped(str(recording.path), "", "  ")
    facts = [
        ("started", session.start.replace("T", " ", 1)),
        ("sensor", _sensor(session.sensor)),
        ("mount", session.mount or "not said"),
        ("rate", _rate(recording)),
        ("length", f"{length(recording.duration_s)}, {recording.n_samples:,} samples"),
        ("lost", _lost(recording)),
        *(("", text) for text in _gap_lines(recording)),
        ("ranges", _ranges(session.gyr_range_dps, session.acc_range_g)),
        ("clipped", f"gyro {_share(summary.gyr_clipped)}, acc {_share(summary.acc_clipped)}"),
        ("at rest", _rest(summary)),
        ("players", _players(recording)),
        *_drill_facts(recording),
        ("calibr.", _calibration(recording)),
        ("delay", _gyr_delay(recording)),
        ("knocks", _knocks(recording)),
    ]
    for name, text in facts:
        yield from wrapped(text, f"  {name:<9} ", " " * 12)
    for text in recording.warnings:
        yield from wrapped(text, f"  {'warning':<9} ", " " * 12)


def _sensor(sensor: Any) -> str:
    words = [str(sensor[key]) for key in ("name", "model") if sensor.get(key)]
    if sensor.get("firmware"):
        words.append(f"firmware {sensor['firmware']}")
    if sensor.get("battery_percent") is not None:
        words.append(f"battery {sensor['battery_percent']} %")
    if sensor.get("simulated"):
        words.append("simulated")
    return ", ".join(words) or "not said"


def _rate(recording: Recording) -> str:
    rate_hz, rate_u_hz = _measured_rate(recording)
    if rate_hz is None or rate_u_hz is None:
        return f"{recording.rate_hz:g} Hz nominal, not measured"
    return (
        f"{recording.rate_hz:g} Hz nominal, {rate_hz:.2f} Hz measured "
        f"(standard uncertainty {rate_u_hz:.2g} Hz)"
    )


def _lost(recording: Recording) -> str:
    if not recording.gaps:
        return "no samples"
    total = recording.n_samples + recording.lost_samples
    gaps = "1 gap" if len(recording.gaps) == 1 else f"{len(recording.gaps):,} gaps"
    share = 100.0 * recording.lost_samples / total
    return f"{recording.lost_samples:,} samples in {gaps} ({share:.2g} %)"


def _gap_lines(recording: Recording) -> Iterator[str]:
    for gap in recording.gaps[:GAPS_SHOWN]:
        yield f"at {gap.start_s:.2f} s: {gap.missing:,} missing, {gap.duration_s:.3f} s"
    if len(recording.gaps) > GAPS_SHOWN:
        yield f"and {len(recording.gaps) - GAPS_SHOWN:,} more"


def _ranges(gyr_dps: float | None, acc_g: float | None) -> str:
    gyr = f"{gyr_dps:g} deg/s" if gyr_dps is not None else "not said"
    acc = f"{acc_g:g} g" if acc_g is not None else "not said"
    return f"gyro {gyr}, acc {acc}"


def _share(share: float | None) -> str:
    if share is None:
        return "not known"
    return "none" if share == 0.0 else f"{100.0 * share:.2g} % of samples"


def _rest(summary: Summary) -> str:
    if summary.rest_acc_m_s2 is None:
        return "never still for half a second"
    return f"{summary.rest_acc_m_s2:.2f} m/s2 over {summary.rest_s:.0f} s of stillness"


def _calibration(recording: Recording) -> str:
    """Say which calibration corrects the values, and how well the scale is known by it."""
    share = f"gyro scale known to {100.0 * recording.gyr_scale_u:.2g} % (standard uncertainty)"
    if recording.calibration is None:
        told = recording.session.gyr_scale_u is not None
        by = "as the sensor's profile says" if told else "from memory"
        return f"none applied; {share}, {by}"
    return f"{recording.calibration.describe()}; {share}"


def _delay_fields(recording: Recording) -> dict[str, Any]:
    """The delay of the gyroscope's filter, with where it is from; null where nothing is known."""
    known, told = recording.session.gyr_delay_known, recording.filter_delay
    return {
        "gyr_delay_ms": 1e3 * recording.gyr_delay_s if known or told is not None else None,
        "gyr_delay_u_ms": 1e3 * recording.gyr_delay_u_s,
        "gyr_delay_from": "sensor" if known else None if told is None else "noise",
    }


def _gyr_delay(recording: Recording) -> str:
    """Say how late the gyroscope's own filter is, by which downswings and swing times move."""
    delay, u = 1e3 * recording.gyr_delay_s, 1e3 * recording.gyr_delay_u_s
    if recording.session.gyr_delay_known:
        return f"gyro filter {delay:.3g} ms late" + (f" (u {u:.2g} ms)" if u > 0.0 else "")
    if (told := recording.filter_delay) is not None:
        return (
            f"gyro filter {delay:.1f} ms late (u {u:.1f} ms): it doesn't say so, but its noise "
            f"while still shows a filter of about {told.cutoff_hz:.0f} Hz"
        )
    return (
        f"gyro filter's delay not known: taken as {delay:.1f} ms (u {u:.1f} ms), which is in the "
        "uncertainty of each strike's downswing and swing time"
    )


def _knock_visible(recording: Recording) -> float:
    """Share of full swings whose ball shows, by what is known of the sensor."""
    from unhurried.app.measuring import knock_visible_ahead

    return knock_visible_ahead(
        recording.session,
        gyr_limit_dps=recording.gyr_limit_dps,
        acc_limit_g=recording.acc_limit_g,
    )


def _knocks(recording: Recording) -> str:
    """Say whether a ball can be seen with this sensor."""
    return knocks.ahead(_knock_visible(recording)) or (
        "a ball shows, by the ranges, the rate and the filter"
    )


def _drill(recording: Recording) -> DrillOutcome | None:
    from library.drill_outcome import outcome_from

    return outcome_from(recording.markers)


def _drill_facts(recording: Recording) -> list[tuple[str, str]]:
    """Say what came of a drill, a fact a line."""
    from library.drill_outcome import outcome_sentences

    found = _drill(recording)
    if found is None:
        return []
    first, *others = outcome_sentences(found)
    return [("drill", first.removeprefix("drill, ")), *(("", text) for text in others)]


def _players(recording: Recording) -> str:
    clubs: dict[str, list[str]] = {}
    for segment in _segments(recording):
        hand = f" ({segment['handedness']}-handed)" if segment["handedness"] else ""
        known = clubs.setdefault(f"{segment['player'] or 'not said'}{hand}", [])
        if segment["club"] and segment["club"] not in known:
            known.append(segment["club"])
    return "; ".join(
        f"{player}: {', '.join(names)}" if names else player for player, names in clubs.items()
    )
