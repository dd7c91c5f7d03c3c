"""From a found swing to the page: the whole way over server-sent events, with 1 and 20 viewers.

A real recording of a simulated sensor runs in real time in this process, as `record --page` has it;
the page is served over loopback, and the viewers are in a process of their own, as phones are. The
clock is the system's monotonic one, the same for both. What a browser needs to draw comes on top.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from benchmarks.report import table
from review.page.livehub import LiveHub, LiveSwing
from unhurried.app.pages import live_hub
from unhurried.app.serve import serving

__all__ = ["run", "tables"]

VIEWERS = (1, 20)
TARGET_MS = 200.0
SPEED = 10.0
"""Of the simulated sensor: ten players at once, as far as the work goes."""

SWINGS, QUICK_SWINGS = 60, 12
START_S = 60.0


async def _watch(url: str, viewers: int) -> None:
    """Follow a page many times over, and print when each viewer has each swing."""
    limits = httpx.Limits(max_connections=None)

    async def view(http: httpx.AsyncClient) -> None:
        with contextlib.suppress(httpx.HTTPError):
            async with http.stream("GET", f"{url}range/live") as answer:
                seen = ""
                async for line in answer.aiter_lines():
                    if not line.startswith("data: {"):
                        continue
                    at = time.monotonic()
                    last = json.loads(line[6:])["parts"].get("last")
                    if last is not None:
                        number = last.partition("Swing ")[2].partition(":")[0]
                        if number.isdecimal() and number != seen:
                            seen = number
                            print(number, at, flush=True)

    async with httpx.AsyncClient(timeout=None, limits=limits) as http:
        await asyncio.gather(*(view(http) for _ in range(viewers)))


def _measure(viewers: int, swings: int) -> dict[str, float | int]:
    found: dict[int, float] = {}

    class Timed(LiveHub):
        """Notes when a swing was handed over by the recording."""

        def add_swing(self, swing: LiveSwing) -> None:
            found[swing.number] = time.monotonic()
            super().add_swing(swing)

    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        with live_hub(home, hub=Timed(), speed=SPEED) as hub, serving(home, port=0, live=hub) as up:
            watching = subprocess.Popen(
                [sys.executable, "-m", "benchmarks.live_page", up.url, str(viewers)],
                cwd=Path(__file__).resolve().parents[1],
                stdout=subprocess.PIPE,
                text=True,
            )
            try:
                _until(lambda: hub.followers == viewers)
                with httpx.Client(base_url=up.url, timeout=20.0) as http:
                    origin = {"origin": up.url.rstrip("/"), "accept": "application/json"}
                    http.post(
                        "/range/start",
                        data={"sensor": "simulated", "mount": "wrist"},
                        headers=origin,
                    ).raise_for_status()
                    _until(lambda: hub.state.count >= swings, START_S + 3.0 * swings)
                    http.post("/range/stop", data={"x": ""}, headers=origin).raise_for_status()
                _until(lambda: hub.state.phase == "kept")
                hub.close()
                out, _ = watching.communicate(timeout=20)
            finally:
                watching.kill()
                watching.wait()
    late = [
        1e3 * (float(at) - found[int(number)])
        for number, at in (line.split() for line in out.splitlines())
        if int(number) in found
    ]
    return {
        "viewers": viewers,
        "swings": len(found),
        "arrivals": len(late),
        "expected": viewers * len(found),
        "median_ms": float(np.median(late)),
        "p95_ms": float(np.percentile(late, 95)),
        "max_ms": float(np.max(late)),
    }


def _until(true: Any, seconds: float = START_S) -> None:
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise TimeoutError("the page did not come so far in time")
        time.sleep(0.005)


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure with each number of viewers.

    Parameters
    ----------
    quick : bool
        Fewer swings.
    shift : int
        Has no part here: the player is another one each time.

    Returns
    -------
    dict
    """
    del shift
    return {"rows": [_measure(n, QUICK_SWINGS if quick else SWINGS) for n in VIEWERS]}


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    rows = [
        [
            str(row["viewers"]),
            str(row["swings"]),
            f"{row['arrivals']} of {row['expected']}",
            f"{row['median_ms']:.1f}",
            f"{row['p95_ms']:.1f}",
            f"{row['max_ms']:.1f}",
            f"{TARGET_MS:.0f}",
        ]
        for row in result["rows"]
    ]
    head = ["viewers", "swings", "arrived", "median ms", "p95 ms", "largest ms", "target p95 ms"]
    text = (
        "From a found swing to its arrival at a viewer (server-sent events over loopback, viewers "
        "in another process, simulated sensor at ten times real time):"
    )
    return f"{text}\n\n{table(head, rows)}"


if __name__ == "__main__":
    asyncio.run(_watch(sys.argv[1], int(sys.argv[2])))
