"""What stands before and after a drill: who it is, what the plan says, cautions, the library."""

from __future__ import annotations

import contextlib
import difflib
import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sensor.recording.schema import SchemaError, parse_json, read_small
from unhurried.app.command_text import plan_command
from unhurried.app.errors import CommandError

if TYPE_CHECKING:
    from analysis.evidence.plan import CoachWord
    from library.evidence import Evidence


_log = logging.getLogger(__name__)

CAUTIONS_FILE: Final = "cautions.json"
MOST_REMEMBERED: Final = 200
REMEMBERED_DAYS: Final = 90
"""Whoever comes back after a season reads all of it again. (Chosen here.)"""


@dataclass(frozen=True, slots=True)
class KnownPlayer:
    """A player of the home.

    Attributes
    ----------
    id, name : str
    typed : str
        What means the player on the command line: the name, or the id where others share it.
    """

    id: str
    name: str
    typed: str


def known_player(home: Path, player: str) -> KnownPlayer | None:
    """Return the player that a name or id means; None where nobody has it.

    Raises
    ------
    ReviewError
        It could be several players, or a player's file is broken.
    """
    from library.errors import NoSuchError
    from library.players import Registry

    registry = Registry(home)
    try:
        found = registry.find(player)
    except NoSuchError:
        return None
    alone = sum(one.name == found.name for one in registry.all()) == 1
    return KnownPlayer(found.id, found.name, found.name if alone else found.id)


def near_name(home: Path, player: str) -> str | None:
    """Return the known name that a new one is nearest to: perhaps it was mistyped."""
    from library.players import Registry

    names = {one.name.casefold(): one.name for one in Registry(home).all()}
    near = difflib.get_close_matches(player.casefold(), list(names), n=1, cutoff=0.7)
    return names[near[0]] if near else None


# -- the plan --------------------------------------------------------------------------------------


def plan_remarks(
    home: Path, who: KnownPlayer, club: str | None, mount: str | None, *, stops_only: bool = False
) -> list[str]:
    """Say what the plan has against a drill, or refuse one where it was stopped.

    Discomfort is the player's, not the club's: it refuses whatever is swung, and however it is
    written.

    Parameters
    ----------
    home : Path
    who : KnownPlayer
    club, mount : str, optional
        What is swung now; without, any of the player's settings may be.
    stops_only : bool
        Leave out what else the plan says.

    Returns
    -------
    list of str
        A line each, to be said before the start; none where the plan has a drill.

    Raises
    ------
    CommandError
        Any plan of the player is stopped for discomfort, or the coach stopped that of this club and
        mount, or any where they weren't said: only the coach starts it again.
    ReviewError
        The library cannot be used.
    """
    from analysis.evidence.plan import Stage
    from library.catalogue import LIBRARY_FILE
    from library.evidence import Evidence, settings_of
    from unhurried.app.ingest import open_library

    if not (home / LIBRARY_FILE).exists():
        return []
    today = date.today().toordinal()
    out: list[str] = []
    with open_library(home) as library:
        player = library.player(who.id)
        settings = [(group.club, group.mount) for group in settings_of(library, who.id)]
        # What was stopped stays so where its swings don't count any more.
        settings += [(p.club, p.mount) for p in player.plans if (p.club, p.mount) not in settings]
        plans = [Evidence(library, player, club=club, mount=mount) for club, mount in settings]
        for evidence in plans:
            if _hurts(evidence.words):
                raise _stopped(who, evidence, evidence.standing(today).why)
        for evidence in plans:
            standing = evidence.standing(today)
            mine = club in (None, evidence.club) and mount in (None, evidence.mount)
            if standing.stage is Stage.STOPPED:
                if mine:
                    raise _stopped(who, evidence, standing.why)
                out.append(f"the plan {_with(evidence)} is stopped: {standing.why}")
            elif mine and standing.drill is None and evidence.sessions and not stops_only:
                stage = standing.stage.value
                out.append(
                    f"the plan {_with(evidence)} stands at '{stage}' and has no drill now: this "
                    f"one is your own choice. {standing.why}"
                )
    return out


def _hurts(words: Sequence[CoachWord]) -> bool:
    """Whether discomfort was said, and nobody has started the plan again since."""
    hurts = False
    for word in words:
        hurts = word.word == "discomfort" or (hurts and word.word == "stop")
    return hurts


def _stopped(who: KnownPlayer, evidence: Evidence, why: str) -> CommandError:
    return CommandError(
        f"no drill for {who.name}: the plan {_with(evidence)} is stopped. {why.rstrip('.')}. To go "
        f"on, the coach says: {plan_command(who.typed, evidence.club, evidence.mount)} --resume"
    )


def _with(evidence: Evidence) -> str:
    return f"for {evidence.club or 'a club that was not said'} at the {evidence.mount or 'mount'}"


def retention_remark(home: Path, who: KnownPlayer | None, kinds: Sequence[str]) -> str | None:
    """Say that a retention block right after practice is none; None where all is well."""
    if "retention" not in kinds:
        return None
    from analysis.evidence.blocks import CUED

    first = kinds.index("retention")
    late = any(kind in CUED for kind in kinds[:first])
    if not late and who is not None:
        late = _drilled_today(home, who)
    if not late:
        return None
    return (
        "a set of the kind retention shows what has stayed until another day: right after "
        "practice it is one more set without sound"
    )


def _drilled_today(home: Path, who: KnownPlayer) -> bool:
    from analysis.evidence.blocks import CUED, drill_block
    from library.catalogue import LIBRARY_FILE
    from unhurried.app.ingest import open_library

    if not (home / LIBRARY_FILE).exists():
        return False
    today = date.today().isoformat()
    with open_library(home) as library:
        table = library.swings(player=who.id, columns=("day", "block"))
        return any(
            day == today and drill_block(block) in CUED
            for day, block in zip(table["day"], table["block"], strict=True)
        )


# -- cautions --------------------------------------------------------------------------------------


def cautions_were_shown(home: Path, player: str | None) -> bool:
    """Whether a player has had the whole text: of somebody who isn't named, today.

    Parameters
    ----------
    home : Path
    player : str, optional
        As named on the command line.
    """
    day = _shown(home).get(player or "")
    return day is not None and (bool(player) or day == date.today().isoformat())


def _shown(home: Path) -> dict[str, str]:
    """Return on which day each player had the whole text, of those not too long ago."""
    shown: dict[str, str] = {}
    with contextlib.suppress(OSError, SchemaError):
        shown = parse_json(read_small(home / CAUTIONS_FILE), dict[str, str])
    since = (date.today() - timedelta(days=REMEMBERED_DAYS)).isoformat()
    return {name: day for name, day in shown.items() if day >= since}


def cautions_are_due(home: Path, player: str | None) -> bool:
    """Whether the whole text is to be shown: on a player's first day. It is remembered as shown.

    Parameters
    ----------
    home : Path
    player : str, optional
        As named on the command line.
    """
    if cautions_were_shown(home, player):
        return False
    file, shown = home / CAUTIONS_FILE, _shown(home)
    if len(shown) < MOST_REMEMBERED:
        shown[player or ""] = date.today().isoformat()
    part = file.with_name(f".{file.name}.part")
    try:
        home.mkdir(parents=True, exist_ok=True)
        part.write_text(json.dumps(shown, ensure_ascii=False) + "\n", encoding="utf-8")
        part.replace(file)
    except OSError as error:
        # Then they are shown again.
        _log.info("the cautions' day isn't kept: %s", error)
    return True
