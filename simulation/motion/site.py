"""From a right-handed motion of one segment to a finished action with its truth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sensor.rotation import mirror_quat, quat_continuous, quat_normalize
from simulation.motion.action import Action, Floats, Handedness, Shock
from simulation.motion.shock import Blow, make_shock
from simulation.motion.truth import SwingSpan, swing_truths


def finish_action(
    *,
    quat_wxyz: Floats,
    pos_m: Floats,
    rate_hz: float,
    spans: Sequence[SwingSpan],
    handedness: Handedness,
    breaks: Sequence[int] = (),
    blow: Blow | None = None,
) -> Action:
    """Mirror for a left-handed player, add the truth and the shock.

    Parameters
    ----------
    quat_wxyz, pos_m : Floats
        (n, 4) and (n, 3), of a right-handed player.
    rate_hz : float
    spans : sequence of SwingSpan
    handedness : {"right", "left"}
    breaks : sequence of int
        Grid indices where the velocity jumps.
    blow : Blow, optional
        Felt at the first break.
    """
    left = handedness == "left"
    quat = quat_normalize(quat_wxyz)
    pos = np.array(pos_m, dtype=float)
    if left:
        quat = mirror_quat(quat)
        pos[:, 0] *= -1.0
    quat = quat_continuous(quat)
    shocks: tuple[Shock, ...] = ()
    if blow is not None and breaks:
        shock = make_shock(
            blow, index=breaks[0], quat_wxyz=quat, pos_m=pos, rate_hz=rate_hz, left=left
        )
        shocks = (shock,)
    return Action(
        rate_hz=rate_hz,
        quat_wxyz=quat,
        pos_m=pos,
        name="swing",
        breaks=tuple(int(b) for b in breaks),
        swings=swing_truths(quat, rate_hz=rate_hz, spans=spans, breaks=breaks),
        shocks=shocks,
    )
