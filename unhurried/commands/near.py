"""Groups of commands that offer what is near to a name which isn't there."""

from __future__ import annotations

from difflib import get_close_matches

import click


class NearGroup(click.Group):
    """A group that says of a command which isn't there what may have been meant."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        names = self.list_commands(ctx)
        if args and not args[0].startswith("-") and args[0] not in names:
            near = get_close_matches(args[0].lower(), names, n=2)
            offered = f"did you mean {' or '.join(map(repr, near))}?" if near else "these are there"
            rest = "" if near else ": " + ", ".join(names)
            ctx.fail(f"there is no command '{args[0]}': {offered}{rest}")
        return super().resolve_command(ctx, args)
