"""A calibration from the live sensor to the home: recorded step by step, measured, kept.

The command line and the page do it through here.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sensor.calibration.guide import Guide, GuideState
from sensor.link.live import LiveBlock, LiveRecording
from unhurried.app.errors import CommandError
from unhurried.app.shutdown import Shutdown
from words.plain import count

if TYPE_CHECKING:
    from sensor.calibration.procedure import Procedure, ProcedureParams
    from sensor.link.source import Source
    from sensor.link.status import LinkEvent, LinkStatus
    from sensor.recording.calibration import Calibration
    from sensor.recording.reader import Recording

PARTS: Final = {"acc": "accelerometer", "gyr": "gyroscope"}

_log = logging.getLogger(__name__)


def record_procedure(
    source: Source,
    names: Iterator[Path],
    params: ProcedureParams,
    *,
    ending: Shutdown,
    say: Callable[[str], None] = lambda _text: None,
    on_event: Callable[[LinkEvent], None] | None = None,
    on_state: Callable[[GuideState, LinkStatus], None] | None = None,
) -> Path:
    """Record the procedure from a sensor, leading a person through it.

    Parameters
    ----------
    source : Source
    names : iterator of Path
        For the recording's folder: the first that isn't there is taken.
    params : ProcedureParams
    ending : Shutdown
        Asked, it ends: what was done so far may be enough.
    say : callable, optional
        Told what to do, and what was understood.
    on_event : callable, optional
        Given what happens to the link; the recording goes on when it is back.
    on_state : callable, optional
        Given how far it is, after each piece of samples.

    Returns
    -------
    Path
        Where it is recorded.

    Raises
    ------
    SensorError, CommandError
        Nothing was recorded.
    """
    guide: Guide | None = None
    recording: LiveRecording

    async def run() -> None:
        nonlocal recording
        stop = asyncio.Event()

        def on_block(block: LiveBlock) -> None:
            nonlocal guide
            if guide is None:
                rate_hz = 200.0 if recording.info is None else recording.info.rate_hz
                guide = Guide(say, rate_hz=rate_hz, params=params)
            if guide.feed(block.seq, block.acc_m_s2, block.gyr_dps):
                stop.set()
            if on_state is not None:
                on_state(guide.state, recording.status)

        recording = LiveRecording(source, names, on_block=on_block, on_event=on_event)
        with ending.setting(stop):
            await recording.run(stop)

    ending.run(run())
    if not recording.status.received:
        raise CommandError("nothing came from the sensor, so nothing was recorded")
    return recording.folder


@contextlib.contextmanager
def simulated_table(speed: float, seed: int) -> Iterator[Source]:
    """Give a sensor that isn't there, on a table that isn't there, laid and turned by nobody.

    Parameters
    ----------
    speed : float
        1 is real time.
    seed : int
    """
    from sensor.link.replay import ReplaySource
    from simulation.procedure import ProcedureSpec, simulate_procedure

    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "table"
        simulate_procedure(ProcedureSpec(rate_hz=200.0), seed=seed).write(made)
        source = ReplaySource(made, speed=speed)
        source.name = "simulated sensor"
        try:
            yield source
        finally:
            source.recording.close()


def measured(recording: Recording, name: str | None, params: ProcedureParams) -> Procedure:
    """Make a calibration of a recording of the procedure.

    Parameters
    ----------
    recording : Recording
        Opened without a calibration.
    name : str or None
        Whose calibration it is; None: as the recording says.
    params : ProcedureParams

    Raises
    ------
    SensorError, CommandError
    """
    from sensor.calibration.fit import calibrate_recording
    from sensor.recording.calibration import sensor_key

    key = name or sensor_key(recording.session.sensor)
    if key is None:
        raise CommandError(
            f"{recording.path}: doesn't say which sensor it is from: name it with --as NAME"
        )
    return calibrate_recording(recording, key=key, params=params)


def completed_by(home: Path, procedure: Procedure) -> tuple[Procedure, list[str]]:
    """Fill in what a calibration lacks with the sensor's earlier ones, and say what that is."""
    from sensor.recording.calibration import completed

    calibration = completed(home, procedure.calibration)
    told = [
        f"the {word}'s calibration of {minute(str(made_at))} is kept"
        for part, word in PARTS.items()
        if (made_at := calibration.extra.get(f"{part}_made_at")) is not None
    ]
    return dataclasses.replace(procedure, calibration=calibration), told


def kept(home: Path, procedure: Procedure, source: Path) -> Path:
    """Keep a calibration in the home; return the sensor's file."""
    from sensor.recording.calibration import save_calibration
    from unhurried.app.home import home_log

    with home_log(home):
        file = save_calibration(home, procedure.calibration)
        _log.info("calibration of %s kept, from %s", procedure.calibration.describe(), source)
    return file


def in_words(calibration: Calibration) -> Iterator[str]:
    """Say in a line each what a calibration corrects, and how well that is known."""
    if calibration.acc_matrix is None or calibration.acc_offset_m_s2 is None:
        yield "Acceleration: not calibrated."
    else:
        share = max(abs(calibration.acc_matrix[i][i] - 1.0) for i in range(3))
        zero = max(map(abs, calibration.acc_offset_m_s2))
        yield (
            f"Acceleration: its scale was up to {100.0 * share:.1f} % off, its zero up to "
            f"{zero:.2f} m/s2. {count(calibration.n_positions, 'face')} taken."
        )
    known = f"known to about {100.0 * calibration.gyr_scale_u:.2g} % now"
    if calibration.gyr_matrix is None:
        yield f"Rotation: not calibrated, {known.removesuffix(' now')}."
    else:
        share = max(abs(calibration.gyr_matrix[i][i] - 1.0) for i in range(3))
        turns = count(calibration.n_turns, "turn")
        yield f"Rotation: its scale was up to {100.0 * share:.1f} % off, {known}. {turns} taken."


def minute(text: str) -> str:
    """Return a moment's day and time of day."""
    return text[:16].replace("T", " ")
