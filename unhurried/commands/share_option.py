"""`--share`: the page for a phone. In a drill it once was the share of the turn."""

from __future__ import annotations

import math
from typing import Any, Final

import click

from unhurried.app.errors import show

FOR_A_PHONE: Final = "phone"
TURN: Final = "unhurried.turn_share"
"""In a command's `meta`: the share of the turn, where it came by its old name."""
LOW, HIGH = 0.3, 1.0


class _Share(click.ParamType):  # type: ignore[type-arg]
    """Nothing more, or a share of the turn as it was given once."""

    name = "share"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> bool:
        if isinstance(value, bool):
            return value
        if value == FOR_A_PHONE:
            return True
        try:
            share = float(value)
        except ValueError:
            share = math.nan
        if ctx is None or ctx.info_name != "drill" or not LOW <= share <= HIGH:
            self.fail(f"'{value}' isn't needed: --share alone is for a phone", param, ctx)
        show(f"--share {value}: the share of the turn is --turn-share now")
        ctx.meta[TURN] = share
        return False


class ShareOption(click.Option):
    """Takes a phone's link under its one name, and under the one that it had."""

    OLD: Final = "--share-page"

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """Leave out the old name, and what may stand behind it."""
        return "--share", self.help or ""


def share_option(command: Any) -> Any:
    """Add --share for a phone, beside a hidden older meaning and an older name."""
    return click.option(
        # The one that counts is the last.
        ShareOption.OLD,
        "--share",
        "share_page",
        cls=ShareOption,
        type=_Share(),
        is_flag=False,
        flag_value=FOR_A_PHONE,
        default=False,
        help="The page also for a phone on the same network: whoever scans the code is let in.",
    )(command)


def turn_share(given: float | None) -> float | None:
    """Return the share of the turn, also where it came by its old name."""
    old: float | None = click.get_current_context().meta.get(TURN)
    return old if given is None else given
