"""Calibrations of simulated sensors, beside the true errors of each: bias, spread, coverage."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.linalg

from benchmarks.report import table
from sensor.calibration.fit import calibrate_samples
from sensor.calibration.procedure import Procedure, ProcedureParams, SampleArrays
from sensor.recording.calibration import CalibrationError
from simulation.procedure import ProcedureSpec, SimulatedProcedure, simulate_procedure
from words.units import G_N_M_S2

__all__ = ["run", "tables"]

Array = npt.NDArray[np.float64]

SEEDS = 990_000
GRAVITY_SD = 0.015
# Directions in which a rotation's size is checked, for each sensor.
DIRECTIONS = 10
CASES: dict[str, tuple[ProcedureSpec, ProcedureParams]] = {
    "six faces, whole turns about three axes": (ProcedureSpec(), ProcedureParams()),
    "whole turns about one axis": (ProcedureSpec(turn_axes=(0,)), ProcedureParams()),
    "quarter turns about three axes": (
        ProcedureSpec(turns=(90.0, -90.0) * 3),
        ProcedureParams(angle_deg=90.0),
    ),
    "sensor askew in its case": (ProcedureSpec(free_mount=True), ProcedureParams()),
}


def _one(made: SimulatedProcedure, params: ProcedureParams) -> Procedure:
    period_s = 1.0 / made.true_rate_hz
    return calibrate_samples(
        SampleArrays(
            seq=made.samples["seq"].astype(np.int64), acc_m_s2=made.acc_m_s2, gyr_dps=made.gyr_dps
        ),
        key="simulated",
        made_at=made.session.start,
        rate_hz=made.session.nominal_rate_hz,
        period_s=period_s,
        period_u_s=1e-5 * period_s,
        params=params,
    )


def _case(spec: ProcedureSpec, params: ProcedureParams, seeds: range) -> dict[str, Any]:
    names = ("offset", "acc", "gyr", "any")
    error: dict[str, list[float]] = {name: [] for name in names}
    u: dict[str, list[float]] = {name: [] for name in names}
    refused = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 7])
        gravity = G_N_M_S2 + GRAVITY_SD * float(rng.standard_normal())
        made = simulate_procedure(replace(spec, gravity_m_s2=gravity), seed=seed)
        try:
            found = _one(made, params)
        except CalibrationError:
            refused += 1
            continue
        c, unit = found.calibration, made.unit
        acc = np.linalg.inv(unit.acc_matrix @ unit.mount.T)
        acc = np.real(scipy.linalg.sqrtm(acc.T @ acc))
        read = unit.gyr_matrix @ unit.mount.T
        gyr = np.linalg.inv(read)
        if found.acc is not None:
            error["offset"] += list(found.acc.offset_m_s2 - unit.acc_bias_m_s2)
            u["offset"] += list(c.acc_offset_u_m_s2 or ())
            error["acc"] += list(np.diag(found.acc.matrix - acc))
            u["acc"] += list(c.acc_scale_u or ())
        if found.gyr is not None:
            # About the axes that were turned.
            for k in sorted({int(np.argmax(np.abs(turn.axis))) for turn in found.turns}):
                error["gyr"].append(float(found.gyr.matrix[k, k] - gyr[k, k]))
                u["gyr"].append((c.gyr_axis_u or (0.0, 0.0, 0.0))[k])
            axes = rng.standard_normal((DIRECTIONS, 3))
            axes /= np.linalg.norm(axes, axis=1)[:, None]
            size = np.linalg.norm(axes @ (np.array(c.gyr_matrix) @ read).T, axis=1)
            error["any"] += list(size - 1.0)
            u["any"] += [c.gyr_scale_u] * DIRECTIONS
    out: dict[str, Any] = {"refused": refused, "n": len(seeds)}
    for name in names:
        e, s = np.array(error[name]), np.array(u[name])
        out[name] = {
            "rms": float(np.sqrt(np.mean(e**2))),
            "u": float(np.median(s)),
            "inside_95": float((np.abs(e) < 1.96 * s).mean()),
        }
    return out


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Calibrate many simulated sensors."""
    n = 20 if quick else 200
    return {
        "cases": {
            name: _case(spec, params, range(SEEDS + shift + 1000 * k, SEEDS + shift + 1000 * k + n))
            for k, (name, (spec, params)) in enumerate(CASES.items())
        }
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""

    def cell(case: dict[str, Any], name: str, factor: float, unit: str) -> str:
        one = case[name]
        return (
            f"{factor * one['rms']:.2g} {unit} (u {factor * one['u']:.2g}, "
            f"{100 * one['inside_95']:.0f} %)"
        )

    lines = [
        [
            name,
            str(case["n"] - case["refused"]),
            cell(case, "offset", 1e3, "mm/s2"),
            cell(case, "acc", 100.0, "%"),
            cell(case, "gyr", 100.0, "%"),
            cell(case, "any", 100.0, "%"),
        ]
        for name, case in result["cases"].items()
    ]
    head = [
        "rms error (median u; 95 % intervals that hold)",
        "sensors",
        "acc offset",
        "acc scale",
        "gyro scale, axes turned",
        "gyro scale, any axis",
    ]
    return "\n\n".join(["### Calibration of the sensor", table(head, lines)])
