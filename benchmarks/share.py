"""A page that is shared with a crowd: does the guest who was let in still get a screen?

A recording of a simulated sensor runs in real time as ``record --page --share`` has it, with the
files that most systems give a process. Meanwhile, from other loopback addresses, which the page
takes for visitors from the network: connections that send nothing, connections that send a byte a
second, and wrong tokens. Both kinds of connections come again when they were closed. The guest has
an address of their own, and comes with a right token again and again; some of the wrong tokens come
from that address too, as they do behind a router.

All of it is on loopback: the page listens there alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from benchmarks.report import table

__all__ = ["measure", "run", "tables"]

HERE, CROWD, GUEST = "127.0.0.1", "127.0.0.7", "127.0.0.9"
TARGET_S = 2.0
FILES = 1024
"""Files that a process may have: what most systems give (from memory)."""
AGAIN_S = 10.0
START_S = 60.0
ROOT = Path(__file__).resolve().parents[1]


# -- the recording ---------------------------------------------------------------------------------


def _record(*arguments: str) -> int:
    """Run the command itself, with a page that is shared on loopback and nowhere else."""
    import resource

    from unhurried.app import serve
    from unhurried.cli import run as command

    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (FILES, hard))
    listen = serve._listen

    def on_loopback(_host: str, port: int, *, exact: bool) -> Any:
        return listen(HERE, port, exact=exact)

    serve._listen = on_loopback
    serve.own_addresses = lambda: [HERE]
    return command(["record", "--simulated", "--mount", "wrist", "--hand", "right", *arguments])


# -- the crowd -------------------------------------------------------------------------------------


async def _crowd(port: int, idle: int, slow: int, guesses_hz: int) -> None:
    """Be there until this process is ended."""
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))

    async def one(drip: bool) -> None:
        while True:
            with contextlib.suppress(OSError):
                reader, writer = await asyncio.open_connection(HERE, port, local_addr=(CROWD, 0))
                try:
                    if drip:
                        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nX: ")
                    while not reader.at_eof():
                        if drip:
                            writer.write(b"y")
                            await writer.drain()
                        with contextlib.suppress(TimeoutError):
                            await asyncio.wait_for(reader.read(1), 1.0 if drip else AGAIN_S)
                finally:
                    writer.close()
            await asyncio.sleep(AGAIN_S)

    async def guess(k: int, address: str) -> None:
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection(HERE, port, local_addr=(address, 0))
            head = f"GET /enter?t=wrong-{k} HTTP/1.1\r\nHost: {HERE}:{port}\r\n\r\n"
            writer.write(head.encode())
            await asyncio.sleep(2.5)
            writer.close()

    holding = [asyncio.ensure_future(one(k < slow)) for k in range(idle + slow)]
    print("there", flush=True)
    guessing: set[asyncio.Task[None]] = set()
    start, k = time.monotonic(), 0
    while True:
        # Every fifth comes from the guest's own address.
        task = asyncio.ensure_future(guess(k, GUEST if k % 5 == 0 else CROWD))
        guessing.add(task)
        task.add_done_callback(guessing.discard)
        k += 1
        await asyncio.sleep(max(0.0, start + k / guesses_hz - time.monotonic()))
        assert holding


# -- the guest -------------------------------------------------------------------------------------


def _entered(url: str, origin: str) -> float:
    """Have the computer make a code, come in with it as a guest and get the screen; seconds."""
    # No certificates: reading those takes longer than all that is measured.
    with httpx.Client(base_url=url, timeout=30.0, verify=False) as here:
        code = here.post("/range/code", data={"x": ""}, headers={"origin": origin})
        found = re.search(r"/enter\?t=([\w-]+)", code.text)
        assert found is not None, code.text
    way = httpx.HTTPTransport(local_address=GUEST, verify=False)
    with httpx.Client(base_url=url, transport=way, timeout=30.0) as guest:
        start = time.monotonic()
        assert guest.get("/enter", params={"t": found[1]}).status_code == 303
        screen = guest.get("/range")
        assert screen.status_code == 200
        took_s = time.monotonic() - start
        assert "Range" in screen.text
    return took_s


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _until(true: Any, seconds: float = START_S) -> None:
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise TimeoutError("the page did not come so far in time")
        time.sleep(0.05)


def measure(*, idle: int, slow: int, guesses_hz: int, seconds: float) -> dict[str, Any]:
    """Record, be crowded, and see what the guest, the recording and the terminal have of it.

    Parameters
    ----------
    idle, slow : int
        Connections.
    guesses_hz : int
        Wrong tokens a second.
    seconds : float
        How long, from when the crowd comes.

    Returns
    -------
    dict
    """
    from sensor.recording.opening import open_recording

    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as ending:
        place = Path(folder)
        module = [sys.executable, "-m", "benchmarks.share"]
        said = ending.enter_context((place / "said").open("w+", encoding="utf-8"))
        arguments = ["--page", "--share", "--port", "0", "--home", str(place / "home")]
        recording = subprocess.Popen(
            [*module, "record", *arguments, "--out", str(place / "out")],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
        )
        ending.callback(_end, recording)

        def lines() -> list[str]:
            return (place / "said").read_text(encoding="utf-8").splitlines()

        found: list[int] = []

        def up() -> bool:
            found[:] = [int(p) for p in re.findall(rf"http://{HERE}:(\d+)/", "\n".join(lines()))]
            return bool(found)

        _until(up)
        port = found[0]
        url = f"http://{HERE}:{port}"
        _until(lambda: (place / "out" / "imu.npy").exists())
        alone = [_entered(url, url) for _ in range(3)]
        before, cpu_s, start = len(lines()), _cpu_s(recording.pid), time.monotonic()
        crowd = subprocess.Popen(
            [*module, "crowd", str(port), str(idle), str(slow), str(guesses_hz)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        ending.callback(_end, crowd)
        assert crowd.stdout is not None
        with crowd.stdout:
            crowd.stdout.readline()
            took: list[float] = []
            while time.monotonic() < start + seconds:
                took.append(_entered(url, url))
                time.sleep(0.2)
        lasted_s = time.monotonic() - start
        busy = (_cpu_s(recording.pid) - cpu_s) / lasted_s
        told = lines()[before:]
        recording.send_signal(signal.SIGINT)
        code = recording.wait(30.0)
        with open_recording(place / "out") as kept:
            lost, recorded_s = kept.lost_samples, kept.duration_s
    return {
        "idle": idle,
        "slow": slow,
        "guesses_hz": guesses_hz,
        "seconds": lasted_s,
        "screens": len(took),
        "alone_s": statistics.median(alone),
        "median_s": statistics.median(took),
        "max_s": max(took),
        "lost": lost,
        "recorded_s": recorded_s,
        "lines": len(told),
        "told": told[:5],
        "exit": code,
        "cpu": busy,
    }


def _end(process: subprocess.Popen[Any]) -> None:
    process.kill()
    process.wait()


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Measure without a crowd to speak of, and with one.

    Parameters
    ----------
    quick : bool
        A smaller crowd, and shorter.
    shift : int
        Has no part here.

    Returns
    -------
    dict
    """
    del shift
    if sys.platform != "linux":
        return {"rows": [], "why": "only Linux has more loopback addresses than one"}
    sizes = [(400, 100, 20, 6.0)] if quick else [(2000, 500, 100, 30.0)]
    return {
        "rows": [
            measure(idle=idle, slow=slow, guesses_hz=hz, seconds=s) for idle, slow, hz, s in sizes
        ]
    }


def tables(result: dict[str, Any]) -> str:
    """Markdown for docs/look-up/accuracy.md."""
    if not result["rows"]:
        return f"Not measured: {result['why']}."
    rows = [
        [
            f"{row['idle']} idle, {row['slow']} slow, {row['guesses_hz']} wrong tokens/s",
            str(row["screens"]),
            f"{row['alone_s']:.2f}",
            f"{row['median_s']:.2f}",
            f"{row['max_s']:.2f}",
            f"{TARGET_S:.0f}",
            str(row["lost"]),
            str(row["lines"]),
            f"{100 * row['cpu']:.0f}",
        ]
        for row in result["rows"]
    ]
    head = [
        "crowd",
        "guests let in",
        "without it s",
        "median s",
        "largest s",
        "target s",
        "samples lost",
        "lines said",
        "CPU %",
    ]
    text = (
        "From a right token to the Range screen, while a recording runs in the same process and a "
        f"crowd is at its page (`record --page --share`, {FILES} files a process, all on loopback):"
    )
    return f"{text}\n\n{table(head, rows)}"


if __name__ == "__main__":
    if sys.argv[1] == "record":
        sys.exit(_record(*sys.argv[2:]))
    asyncio.run(_crowd(*map(int, sys.argv[2:])))
