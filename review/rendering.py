"""The templates, of the page's screens and of the report that is sent."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from review import formatting as fmt

PAGE: Final = Path(__file__).parent / "page"
"""Where templates and styles are."""


@cache
def templates() -> Environment:
    """Return the templates; each is made into code once a process, when it is first asked for."""
    made = Environment(
        loader=FileSystemLoader(PAGE / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(words=fmt)
    made.filters["first_upper"] = lambda text: f"{text[:1].upper()}{text[1:]}"
    return made
