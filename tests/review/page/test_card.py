"""A player's card names the session that it tells of."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evidence_data import FREE, add_session

from library.catalogue import Library
from review.page.evidence_cache import Stand
from review.page.players import _last


def test_a_card_names_the_session_that_it_tells_of(tmp_path: Path) -> None:
    with Library(tmp_path / "home") as library:
        told = add_session(library, tmp_path, 1, FREE, day="2026-05-01")
        newer = add_session(library, tmp_path, 2, FREE, club="driver", day="2026-05-08")
        (row,) = library.players()
        nothing: Any = None
        stand = Stand(
            club="7 iron",
            mount="wrist",
            session=told,
            day="2026-05-01",
            latest=newer,
            too_few=None,
            answer=nothing,
            standing=nothing,
            moved=None,
            look=None,
        )
        named = _last(library, row, stand)
        latest = _last(library, row, None)
    assert named is not None
    assert (named["id"], named["clubs"]) == (told, ["7 iron"])
    assert latest is not None
    assert (latest["id"], latest["clubs"]) == (newer, ["driver"])
