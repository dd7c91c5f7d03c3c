"""Make a calibration: find the still positions and the turns of the procedure, and fit.

The procedure needs no instrument. Lying still, the accelerometer reads gravity, whatever way up it
lies: six or more ways give its offset and scale. Lying against a straight edge, turned on the
table and put back against the edge, the sensor has turned by a whole turn: that gives the
gyroscope's scale for the axis it was turned about.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sensor.calibration.acc_fit import NOT_SPREAD, PAIRS, fit_acc
from sensor.calibration.gyr_fit import fit_gyr
from sensor.calibration.procedure import (
    AccFit,
    Array,
    GyrFit,
    Ints,
    Procedure,
    ProcedureParams,
    Rest,
    SampleArrays,
    Turn,
)
from sensor.calibration.stillness import Windows, angle_deg, find_rests, positions_of
from sensor.calibration.turns import Reader, find_turns
from sensor.recording.calibration import Calibration, CalibrationError, Matrix, Row
from words.plain import clock, count

if TYPE_CHECKING:
    from sensor.recording.reader import Recording


def calibrate_samples(
    samples: SampleArrays,
    *,
    key: str,
    made_at: str,
    rate_hz: float,
    period_s: float,
    period_u_s: float,
    params: ProcedureParams | None = None,
    gyr_range_dps: float | None = None,
    acc_range_g: float | None = None,
    extra: dict[str, Any] | None = None,
) -> Procedure:
    """Make a calibration of samples in memory; see `calibrate_recording`."""
    p = params or ProcedureParams()
    windows = Windows(rate_hz, p.window_s)
    windows.feed(samples.seq, samples.acc_m_s2, samples.gyr_dps)
    return _calibrate(
        windows,
        samples.read,
        key=key,
        made_at=made_at,
        period_s=period_s,
        period_u_s=period_u_s,
        params=p,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        extra=extra or {},
    )


def calibrate_recording(
    recording: Recording, *, key: str, params: ProcedureParams | None = None
) -> Procedure:
    """Find the procedure in a recording and make a calibration of it.

    Either part will do: without six positions the accelerometer stays uncalibrated, without turns
    the gyroscope.

    Parameters
    ----------
    recording : Recording
        Opened without a calibration.
    key : str
        Whose calibration it is to be.
    params : ProcedureParams, optional

    Raises
    ------
    CalibrationError
        There is neither, or what was found can't be right; the text says what to do.
    """
    if recording.calibration is not None:
        raise ValueError("open the recording without a calibration")
    p = params or ProcedureParams()
    windows = Windows(recording.rate_hz, p.window_s)
    for block in recording.blocks():
        windows.feed(block.seq, block.acc_m_s2, block.gyr_dps)

    def read(first_seq: int, last_seq: int) -> tuple[Ints, Array, Array]:
        block = recording.read(first_seq, last_seq)
        return block.seq, block.acc_m_s2, block.gyr_dps

    session = recording.session
    return _calibrate(
        windows,
        read,
        key=key,
        made_at=session.start,
        period_s=recording.period_s,
        period_u_s=recording.period_u_s,
        params=p,
        gyr_range_dps=session.gyr_range_dps,
        acc_range_g=session.acc_range_g,
        extra={"recording": session.id, "sensor": dict(session.sensor)},
    )


def _calibrate(
    windows: Windows,
    read: Reader,
    *,
    key: str,
    made_at: str,
    period_s: float,
    period_u_s: float,
    params: ProcedureParams,
    gyr_range_dps: float | None,
    acc_range_g: float | None,
    extra: dict[str, Any],
) -> Procedure:
    p = params
    rests = find_rests(windows, p)
    positions = positions_of(rests, p)
    turns, remarks = find_turns(
        rests, read, period_s=period_s, params=p, gyr_limit_dps=gyr_range_dps
    )
    if len(positions) < p.min_positions and not turns:
        raise CalibrationError(_nothing(positions, remarks, p))
    acc = None
    if len(positions) >= p.min_positions:
        acc = _checked_acc(positions, period_s, p)
    else:
        remarks.append(
            f"{count(len(positions), 'still position')} found, {p.min_positions} are needed for "
            f"the accelerometer: this doesn't calibrate it{_faces(positions)}"
        )
    gyr = None
    if len(turns) >= p.min_turns:
        gyr = _checked_gyr(turns, period_s, period_u_s, p)
    else:
        found = "1 turn was" if len(turns) == 1 else "no turns were"
        remarks.append(
            f"{found} found, {p.min_turns} or more are needed for the gyroscope (better four, half "
            "of them each way): this doesn't calibrate it"
        )
    if acc is None and gyr is None:
        raise CalibrationError(_nothing(positions, remarks, p))
    calibration = Calibration(
        key=key,
        made_at=made_at,
        acc_offset_m_s2=None if acc is None else _as_row(acc.offset_m_s2),
        acc_matrix=None if acc is None else _as_matrix(acc.matrix, acc.covariance[3:, 3:]),
        gyr_matrix=None if gyr is None else _as_matrix(gyr.matrix, gyr.covariance),
        acc_offset_u_m_s2=None if acc is None else _u(acc.covariance[:3, :3]),
        acc_scale_u=None if acc is None else _u(acc.covariance[3:6, 3:6]),
        gyr_axis_u=None if gyr is None else _u(gyr.covariance[:3, :3]),
        gyr_scale_u=p.gyr_scale_sd if gyr is None else gyr.scale_u,
        n_positions=0 if acc is None else len(positions),
        n_turns=0 if gyr is None else len(turns),
        gravity_m_s2=None if acc is None else p.gravity_m_s2,
        gravity_u_m_s2=None if acc is None else p.gravity_u_m_s2,
        angle_deg=None if gyr is None else p.angle_deg,
        angle_u_deg=None if gyr is None else p.angle_u_deg,
        gyr_range_dps=gyr_range_dps,
        acc_range_g=acc_range_g,
        extra=extra,
    )
    return Procedure(
        calibration=calibration,
        rests=tuple(rests),
        positions=tuple(positions),
        turns=tuple(turns),
        acc=acc,
        gyr=gyr,
        remarks=tuple(remarks),
    )


def _as_row(values: Array) -> Row:
    x, y, z = values.tolist()
    return x, y, z


def _u(covariance: Array) -> Row:
    return _as_row(np.sqrt(np.diag(covariance)))


def _as_matrix(matrix: Array, covariance: Array) -> Matrix:
    """As plain numbers; a cross-axis term that can't be told from zero is zero."""
    out = matrix.copy()
    for k, (i, j) in enumerate(PAIRS):
        if abs(out[i, j]) < 2.0 * math.sqrt(covariance[3 + k, 3 + k]):
            out[i, j] = out[j, i] = 0.0
    a, b, c = (_as_row(row) for row in out)
    return a, b, c


