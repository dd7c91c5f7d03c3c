"""unhurried help: the manual, or all about one command."""

from __future__ import annotations

import click

from unhurried.app.errors import CommandError, OptionsError
from unhurried.commands.short_help import WHOLE


@click.command(name="help")
@click.argument("names", metavar="[COMMAND]...", nargs=-1)
@click.option("--no-browser", is_flag=True, help="Don't open a browser; only print where it is.")
@click.pass_context
def command(ctx: click.Context, names: tuple[str, ...], no_browser: bool) -> None:
    """Open the manual in a browser, or explain one COMMAND with all its options.

    The manual is part of the program and needs no network.

    \b
    Examples:
      unhurried help
      unhurried help drill
      unhurried help library add
    """
    if names:
        click.echo(_explained(ctx, names))
        return
    from review.manual_site import MISSING, START

    if not START.is_file():
        raise CommandError(MISSING)
    click.echo(START)
    if not no_browser:
        import webbrowser

        webbrowser.open(START.as_uri())


def _explained(ctx: click.Context, names: tuple[str, ...]) -> str:
    """Return the help of a command with the options that its --help only names."""
    assert ctx.parent is not None
    inner = ctx.parent
    for name in names:
        if not isinstance(inner.command, click.Group):
            raise OptionsError(f"'{inner.command_path}' has no commands inside it, so no '{name}'")
        found = inner.command.resolve_command(inner, [name])[1]
        assert found is not None
        inner = click.Context(found, info_name=name, parent=inner)
    inner.meta[WHOLE] = True
    return inner.get_help()
