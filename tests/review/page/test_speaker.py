"""The speaker is pulled in the middle of a drill: it is said on the page, and the drill goes on."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from lesson_numbers import number
from range_site import kinds, range_site

from feedback.outputs import SilentOutput

PHONE: Final = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
DRILL: Final = {
    "sensor": "simulated",
    "mount": "wrist",
    "cautions": "read",
    "block": "rehearsal",
    "repeats": "50",
    "rest_s": "1",
    "backswing_ms": "900",
    "full_turn_deg": "90",
    "cue": "ready",
    "schedule": "every",
}


class Pulled(SilentOutput):
    """A speaker that is there until it is pulled."""

    silent = False
    gone = False

    @property
    def lost(self) -> bool:  # type: ignore[override]
        return self.gone


def test_the_speaker_is_pulled_and_the_drill_goes_on(
    tmp_path: Path, browser: Any, record_property: Any
) -> None:
    with range_site(tmp_path / "home", speed=25.0) as site:
        assert site.post("/range/drill", **DRILL).status_code == 200
        site.until(lambda s: s.drill is not None and s.drill.all_done >= 1)
        context = browser.new_context(**PHONE)
        window = context.new_page()
        window.goto(f"{site.url}/range")
        window.wait_for_selector("#line[data-up='1']")
        desk: Any = site.hub.desk
        sound = desk.run.sound
        # The output of the drill that runs, which loses its device from here on.
        sound.__class__ = Pulled
        before = site.hub.state.drill
        assert before is not None
        sound.gone = True
        window.wait_for_selector("li:has-text('the drill goes on without sound') strong")
        window.wait_for_selector("[data-part=lines]:has-text('sound: none, the screen only')")
        assert desk.run.sound is not sound
        # It goes on, swing by swing, and says so of itself.
        site.until(lambda s: s.drill is not None and s.drill.all_done >= before.all_done + 2)
        assert site.hub.state.phase == "going"
        context.close()
        assert site.stop().phase == "kept"
        assert [one["lost"] for one in kinds(site.folder, "sound")] == [True]
        # What nobody heard is kept, and said, as without sound.
        assert (kinds(site.folder, "segment")[-1]["block"] or "").startswith("none ")
        assert kinds(site.folder, "drill_swing")[-1]["sound"] == "none"
        assert kinds(site.folder, "drill_outcome")[0]["sound_interrupted"] is True
        after = len(kinds(site.folder, "drill_swing")) - before.all_done
        number(record_property, "speaker pulled: swings of the drill after it", after, "at least 2")
        assert after >= 2
