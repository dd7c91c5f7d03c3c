"""Help that fits a screen: options in groups, a sentence for each, the rare ones only named.

``unhurried help COMMAND`` explains it whole.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any, Final

import click

WHOLE: Final = "unhurried.whole"
"""In a context's ``meta``: explain everything."""


class ShortHelp(click.Command):
    """A command with many options.

    Parameters
    ----------
    groups : mapping of str to sequence of str, optional
        Title and the parameters under it; what isn't named stands under *Options*.
    more : sequence of str
        Parameters that few people need: ``--help`` only names their options.
    """

    def __init__(
        self,
        *args: Any,
        groups: Mapping[str, Sequence[str]] | None = None,
        more: Sequence[str] = (),
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.groups = dict(groups or {})
        self.more = {*more, "verbose"}

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the groups, then the rest, then *More*."""
        title_of = {name: title for title, names in self.groups.items() for name in names}
        rows: dict[str, list[tuple[str, str]]] = {title: [] for title in (*self.groups, "Options")}
        rare: list[tuple[str, tuple[str, str]]] = []
        for param in self.get_params(ctx):
            record = param.get_help_record(ctx)
            if record is None or isinstance(param, click.Argument):
                continue
            if not ctx.meta.get(WHOLE):
                if param is self.get_help_option(ctx):
                    continue  # whoever reads this has found it
                record = (record[0], _first(record[1]))
            if param.name in self.more:
                rare.append((record[0].split(",")[-1].split()[0], record))
            else:
                rows[title_of.get(str(param.name), "Options")].append(record)
        for title, lines in rows.items():
            if lines:
                with formatter.section(title):
                    formatter.write_dl(lines)
        if ctx.meta.get(WHOLE):
            with formatter.section("More"):
                formatter.write_dl([record for _, record in rare])
            return
        # A name isn't broken at its hyphens.
        names = wrap(" ".join(option for option, _ in rare), 76, break_on_hyphens=False)
        path = ctx.command_path.partition(" ")[2]
        with formatter.section(f"More ('unhurried help {path}' explains all)"):
            for line in names:
                formatter.write(f"  {line}\n")


def _first(text: str) -> str:
    """Return the first sentence of a help text, without what may be typed."""
    return re.split(r"(?<=\w)[.:;,]? +\[|[.:;] +(?!\[)", text + " ")[0].rstrip(". ") + "."
