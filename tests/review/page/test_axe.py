"""Accessibility, judged from outside by axe-core, on every screen: large and small, light and dark.

https://github.com/dequelabs/axe-core (rules after WCAG 2.0 to 2.2, levels A and AA, and its own
best practices).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from page_screens import AXE_RUN, SCREENS, screen_url


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize(("width", "dark"), [(1200, False), (390, True)])
def test_no_serious_finding(
    site: Any,
    open_page: Callable[..., Any],
    axe: str,
    screen: str,
    width: int,
    dark: bool,
) -> None:
    window = open_page(screen_url(site, screen), width=width, dark=dark)
    # Folded parts are judged as well.
    window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    window.evaluate(axe)
    found = window.evaluate(AXE_RUN)
    assert [f for f in found if f["impact"] in ("serious", "critical")] == []


def test_the_judge_finds_what_is_wrong(site: Any, open_page: Callable[..., Any], axe: str) -> None:
    window = open_page(screen_url(site, "players"))
    window.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<img src=x>')")
    window.evaluate(axe)
    assert "image-alt" in [f["id"] for f in window.evaluate(AXE_RUN)]