def _checked_acc(positions: Sequence[Rest], period_s: float, p: ProcedureParams) -> AccFit:
    readings = np.array([rest.acc_m_s2 for rest in positions])
    u = np.array([math.hypot(rest.acc_u_m_s2, p.reading_u_m_s2) for rest in positions])

    def fit(keep: Array | slice) -> AccFit:
        return fit_acc(
            readings[keep],
            u[keep],
            gravity_m_s2=p.gravity_m_s2,
            gravity_u_m_s2=p.gravity_u_m_s2,
            cross_sd=p.cross_sd,
            scale_sd=p.acc_scale_sd,
        )

    acc = fit(slice(None))
    cross_sd = p.cross_sd / math.sqrt(2.0)
    strain = np.array([acc.matrix[i, j] / cross_sd for i, j in PAIRS])
    misfit = acc.residuals_m_s2 / u
    total = float(misfit @ misfit + strain @ strain)
    if max(float(np.abs(misfit).max()), float(np.abs(strain).max())) > 4.0 and len(u) > 6:
        left = []
        for k in range(len(u)):
            keep = np.arange(len(u)) != k
            try:
                one = fit(keep)
            except CalibrationError:
                left.append(math.inf)
                continue
            rest = one.residuals_m_s2 / u[keep]
            cross = np.array([one.matrix[i, j] / cross_sd for i, j in PAIRS])
            left.append(float(rest @ rest + cross @ cross))
        worst = int(np.argmin(left))
        if left[worst] < 0.3 * total:
            at = clock(positions[worst].first_seq * period_s)
            raise CalibrationError(
                f"position {worst + 1} (at {at}) doesn't fit the others: it wasn't still, or the "
                "sensor was pressed or touched; do that one again and let go of it"
            )
    if max(float(np.abs(misfit).max()), float(np.abs(strain).max())) > 4.0:
        raise CalibrationError(
            "gravity doesn't come out the same in the positions: one of them wasn't still, or the "
            "sensor moved within its case; do it again on a firm table and let go each time"
        )
    u_offset = float(np.sqrt(np.diag(acc.covariance)[:3]).max())
    mean = np.repeat([0.0, 1.0 / 3.0, 0.0], 3)
    u_mean_scale = math.sqrt(float(mean @ acc.covariance @ mean))
    if u_offset > 0.05 or u_mean_scale > 0.005:
        raise CalibrationError(NOT_SPREAD + _faces(positions))
    off = np.abs(np.diag(acc.matrix) - 1.0)
    if float(off.max()) > p.turn_tolerance:
        axis = "xyz"[int(np.argmax(off))]
        raise CalibrationError(
            f"the accelerometer's {axis} axis would be off by {100 * off.max():.1f} %, which no "
            "working sensor is: check the units and the range that the recording states"
        )
    if float(np.abs(acc.offset_m_s2).max()) > p.offset_limit_m_s2:
        axis = "xyz"[int(np.argmax(np.abs(acc.offset_m_s2)))]
        raise CalibrationError(
            f"the accelerometer's {axis} axis would have an offset of "
            f"{np.abs(acc.offset_m_s2).max():.1f} m/s2, which no working sensor has: it wasn't "
            "still, or its readings are without gravity"
        )
    return acc


