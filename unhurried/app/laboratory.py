"""A laboratory's capture becomes a recording, and its truth labels for `agree`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
from msgspec import Meta

from sensor.recording.layout import owned_file
from sensor.recording.output import check_new_folder
from sensor.recording.schema import Number, read_json
from sensor.recording.session import Session
from unhurried.app.errors import CommandError, OptionsError

if TYPE_CHECKING:
    from analysis.evidence.agreement import Label
    from simulation.capture.motion import Poses
    from simulation.capture.reading import Event, Markers
    from simulation.capture.sensing import VirtualRecording
    from simulation.chip import ChipParams


CENTRE: Final = "centre"
IMPACT_EVENT: Final = "impact"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureOptions:
    """What is to be made of a capture; as `unhurried import` has its options.

    Attributes
    ----------
    segment : tuple of str
        Markers of one rigid segment; empty for a file of poses.
    place : str
        Marker at which the sensor is, or `CENTRE`.
    unit : str or None
    up : str
    impacts_s : tuple of float
        Labelled impacts, from the file's first frame on.
    impact_event : str
        Events with this label are impacts as well.
    no_ball : bool
        Swings without a labelled impact had no ball.
    ball_shock : bool
        Add a simulated shock at each impact.
    rate_hz, gyr_range_dps, acc_range_g, bandwidth_hz : float, optional
    gyr_noise_dps_rthz, acc_noise_m_s2_rthz : float, optional
        The chip; left out, as simulated ones.
    ideal_scale : bool
    cutoff_hz : float, optional
        Of the smoothing; left out, by cross-validation.
    seed : int
    real_swings : bool
        They count in the player's plan.
    """

    segment: tuple[str, ...] = ()
    place: str = CENTRE
    unit: str | None = None
    up: str = "z"
    impacts_s: tuple[float, ...] = ()
    impact_event: str = IMPACT_EVENT
    no_ball: bool = False
    ball_shock: bool = False
    rate_hz: float = 200.0
    gyr_range_dps: float | None = None
    acc_range_g: float | None = None
    bandwidth_hz: float | None = None
    gyr_noise_dps_rthz: float | None = None
    acc_noise_m_s2_rthz: float | None = None
    ideal_scale: bool = False
    cutoff_hz: float | None = None
    seed: int = 0
    real_swings: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What was made: swings as `truth.json` has them, and what was left out."""

    swings: tuple[dict[str, Any], ...]
    left_out: tuple[str, ...]


def is_capture(path: Path) -> bool:
    """Tell whether a file is a motion capture: C3D, or a CSV with attitudes."""
    from simulation.capture.reading import is_c3d, is_pose_csv

    return path.is_file() and (is_c3d(path) or is_pose_csv(path))


def import_capture(
    paths: Sequence[Path],
    out: Path,
    options: CaptureOptions,
    *,
    mount: str | None,
    hand: str | None,
    player: str | None,
    club: str | None,
    overwrite: bool,
    progress: Callable[[int], None] = lambda _: None,
) -> Imported:
    """Make one recording of the captures of a visit, with their truth beside it.

    Parameters
    ----------
    paths : sequence of Path
        The files, in order.
    out : Path
        The folder to make: whole, or not at all.
    options : CaptureOptions
    mount, hand, player, club : optional
        What the files don't say.
    overwrite : bool
    progress : callable
        Told after each file: 1.

    Raises
    ------
    CaptureError, RecordingError
        A capture can't be used, or nothing can be written.
    OptionsError
        Options that don't go together.
    """
    from simulation.capture.sensing import joined
    from simulation.folder import write_with_truth

    if options.ball_shock and mount is None:
        raise OptionsError("--ball-shock needs --mount: each place feels a ball differently")
    if options.impacts_s and len(paths) > 1:
        raise OptionsError(
            "--impact is for one file: label impacts in the captures, or import them one by one"
        )
    check_new_folder(out, overwrite=overwrite, owned=owned_file)
    params = _chip(options)
    parts: list[VirtualRecording] = []
    facts: list[dict[str, Any]] = []
    for number, path in enumerate(paths):
        part, said = _one(path, options, params, mount, number)
        parts.append(part)
        facts.append(said)
        progress(1)
    whole = joined(
        parts,
        [path.name for path in paths],
        rate_hz=params.true_rate_hz,
        swung={"player": player, "handedness": hand, "club": club},
    )
    session = _session(
        paths,
        options,
        parts,
        facts,
        params=params,
        mount=mount,
        handedness=hand,
        player=player,
        club=club,
    )
    write_with_truth(
        out,
        session,
        samples=whole.samples,
        packets=None,
        markers=(),
        truth=whole.truth,
        overwrite=overwrite,
    )
    return Imported(swings=tuple(whole.truth["swings"]), left_out=tuple(whole.truth["left_out"]))


