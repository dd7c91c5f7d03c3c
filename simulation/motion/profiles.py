"""Smooth moves in time, from which joint angles are made. All start and end at rest."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from math import factorial

import numpy as np
from scipy.interpolate import PPoly

from simulation.motion.action import Floats


@cache
def _rise_coefficients(p: int, q: int) -> tuple[float, ...]:
    """Polynomial whose slope is proportional to s^p (1 - s)^q, from 0 to 1 (low powers first)."""
    scale = factorial(p + q + 1) / (factorial(p) * factorial(q))
    coefficients = [0.0] * (p + q + 2)
    for k in range(q + 1):
        binomial = factorial(q) // (factorial(k) * factorial(q - k))
        coefficients[p + k + 1] = scale * binomial * (-1.0) ** k / (p + k + 1)
    return tuple(coefficients)


def rise(t_s: Floats, start_s: float, duration_s: float, *, p: int = 2, q: int = 2) -> Floats:
    """Go smoothly from 0 to 1, with a rate proportional to s^p (1 - s)^q.

    p = q = 2 is the minimum-jerk move, p = q = 3 the septic one; p < q is quick off the mark
    and arrives softly, p > q the reverse. Two or more make the second derivative continuous.
    The greatest rate comes at p / (p + q) of the duration.

    Parameters
    ----------
    t_s : Floats
        (n,) increasing times.
    start_s, duration_s : float
        When it starts and how long it takes.

    Returns
    -------
    Floats
        (n,), 0 before and 1 after.
    """
    first, last = np.searchsorted(t_s, (start_s, start_s + duration_s))
    middle = int(np.searchsorted(t_s, start_s + 0.5 * duration_s))
    out = np.zeros_like(t_s)
    out[last:] = 1.0
    # each half from its own end: a high polynomial cancels badly near 1
    s = (t_s[first:middle] - start_s) / duration_s
    out[first:middle] = np.polynomial.polynomial.polyval(s, _rise_coefficients(p, q))
    s = 1.0 - (t_s[middle:last] - start_s) / duration_s
    out[middle:last] = 1.0 - np.polynomial.polynomial.polyval(s, _rise_coefficients(q, p))
    return out


def jerk_limited(
    *,
    duration_s: float,
    distance: float,
    push_share: float,
    brake_from_share: float,
    soft_end: bool,
) -> PPoly:
    """Build a move whose acceleration is made of straight lines (so its jerk is limited).

    The acceleration rises in a straight line from zero, stays, and falls back to zero within
    the first `push_share` of the time; from `brake_from_share` on it brakes. The two sizes
    follow from the distance and from being at rest at the end.

    Parameters
    ----------
    duration_s : float
        Time from rest to rest.
    distance : float
        How far, in any unit.
    push_share, brake_from_share : float
        Shares of the duration.
    soft_end : bool
        True: the braking fades to zero at the end. False: it is still on at the end, for a move
        that turns straight into its reverse.

    Returns
    -------
    PPoly
        Position against time over [0, duration_s]; its derivatives are the rate and so on.
    """
    push_end = push_share
    brake = 1.0 - brake_from_share
    knots = [
        0.0,
        0.4 * push_end,
        0.6 * push_end,
        push_end,
        brake_from_share,
        brake_from_share + 0.4 * brake,
        brake_from_share + 0.7 * brake,
        1.0,
    ]
    order = np.argsort(knots, kind="stable")
    grid = np.array(knots)[order]
    push = np.interp(grid, [0.0, 0.4 * push_end, 0.6 * push_end, push_end], [0.0, 1.0, 1.0, 0.0])
    last = 0.0 if soft_end else 1.0
    stop = np.interp(
        grid,
        [brake_from_share, brake_from_share + 0.4 * brake, brake_from_share + 0.7 * brake, 1.0],
        [0.0, 1.0, 1.0, last],
    )
    grid = grid * duration_s

    def lines(values: Floats) -> PPoly:
        width = np.diff(grid)
        keep = width > 1e-12
        slope = np.diff(values)[keep] / width[keep]
        return PPoly(np.stack((slope, values[:-1][keep])), np.append(grid[:-1][keep], grid[-1]))

    speed_push = lines(push).antiderivative(1)
    speed_stop = lines(stop).antiderivative(1)
    way_push = speed_push.antiderivative(1)
    way_stop = speed_stop.antiderivative(1)
    matrix = np.array(
        [
            [float(speed_push(duration_s)), -float(speed_stop(duration_s))],
            [float(way_push(duration_s)), -float(way_stop(duration_s))],
        ]
    )
    size = np.linalg.solve(matrix, np.array([0.0, distance]))
    return PPoly(size[0] * way_push.c - size[1] * way_stop.c, way_push.x)


def jerk_limited_move(t_s: Floats, start_s: float, move: PPoly) -> Floats:
    """Evaluate a `jerk_limited` move that starts at `start_s`; constant before and after."""
    inside = np.clip(t_s - start_s, 0.0, float(move.x[-1]))
    return np.asarray(move(inside))


def smooth(values: Floats, *, half_width: float) -> Floats:
    """Average (n,) with a triweight kernel of this half width in samples; ends held.

    The half width need not be whole, so that the result does not depend on the grid.
    """
    reach = int(np.ceil(half_width)) - 1
    if reach < 1:
        return values
    x = np.arange(-reach, reach + 1) / half_width
    kernel = (1.0 - x * x) ** 3
    kernel /= kernel.sum()
    padded = np.concatenate((np.full(reach, values[0]), values, np.full(reach, values[-1])))
    return np.asarray(np.convolve(padded, kernel, mode="valid"))


def add_moves(t_s: Floats, moves: Sequence[tuple[float, float, float]]) -> Floats:
    """Sum of minimum-jerk moves, each (start_s, duration_s, size)."""
    total = np.zeros_like(t_s)
    for start_s, duration_s, size in moves:
        total += size * rise(t_s, start_s, duration_s)
    return total
