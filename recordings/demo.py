"""What the program does, in a minute: one shot beside one practice swing, and one player's answer.

`make demo` runs this. Then it makes three more invented players (from seeds, into
recordings/generated/, not kept in the repository), and puts the page up on all four. Without a
terminal the page is only asked for once, and the demo ends by itself.
"""

from __future__ import annotations

import contextlib
import os
import sys
import textwrap
from pathlib import Path

HERE = Path(__file__).parent
RECORDING, SHOT, PRACTICE = "monday-wrist", 3, 5
PORT = 8737


def say(text: str) -> None:
    """Say what comes next."""
    print(text, flush=True)


def pair() -> None:
    """Set a shot beside a practice swing."""
    from sensor.recording.opening import open_recording
    from unhurried.app.measuring import analyze
    from unhurried.app.page_tools import compare_pair

    path, numbers = HERE / RECORDING, (SHOT, PRACTICE)
    swings = {swing.index: swing for swing in analyze(path).swings}
    with open_recording(path) as recording:
        words = compare_pair([recording] * 2, [swings[n] for n in numbers])
    for text in words.sentences:
        say(textwrap.fill(text, 79))
    say(f"\n{'':<20}{'shot':>8}{'practice':>10}{'difference':>12}")
    for name, a, b, difference, *_, outcome in words.rows:
        if outcome == "different":
            say(f"{name:<20}{a:>8}{b:>10}{difference:>12}")


def answer(home: Path, name: str) -> None:
    """Say one player's answer as the page does."""
    from library.answer import answer_of_session
    from library.evidence import evidence_in
    from review.answers import shown_answer
    from review.formatting import Units
    from unhurried.app.ingest import open_library

    with open_library(home) as library:
        player = library.player(name)
        session = library.sessions(player=player.id)[0]
        evidence = evidence_in(library, session.id, player=player.id)[0]
        shown = shown_answer(answer_of_session(evidence, session.id), Units())
    say(f"{name}: {shown.headline}")
    say(f"{shown.against}")
    say(f"  {'':<26}{'shots':<10}practice")
    for strip in shown.strips:
        own = strip.own.removeprefix("practice ")
        say(f"  {strip.name:<10}{strip.said:<16}{strip.value:<10}{own}".rstrip())


def page(home: Path) -> None:
    """Put the page up; without a terminal ask for its screens once."""
    from unhurried.cli import run

    shown = os.path.relpath(home)
    looked_at = sys.stdin.isatty() and sys.stdout.isatty()
    if looked_at:
        say("The page opens in the browser; Ctrl-C here ends it. Its address:")
        with contextlib.suppress(KeyboardInterrupt):
            run(["review", "--home", str(home)])
    elif (code := run(["review", "--check", "--port", "0", "--home", str(home)])) != 0:
        sys.exit(code)
    program = os.path.relpath(Path(sys.executable).parent / "unhurried")
    say(f"\nThe page, http://127.0.0.1:{PORT}/, opens with:  {program} review --home {shown}")
    say(f"For your own players:  {program}")


def main() -> None:
    """Show it."""
    say("All people here are invented: no one swung a club for these swings.")
    say("\n1. One shot beside one practice swing\n")
    pair()
    say("\n2. One player's answer (her three visits are made first: about 10 seconds)\n")
    from unhurried.app.invented import make_demo_library
    from unhurried.app.invented_people import PEOPLE

    folder = HERE / "generated" / "players"
    home = folder / "home"
    make_demo_library(home, folder, people=PEOPLE[:1])
    answer(home, PEOPLE[0].name)
    say("\n3. Three more players for the page: about half a minute ...\n")
    make_demo_library(home, folder)
    page(home)


if __name__ == "__main__":
    # As a script its own folder is what Python looks in; its name is that of a package.
    sys.path[0] = str(HERE.parent)
    main()