def _session(
    paths: Sequence[Path],
    options: CaptureOptions,
    parts: Sequence[VirtualRecording],
    facts: Sequence[dict[str, Any]],
    *,
    params: ChipParams,
    **swung: str | None,
) -> Session:
    """What the recording says of itself, and where it comes from."""
    warnings = [
        f"{path.name}: {text}"
        for path, part in zip(paths, parts, strict=True)
        for text in part.warnings
    ]
    changed = datetime.fromtimestamp(paths[0].stat().st_mtime).astimezone()
    return Session.new(
        nominal_rate_hz=options.rate_hz,
        sample_kind="float",
        start=changed.isoformat(timespec="seconds"),
        sensor={
            "name": "virtual sensor",
            "model": "computed from a motion capture",
            "made_from": "motion capture",
            "simulated": not options.real_swings,
        },
        **swung,
        gyr_range_dps=params.gyr_range_dps,
        acc_range_g=params.acc_range_g,
        gyr_delay_ms=parts[0].gyr_delay_ms,
        acc_delay_ms=parts[0].acc_delay_ms,
        extra={
            "imported_from": ", ".join(path.name for path in paths),
            "start_is": "time of the first file",
            "made_from": {
                "kind": "motion capture",
                "says": "the samples are computed from a smoothed motion capture as a sensor on "
                "the segment would have given them; no sensor was worn, and the shock of a ball "
                "is not in a capture",
                "up": options.up,
                "ball_shock": "simulated" if options.ball_shock else "none",
                "seed": options.seed,
                "captures": list(facts),
            },
            **({"import_warnings": warnings} if warnings else {}),
        },
    )


def _chip(options: CaptureOptions) -> ChipParams:
    """The chip that is wanted; what isn't said is that of a simulated one."""
    from simulation.chip import ChipParams

    given = {
        name: getattr(options, name)
        for name in ("gyr_range_dps", "acc_range_g", "gyr_noise_dps_rthz", "acc_noise_m_s2_rthz")
    }
    return ChipParams(
        nominal_rate_hz=options.rate_hz,
        gyr_bandwidth_hz=options.bandwidth_hz,
        acc_bandwidth_hz=options.bandwidth_hz,
        scale_error=not options.ideal_scale,
        **{name: value for name, value in given.items() if value is not None},
    )


def _one(
    path: Path, options: CaptureOptions, params: ChipParams, mount: str | None, number: int
) -> tuple[VirtualRecording, dict[str, Any]]:
    """One capture's samples and truth, and what `session.json` says of it."""
    from simulation.capture.motion import CaptureParams
    from simulation.capture.sensing import VirtualSensor, trimmed, upright, virtual_recording

    measured, events, facts = _poses(path, options)
    poses, offset_s = trimmed(upright(measured, options.up))
    _check_cutoff(path, options.cutoff_hz, poses.rate_hz)
    part = virtual_recording(
        poses,
        VirtualSensor(
            params=params,
            shock_mount=mount if options.ball_shock else None,  # type: ignore[arg-type]
            seed=options.seed,
            number=number,
        ),
        impacts_s=_impacts_s(path, options, events, offset_s, poses.duration_s),
        no_ball=options.no_ball,
        capture=CaptureParams(cutoff_hz=options.cutoff_hz),
    )
    facts |= {"first_frame_s": offset_s, "frames_per_s": poses.rate_hz}
    return part, {"file": path.name, **facts}


