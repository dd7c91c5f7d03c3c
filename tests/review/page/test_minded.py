"""What to mind before a drill: three lines on a player's first day, one line with a fold after."""

from __future__ import annotations

from pathlib import Path

import html5lib
from range_site import RangeSite, range_site

from unhurried.app.ingest import open_library
from words import cautions


def lines(site: RangeSite, player: str) -> tuple[list[str], int]:
    """What is in sight of the cautions of a player, and how many are folded."""
    text = site.http.get("/range/drill", params={"player": player}).text
    tree = html5lib.parse(text, namespaceHTMLElements=False)
    (box,) = [one for one in tree.iter("div") if one.get("id") == "cautions"]
    every = ["".join(one.itertext()) for one in box.iter("li")]
    folded = sum(len(list(fold.iter("li"))) for fold in box.iter("details"))
    return every[: len(every) - folded], folded


def test_three_lines_on_the_first_day_and_one_after(tmp_path: Path) -> None:
    with open_library(tmp_path / "home") as library:
        new, other = (library.people.add(name) for name in ("Ida", "Otto"))
        for one in (new, other):
            library.save_player(one)
    with range_site(tmp_path / "home", speed=40.0) as site:
        assert lines(site, new.id) == (list(cautions.DRILL), 0)
        assert "Rules of Golf 4.3" in cautions.DRILL[2]
        drill = {"sensor": "simulated", "mount": "wrist", "player": new.id, "block": "rehearsal"}
        drill |= {"repeats": "3", "rest_s": "1", "cue": "ready", "schedule": "every"}
        # Not without the tick, whichever day it is.
        assert site.post("/range/drill", **drill).status_code == 400
        assert lines(site, new.id) == (list(cautions.DRILL), 0)
        assert site.post("/range/drill", **drill, cautions="read").status_code == 200
        site.until(lambda s: s.phase == "going")
        site.stop()
        assert lines(site, new.id) == ([cautions.SHORT], 3)
        # Of another player all three lines are in sight.
        assert lines(site, other.id) == (list(cautions.DRILL), 0)
        assert site.post("/range/drill", **drill).status_code == 400
