"""Ten states that a coach meets, as the screens say them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from evidence_data import FEW, SHORT, Block, Library, add_session, approve, learner
from page_screens import Place, open_site
from page_words import NOWHERE, OFF_THE_SCREEN, text_of, whole_of, words_in

TURNS = (False, True) * 3
STATES = {
    "Unni": ("unchanged", tuple(Block(n=5, strike=s) for s in TURNS)),
    "Cato": ("too few", FEW),
    "Pia": ("past full", (Block(n=8, strike=False), Block(n=8, strike=True, turn=1.3))),
    "Nils": ("no model swings", SHORT),
    "Bea": (
        "ball results",
        (
            Block(n=6, strike=False),
            Block(n=6, strike=True, head_m_s=38.0, time=0.9),
            Block(n=6, strike=False),
            Block(n=6, strike=True, head_m_s=38.0, time=0.9, felt="rushed"),
        ),
    ),
    "Sixten": (
        "sixty swings",
        tuple(Block(n=10, strike=s, turn=0.94 if s else 1.0) for s in TURNS),
    ),
    "Ove": ("practice swings alone", (Block(n=9, strike=False),)),
    "Wolkenbruch " * 8 + "Max": ("a long name", SHORT),
}
HEADLINES = {
    "Cato": "Can't tell yet: 3 of 5 practice swings and 3 of 5 shots so far.",
    "Ove": "Can't tell yet: 0 of 5 shots so far.",
    "Pia": "Turn: 8 of 8 shots past full.",
}


@pytest.fixture(scope="module")
def states(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, dict[str, str]]]:
    """A home with a player in each state, and the page of it."""
    root = tmp_path_factory.mktemp("states")
    sessions = {}
    with Library(root / "home") as library:
        for k, (player, (_, blocks)) in enumerate(STATES.items(), 1):
            sessions[player] = add_session(library, root, k, blocks, player=player)
        approve(library, "Pia", [sessions["Pia"]])
        sessions["Ida"] = learner(library, root, player="Ida", first=50)[-1]
    for site in open_site(Place(root / "home", root)):
        yield site, sessions


@pytest.mark.parametrize("player", [*STATES, "Ida"])
def test_a_state_says_what_differs_and_what_comes_next(
    states: tuple[Any, dict[str, str]], player: str
) -> None:
    site, sessions = states
    main = whole_of(site, f"/session/{sessions[player]}")
    answer = next(e for e in main.iter() if e.get("data-answer") is not None)
    headline = " ".join("".join(answer.find("*[@class='headline']").itertext()).split())
    assert len(headline.split()) <= 25
    if player in HEADLINES:
        assert headline == HEADLINES[player]
    if player == "Unni":
        assert "as usual" in headline.lower() or "can't tell yet" in headline.lower()
    if player in ("Nils", "Bea", "Sixten"):
        assert headline.endswith("than your practice swings.")
    # A drill's own answer comes first.
    if player == "Ida":
        assert headline.startswith("Without sound: ")
    assert answer.find(".//*[@class='next-step']") is not None
    for path in (f"/session/{sessions[player]}", f"/session/{sessions[player]}/swing/1"):
        text = text_of(whole_of(site, path)).replace(player, "")
        assert words_in(OFF_THE_SCREEN, text) == []
        assert words_in(NOWHERE, text) == []


def test_a_swing_s_words_are_the_same_on_its_screen_and_in_the_count(
    states: tuple[Any, dict[str, str]],
) -> None:
    site, sessions = states
    session = sessions["Sixten"]
    found = []
    for number in range(1, 61):
        text = text_of(whole_of(site, f"/session/{session}/swing/{number}"))
        if "Shot at" in text:
            found.append("smaller" in text.split("Rotation")[0])
    main = text_of(whole_of(site, f"/session/{session}"))
    assert len(found) == 30
    if 2 * sum(found) >= len(found):
        assert f"Turn: {sum(found)} of 30 shots smaller" in main
    else:
        assert "Turn: shots" in main