def _poses(path: Path, options: CaptureOptions) -> tuple[Poses, tuple[Event, ...], dict[str, Any]]:
    """Poses of the sensor's place, labelled events, and what the recording is to say of both."""
    from simulation.capture.motion import Poses
    from simulation.capture.reading import is_c3d, read_c3d, read_pose_csv

    if not is_c3d(path):
        if options.segment or options.place != CENTRE or options.unit:
            raise OptionsError(
                "--segment, --at and --unit are for markers; this file has poses of it"
            )
        table = read_pose_csv(path)
        _check_seen(path, int((table.quat_wxyz[:, 0] == table.quat_wxyz[:, 0]).sum()), 12)
        poses = Poses(quat_wxyz=table.quat_wxyz, pos_m=table.pos_m, rate_hz=table.rate_hz)
        return poses, (), {}
    if not options.segment:
        raise OptionsError(
            f"{path}: --segment names three or more markers of the rigid part that is to "
            "carry the sensor"
        )
    markers = read_c3d(path, options.segment, unit=options.unit)
    return _cluster(path, markers, options)


def _check_seen(path: Path, seen: int, least: int) -> None:
    from simulation.capture.reading import CaptureError

    if seen < least:
        raise CaptureError(path, f"only {seen} frames tell the part's pose: that is no motion")


def _cluster(
    path: Path, markers: Markers, options: CaptureOptions
) -> tuple[Poses, tuple[Event, ...], dict[str, Any]]:
    """Poses of a rigid cluster of markers."""
    from simulation.capture.motion import Poses
    from simulation.capture.reading import CaptureError
    from simulation.capture.rigid import ClusterError, cluster_poses

    try:
        cluster = cluster_poses(markers.points_m, markers.names)
    except ClusterError as error:
        raise CaptureError(path, str(error)) from error
    _check_seen(path, int(np.isfinite(cluster.quat_wxyz[:, 0]).sum()), 12)
    offset = np.zeros(3)
    if options.place != CENTRE:
        short = [name.rpartition(":")[2].casefold() for name in markers.names]
        wanted = options.place.rpartition(":")[2].casefold()
        if wanted not in short:
            raise CaptureError(
                path,
                f"--at {options.place} is not a marker of it: choose from "
                f"{', '.join(markers.names)} or {CENTRE}",
            )
        offset = cluster.shape_m[short.index(wanted)]
    facts: dict[str, Any] = {
        "segment": list(markers.names),
        "at": options.place,
        "unit": markers.unit,
        "marker_noise_mm": round(1000.0 * cluster.noise_m, 3),
        "marker_misfit_mm": [round(1000.0 * float(x), 2) for x in cluster.misfit_m],
    }
    poses = Poses(
        quat_wxyz=cluster.quat_wxyz,
        pos_m=cluster.place_m(offset),
        rate_hz=markers.rate_hz,
        turn_noise_rad=cluster.turn_noise_rad,
    )
    return poses, markers.events, facts


def _impacts_s(
    path: Path,
    options: CaptureOptions,
    events: Sequence[Event],
    offset_s: float,
    duration_s: float,
) -> list[float]:
    """Labelled impacts from the first pose on, each once."""
    from simulation.capture.reading import CaptureError

    wanted = options.impact_event.casefold()
    found = [event.time_s for event in events if event.label.casefold() == wanted]
    if not found and options.impact_event != IMPACT_EVENT:
        there = ", ".join(sorted({event.label for event in events})) or "none"
        raise CaptureError(
            path, f"no event is labelled {options.impact_event}: the events are {there}"
        )
    out: list[float] = []
    for at_s in sorted([*found, *options.impacts_s]):
        inside = at_s - offset_s
        if not 0.0 < inside < duration_s:
            raise CaptureError(
                path,
                f"the impact at {at_s:g} s lies outside the frames with a pose "
                f"({offset_s:.2f} to {offset_s + duration_s:.2f} s): times count from the "
                "file's first frame",
            )
        if not out or inside - out[-1] > 0.01:
            out.append(inside)
    return out