def _checked_gyr(
    turns: Sequence[Turn], period_s: float, period_u_s: float, p: ProcedureParams
) -> GyrFit:
    period_u = period_u_s / period_s
    if period_u > 0.5 * p.gyr_scale_sd:
        raise CalibrationError(
            f"the sample rate of this recording is known to {100 * period_u:.2g} % only, and a "
            "turn is a rate times a time: record for a minute or more, with the times of the "
            "packets"
        )
    gyr = fit_gyr(
        turns,
        angle_u_deg=p.angle_u_deg,
        square_u_deg=p.square_u_deg,
        period_u=period_u,
        cross_sd=p.cross_sd,
        scale_sd=p.gyr_scale_sd,
    )
    # A turn's residual is judged by its own uncertainty.
    u = np.array([math.hypot(p.angle_u_deg, turn.u_deg) for turn in turns])
    ratio = np.abs(gyr.residuals_deg) / u
    worst = int(np.argmax(ratio))
    if float(ratio[worst]) > 4.0:
        turn = turns[worst]
        raise CalibrationError(
            f"turn {worst + 1} (at {clock(turn.first_seq * period_s)}) reads "
            f"{abs(turn.angle_deg):.1f} deg, {abs(gyr.residuals_deg[worst]):.1f} deg off what the "
            "others make it: it wasn't brought back to the edge; do it again"
        )
    return gyr


def _faces(positions: Sequence[Rest]) -> str:
    """Say which faces weren't up."""
    missing = []
    for k, name in enumerate("xyz"):
        for sign, word in ((1.0, "+"), (-1.0, "-")):
            up = sign * np.eye(3)[k]
            if all(angle_deg(rest.acc_m_s2, up) > 50.0 for rest in positions):
                missing.append(word + name)
    if not missing or not positions:
        return ""
    return f" (none with the sensor's {', '.join(missing)} upwards)"


def _nothing(positions: Sequence[Rest], remarks: Sequence[str], p: ProcedureParams) -> str:
    text = (
        f"no calibration can be made: {count(len(positions), 'still position')} of "
        f"{p.min_positions} found{_faces(positions)}, and too few turns by {p.angle_deg:g} deg. "
        f"Let the sensor lie untouched for two seconds each time"
    )
    useful = [text for text in remarks if "isn't used" in text or "--angle" in text]
    return "; ".join([text, *useful])


# -- guided --------------------------------------------------------------------------------------
