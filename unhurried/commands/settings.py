"""`unhurried settings`: what is kept for all commands, and how to change it."""

from __future__ import annotations

import json
from pathlib import Path

import click

from unhurried.app.errors import show
from unhurried.app.home import home_folder
from unhurried.app.settings import SETTINGS, change_settings, load_settings
from unhurried.app.text import lined_up, wrapped
from unhurried.commands.options import home_option, json_option


@click.command("settings")
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE]...")
@json_option
@home_option
def command(changes: tuple[str, ...], as_json: bool, home: Path | None) -> None:
    """Show the settings, or change some: NAME=VALUE; NAME= puts the default back.

    An option on the command line always counts more than a setting.

    \b
    Examples:
      unhurried settings
      unhurried settings units=imperial
      unhurried settings tone_level=
    """
    where = home_folder(home)
    if changes:
        typed = {}
        for text in changes:
            name, mark, value = text.partition("=")
            if not mark:
                raise click.UsageError(f"'{text}' must be NAME=VALUE, such as units=imperial")
            typed[name.strip()] = value
        change_settings(where, typed)
        show("kept; a page that is open goes by it from its next start")
    values = load_settings(where)
    if as_json:
        click.echo(json.dumps(values, indent=2))
        return
    rows = [["setting", "value", "default", "may be"]]
    for s in SETTINGS:
        # A whole path would break the table; it stands below.
        value = Path(values[s.name]).name if s.folder else values[s.name]
        rows.append([s.name, s.shown(value), s.shown(s.default), s.range])
    click.echo("\n".join(lined_up(rows, [False] * 4)))
    click.echo("")
    for one in SETTINGS:
        now = f" Now: {values[one.name]}" if one.folder and values[one.name] else ""
        click.echo("\n".join(wrapped(one.help + now, f"  {one.name:<18}", " " * 20)))
