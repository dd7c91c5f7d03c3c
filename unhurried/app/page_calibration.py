"""A calibration of the live sensor that the page leads through, in a thread of this process."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
from pathlib import Path
from typing import TYPE_CHECKING

from review.error_text import line_of
from review.page.calibration_state import CalibrationState
from unhurried.app.calibrating import (
    completed_by,
    in_words,
    kept,
    measured,
    record_procedure,
    simulated_table,
)
from unhurried.app.errors import describe

if TYPE_CHECKING:
    from review.page.livehub import LiveHub
    from sensor.calibration.guide import GuideState
    from sensor.link.source import Source
    from sensor.link.status import LinkEvent, LinkStatus
    from unhurried.app.shutdown import Shutdown

FOLDER = "calibrations"
"""Of the home: the recordings of procedures, which are nobody's swings."""

_log = logging.getLogger(__name__)


class PageCalibration:
    """Lead through a calibration on the page, and keep what comes of it.

    Parameters
    ----------
    hub : LiveHub
    home : Path
    ending : Shutdown
        Asked, it ends with what was done so far.
    """

    def __init__(self, hub: LiveHub, home: Path, ending: Shutdown) -> None:
        self._hub = hub
        self._home = home
        self._ending = ending
        self._simulated = False

    def run(self, sensor: str | None, *, simulated: bool, speed: float, seed: int) -> None:
        """Record, measure and keep; what goes wrong is told on the page."""
        from unhurried.app.live import open_source

        self._simulated = simulated
        self._hub.calibration = CalibrationState(simulated=simulated)
        try:
            if simulated:
                with simulated_table(speed, seed) as source:
                    self._do(source)
            else:
                self._do(open_source(sensor=sensor))
        except Exception as error:
            _log.warning("the calibration ended: %r", error)
            text = line_of(error, describe(error)[0])
            self._change(phase="failed", outcome=f"{text[:1].upper()}{text[1:]}", link="")

    def _change(self, **fields: object) -> None:
        now = self._hub.calibration or CalibrationState()
        self._hub.calibration = dataclasses.replace(now, **fields)  # type: ignore[arg-type]

    def _do(self, source: Source) -> None:
        from sensor.calibration.guide import position_words, turn_words
        from sensor.calibration.procedure import ProcedureParams
        from sensor.recording.opening import open_recording
        from unhurried.app.home_parts import make_folder
        from unhurried.app.new_folder import dated

        params = ProcedureParams()
        folder = record_procedure(
            source,
            dated(make_folder(self._home, FOLDER)),
            params,
            ending=self._ending,
            on_event=self._on_event,
            on_state=self._on_state,
        )
        self._change(phase="measuring", link="")
        with contextlib.closing(open_recording(folder)) as recording:
            procedure = measured(recording, None, params)
        procedure, told = completed_by(self._home, procedure)
        file = kept(self._home, procedure, folder)
        sentences = (f"{text[0].upper()}{text[1:]}." for text in (*procedure.remarks, *told))
        what = "simulated sensor" if self._simulated else "sensor"
        self._change(
            phase="kept",
            positions=tuple(map(position_words, procedure.positions)),
            turns=tuple(map(turn_words, procedure.turns)),
            outcome=f"The {what} is calibrated: {procedure.calibration.key}.",
            lines=(
                *in_words(procedure.calibration),
                "It applies by itself to what this sensor records from now on.",
                f"Kept in the home: {file.parent.name}/{file.name}.",
                *(line_of(ValueError(text)) for text in sentences),
            ),
        )

    def _on_event(self, event: LinkEvent) -> None:
        # What the link does matters until it is back.
        self._change(link=line_of(ValueError(event.text)) if event.warning else "")

    def _on_state(self, guide: GuideState, status: LinkStatus) -> None:
        self._change(
            phase="going",
            asked=guide.asked,
            still=guide.still,
            positions=guide.positions,
            turns=guide.turns,
            positions_wanted=guide.positions_wanted,
            turns_wanted=guide.turns_wanted,
            remarks=guide.remarks,
        )
