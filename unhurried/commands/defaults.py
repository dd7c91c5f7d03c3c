"""What is set in the home stands where an option isn't given."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from unhurried.app.settings import SETTINGS, load_settings


def apply_to(name: str, command: click.Command) -> None:
    """Make settings the defaults of a command's options.

    Parameters
    ----------
    name : str
        The command's.
    command : click.Command
        Changed; doing it twice does no harm.
    """
    params = {param.name: param for param in command.params}
    for one in SETTINGS:
        for wanted, parameter in one.options:
            option = params.get(parameter)
            if wanted != name or not isinstance(option, click.Option):
                continue
            option.default = _default(one.name)
            option.show_default = f"setting {one.name}"
            home = params.get("home")
            if home is not None:
                # The settings are in the home, so it must be known before the others.
                home.is_eager = True


def _default(name: str) -> Callable[[], Any]:
    def value() -> Any:
        from unhurried.app.home import home_folder

        context = click.get_current_context(silent=True)
        if context is not None and context.resilient_parsing:
            return None
        option = context.params.get("home") if context is not None else None
        # What wasn't given may stand for itself while click is still reading.
        home = option if isinstance(option, (str, Path)) else None
        return load_settings(home_folder(None if home is None else Path(home)))[name]

    return value