def _check_cutoff(path: Path, cutoff_hz: float | None, rate_hz: float) -> None:
    from simulation.capture.reading import CaptureError
    from simulation.capture.smoothing import MOST_OF_RATE

    if cutoff_hz is not None and cutoff_hz > MOST_OF_RATE * rate_hz:
        raise CaptureError(
            path,
            f"--cutoff-hz {cutoff_hz:g} is too much for {rate_hz:g} frames a second: "
            f"{MOST_OF_RATE * rate_hz:g} at most",
        )


# -- truth as labels -------------------------------------------------------------------------------

_LABELLED: Final = ("takeaway_s", "top_s", "impact_s", "finish_s", "turn_deg", "peak_rate_dps")


_U = Annotated[float, Meta(ge=0.0, le=1e9, description="an uncertainty, 0 or more")]


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrueSwing:
    """What labels are made of; there is more in the file."""

    counts_as_swing: bool = True
    takeaway_s: Number | None = None
    top_s: Number | None = None
    impact_s: Number | None = None
    finish_s: Number | None = None
    turn_deg: Number | None = None
    peak_rate_dps: Number | None = None
    takeaway_s_u: _U | None = None
    top_s_u: _U | None = None
    impact_s_u: _U | None = None
    finish_s_u: _U | None = None
    turn_deg_u: _U | None = None
    peak_rate_dps_u: _U | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Truth:
    swings: list[_TrueSwing]


def truth_labels(path: Path, recording: Path | None = None) -> list[Label]:
    """Labels of a `truth.json`, of a capture or a simulation.

    Compared with the recording that it lies in they have no uncertainty: the samples are of the
    same smoothed motion, so what the capture's noise leaves unknown is in both alike, and not
    in their difference. Compared with another, of a sensor that was worn, they have theirs.

    Raises
    ------
    CommandError
        It can't be read, or holds no swing.
    """
    from analysis.evidence.agreement import Label

    own = recording is not None and path.resolve().parent == recording.resolve()
    document = read_json(path, _Truth, lambda where, what: CommandError(f"{where}: {what}"))
    labels = []
    for number, swing in enumerate(document.swings, start=1):
        said = {name: getattr(swing, name) for name in _LABELLED}
        values = {name: value for name, value in said.items() if value is not None}
        if not swing.counts_as_swing or not any(name.endswith("_s") for name in values):
            continue
        stated = {name: getattr(swing, f"{name}_u") for name in values}
        u = {name: value for name, value in stated.items() if value and not own}
        _durations(values, u)
        labels.append(Label(line=number, swing=None, rater="", values=values, u=u))
    if not labels:
        raise CommandError(f"{path}: holds no swing with an event to compare")
    return labels


def _durations(values: dict[str, float], u: dict[str, float]) -> None:
    """Add the durations that the events give; errors of two events are taken as independent."""
    for name, first, last in (
        ("backswing_ms", "takeaway_s", "top_s"),
        ("downswing_ms", "top_s", "impact_s"),
        ("swing_ms", "takeaway_s", "impact_s"),
    ):
        if first in values and last in values:
            values[name] = 1000.0 * (values[last] - values[first])
            if first in u and last in u:
                u[name] = 1000.0 * math.hypot(u[first], u[last])
    if values.get("downswing_ms", 0.0) > 0.0 and "backswing_ms" in values:
        values["tempo_ratio"] = values["backswing_ms"] / values["downswing_ms"]
