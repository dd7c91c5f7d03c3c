"""``python docs/pictures.py``: take README's pictures anew, from the demo's invented players.

Needs a browser that playwright can drive (``make test`` installs one where it may) and the players
of ``make demo``. Each picture is the answer at the top of a screen, light and dark.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import sync_playwright

HERE: Final = Path(__file__).resolve().parent
ROOT: Final = HERE.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "shared")]

from chromium import chromium  # noqa: E402

from recordings.players import make_demo_library  # noqa: E402

OUT: Final = HERE / "pictures"
SHOTS: Final = (("coach", "Henrike", 270), ("play", "Runa", 204))
"""Name of the picture, the player whose latest session it shows, how much of its answer in px."""
WIDTH_PX: Final = 760
EDGE_PX: Final = 14


def take(page: Any, url: str, player: str, height_px: int, out: Path) -> None:
    """Take the answer of a player's latest session."""
    page.goto(url)
    session = page.locator(f"[data-name='{player}'] a[href^='/session/']").first
    page.goto(url + session.get_attribute("href").lstrip("/"))
    answer = page.locator("[data-answer]")
    answer.wait_for()
    box = answer.bounding_box()
    page.screenshot(
        path=out,
        full_page=True,
        clip={
            "x": box["x"] - EDGE_PX,
            "y": box["y"],
            "width": box["width"] + 2 * EDGE_PX,
            "height": height_px + EDGE_PX,
        },
    )


def main() -> None:
    """Make the players unless a home of theirs is given, and take each picture in both schemes."""
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as tool:
        home = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(folder) / "home"
        if len(sys.argv) == 1:
            make_demo_library(home, Path(folder) / "players")
        words = ["-m", "unhurried", "review", "--no-browser", "--port", "0", "--home", str(home)]
        with subprocess.Popen(
            [sys.executable, *words], stdout=subprocess.PIPE, text=True
        ) as served:
            assert served.stdout is not None
            url = served.stdout.readline().strip()
            browser = tool.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
            for name, player, height_px in SHOTS:
                for scheme in ("light", "dark"):
                    size = {"width": WIDTH_PX, "height": 900}
                    page = browser.new_page(viewport=size, color_scheme=scheme)
                    take(page, url, player, height_px, OUT / f"{name}-{scheme}.png")
                    page.close()
            browser.close()
            served.terminate()


if __name__ == "__main__":
    main()
