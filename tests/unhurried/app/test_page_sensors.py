"""Which sensors have players of their own, where nobody has said so."""

from __future__ import annotations

from pathlib import Path

import pytest

from review.page.livehub import LiveHub
from simulation.live_sensor import SimulatedSource
from simulation.sessions import SessionSpec
from unhurried.app.live import LiveSession
from unhurried.app.page_desk import PageDesk


@pytest.mark.parametrize(("mounts", "apart"), [(("wrist", "wrist"), 2), (("wrist", "trunk"), 0)])
async def test_two_at_one_place_are_two_players_and_at_two_places_one(
    tmp_path: Path, mounts: tuple[str, str], apart: int
) -> None:
    """As `unhurried record` starts them, which says where they sit and not who wears them."""
    hub = LiveHub()
    desk = PageDesk(hub, tmp_path / "home", "recording")
    sessions = [
        LiveSession(
            SimulatedSource(SessionSpec(mount=mount)),  # type: ignore[arg-type]
            tmp_path / f"{number}",
            mount=mount,
            on_swing=lambda _swing: None,
        )
        for number, mount in enumerate(mounts)
    ]
    async with desk.attending(sessions, lambda: None):
        assert len(hub.state.sensors) == apart
