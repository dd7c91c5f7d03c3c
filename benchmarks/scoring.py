"""Set what was found beside the truth, and sum it up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simulation.motion.action import SwingTruth

__all__ = ["MEASURES", "Found", "match", "score", "summarize"]

MATCH_S = 0.1
"""A found swing belongs to a true one whose impact is no further away (issue 2)."""

PAUSE_MS = 40.0
"""A longer pause at the top: the top has only to lie inside it."""

MEASURES = ("takeaway_ms", "top_ms", "impact_ms", "turn_deg", "peak_percent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a finder says of a swing, in true seconds from sample 0; None is a null.

    ``anchor_s`` is a time that is surely within the swing, whatever could be measured.
    """

    anchor_s: float
    takeaway_s: float | None
    top_s: float | None
    top_u_s: float | None
    impact_s: float | None
    turn_deg: float | None
    peak_rate_dps: float | None
    strike: bool | None


def _distance_s(found: Found, truth: SwingTruth) -> float:
    """How far apart the two are; inf where they cannot be the same swing."""
    if found.impact_s is not None and truth.impact_s is not None:
        low = high = truth.impact_s
        if truth.kind == "continuous":
            # These go back to where they started and stay near: their least turn is no instant.
            low = min(low, truth.impact_s if truth.least_start_s is None else truth.least_start_s)
            high = max(high, truth.impact_s if truth.least_end_s is None else truth.least_end_s)
        return max(low - found.impact_s, found.impact_s - high, 0.0)
    if found.top_s is not None:
        low = truth.top_s if truth.hold_start_s is None else truth.hold_start_s
        high = truth.top_s if truth.hold_end_s is None else truth.hold_end_s
        return max(low - found.top_s, found.top_s - high, 0.0)
    end = truth.finish_s or truth.impact_s or truth.top_s
    return 0.0 if truth.takeaway_s <= found.anchor_s <= end else np.inf


def match(
    found: Sequence[Found], truths: Sequence[SwingTruth]
) -> tuple[list[tuple[Found, SwingTruth]], list[SwingTruth], list[Found]]:
    """Pair what was found with the true swings, nearest first, each used once.

    By the impact; where no impact was given, by the top, so that a null is a null and not a miss.

    Returns
    -------
    pairs, missed, invented
    """
    near = sorted(
        (distance, i, j)
        for i, one in enumerate(found)
        for j, truth in enumerate(truths)
        if (distance := _distance_s(one, truth)) <= MATCH_S
    )
    used_i: set[int] = set()
    used_j: set[int] = set()
    pairs = []
    for _, i, j in near:
        if i not in used_i and j not in used_j:
            used_i.add(i)
            used_j.add(j)
            pairs.append((found[i], truths[j]))
    return (
        pairs,
        [truth for j, truth in enumerate(truths) if j not in used_j],
        [one for i, one in enumerate(found) if i not in used_i],
    )


def score(found: Found, truth: SwingTruth, *, mount: str, clipped: bool) -> dict[str, Any]:
    """Errors of one swing.

    Parameters
    ----------
    clipped
        A gyroscope axis was at its stop between top and impact.

    Returns
    -------
    dict
        For each measure the error (found minus true), NaN for a null, and no entry where the
        measure isn't asked for.
    """
    row: dict[str, Any] = {}

    def put(name: str, value: float | None, true: float | None, factor: float) -> None:
        if true is not None:
            row[name] = np.nan if value is None else factor * (value - true)

    put("takeaway_ms", found.takeaway_s, truth.takeaway_s, 1e3)
    if truth.hold_ms <= PAUSE_MS or truth.hold_start_s is None or truth.hold_end_s is None:
        put("top_ms", found.top_s, truth.top_s, 1e3)
    elif found.top_s is None:
        row["in_pause"] = np.nan
    else:
        row["in_pause"] = float(truth.hold_start_s <= found.top_s <= truth.hold_end_s)
        middle_s = 0.5 * (truth.hold_start_s + truth.hold_end_s)
        put("pause_ms", found.top_s, middle_s, 1e3)
    if truth.strike:
        put("impact_ms", found.impact_s, truth.impact_s, 1e3)
    elif truth.impact_s is not None and truth.kind != "continuous":
        put("rehearsal_impact_ms", found.impact_s, truth.impact_s, 1e3)
    put("turn_deg", found.turn_deg, truth.turn_deg, 1.0)
    if truth.peak_rate_dps:
        name = "clipped_peak_percent" if clipped else "peak_percent"
        put(name, found.peak_rate_dps, truth.peak_rate_dps, 100.0 / truth.peak_rate_dps)
    if mount != "trunk":
        if found.strike is None:
            row["right"] = 1.0 if truth.kind == "brushed" else np.nan
        else:
            row["right"] = float(found.strike == truth.strike)
    return row


def summarize(rows: Iterable[dict[str, Any]], *, missed: int, invented: int) -> dict[str, Any]:
    """Sum up the rows of `score`: for each measure n, mean absolute error, median, 95 %, bias."""
    rows = list(rows)
    out: dict[str, Any] = {"swings": len(rows) + missed, "missed": missed, "invented": invented}
    asked = nulls = 0
    for name in (*MEASURES, "rehearsal_impact_ms", "clipped_peak_percent", "pause_ms"):
        values = np.array([row[name] for row in rows if name in row])
        null = int(np.isnan(values).sum())
        if name in MEASURES:
            asked += len(values)
            nulls += null
        size = np.abs(values[~np.isnan(values)])
        out[name] = {
            "n": len(values),
            "nulls": null,
            "mean_abs": _round(size.mean()) if len(size) else None,
            "median_abs": _round(np.median(size)) if len(size) else None,
            "p95_abs": _round(np.percentile(size, 95)) if len(size) else None,
            "bias": _round(np.nanmean(values)) if len(size) else None,
        }
    for name in ("in_pause", "right"):
        values = np.array([row[name] for row in rows if name in row])
        null = int(np.isnan(values).sum())
        asked += len(values)
        nulls += null
        good = values[~np.isnan(values)]
        out[name] = {
            "n": len(values),
            "nulls": null,
            "percent": _round(100.0 * good.mean()) if len(good) else None,
        }
    out["missed_percent"] = _round(100.0 * missed / max(1, out["swings"]))
    out["nulls_percent"] = _round(100.0 * nulls / max(1, asked))
    shares = {
        name: 100.0 * out[name]["nulls"] / out[name]["n"]
        for name in (*MEASURES, "right")
        if out[name]["n"]
    }
    worst = max(shares, key=lambda name: shares[name], default=None)
    out["nulls_worst"] = None if worst is None else [worst, _round(shares[worst])]
    return out


def _round(x: float) -> float:
    return float(f"{float(x):.4g}")
