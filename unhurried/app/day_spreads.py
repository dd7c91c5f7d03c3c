"""How far one player's days lie apart before their own sessions tell: stated, set, or learnt."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import logging
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from analysis.evidence.prior import DAY_SPREADS, DaySpread, Prior, SeenSpread, learnt_from
from analysis.evidence.variance import Variances
from sensor.recording.output import whole_file
from sensor.recording.schema import SchemaError, parse_json, read_small
from unhurried.app.errors import CommandError
from unhurried.app.settings import load_settings

if TYPE_CHECKING:
    from library.catalogue import Library


_log = logging.getLogger(__name__)

DAYS_FILE: Final = "day-spreads.json"
"""What the home's players made of it; made anew by ``library update``, and safe to remove."""

DAY_SETTINGS: Final = {
    "day_backswing_ms": "backswing_ms",
    "day_swing_ms": "swing_ms",
    "day_turn_deg": "turn_deg",
    "day_peak_percent": "peak_rate_dps",
}
"""Settings, and the measures that they state it of."""


def home_prior(home: Path) -> Prior:
    """Return what is taken for a player's spreads in this home.

    What was set counts as it is; of the rest, what the home's players make of it.
    """
    days = dict(DAY_SPREADS)
    learnt, players = _learnt(home)
    try:
        settings = load_settings(home)
    except CommandError as error:
        # Whoever needs a setting says so; here the stated sizes do.
        _log.warning("%s: what is stated is taken for how far days lie apart", error)
        return Prior(days=days, learnt=learnt, players=players if learnt else 0)
    for name, measure in DAY_SETTINGS.items():
        size = float(settings[name])
        if size != days[measure].size:
            days[measure] = DaySpread(size, percent=days[measure].percent)
            learnt.pop(measure, None)
    return Prior(days=days, learnt=learnt, players=players if learnt else 0)


def _learnt(home: Path) -> tuple[dict[str, float], int]:
    """Return the factors that were learnt; none where there is no such file, or a broken one."""
    try:
        document = parse_json(read_small(home / DAYS_FILE), dict[str, Any])
    except (OSError, SchemaError):
        return {}, 0
    factors, players = document.get("learnt"), document.get("players")
    if not isinstance(factors, dict) or not isinstance(players, int):
        return {}, 0
    good = {
        str(measure): float(factor)
        for measure, factor in factors.items()
        if isinstance(factor, (int, float)) and math.isfinite(factor) and 0.1 <= factor <= 10.0
    }
    return good, players


def learn_day_spreads(library: Library) -> dict[str, float]:
    """Learn from the home's players how far days lie apart, and keep it beside the library.

    Returns
    -------
    dict of str to float
        By measure, as a factor of what is stated; empty with too few players or sessions.
    """
    from analysis.evidence.spread import EvidenceParams
    from library.evidence import Evidence, settings_of

    plain = EvidenceParams()
    players = []
    for row in library.players():
        group = next(iter(settings_of(library, row.id)), None)
        if group is None:
            continue
        who = library.player(row.id)
        found = Evidence(library, who, club=group.club, mount=group.mount, params=plain)
        players.append(
            {
                measure: SeenSpread(
                    stated=spread.day_spread,
                    variance=spread.seen_session,
                    sessions=spread.sessions,
                )
                for measure, spread in found.spreads.items()
                if isinstance(spread, Variances) and spread.seen_session is not None
            }
        )
    learnt = learnt_from(players)
    path = library.home / DAYS_FILE
    if not learnt:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        return {}
    document = {"version": 1, "players": len(players), "learnt": learnt}
    with whole_file(path, overwrite=True) as file:
        file.write((json.dumps(document, indent=1) + "\n").encode())
    library.prior = dataclasses.replace(home_prior(library.home))
    return learnt
